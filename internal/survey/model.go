package survey

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"fettle/internal/circuit"
	"fettle/internal/device"
	"fettle/internal/fit"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// Coordinates u of the inference: the logarithm of the hidden resistance in ohm (of a filament: of its cold
// resistance), then standard normal numbers: those of the LED, one for every nuisance of the meters, and last what the
// structure has beyond a plain lamp (hypothesis.further).
const (
	uHidden = iota
	uShift  // of the forward voltage
	uSlope
	uOhm // of the LED's series resistance
	uFirst
)

// A bench is the circuit that a datum is read on.
type bench struct{ *wiring.Bare }

// light is the current that gives light; of a filament, the current of an LED that is as easily seen.
func (b bench) light(lamp wiring.LampParams, ambient unit.Kelvin) float64 {
	s := b.Solver
	if lamp.Structure == wiring.FilamentLamp {
		t := float64(lamp.Filament.Temperature(b.Lamp.Across(s), ambient))
		return math.Sqrt(litFrom*darkTo) * math.Exp((t-glowSeen)/glowStep)
	}
	forward, back := b.Lamp.Light(s)
	return float64(forward + back)
}

// A filament is seen to glow from about glowSeen on (the first dull red of any hot body is at 798 K in the dark, by
// day some 100 K more: from memory); glowStep is the step of temperature that counts as much as a factor e in an
// LED's current (common practice, no source).
const glowSeen, glowStep = 950.0, 100.0

// A model predicts the data of one lamp by its circuit. It is for one goroutine.
type model struct {
	e       *evidence
	name    string
	dim     int                        // coordinates of a plain lamp and of the meters
	benches [wiring.Structures][]bench // by structure and datum: each stays warm
	refined bool                       // every class of LED is tried (see standIns)
	fails   int                        // operating points without a solution
	blur    float64                    // factor on every datum's own deviation: 1, more where readings scatter beyond their meters

	base []float64 // scratch
}

func newModel(e *evidence, name string) (*model, error) {
	m := &model{e: e, name: name, dim: uFirst + len(e.nuisance), blur: 1, base: make([]float64, len(e.data))}
	for s := range e.odds() {
		if _, err := m.hook(s); err != nil {
			return nil, err
		}
	}
	return m, nil
}

// dimOf is the number of coordinates of a hypothesis.
func (m *model) dimOf(h *hypothesis) int { return m.dim + h.further() }

// someLamp is any lamp of a structure, to build a bench with.
func someLamp(s wiring.Structure) wiring.LampParams {
	d := device.Diode{IS: 1e-20, N: 2, RS: 10}
	return wiring.LampParams{Structure: s, Series: 1, Parallel: 1, Hidden: 1000, LED: d, Back: d, Leak: 10e3, Diode: device.Diode{IS: 1e-9, N: 2},
		Limit: 5e-3, Dropout: 0.5, Filament: device.Filament{Cold: 30, LitV: 12, LitI: 0.04}}
}

// hook is a bench for a lamp of the structure, meters out of the way.
func (m *model) hook(s wiring.Structure) (bench, error) {
	b, err := wiring.NewBare(m.name, someLamp(s))
	return bench{b}, err
}

// at is the bench that datum k was taken on, for a lamp of the structure.
func (m *model) at(s wiring.Structure, k int) bench {
	if m.benches[s] == nil {
		m.benches[s] = make([]bench, len(m.e.data))
	}
	if m.benches[s][k].Bare == nil {
		b, err := m.hook(s)
		if err != nil {
			panic("survey: " + err.Error()) // newModel built one already
		}
		d := &m.e.data[k]
		b.Hook(unit.Ohm(d.burden), unit.Amp(d.others), unit.Ohm(d.input))
		b.Solver.SetTemperature(d.kelvin)
		if s != wiring.PlainLamp {
			b.Solver.SetStep(1e-4) // currents to 5e-9, far below any meter
		}
		m.benches[s][k] = b
	}
	return m.benches[s][k]
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
		// Nothing conducts at an ohmmeter's few tenths of a volt but the resistor itself, or a filament, which they
		// leave cold.
		if h.structure == wiring.FilamentLamp {
			return float64(lamp.Filament.Cold) * gain, true
		}
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
	if h.structure == wiring.FilamentLamp && len(d.levels) > 1 {
		return m.glow(d, b, lamp, v, gain)
	}
	var mean float64
	for _, l := range d.levels {
		if sol := b.Solve(unit.Volt(v * l.Value)); sol.Status != circuit.Solved {
			m.fails++
			return 0, false
		}
		switch d.what {
		case ofDrop:
			mean += l.Share * float64(b.Drop())
		case ofLook:
			mean += l.Share * b.light(lamp, d.kelvin)
		default:
			mean += l.Share * float64(b.Current())
		}
	}
	if d.what == ofLook {
		return mean, true
	}
	return math.Abs(mean)*gain + d.others, true
}

// glow is what a filament shows on a wave of mean v: it follows the mean of the power, not the wave, so that within a
// period it is a resistance, the one it has at the effective voltage.
func (m *model) glow(d *datum, b bench, lamp wiring.LampParams, v, gain float64) (float64, bool) {
	var square, mean float64
	for _, l := range d.levels {
		square += l.Share * l.Value * l.Value
		mean += l.Share * l.Value
	}
	rms := math.Sqrt(square)
	if sol := b.Solve(unit.Volt(v * rms)); sol.Status != circuit.Solved {
		m.fails++
		return 0, false
	}
	switch d.what {
	case ofDrop:
		return math.Abs(float64(b.Drop())*mean/rms)*gain + d.others, true
	case ofLook:
		return b.light(lamp, d.kelvin), true
	}
	return math.Abs(float64(b.Current())*mean/rms)*gain + d.others, true
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
	rough   float64   // of the first fit, without the normal law's volume
	failed  string
	worst   float64 // largest |resid|/√(1−lever)
	worstAt int

	readings int     // that count
	use      []int   // data that count
	offset   float64 // logarithm of what the readings left out add to the evidence
}

// start is a hand estimate of the lamp.
func (m *model) start(h *hypothesis, active []bool, u []float64) {
	x := u[len(u)-h.further():]
	if h.structure == wiring.FilamentLamp {
		u[uHidden] = h.resistor.mean
		for k := range m.e.data {
			d := &m.e.data[k]
			switch {
			case !active[k]:
			case d.what == ofResistance:
				u[uHidden] = math.Log(d.shown)
				return
			case d.conducts():
				v := math.Abs(d.track)
				u[uHidden] = math.Log(v / (d.shown - d.others) / (h.filament.ratio * math.Pow(v/h.filament.at, 0.45)))
			}
		}
		return
	}
	sum, n := 0.0, 0.0
	v0 := 0.0
	if h.structure != wiring.ShortedLamp {
		v0 = float64(h.s)*h.class.vPivot + boardDrop*float64(h.structure.Drops())
	}
	first, top, least := 0.0, 0.0, math.Inf(1) // first and largest current, and least resistance of the whole lamp
	for k := range m.e.data {
		d := &m.e.data[k]
		if !active[k] {
			continue
		}
		switch {
		case d.what == ofResistance:
			sum, n = math.Log(d.shown), math.Inf(1)
		case d.conducts() && math.IsInf(n, 1):
		case d.conducts():
			if h.structure == wiring.LeakingLamp && math.Abs(d.track)*most(d.levels) < v0 {
				continue // what flows there is the leak's
			}
			if i := d.shown - d.others; h.structure.Limited() && h.above == 0 && i > 0.8*top && top > 0 && n > 0 {
				top = math.Max(top, i)
				continue // on the flat part, or about it
			}
			var mean float64
			for _, l := range d.levels {
				mean += l.Share * math.Max(math.Abs(d.track*l.Value)-v0, 0.05*math.Abs(d.track*l.Value))
			}
			r := mean/(d.shown-d.others) - d.burden
			sum += math.Log(math.Min(math.Max(r, 1), 1e6))
			if n++; n == 1 {
				first = d.shown - d.others
			}
			top = math.Max(top, d.shown-d.others)
		}
		if d.conducts() {
			least = math.Min(least, math.Abs(d.track)/(d.shown-d.others))
		}
	}
	switch {
	case math.IsInf(n, 1):
		u[uHidden] = sum
	case n > 0:
		u[uHidden] = sum / n
	case h.trust >= 0:
		u[uHidden] = h.resistor.mean
	default:
		u[uHidden] = math.Log(1000)
	}
	switch {
	case h.structure.Limited() && h.above == 0 && top > 0:
		x[0] = math.Log(top/limitMiddle) / limitSpread
		if top < 1.15*first { // flat from the first: the resistor must leave the regulator its room there
			u[uHidden] += math.Log(0.4)
		}
	case h.structure == wiring.LeakingLamp:
		r := m.leakSeen(active, v0)
		if math.IsInf(r, 1) {
			r = 10 * least
		}
		leak := math.Max(r-math.Exp(u[uHidden]), 0.2*r)
		if n == 0 { // nothing but the leak was seen
			leak, u[uHidden] = 0.8*r, math.Log(0.2*r)
		}
		x[0] = math.Log(leak/leakMiddle) / leakSpread
	}
}

// leakSeen is the resistance that shows below the knee v0, or with the supply turned round: +Inf where none does.
func (m *model) leakSeen(active []bool, v0 float64) float64 {
	r, at := math.Inf(1), math.Inf(1)
	for k := range m.e.data {
		d := &m.e.data[k]
		if v := math.Abs(d.track); active[k] && d.conducts() && (v < v0 || d.track < 0) && v < at {
			r, at = v/(d.shown-d.others), v
		}
	}
	return r
}

// fitMode finds the most probable point of h for the active data, from the given start or, if that is nil, from a
// hand estimate; where that does not converge, from others too. A hypothesis that does not come to the floor, a
// logarithm of the likelihood with the priors, is given up after a first rough fit.
func (m *model) fitMode(h hypothesis, active []bool, from []float64, floor float64) *mode {
	md := &mode{hypothesis: h, sd: make([]float64, len(m.e.data)), resid: make([]float64, len(m.e.data)), lever: make([]float64, len(m.e.data)), worstAt: -1}
	var use []int
	for k := range m.e.data {
		if active[k] {
			use = append(use, k)
		}
	}
	dim := m.dimOf(&h)
	at := make([]float64, dim)
	if from != nil {
		copy(at, from)
	} else {
		m.start(&h, active, at)
	}
	law := h.resistor
	pr := fit.Problem{N: len(use), KnownSigma: true, Scale: make([]float64, dim), Lower: make([]float64, dim), Upper: make([]float64, dim)}
	pr.Prior = append(pr.Prior, fit.Prior{Param: uHidden, Mean: law.mean, Sigma: law.sigma})
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
			y, ok := m.predict(&h, d, m.at(h.structure, k), lamp, u)
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
	rough := func(res fit.Result) float64 {
		x := -res.RSS / 2
		for _, k := range use {
			x -= math.Log(md.sd[k])
		}
		return x
	}
	if h.structure != wiring.PlainLamp && !math.IsInf(floor, -1) {
		// Most structures are soon seen to be none.
		res := fit.Solve(pr, at, fit.Settings{Offset: 0.1, MaxIterations: 6, Retries: -1})
		if rough(res) < floor-4*hopeless {
			md.failed, md.logZ = "far from the readings", math.Inf(-1)
			return md
		}
		copy(at, res.P)
	}
	res := fit.Solve(pr, at, fit.Settings{Offset: 0.1, MaxIterations: 25, Retries: -1})
	md.rough = rough(res)
	if md.rough < floor {
		md.failed, md.logZ = "far from the readings", math.Inf(-1)
		return md
	}
	if !res.OK() {
		res = fit.Solve(pr, at, fit.Settings{Offset: 0.1, MaxIterations: 60, Retries: 3})
	}
	copy(at, res.P)
	m.deviations(&h, at, use, md.sd)
	last := fit.Settings{Offset: 1e-3, MaxIterations: 25, Retries: -1}
	if h.structure != wiring.PlainLamp && !m.refined {
		last.Offset, last.MaxIterations = 0.05, 10 // to be weighed, not sampled
	}
	res = fit.Solve(pr, at, last)
	copy(at, res.P)
	bad := res.Status == fit.Invalid || res.Status == fit.NotFinite
	if bad || res.Cov == nil {
		md.failed, md.logZ = "the circuit gave no number: "+res.Why, math.Inf(-1)
		return md
	}
	md.u, md.use, md.readings = at, use, len(m.counted(active))
	md.finish(m, pr, use)
	return md
}

// finish takes the normal law at the mode: covariance, leverages, first evidence.
func (md *mode) finish(m *model, pr fit.Problem, use []int) {
	n, mean, sigma := len(md.u), md.resistor.mean, md.resistor.sigma
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
		if y, ok := m.predict(h, &m.e.data[k], m.at(h.structure, k), lamp, u); ok {
			m.base[k] = residual(&m.e.data[k], y, sd[k])
		}
	}
	shift := append([]float64(nil), u...)
	for a := range shift {
		shift[a] = u[a] + step
		moved := lamp
		if m.ofLamp(a) {
			moved = h.lamp(shift)
		}
		for i, k := range use {
			d := &m.e.data[k]
			j.Set(i, a, 0)
			if !m.touches(h, d, a) {
				continue
			}
			if y, ok := m.predict(h, d, m.at(h.structure, k), moved, shift); ok {
				j.Set(i, a, (residual(d, y, sd[k])-m.base[k])/step)
			}
		}
		shift[a] = u[a]
	}
}

// ofLamp reports whether coordinate a is the lamp's and not a meter's.
func (m *model) ofLamp(a int) bool { return a < uFirst || a >= m.dim }

// touches reports whether a datum can depend on coordinate a.
func (m *model) touches(h *hypothesis, d *datum, a int) bool {
	if m.ofLamp(a) {
		return !h.idle(a) && (d.what != ofResistance || a == uHidden)
	}
	a -= uFirst
	return d.gain == a || d.trackGain == a || d.burdenOf == a
}

// deviations fills the standard deviation of every datum at u.
func (m *model) deviations(h *hypothesis, u []float64, use []int, sd []float64) {
	for _, k := range use {
		sd[k] = m.deviation(h, u, &m.e.data[k], m.at(h.structure, k))
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
	law, other := lawError*float64(h.s), 0.0
	switch h.structure {
	case wiring.ShortedLamp:
		law = 0
	case wiring.FilamentLamp:
		law, other = 0, filamentError*y0
	case wiring.DiodeBoard, wiring.BridgeBoard:
		law *= 1 + float64(h.structure.Drops())
	case wiring.LimitedDiodeBoard, wiring.LimitedBridgeBoard:
		law *= 1 + float64(h.structure.Drops())
		other = limitError * y0
	case wiring.LeakingLamp:
		other = leakError * math.Min(y0, math.Abs(d.track)/float64(lamp.Leak))
	}
	own := d.sd
	if other > 0 {
		own = math.Hypot(own, other)
	}
	if d.what == ofDrop {
		return m.blur * math.Sqrt(own*own+perVolt*perVolt*d.trackSD*d.trackSD+(1-perVolt)*(1-perVolt)*law*law)
	}
	return m.blur * math.Hypot(own, perVolt*math.Hypot(d.trackSD, law))
}

// logLikelihood is that of the data the mode counts, up to constants that all hypotheses share.
func (m *model) logLikelihood(md *mode, u []float64) float64 {
	lamp := md.lamp(u)
	var sum float64
	for _, k := range md.use {
		d := &m.e.data[k]
		y, ok := m.predict(&md.hypothesis, d, m.at(md.structure, k), lamp, u)
		if !ok {
			return math.Inf(-1)
		}
		r := residual(d, y, md.sd[k])
		sum += r*r/2 + math.Log(md.sd[k])
	}
	return -sum
}
