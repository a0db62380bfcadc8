package parts

import (
	"strings"
	"unicode/utf8"

	"fettle/internal/diag"
)

// A cell is one field of a table: its text, and where that text stands (inside the quotes, if it has any).
type cell struct {
	text       string
	start, end int
	quoted     bool
}

// A cellReader cuts a table into rows (RFC 4180, any one-byte separator, LF, CRLF or CR line ends) and
// remembers where everything stood. A quote inside an unquoted cell is an ordinary character.
type cellReader struct {
	file string
	src  string
	sep  byte

	at   int // next byte
	line int // of at, from 1

	// The row last read.
	rowStart, rowEnd, rowLine int
	cells                     []cell
	problems                  *diag.List
}

func newCellReader(file, src string, sep byte, problems *diag.List) *cellReader {
	return &cellReader{file: file, src: src, sep: sep, line: 1, problems: problems}
}

// next reads a row into r.cells, which the row after it overwrites.
func (r *cellReader) next() bool {
	if r.at >= len(r.src) {
		return false
	}
	r.cells = r.cells[:0]
	r.rowStart, r.rowLine = r.at, r.line
	for {
		if r.at < len(r.src) && r.src[r.at] == '"' {
			r.quotedCell()
		} else {
			start := r.at
			for r.at < len(r.src) && r.src[r.at] != r.sep && r.src[r.at] != '\n' && r.src[r.at] != '\r' {
				r.at++
			}
			r.cells = append(r.cells, cell{text: r.src[start:r.at], start: start, end: r.at})
		}
		if r.at < len(r.src) && r.src[r.at] == r.sep {
			r.at++
			continue
		}
		break
	}
	r.rowEnd = r.at
	if r.at < len(r.src) && r.src[r.at] == '\r' {
		r.at++
	}
	if r.at < len(r.src) && r.src[r.at] == '\n' {
		r.at++
	}
	r.line++
	return true
}

func (r *cellReader) quotedCell() {
	open := r.at
	r.at++
	start, doubled, lines := r.at, false, 0
	for {
		i := strings.IndexByte(r.src[r.at:], '"')
		if i < 0 {
			// Not closed: the cell ends with its line, so that the rows after it are still read.
			r.at = start
			for r.at < len(r.src) && r.src[r.at] != '\n' && r.src[r.at] != '\r' {
				r.at++
			}
			r.cells = append(r.cells, cell{text: r.src[start:r.at], start: start, end: r.at, quoted: true})
			p := r.problems.Add("quote-open", r.span(open, r.at), "this quote is never closed")
			if !strings.Contains(r.src[start:r.at], string(r.sep)) {
				p.Fix = &diag.Fix{Message: "close it at the end of the cell", Range: r.span(r.at, r.at), Text: `"`}
			}
			return
		}
		r.at += i
		if r.at+1 < len(r.src) && r.src[r.at+1] == '"' {
			doubled = true
			r.at += 2
			continue
		}
		break
	}
	c := cell{text: r.src[start:r.at], start: start, end: r.at, quoted: true}
	lines = strings.Count(c.text, "\n")
	if doubled {
		c.text = strings.ReplaceAll(c.text, `""`, `"`)
	}
	r.at++ // the closing quote
	if after := r.at; r.at < len(r.src) && r.src[r.at] != r.sep && r.src[r.at] != '\n' && r.src[r.at] != '\r' {
		for r.at < len(r.src) && r.src[r.at] != r.sep && r.src[r.at] != '\n' && r.src[r.at] != '\r' {
			r.at++
		}
		if strings.TrimSpace(r.src[after:r.at]) != "" {
			r.problems.Add("quote-after", r.span(after, r.at), "%q stands after the closing quote of its cell", r.src[after:r.at])
		}
	}
	r.cells = append(r.cells, c)
	r.line += lines
}

// pos turns a byte offset of the current row into a place.
func (r *cellReader) pos(at int) diag.Pos {
	line, lineStart := r.rowLine, r.rowStart
	for i := r.rowStart; i < at && i < len(r.src); i++ {
		if r.src[i] == '\n' {
			line, lineStart = line+1, i+1
		}
	}
	return diag.Pos{Line: line, Column: utf8.RuneCountInString(r.src[lineStart:at]) + 1, Byte: at}
}

func (r *cellReader) span(start, end int) diag.Range {
	return diag.Range{File: r.file, Start: r.pos(start), End: r.pos(end)}
}

func (r *cellReader) cellRange(i int) diag.Range { return r.span(r.cells[i].start, r.cells[i].end) }

func (r *cellReader) rowRange() diag.Range { return r.span(r.rowStart, r.rowEnd) }

// blank reports whether the row is empty or a remark.
func (r *cellReader) blank() bool {
	for i, c := range r.cells {
		t := strings.TrimSpace(c.text)
		if i == 0 && strings.HasPrefix(t, "#") {
			return true
		}
		if t != "" {
			return false
		}
	}
	return true
}
