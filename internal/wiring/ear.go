package wiring

import (
	"fmt"
	"slices"

	"fettle/internal/build"
	"fettle/internal/circuit"
	"fettle/internal/unit"
)

// An EarNet is the way of the track signal to the chip: a resistor from a rail to a pin whose clamp diodes hold it within
// the chip's supply.
type EarNet struct {
	From   string // build.LeftRail, build.RightRail
	Into   string // the chip pin
	Series circuit.Elem
	Pin    circuit.Elem
	Rail   circuit.Node
	Node   circuit.Node // at the pin

	nominal   unit.Ohm
	tolerance unit.Ratio
	real      *build.Real // how it is known
}

// Left reports whether it listens to the left rail.
func (e *EarNet) Left() bool { return e.From == build.LeftRail }

// Value is the nominal value of its resistor.
func (e *EarNet) Value() unit.Ohm { return e.nominal }

// Real is how its value is known if it is of a build as built, else nil.
func (e *EarNet) Real() *build.Real { return e.real }

// listen wires the ear where it is given.
func (n *Network) listen() {
	l := &n.Decoder.Listen
	if !l.From.IsSet() || !l.Into.IsSet() || !l.Series.Known() {
		return
	}
	e := &EarNet{From: l.From.Text, Into: l.Into.Text, Rail: n.RightRail, nominal: l.Series.Value, tolerance: n.knownWithin(l.Series), real: l.Series.Real}
	if e.Left() {
		e.Rail = n.LeftRail
	}
	c := n.Circuit
	e.Node = c.Node("ear")
	e.Series = c.Resistor("ear", e.Rail, e.Node, e.nominal)
	c.SetWords(e.Series, "resistor of the ear")
	e.Pin = c.Pin("pin "+e.Into, e.Node, n.VCC, circuit.Ground, n.pinAt(make([]float64, len(n.pins.Vars())), true))
	c.SetWords(e.Pin, "chip pin "+e.Into)
	n.Ear = e
}

// acknowledge wires the load that answers on the programming track, where all of it is given: a resistor from the
// rectified plus through a low-side switch.
func (n *Network) acknowledge() {
	a := n.Decoder.Acknowledge
	if a == nil || a.From.Open() || a.Switch.Open() || !a.Load.Known() || !(a.Base.Known() || a.Base.None()) || !(a.Pulldown.Known() || a.Pulldown.None()) {
		return
	}
	net := OutputNet{
		ID: "acknowledge", Name: "acknowledge", Path: []string{"decoder", n.Decoder.Name.Text, "acknowledge"}, Drive: build.DriveLowSide, Acknowledge: true, Clamp: none,
		Output: &build.Output{Name: build.Words("acknowledge"), From: a.From, Switch: a.Switch, Series: a.Load, Base: a.Base, Pulldown: a.Pulldown, HFE: a.HFE, SeriesPackage: build.Words(a.Package.Text)},
		Socket: n.Plus,
	}
	if len(n.Build.Decoders) > 1 {
		net.ID = "decoder." + n.Decoder.Name.Text + ".acknowledge"
	}
	if err := n.stage(&net); err != nil {
		n.Assumed = append(n.Assumed, fmt.Sprintf("the acknowledgement is left out: %s", err))
		return
	}
	n.Outputs = append(n.Outputs, net)
}

// together finds the outputs that may be on at the same time: all but the acknowledgement, and of those that share a lamp
// the first.
func (n *Network) together() {
	taken := map[int]bool{}
	n.ordinary = 0
	for i := range n.Outputs {
		o := &n.Outputs[i]
		free := !o.Acknowledge
		for _, l := range o.Lights {
			free = free && !taken[l.Lamp]
		}
		if free {
			n.ordinary |= 1 << i
			for _, l := range o.Lights {
				taken[l.Lamp] = true
			}
		}
	}
}

// Share reports whether two outputs switch the same lamp.
func (n *Network) Share(i, j int) bool {
	for _, l := range n.Outputs[j].Lights {
		if slices.ContainsFunc(n.Outputs[i].Lights, func(k LightNet) bool { return k.Lamp == l.Lamp }) {
			return true
		}
	}
	return false
}

// knownWithin is how well a resistor that belongs to no output is known by itself.
func (n *Network) knownWithin(q build.Quantity[unit.Ohm]) unit.Ratio {
	if q.Real.Measured() {
		return q.Real.Slack
	}
	return n.ToleranceOf(&build.Output{}, q.Value)
}

// With is the outputs that may be on together with output i, and itself.
func (n *Network) With(i int) uint32 {
	m := n.ordinary
	for j := range n.Outputs {
		if n.Share(i, j) {
			m &^= 1 << j
		}
	}
	if m |= 1 << i; m == n.ordinary {
		return 0
	}
	return m
}
