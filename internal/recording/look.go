package recording

import (
	"fmt"
	"math/bits"

	"fettle/internal/unit"
	"fettle/internal/wave"
)

// A Look is what a signal looks like.
type Look string

const (
	Steady Look = "steady" // DC, or nothing: hardly a change
	DCC    Look = "DCC"
	Pulses Look = "pulses" // one frequency: a pulse-width controller, a clock
	Mains  Look = "mains"  // 50 or 60 Hz, or twice that
	Serial Look = "serial" // lengths are whole multiples of one
	Noise  Look = "noise"  // none of these
)

// An Impression is a Look with its figures; those that do not belong to it are 0.
type Impression struct {
	Look      Look
	Changes   int64
	Halves    int64         // intervals in the windows of a decoder (S-9.1 table 1)
	Polarity  wave.Polarity // in which most of the time passed
	Share     unit.Ratio    // of that time
	Frequency unit.Hertz    // pulses, mains
	Duty      unit.Ratio    // pulses: share of the time that is Positive, or that is not None
	Shortest  unit.Time     // serial: the length of one bit; noise: what nine of ten intervals exceed
	Median    unit.Time     // interval
}

func (m Impression) String() string {
	switch m.Look {
	case Steady:
		if m.Changes < 2 {
			return fmt.Sprintf("DC, or nothing: %d changes", m.Changes)
		}
		return fmt.Sprintf("DC, or nothing: %d changes, %v for %v of the time between them", m.Changes, name(m.Polarity), m.Share)
	case DCC:
		return fmt.Sprintf("DCC: %d of %d intervals are half-bits that a decoder must accept", m.Halves, m.Changes-1)
	case Pulses:
		return fmt.Sprintf("pulses of %v, on for %v of the time: a pulse-width controller or a clock, no DCC", m.Frequency, m.Duty)
	case Mains:
		return fmt.Sprintf("mains hum: %v", m.Frequency)
	case Serial:
		return fmt.Sprintf("a serial line: the lengths are multiples of %v", m.Shortest)
	}
	return fmt.Sprintf("noise: intervals of no common length, half of them below %v", m.Median)
}

func name(p wave.Polarity) string {
	switch p {
	case wave.Positive:
		return "positive (or high)"
	case wave.Negative:
		return "negative (or low)"
	case wave.None:
		return "without voltage"
	}
	return "unclear"
}

// perOctave is the resolution of a histogram of lengths: bins are 3 to 6 % wide.
const perOctave = 16

type lengths [64 * perOctave]int64

// bin of a length above 0: its five leading binary digits.
func bin(t unit.Time) int {
	n := bits.Len64(uint64(t))
	if n < 5 {
		return int(t)
	}
	return (n-4)*perOctave + int(uint64(t)>>(n-5))&(perOctave-1)
}

// middle of a bin.
func middle(b int) float64 {
	if b < perOctave {
		return float64(b)
	}
	n := b/perOctave + 4
	return (float64(perOctave+b%perOctave) + 0.5) * float64(uint64(1)<<(n-5))
}

// Intervals is a statistic of changes, of bounded size; the zero value is empty.
type Intervals struct {
	n       int64
	at      unit.Time     // of the last change
	to      wave.Polarity // since then
	entered [4]unit.Time  // by polarity + 1: the last time it began
	length  lengths
	period  lengths                 // from one beginning of Positive, or Negative, to the next
	sum     [len(lengths{})]float64 // of the lengths in a bin, s
	turns   [len(lengths{})]float64 // of the periods
	spent   [4]float64              // s, by polarity + 1
	begun   [4]int64                // how often
	halves  int64
	ones    int64
	run     int  // half-bits of one class so far; DCC has them in pairs
	class   int8 // 1, 0; −1 neither
	runs    int64
	odd     int64
}

// Add counts a block of changes, in the order of the recording.
func (s *Intervals) Add(c *wave.Changes) {
	for i, t := range c.At {
		to := c.To[i]
		if s.n > 0 {
			d := t - s.at
			b := bin(d)
			s.length[b]++
			s.sum[b] += d.Seconds()
			s.spent[s.to+1] += d.Seconds()
			class := int8(-1)
			switch {
			case isOne(d):
				class = 1
				s.ones++
				s.halves++
			case isZero(d):
				class = 0
				s.halves++
			}
			if class != s.class {
				if s.class >= 0 {
					s.runs++
					s.odd += int64(s.run & 1)
				}
				s.class, s.run = class, 0
			}
			s.run++
			if to == wave.Positive || to == wave.Negative {
				if p := t - s.entered[to+1]; s.begun[to+1] > 0 {
					b := bin(p)
					s.period[b]++
					s.turns[b] += p.Seconds()
				}
			}
		}
		s.entered[to+1] = t
		s.begun[to+1]++
		s.at, s.to = t, to
		s.n++
	}
}

// near sums the bins within about 6 % of the fullest.
func near(l *lengths, sum *[len(lengths{})]float64) (count, all int64, mean float64) {
	best := 0
	for b, n := range l {
		all += n
		if n > l[best] {
			best = b
		}
	}
	total := 0.0
	for b := max(best-1, 0); b <= min(best+1, len(l)-1); b++ {
		count += l[b]
		total += sum[b]
	}
	if count > 0 {
		mean = total / float64(count)
	}
	return count, all, mean
}

// quantile is the length below which a share of the intervals lies, to the width of a bin.
func (s *Intervals) quantile(share float64) float64 {
	var n int64
	for b, k := range s.length {
		if n += k; float64(n) > share*float64(s.n-1) {
			return middle(b) * 1e-12
		}
	}
	return 0
}

// Impression says what the changes counted so far look like.
//
// DCC: half the intervals fit, some of them ones and some zeros, and runs of either are even as whole bits make them
// (a serial line of 19 200 bauds fits the windows too, and its runs are not). Then: nine periods of ten alike; or
// lengths that lie within a fifth of whole multiples of the shortest, which one in three of any lengths would.
func (s *Intervals) Impression() Impression {
	m := Impression{Look: Noise, Changes: s.n, Halves: s.halves}
	if s.n < 2 {
		m.Look = Steady
		m.Polarity = s.to
		if s.n == 0 {
			m.Polarity = wave.Uncertain
		}
		return m
	}
	var all float64
	most := 0
	for i, x := range s.spent {
		all += x
		if x > s.spent[most] {
			most = i
		}
	}
	m.Polarity, m.Share = wave.Polarity(most-1), unit.Ratio(s.spent[most]/all)
	m.Median = unit.Seconds(s.quantile(0.5))
	gaps := s.n - 1
	switch {
	case 2*s.halves >= gaps && 10*s.ones >= gaps && 100*(s.halves-s.ones) >= gaps && s.runs > 0 && 4*s.odd <= s.runs:
		m.Look = DCC
		return m
	case s.n < 8:
		m.Look = Steady
		return m
	}
	if count, turns, mean := near(&s.period, &s.turns); 10*count >= 9*turns && turns >= 3 {
		powered := s.spent[wave.Positive+1]
		if s.spent[wave.None+1] > 0 {
			powered += s.spent[wave.Negative+1]
		}
		m.Look, m.Frequency, m.Duty = Pulses, unit.Hertz(1/mean), unit.Ratio(powered/all)
		for _, f := range []unit.Hertz{50, 60, 100, 120} {
			if r := m.Frequency / f; r > 0.98 && r < 1.02 {
				m.Look = Mains
			}
		}
		return m
	}
	if bit, ok := s.bit(); ok {
		m.Look, m.Shortest = Serial, unit.Seconds(bit)
		return m
	}
	m.Shortest = unit.Seconds(s.quantile(0.1))
	return m
}

// bit is the length of which the others are multiples, s.
func (s *Intervals) bit() (float64, bool) {
	if s.n < 50 {
		return 0, false
	}
	short := bin(unit.Seconds(s.quantile(0.05)))
	var n int64
	total := 0.0
	for b := max(short-1, 0); b <= short+2 && b < len(s.length); b++ {
		n += s.length[b]
		total += s.sum[b]
	}
	if n == 0 {
		return 0, false
	}
	bit := total / float64(n)
	var fit, all int64
	var multiples [9]int64
	for b, k := range s.length {
		if k == 0 {
			continue
		}
		x := s.sum[b] / float64(k) / bit
		if x > 8.5 {
			continue // the line rests
		}
		all += k
		if n := int(x + 0.5); n >= 1 && x > float64(n)-0.2 && x < float64(n)+0.2 {
			fit += k
			multiples[n] += k
		}
	}
	kinds := 0
	for _, k := range multiples {
		if 33*k >= all {
			kinds++
		}
	}
	return bit, 2*all >= s.n && 10*fit >= 9*all && kinds >= 3
}
