package prove

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/parts"
	"fettle/internal/require"
	"fettle/internal/wiring"
)

// LookAlikes tells what happens where a transistor was taken from the wrong bag: every part of the catalogue that carries
// the same code on the same package, put in its place, everything typical. No rows: nothing looks alike.
func LookAlikes(n *wiring.Network, lamps map[string]*wiring.LampPosterior) finding.Table {
	t := finding.Table{ID: "lookalikes." + n.Decoder.Name.Text, Title: "Look-alikes: what a part from the wrong bag would do", Columns: []finding.Column{
		{Title: "meant"}, {Title: "marking"}, {Title: "taken instead"}, {Title: "outcome"},
	}}
	for i := range n.Outputs {
		o := &n.Outputs[i]
		for _, q := range o.Transistors() {
			for _, x := range alike(n.Build.Catalogue, q.Name) {
				cell := swapped(n, i, q, x.name, lamps)
				if x.leads != "" {
					cell.Text += "; " + x.leads
				}
				t.Rows = append(t.Rows, []finding.Cell{{Text: q.Words + ", " + q.Name}, {Text: x.code}, {Text: x.name}, cell})
			}
		}
	}
	return t
}

type other struct{ name, code, leads string }

// alike lists the transistors that carry a code of this one's on the same package.
func alike(c *parts.Catalogue, name string) []other {
	p, ok := c.Find(name)
	if !ok {
		return nil
	}
	own := p.Common()
	var list []other
	for _, m := range own.Marking {
		for _, k := range c.ByMarking(m.Code, own.Package) {
			x := k.Part.Common()
			switch k.Part.(type) {
			case parts.BJT, parts.MOSFET:
			default:
				continue
			}
			if k.Code != m.Code || !k.Fits || x.Name == own.Name || slices.ContainsFunc(list, func(o other) bool { return o.name == x.Name }) {
				continue
			}
			o := other{name: x.Name, code: m.Code}
			if a, b := parts.Pinout(own), parts.Pinout(x); a != b {
				o.leads = "its leads differ too"
			}
			list = append(list, o)
		}
	}
	slices.SortFunc(list, func(a, b other) int { return cmp.Compare(a.name, b.name) })
	return list
}

// swapped proves the output with another transistor in one place, typical.
func swapped(n *wiring.Network, i int, q *wiring.Transistor, name string, lamps map[string]*wiring.LampPosterior) finding.Cell {
	unclear := finding.Cell{Text: "not judged", Number: math.NaN(), Verdict: finding.Unknown}
	m, ok := with(n, i, q, name, lamps)
	if !ok {
		return unclear
	}
	set := require.For(m)
	if n.Outputs[i].Acknowledge {
		set = set.Only(i, require.Answer, require.Saturation, require.Rating)
	} else {
		set = set.Only(i, require.Light, require.Darkness, require.Saturation, require.Level, require.Rating)
	}
	out := make([]float64, len(set.Requirements))
	ev := set.On(m)
	ev.Eval(m.Typical(), out)
	if ev.Failed > 0 {
		return unclear
	}
	var failing []string
	for k := range set.Requirements {
		if r := &set.Requirements[k]; r.Judge(out[k], 0) == finding.Fails {
			failing = append(failing, r.Subject+": not "+r.Words)
		}
	}
	if len(failing) == 0 {
		return finding.Cell{Text: "would do just as well, typically", Number: math.NaN(), Verdict: finding.Holds}
	}
	const most = 2
	text := strings.Join(failing[:min(most, len(failing))], "; ")
	if len(failing) > most {
		text += "; and more"
	}
	return finding.Cell{Text: text, Number: math.NaN(), Verdict: finding.Fails}
}

// with is the decoder's network with another transistor in one place.
func with(n *wiring.Network, i int, q *wiring.Transistor, name string, lamps map[string]*wiring.LampPosterior) (*wiring.Network, bool) {
	b := *n.Build
	b.Decoders = slices.Clone(b.Decoders)
	for k := range b.Decoders {
		d := &b.Decoders[k]
		if d.Name.Text != n.Decoder.Name.Text {
			continue
		}
		o := &n.Outputs[i]
		if o.Acknowledge {
			a := *d.Acknowledge
			a.Switch, a.HFE = build.Words(name), build.Quantity[float64]{} // what was measured is another's
			d.Acknowledge = &a
		} else {
			d.Outputs = slices.Clone(d.Outputs)
			out, ok := d.Output(o.Name)
			if !ok {
				return nil, false
			}
			switch q {
			case o.Level:
				out.Level, out.LevelHFE = build.Words(name), build.Quantity[float64]{}
			case o.Driver:
				out.Driver, out.DriverHFE = build.Words(name), build.Quantity[float64]{}
			default:
				out.Switch, out.HFE = build.Words(name), build.Quantity[float64]{}
			}
		}
		m, _, err := wiring.NewNetwork(&b, d, lamps)
		if err != nil || m == nil || len(m.Outputs) != len(n.Outputs) {
			return nil, false
		}
		return m, true
	}
	return nil, false
}
