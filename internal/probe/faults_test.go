package probe_test

import (
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"fettle/examples"
	"fettle/internal/circuit"
	"fettle/internal/probe"
	"fettle/internal/wiring"
)

type fault struct {
	words string
	edit  func(*circuit.Circuit)
}

// faults are every element of the network open, with each two of its terminals shorted or leaking, and turned round.
func faults(n *wiring.Network) (list []fault) {
	for k, e := range n.Circuit.Elements() {
		if e.Removed || circuit.Elem(k) == n.Track || e.Kind == circuit.KindVoltage {
			continue
		}
		add := func(what string, edit func(*circuit.Circuit)) { list = append(list, fault{e.Name + " " + what, edit}) }
		add("open", func(c *circuit.Circuit) { c.Remove(circuit.Elem(k)) })
		for i, x := range e.Nodes {
			for _, y := range e.Nodes[:i] {
				if x == y {
					continue
				}
				add("shorted", func(c *circuit.Circuit) { c.Resistor("short", x, y, 0.05) })
				add("leaking", func(c *circuit.Circuit) { c.Resistor("leak", x, y, 3300) })
			}
		}
		last := len(e.Nodes) - 1
		if e.Kind != circuit.KindResistor && e.Kind != circuit.KindPin {
			add("turned round", func(c *circuit.Circuit) {
				c.Reconnect(circuit.Elem(k), 0, e.Nodes[last])
				c.Reconnect(circuit.Elem(k), last, e.Nodes[0])
			})
		}
	}
	return list
}

// Every single fault of the demo, and every third of the larger ones, is foreseen at every test point in every setup, on several goroutines at once and the same as
// on one; no supply gives more than its limit and no point of a powered board stands beyond the track, with a diode's drop
// for the meter's own current.
func TestEveryFaultIsForeseen(t *testing.T) {
	for _, name := range examples.Names {
		if testing.Short() && name != examples.Demo {
			continue
		}
		n := network(t, name)
		bench := probe.New(n, probe.Settings{})
		zs := samples(n, 1)
		list := faults(n)
		if name != examples.Demo {
			var some []fault
			for k := 0; k < len(list); k += 3 {
				some = append(some, list[k])
			}
			list = some
		}
		got := make([]*probe.Forecast, len(list))
		var group sync.WaitGroup
		for w := range 2 {
			group.Go(func() {
				for k := w; k < len(list); k += 2 {
					f, err := bench.Foresee(list[k].edit, zs, nil)
					if err != nil {
						t.Errorf("%s, %s: %v", name, list[k].words, err)
						continue
					}
					got[k] = f
				}
			})
		}
		group.Wait()
		for k, f := range got {
			if f == nil {
				continue
			}
			for m, q := range bench.Measurements {
				s := &bench.Setups[q.Setup]
				for _, v := range []float64{f.Typical[m], f.Samples[m][0]} {
					switch {
					case math.IsNaN(v):
						t.Errorf("%s, %s: nothing foreseen of %s", name, list[k].words, q.ID)
					case s.Where == probe.Board && strings.HasSuffix(q.ID, ":current") && v > 1.002*float64(bench.Settings.Limit):
						t.Errorf("%s, %s: %s is %g A, the limit %s", name, list[k].words, q.ID, v, bench.Settings.Limit)
					case (s.Where == probe.Board || s.Where == probe.Vehicle) && q.Red >= 0 && !s.DCC && math.Abs(v) > float64(s.State.Track)+1:
						t.Errorf("%s, %s: %s is %g V on %s", name, list[k].words, q.ID, v, s.State.Track)
					}
				}
			}
			if k%40 == 7 {
				again, err := bench.Foresee(list[k].edit, zs, nil)
				if err != nil || !slices.Equal(again.Typical, f.Typical) {
					t.Errorf("%s, %s: another forecast the second time", name, list[k].words)
				}
			}
		}
	}
}

// BenchmarkAllFaults is the table of every element's faults on the demo: each of everything that can be measured, 200 boards.
func BenchmarkAllFaults(b *testing.B) {
	n := network(b, examples.Demo)
	bench := probe.New(n, probe.Settings{})
	zs := samples(n, 200)
	list := faults(n)
	for b.Loop() {
		began := time.Now()
		healthy, err := bench.Foresee(nil, zs, nil)
		if err != nil {
			b.Fatal(err)
		}
		var group sync.WaitGroup
		for w := range 2 {
			group.Go(func() {
				for k := w; k < len(list); k += 2 {
					if _, err := bench.Foresee(list[k].edit, zs, healthy); err != nil {
						b.Error(err)
					}
				}
			})
		}
		group.Wait()
		b.ReportMetric(float64(len(list))/time.Since(began).Seconds(), "faults/s")
		b.ReportMetric(float64(len(list)*len(zs)*len(bench.Measurements))/time.Since(began).Seconds(), "readings/s")
	}
}
