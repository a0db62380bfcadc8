package dcc

import (
	"io"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"fettle/internal/unit"
	"fettle/internal/wave"
)

// blocks is a source in blocks of one to three changes.
type blocks struct{ c wave.Changes }

func (b *blocks) Next(c *wave.Changes) error {
	n := min(1+len(b.c.At)%3, len(b.c.At))
	c.At, c.To = append(c.At[:0], b.c.At[:n]...), append(c.To[:0], b.c.To[:n]...)
	b.c.At, b.c.To = b.c.At[n:], b.c.To[n:]
	if n == 0 {
		return io.EOF
	}
	return nil
}

func polarityAt(c wave.Changes, t unit.Time) wave.Polarity {
	i, found := slices.BinarySearch(c.At, t)
	if !found {
		i--
	}
	if i < 0 {
		return wave.None
	}
	return c.To[i]
}

// anyChanges is a signal of up to 40 changes, 1 to 30 ps apart.
func anyChanges(t *rapid.T) (c wave.Changes) {
	at, p := unit.Time(rapid.IntRange(-50, 50).Draw(t, "begin")), wave.None
	for range rapid.IntRange(0, 40).Draw(t, "changes") {
		next := rapid.SampledFrom([]wave.Polarity{wave.Positive, wave.Negative, wave.None}).Draw(t, "to")
		if next == p {
			continue
		}
		p = next
		c.At, c.To = append(c.At, at), append(c.To, p)
		at += unit.Time(rapid.IntRange(1, 30).Draw(t, "length"))
	}
	return c
}

// At every look the recording shows what the signal is, and it changes at looks alone.
func TestSampled(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		step := unit.Time(rapid.IntRange(1, 20).Draw(t, "step"))
		c := anyChanges(t)
		got := collect(t, Sampled(&blocks{c}, step))
		for look := unit.Time(-100) / step * step; len(c.At) > 0 && look < c.At[len(c.At)-1]+2*step; look += step {
			if polarityAt(got, look) != polarityAt(c, look) {
				t.Fatalf("at %d %d, is %d", look, polarityAt(got, look), polarityAt(c, look))
			}
		}
		for _, x := range got.At {
			if x%step != 0 {
				t.Fatalf("change at %d, steps of %d", x, step)
			}
		}
	})
}

func TestWriteHalves(t *testing.T) {
	c := wave.Changes{
		At: []unit.Time{-3, 58 * us, 116*us + 500_001, 200 * us, 300 * us},
		To: []wave.Polarity{wave.Positive, wave.Negative, wave.None, wave.Positive, wave.None},
	}
	var b strings.Builder
	if err := WriteHalves(&b, &blocks{c}); err != nil {
		t.Fatal(err)
	}
	if want := "half_us,level\n58.000003,1\n58.500001,0\n83.499999,\n100,1\n"; b.String() != want {
		t.Errorf("%s", b.String())
	}
}
