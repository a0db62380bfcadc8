package work_test

import (
	"bytes"
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"fettle/internal/build"
	"fettle/internal/work"
)

// changed is the demo with one text for another in its build file.
func changed(t testing.TB, from, to string) *build.Folder {
	t.Helper()
	f := demo(t)
	src := bytes.Replace(f.Build.Source, []byte(from), []byte(to), 1)
	if bytes.Equal(src, f.Build.Source) {
		t.Fatalf("the demo no longer says %q", from)
	}
	dir := t.TempDir()
	for name, data := range f.Sources {
		if name == f.File {
			data = src
		}
		if err := os.WriteFile(filepath.Join(dir, filepath.Base(name)), data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	c, list, err := build.Open(dir)
	if err != nil || list.HasErrors() {
		t.Fatal(err, list)
	}
	return c
}

// A change asks anew what depends on it and nothing else; whatever is answered from the cache is what would have been computed.
func TestKeys(t *testing.T) {
	for _, x := range []struct {
		name, from, to string
		anew           int // questions that are asked anew, of survey, choose and prove
	}{
		{"nothing", "format = 1", "format = 1", 0},
		{"a comment at the end of a line", "never_above = \"12 mA\"", "never_above = \"12 mA\" # a word", 1}, // places have moved: choose
		{"a function", `direction = "reverse"`, `direction = "forward"`, 1},                                  // places again
		{"the light", `good        = "2.0 mA"`, `good        = "2.4 mA"`, 2},
		{"the chip", `clock`, `brown_out = "2.7 V"` + "\n    clock", 2},
		{"the track", `usual = "14 V"`, `usual = "13 V"`, 3},
		{"a limit of the lamp", `never_above = "12 mA"`, `never_above = "11 mA"`, 3},
		{"a reading", `current = "10.96 mA"`, `current = "10.97 mA"`, 3},
	} {
		t.Run(x.name, func(t *testing.T) {
			r := &work.Runner{Samples: 20, Cache: t.TempDir()}
			proved(t, r, demo(t))
			before, _ := filepath.Glob(filepath.Join(r.Cache, "*.gob"))
			f := demo(t)
			if x.from != x.to {
				f = changed(t, x.from, x.to)
			}
			got := proved(t, r, f)
			after, _ := filepath.Glob(filepath.Join(r.Cache, "*.gob"))
			if n := len(after) - len(before); n != x.anew {
				t.Errorf("%d questions were asked anew, want %d", n, x.anew)
			}
			fresh := proved(t, &work.Runner{Samples: 20}, f)
			if !bytes.Equal(encoded(t, got.All()), encoded(t, fresh.All())) || got.Revision != fresh.Revision {
				t.Error("the answer from the cache is another")
			}
			for i, d := range got.Build.Decoders {
				if !reflect.DeepEqual(d.Range, fresh.Build.Decoders[i].Range) || d.Outputs[0].Series != fresh.Build.Decoders[i].Outputs[0].Series {
					t.Errorf("decoder %s is another, or stands elsewhere", d.Name.Text)
				}
			}
		})
	}
}

// The content has one name wherever the folder lies.
func TestRevisionIsOfTheContent(t *testing.T) {
	r := &work.Runner{Samples: 20}
	if a, b := proved(t, r, demo(t)), proved(t, r, changed(t, "format = 1", "format = 1 ")); a.Revision == b.Revision {
		t.Error("two contents have one name")
	}
	a, b := changed(t, "format = 1", "format = 1 "), changed(t, "format = 1", "format = 1 ")
	if x, y := proved(t, r, a), proved(t, r, b); a.Dir == b.Dir || x.Revision != y.Revision {
		t.Error("one content has two names")
	}
}
