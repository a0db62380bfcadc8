package device

import (
	"math"

	"fettle/internal/unit"
)

// A Filament is a small tungsten lamp in static equilibrium: what it takes up is what it gives away. It is told
// by what a multimeter can read, the cold resistance and one lit point (a hot resistance R at V is V.Over(R)).
// With x = T/Ta, T the filament's temperature and Ta the ambient one:
//
//	R(T) = Cold·(T/T0)^1.217
//	P(T) = A·(T⁵ − Ta⁵) + K·(T − Ta)
//	V²·Duty = P(T)·R(T)            I = V/R(T)
//
// Resistance: the power law lies within 2 % of the handbook table of tungsten from 300 to 3000 K (5.65 µΩ·cm at
// 300 K, 24.93 at 1000, 56.67 at 2000, 92.04 at 3000: Jones and Langmuir 1927 as the CRC Handbook prints it, from
// memory). Radiation: T⁴ times an emissivity in proportion to T, as a metal's is (Davisson and Weeks 1924; total
// emissivity of tungsten 0.032 at 300 K, 0.114 at 1000, 0.260 at 2000, 0.334 at 3000 in the same handbook, from
// memory: the ratio to T varies by ±11 %). A and K follow from the lit point and the share that leaves through the
// leads and the gas. With the usual share the current goes as V^0.55 about the lit point, the exponent of lamp
// makers' handbooks (from memory).
//
// The law is odd in V, and the current rises with V everywhere. A filament takes milliseconds to tens of
// milliseconds to warm (from memory): until then Inrush is what it draws. Where its supply is switched faster than
// that, its temperature follows the mean power: Duty is the share of time for which the voltage stands.
type Filament struct {
	Cold      unit.Ohm    // at T0
	LitV      unit.Volt   // the lit point, continuous, with ambient at T0
	LitI      unit.Amp    //
	Conducted float64     // share of the lit power that leaves through leads and gas, 0…0.8; 0 means usualConducted
	Duty      float64     // share of time for which the voltage stands; 0 means 1
	T0        unit.Kelvin // 0 means ReferenceTemperature
}

const (
	// usualConducted makes I ∝ V^0.55 about the lit point of a lamp with a hot resistance of 8 to 13 times the cold.
	usualConducted = 0.2
	// mostConducted keeps the current rising with the voltage whatever the lit point.
	mostConducted = 0.8
	// tungstenPower is d ln R/d ln T.
	tungstenPower = 1.217
	// radiatedPower is d ln P/d ln T of radiation alone.
	radiatedPower = 5
	// tungstenMelts is where no filament is left (K).
	tungstenMelts = 3695
)

// Check tells what is wrong with the parameters, or "".
func (f Filament) Check() string {
	cold, hot := f.Cold, f.LitV.Through(f.LitI)
	switch {
	case !finite(float64(cold)) || cold <= 0:
		return "its cold resistance is " + cold.String()
	case !finite(float64(f.LitV)) || f.LitV <= 0 || !finite(float64(f.LitI)) || f.LitI <= 0:
		return "its lit point is " + f.LitI.String() + " at " + f.LitV.String()
	case hot <= cold:
		return "its resistance lit, " + hot.String() + ", is not above its cold resistance, " + cold.String() + ": that is no filament"
	case !finite(float64(f.T0)) || f.T0 < 0:
		return "the temperature of its cold resistance is " + f.T0.String()
	case f.hot() > tungstenMelts:
		return "its resistance lit, " + hot.String() + ", against " + cold.String() + " cold would need a filament hotter than tungsten melts"
	case !finite(f.Conducted) || f.Conducted < 0 || f.Conducted > mostConducted:
		return "the share of its power lost by conduction is not between 0 and 80 %"
	case !finite(f.Duty) || f.Duty < 0 || f.Duty > 1:
		return "the share of time for which it is fed is not between 0 and 1"
	}
	return ""
}

// hot is the temperature of the lit point, K.
func (f Filament) hot() float64 {
	return kelvin(f.T0) * math.Pow(float64(f.LitV.Through(f.LitI))/float64(f.Cold), 1/tungstenPower)
}

// At is the filament at an ambient temperature, ready for evaluation.
func (f Filament) At(ambient unit.Kelvin) Glow {
	t0, ta, hot := kelvin(f.T0), float64(ambient), f.hot()
	share := f.Conducted
	if share == 0 {
		share = usualConducted
	}
	lit := float64(f.LitV.Times(f.LitI))
	radiated := (1 - share) * lit / (math.Pow(hot, radiatedPower) - math.Pow(t0, radiatedPower)) // A
	conducted := share * lit / (hot - t0)                                                        // K
	cold := float64(f.Cold) * math.Pow(ta/t0, tungstenPower)
	// In units of A·Ta⁵, so that (x⁵ − 1 + k·(x − 1))·x^1.217 = q·V².
	unity := radiated * math.Pow(ta, radiatedPower)
	return Glow{ambient: ta, cold: cold, k: conducted * ta / unity, q: orOne(f.Duty) / (unity * cold)}
}

// A Glow is a filament at one ambient temperature.
type Glow struct{ ambient, cold, k, q float64 }

// coldPower: below this q·v² the filament is warmer than its surroundings by less than 2e-9 of their temperature, and what
// is of second order in that vanishes in rounding.
const coldPower = 1e-8

// temperature is x = T/Ta at v, with R/cold and the slope of x by q·v².
func (w *Glow) temperature(v float64) (x, r, slope float64) {
	p := w.q * v * v
	if p < coldPower {
		slope = 1 / (radiatedPower + w.k)
		return 1 + p*slope, 1 + tungstenPower*p*slope, slope
	}
	// The law without conduction, then with the share that conduction has there: a hair from the solution.
	const power = radiatedPower + tungstenPower
	x = math.Pow(1+p, 1/power)
	share := 1 / float64(radiatedPower)
	if y := x - 1; y > 1e-6 {
		x2 := x * x
		share = y / (x2*x2*x - 1)
	}
	x = math.Pow(1+p/(1+w.k*share), 1/power)
	for range 40 {
		x2 := x * x
		x4 := x2 * x2
		r = math.Pow(x, tungstenPower)
		power := x4*x - 1 + w.k*(x-1)
		slope = 1 / (r * (radiatedPower*x4 + w.k + tungstenPower*power/x))
		d := (p - power*r) * slope
		x += d
		if math.Abs(d) <= 1e-9*x { // the step after this one vanishes in rounding
			r *= 1 + tungstenPower*d/x
			break
		}
	}
	return x, r, slope
}

// Current is the filament's current at v with its derivative (S).
func (w *Glow) Current(v float64) (i, g float64) {
	x, r, slope := w.temperature(v)
	g = 1 / (w.cold * r)
	// dR/dV = R·1.217/x·dx/dV
	return v * g, g * (1 - v*tungstenPower/x*slope*2*w.q*v)
}

// Current is what the lamp draws at v when it is warm.
func (f Filament) Current(v unit.Volt, ambient unit.Kelvin) unit.Amp {
	w := f.At(ambient)
	i, _ := w.Current(float64(v))
	return unit.Amp(i)
}

// Inrush is what the cold lamp draws in the first instant at v.
func (f Filament) Inrush(v unit.Volt, ambient unit.Kelvin) unit.Amp {
	w := f.At(ambient)
	return unit.Amp(float64(v) / w.cold)
}

// Temperature is the filament's own at v.
func (f Filament) Temperature(v unit.Volt, ambient unit.Kelvin) unit.Kelvin {
	w := f.At(ambient)
	x, _, _ := w.temperature(float64(v))
	return unit.Kelvin(w.ambient * x)
}

// Bound bounds an iteration's step of the lamp's voltage from v0 to v. The current is steep at zero and flattens
// either way: a step across zero stops there, and from there the iteration cannot overshoot.
func (w *Glow) Bound(v, v0 float64) (float64, bool) {
	if v < 0 && v0 > 0 || v > 0 && v0 < 0 {
		return 0, true
	}
	return v, false
}
