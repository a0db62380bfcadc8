package device

import (
	"math"
	"math/rand/v2"
	"testing"

	"fettle/internal/parts"
	"fettle/internal/unit"
)

// The weakest pin of the ATtiny25/45/85 at every supply: VOL 0.6 V at 10 mA and 5 V, 0.5 V at 5 mA and 3 V (2586Q
// p. 161); VOH 4.3 V at 10 mA and 5 V, 2.5 V at 5 mA and 3 V (sibling sheet 8006H). Between them and beyond a power law:
// VOH 70 Ω·(vcc/5)^−0.698, VOL 60 Ω·(vcc/5)^−1.000. Whatever the supply it was fitted for, a pin is the same pin.
func TestPinAtItsSupply(t *testing.T) {
	c, ok := parts.Load().Chip("ATtiny85")
	if !ok {
		t.Fatal("no ATtiny85 in the catalogue")
	}
	s5, err := SpreadPin(c, 5)
	if err != nil {
		t.Fatal(err)
	}
	worst := s5.At([]float64{1, 1})
	for _, w := range []struct {
		vcc          unit.Volt
		high, low    float64
		extrapolated bool
	}{{5, 70, 60, false}, {3, 100, 100, false}, {3.3, 93.56, 90.9, false}, {4, 81.8, 75, false}, {2.7, 107.6, 111.1, true}, {5.5, 65.5, 54.5, true}} {
		if r := float64(worst.DrivenAt(true, w.vcc)); off(r, w.high) > 1e-3 {
			t.Errorf("high at %v: %.2f Ω, want %.2f", w.vcc, r, w.high)
		}
		if r := float64(worst.DrivenAt(false, w.vcc)); off(r, w.low) > 1e-3 {
			t.Errorf("low at %v: %.2f Ω, want %.2f", w.vcc, r, w.low)
		}
		if got := s5.Extrapolated(w.vcc); got != w.extrapolated {
			t.Errorf("at %v: extrapolated %v", w.vcc, got)
		}
		s, err := SpreadPin(c, w.vcc)
		if err != nil {
			t.Fatal(err)
		}
		for _, z := range [][]float64{nil, {1, 1}, {-1, -1}, {0.5, -0.3}} {
			for _, high := range []bool{false, true} {
				if a, b := s.At(z).DrivenAt(high, 3.7), s5.At(z).DrivenAt(high, 3.7); off(float64(a), float64(b)) > 1e-9 {
					t.Errorf("fitted for %v at z %v: %v at 3.7 V, fitted for 5 V %v", w.vcc, z, a, b)
				}
			}
		}
	}
	// One point only: the figure at its own supply stands, weaker below.
	reset, err := SpreadNamedPin(c, "PB5", 3)
	if err != nil {
		t.Fatal(err)
	}
	if p := reset.At([]float64{1}); off(float64(p.DrivenAt(true, 5)), 9e3) > 1e-6 || p.RHigh < 12e3 {
		t.Errorf("PB5: %v at 3 V, %v at 5 V", p.RHigh, p.DrivenAt(true, 5))
	}
}

// Derivative by the supply against finite differences, from a negative supply to far above; the conductance is
// positive and rising everywhere, and its tangent has no corner at the lowest supply.
func TestPinDrive(t *testing.T) {
	p := Pin{RHigh: 70, RLow: 60, VCC: 5, Lowest: 2.7, HighPower: 0.7, LowPower: 1}
	if wrong := p.Check(); wrong != "" {
		t.Fatal(wrong)
	}
	r := rand.New(rand.NewPCG(3, 1))
	for range 2000 {
		v := -3 + 11*r.Float64()
		if math.Abs(v-2.7) < 0.02 {
			continue // the difference quotient must not straddle the two laws
		}
		for _, high := range []bool{false, true} {
			g, dg := p.Drive(high, v)
			d, e := derivative(func(x float64) float64 { g, _ := p.Drive(high, x); return g }, v, 0.01)
			if !(g > 0) || !(dg > 0) || math.Abs(dg-d) > 1e-7*d+3*e+1e-14 {
				t.Errorf("high %v at %.4f V: %g S, slope %.10g, difference quotient %.10g", high, v, g, dg, d)
			}
		}
	}
	for _, high := range []bool{false, true} {
		a, da := p.Drive(high, 2.7-1e-9)
		b, db := p.Drive(high, 2.7+1e-9)
		if off(a, b) > 1e-8 || off(da, db) > 1e-8 {
			t.Errorf("at the lowest supply: %g and %g S, %g and %g S/V", a, b, da, db)
		}
	}
	for _, bad := range []Pin{{RHigh: 70, RLow: 60, VCC: 5}, {RHigh: 70, RLow: 60, VCC: 5, Lowest: 2, HighPower: -1}, {RHigh: 70, RLow: 60, VCC: unit.Volt(nan)}} {
		if bad.Check() == "" {
			t.Errorf("%+v accepted", bad)
		}
	}
}
