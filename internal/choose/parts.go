package choose

import (
	"fmt"
	"math"
	"sort"

	"fettle/internal/build"
	"fettle/internal/device"
	"fettle/internal/finding"
	"fettle/internal/parts"
	"fettle/internal/require"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// about is what a lamp of a small scale draws at most (0.5 to 5 mA is ample in N: common practice, no source);
// the sieve of parts needs an order of magnitude, the circuit has the last word.
const about = unit.Amp(0.01)

// A Suit says whether a transistor would serve as a low-side switch of this build, and why not.
type Suit struct {
	Part   parts.BJT
	Serves bool
	Reason string
	Gain   float64 // least gain near the current, cold
}

// Suits judges a transistor by its sheet: polarity, voltage at the standard's ceiling, current, gain where it
// is needed. The circuit has the last word; this is the sieve before it.
func Suits(p parts.BJT, ceiling unit.Volt, ic unit.Amp) Suit {
	s := Suit{Part: p}
	off := ceiling - 0.6 // what a rectifier leaves of the ceiling at least
	switch {
	case p.Polarity != "NPN":
		s.Reason = p.Polarity + ": a low-side switch wants an NPN"
	case !unit.Known(p.VCEO):
		s.Reason = "its sheet gives no VCEO"
	case p.VCEO < off:
		s.Reason = fmt.Sprintf("VCEO %s against %s when off at the ceiling of %s", p.VCEO, off, ceiling)
	case p.VCEO < off*1.1:
		s.Reason = fmt.Sprintf("VCEO %s leaves no margin over %s when off at the ceiling of %s", p.VCEO, off, ceiling)
	case unit.Known(p.IC) && p.IC < 2*ic:
		s.Reason = fmt.Sprintf("IC %s against %s", p.IC, ic)
	default:
		sp, err := device.SpreadBJT(p)
		if err != nil {
			s.Reason = err.Error()
			break
		}
		z := make([]float64, len(sp.Vars()))
		for i, v := range sp.Vars() {
			if v.Name == "hFE" {
				z[i] = -1
			}
		}
		var ok bool
		if s.Gain, _, ok = sp.At(z).Active(ic, 1, unit.Celsius(0).Kelvin()); !ok {
			s.Reason = fmt.Sprintf("at %s it would not hold 1 V", ic)
			break
		}
		s.Serves = true
		s.Reason = fmt.Sprintf("hFE at least %.0f at %s and 0 °C, VCEO %s", s.Gain, ic, p.VCEO)
	}
	return s
}

// pickSwitch takes the transistor of the drawer (else of the catalogue) with the most gain where it is needed.
func (c *chooser) pickSwitch(d *build.Decoder, o *build.Output) {
	ceiling := c.ceiling(d)
	var names []string
	if c.b.Drawer != nil {
		for _, it := range c.b.Drawer.Items {
			if it.Kind == parts.KindTransistor && it.Part != "" && it.Count != 0 {
				names = append(names, it.Part)
			}
		}
	}
	t := &finding.Table{ID: wiring.OutputID(c.b, d, o) + ".switches", Title: "Transistors of the drawer for output " + o.Name.Text,
		Columns: []finding.Column{{Title: "part"}, {Title: "serves"}, {Title: "why"}}}
	best := Suit{}
	seen := map[string]bool{}
	for _, name := range names {
		p, ok := c.b.Catalogue.BJT(name)
		if !ok || seen[p.Name] {
			continue
		}
		seen[p.Name] = true
		s := Suits(p, ceiling, about)
		v := finding.Fails
		if s.Serves {
			v = finding.Holds
			if s.Gain > best.Gain {
				best = s
			}
		}
		t.Rows = append(t.Rows, []finding.Cell{{Text: p.Name, Number: math.NaN()}, {Text: map[bool]string{true: "yes", false: "no"}[s.Serves], Number: math.NaN(), Verdict: v}, {Text: s.Reason, Number: math.NaN()}})
	}
	c.f.Tables = append(c.f.Tables, *t)
	id := wiring.OutputID(c.b, d, o) + ".switch"
	if !best.Serves {
		c.f.Verdicts = append(c.f.Verdicts, finding.Judgement{ID: id, Subject: "switch of output " + o.Name.Text, Requirement: "a transistor that serves", Verdict: finding.Fails,
			Value: math.NaN(), Limit: math.NaN(), Margin: math.NaN(), Why: "no NPN of the drawer serves", Mend: "an MMBT3904 or BC847B would: 40 V and 45 V, gain at a few milliampere"})
		return
	}
	o.Switch = build.Words(best.Part.Name)
	c.chosenPart(d, id, "switch of output "+o.Name.Text, best.Part.Name, "the most gain where it is needed of those in the drawer: "+best.Reason, []string{"decoder", d.Name.Text, "output", o.Name.Text}, "switch",
		&finding.Working{Title: "Switch of output " + o.Name.Text, Hand: math.NaN(), Solver: math.NaN(), Table: t, Sources: []string{best.Part.Source}})
}

func (c *chooser) ceiling(d *build.Decoder) unit.Volt {
	scale := ""
	if v, ok := c.b.VehicleOf(d); ok {
		scale = v.Scale.Text
	}
	return require.Ceiling(scale)
}

func (c *chooser) chosenPart(d *build.Decoder, id, name, what, reason string, path []string, attr string, w *finding.Working) {
	c.f.Values = append(c.f.Values, finding.Value{ID: id, Name: name, Text: what, Value: math.NaN(), Low: math.NaN(), High: math.NaN(), Chosen: true,
		Reason: reason, Method: "ratings against the standard's ceiling", Sure: "datasheet", Working: w})
	c.edits = append(c.edits, build.Edit{Path: path, Attr: attr, Value: what})
}

// supply picks rectifier and regulator where they are open: the first of the drawer that the ceiling allows.
func (c *chooser) supply(d *build.Decoder) {
	ceiling := c.ceiling(d)
	path := []string{"decoder", d.Name.Text, "supply"}
	if d.Supply.Rectifier.Open() {
		for _, name := range c.inDrawer(parts.KindDiode) {
			if p, ok := c.b.Catalogue.Diode(name); ok && p.Type == "bridge" && p.VRRM >= 2*ceiling {
				d.Supply.Rectifier = build.Words(p.Name)
				c.chosenPart(d, "supply.rectifier", "rectifier of decoder "+d.Name.Text, p.Name, fmt.Sprintf("a bridge of the drawer: VRRM %s against a ceiling of %s", p.VRRM, ceiling), path, "rectifier", nil)
				break
			}
		}
	}
	if d.Supply.Regulator.Open() {
		for _, name := range c.inDrawer(parts.KindRegulator) {
			if p, ok := c.b.Catalogue.Regulator(name); ok && p.VinAbsMax >= ceiling && math.Abs(float64(p.Vout)-5) < 0.3 {
				d.Supply.Regulator = build.Words(p.Name)
				c.chosenPart(d, "supply.regulator", "regulator of decoder "+d.Name.Text, p.Name, fmt.Sprintf("a 5 V regulator of the drawer: stands %s against a ceiling of %s", p.VinAbsMax, ceiling), path, "regulator", nil)
				break
			}
		}
	}
}

func (c *chooser) inDrawer(kind string) []string {
	var names []string
	if c.b.Drawer != nil {
		for _, it := range c.b.Drawer.Items {
			if it.Kind == kind && it.Part != "" && it.Count != 0 {
				names = append(names, it.Part)
			}
		}
	}
	return names
}

// working is the derivation of a chosen resistor: the interval, what was tried, and the hand formula.
func (c *chooser) working(n *wiring.Network, p pick) *finding.Working {
	o := &n.Outputs[p.i]
	tr := n.Build.Track
	var w *finding.Working
	z := n.Typical()
	switch p.k.name {
	case "series":
		w = require.ExplainLight(n, p.i, z, tr.Usual.Or(14))
	case "base":
		if p.hi.by != nil {
			z = p.hi.worst.Z
		}
		w = require.ExplainBase(n, p.i, z, tr.High.Or(18))
	default:
		if p.hi.by != nil {
			z = p.hi.worst.Z
		}
		w = require.ExplainPulldown(n, p.i, z, tr.High.Or(18))
	}
	w.Title = fmt.Sprintf("%s of output %s: %s", p.k.words, o.Name, p.r)
	for _, b := range []struct {
		say string
		b   bound
	}{{"not smaller: ", p.lo}, {"not larger: ", p.hi}} {
		if b.b.by == nil {
			w.Steps = append(w.Steps, finding.Step{Say: b.say + "nothing bounds it within the range searched", Result: math.NaN()})
			continue
		}
		w.Steps = append(w.Steps, finding.Step{Say: b.say + b.b.by.Subject + ", " + b.b.by.Words, Result: float64(b.b.r), Unit: unit.SymOhm,
			With: b.b.worst.Say(n, b.b.by), Source: b.b.by.Source})
	}
	t := &finding.Table{ID: o.ID + "." + p.k.name + ".tried", Title: "Values that would do",
		Columns: []finding.Column{{Title: "value", Numeric: true}, {Title: "in the drawer"}, {Title: "least margin", Numeric: true}, {Title: "at"}}}
	sort.Slice(p.tried, func(a, b int) bool { return p.tried[a].r < p.tried[b].r })
	for _, k := range p.tried {
		have := "no"
		if k.stock > 0 {
			have = fmt.Sprint(k.stock)
		} else if k.stock < 0 {
			have = "plenty"
		}
		cell := finding.Cell{Number: float64(k.r), Unit: unit.SymOhm, Digits: 2}
		if k.r == p.r {
			cell.Verdict = finding.Holds
		}
		t.Rows = append(t.Rows, []finding.Cell{cell, {Text: have, Number: math.NaN()},
			{Number: math.Exp(k.slack) - 1, Unit: unit.SymRatio, Digits: 2}, {Text: k.by, Number: math.NaN()}})
	}
	w.Table = t
	return w
}
