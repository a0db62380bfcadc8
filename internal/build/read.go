package build

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
	"github.com/zclconf/go-cty/cty"

	"fettle/internal/diag"
	"fettle/internal/unit"
)

// A node is one block of the file, read against its description.
type node struct {
	schema *Block
	label  Text
	head   diag.Range // type and labels; of the file: its first byte
	body   diag.Range // from the opening brace to the closing one
	values map[string]*value
	order  []*value // in file order
	nodes  []*node  // in file order
	// strange holds the names of attributes and blocks that are not in the schema: what seems to be missing may
	// be one of them, and then is not complained of again.
	strange []string
	asked   map[string]bool // attributes that were put into the build (for the test that none is forgotten)
}

// A value is what stands behind an equals sign.
type value struct {
	attr   *Attr
	name   diag.Range
	at     diag.Range // the value's tokens
	text   string
	number float64 // in coherent SI; NaN where there is none
	choose bool
	word   bool // the text is one of the attribute's words
	yes    bool
	list   []Text
	ok     bool // not ok: complained of already
}

// A report is a problem with the mends that may be tried.
type report struct {
	diag.Problem
	tries []diag.Fix
}

func (r *report) try(at diag.Range, text, message string) *report {
	if r != nil {
		r.tries = append(r.tries, diag.Fix{Message: message, Range: at, Text: text})
	}
	return r
}

func (r *report) note(at diag.Range, format string, args ...any) *report {
	if r != nil {
		r.Notes = append(r.Notes, diag.Note{Range: at, Message: fmt.Sprintf(format, args...)})
	}
	return r
}

type reader struct {
	src     *source
	blank   []blank // lines of the build file that could not be read
	csv     bool    // cells of readings.csv: no quotes round texts, and a damaged line is a warning
	sep     byte    // between those cells
	reports []*report
}

func (r *reader) report(code string, at diag.Range, format string, args ...any) *report {
	p := &report{Problem: diag.Problem{Code: code, Range: at, Message: fmt.Sprintf(format, args...)}}
	if r.csv {
		p.Severity = diag.Warning
	}
	r.reports = append(r.reports, p)
	return p
}

func (r *reader) span(h hcl.Range) diag.Range { return r.src.span(h.Start.Byte, h.End.Byte) }

// Sizes beyond which a text is no build file. Nesting is bounded before the parser, which recurses, sees it.
const (
	maxSize  = 256 << 10 // bytes; a full build is some 5 kB
	maxDepth = 40        // open brackets; a build file needs 4
	maxSigns = 500       // signs and operators, which nest too; a build file needs none
)

// parse reads the syntax. Without a body there are reports.
func (r *reader) parse() *hclsyntax.Body {
	if len(r.src.text) > maxSize {
		r.report("too-big", r.src.span(0, 0), "%d bytes are no build file (%d is the most)", len(r.src.text), maxSize)
		return nil
	}
	if at, why, bad := garbled(r.src.text); bad {
		r.report("not-text", r.src.span(at, at+1), "%s", why)
		return nil
	}
	tokens, _ := hclsyntax.LexConfig(r.src.text, r.src.file, hcl.InitialPos)
	depth, signs := 0, 0
	for _, t := range tokens {
		switch t.Type {
		case hclsyntax.TokenOBrace, hclsyntax.TokenOBrack, hclsyntax.TokenOParen, hclsyntax.TokenTemplateInterp:
			depth++
		case hclsyntax.TokenCBrace, hclsyntax.TokenCBrack, hclsyntax.TokenCParen, hclsyntax.TokenTemplateSeqEnd:
			depth--
		case hclsyntax.TokenBang, hclsyntax.TokenQuestion, hclsyntax.TokenMinus, hclsyntax.TokenTemplateControl:
			signs++
		}
		if depth > maxDepth || signs > maxSigns {
			r.report("too-deep", r.span(t.Range), "this nests deeper than a build file can")
			return nil
		}
	}
	// What is wrong in one attribute's line does not hide what stands in others: the line is reported, blanked
	// out, and the rest is read.
	text := r.src.text
	for first := true; ; first = false {
		file, diags := hclsyntax.ParseConfig(text, r.src.file, hcl.InitialPos)
		if !diags.HasErrors() {
			return file.Body.(*hclsyntax.Body)
		}
		if first {
			if blanked := r.quotes(text); blanked != nil {
				text = blanked
				continue
			}
		}
		blanked := r.syntax(diags, text)
		if blanked == nil {
			return nil
		}
		text = blanked
	}
}

// read turns a body into a node.
func (r *reader) read(schema *Block, body *hclsyntax.Body) *node {
	n := &node{schema: schema, values: map[string]*value{}, asked: map[string]bool{}, body: r.span(body.SrcRange)}
	for _, a := range sortedAttributes(body) {
		name := r.span(a.NameRange)
		attr := schema.attr(a.Name)
		if attr == nil {
			n.strange = append(n.strange, a.Name)
			r.unknown(n, a.Name, name, true)
			continue
		}
		v := r.value(attr, r.literal(a.Expr))
		v.name = name
		n.values[a.Name] = v
		n.order = append(n.order, v)
	}
	first := map[string]*node{}
	for _, b := range body.Blocks {
		name := r.span(b.TypeRange)
		sub := schema.block(b.Type)
		if sub == nil {
			n.strange = append(n.strange, b.Type)
			n.strange = append(n.strange, b.Labels...)
			r.unknown(n, b.Type, name, false)
			continue
		}
		c := r.read(sub, b.Body)
		c.head = r.src.span(b.TypeRange.Start.Byte, b.OpenBraceRange.Start.Byte)
		if len(b.LabelRanges) > 0 {
			c.head = r.src.span(b.TypeRange.Start.Byte, b.LabelRanges[len(b.LabelRanges)-1].End.Byte)
		} else {
			c.head = name
		}
		c.body = r.src.span(b.OpenBraceRange.Start.Byte, b.CloseBraceRange.End.Byte)
		r.label(c, b)
		key := sub.Name
		if sub.Label != "" {
			key += "\x00" + c.label.Text
		}
		switch before := first[key]; {
		case before == nil:
			first[key] = c
		case sub.Label == "" && !sub.Many:
			r.report("twice", c.head, "a second %s: one is wanted", sub.Name).note(before.head, "the first stands here")
		case sub.Label != "" && sub.Name != "function" && c.label.Text != "":
			r.report("twice", c.head, "a second %s %q: each needs a name of its own", sub.Name, c.label.Text).note(before.head, "the first stands here")
		}
		n.nodes = append(n.nodes, c)
	}
	for _, b := range r.blank {
		inside := schema == n.schema && n.schema.Name == "" || b.at >= n.body.Start.Byte && b.at < n.body.End.Byte
		for _, c := range n.nodes {
			inside = inside && !(b.at >= c.body.Start.Byte && b.at < c.body.End.Byte)
		}
		if inside {
			n.strange = append(n.strange, b.name)
		}
	}
	n.head = r.src.span(0, 0)
	return n
}

// A blank is an attribute whose line could not be read.
type blank struct {
	name string
	at   int
}

// required complains of what must stand in the block and does not. It runs once all else of the block is read.
func (r *reader) required(n *node) {
	for i := range n.schema.Attrs {
		a := &n.schema.Attrs[i]
		if a.Required && n.values[a.Name] == nil && !n.mayMean(a.Name) {
			p := r.report("missing", n.head, "%s lacks %s: %s", n.title(), a.Name, a.Doc)
			if n.schema == &schema {
				p.try(r.src.span(0, 0), a.Name+" = "+a.Example+"\n", a.Name+" = "+a.Example)
			}
		}
	}
	for _, b := range n.schema.Blocks {
		if b.Required && len(n.all(b.Name)) == 0 && !n.mayMean(b.Name) {
			r.report("missing", n.head, "%s lacks a %s block: %s", n.title(), b.Name, lowerFirst(b.Doc))
		}
	}
	for _, c := range n.nodes {
		r.required(c)
	}
}

// mayMean reports whether an unknown name of the block may stand for a known one.
func (n *node) mayMean(name string) bool {
	for _, s := range n.strange {
		if has(guess(s, n.schema.names()), name) {
			return true
		}
	}
	return false
}

func (b *Block) names() []string {
	var names []string
	for _, a := range b.Attrs {
		names = append(names, a.Name)
	}
	for _, c := range b.Blocks {
		names = append(names, c.Name)
	}
	return names
}

// title names the block in messages.
func (n *node) title() string {
	switch {
	case n.schema == &schema:
		return "the build file"
	case n.label.Text != "":
		return fmt.Sprintf("%s %q", n.schema.Name, n.label.Text)
	}
	return n.schema.Name
}

func (n *node) all(block string) []*node {
	var list []*node
	for _, c := range n.nodes {
		if c.schema.Name == block {
			list = append(list, c)
		}
	}
	return list
}

func (n *node) one(block string) *node {
	for _, c := range n.nodes {
		if c.schema.Name == block {
			return c
		}
	}
	return nil
}

func (r *reader) unknown(n *node, name string, at diag.Range, attribute bool) {
	what, other := "attribute", "block"
	if !attribute {
		what, other = other, what
	}
	var known []string
	for _, s := range n.schema.names() {
		if (n.schema.attr(s) != nil) == attribute {
			known = append(known, s)
		} else if s == name {
			how := s + " = …"
			if attribute {
				how = s + " { … }"
			}
			r.report("name-kind", at, "%s is %s, not %s: write %s", name, withArticle(other), withArticle(what), how)
			return
		}
	}
	g := guess(name, known)
	title := "the build file"
	if n.schema != &schema {
		title = n.schema.Name
	}
	p := r.report("name-unknown", at, "%s has no %s %q%s", title, what, name, didYouMean(g))
	if len(g) == 0 && len(known) > 0 && len(known) <= 24 {
		p.note(at, "it has %s", strings.Join(known, ", "))
	}
	for _, k := range g {
		if len(g) == 1 {
			p.try(at, k, k)
		}
	}
}

func withArticle(noun string) string {
	if strings.ContainsAny(noun[:1], "aeiouAEIOU") {
		return "an " + noun
	}
	return "a " + noun
}

func (r *reader) label(c *node, b *hclsyntax.Block) {
	for i, l := range b.Labels {
		if i == 0 {
			c.label = Text{Text: l, Range: r.span(b.LabelRanges[0])}
		}
	}
	want := 0
	if c.schema.Label != "" {
		want = 1
	}
	switch {
	case len(b.Labels) > want:
		at := r.src.span(b.LabelRanges[want].Start.Byte, b.LabelRanges[len(b.Labels)-1].End.Byte)
		if want == 0 {
			p := r.report("label", at, "%s takes no name", c.schema.Name)
			if c.schema == fittedBlock {
				p.note(at, "an output stands in it: fitted { output %s { … } }", quoted(b.Labels[0]))
			}
		} else {
			r.report("label", at, "%s takes one name", c.schema.Name)
		}
	case len(b.Labels) < want, want == 1 && strings.TrimSpace(c.label.Text) == "":
		r.report("label", c.head, "%s wants a name in quotes: %s", c.schema.Name, c.schema.Label)
	}
}

func sortedAttributes(body *hclsyntax.Body) []*hclsyntax.Attribute {
	list := make([]*hclsyntax.Attribute, 0, len(body.Attributes))
	for _, a := range body.Attributes {
		list = append(list, a)
	}
	for i := 1; i < len(list); i++ { // few, and mostly in order
		for j := i; j > 0 && list[j].NameRange.Start.Byte < list[j-1].NameRange.Start.Byte; j-- {
			list[j], list[j-1] = list[j-1], list[j]
		}
	}
	return list
}

// A literal is a value as it stands in the file.
type literal struct {
	kind byte // 's' text, 'n' number, 'b' true or false, 'l' list, 'w' bare word, '?' anything else
	text string
	list []literal
	at   diag.Range
}

func (r *reader) literal(e hclsyntax.Expression) literal {
	at := r.span(e.Range())
	raw := string(r.src.text[at.Start.Byte:at.End.Byte])
	l := literal{kind: '?', text: raw, at: at}
	switch x := e.(type) {
	case *hclsyntax.TemplateExpr:
		if x.IsStringLiteral() {
			if v, diags := x.Value(nil); !diags.HasErrors() && v.Type() == cty.String {
				l.kind, l.text = 's', v.AsString()
			}
		} else if len(x.Parts) == 0 {
			l.kind, l.text = 's', ""
		}
		if strings.HasPrefix(raw, "<<") {
			l.kind = '?'
		}
	case *hclsyntax.LiteralValueExpr:
		switch x.Val.Type() {
		case cty.Number:
			l.kind = 'n'
		case cty.Bool:
			l.kind = 'b'
		}
	case *hclsyntax.UnaryOpExpr:
		if in, ok := x.Val.(*hclsyntax.LiteralValueExpr); ok && x.Op == hclsyntax.OpNegate && in.Val.Type() == cty.Number {
			l.kind = 'n'
		}
	case *hclsyntax.ScopeTraversalExpr:
		if len(x.Traversal) == 1 {
			l.kind = 'w'
		}
	case *hclsyntax.TupleConsExpr:
		l.kind = 'l'
		for _, item := range x.Exprs {
			l.list = append(l.list, r.literal(item))
		}
	}
	return l
}

// quoted writes s as a text of the file.
func quoted(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for i, c := range s {
		switch {
		case c == '"' || c == '\\':
			b.WriteByte('\\')
			b.WriteRune(c)
		case c == '\n':
			b.WriteString(`\n`)
		case c == '\r':
			b.WriteString(`\r`)
		case c == '\t':
			b.WriteString(`\t`)
		case (c == '$' || c == '%') && strings.HasPrefix(s[i+1:], "{"):
			b.WriteRune(c)
			b.WriteRune(c)
		case c < 0x20:
			fmt.Fprintf(&b, `\u%04x`, c)
		default:
			b.WriteRune(c)
		}
	}
	b.WriteByte('"')
	return b.String()
}

// value holds what stands in the file against the attribute's description.
func (r *reader) value(a *Attr, l literal) *value {
	v := &value{attr: a, at: l.at, text: l.text, number: math.NaN()}
	raw := string(r.src.text[l.at.Start.Byte:l.at.End.Byte])
	if r.csv {
		raw = quoted(l.text)
	}
	complain := func(code, format string, args ...any) *report {
		if len(raw) > 60 || strings.Contains(raw, "\n") {
			raw = "…"
		}
		return r.report(code, v.at, "%s = %s: %s", a.Name, raw, fmt.Sprintf(format, args...))
	}
	mend := func(p *report, text string) { p.try(v.at, r.write(a, text), a.Name+" = "+r.shown(a, text)) }

	if l.kind == '?' {
		complain("not-plain", "a plain value is wanted, without expressions, references or objects")
		return v
	}
	switch a.Kind {
	case KindFlag:
		switch {
		case l.kind == 'b':
			v.yes, v.ok = l.text == "true", true
		case r.csv && has([]string{"true", "yes", "1"}, strings.ToLower(l.text)):
			v.yes, v.ok = true, true
		case r.csv && has([]string{"false", "no", "0"}, strings.ToLower(l.text)):
			v.ok = true
		default:
			p := complain("flag", "true or false is wanted")
			switch strings.ToLower(l.text) {
			case "true", "yes", "on", "1":
				mend(p, "true")
			case "false", "no", "off", "0":
				mend(p, "false")
			}
		}
	case KindCount, KindNumber:
		x, err := strconv.ParseFloat(strings.ReplaceAll(l.text, " ", ""), 64)
		switch {
		case l.kind != 'n':
			p := complain("number", "a plain number is wanted, without quotes or unit")
			if y, perr := unit.Parse(l.text, unit.Number); perr == nil && l.kind == 's' {
				mend(p, strconv.FormatFloat(y, 'f', -1, 64))
			}
		case err != nil || math.IsInf(x, 0):
			complain("number", "not a number that can be held")
		case a.Kind == KindCount && x != math.Trunc(x):
			complain("number", "a whole number is wanted")
		case len(a.Words) > 0:
			if !has(a.Words, l.text) {
				complain("word", "one of %s is wanted", strings.Join(a.Words, ", "))
				break
			}
			v.number, v.ok = x, true
		default:
			v.number = x
			v.ok = r.limits(a, v, a.Dim, complain, mend)
		}
	case KindNames:
		items := []literal{l}
		if l.kind == 'l' {
			items = l.list
			if len(items) == 0 {
				complain("empty", "the list is empty: leave the line out")
				return v
			}
		}
		v.ok = true
		for _, item := range items {
			if item.kind != 's' || strings.TrimSpace(item.text) == "" {
				v.ok = false
				p := complain("text", "names in quotes are wanted")
				if item.kind == 'w' {
					p.try(item.at, quoted(item.text), quoted(item.text))
				}
				break
			}
			v.list = append(v.list, Text{Text: item.text, Range: item.at})
		}
	case KindQuantity:
		dim := a.Dim
		if l.kind == 'n' && dim != nil {
			p := complain("unit", "a %s is wanted, in quotes and with its unit", dim.Name)
			mend(p, strings.Replace(strings.TrimSpace(l.text), "-", "−", 1)+" "+dim.Bare)
			return v
		}
		if !r.text(a, l, complain) {
			return v
		}
		switch {
		case v.text == "choose" && a.Choose:
			v.choose, v.ok = true, true
		case v.text == "choose":
			complain("choose", "this is not fettle's to choose: write it, or leave the line out")
		case has(a.Words, v.text):
			v.word, v.ok = true, true
		case dim == nil:
			v.ok = true // parsed once the sibling that decides the dimension is known
		default:
			v.ok = r.quantity(a, v, *dim, complain, mend)
		}
	case KindWord:
		if !r.text(a, l, complain) {
			return v
		}
		if has(a.Words, v.text) {
			v.word, v.ok = true, true
			return v
		}
		g := guess(v.text, a.Words)
		p := complain("word", "one of %s is wanted%s", alternatives(a.Words, "or"), didYouMean(g))
		if len(g) == 1 {
			mend(p, g[0])
		}
	case KindName, KindPart:
		if !r.text(a, l, complain) {
			return v
		}
		v.ok = true
		v.choose = a.Choose && v.text == "choose"
	case KindClock:
		if !r.text(a, l, complain) {
			return v
		}
		v.ok = r.clock(a, v, complain, mend)
	}
	return v
}

// write is a value as it stands in the file: the attribute's kind decides about quotes.
func (r *reader) write(a *Attr, text string) string {
	if r.csv {
		return csvCell(text, r.sep)
	}
	return r.shown(a, text)
}

func (r *reader) shown(a *Attr, text string) string {
	switch a.Kind {
	case KindCount, KindNumber, KindFlag:
		return text
	}
	return quoted(text)
}

func (r *reader) text(a *Attr, l literal, complain func(code, format string, args ...any) *report) bool {
	switch {
	case l.kind == 's' && strings.TrimSpace(l.text) == "":
		complain("empty", "empty: leave the line out if it is not known")
		return false
	case l.kind == 's':
		return true
	case l.kind == 'l':
		complain("text", "one text in quotes is wanted, not a list")
		return false
	}
	p := complain("text", "a text in quotes is wanted")
	p.try(l.at, quoted(l.text), a.Name+" = "+quoted(l.text))
	return false
}

type complainer func(code, format string, args ...any) *report

// quantity parses v.text and holds it against the attribute's limits.
func (r *reader) quantity(a *Attr, v *value, dim unit.Dimension, complain complainer, mend func(*report, string)) bool {
	x, err := unit.Parse(v.text, dim)
	if err != nil {
		p := complain("unit", "%s", err.Problem)
		if err.Mend != "" {
			mend(p, err.Mend)
		}
		return false
	}
	v.number = x
	return r.limits(a, v, &dim, complain, mend)
}

var leadingNumber = regexp.MustCompile(`^\s*[-+−–]?\s*([0-9]+(?:[.,][0-9]+)?)`)

func (r *reader) limits(a *Attr, v *value, dim *unit.Dimension, complain complainer, mend func(*report, string)) bool {
	x := v.number
	var say string
	switch {
	case a.Min != nil && (x < a.Min.Value || a.Min.Open && x == a.Min.Value):
		say = a.Min.Say
		if x < 0 && a.Min.Value >= 0 && (a.Min == positive || a.Min == ohmLeast || a.Min == faradLeast || a.Min == trackLeast) {
			say = "it cannot be negative"
			if dim != nil {
				say = fmt.Sprintf("a %s cannot be negative", dim.Name)
			}
		}
		if x == 0 && a.Min.Value > 0 && a.Kind == KindQuantity {
			say = positive.Say
		}
	case a.Max != nil && (x > a.Max.Value || a.Max.Open && x == a.Max.Value):
		say = a.Max.Say
	default:
		return true
	}
	p := complain("limit", "%s", say)
	if a.Kind != KindQuantity || dim == nil {
		return false
	}
	// The likely slips: a minus too many, a prefix too many or too few; else what is assumed without the line.
	fits := func(text string) bool {
		y, err := unit.Parse(text, *dim)
		return err == nil && (a.Min == nil || y > a.Min.Value || y == a.Min.Value && !a.Min.Open) && (a.Max == nil || y <= a.Max.Value)
	}
	if x < 0 {
		if plus := strings.TrimLeft(strings.TrimSpace(v.text), "-−–"); fits(plus) {
			mend(p, strings.TrimSpace(plus))
		}
	} else if m := leadingNumber.FindStringSubmatch(v.text); m != nil && x != 0 {
		for _, prefix := range []string{"", "m", "k", "µ", "M", "n"} {
			text := m[1] + " " + prefix + dim.Symbol
			if y, err := unit.Parse(text, *dim); err == nil && isThousand(x/y) && fits(text) && near(y, a) {
				mend(p, text)
			}
		}
	}
	if a.Default != "" && fits(a.Default) {
		mend(p, a.Default)
	}
	return false
}

// near reports whether a guessed value lies not far inside the limit that was broken: 40 V on a track were never
// meant to be 40 mV.
func near(y float64, a *Attr) bool {
	const far = 200
	return a.Max != nil && y >= a.Max.Value/far || a.Min != nil && a.Min.Value > 0 && y <= a.Min.Value*far
}

// isThousand reports whether a factor is one prefix step up or down.
func isThousand(f float64) bool { return math.Abs(math.Abs(math.Log10(f))-3) < 1e-6 }

var clockForm = regexp.MustCompile(`^\s*(.*?)\s+(internal|pll|crystal|resonator|external)\s*$`)

// clock reads "8 MHz internal".
func (r *reader) clock(a *Attr, v *value, complain complainer, mend func(*report, string)) bool {
	m := clockForm.FindStringSubmatch(v.text)
	if m == nil {
		p := complain("clock", `a frequency and its source is wanted ("8 MHz internal"; internal, pll, crystal, resonator, external)`)
		if _, err := unit.Parse(v.text, unit.Frequency); err == nil {
			mend(p, strings.TrimSpace(v.text)+" internal")
		}
		return false
	}
	x, err := unit.Parse(m[1], unit.Frequency)
	if err != nil {
		p := complain("clock", "%s", err.Problem)
		if err.Mend != "" {
			mend(p, err.Mend+" "+m[2])
		}
		return false
	}
	// mcu.md's sources: the RC oscillator runs at 8 MHz (trimmed up to 8.25 MHz for the PLL), the PLL at 16 MHz.
	low, high, say := 1e3, a.Max.Value, a.Max.Say
	switch m[2] {
	case "internal":
		high, say = 8.8e6, "the internal oscillator gives at most 8.8 MHz (8 MHz + 10 %)"
	case "pll":
		low, high, say = 14e6, 17.6e6, "the PLL gives 16 MHz (14 to 17.6 MHz with its oscillator's spread)"
	}
	if x < low || x > high {
		if m[2] != "pll" && x < low {
			say = "below 1 kHz no chip of this kind is run"
		}
		complain("limit", "%s", say)
		return false
	}
	v.number = x
	return true
}

func lowerFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + strings.TrimSuffix(s[1:], ".")
}
