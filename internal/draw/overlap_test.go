package draw

import (
	"encoding/xml"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"fettle/internal/finding"
	"fettle/internal/wiring"
)

// A laid thing is a line of words or a symbol as it lies on the sheet, read back from the drawing.
type laid struct {
	what string
	at   box
}

// layout reads words, symbols and wires back from a schematic.
func layout(svg string) (texts, symbols []laid, wires [][2]point, w, h float64) {
	d := xml.NewDecoder(strings.NewReader(svg))
	var text *laid
	var anchor string
	var bold bool
	var group *box // of the symbol that is open
	tag := 0
	var tagged, first string
	grow := func(p point) {
		if group == nil {
			return
		}
		if math.IsInf(group.x, 1) {
			*group = box{p.x, p.y, 0, 0}
			return
		}
		x, y := math.Min(group.x, p.x), math.Min(group.y, p.y)
		*group = box{x, y, math.Max(group.x+group.w, p.x) - x, math.Max(group.y+group.h, p.y) - y}
	}
	for {
		tok, err := d.Token()
		if err != nil {
			return texts, symbols, wires, w, h
		}
		switch e := tok.(type) {
		case xml.StartElement:
			attr, at := map[string]string{}, map[string]float64{}
			for _, a := range e.Attr {
				attr[a.Name.Local] = a.Value
				at[a.Name.Local], _ = strconv.ParseFloat(a.Value, 64)
			}
			switch e.Name.Local {
			case "svg":
				f := strings.Fields(attr["viewBox"])
				w, _ = strconv.ParseFloat(f[2], 64)
				h, _ = strconv.ParseFloat(f[3], 64)
			case "g":
				group, first = &box{math.Inf(1), 0, 0, 0}, ""
				tag++
				tagged = fmt.Sprintf("symbol %d", tag)
			case "text":
				text = &laid{"", box{at["x"], at["y"], 0, 0}}
				anchor, bold = attr["text-anchor"], strings.Contains(attr["class"], "name")
			case "rect":
				if group != nil {
					first += "rect "
					grow(point{at["x"], at["y"]})
					grow(point{at["x"] + at["width"], at["y"] + at["height"]})
				}
			case "circle":
				first += "circle "
				grow(point{at["cx"] - at["r"], at["cy"] - at["r"]})
				grow(point{at["cx"] + at["r"], at["cy"] + at["r"]})
			case "path":
				first += strings.ReplaceAll(attr["class"], " ", ".") + " "
				for _, sub := range strings.Split(attr["d"], "M")[1:] {
					var line []point
					for _, p := range strings.Split(strings.TrimSuffix(sub, "Z"), "L") {
						x, y, _ := strings.Cut(p, " ")
						a, _ := strconv.ParseFloat(x, 64)
						b, _ := strconv.ParseFloat(y, 64)
						line = append(line, point{a, b})
						grow(point{a, b})
					}
					for i := 1; group == nil && i < len(line); i++ {
						wires = append(wires, [2]point{line[i-1], line[i]})
					}
				}
			}
		case xml.CharData:
			if text != nil {
				text.what += string(e)
			}
		case xml.EndElement:
			switch e.Name.Local {
			case "g":
				symbols = append(symbols, laid{tagged + " " + first, *group})
				group = nil
			case "text":
				wide := textWidth(text.what, bold)
				x := text.at.x
				switch anchor {
				case "middle":
					x -= wide / 2
				case "end":
					x -= wide
				}
				text.at = box{x, text.at.y - 9.5, wide, 12}
				texts = append(texts, *text)
				text = nil
			}
		}
	}
}

// clashes are what lies over something else, or outside the sheet.
func clashes(svg string) (out []string) {
	texts, symbols, wires, w, h := layout(svg)
	page := box{-1, -1, w + 2, h + 2}
	for i, a := range texts {
		if !a.at.inside(page) {
			out = append(out, fmt.Sprintf("%q at %v is cut", a.what, a.at))
		}
		for _, b := range texts[i+1:] {
			if a.at.grow(-0.5).meets(b.at) {
				out = append(out, fmt.Sprintf("%q at %v meets %q at %v", a.what, a.at, b.what, b.at))
			}
		}
		if slices.ContainsFunc(symbols, func(s laid) bool { return a.at.grow(-1).inside(s.at) }) {
			continue // the words in the chip, in a regulator
		}
		for _, s := range symbols {
			if a.at.grow(-1).meets(s.at) {
				out = append(out, fmt.Sprintf("%q at %v meets %s at %v", a.what, a.at, s.what, s.at))
			}
		}
		for _, l := range wires {
			b := box{math.Min(l[0].x, l[1].x), math.Min(l[0].y, l[1].y), math.Abs(l[0].x - l[1].x), math.Abs(l[0].y - l[1].y)}
			if a.at.grow(-1.5).meets(b.grow(0.5)) {
				out = append(out, fmt.Sprintf("%q at %v meets the wire %v", a.what, a.at, l))
			}
		}
	}
	for i, a := range symbols {
		if !a.at.inside(page) {
			out = append(out, fmt.Sprintf("%s at %v is cut", a.what, a.at))
		}
		for _, b := range symbols[i+1:] {
			if a.at.grow(-1).meets(b.at) {
				out = append(out, fmt.Sprintf("%s at %v meets %s at %v", a.what, a.at, b.what, b.at))
			}
		}
	}
	return out
}

// anyDecoder is a decoder that could be built, of anything that is drawn. Names and values are of the longer ones that
// occur; a word's width is that of a wide face.
func anyDecoder(rt *rapid.T) Schematic {
	flag := func(name string) bool { return rapid.Bool().Draw(rt, name) }
	pick := func(name string, of ...string) string { return rapid.SampledFrom(of).Draw(rt, name) }
	verdict := func() finding.Verdict {
		return rapid.SampledFrom([]finding.Verdict{"", "", finding.Holds, finding.Close, finding.Fails, finding.Unknown}).Draw(rt, "verdict")
	}
	r := func(name string) Part {
		return Part{Name: name, Value: pick("ohm", "47 Ω", "680 Ω", "4.7 kΩ", "100 kΩ", "≈ 1.0 kΩ"), Verdict: verdict()}
	}
	perhaps := func(p Part) Part {
		if flag("left out") {
			return Part{}
		}
		return p
	}
	transistor := func(role string, kinds ...Kind) Transistor {
		t := Transistor{Part: Part{Name: role, Value: pick("transistor", "BC847B", "MMBT2222A", "DTC143ZKA", "AO3401A"), Verdict: verdict()}, Kind: rapid.SampledFrom(kinds).Draw(rt, "kind")}
		if !t.FET() && flag("pre-biased") {
			t.Prebiased, t.Note = true, "R1 4.7 kΩ, R2 47 kΩ"
		}
		return t
	}
	s := Schematic{ID: "d", Title: "Any decoder", Rails: sampleRails(), Chip: Part{Name: "chip", Value: pick("chip", "ATtiny85", "ATtiny84A"), Verdict: verdict()},
		Supply: Supply{Rectifier: Part{Name: "rectifier", Value: pick("rectifier", "MB6S", "4 × BAT54", "4 × 1N4148W"), Verdict: verdict()}, Four: flag("four"), Diodes: rapid.SampledFrom([]Junction{Rectifying, Schottky}).Draw(rt, "type"),
			Reservoir: perhaps(Part{Name: "reservoir", Value: "100 µF", Verdict: verdict()}), Regulator: Part{Name: "regulator", Value: pick("regulator", "78L05", "78L05A (TO-92)"), Verdict: verdict()}}}
	if !s.Supply.Four {
		s.Supply.From = pick("single diode from", "", "left rail", "right rail")
	}
	if flag("zener") {
		s.Supply.Ballast, s.Supply.Regulator = r("ballast"), Part{Name: "zener", Value: "BZX84-C5V1", Verdict: verdict()}
	}
	if flag("listens") {
		s.Listen = Listen{From: pick("rail", "left rail", "right rail"), Into: "PB2", Series: r("ear")}
	}
	for i := range rapid.IntRange(1, 6).Draw(rt, "outputs") {
		o := SchematicOutput{Name: pick("name", "front", "tail", "table lamps in the first compartment"), Pin: "PB" + strconv.Itoa(i), Verdict: verdict(), Series: r("series")}
		lamps := rapid.SampledFrom([]int{0, 1, 1, 1, 2, 3}).Draw(rt, "lamps")
		inward := false
		switch drive := rapid.IntRange(0, 2).Draw(rt, "drive"); {
		case drive == 0 || lamps == 0:
			o.Switch = transistor("switch", NPN, NChannel)
			o.Base, o.Pulldown = perhaps(r("base")), perhaps(r("pull-down"))
			if lamps > 0 && flag("pair") {
				o.Driver, o.Between = transistor("driver", NPN), perhaps(r("between"))
			}
			if lamps > 0 {
				o.Shunt = perhaps(r("across the lamp"))
				o.Series = perhaps(o.Series)
			} else {
				o.Name, o.Series.Name = "acknowledge", "load"
			}
		case drive == 1:
			inward = true
			o.Switch = transistor("switch", PNP, PChannel)
			o.Level = transistor("level transistor", NPN, NChannel)
			o.Base, o.Pulldown, o.LevelBase, o.Pullup, o.Series = perhaps(r("base")), perhaps(r("pull-down")), perhaps(r("level base")), perhaps(r("pull-up")), perhaps(o.Series)
			if o.Switch.FET() {
				o.Clamp = perhaps(Part{Name: "gate clamp", Value: "BZX84-C10", Verdict: verdict()})
			}
		default:
			o.ActiveLow = flag("low")
			inward = !o.ActiveLow
		}
		if lamps > 0 && len(s.Lamps) > 0 && flag("shares") {
			k := rapid.IntRange(0, len(s.Lamps)-1).Draw(rt, "shared")
			if strings.HasSuffix(s.Lamps[k].Feed, "rail") { // another feed lets current pass one way only
				o.Lamps = append(o.Lamps, k)
				lamps--
			}
		}
		for range lamps {
			l := SchematicLamp{Name: pick("lamp", "front", "tail", "driver's cab"), SocketPin: pick("pin", "", "pin 6"), Inward: inward, Structure: wiring.Structure(rapid.IntRange(0, int(wiring.Structures)-1).Draw(rt, "structure")),
				LED: Part{Name: "front", Value: pick("colour", "red", "warm white"), Verdict: verdict()}, Back: "red", Hidden: r("hidden"), InSeries: rapid.IntRange(0, 3).Draw(rt, "in series"), Parallel: rapid.IntRange(0, 3).Draw(rt, "rows"),
				Leak: Part{Name: "leak", Value: "≈ 12 kΩ"}, Limit: "≈ 8.0 mA"}
			// What conducts: the wiring refuses the rest.
			if inward {
				l.Feed = pick("feed", "left rail", "right rail", "decoder minus")
			} else {
				l.Feed = pick("feed", "left rail", "right rail", "rectified plus", "chip supply", "local plus")
			}
			if l.Feed == "local plus" {
				s.Supply.Local = Part{Name: "the vehicle's own two diodes", Note: "their type cannot be read from outside"}
			}
			o.Lamps, s.Lamps = append(o.Lamps, len(s.Lamps)), append(s.Lamps, l)
		}
		s.Outputs = append(s.Outputs, o)
	}
	return s
}

// TestNothingMeetsInACircuit: no word lies over another, over a symbol or a wire, no symbol over another, nothing is cut
// and no wire ends in the air, whatever is combined.
func TestNothingMeetsInACircuit(t *testing.T) {
	for _, s := range []Schematic{sampleSchematic(2), sampleSchematic(6), sampleSymbols()} {
		for _, w := range []float64{320, 360, 680, 700, 900} {
			for _, svg := range Circuits(s, Options{Width: w}, 900) {
				for _, c := range clashes(svg) {
					t.Errorf("%s at %g px: %s", s.Title, w, c)
				}
			}
		}
	}
	if t.Failed() {
		return
	}
	rapid.Check(t, func(rt *rapid.T) {
		s, w := anyDecoder(rt), rapid.SampledFrom([]float64{320, 700}).Draw(rt, "w")
		for _, svg := range Circuits(s, Options{Width: w}, math.Inf(1)) {
			if c := clashes(svg); len(c) > 0 {
				rt.Errorf("at %g px: %s", w, strings.Join(c, "\n"))
			}
			if ends := loose(t, svg); len(ends) != 1 {
				rt.Errorf("at %g px: loose ends at %v", w, ends)
			}
		}
	})
}
