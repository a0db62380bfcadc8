package choose

import (
	"fmt"
	"math"
	"sort"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/parts"
	"fettle/internal/require"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// about is what a lamp of a small scale draws at most (0.5 to 5 mA is ample in N: common practice, no source);
// the sieve of parts needs an order of magnitude, the circuit has the last word.
const about = unit.Amp(0.01)

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
		// One diode alone blocks twice the track; of a bridge the same leaves room.
		what := "a bridge"
		if d.Supply.Diodes.Known() {
			what = "a diode"
		}
		for _, name := range c.inDrawer(parts.KindDiode) {
			p, ok := c.b.Catalogue.Diode(name)
			if ok = ok && p.Type != "zener" && (p.Type == "bridge") == !d.Supply.Diodes.Known(); ok && p.VRRM >= 2*ceiling {
				d.Supply.Rectifier = build.Words(p.Name)
				c.chosenPart(d, "supply.rectifier", "rectifier of decoder "+d.Name.Text, p.Name, fmt.Sprintf("%s of the drawer: VRRM %s against a ceiling of %s", what, p.VRRM, ceiling), path, "rectifier", nil)
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
	tr := n.Build.Track
	z, u := n.Typical(), tr.Usual.Or(14)
	switch p.k.name {
	case "series":
	case "load":
		u = tr.ProgrammingLow.Or(8)
	default:
		u = tr.High.Or(18)
		if p.hi.by != nil {
			z = p.hi.worst.Z
		}
	}
	w := require.ExplainResistor(n, p.i, p.k.name, z, u)
	id, name, _, _ := c.names(n, n.Decoder, p)
	w.Title = fmt.Sprintf("%s: %s", name, p.r)
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
	t := &finding.Table{ID: id + ".tried", Title: "Values that would do",
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
