package require_test

import (
	"context"
	"math"
	"testing"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/require"
	"fettle/internal/survey"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

func network(t testing.TB) *wiring.Network {
	t.Helper()
	f, list, err := build.OpenFS(examples.FS, examples.Demo)
	if err != nil || list.HasErrors() {
		t.Fatal(err, list)
	}
	for i := range f.Build.Decoders[0].Outputs {
		o := &f.Build.Decoders[0].Outputs[i]
		o.Series, o.Base, o.Pulldown = build.Given(unit.Ohm(1000)), build.Given(unit.Ohm(4700)), build.Given(unit.Ohm(47000))
	}
	s, err := survey.Survey(context.Background(), f.Build, survey.Settings{})
	if err != nil {
		t.Fatal(err)
	}
	n, missing, err := wiring.NewNetwork(f.Build, &f.Build.Decoders[0], s.Lamps)
	if err != nil || len(missing) > 0 {
		t.Fatal(err, missing)
	}
	return n
}

// Around every edge: just below, at, just above a limit, and just inside and outside the 5 % of "close".
func TestJudgeAroundTheEdges(t *testing.T) {
	for _, c := range []struct {
		atLeast     bool
		limit       float64
		value       float64
		uncertainty float64
		want        finding.Verdict
	}{
		{true, 2, 1.999999, 0, finding.Fails},
		{true, 2, 2, 0, finding.Close},
		{true, 2, 2.0999, 0, finding.Close},
		{true, 2, 2.1001, 0, finding.Holds},
		{true, 2, 2.3, 0.4, finding.Close}, // by less than the stated uncertainty
		{false, 12, 12.00001, 0, finding.Fails},
		{false, 12, 12, 0, finding.Close},
		{false, 12, 11.41, 0, finding.Close},
		{false, 12, 11.39, 0, finding.Holds},
		{true, -6, -6.1, 0, finding.Fails},
		{true, -6, -5.8, 0, finding.Close},
		{true, -6, 0, 0, finding.Holds},
		{false, 1, math.NaN(), 0, finding.Unknown},
	} {
		r := require.Requirement{AtLeast: c.atLeast, Limit: c.limit}
		if got := r.Judge(c.value, c.uncertainty); got != c.want {
			t.Errorf("%g %s %g (±%g): %s, want %s", c.value, r.Sense(), c.limit, c.uncertainty, got, c.want)
		}
		if !math.IsNaN(c.value) && (r.Margin(c.value) < 0) != (r.Slack(c.value) < 0) {
			t.Errorf("%g %s %g: margin %g and slack %g disagree about the side", c.value, r.Sense(), c.limit, r.Margin(c.value), r.Slack(c.value))
		}
	}
}

// NMRA S-9.1 (7 March 2020) table 3: a decoder for N and smaller must stand 24 V at the track, larger ones 27 V.
func TestCeiling(t *testing.T) {
	for scale, want := range map[string]unit.Volt{"N": 24, "Z": 24, "": 24, "H0": 27, "0": 27} {
		if got := require.Ceiling(scale); got != want {
			t.Errorf("ceiling for %q %s, want %s", scale, got, want)
		}
	}
}

// The worked example of half-wave against full-wave feeding, computed from NEM 651's lack of a common plus:
// 14 V, LED 3.0 V, 1 kΩ, rectifier drop 0.7 V, VCE 0.2 V: 10.1 mA peak and 5.05 mA mean on one rail, 9.4 mA
// from the rectified plus. The solver has real junctions, so 6 % are allowed; the ratio of the means is the
// point.
func TestHalfWaveIsHalfTheLight(t *testing.T) {
	n := network(t)
	o := n.Outputs[0].Lights[0]
	half := require.LampMean(n, 0, n.Typical(), 14)
	if !o.HalfWave() || o.Sure != 0.5 {
		t.Fatal("the demo's front lamp hangs on one rail")
	}
	for i := range n.Vehicle.Lamps {
		n.Vehicle.Lamps[i].Feed = build.Words(build.RectifiedPlus)
	}
	lamps := lampsOf(n)
	m, _, err := wiring.NewNetwork(n.Build, n.Decoder, lamps)
	if err != nil {
		t.Fatal(err)
	}
	full := require.LampMean(m, 0, m.Typical(), 14)
	if got, want := full/half, 9.4/5.05; math.Abs(got/want-1) > 0.06 {
		t.Errorf("full-wave over half-wave %.3f, want about %.3f", got, want)
	}
}

// Every requirement measures something, has a limit, a source and a unit, and a worst case that no typical
// value exceeds.
func TestEveryRequirementIsWhole(t *testing.T) {
	n := network(t)
	if set := require.For(n); len(set.Requirements) < 40 {
		t.Fatalf("only %d requirements for two outputs", len(set.Requirements))
	}
	whole(t, n)
}

func whole(t *testing.T, n *wiring.Network) {
	t.Helper()
	set := require.For(n)
	typical := make([]float64, len(set.Requirements))
	set.On(n).Eval(n.Typical(), typical)
	seen := map[string]bool{}
	for q := range set.Requirements {
		r := &set.Requirements[q]
		if seen[r.ID] {
			t.Errorf("%s stands twice", r.ID)
		}
		seen[r.ID] = true
		if r.Source == "" || r.Sure == "" || r.Unit == "" || r.Words == "" || r.At == "" {
			t.Errorf("%s: source %q, sure %q, unit %q, words %q, at %q: none may be empty", r.ID, r.Source, r.Sure, r.Unit, r.Words, r.At)
		}
		w := set.One(q).On(n).Worst()[0]
		if math.IsNaN(w.Value) {
			t.Errorf("%s has no worst case", r.ID)
			continue
		}
		if r.Slack(w.Value) > r.Slack(typical[q])+1e-9 {
			t.Errorf("%s: worst %g is better than typical %g", r.ID, w.Value, typical[q])
		}
		if w.Say(n, r) == "" {
			t.Errorf("%s: the worst corner has no words", r.ID)
		}
		if k := set.Explain(n, q, w.Z, w.Value); k.Title == "" || len(k.Steps) == 0 {
			t.Errorf("%s has no working", r.ID)
		}
	}
}

// A subset measures what the whole set measures.
func TestSubsetsAgree(t *testing.T) {
	n := network(t)
	set := require.For(n)
	all := make([]float64, len(set.Requirements))
	z := n.Typical()
	for i, v := range n.Vars {
		if v.Levels == 0 {
			z[i] = []float64{-1, 1, 0.5}[i%3]
		}
	}
	set.On(n).Eval(z, all)
	for q := range set.Requirements {
		var one [1]float64
		set.One(q).On(n).Eval(z, one[:])
		if math.Abs(one[0]-all[q]) > 1e-7*math.Max(math.Abs(all[q]), 1e-6) {
			t.Errorf("%s: alone %g, with the others %g", set.Requirements[q].ID, one[0], all[q])
		}
	}
}

// BenchmarkSampleOfTheProof is one of the proof's samples on the demo: all states of two outputs.
func BenchmarkSampleOfTheProof(b *testing.B) {
	n := network(b)
	set := require.For(n)
	ev := set.On(n)
	out := make([]float64, len(set.Requirements))
	z := n.Typical()
	n.Learn(set.States, nil)
	n.Solver.SetStep(1e-4)
	b.ReportAllocs()
	for k := 0; b.Loop(); k++ {
		for i, v := range n.Vars {
			if v.Levels > 0 {
				z[i] = float64(k * 37 % v.Levels)
			} else {
				z[i] = math.Sin(float64(k*(i+3)) * 1.3)
			}
		}
		ev.Eval(z, out)
	}
	b.ReportMetric(float64(len(set.States)), "states/op")
}

// lampsOf are the lamps of a network as they were surveyed.
func lampsOf(n *wiring.Network) map[string]*wiring.LampPosterior {
	lamps := map[string]*wiring.LampPosterior{}
	for i := range n.Lamps {
		lamps[n.Lamps[i].Name] = n.Lamps[i].Post
	}
	return lamps
}

// What the proof calls the worst is what a network of its own gives at that very corner: nothing of the network that the
// requirements were made for may show in what is measured on its clones.
func TestTheWorstIsOfItsOwnCorner(t *testing.T) {
	n := network(t)
	set := require.For(n)
	proof, err := set.Prove(context.Background(), n, 20, 1, false, nil)
	if err != nil {
		t.Fatal(err)
	}
	for q := range set.Requirements {
		r, w := &set.Requirements[q], proof.Worst[q]
		m := n.Clone()
		one := require.For(m).One(q)
		out := make([]float64, 1)
		one.On(m).Eval(w.Z, out)
		if math.Abs(out[0]-w.Value) > 1e-4*math.Max(math.Abs(r.Limit), math.Abs(w.Value)) {
			t.Errorf("%s: %g claimed, %g at its corner", r.ID, w.Value, out[0])
		}
	}
}

// typical is a requirement's number with everything typical.
func typical(t *testing.T, n *wiring.Network, id string) float64 {
	t.Helper()
	set := require.For(n)
	out := make([]float64, len(set.Requirements))
	set.On(n).Eval(n.Typical(), out)
	for q := range set.Requirements {
		if set.Requirements[q].ID == id {
			return out[q]
		}
	}
	t.Fatalf("no requirement %s", id)
	return 0
}

// What is measured against hand arithmetic, everything typical: the demo with 1 kΩ in series, 4.7 kΩ to the base,
// 47 kΩ pull-down; ambient 25 °C (5 to 45 °C).
func TestByHand(t *testing.T) {
	n := network(t)
	for _, c := range []struct {
		id         string
		want, part float64
		hand       string
	}{
		{"output.front.good", 2.6e-3, 0.03, "(14 − 0.7 bridge − 2.85 LED − 0.1 switch) / (1 kΩ + 1 kΩ) = 5.2 mA peak; one polarity: half"},
		{"output.front.never-above-peak", 7.15e-3, 0.03, "(18 − 0.75 − 2.9 − 0.1) / 2 kΩ"},
		{"output.front.series-power", 51e-3, 0.06, "(24 − 0.75 − 2.95 − 0.1) / 2 kΩ = 10.1 mA; 10.1² · 1 kΩ / 2"},
		{"output.front.base-power", 3.9e-3, 0.06, "(5 − 0.72) / 4.72 kΩ = 0.91 mA all the time, whatever the polarity; 0.91² · 4.7 kΩ"},
		{"output.front.pin-current", 0.905e-3, 0.03, "the same 0.91 mA"},
		{"output.front.pulldown-voltage", 0.72, 0.07, "VBE of a silicon switch"},
		{"output.front.pulldown-power", 11e-6, 0.15, "0.72² / 47 kΩ"},
		{"output.front.vceo", 22, 0.05, "24 − 0.5 bridge − 1.5 LED at leakage"},
		{"chip.total", 1.81e-3, 0.03, "two pins of 0.905 mA"},
		{"supply.regulator-current", 6.8e-3, 0.05, "5 mA of the chip at 8 MHz and two pins of 0.905 mA"},
		{"chip.supply-high", 5, 0.01, "the regulator's own 5 V"},
		{"supply.contact", 32.7e-3, 0.05, "7 mA chip and pins, 3 mA regulator; (24 − 0.8 − 2.95 − 0.1)/2 kΩ = 10.1 mA front; (24 − 0.8 − 1.95 − 0.1)/1.68 kΩ = 12.6 mA rear"},
	} {
		if got := typical(t, n, c.id); math.Abs(got/c.want-1) > c.part {
			t.Errorf("%s: %.4g, by hand %.4g ± %g %%: %s", c.id, got, c.want, 100*c.part, c.hand)
		}
	}
	// Gain: MMBT3904 hFE 100…300 at 10 mA is 173 in the middle by ratio; 0.89 mA · 173 / 7.15 mA.
	if got := typical(t, n, "output.front.overdrive-high"); math.Abs(got/21.5-1) > 0.1 {
		t.Errorf("overdrive %.3g, by hand 21.5", got)
	}
}

// The chip's pin as the regulator feeds it (ATtiny24/44/84 8006H, DC characteristics): VOH 4.3 V at 10 mA and 5 V, so
// at most 70 Ω, and 2.5 V at 5 mA and 3 V, so at most 100 Ω. In between by a power law: 70 · (3.3/5)^−0.698 = 94 Ω.
func TestPinFollowsTheSupply(t *testing.T) {
	n := network(t)
	for _, c := range []struct {
		vcc unit.Volt
		i   unit.Amp
	}{{5, 0.010}, {5.5, 0.010}, {3.3, 0.005}, {3, 0.005}, {2.7, 0.005}} {
		if p := require.PinPoint(n.Chip, c.vcc); p.I != c.i {
			t.Errorf("at %s the level is guaranteed at %s, want %s", c.vcc, p.I, c.i)
		}
	}
	n.Decoder.Supply.Regulator = build.Words("LP2950C-3.3")
	lamps := lampsOf(n)
	m, _, err := wiring.NewNetwork(n.Build, n.Decoder, lamps)
	if err != nil {
		t.Fatal(err)
	}
	z := m.Typical()
	for k, v := range m.Vars {
		if v.Owner == "chip pin" && v.Name == "VOH" {
			z[k] = 1
		}
	}
	m.Set(z)
	if r := m.PinNow().RHigh; math.Abs(float64(r)-94) > 2 {
		t.Errorf("weakest pin at 3.3 V: %s, by hand 94 Ω", r)
	}
}

// A lamp on the right rail draws in the other polarity: what the supply gives is the greater of both.
func TestBusyPolarity(t *testing.T) {
	n := network(t)
	before := typical(t, n, "supply.contact")
	for i := range n.Vehicle.Lamps {
		n.Vehicle.Lamps[i].Feed = build.Words(build.RightRail)
	}
	lamps := lampsOf(n)
	turned := func() float64 {
		m, _, err := wiring.NewNetwork(n.Build, n.Decoder, lamps)
		if err != nil {
			t.Fatal(err)
		}
		return typical(t, m, "supply.contact")
	}
	if got := turned(); math.Abs(got/before-1) > 1e-3 {
		t.Errorf("all on the right rail: %g A, on the left %g A", got, before)
	}
	n.Vehicle.Lamps[0].Feed = build.Words(build.LeftRail)
	if got, less := turned(), before-0.010; math.Abs(got/less-1) > 0.05 {
		t.Errorf("one on each rail: %g A; without the front lamp's 10 mA %g A", got, less)
	}
}

// A peak that is written is of one LED; without one the limit of the mean stands for both.
func TestPeakLimit(t *testing.T) {
	n := network(t)
	limit := func() (float64, float64) {
		set := require.For(n)
		for q := range set.Requirements {
			if r := &set.Requirements[q]; r.ID == "output.rear.never-above-peak" {
				return r.Limit, typical(t, n, r.ID)
			}
		}
		return 0, 0
	}
	if l, _ := limit(); l != 0.010 {
		t.Errorf("limit %g, want never_above", l)
	}
	_, all := limit()
	p := *n.Lamps[1].Post
	p.Samples = append([]wiring.LampParams(nil), p.Samples...)
	for i := range p.Samples {
		p.Samples[i].Parallel = 2
	}
	n.Lamps[1].Post = &p
	n.Lamps[1].Lamp.PeakAbove = build.Given(unit.Amp(0.02))
	if l, each := limit(); l != 0.02 || each > 0.55*all {
		t.Errorf("limit %g, want the peak written; each %g of %g", l, each, all)
	}
}
