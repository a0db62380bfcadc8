package circuit

import (
	"math"
	"testing"

	"fettle/internal/device"
	"fettle/internal/parts"
	"fettle/internal/pin"
	"fettle/internal/unit"
)

// A pin driven high or low into a load, its chip supplied at every voltage between nothing and 6 V, against bisection
// on the pin's voltage; and the sheet's points where they stand: 4.3 V at 10 mA from 5 V and 2.5 V at 5 mA from 3 V
// (ATtiny24/44/84 8006H), 0.6 V at 10 mA and 5 V, 0.5 V at 5 mA and 3 V (2586Q p. 161).
func TestPinAtItsRealSupply(t *testing.T) {
	chip, ok := parts.Load().Chip("ATtiny85")
	if !ok {
		t.Fatal("no ATtiny85 in the catalogue")
	}
	spread, err := device.SpreadPin(chip, 5)
	if err != nil {
		t.Fatal(err)
	}
	weak := spread.At([]float64{1, 1})
	c := New()
	vcc, out := c.Node("vcc"), c.Node("pin")
	supply := c.Voltage("supply", vcc, Ground, 5)
	e := c.Pin("PB0", out, vcc, Ground, weak)
	up := c.Resistor("to plus", vcc, out, 1e6)
	down := c.Resistor("to ground", out, Ground, 1e6)
	s := compile(t, c)
	for _, w := range []struct {
		level    pin.Level
		vcc      unit.Volt
		i        unit.Amp
		want     unit.Volt
		from, to unit.Ohm
	}{
		{pin.High, 5, -0.010, 4.3, 1e9, 430}, {pin.High, 3, -0.005, 2.5, 1e9, 500}, {pin.High, 3.3, -0.005, 3.3 - 0.4678, 1e9, 566.4},
		{pin.Low, 5, 0.010, 0.6, 440, 1e9}, {pin.Low, 3, 0.005, 0.5, 500, 1e9},
	} {
		s.SetLevel(e, w.level)
		s.SetVoltage(supply, w.vcc)
		s.SetResistance(up, w.from)
		s.SetResistance(down, w.to)
		solve(t, s)
		if v, i := s.V(out), s.I(e, 0); math.Abs(float64(v-w.want)) > 1e-3 || math.Abs(float64(i-w.i)) > 1e-5 {
			t.Errorf("%v from %v: %v at %v, sheet %v at %v", w.level, w.vcc, v, i, w.want, w.i)
		}
		conserve(t, "pin", s)
	}
	s.SetResistance(up, 470)
	s.SetResistance(down, 330)
	for _, level := range []pin.Level{pin.High, pin.Low} {
		s.SetLevel(e, level)
		for _, v := range []float64{6, 5, 3.1, 2.7, 2.69, 1, 0, 0.3, 4} {
			s.SetVoltage(supply, unit.Volt(v))
			solve(t, s)
			g, _ := weak.Drive(level == pin.High, v)
			rail := 0.0
			if level == pin.High {
				rail = v
			}
			// The other switch's last picosiemens do not count.
			want := (g*rail + v/470) / (g + 1/470.0 + 1/330.0)
			if got := float64(s.V(out)); math.Abs(got-want) > 1e-8 {
				t.Errorf("%v from %g V: %.10g V, by hand %.10g", level, v, got, want)
			}
		}
	}
}

// A supply that sags under its own pins: behind a resistor the pin weakens as the supply falls, and the point found
// balances at the weaker pin. Found in a few steps, and set back without one: the same as a pin that does not follow.
func TestPinPullsItsSupplyDown(t *testing.T) {
	p := device.Pin{RHigh: 70, RLow: 60, VCC: 5, Lowest: 2.7, HighPower: 0.698, LowPower: 1}
	c := New()
	plus, vcc, out := c.Node("plus"), c.Node("vcc"), c.Node("pin")
	c.Voltage("supply", plus, Ground, 6)
	c.Resistor("weak supply", plus, vcc, 100)
	e := c.Pin("PB0", out, vcc, Ground, p)
	c.SetLevel(e, pin.High)
	c.Resistor("load", out, Ground, 150)
	s := compile(t, c)
	sol := solve(t, s)
	want := bisect(0, 6, func(v float64) float64 {
		g, _ := p.Drive(true, v)
		return v/(1/g+150) - (6-v)/100
	})
	if got := float64(s.V(vcc)); relative(got, want) > 1e-9 || sol.Iterations > 10 {
		t.Errorf("vcc %.10g V after %d iterations, bisection %.10g", got, sol.Iterations, want)
	}
	if i, j := s.I(e, 0), s.I(e, 1); math.Abs(float64(i+j+s.I(e, 2))) > 1e-15 || relative(float64(-i), want/(float64(p.DrivenAt(true, unit.Volt(want)))+150)) > 1e-9 {
		t.Errorf("pin %v, supply %v, ground %v", i, j, s.I(e, 2))
	}
	conserve(t, "sagging", s)
	p.VCC = 0
	s.SetPin(e, p)
	solve(t, s)
	if got, want := float64(s.V(vcc)), 6*(70+150)/(100+70+150.0); relative(got, want) > 1e-9 {
		t.Errorf("not following: vcc %.10g V, divider %.10g", got, want)
	}
}
