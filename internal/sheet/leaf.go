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

//go:embed leaf.html
var leafSource string

var leafPage = template.Must(template.Must(sheetPage.Clone()).New("leaf").Parse(leafSource))

// A Drawing is set on a leaf in two widths, for the page and for a phone.
type Drawing struct {
	Title, Caption string
	Draw           func(draw.Options) string
}

// Leaf is the answer to one question as a page of its own: drawings, then findings with their figures. It has no title
// block, for it belongs to no build.
func Leaf(title string, f finding.Findings, drawings []Drawing) ([]byte, error) {
	s := setter{ids: map[string]int{}}
	var plates []plate
	for _, d := range drawings {
		s.number++
		plates = append(plates, plate{s.number, d.Title, d.Caption, template.HTML(d.Draw(draw.Options{Width: wide, ID: s.id("wide")})),
			template.HTML(d.Draw(draw.Options{Width: narrow, ID: s.id("narrow")}))})
	}
	plates = append(plates, s.plates(f.Figures)...)
	f.Figures = nil
	var b bytes.Buffer
	err := leafPage.Execute(&b, struct {
		Title  string
		Style  template.CSS
		Plates []plate
		Rest   template.HTML
	}{title, render.CSS + template.CSS(draw.CSS) + CSS, plates, render.HTML(f, s.options(""))})
	if err != nil {
		return nil, fmt.Errorf("setting the page: %w", err)
	}
	return b.Bytes(), nil
}
