package survey

import (
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/mat"

	"fettle/internal/build"
	"fettle/internal/meter"
	"fettle/internal/unit"
	"fettle/internal/wave"
	"fettle/internal/wiring"
)

// A proposal is a reading not taken yet.
type proposal struct {
	what     quality
	track    float64 // V, smooth DC
	expect   float64
	spread   float64 // two deviations of what it may show
	bits     float64 // of information on resistor and LED
	narrowed float64 // deviation of ln R after it
	say      string  // instruction
}

// covariance is that of the pool's draws of one mode.
func (p *pool) covariance(md *mode) *mat.SymDense {
	mean := p.mean(md)
	c := mat.NewSymDense(len(mean), nil)
	var sum float64
	for _, d := range p.draws {
		if d.mode != md {
			continue
		}
		sum += d.w
		for i := range mean {
			for k := i; k < len(mean); k++ {
				c.SetSym(i, k, c.At(i, k)+d.w*(d.u[i]-mean[i])*(d.u[k]-mean[k]))
			}
		}
	}
	if sum > 0 {
		c.ScaleSym(1/sum, c)
	}
	for i := range mean {
		c.SetSym(i, i, c.At(i, i)+1e-9)
	}
	return c
}

// next ranks readings not taken yet by how much they would tell: the determinant of the covariance of resistor
// and LED after them (D-optimal), the response taken from the circuit and linear around the posterior's middle.
func (o *outcome) next(b *build.Build) []proposal {
	if o.pool == nil || len(o.pool.modes) == 0 {
		return nil
	}
	md := o.pool.modes[0]
	at := o.pool.mean(md)
	cov := o.pool.covariance(md)
	spec := o.spec(b)
	lamp := md.lamp(at)
	bare, err := o.m.hook(md.structure)
	if err != nil {
		return nil
	}
	probe := &mode{hypothesis: md.hypothesis, u: at, cov: cov}
	probe.turned = false

	most, limit := o.highest(b), o.mostCurrent(md)
	volts := []float64{}
	add := func(v float64) {
		for _, w := range volts {
			if math.Abs(v-w) < 0.3 {
				return
			}
		}
		if v >= 2 && v <= most {
			volts = append(volts, v)
		}
	}
	for _, q := range []build.Quantity[unit.Volt]{b.Track.Low, b.Track.Usual, b.Track.High} {
		if q.Known() {
			add(float64(q.Value))
		}
	}
	for _, v := range []float64{3, 4, 5, 6, 8, 10, 12} {
		add(v)
	}
	sort.Float64s(volts)

	var out []proposal
	for _, v := range volts {
		bare.Hook(0, 0, 0)
		bare.Lamp.Set(bare.Solver, lamp)
		bare.Solver.SetTemperature(fitKelvin)
		bare.Solve(unit.Volt(v))
		i := float64(bare.Current())
		if i > limit || i < 50e-6 {
			continue
		}
		say := fmt.Sprintf("on smooth DC at %s, plus at the feed, measure the current", unit.Format(v, unit.SymVolt, 3))
		if p, ok := o.propose(spec, probe, bare, ofCurrent, v, i); ok {
			p.say = say
			out = append(out, p)
		}
		if md.structure == wiring.FilamentLamp || md.structure == wiring.ShortedLamp {
			continue // no LED to measure across
		}
		if p, ok := o.propose(spec, probe, bare, ofDrop, v, float64(bare.Drop())); ok {
			p.say = fmt.Sprintf("on smooth DC at %s, measure the voltage across the LED itself", unit.Format(v, unit.SymVolt, 3))
			out = append(out, p)
		}
	}
	near, say := float64(lamp.Hidden), "with the supply off, measure the hidden resistor with the ohmmeter, if its ends can be reached"
	if md.structure == wiring.FilamentLamp {
		near, say = float64(lamp.Filament.Cold), "with the supply off and the lamp cold, measure it with the ohmmeter"
	}
	if p, ok := o.propose(spec, probe, bare, ofResistance, 0, near); ok {
		p.say = say
		out = append(out, p)
	}
	sort.SliceStable(out, func(i, k int) bool { return out[i].bits > out[k].bits })
	return out
}

// fresh is a datum not taken yet, near a value; extra is the squared relative error of ranges that no reading used yet.
func (o *outcome) fresh(spec meter.Spec, what quality, track, near float64) (d datum, extra float64, ok bool) {
	d = datum{what: what, shown: near, gain: -1, trackGain: -1, burdenOf: -1, track: track, levels: []wave.Level{{Value: 1, Share: 1}}, kelvin: fitKelvin}
	of := func(f meter.Function, x float64, sym string) (meter.RangeSpec, int, bool) {
		r, ok := spec.Range(f, x)
		if !ok {
			return r, -1, false
		}
		name := "gain of " + rangeName(spec, r, sym)
		for i, n := range o.m.e.nuisance {
			if n.name == name {
				return r, i, true
			}
		}
		extra += float64(r.Gain) * float64(r.Gain) / 3
		return r, -1, true
	}
	var r meter.RangeSpec
	switch what {
	case ofCurrent:
		if r, d.gain, ok = of(meter.DCCurrent, near, unit.SymAmp); !ok {
			return d, 0, false
		}
		d.burden = float64(unit.Or(r.Burden, 0))
	case ofDrop:
		if r, d.gain, ok = of(meter.DCVoltage, near, unit.SymVolt); !ok {
			return d, 0, false
		}
		d.input = float64(unit.Or(r.Input, 0))
	default:
		if r, d.gain, ok = of(meter.Resistance, near, unit.SymOhm); !ok {
			return d, 0, false
		}
	}
	d.spec, d.sd = r, math.Hypot(r.Sigma(), r.Resolution/math.Sqrt(12))
	if what == ofResistance {
		d.sd = math.Hypot(r.Sigma(), contactOhm)
	} else if v, g, ok := of(meter.DCVoltage, math.Abs(track), unit.SymVolt); ok {
		d.trackGain, d.trackSD = g, math.Hypot(v.Sigma(), v.Resolution/math.Sqrt(12))
	}
	return d, extra, true
}

// propose judges one candidate.
func (o *outcome) propose(spec meter.Spec, md *mode, b bench, what quality, track, near float64) (proposal, bool) {
	m := o.m
	d, extra, ok := o.fresh(spec, what, track, near)
	if !ok {
		return proposal{}, false
	}
	b.Hook(unit.Ohm(d.burden), 0, unit.Ohm(d.input))
	f, ok := m.foresight(md, &d, b)
	if !ok {
		return proposal{}, false
	}
	noise := f.own*f.own + extra*f.mean*f.mean
	cg := make([]float64, len(md.u))
	var gcg float64
	for i := range cg {
		for k := range f.grad {
			cg[i] += md.cov.At(i, k) * f.grad[k]
		}
		gcg += cg[i] * f.grad[i]
	}
	var own []int // coordinates of the lamp
	for i := range md.u {
		if m.ofLamp(i) {
			own = append(own, i)
		}
	}
	before, after := mat.NewSymDense(len(own), nil), mat.NewSymDense(len(own), nil)
	for i, a := range own {
		for k, b := range own[i:] {
			before.SetSym(i, i+k, md.cov.At(a, b))
			after.SetSym(i, i+k, md.cov.At(a, b)-cg[a]*cg[b]/(noise+gcg))
		}
	}
	var a, c mat.Cholesky
	if !a.Factorize(before) || !c.Factorize(after) {
		return proposal{}, false
	}
	p := proposal{what: what, track: track, expect: f.mean, spread: 2 * math.Sqrt(noise+gcg)}
	p.bits = (a.LogDet() - c.LogDet()) / 2 / math.Ln2
	p.narrowed = math.Sqrt(math.Max(after.At(0, 0), 0))
	return p, true
}

// symbol is the unit of what a proposal measures.
func (p *proposal) symbol() string {
	return [...]string{unit.SymAmp, unit.SymVolt, unit.SymOhm, ""}[p.what]
}
