package choose

import (
	"math"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/parts"
	"fettle/internal/require"
	"fettle/internal/unit"
)

// Identify tells what a part is, by its name or by the code on its body (parts.Answer), and adds which of the
// candidates would serve as a switch in the build and why not the others.
func Identify(query string, b *build.Build) finding.Findings {
	f, _ := parts.Answer(query, "", b.Catalogue, b.Drawer)
	f.Build = b.Name()
	scale := ""
	if len(b.Vehicles) > 0 {
		scale = b.Vehicles[0].Scale.Text
	}
	seen := map[string]bool{}
	add := func(any parts.Any) {
		if name := any.Common().Name; !seen[name] {
			seen[name] = true
			if j, ok := serves(any, require.Ceiling(scale)); ok {
				f.Verdicts = append(f.Verdicts, j)
			}
		}
	}
	if p, ok := b.Catalogue.Find(query); ok {
		add(p)
	}
	for _, c := range b.Catalogue.ByMarking(query, "") {
		add(c.Part)
	}
	return f
}

// serves says whether a three-legged part would serve as a low-side switch; ok is false for all others.
func serves(any parts.Any, ceiling unit.Volt) (j finding.Judgement, ok bool) {
	p := any.Common()
	j = finding.Judgement{ID: "part." + p.Name + ".serves", Subject: p.Name, Requirement: "would serve as a low-side switch", Verdict: finding.Reported,
		Value: math.NaN(), Limit: math.NaN(), Margin: math.NaN(), Source: p.Source, Method: "its sheet against the standard's ceiling"}
	switch t := any.(type) {
	case parts.BJT:
		s := Suits(t, ceiling, about)
		j.Why = "no: " + s.Reason
		if s.Serves {
			j.Why = "yes: " + s.Reason
		}
	case parts.MOSFET:
		j.Why = finding.NotBuilt + ": MOSFET switches"
		j.Verdict = finding.Unknown
	default:
		return j, false
	}
	return j, true
}
