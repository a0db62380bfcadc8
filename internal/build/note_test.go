package build_test

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"fettle/internal/build"
)

// noted is the file after words were noted in it, which must go well.
func noted(t *testing.T, src string, how build.Noting, words ...string) (string, []string) {
	t.Helper()
	b := parsed(t, src)
	out, list := b.NoteFitted(words, how)
	if list != nil {
		t.Fatal(show(list, build.Typed, []byte(strings.Join(words, " "))))
	}
	text, list := b.Patch(out.Edits)
	if list != nil {
		t.Fatal(show(list, "x.fettle", b.Source))
	}
	return string(text), out.Assumed
}

// bare is the board without its record.
var bare = board[:strings.Index(board, "  fitted {")] + "}\n"

func TestNoteFitted(t *testing.T) {
	record := func(inside string) string {
		return strings.TrimSuffix(bare, "}\n") + "  fitted {\n    date = \"2026-03-02\"\n" + inside + "  }\n}\n"
	}
	today := build.Noting{Today: "2026-03-02"}
	src := bare
	for _, step := range []struct {
		how     build.Noting
		words   []string
		want    string
		assumed string
	}{
		// What no part is marked with was measured; the build's first meter is taken, and it is said.
		{today, []string{"front", "base=4.680k", "pulldown=100k"}, `    output "front" {
      base       = "4.680 kΩ"
      pulldown   = "100 kΩ"
      meter      = "yellow"
      by_marking = "pulldown"
    }
`, "base of output front: no part is marked 4.680 kΩ, so it is taken as measured with meter yellow"},
		// A block that has a meter keeps it; a value that was measured now is no longer only read.
		{today, []string{"front", "pulldown=99.1k", "switch=BC847B", "hfe=310"}, `    output "front" {
      base     = "4.680 kΩ"
      pulldown = "99.1 kΩ"
      meter    = "yellow"
      switch   = "BC847B"
      hfe      = 310
    }
`, ""},
		// Letters at the decimal point, ohms by letter, a comma.
		{build.Noting{Meter: build.HandMeter}, []string{"ear", "series=21k8"}, `    output "front" {
      base     = "4.680 kΩ"
      pulldown = "99.1 kΩ"
      meter    = "yellow"
      switch   = "BC847B"
      hfe      = 310
    }
    listen {
      series = "21.8 kΩ"
      meter  = "hand meter"
    }
`, ""},
		{build.Noting{ByMarking: true}, []string{"front", "series=1k0", "ear", "series=22,0k"}, `    output "front" {
      base       = "4.680 kΩ"
      pulldown   = "99.1 kΩ"
      meter      = "yellow"
      switch     = "BC847B"
      hfe        = 310
      series     = "1 kΩ"
      by_marking = "series"
    }
    listen {
      series = "22.0 kΩ"
    }
`, ""},
		// Taken back; left out.
		{build.Noting{}, []string{"front", "base=designed", "switch=", "pulldown=none", "hfe=designed"}, `    output "front" {
      pulldown = "none"
      series   = "1 kΩ"
    }
    listen {
      series = "22.0 kΩ"
    }
`, ""},
	} {
		got, assumed := noted(t, src, step.how, step.words...)
		if want := record(step.want); got != want {
			t.Fatalf("%v:\n%s", step.words, got[len(bare)-2:])
		}
		if said := strings.Join(assumed, "; "); (step.assumed == "") != (said == "") || !strings.Contains(said, step.assumed) {
			t.Errorf("%v: said %q", step.words, said)
		}
		src = got
	}
	// What belongs to the whole.
	got, _ := noted(t, bare, today, "vehicle=number 3", "date=2026-01-05", "note=second board", "front", "note=salvaged", "switch=BC847B")
	for _, want := range []string{`vehicle = "number 3"`, `date    = "2026-01-05"`, `note    = "second board"`, `note   = "salvaged"`} {
		if !strings.Contains(got, want) {
			t.Errorf("no %s in\n%s", want, got[len(bare)-2:])
		}
	}
	if !parsed(t, got).Noted() || parsed(t, bare).Noted() {
		t.Error("noted or not")
	}
}

func TestNoteFittedRefuses(t *testing.T) {
	for _, c := range []struct {
		how   build.Noting
		words string
		want  string
		mend  string
	}{
		{build.Noting{}, "frnt base=4.7k bse=3", `"frnt" is no output and no other part of decoder "a"; did you mean "front"?`, ""},
		{build.Noting{}, "front bse=4.7k", `output front has no "bse"; did you mean "base"?`, ""},
		{build.Noting{}, "front meter=yellow", `output front has no "meter"`, ""},
		{build.Noting{}, "base=4.7k", "base of what? Name the output before it", ""},
		{build.Noting{}, "front base=4.7", "base=4.7: no unit", "base=4.7Ω"},
		{build.Noting{}, "front base=3mA", "that is a current", ""},
		{build.Noting{}, "front", "nothing to note", ""},
		{build.Noting{}, "front base=4.7k base=4.8k", "base is typed twice", ""},
		{build.Noting{Meter: "yelow"}, "front base=4.7k", `--meter "yelow": there is no meter of that name; did you mean "yellow"?`, ""},
		{build.Noting{Decoder: "b"}, "front base=4.7k", `there is no decoder "b"; did you mean "a"?`, ""},
		{build.Noting{Meter: build.HandMeter}, "front series=991R", "values were measured with yellow and with hand meter, and a block has one meter", ""},
	} {
		out, list := parsed(t, board).NoteFitted(strings.Split(c.words, " "), c.how)
		if len(list) != 1 || !strings.Contains(list[0].Message, c.want) {
			t.Errorf("%s: %v, want %s", c.words, list, c.want)
			continue
		}
		if fix := list[0].Fix; (fix == nil) != (c.mend == "") || fix != nil && fix.Message != c.mend {
			t.Errorf("%s: mend %v, want %s", c.words, fix, c.mend)
		}
		_ = out
	}
	// What only the file tells is placed at the word it is about.
	b := parsed(t, board)
	out, _ := b.NoteFitted([]string{"front", "switch=MMBT39O4"}, build.Noting{})
	_, list := b.Patch(out.Edits)
	sources := map[string][]byte{}
	out.Place(list, sources)
	if len(list) != 1 || list[0].Range.File != build.Typed || list[0].Range.Start.Column != 14 || string(sources[build.Typed]) != "front switch=MMBT39O4" {
		t.Errorf("%v", list)
	}
}

// Of several decoders the one is meant that has the outputs named; else it is asked.
func TestNoteFittedFindsTheDecoder(t *testing.T) {
	src := bare + strings.NewReplacer(`decoder "a"`, `decoder "b"`, `output "front"`, `output "tail"`).Replace(bare[strings.Index(bare, `decoder "a"`):])
	src = strings.Replace(src, "  lamp \"front\" {\n", "  lamp \"tail\" {\n    feed = \"left rail\"\n  }\n  lamp \"front\" {\n", 1)
	b := parsed(t, src)
	for words, want := range map[string]string{"tail base=4.7k": "b", "ear series=22k front base=4.7k": "a", "ear series=22k": "", "front base=1k tail base=1k": "", "vehicle=3": ""} {
		out, list := b.NoteFitted(strings.Split(words, " "), build.Noting{})
		switch {
		case want == "" && (len(list) != 1 || !strings.Contains(list[0].Message, `which decoder is meant? There is "a" and "b"`)):
			t.Errorf("%s: %v", words, list)
		case want != "" && (list != nil || out.Edits[0].Path[1] != want):
			t.Errorf("%s: %v %v, want %s", words, out.Edits, list, want)
		}
	}
}

// Whatever is typed, there is a record that reads back and holds it, or a problem; never both, never neither.
func TestNoteFittedOfAnything(t *testing.T) {
	b := parsed(t, bare)
	word := rapid.OneOf(rapid.SampledFrom([]string{"front", "ear", "supply", "answer", "base=4.7k", "base=4.68k", "series=none", "switch=BC847B", "pulldown=47k0", "hfe=200", "note=\"", "date=2026-02-28", "meter=x", "ballast=1k"}), rapid.String())
	good := 0
	rapid.Check(t, func(t *rapid.T) {
		words := rapid.SliceOfN(word, 1, 5).Draw(t, "words")
		out, list := b.NoteFitted(words, build.Noting{ByMarking: rapid.Bool().Draw(t, "marking")})
		if list.HasErrors() {
			return
		}
		text, list := b.Patch(out.Edits)
		if (text == nil) == (list == nil) {
			t.Fatalf("%q: %d bytes and %v", words, len(text), list)
		}
		if text != nil {
			good++
			if again, problems := build.Load("x.fettle", text, build.Beside{}); again == nil {
				t.Fatalf("%q: %v", words, problems)
			}
		}
	})
	if good == 0 {
		t.Error("nothing was ever noted")
	}
}

func TestChanged(t *testing.T) {
	for _, c := range []struct{ before, after, want string }{
		{"a\nb\nc\n", "a\nb\nc\n", ""},
		{"a\nb\nc\n", "a\nx\nc\n", "    2 - b\n    2 + x\n"},
		{"a\nc\n", "a\nb\nc\n", "    2 + b\n"},
		{"a\nb\nc\nd\n", "b\nc\n", "    1 - a\n    4 - d\n"},
		{"", "a", "    1 + a\n"},
	} {
		if got := build.Changed([]byte(c.before), []byte(c.after)); got != c.want {
			t.Errorf("%q to %q: %q, want %q", c.before, c.after, got, c.want)
		}
	}
}
