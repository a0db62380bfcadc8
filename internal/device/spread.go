package device

import (
	"fmt"
	"math"

	"fettle/internal/unit"
)

// Law is how a part's property is distributed between its limits.
type Law int

const (
	Uniform Law = iota // nothing is known but the limits
	Normal3            // normal with σ = 1/3, cut off at the limits
)

// A Vary is one independent property of a part: z = −1 at one limit, 0 typical, +1 at the other.
type Vary struct {
	Name string // in datasheet terms: "hFE"
	Law  Law
	Say  func(z float64) string // "hFE 64 at 10 mA"
}

// tableTemperature is the temperature of datasheet tables, 25 °C.
const tableTemperature = unit.Kelvin(298.15)

// between is the value at z of a property given at −1, 0 and +1, straight in between.
func between(z, low, typ, high float64) float64 {
	z = max(-1, min(1, z))
	if z < 0 {
		return typ + z*(typ-low)
	}
	return typ + z*(high-typ)
}

// betweenRatios is between for positive properties that vary by factors.
func betweenRatios(z, low, typ, high float64) float64 {
	return math.Exp(between(z, math.Log(low), math.Log(typ), math.Log(high)))
}

// at is z[k], or 0 if z is shorter.
func at(z []float64, k int) float64 {
	if k < len(z) {
		return z[k]
	}
	return 0
}

// notes collects assumptions.
type notes []string

func (n *notes) add(format string, args ...any) { *n = append(*n, fmt.Sprintf(format, args...)) }

// xti is the exponent of the junction's temperature law (textbook).
const xti = 3

// gapFor is the effective energy gap that makes a junction of voltage u at T0 fall by slope (V/K, negative):
// from the law, du/dT = (u − EG − XTI·Vt)/T.
func gapFor(u, slope float64, t0 unit.Kelvin) unit.Volt {
	return unit.Volt(u - xti*float64(t0.ThermalVoltage()) - slope*float64(t0))
}

// cover finds the smallest a, b ≥ 0 with a·p[i] + b·q[i] ≥ need[i] for all i: of all such pairs the one with
// the least weighted sum of excesses over need. It is a linear programme in two unknowns with a handful of constraints,
// so the corners are enumerated.
func cover(p, q, need, weight []float64) (a, b float64) {
	best := math.Inf(1)
	try := func(x, y float64) {
		if !(x >= 0) || !(y >= 0) || !finite(x) || !finite(y) {
			return
		}
		sum := 0.0
		for i := range need {
			have := x*p[i] + y*q[i]
			scale := math.Abs(need[i]) + 1e-12
			if have < need[i]-1e-9*scale {
				return
			}
			sum += weight[i] * (have - need[i])
		}
		if sum < best-1e-12 {
			best, a, b = sum, x, y
		}
	}
	try(0, 0)
	for i := range need {
		try(need[i]/p[i], 0)
		try(0, need[i]/q[i])
		for j := range i {
			det := p[i]*q[j] - p[j]*q[i]
			try((need[i]*q[j]-need[j]*q[i])/det, (p[i]*need[j]-p[j]*need[i])/det)
		}
	}
	return a, b
}
