package recording

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"math/bits"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"fettle/internal/diag"
	"fettle/internal/unit"
)

const separators = ",;\t "

// A dialect is how lines are cut into cells and numbers are written.
type dialect struct {
	sep, point byte
}

// dialects by preference: where several fit alike, a comma separates and a point is the decimal sign (RFC 4180).
var dialects = []dialect{{',', '.'}, {';', '.'}, {'\t', '.'}, {' ', '.'}, {';', ','}, {'\t', ','}, {' ', ','}}

// split cuts a line, without its end, into at most most cells, appended to into. Cells are trimmed and freed of quotes;
// spaces separate in runs. The cells lie within the line.
func (d dialect) split(line []byte, into [][]byte, most int) [][]byte {
	if d.sep == ' ' {
		line = bytes.TrimSpace(line)
	}
	for len(into) < most {
		var cell []byte
		if q := trimLeft(line); len(q) > 0 && q[0] == '"' {
			end := 1
			for end < len(q) && (q[end] != '"' || end+1 < len(q) && q[end+1] == '"') {
				if q[end] == '"' {
					end++
				}
				end++
			}
			cell = q[1:min(end, len(q))]
			if i := bytes.IndexByte(q[min(end, len(q)):], d.sep); i >= 0 {
				line = q[min(end, len(q))+i+1:]
			} else {
				return append(into, bytes.TrimSpace(cell))
			}
			if d.sep == ' ' {
				line = bytes.TrimLeft(line, " \t")
			}
			into = append(into, bytes.TrimSpace(cell))
			continue
		}
		i := -1
		if d.sep == ' ' {
			i = bytes.IndexAny(line, " \t")
		} else {
			i = bytes.IndexByte(line, d.sep)
		}
		if i < 0 {
			return append(into, trim(line))
		}
		into = append(into, trim(line[:i]))
		if line = line[i+1:]; d.sep == ' ' {
			line = bytes.TrimLeft(line, " \t")
		}
	}
	return into
}

func trimLeft(b []byte) []byte {
	for len(b) > 0 && (b[0] == ' ' || b[0] == '\t') {
		b = b[1:]
	}
	return b
}

func trim(b []byte) []byte {
	b = trimLeft(b)
	for len(b) > 0 && (b[len(b)-1] == ' ' || b[len(b)-1] == '\t' || b[len(b)-1] == '\r') {
		b = b[:len(b)-1]
	}
	return b
}

// words for levels, lower case. The three of a polarity make a column of signs.
var levelWords = map[string]float64{
	"h": 1, "hi": 1, "high": 1, "true": 1, "t": 1, "on": 1,
	"l": 0, "lo": 0, "low": 0, "false": 0, "f": 0, "off": 0,
	"x": math.NaN(), "z": math.NaN(), "u": math.NaN(), "?": math.NaN(), "unknown": math.NaN(), "uncertain": math.NaN(),
}

var signWords = map[string]float64{"+": 1, "pos": 1, "positive": 1, "-": -1, "−": -1, "neg": -1, "negative": -1, "none": 0}

func lookup(words map[string]float64, cell []byte) (float64, bool) {
	if len(cell) > 12 {
		return 0, false
	}
	var low [12]byte
	n := copy(low[:], cell)
	for i, c := range low[:n] {
		if c >= 'A' && c <= 'Z' {
			low[i] = c + 'a' - 'A'
		}
	}
	v, ok := words[string(low[:n])]
	return v, ok
}

// value reads a cell as a level or a voltage. A unit may stand behind the number.
func (d dialect) value(cell []byte) (x float64, word, ok bool) {
	if len(cell) == 1 && (cell[0] == '0' || cell[0] == '1') {
		return float64(cell[0] - '0'), false, true
	}
	if n, k := parseDecimal(cell, d.point); k > 0 {
		x = math.Max(-clipped, math.Min(clipped, n.float()))
		if k == len(cell) {
			return x, false, true
		}
		if f, ok := voltUnits[string(bytes.TrimSpace(cell[k:]))]; ok {
			return x * f, false, true
		}
		return 0, false, false
	}
	if x, ok := lookup(levelWords, cell); ok {
		return x, true, true
	}
	if x, ok := lookup(signWords, cell); ok {
		return x, true, true
	}
	x, ok = parseFloat(cell, '.')
	return x, false, ok
}

var voltUnits = map[string]float64{"V": 1, "v": 1, "volt": 1, "volts": 1, "Volt": 1, "Volts": 1, "mV": 1e-3, "mv": 1e-3, "kV": 1e3, "µV": 1e-6, "uV": 1e-6}

var timeUnits = map[string]unit.Time{
	"s": unit.Second, "sec": unit.Second, "secs": unit.Second, "second": unit.Second, "seconds": unit.Second,
	"ms": unit.Millisecond, "msec": unit.Millisecond, "millisecond": unit.Millisecond, "milliseconds": unit.Millisecond,
	"us": unit.Microsecond, "µs": unit.Microsecond, "μs": unit.Microsecond, "usec": unit.Microsecond, "microsecond": unit.Microsecond, "microseconds": unit.Microsecond,
	"ns": unit.Nanosecond, "nsec": unit.Nanosecond, "nanosecond": unit.Nanosecond, "nanoseconds": unit.Nanosecond,
	"ps": unit.Picosecond, "picosecond": unit.Picosecond, "picoseconds": unit.Picosecond,
}

// unitIn finds a unit in a heading: "Time (s)", "t/µs", "time [ms]", "t_us", "time in ms", or the unit alone.
func unitIn[U any](units map[string]U, heading string) (U, bool) {
	s := strings.TrimSpace(heading)
	try := func(s string) (U, bool) {
		s = strings.Trim(s, " ()[]<>{}")
		u, ok := units[s]
		if !ok {
			u, ok = units[strings.ToLower(s)]
		}
		return u, ok
	}
	if u, ok := try(s); ok {
		return u, ok
	}
	for _, cut := range []string{"(", "[", "/", "_", " ", ",", ":"} {
		if i := strings.LastIndex(s, cut); i >= 0 {
			if u, ok := try(s[i+1:]); ok {
				return u, ok
			}
		}
	}
	var none U
	return none, false
}

// bare is a heading without its unit.
func bare(heading string) string {
	s := strings.TrimSpace(heading)
	for _, cut := range []string{"(", "[", "/", "_", ","} {
		if i := strings.LastIndex(s, cut); i > 0 {
			_, time := unitIn(timeUnits, s[i:])
			_, volt := unitIn(voltUnits, s[i:])
			if time || volt {
				return strings.TrimSpace(s[:i])
			}
		}
	}
	return s
}

// time reads a cell of the time column: a number and perhaps a unit of its own.
func (d dialect) time(cell []byte) (decimal, unit.Time, bool) {
	n, k := parseDecimal(cell, d.point)
	if k == 0 {
		return n, 0, false
	}
	if k == len(cell) {
		return n, 0, true
	}
	u, ok := timeUnits[strings.TrimSpace(string(cell[k:]))]
	return n, u, ok
}

const (
	mostColumns = 64
	mostRows    = mostKept // looked at to recognise the file
	mostLines   = 400      // looked at to recognise the dialect
)

// A column as far as the head shows it.
type column struct {
	name, unit string
	number     int // from 1
	v          []float64
	words      int // cells that are words for levels
	texts      int // cells that are neither numbers nor levels
	empty      int
	signed     bool // some cell is a word for a polarity
	up, down   int  // neighbours that rise and fall
	stepOne    int  // neighbours that rise by 1
	zero       bool // a cell of digits alone begins with 0, as behind a decimal comma
}

func (c *column) label() string {
	if c.name != "" {
		return c.name
	}
	return fmt.Sprintf("column %d", c.number)
}

// ascends is what a column of instants does, but for some rows that are wrong.
func (c *column) ascends() bool {
	n := len(c.v) - 1
	return n >= 1 && c.words == 0 && c.texts <= max(1, len(c.v)/10) && 5*c.up >= 2*n && c.down <= max(1, n/20)
}

// counts is what a column of row numbers does.
func (c *column) counts() bool {
	n := len(c.v) - 1
	return n > 1 && c.down == 0 && 10*c.stepOne >= 9*n
}

// A sheet is what the head of a CSV file shows.
type sheet struct {
	dialect
	skip    int // lines before the data
	bytes   int // of them
	columns []column
	rows    int
	meta    []string
}

func comment(line []byte) bool {
	return len(line) > 0 && (line[0] == '#' || line[0] == '%' || bytes.HasPrefix(line, []byte("//")))
}

// isData reports whether every cell that is not empty is a number or a level, and one is a number.
func (d dialect) isData(cells [][]byte) bool {
	numbers := 0
	for _, c := range cells {
		if len(c) == 0 {
			continue
		}
		if _, _, ok := d.time(c); ok {
			numbers++
			continue
		}
		if _, _, ok := d.value(c); !ok {
			return false
		}
	}
	return numbers > 0
}

// lines calls f with every line, without its end; a last line without an end counts if the file is whole.
func lines(head []byte, f func(at int, line []byte) bool) {
	for at := 0; at < len(head); {
		n := bytes.IndexByte(head[at:], '\n')
		if n < 0 {
			n = len(head) - at
		}
		if !f(at, trim(head[at:at+n])) {
			return
		}
		at += n + 1
	}
}

// recognise finds the dialect, where the data begins and what its columns are called.
func recognise(head []byte, set Settings) (*sheet, bool) {
	var sample [][]byte
	lines(head, func(_ int, line []byte) bool {
		if len(line) > 0 && !comment(line) && len(line) < longest {
			sample = append(sample, line)
		}
		return len(sample) < mostLines
	})
	var best dialect
	score, width := 0, 0
	var cells [][]byte
	for _, d := range dialects {
		if set.Separator != 0 && d.sep != set.Separator || set.Decimal != 0 && d.point != set.Decimal {
			continue
		}
		widths := map[int]int{}
		for _, line := range sample {
			if cells = d.split(line, cells[:0], mostColumns); d.isData(cells) {
				widths[len(cells)]++
			}
		}
		w := 0
		for n, count := range widths {
			if count > widths[w] || count == widths[w] && n > w {
				w = n
			}
		}
		// A last row that is cut short reads as one cell in any dialect: it shall not outvote the others.
		more := score
		if w < width {
			more++
		}
		if widths[w] > more {
			best, score, width = d, widths[w], w
		}
	}
	if set.Separator == ',' && set.Decimal == ',' {
		best, score = dialect{}, 0
	}
	if score == 0 {
		return nil, false
	}
	s := &sheet{dialect: best}
	s.begin(head, width)
	s.measure(head)
	// "0,058" and "0,116" under each other are numbers with a decimal comma, not two columns of whole numbers.
	if best == (dialect{',', '.'}) && set.Separator == 0 && set.Decimal == 0 && width == 2 && s.columns[1].zero {
		s = &sheet{dialect: dialect{';', ','}}
		s.begin(head, 1)
		s.measure(head)
	}
	return s, true
}

// begin finds the first line of data and the headings above it.
func (s *sheet) begin(head []byte, width int) {
	type above struct {
		cells []string
		meta  int // its place among the other lines above
	}
	var last []above // the lines above that could be headings
	var cells [][]byte
	n := 0
	lines(head, func(at int, line []byte) bool {
		note := comment(line)
		if note {
			line = trim(bytes.TrimLeft(line, "#%/"))
		}
		cells = s.split(line, cells[:0], mostColumns)
		if !note && len(cells) == width && s.isData(cells) {
			s.skip, s.bytes = n, at
			return false
		}
		n++
		if len(line) == 0 {
			return true
		}
		if len(cells) == width && (width > 1 || !note) {
			h := above{meta: len(s.meta)}
			for _, c := range cells {
				h.cells = append(h.cells, printable(c[:min(len(c), mostText)]))
			}
			if last = append(last, h); len(last) > 2 {
				last = last[1:]
			}
		}
		if len(s.meta) < 50 {
			s.meta = append(s.meta, printable(line[:min(len(line), mostText)]))
		}
		return true
	})
	s.columns = make([]column, width)
	for i := range s.columns {
		s.columns[i].number = i + 1
	}
	if len(last) == 0 {
		return
	}
	names := last[len(last)-1]
	drop := func(h above) {
		if h.meta < len(s.meta) {
			s.meta = slices.Delete(s.meta, h.meta, h.meta+1)
		}
	}
	drop(names)
	if len(last) == 2 && allUnits(names.cells) {
		for i := range s.columns {
			s.columns[i].unit = names.cells[i]
		}
		names = last[0]
		drop(names)
	}
	for i := range s.columns {
		s.columns[i].name = bare(names.cells[i])
		if s.columns[i].unit == "" {
			s.columns[i].unit = names.cells[i]
		}
	}
}

func allUnits(cells []string) bool {
	any := false
	for _, c := range cells {
		if c == "" {
			continue
		}
		s := strings.Trim(c, " ()[]")
		_, time := timeUnits[s]
		_, volt := voltUnits[s]
		if !time && !volt {
			return false
		}
		any = true
	}
	return any
}

// measure reads the columns as far as the head goes.
func (s *sheet) measure(head []byte) {
	var cells [][]byte
	lines(head[s.bytes:], func(at int, line []byte) bool {
		if len(line) == 0 || comment(line) {
			return true
		}
		cells = s.split(line, cells[:0], len(s.columns))
		for i := range s.columns {
			c := &s.columns[i]
			x := math.NaN()
			switch {
			case i >= len(cells) || len(cells[i]) == 0:
				c.empty++
				c.v = append(c.v, missing)
				continue
			default:
				cell := cells[i]
				if len(cell) > 1 && cell[0] == '0' && cell[1]-'0' <= 9 && !bytes.ContainsAny(cell, ".,eE") {
					c.zero = true
				}
				y, word, ok := s.value(cell)
				if !ok {
					d, u, timed := s.time(cell)
					if !timed {
						c.texts++
						c.v = append(c.v, missing)
						continue
					}
					if y = d.float(); u != 0 {
						y *= u.Seconds()
					}
				}
				if x = y; word {
					c.words++
					if _, sign := lookup(signWords, cell); sign {
						c.signed = true
					}
				}
			}
			if n := len(c.v); n > 0 && c.v[n-1] != missing {
				switch before := c.v[n-1]; {
				case x > before:
					c.up++
					if x == before+1 {
						c.stepOne++
					}
				case x < before:
					c.down++
				}
			}
			c.v = append(c.v, x)
		}
		s.rows++
		return s.rows < mostRows
	})
}

// missing stands for an empty cell, which leaves a level as it was.
var missing = math.Inf(-1)

// named finds a column by name or number, −1 if there is none.
func (s *sheet) named(name string) int {
	for _, match := range []func(c *column) bool{
		func(c *column) bool { return c.name == name },
		func(c *column) bool { return fold(c.name) == fold(name) },
		func(c *column) bool { return strconv.Itoa(c.number) == strings.TrimSpace(name) },
	} {
		for i := range s.columns {
			if match(&s.columns[i]) {
				return i
			}
		}
	}
	return -1
}

var timeNames = []string{"time", "t", "timestamp", "zeit", "temps", "tiempo", "tempo", "tid"}
var lengthNames = []string{"duration", "width", "length", "half", "half-bit", "halfbit", "half bit", "interval", "delta", "dt"}

// timeColumn is the column of times and what its numbers are; −1 if none could be.
func (s *sheet) timeColumn(set Settings) (int, Timing) {
	isNamed := func(c *column, names []string) bool {
		name := strings.ToLower(c.name)
		return slices.ContainsFunc(names, func(n string) bool { return name == n || strings.HasPrefix(name, n+" ") })
	}
	timing := func(c *column) Timing {
		switch {
		case set.Timing != "":
			return set.Timing
		case c.ascends(), isNamed(c, timeNames):
			return Times
		}
		return Durations
	}
	if set.TimeColumn != "" {
		if i := s.named(set.TimeColumn); i >= 0 {
			return i, timing(&s.columns[i])
		}
		return -1, ""
	}
	best, rank := -1, 0
	for i := range s.columns {
		c := &s.columns[i]
		if c.words > 0 || c.texts > len(c.v)/2 || c.empty > len(c.v)/2 {
			continue
		}
		_, timed := unitIn(timeUnits, c.unit)
		n := 0
		switch wanted := c.ascends() && set.Timing != Durations; {
		case wanted && (timed || isNamed(c, timeNames)):
			n = 6
		case wanted && !c.counts():
			n = 5
		case isNamed(c, timeNames) && timed:
			n = 4 // though it does not ascend
		case wanted:
			n = 3 // numbers of samples
		case set.Timing != Times && (timed || isNamed(c, lengthNames)) && s.positive(c):
			n = 4
		case set.Timing != Times && len(s.columns) == 1 && s.positive(c):
			n = 2
		case set.Timing != Times && s.positive(c) && !levels(c):
			n = 1
		case len(s.columns) == 1 && set.Timing == Times:
			n = 1
		}
		if n > rank {
			best, rank = i, n
		}
	}
	if best < 0 {
		return -1, ""
	}
	return best, timing(&s.columns[best])
}

func (s *sheet) positive(c *column) bool {
	ok := 0
	for _, x := range c.v {
		if x > 0 {
			ok++
		}
	}
	return ok > 0 && 4*ok >= 3*len(c.v)
}

// levels reports whether the column holds nothing but 0, 1, −1 and words.
func levels(c *column) bool {
	for _, x := range c.v {
		if x != missing && !math.IsNaN(x) && x != 0 && x != 1 && x != -1 {
			return false
		}
	}
	return true
}

// A csv reads the rows.
type csv struct {
	w      *window
	p      *problems
	s      *sheet
	timing Timing
	unit   unit.Time
	time   int
	wires  []int // columns; none: edges alone
	scale  [2]float64
	least  int // cells a row must have
	cells  [][]byte

	feed    feed
	t       unit.Time
	started bool
	skipped int // lines of headings passed over

	digits int // significant digits of times with exponents; 0: without
	far    unit.Time
	step   unit.Time // of the samples, or of the last printed digit
	told   bool      // the resolution is
}

// carriage turns lone carriage returns into line ends.
type carriage struct{ r io.Reader }

func (c carriage) Read(b []byte) (int, error) {
	n, err := c.r.Read(b)
	for i, x := range b[:n] {
		if x == '\r' {
			b[i] = '\n'
		}
	}
	return n, err
}

func (r *Recording) beginCSV(head []byte, all io.Reader, set Settings) *choice {
	bom := []byte("\uFEFF")
	if !bytes.Contains(head, []byte{'\n'}) && bytes.Contains(head, []byte{'\r'}) {
		head, all = bytes.ReplaceAll(head, []byte{'\r'}, []byte{'\n'}), carriage{all}
	}
	skipBOM := bytes.HasPrefix(head, bom)
	head = bytes.TrimPrefix(head, bom)
	w := newWindow(all)
	w.fill()
	if skipBOM {
		w.pos = len(bom)
	}
	s, ok := recognise(head, set)
	if !ok {
		r.nothingIn(w, head)
		return nil
	}
	a := &r.about
	a.Separator, a.Decimal = s.sep, s.point
	a.Comment = strings.Join(s.meta, "; ")
	a.Comment = a.Comment[:len(a.Comment)-max(0, len(a.Comment)-mostText)]
	for !utf8.ValidString(a.Comment) {
		a.Comment = a.Comment[:len(a.Comment)-1]
	}
	v := &csv{w: w, p: r.p, s: s, told: set.Resolution > 0}
	v.time, v.timing = s.timeColumn(set)
	if v.time < 0 {
		if set.TimeColumn != "" {
			r.p.general(diag.Error, "column-unknown", "no column is called %q; there are %s", set.TimeColumn, listed(s.labels()))
		} else {
			r.p.general(diag.Error, "csv-time", "no column holds times: none of %s ascends", listed(s.labels()))
		}
		return nil
	}
	if len(s.columns) >= 4 && len(s.columns)%2 == 0 && s.dialect == (dialect{',', '.'}) && s.columns[1].zero && set.Separator == 0 {
		r.p.general(diag.Error, "csv-comma", "commas seem to be both decimal signs and separators in the %d columns: export with semicolons, or with decimal points", len(s.columns))
		return nil
	}
	a.TimeColumn, a.Timing = s.columns[v.time].label(), v.timing
	ticks := v.ticks(head, set)
	cs, columns := v.candidates(set)
	var from string
	v.unit, from = v.timeUnit(ticks, cs, columns, set, r)
	a.Unit = v.unit
	if strings.HasPrefix(from, "guess") {
		a.Guessed = append(a.Guessed, fmt.Sprintf("the unit of time: %v; %s", v.unit, from))
	}
	at := v.instants(ticks)
	regular := v.regular(at)
	for i, c := range cs {
		fillCandidate(c, at, s.columns[columns[i]].v, v.scaleOf(columns[i]))
	}
	ch := &chooser{of: cs, set: set, hold: !regular, bridge: set.bridge(), p: r.p}
	var c *choice
	if len(cs) == 0 && len(set.Wires) == 0 {
		edges := &candidate{names: []string{a.TimeColumn}, logic: true}
		for i, t := range at {
			edges.add(t, float64(1-i%2))
		}
		ch.of = []*candidate{edges}
		c = ch.one(0, "there are no levels: every entry is an edge")
		c.kind, c.of = EdgesAlone, nil
		a.Wires = []string{a.TimeColumn}
		a.Guessed = append(a.Guessed, "the polarity of the first edge: it is called positive")
		regular = false
	} else if c = ch.choose(); c == nil {
		return nil
	}
	for i, k := range c.of {
		v.wires = append(v.wires, columns[k])
		v.scale[i] = v.scaleOf(columns[k])
		a.Wires = append(a.Wires, cs[k].names[0])
	}
	for i := range cs {
		if !slices.Contains(c.of, i) && len(a.Others) < mostListed {
			a.Others = append(a.Others, cs[i].names[0])
		}
	}
	if len(set.Wires) == 0 && len(cs) > 1 {
		a.Guessed = append(a.Guessed, fmt.Sprintf("the column: %s; %s", listed(a.Wires), c.why))
	}
	if v.timing == Durations && set.Timing == "" {
		a.Guessed = append(a.Guessed, fmt.Sprintf("%s holds durations: it does not ascend", a.TimeColumn))
	}
	v.least = slices.Max(append([]int{v.time}, v.wires...)) + 1
	v.feed = newFeed(c.kind, len(c.of))
	v.precision(ticks, at, regular, a)
	r.r = v
	return c
}

func (s *sheet) labels() []string {
	var out []string
	for i := range s.columns {
		out = append(out, fmt.Sprintf("%q", s.columns[i].label()))
	}
	return out
}

// nothingIn says why no line could be used.
func (r *Recording) nothingIn(w *window, head []byte) {
	line := head
	if i := bytes.IndexByte(head, '\n'); i >= 0 {
		line = head[:i]
	}
	nul := bytes.Count(head, []byte{0})
	odd := 0
	for _, b := range head {
		if b < ' ' && b != '\n' && b != '\r' && b != '\t' {
			odd++
		}
	}
	if 20*odd > len(head) {
		r.p.add(w, diag.Error, "recording-binary", w.pos, w.pos+1, "this is no text: %d of the first %d bytes are control characters, %d of them NUL; a VCD or CSV file, or one of them packed with gzip, is wanted", odd, len(head), nul)
		return
	}
	r.p.add(w, diag.Error, "csv-nothing", w.pos, w.pos+len(line), "no line holds a time: numbers separated by comma, semicolon, tab or space are wanted")
}

// A tick is a number of the time column as it is written.
type tick struct {
	decimal
	own unit.Time // unit written behind it; 0: none
	ok  bool
}

// ticks reads the time column of the rows that were measured.
func (v *csv) ticks(head []byte, set Settings) []tick {
	s := v.s
	out := make([]tick, 0, s.rows)
	var cells [][]byte
	lines(head[s.bytes:], func(_ int, line []byte) bool {
		if len(line) == 0 || comment(line) {
			return true
		}
		var t tick
		if cells = s.split(line, cells[:0], v.time+1); len(cells) > v.time {
			t.decimal, t.own, t.ok = s.dialect.time(cells[v.time])
		}
		out = append(out, t)
		return len(out) < s.rows
	})
	return out
}

// candidates are the columns that hold levels or voltages.
func (v *csv) candidates(set Settings) ([]*candidate, []int) {
	s := v.s
	var cs []*candidate
	var columns []int
	for i := range s.columns {
		c := &s.columns[i]
		if i == v.time || c.texts > len(c.v)/2 || c.empty == len(c.v) {
			continue
		}
		named := slices.ContainsFunc(set.Wires, func(n string) bool { return s.named(n) == i })
		if !named {
			if _, timed := unitIn(timeUnits, c.unit); timed || c.counts() {
				continue
			}
		}
		k := &candidate{names: []string{c.label(), strconv.Itoa(c.number)}}
		if levels(c) {
			k.signs = c.signed || slices.Contains(c.v, -1)
			k.logic = !k.signs
		}
		cs, columns = append(cs, k), append(columns, i)
	}
	return cs, columns
}

func (v *csv) scaleOf(column int) float64 {
	if f, ok := unitIn(voltUnits, v.s.columns[column].unit); ok {
		return f
	}
	return 1
}

func fillCandidate(c *candidate, at []unit.Time, v []float64, scale float64) {
	last := missing
	for i := range min(len(at), len(v)) {
		x := v[i]
		if x == missing || c.logic && (x == last || math.IsNaN(x) && math.IsNaN(last)) || i > 0 && at[i] < at[i-1] {
			continue
		}
		last = x
		if !c.logic {
			x *= scale
		}
		c.add(at[i], x)
	}
}

// timeUnit is the unit of the time column and where it is from.
func (v *csv) timeUnit(ticks []tick, cs []*candidate, columns []int, set Settings, r *Recording) (unit.Time, string) {
	if set.Unit > 0 {
		return set.Unit, "told"
	}
	c := &v.s.columns[v.time]
	if u, ok := unitIn(timeUnits, c.unit); ok {
		return u, "said in the heading"
	}
	for _, t := range ticks {
		if t.own != 0 {
			return t.own, "said beside the numbers"
		}
	}
	if step, line := v.sampleStep(); step > 0 && c.counts() {
		r.about.Guessed = append(r.about.Guessed, fmt.Sprintf("the times are numbers of samples, %v apart: %q", step, line))
		return step, "said above the columns"
	}
	// Not said: in which unit are the intervals between changes half-bits?
	var gaps []float64
	last, told := 0.0, false
	lengths := func(same func(i int) bool) {
		told = false
		sum := 0.0
		for i, t := range ticks {
			if !t.ok {
				continue
			}
			x := t.float()
			if v.timing == Durations {
				if sum += x; !same(i) {
					gaps = append(gaps, sum)
					sum = 0
				}
				continue
			}
			if same(i) {
				continue
			}
			if told {
				gaps = append(gaps, x-last)
			}
			last, told = x, true
		}
	}
	if len(cs) == 0 {
		lengths(func(int) bool { return false })
	}
	for k, c := range cs {
		col := v.s.columns[columns[k]].v
		mid := 0.5
		switch {
		case c.signs:
			mid = 0
		case !c.logic:
			kept := slices.DeleteFunc(slices.Clone(col), func(x float64) bool { return x == missing || math.IsNaN(x) })
			l, _ := (&chooser{}).limits(kept, false)
			mid = l.centre
		}
		was := math.NaN()
		lengths(func(i int) bool {
			if i >= len(col) || col[i] == missing || math.IsNaN(col[i]) {
				return true
			}
			is := 0.0
			if col[i] > mid {
				is = 1
			}
			same := is == was
			was = is
			return same
		})
	}
	if u, ok := guessUnit(gaps); ok {
		r.p.general(diag.Warning, "unit-guessed", "the unit of %q is not said; in %s most intervals are half-bits of DCC, so that is taken", c.label(), one(u))
		return u, "guessed: in it most intervals are half-bits of DCC"
	}
	u := unit.Microsecond
	for _, t := range ticks {
		if t.exp < -1 {
			u = unit.Second // written with decimals
		}
	}
	r.p.general(diag.Error, "unit-unknown", "the unit of %q is not said, and in none do the intervals look like DCC; %s are taken: name the unit, or the step if these are numbers of samples", c.label(), one(u))
	return u, "guessed from how the numbers are written; no unit makes half-bits of DCC of them"
}

func one(u unit.Time) string {
	switch u {
	case unit.Second:
		return "seconds"
	case unit.Millisecond:
		return "milliseconds"
	case unit.Microsecond:
		return "microseconds"
	case unit.Nanosecond:
		return "nanoseconds"
	}
	return u.String()
}

// sampleStep looks for a line such as "Sample interval: 1 µs" or "Sample rate,4 MHz" above the data.
func (v *csv) sampleStep() (unit.Time, string) {
	for _, line := range v.s.meta {
		l := strings.ToLower(line)
		i := strings.IndexAny(l, "0123456789")
		if i < 0 {
			continue
		}
		n, k := parseDecimal([]byte(l[i:]), v.s.point)
		rest := strings.Trim(line[i:][min(k, len(line)-i):], " ,;:\t\"()[]")
		switch {
		case strings.Contains(l, "interval"), strings.Contains(l, "increment"), strings.Contains(l, "period"):
			u, ok := timeUnits[rest]
			if rest == "" {
				u, ok = unit.Second, true
			}
			if t, fits := n.times(u); ok && fits && t > 0 {
				return t, line
			}
		case strings.Contains(l, "rate"), strings.Contains(l, "frequency"):
			hz, err := unit.ParseHertz(l[i:i+k] + " " + rest)
			if rest == "" || rest == "S/s" || rest == "Sa/s" {
				hz, err = unit.Hertz(n.float()), nil
			}
			if err == nil && hz > 0 && hz <= 1e12 {
				return unit.Seconds(1 / float64(hz)), line
			}
		}
	}
	return 0, ""
}

// instants are the times of the rows looked at; wrong ones are those before them.
func (v *csv) instants(ticks []tick) []unit.Time {
	out := make([]unit.Time, 0, len(ticks)+1)
	var now unit.Time
	for i, t := range ticks {
		u := v.unit
		if t.own != 0 {
			u = t.own
		}
		x, ok := t.times(u)
		switch {
		case !t.ok || !ok:
			x = 0
			if v.timing == Times {
				x = now
			}
		case v.timing == Times && i > 0 && x < now:
			x = now
		}
		if v.timing == Durations {
			out = append(out, now)
			now += max(x, 0)
			continue
		}
		now = x
		out = append(out, now)
	}
	return out
}

// regular reports whether the rows are samples, equally spaced but for rounding.
func (v *csv) regular(at []unit.Time) bool {
	if v.timing == Durations || len(at) < 20 {
		return false
	}
	steps := make([]unit.Time, 0, len(at)-1)
	for i := 1; i < len(at); i++ {
		steps = append(steps, at[i]-at[i-1])
	}
	sorted := slices.Clone(steps)
	slices.Sort(sorted)
	v.step = sorted[len(sorted)/2]
	odd := 0
	for _, s := range steps {
		if s > v.step*3/2 || s < v.step/2 {
			odd++
		}
	}
	return v.step > 0 && odd <= len(steps)/100
}

// precision says how far a time may be off.
func (v *csv) precision(ticks []tick, at []unit.Time, regular bool, a *About) {
	quantum, exponents := unit.Second, 0
	for _, t := range ticks {
		if !t.ok {
			continue
		}
		if t.e {
			n := 0
			for m := t.mant; m > 0; m /= 10 {
				n++
			}
			v.digits = max(v.digits, n)
			exponents++
			continue
		}
		u := v.unit
		if t.own != 0 {
			u = t.own
		}
		if q, ok := (decimal{mant: 1, exp: t.exp}).times(u); ok {
			quantum = min(quantum, max(q, 1))
		}
	}
	if 2*exponents < len(ticks) {
		v.digits = 0
	}
	if v.digits > 0 {
		quantum = 1
	}
	if regular {
		a.Resolution, a.Because = v.step, "the step of the samples"
		return
	}
	v.step = quantum
	a.Resolution, a.Because = quantum, "the last digit of the times"
	if g, sure := grid(at); sure && g > quantum {
		v.step = g
		a.Resolution, a.Because = g, "every time in the beginning is a multiple of it: the recorder sampled so"
	}
}

func (v *csv) about(a *About) {
	a.End = v.t
	a.Bytes = v.w.base + int64(v.w.pos)
	if v.digits == 0 || v.told {
		return
	}
	// So many significant digits: the later, the coarser.
	x := math.Abs(v.far.Seconds() / v.unit.Seconds())
	if x == 0 {
		return
	}
	last := unit.Seconds(math.Pow(10, math.Ceil(math.Log10(x))-float64(v.digits)) * v.unit.Seconds())
	if last > a.Resolution {
		a.Resolution, a.Because = last, fmt.Sprintf("times are written with %d significant digits, and reach %v", v.digits, v.far)
	}
	if last > coarse {
		v.p.once("time-coarse", diag.Warning, "times are written with %d significant digits: near %v they go in steps of %v, too coarse to judge half-bits", v.digits, v.far, last)
	}
}

// coarse is half the width of the narrowest window of a half-bit, the 6 µs of a one as sent (S-9.1 table 1).
const coarse = 3 * unit.Microsecond

func (v *csv) read(d *detector) error {
	w := v.w
	for len(d.c.At) < blockSize {
		n := bytes.IndexByte(w.buf[w.pos:w.end], '\n')
		switch {
		case n >= 0:
		case w.full():
			v.p.add(w, diag.Error, "csv-long", w.pos, w.pos+20, "a line longer than %d bytes: passed over", longest)
			w.skipLine()
			continue
		case w.fill():
			continue
		default:
			n = w.end - w.pos // the last line, without an end
			if n == 0 {
				if v.feed.dirty {
					v.feed.commit(d, v.t)
				}
				d.finish(v.t)
				if err := v.p.ended(w); err != nil {
					return err
				}
				return io.EOF
			}
		}
		from := w.pos
		if v.skipped < v.s.skip {
			v.skipped++
		} else if line := w.buf[from : from+n]; len(line) > 0 {
			v.row(d, line, from)
		}
		w.pos = min(from+n+1, w.end)
		if from+n < w.end {
			w.line++
			w.lineAt = w.base + int64(w.pos)
		}
	}
	return nil
}

// row reads one line, which begins at from in the window.
func (v *csv) row(d *detector, line []byte, from int) {
	if line = trim(line); len(line) == 0 || comment(line) {
		return
	}
	v.cells = v.s.split(line, v.cells[:0], v.least)
	if len(v.cells) < v.least {
		code, what := "csv-short", ""
		if bytes.IndexByte(line, 0) >= 0 {
			code, what = "csv-nul", fmt.Sprintf(" and %d NUL bytes", bytes.Count(line, []byte{0}))
		}
		v.p.add(v.w, diag.Error, code, from, from+len(line), "the row has %d cells%s, %d are wanted: passed over", len(v.cells), what, v.least)
		return
	}
	cell := v.cells[v.time]
	num, own, ok := v.s.dialect.time(cell)
	if !ok {
		v.wrong(cell, "a time")
		return
	}
	u := v.unit
	if own != 0 {
		u = own
	}
	t, ok := num.times(u)
	if ok && v.timing == Durations {
		if t <= 0 {
			v.complain(cell, "csv-duration", "a half-bit of %s: more than 0 is wanted", printable(cell[:min(len(cell), 40)]))
			return
		}
		sum, over := bits.Add64(uint64(v.t), uint64(t), 0)
		if ok = over == 0 && sum <= math.MaxInt64; ok {
			t = unit.Time(sum)
		}
	}
	if !ok {
		v.complain(cell, "time-overflow", "time %s lies beyond %.4g s, the most that picoseconds hold", printable(cell[:min(len(cell), 40)]), unit.Time(math.MaxInt64).Seconds())
		return
	}
	if v.timing == Durations {
		v.lasts(d, t)
		return
	}
	if v.started && t < v.t {
		v.complain(cell, "time-backwards", "time runs backwards, from %v to %v: the row is passed over", v.t, t)
		return
	}
	if t > v.t && v.feed.dirty {
		v.feed.commit(d, v.t)
	}
	switch {
	case len(v.wires) > 0:
		if !v.levels() {
			return
		}
	case v.started && t == v.t && v.feed.dirty:
		v.complain(cell, "csv-twice", "a second edge at %v: both are passed over, for nothing lies between them", t)
		v.toggle()
		v.feed.dirty = false
	default:
		v.toggle()
	}
	v.t, v.started = t, true
	v.far = max(v.far, t, -t)
}

// lasts is a row of durations: the level holds from the present time until t.
func (v *csv) lasts(d *detector, t unit.Time) {
	if len(v.wires) == 0 {
		if !v.started { // the first half-bit begins with an edge, every one ends with one
			v.toggle()
		}
		v.feed.commit(d, v.t)
		v.toggle()
	} else {
		if !v.levels() {
			return
		}
		if v.feed.dirty {
			v.feed.commit(d, v.t)
		}
	}
	v.t, v.started = t, true
	v.far = max(v.far, t)
}

// toggle turns the level of edges alone; the first goes up.
func (v *csv) toggle() {
	v.feed.level[0] = high - v.feed.level[0]&high
	v.feed.dirty = true
}

// levels reads the levels of the row's wires; false if one cannot be read.
func (v *csv) levels() bool {
	for i, k := range v.wires {
		cell := v.cells[k]
		if len(cell) == 0 {
			continue // as it was
		}
		x, _, ok := v.s.value(cell)
		if !ok {
			v.wrong(cell, "a level")
			return false
		}
		if v.feed.kind == OneWire || v.feed.kind == TwoRails {
			l := uint8(high)
			switch {
			case x == 0:
				l = low
			case math.IsNaN(x):
				l = unclear
			case x != 1:
				v.complain(cell, "csv-cell", "%s is no logic level as the column has them in the beginning: 0 and 1 are wanted", printable(cell[:min(len(cell), 40)]))
				return false
			}
			if l != v.feed.level[i] {
				v.feed.level[i] = l
				v.feed.dirty = true
			}
			continue
		}
		v.feed.volt[i] = x * v.scale[i]
		v.feed.dirty = true
	}
	return true
}

// complain tells a problem of a cell, which lies in the window.
func (v *csv) complain(cell []byte, code, format string, args ...any) {
	from := v.w.pos
	if cap(cell) > 0 {
		from = cap(v.w.buf) - cap(cell) // cells are slices of the window
	}
	v.p.add(v.w, diag.Error, code, from, from+len(cell), format, args...)
}

func (v *csv) wrong(cell []byte, what string) {
	code := "csv-cell"
	if bytes.IndexByte(cell, 0) >= 0 {
		code = "csv-nul"
	}
	v.complain(cell, code, "%q is not %s: the row is passed over", printable(cell[:min(len(cell), 40)]), what)
}
