package fit

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"
	"gonum.org/v1/gonum/mat"
)

const eps = 0x1p-52

// Named limits of the iteration.
const (
	firstDamping  = 1e-3  // λ at the start, relative to the squared column norms
	leastDamping  = 1e-15 // below this λ is rounding
	mostDamping   = 1e16  // above it the step is: nothing can be gained
	acceptRatio   = 1e-4  // share of the predicted reduction that a step must bring
	mostCurvature = 0.75  // the second-order correction may be this share of the step (Transtrum, Sethna: 0.75)
	nearEnough    = 1e-5  // offset from which Gauss–Newton steps finish
	finishSteps   = 200   // with a large residual they converge only by a constant factor each
	slowest       = 0.95  // that factor, at worst
	rankLimit     = 1e-10 // singular value, relative to the largest with columns of unit length, that counts as none
	vanished      = 1e-7  // share of the residual that a change by a parameter's whole size must bring, else the region is flat
	ranAway       = 1e4   // times its first size: a parameter on the way to infinity
)

// A factor is what [J | −r] leaves of its triangle [R c; 0 ρ] (ρ² = RSS − ‖c‖² is not kept).
type factor struct {
	n    int
	r    []float64 // n × n, upper
	c    []float64
	work []float64
	tau  []float64
	a    blas64.General
}

// set factors J (rows × n) beside −r.
func (f *factor) set(j *mat.Dense, r []float64) {
	rows, n := j.Dims()
	f.n = n
	f.size(max(rows, n+1), n+1)
	for i := 0; i < f.a.Rows; i++ {
		row := f.a.Data[i*f.a.Stride : i*f.a.Stride+n+1]
		if i < rows {
			copy(row, j.RawRowView(i))
			row[n] = -r[i]
			continue
		}
		for k := range row {
			row[k] = 0
		}
	}
	f.reduce()
	if len(f.r) != n*n {
		f.r, f.c = make([]float64, n*n), make([]float64, n)
	}
	for i := 0; i < n; i++ {
		for k := 0; k < n; k++ {
			f.r[i*n+k] = 0
			if k >= i {
				f.r[i*n+k] = f.a.Data[i*f.a.Stride+k]
			}
		}
		f.c[i] = f.a.Data[i*f.a.Stride+n]
	}
}

// size makes a rows × cols work matrix.
func (f *factor) size(rows, cols int) {
	if cap(f.a.Data) < rows*cols {
		f.a.Data = make([]float64, rows*cols)
	}
	f.a = blas64.General{Rows: rows, Cols: cols, Stride: cols, Data: f.a.Data[:rows*cols]}
	if len(f.tau) < cols {
		f.tau = make([]float64, cols)
	}
}

// reduce replaces the work matrix by its triangle.
func (f *factor) reduce() {
	tau := f.tau[:min(f.a.Rows, f.a.Cols)]
	if len(f.work) == 0 {
		f.work = make([]float64, 1)
	}
	lapack64.Geqrf(f.a, tau, f.work, -1)
	if need := int(f.work[0]); len(f.work) < need {
		f.work = make([]float64, need)
	}
	lapack64.Geqrf(f.a, tau, f.work, len(f.work))
}

// column is the norm of column j of J.
func (f *factor) column(j int) float64 {
	var s float64
	for i := 0; i <= j; i++ {
		s += f.r[i*f.n+j] * f.r[i*f.n+j]
	}
	return math.Sqrt(s)
}

// gradient is (Jᵀr)_j = −(Rᵀc)_j.
func (f *factor) gradient(j int) float64 {
	var s float64
	for i := 0; i <= j; i++ {
		s -= f.r[i*f.n+j] * f.c[i]
	}
	return s
}

// times is row i of Rδ.
func (f *factor) times(i int, d []float64) float64 {
	var s float64
	for k := i; k < f.n; k++ {
		s += f.r[i*f.n+k] * d[k]
	}
	return s
}

// climber is one start's iteration.
type climber struct {
	*model
	set        Settings
	lo, hi     []float64
	at, r      []float64
	rss        float64
	f          factor
	small      factor // damped problems
	d          []float64
	free       []bool
	delta, acc []float64
	trial, rt  []float64
	mostCol    []float64 // largest column norm seen times the size then
	iterations int
	status     Status
	why        string
	offset     float64
	taken      bool      // a linearisation stands
	takenAt    []float64 // where it was taken
	takenRough bool      // by plain differences
}

// newClimber starts at start; what matters is measured by the given start.
func newClimber(pr Problem, given, start []float64, set Settings) *climber {
	p := len(start)
	s := &climber{model: newModel(pr, given), set: set}
	for _, v := range []*[]float64{&s.lo, &s.hi, &s.at, &s.d, &s.delta, &s.acc, &s.trial, &s.mostCol, &s.takenAt} {
		*v = make([]float64, p)
	}
	s.free = make([]bool, p)
	s.r, s.rt = make([]float64, s.rows), make([]float64, s.rows)
	for j := range start {
		s.lo[j], s.hi[j] = pr.bounds(j)
		s.at[j] = math.Min(math.Max(start[j], s.lo[j]), s.hi[j])
	}
	return s
}

// linearise takes J at the present point, factors it and marks the free parameters; false if the model has
// no derivative there.
func (s *climber) linearise() bool {
	if s.taken && slices.Equal(s.takenAt, s.at) && (s.takenRough == s.rough || s.pr.Jacobian != nil) {
		return true
	}
	if s.taken = s.jacobian(s.at, s.r); !s.taken {
		return false
	}
	copy(s.takenAt, s.at)
	s.takenRough = s.rough
	s.f.set(s.jac, s.r)
	for j := range s.at {
		g := s.f.gradient(j)
		s.free[j] = !(s.at[j] <= s.lo[j] && g > 0 || s.at[j] >= s.hi[j] && g < 0) && s.lo[j] < s.hi[j]
	}
	return true
}

// noise is the scatter per degree of freedom that a step is compared with; 0 where nothing is left to scatter.
func (s *climber) noise(rank int) float64 {
	switch {
	case s.pr.KnownSigma:
		return 1
	case s.rows <= rank:
		return 0
	}
	return math.Sqrt(s.rss / float64(s.rows-rank))
}

// rounding is the change of the residual vector that rounding of the parameters and of the residuals causes.
func (s *climber) rounding() float64 {
	sum := s.rss
	for j := range s.at {
		x := s.f.column(j) * math.Max(math.Abs(s.at[j]), s.first[j]*eps)
		sum += x * x
	}
	return 4 * eps * math.Sqrt(sum)
}

// subspace is the singular-value decomposition of the free columns of R, scaled to unit length.
type subspace struct {
	index []int     // free parameters
	scale []float64 // column norms
	sigma []float64
	u, v  mat.Dense
	rank  int
	c     []float64 // Uᵀc
}

func (s *climber) decompose() (d subspace, ok bool) {
	for j, f := range s.free {
		if f {
			d.index = append(d.index, j)
		}
	}
	k := len(d.index)
	if k == 0 {
		return d, true
	}
	n := s.f.n
	a := mat.NewDense(n, k, nil)
	for q, j := range d.index {
		norm := s.f.column(j)
		d.scale = append(d.scale, norm)
		if norm == 0 {
			continue
		}
		for i := 0; i <= j; i++ {
			a.Set(i, q, s.f.r[i*n+j]/norm)
		}
	}
	var svd mat.SVD
	if !svd.Factorize(a, mat.SVDThin) {
		return d, false
	}
	d.sigma = svd.Values(nil)
	svd.UTo(&d.u)
	svd.VTo(&d.v)
	d.c = make([]float64, k)
	for q := range d.c {
		for i := 0; i < n; i++ {
			d.c[q] += d.u.At(i, q) * s.f.c[i]
		}
		if d.sigma[q] > rankLimit*d.sigma[0] && d.sigma[0] > 0 {
			d.rank++
		}
	}
	return d, true
}

// tangent is the part of the residual that a step in the determined directions would remove.
func (d *subspace) tangent() float64 { return math.Sqrt(sumsq(d.c[:d.rank])) }

// newton is the Gauss–Newton step in the determined directions.
func (d *subspace) newton(step []float64) {
	for j := range step {
		step[j] = 0
	}
	for q, j := range d.index {
		if d.scale[q] == 0 {
			continue
		}
		for m := 0; m < d.rank; m++ {
			step[j] += d.v.At(q, m) * d.c[m] / d.sigma[m] / d.scale[q]
		}
	}
}

// distance is the offset of the package comment for the present linearisation; settled tells that the
// tangent part is rounding.
func (s *climber) distance(d *subspace) (offset float64, settled bool) {
	if d.rank == 0 {
		return 0, true
	}
	t := d.tangent()
	settled = t <= s.rounding()
	noise := s.noise(d.rank)
	if noise == 0 {
		if t == 0 {
			return 0, true
		}
		return math.Inf(1), settled
	}
	return t / math.Sqrt(float64(d.rank)) / noise, settled
}

// damped solves min ‖Rδ − c‖² + λ‖Dδ‖² over the free parameters inside the bounds: what would leave the box
// is put on its wall and the rest solved again. It reports the predicted reduction of RSS.
func (s *climber) damped(lambda float64) (predicted float64) {
	n := s.f.n
	loose := make([]bool, n)
	copy(loose, s.free)
	for j := range s.delta {
		s.delta[j], s.acc[j] = 0, 0
	}
	for pass := 0; pass <= n; pass++ {
		var idx []int
		for j, l := range loose {
			if l {
				idx = append(idx, j)
			}
		}
		k := len(idx)
		if k == 0 {
			break
		}
		s.small.size(n+k, k+1)
		a := s.small.a
		for i := range a.Data {
			a.Data[i] = 0
		}
		for i := 0; i < n; i++ {
			rhs := s.f.c[i]
			for j := i; j < n; j++ {
				if !loose[j] {
					rhs -= s.f.r[i*n+j] * s.delta[j]
				}
			}
			for q, j := range idx {
				a.Data[i*a.Stride+q] = s.f.r[i*n+j]
			}
			a.Data[i*a.Stride+k] = rhs
		}
		for q, j := range idx {
			a.Data[(n+q)*a.Stride+q] = math.Sqrt(lambda) * s.d[j]
		}
		s.small.reduce()
		for q := k - 1; q >= 0; q-- {
			x := a.Data[q*a.Stride+k]
			for m := q + 1; m < k; m++ {
				x -= a.Data[q*a.Stride+m] * s.delta[idx[m]]
			}
			s.delta[idx[q]] = x / a.Data[q*a.Stride+q]
		}
		hit := false
		for _, j := range idx {
			if x := s.at[j] + s.delta[j]; x < s.lo[j] {
				s.delta[j], loose[j], hit = s.lo[j]-s.at[j], false, true
			} else if x > s.hi[j] {
				s.delta[j], loose[j], hit = s.hi[j]-s.at[j], false, true
			}
		}
		if !hit {
			s.correction(idx, k)
			break
		}
	}
	var before, after float64
	for i := 0; i < n; i++ {
		before += s.f.c[i] * s.f.c[i]
		e := s.f.times(i, s.delta) - s.f.c[i]
		after += e * e
	}
	return before - after
}

// correction adds the second-order term along the step: a = −½ (JᵀJ + λD²)⁻¹ Jᵀ r″, r″ the second derivative
// along δ by one more evaluation. It is left out where it is too large to trust; acc keeps it for the test.
func (s *climber) correction(idx []int, k int) {
	const h = 0.1
	for j := range s.acc {
		s.trial[j] = s.at[j] + h*s.delta[j]
	}
	if !s.residuals(s.trial, s.rt) {
		return
	}
	for i := range s.rt {
		jd := 0.0
		row := s.jac.RawRowView(i)
		for j, d := range s.delta {
			jd += row[j] * d
		}
		s.rt[i] = 2 / h * ((s.rt[i]-s.r[i])/h - jd)
	}
	a := s.small.a
	b := make([]float64, k)
	for q, j := range idx {
		for i := range s.rt {
			b[q] -= 0.5 * s.jac.At(i, j) * s.rt[i]
		}
	}
	for q := 0; q < k; q++ { // Rᵀy = b
		for m := 0; m < q; m++ {
			b[q] -= a.Data[m*a.Stride+q] * b[m]
		}
		b[q] /= a.Data[q*a.Stride+q]
	}
	for q := k - 1; q >= 0; q-- { // Rx = y
		for m := q + 1; m < k; m++ {
			b[q] -= a.Data[q*a.Stride+m] * b[m]
		}
		b[q] /= a.Data[q*a.Stride+q]
	}
	for q, j := range idx {
		if finite(b[q]) {
			s.acc[j] = b[q]
		}
	}
}

// climb runs the iteration from the start.
func (s *climber) climb() {
	if !s.residuals(s.at, s.r) {
		s.rss = math.Inf(1)
		s.offset = math.Inf(1)
		s.status, s.why = NotFinite, "the model gives no number at the start"
		return
	}
	s.rss = sumsq(s.r)
	s.rough = true
	lambda, growth := firstDamping, 2.0
	s.status, s.why = Limit, fmt.Sprintf("%d iterations used up", s.set.MaxIterations)
loop:
	for s.iterations < s.set.MaxIterations {
		s.iterations++
		if !s.linearise() {
			break
		}
		for j := range s.d {
			s.d[j] = math.Max(s.d[j], s.f.column(j))
			s.mostCol[j] = math.Max(s.mostCol[j], s.f.column(j)*s.scale(s.at, j))
			if s.d[j] == 0 {
				s.d[j] = 1
			}
		}
		if dec, ok := s.decompose(); ok {
			if off, settled := s.distance(&dec); settled || off <= math.Max(nearEnough, s.set.Offset) {
				break
			}
		}
		for {
			predicted := s.damped(lambda)
			var step, bend float64
			moved := false
			for j := range s.delta {
				step += s.d[j] * s.d[j] * s.delta[j] * s.delta[j]
				bend += s.d[j] * s.d[j] * s.acc[j] * s.acc[j]
				moved = moved || math.Abs(s.delta[j]) > 2*eps*math.Abs(s.at[j])
			}
			if !moved || !(predicted > eps*s.rss*1e-2) || lambda > mostDamping {
				s.status, s.why = SmallStep, "the steps have become too small to take"
				break loop
			}
			ok := 4*bend <= mostCurvature*mostCurvature*step
			if ok {
				for j := range s.trial {
					s.trial[j] = math.Min(math.Max(s.at[j]+s.delta[j]+s.acc[j], s.lo[j]), s.hi[j])
				}
				ok = s.residuals(s.trial, s.rt)
			}
			if ok {
				rss := sumsq(s.rt)
				gain := (s.rss - rss) / predicted
				if gain > acceptRatio {
					copy(s.at, s.trial)
					copy(s.r, s.rt)
					s.rss = rss
					t := 2*gain - 1
					lambda = math.Max(lambda*math.Min(1, math.Max(0.1, 1-t*t*t)), leastDamping)
					growth = 2
					break
				}
			}
			lambda *= growth
			growth *= 2
		}
	}
	s.rough = false
	s.polish()
	s.judge()
}

// polish takes Gauss–Newton steps judged by the offset, not by RSS, whose rounding hides the last digits. It keeps the
// best point, and takes one step more from a point that is good enough, since its direction is already known.
func (s *climber) polish() {
	best, worse := math.Inf(1), 0
	at, r, rss := slices.Clone(s.at), slices.Clone(s.r), s.rss
	keep := func() bool {
		if !(s.rss <= rss*(1+1e-9)+s.rounding()*s.rounding()) {
			return false
		}
		copy(at, s.at)
		copy(r, s.r)
		rss = s.rss
		return true
	}
	for k := 0; k < finishSteps && s.linearise(); k++ {
		dec, ok := s.decompose()
		if !ok {
			break
		}
		off, settled := s.distance(&dec)
		if math.IsInf(off, 1) { // as many parameters as residuals
			off = dec.tangent()
		}
		if off < slowest*best {
			worse = 0
		} else {
			worse++
		}
		if off < best && keep() {
			best = off
		}
		if settled || worse >= 3 || dec.rank == 0 {
			break
		}
		dec.newton(s.delta)
		for j := range s.trial {
			s.trial[j] = math.Min(math.Max(s.at[j]+s.delta[j], s.lo[j]), s.hi[j])
		}
		if !s.residuals(s.trial, s.rt) {
			break
		}
		copy(s.at, s.trial)
		copy(s.r, s.rt)
		s.rss = sumsq(s.r)
		if off <= s.set.Offset {
			keep()
			break
		}
	}
	copy(s.at, at)
	copy(s.r, r)
	s.rss = rss
}

// judge sets the final status at the present point.
func (s *climber) judge() {
	if !s.linearise() {
		s.status, s.why, s.offset = NotFinite, "the model has no derivative where the fit stands", math.Inf(1)
		return
	}
	dec, ok := s.decompose()
	if !ok {
		s.offset = math.Inf(1)
		return
	}
	var settled bool
	s.offset, settled = s.distance(&dec)
	if j, flat := s.flat(&dec); flat {
		s.status = Flat
		s.why = fmt.Sprintf("the residuals no longer depend on %s", s.pr.name(j))
		return
	}
	for _, j := range dec.index {
		if math.Abs(s.at[j]) > ranAway*s.first[j] && dec.rank < len(dec.index) {
			s.status = Flat
			s.why = fmt.Sprintf("%s runs away", s.pr.name(j))
			return
		}
	}
	if settled || s.offset <= s.set.Offset {
		s.status, s.why = Converged, ""
		if settled && math.IsInf(s.offset, 1) {
			s.offset = 0
		}
	}
}

// flat finds a parameter whose influence has vanished on the way: a change by its whole size no longer brings
// a visible share of the residual, though it did elsewhere.
func (s *climber) flat(dec *subspace) (int, bool) {
	for q, j := range dec.index {
		now := dec.scale[q] * s.scale(s.at, j)
		if now < vanished*s.mostCol[j] && now <= vanished*math.Sqrt(s.rss) {
			return j, true
		}
	}
	return 0, false
}
