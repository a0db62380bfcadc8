package live_test

import (
	"testing"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/live"
	"fettle/internal/work"
)

// raced is that the race detector watches.
var raced bool

// The full proof takes the place of the one that is there, once; a change of the file stops it.
func TestProveFull(t *testing.T) {
	if raced {
		t.Skip("it takes minutes under the race detector")
	}
	s := live.Demo(&work.Runner{Samples: 20, Cache: cache})
	defer s.Close()
	b, _ := s.Book(examples.Demo)
	first, err := b.Proved(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if running, done := b.Full(); running || done {
		t.Error("it was not asked for")
	}
	events := b.Watch(t.Context())
	if err := b.ProveFull(); err != nil {
		t.Fatal(err)
	}
	if now, ok := b.Known(); !ok || now != first {
		t.Error("the proof that was there is gone")
	}
	for {
		if e := next(t, events, live.Proven); e.Again {
			break
		}
	}
	full, ok := b.Known()
	if running, done := b.Full(); running || !done || !ok || full == first {
		t.Errorf("running %v, done %v, known %v", running, done, ok)
	}
	open := func(p *work.Proved) (n int) {
		for _, j := range p.Findings.Verdicts {
			if j.NotYet() {
				n++
			}
		}
		return n
	}
	if open(full) >= open(first) {
		t.Errorf("%d are still not judged, %d were", open(full), open(first))
	}
	if _, err := b.Edit(b.Now().ID, []build.Edit{good("2.2 mA")}, ""); err != nil {
		t.Fatal(err)
	}
	if err := b.ProveFull(); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Edit(b.Now().ID, []build.Edit{good("2.3 mA")}, ""); err != nil {
		t.Fatal(err)
	}
	next(t, events, live.Stopped)
	if running, done := b.Full(); running || done {
		t.Error("it is that of an older revision")
	}
}
