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
	o := &n.Outputs[0]
	half := require.LampMean(n, 0, n.Typical(), 14)
	if !o.HalfWave || require.DCCShare(o) != 0.5 {
		t.Fatal("the demo's front lamp hangs on one rail")
	}
	for i := range n.Vehicle.Lamps {
		n.Vehicle.Lamps[i].Feed = build.Words(build.RectifiedPlus)
	}
	lamps := map[string]*wiring.LampPosterior{}
	for i := range n.Outputs {
		lamps[n.Outputs[i].LampName] = n.Outputs[i].Post
	}
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
	set := require.For(n)
	if len(set.Requirements) < 40 {
		t.Fatalf("only %d requirements for two outputs", len(set.Requirements))
	}
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
	n.Learn(set.States)
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
