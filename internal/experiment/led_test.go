package experiment

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"fettle/internal/build"
	"fettle/internal/meter"
	"fettle/internal/parts"
	"fettle/internal/unit"
)

// bare is a bench with an ordinary hand meter and no drawer.
func bare(subject string) Bench {
	return Bench{Build: &build.Build{File: "test.fettle", Catalogue: parts.Load()}, Subject: subject}
}

func set[C Card](t *testing.T, of func(Bench) (Card, error), b Bench) C {
	t.Helper()
	c, err := of(b)
	if err != nil {
		t.Fatal(err)
	}
	return c.(C)
}

// A hand is a meter as it really is, read by a person: each range's gain error anywhere within its bound, digits in theirs.
type hand struct {
	spec  meter.Spec
	rng   *rand.Rand
	wrong map[meter.RangeSpec]float64
}

func newHand(spec meter.Spec, rng *rand.Rand) *hand {
	return &hand{spec, rng, map[meter.RangeSpec]float64{}}
}

func (h *hand) even(x float64) float64 { return x * (2*h.rng.Float64() - 1) }

func (h *hand) read(t *testing.T, f meter.Function, truth float64) float64 {
	t.Helper()
	m, ok := h.spec.Range(f, truth)
	if !ok {
		t.Fatal(f, truth)
	}
	if _, ok := h.wrong[m]; !ok {
		h.wrong[m] = h.even(float64(m.Gain))
	}
	v, _ := m.Show(truth, h.wrong[m], h.even(m.Slack()))
	return v
}

// twoSlopes is an LED of another law than the card's: two exponentials (radiative and other recombination) and a resistance.
type twoSlopes struct{ i1, n1, i2, n2, rs float64 }

func (l twoSlopes) drop(i float64) float64 {
	const vt = 0.025692579
	low, high := 0.0, 6.0
	for range 80 {
		u := (low + high) / 2
		if l.i1*math.Expm1(u/(l.n1*vt))+l.i2*math.Expm1(u/(l.n2*vt)) > i {
			high = u
		} else {
			low = u
		}
	}
	return low + i*l.rs
}

// behind is the drop behind a series resistor, the meter's input across it.
func (l twoSlopes) behind(vs, r, rin float64) float64 {
	low, high := 0.0, vs
	for range 80 {
		v := (low + high) / 2
		if i := (vs-v)/r - v/rin; i > 0 && l.drop(i) > v {
			low = v
		} else {
			high = v
		}
	}
	return low
}

// The true drop of planted LEDs lies inside the interval at each of the three currents; and the LED that the drawer then holds,
// read back from the text that is written, has the planted drop inside its spread at 2 and 5 mA as well. 300 seeds were run
// (docs/experiments.md); 30 of them here.
func TestPlantedDrop(t *testing.T) {
	const cases = 30
	inside, held, points, width := 0, 0, 0, 0.0
	for k := range cases {
		rng := rand.New(rand.NewPCG(uint64(k), 202))
		colour := []string{"red", "white", "green"}[k%3]
		c := set[*LEDDrop](t, setLEDDrop, bare(colour))
		h := newHand(c.Meter, rng)
		typ := float64(c.sheet.At([]float64{h.even(0.9)}).Voltage(5e-3, standing))
		l := twoSlopes{n1: 1.7 + 0.6*rng.Float64(), n2: 2.7 + 0.8*rng.Float64(), rs: 4 + 16*rng.Float64()}
		const vt = 0.025692579
		l.i1, l.i2 = 4e-3*math.Exp(-(typ-5e-3*l.rs)/(l.n1*vt)), 1e-3*math.Exp(-(typ-5e-3*l.rs)/(l.n2*vt))
		vs := 5 * (1 + h.even(0.04))
		readings := []Reading{{Word: "supply", Unit: unit.SymVolt, Value: h.read(t, meter.DCVoltage, vs)}}
		for _, g := range c.Ladder {
			r := float64(g.R) * (1 + h.even(0.05))
			v := l.behind(vs, r, 1e6)
			readings = append(readings, Reading{At: float64(g.R), Unit: unit.SymVolt, Value: h.read(t, meter.DCVoltage, v)})
			if k%2 == 0 {
				readings = append(readings, Reading{At: float64(g.R), Unit: unit.SymOhm, Value: h.read(t, meter.Resistance, r)})
			}
		}
		drops, err := c.Infer(readings)
		if err != nil {
			t.Fatal(k, err)
		}
		for _, d := range drops {
			points++
			width += d.High - d.Low
			if v := l.drop(d.At); d.Low <= v && v <= d.High {
				inside++
			}
		}
		learned := c.learned(drops)
		src := "part,kind,vf_measured,vf_error\nmine,led," + learned.Cells["vf_measured"] + "," + learned.Cells["vf_error"] + "\n"
		d, list := parts.ReadDrawer("drawer.csv", []byte(src), nil)
		if list.HasErrors() || len(d.Items) != 1 || len(d.Items[0].VF) != 2 || d.Items[0].VF[0].Within <= 0 {
			t.Fatalf("%s\n%v", src, list)
		}
		q, err := c.measured(drops)
		if err != nil {
			t.Fatal(err)
		}
		ok := true
		for _, i := range []float64{2e-3, 5e-3} {
			low, high := math.Inf(1), math.Inf(-1)
			for _, z := range [][]float64{{-1, -1}, {-1, 1}, {1, -1}, {1, 1}} {
				v := float64(q.At(z).Voltage(unit.Amp(i), standing))
				low, high = min(low, v), max(high, v)
			}
			v := l.drop(i)
			ok = ok && low <= v && v <= high
		}
		if ok {
			held++
		}
	}
	t.Logf("drops inside %d of %d, mean ±%.1f mV; whole curve held %d of %d", inside, points, 500*width/float64(points), held, cases)
	if inside < points*94/100 {
		t.Errorf("the planted drop lies inside the interval in %d of %d", inside, points)
	}
	if held < cases*9/10 {
		t.Errorf("the learned LED holds the planted curve in %d of %d", held, cases)
	}
	if width/float64(points) > 0.06 { // a white LED is read on the 20 V range, whose two last digits are 20 mV
		t.Errorf("the interval is ±%.0f mV wide on average", 500*width/float64(points))
	}
}

// Ohm's law with an LED: Floyd, Electronic Devices, 7th ed., section 3-4: 12 V, 1 kΩ, VF 2 V carries 10 mA. Here at 5 V: a drop
// read as 2.00 V behind 1 kΩ means 3.00 mA, ±5 % of resistor and what the meter allows.
func TestDropCurrent(t *testing.T) {
	c := set[*LEDDrop](t, setLEDDrop, bare("red"))
	readings := []Reading{{Word: "supply", Unit: unit.SymVolt, Value: 5}, {At: 1e3, Unit: unit.SymVolt, Value: 2}, {At: 3.3e3, Unit: unit.SymVolt, Value: 1.9}}
	drops, err := c.Infer(readings)
	if err != nil {
		t.Fatal(err)
	}
	d := drops[1]
	if math.Abs(d.I/3e-3-1) > 0.01 || d.ILow > 2.88e-3 || d.IHi < 3.12e-3 || d.ILow < 2.75e-3 || d.IHi > 3.25e-3 {
		t.Errorf("%+v", d)
	}
}

func TestDropRefuses(t *testing.T) {
	c := set[*LEDDrop](t, setLEDDrop, bare("red"))
	volt := func(r, v float64) Reading { return Reading{At: r, Unit: unit.SymVolt, Value: v} }
	for why, rs := range map[string][]Reading{
		"at least two":      {volt(1e3, 1.9)},
		"open or turned":    {volt(1e3, 4.98), volt(3.3e3, 1.9)},
		"drops more":        {volt(1e3, 1.8), volt(3.3e3, 1.9)},
		"all of the supply": {volt(1e3, 4.98), volt(3.3e3, 4.99)},
	} {
		if _, err := c.Infer(rs); err == nil || !strings.Contains(err.Error(), why) {
			t.Errorf("%s: %v", why, err)
		}
	}
}
