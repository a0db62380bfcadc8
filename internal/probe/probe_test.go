package probe_test

import (
	"context"
	"math"
	"testing"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/choose"
	"fettle/internal/circuit"
	"fettle/internal/meter"
	"fettle/internal/probe"
	"fettle/internal/spread"
	"fettle/internal/survey"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// network is a demo with its values chosen.
func network(t testing.TB, name string) *wiring.Network {
	t.Helper()
	f, list, err := build.OpenFS(examples.FS, name)
	if err != nil || list.HasErrors() {
		t.Fatal(err, list)
	}
	s, err := survey.Survey(context.Background(), f.Build, survey.Settings{})
	if err != nil {
		t.Fatal(err)
	}
	c, err := choose.Choose(context.Background(), f.Build, s.Lamps)
	if err != nil {
		t.Fatal(err)
	}
	n, missing, err := wiring.NewNetwork(c.Build, &c.Build.Decoders[0], s.Lamps)
	if err != nil || len(missing) > 0 {
		t.Fatal(err, missing)
	}
	return n
}

func samples(n *wiring.Network, count int) [][]float64 {
	box := make(spread.Space, len(n.Vars))
	for i, v := range n.Vars {
		box[i] = spread.Var{Name: v.Name, Law: spread.Law(v.Law), Levels: v.Levels, Vertices: v.Vertices}
	}
	zs := make([][]float64, count)
	for k := range zs {
		zs[k] = make([]float64, len(n.Vars))
		box.Sample(1, k, zs[k])
	}
	return zs
}

func find(t testing.TB, b *probe.Bench, id string) int {
	t.Helper()
	for m, q := range b.Measurements {
		if q.ID == id {
			return m
		}
	}
	t.Fatalf("no measurement %q", id)
	return -1
}

func near(t *testing.T, what string, got, want, off float64) {
	t.Helper()
	if got != want && !(math.Abs(got-want) <= off) {
		t.Errorf("%s: %g, want %g ± %g", what, got, want, off)
	}
}

// A bench without an edit shows what the network itself says, where the meter's load is nothing: in the vehicle every voltage
// of both polarities, on DCC their mean, and between the rails 1.111 times the amplitude on an averaging meter (a square wave
// of equal halves: π/(2√2), Signal.Responds) and the amplitude on a true-RMS one.
func TestShowsWhatTheNetworkSays(t *testing.T) {
	for _, name := range examples.Names {
		n := network(t, name)
		b := probe.New(n, probe.Settings{})
		f, err := b.Foresee(nil, samples(n, 2), nil)
		if err != nil {
			t.Fatal(err)
		}
		n.Set(n.Typical())
		usual := n.Build.Track.Usual.Value
		ops := map[bool]wiring.Operating{}
		for _, left := range []bool{true, false} {
			var op wiring.Operating
			n.Read(n.Solve(wiring.State{LeftPositive: left, Drive: wiring.On, Track: usual}), &op)
			ops[left] = op
		}
		left, right := ops[true], ops[false]
		near(t, name+": plus on DC", f.Typical[find(t, b, "vehicle-left-on:plus")], float64(left.Plus), 2e-3)
		near(t, name+": chip on DC", f.Typical[find(t, b, "vehicle-left-on:chip supply")], float64(left.VCC), 2e-3)
		near(t, name+": plus on DCC", f.Typical[find(t, b, "dcc-on:plus")], float64(left.Plus+right.Plus)/2, 2e-3)
		near(t, name+": AC between the rails", f.Typical[find(t, b, "dcc-on:rails")], math.Pi/(2*math.Sqrt2)*float64(usual), 0.01)
		spec := meter.Cheap()
		spec.TrueRMS = true
		r, err := probe.New(n, probe.Settings{Meter: spec}).Rig(nil)
		if err != nil {
			t.Fatal(err)
		}
		near(t, name+": true RMS between the rails", r.Read(find(t, b, "dcc-on:rails")), float64(usual), 0.01)
	}
}

// The meter's own resistance counts: a collector that only an LED and leakage hold up stands at another voltage with 1 MΩ on it
// than without, and at what the circuit has with such a resistor.
func TestTheMeterLoads(t *testing.T) {
	n := network(t, examples.Demo)
	b := probe.New(n, probe.Settings{})
	m := find(t, b, "vehicle-left-off:front.collector")
	f, err := b.Foresee(nil, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	o := &n.Outputs[0]
	with := func(r unit.Ohm) float64 {
		e, err := n.Edited(func(c *circuit.Circuit) { c.Resistor("meter", o.Switch.Out, circuit.Ground, r) })
		if err != nil {
			t.Fatal(err)
		}
		e.Set(e.Typical())
		if sol := e.Solve(wiring.State{LeftPositive: true, Drive: wiring.Off, Track: 14}); sol.Status != circuit.Solved {
			t.Fatal(sol)
		}
		return float64(e.Solver.V(o.Switch.Out))
	}
	near(t, "with 1 MΩ", f.Typical[m], with(1e6), 1e-3)
	if free := with(1e12); math.Abs(free-f.Typical[m]) < 0.3 {
		t.Errorf("free %g V, with the meter %g V: no load seen", free, f.Typical[m])
	}
}

// Single faults on the demo, where their readings can be said beforehand.
func TestFaultsShow(t *testing.T) {
	n := network(t, examples.Demo)
	b := probe.New(n, probe.Settings{})
	o := &n.Outputs[0]
	series, _ := o.Resistor("series")
	base, _ := o.Resistor("base")
	read := func(edit func(*circuit.Circuit), id string) float64 {
		t.Helper()
		r, err := b.Rig(edit)
		if err != nil {
			t.Fatal(err)
		}
		return r.Read(find(t, b, id))
	}
	remove := func(e circuit.Elem) func(*circuit.Circuit) { return func(c *circuit.Circuit) { c.Remove(e) } }
	short := func(x, y circuit.Node) func(*circuit.Circuit) {
		return func(c *circuit.Circuit) { c.Resistor("short", x, y, 0.05) }
	}
	near(t, "ohms over the series resistor", read(nil, "unpowered:ohms:front.socket>front.collector"), float64(series.Value()), 1)
	near(t, "the same with it open", read(remove(series.Elem), "unpowered:ohms:front.socket>front.collector"), math.Inf(1), 0)
	if v := read(nil, "unpowered:diode-test:front.base>minus"); v < 0.55 || v > 0.8 {
		t.Errorf("diode test of a base: %g V", v)
	}
	near(t, "diode test of a base, leads exchanged", read(nil, "unpowered:diode-test:minus>front.base"), math.Inf(1), 0)
	near(t, "diode test of a base shorted to its emitter", read(short(o.Switch.Input, circuit.Ground), "unpowered:diode-test:front.base>minus"), 0, 1e-3)
	near(t, "base on, its resistor open", read(remove(base.Elem), "board-left-on:front.base"), 0, 1e-3)
	near(t, "collector on, shorted to the emitter", read(short(o.Switch.Out, circuit.Ground), "vehicle-left-off:front.collector"), 0, 1e-3)
	l := &n.Lamps[0]
	healthy := read(nil, "lamp-front:current")
	if healthy < 5e-3 || healthy > 15e-3 {
		t.Errorf("front lamp on 12 V: %g A", healthy)
	}
	near(t, "lamp with its LED open", read(remove(l.LED), "lamp-front:current"), 0, 1e-6)
	near(t, "lamp turned round", read(nil, "lamp-front-back:current"), 0, 1e-6)
	// What shorts the supply gets the limit and no more, and the rails sink.
	near(t, "current with plus on minus", read(short(n.Plus, circuit.Ground), "board-left-off:current"), 0.05, 0.001)
	if v := read(short(n.Plus, circuit.Ground), "board-left-off:left rail"); v > 1.5 {
		t.Errorf("left rail with plus on minus: %g V", v)
	}
	// A resistor for a limit.
	r, err := probe.New(n, probe.Settings{Series: 470}).Rig(short(n.Plus, circuit.Ground))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "current with plus on minus behind 470 Ω", r.Read(find(t, b, "board-left-off:current")), (12-1.5)/470, 0.002)
}

// What an edit leaves alone is taken over from the healthy forecast; what it changes is what it would be without one.
func TestTakingOverChangesNothing(t *testing.T) {
	n := network(t, examples.Demo)
	b := probe.New(n, probe.Settings{})
	zs := samples(n, 5)
	healthy, err := b.Foresee(nil, zs, nil)
	if err != nil {
		t.Fatal(err)
	}
	base, _ := n.Outputs[1].Resistor("base")
	edit := func(c *circuit.Circuit) { c.Remove(base.Elem) }
	fresh, err := b.Foresee(edit, zs, nil)
	if err != nil {
		t.Fatal(err)
	}
	over, err := b.Foresee(edit, zs, healthy)
	if err != nil {
		t.Fatal(err)
	}
	taken := 0
	for m := range b.Measurements {
		for k := range zs {
			x, y := fresh.Samples[m][k], over.Samples[m][k]
			if healthy.Samples[m][k] == y {
				taken++
			}
			if math.IsInf(x, 1) != math.IsInf(y, 1) || math.Abs(x-y) > 1e-3+0.02*math.Abs(x) {
				t.Errorf("%s, sample %d: %g, taken over %g", b.Measurements[m].ID, k, x, y)
			}
		}
	}
	if taken < len(b.Measurements)*len(zs)/4 {
		t.Errorf("only %d taken over", taken)
	}
}

// BenchmarkForesee is one fault of the demo on everything that can be measured, 200 boards each.
func BenchmarkForesee(b *testing.B) {
	n := network(b, examples.Demo)
	bench := probe.New(n, probe.Settings{})
	zs := samples(n, 200)
	healthy, err := bench.Foresee(nil, zs, nil)
	if err != nil {
		b.Fatal(err)
	}
	base, _ := n.Outputs[0].Resistor("base")
	for b.Loop() {
		if _, err := bench.Foresee(func(c *circuit.Circuit) { c.Remove(base.Elem) }, zs, healthy); err != nil {
			b.Fatal(err)
		}
	}
}
