package require_test

import (
	"math"
	"strings"
	"testing"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/require"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// H-01: CIE 1976 L*; the first value is printed in the documentation of a colour-science library (read), the
// rest computed from 116(Y)^(1/3)−16 and (29/3)³·Y.
func TestLightness(t *testing.T) {
	for _, c := range []struct{ percent, want float64 }{
		{12.19722535, 41.527876}, {50, 76.069261}, {25, 57.075421}, {10, 37.842430}, {1, 8.991442}, {0.1, 0.903296},
	} {
		if got := require.Lightness(c.percent / 100); math.Abs(got-c.want) > 1e-6 {
			t.Errorf("L* of %g %%: %.7f, want %.6f", c.percent, got, c.want)
		}
		if back := require.Luminance(require.Lightness(c.percent/100)) * 100; math.Abs(back-c.percent) > 1e-9 {
			t.Errorf("back from L*: %g %%, want %g %%", back, c.percent)
		}
	}
}

// H-02: a perceptually even dimming table of 16 steps, 8-bit codes; computed in the reference from L*.
func TestEvenDimming(t *testing.T) {
	want := []int{0, 2, 4, 8, 13, 20, 29, 40, 54, 72, 92, 116, 145, 177, 214, 255}
	for i, w := range want {
		if got := int(math.Round(255 * require.Luminance(float64(i)*100/15))); got != w {
			t.Errorf("step %d: code %d, want %d", i, got, w)
		}
	}
}

// H-03: power-law brightness, exponents from memory (S. S. Stevens, 1957-1975).
func TestPowerBrightness(t *testing.T) {
	for _, c := range []struct{ y, extended, point float64 }{{0.5, 0.796, 0.707}, {0.25, 0.633, 0.500}, {0.1, 0.468, 0.316}} {
		if got := require.PowerBrightness(c.y, require.ExtendedSource); math.Abs(got-c.extended) > 0.001 {
			t.Errorf("%g of the light, extended: %.4f, want %.3f", c.y, got, c.extended)
		}
		if got := require.PowerBrightness(c.y, require.PointSource); math.Abs(got-c.point) > 0.001 {
			t.Errorf("%g of the light, point: %.4f, want %.3f", c.y, got, c.point)
		}
	}
}

// H-04: IEEE 1789-2015, 8.1.1, limits from memory, confirmed against a public implementation citing that clause.
func TestFlicker(t *testing.T) {
	none, low, high := finding.Holds, finding.Close, finding.Fails
	for _, c := range []struct {
		f       unit.Hertz
		percent float64
		want    finding.Verdict
	}{
		{50, 0.5, none}, {50, 1.25, low}, {60, 5, high}, {100, 3.33, none}, {100, 8, low}, {100, 10, high}, {200, 16, low},
		{200, 17, high}, {488.28, 100, high}, {1250, 100, low}, {3906.25, 100, none},
	} {
		if got := require.Flicker(c.f, c.percent); got != c.want {
			t.Errorf("%s, %g %%: %s, want %s", c.f, c.percent, got, c.want)
		}
	}
}

// H-05 and H-06: 8-bit timer frequencies; formulas of the ATtiny25/45/85 data sheet from memory.
func TestPWMFrequency(t *testing.T) {
	for _, c := range []struct {
		clock     unit.Hertz
		mode      require.PWM
		prescaler int
		want      float64
	}{
		{8e6, require.FastPWM, 1, 31250}, {8e6, require.FastPWM, 8, 3906.25}, {8e6, require.FastPWM, 64, 488.28}, {8e6, require.FastPWM, 256, 122.07},
		{8e6, require.PhaseCorrectPWM, 1, 15686.3}, {8e6, require.PhaseCorrectPWM, 8, 1960.8}, {8e6, require.PhaseCorrectPWM, 64, 245.10}, {8e6, require.PhaseCorrectPWM, 256, 61.27},
		{1e6, require.FastPWM, 8, 488.28}, {1e6, require.FastPWM, 64, 61.04}, {1e6, require.PhaseCorrectPWM, 8, 245.10}, {1e6, require.PhaseCorrectPWM, 64, 30.64},
		{16e6, require.FastPWM, 8, 7812.5}, {16e6, require.FastPWM, 64, 976.56}, {16e6, require.PhaseCorrectPWM, 8, 3921.6}, {16e6, require.PhaseCorrectPWM, 64, 490.20},
		{64e6, require.FastPWM, 1, 250e3},
	} {
		if got := float64(require.PWMFrequency(c.clock, c.mode, c.prescaler)); math.Abs(got/c.want-1) > 1e-4 {
			t.Errorf("%s, %d counts, prescaler %d: %.3f Hz, want %g Hz", c.clock, c.mode, c.prescaler, got, c.want)
		}
	}
	// At full depth only the first two fast settings and the first phase-correct one show no effect at 8 MHz.
	for _, c := range []struct {
		mode      require.PWM
		prescaler int
		want      finding.Verdict
	}{
		{require.FastPWM, 1, finding.Holds}, {require.FastPWM, 8, finding.Holds}, {require.PhaseCorrectPWM, 1, finding.Holds},
		{require.PhaseCorrectPWM, 8, finding.Close}, {require.FastPWM, 64, finding.Fails}, {require.PhaseCorrectPWM, 64, finding.Fails},
	} {
		if got := require.Flicker(require.PWMFrequency(8e6, c.mode, c.prescaler), 100); got != c.want {
			t.Errorf("8 MHz, %d counts, prescaler %d: %s, want %s", c.mode, c.prescaler, got, c.want)
		}
	}
}

// Around both limits of the standard at full depth (IEEE 1789-2015, 8.1.1, from memory): what is close is above the
// limit of its own class, so the sign of a margin never contradicts the verdict. The mend is tried, not believed.
func TestDimmedOutput(t *testing.T) {
	n := network(t)
	o := n.Outputs[0].Output
	for _, c := range []struct {
		dim, clock unit.Hertz
		want       finding.Verdict
		limit      float64
		mend       string
	}{
		{1249, 8e6, finding.Fails, 1250, "prescaler 8 gives 3.906"},
		{1250, 8e6, finding.Close, 1250, "prescaler 8 gives 3.906"},
		{3000, 8e6, finding.Close, 1250, "prescaler 8 gives 3.906"},
		{3001, 8e6, finding.Holds, 3000, ""},
		{100, 1e6, finding.Fails, 1250, "prescaler 1 gives 3.906"},
		{100, 128e3, finding.Fails, 1250, "a faster clock"},
		{100, 0, finding.Fails, 1250, "switch faster than 3"},
	} {
		o.Brightness, o.Dim, n.Decoder.Chip.Frequency = build.Given(unit.Ratio(0.3)), build.Given(c.dim), c.clock
		j := flicker(t, n)
		if j.Verdict != c.want || j.Limit != c.limit || (j.Margin < 0) != (c.want == finding.Fails) || (c.mend == "") != (j.Mend == "") || !strings.Contains(j.Mend, c.mend) {
			t.Errorf("%s at a clock of %s: %+v; want %s at limit %g, mend %q", c.dim, c.clock, j, c.want, c.limit, c.mend)
		}
	}
	o.Dim = build.Quantity[unit.Hertz]{Value: unit.Absent[unit.Hertz]()}
	if j := flicker(t, n); j.Verdict != finding.Unknown || j.Why == "" || !math.IsNaN(j.Value) {
		t.Errorf("no frequency stated: %+v", j)
	}
	o.Brightness = build.Given(unit.Ratio(1))
	for _, j := range require.For(n).Unjudged {
		if strings.HasSuffix(j.ID, ".flicker") {
			t.Errorf("an output that is not dimmed is judged: %+v", j)
		}
	}
}

func flicker(t *testing.T, n *wiring.Network) finding.Judgement {
	t.Helper()
	for _, j := range require.For(n).Unjudged {
		if j.ID == n.Outputs[0].ID+".flicker" {
			return j
		}
	}
	t.Fatal("flicker is not judged")
	return finding.Judgement{}
}
