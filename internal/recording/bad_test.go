package recording

import (
	"bytes"
	"compress/gzip"
	"io"
	"strings"
	"testing"

	"fettle/internal/wave"
)

const vcdHead = "$timescale 1 us $end\n$var wire 1 ! left $end\n$var wire 1 \" right $end\n$enddefinitions $end\n"

// What is wrong is told with its line and what is read all the same; got is "" where nothing can be.
func TestBadInput(t *testing.T) {
	for _, c := range []struct {
		name, file, text string
		set              Settings
		codes            string // of the problems, in order
		says             string // part of the first, with its place and note
		got              string
	}{
		{"empty", "x.vcd", "", Settings{}, "recording-empty", "x.vcd: the file is empty: 0 bytes", ""},
		{"white space", "x.csv", " \r\n\n", Settings{}, "recording-empty", "4 bytes", ""},
		{"UTF-16", "x.csv", "\xFF\xFEt\x00", Settings{}, "recording-utf16", "save it as UTF-8", ""},
		{"binary", "x.bin", "\x00\x01\x02\x03PNG\x00\x00", Settings{}, "recording-binary", "6 of the first 9 bytes", ""},
		{"prose", "x.csv", "dear reader,\nnothing here\n", Settings{}, "csv-nothing", "x.csv:1:1: no line holds a time", ""},

		{"clock times", "x.csv", "when,x\n12:00:00.000058,1\n12:00:00.000116,0\n", Settings{}, "csv-nothing", "have seconds written", ""},
		{"no timescale", "x.vcd", "$var wire 1 ! s $end $enddefinitions $end #0 1! #58 0! #116 1! #216 0! #316 1!", Settings{}, "vcd-timescale", "1 µs is guessed",
			"0+ 58000000- 116000000+ 216000000- 316000000+"},
		{"bad timescale", "x.vcd", "$timescale 3 weeks $end $var wire 1 ! s $end $enddefinitions $end #0 1! #58 0!", Settings{}, "vcd-timescale", `"3weeks"`, "0+ 58000000-"},
		{"no header", "x.vcd", "#0\n1!\n#58000\n0!\n#116000\n1!\n#216000\n0!\n", Settings{Unit: 1000}, "vcd-header", "declares no variable", "0+ 58000000- 116000000+ 216000000-"},
		{"ends in the header", "x.vcd", "$timescale 1 us $end\n$var wire 1 ! left", Settings{}, "vcd-open", "x.vcd:2:19: the file ends inside the $var of line 2", " "},
		{"a section not ended", "x.vcd", "$date today\n$timescale 1 us $end $var wire 1 ! s $end $enddefinitions $end\n#0 1! #5 0!", Settings{}, "vcd-open", "x.vcd:2:1: the $date of line 1 has no $end before this $timescale", "0+ 5000000-"},
		{"no $enddefinitions", "x.vcd", "$timescale 1 us $end $var wire 1 ! s $end\n#0 1! #5 0!", Settings{}, "vcd-header", "before $enddefinitions", "0+ 5000000-"},
		{"wrong name", "x.vcd", vcdHead + "#0 1! 0\"", Settings{Wires: []string{"lefft"}}, "wire-unknown", `nothing recorded is called "lefft"; did you mean "left"?; there are "left", "right"`, ""},
		{"same wire twice", "x.vcd", vcdHead, Settings{Wires: []string{"left", "Left"}}, "wire-twice", "the same wire", ""},
		{"name in two scopes", "x.vcd", "$scope module a $end $var wire 1 ! s $end $upscope $end $scope module b $end $var wire 1 % s $end $upscope $end $enddefinitions $end", Settings{Wires: []string{"s"}, Unit: 1},
			"wire-ambiguous", `"a.s", "b.s"`, ""},
		{"no change", "x.vcd", vcdHead + "#0\n#100\n", Settings{Wires: []string{"left"}}, "recording-silent", "nothing is said of left", " "},
		{"time runs backwards", "x.vcd", vcdHead + "#0 1! #10 0!\n#5 1!\n#7 0!\n#20 1!", Settings{Wires: []string{"left"}}, "time-backwards time-backwards", "x.vcd:6:1: time runs backwards, from 10 to 5",
			"0+ 10000000- 20000000+"},
		{"time beyond picoseconds", "x.vcd", vcdHead + "#0 1!\n#99999999999999999999 0!\n#9999999999999 0!", Settings{Wires: []string{"left"}}, "time-overflow time-overflow", "x.vcd:6:1: time 99999999999999999999 lies beyond 4.612e+06 s", "0+"},
		{"time of letters", "x.vcd", vcdHead + "#0 1!\n#1O 0!\n#20 1! #21 0!", Settings{Wires: []string{"left"}}, "vcd-time", `x.vcd:6:1: "#1O" is no time`, "0- 20000000+ 21000000-"},
		{"garbage between", "x.vcd", vcdHead + "#0 1!\n@@@ \x00\x00\n#5 0!", Settings{Wires: []string{"left"}}, "vcd-word vcd-nul", `x.vcd:6:1: "@@@" is no time and no change`, "0+ 5000000-"},
		{"unknown code", "x.vcd", vcdHead + "#0 1!\n1&\n#5 0!", Settings{Wires: []string{"left"}}, "vcd-code", `x.vcd:6:2: no variable has the code "&"`, "0+ 5000000-"},
		{"value of the wrong kind", "x.vcd", vcdHead + "#0 1!\nr1.5 !\nb12 !\n#5 0!", Settings{Wires: []string{"left"}}, "vcd-value vcd-value", "left is not a real variable", "0+ 5000000-"},
		{"ends after a value", "x.vcd", vcdHead + "#0 1! #5 0! b1", Settings{Wires: []string{"left"}}, "vcd-cut", `ends after the value "b1"`, "0+ 5000000-"},
		{"a section among the changes", "x.vcd", vcdHead + "#0 1!\n$var wire 1 k late $end\n$dunpoff #5 0! $end", Settings{Wires: []string{"left"}}, "vcd-section vcd-section vcd-end", "$var among the changes", "0+ 5000000-"},
		{"many of one kind", "x.vcd", vcdHead + "#0 1!\n" + strings.Repeat("?\n", 1000) + "#5 0!", Settings{Wires: []string{"left"}}, "vcd-word vcd-word vcd-word vcd-word vcd-word", `"?" is no time`, "0+ 5000000-"},

		{"row with a word", "x.csv", "us,x\n0,1\n58,0\noops,1\n116,1\n216,0\n", Settings{}, "csv-cell", `x.csv:4:1: "oops" is not a time`, "0+ 58000000- 116000000+ 216000000-"},
		{"row cut short", "x.csv", "us,x\n0,1\n58,0\n116,1\n21", Settings{}, "csv-short", "x.csv:5:1: the row has 1 cells, 2 are wanted", "0+ 58000000- 116000000+"},
		{"NUL bytes", "x.csv", "us,x\n0,1\n58,0\n\x00\x00\x00\x00\n116,1\n216,0\n", Settings{}, "csv-nul", "x.csv:4:1: the row has 1 cells and 4 NUL bytes", "0+ 58000000- 116000000+ 216000000-"},
		{"rows backwards", "x.csv", "us,x\n0,1\n58,0\n116,1\n30,0\n216,0\n316,1\n", Settings{}, "time-backwards", "x.csv:5:1: time runs backwards, from 116 µs to 30 µs", "0+ 58000000- 116000000+ 216000000- 316000000+"},
		{"time too large", "x.csv", "s,x\n0,1\n0.001,0\n1e300,1\n", Settings{}, "time-overflow", "x.csv:4:1: time 1e300 lies beyond", "0+ 1000000000-"},
		{"level of another kind", "x.csv", "us,x\n0,1\n58,0\n116,high\n216,perhaps\n316,0\n", Settings{}, "csv-cell", `x.csv:5:5: "perhaps" is not a level`, "0+ 58000000- 116000000+ 316000000-"},
		{"half-bit of nothing", "x.csv", "half (us)\n58\n0\n58\n100\n100\n58\n58\n58\n58\n", Settings{Timing: Durations}, "csv-duration", "x.csv:3:1: a half-bit of 0", "0+ 58000000- 116000000+ 216000000- 316000000+ 374000000- 432000000+ 490000000- 548000000+"},
		{"wrong column", "x.csv", "us,x,y\n0,1,0\n58,0,1\n", Settings{Wires: []string{"z"}}, "wire-unknown", `there are "x", "y"`, ""},
		{"wrong time column", "x.csv", "us,x,y\n0,1,0\n58,0,1\n", Settings{TimeColumn: "when"}, "column-unknown", `there are "us", "x", "y"`, ""},
		{"unit not to be guessed", "x.csv", "0,1\n3,0\n4,1\n9,0\n", Settings{}, "unit-unknown", "microseconds are taken", "0+ 3000000- 4000000+ 9000000-"},
		{"commas everywhere", "x.csv", "0,000000,1,5\n0,000058,0,1\n0,000116,1,5\n", Settings{}, "csv-comma", "export with semicolons", ""},
		{"limits crossed", "x.csv", "0,1\n", Settings{Low: 3, High: 1}, "limits-crossed", "3 V, does not lie below the upper one, 1 V", ""},
		{"three wires", "x.csv", "0,1\n", Settings{Wires: []string{"a", "b", "c"}}, "wire-many", "3 wires", ""},
	} {
		r, l := Open(strings.NewReader(c.text), c.file, c.set)
		got := ""
		if r != nil {
			ch := readAll(t, r)
			if got = say(ch); got == "" {
				got = " "
			}
			l = r.Problems()
		}
		if got != c.got {
			t.Errorf("%s: read %q, want %q", c.name, got, c.got)
		}
		if codesOf(l) != c.codes {
			t.Errorf("%s: %s, want %s: %v", c.name, codesOf(l), c.codes, l)
			continue
		}
		var b strings.Builder
		if err := l[:1].Print(&b, nil); err != nil || !strings.Contains(strings.ReplaceAll(b.String(), "warning: ", ""), c.says) {
			t.Errorf("%s: %swants %q", c.name, b.String(), c.says)
		}
	}
}

func TestMoreOfOneKind(t *testing.T) {
	r, _ := open(t, vcdHead+"#0 1!\n"+strings.Repeat("?\n", 1000)+"#5 0!", "x.vcd", Settings{Wires: []string{"left"}})
	l := r.Problems()
	if len(l) != perKind || len(l[4].Notes) != 1 || l[4].Notes[0].Message != "and 995 more of this kind, the last of them here" || l[4].Notes[0].Range.Start.Line != 1005 {
		t.Errorf("%+v", l)
	}
}

// A quote shows the place in a line far longer than a screen, and nothing that upsets a terminal.
func TestQuote(t *testing.T) {
	r, _ := open(t, vcdHead+strings.Repeat("#0 1! ", 50)+"\x1B[31m@@@ "+strings.Repeat("0! ", 100)+"#9", "x.vcd", Settings{Wires: []string{"left"}})
	var b strings.Builder
	if err := r.Problems().Print(&b, nil); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(b.String(), "\n")
	if len(lines) < 3 || !strings.HasPrefix(lines[1], "    …") || strings.Contains(b.String(), "\x1B") || strings.Index(lines[2], "^") != len([]rune(lines[1][:strings.Index(lines[1], "[31m")])) {
		t.Errorf("%s", b.String())
	}
}

// A packed file that breaks off, or is damaged, is used as far as it goes.
func TestGzipDamaged(t *testing.T) {
	var z bytes.Buffer
	w := gzip.NewWriter(&z)
	text := dump(200_000)
	_, _ = w.Write(text)
	_ = w.Close()
	whole := z.Bytes()
	spoilt := bytes.Clone(whole)
	copy(spoilt[len(spoilt)-8:], "\x00\x00\x00\x00")
	for name, c := range map[string]struct {
		b    []byte
		code string
	}{"truncated": {whole[:len(whole)/2], "gzip-truncated"}, "wrong sum": {spoilt, "gzip-damaged"}} {
		r, l := Open(bytes.NewReader(c.b), "x.vcd.gz", Settings{})
		if r == nil {
			t.Fatalf("%s: %v", name, l)
		}
		if got := readAll(t, r); len(got.At) < 90_000 {
			t.Errorf("%s: %d changes", name, len(got.At))
		}
		if codes := codesOf(r.Problems()); !strings.Contains(codes, c.code) {
			t.Errorf("%s: %s", name, codes)
		}
	}
	if r, l := Open(bytes.NewReader([]byte("\x1F\x8B\x00")), "x", Settings{}); r != nil || codesOf(l) != "gzip-damaged" {
		t.Errorf("%v", l)
	}
}

// endless repeats a text; no reader may keep it.
type endless struct {
	head, body string
	n          int
}

func (e *endless) Read(b []byte) (int, error) {
	if e.head != "" {
		n := copy(b, e.head)
		e.head = e.head[n:]
		return n, nil
	}
	n := 0
	for n < len(b) && e.n > 0 {
		k := copy(b[n:], e.body)
		if k < len(e.body) {
			break
		}
		n += k
		e.n--
	}
	if n == 0 {
		return 0, io.EOF
	}
	return n, nil
}

// A word or a line of many megabytes is passed over in a window that stays small.
func TestHugeWordAndLine(t *testing.T) {
	for _, c := range []struct {
		name, wire, head, body, code string
	}{
		{"x.vcd", "left", vcdHead + "#0 1! #58 0! ", strings.Repeat("b", 1000), "vcd-long"},
		{"x.csv", "x", "us,x\n0,1\n58,0\n116,1\n", strings.Repeat("y", 1000), "csv-long"},
	} {
		r, l := Open(&endless{c.head, c.body, 30_000}, c.name, Settings{Wires: []string{c.wire}})
		if r == nil {
			t.Fatal(l)
		}
		var ch wave.Changes
		n := 0
		for r.Next(&ch) == nil {
			n += len(ch.At)
		}
		if l = r.Problems(); n < 2 || !strings.Contains(codesOf(l), c.code) {
			t.Errorf("%s: %d changes, %v", c.name, n, l)
		}
		size := 0
		switch v := r.r.(type) {
		case *vcd:
			size = cap(v.w.buf)
		case *csv:
			size = cap(v.w.buf)
		}
		if size > 4*longest {
			t.Errorf("%s: a window of %d bytes", c.name, size)
		}
	}
}
