package build

import (
	"bytes"
	"sort"
	"unicode/utf8"

	"fettle/internal/diag"
)

// A source is one file and where its lines begin.
type source struct {
	file  string
	text  []byte
	lines []int
}

func newSource(file string, text []byte) *source {
	s := &source{file: file, text: text, lines: []int{0}}
	for i, b := range text {
		if b == '\n' {
			s.lines = append(s.lines, i+1)
		}
	}
	return s
}

// pos is the place of a byte offset; offsets beyond the text are its end.
func (s *source) pos(at int) diag.Pos {
	at = max(0, min(at, len(s.text)))
	line := sort.SearchInts(s.lines, at+1) - 1
	return diag.Pos{Line: line + 1, Column: 1 + utf8.RuneCount(s.text[s.lines[line]:at]), Byte: at}
}

func (s *source) span(start, end int) diag.Range {
	return diag.Range{File: s.file, Start: s.pos(start), End: s.pos(max(start, end))}
}

// replace is the text with the bytes of r replaced.
func (s *source) replace(r diag.Range, by string) []byte {
	out := make([]byte, 0, len(s.text)+len(by))
	out = append(out, s.text[:r.Start.Byte]...)
	out = append(out, by...)
	return append(out, s.text[r.End.Byte:]...)
}

// garbled finds the first byte that no text file of ours holds: not UTF-8, or NUL.
func garbled(text []byte) (at int, why string, bad bool) {
	if bytes.HasPrefix(text, []byte{0xff, 0xfe}) || bytes.HasPrefix(text, []byte{0xfe, 0xff}) {
		return 0, "this is UTF-16: save it as UTF-8", true
	}
	if i := bytes.IndexByte(text, 0); i >= 0 {
		return i, "a NUL byte: this is no text file", true
	}
	for i := 0; i < len(text); {
		r, n := utf8.DecodeRune(text[i:])
		if r == utf8.RuneError && n == 1 {
			return i, "not UTF-8 from here: save the file as UTF-8", true
		}
		i += n
	}
	return 0, "", false
}
