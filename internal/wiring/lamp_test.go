package wiring_test

import (
	"math"
	"testing"

	"fettle/internal/circuit"
	"fettle/internal/device"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// at20 is a made-up LED that stands at v volts at 20 mA: n = 2, no ohmic part.
func at20(v float64) device.Diode {
	vt := float64(unit.Kelvin(300.15).ThermalVoltage())
	return device.Diode{IS: unit.Amp(20e-3 / math.Expm1(v/(2*vt))), N: 2, T0: 300.15}
}

// silicon is a made-up rectifier: 0.65 V at 1 mA.
var silicon = device.Diode{IS: unit.Amp(1e-3 / math.Expm1(0.65/(1.9*0.025865))), N: 1.9, T0: 300.15}

// lampOf is a made-up lamp of every structure.
func lampOf(s wiring.Structure) wiring.LampParams {
	return wiring.LampParams{
		Structure: s, Series: 1, Parallel: 1, Hidden: 680, LED: device.Diode{IS: 1e-17, N: 2, RS: 3, T0: 300.15}, Back: device.Diode{IS: 1e-24, N: 2, RS: 10, T0: 300.15},
		Leak: 3300, Diode: silicon, Limit: 4e-3, Own: 0.2e-3, Dropout: 0.3,
		Filament: device.Filament{Cold: 35, LitV: 12, LitI: 0.035},
	}
}

var all = func() (out []wiring.Structure) {
	for s := range wiring.Structure(wiring.Structures) {
		out = append(out, s)
	}
	return out
}()

const room = unit.Kelvin(298.15)

// balance is what the currents at a node may be off (A): rounding of volts on an ammeter of a milliohm.
const balance = 2e-12

func bench(t *testing.T, p wiring.LampParams) *wiring.Bare {
	t.Helper()
	b, err := wiring.NewBare("front", p)
	if err != nil {
		t.Fatal(err)
	}
	b.Solver.SetTemperature(room)
	return b
}

func on(t *testing.T, b *wiring.Bare, v float64) {
	t.Helper()
	if sol := b.Solve(unit.Volt(v)); sol.Status != circuit.Solved {
		t.Fatalf("%s at %g V: %+v", b.Lamp.Structure, v, sol)
	}
}

// What the supply gives is what the elements take up, and the lamp's current is the ammeter's.
func TestEveryLampConserves(t *testing.T) {
	for _, s := range all {
		b := bench(t, lampOf(s))
		for _, v := range []float64{-24, -12, -3, -0.4, 0.2, 1.2, 2, 3.3, 5, 8, 14, 24} {
			on(t, b, v)
			var sum, gross float64
			for e := range b.Circuit.Elements() {
				p := float64(b.Solver.Power(circuit.Elem(e)))
				sum += p
				gross += math.Abs(p)
			}
			if math.Abs(sum) > 1e-9*gross+balance*math.Abs(v) {
				t.Errorf("%s at %g V: powers sum to %g W of %g W", s, v, sum, gross)
			}
			if i, a := float64(b.Current()), float64(b.Through()); math.Abs(i-a) > 1e-9*math.Abs(i)+balance {
				t.Errorf("%s at %g V: lamp %g A, ammeter %g A", s, v, i, a)
			}
			f, back := b.Lamp.Light(b.Solver)
			if f < 0 || back < 0 || f > 0 && back > 1e-12 || !s.Lights() && f+back > 0 {
				t.Errorf("%s at %g V: light %g and %g A", s, v, f, back)
			}
		}
	}
}

// Voltage is the closed form of the circuit in the lamp's own direction, at every temperature.
func TestVoltageIsWhatTheCircuitFinds(t *testing.T) {
	for _, s := range all {
		p := lampOf(s)
		b := bench(t, p)
		for _, k := range []unit.Kelvin{263.15, 298.15, 343.15} {
			b.Solver.SetTemperature(k)
			for _, v := range []float64{0.3, 1.5, 2.5, 4, 5, 9, 16} {
				on(t, b, v)
				i := b.Current()
				got := float64(p.Voltage(i, k))
				switch {
				case s == wiring.OpenLamp:
					if i > 1e-10 || !math.IsInf(got, 1) {
						t.Errorf("open: %g A at %g V, Voltage %g", i, v, got)
					}
				case i < 1e-7 || s.Limited() && i < p.Own+10e-6:
					// Leaks, which the closed form leaves out.
				case s.Limited() && float64(p.Voltage(0.98*i, k)) < v-0.2:
					// On its flat part every voltage belongs to nearly one current.
					if top := float64(p.Voltage(1.02*i, k)); !math.IsInf(top, 1) {
						t.Errorf("%s at %s: flat at %g A from below %g V on, and yet %g V for 2 %% more", s, k.Celsius(), float64(i), v, top)
					}
				case math.Abs(got-v) > 2e-3+5e-4*v:
					t.Errorf("%s at %s: %g A at %g V, Voltage says %g V", s, k.Celsius(), float64(i), v, got)
				}
			}
		}
	}
}

func TestWhichWayItConducts(t *testing.T) {
	for _, s := range all {
		b := bench(t, lampOf(s))
		on(t, b, 12)
		forth := float64(b.Current())
		on(t, b, -12)
		back := float64(b.Current())
		if s != wiring.OpenLamp && forth < 2e-3 {
			t.Errorf("%s: %g A at 12 V", s, forth)
		}
		if got := back < -1e-3; got != (s.BothWays() || s == wiring.LeakingLamp) {
			t.Errorf("%s: %g A with the supply turned round", s, back)
		}
		if s.BothWays() && s != wiring.AntiParallelLamp && math.Abs(forth+back) > 1e-9*forth+1e-12 {
			t.Errorf("%s: %g A one way, %g A the other", s, forth, back)
		}
		light, other := b.Lamp.Light(b.Solver)
		if lit := light+other > 1e-3; lit != (s.BothWays() && s.Lights()) {
			t.Errorf("%s turned round gives light from %g and %g A", s, light, other)
		}
	}
}

// A-07 (Boylestad & Nashelsky, 10th ed., example 2.11): 8 V behind R across two LEDs face to face, the conducting one
// at 2 V and 20 mA: R = 300 Ω, and the other LED sees 2 V in reverse.
func TestPairOfTheTextbook(t *testing.T) {
	p := wiring.LampParams{Structure: wiring.AntiParallelLamp, Series: 1, Parallel: 1, Hidden: 300, LED: at20(2), Back: at20(2)}
	b := bench(t, p)
	b.Solver.SetTemperature(300.15)
	for _, v := range []float64{8, -8} {
		on(t, b, v)
		if i := float64(b.Current()); math.Abs(i-math.Copysign(20e-3, v)) > 1e-6 {
			t.Errorf("at %g V: %g A, want 20 mA", v, i)
		}
		across := float64(b.Lamp.Across(b.Solver)) // forward over the one is reverse over the other
		if math.Abs(across-math.Copysign(2, v)) > 1e-4 {
			t.Errorf("at %g V: %g V across the pair, want 2 V", v, across)
		}
		f, back := b.Lamp.Light(b.Solver)
		if v > 0 != (f > back) || math.Abs(float64(f+back)-20e-3) > 1e-6 {
			t.Errorf("at %g V: light from %g and %g A", v, f, back)
		}
	}
}

// A-10 (Lessons in Electric Circuits III, ch. 3: a typical LED stands about 5 V in reverse): 12 V peak in reverse
// break an LED behind a resistor alone; a diode in series, a bridge or an LED face to face keep it below.
func TestReverseVoltageOfTheLED(t *testing.T) {
	const rating = 5.0
	for s, breaks := range map[wiring.Structure]bool{wiring.PlainLamp: true, wiring.AntiParallelLamp: false, wiring.DiodeBoard: false, wiring.BridgeBoard: false,
		wiring.LimitedDiodeBoard: false, wiring.LimitedBridgeBoard: false} {
		p := lampOf(s)
		p.Back = p.LED
		b := bench(t, p)
		on(t, b, -12)
		if v := -float64(b.Lamp.Across(b.Solver)); v > rating != breaks {
			t.Errorf("%s: %g V in reverse over the LED at −12 V", s, v)
		}
	}
}

// Above its knee a limited board takes its limit and what its regulator needs; below, what LED and resistor leave.
func TestLimitedBoard(t *testing.T) {
	for _, s := range []wiring.Structure{wiring.LimitedDiodeBoard, wiring.LimitedBridgeBoard} {
		p := lampOf(s)
		b := bench(t, p)
		knee := float64(p.Voltage(p.Limit+p.Own, room))
		for _, v := range []float64{knee + 0.1, knee + 1, 12, 18, 24} {
			on(t, b, v)
			if i := float64(b.Current()); math.Abs(i/float64(p.Limit+p.Own)-1) > 2e-3 {
				t.Errorf("%s: %g A at %g V, want %g A", s, i, v, float64(p.Limit+p.Own))
			}
			if f, _ := b.Lamp.Light(b.Solver); math.Abs(float64(f/p.Limit)-1) > 2e-3 {
				t.Errorf("%s: LED takes %g A at %g V", s, f, v)
			}
		}
		on(t, b, knee-0.5)
		if i := float64(b.Current()); i > 0.9*float64(p.Limit) {
			t.Errorf("%s: %g A half a volt below the knee", s, i)
		}
		if v := p.Voltage(1.1*p.Limit+p.Own, room); !math.IsInf(float64(v), 1) {
			t.Errorf("%s: some voltage (%s) drives more than its limit", s, v)
		}
	}
}

// n LEDs side by side with a resistor each are n times one LED behind n times one resistor.
func TestOwnResistorsLookLikeOne(t *testing.T) {
	led := lampOf(wiring.PlainLamp).LED
	c := circuit.New()
	at, plus := c.Node("supply"), c.Node("plus")
	supply := c.Voltage("supply", at, circuit.Ground, 9)
	c.Resistor("ammeter", at, plus, 0) // as on the bench
	for range 3 {
		in := c.Node("in")
		c.Resistor("own", plus, in, 1500)
		c.Diode("led", in, circuit.Ground, led)
	}
	s, err := circuit.Compile(c)
	if err != nil {
		t.Fatal(err)
	}
	b := bench(t, wiring.LampParams{Series: 1, Parallel: 3, Hidden: 500, LED: led})
	s.SetTemperature(room)
	for _, v := range []float64{1.5, 2, 3, 9, 20} {
		s.SetVoltage(supply, unit.Volt(v))
		if sol := s.Solve(); sol.Status != circuit.Solved {
			t.Fatal(sol)
		}
		on(t, b, v)
		if got, want := float64(b.Current()), -float64(s.I(supply, 0)); math.Abs(got/want-1) > 1e-8 {
			t.Errorf("at %g V: %g A, three by themselves %g A", v, got, want)
		}
	}
}

// A lamp set to other values is the lamp built with them.
func TestSetIsAsBuilt(t *testing.T) {
	for _, s := range all {
		p := lampOf(s)
		q := p
		q.Hidden, q.LED.IS, q.Back.IS, q.Leak, q.Diode.IS, q.Limit, q.Own, q.Dropout, q.Filament.LitI = 470, 3e-17, 3e-24, 8200, 3*p.Diode.IS, 6e-3, 50e-6, 0.5, 0.05
		a, b := bench(t, p), bench(t, q)
		on(t, a, 9)
		a.Lamp.Set(a.Solver, q)
		for _, v := range []float64{-9, 1, 4, 12} {
			on(t, a, v)
			on(t, b, v)
			if x, y := float64(a.Current()), float64(b.Current()); math.Abs(x-y) > 1e-9*math.Abs(y)+1e-12 {
				t.Errorf("%s at %g V: set %g A, built %g A", s, v, x, y)
			}
		}
	}
}

// What a structure lacks is −1, and reading it does no harm.
func TestAbsentElements(t *testing.T) {
	b := bench(t, lampOf(wiring.FilamentLamp))
	b.Solver.SetTemperature(300.15)
	on(t, b, 12)
	if b.Lamp.Hidden >= 0 || b.Lamp.LED >= 0 || b.Lamp.Heat(b.Solver) != 0 {
		t.Error("a filament has no resistor and no LED")
	}
	if v := float64(b.Lamp.Across(b.Solver)); math.Abs(v-12) > 1e-4 { // the ammeter's milliohm takes 35 µV
		t.Errorf("%g V across a filament at 12 V", v)
	}
	if i := float64(b.Current()); math.Abs(i-0.035) > 1e-7*35 {
		t.Errorf("%g A, its lit point is 35 mA at 12 V", i)
	}
	b = bench(t, lampOf(wiring.ShortedLamp))
	b.Hook(10, 0, 1e6)
	on(t, b, 6.9)
	if i := float64(b.Current()); math.Abs(i-10e-3) > 1e-9 || b.Lamp.Across(b.Solver) != 0 {
		t.Errorf("6.9 V on 680 Ω behind 10 Ω: %g A", i)
	}
}
