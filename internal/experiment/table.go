package experiment

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/fit"
	"fettle/internal/meter"
	"fettle/internal/parts"
	"fettle/internal/spread"
	"fettle/internal/unit"
)

// What all cards count with.
const (
	nominalSupply  = 5.0  // V
	supplySpread   = 0.25 // V, one deviation of a supply that was not measured (common practice, no source: ±10 %)
	usualTolerance = 0.05 // of a resistor whose tolerance nobody states
	standing       = 298.15
	draws          = 120 // samples of a prediction
)

// A kit is what a card works with: the meter, the parts on hand, and what there is to say of them.
type kit struct {
	Meter  meter.Spec
	drawer *parts.Drawer
	Notes  []finding.Note
}

// By is the meter's name.
func (k *kit) By() string { return k.Meter.Name }

func (k *kit) note(kind, format string, args ...any) {
	k.Notes = append(k.Notes, finding.Note{Kind: kind, Text: fmt.Sprintf(format, args...)})
}

// A Rung is one resistor of a card.
type Rung struct {
	R         unit.Ohm
	Tolerance unit.Ratio
	Have      bool // in the drawer
}

// take finds a value in the drawer.
func (k *kit) take(r unit.Ohm) Rung {
	if k.drawer != nil {
		for _, s := range k.drawer.Resistors("") {
			if math.Abs(float64(s.R/r)-1) < 1e-6 {
				return Rung{R: r, Tolerance: unit.Or(s.Tolerance, usualTolerance), Have: true}
			}
		}
	}
	return Rung{R: r, Tolerance: usualTolerance}
}

// near is the resistor of the drawer within 25 % of a value, else the one of E12.
func (k *kit) near(r float64) Rung {
	best, off := Rung{}, math.Log(1.25)
	if k.drawer != nil {
		for _, s := range k.drawer.Resistors("") {
			if d := math.Abs(math.Log(float64(s.R) / r)); d < off {
				best, off = Rung{R: s.R, Tolerance: unit.Or(s.Tolerance, usualTolerance), Have: true}, d
			}
		}
	}
	if !best.Have {
		return k.take(parts.Nearest(unit.Ohm(r), "E12"))
	}
	return best
}

// inDrawer notes where the part is not on hand.
func (k *kit) inDrawer(part string) {
	if k.drawer != nil {
		if _, ok := k.drawer.Have(part); ok {
			return
		}
	}
	k.note("drawer", "%s is not in the drawer; the card is set up for it all the same", part)
}

// noPart says that no part of some kinds has a name.
func noPart(b Bench, what, name string, kinds ...string) error {
	for _, kind := range kinds {
		if near := b.Build.Catalogue.Suggest(name, kind); len(near) > 0 {
			return fmt.Errorf("no %s is called %q; did you mean %s?", what, name, strings.Join(near, " or "))
		}
	}
	return fmt.Errorf("no %s is called %q; 'fettle part %s' says what else it may be", what, name, name)
}

// missing says which rungs the drawer lacks.
func (k *kit) missing(ladder []Rung) {
	var lacks string
	for _, r := range ladder {
		if !r.Have {
			if lacks != "" {
				lacks += ", "
			}
			lacks += r.R.String()
		}
	}
	if lacks != "" {
		k.note("drawer", "not in the drawer: %s; common ±5 %% ones are supposed (leave those steps out where there are none, or join smaller ones in series and write their sum)", lacks)
	}
}

// rangeFor is the meter's range for a reading; a function that it has not, an ordinary meter's.
func (k *kit) rangeFor(f meter.Function, x float64) meter.RangeSpec {
	if r, ok := k.Meter.Range(f, x); ok {
		return r
	}
	r, _ := meter.Cheap().Range(f, x)
	return r
}

// rangeIndex is the place of a range in the build file's meter; −1: it is not described.
func rangeIndex(m *build.Meter, r meter.RangeSpec) int {
	if m != nil {
		for i, x := range m.Ranges {
			if meter.Function(x.Measures.Text) == r.Function && x.Full.Or(math.NaN()) == r.Full {
				return i
			}
		}
	}
	return -1
}

// input is what a voltage range loads the circuit with.
func input(r meter.RangeSpec) unit.Ohm {
	if unit.Known(r.Input) && r.Input > 0 {
		return r.Input
	}
	return 10e6
}

// noise is the deviation of what is independent of a reading: digits and rounding.
func noise(r meter.RangeSpec) float64 { return math.Hypot(r.Sigma(), r.Resolution/math.Sqrt(12)) }

// foresee is what points of a prediction come to: typical, and 95 % of the draws. At gives all points, with numbers even
// between −1 and 1 where it asks; the typical draw gets zeros.
func foresee(points int, at func(even func() float64) []float64) (mid, low, high []float64) {
	all := make([][]float64, points)
	law := stream{seed: 1}
	for k := range draws + 1 {
		even := law.even
		if k == 0 {
			even = func() float64 { return 0 }
		}
		for i, v := range at(even) {
			switch {
			case k == 0:
				mid = append(mid, v)
			case !math.IsNaN(v):
				all[i] = append(all[i], v)
			}
		}
	}
	for i, vs := range all {
		if len(vs) < draws/2 { // the circuit was not solved: nothing is known
			low, high = append(low, mid[i]), append(high, mid[i])
			continue
		}
		slices.Sort(vs)
		n := len(vs)
		low, high = append(low, min(mid[i], vs[n/40])), append(high, max(mid[i], vs[n-1-n/40]))
	}
	return mid, low, high
}

// stream is a seeded row of numbers, even between −1 and 1.
type stream struct{ seed, n uint64 }

func (s *stream) even() float64 {
	s.n++
	return 2*spread.Number(s.seed, s.n) - 1
}

// between draws what is computed of readings and tolerances, and returns the middle and the interval of 95 %: 97.5 % of the
// draws, the rest being for what they do not know (displays round, real meters and parts follow no box).
func between(f func(even func() float64) float64) (mid, low, high float64) {
	const count = 2000
	law := stream{seed: 2}
	var all []float64
	for range count {
		if x := f(law.even); !math.IsNaN(x) {
			all = append(all, x)
		}
	}
	if len(all) < count/2 {
		nan := math.NaN()
		return nan, nan, nan
	}
	slices.Sort(all)
	n := len(all)
	return all[n/2], all[n/80], all[n-1-n/80]
}

// draw is the truth behind a reading, drawn: the gain error within its bound by gain, the digits by even.
func draw(r meter.RangeSpec, shown, gain, digits float64) float64 {
	return (r.Corrected(shown) + digits*r.Slack()) / (1 + float64(r.Gain)*gain)
}

// gains draws each range's gain error once for all its readings.
type gains struct {
	even   func() float64
	ranges []meter.RangeSpec
	drawn  []float64
}

func (g *gains) of(r meter.RangeSpec) float64 {
	for i, x := range g.ranges {
		if x == r {
			return g.drawn[i]
		}
	}
	g.ranges, g.drawn = append(g.ranges, r), append(g.drawn, g.even())
	return g.drawn[len(g.drawn)-1]
}

func (g *gains) draw(r meter.RangeSpec, shown float64) float64 {
	return draw(r, shown, g.of(r), g.even())
}

// unknowns are the parameters of a card's fit.
type unknowns struct {
	fit.Problem
	kit   *kit
	start []float64
	scale map[meter.RangeSpec]int
}

func (u *unknowns) add(name string, start, low, high, width, mean, sigma float64) int {
	u.Names, u.start = append(u.Names, name), append(u.start, start)
	u.Lower, u.Upper, u.Scale = append(u.Lower, low), append(u.Upper, high), append(u.Scale, width)
	u.Prior = append(u.Prior, fit.Prior{Param: len(u.start) - 1, Mean: mean, Sigma: sigma})
	return len(u.start) - 1
}

// share is a relative deviation about none.
func (u *unknowns) share(name string, sigma float64) int {
	sigma = max(sigma, 1e-6)
	return u.add(name, 0, -0.5, 0.5, sigma, 0, sigma)
}

// gain is the range for a reading, and the unknown of its gain error, which all its readings share.
func (u *unknowns) gain(f meter.Function, shown float64) (meter.RangeSpec, int) {
	m := u.kit.rangeFor(f, shown)
	k, ok := u.scale[m]
	if !ok {
		k = u.share("meter's "+string(f)+" range", float64(m.Gain)/math.Sqrt(3))
		if u.scale == nil {
			u.scale = map[meter.RangeSpec]int{}
		}
		u.scale[m] = k
	}
	return m, k
}

// shows is what the display says of a truth, the gain error beside the known one being e.
func shows(m meter.RangeSpec, truth, e float64) float64 {
	return truth * (1 + float64(m.Known)) * (1 + e)
}

// settled is how many deviations from the best fit do not matter.
const settled = 0.01

// solve fits; misfit is the worst reading in deviations.
func (u *unknowns) solve(n int, residuals func(p, res []float64)) (found fit.Result, misfit float64, err error) {
	u.N, u.Residuals, u.KnownSigma = n, residuals, true
	found = fit.Solve(u.Problem, u.start, fit.Settings{Seed: 1, Retries: 4})
	if found.Status != fit.Converged && found.Offset > settled {
		return found, 0, fmt.Errorf("the readings could not be fitted: %v (%s)", found.Status, found.Why)
	}
	for _, r := range found.Residuals[:n] {
		misfit = max(misfit, math.Abs(r))
	}
	return found, misfit, nil
}

// steps numbers what to do.
func steps(say ...string) (out []finding.Note) {
	for k, s := range say {
		out = append(out, finding.Note{ID: fmt.Sprintf("step.%d", k+1), Kind: fmt.Sprintf("step %d", k+1), Text: s})
	}
	return out
}

// firstPower is the caution of every card that feeds something.
func firstPower(more string) finding.Caution {
	return finding.Caution{Where: "first power", Text: "feed it from a current-limited supply or batteries, 20 mA is plenty; never from the track or an unisolated supply. " + more}
}

// columns of a card's table.
func columns(first string) []finding.Column {
	return []finding.Column{{Title: first, Numeric: true}, {Title: "typical", Numeric: true}, {Title: "from", Numeric: true}, {Title: "to", Numeric: true}, {Title: "read", Numeric: true}}
}

// row of a card's table; a reading of NaN is left open.
func row(at float64, atUnit string, mid, low, high, read float64, symbol string, digits int) []finding.Cell {
	cell := func(v float64) finding.Cell { return finding.Cell{Number: v, Unit: symbol, Digits: digits} }
	shown := finding.Cell{Number: math.NaN()}
	if !math.IsNaN(read) {
		shown = cell(read)
	}
	return []finding.Cell{{Number: at, Unit: atUnit}, cell(mid), cell(low), cell(high), shown}
}

// logGrid is n values by equal ratios.
func logGrid(low, high float64, n int) (x []float64) {
	for k := range n {
		x = append(x, low*math.Pow(high/low, float64(k)/float64(n-1)))
	}
	return x
}

func round(x float64, digits int) float64 {
	if x == 0 || math.IsNaN(x) {
		return x
	}
	p := math.Pow(10, float64(digits)-1-math.Floor(math.Log10(math.Abs(x))))
	return math.Round(x*p) / p
}

// roundUp is round away from zero.
func roundUp(x float64, digits int) float64 {
	if x == 0 || math.IsNaN(x) {
		return x
	}
	p := math.Pow(10, float64(digits)-1-math.Floor(math.Log10(math.Abs(x))))
	return math.Copysign(math.Ceil(math.Abs(x)*p*(1-1e-12))/p, x)
}

// typed is a quantity as a hand types it, with a plain space: for files and prompts.
func typed[U fmt.Stringer](x U) string { return strings.ReplaceAll(x.String(), unit.ThinSpace, " ") }

func plain(x float64, symbol string) string { return fmt.Sprintf("%g %s", round(x, 3), symbol) }

// roundDown is round towards zero.
func roundDown(x float64, digits int) float64 {
	if x == 0 || math.IsNaN(x) {
		return x
	}
	p := math.Pow(10, float64(digits)-1-math.Floor(math.Log10(math.Abs(x))))
	return math.Copysign(math.Floor(math.Abs(x)*p*(1+1e-12))/p, x)
}
