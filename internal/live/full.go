package live

import "context"

// ProveFull begins to prove the newest revision with every sample, and to find which faults the bench sheet would not catch. It takes
// long, and returns at once: the proof that is there stands until this one takes its place, which Watch tells (Event.Again). A change
// of the files, or Cancel, stops it.
func (b *Book) ProveFull() error {
	rev := b.Now()
	if rev.Folder == nil {
		return rev.Problems
	}
	ps := &b.proofs
	ps.mu.Lock()
	defer ps.mu.Unlock()
	if p := ps.find(rev.ID); ps.full != nil && ps.full.id == rev.ID || p != nil && p.full && p.proved != nil {
		return nil
	}
	ps.stopFull()
	ctx, cancel := context.WithCancel(context.Background())
	p := &proof{id: rev.ID, cancel: cancel, done: make(chan struct{}), full: true}
	ps.full = p
	go b.proveFull(ctx, rev, p)
	return nil
}

// Full reports whether the newest revision is being proved with every sample, or has been.
func (b *Book) Full() (running, done bool) {
	id := b.Now().ID
	ps := &b.proofs
	ps.mu.Lock()
	defer ps.mu.Unlock()
	p := ps.find(id)
	return ps.full != nil && ps.full.id == id, p != nil && p.full && p.proved != nil
}

func (b *Book) proveFull(ctx context.Context, rev *Revision, p *proof) {
	defer p.cancel()
	proved, err := b.run(ctx, rev, true)
	e := ended(rev, proved, err)
	e.Again = true
	ps := &b.proofs
	ps.mu.Lock()
	if ps.full == p {
		ps.full = nil
	}
	if err == nil && b.now.Load().ID == rev.ID {
		if old := ps.find(rev.ID); old != nil { // who waits for it still gets its answer
			ps.drop(old)
		}
		p.proved = proved
		close(p.done)
		ps.list = append(ps.list, p)
	}
	ps.mu.Unlock()
	b.watchers.tell(e)
	b.shelf.rest.Reset(rested)
}

// stopFull stops the full proof that is under way. The caller holds ps.mu.
func (ps *proofs) stopFull() {
	if ps.full != nil {
		ps.full.cancel()
		ps.full = nil
	}
}
