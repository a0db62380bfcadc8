package parts

import (
	"math"
	"strings"
	"testing"

	"fettle/internal/finding"
	"fettle/internal/unit"
)

func notesOf(list []finding.Note) string {
	var b strings.Builder
	for _, n := range list {
		b.WriteString(n.Text + "\n")
	}
	return b.String()
}

const measuredSample = `part,kind,package,count,marking,hfe,hfe_at,hfe_vce,be_test,bc_test,vf_measured,vz_measured,vth_measured,polarity,pins,note
MMBT3904,,,20,1AM,182,2 mA,5 V,0.684 V,0.676 V,,,,,,bag of the fair
warm white,led,0603,10,,,,,,,1 mA: 2.58 V; 5 mA: 2.79 V,,,,,
BZX84-C5V1,,,5,,,,,,,,5 mA: 5.02 V,,,,
2N7002,,,10,,,,,,,,,1 mA: 1.9 V,,,
,transistor,,30,2F,,,,,,,,,,,look-alikes
,transistor,,30,2F,,,,,,,,,NPN,,told apart by the meter
,,,9,1F,,,,,,,,,,,
salvage A,transistor,TO-92,4,,95,,,,,,,,PNP,EBC,from a radio
,transistor,,1,,210,1 mA,,680 mV,,,,,npn,BEC,
bag 7,diode,,6,,,,,,,0.27 V,,,,,
bag 8,led,,6,,,,,,,1 mA: 1.78 V; 10 mA: 1.92 V,,,,,
bag 9,mosfet,SOT-23,6,,,,,,,,,1 mA: 1.4 V,N,,
`

func TestDrawerOfMeasuredParts(t *testing.T) {
	d, l := ReadDrawer("drawer.csv", []byte(measuredSample), nil)
	if len(l) > 0 {
		var b strings.Builder
		l.Print(&b, map[string][]byte{"drawer.csv": []byte(measuredSample)})
		t.Fatalf("problems:\n%s", b.String())
	}
	c := Load().With(d)
	if m, ok := d.Measured("mmbt3904"); !ok || m.String() != "hFE 182 at 2 mA, base-emitter 684 mV on the diode test, base-collector 676 mV on the diode test" || m.HFEvce != 5 {
		t.Errorf("MMBT3904: %v %v", m, ok)
	}
	if b, _ := c.BJT("MMBT3904"); b.VCEO != 40 {
		t.Errorf("measuring a part of the catalogue made another of it: %+v", b)
	}
	if m, _ := d.Measured("BZX84-C5V1"); len(m.VZ) != 1 || m.VZ[0] != (Taken{I: 5e-3, V: 5.02}) {
		t.Errorf("zener: %+v", m)
	}
	if m, _ := d.Measured("2N7002"); len(m.VGSth) != 1 || m.VGSth[0] != (Taken{I: 1e-3, V: 1.9}) {
		t.Errorf("MOSFET: %+v", m)
	}
	if _, ok := d.Measured("BC847B"); ok {
		t.Error("a part that is not there was measured")
	}

	// 2F is MMBT2907A (onsemi, PNP) or BC850B (Philips, NPN): parts/notes.md §3.2.
	twin, npn, one := d.Items[4], d.Items[5], d.Items[6]
	if why := twin.NotToldApart(); twin.Part != "" || len(twin.Candidates) < 2 || !strings.HasPrefix(why, "look-alike marking not told apart yet: ") ||
		!strings.Contains(why, "MMBT2907A") || !strings.Contains(why, " or ") || twin.Kind != KindTransistor {
		t.Errorf("2F: %q, %+v", why, twin)
	}
	if npn.Part != "BC850B" || npn.NotToldApart() != "" || npn.Polarity != NPN {
		t.Errorf("2F that is NPN: %+v", npn)
	}
	if one.Part != "BC847B" || one.Marking != "1F" || one.Kind != KindTransistor || one.Package != "SOT-23" {
		t.Errorf("1F: %+v", one)
	}

	// Parts without a sheet: what was measured, and nothing else.
	a, ok := c.BJT("salvage A")
	if !ok || a.Polarity != PNP || unit.Known(a.VCEO) || unit.Known(a.IC) || a.Gain[0].Typ != 95 || math.Abs(float64(a.Gain[0].IC)-0.95e-3) > 1e-9 || strings.Join(a.Pins, "") != "EBC" {
		t.Errorf("salvage A: %+v", a)
	}
	u, ok := c.BJT("unmarked NPN transistor, row 10")
	if !ok || u.Gain[0].IC != 1e-3 || u.Gain[0].Min != 189 || u.Polarity != NPN {
		t.Errorf("unmarked: %+v %v", u, ok)
	}
	if s, _ := c.Diode("bag 7"); s.Type != "schottky" || s.VFtyp[0] != (IV{1e-3, 0.27}) || unit.Known(s.VRRM) {
		t.Errorf("bag 7: %+v", s)
	}
	if led, ok := c.LED("bag 8"); !ok || len(led.VFpoints) != 2 || unit.Known(led.IFmax) {
		t.Errorf("bag 8: %+v", led)
	}
	if q, ok := c.MOSFET("bag 9"); !ok || q.Channel != "N" || q.VGSthTyp != 1.4 || len(q.RDSon) != 0 || unit.Known(q.VDS) {
		t.Errorf("bag 9: %+v", q)
	}
	if f, _ := Answer("2F", "", c, d); !strings.Contains(notesOf(f.Notes), "not told apart yet") {
		t.Errorf("the answer for 2F does not speak of the bag: %v", f.Notes)
	}
}

// What was read on a MOSFET, in every form.
func TestMeasuredMOSFETs(t *testing.T) {
	d, l := ReadDrawer("d.csv", []byte("part,rdson_measured,idss_measured\n2N7002,4.7 V: 1.9 Ω; 3.3 V / 20 mA: 2.6 Ω,12 V: 80 nA\nBSS138,,< 100 nA\n"), nil)
	if len(l) > 0 {
		t.Fatal(l)
	}
	a, b := d.Items[0].Measured, d.Items[1].Measured
	if len(a.RDSon) != 2 || a.RDSon[0] != (OnTaken{3.3, 0.02, 2.6}) || a.RDSon[1].VGS != 4.7 || unit.Known(a.RDSon[1].ID) || a.IDSS != 80e-9 || a.IDSSBelow {
		t.Errorf("%+v", a)
	}
	if !b.Any() || b.IDSS != 100e-9 || !b.IDSSBelow {
		t.Errorf("%+v", b)
	}
	if s := a.String() + " | " + b.String(); s != "RDS(on) 2.6 Ω at VGS 3.3 V and 20 mA, RDS(on) 1.9 Ω at VGS 4.7 V, IDSS 80 nA | IDSS below 100 nA" {
		t.Errorf("%q", s)
	}
}

func TestMeasuredProblems(t *testing.T) {
	for _, x := range []struct{ src, code, says, mend string }{
		{"part,be_test\nMMBT3904,0.68\n", "points-wrong", "be_test", "0.68 V"},
		{"part,be_test\nMMBT3904,680\n", "points-wrong", "be_test", "680 mV"},
		{"part,be_test\nMMBT3904,6.8 V\n", "points-wrong", "6.8 V, where a base-emitter junction reads 100 mV to 2 V", ""},
		{"part,be_test,bc_test\nMMBT3904,0.65 V,0.69 V\n", "measured-swapped", "collector and emitter swapped?", ""},
		{"part,vf_measured\nMMBT3904,0.65 V\n", "measured-misplaced", "vf_measured belongs to a diode or LED", ""},
		{"part,kind,vf_measured\nbag,led,1 mA: 1.9 V; 10 mA: 1.8 V\n", "points-order", "is not above", ""},
		{"part,kind,vf_measured,vf_error\nbag,led,1 mA: 1.9 V,900 mV\n", "quantity-range", "known to within 0.5 V", ""},
		{"part,vth_measured\n2N7002,1 mA - 1.9 V\n", "points-wrong", "vth_measured", ""},
		{"part,rdson_measured\n2N7002,1.9 Ω\n", "points-wrong", "a gate voltage, a colon and a resistance are wanted", ""},
		{"part,rdson_measured\n2N7002,47 V: 1.9 Ω\n", "points-wrong", "a gate voltage of 47 V", ""},
		{"part,rdson_measured\n2N7002,4.7 V: 1.9 kΩ\n", "points-wrong", "1.9 kΩ, where a MOSFET that is on has", ""},
		{"part,rdson_measured\n2N7002,3.3 V: 1.9 Ω; 4.7 V: 2.6 Ω\n", "points-order", "2.6 Ω at VGS 4.7 V is not below 1.9 Ω at VGS 3.3 V", ""},
		{"part,rdson_measured\n2N7002,4.7 V / 20 mV: 1.9 Ω\n", "points-wrong", "current", ""},
		{"part,rdson_measured\nMMBT3904,4.7 V: 1.9 Ω\n", "measured-misplaced", "rdson_measured belongs to a MOSFET", ""},
		{"part,idss_measured\n2N7002,80 mA\n", "points-wrong", "80 mA, where a MOSFET that is off", ""},
		{"part,idss_measured\n2N7002,80 nA; 90 nA\n", "points-wrong", "one current is wanted", ""},
		{"part,polarity,hfe\nMMBT3904,PNP,180\n", "polarity-wrong", "MMBT3904 is NPN, not PNP", "NPN"},
		{"part,kind,polarity,vth_measured\nbag,mosfet,NPN,1.5 V\n", "polarity-wrong", "neither N nor P", "N"},
		{"part,kind,hfe,hfe_at\nsalvage,transistor,180,1 mA\n", "part-unknown", "polarity and a measured hfe", ""},
		{"part,kind,polarity\nsalvage,transistor,NPN\n", "part-incomplete", "without", ""},
		{"marking\nQQ9\n", "marking-unknown", "no part of the catalogue is marked", ""},
		{"marking,polarity\n1F,PNP\n", "marking-unknown", "no such part", ""},
		{"part,marking\nBC857B,1F\n", "marking-other", "stands for BC847B", ""},
		{"part,hfe_vce\nMMBT3904,5 V\n", "hfe-missing", "without a measured hFE", ""},
		{"marking,count\n,3\n", "row-empty", "neither part, value nor marking", ""},
		{"kind,hfe,part\ntransistor,180,\n", "part-unknown", "too little is known", ""},
	} {
		_, l := ReadDrawer("d.csv", []byte(x.src), nil)
		if len(l) != 1 || l[0].Code != x.code || !strings.Contains(l[0].Message, x.says) {
			t.Errorf("%q: %v", x.src, l)
			continue
		}
		mend := ""
		if l[0].Fix != nil {
			mend = l[0].Fix.Text
		}
		if mend != x.mend {
			t.Errorf("%q: mend %q, want %q", x.src, mend, x.mend)
		}
	}
}

// OnAt is the guaranteed column of the sheet, never one above the gate voltage (mosfet.csv: AO3400A at 2.5, 4.5 and
// 10 V; 2N7002 from 5 V on).
func TestOnAt(t *testing.T) {
	q, _ := Load().MOSFET("AO3400A")
	for _, x := range []struct {
		vgs  unit.Volt
		want unit.Ohm
		ok   bool
	}{{2.4, 0, false}, {2.5, 0.048, true}, {3.3, 0.048, true}, {4.5, 0.032, true}, {20, 0.0265, true}} {
		on, ok := q.OnAt(x.vgs)
		if ok != x.ok || ok && on.Max != x.want {
			t.Errorf("AO3400A at %v: %v %v", x.vgs, on, ok)
		}
	}
	q, _ = Load().MOSFET("2N7002")
	if _, ok := q.OnAt(4.75); ok {
		t.Error("2N7002 is guaranteed below 5 V")
	}
	if v, ok := q.LeastVGS(); !ok || v != 5 {
		t.Errorf("2N7002 from %v", v)
	}
	if z, _ := Load().Diode("BZX84-C5V1"); !z.IsZener() {
		t.Error("BZX84-C5V1 is no zener")
	}
}
