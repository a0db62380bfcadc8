package spread

import (
	"context"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// plain is a basis of 1 and the variables themselves; a level variable counts by its level.
func plain(s Space) Basis {
	return Basis{Width: len(s) + 1, At: func(z, out []float64) {
		out[0] = 1
		for i, v := range s {
			if out[1+i] = z[i]; v.Levels > 0 {
				out[1+i] = z[i]/float64(v.Levels) - 0.5
			}
		}
	}}
}

// some computes what is asked and nothing else, and counts the points.
func some(eval Eval, quantities int, count *int) func() Some {
	return func() Some {
		return func(z []float64, which []int, out []float64) {
			*count++
			all := make([]float64, quantities)
			eval(z, all)
			for _, q := range which {
				out[q] = all[q]
			}
		}
	}
}

// lampBasis is what varies in lampOutputs in numbers that its quantities follow, as package wiring gives them.
var lampBasis = Basis{Width: 17, At: func(z, out []float64) {
	out[0] = 1
	copy(out[1:], z[:12])
	for k := range 2 {
		out[13+k] = math.Mod(z[12]*float64(k+1), 40)/40 - 0.5
	}
	out[15], out[16] = 0, 0
	if l := int(z[13]); l > 0 {
		out[14+l] = 1
	}
}}

// Screening counts as computing everything does: with limits amid the samples, where little can be spared, and with limits
// that hold by a tenth at the worst case, where most is.
func TestScreenCountsAsAttackDoes(t *testing.T) {
	const n = 10000
	space := lampSpace()
	for _, amid := range []bool{true, false} {
		goals := bothWays(10)
		for g := range goals {
			goals[g].Limit = []float64{0.004, 0.1, 0.02, 1.5, 5e-4}[goals[g].Of%5]
		}
		found, err := Search(space, 10, lampOutputs, goals, Settings{})
		if err != nil {
			t.Fatal(err)
		}
		if !amid {
			for g := range goals {
				w := found.Worst[g].Value
				if goals[g].Limit = w - 0.1*math.Abs(w); goals[g].Max {
					goals[g].Limit = w + 0.1*math.Abs(w)
				}
			}
		}
		full, err := Attack(context.Background(), space, 10, func() Eval { return lampOutputs }, goals, found, n, 1, 1)
		if err != nil {
			t.Fatal(err)
		}
		points := 0
		r, err := Screen(context.Background(), space, 10, lampBasis, some(lampOutputs, 10, &points), goals, found, n, 1, 1)
		if err != nil {
			t.Fatal(err)
		}
		computed := 0
		for g := range goals {
			a, b := r.Goals[g], full.Goals[g]
			if a.Held != b.Held || a.Undefined != b.Undefined || a.Beyond > b.Beyond {
				t.Errorf("goal %d %+v: %+v, truly %+v", g, goals[g], a, b)
			}
			computed += a.Computed
			t.Logf("goal %d: held %d, computed %d, estimate errs by %.3g", g, a.Held, a.Computed, a.Error)
		}
		if share := float64(computed) / float64(n*len(goals)); !amid && share > 0.5 || share >= 1 {
			t.Errorf("limits amid the samples %v: %.0f %% computed", amid, 100*share)
		}
	}
}

// A basis that describes nothing costs time and not truth: a quantity that depends on what the basis does not see, with a
// narrow corner where it fails, is computed nearly everywhere.
func TestScreenWithABlindBasis(t *testing.T) {
	space := make(Space, 3)
	eval := func(z, out []float64) {
		out[0] = math.Sin(40*z[0]) * math.Cos(31*z[1])
		out[1] = z[2] + 2
	}
	goals := []Goal{{Of: 0, Max: true, Limit: 0.99}, {Of: 1, Limit: 0.5}}
	found, err := Search(space, 2, eval, goals, Settings{})
	if err != nil {
		t.Fatal(err)
	}
	basis := Basis{Width: 2, At: func(z, out []float64) { out[0], out[1] = 1, z[2] }}
	full, _ := Attack(context.Background(), space, 2, func() Eval { return eval }, goals, found, 4000, 7, 1)
	points := 0
	r, err := Screen(context.Background(), space, 2, basis, some(eval, 2, &points), goals, found, 4000, 7, 1)
	if err != nil {
		t.Fatal(err)
	}
	if full.Goals[0].Held == 4000 {
		t.Fatal("the case is to fail somewhere")
	}
	for g := range goals {
		if r.Goals[g].Held != full.Goals[g].Held {
			t.Errorf("goal %d: held %d, truly %d", g, r.Goals[g].Held, full.Goals[g].Held)
		}
	}
	if r.Goals[0].Computed < 3900 || r.Goals[1].Computed > 400 {
		t.Errorf("computed %d of what the basis is blind to, %d of what it is", r.Goals[0].Computed, r.Goals[1].Computed)
	}
}

// What is undefined in some samples is computed everywhere; what is never defined, too; the same numbers for any number of
// threads; nothing computed of no samples.
func TestScreenOfWhatIsUndefined(t *testing.T) {
	space := Space{{Name: "a"}, {Name: "b", Law: Normal3}}
	eval := func(z, out []float64) {
		out[0], out[1] = z[0], math.NaN()
		if z[0] > 0.5 {
			out[0] = math.NaN()
		}
	}
	goals := []Goal{{Of: 0, Max: true, Limit: 0.2}, {Of: 1, Limit: 0}}
	found, err := Search(space, 2, eval, goals, Settings{})
	if err != nil {
		t.Fatal(err)
	}
	var first Report
	for _, workers := range []int{1, 3} {
		r, err := Screen(context.Background(), space, 2, plain(space), func() Some {
			return func(z []float64, which []int, out []float64) { eval(z, out) }
		}, goals, found, 3000, 2, workers)
		if err != nil {
			t.Fatal(err)
		}
		for g, a := range r.Goals {
			if a.Computed != 3000 || g == 1 && a.Undefined != 3000 || g == 0 && (a.Undefined < 600 || a.Undefined > 900) {
				t.Errorf("goal %d: %+v", g, a)
			}
			if workers > 1 && (a.Held != first.Goals[g].Held || a.ExtremeAt != first.Goals[g].ExtremeAt) {
				t.Errorf("goal %d: %+v with %d threads, %+v with one", g, a, workers, first.Goals[g])
			}
		}
		if workers == 1 {
			first = r
		}
	}
	if r, err := Screen(context.Background(), space, 2, plain(space), nil, goals, found, 0, 1, 1); err != nil || r.Goals[0].Held != 0 {
		t.Errorf("no samples: %+v, %v", r, err)
	}
	if _, err := Screen(context.Background(), space, 2, plain(space), nil, goals, Found{}, 1, 1, 1); err == nil {
		t.Error("goals without claims accepted")
	}
}

// Random products of powers with a bend: what screening counts is what attacking counts.
func TestScreenCountsRightly(t *testing.T) {
	cases, wrong := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 6).Draw(t, "variables")
		slope, bend := make([]float64, n), make([]float64, n)
		for i := range slope {
			slope[i] = rapid.Float64Range(-0.5, 0.5).Draw(t, "slope")
			bend[i] = rapid.Float64Range(-0.3, 0.3).Draw(t, "bend")
		}
		cross := rapid.Float64Range(-0.3, 0.3).Draw(t, "cross")
		limit := rapid.Float64Range(0.5, 2).Draw(t, "limit")
		eval := func(z, out []float64) {
			sum := cross * z[0] * z[n-1]
			for i, x := range z {
				sum += slope[i]*x + bend[i]*x*x
			}
			out[0] = math.Exp(sum)
		}
		space, goals := make(Space, n), []Goal{{Max: true, Limit: limit}, {Limit: limit}}
		found, err := Search(space, 1, eval, goals, Settings{})
		if err != nil {
			t.Fatal(err)
		}
		full, _ := Attack(context.Background(), space, 1, func() Eval { return eval }, goals, found, 2000, 3, 1)
		points := 0
		r, err := Screen(context.Background(), space, 1, plain(space), some(eval, 1, &points), goals, found, 2000, 3, 1)
		if err != nil {
			t.Fatal(err)
		}
		cases++
		for g := range goals {
			if r.Goals[g].Held != full.Goals[g].Held {
				wrong++
				if d := r.Goals[g].Held - full.Goals[g].Held; d > 2 || d < -2 {
					t.Errorf("held %d, truly %d (computed %d)", r.Goals[g].Held, full.Goals[g].Held, r.Goals[g].Computed)
				}
			}
		}
	})
	if wrong*50 > cases {
		t.Errorf("a count was wrong in %d of %d cases", wrong, cases)
	}
}
