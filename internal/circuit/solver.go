package circuit

import (
	"math"

	"fettle/internal/device"
	"fettle/internal/pin"
	"fettle/internal/unit"
)

// Tolerances of a solution.
const (
	// TolAmp is the unbalanced current allowed at a node: a picoampere is a millionth of what an LED shows.
	TolAmp = unit.Amp(1e-12)
	// TolShare is the unbalance allowed as a share of the largest current in the circuit: what rounding
	// leaves when amperes and picoamperes meet in one node.
	TolShare = 1e-11
	// TolVolt is the error allowed in a regulator's own law.
	TolVolt = unit.Volt(1e-9)
	// StepTolerance bounds the last step of every conducting junction, in units of N·Vt. The current's error
	// after such a step is half its square, 5e-13.
	StepTolerance = 1e-6
	// blockedShare (1/V) makes that same tolerance a millivolt for a blocked junction: looser than the noise
	// that rounding leaves on nodes that hang on leakage, tight enough not to be taken in by a flat law.
	blockedShare = 1e-3
	// NodeStep bounds the last step of every node. Where nothing but leakage holds a node, currents balance to
	// TolAmp over hundreds of volts; the node is found when it no longer moves. A tenth of a millivolt stands
	// above what rounding leaves between megohms and milliohms, and below anything that matters.
	NodeStep = unit.Volt(1e-4)
)

const (
	mostIterations    = 60 // of plain Newton; typical circuits take 5 to 12
	stageIterations   = 40 // of one stage of a continuation
	mostStages        = 60
	boundedIterations = 20
)

// Status is how a solution came out.
type Status uint8

const (
	Solved   Status = iota
	Stalled         // steps are small, but currents do not balance within tolerance
	Singular        // the equations determine no solution: some node hangs on nothing that conducts
	Limit           // no agreement within the iterations allowed
	Runaway         // voltages beyond any bound: a current source with nowhere to go
	Refused         // a value set is not a number or has no meaning; Why tells
)

var statusWords = [...]string{"solved", "stalled", "singular", "no agreement", "runaway", "refused"}

func (s Status) String() string { return statusWords[s] }

// A Solution says how far the voltages and currents may be trusted.
type Solution struct {
	Status       Status
	Residual     unit.Amp // largest unbalanced current, measured at the solution
	Iterations   int      // linear systems solved, continuation included
	Continuation bool     // plain iteration failed, a continuation found it
	// Condition is the ratio of the largest to the smallest pivot (rough: it tells a stiff circuit from a
	// singular one, no more).
	Condition float64
}

// A Solver solves one circuit again and again with changed values. It is not safe for concurrent use; Clone
// gives another goroutine its own.
type Solver struct {
	c    *Circuit
	tree []branch
	used []bool
	at   []int32 // by element: its place among its kind, −1 if it has none

	res []resistorK
	cur []currentK
	dio []diodeK
	bjt []bjtK
	reg []regulatorK
	pin []pinK
	fil []filamentK
	mos []mosfetK

	n, linear          int // unknowns; of these, eliminated ahead because they touch linear elements only
	branchAt, branches int // rows that are regulators' laws, in volts
	nnz, tail          int // matrix entries; the first that changes within an iteration
	pivots             []pivot
	rows               []lowerRow
	targets, columns   []int32

	unknown   []int32 // by point; n: none
	free      []int32 // points with an unknown
	v, offset []float64
	bound     float64 // beyond what the voltage sources can do
	x, b, inv []float64
	least     []float64 // by pivot: what it must exceed
	anchor    []float64 // ground, or where a settling circuit stood before
	lu, base  []float64

	stale, moved, sourced bool // device values, conductances, source values changed since the last solution
	bad                   []bool
	nbad                  int
	why                   string
	lost                  bool    // the last solution failed: no place to start from
	reach                 float64 // largest last step of an unknown
	near                  float64 // StepTolerance, or what SetStep asks for

	ctx     context
	wide    []float64 // dense matrix of the fallback
	beyond  []bool    // scratch of supplied
	pending bool      // a new layout waits for sound values
}

// context is what all stamps of one iteration share. Static: charges do not flow (dq/dt = 0).
type context struct {
	shunt float64 // S, from every node to its potential in anchor: continuation
	scale float64 // of all sources: continuation
	dense bool    // factor with partial pivoting
	fresh bool    // linearise at the stored junction voltages, not at those of the nodes
	exact bool    // linearise at those of the nodes, however far the step
	bound float64 // beyond which no unknown is moved
	last  bool    // balance is enough, even while a blocked junction still moves
}

// Reset forgets the last solution: the next starts cold.
func (s *Solver) Reset() {
	clear(s.x)
	for k := range s.dio {
		s.dio[k].u = coldVoltage(&s.dio[k].j)
	}
	for k := range s.bjt {
		s.bjt[k].u1, s.bjt[k].u2 = coldVoltage(&s.bjt[k].law.BE), 0
	}
	for k := range s.reg {
		r := &s.reg[k]
		r.vout = float64(r.law.Vout)
		r.vin = r.vout + float64(r.law.Dropout) + 1
		r.i = coldLoad
		s.x[r.branch] = r.i
	}
	for k := range s.fil {
		s.fil[k].v = 0
	}
	for k := range s.mos {
		q := &s.mos[k]
		if q.law.NVt == 0 {
			q.u1, q.u2 = math.Inf(1), math.Inf(1) // set replaces it by the threshold
		} else {
			q.u1, q.u2 = q.law.VT, q.law.VT
		}
	}
}

// coldVoltage is where a junction is first linearised: the critical voltage, or a mark that refresh replaces
// by it when the junction's values are not yet known.
func coldVoltage(j *device.Junction) float64 {
	if j.NVt == 0 {
		return math.Inf(1)
	}
	return j.VCrit
}

// coldLoad is the load (A) a regulator is first linearised at: what a small chip draws.
const coldLoad = 5e-3

// refresh brings changed values into the form the iteration uses.
func (s *Solver) refresh() {
	if s.stale {
		s.stale = false
		for k := range s.pin {
			p := &s.pin[k]
			if !p.stale {
				continue
			}
			p.stale = false
			e := &s.c.elements[p.elem]
			s.res[p.high].g, s.res[p.low].g = e.Pin.Conductances(e.Level == pin.High, e.Level == pin.Low)
			p.at = math.NaN()
			p.open, p.up = e.Level != pin.High && e.Level != pin.Low, e.Level == pin.High
			s.moved = true
			for _, k := range [2]int32{p.clampHigh, p.clampLow} {
				if k >= 0 {
					d := &s.dio[k]
					s.setBehind(d.rs, e.Pin.Clamp.RS)
					d.set(e.Pin.Clamp.At(e.T))
				}
			}
		}
		for k := range s.mos {
			q := &s.mos[k]
			if !q.stale {
				continue
			}
			e := &s.c.elements[q.elem]
			q.set(e.MOSFET.At(e.T))
			if q.rd >= 0 {
				s.setBehind(q.rd, e.MOSFET.Resistance(e.T))
				s.moved = true
			}
			if q.body >= 0 {
				d := &s.dio[q.body]
				s.setBehind(d.rs, e.MOSFET.Body.RS)
				d.set(e.MOSFET.Body.At(e.T))
				s.moved = true
			}
		}
		for k := range s.dio {
			if d := &s.dio[k]; d.stale {
				e := &s.c.elements[d.elem]
				d.set(e.Diode.At(e.T))
			}
		}
		for k := range s.bjt {
			if q := &s.bjt[k]; q.stale {
				e := &s.c.elements[q.elem]
				q.set(e.BJT.At(e.T))
			}
		}
		for k := range s.fil {
			if f := &s.fil[k]; f.stale {
				e := &s.c.elements[f.elem]
				f.law, f.stale = e.Filament.At(e.T), false
			}
		}
	}
	if s.sourced {
		s.sourced = false
		s.sources()
	}
	if s.moved {
		s.moved = false
		s.assembleLinear()
	}
}

// sources gives every node its offset within its group.
func (s *Solver) sources() {
	for _, b := range s.tree {
		s.offset[b.node] = s.offset[b.parent] + b.sign*s.ctx.scale*float64(s.c.elements[b.elem].Volt)
	}
	copy(s.v, s.offset)
	s.spread()
	sum := 0.0
	for _, b := range s.tree {
		sum += math.Abs(float64(s.c.elements[b.elem].Volt))
	}
	s.bound = 5*sum + 100
}

// carry moves a junction voltage from old to new parameters at unchanged current: the best start when the
// temperature or the part changes.
func carry(u float64, from, to *device.Junction) float64 {
	switch {
	case math.IsInf(u, 1) || from.NVt == 0:
		return to.VCrit
	case u <= 0:
		return u
	}
	return max(0, to.NVt*(u/from.NVt+from.LnIS-to.LnIS))
}

func (d *diodeK) set(j device.Junction) {
	d.u = carry(d.u, &d.j, &j)
	d.j, d.invNVt, d.invIS, d.stale = j, 1/j.NVt, invert(j.IS), false
}

func (q *bjtK) set(p device.Transport) {
	q.u1 = carry(q.u1, &q.law.BE, &p.BE)
	if q.u2 > 0 {
		q.u2 = carry(q.u2, &q.law.BC, &p.BC)
	}
	q.law, q.invNVt, q.invIS, q.stale = p, 1/p.BE.NVt, invert(p.BE.IS), false
}

// set keeps the overdrive: the best start when the temperature or the part changes.
func (q *mosfetK) set(c device.Channel) {
	if math.IsInf(q.u1, 1) {
		q.u1, q.u2 = c.VT, c.VT
	} else {
		q.u1 += c.VT - q.law.VT
		q.u2 += c.VT - q.law.VT
	}
	q.law, q.stale = c, false
}

func invert(x float64) float64 {
	if x > 0 {
		return min(1/x, math.MaxFloat64)
	}
	return 0
}

// assembleLinear fills the share of the matrix that does not change within an iteration and eliminates the
// nodes that touch nothing else.
func (s *Solver) assembleLinear() {
	a := s.base
	clear(a)
	for k := range s.res {
		r := &s.res[k]
		a[r.aa] += r.g
		a[r.ab] -= r.g
		a[r.ba] -= r.g
		a[r.bb] += r.g
	}
	if s.ctx.shunt > 0 {
		for k := range s.pivots {
			if k < s.branchAt || k >= s.branchAt+s.branches {
				a[s.pivots[k].diag] += s.ctx.shunt
			}
		}
	}
	if !s.ctx.dense {
		s.remember(a, 0, s.linear)
		s.eliminate(a, 0, s.linear)
		copy(s.lu, a)
	}
}

// remember keeps what the diagonal was before elimination.
func (s *Solver) remember(a []float64, from, to int) {
	for k := from; k < to; k++ {
		s.least[k] = lostDigits * math.Abs(a[s.pivots[k].diag])
	}
}

// lostDigits is the share of its diagonal at which a pivot consists of rounding only. A group of nodes that
// hangs on junction leakage alone ends there: its common voltage is not determined by any current that
// could be told from rounding. Such a pivot is held at that share, so that the group stays where it is as
// long as nothing moves it; the balance of currents is not touched by that.
const lostDigits = 0x1p-47

// eliminate factors pivots from..to−1 in place; false if a node has no conductance at all.
func (s *Solver) eliminate(a []float64, from, to int) bool {
	ok := true
	for k := from; k < to; k++ {
		p := &s.pivots[k]
		d := a[p.diag]
		if !(math.Abs(d) > s.least[k]) {
			if d = s.least[k]; !(d > 0) {
				ok = false
				d = 1
			}
		}
		inv := 1 / d
		s.inv[k] = inv
		u := a[p.upper : p.upper+p.width]
		for i := p.rowFrom; i < p.rowTo; i++ {
			r := &s.rows[i]
			f := a[r.at]
			if f == 0 {
				continue
			}
			f *= inv
			a[r.at] = f
			t := s.targets[r.target : int(r.target)+len(u)]
			for j, w := range u {
				a[t[j]] -= f * w
			}
		}
	}
	return ok
}

// substitute solves with the factors: b becomes the step.
func (s *Solver) substitute(a, b []float64) {
	for k := range s.pivots {
		p := &s.pivots[k]
		bk := b[k]
		if bk == 0 {
			continue
		}
		for i := p.rowFrom; i < p.rowTo; i++ {
			r := &s.rows[i]
			b[r.row] -= a[r.at] * bk
		}
	}
	for k := s.n - 1; k >= 0; k-- {
		p := &s.pivots[k]
		t := b[k]
		u := a[p.upper : p.upper+p.width]
		c := s.columns[p.column : int(p.column)+len(u)]
		for j, w := range u {
			t -= w * b[c[j]]
		}
		b[k] = t * s.inv[k]
	}
}

// stamp evaluates every element at the present voltages: the matrix of derivatives, and in b the current
// that is missing at every node. It reports whether a junction was limited and the largest junction step.
func (s *Solver) stamp() (limited bool, step float64) {
	a, b, v := s.lu, s.b, s.v
	if s.ctx.dense {
		copy(a, s.base)
	} else {
		copy(a[s.tail:], s.base[s.tail:])
	}
	clear(b)
	for k := range s.res {
		r := &s.res[k]
		i := r.g * (v[r.a] - v[r.b])
		b[r.ra] -= i
		b[r.rb] += i
	}
	for k := range s.cur {
		c := &s.cur[k]
		i := c.i * s.ctx.scale
		b[c.rf] -= i
		b[c.rt] += i
	}
	if s.ctx.shunt > 0 {
		for k, x := range s.x {
			if k < s.branchAt || k >= s.branchAt+s.branches {
				b[k] -= s.ctx.shunt * (x - s.anchor[k])
			}
		}
	}
	fresh, exact := s.ctx.fresh, s.ctx.exact
	for k := range s.dio {
		d := &s.dio[k]
		w := v[d.a] - v[d.k]
		var lim bool
		if !fresh {
			var u float64
			if u = w; !d.fixed && !exact {
				u, lim = d.j.Limit(w, d.u)
			}
			du := math.Abs(u - d.u)
			d.u = u
			i, g, bend := d.j.Current(u)
			step = max(step, du*(min(d.invNVt, bend*d.invIS)+blockedShare))
			d.i = i
			limited = limited || lim
			if lim {
				i += g * (w - u)
			}
			b[d.ra] -= i
			b[d.rk] += i
			a[d.aa] += g
			a[d.ak] -= g
			a[d.ka] -= g
			a[d.kk] += g
			continue
		}
		i, g, _ := d.j.Current(d.u)
		d.i = i
		i += g * (w - d.u)
		b[d.ra] -= i
		b[d.rk] += i
		a[d.aa] += g
		a[d.ak] -= g
		a[d.ka] -= g
		a[d.kk] += g
	}
	for k := range s.bjt {
		q := &s.bjt[k]
		w1 := q.law.Sign * (v[q.b] - v[q.e])
		w2 := q.law.Sign * (v[q.b] - v[q.c])
		d1, d2 := math.Inf(1), math.Inf(1)
		if !fresh {
			u1, u2, lim1, lim2 := w1, w2, false, false
			if !q.fixedBE && !exact {
				u1, lim1 = q.law.BE.Limit(w1, q.u1)
			}
			if !q.fixedBC && !exact {
				u2, lim2 = q.law.BC.Limit(w2, q.u2)
			}
			d1, d2 = math.Abs(u1-q.u1), math.Abs(u2-q.u2)
			q.u1, q.u2 = u1, u2
			limited = limited || lim1 || lim2
		}
		p := &q.at
		q.law.Eval(q.u1, q.u2, p)
		step = max(step, d1*(min(q.invNVt, p.BendBE*q.invIS)+blockedShare), d2*(min(q.invNVt, p.BendBC*q.invIS)+blockedShare))
		w1 -= q.u1
		w2 -= q.u2
		ic := q.law.Sign * (p.IC + p.IC1*w1 + p.IC2*w2)
		ib := q.law.Sign * (p.IB + p.IB1*w1 + p.IB2*w2)
		b[q.row[0]] -= ic
		b[q.row[1]] -= ib
		b[q.row[2]] += ic + ib
		// Columns collector, base, emitter: u1 = b − e, u2 = b − c.
		cb, bb := p.IC1+p.IC2, p.IB1+p.IB2
		a[q.m[0][0]] -= p.IC2
		a[q.m[0][1]] += cb
		a[q.m[0][2]] -= p.IC1
		a[q.m[1][0]] -= p.IB2
		a[q.m[1][1]] += bb
		a[q.m[1][2]] -= p.IB1
		a[q.m[2][0]] += p.IC2 + p.IB2
		a[q.m[2][1]] -= cb + bb
		a[q.m[2][2]] += p.IC1 + p.IB1
	}
	for k := range s.reg {
		r := &s.reg[k]
		win, wout, wi := v[r.in]-v[r.gnd], v[r.out]-v[r.gnd], s.x[r.branch]
		if !fresh {
			var lim bool
			vin, i := win, wi
			if !exact {
				vin, i, lim = r.law.Bound(win, r.vin, wi, r.i)
			}
			r.vin, r.vout, r.i = vin, wout, i
			limited = limited || lim
		}
		p := &r.at
		r.law.Eval(r.vin, r.vout, r.i, p)
		b[r.branch] -= p.F + p.Fin*(win-r.vin) + p.Fout*(wout-r.vout) + p.Fi*(wi-r.i)
		iq := p.IQ + p.GQ*(win-r.vin) + p.QI*(wi-r.i)
		b[r.row[0]] -= wi + iq
		b[r.row[1]] += wi
		b[r.row[2]] += iq
		a[r.ofBranch[0]] += p.Fin
		a[r.ofBranch[1]] += p.Fout
		a[r.ofBranch[2]] -= p.Fin + p.Fout
		a[r.bb] += p.Fi
		a[r.byBranch[0]] += 1 + p.QI
		a[r.byBranch[1]]--
		a[r.byBranch[2]] -= p.QI
		a[r.m[0][0]] += p.GQ
		a[r.m[0][2]] -= p.GQ
		a[r.m[2][0]] -= p.GQ
		a[r.m[2][2]] += p.GQ
	}
	for k := range s.mos {
		q := &s.mos[k]
		w1 := q.law.Sign * (v[q.g] - v[q.s])
		w2 := q.law.Sign * (v[q.g] - v[q.d])
		d1, d2 := math.Inf(1), math.Inf(1)
		if !fresh {
			u1, u2, lim1, lim2 := w1, w2, false, false
			if !q.fixedGS && !exact {
				u1, lim1 = q.law.Limit(w1, q.u1)
			}
			if !q.fixedGD && !exact {
				u2, lim2 = q.law.Limit(w2, q.u2)
			}
			d1, d2 = math.Abs(u1-q.u1), math.Abs(u2-q.u2)
			q.u1, q.u2 = u1, u2
			limited = limited || lim1 || lim2
		}
		p := &q.at
		q.law.Eval(q.u1, q.u2, p)
		step = max(step, d1*(p.Bend1+blockedShare), d2*(p.Bend2+blockedShare))
		id := q.law.Sign * (p.ID + p.ID1*(w1-q.u1) + p.ID2*(w2-q.u2))
		b[q.row[0]] -= id
		b[q.row[2]] += id
		// Columns drain, gate, source: u1 = g − s, u2 = g − d. The gate's own row stays empty.
		g := p.ID1 + p.ID2
		a[q.m[0][0]] -= p.ID2
		a[q.m[0][1]] += g
		a[q.m[0][2]] -= p.ID1
		a[q.m[2][0]] += p.ID2
		a[q.m[2][1]] -= g
		a[q.m[2][2]] += p.ID1
	}
	for k := range s.fil {
		f := &s.fil[k]
		w := v[f.a] - v[f.b]
		if !fresh {
			var lim bool
			was := f.v
			if f.v = w; !exact {
				f.v, lim = f.law.Bound(w, was)
			}
			limited = limited || lim
		}
		f.i, f.g = f.law.Current(f.v)
		i := f.i + f.g*(w-f.v)
		b[f.ra] -= i
		b[f.rb] += i
		a[f.aa] += f.g
		a[f.ab] -= f.g
		a[f.ba] -= f.g
		a[f.bb] += f.g
	}
	for k := range s.pin {
		p := &s.pin[k]
		p.leakage, p.drive = 0, 0
		if p.follows && !p.open {
			s.drive(p)
			continue
		}
		if !p.leaks || !p.open {
			continue
		}
		// The leakage flattens to either side of none: a step across that stops there, as with a filament.
		law, vp, vcc := &s.c.elements[p.elem].Pin, v[p.p]-v[p.gnd], v[p.vcc]-v[p.gnd]
		w, used, was := law.LeakVoltage(vp, vcc), 0.0, p.w
		if used = w; !fresh && !exact && (w < 0 && was > 0 || w > 0 && was < 0) {
			used, limited = 0, true
		}
		p.w = used
		if law.Leak >= 0 {
			vp = vcc - used
		} else {
			vp = used
		}
		i, gp, gv := law.Leakage(vp, vcc)
		i += math.Abs(gp) * math.Copysign(1, float64(law.Leak)) * (w - used)
		// Out of the pin: from the supply if positive, from ground if negative.
		from := 1
		if i < 0 {
			from = 2
		}
		p.leakage = i
		b[p.row[0]] += i
		b[p.row[from]] -= i
		col := [3]float64{gp, gv, -gp - gv}
		for j, g := range col {
			a[p.m[0][j]] -= g
			a[p.m[from][j]] += g
		}
	}
	return limited, step
}

// drive stamps a driven pin whose resistance follows the supply.
func (s *Solver) drive(p *pinK) {
	a, b, v := s.lu, s.b, s.v
	rail, to := 2, v[p.gnd]
	if p.up {
		rail, to = 1, v[p.vcc]
	}
	vcc := v[p.vcc] - v[p.gnd]
	// A supply that hardly moves leaves the law on its tangent: off by the square of this share.
	const near = 1e-7
	if !(math.Abs(vcc-p.at) <= near*p.at) {
		p.at = vcc
		p.g, p.dg = s.c.elements[p.elem].Pin.Drive(p.up, vcc)
	}
	dg := p.dg
	g := p.g + dg*(vcc-p.at)
	w := v[p.p] - to
	p.drive = g * w // from the pin into the rail
	b[p.row[0]] -= p.drive
	b[p.row[rail]] += p.drive
	col := [3]float64{g, dg * w, -dg * w}
	col[rail] -= g
	for j, g := range col {
		a[p.m[0][j]] += g
		a[p.m[rail][j]] -= g
	}
}

// unbalance is the largest current missing at a node, and the largest error of a regulator's law.
func (s *Solver) unbalance() (amp, volt float64) {
	for k, r := range s.b[:s.n] {
		r = math.Abs(r)
		if k >= s.branchAt && k < s.branchAt+s.branches {
			volt = max(volt, r)
		} else {
			amp = max(amp, r)
		}
	}
	return amp, volt
}

// largestCurrent is the largest current in any element.
func (s *Solver) largestCurrent() float64 {
	m := 0.0
	for k := range s.res {
		r := &s.res[k]
		m = max(m, math.Abs(r.g*(s.v[r.a]-s.v[r.b])))
	}
	for k := range s.cur {
		m = max(m, math.Abs(s.cur[k].i))
	}
	for k := range s.dio {
		m = max(m, math.Abs(s.dio[k].i))
	}
	for k := range s.bjt {
		m = max(m, math.Abs(s.bjt[k].at.IC), math.Abs(s.bjt[k].at.IB))
	}
	for k := range s.fil {
		m = max(m, math.Abs(s.fil[k].i))
	}
	for k := range s.mos {
		m = max(m, math.Abs(s.mos[k].at.ID))
	}
	return m
}

// rounding is the current that the last digits of the node voltages leave in the stiffest part.
func (s *Solver) rounding() float64 {
	g, v := 0.0, 0.0
	for k := range s.res {
		g = max(g, s.res[k].g)
	}
	for k := range s.dio {
		g = max(g, math.Abs(s.dio[k].i)*s.dio[k].invNVt)
	}
	for k := range s.bjt {
		g = max(g, s.bjt[k].at.BendBE+s.bjt[k].at.BendBC)
	}
	for k := range s.fil {
		g = max(g, s.fil[k].g)
	}
	for k := range s.mos {
		g = max(g, s.mos[k].at.ID1, -s.mos[k].at.ID2)
	}
	for _, x := range s.v {
		v = max(v, math.Abs(x))
	}
	return g * v * 0x1p-50
}

// balanced tells whether what stamp measured is within tolerance.
func (s *Solver) balanced() (amp float64, ok bool) {
	amp, volt := s.unbalance()
	if !(volt <= float64(TolVolt)) {
		return amp, false
	}
	return amp, amp <= float64(TolAmp) || amp <= float64(TolAmp)+max(TolShare, s.near*s.near)*s.largestCurrent()+s.rounding()
}

// step solves the linearised equations and moves the nodes; false if the matrix is singular.
func (s *Solver) step() bool {
	if s.ctx.dense {
		if !s.solveDense() {
			return false
		}
	} else {
		s.remember(s.lu, s.linear, s.n)
		ok := s.eliminate(s.lu, s.linear, s.n)
		s.substitute(s.lu, s.b)
		if !ok {
			return false
		}
	}
	// One sum finds any number that is not finite.
	sum, top := 0.0, s.ctx.bound
	reach := 0.0
	for k, dx := range s.b[:s.n] {
		if dx > reach || -dx > reach {
			reach = math.Abs(dx)
		}
		x := s.x[k] + dx
		sum += x
		s.x[k] = max(-top, min(top, x))
	}
	s.reach = reach
	s.spread()
	return sum-sum == 0
}

// spread gives the nodes the potentials of their groups.
func (s *Solver) spread() {
	for _, p := range s.free {
		s.v[p] = s.offset[p] + s.x[s.unknown[p]]
	}
}

// runawayVolt is beyond anything a circuit of this project can hold.
const runawayVolt = 1e6

// newton iterates from the stored junction voltages.
func (s *Solver) newton(most int, sol *Solution) Status {
	s.spread()
	s.ctx.fresh = true
	still := false // the last step was small
	for it := 0; ; it++ {
		limited, step := s.stamp()
		still = !limited && step <= s.near && s.reach <= float64(NodeStep)
		if still && !s.ctx.fresh {
			amp, ok := s.balanced()
			sol.Residual = unit.Amp(amp)
			if ok {
				return Solved
			}
		}
		if it == most {
			break
		}
		s.ctx.fresh = false
		// At first a flat law's promise of kilovolts is not believed; a current source may mean it.
		if s.ctx.bound = s.bound; it >= boundedIterations {
			s.ctx.bound = math.Inf(1)
		}
		sol.Iterations++
		if !s.step() {
			return Singular
		}
	}
	if s.reach > float64(NodeStep) {
		if !(s.highest() <= runawayVolt) {
			return Runaway
		}
		return Limit
	}
	// Small residual is success, even if junction steps are not: take every junction where its nodes are.
	s.ctx.exact = true
	s.stamp()
	s.ctx.exact = false
	amp, ok := s.balanced()
	sol.Residual = unit.Amp(amp)
	if ok {
		return Solved
	}
	if !(s.highest() <= runawayVolt) {
		return Runaway
	}
	if still {
		return Stalled
	}
	return Limit
}

// highest is the largest magnitude among the unknowns.
func (s *Solver) highest() float64 {
	m := 0.0
	for _, x := range s.x {
		m = max(m, math.Abs(x))
	}
	return m
}

// Solve finds the operating point, starting from the last one.
func (s *Solver) Solve() Solution {
	var sol Solution
	if s.pending && s.nbad == 0 {
		s.relayout()
	}
	if s.nbad > 0 {
		sol.Status = Refused
		sol.Residual = unit.Amp(math.Inf(1))
		return sol
	}
	if s.lost {
		s.lost = false
		s.Reset()
	}
	s.why = ""
	s.ctx.scale = 1
	s.refresh()
	if sol.Status = s.newton(mostIterations, &sol); sol.Status != Solved {
		s.recover(&sol)
	}
	if sol.Status == Solved {
		sol.Condition = s.condition()
	}
	if sol.Status == Solved && s.highest() > runawayVolt {
		sol.Status = Runaway
	}
	if e, i := s.unlimited(); i > absurdAmp {
		sol.Status = Runaway
		s.why = "nothing limits the current through " + s.c.elements[e].words()
	} else if sol.Status != Solved {
		s.why = s.explain(sol.Status)
	}
	s.lost = sol.Status != Solved
	return sol
}

// absurdAmp is a current that only an idealised part straight across an ideal supply draws.
const absurdAmp = 1e6

// unlimited is the device that draws most, with its current; ohmic parts set their own limit.
func (s *Solver) unlimited() (e Elem, i float64) {
	for k := range s.dio {
		if x := math.Abs(s.dio[k].i); x > i {
			e, i = s.dio[k].elem, x
		}
	}
	for k := range s.bjt {
		if x := max(math.Abs(s.bjt[k].at.IC), math.Abs(s.bjt[k].at.IB)); x > i {
			e, i = s.bjt[k].elem, x
		}
	}
	for k := range s.mos {
		if x := math.Abs(s.mos[k].at.ID); x > i {
			e, i = s.mos[k].elem, x
		}
	}
	return e, i
}

// explain puts a failure into words, with the node where it is worst.
func (s *Solver) explain(st Status) string {
	worst, most := Ground, -1.0
	for n := range s.c.nodes {
		k := s.unknown[n]
		if int(k) == s.n {
			continue
		}
		x := 0.0
		switch st {
		case Runaway:
			x = math.Abs(s.x[k])
		case Singular:
			x = math.Abs(s.inv[k])
		default:
			x = math.Abs(s.b[k])
		}
		if x > most || math.IsNaN(x) {
			worst, most = Node(n), x
		}
	}
	var touching []Elem
	for i := range s.c.elements {
		for _, n := range s.c.elements[i].Nodes {
			if n == worst && !s.c.elements[i].Removed {
				touching = append(touching, Elem(i))
				break
			}
		}
	}
	at := s.c.where(worst) + " (" + s.c.list(touching) + ")"
	switch st {
	case Runaway:
		return "no voltage at " + at + " lets the currents there balance"
	case Singular:
		return "nothing determines the voltage at " + at
	}
	return "no operating point found; the currents balance worst at " + at
}

// condition is the ratio of the largest to the smallest pivot of the last factorisation.
func (s *Solver) condition() float64 {
	lo, hi := math.Inf(1), 0.0
	for k, p := range s.inv {
		if k >= s.branchAt && k < s.branchAt+s.branches {
			continue
		}
		p = math.Abs(p)
		lo, hi = min(lo, p), max(hi, p)
	}
	if s.n == 0 || lo == 0 {
		return 1
	}
	return hi / lo
}
