package prove

import (
	"context"
	"fmt"
	"testing"
	"time"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/choose"
	"fettle/internal/circuit"
	"fettle/internal/require"
	"fettle/internal/spread"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

func TestSpeed(t *testing.T) {
	f, _, _ := build.OpenFS(examples.FS, examples.Demo)
	b := f.Build
	for i := range b.Decoders[0].Outputs {
		o := &b.Decoders[0].Outputs[i]
		o.Series = build.Given(unit.Ohm(1000))
		o.Base = build.Given(unit.Ohm(3300))
		o.Pulldown = build.Given(unit.Ohm(100000))
	}
	n, m, err := wiring.NewNetwork(b, &b.Decoders[0], demoLamps())
	if err != nil || m != nil {
		t.Fatal(err, m)
	}
	set := require.For(n)
	sp := make(spread.Space, len(n.Vars))
	for i, v := range n.Vars {
		sp[i] = spread.Var{Name: v.Name, Law: spread.Law(v.Law), Levels: v.Levels}
	}
	z := make([]float64, len(n.Vars))
	iters := make([]int, len(set.States))
	conts := make([]int, len(set.States))
	bad := make([]int, len(set.States))
	times := make([]time.Duration, len(set.States))
	var op wiring.Operating
	var tset time.Duration
	const N = 4000
	for i := range N {
		sp.Sample(1, i, z)
		t0 := time.Now()
		n.Set(z)
		tset += time.Since(t0)
		for k, st := range set.States {
			t0 := time.Now()
			sol := n.Solve(st)
			times[k] += time.Since(t0)
			iters[k] += sol.Iterations
			if sol.Continuation {
				conts[k]++
			}
			n.Read(sol, &op)
			if op.Plus > 30 || op.Out[0].VCE > 40 || op.Out[0].VCE < -20 {
				fmt.Println("WILD", sol, op.Plus, op.VCC, op.Out[0].VCE, i, st)
			}
			if sol.Status != circuit.Solved {
				bad[k]++
				if bad[k] == 1 {
					fmt.Println("BAD", sol, n.Solver.Why(), st)
				}
			}
		}
	}
	fmt.Println("set", tset/N, "vars", len(n.Vars))
	for k, st := range set.States {
		fmt.Println(st, times[k]/N, float64(iters[k])/N, conts[k], bad[k])
	}
	_ = context.Background
	_ = choose.Choose
	t0 := time.Now()
	ev := set.On(n)
	w := ev.Worst()
	fmt.Println("worst", time.Since(t0), w[0].Evals, len(set.Requirements))
	for k := range len(set.Requirements) {
		ev := set.One(k).On(n)
		t0 := time.Now()
		w := ev.Worst()
		fmt.Println("  one", set.Requirements[k].ID, time.Since(t0), w[0].Evals, w[0].NonMonotone)
	}
}
