package device

import "fettle/internal/unit"

// A Pin is an output of the chip. Driven high it is RHigh to the chip's supply, driven low RLow to its
// ground, open it is its leakage and, if switched on, the pull-up. Clamp diodes, if Clamp.IS is set, lead
// from ground to the pin and from the pin to the supply in every state.
type Pin struct {
	RHigh, RLow unit.Ohm
	Leak        unit.Amp // of the open pin: positive from the supply into the node, negative into ground
	Pullup      unit.Ohm // of the open pin, to the supply; 0 means off
	Clamp       Diode
}

// openConductance (S) is what is left of a switch of the pin that is off: 1 TΩ, so that no node is ever
// undefined (from memory: CMOS inputs lie above that).
const openConductance = 1e-12

// Check tells what is wrong with the parameters, or "".
func (p Pin) Check() string {
	switch {
	case !finite(float64(p.RHigh)) || p.RHigh <= 0 || !finite(float64(p.RLow)) || p.RLow <= 0:
		return "its output resistance is not a positive number"
	case !finite(float64(p.Pullup)) || p.Pullup < 0:
		return "its pull-up is " + p.Pullup.String()
	case !finite(float64(p.Leak)):
		return "its leakage is not a number"
	case p.Clamp.IS != 0:
		return p.Clamp.Check()
	}
	return ""
}

// Conductances are the pin's linear paths, to supply and to ground: driven high, driven low or open.
func (p Pin) Conductances(high, low bool) (toVCC, toGround float64) {
	switch {
	case high:
		return 1 / float64(p.RHigh), openConductance
	case low:
		return openConductance, 1 / float64(p.RLow)
	case p.Pullup > 0:
		return 1 / float64(p.Pullup), openConductance
	}
	return openConductance, openConductance
}

// Leakage is the open pin's leakage out of the pin into the node, with the pin at v and supply at vcc
// (against the chip's ground), and its derivatives by v and vcc.
func (p Pin) Leakage(v, vcc float64) (i, iv, ivcc float64) {
	if p.Leak >= 0 {
		i, g := leak(float64(p.Leak), vcc-v)
		return i, -g, g
	}
	i, g := leak(float64(p.Leak), v)
	return i, g, 0
}
