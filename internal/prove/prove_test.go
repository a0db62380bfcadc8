package prove_test

import (
	"bytes"
	"context"
	"encoding/gob"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/choose"
	"fettle/internal/finding"
	"fettle/internal/prove"
	"fettle/internal/survey"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

var chosen = sync.OnceValues(func() (*build.Build, map[string]*wiring.LampPosterior) { return filled(examples.Demo) })

// filled is an embedded build with every open value chosen, and its lamps.
func filled(name string) (*build.Build, map[string]*wiring.LampPosterior) {
	f, list, err := build.OpenFS(examples.FS, name)
	if err != nil || list.HasErrors() {
		panic(list)
	}
	s, err := survey.Survey(context.Background(), f.Build, survey.Settings{})
	if err != nil {
		panic(err)
	}
	c, err := choose.Choose(context.Background(), f.Build, s.Lamps)
	if err != nil {
		panic(err)
	}
	return c.Build, s.Lamps
}

// demo is the embedded build with every open value chosen, and its lamps: copies that a test may change.
func demo(t testing.TB) (*build.Build, map[string]*wiring.LampPosterior) {
	t.Helper()
	was, lamps := chosen()
	b := *was
	b.Decoders = slices.Clone(b.Decoders)
	b.Decoders[0].Outputs = slices.Clone(b.Decoders[0].Outputs)
	b.Vehicles = slices.Clone(b.Vehicles)
	b.Vehicles[0].Lamps = slices.Clone(b.Vehicles[0].Lamps)
	copies := map[string]*wiring.LampPosterior{}
	for name, p := range lamps {
		c := *p
		copies[name] = &c
	}
	return &b, copies
}

func run(t testing.TB, b *build.Build, lamps map[string]*wiring.LampPosterior, s prove.Settings) finding.Findings {
	t.Helper()
	r, err := prove.Prove(context.Background(), b, lamps, s)
	if err != nil {
		t.Fatal(err)
	}
	return r.Findings
}

func verdict(t *testing.T, f finding.Findings, id string) finding.Judgement {
	t.Helper()
	for _, j := range f.Verdicts {
		if j.ID == id {
			return j
		}
	}
	t.Fatalf("no verdict %s", id)
	return finding.Judgement{}
}

// apart is the factor between value and limit, in the direction that holds.
func apart(j finding.Judgement) float64 {
	switch r := j.Value / j.Limit; {
	case r <= 0:
		return math.Inf(1)
	case (j.Sense == "≥") == (j.Limit > 0):
		return r
	default:
		return 1 / r
	}
}

const few = 500 // samples where their number is not the point

func TestDemoHolds(t *testing.T) {
	b, lamps := demo(t)
	f := run(t, b, lamps, prove.Settings{})
	if w := f.Worst(); w != finding.Holds {
		t.Errorf("the demo as a whole: %s", w)
	}
	for _, j := range f.Verdicts {
		switch {
		case j.NotYet():
		case j.Verdict == finding.Reported && j.Why != "" && j.Source != "" && j.Method != "" && j.Worst != "":
		case j.Verdict != finding.Holds:
			t.Errorf("%s: %s (%g against %g) %s %s", j.ID, j.Verdict, j.Value, j.Limit, j.Why, j.Confidence)
		case strings.HasPrefix(j.ID, "drawer.") || j.Method == "the track itself, drops left out":
		case j.Yield == nil || j.Yield.Held != j.Yield.Samples || j.Yield.Samples != 10000 && !(j.Yield.Samples == 1000 && apart(j) >= 1.5):
			t.Errorf("%s: yield %+v, want 10 000 of 10 000 (1000 where it holds by a factor of 1.5)", j.ID, j.Yield)
		case j.Source == "" || j.Worst == "" || j.Method == "" || j.Confidence == "" || j.Working == nil:
			t.Errorf("%s: a number that travels alone: %+v", j.ID, j)
		}
	}
	for _, n := range f.Notes {
		if n.Kind == "defect" {
			t.Errorf("the samples beat the search: %s", n.Text)
		}
	}
	if len(f.Cautions) < 5 {
		t.Errorf("%d cautions", len(f.Cautions))
	}
}

// In full, every requirement is attacked by every sample.
func TestFull(t *testing.T) {
	b, lamps := demo(t)
	for _, j := range run(t, b, lamps, prove.Settings{Samples: 1500, Full: true}).Verdicts {
		if j.Yield != nil && (j.Yield.Samples != 1500 || j.Yield.Held != 1500) {
			t.Errorf("%s: %d of %d samples hold, want 1500 of 1500", j.ID, j.Yield.Held, j.Yield.Samples)
		}
	}
}

// Resistors a decimal place off are what happens at a bench; each must fail where a builder would look, with a
// way out.
func TestDecimalSlipsFail(t *testing.T) {
	for _, c := range []struct {
		change func(o *build.Output)
		id     string
		mend   string
	}{
		{func(o *build.Output) { o.Series.Value *= 10 }, "output.front.good", "smaller"},
		{func(o *build.Output) { o.Series.Value /= 10 }, "output.front.never-above-peak", "larger"},
		{func(o *build.Output) { o.Base.Value *= 10 }, "output.front.overdrive-high", "smaller"},
		{func(o *build.Output) { o.Base.Value /= 100 }, "output.front.pin-current", "larger"},
		{func(o *build.Output) { o.Pulldown.Value *= 10 }, "output.front.dark-reset", "smaller"},
	} {
		b, lamps := demo(t)
		c.change(&b.Decoders[0].Outputs[0])
		f := run(t, b, lamps, prove.Settings{Samples: few})
		j := verdict(t, f, c.id)
		if j.Verdict != finding.Fails || !strings.Contains(j.Mend, c.mend) || j.Margin >= 0 {
			t.Errorf("%s: %s, margin %g, mend %q; want fails and a %s value", c.id, j.Verdict, j.Margin, j.Mend, c.mend)
		}
		if rear := verdict(t, f, "output.rear.good"); rear.Verdict != finding.Holds {
			t.Errorf("%s: the other output fails too", c.id)
		}
	}
}

// Determinism: the same input gives the same bytes, whatever the number of threads.
func TestSameInputSameBytes(t *testing.T) {
	b, lamps := demo(t)
	var first []byte
	for range 2 {
		var buf bytes.Buffer
		if err := gob.NewEncoder(&buf).Encode(run(t, b, lamps, prove.Settings{Samples: few, Figures: true})); err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first = buf.Bytes()
		} else if !bytes.Equal(first, buf.Bytes()) {
			t.Error("two proofs of one build differ")
		}
	}
}

func TestUnknownIsSaid(t *testing.T) {
	b, lamps := demo(t)
	b.Decoders[0].Outputs[0].Series = build.Quantity[unit.Ohm]{}
	f := run(t, b, lamps, prove.Settings{Samples: few})
	if j := verdict(t, f, "output.front.series"); j.Verdict != finding.Unknown || !strings.Contains(j.Why, "not known") {
		t.Errorf("an open series resistor: %s, %q", j.Verdict, j.Why)
	}
	b, lamps = demo(t)
	b.Vehicles[0].Lamps[0].Good = build.Quantity[unit.Amp]{}
	if j := verdict(t, run(t, b, lamps, prove.Settings{Samples: few}), "output.front.good"); j.Verdict != finding.Unknown || j.NotYet() {
		t.Errorf("no good current said: %s, %q", j.Verdict, j.Why)
	}
}

func TestDeadLampFails(t *testing.T) {
	b, lamps := demo(t)
	lamps["front"].Dead, lamps["front"].Samples = true, nil
	f := run(t, b, lamps, prove.Settings{Samples: few})
	if j := verdict(t, f, "output.front.lamp"); j.Verdict != finding.Fails || j.Mend == "" {
		t.Errorf("a dead lamp: %s, mend %q", j.Verdict, j.Mend)
	}
	// Also where it is the only one, and nothing is left to wire.
	b.Decoders[0].Outputs = b.Decoders[0].Outputs[:1]
	if j := verdict(t, run(t, b, lamps, prove.Settings{Samples: few}), "output.front.lamp"); j.Verdict != finding.Fails {
		t.Errorf("the only lamp is dead: %s", j.Verdict)
	}
}

// A lamp in the wrong way round does not light, whatever the values.
func TestWrongWayRoundFails(t *testing.T) {
	b, lamps := demo(t)
	lamps["front"].WrongWay = true
	f := run(t, b, lamps, prove.Settings{Samples: few})
	if j := verdict(t, f, "output.front.lamp"); j.Verdict != finding.Fails || !strings.Contains(j.Mend, "wires over") {
		t.Errorf("a lamp the wrong way round: %s, mend %q", j.Verdict, j.Mend)
	}
	for _, id := range []string{"output.front.good", "output.front.seen"} {
		if j := verdict(t, f, id); j.Verdict != finding.Fails || j.Value != 0 || !strings.Contains(j.Why, "turned round it would be 2.") && id == "output.front.good" {
			t.Errorf("%s of a lamp that does not light: %s at %g, %q", id, j.Verdict, j.Value, j.Why)
		}
	}
}

// Two switches on one lamp are judged one at a time: with both on the lamp would be brighter than either makes it.
func TestSecondSwitchOnALamp(t *testing.T) {
	b, lamps := demo(t)
	b.Decoders[0].Outputs[1].Lamp, b.Decoders[0].Outputs[1].Series = build.Words("front"), b.Decoders[0].Outputs[0].Series
	f := run(t, b, lamps, prove.Settings{Samples: few})
	one, other := verdict(t, f, "output.front.good"), verdict(t, f, "output.rear.good")
	if one.Verdict != finding.Holds || math.Abs(other.Value/one.Value-1) > 1e-3 {
		t.Errorf("two alike on one lamp: %s at %g, %s at %g", one.Verdict, one.Value, other.Verdict, other.Value)
	}
}

// Without a pull-down a leaking pin in reset lights the lamp: hFE times up to a microampere.
func TestNoPulldown(t *testing.T) {
	b, lamps := demo(t)
	b.Decoders[0].Outputs[0].Pulldown = build.Quantity[unit.Ohm]{Text: "none", Value: unit.Ohm(math.NaN())}
	f := run(t, b, lamps, prove.Settings{Samples: few})
	j := verdict(t, f, "output.front.dark-reset")
	if j.Verdict != finding.Fails || j.Value < 50e-6 || j.Value > 1e-3 || !strings.Contains(j.Mend, "pull-down") {
		t.Errorf("no pull-down: %s at %g A, mend %q; want some hFE · 1 µA", j.Verdict, j.Value, j.Mend)
	}
}

// The resistor in the lamp heats as well: by hand at 24 V (24 − 0.7 − 3 − 0.1) / (1 kΩ + 820 Ω) = 11.1 mA peak, half
// the time: 11.1² · 10⁻⁶ · 1 kΩ / 2 = 62 mW; the brightest corner has some tenth more.
func TestHiddenResistorHeats(t *testing.T) {
	b, lamps := demo(t)
	f := run(t, b, lamps, prove.Settings{Samples: few})
	j := verdict(t, f, "output.front.hidden-heat")
	if j.Verdict != finding.Reported || j.Value < 55e-3 || j.Value > 80e-3 {
		t.Errorf("%s: %g W, by hand about 62 mW", j.Verdict, j.Value)
	}
	// On DC in the direction that lights it there is no other half.
	b.Track.DC = build.Words(build.DCReverse)
	if dc := verdict(t, run(t, b, lamps, prove.Settings{Samples: few}), "output.front.hidden-heat"); math.Abs(dc.Value/j.Value-2) > 0.01 {
		t.Errorf("on DC %g W against %g W on DCC, want twice as much", dc.Value, j.Value)
	}
}

// Two LEDs side by side behind one resistor: each is judged at half the current, and what the brighter one may take
// is told. With the red class's emission coefficient of about 2 and Vt = 27 mV at 45 °C, 0.1 V apart is a ratio of
// exp(0.1/0.054) = 6.4 without ohmic resistance, 0.86 of the whole; the resistance of the junctions evens it out.
func TestSideBySide(t *testing.T) {
	b, lamps := demo(t)
	p := lamps["rear"]
	p.Samples = slices.Clone(p.Samples)
	one := verdict(t, run(t, b, lamps, prove.Settings{Samples: few}), "output.rear.led-peak")
	for i := range p.Samples {
		p.Samples[i].Parallel = 2
	}
	p.Best.Parallel = 2
	f := run(t, b, lamps, prove.Settings{Samples: few})
	both := verdict(t, f, "output.rear.led-peak")
	if r := both.Value / one.Value; r < 0.49 || r > 0.52 {
		t.Errorf("each of two takes %g of what one takes", r)
	}
	j := verdict(t, f, "output.rear.side-by-side")
	if share := j.Value / (2 * both.Value); j.Verdict != finding.Reported || share < 0.55 || share > 0.86 || !strings.Contains(j.Why, "ends of their class") {
		t.Errorf("%s: the brighter of two takes %g of it, %q", j.Verdict, share, j.Why)
	}
	// Where some samples have one LED, the fewest are judged.
	for i := range p.Samples {
		p.Samples[i].Parallel = 1 + i%2
	}
	if mixed := verdict(t, run(t, b, lamps, prove.Settings{Samples: few}), "output.rear.led-peak"); math.Abs(mixed.Value/one.Value-1) > 0.05 {
		t.Errorf("one LED or two: judged at %g, one alone %g", mixed.Value, one.Value)
	}
}

func TestDrawerIsCounted(t *testing.T) {
	b, lamps := demo(t)
	d := *b.Drawer
	d.Items = append(d.Items[:0:0], d.Items...)
	b.Drawer = &d
	for i := range d.Items {
		if d.Items[i].Part == "MMBT3904" {
			d.Items[i].Count = 1
		}
	}
	f := run(t, b, lamps, prove.Settings{Samples: few})
	if j := verdict(t, f, "drawer.MMBT3904"); j.Verdict != finding.Fails || j.Value != 1 || j.Limit != 2 || !strings.Contains(j.Mend, "buy 1") {
		t.Errorf("one transistor for two outputs: %+v", j)
	}
}

func TestDCIsJudgedWhereAsked(t *testing.T) {
	b, lamps := demo(t)
	b.Track.DC = build.Words(build.DCBoth)
	f := run(t, b, lamps, prove.Settings{Samples: few})
	// On DC the right rail is positive going forward (NEM 631), so a lamp on the left rail lights in reverse only.
	if j := verdict(t, f, "output.front.dc-forward-seen"); j.Verdict != finding.Fails {
		t.Errorf("a lamp on the left rail, DC forward: %s", j.Verdict)
	}
	if j := verdict(t, f, "output.front.dc-reverse-seen"); j.Verdict != finding.Holds {
		t.Errorf("a lamp on the left rail, DC reverse: %s", j.Verdict)
	}
}

// What an accidental short does, on hand figures: the pin into a base is limited by the pin alone
// ((5 − 0.9) V / (70 + 50) Ω is of the order of 40…160 mA against 40 mA), the plus on a collector makes the
// transistor burn gain × base current × 13 V, the plus on the chip's supply is far above its 6 V.
func TestSlips(t *testing.T) {
	b, lamps := demo(t)
	f := run(t, b, lamps, prove.Settings{Samples: few})
	outcome, hits := map[string]string{}, map[string]string{}
	for _, table := range f.Tables {
		if strings.HasPrefix(table.ID, "slips.") {
			for _, row := range table.Rows {
				outcome[row[0].Text], hits[row[0].Text] = row[4].Text, row[1].Text
				if row[4].Verdict == "" {
					t.Errorf("%s has no verdict", row[0].Text)
				}
			}
		}
	}
	for slip, want := range map[string]string{
		"chip pin PB0 touches the base of output front (past its resistor)": "kills it",
		"collector of output front touches the rectified plus, switched on": "kills it",
		"base of output front touches the rectified plus":                   "kills it",
		"chip supply touches the rectified plus":                            "kills it",
		"series resistor of output front bridged":                           "survives",
		"base of output front touches its collector":                        "harmless, but a lamp lights that is off",
		"collectors of outputs front and rear touch":                        "survives",
		"chip pin PB1 touches minus, switched on":                           "kills it",
		"chip pin PB1 touches the rectified plus":                           "kills it",
		"series resistor of output rear bridged":                            "survives",
		"collector of output rear touches the rectified plus, switched on":  "kills it",
		"base of output rear touches the rectified plus":                    "kills it",
		"chip pin PB1 touches the base of output rear (past its resistor)":  "kills it",
		"base of output rear touches its collector":                         "harmless, but a lamp lights that is off",
		"chip pin PB0 touches minus, switched on":                           "kills it",
		"chip pin PB0 touches the rectified plus":                           "kills it",
	} {
		if !strings.HasPrefix(outcome[slip], want) {
			t.Errorf("%s: %q, want %q", slip, outcome[slip], want)
		}
	}
	// What is hit is what the slip loads, not what stands high without it (the chip's supply at 5 of 6 V).
	for slip, want := range map[string]string{
		"chip pin PB0 touches the base of output front (past its resistor)": "chip pin PB0: pin current",
		"collector of output front touches the rectified plus, switched on": "switch of front: heat",
		"series resistor of output front bridged":                           "LED of front: peak current",
		"base of output front touches its collector":                        "series resistor of front: heat",
		"chip supply touches the rectified plus":                            "chip: supply voltage",
	} {
		if hits[slip] != want {
			t.Errorf("%s hits %q, want %q", slip, hits[slip], want)
		}
	}
}

// The figures show what the verdicts say: the light curve passes the mean that was judged, and the chosen
// point of the saturation figure lies past the knee.
func TestFiguresAgreeWithVerdicts(t *testing.T) {
	b, lamps := demo(t)
	f := run(t, b, lamps, prove.Settings{Samples: few, Figures: true})
	for _, fig := range f.Figures {
		switch fig.ID {
		case "output.front.light":
			j := verdict(t, f, "output.front.good")
			for k, u := range fig.Curves[0].X {
				if u == 14 {
					if low := fig.Shades[0].Low[k]; math.Abs(low/j.Value-1) > 0.01 {
						t.Errorf("the dimmest at 14 V is drawn at %g A and judged at %g A", low, j.Value)
					}
				}
			}
		case "output.front.saturation":
			var knee, chosen float64
			for _, m := range fig.Marks {
				if strings.HasPrefix(m.Label, "knee") {
					knee = m.X
				}
				if strings.HasPrefix(m.Label, "chosen") {
					chosen = m.X
				}
			}
			if knee <= 0 || chosen < 2*knee {
				t.Errorf("chosen %g A, knee %g A: not past it by a factor of two", chosen, knee)
			}
		}
	}
	if len(f.Figures) != 4 {
		t.Errorf("%d figures for two outputs", len(f.Figures))
	}
}

// Hand figures of the supply at the ceiling of 24 V (N): an MB6S (600 V) and a 78L05 (30 V) stand it, an AMS1117
// (15 V) does not. At 18 V the 78L05 drops about 18 − 1.4 − 5 = 11.6 V at the 8 mA + 6 mA that it and the
// chip draw at most plus base currents: 0.17 W, times 200 K/W and 1/0.6 in a closed car: some 57 K above 45 °C.
func TestSupplyRatings(t *testing.T) {
	b, lamps := demo(t)
	f := run(t, b, lamps, prove.Settings{Samples: few})
	heat := verdict(t, f, "supply.regulator-heat")
	if math.Abs(heat.Value-(45+57)) > 15 {
		t.Errorf("regulator at %g °C, by hand about 102 °C", heat.Value)
	}
	if j := verdict(t, f, "supply.regulator-voltage"); j.Verdict != finding.Holds {
		t.Errorf("78L05 at the ceiling: %s", j.Verdict)
	}
	b.Decoders[0].Supply.Regulator = build.Words("AMS1117-5.0")
	if j := verdict(t, run(t, b, lamps, prove.Settings{Samples: few}), "supply.regulator-voltage"); j.Verdict != finding.Fails || j.Mend == "" {
		t.Errorf("AMS1117 at the ceiling: %s (%g against %g), want fails", j.Verdict, j.Value, j.Limit)
	}
	b.Track.High = build.Given(unit.Volt(22))
	b.Decoders[0].Supply.Regulator = build.Words("78L05A (TO-92)")
	if j := verdict(t, run(t, b, lamps, prove.Settings{Samples: few}), "supply.regulator-heat"); j.Verdict != finding.Fails || !strings.Contains(j.Mend, "regulator") {
		t.Errorf("78L05 at 22 V: %s, %q", j.Verdict, j.Mend)
	}
}

// J-04: assembly instructions must mention each of these (general guidance of national safety bodies, from
// memory); and what design and trade add.
func TestCautionsAreThere(t *testing.T) {
	all := ""
	for _, c := range prove.Cautions(false) {
		all += c.Where + ": " + c.Text + "\n"
	}
	for _, want := range []string{"fume of flux", "Cover your eyes", "wash your hands", "electrolytic", "Disconnect the track before you measure resistance",
		"current limit", "not isolated from the mains", "Decoder minus is not a rail", "Off the track", "Local rules and qualified people"} {
		if !strings.Contains(all, want) {
			t.Errorf("no caution says %q", want)
		}
	}
	if c := prove.Cautions(true); !slices.ContainsFunc(c, func(c finding.Caution) bool { return strings.HasPrefix(c.Text, "Decoder minus is a rail itself") }) {
		t.Errorf("no caution says that the minus is a rail: %v", c)
	}
}

// Dimming by switching is judged by its frequency; a half-wave lamp is described rightly: half the light, some
// three quarters to four fifths as bright.
func TestDimmingAndHalfLight(t *testing.T) {
	for _, c := range []struct {
		dim  unit.Hertz
		want finding.Verdict
	}{{122, finding.Fails}, {1960, finding.Close}, {3906, finding.Holds}} {
		b, lamps := demo(t)
		o := &b.Decoders[0].Outputs[0]
		o.Brightness, o.Dim = build.Given(unit.Ratio(0.9)), build.Given(c.dim)
		f := run(t, b, lamps, prove.Settings{Samples: few})
		j := verdict(t, f, "output.front.flicker")
		if j.Verdict != c.want || (c.want != finding.Holds) != strings.Contains(j.Mend, "prescaler 8 gives 3.906 kHz") {
			t.Errorf("dimmed at %s: %s, mend %q; want %s", c.dim, j.Verdict, j.Mend, c.want)
		}
	}
	b, lamps := demo(t)
	b.Decoders[0].Outputs[0].Brightness = build.Given(unit.Ratio(0.9))
	f := run(t, b, lamps, prove.Settings{Samples: few})
	if j := verdict(t, f, "output.front.flicker"); j.Verdict != finding.Unknown {
		t.Errorf("dimmed at no stated frequency: %s", j.Verdict)
	}
	said := 0
	for _, n := range f.Notes {
		if n.Kind == "light" && strings.Contains(n.Text, "76 %") && strings.Contains(n.Text, "80 %") {
			said++
		}
	}
	if said != 2 {
		t.Errorf("%d of 2 half-wave lamps described", said)
	}
}

func TestCancelled(t *testing.T) {
	b, lamps := demo(t)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := prove.Prove(ctx, b, lamps, prove.Settings{}); err == nil {
		t.Error("a cancelled proof returned without an error")
	}
}

func BenchmarkProveTheDemo(b *testing.B) {
	f, lamps := demo(b)
	b.ReportAllocs()
	for b.Loop() {
		run(b, f, lamps, prove.Settings{})
	}
}

// BenchmarkProveByOutputs is the static proof of a decoder with more and more outputs, each with a lamp of its own: how its
// cost grows. No chip of the catalogue has sixteen pins to spare; the circuit does not mind.
func BenchmarkProveByOutputs(b *testing.B) {
	for _, n := range []int{1, 2, 4, 8, 16} {
		b.Run(fmt.Sprintf("%d", n), func(b *testing.B) {
			bb, lamps := demo(b)
			d, v := &bb.Decoders[0], &bb.Vehicles[0]
			d.Listen.Series = build.Given(unit.Ohm(27000))
			one, lamp := d.Outputs[0], v.Lamps[0]
			d.Outputs, v.Lamps = nil, nil
			for k := range n {
				o, l, name := one, lamp, fmt.Sprintf("lamp %d", k)
				o.Name, o.Lamp, o.From, l.Name = build.Words(name), build.Words(name), build.Words(fmt.Sprintf("pin %d", k)), build.Words(name)
				l.Pin = build.Quantity[int]{}
				d.Outputs, v.Lamps = append(d.Outputs, o), append(v.Lamps, l)
				p := *lamps["front"]
				lamps[name] = &p
			}
			for b.Loop() {
				if _, err := prove.Prove(context.Background(), bb, lamps, prove.Settings{}); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N*n), "ms/output")
		})
	}
}

// What was really soldered in is proven, not what was planned: a base resistor ten times too large and a switch of measured
// gain.
func TestFittedStandsForPlanned(t *testing.T) {
	b, lamps := demo(t)
	fit := func(attr string, x float64, text string) build.FittedValue {
		return build.FittedValue{Block: "output", Output: "front", Attr: attr, Number: x, Text: build.Words(text)}
	}
	b.Decoders[0].Fitted = &build.Fitted{Values: []build.FittedValue{fit("base", 99.3e3, "99.3 kΩ"), fit("hfe", 180, "180")}}
	f := run(t, b.AsBuilt(), lamps, prove.Settings{Samples: few})
	if j := verdict(t, f, "output.front.overdrive-high"); j.Verdict != finding.Fails || !strings.Contains(j.Mend, "99.3 kΩ") {
		t.Errorf("99.3 kΩ to the base: %s, %q", j.Verdict, j.Mend)
	}
	if f := run(t, b, lamps, prove.Settings{Samples: few}); verdict(t, f, "output.front.overdrive-high").Verdict != finding.Holds {
		t.Error("the design fails")
	}
	b.Decoders[0].Fitted.Values = b.Decoders[0].Fitted.Values[1:]
	f = run(t, b.AsBuilt(), lamps, prove.Settings{Samples: few})
	// Measured in a gain socket, ±10 %: 162 at the least, and 4.7 kΩ.
	if j := verdict(t, f, "output.front.overdrive-high"); j.Verdict != finding.Holds || !strings.Contains(j.Confidence, "measured by you (hFE 180)") {
		t.Errorf("a measured gain: %s at %g, %q", j.Verdict, j.Value, j.Confidence)
	}
}

// A PNP from the wrong bag in a low-side place never lets the lamp light: BC850B and MMBT2907A both carry 2F (marking index
// of the catalogue). MMBT3904 and BC846A both carry 1A and serve alike.
func TestLookAlikes(t *testing.T) {
	b, lamps := demo(t)
	b.Decoders[0].Outputs[0].Switch = build.Words("BC850B")
	for _, tab := range run(t, b, lamps, prove.Settings{Samples: few}).Tables {
		if tab.ID != "lookalikes.a" {
			continue
		}
		said := map[string]string{}
		for _, row := range tab.Rows {
			said[row[0].Text+" "+row[2].Text] = row[3].Text
		}
		if s := said["switch of output front, BC850B MMBT2907A"]; !strings.Contains(s, "lamp front: not good") {
			t.Errorf("a PNP for an NPN: %q", s)
		}
		if s := said["switch of output rear, MMBT3904 BC846A"]; !strings.Contains(s, "just as well") {
			t.Errorf("BC846A for MMBT3904: %q", s)
		}
		return
	}
	t.Error("no table of look-alikes")
}
