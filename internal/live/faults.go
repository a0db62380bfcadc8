package live

import (
	"context"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/fault"
)

// Faults is the fault table of a decoder of the newest revision, of the first one where no name is given. It is made once for a
// revision: making it takes seconds.
func (b *Book) Faults(ctx context.Context, decoder string) (*fault.Table, error) {
	b.faults.mu.Lock()
	defer b.faults.mu.Unlock()
	rev := b.Now()
	if rev.Folder == nil {
		return nil, rev.Problems
	}
	if t := b.faults.table; t != nil && b.faults.id == rev.ID && b.faults.decoder == decoder {
		return t, nil
	}
	r := *b.shelf.runner
	r.Progress = func(what string, done, total int) {
		b.watchers.tell(Event{Kind: Progress, Revision: rev.Number, ID: rev.ID, Question: what, Done: done, Total: total})
	}
	t, err := r.Fault(ctx, rev.Folder, decoder)
	if err != nil {
		return nil, err
	}
	b.faults.id, b.faults.decoder, b.faults.table = rev.ID, decoder, t
	return t, nil
}

// Example is the embedded demo, which need not lie on the shelf.
func (s *Shelf) Example() *Book {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.example == nil {
		s.example = newBook(s, examples.Demo, examples.Demo+"/"+examples.Demo+build.Suffix, &memory{under: examples.FS, over: map[string][]byte{}})
	}
	return s.example
}
