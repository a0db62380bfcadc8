// Package spread searches the box of everything that varies for the worst case, and attacks what it claims by
// sampling.
//
// What varies is a Space of variables: z in [−1, +1] with 0 typical and ±1 the limits of a data sheet or tolerance,
// or a level 0…M−1 (the index of one joint sample of what belongs together). One evaluation gives all quantities of
// interest at a point, so that every point serves every goal.
//
// Search goes from one-at-a-time effects at the typical point to the corner their signs point at, exchanges single
// variables there (and pairs where effects do not add up), follows a parabola where a variable bends back, and starts
// again from random corners and random points inside. For a function that is monotone in each variable the corner is
// the exact worst case. Otherwise the result is the worst found, and says that the function is not monotone.
//
// Attack draws independent samples. They are numbered: sample i of a seed is the same whoever draws it, in whatever
// order. A sample beyond a claimed worst case is a defect of the search and is reported with its place; otherwise the
// claim is "no counterexample in N". Counts come with the exact binomial interval of C. J. Clopper and
// E. S. Pearson, Biometrika 26, 1934 (from memory).
//
// Dependence between variables is expressed by the evaluation (several parts of one type sharing a variable, levels
// of a joint sample), not here. Entry points: Search, Attack, ClopperPearson.
package spread

import (
	"math"
	"strconv"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"

	"fettle/internal/finding"
)

// A Law is how a variable is distributed over [−1, +1] in samples. The search does not use it.
type Law int

const (
	Uniform Law = iota
	Normal3     // normal, σ = 1/3, cut at ±1: limits that a maker holds at three standard deviations
)

// A Var is one independent variable.
type Var struct {
	Name   string
	Law    Law
	Levels int // above 0: z is an integer 0…Levels−1, all equally likely
	// Vertices are the levels worth trying as corners, the typical one first; nil: all up to 16, else 16 evenly.
	Vertices []int
}

// A Space is the box of all variables; their order is that of z.
type Space []Var

// mostVertices is how many levels the search tries where the variable does not say which.
const mostVertices = 16

func (v Var) vertices() []int {
	if v.Vertices != nil {
		return v.Vertices
	}
	n := min(v.Levels, mostVertices)
	out := make([]int, n)
	for i := range out {
		out[i] = i
		if n > 1 {
			out[i] = i * (v.Levels - 1) / (n - 1)
		}
	}
	return out
}

// Typical is the point where nothing deviates: z = 0, and the first vertex of each level variable.
func (s Space) Typical() []float64 {
	z := make([]float64, len(s))
	for i, v := range s {
		if v.Levels > 0 {
			z[i] = float64(v.vertices()[0])
		}
	}
	return z
}

// Number is number j of a seed, in [0, 1): the splitmix64 sequence (S. Vigna, public domain; from memory) entered at
// any place.
func Number(seed, j uint64) float64 {
	z := seed + (j+1)*0x9E3779B97F4A7C15
	z = (z ^ z>>30) * 0xBF58476D1CE4E5B9
	z = (z ^ z>>27) * 0x94D049BB133111EB
	z ^= z >> 31
	return float64(z>>11) * 0x1p-53
}

// Sample writes sample i of the seed to z. It uses numbers i·len(s) and following, one per variable.
func (s Space) Sample(seed uint64, i int, z []float64) {
	j := uint64(i) * uint64(len(s))
	for k, v := range s {
		z[k] = v.draw(Number(seed, j+uint64(k)))
	}
}

// outside is the share of a normal law below −3σ.
var outside = distuv.UnitNormal.CDF(-3)

func (v Var) draw(u float64) float64 {
	switch {
	case v.Levels > 0:
		return math.Floor(u * float64(v.Levels))
	case v.Law == Normal3:
		z := distuv.UnitNormal.Quantile(outside+u*(1-2*outside)) / 3
		return math.Max(-1, math.Min(1, z))
	}
	return 2*u - 1
}

// check returns what is wrong with the space, or "".
func (s Space) check() string {
	for _, v := range s {
		if v.Levels < 0 {
			return v.Name + ": negative number of levels"
		}
		if v.Levels > 0 && v.Vertices != nil && len(v.Vertices) == 0 {
			return v.Name + ": no vertex"
		}
		for _, l := range v.Vertices {
			if l < 0 || l >= v.Levels {
				return v.Name + ": vertex " + strconv.Itoa(l) + " of " + strconv.Itoa(v.Levels) + " levels"
			}
		}
	}
	return ""
}

// Eval fills out with all quantities at z. A quantity that could not be computed is NaN.
type Eval func(z, out []float64)

// A Goal is one quantity sought at its worst.
type Goal struct {
	Of    int     // which quantity
	Max   bool    // the worst is the greatest (the requirement is value ≤ Limit), else the least (value ≥ Limit)
	Limit float64 // of the requirement; NaN: none
}

// worse reports whether a is worse than b by more than slack.
func (g Goal) worse(a, b, slack float64) bool {
	if g.Max {
		return a > b+slack
	}
	return a < b-slack
}

// Holds reports whether the value meets the limit. An undefined value or limit does not.
func (g Goal) Holds(v float64) bool {
	if g.Max {
		return v <= g.Limit
	}
	return v >= g.Limit
}

// ClopperPearson is the exact two-sided interval of a share of which held of n were seen, at the confidence (0.95).
func ClopperPearson(held, n int, confidence float64) (low, high float64) {
	tail := (1 - confidence) / 2
	low, high = 0, 1
	if n <= 0 {
		return low, high
	}
	if held > 0 {
		low = mathext.InvRegIncBeta(float64(held), float64(n-held)+1, tail)
	}
	if held < n {
		high = mathext.InvRegIncBeta(float64(held)+1, float64(n-held), 1-tail)
	}
	return low, high
}

// AtMost is the one-sided upper limit of a share of which failed of n were seen: 1 − (1 − confidence)^(1/n) for none.
func AtMost(failed, n int, confidence float64) float64 {
	if n <= 0 || failed >= n {
		return 1
	}
	return mathext.InvRegIncBeta(float64(failed)+1, float64(n-failed), confidence)
}

// Yield is the count with its 95 % interval.
func Yield(held, n int) finding.Yield {
	low, high := ClopperPearson(held, n, 0.95)
	return finding.Yield{Held: held, Samples: n, Low: low, High: high}
}
