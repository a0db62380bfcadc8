package live

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/fsnotify/fsnotify"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/work"
)

// A Shelf is a folder with builds: those in it and those in the folders right below it.
type Shelf struct {
	root   *os.Root // nil: nothing but demos in memory
	runner *work.Runner
	slots  chan struct{} // as many proofs run at once
	stop   context.CancelFunc
	done   chan struct{} // the watch has ended
	rest   *time.Timer   // runs once no proof has been made for a while

	mu      sync.Mutex
	books   map[string]*Book
	example *Book             // made when first asked for
	watcher *fsnotify.Watcher // nil where the system has none to give: the files are looked at every now and then
}

// atOnce is how many proofs run at the same time; each uses all processors.
const atOnce = 2

func newShelf(r *work.Runner) *Shelf {
	if r == nil {
		r = &work.Runner{}
	}
	return &Shelf{runner: r, slots: make(chan struct{}, atOnce), books: map[string]*Book{}, done: make(chan struct{}), rest: time.AfterFunc(rested, debug.FreeOSMemory)}
}

// OpenShelf opens a folder and watches it until Close. A folder without a build is an empty shelf.
func OpenShelf(dir string, r *work.Runner) (*Shelf, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, fmt.Errorf("opening the folder: %w", err)
	}
	s := newShelf(r)
	if s.root, err = os.OpenRoot(dir); err != nil {
		return nil, fmt.Errorf("opening the folder: %w", err)
	}
	s.watcher, _ = fsnotify.NewWatcher() // without one the clock alone looks
	if err := s.scan(); err != nil {
		s.root.Close()
		return nil, err
	}
	ctx, stop := context.WithCancel(context.Background())
	s.stop = stop
	go s.watch(ctx)
	return s, nil
}

// Demo is the embedded demos, as AddDemos lays them on a shelf.
func Demo(r *work.Runner) *Shelf {
	s := newShelf(r)
	s.AddDemos()
	s.stop = func() {}
	close(s.done)
	return s
}

// AddDemos lays the embedded demos on the shelf. They can be changed like any other build, but in memory alone: what was
// changed is forgotten at the end, unless Copy makes it a folder.
func (s *Shelf) AddDemos() {
	for _, name := range examples.Names {
		s.mu.Lock()
		s.add(name+"/"+name+build.Suffix, &memory{under: examples.FS, over: map[string][]byte{}})
		s.mu.Unlock()
	}
}

// Close ends the watching and every proof that is under way.
func (s *Shelf) Close() error {
	s.stop()
	<-s.done
	for _, b := range s.Books() {
		b.Cancel()
	}
	s.rest.Stop()
	if s.root == nil {
		return nil
	}
	if s.watcher != nil {
		_ = s.watcher.Close() // nothing hangs on it any more
	}
	return s.root.Close()
}

// Dir is the folder; "" for a shelf in memory.
func (s *Shelf) Dir() string {
	if s.root == nil {
		return ""
	}
	return s.root.Name()
}

// Root is the folder as a root that nothing leads out of; nil for a shelf in memory.
func (s *Shelf) Root() *os.Root { return s.root }

// Books are the builds in order of name.
func (s *Shelf) Books() []*Book {
	s.mu.Lock()
	defer s.mu.Unlock()
	var list []*Book
	for _, b := range s.books {
		list = append(list, b)
	}
	slices.SortFunc(list, func(a, b *Book) int { return strings.Compare(a.name, b.name) })
	return list
}

// Book finds a build by its name.
func (s *Shelf) Book(name string) (*Book, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	b, ok := s.books[name]
	return b, ok
}

// hidden are folders that hold no builds of the user.
func hidden(name string) bool {
	return strings.HasPrefix(name, ".") || name == "node_modules" || name == "testdata"
}

// scan finds builds that are not on the shelf yet, and has their folders watched.
func (s *Shelf) scan() error {
	dirs := []string{"."}
	entries, err := fs.ReadDir(s.root.FS(), ".")
	if err != nil {
		return fmt.Errorf("reading the folder: %w", err)
	}
	for _, e := range entries {
		if e.IsDir() && !hidden(e.Name()) {
			dirs = append(dirs, e.Name())
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.follow(filepath.Dir(s.root.Name())) // the drawer one folder up
	for _, dir := range dirs {
		s.follow(filepath.Join(s.root.Name(), dir))
		entries, err := fs.ReadDir(s.root.FS(), dir)
		if err != nil {
			continue // a folder that may not be read holds nothing for us
		}
		for _, e := range entries {
			name := filepath.Join(dir, e.Name())
			switch {
			case e.IsDir() || strings.HasPrefix(e.Name(), ".") && !build.Left(e.Name()):
			case build.Left(e.Name()):
				if info, err := e.Info(); err == nil && time.Since(info.ModTime()) > leftFor {
					_ = s.root.Remove(name) // a save that was killed left it
				}
			case strings.HasSuffix(e.Name(), build.Suffix):
				s.add(name, disk{s.root})
			}
		}
	}
	return nil
}

// leftFor is how long an unfinished save lies untouched before it is taken for one that was killed.
const leftFor = 10 * time.Minute

func (s *Shelf) follow(dir string) {
	if s.watcher != nil {
		_ = s.watcher.Add(dir) // where it cannot be watched, the clock looks
	}
}

// add lays a build on the shelf under a name of its own: that of its file, with its folder's where that is taken.
func (s *Shelf) add(file string, st store) *Book {
	for _, b := range s.books {
		if b.file == file && b.Readonly() == isMemory(st) {
			return b
		}
	}
	base := strings.TrimSuffix(filepath.Base(file), build.Suffix)
	name := base
	if _, taken := s.books[name]; taken {
		if dir := filepath.Dir(file); dir != "." {
			base = filepath.Base(dir) + " " + base
			name = base
		}
	}
	for n := 2; s.books[name] != nil; n++ {
		name = fmt.Sprintf("%s %d", base, n)
	}
	b := newBook(s, name, file, st)
	s.books[name] = b
	return b
}

func isMemory(st store) bool {
	_, ok := st.(*memory)
	return ok
}

// ErrNoFolder is what cannot be done on a shelf in memory.
var ErrNoFolder = errors.New("the demos are kept in memory alone: open a folder of your own first")

// Start lays a new build on the shelf: files in a folder of the shelf, which is made if need be; "" is the shelf's own folder.
// Nothing that lies there is overwritten.
func (s *Shelf) Start(folder string, files []build.NewFile) (*Book, error) {
	if s.root == nil {
		return nil, ErrNoFolder
	}
	if folder == "" {
		folder = "."
	}
	if folder != "." && (hidden(folder) || !filepath.IsLocal(folder) || filepath.Base(folder) != folder || strings.ContainsAny(folder, `/\`)) {
		return nil, fmt.Errorf("%q is no name for a folder: letters, digits, - and _ will do", folder)
	}
	files = slices.Clone(files)
	file := ""
	for _, f := range files {
		if filepath.Base(f.Name) != f.Name {
			return nil, fmt.Errorf("%q is no name for a file", f.Name)
		}
		name := filepath.Join(folder, f.Name)
		if _, err := s.root.Lstat(name); !errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("%s is there already; nothing was written", name)
		}
		if strings.HasSuffix(f.Name, build.Suffix) {
			file = name
		}
	}
	if file == "" {
		return nil, errors.New("a build needs a build file")
	}
	var made []string // to be taken away again if not all of it can be written
	undo := func(name string, err error) (*Book, error) {
		for _, m := range slices.Backward(made) {
			_ = s.root.Remove(m) // the first error is what matters
		}
		return nil, inWords(name, err)
	}
	switch err := s.root.Mkdir(folder, 0o755); {
	case err == nil:
		made = append(made, folder)
	case folder != "." && !errors.Is(err, fs.ErrExist):
		return nil, inWords(folder, err)
	}
	// The build file comes last: a folder without one is no build yet.
	slices.SortStableFunc(files, func(a, b build.NewFile) int { return cmp.Compare(last(a), last(b)) })
	for _, f := range files {
		name := filepath.Join(folder, f.Name)
		if err := (disk{s.root}).save(name, nil, f.Data); err != nil {
			return undo(name, err)
		}
		made = append(made, name)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.follow(filepath.Join(s.root.Name(), folder))
	return s.add(file, disk{s.root}), nil
}

// last is 1 for a build file.
func last(f build.NewFile) int {
	if strings.HasSuffix(f.Name, build.Suffix) {
		return 1
	}
	return 0
}

// Copy makes a build of the shelf, such as a demo, a folder of one's own, as it is at this moment.
func (s *Shelf) Copy(b *Book, folder string) (*Book, error) {
	var files []build.NewFile
	for name, data := range b.Now().Sources {
		files = append(files, build.NewFile{Name: path.Base(filepath.ToSlash(name)), Data: data})
	}
	slices.SortFunc(files, func(a, b build.NewFile) int { return strings.Compare(a.Name, b.Name) })
	return s.Start(folder, files)
}
