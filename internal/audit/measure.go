package audit

import (
	"math"
	"math/bits"

	"fettle/internal/unit"
	"fettle/internal/wave"
)

// Extent is the least and the greatest of something; nothing was there while Min is above Max.
type Extent struct{ Min, Max unit.Time }

var nothing = Extent{math.MaxInt64, math.MinInt64}

// Any reports whether there was one.
func (e Extent) Any() bool { return e.Min <= e.Max }

func (e *Extent) add(f Extent) { e.Min, e.Max = min(e.Min, f.Min), max(e.Max, f.Max) }

// within reports whether all of it lies in the window; nothing does.
func (e Extent) within(min, max unit.Time) bool { return !e.Any() || e.Min >= min && e.Max <= max }

// A Histogram counts half-bits by length: up to Linear in bins of BinWidth, bin i about i·BinWidth, above in octaves of Linear.
type Histogram struct{ Bins [linearBins + octaves]int64 }

const (
	BinWidth   = 100 * unit.Nanosecond
	Linear     = 130 * us
	linearBins = int(Linear / BinWidth)
	octaves    = 40
)

func bin(t unit.Time) int {
	if n := uint64(t+BinWidth/2) / uint64(BinWidth); n < uint64(linearBins) {
		return int(n)
	}
	return octave(t)
}

// octave is the bin of a long half: Linear to twice that, and so on.
func octave(t unit.Time) int {
	return max(linearBins, min(linearBins-1+bits.Len64(uint64(t/Linear)), linearBins+octaves-1))
}

// measured is what there is to know of a stretch of bits as long as nothing is wrong with it.
type measured struct {
	one, zero  Extent
	difference unit.Time // the most between the halves of a one
	total      unit.Time // the most of both halves of a zero
	ones       int64     // bits
	sum        unit.Time // of all halves of ones
	zeros      int64
	plain      int64     // zeros that are not stretched: both halves together up to twice Linear
	zeroSum    unit.Time // of their halves
	signed     unit.Time // first halves less second halves
}

func (m *measured) add(o *measured) {
	m.one.add(o.one)
	m.zero.add(o.zero)
	m.difference, m.total = max(m.difference, o.difference), max(m.total, o.total)
	m.ones, m.sum, m.zeros = m.ones+o.ones, m.sum+o.sum, m.zeros+o.zeros
	m.signed += o.signed
	m.plain, m.zeroSum = m.plain+o.plain, m.zeroSum+o.zeroSum
}

// measure measures whole bits between edges and counts their halves, up to a bit whose halves are of two kinds: that is where
// it says it stopped, the last edge otherwise. This is the loop in which an audit spends its time.
func measure(at []unit.Time, halves *[2]Histogram) (m measured, stop int) {
	m = measured{one: nothing, zero: nothing}
	edges := len(at)
	if edges < 3 {
		return m, 0
	}
	first, second := &halves[0], &halves[1]
	last := at[0]
	for at = at[1:]; len(at) > 1; at = at[2:] {
		x, y := at[0]-last, at[1]-at[0]
		last = at[1]
		less, more := min(x, y), max(x, y)
		switch {
		case more <= split:
			m.one.Min, m.one.Max = min(m.one.Min, less), max(m.one.Max, more)
			m.difference = max(m.difference, more-less)
			m.ones++
			m.sum += x + y
		case less > split:
			m.zero.Min, m.zero.Max = min(m.zero.Min, less), max(m.zero.Max, more)
			m.total = max(m.total, x+y)
			m.zeros++
			if x+y <= 2*Linear {
				m.plain++
				m.zeroSum += x + y
			}
		default:
			return m, edges - len(at) - 1
		}
		first.Bins[bin(x)]++
		second.Bins[bin(y)]++
		m.signed += x - y
	}
	return m, edges - len(at) - 1
}

// Direct is the share of direct voltage in the signal: the mean polarity, from −1 to 1.
type Direct struct {
	Signed, Total unit.Time // time positive less time negative, and both
	Worst         float64   // mean over the worst stretch of 100 ms
	WorstAt       unit.Time // where that ends
	stretch       Direct100
}

// Direct100 is a stretch of 100 ms under way.
type Direct100 struct{ signed, total unit.Time }

// directOver is the stretch over which the mean is taken: common practice, no source; a model without a decoder answers to no less.
const directOver = 100 * ms

func (d *Direct) add(signed, total, until unit.Time) {
	d.Signed += signed
	d.Total += total
	d.stretch.signed += signed
	if d.stretch.total += total; d.stretch.total < directOver {
		return
	}
	if mean := d.stretch.signed.Seconds() / d.stretch.total.Seconds(); math.Abs(mean) > math.Abs(d.Worst) {
		d.Worst, d.WorstAt = mean, until
	}
	d.stretch = Direct100{}
}

// Mean is the mean polarity over all of it; 0 without signal.
func (d *Direct) Mean() float64 {
	if d.Total == 0 {
		return 0
	}
	return d.Signed.Seconds() / d.Total.Seconds()
}

// Pace is how half-bits went with time, in at most paces steps of equal length that double as the recording goes on.
type Pace struct {
	From  unit.Time
	Step  unit.Time
	Steps []PaceStep
}

// A PaceStep is the half-bits of one step.
type PaceStep struct {
	One, Zero    Extent
	Ones, Plain  int64     // bits; of zeros those not stretched
	Sum, ZeroSum unit.Time // of their halves
}

func (s *PaceStep) add(o PaceStep) {
	s.One.add(o.One)
	s.Zero.add(o.Zero)
	s.Ones, s.Plain, s.Sum, s.ZeroSum = s.Ones+o.Ones, s.Plain+o.Plain, s.Sum+o.Sum, s.ZeroSum+o.ZeroSum
}

const (
	paces     = 600
	firstStep = 10 * ms
)

func (p *Pace) begin(at unit.Time) { p.From, p.Step = at, firstStep }

func (p *Pace) add(at unit.Time, m *measured) {
	n := int((at - p.From) / p.Step)
	for n >= paces {
		for i := range (len(p.Steps) + 1) / 2 {
			s := p.Steps[2*i]
			if 2*i+1 < len(p.Steps) {
				s.add(p.Steps[2*i+1])
			}
			p.Steps[i] = s
		}
		p.Steps = p.Steps[:(len(p.Steps)+1)/2]
		p.Step *= 2
		n = int((at - p.From) / p.Step)
	}
	for len(p.Steps) <= n {
		p.Steps = append(p.Steps, PaceStep{One: nothing, Zero: nothing})
	}
	p.Steps[n].add(PaceStep{m.one, m.zero, m.ones, m.plain, m.sum, m.zeroSum})
}

// polar is the sign of a polarity.
func polar(p wave.Polarity) unit.Time {
	if p == wave.Negative {
		return -1
	}
	return 1
}
