// Package leads identifies an unknown three-legged part from a meter's readings between its leads: what it is, which lead
// is which, which family its junctions are of, whether it is damaged, and which reading would settle what is open.
//
// # Inference
//
// A hypothesis is a kind of part and an order of its leads. Each kind is stood for by a thousand or more parts drawn from
// what such parts are (kinds), each measured with a meter drawn from what such meters are: some 3 V behind a few kilohms,
// about a milliampere, over range above 2 V. The probability of the readings under a hypothesis is the mean over its
// parts of the product of the readings' likelihoods, each a normal error of meter and model with a small share of slips
// of probe, eye or pen; Bayes' theorem does the rest. The parts are the same every time: the same readings give the
// same answer. A kind "none of the known" keeps its share, so that readings no known part would show are not forced
// onto one.
//
// # Physics
//
// Junctions conduct one way, with N·Vt per factor e of current. With one lead open, a bipolar transistor reads
// Vt·ln(I·(1+BR)/IS) from base to emitter and Vt·ln(I·BR/IS) from base to collector (transport law): the emitter, more
// heavily doped, always reads more, by Vt·ln(1+1/BR), a few to some tens of millivolts; in a gain socket with collector
// and emitter exchanged the reading is BR itself. With collector and base joined it reads Vt·ln(I/IS), less than the base
// alone: that tells a transistor from two diodes without a gain socket. Resistors of pre-biased types add I·R. A MOSFET
// shows its body diode, keeps a charge on its gate between readings (After, and the order of the readings), and with gate
// and drain joined its threshold.
//
// Not modelled: breakdown (meters have no 5 V), germanium, JFETs, thyristors, capacitance; they fall to "none of the known
// kinds". Units are SI. Drops and their spread: common practice and memory, see the kinds. Published pattern checked in
// the tests: Lessons in Electric Circuits, vol. III, ch. 4, "Meter check of a transistor".
//
// Entry points: Parse, ReadCSV, Identify, Result.Findings.
package leads

import (
	"math"
	"sort"
	"strings"
	"sync"

	"fettle/internal/parts"
)

// Sure is the probability from which a statement is made without "probably".
const Sure = 0.95

// Options are what is known beside the readings. The zero value is nothing.
type Options struct {
	Package   string           // "SOT-23", "TO-92": weighs orders of leads by the catalogue, and names the leads
	Marking   []parts.Any      // the parts the marking may stand for; none: any part
	Catalogue *parts.Catalogue // nil: the embedded one
}

// Marked are the parts of a catalogue that are called or marked so, for Options.Marking.
func Marked(c *parts.Catalogue, query, pkg string) (list []parts.Any) {
	if p, ok := c.Find(query); ok {
		list = append(list, p)
	}
	for _, m := range c.ByMarking(query, pkg) {
		list = append(list, m.Part)
	}
	return list
}

// A Hypothesis is a kind of part with its leads in an order.
type Hypothesis struct {
	Kind   string
	Pins   [3]string // roles of leads 1, 2, 3
	P      float64   // probability
	Family string    // of its junctions

	kind    int
	order   [3]int
	weights []float64 // of the samples, summing to 1
}

// A Result is what the readings say.
type Result struct {
	Readings   []Reading
	Hypotheses []Hypothesis // likeliest first; those below 1e-4 are left out
	Kind       string       // likeliest kind, over all orders
	PKind      float64      // its probability
	Roles      [3]string    // what each lead likeliest is, within the likeliest kind
	PRoles     [3]float64   // their probabilities within that kind
	Damaged    bool
	Swapped    bool // a gain was read with collector and emitter exchanged
	Next       []Suggestion
	Candidates []parts.Any // of the catalogue, that agree in kind, order of leads and figures

	opts Options
}

// Identified reports whether kind and leads are sure.
func (r Result) Identified() bool {
	for _, p := range r.PRoles {
		if p < Sure {
			return false
		}
	}
	return r.PKind >= Sure && r.Kind != Other
}

var populations = sync.OnceValue(func() []*population {
	out := make([]*population, len(kinds))
	for i, k := range kinds {
		out[i] = k.population(i)
	}
	return out
})

// Identify weighs every kind and order of leads against the readings.
func Identify(readings []Reading, opts Options) Result {
	if opts.Catalogue == nil {
		opts.Catalogue = parts.Load()
	}
	r := Result{Readings: readings, opts: opts}
	all := populations()
	var list []Hypothesis
	total := 0.0
	for k, kd := range kinds {
		for _, order := range kd.ordersOf() {
			h := Hypothesis{Kind: kd.name, Pins: kd.pins(order), kind: k, order: order}
			prior := kd.prior * orderShare(kd, h.Pins, opts)
			if prior == 0 {
				continue
			}
			h.weights = weigh(all[k], readings, order)
			sum := 0.0
			for _, w := range h.weights {
				sum += w
			}
			if sum == 0 {
				continue
			}
			for i := range h.weights {
				h.weights[i] /= sum
			}
			h.P = prior * sum / float64(len(all[k].list))
			h.Family = familyOf(all[k].list, h.weights)
			total += h.P
			list = append(list, h)
		}
	}
	for i := range list {
		list[i].P /= total
	}
	sort.SliceStable(list, func(i, j int) bool { return list[i].P > list[j].P })
	for i, h := range list {
		if h.P < 1e-4 && i > 0 {
			list = list[:i]
			break
		}
	}
	r.Hypotheses = list
	r.conclude()
	r.Next = r.next()
	r.Candidates = r.candidates()
	return r
}

// weigh is the likelihood of the readings for every part of a kind. A gate that came charged keeps its charge until a
// reading drains it, like one of somebody who does not short the leads between readings.
func weigh(p *population, readings []Reading, order [3]int) []float64 {
	out := make([]float64, len(p.list))
	if !p.keeps() {
		for i := range out {
			out[i] = 1
		}
		for k := range readings {
			r := &readings[k]
			for i, o := range p.sees(r, order) {
				if out[i] > 1e-30 {
					out[i] *= p.list[i].likelihood(r, o)
				}
			}
		}
		return out
	}
	for i := range p.list {
		s := &p.list[i]
		g, w := gate{on: s.left}, 1.0
		for k := range readings {
			r := &readings[k]
			if w *= s.likelihood(r, p.foresee(i, r, order, &g, s.loose || s.left)); w < 1e-30 {
				w = 0
				break
			}
		}
		out[i] = w
	}
	return out
}

// orderShare is the share of a kind's parts that have their leads in an order: by the catalogue where the package is known
// (one part in ten is taken as out of the ordinary), else all orders alike. A marking allows what is marked so, and
// damage.
func orderShare(kd kind, pins [3]string, opts Options) float64 {
	orders := float64(len(kd.ordersOf()))
	list := opts.Catalogue.All()
	if len(opts.Marking) > 0 {
		list = opts.Marking
	} else if opts.Package == "" || kd.damaged || kd.name == Other {
		return 1 / orders
	}
	same, n := 0.0, 0.0
	for _, any := range list {
		name, have, ok := kindOf(any)
		if !ok || name != kd.name || opts.Package != "" && !parts.SamePackage(opts.Package, any.Common().Package) {
			continue
		}
		n++
		if have == pins {
			same++
		}
	}
	const odd = 0.1
	switch {
	case n > 0:
		return (1-odd)*same/n + odd/orders
	case len(opts.Marking) > 0:
		return odd / orders // a marking is never proof
	}
	return 1 / orders
}

func familyOf(list []sample, weights []float64) string {
	families := []string{silicon, schottky, led, ""}
	sum := make([]float64, len(families))
	for i, w := range weights {
		if w == 0 {
			continue
		}
		for k, f := range families {
			if list[i].family == f {
				sum[k] += w
			}
		}
	}
	best := 0
	for k := range families {
		if sum[k] > sum[best] {
			best = k
		}
	}
	return families[best]
}

// conclude sums over orders.
func (r *Result) conclude() {
	byKind := map[string]float64{}
	for _, h := range r.Hypotheses {
		byKind[h.Kind] += h.P
		if byKind[h.Kind] > r.PKind {
			r.Kind, r.PKind = h.Kind, byKind[h.Kind]
		}
	}
	for lead := range 3 {
		share := map[string]float64{}
		for _, h := range r.Hypotheses {
			if h.Kind == r.Kind {
				share[h.Pins[lead]] += h.P / r.PKind
				if p := share[h.Pins[lead]]; p > r.PRoles[lead] {
					r.Roles[lead], r.PRoles[lead] = h.Pins[lead], p
				}
			}
		}
	}
	for _, k := range kinds {
		if k.name == r.Kind {
			r.Damaged = k.damaged
		}
	}
	if top := r.top(); top != nil && (r.Kind == NPN || r.Kind == PNP) {
		for _, x := range r.Readings {
			if x.Test != Gain || x.Open || x.Value < 0.5 || !strings.HasPrefix(r.Kind, x.Polarity) {
				continue
			}
			if x.Socket[top.order[roleB]] == 'B' && x.Socket[top.order[roleC]] == 'E' && r.PRoles[top.order[roleE]] > 0.5 {
				r.Swapped = true
			}
		}
	}
}

// top is the likeliest hypothesis of the likeliest kind.
func (r *Result) top() *Hypothesis {
	for i := range r.Hypotheses {
		if r.Hypotheses[i].Kind == r.Kind {
			return &r.Hypotheses[i]
		}
	}
	return nil
}

// candidates are the parts of the catalogue, or of the marking, that agree with the likeliest hypothesis.
func (r *Result) candidates() []parts.Any {
	top := r.top()
	if top == nil || r.Kind == Regulator && r.PKind < 0.5 {
		return nil
	}
	list := r.opts.Catalogue.All()
	if len(r.opts.Marking) > 0 {
		list = r.opts.Marking
	}
	var out []parts.Any
	for _, any := range list {
		name, pins, ok := kindOf(any)
		if !ok || name != r.Kind || r.opts.Package != "" && !parts.SamePackage(r.opts.Package, any.Common().Package) {
			continue
		}
		agrees := fits(any, top.Family, r.Readings)
		for lead := range 3 {
			agrees = agrees && (pins[lead] == r.Roles[lead] || r.PRoles[lead] < Sure)
		}
		if agrees {
			out = append(out, any)
		}
	}
	return out
}

// entropy of probabilities, in bits.
func entropy(ps []float64) float64 {
	sum := 0.0
	for _, p := range ps {
		if p > 0 {
			sum -= p * math.Log2(p)
		}
	}
	return sum
}
