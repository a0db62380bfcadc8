// Package meter is a multimeter: its ranges with their errors, how it reads what is not smooth, and what it does
// to the circuit it is put into.
//
// A reading errs in two ways that must be kept apart. The gain error is a property of one instrument's function and
// range: unknown, bounded by the stated share of the reading, and the same for every reading taken there. The
// digits (rounding, offset, contact) are independent from one reading to the next. Both are bounded and taken as
// uniform. Makers state accuracy as ±(share of reading + digits); the truth then lies in Interval. Where the user has
// found the gain error against a standard, Known holds it, and Gain what is left open of it.
//
// DC functions show the mean. AC functions are taken as coupled through a capacitor: they see what varies about the
// mean, a true-RMS meter its root mean square, an ordinary one its rectified average times π/(2√2) = 1.111, which
// is right for a sine only (12 V of DCC read 13.3 V). Bandwidth, crest-factor limits and
// temperature are not modelled; many cheap meters fall off well below the 10 kHz of DCC.
//
// SI units throughout. Entry points: Spec.Range, RangeSpec.Interval, RangeSpec.Show, Spec.Responds, Cheap.
package meter

import (
	"math"

	"fettle/internal/unit"
)

// A Function is what the knob is set to.
type Function string

const (
	DCVoltage  Function = "dc voltage"
	ACVoltage  Function = "ac voltage"
	DCCurrent  Function = "dc current"
	Resistance Function = "resistance"
	DiodeTest  Function = "diode"
)

// A RangeSpec is one range of one function. Numbers without a type are in the SI unit of the function.
type RangeSpec struct {
	Function   Function
	Full       float64    // the highest value shown
	Resolution float64    // one count
	Known      unit.Ratio // gain error found against a standard: it shows 1 + Known times the truth
	Gain       unit.Ratio // ± share of the reading, common to all readings here, beside what is Known
	Digits     float64    // ± counts, independent
	Burden     unit.Ohm   // current functions: shunt, fuse and leads
	Input      unit.Ohm   // voltage functions: input resistance
	Source     string
}

// A Spec is a meter.
type Spec struct {
	Name    string
	TrueRMS bool
	Ranges  []RangeSpec
}

// Range is the most sensitive range of the function that shows the reading.
func (s Spec) Range(f Function, reading float64) (RangeSpec, bool) {
	var best RangeSpec
	found := false
	for _, r := range s.Ranges {
		if r.Function == f && math.Abs(reading) <= r.Full && (!found || r.Full < best.Full) {
			best, found = r, true
		}
	}
	return best, found
}

// Slack is the bound of the independent error.
func (r RangeSpec) Slack() float64 { return r.Digits * r.Resolution }

// Sigma is the standard deviation of the independent error, uniform within ±Slack.
func (r RangeSpec) Sigma() float64 { return r.Slack() / math.Sqrt(3) }

// Corrected is a reading with the known part of the gain error taken out.
func (r RangeSpec) Corrected(reading float64) float64 { return reading / (1 + float64(r.Known)) }

// Bound is how far the truth may lie from a corrected reading, if the meter keeps its specification.
func (r RangeSpec) Bound(corrected float64) float64 {
	return float64(r.Gain)*math.Abs(corrected) + r.Slack()
}

// Interval is where the truth lies for a reading, if the meter keeps its specification.
func (r RangeSpec) Interval(reading float64) (low, high float64) {
	x := r.Corrected(reading)
	e := r.Bound(x)
	return x - e, x + e
}

// Show is what the display says of truth on a meter whose gain errs by the share gain beside what is Known and whose other
// errors come to offset; over tells that the range is too small for it.
func (r RangeSpec) Show(truth, gain, offset float64) (reading float64, over bool) {
	x := truth*(1+float64(r.Known))*(1+gain) + offset
	if r.Resolution > 0 {
		x = math.Round(x/r.Resolution) * r.Resolution
	}
	return x, !(math.Abs(x) <= r.Full*(1+1e-9))
}

// A Signal is what a meter can see of a value that varies.
type Signal struct {
	Mean      float64
	Rectified float64 // mean of the magnitude of what varies about Mean
	RMS       float64 // root mean square of what varies about Mean
}

// SignalOf sums up values that hold for shares of time (the shares sum to 1).
func SignalOf(values, shares []float64) Signal {
	var s Signal
	for i, v := range values {
		s.Mean += shares[i] * v
	}
	for i, v := range values {
		d := v - s.Mean
		s.Rectified += shares[i] * math.Abs(d)
		s.RMS += shares[i] * d * d
	}
	s.RMS = math.Sqrt(s.RMS)
	return s
}

// sineForm is the root mean square of a sine over its rectified average.
const sineForm = math.Pi / (2 * math.Sqrt2)

// Responds is what an errorless meter of this kind shows of a signal.
func (s Spec) Responds(f Function, sig Signal) float64 {
	switch {
	case f != ACVoltage:
		return sig.Mean
	case s.TrueRMS:
		return sig.RMS
	}
	return sineForm * sig.Rectified
}

// Loaded is the voltage left of an open-circuit voltage behind a source resistance, with the meter across it.
func (r RangeSpec) Loaded(open unit.Volt, source unit.Ohm) unit.Volt {
	if !unit.Known(r.Input) || r.Input <= 0 {
		return open
	}
	return open * unit.Volt(r.Input/(r.Input+source))
}

// Unloaded is the true resistance where voltage over current gave apparent, the voltmeter lying across the unknown
// alone and so drawing part of the current; false if the meter alone would draw more than that.
func (r RangeSpec) Unloaded(apparent unit.Ohm) (unit.Ohm, bool) {
	if !unit.Known(r.Input) || r.Input <= 0 {
		return apparent, true
	}
	if !(apparent < r.Input) {
		return unit.Absent[unit.Ohm](), false
	}
	return apparent * r.Input / (r.Input - apparent), true
}

// BurdenVoltage is what the meter drops in the circuit whose current it measures.
func (r RangeSpec) BurdenVoltage(i unit.Amp) unit.Volt { return i.Times(unit.Or(r.Burden, 0)) }

// Cheap is an ordinary 3½-digit hand meter, assumed where none is described.
func Cheap() Spec {
	const source = "common practice for 3½-digit hand meters, from memory"
	const counts = 1999
	s := Spec{Name: "ordinary 3½-digit hand meter"}
	add := func(f Function, gain unit.Ratio, digits, resolution float64, r RangeSpec) {
		r.Function, r.Gain, r.Digits, r.Resolution, r.Full, r.Source = f, gain, digits, resolution, counts*resolution, source
		s.Ranges = append(s.Ranges, r)
	}
	for _, resolution := range []float64{0.1e-3, 1e-3, 10e-3, 0.1} {
		add(DCVoltage, 0.005, 2, resolution, RangeSpec{Input: 1e6})
	}
	add(ACVoltage, 0.012, 10, 0.1, RangeSpec{Input: 450e3})
	add(DCCurrent, 0.015, 2, 1e-6, RangeSpec{Burden: 100})
	add(DCCurrent, 0.015, 2, 10e-6, RangeSpec{Burden: 10})
	add(DCCurrent, 0.015, 2, 0.1e-3, RangeSpec{Burden: 1})
	for _, resolution := range []float64{0.1, 1, 10, 100, 1000} {
		add(Resistance, 0.008, 2, resolution, RangeSpec{})
	}
	add(DiodeTest, 0.01, 2, 1e-3, RangeSpec{})
	return s
}
