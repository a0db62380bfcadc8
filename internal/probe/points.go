// Package probe is what a meter shows at the test points of a decoder on the bench and in its vehicle.
//
// A Bench is a decoder with everything around it that a person can bring about: the board alone or in the vehicle, without
// power or fed through a current limit, its chip told what to do. One solved setup gives all its voltages. A measurement
// says where the probes go and what the meter is set to; what is foreseen is the truth at the meter's sockets, the meter's
// own load on the circuit included: its gain error and digits are for whoever compares it with a reading.
//
// Voltages are measured with black on decoder minus, unless a measurement says otherwise. Powered, the board is fed over
// the rails through Limit; the meter's input resistance loads the point. Without power the meter feeds the circuit itself: on
// ohms with OhmsVolt behind a resistance that depends on the range, on the diode test with DiodeVolt and DiodeAmp (common
// practice for 3½-digit hand meters, from memory). On DCC a meter shows the mean of the two polarities, which last equally
// long without stretched zeros; on AC its law (package meter).
//
// Not modelled: time (the reservoir keeps an unpowered board alive for a while: wait), the contact resistance of probes. What
// chip and regulator draw without power no sheet says: it is drawn from UnpoweredLeast to UnpoweredMost.
//
// Entry points: New, Bench.Measurements, Bench.Foresee.
package probe

import (
	"slices"

	"fettle/internal/circuit"
	"fettle/internal/wiring"
)

// A Point is where a probe can go.
type Point struct {
	ID    string // in the user's names: "PB0", "front.base", "left rail"
	Words string // "base of the switch of output front"
	Node  circuit.Node
	// Buried: under a part or inside the vehicle, where no probe goes once all is built.
	Buried bool
	Risk   string // what a slip of the probe there kills while there is power; may be empty
}

// Minus is the ID of decoder minus, where the black probe goes.
const Minus = "minus"

// Points are the test points of a decoder, each node once: the rails, its own supply, the chip's pins, and of every output
// what its transistors and its socket show.
func Points(n *wiring.Network) (list []Point) {
	add := func(id, words string, at circuit.Node, risk string) {
		if !slices.ContainsFunc(list, func(p Point) bool { return p.Node == at }) {
			list = append(list, Point{ID: id, Words: words, Node: at, Risk: risk})
		}
	}
	add(Minus, "decoder minus", circuit.Ground, "")
	add("left rail", "left rail pick-up", n.LeftRail, "")
	add("right rail", "right rail pick-up", n.RightRail, "")
	add("plus", "rectified plus", n.Plus, "a touch on the chip's supply or a pin puts the track voltage on the chip")
	add("chip supply", "supply of the chip", n.VCC, "a touch on the plus puts the track voltage on the chip")
	const pinRisk = "a touch on a neighbour with more than the chip's supply kills the pin"
	for i := range n.Outputs {
		o := &n.Outputs[i]
		pin := o.Output.From.Text
		if pin == "" {
			pin = o.Name + ".pin"
		}
		add(pin, "chip pin "+pin, o.PinNode, pinRisk)
	}
	if e := n.Ear; e != nil {
		add(e.Into, "chip pin "+e.Into+", the ear", e.Node, pinRisk)
	}
	for i := range n.Outputs {
		o := &n.Outputs[i]
		name := o.Name
		if o.Acknowledge {
			name = "answer"
		}
		for _, t := range o.Transistors() {
			if t == nil {
				continue
			}
			of, base, out := name, "base", "collector"
			switch t {
			case o.Level:
				of += ".level"
			case o.Driver:
				of += ".driver"
			}
			if t.FET != nil {
				base, out = "gate", "drain"
			}
			add(of+"."+base, base+" of the "+t.Words, t.Input, "a touch on the "+out+" or the plus kills the transistor")
			add(of+"."+out, out+" of the "+t.Words, t.Out, "a touch on the "+base+" kills the transistor")
		}
		add(name+".socket", "socket contact of "+o.Of(), o.Socket, "")
	}
	return list
}
