package daybook

import (
	"net/http"
	"net/url"
	"slices"
	"strings"

	"fettle/internal/build"
)

// newBuild asks the questions of a first build, one screen each. The answers so far stand in the address, so that going back is
// the browser's own way back; nothing is written before the last screen.
func (d *Daybook) newBuild(w http.ResponseWriter, r *http.Request) {
	if d.shelf.Dir() == "" {
		d.say(w, r, http.StatusConflict, "No folder", "The demos are kept in memory alone: start fettle open in a folder of your own to begin a build.")
		return
	}
	type answered struct{ Ask, Answer, To string }
	v := struct {
		Done       []answered
		Hidden     []field
		Question   *build.Question
		Wrong      string
		Given      string
		Number     int
		Folder     string
		Back, Save string
	}{}
	given := r.URL.Query()
	answers, asked := map[string]string{}, map[string]bool{}
	so := url.Values{}
	for {
		questions := build.Questions(answers)
		i := slices.IndexFunc(questions, func(q build.Question) bool { return !asked[q.Key] })
		if i < 0 {
			break
		}
		q := questions[i]
		name := "answer:" + q.Key
		text := strings.TrimSpace(given.Get(name))
		v.Number++
		if _, there := given[name]; !there {
			v.Question = &q
			break
		}
		if why := q.Check(text); why != "" {
			v.Question, v.Wrong, v.Given = &q, why, text
			break
		}
		asked[q.Key] = true
		shown := text
		switch {
		case text == "" && q.Default != "":
			shown = q.Default + " (taken as usual)"
		case text == "" || text == "?":
			shown = "left open"
		}
		v.Done = append(v.Done, answered{q.Ask, shown, "/new?" + so.Encode()})
		v.Back = "/new?" + so.Encode()
		so.Set(name, text)
		v.Hidden = append(v.Hidden, field{name, text})
		if text != "" {
			answers[q.Key] = text
		}
	}
	v.Folder = strings.Join(strings.Fields(strings.ToLower(answers["vehicle"])), "-")
	d.execute(w, r, "A first build", "new", v)
}
