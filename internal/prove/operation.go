package prove

import (
	"math"

	"fettle/internal/circuit"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// An Operation is what every part of a decoder carries and what every net stands at with typical parts at the usual track voltage,
// its outputs on and off. It judges nothing: it is for looking at. Filaments glow, capacitors carry nothing.
type Operation struct {
	Track   unit.Volt
	On, Off [2]Moment // while the left rail is positive, and while the right one is

	n    *wiring.Network
	with map[int]*[2]Moment // of an output that the others are not on with: the acknowledgement, one that shares a lamp
}

// A Moment is one solved static state.
type Moment struct {
	wiring.Operating
	volts []unit.Volt
	amps  []unit.Amp
}

// A Flow is what a part carries on DCC, without stretched zeros: the mean over both polarities, the larger of them, and the voltage
// across it in that one. All are magnitudes.
type Flow struct {
	Mean, Peak unit.Amp
	Across     unit.Volt // NaN where there is no such thing
}

// Operate solves the states of a decoder; not ok where one has no solution.
func Operate(n *wiring.Network) (op *Operation, ok bool) {
	n = n.Clone()
	n.Set(n.Typical())
	op = &Operation{Track: n.Build.Track.Usual.Or(14), n: n, with: map[int]*[2]Moment{}}
	solve := func(of *[2]Moment, d wiring.Drive, which uint32) bool {
		for k := range of {
			m := &of[k]
			sol := n.Solve(wiring.State{LeftPositive: k == 0, Drive: d, Track: op.Track, Which: which})
			if sol.Status != circuit.Solved {
				return false
			}
			n.Read(sol, &m.Operating)
			for node := range n.Circuit.Nodes() {
				m.volts = append(m.volts, n.Solver.V(circuit.Node(node)))
			}
			for e, x := range n.Circuit.Elements() {
				i := unit.Amp(math.NaN())
				if !x.Removed {
					i = n.Solver.I(circuit.Elem(e), 0)
				}
				m.amps = append(m.amps, i)
			}
		}
		return true
	}
	ok = solve(&op.On, wiring.On, 0) && solve(&op.Off, wiring.Off, 0)
	for i := range n.Outputs {
		if which := n.With(i); which != 0 {
			op.with[i] = &[2]Moment{}
			ok = ok && solve(op.with[i], wiring.On, which)
		}
	}
	return op, ok
}

// on is the state in which an output is on.
func (op *Operation) on(output int) *[2]Moment {
	if m := op.with[output]; m != nil {
		return m
	}
	return &op.On
}

// flow is the mean and the peak of a current in two polarities.
func flow(a, b unit.Amp, va, vb unit.Volt) Flow {
	f := Flow{Peak: a, Across: va}
	if b > a {
		f = Flow{Peak: b, Across: vb}
	}
	f.Mean = (a + b) / 2
	return f
}

func abs[T ~float64](x T) T { return T(math.Abs(float64(x))) }

// Through is the flow through an element while an output is on (-1: all that may be on together): through its first terminal, and
// between its first and its last.
func (op *Operation) Through(e circuit.Elem, output int) Flow {
	on := op.on(output)
	nodes := op.n.Circuit.Elements()[e].Nodes
	across := func(m *Moment) unit.Volt { return abs(m.volts[nodes[0]] - m.volts[nodes[len(nodes)-1]]) }
	return flow(abs(on[0].amps[e]), abs(on[1].amps[e]), across(&on[0]), across(&on[1]))
}

// Lamp is the flow through a lamp while an output is on, and the voltage across its LEDs.
func (op *Operation) Lamp(i, output int) Flow {
	on := op.on(output)
	a, b := &on[0].Lamps[i], &on[1].Lamps[i]
	return flow(abs(a.Through), abs(b.Through), abs(a.Across), abs(b.Across))
}

// Supply is what passes the rectifier, what the regulator gives, and what the chip draws for itself, while all is on.
func (op *Operation) Supply() (rectifier, regulator, chip Flow) {
	a, b, none := &op.On[0], &op.On[1], unit.Volt(math.NaN())
	return flow(abs(a.Rectified), abs(b.Rectified), none, none), flow(abs(a.Load), abs(b.Load), a.Plus-a.VCC, b.Plus-b.VCC), flow(abs(a.Chip), abs(b.Chip), a.VCC, b.VCC)
}

// Volts is a net against decoder minus, while the left rail is positive and while the right one is, with an output on and off.
func (op *Operation) Volts(node circuit.Node, output int) (on, off [2]unit.Volt) {
	for k := range 2 {
		on[k], off[k] = op.on(output)[k].volts[node], op.Off[k].volts[node]
	}
	return on, off
}
