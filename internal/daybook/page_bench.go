package daybook

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"fettle/internal/bench"
	"fettle/internal/build"
	"fettle/internal/diag"
	"fettle/internal/finding"
	"fettle/internal/live"
	"fettle/internal/render"
	"fettle/internal/sheet"
	"fettle/internal/work"
)

// soon is the answer of long work at the bench if it comes soon. If not, the work goes on, and a page that comes again by itself
// says how far it is. Not ok: the answer to the browser was given.
func soon[T any](d *Daybook, w http.ResponseWriter, r *http.Request, b *live.Book, title, words, decoder string, ask func(ctx context.Context, decoder string) (T, error)) (answer T, ok bool) {
	rev := b.Now()
	if rev.Folder == nil {
		d.trouble(w, r, b, rev.Problems)
		return answer, false
	}
	if decoder != "" && !slices.ContainsFunc(rev.Folder.Build.Decoders, func(x build.Decoder) bool { return x.Name.Text == decoder }) {
		d.say(w, r, http.StatusNotFound, "No such decoder", "This build has no decoder \""+decoder+"\".")
		return answer, false
	}
	made := d.flight.DoChan(strings.Join([]string{title, b.Name(), rev.ID, decoder}, "\n"), func() (any, error) { return ask(context.Background(), decoder) })
	select {
	case m := <-made:
		if m.Err != nil {
			d.notAsked(w, r, b, title, m.Err)
			return answer, false
		}
		answer, ok = m.Val.(T)
		return answer, ok
	case <-r.Context().Done():
		return answer, false
	case <-time.After(patience):
	}
	w.Header().Set("Refresh", "1")
	d.execute(w, r, title, "waiting", struct {
		Title, Words, Home string
		Now                live.Doing
	}{title, words, home(b), b.Doing()})
	return answer, false
}

// notAsked says why a question has no answer.
func (d *Daybook) notAsked(w http.ResponseWriter, r *http.Request, b *live.Book, title string, err error) {
	var list diag.List
	switch {
	case errors.As(err, &list):
		d.trouble(w, r, b, list)
	case errors.Is(err, context.Canceled):
		d.say(w, r, http.StatusConflict, "Stopped", "It was stopped before its end. Open the page again to have it done.")
	default:
		d.execute(w, r, title, "notyet", struct{ Title, Words, Home string }{title, err.Error(), home(b)})
	}
}

const sheetWaits = "Which readings are worth taking, and what each should show, follows from what every fault would do. That is worked out once for a circuit and takes some seconds."

// readView is a reading that was taken.
type readView struct {
	Text, Date string
	State      finding.Verdict
}

// benchRow is one reading of the sheet with its box.
type benchRow struct {
	*bench.Row
	View        *benchView
	ID, Next    string     // of its box, and of the box after it
	To          string     // the page with it in front
	Expect      string     // "4.71 V to 5.12 V"
	Read        []readView // the last one first
	Means       string     // where that is off: what it points to
	Under, Over string     // what a reading below and one above would point to
	Here        bool       // it is in front
}

type benchGroup struct {
	Bring string
	Rows  []*benchRow
}

type benchStep struct {
	ID, Name string
	Number   int
	Do, Care []string
	Groups   []benchGroup
	Tally    string
	State    finding.Verdict
}

// benchView is the bench of one decoder.
type benchView struct {
	Action, Print, Faults string
	Decoder               string // "" where there is but one
	Decoders              []string
	Feed, Meter           string
	Caught, Of            int    // single faults
	Room                  string // for which probes room would be wanted
	Samples               int
	Tally                 string
	Off                   int
	Last                  []string // what was said of the reading that was taken last
	LastState             finding.Verdict
	Front                 *benchRow
	FrontStep             *benchStep
	FrontPoints           template.HTML
	Probes                *plate
	Later                 string        // the page with the next one in front
	Problems              []problemJSON // lines of readings.csv that were left out
	Notes                 []string      // readings that contradict one another
	Steps                 []*benchStep
	Besides               template.HTML
	Strike                *strikeView // nil: nothing was read
	Tools                 formView
	Reach                 template.HTML
	Cautions              template.HTML
}

// showBench is the order of work that brings a new board to life, with a box at each reading.
func (d *Daybook) showBench(w http.ResponseWriter, r *http.Request) {
	b, ok := d.book(w, r)
	if !ok {
		return
	}
	if s, ok := soon(d, w, r, b, "Bench", sheetWaits, r.URL.Query().Get("decoder"), b.Bench); ok {
		d.build("Bench", func(v *view) (string, any) { return "bench", v.bench(s) })(w, r)
	}
}

// inFront is the reading that stands in front: the one that is named, else the first after another that was not taken, else the first;
// −1 where all were taken.
func inFront(rows []*benchRow, at, after string) int {
	first, past := -1, false
	for i, x := range rows {
		switch {
		case x.Test == at:
			return i
		case len(x.Read) == 0 && past:
			first, past = i, false // the first after it
		case len(x.Read) == 0 && first < 0:
			first = i
		}
		past = past || x.Test == after
	}
	return first
}

// bench is the sheet with what was read.
func (v *view) bench(s *work.Bench) *benchView {
	p := &benchView{Action: v.Base + "bench", Print: v.Base + "bench/sheet", Faults: v.Base + "faults", Feed: s.Sheet.Feed(), Meter: s.Sheet.Meter.Name, Samples: s.Sheet.Samples}
	own := url.Values{} // of the decoder, where there are several
	for i := range v.rev.Folder.Build.Decoders {
		p.Decoders = append(p.Decoders, v.rev.Folder.Build.Decoders[i].Name.Text)
	}
	if len(p.Decoders) > 1 {
		p.Decoder = s.Sheet.Decoder
		own.Set("decoder", p.Decoder)
		p.Print, p.Faults = p.Print+"?"+own.Encode(), p.Faults+"?"+own.Encode()
	}
	taken, list := s.Taken()
	for _, x := range list {
		p.Problems = append(p.Problems, problem(x))
	}
	of := map[string][]bench.Taken{}
	for _, t := range taken {
		of[t.Row.Test] = append(of[t.Row.Test], t)
		if t.Note != "" {
			p.Notes = append(p.Notes, t.Note)
		}
	}
	if n := len(taken); n > 0 {
		p.LastState = s.Sheet.Judgement(taken[n-1]).Verdict
		p.Last = strings.Split(strings.TrimPrefix(s.Sheet.Told(taken[n-1]), p.LastState.Shape()+" "), "\n")
	}
	at := v.r.URL.Query().Get("at")
	if r, ok := s.Sheet.Row(at); !ok || r.Number == 0 {
		at = ""
	}
	var rows []*benchRow
	var steps []*benchStep // of each row
	read := 0
	for i := range s.Sheet.Steps {
		st := &s.Sheet.Steps[i]
		step := &benchStep{ID: st.ID, Name: st.Name, Number: i + 1, Do: st.Do, Care: sheet.Care(s, st)}
		done := 0
		for _, g := range st.Groups() {
			group := benchGroup{Bring: g[0].Bring}
			for k := range g {
				r := &g[k]
				own.Set("at", r.Test)
				x := &benchRow{Row: r, View: p, ID: fmt.Sprintf("n-%d", r.Number), To: p.Action + "?" + own.Encode() + "#front", Expect: s.Sheet.Says(r),
					Under: bench.Points(r.Below, r.More[0]), Over: bench.Points(r.Above, r.More[1])}
				for _, t := range slices.Backward(of[r.Test]) {
					x.Read = append(x.Read, readView{s.Sheet.Value(r, t.Value), t.Date, s.Sheet.Judgement(t).Verdict})
				}
				if len(x.Read) > 0 {
					done++
					if step.State == "" {
						step.State = finding.Holds
					}
					last := of[r.Test][len(of[r.Test])-1]
					if off := r.Judge(last.Value); off != bench.Holds {
						step.State, x.Means = finding.Fails, r.Means(off)
						p.Off++
					}
				}
				if n := len(rows); n > 0 {
					rows[n-1].Next = x.ID
				}
				rows = append(rows, x)
				steps = append(steps, step)
				group.Rows = append(group.Rows, x)
			}
			step.Groups = append(step.Groups, group)
		}
		read += done
		step.Tally = fmt.Sprintf("%d of %d read", done, len(st.Rows))
		p.Steps = append(p.Steps, step)
	}
	p.Tally = fmt.Sprintf("%d of %d read", read, len(rows))
	if len(taken) > 0 {
		p.Tally += fmt.Sprintf(", %d off", p.Off)
	}
	if i := inFront(rows, at, v.r.URL.Query().Get("after")); i >= 0 {
		x := rows[i]
		p.Front, p.FrontStep, x.Here = x, steps[i], true
		own.Del("at")
		own.Set("after", x.Test)
		p.Later = p.Action + "?" + own.Encode() + "#front"
		p.FrontPoints = render.Notes(slices.DeleteFunc(s.Sheet.Explain(x.Row).Notes, func(n finding.Note) bool { return n.Kind == "where" || n.Kind == "setup" || n.Kind == "meter" }))
		if drawn, ok := v.probed(s.Sheet.Decoder, probesOf(x.Point, x.Against, x.Setup)); ok && !x.Look {
			p.Probes = &drawn
		}
	}
	p.Besides = besides(s.Sheet, taken)
	p.Strike = v.strikingBench()
	p.Tools = v.form("", blockAt("bench"), "", "bench")
	p.Tools.Rows, p.Tools.More = append(p.Tools.Rows, p.Tools.More...), nil
	verdict, misses := s.Sheet.Untestable()
	p.Caught, p.Of, p.Room = s.Sheet.Caught, s.Sheet.Faults, verdict.Mend
	if len(misses.Rows) > 0 {
		p.Reach = render.Table(misses, v.options("reach-"))
	}
	p.Cautions = render.Cautions(slices.DeleteFunc(s.Sheet.Cautions(), func(c finding.Caution) bool { return strings.HasPrefix(c.Where, "probing ") })) // those of one point stand at their step
	return p
}

// besides are the readings that were taken and are not on the sheet.
func besides(s *bench.Sheet, taken []bench.Taken) template.HTML {
	t := finding.Table{Columns: []finding.Column{{Title: "red → black"}, {Title: "setup"}, {Title: "expect"}, {Title: "read"}, {Title: "date"}}}
	for _, x := range taken {
		if x.Row.Number > 0 {
			continue
		}
		read := finding.Cell{Text: s.Value(x.Row, x.Value), Verdict: s.Judgement(x).Verdict}
		t.Rows = append(t.Rows, []finding.Cell{{Text: x.Row.Probes()}, {Text: x.Row.Bring}, {Text: s.Says(x.Row)}, read, {Text: x.Date}})
	}
	if len(t.Rows) == 0 {
		return ""
	}
	return render.Table(t, render.HTMLOptions{})
}

// The longest text of readings that a hand types or pastes, and a note.
const (
	mostTyped = 20000
	mostNote  = 200
)

// takeReading takes readings down: the fields decoder, test (the reading of the sheet that was meant) and reading, what the meter
// showed; and note. Without a test each line of reading says where it was taken, as on the command line, or it is a table as fettle
// bench --readings takes one. They are kept all or none, and judged at once.
func (d *Daybook) takeReading(w http.ResponseWriter, r *http.Request) {
	b, ok := d.book(w, r)
	if !ok || !d.form(w, r) {
		return
	}
	s, err := b.Bench(r.Context(), r.PostForm.Get("decoder"))
	if err != nil {
		d.answer(w, r, b, nil, err)
		return
	}
	taken, lines, list := readingsOf(s, r.PostForm)
	if list.HasErrors() {
		d.answer(w, r, b, nil, list)
		return
	}
	words := fmt.Sprintf("%d readings", len(taken))
	if len(taken) == 1 {
		words = "reading " + taken[0].Row.Probes() + " = " + lines[0].Text
	}
	rev, err := b.AppendBench(words, lines...)
	if err != nil || !wantsJSON(r) {
		d.answer(w, r, b, rev, err)
		return
	}
	a := answerJSON{Revision: rev.Number, ID: rev.ID}
	for _, t := range taken {
		a.Words = strings.TrimPrefix(a.Words+"\n"+s.Sheet.Told(t), "\n")
	}
	a.Undo, a.Redo = b.Steps()
	writeJSON(w, http.StatusOK, a)
}

// readingsOf understands the readings of a form, and makes their lines of readings.csv.
func readingsOf(s *work.Bench, form url.Values) (fresh []bench.Taken, rows []build.BenchReading, list diag.List) {
	test, text, note := form.Get("test"), strings.TrimSpace(form.Get("reading")), strings.Join(strings.Fields(form.Get("note")), " ")
	wrong := func(code, format string, args ...any) ([]bench.Taken, []build.BenchReading, diag.List) {
		list.Add(code, diag.Range{}, format, args...)
		return nil, nil, list
	}
	switch {
	case text == "":
		return wrong("reading-missing", "nothing was read: a value with its unit, OL, yes or no")
	case len(text) > mostTyped:
		return wrong("reading-form", "%d characters are more than a hand takes down", len(text))
	case len(note) > mostNote:
		return wrong("reading-form", "a note of %d characters is too long (%d is the most)", len(note), mostNote)
	}
	taken, _ := s.Taken()
	have := map[string]bool{}
	for _, t := range taken {
		have[t.Row.Test] = true
	}
	add := func(at diag.Range, text, date, note string) {
		row, value, problems := s.Read("", 0, text, have)
		for i := range problems {
			problems[i].Range = at
		}
		if list = append(list, problems...); len(problems) > 0 {
			return
		}
		have[row.Test] = true
		x := s.Line(row, text)
		x.Date, x.Note = cmp.Or(date, today()), note
		t := s.Add(slices.Concat(taken, fresh), bench.Taken{Row: row, Value: value, Date: x.Date, Text: x.Text})
		fresh, rows = append(fresh, t), append(rows, x)
	}
	first, _, _ := strings.Cut(text, "\n")
	switch {
	case test != "":
		row, ok := s.Sheet.Row(test)
		if !ok || row.Number == 0 {
			return wrong("row-unknown", "this reading is no longer on the sheet: the circuit was changed meanwhile; open the page again")
		}
		add(diag.Range{}, fmt.Sprintf("%d = %s", row.Number, strings.Join(strings.Fields(text), " ")), "", note)
	case !strings.Contains(first, "=") && strings.Contains(strings.ToLower(first), "reading"): // the head of a table
		lines, problems := build.BenchLines("", []byte(text))
		list = append(list, problems...)
		for _, x := range lines {
			add(x.Range, x.Text, x.Date, cmp.Or(x.Note, note))
		}
		if len(lines) == 0 && !list.HasErrors() {
			return wrong("reading-missing", "no reading stands in that table")
		}
	default:
		n := strings.Count(text, "\n") + 1
		for i, line := range strings.Split(text, "\n") {
			at := diag.Range{}
			if n > 1 {
				at.Start.Line = i + 1
			}
			if line = strings.TrimSpace(line); line != "" {
				add(at, line, "", note)
			}
		}
	}
	return fresh, rows, list
}

// benchState is how the readings of the bench stand, where that is known without asking; "" where nothing was read.
func benchState(b *live.Book) finding.Verdict {
	if rev := b.Now(); rev.Folder == nil || len(rev.Folder.Build.Bench) == 0 {
		return ""
	}
	s, ok := b.KnownBench()
	if !ok {
		return ""
	}
	taken, _ := s.Taken()
	f := s.Sheet.Findings(taken)
	if len(f.Verdicts) == 0 {
		return ""
	}
	return f.Worst()
}

// benchSheet is the sheet to print, with boxes to write in.
func (d *Daybook) benchSheet(w http.ResponseWriter, r *http.Request) {
	b, ok := d.book(w, r)
	if !ok {
		return
	}
	s, ok := soon(d, w, r, b, "Bench sheet", sheetWaits, r.URL.Query().Get("decoder"), b.Bench)
	if !ok {
		return
	}
	title := sheet.Title{What: "decoder " + s.Sheet.Decoder, Vehicle: s.Build.Name(), Date: today(), File: filepath.Base(b.File())}
	if len(s.Build.Vehicles) > 0 {
		title.Scale = s.Build.Vehicles[0].Scale.Text
	}
	taken, _ := s.Taken()
	page, err := sheet.Bench(s, taken, title)
	d.printed(w, r, "bench", page, err)
}
