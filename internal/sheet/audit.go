package sheet

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"

	"fettle/internal/draw"
	"fettle/internal/finding"
	"fettle/internal/render"
)

//go:embed audit.html
var auditSource string

var auditPage = template.Must(template.New("audit").Parse(auditSource))

// Audit is the page of an audited recording, in the dress of the build sheet: what to look at, the signal drawn, what a decoder
// makes of it, what was on the track, every rule.
func Audit(f finding.Findings, t Title) ([]byte, error) {
	s := setter{ids: map[string]int{}}
	v := struct {
		Title                                Title
		State                                finding.Verdict
		Tally                                string
		Style                                template.CSS
		Clear                                bool
		Look, Rules, Values, Notes, Cautions template.HTML
		Plates                               []plate
		Tables                               []template.HTML
	}{Title: t, State: f.Worst(), Tally: render.Tally(f.Verdicts), Style: render.CSS + template.CSS(draw.CSS) + CSS, Plates: s.plates(f.Figures)}
	judged, _ := render.Ordered(f.Verdicts)
	var look []finding.Judgement
	for _, j := range judged {
		if j.Verdict == finding.Fails || j.Verdict == finding.Close || j.Verdict == finding.Unknown {
			look = append(look, j)
		}
	}
	v.Clear = len(look) == 0 && len(judged) > 0
	if len(look) > 0 {
		v.Look = render.Verdicts(look, s.options("look-"))
	}
	if len(judged) > 0 {
		v.Rules = render.Verdicts(judged, s.options("rule-"))
	}
	if len(f.Values) > 0 {
		v.Values = render.Values(f.Values, s.options("value-"))
	}
	for _, t := range f.Tables {
		if len(t.Rows) > 0 {
			v.Tables = append(v.Tables, render.Table(t, s.options("table-")))
		}
	}
	if len(f.Notes) > 0 {
		v.Notes = render.Notes(f.Notes)
	}
	if len(f.Cautions) > 0 {
		v.Cautions = render.Cautions(f.Cautions)
	}
	var b bytes.Buffer
	if err := auditPage.Execute(&b, v); err != nil {
		return nil, fmt.Errorf("setting the audit: %w", err)
	}
	return b.Bytes(), nil
}
