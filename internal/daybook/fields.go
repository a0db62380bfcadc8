package daybook

import (
	"fmt"
	"html/template"
	"net/url"
	"slices"
	"strings"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/render"
	"fettle/internal/unit"
)

// A block of the build file as a form: every attribute of its schema is a field.
type formView struct {
	Action, Base, Back, Title, Doc string
	Rows, More                     []rowView // More are those that are seldom wanted: neither written nor chosen
	Make                           bool      // the block is not in the file: it is made with the first value
	Acts                           *actsView // what else may be done with the block; nil where it is not there
}

// An actsView renames a block and takes it out.
type actsView struct {
	Home, Base, Back, ID string
	Path, What, Label    string // Label: its name now
	Named                bool
}

// rowView is one attribute.
type rowView struct {
	attr                 string
	ID, Field, Name, Doc string
	Text                 string   // as written; "" where it is not
	Words                []string // that may stand there
	Only                 bool     // and no others
	List                 []string // of several in one line, each a field
	Picks                []pick   // of names that are known, each a box
	Assumed              string   // what holds where nothing is written
	Owed                 bool     // nothing answers it yet
	Found                string
	State                finding.Verdict
	Reason               string
	Working              template.HTML
}

// fieldID is the id attribute of a field.
func fieldID(field string) string {
	return "f" + plain(field)
}

// blockAt walks the schema down a path of block names.
func blockAt(names ...string) *build.Block {
	b := build.Schema()
	for _, n := range names {
		i := slices.IndexFunc(b.Blocks, func(c *build.Block) bool { return c.Name == n })
		if i < 0 {
			panic("daybook: the schema has no block " + strings.Join(names, " ")) // a slip of ours
		}
		b = b.Blocks[i]
	}
	return b
}

// form is the form of one block of the file, or of one that is not there yet and may be. The findings of its values have the identifiers that begin with id and a dot.
func (v *view) form(title string, block *build.Block, id string, path ...string) formView {
	f := formView{Action: v.Base + "edit", Base: v.ID, Back: v.r.URL.RequestURI(), Title: title, Doc: block.Doc}
	src := v.rev.Sources[v.book.File()]
	if v.written == nil {
		v.written = map[string]build.Edit{}
		list, _ := build.Values(v.book.File(), src) // it was read as a build
		for _, e := range list {
			v.written[Field(e.Path, e.Attr)] = e
		}
		v.there = map[string]bool{}
		for _, p := range build.Blocks(v.book.File(), src) {
			v.there[blockName(p)] = true
		}
	}
	there := len(path) == 0 || v.there[blockName(path)]
	f.Make = !there
	if there && len(path) > 0 {
		f.Acts = &actsView{Home: v.Base, Base: f.Base, Back: f.Back, ID: "b" + plain(blockName(path)), Path: blockName(path), What: strings.Join(path[max(0, len(path)-2):], " "), Named: block.Named()}
		switch label, _, several := strings.Cut(path[len(path)-1], "#"); {
		case block.Label == "" && !block.Many:
			f.Acts.What = block.Name
		case block.Label == "" || several: // its number says little
			f.Acts.What, f.Acts.Label = block.Name+" "+title, label
		default:
			f.Acts.Label = label
		}
	}
	for _, a := range block.Attrs {
		as, written := v.written[Field(path, a.Name)]
		text := as.Text()
		r := rowView{attr: a.Name, Field: Field(path, a.Name), Name: strings.ReplaceAll(a.Name, "_", " "), Doc: a.Doc, Text: text, Words: slices.Clone(a.Words), Only: a.Kind == build.KindWord, Owed: a.By == build.NotYet}
		r.ID = fieldID(r.Field)
		if len(as.List) > 1 {
			r.List = as.List
		}
		if known := v.known(block, &a, path); a.Kind == build.KindNames && len(known) > 0 {
			now := as.List
			if len(now) == 0 && written {
				now = []string{text}
			}
			r.List = nil
			r.picks(now, append(known, a.Words...))
		} else {
			r.Words = append(r.Words, known...)
		}
		if a.Kind == build.KindFlag {
			r.Words, r.Only = []string{"true", "false"}, true
		}
		if a.Choose {
			r.Words = append(r.Words, "choose")
		}
		if r.Only && written && !slices.Contains(r.Words, text) {
			r.Words = append(r.Words, text)
		}
		if !written && a.Default != "" {
			r.Assumed = a.Default
			if a.Source != "" {
				r.Reason = "assumed: " + a.Source
			}
		}
		wanted := written || a.Required
		if id != "" {
			if x := v.value(id + "." + a.Name); x != nil {
				wanted = true
				r.Found = found(*x)
				r.Reason = x.Reason
				if x.Chosen {
					r.Reason = strings.TrimSuffix("chosen: "+x.Reason, ": ")
				}
				r.Working = v.far(x.ID, x.Working)
			}
			r.State = state(v.all, []string{id + "." + a.Name + "-"})
			if r.State == finding.Holds {
				r.State = ""
			}
		}
		if wanted || r.Assumed != "" && !a.Choose {
			f.Rows = append(f.Rows, r)
		} else {
			f.More = append(f.More, r)
		}
	}
	switch {
	case f.Make:
		f.Rows, f.More = nil, append(f.Rows, f.More...)
	case len(f.Rows) == 0:
		f.Rows, f.More = f.More, nil
	}
	return f
}

// found is a value in a few words: the number, and its interval where it has one.
func found(x finding.Value) string {
	if x.Text != "" {
		return x.Text
	}
	text := unit.Format(x.Value, x.Unit, 3)
	if x.Low < x.High && !x.Chosen { // of a chosen value it is what else would do, which the reason says
		text += " (" + render.Interval(x.Low, x.High, x.Unit) + ")"
	}
	return text
}

// value finds a value by its identifier.
func (v *view) value(id string) *finding.Value {
	for i := range v.all.Values {
		if v.all.Values[i].ID == id {
			return &v.all.Values[i]
		}
	}
	return nil
}

// verdicts are the requirements whose identifiers begin in one of those ways; nothing where there are none. What holds is one line
// where it is much, and its table stands on the page of why: script fetches it when the line is opened.
func (v *view) verdicts(prefix string, begin ...string) template.HTML {
	look, hold := v.under(begin)
	if len(hold) <= folded {
		look, hold = append(look, hold...), nil
	}
	var out template.HTML
	if len(look) > 0 {
		out = render.Verdicts(look, v.toWhy(prefix))
	}
	if len(hold) > 0 {
		out += executed("held", struct {
			Count  int
			Of, To string
		}{len(hold), strings.Trim(begin[0], "."), v.Base + "why?" + url.Values{"under": begin}.Encode()})
	}
	return out
}

// under are the requirements whose identifiers begin in one of those ways, those that hold apart.
func (v *view) under(begin []string) (look, hold []finding.Judgement) {
	for _, j := range v.all.Verdicts {
		if begins(j.ID, begin) && !j.NotYet() {
			if j.Verdict == finding.Holds {
				hold = append(hold, j)
			} else {
				look = append(look, j)
			}
		}
	}
	return look, hold
}

// folded is how many requirements that hold stand open; more are one line.
const folded = 4

func (v *view) values(prefix string, begin ...string) template.HTML {
	var vs []finding.Value
	for _, x := range v.all.Values {
		if begins(x.ID, begin) {
			vs = append(vs, x)
		}
	}
	if len(vs) == 0 {
		return ""
	}
	return render.Values(vs, v.toWhy(prefix))
}

func (v *view) tables(prefix string, begin ...string) (out []template.HTML) {
	for _, t := range v.all.Tables {
		if begins(t.ID, begin) && len(t.Rows) > 0 {
			out = append(out, render.Table(t, v.options(prefix)))
		}
	}
	return out
}

func (v *view) notes(begin ...string) template.HTML {
	var ns []finding.Note
	for _, n := range v.all.Notes {
		if begins(n.ID, begin) {
			ns = append(ns, n)
		}
	}
	if len(ns) == 0 {
		return ""
	}
	return render.Notes(ns)
}

func begins(id string, begin []string) bool {
	return slices.ContainsFunc(begin, func(b string) bool { return id == b || strings.HasPrefix(id, b) })
}

func (v *view) working(w *finding.Working) template.HTML {
	return render.WorkingHTML("", w, v.options(fmt.Sprintf("w%d-", v.next())))
}

// far is the working of a value of the build, which stands on the page of why.
func (v *view) far(id string, w *finding.Working) template.HTML {
	return render.WorkingHTML(id, w, v.toWhy(""))
}

// toWhy sets what the build's findings hold, whose workings stand on the page of why: script fetches each when it is opened, since
// all of them together are most of a page.
func (v *view) toWhy(prefix string) render.HTMLOptions {
	o := v.options(prefix)
	o.Why = v.Base + "why?of="
	return o
}

// bare is a working without its figure, for pages on which that stands already.
func bare(w *finding.Working) *finding.Working {
	if w == nil || w.Figure == nil {
		return w
	}
	own := *w
	own.Figure = nil
	return &own
}
