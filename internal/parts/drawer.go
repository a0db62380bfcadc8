package parts

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/agext/levenshtein"

	"fettle/internal/diag"
	"fettle/internal/unit"
)

// A Drawer is the parts on hand.
type Drawer struct {
	File  string
	Items []Item

	// Parts described in the drawer itself: Catalogue.With makes them known.
	BJTs    []BJT
	MOSFETs []MOSFET
	Diodes  []Diode
	LEDs    []LED
}

// An Item is one bag.
type Item struct {
	Part      string // name in the catalogue, or of the user's own part; "" where it is in neither
	Text      string // part or value as written
	Value     string // value as written, "" for a part
	Kind      string
	Polarity  string // of a transistor
	Ohm       unit.Ohm
	Farad     unit.Farad
	Voltage   unit.Volt // rated, of a capacitor
	Package   string    // in the catalogue's spelling where it has one
	Count     int       // −1: plenty
	Price     unit.Price
	Tolerance unit.Ratio
	Note      string
	Range     diag.Range // of the row

	Measured            // what the user measured on its pieces
	Marking    string   // as printed on the body
	Candidates []string // the parts a marking may stand for where no part is named; Part is "" if there are several
}

// Resistors returns the resistors on hand in a package ("": any), by rising value; bags of the same value
// and package count together, with the widest of their tolerances.
func (d *Drawer) Resistors(pkg string) []Stock {
	var out []Stock
	for i, it := range d.Items {
		if it.Kind != KindResistor || it.Count == 0 || !unit.Known(it.Ohm) || pkg != "" && !SamePackage(pkg, it.Package) {
			continue
		}
		same := slices.IndexFunc(out, func(s Stock) bool { return s.R == it.Ohm && s.Package == it.Package })
		if same < 0 {
			out = append(out, Stock{R: it.Ohm, Tolerance: it.Tolerance, Count: it.Count, Package: it.Package, Item: i})
			continue
		}
		s := &out[same]
		if s.Count < 0 || it.Count < 0 {
			s.Count = -1
		} else {
			s.Count += it.Count
		}
		s.Tolerance = max(s.Tolerance, it.Tolerance) // a tolerance that is not known stays so
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].R < out[j].R })
	return out
}

// Transistors returns the bipolar transistors on hand of a polarity ("": any), in the order of the file.
func (d *Drawer) Transistors(polarity string) []Item {
	return d.items(func(it Item) bool { return it.Kind == KindTransistor && (polarity == "" || it.Polarity == polarity) })
}

// Capacitors returns the capacitors on hand by rising capacitance.
func (d *Drawer) Capacitors() []Item {
	out := d.items(func(it Item) bool { return it.Kind == KindCapacitor && unit.Known(it.Farad) })
	sort.SliceStable(out, func(i, j int) bool { return out[i].Farad < out[j].Farad })
	return out
}

// OfKind returns what there is of a kind, in the order of the file.
func (d *Drawer) OfKind(kind string) []Item {
	return d.items(func(it Item) bool { return it.Kind == kind })
}

// Have finds a part on hand by name.
func (d *Drawer) Have(part string) (Item, bool) {
	f := fold(part)
	for _, it := range d.Items {
		if it.Count != 0 && it.Part != "" && (fold(it.Part) == f || fold(baseName(it.Part)) == f) {
			return it, true
		}
	}
	return Item{}, false
}

func (d *Drawer) items(ok func(Item) bool) []Item {
	var out []Item
	for _, it := range d.Items {
		if it.Count != 0 && ok(it) {
			out = append(out, it)
		}
	}
	return out
}

// Columns of a drawer, the words by which people also call them, and what stands in them.
var drawerColumns = []struct {
	name  string
	other []string
	doc   string
}{
	{"part", []string{"type", "name", "device", "article", "partnumber"}, "its name in the catalogue, or your own"},
	{"value", []string{"resistance", "capacitance", "ohm", "ohms", "farad"}, "of a resistor or capacitor: 4.7 kΩ, 100 nF"},
	{"kind", []string{"category", "class"}, "where the name does not say it"},
	{"package", []string{"case", "size", "footprint", "housing"}, "0805, SOT-23, TO-92"},
	{"count", []string{"qty", "quantity", "pieces", "pcs", "stock", "amount", "number", "on_hand"}, "pieces; empty is plenty"},
	{"price", []string{"cost", "unit_price"}, "of one piece, in your own currency"},
	{"tolerance", []string{"tol"}, "5 %, or a letter of IEC 60062"},
	{"voltage", []string{"rated_voltage", "rating", "vmax"}, "that a capacitor is rated for"},
	{"hfe", []string{"gain", "beta", "h21e", "measured_hfe"}, "measured gain"},
	{"hfe_at", []string{"hfe_ic", "ic", "at"}, "collector current of that gain: 2 mA"},
	{"hfe_vce", nil, "its collector-emitter voltage: 5 V"},
	{"hfe_error", nil, "± what the gain is known to: 6 %"},
	{"marking", []string{"code", "printed", "body"}, "the code on its body"},
	{"be_test", []string{"vbe", "vbe_measured"}, "diode test from base to emitter: 0.68 V"},
	{"bc_test", []string{"vbc", "vbc_measured"}, "diode test from base to collector: 0.67 V"},
	{"vf_measured", nil, "forward voltage at a current: 1 mA: 1.78 V; 10 mA: 1.92 V"},
	{"vf_error", nil, "± what these voltages are known to: 9 mV"},
	{"vz_measured", nil, "zener voltage at a current: 5 mA: 5.02 V"},
	{"vth_measured", nil, "gate to source, gate joined to drain: 1 mA: 1.9 V"},
	{"rdson_measured", nil, "on-resistance at a gate voltage: 4.7 V: 1.9 Ω"},
	{"idss_measured", nil, "drain current, gate joined to source: 80 nA"},
	{"note", []string{"notes", "remark", "remarks", "comment", "comments"}, "anything worth keeping"},
	{"polarity", nil, "NPN or PNP; N or P of a MOSFET"},
	{"vceo", nil, "from its sheet: 45 V"},
	{"ic_max", nil, "from its sheet: 100 mA"},
	{"ptot", nil, "from its sheet: 225 mW"},
	{"pins", []string{"pinout"}, "leads by position: BEC"},
	{"hfe_points", nil, "from its sheet: 2 mA / 5 V: 200 .. 450"},
	{"vcesat_points", nil, "from its sheet: 10 mA / 0.5 mA: 0.25 V"},
	{"vbesat_points", nil, "from its sheet: 10 mA / 0.5 mA: 0.7 V"},
	{"colour", []string{"color"}, "of an LED: warm white"},
	{"vf_points", nil, "from its sheet: 2 mA: 2.65 V; 20 mA: 3.1 V"},
	{"if_max", nil, "from its sheet: 20 mA"},
	{"vr_max", nil, "from its sheet: 5 V"},
}

// Column is a column of a drawer.
type Column struct {
	Name, Doc string
	Usual     bool // mostly filled in; the others hold what was measured, or describe a part of one's own
}

// Columns are all that a drawer may have.
func Columns() (list []Column) {
	usual := []string{"part", "value", "kind", "package", "count", "price", "tolerance", "voltage", "marking", "note"}
	for _, c := range drawerColumns {
		list = append(list, Column{c.name, c.doc, slices.Contains(usual, c.name)})
	}
	return list
}

var kindWords = []string{KindResistor, KindCapacitor, KindTransistor, KindMOSFET, KindDiode, KindLED, KindRegulator, KindChip, KindSocket, KindOther}

// Kinds are the words for kinds of parts in a drawer.
func Kinds() []string { return slices.Clone(kindWords) }

// kindAlso are words that surely mean a kind.
var kindAlso = map[string]string{
	"resistors": KindResistor, "capacitors": KindCapacitor, "electrolytic": KindCapacitor, "transistors": KindTransistor, "bjt": KindTransistor,
	"fet": KindMOSFET, "zener": KindDiode, "rectifier": KindDiode, "bridge": KindDiode, "diodes": KindDiode, "leds": KindLED,
	"ic": KindChip, "microcontroller": KindChip, "connector": KindSocket,
}

// ReadDrawer reads a drawer; the package comment has its format. It returns all it understood and all that is
// wrong. A nil catalogue stands for the embedded one.
func ReadDrawer(file string, src []byte, c *Catalogue) (*Drawer, diag.List) {
	if c == nil {
		c = Load()
	}
	d := &Drawer{File: file}
	r := &drawerReader{catalogue: c, drawer: d}
	body, ok := r.text(file, src)
	if !ok {
		return d, r.problems
	}
	r.cellReader = newCellReader(file, string(src), separator(string(src[body:])), &r.problems)
	r.at = body
	r.skipSeparatorLine()
	if !r.header() {
		r.problems.Sort()
		return d, r.problems
	}
	for r.cellReader.next() {
		if !r.blank() {
			r.row()
		}
	}
	r.problems.Sort()
	return d, r.problems
}

type drawerReader struct {
	*cellReader
	catalogue *Catalogue
	drawer    *Drawer
	problems  diag.List
	columns   []string            // of the file, by position; "" for one that is not read
	known     map[string][]string // packages by kind, as they are asked for
}

// text checks the encoding and returns where the table begins.
func (r *drawerReader) text(file string, src []byte) (int, bool) {
	whole := diag.Range{File: file, Start: diag.Pos{Line: 1, Column: 1}, End: diag.Pos{Line: 1, Column: 1}}
	switch {
	case bytes.HasPrefix(src, []byte{0xFF, 0xFE}), bytes.HasPrefix(src, []byte{0xFE, 0xFF}), bytes.IndexByte(src, 0) >= 0:
		r.problems.Add("file-encoding", whole, "not UTF-8 text (UTF-16 or not text at all); save it from the spreadsheet as \"CSV UTF-8\"")
		return 0, false
	}
	body := 0
	if bytes.HasPrefix(src, []byte("\uFEFF")) {
		body = len("\uFEFF")
	}
	if utf8.Valid(src) {
		return body, true
	}
	// One byte a character: what spreadsheets write as plain "CSV". Latin-1 can be turned into UTF-8.
	var out []byte
	first, bad, latin := -1, 0, true
	for i := 0; i < len(src); {
		ru, size := utf8.DecodeRune(src[i:])
		if ru == utf8.RuneError && size == 1 {
			b := src[i]
			if bad++; first < 0 {
				first = i
			}
			latin = latin && (b >= 0xA0 || b == 0x80)
			if b == 0x80 {
				ru = '€'
			} else {
				ru = rune(b)
			}
		}
		out = utf8.AppendRune(out, ru)
		i += size
	}
	line := 1 + bytes.Count(src[:first], []byte("\n"))
	start := bytes.LastIndexByte(src[:first], '\n') + 1
	at := diag.Pos{Line: line, Column: utf8.RuneCount(src[start:first]) + 1, Byte: first}
	end := at
	end.Column, end.Byte = end.Column+1, end.Byte+1
	p := r.problems.Add("file-encoding", diag.Range{File: file, Start: at, End: end},
		"byte %#02x is not UTF-8 (%d such bytes in the file); save it from the spreadsheet as \"CSV UTF-8\"", src[first], bad)
	if latin {
		last := diag.Pos{Line: 1 + bytes.Count(src, []byte("\n")), Column: 1, Byte: len(src)}
		p.Fix = &diag.Fix{Message: "read it as Latin-1 and write it as UTF-8", Range: diag.Range{File: file, Start: diag.Pos{Line: 1, Column: 1}, End: last}, Text: string(out)}
	}
	return 0, false
}

// separator finds the separator from the first line that is not a remark: the commonest of comma, semicolon
// and tab outside quotes.
func separator(s string) byte {
	for s != "" {
		line, rest, _ := strings.Cut(s, "\n")
		if head, ok := strings.CutPrefix(strings.ToLower(strings.TrimSpace(line)), "sep="); ok && len(head) == 1 {
			return head[0]
		}
		if t := strings.TrimLeft(strings.TrimSpace(line), "\""); t == "" || t[0] == '#' {
			s = rest
			continue
		}
		best, most := byte(','), 0
		for _, sep := range []byte{',', ';', '\t'} {
			n, quoted := 0, false
			for i := 0; i < len(line); i++ {
				switch {
				case line[i] == '"':
					quoted = !quoted
				case line[i] == sep && !quoted:
					n++
				}
			}
			if n > most {
				best, most = sep, n
			}
		}
		return best
	}
	return ','
}

// skipSeparatorLine passes over the line "sep=;" that some spreadsheets write and read.
func (r *drawerReader) skipSeparatorLine() {
	line := r.src[r.at:]
	if i := strings.IndexByte(line, '\n'); i >= 0 {
		line = line[:i+1]
	}
	if s := strings.TrimSpace(line); len(s) == 5 && strings.EqualFold(s[:4], "sep=") {
		r.at += len(line)
		r.line++
	}
}

// header reads the column names.
func (r *drawerReader) header() bool {
	for {
		if !r.cellReader.next() {
			r.problems.Add("file-empty", diag.Range{File: r.file, Start: diag.Pos{Line: 1, Column: 1}, End: diag.Pos{Line: 1, Column: 1}},
				"the drawer is empty: its first row must name the columns, e.g. part, value, package, count")
			return false
		}
		if !r.blank() {
			break
		}
	}
	have := map[string]diag.Range{}
	for i, cell := range r.cells {
		name := columnName(cell.text)
		place := r.trimmed(i)
		if name == "" {
			r.columns = append(r.columns, "")
			continue
		}
		known, exact := findColumn(name)
		switch {
		case exact:
			if first, twice := have[known]; twice {
				p := r.problems.Add("column-twice", place, "column %q stands twice", known)
				p.Notes = append(p.Notes, diag.Note{Range: first, Message: "first here"})
				known = ""
			} else {
				have[known] = place
			}
		case known != "":
			p := r.problems.Add("column-unknown", place, "no column is called %q; did you mean %q?", strings.TrimSpace(cell.text), known)
			if _, taken := have[known]; !taken {
				p.Fix = &diag.Fix{Message: known, Range: place, Text: known}
			}
			known = ""
		default:
			r.problems.Warn("column-unknown", place, "column %q is not read; there are %s", strings.TrimSpace(cell.text), columnList())
		}
		r.columns = append(r.columns, known)
	}
	_, part := have["part"]
	_, value := have["value"]
	_, marking := have["marking"]
	if part || value || marking {
		return true
	}
	if !r.problems.HasErrors() {
		r.problems.Add("column-missing", r.rowRange(), "the first row must name the columns, and one of them part, value or marking")
	}
	return false
}

func columnName(s string) string {
	s, _, _ = strings.Cut(strings.ToLower(s), "(")
	return strings.Map(func(r rune) rune {
		if r == ' ' || r == '-' || r == '\u00a0' {
			return '_'
		}
		return r
	}, strings.TrimSpace(s))
}

// findColumn finds a column by its name, by another word for it, or a slip away from it.
func findColumn(name string) (column string, exact bool) {
	for _, c := range drawerColumns {
		if c.name == name {
			return c.name, true
		}
	}
	best := 3
	for _, c := range drawerColumns {
		for _, o := range append([]string{c.name}, c.other...) {
			if o == name {
				return c.name, false
			}
			if d := levenshtein.Distance(name, o, nil); len(name) >= 4 && d < best && d <= len(o)/3 {
				best, column = d, c.name
			}
		}
	}
	return column, false
}

func columnList() string {
	var names []string
	for _, c := range drawerColumns[:10] {
		names = append(names, c.name)
	}
	return strings.Join(names, ", ") + ", …"
}

// trimmed is the place of a cell's text without the spaces around it.
func (r *drawerReader) trimmed(i int) diag.Range {
	c := r.cells[i]
	raw := r.src[c.start:c.end]
	lead := len(raw) - len(strings.TrimLeftFunc(raw, unicode.IsSpace))
	body := strings.TrimSpace(raw)
	return r.span(c.start+lead, c.start+lead+len(body))
}

// A field is a cell of the row at hand, trimmed; i is −1 where the file has no such column.
type field struct {
	text string
	i    int
}

func (r *drawerReader) field(column string) field {
	for i, name := range r.columns {
		if name == column && i < len(r.cells) {
			return field{strings.TrimSpace(r.cells[i].text), i}
		}
	}
	return field{i: -1}
}

func (r *drawerReader) place(f field) diag.Range {
	if f.i < 0 {
		return r.rowRange()
	}
	return r.trimmed(f.i)
}

// mend offers another text for a cell, quoted as the file needs it.
func (r *drawerReader) mend(p *diag.Problem, f field, text string) {
	if text == "" || f.i < 0 {
		return
	}
	out := text
	switch quoted := r.cells[f.i].quoted; {
	case quoted:
		out = strings.ReplaceAll(text, `"`, `""`)
	case strings.ContainsAny(text, "\"\r\n") || strings.IndexByte(text, r.sep) >= 0:
		out = `"` + strings.ReplaceAll(text, `"`, `""`) + `"`
	}
	p.Fix = &diag.Fix{Message: text, Range: r.place(f), Text: out}
}

func (r *drawerReader) add(code string, f field, format string, args ...any) *diag.Problem {
	return r.problems.Add(code, r.place(f), format, args...)
}

func (r *drawerReader) warn(code string, f field, format string, args ...any) *diag.Problem {
	return r.problems.Warn(code, r.place(f), format, args...)
}

// quantity reads a cell with a unit; an empty one is absent.
func (r *drawerReader) quantity(column string, d unit.Dimension, positive bool) float64 {
	f := r.field(column)
	if f.text == "" {
		return math.NaN()
	}
	x, err := unit.Parse(f.text, d)
	if err != nil {
		mend := safeMend(f.text, err.Mend, d)
		if y, _ := unit.Parse(mend, d); positive && y == 0 {
			mend = ""
		}
		r.mend(r.add("quantity-wrong", f, "%s: %q: %s", column, f.text, err.Problem), f, mend)
		return math.NaN()
	}
	if x < 0 || positive && x == 0 {
		r.add("quantity-range", f, "%s: %s is not above zero", column, f.text)
		return math.NaN()
	}
	return x
}

// safeMend passes a mend on only if it reads well and keeps every digit that was written.
func safeMend(text, mend string, d unit.Dimension) string {
	digits := func(s string) string {
		return strings.Map(func(c rune) rune {
			if c >= '0' && c <= '9' {
				return c
			}
			return -1
		}, s)
	}
	if x, err := unit.Parse(mend, d); err != nil || x < 0 || digits(mend) != digits(text) {
		return ""
	}
	return mend
}

// row reads one bag.
func (r *drawerReader) row() {
	if n := len(r.columns); len(r.cells) > n {
		extra := r.cells[n:]
		if slices.ContainsFunc(extra, func(c cell) bool { return strings.TrimSpace(c.text) != "" }) {
			p := r.problems.Add("row-long", r.span(extra[0].start, r.rowEnd), "the row has %d cells, the header %d", len(r.cells), n)
			if r.sep == ',' {
				p.Message += "; a cell with a comma in it stands in quotes"
			}
			return // the cells have moved: what follows would be knock-on
		}
	}
	it := Item{
		Count: -1, Price: unit.Absent[unit.Price](), Ohm: unit.Absent[unit.Ohm](), Farad: unit.Absent[unit.Farad](), Tolerance: unit.Absent[unit.Ratio](),
		Range: r.rowRange(), Note: r.field("note").text,
	}
	part, value, marking := r.field("part"), r.field("value"), r.field("marking")
	it.Kind = r.kind()
	it.Voltage = unit.Volt(r.quantity("voltage", unit.Voltage, true))
	it.Measured = r.measured()
	it.Count = r.count()
	it.Price = r.price()
	it.Tolerance = r.tolerance()

	// A value in the column of parts, and the other way round, is no mistake worth a word.
	passive := it.Kind == KindResistor || it.Kind == KindCapacitor
	if part.text == "" && value.text != "" && it.Kind != "" && !passive {
		part, value = value, field{i: -1}
	}
	if value.text == "" && part.text != "" && (passive || it.Kind == "" && r.isValue(part.text)) {
		part, value = field{i: -1}, part
	}
	switch {
	case part.text == "" && value.text == "" && marking.text != "":
		it.Text = marking.text
		r.marked(&it, marking)
	case part.text == "" && value.text == "" && it.Measured.Any() && it.Kind != "" && !passive:
		r.unmarked(&it)
	case part.text == "" && value.text == "":
		r.problems.Add("row-empty", r.rowRange(), "neither part, value nor marking is written")
		return
	case part.text == "" || passive:
		it.Text, it.Value = value.text, value.text
		if value.text == "" {
			r.add("value-missing", part, "a %s needs a value", it.Kind)
			return
		}
		r.value(&it, value)
	default:
		it.Text, it.Value = part.text, value.text
		r.part(&it, part)
		if marking.text != "" {
			r.checkMarking(&it, marking)
		}
	}
	r.packaging(&it)
	r.gain(it)
	r.checkMeasured(it)
	r.drawer.Items = append(r.drawer.Items, it)
}

func (r *drawerReader) kind() string {
	f := r.field("kind")
	k := strings.ToLower(f.text)
	if k == "" || slices.Contains(kindWords, k) {
		return k
	}
	if sure, ok := kindAlso[k]; ok {
		return sure
	}
	near, best := "", 3
	for _, w := range kindWords {
		d := levenshtein.Distance(k, w, nil)
		if len(k) >= 3 && strings.HasPrefix(w, k) {
			d = 0
		}
		if d < best {
			best, near = d, w
		}
	}
	p := r.add("kind-unknown", f, "%q is no kind of part: %s", f.text, strings.Join(kindWords, ", "))
	r.mend(p, f, near)
	return near
}

func (r *drawerReader) count() int {
	f := r.field("count")
	switch strings.ToLower(f.text) {
	case "", "plenty", "many", "lots":
		return -1
	}
	n, err := strconv.Atoi(f.text)
	if err == nil && n >= 0 {
		return n
	}
	p := r.add("count-wrong", f, "count %q is neither a whole number from 0 up nor \"plenty\"", f.text)
	digits := strings.Map(func(c rune) rune {
		if c >= '0' && c <= '9' {
			return c
		}
		return -1
	}, f.text)
	if _, err := strconv.Atoi(digits); err == nil && !strings.HasPrefix(f.text, "-") && !strings.Contains(f.text, ".") {
		r.mend(p, f, digits)
	}
	return -1
}

func (r *drawerReader) price() unit.Price {
	f := r.field("price")
	if f.text == "" {
		return unit.Absent[unit.Price]()
	}
	s := strings.TrimFunc(f.text, func(c rune) bool { return unicode.Is(unicode.Sc, c) || unicode.IsSpace(c) })
	x, err := unit.Parse(s, unit.Number)
	if err != nil || x < 0 {
		r.add("price-wrong", f, "price %q is no number from 0 up", f.text) // no mend: 2 ct is not 2
		return unit.Absent[unit.Price]()
	}
	return unit.Price(x)
}

func (r *drawerReader) tolerance() unit.Ratio {
	f := r.field("tolerance")
	if f.text == "" {
		return unit.Absent[unit.Ratio]()
	}
	if t, ok := letterTable().tolerance[f.text]; ok && t[0] == t[1] {
		return t[0]
	}
	s := strings.TrimSpace(strings.TrimPrefix(strings.TrimPrefix(f.text, "±"), "+-"))
	x, err := unit.ParseRatio(s)
	if err != nil {
		mend := safeMend(f.text, err.Mend, unit.Fraction)
		if y, _ := unit.ParseRatio(mend); y > 0.5 || y <= 0 {
			mend = ""
		}
		r.mend(r.add("quantity-wrong", f, "tolerance %q: %s", f.text, err.Problem), f, mend)
		return unit.Absent[unit.Ratio]()
	}
	if x <= 0 || x > 0.5 {
		r.add("quantity-range", f, "tolerance %s lies outside 0 … 50 %%", f.text)
		return unit.Absent[unit.Ratio]()
	}
	return x
}

// isValue reports whether a text in the column of parts is a resistance or capacitance and no part.
func (r *drawerReader) isValue(s string) bool {
	if _, ok := r.catalogue.Find(s); ok {
		return false
	}
	_, ohm := unit.ParseOhm(s)
	_, farad := parseFarad(s)
	return ohm == nil || farad == nil
}

// parseFarad reads a capacitance with its unit, or with its letter at the decimal point ("100n", "4n7").
func parseFarad(s string) (unit.Farad, *unit.ParseError) {
	c, err := unit.ParseFarad(s)
	if err != nil {
		if coded, no := ReadCapCode(s); no == nil && coded.Form == "letters" {
			return coded.C, nil
		}
	}
	return c, err
}

// value reads a resistance or capacitance; which of them the unit says, if the kind does not.
func (r *drawerReader) value(it *Item, f field) {
	ohm, ohmErr := unit.ParseOhm(f.text)
	farad, faradErr := unit.Absent[unit.Farad](), ohmErr
	if ohmErr != nil || it.Kind == KindCapacitor {
		farad, faradErr = parseFarad(f.text)
	}
	err := ohmErr
	switch {
	case it.Kind == KindResistor || it.Kind == "" && ohmErr == nil:
		if ohmErr == nil && ohm < 0 {
			r.add("quantity-range", f, "%s is below zero", f.text)
			return
		}
		it.Kind, it.Ohm = KindResistor, ohm
	case it.Kind == KindCapacitor || it.Kind == "" && faradErr == nil:
		if err = faradErr; faradErr == nil && farad <= 0 {
			r.add("quantity-range", f, "%s is not above zero", f.text)
			return
		}
		it.Kind, it.Farad = KindCapacitor, farad
	case strings.Contains(strings.ToLower(f.text), "f"):
		err = faradErr
	}
	if err != nil {
		mend := "" // without a kind it might be anything; a bare number of a capacitor might be a code in pF
		if it.Kind == KindResistor {
			mend = safeMend(f.text, err.Mend, unit.Resistance)
		}
		r.mend(r.add("quantity-wrong", f, "value %q: %s", f.text, err.Problem), f, mend)
		return
	}
	if it.Kind == KindResistor {
		if odd := OddValue(it.Ohm); odd != "" {
			r.warn("value-odd", f, "%s", odd)
		}
	}
}

// part finds a part in the catalogue, or reads the user's own description of it.
func (r *drawerReader) part(it *Item, f field) {
	found, ok := r.catalogue.Find(f.text)
	if !ok && (it.Kind == KindLED || it.Kind == "") {
		var led LED
		if led, ok = r.catalogue.LED(f.text); ok {
			found = led
		}
	}
	// What was measured on a part of the catalogue does not make it another part; its polarity is only checked.
	described := !(ok && !r.describesOwn()) && r.describe(it, f)
	switch {
	case described:
	case ok:
		p := found.Common()
		if reg, isReg := found.(Regulator); isReg {
			if pkg := r.field("package").text; pkg != "" {
				if fits, ok := r.catalogue.RegulatorIn(f.text, pkg); ok {
					reg = fits
				}
			}
			p = reg.Part
		}
		if bjt, isBJT := found.(BJT); isBJT {
			it.Polarity = bjt.Polarity
			if p := r.field("polarity"); p.text != "" && !strings.HasPrefix(bjt.Polarity, strings.ToUpper(p.text)) {
				r.mend(r.add("polarity-wrong", p, "%s is %s, not %s", bjt.Name, bjt.Polarity, p.text), p, strings.TrimSuffix(bjt.Polarity, "-prebiased"))
			}
		}
		if k := r.field("kind"); it.Kind != "" && it.Kind != p.Kind {
			r.mend(r.add("kind-wrong", k, "%s is a %s, not a %s", p.Name, p.Kind, it.Kind), k, p.Kind)
		}
		it.Part, it.Kind, it.Package = p.Name, p.Kind, p.Package
	case it.Kind == KindSocket:
		if s, ok := r.catalogue.Socket(f.text); ok {
			it.Part = s.Name
		}
	case it.Kind == KindOther:
	default:
		r.unknownPart(it, f)
	}
}

// describesOwn reports whether the row holds a figure that describes a part of one's own.
func (r *drawerReader) describesOwn() bool {
	for _, c := range []string{"vceo", "ic_max", "hfe_points", "vcesat_points", "vbesat_points", "vf_points", "colour", "if_max", "vr_max"} {
		if r.field(c).text != "" {
			return true
		}
	}
	return false
}

func (r *drawerReader) unknownPart(it *Item, f field) {
	var kinds []string
	if it.Kind != "" {
		kinds = []string{it.Kind}
	}
	near := r.catalogue.Suggest(f.text, kinds...)
	p := r.warn("part-unknown", f, "%q is not in the catalogue and will not be used", f.text)
	switch {
	case len(near) > 0:
		p.Message += "; did you mean " + strings.Join(near, " or ") + "?"
		if len(near) == 1 {
			r.mend(p, f, near[0])
		}
	case it.Kind == KindTransistor:
		p.Message += "; polarity, vceo, ic_max and hfe_points would describe it, and " + measureMore(it.Kind)
	case it.Kind == KindLED || it.Kind == KindDiode:
		p.Message += "; vf_points would describe it, and " + measureMore(it.Kind)
	case it.Kind == KindMOSFET:
		p.Message += "; " + measureMore(it.Kind)
	default:
		p.Message += "; kind \"other\" says that this is meant"
	}
}

// packaging reads the package and compares it with the catalogue's.
func (r *drawerReader) packaging(it *Item) {
	f := r.field("package")
	if f.text == "" {
		return
	}
	listed := it.Package
	if it.Part != "" && listed != "" {
		if SamePackage(f.text, listed) || SamePackage(listed, f.text) {
			return
		}
		r.mend(r.warn("package-wrong", f, "%s is listed in %s, not in %s", it.Part, listed, f.text), f, listed)
		it.Package = f.text
		return
	}
	known, ok := r.known[it.Kind]
	if !ok {
		known = r.packages(it.Kind)
		if r.known == nil {
			r.known = map[string][]string{}
		}
		r.known[it.Kind] = known
	}
	if slices.Contains(known, f.text) {
		it.Package = f.text
		return
	}
	for _, k := range known {
		if SamePackage(f.text, k) || fold("axial"+f.text) == fold(k) {
			it.Package = k
			return
		}
	}
	it.Package = f.text
	p := r.warn("package-unknown", f, "package %q is not known", f.text)
	if isDigits(f.text) && slices.Contains(known, "0"+f.text) {
		p.Message += "; spreadsheets drop a leading zero unless the cell is text"
		r.mend(p, f, "0"+f.text)
		return
	}
	near, best := "", 3
	for _, k := range known {
		if d := levenshtein.Distance(fold(f.text), fold(k), nil); d < best && d <= len(k)/3 {
			best, near = d, k
		}
	}
	if near != "" {
		p.Message += fmt.Sprintf("; did you mean %s?", near)
		r.mend(p, f, near)
	}
}

// packages are the names of packages known for a kind.
func (r *drawerReader) packages(kind string) []string {
	var out []string
	add := func(s string) {
		if s != "" && !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	switch kind {
	case KindResistor:
		for _, p := range resistorPackages() {
			add(p.Package)
		}
		return out
	case KindCapacitor:
		for _, p := range []string{"0402", "0603", "0805", "1206", "1210", "radial", "axial", "A", "B", "C", "D"} {
			add(p)
		}
		return out
	case KindChip, KindSocket, KindOther:
		for _, p := range []string{"DIP-8", "SOIC-8"} {
			add(p)
		}
	}
	for _, p := range r.catalogue.All() {
		if pkg := p.Common(); kind == "" || pkg.Kind == kind {
			add(pkg.Package)
		}
	}
	return out
}

// gain compares a measured gain with what the part's table says near that current.
func (r *drawerReader) gain(it Item) {
	f := r.field("hfe")
	if !unit.Known(unit.Ratio(it.HFE)) {
		if at := r.field("hfe_at"); at.text != "" && f.text == "" {
			r.warn("hfe-missing", at, "a current without a measured hFE")
		}
		return
	}
	if it.Kind != KindTransistor {
		if it.Kind != "" {
			r.add("hfe-misplaced", f, "hFE belongs to a transistor, and %s is a %s", it.Text, it.Kind)
		}
		return
	}
	b, ok := r.catalogue.BJT(it.Part)
	if !ok || b.Prebiased() {
		return
	}
	for _, g := range b.Gain {
		if unit.Known(it.HFEat) && math.Abs(math.Log10(float64(it.HFEat/g.IC))) > 0.5 {
			continue // the table is silent about that current
		}
		switch {
		case it.HFE < 0.1*g.Min:
			r.warn("hfe-swapped", f, "measured hFE %g, where %s has at least %g at %v: collector and emitter swapped, or another part", it.HFE, it.Part, g.Min, g.IC)
			return
		case it.HFE < 0.7*g.Min || it.HFE > 1.4*g.Max:
			limit := fmt.Sprintf("at least %g", g.Min)
			if !math.IsNaN(g.Max) {
				limit = fmt.Sprintf("%g to %g", g.Min, g.Max)
			}
			r.warn("hfe-unlikely", f, "measured hFE %g, where %s has %s at %v: another group, or another part", it.HFE, it.Part, limit, g.IC)
			return
		}
	}
}
