package live_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/diag"
	"fettle/internal/experiment"
	"fettle/internal/finding"
	"fettle/internal/live"
	"fettle/internal/work"
)

// folder is a copy of the demo on the disk.
func folder(t testing.TB) string {
	t.Helper()
	dir := t.TempDir()
	entries, err := fs.ReadDir(examples.FS, examples.Demo)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		data, err := fs.ReadFile(examples.FS, examples.Demo+"/"+e.Name())
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, e.Name()), data, 0o644)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func shelf(t testing.TB, dir string) *live.Shelf {
	t.Helper()
	s, err := live.OpenShelf(dir, &work.Runner{Samples: 20, Cache: cache})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func book(t testing.TB, dir string) *live.Book {
	t.Helper()
	b, ok := shelf(t, dir).Book(examples.Demo)
	if !ok {
		t.Fatal("the demo is not on the shelf")
	}
	return b
}

const file = examples.Demo + build.Suffix

func read(t testing.TB, dir, name string) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

func write(t testing.TB, dir, name, text string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

var lamp = []string{"vehicle", "harbour railcar", "lamp", "front"}

func good(value string) build.Edit { return build.Edit{Path: lamp, Attr: "good", Value: value} }
func seen(value string) build.Edit { return build.Edit{Path: lamp, Attr: "seen", Value: value} }

func value(t testing.TB, b *live.Book, attr string) string {
	t.Helper()
	text, _, _ := build.Value(file, b.Now().Sources[file], lamp, attr)
	return text
}

// next waits for an event of a kind.
func next(t testing.TB, events <-chan live.Event, kind live.Kind) live.Event {
	t.Helper()
	late := time.After(time.Minute)
	for {
		select {
		case e, ok := <-events:
			if !ok {
				t.Fatalf("the events ended before a %s", kind)
			}
			if e.Kind == kind {
				return e
			}
		case <-late:
			t.Fatalf("no %s", kind)
		}
	}
}

// An edit replaces one value, on the disk and in the newest revision; undo and redo bring the bytes back.
func TestEditUndoRedo(t *testing.T) {
	dir := folder(t)
	b := book(t, dir)
	first, text := b.Now(), read(t, dir, file)
	rev, err := b.Edit(first.ID, []build.Edit{good("2.2 mA")}, "")
	if err != nil {
		t.Fatal(err)
	}
	edited := read(t, dir, file)
	if want := strings.Replace(text, `good        = "2.0 mA"`, `good        = "2.2 mA"`, 1); edited != want || want == text {
		t.Errorf("the file is\n%s", edited)
	}
	if rev.Number != 2 || rev.By != live.Here || rev.ID == first.ID || b.Now() != rev || string(rev.Sources[file]) != edited {
		t.Errorf("revision %d by %s", rev.Number, rev.By)
	}
	if undo, redo := b.Steps(); undo != "good of lamp front = 2.2 mA" || redo != "" {
		t.Errorf("undo %q, redo %q", undo, redo)
	}
	if rev, err = b.Undo(); err != nil || rev.ID != first.ID || read(t, dir, file) != text {
		t.Errorf("undone: %v", err)
	}
	if _, err := b.Undo(); !errors.Is(err, live.ErrNoStep) {
		t.Errorf("a second undo: %v", err)
	}
	if _, err = b.Redo(); err != nil || read(t, dir, file) != edited {
		t.Errorf("done again: %v", err)
	}
	// A new change takes the way forward away.
	if _, err := b.Undo(); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Edit(first.ID, []build.Edit{seen("0.7 mA")}, "still clearly lit"); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Redo(); !errors.Is(err, live.ErrNoStep) {
		t.Errorf("redo after a new change: %v", err)
	}
}

// A wrong value is refused in the words of the checks, and nothing is written.
func TestWrongValueIsRefused(t *testing.T) {
	dir := folder(t)
	b := book(t, dir)
	text := read(t, dir, file)
	_, err := b.Edit(b.Now().ID, []build.Edit{good("2.2 V")}, "")
	var list diag.List
	if !errors.As(err, &list) || len(list) == 0 || list[0].Range.Start.Line == 0 {
		t.Errorf("%v", err)
	}
	if read(t, dir, file) != text || b.Now().Number != 1 {
		t.Error("a wrong value was written")
	}
}

// Two hands on different attributes: both stand. On the same one: a conflict with all three values, and nothing is written.
func TestConflict(t *testing.T) {
	dir := folder(t)
	b := book(t, dir)
	base := b.Now().ID
	write(t, dir, file, strings.Replace(read(t, dir, file), `good        = "2.0 mA"`, `good        = "1.8 mA"`, 1))
	// The form sends all its fields; of these only seen was touched.
	if _, err := b.Edit(base, []build.Edit{good("2.0 mA"), seen("0.7 mA")}, ""); err != nil {
		t.Fatal(err)
	}
	if g, s := value(t, b, "good"), value(t, b, "seen"); g != "1.8 mA" || s != "0.7 mA" {
		t.Errorf("good %s, seen %s", g, s)
	}
	text := read(t, dir, file)
	_, err := b.Edit(base, []build.Edit{good("2.4 mA")}, "")
	var c *live.Conflict
	if !errors.As(err, &c) || len(c.Attributes) != 1 {
		t.Fatalf("%v", err)
	}
	if a := c.Attributes[0]; a.Base != "2.0 mA" || a.Theirs != "1.8 mA" || a.Mine != "2.4 mA" || a.Where() != "good of lamp front" || !a.BaseKnown {
		t.Errorf("%+v", a)
	}
	if read(t, dir, file) != text {
		t.Error("a conflict was written")
	}
	// Mine all the same.
	if _, err := b.Edit(c.Theirs, []build.Edit{good("2.4 mA")}, ""); err != nil || value(t, b, "good") != "2.4 mA" {
		t.Errorf("%v", err)
	}
	// The same by both is no conflict; a base that nobody remembers is one, unless nothing differs.
	if _, err := b.Edit(base, []build.Edit{good("2.4 mA")}, ""); err != nil {
		t.Errorf("the same value twice: %v", err)
	}
	if _, err := b.Edit("forgotten", []build.Edit{good("2.3 mA")}, ""); !errors.As(err, &c) || c.Attributes[0].BaseKnown {
		t.Errorf("a forgotten base: %v", err)
	}
	// A block that is gone.
	base = b.Now().ID
	write(t, dir, file, strings.ReplaceAll(read(t, dir, file), `lamp "front" {`, `lamp "forward" {`))
	if _, err := b.Edit(base, []build.Edit{good("2.3 mA")}, ""); !errors.As(err, &c) && err == nil {
		t.Error("an edit of a block that is gone")
	}
}

// What was changed outside is not undone.
func TestUndoAfterOutsideChange(t *testing.T) {
	dir := folder(t)
	b := book(t, dir)
	if _, err := b.Edit(b.Now().ID, []build.Edit{good("2.2 mA")}, ""); err != nil {
		t.Fatal(err)
	}
	theirs := strings.Replace(read(t, dir, file), `seen        = "0.6 mA"`, `seen        = "0.8 mA"`, 1)
	write(t, dir, file, theirs)
	_, err := b.Undo()
	var c *live.Conflict
	if !errors.As(err, &c) || read(t, dir, file) != theirs {
		t.Fatalf("%v", err)
	}
	if len(c.Attributes) != 2 || c.Attributes[0].Attr != "good" || c.Attributes[1].Theirs != "0.8 mA" {
		t.Errorf("%+v", c.Attributes)
	}
}

// Twenty hands at once, each on the newest revision it has seen: every acknowledged edit is in the history, in one line.
func TestManyHands(t *testing.T) {
	dir := folder(t)
	b := book(t, dir)
	var wg sync.WaitGroup
	var mu sync.Mutex
	acknowledged, conflicts := 0, 0
	for k := range 20 {
		wg.Go(func() {
			base := b.Now().ID
			_, err := b.Edit(base, []build.Edit{good("2." + string(rune('0'+k/2)) + string(rune('1'+k%2)) + " mA")}, "")
			var c *live.Conflict
			mu.Lock()
			defer mu.Unlock()
			switch {
			case err == nil:
				acknowledged++
			case errors.As(err, &c):
				conflicts++
			default:
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if acknowledged+conflicts != 20 || b.Now().Number != 1+acknowledged {
		t.Errorf("%d acknowledged, %d conflicts, revision %d", acknowledged, conflicts, b.Now().Number)
	}
	if read(t, dir, file) != string(b.Now().Sources[file]) {
		t.Error("the file is not the newest revision")
	}
	for range acknowledged {
		if _, err := b.Undo(); err != nil {
			t.Fatal(err)
		}
	}
	if value(t, b, "good") != "2.0 mA" {
		t.Error("not all was undone")
	}
}

// Readings go behind the file, checked; undo takes them away; nothing else of the file changes.
func TestAppend(t *testing.T) {
	dir := folder(t)
	b := book(t, dir)
	before := len(b.Now().Folder.Build.Readings)
	text := read(t, dir, build.ReadingsName)
	row := map[string]string{"vehicle": "harbour railcar", "lamp": "front", "date": "2026-03-04", "supply": "smooth dc", "track": "6.5 V", "current": "3.3 mA"}
	rev, err := b.Append("", row)
	if err != nil {
		t.Fatal(err)
	}
	if got := read(t, dir, build.ReadingsName); !strings.HasPrefix(got, text) || len(rev.Folder.Build.Readings) != before+1 {
		t.Errorf("%d readings in\n%s", len(rev.Folder.Build.Readings), got)
	}
	wrong := map[string]string{"lamp": "frnt", "track": "6.5 V", "current": "3.3 mA"}
	var list diag.List
	if _, err := b.Append("", wrong); !errors.As(err, &list) || !strings.Contains(list[0].Message, "front") {
		t.Errorf("%v", err)
	}
	if _, err := b.Append("", map[string]string{"curent": "3 mA"}); err == nil || !strings.Contains(err.Error(), "current") {
		t.Errorf("%v", err)
	}
	if _, err := b.Undo(); err != nil || read(t, dir, build.ReadingsName) != text {
		t.Errorf("undone: %v", err)
	}
}

// What a card has taught goes into the drawer and the build file in one step, or into neither; its readings are kept.
func TestLearnAndKeep(t *testing.T) {
	dir := folder(t)
	b := book(t, dir)
	text, drawer := read(t, dir, file), read(t, dir, build.DrawerName)
	l := experiment.Learned{Words: "a gain and a light", Part: "MMBT3904", Cells: map[string]string{"hfe": "201", "hfe_at": "2 mA", "hfe_error": "6 %"}, Edits: []build.Edit{good("2.2 mA")}}
	rev, err := b.Learn(l)
	if err != nil {
		t.Fatal(err)
	}
	if it, ok := rev.Folder.Build.Drawer.Have("MMBT3904"); !ok || !strings.Contains(read(t, dir, build.DrawerName), "201") || value(t, b, "good") != "2.2 mA" {
		t.Errorf("%+v", it)
	}
	if _, err := b.Undo(); err != nil || read(t, dir, file) != text || read(t, dir, build.DrawerName) != drawer {
		t.Errorf("undone: %v", err)
	}
	// The drawer cannot be written: the build file is as it was too.
	if err := os.Chmod(filepath.Join(dir, build.DrawerName), 0o444); err != nil {
		t.Fatal(err)
	}
	now := b.Now()
	var disk *live.DiskError
	if _, err := b.Learn(l); !errors.As(err, &disk) || disk.File != build.DrawerName || read(t, dir, file) != text || b.Now().ID != now.ID {
		t.Errorf("%v", err)
	}
	if undo, redo := b.Steps(); undo != "" || redo != "a gain and a light" {
		t.Errorf("undo %q, redo %q", undo, redo)
	}
	list := []experiment.Reading{{Text: "10k = 0.182 V"}}
	for range 2 {
		if err := b.KeepExperiment("base-drive", "MMBT3904", "yellow", list); err != nil {
			t.Fatal(err)
		}
	}
	if got := read(t, dir, experiment.LogName); strings.Count(got, "10k = 0.182 V") != 2 || strings.Count(got, "date,") != 1 {
		t.Error(got)
	}
}

// One proof for all who wait; the last to go stops it; a change makes a new one.
func TestProved(t *testing.T) {
	s := live.Demo(&work.Runner{Samples: 20, Cache: cache})
	b, _ := s.Book(examples.Demo)
	var got [5]*work.Proved
	var wg sync.WaitGroup
	for k := range got {
		wg.Go(func() {
			p, err := b.Proved(t.Context())
			if err != nil {
				t.Error(err)
			}
			got[k] = p
		})
	}
	wg.Wait()
	for _, p := range got {
		if p != got[0] || p == nil {
			t.Fatal("more than one proof was made")
		}
	}
	if p, ok := b.Known(); !ok || p != got[0] {
		t.Error("the proof is not known")
	}
	before := got[0].Findings.Worst()
	if _, err := b.Edit(b.Now().ID, []build.Edit{good("11 mA")}, ""); err != nil {
		t.Fatal(err)
	}
	if _, ok := b.Known(); ok {
		t.Error("the proof of a changed build is known without work")
	}
	p, err := b.Proved(t.Context())
	if err != nil || before == finding.Fails || p.Findings.Worst() != finding.Fails {
		t.Errorf("%v before, then %v (%v)", before, p.Findings.Worst(), err)
	}
	events := b.Watch(t.Context())
	if _, err := b.Undo(); err != nil {
		t.Fatal(err)
	}
	if p, ok := b.Known(); !ok || p != got[0] {
		t.Error("one step back needs work")
	}
	if e := next(t, events, live.Proven); e.ID != b.Now().ID || e.Verdict != before {
		t.Errorf("who watches is told %+v", e)
	}
}

func TestProvedIsStopped(t *testing.T) {
	b, _ := live.Demo(&work.Runner{Samples: 100000}).Book(examples.Demo)
	events := b.Watch(t.Context())
	ctx, cancel := context.WithCancel(t.Context())
	failed := make(chan error, 1)
	go func() {
		_, err := b.Proved(ctx)
		failed <- err
	}()
	next(t, events, live.Progress)
	cancel()
	if err := <-failed; !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	next(t, events, live.Stopped)
	// Cancel stops it for all.
	go func() {
		_, err := b.Proved(t.Context())
		failed <- err
	}()
	next(t, events, live.Progress)
	b.Cancel()
	if err := <-failed; !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

// Who watches is told of every change and its verdict, wherever it was made.
func TestWatchOutside(t *testing.T) {
	dir := folder(t)
	b := book(t, dir)
	ctx, cancel := context.WithCancel(t.Context())
	events := b.Watch(ctx)
	path := filepath.Join(dir, file)
	text := read(t, dir, file)
	with := func(mA string) string {
		return strings.Replace(text, `good        = "2.0 mA"`, `good        = "`+mA+`"`, 1)
	}
	for _, save := range []struct {
		name string
		mA   string
		save func(text string) error
	}{
		{"in place", "2.1 mA", func(text string) error { return os.WriteFile(path, []byte(text), 0o644) }},
		{"by rename", "2.2 mA", func(text string) error {
			return errors.Join(os.WriteFile(path+"~", []byte(text), 0o644), os.Rename(path+"~", path))
		}},
		{"old one moved away first", "2.3 mA", func(text string) error {
			err := os.Rename(path, path+".bak")
			time.Sleep(100 * time.Millisecond)
			return errors.Join(err, os.WriteFile(path, []byte(text), 0o644))
		}},
		{"emptied first", "2.4 mA", func(text string) error {
			err := os.WriteFile(path, nil, 0o644)
			time.Sleep(100 * time.Millisecond)
			return errors.Join(err, os.WriteFile(path, []byte(text), 0o644))
		}},
		{"in a burst", "2.5 mA", func(text string) error {
			var errs []error
			for range 30 {
				errs = append(errs, os.WriteFile(path, []byte(text), 0o644))
				time.Sleep(3 * time.Millisecond)
			}
			return errors.Join(errs...)
		}},
	} {
		if err := save.save(with(save.mA)); err != nil {
			t.Fatal(err)
		}
		e := next(t, events, live.Changed)
		if e.By != live.Outside || value(t, b, "good") != save.mA || b.Now().ID != e.ID {
			t.Fatalf("%s: by %s, good is %s", save.name, e.By, value(t, b, "good"))
		}
		if p := next(t, events, live.Proven); p.ID != e.ID || p.Verdict == "" {
			t.Errorf("%s: %+v", save.name, p)
		}
	}
	// A slip of the pen is told, and mended.
	write(t, dir, file, with("2.5 V"))
	if e := next(t, events, live.Trouble); !strings.Contains(e.Words, "2.5 V") || b.Now().Folder != nil {
		t.Errorf("%+v", e)
	}
	if _, err := b.Proved(ctx); err == nil {
		t.Error("a broken file was proved")
	}
	write(t, dir, file, text)
	next(t, events, live.Proven)
	// Gone for good, and back.
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	if e := next(t, events, live.Trouble); !strings.Contains(e.Words, "no such build file") {
		t.Errorf("%+v", e)
	}
	if _, err := b.Edit(b.Now().ID, []build.Edit{good("2.2 mA")}, ""); err == nil {
		t.Error("an edit of a file that is gone")
	}
	write(t, dir, file, text)
	next(t, events, live.Changed)
	if b.Now().Folder == nil {
		t.Error("the file is back, the build is not")
	}
	// A reading and the drawer are the build's too.
	write(t, dir, build.ReadingsName, read(t, dir, build.ReadingsName)+"# a remark\n")
	next(t, events, live.Changed)
	cancel()
	for range events {
	}
}

// A save of ours is one revision, and none by another hand.
func TestOwnSavesAreNotOutside(t *testing.T) {
	dir := folder(t)
	b := book(t, dir)
	events := b.Watch(t.Context())
	if _, err := b.Edit(b.Now().ID, []build.Edit{good("2.2 mA")}, ""); err != nil {
		t.Fatal(err)
	}
	next(t, events, live.Proven)
	time.Sleep(500 * time.Millisecond)
	if b.Now().Number != 2 || b.Now().By != live.Here {
		t.Errorf("revision %d by %s", b.Now().Number, b.Now().By)
	}
}

// Builds that come are found; two of one name are told apart; what is hidden is left alone.
func TestShelf(t *testing.T) {
	dir := t.TempDir()
	text, err := fs.ReadFile(examples.FS, examples.Demo+"/"+file)
	if err != nil {
		t.Fatal(err)
	}
	put := func(name string) {
		if err := os.MkdirAll(filepath.Join(dir, filepath.Dir(name)), 0o755); err != nil {
			t.Fatal(err)
		}
		write(t, dir, name, string(text))
	}
	put("one/a.fettle")
	put("two/a.fettle")
	put(".git/b.fettle")
	put("testdata/c.fettle")
	put(".hidden.fettle")
	put("deep/er/d.fettle")
	s := shelf(t, dir)
	names := func() string {
		var list []string
		for _, b := range s.Books() {
			list = append(list, b.Name())
		}
		return strings.Join(list, ", ")
	}
	if got := names(); got != "a, two a" {
		t.Errorf("on the shelf: %s", got)
	}
	put("three/e.fettle")
	for range 100 {
		if time.Sleep(20 * time.Millisecond); names() == "a, e, two a" {
			break
		}
	}
	if got := names(); got != "a, e, two a" {
		t.Errorf("on the shelf: %s", got)
	}
}

// What a killed save left behind is swept once it is old, and nothing else.
func TestLeftovers(t *testing.T) {
	dir := folder(t)
	for _, name := range []string{"." + file + ".123456.tmp", "." + file + ".999.tmp", ".note.txt.1.tmp", "." + file + ".old.tmp"} {
		write(t, dir, name, "half")
		if !strings.Contains(name, "999") {
			if err := os.Chtimes(filepath.Join(dir, name), time.Now(), time.Now().Add(-time.Hour)); err != nil {
				t.Fatal(err)
			}
		}
	}
	shelf(t, dir)
	for name, want := range map[string]bool{"." + file + ".123456.tmp": false, "." + file + ".999.tmp": true, ".note.txt.1.tmp": true, "." + file + ".old.tmp": true} {
		if _, err := os.Stat(filepath.Join(dir, name)); (err == nil) != want {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Nothing outside the folder is read or written by way of a symbolic link; a link inside stays one.
func TestLinks(t *testing.T) {
	outside, dir := folder(t), t.TempDir()
	link := func(to, name string) {
		if err := os.Symlink(to, filepath.Join(dir, name)); err != nil {
			t.Skip("no symbolic links here:", err)
		}
	}
	link(filepath.Join(outside, file), "out.fettle")
	if err := os.Mkdir(filepath.Join(dir, "real"), 0o755); err != nil {
		t.Fatal(err)
	}
	write(t, dir, "real/in.fettle", read(t, outside, file))
	link("real/in.fettle", "in.fettle")
	link(outside, "outside")
	s := shelf(t, dir)
	if b, ok := s.Book("out"); !ok || b.Now().Folder != nil || !strings.Contains(b.Now().Problems.Error(), "escapes") || len(b.Now().Sources) > 0 {
		t.Errorf("a link out of the folder was read")
	}
	if _, ok := s.Book(examples.Demo); ok {
		t.Error("a folder was reached by a link")
	}
	b, ok := s.Book("in")
	if !ok {
		t.Fatal("a link inside is not on the shelf")
	}
	if _, err := b.Edit(b.Now().ID, []build.Edit{good("2.2 mA")}, ""); err != nil {
		t.Fatal(err)
	}
	if info, err := os.Lstat(filepath.Join(dir, "in.fettle")); err != nil || info.Mode()&fs.ModeSymlink == 0 || !strings.Contains(read(t, dir, "real/in.fettle"), "2.2 mA") {
		t.Error("the link did not stay one")
	}
	// Swapped for a link out after it was opened.
	base := b.Now().ID
	if err := errors.Join(os.Remove(filepath.Join(dir, "in.fettle")), os.Symlink(filepath.Join(outside, file), filepath.Join(dir, "in.fettle"))); err != nil {
		t.Fatal(err)
	}
	theirs := read(t, outside, file)
	if _, err := b.Edit(base, []build.Edit{good("2.3 mA")}, ""); err == nil || read(t, outside, file) != theirs {
		t.Errorf("%v", err)
	}
}

// A new folder is written whole or not at all, and nothing is overwritten; a demo can be made one's own.
func TestStartAndCopy(t *testing.T) {
	dir := t.TempDir()
	s := shelf(t, dir)
	if len(s.Books()) != 0 {
		t.Fatal("an empty folder has builds")
	}
	s.AddDemos()
	demo, ok := s.Book(examples.Demo)
	if !ok || !demo.Readonly() || len(s.Books()) != len(examples.Names) {
		t.Fatal("the demos are not on the shelf")
	}
	if _, err := demo.Edit(demo.Now().ID, []build.Edit{good("2.2 mA")}, ""); err != nil {
		t.Fatal(err)
	}
	own, err := s.Copy(demo, "mine")
	if err != nil || own.Readonly() || own == demo {
		t.Fatal(err)
	}
	if got := read(t, dir, "mine/"+file); !strings.Contains(got, "2.2 mA") || own.Now().Folder == nil {
		t.Error("the copy is not what the demo was")
	}
	for _, folder := range []string{"mine", "../beside", "..", ".", ".git", "a/b", `a\b`, "/tmp/x"} {
		if _, err := s.Copy(demo, folder); err == nil && folder != "." {
			t.Errorf("copied into %q", folder)
		}
	}
	if _, err := s.Start("x", []build.NewFile{{Name: "../y.fettle"}}); err == nil {
		t.Error("a file outside its folder")
	}
	if _, err := live.Demo(&work.Runner{}).Start("x", []build.NewFile{{Name: "y.fettle"}}); !errors.Is(err, live.ErrNoFolder) {
		t.Errorf("%v", err)
	}
}

// The whole file, as an editor would.
func TestRewrite(t *testing.T) {
	dir := folder(t)
	b := book(t, dir)
	base, text := b.Now().ID, read(t, dir, file)
	broken := bytes.Replace([]byte(text), []byte(`"2.0 mA"`), []byte(`"2.0 V"`), 1)
	rev, err := b.Rewrite(base, file, broken, "")
	if err != nil || rev.Folder != nil || len(rev.Problems) == 0 || read(t, dir, file) != string(broken) {
		t.Fatal(err)
	}
	var c *live.Conflict
	if _, err := b.Rewrite(base, file, []byte(text), ""); !errors.As(err, &c) || len(c.Attributes) != 1 {
		t.Errorf("%v", err)
	}
	if rev, err := b.Undo(); err != nil || rev.Folder == nil || read(t, dir, file) != text {
		t.Errorf("undone: %v", err)
	}
}

// Two fettles on one folder, each changing a value of its own as fast as it can: what was acknowledged is there in the end.
func TestTwoFettles(t *testing.T) {
	dir := folder(t)
	one, two := book(t, dir), book(t, dir)
	times := rounds / 5
	var wg sync.WaitGroup
	for k, b := range []*live.Book{one, two} {
		wg.Go(func() {
			for n := 1; n <= times; n++ {
				e := good(fmt.Sprintf("2.%03d mA", n))
				if k == 1 {
					e = seen(fmt.Sprintf("0.%03d mA", 600+n))
				}
				if _, err := b.Edit(b.Now().ID, []build.Edit{e}, ""); err != nil {
					t.Error(err)
					return
				}
				text, _, _ := build.Value(file, []byte(read(t, dir, file)), e.Path, e.Attr)
				if text != e.Value {
					t.Errorf("%s was acknowledged, the file says %s", e.Value, text)
				}
			}
		})
	}
	wg.Wait()
}
