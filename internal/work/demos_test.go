package work_test

import (
	"context"
	"testing"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/finding"
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
