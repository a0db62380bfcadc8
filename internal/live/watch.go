package live

import (
	"context"
	"errors"
	"io/fs"
	"path/filepath"
	"strings"
	"time"

	"github.com/fsnotify/fsnotify"

	"fettle/internal/build"
)

const (
	// quiet is how long a folder must have been still before it is looked at: an editor's save is a burst.
	quiet = 30 * time.Millisecond
	// patience is the longest a burst may hold that up.
	patience = 300 * time.Millisecond
	// grace is how long a file may be gone or empty before that is taken for what was meant: some editors take the old file away, or
	// empty it, before they write the new one.
	grace = 400 * time.Millisecond
	// clock is how often the files are looked at where nothing tells of changes (a share, a full table of watches).
	clock = 2 * time.Second
)

// watch keeps the books in step until ctx ends.
func (s *Shelf) watch(ctx context.Context) {
	defer close(s.done)
	var events chan fsnotify.Event
	var troubles chan error
	if s.watcher != nil {
		events, troubles = s.watcher.Events, s.watcher.Errors
	}
	tick := time.NewTicker(clock)
	defer tick.Stop()
	var burst time.Time // when it began
	still := time.NewTimer(time.Hour)
	still.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case e := <-events:
			if !s.concerns(e) {
				continue
			}
			if burst.IsZero() {
				burst = time.Now()
			}
			still.Reset(max(0, min(quiet, patience-time.Since(burst))))
		case <-troubles: // events were lost: look at everything
			still.Reset(0)
		case <-still.C:
			burst = time.Time{}
			if again := s.lookAll(true); again {
				still.Reset(grace / 4)
			}
		case <-tick.C:
			if again := s.lookAll(false); again {
				still.Reset(grace / 4)
			}
		}
	}
}

// concerns reports whether an event is about a file of a build, or about a folder that may hold one.
func (s *Shelf) concerns(e fsnotify.Event) bool {
	name := filepath.Base(e.Name)
	if e.Op == fsnotify.Chmod || strings.HasPrefix(name, ".") {
		return false
	}
	if strings.HasSuffix(name, build.Suffix) || name == build.ReadingsName || name == build.DrawerName {
		return true
	}
	if !e.Has(fsnotify.Create) || filepath.Dir(e.Name) != s.root.Name() {
		return false
	}
	info, err := s.root.Stat(name)
	return err == nil && info.IsDir()
}

// lookAll looks for new builds and at every build; again, if one of them seems to be in the middle of a save.
func (s *Shelf) lookAll(told bool) (again bool) {
	if told {
		_ = s.scan() // a folder that cannot be read at the moment keeps its books
	}
	for _, b := range s.Books() {
		if b.refresh(told) {
			again = true
		}
	}
	return again
}

// refresh looks at the files of a book, if told or if their sizes or times say so.
func (b *Book) refresh(told bool) (again bool) {
	if b.Readonly() {
		return false
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	readings, drawers := b.beside()
	stamp := b.store.stamp(append([]string{b.file, readings}, drawers...))
	if !told && stamp == b.stamp && b.missing.IsZero() {
		return false
	}
	b.stamp = stamp
	data, err := b.store.read(b.file)
	if gone := errors.Is(err, fs.ErrNotExist) || err == nil && len(data) == 0; gone && len(b.now.Load().Sources[b.file]) > 0 {
		if b.missing.IsZero() {
			b.missing = time.Now()
		}
		if time.Since(b.missing) < grace {
			return true
		}
	}
	b.missing = time.Time{}
	b.look()
	return false
}
