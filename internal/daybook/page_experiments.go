package daybook

import (
	"context"
	"fmt"
	"html/template"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"fettle/internal/diag"
	"fettle/internal/experiment"
	"fettle/internal/finding"
	"fettle/internal/live"
)

// A trial is a card set up, with what was read on it.
type trial struct {
	kind     experiment.Kind
	card     experiment.Card
	given    url.Values // card, of, meter, readings, and for each step "r:LEFT", its left side
	rows     []rowView  // the steps
	readings []experiment.Reading
	findings finding.Findings
	learned  experiment.Learned
	problems diag.List
	wrong    string // why there is no card, or why the readings teach nothing
}

// mostReadings is the longest text of readings.
const mostReadings = 20000

// trialOf sets a card up for the newest revision. Not ok: there is no card of that name.
func trialOf(ctx context.Context, b *live.Book, form url.Values) (*trial, bool, error) {
	kind, _, ok := experiment.Find(form.Get("card"))
	if !ok {
		return nil, false, nil
	}
	t := &trial{kind: kind, given: url.Values{}}
	for _, name := range []string{"card", "of", "meter", "readings"} {
		if text := strings.TrimSpace(form.Get(name)); text != "" {
			t.given.Set(name, text)
		}
	}
	rev := b.Now()
	if rev.Folder == nil {
		return nil, true, rev.Problems
	}
	f := rev.Folder.Build
	bench := experiment.Bench{Build: f, Meter: t.given.Get("meter"), Subject: t.given.Get("of")}
	if bench.Meter == "" && len(f.Meters) > 0 {
		bench.Meter = f.Meters[0].Name.Text
	}
	if kind.Surveyed {
		p, err := b.Proved(ctx)
		if err != nil {
			return nil, true, err
		}
		bench.Lamps = p.Lamps
	}
	var err error
	if t.card, err = kind.Set(bench); err != nil {
		t.wrong = err.Error()
		return t, true, nil
	}
	text := t.steps(form) + t.given.Get("readings")
	if len(text) > mostReadings {
		t.wrong = "these are more readings than a hand takes"
		text = ""
	}
	t.readings, t.problems = experiment.Parse("readings", text, kind.Example, t.card.Terms())
	if t.problems.HasErrors() {
		t.readings = nil
	}
	if t.findings, t.learned, err = t.card.Findings(t.readings); err != nil {
		t.wrong = err.Error()
		t.findings, _, _ = t.card.Findings(nil)
	}
	return t, true, nil
}

// steps takes what was read at each step of the card, and at steps that it does not have, as lines of readings. Two steps may have
// the same left side, such as a resistor and what it is good for.
func (t *trial) steps(form url.Values) string {
	var lines strings.Builder
	line := func(left, value string) {
		if value = strings.TrimSpace(value); value != "" {
			t.given.Add("r:"+left, value)
			lines.WriteString(left + " = " + value + "\n")
		}
	}
	taken := map[string]int{}
	for _, term := range t.card.Terms() {
		for _, left := range term.Ask {
			name := "r:" + left
			row := rowView{ID: fmt.Sprintf("step-%d", len(t.rows)), Field: name, Name: left, Doc: term.Dim.Name}
			if len(term.Looks) > 0 {
				row.Doc += ", and how it looked: " + strings.Join(term.Looks, ", ")
			}
			if values := form[name]; taken[left] < len(values) {
				row.Text = strings.TrimSpace(values[taken[left]])
			}
			taken[left]++
			line(left, row.Text)
			t.rows = append(t.rows, row)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(form)) {
		if left, ok := strings.CutPrefix(name, "r:"); ok {
			for _, value := range form[name][min(taken[left], len(form[name])):] {
				line(left, value)
			}
		}
	}
	return lines.String()
}

// showExperiments lists the cards, and shows one: how to wire it, what the meter will show, and what was read says.
func (d *Daybook) showExperiments(w http.ResponseWriter, r *http.Request) {
	b, ok := d.book(w, r)
	if !ok {
		return
	}
	if rev := b.Now(); rev.Folder == nil {
		d.trouble(w, r, b, rev.Problems)
		return
	}
	type cardLink struct {
		To, Name, Words string
		Here            bool
	}
	data := struct {
		Base, Action, Card, Title, Example, Of, Meter, Readings, Wrong, Learned string
		Print                                                                   string // the card on a sheet of its own
		Kinds                                                                   []cardLink
		Meters                                                                  []string
		Rows                                                                    []rowView
		Problems                                                                []problemJSON
		Taken                                                                   bool
		Plates                                                                  []plate
		Parts                                                                   []template.HTML
	}{Base: home(b), Action: home(b) + "experiments"}
	q := r.URL.Query()
	if q.Get("card") != "" {
		t, ok, err := trialOf(r.Context(), b, q)
		if err != nil {
			status, a := wrong(err)
			d.sayWrong(w, r, status, a, err)
			return
		}
		if !ok {
			d.say(w, r, http.StatusNotFound, "No such card", "There is no card of that name.")
			return
		}
		v := &view{r: r, book: b, Base: home(b), ids: map[string]int{}}
		data.Card, data.Example, data.Wrong, data.Taken = t.kind.Name, t.kind.Example, t.wrong, len(t.readings) > 0
		data.Of, data.Meter, data.Readings = t.given.Get("of"), t.given.Get("meter"), t.given.Get("readings")
		data.Title = t.kind.Name
		for _, p := range t.problems {
			data.Problems = append(data.Problems, problem(p))
		}
		data.Rows = t.rows
		if t.card != nil {
			data.Title, data.Learned = t.card.Title(), t.learned.Words
			data.Print = data.Base + "experiments/card?" + t.given.Encode()
			for _, f := range t.findings.Figures {
				p := v.plate(f)
				q := maps.Clone(t.given)
				q.Set("figure", f.ID)
				p.keptAt(data.Base+"experiments/figure", q)
				p.Open = data.Taken
				data.Plates = append(data.Plates, p)
			}
			data.Parts = v.parts(t.findings, "card-")
		}
		for _, m := range b.Now().Folder.Build.Meters {
			data.Meters = append(data.Meters, m.Name.Text)
		}
	}
	for _, k := range experiment.Kinds() {
		data.Kinds = append(data.Kinds, cardLink{"experiments?card=" + url.QueryEscape(k.Name), k.Name, k.Words, k.Name == data.Card})
	}
	_, _ = b.Proved(r.Context()) // for the title block
	d.execute(w, r, "Experiments", "experiments", data)
}

// experimentFigure is a figure of a card as a file.
func (d *Daybook) experimentFigure(w http.ResponseWriter, r *http.Request) {
	b, ok := d.book(w, r)
	if !ok {
		return
	}
	q := r.URL.Query()
	if t, ok, err := trialOf(r.Context(), b, q); err == nil && ok {
		i := slices.IndexFunc(t.findings.Figures, func(f finding.Figure) bool { return f.ID == q.Get("figure") })
		if as := q.Get("as"); i >= 0 && kept(as) {
			keep(w, t.kind.Name, t.findings.Figures[i], as)
			return
		}
	}
	d.say(w, r, http.StatusNotFound, "No such figure", "This card has no figure of that name now.")
}

// experiment keeps the readings of a card and, with the field "learn", writes what they teach. What was read is kept first, whatever
// comes of it.
func (d *Daybook) experiment(w http.ResponseWriter, r *http.Request) {
	b, ok := d.book(w, r)
	if !ok || !d.form(w, r) {
		return
	}
	t, ok, err := trialOf(r.Context(), b, r.PostForm)
	switch {
	case err != nil:
	case !ok:
		d.say(w, r, http.StatusNotFound, "No such card", "There is no card of that name.")
		return
	case t.problems.HasErrors():
		err = t.problems
	case len(t.readings) == 0:
		var list diag.List
		list.Add("reading-missing", diag.Range{}, "no reading was written down: %s", t.kind.Example)
		err = list
	default:
		err = b.KeepExperiment(t.kind.Name, t.card.Subject(), t.card.By(), t.readings)
	}
	rev := b.Now()
	if err == nil && r.PostForm.Get("learn") != "" && t.wrong == "" {
		rev, err = b.Learn(t.learned)
	}
	if err == nil {
		r.PostForm.Set("back", home(b)+"experiments?"+t.given.Encode())
	}
	d.answer(w, r, b, rev, err)
}
