package daybook

import (
	"bytes"
	"net/http"
	"os"
	"time"

	"fettle/internal/finding"
	"fettle/internal/render"
	"fettle/internal/sheet"
)

// findings are what was found as a file, in the envelope or the text of the command line: of survey, of choose, or of the proof.
func (d *Daybook) findings(w http.ResponseWriter, r *http.Request) {
	b, p, ok := d.proved(w, r)
	if !ok {
		return
	}
	q := r.URL.Query()
	f, ok := map[string]finding.Findings{"survey": p.Surveyed.Findings, "choose": p.Chosen.Findings, "prove": p.Findings}[q.Get("of")]
	as := q.Get("as")
	if !ok || as != "json" && as != "txt" {
		d.say(w, r, http.StatusNotFound, "No such findings", "There are those of survey, choose and prove, as json or txt.")
		return
	}
	var out bytes.Buffer
	var err error
	if as == "json" {
		err = render.JSON(&out, f, b.Now().Problems)
	} else {
		err = render.Text(&out, f, render.Options{})
	}
	if err != nil {
		d.log.Error("findings", "err", err)
		d.say(w, r, http.StatusInternalServerError, "Not written", "The findings could not be written; fettle has said why where it was started.")
		return
	}
	attach(w, b.Name()+" "+q.Get("of"), as)
	_, _ = w.Write(out.Bytes()) // a browser that has gone needs none
}

// cardSheet is an experiment's card as a page to be printed, with what was read on it.
func (d *Daybook) cardSheet(w http.ResponseWriter, r *http.Request) {
	b, ok := d.book(w, r)
	if !ok {
		return
	}
	t, ok, err := trialOf(r.Context(), b, r.URL.Query())
	switch {
	case err != nil:
		status, a := wrong(err)
		d.sayWrong(w, r, status, a, err)
	case !ok || t.card == nil:
		d.say(w, r, http.StatusNotFound, "No such card", "There is no card of that name for this build.")
	default:
		page, err := sheet.Card(t.findings, sheet.Title{What: t.card.Title(), Vehicle: b.Now().Folder.Build.Name(), Date: today()})
		d.printed(w, r, "card "+t.kind.Name, page, err)
	}
}

// trackSheet is a recording, judged, as a page to be printed.
func (d *Daybook) trackSheet(w http.ResponseWriter, r *http.Request) {
	name, a, err := d.audit(r.Context(), r.URL.Query().Get("recording"))
	if err != nil || len(a.findings.Verdicts) == 0 {
		if err != nil && !os.IsNotExist(err) {
			d.log.Error("audit", "err", err)
		}
		d.say(w, r, http.StatusNotFound, "No such recording", "That recording is not kept any more, or holds nothing that could be judged.")
		return
	}
	page, err := sheet.Audit(a.findings, sheet.Title{What: name, Date: today(), File: name})
	d.printed(w, r, name, page, err)
}

// today is the date of what is set now.
func today() string { return time.Now().Format("2006-01-02") }
