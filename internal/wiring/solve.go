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
}

func (s State) String() string {
	rail := "right"
	if s.LeftPositive {
		rail = "left"
	}
	return fmt.Sprintf("%s, %s rail positive, track %s", s.Drive, rail, s.Track)
}

// Solve brings the network into a state and solves it. It starts from what Learn foretells; else from the
// solution before if that was the same drive and polarity (another track voltage moves junction voltages
// little); else from the last time the network was there.
func (n *Network) Solve(st State) circuit.Solution {
	s := n.Solver
	u := st.Track
	if !st.LeftPositive {
		u = -u
	}
	s.SetVoltage(n.Track, u)
	same := n.solved && st.Drive == n.state.Drive && st.LeftPositive == n.state.LeftPositive
	if !n.solved || st.Drive != n.state.Drive {
		level := [...]pin.Level{pin.Low, pin.High, pin.Open}[st.Drive]
		for i := range n.Outputs {
			s.SetLevel(n.Outputs[i].Pin, level)
		}
	}
	if l := n.learned[st]; l != nil {
		s.Restore(n.foretell(l))
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

// A lesson is how one state's solution follows what varies, to first order on either side of typical.
type lesson struct {
	base     []float64
	up, down [][]float64    // per continuous variable: the change towards +1 and towards −1; nil for joint samples
	lamps    [][2][]float64 // per output: the change with its LED's voltage (per volt) and with ln of its hidden resistance
}

// Steps by which a lamp is changed to learn what follows from it.
const (
	learnVolt = unit.Volt(0.03)
	learnLnR  = 0.05
)

// feature is how a lamp sample differs from the most probable one: LED voltage at 2 mA, and ln of the hidden
// resistance.
func (o *OutputNet) feature(p LampParams) [2]float64 {
	t := unit.FitTemperature.Kelvin()
	typical := o.Post.Samples[o.corners[0]]
	return [2]float64{
		float64(p.Junction().Voltage(0.002, t) - typical.Junction().Voltage(0.002, t)),
		math.Log(float64(p.Hidden / typical.Hidden)),
	}
}

// foretell is the solution to expect at z.
func (n *Network) foretell(l *lesson) []float64 {
	z, out := n.last, n.scratch
	copy(out, l.base)
	for i := range n.Outputs {
		o := &n.Outputs[i]
		for f, x := range o.features[int(z[o.lampVar])] {
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

// addScaled adds x·d to out.
func addScaled(out []float64, x float64, d []float64) {
	out = out[:len(d)]
	for k, v := range d {
		out[k] += x * v
	}
}

// Learn solves the states at typical and with each variable at its ends, so that Solve can start near the
// answer anywhere in the box. The answer itself does not depend on it, nor on what was solved before.
func (n *Network) Learn(states []State) {
	typical := n.Typical()
	z := slices.Clone(typical)
	lessons := map[State]*lesson{}
	n.learned = nil
	solve := func(st State) []float64 {
		if n.Solve(st).Status != circuit.Solved {
			return nil
		}
		return n.Solver.Save(make([]float64, n.Solver.StateSize()))
	}
	n.Set(z)
	var known []State // in order, so that the same states are always learned on the same road
	for _, st := range states {
		if base := solve(st); base != nil {
			known = append(known, st)
			lessons[st] = &lesson{base: base, up: make([][]float64, len(n.Vars)), down: make([][]float64, len(n.Vars)), lamps: make([][2][]float64, len(n.Outputs))}
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
				l, d := lessons[st], solve(st)
				for k := range d {
					d[k] -= l.base[k]
				}
				if end > 0 {
					l.up[i] = d
				} else {
					l.down[i] = d
				}
			}
		}
		z[i] = typical[i]
	}
	n.Set(z)
	for i := range n.Outputs {
		o := &n.Outputs[i]
		was := o.Post.Samples[o.corners[0]]
		o.features = make([][2]float64, len(o.Post.Samples))
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
				l, d := lessons[st], solve(st)
				for k := range d {
					d[k] = (d[k] - l.base[k]) / step
				}
				l.lamps[i][f] = d
			}
		}
		o.LampElems.Set(n.Solver, was)
	}
	n.learned, n.scratch = lessons, make([]float64, n.Solver.StateSize())
}
