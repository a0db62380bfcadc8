package survey

import (
	"context"
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"

	"fettle/internal/unit"
)

// What makes a reading suspect, and when one is left out.
const (
	suspect   = 3.7 // deviations of a datum from what the others say; the errors are bounded, so that true readings hardly pass 3
	farPrior  = 3.5 // deviations of a prior coordinate: a strange LED may be a wrong reading
	decisive  = 3.0 // logarithm of the odds (20 : 1) that must speak for leaving a reading out
	relevant  = 4.0 // logarithm of the odds within which two explanations are both kept
	soundOnly = 0.97
)

// A slip is a way in which a right reading is written down wrong.
type slip struct {
	prior float64
	what  quality // which number; a track voltage counts as ofLook here
	scale float64 // right = shown·scale
	right float64 // else the right number
	turn  bool    // the supply was turned round, or was not
	say   string
}

// Priors of slips per reading (common practice, no source).
const (
	pDecimal = 0.01
	pPrefix  = 0.003
	pSwap    = 0.004
	pTurned  = 0.005
	pGross   = 0.01
)

// grossDecades is the span over which a grossly wrong number is thought to be spread.
const grossDecades = 4 * math.Ln10

// slipsOf lists what may have happened to one number of a reading.
func slipsOf(what quality, name string, shown float64, text, sym string) []slip {
	if !(shown > 0) {
		return nil
	}
	f := func(x float64) string { return unit.Format(x, sym, 3) }
	out := []slip{
		{prior: pDecimal, what: what, scale: 10, say: fmt.Sprintf("%s: the decimal point slipped (%s, not %s)", name, f(10*shown), f(shown))},
		{prior: pDecimal, what: what, scale: 0.1, say: fmt.Sprintf("%s: the decimal point slipped (%s, not %s)", name, f(shown/10), f(shown))},
	}
	if what != ofLook {
		out = append(out,
			slip{prior: pPrefix, what: what, scale: 1000, say: fmt.Sprintf("%s: wrong prefix or range (%s, not %s)", name, f(1000*shown), f(shown))},
			slip{prior: pPrefix, what: what, scale: 1e-3, say: fmt.Sprintf("%s: wrong prefix or range (%s, not %s)", name, f(shown/1000), f(shown))})
	}
	swaps := swapped(text)
	for _, s := range swaps {
		out = append(out, slip{prior: pSwap / float64(len(swaps)), what: what, right: shown * s.ratio, say: fmt.Sprintf("%s: two digits are swapped (%s, not %s)", name, f(shown*s.ratio), f(shown))})
	}
	return out
}

type swap struct{ ratio float64 }

// swapped exchanges neighbouring digits of a number as it was written.
func swapped(text string) []swap {
	text = strings.ReplaceAll(strings.TrimSpace(text), ",", ".")
	end := 0
	for end < len(text) && (text[end] >= '0' && text[end] <= '9' || text[end] == '.') {
		end++
	}
	b := []byte(text[:end])
	old, err := strconv.ParseFloat(string(b), 64)
	if err != nil || old == 0 {
		return nil
	}
	var at []int
	for i, c := range b {
		if c != '.' {
			at = append(at, i)
		}
	}
	var out []swap
	for k := 0; k+1 < len(at); k++ {
		i, j := at[k], at[k+1]
		if b[i] == b[j] {
			continue
		}
		b[i], b[j] = b[j], b[i]
		if x, err := strconv.ParseFloat(string(b), 64); err == nil && x > 0 {
			out = append(out, swap{x / old})
		}
		b[i], b[j] = b[j], b[i]
	}
	return out
}

// An alternative is one view of which readings count, with its hypotheses.
type alternative struct {
	active []bool
	out    []exclusion
	modes  []*mode
	full   bool    // modes of every structure, not of the usual one alone
	extra  float64 // logarithm of the density of what is left out
	score  float64 // logarithm of the evidence, what is left out included
}

// An exclusion is a reading left out because it does not fit.
type exclusion struct {
	reading   int
	deviation float64 // of its worst number, from what the others predict
	says      string  // what it says against what was to be expected
	slip      string  // what would make it fit, "" if nothing would
	slipFit   float64 // deviation then
	slipOdds  float64 // probability of that slip among all explanations of this reading
}

func logSum(modes []*mode) float64 {
	top := math.Inf(-1)
	for _, m := range modes {
		top = math.Max(top, m.logZ)
	}
	if math.IsInf(top, -1) {
		return top
	}
	var s float64
	for _, m := range modes {
		s += math.Exp(m.logZ - top)
	}
	return top + math.Log(s)
}

// strange reports whether the leading mode leaves something to explain.
func strange(modes []*mode) bool {
	if len(modes) == 0 || math.IsInf(modes[0].logZ, -1) {
		return true
	}
	md := modes[0]
	if md.worst > suspect {
		return true
	}
	for _, z := range md.u[1:uFirst] {
		if math.Abs(z) > farPrior {
			return true
		}
	}
	return md.u[uHidden] < md.resistor.lo-0.1 || md.u[uHidden] > md.resistor.hi+0.1
}

// weigh finds out which readings count: all, or all but some that do not fit. The result is the views worth
// keeping, best first; several where the readings contradict each other and nothing tells which is wrong.
func (m *model) weigh(ctx context.Context, hs []hypothesis, active []bool) ([]alternative, error) {
	all := alternative{active: active, modes: m.fitAll(hs, active), full: true}
	counted := m.counted(active)
	all.score = logSum(all.modes) + float64(len(counted))*math.Log(soundOnly)
	views := []alternative{all}
	for {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		lead := views[0]
		readings := m.counted(lead.active)
		if !strange(lead.modes) || len(readings) < 2 {
			return m.completed(hs, views), nil
		}
		// The usual structure first: the others need not be tried where it leaves nothing to explain.
		next, explained := []alternative{lead}, false
		for _, r := range readings {
			if a, ok := m.without(of(hs, hs[0].structure), lead, r, len(readings)); ok {
				next = append(next, a)
				explained = explained || !strange(a.modes) && a.score > lead.score+decisive
			}
		}
		if !explained {
			next = next[:1]
			for _, r := range readings {
				if a, ok := m.without(hs, lead, r, len(readings)); ok {
					a.full = true
					next = append(next, a)
				}
			}
		}
		sort.SliceStable(next, func(i, k int) bool { return next[i].score > next[k].score })
		if len(next[0].out) == len(lead.out) || next[0].score < lead.score+decisive {
			return m.completed(hs, views), nil // leaving anything out explains no more
		}
		n := 1
		for n < len(next) && next[n].score > next[0].score-relevant {
			n++
		}
		views = next[:n]
	}
}

// completed fits every structure to the views that were judged by the usual one alone.
func (m *model) completed(hs []hypothesis, views []alternative) []alternative {
	for i := range views {
		if v := &views[i]; !v.full {
			v.modes, v.full = m.fitAll(hs, v.active, v.modes...), true
		}
	}
	return views
}

// counted lists the readings of which something is active.
func (m *model) counted(active []bool) []int {
	var out []int
	for k := range m.e.data {
		if r := m.e.data[k].reading; active[k] && (len(out) == 0 || out[len(out)-1] != r) {
			out = append(out, r)
		}
	}
	return out
}

// without is a view with reading r left out, scored by how its numbers can be explained.
func (m *model) without(hs []hypothesis, lead alternative, r, readings int) (alternative, bool) {
	a := alternative{active: append([]bool(nil), lead.active...), out: append([]exclusion(nil), lead.out...)}
	var gone []int
	for k := range m.e.data {
		if m.e.data[k].reading == r && a.active[k] {
			a.active[k] = false
			gone = append(gone, k)
		}
	}
	a.modes = m.fitAll(hs, a.active)
	if len(a.modes) == 0 || math.IsInf(a.modes[0].logZ, -1) {
		return a, false
	}
	x, logp := m.explain(a.modes[0], r, gone)
	a.out = append(a.out, x)
	a.extra = lead.extra + logp
	a.score = logSum(a.modes) + a.extra + float64(readings-1)*math.Log(soundOnly)
	return a, true
}

// explain finds how reading r could have come about, seen from the others: the logarithm of its density, and what
// to say.
func (m *model) explain(md *mode, r int, gone []int) (exclusion, float64) {
	x := exclusion{reading: r}
	rd := &m.e.readings[r]
	type seen struct {
		d        datum
		mean, sd float64
	}
	// look predicts the reading's data with the track voltage changed; sd includes what the others leave open.
	look := func(scale float64, turn bool) []seen {
		var out []seen
		for _, k := range gone {
			d := m.e.data[k]
			d.track *= scale
			if turn {
				d.track = -d.track
			}
			mean, sd, ok := m.foresee(md, &d, m.at(md.structure, k))
			if !ok {
				return nil
			}
			out = append(out, seen{d, mean, sd})
		}
		return out
	}
	plain := look(1, false)
	for _, s := range plain {
		if s.d.what == ofLook {
			continue
		}
		if t := math.Abs(s.d.shown-s.mean) / s.sd; t > x.deviation {
			x.deviation = t
			sym := map[quality]string{ofCurrent: unit.SymAmp, ofDrop: unit.SymVolt, ofResistance: unit.SymOhm}[s.d.what]
			x.says = fmt.Sprintf("it shows a %s of %s; the others make it %s ± %s", s.d.what, unit.Format(s.d.shown, sym, 3), unit.Format(s.mean, sym, 3), unit.Format(2*s.sd, sym, 2))
		}
	}
	var slips []slip
	for _, k := range gone {
		d := &m.e.data[k]
		switch d.what {
		case ofCurrent:
			slips = append(slips, slipsOf(ofCurrent, "current", d.shown, rd.Current.Text, unit.SymAmp)...)
		case ofDrop:
			slips = append(slips, slipsOf(ofDrop, "drop", d.shown, rd.Drop.Text, unit.SymVolt)...)
		case ofResistance:
			slips = append(slips, slipsOf(ofResistance, "resistance", d.shown, rd.Resistance.Text, unit.SymOhm)...)
		}
	}
	if rd.Track.Known() && len(gone) > 0 {
		slips = append(slips, slipsOf(ofLook, "track voltage", float64(rd.Track.Value), rd.Track.Text, unit.SymVolt)...)
		slips = append(slips, slip{prior: pTurned, turn: true, scale: 1, what: ofLook, say: "the supply stood the other way round than written"})
	}
	// Gross error: its numbers anywhere.
	gross := math.Log(pGross)
	for _, k := range gone {
		if d := &m.e.data[k]; d.what != ofLook {
			gross += math.Log(math.Sqrt(2*math.Pi) / (math.Max(d.shown, d.sd) * grossDecades))
		}
	}
	logs, fits, says := []float64{gross}, []float64{0}, []string{""}
	for _, s := range slips {
		scale := s.scale
		if s.right > 0 {
			scale = 0
		}
		track := 1.0
		if s.what == ofLook && !s.turn {
			track = scale
			if s.right > 0 {
				track = s.right / float64(rd.Track.Value)
			}
		}
		lp, worst := math.Log(s.prior), 0.0
		ss := look(track, s.turn)
		if ss == nil {
			continue
		}
		for _, q := range ss {
			if q.d.what == ofLook {
				continue
			}
			shown, jac := q.d.shown, 1.0
			if s.what == q.d.what {
				if s.right > 0 {
					shown = s.right
				} else {
					shown *= s.scale
				}
				if shown > 0 && q.d.shown > 0 {
					jac = shown / q.d.shown
				}
			}
			t := (shown - q.mean) / q.sd
			worst = math.Max(worst, math.Abs(t))
			lp += -t*t/2 - math.Log(q.sd) + math.Log(jac) // the shared √2π is left out everywhere, here as in logZ
		}
		logs, fits, says = append(logs, lp), append(fits, worst), append(says, s.say)
	}
	top := math.Inf(-1)
	best := 0
	for i, l := range logs {
		if l > top {
			top, best = l, i
		}
	}
	var sum float64
	for _, l := range logs {
		sum += math.Exp(l - top)
	}
	x.slip, x.slipFit, x.slipOdds = says[best], fits[best], 1/sum
	return x, top + math.Log(sum)
}

// slipped seeks a slip for every reading that cannot be true as written.
func (m *model) slipped(md *mode) map[int]exclusion {
	byReading := map[int][]int{}
	for k := range m.e.data {
		if m.e.data[k].banned {
			byReading[m.e.data[k].reading] = append(byReading[m.e.data[k].reading], k)
		}
	}
	out := map[int]exclusion{}
	for r, gone := range byReading {
		out[r], _ = m.explain(md, r, gone)
	}
	return out
}

// foresee predicts a datum from a mode's normal law: mean and deviation, its own errors included.
func (m *model) foresee(md *mode, d *datum, b bench) (mean, sd float64, ok bool) {
	f, ok := m.foresight(md, d, b)
	if !ok {
		return 0, 0, false
	}
	v := f.own * f.own
	for i := range f.grad {
		for k := range f.grad {
			v += f.grad[i] * md.cov.At(i, k) * f.grad[k]
		}
	}
	return f.mean, math.Sqrt(v), true
}

// A foresight is a datum seen from a mode: what it would show, how that moves with u, its own deviation.
type foresight struct {
	mean, own float64
	grad      []float64
}

func (m *model) foresight(md *mode, d *datum, b bench) (f foresight, ok bool) {
	const step = 1e-3
	lamp := md.lamp(md.u)
	if f.mean, ok = m.predict(&md.hypothesis, d, b, lamp, md.u); !ok {
		return f, false
	}
	f.grad = make([]float64, len(md.u))
	u := append([]float64(nil), md.u...)
	for a := range u {
		if !m.touches(&md.hypothesis, d, a) {
			continue
		}
		u[a] += step
		moved := lamp
		if m.ofLamp(a) {
			moved = md.lamp(u)
		}
		y, ok := m.predict(&md.hypothesis, d, b, moved, u)
		if !ok {
			return f, false
		}
		f.grad[a] = (y - f.mean) / step
		u[a] = md.u[a]
	}
	f.own = m.deviation(&md.hypothesis, md.u, d, b)
	return f, true
}
