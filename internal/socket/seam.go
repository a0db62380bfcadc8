package socket

import (
	"fettle/internal/circuit"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// Of cuts a network at its plug.
func Of(n *wiring.Network) *Wired {
	w := &Wired{Build: n.Build, Decoder: n.Decoder, Vehicle: n.Vehicle, Track: n.Track, Left: n.LeftRail, Right: n.RightRail, Plus: n.Plus}
	for i := range n.Lamps {
		l := &n.Lamps[i]
		series, _ := l.Post.Fewest()
		lamp := Lamp{Lamp: l.Lamp, LampElems: l.LampElems, Feed: l.Feeding, Socket: l.Socket, Reverse: l.Post.VRmax * unit.Volt(series)}
		for _, e := range append([]circuit.Elem{l.Hidden, l.LED, l.Back, l.Leak, l.Regulator, l.Filament}, l.Diodes[:]...) {
			if e >= 0 {
				lamp.Elems = append(lamp.Elems, e)
			}
		}
		w.Lamps = append(w.Lamps, lamp)
	}
	if n.LocalPlus != circuit.Ground {
		for i, e := range n.Circuit.Elements() {
			if e.Kind == circuit.KindDiode && e.Nodes[1] == n.LocalPlus && (e.Nodes[0] == n.LeftRail || e.Nodes[0] == n.RightRail) {
				w.Locals = append(w.Locals, circuit.Elem(i))
			}
		}
	}
	return w
}

// shining is the current that gives light and the voltage over the LEDs of every lamp, in the state that n was solved in:
// its own, or that of the turned plug, where the LED has other nodes. A lamp without an LED has no such voltage.
func (w *Wired) shining(n *wiring.Network) (light []unit.Amp, across []unit.Volt) {
	elements := n.Circuit.Elements()
	for i := range w.Lamps {
		l := &w.Lamps[i]
		forward, back := l.Light(n.Solver)
		light = append(light, max(forward, back))
		over := unit.Volt(0)
		if l.LED >= 0 {
			over = n.Solver.V(elements[l.LED].Nodes[0]) - n.Solver.V(elements[l.LED].Nodes[1])
		}
		across = append(across, over)
	}
	return light, across
}
