package leads

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"fettle/internal/diag"
	"fettle/internal/unit"
)

// A Test is what the meter is set to.
type Test int

const (
	DiodeTest Test = iota
	Ohms
	Gain
)

// A Lead is a set of leads of the package, one bit each: joined ones count as one.
type Lead uint8

// Lead1, Lead2 and Lead3 are the leads by position: SOT-23 from above with the single lead up: lower left, lower right,
// single lead; TO-92 with the flat face to the reader and the leads down: left to right.
const (
	Lead1 Lead = 1 << iota
	Lead2
	Lead3
)

func (l Lead) String() string {
	var out []string
	for k := range 3 {
		if l&(1<<k) != 0 {
			out = append(out, fmt.Sprint(k+1))
		}
	}
	return strings.Join(out, "+")
}

// A Pair is a pair of probes: Red is the positive one in the diode test.
type Pair struct{ Red, Black Lead }

func (p Pair) String() string { return p.Red.String() + ">" + p.Black.String() }

// A Reading is one reading of the meter on the part.
type Reading struct {
	Test   Test
	Probes Pair
	After  Pair    // touched just before, to charge a gate; zero: nothing
	Open   bool    // over range: "OL"
	Value  float64 // V, Ω or a gain

	Polarity string // of the gain socket: "NPN", "PNP", "" where it was not said
	Socket   string // which hole leads 1, 2 and 3 were in: "BCE"

	Range diag.Range
}

// String is the reading as it is written.
func (r Reading) String() string {
	value := "OL"
	switch {
	case r.Open && r.Test == Ohms:
		value = "OL Ω"
	case r.Open:
	case r.Test == Gain:
		value = fmt.Sprintf("%g", r.Value)
	case r.Test == Ohms:
		value = fmt.Sprintf("%g Ω", r.Value)
	default:
		value = fmt.Sprintf("%g V", r.Value)
	}
	if r.Test == Ohms {
		return r.Probes.String() + " " + value // the unit says what it is
	}
	return r.question() + " " + value + r.after()
}

func (r Reading) after() string {
	if r.After == (Pair{}) {
		return ""
	}
	return " after " + r.After.String()
}

// question is the reading without what it showed.
func (r Reading) question() string {
	if r.Test == Gain {
		return strings.TrimSpace("hfe "+r.Polarity) + " " + r.Socket
	}
	if r.Test == Ohms {
		return "ohms " + r.Probes.String()
	}
	return r.Probes.String()
}

// Forms are the ways to write a reading, as help and diagnostics show them.
const Forms = `"1>2 0.68 V" (red on 1, black on 2), "2>1 OL", "1>2 4.7 kΩ", "1+3>2 1.9 V" (1 and 3 joined), ` +
	`"1>2 0.02 V after 3>2" (red touched 3 before), "hfe NPN BCE 180" (holes of leads 1, 2, 3)`

var (
	probesForm = regexp.MustCompile(`^\s*(\S[^>→]*?)\s*(?:->|>|→)\s*([^\s>→]+)\s*(.*?)\s*$`)
	afterForm  = regexp.MustCompile(`^(.*?)\s+after\s+([^\s>→]+?)\s*(?:->|>|→)\s*(\S+)$`)
	gainForm   = regexp.MustCompile(`(?i)^\s*(?:hfe|gain)\s+(?:(npn|pnp)\s+)?(.*?)\s*[=:]?\s*(\S+)\s*$`)
	holeForm   = regexp.MustCompile(`(?i)^(?:([123])\s*=?\s*([bce])|([bce])\s*=?\s*([123]))$`)
)

// Parse reads readings as they are typed, several on a line separated by ";". File names the source in diagnostics.
// It returns all it understood and all that is wrong.
func Parse(file, src string) ([]Reading, diag.List) {
	r := &reader{file: file, src: src}
	at := 0
	for _, line := range strings.SplitAfter(src, "\n") {
		from := at
		for _, one := range strings.SplitAfter(strings.TrimRight(line, "\r\n"), ";") {
			text := strings.TrimSuffix(one, ";")
			if t := strings.TrimSpace(text); t != "" && !strings.HasPrefix(t, "#") {
				r.reading(text, from)
			}
			from += len(one)
		}
		at += len(line)
	}
	return r.out, r.problems
}

type reader struct {
	file, src string
	out       []Reading
	problems  diag.List
}

// span is a place in the source by byte offsets.
func (r *reader) span(start, end int) diag.Range {
	pos := func(at int) diag.Pos {
		at = max(0, min(at, len(r.src)))
		line := 1 + strings.Count(r.src[:at], "\n")
		from := strings.LastIndexByte(r.src[:at], '\n') + 1
		return diag.Pos{Line: line, Column: utf8.RuneCountInString(r.src[from:at]) + 1, Byte: at}
	}
	return diag.Range{File: r.file, Start: pos(start), End: pos(end)}
}

// A piece is a stretch of text and where it begins.
type piece struct {
	text string
	at   int
}

func (r *reader) add(code string, p piece, format string, args ...any) *diag.Problem {
	return r.problems.Add(code, r.span(p.at, p.at+len(p.text)), format, args...)
}

// trimmed is a piece without the space around it.
func trimmed(p piece) piece {
	lead := len(p.text) - len(strings.TrimLeft(p.text, " \t"))
	return piece{strings.TrimSpace(p.text), p.at + lead}
}

// reading reads one reading that begins at a byte of the source.
func (r *reader) reading(text string, at int) {
	whole := trimmed(piece{text, at})
	sub := func(m []int, k int) piece {
		if m[2*k] < 0 {
			return piece{"", whole.at}
		}
		return piece{whole.text[m[2*k]:m[2*k+1]], whole.at + m[2*k]}
	}
	n := len(r.problems)
	var out Reading
	if head := strings.ToLower(whole.text); strings.HasPrefix(head, "hfe") || strings.HasPrefix(head, "gain") {
		m := gainForm.FindStringSubmatchIndex(whole.text)
		if m == nil {
			r.add("reading-form", whole, "%q is no reading of a gain socket: hfe NPN BCE 180, where BCE are the holes of leads 1, 2 and 3", whole.text)
			return
		}
		out = r.gain(sub(m, 1), sub(m, 2), sub(m, 3), whole)
	} else {
		m := probesForm.FindStringSubmatchIndex(whole.text)
		if m == nil {
			r.add("reading-form", whole, "%q is no reading: write %s", whole.text, Forms)
			return
		}
		value, after := sub(m, 3), [2]piece{}
		if a := afterForm.FindStringSubmatchIndex(value.text); a != nil {
			for k := range after {
				after[k] = piece{value.text[a[2*k+4]:a[2*k+5]], value.at + a[2*k+4]}
			}
			value.text = value.text[a[2]:a[3]]
		}
		out = r.probes(sub(m, 1), sub(m, 2), value, after, whole)
	}
	if len(r.problems) == n {
		out.Range = r.span(whole.at, whole.at+len(whole.text))
		r.out = append(r.out, out)
	}
}

// pair reads the leads of the two probes.
func (r *reader) pair(red, black piece) (p Pair) {
	p.Red, p.Black = r.lead(red), r.lead(black)
	if p.Red&p.Black != 0 {
		r.add("lead-twice", black, "lead %s has both probes", p.Red&p.Black)
	}
	return p
}

func (r *reader) lead(p piece) (l Lead) {
	at := p.at
	for one := range strings.SplitSeq(p.text, "+") {
		t := trimmed(piece{one, at})
		at += len(one) + 1
		switch t.text {
		case "1":
			l |= Lead1
		case "2":
			l |= Lead2
		case "3":
			l |= Lead3
		case "":
			r.add("lead-unknown", p, "a lead is missing in %q: leads are 1, 2 and 3, joined ones 1+2", p.text)
			return l
		default:
			r.add("lead-unknown", t, "%q is no lead: leads are 1, 2 and 3 (SOT-23 from above: lower left, lower right, single lead; TO-92 from the flat face: left to right), joined ones 1+2", t.text)
			return l
		}
	}
	return l
}

func (r *reader) probes(red, black, value piece, after [2]piece, whole piece) Reading {
	out := Reading{Probes: r.pair(red, black)}
	if after[0].text != "" {
		out.After = r.pair(after[0], after[1])
	}
	if value.text == "" {
		r.add("value-missing", whole, "what did the meter show between %s and %s? OL where it showed nothing", red.text, black.text)
		return out
	}
	r.value(&out, value)
	return out
}

// words that stand for a display.
var (
	openWords  = []string{"ol", "o.l", "0l", "open", "inf", "infinite", "∞", "-", "none", "nothing", "1", "1.", "overrange"}
	shortWords = []string{"short", "beep", "beeps", "0", "0.0"}
)

// Bounds of what a hand meter shows: a diode test up to its own battery, ohms to 200 MΩ, gain to five digits.
const (
	mostDiode = 4.0
	mostOhm   = 200e6
	mostGain  = 1e5
)

func (r *reader) value(out *Reading, p piece) {
	low := strings.ToLower(p.text)
	if head, ok := strings.CutSuffix(low, "ω"); ok && slices.Contains(openWords[:6], strings.TrimSpace(head)) {
		out.Test, out.Open = Ohms, true
		return
	}
	switch {
	case slices.Contains(openWords, low):
		out.Open = true
		return
	case slices.Contains(shortWords, low):
		return
	}
	if x, err := unit.Parse(p.text, unit.Number); err == nil {
		// A meter's diode test shows a bare number, in volts or in millivolts.
		switch {
		case x > 0 && x <= mostDiode:
			out.Value = x
		case x >= 10 && x <= 1e3*mostDiode:
			out.Value = x / 1e3
		default:
			q := r.add("value-range", p, "%s is neither volts (up to %g V) nor millivolts of a diode test; ohms want their unit", p.text, mostDiode)
			if x > 1e3*mostDiode {
				q.Fix = &diag.Fix{Message: p.text + " Ω", Range: q.Range, Text: p.text + " Ω"}
			}
		}
		return
	}
	v, errV := unit.ParseVolt(p.text)
	if errV == nil {
		if v < 0 || v > mostDiode {
			q := r.add("value-range", p, "%s: a diode test shows 0 to %g V", p.text, mostDiode)
			if v < 0 {
				q.Message += "; a negative reading means that the probes are the other way round, which is a reading of its own"
			}
			return
		}
		out.Value = float64(v)
		return
	}
	x, errO := unit.ParseOhm(p.text)
	if errO == nil {
		if x < 0 || x > mostOhm {
			r.add("value-range", p, "%s: a hand meter shows 0 to %v", p.text, unit.Ohm(mostOhm))
			return
		}
		out.Test, out.Value = Ohms, float64(x)
		return
	}
	r.add("value-wrong", p, "%q is no reading: volts (\"0.68 V\", \"680 mV\", \"0.68\"), ohms (\"4.7 kΩ\"), or OL where the meter shows nothing", p.text)
}

// gain reads "NPN BCE 180" or "NPN 1B 2C 3E 180".
func (r *reader) gain(polarity, holes, value, whole piece) Reading {
	out := Reading{Test: Gain, Polarity: strings.ToUpper(polarity.text)}
	h := strings.ToUpper(strings.NewReplacer(" ", "", "-", "", ",", "", "=", "", "/", "").Replace(holes.text))
	socket := [3]byte{}
	if len(h) == 6 {
		for k := 0; k < 6; k += 2 {
			m := holeForm.FindStringSubmatch(h[k : k+2])
			if m == nil {
				break
			}
			lead, hole := m[1]+m[4], m[2]+m[3]
			socket[lead[0]-'1'] = hole[0]
		}
	} else if len(h) == 3 {
		copy(socket[:], h)
	}
	sorted := slices.Clone(socket[:])
	slices.Sort(sorted)
	if string(sorted) != "BCE" {
		p := holes
		if p.text == "" {
			p = whole
		}
		r.add("socket-wrong", p, "%q does not say which of the holes B, C and E leads 1, 2 and 3 were in: BCE, or 1B 2C 3E", holes.text)
		return out
	}
	out.Socket = string(socket[:])
	low := strings.ToLower(value.text)
	if slices.Contains(openWords[:len(openWords)-3], low) {
		out.Open = true
		return out
	}
	x, err := unit.Parse(value.text, unit.Number)
	if err != nil || x < 0 || x > mostGain {
		r.add("value-wrong", value, "%q is no gain: a number from 0 to %g, or OL", value.text, mostGain)
		return out
	}
	out.Value = x
	return out
}

// csvColumns of a file of readings.
var csvColumns = []string{"red", "black", "shows", "after", "socket", "note"}

// ReadCSV reads readings from a table whose first row names its columns: red and black (leads, joined ones "1+2"),
// shows ("0.68 V", "OL", "4.7 kΩ", or a gain), after ("3>2": touched just before), socket ("NPN BCE", for a gain), note.
// Separators comma, semicolon or tab; rows that begin with "#" are skipped.
func ReadCSV(file string, src []byte) ([]Reading, diag.List) {
	r := &reader{file: file, src: string(src)}
	if !utf8.Valid(src) {
		r.problems.Add("file-encoding", r.span(0, 0), "not UTF-8 text; save it from the spreadsheet as \"CSV UTF-8\"")
		return nil, r.problems
	}
	body := strings.TrimPrefix(r.src, "\uFEFF")
	shift := len(r.src) - len(body)
	c := csv.NewReader(strings.NewReader(body))
	c.FieldsPerRecord, c.LazyQuotes, c.Comment = -1, true, '#'
	first, _, _ := strings.Cut(strings.TrimLeft(body, "\r\n"), "\n")
	for _, sep := range []rune{';', '\t'} {
		if strings.Count(first, string(sep)) > strings.Count(first, string(c.Comma)) {
			c.Comma = sep
		}
	}
	lines := []int{shift}
	for i := range body {
		if body[i] == '\n' {
			lines = append(lines, shift+i+1)
		}
	}
	place := func(row []string, k int) piece {
		line, col := c.FieldPos(k)
		at := lines[min(line, len(lines))-1] + col - 1
		if !strings.HasPrefix(r.src[min(at, len(r.src)):], row[k]) {
			at++ // behind the quote
		}
		at = min(at, len(r.src))
		p := piece{row[k], at}
		if at+len(p.text) > len(r.src) { // doubled quotes
			p.text = r.src[at:]
		}
		return trimmed(p)
	}
	var header []string
	for {
		row, err := c.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			r.problems.Add("file-wrong", r.span(len(r.src), len(r.src)), "the table cannot be read: %v", err)
			break
		}
		if header == nil {
			for k := range row {
				p := place(row, k)
				name := strings.ToLower(p.text)
				if name != "" && !slices.Contains(csvColumns, name) {
					r.add("column-unknown", p, "no column is called %q: %s", p.text, strings.Join(csvColumns, ", "))
				}
				header = append(header, name)
			}
			if !slices.Contains(header, "shows") {
				r.problems.Add("column-missing", r.span(shift, shift+len(first)), "the first row must name the columns, and one of them shows: %s", strings.Join(csvColumns, ", "))
				return nil, r.problems
			}
			continue
		}
		r.row(header, row, place)
	}
	if header == nil {
		r.problems.Add("file-empty", r.span(0, 0), "the table is empty: its first row must name the columns, e.g. red, black, shows")
	}
	return r.out, r.problems
}

func (r *reader) row(header, row []string, place func(row []string, k int) piece) {
	cell := map[string]piece{}
	empty := true
	for k := range row {
		p := place(row, k)
		if p.text != "" {
			empty = false
		}
		if k < len(header) && header[k] != "" {
			cell[header[k]] = p
		}
	}
	if empty {
		return
	}
	n := len(r.problems)
	whole := place(row, 0)
	last := place(row, len(row)-1)
	whole.text = r.src[whole.at : last.at+len(last.text)]
	var out Reading
	switch {
	case cell["socket"].text != "":
		s := cell["socket"]
		polarity := piece{"", s.at}
		if head, rest, ok := strings.Cut(s.text, " "); ok && (strings.EqualFold(head, "NPN") || strings.EqualFold(head, "PNP")) {
			polarity, s = piece{head, s.at}, trimmed(piece{rest, s.at + len(head) + 1})
		}
		out = r.gain(polarity, s, cell["shows"], whole)
	case cell["red"].text == "" || cell["black"].text == "":
		r.add("lead-unknown", whole, "the row does not say where both probes were: red and black, or socket for a gain")
		return
	default:
		after := [2]piece{}
		if a := cell["after"]; a.text != "" {
			m := probesForm.FindStringSubmatchIndex(a.text)
			if m == nil {
				r.add("reading-form", a, "after %q: two leads are wanted, the red one first: 3>2", a.text)
				return
			}
			after[0], after[1] = piece{a.text[m[2]:m[3]], a.at + m[2]}, piece{a.text[m[4]:m[5]], a.at + m[4]}
		}
		out = r.probes(cell["red"], cell["black"], cell["shows"], after, whole)
	}
	if len(r.problems) == n {
		out.Range = r.span(whole.at, whole.at+len(whole.text))
		r.out = append(r.out, out)
	}
}
