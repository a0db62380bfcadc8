package circuit

import (
	"math"
	"testing"

	"fettle/internal/device"
	"fettle/internal/unit"
)

// P3, the seven static check points: full bridge on rails that hang on a floating source, two LED branches
// (numerics.md P3: 45-digit decimal nodal solution, agreeing with an independent double-precision one to 12
// digits). Note (1) there allows up to 1e-7 V of noise in the common mode of rails that hang on megohms; element
// by element currents leave none.
func TestBridgeStaticPoints(t *testing.T) {
	rectifier := device.Diode{IS: 7e-9, N: 1.8, RS: 0.05, XTI: 3, EG: 1.11, GP: 1e-6}
	intrinsic := refNPN
	intrinsic.RB, intrinsic.RC, intrinsic.RE = 0, 0, 0

	c := New()
	a, b, p, s1, cap := c.Node("a"), c.Node("b"), c.Node("p"), c.Node("source"), c.Node("reservoir")
	w := c.Voltage("track", s1, b, 13)
	source := c.Resistor("source resistance", s1, a, 1)
	c.Diode("a to p", a, p, rectifier)
	c.Diode("b to p", b, p, rectifier)
	c.Diode("ground to a", Ground, a, rectifier)
	c.Diode("ground to b", Ground, b, rectifier)
	c.Resistor("reservoir resistance", p, cap, 0.2)
	vc := c.Voltage("reservoir", cap, Ground, 11.5)
	load := c.Current("regulator", p, Ground, 0)
	type branch struct {
		resistor, drive Elem
		collector, base Node
	}
	add := func(name string, r unit.Ohm, led device.Diode) (out branch) {
		n := func(s string) Node { return c.Node(name + " " + s) }
		k, ci, bi, ei, d := n("anode"), n("c'"), n("b'"), n("e'"), n("drive")
		out.collector, out.base = n("collector"), n("base")
		led.GP = 1e-7
		out.resistor = c.Resistor(name+" resistor", a, k, r)
		c.Diode(name+" LED", k, out.collector, led)
		c.Resistor(name+" RC", out.collector, ci, 0.8)
		c.Resistor(name+" RB", out.base, bi, 50)
		c.Resistor(name+" RE", ei, Ground, 0.3)
		c.Resistor(name+" leak", ci, ei, 10e6)
		c.BJT(name+" switch", ci, bi, ei, intrinsic)
		out.drive = c.Voltage(name+" drive", d, Ground, 0)
		c.Resistor(name+" base resistor", d, out.base, 10e3)
		return out
	}
	one, two := add("one", 1500, red), add("two", 2200, white)
	s := compile(t, c)
	const limit = 1e-11 // twelve printed digits, with their rounding
	worst := 0.0
	for _, row := range table(t, "p3.txt") {
		s.SetVoltage(w, unit.Volt(row[0]))
		s.SetVoltage(one.drive, unit.Volt(row[1]))
		s.SetVoltage(two.drive, unit.Volt(row[2]))
		s.SetVoltage(vc, unit.Volt(row[3]))
		s.SetCurrent(load, unit.Amp(8e-3*(1+math.Tanh((row[3]-3)/0.2))/2))
		sol := solve(t, s)
		got := []float64{float64(s.I(one.resistor, 0)), float64(s.I(two.resistor, 0)), float64(s.I(source, 0)), float64(s.V(p)),
			float64(s.V(a)), float64(s.V(b)), float64(s.V(one.collector)), float64(s.V(two.collector)), float64(s.V(one.base))}
		for k, g := range got {
			e := relative(g, row[k+4])
			if !(e <= limit) {
				t.Errorf("row %v: column %d is %.12g, want %.12g (off by %.1e)", row[:4], k+5, g, row[k+4], e)
			}
			worst = max(worst, e)
		}
		if sol.Residual > 1e-12 {
			t.Errorf("row %v: residual %v", row[:4], sol.Residual)
		}
	}
	t.Logf("largest relative error %.1e", worst)
}

// samples5 is the reproducible sequence of P5 (numerics.md P5).
type samples5 struct{ j uint64 }

func (g *samples5) next() float64 {
	g.j++
	z := 20250101 + g.j*0x9E3779B97F4A7C15
	z = (z ^ z>>30) * 0xBF58476D1CE4E5B9
	z = (z ^ z>>27) * 0x94D049BB133111EB
	z ^= z >> 31
	return float64(z>>11) * 0x1p-53
}

type sample struct{ r, rb, bf, t, dv float64 }

func (g *samples5) sample(r0, rb0 float64) sample {
	u := [6]float64{}
	for k := range u {
		u[k] = g.next()
	}
	return sample{r0 * (0.95 + 0.10*u[0]), rb0 * (0.95 + 0.10*u[1]), 110 * math.Pow(800.0/110, u[2]), 263.15 + 80*u[3],
		0.10 * math.Sqrt(-2*math.Log(1-u[4])) * math.Cos(2*math.Pi*u[5])}
}

func (w *lowSide) set(x sample) {
	w.SetResistance(w.load, unit.Ohm(x.r))
	w.SetResistance(w.base, unit.Ohm(x.rb))
	q := refNPN
	q.BF = x.bf
	w.SetBJT(w.q, q)
	w.SetTemperature(unit.Kelvin(x.t))
	w.SetVoltage(w.drive, unit.Volt(x.dv))
}

// P5: Monte Carlo yield of the switch (numerics.md P5: a vectorised and a scalar Newton iteration, same
// counts; counts must come out exactly). No answer depends on where the iteration started.
func TestYield(t *testing.T) {
	for _, d := range []struct {
		name              string
		r, rb             float64
		pass              int
		low, high, notSat int
		mean, dev         float64
		first             sample
		ic0, vce0         float64
	}{
		{"A", 1500, 100e3, 7833, 279, 0, 2167, 7.093958269e-03, 7.078831e-04,
			sample{1525.89797, 97230.7501, 480.354645, 302.664084, -0.0622481865}, 7.3115101829e-03, 1.1662042901e-01},
		{"B", 1430, 47e3, 7898, 0, 2102, 0, 7.774658799e-03, 2.335502e-04,
			sample{1454.6894, 45698.4525, 480.354645, 302.664084, -0.0622481865}, 7.6828498390e-03, 9.3380548763e-02},
	} {
		w := newLowSide(t, true, true)
		w.SetVoltage(w.supply, 13)
		var g samples5
		var pass, low, high, notSat, iterations int
		var sum, squares float64
		const n = 10000
		for i := range n {
			x := g.sample(d.r, d.rb)
			w.set(x)
			sol := solve(t, w.Solver)
			iterations += sol.Iterations
			ic, vce := float64(w.I(w.q, 0)), float64(w.V(w.collector))
			if i == 0 {
				for k, p := range [][2]float64{{x.r, d.first.r}, {x.rb, d.first.rb}, {x.bf, d.first.bf}, {x.t, d.first.t}, {x.dv, d.first.dv}} {
					if relative(p[0], p[1]) > 1e-8 {
						t.Errorf("design %s, sample 0: value %d is %.10g, want %.10g", d.name, k, p[0], p[1])
					}
				}
				if relative(ic, d.ic0) > 1e-10 || relative(vce, d.vce0) > 1e-10 {
					t.Errorf("design %s, sample 0: IC %.11g, VCE %.11g; want %.11g, %.11g", d.name, ic, vce, d.ic0, d.vce0)
				}
			}
			a, b, c := ic < 5e-3, ic > 8e-3, vce > 0.30
			switch {
			case !a && !b && !c:
				pass++
			}
			if a {
				low++
			}
			if b {
				high++
			}
			if c {
				notSat++
			}
			sum += ic
			squares += ic * ic
		}
		mean := sum / n
		dev := math.Sqrt(squares/n - mean*mean)
		if pass != d.pass || low != d.low || high != d.high || notSat != d.notSat {
			t.Errorf("design %s: %d pass, %d/%d/%d fail; want %d, %d/%d/%d", d.name, pass, low, high, notSat, d.pass, d.low, d.high, d.notSat)
		}
		if relative(mean, d.mean) > 1e-9 || relative(dev, d.dev) > 1e-4 {
			t.Errorf("design %s: mean %.10g, deviation %.7g; want %.10g, %.7g", d.name, mean, dev, d.mean, d.dev)
		}
		t.Logf("design %s: %.2f iterations a sample", d.name, float64(iterations)/n)
	}
}

// BenchmarkYield10000 is P5, design A: ten thousand samples on one thread.
func BenchmarkYield10000(b *testing.B) {
	w := newLowSide(b, true, true)
	w.SetVoltage(w.supply, 13)
	b.ReportAllocs()
	for b.Loop() {
		var g samples5
		pass := 0
		for range 10000 {
			w.set(g.sample(1500, 100e3))
			if w.Solve().Status != Solved {
				b.Fatal("not solved")
			}
			if ic := w.I(w.q, 0); ic >= 5e-3 && ic <= 8e-3 && w.V(w.collector) <= 0.30 {
				pass++
			}
		}
		if pass != 7833 {
			b.Fatalf("%d pass", pass)
		}
	}
}
