package device

import (
	"math"

	"fettle/internal/unit"
)

// Forced is the transistor with both terminal currents given, as saturation points of datasheets are
// measured: the voltages between its terminals (magnitudes). ok is false if ib cannot hold ic, so that no
// such point exists.
func (q BJT) Forced(ic, ib unit.Amp, t unit.Kelvin) (vce, vbe unit.Volt, ok bool) {
	p := q.At(t)
	wantC, wantB := float64(ic), float64(ib)
	u1 := p.BE.NVt * math.Log1p(wantC/p.BE.IS)
	u2 := u1 - 4*p.BC.NVt
	var at BJTPoint
	for range 100 {
		p.Eval(u1, u2, &at)
		fc, fb := at.IC-wantC, at.IB-wantB
		det := at.IC1*at.IB2 - at.IC2*at.IB1
		d1 := (-fc*at.IB2 + fb*at.IC2) / det
		d2 := (-fb*at.IC1 + fc*at.IB1) / det
		if !finite(d1) || !finite(d2) {
			return 0, 0, false
		}
		v1, lim1 := p.BE.Limit(u1+d1, u1)
		v2, lim2 := p.BC.Limit(u2+d2, u2)
		if v2 < u2-1 { // out of saturation: approach slowly, the exponential is gone there
			v2, lim2 = u2-1, true
		}
		u1, u2 = v1, v2
		if u2 < -200 {
			return 0, 0, false
		}
		if !lim1 && !lim2 && math.Abs(d1) < 1e-9 && math.Abs(d2) < 1e-9 {
			ie := wantC + wantB
			vce := u1 - u2 + wantC*float64(q.RC) + ie*float64(q.RE)
			vbe := u1 + wantB*float64(q.RB) + ie*float64(q.RE)
			return unit.Volt(vce), unit.Volt(vbe), true
		}
	}
	return 0, 0, false
}

// Active is the transistor at a collector current and a collector–emitter voltage (magnitudes), as gain and
// VBE(on) are measured. ok is false if the voltage is too small to carry the current.
func (q BJT) Active(ic unit.Amp, vce unit.Volt, t unit.Kelvin) (hfe float64, vbe unit.Volt, ok bool) {
	p := q.At(t)
	want := float64(ic)
	u1 := p.BE.NVt * math.Log1p(want/p.BE.IS)
	var at BJTPoint
	for range 100 {
		across := float64(vce) - want*float64(q.RC) - (want+at.IB)*float64(q.RE)
		if across <= 0 {
			return 0, 0, false
		}
		p.Eval(u1, u1-across, &at)
		if !(at.IC > 0) {
			return 0, 0, false
		}
		// Newton on the logarithm of the current, which is nearly straight.
		d := math.Log(want/at.IC) * at.IC / (at.IC1 + at.IC2)
		d = max(-4*p.BE.NVt, min(4*p.BE.NVt, d))
		u1 += d
		if math.Abs(d) < 1e-12 {
			vbe := u1 + at.IB*float64(q.RB) + (want+at.IB)*float64(q.RE)
			return want / at.IB, unit.Volt(vbe), true
		}
	}
	return 0, 0, false
}
