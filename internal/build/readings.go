package build

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"fettle/internal/diag"
)

// Columns names the columns of readings.csv in the order in which AppendReading writes them. A file may have
// them in any order and leave any out. Cells hold what the attribute of a reading block would hold, with the
// unit and without quotes: "3.10 mA". A further header line may stand anywhere and holds from there on.
func Columns() []string {
	columns := []string{"date", "vehicle", "lamp"}
	for _, a := range readingBlock.Attrs {
		if a.Name != "date" {
			columns = append(columns, a.Name)
		}
	}
	return columns
}

// maxReadings is beyond what a hand can have written: a hundred thousand readings are some 10 MB.
const maxReadings = 16 << 20

// A cell is one field of a line, with where it stands.
type cell struct {
	text       string
	start, end int // bytes of the file, quotes included, blanks around left out
}

// cells splits one line. A quoted cell may hold the separator and doubled quotes.
func cells(line []byte, offset int, sep byte) (list []cell, ok bool) {
	i := 0
	for {
		for i < len(line) && line[i] == ' ' {
			i++
		}
		start := i
		var c cell
		if i < len(line) && line[i] == '"' {
			var text []byte
			closed := false
			for i++; i < len(line); i++ {
				if line[i] == '"' {
					if i+1 < len(line) && line[i+1] == '"' {
						i++
					} else {
						closed = true
						i++
						break
					}
				}
				text = append(text, line[i])
			}
			end := i
			for i < len(line) && line[i] == ' ' {
				i++
			}
			if !closed || i < len(line) && line[i] != sep {
				return list, false
			}
			c = cell{strings.TrimSpace(string(text)), offset + start, offset + end}
		} else {
			for i < len(line) && line[i] != sep {
				i++
			}
			text := bytes.TrimRight(line[start:i], " ")
			c = cell{string(bytes.TrimSpace(text)), offset + start, offset + start + len(text)}
		}
		list = append(list, c)
		if i >= len(line) {
			return list, true
		}
		i++ // the separator
	}
}

// csvCell quotes a text where it needs it.
func csvCell(text string, sep byte) string {
	text = strings.Map(func(r rune) rune {
		if r == '\n' || r == '\r' || r == 0 {
			return ' '
		}
		return r
	}, text)
	if strings.ContainsAny(text, "\"#") || strings.IndexByte(text, sep) >= 0 || text != strings.TrimSpace(text) {
		return `"` + strings.ReplaceAll(text, `"`, `""`) + `"`
	}
	return text
}

// BenchColumns names the columns of a table of bench readings, which may stand in the same file behind a header of its own.
func BenchColumns() []string {
	return []string{"date", "decoder", "setup", "test", "reading", "meter", "note"}
}

// A header is which column of a readings file holds what.
type header struct {
	sep     byte
	columns []string
	bench   bool // of bench readings
}

// known are the columns that there may be.
func (h header) known() []string {
	if h.bench {
		return BenchColumns()
	}
	return Columns()
}

// asHeader reads a line as a header: at least two cells, most of them column names.
func asHeader(line []byte, offset int) (h header, list []cell, ok bool) {
	best := 0
	for _, sep := range []byte{',', ';', '\t'} {
		found, _ := cells(line, offset, sep)
		for _, bench := range []bool{false, true} {
			n := 0
			for _, c := range found {
				if has(header{bench: bench}.known(), strings.ToLower(c.text)) {
					n++
				}
			}
			if n > best {
				best, h.sep, h.bench, list = n, sep, bench, found
			}
		}
	}
	for _, c := range list {
		h.columns = append(h.columns, strings.ToLower(c.text))
	}
	return h, list, best >= 2 && 2*best > len(list)
}

// eachLine calls f with every line that is not blank or a comment, without its line end.
func eachLine(src []byte, f func(line []byte, offset int)) {
	offset := 0
	if bytes.HasPrefix(src, []byte("\ufeff")) {
		offset = 3
	}
	for offset < len(src) {
		end := len(src)
		next := end
		if i := bytes.IndexByte(src[offset:], '\n'); i >= 0 {
			end, next = offset+i, offset+i+1
		}
		line := bytes.TrimSuffix(src[offset:end], []byte("\r"))
		if t := bytes.TrimSpace(line); len(t) > 0 && t[0] != '#' && !bytes.HasPrefix(t, []byte("sep=")) {
			f(line, offset)
		}
		offset = next
	}
}

// readings reads readings.csv against the build. A damaged line is named and left out; the good ones stay.
func (c *checker) readings(r *reader) []Reading {
	src := r.src.text
	fail := func(code string, at diag.Range, format string, args ...any) *report {
		p := r.report(code, at, format, args...)
		p.Severity = diag.Error
		return p
	}
	if len(src) > maxReadings {
		fail("too-big", r.src.span(0, 0), "%d bytes of readings are more than a hand can have written (%d is the most)", len(src), maxReadings)
		return nil
	}
	if bytes.HasPrefix(src, []byte{0xff, 0xfe}) || bytes.HasPrefix(src, []byte{0xfe, 0xff}) {
		fail("not-text", r.src.span(0, 1), "this is UTF-16: save it as UTF-8")
		return nil
	}
	var list []Reading
	var h header
	dead := false // no header: one complaint, not one a line
	eachLine(src, func(line []byte, offset int) {
		if dead {
			return
		}
		whole := r.src.span(offset, offset+len(line))
		if at, why, bad := garbled(line); bad {
			r.report("not-text", r.src.span(offset+at, offset+at+1), "%s", why).note(whole, "the line is left out")
			return
		}
		if next, found, ok := asHeader(line, offset); ok {
			h = next
			r.sep = h.sep
			seen := map[string]bool{}
			for i, col := range h.columns {
				at := r.src.span(found[i].start, found[i].end)
				switch {
				case col == "":
				case !has(h.known(), col):
					g := guess(col, h.known())
					p := fail("column-unknown", at, "there is no column %q%s", found[i].text, didYouMean(g))
					if len(g) == 1 {
						p.try(at, g[0], g[0])
					} else {
						p.note(at, "there is %s", strings.Join(h.known(), ", "))
					}
				case seen[col]:
					fail("column-twice", at, "a second column %q", col)
				}
				seen[col] = true
			}
			return
		}
		if h.sep == 0 {
			dead = true
			fail("header", whole, "the first line must name the columns: %s", strings.Join(Columns()[:6], ", ")+", …")
			return
		}
		row, ok := cells(line, offset, h.sep)
		if !ok {
			r.report("quotes", whole, "the quotes in this line do not pair").note(whole, "the line is left out")
			return
		}
		before := len(r.reports)
		var x *Reading
		var y *BenchReading
		if h.bench {
			y = c.benchRow(r, h, row, whole)
		} else {
			x = c.row(r, h, row, whole)
		}
		if len(r.reports) > before {
			r.reports[before].note(whole, "the line is left out")
			return
		}
		if x != nil {
			list = append(list, *x)
		}
		if y != nil {
			c.b.Bench = append(c.b.Bench, *y)
		}
	})
	return list
}

// benchRow reads one line of bench readings; without a cell filled there is none.
func (c *checker) benchRow(r *reader, h header, row []cell, whole diag.Range) *BenchReading {
	x := BenchReading{Range: whole, At: whole}
	at := map[string]diag.Range{}
	for i, f := range row {
		if f.text == "" {
			continue
		}
		where := r.src.span(f.start, f.end)
		if i >= len(h.columns) || h.columns[i] == "" {
			r.report("column-extra", where, "%q stands in no column: the header names %d", f.text, len(h.columns))
			return nil
		}
		at[h.columns[i]] = where
		switch h.columns[i] {
		case "date":
			x.Date = f.text
		case "decoder":
			x.Decoder = f.text
		case "setup":
			x.Setup = f.text
		case "test":
			x.Test = f.text
		case "reading":
			x.Text, x.At = f.text, where
		case "meter":
			x.Meter = f.text
		case "note":
			x.Note = f.text
		}
	}
	if len(at) == 0 {
		return nil
	}
	for _, need := range []string{"setup", "test", "reading"} {
		if _, ok := at[need]; !ok {
			r.report("missing", whole, "a bench reading without its %s", need)
		}
	}
	if x.Date != "" {
		c.day(r, at["date"], x.Date)
	}
	c.knownMeter(r, "meter", Text{Text: x.Meter, Range: at["meter"]})
	var decoders []string
	for i := range c.b.Decoders {
		decoders = append(decoders, c.b.Decoders[i].Name.Text)
	}
	if x.Decoder != "" && !has(decoders, x.Decoder) {
		c.unknownName(r, "decoder", Text{Text: x.Decoder, Range: at["decoder"]}, "decoder", decoders)
	}
	return &x
}

// cellsOf is the reading as AppendBench writes it, by column.
func (x BenchReading) cellsOf() map[string]string {
	return map[string]string{"date": x.Date, "decoder": x.Decoder, "setup": x.Setup, "test": x.Test, "reading": x.Text, "meter": x.Meter, "note": x.Note}
}

// row reads one line; without a cell filled there is none.
func (c *checker) row(r *reader, h header, row []cell, whole diag.Range) *Reading {
	n := &node{schema: readingBlock, head: whole, values: map[string]*value{}, asked: map[string]bool{}}
	var lamp, vehicle Text
	filled := false
	for i, f := range row {
		if f.text == "" {
			continue
		}
		filled = true
		at := r.src.span(f.start, f.end)
		if i >= len(h.columns) || h.columns[i] == "" {
			r.report("column-extra", at, "%q stands in no column: the header names %d", f.text, len(h.columns))
			return nil
		}
		switch col := h.columns[i]; col {
		case "lamp":
			lamp = Text{Text: f.text, Range: at}
		case "vehicle":
			vehicle = Text{Text: f.text, Range: at}
		default:
			a := readingBlock.attr(col)
			if a == nil {
				continue // complained of in the header
			}
			v := r.value(a, literal{kind: 's', text: f.text, at: at})
			v.name = at
			n.values[col] = v
			n.order = append(n.order, v)
		}
	}
	if !filled {
		return nil
	}
	x := reading(n)
	x.Lamp, x.Vehicle = lamp.Text, vehicle.Text
	var vehicles, lamps []string
	for i := range c.b.Vehicles {
		v := &c.b.Vehicles[i]
		vehicles = append(vehicles, v.Name.Text)
		if x.Vehicle == "" || x.Vehicle == v.Name.Text {
			for _, l := range v.Lamps {
				lamps = append(lamps, l.Name.Text)
			}
		}
	}
	switch {
	case vehicle.IsSet() && !has(vehicles, vehicle.Text):
		c.unknownName(r, "vehicle", vehicle, "vehicle", vehicles)
	case lamp.IsSet() && !has(lamps, lamp.Text):
		c.unknownName(r, "lamp", lamp, "lamp", lamps)
	case !lamp.IsSet() && !x.Point.IsSet():
		r.report("missing", whole, "a reading of what? Name the lamp, or the test point")
	}
	c.reading(r, &x)
	if x.Vehicle == "" && len(c.b.Vehicles) == 1 {
		x.Vehicle = c.b.Vehicles[0].Name.Text
	}
	return &x
}

// cellsOf is the reading as AppendReading writes it, by column.
func (x Reading) cellsOf() map[string]string {
	m := map[string]string{
		"date": x.Date, "id": x.ID, "vehicle": x.Vehicle, "lamp": x.Lamp, "note": x.Note,
		"track": x.Track.Text, "current": x.Current.Text, "drop": x.Drop.Text, "resistance": x.Resistance.Text, "voltage": x.Voltage.Text,
	}
	if x.Reversed {
		m["reversed"] = "true"
	}
	for name, t := range map[string]Text{
		"supply": x.SupplyName, "marking": x.Marking, "meter": x.Meter, "volt_meter": x.VoltMeter, "ammeter": x.Ammeter,
		"plugged": x.Plugged, "looked": x.Looked, "point": x.Point, "minus": x.Minus, "state": x.State,
	} {
		if t.IsSet() {
			m[name] = t.Text
		}
	}
	if x.SupplyName.Text == "" {
		m["supply"] = x.Supply
	}
	if x.Duty.IsSet() {
		m["duty"] = x.Duty.Text
	}
	if x.Others.IsSet() {
		m["others"] = x.Others.Text
	}
	if x.Temperature.IsSet() {
		m["temperature"] = x.Temperature.Text
	}
	return m
}

// AppendReading adds readings at the end of a readings.csv, as Append does; where the file's header lacks a column that is
// needed, behind a new header line. Quantities are written as their Text.
func AppendReading(path string, list ...Reading) error {
	return appendRows(path, false, rowsOf(list))
}

// AppendBench adds bench readings likewise.
func AppendBench(path string, list ...BenchReading) error {
	return appendRows(path, true, rowsOf(list))
}

func rowsOf[T interface{ cellsOf() map[string]string }](list []T) (rows []map[string]string) {
	for _, x := range list {
		rows = append(rows, x.cellsOf())
	}
	return rows
}

func appendRows(path string, bench bool, rows []map[string]string) error {
	if len(rows) == 0 {
		return nil
	}
	return Append(path, func(old []byte) ([]byte, error) { return addition(old, bench, rows) })
}

// Append puts what addition makes of a file's bytes behind them; the file is made if it is not there. The bytes that are there
// stay as they are. The whole addition is one write, synced before Append returns; after a write that failed half-way the file
// is cut back to what it was.
func Append(path string, addition func(old []byte) ([]byte, error)) error {
	old, err := os.ReadFile(path)
	made := os.IsNotExist(err)
	if err != nil && !made {
		return fmt.Errorf("reading %s: %w", path, err)
	}
	more, err := addition(old)
	if err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_APPEND|os.O_CREATE, 0o666)
	if err != nil {
		return fmt.Errorf("opening %s: %w", path, err)
	}
	defer f.Close()
	if n, err := f.Write(more); err != nil {
		if info, serr := f.Stat(); serr == nil && info.Size() == int64(len(old)+n) {
			_ = f.Truncate(int64(len(old))) // the write's own error is what matters
		}
		return fmt.Errorf("writing %s: %w", path, err)
	}
	if err := f.Sync(); err != nil {
		return fmt.Errorf("writing %s: %w", path, err)
	}
	if err := f.Close(); err != nil {
		return fmt.Errorf("writing %s: %w", path, err)
	}
	if made {
		return syncDir(filepath.Dir(path))
	}
	return nil
}

// WithReadings is a readings.csv with rows put behind it, each a text by column (Columns), as AppendReading would write it;
// old may be nil. What the rows say is not looked at.
func WithReadings(old []byte, rows ...map[string]string) ([]byte, error) {
	for _, m := range rows {
		for column := range m {
			if !has(Columns(), column) {
				return nil, fmt.Errorf("there is no column %q%s", column, didYouMean(guess(column, Columns())))
			}
		}
	}
	added, err := addition(old, false, rows)
	return slices.Concat(old, added), err
}

// WithBench puts bench readings behind it likewise, as AppendBench would.
func WithBench(old []byte, list ...BenchReading) ([]byte, error) {
	added, err := addition(old, true, rowsOf(list))
	return slices.Concat(old, added), err
}

// addition is what has to be put behind the bytes of a readings file.
func addition(old []byte, bench bool, rows []map[string]string) ([]byte, error) {
	var h header
	eachLine(old, func(line []byte, offset int) {
		if next, _, ok := asHeader(line, offset); ok {
			h = next
		}
	})
	var b bytes.Buffer
	end := "\n"
	if bytes.Contains(old, []byte("\r\n")) {
		end = "\r\n"
	}
	if len(old) > 0 && old[len(old)-1] != '\n' {
		b.WriteString(end)
	}
	for _, m := range rows {
		lacks := h.sep == 0 || h.bench != bench
		for name, text := range m {
			lacks = lacks || text != "" && !has(h.columns, name)
		}
		if lacks {
			if h.sep == 0 {
				h.sep = ','
			}
			h.bench = bench
			h.columns = slices.DeleteFunc(h.known(), func(column string) bool { // which decoder, only where there are several
				return bench && column == "decoder" && !slices.ContainsFunc(rows, func(m map[string]string) bool { return m[column] != "" })
			})
			b.WriteString(strings.Join(h.columns, string(h.sep)) + end)
		}
		var row []string
		for _, col := range h.columns {
			row = append(row, csvCell(m[col], h.sep))
		}
		line := strings.Join(row, string(h.sep))
		if strings.Trim(line, string(h.sep)) == "" {
			return nil, fmt.Errorf("a reading with nothing in it")
		}
		if back, ok := cells([]byte(line), 0, h.sep); !ok || len(back) != len(h.columns) {
			return nil, fmt.Errorf("reading %q cannot be written as a line", line)
		}
		b.WriteString(line + end)
	}
	return b.Bytes(), nil
}

// WithoutBench is the content of a readings.csv without its bench readings: all that survey, choose and prove depend on.
func WithoutBench(src []byte) []byte {
	var b bytes.Buffer
	bench := false
	eachLine(src, func(line []byte, offset int) {
		if h, _, ok := asHeader(line, offset); ok {
			bench = h.bench
		}
		if !bench {
			b.Write(line)
			b.WriteByte('\n')
		}
	})
	return b.Bytes()
}

// A BenchLine is a reading in a file to be taken over: a line of columns reading and row, or reading, test and setup.
type BenchLine struct {
	Range            diag.Range
	Date, Text, Note string // Text: "12 = 0.02 V", "board-left-on: PB0 = 0.02 V"
}

// BenchLines reads such a file. Its first line names the columns.
func BenchLines(file string, src []byte) (out []BenchLine, list diag.List) {
	known := append(slices.DeleteFunc(BenchColumns(), func(column string) bool { return column == "decoder" }), "row") // they are all of one
	var columns []string
	var sep byte
	s := newSource(file, src)
	dead := false
	eachLine(src, func(line []byte, offset int) {
		whole := s.span(offset, offset+len(line))
		if dead {
			return
		}
		if columns == nil {
			best := 0
			for _, c := range []byte{',', ';', '\t'} {
				if found, ok := cells(line, offset, c); ok && len(found) > best {
					best, sep, columns = len(found), c, nil
					for _, x := range found {
						columns = append(columns, strings.ToLower(x.text))
					}
				}
			}
			if !has(columns, "reading") || !has(columns, "row") && !has(columns, "test") {
				dead = true
				list.Add("header", whole, "the first line must name the columns: reading and row, or reading and test; besides setup, date, note")
				return
			}
			for _, c := range columns {
				if !has(known, c) {
					list.Add("column-unknown", whole, "there is no column %q%s", c, didYouMean(guess(c, known)))
				}
			}
			return
		}
		row, ok := cells(line, offset, sep)
		if !ok {
			list.Add("quotes", whole, "the quotes in this line do not pair")
			return
		}
		m := map[string]string{}
		for i, c := range row {
			if i < len(columns) {
				m[columns[i]] = c.text
			}
		}
		if m["reading"] == "" {
			return // a box left empty
		}
		x := BenchLine{Range: whole, Date: m["date"], Note: m["note"]}
		switch {
		case m["row"] != "":
			x.Text = m["row"] + " = " + m["reading"]
		case m["setup"] != "" && m["setup"] != Anywhere:
			x.Text = m["setup"] + ": " + m["test"] + " = " + m["reading"]
		default:
			x.Text = m["test"] + " = " + m["reading"]
		}
		out = append(out, x)
	})
	return out, list
}

// Anywhere is the setup of what is seen in no setup of the bench.
const Anywhere = "anywhere"
