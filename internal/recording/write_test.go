package recording

import (
	"bytes"
	"compress/gzip"
	"io"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"fettle/internal/unit"
	"fettle/internal/wave"
)

// blocks is a source that hands its changes on a few at a time.
type blocks struct{ c wave.Changes }

func (b *blocks) Next(c *wave.Changes) error {
	n := min(3, len(b.c.At))
	if n == 0 {
		return io.EOF
	}
	*c = wave.Changes{At: b.c.At[:n], To: b.c.To[:n]}
	b.c = wave.Changes{At: b.c.At[n:], To: b.c.To[n:]}
	return nil
}

// What is written is read back, time by time and polarity by polarity, packed or not; a recording begins with its first
// known polarity.
func TestWriteThenRead(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var c wave.Changes
		at := unit.Time(rapid.Int64Range(0, 1e9).Draw(t, "first"))
		is := wave.Uncertain
		for range rapid.IntRange(1, 60).Draw(t, "changes") {
			to := rapid.SampledFrom([]wave.Polarity{wave.Negative, wave.Positive, wave.None, wave.Uncertain}).Draw(t, "to")
			if to == is {
				continue
			}
			c.At, c.To = append(c.At, at), append(c.To, to)
			is = to
			at += unit.Time(rapid.OneOf(rapid.Int64Range(1, 1000), rapid.Int64Range(1, 1e15), rapid.SampledFrom([]int64{58e6, 100e6})).Draw(t, "gap"))
		}
		if len(c.At) == 0 {
			return
		}
		for _, f := range []Format{VCD, CSV} {
			var plain, packed bytes.Buffer
			var err error
			if f == VCD {
				err = WriteVCD(&plain, &blocks{c}, "made of $end and\nlines")
			} else {
				err = WriteCSV(&plain, &blocks{c})
			}
			if err != nil {
				t.Fatal(err)
			}
			z := gzip.NewWriter(&packed)
			_, _ = z.Write(plain.Bytes())
			_ = z.Close()
			for _, b := range []*bytes.Buffer{&plain, &packed} {
				zipped := b == &packed
				r, l := Open(b, "x", Settings{Bridge: -1})
				if r == nil {
					t.Fatalf("%s: %v", f, l)
				}
				var got, block wave.Changes
				for r.Next(&block) == nil {
					got.At, got.To = append(got.At, block.At...), append(got.To, block.To...)
				}
				if !slices.Equal(got.At, c.At) || !slices.Equal(got.To, c.To) {
					t.Fatalf("%s: wrote %s, read %s", f, say(c), say(got))
				}
				if a := r.About(); a.Gzip != zipped || a.Kind != TwoRails || a.Changes != int64(len(c.At)) || a.Start != c.At[0] || a.End != c.At[len(c.At)-1] {
					t.Fatalf("%s: %+v", f, a)
				}
			}
		}
	})
}

func TestWriteRefusesTimesBeforeZero(t *testing.T) {
	c := wave.Changes{At: []unit.Time{-5}, To: []wave.Polarity{wave.Positive}}
	if err := WriteVCD(io.Discard, &blocks{c}, ""); err == nil {
		t.Error("VCD has no times before 0")
	}
	var b bytes.Buffer
	if err := WriteCSV(&b, &blocks{c}); err != nil || b.String() != "time_us,left,right\n-0.000005,1,0\n" {
		t.Errorf("%q, %v", b.String(), err)
	}
}
