package circuit

import (
	"bufio"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"fettle/internal/device"
	"fettle/internal/unit"
)

// The made-up parts of the reference problems (numerics.md, common device laws; T0 = 300.15 K).
var (
	red    = device.Diode{IS: 1e-17, N: 2, RS: 3, XTI: 3, EG: 2.1}
	white  = device.Diode{IS: 1e-24, N: 2.4, RS: 12, XTI: 3, EG: 3.4}
	si     = device.Diode{IS: 2.5e-9, N: 1.75, RS: 0.6, XTI: 3, EG: 1.11}
	sch    = device.Diode{IS: 1e-7, N: 1.05, RS: 0.5, XTI: 2, EG: 0.69}
	ideal  = device.Diode{IS: 1e-15, N: 1, XTI: 3, EG: 1.11}
	refNPN = device.BJT{IS: 2e-14, BF: 250, BR: 4, NF: 1, NR: 1, VAF: 75, RB: 50, RC: 0.8, RE: 0.3, XTB: 1.5, XTI: 3, EG: 1.11}
)

// table reads a table of numbers: one header line, columns separated by blanks.
func table(t testing.TB, name string) [][]float64 {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var rows [][]float64
	in := bufio.NewScanner(f)
	in.Scan()
	for in.Scan() {
		var row []float64
		for _, w := range strings.Fields(in.Text()) {
			x, err := strconv.ParseFloat(w, 64)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			row = append(row, x)
		}
		rows = append(rows, row)
	}
	if len(rows) == 0 {
		t.Fatalf("%s is empty", name)
	}
	return rows
}

func compile(t testing.TB, c *Circuit) *Solver {
	t.Helper()
	s, err := Compile(c)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func solve(t testing.TB, s *Solver) Solution {
	t.Helper()
	sol := s.Solve()
	if sol.Status != Solved {
		t.Fatalf("%v after %d iterations, residual %v: %s", sol.Status, sol.Iterations, sol.Residual, s.Why())
	}
	return sol
}

func relative(got, want float64) float64 { return math.Abs(got-want) / math.Abs(want) }

// P1: LED and series resistor (numerics.md P1: 50-digit decimal Newton iteration, checked by substitution).
func TestLEDAndResistor(t *testing.T) {
	columns := []struct {
		d device.Diode
		r unit.Ohm
	}{{red, 470}, {red, 1500}, {white, 470}, {white, 1500}, {si, 1000}, {sch, 1000}, {ideal, 10}, {ideal, 1e6}}
	const limit = 1e-11
	worst := 0.0
	for _, row := range table(t, "p1.txt") {
		for k, col := range columns {
			c := New()
			supply, a := c.Node("supply"), c.Node("anode")
			v := c.Voltage("supply", supply, Ground, unit.Volt(row[0]))
			_ = v
			c.Resistor("resistor", supply, a, col.r)
			led := c.Diode("LED", a, Ground, col.d)
			s := compile(t, c)
			solve(t, s)
			e := relative(float64(s.I(led, 0)), row[k+1])
			if !(e <= limit) {
				t.Errorf("column %d at %g V: %.12g A, want %.12g (off by %.1e)", k+1, row[0], s.I(led, 0), row[k+1], e)
			}
			worst = max(worst, e)
		}
	}
	t.Logf("largest relative error %.1e", worst)
}

// lowSide is the circuit of P2: supply – resistor – LED – collector, emitter at ground.
type lowSide struct {
	*Solver
	supply, load, led, q, base Elem // base: current source or base resistor
	drive                      Elem
	anode, collector, baseNode Node
}

func newLowSide(t testing.TB, viaResistor bool, dV bool) *lowSide {
	c := New()
	w := &lowSide{}
	v, a := c.Node("supply"), c.Node("anode")
	w.anode, w.collector, w.baseNode = a, c.Node("collector"), c.Node("base")
	w.supply = c.Voltage("supply", v, Ground, 12)
	w.load = c.Resistor("load resistor", v, a, 680)
	if dV {
		inner := c.Node("behind dV")
		w.drive = c.Voltage("dV", a, inner, 0)
		a = inner
	}
	w.led = c.Diode("LED", a, w.collector, red)
	w.q = c.BJT("switch", w.collector, w.baseNode, Ground, refNPN)
	if viaResistor {
		d := c.Node("drive")
		c.Voltage("drive", d, Ground, 5)
		w.base = c.Resistor("base resistor", d, w.baseNode, 1e4)
	} else {
		w.base = c.Current("base drive", Ground, w.baseNode, 1e-3)
	}
	w.Solver = compile(t, c)
	return w
}

// P2: low-side switch (numerics.md P2: nested bracketing, refined by a 40-digit decimal Newton iteration).
func TestLowSideSwitch(t *testing.T) {
	const limit = 1e-9
	worst := 0.0
	check := func(row, got []float64) {
		t.Helper()
		for k, g := range got {
			e := relative(g, row[k+2])
			if !(e <= limit) {
				t.Errorf("%g K, %g: column %d is %.10g, want %.10g (off by %.1e)", row[0], row[1], k+3, g, row[k+2], e)
			}
			worst = max(worst, e)
		}
	}
	iterations := map[bool]int{}
	for _, cold := range []bool{true, false} {
		a := newLowSide(t, false, false)
		for _, row := range table(t, "p2a.txt") {
			ib := 15e-3 / row[1]
			a.SetTemperature(unit.Kelvin(row[0]))
			a.SetCurrent(a.base, unit.Amp(ib))
			if cold {
				a.Reset()
			}
			iterations[cold] += solve(t, a.Solver).Iterations
			ic, vbe := float64(a.I(a.q, 0)), float64(a.V(a.baseNode))
			check(row, []float64{ib, ic, float64(a.V(a.collector)), vbe, float64(a.V(a.anode) - a.V(a.collector)), ic / ib, (5 - vbe) / ib})
		}
		b := newLowSide(t, true, false)
		for _, row := range table(t, "p2b.txt") {
			b.SetTemperature(unit.Kelvin(row[0]))
			b.SetResistance(b.base, unit.Ohm(row[1]))
			if cold {
				b.Reset()
			}
			iterations[cold] += solve(t, b.Solver).Iterations
			ib, ic := float64(b.I(b.q, 1)), float64(b.I(b.q, 0))
			check(row, []float64{ib, ic, float64(b.V(b.collector)), float64(b.V(b.baseNode)), float64(b.V(b.anode) - b.V(b.collector)), ic / ib})
		}
	}
	t.Logf("largest relative error %.1e; 51 points in %d iterations cold, %d warm", worst, iterations[true], iterations[false])
}

func BenchmarkOperatingPointCold(b *testing.B) {
	w := newLowSide(b, true, false)
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		w.Reset()
		n += w.Solve().Iterations
	}
	b.ReportMetric(float64(n)/float64(b.N), "iterations/op")
}

func BenchmarkOperatingPointWarm(b *testing.B) {
	w := newLowSide(b, true, false)
	rb := [...]unit.Ohm{10000, 10500, 9500, 47000, 45000}
	b.ReportAllocs()
	n, k := 0, 0
	for b.Loop() {
		w.SetResistance(w.base, rb[k])
		if k++; k == len(rb) {
			k = 0
		}
		n += w.Solve().Iterations
	}
	b.ReportMetric(float64(n)/float64(b.N), "iterations/op")
}
