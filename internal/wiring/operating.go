package wiring

import (
	"fettle/internal/circuit"
	"fettle/internal/unit"
)

// Operating is what one solved state of the network is: plain values, no references into the solver.
type Operating struct {
	Solution  circuit.Solution
	Ambient   unit.Celsius
	Plus      unit.Volt // rectified plus to minus
	VCC       unit.Volt // chip supply to minus
	Regulator unit.Watt // heat in it
	Load      unit.Amp  // what the regulator gives: the chip and its pins
	Rail      unit.Amp  // out of the positive rail, all that the decoder and its lamps draw
	Out       []OutputOperating
}

// OutputOperating is one output in that state. Currents are positive in the direction that lights the lamp
// or drives the switch.
type OutputOperating struct {
	Lamp     unit.Amp  // through the lamp
	LED      unit.Volt // across the LED group, forward positive
	Socket   unit.Volt // switched side of the lamp, to minus
	VCE, VBE unit.Volt
	IC, IB   unit.Amp
	Pin      unit.Volt // chip pin to minus
	PinOut   unit.Amp  // out of the pin

	Hidden, Series, Base, Pulldown, Switch unit.Watt // heat in each
}

// Read copies the solved state into op, whose Out is reused.
func (n *Network) Read(sol circuit.Solution, op *Operating) {
	s := n.Solver
	op.Solution, op.Ambient = sol, n.Ambient
	op.Plus, op.VCC = s.V(n.Plus), s.V(n.VCC)
	op.Regulator, op.Load = s.Power(n.Regulator), -s.I(n.Regulator, 1)
	op.Rail = s.I(n.Track, 0)
	if op.Rail < 0 {
		op.Rail = -op.Rail
	}
	op.Out = op.Out[:0]
	for i := range n.Outputs {
		o := &n.Outputs[i]
		op.Out = append(op.Out, OutputOperating{
			Lamp:     o.Through(s),
			LED:      o.Across(s),
			Socket:   s.V(o.Socket),
			VCE:      s.V(o.Collector),
			VBE:      s.V(o.BaseNode),
			IC:       s.I(o.Switch, 0),
			IB:       s.I(o.Switch, 1),
			Pin:      s.V(o.PinNode),
			PinOut:   -s.I(o.Pin, 0),
			Hidden:   o.Heat(s),
			Series:   s.Power(o.Series),
			Base:     s.Power(o.Base),
			Pulldown: s.Power(o.Pulldown),
			Switch:   s.Power(o.Switch),
		})
	}
}
