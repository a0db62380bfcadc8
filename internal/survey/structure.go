package survey

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/mat"

	"fettle/internal/wiring"
)

// hopeless is the logarithm of the odds beyond which a hypothesis is not followed.
const hopeless = 14

// fitAll fits what the active data leave possible, most probable first; what is hopeless is left out. Strings side
// by side, which look like one, wait for widen. Structures of which modes are known already are not fitted again.
func (m *model) fitAll(hs []hypothesis, active []bool, known ...*mode) []*mode {
	out := append([]*mode(nil), known...)
	best, rough, explained := math.Inf(-1), math.Inf(-1), false
	done := map[wiring.Structure]bool{}
	type key struct {
		structure wiring.Structure
		class     *class
		s, trust  int
	}
	found := map[key]*mode{}
	// nearby is where a limited board was found with another number of diodes: what they take less its regulator takes
	// more.
	nearby := func(h *hypothesis) []float64 {
		md := found[key{wiring.LimitedDiodeBoard, h.class, h.s, h.trust}]
		if md == nil || md.failed != "" || h.structure == md.structure {
			return nil
		}
		u := append([]float64(nil), md.u...)
		u[len(u)-1] -= boardDrop / dropSpread
		return u
	}
	follow := func(h hypothesis, from []float64) {
		floor := best - 2*hopeless // beyond what deviations and the normal law's volume change
		if h.structure != wiring.PlainLamp {
			floor = math.Max(floor, rough-1.5*hopeless)
		}
		md := m.fitMode(h, active, from, floor)
		// What bends in two places may be found in the wrong one; where something explains the readings already, that is
		// not worth looking for.
		for _, from := range m.otherStarts(&h, active) {
			if explained || md.worst < fits && md.failed == "" {
				break
			}
			if other := m.fitMode(h, active, from, floor); other.logZ > md.logZ {
				md = other
			}
		}
		if md.logZ > best {
			best, rough = md.logZ, md.rough
		}
		explained = explained || md.worst < fits && md.failed == ""
		out = append(out, md)
		found[key{h.structure, h.class, h.s, h.trust}] = md
	}
	for _, md := range known {
		done[md.structure] = true
		if md.logZ > best {
			best, rough = md.logZ, md.rough
		}
		found[key{md.structure, md.class, md.s, md.trust}] = md
	}
	// behind reports whether the same LEDs in simpler structures, which what is further in h could not have bettered,
	// are out of the question or lie behind the best of those by more than that.
	behind := func(h *hypothesis, more float64, simpler ...wiring.Structure) bool {
		own, top := math.Inf(-1), math.Inf(-1)
		for k, md := range found {
			if !slices.Contains(simpler, k.structure) {
				continue
			}
			top = math.Max(top, md.logZ)
			if k == (key{k.structure, h.class, h.s, h.trust}) {
				own = math.Max(own, md.logZ)
			}
		}
		return own < top-more
	}
	stands := m.standIns(hs)
	shape := m.shape(active)
	if shape.falling {
		// No lamp passes less at a higher voltage: some reading is wrong, whatever the structure, and the first will do
		// to judge them by.
		hs = of(hs, hs[0].structure)
	}
	for _, h := range hs {
		if h.beside || done[h.structure] || !shape.falling && (!m.possible(&h, active) || !m.admits(&h, shape)) {
			continue
		}
		switch {
		case h.structure == wiring.AntiParallelLamp && !shape.back && behind(&h, hopeless, wiring.PlainLamp):
		case h.structure == wiring.LeakingLamp && !shape.back && !shape.low && shape.convex() && behind(&h, hopeless, wiring.PlainLamp):
		case h.structure == wiring.AntiParallelLamp && !shape.around:
			// Nothing was tried the other way round: the LEDs there may be any, and one class stands for all.
			if h.alike {
				h.prior *= float64(stands.classes)
				follow(h, nil)
			}
		case h.structure == wiring.AntiParallelLamp:
			if n := stands.in(h.class) * stands.of(h.back); n > 0 {
				h.prior *= n
				follow(h, nil)
			}
		case h.structure.Limited() && shape.top > 0:
			if n := stands.in(h.class); n > 0 && (!shape.rising || len(shape.points) <= 2) {
				g := h
				g.prior *= n
				follow(g, nearby(&g))
			}
			// Where the limit was not met it is a board without one, and a mode of that is one of this.
			board := wiring.DiodeBoard
			if h.structure.Drops() == 2 {
				board = wiring.BridgeBoard
			}
			if md := found[key{board, h.class, h.s, h.trust}]; md != nil && md.failed == "" && shape.convex() {
				h.above = shape.top
				h.prior *= 0.5 * math.Erfc(math.Log(shape.top/limitMiddle)/limitSpread/math.Sqrt2)
				out = append(out, md.unlimited(m, h))
			}
		default:
			follow(h, nil)
		}
	}
	return ranked(out)
}

// unlimited is the mode of a board as one of the same board with a limit that was not met.
func (md *mode) unlimited(m *model, h hypothesis) *mode {
	out := *md
	out.hypothesis = h
	out.logZ += math.Log(h.prior) - math.Log(md.prior)
	n, dim := len(md.u), m.dimOf(&h)
	out.u = append(append([]float64(nil), md.u...), make([]float64, dim-n)...)
	out.cov = mat.NewSymDense(dim, nil)
	for i := range dim {
		for k := i; k < dim; k++ {
			switch {
			case k < n:
				out.cov.SetSym(i, k, md.cov.At(i, k))
			case i == k:
				out.cov.SetSym(i, k, 1)
			}
		}
	}
	out.chol = mat.Cholesky{}
	out.chol.Factorize(out.cov)
	return &out
}

// standIns are classes of LEDs that stand for others while structures are weighed against each other. Where a limit or
// a second LED rules, the colour hardly matters for that: of several in question those of the lowest and of the highest
// voltage stand for all. Which they are is asked of the leading structure alone (refined).
type standIns struct {
	inQuestion, back map[*class]float64 // how many each stands for
	classes          int                // that may sit the other way round in a pair
}

func (s *standIns) in(c *class) float64 { return s.inQuestion[c] }
func (s *standIns) of(c *class) float64 { return s.back[c] }

func (m *model) standIns(hs []hypothesis) *standIns {
	list := func(of func(*hypothesis) *class) map[*class]float64 {
		out := map[*class]float64{}
		var low, high *class
		for i := range hs {
			c := of(&hs[i])
			if c == nil {
				continue
			}
			out[c] = 1
			if low == nil || c.vPivot < low.vPivot {
				low = c
			}
			if high == nil || c.vPivot > high.vPivot {
				high = c
			}
		}
		if n := len(out); n > 2 && !m.refined {
			clear(out)
			out[low], out[high] = float64(n)/2, float64(n)/2
		}
		return out
	}
	s := &standIns{inQuestion: list(func(h *hypothesis) *class { return h.class }), back: list(func(h *hypothesis) *class { return h.back })}
	for _, n := range s.back {
		s.classes += int(n)
	}
	return s
}

// fits is the worst deviation of a datum up to which another start is not worth its while.
const fits = 1.5

// otherStarts are places to start from beside the hand estimate, for structures whose current has two bends.
func (m *model) otherStarts(h *hypothesis, active []bool) [][]float64 {
	if h.structure != wiring.LeakingLamp && (!h.structure.Limited() || h.above > 0) {
		return nil
	}
	var out [][]float64
	for _, f := range []float64{1, 3, 0.3} {
		u := make([]float64, m.dimOf(h))
		m.start(h, active, u)
		x := u[len(u)-h.further():]
		if h.structure == wiring.LeakingLamp {
			// Leak and resistor together are what the whole lamp shows where it shows least.
			whole := m.leastSeen(active)
			x[0] = math.Log(f*whole/2/leakMiddle) / leakSpread
			u[uHidden] = math.Min(u[uHidden], math.Log(whole))
		} else {
			u[uHidden] = math.Log(100 * f)
		}
		out = append(out, u)
	}
	return out
}

// leastSeen is the resistance of the whole lamp at the lowest voltage at which current was read.
func (m *model) leastSeen(active []bool) float64 {
	r, at := 10e3, math.Inf(1)
	for k := range m.e.data {
		if d := &m.e.data[k]; active[k] && d.conducts() && math.Abs(d.track) < at {
			r, at = math.Abs(d.track)/(d.shown-d.others), math.Abs(d.track)
		}
	}
	return r
}

// widen adds to the modes the same lamps with several strings side by side.
func (m *model) widen(hs []hypothesis, modes []*mode, active []bool) []*mode {
	out := modes
	for _, md := range modes {
		for _, h := range hs {
			if h.beside && md.above == 0 && h.structure == md.structure && h.class == md.class && h.back == md.back && h.s == md.s && h.short == md.short && h.trust == md.trust {
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
	switch h.structure {
	case wiring.FilamentLamp, wiring.ShortedLamp, wiring.LeakingLamp:
		return true
	}
	low := h.class.vPivot - 4*h.class.sdLow - 0.5
	high := h.class.vPivot + 4*h.class.sdHigh + 0.6
	least := 0.15 * float64(h.structure.Drops())
	for k := range m.e.data {
		d := &m.e.data[k]
		if !active[k] {
			continue
		}
		peak, low, high := 0.0, low, high
		if h.back != nil && d.track < 0 != h.turned {
			low, high = h.back.vPivot-4*h.back.sdLow-0.5, h.back.vPivot+4*h.back.sdHigh+0.6
		}
		for _, l := range d.levels {
			v := d.track * l.Value
			if h.turned {
				v = -v
			}
			if h.structure.BothWays() {
				v = math.Abs(v)
			}
			peak = math.Max(peak, v)
		}
		switch {
		case d.conducts() && !h.structure.Limited() && peak < float64(h.s)*low+least:
			return false
		case d.what == ofDrop && len(d.levels) == 1 && peak > 0 && d.shown > float64(h.s)*high:
			return false
		}
	}
	return true
}

// A point is one current on smooth DC, before any fit.
type point struct {
	v, i float64 // magnitudes
	sd   float64 // of ln i, and of ln v where the current follows it: digits, and gains that another range may have
	back bool    // with plus at the switched side
}

// A shape is what the currents say of the lamp before any fit.
type shape struct {
	points  []point // that conducted, by rising voltage
	zeros   []point // that did not: i is what may have flowed unseen
	forward bool    // current flowed with plus at the feed
	back    bool    // and with plus at the switched side
	around  bool    // the switched side was made positive, at a voltage that would light some LED
	rising  bool    // steeper than in proportion to the voltage, everywhere
	top     float64 // largest current
	bent    bool    // less than in proportion to the voltage, somewhere
	falling bool    // less at a higher voltage, somewhere
	low     bool    // current flowed at a voltage below any LED's
	sagging bool    // flatter at higher voltages than at lower ones, somewhere
	steep   bool    // more than in proportion, somewhere
}

// convex reports whether the currents may be those of junctions behind a resistor: more than in proportion to the
// voltage, and never flatter than before.
func (s *shape) convex() bool { return !s.bent && !s.sagging }

func (m *model) shape(active []bool) *shape {
	s := &shape{rising: true}
	for k := range m.e.data {
		d := &m.e.data[k]
		if !active[k] {
			continue
		}
		if d.track < -1 && (d.what == ofCurrent || d.what == ofDrop || d.what == ofLook) {
			s.around = true
		}
		if d.what != ofCurrent || len(d.levels) != 1 {
			continue
		}
		p := point{v: math.Abs(d.track), i: d.shown - d.others, back: d.track < 0}
		if !d.conducts() {
			p.i = math.Max(p.i, 0) + 4*d.sd
			s.zeros = append(s.zeros, p)
			continue
		}
		p.sd = math.Hypot(d.sd/p.i, d.trackSD/p.v)
		s.points = append(s.points, p)
		s.top = math.Max(s.top, p.i)
		s.low = s.low || p.v < leastVolt
		if p.back {
			s.back = true
		} else {
			s.forward = true
		}
	}
	sort.SliceStable(s.points, func(i, k int) bool { return s.points[i].v < s.points[k].v })
	for _, way := range []bool{false, true} {
		var ps []point
		for _, p := range s.points {
			if p.back == way {
				ps = append(ps, p)
			}
		}
		for k := 1; k < len(ps); k++ {
			a, b := ps[k-1], ps[k]
			if b.v < 1.05*a.v {
				continue
			}
			x := math.Log(b.i/a.i) - math.Log(b.v/a.v)
			tol := 4*math.Hypot(a.sd, b.sd) + 0.02 // 2 %: gains of two ranges
			s.bent = s.bent || x < -tol
			s.falling = s.falling || math.Log(b.i/a.i) < -tol
			s.steep = s.steep || x > tol
			s.rising = s.rising && x > tol
			if k > 1 {
				o := ps[k-2]
				if a.v < 1.05*o.v {
					continue
				}
				before, after := (a.i-o.i)/(a.v-o.v), (b.i-a.i)/(b.v-a.v)
				e := 4*math.Hypot(a.sd*a.i, o.sd*o.i)/(a.v-o.v) + 4*math.Hypot(a.sd*a.i, b.sd*b.i)/(b.v-a.v) + 0.03*before
				if after < before-e {
					s.sagging, s.rising = true, false
				}
			}
		}
	}
	return s
}

// admits is the sieve by what the currents look like: what a structure could not show at any values costs no fit.
func (m *model) admits(h *hypothesis, s *shape) bool {
	if m.blur > 1 {
		return true // the readings are taken as far worse than their meters
	}
	if h.structure.Limited() && slices.ContainsFunc(s.points, func(p point) bool { return p.v > mostTrack }) {
		return false // a voltage that no track carries is a slip of the pen, and no regulator makes sense of it
	}
	own, other := s.forward, s.back
	if h.turned {
		own, other = other, own
	}
	switch h.structure {
	case wiring.PlainLamp, wiring.DiodeBoard:
		return !other && s.convex()
	case wiring.LimitedDiodeBoard:
		return !other
	case wiring.AntiParallelLamp:
		if !s.convex() {
			return false
		}
		// R is at most what the whole lamp showed where current flowed; an LED takes no more than mostDrop.
		for _, z := range s.zeros {
			for _, p := range s.points {
				if (z.v-mostDrop*float64(h.s))/(p.v/p.i) > 2*z.i {
					return false
				}
			}
		}
		return true
	case wiring.BridgeBoard, wiring.ShortedLamp, wiring.FilamentLamp, wiring.LimitedBridgeBoard:
		for _, z := range s.zeros {
			for _, p := range s.points {
				if p.v <= z.v && p.i > 3*z.i {
					return false
				}
			}
		}
		switch h.structure {
		case wiring.BridgeBoard:
			return s.convex()
		case wiring.FilamentLamp:
			return !s.steep
		case wiring.ShortedLamp:
			return !s.steep && !s.bent && !s.sagging
		}
	}
	return true
}

// Below leastVolt no LED of the catalogue passes what a hand meter shows; none takes more than mostDrop.
const leastVolt, mostDrop = 1.45, 4.5

// mostTrack is the most that any track carries (NMRA S-9.1, 2020, table 3), with a tenth for meters.
const mostTrack = 1.1 * 27

// A standing is how one structure stands against the others.
type standing struct {
	structure   wiring.Structure
	probability float64
	likelihood  float64 // the readings' own voice: evidence over prior, against that of the leading structure
	best        *mode
}

// Odds by which the readings must speak against a structure before it is given up: then a true structure is given up
// in less than one lamp of a hundred, whatever was thought beforehand (Markov's inequality on the ratio of evidences),
// and one that stays above leastOpen is not given up either.
const (
	againstOdds = 50.0
	leastOpen   = 0.01
)

// open reports whether the readings leave the structure open beside the leading one.
func (s *standing) open() bool { return s.likelihood > 1/againstOdds || s.probability > leastOpen }

// rivals are the structures that the readings leave open beside the leading one.
func (o *outcome) rivals() []standing {
	if len(o.stand) == 0 {
		return nil
	}
	var out []standing
	for _, s := range o.stand[1:] {
		if s.open() {
			out = append(out, s)
		}
	}
	return out
}

// standings weighs the structures against each other, over all views. The evidence is the normal law's with the true
// prior of the resistance instead of its stand-in, and with what was seen (settled).
func (o *outcome) standings() []standing {
	type sum struct {
		log  []float64
		best *mode
		top  float64
	}
	sums := map[wiring.Structure]*sum{}
	for i := range o.views {
		v := &o.views[i]
		for _, md := range v.modes {
			if math.IsInf(md.logZ, -1) {
				continue
			}
			x := o.m.settled(md) + v.extra + float64(len(o.m.counted(v.active)))*math.Log(soundOnly)
			if math.IsInf(x, -1) || math.IsNaN(x) {
				continue
			}
			t := sums[md.structure]
			if t == nil {
				t = &sum{top: math.Inf(-1)}
				sums[md.structure] = t
			}
			t.log = append(t.log, x)
			if x > t.top {
				t.top, t.best = x, md
			}
		}
	}
	priors := map[wiring.Structure]float64{}
	for _, h := range o.hs {
		priors[h.structure] += h.prior
	}
	var out []standing
	top := math.Inf(-1)
	for s := range wiring.Structure(wiring.Structures) {
		if t := sums[s]; t != nil {
			var x float64
			for _, l := range t.log {
				x += math.Exp(l - t.top)
			}
			st := standing{structure: s, probability: t.top + math.Log(x), best: t.best}
			st.likelihood = st.probability - math.Log(priors[s])
			top = math.Max(top, st.probability)
			out = append(out, st)
		}
	}
	sort.SliceStable(out, func(i, k int) bool { return out[i].probability > out[k].probability })
	var total float64
	for i := range out {
		total += math.Exp(out[i].probability - top)
	}
	for i := range out {
		out[i].probability = math.Exp(out[i].probability-top) / total
		if i > 0 {
			out[i].likelihood = math.Exp(out[i].likelihood - out[0].likelihood)
		}
	}
	if len(out) == 0 {
		return out
	}
	out[0].likelihood = 1
	if p := o.state.open; p > 0 {
		// Nothing flowed: it may as well be open.
		for i := range out {
			out[i].probability *= 1 - p
		}
		out = append(out, standing{structure: wiring.OpenLamp, probability: p, likelihood: p / openPrior * (1 - openPrior) / math.Max(1-p, 1e-9)})
	}
	return out
}

// settled is the evidence of a mode with the true prior of the resistance, averaged over the normal law at the mode,
// and with what was seen where a current was read too.
func (m *model) settled(md *mode) float64 {
	law := md.resistor
	at, sd := md.u[uHidden], math.Sqrt(md.cov.At(uHidden, uHidden))
	var density, weight float64
	for k := -40; k <= 40; k++ {
		z := float64(k) / 10
		w := math.Exp(-z * z / 2)
		density += w * law.density(at+z*sd, nil)
		weight += w
	}
	standIn := (at - law.mean) / law.sigma
	x := md.logZ + math.Log(density/weight) + standIn*standIn/2 + math.Log(law.sigma*math.Sqrt(2*math.Pi))
	for k := range m.e.data {
		d := &m.e.data[k]
		look := m.e.readings[d.reading].Looked.Text
		if d.what != ofCurrent || d.banned || look == "" {
			continue
		}
		seen := *d
		seen.what, seen.lit, seen.gain = ofLook, lit(look), -1
		if y, ok := m.predict(&md.hypothesis, &seen, m.at(md.structure, k), md.lamp(md.u), md.u); ok {
			r := residual(&seen, y, 1)
			x -= r * r / 2
		}
	}
	return x
}

// keep leaves the modes of one structure.
func keep(modes []*mode, s wiring.Structure) []*mode {
	var out []*mode
	for _, md := range modes {
		if md.structure == s {
			out = append(out, md)
		}
	}
	return out
}

func (h *hypothesis) String() string {
	s := fmt.Sprintf("%s: %s, %d in series", h.structure, h.class.name, h.s)
	if h.p > 1 {
		s += fmt.Sprintf(", %d side by side", h.p)
	}
	if h.back != nil {
		s += ", back " + h.back.name
	}
	return s
}
