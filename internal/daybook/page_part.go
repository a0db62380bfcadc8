package daybook

import (
	"html/template"

	"fettle/internal/choose"
	"fettle/internal/diag"
	"fettle/internal/leads"
)

// mostMeasured is the longest text of readings between leads.
const mostMeasured = 5000

// showPart tells what a part is: by its name, by the code on its body, or by what a meter shows between its leads.
func showPart(v *view) (string, any) {
	type data struct {
		Action, Query, Package, Measured, Forms string
		Problems                                []problemJSON
		Parts                                   []template.HTML
	}
	q := v.r.URL.Query()
	p := data{Action: v.Base + "part", Query: q.Get("query"), Package: q.Get("package"), Measured: q.Get("measured"), Forms: leads.Forms}
	b := v.rev.Folder.Build
	var list diag.List
	switch {
	case len(p.Query)+len(p.Package)+len(p.Measured) > mostMeasured:
		list.Add("too-long", diag.Range{}, "that is more than a part has to say")
	case p.Measured != "":
		var readings []leads.Reading
		if readings, list = leads.Parse("readings", p.Measured); list.HasErrors() {
			break
		}
		opts := leads.Options{Package: p.Package, Catalogue: b.Catalogue, Marking: leads.Marked(b.Catalogue, p.Query, p.Package)}
		if p.Query != "" && len(opts.Marking) == 0 {
			list.Add("part-unknown", diag.Range{}, "nothing in the catalogue is called %q or marked so; without it the readings are held against everything", p.Query)
			break
		}
		p.Parts = v.parts(leads.Identify(readings, opts).Findings(), "part-")
	case p.Query != "":
		p.Parts = v.parts(choose.IdentifyIn(p.Query, p.Package, b), "part-")
	}
	for _, x := range list {
		p.Problems = append(p.Problems, problem(x))
	}
	return "part", p
}
