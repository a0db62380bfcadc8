package daybook

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"syscall"
	"time"

	"fettle/internal/build"
	"fettle/internal/diag"
	"fettle/internal/live"
)

// actions are the routes that write. All are POST. A browser without script is sent back to where it came from (303); who accepts
// JSON gets an answerJSON.
func (d *Daybook) actions(mux *http.ServeMux) {
	change := func(path string, do func(b *live.Book, form url.Values) (*live.Revision, error)) {
		mux.HandleFunc("POST /b/{book}/"+path, func(w http.ResponseWriter, r *http.Request) {
			b, ok := d.book(w, r)
			if !ok || !d.form(w, r) {
				return
			}
			rev, err := do(b, r.PostForm)
			d.answer(w, r, b, rev, err)
		})
	}
	change("edit", func(b *live.Book, form url.Values) (*live.Revision, error) {
		edits, err := editsOf(form)
		if err != nil {
			return nil, err
		}
		return b.Edit(form.Get("base"), edits, words(form))
	})
	change("undo", func(b *live.Book, _ url.Values) (*live.Revision, error) { return b.Undo() })
	change("redo", func(b *live.Book, _ url.Values) (*live.Revision, error) { return b.Redo() })
	change("cancel", func(b *live.Book, _ url.Values) (*live.Revision, error) {
		b.Cancel()
		return b.Now(), nil
	})
	change("full", func(b *live.Book, _ url.Values) (*live.Revision, error) { return b.Now(), b.ProveFull() })
	change("readings", func(b *live.Book, form url.Values) (*live.Revision, error) {
		return b.Append(words(form), readingOf(form))
	})
	change("text", func(b *live.Book, form url.Values) (*live.Revision, error) {
		file, readings, drawer := b.Beside()
		switch form.Get("file") {
		case build.ReadingsName:
			file = readings
		case build.DrawerName:
			file = drawer
		}
		return b.Rewrite(form.Get("base"), file, asFile(form.Get("text"), b.Now().Sources[file]), words(form))
	})
	change("add", addBlock)
	change("take", takeBlock)
	change("rename", renameBlock)
	change("strike", strike)
	change("drawer", drawerLine)
	mux.HandleFunc("POST /b/{book}/copy", func(w http.ResponseWriter, r *http.Request) {
		b, ok := d.book(w, r)
		if !ok || !d.form(w, r) {
			return
		}
		own, err := d.shelf.Copy(b, r.PostForm.Get("folder"))
		d.begun(w, r, own, err)
	})
	mux.HandleFunc("POST /b/{book}/bench", d.takeReading)
	mux.HandleFunc("POST /b/{book}/experiments", d.experiment)
	mux.HandleFunc("POST /b/{book}/schedule", d.schedule)
	mux.HandleFunc("POST /start", d.start)
	mux.HandleFunc("POST /b/{book}/upload", d.upload)
}

// start begins a build from the answers to build.Questions: fields "answer:KEY", and folder.
func (d *Daybook) start(w http.ResponseWriter, r *http.Request) {
	if !d.form(w, r) {
		return
	}
	answers := map[string]string{}
	for name := range r.PostForm {
		if key, ok := strings.CutPrefix(name, "answer:"); ok {
			answers[key] = strings.TrimSpace(r.PostForm.Get(name))
		}
	}
	files, list := build.New(answers, time.Now().Format("2006-01-02"))
	if list.HasErrors() {
		d.begun(w, r, nil, list)
		return
	}
	own, err := d.shelf.Start(r.PostForm.Get("folder"), files)
	d.begun(w, r, own, err)
}

// begun leads to a new build.
func (d *Daybook) begun(w http.ResponseWriter, r *http.Request, b *live.Book, err error) {
	if err != nil {
		d.answer(w, r, nil, nil, err)
		return
	}
	if wantsJSON(r) {
		writeJSON(w, http.StatusOK, answerJSON{Revision: b.Now().Number, ID: b.Now().ID, To: home(b)})
		return
	}
	http.Redirect(w, r, home(b), http.StatusSeeOther)
}

// form reads the fields of a POST; those of the URL are none.
func (d *Daybook) form(w http.ResponseWriter, r *http.Request) bool {
	var err error
	if strings.HasPrefix(r.Header.Get("Content-Type"), "multipart/") {
		err = r.ParseMultipartForm(mostForm)
	} else {
		err = r.ParseForm()
	}
	var most *http.MaxBytesError
	switch {
	case errors.As(err, &most):
		d.say(w, r, http.StatusRequestEntityTooLarge, "Too much", "That is more than the daybook takes at once.")
	case err != nil:
		d.say(w, r, http.StatusBadRequest, "Not understood", "That form cannot be read.")
	}
	return err == nil
}

// Field is the name of the form field that sets an attribute: "/decoder/a/output/front/series". A slash in a label is %2F.
func Field(path []string, attr string) string {
	var s strings.Builder
	for _, p := range append(slices.Clip(path), attr) {
		s.WriteString("/" + strings.NewReplacer("%", "%25", "/", "%2F").Replace(p))
	}
	return s.String()
}

// mostEdits is beyond what a page has fields.
const mostEdits = 500

// editsOf are the edits of a form: its fields that begin with a slash, in order of name. An empty one takes its attribute out,
// several of one name are a list, and with a field "make" blocks that are not there are made.
func editsOf(form url.Values) ([]build.Edit, error) {
	var edits []build.Edit
	for _, name := range slices.Sorted(maps.Keys(form)) {
		if !strings.HasPrefix(name, "/") {
			continue
		}
		var path []string
		for _, p := range strings.Split(name[1:], "/") {
			p, err := url.PathUnescape(p)
			if err != nil {
				return nil, fmt.Errorf("%q names no attribute", name)
			}
			path = append(path, p)
		}
		n := len(path) - 1
		e := build.Edit{Path: path[:n], Attr: path[n], Make: form.Get("make") != ""}
		for _, value := range form[name] {
			if value = strings.TrimSpace(value); value != "" {
				e.List = append(e.List, value)
			}
		}
		switch len(e.List) {
		case 0:
			e.Remove = true
		case 1:
			e.Value, e.List = e.List[0], nil
		}
		edits = append(edits, e)
	}
	if len(edits) > mostEdits {
		return nil, fmt.Errorf("%d values at once: %d is the most", len(edits), mostEdits)
	}
	return edits, nil
}

// words says what a form does, for undo; the page may say it better than the names of attributes do.
func words(form url.Values) string {
	s := []rune(strings.Join(strings.Fields(form.Get("words")), " "))
	return string(s[:min(len(s), 120)])
}

// readingOf is a reading by column; what names no column is the form's own.
func readingOf(form url.Values) map[string]string {
	row := map[string]string{}
	for _, column := range build.Columns() {
		if text := strings.TrimSpace(form.Get(column)); text != "" {
			row[column] = text
		}
	}
	if row["date"] == "" && len(row) > 0 {
		row["date"] = time.Now().Format("2006-01-02")
	}
	return row
}

// asFile gives a text from a form, whose lines all end in CR LF, the line ends of the file.
func asFile(text string, file []byte) []byte {
	text = strings.ReplaceAll(text, "\r\n", "\n")
	if strings.Contains(string(file), "\r\n") {
		text = strings.ReplaceAll(text, "\n", "\r\n")
	}
	return []byte(text)
}

func wantsJSON(r *http.Request) bool {
	return strings.Contains(r.Header.Get("Accept"), "application/json")
}

// An answerJSON is what a POST answers to script.
type answerJSON struct {
	Revision int    `json:"revision,omitempty"`
	ID       string `json:"id,omitempty"`
	Undo     string `json:"undo,omitempty"` // what undo would take back
	Redo     string `json:"redo,omitempty"`
	To       string `json:"to,omitempty"` // the page to go to

	Kind     string        `json:"kind,omitempty"` // of what went wrong: wrong, conflict, disk, nothing, missing
	Words    string        `json:"words,omitempty"`
	Problems []problemJSON `json:"problems,omitempty"`
	Theirs   string        `json:"theirs,omitempty"` // the revision to edit on, to have mine all the same
	Conflict []clashJSON   `json:"conflict,omitempty"`
}

type problemJSON struct {
	Code    string `json:"code"`
	File    string `json:"file,omitempty"`
	Line    int    `json:"line,omitempty"`
	Column  int    `json:"column,omitempty"`
	Message string `json:"message"`
	Mend    string `json:"mend,omitempty"`
}

func problem(p diag.Problem) problemJSON {
	one := problemJSON{p.Code, p.Range.File, p.Range.Start.Line, p.Range.Start.Column, p.Message, ""}
	if p.Fix != nil {
		one.Mend = p.Fix.Message
	}
	return one
}

type clashJSON struct {
	Name      string `json:"name"` // of the field
	Where     string `json:"where"`
	Base      string `json:"base"`
	BaseKnown bool   `json:"baseKnown"`
	Theirs    string `json:"theirs"`
	Mine      string `json:"mine"`
	Gone      bool   `json:"gone,omitempty"`
}

func writeJSON(w http.ResponseWriter, status int, a answerJSON) {
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(a) // a browser that has gone needs no answer
}

// wrong says what an error is to a browser.
func wrong(err error) (status int, a answerJSON) {
	a.Words = err.Error()
	var list diag.List
	var clash *live.Conflict
	var disk *live.DiskError
	switch {
	case errors.As(err, &list):
		a.Kind, a.Words = "wrong", "Nothing was written."
		for _, p := range list {
			a.Problems = append(a.Problems, problem(p))
		}
		return http.StatusUnprocessableEntity, a
	case errors.As(err, &clash):
		a.Kind, a.Theirs = "conflict", clash.Theirs
		for _, c := range clash.Attributes {
			a.Conflict = append(a.Conflict, clashJSON{Field(c.Path, c.Attr), c.Where(), c.Base, c.BaseKnown, c.Theirs, c.Mine, c.Gone})
		}
		return http.StatusConflict, a
	case errors.As(err, &disk):
		a.Kind = "disk"
		switch {
		case errors.Is(err, syscall.ENOSPC):
			return http.StatusInsufficientStorage, a
		case errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.EROFS):
			return http.StatusForbidden, a
		}
		return http.StatusInternalServerError, a
	case errors.Is(err, live.ErrNoStep), errors.Is(err, live.ErrNoFolder):
		a.Kind = "nothing"
		return http.StatusConflict, a
	}
	a.Kind = "wrong"
	return http.StatusUnprocessableEntity, a
}

// answer tells a browser what came of a change.
func (d *Daybook) answer(w http.ResponseWriter, r *http.Request, b *live.Book, rev *live.Revision, err error) {
	status, a := http.StatusOK, answerJSON{}
	if err != nil {
		status, a = wrong(err)
		d.log.Info("refused", "path", r.URL.Path, "kind", a.Kind)
	} else {
		a.Revision, a.ID = rev.Number, rev.ID
		a.Undo, a.Redo = b.Steps()
	}
	switch {
	case wantsJSON(r):
		writeJSON(w, status, a)
	case err == nil:
		http.Redirect(w, r, back(r, home(b)), http.StatusSeeOther)
	default:
		d.sayWrong(w, r, status, a, err)
	}
}

// back is the page that a form was sent from: its field back, else the Referer, if they are the daybook's.
func back(r *http.Request, otherwise string) string {
	if to := r.PostForm.Get("back"); to != "" && local(to) == to {
		return to
	}
	u, err := url.Parse(r.Referer())
	if err != nil || u.Path == "" || !strings.EqualFold(u.Host, r.Host) || local(u.RequestURI()) != u.RequestURI() {
		return otherwise
	}
	return u.RequestURI()
}
