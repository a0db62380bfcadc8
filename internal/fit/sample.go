package fit

import (
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// quadratic is the law that the linearised problem gives the parameters, cut off by the bounds: normal
// coordinates y, independent with unit deviation, and x = at + W (y + shift).
type quadratic struct {
	lo, hi, at []float64
	noise      float64
	w          *mat.Dense // columns: one deviation along each singular direction
	shift      []float64  // where the unbounded minimum lies; not 0 only if a bound holds the fit
}

// reach is how many times its Scale a parameter goes along a direction that neither data nor bounds limit.
const reach = 10

// quadratic takes the present linearisation over all parameters, also those held by a wall.
func (s *climber) quadratic(noise float64) quadratic {
	q := quadratic{lo: s.lo, hi: s.hi, at: append([]float64(nil), s.at...), noise: noise}
	for j := range s.free {
		s.free[j] = true
	}
	d, ok := s.decompose()
	if !ok {
		return q
	}
	q.w = mat.NewDense(s.p, s.p, nil)
	q.shift = make([]float64, s.p)
	for m := range d.index {
		most := 0.0 // deviations along m at which some parameter leaves its reach
		for j := 0; j < s.p; j++ {
			scale := d.scale[j]
			if scale == 0 {
				scale = 1 / s.scale(s.at, j)
			}
			q.w.Set(j, m, d.v.At(j, m)/scale)
			far := reach * s.scale(s.at, j)
			if span := s.hi[j] - s.lo[j]; !math.IsInf(span, 0) {
				far = math.Max(far, reach*span)
			}
			if far > 0 {
				most = math.Max(most, math.Abs(q.w.At(j, m))/far)
			}
		}
		tight, dev := 0.0, 1/most
		if m < d.rank && !math.IsInf(noise, 1) {
			tight = d.sigma[m] / noise
			dev = noise / d.sigma[m]
		}
		for j := 0; j < s.p; j++ {
			q.w.Set(j, m, q.w.At(j, m)*dev)
		}
		if dev > 0 && tight > 0 {
			q.shift[m] = tight * (d.c[m] / noise) * dev
		}
	}
	return q
}

// Samples draws n joint parameter vectors from the law that the linearised problem gives them inside the bounds
// (Laplace's approximation), equal weights, the same for the same seed. Where the data leave a direction open
// and no bound limits it, parameters go up to about ten times their Scale. Nil where the fit has no
// linearisation.
//
// The chain is hit-and-run in normal coordinates (R. L. Smith, Operations Research 32, 1984, from memory).
func (r Result) Samples(n int, seed uint64) [][]float64 {
	if r.local.w == nil {
		return nil
	}
	c := r.local.chain(1, seed)
	c.move(20 * (len(c.x) + 1))
	out := make([][]float64, n)
	for i := range out {
		c.move(c.mix())
		out[i] = append([]float64(nil), c.x...)
	}
	return out
}

// Posterior draws n joint parameter vectors from the law exp(−RSS/2σ²) inside the bounds itself, σ the known
// deviation or the scatter found, by a Metropolis chain that starts from the fit and is guided by its quadratic law.
// It reports the share of proposals accepted: below some 10 % the law is so unlike its quadratic that more samples
// are wanted. It costs some 4 to 40 evaluations per sample. Nil where Samples is nil.
func Posterior(pr Problem, r Result, n int, seed uint64) (samples [][]float64, accepted float64) {
	const wide = 1.25
	q := r.local
	if q.w == nil || q.noise == 0 || math.IsInf(q.noise, 0) {
		return r.Samples(n, seed), 1
	}
	w := &walk{chain: q.chain(wide, seed), model: newModel(pr, r.P), noise: q.noise}
	w.res, w.rss = make([]float64, w.rows), r.RSS
	w.oldX, w.oldY = append([]float64(nil), w.x...), append([]float64(nil), w.y...)
	for i := 0; i < pilot; i++ {
		w.step()
	}
	thin := min(max(leastThin, int(leastThin*float64(w.tried)/float64(w.took+1)/2)), mostThin)
	samples = make([][]float64, n)
	for i := range samples {
		for k := 0; k < thin; k++ {
			w.step()
		}
		samples[i] = append([]float64(nil), w.x...)
	}
	return samples, float64(w.took) / float64(w.tried)
}

// Evaluations before the first sample, and per sample: more where few proposals are accepted.
const (
	pilot     = 300
	leastThin = 4
	mostThin  = 40
)

// walk is a Metropolis chain: by turns a fresh proposal from the quadratic law and a walk of random length along a
// random direction, which reaches tails the quadratic law does not know of.
type walk struct {
	*chain
	*model
	noise       float64
	rss         float64
	res         []float64
	oldX, oldY  []float64
	tried, took int
}

func (w *walk) step() {
	w.tried++
	favour := 0.0
	if w.tried%2 == 0 {
		w.move(w.mix())
		favour = (sumsq(w.y) - sumsq(w.oldY)) / 2
	} else {
		w.aim()
		t := 0.2 * math.Pow(100, w.uniform()) * distuv.UnitNormal.Quantile(w.uniform())
		for j := range w.x {
			w.x[j] += t * w.d[j]
			if w.x[j] < w.q.lo[j] || w.x[j] > w.q.hi[j] {
				favour = math.Inf(-1)
			}
		}
		for m := range w.y {
			w.y[m] += t * w.n[m]
		}
	}
	if !math.IsInf(favour, -1) && w.residuals(w.x, w.res) {
		if rss := sumsq(w.res); math.Log(w.uniform()) < (w.rss-rss)/(2*w.noise*w.noise)+favour {
			w.rss = rss
			w.took++
			copy(w.oldX, w.x)
			copy(w.oldY, w.y)
			return
		}
	}
	copy(w.x, w.oldX)
	copy(w.y, w.oldY)
}

// chain is a hit-and-run walk over the quadratic law widened by a factor.
type chain struct {
	q    quadratic
	wide float64
	rng  *rand.Rand
	x, y []float64
	n, d []float64
}

func (q quadratic) chain(wide float64, seed uint64) *chain {
	p := len(q.at)
	c := &chain{q: q, wide: wide, rng: rand.New(rand.NewPCG(seed, 0x7761_6c6b)), x: append([]float64(nil), q.at...), y: make([]float64, p), n: make([]float64, p), d: make([]float64, p)}
	for m := range c.y {
		c.y[m] = -q.shift[m] / wide
	}
	return c
}

// mix is the number of moves after which little is left of the start.
func (c *chain) mix() int { return 4*len(c.x) + 4 }

func (c *chain) move(times int) {
	for ; times > 0; times-- {
		c.aim()
		along := 0.0
		for m, n := range c.n {
			along += n * c.y[m]
		}
		lo, hi := math.Inf(-1), math.Inf(1)
		for j := range c.x {
			if d := c.d[j]; d != 0 {
				a, b := (c.q.lo[j]-c.x[j])/d, (c.q.hi[j]-c.x[j])/d
				lo, hi = math.Max(lo, math.Min(a, b)), math.Min(hi, math.Max(a, b))
			}
		}
		if !(lo < hi) {
			continue
		}
		t := cutNormal(lo+along, hi+along, c.uniform()) - along
		for j := range c.x {
			c.x[j] = math.Min(math.Max(c.x[j]+t*c.d[j], c.q.lo[j]), c.q.hi[j])
		}
		for m := range c.y {
			c.y[m] += t * c.n[m]
		}
	}
}

// aim picks a direction: n in normal coordinates, d in parameters.
func (c *chain) aim() {
	var norm float64
	for m := range c.n {
		c.n[m] = distuv.UnitNormal.Quantile(c.uniform())
		norm += c.n[m] * c.n[m]
	}
	norm = math.Sqrt(norm)
	for m := range c.n {
		c.n[m] /= norm
	}
	for j := range c.d {
		c.d[j] = 0
		for m, n := range c.n {
			c.d[j] += c.q.w.At(j, m) * n * c.wide
		}
	}
}

// uniform is inside (0, 1), never at 1/2 (where a normal law's step would be none).
func (c *chain) uniform() float64 { return (float64(c.rng.Uint64()>>12) + 0.5) * 0x1p-52 }

// cutNormal is the standard normal law cut to [lo, hi] at probability u.
func cutNormal(lo, hi, u float64) float64 {
	if lo+hi > 0 { // work in the lower tail, where probabilities keep their digits
		return -cutNormal(-hi, -lo, 1-u)
	}
	if hi < -30 { // beyond that the tail is exponential with rate |hi|
		x := hi + math.Log(u+(1-u)*math.Exp(hi*(hi-lo)))/-hi
		return math.Min(math.Max(x, lo), hi)
	}
	a, b := distuv.UnitNormal.CDF(lo), distuv.UnitNormal.CDF(hi)
	x := distuv.UnitNormal.Quantile(a + u*(b-a))
	return math.Min(math.Max(x, lo), hi)
}
