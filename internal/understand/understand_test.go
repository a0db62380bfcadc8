package understand_test

import (
	"bytes"
	"context"
	"flag"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/understand"
	"fettle/internal/work"
)

//go:generate go test -run TestPagesAreCurrent -update .

var update = flag.Bool("update", false, "write docs/understand anew")

func proved(t testing.TB, name string) work.Proved {
	t.Helper()
	f, list, err := build.OpenFS(examples.FS, name)
	if err != nil || list.HasErrors() {
		t.Fatal(err, list)
	}
	p, err := (&work.Runner{}).Prove(context.Background(), f, false)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func all(t testing.TB, own, other work.Proved) []understand.Chapter {
	t.Helper()
	list, err := understand.All(context.Background(), own, other)
	if err != nil {
		t.Fatal(err)
	}
	if len(list) != 5 {
		t.Fatalf("%d chapters", len(list))
	}
	return list
}

// The pages under docs are what the demo gives today.
func TestPagesAreCurrent(t *testing.T) {
	const dir = "../../docs/understand"
	demo := proved(t, examples.Demo)
	want := understand.Markdown(all(t, demo, demo))
	if *update {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatal(err)
		}
		for name, data := range want {
			if err := os.WriteFile(filepath.Join(dir, name), data, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	have, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range have {
		if want[e.Name()] == nil {
			t.Errorf("docs/understand/%s is of no chapter", e.Name())
		}
	}
	for name, data := range want {
		got, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil || !bytes.Equal(got, data) {
			t.Errorf("docs/understand/%s is not what the demo gives (%v): go generate ./internal/understand, and read the difference", name, err)
		}
	}
}

// Whatever build it is, the chapters are whole: no verb of a format left over, no number that is none, no axis without data.
func TestChaptersOfEveryBuild(t *testing.T) {
	demo := proved(t, examples.Demo)
	bad := regexp.MustCompile(`%!|NaN|Inf|\bunknown\b|\+0\.0 |\b0 Ω`)
	for _, name := range examples.Names {
		own := proved(t, name)
		mine := 0
		for _, c := range all(t, own, demo) {
			if c.Of == own.Build.Name() {
				mine++
			}
			prose := 0
			for _, b := range c.Blocks {
				switch {
				case b.Figure != nil:
					for _, k := range b.Figure.Curves {
						if len(k.X) < 2 || len(k.X) != len(k.Y) || slices.ContainsFunc(k.Y, math.IsNaN) {
							t.Errorf("%s, %s: curve %q of %q", name, c.ID, k.Label, b.Figure.Title)
						}
					}
				case b.Table != nil:
					for _, r := range b.Table.Rows {
						if len(r) != len(b.Table.Columns) || slices.ContainsFunc(r, func(x finding.Cell) bool { return math.IsNaN(x.Number) }) {
							t.Errorf("%s, %s: row %v", name, c.ID, r)
						}
					}
				default:
					prose++
					if m := bad.FindString(b.Text); m != "" {
						t.Errorf("%s, %s: %q in %q", name, c.ID, m, b.Text)
					}
				}
			}
			if prose < 4 {
				t.Errorf("%s, %s: %d paragraphs", name, c.ID, prose)
			}
		}
		if mine == 0 {
			t.Errorf("%s: no chapter is computed from it", name)
		}
		t.Logf("%s: %d of 5 chapters from its own circuit", name, mine)
	}
}

// Figures that the standards and the physics give: half the light is 76 of 100 in lightness (CIE 1976) and 80 of 100 by the power
// law with a third; a half of 58 µs seen with a clock 8 % fast is 62.6 µs; a 55 µs half fails the 52 µs window below −5.45 %, a
// 61 µs half the 64 µs window above +4.92 % (NMRA S-9.1, table 1).
func TestWhatTheChaptersSay(t *testing.T) {
	demo := proved(t, examples.Demo)
	page := map[string]string{}
	for name, data := range understand.Markdown(all(t, demo, demo)) {
		page[name] = strings.NewReplacer("\u2009", " ", "\u202f", " ", "\u00a0", " ").Replace(string(data))
	}
	for _, c := range []struct{ page, says string }{
		{"half.md", "half the light looks 76 % as bright"}, {"half.md", "in the dark 80 %"}, {"half.md", "in the mean: 50 %"},
		{"clock.md", "62.6 µs, a one"}, {"clock.md", "50.6 µs, neither"}, {"clock.md", "understands nothing below −5.2 %"}, {"clock.md", "lost above +4.8 %"},
		{"base.md", "IC/IB = 10"}, {"hidden.md", "±1.2 %"},
	} {
		if !strings.Contains(page[c.page], c.says) {
			t.Errorf("%s does not say %q", c.page, c.says)
		}
	}
}
