package build_test

import (
	"bytes"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"pgregory.net/rapid"

	"fettle/examples"
	"fettle/internal/build"
)

const blocks = `format = 1

vehicle "x" {
  socket = "NEM 651"

  # The front one.
  # It is white.
  lamp "front" {
    pin = 5
    # Two readings, taken in the evening.
    reading {
      track   = "6 V" # as shown
      current = "3 mA"
      meter   = "yellow"
    }
    reading {
      track   = "9 V"
      current = "5 mA"
    }
  }

  lamp "rear" {
    pin = 6
  }
}

meter "yellow" {}

decoder "a" {
  chip {}
  output "front" {
    lamp = "front"
    from = "PB0"
  }
  output "rear" { # the red one
    lamp = ["rear", "front"]
    from = "PB1"
  }
}

function "F0" {
  direction = "forward"
  output    = ["front", "rear"]
}
function "F0" {
  direction = "reverse"
  output = "rear"
}

train {
  want {
    function = "F0"
    direction = "forward"
    lit = ["front", "x / rear"]
  }
}
bench {
  out_of_reach = "front.base"
}
`

const blocksReadings = "date,lamp,track,current,meter\n2026-02-14,rear,6 V,3 mA,yellow\n2026-02-14,front,6 V,3 mA,\ndate,setup,test,reading,meter,note\n2026-02-15,board-left-on,rear.collector,0.02 V,yellow,\n"

// folderOf is a folder of a build file and a readings.csv.
func folderOf(t testing.TB, src, readings string) *build.Folder {
	t.Helper()
	files := fstest.MapFS{"x.fettle": {Data: []byte(src)}}
	if readings != "" {
		files["readings.csv"] = &fstest.MapFile{Data: []byte(readings)}
	}
	f, list, err := build.OpenFS(files, ".")
	if err != nil || f == nil || f.Build == nil {
		t.Fatal(err, list)
	}
	return f
}

func TestWith(t *testing.T) {
	for _, c := range []struct {
		path   []string
		values []build.Edit
		after  string // the new text stands behind this
		new    string
	}{
		{[]string{"vehicle", "x", "lamp", "cab"}, []build.Edit{{Attr: "feed", Value: "left rail"}, {Attr: "leds", Value: "red"}},
			"    pin = 6\n  }\n", "\n  lamp \"cab\" {\n    feed = \"left rail\"\n    leds = \"red\"\n  }\n"},
		{[]string{"vehicle", "x", "lamp", "front", "reading"}, []build.Edit{{Attr: "track", Value: "12 V"}, {Attr: "looked", Value: "good"}},
			"      current = \"5 mA\"\n    }\n", "    reading {\n      track  = \"12 V\"\n      looked = \"good\"\n    }\n"},
		{[]string{"meter", "grey"}, nil, "meter \"yellow\" {}\n", "\nmeter \"grey\" {\n}\n"},
		{[]string{"supply", "bench"}, []build.Edit{{Attr: "kind", Value: "pwm"}}, "  out_of_reach = \"front.base\"\n}\n", "\nsupply \"bench\" {\n  kind = \"pwm\"\n}\n"},
		{[]string{"function", "F0"}, []build.Edit{{Attr: "output", List: []string{"front", "rear"}}}, "  output = \"rear\"\n}\n", "\nfunction \"F0\" {\n  output = [\"front\", \"rear\"]\n}\n"},
		{[]string{"train", "want"}, []build.Edit{{Attr: "function", Value: "nothing"}, {Attr: "lit", Value: "nothing"}},
			"    lit = [\"front\", \"x / rear\"]\n  }\n", "  want {\n    function = \"nothing\"\n    lit      = \"nothing\"\n  }\n"},
		{[]string{"decoder", "a", "listen"}, []build.Edit{{Attr: "into", Value: "PB2"}}, "    from = \"PB1\"\n  }\n", "  listen {\n    into = \"PB2\"\n  }\n"},
	} {
		for _, end := range []string{"\n", "\r\n"} {
			lines := strings.NewReplacer("\n", end)
			got, list := folderOf(t, lines.Replace(blocks), "").With(c.path, c.values)
			if len(list) > 0 || string(got) != lines.Replace(strings.Replace(blocks, c.after, c.after+c.new, 1)) {
				t.Errorf("%v: %v\n%s", c.path, list, diffLines(blocks, string(got)))
			}
		}
	}
	const two = "format = 1\nvehicle \"x\" {}\nvehicle \"y\" {}\n"
	got, list := folderOf(t, two, "").With([]string{"train", "vehicle", "x"}, nil)
	if want := two + "\ntrain {\n  vehicle \"x\" {\n  }\n}\n"; len(list) > 0 || string(got) != want {
		t.Errorf("%v\n%s", list, got)
	}
	if got, list := folderOf(t, two, "").With([]string{"train", "want"}, []build.Edit{{Attr: "function", Value: "nothing"}, {Attr: "lit", Value: "nothing"}}); got != nil || !strings.Contains(list.Error(), "lacks a vehicle block for each place") {
		t.Errorf("%s %v", got, list)
	}
}

func TestWithRefuses(t *testing.T) {
	for _, c := range []struct {
		path   []string
		values []build.Edit
		says   string
	}{
		{[]string{"vehicle", "x", "lamp", "rear"}, nil, `there is a lamp "rear" already`},
		{[]string{"vehicle", "x", "lamp", ""}, nil, "lamp wants a name"},
		{[]string{"vehicle", "x", "lamp"}, nil, "lamp wants a name"},
		{[]string{"vehicle", "y", "lamp", "cab"}, nil, `no vehicle "y"`},
		{[]string{"vehicle", "x", "lmap", "cab"}, nil, `no block "lmap"`},
		{[]string{"decoder", "a", "chip"}, nil, "there is a chip already"},
		{[]string{"decoder", "a", "output", "cab"}, []build.Edit{{Attr: "lamp", Value: "front"}}, "lacks from"},
		{[]string{"decoder", "a", "output", "cab"}, []build.Edit{{Attr: "lamp", Value: "cab"}, {Attr: "from", Value: "PB4"}}, "no lamp of that name"},
		{[]string{"decoder", "a", "output", "cab"}, []build.Edit{{Attr: "lamp", Value: "front"}, {Attr: "from", Value: "PB4"}, {Attr: "series", Value: "5 V"}}, "5 V"},
		{nil, nil, ""},
	} {
		got, list := folderOf(t, blocks, "").With(c.path, c.values)
		if got != nil || len(list) == 0 || !strings.Contains(list.Error(), c.says) {
			t.Errorf("%v: %v %v", c.path, got != nil, list)
		}
	}
}

func TestWithout(t *testing.T) {
	for _, c := range []struct {
		src  string
		path []string
		gone string
	}{
		{blocks, []string{"function", "F0#2"}, "function \"F0\" {\n  direction = \"reverse\"\n  output = \"rear\"\n}\n"},
		{blocks, []string{"vehicle", "x", "lamp", "front", "reading", "1"}, "    reading {\n      track   = \"6 V\" # as shown\n      current = \"3 mA\"\n      meter   = \"yellow\"\n    }\n"},
		{blocks, []string{"train", "want", "1"}, "  want {\n    function = \"F0\"\n    direction = \"forward\"\n    lit = [\"front\", \"x / rear\"]\n  }\n"},
		{blocks, []string{"bench"}, "bench {\n  out_of_reach = \"front.base\"\n}\n"},
		// Its own remark goes with a block that has a name, and one blank line.
		{"format = 1\nvehicle \"x\" {\n  # not this\n\n  # a\n  # b\n  lamp \"front\" {\n  } # c\n\n  lamp \"rear\" {}\n}\n", []string{"vehicle", "x", "lamp", "front"}, "\n  # a\n  # b\n  lamp \"front\" {\n  } # c\n"},
		{"format = 1\nvehicle \"x\" {\n  lamp \"front\" {\n  }\n\n  lamp \"rear\" {}\n}\n", []string{"vehicle", "x", "lamp", "front"}, "  lamp \"front\" {\n  }\n\n"},
		{"format = 1\nvehicle \"x\" {\n  lamp \"front\" {\n  }\n\n  lamp \"rear\" {}\n}\n", []string{"vehicle", "x", "lamp", "rear"}, "\n  lamp \"rear\" {}\n"},
		// What speaks of the whole file stays, and so does a remark that is not a line of its own.
		{"# the whole\nmeter \"m\" {}\nformat = 1\nvehicle \"x\" {\n}\n", []string{"meter", "m"}, "meter \"m\" {}\n"},
		{"format = 1\nvehicle \"x\" {\n}\n/* two\nlines */\n/* one */ meter \"m\" {}\n", []string{"meter", "m"}, "meter \"m\" {}"},
	} {
		for _, end := range []string{"\n", "\r\n"} {
			lines := strings.NewReplacer("\n", end)
			got, list := folderOf(t, lines.Replace(c.src), "").Without(c.path)
			if len(list) > 0 || string(got) != lines.Replace(strings.Replace(c.src, c.gone, "", 1)) {
				t.Errorf("%v: %v\n%q", c.path, list, got)
			}
		}
	}
}

// What is still named stays, and every line that names it is said.
func TestWithoutRefuses(t *testing.T) {
	for _, c := range []struct {
		path  []string
		lines []string
	}{
		{[]string{"vehicle", "x", "lamp", "rear"}, []string{
			`readings.csv:2: lamp "rear" is still named here (lamp = "rear")`,
			`x.fettle:36: lamp "rear" is still named here (lamp = "rear")`,
			`x.fettle:54: lamp "rear" is still named here (lit = "x / rear")`}},
		{[]string{"decoder", "a", "output", "front"}, []string{
			`x.fettle:43: output "front" is still named here (output = "front")`,
			`x.fettle:58: output "front" is still named here (out_of_reach = "front.base")`}},
		{[]string{"meter", "yellow"}, []string{
			`readings.csv:2: meter "yellow" is still named here (meter = "yellow")`,
			`readings.csv:5: meter "yellow" is still named here (meter = "yellow")`,
			`x.fettle:14: meter "yellow" is still named here (meter = "yellow")`}},
		{[]string{"lamp", "rear"}, []string{`x.fettle:1: lamp rear: the build file has no block "lamp"`}},
		{nil, []string{"x.fettle:1: : "}},
	} {
		got, list := folderOf(t, blocks, blocksReadings).Without(c.path)
		var lines []string
		for _, p := range list {
			lines = append(lines, fmt.Sprintf("%s:%d: %s", p.Range.File, p.Range.Start.Line, p.Message))
		}
		if got != nil || !slices.Equal(lines, c.lines) {
			t.Errorf("%v:\n%s", c.path, strings.Join(lines, "\n"))
		}
	}
	if got, list := folderOf(t, "format = 1\nvehicle \"x\" {\n}\n", "").Without([]string{"vehicle", "x"}); got != nil || !strings.Contains(list.Error(), "lacks a vehicle block") {
		t.Errorf("%s %v", got, list)
	}
}

func TestStruck(t *testing.T) {
	got, list := folderOf(t, blocks, "").Struck([]string{"vehicle", "x", "lamp", "front", "reading", "1"})
	want := strings.NewReplacer("    reading {\n      track   = \"6 V\"", "    # reading {\n      # track   = \"6 V\"", "      current = \"3 mA\"\n      meter   = \"yellow\"\n    }", "      # current = \"3 mA\"\n      # meter   = \"yellow\"\n    # }").Replace(blocks)
	if len(list) > 0 || string(got) != want {
		t.Errorf("%v\n%s", list, diffLines(want, string(got)))
	}
	for _, c := range []struct {
		line      int
		src, want string
	}{
		{2, "a\r\nb\r\nc", "a\r\n# b\r\nc"},
		{1, "\ufeffa\nb\n", "\ufeff# a\nb\n"},
		{3, "a\nb\n", ""},
	} {
		got, err := build.StruckRow([]byte(c.src), c.line)
		if string(got) != c.want || (err == nil) != (c.want != "") {
			t.Errorf("%q, line %d: %q %v", c.src, c.line, got, err)
		}
	}
}

func TestRenamed(t *testing.T) {
	for _, c := range []struct {
		path []string
		name string
		file []string // old and new, in turn
		rows []string
	}{
		{[]string{"vehicle", "x", "lamp", "front"}, "cab", []string{`lamp "front"`, `lamp "cab"`, `lamp = "front"`, `lamp = "cab"`, `"rear", "front"`, `"rear", "cab"`, `lit = ["front"`, `lit = ["cab"`}, []string{",front,", ",cab,"}},
		{[]string{"vehicle", "x"}, `tram "2"`, []string{`vehicle "x"`, `vehicle "tram \"2\""`, `"x / rear"`, `"tram \"2\" / rear"`}, nil},
		{[]string{"meter", "yellow"}, "grey, old", []string{`meter "yellow"`, `meter "grey, old"`, `= "yellow"`, `= "grey, old"`}, []string{",yellow", `,"grey, old"`}},
		{[]string{"decoder", "a", "output", "front"}, "cab", []string{`output "front"`, `output "cab"`, `output    = ["front"`, `output    = ["cab"`, `"front.base"`, `"cab.base"`}, nil},
		{[]string{"decoder", "a"}, "b", []string{`decoder "a"`, `decoder "b"`}, nil},
		{[]string{"function", "F0#2"}, "F1", []string{"function \"F0\" {\n  direction = \"reverse\"", "function \"F1\" {\n  direction = \"reverse\""}, nil},
	} {
		got, list := folderOf(t, blocks, blocksReadings).Renamed(c.path, c.name)
		if want := strings.NewReplacer(c.file...).Replace(blocks); len(list) > 0 || string(got["x.fettle"]) != want {
			t.Errorf("%v: %v\n%s", c.path, list, diffLines(want, string(got["x.fettle"])))
		}
		want := ""
		if c.rows != nil {
			want = strings.NewReplacer(c.rows...).Replace(blocksReadings)
		}
		if string(got["readings.csv"]) != want {
			t.Errorf("%v: %q", c.path, got["readings.csv"])
		}
	}
	for _, c := range []struct {
		path       []string
		name, says string
	}{
		{[]string{"vehicle", "x", "lamp", "front"}, "rear", "each needs a name of its own"},
		{[]string{"vehicle", "x", "lamp", "rear"}, "tail", "a bench reading speaks of lamp"},
		{[]string{"decoder", "a", "output", "rear"}, "tail", "a bench reading speaks of output"},
		{[]string{"function", "F0"}, "F99", "F0 to F68"},
		{[]string{"meter", "yellow"}, " ", "meter wants a name"},
		{[]string{"decoder", "a", "chip"}, "b", "no name of its own"},
		{[]string{"meter", "green"}, "b", `no meter "green"`},
	} {
		if got, list := folderOf(t, blocks, blocksReadings).Renamed(c.path, c.name); got != nil || !strings.Contains(list.Error(), c.says) {
			t.Errorf("%v to %q: %v %v", c.path, c.name, got != nil, list)
		}
	}
}

// Whatever is taken out of a demo, one piece of the file goes and every other byte stays; whatever is added and taken out again
// leaves the file as it was; a name that is changed and changed back, too.
func TestBlocksComeAndGo(t *testing.T) {
	var folders []*build.Folder
	for _, name := range examples.Names {
		f, list, err := build.OpenFS(examples.FS, name)
		if err != nil || f.Build == nil {
			t.Fatal(err, list)
		}
		folders = append(folders, f)
	}
	with := func(f *build.Folder, files map[string][]byte) *build.Folder {
		g := *f
		g.Sources = maps.Clone(f.Sources)
		maps.Copy(g.Sources, files)
		var list any
		if g.Build, list = build.Load(f.File, g.Sources[f.File], build.Beside{ReadingsFile: f.ReadingsFile, Readings: g.Sources[f.ReadingsFile], Drawer: f.Build.Drawer}); g.Build == nil {
			t.Fatalf("%v\n%s", list, g.Sources[f.File])
		}
		return &g
	}
	taken, kept := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		f := folders[rapid.IntRange(0, len(folders)-1).Draw(t, "demo")]
		src := f.Build.Source
		name := rapid.SampledFrom([]string{"new one", `a "b"`, "x", "ü/1"}).Draw(t, "name")
		switch rapid.SampledFrom([]string{"take", "take", "add", "rename"}).Draw(t, "what") {
		case "take":
			path := rapid.SampledFrom(build.Blocks(f.File, src)).Draw(t, "block")
			if rapid.Bool().Draw(t, "its parent") && len(path) > 3 {
				path = path[:2]
			}
			got, list := f.Without(path)
			if (got == nil) != (len(list) > 0) {
				t.Fatalf("a result and problems, or neither: %v", list)
			}
			for _, p := range list {
				if n := len(f.Sources[p.Range.File]); p.Range.Start.Byte > n || p.Range.Start.Line < 1 {
					t.Fatalf("%v lies outside", p)
				}
			}
			if kept++; got == nil {
				return
			}
			taken, kept = taken+1, kept-1
			head := 0
			for head < len(got) && src[head] == got[head] {
				head++
			}
			if !bytes.HasSuffix(src, got[head:]) {
				t.Fatalf("more than one piece changed:\n%s", got)
			}
			with(f, map[string][]byte{f.File: got})
		case "add":
			made := rapid.SampledFrom([][]string{{"vehicle", f.Build.Vehicles[0].Name.Text, "lamp", name}, {"meter", name}, {"supply", name}}).Draw(t, "made")
			got, list := f.With(made, nil)
			if len(list) > 0 {
				t.Fatal(list)
			}
			if back, list := with(f, map[string][]byte{f.File: got}).Without(made); len(list) > 0 || !bytes.Equal(back, src) {
				t.Fatalf("%v: %v\n%s", made, list, diffLines(string(src), string(back)))
			}
		case "rename":
			v := f.Build.Vehicles[0]
			of := rapid.SampledFrom([][]string{{"vehicle", v.Name.Text, "lamp", v.Lamps[0].Name.Text}, {"vehicle", v.Name.Text}, {"meter", f.Build.Meters[0].Name.Text},
				{"decoder", f.Build.Decoders[0].Name.Text, "output", f.Build.Decoders[0].Outputs[0].Name.Text}}).Draw(t, "renamed")
			files, list := f.Renamed(of, name)
			if len(list) > 0 {
				t.Fatal(list)
			}
			other := append(slices.Clone(of[:len(of)-1]), name)
			g := with(f, files)
			files, list = g.Renamed(other, of[len(of)-1])
			if len(list) > 0 || files == nil {
				t.Fatal(list)
			}
			for n, data := range files {
				if !bytes.Equal(data, f.Sources[n]) {
					t.Fatalf("%v: %s\n%s", of, n, diffLines(string(f.Sources[n]), string(data)))
				}
			}
		}
	})
	if taken < 10 || kept < 10 {
		t.Errorf("%d were taken out, %d refused: the draw is poor", taken, kept)
	}
}

// Whatever a block is to be called: it is refused, or the file holds it under that name and without it is what it was.
func FuzzBlockNames(f *testing.F) {
	for _, s := range []string{"cab", "", " ", "front", "front#2", "a/b", "\"\n}${%{", "\\", "ü", "#", "x\x00", "nothing"} {
		f.Add(s)
	}
	g := folderOf(f, blocks, blocksReadings)
	f.Fuzz(func(t *testing.T, name string) {
		path := []string{"vehicle", "x", "lamp", name}
		src, list := g.With(path, []build.Edit{{Attr: "leds", Value: "red"}})
		if (src == nil) != (len(list) > 0) {
			t.Fatalf("a result and problems, or neither: %v", list)
		}
		if src != nil {
			h := folderOf(t, string(src), blocksReadings)
			if text, written, _ := build.Value("x.fettle", src, path, "leds"); !written || text != "red" {
				t.Fatalf("%q is not found under its name", name)
			}
			if back, list := h.Without(path); len(list) > 0 || string(back) != blocks {
				t.Fatalf("%q: %v\n%s", name, list, back)
			}
		}
		files, list := g.Renamed([]string{"meter", "yellow"}, name)
		if files != nil && len(list) > 0 {
			t.Fatal("a result and problems")
		}
		if files == nil {
			return
		}
		h := folderOf(t, string(files["x.fettle"]), string(files["readings.csv"]))
		if len(h.Build.Readings) != len(g.Build.Readings) || h.Build.Meters[0].Name.Text != strings.TrimSpace(name) || h.Build.Readings[0].Meter.Text != strings.TrimSpace(name) {
			t.Fatalf("%q: %+v", name, h.Build.Meters)
		}
	})
}
