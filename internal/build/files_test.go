package build_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"testing/fstest"

	"pgregory.net/rapid"

	"fettle/internal/build"
	"fettle/internal/diag"
	"fettle/internal/unit"
)

const small = `format = 1
vehicle "coal wagon" {
  lamp "front" {
    reading {
      track   = "6 V"
      current = "3 mA"
    }
  }
  lamp "rear" {
  }
}
meter "yellow" {
}
`

func withReadings(t *testing.T, csv string) (*build.Build, diag.List) {
	t.Helper()
	return build.Load("x.fettle", []byte(small), build.Beside{ReadingsFile: "readings.csv", Readings: []byte(csv)})
}

func TestReadingsAreOneList(t *testing.T) {
	b, list := withReadings(t, "date,lamp,track,current,looked\n2026-02-28,rear,\"6,0 V\",2.2 mA,seen\n2026-03-01,front,9 V,5.1 mA,\n")
	if len(list) > 0 {
		t.Fatal(list)
	}
	var got []string
	for _, r := range b.Readings {
		got = append(got, fmt.Sprintf("%s %s %s %s", r.ID, r.Lamp, r.Track.Text, r.Supply))
	}
	want := []string{"front 1 front 6 V smooth dc", "rear 1 rear 6,0 V smooth dc", "front 2 front 9 V smooth dc"}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("got %q, want %q", got, want)
	}
	if b.Readings[1].Track.Value != 6 {
		t.Errorf("decimal comma: %v", b.Readings[1].Track.Value)
	}
	if l, _ := b.Vehicles[0].Lamp("front"); len(l.Readings) != 2 {
		t.Errorf("front has %d readings", len(l.Readings))
	}
}

// Every kind of damage names its line (as a warning) and leaves the others.
func TestDamagedReadings(t *testing.T) {
	const good = "front,9 V,5.1 mA,,"
	for _, c := range []struct{ line, code, message, mend string }{
		{"frnt,9 V,5 mA,,", "name-unknown", `did you mean "front"?`, "front"},
		{"front,9,5 mA,,", "unit", "no unit", "9 V"},
		{"front,,5 mA,,", "reading-voltage", "a current (5 mA) without a voltage", ""},
		{"front,40 V,5 mA,,", "limit", "27 V is the most", ""},
		{"front,9 V,-5 mA,,", "limit", "it cannot be negative", "5 mA"},
		{"front,9 V,5 mA,yelow,", "name-unknown", `did you mean "yellow"?`, "yellow"},
		{"front,9 V,5 mA,,,extra", "column-extra", "stands in no column", ""},
		{`"front,9 V,5 mA,,`, "quotes", "do not pair", ""},
		{",9 V,5 mA,,", "missing", "a reading of what?", ""},
		{"front,9 V,\xff mA,,", "not-text", "not UTF-8", ""},
	} {
		csv := "lamp,track,current,meter,note\n" + good + "\n" + c.line + "\n" + good + "\n"
		b, list := withReadings(t, csv)
		if b == nil || len(b.Readings) != 3 {
			t.Errorf("%s: the good lines are lost: %v", c.line, list)
			continue
		}
		if len(list) != 1 || list[0].Code != c.code || list[0].Severity != diag.Warning || list[0].Range.Start.Line != 3 || !strings.Contains(list[0].Message, c.message) {
			t.Errorf("%s: %v", c.line, list)
			continue
		}
		switch fix := list[0].Fix; {
		case c.mend == "" && fix != nil, c.mend != "" && (fix == nil || fix.Text != c.mend):
			t.Errorf("%s: mend %v, want %q", c.line, fix, c.mend)
		case fix != nil:
			if b, after := withReadings(t, string(list.Apply("readings.csv", []byte(csv)))); len(after) > 0 || len(b.Readings) != 4 {
				t.Errorf("%s: after the mend %v", c.line, after)
			}
		}
	}
}

func TestReadingsHeader(t *testing.T) {
	for _, c := range []struct {
		csv  string
		n    int // readings of the file
		code string
	}{
		{"lamp;track;current\r\nfront;9,5 V;5 mA\r\n", 1, ""},
		{"lamp\ttrack\tcurrent\nfront\t9 V\t5 mA", 1, ""},
		{"\ufefflamp,track,current\n# a remark\n\nfront,9 V,5 mA\n", 1, ""},
		{"sep=;\nlamp;track;current\nfront;9 V;5 mA\n", 1, ""},
		{"lamp,track,current\nfront,9 V,5 mA\nlamp,current,track\nfront,5 mA,9 V\n", 2, ""},
		{"lamp,track,current\n,,\n", 0, ""},
		{"", 0, ""},
		{"front,9 V,5 mA\n", 0, "header"},
		{"lamp,trak,current,looked\nfront,9 V,5 mA,\n", 0, "column-unknown"},
		{"lamp,track,track\nfront,9 V,\n", 0, "column-twice"},
		{"\xff\xfel\x00a\x00", 0, "not-text"},
	} {
		b, list := withReadings(t, c.csv)
		if c.code != "" {
			if b != nil || list[0].Code != c.code {
				t.Errorf("%q: %v", c.csv, list)
			}
			continue
		}
		if b == nil || len(list) > 0 || len(b.Readings)-1 != c.n {
			t.Errorf("%q: %v, %v", c.csv, b, list)
		}
	}
}

func TestAppendReading(t *testing.T) {
	path := filepath.Join(t.TempDir(), "readings.csv")
	x := build.Reading{
		Date: "2026-02-28", Lamp: "front", Supply: build.SmoothDC, Track: build.Given(unit.Volt(6)), Current: build.Quantity[unit.Amp]{Text: "3.10 mA"},
		Meter: build.Words("yellow"), Looked: build.Words("good"), Reversed: true, Note: "said \"good\", twice\nand more",
	}
	if err := build.AppendReading(path, x); err != nil {
		t.Fatal(err)
	}
	first, _ := os.ReadFile(path)
	if err := build.AppendReading(path, x, x); err != nil {
		t.Fatal(err)
	}
	second, _ := os.ReadFile(path)
	if !bytes.HasPrefix(second, first) || bytes.Count(second, []byte("\n")) != 4 {
		t.Fatalf("appended:\n%s", second)
	}
	b, list := withReadings(t, string(second))
	if len(list) > 0 {
		t.Fatal(show(list, "readings.csv", second))
	}
	r := b.Readings[3]
	if r.Track.Value != 6 || r.Current.Text != "3.10 mA" || !r.Reversed || r.Note != `said "good", twice and more` || r.Looked.Text != "good" || r.Date != x.Date {
		t.Errorf("read back %+v", r)
	}

	// A torn last line, other columns, other separators: what is there stays, what comes can be read.
	for _, old := range []string{"lamp;track;current\r\nfront;9 V;5 mA\r\n", "lamp,track,current\nfront,9 V,5", "# only a remark"} {
		if err := os.WriteFile(path, []byte(old), 0o644); err != nil {
			t.Fatal(err)
		}
		if err := build.AppendReading(path, x); err != nil {
			t.Fatal(err)
		}
		got, _ := os.ReadFile(path)
		if !bytes.HasPrefix(got, []byte(old)) {
			t.Errorf("%q became %q", old, got)
		}
		b, list := withReadings(t, string(got))
		if b == nil {
			t.Errorf("%q: %v", old, list)
			continue
		}
		if last := b.Readings[len(b.Readings)-1]; last.Note != r.Note {
			t.Errorf("%q: read back %+v", old, last)
		}
	}
	if err := build.AppendReading(filepath.Join(path, "no", "folder"), x); err == nil {
		t.Error("no error for a path that cannot be")
	}
}

// Whatever lies in the file stays byte for byte, and whatever is appended reads back.
func TestAppendKeepsEveryByte(t *testing.T) {
	path := filepath.Join(t.TempDir(), "readings.csv")
	rapid.Check(t, func(t *rapid.T) {
		old := rapid.OneOf(
			rapid.StringMatching(`(lamp[,;]track[,;]current(\r?\n(front|rear)[,;][0-9]{1,2} V[,;][0-9] mA){0,3}\r?\n?)?`),
			rapid.StringMatching(`[a-z,;"# \n\r\t0-9V]{0,60}`),
		).Draw(t, "old")
		if err := os.WriteFile(path, []byte(old), 0o644); err != nil {
			t.Fatal(err)
		}
		x := build.Reading{
			Date: "2026-02-28", Lamp: rapid.SampledFrom([]string{"front", "rear"}).Draw(t, "lamp"),
			Track: build.Given(unit.Volt(rapid.IntRange(1, 27).Draw(t, "volt"))), Current: build.Given(unit.Amp(rapid.IntRange(0, 99).Draw(t, "amp")) / 1000),
			Note: rapid.StringMatching(`[a-z",;#\t äµ]{0,20}`).Draw(t, "note"), ID: rapid.SampledFrom([]string{"", "mine"}).Draw(t, "id"),
		}
		if err := build.AppendReading(path, x); err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(path)
		if err != nil || !bytes.HasPrefix(got, []byte(old)) {
			t.Fatalf("%q became %q", old, got)
		}
		// Read what was added by itself: what was there may hold anything.
		_, added, _ := bytes.Cut(got, []byte(old))
		if !bytes.Contains(added, []byte("date,")) {
			head, _, _ := strings.Cut(strings.TrimPrefix(old, "\ufeff"), "\n")
			added = append([]byte(strings.TrimSuffix(head, "\r")+"\n"), added...)
		}
		b, list := build.Load("x.fettle", []byte(small), build.Beside{ReadingsFile: "readings.csv", Readings: added})
		if b == nil || len(list) > 0 || len(b.Readings) != 2 {
			t.Fatalf("%v\n%q\n%q", list, old, added)
		}
		r := b.Readings[1]
		if r.Lamp != x.Lamp || r.Track.Value != x.Track.Value || r.Current.Value != x.Current.Value || r.Note != strings.TrimSpace(x.Note) {
			t.Fatalf("read back %+v", r)
		}
	})
}

func TestSave(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "x.fettle")
	if err := build.Save(path, []byte("one")); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(path, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := build.Save(path, []byte("two")); err != nil {
		t.Fatal(err)
	}
	got, _ := os.ReadFile(path)
	info, _ := os.Stat(path)
	if string(got) != "two" || runtime.GOOS != "windows" && info.Mode().Perm() != 0o600 {
		t.Errorf("%q %v", got, info.Mode())
	}
	if runtime.GOOS != "windows" {
		link := filepath.Join(dir, "link.fettle")
		if err := os.Symlink(path, link); err != nil {
			t.Fatal(err)
		}
		if err := build.Save(link, []byte("three")); err != nil {
			t.Fatal(err)
		}
		if info, _ := os.Lstat(link); info.Mode()&os.ModeSymlink == 0 {
			t.Error("the link is gone")
		}
		if got, _ := os.ReadFile(path); string(got) != "three" {
			t.Errorf("behind the link: %q", got)
		}
		if err := os.Chmod(path, 0o400); err != nil {
			t.Fatal(err)
		}
		if err := build.Save(path, []byte("four")); err == nil {
			t.Error("a write-protected file was replaced")
		}
	}
	if err := build.Save(dir, nil); err == nil {
		t.Error("a folder was replaced")
	}
	if err := build.Save(filepath.Join(dir, "none", "x.fettle"), nil); err == nil {
		t.Error("no error for a folder that is not there")
	}
	entries, _ := os.ReadDir(dir)
	for _, e := range entries {
		if strings.HasSuffix(e.Name(), ".tmp") {
			t.Errorf("%s was left", e.Name())
		}
	}
}

func TestFolder(t *testing.T) {
	const drawer = "part,value,count\n,1 kΩ,9\n"
	fsys := fstest.MapFS{
		"drawer.csv":            {Data: []byte(drawer)},
		"one/a.fettle":          {Data: []byte(small)},
		"one/readings.csv":      {Data: []byte("lamp,track,current\nfront,9 V,5 mA\n")},
		"two/a.fettle":          {Data: []byte(small)},
		"two/b.fettle":          {Data: []byte(small)},
		"none/readings.csv":     {Data: []byte("")},
		"bad/a.fettle":          {Data: []byte(strings.Replace(small, "format = 1", "format = 2", 1))},
		"deep/er/a.fettle":      {Data: []byte(small)},
		"own/a.fettle":          {Data: []byte(small)},
		"own/drawer.csv":        {Data: []byte(drawer + ",2.2 kΩ,9\n")},
		"hidden/.a.fettle":      {Data: []byte(small)},
		"hidden/b.fettle":       {Data: []byte(small)},
		"one/sub/c.fettle":      {Data: []byte(small)},
		"directory.fettle/none": {Data: nil},
	}
	for _, c := range []struct {
		dir, code, drawer string
		readings, items   int
	}{
		{"one", "", "drawer.csv", 2, 1},
		{"two", "folder-several", "", 0, 0},
		{"none", "folder-empty", "", 0, 0},
		{"directory.fettle", "folder-empty", "", 0, 0},
		{"bad", "limit", "drawer.csv", 0, 1},
		{"deep/er", "", "", 1, 0},
		{"own", "", "own/drawer.csv", 1, 2},
		{"hidden", "", "drawer.csv", 1, 1},
	} {
		f, list, err := build.OpenFS(fsys, c.dir)
		if err != nil {
			t.Errorf("%s: %v", c.dir, err)
			continue
		}
		if c.code != "" {
			if len(list) == 0 || list[0].Code != c.code || f != nil && f.Build != nil {
				t.Errorf("%s: %v", c.dir, list)
			}
			continue
		}
		if len(list) > 0 || f.Build == nil || f.DrawerFile != c.drawer || len(f.Build.Readings) != c.readings {
			t.Errorf("%s: %v %+v", c.dir, list, f)
			continue
		}
		items := 0
		if f.Build.Drawer != nil {
			items = len(f.Build.Drawer.Items)
		}
		if items != c.items || f.Sources[f.File] == nil {
			t.Errorf("%s: %d items, want %d", c.dir, items, c.items)
		}
	}
	if _, _, err := build.OpenFS(fsys, "nowhere"); err == nil {
		t.Error("no error for a folder that is not there")
	}

	dir := t.TempDir()
	file := filepath.Join(dir, "wagon.fettle")
	if err := os.WriteFile(file, []byte(small), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{dir, file} {
		if f, list, err := build.Open(path); err != nil || len(list) > 0 || f.File != file {
			t.Errorf("%s: %v %v", path, list, err)
		}
	}
	if _, list, err := build.Open(filepath.Join(dir, "wagn.fettle")); err != nil || len(list) != 1 || !strings.Contains(list[0].Message, `did you mean "wagon.fettle"?`) {
		t.Errorf("a misspelt file: %v %v", list, err)
	}
	if _, _, err := build.Open(filepath.Join(dir, "nowhere")); err == nil {
		t.Error("no error for a folder that is not there")
	}
}
