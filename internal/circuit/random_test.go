package circuit

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"fettle/internal/device"
	"fettle/internal/pin"
	"fettle/internal/unit"
)

// randomCircuit draws 3 to 40 elements over a few nodes. Most are connected to something sensible; some are
// not, and must be refused.
func randomCircuit(r *rand.Rand) *Circuit {
	c := New()
	n := 3 + r.IntN(38)
	nodes := []Node{Ground}
	for range 2 + r.IntN(1+n/2) {
		nodes = append(nodes, c.Node(fmt.Sprint("n", len(nodes))))
	}
	any := func() Node { return nodes[r.IntN(len(nodes))] }
	other := func(a Node) Node {
		for range 8 {
			if b := any(); b != a {
				return b
			}
		}
		return Ground
	}
	ohm := func() unit.Ohm { return unit.Ohm(math.Pow(10, 0.5+5.5*r.Float64())) }
	leds := []device.Diode{red, white, si, sch, ideal}
	temps := []unit.Kelvin{253.15, 298.15, 300.15, 343.15}
	c.Voltage("supply", nodes[1], Ground, unit.Volt(r.Float64()*24))
	for k := 1; k < n; k++ {
		a := any()
		b := other(a)
		var e Elem
		switch x := r.IntN(100); {
		case x < 40:
			e = c.Resistor(fmt.Sprint("R", k), a, b, ohm())
		case x < 56:
			d := leds[r.IntN(len(leds)-1)]
			if r.IntN(20) == 0 {
				d = ideal // straight across a supply nothing limits its current
			}
			if r.IntN(5) == 0 {
				d.BV = unit.Volt(3 + 10*r.Float64())
			}
			e = c.Diode(fmt.Sprint("D", k), a, b, d)
		case x < 68:
			q := refNPN
			q.PNP = r.IntN(3) == 0
			if r.IntN(2) == 0 {
				q.IKF, q.ISE, q.ICBO = 0.05, 1e-13, 5e-8
			}
			if r.IntN(20) == 0 {
				q.RB, q.RC, q.RE = 0, 0, 0
			}
			e = c.BJT(fmt.Sprint("Q", k), a, b, other(b), q)
		case x < 80:
			q := refNMOS
			q.P = r.IntN(2) == 0
			q.KP = math.Pow(10, -2+4*r.Float64())
			if r.IntN(2) == 0 {
				q.IDSS = 0
			}
			if r.IntN(3) == 0 {
				q.R0 = 0
			}
			if r.IntN(3) == 0 {
				q.Body = device.Diode{}
			}
			e = c.MOSFET(fmt.Sprint("M", k), a, b, other(b), q)
			if r.IntN(2) == 0 { // most gates are tied somewhere
				c.Resistor(fmt.Sprint("RG", k), b, any(), ohm())
			}
		case x < 83:
			f := device.Filament{Cold: unit.Ohm(5 + 100*r.Float64()), LitV: unit.Volt(1 + 20*r.Float64()), Conducted: 0.01 + 0.79*r.Float64()}
			f.LitI = f.LitV.Over(f.Cold) / unit.Amp(1.5+15*r.Float64())
			e = c.Filament(fmt.Sprint("L", k), a, b, f)
		case x < 86:
			e = c.Voltage(fmt.Sprint("V", k), a, b, unit.Volt(-12+24*r.Float64()))
		case x < 90:
			e = c.Current(fmt.Sprint("I", k), a, b, unit.Amp(0.02*r.Float64()))
			if r.IntN(4) > 0 {
				c.Resistor(fmt.Sprint("RI", k), a, b, ohm())
			}
		case x < 93:
			e = c.Capacitor(fmt.Sprint("C", k), a, b, 1e-6)
		case x < 96:
			g := Ground
			if r.IntN(4) == 0 {
				g = any()
			}
			e = c.Regulator(fmt.Sprint("U", k), a, b, g, device.Regulator{Vout: 5, Dropout: unit.Volt(2 * r.Float64()), Rdrop: unit.Ohm(5 * r.Float64()),
				IQ: unit.Amp(5e-3 * r.Float64()), Limit: unit.Amp(0.2 * float64(r.IntN(2)))})
		default:
			p := device.Pin{RHigh: 30, RLow: 25, Leak: unit.Amp(1e-6 * float64(r.IntN(3)-1)), Pullup: unit.Ohm(35e3 * float64(r.IntN(2)))}
			if r.IntN(2) == 0 {
				p.Clamp = si
			}
			if r.IntN(2) == 0 {
				p.VCC, p.Lowest, p.HighPower, p.LowPower = 5, 2.7, 0.7, 1
			}
			e = c.Pin(fmt.Sprint("P", k), a, b, Ground, p)
			c.SetLevel(e, pin.Level(r.IntN(3)))
		}
		c.elements[e].T = temps[r.IntN(len(temps))]
	}
	return c
}

// 10 000 random circuits of 3 to 40 elements: solved with small residual, or refused with a named reason; no
// hang, no NaN, no panic. Every solution conserves charge at every node and energy overall.
func TestRandomCircuits(t *testing.T) {
	count := 10000
	if testing.Short() {
		count = 1000
	}
	refused := map[Reason]int{}
	status := map[Status]int{}
	continued, iterations, worst := 0, 0, time.Duration(0)
	for seed := range count {
		c := randomCircuit(rand.New(rand.NewPCG(uint64(seed), 7)))
		s, err := Compile(c)
		if err != nil {
			var top *TopologyError
			if !errors.As(err, &top) || top.Message == "" || len(top.Elements)+len(top.Nodes) == 0 {
				t.Errorf("circuit %d: refused without saying why: %v", seed, err)
				continue
			}
			refused[top.Reason]++
			continue
		}
		start := time.Now()
		sol := s.Solve()
		worst = max(worst, time.Since(start))
		status[sol.Status]++
		iterations += sol.Iterations
		if sol.Continuation {
			continued++
		}
		if sol.Status != Solved {
			if s.Why() == "" {
				t.Errorf("circuit %d: %v without a reason", seed, sol.Status)
			}
			if sol.Status != Runaway {
				t.Logf("circuit %d (%d elements): %v, residual %v: %s", seed, len(c.elements), sol.Status, sol.Residual, s.Why())
			}
			continue
		}
		// Beside that what the last digit of a node of kilovolts leaves in a channel switched on by it.
		if missing := float64(sol.Residual); missing > 1e-9+s.rounding() && missing > 1e-9*s.largestCurrent() {
			t.Errorf("circuit %d: solved with %v missing", seed, sol.Residual)
		}
		conserve(t, fmt.Sprint("circuit ", seed), s)
	}
	t.Logf("refused %v; %v; %d by continuation; %d iterations, slowest %v", refused, status, continued, iterations, worst)
	// A runaway names the part that nothing limits, or the node whose current has nowhere to go.
	if open := status[Stalled] + status[Singular] + status[Limit]; open*1000 > count {
		t.Errorf("%d of %d circuits found no operating point", open, count)
	}
	if solved := status[Solved]; solved < count*8/10 || refused[FloatingNode] == 0 || refused[SourceLoop] == 0 || status[Runaway] == 0 {
		t.Errorf("the draw is lopsided: %v, %v", status, refused)
	}
}

// conserve checks that currents sum to zero at every node and powers overall.
func conserve(t *testing.T, name string, s *Solver) {
	t.Helper()
	sum := make([]float64, s.c.Nodes())
	size := make([]float64, s.c.Nodes())
	power, turnover := 0.0, 0.0
	for i, e := range s.c.elements {
		total := 0.0
		for k, n := range e.Nodes {
			x := float64(s.I(Elem(i), k))
			if math.IsNaN(x) || math.IsInf(x, 0) {
				t.Errorf("%s: current of %s is %v", name, e.Name, x)
			}
			total += x
			sum[n] += x
			size[n] += math.Abs(x)
		}
		if math.Abs(total) > 1e-15+1e-12*math.Abs(float64(s.I(Elem(i), 0))) {
			t.Errorf("%s: %s stores charge: %g A", name, e.Name, total)
		}
		p := float64(s.Power(Elem(i)))
		power += p
		turnover += math.Abs(p)
	}
	for n := range sum {
		if v := float64(s.V(Node(n))); math.IsNaN(v) || math.IsInf(v, 0) {
			t.Errorf("%s: node %d stands at %v", name, n, v)
		}
		// Beside the tolerances: what the last digit of a 10 V node leaves in a 20 S path.
		if math.Abs(sum[n]) > 40*float64(TolAmp)+1e-10*size[n]+s.rounding() {
			t.Errorf("%s: %g A vanish at node %d (of %g)", name, sum[n], n, size[n])
		}
	}
	if math.Abs(power) > 1e-9+1e-9*turnover+s.highest()*40*float64(TolAmp) {
		t.Errorf("%s: powers sum to %g W (of %g)", name, power, turnover)
	}
}
