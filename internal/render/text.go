package render

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"os"
	"strings"

	"github.com/charmbracelet/lipgloss"
	"github.com/muesli/termenv"
	"golang.org/x/term"

	"fettle/internal/finding"
	"fettle/internal/unit"
)

// Options say how text is laid out. The zero value is 80 columns without colour.
type Options struct {
	Width  int  // columns; 0: 80. Below 40 counts as 40
	Colour bool // ANSI colours; verdicts keep their shape and word either way
}

// For gives the options that suit a writer: colour only if it is a terminal and NO_COLOR is unset (the
// convention of no-color.org), and the terminal's width up to 100 columns. Env is os.LookupEnv.
func For(w io.Writer, env func(string) (string, bool)) Options {
	f, ok := w.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return Options{}
	}
	var o Options
	if cols, _, err := term.GetSize(int(f.Fd())); err == nil {
		o.Width = min(cols, 100)
	}
	no, set := env("NO_COLOR")
	kind, _ := env("TERM")
	o.Colour = !(set && no != "") && kind != "dumb"
	return o
}

func (o Options) width() int {
	if o.Width == 0 {
		return 80
	}
	return max(o.Width, 40)
}

// The hands that write: each leaves the text alone without colour.
type styles struct{ title, quiet, look, close lipgloss.Style }

func (o Options) styles() styles {
	r := lipgloss.NewRenderer(io.Discard)
	r.SetColorProfile(termenv.Ascii)
	if o.Colour {
		r.SetColorProfile(termenv.ANSI)
	}
	s := r.NewStyle
	return styles{title: s().Bold(true), quiet: s().Faint(true), look: s().Bold(true).Foreground(lipgloss.Color("1")), close: s().Bold(true)}
}

func (s styles) verdict(v finding.Verdict, text string) string {
	switch v {
	case finding.Fails:
		return s.look.Render(text)
	case finding.Close, finding.Unknown:
		return s.close.Render(text)
	}
	return text
}

// A page gathers lines of text.
type page struct {
	b    strings.Builder
	opts Options
	st   styles
}

func newPage(o Options) *page { return &page{opts: o, st: o.styles()} }

func (p *page) line(s string) {
	p.b.WriteString(strings.TrimRight(s, " "))
	p.b.WriteByte('\n')
}

// gap leaves one empty line between blocks.
func (p *page) gap() {
	if s := p.b.String(); s != "" && !strings.HasSuffix(s, "\n\n") {
		p.b.WriteByte('\n')
	}
}

func (p *page) heading(s string) {
	p.gap()
	for _, l := range wrap(s, p.opts.width()) {
		p.line(p.st.title.Render(l))
	}
}

// para writes wrapped text, the first line after lead, the others indented as far as lead reaches.
func (p *page) para(lead, text string) {
	indent := lipgloss.Width(lead)
	for i, l := range wrap(text, p.opts.width()-indent) {
		if i > 0 {
			lead = strings.Repeat(" ", indent)
		}
		p.line(lead + l)
	}
}

func (p *page) flush(w io.Writer) error {
	_, err := io.WriteString(w, strings.TrimRight(p.b.String(), "\n")+"\n")
	return err
}

// wrap breaks text at ordinary spaces (a thin space holds a number to its unit) so that no line is wider
// than width, and breaks a word only where it alone is wider.
func wrap(text string, width int) []string {
	width = max(width, 1)
	var out []string
	for _, para := range strings.Split(unit.Bind(text), "\n") {
		line := ""
		for _, word := range strings.Split(para, " ") {
			if word == "" {
				continue
			}
			for lipgloss.Width(word) > width {
				if line != "" {
					out = append(out, line)
					line = ""
				}
				cut, w := 0, 0
				for i, r := range word {
					if w += lipgloss.Width(string(r)); w > width {
						cut = i
						break
					}
				}
				if cut == 0 {
					break
				}
				out, word = append(out, word[:cut]), word[cut:]
			}
			switch {
			case line == "":
				line = word
			case lipgloss.Width(line)+1+lipgloss.Width(word) <= width:
				line += " " + word
			default:
				out = append(out, line)
				line = word
			}
		}
		out = append(out, line)
	}
	return out
}

func pad(s string, width int) string {
	return s + strings.Repeat(" ", max(0, width-lipgloss.Width(s)))
}

func padLeft(s string, width int) string {
	return strings.Repeat(" ", max(0, width-lipgloss.Width(s))) + s
}

// A grid is a table to be laid out: columns of words, which wrap, and of numbers, which align.
type grid struct {
	titles []string
	rows   []gridRow
}

type gridRow struct {
	cells   []gridCell
	verdict finding.Verdict
	after   []string // paragraphs under the row
}

type gridCell struct {
	text string
	num  *number
}

func words(s string) gridCell { return gridCell{text: s} }

func figures(x float64, symbol string) gridCell {
	if math.IsNaN(x) {
		return words("unknown")
	}
	n := split(engineering(x, symbol))
	return gridCell{num: &n}
}

const gutter = 2

// grid lays the table out within the width less indent. Where even wrapped columns do not fit, each row
// becomes a list of "title: value" lines.
func (p *page) grid(g grid, indent int) {
	cols := 0
	for _, r := range g.rows {
		cols = max(cols, len(r.cells))
	}
	type metric struct{ whole, frac, sym int }
	m := make([]metric, cols)
	for c := range m {
		for _, r := range g.rows {
			if c >= len(r.cells) {
				continue
			}
			if n := r.cells[c].num; n != nil {
				m[c].whole = max(m[c].whole, lipgloss.Width(n.whole))
				m[c].frac = max(m[c].frac, lipgloss.Width(n.frac))
				m[c].sym = max(m[c].sym, lipgloss.Width(n.sym))
			}
		}
	}
	text := func(c int, cell gridCell) string {
		if cell.num == nil {
			return cell.text
		}
		s := padLeft(cell.num.whole, m[c].whole) + pad(cell.num.frac, m[c].frac)
		if m[c].sym > 0 {
			gap := " "
			if cell.num.sym != "" {
				gap = unit.ThinSpace
			}
			s += gap + cell.num.sym
		}
		return s
	}
	width, least := make([]int, cols), make([]int, cols)
	for c := range m {
		note := func(s string, wraps bool) {
			width[c] = max(width[c], lipgloss.Width(s))
			if !wraps {
				least[c] = max(least[c], lipgloss.Width(s))
				return
			}
			for _, w := range strings.Split(s, " ") {
				least[c] = max(least[c], min(lipgloss.Width(w), 14))
			}
		}
		if g.titles != nil && c < len(g.titles) {
			note(g.titles[c], true)
		}
		for _, r := range g.rows {
			if c < len(r.cells) {
				note(text(c, r.cells[c]), r.cells[c].num == nil)
			}
		}
	}
	room := p.opts.width() - indent - gutter*(cols-1)
	total := 0
	for _, w := range width {
		total += w
	}
	for total > room {
		widest := -1
		for c := range width {
			if width[c] > least[c] && (widest < 0 || width[c] > width[widest]) {
				widest = c
			}
		}
		if widest < 0 {
			p.stacked(g, indent, text)
			return
		}
		width[widest]--
		total--
	}
	margin := strings.Repeat(" ", indent)
	emit := func(cells []string, style func(string) string) {
		lines := make([][]string, cols)
		high := 1
		for c := range cells {
			lines[c] = []string{cells[c]}
			if lipgloss.Width(cells[c]) > width[c] {
				lines[c] = wrap(cells[c], width[c])
			}
			high = max(high, len(lines[c]))
		}
		for i := range high {
			var b strings.Builder
			b.WriteString(margin)
			for c := range cols {
				s := ""
				if i < len(lines[c]) {
					s = lines[c][i]
				}
				b.WriteString(pad(s, width[c]))
				if c < cols-1 {
					b.WriteString(strings.Repeat(" ", gutter))
				}
			}
			p.line(style(strings.TrimRight(b.String(), " ")))
		}
	}
	plainly := func(s string) string { return s }
	if g.titles != nil {
		emit(g.titles, func(s string) string { return p.st.quiet.Render(s) })
		rule := 0
		for _, w := range width {
			rule += w
		}
		p.line(margin + p.st.quiet.Render(strings.Repeat("─", rule+gutter*(cols-1))))
	}
	for _, r := range g.rows {
		cells := make([]string, cols)
		for c := range r.cells {
			cells[c] = text(c, r.cells[c])
		}
		style := plainly
		if r.verdict != "" {
			v := r.verdict
			style = func(s string) string { return p.st.verdict(v, s) }
		}
		emit(cells, style)
		for _, a := range r.after {
			p.para(margin+strings.Repeat(" ", 4), a)
		}
	}
}

func (p *page) stacked(g grid, indent int, text func(int, gridCell) string) {
	margin := strings.Repeat(" ", indent)
	for i, r := range g.rows {
		if i > 0 {
			p.gap()
		}
		var rest []string // without titles, what follows the second cell is short and shares a line
		for c, cell := range r.cells {
			s := strings.TrimSpace(text(c, cell))
			switch {
			case s == "":
			case c == 0:
				p.para(margin, s)
			case c < len(g.titles) && g.titles[c] != "":
				p.para(margin+"  ", g.titles[c]+": "+s)
			case c == 1:
				p.para(margin+"  ", s)
			default:
				rest = append(rest, s)
			}
		}
		if len(rest) > 0 {
			p.para(margin+"  ", strings.Join(rest, ", "))
		}
		for _, a := range r.after {
			p.para(margin+"    ", a)
		}
	}
}

// Text writes findings for a terminal: verdicts first (what fails on top), then values, tables, figures in
// key points, notes, and cautions.
func Text(w io.Writer, f finding.Findings, o Options) error {
	p := newPage(o)
	title := f.Question
	if f.Build != "" {
		title += " · " + f.Build
	}
	whole := ""
	if len(f.Verdicts) > 0 {
		whole = verdictText(f.Worst())
	}
	if title != "" {
		space := o.width() - lipgloss.Width(whole)
		if lipgloss.Width(title)+2 > space {
			p.para("", title)
			p.line(p.st.verdict(f.Worst(), whole))
		} else {
			line := p.st.title.Render(title)
			if whole != "" {
				line += strings.Repeat(" ", space-lipgloss.Width(title)) + p.st.verdict(f.Worst(), whole)
			}
			p.line(line)
		}
		p.line(p.st.quiet.Render(strings.Repeat("─", o.width())))
	}
	p.verdicts(f.Verdicts)
	p.values(f.Values)
	for _, t := range f.Tables {
		p.heading(t.Title)
		p.table(t, 2)
	}
	for _, fig := range f.Figures {
		p.heading(fig.Title)
		p.figure(fig, 2)
	}
	p.notes(f.Notes)
	if len(f.Cautions) > 0 {
		p.heading("cautions")
		for _, c := range f.Cautions {
			p.para("  ", c.Where+": "+c.Text)
		}
	}
	return p.flush(w)
}

func (p *page) verdicts(js []finding.Judgement) {
	if len(js) == 0 {
		return
	}
	p.gap()
	p.para("", Tally(js))
	judged, owed := Ordered(js)
	method := sought(judged)
	if len(judged) > 0 {
		p.gap()
		g := grid{}
		for _, j := range judged {
			g.rows = append(g.rows, gridRow{cells: verdictCells(j), verdict: j.Verdict, after: after(j, method)})
		}
		p.grid(g, 0)
	}
	if method != "" {
		p.gap()
		p.para("", "sought by: "+method)
	}
	if len(owed) > 0 {
		p.heading("? not judged yet")
		for _, j := range owed {
			p.para("  ", name(j)+": "+j.Why)
		}
	}
}

func name(j finding.Judgement) string {
	if j.Subject == "" {
		return j.Requirement
	}
	return j.Subject + ": " + j.Requirement
}

func verdictCells(j finding.Judgement) []gridCell {
	found := words(foundText(j))
	if found.text != "—" {
		found = figures(j.Value, j.Unit)
	}
	margin := ""
	if j.Sense != "" {
		margin = padLeft(Margin(j.Margin), 6)
	}
	return []gridCell{words(verdictText(j.Verdict)), words(name(j)), found, words(limitText(j)), words(margin)}
}

// after is what stands under a verdict: where it is worst for all, the rest where something is not well.
func after(j finding.Judgement, common string) []string {
	var out []string
	if j.Worst != "" {
		out = append(out, "worst at "+j.Worst)
	}
	if j.Why != "" {
		out = append(out, "why: "+j.Why)
	}
	if d := designedText(j); d != "" {
		out = append(out, "as designed: "+d)
	}
	if j.Verdict == finding.Holds {
		return out
	}
	if j.Method != "" && j.Method != common {
		out = append(out, "sought by: "+j.Method)
	}
	if y := yieldText(j.Yield); y != "" {
		out = append(out, y)
	} else if j.Confidence != "" {
		out = append(out, j.Confidence)
	}
	if j.Mend != "" {
		out = append(out, "mend: "+j.Mend)
	}
	return out
}

func (p *page) values(vs []finding.Value) {
	if len(vs) == 0 {
		return
	}
	p.heading("values")
	g := grid{}
	for _, v := range vs {
		val := words(v.Text)
		if v.Text == "" {
			val = figures(v.Value, v.Unit)
		}
		span := ""
		if interval(v) {
			span = Interval(v.Low, v.High, v.Unit)
		}
		row := gridRow{cells: []gridCell{words(v.Name), val, words(span), words(v.Sure)}}
		lead := v.Method
		if v.Chosen {
			lead = "chosen"
			if v.Method != "" {
				lead += " by " + v.Method
			}
		}
		switch {
		case lead != "" && v.Reason != "":
			row.after = []string{lead + ": " + v.Reason}
		case lead != "" || v.Reason != "":
			row.after = []string{lead + v.Reason}
		}
		g.rows = append(g.rows, row)
	}
	p.grid(g, 2)
}

func (p *page) table(t finding.Table, indent int) {
	if len(t.Rows) == 0 {
		p.line(strings.Repeat(" ", indent) + "nothing")
		return
	}
	g := grid{}
	factor, sym, same := make([]float64, len(t.Columns)), make([]string, len(t.Columns)), make([]bool, len(t.Columns))
	for c, col := range t.Columns {
		title := col.Title
		if factor[c], sym[c], same[c] = scaled(t, c); same[c] && sym[c] != "" {
			title += " / " + sym[c]
		}
		g.titles = append(g.titles, title)
	}
	for _, row := range t.Rows {
		r := gridRow{}
		for c := range t.Columns {
			if c >= len(row) {
				r.cells = append(r.cells, words(""))
				continue
			}
			r.cells = append(r.cells, tableCell(row[c], t.Columns[c], same[c], factor[c]))
			if v := row[c].Verdict; v != "" && (r.verdict == "" || rank[v] < rank[r.verdict]) {
				r.verdict = v
			}
		}
		g.rows = append(g.rows, r)
	}
	p.grid(g, indent)
}

func tableCell(c finding.Cell, col finding.Column, same bool, factor float64) gridCell {
	x, symbol, ok := cellNumber(c, col)
	var out gridCell
	switch {
	case ok && same:
		n := split(plainDigits(x/factor, cmp.Or(c.Digits, digits)), "")
		out = gridCell{num: &n}
	case ok:
		n := split(unit.Engineering(x, symbol, cmp.Or(c.Digits, digits)))
		out = gridCell{num: &n}
	case col.Numeric && isFigure(c.Text):
		n := split(c.Text, "")
		out = gridCell{num: &n}
	default:
		out = words(c.Text)
	}
	if c.Verdict != "" {
		shape := c.Verdict.Shape() + " "
		if out.num != nil {
			out.num.whole = shape + out.num.whole
		} else {
			out.text = shape + out.text
		}
	}
	return out
}

// isFigure reports whether the text is digits with at most one decimal point.
func isFigure(s string) bool {
	s = strings.TrimLeft(s, "+−-")
	return s != "" && strings.Trim(s, "0123456789.") == "" && strings.Count(s, ".") <= 1
}

func (p *page) notes(ns []finding.Note) {
	if len(ns) == 0 {
		return
	}
	p.heading("notes")
	for _, n := range ns {
		text := n.Text
		if n.Kind != "" {
			text = n.Kind + ": " + text
		}
		p.para("  ", text)
	}
}

// figure writes the key points of a figure: five places along its curves, then limits and marks.
func (p *page) figure(f finding.Figure, indent int) {
	margin := strings.Repeat(" ", indent)
	if f.Caption != "" {
		p.para(margin, f.Caption)
	}
	if t, ok := keyPoints(f); ok {
		p.table(t, indent)
	}
	for _, b := range f.Bands {
		a := f.Y
		if b.Vertical {
			a = f.X
		}
		var where string
		switch {
		case !known(b.From) && !known(b.To):
			continue
		case !known(b.From):
			where = "below " + unit.Format(b.To, a.Unit, digits)
		case !known(b.To):
			where = "above " + unit.Format(b.From, a.Unit, digits)
		default:
			where = Interval(b.From, b.To, a.Unit)
		}
		p.para(margin, b.Label+": "+a.Quantity+" "+where)
	}
	for _, m := range f.Marks {
		var at []string
		if known(m.X) {
			at = append(at, f.X.Quantity+" "+unit.Format(m.X, f.X.Unit, digits))
		}
		if known(m.Y) {
			at = append(at, f.Y.Quantity+" "+unit.Format(m.Y, f.Y.Unit, digits))
		}
		p.para(margin, m.Label+": "+strings.Join(at, ", "))
	}
}

// keyPoints samples the curves at five places spread along the abscissa.
func keyPoints(f finding.Figure) (finding.Table, bool) {
	low, high := math.Inf(1), math.Inf(-1)
	for _, c := range f.Curves {
		for i, x := range c.X {
			if f.Y.Log && i > 1 && x == c.X[i-1] && c.X[i-1] > c.X[i-2] { // bins: five of them say nothing
				return finding.Table{}, false
			}
			if i < len(c.Y) && known(x) && known(c.Y[i]) {
				low, high = min(low, x), max(high, x)
			}
		}
	}
	if !(low < high) {
		return finding.Table{}, false
	}
	t := finding.Table{Columns: []finding.Column{{Title: f.X.Quantity, Unit: f.X.Unit, Numeric: true}}}
	for _, c := range f.Curves {
		t.Columns = append(t.Columns, finding.Column{Title: c.Label, Unit: f.Y.Unit, Numeric: true})
	}
	const places = 5
	for k := range places {
		s := float64(k) / (places - 1)
		x := low + s*(high-low)
		if f.X.Log && low > 0 {
			x = low * math.Pow(high/low, s)
		}
		row := []finding.Cell{axisCell(x, f.X.Unit)}
		for _, c := range f.Curves {
			row = append(row, axisCell(between(c, x), f.Y.Unit))
		}
		t.Rows = append(t.Rows, row)
	}
	return t, true
}

func axisCell(x float64, symbol string) finding.Cell {
	switch {
	case math.IsNaN(x):
		return finding.Cell{Number: nan, Text: "—"}
	case symbol == "":
		return finding.Cell{Number: nan, Text: plainDigits(x, digits)}
	}
	return finding.Cell{Number: x, Unit: symbol}
}

// between reads a curve at x by a straight line between its points, as an eye would; NaN outside.
func between(c finding.Curve, x float64) float64 {
	n := min(len(c.X), len(c.Y))
	for i := range n {
		if math.Abs(c.X[i]-x) <= 1e-9*math.Abs(x) {
			return c.Y[i]
		}
		if i > 0 && (c.X[i-1]-x)*(c.X[i]-x) < 0 {
			s := (x - c.X[i-1]) / (c.X[i] - c.X[i-1])
			return c.Y[i-1] + s*(c.Y[i]-c.Y[i-1])
		}
	}
	return nan
}

// Working writes one derivation: each step with formula, numbers, result and source; then the hand estimate
// beside the solver with their difference in words.
func Working(w io.Writer, k *finding.Working, o Options) error {
	p := newPage(o)
	p.working(k, 0)
	return p.flush(w)
}

func (p *page) working(k *finding.Working, indent int) {
	if k == nil {
		return
	}
	margin := strings.Repeat(" ", indent)
	if k.Title != "" {
		p.heading(k.Title)
	}
	for _, s := range k.Steps {
		if s.Say != "" {
			p.para(margin+"  ", s.Say)
		}
		lead := margin + "      "
		if s.Formula != "" {
			p.para(lead, s.Formula)
		}
		right := s.With
		if stepHasResult(s) {
			if right != "" || s.Formula != "" {
				right += " = "
			}
			right += unit.Format(s.Result, s.Unit, digits)
		}
		if right != "" {
			p.para(lead+"  ", strings.TrimSpace(right))
		}
		if s.Source != "" {
			for _, l := range wrap("source: "+s.Source, p.opts.width()-indent-6) {
				p.line(lead + p.st.quiet.Render(l))
			}
		}
	}
	if known(k.Hand) && known(k.Solver) {
		p.gap()
		p.grid(grid{rows: []gridRow{
			{cells: []gridCell{words("hand estimate"), figures(k.Hand, k.Unit)}},
			{cells: []gridCell{words("solver"), figures(k.Solver, k.Unit), words(apart(k))}},
		}}, indent+2)
	}
	if k.Difference != "" {
		p.para(margin+"  ", "difference: "+k.Difference)
	}
	if k.Table != nil {
		p.heading(k.Table.Title)
		p.table(*k.Table, indent+2)
	}
	if k.Figure != nil {
		p.heading(k.Figure.Title)
		p.figure(*k.Figure, indent+2)
	}
	if len(k.Sources) > 0 {
		p.gap()
		for _, s := range k.Sources {
			p.para(margin+"  ", "source: "+s)
		}
	}
}

// apart says how far the solver lies from the hand estimate.
func apart(k *finding.Working) string {
	if k.Hand == 0 || !known(k.Hand) || !known(k.Solver) {
		return ""
	}
	d := k.Solver/k.Hand - 1
	if math.Abs(d) < 5e-5 {
		return "the same"
	}
	return Margin(d)
}

// Why writes everything known about the values, verdicts, notes and tables of one identifier, working
// included, and reports whether there was any.
func Why(w io.Writer, f finding.Findings, id string, o Options) (bool, error) {
	p := newPage(o)
	found := false
	for _, v := range f.Values {
		if v.ID != id {
			continue
		}
		found = true
		p.heading(v.Name + " = " + valueText(v))
		if interval(v) {
			p.para("  ", "interval: "+Interval(v.Low, v.High, v.Unit))
		}
		p.pairs([][2]string{{"reason", v.Reason}, {"method", v.Method}, {"sure", v.Sure}})
		if v.Chosen {
			p.para("  ", "chosen by fettle, not written in the build file")
		}
		p.working(v.Working, 0)
	}
	for _, j := range f.Verdicts {
		if j.ID != id {
			continue
		}
		found = true
		p.gap()
		p.para("", p.st.verdict(j.Verdict, verdictText(j.Verdict))+" · "+name(j))
		line := foundText(j)
		if l := limitText(j); l != "" {
			line += ", wanted " + l + ", margin " + Margin(j.Margin)
		}
		if line != "—" {
			p.para("  ", line)
		}
		p.pairs([][2]string{{"as designed", designedText(j)}, {"worst at", j.Worst}, {"sought by", j.Method}, {"claim", j.Confidence}, {"yield", yieldText(j.Yield)},
			{"limit from", j.Source}, {"why", j.Why}, {"mend", j.Mend}})
		p.working(j.Working, 0)
	}
	for _, n := range f.Notes {
		if n.ID == id && id != "" {
			found = true
			p.gap()
			p.para("", cmp.Or(n.Kind, "note")+": "+n.Text)
		}
	}
	for _, t := range f.Tables {
		if t.ID == id && id != "" {
			found = true
			p.heading(t.Title)
			p.table(t, 2)
		}
	}
	if !found {
		return false, nil
	}
	return true, p.flush(w)
}

func (p *page) pairs(kv [][2]string) {
	for _, x := range kv {
		if x[1] != "" {
			p.para("  ", fmt.Sprintf("%s: %s", x[0], x[1]))
		}
	}
}
