package spread

import (
	"context"
	"errors"
	"fmt"
	"math"
	"runtime"
	"sync"
	"sync/atomic"
)

// blocks is the number of runs of samples that share one evaluator. It is fixed, so that a result does not depend on
// the number of threads even in its last digit.
const blocks = 32

// A Report is what an attack saw.
type Report struct {
	Samples int
	Goals   []Attacked
	values  []float64
	width   int
}

// Attacked is what the samples say of one goal.
type Attacked struct {
	Held      int       // samples that met the limit
	Undefined int       // samples where the quantity could not be computed (they do not count as held)
	Extreme   float64   // the worst value seen; the claim itself if there was none
	ExtremeAt int       // in which sample; −1: none
	Beyond    int       // samples beyond the claimed worst case: a defect of the search
	BeyondZ   []float64 // the farthest of them
	// Computed samples; the others were counted by an estimate (Screen), which was nowhere caught in a larger Error: a share
	// of the value, or of the limit where value and limit may differ in sign.
	Computed int
	Error    float64
}

// beyondLeast is the share of the distance from typical to claimed worst case by which a sample must exceed the claim
// to count as beyond it: rounding and the solver's tolerance are no defects.
const beyondLeast = 1e-6

// Attack evaluates n samples of the seed and holds them against limits and against the worst cases that Search
// claimed. newEval is called from the goroutine that uses its result, once for each of some 32 runs of samples.
// workers 0: as many as processors. The context stops it between samples.
func Attack(ctx context.Context, space Space, quantities int, newEval func() Eval, goals []Goal, claim Found, n int, seed uint64, workers int) (Report, error) {
	if err := checkAttack(space, quantities, goals, claim); err != nil {
		return Report{}, err
	}
	n = max(n, 0)
	r := Report{Samples: n, width: quantities, values: make([]float64, n*quantities)}
	err := inBlocks(ctx, n, workers, func(from, to int) {
		eval, z := newEval(), make([]float64, len(space))
		for i := from; i < to; i++ {
			if ctx.Err() != nil {
				return
			}
			space.Sample(seed, i, z)
			eval(z, r.values[i*quantities:(i+1)*quantities])
		}
	})
	if err != nil {
		return Report{}, fmt.Errorf("attacking the worst case: %w", err)
	}
	r.judge(space, goals, claim, seed, workers, func(g, i int) (holds, estimated bool) { return false, false })
	for g := range goals {
		r.Goals[g].Computed = n
	}
	return r, nil
}

func checkAttack(space Space, quantities int, goals []Goal, claim Found) error {
	if why := space.check(); why != "" {
		return errors.New("attacking the worst case: " + why)
	}
	if len(claim.Worst) != len(goals) || len(claim.Typical) != quantities {
		return fmt.Errorf("attacking the worst case: %d goals, %d claims", len(goals), len(claim.Worst))
	}
	return nil
}

// inBlocks calls do for the runs of 0…n, on as many goroutines as workers says (0: as processors).
func inBlocks(ctx context.Context, n, workers int, do func(from, to int)) error {
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	var next atomic.Int64
	var wait sync.WaitGroup
	for range min(workers, blocks) {
		wait.Go(func() {
			for {
				b := int(next.Add(1)) - 1
				if b >= blocks || ctx.Err() != nil {
					return
				}
				if from, to := b*n/blocks, (b+1)*n/blocks; from < to {
					do(from, to)
				}
			}
		})
	}
	wait.Wait()
	return ctx.Err()
}

// judge counts; estimated says of a goal's sample whether it was not computed, and what its estimate says.
func (r *Report) judge(space Space, goals []Goal, claim Found, seed uint64, workers int, estimated func(g, i int) (holds, estimated bool)) {
	r.Goals = make([]Attacked, len(goals))
	_ = inBlocks(context.Background(), len(goals), workers, func(from, to int) {
		for g := from; g < to; g++ {
			r.Goals[g] = r.judged(space, goals[g], claim.Worst[g].Value, claim.Typical[goals[g].Of], seed, func(i int) (holds, est bool) { return estimated(g, i) })
		}
	})
}

// judged counts one goal.
func (r *Report) judged(space Space, goal Goal, worst, typical float64, seed uint64, estimated func(i int) (holds, estimated bool)) Attacked {
	a := Attacked{Extreme: worst, ExtremeAt: -1}
	slack := beyondLeast * math.Abs(worst-typical)
	if math.IsNaN(slack) || math.IsInf(slack, 0) {
		slack = 0
	}
	for i := 0; i < r.Samples; i++ {
		if holds, estimated := estimated(i); estimated {
			if holds {
				a.Held++
			}
			continue
		}
		x := r.values[i*r.width+goal.Of]
		if math.IsNaN(x) {
			a.Undefined++
			continue
		}
		if goal.Holds(x) {
			a.Held++
		}
		if a.ExtremeAt < 0 || goal.worse(x, a.Extreme, 0) {
			a.Extreme, a.ExtremeAt = x, i
		}
		if goal.worse(x, worst, slack) {
			a.Beyond++
		}
	}
	if a.Beyond > 0 {
		a.BeyondZ = make([]float64, len(space))
		space.Sample(seed, a.ExtremeAt, a.BeyondZ)
	}
	return a
}
