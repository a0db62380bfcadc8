// Package wave describes a voltage or current over time: smooth, switched, or rectified sine.
//
// Time is integer picoseconds, so that a wave repeats bit for bit; values are plain numbers in the unit of the
// caller. A wave is continuous from the right: at a break At gives the value after it. Edges are ideal (no rise
// time) and the sine is that of an unloaded, unsmoothed rectifier without its diode drops, as an old controller
// gives it. DCC between the rails with nothing but ones is Square(116 µs, 0.5, +a, −a).
//
// A circuit without memory is integrated over a wave through Levels: values with shares of time. For a rectified
// sine they are the nodes of Gauss–Legendre quadrature over a quarter period (exact to rounding for mean and
// mean square; for a load that starts to conduct above a threshold the mean is right to about 0.1 %).
//
// Entry points: Constant, Square, PWM, FullWaveSine, HalfWaveSine; Mean, RMS, Levels.
package wave

import (
	"math"
	"sync"

	"gonum.org/v1/gonum/integrate/quad"

	"fettle/internal/unit"
)

// A Wave is a value over time.
type Wave interface {
	At(t unit.Time) float64
	// NextBreak is the first instant after t where the value or its slope jumps, if there is one.
	NextBreak(after unit.Time) (unit.Time, bool)
}

// A Periodic wave repeats itself, so that its statistics need no window.
type Periodic interface {
	Wave
	Period() unit.Time // 0: constant
	levels() []Level
}

// A Level is a value and the share of time it holds.
type Level struct {
	Value float64
	Share float64 // shares of one wave sum to 1
}

type constant float64

// Constant is smooth DC.
func Constant(v float64) Periodic { return constant(v) }

func (c constant) At(unit.Time) float64                  { return float64(c) }
func (c constant) NextBreak(unit.Time) (unit.Time, bool) { return 0, false }
func (c constant) Period() unit.Time                     { return 0 }
func (c constant) levels() []Level                       { return []Level{{float64(c), 1}} }

type square struct {
	period, high unit.Time
	hi, lo       float64
}

// Square holds hi for the share duty of each period, then lo, beginning at 0. The period is at least one
// picosecond, duty is cut to 0…1.
func Square(period unit.Time, duty unit.Ratio, hi, lo float64) Periodic {
	period = max(period, 1)
	if !(duty > 0) {
		return Constant(lo)
	}
	high := unit.Time(math.Round(math.Min(float64(duty), 1) * float64(period)))
	switch high {
	case 0:
		return Constant(lo)
	case period:
		return Constant(hi)
	}
	return square{period, high, hi, lo}
}

// PWM is peak for the share duty of each period, else 0: a pulse-width controller on DC.
func PWM(period unit.Time, duty unit.Ratio, peak float64) Periodic {
	return Square(period, duty, peak, 0)
}

func (s square) At(t unit.Time) float64 {
	if phase(t, s.period) < s.high {
		return s.hi
	}
	return s.lo
}

func (s square) NextBreak(after unit.Time) (unit.Time, bool) {
	p := phase(after, s.period)
	if p < s.high {
		return after - p + s.high, true
	}
	return after - p + s.period, true
}

func (s square) Period() unit.Time { return s.period }

func (s square) levels() []Level {
	d := float64(s.high) / float64(s.period)
	return []Level{{s.hi, d}, {s.lo, 1 - d}}
}

type rectified struct {
	peak float64
	half unit.Time // half a cycle of the sine
	full bool      // both half-waves
}

// Frequencies are cut to what picoseconds can hold.
const (
	leastMains = 1e-3 // Hz
	mostMains  = 1e9
)

// FullWaveSine is |peak · sin| of the given mains frequency, as behind an unsmoothed bridge.
func FullWaveSine(peak float64, mains unit.Hertz) Periodic { return sine(peak, mains, true) }

// HalfWaveSine is the positive half-waves alone, as behind one diode.
func HalfWaveSine(peak float64, mains unit.Hertz) Periodic { return sine(peak, mains, false) }

func sine(peak float64, mains unit.Hertz, full bool) Periodic {
	if !(mains >= leastMains) {
		mains = leastMains
	}
	return rectified{peak, unit.Seconds(0.5 / math.Min(float64(mains), mostMains)), full}
}

func (r rectified) At(t unit.Time) float64 {
	p := phase(t, 2*r.half)
	if p >= r.half {
		if !r.full {
			return 0
		}
		p -= r.half
	}
	return r.peak * math.Sin(math.Pi*float64(p)/float64(r.half))
}

func (r rectified) NextBreak(after unit.Time) (unit.Time, bool) {
	return after - phase(after, r.half) + r.half, true
}

func (r rectified) Period() unit.Time {
	if r.full {
		return r.half
	}
	return 2 * r.half
}

func (r rectified) levels() []Level {
	x, w := nodes()
	share := 1.0
	var l []Level
	if !r.full {
		share = 0.5
		l = append(l, Level{0, 0.5})
	}
	for i := range x {
		l = append(l, Level{r.peak * math.Sin(math.Pi/2*x[i]), share * w[i]})
	}
	return l
}

// phase is t modulo period, never negative.
func phase(t, period unit.Time) unit.Time {
	p := t % period
	if p < 0 {
		p += period
	}
	return p
}

// perPiece is the number of quadrature nodes between two breaks.
const perPiece = 24

// nodes are those of Gauss–Legendre quadrature on 0…1, weights summing to 1.
var nodes = sync.OnceValues(func() (x, w []float64) {
	x, w = make([]float64, perPiece), make([]float64, perPiece)
	quad.Legendre{}.FixedLocations(x, w, 0, 1)
	return x, w
})

// Levels are the values a periodic wave takes, each with its share of time.
func Levels(w Periodic) []Level { return w.levels() }

// Mean is the average over from…to; at an empty span, the value there.
func Mean(w Wave, from, to unit.Time) float64 {
	return average(w, from, to, func(v float64) float64 { return v })
}

// RMS is the root of the mean square over from…to.
func RMS(w Wave, from, to unit.Time) float64 {
	return math.Sqrt(average(w, from, to, func(v float64) float64 { return v * v }))
}

func average(w Wave, from, to unit.Time, f func(float64) float64) float64 {
	if to <= from {
		return f(w.At(from))
	}
	x, weight := nodes()
	var sum float64
	for a := from; a < to; {
		b := to
		if next, ok := w.NextBreak(a); ok && next < to {
			b = next
		}
		span := float64(b - a)
		var piece float64
		for i := range x {
			piece += weight[i] * f(w.At(a+unit.Time(x[i]*span)))
		}
		sum += piece * span
		a = b
	}
	return sum / float64(to-from)
}
