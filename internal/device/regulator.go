package device

import (
	"math"

	"fettle/internal/unit"
)

// A Regulator is a linear three-terminal regulator in the large: the output stands at Vout as long as the
// input allows it, follows the input at the drop-out distance below that, and gives nothing without input.
// All voltages are against its own ground terminal.
//
//	target(vin, I) = smaller of (Vout − outputResistance·I) and (vin − Dropout − Rdrop·I), rounded over knee
//	the output stands at target and I ≥ 0, or above target (pushed up from outside) and I = 0
//	input current = I + IQ + Ground·I
//
// In drop-out it takes what it takes in regulation, and nothing without input. Between output and ground lies RegulatorDivider.
type Regulator struct {
	Vout    unit.Volt
	Dropout unit.Volt // input minus output at which regulation ends, at no load
	Rdrop   unit.Ohm  // what the load current adds to it
	IQ      unit.Amp  // the regulator's own current without load
	Ground  float64   // what a load adds to it, as a share of the load
	Limit   unit.Amp  // output current limit; 0 means not known, taken as 5 A
}

// RegulatorDivider is the divider by which a regulator senses its output (from memory: hundreds of kilohms
// to tens of megohms in micropower types). It also keeps an unloaded output defined.
const RegulatorDivider = unit.Ohm(10e6)

const (
	// outputResistance (Ω) is the regulator's load regulation. The sheets' figure lies inside Vout's
	// minimum…maximum; this one only keeps the output law solvable.
	outputResistance = 0.01
	// regulatorKnee (V) rounds the change between regulating and following.
	regulatorKnee = 5e-3
	// sourceScale (Ω) and sourceKnee (V) round the change between sourcing and pushed up: pushed up by 1 V
	// the output still gives sourceKnee²/sourceScale = 0.1 nA.
	sourceScale = 1000.0
	sourceKnee  = 3e-4
	// unlimited (A) is what a regulator without a limit gives at most: enough to burn any of them.
	unlimited = 5.0
)

// Check tells what is wrong with the parameters, or "".
func (r Regulator) Check() string {
	switch {
	case !finite(float64(r.Vout)) || r.Vout <= 0:
		return "its output voltage is " + r.Vout.String()
	case !finite(float64(r.Dropout)) || r.Dropout < 0 || !finite(float64(r.Rdrop)) || r.Rdrop < 0:
		return "its drop-out is negative or not a number"
	case !finite(r.Ground) || r.Ground < 0:
		return "the share of the load that it takes for itself is negative or not a number"
	case !finite(float64(r.IQ)) || r.IQ < 0 || !finite(float64(r.Limit)) || r.Limit < 0:
		return "its own current or current limit is negative or not a number"
	}
	return ""
}

// A RegulatorPoint is a regulator's state: F is zero when output voltage and current agree with the law.
type RegulatorPoint struct {
	F, Fin, Fout, Fi float64 // V, and derivatives by vin, vout (1) and output current (Ω)
	IQ, GQ, QI       float64 // own current from input to ground, A, and its derivatives by vin, S, and output current
}

// Eval computes the point at input and output voltage (against the regulator's ground) and output current.
func (r *Regulator) Eval(vin, vout, i float64, out *RegulatorPoint) {
	t, tin, ti := smoothMin(
		float64(r.Vout)-outputResistance*i, 0, -outputResistance,
		vin-float64(r.Dropout)-(float64(r.Rdrop)+outputResistance)*i, 1, -float64(r.Rdrop)-outputResistance)
	most := r.most()
	// A steep straight line: full voltage 1 % below the limit, nothing at it.
	slope := 100 * float64(r.Vout) / most
	t, tin, ti = smoothMin(t, tin, ti, slope*(most-i), 0, -slope)
	// Either a = 0 and b ≥ 0, or b = 0 and a ≥ 0.
	a, b := sourceScale*i, vout-t
	s := math.Sqrt(a*a + b*b + 2*sourceKnee*sourceKnee)
	fa, fb := 1-a/s, 1-b/s
	out.F = a + b - s
	out.Fout = fb
	out.Fin = -fb * tin
	out.Fi = sourceScale*fa - fb*ti
	out.IQ, out.GQ = leak(float64(r.IQ), vin)
	out.IQ += r.Ground * i
	out.QI = r.Ground
}

// Bound bounds an iteration's steps of input voltage (from v0) and output current (from i0), where the law bends too
// sharply for its tangent: the regulator's own current is flat away from zero, so that an input that starves
// is first tried at zero; and an overload first at the current limit.
func (r *Regulator) Bound(v, v0, i, i0 float64) (vin, iout float64, limited bool) {
	if v < 0 && v0 > leakKnee || v > 0 && v0 < -leakKnee {
		v, limited = 0, true
	}
	if most := r.most(); i > most && i0 < most {
		i, limited = most, true
	}
	return v, i, limited
}

// most is the output current that the law does not exceed.
func (r *Regulator) most() float64 {
	if r.Limit == 0 {
		return unlimited
	}
	return float64(r.Limit)
}

// smoothMin is the rounded smaller of a and b with its derivatives by two variables.
func smoothMin(a, a1, a2, b, b1, b2 float64) (m, m1, m2 float64) {
	d := a - b
	s := math.Sqrt(d*d + 4*regulatorKnee*regulatorKnee)
	wa := 0.5 * (1 - d/s)
	return 0.5 * (a + b - s), wa*a1 + (1-wa)*b1, wa*a2 + (1-wa)*b2
}
