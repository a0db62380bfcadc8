package fit

import (
	"math"
	"math/rand/v2"
	"sort"

	"gonum.org/v1/gonum/mat"
)

// Solve fits from the given start. Where that start does not converge it tries others (Settings.Retries),
// and returns the first that does at no greater RSS than seen before, or the best of all.
func Solve(pr Problem, start []float64, set Settings) Result {
	set = set.filled()
	return climbAll(pr, start, set, 1+max(set.Retries, 0), true)
}

// MultiStart fits from the given start and from n others and returns the end with the least RSS. For problems that may
// have several minima.
func MultiStart(pr Problem, start []float64, n int, set Settings) Result {
	return climbAll(pr, start, set.filled(), 1+max(n, 0), false)
}

func climbAll(pr Problem, start []float64, set Settings, starts int, firstWins bool) Result {
	if why := pr.check(start); why != "" {
		return invalid(pr, start, why)
	}
	rng := rand.New(rand.NewPCG(set.Seed, 0x6669_7474))
	var best *climber
	iterations, evals, tried := 0, 0, 0
	for k := 0; k < starts; k++ {
		from := start
		if k > 0 {
			from = pr.another(start, k, rng)
		}
		c := newClimber(pr, start, from, set)
		c.climb()
		iterations += c.iterations
		evals += c.evals
		tried++
		if best == nil || better(c, best) {
			best = c
		}
		if firstWins && best.status == Converged {
			break
		}
	}
	res := best.result()
	res.Iterations, res.Evals, res.Starts = iterations, evals, tried
	return res
}

// better orders ends: the smaller RSS, and where that is the same to six digits the one that converged. A bad minimum
// that converged does not hide a better point that did not.
func better(a, b *climber) bool {
	const same = 1e-6
	switch {
	case a.rss < b.rss*(1-same):
		return true
	case b.rss < a.rss*(1-same):
		return false
	}
	return a.status == Converged && b.status != Converged
}

// another makes the k-th further start: parameters with two finite bounds anywhere between them (by ratio where
// they span more than a hundredfold), the others scaled by up to a factor that grows with k; every second start
// keeps near the given one.
func (pr Problem) another(start []float64, k int, rng *rand.Rand) []float64 {
	p := make([]float64, len(start))
	decades := math.Min(0.3+0.15*float64(k), 3)
	for j := range p {
		lo, hi := pr.bounds(j)
		u := rng.Float64()
		switch {
		case k%2 == 1 && !math.IsInf(lo, 0) && !math.IsInf(hi, 0):
			if lo > 0 && hi > 100*lo {
				p[j] = lo * math.Pow(hi/lo, u)
			} else {
				p[j] = lo + u*(hi-lo)
			}
		case start[j] != 0:
			p[j] = start[j] * math.Pow(10, decades*(2*u-1))
		default:
			scale := 1.0
			if pr.Scale != nil && pr.Scale[j] > 0 {
				scale = pr.Scale[j]
			}
			p[j] = scale * decades * (2*u - 1)
		}
		p[j] = math.Min(math.Max(p[j], lo), hi)
	}
	return p
}

func invalid(pr Problem, start []float64, why string) Result {
	n := len(start)
	r := Result{P: make([]float64, n), Status: Invalid, Why: why, RSS: math.Inf(1), Offset: math.Inf(1), Condition: math.Inf(1),
		StdDev: make([]float64, n), AtBound: make([]bool, n)}
	for j, x := range start {
		if finite(x) {
			r.P[j] = x
		}
		r.StdDev[j] = math.Inf(1)
	}
	if n > 0 {
		r.Cov = mat.NewSymDense(n, nil)
		for j := range start {
			r.Cov.SetSym(j, j, math.Inf(1))
		}
	}
	return r
}

// result turns the end of a climb into what is returned.
func (s *climber) result() Result {
	p := s.p
	res := Result{P: append([]float64(nil), s.at...), Status: s.status, Why: s.why, RSS: s.rss, Offset: s.offset,
		Residuals: append([]float64(nil), s.r...), AtBound: make([]bool, p), StdDev: make([]float64, p), Cov: mat.NewSymDense(p, nil), Condition: math.Inf(1)}
	for i, r := range res.Residuals {
		if !finite(r) {
			res.Residuals[i] = math.Inf(1)
		}
	}
	dec, ok := subspace{}, false
	if s.status != NotFinite {
		dec, ok = s.decompose()
	}
	if !ok {
		for j := range res.StdDev {
			res.StdDev[j] = math.Inf(1)
			res.Cov.SetSym(j, j, math.Inf(1))
		}
		return res
	}
	for j, f := range s.free {
		res.AtBound[j] = !f
	}
	noise := s.noise(dec.rank)
	k := len(dec.index)
	if !s.pr.KnownSigma && s.rows <= dec.rank {
		noise = math.Inf(1) // no scatter to judge by
	}
	if k > 0 && dec.rank == k {
		res.Condition = dec.sigma[0] / dec.sigma[k-1]
	}
	if k == 0 {
		res.Condition = 1
	}
	s.covariance(&res, &dec, noise)
	s.directions(&res, &dec, noise)
	res.local = s.quadratic(noise)
	return res
}

// covariance fills Cov = noise² (JᵀJ)⁻¹ of the free parameters from the singular values; a parameter that takes
// part in a singular direction has an infinite deviation.
func (s *climber) covariance(res *Result, d *subspace, noise float64) {
	loose := make([]bool, len(d.index))
	for m := d.rank; m < len(d.index); m++ {
		for q := range d.index {
			if math.Abs(d.v.At(q, m)) > 1e-6 {
				loose[q] = true
			}
		}
	}
	for q, i := range d.index {
		for w, j := range d.index[:q+1] {
			var c float64
			switch {
			case loose[q] || loose[w] || math.IsInf(noise, 1):
				if q == w {
					c = math.Inf(1)
				}
			default:
				for m := 0; m < d.rank; m++ {
					c += d.v.At(q, m) * d.v.At(w, m) / (d.sigma[m] * d.sigma[m])
				}
				c *= noise / d.scale[q] * noise / d.scale[w]
			}
			res.Cov.SetSym(i, j, c)
		}
		res.StdDev[i] = math.Sqrt(res.Cov.At(i, i))
	}
}

// directions lists what the data leave open.
func (s *climber) directions(res *Result, d *subspace, noise float64) {
	for m := len(d.index) - 1; m >= 0; m-- {
		dir := Direction{Move: make([]float64, s.p), Singular: m >= d.rank}
		var most float64
		for q, j := range d.index {
			scale := d.scale[q]
			if scale == 0 {
				scale = 1 / s.scale(s.at, j)
			}
			dir.Move[j] = d.v.At(q, m) / scale
			most = math.Max(most, math.Abs(dir.Move[j])/s.scale(s.at, j))
		}
		if !dir.Singular {
			if math.IsInf(noise, 1) || most*noise/d.sigma[m] <= s.set.Vague {
				continue
			}
		}
		for _, j := range d.index {
			if math.Abs(dir.Move[j])/s.scale(s.at, j) >= takesPart*most {
				dir.Names = append(dir.Names, s.pr.name(j))
			}
			if dir.Singular {
				dir.Move[j] /= most
			} else {
				dir.Move[j] *= noise / d.sigma[m]
			}
		}
		res.Undetermined = append(res.Undetermined, dir)
	}
	sort.SliceStable(res.Undetermined, func(a, b int) bool {
		return res.Undetermined[a].Singular && !res.Undetermined[b].Singular
	})
}

// takesPart is the share of the largest move from which a parameter is named in a direction.
const takesPart = 0.1
