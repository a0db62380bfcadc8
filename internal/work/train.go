package work

import (
	"fmt"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/train"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// shown makes the proof of every output the evidence for the train: a lamp that is still seen at the lowest track
// voltage is lit, one whose current is less is dim, one without any is dark.
func shown(b *build.Build, f finding.Findings) train.Evidence {
	verdict := map[string]*finding.Judgement{}
	for i := range f.Verdicts {
		verdict[f.Verdicts[i].ID] = &f.Verdicts[i]
	}
	seen := map[train.Rail]string{train.Alternating: "seen", train.RightPositive: "dc-forward-seen", train.LeftPositive: "dc-reverse-seen"}
	return func(d *build.Decoder, o *build.Output, l *build.Lamp, r train.Rail) train.Shown {
		id := wiring.OutputID(b, d, o)
		if j := verdict[id+".lamp"]; j != nil && j.Verdict == finding.Fails {
			return train.Shown{Known: true, Say: fmt.Sprintf("%s fails: lamp %s, %s", j.ID, l.Name.Text, j.Requirement)}
		}
		j := verdict[id+".lamp."+l.Name.Text+"."+seen[r]]
		if j == nil {
			j = verdict[id+"."+seen[r]]
		}
		if j == nil {
			return train.Shown{}
		}
		switch j.Verdict {
		case finding.Holds, finding.Close:
			return train.Shown{Known: true, State: train.Lit}
		case finding.Fails:
			s := train.Shown{Known: true, State: train.Dark, Say: fmt.Sprintf("%s fails: %s where %s is wanted", j.ID, unit.Format(j.Value, j.Unit, 3), unit.Format(j.Limit, j.Unit, 3))}
			if j.Value > 0 {
				s.State = train.Dim
			}
			return s
		}
		return train.Shown{}
	}
}
