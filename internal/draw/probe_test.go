package draw

import (
	"encoding/xml"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// marks are the probes of a drawing: their class and what they cover.
func marks(svg string) (list []laid) {
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		tok, err := d.Token()
		if err != nil {
			return list
		}
		e, ok := tok.(xml.StartElement)
		if !ok {
			continue
		}
		class, at := "", map[string]float64{}
		for _, a := range e.Attr {
			if a.Name.Local == "class" {
				class = a.Value
			}
			at[a.Name.Local], _ = strconv.ParseFloat(a.Value, 64)
		}
		switch class {
		case "probe red", "meter":
			list = append(list, laid{class, box{at["cx"] - at["r"], at["cy"] - at["r"], 2 * at["r"], 2 * at["r"]}})
		case "probe black":
			list = append(list, laid{class, box{at["x"], at["y"], at["width"], at["height"]}})
		}
	}
}

// marked reports whether both probes are drawn at a point, on the whole schematic and around it, on a sheet and on a phone.
func marked(s Schematic, id string) bool {
	for _, width := range []float64{320, 700} {
		for _, p := range []Probes{{Red: id, Black: s.Rails.Left}, {Red: s.Rails.Left, Black: id}} {
			if id == s.Rails.Left {
				p = Probes{Red: id, Black: probeMinus}
			}
			whole := s
			whole.Probes = p
			for _, one := range []Schematic{whole, s.Around(p)} {
				if list := marks(Circuit(one, Options{Width: width})); len(list) != 2 || list[0].what == list[1].what || !s.Shows(p) {
					return false
				}
			}
		}
	}
	return true
}

// covered are the words that lie under a probe.
func covered(svg string) (out []string) {
	texts, _, _, _, _ := layout(svg)
	list := marks(svg)
	for _, m := range list {
		for _, x := range texts {
			if len(x.what) > 1 && x.at.grow(-1.5).meets(m.at) {
				out = append(out, fmt.Sprintf("%s at %v covers %q at %v", m.what, m.at, x.what, x.at))
			}
		}
	}
	if len(list) == 2 && list[0].at.meets(list[1].at) {
		out = append(out, fmt.Sprintf("%v meets %v", list[0].at, list[1].at))
	}
	return out
}

// TestProbes: a probe covers no word and not the other one, whatever is combined; an ammeter stands in the lead that is said.
func TestProbes(t *testing.T) {
	all := func(s Schematic) []string {
		list := []string{s.Rails.Left, s.Rails.Right, probePlus, probeSupply, probeMinus, s.Listen.Into}
		for _, o := range s.Outputs {
			list = append(list, o.points()...)
		}
		return list
	}
	look := func(errorf func(string, ...any), s Schematic, p Probes) {
		for _, width := range []float64{320, 700} {
			svg := Circuit(s.Around(p), Options{Width: width})
			if c := covered(svg); len(c) > 0 {
				errorf("%s at %g px, %v: %s", s.Title, width, p, strings.Join(c, "\n"))
			}
			if p.Lead != "" && len(marks(svg)) != 1 {
				errorf("%s at %g px: no ammeter in the lead of %s", s.Title, width, p.Lead)
			}
		}
	}
	for _, s := range []Schematic{sampleSchematic(2), sampleSchematic(6), sampleSymbols()} {
		for _, id := range all(s) {
			look(t.Errorf, s, Probes{Red: id, Black: probeMinus})
		}
		for _, rail := range []string{s.Rails.Left, s.Rails.Right} {
			look(t.Errorf, s, Probes{Lead: rail})
			if !s.Shows(Probes{Lead: rail}) {
				t.Errorf("%s: an ammeter in the lead of %s is not shown", s.Title, rail)
			}
		}
		for _, p := range []Probes{{}, {Red: "PB0"}, {Red: "current", Black: "supply"}, {Red: "PB0", Black: "nowhere"}} {
			if s.Shows(p) {
				t.Errorf("%s shows %v", s.Title, p)
			}
		}
	}
	rapid.Check(t, func(rt *rapid.T) {
		s := anyDecoder(rt)
		points := slices.DeleteFunc(all(s), func(id string) bool { return id == "" })
		red, black := rapid.SampledFrom(points).Draw(rt, "red"), rapid.SampledFrom(points).Draw(rt, "black")
		if red != black {
			look(rt.Errorf, s, Probes{Red: red, Black: black})
		}
	})
}

// TestAround: of the outputs those alone are drawn that a probe touches, with what shares their lamps; the rest is counted.
func TestAround(t *testing.T) {
	s := sampleSymbols()
	for _, c := range []struct {
		p    Probes
		outs string
		says string
	}{
		{Probes{Red: "desk.socket", Black: probeMinus}, "desk", "9 more outputs are not drawn"},
		{Probes{Red: "tail red.level.base", Black: "PB1"}, "tail red, tail white", "8 more outputs"},
		{Probes{Red: probePlus, Black: probeMinus}, "", "10 more outputs"},
		{Probes{Red: "kitchen.driver.base", Black: "PA4"}, "kitchen", "The red probe is on kitchen.driver.base, the black one on PA4"},
	} {
		a := s.Around(c.p)
		var outs []string
		for _, o := range a.Outputs {
			outs = append(outs, o.Name)
		}
		if got := strings.Join(outs, ", "); got != c.outs {
			t.Errorf("%v: %s, want %s", c.p, got, c.outs)
		}
		if svg := Circuit(a, Options{}); !strings.Contains(svg, c.says) {
			t.Errorf("%v: %q is not said", c.p, c.says)
		}
	}
	if len(s.Outputs) != 10 || s.Probes != (Probes{}) {
		t.Error("the schematic itself was changed")
	}
}
