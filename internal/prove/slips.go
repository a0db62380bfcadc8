package prove

import (
	"fmt"
	"math"
	"strings"

	"fettle/internal/circuit"
	"fettle/internal/defect"
	"fettle/internal/finding"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// A stress is one part under a slip: what flows against what it may stand.
type stress struct {
	part   string
	what   string
	value  float64
	rating float64
	sym    string
}

// Slips tells what an accidental short at the bench kills: everything typical, the usual track voltage (14 V
// where the file does not say), each slip alone.
func Slips(n *wiring.Network) finding.Table {
	t := finding.Table{ID: "slips." + n.Decoder.Name.Text, Title: "Slips: what an accidental short kills", Columns: []finding.Column{
		{Title: "slip"}, {Title: "hits"}, {Title: "what flows", Numeric: true}, {Title: "rating", Numeric: true}, {Title: "outcome"},
	}}
	u := n.Build.Track.Usual.Or(14)
	type slip struct {
		edit  defect.Edit
		drive wiring.Drive
	}
	var slips []slip
	for i := range n.Outputs {
		o := &n.Outputs[i]
		of, pin := " of "+o.Of(), "chip pin "+o.Output.From.Text
		add := func(d wiring.Drive, words string, a, b circuit.Node) {
			if a != b {
				slips = append(slips, slip{defect.Bridge(words, a, b), d})
			}
		}
		for _, t := range o.Transistors() {
			base, out, whose := "base", "collector", of
			if t.FET != nil {
				base, out = "gate", "drain"
			}
			switch t {
			case o.Level:
				whose = " of the level transistor" + of
			case o.Driver:
				whose = " of the driver" + of
			}
			if t == o.Level || t == o.Driver || o.Level == nil && o.Driver == nil {
				add(wiring.On, pin+" touches the "+base+whose+" (past its resistor)", o.PinNode, t.Input)
			}
			if t.High {
				add(wiring.On, out+whose+" touches minus, switched on", t.Out, circuit.Ground)
				add(wiring.Off, base+whose+" touches minus", t.Input, circuit.Ground)
			} else {
				add(wiring.On, out+whose+" touches the rectified plus, switched on", t.Out, n.Plus)
				add(wiring.Off, base+whose+" touches the rectified plus", t.Input, n.Plus)
			}
			add(wiring.Off, base+whose+" touches its "+out, t.Input, t.Out)
		}
		if o.Switch != nil {
			add(wiring.On, "series resistor"+of+" bridged", o.Socket, o.Switch.Out)
		} else {
			add(wiring.On, "series resistor"+of+" bridged", o.Socket, o.PinNode)
		}
		add(wiring.On, pin+" touches minus, switched on", o.PinNode, circuit.Ground)
		add(wiring.Off, pin+" touches the rectified plus", o.PinNode, n.Plus)
		if i > 0 { // neighbours touch
			if p := &n.Outputs[i-1]; p.Switch != nil && o.Switch != nil {
				add(wiring.On, "collectors of outputs "+p.Name+" and "+o.Name+" touch", p.Switch.Out, o.Switch.Out)
			}
		}
	}
	slips = append(slips, slip{defect.Bridge("chip supply touches the rectified plus", n.VCC, n.Plus), wiring.Off})
	for _, s := range slips {
		t.Rows = append(t.Rows, row(n, s.edit, s.drive, u))
	}
	return t
}

// more is the factor by which a slip must raise what a part carries to be its doing.
const more = 1.01

func row(n *wiring.Network, e defect.Edit, d wiring.Drive, u unit.Volt) []finding.Cell {
	none := unit.Absent[float64]()
	m, err := n.Edited(e.Apply)
	if err != nil {
		return []finding.Cell{{Text: e.Words}, {Text: "the supply itself"}, {Text: "short", Number: none}, {Number: none}, {Text: "a short circuit: the booster trips or something burns", Verdict: finding.Fails}}
	}
	m.Set(m.Typical())
	n.Set(n.Typical())
	worst := stress{}
	lit := false
	for _, left := range []bool{true, false} {
		var op, sound wiring.Operating
		st := wiring.State{LeftPositive: left, Drive: d, Track: u}
		sol, was := m.Solve(st), n.Solve(st)
		if sol.Status != circuit.Solved || was.Status != circuit.Solved {
			return []finding.Cell{{Text: e.Words}, {Text: "unknown"}, {Number: none}, {Number: none}, {Text: "the circuit did not solve", Verdict: finding.Unknown}}
		}
		m.Read(sol, &op)
		n.Read(was, &sound)
		before := stresses(n, &sound)
		for k, s := range stresses(m, &op) {
			// What the slip does not raise is not its doing.
			if s.value > more*before[k].value && (worst.rating == 0 || s.value/s.rating > worst.value/worst.rating) {
				worst = s
			}
		}
		for i := range op.Out {
			for _, l := range n.Outputs[i].Lights {
				lit = lit || l.Light(&op) > 1e-4
			}
		}
	}
	if worst.rating == 0 {
		text := "survives"
		if d == wiring.Off && lit {
			text = "harmless, but a lamp lights that is off"
		}
		return []finding.Cell{{Text: e.Words}, {Text: "nothing carries more"}, {Number: none}, {Number: none}, {Text: text, Verdict: finding.Holds}}
	}
	cells := []finding.Cell{
		{Text: e.Words}, {Text: worst.part + ": " + worst.what},
		{Number: worst.value, Unit: worst.sym, Digits: 2}, {Number: worst.rating, Unit: worst.sym, Digits: 2},
	}
	ratio := worst.value / worst.rating
	switch {
	case ratio > 1:
		return append(cells, finding.Cell{Text: fmt.Sprintf("kills it: %.1f times its rating", ratio), Verdict: finding.Fails})
	case ratio > 0.95:
		return append(cells, finding.Cell{Text: "at its rating", Verdict: finding.Close})
	case d == wiring.Off && lit:
		return append(cells, finding.Cell{Text: "harmless, but a lamp lights that is off", Verdict: finding.Holds})
	}
	return append(cells, finding.Cell{Text: "survives", Verdict: finding.Holds})
}

// stresses lists what each part carries in the solved state and what it may carry: absolute ratings.
func stresses(n *wiring.Network, op *wiring.Operating) []stress {
	var list []stress
	add := func(part, what string, value float64, rating float64, sym string) {
		if unit.Known(rating) && rating > 0 {
			list = append(list, stress{part, what, math.Abs(value), rating, sym})
		}
	}
	c := n.Chip
	add("chip", "supply voltage", float64(op.VCC), float64(c.VCCAbsMax), unit.SymVolt)
	for i := range op.Out {
		o, net := &op.Out[i], &n.Outputs[i]
		add("chip pin "+net.Output.From.Text, "pin current", float64(o.PinOut), float64(c.PinMax), unit.SymAmp)
		for _, t := range net.Transistors() {
			bears(add, t, o.Of(t), op.Ambient)
		}
		for _, l := range net.Lights {
			lamp := &n.Lamps[l.Lamp]
			if _, rows := lamp.Post.Fewest(); lamp.Post.HasLEDs() {
				add("LED of "+lamp.Name, "peak current", float64(l.Light(op))/float64(rows), float64(lamp.Post.RatingsOf(l.Back).IFpeak), unit.SymAmp)
			}
		}
		for k := range net.Resistors {
			r := &net.Resistors[k]
			if rp, ok := n.Build.Catalogue.ResistorPackage(wiring.PackageOf(n.Build, net.Output, r.Attr)); ok {
				add(r.Words+" of "+net.Name, "heat", float64(o.R[k].Heat), float64(rp.P70), unit.SymWatt)
			}
		}
	}
	if e := n.Ear; e != nil {
		add("ear", "clamp current", float64(op.Ear.Through), float64(c.PinMax), unit.SymAmp)
	}
	if n.RegPart != nil {
		add("regulator", "input voltage", float64(op.Plus), float64(n.RegPart.VinAbsMax), unit.SymVolt)
	} else {
		add("zener", "heat", float64(op.Regulator), float64(n.Zener.Ptot), unit.SymWatt)
	}
	add("rectifier", "current", float64(op.Rectified), float64(n.Rectifier.IF), unit.SymAmp)
	return list
}

// bears lists what a transistor carries against its ratings.
func bears(add func(part, what string, value, rating float64, sym string), t *wiring.Transistor, op *wiring.TransistorOperating, ambient unit.Celsius) {
	words := strings.Replace(t.Words, " of output ", " of ", 1)
	var rth unit.KelvinPerWatt
	tj := unit.Celsius(150)
	if q := t.FET; q != nil {
		add(words, "drain current", float64(op.Through), float64(unit.Or(q.IDM, q.ID)), unit.SymAmp)
		add(words, "gate voltage", float64(op.Input), float64(q.VGS), unit.SymVolt)
		rth = q.RthJA
	} else {
		p := t.BJT
		add(words, "collector current", float64(op.Through), float64(unit.Or(p.ICM, p.IC)), unit.SymAmp)
		// Where the sheet rates no base current, a fifth of the collector's is customary: common practice, no source.
		add(words, "base current", float64(op.Drive), float64(unit.Or(unit.Or(p.IBM, p.IB), p.IC/5)), unit.SymAmp)
		rth, tj = p.RthJA, unit.Or(p.TjMax, 150)
	}
	if unit.Known(rth) {
		add(words, "heat", float64(op.Heat), float64(tj-ambient)/float64(rth), unit.SymWatt)
	}
}
