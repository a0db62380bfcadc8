package circuit

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"fettle/internal/device"
	"fettle/internal/pin"
	"fettle/internal/unit"
)

// What cannot be solved is refused with a reason in the user's words.
func TestRefusals(t *testing.T) {
	for _, w := range []struct {
		name   string
		build  func(c *Circuit)
		reason Reason
		says   []string
	}{
		{"node behind a capacitor", func(c *Circuit) {
			a, b := c.Node("plus"), c.Node("behind")
			c.Voltage("supply", a, Ground, 12)
			e := c.Capacitor("C1", a, b, 1e-6)
			c.SetWords(e, "reservoir capacitor")
		}, FloatingNode, []string{"node behind floats", "reservoir capacitor"}},
		{"island", func(c *Circuit) {
			a, b, d := c.Node("plus"), c.Node("lamp one"), c.Node("lamp two")
			c.Voltage("supply", a, Ground, 12)
			c.Resistor("load", a, Ground, 100)
			e := c.Diode("D", b, d, red)
			c.SetWords(e, "LED of lamp front")
			f := c.Resistor("R", b, d, 1000)
			c.SetWords(f, "series resistor of output front")
		}, FloatingNode, []string{"LED of lamp front and series resistor of output front", "float together"}},
		{"node fed by a current alone", func(c *Circuit) {
			a := c.Node("a")
			c.Current("drive", Ground, a, 1e-3)
		}, FloatingNode, []string{"node a", "drive"}},
		{"two supplies side by side", func(c *Circuit) {
			a := c.Node("plus")
			c.SetWords(c.Voltage("V1", a, Ground, 12), "track")
			c.SetWords(c.Voltage("V2", a, Ground, 5), "bench supply")
		}, SourceLoop, []string{"track and bench supply form a loop"}},
		{"three supplies in a ring", func(c *Circuit) {
			a, b := c.Node("a"), c.Node("b")
			c.Voltage("one", a, Ground, 12)
			c.Voltage("two", b, a, 1)
			c.Voltage("three", b, Ground, 13)
		}, SourceLoop, []string{"one", "two", "three", "loop"}},
		{"shorted supply", func(c *Circuit) {
			a := c.Node("plus")
			c.Resistor("R", a, Ground, 1)
			c.SetWords(c.Voltage("V", a, a, 12), "track")
		}, SupplyShort, []string{"track", "shorted", "node plus"}},
		{"negative resistance", func(c *Circuit) {
			c.SetWords(c.Resistor("R", c.Node("a"), Ground, -5), "base resistor")
		}, BadValue, []string{"base resistor", "−5"}},
		{"voltage that is no number", func(c *Circuit) {
			c.Voltage("track", c.Node("a"), Ground, unit.Volt(math.NaN()))
		}, BadValue, []string{"track", "unknown"}},
		{"infinite current", func(c *Circuit) {
			a := c.Node("a")
			c.Resistor("R", a, Ground, 1)
			c.Current("load", a, Ground, unit.Amp(math.Inf(1)))
		}, BadValue, []string{"load", "∞"}},
		{"transistor without gain", func(c *Circuit) {
			c.SetWords(c.BJT("Q", c.Node("a"), c.Node("b"), Ground, device.BJT{IS: 1e-14, BR: 1}), "switch of output front")
		}, BadValue, []string{"switch of output front", "gain"}},
	} {
		c := New()
		w.build(c)
		s, err := Compile(c)
		var top *TopologyError
		if !errors.As(err, &top) || s != nil {
			t.Errorf("%s: compiled, or refused as %v", w.name, err)
			continue
		}
		if top.Reason != w.reason {
			t.Errorf("%s: reason %q, want %q", w.name, top.Reason, w.reason)
		}
		for _, x := range w.says {
			if !strings.Contains(top.Message, x) {
				t.Errorf("%s: %q does not name %q", w.name, top.Message, x)
			}
		}
	}
}

// Values set later are refused too, named, and mended by a good one.
func TestBadValuesSetLater(t *testing.T) {
	w := newLowSide(t, true, false)
	w.c.SetWords(w.load, "series resistor of output front")
	want := w.Solve()
	ic := w.I(w.q, 0)
	for name, set := range map[string]func(){
		"resistance":    func() { w.SetResistance(w.load, unit.Ohm(math.NaN())) },
		"negative":      func() { w.SetResistance(w.load, -680) },
		"supply":        func() { w.SetVoltage(w.supply, unit.Volt(math.Inf(-1))) },
		"temperature":   func() { w.SetTemperature(0) },
		"diode":         func() { w.SetDiode(w.led, device.Diode{IS: -1}) },
		"transistor":    func() { w.SetBJT(w.q, device.BJT{}) },
		"layout change": func() { w.SetBJT(w.q, device.BJT{IS: 1e-14, BF: 100, BR: 1}); w.SetResistance(w.load, -1) },
	} {
		set()
		sol := w.Solve()
		if sol.Status != Refused || w.Why() == "" {
			t.Errorf("%s: %v, %q", name, sol.Status, w.Why())
		}
		if name == "negative" && !strings.Contains(w.Why(), "series resistor of output front") {
			t.Errorf("%q does not name the part", w.Why())
		}
		w.SetResistance(w.load, 680)
		w.SetVoltage(w.supply, 12)
		w.SetTemperature(300.15)
		w.SetDiode(w.led, red)
		w.SetBJT(w.q, refNPN)
		if sol := w.Solve(); sol.Status != want.Status || relative(float64(w.I(w.q, 0)), float64(ic)) > 1e-11 {
			t.Errorf("%s: after the mend %v, IC %v, want %v", name, sol.Status, w.I(w.q, 0), ic)
		}
	}
}

// A circuit whose currents have nowhere to go says so; the next sound values start afresh.
func TestRunawayIsNamed(t *testing.T) {
	c := New()
	a := c.Node("anode")
	i := c.Current("drive", a, Ground, 1e-3) // against the diode
	c.SetWords(c.Diode("D", a, Ground, red), "LED of lamp front")
	s := compile(t, c)
	if sol := s.Solve(); sol.Status != Runaway || !strings.Contains(s.Why(), "LED of lamp front") {
		t.Errorf("%v, %q", sol.Status, s.Why())
	}
	s.SetCurrent(i, -1e-3)
	solve(t, s)
	if v := s.V(a); v < 1.6 || v > 1.8 {
		t.Errorf("VF %v", v)
	}

	c = New()
	a = c.Node("plus")
	c.Voltage("supply", a, Ground, 5)
	c.SetWords(c.Diode("D", a, Ground, ideal), "rectifier")
	s = compile(t, c)
	if sol := s.Solve(); sol.Status != Runaway || !strings.Contains(s.Why(), "nothing limits the current through rectifier") {
		t.Errorf("%v, %q", sol.Status, s.Why())
	}
}

// A parameter that adds or removes a node behind a terminal changes nothing else.
func TestLayoutFollowsParameters(t *testing.T) {
	w := newLowSide(t, true, false)
	plain := refNPN
	plain.RB, plain.RC, plain.RE = 0, 0, 0
	noRS := red
	noRS.RS = 0
	w.SetBJT(w.q, plain)
	w.SetDiode(w.led, noRS)
	solve(t, w.Solver)
	without := w.I(w.q, 0)
	w.SetBJT(w.q, refNPN)
	w.SetDiode(w.led, red)
	solve(t, w.Solver)
	fresh := newLowSide(t, true, false)
	solve(t, fresh.Solver)
	if relative(float64(w.I(w.q, 0)), float64(fresh.I(fresh.q, 0))) > 1e-12 || w.I(w.q, 0) == without {
		t.Errorf("IC %v after changes, %v built so, %v without resistances", w.I(w.q, 0), fresh.I(fresh.q, 0), without)
	}
}

// Renumbering nodes and elements changes nothing; neither do a clone, a saved state, or the way there.
func TestInvariance(t *testing.T) {
	count := 300
	if testing.Short() {
		count = 60
	}
	compared := 0
	for seed := range count {
		c := randomCircuit(rand.New(rand.NewPCG(uint64(seed), 11)))
		s, err := Compile(c)
		if err != nil {
			continue
		}
		if s.Solve().Status != Solved {
			continue
		}
		// The same circuit built in another order.
		r := rand.New(rand.NewPCG(uint64(seed), 13))
		nodes := r.Perm(len(c.nodes) - 1)
		d := New()
		to := make([]Node, len(c.nodes))
		for range nodes {
			d.Node("")
		}
		for k, n := range nodes {
			to[k+1] = Node(n + 1)
		}
		order := r.Perm(len(c.elements))
		at := make([]Elem, len(c.elements))
		for _, i := range order {
			e := c.Elements()[i]
			for k, n := range e.Nodes {
				e.Nodes[k] = to[n]
			}
			d.elements = append(d.elements, e)
			at[i] = Elem(len(d.elements) - 1)
		}
		p, err := Compile(d)
		if err != nil {
			t.Errorf("circuit %d: refused when renumbered: %v", seed, err)
			continue
		}
		if p.Solve().Status != Solved {
			t.Errorf("circuit %d: not solved when renumbered", seed)
			continue
		}
		compared++
		// A circuit may have several states (a latch); then both must be solutions, which Solved says. Only
		// circuits without transistors of either kind and regulators are sure to have one.
		one := true
		for _, e := range c.elements {
			one = one && e.Kind != KindBJT && e.Kind != KindMOSFET && e.Kind != KindRegulator
		}
		for n := range c.nodes {
			if v, w := float64(s.V(Node(n))), float64(p.V(to[n])); one && math.Abs(v-w) > 1e-6+1e-9*math.Abs(v) && !leakOnly(s, Node(n)) {
				t.Errorf("circuit %d: node %d at %.12g V, renumbered %.12g V", seed, n, v, w)
			}
		}
		for i := range c.elements {
			if x, y := float64(s.I(Elem(i), 0)), float64(p.I(at[i], 0)); one && math.Abs(x-y) > 1e-11+1e-9*math.Abs(x)+s.rounding() {
				t.Errorf("circuit %d: %s carries %.12g A, renumbered %.12g A", seed, c.elements[i].Name, x, y)
			}
		}
		q := s.Clone()
		state := s.Save(make([]float64, s.StateSize()))
		q.Reset()
		q.Restore(state)
		if q.Solve().Status != Solved {
			t.Errorf("circuit %d: clone with restored state not solved", seed)
		}
		for n := range c.nodes {
			if v, w := float64(s.V(Node(n))), float64(q.V(Node(n))); math.Abs(v-w) > 1e-6+1e-9*math.Abs(v) && !leakOnly(s, Node(n)) {
				t.Errorf("circuit %d: node %d at %.12g V, from the saved state %.12g V", seed, n, v, w)
			}
		}
	}
	if compared < count/4 {
		t.Errorf("only %d circuits compared", compared)
	}
}

// leakOnly reports whether nothing but leakage reaches a node, so that its voltage is not determined to more
// than rounding allows.
func leakOnly(s *Solver, n Node) bool {
	for i, e := range s.c.elements {
		for k, m := range e.Nodes {
			if m == n && math.Abs(float64(s.I(Elem(i), k))) > 1e-9 {
				return false
			}
		}
	}
	return true
}

// Warm or cold, the answer is the same.
func TestWarmEqualsCold(t *testing.T) {
	w := newLowSide(t, true, false)
	r := rand.New(rand.NewPCG(5, 6))
	for range 300 {
		w.SetResistance(w.base, unit.Ohm(math.Pow(10, 3+3*r.Float64())))
		w.SetTemperature(unit.Kelvin(250 + 100*r.Float64()))
		w.SetVoltage(w.supply, unit.Volt(24*r.Float64()))
		solve(t, w.Solver)
		warm := [2]float64{float64(w.I(w.q, 0)), float64(w.V(w.collector))}
		w.Reset()
		solve(t, w.Solver)
		cold := [2]float64{float64(w.I(w.q, 0)), float64(w.V(w.collector))}
		for k := range warm {
			if math.Abs(warm[k]-cold[k]) > 1e-14+1e-11*math.Abs(cold[k]) {
				t.Errorf("warm %.14g, cold %.14g", warm, cold)
			}
		}
	}
}

// Nothing is allocated between changing a value and reading a current.
func TestNoAllocation(t *testing.T) {
	w := newLowSide(t, true, true)
	var g samples5
	state := make([]float64, w.StateSize())
	if n := testing.AllocsPerRun(100, func() {
		w.set(g.sample(1500, 100e3))
		w.Solve()
		_ = w.I(w.q, 0) + w.I(w.supply, 0)
		_ = w.V(w.collector)
		_ = w.Power(w.load)
		w.Restore(w.Save(state))
	}); n != 0 {
		t.Errorf("%g allocations a sample", n)
	}
	d := newDecoder(t)
	k := 0
	if n := testing.AllocsPerRun(50, func() {
		k++
		d.SetLevel(d.pins[k%2], pin.Level(k%3))
		d.Solve()
	}); n != 0 {
		t.Errorf("%g allocations a state", n)
	}
}

// decoder is what a two-output decoder looks like: bridge, regulator, chip pins, switches, lamps; one lamp
// fed from a rail, one from the rectified plus.
type decoder struct {
	*Solver
	track          Elem
	pins           [2]Elem
	switches, leds [2]Elem
	series         [2]Elem
	vcc, plus      Node
}

func newDecoder(t testing.TB) *decoder {
	c := New()
	d := &decoder{}
	rail := [2]Node{c.Node("left rail"), c.Node("right rail")}
	d.plus, d.vcc = c.Node("plus"), c.Node("vcc")
	// Decoder minus is ground; the rails float on the bridge.
	d.track = c.Voltage("track", rail[0], rail[1], 14)
	bridge := device.Diode{IS: 7e-9, N: 1.8, RS: 0.15, XTI: 3, EG: 1.11, GP: 8e-9}
	for k := range 2 {
		c.Diode(fmt.Sprint("bridge up ", k), rail[k], d.plus, bridge)
		c.Diode(fmt.Sprint("bridge down ", k), Ground, rail[k], bridge)
	}
	c.Regulator("regulator", d.plus, d.vcc, Ground, device.Regulator{Vout: 5, Dropout: 1.7, IQ: 4e-3, Limit: 0.2})
	c.SetWords(c.Current("chip", d.vcc, Ground, 5e-3), "the chip")
	for k, feed := range []Node{rail[0], d.plus} {
		n := func(s string) Node { return c.Node(fmt.Sprintf("output %d %s", k, s)) }
		p, b, col, a, h := n("pin"), n("base"), n("collector"), n("anode"), n("hidden")
		d.pins[k] = c.Pin(fmt.Sprint("PB", k), p, d.vcc, Ground, device.Pin{RHigh: 28, RLow: 25, Leak: 1e-6})
		c.SetLevel(d.pins[k], pin.High)
		c.Resistor(fmt.Sprint("base resistor ", k), p, b, 3300)
		c.Resistor(fmt.Sprint("pull-down ", k), b, Ground, 100e3)
		q := refNPN
		q.IKF, q.ISE, q.ICBO = 0.08, 1e-12, 5e-8
		d.switches[k] = c.BJT(fmt.Sprint("switch ", k), col, b, Ground, q)
		d.series[k] = c.Resistor(fmt.Sprint("series resistor ", k), feed, h, 1500)
		c.Resistor(fmt.Sprint("hidden resistor ", k), h, a, 560)
		d.leds[k] = c.Diode(fmt.Sprint("LED ", k), a, col, white)
	}
	d.Solver = compile(t, c)
	return d
}

// The decoder in its states: on, off, both polarities of the track, dead.
func TestDecoderStates(t *testing.T) {
	d := newDecoder(t)
	iters := 0
	for _, v := range []unit.Volt{14, -14, 9, 22, 0, -9} {
		for _, l := range []pin.Level{pin.High, pin.Low, pin.Open, pin.High} {
			for k := range d.pins {
				d.SetLevel(d.pins[k], l)
			}
			d.SetVoltage(d.track, v)
			sol := solve(t, d.Solver)
			iters += sol.Iterations
			if sol.Continuation {
				t.Errorf("%v, %v: needed a continuation", v, l)
			}
			conserve(t, fmt.Sprint(v, l), d.Solver)
			rail, rectified := d.I(d.leds[0], 0), d.I(d.leds[1], 0)
			lit := math.Abs(float64(v)) > 7 && l == pin.High
			if got := rectified > 1e-3; got != lit {
				t.Errorf("%v, pins %v: lamp on the rectified plus carries %v", v, l, rectified)
			}
			if got := rail > 1e-3; got != (lit && v > 0) {
				t.Errorf("%v, pins %v: lamp on the left rail carries %v", v, l, rail)
			}
			if l == pin.Low && (rectified > 1e-6 || rail > 1e-6) {
				t.Errorf("%v: %v and %v flow while off", v, rail, rectified)
			}
		}
	}
	t.Logf("%d unknowns, %.1f iterations a state", d.n, float64(iters)/24)
}

// BenchmarkTwoOutputs is one warm state of a two-output decoder at slightly changed values.
func BenchmarkTwoOutputs(b *testing.B) {
	d := newDecoder(b)
	v := [...]unit.Volt{14, 14.2, 13.7, 14.5, 13.9}
	r := [...]unit.Ohm{1500, 1425, 1575}
	b.ReportAllocs()
	n, k := 0, 0
	for b.Loop() {
		k++
		d.SetVoltage(d.track, v[k%len(v)])
		d.SetResistance(d.series[0], r[k%len(r)])
		n += d.Solve().Iterations
	}
	b.ReportMetric(float64(n)/float64(b.N), "iterations/op")
	b.ReportMetric(float64(d.n), "unknowns")
}

// Edits of a circuit: a part taken out carries nothing, a terminal moved connects elsewhere, the original
// stays as it was.
func TestEdits(t *testing.T) {
	build := func() (*Circuit, Elem, Elem, Node) {
		c := New()
		plus, mid := c.Node("plus"), c.Node("middle")
		c.Voltage("supply", plus, Ground, 12)
		top := c.Resistor("top", plus, mid, 1000)
		bottom := c.Resistor("bottom", mid, Ground, 1000)
		return c, top, bottom, mid
	}
	c, top, bottom, mid := build()
	open := c.Clone()
	open.Remove(bottom)
	s := compile(t, open)
	solve(t, s)
	near(t, "open", float64(s.V(mid)), 12, 1e-9)
	if i := s.I(bottom, 0); i != 0 {
		t.Errorf("a removed part carries %v", i)
	}
	s.SetResistance(bottom, 1) // of no consequence, and no panic
	solve(t, s)
	moved := c.Clone()
	moved.Reconnect(top, 0, mid) // both ends on one node
	s = compile(t, moved)
	solve(t, s)
	near(t, "moved", float64(s.V(mid)), 0, 1e-9)
	s = compile(t, c)
	solve(t, s)
	near(t, "original", float64(s.V(mid)), 6, 1e-9)
	broken := c.Clone()
	broken.Remove(top)
	broken.Remove(bottom)
	if _, err := Compile(broken); err != nil { // the middle is no longer part of the circuit
		t.Error(err)
	}
	if list := s.Circuit().Elements(); len(list) != 3 || list[top].Name != "top" || list[top].Kind.String() != "resistor" {
		t.Errorf("elements %v", list)
	}
}
