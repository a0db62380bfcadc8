package device

import (
	"math"

	"fettle/internal/unit"
)

// A Diode is a junction with a series resistance (on the anode side), at the reference temperature T0.
//
//	i(u) = IS(T)·(exp(u/(N·Vt)) − 1) + GP(T)·u·|u/1 V|^(MGP−1) − B(u)
//	B(u) = 1 mA·(1−Soft)·(exp(−(u+BV(T))/(NBV·Vt0)) − exp(−BV(T)/(NBV·Vt0))), and Soft of it with NSoft for NBV
//	IS(T) = IS·(T/T0)^(XTI/N)·exp(−(q·EG/(N·k))·(1/T − 1/T0))
//	GP(T) = GP·2^((T−T0)/Double),  BV(T) = BV·(1 + TBV·(T−T0))
//
// The knee of a breakdown is bulk and field, not thermal voltage: its steepness stays with temperature (Vt0 = k·T0/q).
type Diode struct {
	IS  unit.Amp    // saturation current at T0
	N   float64     // emission coefficient; 0 means 1
	RS  unit.Ohm    // series resistance; 0 means none
	XTI float64     // exponent of the temperature law
	EG  unit.Volt   // effective energy gap of the temperature law; 0 means no temperature dependence
	GP  float64     // leakage across the junction at 1 V, siemens
	BV  unit.Volt   // reverse voltage at breakdownCurrent; 0 means no breakdown
	NBV float64     // emission coefficient of the breakdown: how soft its knee is; 0 means 1
	T0  unit.Kelvin // temperature of IS, GP and BV; 0 means ReferenceTemperature

	MGP         float64 // power of the voltage by which the leakage rises, from 1 up; 0 means 1
	Double      float64 // kelvin for the leakage to double; 0 means that it does not change
	TBV         float64 // of BV, relative, per kelvin
	Soft, NSoft float64 // share of breakdownCurrent that a softer exponential carries, and its emission coefficient
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
	case !finite(d.MGP) || d.MGP != 0 && d.MGP < 1 || !finite(d.Double) || d.Double < 0 || !finite(d.TBV):
		return "the law of its leakage or breakdown over voltage and temperature is not made of numbers"
	case !finite(d.Soft) || d.Soft < 0 || d.Soft > 1 || d.Soft > 0 && !(d.NSoft > 0 && finite(d.NSoft)):
		return "the soft share of its breakdown is not between 0 and 1"
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
	if gp := d.GP; gp > 0 {
		if d.Double > 0 {
			gp *= math.Exp2((float64(t) - t0) / d.Double)
		}
		if d.MGP > 1 {
			j.bent, j.power = gp, d.MGP
		} else {
			j.gp += gp
		}
	}
	if d.BV > 0 {
		vt0 := float64(unit.Kelvin(t0).ThermalVoltage())
		j.bv = float64(d.BV) * (1 + d.TBV*(float64(t)-t0))
		j.vz = orOne(d.NBV) * vt0
		j.sharp = breakdownCurrent * (1 - d.Soft)
		if d.Soft > 0 {
			j.soft, j.vs = breakdownCurrent*d.Soft, d.NSoft*vt0
		}
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
	bent     float64 // leakage that rises with a power above 1 of the voltage: at 1 V, A
	power    float64
	bv, vz   float64 // V: breakdown and its steepness; bv = 0: none
	sharp    float64 // A, at −bv
	soft, vs float64 // A, V: its soft part; soft = 0: none
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
	if j.bent > 0 {
		l := j.bent * math.Pow(math.Abs(u), j.power-1)
		i += l * u
		g += l * j.power
	}
	if j.bv > 0 {
		b, gb := breakdown(u, j.bv, j.vz, j.sharp)
		if j.soft > 0 {
			s, gs := breakdown(u, j.bv, j.vs, j.soft)
			b += s
			gb += gs
		}
		i -= b
		g += gb
		bend += gb
	}
	return i, g, bend
}

// breakdown is the reverse current of an exponential that carries i0 at −bv, and its slope.
func breakdown(u, bv, vz, i0 float64) (i, g float64) {
	e, slope := limitedExp(-(u + bv) / vz)
	e0, _ := limitedExp(-bv / vz)
	return i0 * (e - e0), i0 * slope / vz
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

// Reverse is the reverse voltage (positive) of the whole diode at which the reverse current i flows at t, as a zener's
// voltage is measured, and the differential resistance there. ok is false if it has no breakdown.
func (d Diode) Reverse(i unit.Amp, t unit.Kelvin) (v unit.Volt, z unit.Ohm, ok bool) {
	j := d.At(t)
	if j.bv == 0 || !(i > 0) {
		return 0, 0, false
	}
	// The reverse current rises with the reverse voltage: bisection over all that the exponential can hold.
	low, high := -(j.bv + expLimit*max(j.vz, j.vs)), 0.0
	for range 200 {
		mid := low + (high-low)/2
		if c, _, _ := j.Current(mid); -c > float64(i) {
			low = mid
		} else {
			high = mid
		}
	}
	_, g, _ := j.Current(high)
	return unit.Volt(-high) + i.Times(d.RS), unit.Ohm(1/g) + d.RS, true
}

// Leakage is the reverse current (positive) of the junction with v in reverse across it at t.
func (d Diode) Leakage(v unit.Volt, t unit.Kelvin) unit.Amp {
	j := d.At(t)
	i, _, _ := j.Current(-float64(v))
	return unit.Amp(-i)
}
