package daybook

import (
	"net/http"

	"fettle/internal/finding"
	"fettle/internal/live"
	"fettle/internal/render"
)

// A shelfLine is one build of the shelf.
type shelfLine struct {
	Name, To, Vehicle, Scale, File, Tally string
	State                                 finding.Verdict
	Broken, Waiting, Demo                 bool
	Cost, ReadyMade                       string
}

// first is the shelf, or the only build on it.
func (d *Daybook) first(w http.ResponseWriter, r *http.Request) {
	books := d.shelf.Books()
	if len(books) == 1 && d.shelf.Dir() != "" && r.URL.Query().Get("all") == "" {
		http.Redirect(w, r, home(books[0]), http.StatusSeeOther)
		return
	}
	v := struct {
		Dir   string
		Lines []shelfLine
		Own   bool
	}{Dir: d.shelf.Dir()}
	for _, b := range books {
		v.Lines = append(v.Lines, lineOf(r, b))
		v.Own = v.Own || !b.Readonly()
	}
	d.execute(w, r, "The shelf", "shelf", v)
}

// lineOf proves a build, if need be, and says how it stands.
func lineOf(r *http.Request, b *live.Book) shelfLine {
	l := shelfLine{Name: b.Name(), To: home(b), Vehicle: b.Name(), File: b.File(), Demo: b.Readonly()}
	rev := b.Now()
	if rev.Folder == nil {
		l.Broken = true
		return l
	}
	l.Vehicle = rev.Folder.Build.Name()
	if len(rev.Folder.Build.Vehicles) > 0 {
		l.Scale = rev.Folder.Build.Vehicles[0].Scale.Text
	}
	p, err := b.Proved(r.Context())
	if err != nil {
		l.Waiting = true
		return l
	}
	l.State, l.Tally = p.Findings.Worst(), render.Tally(p.Findings.Verdicts)
	if n := len(p.Parts.Rows); n > 0 {
		last := p.Parts.Rows[n-1]
		l.Cost = last[len(last)-1].Text
	}
	if c := p.Build.Cost; c != nil {
		if c.ReadyMade.Known() {
			l.ReadyMade = c.ReadyMade.Text
		}
		if c.Currency.Text != "" && l.Cost != "" {
			l.Cost += " " + c.Currency.Text
		}
	}
	return l
}
