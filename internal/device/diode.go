package device

import (
	"math"

	"fettle/internal/unit"
)

// A Diode is a junction with a series resistance (on the anode side), at the reference temperature T0.
//
//	i(u) = IS(T)·(exp(u/(N·Vt)) − 1) + GP·u − 1 mA·(exp(−(u+BV)/(NBV·Vt)) − exp(−BV/(NBV·Vt)))
//	IS(T) = IS·(T/T0)^(XTI/N)·exp(−(q·EG/(N·k))·(1/T − 1/T0))
type Diode struct {
	IS  unit.Amp    // saturation current at T0
	N   float64     // emission coefficient; 0 means 1
	RS  unit.Ohm    // series resistance; 0 means none
	XTI float64     // exponent of the temperature law
	EG  unit.Volt   // effective energy gap of the temperature law; 0 means no temperature dependence
	GP  float64     // leakage across the junction, siemens
	BV  unit.Volt   // reverse voltage at breakdownCurrent; 0 means no breakdown
	NBV float64     // emission coefficient of the breakdown: how soft its knee is; 0 means 1
	T0  unit.Kelvin // temperature of IS; 0 means ReferenceTemperature
}

// breakdownCurrent is the reverse current at u = −BV.
const breakdownCurrent = 1e-3

// Check tells what is wrong with the parameters, or "".
func (d Diode) Check() string {
	switch {
	case !finite(float64(d.IS)) || d.IS <= 0:
		return "its saturation current is " + d.IS.String()
	case !finite(d.N) || d.N < 0:
		return "its emission coefficient is not a positive number"
	case !finite(float64(d.RS)) || d.RS < 0:
		return "its series resistance is " + d.RS.String()
	case !finite(d.GP) || d.GP < 0:
		return "its leakage conductance is not a number from zero up"
	case !finite(float64(d.BV)) || d.BV < 0 || !finite(d.NBV) || d.NBV < 0:
		return "its breakdown voltage is " + d.BV.String()
	case !finite(d.XTI) || !finite(float64(d.EG)) || !finite(float64(d.T0)) || d.T0 < 0:
		return "its temperature law is not made of numbers"
	}
	return ""
}

// At is the diode's junction at an absolute temperature, ready for evaluation.
func (d Diode) At(t unit.Kelvin) Junction {
	n, t0 := orOne(d.N), kelvin(d.T0)
	lnIS := math.Log(float64(d.IS))
	if t := float64(t); t != t0 {
		vt0 := float64(unit.Kelvin(t0).ThermalVoltage())
		lnIS += (d.XTI*math.Log(t/t0) + float64(d.EG)/vt0*(1-t0/t)) / n
	}
	j := newJunction(lnIS, n*float64(t.ThermalVoltage()))
	j.gp += d.GP
	if d.BV > 0 {
		j.bv = float64(d.BV)
		j.vz = orOne(d.NBV) * float64(t.ThermalVoltage())
	}
	return j
}

// A Junction is an exponential junction at one temperature.
type Junction struct {
	IS, LnIS float64 // saturation current, A, and its logarithm
	NVt      float64 // V
	VCrit    float64 // V: where the current's slope calls for limited steps
	inv      float64 // 1/NVt
	gp       float64 // S
	bv, vz   float64 // V: breakdown and its steepness; bv = 0: none
}

func newJunction(lnIS, nVt float64) Junction {
	is := math.Exp(lnIS)
	return Junction{IS: is, LnIS: lnIS, NVt: nVt, inv: 1 / nVt, gp: leakFloor,
		// A junction whose saturation current is itself large still needs room to start in.
		VCrit: nVt * max(3, math.Log(nVt/math.Sqrt2)-lnIS)}
}

// Current is the junction's current at u with its derivative; bend is the exponential's share of the
// derivative, which tells how far the tangent may be trusted.
func (j *Junction) Current(u float64) (i, g, bend float64) {
	e, slope := limitedExp(u * j.inv)
	bend = j.IS * slope * j.inv
	i = j.IS*(e-1) + j.gp*u
	g = bend + j.gp
	if j.bv > 0 {
		e, slope := limitedExp(-(u + j.bv) / j.vz)
		e0, _ := limitedExp(-j.bv / j.vz)
		b := breakdownCurrent * slope / j.vz
		i -= breakdownCurrent * (e - e0)
		g += b
		bend += b
	}
	return i, g, bend
}

// Limit bounds an iteration's step of the junction voltage from u0 to u. Where the exponential rules, the
// step is taken in the current instead of the voltage: the new voltage is the one at which the law carries
// the current that the tangent at u0 promised. Upwards that stops the exponential from running away, which
// it can only do beyond the critical voltage; downwards it finds at once the voltage of a junction that
// others have starved, where plain steps would come down by one N·Vt each. Small steps are left alone.
func (j *Junction) Limit(u, u0 float64) (float64, bool) {
	if j.bv > 0 && (u < -j.bv || u0 < -j.bv && u < 0) {
		zcrit := j.vz * math.Log(j.vz/(math.Sqrt2*breakdownCurrent))
		w, limited := limit(-(u + j.bv), -(u0 + j.bv), j.vz, zcrit, -j.bv)
		return -w - j.bv, limited
	}
	return limit(u, u0, j.NVt, j.VCrit, 0)
}

// limit is Limit for an exponential of the given steepness whose current vanishes at zero.
func limit(u, u0, nVt, vcrit, zero float64) (float64, bool) {
	const small, starved = 0.5, 5.0
	d := (u - u0) / nVt
	rules := u0 > zero+nVt // the exponential decides at u0
	switch {
	case d > small && rules:
		if w := u0 + nVt*math.Log1p(d); u > vcrit {
			return w, true
		}
	case d > small && u > vcrit:
		// Out of the blocked region, where a leakage may have promised too much: first to the middle.
		if u0 < zero-nVt {
			return zero, true
		}
		return vcrit, true
	case d < -small && d > -1 && rules:
		// With e = exp((u0−zero)/nVt) the tangent promises e·(1+d) − 1 times the saturation current, and the
		// law carries that at zero + nVt·ln(e·(1+d)), as long as it is a forward current.
		if x := (u0-zero)/nVt + math.Log1p(d); x > 0 {
			return zero + nVt*x, true
		}
	case d <= -1 && d > -starved && rules:
		// Nothing forward is promised, nor does anything pull hard: the junction is being starved.
		return max(u0-starved*nVt, zero), true
	}
	return u, false
}

// Voltage is the forward voltage of the whole diode (junction and series resistance) that carries i at t.
// It is the closed form without leakage: V = N·Vt·ln(1 + i/IS) + RS·i.
func (d Diode) Voltage(i unit.Amp, t unit.Kelvin) unit.Volt {
	j := d.At(t)
	return unit.Volt(j.NVt*math.Log1p(float64(i)/j.IS)) + i.Times(d.RS)
}
