package fault_test

import (
	"context"
	"math"
	"strings"
	"testing"

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

// The table of the demo: nothing wrong stands first, the priors add up, a sound decoder shows something at every test, and with
// nothing known the reading advised first is one without power.
func TestBuild(t *testing.T) {
	table, err := fault.Build(context.Background(), network(t, examples.Demo), fault.Building{})
	if err != nil {
		t.Fatal(err)
	}
	sum := 0.0
	for _, c := range table.Causes {
		sum += c.Prior
	}
	if table.Causes[0].ID != fault.Healthy || len(table.Causes) < 100 || math.Abs(sum-1) > 1e-9 {
		t.Errorf("%d causes, first %q, priors add up to %g", len(table.Causes), table.Causes[0].ID, sum)
	}
	s := fault.NewSession(table)
	for i := range table.Tests {
		if shown := s.State.Foresee(0, i); shown.None > 0.01 {
			t.Errorf("%s: nothing can be foreseen of %.0f %% of sound decoders", table.Tests[i].Words, 100*shown.None)
		}
	}
	if next := s.Next(); len(next) == 0 || table.Tests[next[0].Test].Setup != "unpowered" {
		t.Errorf("advised first: %+v", next[:min(1, len(next))])
	}
	// A decoder that shows what a sound one shows in the middle is called sound, and what cannot be told from that is said.
	for n := 0; ; n++ {
		if known, _ := s.Conclusion(); known == fault.Sound {
			break
		}
		next := s.Next()
		if n == 40 || len(next) == 0 {
			t.Fatalf("not sound after %d readings", n)
		}
		shown, best := s.State.Foresee(0, next[0].Test), 0
		for k, p := range shown.Choices {
			if p > shown.Choices[best] {
				best = k
			}
		}
		s.Put(fault.Reading{Test: next[0].Test, Value: shown.Median, Over: shown.Over > 0.5, Choice: best}, "")
	}
	said := ""
	for _, n := range s.Findings().Notes {
		if n.Kind == "cannot tell" {
			said = n.Text
		}
	}
	if len(table.Alike) == 0 || !strings.Contains(said, "the base resistor of output front is 11 kΩ in place of 10 kΩ") {
		t.Errorf("cannot tell %q", said)
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
