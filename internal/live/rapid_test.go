package live_test

import (
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"fettle/internal/build"
	"fettle/internal/live"
)

// The random tests draw the same cases every time; -rapid.seed=0 draws others.
func init() {
	if err := flag.Set("rapid.seed", "1"); err != nil {
		panic(err)
	}
}

// Any sequence of edits on any revision seen so far, of changes outside, of undo and redo ends with the file that a plain model
// of them has: an acknowledged edit is there, a change outside is lost to nobody who had not seen it.
func TestAnySequence(t *testing.T) {
	dir := folder(t)
	start := read(t, dir, file)
	rapid.Check(t, func(t *rapid.T) {
		if err := os.WriteFile(filepath.Join(dir, file), []byte(start), 0o644); err != nil {
			t.Fatal(err)
		}
		s, err := live.OpenShelf(dir, nil)
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		b, _ := s.Book("harbour-railcar")
		type values [2]string // good, seen
		text := func(v values) string {
			return strings.Replace(strings.Replace(start, `good        = "2.0 mA"`, `good        = "`+v[0]+`"`, 1), `seen        = "0.6 mA"`, `seen        = "`+v[1]+`"`, 1)
		}
		now := values{"2.0 mA", "0.6 mA"}
		type revision struct {
			id string
			v  values
		}
		seen := []revision{{b.Now().ID, now}}
		type step struct{ before, after values }
		var undo, redo []step
		choices := [2][]string{{"2.0 mA", "2.1 mA", "2.2 mA"}, {"0.6 mA", "0.7 mA", "0.8 mA"}}
		attrs := [2]string{"good", "seen"}
		back := func(do func() (*live.Revision, error), from, to *[]step) {
			_, err := do()
			var c *live.Conflict
			switch n := len(*from) - 1; {
			case n < 0:
				if !errors.Is(err, live.ErrNoStep) {
					t.Fatalf("with nothing to take back: %v", err)
				}
			case (*from)[n].after != now:
				if !errors.As(err, &c) {
					t.Fatalf("changed outside: %v", err)
				}
			case err != nil:
				t.Fatal(err)
			default:
				s := (*from)[n]
				now, *from = s.before, (*from)[:n]
				*to = append(*to, step{s.after, s.before})
			}
		}
		for range rapid.IntRange(1, 12).Draw(t, "steps") {
			switch rapid.IntRange(0, 4).Draw(t, "what") {
			case 0, 1:
				base := seen[rapid.IntRange(0, len(seen)-1).Draw(t, "base")]
				k := rapid.IntRange(0, 1).Draw(t, "attribute")
				mine := rapid.SampledFrom(choices[k]).Draw(t, "value")
				_, err := b.Edit(base.id, []build.Edit{{Path: lamp, Attr: attrs[k], Value: mine}}, "")
				var c *live.Conflict
				switch {
				case mine == now[k], mine == base.v[k] && base.v != now: // said already; not touched
					if err != nil {
						t.Fatal(err)
					}
				case base.v[k] == now[k]:
					if err != nil {
						t.Fatal(err)
					}
					after := now
					after[k] = mine
					undo, redo = append(undo, step{now, after}), nil
					now = after
				default:
					if !errors.As(err, &c) || len(c.Attributes) != 1 || c.Attributes[0].Base != base.v[k] || c.Attributes[0].Theirs != now[k] || c.Attributes[0].Mine != mine {
						t.Fatalf("%s made on %s, now %s: %v", mine, base.v[k], now[k], err)
					}
				}
			case 2:
				k := rapid.IntRange(0, 1).Draw(t, "attribute")
				now[k] = rapid.SampledFrom(choices[k]).Draw(t, "outside")
				if err := os.WriteFile(filepath.Join(dir, file), []byte(text(now)), 0o644); err != nil {
					t.Fatal(err)
				}
				if _, err := b.Edit(b.Now().ID, nil, ""); err != nil { // it looks
					t.Fatal(err)
				}
			case 3:
				back(b.Undo, &undo, &redo)
			case 4:
				back(b.Redo, &redo, &undo)
			}
			got, err := os.ReadFile(filepath.Join(dir, file))
			if err != nil || string(got) != text(now) || string(b.Now().Sources[file]) != text(now) {
				t.Fatalf("%v: want %v in\n%s", err, now, got)
			}
			seen = append(seen, revision{b.Now().ID, now})
		}
	})
}
