package experiment

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"fettle/internal/build"
	"fettle/internal/meter"
	"fettle/internal/unit"
)

// leakOf is the card on a bench with a described meter.
func leakOf(t *testing.T, subject string) *Leak {
	t.Helper()
	b := described()
	b.Meter, b.Subject = "yellow", subject
	return set[*Leak](t, setLeak, b)
}

func leakRead(word string, at, v float64) Reading {
	return Reading{Word: word, At: at, Unit: unit.SymVolt, Value: v}
}

// By hand: 5.000 V, 47 kΩ beside the meter's 1 MΩ is 44.89 kΩ; 2.800 V across it are 62.37 µA, and 2.200 V over them 35.27 kΩ.
// 1 MΩ before a meter of 1 MΩ halves the voltage. 12 mV alone over 1 MΩ are 12 nA.
func TestLeakByHand(t *testing.T) {
	c := leakOf(t, "pull-up")
	l, err := c.Infer([]Reading{leakRead("supply", 0, 5), leakRead("over", 47e3, 2.8)})
	if err != nil || !l.Known || math.Abs(l.At/35.27e3-1) > 0.01 || !(l.Low < 35.27e3 && l.High > 35.27e3) || l.Low < 32e3 || l.High > 39e3 {
		t.Errorf("%+v %v", l, err)
	}
	l, err = c.Infer([]Reading{leakRead("supply", 0, 5), leakRead("through", 1e6, 2.5)})
	if err != nil || l.Known || math.Abs(l.Input/1e6-1) > 0.01 || l.InLow > 0.96e6 || l.InHigh < 1.04e6 || l.InLow < 0.92e6 {
		t.Errorf("%+v %v", l, err)
	}
	if got, _ := c.learned(l); len(got.Edits) != 1 || got.Edits[0].Attr != "input" || strings.Join(got.Edits[0].Path, " ") != "meter yellow range 1" {
		t.Errorf("%+v", got)
	}
	c = leakOf(t, "2N7002")
	l, err = c.Infer([]Reading{leakRead("supply", 0, 5), leakRead("alone", 0, 0.012)})
	if err != nil || math.Abs(l.At/12e-9-1) > 0.05 || l.Low > 11e-9 || l.High < 13e-9 || l.Below {
		t.Errorf("%+v %v", l, err)
	}
	if got, _ := c.learned(l); got.Part != "2N7002" || !strings.HasPrefix(got.Cells["idss_measured"], "4.99 V: 1") || got.New != nil {
		t.Errorf("%+v", got)
	}
	// What the meter cannot tell from nothing is an upper bound.
	l, err = c.Infer([]Reading{leakRead("supply", 0, 5), leakRead("alone", 0, 0.001)})
	if got, _ := c.learned(l); err != nil || !l.Below || l.Low != 0 || !strings.HasPrefix(got.Cells["idss_measured"], "< ") {
		t.Errorf("%+v %+v %v", l, got, err)
	}
}

// A meter that the build file does not describe may have anything from 1 to 11 MΩ; with its own input read the interval is narrow.
func TestLeakInput(t *testing.T) {
	b := described()
	b.Meter, b.Subject = "yellow", "board"
	b.Build.Meters[0].Ranges[0].Input = build.Quantity[unit.Ohm]{}
	c := set[*Leak](t, setLeak, b)
	wide, err := c.Infer([]Reading{leakRead("supply", 0, 5), leakRead("alone", 0, 1)})
	if err != nil || !wide.AssumedInput || wide.High/wide.Low < 5 {
		t.Errorf("%+v %v", wide, err)
	}
	// 1 MΩ before 10 MΩ leaves 4.545 V; 1 V alone is then 40 MΩ.
	narrow, err := c.Infer([]Reading{leakRead("supply", 0, 5), leakRead("alone", 0, 1), leakRead("through", 1e6, 4.545)})
	if err != nil || narrow.AssumedInput || narrow.High/narrow.Low > 1.3 || !(narrow.Low < 40e6 && 40e6 < narrow.High) {
		t.Errorf("%+v %v", narrow, err)
	}
}

// Planted pull-ups that are no resistors (stronger by a tenth near plus, as a transistor is) and leakages that rise with the
// voltage, read by a meter whose input resistance is 2 % off: the true resistance or current at the voltage of the reading lies
// inside the interval. 500 seeds of each were run (docs/experiments.md), 40 of them here.
func TestPlantedLeak(t *testing.T) {
	const cases = 40
	inside, n, width := 0, 0, 0.0
	pull, leak := leakOf(t, "pull-up"), leakOf(t, "2N7002")
	for k := range cases {
		rng := rand.New(rand.NewPCG(uint64(k), 505))
		h := newHand(pull.Meter, rng)
		vs, rin := 5*(1+h.even(0.04)), 1e6*(1+h.even(0.02))
		supply := leakRead("supply", 0, h.read(t, meter.DCVoltage, vs))
		r0, load := 20e3*math.Pow(2.5, rng.Float64()), 47e3*(1+h.even(0.05))
		of := func(v float64) float64 { return r0 * (1 + 0.1*(vs-v)/vs) }
		v := vs / 2
		for range 100 {
			v = vs * parallel(rin, load) / (parallel(rin, load) + of(v))
		}
		l, err := pull.Infer([]Reading{supply, leakRead("over", 47e3, h.read(t, meter.DCVoltage, v))})
		if err != nil {
			t.Fatal(k, err)
		}
		n++
		width += (l.High/l.Low - 1) / 2
		if x := of(v); l.Low <= x && x <= l.High {
			inside++
		}
		i0 := 20e-9 * math.Pow(100, rng.Float64())
		at := func(v float64) float64 { return i0 * (1 + (vs-v)/20) * -math.Expm1(-(vs-v)/0.026) }
		low, high := 0.0, vs
		for range 60 {
			if v = (low + high) / 2; v/rin < at(v) {
				low = v
			} else {
				high = v
			}
		}
		l, err = leak.Infer([]Reading{supply, leakRead("alone", 0, h.read(t, meter.DCVoltage, v))})
		if err != nil {
			t.Fatal(k, err)
		}
		n++
		if x := at(v); l.Low <= x && x <= l.High {
			inside++
		}
	}
	t.Logf("inside %d of %d, pull-ups ±%.1f %%", inside, n, 100*width/cases)
	if inside < n*95/100 {
		t.Errorf("the planted leak lies inside the interval in %d of %d", inside, n)
	}
	if width/cases > 0.15 {
		t.Errorf("pull-ups are known to ±%.0f %%", 100*width/cases)
	}
}

func TestLeakRefuses(t *testing.T) {
	c := leakOf(t, "pull-up")
	for why, rs := range map[string][]Reading{
		"contradict":       {leakRead("supply", 0, 5), leakRead("over", 47e3, 2.8), leakRead("over", 10e3, 3)},
		"all of the suppl": {leakRead("supply", 0, 5), leakRead("through", 10e3, 5.01)},
	} {
		if l, err := c.Infer(rs); err == nil || !strings.Contains(err.Error(), why) {
			t.Errorf("%s: %v %+v", why, err, l)
		}
	}
	if _, _, err := c.Findings([]Reading{leakRead("supply", 0, 5)}); err == nil || !strings.Contains(err.Error(), "tells nothing") {
		t.Error(err)
	}
	for s, says := range map[string]string{"2N7003": "did you mean", "bord": "also takes pull-up, reset and board"} {
		b := described()
		b.Subject = s
		if _, err := setLeak(b); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %v", s, err)
		}
	}
	for wrong, says := range map[string]string{"over 47 = 2 V": "did you mean over 47 kΩ?", "ovr 47k = 2 V": "did you mean over?", "alone = 40 V": "40 V, where", "through = 2 V": "none of"} {
		if rs, list := Parse("--reading", wrong, "", c.Terms()); len(rs) != 0 || len(list) != 1 || !strings.Contains(list[0].Message, says) {
			t.Errorf("%q: %+v %v", wrong, rs, list)
		}
	}
	// What was found is held against the sheet in words, each way.
	for _, x := range []struct {
		subject, says string
		l             Leaked
	}{
		{"pull-up", "weaker than any", Leaked{Low: 60e3, High: 70e3}}, {"pull-up", "stronger than any", Leaked{Low: 10e3, High: 15e3}}, {"pull-up", "as its sheet has it", Leaked{Low: 30e3, High: 40e3}},
		{"board", "flux", Leaked{At: 1e5, Low: 0.9e5, High: 1.1e5}}, {"board", "clean", Leaked{Low: 1e9, High: 2e9}},
		{"2N7002", "leaks more", Leaked{Low: 2e-6, High: 3e-6}}, {"2N7002", "no more than", Leaked{Low: 1e-9, High: 2e-9}}, {"2N7002", "leaves open", Leaked{Low: 1e-9, High: 2e-3}},
	} {
		if s := leakOf(t, x.subject).judge(x.l); !strings.Contains(s, x.says) {
			t.Errorf("%s %+v: %s", x.subject, x.l, s)
		}
	}
}
