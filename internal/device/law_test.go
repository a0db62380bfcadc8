package device

import (
	"math"
	"math/rand/v2"
	"testing"

	"fettle/internal/unit"
)

// The made-up parts of the reference problems (numerics.md, common device laws; T0 = 300.15 K).
var (
	red    = Diode{IS: 1e-17, N: 2, RS: 3, XTI: 3, EG: 2.1}
	refNPN = BJT{IS: 2e-14, BF: 250, BR: 4, NF: 1, NR: 1, VAF: 75, RB: 50, RC: 0.8, RE: 0.3, XTB: 1.5, XTI: 3, EG: 1.11}
)

func off(got, want float64) float64 { return math.Abs(got-want) / math.Abs(want) }

// numerics.md, check values of the device laws; printed to 12 figures in Vt and gain, 10 in IS.
func TestTemperatureLaws(t *testing.T) {
	for _, w := range []struct{ t, vt, is, bf, br, red float64 }{
		{263.15, 2.267651247934e-02, 3.228964667e-17, 205.228442223, 3.283655076, 2.725133267e-20},
		{298.15, 2.569257912109e-02, 1.469927834e-14, 247.505416513, 3.960086664, 7.540138785e-18},
		{343.15, 2.957037908905e-02, 6.470984696e-12, 305.603618342, 4.889657893, 1.979148886e-15},
	} {
		q, d := refNPN.At(unit.Kelvin(w.t)), red.At(unit.Kelvin(w.t))
		for _, c := range []struct {
			what      string
			got, want float64
		}{
			{"Vt", float64(unit.Kelvin(w.t).ThermalVoltage()), w.vt}, {"IS", q.BE.IS, w.is}, {"BF", 1 / q.invBF, w.bf},
			{"BR", 1 / q.invBR, w.br}, {"red IS", d.IS, w.red},
		} {
			if off(c.got, c.want) > 5e-10 {
				t.Errorf("%s at %g K: %.12g, want %.12g", c.what, w.t, c.got, c.want)
			}
		}
	}
	// "red" at 10 mA including RS: 1.816686 V at 300.15 K, falling by 1.302 mV/K (numerics.md).
	if v := red.Voltage(0.01, 300.15); math.Abs(float64(v)-1.816686) > 1e-6 {
		t.Errorf("red at 10 mA: %.7f V", v)
	}
	if s := (red.Voltage(0.01, 300.16) - red.Voltage(0.01, 300.14)) / 0.02; math.Abs(float64(s)+1.302e-3) > 1e-6 {
		t.Errorf("red at 10 mA: %.5g V/K", s)
	}
}

// checks.md I-01, I-02: kT/q (SI Brochure 9th ed., CODATA 2018), 1e-9 relative.
func TestThermalVoltage(t *testing.T) {
	for _, w := range []struct {
		t    unit.Kelvin
		want float64
	}{
		{300, 0.025851999786}, {300.15, 0.025864925786}, {298.15, 0.025692579121}, // I-01
		{unit.Celsius(0).Kelvin(), 0.023538245806}, {unit.Celsius(20).Kelvin(), 0.025261712458}, // I-02
		{unit.Celsius(50).Kelvin(), 0.027846912437}, {unit.Celsius(85).Kelvin(), 0.030862979078},
	} {
		if got := float64(w.t.ThermalVoltage()); off(got, w.want) > 1e-9 {
			t.Errorf("%v: %.12g V, want %.12g", w.t, got, w.want)
		}
	}
}

// checks.md B-12: junction law with temperature, closed form, 1e-5 relative (own computation; XTI 3, EG 1.11).
func TestJunctionOverTemperature(t *testing.T) {
	d := Diode{IS: 1e-14, N: 1, XTI: 3, EG: 1.11}
	is := d.At(300.15).IS
	for _, w := range []struct {
		t          unit.Kelvin
		ratio, vbe float64
	}{{300.15, 1, 0.6551181}, {310.15, 4.401805, 0.6373352}, {350.15, 728.045, 0.5653950}} {
		if r := d.At(w.t).IS / is; off(r, w.ratio) > 1e-5 {
			t.Errorf("IS ratio at %v: %.7g, want %.7g", w.t, r, w.ratio)
		}
		if v := float64(d.Voltage(1e-3, w.t)); off(v, w.vbe) > 1e-5 {
			t.Errorf("VBE at %v: %.7f, want %.7f", w.t, v, w.vbe)
		}
	}
	if s := float64(d.Voltage(1e-3, 300.151)-d.Voltage(1e-3, 300.149)) / 0.002; off(s, -1.774035e-3) > 1e-5 {
		t.Errorf("dVBE/dT = %.7g V/K, want -1.774035e-3", s)
	}
}

// checks.md B-10: 0.7 V at 25 °C is 0.55 V at 100 °C and 0.75 V at 0 °C by −2 mV/K (Malvino & Bates,
// Electronic Principles, 7th ed. 2006, example 2-5): the rule a fitted transistor starts from. The law bends
// away from the straight line by a few millivolts at 75 K.
func TestRuleOfTwoMillivolts(t *testing.T) {
	for _, c := range []struct {
		t    unit.Kelvin
		want float64
	}{{298.15, 0.7}, {unit.Celsius(100).Kelvin(), 0.55}, {unit.Celsius(0).Kelvin(), 0.75}} {
		vt := float64(tableTemperature.ThermalVoltage())
		d := Diode{N: 1, IS: unit.Amp(1e-3 / math.Expm1(0.7/vt)), XTI: xti, EG: gapFor(0.7, -2e-3, tableTemperature), T0: tableTemperature}
		if rule := 0.7 - 2e-3*float64(c.t-298.15); math.Abs(rule-c.want) > 1e-3 {
			t.Errorf("rule at %v: %.4f V, want %.2f", c.t, rule, c.want)
		}
		if v := float64(d.Voltage(1e-3, c.t)); math.Abs(v-c.want) > 3e-3 {
			t.Errorf("law at %v: %.4f V, rule %.2f", c.t, v, c.want)
		}
	}
}

// checks.md B-11: leakage of 5 nA doubling every 10 K (Malvino & Bates, 7th ed. 2006, example 2-6): 640 nA
// after 70 K, 905.1 nA at 100 °C by 2^7.5.
func TestLeakageDoubles(t *testing.T) {
	q := refNPN
	q.ICBO, q.T0 = 5e-9, tableTemperature
	for _, c := range []struct{ t, want float64 }{{25, 5e-9}, {95, 640e-9}, {100, 905.1e-9}} {
		if got := q.At(unit.Celsius(c.t).Kelvin()).icbo; math.Abs(got-c.want) > 1e-9 {
			t.Errorf("at %g °C: %.5g A, want %.5g", c.t, got, c.want)
		}
	}
	// It flows from collector to base, and reaches the collector multiplied by the gain when the base is open.
	var at BJTPoint
	q.BF = 100
	p := q.At(298.15)
	p.Eval(-5, -15, &at)
	if off(at.IC, 5e-9) > 0.01 || off(at.IB, -5e-9) > 0.01 {
		t.Errorf("blocked: IC %v, IB %v", at.IC, at.IB)
	}
}

// checks.md B-13: gain by (T/T0)^1.5, 2.104 from −55 to +85 °C, 0.868 from 27 to 0 °C (Lessons in Electric
// Circuits, vol. III, 2017, ch. 4; ratios computed), ±0.5 %, at low, middle and high current alike.
func TestGainOverTemperature(t *testing.T) {
	q := refNPN
	q.IKF, q.ISE, q.NE = 0.05, 1e-12, 2
	for _, ic := range []unit.Amp{1e-5, 1e-3, 0.05} {
		h := func(c float64) float64 {
			h, _, ok := q.Active(ic, 5, unit.Celsius(c).Kelvin())
			if !ok {
				t.Fatalf("no gain at %v and %g °C", ic, c)
			}
			return h
		}
		if r := h(85) / h(-55); off(r, 2.104) > 5e-3 {
			t.Errorf("%v: ratio %.4f, want 2.104", ic, r)
		}
		if r := h(0) / h(27); off(r, 0.868) > 5e-3 {
			t.Errorf("%v: ratio %.4f, want 0.868", ic, r)
		}
	}
}

// The gain falls to half at IKF exactly: hFE = BF/(1 + IC/IKF) (notes.md §5). Collector at base potential, so
// that the Early factor is 1.
func TestHighInjection(t *testing.T) {
	q := BJT{IS: 1e-14, BF: 200, BR: 1e9, IKF: 0.05}
	p := q.At(300.15)
	var at BJTPoint
	for u := 0.5; u < 1.0; u += 0.01 {
		p.Eval(u, -1, &at)
		if want := 200 / (1 + at.IC/0.05); off(at.IC/at.IB, want) > 1e-8 { // IS beside F: 4e-9 at the lowest current
			t.Errorf("u1 = %.2f V, IC %.4g A: gain %.9g, want %.9g", u, at.IC, at.IC/at.IB, want)
		}
	}
}

// notes.md §5.4: BC847 class, 0.09 V at 10/0.5 mA and 0.20 V at 100/5 mA give BR 1.15 and R 1.21 Ω with BF
// 290 and 180 by the closed form VCE(sat) = Vt·ln((1 + (bf+1)/BR)/(1 − bf/BF)) + IC·R.
func TestSaturationClosedForm(t *testing.T) {
	for _, w := range []struct{ ic, ib, bf, want float64 }{{0.01, 0.0005, 290, 0.090}, {0.1, 0.005, 180, 0.200}} {
		q := BJT{IS: 1.395e-14, BF: w.bf, BR: 1.15, RC: 1.21, T0: tableTemperature}
		v, _, ok := q.Forced(unit.Amp(w.ic), unit.Amp(w.ib), tableTemperature)
		forced := w.ic / w.ib
		closed := 0.025692579*math.Log((1+(forced+1)/1.15)/(1-forced/w.bf)) + w.ic*1.21
		if !ok || math.Abs(float64(v)-closed) > 1e-6 || math.Abs(float64(v)-w.want) > 2e-3 {
			t.Errorf("at %g/%g A: %v, closed form %.6f, sheet %.3f", w.ic, w.ib, v, closed, w.want)
		}
	}
}

// derivative is Ridders' extrapolated central difference with its own error estimate.
func derivative(f func(x float64) float64, x, h float64) (d, err float64) {
	const n = 8
	var a [n][n]float64
	err = math.Inf(1)
	for i := range n {
		a[0][i] = (f(x+h) - f(x-h)) / (2 * h)
		fac := 2.0
		for j := 1; j <= i; j++ {
			a[j][i] = (a[j-1][i]*fac - a[j-1][i-1]) / (fac - 1)
			fac *= 2
			if e := max(math.Abs(a[j][i]-a[j-1][i]), math.Abs(a[j][i]-a[j-1][i-1])); e < err {
				err, d = e, a[j][i]
			}
		}
		h /= math.Sqrt2
	}
	return d, err
}

// Exact derivatives against finite differences, over the whole range: blocked, knee, conducting, far beyond
// (where the exponential is a straight line), −55 to +150 °C.
func TestDerivatives(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	check := func(what string, got float64, f func(x float64) float64, x, h, size float64) {
		t.Helper()
		// size is what the function's value is rounded against; the quotient divides that by h.
		const eps = 0x1p-52
		rounding := 64 * eps * size / h
		d, e := derivative(f, x, h)
		if !finite(got) || math.Abs(got-d) > 1e-6*math.Abs(d)+3*e+rounding {
			t.Errorf("%s at %.6g: %.10g, difference quotient %.10g ± %.1g", what, x, got, d, e)
		}
	}
	zener := Diode{IS: 1e-12, N: 1.5, BV: 5.1, NBV: 2, GP: 1e-9, XTI: 3, EG: 1.11}
	soft := zener
	soft.Soft, soft.NSoft, soft.MGP, soft.Double, soft.TBV = 0.99, 15, 2.7, 10, 5e-4
	full := refNPN
	full.IKF, full.ISE, full.NE, full.ICBO = 0.03, 1e-12, 1.7, 5e-8
	rooted := full
	rooted.NE = 2
	reg := Regulator{Vout: 5, Dropout: 1.7, Rdrop: 2, IQ: 4e-3, Ground: 0.08, Limit: 0.2}
	for range 4000 {
		temp := unit.Kelvin(218.15 + 205*r.Float64())
		for k, d := range []Diode{red, zener, soft} {
			j := d.At(temp)
			u := -8 + 12*r.Float64()
			if r.IntN(10) == 0 {
				u = 8 * r.Float64() / 0.03 * j.NVt // up to and beyond the limit of the exponential
			}
			if x := u / j.NVt; math.Abs(x-expLimit) < 0.5 || math.Abs(x-expFloor) < 0.5 {
				continue // the law has a corner of no consequence there
			}
			_, g, _ := j.Current(u)
			i, _, _ := j.Current(u)
			check([]string{"LED", "zener", "soft zener"}[k], g, func(x float64) float64 { i, _, _ := j.Current(x); return i }, u, min(0.2*j.NVt, 0.3*math.Abs(u)), math.Abs(i)+j.IS+breakdownCurrent) // a power of the voltage is not smooth at zero
		}
		for k, q := range []BJT{refNPN, full, rooted} {
			p := q.At(temp)
			u1, u2 := -5+6*r.Float64(), -20+21*r.Float64()
			if r.IntN(2) == 0 {
				u1, u2 = 0.3+0.6*r.Float64(), -1+1.9*r.Float64()
			}
			corner := false
			for _, x := range []float64{u1 * p.BE.inv, u2 * p.BC.inv, u1 * p.invNE} {
				corner = corner || math.Abs(x-expFloor) < 1
			}
			if corner {
				continue
			}
			var at BJTPoint
			p.Eval(u1, u2, &at)
			name := []string{"plain transistor ", "transistor with IKF, ISE, ICBO ", "transistor with NE = 2 NF "}[k]
			eval := func(x1, x2 float64) BJTPoint {
				var b BJTPoint
				p.Eval(x1, x2, &b)
				return b
			}
			h := 0.2 * p.BE.NVt
			scale := math.Abs(at.IC) + math.Abs(at.IB) + p.BE.IS + p.icbo
			check(name+"IC by u1", at.IC1, func(x float64) float64 { return eval(x, u2).IC }, u1, h, scale)
			check(name+"IC by u2", at.IC2, func(x float64) float64 { return eval(u1, x).IC }, u2, h, scale)
			check(name+"IB by u1", at.IB1, func(x float64) float64 { return eval(x, u2).IB }, u1, h, scale)
			check(name+"IB by u2", at.IB2, func(x float64) float64 { return eval(u1, x).IB }, u2, h, scale)
		}
		vin, vout, i := 12*r.Float64(), 7*r.Float64(), 0.25*r.Float64()
		if r.IntN(3) == 0 { // near the knees
			vout, i = 5+2e-3*r.NormFloat64(), 1e-5*r.Float64()
			vin = vout + 1.7 + 0.02*r.NormFloat64()
		}
		var at RegulatorPoint
		reg.Eval(vin, vout, i, &at)
		eval := func(a, b, c float64) RegulatorPoint {
			var p RegulatorPoint
			reg.Eval(a, b, c, &p)
			return p
		}
		size := sourceScale*i + 520 // V: the current limit is a line from 500 V down
		check("regulator by vin", at.Fin, func(x float64) float64 { return eval(x, vout, i).F }, vin, 1e-4, size)
		check("regulator by vout", at.Fout, func(x float64) float64 { return eval(vin, x, i).F }, vout, 1e-4, size)
		check("regulator by load", at.Fi, func(x float64) float64 { return eval(vin, vout, x).F }, i, 1e-7, size)
		check("regulator's own current", at.GQ, func(x float64) float64 { return eval(x, vout, i).IQ }, vin, 1e-3, 4e-3)
		check("regulator's own current by load", at.QI, func(x float64) float64 { return eval(vin, vout, x).IQ }, i, 1e-4, 0.03)
		for _, leak := range []unit.Amp{1e-6, -1e-6} {
			p := Pin{RHigh: 30, RLow: 25, Leak: leak}
			v, vcc := -1+7*r.Float64(), 5*r.Float64()
			_, gv, gvcc := p.Leakage(v, vcc)
			check("pin leakage by pin", gv, func(x float64) float64 { i, _, _ := p.Leakage(x, vcc); return i }, v, 1e-3, 1e-6)
			check("pin leakage by supply", gvcc, func(x float64) float64 { i, _, _ := p.Leakage(v, x); return i }, vcc, 1e-3, 1e-6)
		}
	}
}

// No voltage overflows, and the law is continuous where its exponential is cut and continued.
func TestNothingOverflows(t *testing.T) {
	var at BJTPoint
	for _, u := range []float64{-1e9, -1e3, -5, 0, 1, 5, 1e3, 1e9} {
		for _, temp := range []unit.Kelvin{200, 300, 450} {
			j := red.At(temp)
			i, g, b := j.Current(u)
			if !finite(i) || !finite(g) || !finite(b) || g < 0 {
				t.Errorf("LED at %g V and %v: i %g, g %g", u, temp, i, g)
			}
			for _, u2 := range []float64{-1e9, -20, 0, 0.8, 1e3} {
				p := refNPN.At(temp)
				p.Eval(u, u2, &at)
				if !finite(at.IC) || !finite(at.IB) || !finite(at.IC1) || !finite(at.IC2) {
					t.Errorf("transistor at %g, %g V: %+v", u, u2, at)
				}
			}
		}
	}
	j := red.At(300)
	for _, x := range []float64{expLimit, expFloor} {
		a, _, _ := j.Current(x*j.NVt - 1e-12)
		b, _, _ := j.Current(x*j.NVt + 1e-12)
		if math.Abs(a-b) > 1e-9*math.Abs(a) {
			t.Errorf("jump at argument %g: %g and %g", x, a, b)
		}
	}
}

// PNP mirrors NPN; passive parts take up power at every voltage.
func TestPassivity(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	q := refNPN
	q.ICBO, q.IKF, q.ISE = 5e-8, 0.03, 1e-12
	p := q.At(300)
	var at BJTPoint
	for range 2000 {
		u1, u2 := -5+6*r.Float64(), -20+21*r.Float64()
		p.Eval(u1, u2, &at)
		// Power into the intrinsic part: IC·vce + IB·vbe.
		if w := at.IC*(u1-u2) + at.IB*u1; w < -1e-12*(math.Abs(at.IC)+math.Abs(at.IB)) {
			t.Errorf("the transistor delivers %g W at %g, %g V", -w, u1, u2)
		}
		j := red.At(300)
		if i, _, _ := j.Current(u2); i*u2 < 0 {
			t.Errorf("the diode delivers power at %g V", u2)
		}
	}
}
