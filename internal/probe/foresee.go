package probe

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"fettle/internal/circuit"
	"fettle/internal/meter"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// Resistances that stand for a wire that is there and for one that is not, and for the insulation of everything else.
const (
	joined = unit.Ohm(0.02)
	apart  = unit.Ohm(1e12)
)

// A Rig is the bench with one edit of the circuit, ready to be measured at any point of what varies. It belongs to one
// goroutine.
type Rig struct {
	b *Bench
	// powered has the meter's load at every point and the lamps on wires; dead has the meter's two leads on every point.
	powered, dead *wiring.Network
	feed          circuit.Elem      // in the lead of the supply
	wires         [][2]circuit.Elem // of every lamp: to its feed, to its socket
	tests         []lampTest
	loads         []circuit.Elem // of every point
	deadFeed      circuit.Elem
	idle          []circuit.Elem // what stands for the regulator without power
	red, black    []circuit.Elem
	source, sense circuit.Elem
	sockets       [2]circuit.Node // the meter's, behind its own resistance

	held   map[place]float64 // the resistance at which a supply's limit held it there last
	starts map[place]*start  // the last solutions, where the next ones begin

	turn    int // counts the points
	scratch []float64
	z       []float64
	changed [2]bool    // powered, dead: the point is to be set
	ranges  []unit.Ohm // of every measurement on ohms: the meter's own resistance on the range that shows the typical board
	alone   []bool     // of every measurement: the meter's load shows, so that it is solved by itself
}

// A place tells solutions apart. Setups that are the same to the solver, such as DC and that polarity of DCC, share theirs.
type place struct {
	setup, polarity int
	load            int      // index of the point that the meter loads, of the measurement without power; −1: none
	own             unit.Ohm // of the meter, on ohms
}

// place is where the solution of a setup's polarity, numbered, is found.
func (b *Bench) place(setup, polarity int, st wiring.State) place {
	for k := range b.Setups[:setup] {
		if s := &b.Setups[k]; s.Where == b.Setups[setup].Where && !s.DCC && s.State == st {
			return place{setup: k, load: -1}
		}
	}
	return place{setup: setup, polarity: polarity, load: -1}
}

// loaded is the place with the meter's load on a point.
func (p place) loaded(point int) place {
	p.load = point
	return p
}

// A start is the last solution at a place.
type start struct {
	state []float64
	moved []float64 // by how much it differs from that at the point before
	turn  int       // at which point it was solved
}

// begin solves from the last solution at the place, and remembers the new one. What the meter's load alone sets apart moves from
// point to point as the same setup does without that load.
func (r *Rig) begin(n *wiring.Network, at place, st wiring.State) circuit.Solution {
	l := r.starts[at]
	if l == nil {
		sol := n.SolveFrom(st, nil)
		if sol.Status == circuit.Solved {
			r.starts[at] = &start{state: n.Solver.Save(make([]float64, n.Solver.StateSize())), moved: make([]float64, n.Solver.StateSize()), turn: r.turn}
		}
		return sol
	}
	from := l.state
	if at.load >= 0 && l.turn == r.turn-1 {
		if base := r.starts[at.loaded(-1)]; base != nil && base.turn == r.turn {
			r.scratch = append(r.scratch[:0], l.state...)
			for k, d := range base.moved {
				r.scratch[k] += d
			}
			from = r.scratch
		}
	}
	sol := n.SolveFrom(st, from)
	if sol.Status != circuit.Solved {
		return sol
	}
	if l.turn != r.turn {
		clear(l.moved)
		l.turn = r.turn
	}
	for k, x := range l.state {
		l.moved[k] -= x
	}
	n.Solver.Save(l.state)
	for k, x := range l.state {
		l.moved[k] += x
	}
	return sol
}

type lampTest struct{ source, ammeter circuit.Elem }

// Rig sets the bench up with an edit (nil: none).
func (b *Bench) Rig(edit func(*circuit.Circuit)) (*Rig, error) {
	r := &Rig{b: b, alone: make([]bool, len(b.Measurements)), ranges: make([]unit.Ohm, len(b.Measurements)), starts: map[place]*start{}, held: map[place]float64{}}
	var err error
	n := b.N
	r.powered, err = n.Edited(func(c *circuit.Circuit) {
		if edit != nil {
			edit(c)
		}
		r.feed = b.supply(c)
		r.wires = b.lampsOnWires(c, true, &r.tests)
		for _, p := range b.Points {
			r.loads = append(r.loads, c.Resistor("meter at "+p.ID, p.Node, circuit.Ground, apart))
		}
	})
	if err != nil {
		return nil, fmt.Errorf("bench with power: %w", err)
	}
	r.dead, err = n.Edited(func(c *circuit.Circuit) {
		if edit != nil {
			edit(c)
		}
		r.deadFeed = b.supply(c)
		b.lampsOnWires(c, false, nil)
		if n.RegPart != nil {
			c.Remove(n.Regulator)
			r.idle = append(r.idle, c.Resistor("regulator without power", n.Plus, circuit.Ground, 2e5), c.Resistor("regulator without power", n.VCC, circuit.Ground, 2e5))
		}
		red, black, inside := c.Node("red probe"), c.Node("black probe"), c.Node("meter")
		r.source, r.sockets = c.Voltage("meter", inside, black, 0), [2]circuit.Node{red, black}
		r.sense = c.Resistor("meter's own resistance", inside, red, 1000)
		c.Resistor("insulation of the probe", black, circuit.Ground, apart)
		for _, p := range b.Points {
			r.red = append(r.red, c.Resistor("red on "+p.ID, red, p.Node, apart))
			r.black = append(r.black, c.Resistor("black on "+p.ID, black, p.Node, apart))
		}
	})
	if err != nil {
		return nil, fmt.Errorf("bench without power: %w", err)
	}
	for _, m := range []*wiring.Network{r.powered, r.dead} {
		m.Solver.SetStep(1e-3)
	}
	r.Set(n.Typical())
	var which []int
	for m, q := range b.Measurements {
		if q.Function == meter.Resistance {
			which = append(which, m)
		}
	}
	r.unpowered(which, make([]float64, len(b.Measurements)))
	return r, nil
}

// supply puts a resistor into one lead of the track's source: the limit, or a gap.
func (b *Bench) supply(c *circuit.Circuit) circuit.Elem {
	t := c.Elements()[b.N.Track]
	terminal := 1 // of a single diode, the side of the minus
	if b.N.Single && t.Nodes[1] != circuit.Ground {
		terminal = 0
	}
	lead := c.Node("lead of the supply")
	e := c.Resistor("in the lead of the supply", lead, t.Nodes[terminal], joined)
	c.Reconnect(b.N.Track, terminal, lead)
	c.Resistor("insulation of the supply", lead, circuit.Ground, apart)
	return e
}

// lampsOnWires takes every lamp off its two nodes and puts it back through wires, which can be parted; with tests, also a
// source and an ammeter of its own.
func (b *Bench) lampsOnWires(c *circuit.Circuit, joinedUp bool, tests *[]lampTest) [][2]circuit.Elem {
	r := apart
	if joinedUp {
		r = joined
	}
	wires := make([][2]circuit.Elem, len(b.N.Lamps))
	for i := range b.N.Lamps {
		l := &b.N.Lamps[i]
		from, to := c.Node("feed of lamp "+l.Name), c.Node("wire of lamp "+l.Name)
		elements := c.Elements()
		own := append([]circuit.Elem{l.Hidden, l.LED, l.Back, l.Leak, l.Regulator, l.Filament}, l.Diodes[:]...)
		for _, e := range own {
			if e < 0 {
				continue
			}
			for k, n := range elements[e].Nodes {
				switch n {
				case l.Feeding:
					c.Reconnect(e, k, from)
				case l.Socket:
					c.Reconnect(e, k, to)
				}
			}
		}
		wires[i] = [2]circuit.Elem{c.Resistor("feed wire", from, l.Feeding, r), c.Resistor("socket wire", to, l.Socket, r)}
		c.Resistor("insulation of lamp", from, circuit.Ground, apart)
		c.Resistor("insulation of lamp", to, circuit.Ground, apart)
		if tests != nil {
			in := c.Node("test of lamp " + l.Name)
			*tests = append(*tests, lampTest{c.Voltage("test of lamp "+l.Name, in, to, 0), c.Resistor("ammeter", in, from, apart)})
		}
	}
	return wires
}

// Set installs a point of what varies.
func (r *Rig) Set(z []float64) {
	r.z, r.changed = z, [2]bool{true, true}
	r.turn++
}

// Read is what a measurement would show at the present point; NaN where the circuit gives no answer.
func (r *Rig) Read(m int) float64 {
	v := make([]float64, len(r.b.Measurements))
	r.ReadSetup(r.b.Measurements[m].Setup, func(k int) bool { return k == m }, v)
	return v[m]
}

// ReadSetup fills in what the measurements of a setup would show that want asks for.
func (r *Rig) ReadSetup(setup int, want func(m int) bool, out []float64) {
	var which []int
	for m := range r.b.Measurements {
		if r.b.Measurements[m].Setup == setup && want(m) {
			which = append(which, m)
		}
	}
	if len(which) == 0 {
		return
	}
	s := &r.b.Setups[setup]
	switch s.Where {
	case Unpowered:
		r.unpowered(which, out)
	case BareLamp:
		r.bare(s, which, out)
	default:
		r.voltages(s, which, out)
	}
}

// setup is the number of a setup.
func (r *Rig) setup(s *Setup) int {
	return slices.IndexFunc(r.b.Setups, func(t Setup) bool { return t.ID == s.ID })
}

func (r *Rig) install(k int) *wiring.Network {
	n := [2]*wiring.Network{r.powered, r.dead}[k]
	if r.changed[k] {
		n.Set(r.z)
		r.changed[k] = false
	}
	return n
}

func (r *Rig) bare(s *Setup, which []int, out []float64) {
	n := r.install(0)
	solver := n.Solver
	r.lampsJoined(solver, false)
	t := r.tests[s.Lamp]
	u := r.b.Settings.Supply
	if s.Back {
		u = -u
	}
	solver.SetVoltage(t.source, u)
	burden := max(joined, r.b.Settings.burden(0.01)) + r.b.Settings.Series
	solver.SetResistance(t.ammeter, burden)
	sol := r.begin(n, place{setup: r.setup(s), load: -1}, wiring.State{LeftPositive: true, Drive: wiring.Off, Track: 0})
	i := float64(solver.I(t.ammeter, 0))
	if limit := float64(r.b.Settings.Limit); math.Abs(i) > limit {
		i = math.Copysign(limit, i)
	}
	solver.SetResistance(t.ammeter, apart)
	solver.SetVoltage(t.source, 0)
	r.lampsJoined(solver, true)
	for _, m := range which {
		if out[m] = i; sol.Status != circuit.Solved {
			out[m] = math.NaN()
		}
	}
}

func (r *Rig) lampsJoined(s *circuit.Solver, yes bool) {
	to := apart
	if yes {
		to = joined
	}
	for _, w := range r.wires {
		s.SetResistance(w[0], to)
		s.SetResistance(w[1], to)
	}
}

// voltages reads a powered setup.
func (r *Rig) voltages(s *Setup, which []int, out []float64) {
	n := r.install(0)
	r.lampsJoined(n.Solver, s.Where == Vehicle)
	states := []wiring.State{s.State}
	if s.DCC {
		other := s.State
		other.LeftPositive = !other.LeftPositive
		states = append(states, other)
	}
	share := 1 / float64(len(states))
	load := r.b.Settings.input(meter.DCVoltage)
	for _, m := range which {
		out[m] = 0
	}
	ac := [2]float64{}
	for k, st := range states {
		at := r.b.place(r.setup(s), k, st)
		ok, drawn := r.solve(n, s, st, at)
		for _, m := range which {
			q := &r.b.Measurements[m]
			switch {
			case !ok:
				out[m] = math.NaN()
			case q.Red < 0:
				out[m] += share * drawn
			case q.Function == meter.ACVoltage:
				ac[k] = float64(n.Solver.V(r.b.Points[q.Red].Node) - n.Solver.V(r.b.Points[q.Black].Node))
			case !r.alone[m]:
				out[m] += share * float64(n.Solver.V(r.b.Points[q.Red].Node))
			}
		}
		for _, m := range which {
			if q := &r.b.Measurements[m]; r.alone[m] && ok {
				n.Solver.SetResistance(r.loads[q.Red], load)
				loaded, _ := r.solve(n, s, st, at.loaded(q.Red))
				if out[m] += share * float64(n.Solver.V(r.b.Points[q.Red].Node)); !loaded {
					out[m] = math.NaN()
				}
				n.Solver.SetResistance(r.loads[q.Red], apart)
			}
		}
	}
	for _, m := range which {
		if r.b.Measurements[m].Function == meter.ACVoltage && !math.IsNaN(out[m]) {
			sig := meter.SignalOf(ac[:len(states)], []float64{share, share}[:len(states)])
			out[m] = r.b.Settings.Meter.Responds(meter.ACVoltage, sig)
		}
	}
	r.lampsJoined(n.Solver, true)
}

// solve brings the bench into a state, within the limit of the supply; drawn is the current out of it.
func (r *Rig) solve(n *wiring.Network, s *Setup, st wiring.State, at place) (ok bool, drawn float64) {
	lead := joined
	if s.Where == Board {
		lead = max(joined, r.b.Settings.Series)
	}
	limit := float64(r.b.Settings.Limit)
	if s.Where == Vehicle {
		limit = vehicleLimit
	}
	// Beyond its limit the supply gives way: by the resistance in its lead at which the limit flows. It is sought from where it
	// stood at the last point, along the chord of the voltage left over the current drawn; the bracket keeps the chord honest.
	u, least := float64(st.Track), float64(lead)
	own, low, high, whole := max(least, r.held[at]), least, math.Inf(1), false
	var before struct{ i, v float64 }
	for k := range mostChords {
		n.Solver.SetResistance(r.feed, unit.Ohm(own))
		sol := r.begin(n, at, st)
		drawn = math.Abs(float64(n.Solver.I(r.feed, 0)))
		switch off := drawn/limit - 1; {
		case sol.Status != circuit.Solved:
			delete(r.held, at)
			return false, drawn
		case own == least && off <= limitShare:
			delete(r.held, at)
			return true, drawn
		case own > least && math.Abs(off) <= limitShare:
			r.held[at] = own
			return true, drawn
		case off > 0:
			low, whole = own, whole || own == least
		default:
			high = own
		}
		left, chord := u-drawn*own, 0.0
		if k > 0 && drawn != before.i {
			chord = max(0, (left-before.v)/(drawn-before.i))
		}
		before.i, before.v = drawn, left
		next := (u - left - chord*(limit-drawn)) / limit
		switch {
		case next <= least && !whole:
			next = least
		case next > low && next < high:
		case math.IsInf(high, 1):
			next = 2 * low
		default:
			next = math.Sqrt(low * high)
		}
		own = next
	}
	return false, drawn
}

const (
	limitShare = 1e-3 // to which the limit of a supply is met: better than its own display
	mostChords = 40   // three or four are usual, one or two from the point before
)

// vehicleLimit is where a track supply gives way: a small booster, common practice, no source.
const vehicleLimit = 2.0

// unpowered reads ohms and diode tests.
func (r *Rig) unpowered(which []int, out []float64) {
	n := r.install(1)
	s := n.Solver
	s.SetResistance(r.deadFeed, apart)
	// Two numbers that change with the sample, to draw from what is not known.
	for k, e := range append([]circuit.Elem{n.ChipDraw}, r.idle...) {
		_, u := math.Modf(math.Abs(math.Sin(float64(k+1)*1e4*(r.z[0]+2)) * 1e3))
		s.SetResistance(e, UnpoweredLeast*unit.Ohm(math.Pow(float64(UnpoweredMost/UnpoweredLeast), u)))
	}
	state := wiring.State{LeftPositive: r.b.N.FedLeft(), Drive: wiring.Reset, Track: 0}
	for _, m := range which {
		q := &r.b.Measurements[m]
		s.SetResistance(r.red[q.Red], joined)
		s.SetResistance(r.black[q.Black], joined)
		if q.Function == meter.DiodeTest {
			s.SetVoltage(r.source, DiodeVolt)
			s.SetResistance(r.sense, DiodeVolt.Through(DiodeAmp))
			if out[m] = r.across(n, place{setup: q.Setup, load: m}, state); !math.IsNaN(out[m]) {
				out[m] = r.b.Shown(q, out[m])
			}
		} else {
			out[m] = r.ohms(n, m, state, q)
		}
		s.SetResistance(r.red[q.Red], apart)
		s.SetResistance(r.black[q.Black], apart)
	}
	s.SetVoltage(r.source, 0)
}

// across is the voltage that the meter sees at its sockets.
func (r *Rig) across(n *wiring.Network, at place, st wiring.State) float64 {
	if sol := r.begin(n, at, st); sol.Status != circuit.Solved {
		return math.NaN()
	}
	return float64(n.Solver.V(r.sockets[0]) - n.Solver.V(r.sockets[1]))
}

// ohms is what an ohmmeter shows: voltage over current, with its source behind about the resistance that it measures. A low range
// is taken, or a high one where that shows nothing on the typical board.
func (r *Rig) ohms(n *wiring.Network, m int, st wiring.State, q *Measurement) float64 {
	s := n.Solver
	s.SetVoltage(r.source, OhmsVolt)
	read := func(own unit.Ohm) float64 {
		s.SetResistance(r.sense, own)
		v := r.across(n, place{setup: q.Setup, load: m, own: own}, st)
		if i := float64(s.I(r.sense, 0)); i > 0 {
			return v / i
		}
		return v - v + math.Inf(1) // no current into it; not a number stays so
	}
	if r.ranges[m] > 0 {
		return r.b.Shown(q, read(r.ranges[m]))
	}
	r.ranges[m] = lowOhms
	shown := read(lowOhms)
	if !(shown < 20*float64(lowOhms)) {
		r.ranges[m] = highOhms
		shown = read(highOhms)
	}
	return r.b.Shown(q, shown)
}

// What the meter's source on ohms stands behind: about the middle of its low and of its high ranges, from memory.
const (
	lowOhms  = unit.Ohm(1e3)
	highOhms = unit.Ohm(100e3)
)

// A Forecast is what every measurement would show, by measurement and sample; the typical board apart.
type Forecast struct {
	Typical []float64
	Samples [][]float64
}

// Foresee computes the forecast of the bench with an edit at the points zs. What the edit does not change on the typical board
// by what a meter could show is taken over from the healthy forecast (nil: there is none), sample by sample.
func (b *Bench) Foresee(edit func(*circuit.Circuit), zs [][]float64, healthy *Forecast) (*Forecast, error) {
	r, err := b.Rig(edit)
	if err != nil {
		return nil, err
	}
	f := &Forecast{Typical: make([]float64, len(b.Measurements)), Samples: make([][]float64, len(b.Measurements))}
	all := func(int) bool { return true }
	for s := range b.Setups {
		r.ReadSetup(s, all, f.Typical)
	}
	r.load(f.Typical)
	fresh := make([]bool, len(b.Measurements)) // to be computed
	for m := range b.Measurements {
		fresh[m] = healthy == nil || !alike(b.Measurements[m].Function, f.Typical[m], healthy.Typical[m])
	}
	out := make([]float64, len(b.Measurements))
	// What shows on no typical board may show on a hot one: some samples are looked at, the hottest first.
	for _, k := range hottest(zs, looks) {
		r.Set(zs[k])
		for s := range b.Setups {
			r.ReadSetup(s, func(m int) bool { return !fresh[m] }, out)
		}
		for m := range b.Measurements {
			fresh[m] = fresh[m] || !alike(b.Measurements[m].Function, out[m], healthy.Samples[m][k])
		}
	}
	differs := make([]bool, len(b.Setups))
	for m, q := range b.Measurements {
		differs[q.Setup] = differs[q.Setup] || fresh[m]
	}
	for m := range b.Measurements {
		// A setup without power is solved measurement by measurement, as is what the meter's load shows in; any other as a whole.
		if q := &b.Measurements[m]; b.Setups[q.Setup].Where != Unpowered && !r.alone[m] {
			fresh[m] = differs[q.Setup]
		}
		if f.Samples[m] = make([]float64, len(zs)); !fresh[m] {
			copy(f.Samples[m], healthy.Samples[m])
		}
	}
	for k, z := range zs {
		r.Set(z)
		for s := range b.Setups {
			if differs[s] {
				r.ReadSetup(s, func(m int) bool { return fresh[m] }, out)
			}
		}
		for m := range fresh {
			if fresh[m] {
				f.Samples[m][k] = out[m]
			}
		}
	}
	return f, nil
}

// looks is how many samples an edit is tried at before what it leaves alone is taken over.
const looks = 3

// hottest are the samples of the highest and lowest ambient (the network's first variable), and those between.
func hottest(zs [][]float64, count int) []int {
	order := make([]int, len(zs))
	for k := range order {
		order[k] = k
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(zs[b][0], zs[a][0]) })
	var out []int
	for k := 0; k < count && len(order) > 0; k++ {
		out = append(out, order[k*(len(order)-1)/max(1, count-1)])
	}
	return out
}

// alike reports whether no ordinary meter tells the two apart: a last digit, or a thousandth, well within its own error.
func alike(f meter.Function, x, y float64) bool {
	if math.IsInf(x, 1) || math.IsInf(y, 1) {
		return x == y
	}
	least := map[meter.Function]float64{meter.DCCurrent: 5e-6, meter.Resistance: 0.1}[f]
	if least == 0 {
		least = 1e-3
	}
	return math.Abs(x-y) <= least+1e-3*math.Abs(y)
}

// load finds, on the typical board, where the meter's own load shows in a voltage, and reads those with it from there on.
func (r *Rig) load(typical []float64) {
	n := r.install(0)
	load := r.b.Settings.input(meter.DCVoltage)
	for s := range r.b.Setups {
		st := &r.b.Setups[s]
		if st.Where != Board && st.Where != Vehicle {
			continue
		}
		r.lampsJoined(n.Solver, st.Where == Vehicle)
		states := []wiring.State{st.State}
		if st.DCC {
			other := st.State
			other.LeftPositive = !other.LeftPositive
			states = append(states, other)
		}
		for k, state := range states {
			at := r.b.place(s, k, state)
			if ok, _ := r.solve(n, st, state, at); !ok {
				continue
			}
			free := make([]float64, len(r.b.Points))
			for p := range r.b.Points {
				free[p] = float64(n.Solver.V(r.b.Points[p].Node))
			}
			for m := range r.b.Measurements {
				q := &r.b.Measurements[m]
				if q.Setup != s || q.Function != meter.DCVoltage || r.alone[m] {
					continue
				}
				n.Solver.SetResistance(r.loads[q.Red], load)
				if ok, _ := r.solve(n, st, state, at.loaded(q.Red)); ok {
					r.alone[m] = !alike(meter.DCVoltage, float64(n.Solver.V(r.b.Points[q.Red].Node)), free[q.Red])
				}
				n.Solver.SetResistance(r.loads[q.Red], apart)
			}
		}
		if slices.ContainsFunc(r.b.Measurements, func(q Measurement) bool { return q.Setup == s }) {
			r.ReadSetup(s, func(m int) bool { return r.alone[m] }, typical)
		}
	}
	r.lampsJoined(n.Solver, true)
}
