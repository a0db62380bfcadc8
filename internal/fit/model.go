package fit

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// model evaluates residuals and derivatives of one problem, priors appended as further rows, and keeps
// the difference steps that have proved right.
type model struct {
	pr    Problem
	p     int // parameters
	rows  int // residuals and priors
	step  []float64
	first []float64 // magnitudes at the start
	evals int
	rough bool // plain differences will do: the fit is still on its way

	try, up, down, up2, down2, d2 []float64
	jac                           *mat.Dense // rows × p
}

func newModel(pr Problem, start []float64) *model {
	p := len(start)
	m := &model{pr: pr, p: p, rows: pr.N + len(pr.Prior), step: make([]float64, p), try: make([]float64, p), first: make([]float64, p)}
	for j := range start {
		lo, hi := pr.bounds(j)
		m.first[j] = 1
		if a := math.Abs(math.Min(math.Max(start[j], lo), hi)); a > 0 {
			m.first[j] = a
		} else if hi > lo && !math.IsInf(hi-lo, 0) {
			m.first[j] = (hi - lo) / 10
		}
	}
	m.jac = mat.NewDense(m.rows, p, nil)
	for _, v := range []*[]float64{&m.up, &m.down, &m.up2, &m.down2, &m.d2} {
		*v = make([]float64, pr.N)
	}
	return m
}

// scale is the change of parameter j that matters: the stated one, else its magnitude now or at the start.
func (m *model) scale(p []float64, j int) float64 {
	if m.pr.Scale != nil && m.pr.Scale[j] > 0 {
		return m.pr.Scale[j]
	}
	return math.Max(math.Abs(p[j]), m.first[j])
}

// size is the magnitude by which difference steps go: a parameter that has shrunk gets smaller ones, within reason.
func (m *model) size(p []float64, j int) float64 {
	if m.pr.Scale != nil && m.pr.Scale[j] > 0 {
		return m.pr.Scale[j]
	}
	return math.Max(math.Abs(p[j]), 1e-3*m.first[j])
}

// data calls the model alone; it reports whether every residual is finite and their squares too.
func (m *model) data(p, r []float64) bool {
	if m.pr.N == 0 {
		return true
	}
	m.evals++
	m.pr.Residuals(p, r[:m.pr.N])
	return finite(sumsq(r[:m.pr.N]))
}

// residuals fills all rows.
func (m *model) residuals(p, r []float64) bool {
	ok := m.data(p, r)
	for i, q := range m.pr.Prior {
		r[m.pr.N+i] = (p[q.Param] - q.Mean) / q.Sigma
	}
	return ok
}

// jacobian fills m.jac at p, whose data residuals are r.
func (m *model) jacobian(p, r []float64) bool {
	ok := true
	switch {
	case m.pr.N == 0:
	case m.pr.Jacobian != nil:
		top := m.jac.Slice(0, m.pr.N, 0, m.p).(*mat.Dense)
		m.pr.Jacobian(p, top)
		for i := 0; i < m.pr.N; i++ {
			ok = ok && finite(sumsq(top.RawRowView(i)))
		}
	default:
		for j := 0; j < m.p && ok; j++ {
			ok = m.column(p, r, j)
		}
	}
	for i, q := range m.pr.Prior {
		row := m.jac.RawRowView(m.pr.N + i)
		for j := range row {
			row[j] = 0
		}
		row[q.Param] = 1 / q.Sigma
	}
	return ok
}

// Difference steps. A central difference over h errs by h²f‴/6; differences over h and h/2 extrapolate
// that away and leave a term of the order of its square. curveWanted is the relative size of the removed
// term that balances what is left (about 1e-12) with rounding; curveMost is the most we accept.
const (
	firstStep   = 1e-3 // of the parameter's size
	roughStep   = 1e-4 // for the plain difference of early iterations: right to some 1e-6
	leastStep   = 1e-10
	mostStep    = 0.5
	curveWanted = 1e-6
	curveMost   = 1e-4
)

// column fills column j of the Jacobian by extrapolated differences: central, or one-sided where a bound is
// in the way.
func (m *model) column(p, r []float64, j int) bool {
	size := m.size(p, j)
	lo, hi := m.pr.bounds(j)
	if lo == hi {
		for i := 0; i < m.pr.N; i++ {
			m.jac.Set(i, j, 0)
		}
		return true
	}
	h := m.step[j]
	if h <= 0 {
		h = firstStep
	}
	if m.rough {
		if step := math.Min(h, roughStep) * size; math.Min(p[j]-lo, hi-p[j]) >= step && m.plain(p, j, step) {
			return true
		}
	}
	for try := 0; ; try++ {
		step := h * size
		var curve float64
		ok := true
		if room := math.Min(p[j]-lo, hi-p[j]); room >= step {
			curve, ok = m.central(p, j, step)
		} else if room >= step/16 {
			curve, ok = m.central(p, j, room)
		} else {
			side := step
			if hi-p[j] < p[j]-lo {
				side = -math.Min(step, p[j]-lo)
			} else {
				side = math.Min(step, hi-p[j])
			}
			curve, ok = m.oneSided(p, r, j, side)
		}
		if ok && (curve <= curveMost || h <= leastStep || try >= 8) {
			m.step[j] = h
			if curve < curveWanted/1000 { // it grows with h²
				m.step[j] = math.Min(8*h, mostStep)
			}
			break
		}
		if h <= leastStep {
			return false
		}
		shrink := 1.0 / 16
		if ok {
			shrink = math.Max(shrink, math.Sqrt(curveWanted/curve))
		}
		h = math.Max(h*shrink, leastStep)
	}
	for i, d := range m.d2 {
		m.jac.Set(i, j, d)
	}
	return true
}

// plain fills column j by one central difference; false if the model gives no number there.
func (m *model) plain(p []float64, j int, h float64) bool {
	copy(m.try, p)
	m.try[j] = p[j] + h
	x1, ok1 := m.try[j], m.data(m.try, m.up)
	m.try[j] = p[j] - h
	x2, ok2 := m.try[j], m.data(m.try, m.down)
	if !ok1 || !ok2 {
		return false
	}
	for i := range m.up {
		m.jac.Set(i, j, (m.up[i]-m.down[i])/(x1-x2))
	}
	return true
}

// central leaves the derivative in d2 and returns the relative size of the term that was extrapolated away.
func (m *model) central(p []float64, j int, h float64) (curve float64, ok bool) {
	copy(m.try, p)
	at := func(d float64, r []float64) (float64, bool) {
		m.try[j] = p[j] + d
		return m.try[j], m.data(m.try, r)
	}
	x1, ok1 := at(h, m.up)
	x2, ok2 := at(-h, m.down)
	if !ok1 || !ok2 {
		return 0, false
	}
	x3, ok3 := at(h/2, m.up2)
	x4, ok4 := at(-h/2, m.down2)
	if !ok3 || !ok4 {
		return 0, false
	}
	var diff, norm float64
	for i := range m.d2 {
		wide := (m.up[i] - m.down[i]) / (x1 - x2)
		narrow := (m.up2[i] - m.down2[i]) / (x3 - x4)
		m.d2[i] = narrow + (narrow-wide)/3
		diff += (narrow - wide) * (narrow - wide)
		norm += m.d2[i] * m.d2[i]
	}
	return relative(diff, norm), finite(norm)
}

// oneSided does the same from one side, with steps h, h/2 and h/4 (the h and h² terms are removed).
func (m *model) oneSided(p, r []float64, j int, h float64) (curve float64, ok bool) {
	h /= 8 // the terms left are of lower order than in central
	copy(m.try, p)
	at := func(d float64, f []float64) (float64, bool) {
		m.try[j] = p[j] + d
		return m.try[j] - p[j], m.data(m.try, f)
	}
	h1, ok1 := at(h, m.up)
	h2, ok2 := at(h/2, m.down)
	h3, ok3 := at(h/4, m.up2)
	if !ok1 || !ok2 || !ok3 {
		return 0, false
	}
	var diff, norm float64
	for i := range m.d2 {
		a, b, c := (m.up[i]-r[i])/h1, (m.down[i]-r[i])/h2, (m.up2[i]-r[i])/h3
		ab, bc := 2*b-a, 2*c-b
		m.d2[i] = bc + (bc-ab)/3
		diff += (bc - ab) * (bc - ab)
		norm += m.d2[i] * m.d2[i]
	}
	return relative(diff, norm), finite(norm)
}

func relative(diff, norm float64) float64 {
	if norm == 0 {
		return 0
	}
	return math.Sqrt(diff / norm)
}

func sumsq(v []float64) float64 {
	var s float64
	for _, x := range v {
		s += x * x
	}
	return s
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
