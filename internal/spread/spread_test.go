package spread

import (
	"context"
	"errors"
	"math"
	"reflect"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func within(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: %.9g, want %.9g ± %.2g", what, got, want, tol)
	}
}

// The sequence of reference problem P5 (splitmix64 from 20250101): its sample 0 of designs A and B, printed to nine
// digits.
func TestNumbers(t *testing.T) {
	u := func(j uint64) float64 { return Number(20250101, j) }
	for _, c := range []struct {
		what      string
		got, want float64
	}{
		{"R of A", 1500 * (0.95 + 0.10*u(0)), 1525.89797},
		{"Rb of A", 100e3 * (0.95 + 0.10*u(1)), 97230.7501},
		{"R of B", 1430 * (0.95 + 0.10*u(0)), 1454.6894},
		{"Rb of B", 47e3 * (0.95 + 0.10*u(1)), 45698.4525},
		{"BF", 110 * math.Pow(800.0/110, u(2)), 480.354645},
		{"T", 263.15 + 80*u(3), 302.664084},
		{"dV", 0.10 * math.Sqrt(-2*math.Log(1-u(4))) * math.Cos(2*math.Pi*u(5)), -0.0622481865},
	} {
		within(t, c.what, c.got, c.want, 1e-9*math.Abs(c.want)*5)
	}
}

func TestSample(t *testing.T) {
	s := Space{{Name: "u"}, {Name: "n", Law: Normal3}, {Name: "l", Levels: 5}}
	const n = 40000
	z := make([]float64, 3)
	var mean, square [2]float64
	count := make([]int, 5)
	for i := n - 1; i >= 0; i-- { // any order
		s.Sample(9, i, z)
		for k := range mean {
			if z[k] < -1 || z[k] > 1 {
				t.Fatalf("sample %d: %v", i, z)
			}
			mean[k] += z[k] / n
			square[k] += z[k] * z[k] / n
		}
		count[int(z[2])]++
	}
	// Variance 1/3 of the uniform law; of the normal law cut at 3σ: (1 − 6φ(3)/(2Φ(3) − 1))/9 = 0.973334/9.
	within(t, "uniform mean", mean[0], 0, 0.015)
	within(t, "uniform variance", square[0], 1.0/3, 0.008)
	within(t, "normal mean", mean[1], 0, 0.008)
	within(t, "normal variance", square[1], 0.973334/9, 0.004)
	for l, c := range count {
		within(t, "share of level "+string(rune('0'+l)), float64(c)/n, 0.2, 0.01)
	}
	a, b := make([]float64, 3), make([]float64, 3)
	s.Sample(9, 17, a)
	s.Sample(10, 17, b)
	if reflect.DeepEqual(a, b) {
		t.Error("another seed, the same sample")
	}
}

func TestClopperPearson(t *testing.T) {
	for _, c := range []struct {
		held, n        int
		low, high, tol float64
		source         string
	}{
		{7, 50, 0.0581917003, 0.2673960025, 1e-7, "SciPy documentation, binomial test result, proportion_ci example"},
		{81, 263, 0.2527, 0.3676, 1e-4, "Newcombe, Statistics in Medicine 17 (1998) 857-872"},
		{15, 148, 0.0578, 0.1617, 1e-4, "the same"},
		{0, 20, 0, 0.1684, 1e-4, "the same"},
		{20, 20, 1 - 0.1684, 1, 1e-4, "the mirror of the last"},
		{0, 0, 0, 1, 0, "nothing seen, nothing known"},
	} {
		low, high := ClopperPearson(c.held, c.n, 0.95)
		within(t, c.source, low, c.low, c.tol)
		within(t, c.source, high, c.high, c.tol)
	}
	// No failure in n: 1 − 0.05^(1/n), near to the rule of three, 3/n (own computation).
	within(t, "0 of 20", AtMost(0, 20, 0.95), 0.139108, 1e-6)
	within(t, "0 of 100", AtMost(0, 100, 0.95), 0.029513, 1e-6)
	for n := 20; n < 20000; n *= 10 {
		if x := AtMost(0, n, 0.95); x > 3/float64(n) || x < 2.7/float64(n) {
			t.Errorf("rule of three at %d: %v", n, x)
		}
	}
	within(t, "all failed", AtMost(5, 5, 0.95), 1, 0)
	if y := Yield(9998, 10000); y.Held != 9998 || y.Samples != 10000 || !(y.Low < 0.9998 && 0.9998 < y.High) {
		t.Errorf("%+v", y)
	}
}

// spans makes a space of plain variables and an evaluation that gets values centre·(1 + share·z).
func tolerance(centre, half []float64, f func(v, out []float64)) (Space, Eval) {
	v := make([]float64, len(centre))
	return make(Space, len(centre)), func(z, out []float64) {
		for i := range v {
			v[i] = centre[i] + half[i]*z[i]
		}
		f(v, out)
	}
}

func bothWays(k int) []Goal {
	var g []Goal
	for q := 0; q < k; q++ {
		g = append(g, Goal{Of: q, Limit: math.NaN()}, Goal{Of: q, Max: true, Limit: math.NaN()})
	}
	return g
}

func rss(effect []float64) float64 {
	var s float64
	for _, e := range effect {
		s += e * e
	}
	return math.Sqrt(s)
}

// Limits and root-sum-square of published worked examples, through the generic search: limits are the worst cases of the
// box, the root-sum-square is that of the effects.
func TestPublishedTolerances(t *testing.T) {
	sum := func(v, out []float64) {
		out[0] = 0
		for _, x := range v {
			out[0] += x
		}
	}
	parallel := func(v, out []float64) { out[0] = v[0] * v[1] / (v[0] + v[1]) }
	for _, c := range []struct {
		what             string
		centre, half     []float64
		f                func(v, out []float64)
		typical, low, hi float64 // NaN: not in the source
		rss, tol         float64
	}{
		{"Sawhney & Sawhney, A Course in Mechanical Measurements and Instrumentation, 12th ed. 2001, example 3.34, p. 123: currents",
			[]float64{200, 100}, []float64{2, 5}, sum, 300, 293, 307, 5.385, 0.001},
		{"the same, example 3.39, p. 131: resistors in series", []float64{100, 50}, []float64{0.1, 0.03}, sum, 150, math.NaN(), math.NaN(), 0.1044, 1e-4},
		{"the same: in parallel", []float64{100, 50}, []float64{0.1, 0.03}, parallel, 33.333, math.NaN(), math.NaN(), 0.01736, 1e-4 * 4},
		{"the same, example 3.6, p. 69: three in series", []float64{37, 75, 50}, []float64{1.85, 3.75, 2.5}, sum, 162, 153.9, 170.1, 4.87, 0.01},
		{"470 Ω ±5 % with 3.31 V across it, mA (own computation)", []float64{470}, []float64{23.5}, func(v, out []float64) { out[0] = 3310 / v[0] }, 7.0426, 6.7072, 7.4132, math.NaN(), 7e-4},
	} {
		space, eval := tolerance(c.centre, c.half, c.f)
		found, err := Search(space, 1, eval, bothWays(1), Settings{})
		if err != nil {
			t.Fatal(err)
		}
		within(t, c.what, found.Typical[0], c.typical, c.tol)
		if !math.IsNaN(c.low) {
			within(t, c.what, found.Worst[0].Value, c.low, c.tol)
			within(t, c.what, found.Worst[1].Value, c.hi, c.tol)
		}
		if !math.IsNaN(c.rss) {
			within(t, c.what, rss(found.Effect[0]), c.rss, c.tol)
		}
		if found.Worst[0].NonMonotone || found.Worst[1].NonMonotone {
			t.Errorf("%s: said not to be monotone", c.what)
		}
	}
}

// Divider 12 V, 10 kΩ over 3.3 kΩ, each ±5 % (own computation from the exact formula): corners, and at a thousandth of the
// tolerance the first-order figures.
func TestDivider(t *testing.T) {
	divider := func(v, out []float64) { out[0] = v[0] * v[2] / (v[1] + v[2]) }
	centre := []float64{12, 10e3, 3.3e3}
	space, eval := tolerance(centre, []float64{0.6, 500, 165}, divider)
	found, err := Search(space, 1, eval, bothWays(1), Settings{})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "nominal", found.Typical[0], 2.977444, 3e-5)
	within(t, "least", found.Worst[0].Value, 2.621122, 3e-5)
	within(t, "greatest", found.Worst[1].Value, 3.367451, 3e-5)
	if !reflect.DeepEqual(found.Worst[0].Z, []float64{-1, 1, -1}) || !reflect.DeepEqual(found.Worst[1].Z, []float64{1, -1, 1}) {
		t.Errorf("corners %v and %v", found.Worst[0].Z, found.Worst[1].Z)
	}
	space, eval = tolerance(centre, []float64{0.6e-3, 0.5, 0.165}, divider)
	if found, err = Search(space, 1, eval, bothWays(1), Settings{}); err != nil {
		t.Fatal(err)
	}
	relative := func(i int) float64 { return found.Effect[0][i] / found.Typical[0] / 5e-5 }
	within(t, "sensitivity to R2", relative(2), 0.751880, 1e-5)
	within(t, "sensitivity to R1", relative(1), -0.751880, 1e-5)
	within(t, "first-order worst case, %", 5*(math.Abs(relative(0))+math.Abs(relative(1))+math.Abs(relative(2))), 12.5188, 1e-4)
	within(t, "root-sum-square, %", 5*math.Sqrt(1+2*relative(1)*relative(1)), 7.29837, 1e-4)
	within(t, "root-sum-square, V", 1000*rss(found.Effect[0]), 0.217305, 1e-5)
}

// Thevenin source from two loaded readings, 4.785 V at 100 kΩ and 4.963 V at 600 kΩ, each ±0.5 mV: guaranteed intervals
// 4.99948-5.00092 V and 4471-4524 Ω (own computation from the circuit of Kalsi, Electronic Instrumentation, 3rd ed.,
// example 4.13); with exact readings 5.000 V and 4500 Ω.
func TestThevenin(t *testing.T) {
	source := func(v, out []float64) {
		i1, i2 := v[0]/100e3, v[1]/600e3
		out[1] = (v[1] - v[0]) / (i1 - i2)
		out[0] = v[0] + i1*out[1]
	}
	out := make([]float64, 2)
	source([]float64{4.78468900, 4.96277916}, out)
	within(t, "V", out[0], 5, 5e-6)
	within(t, "Ω", out[1], 4500, 4500e-6)
	space, eval := tolerance([]float64{4.785, 4.963}, []float64{0.5e-3, 0.5e-3}, source)
	found, err := Search(space, 2, eval, bothWays(2), Settings{})
	if err != nil {
		t.Fatal(err)
	}
	for k, want := range []struct{ v, tol float64 }{{4.99948, 1e-5}, {5.00092, 1e-5}, {4471, 1}, {4524, 1}} {
		within(t, "interval", found.Worst[k].Value, want.v, want.tol)
	}
}

// Worst-case corners of one LED output (own enumeration; track limits from NMRA S-9.1, 7 March 2020, table 3; drops are
// assumed inputs): Imin 1.2554 mA at 8.5 V, 1.0 V, 3.4 V, 0.20 V, +5 %; Imax 8.4928 mA at 22 V, 0.7 V, 2.8 V, 0.05 V, −5 %;
// nominal 3.3636 mA; maximum resistor power 0.15075 W.
func TestLEDOutputCorners(t *testing.T) {
	track := []float64{12, 8.5, 22}
	space := Space{{Name: "track", Levels: 3}, {Name: "rectifier"}, {Name: "LED"}, {Name: "VCE(sat)"}, {Name: "series"}}
	eval := func(z, out []float64) {
		r := 2200 * (1 + 0.05*z[4])
		// VCE(sat) is 0.1 V nominal between 0.05 and 0.20 V: a bent scale.
		sat := 0.1 + 0.05*z[3]
		if z[3] > 0 {
			sat = 0.1 + 0.1*z[3]
		}
		// The nominal rectifier drop is 0.7 V, the least; the scale begins there.
		drop := 0.7 + 0.3*math.Max(0, z[1])
		out[0] = (track[int(z[0])] - 2*drop - 3.1 - 0.3*z[2] - sat) / r
		out[1] = out[0] * out[0] * r
	}
	found, err := Search(space, 2, eval, []Goal{{Of: 0, Limit: 0}, {Of: 0, Max: true, Limit: 1}, {Of: 1, Max: true, Limit: 1}}, Settings{})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "nominal", found.Typical[0], 3.3636e-3, 3.4e-7)
	within(t, "Imin", found.Worst[0].Value, 1.2554e-3, 1.3e-7)
	within(t, "Imax", found.Worst[1].Value, 8.4928e-3, 8.5e-7)
	within(t, "power", found.Worst[2].Value, 0.15075, 1.6e-5)
	if z := found.Worst[0].Z; !reflect.DeepEqual(z, []float64{1, 1, 1, 1, 1}) {
		t.Errorf("Imin at %v", z)
	}
	if z := found.Worst[1].Z; z[0] != 2 || z[1] > 0 || z[2] != -1 || z[3] != -1 || z[4] != -1 {
		t.Errorf("Imax at %v", z)
	}
}

// Worst-case base drive of a microcontroller pin (own enumeration; VBE limits from the 2N3904 sheet, pin level assumed):
// 4.3–5.0 V, 4.7 kΩ ±5 %, VBE(sat) 0.65–0.85 V, 10 mA: IB 0.69909–0.97424 mA, forced β at most 14.304, overdrive against
// hFE 100 at least 6.991.
func TestBaseDrive(t *testing.T) {
	space, eval := tolerance([]float64{4.65, 4700, 0.75}, []float64{0.35, 235, 0.10}, func(v, out []float64) {
		out[0] = (v[0] - v[2]) / v[1]
		out[1] = 10e-3 / out[0]
		out[2] = 100 / out[1]
	})
	found, err := Search(space, 3, eval, bothWays(3), Settings{})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "IB min", found.Worst[0].Value, 0.69909e-3, 7e-8)
	within(t, "IB max", found.Worst[1].Value, 0.97424e-3, 1e-7)
	within(t, "forced β max", found.Worst[3].Value, 14.304, 1.4e-3)
	within(t, "overdrive min", found.Worst[4].Value, 6.991, 7e-4)
}

// enumerate is the slow exact way: every corner and level.
func enumerate(space Space, quantities int, eval Eval, goals []Goal) []float64 {
	worst := make([]float64, len(goals))
	for g, goal := range goals {
		worst[g] = math.Inf(1)
		if goal.Max {
			worst[g] = math.Inf(-1)
		}
	}
	z, out := make([]float64, len(space)), make([]float64, quantities)
	var walk func(i int)
	walk = func(i int) {
		if i == len(space) {
			eval(z, out)
			for g, goal := range goals {
				if goal.worse(out[goal.Of], worst[g], 0) {
					worst[g] = out[goal.Of]
				}
			}
			return
		}
		if n := space[i].Levels; n > 0 {
			for l := 0; l < n; l++ {
				z[i] = float64(l)
				walk(i + 1)
			}
			return
		}
		for _, x := range []float64{-1, 1} {
			z[i] = x
			walk(i + 1)
		}
	}
	walk(0)
	return worst
}

// Functions monotone in each variable, with products and with variables that matter only beyond a hinge: the search equals
// full enumeration, and no sample lies beyond it.
func TestMonotoneEqualsEnumeration(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 9).Draw(t, "variables")
		space := make(Space, n)
		a := make([][]float64, 3)
		for k := range a {
			a[k] = make([]float64, n)
			for i := range a[k] {
				a[k][i] = rapid.Float64Range(-1, 1).Draw(t, "effect")
			}
		}
		if rapid.Bool().Draw(t, "level") {
			space[n-1].Levels = 7
		}
		hinge := rapid.Float64Range(0, 2).Draw(t, "hinge")
		eval := func(z, out []float64) {
			for k := range a {
				var s float64
				for i, x := range z {
					s += a[k][i] * x
				}
				switch k {
				case 0:
					out[k] = math.Exp(s)
				case 1:
					first := 0.0 // the second half of the variables is asleep until the hinge opens
					for i, x := range z[:(n+1)/2] {
						first += a[k][i] * x
					}
					out[k] = first + 5*math.Max(0, s-hinge)
				default:
					p := 1.0
					for i, x := range z {
						p *= 3 + a[k][i]*math.Min(x, 2)
					}
					out[k] = p
				}
			}
		}
		goals := bothWays(3)
		found, err := Search(space, 3, eval, goals, Settings{})
		if err != nil {
			t.Fatal(err)
		}
		for g, want := range enumerate(space, 3, eval, goals) {
			if got := found.Worst[g].Value; math.Abs(got-want) > 1e-6*math.Max(1, math.Abs(want)) {
				t.Fatalf("goal %d: %v at %v, enumeration %v", g, got, found.Worst[g].Z, want)
			}
		}
		r, err := Attack(context.Background(), space, 3, func() Eval { return eval }, goals, found, 200, 1, 1)
		if err != nil {
			t.Fatal(err)
		}
		for g, a := range r.Goals {
			if a.Beyond > 0 {
				t.Fatalf("goal %d: sample beyond %v: %v at %v", g, found.Worst[g].Value, a.Extreme, a.BeyondZ)
			}
		}
	})
}

// Quadratic functions, interactions included: where samples lie beyond the claim, the search has said that the function is
// not monotone; and it finds the separable interior extremum to many digits.
func TestQuadratic(t *testing.T) {
	beyond, cases := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 7).Draw(t, "variables")
		lin, quad := make([]float64, n), make([]float64, n)
		place := make([]float64, n)
		var bent bool
		for i := range lin {
			lin[i] = rapid.Float64Range(-1, 1).Draw(t, "slope")
			if rapid.Bool().Draw(t, "curved") {
				quad[i] = -rapid.Float64Range(0.2, 2).Draw(t, "curve")
				place[i] = rapid.Float64Range(-0.9, 0.9).Draw(t, "place")
				lin[i] = -2 * quad[i] * place[i]
				bent = true
			}
		}
		cross := rapid.Float64Range(-0.5, 0.5).Draw(t, "product")
		if !rapid.Bool().Draw(t, "interacting") {
			cross = 0
		}
		eval := func(z, out []float64) {
			s := 0.0
			for i, x := range z {
				s += lin[i]*x + quad[i]*x*x
			}
			out[0] = s + cross*z[0]*z[n-1]
		}
		goals := []Goal{{Of: 0, Max: true, Limit: math.NaN()}, {Of: 0, Limit: math.NaN()}}
		space := make(Space, n)
		found, err := Search(space, 1, eval, goals, Settings{})
		if err != nil {
			t.Fatal(err)
		}
		if bent && cross == 0 && !found.Worst[0].NonMonotone {
			t.Fatalf("not said to be bent: %+v", found.Worst[0])
		}
		if bent && cross == 0 {
			var want float64
			for i := range lin {
				if quad[i] != 0 {
					want -= quad[i] * place[i] * place[i]
				} else {
					want += math.Abs(lin[i])
				}
			}
			if got := found.Worst[0].Value; math.Abs(got-want) > 1e-6*(1+math.Abs(want)) {
				t.Fatalf("maximum %v at %v, want %v", got, found.Worst[0].Z, want)
			}
		}
		r, err := Attack(context.Background(), space, 1, func() Eval { return eval }, goals, found, 500, 3, 1)
		if err != nil {
			t.Fatal(err)
		}
		for g, a := range r.Goals {
			cases++
			if a.Beyond > 0 {
				beyond++
				if !found.Worst[g].NonMonotone {
					t.Fatalf("goal %d: samples beyond a claim of monotony, %v against %v", g, a.Extreme, found.Worst[g].Value)
				}
				if cross == 0 {
					t.Fatalf("goal %d: separable, yet a sample lies beyond: %v against %v", g, a.Extreme, found.Worst[g].Value)
				}
			}
		}
	})
	if beyond*100 > cases {
		t.Errorf("samples beyond the claim in %d of %d searches", beyond, cases)
	}
}

// A narrow peak that no search of a few hundred points can be sure to meet: the attack reports it, with its place.
func TestAttackFindsTheDefect(t *testing.T) {
	space := make(Space, 2)
	eval := func(z, out []float64) {
		x, y := z[0]-0.37, z[1]+0.61
		out[0] = 0.1*z[0] + 5*math.Exp(-(x*x+y*y)/(2*0.05*0.05))
	}
	goals := []Goal{{Of: 0, Max: true, Limit: 1}}
	found, err := Search(space, 1, eval, goals, Settings{Inside: -1})
	if err != nil {
		t.Fatal(err)
	}
	r, err := Attack(context.Background(), space, 1, func() Eval { return eval }, goals, found, 10000, 1, 2)
	if err != nil {
		t.Fatal(err)
	}
	a := r.Goals[0]
	if a.Beyond == 0 || a.Held == r.Samples || math.Abs(a.BeyondZ[0]-0.37) > 0.1 || math.Abs(a.BeyondZ[1]+0.61) > 0.1 {
		t.Errorf("%+v, claimed %v", a, found.Worst[0].Value)
	}
	out := []float64{0}
	if eval(a.BeyondZ, out); out[0] != a.Extreme {
		t.Errorf("the place gives %v, not %v", out[0], a.Extreme)
	}
}

// The same bytes for any number of threads; counts against closed forms.
func TestAttackIsReproducible(t *testing.T) {
	space := Space{{Name: "a"}, {Name: "b", Law: Normal3}, {Name: "lamp", Levels: 50}}
	newEval := func() Eval {
		memory := 0.0 // like a warm start: the last digits depend on what went before
		return func(z, out []float64) {
			memory = memory*0.5 + z[0]*1e-12
			out[0] = z[0] + memory
			out[1] = z[1] * (1 + z[2])
			if z[2] == 49 && z[0] > 0.99 {
				out[1] = math.NaN()
			}
		}
	}
	goals := []Goal{{Of: 0, Max: true, Limit: 0.5}, {Of: 1, Limit: -10}, {Of: 1, Max: true, Limit: math.NaN()}}
	found, err := Search(space, 2, newEval(), goals, Settings{})
	if err != nil {
		t.Fatal(err)
	}
	var first Report
	for _, workers := range []int{1, 2, 7} {
		r, err := Attack(context.Background(), space, 2, newEval, goals, found, 10000, 5, workers)
		if err != nil {
			t.Fatal(err)
		}
		if workers == 1 {
			first = r
		} else if !slices.EqualFunc(r.values, first.values, func(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) }) {
			t.Errorf("%d threads give other values", workers)
		}
	}
	within(t, "held", float64(first.Goals[0].Held)/10000, 0.75, 0.02)
	if u := first.Goals[1].Undefined; u == 0 || u > 40 {
		t.Errorf("undefined %d", u)
	}
}

func TestCancelled(t *testing.T) {
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Millisecond)
	defer cancel()
	space := make(Space, 1)
	eval := func(z, out []float64) { time.Sleep(time.Millisecond); out[0] = z[0] }
	goals := bothWays(1)
	found, _ := Search(space, 1, eval, goals, Settings{})
	if _, err := Attack(ctx, space, 1, func() Eval { return eval }, goals, found, 1e6, 1, 2); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("%v", err)
	}
}

// What cannot be computed is said and never comes out as a number.
func TestUndefined(t *testing.T) {
	nan := math.NaN()
	space := make(Space, 2)
	goals := bothWays(1)
	found, err := Search(space, 1, func(z, out []float64) { out[0] = nan }, goals, Settings{})
	if err != nil {
		t.Fatal(err)
	}
	for g, w := range found.Worst {
		if w.Z != nil || w.Undefined == nil || !math.IsInf(w.Value, map[bool]int{true: 1, false: -1}[goals[g].Max]) {
			t.Errorf("%+v", w)
		}
	}
	// Undefined in one corner only.
	found, _ = Search(space, 1, func(z, out []float64) {
		out[0] = z[0] + z[1]
		if z[0] == 1 && z[1] == 1 {
			out[0] = nan
		}
	}, goals, Settings{})
	if w := found.Worst[1]; !reflect.DeepEqual(w.Undefined, []float64{1, 1}) || !(w.Value < 2) {
		t.Errorf("%+v", w)
	}
	if w := found.Worst[0]; w.Value != -2 {
		t.Errorf("%+v", w)
	}
	for _, s := range []Space{{{Name: "x", Levels: -1}}, {{Name: "x", Levels: 2, Vertices: []int{2}}}, {{Name: "x", Levels: 2, Vertices: []int{}}}} {
		if _, err := Search(s, 1, func(z, out []float64) { out[0] = 0 }, goals, Settings{}); err == nil {
			t.Errorf("%+v accepted", s)
		}
	}
	if _, err := Attack(context.Background(), space, 1, nil, goals, Found{}, 1, 1, 1); err == nil {
		t.Error("goals without claims accepted")
	}
	// Nothing varies: the typical point is the worst case.
	found, err = Search(nil, 1, func(z, out []float64) { out[0] = 4 }, goals, Settings{})
	if err != nil || found.Worst[0].Value != 4 || found.Worst[1].Value != 4 || found.Worst[0].NonMonotone {
		t.Errorf("%+v, %v", found, err)
	}
	// Evaluations used up: said, and still the worst of what was seen.
	found, _ = Search(make(Space, 9), 1, func(z, out []float64) { out[0] = z[0] }, goals, Settings{MostEval: 5})
	if !found.Stopped || found.Evals != 5 || found.Worst[0].Value != -1 {
		t.Errorf("%+v", found)
	}
}

// lampOutputs stands for the circuit of two lamp outputs: currents, drops, powers, base drives, margins.
func lampOutputs(z, out []float64) {
	track := []float64{9, 14, 18}[int(z[13])]
	for k := 0; k < 2; k++ {
		v := z[4*k:]
		lamp := math.Mod(z[12]*float64(k+1), 40)/40 - 0.5
		r := 1500 * (1 + 0.05*v[0]) * (1 + 0.2*lamp)
		beta := 100 * math.Exp(0.9*v[1])
		supply := track - 1.4 + 0.2*z[8]
		ib := (5 + 0.25*z[9] - 0.75 + 0.1*v[2]) / (22e3 * (1 + 0.05*z[10]))
		i := (supply - 2.9 - 0.2*v[3] - 0.3*lamp) / r
		if most := beta * ib; i > most {
			i = most + 0.02*(i-most)
		}
		vce := 0.05 + 8*i + math.Max(0, supply-3-i*r)*0.1
		out[5*k] = i
		out[5*k+1] = vce
		out[5*k+2] = i * i * r
		out[5*k+3] = beta * ib / i
		out[5*k+4] = i*vce*(1+0.1*z[11]) - 1e-3*ib
	}
}

func lampSpace() Space {
	s := make(Space, 14)
	s[12] = Var{Name: "lamps", Levels: 200, Vertices: []int{0, 39, 20, 79, 119, 10, 30, 159}}
	s[13] = Var{Name: "track", Levels: 3, Vertices: []int{1, 0, 2}}
	return s
}

// Twelve plain variables, two with levels, ten quantities, sixteen goals: the search stays well below the cost of the attack.
func TestSearchIsThrifty(t *testing.T) {
	goals := bothWays(10)[:16]
	found, err := Search(lampSpace(), 10, lampOutputs, goals, Settings{})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d evaluations for %d goals", found.Evals, len(goals))
	if found.Evals > 600 {
		t.Errorf("%d evaluations", found.Evals)
	}
	space := lampSpace()
	r, err := Attack(context.Background(), space, 10, func() Eval { return lampOutputs }, goals, found, 10000, 1, 2)
	if err != nil {
		t.Fatal(err)
	}
	for g, a := range r.Goals {
		t.Logf("goal %d: worst %.5g, sampled %.5g, not monotone %v, beyond %d", g, found.Worst[g].Value, a.Extreme, found.Worst[g].NonMonotone, a.Beyond)
		if a.Beyond > 0 && !found.Worst[g].NonMonotone {
			t.Errorf("goal %d: %d samples beyond %v: %v at %v", g, a.Beyond, found.Worst[g].Value, a.Extreme, a.BeyondZ)
		}
	}
}

func BenchmarkSearchTwoLampOutputs(b *testing.B) {
	goals := bothWays(10)[:16]
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Search(lampSpace(), 10, lampOutputs, goals, Settings{}); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkAttack10000TwoLampOutputs(b *testing.B) {
	goals := bothWays(10)[:16]
	found, err := Search(lampSpace(), 10, lampOutputs, goals, Settings{})
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Attack(context.Background(), lampSpace(), 10, func() Eval { return lampOutputs }, goals, found, 10000, 1, 2); err != nil {
			b.Fatal(err)
		}
	}
}

// A goal that holds by far at the corner of the signs is left there; one that does not is searched as ever.
func TestFarGoalsAreLeft(t *testing.T) {
	space := Space{{Name: "a"}, {Name: "b"}}
	calls := 0
	eval := func(z, out []float64) {
		calls++
		out[0] = 1 + 0.1*z[0]*z[1] // which corner is worst no single sign tells
	}
	search := func(limit, far float64) (Found, int) {
		calls = 0
		f, err := Search(space, 1, eval, []Goal{{Of: 0, Max: true, Limit: limit}}, Settings{Corners: -1, Inside: -1, Far: far})
		if err != nil {
			t.Fatal(err)
		}
		return f, calls
	}
	near, costly := search(1.2, 3)
	far, cheap := search(10, 3)
	if math.Abs(near.Worst[0].Value-1.1) > 1e-12 || cheap >= costly || far.Worst[0].Value > 10.0/3 {
		t.Errorf("near: %g after %d; far: %g after %d", near.Worst[0].Value, costly, far.Worst[0].Value, cheap)
	}
}
