package leads

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"

	"fettle/internal/parts"
	"fettle/internal/unit"
)

// A kind is a kind of part as leads and junctions see it.
type kind struct {
	name    string    // "NPN transistor"
	roles   [3]string // what the leads are called
	prior   float64   // share of what lies about at a bench (own judgement, no source; only its order of magnitude counts)
	draw    func(r *rand.Rand) sample
	damaged bool
	samples int     // how many parts stand for the kind
	blur    float64 // V: each stands for its neighbours within this, where a kind has more unknowns than so many parts can fill
}

// An edge is what lies between two nodes of a part: a junction that conducts from a to b, or a resistor.
type edge struct {
	a, b int
	v    float64 // junction: its voltage at 1 mA
	held float64 // the same with base joined to the lead that is neither a nor b: then the transistor carries the current; 0: as v
	n    float64 // its emission coefficient
	r    float64 // resistor, Ω; 0: a junction
}

// A sample is one part of a kind with one meter. Nodes 0, 1, 2 are the leads in the order of the roles; 3 and 4 lie inside.
type sample struct {
	edges  []edge
	family string

	bjt            int     // +1 NPN, −1 PNP with base 0, collector 1, emitter 2; 0: none
	gain, reversed float64 // in the gain socket; 0: none
	socket         socketOdds

	pre *resistors // of a pre-biased transistor

	channel     int     // +1 N-, −1 P-channel MOSFET with gate 0, drain 1, source 2; 0: none
	vth         float64 // VGS at 1 mA
	left, loose bool    // gate charged before the first reading; leads not shorted between readings

	voc, ishort, limit, scale float64 // meter: open-circuit voltage, short-circuit current, highest voltage shown, 1 + its gain error
	ohmV                      float64 // voltage of its resistance test
	blur                      float64 // as of its kind
}

// resistors are what a pre-biased transistor holds, and its junctions while it carries current either way.
type resistors struct{ r1, r2, be, bc, br float64 }

// carries is the voltage at which a pre-biased transistor carries a milliampere with its input joined to a lead: the
// divider R1, R2 multiplies VBE, the other way round the base current flows through both.
func (p resistors) carries(toEmitter bool, i float64) float64 {
	if toEmitter {
		if p.r2 == 0 {
			return p.be + i/100*p.r1
		}
		return p.be * (1 + p.r1/p.r2)
	}
	r := p.r1
	if p.r2 > 0 {
		r = p.r1 * p.r2 / (p.r1 + p.r2)
	}
	return p.bc + i*r/(1+p.br)
}

// socketOdds are the chances of what a gain socket shows on a part that is not plugged in as the transistor it is.
type socketOdds struct{ zero, over float64 }

const (
	roleB, roleC, roleE = 0, 1, 2
	roleG, roleD, roleS = 0, 1, 2
)

// Families of junctions.
const (
	silicon  = "silicon"
	schottky = "Schottky"
	led      = "LED"
)

func normal(r *rand.Rand, mean, sd float64) float64 { return mean + sd*r.NormFloat64() }

func logNormal(r *rand.Rand, median, sd float64) float64 {
	return median * math.Exp(sd*r.NormFloat64())
}

func pick(r *rand.Rand, list []float64) float64 { return list[r.IntN(len(list))] }

// The meter's diode test: some 3 V behind a resistance, about a milliampere; it shows up to 2 V, some up to their battery
// (common practice, from memory).
func (s *sample) meter(r *rand.Rand) {
	s.voc = 2.4 + 1.2*r.Float64()
	s.ishort = math.Min(1.8e-3, math.Max(0.4e-3, logNormal(r, 1e-3, 0.25)))
	if s.limit = 1.999; r.Float64() < 0.25 {
		s.limit = s.voc
	}
	s.scale = 1 + 0.01*(2*r.Float64()-1)
	if s.ohmV = 0.35; r.Float64() < 0.4 {
		s.ohmV = 2
	}
}

// bipolar draws the junctions of a transistor. With the third lead open, VBE = Vt·ln(I·(1+BR)/IS) and
// VBC = Vt·ln(I·BR/IS), so that the base-emitter junction always reads more, by Vt·ln(1+1/BR); all the current flows through
// the base resistance. With the third lead joined to the base the transistor carries the current: Vt·ln(I/IS) to the
// emitter, Vt·ln(I/(IS·(1+1/BR))) to the collector (transport law; IS from the BC847 class down to transistors for an
// ampere).
func bipolar(r *rand.Rand, polarity int) sample {
	base := normal(r, 0.630, 0.035)
	if r.Float64() < 0.15 { // large, hot or odd ones
		base = normal(r, 0.60, 0.08)
	}
	br := math.Min(60, math.Max(0.02, logNormal(r, 1.8, 1.6)))
	hfe := math.Min(1500, math.Max(15, logNormal(r, 180, 0.7)))
	rb := 1e-3 * math.Min(80, logNormal(r, 10, 1))
	be, bc := base+vt*math.Log1p(br), base+vt*math.Log(br)+normal(r, 0, 0.003)
	// A tiny reverse gain is limited by recombination, which costs less than the law says.
	bc = math.Max(bc, be-0.10)
	s := sample{family: silicon, bjt: polarity, gain: hfe, reversed: math.Max(0, br*logNormal(r, 1, 0.3))}
	s.edges = []edge{
		{a: roleB, b: roleE, v: be + rb, held: base, n: 1},
		{a: roleB, b: roleC, v: bc + rb, held: base - vt*math.Log1p(1/br) + rb/(1+br), n: 1},
	}
	s.turn(polarity)
	return s
}

// vt is k·T/q of a room.
const vt = 0.0257

// turn reverses every junction for a PNP part.
func (s *sample) turn(polarity int) {
	if polarity > 0 {
		return
	}
	for i := range s.edges {
		e := &s.edges[i]
		e.a, e.b = e.b, e.a
	}
}

// prebiased draws a transistor with a resistor before its base and, mostly, one from base to emitter.
func prebiased(r *rand.Rand, polarity int) sample {
	values := []float64{1e3, 2.2e3, 4.7e3, 10e3, 10e3, 22e3, 47e3}
	s := bipolar(r, polarity)
	be, bc := s.edges[0].v, s.edges[1].v
	s.pre = &resistors{be: s.edges[0].held, bc: s.edges[1].held, br: s.reversed}
	const inner = 3
	r1 := pick(r, values) * (0.75 + 0.5*r.Float64())
	s.pre.r1 = r1
	s.edges = []edge{{a: inner, b: roleE, v: be, n: 1}, {a: inner, b: roleC, v: bc, n: 1}, {a: roleB, b: inner, r: r1}}
	if r.Float64() < 0.85 {
		s.pre.r2 = pick(r, values) * (0.75 + 0.5*r.Float64())
		s.edges = append(s.edges, edge{a: inner, b: roleE, r: s.pre.r2})
		// The socket's microamperes flow through R2 and never reach 0.6 V, unless it is large.
		s.gain, s.socket = 0, socketOdds{0.8, 0}
	}
	s.turn(polarity)
	s.reversed = 0
	return s
}

// darlington draws a pair, most with resistors from base to emitter and a diode from emitter to collector. With the
// collector joined to the base both transistors carry current.
func darlington(r *rand.Rand, polarity int) sample {
	const mid = 3
	v1, v2 := normal(r, 0.65, 0.05), normal(r, 0.62, 0.06)
	held := vt * math.Log1p(logNormal(r, 1.8, 1.3))
	s := sample{family: silicon, gain: math.Exp(math.Log(800) + r.Float64()*math.Log(50)), reversed: 2 * r.Float64()}
	s.edges = []edge{{a: roleB, b: mid, v: v1, held: v1 - held, n: 1}, {a: mid, b: roleE, v: v2, held: v2 - held - 0.06*r.Float64(), n: 1},
		{a: roleB, b: roleC, v: v1 - 0.08*r.Float64(), n: 1}}
	if r.Float64() < 0.65 {
		s.edges = append(s.edges, edge{a: roleB, b: mid, r: 3e3 + 15e3*r.Float64()}, edge{a: mid, b: roleE, r: logNormal(r, 160, 0.8)},
			edge{a: roleE, b: roleC, v: normal(r, 0.58, 0.08), n: 1.5})
		s.gain, s.socket = 0, socketOdds{0.75, 0.05} // the resistors take the socket's microamperes
	}
	s.turn(polarity)
	s.bjt = polarity
	return s
}

func fieldEffect(r *rand.Rand, channel int) sample {
	s := sample{family: silicon, channel: channel, vth: math.Max(0.4, normal(r, 1.6, 0.6)), socket: socketOdds{0.5, 0.3}}
	s.edges = []edge{{a: roleS, b: roleD, v: normal(r, 0.55, 0.06), n: 1.3}}
	s.turn(channel)
	s.left = r.Float64() < 0.04
	s.loose = r.Float64() < 0.35
	return s
}

// junction draws the forward voltage at 1 mA of a diode of any family: silicon, Schottky or an LED that lights.
func junction(r *rand.Rand) (v, n float64, family string) {
	switch x := r.Float64(); {
	case x < 0.60:
		return normal(r, 0.62, 0.055), 1.8, silicon
	case x < 0.90:
		return math.Max(0.1, normal(r, 0.25, 0.06)), 1.1, schottky
	}
	return normal(r, 1.80, 0.12), 2, led
}

func diodes(r *rand.Rand, pairs ...[2]int) sample {
	v, n, family := junction(r)
	s := sample{family: family, socket: socketOdds{0.8, 0.1}}
	for _, p := range pairs {
		s.edges = append(s.edges, edge{a: p[0], b: p[1], v: v + normal(r, 0, 0.0015), n: n})
	}
	return s
}

// regulator draws what the substrate and protection of a linear regulator look like: ground is the anode of junctions
// to both other leads, and the output feeds back into the input (from memory; types differ much).
func regulator(r *rand.Rand) sample {
	const in, gnd, out = 0, 1, 2
	s := sample{family: silicon, socket: socketOdds{0.6, 0.2}}
	s.edges = []edge{{a: gnd, b: in, v: normal(r, 0.65, 0.15), n: 1.3}, {a: gnd, b: out, v: normal(r, 0.65, 0.15), n: 1.3}}
	if r.Float64() < 0.8 {
		s.edges = append(s.edges, edge{a: out, b: in, v: normal(r, 0.75, 0.25), n: 1.3})
	}
	if r.Float64() < 0.5 {
		s.edges = append(s.edges, edge{a: in, b: gnd, v: 1 + 2*r.Float64(), n: 3})
	}
	if r.Float64() < 0.5 {
		s.edges = append(s.edges, edge{a: out, b: gnd, r: 2e3 + 20e3*r.Float64()})
	}
	if r.Float64() < 0.3 {
		s.edges = append(s.edges, edge{a: in, b: out, v: 1 + 1.5*r.Float64(), n: 3})
	}
	return s
}

// shorted draws a transistor or diode of which two leads are joined inside.
func shorted(r *rand.Rand) sample {
	s := sample{family: silicon, socket: socketOdds{0.6, 0.3}}
	ohms := 15 * r.Float64()
	s.edges = []edge{{a: 0, b: 1, r: 0.1 + ohms}}
	v := normal(r, 0.64, 0.06)
	switch x := r.Float64(); {
	case x < 0.3:
		s.edges = append(s.edges, edge{a: 2, b: 0, v: v, n: 1}, edge{a: 2, b: 1, v: v, n: 1})
	case x < 0.6:
		s.edges = append(s.edges, edge{a: 0, b: 2, v: v, n: 1}, edge{a: 1, b: 2, v: v, n: 1})
	case x < 0.8:
		s.edges = append(s.edges, edge{a: 0, b: 2, r: 0.1 + ohms})
	}
	return s
}

// broken draws a transistor with one lead off inside: a single junction is left.
func broken(r *rand.Rand) sample {
	return sample{family: silicon, socket: socketOdds{0.9, 0}, edges: []edge{{a: 0, b: 1, v: normal(r, 0.66, 0.05), n: 1}}}
}

// other stands for all that is none of these: every pair of leads may conduct or not, at any voltage.
func other(r *rand.Rand) sample {
	s := sample{socket: socketOdds{0.3, 0.3}}
	for a := range 3 {
		for b := range 3 {
			if a == b {
				continue
			}
			switch x := r.Float64(); {
			case x < 0.35:
				s.edges = append(s.edges, edge{a: a, b: b, v: 0.15 + 1.8*r.Float64(), n: 1.5})
			case x < 0.42 && a < b:
				s.edges = append(s.edges, edge{a: a, b: b, r: math.Exp(math.Log(10) + r.Float64()*math.Log(1e4))})
			}
		}
	}
	return s
}

// Kinds, as Identify calls them.
const (
	NPN           = "NPN transistor"
	PNP           = "PNP transistor"
	NPNPrebiased  = "pre-biased NPN transistor"
	PNPPrebiased  = "pre-biased PNP transistor"
	NPNDarlington = "NPN Darlington pair"
	PNPDarlington = "PNP Darlington pair"
	NChannel      = "N-channel MOSFET"
	PChannel      = "P-channel MOSFET"
	CommonCathode = "two diodes, common cathode"
	CommonAnode   = "two diodes, common anode"
	InSeries      = "two diodes in series"
	SingleDiode   = "one diode in a three-lead package"
	Regulator     = "linear regulator or the like"
	Shorted       = "damaged: two leads shorted"
	Broken        = "damaged: a transistor with one lead off inside"
	NoConduction  = "nothing that a meter sees: open, or no such part"
	Other         = "none of the known kinds"
)

var kinds = []kind{
	{name: NPN, roles: [3]string{"B", "C", "E"}, prior: 0.24, samples: 2000, draw: func(r *rand.Rand) sample { return bipolar(r, 1) }},
	{name: PNP, roles: [3]string{"B", "C", "E"}, prior: 0.19, samples: 2000, draw: func(r *rand.Rand) sample { return bipolar(r, -1) }},
	{name: NPNPrebiased, roles: [3]string{"B", "C", "E"}, prior: 0.06, samples: 2000, draw: func(r *rand.Rand) sample { return prebiased(r, 1) }, blur: 0.01},
	{name: PNPPrebiased, roles: [3]string{"B", "C", "E"}, prior: 0.04, samples: 2000, draw: func(r *rand.Rand) sample { return prebiased(r, -1) }, blur: 0.01},
	{name: NPNDarlington, roles: [3]string{"B", "C", "E"}, prior: 0.025, samples: 2000, draw: func(r *rand.Rand) sample { return darlington(r, 1) }, blur: 0.02},
	{name: PNPDarlington, roles: [3]string{"B", "C", "E"}, prior: 0.02, samples: 2000, draw: func(r *rand.Rand) sample { return darlington(r, -1) }, blur: 0.02},
	{name: NChannel, roles: [3]string{"G", "D", "S"}, prior: 0.10, draw: func(r *rand.Rand) sample { return fieldEffect(r, 1) }},
	{name: PChannel, roles: [3]string{"G", "D", "S"}, prior: 0.06, draw: func(r *rand.Rand) sample { return fieldEffect(r, -1) }},
	{name: CommonCathode, roles: [3]string{"A", "A", "K"}, prior: 0.05, draw: func(r *rand.Rand) sample { return diodes(r, [2]int{0, 2}, [2]int{1, 2}) }},
	{name: CommonAnode, roles: [3]string{"K", "K", "A"}, prior: 0.04, draw: func(r *rand.Rand) sample { return diodes(r, [2]int{2, 0}, [2]int{2, 1}) }},
	{name: InSeries, roles: [3]string{"A", "AK", "K"}, prior: 0.04, draw: func(r *rand.Rand) sample { return diodes(r, [2]int{0, 1}, [2]int{1, 2}) }},
	{name: SingleDiode, roles: [3]string{"A", "n.c.", "K"}, prior: 0.06, draw: func(r *rand.Rand) sample { return diodes(r, [2]int{0, 2}) }},
	{name: Regulator, roles: [3]string{"IN", "GND", "OUT"}, prior: 0.015, samples: 2000, draw: regulator, blur: 0.03},
	{name: Shorted, roles: [3]string{"short", "short", "third"}, prior: 0.02, draw: shorted, damaged: true},
	{name: Broken, roles: [3]string{"anode", "cathode", "off"}, prior: 0.012, draw: broken, damaged: true},
	{name: NoConduction, roles: [3]string{"?", "?", "?"}, prior: 0.01, draw: func(r *rand.Rand) sample {
		return sample{socket: socketOdds{0.8, 0.1}}
	}, damaged: true, samples: 50},
	{name: Other, roles: [3]string{"?", "?", "?"}, prior: 0.02, draw: other, samples: 3000, blur: 0.05},
}

// usualSamples are the parts that stand for a kind.
const usualSamples = 1000

// A population is the parts that stand for a kind, and what each shows between roles, found when it is first asked for.
type population struct {
	list  []sample
	slots [2 * 8 * 8 * 2]struct {
		once sync.Once
		sees []outcome
	}
}

// population draws the parts of a kind: the same every time.
func (k kind) population(index int) *population {
	r := rand.New(rand.NewPCG(uint64(index)+1, 0x1ead5))
	n := k.samples
	if n == 0 {
		n = usualSamples
	}
	// Equal roles may change places: every part stands there in each way, so that the names of leads decide nothing.
	var same [][3]int
	for _, o := range orders {
		if k.pins(o) == k.roles {
			same = append(same, o)
		}
	}
	p := &population{}
	for len(p.list) < n {
		s := k.draw(r)
		s.meter(r)
		s.blur = k.blur
		for _, o := range same {
			p.list = append(p.list, s.exchanged(o))
		}
	}
	return p
}

// exchanged is the part with its roles on other leads.
func (s sample) exchanged(order [3]int) sample {
	to := func(node int) int {
		if node < 3 {
			return order[node]
		}
		return node
	}
	s.edges = slices.Clone(s.edges)
	for i := range s.edges {
		s.edges[i].a, s.edges[i].b = to(s.edges[i].a), to(s.edges[i].b)
	}
	return s
}

// between is what every part shows between sets of roles in a test, with its channel on or off.
func (p *population) between(t Test, red, black uint8, channel bool) []outcome {
	k := int(t)<<7 | int(red)<<4 | int(black)<<1
	if channel {
		k |= 1
	}
	slot := &p.slots[k]
	slot.once.Do(func() {
		slot.sees = make([]outcome, len(p.list))
		for i := range p.list {
			if s := &p.list[i]; t == Ohms {
				slot.sees[i] = s.ohms(red, black, channel)
			} else {
				slot.sees[i] = s.diodeTest(red, black, channel)
			}
		}
	})
	return slot.sees
}

// orders are the ways to lay three roles on three leads: order[role] is the lead.
var orders = [][3]int{{0, 1, 2}, {0, 2, 1}, {1, 0, 2}, {1, 2, 0}, {2, 0, 1}, {2, 1, 0}}

// pins are the roles by lead.
func (k kind) pins(order [3]int) (out [3]string) {
	for role, lead := range order {
		out[lead] = k.roles[role]
	}
	return out
}

// ordersOf are the orders that differ: equal roles are interchangeable.
func (k kind) ordersOf() [][3]int {
	var out [][3]int
	seen := map[[3]string]bool{}
	for _, o := range orders {
		if p := k.pins(o); !seen[p] {
			seen[p] = true
			out = append(out, o)
		}
	}
	return out
}

// An outcome is what a meter would show on a sample: a voltage, a resistance or a gain, or nothing.
type outcome struct {
	open  bool
	value float64
	loose bool // a resistance or gain that only says "something"
}

// roleSet turns leads into roles.
func roleSet(l Lead, order [3]int) (out uint8) {
	for role, lead := range order {
		if l&(1<<lead) != 0 {
			out |= 1 << role
		}
	}
	return out
}

// gate follows the charge on a MOSFET's gate through the readings.
type gate struct{ on bool }

// touch is what probes on the leads do to the gate.
func (g *gate) touch(s *sample, red, black uint8) {
	if s.channel == 0 {
		return
	}
	plus, minus := red, black
	if s.channel < 0 {
		plus, minus = black, red
	}
	const g0 = uint8(1 << roleG)
	switch {
	case plus&g0 != 0 && plus&^g0 == 0 && minus != 0:
		g.on = s.voc > s.vth+0.2
	case minus&g0 != 0, plus&g0 != 0:
		g.on = false // pulled the other way, or joined to another lead
	}
}

// sees is what every part shows on a reading, for kinds that keep no charge.
func (p *population) sees(r *Reading, order [3]int) []outcome {
	if r.Test == Gain {
		out := make([]outcome, len(p.list))
		for i := range p.list {
			out[i] = p.list[i].foreseeGain(r, order)
		}
		return out
	}
	return p.between(r.Test, roleSet(r.Probes.Red, order), roleSet(r.Probes.Black, order), false)
}

// keeps reports whether the parts keep a charge from one reading to the next.
func (p *population) keeps() bool { return p.list[0].channel != 0 }

// foresee says what a reading would show on part i, with its leads in the given order. A gate is drained before a
// reading unless keep says that the leads are not shorted in between.
func (p *population) foresee(i int, r *Reading, order [3]int, g *gate, keep bool) outcome {
	s := &p.list[i]
	if r.Test == Gain {
		return s.foreseeGain(r, order)
	}
	red, black := roleSet(r.Probes.Red, order), roleSet(r.Probes.Black, order)
	if s.channel == 0 {
		return p.between(r.Test, red, black, false)[i]
	}
	if !keep {
		g.on = false
	}
	if r.After != (Pair{}) {
		g.touch(s, roleSet(r.After.Red, order), roleSet(r.After.Black, order))
	}
	if s.diodeConnected(red, black) {
		o := p.between(r.Test, red, black, false)[i]
		g.on = true
		return o
	}
	// A gate that is joined to a lead, or probed by itself, has no charge of its own.
	if (red|black)&(1<<roleG) != 0 {
		g.touch(s, red, black)
		if joined := red&(1<<roleG) != 0 && red != 1<<roleG || black&(1<<roleG) != 0 && black != 1<<roleG; joined {
			g.on = false
		}
	}
	return p.between(r.Test, red, black, g.on)[i]
}

// diodeConnected reports whether gate and drain are joined at the lead that draws the current in.
func (s *sample) diodeConnected(red, black uint8) bool {
	plus, minus := red, black
	if s.channel < 0 {
		plus, minus = black, red
	}
	return s.channel != 0 && plus == 1<<roleG|1<<roleD && minus == 1<<roleS
}

// diodeTest is what the diode test shows between roles.
func (s *sample) diodeTest(red, black uint8, channel bool) outcome {
	v := s.path(red, black, channel)
	if s.diodeConnected(red, black) {
		v = math.Min(v, s.vth)
	}
	if s.pre != nil {
		plus, minus := red, black
		if s.bjt < 0 {
			plus, minus = minus, plus
		}
		switch {
		case plus == 1<<roleB|1<<roleC && minus == 1<<roleE, plus == 1<<roleB|1<<roleE && minus == 1<<roleC:
			v = math.Min(v, s.pre.carries(minus == 1<<roleE, math.Max(0, (s.voc-1)*s.ishort/s.voc)))
		}
	}
	if v > s.limit || v >= s.voc-1e-3 {
		return outcome{open: true}
	}
	return outcome{value: v * s.scale}
}

// path is the least voltage of a path from the red leads to the black ones, fed through the meter's resistance; +∞ where
// there is none.
func (s *sample) path(red, black uint8, channel bool) float64 {
	rs := s.voc / s.ishort
	best := math.Inf(1)
	edges := s.edges
	if channel {
		edges = append(slices.Clone(edges), edge{a: roleD, b: roleS, r: 3})
	}
	held := false // base and one of the others joined
	if s.bjt != 0 {
		for _, joined := range []uint8{red, black} {
			held = held || joined == 1<<roleB|1<<roleC || joined == 1<<roleB|1<<roleE
		}
	}
	var walk func(node int, visited uint8, volts, n, ohms float64)
	walk = func(node int, visited uint8, volts, n, ohms float64) {
		if node < 3 && black&(1<<node) != 0 {
			i := math.Max(1e-7, (s.voc-volts)/(rs+ohms))
			for range 4 {
				i = math.Max(1e-7, (s.voc-volts-n*vt*math.Log(i/1e-3))/(rs+ohms))
			}
			if v := s.voc - i*rs; v < best {
				best = v
			}
			return
		}
		for _, e := range edges {
			to := -1
			switch {
			case e.a == node:
				to = e.b
			case e.b == node && e.r > 0:
				to = e.a
			}
			if to < 0 || visited&(1<<to) != 0 || to < 3 && red&(1<<to) != 0 {
				continue
			}
			switch {
			case e.r > 0:
				walk(to, visited|1<<to, volts, n, ohms+e.r)
			case held && e.held > 0:
				walk(to, visited|1<<to, volts+e.held, n+e.n, ohms)
			default:
				walk(to, visited|1<<to, volts+e.v, n+e.n, ohms)
			}
		}
	}
	for node := range 3 {
		if red&(1<<node) != 0 {
			walk(node, 1<<node, 0, 0, 0)
		}
	}
	return best
}

// ohms is what a resistance test shows: resistors only if its voltage opens no junction.
func (s *sample) ohms(red, black uint8, channel bool) outcome {
	only := sample{voc: 1e3, ishort: 1}
	for _, e := range s.edges {
		if e.r > 0 {
			only.edges = append(only.edges, e)
		}
	}
	// With 1 kV and 1 A through 1 kΩ the path's resistance is v/i.
	v := only.path(red, black, channel)
	r := math.Inf(1)
	if v < 1e3 {
		r = v / ((1e3 - v) / 1e3)
	}
	through := s.path(red, black, channel)
	switch {
	case s.ohmV > 1 && through < s.ohmV && !(r*s.ishort < through):
		return outcome{loose: true}
	case math.IsInf(r, 1):
		return outcome{open: true}
	}
	return outcome{value: r}
}

// foreseeGain is what a gain socket shows: the gain, the reverse gain with collector and emitter exchanged, or next to nothing.
func (s *sample) foreseeGain(r *Reading, order [3]int) outcome {
	if s.gain == 0 {
		return outcome{loose: true}
	}
	right := s.bjt == 0 || r.Polarity == "" || r.Polarity == "NPN" && s.bjt > 0 || r.Polarity == "PNP" && s.bjt < 0
	if !right || r.Socket[order[roleB]] != 'B' {
		return outcome{loose: true}
	}
	if r.Socket[order[roleC]] == 'C' {
		return outcome{value: s.gain}
	}
	return outcome{value: s.reversed}
}

// Errors of the readings beside the meter's own scale error (from memory: an ordinary hand meter).
const (
	noiseV    = 0.004 // V: counts, contact, what the samples leave out
	noiseRel  = 0.006 // of the voltage
	noiseOhm  = 0.05  // of a resistance, by its logarithm
	noiseGain = 0.15  // of a gain, by its logarithm
	misread   = 0.004 // share of readings that are a slip of probe, eye or pen
)

func gauss(x, sd float64) float64 {
	if x > 8*sd || x < -8*sd {
		return 0
	}
	return math.Exp(-x*x/(2*sd*sd)) / (sd * math.Sqrt(2*math.Pi))
}

// likelihood of a reading where the outcome was foreseen.
func (s *sample) likelihood(r *Reading, o outcome) float64 {
	switch r.Test {
	case Gain:
		return s.gainLikelihood(r, o)
	case Ohms:
		// Any resistance between 1 Ω and 100 MΩ, by its logarithm, where nothing better is known.
		any := 1 / math.Log(1e8)
		switch {
		case o.loose && r.Open:
			return 0.5
		case o.loose:
			return 0.5 * any
		case o.open && r.Open, o.open && r.Value > 5e6:
			return 1 - misread
		case o.open || r.Open:
			return misread
		}
		ref := math.Max(o.value, 1)
		return (1-misread)*gauss(math.Log(math.Max(r.Value, 1)/ref), noiseOhm+0.5/ref) + misread*any
	}
	const span = 2.0 // V: a misread value may stand anywhere
	switch {
	case o.open && r.Open:
		return 1 - misread
	case o.open:
		return misread / span
	case r.Open:
		return misread
	}
	return (1-misread)*gauss(r.Value-o.value, math.Hypot(noiseV+noiseRel*o.value, s.blur)) + misread/span
}

func (s *sample) gainLikelihood(r *Reading, o outcome) float64 {
	any := 1 / math.Log(1e4)
	if o.loose {
		odds := s.socket
		if odds == (socketOdds{}) {
			odds = socketOdds{0.75, 0.1}
		}
		switch {
		case r.Open:
			return odds.over
		case r.Value < 1:
			return odds.zero
		}
		return (1 - odds.over - odds.zero) * any
	}
	switch {
	case r.Open:
		if o.value > 900 {
			return 0.7 // three and a half digits end at 1999, many sockets at 1000
		}
		return misread
	case r.Value < 1:
		if o.value < 2 {
			return 0.5
		}
		return misread
	}
	return (1-misread)*gauss(math.Log(r.Value/math.Max(o.value, 0.5)), noiseGain) + misread*any
}

// roleOf is a catalogue's name of a lead as a role: "IN(B)" is "B", "A2" is "A", "K1A2" is "AK".
func roleOf(pin string) string {
	if i := strings.IndexByte(pin, '('); i >= 0 {
		pin = strings.TrimSuffix(pin[i+1:], ")")
	}
	hasA, hasK := strings.Contains(pin, "A"), strings.Contains(pin, "K")
	switch {
	case pin == "" || pin == "n.c.":
		return "n.c."
	case strings.HasPrefix(pin, "GND") || strings.HasPrefix(pin, "IN") || strings.HasPrefix(pin, "OUT"):
		return strings.TrimRight(pin, "0123456789+")
	case hasA && hasK:
		return "AK"
	case hasA:
		return "A"
	case hasK:
		return "K"
	}
	return pin
}

// kindOf is the kind a part of the catalogue is seen as, and its roles by lead; ok is false for parts without three leads.
func kindOf(any parts.Any) (name string, pins [3]string, ok bool) {
	p := any.Common()
	if len(p.Pins) != 3 {
		return "", pins, false
	}
	for k, pin := range p.Pins {
		pins[k] = roleOf(pin)
	}
	switch q := any.(type) {
	case parts.BJT:
		switch q.Polarity {
		case parts.NPN:
			name = NPN
		case parts.PNP:
			name = PNP
		case parts.NPNPrebiased:
			name = NPNPrebiased
		case parts.PNPPrebiased:
			name = PNPPrebiased
		}
	case parts.MOSFET:
		if name = NChannel; q.Channel == "P" {
			name = PChannel
		}
	case parts.Regulator:
		name = Regulator
	case parts.Diode:
		n := map[string]int{}
		for _, role := range pins {
			n[role]++
		}
		switch {
		case n["AK"] == 1:
			name = InSeries
		case n["A"] == 2:
			name = CommonCathode
		case n["K"] == 2:
			name = CommonAnode
		default:
			name = SingleDiode
		}
	}
	return name, pins, name != ""
}

// fits says whether a part of the catalogue agrees with what was found, by its figures.
func fits(any parts.Any, family string, readings []Reading) bool {
	switch p := any.(type) {
	case parts.Diode:
		return (p.Type == "schottky") == (family == schottky) && family != led
	case parts.BJT:
		if p.Prebiased() {
			return true
		}
		for _, r := range readings {
			if r.Test != Gain || r.Open || r.Value < 20 {
				continue
			}
			for _, g := range p.Gain {
				if g.IC >= 0.5e-3 && g.IC <= 5e-3 && (r.Value < 0.7*g.Min || r.Value > 1.4*unit.Or(g.Max, math.Inf(1))) {
					return false
				}
			}
		}
	}
	return true
}
