package wave

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"fettle/internal/unit"
)

func closeTo(a, b, tol float64) bool { return math.Abs(a-b) <= tol*math.Max(1, math.Abs(b)) }

// Closed forms: a rectified sine has mean 2/π and root mean square 1/√2 of its peak, one half-wave 1/π and 1/2; a
// pulse train mean d and root mean square √d.
func TestStatistics(t *testing.T) {
	us := unit.Microsecond
	for _, c := range []struct {
		name      string
		w         Periodic
		mean, rms float64
	}{
		{"constant", Constant(-7), -7, 7},
		{"full wave", FullWaveSine(12, 50), 24 / math.Pi, 12 / math.Sqrt2},
		{"half wave", HalfWaveSine(12, 60), 12 / math.Pi, 6},
		{"pulses", PWM(50*us, 0.3, 12), 3.6, 12 * math.Sqrt(0.3)},
		{"DCC ones", Square(116*us, 0.5, 12, -12), 0, 12},
		{"always on", PWM(50*us, 1, 12), 12, 12},
		{"never on", PWM(50*us, 0, 12), 0, 0},
		{"duty not known", PWM(50*us, unit.Ratio(math.NaN()), 12), 0, 0},
	} {
		span := 3 * max(c.w.Period(), 1000)
		if m := Mean(c.w, 0, span); !closeTo(m, c.mean, 1e-9) {
			t.Errorf("%s: mean %v, want %v", c.name, m, c.mean)
		}
		if r := RMS(c.w, 0, span); !closeTo(r, c.rms, 1e-9) {
			t.Errorf("%s: RMS %v, want %v", c.name, r, c.rms)
		}
		var shares, mean, square float64
		for _, l := range Levels(c.w) {
			shares += l.Share
			mean += l.Share * l.Value
			square += l.Share * l.Value * l.Value
		}
		if !closeTo(shares, 1, 1e-14) || !closeTo(mean, c.mean, 1e-9) || !closeTo(math.Sqrt(square), c.rms, 1e-9) {
			t.Errorf("%s: levels give shares %v, mean %v, RMS %v", c.name, shares, mean, math.Sqrt(square))
		}
	}
}

// LED on half-wave rectified AC, 20 V rms through 680 Ω, drops neglected: peak 41.6 mA, average over a full cycle
// 13.24 mA. Malvino & Bates, Electronic Principles, 7th ed. 2006, example 5-14, p. 169 (printed with √2 = 1.414).
func TestHalfWaveLED(t *testing.T) {
	peak := 20 * math.Sqrt2 / 680
	if !closeTo(peak, 41.59e-3, 5e-3*41.59e-3) {
		t.Fatalf("peak %v", peak)
	}
	var mean float64
	for _, l := range Levels(HalfWaveSine(20*math.Sqrt2, 50)) {
		mean += l.Share * l.Value / 680
	}
	if math.Abs(mean-13.24e-3) > 0.005*13.24e-3 {
		t.Errorf("average %.4g A", mean)
	}
}

// A lamp that conducts above a threshold: mean of max(0, peak·sin − v) = (2/π)(peak·cos a − v(π/2 − a)), sin a = v/peak
// (closed form), is what the levels are for.
func TestLevelsWithThreshold(t *testing.T) {
	for _, v := range []float64{0.5, 2, 3.1, 5, 8, 11} {
		a := math.Asin(v / 12)
		want := 2 / math.Pi * (12*math.Cos(a) - v*(math.Pi/2-a))
		var got float64
		for _, l := range Levels(FullWaveSine(12, 50)) {
			got += l.Share * math.Max(0, l.Value-v)
		}
		if math.Abs(got-want) > 1e-3*24/math.Pi {
			t.Errorf("threshold %v: %v, want %v", v, got, want)
		}
	}
}

func TestBreaks(t *testing.T) {
	w := Square(100, 0.25, 5, 1)
	for _, c := range []struct {
		after, next unit.Time
		at          float64
	}{{0, 25, 5}, {24, 25, 5}, {25, 100, 1}, {99, 100, 1}, {100, 125, 5}, {-1, 0, 1}, {-100, -75, 5}} {
		next, ok := w.NextBreak(c.after)
		if !ok || next != c.next || w.At(c.after) != c.at {
			t.Errorf("at %d: %v, next break %d, want %v and %d", c.after, w.At(c.after), next, c.at, c.next)
		}
	}
	if _, ok := Constant(1).NextBreak(0); ok {
		t.Error("a constant has no break")
	}
	if w := FullWaveSine(1, 50); w.Period() != 10*unit.Millisecond || w.At(5*unit.Millisecond) != 1 {
		t.Errorf("period %v, crest %v", w.Period(), w.At(5*unit.Millisecond))
	}
}

// Whatever the wave: breaks advance, it repeats bit for bit, and the mean lies between its levels.
func TestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hi, lo := rapid.Float64Range(-30, 30).Draw(t, "hi"), rapid.Float64Range(-30, 30).Draw(t, "lo")
		duty := unit.Ratio(rapid.Float64Range(-1, 2).Draw(t, "duty"))
		hz := unit.Hertz(rapid.Float64Range(-1, 1e12).Draw(t, "frequency"))
		period := unit.Time(rapid.Int64Range(-5, 1e9).Draw(t, "period"))
		for _, w := range []Periodic{Square(period, duty, hi, lo), FullWaveSine(hi, hz), HalfWaveSine(hi, hz)} {
			at := unit.Time(rapid.Int64Range(-1e12, 1e12).Draw(t, "t"))
			if next, ok := w.NextBreak(at); ok && next <= at {
				t.Fatalf("break %d after %d", next, at)
			}
			if w.At(at) != w.At(at+7*w.Period()) {
				t.Fatalf("not periodic at %d", at)
			}
			least, most := math.Inf(1), math.Inf(-1)
			for _, l := range Levels(w) {
				least, most = math.Min(least, l.Value), math.Max(most, l.Value)
			}
			if m := Mean(w, 0, max(w.Period(), 1)); m < least-1e-9 || m > most+1e-9 {
				t.Fatalf("mean %v outside %v…%v", m, least, most)
			}
		}
	})
}

func BenchmarkMeanOfRectifiedSine(b *testing.B) {
	w := FullWaveSine(12, 50)
	b.ReportAllocs()
	for b.Loop() {
		Mean(w, 0, w.Period())
	}
}
