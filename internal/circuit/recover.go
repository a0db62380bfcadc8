package circuit

import (
	"math"

	"fettle/internal/unit"
)

// recover tries what is left when plain iteration has failed: from cold, with partial pivoting, and by
// continuation. The status of sol is that of the last attempt.
func (s *Solver) recover(sol *Solution) {
	first := sol.Status
	s.Reset()
	if sol.Status = s.newton(mostIterations, sol); sol.Status == Solved {
		return
	}
	s.dense(true)
	defer s.dense(false)
	s.Reset()
	if sol.Status = s.newton(mostIterations, sol); sol.Status == Solved {
		return
	}
	sol.Continuation = true
	if sol.Status = s.removeShunts(sol); sol.Status == Solved {
		return
	}
	s.ctx.last = true
	defer func() { s.ctx.last = false }()
	if sol.Status = s.raiseSources(sol); sol.Status == Solved {
		return
	}
	if sol.Status = s.settle(sol); sol.Status == Solved {
		return
	}
	if first == Singular || first == Runaway {
		sol.Status = first
	}
}

func (s *Solver) dense(on bool) {
	s.ctx.dense = on
	if on && len(s.wide) != s.n*(s.n+1) {
		s.wide = make([]float64, s.n*(s.n+1))
	}
	s.assembleLinear()
}

func (s *Solver) setShunt(g float64) {
	s.ctx.shunt = g
	s.assembleLinear()
}

// removeShunts ties every node to ground by a conductance and takes it away in steps.
func (s *Solver) removeShunts(sol *Solution) Status {
	defer s.setShunt(0)
	s.Reset()
	saved := make([]float64, s.StateSize())
	ratio, g, have := 10.0, 1.0, false
	for range mostStages {
		s.setShunt(g)
		if st := s.newton(stageIterations, sol); st == Solved {
			if g == 0 {
				return Solved
			}
			have = true
			s.Save(saved)
			ratio = min(ratio*ratio, 100)
			if g /= ratio; g < 1e-18 {
				g = 0
			}
			continue
		}
		if !have {
			if g *= 10; g > 1e6 {
				return Limit
			}
			s.Reset()
			continue
		}
		// Back to the last good stage, and more carefully from there.
		s.Restore(saved)
		if g*ratio <= leastShunt && s.balances(sol) {
			return Solved
		}
		if g == 0 {
			g = 1e-18
		} else {
			g *= ratio
		}
		if ratio = math.Sqrt(ratio); ratio < 1.02 {
			return Limit
		}
		g /= ratio
	}
	return Limit
}

// leastShunt (S): at thirty volts it carries thirty femtoamperes, far below TolAmp. A node whose own leakage is
// no more than that has no better place than where such a shunt leaves it.
const leastShunt = 1e-15

// balances tells whether the present state balances without any shunt.
func (s *Solver) balances(sol *Solution) bool {
	g := s.ctx.shunt
	s.setShunt(0)
	defer s.setShunt(g)
	s.spread()
	s.ctx.exact = true
	s.stamp()
	s.ctx.exact = false
	amp, ok := s.balanced()
	sol.Residual = unit.Amp(amp)
	return ok
}

// raiseSources starts with all sources at zero and raises them in steps.
func (s *Solver) raiseSources(sol *Solution) Status {
	set := func(x float64) {
		s.ctx.scale = x
		s.sources()
	}
	defer set(1)
	s.zero()
	saved := make([]float64, s.StateSize())
	s.Save(saved)
	at, by := 0.0, 0.1
	for range mostStages {
		next := min(1, at+by)
		set(next)
		if s.newton(stageIterations, sol) == Solved {
			if next == 1 {
				return Solved
			}
			at = next
			by *= 2
			s.Save(saved)
			continue
		}
		s.Restore(saved)
		if by /= 4; by < 1e-7 {
			return Limit
		}
	}
	return Limit
}

// zero puts every node and junction at zero.
func (s *Solver) zero() {
	clear(s.x)
	for k := range s.dio {
		s.dio[k].u = 0
	}
	for k := range s.bjt {
		s.bjt[k].u1, s.bjt[k].u2 = 0, 0
	}
	for k := range s.fil {
		s.fil[k].v = 0
	}
	for k := range s.mos {
		s.mos[k].u1, s.mos[k].u2 = 0, 0
	}
}

// settle lets the circuit find its state as a real one does after switching on, with a capacitance at every
// node: implicit steps that grow as long as they succeed. Only the final state counts.
func (s *Solver) settle(sol *Solution) Status {
	defer func() {
		clear(s.anchor)
		s.setShunt(0)
	}()
	s.Reset()
	s.zero()
	saved := make([]float64, s.StateSize())
	s.Save(saved)
	clear(s.anchor)
	g := 1.0
	for range mostStages {
		s.setShunt(g)
		if s.newton(stageIterations, sol) != Solved {
			s.Restore(saved)
			if g *= 8; g > 1e9 {
				return Limit
			}
			continue
		}
		if g == 0 {
			return Solved
		}
		s.Save(saved)
		copy(s.anchor, s.x)
		if g /= 3; g < 1e-13 {
			g = 0
		}
	}
	return Limit
}

// solveDense solves by Gaussian elimination with scaled partial pivoting.
func (s *Solver) solveDense() bool {
	n := s.n
	w := n + 1
	m := s.wide
	clear(m)
	for k := range s.pivots {
		p := &s.pivots[k]
		m[k*w+k] = s.lu[p.diag]
		for j := range p.width {
			c := int(s.columns[p.column+j])
			m[k*w+c] = s.lu[p.upper+j]
			m[c*w+k] = s.lu[p.upper+p.width+j]
		}
		m[k*w+n] = s.b[k]
	}
	for i := range n {
		big := 0.0
		for _, x := range m[i*w : i*w+n] {
			big = max(big, math.Abs(x))
		}
		if !(big > 0) || math.IsInf(big, 0) {
			return false
		}
		for j := range w {
			m[i*w+j] /= big
		}
		s.inv[i] = 1 / big
	}
	for k := range n {
		best := k
		for i := k + 1; i < n; i++ {
			if math.Abs(m[i*w+k]) > math.Abs(m[best*w+k]) {
				best = i
			}
		}
		if best != k {
			for j := k; j < w; j++ {
				m[k*w+j], m[best*w+j] = m[best*w+j], m[k*w+j]
			}
		}
		if d := m[k*w+k]; !(math.Abs(d) > lostDigits) { // rows are scaled to 1
			m[k*w+k] = lostDigits
		}
		inv := 1 / m[k*w+k]
		for i := k + 1; i < n; i++ {
			f := m[i*w+k] * inv
			if f == 0 {
				continue
			}
			for j := k + 1; j < w; j++ {
				m[i*w+j] -= f * m[k*w+j]
			}
		}
	}
	for k := n - 1; k >= 0; k-- {
		t := m[k*w+n]
		for j := k + 1; j < n; j++ {
			t -= m[k*w+j] * s.b[j]
		}
		s.b[k] = t / m[k*w+k]
	}
	return true
}
