package circuit

import (
	"math"
	"testing"

	"fettle/internal/device"
	"fettle/internal/parts"
	"fettle/internal/pin"
	"fettle/internal/unit"
)

// The checks of areas A and B of checks.md are hand formulas with constant drops. Here the solver finds the
// same figures with parts idealised to that: a diode of a few microvolts behind an ideal drop.

// sharp is nearly a one-way valve: 44 µV at 20 mA.
var sharp = device.Diode{IS: 1e-9, N: 1e-4}

// drop adds a junction with a constant forward drop.
func drop(c *Circuit, name string, anode, cathode Node, v unit.Volt) Elem {
	in := c.Node(name + " inside")
	d := c.Diode(name, anode, in, sharp)
	c.Voltage(name+" drop", in, cathode, v)
	return d
}

// ideal switch: gain β, constant VBE, constant VCE(sat); millivolts at most beside these.
type idealSwitch struct {
	q, vbe, vce Elem
}

func newSwitch(c *Circuit, collector, base, emitter Node, beta float64, vbe, vce unit.Volt) idealSwitch {
	ci, bi := c.Node("collector inside"), c.Node("base inside")
	return idealSwitch{
		q:   c.BJT("switch", ci, bi, emitter, device.BJT{IS: 1e-6, BF: beta, BR: 1e4, NF: 1e-3, NR: 1e-3}),
		vbe: c.Voltage("VBE", base, bi, vbe),
		vce: c.Voltage("VCE(sat)", collector, ci, vce),
	}
}

func (w idealSwitch) power(s *Solver) float64 {
	return float64(s.Power(w.q) + s.Power(w.vbe) + s.Power(w.vce))
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.7g, want %.7g ± %.2g", what, got, want, tolerance)
	}
}

// ledAndResistor solves supply – resistor – LED of constant drop.
func ledAndResistor(t *testing.T, vs, vf unit.Volt, r unit.Ohm) (i, p float64) {
	t.Helper()
	c := New()
	supply, a := c.Node("supply"), c.Node("anode")
	c.Voltage("supply", supply, Ground, vs)
	re := c.Resistor("resistor", supply, a, r)
	led := drop(c, "LED", a, Ground, vf)
	s := compile(t, c)
	solve(t, s)
	return float64(s.I(led, 0)), float64(s.Power(re))
}

func TestAreaA(t *testing.T) {
	const mA, mW = 1e-3, 1e-3
	// Lessons in Electric Circuits, vol. III, 2017, ch. 3, light-emitting diodes.
	i, p := ledAndResistor(t, 6, 1.6, 220)
	near(t, "A-01 current", i, 20*mA, 0.01*mA)
	near(t, "A-01 power", p, 88*mW, 0.1*mW)
	if p >= 0.125 {
		t.Error("A-01: a 125 mW part should do")
	}
	i, p = ledAndResistor(t, 24, 1.6, 1120)
	near(t, "A-02 current", i, 20*mA, 0.01*mA)
	near(t, "A-02 power", p, 448*mW, 0.5*mW)
	if p < 0.25 || p > 0.5 || 0.5/p > 1.117 || 0.5/p < 1.115 {
		t.Error("A-02: only a 500 mW part carries that, by a factor of 1.116")
	}
	i, _ = ledAndResistor(t, 24, 1.6, 1000)
	near(t, "A-02 at 1.0 kΩ", i, 22.4*mA, 0.01*mA)
	i, _ = ledAndResistor(t, 24, 1.6, 1500)
	near(t, "A-02 at 1.5 kΩ", i, 14.93*mA, 0.01*mA)
	// Mehta & Mehta, Principles of Electronics, 11th ed. 2009, example 7.1. R ± 0.1 Ω is 5 µA here.
	i, _ = ledAndResistor(t, 10, 1.6, 420)
	near(t, "A-03 current", i, 20*mA, 0.005*mA)
	// Malvino & Bates, Electronic Principles, 7th ed. 2006, examples 5-13 and 5-12.
	i, _ = ledAndResistor(t, 9, 2, 470)
	near(t, "A-04", i, 14.89*mA, 0.005*mA)
	i, p = ledAndResistor(t, 50, 2, 2200)
	near(t, "A-05 current", i, 21.82*mA, 0.005*mA)
	near(t, "A-05 power", p, 1.047, 0.002)

	// half-wave, 20 V rms behind 680 Ω, drops neglected (Malvino & Bates, example 5-14); ±0.5 %.
	{
		c := New()
		ac, a := c.Node("source"), c.Node("anode")
		src := c.Voltage("source", ac, Ground, 0)
		c.Resistor("resistor", ac, a, 680)
		d := c.Diode("diode", a, Ground, sharp)
		s := compile(t, c)
		var phases []float64
		const n = 720
		for k := range n {
			phases = append(phases, 2*math.Pi*(float64(k)+0.5)/n)
		}
		peak, mean := 0.0, 0.0
		s.Sweep(phases, func(x float64) { s.SetVoltage(src, unit.Volt(20*math.Sqrt2*math.Sin(x))) }, func(_ float64, sol Solution) {
			if sol.Status != Solved {
				t.Fatalf("A-06: %v", sol.Status)
			}
			peak = max(peak, float64(s.I(d, 0)))
			mean += float64(s.I(d, 0)) / n
		})
		near(t, "A-06 peak", peak, 41.6*mA, 0.005*41.6*mA)
		near(t, "A-06 mean", mean, 13.24*mA, 0.005*13.24*mA)
		near(t, "A-06 V²/R", 20.0*20/680, 0.588, 0.005*0.588)
	}
	// anti-parallel LEDs (Boylestad & Nashelsky, 10th ed. 2009, example 2.11).
	{
		c := New()
		supply, a := c.Node("supply"), c.Node("anode")
		src := c.Voltage("supply", supply, Ground, 8)
		c.Resistor("resistor", supply, a, 300)
		one := drop(c, "one", a, Ground, 2)
		two := drop(c, "two", Ground, a, 2)
		s := compile(t, c)
		for _, sign := range []unit.Volt{1, -1} {
			s.SetVoltage(src, 8*sign)
			solve(t, s)
			on, off := one, two
			if sign < 0 {
				on, off = two, one
			}
			near(t, "A-07 current", float64(s.I(on, 0)), 20*mA, 0.007*mA) // R ± 0.1 Ω
			near(t, "A-07 other", float64(s.I(off, 0)), 0, 1e-8)
			near(t, "A-07 reverse voltage", math.Abs(float64(s.V(a))), 2, 1e-3)
		}
	}
	// LED and saturated switch in one branch (Neamen, 2nd ed. 2001, example 2.11).
	{
		c := New()
		supply, a, k, b := c.Node("supply"), c.Node("anode"), c.Node("collector"), c.Node("base")
		c.Voltage("supply", supply, Ground, 5)
		r := c.Resistor("resistor", supply, a, 310)
		drop(c, "LED", a, k, 1.7)
		newSwitch(c, k, b, Ground, 100, 0.7, 0.2)
		c.Current("drive", Ground, b, 1e-3)
		s := compile(t, c)
		solve(t, s)
		near(t, "A-08 current", float64(s.I(r, 0)), 10*mA, 0.004*mA) // R ± 0.1 Ω
	}
	// reverse voltage of an LED on an alternating source, alone and with a diode the other way
	// (Lessons in Electric Circuits, vol. III: typical rating about 5 V).
	{
		c := New()
		ac, a := c.Node("source"), c.Node("anode")
		c.Voltage("source", ac, Ground, -12)
		c.Resistor("resistor", ac, a, 1000)
		c.Diode("LED", a, Ground, red)
		s := compile(t, c)
		solve(t, s)
		if v := -s.V(a); v < 11.99 {
			t.Errorf("A-10: the LED stands %v in reverse, 12 V expected", v)
		}
		c.Diode("guard", Ground, a, si)
		s = compile(t, c)
		solve(t, s)
		if v := -s.V(a); v > 1 {
			t.Errorf("A-10: with a guard the LED stands %v in reverse", v)
		}
	}
	// exponential law, exact root 0.6190591 V, 2.1904704 mA (Neamen, example 1.6; root by bisection);
	// VT = 26.0 mV sets the temperature.
	{
		c := New()
		supply, a := c.Node("supply"), c.Node("anode")
		c.Voltage("supply", supply, Ground, 5)
		c.Resistor("resistor", supply, a, 2000)
		temp := unit.Kelvin(0.026 * unit.ElementaryCharge / unit.Boltzmann)
		d := c.Diode("diode", a, Ground, device.Diode{IS: 1e-13, N: 1, T0: temp})
		s := compile(t, c)
		s.SetTemperature(temp)
		solve(t, s)
		near(t, "A-11 voltage", float64(s.V(a)), 0.6190591, 1e-6*0.619)
		near(t, "A-11 current", float64(s.I(d, 0)), 2.1904704*mA, 1e-6*2.19*mA)
		near(t, "A-11 printed voltage", float64(s.V(a)), 0.619, 0.5e-3)
		near(t, "A-11 printed current", float64(s.I(d, 0)), 2.19*mA, 0.005*mA)
	}
	// piecewise linear (Neamen, example 1.7).
	{
		c := New()
		supply, a := c.Node("supply"), c.Node("anode")
		c.Voltage("supply", supply, Ground, 5)
		c.Resistor("resistor", supply, a, 2000)
		k := c.Node("behind rf")
		c.Resistor("rf", a, k, 10)
		d := drop(c, "diode", k, Ground, 0.6)
		s := compile(t, c)
		solve(t, s)
		near(t, "A-12 current", float64(s.I(d, 0)), 2.18905*mA, 0.005*mA)
		near(t, "A-12 voltage", float64(s.V(a)), 0.62189, 0.5e-3)
	}
	// corners of one LED output (own enumeration; track limits NMRA S-9.1, 7 March 2020, table 3).
	{
		c := New()
		track, plus, a, k := c.Node("track"), c.Node("plus"), c.Node("anode"), c.Node("collector")
		src := c.Voltage("track", track, Ground, 12)
		down := c.Diode("rectifier", track, plus, sharp)
		in, out := c.Node("in"), c.Node("out")
		rect := c.Voltage("rectifier drops", plus, in, 1.4)
		r := c.Resistor("resistor", in, a, 2200)
		ledIn := c.Node("led")
		c.Diode("LED", a, ledIn, sharp)
		vf := c.Voltage("VF", ledIn, k, 3.1)
		sat := c.Voltage("VCE(sat)", k, out, 0.1)
		c.Resistor("wire", out, Ground, 0)
		s := compile(t, c)
		lo, hi, power := math.Inf(1), 0.0, 0.0
		var atLow, atHigh [5]float64
		for _, v := range []float64{8.5, 12, 22} {
			for _, d := range []float64{0.7, 1.0} {
				for _, f := range []float64{2.8, 3.4} {
					for _, ce := range []float64{0.05, 0.20} {
						for _, tol := range []float64{-0.05, 0.05} {
							s.SetVoltage(src, unit.Volt(v))
							s.SetVoltage(rect, unit.Volt(2*d))
							s.SetVoltage(vf, unit.Volt(f))
							s.SetVoltage(sat, unit.Volt(ce))
							s.SetResistance(r, unit.Ohm(2200*(1+tol)))
							solve(t, s)
							i := float64(s.I(down, 0))
							if i < lo {
								lo, atLow = i, [5]float64{v, d, f, ce, tol}
							}
							if i > hi {
								hi, atHigh = i, [5]float64{v, d, f, ce, tol}
							}
							power = max(power, float64(s.Power(r)))
						}
					}
				}
			}
		}
		near(t, "A-13 least", lo, 1.2554*mA, 1e-4*1.2554*mA)
		near(t, "A-13 greatest", hi, 8.4928*mA, 1e-4*8.4928*mA)
		near(t, "A-13 power", power, 0.15075, 1e-4*0.15075)
		if atLow != [5]float64{8.5, 1.0, 3.4, 0.20, 0.05} || atHigh != [5]float64{22, 0.7, 2.8, 0.05, -0.05} {
			t.Errorf("A-13: corners %v and %v", atLow, atHigh)
		}
		s.SetVoltage(src, 12)
		s.SetVoltage(rect, 1.4)
		s.SetVoltage(vf, 3.1)
		s.SetVoltage(sat, 0.1)
		s.SetResistance(r, 2200)
		solve(t, s)
		near(t, "A-13 nominal", float64(s.I(down, 0)), 3.3636*mA, 1e-4*3.3636*mA)
	}
}

// stage is the textbook switch: base resistor from a drive, collector resistor to the supply.
type stage struct {
	*Solver
	w          idealSwitch
	drive      Elem
	rb, rc, re Elem
	vc, ve, vb Node
}

func newStage(t *testing.T, vcc unit.Volt, rc unit.Ohm, vbb unit.Volt, rb, re unit.Ohm, beta float64, vbe, vce unit.Volt) *stage {
	c := New()
	s := &stage{}
	supply, d := c.Node("supply"), c.Node("drive")
	s.vc, s.vb, s.ve = c.Node("collector"), c.Node("base"), Ground
	if re > 0 {
		s.ve = c.Node("emitter")
		s.re = c.Resistor("emitter resistor", s.ve, Ground, re)
	}
	c.Voltage("supply", supply, Ground, vcc)
	s.drive = c.Voltage("drive", d, Ground, vbb)
	s.rc = c.Resistor("load", supply, s.vc, rc)
	s.rb = c.Resistor("base resistor", d, s.vb, rb)
	s.w = newSwitch(c, s.vc, s.vb, s.ve, beta, vbe, vce)
	s.Solver = compile(t, c)
	return s
}

func (s *stage) ic() float64  { return float64(s.I(s.w.q, 0)) }
func (s *stage) ib() float64  { return float64(s.I(s.w.q, 1)) }
func (s *stage) vce() float64 { return float64(s.V(s.vc) - s.V(s.ve)) }

func TestAreaB(t *testing.T) {
	const mA, uA, mW = 1e-3, 1e-6, 1e-3
	// B-01: Floyd, Electronic Devices, 7th ed. 2009, example 4-4.
	s := newStage(t, 10, 1000, 3, 10e3, 0, 50, 0.7, 0.2)
	solve(t, s.Solver)
	near(t, "B-01 IC", s.ic(), 9.8*mA, 0.01*mA)
	near(t, "B-01 IB", s.ib(), 0.23*mA, 0.01*mA)
	if s.vce() > 0.205 || 50*s.ib() < s.ic() {
		t.Errorf("B-01: not saturated, VCE %.3f V", s.vce())
	}
	// B-02: Floyd, example 4-9. At RB(max) the switch is just saturated, above it no longer.
	s = newStage(t, 10, 1000, 5, 86e3, 0, 200, 0.7, 0)
	solve(t, s.Solver)
	near(t, "B-02 IC at 86 kΩ", s.ic(), 10*mA, 0.005*10*mA)
	near(t, "B-02 IB at 86 kΩ", s.ib(), 50*uA, 0.005*50*uA)
	s.SetResistance(s.rb, 90e3)
	solve(t, s.Solver)
	if s.vce() < 0.3 {
		t.Errorf("B-02: still saturated at 90 kΩ, VCE %.3f V", s.vce())
	}
	s.SetVoltage(s.drive, 0)
	solve(t, s.Solver)
	near(t, "B-02 VCE off", s.vce(), 10, 0.005*10)
	// B-03: Sedra & Smith, 5th ed. 2004, example 5.3: RB 2.19 kΩ, forced β 5.0.
	s = newStage(t, 10, 1000, 5, 2190, 0, 50, 0.7, 0.2)
	solve(t, s.Solver)
	near(t, "B-03 IC", s.ic(), 9.8*mA, 0.01*mA)
	near(t, "B-03 IB", s.ib(), 1.96*mA, 1.96*mA*0.01/2.19)
	near(t, "B-03 forced β", s.ic()/s.ib(), 5.0, 0.05)
	s.SetResistance(s.rb, 2200)
	solve(t, s.Solver)
	if over := 50 * s.ib() / s.ic(); over >= 10 || over < 9.9 {
		t.Errorf("B-03: 2.2 kΩ overdrives by %.3f, 9.97 expected", over)
	}
	// B-04: Bell, Electronic Devices and Circuits, 5th ed. 2008, example 21.3.
	{
		c := New()
		supply, a, k, d, b := c.Node("supply"), c.Node("anode"), c.Node("collector"), c.Node("drive"), c.Node("base")
		c.Voltage("supply", supply, Ground, 9)
		r := c.Resistor("resistor", supply, a, 720)
		drop(c, "LED", a, k, 1.6)
		w := newSwitch(c, k, b, Ground, 100, 0.7, 0.2)
		c.Voltage("drive", d, Ground, 7)
		rb := c.Resistor("base resistor", d, b, 10e3)
		s := compile(t, c)
		solve(t, s)
		near(t, "B-04 IC at 720 Ω", float64(s.I(r, 0)), 10*mA, 0.005*10*mA)
		s.SetResistance(r, 680)
		solve(t, s)
		near(t, "B-04 IC at 680 Ω", float64(s.I(r, 0)), 10.59*mA, 0.05*mA)
		s.SetResistance(rb, 59.5e3)
		solve(t, s)
		near(t, "B-04 IB at the edge", float64(s.I(w.q, 1)), 106*uA, 0.005*106*uA)
		near(t, "B-04 IC at the edge", float64(s.I(w.q, 0)), 10.59*mA, 0.05*mA)
	}
	// B-05: Malvino & Bates, example 7-7.
	s = newStage(t, 20, 5000, 10, 100e3, 0, 50, 0, 0)
	solve(t, s.Solver)
	near(t, "B-05 IC", s.ic(), 4.0*mA, 0.005*4*mA)
	near(t, "B-05 IB", s.ib(), 0.1*mA, 0.005*0.1*mA)
	near(t, "B-05 β", s.ic()/s.ib(), 40, 0.005*40)
	// B-06: Neamen, example 3.10.
	s = newStage(t, 12, 5, 12, 240, 0, 75, 0.7, 0.1)
	solve(t, s.Solver)
	near(t, "B-06 IB", s.ib(), 47.1*mA, 0.005*47.1*mA)
	near(t, "B-06 IC", s.ic(), 2.38, 0.005*2.38)
	near(t, "B-06 IC/IB", s.ic()/s.ib(), 50.5, 0.005*50.5)
	near(t, "B-06 power", s.w.power(s.Solver), 0.271, 0.005*0.271)
	// B-07: Sedra & Smith, example 5.5: deep saturation with an emitter resistor.
	s = newStage(t, 10, 4700, 6, 0, 3300, 100, 0.7, 0.2)
	solve(t, s.Solver)
	near(t, "B-07 VE", float64(s.V(s.ve)), 5.3, 0.01)
	near(t, "B-07 IE", float64(s.I(s.re, 0)), 1.606*mA, 0.005*mA)
	near(t, "B-07 VC", float64(s.V(s.vc)), 5.5, 0.01)
	near(t, "B-07 IC", s.ic(), 0.957*mA, 0.005*mA)
	near(t, "B-07 IB", s.ib(), 0.649*mA, 0.005*mA)
	near(t, "B-07 forced β", s.ic()/s.ib(), 1.48, 0.03)
	// B-08: Bell, Solid State Pulse Circuits, 4th ed. 2006, example 4-2.
	{
		c := New()
		supply, k := c.Node("supply"), c.Node("collector")
		c.Voltage("supply", supply, Ground, 10)
		c.Resistor("load", supply, k, 1000)
		q := refNPN
		q.ICBO = 50e-9
		e := c.BJT("transistor", k, Ground, Ground, q)
		s := compile(t, c)
		solve(t, s)
		near(t, "B-08 cut off", float64(s.Power(e)), 0.5*uA, 0.01*0.5*uA)
	}
	s = newStage(t, 10, 1000, 5, 10e3, 0, 100, 0.7, 0.2)
	solve(t, s.Solver)
	near(t, "B-08 saturated", s.ic()*s.vce(), 2*mW, 0.03*2*mW)
	near(t, "B-08 saturated, exact", s.ic()*s.vce(), 1.96*mW, 0.01*1.96*mW)
	s.SetVoltage(s.drive, unit.Volt(0.7+10e3*8*mA/100)) // 8 mA: 2 V across the transistor
	solve(t, s.Solver)
	near(t, "B-08 VCE", s.vce(), 2, 0.02)
	near(t, "B-08 at 2 V", s.ic()*s.vce(), 16*mW, 0.01*16*mW)
	most, where := 0.0, 0.0
	for ic := 0.1 * mA; ic < 9.8*mA; ic += 0.05 * mA {
		s.SetVoltage(s.drive, unit.Volt(0.7+10e3*ic/100))
		solve(t, s.Solver)
		if p := s.ic() * s.vce(); p > most {
			most, where = p, s.vce()
		}
	}
	near(t, "B-08 most", most, 25*mW, 0.01*25*mW)
	near(t, "B-08 VCE at most", where, 5, 0.05)
	// B-14: base drive of a chip pin (own enumeration; VBE limits of the 2N3904 sheet), 1e-4 relative.
	lo, hi := math.Inf(1), 0.0
	for _, v := range []unit.Volt{4.3, 5.0} {
		for _, tol := range []float64{-0.05, 0.05} {
			for _, vbe := range []unit.Volt{0.65, 0.85} {
				s := newStage(t, 10, 1000, v, unit.Ohm(4700*(1+tol)), 0, 100, vbe, 0.2)
				q := s.c.elements[s.w.q].BJT
				q.NF, q.NR = 1e-5, 1e-5 // VBE to a ten-thousandth
				s.SetBJT(s.w.q, q)
				solve(t, s.Solver)
				lo, hi = min(lo, s.ib()), max(hi, s.ib())
			}
		}
	}
	near(t, "B-14 least IB", lo, 0.69909*mA, 1e-4*0.69909*mA)
	near(t, "B-14 greatest IB", hi, 0.97424*mA, 1e-4*0.97424*mA)
	near(t, "B-14 forced β", 10*mA/lo, 14.304, 1e-4*14.304)
	near(t, "B-14 overdrive", 100*lo/(10*mA), 6.991, 1e-4*6.991)
}

// Common practice, no source.
func TestCommonPractice(t *testing.T) {
	const mA = 1e-3
	// 5 V drive, 0.7 V base drop and 1.3 mA call for 3308 Ω.
	s := newStage(t, 12, 900, 5, 3308, 0, 100, 0.7, 0.05)
	solve(t, s.Solver)
	near(t, "base current through 3308 Ω", s.ib(), 1.3*mA, 1.3*mA/3308)
	// Lamps of 1.57 V behind 1 kΩ and 2.48 V behind 750 Ω, each with a further 1 kΩ.
	for _, w := range []struct {
		v          unit.Volt
		vf         unit.Volt
		hidden     unit.Ohm
		want, less float64
	}{{13, 1.57, 1000, 5.7, 0.05}, {13, 2.48, 750, 6.0, 0.05}, {8, 1.57, 1000, 3.2, 0.05}, {8, 2.48, 750, 3.2, 0.05}} {
		c := New()
		supply, a, b := c.Node("supply"), c.Node("a"), c.Node("b")
		c.Voltage("supply", supply, Ground, w.v)
		c.Resistor("series resistor", supply, a, 1000)
		c.Resistor("hidden resistor", a, b, w.hidden)
		d := drop(c, "lamp", b, Ground, w.vf)
		s := compile(t, c)
		solve(t, s)
		near(t, "lamp current", float64(s.I(d, 0)), w.want*mA, w.less*mA)
	}
	// A 3904-class NPN at 13 mA and a forced gain of 10: about 50 mV, 30 to 120 mV accepted.
	for _, name := range []string{"MMBT3904", "2N3904"} {
		p, ok := parts.Load().BJT(name)
		if !ok {
			t.Fatalf("no %s in the catalogue", name)
		}
		spread, err := device.SpreadBJT(p)
		if err != nil {
			t.Fatal(err)
		}
		c := New()
		k, b := c.Node("collector"), c.Node("base")
		c.Current("load", Ground, k, 13e-3)
		c.Current("drive", Ground, b, 1.3e-3)
		c.BJT("switch", k, b, Ground, spread.At(nil))
		s := compile(t, c)
		solve(t, s)
		if v := s.V(k); v < 0.030 || v > 0.120 {
			t.Errorf("%s at 13 mA and a forced gain of 10: VCE %v", name, v)
		}
	}
}

// A regulator in its three regimes, and a chip pin driven by the level.
func TestRegulatorAndPin(t *testing.T) {
	c := New()
	in, out, p := c.Node("in"), c.Node("out"), c.Node("pin")
	src := c.Voltage("supply", in, Ground, 12)
	reg := c.Regulator("regulator", in, out, Ground, device.Regulator{Vout: 5, Dropout: 1.7, IQ: 4e-3, Limit: 0.2})
	load := c.Resistor("load", out, Ground, 1000)
	e := c.Pin("PB0", p, out, Ground, device.Pin{RHigh: 28, RLow: 25, Leak: 1e-6, Clamp: device.Diode{IS: 1e-12, N: 1, RS: 50}})
	pull := c.Resistor("to the pin", p, Ground, 500)
	s := compile(t, c)
	check := func(what string, got, want, tol float64) { t.Helper(); near(t, what, got, want, tol) }

	s.SetLevel(e, pin.High)
	solve(t, s)
	check("output", float64(s.V(out)), 5, 1e-3)
	check("pin high", float64(s.V(p)), 5*500.0/528, 1e-3)
	check("input current", float64(s.I(reg, 0)), 4e-3+5.0/1000+5.0/528, 2e-5)
	conserve(t, "regulating", s)
	s.SetLevel(e, pin.Low)
	solve(t, s)
	check("pin low", float64(s.V(p)), 0, 1e-6)
	s.SetLevel(e, pin.Open)
	solve(t, s)
	check("pin open", float64(s.V(p)), 500e-6, 1e-5)
	// Below drop-out the output follows.
	s.SetVoltage(src, 5.7)
	solve(t, s)
	check("following", float64(s.V(out)), 4, 2e-3)
	conserve(t, "following", s)
	// Without input there is no output, and nothing flows.
	s.SetVoltage(src, 0)
	solve(t, s)
	check("dead", float64(s.V(out)), 0, 1e-3)
	// An overload ends at the limit.
	s.SetVoltage(src, 12)
	s.SetResistance(load, 1)
	solve(t, s)
	check("limit", float64(-s.I(reg, 1)), 0.2, 0.002)
	// Pushed up from outside it gives nothing: current into a pin feeds the supply.
	s.SetResistance(load, 1e6)
	s.SetResistance(pull, 1e6)
	s.SetVoltage(src, 0)
	solve(t, s)
	c2 := s.Circuit()
	rail := c2.Node("track")
	c2.Voltage("track", rail, Ground, 15)
	c2.Resistor("listen", rail, p, 22e3)
	s2 := compile(t, c2)
	solve(t, s2)
	if v := s2.V(out); v < 3 {
		t.Errorf("a pin at 15 V behind 22 kΩ should feed the dead supply; it stands at %v", v)
	}
	conserve(t, "phantom", s2)
}

// J-01: nothing of an electric toy may stand above 24 V (Directive 2009/48/EC, Annex II part IV, as summarised by a
// conformity body). A decoder makes no higher voltage than its track has: 22 V, the highest of N-scale stations, stays
// inside in every state, 24 V is the limit itself, more is beyond.
func TestAreaJ(t *testing.T) {
	const limit = 24.0
	d := newDecoder(t)
	for _, v := range []float64{22, 24, 25} {
		highest := 0.0
		for _, sign := range []float64{1, -1} {
			d.SetVoltage(d.track, unit.Volt(sign*v))
			for _, l := range []pin.Level{pin.High, pin.Low, pin.Open} {
				d.SetLevel(d.pins[0], l)
				d.SetLevel(d.pins[1], l)
				solve(t, d.Solver)
				low, high := math.Inf(1), math.Inf(-1)
				for n := range d.c.nodes {
					low, high = min(low, float64(d.V(Node(n)))), max(high, float64(d.V(Node(n))))
				}
				highest = max(highest, high-low)
			}
		}
		near(t, "J-01 highest voltage", highest, v, 1e-9)
		if (highest > limit+1e-9) != (v > limit) {
			t.Errorf("J-01: %g V track, %g V inside", v, highest)
		}
	}
}
