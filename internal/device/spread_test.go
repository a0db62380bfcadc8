package device

import (
	"testing"
	"time"

	"fettle/internal/parts"
	"fettle/internal/unit"
)

// Every ordinary transistor of the catalogue: its gain, saturation and VBE points lie inside the fitted
// spread (catalogue tables, makers' sheets named in each row).
func TestCatalogueTransistorsInsideTheirSpread(t *testing.T) {
	n := 0
	var slowest time.Duration
	for _, p := range parts.Load().BJTs() {
		if p.Prebiased() {
			continue
		}
		n++
		start := time.Now()
		s, err := SpreadBJT(p)
		if err != nil {
			t.Errorf("%s: %v", p.Name, err)
			continue
		}
		slowest = max(slowest, time.Since(start))
		for _, z := range [][]float64{nil, {-1, -1, -1, -1}, {1, 1, 1, 1}} {
			if wrong := s.At(z).Check(); wrong != "" {
				t.Errorf("%s at %v: %s", p.Name, z, wrong)
			}
		}
		for _, g := range p.Gain {
			lo, _, ok1 := s.At([]float64{-1}).Active(g.IC, g.VCE, tableTemperature)
			typ, _, ok2 := s.At(nil).Active(g.IC, g.VCE, tableTemperature)
			hi, _, ok3 := s.At([]float64{1}).Active(g.IC, g.VCE, tableTemperature)
			if !ok1 || !ok2 || !ok3 || !(lo < typ && typ < hi) {
				t.Errorf("%s: hFE at %v and %v: %.4g, %.4g, %.4g", p.Name, g.IC, g.VCE, lo, typ, hi)
			}
			if known(g.Min) {
				t.Logf("%s hFE at %v, %v: least %.4g, table %.4g", p.Name, g.IC, g.VCE, lo, g.Min)
			}
			if known(g.Min) && lo > g.Min*1.001 {
				t.Errorf("%s: least hFE at %v and %v is %.4g, above the guaranteed %.4g", p.Name, g.IC, g.VCE, lo, g.Min)
			}
			// At lamp currents the curve stays close; towards the greatest current tables fall faster than the
			// law does, and the curve pays for that on the way.
			close := 0.6
			if float64(g.IC) < 1e-3 || float64(g.IC) > 0.05 {
				close = 0.35
			}
			if known(g.Min) && lo < g.Min*close {
				t.Errorf("%s: least hFE at %v and %v is %.4g, far below the guaranteed %.4g", p.Name, g.IC, g.VCE, lo, g.Min)
			}
			if known(g.Max) && hi < g.Max {
				t.Errorf("%s: greatest hFE at %v is %.4g, below the table's %.4g", p.Name, g.IC, hi, g.Max)
			}
		}
		for _, sat := range p.VCEsat {
			v, _, ok := s.At([]float64{-1, 0, 1}).Forced(sat.IC, sat.IB, tableTemperature)
			typ, _, _ := s.At(nil).Forced(sat.IC, sat.IB, tableTemperature)
			t.Logf("%s VCE(sat) at %v/%v: typical %v (table %v), greatest %v (table %v)", p.Name, sat.IC, sat.IB, typ, sat.Typ, v, sat.Max)
			if !ok {
				t.Errorf("%s: the worst part does not saturate at %v with %v", p.Name, sat.IC, sat.IB)
			}
			if known(float64(sat.Max)) && (v < sat.Max*0.9999 || v > 2*sat.Max) {
				t.Errorf("%s: greatest VCE(sat) at %v/%v is %v, the table says %v", p.Name, sat.IC, sat.IB, v, sat.Max)
			}
		}
		for _, b := range p.VBEsat {
			_, lo, _ := s.At([]float64{0, -1}).Forced(b.IC, b.IB, tableTemperature)
			_, typ, _ := s.At(nil).Forced(b.IC, b.IB, tableTemperature)
			_, hi, _ := s.At([]float64{0, 1}).Forced(b.IC, b.IB, tableTemperature)
			t.Logf("%s VBE(sat) at %v/%v: %v %v %v (table %v %v %v)", p.Name, b.IC, b.IB, lo, typ, hi, b.Min, b.Typ, b.Max)
			if known(float64(b.Min)) && lo > b.Min || known(float64(b.Max)) && hi < b.Max {
				t.Errorf("%s: VBE(sat) at %v/%v spans %v to %v, the table %v to %v", p.Name, b.IC, b.IB, lo, hi, b.Min, b.Max)
			}
		}
		for _, b := range p.VBEon {
			_, lo, ok1 := s.At([]float64{0, -1}).Active(b.IC, unit.Or(b.VCE, 5), tableTemperature)
			_, typ, _ := s.At(nil).Active(b.IC, unit.Or(b.VCE, 5), tableTemperature)
			_, hi, ok2 := s.At([]float64{0, 1}).Active(b.IC, unit.Or(b.VCE, 5), tableTemperature)
			t.Logf("%s VBE(on) at %v: %v %v %v (table %v %v %v)", p.Name, b.IC, lo, typ, hi, b.Min, b.Typ, b.Max)
			if !ok1 || !ok2 || known(float64(b.Min)) && lo > b.Min || known(float64(b.Max)) && hi < b.Max {
				t.Errorf("%s: VBE(on) at %v spans %v to %v, the table %v to %v", p.Name, b.IC, lo, hi, b.Min, b.Max)
			}
		}
	}
	if n < 60 {
		t.Errorf("only %d ordinary transistors in the catalogue", n)
	}
	t.Logf("%d transistors, slowest fit %v", n, slowest)
}
