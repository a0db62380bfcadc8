// Package fit finds the parameters of a model from readings: nonlinear least squares with bounds.
//
// It minimises RSS = Σ r², r(p) the residuals, by a Levenberg–Marquardt iteration on QR factors with
// geodesic acceleration, finishes with Gauss–Newton steps, and says how sure the answer is: joint
// covariance, standard deviations, the combinations of parameters which the data cannot tell apart,
// and joint samples.
//
// Mathematics. J = ∂r/∂p is factored together with the residual, [J | −r] = Q [R c; 0 ρ], so that each
// damped step min ‖Rδ − c‖² + λ‖Dδ‖² is a small problem of the size of the parameters alone; D holds the
// largest column norms seen (J. J. Moré, The Levenberg–Marquardt algorithm: implementation and theory,
// 1978). λ follows K. Madsen, H. B. Nielsen, O. Tingleff, Methods for non-linear least squares problems,
// 2004. The second-order correction along the step is that of M. K. Transtrum, J. P. Sethna,
// arXiv:1201.5885. A parameter held by a bound is taken out of the step. (References from memory.)
//
// Stopping. The relative offset of D. M. Bates and D. G. Watts (1981, from memory) compares the part of
// the residual that a step could still remove, ‖c‖/√p, with the noise ρ/√(n−p): it is the distance to the
// minimum in standard deviations. Converged means that it is below Settings.Offset, or that the step
// that is left is rounding. A step too small to take is another status, so is a flat region, so is a
// model that gives no number. Nothing returned is a NaN; what is not known is +Inf.
//
// Residuals are dimensionless or all of one unit; with Problem.KnownSigma they are already divided by their
// standard deviation. Not modelled: outliers (the caller judges Result.Residuals), several minima beyond
// those that the starts reach.
//
// Entry points: Solve, MultiStart, Result.Samples, Posterior.
package fit

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/mat"
)

// A Problem is what to fit. The functions are called from one goroutine at a time.
type Problem struct {
	Names     []string                        // of the parameters; nil: "p1", "p2", …
	N         int                             // number of residuals; 0: priors alone
	Residuals func(p, r []float64)            // fills r, length N
	Jacobian  func(p []float64, j *mat.Dense) // fills the N × len(p) matrix ∂r/∂p; nil: extrapolated differences
	Lower     []float64                       // nil or −Inf: none
	Upper     []float64                       // nil or +Inf: none
	Scale     []float64                       // the change of each parameter that matters; nil or 0: its own size
	Prior     []Prior                         // needs KnownSigma
	// KnownSigma says that residuals are in units of their standard deviation: the covariance is then
	// (JᵀJ)⁻¹ and not scaled by the scatter found.
	KnownSigma bool
}

// A Prior is what is known of one parameter beforehand: a normal law. It enters as one more residual.
type Prior struct {
	Param       int
	Mean, Sigma float64
}

// Settings tune a fit; the zero value is right for most.
type Settings struct {
	MaxIterations int     // per start; 0: 500
	Offset        float64 // distance to the minimum that counts as none, in standard deviations; 0: 1e-8
	Vague         float64 // a direction is undetermined if one standard deviation moves a parameter by more than this many times its Scale; 0: 1
	Retries       int     // further starts Solve may try when the given one does not converge; 0: 24, negative: none
	Seed          uint64  // of those starts
}

func (s Settings) filled() Settings {
	if s.MaxIterations <= 0 {
		s.MaxIterations = 500
	}
	if !(s.Offset > 0) {
		s.Offset = 1e-8
	}
	if !(s.Vague > 0) {
		s.Vague = 1
	}
	if s.Retries == 0 {
		s.Retries = 24
	}
	return s
}

// Status says how a fit ended.
type Status int

const (
	Invalid   Status = iota // the problem or the start makes no sense; Result.Why says what
	NotFinite               // the model gives no number at the start, or no derivative where the fit stands
	Limit                   // iterations used up
	SmallStep               // steps have become too small to take, the gradient is not small
	Flat                    // run to a region where the residuals no longer depend on some parameter
	Converged               // the gradient is small: nothing is left to gain
)

func (s Status) String() string {
	return [...]string{"invalid problem", "model gives no number", "iteration limit", "step too small", "flat region", "converged"}[s]
}

// A Result is the best point found, and how sure it is.
type Result struct {
	P          []float64
	Status     Status
	Why        string  // for every status but Converged
	RSS        float64 // sum of squared residuals, priors included
	Residuals  []float64
	Offset     float64 // distance to the minimum in standard deviations (see the package comment)
	Iterations int     // over all starts
	Evals      int     // calls of Residuals, over all starts
	Starts     int     // starts tried
	AtBound    []bool  // parameters held by a bound: 0 in Cov and StdDev, which then hold on that wall; Samples reach inside
	Cov        *mat.SymDense
	StdDev     []float64 // +Inf where the data say nothing
	Condition  float64   // of the Jacobian with columns of unit length; +Inf: singular
	// Undetermined lists the combinations of parameters that the data leave open, the worst first.
	Undetermined []Direction

	local quadratic
}

// OK reports whether the fit converged.
func (r Result) OK() bool { return r.Status == Converged }

// A Direction is a combination of parameters that the data cannot tell from its neighbours.
type Direction struct {
	Names []string
	Move  []float64 // what one standard deviation along it changes, per parameter; for a singular direction: per unit of Scale
	// Singular means the residuals do not change along it at all (to rounding); else they change by
	// less than the noise over a change that matters.
	Singular bool
}

func (d Direction) String() string {
	if len(d.Names) == 1 {
		return d.Names[0]
	}
	return strings.Join(d.Names[:len(d.Names)-1], ", ") + " and " + d.Names[len(d.Names)-1]
}

// Correlation is that of parameters i and j; 0 where either has no spread or an unbounded one.
func (r Result) Correlation(i, j int) float64 {
	a, b := r.StdDev[i], r.StdDev[j]
	if i == j {
		return 1
	}
	if a == 0 || b == 0 || math.IsInf(a, 0) || math.IsInf(b, 0) {
		return 0
	}
	return r.Cov.At(i, j) / (a * b)
}

func (pr Problem) name(j int) string {
	if j < len(pr.Names) {
		return pr.Names[j]
	}
	return fmt.Sprintf("p%d", j+1)
}

func (pr Problem) bounds(j int) (lo, hi float64) {
	lo, hi = math.Inf(-1), math.Inf(1)
	if pr.Lower != nil {
		lo = pr.Lower[j]
	}
	if pr.Upper != nil {
		hi = pr.Upper[j]
	}
	return lo, hi
}

// check returns what is wrong with the problem, or "".
func (pr Problem) check(start []float64) string {
	n := len(start)
	switch {
	case n == 0:
		return "no parameter"
	case pr.N < 0 || pr.N+len(pr.Prior) == 0:
		return "no residual"
	case pr.N > 0 && pr.Residuals == nil:
		return "no model"
	case pr.Names != nil && len(pr.Names) != n, pr.Lower != nil && len(pr.Lower) != n,
		pr.Upper != nil && len(pr.Upper) != n, pr.Scale != nil && len(pr.Scale) != n:
		return fmt.Sprintf("names, bounds and scales must be as many as the %d parameters", n)
	case len(pr.Prior) > 0 && !pr.KnownSigma:
		return "a prior needs residuals in units of their standard deviation"
	}
	for j := range start {
		lo, hi := pr.bounds(j)
		if !(lo <= hi) {
			return fmt.Sprintf("bounds of %s: %g to %g", pr.name(j), lo, hi)
		}
		if math.IsNaN(start[j]) || math.IsInf(start[j], 0) {
			return fmt.Sprintf("start of %s is not a number", pr.name(j))
		}
		if pr.Scale != nil && !(pr.Scale[j] >= 0 && !math.IsInf(pr.Scale[j], 0)) {
			return fmt.Sprintf("scale of %s: %g", pr.name(j), pr.Scale[j])
		}
	}
	for _, p := range pr.Prior {
		if p.Param < 0 || p.Param >= n || !(p.Sigma > 0) || math.IsNaN(p.Mean) || math.IsInf(p.Mean, 0) {
			return fmt.Sprintf("prior of parameter %d: %g ± %g", p.Param+1, p.Mean, p.Sigma)
		}
	}
	return ""
}
