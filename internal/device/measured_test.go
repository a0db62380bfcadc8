package device

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"fettle/internal/parts"
	"fettle/internal/unit"
)

// The diode test with the collector open, in closed form where neither gain roll-off nor resistance matter: with IC = 0
// the base current is F·(1/BF + 1/(1+BR)), so that VBE = Vt·ln(I/(IS·(1/BF + 1/(1+BR)))) and VBE − VBC = Vt·ln((1+BR)/BR)
// (transport law, own derivation).
func TestOpenCollector(t *testing.T) {
	for _, q := range []BJT{{IS: 1.4e-14, BF: 200, BR: 4, T0: tableTemperature}, {IS: 1e-14, BF: 100, BR: 0.5, T0: tableTemperature, PNP: true}} {
		vbc, vbe, ok := q.OpenCollector(1e-3, tableTemperature)
		vt := float64(tableTemperature.ThermalVoltage())
		// Exactly: F − R = R/BR, so R = F·BR/(1+BR), and IB = F/BF + R/BR.
		want := vt * math.Log(1e-3/(float64(q.IS)*(1/q.BF+1/(1+q.BR))))
		if !ok || math.Abs(float64(vbe)-want) > 1e-6 || math.Abs(float64(vbe-vbc)-vt*math.Log((1+q.BR)/q.BR)) > 1e-6 {
			t.Errorf("VBE %.6f (want %.6f), VBC %.6f", float64(vbe), want, float64(vbc))
		}
	}
	// Textbook reading of a PNP: base-emitter 0.655 V, base-collector 0.621 V (Lessons in Electric Circuits, vol. III,
	// ch. 4, "Meter check of a transistor"; from memory): 34 mV apart is a reverse gain of 0.36.
	vt := float64(unit.Kelvin(tableTemperature).ThermalVoltage())
	q := BJT{IS: 1.4e-14, BF: 100, BR: 1 / (math.Exp(0.034/vt) - 1), T0: tableTemperature, PNP: true}
	if vbc, vbe, ok := q.OpenCollector(1e-3, tableTemperature); !ok || math.Abs(float64(vbe-vbc)-0.034) > 1e-4 || vbe < 0.64 || vbe > 0.67 {
		t.Errorf("VBE %v, VBC %v, BR %.2f", vbe, vbc, q.BR)
	}
}

// A part drawn from the sheet's spread and measured with a meter's error lies inside the spread that was shrunk to the
// readings, and that spread lies inside the sheet's.
func TestMeasuredBJTHoldsThePlantedPart(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	n := 0
	var ratio, width float64
	for k, p := range parts.Load().BJTs() {
		if p.Prebiased() || k%3 != 0 {
			continue
		}
		sheet, err := SpreadBJT(p)
		if err != nil {
			t.Fatal(err)
		}
		for range 3 {
			true := sheet.At([]float64{2*r.Float64() - 1, 2*r.Float64() - 1, 2*r.Float64() - 1, 0})
			h, _, ok := true.Active(2e-3, 5, tableTemperature)
			i := parts.TesterCurrent * unit.Amp(math.Pow(testerSpread, 2*r.Float64()-1))
			_, be, ok2 := true.OpenCollector(i, tableTemperature)
			if !ok || !ok2 {
				t.Fatalf("%s: no operating point", p.Name)
			}
			read := math.Round(1e3*float64(be)*(1+0.01*(2*r.Float64()-1))) / 1e3
			m := parts.Measured{HFE: h * (1 + gainError*(2*r.Float64()-1)), HFEat: 2e-3, HFEvce: 5,
				BE: []parts.Taken{{I: unit.Absent[unit.Amp](), V: unit.Volt(read)}}}
			s, err := MeasuredBJT(p, m)
			if err != nil || len(s.Against) > 0 {
				t.Fatalf("%s: %v %v", p.Name, err, s.Against)
			}
			n++
			for _, ic := range []unit.Amp{1e-4, 2e-3, 1e-2} {
				hTrue, vTrue, ok := true.Active(ic, 5, tableTemperature)
				lo, _, ok1 := s.At([]float64{-1}).Active(ic, 5, tableTemperature)
				hi, _, ok2 := s.At([]float64{1}).Active(ic, 5, tableTemperature)
				sLo, _, _ := sheet.At([]float64{-1}).Active(ic, 5, tableTemperature)
				sHi, _, _ := sheet.At([]float64{1}).Active(ic, 5, tableTemperature)
				if !ok || !ok1 || !ok2 {
					continue
				}
				if hTrue < lo*0.995 || hTrue > hi*1.005 {
					t.Errorf("%s: true hFE %.4g at %v outside %.4g to %.4g", p.Name, hTrue, ic, lo, hi)
				}
				if lo < sLo*0.99 || hi > sHi*1.01 {
					t.Errorf("%s: hFE %.4g to %.4g at %v is wider than the sheet's %.4g to %.4g", p.Name, lo, hi, ic, sLo, sHi)
				}
				if ic == 2e-3 {
					ratio += math.Log(hi/lo) / math.Log(sHi/sLo)
				}
				_, vLo, _ := s.At([]float64{0, -1}).Active(ic, 5, tableTemperature)
				_, vHi, _ := s.At([]float64{0, 1}).Active(ic, 5, tableTemperature)
				if vTrue < vLo-2e-3 || vTrue > vHi+2e-3 {
					t.Errorf("%s: true VBE %v at %v outside %v to %v", p.Name, vTrue, ic, vLo, vHi)
				}
				if ic == 2e-3 {
					_, a, _ := sheet.At([]float64{0, -1}).Active(ic, 5, tableTemperature)
					_, b, _ := sheet.At([]float64{0, 1}).Active(ic, 5, tableTemperature)
					width += float64(vHi-vLo) / float64(b-a)
				}
			}
		}
	}
	t.Logf("%d parts: the measured spread of hFE is on average %.0f %% of the sheet's (by ratio), that of VBE %.0f %%", n, 100*ratio/float64(n), 100*width/float64(n))
	if n < 60 || ratio/float64(n) > 0.25 {
		t.Errorf("%d parts, ratio %.2f", n, ratio/float64(n))
	}
}

func TestMeasuredSaysSo(t *testing.T) {
	p, _ := parts.Load().BJT("MMBT3904")
	none, err := MeasuredBJT(p, parts.Measured{})
	sheet, _ := SpreadBJT(p)
	if err != nil || none.At([]float64{-1, 0.3, 0.2, 0.1}) != sheet.At([]float64{-1, 0.3, 0.2, 0.1}) || len(none.Notes()) != len(sheet.Notes()) {
		t.Error("nothing measured is not the sheet's spread")
	}
	s, err := MeasuredBJT(p, parts.Measured{HFE: 182, HFEat: 2e-3, HFEvce: 5})
	if err != nil || len(s.Against) > 0 || !strings.Contains(strings.Join(s.Notes(), "\n"), "measured by you: hFE 182 at 2 mA") {
		t.Fatalf("%v %v %q", err, s.Against, s.Notes())
	}
	if say := strings.ReplaceAll(s.Vars()[0].Say(-1), unit.ThinSpace, " "); say != "hFE 173 at 2 mA, measured by you" {
		t.Errorf("says %q", say)
	}
	if say := s.Vars()[1].Say(0); strings.Contains(say, "measured") {
		t.Errorf("says %q", say)
	}
	// 2N3904 the wrong way round: a gain of 4 (notes.md §3.3: 1 to 10). The reading is believed.
	s, err = MeasuredBJT(p, parts.Measured{HFE: 4, HFEat: 2e-3, HFEvce: 5})
	if err != nil || len(s.Against) != 1 || !strings.Contains(s.Against[0], "collector and emitter swapped, or a fake") || s.Notes()[0] != s.Against[0] {
		t.Fatalf("%v %q", err, s.Against)
	}
	if h, _, ok := s.At([]float64{1}).Active(2e-3, 5, tableTemperature); !ok || math.Abs(h-4.2) > 0.05 {
		t.Errorf("believed hFE at most %.3g", h)
	}
	s, _ = MeasuredBJT(p, parts.Measured{HFE: 900, HFEat: 1e-2, HFEvce: 1})
	if len(s.Against) != 1 || !strings.Contains(s.Against[0], "at most 300") {
		t.Errorf("%q", s.Against)
	}
	s, _ = MeasuredBJT(p, parts.Measured{BE: []parts.Taken{{I: 1e-3, V: 0.45}}})
	if len(s.Against) != 1 || !strings.Contains(s.Against[0], "below the least of the sheet") {
		t.Errorf("%q", s.Against)
	}
	// A gain socket: no current, so a wider box.
	s, err = MeasuredBJT(p, parts.Measured{HFE: 182, HFEat: unit.Absent[unit.Amp]()})
	if err != nil || len(s.Against) > 0 {
		t.Fatal(err, s.Against)
	}
	lo, _, _ := s.At([]float64{-1}).Active(1.8e-3, 3, tableTemperature)
	hi, _, _ := s.At([]float64{1}).Active(1.8e-3, 3, tableTemperature)
	if lo > 182*0.9 || hi < 182*1.1 || lo < 70 || hi > 310 {
		t.Errorf("socket: %.4g to %.4g", lo, hi)
	}
}

// Two readings of an LED fix its curve: between them it holds a planted diode of another emission coefficient to the
// meter's error and a few millivolts.
func TestMeasuredLED(t *testing.T) {
	p, _ := parts.Load().LED("red")
	planted := Diode{IS: 3e-17, N: 2.1, RS: 6, T0: tableTemperature}
	v := func(i unit.Amp) unit.Volt { return planted.Voltage(i, tableTemperature) }
	s, err := MeasuredLED(p, parts.Measured{VF: []parts.Taken{{I: 1e-3, V: v(1e-3)}, {I: 1e-2, V: v(1e-2)}}})
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Vars()) != 2 || !strings.Contains(s.Vars()[1].Say(0), "measured by you") {
		t.Errorf("%d variables", len(s.Vars()))
	}
	for _, i := range []unit.Amp{5e-4, 1e-3, 3e-3, 1e-2, 2e-2} {
		lo, hi := s.At([]float64{-1, -1}).Voltage(i, tableTemperature), s.At([]float64{1, 1}).Voltage(i, tableTemperature)
		if v(i) < lo-0.02 || v(i) > hi+0.02 || hi-lo > 0.08 {
			t.Errorf("at %v: %v to %v, planted %v", i, lo, hi, v(i))
		}
	}
	for _, i := range []unit.Amp{1e-3, 1e-2} {
		if d := s.At(nil).Voltage(i, tableTemperature) - v(i); math.Abs(float64(d)) > 1e-3 {
			t.Errorf("at %v the curve misses the reading by %v", i, d)
		}
	}
	// Temperature: the slope of the sheet stays.
	d := s.At(nil)
	if got := float64(d.Voltage(p.IFtest, 308.15)-d.Voltage(p.IFtest, 288.15)) / 20; math.Abs(got-p.DVFdT) > 2e-4 {
		t.Errorf("VF changes by %.4g V/K, sheet %.4g", got, p.DVFdT)
	}
	// One reading: the sheet's limits still bound the far end.
	sheet, _ := SpreadLED(p)
	mid := sheet.At([]float64{0.2}).Voltage(1e-3, tableTemperature)
	one, err := MeasuredLED(p, parts.Measured{VF: []parts.Taken{{I: unit.Absent[unit.Amp](), V: mid}}})
	if err != nil || len(one.Against) > 0 {
		t.Fatal(err, one.Against)
	}
	least, most := sheet.At([]float64{-1}).Voltage(p.IFtest, tableTemperature), sheet.At([]float64{1}).Voltage(p.IFtest, tableTemperature)
	for _, z := range [][]float64{{-1, -1}, {-1, 1}, {1, -1}, {1, 1}, nil} {
		if v := one.At(z).Voltage(p.IFtest, tableTemperature); v < least-1e-6 || v > most+1e-6 {
			t.Errorf("z %v: VF %v at %v outside the sheet's %v to %v", z, v, p.IFtest, least, most)
		}
		if wrong := one.At(z).Check(); wrong != "" {
			t.Error(wrong)
		}
	}
	// A blue chip in the red bag.
	if s, _ := MeasuredLED(p, parts.Measured{VF: []parts.Taken{{I: 1e-3, V: 2.65}}}); len(s.Against) != 1 || !strings.Contains(s.Against[0], "another part or colour") {
		t.Errorf("%q", s.Against)
	}
}

func TestMeasuredZener(t *testing.T) {
	p, _ := parts.Load().Diode("BZX84-C5V1")
	s, err := MeasuredDiode(p, parts.Measured{VZ: []parts.Taken{{I: 5e-3, V: 5.02}}})
	if err != nil || len(s.Against) > 0 {
		t.Fatal(err, s.Against)
	}
	lo, hi := zenerVoltage(s.At([]float64{0, -1}), 5e-3, tableTemperature), zenerVoltage(s.At([]float64{0, 1}), 5e-3, tableTemperature)
	if lo > 5.02 || hi < 5.02 || lo < 4.95 || hi > 5.1 {
		t.Errorf("VZ %v to %v", lo, hi)
	}
	if !strings.Contains(s.Vars()[1].Say(0), "measured by you") || strings.Contains(s.Vars()[0].Say(0), "measured") {
		t.Errorf("%q", s.Vars()[1].Say(0))
	}
	// PanJit's W7 is 4.3 V where others print it on 4.7 V (notes.md §3.2).
	p, _ = parts.Load().Diode("BZT52C4V7")
	if s, _ := MeasuredDiode(p, parts.Measured{VZ: []parts.Taken{{I: 5e-3, V: 4.28}}}); len(s.Against) != 1 || !strings.Contains(s.Against[0], "another marking") {
		t.Errorf("%q", s.Against)
	}
	// Forward and zener readings together.
	p, _ = parts.Load().Diode("BZX84-C5V1")
	s, _ = MeasuredDiode(p, parts.Measured{VF: []parts.Taken{{I: 1e-3, V: 0.69}}, VZ: []parts.Taken{{I: 5e-3, V: 5.02}}})
	if vars := s.Vars(); len(vars) < 3 || vars[0].Name != "VF" || vars[1].Name != "slope of VF" || vars[2].Name != "VZ" {
		t.Fatalf("%d variables", len(vars))
	}
	if v := zenerVoltage(s.At([]float64{0, 0, 1}), 5e-3, tableTemperature) - zenerVoltage(s.At([]float64{0, 0, -1}), 5e-3, tableTemperature); v < 0.02 || v > 0.2 {
		t.Errorf("VZ spans %v", v)
	}
	d := s.At(nil)
	if v := d.Voltage(1e-3, tableTemperature); math.Abs(float64(v)-0.69) > 0.005 {
		t.Errorf("VF %v", v)
	}
	if v := zenerVoltage(d, 5e-3, tableTemperature); math.Abs(float64(v)-5.02) > 0.01 {
		t.Errorf("VZ %v", v)
	}
}

// Every diode of the catalogue, measured as its typical part is, keeps to the reading and contradicts nothing.
func TestMeasuredDiodes(t *testing.T) {
	for _, p := range parts.Load().Diodes() {
		sheet, err := SpreadDiode(p)
		if err != nil {
			t.Fatal(err)
		}
		v := sheet.At(nil).Voltage(parts.TesterCurrent, tableTemperature)
		s, err := MeasuredDiode(p, parts.Measured{VF: []parts.Taken{{I: unit.Absent[unit.Amp](), V: v}}})
		if err != nil || len(s.Against) > 0 {
			t.Errorf("%s: %v %q", p.Name, err, s.Against)
			continue
		}
		if got := s.At(nil).Voltage(parts.TesterCurrent, tableTemperature); math.Abs(float64(got-v)) > 0.02 {
			t.Errorf("%s: reads %v, is %v", p.Name, v, got)
		}
	}
}

func TestMeasuredMOSFET(t *testing.T) {
	p, _ := parts.Load().MOSFET("AO3400A") // 0.65 to 1.45 V at 250 µA
	q, said, against := MeasuredMOSFET(p, parts.Measured{VGSth: []parts.Taken{{I: 250e-6, V: 1.12}}})
	if against != 0 || len(said) != 1 || q.VGSthMin > 1.12 || q.VGSthMax < 1.12 || q.VGSthMax-q.VGSthMin > 0.05 || q.VGSthID != 250e-6 {
		t.Errorf("%+v %q", q, said)
	}
	// 2.3 V is a 2N7002 under another name.
	_, said, against = MeasuredMOSFET(p, parts.Measured{VGSth: []parts.Taken{{I: unit.Absent[unit.Amp](), V: 2.3}}})
	if against != 1 || !strings.Contains(said[0], "at most 1.45") {
		t.Errorf("%q", said)
	}
	if q, said, _ := MeasuredMOSFET(p, parts.Measured{}); said != nil || q.VGSthMax != p.VGSthMax {
		t.Error("nothing measured changes the row")
	}
}

// RDS(on) as measured narrows the spread at that gate voltage and, by the sheet's shape, at others; a gate voltage that the
// sheet does not list becomes one that is known. 2N7002: 5 Ω and 7.5 Ω at most at 10 V and 5 V (mosfet.csv).
func TestMeasuredRDSon(t *testing.T) {
	p, _ := parts.Load().MOSFET("2N7002")
	sheet, err := SpreadMOSFET(p)
	if err != nil {
		t.Fatal(err)
	}
	m := parts.Measured{RDSon: []parts.OnTaken{{VGS: 4.5, ID: 0.02, R: 2.4}}}
	q, said, against := MeasuredMOSFET(p, m)
	if against != 0 || len(said) != 1 || !strings.Contains(said[0], "RDS(on) 2.4") {
		t.Fatalf("%q", said)
	}
	if on, ok := q.LeastOn(); !ok || on.VGS != 4.5 || !on.Measured {
		t.Errorf("least gate voltage: %+v", on)
	}
	s, err := SpreadMOSFET(q)
	if err != nil {
		t.Fatal(err)
	}
	width := func(s *MOSFETSpread, vgs unit.Volt) float64 {
		low, ok1 := s.At([]float64{0, -1}).On(vgs, 0.02, tableTemperature)
		high, ok2 := s.At([]float64{0, 1}).On(vgs, 0.02, tableTemperature)
		if !ok1 || !ok2 {
			t.Fatalf("not on at %v", vgs)
		}
		return float64(high / low)
	}
	for _, vgs := range []unit.Volt{4.5, 5, 10} {
		if width(s, vgs) > 0.6*width(sheet, vgs) {
			t.Errorf("at %v the spread is %.3g to 1, by the sheet %.3g to 1", vgs, width(s, vgs), width(sheet, vgs))
		}
	}
	r, _ := s.At(nil).On(4.5, 0.02, tableTemperature)
	if math.Abs(float64(r)/2.4-1) > 0.05 {
		t.Errorf("typical %v, measured 2.4 Ω", r)
	}
	// The worst part of the narrowed spread is nowhere better than the reading allows.
	if worst, ok := s.At([]float64{1, 1}).On(4.5, 0.02, tableTemperature); !ok || worst < 2.4*1.1 {
		t.Errorf("worst %v", worst)
	}
	// 12 Ω at 10 V is no 2N7002.
	_, said, against = MeasuredMOSFET(p, parts.Measured{RDSon: []parts.OnTaken{{VGS: 10, ID: 0.02, R: 12}}})
	if against != 1 || !strings.Contains(said[0], "another part") {
		t.Errorf("%q", said)
	}
	// One that is on at 1.8 V has another threshold than 1 V to 2.5 V at the most.
	q, _, _ = MeasuredMOSFET(p, parts.Measured{RDSon: []parts.OnTaken{{VGS: 1.8, ID: 0.01, R: 4}}})
	if _, err := SpreadMOSFET(q); err != nil || q.VGSthMax >= 1.8 {
		t.Errorf("VGS(th) at most %v: %v", q.VGSthMax, err)
	}
	// A part without a sheet is usable by its threshold and one reading.
	own := parts.MOSFET{Part: parts.Part{Name: "bag 9"}, Channel: "N", VGSthMin: unit.Absent[unit.Volt](), VGSthTyp: 1.4, VGSthMax: unit.Absent[unit.Volt](), VGSthID: 1e-3, RDSonHot: math.NaN(), VDS: unit.Absent[unit.Volt]()}
	q, _, _ = MeasuredMOSFET(own, parts.Measured{VGSth: []parts.Taken{{I: 1e-3, V: 1.4}}, RDSon: []parts.OnTaken{{VGS: 4.7, ID: unit.Absent[unit.Amp](), R: 0.4}}})
	if s, err := SpreadMOSFET(q); err != nil {
		t.Error(err)
	} else if r, ok := s.At(nil).On(4.7, 0.01, tableTemperature); !ok || math.Abs(float64(r)/0.4-1) > 0.1 {
		t.Errorf("%v", r)
	}
}

// Every MOSFET of the catalogue takes a reading at any gate voltage at which it conducts.
func TestMeasuredRDSonOfAny(t *testing.T) {
	for _, p := range parts.Load().MOSFETs() {
		sheet, err := SpreadMOSFET(p)
		if err != nil {
			t.Fatal(err)
		}
		for _, z := range []float64{-1, -0.5, 0, 0.5, 1} {
			for _, vgs := range []unit.Volt{2.5, 3.3, 4.7, 10} {
				r, ok := sheet.At([]float64{z, z}).On(vgs, 0.005, tableTemperature)
				if !ok || r > 50 {
					continue
				}
				q, said, _ := MeasuredMOSFET(p, parts.Measured{RDSon: []parts.OnTaken{{VGS: vgs, ID: 0.005, R: r}}})
				s, err := SpreadMOSFET(q)
				if err != nil {
					t.Errorf("%s, %v at VGS %v: %v %q", p.Name, r, vgs, err, said)
					continue
				}
				// VGS(th) is another variable: the box of both holds the reading.
				low, _ := s.At([]float64{-1, -1}).On(vgs, 0.005, tableTemperature)
				high, ok := s.At([]float64{1, 1}).On(vgs, 0.005, tableTemperature)
				if !ok || low > r || high < r {
					t.Errorf("%s, VGS %v: %v lies outside %v to %v", p.Name, vgs, r, low, high)
				}
			}
		}
	}
}

// IDSS as measured, at 25 °C and when hot: the sheet's rise stands (2N7002: 1 µA and 500 µA at 125 °C at most).
func TestMeasuredIDSS(t *testing.T) {
	p, _ := parts.Load().MOSFET("2N7002")
	sheet, _ := SpreadMOSFET(p)
	const hot = unit.Kelvin(333.15)
	for _, c := range []struct {
		m         parts.Measured
		low, high float64 // at 25 °C
		against   int
	}{
		{parts.Measured{IDSS: 20e-9}, 20e-9 / 1.5, 20e-9 * 1.5, 0},
		{parts.Measured{IDSS: 100e-9, IDSSBelow: true}, 1e-11, 100e-9, 0},
		{parts.Measured{IDSS: 40e-6}, 40e-6 / 1.5, 40e-6 * 1.5, 1},
	} {
		q, said, against := MeasuredMOSFET(p, c.m)
		s, err := SpreadMOSFET(q)
		if err != nil || against != c.against {
			t.Fatalf("%+v: %v, %d against: %q", c.m, err, against, said)
		}
		for z, want := range map[float64]float64{-1: c.low, 1: c.high} {
			q := s.At([]float64{0, 0, z})
			if got := float64(q.Leakage(298.15)); math.Abs(got/want-1) > 1e-6 {
				t.Errorf("%+v at %g: %g, want %g", c.m, z, got, want)
			}
			ref := sheet.At([]float64{0, 0, z})
			if a, b := float64(q.Leakage(hot)/q.Leakage(298.15)), float64(ref.Leakage(hot)/ref.Leakage(298.15)); math.Abs(a/b-1) > 1e-6 {
				t.Errorf("%+v: rises by %g, the sheet by %g", c.m, a, b)
			}
		}
	}
}
