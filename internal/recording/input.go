package recording

import (
	"bufio"
	"bytes"
	"compress/flate"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"unicode/utf8"

	"fettle/internal/diag"
)

const (
	windowSize = 64 << 10
	longest    = 1 << 20 // bytes of one token or line; what is longer is passed over
	behind     = 64      // bytes kept before the place being read, to quote
)

// A window slides over the file. What lies in buf[pos:end] has not been read yet.
type window struct {
	r        io.Reader
	buf      []byte
	pos, end int
	base     int64 // offset of buf[0] in the (unpacked) file
	line     int   // of pos, from 1
	lineAt   int64 // offset of that line's first byte
	eof      bool
	err      error // why reading stopped, if not at the end
}

func newWindow(r io.Reader) *window { return &window{r: r, buf: make([]byte, windowSize), line: 1} }

// fill reads more, keeping what is unread, and reports whether there is more than before.
func (w *window) fill() bool {
	if w.eof {
		return false
	}
	if from := max(0, w.pos-behind); from > 0 {
		copy(w.buf, w.buf[from:w.end])
		w.pos, w.end, w.base = w.pos-from, w.end-from, w.base+int64(from)
	}
	if w.end == len(w.buf) {
		w.buf = append(w.buf, make([]byte, len(w.buf))...)
	}
	before := w.end
	for idle := 0; w.end < len(w.buf); {
		n, err := w.r.Read(w.buf[w.end:])
		w.end += n
		if err != nil {
			w.eof = true
			if err != io.EOF {
				w.err = err
			}
			break
		}
		if n == 0 {
			if idle++; idle == 100 {
				w.eof, w.err = true, io.ErrNoProgress
				break
			}
		}
	}
	return w.end > before
}

// full reports that what is unread has outgrown the longest token or line.
func (w *window) full() bool { return w.end-w.pos >= longest }

// place is the range of buf[from:to], both on the present line.
func (w *window) place(file string, from, to int) (diag.Range, *diag.Quote) {
	to = min(max(to, from), w.end)
	start := max(0, int(w.lineAt-w.base)) // of the line, or of what is still here of it
	if start > from {
		start = from
	}
	lead := start - int(w.lineAt-w.base) // bytes of the line that are gone; taken for one rune each
	column := func(i int) int { return lead + utf8.RuneCount(w.buf[start:i]) + 1 }
	// A place far into a long line costs no long count.
	if from-start > 1<<12 {
		column = func(i int) int { return lead + i - start + 1 }
	}
	r := diag.Range{File: file,
		Start: diag.Pos{Line: w.line, Column: column(from), Byte: int(w.base) + from},
		End:   diag.Pos{Line: w.line, Column: column(min(to, from+1<<10)), Byte: int(w.base) + to}}

	const before, after = 40, 60
	head, tail := "", ""
	a := start
	if from-a > before || lead > 0 {
		a, head = max(start, from-before), "…"
	}
	b := from
	for b < w.end && b < from+after && w.buf[b] != '\n' && w.buf[b] != '\r' {
		b++
	}
	if b == from+after {
		tail = "…"
	}
	return r, &diag.Quote{Text: head + printable(w.buf[a:b]) + tail, Column: utf8.RuneCountInString(head+printable(w.buf[a:from])) + 1}
}

// printable is b with whatever would upset a terminal replaced, one rune for each byte or rune.
func printable(b []byte) string {
	return string(bytes.Map(func(r rune) rune {
		if r == '\t' {
			return ' '
		}
		if r < ' ' || r == 0x7F || r == utf8.RuneError {
			return '\uFFFD'
		}
		return r
	}, b))
}

// skipLine passes over the rest of a line, however long.
func (w *window) skipLine() {
	for {
		if i := bytes.IndexByte(w.buf[w.pos:w.end], '\n'); i >= 0 {
			w.pos += i + 1
			w.line++
			w.lineAt = w.base + int64(w.pos)
			return
		}
		w.pos = w.end
		if !w.fill() {
			return
		}
	}
}

// unpacked is r without the gzip around it, if there is one.
func unpacked(r io.Reader) (io.Reader, bool, error) {
	br := bufio.NewReaderSize(r, 64<<10)
	if magic, _ := br.Peek(2); len(magic) < 2 || magic[0] != 0x1F || magic[1] != 0x8B {
		return br, false, nil
	}
	z, err := gzip.NewReader(br)
	if err != nil {
		return nil, true, err
	}
	return z, true, nil
}

// perKind is how many problems of one kind are told one by one.
const perKind = 5

// problems collects what is wrong, in memory that does not grow with the file.
type problems struct {
	file  string
	list  diag.List
	kinds map[string]*kind
	told  map[string]bool
}

type kind struct {
	count int
	at    int        // index in list of the last one told
	last  diag.Range // of the last one, told or not
}

// add reports whether the problem was told; the place is that of the present window.
func (p *problems) add(w *window, s diag.Severity, code string, from, to int, format string, args ...any) *diag.Problem {
	k := p.kinds[code]
	if k == nil {
		k = &kind{}
		if p.kinds == nil {
			p.kinds = map[string]*kind{}
		}
		p.kinds[code] = k
	}
	k.count++
	if k.count > perKind {
		k.last = diag.Range{File: p.file, Start: diag.Pos{Line: w.line, Column: 1, Byte: int(w.base) + from}}
		return nil
	}
	r, q := w.place(p.file, from, to)
	k.last, k.at = r, len(p.list)
	p.list = append(p.list, diag.Problem{Severity: s, Code: code, Range: r, Message: fmt.Sprintf(format, args...), Quote: q})
	return &p.list[len(p.list)-1]
}

// general is a problem of the whole file.
func (p *problems) general(s diag.Severity, code, format string, args ...any) *diag.Problem {
	p.list = append(p.list, diag.Problem{Severity: s, Code: code, Range: diag.Range{File: p.file}, Message: fmt.Sprintf(format, args...)})
	return &p.list[len(p.list)-1]
}

// once is general, the first time.
func (p *problems) once(code string, s diag.Severity, format string, args ...any) {
	if p.told == nil {
		p.told = map[string]bool{}
	}
	if !p.told[code] {
		p.told[code] = true
		p.general(s, code, format, args...)
	}
}

// all is the list by position, with a note where more of a kind were found than told.
func (p *problems) all() diag.List {
	l := append(diag.List(nil), p.list...)
	for _, k := range p.kinds {
		if more := k.count - perKind; more > 0 {
			l[k.at].Notes = append(l[k.at].Notes[:len(l[k.at].Notes):len(l[k.at].Notes)],
				diag.Note{Range: k.last, Message: fmt.Sprintf("and %d more of this kind, the last of them here", more)})
		}
	}
	l.Sort()
	return l
}

// ended says why the file stopped before its end, if it did. An error of the system is handed back.
func (p *problems) ended(w *window) error {
	var corrupt flate.CorruptInputError
	switch {
	case w.err == nil:
		return nil
	case errors.Is(w.err, io.ErrUnexpectedEOF):
		p.add(w, diag.Error, "gzip-truncated", w.pos, w.pos, "the gzip file breaks off after %d unpacked bytes; what was read until there is used", w.base+int64(w.end))
	case errors.Is(w.err, gzip.ErrChecksum), errors.Is(w.err, gzip.ErrHeader), errors.As(w.err, &corrupt):
		p.add(w, diag.Error, "gzip-damaged", w.pos, w.pos, "the gzip file is damaged after %d unpacked bytes (%v); what was read until there is used", w.base+int64(w.end), w.err)
	default:
		return w.err
	}
	return nil
}
