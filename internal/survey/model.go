package survey

import (
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/mat"

	"fettle/internal/circuit"
	"fettle/internal/device"
	"fettle/internal/fit"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// Coordinates u of the inference: the logarithm of the hidden resistance in ohm, then standard normal numbers.
const (
	uHidden = iota
	uShift  // of the forward voltage
	uSlope
	uOhm // of the LED's series resistance
	uFirst
)

// A bench is the circuit that a datum is read on.
type bench = *wiring.Bare

// A model predicts the data of one lamp by its circuit. It is for one goroutine.
type model struct {
	e     *evidence
	dim   int
	bench []bench // by datum: each stays warm
	fails int     // operating points without a solution
	blur  float64 // factor on every datum's own deviation: 1, more where readings scatter beyond their meters

	row, base []float64 // scratch
	shift     []float64
}

func newModel(e *evidence, name string) (*model, error) {
	m := &model{e: e, dim: uFirst + len(e.nuisance), blur: 1}
	for k := range e.data {
		b, err := m.hook(&e.data[k], name)
		if err != nil {
			return nil, err
		}
		m.bench = append(m.bench, b)
	}
	m.row, m.base, m.shift = make([]float64, len(e.data)), make([]float64, len(e.data)), make([]float64, m.dim)
	return m, nil
}

func (m *model) hook(d *datum, name string) (bench, error) {
	b, err := wiring.NewBare(name, someLamp(wiring.PlainLamp))
	if err != nil {
		return nil, err
	}
	b.Hook(unit.Ohm(d.burden), unit.Amp(d.others), unit.Ohm(d.input))
	b.Solver.SetTemperature(d.kelvin)
	return b, nil
}

// uniform maps a standard normal number to ±bound evenly.
func uniform(z, bound float64) float64 { return bound * math.Erf(z/math.Sqrt2) }

func (m *model) nuisance(i int, u []float64) float64 {
	if i < 0 {
		return 0
	}
	return uniform(u[uFirst+i], m.e.nuisance[i].bound)
}

// predict is what datum d would show, errors of digits left out, for a lamp and meters in state u. The circuit
// decides; b is the bench the datum was taken on.
func (m *model) predict(h *hypothesis, d *datum, b bench, lamp wiring.LampParams, u []float64) (float64, bool) {
	gain := 1 + m.nuisance(d.gain, u)
	if d.what == ofResistance {
		// Nothing conducts at an ohmmeter's few tenths of a volt but the resistor itself.
		return float64(lamp.Hidden) * gain, true
	}
	if d.burdenOf >= 0 {
		b.Hook(unit.Ohm(d.burden*(1+m.nuisance(d.burdenOf, u))), unit.Amp(d.others), unit.Ohm(d.input))
	}
	b.Lamp.Set(b.Solver, lamp)
	v := d.track / (1 + m.nuisance(d.trackGain, u))
	if h.turned {
		v = -v
	}
	var mean float64
	for _, l := range d.levels {
		if sol := b.Solve(unit.Volt(v * l.Value)); sol.Status != circuit.Solved {
			m.fails++
			return 0, false
		}
		if d.what == ofDrop {
			mean += l.Share * float64(b.Drop())
		} else {
			mean += l.Share * float64(b.Current())
		}
	}
	if d.what == ofLook {
		return math.Max(mean, 0), true
	}
	return math.Abs(mean)*gain + d.others, true
}

// Currents that the eye tells apart in a small LED (common practice, no source): below litFrom nobody sees it lit,
// above darkTo nobody calls it dark. lookSpread is the spread of both, in the logarithm.
const (
	litFrom    = 10e-6
	darkTo     = 200e-6
	lookSpread = 0.7
)

// residual is a datum's deviation in standard deviations.
func residual(d *datum, y, sd float64) float64 {
	if d.what != ofLook {
		return (d.shown - y) / sd
	}
	x := math.Log(math.Max(y, 1e-12))
	if d.lit {
		return math.Min(0, (x-math.Log(litFrom))/lookSpread)
	}
	return math.Max(0, (x-math.Log(darkTo))/lookSpread)
}

// A mode is the most probable point of one hypothesis, with the normal law around it.
type mode struct {
	hypothesis
	u       []float64
	cov     *mat.SymDense
	chol    mat.Cholesky
	sd      []float64 // of every datum: digits, the track's digits, the LED's law
	resid   []float64 // of every datum at u, in sd; 0 where inactive
	lever   []float64 // share of a datum's residual variance that the fit has taken away
	logZ    float64   // evidence: first by the normal law, then by sampling
	failed  string
	worst   float64 // largest |resid|/√(1−lever)
	worstAt int

	readings int     // that count
	use      []int   // data that count
	offset   float64 // logarithm of what the readings left out add to the evidence
}

// start is a hand estimate of ln R.
func (m *model) start(h *hypothesis, active []bool) float64 {
	sum, n := 0.0, 0.0
	v0 := 0.0
	if !h.short {
		v0 = float64(h.s) * h.class.vPivot
	}
	for k := range m.e.data {
		d := &m.e.data[k]
		if !active[k] {
			continue
		}
		switch {
		case d.what == ofResistance:
			return math.Log(d.shown)
		case d.conducts():
			var mean float64
			for _, l := range d.levels {
				mean += l.Share * math.Max(math.Abs(d.track*l.Value)-v0, 0.05*math.Abs(d.track*l.Value))
			}
			r := mean/(d.shown-d.others) - d.burden
			sum += math.Log(math.Min(math.Max(r, 1), 1e6))
			n++
		}
	}
	switch {
	case n > 0:
		return sum / n
	case h.trust >= 0:
		return math.Log(float64(m.e.marks[h.trust].r))
	}
	return math.Log(1000)
}

// weak is the deviation of the even prior of ln R, for the normal approximation alone.
var weak = (logMost - logLeast) / math.Sqrt(12)

// fitMode finds the most probable point of h for the active data, from the given start or, if that is nil, from a
// hand estimate; where that does not converge, from others too. A hypothesis whose evidence cannot reach floor is
// given up after a first rough fit.
func (m *model) fitMode(h hypothesis, active []bool, from []float64, floor float64) *mode {
	md := &mode{hypothesis: h, sd: make([]float64, len(m.e.data)), resid: make([]float64, len(m.e.data)), lever: make([]float64, len(m.e.data)), worstAt: -1}
	var use []int
	for k := range m.e.data {
		if active[k] {
			use = append(use, k)
		}
	}
	at := make([]float64, m.dim)
	if from != nil {
		copy(at, from)
	} else {
		at[uHidden] = m.start(&h, active)
	}
	mean, sigma := math.Log(1000), weak
	if h.trust >= 0 {
		mk := m.e.marks[h.trust]
		mean, sigma = math.Log(float64(mk.r)), mk.tol/math.Sqrt(3)
	}
	pr := fit.Problem{N: len(use), KnownSigma: true, Scale: make([]float64, m.dim), Lower: make([]float64, m.dim), Upper: make([]float64, m.dim)}
	pr.Prior = append(pr.Prior, fit.Prior{Param: uHidden, Mean: mean, Sigma: sigma})
	for j := range pr.Scale {
		pr.Scale[j], pr.Lower[j], pr.Upper[j] = 1, -6, 6
		if j > uHidden {
			pr.Prior = append(pr.Prior, fit.Prior{Param: j, Sigma: 1})
		}
	}
	pr.Lower[uHidden], pr.Upper[uHidden] = 0, math.Log(1e7)
	pr.Residuals = func(u, r []float64) {
		lamp := h.lamp(u)
		for i, k := range use {
			d := &m.e.data[k]
			y, ok := m.predict(&h, d, m.bench[k], lamp, u)
			if !ok {
				r[i] = math.NaN()
				continue
			}
			r[i] = residual(d, y, md.sd[k])
		}
	}
	pr.Jacobian = func(u []float64, j *mat.Dense) { m.jacobian(&h, u, use, md.sd, j) }
	if len(use) == 0 {
		// Only a prior: the fit would have no residual.
		pr.N, pr.Residuals, pr.Jacobian = 1, func(_, r []float64) { r[0] = 0 }, func(_ []float64, j *mat.Dense) { j.Zero() }
	}

	m.deviations(&h, at, use, md.sd)
	res := fit.Solve(pr, at, fit.Settings{Offset: 0.1, MaxIterations: 25, Retries: -1})
	rough := -res.RSS / 2
	for _, k := range use {
		rough -= math.Log(md.sd[k])
	}
	if rough < floor-2*hopeless { // beyond what deviations and the normal law's volume change
		md.failed, md.logZ = "far from the readings", math.Inf(-1)
		return md
	}
	if !res.OK() {
		res = fit.Solve(pr, at, fit.Settings{Offset: 0.1, MaxIterations: 60, Retries: 3})
	}
	copy(at, res.P)
	m.deviations(&h, at, use, md.sd)
	res = fit.Solve(pr, at, fit.Settings{Offset: 1e-3, MaxIterations: 25, Retries: -1})
	copy(at, res.P)
	bad := res.Status == fit.Invalid || res.Status == fit.NotFinite
	if bad || res.Cov == nil {
		md.failed, md.logZ = "the circuit gave no number: "+res.Why, math.Inf(-1)
		return md
	}
	md.u, md.use, md.readings = at, use, len(m.counted(active))
	md.finish(m, pr, use, sigma)
	return md
}

// finish takes the normal law at the mode: covariance, leverages, first evidence.
func (md *mode) finish(m *model, pr fit.Problem, use []int, sigma float64) {
	n := m.dim
	j := mat.NewDense(max(len(use), 1), n, nil)
	if len(use) > 0 {
		pr.Jacobian(md.u, j)
	}
	prec := mat.NewSymDense(n, nil)
	prec.SymOuterK(1, j.T())
	prec.SetSym(uHidden, uHidden, prec.At(uHidden, uHidden)+1/(sigma*sigma))
	for i := 1; i < n; i++ {
		prec.SetSym(i, i, prec.At(i, i)+1)
	}
	var c mat.Cholesky
	md.cov = mat.NewSymDense(n, nil)
	if !c.Factorize(prec) || c.InverseTo(md.cov) != nil || !md.chol.Factorize(md.cov) {
		md.failed, md.logZ = "its normal law is singular", math.Inf(-1)
		return
	}
	r := make([]float64, max(len(use), 1))
	pr.Residuals(md.u, r)
	var sum float64
	for i, k := range use {
		var lever float64
		row := j.RawRowView(i)
		for a := range row {
			for b := range row {
				lever += row[a] * md.cov.At(a, b) * row[b]
			}
		}
		md.resid[k], md.lever[k] = r[i], math.Min(lever, 1)
		sum += r[i]*r[i] + 2*math.Log(md.sd[k])
		// A datum that the fit follows altogether cannot be judged by its residual.
		if s := math.Abs(r[i]) / math.Sqrt(math.Max(1-lever, 0.02)); s > md.worst {
			md.worst, md.worstAt = s, k
		}
	}
	for i := 1; i < n; i++ {
		sum += md.u[i] * md.u[i]
	}
	mean := math.Log(1000)
	if md.trust >= 0 {
		mean = math.Log(float64(m.e.marks[md.trust].r))
	}
	sum += (md.u[uHidden] - mean) * (md.u[uHidden] - mean) / (sigma * sigma)
	md.logZ = -sum/2 + md.chol.LogDet()/2 - math.Log(sigma) + math.Log(md.prior)
	if math.IsNaN(md.logZ) {
		md.logZ = math.Inf(-1)
	}
}

// jacobian fills ∂(residual)/∂u by differences of the circuit; a meter's own gain is a plain factor.
func (m *model) jacobian(h *hypothesis, u []float64, use []int, sd []float64, j *mat.Dense) {
	const step = 1e-3
	lamp := h.lamp(u)
	for _, k := range use {
		m.base[k] = math.NaN()
		if y, ok := m.predict(h, &m.e.data[k], m.bench[k], lamp, u); ok {
			m.base[k] = residual(&m.e.data[k], y, sd[k])
		}
	}
	copy(m.shift, u)
	for a := 0; a < m.dim; a++ {
		m.shift[a] = u[a] + step
		moved := lamp
		if a < uFirst {
			moved = h.lamp(m.shift)
		}
		for i, k := range use {
			d := &m.e.data[k]
			j.Set(i, a, 0)
			if !touches(d, a) {
				continue
			}
			if y, ok := m.predict(h, d, m.bench[k], moved, m.shift); ok {
				j.Set(i, a, (residual(d, y, sd[k])-m.base[k])/step)
			}
		}
		m.shift[a] = u[a]
	}
}

// touches reports whether a datum can depend on coordinate a.
func touches(d *datum, a int) bool {
	if a < uFirst {
		return d.what != ofResistance || a == uHidden
	}
	a -= uFirst
	return d.gain == a || d.trackGain == a || d.burdenOf == a
}

// deviations fills the standard deviation of every datum at u.
func (m *model) deviations(h *hypothesis, u []float64, use []int, sd []float64) {
	for _, k := range use {
		sd[k] = m.deviation(h, u, &m.e.data[k], m.bench[k])
	}
}

// deviation is the standard deviation of a datum's own errors at u: its digits, those of the track voltage, and
// what the law of the LED may be off.
func (m *model) deviation(h *hypothesis, u []float64, d *datum, b bench) float64 {
	const step = 1e-3 // V
	if d.what == ofLook {
		return d.sd
	}
	if d.what == ofResistance {
		return m.blur * d.sd
	}
	lamp := h.lamp(u)
	y0, ok0 := m.predict(h, d, b, lamp, u)
	further := *d
	further.track += math.Copysign(step, d.track)
	y1, ok1 := m.predict(h, &further, b, lamp, u)
	if !ok0 || !ok1 {
		return m.blur * d.sd
	}
	perVolt := (y1 - y0) / step
	law := lawError * float64(h.s)
	if h.short {
		law = 0
	}
	if d.what == ofDrop {
		return m.blur * math.Sqrt(d.sd*d.sd+perVolt*perVolt*d.trackSD*d.trackSD+(1-perVolt)*(1-perVolt)*law*law)
	}
	return m.blur * math.Hypot(d.sd, perVolt*math.Hypot(d.trackSD, law))
}

// logLikelihood is that of the data the mode counts, up to constants that all hypotheses share.
func (m *model) logLikelihood(md *mode, u []float64) float64 {
	lamp := md.lamp(u)
	var sum float64
	for _, k := range md.use {
		d := &m.e.data[k]
		y, ok := m.predict(&md.hypothesis, d, m.bench[k], lamp, u)
		if !ok {
			return math.Inf(-1)
		}
		r := residual(d, y, md.sd[k])
		sum += r*r/2 + math.Log(md.sd[k])
	}
	return -sum
}

// hopeless is the logarithm of the odds beyond which a hypothesis is not followed.
const hopeless = 14

// fitAll fits what the active data leave possible, most probable first; what is hopeless is left out. Strings side
// by side, which look like one, wait for widen.
func (m *model) fitAll(hs []hypothesis, active []bool) []*mode {
	var out []*mode
	best := math.Inf(-1)
	for _, h := range hs {
		if h.beside || !h.short && !m.possible(&h, active) {
			continue
		}
		md := m.fitMode(h, active, nil, best)
		best = math.Max(best, md.logZ)
		out = append(out, md)
	}
	return ranked(out)
}

// widen adds to what fitAll left the same lamps with several strings side by side.
func (m *model) widen(hs []hypothesis, modes []*mode, active []bool) []*mode {
	out := modes
	for _, md := range modes {
		for _, h := range hs {
			if h.beside && !md.short && h.class == md.class && h.s == md.s && h.trust == md.trust {
				out = append(out, m.fitMode(h, active, md.u, math.Inf(-1)))
			}
		}
	}
	return ranked(out)
}

// ranked sorts modes by evidence and drops the hopeless.
func ranked(out []*mode) []*mode {
	sort.SliceStable(out, func(i, k int) bool { return out[i].logZ > out[k].logZ })
	n := 0
	for n < len(out) && out[n].logZ > out[0].logZ-hopeless {
		n++
	}
	return out[:n]
}

// possible is a coarse sieve before a hypothesis is fitted: current needs a voltage beyond the least that the
// junctions take, and a drop must be near theirs.
func (m *model) possible(h *hypothesis, active []bool) bool {
	low := h.class.vPivot - 4*h.class.sdLow - 0.5
	high := h.class.vPivot + 4*h.class.sdHigh + 0.6
	for k := range m.e.data {
		d := &m.e.data[k]
		if !active[k] {
			continue
		}
		peak := 0.0
		for _, l := range d.levels {
			v := d.track * l.Value
			if h.turned {
				v = -v
			}
			peak = math.Max(peak, v)
		}
		switch {
		case d.conducts() && peak < float64(h.s)*low:
			return false
		case d.what == ofDrop && len(d.levels) == 1 && peak > 0 && d.shown > float64(h.s)*high:
			return false
		}
	}
	return true
}

func (h *hypothesis) String() string {
	if h.short {
		return "shorted LED"
	}
	s := fmt.Sprintf("%s, %d in series", h.class.name, h.s)
	if h.p > 1 {
		s += fmt.Sprintf(", %d side by side", h.p)
	}
	return s
}

// someLamp is any lamp of a structure, to build a bench with.
func someLamp(s wiring.Structure) wiring.LampParams {
	d := device.Diode{IS: 1e-20, N: 2, RS: 10}
	return wiring.LampParams{Structure: s, Series: 1, Parallel: 1, Hidden: 1000, LED: d, Back: d, Leak: 10e3, Diode: device.Diode{IS: 1e-9, N: 2, RS: 1},
		Limit: 5e-3, Dropout: 0.5, Filament: device.Filament{Cold: 30, LitV: 12, LitI: 0.04}}
}
