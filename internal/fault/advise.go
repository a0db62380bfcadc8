package fault

import (
	"cmp"
	"maps"
	"math"
	"runtime"
	"slices"
	"sync"
)

// each calls f for every cause, on all cores where that pays.
func (t *Table) each(f func(h int)) {
	n := len(t.Causes)
	workers := min(runtime.GOMAXPROCS(0), n)
	if t.first[n] < 4000 || workers < 2 {
		for h := range n {
			f(h)
		}
		return
	}
	parallel(workers, n, f)
}

func parallel(workers, n int, f func(i int)) {
	var wg sync.WaitGroup
	for w := range workers {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for i := w; i < n; i += workers {
				f(i)
			}
		}()
	}
	wg.Wait()
}

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

// Advice is a test worth doing.
type Advice struct {
	Test  int
	Bits  float64 // what it is expected to tell about what has to be mended
	Score float64 // bits a minute, setting up and risk counted
	Again bool    // it was taken already: to be sure that it was no slip
}

// Settings of Advise. The zero value is what a conversation uses.
type Settings struct {
	Without map[int]bool // tests that cannot be done
	Setup   string       // what is set up now; "": nothing
	Place   string       // and where
	Ran     bool         // it has run on the track already: what that could cost is spent
	// Points are how many samples stand for a cause; 0: 16. Negative: all of them.
	Points int
	// Least is the smallest information worth a test, in bits; 0: 0.02. Negative: none.
	Least float64
	// AllCauses weighs every cause by itself; else causes that are mended alike count as one.
	AllCauses bool
}

const (
	usualPoints = 16
	leastBits   = 0.02
	// What lies outside weighed probability, or beyond the number of causes weighed, does not choose the next test.
	weighedMass   = 0.995
	weighedCauses = 128
	// The rough look: samples of each cause, bins in standard deviations, and how many tests it leaves.
	screenPoints = 4
	screenBins   = 3
	refined      = 12
)

// harmMinutes is what power costs if a cause that harms is true, by what feeds the decoder: through the limit of a bench supply a
// moment's care, on the track an evening. Common practice, no source.
var harmMinutes = [...]float64{NoPower: 0, Limited: 5, OnTrack: 90}

// Advise are the tests worth doing, the best first.
func (s *State) Advise(set Settings) []Advice {
	t := s.Table
	points := cmp.Or(set.Points, usualPoints)
	least := cmp.Or(set.Least, leastBits)
	list := s.weighed(points < 0)
	taken := map[int]bool{}
	for _, r := range s.Readings {
		taken[r.Test] = true
	}
	var out []Advice
	for i := range t.Tests {
		if !taken[i] && !set.Without[i] {
			out = append(out, Advice{Test: i})
		}
	}
	if points > 0 && len(out) > 2*refined {
		// A rough look at all of them, with few samples and wide bins, leaves those worth a close one.
		s.tell(out, list, screenPoints, screenBins, set)
		out = out[:refined]
	}
	s.tell(out, list, points, 1, set)
	return slices.DeleteFunc(out, func(a Advice) bool { return a.Bits < least })
}

// tell puts what each test would tell, and sorts them.
func (s *State) tell(out []Advice, list []int, points int, wide float64, set Settings) {
	t := s.Table
	classes, samples := s.classes(list, points, set.AllCauses)
	harm := 0.0
	for h, p := range s.P {
		if t.Causes[h].Harms {
			harm += p
		}
	}
	workers := min(runtime.GOMAXPROCS(0), len(out))
	var wg sync.WaitGroup
	for w := range workers {
		wg.Add(1)
		go func() {
			defer wg.Done()
			b := bins{wide: wide}
			for k := w; k < len(out); k += workers {
				a := &out[k]
				test := &t.Tests[a.Test]
				minutes := test.Minutes + test.Risk
				if !set.Ran {
					minutes += harm * harmMinutes[test.Power]
				}
				switch {
				case test.Setup == set.Setup:
				case test.Place != "" && test.Place == set.Place:
					minutes += min(test.Prepare, nextSetup)
				default:
					minutes += test.Prepare
				}
				a.Bits = b.telling(t, a.Test, classes, samples)
				a.Score = a.Bits / math.Max(minutes, 1e-3)
			}
		}()
	}
	wg.Wait()
	slices.SortStableFunc(out, func(a, b Advice) int { return cmp.Compare(b.Score, a.Score) })
}

// weighed are the likeliest causes that together hold nearly all probability.
func (s *State) weighed(all bool) []int {
	list := s.Ranked()
	sum := 0.0
	for k, h := range list {
		if s.P[h] == 0 || !all && (sum > weighedMass || k == weighedCauses) {
			return list[:k]
		}
		sum += s.P[h]
	}
	return list
}

// A pick is a sample that stands for its cause, with its share of all probability.
type pick struct {
	cause, sample int
	p             float64
}

// classes sorts the causes by what has to be mended, and picks samples of each by their weight: points evenly spaced on
// the running sum of the weights, so that the same state always picks the same.
func (s *State) classes(list []int, points int, alone bool) (classes [][]int, samples [][]pick) {
	t := s.Table
	total := 0.0
	for _, h := range list {
		total += s.P[h]
	}
	at := map[string]int{}
	samples = make([][]pick, len(list))
	for k, h := range list {
		key := t.Causes[h].Repair
		if alone || key == "" {
			key = "\x00" + t.Causes[h].ID
		}
		c, ok := at[key]
		if !ok {
			c = len(classes)
			at[key] = c
			classes = append(classes, nil)
		}
		classes[c] = append(classes[c], k)
		w := s.w[t.first[h]:t.first[h+1]]
		sum := 0.0
		for _, x := range w {
			sum += x
		}
		p := s.P[h] / total
		if points < 0 || len(w) <= points {
			for i, x := range w {
				if x > 0 {
					samples[k] = append(samples[k], pick{h, i, p * x / sum})
				}
			}
			continue
		}
		run, next := 0.0, 0.5
		for i, x := range w {
			run += x / sum * float64(points)
			n := 0
			for ; next <= run && next < float64(points); next++ {
				n++
			}
			if n > 0 {
				samples[k] = append(samples[k], pick{h, i, p * float64(n) / float64(points)})
			}
		}
	}
	return classes, samples
}

// bins count what is foreseen of a test; kept between tests.
type bins struct {
	all, own []float64
	wide     float64             // width of a bin, in standard deviations of the display
	near     [nearPoints]float64 // half width of what the meter may show about a number, each nearStep of u from zero
}

const (
	manyBins = 2048
	binOver  = manyBins
	binNone  = manyBins + 1
	widest   = 1.0 // of u, to either side of a sample

	nearPoints = 33
	nearStep   = 1.0 / 8 // of u
)

// telling is the mutual information of the classes and the display, in bits.
func (b *bins) telling(t *Table, test int, classes [][]int, samples [][]pick) float64 {
	if b.all == nil {
		b.all, b.own = make([]float64, manyBins+3), make([]float64, manyBins+3)
	}
	def := &t.Tests[test]
	clear(b.all)
	slip := def.Slip
	choices := len(def.Choices)
	// A bin is one standard deviation (or more) of the meter's error wide; where the numbers range over more than the bins hold,
	// wider.
	low, high := math.Inf(1), math.Inf(-1)
	typical := 0.0
	if choices == 0 {
		for i := range b.near {
			b.near[i] = math.Sqrt(3) * def.sigma(def.Scale*math.Sinh(float64(i)*nearStep))
		}
		for _, list := range samples {
			for _, p := range list {
				if c := t.cell(p.cause, test)[p.sample]; c < codeNone {
					u := float64(int(c)-middle) * step
					low, high = min(low, u), max(high, u)
				}
			}
		}
		typical = math.Hypot(def.Model, def.common()/math.Sqrt(3)) + step
		low -= widest
		high += widest
	}
	width := max(b.wide*typical, (high-low)/(manyBins-2))
	entropy, inside := 0.0, 0.0
	given := 0.0
	for _, class := range classes {
		first, last := manyBins+3, -1
		mass := 0.0
		touch := func(i int, p float64) {
			b.own[i] += p
			first, last = min(first, i), max(last, i)
		}
		for _, k := range class {
			list := samples[k]
			if len(list) == 0 {
				continue
			}
			cell := t.cell(list[0].cause, test)
			half := math.Sqrt(3) * math.Hypot(typical, float64(t.width[test*len(t.Causes)+list[0].cause]))
			if choices == 0 {
				half = max(half, 0.75*width)
			}
			for _, p := range list {
				mass += p.p
				switch c := cell[p.sample]; {
				case c == codeNone && choices > 0:
					for i := range choices {
						touch(i, p.p/float64(choices))
					}
				case c == codeNone:
					touch(binNone, p.p)
				case choices > 0:
					if slip > 0 {
						for i := range choices {
							if i != int(c) {
								touch(i, p.p*slip/float64(choices-1))
							}
						}
					}
					touch(int(c), p.p*(1-slip))
				case c == codeOver:
					touch(binOver, p.p)
				default:
					// Spread evenly: its share of every bin that it covers.
					u := float64(int(c)-middle)*step - low
					r := half
					if v := math.Abs(u+low) / nearStep; v < nearPoints-1 { // counts rather than shares count near zero
						i, x := int(v), v-math.Floor(v)
						r = max(r, b.near[i]*(1-x)+b.near[i+1]*x)
					}
					r = min(r, widest)
					from, to := (u-r)/width, (u+r)/width
					each := p.p * width / (2 * r)
					i, j := int(from), int(to)
					if i == j {
						touch(i, p.p)
						continue
					}
					touch(i, each*(float64(i+1)-from))
					for m := i + 1; m < j; m++ {
						b.own[m] += each
					}
					touch(j, each*(to-float64(j)))
				}
			}
		}
		if last < 0 {
			continue
		}
		// p·H(display | class) = −Σ q log(q/p) with q the joint probability.
		logMass := math.Log(mass)
		for i := first; i <= last; i++ {
			q := b.own[i]
			if q == 0 {
				continue
			}
			given -= q * (math.Log(q) - logMass)
			b.all[i] += q
			b.own[i] = 0
		}
		inside += mass
	}
	for _, p := range b.all {
		if p > 0 {
			entropy -= p * math.Log(p)
		}
	}
	// A number that is a slip tells nothing; slips among choices are in the sums already.
	if choices == 0 {
		return (1 - slip) * math.Max(0, entropy-given) / math.Ln2
	}
	return math.Max(0, entropy-given) / math.Ln2
}

func (t *Test) common() float64 {
	for _, r := range t.Ranges {
		if r.Common > 0 {
			return r.Common
		}
	}
	return 0
}

// Foreseen is what a cause foresees of a test, in the light of the readings.
type Foreseen struct {
	Low, Median, High float64 // 5, 50, 95 in a hundred of the numbers
	Over              float64 // share that is over range
	None              float64 // share of which nothing can be foreseen
	Choices           []float64
}

// Foresee is what a cause foresees of a test, its samples weighed by the readings.
func (s *State) Foresee(cause, test int) Foreseen {
	t := s.Table
	def := &t.Tests[test]
	cell := t.cell(cause, test)
	w := s.w[t.first[cause]:t.first[cause+1]]
	type number struct{ u, w float64 }
	var list []number
	f := Foreseen{Low: math.NaN(), Median: math.NaN(), High: math.NaN()}
	if def.Choices != nil {
		f.Choices = make([]float64, len(def.Choices))
	}
	total, numbers := 0.0, 0.0
	for k, c := range cell {
		total += w[k]
		switch {
		case c == codeNone:
			f.None += w[k]
		case def.Choices != nil:
			f.Choices[c] += w[k]
		case c == codeOver:
			f.Over += w[k]
		default:
			list = append(list, number{def.value(c), w[k]})
			numbers += w[k]
		}
	}
	if total == 0 {
		return f
	}
	f.Over /= total
	f.None /= total
	for i := range f.Choices {
		f.Choices[i] /= total
	}
	if numbers == 0 {
		return f
	}
	slices.SortFunc(list, func(a, b number) int { return cmp.Compare(a.u, b.u) })
	run := 0.0
	for _, x := range list {
		before := run
		run += x.w / numbers
		for _, q := range []struct {
			at float64
			to *float64
		}{{0.05, &f.Low}, {0.5, &f.Median}, {0.95, &f.High}} {
			if before < q.at && run >= q.at {
				*q.to = x.u
			}
		}
	}
	if math.IsNaN(f.High) {
		f.High = list[len(list)-1].u
	}
	return f
}
