package work_test

import (
	"context"
	"math"
	"testing"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/require"
	"fettle/internal/work"
)

// Every demo folder is proven: nothing fails, and what is unknown is only what is not built yet.
func TestDemosAreProven(t *testing.T) {
	for _, name := range examples.Names {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			f, list, err := build.OpenFS(examples.FS, name)
			if err != nil || len(list) > 0 {
				t.Fatal(err, list)
			}
			p, err := (&work.Runner{Samples: 400}).Prove(context.Background(), f, false)
			if err != nil {
				t.Fatal(err)
			}
			for _, j := range p.Findings.Verdicts {
				if j.Verdict == finding.Fails || j.Verdict == finding.Unknown && !j.NotYet() {
					t.Errorf("%s (%s), %s: %s: %s %s %s", j.Subject, j.ID, j.Requirement, j.Verdict, j.Why, j.Worst, j.Mend)
				}
			}
			for _, n := range p.Findings.Notes {
				if n.Kind == "defect" {
					t.Errorf("%s: %s", n.ID, n.Text)
				}
			}
		})
	}
}

// What is counted by an estimate is counted as if it had been computed: every verdict, yield and worst value of the demos is
// that of the proof that computes every sample.
func TestEstimatesCountRightly(t *testing.T) {
	for _, name := range examples.Names {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			f, _, err := build.OpenFS(examples.FS, name)
			if err != nil {
				t.Fatal(err)
			}
			const samples = 3000
			quick, err := (&work.Runner{Samples: samples}).Prove(context.Background(), f, false)
			if err != nil {
				t.Fatal(err)
			}
			full, err := (&work.Runner{Samples: samples, Full: true}).Prove(context.Background(), f, false)
			if err != nil {
				t.Fatal(err)
			}
			sampled := 0
			for i, a := range quick.Findings.Verdicts {
				b := full.Findings.Verdicts[i]
				if a.ID != b.ID || a.Verdict != b.Verdict || (a.Yield == nil) != (b.Yield == nil) {
					t.Fatalf("%s %s, in full %s %s", a.ID, a.Verdict, b.ID, b.Verdict)
				}
				if a.Yield == nil {
					continue
				}
				sampled++
				if *a.Yield != *b.Yield {
					t.Errorf("%s: %+v, in full %+v", a.ID, *a.Yield, *b.Yield)
				}
				// What holds by a factor of three may be passed by a sample (package require), which need not be computed.
				far := b.Sense == "≤" && require.FarAway*b.Value <= b.Limit || b.Sense == "≥" && b.Value >= require.FarAway*b.Limit
				if math.Abs(a.Value-b.Value) > 1e-5*math.Abs(b.Limit) && !far {
					t.Errorf("%s: worst %g, in full %g, limit %g", a.ID, a.Value, b.Value, b.Limit)
				}
			}
			if sampled < 40 {
				t.Errorf("only %d verdicts were sampled", sampled)
			}
		})
	}
}
