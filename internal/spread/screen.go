package spread

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// A Some computes the quantities numbered (nil: all) at z into out, whose other elements it may leave as they are.
type Some func(z []float64, which []int, out []float64)

// A Basis turns a point into the numbers that a quantity is estimated from, to first order in them; the first is 1.
type Basis struct {
	Width int
	At    func(z, out []float64)
}

// Of screening: the share of samples computed first, whatever they are estimated to be (but at least so many for each number
// of the basis); how many of the worst by estimate are computed for each goal in any case, and how many where they may lie
// beyond the claim; by how many times its largest error an estimate must stand off a limit to be believed.
const (
	pilotOf       = 40
	pilotLeast    = 4
	worstComputed = 4
	worstLooked   = 20
	believed      = 3
)

// Screen is Attack where computing all quantities of all samples would take long. The first samples are computed whole and
// every quantity fitted to them by least squares in the basis (its logarithm, where quantity, limit and claim have one
// sign). Of the rest, those are computed whose estimate does not stand off the limit by three times the largest error that it was
// caught in, and of the worst by estimate the first few and those that may lie beyond the claim by the same measure, until none
// is left; what is not computed is counted by its estimate. A quantity that the basis does not describe is caught in large errors
// and so computed nearly everywhere: a bad basis costs time, not truth. newSome is called like newEval of Attack, in each round
// anew.
func Screen(ctx context.Context, space Space, quantities int, basis Basis, newSome func() Some, goals []Goal, claim Found, n int, seed uint64, workers int) (Report, error) {
	if err := checkAttack(space, quantities, goals, claim); err != nil {
		return Report{}, err
	}
	n = max(n, 0)
	r := Report{Samples: n, width: quantities, values: make([]float64, n*quantities)}
	for i := range r.values {
		r.values[i] = math.NaN()
	}
	s := &screener{ctx: ctx, space: space, basis: basis, newSome: newSome, goals: goals, claim: claim, seed: seed, workers: workers, r: &r}
	if err := s.run(); err != nil {
		return Report{}, fmt.Errorf("attacking the worst case: %w", err)
	}
	r.judge(space, goals, claim, seed, workers, s.estimated)
	for g := range goals {
		r.Goals[g].Computed, r.Goals[g].Error = s.computed[g], s.share(g)
	}
	return r, nil
}

type screener struct {
	ctx     context.Context
	space   Space
	basis   Basis
	newSome func() Some
	goals   []Goal
	claim   Found
	seed    uint64
	workers int
	r       *Report

	numbers  []float64    // of the basis, per sample
	moves    [][]int      // per goal: the numbers of the basis but the first, what moves it most in front
	estimate [][]float64  // per goal and sample, in the measure of its scale
	scale    []scale      // per goal
	done     [][]bool     // per goal and sample: computed
	computed []int        // per goal
	largest  [][2]float64 // per goal: by how much its estimate was caught too good, and too bad, at the most
}

// A scale measures a quantity: as it is, or by the logarithm of its magnitude.
type scale struct {
	log  bool
	down float64 // +1: worse is smaller in this measure; −1: greater
}

func (s scale) of(x float64) float64 {
	if s.log {
		return math.Log(math.Abs(x))
	}
	return x
}

// caught widens the largest errors, too good and too bad, by an estimate and what it turned out to be.
func (s scale) caught(largest *[2]float64, estimate, truth float64) {
	largest[0] = math.Max(largest[0], s.down*(estimate-truth))
	largest[1] = math.Max(largest[1], s.down*(truth-estimate))
}

func (s *screener) run() error {
	n, width := s.r.Samples, s.basis.Width
	s.numbers = make([]float64, n*width)
	err := inBlocks(s.ctx, n, s.workers, func(from, to int) {
		z := make([]float64, len(s.space))
		for i := from; i < to; i++ {
			s.space.Sample(s.seed, i, z)
			s.basis.At(z, s.numbers[i*width:(i+1)*width])
		}
	})
	if err != nil {
		return err
	}
	s.scale, s.moves, s.estimate = make([]scale, len(s.goals)), make([][]int, len(s.goals)), make([][]float64, len(s.goals))
	s.done, s.computed, s.largest = make([][]bool, len(s.goals)), make([]int, len(s.goals)), make([][2]float64, len(s.goals))
	for g := range s.goals {
		s.done[g] = make([]bool, n)
	}
	pilot := min(n, max(n/pilotOf, pilotLeast*width))
	want := make([][]int, n) // goals to compute, per sample
	all := make([]int, len(s.goals))
	for g := range all {
		all[g] = g
	}
	for i := range pilot {
		want[i] = all
	}
	if err := s.compute(want); err != nil {
		return err
	}
	if pilot == n {
		return nil
	}
	s.fit(pilot)
	for first := true; ; first = false {
		s.refine()
		doubts, want, more := make([][]int, len(s.goals)), make([][]int, n), false
		_ = inBlocks(context.Background(), len(s.goals), s.workers, func(from, to int) {
			for g := from; g < to; g++ {
				doubts[g] = s.doubt(g, first)
			}
		})
		for g, list := range doubts {
			for _, i := range list {
				want[i], more = append(want[i], g), true
			}
		}
		if !more {
			return nil
		}
		if err := s.compute(want); err != nil {
			return err
		}
	}
}

// compute fills in the goals wanted of each sample.
func (s *screener) compute(want [][]int) error {
	var samples []int
	for i, w := range want {
		if len(w) > 0 {
			samples = append(samples, i)
		}
	}
	err := inBlocks(s.ctx, len(samples), s.workers, func(from, to int) {
		some, z, out := s.newSome(), make([]float64, len(s.space)), make([]float64, s.r.width)
		var which []int
		for _, i := range samples[from:to] {
			if s.ctx.Err() != nil {
				return
			}
			s.space.Sample(s.seed, i, z)
			which = which[:0]
			for _, g := range want[i] {
				which = append(which, s.goals[g].Of)
			}
			some(z, which, out)
			for _, q := range which {
				s.r.values[i*s.r.width+q] = out[q]
			}
		}
	})
	if err != nil {
		return err
	}
	for _, i := range samples {
		for _, g := range want[i] {
			if s.done[g][i] = true; s.estimate[g] != nil {
				s.scale[g].caught(&s.largest[g], s.estimate[g][i], s.scale[g].of(s.value(g, i)))
			}
			s.computed[g]++
		}
	}
	return nil
}

func (s *screener) value(g, i int) float64 { return s.r.values[i*s.r.width+s.goals[g].Of] }

// fit estimates every goal's quantity for all samples, in the measure that leaves the smaller error beside the distance from
// the limit. One that was undefined somewhere has no estimate.
func (s *screener) fit(pilot int) {
	type target struct {
		goal int
		scale
	}
	var targets []target
	for g, goal := range s.goals {
		claim := s.claim.Worst[g].Value
		alike := func(x float64) bool { return x*claim > 0 }
		log, defined := alike(claim) && (math.IsNaN(goal.Limit) || alike(goal.Limit)), !math.IsNaN(claim) && !math.IsInf(claim, 0)
		for i := range pilot {
			x := s.value(g, i)
			log, defined = log && alike(x), defined && !math.IsNaN(x)
		}
		if !defined {
			continue
		}
		plain := scale{down: 1}
		if goal.Max {
			plain.down = -1
		}
		targets = append(targets, target{g, plain})
		if log {
			logarithm := scale{log: true, down: plain.down}
			if claim < 0 {
				logarithm.down = -plain.down
			}
			targets = append(targets, target{g, logarithm})
		}
	}
	if len(targets) == 0 {
		return
	}
	width := s.basis.Width
	y := mat.NewDense(pilot, len(targets), nil)
	for k, t := range targets {
		for i := range pilot {
			y.Set(i, k, t.of(s.value(t.goal, i)))
		}
	}
	var qr mat.QR
	a := mat.NewDense(pilot, width, s.numbers[:pilot*width])
	qr.Factorize(a)
	var c, fitted mat.Dense
	if err := qr.SolveTo(&c, false, y); err != nil { // a number of the basis that never varies: no estimate can be trusted
		return
	}
	fitted.Mul(a, &c)
	column := make([]int, len(s.goals))
	score := make([]float64, len(s.goals))
	for k, t := range targets {
		largest, off := [2]float64{}, 0.0
		for i := range pilot {
			t.caught(&largest, fitted.At(i, k), y.At(i, k))
			off += math.Abs(y.At(i, k)-t.of(s.goals[t.goal].Limit)) / float64(pilot)
		}
		if r := largest[0] / off; !t.log || r < score[t.goal] {
			score[t.goal], column[t.goal], s.scale[t.goal], s.largest[t.goal] = r, k, t.scale, largest
			s.estimate[t.goal] = make([]float64, s.r.Samples)
		}
	}
	sizes := make([]float64, width)
	for i := range pilot {
		for k := range sizes {
			sizes[k] += s.numbers[i*width+k] * s.numbers[i*width+k]
		}
	}
	size := func(g, k int) float64 { return math.Abs(c.At(k, column[g])) * math.Sqrt(sizes[k]) }
	for g := range s.goals {
		order := make([]int, 0, width-1)
		for k := 1; k < width; k++ {
			order = append(order, k)
		}
		slices.SortFunc(order, func(a, b int) int { return cmp.Compare(size(g, b), size(g, a)) })
		s.moves[g] = order
	}
	// Most numbers move a goal by next to nothing: the estimate goes without them, and is judged so.
	kept, by := make([][]int, len(s.goals)), make([][]float64, len(s.goals))
	for g, est := range s.estimate {
		if est == nil {
			continue
		}
		kept[g] = append([]int{0}, s.moves[g]...)
		left, room := 0.0, 0.0
		for i := range pilot {
			e := y.At(i, column[g]) - fitted.At(i, column[g])
			room += slight * slight * e * e
		}
		for m := len(kept[g]) - 1; m > 0; m-- {
			x := size(g, kept[g][m])
			if left += x * x; left > room {
				break
			}
			kept[g] = kept[g][:m]
		}
		for _, m := range kept[g] {
			by[g] = append(by[g], c.At(m, column[g]))
		}
	}
	_ = inBlocks(context.Background(), s.r.Samples, s.workers, func(from, to int) {
		const rows = 64 // stay in the cache while all goals are estimated
		columns := make([]float64, width*rows)
		for ; from < to; from += rows {
			end := min(from+rows, to)
			for i := from; i < end; i++ {
				for m, x := range s.numbers[i*width : (i+1)*width] {
					columns[m*rows+i-from] = x
				}
			}
			for g, est := range s.estimate {
				if est == nil {
					continue
				}
				for j, m := range kept[g] {
					floats.AddScaled(est[from:end], by[g][j], columns[m*rows:m*rows+end-from])
				}
			}
		}
	})
	for g, est := range s.estimate {
		if est != nil {
			s.largest[g] = [2]float64{}
			for i := range pilot {
				s.scale[g].caught(&s.largest[g], est[i], y.At(i, column[g]))
			}
		}
	}
}

// slight is the share of the fit's error that all numbers left out of an estimate may have together: a number that does not
// move the goal has some effect by chance, as large as the error allows.
const slight = 0.7

// Of refine: by how many samples in doubt it pays, how many numbers of the basis may move a quantity and how many bend it.
const (
	refineFrom = 100
	moving     = 16
	bending    = 6
)

// refine fits a quadratic in the numbers that move a goal most, to all that was computed of it, where many samples stay in
// doubt.
func (s *screener) refine() {
	width := s.basis.Width
	_ = inBlocks(context.Background(), len(s.goals), s.workers, func(from, to int) {
		for g := from; g < to; g++ {
			if s.estimate[g] == nil || s.doubtful(g) < refineFrom {
				continue
			}
			plain := s.moves[g][:min(moving, width-1)]
			lead := plain[:min(bending, len(plain))]
			full := 1 + len(plain) + len(lead)*(len(lead)+1)/2
			if full*2 > s.computed[g] {
				continue
			}
			row := func(i int, out []float64) {
				x := s.numbers[i*width : (i+1)*width]
				out[0] = 1
				for k, p := range plain {
					out[1+k] = x[p]
				}
				k := 1 + len(plain)
				for a, p := range lead {
					for _, q := range lead[:a+1] {
						out[k] = x[p] * x[q]
						k++
					}
				}
			}
			a, y := mat.NewDense(s.computed[g], full, nil), mat.NewVecDense(s.computed[g], nil)
			k := 0
			for i, done := range s.done[g] {
				if done {
					row(i, a.RawRowView(k))
					y.SetVec(k, s.scale[g].of(s.value(g, i)))
					k++
				}
			}
			var qr mat.QR
			qr.Factorize(a)
			var b mat.VecDense
			if qr.SolveVecTo(&b, false, y) != nil {
				continue
			}
			largest, est, out := [2]float64{}, make([]float64, s.r.Samples), make([]float64, full)
			for i := range est {
				row(i, out)
				est[i] = mat.Dot(mat.NewVecDense(full, out), &b)
				if s.done[g][i] {
					s.scale[g].caught(&largest, est[i], s.scale[g].of(s.value(g, i)))
				}
			}
			// It was fitted to what it is judged by: what it has not seen it will miss by more.
			for k := range largest {
				largest[k] *= math.Sqrt(float64(s.computed[g]) / float64(s.computed[g]-full))
			}
			if largest[0] < s.largest[g][0] {
				s.estimate[g], s.largest[g] = est, largest
			}
		}
	})
}

// doubtful counts the samples that the estimate does not settle.
func (s *screener) doubtful(g int) (n int) {
	inDoubt := s.inDoubt(g)
	for i, e := range s.estimate[g] {
		if !s.done[g][i] && inDoubt(e) {
			n++
		}
	}
	return n
}

// inDoubt tells which estimates do not stand off the limit by what they may err: too good where they hold, too bad where
// they fail.
func (s *screener) inDoubt(g int) func(e float64) bool {
	sc, limit := s.scale[g], s.scale[g].of(s.goals[g].Limit)
	good, bad := believed*s.largest[g][0], believed*s.largest[g][1]
	return func(e float64) bool {
		margin := sc.down * (e - limit)
		return margin <= good && -margin <= bad
	}
}

// doubt is the samples of goal g that its estimate does not settle, and, the first time, of the worst by estimate the first few and
// those that may lie beyond the claim.
func (s *screener) doubt(g int, first bool) (list []int) {
	est := s.estimate[g]
	if est == nil {
		for i, done := range s.done[g] {
			if !done {
				list = append(list, i)
			}
		}
		return list
	}
	worst := make([]int, 0, worstLooked+1)
	down, inDoubt := s.scale[g].down, s.inDoubt(g)
	for i, e := range est {
		switch {
		case s.done[g][i]:
		case inDoubt(e):
			list = append(list, i)
		case !first || len(worst) == worstLooked && down*(e-est[worst[worstLooked-1]]) >= 0:
		default:
			k, _ := slices.BinarySearchFunc(worst, down*e, func(j int, x float64) int {
				if down*est[j] <= x {
					return -1
				}
				return 1
			})
			if worst = slices.Insert(worst, k, i); len(worst) > worstLooked {
				worst = worst[:worstLooked]
			}
		}
	}
	claim := s.scale[g].of(s.claim.Worst[g].Value)
	for k, i := range worst {
		if k < worstComputed || down*(est[i]-claim) < believed*s.largest[g][0] {
			list = append(list, i)
		}
	}
	return list
}

// share is the largest error of the goal's estimate as Attacked says it.
func (s *screener) share(g int) float64 {
	largest := s.largest[g][0]
	switch {
	case s.scale[g].log:
		return math.Expm1(largest)
	case largest == 0:
		return 0
	}
	return largest / math.Abs(s.goals[g].Limit)
}

// estimated tells whether a goal's sample was not computed, and whether it holds by its estimate.
func (s *screener) estimated(g, i int) (holds, estimated bool) {
	if s.done[g][i] {
		return false, false
	}
	return s.scale[g].down*(s.estimate[g][i]-s.scale[g].of(s.goals[g].Limit)) >= 0, true
}
