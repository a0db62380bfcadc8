package recording

import (
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"strings"
	"testing"

	"fettle/internal/diag"
	"fettle/internal/unit"
	"fettle/internal/wave"
)

// readAll reads to the end.
func readAll(t testing.TB, r *Recording) wave.Changes {
	t.Helper()
	var all, c wave.Changes
	for {
		err := r.Next(&c)
		if err == io.EOF {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		if len(c.At) == 0 || len(c.At) != len(c.To) {
			t.Fatalf("a block of %d times and %d polarities", len(c.At), len(c.To))
		}
		all.At, all.To = append(all.At, c.At...), append(all.To, c.To...)
	}
}

func open(t testing.TB, text, name string, set Settings) (*Recording, wave.Changes) {
	t.Helper()
	r, l := Open(strings.NewReader(text), name, set)
	if r == nil {
		t.Fatalf("%s: %v", name, l)
	}
	return r, readAll(t, r)
}

func say(c wave.Changes) string {
	var b strings.Builder
	for i := range c.At {
		fmt.Fprintf(&b, "%d%c ", c.At[i], map[wave.Polarity]rune{wave.Positive: '+', wave.Negative: '-', wave.None: '0', wave.Uncertain: '?'}[c.To[i]])
	}
	return strings.TrimSpace(b.String())
}

func codesOf(l diag.List) string {
	var c []string
	for _, p := range l {
		c = append(c, p.Code)
	}
	return strings.Join(c, " ")
}

// halves are the half-bits of packets that look like DCC: a preamble, then random bits.
func halves(n int, r *rand.Rand) []unit.Time {
	var h []unit.Time
	for len(h) < n {
		for range 14 {
			h = append(h, 58, 58)
		}
		for range 30 {
			d := unit.Time(58 + 42*r.IntN(2))
			h = append(h, d, d)
		}
	}
	for i := range h {
		h[i] *= unit.Microsecond
	}
	return h[:n]
}

func dump(n int) []byte {
	var b bytes.Buffer
	b.WriteString("$timescale 1 ns $end\n$scope module track $end\n$var wire 1 ! left $end\n$upscope $end\n$enddefinitions $end\n$dumpvars\n0!\n$end\n")
	var t unit.Time
	r := rand.New(rand.NewPCG(1, 2))
	for i, h := range halves(n, r) {
		t += h + unit.Time(r.IntN(2000))*unit.Nanosecond
		fmt.Fprintf(&b, "#%d\n%d!\n", t/unit.Nanosecond, 1-i%2)
	}
	return b.Bytes()
}

func writef(b *strings.Builder, format string, args ...any) { fmt.Fprintf(b, format, args...) }
