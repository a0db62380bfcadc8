package live

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"fettle/internal/work"
)

// A proof is that of one revision: under way, or done.
type proof struct {
	id      string
	cancel  context.CancelFunc
	waiting int
	done    chan struct{} // closed when proved and err are there
	proved  *work.Proved
	err     error
	full    bool // with every sample (ProveFull)
}

// proofs are those under way and the last few that were done, oldest first.
type proofs struct {
	mu    sync.Mutex
	list  []*proof
	ahead *proof // begun for those who watch, before anyone asked
	full  *proof // with every sample, under way
}

// proofsKept is how many proofs are held, so that one step back needs no work.
const proofsKept = 3

// Proved is the proof of the newest revision, with its figures. It is computed once for all who ask, and stopped when the last
// of them has gone. Where the files cannot be read as a build, the error is their diag.List.
func (b *Book) Proved(ctx context.Context) (*work.Proved, error) {
	rev := b.Now()
	if rev.Folder == nil {
		return nil, rev.Problems
	}
	p := b.join(rev)
	defer b.leave(p)
	select {
	case <-p.done:
		return p.proved, p.err
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// Known is the proof of the newest revision if it is there already.
func (b *Book) Known() (*work.Proved, bool) {
	id := b.Now().ID
	b.proofs.mu.Lock()
	defer b.proofs.mu.Unlock()
	if p := b.proofs.find(id); p != nil && p.proved != nil {
		return p.proved, true
	}
	return nil, false
}

// Cancel stops what is under way, proofs and work for the bench; who waits for it is answered with context.Canceled.
func (b *Book) Cancel() {
	b.desk.state.Lock()
	if b.desk.cancel != nil {
		b.desk.cancel()
	}
	b.desk.state.Unlock()
	b.proofs.mu.Lock()
	defer b.proofs.mu.Unlock()
	b.proofs.stopFull()
	for _, p := range b.proofs.list {
		p.cancel()
	}
}

func (ps *proofs) find(id string) *proof {
	for _, p := range ps.list {
		if p.id == id {
			return p
		}
	}
	return nil
}

func (ps *proofs) drop(p *proof) {
	if i := slices.Index(ps.list, p); i >= 0 {
		ps.list = slices.Delete(ps.list, i, i+1)
	}
}

// join is the proof of a revision, begun if it has not been, with one more who waits for it.
func (b *Book) join(rev *Revision) *proof {
	ps := &b.proofs
	ps.mu.Lock()
	defer ps.mu.Unlock()
	p := ps.find(rev.ID)
	if p == nil {
		ctx, cancel := context.WithCancel(context.Background())
		p = &proof{id: rev.ID, cancel: cancel, done: make(chan struct{})}
		ps.list = append(ps.list, p)
		go b.prove(ctx, rev, p)
	}
	p.waiting++
	return p
}

// leave is one who waits no longer; the last one stops what is under way.
func (b *Book) leave(p *proof) {
	ps := &b.proofs
	ps.mu.Lock()
	defer ps.mu.Unlock()
	if p.waiting--; p.waiting == 0 && p.proved == nil {
		p.cancel()
		ps.drop(p) // who asks next begins anew
	}
}

// ended tells those who watch how a proof ended.
func ended(rev *Revision, proved *work.Proved, err error) Event {
	e := Event{Kind: Proven, Revision: rev.Number, ID: rev.ID}
	switch {
	case err == nil:
		e.Verdict = proved.Findings.Worst()
	case errors.Is(err, context.Canceled):
		e.Kind = Stopped
	default:
		e.Kind, e.Words = Trouble, err.Error()
	}
	return e
}

func (b *Book) prove(ctx context.Context, rev *Revision, p *proof) {
	defer p.cancel()
	proved, err := b.run(ctx, rev, false)
	e := ended(rev, proved, err)
	ps := &b.proofs
	ps.mu.Lock()
	if p.err = err; err == nil {
		p.proved = proved
	} else {
		ps.drop(p)
	}
	done := 0
	for i := len(ps.list) - 1; i >= 0; i-- {
		if ps.list[i].proved != nil {
			if done++; done > proofsKept {
				ps.list = slices.Delete(ps.list, i, i+1)
			}
		}
	}
	close(p.done)
	ps.mu.Unlock()
	b.watchers.tell(e)
	b.shelf.rest.Reset(rested)
}

// rested is how long after long work the memory that it took is given back to the system: the next one may follow soon.
const rested = 5 * time.Second

// run waits for its turn and proves.
func (b *Book) run(ctx context.Context, rev *Revision, full bool) (*work.Proved, error) {
	select {
	case b.shelf.slots <- struct{}{}:
		defer func() { <-b.shelf.slots }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	r := *b.shelf.runner
	r.Full, r.Testability = r.Full || full, r.Testability || full
	r.Progress = func(what string, done, total int) {
		b.watchers.tell(Event{Kind: Progress, Revision: rev.Number, ID: rev.ID, Question: what, Done: done, Total: total})
	}
	p, err := r.Prove(ctx, rev.Folder, true)
	if err != nil {
		return nil, err
	}
	return &p, nil
}

// proveAhead begins the proof of a revision for those who watch, before they ask; outdate lets go of it.
func (b *Book) proveAhead(rev *Revision) {
	if rev.Folder == nil {
		return
	}
	p := b.join(rev)
	ps := &b.proofs
	ps.mu.Lock()
	ps.ahead = p
	known := p.proved
	ps.mu.Unlock()
	if known != nil { // nothing is to be done, and so nothing else would tell
		b.watchers.tell(Event{Kind: Proven, Revision: rev.Number, ID: rev.ID, Verdict: known.Findings.Worst()})
	}
}

// outdate lets go of the proof that was begun ahead for an older revision.
func (b *Book) outdate() {
	ps := &b.proofs
	ps.mu.Lock()
	p := ps.ahead
	ps.ahead = nil
	ps.stopFull()
	ps.mu.Unlock()
	if p != nil {
		b.leave(p)
	}
}
