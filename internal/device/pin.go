package device

import (
	"math"

	"fettle/internal/unit"
)

// A Pin is an output of the chip. Driven high it is RHigh to the chip's supply, driven low RLow to its
// ground, open it is its leakage and, if switched on, the pull-up. Clamp diodes, if Clamp.IS is set, lead
// from ground to the pin and from the pin to the supply in every state.
//
// RHigh and RLow hold at the supply VCC and follow the actual one by a power law, R·(vcc/VCC)^−Power, down to
// Lowest; below that the chip does not work, and the conductance falls exponentially, along its own tangent. With
// VCC = 0 they do not follow.
type Pin struct {
	RHigh, RLow         unit.Ohm
	VCC, Lowest         unit.Volt
	HighPower, LowPower float64
	Leak                unit.Amp // of the open pin: positive from the supply into the node, negative into ground
	Pullup              unit.Ohm // of the open pin, to the supply; 0 means off
	Clamp               Diode
}

// openConductance (S) is what is left of a switch of the pin that is off: 1 TΩ, so that no node is ever
// undefined (from memory: CMOS inputs lie above that).
const openConductance = 1e-12

// Check tells what is wrong with the parameters, or "".
func (p Pin) Check() string {
	switch {
	case !finite(float64(p.RHigh)) || p.RHigh <= 0 || !finite(float64(p.RLow)) || p.RLow <= 0:
		return "its output resistance is not a positive number"
	case !finite(float64(p.VCC)) || p.VCC < 0 || !finite(float64(p.Lowest)) || p.Lowest < 0 || p.VCC > 0 && p.Lowest == 0:
		return "the supply for its output resistance is " + p.VCC.String() + ", the lowest " + p.Lowest.String()
	case !finite(p.HighPower) || p.HighPower < 0 || !finite(p.LowPower) || p.LowPower < 0:
		return "its output resistance rises with the supply"
	case !finite(float64(p.Pullup)) || p.Pullup < 0:
		return "its pull-up is " + p.Pullup.String()
	case !finite(float64(p.Leak)):
		return "its leakage is not a number"
	case p.Clamp.IS != 0:
		return p.Clamp.Check()
	}
	return ""
}

// Conductances are the pin's linear paths, to supply and to ground: driven high, driven low or open. A driven path
// that follows the supply is not among them: that is Drive.
func (p Pin) Conductances(high, low bool) (toVCC, toGround float64) {
	switch {
	case high && p.VCC > 0:
		return 0, openConductance
	case low && p.VCC > 0:
		return openConductance, 0
	case high:
		return 1 / float64(p.RHigh), openConductance
	case low:
		return openConductance, 1 / float64(p.RLow)
	case p.Pullup > 0:
		return 1 / float64(p.Pullup), openConductance
	}
	return openConductance, openConductance
}

// Drive is the conductance (S) of the driven pin to its rail with the chip supplied with vcc, and its derivative by
// vcc (S/V).
func (p Pin) Drive(high bool, vcc float64) (g, dg float64) {
	r, power := float64(p.RLow), p.LowPower
	if high {
		r, power = float64(p.RHigh), p.HighPower
	}
	if p.VCC == 0 || power == 0 {
		return 1 / r, 0
	}
	if low := float64(p.Lowest); vcc < low {
		g = math.Exp(power*(math.Log(low/float64(p.VCC))+vcc/low-1)) / r
		return g, g * power / low
	}
	g = math.Exp(power*math.Log(vcc/float64(p.VCC))) / r
	return g, g * power / vcc
}

// DrivenAt is the resistance of the driven pin to its rail with the chip supplied with vcc.
func (p Pin) DrivenAt(high bool, vcc unit.Volt) unit.Ohm {
	g, _ := p.Drive(high, float64(vcc))
	return unit.Ohm(1 / g)
}

// LeakVoltage is the voltage that the open pin's leakage follows: from the supply to the pin, or from the pin to ground.
func (p Pin) LeakVoltage(v, vcc float64) float64 {
	if p.Leak >= 0 {
		return vcc - v
	}
	return v
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
