// Package device holds the equations of the parts a decoder is made of: diode and LED, bipolar transistor,
// MOSFET, filament lamp, linear regulator, chip pin. Each evaluation returns currents and their exact derivatives.
//
// A diode or LED is a Shockley junction with a series resistance; the transistor is the transport form with
// Early voltage, ohmic resistances, high-injection roll-off and low-current leakage of gain. The laws with
// their temperature dependence are those of the project's reference problems (numerics.md, "Common device
// laws"); Ebers–Moll and Gummel–Poon in their textbook form. Units are SI; inside the evaluations voltages
// and currents are plain float64 in volt and ampere. Voltages of PNP and P-channel parts are entered as they are and turned
// around inside.
//
// Spreads turn a datasheet's minimum, typical and maximum figures into a few independent variables z between
// −1 and +1 (SpreadBJT, SpreadPrebiased, SpreadMOSFET, SpreadLED, SpreadDiode, SpreadRegulator, SpreadPin); 0 is
// the typical part. What the sheet leaves open is assumed, and every assumption is a line of Notes.
//
// Not modelled: stored charge and capacitance, self-heating (the caller sets the temperature), collector
// breakdown (a rating to be held, not a regime to be used), current from a regulator's output back into its
// input.
package device

import (
	"math"

	"fettle/internal/unit"
)

const (
	// ReferenceTemperature stands where a device's T0 is zero (27 °C, the customary nominal of the laws).
	ReferenceTemperature = unit.Kelvin(300.15)

	// expLimit is the argument above which the exponential continues along its tangent, so that no voltage a
	// solver tries overflows. e^160 = 3e69: with any saturation current that a real junction has (an LED's at
	// −20 °C is near 1e-33 A) the current at the limit is far above all that a part survives.
	expLimit = 160

	// expFloor is the argument below which the exponential is taken as zero: e^−40 = 4e-18 vanishes beside the
	// 1 of the Shockley law in double precision.
	expFloor = -40

	// leakFloor lies across every junction (S). It keeps the voltage between two blocked junctions defined
	// when their exponentials vanish, and is too small to be seen: 1e-29 A at 10 V.
	leakFloor = 1e-30

	// leakKnee is the voltage (V) over which a leakage current rises from zero to its full value.
	leakKnee = 0.1

	// leakRise is the voltage (V) at which a leakage current has doubled: nothing saturates for good.
	leakRise = 20e3
)

// limitedExp is exp(x), zero far below and a straight line far above; slope is its derivative.
func limitedExp(x float64) (e, slope float64) {
	switch {
	case x < expFloor:
		return 0, 0
	case x > expLimit:
		top := math.Exp(expLimit)
		return top * (1 + (x - expLimit)), top
	}
	e = math.Exp(x)
	return e, e
}

// leak is the passive leakage characteristic: i0 from about leakKnee on, zero at zero, odd.
func leak(i0, v float64) (i, g float64) {
	s := math.Sqrt(v*v + leakKnee*leakKnee)
	return i0 * (v/s + v/leakRise), i0 * (leakKnee*leakKnee/(s*s*s) + 1/leakRise)
}

func kelvin(t unit.Kelvin) float64 {
	if t == 0 {
		return float64(ReferenceTemperature)
	}
	return float64(t)
}

func orOne(x float64) float64 {
	if x == 0 {
		return 1
	}
	return x
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
