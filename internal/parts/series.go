package parts

import (
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"
	"sync"

	"fettle/internal/diag"
	"fettle/internal/unit"
)

// An eseries is a series of IEC 60063: members of one decade, in hundredths.
type eseries struct {
	name      string
	hundreds  []int // 100 … 976
	tolerance unit.Ratio
}

// SeriesNames are the series of IEC 60063, coarse to fine.
var SeriesNames = []string{"E3", "E6", "E12", "E24", "E48", "E96", "E192"}

var seriesTable = sync.OnceValue(func() []eseries { return loaded(loadSeries) })

func loadSeries(problems *diag.List) []eseries {
	t := openTable("resistor_eseries.csv", eseriesCSV, problems)
	var out []eseries
	for t.next() {
		name := t.oneOf("series", SeriesNames...)
		if len(out) == 0 || out[len(out)-1].name != name {
			// ">0.20" for E3: wider than, as IEC 60063 has it.
			tol := t.parse("usual_tolerance", strings.TrimPrefix(t.must("usual_tolerance"), ">"))
			out = append(out, eseries{name: name, tolerance: unit.Ratio(tol)})
		}
		s := &out[len(out)-1]
		if i := num[float64](t, "index"); int(i) != len(s.hundreds) {
			t.bad("index", "%v stands where %d is due", i, len(s.hundreds))
		}
		h := int(math.Round(num[float64](t, "value") * 100))
		if n := len(s.hundreds); n > 0 && h <= s.hundreds[n-1] || h < 100 || h > 999 {
			t.bad("value", "%v does not rise within 1 … 10", float64(h)/100)
		}
		s.hundreds = append(s.hundreds, h)
		t.must("source")
	}
	t.close()
	for _, s := range out {
		if want, _ := strconv.Atoi(s.name[1:]); len(s.hundreds) != want {
			problems.Add("table-series", diag.Range{File: t.file}, "%s has %d members", s.name, len(s.hundreds))
		}
	}
	// E192 is the rule round(100·10^(n/192)) but for its member 185, 920 and not 919 (IEC 60063, from memory).
	e192 := eseries{name: "E192", tolerance: 0.005}
	for n := range 192 {
		h := int(math.Round(100 * math.Pow(10, float64(n)/192)))
		if n == 185 {
			h = 920
		}
		e192.hundreds = append(e192.hundreds, h)
	}
	return append(out, e192)
}

func findSeries(name string) *eseries {
	for i, s := range seriesTable() {
		if strings.EqualFold(s.name, strings.TrimSpace(name)) {
			return &seriesTable()[i]
		}
	}
	return nil
}

// Series returns one decade of a series of IEC 60063 ("E24"): 1 ≤ x < 10, rising. An unknown name gives nil.
func Series(name string) []float64 {
	s := findSeries(name)
	if s == nil {
		return nil
	}
	out := make([]float64, len(s.hundreds))
	for i, h := range s.hundreds {
		out[i] = float64(h) / 100
	}
	return out
}

// UsualTolerance is the tolerance a series is made for: E24 5 %, E96 1 % (E3: wider than the 20 % given).
func UsualTolerance(series string) unit.Ratio {
	if s := findSeries(series); s != nil {
		return s.tolerance
	}
	return unit.Absent[unit.Ratio]()
}

// Preferred values are sought between these; beyond them nothing is found.
const (
	leastPreferred    = 1e-15 // 1 fF: capacitors use the series too
	greatestPreferred = 1e15
	sameValue         = 1e-9 // relative: rounding of decimal input, far below any tolerance
)

// times scales a decimal significand by a power of ten with one rounding, so that 47·10² is 4700 exactly.
func times(significand float64, exp int) float64 {
	if exp < 0 {
		return significand / math.Pow10(-exp)
	}
	return significand * math.Pow10(exp)
}

// around returns the members of s next to x: the greatest not above it and the least not below it.
func (s *eseries) around(x float64) (down, up float64) {
	if s == nil || math.IsNaN(x) || x < leastPreferred || x > greatestPreferred {
		return math.NaN(), math.NaN()
	}
	exp := int(math.Floor(math.Log10(x))) - 2
	down = math.NaN()
	for e := exp - 1; e <= exp+1; e++ {
		for _, h := range s.hundreds {
			v := times(float64(h), e)
			if math.Abs(v-x) <= sameValue*x {
				return v, v
			}
			if v > x {
				return down, v
			}
			down = v
		}
	}
	return math.NaN(), math.NaN() // not reached: the decades cover x
}

// Nearest is the member of a series closest to x; of two equally close the lower. Absent if there is none.
func Nearest[U ~float64](x U, series string) U {
	down, up := findSeries(series).around(float64(x))
	if up-float64(x) < float64(x)-down {
		return U(up)
	}
	return U(down)
}

// Up is the least member of a series that is not below x.
func Up[U ~float64](x U, series string) U {
	_, up := findSeries(series).around(float64(x))
	return U(up)
}

// Down is the greatest member of a series that is not above x.
func Down[U ~float64](x U, series string) U {
	down, _ := findSeries(series).around(float64(x))
	return U(down)
}

// Between returns the members of a series from lo to hi, both included, rising.
func Between[U ~float64](lo, hi U, series string) []U {
	s := findSeries(series)
	lo, hi = max(lo, leastPreferred), min(hi, greatestPreferred)
	if s == nil || !unit.Known(lo) || !unit.Known(hi) || lo > hi*(1+sameValue) {
		return nil
	}
	var out []U
	for e := int(math.Floor(math.Log10(float64(lo)))) - 3; ; e++ {
		for _, h := range s.hundreds {
			v := U(times(float64(h), e))
			switch {
			case v > hi*(1+sameValue):
				return out
			case v >= lo*(1-sameValue):
				out = append(out, v)
			}
		}
	}
}

// SeriesOf is the coarsest series x belongs to, or "".
func SeriesOf[U ~float64](x U) string {
	for i := range seriesTable() {
		s := &seriesTable()[i]
		if down, up := s.around(float64(x)); down == up {
			return s.name
		}
	}
	return ""
}

// OddValue says that x is no preferred number, and which are next to it; "" if it is one (or zero: a jumper).
func OddValue(x unit.Ohm) string {
	if x == 0 || !unit.Known(x) || SeriesOf(x) != "" {
		return ""
	}
	coarse, fine := Nearest(x, "E24"), Nearest(x, "E96")
	if !unit.Known(coarse) {
		return ""
	}
	return fmt.Sprintf("%v is in no E series; the nearest are %v (E24) and %v (E96)", x, coarse, fine)
}

// A Stock is a resistor value one can take: from a series, or from the drawer.
type Stock struct {
	R         unit.Ohm
	Tolerance unit.Ratio // absent: not known
	Count     int        // −1: plenty
	Package   string     // "" for a series
	Item      int        // index into Drawer.Items, −1 for a series
}

// SeriesStock is a whole series between two values, plenty of each.
func SeriesStock(series string, lo, hi unit.Ohm) []Stock {
	var out []Stock
	tol := UsualTolerance(series)
	for _, r := range Between(lo, hi, series) {
		out = append(out, Stock{R: r, Tolerance: tol, Count: -1, Item: -1})
	}
	return out
}

// A Combination is one resistor, or two in series or parallel.
type Combination struct {
	Parts     []Stock
	Parallel  bool
	R         unit.Ohm   // of the nominal values
	Error     unit.Ratio // R against the target, signed
	Low, High unit.Ohm   // with every part at its tolerance; absent if one of them is not known
}

// String prints the combination as on paper: "560 Ω + 560 Ω", "1.2 kΩ ∥ 18 kΩ".
func (c Combination) String() string {
	sign := " + "
	if c.Parallel {
		sign = " ∥ "
	}
	words := make([]string, len(c.Parts))
	for i, p := range c.Parts {
		words[i] = p.R.String()
	}
	return strings.Join(words, sign)
}

func combine(target unit.Ohm, parallel bool, parts ...Stock) Combination {
	c := Combination{Parts: parts, Parallel: parallel, R: parts[0].R}
	t := parts[0].Tolerance
	c.Low, c.High = parts[0].R*unit.Ohm(1-t), parts[0].R*unit.Ohm(1+t)
	if len(parts) == 2 {
		b := parts[1]
		lo, hi := b.R*unit.Ohm(1-b.Tolerance), b.R*unit.Ohm(1+b.Tolerance)
		if parallel {
			c.R, c.Low, c.High = c.R.Parallel(b.R), c.Low.Parallel(lo), c.High.Parallel(hi)
		} else {
			c.R, c.Low, c.High = c.R+b.R, c.Low+lo, c.High+hi
		}
	}
	c.Error = unit.Ratio((c.R - target) / target)
	return c
}

// Combinations finds the single resistors and the pairs, in series and in parallel, that come closest to the
// target: the best n, closest first; at the same distance one part before two, series before parallel, and
// then the smaller spread. A value of which one piece is left is not paired with itself. Parts of a pair
// have the same package, where packages are said. Zero-ohm parts are left out.
func Combinations(target unit.Ohm, stock []Stock, n int) []Combination {
	if !unit.Known(target) || target <= 0 || n <= 0 {
		return nil
	}
	use := make([]Stock, 0, len(stock))
	for _, s := range stock {
		if unit.Known(s.R) && s.R > 0 && s.Count != 0 {
			use = append(use, s)
		}
	}
	sort.SliceStable(use, func(i, j int) bool { return use[i].R < use[j].R })
	var out []Combination
	worst := math.Inf(1) // distance of the n-th best so far
	keep := func(c Combination) {
		d := math.Abs(float64(c.Error))
		if d > worst+sameValue {
			return
		}
		out = append(out, c)
		if len(out) >= 4*n+64 {
			sortCombinations(out)
			out = out[:n]
			worst = math.Abs(float64(out[n-1].Error))
		}
	}
	for i, a := range use {
		keep(combine(target, false, a))
		for j, b := range use[i:] {
			if j == 0 && a.Count == 1 || a.Package != b.Package {
				continue
			}
			if a.R < target {
				keep(combine(target, false, a, b))
			}
			if b.R > target {
				keep(combine(target, true, a, b))
			}
		}
	}
	sortCombinations(out)
	return out[:min(n, len(out))]
}

func sortCombinations(cs []Combination) {
	sort.SliceStable(cs, func(i, j int) bool {
		a, b := cs[i], cs[j]
		da, db := math.Round(math.Abs(float64(a.Error))/sameValue), math.Round(math.Abs(float64(b.Error))/sameValue)
		if da != db {
			return da < db
		}
		if len(a.Parts) != len(b.Parts) {
			return len(a.Parts) < len(b.Parts)
		}
		if a.Parallel != b.Parallel {
			return b.Parallel
		}
		// Parts that share the load: closest to each other first.
		return a.Parts[len(a.Parts)-1].R/a.Parts[0].R < b.Parts[len(b.Parts)-1].R/b.Parts[0].R
	})
}
