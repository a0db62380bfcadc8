package device

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"fettle/internal/parts"
	"fettle/internal/unit"
)

// An invented N-channel part.
var refNMOS = MOSFET{KP: 0.2, VTO: 1.5, N: 1.4, R0: 0.8, TCV: 2e-3, MU: 1.5, IDSS: 1e-8, T0: 300.15,
	Body: Diode{IS: 1e-12, N: 1.2, RS: 0.1, XTI: 3, EG: 1.11}}

// Strong inversion is the textbooks' square law: KP·((vgs−VT)·vds − vds²/2) in triode, KP/2·(vgs−VT)² in saturation
// (Shichman and Hodges 1968); far above the threshold the interpolation has left nothing over. Weak inversion falls
// by N·Vt·ln 10 per decade.
func TestSquareLaw(t *testing.T) {
	q := refNMOS
	q.IDSS, q.R0 = 0, 0
	c := q.At(300.15)
	var at MOSFETPoint
	for _, vgs := range []float64{5, 8, 10} {
		over := vgs - 1.5
		for _, vds := range []float64{0.01, 0.5, 2} {
			c.Eval(vgs, vgs-vds, &at)
			if want := 0.2 * (over*vds - vds*vds/2); off(at.ID, want) > 1e-9 {
				t.Errorf("vgs %g, vds %g: %.10g A, square law %.10g", vgs, vds, at.ID, want)
			}
		}
		c.Eval(vgs, vgs-15, &at)
		if want := 0.1 * over * over; off(at.ID, want) > 1e-9 {
			t.Errorf("vgs %g, saturated: %.10g A, square law %.10g", vgs, at.ID, want)
		}
		// Third quadrant: drain and source change places.
		c.Eval(vgs, vgs-1, &at)
		forward := at.ID
		c.Eval(vgs-1, vgs, &at)
		if at.ID != -forward {
			t.Errorf("vgs %g: forward %g A, reversed %g A", vgs, forward, at.ID)
		}
	}
	c.Eval(0.2, -5, &at)
	i := at.ID
	c.Eval(0.2-1.4*0.0258649257863*math.Ln10, -5, &at)
	if r := i / at.ID; math.Abs(r-10) > 1e-6 {
		t.Errorf("a decade of weak inversion is a factor of %.8f", r)
	}
	// And back: charge and gate invert each other over thirty decades.
	for u := -1.5; u < 12; u += 0.01 {
		h, _, _ := c.charge(u)
		if got := c.gate(h); math.Abs(got-u) > 1e-9 {
			t.Errorf("gate(charge(%g)) = %.12g", u, got)
		}
	}
}

// The middle of the interpolation, worked by hand: at vgs = VTO the current is IH·ln²2 = 2·0.2·(1.4·25.864926 mV)²·
// 0.48045 = 0.25199 mA (saturated), and its slope 2·√(IH·ID)·½/(2·N·Vt).
func TestAtThreshold(t *testing.T) {
	q := refNMOS
	q.IDSS = 0
	c := q.At(300.15)
	var at MOSFETPoint
	c.Eval(1.5, -10, &at)
	nVt := 1.4 * 0.02586492578632875
	want := 2 * 0.2 * nVt * nVt * math.Ln2 * math.Ln2
	if off(at.ID, want) > 1e-10 || math.Abs(at.ID-0.25199e-3) > 5e-9 {
		t.Errorf("%.8g A, want %.8g", at.ID, want)
	}
	if slope := 2 * 2 * 0.2 * nVt * nVt * math.Ln2 / 2 / (2 * nVt); off(at.ID1, slope) > 1e-10 {
		t.Errorf("%.8g S, want %.8g", at.ID1, slope)
	}
}

// Exact derivatives against finite differences from deep off to 20 V, either way round, −55 to +150 °C.
func TestMOSFETDerivatives(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 9))
	for range 6000 {
		q := refNMOS
		q.KP = math.Pow(10, -3+5*r.Float64())
		q.VTO, q.N = unit.Volt(0.4+3*r.Float64()), 1+r.Float64()
		c := q.At(unit.Kelvin(218.15 + 205*r.Float64()))
		u1, u2 := -3+15*r.Float64(), -20+32*r.Float64()
		switch r.IntN(3) {
		case 0: // about the threshold
			u1, u2 = c.VT+0.2*r.NormFloat64(), c.VT+0.2*r.NormFloat64()
		case 1: // switched on, hardly any voltage across
			u2 = u1 - 0.1*r.Float64()
		}
		var at, b MOSFETPoint
		c.Eval(u1, u2, &at)
		h1, _, _ := c.charge(u1)
		h2, _, _ := c.charge(u2)
		for k, x := range []float64{u1, u2} {
			h := 0.2 * c.NVt
			f := func(x float64) float64 {
				if k == 0 {
					c.Eval(x, u2, &b)
				} else {
					c.Eval(u1, x, &b)
				}
				return b.ID
			}
			got := []float64{at.ID1, at.ID2}[k]
			d, e := derivative(f, x, h)
			if math.Abs(got-d) > 1e-6*math.Abs(d)+3*e+64*0x1p-52*(h1+h2+c.leak)/h {
				t.Errorf("%+v at %.6g, %.6g V: derivative %d %.10g, difference quotient %.10g ± %.1g", q, u1, u2, k+1, got, d, e)
			}
		}
		if at.ID*(u1-u2) < 0 || !(at.ID1 > 0) || !(at.ID2 < 0) {
			t.Errorf("at %g, %g V: %+v delivers power or falls with its gate", u1, u2, at)
		}
	}
	c := refNMOS.At(300.15)
	var at MOSFETPoint
	for _, u1 := range []float64{-1e9, -1e3, 0, 1e3, 1e9} {
		for _, u2 := range []float64{-1e9, 0, 1e9} {
			c.Eval(u1, u2, &at)
			if !finite(at.ID) || !finite(at.ID1) || !finite(at.ID2) {
				t.Errorf("at %g, %g V: %+v", u1, u2, at)
			}
		}
	}
	// Continuous where the law changes its form.
	for _, y := range []float64{expFloor, -expFloor} {
		u := c.VT + y/c.half
		a, ga, _ := c.charge(u - 1e-12)
		b, gb, _ := c.charge(u + 1e-12)
		if off(a, b) > 1e-9 || off(ga, gb) > 1e-9 {
			t.Errorf("jump at argument %g: %g and %g", y, a, b)
		}
	}
}

// Temperature: the threshold falls by TCV, weak inversion rises with heat, R0 and 1/KP rise by the power.
func TestMOSFETOverTemperature(t *testing.T) {
	q := refNMOS
	q.IDSS, q.Double = 1e-9, 10
	if v, w := q.At(300.15).VT, q.At(350.15).VT; math.Abs(v-w-0.1) > 1e-12 {
		t.Errorf("threshold %g V, 50 K warmer %g V", v, w)
	}
	if a, b := q.At(300.15).leak, q.At(320.15).leak; off(b/a, 4) > 1e-12 {
		t.Errorf("leakage rises by %g over 20 K, want 4", b/a)
	}
	cold, _ := q.On(10, 0.01, 300.15)
	warm, _ := q.On(10, 0.01, 398.15)
	if f := float64(warm / cold); f < 1.45 || f > math.Pow(398.15/300.15, 1.5) {
		t.Errorf("RDS(on) rises by %.3f to 125 °C", f)
	}
	// RDS(on) in the limit of small current meets that of a small current, and a channel that is off has none.
	a, _ := q.On(4, 0, 300.15)
	b, _ := q.On(4, 1e-7, 300.15)
	if off(float64(a), float64(b)) > 1e-6 {
		t.Errorf("RDS(on) %v and %v", a, b)
	}
	if _, ok := q.On(1, 0.1, 300.15); ok {
		t.Error("100 mA through a channel 0.5 V below its threshold")
	}
}

// Every MOSFET of the catalogue (sources in each row): the corners stand at the sheet's limits, its points lie
// between them.
func TestCatalogueMOSFETsInsideTheirSpread(t *testing.T) {
	points, bodies, leaks, thresholds := 0, 0, 0, 0
	for _, p := range parts.Load().MOSFETs() {
		s, err := SpreadMOSFET(p)
		if err != nil {
			t.Errorf("%s: %v", p.Name, err)
			continue
		}
		for _, z := range [][]float64{nil, {-1, -1, -1}, {1, 1, 1}, {-1, 1, 0}, {1, -1, 0}} {
			if wrong := s.At(z).Check(); wrong != "" {
				t.Errorf("%s at %v: %s", p.Name, z, wrong)
			}
		}
		for k, limit := range []unit.Volt{p.VGSthMin, p.VGSthTyp, p.VGSthMax} {
			if !known(float64(limit)) {
				continue
			}
			thresholds++
			for _, on := range []float64{-1, 0, 1} {
				if v := s.At([]float64{float64(k - 1), on}).Threshold(unit.Or(p.VGSthID, usualTestID), tableTemperature); off(float64(v), float64(limit)) > 1e-6 {
					t.Errorf("%s: VGS(th) at z = %d is %v, table %v", p.Name, k-1, v, limit)
				}
			}
		}
		nearest := math.Inf(1)
		for _, o := range p.RDSon {
			id := unit.Or(o.ID, 0)
			worst, ok1 := s.At([]float64{1, 1}).On(o.VGS, id, tableTemperature)
			typ, ok2 := s.At(nil).On(o.VGS, id, tableTemperature)
			best, ok3 := s.At([]float64{-1, -1}).On(o.VGS, id, tableTemperature)
			t.Logf("%s RDS(on) at %v: %.4g %.4g %.4g; table typical %.4g, greatest %.4g", p.Name, o.VGS, float64(best), float64(typ), float64(worst), float64(o.Typ), float64(o.Max))
			if !ok1 || !ok2 || !ok3 || !(best < typ && typ < worst) {
				t.Errorf("%s: RDS(on) at %v: %v, %v, %v", p.Name, o.VGS, best, typ, worst)
			}
			if known(float64(o.Max)) {
				points++
				nearest = min(nearest, float64(worst/o.Max)-1)
				if worst < o.Max || worst > o.Max*1.12 || typ > o.Max {
					t.Errorf("%s at %v: greatest RDS(on) %v, typical %v, table's greatest %v", p.Name, o.VGS, worst, typ, o.Max)
				}
				if r, at, ok := s.GuaranteedAt(o.VGS + 0.01); !ok || r != o.Max || at.VGS != o.VGS {
					t.Errorf("%s: guaranteed just above %v: %v at %v, %v", p.Name, o.VGS, r, at.VGS, ok)
				}
				if r, ok := s.Bounded(o.VGS, id, tableTemperature); !ok || off(float64(r), float64(o.Max)) > 1e-9 && known(float64(o.ID)) {
					t.Errorf("%s: bounded at %v: %v, table %v", p.Name, o.VGS, r, o.Max)
				}
			}
			if known(float64(o.Typ)) {
				points++
				if worst < o.Typ || best > o.Typ || off(float64(typ), float64(o.Typ)) > 0.15 {
					t.Errorf("%s at %v: typical RDS(on) %v between %v and %v, table %v", p.Name, o.VGS, typ, best, worst, o.Typ)
				}
			}
		}
		if nearest > 1e-5 {
			t.Errorf("%s: the worst part meets none of its points: %.2g beyond the nearest", p.Name, nearest)
		}
		if _, _, ok := s.GuaranteedAt(s.points[0].VGS - 1e-6); ok {
			t.Errorf("%s: something is guaranteed below the lowest listed VGS, %v", p.Name, s.points[0].VGS)
		}
		if _, ok := s.Bounded(s.points[0].VGS-1e-6, 1e-3, tableTemperature); ok {
			t.Errorf("%s: bounded below the lowest listed VGS, %v", p.Name, s.points[0].VGS)
		}
		if f := p.RDSonHot; known(f) {
			top := p.RDSon[len(p.RDSon)-1]
			cold, _ := s.At(nil).On(top.VGS, top.ID, tableTemperature)
			hot, _ := s.At(nil).On(top.VGS, top.ID, 398.15)
			if off(float64(hot/cold), f) > 1e-3 {
				t.Errorf("%s: RDS(on) at 125 °C is %.3f times that at 25 °C, table %.3f", p.Name, float64(hot/cold), f)
			}
		}
		for _, l := range p.Leak {
			if !known(float64(l.Max)) {
				continue
			}
			leaks++
			var at MOSFETPoint
			c := s.At([]float64{0, 0, 1}).At(l.T.Kelvin())
			c.Eval(0, -float64(l.V), &at)
			least := s.At([]float64{0, 0, -1}).At(l.T.Kelvin())
			h, _, _ := c.charge(0)
			if at.ID < float64(l.Max)*(1-1e-3) || least.leak > float64(l.Max) {
				t.Errorf("%s: IDSS at %v and %v at most %.3g A, table %.3g", p.Name, l.V, l.T, at.ID, float64(l.Max))
			}
			if h > 0.1*float64(l.Max) {
				t.Errorf("%s: weak inversion carries %.3g A with its gate at zero and %v, against an IDSS of %.3g A", p.Name, h, l.T, float64(l.Max))
			}
		}
		for _, v := range p.VSD {
			bodies++
			if d := s.At(nil).Body.Voltage(v.I, tableTemperature); d > v.V || d < 0.4 {
				t.Errorf("%s: body diode %v at %v, table's greatest %v", p.Name, d, v.I, v.V)
			}
		}
		if len(s.Notes()) == 0 {
			t.Errorf("%s: no assumption is named", p.Name)
		}
	}
	if n := len(parts.Load().MOSFETs()); n < 16 || points < 50 {
		t.Errorf("%d types, %d points", n, points)
	}
	t.Logf("%d types: %d points of RDS(on), %d of VGS(th), %d of IDSS, %d of VSD; none left out", len(parts.Load().MOSFETs()), points, thresholds, leaks, bodies)
}

// What a 3.3 V pin means to each kind of part, in the words of the table (rows as in the catalogue).
func TestGuaranteedPoints(t *testing.T) {
	for _, w := range []struct {
		name string
		vgs  unit.Volt
		rds  unit.Ohm
		at   unit.Volt
	}{
		{"AO3400A", 3.3, 0.048, 2.5}, {"AO3400A", 4.4, 0.048, 2.5}, {"AO3400A", 4.5, 0.032, 4.5}, {"AO3400A", 2.49, 0, 0},
		{"2N7002", 4.99, 0, 0}, {"2N7002", 5, 7.5, 5}, {"BSS138", 3.3, 0, 0}, {"DMG3414U", 1.8, 0.037, 1.8},
	} {
		p, ok := parts.Load().MOSFET(w.name)
		if !ok {
			t.Fatalf("no %s in the catalogue", w.name)
		}
		s, err := SpreadMOSFET(p)
		if err != nil {
			t.Fatal(err)
		}
		rds, at, ok := s.GuaranteedAt(w.vgs)
		if ok != (w.rds > 0) || rds != w.rds || ok && at.VGS != w.at {
			t.Errorf("%s at %v: %v at %v, %v", w.name, w.vgs, rds, at.VGS, ok)
		}
	}
	// Between two points physics allows less than the lower one's guarantee, never more; less current never more.
	p, _ := parts.Load().MOSFET("AO3400A")
	s, _ := SpreadMOSFET(p)
	last := unit.Ohm(math.Inf(1))
	for v := unit.Volt(2.5); v <= 12; v += 0.1 {
		r, ok := s.Bounded(v, 0.02, tableTemperature)
		limit, _, _ := s.GuaranteedAt(v)
		if !ok || r > limit || r > last*(1+1e-9) {
			t.Errorf("at %v: %v, guaranteed %v, before %v", v, r, limit, last)
		}
		if hot, ok := s.Bounded(v, 0.02, 398.15); !ok || hot < r*1.2 {
			t.Errorf("at %v: %v, at 125 °C %v", v, r, hot)
		}
		last = r
	}
	for k, w := range []string{"VGS(th) 1.45 V at 250 µA", "RDS(on) 48.0 mΩ at VGS 2.5 V", "IDSS 1.0 µA at 25 °C"} {
		if got := strings.ReplaceAll(s.Vars()[k].Say(1), unit.ThinSpace, " "); got != w {
			t.Errorf("%q, want %q", got, w)
		}
	}
}

func BenchmarkSpreadMOSFET(b *testing.B) {
	p, _ := parts.Load().MOSFET("AO3400A")
	for b.Loop() {
		if _, err := SpreadMOSFET(p); err != nil {
			b.Fatal(err)
		}
	}
}
