package recording

import (
	"math"
	"math/rand/v2"
	"testing"

	"fettle/internal/unit"
	"fettle/internal/wave"
)

// alternating turns lengths into changes between two polarities.
func alternating(a, b wave.Polarity, lengths []unit.Time) wave.Changes {
	var c wave.Changes
	var t unit.Time
	for i, d := range append(lengths, 0) {
		to := a
		if i%2 == 1 {
			to = b
		}
		c.At, c.To = append(c.At, t), append(c.To, to)
		t += d
	}
	return c
}

func TestImpression(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	us := unit.Microsecond
	repeat := func(n int, l ...unit.Time) []unit.Time {
		var out []unit.Time
		for range n {
			out = append(out, l...)
		}
		return out
	}
	jitter := func(l []unit.Time, share float64) []unit.Time {
		for i := range l {
			l[i] = unit.Time(float64(l[i]) * (1 + share*(2*r.Float64()-1)))
		}
		return l
	}
	serial := func(bit unit.Time) []unit.Time {
		var out []unit.Time
		level, run := 0, 0
		for range 400 {
			frame := 0x200 | r.IntN(256)<<1 // start bit 0, eight data bits, stop bit 1
			for i := range 10 {
				if b := frame >> i & 1; b == level {
					run++
				} else {
					out = append(out, unit.Time(max(run, 1))*bit)
					level, run = b, 1
				}
			}
		}
		return out
	}
	var noise []unit.Time
	for range 500 {
		noise = append(noise, unit.Seconds(50e-6*r.ExpFloat64())+1)
	}
	burst := append(halves(400, r), noise[:100]...)
	for _, c := range []struct {
		name      string
		a, b      wave.Polarity
		lengths   []unit.Time
		look      Look
		frequency float64
		duty      float64
	}{
		{"nothing", wave.Positive, wave.Negative, nil, Steady, 0, 0},
		{"switched on and off again", wave.Positive, wave.None, repeat(1, unit.Second, 3*unit.Second), Steady, 0, 0},
		{"DCC", wave.Positive, wave.Negative, halves(1000, r), DCC, 0, 0},
		{"DCC with jitter", wave.Positive, wave.Negative, jitter(halves(1000, r), 0.03), DCC, 0, 0},
		{"DCC with a burst of noise", wave.Positive, wave.Negative, burst, DCC, 0, 0},
		{"nothing but ones", wave.Positive, wave.Negative, repeat(500, 58*us), Pulses, 8620.7, 0.5},
		{"pulse width", wave.Positive, wave.None, repeat(300, 15*us, 35*us), Pulses, 20000, 0.3},
		{"pulse width, the other way", wave.None, wave.Negative, repeat(300, 15*us, 35*us), Pulses, 20000, 0.7},
		{"hum", wave.Positive, wave.Negative, jitter(repeat(50, 10*unit.Millisecond, 10*unit.Millisecond), 0.02), Mains, 50, 0.5},
		{"rectified, 60 Hz", wave.Positive, wave.None, repeat(50, 7*unit.Millisecond, 1333333*unit.Nanosecond), Mains, 120, 0.84},
		{"9600 bauds", wave.Positive, wave.Negative, jitter(serial(unit.Second/9600), 0.01), Serial, 0, 0},
		{"19200 bauds, whose bits are ones and zeros of DCC", wave.Positive, wave.Negative, serial(unit.Second / 19200), Serial, 0, 0},
		{"noise", wave.Positive, wave.Negative, noise, Noise, 0, 0},
	} {
		var s Intervals
		ch := alternating(c.a, c.b, c.lengths)
		n := len(ch.At) / 2
		s.Add(&wave.Changes{At: ch.At[:n], To: ch.To[:n]})
		s.Add(&wave.Changes{At: ch.At[n:], To: ch.To[n:]})
		m := s.Impression()
		if m.Look != c.look || math.Abs(float64(m.Frequency)-c.frequency) > 0.01*c.frequency || math.Abs(float64(m.Duty)-c.duty) > 0.01 {
			t.Errorf("%s: %v %+v", c.name, m, m)
		}
	}
}

// A bin holds what its middle says, to 3 %.
func TestBins(t *testing.T) {
	for x := unit.Time(1); x < math.MaxInt64/2; x += x/50 + 1 {
		if b := bin(x); math.Abs(middle(b)/float64(x)-1) > 0.033 {
			t.Fatalf("%d lies in bin %d about %v", x, b, middle(b))
		}
	}
}
