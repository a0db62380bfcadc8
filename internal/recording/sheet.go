package recording

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

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
			if i >= len(cells) || len(cells[i]) == 0 {
				c.empty++
				c.v = append(c.v, missing)
				continue
			}
			cell := cells[i]
			if len(cell) > 1 && cell[0] == '0' && cell[1]-'0' <= 9 && !bytes.ContainsAny(cell, ".,eE") {
				c.zero = true
			}
			x, word, ok := s.value(cell)
			if !ok {
				d, u, timed := s.time(cell)
				if !timed {
					c.texts++
					c.v = append(c.v, missing)
					continue
				}
				if x = d.float(); u != 0 {
					x *= u.Seconds()
				}
			}
			if word {
				c.words++
				if _, sign := lookup(signWords, cell); sign {
					c.signed = true
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
		case c.ascends(), isNamed(c, timeNames) && 5*c.down < len(c.v): // though some rows are wrong
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

// above is what stands above the columns, cut.
func (s *sheet) above() string {
	text := strings.Join(s.meta, "; ")
	return text[:min(len(text), mostText)]
}
