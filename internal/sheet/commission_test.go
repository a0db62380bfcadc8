package sheet

import (
	"strings"
	"testing"

	"fettle/examples"
	"fettle/internal/bench"
	"fettle/internal/build"
	"fettle/internal/work"
)

var commissioned []byte // what every fault would show takes seconds

// commission is the bench sheet of the embedded demo, with three readings taken.
func commission(t *testing.T) []byte {
	t.Helper()
	if commissioned != nil {
		return commissioned
	}
	f, list, err := build.OpenFS(examples.FS, examples.Demo)
	if err != nil || list.HasErrors() {
		t.Fatal(err, list)
	}
	b, err := (&work.Runner{}).Bench(t.Context(), f, "")
	if err != nil {
		t.Fatal(err)
	}
	var taken []bench.Taken
	for _, text := range []string{"5 = 812 Ω", "6 = 99 kΩ", "lamp front lit = yes"} {
		row, v, list := b.Read("test", 1, text, nil)
		if len(list) > 0 {
			t.Fatal(list)
		}
		taken = append(taken, bench.Taken{Row: row, Value: v})
	}
	page, err := Bench(b, taken, Title{What: "decoder a", Vehicle: "harbour railcar", Scale: "N", Date: "2026-03-01", File: "harbour-railcar.fettle"})
	if err != nil {
		t.Fatal(err)
	}
	commissioned = page
	return page
}

// The page needs nothing else; the steps stand in the order of the work, each reading has its box, what was read stands in it,
// and every letter of a row is on the schematic and in the key.
func TestBenchPage(t *testing.T) {
	s := string(commission(t))
	for _, bad := range []string{"<script", "src=", "href=", "url(", "@import", "NaN", "Inf", "ZgotmplZ", "%!"} {
		if strings.Contains(s, bad) {
			t.Errorf("the page holds %q", bad)
		}
	}
	last := 0
	for _, want := range []string{"Local rules", "Where the probes go", `class="tagged"`, "The bare vehicle", "without power", "812", "99.0", "First power", "Switch off at once", "Supply",
		"not a rail", "Chip", "Ear", "Outputs", "on DC", "programming track", "On the layout"} {
		at := strings.Index(s[last:], want)
		if at < 0 {
			t.Fatalf("%q does not stand in its place", want)
		}
		last += at
	}
	if rows, boxes := strings.Count(s, `<td class="n">`), strings.Count(s, `<span class="pen`); rows < 30 || rows != boxes {
		t.Errorf("%d readings, %d boxes", rows, boxes)
	}
	for _, l := range []string{"A", "F", "I", "N"} {
		if !strings.Contains(s, ">"+l+"</text>") || strings.Count(s, `<b class="letter">`+l+`</b>`) < 2 {
			t.Errorf("test point %s is not on the schematic, in the key and in a row", l)
		}
	}
}
