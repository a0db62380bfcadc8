package survey

import (
	"math"
	"math/rand/v2"
	"sort"

	"gonum.org/v1/gonum/mat"
)

// A draw is one weighted joint sample.
type draw struct {
	mode *mode
	u    []float64
	w    float64
}

// A pool is all draws of all hypotheses, weights summing to 1.
type pool struct {
	draws     []draw
	modes     []*mode   // by falling probability
	share     []float64 // of each
	effective float64   // number of independent samples that would be worth as much
}

const (
	studentDF   = 7.0
	widen       = 1.05 // of the proposals' deviations
	leastShare  = 0.002
	wantedShare = 0.25 // effective share of the proposals below which the proposal law is moved
	mostMoves   = 3
)

// student is a multivariate t law: at + L·t.
type student struct {
	at     []float64
	l      mat.TriDense
	logDet float64
	z      []float64
}

func newStudent(at []float64, chol *mat.Cholesky) *student {
	s := &student{at: at, logDet: chol.LogDet(), z: make([]float64, len(at))}
	chol.LTo(&s.l)
	return s
}

// draw fills u and gives the logarithm of its density, up to a constant that depends on the dimension alone.
func (s *student) draw(rng *rand.Rand, u []float64) (logq float64) {
	n, z := len(s.at), s.z
	var q2 float64
	for i := range z {
		z[i] = rng.NormFloat64()
	}
	var chi2 float64
	for i := 0; i < int(studentDF); i++ {
		x := rng.NormFloat64()
		chi2 += x * x
	}
	stretch := widen * math.Sqrt(studentDF/chi2)
	for i := range z {
		z[i] *= stretch
		q2 += z[i] * z[i]
	}
	for i := 0; i < n; i++ {
		u[i] = s.at[i]
		for k := 0; k <= i; k++ {
			u[i] += s.l.At(i, k) * z[k]
		}
	}
	return -(studentDF+float64(n))/2*math.Log1p(q2/(widen*widen*studentDF)) - s.logDet/2
}

// sampleMode draws n proposals of a mode; the weights are not normalised: their mean is the evidence.
func (m *model) sampleMode(md *mode, n int, rng *rand.Rand) []draw {
	at, chol := md.u, &md.chol
	var best []draw
	bestESS := 0.0
	for move := 0; ; move++ {
		out := make([]draw, n)
		dim := len(at)
		flat := make([]float64, n*dim)
		law := newStudent(at, chol)
		for i := range out {
			u := flat[i*dim : (i+1)*dim]
			logq := law.draw(rng, u)
			out[i] = draw{mode: md, u: u, w: math.Inf(-1)}
			prior := md.resistor.density(u[uHidden], nil)
			if prior == 0 {
				continue
			}
			logw := math.Log(prior) - logq
			for _, x := range u[1:] {
				logw -= x * x / 2
			}
			out[i].w = logw + m.logLikelihood(md, u)
		}
		if ess := effective(out); move == 0 || ess > bestESS {
			best, bestESS = out, ess
		}
		if bestESS >= wantedShare*float64(n) || move == mostMoves {
			break
		}
		at, chol = moved(best, at, chol)
	}
	return best
}

// effective is (Σw)²/Σw² of draws whose w are logarithms.
func effective(ds []draw) float64 {
	top := math.Inf(-1)
	for _, d := range ds {
		top = math.Max(top, d.w)
	}
	if math.IsInf(top, -1) {
		return 0
	}
	var s, s2 float64
	for _, d := range ds {
		w := math.Exp(d.w - top)
		s += w
		s2 += w * w
	}
	return s * s / s2
}

// moved is the normal law of the weighted draws, a little wider; where they are too few it is the former one,
// widened.
func moved(ds []draw, at []float64, chol *mat.Cholesky) ([]float64, *mat.Cholesky) {
	n := len(at)
	top := math.Inf(-1)
	for _, d := range ds {
		top = math.Max(top, d.w)
	}
	var former, c mat.SymDense
	chol.ToSym(&former)
	mean := append([]float64(nil), at...)
	if ess := effective(ds); ess > 3*float64(n) {
		var sum float64
		for i := range mean {
			mean[i] = 0
		}
		for _, d := range ds {
			w := math.Exp(d.w - top)
			sum += w
			for i := range mean {
				mean[i] += w * d.u[i]
			}
		}
		for i := range mean {
			mean[i] /= sum
		}
		now := mat.NewSymDense(n, nil)
		for _, d := range ds {
			w := math.Exp(d.w-top) / sum
			for i := 0; i < n; i++ {
				for k := i; k < n; k++ {
					now.SetSym(i, k, now.At(i, k)+w*(d.u[i]-mean[i])*(d.u[k]-mean[k]))
				}
			}
		}
		c.ScaleSym(1.1, now)
		for i := 0; i < n; i++ {
			c.SetSym(i, i, c.At(i, i)+1e-9)
		}
	} else {
		c.ScaleSym(2, &former)
	}
	var out mat.Cholesky
	if !out.Factorize(&c) {
		c.ScaleSym(2, &former)
		out.Factorize(&c)
	}
	return mean, &out
}

// pooled samples the hypotheses, of one structure, in proportion to what they may matter and joins the draws.
func (m *model) pooled(modes []*mode, proposals int, rng *rand.Rand) *pool {
	top := math.Inf(-1)
	for _, md := range modes {
		top = math.Max(top, md.logZ+md.offset)
	}
	p := &pool{}
	if math.IsInf(top, -1) {
		return p
	}
	var sum float64
	for _, md := range modes {
		sum += math.Exp(md.logZ + md.offset - top)
	}
	type group struct {
		draws []draw
		base  float64 // logarithm of the weight of the hypothesis
	}
	var groups []group
	for _, md := range modes {
		share := math.Exp(md.logZ+md.offset-top) / sum
		if share < leastShare {
			continue
		}
		n := max(proposals/8, int(float64(proposals)*math.Min(1, 1.5*share)))
		ds := m.sampleMode(md, n, rng)
		groups = append(groups, group{ds, math.Log(md.prior) + md.offset})
		p.modes = append(p.modes, md)
	}
	top = math.Inf(-1)
	for _, g := range groups {
		for _, d := range g.draws {
			top = math.Max(top, d.w+g.base)
		}
	}
	if math.IsInf(top, -1) {
		return p
	}
	sum = 0
	for _, g := range groups {
		var z float64
		for i := range g.draws {
			d := &g.draws[i]
			d.w = math.Exp(d.w+g.base-top) / float64(len(g.draws))
			z += d.w
		}
		sum += z
		p.share = append(p.share, z)
		p.draws = append(p.draws, g.draws...)
	}
	p.normalise(sum)
	return p
}

func (p *pool) normalise(sum float64) {
	var s2 float64
	for i := range p.draws {
		p.draws[i].w /= sum
		s2 += p.draws[i].w * p.draws[i].w
	}
	for i := range p.share {
		p.share[i] /= sum
	}
	p.effective = 1 / s2
	order := make([]int, len(p.modes))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return p.share[order[a]] > p.share[order[b]] })
	modes, share := make([]*mode, len(order)), make([]float64, len(order))
	for i, o := range order {
		modes[i], share[i] = p.modes[o], p.share[o]
	}
	p.modes, p.share = modes, share
}

// shareOf is the probability of the modes that f picks.
func (p *pool) shareOf(f func(*mode) bool) float64 {
	var sum float64
	for i, md := range p.modes {
		if f(md) {
			sum += p.share[i]
		}
	}
	return sum
}

// fromPrior draws from the priors of hypotheses of one structure alone: a lamp of which nothing was measured.
func (m *model) fromPrior(hs []hypothesis, n int, rng *rand.Rand) *pool {
	dim := m.dimOf(&hs[0])
	p := &pool{}
	var sum float64
	for i := range hs {
		md := &mode{hypothesis: hs[i], u: make([]float64, dim)}
		md.u[uHidden] = md.resistor.mean
		if md.trust >= 0 {
			md.u[uHidden] = (md.resistor.bands[0].lo + md.resistor.bands[0].hi) / 2
		}
		p.modes = append(p.modes, md)
		p.share = append(p.share, hs[i].prior)
		sum += hs[i].prior
	}
	for i := 0; i < n; i++ {
		x := (float64(i) + rng.Float64()) / float64(n) * sum // stratified over the hypotheses
		k := 0
		for k < len(hs)-1 && x >= hs[k].prior {
			x -= hs[k].prior
			k++
		}
		u := make([]float64, dim)
		u[uHidden] = hs[k].resistor.draw(rng.Float64())
		for j := 1; j < dim; j++ {
			u[j] = rng.NormFloat64()
		}
		p.draws = append(p.draws, draw{p.modes[k], u, 1 / float64(n)})
	}
	p.normalise(1)
	for i := range p.share {
		p.share[i] = hs[i].prior / sum
	}
	return p
}

// resample draws n of equal weight, systematically: every draw comes as often as its weight says, give or take one.
func (p *pool) resample(n int, rng *rand.Rand) []draw {
	out := make([]draw, 0, n)
	at := rng.Float64() / float64(n)
	sum := 0.0
	for _, d := range p.draws {
		sum += d.w
		for len(out) < n && at < sum {
			out = append(out, d)
			at += 1 / float64(n)
		}
	}
	for len(out) < n && len(p.draws) > 0 { // rounding of the last sum
		out = append(out, p.draws[len(p.draws)-1])
	}
	// In the order of hypotheses the samples would be sorted by them: mix, so that the first few are samples too.
	rng.Shuffle(len(out), func(i, k int) { out[i], out[k] = out[k], out[i] })
	return out
}

// quantile of f over the pool, weights as they are.
func (p *pool) quantile(f func(*draw) float64, qs ...float64) []float64 {
	type xw struct{ x, w float64 }
	xs := make([]xw, 0, len(p.draws))
	for i := range p.draws {
		if p.draws[i].w > 0 {
			xs = append(xs, xw{f(&p.draws[i]), p.draws[i].w})
		}
	}
	sort.Slice(xs, func(i, k int) bool { return xs[i].x < xs[k].x })
	out := make([]float64, len(qs))
	for i, q := range qs {
		out[i] = math.NaN()
		sum := 0.0
		for k, e := range xs {
			if sum+e.w >= q || k == len(xs)-1 {
				out[i] = e.x
				if k > 0 { // between the midpoints of the two steps
					a, b := sum-xs[k-1].w/2, sum+e.w/2
					if b > a {
						t := math.Min(math.Max((q-a)/(b-a), 0), 1)
						out[i] = xs[k-1].x + t*(e.x-xs[k-1].x)
					}
				}
				break
			}
			sum += e.w
		}
	}
	return out
}

// mean of u over the draws of one mode.
func (p *pool) mean(md *mode) []float64 {
	u := make([]float64, len(md.u))
	var sum float64
	for _, d := range p.draws {
		if d.mode != md {
			continue
		}
		sum += d.w
		for i := range u {
			u[i] += d.w * d.u[i]
		}
	}
	if sum == 0 {
		return append([]float64(nil), md.u...)
	}
	for i := range u {
		u[i] /= sum
	}
	return u
}
