package daybook

import (
	"fmt"
	"html/template"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"fettle/internal/draw"
	"fettle/internal/finding"
	"fettle/internal/render"
)

// why is the page of a value, a verdict, a part or a net, or of all that holds under a beginning; or, for script, a piece of it: the
// working, the card of a part, the table alone.
func (d *Daybook) why(w http.ResponseWriter, r *http.Request) {
	kind := r.Header.Get("X-Fettle")
	if kind != "working" && kind != "card" && kind != "held" {
		d.build("Why", showWhy)(w, r)
		return
	}
	b, ok := d.book(w, r)
	if !ok {
		return
	}
	v, err := newView(r, b)
	if err != nil {
		status, a := wrong(err)
		d.sayWrong(w, r, status, a, err)
		return
	}
	var piece template.HTML
	of := r.URL.Query().Get("of")
	switch kind {
	case "working":
		piece = v.workingOf(of)
	case "held":
		piece = v.held(r.URL.Query()["under"])
	default:
		if x, ok := v.detail(of); ok {
			piece = v.card(x, true)
		}
	}
	if piece == "" {
		d.say(w, r, http.StatusNotFound, "Nothing of that name", "This build has nothing of that name now.")
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	_, _ = io.WriteString(w, string(piece)) // a browser that has gone needs no answer
}

// held is the table of what holds under a beginning; "" where nothing does.
func (v *view) held(under []string) template.HTML {
	_, hold := v.under(under)
	if len(hold) == 0 {
		return ""
	}
	return "<div>" + render.Verdicts(hold, v.toWhy("held-")) + "</div>"
}

// workingOf is the working of a value or a verdict, without the figure that stands on the page already.
func (v *view) workingOf(id string) template.HTML {
	for _, x := range v.all.Values {
		if x.ID == id && x.Working != nil {
			return v.working(bare(x.Working))
		}
	}
	for _, j := range v.all.Verdicts {
		if j.ID == id && j.Working != nil {
			return v.working(bare(j.Working))
		}
	}
	return ""
}

// detail finds what a part or a net of the schematics answers.
func (v *view) detail(id string) (draw.Detail, bool) {
	for _, c := range v.proved.Circuits {
		if i := slices.IndexFunc(c.Details, func(x draw.Detail) bool { return x.ID == id }); i >= 0 && id != "" {
			return c.Details[i], true
		}
	}
	return draw.Detail{}, false
}

// judged is what was judged of a part, as it is shown.
func (v *view) judged(x draw.Detail) []finding.Judgement {
	var js []finding.Judgement
	for _, j := range v.all.Verdicts {
		if slices.Contains(x.Judged, j.ID) {
			js = append(js, j)
		}
	}
	js, _ = render.Ordered(js)
	return js
}

// A cardView is what a part or a net answers: in short beside it, or on its page.
type cardView struct {
	draw.Detail
	Short          bool
	Lines          []cardLine
	More           int
	To, At, Change string
}

type cardLine struct {
	Verdict         finding.Verdict
	To, Name, Found string
}

// mostLinesOfCard is how many verdicts a card shows.
const mostLinesOfCard = 3

func (v *view) card(x draw.Detail, short bool) template.HTML {
	c := cardView{Detail: x, Short: short, To: v.Base + "why?of=" + url.QueryEscape(x.ID)}
	if x.Path != nil {
		last := len(x.Path) - 1
		c.Change = v.Base + pageOf(x.Path) + "#" + fieldID(Field(x.Path[:last], x.Path[last]))
	}
	if short {
		for _, j := range v.judged(x) {
			if len(c.Lines) == mostLinesOfCard || j.Verdict == finding.Holds && len(c.Lines) > 0 {
				c.More++
				continue
			}
			c.Lines = append(c.Lines, cardLine{j.Verdict, v.Base + "why?of=" + url.QueryEscape(j.ID), j.Requirement, render.Found(j)})
		}
	}
	return executed("card", c)
}

// pageOf is the page on which a block of the file is changed.
func pageOf(path []string) string {
	switch {
	case path[0] == "vehicle":
		return "lamps"
	case len(path) > 2 && path[2] == "output":
		return "outputs"
	case len(path) > 2 && path[2] == "listen":
		return "ear"
	}
	return "supply"
}

// showWhy is one value or verdict with its working, or the list of all of them.
func showWhy(v *view) (string, any) {
	of := v.r.URL.Query().Get("of")
	p := sections{Title: "Why", Lead: "The working behind a value or a verdict."}
	s := section{Live: "why", Title: of}
	if under := v.r.URL.Query()["under"]; len(under) > 0 {
		if t := v.held(under); t != "" {
			held := section{Live: "held", Title: "What holds of " + strings.Trim(under[0], ".")}
			held.add(t)
			p.List = append(p.List, held)
		}
	}
	for _, x := range v.all.Values {
		if of != "" && x.ID == of {
			s.Title = x.Name
			s.add(render.Values([]finding.Value{x}, v.options("s-")))
			s.add(v.opened(x.Working))
		}
	}
	for _, j := range v.all.Verdicts {
		if of != "" && j.ID == of {
			s.Title, s.State = strings.TrimSpace(j.Subject+": "+j.Requirement), j.Verdict
			j := j
			w := j.Working
			j.Working = nil
			s.add(render.Verdicts([]finding.Judgement{j}, v.options("v-")))
			s.add(v.opened(w))
		}
	}
	if x, ok := v.detail(of); ok {
		if len(s.Parts) == 0 {
			s.Title, s.State = x.Name, x.Verdict
		}
		s.add(v.card(x, false))
		if js := v.judged(x); len(js) > 0 {
			s.add(render.Verdicts(js, v.options("of-")))
		}
	}
	if len(s.Parts) > 0 {
		p.List = append(p.List, s)
	} else if of != "" {
		p.List = append(p.List, section{Live: "why", Title: "Nothing of that name", Say: "No value and no verdict of this build is called " + of + " now. All of them:"})
	}
	all := section{Live: "why-all", Title: "Everything that has a working"}
	var rows strings.Builder
	link := func(id, name string, verdict finding.Verdict) {
		fmt.Fprintf(&rows, `<li><a href="%s">%s</a>`, template.HTMLEscapeString(v.Base+"why?of="+url.QueryEscape(id)), template.HTMLEscapeString(name))
		if verdict != "" {
			rows.WriteString(" " + string(render.Verdict(verdict)))
		}
		rows.WriteString("</li>")
	}
	for _, x := range v.all.Values {
		if x.Working != nil {
			link(x.ID, x.Name, "")
		}
	}
	for _, j := range v.all.Verdicts {
		if j.Working != nil {
			link(j.ID, strings.TrimSpace(j.Subject+": "+j.Requirement), j.Verdict)
		}
	}
	all.add(template.HTML(`<ul class="index">` + rows.String() + `</ul>`))
	p.List = append(p.List, all)
	return "sections", p
}

// opened is a working that is read at once.
func (v *view) opened(w *finding.Working) template.HTML {
	return template.HTML(strings.Replace(string(v.working(w)), "<details", "<details open", 1))
}
