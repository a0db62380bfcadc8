package diag_test

import (
	"errors"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"fettle/internal/diag"
)

// at makes the range of the nth occurrence (from 0) of a text.
func at(t testing.TB, src, what string) diag.Range {
	t.Helper()
	i := strings.Index(src, what)
	if i < 0 {
		t.Fatalf("%q is not in the source", what)
	}
	return diag.Range{File: "f", Start: pos(src, i), End: pos(src, i+len(what))}
}

func pos(src string, i int) diag.Pos {
	before := src[:i]
	line := strings.Count(before, "\n") + 1
	start := strings.LastIndexByte(before, '\n') + 1
	return diag.Pos{Line: line, Column: utf8.RuneCountInString(src[start:i]) + 1, Byte: i}
}

func printed(t interface{ Fatal(...any) }, src string, p diag.Problem) string {
	var b strings.Builder
	if err := (diag.List{p}).Print(&b, map[string][]byte{"f": []byte(src)}); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestMarker(t *testing.T) {
	for _, c := range []struct{ name, src, what, line, marker string }{
		{"plain", "a\nhigh = \"9 kV\" # x\nb", `"9 kV"`, `high = "9 kV" # x`, "       ^^^^^^"},
		{"tabs", "\thigh\t= \"9 kV\"", `"9 kV"`, "\thigh\t= \"9 kV\"", "\t    \t  ^^^^^^"},
		{"several bytes a rune", "größe = \"4 kΩ\" # µ", `"4 kΩ"`, "größe = \"4 kΩ\" # µ", "        ^^^^^^"},
		{"line end of Windows", "a = 1\r\nb = 2\r\n", "2", "b = 2", "    ^"},
		{"more than one line", "a = [\n1]\nb", "[\n1]", "a = [", "    ^"},
		{"at the end", "a = ", "", "a = ", "^"},
		{"not UTF-8", "a = \xff 7", "7", "a = \uFFFD 7", "      ^"},
	} {
		p := diag.Problem{Range: at(t, c.src, c.what), Message: "m"}
		if c.what == "" {
			p.Range.Start, p.Range.End = pos(c.src, 0), pos(c.src, 0)
		}
		got := printed(t, c.src, p)
		want := p.Range.String() + ": m\n    " + c.line + "\n    " + c.marker + "\n"
		if got != want {
			t.Errorf("%s:\n%q\nwant\n%q", c.name, got, want)
		}
	}
}

func TestPrint(t *testing.T) {
	src := "low  = \"20 V\"\nhigh = \"4.7 kV\"\n"
	var list diag.List
	p := list.Add("limit", at(t, src, `"4.7 kV"`), "high = %q: no track carries that", "4.7 kV")
	p.Notes = append(p.Notes, diag.Note{Range: at(t, src, `"20 V"`), Message: "low is 20 V"})
	p.Fix = &diag.Fix{Message: `high = "27 V"`, Range: p.Range, Text: `"27 V"`}
	list.Warn("odd", at(t, src, "low"), "odd")
	list.Add("none", diag.Range{File: "g"}, "no place")
	list.Sort()
	var b strings.Builder
	if err := list.Print(&b, map[string][]byte{"f": []byte(src)}); err != nil {
		t.Fatal(err)
	}
	want := `f:1:1: warning: odd
    low  = "20 V"
    ^^^
f:2:8: high = "4.7 kV": no track carries that
    high = "4.7 kV"
           ^^^^^^^^
  f:1:8: note: low is 20 V
  mend: high = "27 V"
g: no place
`
	if b.String() != want {
		t.Errorf("got\n%s\nwant\n%s", b.String(), want)
	}
	if !list.HasErrors() || (diag.List{list[0]}).HasErrors() {
		t.Error("a warning is no error")
	}
	if got := list.Error(); got != "f:1:1: odd (and 2 more)" {
		t.Errorf("as an error: %s", got)
	}
	if (diag.List{}).Error() != "no problem" || diag.Warning.String() != "warning" || diag.Error.String() != "error" {
		t.Error("words")
	}
	if err := list.Print(failing{}, nil); err == nil {
		t.Error("an error of the writer is lost")
	}
	if got := string(list.Apply("f", []byte(src))); got != "low  = \"20 V\"\nhigh = \"27 V\"\n" {
		t.Errorf("mended: %q", got)
	}
	if got := string(list.Apply("other", []byte(src))); got != src {
		t.Errorf("another file's mends: %q", got)
	}
}

type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, errors.New("full") }

func TestApplyLeavesOutOverlaps(t *testing.T) {
	src := "abcdef"
	fix := func(start, end int, text string) diag.Problem {
		r := diag.Range{File: "f", Start: diag.Pos{Byte: start}, End: diag.Pos{Byte: end}}
		return diag.Problem{Range: r, Fix: &diag.Fix{Range: r, Text: text}}
	}
	for _, c := range []struct {
		list diag.List
		want string
	}{
		{diag.List{fix(0, 1, "X"), fix(4, 6, "YZW")}, "XbcdYZW"},
		{diag.List{fix(2, 4, "X"), fix(3, 5, "Y")}, "abcYf"}, // the later one stands, the overlapping one is left out
		{diag.List{fix(3, 3, "-")}, "abc-def"},
		{diag.List{fix(6, 6, "!")}, "abcdef!"},
		{diag.List{fix(4, 9, "X"), fix(-1, 2, "Y"), fix(3, 2, "Z")}, "abcdef"}, // outside the text
		{nil, "abcdef"},
	} {
		if got := string(c.list.Apply("f", []byte(src))); got != c.want {
			t.Errorf("%v: %q, want %q", c.list, got, c.want)
		}
	}
	if src != "abcdef" {
		t.Error("the source was written to")
	}
}

// Sorting is stable: problems at one place keep their order.
func TestSortIsStable(t *testing.T) {
	r := diag.Range{File: "f", Start: diag.Pos{Line: 1, Column: 1}}
	list := diag.List{{Code: "1", Range: diag.Range{File: "g"}}, {Code: "2", Range: r}, {Code: "3", Range: r}}
	list.Sort()
	if list[0].Code+list[1].Code+list[2].Code != "231" {
		t.Errorf("%v", list)
	}
}

// The marker stands under its range: cut at the marker's place, the printed line begins with the range's text.
func TestMarkerStandsUnderItsRange(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		src := rapid.StringMatching(`[a-zΩµü\t "=]{1,20}(\n[a-zΩµü\t "=]{1,20}){0,3}`).Draw(t, "src")
		var starts []int
		for i := range src {
			starts = append(starts, i)
		}
		i := rapid.SampledFrom(starts).Draw(t, "start")
		end := len(src)
		if n := strings.IndexByte(src[i:], '\n'); n >= 0 {
			end = i + n
		}
		if i == end {
			return
		}
		r := diag.Range{File: "f", Start: pos(src, i), End: pos(src, end)}
		lines := strings.Split(printed(t, src, diag.Problem{Range: r, Message: "m"}), "\n")
		line, marker := lines[1], lines[2]
		column := strings.IndexByte(marker, '^')
		runes := []rune(line)
		if got := string(runes[column:]); got != src[i:end] {
			t.Fatalf("under the marker stands %q, want %q", got, src[i:end])
		}
		if strings.Count(marker, "^") != utf8.RuneCountInString(src[i:end]) {
			t.Fatalf("marker %q for %q", marker, src[i:end])
		}
		for k, c := range marker[:column] {
			if (c == '\t') != (runes[k] == '\t') {
				t.Fatalf("tabs of %q and %q differ", marker, line)
			}
		}
	})
}

// A file that is not at hand is quoted from the problem itself, the marker no longer than the quote.
func TestPrintQuotes(t *testing.T) {
	p := diag.Problem{Code: "x", Message: "too long", Quote: &diag.Quote{Text: "…1! #5 µ@@@", Column: 9},
		Range: diag.Range{File: "a.vcd", Start: diag.Pos{Line: 9, Column: 1000}, End: diag.Pos{Line: 9, Column: 1020}}}
	var b strings.Builder
	if err := (diag.List{p}).Print(&b, nil); err != nil {
		t.Fatal(err)
	}
	if want := "a.vcd:9:1000: too long\n    …1! #5 µ@@@\n            ^^^\n"; b.String() != want {
		t.Errorf("got\n%swant\n%s", b.String(), want)
	}
}
