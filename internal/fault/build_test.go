package fault_test

import (
	"context"
	"testing"
	"time"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/fault"
	"fettle/internal/wiring"
	"fettle/internal/work"
)

func network(t testing.TB, name string) *wiring.Network {
	f, _, err := build.OpenFS(examples.FS, name)
	if err != nil {
		t.Fatal(err)
	}
	c, err := (&work.Runner{}).Choose(context.Background(), f)
	if err != nil {
		t.Fatal(err)
	}
	n, _, err := wiring.NewNetwork(c.Build, &c.Build.Decoders[0], c.Lamps)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func TestBuild(t *testing.T) {
	n := network(t, examples.Demo)
	start := time.Now()
	table, err := fault.Build(context.Background(), n, fault.Building{})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d causes, %d tests, %v", len(table.Causes), len(table.Tests), time.Since(start))
	s := fault.NewSession(table)
	start = time.Now()
	next := s.Next()
	t.Log(time.Since(start))
	for _, a := range next[:8] {
		t.Log(table.Tests[a.Test].Words, a.Bits, a.Score, s.State.Foresees(0, a.Test))
	}
	for i := range table.Tests {
		t.Log(table.Tests[i].Words, s.State.Foresees(0, i))
	}
}

// BenchmarkTable is the whole table of the demo: every cause in every setup at every test point, 200 samples.
func BenchmarkTable(b *testing.B) {
	n := network(b, examples.Demo)
	for b.Loop() {
		if _, err := fault.Build(context.Background(), n, fault.Building{Samples: 200}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkDemoAdvice is the next reading worth taking on the demo, with nothing known.
func BenchmarkDemoAdvice(b *testing.B) {
	table, err := fault.Build(context.Background(), network(b, examples.Demo), fault.Building{})
	if err != nil {
		b.Fatal(err)
	}
	s := table.Start()
	for b.Loop() {
		s.Advise(fault.Settings{})
	}
}
