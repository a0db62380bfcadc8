package render

import (
	"cmp"
	_ "embed"
	"html/template"
	"net/url"
	"strings"

	"fettle/internal/finding"
	"fettle/internal/unit"
)

// CSS is the style of the fragments and the tokens of the look (paper, ink, quiet, line, tint, look) for
// both themes and for paper; a page includes it once, before its own layout.
//
//go:embed render.css
var CSS template.CSS

//go:embed fragments.html
var fragmentSource string

var fragments = template.Must(template.New("").Parse(fragmentSource))

// HTMLOptions say how fragments fit their page.
type HTMLOptions struct {
	// Figure draws a figure (package draw does); nil: its key points stand in a table.
	Figure func(finding.Figure) template.HTML
	// Prefix goes before every id attribute, so that one page can hold several findings.
	Prefix string
	// Why is the address at which the working of a value or a verdict stands, its identifier comes behind it; "": workings stand
	// where they are asked for, folded.
	Why string
}

// anchor is an identifier as an id attribute, which holds no space; the user's names may.
func (o HTMLOptions) anchor(id string) string {
	if id == "" {
		return ""
	}
	return o.Prefix + strings.Join(strings.Fields(id), "-")
}

// The view types hold text ready to be set; the template only places it.
type (
	cellView struct {
		Verdict finding.Verdict
		Text    template.HTML
		Num     bool
	}
	columnView struct {
		Title string
		Num   bool
	}
	tableView struct {
		ID, Title string
		Columns   []columnView
		Rows      [][]cellView
	}
	valueView struct {
		ID, Name, Span, Sure, Reason string
		Number                       template.HTML
		Chosen                       bool
		Working                      *workingView
	}
	judgementView struct {
		ID, Subject, Requirement, Limit string
		Found, Margin                   template.HTML
		Verdict                         finding.Verdict
		Lines                           [][2]string // word and text under the requirement
		Working                         *workingView
	}
	stepView    struct{ Say, Formula, With, Result, Source string }
	workingView struct {
		Title, Hand, Solver, Apart, Difference string
		To                                     string // where it stands, if not here
		Steps                                  []stepView
		Sources                                []string
		Figure, Table                          template.HTML
	}
)

func execute(name string, data any) template.HTML {
	var b strings.Builder
	if err := fragments.ExecuteTemplate(&b, name, data); err != nil {
		panic("render: template " + name + ": " + err.Error()) // our own bug: the templates are embedded
	}
	return template.HTML(unit.Bind(b.String()))
}

// Figure and punctuation space are as wide as a digit and a point: padding with them sets decimal signs
// under one another without any measure in the style sheet.
const (
	figureSpace = "\u2007"
	pointSpace  = "\u2008"
)

// align sets numbers so that their decimal signs stand in one column. The padding is marked, so that a small
// screen, where there is no column, can drop it. An empty whole stays empty.
func align(ns []number) []template.HTML {
	var whole, frac int
	for _, n := range ns {
		whole, frac = max(whole, len([]rune(n.whole))), max(frac, len(n.frac))
	}
	pad := func(s string) string {
		if s == "" {
			return ""
		}
		return `<span class="pad">` + s + `</span>`
	}
	out := make([]template.HTML, len(ns))
	for i, n := range ns {
		if n.whole == "" {
			continue
		}
		after := ""
		if n.frac == "" && frac > 0 {
			after = pointSpace + strings.Repeat(figureSpace, frac-1)
		} else {
			after = strings.Repeat(figureSpace, frac-len(n.frac))
		}
		s := pad(strings.Repeat(figureSpace, whole-len([]rune(n.whole)))) + template.HTMLEscapeString(n.whole+n.frac)
		if n.sym != "" {
			s += pad(after) + unit.ThinSpace + template.HTMLEscapeString(n.sym)
		}
		out[i] = template.HTML(s)
	}
	return out
}

func escaped(s string) template.HTML { return template.HTML(template.HTMLEscapeString(s)) }

// HTML is everything the findings say, as one fragment of sections.
func HTML(f finding.Findings, o HTMLOptions) template.HTML {
	var b strings.Builder
	section := func(class, title string, parts ...template.HTML) {
		b.WriteString(`<section class="` + class + `">`)
		if title != "" {
			b.WriteString("<h2>" + template.HTMLEscapeString(title) + "</h2>")
		}
		for _, p := range parts {
			b.WriteString(string(p))
		}
		b.WriteString("</section>\n")
	}
	if len(f.Verdicts) > 0 {
		section("f-verdicts", "Verdicts", Verdicts(f.Verdicts, o), Owed(f.Verdicts))
	}
	if len(f.Values) > 0 {
		section("f-values", "Values", Values(f.Values, o))
	}
	for _, t := range f.Tables {
		section("f-table", "", Table(t, o))
	}
	for _, fig := range f.Figures {
		section("f-figure", "", figureHTML(fig, o))
	}
	if len(f.Notes) > 0 {
		section("f-notes", "Notes", Notes(f.Notes))
	}
	if len(f.Cautions) > 0 {
		section("f-cautions", "", Cautions(f.Cautions))
	}
	return template.HTML(b.String())
}

// Verdict is the shape and the word.
func Verdict(v finding.Verdict) template.HTML { return execute("verdict", v) }

// Verdicts is the table of what was judged, what fails first. What is owed is left to Owed.
func Verdicts(js []finding.Judgement, o HTMLOptions) template.HTML {
	judged, _ := Ordered(js)
	common := sought(judged)
	rows := make([]judgementView, len(judged))
	found, margins := make([]number, len(judged)), make([]number, len(judged))
	for i, j := range judged {
		if foundText(j) != "—" {
			found[i] = split(engineering(j.Value, j.Unit))
		}
		if j.Sense != "" && known(j.Margin) {
			n, sym := unit.Engineering(j.Margin, unit.SymRatio, 2)
			if j.Margin > 0 {
				n = "+" + n
			}
			margins[i] = split(n, sym)
		}
	}
	foundText, marginText := align(found), align(margins)
	for i, j := range judged {
		v := judgementView{ID: o.anchor(j.ID), Subject: j.Subject, Requirement: j.Requirement, Verdict: j.Verdict,
			Found: cmp.Or(foundText[i], "—"), Limit: cmp.Or(limitText(j), "—"), Margin: cmp.Or(marginText[i], "—"), Working: viewWorking(j.ID, j.Working, o)}
		add := func(word, text string) {
			if text != "" {
				v.Lines = append(v.Lines, [2]string{word, text})
			}
		}
		add("why", j.Why)
		add("as designed", designedText(j))
		add("worst at", j.Worst)
		if j.Verdict != finding.Holds {
			if j.Method != common {
				add("sought by", j.Method)
			}
			add("yield", yieldText(j.Yield))
			if j.Yield == nil {
				add("claim", j.Confidence)
			}
			add("mend", j.Mend)
		}
		rows[i] = v
	}
	return execute("verdicts", struct {
		Rows    []judgementView
		Sought  string
		Working bool
	}{rows, common, anyWorking(rows, func(j judgementView) *workingView { return j.Working })})
}

func anyWorking[T any](rows []T, working func(T) *workingView) bool {
	for _, r := range rows {
		if working(r) != nil {
			return true
		}
	}
	return false
}

// Owed lists what is unknown only because fettle does not answer it yet, or it was not run.
func Owed(js []finding.Judgement) template.HTML {
	_, owed := Ordered(js)
	if len(owed) == 0 {
		return ""
	}
	return execute("owed", owed)
}

// Values is the table of quantities, each with its interval and how it was obtained.
func Values(vs []finding.Value, o HTMLOptions) template.HTML {
	ns := make([]number, len(vs))
	for i, v := range vs {
		if v.Text == "" && known(v.Value) {
			ns[i] = split(engineering(v.Value, v.Unit))
		}
	}
	text := align(ns)
	rows := make([]valueView, len(vs))
	for i, v := range vs {
		rows[i] = valueView{ID: o.anchor(v.ID), Name: v.Name, Number: cmp.Or(text[i], escaped(v.Text), "unknown"), Sure: v.Sure, Chosen: v.Chosen, Working: viewWorking(v.ID, v.Working, o)}
		if interval(v) {
			rows[i].Span = Interval(v.Low, v.High, v.Unit)
		}
		sep := ""
		if v.Method != "" && v.Reason != "" {
			sep = ": "
		}
		rows[i].Reason = v.Method + sep + v.Reason
	}
	return execute("values", struct {
		Rows    []valueView
		Working bool
	}{rows, anyWorking(rows, func(v valueView) *workingView { return v.Working })})
}

// Table is a table of findings; the first column heads its rows.
func Table(t finding.Table, o HTMLOptions) template.HTML {
	v := tableView{Title: t.Title}
	if t.ID != "" {
		v.ID = o.anchor(t.ID)
	}
	v.Rows = make([][]cellView, len(t.Rows))
	for r := range t.Rows {
		v.Rows[r] = make([]cellView, len(t.Columns))
	}
	for c, col := range t.Columns {
		factor, sym, same := scaled(t, c)
		title := col.Title
		if same && sym != "" {
			title += " / " + sym
		}
		ns := make([]number, len(t.Rows))
		numeric := col.Numeric
		for r, row := range t.Rows {
			if c >= len(row) {
				continue
			}
			if cell := tableCell(row[c], col, same, factor); cell.num != nil {
				ns[r] = *cell.num
				// The shape is set by the template, from the verdict.
				ns[r].whole = strings.TrimPrefix(ns[r].whole, row[c].Verdict.Shape()+" ")
				numeric = true
			}
		}
		text := align(ns)
		for r, row := range t.Rows {
			if c < len(row) {
				v.Rows[r][c] = cellView{row[c].Verdict, cmp.Or(text[r], escaped(row[c].Text)), text[r] != ""}
			}
		}
		v.Columns = append(v.Columns, columnView{title, numeric})
	}
	return execute("table", v)
}

// WorkingHTML is the derivation of the number of that identifier, folded under the word "working".
func WorkingHTML(id string, k *finding.Working, o HTMLOptions) template.HTML {
	v := viewWorking(id, k, o)
	if v == nil {
		return ""
	}
	return execute("working", v)
}

func viewWorking(id string, k *finding.Working, o HTMLOptions) *workingView {
	switch {
	case k == nil:
		return nil
	case o.Why != "" && id != "":
		return &workingView{Title: k.Title, To: o.Why + url.QueryEscape(id)}
	}
	v := &workingView{Title: k.Title, Difference: k.Difference, Sources: k.Sources}
	for _, s := range k.Steps {
		o := stepView{Say: s.Say, Formula: s.Formula, With: s.With, Source: s.Source}
		if stepHasResult(s) {
			o.Result = unit.Format(s.Result, s.Unit, digits)
		}
		v.Steps = append(v.Steps, o)
	}
	if known(k.Hand) && known(k.Solver) && (k.Hand != 0 || k.Solver != 0) {
		v.Hand, v.Solver, v.Apart = unit.Format(k.Hand, k.Unit, digits), unit.Format(k.Solver, k.Unit, digits), apart(k)
	}
	if k.Figure != nil {
		v.Figure = figureHTML(*k.Figure, o)
	}
	if k.Table != nil {
		t := *k.Table
		t.ID = "" // a working may stand beside several numbers: no identifier twice
		v.Table = Table(t, o)
	}
	return v
}

func figureHTML(f finding.Figure, o HTMLOptions) template.HTML {
	if o.Figure != nil {
		return o.Figure(f)
	}
	t, _ := keyPoints(f)
	t.Title = f.Title
	return Table(t, o)
}

// Notes is a list of notes.
func Notes(ns []finding.Note) template.HTML { return execute("notes", ns) }

// Cautions is a list of cautions, each with the work it belongs to.
func Cautions(cs []finding.Caution) template.HTML { return execute("cautions", cs) }
