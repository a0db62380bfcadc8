// Package diag is what fettle says about input that the user can mend: severity, a stable code, a tight
// range in a file, the number and its limit, notes with places of their own, and a fix that can be applied.
//
// Lines and columns count from 1; columns count runes, byte offsets count from 0. What the physics finds
// wrong is a verdict (package finding), not a diagnostic.
package diag

import (
	"fmt"
	"io"
	"sort"
	"strings"
	"unicode/utf8"
)

type Severity int

const (
	Error   Severity = iota // the input cannot be used
	Warning                 // it can, but probably does not say what was meant
)

func (s Severity) String() string {
	if s == Warning {
		return "warning"
	}
	return "error"
}

// A Pos is a place in a file.
type Pos struct {
	Line, Column int // from 1, column in runes
	Byte         int // from 0
}

// A Range is a stretch of one file; End is exclusive. The zero Range is "no place".
type Range struct {
	File       string
	Start, End Pos
}

func (r Range) String() string {
	if r.Start.Line == 0 {
		return r.File
	}
	return fmt.Sprintf("%s:%d:%d", r.File, r.Start.Line, r.Start.Column)
}

// A Note is a further place that explains the problem.
type Note struct {
	Range   Range
	Message string
}

// A Fix is an edit that mends the problem: the text of Range becomes Text.
type Fix struct {
	Message string // "high = \"18 V\"": what the line would say
	Range   Range
	Text    string
}

// A Problem is one thing wrong with the input.
type Problem struct {
	Severity Severity
	Code     string // stable: "unit-wrong", "name-unknown", …
	Range    Range
	Message  string // lower case, no full stop, with the number and its limit
	Notes    []Note
	Fix      *Fix
	Quote    *Quote // where the file is too long to be handed to Print
}

// A Quote is the line of a problem, or the stretch of it around the range.
type Quote struct {
	Text   string
	Column int // of the range's start within Text, from 1, in runes
}

// A List is all independent problems of one run.
type List []Problem

// Add appends an error.
func (l *List) Add(code string, r Range, format string, args ...any) *Problem {
	*l = append(*l, Problem{Code: code, Range: r, Message: fmt.Sprintf(format, args...)})
	return &(*l)[len(*l)-1]
}

// Warn appends a warning.
func (l *List) Warn(code string, r Range, format string, args ...any) *Problem {
	p := l.Add(code, r, format, args...)
	p.Severity = Warning
	return p
}

// HasErrors reports whether any problem is an error.
func (l List) HasErrors() bool {
	for _, p := range l {
		if p.Severity == Error {
			return true
		}
	}
	return false
}

// Sort orders by file and position, stably.
func (l List) Sort() {
	sort.SliceStable(l, func(i, j int) bool {
		a, b := l[i].Range, l[j].Range
		if a.File != b.File {
			return a.File < b.File
		}
		return a.Start.Byte < b.Start.Byte
	})
}

// Error makes a List an error: the count and the first problem.
func (l List) Error() string {
	if len(l) == 0 {
		return "no problem"
	}
	s := l[0].Range.String() + ": " + l[0].Message
	if len(l) > 1 {
		s += fmt.Sprintf(" (and %d more)", len(l)-1)
	}
	return s
}

// Print writes every problem with its line, a marker under the range, notes and mend. Sources maps a file
// name to its text; a file that is not there is reported without its line.
func (l List) Print(w io.Writer, sources map[string][]byte) error {
	var b strings.Builder
	for _, p := range l {
		sev := ""
		if p.Severity == Warning {
			sev = "warning: "
		}
		fmt.Fprintf(&b, "%s: %s%s\n", p.Range, sev, p.Message)
		line, ok := lineOf(sources[p.Range.File], p.Range.Start)
		column := p.Range.Start.Column
		if !ok && p.Quote != nil {
			line, column, ok = p.Quote.Text, p.Quote.Column, true
		}
		if ok {
			n := max(1, utf8.RuneCountInString(line)-column+1)
			if p.Range.End.Line == p.Range.Start.Line {
				n = min(n, max(1, p.Range.End.Column-p.Range.Start.Column))
			}
			fmt.Fprintf(&b, "    %s\n    %s%s\n", line, padding(line, column-1), strings.Repeat("^", n))
		}
		for _, n := range p.Notes {
			fmt.Fprintf(&b, "  %s: note: %s\n", n.Range, n.Message)
		}
		if p.Fix != nil {
			fmt.Fprintf(&b, "  mend: %s\n", p.Fix.Message)
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// padding repeats the white space of the line so that the marker stands under its range with tabs too.
func padding(line string, runes int) string {
	var b strings.Builder
	for _, r := range line {
		if runes <= 0 {
			break
		}
		if r == '\t' {
			b.WriteByte('\t')
		} else {
			b.WriteByte(' ')
		}
		runes--
	}
	b.WriteString(strings.Repeat(" ", max(0, runes)))
	return b.String()
}

func lineOf(src []byte, p Pos) (string, bool) {
	if len(src) == 0 || p.Line == 0 || p.Byte > len(src) {
		return "", false
	}
	start, end := p.Byte, p.Byte
	for start > 0 && src[start-1] != '\n' {
		start--
	}
	for end < len(src) && src[end] != '\n' {
		end++
	}
	return strings.ToValidUTF8(strings.TrimRight(string(src[start:end]), "\r"), "\uFFFD"), true
}

// Apply returns src with the fixes of the list that lie in the file applied, last first. Overlapping fixes
// after the first are left out.
func (l List) Apply(file string, src []byte) []byte {
	var fixes []*Fix
	for _, p := range l {
		if p.Fix != nil && p.Fix.Range.File == file {
			fixes = append(fixes, p.Fix)
		}
	}
	sort.SliceStable(fixes, func(i, j int) bool { return fixes[i].Range.Start.Byte > fixes[j].Range.Start.Byte })
	out, before := append([]byte(nil), src...), len(src)+1
	for _, f := range fixes {
		s, e := f.Range.Start.Byte, f.Range.End.Byte
		if s < 0 || e < s || e > len(src) || e > before {
			continue
		}
		out = append(out[:s:s], append([]byte(f.Text), out[e:]...)...)
		before = s
	}
	return out
}
