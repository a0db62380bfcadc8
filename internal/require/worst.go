package require

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"

	"fettle/internal/circuit"
	"fettle/internal/spread"
	"fettle/internal/wiring"
)

// A Worst is the worst case found for one requirement.
type Worst struct {
	Z           []float64
	Value       float64 // NaN where the circuit did not solve at some point
	Evals       int     // evaluations of the whole search
	NonMonotone bool
	Effect      []float64 // of every variable on the value: half the change from z = −1 to +1, the others typical
}

// Say is the worst corner in words, what matters most first.
func (w Worst) Say(n *wiring.Network, r *Requirement) string {
	if w.Z == nil || w.Effect == nil {
		return ""
	}
	return n.Say(w.Z, w.Effect, r.Output)
}

// space is the network's variables as a box to sample.
func space(n *wiring.Network) spread.Space {
	box := make(spread.Space, len(n.Vars))
	for i, v := range n.Vars {
		box[i] = spread.Var{Name: v.Owner + " " + v.Name, Law: spread.Law(v.Law), Levels: v.Levels, Vertices: v.Vertices}
	}
	return box
}

// one is the output that all requirements are of; −1: of several, or of the whole.
func (s *Set) one() int {
	for k, r := range s.Requirements {
		if k > 0 && r.Output != s.Requirements[0].Output {
			return -1
		}
	}
	if len(s.Requirements) == 0 {
		return -1
	}
	return s.Requirements[0].Output
}

// others reports whether a variable belongs to another output than the one, and to none that shares a lamp with it: it acts
// through the supply alone.
func others(n *wiring.Network, v wiring.Var, one int) bool {
	if one < 0 {
		return false
	}
	if v.Levels > 0 {
		return !slices.ContainsFunc(n.Outputs[one].Lights, func(l wiring.LightNet) bool { return l.Lamp == v.Lamp })
	}
	return v.Output >= 0 && v.Output != one && !n.Share(v.Output, one)
}

// searched is the box to search. Where all requirements are of one output, what belongs to the others acts through the
// supply alone and stays typical (samples draw it all the same): the search costs the same however many there are.
func (s *Set) searched(n *wiring.Network) spread.Space {
	box, one := space(n), s.one()
	for i, v := range n.Vars {
		switch {
		case !others(n, v, one):
		case v.Levels > 0:
			box[i].Vertices = v.Vertices[:1]
		default:
			box[i].Levels, box[i].Vertices = 1, []int{0} // typical
		}
	}
	return box
}

// drawing has all other outputs draw the most (sign −1) or the least (+1) that their parts allow: resistors and base
// voltages low or high.
func drawing(n *wiring.Network, z []float64, one int, sign float64) []float64 {
	z = slices.Clone(z)
	for i, v := range n.Vars {
		if v.Levels == 0 && others(n, v, one) && (v.Name == "tolerance" || v.Name == "VBE" || v.Name == "R1") {
			z[i] = sign
		}
	}
	return z
}

func (s *Set) goals() []spread.Goal {
	g := make([]spread.Goal, len(s.Requirements))
	for i := range g {
		g[i] = spread.Goal{Of: i, Max: !s.Requirements[i].AtLeast, Limit: s.Requirements[i].Limit}
	}
	return g
}

// search finds the worst case of every requirement of the set.
func (e *Evaluator) search(set spread.Settings) spread.Found {
	e.Net.Follow()
	found, err := spread.Search(e.Set.searched(e.Net), len(e.Set.Requirements), e.Eval, e.Set.goals(), set)
	if err != nil {
		panic("require: " + err.Error()) // only a space or goals of our own making can be at fault
	}
	if one := e.Set.one(); one >= 0 && len(e.Net.Outputs) > 1 {
		e.neighbours(one, &found)
	}
	return found
}

// neighbours tries, at each worst corner found, what the other outputs do to the supply when they draw the most and the
// least.
func (e *Evaluator) neighbours(one int, found *spread.Found) {
	out := make([]float64, len(e.Set.Requirements))
	for q := range found.Worst {
		w := &found.Worst[q]
		if w.Z == nil || w.Undefined != nil {
			continue
		}
		r := &e.Set.Requirements[q]
		for _, sign := range []float64{1, -1} {
			z := drawing(e.Net, w.Z, one, sign)
			e.Eval(z, out)
			found.Evals++
			if r.Slack(out[q]) < r.Slack(w.Value) {
				w.Z, w.Value = z, out[q]
			}
		}
	}
}

func worsts(f spread.Found) []Worst {
	out := make([]Worst, len(f.Worst))
	for i, w := range f.Worst {
		out[i] = Worst{Z: w.Z, Value: w.Value, Evals: f.Evals, NonMonotone: w.NonMonotone, Effect: f.Effect[i]}
		if w.Z == nil || w.Undefined != nil {
			out[i].Value = math.NaN()
		}
	}
	return out
}

// Worst searches the worst case of every requirement: the corner that the signs of the effects point at, with
// exchanges there.
func (e *Evaluator) Worst() []Worst {
	return worsts(e.search(spread.Settings{Corners: -1, Inside: -1}))
}

// Likely is where the worst case of the requirements numbered is likely to be: the corner that the signs of the effects point
// at. Those that are measured in the same states are sought together.
func (s *Set) Likely(n *wiring.Network, which []int) []Worst {
	sub := s.pick(which)
	out := make([]Worst, len(which))
	for _, group := range sub.groups() {
		found := worsts(sub.pick(group).On(n).search(spread.Settings{Corners: -1, Inside: -1, Signs: true}))
		for j, q := range group {
			out[q] = found[j]
		}
	}
	return out
}

// Worsen climbs from a worst case of the set's one requirement that was found where something else stood in the circuit.
func (e *Evaluator) Worsen(w Worst) Worst {
	return worsts(e.search(spread.Settings{Corners: -1, Inside: -1, From: &spread.Known{Z: w.Z, Effect: w.Effect}}))[0]
}

// groups gathers the requirements that are of one output and measured in the same states: one search serves
// them all.
func (s *Set) groups() [][]int {
	var keys []string
	members := map[string][]int{}
	for q := range s.Requirements {
		r := &s.Requirements[q]
		key := fmt.Sprint(r.Output, r.scene)
		if members[key] == nil {
			keys = append(keys, key)
		}
		members[key] = append(members[key], q)
	}
	out := make([][]int, len(keys))
	for i, k := range keys {
		out[i] = members[k]
	}
	return out
}

// pick is the subset of the requirements numbered.
func (s *Set) pick(which []int) *Set {
	out := &Set{}
	for _, q := range which {
		r := s.Requirements[q]
		r.scene = nil
		out.add(r)
	}
	out.order()
	return out
}

// points are what every requirement is where nothing varies but one variable, which stands at an end of its range, or none: a
// search begins there.
type points struct {
	typical []float64
	out     map[int][]float64
}

// key numbers the point; false where more varies.
func (p points) key(z []float64) (key int, ok bool) {
	key = -1
	for i, x := range z {
		switch {
		case x == p.typical[i]:
		case key >= 0 || x != 1 && x != -1:
			return 0, false
		case x > 0:
			key = 2*i + 1
		default:
			key = 2 * i
		}
	}
	return key, true
}

// at gives the requirements numbered at z, if z is one of the points.
func (p points) at(z []float64, which []int, out []float64) bool {
	key, ok := p.key(z)
	if !ok {
		return false
	}
	all, ok := p.out[key]
	if ok {
		for j, q := range which {
			out[j] = all[q]
		}
	}
	return ok
}

// learn has the network learn the states, and measures all requirements at the points where it does.
func (s *Set) learn(n *wiring.Network) points {
	p, ev, solved := points{typical: n.Typical(), out: map[int][]float64{}}, s.On(n), map[int]int{}
	n.Learn(s.States, func(z []float64, state int, sol circuit.Solution) {
		key, ok := p.key(z)
		if n.Read(sol, &ev.ops[state]); !ok || sol.Status != circuit.Solved {
			return
		}
		if solved[key]++; solved[key] == len(s.States) { // the last state completes the point
			p.out[key] = make([]float64, len(s.Requirements))
			ev.measure(ev.all, p.out[key])
		}
	})
	return p
}

// searchAll searches the worst case of every requirement, group by group, on as many goroutines as there are
// processors; where the number does not follow some variable one way and does not hold by far, that requirement
// is searched again with restarts.
func (s *Set) searchAll(n *wiring.Network, alone points) []Worst {
	groups := s.groups()
	out := make([]Worst, len(s.Requirements))
	var next atomic.Int64
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for {
				k := int(next.Add(1)) - 1
				if k >= len(groups) {
					return
				}
				// A fresh clone for each: what it solved before would show in the last digits.
				m := n.Clone()
				ev := s.pick(groups[k]).On(m)
				ev.known = func(z, out []float64) bool { return alone.at(z, groups[k], out) }
				found := ev.search(spread.Settings{Corners: -1, Inside: -1, Far: FarAway})
				for j, q := range groups[k] {
					out[q] = worsts(found)[j]
					if out[q].NonMonotone && s.Requirements[q].Slack(out[q].Value) < math.Log(bends) {
						again := s.One(q).On(m).search(spread.Settings{Corners: 4, Inside: 4})
						out[q] = worsts(again)[0]
						out[q].Evals += found.Evals
					}
				}
			}
		})
	}
	wg.Wait()
	return out
}

// Accuracies (circuit.Solver.SetStep): a search compares neighbouring corners and must not take noise for a
// bend (currents to 5e-11); a sample only has to stand on its side of a limit (currents to 5e-7).
const (
	SearchStep = 1e-5
	sampleStep = 1e-3
)

// FarAway: what holds by this factor at the corner that the signs of the effects point at is not searched further.
const FarAway = 3

// bends: what is not monotone and holds by less than this factor is searched again with restarts.
const bends = 1.5

// A Proof is the worst case of every requirement and what the samples say of it.
type Proof struct {
	Worst []Worst
	Goals []spread.Attacked
}

// Prove searches the worst cases and attacks the claims with samples; full computes every requirement at every sample, where
// else those are computed that an estimate finds worst (spread.Screen). Progress may be nil.
func (s *Set) Prove(ctx context.Context, n *wiring.Network, samples int, seed uint64, full bool, progress func(done, total int)) (Proof, error) {
	n = n.Clone()
	alone := s.learn(n)
	n.Solver.SetStep(SearchStep)
	p := Proof{Worst: s.searchAll(n, alone)}
	n.Solver.SetStep(sampleStep)
	claim := spread.Found{Typical: make([]float64, len(s.Requirements))}
	s.On(n).Eval(n.Typical(), claim.Typical)
	for _, w := range p.Worst {
		claim.Worst = append(claim.Worst, spread.Worst{Z: w.Z, Value: w.Value})
	}
	t := &teller{tell: progress, total: samples}
	attack := func() (spread.Report, error) {
		return spread.Screen(ctx, space(n), len(s.Requirements), spread.Basis{Width: n.Features(), At: n.Feature}, func() spread.Some {
			ev := s.On(n.Clone())
			return func(z []float64, which []int, out []float64) {
				ev.Some(z, which, out)
				t.one()
			}
		}, s.goals(), claim, samples, seed, 0)
	}
	if full {
		attack = func() (spread.Report, error) {
			return spread.Attack(ctx, space(n), len(s.Requirements), func() spread.Eval {
				ev := s.On(n.Clone())
				return func(z, out []float64) {
					ev.Eval(z, out)
					t.one()
				}
			}, s.goals(), claim, samples, seed, 0)
		}
	}
	report, err := attack()
	if p.Goals = report.Goals; err == nil {
		t.say(samples) // what need not be computed is done too
	}
	return p, err
}

// teller counts samples over goroutines and tells of every hundredth, never backwards.
type teller struct {
	tell  func(done, total int)
	total int
	count atomic.Int64
	mu    sync.Mutex
	told  int
}

func (t *teller) one() {
	const every = 100
	if done := int(t.count.Add(1)); done%every == 0 {
		t.say(min(done, t.total))
	}
}

func (t *teller) say(done int) {
	if t.tell == nil {
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if done > t.told {
		t.told = done
		t.tell(done, t.total)
	}
}
