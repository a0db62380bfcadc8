package survey

import (
	"context"
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/wiring"
)

// A report is what survey has to say of one lamp.
type report struct {
	finding.Findings
	post *wiring.LampPosterior
}

// An outcome is the inference of one lamp, before it is put into words.
type outcome struct {
	name  string
	m     *model
	hs    []hypothesis
	state state
	views []alternative
	stand []standing       // of the structures, most probable first; none where nothing was read
	lead  wiring.Structure // the one that the samples are of
	pool  *pool
	draws []draw // of equal weight
	lost  bool   // no hypothesis explains the readings
	// banned are the readings that cannot be true as written, with the slip that would make them true.
	banned map[int]exclusion
}

func surveyLamp(ctx context.Context, b *build.Build, l *build.Lamp, name string, opt Settings) (*report, error) {
	r := &report{}
	e := collect(b, l)
	hs := e.hypotheses(b)
	if len(hs) == 0 {
		return nil, fmt.Errorf("survey: the catalogue has no class of LED to start from")
	}
	m, err := newModel(e, name)
	if err != nil {
		return nil, err
	}
	h := fnv.New64a()
	h.Write([]byte(name))
	rng := rand.New(rand.NewPCG(h.Sum64(), 0x7375_7276))

	o := &outcome{name: name, m: m, hs: hs}
	if err := o.infer(ctx, opt, rng); err != nil {
		return nil, err
	}
	o.report(b, r)
	return r, nil
}

// of are the hypotheses of one structure.
func of(hs []hypothesis, s wiring.Structure) []hypothesis {
	var out []hypothesis
	for _, h := range hs {
		if h.structure == s {
			out = append(out, h)
		}
	}
	return out
}

// board leaves the modes of boards without a limit, from which those of one that was not met follow.
func board(modes []*mode) []*mode {
	return append(keep(modes, wiring.DiodeBoard), keep(modes, wiring.BridgeBoard)...)
}

// usual is the structure that is most probable beforehand.
func (o *outcome) usual() wiring.Structure {
	sum := [wiring.Structures]float64{}
	best := o.hs[0].structure
	for _, h := range o.hs {
		if sum[h.structure] += h.prior; sum[h.structure] > sum[best] {
			best = h.structure
		}
	}
	return best
}

// infer runs the inference of one lamp.
func (o *outcome) infer(ctx context.Context, opt Settings, rng *rand.Rand) error {
	hs, err := o.compare(ctx, rng)
	if err != nil {
		return err
	}
	return o.sample(ctx, hs, opt, rng)
}

// compare weighs the structures against each other and settles on the leading one. It returns the hypotheses that what
// was read leaves, none where nothing is to be sampled from readings.
func (o *outcome) compare(ctx context.Context, rng *rand.Rand) ([]hypothesis, error) {
	m := o.m
	o.lead = o.usual()
	if len(m.e.data) == 0 {
		return nil, ctx.Err()
	}
	o.state = m.inspect(o.hs, rng)
	if o.state.dead && o.state.structure == wiring.OpenLamp {
		o.lead = wiring.OpenLamp
		return nil, ctx.Err()
	}
	active := make([]bool, len(m.e.data))
	for k := range active {
		active[k] = !m.e.data[k].banned
	}
	hs := append([]hypothesis(nil), o.hs...)
	switch {
	case o.state.dead:
		hs = of(hs, wiring.ShortedLamp)
	case o.state.doubt:
		// What it is cannot be told from a current that did not flow: only what was read otherwise counts.
		hs = of(hs, o.lead)
		for k := range active {
			active[k] = active[k] && m.e.data[k].what == ofResistance
		}
	case !o.state.known:
		// Where no current flowed, nothing speaks for a short.
		hs = slices.DeleteFunc(hs, func(h hypothesis) bool { return h.structure == wiring.ShortedLamp })
	}
	for i := range hs {
		hs[i].turned = o.state.turned
		if hs[i].structure.BothWays() {
			hs[i].turned = m.e.wantsTurned() // its own direction is that of its feed
		}
	}
	var err error
	if o.views, err = m.weigh(ctx, hs, active); err != nil {
		return nil, err
	}
	if lead := o.views[0]; len(lead.modes) > 0 && lead.modes[0].worst > suspect {
		// No single reading is to blame: the readings scatter more than their meters admit. Their errors are taken
		// as so much larger that they agree again, and the findings say so.
		m.blur = lead.modes[0].worst / 2
		lead.modes = m.fitAll(hs, lead.active)
		o.views = []alternative{lead}
	}
	if o.stand = o.standings(); len(o.stand) > 0 {
		o.lead = o.stand[0].structure
	}
	if o.lead.BothWays() {
		o.state.turned = m.e.wantsTurned() // there is no other way round
	}
	return hs, ctx.Err()
}

// sample draws the joint samples of the leading structure.
func (o *outcome) sample(ctx context.Context, hs []hypothesis, opt Settings, rng *rand.Rand) error {
	m := o.m
	switch {
	case o.lead == wiring.OpenLamp:
		return ctx.Err()
	case len(m.e.data) == 0:
		o.pool = m.fromPrior(of(o.hs, o.lead), opt.Proposals, rng)
		o.draws = o.pool.resample(opt.Samples, rng)
		return ctx.Err()
	}
	m.refined = true
	var modes []*mode
	for i := range o.views {
		v := &o.views[i]
		if o.lead == wiring.AntiParallelLamp || o.lead.Limited() {
			v.modes = m.fitAll(of(hs, o.lead), v.active, board(v.modes)...)
		}
		v.modes = m.widen(hs, keep(v.modes, o.lead), v.active)
		for _, md := range v.modes {
			md.offset = v.extra + float64(len(m.counted(v.active)))*math.Log(soundOnly)
			modes = append(modes, md)
		}
	}
	if len(modes) > 0 {
		o.banned = m.slipped(modes[0])
	}
	o.pool = m.pooled(modes, opt.Proposals, rng)
	if len(o.pool.draws) == 0 {
		if o.state.dead {
			return ctx.Err()
		}
		// No hypothesis explains the readings: what is known beforehand stands, and the findings say so.
		o.lost, o.stand, o.lead = true, nil, o.usual()
		o.pool = m.fromPrior(of(o.hs, o.lead), opt.Proposals, rng)
	}
	if o.lead == wiring.ShortedLamp && !o.state.dead {
		o.state.dead, o.state.odds, o.state.structure = true, o.stand[0].probability, wiring.ShortedLamp
		o.state.why = "the readings lie on a straight line through zero: a resistance and nothing else, its LED is shorted"
		if o.state.dark != "" {
			o.state.why = o.state.dark
		}
	}
	o.draws = o.pool.resample(opt.Samples, rng)
	return ctx.Err()
}
