package survey

import (
	"context"
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"

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
	pool  *pool
	draws []draw // of equal weight
	short float64
	lost  bool // no hypothesis explains the readings
	// banned are the readings that cannot be true as written, with the slip that would make them true.
	banned map[int]exclusion
}

func surveyLamp(ctx context.Context, b *build.Build, l *build.Lamp, name string, opt Settings) (*report, error) {
	r := &report{}
	if kind := l.Kind.Text; kind != "" && kind != build.KindLED {
		r.Verdicts = append(r.Verdicts, finding.Judgement{ID: "lamp." + name + ".alive", Subject: "lamp " + name, Requirement: "can be lit",
			Verdict: finding.Unknown, Why: finding.NotBuilt + ": a lamp of kind " + kind})
		return r, nil
	}
	e := collect(b, l)
	hs := e.hypotheses(b.Catalogue)
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

// infer runs the inference of one lamp.
func (o *outcome) infer(ctx context.Context, opt Settings, rng *rand.Rand) error {
	m := o.m
	if len(m.e.data) == 0 {
		o.pool = fromPrior(o.hs, m.dim, opt.Proposals, rng)
		o.draws = o.pool.resample(opt.Samples, rng)
		return ctx.Err()
	}
	o.state = m.inspect(o.hs, rng)
	if o.state.dead {
		return ctx.Err()
	}
	active := make([]bool, len(m.e.data))
	for k := range active {
		active[k] = !m.e.data[k].banned
	}
	hs := append([]hypothesis(nil), o.hs...)
	for i := range hs {
		hs[i].turned = o.state.turned
	}
	if o.state.doubt {
		// What it is cannot be told from a current that did not flow: only what was read otherwise counts.
		for k := range active {
			active[k] = active[k] && m.e.data[k].what == ofResistance
		}
	} else if o.state.known {
		// A shorted LED rivals a living one only where current flowed.
		s := hypothesis{class: hs[0].class, s: 1, p: 1, short: true, turned: o.state.turned, trust: -1, resistor: unmarked(), prior: shortPrior}
		hs = append(hs, s)
	}
	var err error
	if o.views, err = m.weigh(ctx, hs, active); err != nil {
		return err
	}
	if lead := o.views[0]; len(lead.modes) > 0 && lead.modes[0].worst > suspect {
		// No single reading is to blame: the readings scatter more than their meters admit. Their errors are taken
		// as so much larger that they agree again, and the findings say so.
		m.blur = lead.modes[0].worst / 2
		lead.modes = m.fitAll(hs, lead.active)
		o.views = []alternative{lead}
	}
	var modes []*mode
	for i := range o.views {
		v := &o.views[i]
		v.modes = m.widen(hs, v.modes, v.active)
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
		// No hypothesis explains the readings: what is known beforehand stands, and the findings say so.
		o.lost = true
		o.pool = fromPrior(o.hs, m.dim, opt.Proposals, rng)
	}
	for i, md := range o.pool.modes {
		if md.short {
			o.short += o.pool.share[i]
		}
	}
	if o.short > 0.5 {
		o.state.dead, o.state.odds = true, o.short
		o.state.why = "the readings lie on a straight line through zero: a resistance and nothing else, its LED is shorted"
		return ctx.Err()
	}
	o.pool.drop(func(md *mode) bool { return md.short })
	o.draws = o.pool.resample(opt.Samples, rng)
	return ctx.Err()
}

// drop takes hypotheses out of the pool.
func (p *pool) drop(out func(*mode) bool) {
	sum := 0.0
	kept := p.draws[:0]
	for _, d := range p.draws {
		if !out(d.mode) {
			kept = append(kept, d)
			sum += d.w
		}
	}
	p.draws = kept
	n := 0
	left := 0.0
	for i, md := range p.modes {
		if !out(md) {
			p.modes[n], p.share[n] = md, p.share[i]
			left += p.share[i]
			n++
		}
	}
	p.modes, p.share = p.modes[:n], p.share[:n]
	for i := range p.share {
		p.share[i] /= left
	}
	p.normalise(sum)
}
