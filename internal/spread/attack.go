package spread

import (
	"context"
	"errors"
	"fmt"
	"math"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
)

// blocks is the number of runs of samples that share one evaluator. It is fixed, so that a result does not depend on
// the number of threads even in its last digit.
const blocks = 32

// A Report is what an attack saw.
type Report struct {
	Samples  int
	Goals    []Attacked
	Together int // samples in which every goal with a limit held
	values   []float64
	width    int
}

// Attacked is what the samples say of one goal.
type Attacked struct {
	Held      int       // samples that met the limit
	Undefined int       // samples where the quantity could not be computed (they do not count as held)
	Extreme   float64   // the worst value seen; the claim itself if there was none
	ExtremeAt int       // in which sample; −1: none
	Mean      float64   // over the defined samples; 0 if there are none
	Beyond    int       // samples beyond the claimed worst case: a defect of the search
	BeyondZ   []float64 // the farthest of them
}

// beyondLeast is the share of the distance from typical to claimed worst case by which a sample must exceed the claim
// to count as beyond it: rounding and the solver's tolerance are no defects.
const beyondLeast = 1e-6

// Attack evaluates n samples of the seed and holds them against limits and against the worst cases that Search
// claimed. newEval is called from the goroutine that uses its result, once for each of some 32 runs of samples.
// workers 0: as many as processors. The context stops it between samples.
func Attack(ctx context.Context, space Space, quantities int, newEval func() Eval, goals []Goal, claim Found, n int, seed uint64, workers int) (Report, error) {
	if why := space.check(); why != "" {
		return Report{}, errors.New("sampling: " + why)
	}
	if len(claim.Worst) != len(goals) || len(claim.Typical) != quantities {
		return Report{}, fmt.Errorf("sampling: %d goals, %d claims", len(goals), len(claim.Worst))
	}
	n = max(n, 0)
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	r := Report{Samples: n, width: quantities, values: make([]float64, n*quantities)}
	var next atomic.Int64
	var wait sync.WaitGroup
	for w := 0; w < min(workers, blocks); w++ {
		wait.Go(func() {
			z := make([]float64, len(space))
			for {
				b := int(next.Add(1)) - 1
				if b >= blocks {
					return
				}
				from, to := b*n/blocks, (b+1)*n/blocks
				if from == to {
					continue
				}
				eval := newEval()
				for i := from; i < to; i++ {
					if ctx.Err() != nil {
						return
					}
					space.Sample(seed, i, z)
					eval(z, r.values[i*quantities:(i+1)*quantities])
				}
			}
		})
	}
	wait.Wait()
	if err := ctx.Err(); err != nil {
		return Report{}, fmt.Errorf("sampling: %w", err)
	}
	r.judge(space, goals, claim, seed)
	return r, nil
}

func (r *Report) judge(space Space, goals []Goal, claim Found, seed uint64) {
	r.Goals = make([]Attacked, len(goals))
	for g, goal := range goals {
		a := &r.Goals[g]
		worst := claim.Worst[g].Value
		a.Extreme, a.ExtremeAt = worst, -1
		slack := beyondLeast * math.Abs(worst-claim.Typical[goal.Of])
		if math.IsNaN(slack) || math.IsInf(slack, 0) {
			slack = 0
		}
		var sum float64
		for i := 0; i < r.Samples; i++ {
			x := r.values[i*r.width+goal.Of]
			if math.IsNaN(x) {
				a.Undefined++
				continue
			}
			sum += x
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
		if defined := r.Samples - a.Undefined; defined > 0 {
			a.Mean = sum / float64(defined)
		}
		if a.Beyond > 0 {
			a.BeyondZ = make([]float64, len(space))
			space.Sample(seed, a.ExtremeAt, a.BeyondZ)
		}
	}
	for i := 0; i < r.Samples; i++ {
		all := true
		for _, goal := range goals {
			all = all && (math.IsNaN(goal.Limit) || goal.Holds(r.values[i*r.width+goal.Of]))
		}
		if all {
			r.Together++
		}
	}
}

// Values are a quantity's defined values in the order of the samples.
func (r Report) Values(of int) []float64 {
	out := make([]float64, 0, r.Samples)
	for i := 0; i < r.Samples; i++ {
		if x := r.values[i*r.width+of]; !math.IsNaN(x) {
			out = append(out, x)
		}
	}
	return out
}

// Quantiles are those of a quantity at the shares, by linear interpolation between samples; nil if it was nowhere
// defined.
func (r Report) Quantiles(of int, shares ...float64) []float64 {
	v := r.Values(of)
	if len(v) == 0 {
		return nil
	}
	slices.Sort(v)
	out := make([]float64, len(shares))
	for k, p := range shares {
		x := math.Max(0, math.Min(1, p)) * float64(len(v)-1)
		i := min(int(x), len(v)-1)
		j := min(i+1, len(v)-1)
		out[k] = v[i] + (x-float64(i))*(v[j]-v[i])
	}
	return out
}
