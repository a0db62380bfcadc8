package wiring

import (
	"fmt"
	"math"
	"slices"

	"fettle/internal/circuit"
	"fettle/internal/pin"
	"fettle/internal/unit"
)

// A Drive is what the chip does with the pins of all outputs.
type Drive uint8

const (
	Off   Drive = iota // pins low
	On                 // pins high
	Reset              // pins open: in reset, before the first instruction, and with no firmware
)

func (d Drive) String() string { return [...]string{"off", "on", "in reset"}[d] }

// A State is a static state of the decoder in its vehicle: which rail is positive, by how much, and what the
// chip does. On DCC a state lasts for half a bit; both polarities follow each other. On DC one of them stays.
type State struct {
	LeftPositive bool
	Drive        Drive
	Track        unit.Volt // between the rails, > 0
	// Which says which outputs are on, a bit for each; 0: all that may be on together. The acknowledgement is not among
	// those.
	Which uint32
	Cold  bool // filaments have not warmed yet: the moment after switching on
}

func (s State) String() string {
	rail := "right"
	if s.LeftPositive {
		rail = "left"
	}
	return fmt.Sprintf("%s, %s rail positive, track %s", s.Drive, rail, s.Track)
}

// filament is a lamp as it glows in the present state: on one rail it is fed for half the time and dimmed for less, which
// its temperature follows in the mean; cold it has the resistance that it is switched on with.
func (n *Network) filament(l *LampNet, p LampParams) LampParams {
	if p.Structure != FilamentLamp {
		return p
	}
	p.Filament.Duty = l.duty
	if n.state.Cold {
		// Lit at next to nothing, it stays as cold as it is.
		p.Filament.LitV, p.Filament.LitI = 1e3*p.Filament.LitV, 1e3*p.Filament.LitV.Over(p.Filament.Cold*1.0001)
	}
	return p
}

// solve brings the network into a state and solves it. It starts from what Learn foretells; else from the
// solution before if that was the same drive and polarity (another track voltage moves junction voltages
// little); else from the last time the network was there.
func (n *Network) solve(st State) circuit.Solution {
	s := n.Solver
	u := st.Track
	if !st.LeftPositive {
		u = -u
	}
	s.SetVoltage(n.Track, u)
	if st.Cold != n.state.Cold {
		n.state.Cold = st.Cold
		for i := range n.Lamps {
			if l := &n.Lamps[i]; l.Post.Structure == FilamentLamp && n.last != nil {
				l.LampElems.Set(s, n.filament(l, l.Post.Samples[int(n.last[l.index])]))
			}
		}
		n.solved = false
	}
	same := n.solved && st.Drive == n.state.Drive && st.Which == n.state.Which && st.LeftPositive == n.state.LeftPositive
	if !n.solved || st.Drive != n.state.Drive || st.Which != n.state.Which {
		which := st.Which
		if which == 0 {
			which = n.ordinary
		}
		for i := range n.Outputs {
			level := pin.Low
			switch {
			case st.Drive == Reset:
				level = pin.Open
			case (st.Drive == On && which>>i&1 == 1) != n.Outputs[i].ActiveLow:
				level = pin.High
			}
			s.SetLevel(n.Outputs[i].Pin, level)
		}
	}
	if n.start != nil {
		s.Restore(n.start)
	} else if l := n.learned[st]; l != nil {
		s.Restore(n.follow(st, n.foretell(l)))
	} else if !same {
		if w, ok := n.warm[st]; ok {
			s.Restore(w)
		} else {
			s.Reset()
		}
	}
	sol := s.Solve()
	if sol.Status != circuit.Solved { // a bad start can mislead; a cold one has its own way
		s.Reset()
		sol = s.Solve()
	}
	n.state, n.solved = st, sol.Status == circuit.Solved
	switch {
	case n.learned[st] != nil:
		n.tread(st)
	case n.solved:
		w, ok := n.warm[st]
		if !ok {
			w = make([]float64, s.StateSize())
			n.warm[st] = w
		}
		s.Save(w)
	default:
		delete(n.warm, st)
	}
	return sol
}

// SolveFrom is Solve that starts from a solution saved before (circuit.Solver.Save), where something else than the state tells
// solutions apart; start nil: as Solve.
func (n *Network) SolveFrom(st State, start []float64) circuit.Solution {
	n.start = start
	sol := n.Solve(st)
	n.start = nil
	return sol
}

// A lesson is how one state's solution follows what varies, to first order on either side of typical.
type lesson struct {
	base     []float64
	up, down []change    // per continuous variable: the change towards +1 and towards −1; none for joint samples
	lamps    [][2]change // per lamp: the change with its's voltage (per volt) and with ln of its hidden resistance
}

// A change is what moves in a solution, by index; what moves by less than smallest is left out, so that one output's
// variables cost nothing at another's nodes.
type change struct {
	at []int32
	by []float64
}

const smallest = 3e-5 // volt

func changeOf(d []float64) (c change) {
	for k, x := range d {
		if math.Abs(x) >= smallest {
			c.at, c.by = append(c.at, int32(k)), append(c.by, x)
		}
	}
	return c
}

// Steps by which a lamp is changed to learn what follows from it.
const (
	learnVolt = unit.Volt(0.03)
	learnLnR  = 0.05
)

// learns reports whether what follows from the lamp's samples is learned: not where current does not follow the voltage of
// its junctions.
func (l *LampNet) learns() bool {
	switch l.Post.Structure {
	case PlainLamp, AntiParallelLamp, DiodeBoard, BridgeBoard, LeakingLamp:
		return true
	}
	return false
}

// feature is how a lamp sample differs from the most probable one: LED voltage at 2 mA, and ln of the hidden
// resistance.
func (l *LampNet) feature(p LampParams) [2]float64 {
	t := unit.FitTemperature.Kelvin()
	typical := l.Post.Samples[l.corners[0]]
	return [2]float64{
		float64(p.Junction().Voltage(0.002, t) - typical.Junction().Voltage(0.002, t)),
		math.Log(float64(p.Hidden / typical.Hidden)),
	}
}

// foretell is the solution to expect at z.
func (n *Network) foretell(l *lesson) []float64 {
	z, out := n.last, n.scratch
	copy(out, l.base)
	for i := range n.Lamps {
		o := &n.Lamps[i]
		if !o.learns() {
			continue
		}
		for f, x := range o.features[int(z[o.index])] {
			addScaled(out, x, l.lamps[i][f])
		}
	}
	for i, up := range l.up {
		if x := z[i]; x > 0 {
			addScaled(out, x, up)
		} else if x < 0 {
			addScaled(out, -x, l.down[i])
		}
	}
	return out
}

// addScaled adds x·c to out.
func addScaled(out []float64, x float64, c change) {
	for k, at := range c.at {
		out[at] += x * c.by[k]
	}
}

// A trail is the point at which a state was solved last, and by how much its solution differed there from what was foretold.
type trail struct{ z, foretold, off []float64 }

// Follow has Solve start from how far the last answer of a state was from what was foretold, where the next point is
// a neighbour: points of a search mostly are.
func (n *Network) Follow() { n.trails = map[State]*trail{} }

// neighbours is how many variables may differ between points for one to tell of the other: an exchange after another of the same
// corner.
const neighbours = 2

// follow adds to what is foretold of a state what it was wrong by at the last point, if that is a neighbour.
func (n *Network) follow(st State, foretold []float64) []float64 {
	if n.trails == nil {
		return foretold
	}
	t := n.trails[st]
	if t == nil {
		t = &trail{foretold: make([]float64, len(foretold)), off: make([]float64, len(foretold))}
		n.trails[st] = t
	}
	copy(t.foretold, foretold)
	if t.z == nil {
		return foretold
	}
	differ := 0
	for i, x := range t.z {
		if x != n.last[i] {
			differ++
		}
	}
	if differ <= neighbours {
		for k, x := range t.off {
			foretold[k] += x
		}
	}
	return foretold
}

// tread keeps where a state was solved.
func (n *Network) tread(st State) {
	t := n.trails[st]
	switch {
	case t == nil:
	case !n.solved:
		t.z = nil
	default:
		n.Solver.Save(t.off)
		for k := range t.off {
			t.off[k] -= t.foretold[k]
		}
		t.z = append(t.z[:0], n.last...)
	}
}

// Learn solves the states at typical and with each variable at its ends, so that Solve can start near the
// answer anywhere in the box. The answer itself does not depend on it, nor on what was solved before. Each of those solutions
// is shown to see (if not nil) as the network stands: of the state numbered, at point z.
func (n *Network) Learn(states []State, see func(z []float64, state int, sol circuit.Solution)) {
	typical := n.Typical()
	z := slices.Clone(typical)
	lessons := map[State]*lesson{}
	n.learned = nil
	solve := func(st State, show bool) []float64 {
		sol := n.Solve(st)
		if show && see != nil {
			see(z, slices.Index(states, st), sol)
		}
		if sol.Status != circuit.Solved {
			return nil
		}
		return n.Solver.Save(make([]float64, n.Solver.StateSize()))
	}
	n.Set(z)
	var known []State // in order, so that the same states are always learned on the same road
	for _, st := range states {
		if base := solve(st, true); base != nil {
			known = append(known, st)
			lessons[st] = &lesson{base: base, up: make([]change, len(n.Vars)), down: make([]change, len(n.Vars)), lamps: make([][2]change, len(n.Lamps))}
		}
	}
	for i, v := range n.Vars {
		if v.Levels > 0 {
			continue
		}
		for _, end := range []float64{1, -1} {
			z[i] = end
			n.Set(z)
			for _, st := range known {
				l, d := lessons[st], solve(st, true)
				for k := range d {
					d[k] -= l.base[k]
				}
				if end > 0 {
					l.up[i] = changeOf(d)
				} else {
					l.down[i] = changeOf(d)
				}
			}
		}
		z[i] = typical[i]
	}
	n.Set(z)
	for i := range n.Lamps {
		o := &n.Lamps[i]
		was := o.Post.Samples[o.corners[0]]
		o.describe()
		o.features = make([][2]float64, len(o.Post.Samples))
		if !o.learns() {
			continue
		}
		for j, p := range o.Post.Samples {
			o.features[j] = o.feature(p)
		}
		brighter, larger := was, was
		larger.Hidden *= unit.Ohm(math.Exp(learnLnR))
		// The junction law moves as a whole when IS falls by exp(ΔV/N·Vt).
		brighter.LED.IS *= unit.Amp(math.Exp(-float64(learnVolt/unit.FitTemperature.Kelvin().ThermalVoltage()) / (was.LED.N * float64(max(was.Series, 1)))))
		for f, p := range []LampParams{brighter, larger} {
			o.LampElems.Set(n.Solver, p)
			step := o.feature(p)[f]
			for _, st := range known {
				l, d := lessons[st], solve(st, false)
				for k := range d {
					d[k] = (d[k] - l.base[k]) / step
				}
				l.lamps[i][f] = changeOf(d)
			}
		}
		o.LampElems.Set(n.Solver, was)
	}
	n.learned, n.scratch = lessons, make([]float64, n.Solver.StateSize())
}

// numbers are a sample in numbers that solutions follow nearly linearly; what does not belong to its structure is 0.
func (p LampParams) numbers() []float64 {
	t := unit.FitTemperature.Kelvin()
	back := p
	back.LED = p.Back
	out := []float64{
		float64(p.Junction().Voltage(0.002, t)), float64(back.Junction().Voltage(0.002, t)), math.Log(float64(p.Hidden)), math.Log(float64(max(p.Parallel, 1))),
		math.Log(float64(p.Leak)), math.Log(float64(p.Limit)), float64(p.Dropout), float64(p.Own),
		math.Log(float64(p.Filament.LitV)), math.Log(float64(p.Filament.LitI)), math.Log(float64(p.Filament.Cold)),
	}
	for k, x := range out {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			out[k] = 0
		}
	}
	return out
}

// describe turns the lamp's samples into the numbers of Feature: those that differ among them, from the mean.
func (l *LampNet) describe() {
	all := make([][]float64, len(l.Post.Samples))
	for j, p := range l.Post.Samples {
		all[j] = p.numbers()
	}
	l.numbers = make([][]float64, len(all))
	for k := range all[0] {
		mean, most := 0.0, 0.0
		for _, x := range all {
			mean += x[k] / float64(len(all))
		}
		for _, x := range all {
			most = math.Max(most, math.Abs(x[k]-mean))
		}
		if most < 1e-9 {
			continue
		}
		for j, x := range all {
			l.numbers[j] = append(l.numbers[j], (x[k]-mean)/most)
		}
	}
}

// Features is how many numbers Feature gives.
func (n *Network) Features() int {
	w := 1
	for i := range n.Vars {
		if n.Vars[i].Levels == 0 {
			w++
		}
	}
	for i := range n.Lamps {
		w += len(n.Lamps[i].numbers[0])
	}
	return w
}

// Feature is the point z in numbers that solutions follow nearly linearly: 1, every continuous variable, and of every lamp
// how its sample differs from the mean. Learn prepares them.
func (n *Network) Feature(z, out []float64) {
	out[0] = 1
	k := 1
	for i := range n.Vars {
		if n.Vars[i].Levels == 0 {
			out[k] = z[i]
			k++
		}
	}
	for i := range n.Lamps {
		l := &n.Lamps[i]
		k += copy(out[k:], l.numbers[int(z[l.index])])
	}
}
