package daybook

import (
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"strings"

	"fettle/internal/build"
	"fettle/internal/diag"
	"fettle/internal/experiment"
	"fettle/internal/live"
	"fettle/internal/parts"
	"fettle/internal/render"
)

// A tried experiment is a card with the readings that were typed in.
type tried struct {
	card     *experiment.BaseDrive
	part     string
	meter    string
	rows     []rowView
	lines    []string
	readings []experiment.Reading
	gain     *experiment.Gain
	problems diag.List
}

// tryBase sets the card up and takes the readings of a form: fields "r:WHAT", each a value.
func tryBase(b *build.Build, form url.Values) (*tried, error) {
	t := &tried{part: strings.TrimSpace(form.Get("part"))}
	if t.part == "" {
		t.part = experiment.Usual
		if on := b.Drawer.Transistors(parts.NPN); len(on) > 0 {
			t.part = on[0].Part
		}
	}
	bjt, ok := b.Catalogue.BJT(t.part)
	if !ok {
		words := fmt.Sprintf("no transistor is called %q", t.part)
		if near := b.Catalogue.Suggest(t.part, parts.KindTransistor); len(near) > 0 {
			words += "; did you mean " + strings.Join(near, " or ") + "?"
		}
		t.problems.Add("part-unknown", diag.Range{}, "%s", words)
		return t, nil
	}
	if len(b.Meters) > 0 {
		t.meter = b.Meters[0].Name.Text
	}
	spec, _ := b.MeterSpec(t.meter)
	t.meter = spec.Name
	var err error
	if t.card, err = experiment.NewBaseDrive(bjt, b.Drawer, spec); err != nil {
		return nil, err
	}
	what := []string{"supply", "collector"}
	docs := []string{"its voltage, measured", "the collector resistor, measured"}
	for _, r := range t.card.Ladder {
		what = append(what, r.R.String())
		doc := "voltage at the collector"
		if !r.Have {
			doc += "; not in the drawer"
		}
		docs = append(docs, doc)
	}
	for i, w := range what {
		text := strings.TrimSpace(form.Get("r:" + w))
		t.rows = append(t.rows, rowView{ID: fmt.Sprintf("rung-%d", i), Field: "r:" + w, Name: w, Doc: docs[i], Text: text})
		if text != "" {
			t.lines = append(t.lines, w+" = "+text)
		}
	}
	t.readings, t.problems = experiment.ParseReadings("readings", strings.Join(t.lines, "\n"))
	if len(t.readings) > 0 && !t.problems.HasErrors() {
		g, err := t.card.Infer(t.readings)
		if err != nil {
			t.problems.Add("readings-tell-nothing", diag.Range{}, "%v", err)
			return t, nil
		}
		t.gain = &g
	}
	return t, nil
}

// showExperiments is the card of the base drive: what the meter will show, and what its readings tell.
func (d *Daybook) showExperiments(w http.ResponseWriter, r *http.Request) {
	b, ok := d.book(w, r)
	if !ok {
		return
	}
	rev := b.Now()
	if rev.Folder == nil {
		d.trouble(w, r, b, rev.Problems)
		return
	}
	query := r.URL.Query()
	t, err := tryBase(rev.Folder.Build, query)
	if err != nil {
		status, a := wrong(err)
		d.sayWrong(w, r, status, a, err)
		return
	}
	v := &view{r: r, book: b, Base: home(b), ids: map[string]int{}}
	data := struct {
		Base, Part, Words       string
		Rows                    []rowView
		Wrong                   []string
		Kept                    bool
		Learned                 []field
		Plates                  []plate
		Values, Notes, Cautions template.HTML
		Tables                  []template.HTML
		Hidden                  []field
	}{Base: v.Base, Part: t.part, Rows: t.rows, Words: experiment.Cards()[0].Words, Kept: query.Get("kept") != ""}
	for _, p := range t.problems {
		data.Wrong = append(data.Wrong, p.Message)
	}
	if t.card != nil {
		readings := t.readings
		if t.problems.HasErrors() {
			readings = nil
		}
		f, err := t.card.Findings(readings, t.gain)
		if err != nil {
			status, a := wrong(err)
			d.sayWrong(w, r, status, a, err)
			return
		}
		for _, fig := range f.Figures {
			p := v.plate(fig)
			p.SVG, p.CSV = "", ""
			data.Plates = append(data.Plates, p)
		}
		if len(f.Values) > 0 {
			data.Values = render.Values(f.Values, v.options("value-"))
		}
		for _, x := range f.Tables {
			data.Tables = append(data.Tables, render.Table(x, v.options("table-")))
		}
		if len(f.Notes) > 0 {
			data.Notes = render.Notes(f.Notes)
		}
		if len(f.Cautions) > 0 {
			data.Cautions = render.Cautions(f.Cautions)
		}
	}
	if t.gain != nil {
		data.Hidden = append(data.Hidden, field{"part", t.part})
		for _, row := range t.rows {
			if row.Text != "" {
				data.Hidden = append(data.Hidden, field{row.Field, row.Text})
			}
		}
	}
	d.execute(w, r, "Experiments", "experiments", data)
}

// keepExperiment keeps the readings of a card, and writes what they tell into the drawer.
func (d *Daybook) keepExperiment(w http.ResponseWriter, r *http.Request) {
	b, ok := d.book(w, r)
	if !ok || !d.form(w, r) {
		return
	}
	rev := b.Now()
	if rev.Folder == nil {
		d.answer(w, r, b, nil, rev.Problems)
		return
	}
	rev, err := learn(b, rev, r.PostForm)
	if err == nil {
		q := url.Values{"kept": {"1"}}
		for name := range r.PostForm {
			if name == "part" || strings.HasPrefix(name, "r:") {
				q.Set(name, r.PostForm.Get(name))
			}
		}
		r.PostForm.Set("back", home(b)+"experiments?"+q.Encode())
	}
	d.answer(w, r, b, rev, err)
}

func learn(b *live.Book, rev *live.Revision, form url.Values) (*live.Revision, error) {
	t, err := tryBase(rev.Folder.Build, form)
	if err != nil {
		return nil, err
	}
	if t.problems.HasErrors() {
		return nil, t.problems
	}
	if t.gain == nil {
		return nil, fmt.Errorf("no reading was given, so there is nothing to keep")
	}
	// Kept before anything is made of them: what was read is never lost.
	if err := b.KeepExperiment(experiment.Cards()[0].Name, t.part, t.meter, t.readings); err != nil {
		return nil, err
	}
	return b.Learn("gain of "+t.part, t.part, t.gain.Learned())
}
