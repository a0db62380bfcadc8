package parts

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"fettle/internal/unit"
)

func hundredths(series string) []int {
	var out []int
	for _, m := range Series(series) {
		out = append(out, int(math.Round(100*m)))
	}
	return out
}

// Check D-03. IEC 60063 values from memory; exceptions to the plain rule computed.
func TestSeriesD03(t *testing.T) {
	want := []int{10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91}
	e24 := hundredths("E24")
	except := map[int]int{}
	for i, h := range e24 {
		if h != 10*want[i] {
			t.Errorf("member %d of E24 is %d", i, h)
		}
		if rule := int(math.Round(10 * math.Pow(10, float64(i)/24))); rule != want[i] {
			except[rule] = want[i]
		}
	}
	if got := fmt.Sprint(except); got != fmt.Sprint(map[int]int{26: 27, 29: 30, 32: 33, 35: 36, 38: 39, 42: 43, 46: 47, 83: 82}) {
		t.Errorf("exceptions to the rule: %s", got)
	}
	for step, name := range map[int]string{2: "E12", 4: "E6", 8: "E3"} {
		s := hundredths(name)
		for i, h := range s {
			if h != e24[step*i] {
				t.Errorf("%s is not every member %d of E24: %v", name, step, s)
				break
			}
		}
		if len(s)*step != 24 {
			t.Errorf("%s has %d members", name, len(s))
		}
	}
}

// Check D-04. Rule against the 96-code table of a public reading guide (read for the codes sampled there).
func TestSeriesD04(t *testing.T) {
	e96 := hundredths("E96")
	for n, h := range e96 {
		if rule := int(math.Round(100 * math.Pow(10, float64(n)/96))); rule != h {
			t.Errorf("member %d is %d, the rule says %d", n, h, rule)
		}
	}
	if len(e96) != 96 || fmt.Sprint(e96[:4]) != "[100 102 105 107]" || fmt.Sprint(e96[93:]) != "[931 953 976]" {
		t.Errorf("E96: %v", e96)
	}
}

// Check D-05. IEC 60063 from memory; computed.
func TestSeriesD05(t *testing.T) {
	e48, e192 := hundredths("E48"), hundredths("E192")
	for n, h := range e48 {
		if rule := int(math.Round(100 * math.Pow(10, float64(n)/48))); rule != h {
			t.Errorf("member %d of E48 is %d, the rule says %d", n, h, rule)
		}
	}
	if len(e48) != 48 || fmt.Sprint(e48[:4]) != "[100 105 110 115]" || fmt.Sprint(e48[46:]) != "[909 953]" {
		t.Errorf("E48: %v", e48)
	}
	odd := 0
	for n, h := range e192 {
		if rule := int(math.Round(100 * math.Pow(10, float64(n)/192))); rule != h {
			odd++
			if n != 185 || rule != 919 || h != 920 {
				t.Errorf("member %d of E192 is %d, the rule says %d", n, h, rule)
			}
		}
	}
	if len(e192) != 192 || odd != 1 {
		t.Errorf("E192 has %d members, %d exceptions", len(e192), odd)
	}
	// Each fine series contains the coarser one it refines.
	for fine, coarse := range map[string]string{"E96": "E48", "E192": "E96"} {
		f, c := hundredths(fine), hundredths(coarse)
		for i, h := range c {
			if f[2*i] != h {
				t.Errorf("%s does not contain %d of %s", fine, h, coarse)
			}
		}
	}
}

func TestNearestUpDown(t *testing.T) {
	for _, x := range []struct {
		r                 unit.Ohm
		series            string
		down, nearest, up float64
	}{
		{52, "E24", 51, 51, 56}, {53.5, "E24", 51, 51, 56}, {54, "E24", 51, 56, 56}, // half way: the lower
		{4700, "E3", 4700, 4700, 4700}, {4700 * (1 + 1e-12), "E12", 4700, 4700, 4700},
		{9.9, "E12", 8.2, 10, 10}, {980, "E96", 976, 976, 1000}, {0.95, "E6", 0.68, 1, 1}, {1e6, "E24", 1e6, 1e6, 1e6}, {9.9e6, "E24", 9.1e6, 10e6, 10e6},
	} {
		if d, n, u := Down(x.r, x.series), Nearest(x.r, x.series), Up(x.r, x.series); float64(d) != x.down || float64(n) != x.nearest || float64(u) != x.up {
			t.Errorf("%v in %s: %v %v %v, want %+v", x.r, x.series, d, n, u, x)
		}
	}
	if c := Nearest(unit.Farad(5e-9), "E6"); c != 4.7e-9 {
		t.Errorf("5 nF: %v", c)
	}
	for _, bad := range []unit.Ohm{0, -1, unit.Absent[unit.Ohm](), unit.Ohm(math.Inf(1)), 1e300, 1e-300} {
		for _, got := range []unit.Ohm{Up(bad, "E24"), Down(bad, "E24"), Nearest(bad, "E24")} {
			if unit.Known(got) {
				t.Errorf("%v gives %v", bad, got)
			}
		}
	}
	if unit.Known(Up(unit.Ohm(100), "E7")) || Series("E7") != nil || Between[unit.Ohm](1, 10, "E7") != nil {
		t.Error("there is no E7")
	}
}

func TestBetween(t *testing.T) {
	if got := fmt.Sprint(Between[unit.Ohm](82, 220, "E12")); got != "[82 Ω 100 Ω 120 Ω 150 Ω 180 Ω 220 Ω]" {
		t.Errorf("82 … 220 Ω in E12: %s", got)
	}
	if got := Between[unit.Ohm](10, 10e6, "E24"); len(got) != 6*24+1 || got[0] != 10 || got[len(got)-1] != 10e6 {
		t.Errorf("%d members from 10 Ω to 10 MΩ", len(got))
	}
	for _, empty := range [][2]unit.Ohm{{103, 104}, {200, 100}, {unit.Absent[unit.Ohm](), 10}} {
		if got := Between(empty[0], empty[1], "E24"); got != nil {
			t.Errorf("%v: %v", empty, got)
		}
	}
	if got := Between(0, unit.Ohm(math.Inf(1)), "E3"); len(got) != 3*30+1 {
		t.Errorf("everything: %d", len(got))
	}
}

func TestOddValue(t *testing.T) {
	if got := OddValue(52); got != "52 Ω is in no E series; the nearest are 51 Ω (E24) and 52.3 Ω (E96)" {
		t.Errorf("52 Ω: %q", got)
	}
	for _, fine := range []unit.Ohm{0, 51, 52.3, 919, 920, 4700, unit.Absent[unit.Ohm]()} {
		got := OddValue(fine)
		if (got != "") != (fine == 919) { // 919 is the rule's, 920 the standard's
			t.Errorf("%v: %q", fine, got)
		}
	}
	for r, want := range map[unit.Ohm]string{4700: "E3", 6.8e3: "E6", 1.2: "E12", 51: "E24", 10.5: "E48", 10.2: "E96", 920: "E192", 52: ""} {
		if got := SeriesOf(r); got != want {
			t.Errorf("%v is in %q, want %q", r, got, want)
		}
	}
}

// Up and Down bracket x, are members, and nothing of the series lies between.
func TestSeriesBracket(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom(SeriesNames).Draw(t, "series")
		x := unit.Ohm(math.Pow(10, rapid.Float64Range(-3, 9).Draw(t, "log")))
		down, up := Down(x, name), Up(x, name)
		if down > x*(1+sameValue) || up < x*(1-sameValue) {
			t.Fatalf("%v is not between %v and %v", x, down, up)
		}
		inside := Between(down, up, name)
		if len(inside) == 0 || inside[0] != down || inside[len(inside)-1] != up || len(inside) > 2 {
			t.Fatalf("between %v and %v lie %v", down, up, inside)
		}
	})
}

// Check D-08. Source: Lessons in Electric Circuits (Kuphaldt and contributors), Vol. I DC, 2017 source state,
// ch. 5, parallel circuits: 9 V across 10 kΩ, 2 kΩ and 1 kΩ; 625 Ω printed, total current 14.4 mA.
func TestParallelD08(t *testing.T) {
	r := unit.Ohm(10e3).Parallel(2e3).Parallel(1e3)
	if math.Abs(float64(r)-625) > 0.1 {
		t.Errorf("%v", r)
	}
	if i := unit.Volt(9).Over(r); math.Abs(float64(i)-14.4e-3) > 0.01e-3 {
		t.Errorf("%v", i)
	}
}

// Check D-09. Source: own exhaustive search over one or two E12 parts, 10 Ω to 8.2 MΩ.
func TestCombinationsD09(t *testing.T) {
	got := Combinations(1120, SeriesStock("E12", 10, 8.2e6), 400)
	if len(got) != 400 {
		t.Fatalf("%d combinations", len(got))
	}
	exact := map[string]bool{}
	single, parallel := "", ""
	var singleError, parallelR float64
	for _, c := range got {
		if math.Abs(float64(c.Error)) < 1e-12 {
			exact[c.String()] = true
		}
		if len(c.Parts) == 1 && single == "" {
			single, singleError = c.String(), float64(c.R)-1120
		}
		if c.Parallel && parallel == "" {
			parallel, parallelR = c.String(), float64(c.R)
		}
	}
	if len(exact) != 2 || !exact["560 Ω + 560 Ω"] || !exact["120 Ω + 1 kΩ"] {
		t.Errorf("exact: %v", exact)
	}
	if got[0].String() != "560 Ω + 560 Ω" {
		t.Errorf("the first is %v", got[0])
	}
	if single != "1.2 kΩ" || math.Abs(singleError-80) > 1e-9 {
		t.Errorf("best single part: %s, error %v", single, singleError)
	}
	if parallel != "1.2 kΩ ∥ 18 kΩ" || math.Abs(parallelR-1125) > 1e-9 {
		t.Errorf("best parallel: %s, %v", parallel, parallelR)
	}
}

// The best of the search is the best of a plain double loop, for random targets and stocks with counts.
func TestCombinationsAgainstDoubleLoop(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var stock []Stock
		for i := range rapid.IntRange(1, 12).Draw(t, "n") {
			stock = append(stock, Stock{
				R: unit.Ohm(rapid.IntRange(1, 1000).Draw(t, "r")), Tolerance: 0.05, Count: rapid.IntRange(-1, 2).Draw(t, "count"), Item: i,
				Package: rapid.SampledFrom([]string{"0603", "0805"}).Draw(t, "package"),
			})
		}
		target := unit.Ohm(rapid.IntRange(1, 2000).Draw(t, "target"))
		best := math.Inf(1)
		try := func(r unit.Ohm) { best = math.Min(best, math.Abs(float64(r-target))) }
		for i, a := range stock {
			if a.Count == 0 {
				continue
			}
			try(a.R)
			for j, b := range stock[:i+1] {
				if b.Count == 0 || i == j && a.Count == 1 || a.Package != b.Package {
					continue
				}
				try(a.R + b.R)
				try(a.R.Parallel(b.R))
			}
		}
		got := Combinations(target, stock, 3)
		if math.IsInf(best, 1) {
			if len(got) != 0 {
				t.Fatalf("nothing in stock gives %v", got)
			}
			return
		}
		if d := math.Abs(float64(got[0].R - target)); math.Abs(d-best) > 1e-6 {
			t.Fatalf("best is %v off, found %v (%v)", best, d, got[0])
		}
		for i, c := range got {
			used := map[int]int{}
			for _, p := range c.Parts {
				used[p.Item]++
			}
			for item, n := range used {
				if have := stock[item].Count; have >= 0 && n > have {
					t.Fatalf("%v uses %d of %d", c, n, have)
				}
			}
			if c.Low > c.R || c.High < c.R {
				t.Fatalf("%v lies outside %v … %v", c.R, c.Low, c.High)
			}
			if i > 0 && math.Abs(float64(c.Error)) < math.Abs(float64(got[i-1].Error))-2*sameValue {
				t.Fatalf("%v stands behind %v", c, got[i-1])
			}
		}
	})
}

func TestCombinationLimits(t *testing.T) {
	// 1 kΩ ±5 % and 1 kΩ ±1 % in series: 950 + 990 … 1050 + 1010 Ω; in parallel the ends likewise.
	stock := []Stock{{R: 1000, Tolerance: 0.05, Count: 1}, {R: 1000, Tolerance: 0.01, Count: 1, Item: 1}}
	c := Combinations(2000, stock, 1)[0]
	if c.R != 2000 || math.Abs(float64(c.Low)-1940) > 1e-9 || math.Abs(float64(c.High)-2060) > 1e-9 {
		t.Errorf("%+v", c)
	}
	c = Combinations(500, stock, 1)[0]
	if c.R != 500 || math.Abs(float64(c.Low)-950*990/1940.0) > 1e-9 || !c.Parallel {
		t.Errorf("%+v", c)
	}
	c = Combinations(1000, []Stock{{R: 1000, Count: 1, Tolerance: unit.Absent[unit.Ratio]()}}, 1)[0]
	if unit.Known(c.Low) || strings.Contains(c.String(), "+") {
		t.Errorf("%+v", c)
	}
	for _, bad := range []unit.Ohm{0, -5, unit.Absent[unit.Ohm]()} {
		if got := Combinations(bad, stock, 3); got != nil {
			t.Errorf("%v: %v", bad, got)
		}
	}
}

func BenchmarkTwoResistorsFromE96(b *testing.B) {
	stock := SeriesStock("E96", 10, 1e6)
	b.ReportAllocs()
	for b.Loop() {
		if len(Combinations(1234, stock, 10)) != 10 {
			b.Fatal("fewer than ten")
		}
	}
}
