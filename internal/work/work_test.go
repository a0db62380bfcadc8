package work_test

import (
	"bytes"
	"context"
	"encoding/gob"
	"os"
	"path/filepath"
	"testing"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/work"
)

func demo(t testing.TB) *build.Folder {
	t.Helper()
	f, list, err := build.OpenFS(examples.FS, examples.Demo)
	if err != nil || list.HasErrors() {
		t.Fatal(err, list)
	}
	return f
}

func encoded(t testing.TB, f finding.Findings) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := gob.NewEncoder(&b).Encode(f); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func proved(t testing.TB, r *work.Runner, f *build.Folder) work.Proved {
	t.Helper()
	p, err := r.Prove(context.Background(), f, false)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// An answer from the cache is the answer; a damaged cache costs time and nothing else.
func TestCache(t *testing.T) {
	dir := t.TempDir()
	fresh := encoded(t, proved(t, &work.Runner{Samples: 300}, demo(t)).Findings)
	r := &work.Runner{Samples: 300, Cache: dir}
	first := encoded(t, proved(t, r, demo(t)).Findings)
	kept, _ := filepath.Glob(filepath.Join(dir, "*.gob"))
	if len(kept) != 3 {
		t.Fatalf("%d answers kept, want survey, choose and prove", len(kept))
	}
	second := encoded(t, proved(t, r, demo(t)).Findings)
	if !bytes.Equal(fresh, first) || !bytes.Equal(first, second) {
		t.Error("the cache changes the answer")
	}
	for _, path := range kept {
		if err := os.WriteFile(path, []byte("torn"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if third := encoded(t, proved(t, r, demo(t)).Findings); !bytes.Equal(first, third) {
		t.Error("a damaged cache changes the answer")
	}
}

// A changed file is another question.
func TestCacheFollowsContent(t *testing.T) {
	r := &work.Runner{Samples: 300, Cache: t.TempDir()}
	f := demo(t)
	before := proved(t, r, f)
	src := bytes.Replace(f.Build.Source, []byte(`good        = "2.0 mA"`), []byte(`good        = "2.4 mA"`), 1)
	if bytes.Equal(src, f.Build.Source) {
		t.Fatal("the demo no longer says good = 2.0 mA")
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
	changed, list, err := build.Open(dir)
	if err != nil || list.HasErrors() {
		t.Fatal(err, list)
	}
	after := proved(t, r, changed)
	if before.Revision == after.Revision || bytes.Equal(encoded(t, before.Findings), encoded(t, after.Findings)) {
		t.Error("another good current gave the same answer")
	}
}

func TestCancelledKeepsNothing(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	r := &work.Runner{Cache: t.TempDir(), Progress: func(string, int, int) { cancel() }}
	if _, err := r.Prove(ctx, demo(t), false); err == nil {
		t.Fatal("cancelled in the middle of the samples, yet no error")
	}
	kept, _ := filepath.Glob(filepath.Join(r.Cache, "*"))
	if len(kept) != 2 {
		t.Errorf("%v kept, want survey and choose alone", kept)
	}
}

func TestProgressReachesTheEnd(t *testing.T) {
	last, total := 0, 0
	r := &work.Runner{Samples: 2000, Progress: func(_ string, done, of int) {
		if done < last {
			t.Errorf("progress went back from %d to %d", last, done)
		}
		last, total = done, of
	}}
	proved(t, r, demo(t))
	if total < 2000 || last < total-200 {
		t.Errorf("progress ended at %d of %d", last, total)
	}
}

// BenchmarkColdProve is what `fettle prove` computes on the demo, without any cache.
func BenchmarkColdProve(b *testing.B) {
	f := demo(b)
	b.ReportAllocs()
	for b.Loop() {
		proved(b, &work.Runner{}, f)
	}
}
