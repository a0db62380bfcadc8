package spread

import (
	"encoding/binary"
	"errors"
	"math"
	"slices"
)

// Settings tune a search; the zero value is right for most.
type Settings struct {
	Seed     uint64
	Corners  int // random corners tried; 0: 8, negative: none
	Inside   int // random points inside tried; 0: 8, negative: none
	MostEval int // evaluations at most; 0: 3000
	// Far: a goal that the corner of the signs leaves this factor away from its limit is left there; 0: none is.
	Far float64
	// Signs: only the corner that the signs of the effects point at, with the levels tried there; no exchanges.
	Signs bool
	// From is a point to climb from instead, the worst of a like question, for the one goal asked; what moves its value by
	// less than a thousandth is tried together there. It is quick, and no search of its own.
	From *Known
}

// A Known is a worst case known already, with the effect of every variable there.
type Known struct{ Z, Effect []float64 }

// weak is the share of the value that does not matter to a search From what is known.
const weak = 1e-3

func (s Settings) filled() Settings {
	if s.Corners == 0 {
		s.Corners = 8
	}
	if s.Inside == 0 {
		s.Inside = 8
	}
	if s.MostEval <= 0 {
		s.MostEval = 3000
	}
	return s
}

// A Worst is the worst case found for one goal.
type Worst struct {
	Z     []float64 // where; nil if the quantity was nowhere defined
	Value float64   // +Inf or −Inf (the worst there is) if nowhere defined
	// NonMonotone: along some variable the quantity was seen to turn back, or the worst lies inside. The claim then
	// rests on the search alone.
	NonMonotone bool
	Undefined   []float64 // a point where the quantity could not be computed; nil: none met
}

// Found is the result of a search.
type Found struct {
	Worst   []Worst     // per goal
	Typical []float64   // all quantities where nothing deviates
	Effect  [][]float64 // per quantity and variable: half the change from z = −1 to +1, the others typical; level variables: 0
	Evals   int
	Stopped bool // Settings.MostEval was reached before the search had settled
}

// Limits of the search, relative to the range of the quantity over the points visited.
const (
	gainLeast  = 1e-7 // an improvement smaller than this is none (solver noise)
	bendLeast  = 1e-4 // both limits on one side of the typical value by this much: not monotone
	bendInside = 1.5  // a parabola with its vertex within ± this is looked into at the corner
	additive   = 0.02 // effects that add up better than this need no pair exchange
	pairsOf    = 4    // variables with the least effect at the corner, exchanged in pairs
	mostRounds = 12
)

// Search looks for the worst of every goal. quantities is the length of what eval fills.
func Search(space Space, quantities int, eval Eval, goals []Goal, set Settings) (Found, error) {
	if why := space.check(); why != "" {
		return Found{}, errors.New("searching the worst case: " + why)
	}
	s := &searcher{space: space, eval: eval, goals: goals, set: set.filled(), quantities: quantities,
		seen: map[string]int{}, best: make([]int, len(goals)), undefined: make([]int, len(goals)),
		low: make([]float64, quantities), high: make([]float64, quantities), turned: make([]bool, len(goals))}
	for q := range s.low {
		s.low[q], s.high[q] = math.Inf(1), math.Inf(-1)
	}
	for g := range goals {
		s.best[g], s.undefined[g] = -1, -1
	}
	s.run()
	found := Found{Evals: len(s.visits), Effect: s.effect, Stopped: s.stopped, Typical: s.visits[0].out}
	for g, goal := range goals {
		w := Worst{NonMonotone: s.turned[g], Value: math.Inf(-1)}
		if goal.Max {
			w.Value = math.Inf(1)
		}
		if b := s.best[g]; b >= 0 {
			w.Z, w.Value = slices.Clone(s.visits[b].z), s.visits[b].out[goal.Of]
			for i, v := range space {
				if v.Levels == 0 && math.Abs(w.Z[i]) != 1 && s.sensitive(g, b, i) {
					w.NonMonotone = true
				}
			}
		}
		if u := s.undefined[g]; u >= 0 {
			w.Undefined = slices.Clone(s.visits[u].z)
		}
		found.Worst = append(found.Worst, w)
	}
	return found, nil
}

type visit struct{ z, out []float64 }

type searcher struct {
	space      Space
	eval       Eval
	goals      []Goal
	set        Settings
	quantities int
	levels     []int // the level variables, those with few vertices first: they tend to matter most, and the others are then tried where it counts
	visits     []visit
	seen       map[string]int
	key        []byte
	low, high  []float64   // range of each quantity over the visits
	effect     [][]float64 // per quantity and variable
	bends      [][]bool    // per quantity and variable: worth a look inside
	best       []int       // per goal: worst visit
	undefined  []int
	turned     []bool
	stopped    bool
}

// at visits z (kept by copy) and returns its number; −1 when evaluations are used up.
func (s *searcher) at(z []float64) int {
	s.key = s.key[:0]
	for _, x := range z {
		s.key = binary.LittleEndian.AppendUint64(s.key, math.Float64bits(x))
	}
	if n, ok := s.seen[string(s.key)]; ok {
		return n
	}
	if len(s.visits) >= s.set.MostEval {
		s.stopped = true
		return -1
	}
	n := len(s.visits)
	v := visit{slices.Clone(z), make([]float64, s.quantities)}
	s.eval(z, v.out)
	s.visits = append(s.visits, v)
	s.seen[string(s.key)] = n
	for q, x := range v.out {
		if !math.IsNaN(x) && !math.IsInf(x, 0) {
			s.low[q], s.high[q] = math.Min(s.low[q], x), math.Max(s.high[q], x)
		}
	}
	for g, goal := range s.goals {
		switch x := v.out[goal.Of]; {
		case math.IsNaN(x):
			if s.undefined[g] < 0 {
				s.undefined[g] = n
			}
		case s.best[g] < 0 || goal.worse(x, s.visits[s.best[g]].out[goal.Of], 0):
			s.best[g] = n
		}
	}
	return n
}

// span is the range of the quantity of goal g.
func (s *searcher) span(g int) float64 {
	q := s.goals[g].Of
	return math.Max(0, s.high[q]-s.low[q])
}

// worse compares visits for goal g; no visit and an undefined value are worse than nothing.
func (s *searcher) worse(g, a, b int) bool {
	if a < 0 {
		return false
	}
	x := s.visits[a].out[s.goals[g].Of]
	if math.IsNaN(x) {
		return false
	}
	if b < 0 {
		return true
	}
	y := s.visits[b].out[s.goals[g].Of]
	return math.IsNaN(y) || s.goals[g].worse(x, y, gainLeast*s.span(g))
}

// with visits z with variable i set to x.
func (s *searcher) with(z []float64, i int, x float64) int {
	old := z[i]
	z[i] = x
	n := s.at(z)
	z[i] = old
	return n
}

func (s *searcher) run() {
	for i, v := range s.space {
		if v.Levels > 0 {
			s.levels = append(s.levels, i)
		}
	}
	slices.SortStableFunc(s.levels, func(a, b int) int { return len(s.space[a].vertices()) - len(s.space[b].vertices()) })
	typical := s.space.Typical()
	s.at(typical)
	if k := s.set.From; k != nil {
		s.effect, s.bends = [][]float64{k.Effect}, [][]bool{make([]bool, len(s.space))}
		s.climb(0, s.at(k.Z))
		return
	}
	s.sensitivities(typical)
	reached := make([]int, len(s.goals))
	for g := range s.goals {
		reached[g] = s.fromSigns(g, typical)
	}
	s.scatter()
	for round := 0; round < mostRounds; round++ {
		settled := true
		for g := range s.goals {
			if s.worse(g, s.best[g], reached[g]) { // another start or another goal's path came upon worse
				if s.set.Signs || s.far(g, s.best[g]) {
					reached[g] = s.best[g]
					continue
				}
				s.turned[g] = true
				reached[g] = s.climb(g, s.best[g])
				settled = false
			}
		}
		if settled {
			break
		}
	}
}

// sensitivities visits each variable's limits alone.
func (s *searcher) sensitivities(typical []float64) {
	s.effect, s.bends = make([][]float64, s.quantities), make([][]bool, s.quantities)
	for q := range s.effect {
		s.effect[q], s.bends[q] = make([]float64, len(s.space)), make([]bool, len(s.space))
	}
	base := s.visits[0].out
	for i, v := range s.space {
		if v.Levels > 0 {
			continue
		}
		a, b := s.with(typical, i, -1), s.with(typical, i, 1)
		if a < 0 || b < 0 {
			return
		}
		for q := range s.effect {
			lo, hi := s.visits[a].out[q], s.visits[b].out[q]
			if e := (hi - lo) / 2; !math.IsNaN(e) && !math.IsInf(e, 0) {
				s.effect[q][i] = e
			}
			s.bends[q][i] = math.Abs(vertex(-1, 0, 1, lo, base[q], hi)) < bendInside
		}
	}
	for g, goal := range s.goals {
		for i, v := range s.space {
			if v.Levels > 0 {
				continue
			}
			x, y := s.visits[s.with(typical, i, -1)].out[goal.Of]-base[goal.Of], s.visits[s.with(typical, i, 1)].out[goal.Of]-base[goal.Of]
			if x*y > 0 && math.Min(math.Abs(x), math.Abs(y)) > bendLeast*s.span(g) {
				s.turned[g] = true
			}
		}
	}
}

// vertex is where the parabola through three points turns; NaN if it does not.
func vertex(a, b, c, fa, fb, fc float64) float64 {
	p, q := (b-a)*(fb-fc), (b-c)*(fb-fa)
	if p == q {
		return math.NaN()
	}
	return b - 0.5*((b-a)*p-(b-c)*q)/(p-q)
}

// fromSigns goes to the corner that the effects point at and climbs from there.
// far reports whether a goal holds at a visit by so much that the search for worse is not worth its cost.
func (s *searcher) far(g, visit int) bool {
	goal := s.goals[g]
	v, limit := s.visits[visit].out[goal.Of], goal.Limit
	if s.set.Far <= 0 || !(limit > 0) || !(v >= 0) {
		return false
	}
	if goal.Max {
		return v*s.set.Far <= limit
	}
	return v >= limit*s.set.Far
}

func (s *searcher) fromSigns(g int, typical []float64) int {
	goal := s.goals[g]
	z := slices.Clone(typical)
	predicted := s.visits[0].out[goal.Of]
	for i, v := range s.space {
		if v.Levels > 0 {
			continue
		}
		z[i] = 1
		if e := s.effect[goal.Of][i]; goal.Max == (e < 0) && e != 0 {
			z[i] = -1
		}
		predicted += z[i] * s.effect[goal.Of][i]
	}
	start := s.at(z)
	if start < 0 {
		return s.best[g]
	}
	adds := math.Abs(s.visits[start].out[goal.Of]-predicted) <= additive*s.span(g)
	for _, i := range s.levels { // the worst vertex at this corner, one variable after the other
		z = slices.Clone(s.visits[start].z)
		for _, l := range s.space[i].vertices() {
			if n := s.with(z, i, float64(l)); s.worse(g, n, start) {
				start = n
			}
		}
	}
	if s.set.Signs || s.far(g, start) {
		return start
	}
	end := s.climb(g, start)
	if end != start && end >= 0 {
		for i, v := range s.space {
			if v.Levels == 0 && s.visits[end].z[i] != s.visits[start].z[i] {
				s.turned[g] = true
			}
		}
	}
	if !adds {
		if n := s.pairs(g, end); n != end {
			s.turned[g] = true
			end = s.climb(g, n)
		}
	}
	return end
}

// climb exchanges variables one by one until nothing gets worse. What gets worse is also tried together.
func (s *searcher) climb(g, from int) int {
	step := 0.2
	for round := 0; round < mostRounds && from >= 0; round++ {
		z := slices.Clone(s.visits[from].z)
		joint := slices.Clone(z)
		best, moved := from, 0
		inside := false
		asleep := s.asleep(g, from)
		for i, v := range s.space {
			if asleep[i] {
				continue
			}
			own := from
			try := func(x float64) int {
				n := s.with(z, i, x)
				if s.worse(g, n, own) {
					own = n
				}
				return n
			}
			switch {
			case v.Levels > 0:
				for _, l := range v.vertices() {
					try(float64(l))
				}
			case math.Abs(z[i]) == 1:
				other := try(-z[i])
				if s.bends[s.goals[g].Of][i] {
					s.turn(g, try, z[i], 0, -z[i], from, try(0), other)
				}
			default:
				inside = true
				try(-1)
				try(1)
				a, b := math.Max(-1, z[i]-step), math.Min(1, z[i]+step)
				s.turn(g, try, a, z[i], b, try(a), from, try(b))
			}
			if own != from {
				joint[i] = s.visits[own].z[i]
				moved++
				if s.worse(g, own, best) {
					best = own
				}
			}
		}
		if moved > 1 {
			if n := s.at(joint); s.worse(g, n, best) {
				best = n
			}
		}
		switch {
		case best != from:
			from = best
		case !inside || step < 1e-3:
			return from
		}
		step /= 4
	}
	return from
}

// asleep marks variables that do not matter to goal g here: without effect at the typical point, and without effect
// at this corner when all of them are exchanged at once (one evaluation instead of one for each).
func (s *searcher) asleep(g, from int) []bool {
	mark := make([]bool, len(s.space))
	z := slices.Clone(s.visits[from].z)
	q, many := s.goals[g].Of, 0
	least := gainLeast * s.span(g)
	if s.set.From != nil {
		least = weak * math.Abs(s.visits[from].out[q])
	}
	for i, v := range s.space {
		if v.Levels == 0 && math.Abs(z[i]) == 1 && math.Abs(s.effect[q][i]) <= least && !s.bends[q][i] {
			mark[i] = true
			z[i] = -z[i]
			many++
		}
	}
	if many > 1 {
		n := s.at(z)
		if n >= 0 && math.Abs(s.visits[n].out[q]-s.visits[from].out[q]) <= least || s.set.From != nil && !s.worse(g, n, from) {
			return mark
		}
	}
	return make([]bool, len(s.space))
}

// turn visits the vertex of the parabola through three visits along one variable, if it lies in the box.
func (s *searcher) turn(g int, try func(float64) int, a, b, c float64, na, nb, nc int) {
	if na < 0 || nb < 0 || nc < 0 {
		return
	}
	q := s.goals[g].Of
	x := vertex(a, b, c, s.visits[na].out[q], s.visits[nb].out[q], s.visits[nc].out[q])
	if x > -1 && x < 1 {
		try(x)
	}
}

// pairs exchanges, two at a time, the variables that matter least at the corner: where effects do not add up, those
// are the ones whose signs may be wrong together.
func (s *searcher) pairs(g, from int) int {
	if from < 0 {
		return from
	}
	type weak struct {
		i    int
		loss float64
	}
	var list []weak
	z := slices.Clone(s.visits[from].z)
	here := s.visits[from].out[s.goals[g].Of]
	for i, v := range s.space {
		if v.Levels > 0 {
			continue
		}
		if n := s.with(z, i, -z[i]); n >= 0 {
			if loss := math.Abs(s.visits[n].out[s.goals[g].Of] - here); loss > gainLeast*s.span(g) {
				list = append(list, weak{i, loss})
			}
		}
	}
	slices.SortStableFunc(list, func(a, b weak) int {
		switch {
		case a.loss < b.loss:
			return -1
		case a.loss > b.loss:
			return 1
		}
		return 0
	})
	list = list[:min(len(list), pairsOf)]
	best := from
	for k, a := range list {
		for _, b := range list[:k] {
			z[a.i], z[b.i] = -z[a.i], -z[b.i]
			if n := s.at(z); s.worse(g, n, best) {
				best = n
			}
			z[a.i], z[b.i] = -z[a.i], -z[b.i]
		}
	}
	return best
}

// scatter visits random corners and random points inside; every goal sees them.
func (s *searcher) scatter() {
	z := make([]float64, len(s.space))
	for k := 0; k < max(0, s.set.Corners)+max(0, s.set.Inside); k++ {
		for i, v := range s.space {
			u := Number(s.set.Seed, uint64(k*len(s.space)+i))
			switch {
			case v.Levels > 0:
				w := v.vertices()
				z[i] = float64(w[int(u*float64(len(w)))])
			case k >= max(0, s.set.Corners):
				z[i] = 2*u - 1
			case u < 0.5:
				z[i] = -1
			default:
				z[i] = 1
			}
		}
		if s.at(z) < 0 {
			return
		}
	}
}

// sensitive reports whether the quantity of goal g changes along variable i at visit b; it looks at what was visited
// and does not evaluate.
func (s *searcher) sensitive(g, b, i int) bool {
	z := slices.Clone(s.visits[b].z)
	for _, x := range []float64{-1, 1} {
		z[i] = x
		s.key = s.key[:0]
		for _, x := range z {
			s.key = binary.LittleEndian.AppendUint64(s.key, math.Float64bits(x))
		}
		if n, ok := s.seen[string(s.key)]; ok && math.Abs(s.visits[n].out[s.goals[g].Of]-s.visits[b].out[s.goals[g].Of]) > gainLeast*s.span(g) {
			return true
		}
	}
	return false
}
