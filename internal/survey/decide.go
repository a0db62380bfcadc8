package survey

import (
	"fmt"
	"math"
	"strings"

	"fettle/internal/build"
	"fettle/internal/meter"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// A foreseen is what one structure would show.
type foreseen struct {
	structure wiring.Structure
	p         float64 // of the structure
	mean, sd  float64
}

// A contest is a reading not taken yet that would decide between structures.
type contest struct {
	what   quality
	track  float64 // V, negative: turned round
	expect []foreseen
	bits   float64 // of information on the structure
}

// mostReverse is what is put across a lamp the wrong way round where it may be an LED without a diode of its own, whatever
// its class: the usual rating (5 V; Lessons in Electric Circuits III, ch. 3).
const mostReverse = 5.0

// lowVolt is where an LED passes nothing yet.
const lowVolt = 1.2

// contest finds the reading that would tell most of the structure: the mutual information between structure and what
// the meter shows, each structure foreseeing it by the normal law at its most probable lamp. false where one structure
// stands alone.
func (o *outcome) contest(b *build.Build) (contest, bool) {
	rivals := o.rivals()
	if len(rivals) == 0 {
		return contest{}, false
	}
	field := append([]standing{o.stand[0]}, rivals...)
	benches := make([]bench, len(field))
	for i, s := range field {
		if s.best == nil {
			continue // an open lamp: nothing flows
		}
		bench, err := o.m.hook(s.structure)
		if err != nil {
			return contest{}, false
		}
		bench.Solver.SetTemperature(fitKelvin)
		benches[i] = bench
	}
	spec := o.spec(b)
	var volts []float64
	for _, q := range []build.Quantity[unit.Volt]{b.Track.Low, b.Track.Usual} {
		if v := float64(q.Or(0)); v > 0 && v <= o.highest(b) {
			volts = append(volts, v)
		}
	}
	var best contest
	try := func(what quality, track float64) {
		c := contest{what: what, track: track}
		for i := range field {
			f, ok := o.foreseen(spec, &field[i], benches[i], what, track)
			if !ok {
				return
			}
			c.expect = append(c.expect, f)
		}
		if c.bits = information(c.expect); c.bits > best.bits*1.02+1e-6 {
			best = c
		}
	}
	// The gentlest first: a later one must tell more.
	way := 1.0
	if o.state.turned {
		way = -1
	}
	try(ofCurrent, way*lowVolt)
	for _, v := range []float64{3, 4, mostReverse} {
		try(ofCurrent, -way*v)
	}
	for _, v := range append([]float64{3, 5}, volts...) {
		try(ofCurrent, way*v)
	}
	if len(volts) == 0 {
		for _, v := range []float64{8, 12} {
			try(ofCurrent, way*v)
		}
	}
	outside := best
	for _, v := range append([]float64{6}, volts...) {
		try(ofDrop, way*v)
	}
	if best.what == ofDrop && best.bits < 1.5*outside.bits {
		best = outside // what is read without opening the lamp comes first
	}
	return best, best.bits > 1e-3
}

// spec is that of the meter that the lamp was read with last.
func (o *outcome) spec(b *build.Build) meter.Spec {
	name := ""
	for _, r := range o.m.e.readings {
		if r.Meter.Text != "" {
			name = r.Meter.Text
		}
	}
	spec, _ := b.MeterSpec(name)
	return spec
}

// highest is what the user's supplies give.
func (o *outcome) highest(b *build.Build) float64 {
	most := 27.0
	for _, s := range b.Supplies {
		if s.Highest.Known() {
			most = float64(s.Highest.Value)
		}
	}
	return most
}

// foreseen is what a structure would show at a voltage; false where that is more than it, or the meter, should see.
func (o *outcome) foreseen(spec meter.Spec, s *standing, b bench, what quality, track float64) (foreseen, bool) {
	f := foreseen{structure: s.structure, p: s.probability}
	near := 0.0
	if s.best != nil {
		md := s.best
		lamp := md.lamp(md.u)
		v := track
		if md.turned {
			v = -v
		}
		b.Hook(0, 0, 0)
		b.Lamp.Set(b.Solver, lamp)
		b.Solve(unit.Volt(v))
		near = math.Abs(float64(b.Current()))
		if most := o.mostCurrent(md); near > most {
			return f, false
		}
		if what == ofDrop {
			near = math.Abs(float64(b.Drop()))
		}
	} else if what == ofDrop {
		near = math.Abs(track)
	}
	d, extra, ok := o.fresh(spec, what, track, near)
	if !ok {
		return f, false
	}
	if s.best == nil {
		f.mean, f.sd = near, d.sd
		return f, true
	}
	b.Hook(unit.Ohm(d.burden), 0, unit.Ohm(d.input))
	x, ok := o.m.foresight(s.best, &d, b)
	if !ok {
		return f, false
	}
	v := x.own*x.own + extra*x.mean*x.mean
	for i := range x.grad {
		for k := range x.grad {
			v += x.grad[i] * s.best.cov.At(i, k) * x.grad[k]
		}
	}
	f.mean, f.sd = x.mean, math.Sqrt(v)
	return f, true
}

// mostCurrent is what a lamp of the mode shall be given in a reading.
func (o *outcome) mostCurrent(md *mode) float64 {
	if md.structure == wiring.FilamentLamp {
		return 0.15
	}
	most := float64(unit.Or(md.class.row.IFmax, 0.02)) * float64(md.p)
	if never := o.m.e.lamp.NeverAbove; never.Known() {
		most = math.Min(most, 2*float64(never.Value)) // the mean of a half-wave lamp; half as long on smooth DC
	}
	return most
}

// information is the mutual information, in bit, between structure and reading: the mean over either of the logarithm
// of the ratio between a structure's density of the reading and that of all together.
func information(field []foreseen) float64 {
	var total, bits float64
	for _, f := range field {
		total += f.p
	}
	for _, f := range field {
		var sum, weight float64
		for k := -12; k <= 12; k++ {
			z := float64(k) / 4
			y := f.mean + z*f.sd
			var all float64
			for _, g := range field {
				t := (y - g.mean) / g.sd
				all += g.p / total / g.sd * math.Exp(-t*t/2)
			}
			w := math.Exp(-z * z / 2)
			sum += w * (-z*z/2 - math.Log(f.sd) - math.Log(all))
			weight += w
		}
		bits += f.p / total * sum / weight
	}
	return math.Max(bits, 0) / math.Ln2
}

// say is the instruction, with what each structure would show.
func (c *contest) say(turned bool) string {
	at := volt(math.Abs(c.track))
	var s string
	switch round := c.track < 0; {
	case c.what == ofDrop:
		s = fmt.Sprintf("on smooth DC at %s, measure the voltage across the LED itself", at)
	case round != turned:
		side := map[bool]string{true: "plus at the switched side", false: "plus at the feed"}[round]
		s = fmt.Sprintf("turn the supply round (%s; no more than %s, an LED without a diode stands little in reverse) and read the current at %s", side, volt(mostReverse), at)
	case round:
		s = fmt.Sprintf("on smooth DC at %s, plus at the switched side, measure the current", at)
	default:
		s = fmt.Sprintf("on smooth DC at %s, plus at the feed, measure the current", at)
	}
	sym := unit.SymAmp
	if c.what == ofDrop {
		sym = unit.SymVolt
	}
	var shows []string
	for _, f := range c.expect[:min(len(c.expect), 4)] {
		what := fmt.Sprintf("%s ± %s", unit.Format(f.mean, sym, 3), unit.Format(2*f.sd, sym, 2))
		if f.mean < 0.1*f.sd {
			what = "nothing (less than " + unit.Format(2*f.sd, sym, 2) + ")"
		}
		shows = append(shows, fmt.Sprintf("%s: %s", f.structure, what))
	}
	return s + ". To expect from " + strings.Join(shows, "; from ")
}
