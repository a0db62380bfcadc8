package defect_test

import (
	"context"
	"math"
	"strings"
	"testing"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/defect"
	"fettle/internal/survey"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// A resistor that was measured before it was soldered in is hardly one of another value; it breaks and is bridged like any
// other, and what belongs in its place is what was designed.
func TestMeasuredIsHardlyAnotherValue(t *testing.T) {
	f, list, err := build.OpenFS(examples.FS, examples.Demo)
	if err != nil || list.HasErrors() {
		t.Fatal(err, list)
	}
	d := &f.Build.Decoders[0]
	d.Listen.Series = build.Given(unit.Ohm(27e3))
	for i := range d.Outputs {
		o := &d.Outputs[i]
		o.Series, o.Base, o.Pulldown = build.Given(unit.Ohm(1000)), build.Given(unit.Ohm(4700)), build.Given(unit.Ohm(47e3))
	}
	s, err := survey.Survey(context.Background(), f.Build, survey.Settings{})
	if err != nil {
		t.Fatal(err)
	}
	of := func(b *build.Build) map[string]defect.Hypothesis {
		n, missing, err := wiring.NewNetwork(b, &b.Decoders[0], s.Lamps)
		if err != nil || len(missing) > 0 {
			t.Fatal(err, missing)
		}
		hs, err := defect.Hypotheses(n, defect.Options{Pairs: -1})
		if err != nil {
			t.Fatal(err)
		}
		m := map[string]defect.Hypothesis{}
		for _, h := range hs {
			m[h.ID] = h
		}
		return m
	}
	plain := of(f.Build)
	hand := build.Words(build.HandMeter)
	d.Fitted = &build.Fitted{Values: []build.FittedValue{
		{Block: "output", Output: "front", Attr: "base", Number: 4680, Text: build.Words("4.68 kΩ"), Meter: hand},
		{Block: "output", Output: "rear", Attr: "base", Number: 4700, Text: build.Words("4.7 kΩ")}, // read off
		{Block: "listen", Attr: "series", Number: 26.8e3, Text: build.Words("26.8 kΩ"), Meter: hand},
	}}
	built := of(f.Build.AsBuilt())
	for id, want := range map[string]float64{
		"output.front.base.times-10": 0.1, "output.front.base.tenth": 0.1, "output.front.base.open": 1, "output.front.base.short": 1,
		"output.front.series.times-10": 1, "output.rear.base.times-10": 1, "ear.10": 0.1, "ear.open": 1,
	} {
		a, b := plain[id], built[id]
		if a.Prior == 0 || math.Abs(b.Prior/a.Prior-want) > 1e-9 {
			t.Errorf("%s: %g of %g, want %g times", id, b.Prior, a.Prior, want)
		}
	}
	if h := built["output.front.base.tenth"]; !strings.Contains(h.Repair, "fit 4.7 kΩ") {
		t.Errorf("repair %q", h.Repair)
	}
}
