package daybook

import (
	"bytes"
	"html/template"
	"net/http"

	"fettle/internal/render"
)

// pages are the routes that show.
func (d *Daybook) pages(mux *http.ServeMux) {
	mux.HandleFunc("GET /{$}", d.first)
	mux.HandleFunc("GET /b/{book}/{$}", d.whole)
	mux.HandleFunc("GET /", func(w http.ResponseWriter, r *http.Request) {
		d.say(w, r, http.StatusNotFound, "No such page", "The daybook has no page of that name.")
	})
}

var (
	framePage = template.Must(template.New("").Parse(`<!doctype html>
<html lang="en">
<meta charset="utf-8">
<meta name="viewport" content="width=device-width">
<title>{{.Title}}: fettle</title>
<main>{{.Body}}</main>
`))
	shelfPage = template.Must(template.New("").Parse(`<h1>Builds</h1><ul>{{range .}}<li><a href="{{.To}}">{{.Name}}</a></li>{{end}}</ul>`))
)

// frame is the page around a body.
func (d *Daybook) frame(w http.ResponseWriter, _ *http.Request, status int, title string, body template.HTML) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_ = framePage.Execute(w, struct {
		Title string
		Body  template.HTML
	}{title, body})
}

func (d *Daybook) first(w http.ResponseWriter, r *http.Request) {
	books := d.shelf.Books()
	if len(books) == 1 {
		http.Redirect(w, r, home(books[0]), http.StatusSeeOther)
		return
	}
	type line struct{ Name, To string }
	var lines []line
	for _, b := range books {
		lines = append(lines, line{b.Name(), home(b)})
	}
	var body bytes.Buffer
	if err := shelfPage.Execute(&body, lines); err != nil {
		d.log.Error("page", "err", err)
	}
	d.frame(w, r, http.StatusOK, "Builds", template.HTML(body.String()))
}

// whole is the list of verdicts.
func (d *Daybook) whole(w http.ResponseWriter, r *http.Request) {
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
	d.frame(w, r, http.StatusOK, b.Name(), render.Verdicts(p.All().Verdicts, render.HTMLOptions{}))
}
