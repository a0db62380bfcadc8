package probe_test

import (
	"fmt"
	"math"
	"testing"

	"fettle/examples"
	"fettle/internal/circuit"
	"fettle/internal/probe"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// shorts are edits that make the supply give way.
func shorts(n *wiring.Network) map[string]func(*circuit.Circuit) {
	short := func(a, b circuit.Node) func(*circuit.Circuit) {
		return func(c *circuit.Circuit) { c.Resistor("short", a, b, 0.05) }
	}
	list := map[string]func(*circuit.Circuit){
		"plus on minus":               short(n.Plus, circuit.Ground),
		"left rail on right rail":     short(n.LeftRail, n.RightRail),
		"chip's supply on minus":      short(n.VCC, circuit.Ground),
		"plus through 100 Ω to minus": func(c *circuit.Circuit) { c.Resistor("leak", n.Plus, circuit.Ground, 100) },
	}
	for k, e := range n.Bridge {
		if e < 0 {
			continue
		}
		list[fmt.Sprintf("rectifier diode %d turned round", k+1)] = func(c *circuit.Circuit) {
			at := c.Elements()[e].Nodes
			c.Reconnect(e, 0, at[1])
			c.Reconnect(e, 1, at[0])
		}
	}
	return list
}

// A supply gives what is asked of it up to its limit and the limit beyond: what it draws without one tells which. Where it gives
// way, the rails keep what a resistor in the lead would leave that drops the rest at the limit, closed form: on a bench with
// that resistor and no limit the same current flows.
func TestTheLimitHolds(t *testing.T) {
	for _, name := range examples.Names {
		n := network(t, name)
		s := probe.Settings{Limit: 0.05, Supply: 12}
		bench, free := probe.New(n, s), probe.New(n, probe.Settings{Limit: 1e4, Supply: 12})
		way := 0
		for what, edit := range shorts(n) {
			limited, err := bench.Rig(edit)
			if err != nil {
				t.Fatal(name, what, err)
			}
			whole, err := free.Rig(edit)
			if err != nil {
				t.Fatal(name, what, err)
			}
			for _, side := range []string{"left", "right"} {
				id := "board-" + side + "-off:"
				m := find(t, bench, id+"current")
				got, asked := limited.Read(m), whole.Read(m)
				if want := math.Min(asked, 0.05); !(math.Abs(got-want) <= 2e-3*want+2e-5) {
					t.Errorf("%s, %s, %s: %g A, want %g of the %g asked", name, what, id, got, want, asked)
				}
				if asked < 0.06 {
					continue
				}
				way++
				left := limited.Read(find(t, bench, id+"left rail"))
				right := limited.Read(find(t, bench, id+"right rail"))
				lead := (12 - math.Abs(left-right)) / 0.05
				through, err := probe.New(n, probe.Settings{Limit: 1e4, Supply: 12, Series: unit.Ohm(lead)}).Rig(edit)
				if err != nil {
					t.Fatal(err)
				}
				if i := through.Read(m); !(math.Abs(i-0.05) <= 2e-4) {
					t.Errorf("%s, %s, %s: rails %g V apart at the limit; through %g Ω flow %g A", name, what, id, left-right, lead, i)
				}
			}
		}
		if way < 6 {
			t.Errorf("%s: the supply gave way %d times only", name, way)
		}
	}
}

// What is foreseen at a point does not depend on what was measured before, where the supply gives way as elsewhere.
func TestTheWayThereDoesNotMatter(t *testing.T) {
	n := network(t, examples.Demo)
	bench := probe.New(n, probe.Settings{})
	zs := samples(n, 4)
	for what, edit := range shorts(n) {
		used, err := bench.Rig(edit)
		if err != nil {
			t.Fatal(err)
		}
		out, first := make([]float64, len(bench.Measurements)), make([]float64, len(bench.Measurements))
		all := func(int) bool { return true }
		for k, z := range zs {
			fresh, err := bench.Rig(edit)
			if err != nil {
				t.Fatal(err)
			}
			used.Set(z)
			fresh.Set(z)
			for s := range bench.Setups {
				used.ReadSetup(s, all, out)
				fresh.ReadSetup(s, all, first)
			}
			for m, q := range bench.Measurements {
				if x, y := out[m], first[m]; x != y && !(math.Abs(x-y) <= 1e-3+4e-3*math.Abs(y)) {
					t.Errorf("%s, point %d, %s: %g after others, %g first", what, k, q.ID, x, y)
				}
			}
		}
	}
}
