package daybook

import (
	"bytes"
	_ "embed"
	"errors"
	"html/template"
	"maps"
	"net/http"
	"path"
	"slices"
	"strings"

	"fettle/internal/build"
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
	Action       string  // where Rest is sent; "" where that is not offered
	Rest         []field // hidden, sent with it
	Typed        []field // what was sent and refused
	Again        string  // what a button says that sends it once more; ""
}

// A field is one field of a form.
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
	t := told{Title: "Nothing was written", Words: a.Words, Back: back(r, "/"), Problems: a.Problems, Conflict: a.Conflict}
	var clash *live.Conflict
	if errors.As(err, &clash) {
		t.Title = "Changed by another hand meanwhile"
		t.Words = "Nothing was written: the file is as the other hand left it, and what you wrote stands below."
		switch to := path.Base(r.URL.Path); {
		case clash.File != "":
		case to != "edit" && len(clash.Attributes) > 0 && !clash.Attributes[0].Gone: // a block to be taken out or renamed
			t.Action = r.URL.Path
			t.Rest = []field{{"base", clash.Theirs}, {"back", t.Back}}
			for _, name := range []string{"block", "name", "reading", "words"} {
				if r.PostForm.Has(name) {
					t.Rest = append(t.Rest, field{name, r.PostForm.Get(name)})
				}
			}
		case to == "edit":
			t.Action = r.URL.Path
			t.Rest = []field{{"base", clash.Theirs}, {"back", t.Back}, {"make", r.PostForm.Get("make")}}
			for _, c := range clash.Attributes {
				if !c.Gone {
					t.Rest = append(t.Rest, fieldsOf(c.Edit)...)
				}
			}
			for _, e := range clash.Rest {
				t.Rest = append(t.Rest, fieldsOf(e)...)
			}
		}
	}
	if clash == nil {
		for _, name := range slices.Sorted(maps.Keys(r.PostForm)) {
			f := field{name, strings.Join(r.PostForm[name], ", ")}
			for _, value := range r.PostForm[name] {
				t.Rest = append(t.Rest, field{name, value})
			}
			switch {
			case f.Value == "" || slices.Contains([]string{"base", "back", "words", "make", "block", "row", "file", "out"}, name): // the form's own
			case strings.HasPrefix(name, "/"):
				t.Typed = append(t.Typed, field{name[strings.LastIndexByte(name, '/')+1:], f.Value})
			case len(name) > 2 && name[1] == ':':
				t.Typed = append(t.Typed, field{name[2:], f.Value})
			default:
				t.Typed = append(t.Typed, f)
			}
		}
		if a.Kind == "disk" {
			t.Action, t.Again = r.URL.Path, "Save again"
		}
	} else if t.Action != "" {
		t.Again = "Write yours"
		if to := path.Base(t.Action); to == "take" || to == "strike" {
			t.Again = "Take it out all the same"
		}
	}
	d.tell(w, r, status, t)
}

// fieldsOf are the fields of a form that make an edit.
func fieldsOf(e build.Edit) []field {
	name := Field(e.Path, e.Attr)
	if len(e.List) == 0 {
		return []field{{name, e.Text()}}
	}
	var list []field
	for _, value := range e.List {
		list = append(list, field{name, value})
	}
	return list
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
