package dcc

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"fettle/internal/unit"
	"fettle/internal/wave"
)

// S-9.1 table 2: 8 V from −4 V to +4 V at 2.0 V/µs take 4 µs, and the crossing is where the bit ends.
func TestSlew(t *testing.T) {
	c := wave.Changes{At: []unit.Time{0, 58 * us, 116 * us}, To: []wave.Polarity{wave.Positive, wave.Negative, wave.None}}
	v, err := NewVoltage(c, Amplitudes{Positive: 12, Slew: 2})
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		at   unit.Time
		want float64
	}{
		{-1, 0}, {0, 0}, {2 * us, 4}, {6 * us, 12}, {52 * us, 12}, {56 * us, 4}, {58 * us, 0}, {60 * us, -4}, {64 * us, -12},
		{110 * us, -12},
		{116 * us, 0}, {200 * us, 0},
	} {
		if got := v.At(x.at); math.Abs(got-x.want) > 1e-9 {
			t.Errorf("at %v µs %v V, want %v", micros(x.at), got, x.want)
		}
	}
	var breaks []unit.Time
	for at, ok := v.NextBreak(-5); ok; at, ok = v.NextBreak(at) {
		breaks = append(breaks, at/us)
	}
	for i, want := range []unit.Time{0, 6, 52, 58, 64, 110, 116} {
		if i >= len(breaks) || breaks[i] != want {
			t.Fatalf("breaks at %v µs", breaks)
		}
	}
}

// Whatever the signal: breaks advance, between them the voltage is a straight line, it never leaves its range, and the sign
// is that of the changes.
func TestVoltageProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var c wave.Changes
		at, p := unit.Time(rapid.Int64Range(-1e9, 1e9).Draw(t, "begin")), wave.Positive
		for range rapid.IntRange(0, 30).Draw(t, "changes") {
			c.At, c.To = append(c.At, at), append(c.To, p)
			at += unit.Time(rapid.Int64Range(1, 120e6).Draw(t, "length"))
			if p == wave.None || rapid.IntRange(0, 5).Draw(t, "gap") > 0 {
				p = rapid.SampledFrom([]wave.Polarity{wave.Positive, wave.Negative}).Draw(t, "side")
				if c.To[len(c.To)-1] == p {
					p = -p
				}
			} else {
				p = wave.None
			}
		}
		a := Amplitudes{
			Positive: unit.Volt(rapid.Float64Range(1, 27).Draw(t, "positive")), Negative: unit.Volt(rapid.Float64Range(1,
				27).Draw(t, "negative")),
			Slew: rapid.SampledFrom([]float64{0, 0.2, 2, 2.4, 50}).Draw(t, "slew"),
		}
		v, err := NewVoltage(c, a)
		if err != nil {
			t.Fatal(err)
		}
		x := unit.Time(-2e9)
		for i := 0; ; i++ {
			next, ok := v.NextBreak(x)
			if !ok {
				break
			}
			if next <= x {
				t.Fatalf("break %d after %d", next, x)
			}
			if i > 4*len(c.At)+4 {
				t.Fatal("too many breaks")
			}
			if n := next - x; n >= 4 {
				a, m, b := v.At(x), v.At(x+n/2), v.At(next-1)
				line := a + (b-a)*float64(n/2)/float64(n-1)
				if math.Abs(m-line) > 1e-4 { // a picosecond at the steepest edge is 5e-5 V
					t.Fatalf("from %d to %d: %v, %v, %v", x, next, a, m, b)
				}
			}
			x = next
		}
		for i := range c.At {
			next := c.At[i] + 1e6
			if i+1 < len(c.At) {
				next = c.At[i+1]
			}
			u := v.At(c.At[i] + (next-c.At[i])/2)
			wrong := u > float64(a.Positive) || u < -float64(a.Negative) || u*float64(c.To[i]) < 0 || (c.To[i] == wave.None) != (u == 0)
			if wrong && next-c.At[i] > 1 {
				t.Fatalf("%v V while the signal is %d", u, c.To[i])
			}
		}
	})
}

// Equal halves of equal size have no mean; a zero stretched to 9900 and 2100 µs has 0.65 of the amplitude (DCC reference,
// section 1.3).
func TestMeanOfAStretchedZero(t *testing.T) {
	c := wave.Changes{At: []unit.Time{0, 9900 * us, 12000 * us}, To: []wave.Polarity{wave.Positive, wave.Negative, wave.Positive}}
	v, err := NewVoltage(c, Amplitudes{Positive: 10})
	if err != nil {
		t.Fatal(err)
	}
	if m := wave.Mean(v, 0, 12000*us); math.Abs(m-6.5) > 1e-9 {
		t.Errorf("mean %v V", m)
	}
}

func TestAmplitudesThatCannotBe(t *testing.T) {
	for _, a := range []Amplitudes{{}, {Positive: -1}, {Positive: 12, Negative: -3}, {Positive: 12, Slew: -1}, {Positive: 12,
		Slew: 1e-9},
		{Positive: unit.Absent[unit.Volt]()}, {Positive: 12, Slew: math.NaN()}} {
		if _, err := NewVoltage(wave.Changes{}, a); err == nil {
			t.Errorf("%+v was accepted", a)
		}
	}
}
