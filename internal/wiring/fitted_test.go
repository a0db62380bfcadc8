package wiring_test

import (
	"math"
	"testing"

	"fettle/internal/build"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// Resistors that were measured lie within what the meter leaves open: each within its own digits, all of one range together
// within its gain. An ordinary hand meter, range to 19.99 kΩ: 0.8 % and 2 digits of 10 Ω; range to 199.9 kΩ: 2 digits of
// 100 Ω (package meter). A resistor that was read off keeps its tolerance, one that is as designed too.
func TestMeasuredResistorsShareTheirMeter(t *testing.T) {
	b, lamps := demo(t)
	measured := func(output, attr string, r unit.Ohm) build.FittedValue {
		return build.FittedValue{Block: "output", Output: output, Attr: attr, Number: float64(r), Text: build.Words(r.String()), Meter: build.Words(build.HandMeter)}
	}
	marked := measured("rear", "series", 1000)
	marked.Meter = build.Text{}
	b.Decoders[0].Fitted = &build.Fitted{Values: []build.FittedValue{
		measured("front", "base", 4680), measured("rear", "base", 4710), measured("rear", "pulldown", 46.8e3), marked,
		{Block: "listen", Attr: "series", Number: 9950, Text: build.Words("9.95 kΩ"), Meter: build.Words(build.HandMeter)},
		{Block: "output", Output: "front", Attr: "switch", Number: math.NaN(), Text: build.Words("BC847B")},
		{Block: "output", Output: "front", Attr: "hfe", Number: 310, Text: build.Words("310")},
	}}
	built := b.AsBuilt()
	n, missing, err := wiring.NewNetwork(built, &built.Decoders[0], lamps)
	if err != nil || len(missing) > 0 {
		t.Fatal(err, missing)
	}
	if q := n.Outputs[0].Switch; q.Name != "BC847B" || q.Measured.HFE != 310 {
		t.Errorf("the transistor that was used: %s, %+v", q.Name, q.Measured)
	}
	gauges := map[string]int{}
	for k, v := range n.Vars {
		if v.Owner == build.HandMeter {
			gauges[v.Say(1)] = k
		}
	}
	if len(gauges) != 2 {
		t.Fatalf("two ranges were used: %v", gauges)
	}
	gain := gauges["reads +0.8 % on its range to 19.99 kΩ"]
	own := func(owner string) int {
		for k, v := range n.Vars {
			if v.Owner == owner && v.Name == "tolerance" {
				return k
			}
		}
		t.Fatal(owner)
		return 0
	}
	ohm := func(m *wiring.Network, i int, attr string) float64 {
		r, _ := m.Outputs[i].Resistor(attr)
		return float64(m.Solver.Resistance(r.Elem))
	}
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got/want-1) > 1e-9 {
			t.Errorf("%s: %.6g, want %.6g", what, got, want)
		}
	}
	for _, m := range []*wiring.Network{n, n.Clone()} {
		z := m.Typical()
		m.Set(z)
		near("typical", ohm(m, 0, "base"), 4680)
		z[gain] = 1 // the meter shows too much
		m.Set(z)
		near("front", ohm(m, 0, "base"), 4680/1.008)
		near("rear", ohm(m, 1, "base"), 4710/1.008)
		// What was compared with one standard adds up its error, not the squares: JCGM 100:2008, 5.2.2, example (from memory).
		near("together", ohm(m, 0, "base")+ohm(m, 1, "base"), (4680+4710)/1.008)
		near("ear", float64(m.Solver.Resistance(m.Ear.Series)), 9950/1.008)
		near("on another range", ohm(m, 1, "pulldown"), 46.8e3)
		near("read off", ohm(m, 1, "series"), 1000)
		z[own("base resistor of output front")] = -1
		m.Set(z)
		near("its own digits", ohm(m, 0, "base"), (4680-20)/1.008)
		near("not the other's", ohm(m, 1, "base"), 4710/1.008)
		z[gain] = -1
		m.Set(z)
		near("both", ohm(m, 0, "base"), (4680-20)/0.992)
		z[own("series resistor of output rear")] = 1
		m.Set(z)
		near("by the part's tolerance", ohm(m, 1, "series"), 1050)
	}
	// Another value in its place is not the one that was measured.
	n.Nominal(0, "base", 10e3)
	z := n.Typical()
	z[gain], z[own("base resistor of output front")] = 1, 1
	n.Set(z)
	near("another", ohm(n, 0, "base"), 10.5e3)
}
