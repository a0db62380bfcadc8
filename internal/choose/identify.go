package choose

import (
	"fmt"
	"math"
	"strings"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/parts"
	"fettle/internal/require"
	"fettle/internal/unit"
)

// Identify tells what a part is, by its name or by the code on its body: every known part behind a marking,
// ranked and never as proof; how the leads lie; how a meter's diode test tells the look-alikes apart; and which
// would serve as a switch in the build and why not the others. b may be nil.
func Identify(query string, b *build.Build) finding.Findings {
	f := finding.Findings{Question: "part"}
	cat := parts.Load()
	scale := "N"
	if b != nil {
		f.Build, cat = b.Name(), b.Catalogue
		if len(b.Vehicles) > 0 && b.Vehicles[0].Scale.Text != "" {
			scale = b.Vehicles[0].Scale.Text
		}
	}
	var found []parts.Candidate
	if p, ok := cat.Find(query); ok {
		found = append(found, parts.Candidate{Part: p, How: "by name", Pinout: parts.Pinout(p.Common()), Test: parts.DiodeTest(p)})
	}
	byCode := cat.ByMarking(query, "")
	for _, c := range byCode {
		if len(found) == 1 && found[0].Part.Common().Name == c.Part.Common().Name {
			continue
		}
		found = append(found, c)
	}
	t := finding.Table{ID: "part.candidates", Title: "What it may be", Columns: []finding.Column{{Title: "part"}, {Title: "type"}, {Title: "package"}, {Title: "leads"}, {Title: "how known"}}}
	none := math.NaN()
	for k, c := range found {
		p := c.Part.Common()
		how := c.How
		if c.Maker != "" {
			how += ", " + c.Maker
		}
		if c.Memory {
			how += ", from memory"
		}
		t.Rows = append(t.Rows, []finding.Cell{{Text: p.Name, Number: none}, {Text: kindOf(c.Part), Number: none}, {Text: p.Package, Number: none}, {Text: c.Pinout, Number: none}, {Text: how, Number: none}})
		f.Values = append(f.Values, finding.Value{
			ID: "part." + p.Name, Name: fmt.Sprintf("candidate %d: %s", k+1, kindOf(c.Part)), Text: p.Name, Value: none, Low: none, High: none,
			Reason: strings.TrimSuffix(c.Pinout, "."), Method: how, Sure: "a marking is never proof: test it", Working: data(c.Part),
		})
		f.Verdicts = append(f.Verdicts, serves(c.Part, require.Ceiling(scale)))
	}
	f.Tables = append(f.Tables, t)
	f.Notes = append(f.Notes, codes(query)...)
	if len(found) == 0 && len(f.Notes) == 0 {
		text := "Nothing in the catalogue is called or marked so."
		if s := cat.Suggest(query); len(s) > 0 {
			text += " Did you mean " + strings.Join(s, ", ") + "?"
		}
		f.Notes = append(f.Notes, finding.Note{ID: "part.none", Kind: "catalogue", Text: text})
		f.Tables = nil
	}
	if len(found) > 0 {
		sep := parts.TellApart(found)
		for _, s := range sep.Packages {
			f.Notes = append(f.Notes, finding.Note{ID: "part.leads", Kind: "count the leads", Text: s})
		}
		for _, s := range sep.Steps {
			f.Notes = append(f.Notes, finding.Note{ID: "part.test", Kind: "diode test", Text: s.String()})
		}
		for k, s := range sep.Hints {
			who := ""
			if k < len(sep.Alike) {
				who = strings.Join(sep.Alike[k], ", ") + ": "
			}
			f.Notes = append(f.Notes, finding.Note{ID: "part.alike", Kind: "not told apart by the diode test", Text: who + s})
		}
		f.Cautions = append(f.Cautions, finding.Caution{Where: "testing", Text: "Test a part out of the circuit, or with the track disconnected. Hold it with tweezers: a small package flies far."})
	}
	return f
}

// codes says what the query means as a resistor's code.
func codes(query string) []finding.Note {
	readings, err := parts.ReadSMD(query)
	if err != nil {
		return nil
	}
	var notes []finding.Note
	for _, r := range readings {
		notes = append(notes, finding.Note{ID: "part.resistor", Kind: "as a chip resistor", Text: r.String()})
	}
	return notes
}

func kindOf(any parts.Any) string {
	switch p := any.(type) {
	case parts.BJT:
		return p.Polarity + " transistor"
	case parts.MOSFET:
		return p.Channel + "-channel MOSFET"
	case parts.Diode:
		return p.Type + " diode"
	}
	return any.Common().Kind
}

// serves says whether the part would serve as a low-side switch.
func serves(any parts.Any, ceiling unit.Volt) finding.Judgement {
	p := any.Common()
	j := finding.Judgement{ID: "part." + p.Name + ".serves", Subject: p.Name, Requirement: "would serve as a low-side switch", Verdict: finding.Reported,
		Value: math.NaN(), Limit: math.NaN(), Margin: math.NaN(), Source: p.Source, Method: "its sheet against the standard's ceiling"}
	t, ok := any.(parts.BJT)
	if !ok {
		j.Why = kindOf(any) + ": a low-side switch wants an NPN (MOSFETs come later)"
		return j
	}
	s := Suits(t, ceiling, 0.01)
	j.Why = s.Reason
	if s.Serves {
		j.Why = "yes: " + s.Reason
	} else {
		j.Why = "no: " + s.Reason
	}
	return j
}

// data is the sheet of a part as a working: figure, source, evidence.
func data(any parts.Any) *finding.Working {
	p := any.Common()
	w := &finding.Working{Title: p.Name, Hand: math.NaN(), Solver: math.NaN(), Sources: []string{p.Source}}
	line := func(say string, x float64, sym string) {
		if unit.Known(x) {
			w.Steps = append(w.Steps, finding.Step{Say: say, Result: x, Unit: sym})
		}
	}
	if t, ok := any.(parts.BJT); ok {
		line("VCEO", float64(t.VCEO), unit.SymVolt)
		line("VEBO", float64(t.VEBO), unit.SymVolt)
		line("IC max", float64(t.IC), unit.SymAmp)
		line("Ptot", float64(t.Ptot), unit.SymWatt)
		for _, g := range t.Gain {
			line(fmt.Sprintf("hFE at least, at %s and VCE %s", g.IC, g.VCE), g.Min, "")
		}
		for _, s := range t.VCEsat {
			line(fmt.Sprintf("VCE(sat) at most, at %s with IB %s", s.IC, s.IB), float64(s.Max), unit.SymVolt)
		}
	}
	if len(p.Memory) > 0 {
		w.Steps = append(w.Steps, finding.Step{Say: "from memory: " + strings.Join(p.Memory, ", "), Result: math.NaN()})
	}
	if p.Note != "" {
		w.Steps = append(w.Steps, finding.Step{Say: p.Note, Result: math.NaN()})
	}
	return w
}
