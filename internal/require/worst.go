package require

import (
	"context"
	"math"
	"runtime"
	"sync"
	"sync/atomic"

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

// space is the network's variables as a box to search and sample. Where all requirements are of one output, the
// lamps of the others act through the chip's supply alone and are searched at their most probable self only
// (samples draw them all the same).
func (s *Set) space(n *wiring.Network) spread.Space {
	box := make(spread.Space, len(n.Vars))
	for i, v := range n.Vars {
		box[i] = spread.Var{Name: v.Owner + " " + v.Name, Law: spread.Law(v.Law), Levels: v.Levels, Vertices: v.Vertices}
		if v.Levels > 0 && len(s.Requirements) == 1 && s.Requirements[0].Output >= 0 && v.Owner != "lamp "+n.Outputs[s.Requirements[0].Output].LampName {
			box[i].Vertices = v.Vertices[:1]
		}
	}
	return box
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
	found, err := spread.Search(e.Set.space(e.Net), len(e.Set.Requirements), e.Eval, e.Set.goals(), set)
	if err != nil {
		panic("require: " + err.Error()) // only a space or goals of our own making can be at fault
	}
	return found
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

// searchEach searches every requirement by itself, on as many goroutines as there are processors: a
// requirement needs one or two states, all of them together need many.
func (s *Set) searchEach(n *wiring.Network) spread.Found {
	out := spread.Found{Worst: make([]spread.Worst, len(s.Requirements)), Typical: make([]float64, len(s.Requirements)), Effect: make([][]float64, len(s.Requirements))}
	s.On(n).Eval(n.Typical(), out.Typical)
	evals := make([]int, len(s.Requirements))
	var next atomic.Int64
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for {
				q := int(next.Add(1)) - 1
				if q >= len(s.Requirements) {
					return
				}
				// A fresh clone for each: what it solved before would show in the last digits.
				ev := s.One(q).On(n.Clone())
				f := ev.search(spread.Settings{Corners: -1, Inside: -1})
				if f.Worst[0].NonMonotone { // the corner of the signs is not enough there
					f = ev.search(spread.Settings{Corners: 4, Inside: 4})
				}
				out.Worst[q], out.Effect[q], evals[q] = f.Worst[0], f.Effect[0], f.Evals
			}
		})
	}
	wg.Wait()
	for _, e := range evals {
		out.Evals += e
	}
	return out
}

// Accuracies (circuit.Solver.SetStep): a search compares neighbouring corners and must not take noise for a
// bend (currents to 5e-11); a sample only has to stand on its side of a limit (currents to 5e-7).
const (
	searchStep = 1e-5
	sampleStep = 1e-3
)

// A requirement that holds by half as much again at its worst is attacked by every tenth sample only: one that
// made it fail would have to go that far beyond what the search found.
const (
	farFactor = 1.5
	farShare  = 10
)

// A Proof is the worst case of every requirement and what the samples say of it.
type Proof struct {
	Worst   []Worst
	Goals   []spread.Attacked
	Samples []int // how many attacked each
}

// Prove searches with restarts and attacks the claims with samples. Progress may be nil.
func (s *Set) Prove(ctx context.Context, n *wiring.Network, samples int, seed uint64, progress func(done, total int)) (Proof, error) {
	n = n.Clone()
	n.Learn(s.States)
	n.Solver.SetStep(searchStep)
	found := s.searchEach(n)
	n.Solver.SetStep(sampleStep)
	p := Proof{Worst: worsts(found), Goals: make([]spread.Attacked, len(s.Requirements)), Samples: make([]int, len(s.Requirements))}
	var near, far []int
	for q := range s.Requirements {
		if s.Requirements[q].Slack(p.Worst[q].Value) > math.Log(farFactor) {
			far = append(far, q)
		} else {
			near = append(near, q)
		}
	}
	few := (samples + farShare - 1) / farShare
	t := &teller{tell: progress, total: samples + few}
	for _, part := range []struct {
		which   []int
		samples int
	}{{near, samples}, {far, few}} {
		if len(part.which) == 0 {
			continue
		}
		sub := &Set{}
		claim := spread.Found{}
		for _, q := range part.which {
			r := s.Requirements[q]
			r.scene = nil
			sub.add(r)
			claim.Worst = append(claim.Worst, found.Worst[q])
			claim.Typical = append(claim.Typical, found.Typical[q])
		}
		sub.order()
		report, err := spread.Attack(ctx, s.space(n), len(part.which), func() spread.Eval {
			ev := sub.On(n.Clone())
			return func(z, out []float64) {
				ev.Eval(z, out)
				t.one()
			}
		}, sub.goals(), claim, part.samples, seed, 0)
		if err != nil {
			return p, err
		}
		for k, q := range part.which {
			p.Goals[q], p.Samples[q] = report.Goals[k], report.Samples
		}
	}
	return p, nil
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
	done := int(t.count.Add(1))
	if t.tell == nil || done%every != 0 {
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if done > t.told {
		t.told = done
		t.tell(done, t.total)
	}
}
