package build_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"fettle/internal/build"
)

const patched = `# head
format = 1

vehicle "x" {
  lamp "front" {
    reading {
      track   = "6 V" # as shown
      current = "3 mA"
    }
    reading {
      track   = "9 V"
      current = "5 mA"
    }
  }
}

decoder "a" {
  supply { rectifier = "MB6S" }
  listen {
    # the ear
  }
  output "front" {
    lamp   = "front"    # which
    from   = "PB0"      /* the pin */
    series = "choose"   # chosen, see below
    # after series

    switch="MMBT3904"
  }
  chip {}
}
function "F0" {
  output = "front"
}
function "F0" {
  output = "front"
  direction = "reverse"
}`

func parsed(t testing.TB, src string) *build.Build {
	t.Helper()
	b, list := build.Load("x.fettle", []byte(src), build.Beside{})
	if b == nil {
		t.Fatal(show(list, "x.fettle", []byte(src)))
	}
	return b
}

func TestPatch(t *testing.T) {
	out := []string{"decoder", "a", "output", "front"}
	for _, c := range []struct {
		edits    []build.Edit
		old, new string // what changes
	}{
		{[]build.Edit{{Path: out, Attr: "series", Value: "1.2 kΩ"}}, `series = "choose"   # chosen`, `series = "1.2 kΩ"   # chosen`},
		{[]build.Edit{{Path: out, Attr: "from", Value: "PB1"}}, `"PB0"      /* the`, `"PB1"      /* the`},
		{[]build.Edit{{Path: out, Attr: "switch", Value: "BC847B"}}, `switch="MMBT3904"`, `switch="BC847B"`},
		{[]build.Edit{{Path: out, Attr: "base", Value: "4.7 kΩ"}, {Path: out, Attr: "pulldown", Value: "100 kΩ"}},
			"    switch=\"MMBT3904\"\n", "    switch=\"MMBT3904\"\n    base   = \"4.7 kΩ\"\n    pulldown = \"100 kΩ\"\n"},
		{[]build.Edit{{Path: []string{"decoder", "a", "supply"}, Attr: "regulator", Value: "78L05A (TO-92)"}, {Path: []string{"decoder", "a", "supply"}, Attr: "reservoir", Value: "22 µF"}},
			"supply { rectifier = \"MB6S\" }", "supply {\n    rectifier = \"MB6S\"\n    regulator = \"78L05A (TO-92)\"\n    reservoir = \"22 µF\"\n  }"},
		{[]build.Edit{{Path: []string{"decoder", "a", "chip"}, Attr: "part", Value: "ATtiny85"}}, "chip {}", "chip {\n    part = \"ATtiny85\"\n  }"},
		{[]build.Edit{{Path: []string{"decoder", "a", "listen"}, Attr: "into", Value: "PB2"}}, "listen {\n", "listen {\n    into = \"PB2\"\n"},
		{[]build.Edit{{Path: []string{"vehicle", "x", "lamp", "front", "reading", "2"}, Attr: "current", Value: "5.2 mA"}}, `"5 mA"`, `"5.2 mA"`},
		{[]build.Edit{{Path: []string{"vehicle", "x", "lamp", "front", "reading", "1"}, Attr: "looked", Value: "seen"}},
			"current = \"3 mA\"\n", "current = \"3 mA\"\n      looked  = \"seen\"\n"},
		{[]build.Edit{{Path: []string{"function", "F0#2"}, Attr: "direction", Value: "forward"}}, `"reverse"`, `"forward"`},
		{[]build.Edit{{Path: nil, Attr: "title", Value: `a "b" ${c} \ ü`}}, "format = 1\n", "format = 1\ntitle  = \"a \\\"b\\\" $${c} \\\\ ü\"\n"},
		{[]build.Edit{{Path: []string{"vehicle", "x", "lamp", "front"}, Attr: "pin", Value: "5"}}, "lamp \"front\" {\n", "lamp \"front\" {\n    pin = 5\n"},
		{nil, "", ""},
	} {
		want := strings.Replace(patched, c.old, c.new, 1)
		got, list := parsed(t, patched).Patch(c.edits)
		if len(list) > 0 || string(got) != want {
			t.Errorf("%v: %v\n%s", c.edits, list, diffLines(patched, string(got)))
		}
		// The same with the line ends of Windows.
		crlf := strings.ReplaceAll(patched, "\n", "\r\n")
		got, list = parsed(t, crlf).Patch(c.edits)
		if len(list) > 0 || string(got) != strings.ReplaceAll(want, "\n", "\r\n") {
			t.Errorf("CRLF %v: %v\n%q", c.edits, list, got)
		}
	}
}

func diffLines(a, b string) string {
	var out strings.Builder
	x, y := strings.Split(a, "\n"), strings.Split(b, "\n")
	for i := 0; i < max(len(x), len(y)); i++ {
		if i >= len(x) || i >= len(y) || x[i] != y[i] {
			fmt.Fprintf(&out, "from line %d:\n%s", i+1, strings.Join(y[min(i, len(y)):], "\n"))
			break
		}
	}
	return out.String()
}

func TestPatchRefuses(t *testing.T) {
	out := []string{"decoder", "a", "output", "front"}
	for _, c := range []struct {
		edits []build.Edit
		code  string
		line  int
	}{
		{[]build.Edit{{Path: out, Attr: "series", Value: "-1 kΩ"}}, "limit", 25},
		{[]build.Edit{{Path: out, Attr: "series", Value: ""}}, "empty", 25},
		{[]build.Edit{{Path: out, Attr: "lamp", Value: "rear"}}, "name-unknown", 23},
		{[]build.Edit{{Path: out, Attr: "sereis", Value: "1 kΩ"}}, "edit-place", 22},
		{[]build.Edit{{Path: []string{"decoder", "b"}, Attr: "vehicle", Value: "x"}}, "edit-place", 1},
		{[]build.Edit{{Path: []string{"track"}, Attr: "low", Value: "9 V"}}, "edit-place", 1},
		{[]build.Edit{{Path: []string{"decoder"}, Attr: "low", Value: "9 V"}}, "edit-place", 1},
		{[]build.Edit{{Path: out, Attr: "series", Value: "1 kΩ"}, {Path: out, Attr: "series", Value: "2 kΩ"}}, "edit-twice", 22},
	} {
		got, list := parsed(t, patched).Patch(c.edits)
		if got != nil || len(list) == 0 || list[0].Code != c.code || list[0].Range.Start.Line != c.line {
			t.Errorf("%v: %v %+v", c.edits, got != nil, list)
		}
	}
}

// Random edits of randomly laid out files change the named values and nothing else.
func TestPatchChangesOnlyWhatIsNamed(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		blanks := rapid.SampledFrom([]string{" ", "  ", "\t", "   "})
		ends := rapid.SampledFrom([]string{"", " # a remark \"with\" = signs", " // x", " /* y */", "   "})
		newline := rapid.SampledFrom([]string{"\n", "\r\n"}).Draw(t, "newline")
		ohm := rapid.SampledFrom([]string{`"choose"`, `"1 kΩ"`, `"4k7"`, `"330 Ω"`, `"1.5 kΩ"`})
		var b strings.Builder
		line := func(indent, s string) {
			for rapid.IntRange(0, 4).Draw(t, "extra") == 0 {
				b.WriteString(rapid.SampledFrom([]string{"", indent + "# between", "  "}).Draw(t, "between") + newline)
			}
			b.WriteString(indent + s + ends.Draw(t, "end") + newline)
		}
		attr := func(indent, name, value string) {
			line(indent, name+blanks.Draw(t, "blank")+"="+blanks.Draw(t, "blank")+value)
		}
		attr("", "format", "1")
		line("", `vehicle "x" {`)
		for i := 0; i < 3; i++ {
			line("  ", fmt.Sprintf("lamp \"l%d\" {", i))
			line("  ", "}")
		}
		line("", "}")
		line("", `decoder "a" {`)
		names := []string{"series", "base", "pulldown"}
		for i := 0; i < 3; i++ {
			line("  ", fmt.Sprintf("output \"o%d\" {", i))
			attr("    ", "lamp", fmt.Sprintf(`"l%d"`, i))
			attr("    ", "from", fmt.Sprintf(`"PB%d"`, i))
			for _, n := range names {
				if rapid.Bool().Draw(t, "has") {
					attr("    ", n, ohm.Draw(t, "ohm"))
				}
			}
			line("  ", "}")
		}
		b.WriteString("}" + rapid.SampledFrom([]string{"", newline}).Draw(t, "last"))
		src := b.String()

		old, list := build.Load("x.fettle", []byte(src), build.Beside{})
		if old == nil {
			t.Fatalf("%v\n%s", list, src)
		}
		value := func(b *build.Build, i int, n string) string {
			o := b.Decoders[0].Outputs[i]
			return map[string]string{"series": o.Series.Text, "base": o.Base.Text, "pulldown": o.Pulldown.Text}[n]
		}
		var edits []build.Edit
		want := map[string]string{}
		for i := 0; i < 3; i++ {
			for _, n := range names {
				key := fmt.Sprint(i, n)
				want[key] = value(old, i, n)
				if rapid.Bool().Draw(t, "edit") {
					v := rapid.SampledFrom([]string{"2.2 kΩ", "47 Ω", "choose", "100 kΩ", "6k8"}).Draw(t, "value")
					edits = append(edits, build.Edit{Path: []string{"decoder", "a", "output", fmt.Sprintf("o%d", i)}, Attr: n, Value: v})
					want[key] = v
				}
			}
		}
		got, list := old.Patch(edits)
		if len(list) > 0 {
			t.Fatalf("%v\n%s", list, src)
		}
		now, list := build.Load("x.fettle", got, build.Beside{})
		if now == nil {
			t.Fatalf("%v\n%s", list, got)
		}
		for i := 0; i < 3; i++ {
			for _, n := range names {
				if v := value(now, i, n); v != want[fmt.Sprint(i, n)] {
					t.Fatalf("%s of o%d reads %q, want %q\n%s", n, i, v, want[fmt.Sprint(i, n)], got)
				}
			}
		}
		// Take the edited values and the added lines out of both texts: the rest is the same.
		if a, b := skeleton(src, edits, old), skeleton(string(got), edits, old); a != b {
			t.Fatalf("more has changed than was named:\n%s\n----\n%s", a, b)
		}
	})
}

// skeleton leaves out the lines of edited attributes that old did not have, and the values of those it had.
func skeleton(src string, edits []build.Edit, old *build.Build) string {
	named := map[string]bool{}
	for _, e := range edits {
		named[e.Path[3]+" "+e.Attr] = true
	}
	var out []string
	output := ""
	for _, line := range strings.SplitAfter(src, "\n") {
		f := strings.FieldsFunc(line, func(r rune) bool { return r == ' ' || r == '\t' || r == '=' })
		if len(f) > 1 && f[0] == "output" {
			output = strings.Trim(f[1], `"`)
		}
		if len(f) > 1 && named[output+" "+f[0]] {
			i := int(output[1] - '0')
			o := old.Decoders[0].Outputs[i]
			had := map[string]bool{"series": o.Series.IsSet(), "base": o.Base.IsSet(), "pulldown": o.Pulldown.IsSet()}[f[0]]
			if !had {
				continue
			}
			at := strings.Index(line, `"`)
			end := at + 1 + strings.Index(line[at+1:], `"`)
			line = line[:at] + line[end+1:]
		}
		out = append(out, line)
	}
	return strings.Join(out, "")
}

func FuzzLoad(f *testing.F) {
	seeds := 0
	for _, s := range []string{small, patched, "", "format", "a = <<EOT\nx\nEOT\n", "vehicle \"x\" {", "x = \"${a}\"", "a = [1, [2]]\n", "format = -1\n\xff", "\ufeffformat = 1\nvehicle \"ü\" {\n}\n"} {
		f.Add([]byte(s), []byte("lamp,track,current\nfront,9 V,5 mA\n"))
		f.Add([]byte(small), []byte(s))
		seeds++
	}
	if seeds < 10 {
		f.Fatal("no seeds")
	}
	f.Fuzz(func(t *testing.T, src, csv []byte) {
		b, list := build.Load("x.fettle", src, build.Beside{ReadingsFile: "readings.csv", Readings: csv})
		if (b == nil) != list.HasErrors() {
			t.Fatalf("a build and errors, or neither: %v", list)
		}
		for _, p := range list {
			text := src
			if p.Range.File == "readings.csv" {
				text = csv
			}
			if p.Range.Start.Byte < 0 || p.Range.End.Byte < p.Range.Start.Byte || p.Range.End.Byte > len(text) || p.Range.Start.Line < 1 {
				t.Fatalf("range %+v outside %d bytes: %s", p.Range, len(text), p.Message)
			}
			if fix := p.Fix; fix != nil && (fix.Range.Start.Byte < 0 || fix.Range.End.Byte < fix.Range.Start.Byte || fix.Range.End.Byte > len(text)) {
				t.Fatalf("mend outside: %+v", fix)
			}
		}
		var out bytes.Buffer
		if err := list.Print(&out, map[string][]byte{"x.fettle": src, "readings.csv": csv}); err != nil {
			t.Fatal(err)
		}
		if b == nil {
			return
		}
		for i := 1; i < len(b.Readings); i++ {
			if b.Readings[i].ID == "" {
				t.Fatal("a reading without an id")
			}
		}
		if same, problems := b.Patch(nil); len(problems) > 0 || !bytes.Equal(same, src) {
			t.Fatalf("no edit changes the file: %v", problems)
		}
	})
}

func FuzzPatch(f *testing.F) {
	f.Add("series", "1 kΩ")
	f.Add("lamp", "front")
	f.Add("base", "\"\n}${%{")
	f.Add("switch", "\\")
	f.Add("nothing", "")
	b := parsed(f, patched)
	f.Fuzz(func(t *testing.T, attr, value string) {
		got, list := b.Patch([]build.Edit{{Path: []string{"decoder", "a", "output", "front"}, Attr: attr, Value: value}})
		if (got == nil) != (len(list) > 0) {
			t.Fatalf("a result and problems, or neither: %v", list)
		}
		for _, p := range list {
			if p.Range.End.Byte > len(b.Source) || p.Range.Start.Byte > p.Range.End.Byte {
				t.Fatalf("range %+v outside", p.Range)
			}
		}
		if got == nil {
			return
		}
		if now, list := build.Load("x.fettle", got, build.Beside{}); now == nil {
			t.Fatal(list)
		}
	})
}

func BenchmarkLoadDemo(b *testing.B) {
	f := demo(b)
	src, csv := f.Sources[f.File], f.Sources[f.ReadingsFile]
	b.ReportAllocs()
	for b.Loop() {
		if got, _ := build.Load(f.File, src, build.Beside{ReadingsFile: f.ReadingsFile, Readings: csv, Drawer: f.Build.Drawer}); got == nil {
			b.Fatal("the demo does not load")
		}
	}
}
