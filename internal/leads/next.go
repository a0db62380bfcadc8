package leads

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"fettle/internal/unit"
)

// A Suggestion is a reading worth taking, and what it would show.
type Suggestion struct {
	Reading Reading // without its value
	Bits    float64 // what it is expected to tell
	Shows   []Shows // the likeliest hypotheses first
}

// Shows is what a hypothesis foresees of a reading.
type Shows struct {
	What string // "NPN transistor, B C E"
	Says string // "about 0.66 V"
}

func (s Shows) String() string { return s.What + ": " + s.Says }

const (
	leastTelling = 0.05 // bits: below that a reading is not worth the trouble
	binWidth     = 0.015
	bins         = 140 // of voltage up to 2.1 V, and one for open
	weighed      = 16  // hypotheses that next considers
)

// next finds the readings that would tell most about what is open: the expected drop of the entropy over hypotheses.
func (r *Result) next() []Suggestion {
	list := r.Hypotheses[:min(weighed, len(r.Hypotheses))]
	ps := make([]float64, len(list))
	for i, h := range list {
		ps[i] = h.P
	}
	if len(list) < 2 || entropy(ps) < leastTelling {
		return nil
	}
	var out []Suggestion
	for _, q := range r.open() {
		s := Suggestion{Reading: q.Reading}
		if s.Bits = r.telling(list, q.Reading) - q.trouble; s.Bits > leastTelling {
			out = append(out, s)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].Bits > out[j].Bits })
	out = out[:min(3, len(out))]
	for i := range out {
		out[i].Shows = r.shows(out[i].Reading)
	}
	return out
}

// A question is a reading not taken yet and what it costs in bits: a socket wants wires soldered to a small part.
type question struct {
	Reading
	trouble float64
}

// open are the readings not taken yet.
func (r *Result) open() []question {
	taken := map[string]bool{}
	for _, x := range r.Readings {
		taken[x.question()+x.after()] = true
	}
	var out []question
	add := func(x Reading, trouble float64) {
		if key := x.question() + x.after(); !taken[key] {
			taken[key] = true
			out = append(out, question{x, trouble})
		}
	}
	leads := []Lead{Lead1, Lead2, Lead3}
	for _, a := range leads {
		for _, b := range leads {
			if a == b {
				continue
			}
			rest := (Lead1 | Lead2 | Lead3) &^ (a | b)
			add(Reading{Probes: Pair{a, b}}, 0)
			add(Reading{Probes: Pair{a | rest, b}}, 0.02)
			add(Reading{Probes: Pair{a, b | rest}}, 0.02)
			if a < b {
				add(Reading{Test: Ohms, Probes: Pair{a, b}}, 0.01)
			}
		}
	}
	for _, h := range r.Hypotheses[:min(4, len(r.Hypotheses))] {
		switch h.Kind {
		case NPN, PNP, NPNDarlington, PNPDarlington:
			add(Reading{Test: Gain, Polarity: h.Kind[:3], Socket: strings.Join(h.Pins[:], "")}, 0.05)
		case NChannel:
			g, d, s := Lead(1)<<h.order[roleG], Lead(1)<<h.order[roleD], Lead(1)<<h.order[roleS]
			add(Reading{Probes: Pair{d, s}, After: Pair{g, s}}, 0.02)
		case PChannel:
			g, d, s := Lead(1)<<h.order[roleG], Lead(1)<<h.order[roleD], Lead(1)<<h.order[roleS]
			add(Reading{Probes: Pair{s, d}, After: Pair{s, g}}, 0.02)
		}
	}
	return out
}

// telling is the mutual information of hypotheses and outcome, in bits.
func (r *Result) telling(list []Hypothesis, q Reading) float64 {
	all := populations()
	joint := make([][]float64, len(list))
	marginal := make([]float64, 3*bins)
	for i, h := range list {
		joint[i] = make([]float64, 3*bins)
		p := all[h.kind]
		var sees []outcome
		if !p.keeps() {
			sees = p.sees(&q, h.order)
		}
		for k, w := range h.weights {
			if w < 1e-5 {
				continue
			}
			var o outcome
			if sees != nil {
				o = sees[k]
			} else {
				o = p.foresee(k, &q, h.order, &gate{}, false)
			}
			spread(joint[i], &p.list[k], q, o, w)
		}
		for b, p := range joint[i] {
			marginal[b] += h.P * p
		}
	}
	bits := 0.0
	for i, h := range list {
		for b, p := range joint[i] {
			if p > 0 {
				bits += h.P * p * math.Log2(p/marginal[b])
			}
		}
	}
	return bits
}

// spread adds an outcome to its bins, smeared by the error of a reading.
func spread(dst []float64, s *sample, q Reading, o outcome, w float64) {
	const open = 3*bins - 1
	put := func(b int, w float64) { dst[max(0, min(open-1, b))] += w }
	switch {
	case o.open:
		dst[open] += w
	case o.loose && q.Test == Gain:
		odds := s.socket
		if odds == (socketOdds{}) {
			odds = socketOdds{0.75, 0.1}
		}
		dst[open] += w * odds.over
		put(0, w*odds.zero)
		for b := 1; b < 60; b++ {
			put(b, w*(1-odds.over-odds.zero)/59)
		}
	case o.loose:
		dst[open] += w / 2
		for b := range 60 {
			put(b, w/120)
		}
	case q.Test == DiodeTest:
		b := int(o.value / binWidth)
		put(b-1, 0.25*w)
		put(b, 0.5*w)
		put(b+1, 0.25*w)
	default: // a tenth of a decade or so
		b := int(8 * math.Log10(math.Max(1, o.value)))
		put(b-1, 0.25*w)
		put(b, 0.5*w)
		put(b+1, 0.25*w)
	}
}

// shows is what the likeliest hypotheses foresee of a reading, those that foresee the same together.
func (r *Result) shows(q Reading) []Shows {
	all := populations()
	var out []Shows
	for _, h := range r.Hypotheses[:min(5, len(r.Hypotheses))] {
		if h.P < 0.01 {
			break
		}
		open, values, weights := 0.0, []float64{}, []float64{}
		loose := 0.0
		for k, w := range h.weights {
			g := gate{}
			switch o := all[h.kind].foresee(k, &q, h.order, &g, false); {
			case o.open:
				open += w
			case o.loose:
				loose += w
			default:
				values, weights = append(values, o.value), append(weights, w)
			}
		}
		what := h.Kind
		if h.Pins != [3]string{"?", "?", "?"} {
			what += " (" + strings.Join(h.Pins[:], " ") + ")"
		}
		says := "anything"
		switch {
		case open > 0.6:
			says = "OL"
		case loose > 0.6 && q.Test == Gain:
			says = "0 or OL"
		case open+loose < 0.4:
			says = about(q.Test, median(values, weights))
		}
		if i := slices.IndexFunc(out, func(s Shows) bool { return s.Says == says }); i >= 0 {
			out[i].What += " or " + what
			continue
		}
		out = append(out, Shows{what, says})
	}
	return out
}

func about(t Test, x float64) string {
	switch t {
	case Ohms:
		return "about " + unit.Format(x, unit.SymOhm, 2)
	case Gain:
		if x < 25 {
			return fmt.Sprintf("about %.0f", x)
		}
		return "tens to hundreds"
	}
	if x < 0.05 {
		return "nearly 0 V"
	}
	return fmt.Sprintf("about %.2f V", x)
}

func median(values, weights []float64) float64 {
	order := make([]int, len(values))
	total := 0.0
	for i := range order {
		order[i] = i
		total += weights[i]
	}
	sort.Slice(order, func(a, b int) bool { return values[order[a]] < values[order[b]] })
	sum := 0.0
	for _, i := range order {
		if sum += weights[i]; sum >= total/2 {
			return values[i]
		}
	}
	return 0
}
