package survey

import (
	"fmt"
	"math"
	"math/rand/v2"

	"fettle/internal/build"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// A state is what the readings say of the lamp before any fit: whether it lives and which way round it sits.
type state struct {
	dead   bool
	doubt  bool // it may be dead: dark this way round, the other was not tried
	turned bool // it lights with plus at the switched side
	known  bool // which way round it sits was seen
	tested bool // the other direction was tried and blocks
	// structure of a dead lamp: shorted or open.
	structure wiring.Structure
	why       string // in words
	dark      string // what was seen dark, in words: why a lamp that proves shorted gives no light
	odds      float64
	open      float64 // probability that nothing conducts, where no current ever flowed
}

// darkCurrent is a current at which any working LED is seen (common practice, no source: small LEDs glow visibly at
// some tens of microamperes).
const darkCurrent = 0.1e-3

// inspect looks for what needs no fit.
func (m *model) inspect(hs []hypothesis, rng *rand.Rand) state {
	e := m.e
	var st state
	var forward, backward, zero []int // current data
	dark, lit := -1, -1
	for k := range e.data {
		d := &e.data[k]
		r := &e.readings[d.reading]
		switch {
		case d.what != ofCurrent || d.banned:
		case d.conducts() && d.track > 0:
			forward = append(forward, k)
		case d.conducts():
			backward = append(backward, k)
		default:
			zero = append(zero, k)
		}
		if d.what == ofCurrent && !d.banned && r.Looked.Text != "" {
			if r.Looked.Text == build.LookedDark {
				if d.conducts() && d.shown-d.others > darkCurrent && (dark < 0 || d.shown-d.others > e.data[dark].shown-e.data[dark].others) {
					dark = k
				}
			} else if lit < 0 || d.shown-d.others < e.data[lit].shown-e.data[lit].others {
				lit = k
			}
		}
	}
	amps := func(k int) string {
		return unit.Format(e.data[k].shown-e.data[k].others, unit.SymAmp, 3) + " at " + unit.Format(math.Abs(e.data[k].track), unit.SymVolt, 3)
	}

	least := leastDrop(hs)
	filament := len(of(hs, wiring.FilamentLamp)) > 0
	dead := func(format string, args ...any) state {
		return state{dead: true, odds: 0.99, structure: wiring.ShortedLamp, why: fmt.Sprintf(format, args...)}
	}
	// A drop too small for any LED, at a voltage that would have to light it.
	for k := range e.data {
		d := &e.data[k]
		if d.what != ofDrop || d.banned || d.track <= 0 || len(d.levels) != 1 || filament {
			continue
		}
		if d.shown+4*d.sd < least && d.track > least+0.5 {
			return dead("a drop of %s at %s is too small for any LED (the least of its class is %s): its LED is shorted, or no current reaches it",
				unit.Format(d.shown, unit.SymVolt, 3), unit.Format(d.track, unit.SymVolt, 3), unit.Format(least, unit.SymVolt, 2))
		}
	}
	if dark >= 0 && lit < 0 && math.Abs(e.data[dark].track) > least+0.5 {
		st.dark = fmt.Sprintf("it passes %s and stays dark: the current does not go through a living LED", amps(dark))
	}
	switch {
	case len(forward) > 0 && len(backward) > 0:
		// Which way it lights, if only one, is the one it conducts better.
		st.known, st.tested = true, true
		st.turned = m.conductance(backward) > m.conductance(forward)
		return st
	case len(forward) > 0:
		st.known = true
		for k := range e.data {
			if e.data[k].what == ofCurrent && e.data[k].track < 0 && !e.data[k].conducts() {
				st.tested = true
			}
		}
		return st
	case len(backward) > 0:
		st.known, st.turned = true, true
		for k := range e.data {
			if e.data[k].what == ofCurrent && e.data[k].track > 0 && !e.data[k].conducts() {
				st.tested = true
			}
		}
		return st
	case len(zero) == 0:
		return st
	}

	// Nothing ever flowed. How likely would that be of a living lamp, either way round?
	const tries = 400
	var sum float64
	oneWay := 0.0
	for _, h := range hs {
		sum += h.prior
		if !h.structure.BothWays() {
			oneWay += h.prior
		}
	}
	like := func(turned bool) float64 {
		var like, weight float64
		for i := 0; i < tries; i++ {
			x := (float64(i) + 0.5) / tries * sum
			var h hypothesis
			for _, h = range hs {
				if x -= h.prior; x < 0 {
					break
				}
			}
			h.turned = turned
			u := make([]float64, m.dimOf(&h))
			u[uHidden] = h.resistor.draw(rng.Float64())
			for j := 1; j < len(u); j++ {
				u[j] = rng.NormFloat64()
			}
			lamp := h.lamp(u)
			l := 0.0
			for _, k := range zero {
				d := &e.data[k]
				y, ok := m.predict(&h, d, m.at(h.structure, k), lamp, u)
				if !ok {
					l = math.Inf(-1)
					break
				}
				t, t0 := (d.shown-y)/d.sd, (d.shown-d.others)/d.sd
				l += (t0*t0 - t*t) / 2 // against an open lamp
			}
			like += math.Exp(math.Min(l, 50))
			weight++
		}
		return like / weight
	}
	turnedOdds := turnedPrior * oneWay / sum // what conducts both ways has no wrong way round
	asked, turned := (1-turnedOdds-openPrior)*like(false), 0.0
	if turnedOdds > 0 {
		turned = turnedOdds * like(true)
	}
	total := asked + turned + openPrior
	pOpen, pTurned := openPrior/total, turned/total
	st.open = pOpen
	say := amps(zero[0])
	for _, k := range zero {
		if math.Abs(e.data[k].track) > math.Abs(e.data[zero[0]].track) {
			say = amps(k)
		}
	}
	switch {
	case pOpen > 0.9:
		st.dead, st.odds, st.structure = true, pOpen, wiring.OpenLamp
		st.why = fmt.Sprintf("no current either way (%s) at a voltage that must light it: an open LED, wire or resistor", say)
	case pOpen+pTurned > 0.9:
		st.doubt, st.odds = true, pOpen
		st.why = fmt.Sprintf("no current (%s) at a voltage that must light it: it sits the other way round (%.0f %%) or is dead (%.0f %%)", say, 100*pTurned, 100*pOpen)
	}
	return st
}

// conductance is the largest among the data, burdens and all.
func (m *model) conductance(ks []int) (most float64) {
	for _, k := range ks {
		d := &m.e.data[k]
		most = math.Max(most, (d.shown-d.others)/math.Abs(d.track))
	}
	return most
}

// wantsTurned reports whether the lamp's feed is its minus.
func (e *evidence) wantsTurned() bool { return e.lamp.Feed.Text == build.DecoderMinus }

// leastDrop is the least forward voltage that any LED in question shows once some current flows.
func leastDrop(hs []hypothesis) float64 {
	least := math.Inf(1)
	for _, h := range hs {
		// At a tenth of a milliampere, a shift of four deviations below typical.
		v := float64(h.class.junction(-4, 0, 0).Voltage(0.1e-3, fitKelvin)) - 0.1
		least = math.Min(least, v)
	}
	return math.Max(least, 0.5)
}
