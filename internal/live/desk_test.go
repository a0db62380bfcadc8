package live_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"fettle/internal/build"
)

// The bench sheet is made once for a circuit, says how far it is, and can be stopped; a reading that is taken changes what was read
// and nothing else; a changed part makes it anew.
func TestBench(t *testing.T) {
	dir := folder(t)
	b := book(t, dir)
	stopped := make(chan error, 1)
	go func() { _, err := b.Bench(context.Background(), ""); stopped <- err }()
	for end := time.Now().Add(time.Minute); b.Doing().Total == 0; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("no progress is told")
		}
	}
	b.Cancel()
	if err := <-stopped; !errors.Is(err, context.Canceled) {
		t.Fatalf("stopped: %v", err)
	}
	if _, ok := b.KnownBench(); ok || b.Doing().Question != "" {
		t.Errorf("after the stop %+v is going on", b.Doing())
	}
	first, err := b.Bench(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	row := first.Sheet.Rows()[0]
	was := read(t, dir, build.ReadingsName)
	if _, err := b.AppendBench("", build.BenchReading{Date: "2026-03-01", Setup: row.Setup, Test: row.Point + " to " + row.Against, Text: "1 mA"}); err != nil {
		t.Fatal(err)
	}
	if undo, _ := b.Steps(); undo != "a reading" || !strings.HasPrefix(read(t, dir, build.ReadingsName), was) {
		t.Errorf("%q\n%s", undo, read(t, dir, build.ReadingsName))
	}
	again, err := b.Bench(t.Context(), "a")
	if err != nil || again.Sheet != first.Sheet || len(again.Build.Bench) != 1 || len(first.Build.Bench) != 0 {
		t.Errorf("%v: %d readings, the same sheet: %v", err, len(again.Build.Bench), again.Sheet == first.Sheet)
	}
	if known, ok := b.KnownBench(); !ok || len(known.Build.Bench) != 1 {
		t.Error("it is not known")
	}
	if table, err := b.Faults(t.Context(), ""); err != nil || table != again.Table {
		t.Errorf("%v: the table is made again", err)
	}
	// A line that would be left out is refused.
	var before = read(t, dir, build.ReadingsName)
	if _, err := b.AppendBench("", build.BenchReading{Setup: row.Setup, Test: "PB0 to plus", Text: "5 V", Meter: "nobody's"}); err == nil || read(t, dir, build.ReadingsName) != before {
		t.Errorf("a meter that is not there: %v", err)
	}
	if _, err := b.Edit(b.Now().ID, []build.Edit{{Path: []string{"decoder", "a", "output", "front"}, Attr: "series", Value: "910 Ω"}}, ""); err != nil {
		t.Fatal(err)
	}
	if _, ok := b.KnownBench(); ok {
		t.Error("the sheet of another resistor")
	}
	if _, err := b.Bench(t.Context(), "nobody"); err == nil || !strings.Contains(err.Error(), `no decoder "nobody"`) {
		t.Error(err)
	}
}
