package daybook

import (
	"net/http"
	"regexp"

	"fettle/internal/sheet"
)

var styles = regexp.MustCompile(`(?s)<style>(.*?)</style>`)

// sheet is the build sheet: the page that fettle sheet writes, whole in itself, to be printed or, with ?save=1, kept.
func (d *Daybook) sheet(w http.ResponseWriter, r *http.Request) {
	_, p, ok := d.proved(w, r)
	if !ok {
		return
	}
	page, err := sheet.Sheet(sheet.Of(*p, today()))
	d.printed(w, r, "sheet", page, err)
}

// printed answers with a page that is whole in itself, to be printed or, with ?save=1, kept under a name.
func (d *Daybook) printed(w http.ResponseWriter, r *http.Request, name string, page []byte, err error) {
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
		attach(w, name, "html")
	}
	_, _ = w.Write(page) // a browser that has gone needs none
}
