package leads

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"strings"
	"testing"

	"fettle/internal/circuit"
	"fettle/internal/device"
	"fettle/internal/parts"
	"fettle/internal/unit"
)

// A bench is a planted part and the meter on it. The part is a circuit of the project's own device laws, fitted to
// data sheets; the inference knows nothing of these laws' parameters.
type bench struct {
	r    *rand.Rand
	kind string
	name string
	pins [3]string // roles by lead
	// add puts the part into a circuit whose leads are nodes.
	add func(c *circuit.Circuit, lead [3]circuit.Node)

	mosfet             *fieldSim
	voc, rs            float64
	limit, scale       float64
	careless           bool // does not short the leads between readings
	hfeSupply, hfeBase float64
}

// A fieldSim is a MOSFET's channel: square law above threshold, a charge that stays on its gate.
type fieldSim struct {
	p       bool
	g, d, s int
	vth, kp float64
	ron     float64
	body    device.Diode
	on      bool // charged
}

func newBench(r *rand.Rand) *bench {
	b := &bench{r: r, voc: 2.5 + r.Float64(), limit: 1.999, scale: 1 + 0.008*(2*r.Float64()-1), hfeSupply: 2.6 + 0.6*r.Float64()}
	b.rs = b.voc / (0.6e-3 + 0.8e-3*r.Float64())
	b.hfeBase = (b.hfeSupply - 0.65) / 10e-6
	if r.Float64() < 0.2 {
		b.limit = b.voc - 0.01
	}
	return b
}

// node numbers: joined leads share one.
func (b *bench) nodes(c *circuit.Circuit, red, black Lead) (lead [3]circuit.Node, plus circuit.Node) {
	plus = c.Node("red")
	for k := range 3 {
		switch {
		case red&(1<<k) != 0:
			lead[k] = plus
		case black&(1<<k) != 0:
			lead[k] = circuit.Ground
		default:
			lead[k] = c.Node(fmt.Sprint("lead ", k+1))
		}
	}
	return lead, plus
}

func (b *bench) solve(t testing.TB, c *circuit.Circuit) *circuit.Solver {
	s, err := circuit.Compile(c)
	if err != nil {
		t.Fatalf("%s: %v", b.name, err)
	}
	s.SetTemperature(298.15)
	if sol := s.Solve(); sol.Status != circuit.Solved {
		t.Fatalf("%s: %v %s", b.name, sol.Status, s.Why())
	}
	return s
}

// touch charges a gate.
func (b *bench) touch(p Pair) {
	f := b.mosfet
	if f == nil {
		return
	}
	plus, minus := p.Red, p.Black
	if f.p {
		plus, minus = minus, plus
	}
	g := Lead(1) << f.g
	switch {
	case plus == g:
		f.on = b.voc > f.vth+0.1
	case (plus|minus)&g != 0:
		f.on = false
	}
}

// take measures as the reading asks and fills in what the meter shows.
func (b *bench) take(t testing.TB, q Reading) Reading {
	if q.Test == Gain {
		return b.takeGain(t, q)
	}
	if f := b.mosfet; f != nil && !b.careless {
		f.on = false
	}
	if q.After != (Pair{}) {
		b.touch(q.After)
	}
	joined := false
	if f := b.mosfet; f != nil {
		plus, minus := q.Probes.Red, q.Probes.Black
		if f.p {
			plus, minus = minus, plus
		}
		joined = plus == Lead(1)<<f.g|Lead(1)<<f.d && minus == Lead(1)<<f.s
		if !joined {
			b.touch(q.Probes)
		}
		if (q.Probes.Red|q.Probes.Black)&(1<<f.g) != 0 && plus != Lead(1)<<f.g {
			f.on = false
		}
	}
	c := circuit.New()
	lead, plus := b.nodes(c, q.Probes.Red, q.Probes.Black)
	src := c.Node("battery")
	voc, rs := b.voc, b.rs
	if q.Test == Ohms {
		voc, rs = 0.4, 1e4
	}
	c.Voltage("meter", src, circuit.Ground, unit.Volt(voc))
	c.Resistor("series", src, plus, unit.Ohm(rs))
	b.add(c, lead)
	if f := b.mosfet; f != nil && f.on {
		c.Resistor("channel", lead[f.d], lead[f.s], unit.Ohm(f.ron))
	}
	s := b.solve(t, c)
	v := float64(s.V(plus))
	if joined {
		// Diode-connected: the square law against the meter's resistance.
		f := b.mosfet
		lo, hi := f.vth, f.vth+5
		for range 60 {
			m := (lo + hi) / 2
			if 0.5*f.kp*(m-f.vth)*(m-f.vth) < (voc-m)/rs {
				lo = m
			} else {
				hi = m
			}
		}
		v = math.Min(v, math.Min(hi, voc))
	}
	if q.Test == Ohms {
		i := (voc - v) / rs
		x := v / i * (1 + 0.008*(2*b.r.Float64()-1))
		if i <= 0 || x > 20e6 {
			q.Open = true
			return q
		}
		q.Value = x
		return q
	}
	if v > b.limit {
		q.Open = true
		return q
	}
	q.Value = math.Max(0, math.Round(1e3*v*b.scale+2*(2*b.r.Float64()-1))/1e3)
	return q
}

func (b *bench) takeGain(t testing.TB, q Reading) Reading {
	sign := 1.0
	if q.Polarity == "PNP" {
		sign = -1
	}
	c := circuit.New()
	var lead [3]circuit.Node
	for k := range 3 {
		if q.Socket[k] != 'E' {
			lead[k] = c.Node("hole " + q.Socket[k:k+1])
		}
	}
	rail := c.Node("rail")
	c.Voltage("battery", rail, circuit.Ground, unit.Volt(sign*b.hfeSupply))
	var collector circuit.Elem
	for k := range 3 {
		switch q.Socket[k] {
		case 'C':
			collector = c.Resistor("sense", rail, lead[k], 10)
		case 'B':
			c.Resistor("base", rail, lead[k], unit.Ohm(b.hfeBase))
		}
	}
	b.add(c, lead)
	if f := b.mosfet; f != nil && q.Socket[f.g] == 'B' && b.hfeSupply > f.vth {
		c.Resistor("channel", lead[f.d], lead[f.s], unit.Ohm(f.ron))
	}
	s := b.solve(t, c)
	h := sign * float64(s.I(collector, 0)) / 10e-6 * (1 + 0.03*(2*b.r.Float64()-1))
	if h > 1999 {
		q.Open = true
		return q
	}
	q.Value = math.Max(0, math.Round(h))
	return q
}

// sixWays are the readings of the diode test in every direction.
func sixWays() []Reading {
	var out []Reading
	for _, p := range []Pair{{Lead1, Lead2}, {Lead2, Lead1}, {Lead1, Lead3}, {Lead3, Lead1}, {Lead2, Lead3}, {Lead3, Lead2}} {
		out = append(out, Reading{Probes: p})
	}
	return out
}

func (b *bench) six(t testing.TB) (out []Reading) {
	for _, q := range sixWays() {
		out = append(out, b.take(t, q))
	}
	return out
}

// layOut puts roles on leads: as the catalogue has it, or at random.
func (b *bench) layOut(roles [3]string, pins []string) (lead map[string]int) {
	lead = map[string]int{}
	if len(pins) == 3 {
		for k, p := range pins {
			b.pins[k] = roleOf(p)
			lead[p] = k
		}
		return lead
	}
	for role, k := range b.r.Perm(3) {
		b.pins[k] = roles[role]
		lead[fmt.Sprint(roles[role], "#", role)] = k
		lead[roles[role]] = k
	}
	return lead
}

func (b *bench) z(n int) []float64 {
	z := make([]float64, n)
	for i := range z {
		z[i] = math.Max(-1, math.Min(1, b.r.NormFloat64()/2))
	}
	return z
}

// piece draws a transistor as pieces are: a sheet's limits of VBE are far wider (tested at large currents, or with a large
// base resistance), and its gain at microamperes is the least that the sheet allows. So VBE is the typical one ±20 mV.
func (b *bench) piece(s *device.BJTSpread) device.BJT {
	z := b.z(4)
	z[1] = 0
	q := s.At(z)
	q.IS *= unit.Amp(math.Exp(b.r.NormFloat64() * 0.02 / 0.0257))
	// The reverse gain of a sheet's worst VCE(sat) may be a thousandth; of pieces it is 0.1 to 30 (from memory).
	q.RB, q.ISE, q.BR = min(q.RB, 60), q.ISE/4, max(q.BR, 0.1)
	return q
}

func find(lead map[string]int, role string) int {
	for p, k := range lead {
		if roleOf(p) == role {
			return k
		}
	}
	return -1
}

func (b *bench) bipolar(t testing.TB, p parts.BJT, shuffle bool) *bench {
	b.name, b.kind = p.Name, map[string]string{parts.NPN: NPN, parts.PNP: PNP, parts.NPNPrebiased: NPNPrebiased, parts.PNPPrebiased: PNPPrebiased}[p.Polarity]
	q := p
	q.Polarity = strings.TrimSuffix(p.Polarity, "-prebiased")
	if p.Prebiased() { // the transistor inside: a small one
		inner, _ := parts.Load().BJT(map[bool]string{false: "BC847B", true: "BC857B"}[p.PNP()])
		q = inner
	}
	s, err := device.SpreadBJT(q)
	if err != nil {
		t.Fatal(err)
	}
	tr := b.piece(s)
	pins := p.Pins
	if shuffle {
		pins = nil
	}
	lead := b.layOut([3]string{"B", "C", "E"}, pins)
	base, collector, emitter := find(lead, "B"), find(lead, "C"), find(lead, "E")
	r1, r2 := 0.0, 0.0
	if p.Prebiased() {
		r1, r2 = float64(unit.Or(p.R1, 0)), float64(unit.Or(p.R2, 0))
		r1 *= 1 + 0.25*(2*b.r.Float64()-1)
		r2 *= 1 + 0.25*(2*b.r.Float64()-1)
	}
	b.add = func(c *circuit.Circuit, n [3]circuit.Node) {
		inner := n[base]
		if r1 > 0 {
			inner = c.Node("inner")
			c.Resistor("R1", n[base], inner, unit.Ohm(r1))
		}
		if r2 > 0 {
			c.Resistor("R2", inner, n[emitter], unit.Ohm(r2))
		}
		c.BJT("Q", n[collector], inner, n[emitter], tr)
	}
	return b
}

func (b *bench) darlington(t testing.TB, npn, resistors bool) *bench {
	name := map[bool]string{true: "MMBT2222A", false: "MMBT2907A"}[npn]
	p, _ := parts.Load().BJT(name)
	s, err := device.SpreadBJT(p)
	if err != nil {
		t.Fatal(err)
	}
	q1, q2 := b.piece(s), b.piece(s)
	q2.IS *= 5
	b.name, b.kind = "Darlington of "+name, map[bool]string{true: NPNDarlington, false: PNPDarlington}[npn]
	lead := b.layOut([3]string{"B", "C", "E"}, nil)
	base, collector, emitter := lead["B"], lead["C"], lead["E"]
	d, _ := parts.Load().Diode("1N4001")
	ds, _ := device.SpreadDiode(d)
	diode := ds.At(b.z(1))
	r1, r2 := 5e3+8e3*b.r.Float64(), 80+200*b.r.Float64()
	b.add = func(c *circuit.Circuit, n [3]circuit.Node) {
		mid := c.Node("mid")
		c.BJT("Q1", n[collector], n[base], mid, q1)
		c.BJT("Q2", n[collector], mid, n[emitter], q2)
		if resistors {
			c.Resistor("R1", n[base], mid, unit.Ohm(r1))
			c.Resistor("R2", mid, n[emitter], unit.Ohm(r2))
			if npn {
				c.Diode("D", n[emitter], n[collector], diode)
			} else {
				c.Diode("D", n[collector], n[emitter], diode)
			}
		}
	}
	return b
}

func (b *bench) fieldEffect(t testing.TB, p parts.MOSFET, shuffle bool) *bench {
	b.name, b.kind = p.Name, map[string]string{"N": NChannel, "P": PChannel}[p.Channel]
	pins := p.Pins
	if shuffle {
		pins = nil
	}
	lead := b.layOut([3]string{"G", "D", "S"}, pins)
	low, high := float64(unit.Or(p.VGSthMin, 0.6)), float64(unit.Or(p.VGSthMax, 1.4))
	f := &fieldSim{p: p.Channel == "P", g: find(lead, "G"), d: find(lead, "D"), s: find(lead, "S"),
		vth: low + (high-low)*b.r.Float64(), kp: 0.1, ron: 1}
	// A body diode of 0.45 to 0.65 V at a milliampere (from memory).
	v := 0.45 + 0.2*b.r.Float64()
	f.body = device.Diode{IS: unit.Amp(1e-3 * math.Exp(-v/(1.15*0.0257))), N: 1.15, RS: 0.5, T0: 298.15}
	b.mosfet = f
	b.add = func(c *circuit.Circuit, n [3]circuit.Node) {
		a, k := n[f.s], n[f.d]
		if f.p {
			a, k = k, a
		}
		c.Diode("body", a, k, f.body)
		c.Resistor("gate", n[f.g], n[f.s], 1e12)
	}
	return b
}

func (b *bench) diode(t testing.TB, p parts.Diode, shuffle bool) *bench {
	b.name = p.Name
	b.kind, b.pins, _ = kindOf(p)
	s, err := device.SpreadDiode(p)
	if err != nil {
		t.Fatal(err)
	}
	d := s.At(b.z(len(s.Vars())))
	perm := []int{0, 1, 2}
	if shuffle {
		perm = b.r.Perm(3)
		was := b.pins
		for k, to := range perm {
			b.pins[to] = was[k]
		}
	}
	anode, cathode := map[byte]int{}, map[byte]int{}
	for k, pin := range p.Pins {
		for i := 0; i < len(pin) && pin != "n.c."; i++ {
			if number := byte(0); pin[i] == 'A' || pin[i] == 'K' {
				if i+1 < len(pin) && pin[i+1] >= '0' && pin[i+1] <= '9' {
					number = pin[i+1]
				}
				if pin[i] == 'A' {
					anode[number] = perm[k]
				} else {
					cathode[number] = perm[k]
				}
			}
		}
	}
	b.add = func(c *circuit.Circuit, n [3]circuit.Node) {
		for _, number := range []byte{0, '1', '2'} {
			a, okA := anode[number]
			k, okK := cathode[number]
			// A common lead is written once, without a number.
			if !okA && okK && number != 0 {
				a, okA = anode[0]
			}
			if !okK && okA && number != 0 {
				k, okK = cathode[0]
			}
			if okA && okK && a != k {
				c.Diode("D"+string('0'+number%48), n[a], n[k], d)
			}
		}
		for k := range 3 { // a lead without connection must not float in the solver
			c.Resistor(fmt.Sprint("surface ", k), n[k], circuit.Ground, 1e12)
		}
	}
	return b
}

func (b *bench) shorted(t testing.TB, p parts.BJT) *bench {
	b.bipolar(t, p, true)
	inner := b.add
	perm := b.r.Perm(3)
	b.kind, b.name = Shorted, p.Name+" with a short"
	b.pins = [3]string{"third", "third", "third"}
	b.pins[perm[0]], b.pins[perm[1]] = "short", "short"
	ohm := unit.Ohm(0.5 + 8*b.r.Float64())
	b.add = func(c *circuit.Circuit, n [3]circuit.Node) {
		inner(c, n)
		c.Resistor("short", n[perm[0]], n[perm[1]], ohm)
	}
	return b
}

// broken takes a transistor's collector or emitter off its lead.
func (b *bench) broken(t testing.TB, p parts.BJT) *bench {
	b.bipolar(t, p, true)
	inner, npn := b.add, b.kind == NPN
	off := slices.Index(b.pins[:], []string{"C", "E"}[b.r.IntN(2)])
	base := slices.Index(b.pins[:], "B")
	b.kind, b.name = Broken, p.Name+" with a lead off"
	left := 3 - off - base
	b.pins[off], b.pins[base], b.pins[left] = "off", "anode", "cathode"
	if !npn {
		b.pins[base], b.pins[left] = "cathode", "anode"
	}
	b.add = func(c *circuit.Circuit, n [3]circuit.Node) {
		n[off] = c.Node("off")
		inner(c, n)
	}
	return b
}

// plant draws a part: kind by kind as they lie in drawers, its leads as makers put them or in any order.
func plant(t testing.TB, seed uint64) *bench {
	r := rand.New(rand.NewPCG(seed, 99))
	b := newBench(r)
	c := parts.Load()
	var ordinary, pre []parts.BJT
	for _, p := range c.BJTs() {
		if len(p.Pins) != 3 {
			continue
		}
		if p.Prebiased() {
			pre = append(pre, p)
		} else {
			ordinary = append(ordinary, p)
		}
	}
	var three []parts.Diode
	for _, p := range c.Diodes() {
		if len(p.Pins) == 3 && p.Type != "zener" {
			three = append(three, p)
		}
	}
	shuffle := r.Float64() < 0.3
	switch x := r.Float64(); {
	case x < 0.40:
		return b.bipolar(t, ordinary[r.IntN(len(ordinary))], shuffle)
	case x < 0.52:
		return b.bipolar(t, pre[r.IntN(len(pre))], shuffle)
	case x < 0.70:
		list := c.MOSFETs()
		b.careless = r.Float64() < 0.3
		return b.fieldEffect(t, list[r.IntN(len(list))], shuffle)
	case x < 0.88:
		return b.diode(t, three[r.IntN(len(three))], shuffle)
	case x < 0.94:
		return b.darlington(t, r.Float64() < 0.6, r.Float64() < 0.7)
	}
	if r.Float64() < 0.5 {
		return b.broken(t, ordinary[r.IntN(len(ordinary))])
	}
	return b.shorted(t, ordinary[r.IntN(len(ordinary))])
}

type tally struct {
	n, sure, wrongSure, right, undecided int
	confusion                            map[[2]string]int
	misses                               []string
}

func (y *tally) add(b *bench, r Result) {
	if y.confusion == nil {
		y.confusion = map[[2]string]int{}
	}
	y.n++
	said := r.Kind
	if r.PKind < Sure {
		said = "not sure"
		y.undecided++
	} else {
		y.sure++
	}
	y.confusion[[2]string{b.kind, said}]++
	wrong := r.PKind >= Sure && r.Kind != b.kind
	if r.Kind == b.kind {
		ok := true
		for k, p := range r.PRoles {
			if p >= Sure && r.Roles[k] != b.pins[k] && r.PKind >= Sure {
				wrong = true
			}
			ok = ok && r.Roles[k] == b.pins[k]
		}
		if ok {
			y.right++
		}
	}
	if wrong {
		y.wrongSure++
		y.misses = append(y.misses, fmt.Sprintf("%s %v is a %s: said %s (%.3f) %v %.3f from %v", b.name, b.pins, b.kind, r.Kind, r.PKind, r.Roles, r.PRoles, r.Readings))
	}
}

func (y *tally) log(t *testing.T, what string) {
	t.Logf("%s: %d parts, sure of the kind %d, likeliest hypothesis right in kind and all leads %d, wrong and sure %d (%.2f %%)", what, y.n, y.sure, y.right, y.wrongSure, 100*float64(y.wrongSure)/float64(y.n))
	var keys [][2]string
	for k := range y.confusion {
		keys = append(keys, k)
	}
	sort.Slice(keys, func(i, j int) bool {
		return keys[i][0] < keys[j][0] || keys[i][0] == keys[j][0] && keys[i][1] < keys[j][1]
	})
	for _, k := range keys {
		t.Logf("    %-36s → %-50s %d", k[0], k[1], y.confusion[k])
	}
	for _, m := range y.misses {
		t.Logf("    wrong and sure: %s", m)
	}
}

var plantedParts = flag.Int("planted", 100, "parts that TestPlantedParts draws")

// Hundreds of parts drawn at random, kinds and orders of leads mixed, each with a meter of its own: what is called sure is
// right in more than 99 of 100.
func TestPlantedParts(t *testing.T) {
	t.Parallel()
	n := *plantedParts
	if testing.Short() {
		n = min(n, 40)
	}
	var six, asked tally
	for seed := range n {
		b := plant(t, uint64(1000+seed))
		readings := b.six(t)
		r := Identify(readings, Options{})
		six.add(b, r)
		for range 3 {
			if len(r.Next) == 0 {
				break
			}
			readings = append(readings, b.take(t, r.Next[0].Reading))
			r = Identify(readings, Options{})
		}
		asked.add(b, r)
	}
	six.log(t, "six directions of the diode test")
	asked.log(t, "and up to three readings that were asked for")
	for _, y := range []tally{six, asked} {
		if y.wrongSure*100 >= y.n {
			t.Errorf("%d of %d wrong and sure", y.wrongSure, y.n)
		}
	}
	if six.right*10 < six.n*7 || asked.right*10 < asked.n*9 {
		t.Errorf("after three more readings %d of %d right", asked.right, asked.n)
	}
}
