package daybook

import (
	"bytes"
	"cmp"
	"context"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"fettle/internal/build"
	"fettle/internal/diag"
	"fettle/internal/finding"
	"fettle/internal/live"
	"fettle/internal/render"
	"fettle/internal/work"
)

//go:embed page_*.html
var pageFiles embed.FS

var pageTemplates = template.Must(template.New("").Funcs(template.FuncMap{
	"asset":   func(name string) string { return assets[name].address },
	"verdict": render.Verdict,
	"back":    func(text string) string { return strings.TrimSuffix(text, "text") + "file" },
}).ParseFS(pageFiles, "page_*.html"))

// A stage is one step of the work, with its page.
type stage struct {
	Path, Name string
	states     []string // beginnings of the identifiers whose verdicts are its state
}

// stages is the order of the work.
var stages = []stage{
	{"", "The whole", nil},
	{"vehicle", "Vehicle", []string{"socket."}},
	{"lamps", "Lamps", []string{"lamp."}},
	{"supply", "Track and supply", []string{"supply.", "chip."}},
	{"ear", "Ear", []string{"ear."}},
	{"outputs", "Outputs", []string{"output.", "decoder."}},
	{"answers", "Answers", []string{"train."}},
	{"drawer", "Parts and drawer", []string{"drawer."}},
	{"built", "As built", []string{work.AsBuilt}},
	{"bench", "Bench", nil},
	{"experiments", "Experiments", nil},
	{"faults", "Faults", nil},
	{"track", "Track signal", nil},
}

// state is how a stage stands, "" where nothing of it counts.
func (s stage) state(b *live.Book, all finding.Findings) finding.Verdict {
	if s.Path == "bench" {
		return benchState(b)
	}
	return state(all, s.states)
}

// pages are the routes that show.
func (d *Daybook) pages(mux *http.ServeMux) {
	mux.HandleFunc("GET /{$}", d.first)
	for _, p := range []struct {
		path string
		show func(*view) (string, any)
	}{{"", showWhole}, {"vehicle", showVehicle}, {"lamps", showLamps}, {"supply", showSupply}, {"ear", showEar}, {"outputs", showOutputs}, {"answers", showAnswers}, {"drawer", showDrawer}, {"built", showBuilt}} {
		i := slices.IndexFunc(stages, func(s stage) bool { return s.Path == p.path })
		mux.HandleFunc("GET /b/{book}/"+cmp.Or(p.path, "{$}"), d.build(stages[i].Name, p.show))
	}
	mux.HandleFunc("GET /b/{book}/why", d.why)
	mux.HandleFunc("GET /b/{book}/understand", d.build("Understand", d.showUnderstand))
	mux.HandleFunc("GET /b/{book}/understand/{chapter}", d.build("Understand", d.showUnderstand))
	mux.HandleFunc("GET /b/{book}/bench", d.showBench)
	mux.HandleFunc("GET /b/{book}/bench/sheet", d.benchSheet)
	mux.HandleFunc("GET /b/{book}/part", d.build("A part", showPart))
	mux.HandleFunc("GET /b/{book}/findings", d.findings)
	mux.HandleFunc("GET /b/{book}/experiments", d.showExperiments)
	mux.HandleFunc("GET /b/{book}/experiments/card", d.cardSheet)
	mux.HandleFunc("GET /b/{book}/track/sheet", d.trackSheet)
	mux.HandleFunc("GET /b/{book}/track/recording", d.saveRecording)
	mux.HandleFunc("GET /b/{book}/experiments/figure", d.experimentFigure)
	mux.HandleFunc("GET /b/{book}/faults", d.showFaults)
	mux.HandleFunc("GET /b/{book}/track", d.showTrack)
	mux.HandleFunc("GET /b/{book}/halves", d.halves)
	mux.HandleFunc("GET /b/{book}/track/figure", d.trackFigure)
	mux.HandleFunc("GET /b/{book}/track/packet", d.savePacket)
	mux.HandleFunc("GET /stock", d.stock)
	mux.HandleFunc("GET /new", d.newBuild)
	mux.HandleFunc("GET /b/{book}/file", d.showFile)
	mux.HandleFunc("GET /b/{book}/figure", d.saveFigure)
	mux.HandleFunc("GET /assets/", d.serveAsset)
	mux.HandleFunc("GET /", func(w http.ResponseWriter, r *http.Request) {
		d.say(w, r, http.StatusNotFound, "No such page", "The daybook has no page of that name.")
	})
}

// A view is what a page of a build shows: one revision and its proof.
type view struct {
	r       *http.Request
	book    *live.Book
	rev     *live.Revision
	proved  *work.Proved
	all     finding.Findings
	Base    string // address of the build, with a slash behind
	ID      string // of the revision, for forms
	number  int    // of the last figure
	ids     map[string]int
	written map[string]build.Edit // what the file says, by field
	there   map[string]bool       // the blocks that it holds, by name
}

// build is a page of a build that can be read as one; of another, what is wrong with its file.
func (d *Daybook) build(title string, show func(*view) (string, any)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		b, ok := d.book(w, r)
		if !ok {
			return
		}
		v, err := newView(r, b)
		if err != nil {
			var list diag.List
			if errors.As(err, &list) {
				d.trouble(w, r, b, list)
				return
			}
			if errors.Is(err, context.Canceled) && r.Context().Err() == nil {
				d.say(w, r, http.StatusConflict, "Stopped", "The proof was stopped before its end. Open the page again to have it done.")
				return
			}
			status, a := wrong(err)
			d.sayWrong(w, r, status, a, err)
			return
		}
		name, data := show(v)
		d.execute(w, r, title, name, data)
	}
}

// execute is a page made of a template.
func (d *Daybook) execute(w http.ResponseWriter, r *http.Request, title, name string, data any) {
	var body bytes.Buffer
	if err := pageTemplates.ExecuteTemplate(&body, name, data); err != nil {
		d.log.Error("page", "template", name, "err", err)
		d.say(w, r, http.StatusInternalServerError, "Not shown", "This page could not be made; what is wrong was logged.")
		return
	}
	d.frame(w, r, http.StatusOK, title, template.HTML(body.String()))
}

// executed is a piece of a page.
func executed(name string, data any) template.HTML {
	var b bytes.Buffer
	if err := pageTemplates.ExecuteTemplate(&b, name, data); err != nil {
		panic("daybook: template " + name + ": " + err.Error()) // our own bug: the templates are embedded
	}
	return template.HTML(b.String())
}

// newView waits for the proof of the newest revision.
func newView(r *http.Request, b *live.Book) (*view, error) {
	for {
		rev := b.Now()
		p, err := b.Proved(r.Context())
		if err != nil {
			return nil, err
		}
		if b.Now().ID == rev.ID {
			return &view{r: r, book: b, rev: rev, proved: p, all: p.All(), Base: home(b), ID: rev.ID, ids: map[string]int{}}, nil
		}
	}
}

// Name is the name of the build on its shelf.
func (v *view) Name() string { return v.book.Name() }

// A stepView is a stage in the margin.
type stepView struct {
	Number   int
	Name, To string
	Here     bool
	State    finding.Verdict
}

// frameView is the sheet around a page: the order of the work in its margin, the title block below.
type frameView struct {
	Title, Events, Revision string
	Steps                   []stepView
	Before, After           *stepView
	Place                   string
	Others                  []stepView // what stands beside the order of the work
	Block                   *blockView
	Body                    template.HTML
}

// blockView is the title block of a build.
type blockView struct {
	State                                            finding.Verdict
	Proved                                           bool
	Tally, First, FirstTo                            string
	What, Vehicle, Scale, File, Revision, Day, Clock string
	Undo, Redo, Base, Memory                         string
}

// state is the worst of the verdicts whose identifiers begin in one of those ways; "" where there is none that counts.
func state(f finding.Findings, begin []string) finding.Verdict {
	var of finding.Findings
	for _, j := range f.Verdicts {
		if begins(j.ID, begin) && !j.NotYet() {
			of.Verdicts = append(of.Verdicts, j)
		}
	}
	if len(of.Verdicts) == 0 {
		return ""
	}
	return of.Worst()
}

// patience is how long a page waits for an answer before it says what is being done.
const patience = 600 * time.Millisecond

// wait is the proof of a revision if it comes soon; if not, it goes on, and those who watch are told.
func (d *Daybook) wait(ctx context.Context, b *live.Book, rev *live.Revision) (*work.Proved, bool) {
	select {
	case <-d.flight.DoChan("proof "+b.Name()+" "+rev.ID, func() (any, error) { return b.Proved(context.WithoutCancel(ctx)) }):
	case <-ctx.Done():
	case <-time.After(patience):
	}
	return b.Known()
}

// frame is the page around a body. Within a build, its margin and its title block say how the build stands.
func (d *Daybook) frame(w http.ResponseWriter, r *http.Request, status int, title string, body template.HTML) {
	v := frameView{Title: title, Body: body}
	if b, ok := d.shelf.Book(r.PathValue("book")); ok {
		d.frameOf(&v, b, r)
	}
	var page bytes.Buffer
	if err := pageTemplates.ExecuteTemplate(&page, "frame", v); err != nil {
		d.log.Error("page", "err", err)
		http.Error(w, "This page could not be made.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(page.Bytes()) // a browser that has gone needs no answer
}

// lookFirst is what fails first, is close or open, and where its working stands; "" where all holds.
func lookFirst(f finding.Findings, base string) (first, to string) {
	judged, _ := render.Ordered(f.Verdicts)
	if len(judged) == 0 || judged[0].Verdict != finding.Fails && judged[0].Verdict != finding.Close && judged[0].Verdict != finding.Unknown {
		return "", ""
	}
	return strings.TrimSpace(judged[0].Subject + ": " + judged[0].Requirement), base + "why?of=" + url.QueryEscape(judged[0].ID)
}

func (d *Daybook) frameOf(v *frameView, b *live.Book, r *http.Request) {
	rev := b.Now()
	base := home(b)
	v.Events, v.Revision = base+"events", rev.ID
	t := &blockView{What: "daybook", Vehicle: b.Name(), File: filepath.Base(b.File()), Day: rev.Saved.Format("2006-01-02"), Clock: rev.Saved.Format("15:04"), Revision: rev.ID[:8], Base: base, State: finding.Unknown}
	t.Undo, t.Redo = b.Steps()
	if b.Readonly() {
		t.Memory = "demo: kept in memory"
	}
	if rev.Folder != nil {
		t.Vehicle = rev.Folder.Build.Name()
		if list := rev.Folder.Build.Vehicles; len(list) > 0 {
			t.Scale = list[0].Scale.Text
		}
	}
	var all finding.Findings
	p, proved := b.Known()
	if !proved && rev.Folder != nil {
		p, proved = d.wait(r.Context(), b, rev)
	}
	if proved {
		all = p.All()
		t.Proved, t.State, t.Tally = true, p.Findings.Worst(), render.Tally(p.Findings.Verdicts)
		t.First, t.FirstTo = lookFirst(p.Findings, base)
	} else {
		t.Tally = "being proved"
		if rev.Folder == nil {
			t.Tally = "the file cannot be read"
		}
	}
	v.Block = t
	path, _ := strings.CutPrefix(r.URL.Path, "/b/"+b.Name()+"/")
	for i, s := range stages {
		one := stepView{Number: i + 1, Name: s.Name, To: base + s.Path, Here: s.Path == path}
		switch {
		case !proved:
		case s.Path == "":
			one.State = t.State
		default:
			one.State = s.state(b, all)
		}
		v.Steps = append(v.Steps, one)
	}
	for i, s := range v.Steps {
		if s.Here {
			v.Place = fmt.Sprintf("step %d of %d", i+1, len(v.Steps))
			if i > 0 {
				v.Before = &v.Steps[i-1]
			}
			if i+1 < len(v.Steps) {
				v.After = &v.Steps[i+1]
			}
		}
	}
	for _, o := range beside {
		v.Others = append(v.Others, stepView{Name: o[1], To: base + o[0], Here: o[0] == path || strings.HasPrefix(path, o[0]+"/")})
	}
	v.Others = append(v.Others, stepView{Name: "The shelf", To: "/?all=1"}, stepView{Name: "The stock", To: "/stock"})
}

// beside are the pages beside the order of the work.
var beside = [][2]string{{"sheet", "Build sheet"}, {"part", "A part"}, {"file", "The file"}, {"understand", "Understand"}}
