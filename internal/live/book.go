package live

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"fettle/internal/build"
	"fettle/internal/diag"
	"fettle/internal/experiment"
	"fettle/internal/parts"
)

// Whose hand a revision is by.
const (
	Here    = "here"
	Outside = "outside"
)

// A Revision is what the files of a build said at one moment. It does not change.
type Revision struct {
	Number   int
	ID       string        // hash of the sources: the base that an edit names
	Folder   *build.Folder // nil where the file cannot be read as a build; its names are relative to the shelf
	Problems diag.List
	Sources  map[string][]byte
	Saved    time.Time
	By       string // Here, Outside
	Words    string // what was done, where it was done here
}

// A step is a change made here, mostly of one file.
type step struct {
	words string
	swaps []swap
}

// A swap is new content in the place of old; nil is no file.
type swap struct {
	file          string
	before, after []byte
}

// A Book is one build, kept in step with its files. All methods may be called from any goroutine.
type Book struct {
	shelf      *Shelf
	name, file string
	store      store
	now        atomic.Pointer[Revision]

	mu         sync.Mutex // changes, one after the other
	past       []*Revision
	undo, redo []step
	stamp      string
	missing    time.Time // since when the file has been gone or empty

	proofs   proofs
	watchers watchers
	desk     desk
}

// How far back a base may lie, and how far undo goes.
const (
	pastKept  = 100
	stepKept  = 200
	bytesKept = 32 << 20 // of all of them together: readings may be long
)

func newBook(s *Shelf, name, file string, st store) *Book {
	b := &Book{shelf: s, name: name, file: file, store: st}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.load(Outside, "")
	return b
}

// Name is the name of the build on its shelf.
func (b *Book) Name() string { return b.name }

// File is the build file, relative to the shelf.
func (b *Book) File() string { return b.file }

// Readonly reports that the build lies in memory: what is changed is forgotten at the end.
func (b *Book) Readonly() bool { return isMemory(b.store) }

// Now is the newest revision.
func (b *Book) Now() *Revision { return b.now.Load() }

// Steps is what Undo and Redo would take back and do again; "" where there is nothing.
func (b *Book) Steps() (undo, redo string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if n := len(b.undo); n > 0 {
		undo = b.undo[n-1].words
	}
	if n := len(b.redo); n > 0 {
		redo = b.redo[n-1].words
	}
	return undo, redo
}

// beside are the files that belong to the build file: the readings, and where a drawer may lie, nearest first.
func (b *Book) beside() (readings string, drawers []string) {
	drawers = []string{b.near(build.DrawerName)}
	if up := b.store.above(b.dir()); up != "" {
		drawers = append(drawers, up)
	}
	return b.near(build.ReadingsName), drawers
}

// dir is the folder of the build, and near a file in it, as the store names them.
func (b *Book) dir() string {
	if b.Readonly() {
		return path.Dir(b.file)
	}
	return filepath.Dir(b.file)
}

func (b *Book) near(name string) string {
	if b.Readonly() {
		return path.Join(b.dir(), name)
	}
	return filepath.Join(b.dir(), name)
}

// same reports whether the files still say what the newest revision says.
func (b *Book) same() bool {
	rev := b.now.Load()
	if rev.Sources == nil {
		return false
	}
	readings, drawers := b.beside()
	for _, name := range append([]string{b.file, readings}, drawers...) {
		data, err := b.store.read(name)
		was, had := rev.Sources[name]
		if gone := errors.Is(err, fs.ErrNotExist); err != nil && !gone || gone == had || !bytes.Equal(data, was) {
			return false
		}
		if err == nil && filepath.Base(name) == build.DrawerName {
			break // the one further up counts for nothing
		}
	}
	return true
}

// look reads the files if they have changed. The caller holds b.mu.
func (b *Book) look() {
	if !b.same() {
		b.load(Outside, "")
	}
}

// load makes the files as they are the newest revision. The caller holds b.mu.
func (b *Book) load(by, words string) {
	f, problems, err := b.store.open(b.file)
	rev := &Revision{Problems: problems, Saved: time.Now(), By: by, Words: words, Number: 1}
	if err != nil {
		rev.Problems.Add("unreadable", diag.Range{File: b.file}, "%v", err)
	}
	if f != nil {
		rev.Sources = f.Sources
		if f.Build != nil {
			rev.Folder = f
		}
	}
	old := b.now.Load()
	if old != nil {
		for name, data := range rev.Sources {
			if was := old.Sources[name]; bytes.Equal(was, data) {
				rev.Sources[name] = was // held once
			}
		}
		rev.Number = old.Number + 1
	}
	rev.ID = idOf(rev)
	if old != nil && old.ID == rev.ID {
		return
	}
	b.now.Store(rev)
	b.past = append(b.past, &Revision{Number: rev.Number, ID: rev.ID, Sources: rev.Sources})
	b.forget()
	if old == nil {
		return
	}
	b.watchers.tell(Event{Kind: Changed, Revision: rev.Number, ID: rev.ID, By: by, Words: words})
	if rev.Folder == nil {
		b.watchers.tell(Event{Kind: Trouble, Revision: rev.Number, ID: rev.ID, Words: rev.Problems.Error()})
	}
	b.outdate()
	if b.watchers.any() {
		b.proveAhead(rev)
	}
}

// forget lets go of the oldest revisions and steps. Content that did not change from one to the next is held once and counts once.
func (b *Book) forget() {
	total, keep := 0, 0
	for i := len(b.past) - 1; i >= 0 && keep < pastKept && total <= bytesKept; i-- {
		for name, data := range b.past[i].Sources {
			if i == len(b.past)-1 || !alike(b.past[i+1].Sources[name], data) {
				total += len(data)
			}
		}
		keep++
	}
	b.past = slices.Clone(b.past[len(b.past)-keep:])
	total, keep = 0, 0
	for i := len(b.undo) - 1; i >= 0 && keep < stepKept && total <= bytesKept; i-- {
		for _, s := range b.undo[i].swaps {
			total += len(s.before)
		}
		keep++
	}
	b.undo = slices.Clone(b.undo[len(b.undo)-keep:])
}

// alike reports whether two contents are held as one.
func alike(a, b []byte) bool {
	return len(a) == len(b) && (len(a) == 0 || &a[0] == &b[0])
}

// idOf names the content of a revision; one that cannot be read is named by why.
func idOf(rev *Revision) string {
	h := sha256.New()
	for _, name := range slices.Sorted(maps.Keys(rev.Sources)) {
		fmt.Fprintf(h, "%s %d\n", filepath.ToSlash(name), len(rev.Sources[name]))
		h.Write(rev.Sources[name])
	}
	if rev.Sources == nil {
		fmt.Fprint(h, rev.Problems.Error())
	}
	return hex.EncodeToString(h.Sum(nil)[:12])
}

// before finds the revision that an edit was made on; nil if it is forgotten or was another run's.
func (b *Book) before(id string) *Revision {
	for _, r := range slices.Backward(b.past) {
		if r.ID == id {
			return r
		}
	}
	return nil
}

// put saves files, all or none, and makes them the newest revision. The caller holds b.mu and has looked.
func (b *Book) put(words string, swaps []swap) (*Revision, error) {
	for i, s := range swaps {
		err := b.swap(s)
		if err == nil {
			continue
		}
		for _, done := range slices.Backward(swaps[:i]) {
			_ = b.swap(swap{done.file, done.after, done.before}) // the first error is what matters
		}
		return nil, err
	}
	b.load(Here, words)
	return b.now.Load(), nil
}

func (b *Book) swap(s swap) error {
	if dir := filepath.Dir(s.file); dir != filepath.Dir(b.file) && !b.Readonly() { // the drawer of several builds
		unlock, err := b.store.lock(dir)
		if err != nil {
			return inWords(s.file, err)
		}
		defer unlock()
	}
	err := b.store.save(s.file, s.before, s.after)
	if err != nil && !errors.Is(err, build.ErrChanged) {
		return inWords(s.file, err)
	}
	return err
}

// change is put of new contents, with a way back.
func (b *Book) change(words string, files ...swap) (*Revision, error) {
	for i := range files {
		files[i].before = b.now.Load().Sources[files[i].file]
	}
	rev, err := b.put(words, files)
	if err != nil {
		return nil, err
	}
	b.undo, b.redo = append(b.undo, step{words, files}), nil
	b.forget()
	return rev, nil
}

// again tries a change anew where another hand came between the look and the save. Another fettle cannot: the folder is locked.
func (b *Book) again(try func() (*Revision, error)) (*Revision, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	unlock, err := b.store.lock(b.dir())
	if err != nil {
		return nil, inWords(b.file, err)
	}
	defer unlock()
	for n := 0; ; n++ {
		b.look()
		rev, err := try()
		if errors.Is(err, build.ErrChanged) && n < 5 {
			continue
		}
		if errors.Is(err, build.ErrChanged) {
			return nil, inWords(b.file, err)
		}
		return rev, err
	}
}

// Edit makes edits that were meant for the revision base. What was not changed against base is no edit: a form may send all its
// fields. Where another hand changed one of the attributes meanwhile, nothing is written and the error is a *Conflict; a wrong
// value is a diag.List, in the words of the checks; a disk that refuses, a *DiskError. words says what is done, for Undo;
// "" names the attributes.
func (b *Book) Edit(base string, edits []build.Edit, words string) (*Revision, error) {
	return b.again(func() (*Revision, error) {
		rev := b.now.Load()
		if rev.Folder == nil {
			return nil, rev.Problems
		}
		wanted, clashes := b.weigh(b.before(base), rev, edits)
		if len(clashes) > 0 {
			return nil, &Conflict{Base: base, Theirs: rev.ID, Attributes: clashes, Rest: wanted}
		}
		if len(wanted) == 0 {
			return rev, nil
		}
		src, problems := rev.Folder.Build.Patch(wanted)
		if len(problems) > 0 {
			return nil, problems
		}
		if bytes.Equal(src, rev.Sources[b.file]) {
			return rev, nil
		}
		if words == "" {
			words = inShort(wanted)
		}
		return b.change(words, swap{file: b.file, after: src})
	})
}

// Beside names the files of the newest revision as the store does: the build file, the readings and the drawer, whether or not
// the last two are there.
func (b *Book) Beside() (file, readings, drawer string) {
	readings, drawers := b.beside()
	drawer = drawers[0]
	for _, name := range drawers {
		if _, ok := b.Now().Sources[name]; ok {
			drawer = name
			break
		}
	}
	return b.file, readings, drawer
}

// Rewrite replaces a whole file of the build (Beside), as an editor would; a text with problems is saved all the same, unless it
// is no text. A file that is not what it was in the revision base is a *Conflict.
func (b *Book) Rewrite(base, file string, src []byte, words string) (*Revision, error) {
	return b.again(func() (*Revision, error) {
		if own, readings, drawer := b.Beside(); !slices.Contains([]string{own, readings, drawer}, file) {
			return nil, fmt.Errorf("%s is no file of this build", file)
		}
		rev := b.now.Load()
		was := b.before(base)
		if bytes.Equal(rev.Sources[file], src) {
			return rev, nil
		}
		if was == nil || !bytes.Equal(was.Sources[file], rev.Sources[file]) {
			c := &Conflict{Base: base, Theirs: rev.ID, File: file}
			if was != nil && file == b.file {
				c.Attributes = differ(b.file, was.Sources[b.file], rev.Sources[b.file], src)
			}
			return nil, c
		}
		if words == "" {
			words = "the whole of " + filepath.Base(file)
		}
		return b.change(words, swap{file: file, after: src})
	})
}

// inShort names the attributes of edits: "series of output front = 4k7".
func inShort(edits []build.Edit) string {
	e := edits[0]
	s := e.Attr
	if len(e.Path) > 0 {
		s += " of " + strings.Join(e.Path[max(0, len(e.Path)-2):], " ")
	}
	if e.Remove {
		s += " taken out"
	} else {
		s += " = " + e.Text()
	}
	if len(edits) > 1 {
		s += fmt.Sprintf(" and %d more", len(edits)-1)
	}
	return s
}

// Append puts readings behind readings.csv, each a text by column (build.Columns). A reading that would be left out, or that
// brings a new problem, is refused with a diag.List and nothing is written.
func (b *Book) Append(words string, rows ...map[string]string) (*Revision, error) {
	return b.appended(words, len(rows), func(was []byte) ([]byte, error) { return build.WithReadings(was, rows...) })
}

// AppendBench puts readings of the bench behind readings.csv, as Append does.
func (b *Book) AppendBench(words string, list ...build.BenchReading) (*Revision, error) {
	return b.appended(words, len(list), func(was []byte) ([]byte, error) { return build.WithBench(was, list...) })
}

// appended puts n readings behind readings.csv, by a function that makes the file of what it was.
func (b *Book) appended(words string, n int, with func(was []byte) ([]byte, error)) (*Revision, error) {
	return b.again(func() (*Revision, error) {
		rev := b.now.Load()
		if rev.Folder == nil {
			return nil, rev.Problems
		}
		file, _ := b.beside()
		data, err := with(rev.Sources[file])
		if err != nil {
			return nil, err
		}
		if n == 0 {
			return rev, nil
		}
		_, now := build.Load(rev.Folder.File, rev.Folder.Build.Source, build.Beside{ReadingsFile: file, Readings: data, Drawer: rev.Folder.Build.Drawer})
		if fresh := newProblems(rev.Problems, now); len(fresh) > 0 {
			return nil, fresh
		}
		if words == "" {
			words = "a reading"
			if n > 1 {
				words = fmt.Sprintf("%d readings", n)
			}
		}
		return b.change(words, swap{file: file, after: data})
	})
}

// newProblems are those of now that old had not.
func newProblems(old, now diag.List) diag.List {
	had := map[string]int{}
	for _, p := range old {
		had[p.Code+"\x00"+p.Message]++
	}
	var fresh diag.List
	for _, p := range now {
		if had[p.Code+"\x00"+p.Message]--; had[p.Code+"\x00"+p.Message] < 0 {
			fresh = append(fresh, p)
		}
	}
	return fresh
}

// KeepExperiment puts readings of a card behind experiments.csv. No question reads that file, so there is no new revision.
func (b *Book) KeepExperiment(card, part, meterName string, list []experiment.Reading) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	unlock, err := b.store.lock(b.dir())
	if err != nil {
		return inWords(b.file, err)
	}
	defer unlock()
	file := b.near(experiment.LogName)
	was, err := b.store.read(file)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return inWords(file, err)
	}
	data := experiment.With(was, time.Now().Format("2006-01-02"), card, part, meterName, list)
	if err := b.store.save(file, was, data); err != nil {
		return inWords(file, err)
	}
	return nil
}

// Learn writes what a card has taught into the drawer and the build file, both or neither. A build without a drawer gets one.
func (b *Book) Learn(l experiment.Learned) (*Revision, error) {
	return b.again(func() (*Revision, error) {
		rev := b.now.Load()
		if rev.Folder == nil {
			return nil, rev.Problems
		}
		var files []swap
		if len(l.Edits) > 0 {
			src, problems := rev.Folder.Build.Patch(l.Edits)
			if problems.HasErrors() {
				return nil, problems
			}
			files = append(files, swap{file: b.file, after: src})
		}
		if len(l.Cells) > 0 {
			_, drawers := b.beside()
			file := drawers[0]
			if rev.Folder.DrawerFile != "" {
				file = rev.Folder.DrawerFile
			}
			cells, line := maps.Clone(l.Cells), 0
			if it, ok := rev.Folder.Build.Drawer.Have(l.Part); ok {
				line = it.Range.Start.Line
			} else {
				cells["part"], cells["count"] = l.Part, "1"
				maps.Copy(cells, l.New)
			}
			data, err := parts.Amend(file, rev.Sources[file], line, cells)
			if err != nil {
				return nil, fmt.Errorf("writing the drawer: %w", err)
			}
			files = append(files, swap{file: file, after: data})
		}
		if len(files) == 0 {
			return rev, nil
		}
		return b.change(l.Words, files...)
	})
}

// Undo takes back the last change that was made here: the file is as it was, byte for byte. Where it was changed outside
// meanwhile, nothing is done and the error is a *Conflict.
func (b *Book) Undo() (*Revision, error) { return b.back(&b.undo, &b.redo, "undone: ") }

// Redo does again what Undo took back, in the same way.
func (b *Book) Redo() (*Revision, error) { return b.back(&b.redo, &b.undo, "") }

// ErrNoStep is that there is nothing to undo, or to do again.
var ErrNoStep = errors.New("there is nothing to take back")

func (b *Book) back(from, to *[]step, prefix string) (*Revision, error) {
	return b.again(func() (*Revision, error) {
		if len(*from) == 0 {
			return nil, ErrNoStep
		}
		s := (*from)[len(*from)-1]
		rev := b.now.Load()
		var reverse []swap
		for _, f := range s.swaps {
			now, there := rev.Sources[f.file]
			if there != (f.after != nil) || !bytes.Equal(now, f.after) {
				c := &Conflict{Theirs: rev.ID, File: f.file, Step: s.words}
				if f.file == b.file {
					c.Attributes = differ(b.file, f.after, now, f.before)
				}
				return nil, c
			}
			reverse = append(reverse, swap{f.file, f.after, f.before})
		}
		rev, err := b.put(prefix+s.words, reverse)
		if err != nil {
			return nil, err
		}
		*from = (*from)[:len(*from)-1]
		*to = append(*to, step{s.words, reverse})
		return rev, nil
	})
}
