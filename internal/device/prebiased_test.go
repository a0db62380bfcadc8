package device

import (
	"math"
	"strings"
	"testing"

	"fettle/internal/parts"
	"fettle/internal/unit"
)

// Every pre-biased transistor of the catalogue (sources in each row): gain, saturation, VI(on) and VI(off) lie between
// the worst and the best part of the spread, the resistors stand at the sheet's limits.
func TestCataloguePrebiasedInsideTheirSpread(t *testing.T) {
	n, gains, sats, ons, offs := 0, 0, 0, 0, 0
	for _, p := range parts.Load().BJTs() {
		s, err := SpreadPrebiased(p)
		if !p.Prebiased() {
			if err == nil {
				t.Errorf("%s: not pre-biased, and accepted", p.Name)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", p.Name, err)
			continue
		}
		if _, err := SpreadBJT(p); err == nil {
			t.Errorf("%s: accepted as an ordinary transistor", p.Name)
		}
		n++
		vars := len(s.Vars())
		whole := func(z ...float64) Prebiased { // R1, R2/R1, hFE, VBE, VCE(sat), ICBO
			if vars == 5 {
				z = append(z[:1:1], z[2:]...)
			}
			return s.At(z)
		}
		if p.PNP() != whole(0, 0, 0, 0, 0, 0).BJT.PNP {
			t.Errorf("%s: polarity lost", p.Name)
		}
		for k, z := range []float64{-1, 0, 1} {
			q := whole(z, z, z, z, z, z)
			if wrong := q.BJT.Check(); wrong != "" {
				t.Errorf("%s: %s", p.Name, wrong)
			}
			if want := []unit.Ohm{p.R1Min, p.R1, p.R1Max}[k]; known(float64(want)) && off(float64(q.R1), float64(want)) > 1e-12 {
				t.Errorf("%s: R1 at %g is %v, sheet %v", p.Name, z, q.R1, want)
			}
			want := []float64{p.R2R1Min, float64(p.R2 / p.R1), p.R2R1Max}[k]
			if vars == 6 && known(want) && off(float64(q.R2/q.R1), want) > 1e-12 || vars == 5 && q.R2 != 0 {
				t.Errorf("%s: R2/R1 at %g is %.4g, sheet %.4g", p.Name, z, float64(q.R2/q.R1), want)
			}
		}
		for _, g := range p.Gain {
			gains++
			lo, ok1 := whole(-1, -1, -1, 1, 1, 0).Gain(g.IC, g.VCE, tableTemperature)
			typ, ok2 := whole(0, 0, 0, 0, 0, 0).Gain(g.IC, g.VCE, tableTemperature)
			hi, ok3 := whole(1, 1, 1, -1, -1, 0).Gain(g.IC, g.VCE, tableTemperature)
			t.Logf("%s gain at %v: %.3g %.3g %.3g, table %v %v", p.Name, g.IC, lo, typ, hi, g.Min, g.Typ)
			if !ok1 || !ok2 || !ok3 || lo > g.Min*1.001 || lo < 0.8*g.Min || typ < g.Min || hi < typ {
				t.Errorf("%s: gain at %v: %.4g, %.4g, %.4g; table at least %.4g", p.Name, g.IC, lo, typ, hi, g.Min)
			}
			if known(g.Typ) && (hi < g.Typ || off(typ, g.Typ) > 0.1) {
				t.Errorf("%s: gain at %v typically %.4g, table %.4g", p.Name, g.IC, typ, g.Typ)
			}
		}
		for _, v := range p.VCEsat {
			sats++
			worst, ok1 := whole(-1, -1, -1, 1, 1, 0).Forced(v.IC, v.IB, tableTemperature)
			typ, ok2 := whole(0, 0, 0, 0, 0, 0).Forced(v.IC, v.IB, tableTemperature)
			t.Logf("%s VO(on) at %v/%v: %v %v, table %v %v", p.Name, v.IC, v.IB, typ, worst, v.Typ, v.Max)
			if !ok1 || !ok2 || worst < v.Max*0.9999 || worst > v.Max*1.6 || typ > v.Max {
				t.Errorf("%s: VO(on) at %v/%v typically %v, at most %v; table's greatest %v", p.Name, v.IC, v.IB, typ, worst, v.Max)
			}
		}
		if on, ok := s.GuaranteedOn(); ok {
			ons++
			worst, sat := whole(1, -1, -1, 1, 1, 0).Output(on.VI, on.IO, tableTemperature)
			typ, ok := whole(0, 0, 0, 0, 0, 0).Output(on.VI, on.IO, tableTemperature)
			t.Logf("%s with %v at its input and %v: typically %v, worst %v (%v), table %v", p.Name, on.VI, on.IO, typ, worst, sat, on.VO)
			if !ok || typ > on.VO || sat && worst < on.VO {
				t.Errorf("%s with %v at its input and %v: typically %v, at most %v (%v), table %v", p.Name, on.VI, on.IO, typ, worst, sat, on.VO)
			}
		}
		if at, ok := s.GuaranteedOff(); ok {
			offs++
			// The base stands at no more than the divider's share; the collector current there is nothing.
			q := whole(-1, 1, 1, -1, 0, 1)
			vb := float64(at.VI) * float64(q.R2/(q.R1+q.R2))
			var b BJTPoint
			tr := q.BJT.At(tableTemperature)
			tr.Eval(vb, vb-float64(at.VO), &b)
			if b.IC > float64(at.IO) {
				t.Errorf("%s with %v at its input: %.3g A, table at most %v", p.Name, at.VI, b.IC, at.IO)
			}
		}
		if len(s.Notes()) == 0 {
			t.Errorf("%s: no assumption is named", p.Name)
		}
	}
	if n < 15 || gains < 15 || sats < 15 || ons < 3 || offs < 3 {
		t.Errorf("%d types, %d gains, %d saturation points, %d VI(on), %d VI(off)", n, gains, sats, ons, offs)
	}
	t.Logf("%d types: %d points of gain, %d of saturation, %d VI(on), %d VI(off); none left out", n, gains, sats, ons, offs)
}

// DTC114E as the sheet guarantees it (ROHM DTC114E): VI(on) 3 V for 0.3 V at 10 mA, VI(off) 0.5 V for 100 µA.
func TestPrebiasedGuarantees(t *testing.T) {
	p, ok := parts.Load().BJT("DTC114E")
	if !ok {
		t.Fatal("no DTC114E in the catalogue")
	}
	s, err := SpreadPrebiased(p)
	if err != nil {
		t.Fatal(err)
	}
	if on, ok := s.GuaranteedOn(); !ok || on.VI != 3 || math.Abs(float64(on.VO)-0.3) > 1e-12 || math.Abs(float64(on.IO)-0.01) > 1e-12 {
		t.Errorf("VI(on) %+v", on)
	}
	if at, ok := s.GuaranteedOff(); !ok || at.VI != 0.5 || at.VO != 5 || math.Abs(float64(at.IO)-1e-4) > 1e-12 {
		t.Errorf("VI(off) %+v", at)
	}
	q, _ := parts.Load().BJT("MMUN2211")
	u, err := SpreadPrebiased(q)
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := u.GuaranteedOn(); ok {
		t.Error("MMUN2211 guarantees a VI(on) that its row does not have")
	}
	for k, want := range []string{"R1 13.0 kΩ", "R2/R1 1.2", "gain", "VBE", "VO(on)", "ICBO"} {
		if got := strings.ReplaceAll(s.Vars()[k].Say(1), unit.ThinSpace, " "); !strings.HasPrefix(got, want) {
			t.Errorf("%q, want %q …", got, want)
		}
	}
	// By hand: nominal resistors and 5 V at the input give (5 − 0.7)/10 kΩ = 430 µA, less 70 µA in R2: 360 µA.
	typ := s.At(nil)
	vo, ok1 := typ.Output(5, 0.005, tableTemperature)
	forced, ok2 := typ.Forced(0.005, (5-0.7)/10e3, tableTemperature)
	if !ok1 || !ok2 || math.Abs(float64(vo-forced)) > 2e-3 || vo > 0.1 {
		t.Errorf("VO at 5 V in and 5 mA: %v, with 430 µA %v", vo, forced)
	}
	if _, ok := typ.Output(0.5, 0.005, tableTemperature); ok {
		t.Error("half a volt at the input holds 5 mA")
	}
}
