package live

import (
	"context"
	"sync"

	"fettle/internal/finding"
)

// A Kind says what an Event tells.
type Kind string

const (
	Changed  Kind = "revision" // there is a new revision
	Progress Kind = "progress" // of its proof
	Proven   Kind = "verdict"  // its proof is there
	Trouble  Kind = "trouble"  // its files cannot be read as a build, or its proof has failed
	Stopped  Kind = "stopped"  // its proof was stopped before its end
)

// An Event is something that happened to a Book.
type Event struct {
	Kind     Kind
	Revision int
	ID       string
	By       string // Changed: Here, Outside
	Words    string // what was done; what is wrong
	Question string // Progress: what is being asked
	Done     int
	Total    int
	Verdict  finding.Verdict // Proven: of the whole
	Again    bool            // of a proof that takes the place of another of the same revision
}

// watchers are those who are told. One who does not listen misses progress first, then the oldest events.
type watchers struct {
	mu   sync.Mutex
	list map[chan Event]bool
}

// waiting is how many events wait for one who does not listen.
const waiting = 64

// Watch tells what happens to the book until ctx ends; the channel is closed then.
func (b *Book) Watch(ctx context.Context) <-chan Event {
	c := make(chan Event, waiting)
	w := &b.watchers
	w.mu.Lock()
	if w.list == nil {
		w.list = map[chan Event]bool{}
	}
	w.list[c] = true
	w.mu.Unlock()
	context.AfterFunc(ctx, func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		delete(w.list, c)
		close(c)
	})
	return c
}

func (w *watchers) any() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return len(w.list) > 0
}

func (w *watchers) tell(e Event) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for c := range w.list {
		for sent := false; !sent; {
			select {
			case c <- e:
				sent = true
			default:
				if e.Kind == Progress {
					sent = true
					break
				}
				select {
				case <-c:
				default:
				}
			}
		}
	}
}
