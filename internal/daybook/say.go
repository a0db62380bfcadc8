package daybook

import (
	"bytes"
	_ "embed"
	"errors"
	"html/template"
	"net/http"
	"strings"

	"fettle/internal/live"
)

//go:embed say.html
var sayHTML string

//go:embed enter.html
var enterHTML string

var (
	sayPage   = template.Must(template.New("").Parse(sayHTML))
	enterPage = template.Must(template.New("").Parse(enterHTML))
)

// told is what a page says where something could not be done.
type told struct {
	Title, Words string
	Back         string
	Problems     []problemJSON
	Conflict     []clashJSON
	Theirs       string
	Action       string // where "write mine" is sent; "" where that is not offered
	Rest         []field
}

// A field is one hidden field of a form.
type field struct{ Name, Value string }

// say is a page of a sentence.
func (d *Daybook) say(w http.ResponseWriter, r *http.Request, status int, title, words string) {
	if wantsJSON(r) {
		writeJSON(w, status, answerJSON{Kind: "missing", Words: words})
		return
	}
	d.tell(w, r, status, told{Title: title, Words: words, Back: back(r, "/")})
}

// sayWrong is the page of a change that was refused: nothing that was typed is lost, and what to do is there.
func (d *Daybook) sayWrong(w http.ResponseWriter, r *http.Request, status int, a answerJSON, err error) {
	t := told{Title: "Nothing was written", Words: a.Words, Back: back(r, "/"), Problems: a.Problems, Conflict: a.Conflict, Theirs: a.Theirs}
	var clash *live.Conflict
	if errors.As(err, &clash) {
		t.Title = "Changed by another hand meanwhile"
		t.Words = "Nothing was written: the file is as the other hand left it, and what you wrote stands below."
		if clash.File == "" && strings.HasSuffix(r.URL.Path, "/edit") {
			t.Action = r.URL.Path
			for _, e := range clash.Rest {
				t.Rest = append(t.Rest, field{Field(e.Path, e.Attr), e.Value})
			}
		}
	}
	d.tell(w, r, status, t)
}

func (d *Daybook) tell(w http.ResponseWriter, r *http.Request, status int, t told) {
	var body bytes.Buffer
	if err := sayPage.ExecuteTemplate(&body, "say", t); err != nil {
		d.log.Error("page", "err", err)
	}
	d.frame(w, r, status, t.Title, template.HTML(body.String()))
}

// ask is the page that asks for the passphrase.
func ask(w http.ResponseWriter, status int, to, words string) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_ = enterPage.Execute(w, struct{ To, Words string }{to, words})
}
