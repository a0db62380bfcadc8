package device

import (
	"math"

	"fettle/internal/unit"
)

// A BJT is the transport model of a bipolar transistor at the reference temperature T0. With the junction
// voltages u1 = base–emitter and u2 = base–collector behind the ohmic resistances (turned around for PNP):
//
//	F = IS·exp(u1/(NF·Vt))      R = IS·exp(u2/(NR·Vt))
//	h = ½·(1 + √(1 + 4·(F−IS)/IKF))                      high injection; h = 1 when IKF = 0
//	ICT = (1 − u2/VAF)·(F − R)/h                         from collector to emitter
//	IBE = (F − IS)/BF + ISE·(exp(u1/(NE·Vt)) − 1)        from base to emitter
//	IBC = (R − IS)/BR                                    from base to collector
//	IC = ICT − IBC + ICBO leakage,  IB = IBE + IBC − ICBO leakage,  IE = −(IC + IB)
//
// In the active region F = IKF·h·(h−1), so that IC = IKF·(h−1) and the gain is exactly BF/(1 + IC/IKF):
// IKF is the collector current at which the gain has fallen to half. With IKF = 0 and ISE = 0 this is the
// plain transport law.
//
// Temperature: IS by XTI and EG, BF and BR by (T/T0)^XTB, ISE by IS(T)^(1/NE)·(T/T0)^−XTB so that the gain
// at every current follows (T/T0)^XTB (for NF = 1), ICBO doubling every 10 K.
type BJT struct {
	PNP        bool
	IS         unit.Amp
	BF, BR     float64   // ideal forward and reverse gain
	NF, NR     float64   // emission coefficients; 0 means 1
	VAF        unit.Volt // Early voltage; 0 means infinite
	IKF        unit.Amp  // high-injection knee; 0 means none
	ISE        unit.Amp  // low-current base leakage; 0 means none
	NE         float64   // its emission coefficient; 0 means 2
	RB, RC, RE unit.Ohm
	XTB, XTI   float64
	EG         unit.Volt   // 0 means IS does not change with temperature
	ICBO       unit.Amp    // collector–base leakage at T0, doubling every 10 K
	T0         unit.Kelvin // 0 means ReferenceTemperature
}

// Check tells what is wrong with the parameters, or "".
func (q BJT) Check() string {
	switch {
	case !finite(float64(q.IS)) || q.IS <= 0:
		return "its saturation current is " + q.IS.String()
	case !finite(q.BF) || q.BF <= 0 || !finite(q.BR) || q.BR <= 0:
		return "its current gain is not a positive number"
	case !finite(q.NF) || q.NF < 0 || !finite(q.NR) || q.NR < 0 || !finite(q.NE) || q.NE < 0:
		return "an emission coefficient is not a positive number"
	case !finite(float64(q.VAF)) || q.VAF < 0 || !finite(float64(q.IKF)) || q.IKF < 0:
		return "its Early voltage or high-injection knee is not a number from zero up"
	case !finite(float64(q.ISE)) || q.ISE < 0 || !finite(float64(q.ICBO)) || q.ICBO < 0:
		return "its leakage is not a number from zero up"
	case !finite(float64(q.RB)) || q.RB < 0 || !finite(float64(q.RC)) || q.RC < 0 || !finite(float64(q.RE)) || q.RE < 0:
		return "an ohmic resistance is negative or not a number"
	case !finite(q.XTB) || !finite(q.XTI) || !finite(float64(q.EG)) || !finite(float64(q.T0)) || q.T0 < 0:
		return "its temperature law is not made of numbers"
	}
	return ""
}

// At is the transistor at an absolute temperature, ready for evaluation.
func (q BJT) At(t unit.Kelvin) Transport {
	nf, nr, ne, t0 := orOne(q.NF), orOne(q.NR), q.NE, kelvin(q.T0)
	if ne == 0 {
		ne = 2
	}
	vt := float64(t.ThermalVoltage())
	lnIS, bt, shift := math.Log(float64(q.IS)), 1.0, 0.0
	if t := float64(t); t != t0 {
		lnT := math.Log(t / t0)
		vt0 := float64(unit.Kelvin(t0).ThermalVoltage())
		shift = q.XTI*lnT + float64(q.EG)/vt0*(1-t0/t)
		lnIS += shift
		bt = math.Exp(q.XTB * lnT)
	}
	p := Transport{
		Sign:  1,
		BE:    newJunction(lnIS, nf*vt),
		BC:    newJunction(lnIS, nr*vt),
		invBF: 1 / (q.BF * bt),
		invBR: 1 / (q.BR * bt),
	}
	if q.PNP {
		p.Sign = -1
	}
	if q.VAF > 0 {
		p.invVAF = 1 / float64(q.VAF)
	}
	if q.IKF > 0 {
		p.invIKF = 1 / float64(q.IKF)
	}
	if q.ISE > 0 {
		p.ise = float64(q.ISE) / bt
		if shift != 0 {
			p.ise *= math.Exp(shift / ne)
		}
		p.invNE = 1 / (ne * vt)
		p.root = ne == 2*nf
	}
	if q.ICBO > 0 {
		p.icbo = float64(q.ICBO) * math.Exp2((float64(t)-t0)/10)
	}
	return p
}

// Transport is a transistor's intrinsic part at one temperature.
type Transport struct {
	Sign   float64  // +1 NPN, −1 PNP
	BE, BC Junction // of F and R; their limits serve the iteration
	invBF, invBR, invVAF, invIKF,
	ise, invNE, icbo float64
	root bool // NE = 2·NF: the leakage exponential is the square root of the other
}

// A BJTPoint is a transistor's state at given junction voltages: currents into collector and base, and their
// derivatives with respect to u1 and u2.
type BJTPoint struct {
	IC, IB             float64 // A
	IC1, IC2, IB1, IB2 float64 // S
	BendBE, BendBC     float64 // exponential parts of the junction conductances, S
}

// Eval computes the point at u1 (base–emitter) and u2 (base–collector), both forward positive.
func (p *Transport) Eval(u1, u2 float64, out *BJTPoint) {
	eF, sF := limitedExp(u1 * p.BE.inv)
	eR, sR := limitedExp(u2 * p.BC.inv)
	f, gF := p.BE.IS*eF, p.BE.IS*sF*p.BE.inv
	r, gR := p.BC.IS*eR, p.BC.IS*sR*p.BC.inv

	early := 1 - u2*p.invVAF
	ict := early * (f - r)
	ct1 := early * gF
	ct2 := -p.invVAF*(f-r) - early*gR
	if p.invIKF > 0 {
		root := math.Sqrt(1 + 4*(f-p.BE.IS)*p.invIKF)
		invH := 2 / (1 + root)
		ct1 = invH * (ct1 - ict*invH*gF*p.invIKF/root)
		ct2 *= invH
		ict *= invH
	}

	ib, ib1 := (f-p.BE.IS)*p.invBF+leakFloor*u1, gF*p.invBF+leakFloor
	if p.ise > 0 {
		var e, s float64
		if p.root && u1*p.BE.inv < expLimit {
			e = math.Sqrt(eF)
			s = e
		} else {
			e, s = limitedExp(u1 * p.invNE)
		}
		ib += p.ise * (e - 1)
		ib1 += p.ise * s * p.invNE
	}
	ibc, ibc2 := (r-p.BC.IS)*p.invBR+leakFloor*u2, gR*p.invBR+leakFloor
	if p.icbo > 0 {
		i, g := leak(p.icbo, u2)
		ibc += i
		ibc2 += g
	}
	out.IC, out.IC1, out.IC2 = ict-ibc, ct1, ct2-ibc2
	out.IB, out.IB1, out.IB2 = ib+ibc, ib1, ibc2
	out.BendBE, out.BendBC = gF, gR
}
