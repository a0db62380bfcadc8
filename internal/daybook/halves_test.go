package daybook

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"testing"

	"fettle/internal/eyes"
	"fettle/internal/unit"
)

// What is embedded is what npm brings in the version that package.json pins.
func TestUplotIsCurrent(t *testing.T) {
	dir := filepath.Join("..", "..", "node_modules", "uplot")
	for name, from := range map[string]string{"uplot.js": "dist/uPlot.iife.min.js", "uplot.css": "dist/uPlot.min.css"} {
		want, err := os.ReadFile(filepath.Join(dir, from))
		if err != nil {
			eyes.Missing(t, "uPlot is not installed: %v", err)
		}
		licence, err := os.ReadFile(filepath.Join(dir, "LICENSE"))
		if err != nil {
			t.Fatal(err)
		}
		got, err := assetFiles.ReadFile(name)
		if err != nil || !bytes.Contains(got, want) || !bytes.Contains(got, licence) {
			t.Errorf("%s is not what npm brought (%v): run go generate ./internal/daybook", name, err)
		}
	}
}

// Pieces keep every extreme: the shortest and the longest half of the whole are among them, however few there are, and each piece
// says what a plain walk over its halves says.
func TestPiecesKeepExtremes(t *testing.T) {
	var at []unit.Time
	now, seed := unit.Time(0), uint32(1)
	for range 200_000 {
		at = append(at, now)
		seed = seed*1664525 + 1013904223
		now += 52*unit.Microsecond + unit.Time(seed>>16)*unit.Nanosecond/2
	}
	at[77_777] += 40 * unit.Microsecond // one half longer, its neighbour shorter
	short, long := math.Inf(1), math.Inf(-1)
	for i := range at[1:] {
		x := (at[i+1] - at[i]).Seconds() * 1e6
		short, long = math.Min(short, x), math.Max(long, x)
	}
	for _, n := range []int{50, 700, 1999} {
		got := pieces(at, math.NaN(), math.NaN(), n)
		if len(got.Time) != n || got.Each {
			t.Fatalf("%d pieces, want %d", len(got.Time), n)
		}
		s, l := math.Inf(1), math.Inf(-1)
		for k := range got.Time {
			if got.Short[k] != nil {
				s, l = math.Min(s, *got.Short[k]), math.Max(l, *got.Long[k])
			}
		}
		if s != short || l != long {
			t.Errorf("%d pieces: %g to %g µs, want %g to %g", n, s, l, short, long)
		}
	}
	few := pieces(at, at[1000].Seconds(), at[1009].Seconds(), 700)
	if !few.Each || len(few.Time) != 10 || *few.Short[0] != (at[1001]-at[1000]).Seconds()*1e6 {
		t.Errorf("ten halves: %d, each %v", len(few.Time), few.Each)
	}
	if none := pieces(at[:1], 0, 1, 10); none.Time != nil {
		t.Error("one change is no half")
	}
}

// A million edges are cut into pieces for one screen in well under a frame.
func BenchmarkPieces(b *testing.B) {
	at := make([]unit.Time, 1_000_000)
	for i := range at {
		at[i] = unit.Time(i) * 58 * unit.Microsecond
	}
	for b.Loop() {
		pieces(at, math.NaN(), math.NaN(), 1200)
	}
}
