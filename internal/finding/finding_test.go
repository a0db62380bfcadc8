package finding_test

import (
	"testing"

	"fettle/internal/finding"
)

// The verdict of the whole: fails before unknown before close before holds before reported; what fettle itself
// still owes does not count.
func TestWorst(t *testing.T) {
	h, c, x, u, r := finding.Holds, finding.Close, finding.Fails, finding.Unknown, finding.Reported
	owed := finding.Judgement{Verdict: u, Why: finding.NotBuilt + ": board"}
	late := finding.Judgement{Verdict: u, Why: finding.NotRun}
	of := func(vs ...finding.Verdict) []finding.Judgement {
		var js []finding.Judgement
		for _, v := range vs {
			js = append(js, finding.Judgement{Verdict: v, Why: "no reading"})
		}
		return js
	}
	for _, test := range []struct {
		verdicts []finding.Judgement
		want     finding.Verdict
	}{
		{nil, u},
		{of(h), h},
		{of(r), r},
		{of(r, h), h},
		{of(h, c, h), c},
		{of(c, u), u},
		{of(u, x, h), x},
		{append(of(h), owed, late), h},
		{[]finding.Judgement{owed}, u},
	} {
		if got := (finding.Findings{Verdicts: test.verdicts}).Worst(); got != test.want {
			t.Errorf("%v: %s, want %s", test.verdicts, got, test.want)
		}
	}
	for _, j := range of(u, h) {
		if j.NotYet() {
			t.Errorf("%s because of %q counts as owed by fettle", j.Verdict, j.Why)
		}
	}
}

// A verdict is a word and a shape before it is a colour: five different shapes.
func TestShapesDiffer(t *testing.T) {
	seen := map[string]finding.Verdict{}
	for _, v := range []finding.Verdict{finding.Holds, finding.Close, finding.Fails, finding.Unknown, finding.Reported} {
		if other, ok := seen[v.Shape()]; ok {
			t.Errorf("%s and %s share the shape %s", v, other, v.Shape())
		}
		seen[v.Shape()] = v
	}
}
