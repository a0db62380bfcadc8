package audit

import (
	"math"
	"slices"

	"fettle/internal/unit"
)

func sortStable[T any](x []T, cmp func(a, b T) int) { slices.SortStableFunc(x, cmp) }

// moments are mean and standard deviation of the halves between two lengths, from the middles of their bins.
type moments struct {
	n               int64
	mean, deviation float64 // s
}

func (o *Audited) moments(from, to unit.Time) moments {
	return histogramMoments(from, to, &o.Halves[0], &o.Halves[1])
}

func histogramMoments(from, to unit.Time, of ...*Histogram) (m moments) {
	var sum, squares float64
	for _, h := range of {
		for i := int(from / BinWidth); i < min(int(to/BinWidth), linearBins); i++ {
			n := float64(h.Bins[i])
			x := middle(i)
			m.n += h.Bins[i]
			sum += n * x
			squares += n * x * x
		}
	}
	if m.n == 0 {
		return moments{0, absent, absent}
	}
	m.mean = sum / float64(m.n)
	m.deviation = math.Sqrt(max(0, squares/float64(m.n)-m.mean*m.mean))
	return m
}

// middle of a linear bin, in seconds.
func middle(i int) float64 { return float64(i) * BinWidth.Seconds() }

// A drift is how far a mean wanders from step to step.
type drift struct {
	low, high float64 // s
	steps     int
}

const enoughBits = 20 // for a mean

func (o *Audited) drift(of func(PaceStep) (bits int64, sum unit.Time)) (d drift) {
	d.low, d.high = math.Inf(1), math.Inf(-1)
	for _, s := range o.Pace.Steps {
		bits, sum := of(s)
		if bits < enoughBits {
			continue
		}
		mean := sum.Seconds() / float64(2*bits)
		d.low, d.high = min(d.low, mean), max(d.high, mean)
		d.steps++
	}
	return d
}

func ofOnes(s PaceStep) (int64, unit.Time)  { return s.Ones, s.Sum }
func ofZeros(s PaceStep) (int64, unit.Time) { return s.Plain, s.ZeroSum }
