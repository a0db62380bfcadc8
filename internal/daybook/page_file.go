package daybook

import (
	"net/http"
	"path/filepath"
	"strings"

	"fettle/internal/diag"
	"fettle/internal/live"
)

// A problemView is a problem at its lines.
type problemView struct {
	Line          int
	Message, Mend string
	Context       []lineView
}

type lineView struct {
	Number int
	Text   string
	Here   bool
}

// A textView is one file as text.
type textView struct {
	ID, Name, File, Text string // File: what the form calls it; "" for the build file
	Rows                 int
	Open                 bool
}

// around is how many lines are shown before and after the one that is wrong.
const around = 2

func (d *Daybook) showFile(w http.ResponseWriter, r *http.Request) {
	if b, ok := d.book(w, r); ok {
		d.filePage(w, r, b, b.Now().Problems)
	}
}

// trouble is every page of a build whose file cannot be read as one.
func (d *Daybook) trouble(w http.ResponseWriter, r *http.Request, b *live.Book, list diag.List) {
	d.filePage(w, r, b, list)
}

// filePage shows the build file as text, each problem at its line.
func (d *Daybook) filePage(w http.ResponseWriter, r *http.Request, b *live.Book, list diag.List) {
	rev := b.Now()
	v := struct {
		Title, Lead, File, Action, ID string
		Texts                         []textView
		Broken                        bool
		Problems                      []problemView
	}{Title: "The file", Lead: "The build file is the one truth: the pages write into it, and what an editor writes appears here.", File: filepath.Base(b.File()),
		Action: home(b) + "text", ID: rev.ID, Broken: rev.Folder == nil}
	own, readings, drawer := b.Beside()
	for i, name := range []string{own, readings, drawer} {
		t := textView{ID: []string{"text", "readings", "drawer"}[i], Name: filepath.ToSlash(name), Text: string(rev.Sources[name]), Open: i == 0}
		if i > 0 {
			t.File = filepath.Base(name)
		}
		for _, p := range list {
			t.Open = t.Open || p.Range.File == name
		}
		t.Rows = min(60, strings.Count(t.Text, "\n")+3)
		v.Texts = append(v.Texts, t)
	}
	if v.Broken {
		v.Title, v.Lead = "This file cannot be read as a build", "Nothing is lost: the file is as it was written. Mend it here or in your editor; the pages come back by themselves."
	}
	for _, p := range list {
		one := problemView{Line: p.Range.Start.Line, Message: p.Message}
		if p.Fix != nil {
			one.Mend = p.Fix.Message
		}
		name := p.Range.File
		src, ok := rev.Sources[name]
		if !ok {
			name, src = b.File(), rev.Sources[b.File()]
			ok = filepath.Base(p.Range.File) == filepath.Base(name)
		}
		if ok && one.Line > 0 {
			lines := strings.Split(strings.ReplaceAll(string(src), "\r\n", "\n"), "\n")
			for n := max(1, one.Line-around); n <= min(len(lines), one.Line+around); n++ {
				one.Context = append(one.Context, lineView{n, lines[n-1], n == one.Line})
			}
		}
		if name != b.File() && p.Range.File != "" {
			one.Message = filepath.Base(name) + ": " + one.Message
		}
		v.Problems = append(v.Problems, one)
	}
	d.execute(w, r, v.Title, "file", v)
}
