package daybook

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"fettle/internal/live"
	"fettle/internal/parts"
	"fettle/internal/render"
	"fettle/internal/unit"
)

// A bagView is one line of the drawer.
type bagView struct {
	To, Part, Pieces, Package, Price, Note string
	Here                                   bool
}

// A drawerForm is a line of the drawer as a form: one that is there, or a new one.
type drawerForm struct {
	Action, Back, Row, Title string
	Rows, More               []rowView // More are those that describe a part of one's own, or what was measured on it
}

// drawerForm is the form of a line; cells is what stands in it.
func (v *view) drawerForm(title, row string, cells map[string]string) drawerForm {
	f := drawerForm{Action: v.Base + "drawer", Back: v.Base + "drawer", Row: row, Title: title}
	id := "new-"
	if row != "" {
		id = "line-"
	}
	for _, c := range parts.Columns() {
		r := rowView{ID: id + c.Name, Field: "c:" + c.Name, Name: strings.ReplaceAll(c.Name, "_", " "), Doc: c.Doc, Text: cells[c.Name]}
		if c.Name == "kind" {
			r.Words, r.Only = parts.Kinds(), true
			if r.Text != "" && !slices.Contains(r.Words, r.Text) {
				r.Words = append(r.Words, r.Text)
			}
		}
		if c.Usual || r.Text != "" {
			f.Rows = append(f.Rows, r)
		} else {
			f.More = append(f.More, r)
		}
	}
	return f
}

func showDrawer(v *view) (string, any) {
	type data struct {
		Title, Lead string
		Wanted      section
		Assumed     *section
		Say, Where  string
		Bags        []bagView
		Line, New   *drawerForm
		Gone        bool
		Problems    []problemJSON
	}
	p := data{Title: "Parts and drawer", Lead: "What the build wants, and what the drawer holds. drawer.csv opens in any spreadsheet; it may lie one folder up and serve all builds."}
	s := section{Live: "parts", Title: "Wanted", State: state(v.all, []string{"drawer."})}
	if len(v.proved.Parts.Rows) > 0 {
		s.add(render.Table(v.proved.Parts, v.options("parts-")))
	}
	s.add(v.values("cost-", "cost."))
	s.Forms = append(s.Forms, v.form("to compare with", blockAt("cost"), "", "cost"))
	p.Wanted = s
	fresh := v.drawerForm("Add a line", "", nil)
	p.New = &fresh
	file := v.rev.Folder.DrawerFile
	b := v.rev.Folder.Build
	if b.Drawer == nil {
		p.Say = "There is no drawer.csv beside the build, nor one folder up: every part counts as to be bought. The first line that you add makes one."
	} else {
		p.Where = filepath.ToSlash(file)
		if filepath.Dir(file) != filepath.Dir(v.book.File()) {
			p.Where += ", which all builds under that folder share"
		}
		row := v.r.URL.Query().Get("row")
		for _, it := range b.Drawer.Items {
			key := live.RowKey(v.rev.Sources[file], it.Range.Start.Line)
			p.Bags = append(p.Bags, bag(it, v.Base+"drawer?row="+key+"#line", key == row))
			if key == row {
				if cells, err := parts.Cells(file, v.rev.Sources[file], it.Range.Start.Line); err == nil {
					f := v.drawerForm("Change the line of "+it.Text, key, cells)
					p.Line = &f
				}
			}
		}
		p.Gone = row != "" && p.Line == nil
		for _, x := range v.rev.Problems {
			if x.Range.File == file {
				p.Problems = append(p.Problems, problem(x))
			}
		}
	}
	n := section{Live: "assumed", Title: "Assumed of the parts"}
	n.add(v.notes("assumed"))
	if len(n.Parts) > 0 {
		p.Assumed = &n
	}
	return "drawer", p
}

// bag is one line of the drawer.
func bag(it parts.Item, to string, here bool) bagView {
	b := bagView{To: to, Part: it.Text, Pieces: fmt.Sprint(it.Count), Package: it.Package, Note: it.Note, Here: here}
	if it.Count < 0 {
		b.Pieces = "plenty"
	}
	if unit.Known(it.Price) {
		b.Price = fmt.Sprintf("%.2f", float64(it.Price))
	}
	for _, t := range []*string{&b.Package, &b.Price, &b.Note} {
		if *t == "" {
			*t = "—"
		}
	}
	return b
}
