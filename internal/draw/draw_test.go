package draw

import (
	"bytes"
	"encoding/xml"
	"flag"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"fettle/internal/finding"
	"fettle/internal/wiring"
)

var update = flag.Bool("update", false, "rewrite golden files")

var goldens = map[string]bool{}

func golden(t *testing.T, name, got string) {
	t.Helper()
	goldens[name] = true
	wellFormed(t, name, got)
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.MkdirAll("testdata", 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(got), 0o666); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal([]byte(got), want) {
		t.Errorf("%s differs (run with -update, read the diff and look at the drawing)", path)
	}
}

// wellFormed re-parses the drawing: XML, named and described, coordinates with one decimal and finite.
func wellFormed(t interface {
	Errorf(string, ...any)
	Helper()
}, name, svg string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(svg))
	var title, desc bool
	for {
		tok, err := d.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Errorf("%s: %v", name, err)
			return
		}
		e, ok := tok.(xml.StartElement)
		if !ok {
			continue
		}
		title = title || e.Name.Local == "title"
		desc = desc || e.Name.Local == "desc"
		for _, a := range e.Attr {
			switch a.Name.Local {
			case "x", "y", "width", "height", "cx", "cy", "r":
				if _, err := strconv.ParseFloat(a.Value, 64); err != nil {
					t.Errorf("%s: %s %s = %q", name, e.Name.Local, a.Name.Local, a.Value)
				}
				if _, frac, _ := strings.Cut(a.Value, "."); len(frac) > 1 {
					t.Errorf("%s: %s %s = %q has more digits than meant", name, e.Name.Local, a.Name.Local, a.Value)
				}
			case "d":
				if strings.ContainsAny(a.Value, "NIe") {
					t.Errorf("%s: path %q", name, a.Value)
				}
			}
		}
	}
	if !title || !desc {
		t.Errorf("%s: without title or description", name)
	}
}

func TestGolden(t *testing.T) {
	for _, f := range sampleFigures() {
		for _, w := range []float64{700, 330} {
			golden(t, f.ID+"-"+strconv.Itoa(int(w))+".svg", Plot(f, Options{Width: w, Standalone: true}))
		}
	}
	for _, n := range []int{0, 2, 6} {
		for _, w := range []float64{720, 330} {
			golden(t, "circuit-"+strconv.Itoa(n)+"-"+strconv.Itoa(int(w))+".svg", Circuit(sampleSchematic(n), Options{Width: w, Standalone: true}))
		}
	}
	for _, w := range []float64{700, 320} {
		golden(t, "symbols-"+strconv.Itoa(int(w))+".svg", Circuit(sampleSymbols(), Options{Width: w, Standalone: true}))
	}
	probed := sampleSymbols().Around(Probes{Red: "front.gate", Black: "PB0"})
	for _, w := range []float64{700, 320} {
		golden(t, "probes-"+strconv.Itoa(int(w))+".svg", Circuit(probed, Options{Width: w, Standalone: true}))
	}
	for k, svg := range Circuits(sampleSymbols(), Options{Width: 700, Standalone: true}, 1150) {
		golden(t, "sheets-"+strconv.Itoa(k+1)+".svg", svg)
	}
	for k, words := range []string{"55 forward 6 of 28", "1000 cv 49 write 128", "bytes 03 90 92"} {
		for _, w := range []float64{700, 330} {
			golden(t, "packet-"+strconv.Itoa(k)+"-"+strconv.Itoa(int(w))+".svg", Packet(sampleItem(t, words), Options{Width: w, Standalone: true}))
		}
	}
	have, err := os.ReadDir("testdata")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range have {
		if !e.IsDir() && !goldens[e.Name()] {
			t.Errorf("testdata/%s is used by no test", e.Name())
		}
	}
}

// TestSeveral: a schematic too tall for one drawing is several, with every output on one of them, every feed named where it
// goes on, and the supply drawn once; on a phone it stays one.
func TestSeveral(t *testing.T) {
	s := sampleSymbols()
	for _, tallest := range []float64{1, 900, 1e6} {
		svgs := Circuits(s, Options{Width: 700}, tallest)
		switch {
		case tallest == 1 && len(svgs) != 9: // ten outputs, of which two share a lamp
			t.Errorf("%d drawings of one group each, want 9", len(svgs))
		case tallest == 1e6 && len(svgs) != 1:
			t.Errorf("%d drawings where one is enough", len(svgs))
		}
		all := strings.Join(svgs, "")
		for _, o := range s.Outputs {
			if n := strings.Count(all, ">"+o.Pin+"</text>"); n != 1 {
				t.Errorf("tallest %g: pin %s of output %s stands on %d drawings", tallest, o.Pin, o.Name, n)
			}
		}
		for what, want := range map[string]int{">zener</text>": 1, ">ear</text>": 1, ">two diodes</text>": 1, ">continued</text>": len(svgs) - 1} {
			if n := strings.Count(all, what); n != want {
				t.Errorf("tallest %g: %d × %s, want %d", tallest, n, what, want)
			}
		}
		for k, l := range s.Lamps {
			for _, svg := range svgs {
				if strings.Contains(svg, ">"+l.Name+"</text>") && l.Feed != s.Rails.Minus && !strings.Contains(svg, ">"+l.Feed+"</text>") {
					t.Errorf("tallest %g: lamp %d, fed from %s, stands where that is not named", tallest, k, l.Feed)
				}
			}
		}
		seen := map[string]bool{}
		for _, svg := range svgs {
			wellFormed(t, "circuit", svg)
			id := svg[strings.Index(svg, `<title id="`):]
			if id = id[:strings.Index(id, ">")]; seen[id] {
				t.Errorf("tallest %g: %s stands twice", tallest, id)
			}
			seen[id] = true
		}
	}
	if n := len(Circuits(s, Options{Width: 320}, 900)); n != 1 {
		t.Errorf("%d narrow drawings", n)
	}
}

// TestTicks: 1-2-5 steps, and the prefix chosen for the data.
func TestTicks(t *testing.T) {
	for _, c := range []struct {
		axis      finding.Axis
		low, high float64
		want      string
		title     string
	}{
		{finding.Axis{Quantity: "current", Unit: "A"}, 0, 0.0123, "0 5 10 15", "current / mA"},
		{finding.Axis{Quantity: "current", Unit: "A"}, 0.9e-6, 4.1e-6, "0 2 4 6", "current / µA"},
		{finding.Axis{Quantity: "voltage", Unit: "V"}, -3, 3, "−4 −2 0 2 4", "voltage / V"},
		{finding.Axis{Quantity: "share", Unit: "1"}, 0, 0.55, "0 20 40 60", "share / %"},
		{finding.Axis{Quantity: "resistance", Unit: "Ω"}, 0, 21000, "0 10 20 30", "resistance / kΩ"},
		{finding.Axis{Quantity: "current", Unit: "A", Log: true}, 1e-5, 1e-2, "10 100 1000 10\u202f000", "current / µA"},
		{finding.Axis{Quantity: "count"}, 0, 2e7, "0 5·10⁶ 10⁷ 1.5·10⁷ 2·10⁷", "count"},
		{finding.Axis{Quantity: "voltage", Unit: "V", Low: 9, High: 18}, 0, 100, "10 15", "voltage / V"},
	} {
		s := newScale(c.axis, []float64{c.low, c.high}, nil, 4, true)
		s.from, s.to = 0, 160
		s.mark(40)
		var got []string
		for _, k := range s.ticks {
			if k.label != "" {
				got = append(got, k.label)
			}
		}
		if strings.Join(got, " ") != c.want || s.title != c.title {
			t.Errorf("%v from %g to %g: ticks %q titled %q, want %q titled %q", c.axis, c.low, c.high, strings.Join(got, " "), s.title, c.want, c.title)
		}
	}
}

// TestNothingMeets: no label meets another or the frame, whatever the width.
func TestNothingMeets(t *testing.T) {
	for _, f := range sampleFigures() {
		for w := 280.0; w <= 900; w += 20 {
			p := newPlot(f, Options{Width: w})
			p.layout()
			p.labels()
			all := append(append([]placedLabel(nil), p.placed...), p.letters...)
			for i, a := range all {
				inside, margin := a.at.inside(p.frame), a.at.x > p.frame.x+p.frame.w && a.at.x+a.w <= w
				if !inside && !margin {
					t.Errorf("%s at %g px: %q meets the frame", f.ID, w, a.text)
				}
				for _, b := range all[i+1:] {
					if a.at.meets(b.at) {
						t.Errorf("%s at %g px: %q meets %q", f.ID, w, a.text, b.text)
					}
				}
			}
			// Everything named is named: beside what it names or below the plot.
			named := len(p.placed) + len(p.key)
			want := len(f.Points) + len(f.Curves) + len(f.Shades) + len(f.Bands) + len(f.Marks)
			if named != want {
				t.Errorf("%s at %g px: %d of %d names are set", f.ID, w, named, want)
			}
			if len(p.key) > len(p.letters) && w >= 330 {
				t.Errorf("%s at %g px: a name below the plot has no letter in it", f.ID, w)
			}
		}
	}
}

// TestShows: what a figure holds is in its drawing.
func TestShows(t *testing.T) {
	svg := Plot(sampleCurrent(), Options{Width: 700})
	for what, want := range map[string]int{`class="point"`: 2, `class="point hollow"`: 1, `class="hatch"`: 1, `class="band wanted"`: 2, `class="mark across"`: 3, `class="shade k0"`: 1} {
		if got := strings.Count(svg, what); got != want {
			t.Errorf("%d × %s, want %d", got, what, want)
		}
	}
	for _, want := range []string{"track voltage / V", "lamp current, mean / mA", "never above 12\u202fmA", "<title", "never above 12 mA: above 12.0\u202fmA"} {
		if !strings.Contains(svg, want) {
			t.Errorf("the drawing does not say %q", want)
		}
	}
	// A curve is broken where a value is absent, and a wild value stays inside the frame.
	f := finding.Figure{X: finding.Axis{Low: 0, High: 4}, Y: finding.Axis{Low: 0, High: 1},
		Curves: []finding.Curve{{X: []float64{0, 1, 2, 3, 4}, Y: []float64{0.2, 0.3, math.NaN(), 1e9, 0.1}}}}
	p := newPlot(f, Options{})
	p.layout()
	if len(p.curves[0]) != 2 {
		t.Errorf("%d stretches of a broken curve, want 2", len(p.curves[0]))
	}
	for _, l := range p.curves[0] {
		for _, q := range l {
			if !p.frame.grow(0.01).holds(q) {
				t.Errorf("%v lies outside the frame %v", q, p.frame)
			}
		}
	}
}

// Any figure and any schematic at all: no panic, well formed, no number but finite ones.
func TestAnything(t *testing.T) {
	number := rapid.OneOf(rapid.Float64(), rapid.Float64Range(-10, 10), rapid.SampledFrom([]float64{0, math.NaN(), math.Inf(1), math.Inf(-1), 1e-300, 1e300, -4.7e3}))
	text := rapid.StringOfN(rapid.SampledFrom([]rune("ab VΩ<&\"\u202f日\x00")), 0, 40, -1)
	symbol := rapid.SampledFrom([]string{"", "V", "A", "1", "°C"})
	verdict := rapid.SampledFrom([]finding.Verdict{"", finding.Holds, finding.Close, finding.Fails, finding.Unknown})
	rapid.Check(t, func(rt *rapid.T) {
		n := func() float64 { return number.Draw(rt, "n") }
		s := func() string { return text.Draw(rt, "s") }
		list := func() []float64 { return rapid.SliceOfN(number, 0, 6).Draw(rt, "list") }
		flag := func() bool { return rapid.Bool().Draw(rt, "flag") }
		axis := func() finding.Axis {
			return finding.Axis{Quantity: s(), Unit: symbol.Draw(rt, "u"), Low: n(), High: n(), Log: flag()}
		}
		f := finding.Figure{ID: s(), Title: s(), Caption: s(), X: axis(), Y: axis()}
		for range rapid.IntRange(0, 3).Draw(rt, "curves") {
			f.Curves = append(f.Curves, finding.Curve{Label: s(), X: list(), Y: list(), Dashed: flag()})
			f.Shades = append(f.Shades, finding.Shade{Label: s(), X: list(), Low: list(), High: list(), Curve: rapid.IntRange(-1, 9).Draw(rt, "c")})
			f.Bands = append(f.Bands, finding.Band{Label: s(), From: n(), To: n(), Vertical: flag(), Good: flag()})
			f.Points = append(f.Points, finding.Points{Label: s(), X: list(), Y: list(), XLow: list(), XHigh: list(), YLow: list(), YHigh: list(), Excluded: []bool{true}})
			f.Marks = append(f.Marks, finding.Mark{Label: s(), X: n(), Y: n()})
		}
		o := Options{Width: rapid.Float64Range(0, 1000).Draw(rt, "w"), Standalone: flag()}
		svg := Plot(f, o)
		wellFormed(quiet{rt}, "plot", svg)
		if svg != Plot(f, o) {
			rt.Error("the same figure gave other bytes")
		}
		word := func() Part { return Part{Name: s(), Value: s(), Verdict: verdict.Draw(rt, "v"), Note: s()} }
		perhaps := func() Part {
			if flag() {
				return Part{}
			}
			return word()
		}
		transistor := func() Transistor {
			return Transistor{Part: perhaps(), Kind: Kind(rapid.IntRange(0, 3).Draw(rt, "kind")), Prebiased: flag()}
		}
		c := Schematic{ID: s(), Title: s(), Rails: sampleRails(), Chip: perhaps(),
			Supply: Supply{Rectifier: perhaps(), Four: flag(), Reservoir: perhaps(), Regulator: perhaps(), Ballast: perhaps(), Local: perhaps()}}
		if flag() {
			c.Listen = Listen{From: rapid.SampledFrom([]string{"left rail", "right rail", "x"}).Draw(rt, "from"), Into: s(), Series: perhaps()}
		}
		for range rapid.IntRange(0, 3).Draw(rt, "lamps") {
			c.Lamps = append(c.Lamps, SchematicLamp{Name: s(), Feed: rapid.SampledFrom(append(sampleRails().nets(), "decoder minus", "", "x")).Draw(rt, "feed"), SocketPin: s(),
				Structure: wiring.Structure(rapid.IntRange(0, int(wiring.Structures)-1).Draw(rt, "structure")), Inward: flag(), LED: perhaps(), Back: s(),
				InSeries: rapid.IntRange(-1, 9).Draw(rt, "series"), Parallel: rapid.IntRange(-1, 9).Draw(rt, "parallel"), Hidden: perhaps(), Leak: perhaps(), Limit: s()})
		}
		for range rapid.IntRange(0, 4).Draw(rt, "outputs") {
			c.Outputs = append(c.Outputs, SchematicOutput{Name: s(), Pin: s(), ActiveLow: flag(), Lamps: rapid.SliceOfN(rapid.IntRange(-1, 3), 0, 4).Draw(rt, "its lamps"),
				Series: perhaps(), Shunt: perhaps(), Switch: transistor(), Driver: transistor(), Between: perhaps(), Base: perhaps(), Pulldown: perhaps(), Level: transistor(), LevelBase: perhaps(), Pullup: perhaps(),
				Clamp: perhaps(), Verdict: verdict.Draw(rt, "v")})
		}
		for _, svg := range Circuits(c, o, 600) {
			wellFormed(quiet{rt}, "circuit", svg)
		}
		drawn := Circuit(c, o)
		wellFormed(quiet{rt}, "circuit", drawn)
		if drawn != Circuit(c, o) {
			rt.Error("the same circuit gave other bytes")
		}
	})
}

// quiet gives a rapid test the Helper that a table of errors wants.
type quiet struct{ *rapid.T }

func (quiet) Helper() {}

// A logarithmic axis maps whatever a float holds to a number or far outside, never to none: the quotient of two
// values may be out of range where their logarithms are not.
func TestLogScaleOfAnything(t *testing.T) {
	s := &scale{low: 7e106, high: 7e121, log: true, from: 40, to: 300}
	for _, x := range []float64{1.8130221999122236e-217, 5e-324, 1, 7e106, 7e121, 1e149} {
		if p := s.px(x); math.IsNaN(p) {
			t.Errorf("px(%g) is no number", x)
		}
	}
}
