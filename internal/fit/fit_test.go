package fit

import (
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"
)

// line is y = a + b·x through the points.
func line(x, y []float64) Problem {
	return Problem{Names: []string{"a", "b"}, N: len(x), Residuals: func(p, r []float64) {
		for i := range x {
			r[i] = p[0] + p[1]*x[i] - y[i]
		}
	}}
}

func near(a, b, tol float64) bool {
	return math.Abs(a-b) <= tol*math.Max(1, math.Abs(b))
}

// The straight line has a closed form: slope Sxy/Sxx, and variances s²/Sxx and s²(1/n + x̄²/Sxx) (any textbook of
// regression). With x = 1…5 and y = 2.1 3.9 6.2 7.8 10.1: x̄ = 3, Sxx = 10, slope 1.99, intercept 0.05,
// RSS 0.107, s² = 0.107/3, var b = s²/10, var a = s²·1.1, cov = −s²·0.3.
func TestStraightLine(t *testing.T) {
	pr := line([]float64{1, 2, 3, 4, 5}, []float64{2.1, 3.9, 6.2, 7.8, 10.1})
	res := Solve(pr, []float64{0, 0}, Settings{})
	s2 := 0.107 / 3
	if !res.OK() || !near(res.P[0], 0.05, 1e-12) || !near(res.P[1], 1.99, 1e-12) || !near(res.RSS, 0.107, 1e-12) {
		t.Fatalf("%v %v RSS %v", res.Status, res.P, res.RSS)
	}
	if !near(res.StdDev[0], math.Sqrt(1.1*s2), 1e-10) || !near(res.StdDev[1], math.Sqrt(s2/10), 1e-10) ||
		!near(res.Cov.At(0, 1), -0.3*s2, 1e-10) || !near(res.Correlation(0, 1), -0.3/math.Sqrt(0.11), 1e-10) {
		t.Errorf("deviations %v, covariance %v", res.StdDev, mat.Formatted(res.Cov))
	}
	pr.KnownSigma = true // the residuals count as standard deviations: (JᵀJ)⁻¹ alone
	if res = Solve(pr, []float64{0, 0}, Settings{}); !near(res.StdDev[1], math.Sqrt(0.1), 1e-10) {
		t.Errorf("known deviation: %v, want %v", res.StdDev[1], math.Sqrt(0.1))
	}
}

// Weights of a prior: reading 10 ± 1 and prior 4 ± 2 combine to (10/1 + 4/4)/(1 + 1/4) = 8.8 ± 1/√1.25.
func TestPrior(t *testing.T) {
	pr := Problem{N: 1, KnownSigma: true, Prior: []Prior{{0, 4, 2}}, Residuals: func(p, r []float64) { r[0] = p[0] - 10 }}
	res := Solve(pr, []float64{0}, Settings{})
	if !res.OK() || !near(res.P[0], 8.8, 1e-12) || !near(res.StdDev[0], 1/math.Sqrt(1.25), 1e-12) {
		t.Errorf("%v %v ± %v", res.Status, res.P, res.StdDev)
	}
}

func TestPriorAlone(t *testing.T) {
	pr := Problem{KnownSigma: true, Prior: []Prior{{0, 4, 2}, {1, -1, 0.5}}}
	res := Solve(pr, []float64{0, 0}, Settings{})
	if !res.OK() || !near(res.P[0], 4, 1e-12) || !near(res.P[1], -1, 1e-12) || !near(res.StdDev[0], 2, 1e-12) || !near(res.StdDev[1], 0.5, 1e-12) {
		t.Errorf("%v (%s) %v ± %v", res.Status, res.Why, res.P, res.StdDev)
	}
}

func TestExactFit(t *testing.T) {
	// As many readings as parameters, and more of them without noise: both end at RSS 0 as a success.
	x := []float64{0, 1, 2, 3, 4}
	for _, n := range []int{2, 5} {
		pr := Problem{N: n, Residuals: func(p, r []float64) {
			for i := range r {
				r[i] = p[0]*math.Exp(-p[1]*x[i]) - 3*math.Exp(-0.5*x[i])
			}
		}}
		res := Solve(pr, []float64{1, 1}, Settings{})
		if !res.OK() || !near(res.P[0], 3, 1e-12) || !near(res.P[1], 0.5, 1e-12) {
			t.Errorf("n = %d: %v (%s) %v RSS %v", n, res.Status, res.Why, res.P, res.RSS)
		}
		if n == 2 && !math.IsInf(res.StdDev[0], 1) {
			t.Errorf("no scatter to judge by, yet ± %v", res.StdDev)
		}
	}
}

func TestRankDeficient(t *testing.T) {
	// Only the sum of two resistances in series shows; c is seen alone, d not at all.
	pr := Problem{Names: []string{"hidden resistor", "LED resistance", "offset", "unused"}, N: 6, Residuals: func(p, r []float64) {
		for i := range r {
			x := float64(i)
			r[i] = (p[0]+p[1])*x + p[2] - (7*x + 1 + 0.1*math.Sin(9*x))
		}
	}}
	res := Solve(pr, []float64{1, 1, 0, 5}, Settings{})
	if !res.OK() || math.Abs(res.P[0]+res.P[1]-7) > 0.1 {
		t.Fatalf("%v (%s) %v", res.Status, res.Why, res.P)
	}
	var names []string
	for _, d := range res.Undetermined {
		if !d.Singular {
			t.Errorf("%v is not singular", d)
		}
		names = append(names, d.String())
	}
	want := map[string]bool{"hidden resistor and LED resistance": true, "unused": true}
	if len(names) != 2 || !want[names[0]] || !want[names[1]] || names[0] == names[1] {
		t.Errorf("undetermined: %q", names)
	}
	for j, inf := range []bool{true, true, false, true} {
		if math.IsInf(res.StdDev[j], 1) != inf {
			t.Errorf("deviation of %s: %v", pr.Names[j], res.StdDev[j])
		}
	}
	if !math.IsInf(res.Condition, 1) {
		t.Errorf("condition %v", res.Condition)
	}
	checkFinite(t, res)
}

// Nearly the same: the two are told apart by less than the noise.
func TestVagueDirection(t *testing.T) {
	pr := Problem{Names: []string{"a", "b"}, N: 8, KnownSigma: true, Residuals: func(p, r []float64) {
		for i := range r {
			x := float64(i)
			r[i] = 10 * (p[0]*x + p[1]*(x+1e-4*x*x) - 7*x)
		}
	}}
	res := Solve(pr, []float64{3, 3}, Settings{})
	if !res.OK() || len(res.Undetermined) != 1 || res.Undetermined[0].Singular || res.Undetermined[0].String() != "a and b" {
		t.Fatalf("%v %v %+v ± %v", res.Status, res.P, res.Undetermined, res.StdDev)
	}
	if res.Correlation(0, 1) > -0.99 {
		t.Errorf("correlation %v", res.Correlation(0, 1))
	}
	m := res.Undetermined[0].Move // one deviation along it: nearly the whole deviation of each, opposite in sign
	if math.Abs(math.Abs(m[0])-res.StdDev[0]) > 0.02*res.StdDev[0] || m[0]*m[1] > 0 {
		t.Errorf("move %v, deviations %v", m, res.StdDev)
	}
}

func TestBounds(t *testing.T) {
	pr := line([]float64{1, 2, 3, 4, 5}, []float64{2.1, 3.9, 6.2, 7.8, 10.1})
	pr.Lower, pr.Upper = []float64{0.5, 0}, []float64{2, 5}
	res := Solve(pr, []float64{1, 1}, Settings{})
	// With a held at 0.5 the slope is Σx(y−0.5)/Σx² = (109.2 + 1.3 − 7.5)/55: Σxy = 110.2 → (110.2 − 7.5)/55.
	sum := 0.0
	for i, y := range []float64{2.1, 3.9, 6.2, 7.8, 10.1} {
		sum += float64(i+1) * (y - 0.5)
	}
	if !res.OK() || res.P[0] != 0.5 || !near(res.P[1], sum/55, 1e-12) || !res.AtBound[0] || res.AtBound[1] {
		t.Fatalf("%v (%s) %v, at bound %v", res.Status, res.Why, res.P, res.AtBound)
	}
	if res.StdDev[0] != 0 {
		t.Errorf("deviation of a held parameter %v", res.StdDev[0])
	}
	for _, s := range res.Samples(500, 1) {
		if s[0] < 0.5 || s[0] > 2 {
			t.Fatalf("sample %v outside the bounds", s)
		}
	}
	// Start outside, both bounds equal, bound already at the minimum: all end as a success.
	for _, c := range []struct{ start, lo, hi, want []float64 }{
		{[]float64{-9, 99}, []float64{0.5, 0}, []float64{2, 5}, []float64{0.5, sum / 55}},
		{[]float64{0, 0}, []float64{0.05, -9}, []float64{9, 9}, []float64{0.05, 1.99}},
		{[]float64{0, 0}, []float64{0.5, 1}, []float64{0.5, 1}, []float64{0.5, 1}},
	} {
		pr.Lower, pr.Upper = c.lo, c.hi
		if res := Solve(pr, c.start, Settings{}); !res.OK() || !near(res.P[0], c.want[0], 1e-11) || !near(res.P[1], c.want[1], 1e-11) {
			t.Errorf("%v: %v (%s) %v", c, res.Status, res.Why, res.P)
		}
	}
}

// Two minima: a deep kink at 3, where no gradient vanishes, and a shallow smooth one at −5. What converges does not hide what
// fits better; many starts find the deep one from the side of the shallow one.
func TestDeepKinkShallowValley(t *testing.T) {
	pr := Problem{N: 2, Lower: []float64{-10}, Upper: []float64{10}, Residuals: func(p, r []float64) {
		r[0], r[1] = 0.1+math.Abs(p[0]-3), 0
		if p[0] < -1 {
			r[0], r[1] = 2, (p[0]+5)/2
		}
	}}
	if res := Solve(pr, []float64{4}, Settings{}); res.OK() || math.Abs(res.P[0]-3) > 1e-6 {
		t.Errorf("from the right: %v %v", res.Status, res.P)
	}
	if res := Solve(pr, []float64{-6}, Settings{}); !res.OK() || math.Abs(res.P[0]+5) > 1e-3 {
		t.Errorf("from the left: %v (%s) %v", res.Status, res.Why, res.P)
	}
	if res := MultiStart(pr, []float64{-6}, 20, Settings{}); math.Abs(res.P[0]-3) > 1e-6 {
		t.Errorf("many starts: %v %v", res.Status, res.P)
	}
}

// A bounded valley: Rosenbrock's function (from memory) has its minimum at (1, 1); with y ≤ 0.5 it lies on the wall.
// There the slope along x vanishes: x³·400 − 400·x·y + 2x − 2 = 0, which the test solves by bisection.
func TestBoundedValley(t *testing.T) {
	pr := Problem{N: 2, Residuals: func(p, r []float64) { r[0], r[1] = 10*(p[1]-p[0]*p[0]), 1-p[0] }}
	if res := Solve(pr, []float64{-1.2, 1}, Settings{}); !res.OK() || !near(res.P[0], 1, 1e-10) || !near(res.P[1], 1, 1e-10) {
		t.Errorf("free: %v %v", res.Status, res.P)
	}
	pr.Upper = []float64{math.Inf(1), 0.5}
	lo, hi := 0.5, 1.0
	for i := 0; i < 100; i++ {
		x := (lo + hi) / 2
		if 400*x*x*x-200*x+2*x-2 < 0 {
			lo = x
		} else {
			hi = x
		}
	}
	if res := Solve(pr, []float64{-1.2, 0.2}, Settings{}); !res.OK() || !near(res.P[0], lo, 1e-8) || res.P[1] != 0.5 {
		t.Errorf("bounded: %v (%s) %v, want %v", res.Status, res.Why, res.P, lo)
	}
}

func TestFlatRegion(t *testing.T) {
	// A step far outside the data: no parameter but the base line shows.
	pr := Problem{Names: []string{"height", "place"}, N: 10, Residuals: func(p, r []float64) {
		for i := range r {
			r[i] = p[0]/(1+math.Exp(-4*(float64(i)-p[1]))) - map[bool]float64{true: 1, false: 0}[i >= 5]
		}
	}}
	res := Solve(pr, []float64{1, 400}, Settings{Retries: -1})
	if res.Status == Converged && len(res.Undetermined) == 0 {
		t.Errorf("far out: %v %v, undetermined %v", res.Status, res.P, res.Undetermined)
	}
	checkFinite(t, res)
	// The same with bounds is found from another start.
	pr.Lower, pr.Upper = []float64{0, -5}, []float64{10, 60}
	if res := MultiStart(pr, []float64{1, 50}, 40, Settings{}); res.RSS > 0.1 || math.Abs(res.P[1]-4.5) > 0.1 {
		t.Errorf("many starts: %v %v RSS %v", res.Status, res.P, res.RSS)
	}
	// a·exp(−b·x) for data that are zero except in noise of one sign: b runs off, a takes no part.
	pr = Problem{Names: []string{"a", "b"}, N: 5, Residuals: func(p, r []float64) {
		for i := range r {
			r[i] = p[0]*math.Exp(-p[1]*float64(i+1)) - 1/(1+float64(i)) + 2
		}
	}, Lower: []float64{0.1, 0}}
	res = Solve(pr, []float64{1, 0.1}, Settings{Retries: -1})
	if res.Status == Converged && len(res.Undetermined) == 0 {
		t.Errorf("running off: %v %v (%v)", res.Status, res.P, res.Undetermined)
	}
	checkFinite(t, res)
}

func TestModelGivesNoNumber(t *testing.T) {
	nan := math.NaN()
	cases := map[string]Problem{
		"always":            {N: 3, Residuals: func(p, r []float64) { r[0], r[1], r[2] = nan, nan, nan }},
		"infinite":          {N: 1, Residuals: func(p, r []float64) { r[0] = math.Inf(1) }},
		"overflowing":       {N: 1, Residuals: func(p, r []float64) { r[0] = 1e200 * (1 + p[0]) }},
		"beyond a wall":     {N: 2, Residuals: func(p, r []float64) { r[0], r[1] = math.Log(p[0])+3, math.Sqrt(p[0])-p[1] }},
		"only at one place": {N: 1, Residuals: func(p, r []float64) { r[0] = map[bool]float64{true: 1, false: nan}[p[0] == 1] }},
		"no derivative":     {N: 1, Residuals: func(p, r []float64) { r[0] = p[0] }, Jacobian: func(p []float64, j *mat.Dense) { j.Set(0, 0, nan) }},
		"constant":          {N: 3, Residuals: func(p, r []float64) { r[0], r[1], r[2] = 1, 2, 3 }},
		"a kink":            {N: 1, Residuals: func(p, r []float64) { r[0] = math.Abs(p[0]-3) + 1 }},
		"a jump":            {N: 1, Residuals: func(p, r []float64) { r[0] = 1 + math.Floor(p[0]) }},
	}
	for name, pr := range cases {
		res := Solve(pr, []float64{1, 1}, Settings{})
		checkFinite(t, res)
		if res.Status != Converged && res.Why == "" {
			t.Errorf("%s: %v without a reason", name, res.Status)
		}
		switch name {
		case "always", "infinite", "overflowing", "only at one place", "no derivative":
			if res.Status != NotFinite {
				t.Errorf("%s: %v (%s)", name, res.Status, res.Why)
			}
		case "beyond a wall":
			if !res.OK() || !near(res.P[0], math.Exp(-3), 1e-9) {
				t.Errorf("%s: %v %v", name, res.Status, res.P)
			}
		case "constant":
			if len(res.Undetermined) != 2 {
				t.Errorf("constant: undetermined %v", res.Undetermined)
			}
		case "a kink":
			if res.OK() && math.Abs(res.P[0]-3) > 1e-6 {
				t.Errorf("a kink: %v at %v", res.Status, res.P)
			}
		}
		if s := res.Samples(10, 1); s != nil {
			for _, x := range s {
				if !finite(sumsq(x)) {
					t.Errorf("%s: sample %v", name, x)
				}
			}
		}
	}
}

// Whatever the model does (no numbers, poles, overflow, plateaus, jumps, steps of any size): an end with a status, inside the
// bounds, no panic, no NaN, no worse than the start.
func TestUnrulyModels(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n, p := rapid.IntRange(1, 6).Draw(t, "residuals"), rapid.IntRange(1, 4).Draw(t, "parameters")
		kind := make([]int, n)
		for i := range kind {
			kind[i] = rapid.IntRange(0, 9).Draw(t, "kind")
		}
		scale := math.Pow(10, rapid.Float64Range(-150, 150).Draw(t, "decades"))
		pr := Problem{N: n, KnownSigma: rapid.Bool().Draw(t, "known"), Lower: make([]float64, p), Upper: make([]float64, p), Residuals: func(p, r []float64) {
			for i := range r {
				x := p[i%len(p)] + 0.3*p[(i+1)%len(p)]
				r[i] = scale * [...]float64{x - 1, 1 / x, math.Exp(x), math.Log(x), math.Sqrt(x) - 2, math.Floor(x), 1, 0, math.Tan(x), math.Exp(-x * x)}[kind[i]]
			}
		}}
		start := make([]float64, p)
		for j := range start {
			pr.Lower[j] = rapid.SampledFrom([]float64{math.Inf(-1), -5, 0, 1}).Draw(t, "lower")
			pr.Upper[j] = rapid.SampledFrom([]float64{math.Inf(1), 1, 30, 1e12}).Draw(t, "upper")
			start[j] = rapid.Float64Range(-1e3, 1e3).Draw(t, "start")
		}
		if rapid.Bool().Draw(t, "prior") && pr.KnownSigma {
			pr.Prior = []Prior{{0, 1, rapid.SampledFrom([]float64{1e-9, 1, 1e9}).Draw(t, "sigma")}}
		}
		res := Solve(pr, start, Settings{MaxIterations: 60, Retries: 2})
		if bad := notANumber(res); bad {
			t.Fatalf("a NaN came out: %+v", res)
		}
		if (res.Why == "") != res.OK() {
			t.Fatalf("%v: %q", res.Status, res.Why)
		}
		clipped, r := make([]float64, p), make([]float64, n)
		for j := range res.P {
			if res.P[j] < pr.Lower[j] || res.P[j] > pr.Upper[j] {
				t.Fatalf("%v outside the bounds", res.P)
			}
			clipped[j] = math.Min(math.Max(start[j], pr.Lower[j]), pr.Upper[j])
		}
		pr.Residuals(clipped, r)
		sum := sumsq(r)
		for _, q := range pr.Prior {
			sum += math.Pow((clipped[q.Param]-q.Mean)/q.Sigma, 2)
		}
		if finite(sum) && res.RSS > sum*(1+1e-6) {
			t.Fatalf("RSS %v, at the start %v", res.RSS, sum)
		}
		for _, x := range res.Samples(5, 1) {
			for j := range x {
				if !(x[j] >= pr.Lower[j] && x[j] <= pr.Upper[j]) {
					t.Fatalf("sample %v", x)
				}
			}
		}
		post, took := Posterior(pr, res, 5, 1)
		for _, x := range post {
			for j := range x {
				if !(x[j] >= pr.Lower[j] && x[j] <= pr.Upper[j]) || !(took >= 0 && took <= 1) {
					t.Fatalf("posterior sample %v, accepted %v", x, took)
				}
			}
		}
	})
}

func TestInvalid(t *testing.T) {
	ok := func(p, r []float64) { r[0] = p[0] }
	for _, c := range []struct {
		pr    Problem
		start []float64
		why   string
	}{
		{Problem{N: 1, Residuals: ok}, nil, "no parameter"},
		{Problem{N: 0, Residuals: ok}, []float64{1}, "no residual"},
		{Problem{N: 1}, []float64{1}, "no model"},
		{Problem{N: 1, Residuals: ok, Names: []string{"x"}}, []float64{math.NaN()}, "start of x"},
		{Problem{N: 1, Residuals: ok, Lower: []float64{2}, Upper: []float64{1}}, []float64{1}, "bounds of p1: 2 to 1"},
		{Problem{N: 1, Residuals: ok, Lower: []float64{math.NaN()}}, []float64{1}, "bounds of p1"},
		{Problem{N: 1, Residuals: ok, Lower: []float64{1, 2}}, []float64{1}, "as many"},
		{Problem{N: 1, Residuals: ok, Scale: []float64{-1}}, []float64{1}, "scale of p1"},
		{Problem{N: 1, Residuals: ok, Prior: []Prior{{0, 1, 1}}}, []float64{1}, "units of their standard deviation"},
		{Problem{N: 1, Residuals: ok, KnownSigma: true, Prior: []Prior{{1, 1, 1}}}, []float64{1}, "prior of parameter 2"},
	} {
		res := Solve(c.pr, c.start, Settings{})
		if res.Status != Invalid || !strings.Contains(res.Why, c.why) {
			t.Errorf("want %q, got %v: %q", c.why, res.Status, res.Why)
		}
		checkFinite(t, res)
	}
}

func checkFinite(t *testing.T, r Result) {
	t.Helper()
	if notANumber(r) {
		t.Errorf("a NaN came out: %+v", r)
	}
}

func notANumber(r Result) bool {
	bad := math.IsNaN(r.RSS) || math.IsNaN(r.Offset) || math.IsNaN(r.Condition)
	for j := range r.P {
		bad = bad || !finite(r.P[j]) || math.IsNaN(r.StdDev[j])
		for k := range r.P {
			bad = bad || math.IsNaN(r.Cov.At(j, k)) || math.IsNaN(r.Correlation(j, k))
		}
	}
	for _, x := range r.Residuals {
		bad = bad || math.IsNaN(x)
	}
	for _, d := range r.Undetermined {
		bad = bad || len(d.Names) == 0 || math.IsNaN(sumsq(d.Move))
	}
	return bad
}

// Differences against exact derivatives, at places where the size of the parameter misleads about the scale of the
// model: a peak 4 wide at 450, bounds on either side (one-sided differences keep seven digits), a zero.
func TestDifferences(t *testing.T) {
	x := []float64{440, 446, 449, 451, 455, 460}
	f := func(p []float64, x float64) float64 {
		return p[0] / p[1] * math.Exp(-0.5*(x-p[2])*(x-p[2])/(p[1]*p[1]))
	}
	for _, c := range []struct {
		p, lo, hi []float64
		tol       float64
	}{
		{[]float64{1.5, 4, 450}, nil, nil, 1e-10},
		{[]float64{1.5, 0.9, 450}, nil, nil, 1e-10},
		{[]float64{1.5, 4, 450}, []float64{1.5, 4, 450}, []float64{9, 9, 900}, 1e-7},
		{[]float64{1.5, 4, 450}, []float64{0, 0, 0}, []float64{1.5, 4, 450}, 1e-7},
		{[]float64{0, 4, 450}, nil, nil, 1e-10},
	} {
		pr := Problem{N: len(x), Lower: c.lo, Upper: c.hi, Residuals: func(p, r []float64) {
			for j := range p {
				if c.lo != nil && (p[j] < c.lo[j] || p[j] > c.hi[j]) {
					t.Errorf("evaluated at %v outside the bounds", p)
				}
			}
			for i := range x {
				r[i] = f(p, x[i])
			}
		}}
		m := newModel(pr, c.p)
		r := make([]float64, len(x))
		m.residuals(c.p, r)
		for pass := 0; pass < 4; pass++ { // the steps settle over a few calls, as in a fit
			if !m.jacobian(c.p, r) {
				t.Fatal("no derivative")
			}
		}
		norm, err := make([]float64, 3), make([]float64, 3)
		for i := range x {
			g := math.Exp(-0.5 * (x[i] - c.p[2]) * (x[i] - c.p[2]) / (c.p[1] * c.p[1]))
			u := (x[i] - c.p[2]) / c.p[1]
			want := []float64{g / c.p[1], c.p[0] * g / (c.p[1] * c.p[1]) * (u*u - 1), c.p[0] * g / (c.p[1] * c.p[1]) * u}
			for j := range want {
				norm[j] += want[j] * want[j]
				err[j] += (m.jac.At(i, j) - want[j]) * (m.jac.At(i, j) - want[j])
			}
		}
		for j := range norm {
			if math.Sqrt(err[j]) > c.tol*math.Max(math.Sqrt(norm[j]), 1e-6) {
				t.Errorf("at %v bounds %v: column %d off by %.1e of %.1e", c.p, c.lo, j, math.Sqrt(err[j]), math.Sqrt(norm[j]))
			}
		}
	}
}

func moments(s [][]float64, j int) (mean, dev float64) {
	for _, x := range s {
		mean += x[j]
	}
	mean /= float64(len(s))
	for _, x := range s {
		dev += (x[j] - mean) * (x[j] - mean)
	}
	return mean, math.Sqrt(dev / float64(len(s)-1))
}

func TestSamples(t *testing.T) {
	pr := line([]float64{1, 2, 3, 4, 5}, []float64{2.1, 3.9, 6.2, 7.8, 10.1})
	res := Solve(pr, []float64{0, 0}, Settings{})
	s := res.Samples(4000, 7)
	var cross float64
	for _, x := range s {
		cross += (x[0] - res.P[0]) * (x[1] - res.P[1])
	}
	for j := range res.P {
		mean, dev := moments(s, j)
		if math.Abs(mean-res.P[j]) > 5*res.StdDev[j]/math.Sqrt(4000) || math.Abs(dev/res.StdDev[j]-1) > 0.06 {
			t.Errorf("%d: %v ± %v, want %v ± %v", j, mean, dev, res.P[j], res.StdDev[j])
		}
	}
	if got := cross / 4000 / (res.StdDev[0] * res.StdDev[1]); math.Abs(got-res.Correlation(0, 1)) > 0.02 {
		t.Errorf("correlation of samples %v, want %v", got, res.Correlation(0, 1))
	}
	if !reflect.DeepEqual(s, res.Samples(4000, 7)) {
		t.Error("the same seed gives other samples")
	}
	if reflect.DeepEqual(s, res.Samples(4000, 8)) {
		t.Error("another seed gives the same samples")
	}
}

// A normal law cut by a wall: reading −1 ± 1 of a quantity that is ≥ 0. Mean and deviation of the cut law are
// −1 + φ(1)/(1−Φ(1)) = 0.525135 and 0.446204 (closed form: m = φ(1)/(1 − Φ(1)) = 1.525135, variance 1 + m − m²).
func TestSamplesAtWall(t *testing.T) {
	pr := Problem{N: 1, KnownSigma: true, Lower: []float64{0}, Residuals: func(p, r []float64) { r[0] = p[0] + 1 }}
	res := Solve(pr, []float64{3}, Settings{})
	if !res.OK() || res.P[0] != 0 || !res.AtBound[0] {
		t.Fatalf("%v %v", res.Status, res.P)
	}
	m := 1.525135276160981
	dev := math.Sqrt(1 + m - m*m)
	post, took := Posterior(pr, res, 4000, 1)
	for name, s := range map[string][][]float64{"samples": res.Samples(4000, 1), "posterior": post} {
		mean, got := moments(s, 0)
		if math.Abs(mean-(m-1)) > 5*dev/math.Sqrt(4000) || math.Abs(got/dev-1) > 0.1 {
			t.Errorf("%s: %v ± %v, want %v ± %v", name, mean, got, m-1, dev)
		}
	}
	if took < 0.5 {
		t.Errorf("accepted %v", took)
	}
}

// A curved law: y = exp(a) read as 1 ± 0.5 with a in [−3, 3]. The law of a is exp(−(eᵃ−1)²/0.5) over the range: its
// mean and deviation are integrated numerically, and lie far from the quadratic's 0 ± 0.5.
func TestPosteriorOfCurvedModel(t *testing.T) {
	pr := Problem{N: 1, KnownSigma: true, Lower: []float64{-3}, Upper: []float64{3}, Residuals: func(p, r []float64) { r[0] = (math.Exp(p[0]) - 1) / 0.5 }}
	res := Solve(pr, []float64{1}, Settings{})
	var s0, s1, s2 float64
	const steps = 60000
	for i := 0; i < steps; i++ {
		a := -3 + 6*(float64(i)+0.5)/steps
		r := (math.Exp(a) - 1) / 0.5
		w := math.Exp(-r * r / 2)
		s0, s1, s2 = s0+w, s1+w*a, s2+w*a*a
	}
	mean, dev := s1/s0, math.Sqrt(s2/s0-s1/s0*s1/s0)
	s, took := Posterior(pr, res, 8000, 3)
	m, d := moments(s, 0)
	t.Logf("posterior %.3f ± %.3f, integral %.3f ± %.3f, quadratic %.3f ± %.3f, accepted %.2f", m, d, mean, dev, res.P[0], res.StdDev[0], took)
	if math.Abs(m-mean) > 0.06 || math.Abs(d/dev-1) > 0.08 {
		t.Errorf("posterior %v ± %v, want %v ± %v", m, d, mean, dev)
	}
}

// A direction that the data leave open stays inside the box and fills it.
func TestSamplesOfOpenDirection(t *testing.T) {
	pr := Problem{N: 3, KnownSigma: true, Lower: []float64{0, 0}, Upper: []float64{10, 10}, Residuals: func(p, r []float64) {
		for i := range r {
			r[i] = (p[0] + p[1] - 8) * 50
		}
	}}
	res := Solve(pr, []float64{1, 1}, Settings{})
	s := res.Samples(2000, 5)
	lo, hi := 10.0, 0.0
	for _, x := range s {
		if x[0] < 0 || x[1] < 0 || math.Abs(x[0]+x[1]-8) > 0.1 {
			t.Fatalf("sample %v", x)
		}
		lo, hi = math.Min(lo, x[0]), math.Max(hi, x[0])
	}
	mean, dev := moments(s, 0)
	// Uniform over 0…8: mean 4, deviation 8/√12.
	if lo > 0.2 || hi < 7.8 || math.Abs(mean-4) > 0.3 || math.Abs(dev/(8/math.Sqrt(12))-1) > 0.1 {
		t.Errorf("%v to %v, %v ± %v", lo, hi, mean, dev)
	}
}

// Planted values come back within their stated deviation as often as it says.
func TestCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	x := []float64{0, 1, 2, 3, 4, 6, 8, 10}
	truth := []float64{5, 0.4, 1}
	inside, trials := 0, 400
	y := make([]float64, len(x))
	for k := 0; k < trials; k++ {
		for i := range x {
			y[i] = truth[0]*math.Exp(-truth[1]*x[i]) + truth[2] + 0.05*rng.NormFloat64()
		}
		pr := Problem{N: len(x), KnownSigma: true, Residuals: func(p, r []float64) {
			for i := range x {
				r[i] = (p[0]*math.Exp(-p[1]*x[i]) + p[2] - y[i]) / 0.05
			}
		}}
		res := Solve(pr, []float64{1, 1, 0}, Settings{})
		if !res.OK() {
			t.Fatalf("%v: %s", res.Status, res.Why)
		}
		if math.Abs(res.P[1]-truth[1]) <= 1.96*res.StdDev[1] {
			inside++
		}
	}
	// 95 % of 400 is 380; binomial deviation 4.4, so four of them reach from 362 to 397.
	if inside < 362 || inside > 397 {
		t.Errorf("%d of %d inside the 95 %% interval", inside, trials)
	}
}

func TestCutNormal(t *testing.T) {
	inf := math.Inf(1)
	for _, c := range []struct{ lo, hi, u, want float64 }{
		{-inf, inf, 0.975, 1.959963984540054}, // standard normal table
		{0, inf, 0.5, 0.6744897501960817},     // median of the half normal
		{-inf, 0, 0.5, -0.6744897501960817},
		{40, inf, 1 - math.Exp(-1), 40 + 1.0/40}, // far tail: exponential with rate 40, to first order
		{-1, -1, 0.3, -1},
	} {
		if got := cutNormal(c.lo, c.hi, c.u); math.Abs(got-c.want) > 2e-5*math.Max(1, math.Abs(c.want)) {
			t.Errorf("%v: %v", c, got)
		}
	}
}

// lampLike is what a survey asks: a series resistance and the logarithmic law of a lamp from eight readings of voltage and
// current, the currents known to 20 µA.
func lampLike() Problem {
	v := []float64{2.5, 3, 4, 6, 8, 10, 12, 14}
	model := func(p []float64, v float64) float64 { // series resistor and logarithmic drop, by Newton in the logarithm of the current
		x := math.Log(v / p[0] / 1e-3)
		for k := 0; k < 6; k++ {
			i := 1e-3 * math.Exp(x)
			x -= (i*p[0] + p[1] + p[2]*x - v) / (i*p[0] + p[2])
		}
		return 1e-3 * math.Exp(x)
	}
	truth := []float64{1000, 1.9, 0.05}
	return Problem{N: len(v), KnownSigma: true, Residuals: func(p, r []float64) {
		for i := range v {
			r[i] = (model(p, v[i]) - model(truth, v[i])*(1+0.005*math.Sin(float64(3*i)))) / 20e-6
		}
	}, Lower: []float64{10, 1, 0.02}, Upper: []float64{1e5, 4, 0.2}}
}

// From anywhere in the box, a thousandfold range of resistance, the same answer on the first start.
func TestWildStarts(t *testing.T) {
	pr := lampLike()
	want := Solve(pr, []float64{1000, 1.9, 0.05}, Settings{Retries: -1})
	rng := rand.New(rand.NewPCG(3, 4))
	for k := 0; k < 100; k++ {
		start := []float64{20 * math.Pow(5000, rng.Float64()), 1 + 3*rng.Float64(), 0.02 + 0.18*rng.Float64()}
		res := Solve(pr, start, Settings{Retries: -1})
		if !res.OK() {
			t.Fatalf("from %v: %v (%s) at %v", start, res.Status, res.Why, res.P)
		}
		for j := range res.P {
			if math.Abs(res.P[j]-want.P[j]) > 1e-6*want.StdDev[j] {
				t.Fatalf("from %v: %v, want %v", start, res.P, want.P)
			}
		}
	}
}

func BenchmarkSolveLampLike(b *testing.B) {
	pr := lampLike()
	b.ReportAllocs()
	for b.Loop() {
		if res := Solve(pr, []float64{300, 2.5, 0.1}, Settings{}); !res.OK() {
			b.Fatal(res.Status, res.Why, res.P)
		}
	}
}

func BenchmarkNISTAllEightBothStarts(b *testing.B) {
	all := strdFiles(b)
	b.ReportAllocs()
	for b.Loop() {
		for _, d := range all {
			for _, start := range d.starts {
				Solve(d.problem(false), start, Settings{})
			}
		}
	}
}

// Repeated readings of one quantity: the fit of a constant gives mean and sample deviation. Helfrick & Cooper, Modern
// Electronic Instrumentation and Measurement Techniques, 2009, example 1-11, p. 14 (mean 101.3, probable error 0.6745·s =
// 0.13 with the population value 0.190; the sample value is 0.200); Sawhney & Sawhney, A Course in Mechanical Measurements
// and Instrumentation, 12th ed. 2001, example 3.21, p. 99 (mean 539.25, sample deviation 6.541, variance 42.79).
func TestRepeatedReadings(t *testing.T) {
	for _, c := range []struct {
		y              []float64
		mean, dev, tol float64
	}{
		{[]float64{101.2, 101.7, 101.3, 101.0, 101.5, 101.3, 101.2, 101.4, 101.3, 101.1}, 101.3, 0.200, 0.0005},
		{[]float64{532, 548, 543, 535, 546, 531, 543, 536}, 539.25, 6.541, 0.001},
	} {
		n := float64(len(c.y))
		res := Solve(Problem{N: len(c.y), Residuals: func(p, r []float64) {
			for i, y := range c.y {
				r[i] = p[0] - y
			}
		}}, []float64{1}, Settings{})
		s := math.Sqrt(res.RSS / (n - 1))
		if !res.OK() || math.Abs(res.P[0]-c.mean) > c.tol || math.Abs(s-c.dev) > c.tol || !near(res.StdDev[0], s/math.Sqrt(n), 1e-12) {
			t.Errorf("%v ± %v, deviation of the mean %v", res.P[0], s, res.StdDev[0])
		}
		if c.mean == 101.3 && (math.Abs(0.6745*math.Sqrt(res.RSS/n)-0.128) > c.tol || math.Abs(0.6745*s-0.1349) > c.tol) {
			t.Errorf("probable error %v and %v", 0.6745*math.Sqrt(res.RSS/n), 0.6745*s)
		}
		if c.mean == 539.25 && math.Abs(s*s-42.79) > 0.005 { // printed to two decimals
			t.Errorf("variance %v", s*s)
		}
	}
}
