package daybook

import (
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"fettle/internal/diag"
	"fettle/internal/fault"
	"fettle/internal/finding"
	"fettle/internal/render"
	"fettle/internal/work"
)

// mostLines is how many answers one diagnosis may take.
const mostLines = 200

// skipLine begins a line that sets a test aside.
const skipLine = "skip "

// showFaults is the diagnosis of a decoder that misbehaves. The answers so far stand in the address, so that the browser's way
// back takes the last one back, and a diagnosis can be kept as a bookmark.
func (d *Daybook) showFaults(w http.ResponseWriter, r *http.Request) {
	b, ok := d.book(w, r)
	if !ok {
		return
	}
	rev := b.Now()
	if rev.Folder == nil {
		d.trouble(w, r, b, rev.Problems)
		return
	}
	decoders := rev.Folder.Build.Decoders
	query := r.URL.Query()
	v := struct {
		Lead, Decoder, Wrong, Typed string
		Decoders                    []string
		Lines                       []field // what was answered, and the address without it
		Words, Points, Sayings      []string
		Test                        *fault.Test
		Again                       bool
		Verdict, Causes, Rest       template.HTML
		Cautions                    template.HTML
		Asked, Undo, Restart        string
		Number                      int
		Done                        bool
		Probes                      *plate   // of the reading that is asked for
		Bench                       []string // the readings of the bench that it begins with
		Off                         int      // of them
		Fresh                       bool     // they are left out
		Otherwise                   string   // the page with them, or without; "" where there are none
	}{Decoder: query.Get("decoder")}
	for i := range decoders {
		v.Decoders = append(v.Decoders, decoders[i].Name.Text)
	}
	v.Fresh = query.Get("fresh") != ""
	kept := len(rev.Folder.Build.Bench) > 0
	var sheet *work.Bench // with which the readings of the bench are read
	var t *fault.Table
	if kept && !v.Fresh {
		if sheet, ok = soon(d, w, r, b, "Faults", faultsWait, v.Decoder, b.Bench); ok {
			t = sheet.Table
		}
	} else {
		t, ok = soon(d, w, r, b, "Faults", faultsWait, v.Decoder, b.Faults)
	}
	if !ok {
		return
	}
	s := fault.NewSession(t)
	if sheet != nil {
		v.Bench, v.Off = begin(s, sheet)
	}
	lines := query["t"]
	if len(lines) > mostLines {
		lines = lines[:mostLines]
	}
	at := func(lines []string) string {
		q := url.Values{"t": lines}
		if v.Decoder != "" {
			q.Set("decoder", v.Decoder)
		}
		if v.Fresh {
			q.Set("fresh", "1")
		}
		return home(b) + "faults?" + q.Encode()
	}
	for i, line := range lines {
		said, list := take(s, line)
		if len(list) > 0 {
			v.Wrong = list[0].Message
			continue
		}
		v.Lines = append(v.Lines, field{said, at(slices.Concat(lines[:i], lines[i+1:]))})
		v.Words = append(v.Words, line)
	}
	if typed := strings.TrimSpace(query.Get("answer")); typed != "" {
		more, list := linesOfAnswer(s, query.Get("asked"), typed)
		if len(list) == 0 {
			http.Redirect(w, r, at(append(v.Words, more...)), http.StatusSeeOther)
			return
		}
		v.Typed = typed
		for _, p := range list {
			v.Wrong = strings.TrimSpace(v.Wrong + " " + p.Message)
		}
	}
	if v.Restart = at(nil); kept && (v.Fresh || len(v.Bench) > 0) {
		was := v.Fresh
		v.Fresh = !was
		v.Otherwise = at(v.Words)
		v.Fresh = was
	}
	if len(v.Words) > 0 {
		v.Undo = at(v.Words[:len(v.Words)-1])
	}
	v.Number = len(v.Words) + 1
	known, _ := s.Conclusion()
	v.Done = known != fault.Open
	if next := s.Next(); len(next) > 0 {
		v.Test, v.Again, v.Asked = &t.Tests[next[0].Test], next[0].Again, t.Tests[next[0].Test].ID
	}
	for i := range t.Tests {
		x := &t.Tests[i]
		if x.Choices == nil && x.Point != "" && !slices.Contains(v.Points, x.Point) {
			v.Points = append(v.Points, x.Point)
		}
		v.Sayings = append(v.Sayings, x.Sayings...)
	}
	f := s.Findings()
	view := &view{r: r, book: b, Base: home(b), ids: map[string]int{}}
	if proved, err := b.Proved(r.Context()); err == nil && v.Test != nil && !v.Done { // without a proof there is no drawing, and the rest stands
		view.proved = proved
		if p, ok := view.probed(v.Decoder, probesOf(v.Test.Point, v.Test.Against, v.Test.Setup)); ok {
			v.Probes = &p
		}
	}
	v.Verdict = render.Verdicts(f.Verdicts, view.options("v-"))
	for _, t := range f.Tables {
		switch {
		case t.ID == "fault.causes":
			v.Causes = render.Table(t, view.options("t-"))
		case len(t.Rows) > 0:
			v.Rest += render.Table(t, view.options("t-"))
		}
	}
	if len(f.Values) > 0 {
		v.Verdict += render.Values(f.Values, view.options("s-"))
	}
	if len(f.Notes) > 0 {
		v.Rest += render.Notes(f.Notes)
	}
	v.Cautions = render.Cautions(slices.DeleteFunc(f.Cautions, func(c finding.Caution) bool { return c.Text == "" }))
	d.execute(w, r, "Faults", "faults", v)
}

const faultsWait = "What every fault would show at every test point is worked out once for a circuit and takes some seconds."

// begin has a diagnosis begin with what was read at the bench: the readings in words, and how many are off.
func begin(s *fault.Session, b *work.Bench) (said []string, off int) {
	taken, _ := b.Taken() // a line that is not understood is said on the page of the bench
	off = b.Begin(s, taken)
	for _, e := range s.Entries {
		if !e.Superseded {
			x := &s.Table.Tests[e.Test]
			said = append(said, x.Words+": "+x.Says(e.Reading))
		}
	}
	return said, off
}

// take takes a line down again, and says it in words.
func take(s *fault.Session, line string) (string, diag.List) {
	if id, ok := strings.CutPrefix(line, skipLine); ok {
		i := slices.IndexFunc(s.Table.Tests, func(t fault.Test) bool { return t.ID == id })
		if i < 0 {
			var list diag.List
			list.Add("reading-form", diag.Range{}, "there is no test %q to set aside", id)
			return "", list
		}
		s.Skip(i)
		return "set aside: " + s.Table.Tests[i].Words, nil
	}
	list, problems := s.Take("answer", 1, line)
	if len(problems) > 0 {
		return "", problems
	}
	var said []string
	for _, r := range list {
		s.Put(r, line)
		t := &s.Table.Tests[r.Test]
		said = append(said, t.Words+": "+t.Says(r))
	}
	return strings.Join(said, "; "), nil
}

// linesOfAnswer are an answer to the test that was asked for, or anything else that can be said, as lines that can be taken again.
func linesOfAnswer(s *fault.Session, asked, typed string) ([]string, diag.List) {
	i := slices.IndexFunc(s.Table.Tests, func(t fault.Test) bool { return t.ID == asked })
	if typed == "skip" && i >= 0 {
		return []string{skipLine + asked}, nil
	}
	var list []fault.Reading
	var problems diag.List
	if _, saw := strings.CutPrefix(typed, "saw "); saw || i < 0 || strings.Contains(typed, "=") {
		list, problems = s.Take("answer", 1, typed)
	} else {
		list = make([]fault.Reading, 1)
		if list[0], problems = s.Answer(i, typed); len(problems) > 0 {
			if seen, wrong := s.Saw("answer", 1, typed); len(wrong) == 0 {
				list, problems = seen, nil
			}
		}
	}
	if len(problems) > 0 {
		return nil, problems
	}
	var lines []string
	for _, r := range list {
		lines = append(lines, s.Table.Write(r))
	}
	return lines, nil
}
