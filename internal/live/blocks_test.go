package live_test

import (
	"errors"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fettle/internal/build"
	"fettle/internal/diag"
	"fettle/internal/live"
	"fettle/internal/work"
)

// clash is the conflict that a change ran into.
func clash(t testing.TB, err error) *live.Conflict {
	t.Helper()
	var c *live.Conflict
	if !errors.As(err, &c) {
		t.Fatalf("no conflict: %v", err)
	}
	return c
}

// A lamp comes, gets another name and goes; undo takes each back, byte for byte, in both files.
func TestAddRenameTake(t *testing.T) {
	dir := folder(t)
	b := book(t, dir)
	text, readings := read(t, dir, file), read(t, dir, build.ReadingsName)
	cab := []string{"vehicle", "harbour railcar", "lamp", "cab"}
	if _, err := b.Add(cab, []build.Edit{{Attr: "feed", Value: "left rail"}}, ""); err != nil {
		t.Fatal(err)
	}
	if undo, _ := b.Steps(); undo != "lamp cab added" {
		t.Error(undo)
	}
	var list diag.List
	if _, err := b.Add(cab, nil, ""); !errors.As(err, &list) || !strings.Contains(err.Error(), `there is a lamp "cab" already`) {
		t.Error(err)
	}
	if _, err := b.Rename(b.Now().ID, cab, "desk", ""); err != nil || !strings.Contains(read(t, dir, file), `lamp "desk"`) {
		t.Error(err)
	}
	if _, err := b.Take(b.Now().ID, append(cab[:3:3], "desk"), ""); err != nil || read(t, dir, file) != text {
		t.Error(err)
	}
	if _, err := b.Rename(b.Now().ID, []string{"vehicle", "harbour railcar", "lamp", "rear"}, "tail", ""); err != nil {
		t.Fatal(err)
	}
	if got := read(t, dir, build.ReadingsName); got != strings.ReplaceAll(readings, ",rear,", ",tail,") {
		t.Error(got)
	}
	for range 4 {
		if _, err := b.Undo(); err != nil {
			t.Fatal(err)
		}
	}
	if read(t, dir, file) != text || read(t, dir, build.ReadingsName) != readings {
		t.Error("undo left something")
	}
	// What is named stays.
	if _, err := b.Take(b.Now().ID, []string{"vehicle", "harbour railcar", "lamp", "rear"}, ""); !errors.As(err, &list) || len(list) != 5 {
		t.Errorf("%v", err)
	}
	if read(t, dir, file) != text {
		t.Error("a refused change was written")
	}
}

// A block that another hand has changed meanwhile is not taken out; with theirs as the base it is.
func TestTakeConflict(t *testing.T) {
	dir := folder(t)
	b := book(t, dir)
	path := []string{"vehicle", "harbour railcar", "lamp", "front", "reading", "2"}
	base := b.Now().ID
	write(t, dir, file, strings.Replace(read(t, dir, file), "6.09 mA", "6.90 mA", 1))
	_, err := b.Take(base, path, "")
	c := clash(t, err)
	if len(c.Attributes) != 1 || !strings.Contains(c.Attributes[0].Base, "6.09 mA") || !strings.Contains(c.Attributes[0].Theirs, "6.90 mA") || c.Attributes[0].Where() != "reading 2" {
		t.Errorf("%+v", c)
	}
	if c = clash(t, func() error { _, err := b.Take("forgotten", path, ""); return err }()); c.Attributes[0].BaseKnown {
		t.Errorf("%+v", c)
	}
	if rev, err := b.Take(c.Theirs, path, ""); err != nil || len(rev.Folder.Build.Readings) != 7 || !strings.Contains(read(t, dir, file), `# current = "6.90 mA"`) {
		t.Error(err)
	}
	// Elsewhere something may have changed.
	base = b.Now().ID
	write(t, dir, file, strings.Replace(read(t, dir, file), `"2.0 mA"`, `"2.1 mA"`, 1))
	if _, err := b.Take(base, []string{"function", "F0#2"}, ""); err != nil {
		t.Error(err)
	}
}

func TestStrike(t *testing.T) {
	dir := folder(t)
	b := book(t, dir)
	was := read(t, dir, build.ReadingsName)
	line := 1 + strings.Count(was[:strings.Index(was, "written down in a hurry")], "\n")
	key := live.RowKey([]byte(was), line)
	write(t, dir, build.ReadingsName, "# one line more\n"+was) // it has moved
	rev, err := b.Strike(key, "")
	if err != nil || len(rev.Folder.Build.Readings) != 7 {
		t.Fatal(err)
	}
	if got := read(t, dir, build.ReadingsName); got != "# one line more\n"+strings.Replace(was, "2026-02-15,rear,bench,6.99 V", "# 2026-02-15,rear,bench,6.99 V", 1) {
		t.Error(got)
	}
	_, err = b.Strike(key, "")
	if c := clash(t, err); c.File != build.ReadingsName {
		t.Errorf("%+v", c)
	}
	for _, key := range []string{"", "x", "-3-aa", "0-aa", "99-" + key[2:]} {
		if _, err := b.Strike(key, ""); err == nil {
			t.Errorf("%q struck", key)
		}
	}
	// The header cannot go: the readings under it would be lost.
	now := read(t, dir, build.ReadingsName)
	if _, err := b.Strike(live.RowKey([]byte(now), 3), ""); err == nil || read(t, dir, build.ReadingsName) != now {
		t.Error("the header was struck out")
	}
}

func TestDrawer(t *testing.T) {
	dir := folder(t)
	b := book(t, dir)
	was := read(t, dir, build.DrawerName)
	at := func(text string) string {
		now := read(t, dir, build.DrawerName)
		return live.RowKey([]byte(now), 1+strings.Count(now[:strings.Index(now, text)], "\n"))
	}
	if _, err := b.Drawer(live.DrawerRow{Key: at("MMBT3904,"), Cells: map[string]string{"part": "MMBT3904", "count": "46"}}, ""); err != nil {
		t.Fatal(err)
	}
	if got := read(t, dir, build.DrawerName); got != strings.Replace(was, "SOT-23,48,", "SOT-23,46,", 1) {
		t.Error("more than the count has changed")
	}
	if undo, _ := b.Steps(); undo != "drawer: MMBT3904 changed" {
		t.Error(undo)
	}
	if _, err := b.Drawer(live.DrawerRow{Cells: map[string]string{"value": "910 Ω", "kind": "resistor", "package": "0805", "count": "10"}}, ""); err != nil || !strings.HasSuffix(read(t, dir, build.DrawerName), ",910 Ω,resistor,0805,10,,,,,,\n") {
		t.Error(err)
	}
	if _, err := b.Drawer(live.DrawerRow{Key: at(",910 Ω"), Out: true}, ""); err != nil {
		t.Error(err)
	}
	for range 3 {
		if _, err := b.Undo(); err != nil {
			t.Fatal(err)
		}
	}
	if read(t, dir, build.DrawerName) != was {
		t.Error("undo left something")
	}
	for what, r := range map[string]live.DrawerRow{
		"a count":      {Key: at("MMBT3904,"), Cells: map[string]string{"count": "-3"}},
		"a remark":     {Cells: map[string]string{"part": "#1", "count": "2"}},
		"a column":     {Cells: map[string]string{"part": "BC847B", "gain": "2"}},
		"what is used": {Key: "1-000000000000", Out: true},
	} {
		if _, err := b.Drawer(r, ""); err == nil || read(t, dir, build.DrawerName) != was {
			t.Errorf("%s: %v", what, err)
		}
	}
	// A part that is described in the drawer alone cannot go while a build of the shelf names it.
	write(t, dir, build.DrawerName, "part,count,polarity,vceo,ic_max,hfe_points,vcesat_points\nMine 1,5,npn,40 V,200 mA,10 mA / 1 V: 100 .. 300,10 mA / 1 mA: 0.2 V\nBC847B,3,,,,,\n")
	write(t, dir, file, strings.Replace(read(t, dir, file), "MMBT3904", "Mine 1", 1))
	var list diag.List
	if _, err := b.Drawer(live.DrawerRow{Key: at("Mine 1"), Out: true}, ""); !errors.As(err, &list) || !strings.Contains(err.Error(), "with that change, in harbour-railcar.fettle") {
		t.Errorf("%v", err)
	}
	if _, err := b.Drawer(live.DrawerRow{Key: at("BC847B"), Out: true}, ""); err != nil {
		t.Error(err)
	}
	// Without a drawer there is one.
	if err := os.Remove(filepath.Join(dir, build.DrawerName)); err != nil {
		t.Fatal(err)
	}
	write(t, dir, file, strings.Replace(read(t, dir, file), "Mine 1", "MMBT3904", 1))
	if rev, err := b.Drawer(live.DrawerRow{Cells: map[string]string{"part": "BC847B", "count": "3"}}, ""); err != nil || rev.Folder.Build.Drawer == nil || read(t, dir, build.DrawerName) != "part,count\nBC847B,3\n" {
		t.Error(err)
	}
}

// The demos, which lie in memory, are changed in the same ways, and back.
func TestMakingInMemory(t *testing.T) {
	s := live.Demo(&work.Runner{Samples: 20, Cache: cache})
	defer s.Close()
	for _, b := range s.Books() {
		was := maps.Clone(b.Now().Sources)
		f := b.Now().Folder
		v := f.Build.Vehicles[0]
		var drawer, readings string
		for name := range was {
			switch filepath.Base(name) {
			case build.DrawerName:
				drawer = name
			case build.ReadingsName:
				readings = name
			}
		}
		done := 0
		try := func(what string, _ *live.Revision, err error) {
			t.Helper()
			if done++; err != nil {
				t.Errorf("%s, %s: %v", b.Name(), what, err)
			}
		}
		rev, err := b.Add([]string{"vehicle", v.Name.Text, "lamp", "new"}, nil, "")
		try("add", rev, err)
		rev, err = b.Rename(b.Now().ID, []string{"vehicle", v.Name.Text, "lamp", v.Lamps[0].Name.Text}, "other", "")
		try("rename", rev, err)
		rev, err = b.Take(b.Now().ID, []string{"vehicle", v.Name.Text, "lamp", "new"}, "")
		try("take", rev, err)
		it := f.Build.Drawer.Items[0]
		rev, err = b.Drawer(live.DrawerRow{Key: live.RowKey(was[drawer], it.Range.Start.Line), Cells: map[string]string{"count": "1"}}, "")
		try("drawer", rev, err)
		if readings != "" {
			rev, err = b.Strike(live.RowKey(b.Now().Sources[readings], b.Now().Folder.Build.Readings[len(f.Build.Readings)-1].Range.Start.Line), "")
			try("strike", rev, err)
		}
		for range done {
			rev, err = b.Undo()
			try("undo", rev, err)
		}
		for name, data := range was {
			if string(b.Now().Sources[name]) != string(data) {
				t.Errorf("%s: undo left something in %s", b.Name(), name)
			}
		}
	}
}
