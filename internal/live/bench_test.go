package live_test

import (
	"fmt"
	"testing"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/live"
	"fettle/internal/work"
)

// BenchmarkEditToVerdict is what a page waits for when a value is changed: the edit saved, the change told, the proof of the
// whole with its figures. Every value is a new one, so that no answer about it is kept.
func BenchmarkEditToVerdict(b *testing.B) {
	for _, x := range []struct {
		what string
		edit func(n int) build.Edit
	}{
		{"resistor", func(n int) build.Edit {
			return build.Edit{Path: []string{"decoder", "a", "output", "front"}, Attr: "series", Value: fmt.Sprintf("%d Ω", 1000+n)}
		}},
		{"light", func(n int) build.Edit { return good(fmt.Sprintf("2.%05d mA", n)) }},
		{"reading", func(n int) build.Edit {
			return build.Edit{Path: append(lamp[:4:4], "reading", "1"), Attr: "current", Value: fmt.Sprintf("2.23%04d mA", n)}
		}},
	} {
		b.Run(x.what, func(b *testing.B) {
			s, err := live.OpenShelf(folder(b), &work.Runner{Cache: b.TempDir()})
			if err != nil {
				b.Fatal(err)
			}
			defer s.Close()
			book, _ := s.Book(examples.Demo)
			events := book.Watch(b.Context())
			if _, err := book.Proved(b.Context()); err != nil {
				b.Fatal(err)
			}
			n := 0
			for b.Loop() {
				n++
				rev, err := book.Edit(book.Now().ID, []build.Edit{x.edit(n)}, "")
				if err != nil {
					b.Fatal(err)
				}
				for next(b, events, live.Proven).ID != rev.ID {
				}
			}
		})
	}
}
