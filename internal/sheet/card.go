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

//go:embed card.html
var cardSource string

var cardPage = template.Must(template.New("card").Parse(cardSource))

// Card is the page of an experiment, in the dress of the build sheet: how to do it, what the meter will show with the readings
// over it, what was learned.
func Card(f finding.Findings, t Title) ([]byte, error) {
	s := setter{ids: map[string]int{}}
	v := struct {
		Title                   Title
		Style                   template.CSS
		Values, Notes, Cautions template.HTML
		Plates                  []plate
		Tables                  []template.HTML
	}{Title: t, Style: render.CSS + template.CSS(draw.CSS) + CSS, Plates: s.plates(f.Figures)}
	if len(f.Values) > 0 {
		v.Values = render.Values(f.Values, s.options("value-"))
	}
	for _, t := range f.Tables {
		v.Tables = append(v.Tables, render.Table(t, s.options("table-")))
	}
	if len(f.Notes) > 0 {
		v.Notes = render.Notes(f.Notes)
	}
	if len(f.Cautions) > 0 {
		v.Cautions = render.Cautions(f.Cautions)
	}
	var b bytes.Buffer
	if err := cardPage.Execute(&b, v); err != nil {
		return nil, fmt.Errorf("setting the card: %w", err)
	}
	return b.Bytes(), nil
}
