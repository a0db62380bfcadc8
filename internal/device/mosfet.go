package device

import (
	"math"

	"fettle/internal/unit"
)

// A MOSFET is an enhancement field-effect transistor with source and body joined, as discrete ones are. Its channel
// carries the difference of two charges, one by the source and one by the drain, each interpolated smoothly from the
// exponential of weak inversion to the square of strong inversion (Enz, Krummenacher and Vittoz 1995, with both ends
// alike, so that drain and source may change places):
//
//	H(u) = IH·ln²(1 + exp((u − VTO)/(2·N·Vt)))        IH = 2·KP·(N·Vt)²
//	ID = H(vgs) − H(vgd)                              vgd behind R0
//
// In strong inversion that is the square law of the textbooks, KP·((vgs−VTO)·vds − vds²/2) in triode and
// KP/2·(vgs−VTO)² in saturation; far below VTO the current falls by N·Vt·ln 10 of gate voltage per decade. R0 lies
// at the drain: package, and the drift region of parts for higher voltages. The body diode lies from source to drain
// (N-channel), the leakage IDSS between them; the gate draws nothing. P-channel voltages are entered as they are and
// turned around inside; its parameters are magnitudes.
//
// Temperature: VTO falls by TCV per kelvin, KP and 1/R0 go with (T/T0)^−MU, IDSS doubles every Double kelvin.
//
// Not modelled: channel-length modulation (a switch does not stand in saturation), breakdown, gate current.
type MOSFET struct {
	P      bool
	KP     float64     // transconductance parameter of the whole channel, A/V²
	VTO    unit.Volt   // threshold at T0
	N      float64     // slope factor of weak inversion; 0 means usualSlope
	R0     unit.Ohm    // at T0; 0 means none
	TCV    float64     // V/K
	MU     float64     // exponent of KP and R0
	Body   Diode       // no body diode if its IS is 0
	IDSS   unit.Amp    // at T0
	Double float64     // kelvin for IDSS to double; 0 means 10
	T0     unit.Kelvin // 0 means ReferenceTemperature
}

// usualSlope is the slope factor where nothing is known: 90 mV per decade at 25 °C (from memory).
const usualSlope = 1.5

// Check tells what is wrong with the parameters, or "".
func (q MOSFET) Check() string {
	switch {
	case !finite(q.KP) || q.KP <= 0:
		return "its transconductance is not a positive number"
	case !finite(float64(q.VTO)):
		return "its threshold voltage is " + q.VTO.String()
	case !finite(q.N) || q.N < 0:
		return "its slope factor is not a positive number"
	case !finite(float64(q.R0)) || q.R0 < 0:
		return "its ohmic resistance is negative or not a number"
	case !finite(float64(q.IDSS)) || q.IDSS < 0:
		return "its leakage is not a number from zero up"
	case !finite(q.TCV) || !finite(q.MU) || !finite(q.Double) || q.Double < 0 || !finite(float64(q.T0)) || q.T0 < 0:
		return "its temperature law is not made of numbers"
	case q.Body.IS != 0:
		return q.Body.Check()
	}
	return ""
}

// At is the transistor's channel at an absolute temperature, ready for evaluation.
func (q MOSFET) At(t unit.Kelvin) Channel {
	t0, n := kelvin(q.T0), q.N
	if n == 0 {
		n = usualSlope
	}
	nVt := n * float64(t.ThermalVoltage())
	kp := q.KP
	if q.MU != 0 {
		kp *= math.Pow(float64(t)/t0, -q.MU)
	}
	c := Channel{Sign: 1, VT: float64(q.VTO) - q.TCV*(float64(t)-t0), NVt: nVt, half: 0.5 / nVt, ih: 2 * kp * nVt * nVt,
		leak: float64(q.Leakage(t))}
	if q.P {
		c.Sign = -1
	}
	return c
}

// Leakage is IDSS at an absolute temperature.
func (q MOSFET) Leakage(t unit.Kelvin) unit.Amp {
	double := q.Double
	if double == 0 {
		double = 10
	}
	return q.IDSS * unit.Amp(math.Exp2((float64(t)-kelvin(q.T0))/double))
}

// Resistance is R0 at an absolute temperature.
func (q MOSFET) Resistance(t unit.Kelvin) unit.Ohm {
	if q.R0 == 0 || q.MU == 0 {
		return q.R0
	}
	return q.R0 * unit.Ohm(math.Pow(float64(t)/kelvin(q.T0), q.MU))
}

// A Channel is a transistor's intrinsic part at one temperature.
type Channel struct {
	Sign           float64 // +1 N-channel, −1 P-channel
	VT, NVt        float64 // V
	half, ih, leak float64 // 1/(2·NVt), A, A
}

// A MOSFETPoint is a channel's state: the current from drain to source with its derivatives by u1 = vgs and u2 = vgd.
type MOSFETPoint struct {
	ID       float64 // A
	ID1, ID2 float64 // S
	Bend1    float64 // how far the tangent may be trusted: relative bend of either charge, 1/V
	Bend2    float64
}

// charge is H(u) with its derivative, and the step of u (1/V) by which the tangent's error is measured.
func (c *Channel) charge(u float64) (h, g, bend float64) {
	y := (u - c.VT) * c.half
	switch {
	case y > -expFloor: // e^−40 vanishes beside 1
		return c.ih * y * y, 2 * c.ih * y * c.half, 2 * c.half / y
	case y < expFloor: // ln²(1+e^y) = e^2y, 1e-35 of IH and less
		h := c.ih * math.Exp(2*y)
		return h, 2 * h * c.half, 0
	}
	e := math.Exp(y)
	s := math.Log1p(e)
	return c.ih * s * s, 2 * c.ih * s * c.half * e / (1 + e), 2 * c.half * min(s, 1/s)
}

// gate is the inverse of charge: the voltage at which H is h > 0.
func (c *Channel) gate(h float64) float64 {
	s := math.Sqrt(h / c.ih)
	if s > -expFloor {
		return c.VT + s/c.half
	}
	return c.VT + math.Log(math.Expm1(s))/c.half
}

// Eval computes the point at u1 (gate–source) and u2 (gate–drain, behind R0).
func (c *Channel) Eval(u1, u2 float64, out *MOSFETPoint) {
	h1, g1, b1 := c.charge(u1)
	h2, g2, b2 := c.charge(u2)
	i, g := leakFloor*(u1-u2), leakFloor
	if c.leak > 0 {
		l, gl := leak(c.leak, u1-u2)
		i += l
		g += gl
	}
	out.ID, out.ID1, out.ID2 = h1-h2+i, g1+g, -g2-g
	out.Bend1, out.Bend2 = b1, b2
}

// Limit bounds an iteration's step of u1 or u2 from u0 to u. Above the threshold the law is a square, which Newton's
// method takes as it is. Below, where the exponential rules, the step is taken in the charge instead of the voltage, as
// at a junction: the new voltage is the one at which the law has the charge that the tangent at u0 promised. Out of
// the blocked region, where the tangent promises nothing, the threshold is tried first.
func (c *Channel) Limit(u, u0 float64) (float64, bool) {
	const small, starved, blocked = 0.5, 5.0, 10.0
	d := (u - u0) / c.NVt
	switch {
	case math.Abs(d) <= small || u >= c.VT && u0 >= c.VT:
		return u, false
	case u0 < c.VT-blocked*c.NVt:
		if u > c.VT {
			return c.VT, true
		}
		return u, false
	}
	h, g, _ := c.charge(u0)
	if h += g * (u - u0); h > 0 {
		return c.gate(h), true
	}
	// No charge is promised: starved, or pulled hard. From strong inversion that is believed as far as the threshold.
	switch {
	case u0 > c.VT:
		return c.VT, true
	case d > -starved:
		return u0 - starved*c.NVt, true
	}
	return u, false
}

// On is the resistance between drain and source with the gate at vgs and id flowing (magnitudes), as RDS(on) is
// measured; with id = 0 it is the limit for small currents. ok is false if the channel does not carry id.
func (q MOSFET) On(vgs unit.Volt, id unit.Amp, t unit.Kelvin) (r unit.Ohm, ok bool) {
	c := q.At(t)
	h, g, _ := c.charge(float64(vgs))
	if !(g > 0) || !(h > float64(id)) {
		return 0, false
	}
	r = q.Resistance(t)
	if !(float64(id) > 1e-9*h) { // the difference of two charges would be lost in rounding
		return r + unit.Ohm(1/g), true
	}
	return r + (vgs - unit.Volt(c.gate(h-float64(id)))).Through(id), true
}

// Threshold is the gate voltage at which id flows with the drain joined to the gate (magnitudes), as VGS(th) is
// measured.
func (q MOSFET) Threshold(id unit.Amp, t unit.Kelvin) unit.Volt {
	c := q.At(t)
	h0, _, _ := c.charge(0)
	return unit.Volt(c.gate(float64(id) + h0))
}
