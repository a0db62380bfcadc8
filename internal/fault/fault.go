// Package fault finds what is wrong from readings: it weighs causes by what each foresees of every reading, says which
// of them the readings cannot tell apart, and which reading would tell most for its trouble.
//
// # Inference
//
// A Table holds, for every cause and test, what would be shown by many builds alike but for their tolerances: one code for
// each. A sample is one such build throughout, so that what varies in it varies in all its readings together. The
// probability of the readings under a cause is the mean over its samples of the product of the readings' likelihoods, and
// Bayes' theorem does the rest.
//
// A number v is kept as u = asinh(v/Scale). A meter errs by some share of what it shows, and by some counts near zero; on
// this scale both are one constant width. The likelihood of a reading is Student's t with four degrees of freedom about
// what the sample foresees, as wide as the meter's independent error, what the model may be wrong by, and a share of the
// samples' own spread (they are finitely many, and the truth lies between them); besides, a share Slip of all readings is
// a slip of probe, range, eye or pen, which could show anything. The meter's gain error is common to all readings of one
// range of a function: it is integrated out over its bound, jointly for all of them.
//
// The next test is the one of most mutual information between repairs and display, in bits a minute, risk counted in
// minutes: causes that are mended alike need not be told apart. (Lindley, "On a measure of the information provided by an
// experiment", Annals of Mathematical Statistics 27 (1956) 986; de Kleer & Williams, "Diagnosing multiple faults",
// Artificial Intelligence 32 (1987) 97: one step of looking ahead is nearly as good as all of them.)
//
// Not modelled: readings that change what is measured; faults that come and go between readings.
//
// Entry points: NewTable, Table.Start, State.Add, State.Advise, State.Groups, State.Questioned.
package fault

import (
	"fmt"
	"math"
	"slices"
	"sync"

	"fettle/internal/defect"
)

// A Cause is one thing, or two together, that may be wrong; or that nothing is.
type Cause struct {
	ID      string
	Words   string // "base resistor of output front: 47 kΩ in place of 4.7 kΩ"
	Prior   float64
	Class   string // "wrong value"
	Repair  string // causes of the same words are mended alike
	Damaged string // what it may have damaged besides; may be empty
	Check   string // that proves it mended
	// Typical: its samples lack the spread of the part that is wrong; it is taken to be as wide as that of what is sound.
	Typical bool
	Of      []string // of two causes together: their IDs
	Harms   bool     // while it is not mended, power costs parts
}

// Power is what feeds the decoder during a test.
type Power uint8

const (
	NoPower Power = iota
	Limited       // a bench supply through its limit
	OnTrack       // the track, in the vehicle
)

// Healthy is the ID of the cause that nothing is wrong.
const Healthy = defect.Sound

// A Range is one range of a meter's function, for the tests that use it.
type Range struct {
	Full   float64 // the highest value shown
	Slack  float64 // bound of the independent error, in the unit of the test
	Known  float64 // share by which the range is known to show too much
	Common float64 // ± share of the reading, common to all readings of the range; to be resolved, no more than 5 times Model
	Name   string  // the same for all tests that share the range
}

// A Test is something that can be measured, seen or tried.
type Test struct {
	ID    string
	Words string // "PB0 against minus, DC volts"
	// Numbers.
	Scale  float64 // where the error turns from absolute to relative
	Model  float64 // standard deviation of what the model may be wrong by, as a share
	Ranges []Range // by Full, ascending; none: no meter's error
	Unit   string
	// Choices, where the answer is one of several words; then no number.
	Choices []string
	Slip    float64 // share of readings that are slips
	Minutes float64
	Risk    float64 // what a slip there is expected to cost, in minutes
	Setup   string  // what must be brought about first, in one word: "on-left"
	Place   string  // where that is; between setups of one place it takes little
	Prepare float64 // minutes to bring it about
	Power   Power   // what feeds the decoder
	Lamp    string  // of a test of one lamp: its name

	// For the conversation.
	Point, Against string   // where the probes go, in the user's words: "PB0", "minus"
	Setting        string   // of the meter: "DC volts"
	How            string   // "red probe on PB0, black on minus"
	Bring          string   // the setup in words: "decoder alone on 12 V DC through 470 Ω, chip running, outputs off"
	Caution        string   // that belongs there
	Sayings        []string // of each choice: "front light stays on"
	Most           float64  // no reading can be beyond ± this; 0: no bound
	Signed         bool     // a reading may be negative
	Buried         bool     // no probe goes there: it is never advised
}

// A Reading is what was shown.
type Reading struct {
	Test   int
	Value  float64 // of a number
	Over   bool    // "OL"
	Choice int
}

const (
	step     = 1.0 / 2000 // of u, one code
	middle   = 32760
	codeOver = math.MaxUint16     // over range
	codeNone = math.MaxUint16 - 1 // nothing can be foreseen: the reading says nothing of the sample
	// nu is the degrees of freedom of the likelihood: heavier than a normal, so that a law the model does not hold
	// does not outweigh everything. tNorm is Γ(5/2)/(√(4π)·Γ(2)).
	nu    = 4
	tNorm = 0.375
	// between is the share of the samples' own spread added to the width of each: Silverman's K^(−1/(d+4)) comes to 0.4
	// to 0.5 for a hundred or two in some four dimensions.
	between = 0.4
	// span of u over which a slip may show anything.
	span = 12
)

// gains are the points of Gauss and Legendre's rule, and gainShares their weights, over a gain error within ±1 bound.
var (
	gains      = [5]float64{-0.9061798459386640, -0.5384693101056831, 0, 0.5384693101056831, 0.9061798459386640}
	gainShares = [5]float64{0.1184634425280945, 0.2393143352496833, 0.2844444444444444, 0.2393143352496833, 0.1184634425280945}
)

// A Table is what every cause foresees of every test.
type Table struct {
	Causes  []Cause
	Tests   []Test
	Assumes []string // of meter and probes, to be said at the start
	Alike   []string // causes left out: no reading tells them from nothing being wrong
	Counts  []int    // samples of each cause
	Codes   []uint16 // test by test, cause by cause, sample by sample: what weighs a test walks through it in order

	first    []int // of a cause's samples among all
	measured sync.Once
	width    []float32 // of each cell, test by test, cause by cause
}

// NewTable makes an empty table: every cell foresees nothing until it is set.
func NewTable(causes []Cause, tests []Test, counts []int) *Table {
	t := &Table{Causes: causes, Tests: tests, Counts: counts}
	t.lay()
	t.Codes = make([]uint16, t.first[len(causes)]*len(tests))
	for i := range t.Codes {
		t.Codes[i] = codeNone
	}
	return t
}

func (t *Table) lay() {
	t.first = make([]int, len(t.Causes)+1)
	for h, k := range t.Counts {
		t.first[h+1] = t.first[h] + k
	}
}

// cell is what cause h foresees of test i, sample by sample.
func (t *Table) cell(h, i int) []uint16 {
	at := i * t.first[len(t.Causes)]
	return t.Codes[at+t.first[h] : at+t.first[h+1]]
}

// Set puts a number foreseen; NaN is none, +Inf over range.
func (t *Table) Set(cause, test, sample int, v float64) {
	t.cell(cause, test)[sample] = t.Tests[test].code(v)
}

// SetChoice puts a choice foreseen.
func (t *Table) SetChoice(cause, test, sample, choice int) {
	t.cell(cause, test)[sample] = uint16(choice)
}

// Shares spreads the choices of a test over a cause's samples by their probabilities, each to the nearest sample. Where
// that matters the number of samples is made a multiple.
func (t *Table) Shares(cause, test int, p []float64) {
	c := t.cell(cause, test)
	// A stride that has no factor in common with the number of samples, and a start of its own, keep the choices of several tests
	// independent.
	const offset = 37
	stride := 1
	for _, s := range []int{61, 67, 71, 73, 79, 83, 89}[test%7:] {
		if len(c)%s != 0 {
			stride = s
			break
		}
	}
	sum, done := 0.0, 0
	for choice, q := range p {
		sum += q
		for ; done < min(len(c), int(math.Round(sum*float64(len(c))))); done++ {
			c[(done*stride+test*offset)%len(c)] = uint16(choice)
		}
	}
}

func (t *Test) code(v float64) uint16 {
	switch {
	case math.IsNaN(v):
		return codeNone
	case math.IsInf(v, 0) || len(t.Ranges) > 0 && math.Abs(v) > t.Ranges[len(t.Ranges)-1].Full:
		return codeOver
	}
	return uint16(math.Round(math.Max(0, math.Min(2*middle, middle+math.Asinh(v/t.Scale)/step))))
}

// value is the number of a code.
func (t *Test) value(c uint16) float64 { return t.Scale * math.Sinh(float64(int(c)-middle)*step) }

// Foreseen are the numbers that a cause foresees of a test, sample by sample: +Inf over range, NaN where there is none; of
// a test of choices, their indices.
func (t *Table) Foreseen(cause, test int) []float64 {
	cell := t.cell(cause, test)
	out := make([]float64, len(cell))
	for k, c := range cell {
		switch {
		case c == codeNone:
			out[k] = math.NaN()
		case c == codeOver:
			out[k] = math.Inf(1)
		case t.Tests[test].Choices != nil:
			out[k] = float64(c)
		default:
			out[k] = t.Tests[test].value(c)
		}
	}
	return out
}

// span widths: a share of the spread of each cell's numbers.
func (t *Table) measure() {
	t.width = make([]float32, len(t.Causes)*len(t.Tests))
	sound := slices.IndexFunc(t.Causes, func(c Cause) bool { return c.ID == Healthy })
	for i := range t.Tests {
		if t.Tests[i].Choices != nil {
			continue
		}
		full := 0.0
		if sound >= 0 {
			full = spreadOf(t.cell(sound, i))
		}
		for h := range t.Causes {
			own := spreadOf(t.cell(h, i))
			w := between * own
			if t.Causes[h].Typical && own < full {
				w = math.Sqrt(w*w + full*full - own*own)
			}
			t.width[i*len(t.Causes)+h] = float32(w)
		}
	}
}

// spreadOf is the standard deviation of u, or the middle half of the samples over 1.35 where that is less: samples that
// fall into two heaps are not smeared into one.
func spreadOf(cell []uint16) float64 {
	n, sum, sq := 0.0, 0.0, 0.0
	var list [256]uint16
	some := list[:0]
	stride := len(cell)/256 + 1
	for k, c := range cell {
		if c >= codeNone {
			continue
		}
		u := float64(int(c)-middle) * step
		n, sum, sq = n+1, sum+u, sq+u*u
		if k%stride == 0 {
			some = append(some, c)
		}
	}
	if n < 2 {
		return 0
	}
	sd := math.Sqrt(math.Max(0, sq/n-sum*sum/n/n))
	if len(some) >= 8 && sd > 0.02 {
		slices.Sort(some)
		middleHalf := float64(some[len(some)*3/4]-some[len(some)/4]) * step / 1.35
		sd = math.Min(sd, math.Max(middleHalf, sd/5))
	}
	return sd
}

// rangeOf is the most sensitive range that shows v.
func (t *Test) rangeOf(v float64) (Range, bool) {
	for _, r := range t.Ranges {
		if math.Abs(v) <= r.Full {
			return r, true
		}
	}
	return Range{}, len(t.Ranges) == 0
}

// sigma is the standard deviation on the scale of u of the independent error about v: the meter's, uniform within its
// slack, and the model's share.
func (t *Test) sigma(v float64) float64 {
	r, _ := t.rangeOf(v)
	return math.Hypot(r.Slack/math.Sqrt(3)/math.Hypot(v, t.Scale), t.Model) + step
}

// A State is what is known after some readings. It does not change: Add makes another.
type State struct {
	Table    *Table
	Readings []Reading
	P        []float64 // of every cause, summing to 1
	LogL     []float64 // log likelihood of the readings under each, above that of the best

	groups map[string][]float64 // by range: gain by gain, the product of the likelihoods, sample by sample
	alone  []float64            // of the readings without a range
	w      []float64            // of the samples: the likelihood of all readings
	logs   float64              // log of what was divided out of w
}

// Start is the state before the first reading.
func (t *Table) Start() *State {
	t.measured.Do(t.measure)
	s := &State{Table: t, groups: map[string][]float64{}, alone: ones(t.first[len(t.Causes)])}
	s.conclude()
	return s
}

func ones(n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = 1
	}
	return out
}

// Check says what is wrong with a reading, or "".
func (t *Table) Check(r Reading) string {
	if r.Test < 0 || r.Test >= len(t.Tests) {
		return "no such test"
	}
	test := &t.Tests[r.Test]
	switch {
	case test.Choices != nil && (r.Choice < 0 || r.Choice >= len(test.Choices)):
		return "no such choice"
	case test.Choices == nil && !r.Over && (math.IsNaN(r.Value) || math.IsInf(r.Value, 0)):
		return "no number"
	}
	return ""
}

// Add weighs one more reading. It panics on a reading that Check complains of.
func (s *State) Add(r Reading) *State {
	t := s.Table
	if wrong := t.Check(r); wrong != "" {
		panic("fault: " + wrong)
	}
	test := &t.Tests[r.Test]
	next := &State{Table: t, Readings: append(slices.Clip(s.Readings), r), groups: map[string][]float64{}, alone: s.alone}
	for name, g := range s.groups {
		next.groups[name] = g
	}
	n := len(s.w)
	rng, _ := test.rangeOf(r.Value)
	if test.Choices != nil || r.Over || rng.Common == 0 {
		next.alone = make([]float64, n)
		t.each(func(h int) {
			at := t.first[h]
			t.likelihood(h, r, rng.Known, func(k int, l float64) { next.alone[at+k] = s.alone[at+k] * l })
		})
	} else {
		was := s.groups[rng.Name]
		now := make([]float64, len(gains)*n)
		t.each(func(h int) {
			at := t.first[h]
			for g, x := range gains {
				base := g*n + at
				t.likelihood(h, r, rng.Known+x*rng.Common, func(k int, l float64) {
					if was != nil {
						l *= was[base+k]
					}
					now[base+k] = l
				})
			}
		})
		next.groups[rng.Name] = now
	}
	next.conclude()
	return next
}

// likelihood gives each sample's likelihood of the reading on a meter whose gain errs by the share gain.
func (t *Table) likelihood(h int, r Reading, gain float64, put func(k int, l float64)) {
	test := &t.Tests[r.Test]
	slip := test.Slip
	cell := t.cell(h, r.Test)
	if test.Choices != nil {
		other := slip / math.Max(1, float64(len(test.Choices)-1))
		for k, c := range cell {
			switch {
			case c == codeNone:
				put(k, 1/float64(len(test.Choices)))
			case int(c) == r.Choice:
				put(k, 1-slip)
			default:
				put(k, other)
			}
		}
		return
	}
	const overSlip = 0.3 // of slips show OL: no contact
	if r.Over {
		for k, c := range cell {
			switch c {
			case codeOver:
				put(k, 1-slip)
			case codeNone:
				put(k, 0.5)
			default:
				put(k, slip*overSlip)
			}
		}
		return
	}
	v := r.Value
	u := math.Asinh(v / test.Scale)
	u -= gain * v / math.Hypot(v, test.Scale) // what it would be on a meter without that error
	sigma := math.Hypot(test.sigma(v), float64(t.width[r.Test*len(t.Causes)+h]))
	peak, scale := (1-slip)*tNorm/sigma, step/sigma
	x0 := u/step + middle
	floor := slip / span
	for k, c := range cell {
		switch c {
		case codeOver:
			put(k, floor)
		case codeNone:
			put(k, 1/span)
		default:
			x := (float64(c) - x0) * scale
			y := 1 / (1 + x*x/nu)
			put(k, peak*y*y*math.Sqrt(y)+floor)
		}
	}
}

// conclude multiplies what is known of every range and sums over samples.
func (s *State) conclude() {
	t := s.Table
	s.w = slices.Clone(s.alone)
	n := len(s.w)
	for _, name := range sortedKeys(s.groups) {
		g := s.groups[name]
		for i := range s.w {
			m := 0.0
			for k, share := range gainShares {
				m += share * g[k*n+i]
			}
			s.w[i] *= m
		}
	}
	s.P, s.LogL = make([]float64, len(t.Causes)), make([]float64, len(t.Causes))
	total, best := 0.0, math.Inf(-1)
	for h := range t.Causes {
		sum := 0.0
		for _, w := range s.w[t.first[h]:t.first[h+1]] {
			sum += w
		}
		l := sum / float64(t.Counts[h])
		s.P[h] = t.Causes[h].Prior * l
		s.LogL[h] = math.Log(l)
		best = math.Max(best, s.LogL[h])
		total += s.P[h]
	}
	s.logs = math.Log(total)
	if total > 0 {
		for h := range s.P {
			s.P[h] /= total
			s.LogL[h] -= best
		}
	}
}

// Evidence is the log of the probability of all readings over all causes, each weighed by its prior.
func (s *State) Evidence() float64 { return s.logs }

// Possible reports whether any cause foresees the readings at all: only where no test allows slips may none.
func (s *State) Possible() bool { return !math.IsInf(s.logs, -1) && !math.IsNaN(s.logs) }

// Entropy of the causes, in bits.
func (s *State) Entropy() float64 {
	sum := 0.0
	for _, p := range s.P {
		if p > 0 {
			sum -= p * math.Log2(p)
		}
	}
	return sum
}

// Ranked are the causes, likeliest first.
func (s *State) Ranked() []int {
	out := make([]int, len(s.P))
	for i := range out {
		out[i] = i
	}
	slices.SortStableFunc(out, func(a, b int) int {
		switch {
		case s.P[a] > s.P[b]:
			return -1
		case s.P[a] < s.P[b]:
			return 1
		}
		return 0
	})
	return out
}

func (r Reading) String() string {
	if r.Over {
		return fmt.Sprintf("test %d: OL", r.Test)
	}
	return fmt.Sprintf("test %d: %g/%d", r.Test, r.Value, r.Choice)
}

// Sample is what a cause foresees of a test for one of its builds: a number (NaN: nothing, +Inf: over range), or a
// choice (−1: nothing).
func (t *Table) Sample(cause, test, sample int) (v float64, choice int) {
	c := t.cell(cause, test)[sample]
	switch {
	case c == codeNone:
		return math.NaN(), -1
	case t.Tests[test].Choices != nil:
		return math.NaN(), int(c)
	case c == codeOver:
		return math.Inf(1), -1
	}
	return t.Tests[test].value(c), -1
}
