package daybook

import (
	"context"
	"encoding/csv"
	"html/template"
	"io"
	"net/http"
	"net/url"
	"path/filepath"
	"slices"
	"time"

	"fettle/internal/finding"
	"fettle/internal/live"
	"fettle/internal/prove"
	"fettle/internal/render"
)

// A shelfLine is one build of the shelf.
type shelfLine struct {
	Name, To, Vehicle, Scale, File, Tally string
	State                                 finding.Verdict
	Broken, Demo                          bool
	Waiting                               string // why there is no proof
	First, FirstTo                        string // what to look at first
	Cost, ReadyMade, Apart                string
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
	failed := d.proveAll(r, books)
	for _, b := range books {
		l := lineOf(b, failed[b])
		if v.Lines = append(v.Lines, l); l.Waiting == beingProved {
			w.Header().Set("Refresh", "2")
		}
		v.Own = v.Own || !b.Readonly()
	}
	d.execute(w, r, "The shelf", "shelf", v)
}

// aMoment is how long the shelf waits for the proofs of its builds.
const aMoment = 2 * time.Second

// beingProved is said of a build whose proof is not there yet: the page comes again by itself.
const beingProved = "being proved"

// proveAll has builds proved. What is not there in a moment goes on; of those whose proof came to nothing it tells why.
func (d *Daybook) proveAll(r *http.Request, books []*live.Book) map[*live.Book]error {
	ctx, cancel := context.WithTimeout(r.Context(), aMoment)
	defer cancel()
	failed := map[*live.Book]error{}
	for _, b := range books {
		rev := b.Now()
		if _, known := b.Known(); known || rev.Folder == nil {
			continue
		}
		select {
		case made := <-d.flight.DoChan("proof "+b.Name()+" "+rev.ID, func() (any, error) { return b.Proved(context.WithoutCancel(r.Context())) }):
			if made.Err != nil {
				failed[b] = made.Err
			}
		case <-ctx.Done(): // the rest is begun all the same
		}
	}
	return failed
}

// A drawerView is one drawer with what the builds that share it want of it.
type drawerView struct {
	Title, CSV string
	Table      template.HTML
}

// stock is what all builds together want of the drawers that they share. The builds that are still to be soldered are ticked; with
// as=csv the table of the drawer that is named is a file.
func (d *Daybook) stock(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	type tick struct {
		Name, Title string
		On          bool
		Why         string // why it does not count, though ticked
	}
	v := struct {
		Builds  []tick
		Drawers []drawerView
	}{}
	var drawers []string
	wanting := map[string][]prove.Wanting{}
	books := slices.DeleteFunc(d.shelf.Books(), func(b *live.Book) bool { return q.Has("of") && !slices.Contains(q["of"], b.Name()) })
	failed := map[*live.Book]error{}
	if q.Get("as") == "" {
		failed = d.proveAll(r, books)
	} else { // a file is whole or not at all
		for _, b := range books {
			if _, err := b.Proved(r.Context()); err != nil {
				failed[b] = err
			}
		}
	}
	for _, b := range d.shelf.Books() {
		t := tick{Name: b.Name(), Title: b.Name(), On: !q.Has("of") || slices.Contains(q["of"], b.Name())}
		rev := b.Now()
		switch {
		case rev.Folder == nil:
			t.Why = "its file cannot be read"
		case t.On:
			p, ok := b.Known()
			if !ok {
				if t.Why = "it is not proved"; failed[b] == nil {
					t.Why = beingProved
					w.Header().Set("Refresh", "2")
				}
				break
			}
			at := rev.Folder.DrawerFile
			if !slices.Contains(drawers, at) {
				drawers = append(drawers, at)
			}
			wanting[at] = append(wanting[at], prove.Wanting{Name: b.Name(), Build: p.Build})
		}
		v.Builds = append(v.Builds, t)
	}
	slices.Sort(drawers)
	for _, at := range drawers {
		table := prove.Stock(wanting[at])
		title := "Of " + filepath.ToSlash(at)
		if at == "" {
			title = "Without a drawer: all is to be bought"
		}
		if q.Get("as") == "csv" && q.Get("drawer") == at {
			attach(w, "stock", "csv")
			_ = writeTable(w, table) // a browser that has gone needs none
			return
		}
		to := url.Values{"as": {"csv"}, "drawer": {at}}
		if q.Has("of") {
			to["of"] = q["of"]
		}
		v.Drawers = append(v.Drawers, drawerView{title, "/stock?" + to.Encode(), render.Table(table, render.HTMLOptions{})})
	}
	if q.Get("as") != "" {
		d.say(w, r, http.StatusNotFound, "No such drawer", "No build that is ticked uses a drawer of that name.")
		return
	}
	d.execute(w, r, "The stock", "stock", v)
}

// writeTable writes a table as CSV.
func writeTable(w io.Writer, t finding.Table) error {
	out := csv.NewWriter(w)
	var head []string
	for _, c := range t.Columns {
		head = append(head, c.Title)
	}
	rows := [][]string{head}
	for _, r := range t.Rows {
		var row []string
		for _, c := range r {
			row = append(row, c.Text)
		}
		rows = append(rows, row)
	}
	return out.WriteAll(rows)
}

// lineOf says how a build stands; failed is why its proof came to nothing.
func lineOf(b *live.Book, failed error) shelfLine {
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
	p, ok := b.Known()
	if !ok {
		if l.Waiting = beingProved; failed != nil {
			l.Waiting = "not proved: " + failed.Error()
		}
		return l
	}
	l.State, l.Tally = p.Findings.Worst(), render.Tally(p.Findings.Verdicts)
	l.First, l.FirstTo = lookFirst(p.Findings, l.To)
	for _, x := range p.Cost {
		switch x.ID {
		case "cost.parts":
			l.Cost = x.Text
		case "cost.ready-made":
			l.ReadyMade = x.Text
		case "cost.apart":
			l.Apart = x.Text + " " + x.Name
		}
	}
	return l
}
