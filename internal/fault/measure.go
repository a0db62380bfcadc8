package fault

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"sync"
	"sync/atomic"

	"fettle/internal/circuit"
	"fettle/internal/meter"
	"fettle/internal/spread"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// Settings of Build. The zero value is what a conversation uses.
type Building struct {
	Samples  int    // of the tolerances, for each cause; 0: 96
	Seed     uint64 // 0: 1
	Meter    meter.Spec
	Progress func(done, total int)
}

// A column is a test with how it is foreseen.
type column struct {
	Test
	setup int
	see   func(b *bench) float64 // of numbers; of choices 1 is the first
	says  string                 // of an observation that a hypothesis says itself
	sound float64                // and what a sound decoder says
}

// A setupDef is what is brought about.
type setupDef struct {
	id, words string
	prepare   float64
	kind      int // 0 powered, 1 lamp alone, 2 board unpowered
	states    []wiring.State
	lamp      int
}

// A bench is an edited network in a setup, solved.
type bench struct {
	n      *wiring.Network
	states []map[circuit.Node]float64
	ops    []wiring.Operating
	value  float64
}

type measuring struct {
	n      *wiring.Network
	m      meter.Spec
	setups []setupDef
	cols   []column
	pairs  [][2]circuit.Node // of unpowered columns, by column
	usual  unit.Volt
}

// ranges of a function of the meter.
func ranges(m meter.Spec, f meter.Function) (out []Range) {
	for _, r := range m.Ranges {
		if r.Function == f {
			out = append(out, Range{Full: r.Full, Slack: r.Slack(), Common: float64(r.Gain), Name: fmt.Sprintf("%s %g", f, r.Full)})
		}
	}
	return out
}

func (m *measuring) lay() {
	n := m.n
	u := m.usual
	volts, ohms, diode, amps := ranges(m.m, meter.DCVoltage), ranges(m.m, meter.Resistance), ranges(m.m, meter.DiodeTest), ranges(m.m, meter.DCCurrent)
	const slip = 0.02
	put := func(c column) { m.cols = append(m.cols, c); m.pairs = append(m.pairs, [2]circuit.Node{}) }
	// The lamps alone.
	for i := range n.Lamps {
		l := &n.Lamps[i]
		m.setups = append(m.setups, setupDef{id: "alone " + l.Name, words: fmt.Sprintf("the vehicle without decoder: %s on %s through 1 kΩ, plus on its feed", l.Words, unit.Volt(9)), prepare: 3, kind: 1, lamp: i})
		s := len(m.setups) - 1
		put(column{Test: Test{ID: "alone." + l.Name + ".lit", Words: "does " + l.Words + " light by itself, on a supply", Choices: []string{"yes", "no"}, Slip: 0.01, Minutes: 0.5,
			Sayings: []string{l.Words + " lights by itself", l.Words + " does not light by itself"}}, setup: s, see: func(b *bench) float64 { return b.value }})
	}
	// The board alone, without power.
	m.setups = append(m.setups, setupDef{id: "unpowered", words: "the decoder out of the vehicle, no power on it, the reservoir empty", prepare: 1.5, kind: 2})
	s := len(m.setups) - 1
	pair := func(id, words, a, b string, na, nb circuit.Node, isDiode bool) {
		t := Test{ID: id, Point: a, Against: b, Slip: slip, Minutes: 1, How: fmt.Sprintf("red probe on %s, black on %s", a, b)}
		if isDiode {
			t.Words, t.Setting, t.Unit, t.Scale, t.Model, t.Ranges, t.Most = a+" to "+b+", diode test", "diode test", unit.SymVolt, 0.2, 0.02, diode, 4
		} else {
			t.Words, t.Setting, t.Unit, t.Scale, t.Model, t.Ranges = a+" to "+b+", resistance", "ohms", unit.SymOhm, 20, 0.01, ohms
		}
		put(column{Test: t, setup: s, see: func(b *bench) float64 { return b.value }})
		m.pairs[len(m.pairs)-1] = [2]circuit.Node{na, nb}
	}
	type pt struct {
		id   string
		node circuit.Node
		risk float64
	}
	points := []pt{{"left rail", n.LeftRail, 0}, {"right rail", n.RightRail, 0}, {"plus", n.Plus, 0.5}, {"chip supply", n.VCC, 1}}
	if e := n.Ear; e != nil {
		pair("ohms.ear", "", e.From, e.Into, e.Rail, e.Node, false)
		points = append(points, pt{e.Into, e.Node, 1})
	}
	for i := range n.Outputs {
		o := &n.Outputs[i]
		name := map[circuit.Node]string{o.PinNode: o.Output.From.Text, o.Socket: o.Name + ".socket", circuit.Ground: "minus", n.Plus: "plus", n.VCC: "chip supply"}
		for _, t := range o.Transistors() {
			who, base, out := o.Name, "base", "collector"
			if t != o.Switch {
				who += "." + t.Role
			}
			if t.FET != nil {
				base, out = "gate", "drain"
			}
			if name[t.Input] == "" {
				name[t.Input] = who + "." + base
			}
			if name[t.Out] == "" {
				name[t.Out] = who + "." + out
			}
			pair("diode."+who+".1", "", name[t.Input], name[t.Common], t.Input, t.Common, true)
			pair("diode."+who+".2", "", name[t.Common], name[t.Input], t.Common, t.Input, true)
			pair("diode."+who+".3", "", name[t.Input], name[t.Out], t.Input, t.Out, true)
			pair("diode."+who+".4", "", name[t.Out], name[t.Common], t.Out, t.Common, true)
			pair("diode."+who+".5", "", name[t.Common], name[t.Out], t.Common, t.Out, true)
			points = append(points, pt{name[t.Input], t.Input, 1}, pt{name[t.Out], t.Out, 1})
		}
		for k := range o.Resistors {
			r := &o.Resistors[k]
			pair("ohms."+o.Name+"."+r.Attr, "", name[r.A], name[r.B], r.A, r.B, false)
		}
		points = append(points, pt{o.Output.From.Text, o.PinNode, 1}, pt{o.Name + ".socket", o.Socket, 0})
	}
	for _, p := range []pt{{"left rail", n.LeftRail, 0}, {"right rail", n.RightRail, 0}} {
		pair("diode."+p.id+".plus", "", p.id, "plus", p.node, n.Plus, true)
		pair("diode.plus."+p.id, "", "plus", p.id, n.Plus, p.node, true)
		pair("diode.minus."+p.id, "", "minus", p.id, circuit.Ground, p.node, true)
		pair("diode."+p.id+".minus", "", p.id, "minus", p.node, circuit.Ground, true)
	}
	// Powered, in the vehicle.
	power := func(id, words string, prepare float64, states ...wiring.State) {
		m.setups = append(m.setups, setupDef{id: id, words: words, prepare: prepare, states: states})
		s := len(m.setups) - 1
		seen := map[circuit.Node]bool{}
		for _, p := range points {
			if seen[p.node] {
				continue
			}
			seen[p.node] = true
			put(column{Test: Test{ID: id + "." + p.id, Words: fmt.Sprintf("%s to minus, DC volts (%s)", p.id, id), Point: p.id, Against: "minus", Setting: "DC volts", Unit: unit.SymVolt, Scale: 0.3, Model: 0.012, Ranges: volts, Slip: slip,
				Minutes: 0.7, Risk: p.risk, Signed: true, Most: 1.5 * float64(m.n.Build.Track.High.Or(18)), How: fmt.Sprintf("red probe on %s, black on minus", p.id)},
				setup: s, see: func(b *bench) float64 {
					v := 0.0
					for _, x := range b.states {
						v += x[p.node] / float64(len(b.states))
					}
					return v
				}})
		}
		put(column{Test: Test{ID: id + ".current", Words: fmt.Sprintf("current out of the rail (%s)", id), Point: "track", Against: "supply", Setting: "DC current", Unit: unit.SymAmp, Scale: 1e-3, Model: 0.03, Ranges: amps, Slip: slip, Minutes: 3, How: "ammeter in series with the wire to the left rail"},
			setup: s, see: func(b *bench) float64 {
				i := 0.0
				for k := range b.ops {
					i += float64(b.ops[k].Rail) / float64(len(b.ops))
				}
				return i
			}})
		for i := range n.Lamps {
			l := &n.Lamps[i]
			put(column{Test: Test{ID: id + ".lit." + l.Name, Words: fmt.Sprintf("is %s lit (%s)", l.Words, id), Choices: []string{"yes", "no"}, Slip: 0.015, Minutes: 0.2,
				Sayings: []string{l.Words + " is lit " + id, l.Words + " is dark " + id}}, setup: s, see: func(b *bench) float64 {
				most := 0.0
				for k := range b.ops {
					o := &b.ops[k].Lamps[i]
					most += float64(o.Forward+o.Back) / float64(len(b.ops))
				}
				if most > 0.15e-3 {
					return 1
				}
				return 0
			}})
		}
	}
	st := func(left bool, d wiring.Drive, which uint32) wiring.State {
		return wiring.State{LeftPositive: left, Drive: d, Track: u, Which: which}
	}
	power("dc left", fmt.Sprintf("decoder in the vehicle on %s DC through 470 Ω at first, left rail positive, outputs off", u), 2, st(true, wiring.Off, 0))
	power("dc right", fmt.Sprintf("decoder in the vehicle on %s DC, right rail positive, outputs off", u), 0.5, st(false, wiring.Off, 0))
	power("in reset", fmt.Sprintf("decoder in the vehicle on %s DC, left rail positive, reset held to minus", u), 2, st(true, wiring.Reset, 0))
	power("all off", "decoder in the vehicle on DCC, all functions off", 2, st(true, wiring.Off, 0), st(false, wiring.Off, 0))
	for i := range n.Outputs {
		o := &n.Outputs[i]
		if o.Acknowledge {
			continue
		}
		power(o.Name+" on", fmt.Sprintf("decoder in the vehicle on DCC, the function of output %s on", o.Name), 1, st(true, wiring.On, 1<<i), st(false, wiring.On, 1<<i))
	}
	m.setups = append(m.setups, setupDef{id: "seen", kind: 3})
	s = len(m.setups) - 1
	yesNo := func(id, words, yes, no string, sound float64, prepare, minutes float64) {
		put(column{Test: Test{ID: id, Words: words, Choices: []string{"yes", "no"}, Slip: 0.01, Minutes: minutes, Prepare: prepare, Sayings: []string{yes, no}}, setup: s, says: id, sound: sound})
	}
	yesNo("answers", "does it answer on the programming track", "answers on the programming track", "no answer on the programming track", 0.97, 2, 1)
	yesNo("pressing", "does pressing or warming a part change anything", "pressing or warming changes it", "pressing or warming changes nothing", 0.02, 0, 2)
	yesNo("goes", "does it come and go by itself", "comes and goes", "always the same", 0.02, 0, 0.5)
}

func space(n *wiring.Network) spread.Space {
	box := make(spread.Space, len(n.Vars))
	for i, v := range n.Vars {
		box[i] = spread.Var{Law: spread.Law(v.Law), Levels: v.Levels, Vertices: v.Vertices}
	}
	return box
}

// Build makes the table of a decoder: every cause that its circuit may have, every reading, over its tolerances.
func Build(ctx context.Context, n *wiring.Network, set Building) (*Table, error) {
	if set.Samples == 0 {
		set.Samples = 96
	}
	if set.Seed == 0 {
		set.Seed = 1
	}
	if len(set.Meter.Ranges) == 0 {
		set.Meter = meter.Cheap()
	}
	m := &measuring{n: n, m: set.Meter, usual: n.Build.Track.Usual.Or(14)}
	m.lay()
	hyps := hypotheses(n)
	total := 0.0
	var causes []Cause
	counts := make([]int, len(hyps))
	for i, h := range hyps {
		total += h.Prior
		causes = append(causes, h.Cause)
		counts[i] = set.Samples
	}
	for i := range causes {
		causes[i].Prior /= total
	}
	var tests []Test
	for _, c := range m.cols {
		s := &m.setups[c.setup]
		c.Test.Setup, c.Test.Bring = s.id, s.words
		if s.prepare > 0 {
			c.Test.Prepare = s.prepare
		}
		tests = append(tests, c.Test)
	}
	t := NewTable(causes, tests, counts)
	t.Assumes = []string{"the meter is an " + set.Meter.Name, "black probe on decoder minus, which is not a rail, unless a reading says otherwise"}
	// The sound decoder first: what an edit leaves alone is taken over from it.
	if err := m.fill(t, 0, &hyps[0], set); err != nil {
		return nil, fmt.Errorf("the sound decoder: %w", err)
	}
	var done atomic.Int64
	var first error
	var mu sync.Mutex
	workers := runtime.GOMAXPROCS(0)
	var wg sync.WaitGroup
	for w := range workers {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for h := 1 + w; h < len(hyps); h += workers {
				if ctx.Err() != nil {
					return
				}
				if err := m.fill(t, h, &hyps[h], set); err != nil {
					mu.Lock()
					if first == nil {
						first = fmt.Errorf("%s: %w", hyps[h].ID, err)
					}
					mu.Unlock()
				}
				if k := done.Add(1); set.Progress != nil {
					mu.Lock()
					set.Progress(int(k), len(hyps))
					mu.Unlock()
				}
			}
		}()
	}
	wg.Wait()
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	return t, first
}

// fill foresees every test under one hypothesis.
func (m *measuring) fill(t *Table, at int, h *hypothesis, set Building) error {
	n := m.n
	apply := func(more func(c *circuit.Circuit)) (*wiring.Network, error) {
		e, err := n.Edited(func(c *circuit.Circuit) {
			if h.edit != nil {
				h.edit(c)
			}
			if h.open > 0 {
				loose := c.Node("pin as an input")
				c.Reconnect(n.Outputs[h.open-1].Pin, 0, loose)
				c.Resistor("leak", loose, n.Outputs[h.open-1].PinNode, brokenOhm)
			}
			if more != nil {
				more(c)
			}
		})
		if err == nil && h.after != nil {
			h.after(e)
		}
		return e, err
	}
	powered, err := apply(nil)
	if err != nil {
		return err
	}
	lamps := make([]*wiring.Network, len(m.setups))
	sources := make([]circuit.Elem, len(m.setups))
	for s := range m.setups {
		if m.setups[s].kind != 1 {
			continue
		}
		l := &n.Lamps[m.setups[s].lamp]
		own := lampElems(l)
		if lamps[s], err = apply(func(c *circuit.Circuit) {
			touches := map[circuit.Node]bool{}
			for e := range own {
				for _, x := range c.Elements()[e].Nodes {
					touches[x] = true
				}
			}
			for _, x := range c.Elements() {
				if x.Name == "contact" { // of the plug: not in the way here
					c.Resistor("contact made", x.Nodes[0], x.Nodes[1], 0.1)
				}
			}
			for e, x := range c.Elements() {
				// What is wrong inside the vehicle stays; what is wrong on the board is not there.
				inside := x.Name == "break" && (touches[x.Nodes[0]] || touches[x.Nodes[1]]) || x.Name == "bridge" && x.Nodes[0] == l.Inside && x.Nodes[1] == l.To ||
					x.Name == "contact made" && (touches[x.Nodes[0]] || touches[x.Nodes[1]])
				if !own[circuit.Elem(e)] && !inside {
					c.Remove(circuit.Elem(e))
				}
			}
			src := c.Node("bench supply")
			v := unit.Volt(9)
			from, to := l.Feeding, l.Socket
			if l.Feed == "decoder minus" {
				v = -9
			}
			c.Voltage("bench", src, to, v)
			sources[s] = c.Resistor("1 kΩ", src, from, 1000)
			c.Voltage("to minus", to, circuit.Ground, 0)
		}); err != nil {
			return fmt.Errorf("lamp alone: %w", err)
		}
	}
	var sw [2][]circuit.Elem
	nodes := map[circuit.Node]int{}
	for _, p := range m.pairs {
		for _, x := range p {
			if _, ok := nodes[x]; !ok && p[0] != p[1] {
				nodes[x] = len(nodes)
			}
		}
	}
	var source circuit.Elem
	const away = unit.Ohm(1e11)
	unpowered, err := apply(func(c *circuit.Circuit) {
		c.Remove(n.Track)
		c.Remove(n.ChipDraw)
		c.Resistor("chip without power", n.VCC, circuit.Ground, 1e6)
		for i := range n.Lamps {
			for e := range lampElems(&n.Lamps[i]) {
				c.Remove(e)
			}
		}
		red, black := c.Node("red"), c.Node("black")
		source = c.Voltage("meter", red, black, 0.45)
		list := make([]circuit.Node, len(nodes))
		for x, k := range nodes {
			list[k] = x
		}
		for _, x := range list {
			sw[0] = append(sw[0], c.Resistor("red", red, x, away))
			sw[1] = append(sw[1], c.Resistor("black", black, x, away))
		}
	})
	if err != nil {
		return fmt.Errorf("without power: %w", err)
	}
	box := space(n)
	z := make([]float64, len(box))
	states := m.states()
	solved := make([]map[circuit.Node]float64, len(states))
	ops := make([]wiring.Operating, len(states))
	number := map[wiring.State]int{}
	for i, st := range states {
		number[st] = i
	}
	want := make([]bool, len(m.cols)) // columns to be computed
	wantState := make([]bool, len(states))
	for i := range want {
		want[i] = true
	}
	for i := range wantState {
		wantState[i] = true
	}
	for k := range set.Samples {
		if k == looks && at > 0 {
			// What the edit changed in none of the first samples is taken over from the sound decoder.
			clear(wantState)
			for i := range m.cols {
				want[i] = false
				for x := range looks {
					a, b := int(t.cell(at, i)[x]), int(t.cell(0, i)[x])
					want[i] = want[i] || a-b > sameCodes || b-a > sameCodes
				}
				if !want[i] {
					copy(t.cell(at, i)[looks:], t.cell(0, i)[looks:])
					continue
				}
				for _, st := range m.setups[m.cols[i].setup].states {
					wantState[number[st]] = true
				}
			}
		}
		box.Sample(set.Seed, k, z)
		powered.Set(z)
		for i, st := range states {
			if !wantState[i] {
				continue
			}
			to := st
			if h.drive != nil {
				to = h.drive(st)
			}
			sol := powered.Solve(to)
			if sol.Status != circuit.Solved {
				solved[i] = nil
				continue
			}
			if solved[i] == nil {
				solved[i] = map[circuit.Node]float64{}
			}
			for node := range powered.Circuit.Nodes() {
				solved[i][circuit.Node(node)] = float64(powered.Solver.V(circuit.Node(node)))
			}
			powered.Read(sol, &ops[i])
		}
		for i := range m.cols {
			c := &m.cols[i]
			s := &m.setups[c.setup]
			if !want[i] {
				continue
			}
			switch s.kind {
			case 0:
				b := &bench{n: powered}
				for _, st := range s.states {
					x := number[st]
					if solved[x] == nil {
						b = nil
						break
					}
					b.states, b.ops = append(b.states, solved[x]), append(b.ops, ops[x])
				}
				if b != nil {
					m.put(t, at, i, k, c.see(b))
				}
			case 1:
				lamps[c.setup].Set(z)
				x := lamps[c.setup].Solver
				x.Reset()
				if x.Solve().Status == circuit.Solved {
					f, back := n.Lamps[s.lamp].Light(x)
					m.put(t, at, i, k, map[bool]float64{true: 1}[f+back > 0.5e-3])
				}
			case 3:
				p := c.sound
				if q, ok := h.says[c.says]; ok {
					p = q
				}
				if k == 0 {
					t.Shares(at, i, []float64{p, 1 - p})
				}
			}
		}
		unpowered.Set(z)
		for i := range m.cols {
			if m.setups[m.cols[i].setup].kind != 2 || !want[i] {
				continue
			}
			a, b := nodes[m.pairs[i][0]], nodes[m.pairs[i][1]]
			x := unpowered.Solver
			e, r := unit.Volt(0.45), unit.Ohm(10e3)
			isDiode := m.cols[i].Unit == unit.SymVolt
			if isDiode {
				e, r = 2.8, 1800
			}
			x.SetVoltage(source, e)
			x.SetResistance(sw[0][a], r)
			x.SetResistance(sw[1][b], 0.01)
			sol := x.Solve()
			if sol.Status != circuit.Solved {
				x.Reset()
				sol = x.Solve()
			}
			if sol.Status == circuit.Solved {
				v := float64(x.V(m.pairs[i][0]) - x.V(m.pairs[i][1]))
				if isDiode {
					m.put(t, at, i, k, v)
				} else if cur := float64(x.I(sw[0][a], 0)); cur < 1e-12 {
					m.put(t, at, i, k, math.Inf(1))
				} else {
					m.put(t, at, i, k, math.Max(0, v/cur))
				}
			}
			x.SetResistance(sw[0][a], away)
			x.SetResistance(sw[1][b], away)
		}
	}
	return nil
}

const (
	looks     = 5 // samples that tell whether an edit changes a reading
	sameCodes = 2 // a thousandth
)

func (m *measuring) put(t *Table, h, test, sample int, v float64) {
	if t.Tests[test].Choices != nil {
		t.SetChoice(h, test, sample, 1-int(v))
		return
	}
	t.Set(h, test, sample, v)
}

// states are all powered states, each once.
func (m *measuring) states() (out []wiring.State) {
	seen := map[wiring.State]bool{}
	for _, s := range m.setups {
		for _, st := range s.states {
			if !seen[st] {
				seen[st] = true
				out = append(out, st)
			}
		}
	}
	return out
}
