package prove

import (
	"fmt"
	"math"

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
		of := " of output " + o.Name
		slips = append(slips,
			slip{defect.Bridge("chip pin "+o.Output.From.Text+" touches the base"+of+" (past its resistor)", o.PinNode, o.BaseNode), wiring.On},
			slip{defect.Bridge("collector"+of+" touches the rectified plus, switched on", o.Collector, n.Plus), wiring.On},
			slip{defect.Bridge("base"+of+" touches the rectified plus", o.BaseNode, n.Plus), wiring.Off},
			slip{defect.Bridge("base"+of+" touches its collector", o.BaseNode, o.Collector), wiring.Off},
			slip{defect.Bridge("series resistor"+of+" bridged", o.Socket, o.Collector), wiring.On},
			slip{defect.Bridge("chip pin "+o.Output.From.Text+" touches minus, switched on", o.PinNode, circuit.Ground), wiring.On},
			slip{defect.Bridge("chip pin "+o.Output.From.Text+" touches the rectified plus", o.PinNode, n.Plus), wiring.Off},
		)
		for k := range i {
			p := &n.Outputs[k]
			slips = append(slips, slip{defect.Bridge("collectors of outputs "+p.Name+" and "+o.Name+" touch", p.Collector, o.Collector), wiring.On})
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
			lit = lit || op.Out[i].Lamp > 1e-4
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
		sw := "switch of " + net.Name
		p := net.Part
		add("chip pin "+net.Output.From.Text, "pin current", float64(o.PinOut), float64(c.PinMax), unit.SymAmp)
		add(sw, "collector current", float64(o.IC), float64(unit.Or(p.ICM, p.IC)), unit.SymAmp)
		// Where the sheet rates no base current, a fifth of the collector's is customary: common practice, no source.
		add(sw, "base current", float64(o.IB), float64(unit.Or(unit.Or(p.IBM, p.IB), p.IC/5)), unit.SymAmp)
		if unit.Known(p.RthJA) {
			add(sw, "heat", float64(o.Switch), (float64(unit.Or(p.TjMax, 150))-float64(op.Ambient))/float64(p.RthJA), unit.SymWatt)
		}
		_, rows := net.Post.Fewest()
		add("LED of "+net.LampName, "peak current", math.Max(0, float64(o.Lamp))/float64(rows), float64(net.Post.IFpeak), unit.SymAmp)
		if rp, ok := n.Build.Catalogue.ResistorPackage(wiring.PackageOf(n.Build, net.Output)); ok {
			add("series resistor of "+net.Name, "heat", float64(o.Series), float64(rp.P70), unit.SymWatt)
			add("base resistor of "+net.Name, "heat", float64(o.Base), float64(rp.P70), unit.SymWatt)
			add("pull-down of "+net.Name, "heat", float64(o.Pulldown), float64(rp.P70), unit.SymWatt)
		}
	}
	add("regulator", "input voltage", float64(op.Plus), float64(n.RegPart.VinAbsMax), unit.SymVolt)
	add("rectifier", "current", float64(op.Rail), float64(n.Rectifier.IF), unit.SymAmp)
	return list
}
