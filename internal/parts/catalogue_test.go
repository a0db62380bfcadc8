package parts

import (
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"fettle/internal/diag"
	"fettle/internal/unit"
)

func TestTablesAreClean(t *testing.T) {
	l := Check()
	var b strings.Builder
	l.Print(&b, nil)
	if len(l) > 0 {
		t.Fatalf("%d problems:\n%s", len(l), b.String())
	}
	if len(Load().All()) == 0 {
		t.Fatal("the catalogue is empty")
	}
}

// Row counts as stated with the tables when they were collected.
func TestRowCounts(t *testing.T) {
	c := Load()
	marks := 0
	for _, m := range markings() {
		marks += len(m)
	}
	series := 0
	for _, s := range seriesTable() {
		if s.name != "E192" {
			series += len(s.hundreds)
		}
	}
	classes := 0
	for _, l := range c.LEDs() {
		if l.ClassRow {
			classes++
		}
	}
	for _, x := range []struct {
		table     string
		have, say int
	}{
		{"bipolar transistors", len(c.BJTs()), 88},
		{"MOSFETs", len(c.MOSFETs()), 16},
		{"diodes", len(c.Diodes()), 82},
		{"regulators", len(c.Regulators()), 31},
		{"LEDs", len(c.LEDs()), 42},
		{"LED classes (7 colours, 4 packages)", classes, 28},
		{"electrolytics", len(c.Electrolytics()), 26},
		{"ceramics under bias", len(c.MLCCBias()), 20},
		{"capacitor rules", len(c.CapacitorRules()), 26},
		{"E series members", series, 189},
		{"colours", len(colours()), 14},
		{"letters", strings.Count(letterCSV, "\n") - 1, 34},
		{"chip resistor codes", len(SMDRules()), 19},
		{"EIA-96 multipliers", len(eia96Table().letters), 14},
		{"resistor packages", len(c.ResistorPackages()), 15},
		{"markings", marks, 236},
		{"chips", len(c.Chips()), 3},
		{"sockets", len(c.Sockets()), 3},
	} {
		if x.have != x.say {
			t.Errorf("%s: %d rows, want %d", x.table, x.have, x.say)
		}
	}
}

func TestTablesAreWrittenCleanly(t *testing.T) {
	files, err := os.ReadDir("data")
	if err != nil || len(files) != 18 {
		t.Fatalf("%d tables, %v", len(files), err)
	}
	for _, f := range files {
		b, err := os.ReadFile("data/" + f.Name())
		if err != nil {
			t.Fatal(err)
		}
		s := string(b)
		if strings.Contains(s, "\r") || !strings.HasSuffix(s, "\n") || strings.HasSuffix(s, "\n\n") {
			t.Errorf("%s: lines do not end in one LF each", f.Name())
		}
	}
}

// A broken table is reported at its cell, and all of it in one run.
func TestBrokenTable(t *testing.T) {
	head, rest, _ := strings.Cut(mosfetCSV, "\n")
	row, _, _ := strings.Cut(rest, "\n")
	broken := strings.Replace(row, ",60,20,1.0,2.1,2.5,", ",sixty,20,3.0,2.1,-2.5,", 1)
	if broken == row {
		t.Fatal("the row to break is not there")
	}
	broken = strings.Replace(broken, "SOT-23", "", 1)
	broken = strings.Replace(broken, ",G,S,D,", ",G,S,S,", 1)
	defer func(s string) { mosfetCSV = s }(mosfetCSV)
	mosfetCSV = head + ",extra\n" + broken + ",\n" + row + "\n"
	var l diag.List
	loadMOSFETs(nil, &l)
	for _, want := range []string{
		`vds_V: "sixty" is not a number`,
		"vgsth_max_V: -2.5 is negative",
		"vgsth_min_V: 2.1 stands after 3",
		"package: nothing written",
		`pin1: leads of 2N7002 are "G S S"`,
		"row has 35 cells, the header 36",
		`column "extra" is read by nothing`,
	} {
		found := false
		for _, p := range l {
			found = found || strings.Contains(p.Message, want)
		}
		if !found {
			t.Errorf("not reported: %s\nin %v", want, l)
		}
	}
	if p := l[0]; p.Range.Start.Line != 2 {
		t.Errorf("first problem at %v, want line 2", p.Range)
	}
}

func TestLookups(t *testing.T) {
	c := Load()
	for _, x := range []struct{ in, want string }{
		{"bc847b", "BC847B"}, {"MMBT3904", "MMBT3904"}, {"BC 817-25", "BC817-25"}, {"bc81725", "BC817-25"},
		{"M7", "S1M / M7"}, {"df04s", "DB104S / DF04S"}, {"mb6s", "MB6S"}, {"78L05", "78L05A (TO-92)"},
		{"2sc1815", "2SC1815 (SOT-23)"}, {"2SC1815 (TO-92)", "2SC1815 (TO-92)"}, {"HT7550-1", "HT7550-1 (TO-92)"},
		{"attiny85", "ATtiny85"}, {"ATtiny85-20PU", "ATtiny85"}, {"ao3400a", "AO3400A"},
		{"C1815", "2SC1815 (TO-92)"}, {"a1015", "2SA1015 (TO-92)"}, {"BC33725", "BC337-25"}, {"2N2222A", "PN2222A"},
	} {
		p, ok := c.Find(x.in)
		if !ok || p.Common().Name != x.want {
			t.Errorf("%q is %v, want %s", x.in, p, x.want)
		}
	}
	for _, none := range []string{"", "BC847", "2N2222", "white", "4k7", "MMBT390"} {
		if p, ok := c.Find(none); ok {
			t.Errorf("%q found %s", none, p.Common().Name)
		}
	}
	if r, ok := c.RegulatorIn("78L05", "sot89"); !ok || r.Tab != "GND" {
		t.Errorf("78L05 in SOT-89: %v %v", r.Name, ok)
	}
	if s, ok := c.Socket("nem651"); !ok || len(s.Pins) != 6 || s.Contact != 0.5 {
		t.Errorf("NEM 651: %+v", s)
	}
	if p, ok := c.ResistorPackage("0805"); !ok || p.P70 != 0.125 || p.VWork != 150 {
		t.Errorf("0805: %+v", p)
	}
	if p, ok := c.ResistorPackage("1/4 W"); !ok || p.P70 != 0.25 {
		t.Errorf("axial quarter watt: %+v", p)
	}
}

func TestSuggest(t *testing.T) {
	c := Load()
	for _, x := range []struct{ in, want string }{
		{"BC847", "BC847A"}, {"MBT3904", "MMBT3904"}, {"MMTB3904", "MMBT3904"}, {"MB6", "MB6S"}, {"ATtiny58", "ATtiny85"}, {"78L06", "78L05A"},
	} {
		got := c.Suggest(x.in)
		if len(got) == 0 || !slices.Contains(got, x.want) {
			t.Errorf("%q: %q, want %s among them", x.in, got, x.want)
		}
	}
	if got := c.Suggest("BC847"); strings.Join(got, " ") != "BC847A BC847B BC847C" {
		t.Errorf("BC847: %q", got)
	}
	if got := c.Suggest("zzzzzz"); got != nil {
		t.Errorf("zzzzzz: %q", got)
	}
	if got := c.Suggest("MMBT3904", KindDiode); got != nil {
		t.Errorf("a transistor among diodes: %q", got)
	}
}

func TestLEDClasses(t *testing.T) {
	c := Load()
	if got := strings.Join(c.LEDClasses(), ", "); got != "blue, cool white, green, red, warm white, yellow-green, yellow/amber" {
		t.Errorf("classes: %s", got)
	}
	for _, x := range []struct{ in, class, pkg string }{
		{"white", "cool white", "0603"}, {"Warm White", "warm white", "0603"}, {"red 0402", "red", "0402"}, {"yellow", "yellow/amber", "0603"},
		{"warm white 3 mm", "warm white", "3mm"},
	} {
		l, ok := c.LED(x.in)
		if !ok || l.Class != x.class || l.Package != x.pkg || !l.ClassRow {
			t.Errorf("%q: %s %s %v", x.in, l.Class, l.Package, ok)
		}
	}
	if _, ok := c.LED("mauve"); ok {
		t.Error("there is a mauve class")
	}
}

// The model of each class row meets its own points within the error the row states, a check of the packed
// numbers: V = N·Vt·ln(I/IS) + I·RS at 25 °C, Vt = 25.693 mV (CODATA 2018).
func TestLEDModelsMeetTheirPoints(t *testing.T) {
	n := 0
	for _, l := range Load().LEDs() {
		if len(l.VFpoints) == 0 {
			continue
		}
		n++
		worst := 0.0
		for _, p := range l.VFpoints {
			v := l.ModelN*0.025693*math.Log(float64(p.I)/float64(l.ModelIS)) + float64(p.I)*float64(l.ModelRS)
			worst = math.Max(worst, math.Abs(v-float64(p.V)))
		}
		// Model figures are printed with three digits: IS alone may be off by N·Vt·ln(1.005/1.0) < 0.4 mV.
		if worst > float64(l.ModelError)+0.0008 {
			t.Errorf("%s: worst error %.4f V, the row says %v", l.Name, worst, l.ModelError)
		}
	}
	if n != 28 {
		t.Errorf("%d rows with points", n)
	}
}

// Figures read in the named sheets, spot by spot: the packed columns are unpacked into the right fields.
func TestFigures(t *testing.T) {
	c := Load()
	q, _ := c.BJT("MMBT3904")
	// Comchip MMBT3904-G QW-BTR01 Rev E, via the row's source.
	if g := q.Gain[2]; g.IC != 0.01 || g.VCE != 1 || g.Min != 100 || g.Max != 300 || !math.IsNaN(g.Typ) {
		t.Errorf("hFE at 10 mA: %+v", g)
	}
	if s := q.VCEsat[1]; s.IC != 0.05 || s.IB != 0.005 || s.Max != 0.3 || unit.Known(s.Typ) {
		t.Errorf("VCEsat at 50 mA: %+v", s)
	}
	if v := q.VBEsat[0]; v.Min != 0.65 || v.Max != 0.85 || unit.Known(v.VCE) {
		t.Errorf("VBEsat at 10 mA: %+v", v)
	}
	if l := q.Leak[0]; l.Name != "ICEX" || l.Max != 5e-8 || l.V != 30 || l.T != 25 {
		t.Errorf("ICEX: %+v", l)
	}
	if q.Evidence("marking") != PartMemory || q.Evidence("hfe_points") != Read {
		t.Errorf("evidence: %v %v", q.Evidence("marking"), q.Evidence("hfe_points"))
	}
	b, _ := c.BJT("BC847B")
	// LiteOn BC846W KSNR04 Rev 2: VBE(on) 0.58/0.66/0.70 V at 2 mA, 5 V.
	if v := b.VBEon[0]; v.IC != 0.002 || v.VCE != 5 || v.Min != 0.58 || v.Typ != 0.66 || v.Max != 0.7 || unit.Known(v.IB) {
		t.Errorf("BC847B VBE(on): %+v", v)
	}
	if g := b.Gain; len(g) != 2 || g[0].IC != 1e-5 || g[0].Typ != 150 || !math.IsNaN(g[0].Min) || g[1].Min != 200 || g[1].Typ != 290 || g[1].Max != 450 {
		t.Errorf("BC847B hFE: %+v", g)
	}
	d, _ := c.BJT("DTC143Z")
	if !d.Prebiased() || d.R1 != 4700 || d.R2 != 47000 || strings.Join(d.Pins, "") != "BEC" {
		t.Errorf("DTC143Z: %v %v %v", d.R1, d.R2, d.Pins)
	}
	r, _ := c.Regulator("78L05")
	if r.Vout != 5 || r.VoutMin != 4.75 || r.VinAbsMax != 30 || r.DropoutTyp[0] != (IV{0.04, 1.7}) {
		t.Errorf("78L05: %+v", r)
	}
	z, _ := c.Diode("BZX84-C5V1")
	if z.VZmin != 4.8 || z.VZmax != 5.4 || z.IZT != 0.005 {
		t.Errorf("BZX84-C5V1: %+v", z)
	}
}

// The ATtiny85 figures as the data sheet has them; sources in data/chip.csv.
func TestChip(t *testing.T) {
	c, ok := Load().Chip("ATtiny85")
	if !ok {
		t.Fatal("no ATtiny85")
	}
	if c.Flash != 8192 || c.SRAM != 512 || c.EEPROM != 512 || c.Signature != "1E 93 0B" {
		t.Errorf("memories: %d %d %d %s", c.Flash, c.SRAM, c.EEPROM, c.Signature)
	}
	if c.VCCAbsMax != 6 || c.PinMax != 0.04 || c.RailMax != 0.2 || c.SumLow != 0.06 || c.SumHigh != 0.06 || c.ResetAbsMax != 13 || c.PinBelowGND != 0.5 {
		t.Errorf("absolute maxima: %+v", c)
	}
	// Implied worst resistances 60 Ω and 70 Ω at 5 V, 10 mA.
	if p := c.VOL[0]; p.V.Through(p.I) != 60 || p.Pin != "" {
		t.Errorf("VOL: %+v", p)
	}
	if p := c.VOH[0]; math.Abs(float64((p.VCC-p.V).Through(p.I))-70) > 1e-9 {
		t.Errorf("VOH: %+v", p)
	}
	if l, ok := c.Levels("PB2", 5); !ok || l.VIL != 0.3 || l.VIH != 0.6 {
		t.Errorf("levels: %+v", l)
	}
	if l, ok := c.Levels("RESET", 5); !ok || l.VIL != 0.2 || l.VIH != 0.9 {
		t.Errorf("levels of RESET: %+v", l)
	}
	if n, ok := c.PinNumber("pb2"); !ok || n != 7 {
		t.Errorf("PB2 is pin %d", n)
	}
	// Derived points of the clock limit: 2.5 V 8.7 MHz (V grade), 3.3 V 13.3 MHz, 4.1 V 17.8 MHz.
	for _, x := range []struct {
		grade string
		v     unit.Volt
		mhz   float64
	}{{"-10 (V)", 2.5, 8.7}, {"-20", 3.3, 13.3}, {"-20", 4.1, 17.8}, {"-20", 5, 20}, {"-20", 2.6, 0}} {
		if got := float64(c.ClockMax(x.grade, x.v)) / 1e6; math.Abs(got-x.mhz) > 0.05 {
			t.Errorf("%s at %v: %.2f MHz, want %v", x.grade, x.v, got, x.mhz)
		}
	}
	if len(c.Brownout) != 3 || c.Brownout[2].Min != 4.1 || c.Leak != 1e-6 || c.PullupMin != 20000 || c.ClampMax != 1e-3 {
		t.Errorf("%+v %v %v %v", c.Brownout, c.Leak, c.PullupMin, c.ClampMax)
	}
	if c.Evidence("clamp_current") != FromMemory || c.Evidence("vol") != Read {
		t.Error("evidence of the clamp current and of VOL")
	}
	if len(c.Resistance) != 2 || c.Resistance[0].Low != 25 || c.Resistance[0].High != 28 {
		t.Errorf("resistances: %+v", c.Resistance)
	}
}

// NEM 651, 652 (2017), page 1.
func TestSockets(t *testing.T) {
	s, _ := Load().Socket("NEM 652")
	if p, ok := s.Pin("blue"); !ok || p.Number != 7 {
		t.Errorf("blue is %+v", p)
	}
	if s.Contact != 1.5 || s.ContactPeak != 3 || s.Spaces[0].Length != 31*unit.Millimetre {
		t.Errorf("%+v", s)
	}
	s, _ = Load().Socket("NEM 651")
	if p, ok := s.Pin("front light"); !ok || p.Colour != "white" || p.Number != 5 {
		t.Errorf("front light is %+v", p)
	}
	if s, ok := Load().Socket("next18"); !ok || len(s.Pins) != 18 || s.Evidence != "digest" || unit.Known(s.ContactPeak) {
		t.Errorf("Next18: %+v", s)
	}
}

// Which contact of the vehicle a pin meets when the plug goes in the wrong way round: NEM 651 (2017) and 652 (2017),
// page 1; NEM 662 / RCN-118 in three agreeing secondary tables.
func TestTurnedPlug(t *testing.T) {
	for _, x := range []struct {
		socket  string
		pairs   [][2]int
		becomes map[Role]Role // what a role meets, where the standard says so
		source  string
	}{
		{"NEM 651", [][2]int{{1, 6}, {2, 5}, {3, 4}}, map[Role]Role{MotorPlus: RearLight, MotorMinus: FrontLight, PickupRight: PickupLeft}, "NEM 651 (2017): motor against lights"},
		{"NEM 652", [][2]int{{1, 5}, {2, 6}, {3, 7}, {4, 8}}, map[Role]Role{MotorPlus: MotorMinus, RearLight: FrontLight, Aux: CommonPlus, PickupLeft: PickupRight}, "NEM 652 (2017): the motor stays the motor, the lights do not work"},
		{"NEM 662", [][2]int{{1, 10}, {2, 11}, {5, 14}, {6, 15}, {8, 17}, {9, 18}}, map[Role]Role{MotorPlus: MotorMinus, FrontLight: RearLight, CommonPlus: CommonPlus, Minus: Minus, PickupRight: PickupLeft, Aux: Aux, AuxLogic: AuxLogic}, "NEM 662 (digest): point-symmetric, no harm"},
	} {
		s, ok := Load().Socket(x.socket)
		if !ok {
			t.Fatal(x.socket)
		}
		for _, p := range x.pairs {
			if s.Turned(p[0]) != p[1] || s.Turned(p[1]) != p[0] {
				t.Errorf("%s: pins %d and %d meet %d and %d (%s)", x.socket, p[0], p[1], s.Turned(p[0]), s.Turned(p[1]), x.source)
			}
		}
		for _, p := range s.Pins {
			q, ok := s.At(s.Turned(p.Number))
			if !ok || s.Turned(q.Number) != p.Number {
				t.Errorf("%s: pin %d meets %d, which meets %d", x.socket, p.Number, q.Number, s.Turned(q.Number))
			}
			if want := x.becomes[p.Role]; want != "" && q.Role != want {
				t.Errorf("%s: %s meets %s, want %s (%s)", x.socket, p.Role, q.Role, want, x.source)
			}
		}
		if s.Turned(0) != 0 || s.Turned(len(s.Pins)+1) != 0 {
			t.Errorf("%s: a pin that is not there meets one that is", x.socket)
		}
	}
	// Two motor contacts and both rails on each; a common plus on NEM 652 and 662, none on NEM 651.
	for name, plus := range map[string]bool{"NEM 651": false, "NEM 652": true, "NEM 662": true} {
		s, _ := Load().Socket(name)
		for _, r := range []Role{MotorPlus, MotorMinus, PickupLeft, PickupRight, FrontLight, RearLight} {
			if !s.Has(r) {
				t.Errorf("%s has no %s", name, r)
			}
		}
		if s.Has(CommonPlus) != plus {
			t.Errorf("%s: common plus %t", name, !plus)
		}
		// The colours of the plug's wires are those of the trade's code (NEM 651, 652 (2017)).
		for _, p := range s.Pins {
			if r, _, ok := WireRole(p.Colour); p.Colour != "" && (!ok || r != p.Role) {
				t.Errorf("%s: pin %d, %s, is %s; by its colour %s", name, p.Number, p.Colour, p.Role, r)
			}
		}
	}
	if _, _, ok := WireRole("pink"); ok {
		t.Error("pink carries anything")
	}
}

// Rated power at 70 °C, nothing at 155 °C, linear between: half of it at 112.5 °C.
func TestResistorDerating(t *testing.T) {
	p, _ := Load().ResistorPackage("1206")
	for _, x := range []struct {
		at   unit.Celsius
		want float64
	}{{25, 0.25}, {70, 0.25}, {112.5, 0.125}, {155, 0}, {200, 0}} {
		if got := p.Power(x.at); math.Abs(float64(got)-x.want) > 1e-12 {
			t.Errorf("at %v: %v, want %v", x.at, got, x.want)
		}
	}
}

func BenchmarkLoadCatalogue(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if l := Check(); len(l) > 0 {
			b.Fatal(l)
		}
	}
}

// What a proof of a small build asks for: transistors, diodes, LEDs, regulators, chips.
func BenchmarkFirstLookups(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		var l diag.List
		marks := loadMarkings(&l)
		loadBJTs(marks, &l)
		loadDiodes(marks, &l)
		loadLEDs(&l)
		loadRegulators(marks, &l)
		loadChips(&l)
		if len(l) > 0 {
			b.Fatal(l)
		}
	}
}
