package bench_test

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"fettle/examples"
	"fettle/internal/bench"
	"fettle/internal/build"
	"fettle/internal/defect"
	"fettle/internal/finding"
	"fettle/internal/meter"
	"fettle/internal/probe"
	"fettle/internal/spread"
	"fettle/internal/unit"
	"fettle/internal/wiring"
	"fettle/internal/work"
)

func network(t testing.TB, name string) *wiring.Network {
	t.Helper()
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

// typical are the single faults of a decoder, each on the typical board.
func typical(t testing.TB, n *wiring.Network, tools probe.Settings) (out []bench.Fault) {
	t.Helper()
	hyps, err := defect.Hypotheses(n, defect.Options{})
	if err != nil {
		t.Fatal(err)
	}
	b := probe.New(n, tools)
	number := map[string]int{}
	for m := range b.Measurements {
		number[b.Measurements[m].ID] = m
	}
	sound, err := b.Foresee(nil, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range hyps {
		if h.ID == defect.Sound || len(h.Of) > 0 {
			continue
		}
		f := sound
		if h.Edit != nil {
			if f, err = b.Foresee(h.Edit, nil, sound); err != nil {
				t.Fatal(err)
			}
		}
		out = append(out, bench.Fault{Words: h.Words, Repair: h.Repair, Prior: h.Prior, Shows: func(test string) []float64 {
			m, ok := number[test]
			if !ok {
				return nil
			}
			return []float64{b.Shown(&b.Measurements[m], f.Typical[m])}
		}})
	}
	return out
}

// Other sound decoders, measured on other meters within their specification, read inside what the sheet expects. The seed of
// the builds is not the sheet's.
func TestSoundReadsInside(t *testing.T) {
	for _, name := range []string{examples.Demo, "quarry-shunter"} {
		n := network(t, name)
		s, err := bench.New(n, bench.Settings{})
		if err != nil {
			t.Fatal(err)
		}
		b := probe.New(n, probe.Settings{})
		box := make(spread.Space, len(n.Vars))
		for i, v := range n.Vars {
			box[i] = spread.Var{Law: spread.Law(v.Law), Levels: v.Levels, Vertices: v.Vertices}
		}
		zs := make([][]float64, 80)
		for k := range zs {
			zs[k] = make([]float64, len(box))
			box.Sample(77, k, zs[k])
		}
		f, err := b.Foresee(nil, zs, nil)
		if err != nil {
			t.Fatal(err)
		}
		rnd := rand.New(rand.NewPCG(3, 4))
		inside, all := 0, 0
		for m := range b.Measurements {
			q := &b.Measurements[m]
			row, ok := s.Row(q.ID)
			if !ok {
				continue
			}
			for _, v := range f.Samples[m] {
				if math.IsNaN(v) {
					continue
				}
				v = b.Shown(q, v)
				if r, ok := b.Settings.Meter.Range(q.Function, v); ok {
					shown, over := r.Show(v, float64(r.Gain)*(2*rnd.Float64()-1), (r.Digits-0.5)*r.Resolution*(2*rnd.Float64()-1))
					if v = shown; over {
						v = math.Inf(1)
					}
				}
				if all++; row.Judge(v) == bench.Holds {
					inside++
				}
			}
		}
		share := float64(inside) / float64(all)
		t.Logf("%s: %d readings on the sheet, %.2f %% of %d simulated ones inside", name, len(s.Rows()), 100*share, all)
		if share < 0.99 {
			t.Errorf("%s: %.2f %% of sound readings inside, want 99 %%", name, 100*share)
		}
	}
}

// The order of the work is kept, every reading stands once, none is out of reach; and the sheet catches most of what may be
// wrong, which without its readings would not be.
func TestSheetOfTheDemo(t *testing.T) {
	n := network(t, examples.Demo)
	faults := typical(t, n, probe.Settings{})
	s, err := bench.New(n, bench.Settings{Faults: faults})
	if err != nil {
		t.Fatal(err)
	}
	var order []string
	for _, st := range s.Steps {
		order = append(order, st.ID)
	}
	if want := []string{"vehicle-bare", "unpowered", "first-power", "supply", "chip", "ear", "outputs", "vehicle-dc", "layout"}; !slices.Equal(order, want) {
		t.Errorf("steps %v, want %v", order, want) // what is only looked at was not given here
	}
	seen := map[string]bool{}
	for i, r := range s.Rows() {
		if seen[r.Test] || r.Number != i+1 || r.Buried {
			t.Errorf("row %d: %+v", i+1, r)
		}
		seen[r.Test] = true
	}
	if len(s.Rows()) > 56 || 10*s.Caught < 9*s.Faults {
		t.Errorf("%d readings catch %d of %d", len(s.Rows()), s.Caught, s.Faults)
	}
	t.Logf("%d readings catch %d of %d", len(s.Rows()), s.Caught, s.Faults)
	// A base resistor of the wrong decade reads off where it is measured, and is named there.
	row, ok := s.Row("unpowered:ohms:PB0>front.base")
	if !ok || row.Number == 0 {
		t.Fatal("the base resistor is not on the sheet")
	}
	if m := row.Means(bench.Above); !strings.Contains(m, "base resistor of output front") {
		t.Errorf("above: %q", m)
	}
	for i := range faults {
		if !strings.Contains(faults[i].Words, "base resistor of output front is 100") {
			continue
		}
		if v := faults[i].Shows(row.Test)[0]; row.Judge(v) != bench.Above {
			t.Errorf("%s reads %g: %s", faults[i].Words, v, row.Judge(v))
		}
	}
}

// Where no probe reaches the base, what only shows there is not caught, and the base is named as what would.
func TestOutOfReach(t *testing.T) {
	n := network(t, examples.Demo)
	tools := probe.Settings{OutOfReach: []string{"front.base", "front.collector", "front.socket", "PB0"}}
	faults := typical(t, n, tools)
	s, err := bench.New(n, bench.Settings{Faults: faults, Tools: tools})
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range s.Rows() {
		if slices.Contains(tools.OutOfReach, r.Point) || slices.Contains(tools.OutOfReach, r.Against) {
			t.Errorf("no. %d goes to %s", r.Number, r.Probes())
		}
	}
	cured := false
	for _, m := range s.Misses {
		cured = cured || slices.Contains(tools.OutOfReach, m.Point)
	}
	j, table := s.Untestable()
	if !cured || !strings.Contains(j.Mend, "front.base") && !strings.Contains(j.Mend, "front.collector") || j.Verdict != finding.Reported || len(table.Rows) != len(s.Misses) {
		t.Errorf("%+v\n%+v", j, s.Misses)
	}
}

// On 14 V of DCC an averaging meter shows 14·π/(2√2) = 15.55 V between the rails, a true-RMS one 14 V: closed form.
func TestACOnDCC(t *testing.T) {
	n := network(t, examples.Demo)
	for _, trueRMS := range []bool{false, true} {
		spec := meter.Cheap()
		spec.TrueRMS = trueRMS
		s, err := bench.New(n, bench.Settings{Tools: probe.Settings{Meter: spec}, Samples: 40})
		if err != nil {
			t.Fatal(err)
		}
		row, ok := s.Row("dcc-on:rails")
		want := float64(n.Build.Track.Usual.Value)
		if !trueRMS {
			want *= math.Pi / (2 * math.Sqrt2)
		}
		r, _ := spec.Range(meter.ACVoltage, want)
		if !ok || math.Abs(row.Typical-want) > r.Resolution || row.Low > want || row.High < want || row.High-row.Low < 2*r.Slack() {
			t.Errorf("true RMS %t: %+v, want %g", trueRMS, row, want)
		}
	}
}

// What stands at the edge of what is expected holds; a count beyond does not.
func TestJudgeAtTheEdge(t *testing.T) {
	r := bench.Row{Low: 4.7, High: 5.3, Unit: unit.SymVolt}
	over := bench.Row{Low: math.Inf(1), High: math.Inf(1)}
	for _, c := range []struct {
		r    bench.Row
		v    float64
		want bench.Verdict
	}{
		{r, 4.7, bench.Holds}, {r, 4.699, bench.Below}, {r, 5.3, bench.Holds}, {r, 5.301, bench.Above}, {r, math.Inf(1), bench.Above}, {r, math.NaN(), bench.None},
		{over, math.Inf(1), bench.Holds}, {over, 1e6, bench.Below}, {bench.Row{Look: true, Yes: true, Low: 1, High: 1}, 0, bench.Below}, {bench.Row{Look: true}, 1, bench.Above},
	} {
		if got := c.r.Judge(c.v); got != c.want {
			t.Errorf("%g against %g to %g: %q, want %q", c.v, c.r.Low, c.r.High, got, c.want)
		}
	}
}
