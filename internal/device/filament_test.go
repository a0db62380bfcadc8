package device

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"fettle/internal/unit"
)

// An invented lamp of the size that small models take: 40 Ω cold, 12 V at 30 mA.
var bulb = Filament{Cold: 40, LitV: 12, LitI: 0.030}

// Resistivity of tungsten, µΩ·cm (Jones and Langmuir, General Electric Review 30, 1927, as the CRC Handbook prints
// it; from memory): the law stays within 2 %.
func TestTungstenResistance(t *testing.T) {
	for _, w := range []struct{ t, rho float64 }{
		{300, 5.65}, {400, 8.06}, {600, 13.23}, {800, 19.00}, {1000, 24.93}, {1200, 30.98}, {1500, 40.36}, {1800, 50.05},
		{2000, 56.67}, {2200, 63.48}, {2500, 73.91}, {2800, 84.70}, {3000, 92.04},
	} {
		if got := math.Pow(w.t/300, tungstenPower); off(got, w.rho/5.65) > 0.02 {
			t.Errorf("%g K: %.3f times the cold resistance, table %.3f", w.t, got, w.rho/5.65)
		}
	}
}

// What the user measured is what the lamp shows: the lit point exactly, the cold resistance at a microvolt; in
// other surroundings the cold resistance follows the metal.
func TestFilamentPoints(t *testing.T) {
	for _, f := range []Filament{bulb, {Cold: 12, LitV: 5, LitI: 0.05, Conducted: 0.5, T0: 293.15}, {Cold: 100, LitV: 16, LitI: 0.03, Conducted: 0.001}} {
		t0 := unit.Kelvin(kelvin(f.T0))
		for _, sign := range []unit.Volt{1, -1} {
			if i := f.Current(sign*f.LitV, t0); off(float64(sign)*float64(i), float64(f.LitI)) > 1e-12 {
				t.Errorf("lit: %v, want %v", i, f.LitI)
			}
		}
		if r := unit.Volt(1e-6).Through(f.Current(1e-6, t0)); off(float64(r), float64(f.Cold)) > 1e-6 {
			t.Errorf("cold: %v, want %v", r, f.Cold)
		}
		if i := f.Inrush(f.LitV, t0); off(float64(i), float64(f.LitV.Over(f.Cold))) > 1e-12 {
			t.Errorf("inrush %v", i)
		}
	}
	// 0 V is the surroundings' temperature; the lit point of ten times the cold resistance is near 2000 K (the
	// same table: 10.03 at 2000 K).
	if got := bulb.Temperature(0, 280); off(float64(got), 280) > 1e-12 {
		t.Errorf("dark at %v", got)
	}
	if got := bulb.Temperature(12, 300.15); math.Abs(float64(got)-2000) > 20 {
		t.Errorf("lit at %v, want 2000 K within 1 %%", got)
	}
	if cold, warm := bulb.Inrush(12, 273.15), bulb.Inrush(12, 313.15); !(cold > warm) || off(float64(cold/warm), math.Pow(313.15/273.15, 1.217)) > 1e-9 {
		t.Errorf("inrush at 0 °C %v, at 40 °C %v", cold, warm)
	}
}

// About the lit point the current goes as V^0.55 (lamp makers' handbooks, from memory) for all lamps of the usual
// kind, and the law keeps its power balance: halved duty is the same mean power at √2 of the voltage.
func TestHandbookExponent(t *testing.T) {
	for _, ratio := range []float64{8, 9, 10, 11, 12, 13} {
		f := Filament{Cold: 40, LitV: 12, LitI: unit.Amp(12 / (40 * ratio))}
		up, down := f.Current(12*1.1, 300.15), f.Current(12*0.9, 300.15)
		if e := math.Log(float64(up/down)) / math.Log(1.1/0.9); math.Abs(e-0.55) > 0.01 {
			t.Errorf("hot over cold %g: exponent %.3f, handbook 0.55", ratio, e)
		}
	}
	half := bulb
	half.Duty = 0.5
	for _, v := range []unit.Volt{0.5, 3, 12, 18} {
		if a, b := bulb.Temperature(v, 300), half.Temperature(v*math.Sqrt2, 300); off(float64(a), float64(b)) > 1e-12 {
			t.Errorf("%v: %v steady, %v at half duty", v, a, b)
		}
	}
}

// Derivative against finite differences from nanovolts to fifty times the rating; odd; the current always rises,
// its resistance never falls.
func TestFilamentLaw(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	logs := func(lo, hi float64) float64 { return lo * math.Pow(hi/lo, r.Float64()) }
	for range 3000 {
		f := Filament{Cold: unit.Ohm(logs(1, 300)), LitV: unit.Volt(logs(1, 24)), Conducted: mostConducted * r.Float64(), Duty: 1 - 0.9*r.Float64(), T0: unit.Kelvin(273 + 40*r.Float64())}
		f.LitI = f.LitV.Over(f.Cold) / unit.Amp(1.01+19*r.Float64())
		if r.IntN(4) == 0 {
			f.Conducted = mostConducted
		}
		if wrong := f.Check(); wrong != "" {
			t.Fatalf("%+v: %s", f, wrong)
		}
		w := f.At(unit.Kelvin(233 + 140*r.Float64()))
		v := logs(1e-9, 50) * float64(f.LitV)
		i, g := w.Current(v)
		d, e := derivative(func(x float64) float64 { i, _ := w.Current(x); return i }, v, 0.05*v)
		if !(g > 0) || math.Abs(g-d) > 1e-6*math.Abs(d)+3*e+1e-13*i/v {
			t.Errorf("%+v at %g V: slope %.10g, difference quotient %.10g ± %.1g", f, v, g, d, e)
		}
		if j, h := w.Current(-v); j != -i || h != g {
			t.Errorf("%+v: %g A at %g V, %g A at %g V", f, i, v, j, -v)
		}
		if higher, _ := w.Current(1.05 * v); !(higher > i) || higher > 1.05*i*(1+1e-12) {
			t.Errorf("%+v: %g A at %g V, %g A at 5 %% more", f, i, v, higher)
		}
	}
	w := bulb.At(300)
	for _, v := range []float64{0, 1e-300, 1e6, -1e6} {
		if i, g := w.Current(v); !finite(i) || !finite(g) || !(g > 0) {
			t.Errorf("at %g V: %g A, %g S", v, i, g)
		}
	}
}

func TestFilamentRefuses(t *testing.T) {
	for _, w := range []struct {
		f    Filament
		says string
	}{
		{Filament{Cold: 0, LitV: 12, LitI: 0.03}, "cold resistance is 0"},
		{Filament{Cold: 40, LitV: 12}, "lit point"},
		{Filament{Cold: 400, LitV: 12, LitI: 0.03}, "no filament"},
		{Filament{Cold: 10, LitV: 12, LitI: 0.03}, "melts"},
		{Filament{Cold: 40, LitV: 12, LitI: 0.03, Conducted: 0.9}, "conduction"},
		{Filament{Cold: 40, LitV: 12, LitI: 0.03, Duty: 1.1}, "share of time"},
		{Filament{Cold: unit.Ohm(math.NaN()), LitV: 12, LitI: 0.03}, "cold resistance"},
		{bulb, ""},
	} {
		if got := w.f.Check(); (w.says == "") != (got == "") || !strings.Contains(got, w.says) {
			t.Errorf("%+v: %q, want %q", w.f, got, w.says)
		}
	}
}

// Near no voltage the law is taken to first order: it meets the whole law where the one hands over to the other.
func TestFilamentNearlyCold(t *testing.T) {
	f := Filament{Cold: 40, LitV: 12, LitI: 0.03}
	w := f.At(300)
	last := 0.0
	for _, v := range []float64{1e-9, 1e-4, 1e-3, 0.9e-2, 1.1e-2, 0.02, 0.05} {
		i, g := w.Current(v)
		const h = 1e-5
		up, _ := w.Current(v * (1 + h))
		down, _ := w.Current(v * (1 - h))
		if d := (up - down) / (2 * h * v); math.Abs(d/g-1) > 1e-6 {
			t.Errorf("%g V: slope %g, by differences %g", v, g, d)
		}
		if r := v / i; r < last || math.Abs(r/40.008-1) > 0.02 {
			t.Errorf("%g V: %g Ω after %g Ω", v, r, last)
		} else {
			last = r
		}
	}
}
