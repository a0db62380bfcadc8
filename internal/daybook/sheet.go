package daybook

import (
	"net/http"
	"regexp"
	"time"

	"fettle/internal/sheet"
)

var styles = regexp.MustCompile(`(?s)<style>(.*?)</style>`)

// sheet is the build sheet: the page that fettle sheet writes, whole in itself, to be printed or, with ?save=1, kept.
func (d *Daybook) sheet(w http.ResponseWriter, r *http.Request) {
	b, ok := d.book(w, r)
	if !ok {
		return
	}
	p, err := b.Proved(r.Context())
	if err != nil {
		status, a := wrong(err)
		d.sayWrong(w, r, status, a, err)
		return
	}
	page, err := sheet.Sheet(sheet.Of(*p, time.Now().Format("2006-01-02")))
	d.sendSheet(w, r, page, err, "sheet.html")
}

// sendSheet sends a page that stands by itself, to be printed or, with ?save=1, kept under a name. Its own style is let through.
func (d *Daybook) sendSheet(w http.ResponseWriter, r *http.Request, page []byte, err error, name string) {
	if err != nil {
		d.log.Error("sheet", "err", err)
		d.say(w, r, http.StatusInternalServerError, "No sheet", "The sheet could not be set; fettle has written why where it was started.")
		return
	}
	var css []string
	for _, m := range styles.FindAllSubmatch(page, -1) {
		css = append(css, string(m[1]))
	}
	styled(w, css...)
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	if r.URL.Query().Get("save") != "" {
		w.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
	}
	_, _ = w.Write(page) // a browser that has gone needs none
}
