package circuit

import (
	"fmt"
	"math"
	"testing"

	"fettle/internal/device"
	"fettle/internal/unit"
)

// An invented lamp: 40 Ω cold, 12 V at 30 mA.
var bulb = device.Filament{Cold: 40, LitV: 12, LitI: 0.030}

// A lamp behind a resistor against bisection on the branch voltage, from far below to far above the rating, for
// both directions, cold and hot surroundings, cold starts and the neighbour's solution; and the series and
// parallel pair, whose lamps share alike.
func TestFilamentBehindResistor(t *testing.T) {
	for _, ohm := range []unit.Ohm{1, 47, 470, 4700, 1e6} {
		c := New()
		plus, lamp := c.Node("plus"), c.Node("lamp")
		supply := c.Voltage("supply", plus, Ground, 0)
		c.Resistor("R", plus, lamp, ohm)
		e := c.Filament("lamp", lamp, Ground, bulb)
		s := compile(t, c)
		for _, temp := range []unit.Kelvin{253.15, 300.15, 343.15} {
			s.SetTemperature(temp)
			for _, vs := range []float64{-40, -12, -1e-3, 0, 1e-6, 0.3, 2, 7, 16, 27, 100, -100, 100} {
				s.SetVoltage(supply, unit.Volt(vs))
				for start := range 2 {
					if start == 1 {
						s.Reset()
					}
					solve(t, s)
					lo, hi := 0.0, math.Abs(vs)
					for range 200 {
						mid := (lo + hi) / 2
						if float64(bulb.Current(unit.Volt(mid), temp)) > (math.Abs(vs)-mid)/float64(ohm) {
							hi = mid
						} else {
							lo = mid
						}
					}
					want := math.Copysign(float64(bulb.Current(unit.Volt(lo), temp)), vs)
					if got := float64(s.I(e, 0)); math.Abs(got-want) > 1e-11+1e-9*math.Abs(want) {
						t.Errorf("%v, %g V, %v: %.12g A, bisection %.12g", ohm, vs, temp, got, want)
					}
				}
			}
		}
		conserve(t, fmt.Sprint(ohm), s)
	}
}

// Driven by a current source, where the flat law leaves the voltage to the slope alone: cold and from either side.
func TestFilamentOnCurrentSource(t *testing.T) {
	c := New()
	n := c.Node("n")
	i := c.Current("drive", Ground, n, 0)
	f := c.Filament("lamp", n, Ground, bulb)
	s := compile(t, c)
	for _, x := range []unit.Amp{0.03, 0.12, -0.12, 1e-6, -0.03, 0.2, 0.001} {
		s.SetCurrent(i, x)
		sol := solve(t, s)
		if sol.Continuation || sol.Iterations > 30 {
			t.Errorf("%v: %+v", x, sol)
		}
		if got := s.I(f, 0); math.Abs(float64(got-x)) > 1e-11 {
			t.Errorf("%v: %v flows", x, got)
		}
	}
	s.SetCurrent(i, 0.03)
	solve(t, s)
	if v := s.V(n); math.Abs(float64(v)-12) > 1e-6 {
		t.Errorf("30 mA stand at %v, want 12 V", v)
	}
	// Set anew: a lamp of half the current.
	s.SetFilament(f, device.Filament{Cold: 80, LitV: 12, LitI: 0.015})
	s.SetCurrent(i, 0.015)
	solve(t, s)
	if v := s.V(n); math.Abs(float64(v)-12) > 1e-6 {
		t.Errorf("15 mA stand at %v, want 12 V", v)
	}
	s.SetFilament(f, device.Filament{Cold: 800, LitV: 12, LitI: 0.015})
	if sol := s.Solve(); sol.Status != Refused || s.Why() != "lamp: its resistance lit, 800 Ω, is not above its cold resistance, 800 Ω: that is no filament" {
		t.Errorf("%v, %q", sol.Status, s.Why())
	}
}
