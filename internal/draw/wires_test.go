package draw

import (
	"encoding/xml"
	"math"
	"strconv"
	"strings"
	"testing"
)

type stroke struct {
	wire bool
	line []point
}

// strokes reads lines, rectangles and circles back from a drawing.
func strokes(t *testing.T, svg string) (lines []stroke, circles []box) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		tok, err := d.Token()
		if err != nil {
			return lines, circles
		}
		e, ok := tok.(xml.StartElement)
		if !ok {
			continue
		}
		attr, at := map[string]string{}, map[string]float64{}
		for _, a := range e.Attr {
			attr[a.Name.Local] = a.Value
			at[a.Name.Local], _ = strconv.ParseFloat(a.Value, 64)
		}
		switch class := attr["class"]; {
		case e.Name.Local == "circle":
			circles = append(circles, box{at["cx"], at["cy"], at["r"], 0})
		case e.Name.Local == "rect" && class == "body":
			x, y, w, h := at["x"], at["y"], at["width"], at["height"]
			lines = append(lines, stroke{false, []point{{x, y}, {x + w, y}, {x + w, y + h}, {x, y + h}, {x, y}}})
		case e.Name.Local == "path":
			for _, sub := range strings.Split(attr["d"], "M")[1:] {
				var line []point
				for _, p := range strings.Split(strings.TrimSuffix(sub, "Z"), "L") {
					x, y, _ := strings.Cut(p, " ")
					a, errX := strconv.ParseFloat(x, 64)
					b, errY := strconv.ParseFloat(y, 64)
					if errX != nil || errY != nil {
						t.Fatalf("path %q", attr["d"])
					}
					line = append(line, point{a, b})
				}
				if strings.HasSuffix(sub, "Z") {
					line = append(line, line[0])
				}
				lines = append(lines, stroke{class == "wire", line})
			}
		}
	}
}

// off is the distance of p from the stretch from a to b.
func off(p, a, b point) float64 {
	dx, dy := b.x-a.x, b.y-a.y
	s := 0.0
	if l := dx*dx + dy*dy; l > 0 {
		s = math.Max(0, math.Min(1, ((p.x-a.x)*dx+(p.y-a.y)*dy)/l))
	}
	return math.Hypot(p.x-a.x-s*dx, p.y-a.y-s*dy)
}

// loose are the ends of wires that touch nothing else.
func loose(t *testing.T, svg string) (ends []point) {
	t.Helper()
	lines, circles := strokes(t, svg)
	const near = 0.6
	touches := func(i int, p point) bool {
		for _, c := range circles {
			if d := math.Hypot(p.x-c.x, p.y-c.y); math.Abs(d-c.w) < near || c.w < 5 && d < c.w {
				return true
			}
		}
		for j, l := range lines {
			for k := 1; j != i && k < len(l.line); k++ {
				if off(p, l.line[k-1], l.line[k]) < near {
					return true
				}
			}
		}
		return false
	}
	for i, l := range lines {
		for _, p := range []point{l.line[0], l.line[len(l.line)-1]} {
			if l.wire && !touches(i, p) {
				ends = append(ends, p)
			}
		}
	}
	return ends
}

// TestNoLooseEnd: every wire ends on another, on a part or on a terminal; but for the one that shows at the foot what the bar
// of the minus means.
func TestNoLooseEnd(t *testing.T) {
	for _, s := range []Schematic{sampleSchematic(0), sampleSchematic(2), sampleSchematic(6), sampleSymbols()} {
		for _, w := range []float64{320, 360, 680, 700, 900} {
			for _, svg := range Circuits(s, Options{Width: w}, 900) {
				if ends := loose(t, svg); len(ends) != 1 || ends[0].x != 20 {
					t.Errorf("%s at %g px: loose ends at %v, want that of the foot alone", s.Title, w, ends)
				}
			}
		}
	}
}
