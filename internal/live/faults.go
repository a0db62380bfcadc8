package live

import (
	"context"
	"sync"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/fault"
	"fettle/internal/work"
)

// A desk is what the work at the bench asks of a decoder, of the last one that was asked about: what every fault would show, and the
// sheet made of it. Making it takes seconds; what was read at the bench changes neither.
type desk struct {
	mu           sync.Mutex // held while they are made
	key, decoder string
	table        *fault.Table
	bench        *work.Bench

	state  sync.Mutex // of what follows
	known  *work.Bench
	of     string // key of known
	cancel context.CancelFunc
	doing  Doing
}

// Doing is long work that is under way: what is being asked, and how far it is.
type Doing struct {
	Question    string
	Done, Total int
}

// Faults is the fault table of a decoder of the newest revision, of the first one where no name is given. It is kept until
// something changes that it depends on.
func (b *Book) Faults(ctx context.Context, decoder string) (*fault.Table, error) {
	t, _, err := b.atDesk(ctx, decoder, false)
	return t, err
}

// Bench is the bench sheet of a decoder of the newest revision likewise, with what was read at the bench so far.
func (b *Book) Bench(ctx context.Context, decoder string) (*work.Bench, error) {
	_, s, err := b.atDesk(ctx, decoder, true)
	return s, err
}

func (b *Book) atDesk(ctx context.Context, decoder string, sheet bool) (*fault.Table, *work.Bench, error) {
	d := &b.desk
	d.mu.Lock()
	defer d.mu.Unlock()
	rev := b.Now()
	if rev.Folder == nil {
		return nil, nil, rev.Problems
	}
	key := work.BenchKey(rev.Folder)
	if list := rev.Folder.Build.Decoders; decoder == "" && len(list) > 0 {
		decoder = list[0].Name.Text
	}
	if d.key != key || d.decoder != decoder {
		d.key, d.decoder, d.table, d.bench = key, decoder, nil, nil
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	d.begin(cancel)
	defer d.begin(nil)
	defer func() { b.shelf.rest.Reset(rested) }()
	r := *b.shelf.runner
	r.Progress = func(what string, done, total int) {
		d.progress(Doing{what, done, total})
		b.watchers.tell(Event{Kind: Progress, Revision: rev.Number, ID: rev.ID, Question: what, Done: done, Total: total})
	}
	var err error
	if d.table == nil {
		if d.table, err = r.Fault(ctx, rev.Folder, decoder); err != nil {
			return nil, nil, err
		}
	}
	if d.bench == nil && sheet {
		if d.bench, err = r.BenchOf(ctx, rev.Folder, d.table, decoder); err != nil {
			return nil, nil, err
		}
		d.state.Lock()
		d.known, d.of = d.bench, key
		d.state.Unlock()
	}
	if !sheet {
		return d.table, nil, nil
	}
	return d.table, d.bench.Having(rev.Folder.Build.Bench), nil
}

func (d *desk) begin(cancel context.CancelFunc) {
	d.state.Lock()
	defer d.state.Unlock()
	d.cancel, d.doing = cancel, Doing{}
}

func (d *desk) progress(now Doing) {
	d.state.Lock()
	defer d.state.Unlock()
	d.doing = now
}

// KnownBench is the bench sheet of the newest revision, of the decoder that was asked about last, if it is there already.
func (b *Book) KnownBench() (*work.Bench, bool) {
	rev := b.Now()
	b.desk.state.Lock()
	s, of := b.desk.known, b.desk.of
	b.desk.state.Unlock()
	if s == nil || rev.Folder == nil || of != work.BenchKey(rev.Folder) {
		return nil, false
	}
	return s.Having(rev.Folder.Build.Bench), true
}

// Doing is what Faults or Bench is doing at this moment.
func (b *Book) Doing() Doing {
	b.desk.state.Lock()
	defer b.desk.state.Unlock()
	return b.desk.doing
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
