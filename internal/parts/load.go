package parts

import (
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"

	"fettle/internal/diag"
	"fettle/internal/unit"
)

// A table reads the typed cells of one embedded table and collects what is wrong with them.
type table struct {
	*cellReader
	col    map[string]int
	names  []string
	asked  []bool // columns that the loader reads: the rest is a fault
	absent map[string]bool
}

// openTable reads the header row.
func openTable(file, src string, problems *diag.List) *table {
	t := &table{cellReader: newCellReader(file, src, ',', problems), col: map[string]int{}, absent: map[string]bool{}}
	if !t.cellReader.next() {
		problems.Add("table-empty", diag.Range{File: file}, "no header row")
		return t
	}
	t.asked = make([]bool, len(t.cells))
	for i, c := range t.cells {
		if _, twice := t.col[c.text]; twice {
			problems.Add("table-column", t.cellRange(i), "column %q stands twice", c.text)
		}
		t.col[c.text] = i
		t.names = append(t.names, c.text)
	}
	return t
}

// next reads the next row and checks its length.
func (t *table) next() bool {
	if !t.cellReader.next() {
		return false
	}
	if len(t.cells) != len(t.names) {
		t.problems.Add("table-row", t.rowRange(), "row has %d cells, the header %d", len(t.cells), len(t.names))
	}
	return true
}

// close reports columns that nothing reads.
func (t *table) close() {
	for i, ok := range t.asked {
		if !ok {
			t.problems.Add("table-column", diag.Range{File: t.file, Start: diag.Pos{Line: 1, Column: 1}, End: diag.Pos{Line: 1, Column: 1}},
				"column %q is read by nothing", t.names[i])
		}
	}
}

func (t *table) find(col string) int {
	i, ok := t.col[col]
	if !ok {
		if !t.absent[col] {
			t.absent[col] = true
			t.problems.Add("table-column", diag.Range{File: t.file}, "column %q is missing", col)
		}
		return -1
	}
	t.asked[i] = true
	if i >= len(t.cells) {
		return -1
	}
	return i
}

func (t *table) str(col string) string {
	i := t.find(col)
	if i < 0 {
		return ""
	}
	return t.cells[i].text
}

func (t *table) bad(col, format string, args ...any) {
	r := t.rowRange()
	if i, ok := t.col[col]; ok && i < len(t.cells) {
		r = t.cellRange(i)
	}
	t.problems.Add("table-value", r, col+": "+format, args...)
}

// must reads a text that has to be there.
func (t *table) must(col string) string {
	s := t.str(col)
	if s == "" {
		t.bad(col, "nothing written")
	}
	return s
}

// oneOf reads a text from a closed list.
func (t *table) oneOf(col string, words ...string) string {
	s := t.str(col)
	for _, w := range words {
		if s == w {
			return s
		}
	}
	t.bad(col, "%q is none of %s", s, strings.Join(words, ", "))
	return s
}

func (t *table) list(col string) []string {
	s := t.str(col)
	if s == "" {
		return nil
	}
	return splitOutside(s, ';')
}

// parse reads a number; the empty text is absent.
func (t *table) parse(col, s string) float64 {
	if s == "" {
		return math.NaN()
	}
	x, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
		t.bad(col, "%q is not a number", s)
		return math.NaN()
	}
	return x
}

// signed reads a number that may be negative.
func (t *table) signed(col string) float64 { return t.parse(col, t.str(col)) }

// num reads a magnitude.
func num[U ~float64](t *table, col string) U {
	x := t.parse(col, t.str(col))
	if x < 0 {
		t.bad(col, "%v is negative", x)
	}
	return U(x)
}

// micrometres reads a length in metres.
func (t *table) micrometres(col string) unit.Length {
	x := num[float64](t, col)
	if math.IsNaN(x) {
		return 0
	}
	return unit.Length(math.Round(x * 1e6))
}

// points reads a packed cell with n numbers an entry; the fields listed (from 0) may be left out.
func (t *table) points(col string, n int, optional ...int) [][]float64 {
	s := t.str(col)
	if s == "" {
		return nil
	}
	var out [][]float64
	for entry := range strings.SplitSeq(s, ";") {
		p := make([]float64, n)
		i := 0
		for f := range strings.SplitSeq(entry, ":") {
			if i == n {
				i++
				break
			}
			if f == "" && !slices.Contains(optional, i) {
				t.bad(col, "field %d of %q is empty", i+1, entry)
			}
			if p[i] = t.parse(col, f); p[i] < 0 {
				t.bad(col, "%q is negative", f)
			}
			i++
		}
		if i != n {
			t.bad(col, "%q does not have %d fields", entry, n)
		}
		out = append(out, p)
	}
	return out
}

// ivs reads current:voltage points by rising current.
func (t *table) ivs(col string) []IV {
	var out []IV
	for _, p := range t.points(col, 2) {
		out = append(out, IV{unit.Amp(p[0]), unit.Volt(p[1])})
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].I < out[j].I })
	for i := 1; i < len(out); i++ {
		if out[i].I == out[i-1].I || out[i].V < out[i-1].V {
			t.bad(col, "the voltage falls, or a current stands twice, at %v", out[i].I)
		}
	}
	return out
}

// leakages reads voltage:temperature:current points.
func (t *table) leakages(col, name string) []Leakage {
	var out []Leakage
	for _, p := range t.points(col, 3) {
		v, temp := unit.Volt(p[0]), unit.Celsius(p[1])
		out = append(out, Leakage{Name: name, Max: unit.Amp(p[2]), V: v, T: temp, Conditions: v.String() + ", " + temp.String()})
	}
	return out
}

// order reports numbers that ought to rise; absent ones are passed over.
func (t *table) order(col string, xs ...float64) {
	last := math.Inf(-1)
	for _, x := range xs {
		if math.IsNaN(x) {
			continue
		}
		if x < last {
			t.bad(col, "%v stands after %v: least, typical, greatest are out of order", x, last)
		}
		last = x
	}
}

// splitOutside splits at sep outside round brackets and trims the parts.
func splitOutside(s string, sep byte) []string {
	var out []string
	depth, start := 0, 0
	for i := 0; i <= len(s); i++ {
		if i < len(s) {
			switch s[i] {
			case '(':
				depth++
			case ')':
				depth--
			}
		}
		if i == len(s) || s[i] == sep && depth == 0 {
			if f := strings.TrimSpace(s[start:i]); f != "" {
				out = append(out, f)
			}
			start = i + 1
		}
	}
	return out
}

// part reads what all part tables share.
func (t *table) part(kind string, marks map[string][]Marking, pins ...string) Part {
	p := Part{
		Name: t.must("part"), Kind: kind, Package: t.must("package"),
		Source: t.must("source"), Note: t.str("note"), Memory: t.list("memory_fields"),
	}
	for _, m := range p.Memory {
		name, _, _ := strings.Cut(m, "(")
		if _, ok := t.col[strings.TrimSpace(name)]; !ok && m != "*" {
			t.bad("memory_fields", "%q is no column of this table", m)
		}
	}
	if kind != KindLED {
		p.Printed, p.Marking = t.str("marking"), marks[p.Name]
	}
	for i, col := range pins {
		name := t.str(col)
		if name == "" {
			continue
		}
		for len(p.Pins) < i {
			p.Pins = append(p.Pins, "")
		}
		p.Pins = append(p.Pins, cleanPin(name))
	}
	return p
}

// cleanPin keeps the function of a lead: "IN(B)" and "K(band)" are B and K.
func cleanPin(s string) string {
	head, tail, ok := strings.Cut(s, "(")
	if !ok {
		return s
	}
	if tail = strings.TrimSuffix(tail, ")"); len(tail) == 1 {
		return tail // IN(B), GND(E), OUT(C) of a pre-biased transistor
	}
	return head // K(band), K(ring)
}

func (t *table) pins(p Part, want string) {
	have := append([]string(nil), p.Pins...)
	sort.Strings(have)
	if got := strings.Join(have, " "); got != want {
		t.bad("pin1", "leads of %s are %q, want %q in some order", p.Name, got, want)
	}
}

func loadMarkings(problems *diag.List) map[string][]Marking {
	t := openTable("marking_index.csv", markingCSV, problems)
	out := map[string][]Marking{}
	for t.next() {
		part := t.must("part")
		out[part] = append(out[part], Marking{
			Code: t.must("code"), Plant: t.oneOf("plant_letter", "", "yes") == "yes",
			Maker: t.str("maker"), Memory: t.oneOf("how_known", "read", "from memory") == "from memory",
		})
		// Derived columns: what the part tables say already.
		for _, col := range [...]string{"polarity", "package", "file", "other_parts_same_code"} {
			t.find(col)
		}
	}
	t.close()
	return out
}

func loadBJTs(marks map[string][]Marking, problems *diag.List) []BJT {
	t := openTable("bjt.csv", bjtCSV, problems)
	out := make([]BJT, 0, 96)
	for t.next() {
		b := BJT{
			Part:     t.part(KindTransistor, marks, "pin1", "pin2", "pin3"),
			Family:   t.must("family"),
			Polarity: t.oneOf("polarity", NPN, PNP, NPNPrebiased, PNPPrebiased),
			VCEO:     num[unit.Volt](t, "vceo_V"), VCBO: num[unit.Volt](t, "vcbo_V"), VEBO: num[unit.Volt](t, "vebo_V"),
			IC: num[unit.Amp](t, "ic_max_A"), ICM: num[unit.Amp](t, "icm_max_A"),
			IB: num[unit.Amp](t, "ib_max_A"), IBM: num[unit.Amp](t, "ibm_max_A"),
			Ptot: num[unit.Watt](t, "ptot_W"), PtotCond: t.str("ptot_cond"),
			RthJA: num[unit.KelvinPerWatt](t, "rth_ja_K_per_W"), TjMax: num[unit.Celsius](t, "tj_max_degC"),
			Group: t.str("hfe_group"),
			FT:    num[unit.Hertz](t, "ft_min_Hz"), CobTyp: num[unit.Farad](t, "cob_typ_F"),
			CobMax: num[unit.Farad](t, "cob_max_F"), CibMax: num[unit.Farad](t, "cib_max_F"),
			Td: num[float64](t, "td_s"), Tr: num[float64](t, "tr_s"), Ts: num[float64](t, "ts_s"), Tf: num[float64](t, "tf_s"),
			SwitchCond: t.str("switch_cond"),
			R1:         num[unit.Ohm](t, "r1_ohm"), R1Min: num[unit.Ohm](t, "r1_min_ohm"), R1Max: num[unit.Ohm](t, "r1_max_ohm"),
			R2: num[unit.Ohm](t, "r2_ohm"), R2R1Min: num[float64](t, "r2r1_min"), R2R1Max: num[float64](t, "r2r1_max"),
			VIoffMax: num[unit.Volt](t, "vi_off_max_V"), VIoffCond: t.str("vi_off_cond"),
			VIonMin: num[unit.Volt](t, "vi_on_min_V"), VIonCond: t.str("vi_on_cond"),
		}
		b.Also = t.list("also")
		for _, p := range t.points("hfe_points", 4, 2, 3) {
			b.Gain = append(b.Gain, GainPoint{unit.Amp(p[0]), unit.Volt(p[1]), p[2], math.NaN(), p[3]})
		}
		for _, p := range t.points("hfe_typ_points", 3) {
			b.Gain = mergeGain(b.Gain, GainPoint{unit.Amp(p[0]), unit.Volt(p[1]), math.NaN(), p[2], math.NaN()})
		}
		sort.SliceStable(b.Gain, func(i, j int) bool {
			if b.Gain[i].IC != b.Gain[j].IC {
				return b.Gain[i].IC < b.Gain[j].IC
			}
			return b.Gain[i].VCE < b.Gain[j].VCE
		})
		for _, g := range b.Gain {
			t.order("hfe_points", g.Min, g.Typ, g.Max)
		}
		for _, p := range t.points("vcesat_max", 3) {
			b.VCEsat = append(b.VCEsat, SatPoint{unit.Amp(p[0]), unit.Amp(p[1]), unit.Absent[unit.Volt](), unit.Volt(p[2])})
		}
		for _, p := range t.points("vcesat_typ", 3) {
			b.VCEsat = mergeSat(b.VCEsat, SatPoint{unit.Amp(p[0]), unit.Amp(p[1]), unit.Volt(p[2]), unit.Absent[unit.Volt]()})
		}
		sort.SliceStable(b.VCEsat, func(i, j int) bool { return b.VCEsat[i].IC < b.VCEsat[j].IC })
		for _, s := range b.VCEsat {
			t.order("vcesat_max", float64(s.Typ), float64(s.Max))
		}
		none := unit.Absent[unit.Volt]()
		for _, p := range t.points("vbesat", 4, 2, 3) {
			b.VBEsat = append(b.VBEsat, VBEPoint{unit.Amp(p[0]), unit.Amp(p[1]), none, unit.Volt(p[2]), none, unit.Volt(p[3])})
		}
		for _, p := range t.points("vbesat_typ", 3) {
			b.VBEsat = mergeVBE(b.VBEsat, VBEPoint{unit.Amp(p[0]), unit.Amp(p[1]), none, none, unit.Volt(p[2]), none})
		}
		sort.SliceStable(b.VBEsat, func(i, j int) bool { return b.VBEsat[i].IC < b.VBEsat[j].IC })
		for _, p := range t.points("vbe_on", 5, 2, 3, 4) {
			b.VBEon = append(b.VBEon, VBEPoint{unit.Amp(p[0]), unit.Absent[unit.Amp](), unit.Volt(p[1]), unit.Volt(p[2]), unit.Volt(p[3]), unit.Volt(p[4])})
		}
		for _, v := range append(append([]VBEPoint(nil), b.VBEsat...), b.VBEon...) {
			t.order("vbesat", float64(v.Min), float64(v.Typ), float64(v.Max))
		}
		b.Leak = t.namedLeakages("leakage_max")
		t.order("vceo_V", float64(b.VCEO), float64(b.VCBO))
		t.order("ic_max_A", float64(b.IC), float64(b.ICM))
		t.order("r1_min_ohm", float64(b.R1Min), float64(b.R1), float64(b.R1Max))
		t.order("r2r1_min", b.R2R1Min, float64(b.R2)/float64(b.R1), b.R2R1Max)
		t.pins(b.Part, "B C E")
		out = append(out, b)
	}
	t.close()
	return out
}

// Entries of two columns at one test point become one point.
func mergeGain(gs []GainPoint, g GainPoint) []GainPoint {
	for i := range gs {
		if gs[i].IC == g.IC && gs[i].VCE == g.VCE {
			gs[i].Typ = g.Typ
			return gs
		}
	}
	return append(gs, g)
}

func mergeSat(ss []SatPoint, s SatPoint) []SatPoint {
	for i := range ss {
		if ss[i].IC == s.IC && ss[i].IB == s.IB {
			ss[i].Typ = s.Typ
			return ss
		}
	}
	return append(ss, s)
}

func mergeVBE(vs []VBEPoint, v VBEPoint) []VBEPoint {
	for i := range vs {
		if vs[i].IC == v.IC && vs[i].IB == v.IB {
			vs[i].Typ = v.Typ
			return vs
		}
	}
	return append(vs, v)
}

// namedLeakages reads "ICBO:1.5e-08:VCB=30,T=25" entries.
func (t *table) namedLeakages(col string) []Leakage {
	var out []Leakage
	for _, entry := range t.list(col) {
		f := strings.SplitN(entry, ":", 3)
		if len(f) != 3 {
			t.bad(col, "%q is not name:current:conditions", entry)
			continue
		}
		l := Leakage{Name: f[0], Max: unit.Amp(t.parse(col, f[1])), Conditions: f[2], V: unit.Absent[unit.Volt](), T: unit.FitTemperature}
		for c := range strings.SplitSeq(f[2], ",") {
			key, val, ok := strings.Cut(c, "=")
			if !ok {
				t.bad(col, "condition %q is not name=number", c)
				continue
			}
			x := t.parse(col, val)
			switch {
			case key == "T":
				l.T = unit.Celsius(x)
			case !unit.Known(l.V) && strings.HasPrefix(key, "V"):
				l.V = unit.Volt(x)
			}
		}
		out = append(out, l)
	}
	return out
}

func loadMOSFETs(marks map[string][]Marking, problems *diag.List) []MOSFET {
	t := openTable("mosfet.csv", mosfetCSV, problems)
	out := make([]MOSFET, 0, 16)
	for t.next() {
		m := MOSFET{
			Part:    t.part(KindMOSFET, marks, "pin1", "pin2", "pin3"),
			Channel: t.oneOf("channel", "N", "P"),
			VDS:     num[unit.Volt](t, "vds_V"), VGS: num[unit.Volt](t, "vgs_max_V"),
			VGSthMin: num[unit.Volt](t, "vgsth_min_V"), VGSthTyp: num[unit.Volt](t, "vgsth_typ_V"), VGSthMax: num[unit.Volt](t, "vgsth_max_V"),
			VGSthID: num[unit.Amp](t, "vgsth_id_A"), RDSonHot: num[float64](t, "rdson_hot_factor_125C"),
			ID: num[unit.Amp](t, "id_max_A"), IDM: num[unit.Amp](t, "idm_A"),
			Ptot: num[unit.Watt](t, "ptot_W"), PtotCond: t.str("ptot_cond"), RthJA: num[unit.KelvinPerWatt](t, "rth_ja_K_per_W"),
			Leak: t.leakages("idss_max", "IDSS"), VSD: t.ivs("vsd_max"),
			CissTyp: num[unit.Farad](t, "ciss_typ_F"), CissMax: num[unit.Farad](t, "ciss_max_F"),
			QgTyp: num[float64](t, "qg_typ_C"), QgMax: num[float64](t, "qg_max_C"), QgVGS: num[unit.Volt](t, "qg_vgs_V"),
			Td: num[float64](t, "td_on_s"), Tr: num[float64](t, "tr_s"), TdOff: num[float64](t, "td_off_s"), Tf: num[float64](t, "tf_s"),
		}
		for _, p := range t.points("rdson_max", 3, 1) {
			m.RDSon = append(m.RDSon, OnPoint{VGS: unit.Volt(p[0]), ID: unit.Amp(p[1]), Typ: unit.Absent[unit.Ohm](), Max: unit.Ohm(p[2])})
		}
	typical:
		for _, p := range t.points("rdson_typ", 3, 1) {
			for i := range m.RDSon {
				if id := m.RDSon[i].ID; m.RDSon[i].VGS == unit.Volt(p[0]) && (id == unit.Amp(p[1]) || !unit.Known(id) && math.IsNaN(p[1])) {
					m.RDSon[i].Typ = unit.Ohm(p[2])
					continue typical
				}
			}
			m.RDSon = append(m.RDSon, OnPoint{VGS: unit.Volt(p[0]), ID: unit.Amp(p[1]), Typ: unit.Ohm(p[2]), Max: unit.Absent[unit.Ohm]()})
		}
		sort.SliceStable(m.RDSon, func(i, j int) bool { return m.RDSon[i].VGS < m.RDSon[j].VGS })
		for _, r := range m.RDSon {
			t.order("rdson_max", float64(r.Typ), float64(r.Max))
		}
		t.order("vgsth_min_V", float64(m.VGSthMin), float64(m.VGSthTyp), float64(m.VGSthMax))
		t.pins(m.Part, "D G S")
		out = append(out, m)
	}
	t.close()
	return out
}

func loadDiodes(marks map[string][]Marking, problems *diag.List) []Diode {
	t := openTable("diode.csv", diodeCSV, problems)
	out := make([]Diode, 0, 96)
	for t.next() {
		d := Diode{
			Part: t.part(KindDiode, marks, "pin1", "pin2", "pin3", "pin4"),
			Type: t.oneOf("type", "switching", "schottky", "rectifier", "bridge", "zener"),
			VRRM: num[unit.Volt](t, "vrrm_V"), VR: num[unit.Volt](t, "vr_V"), IF: num[unit.Amp](t, "if_max_A"),
			VFtyp: t.ivs("vf_typ"), VFmax: t.ivs("vf_max"), IR: t.leakages("ir_max", "IR"),
			Trr: num[float64](t, "trr_s"), CTyp: num[unit.Farad](t, "c_typ_F"), CMax: num[unit.Farad](t, "c_max_F"),
			RthJA: num[unit.KelvinPerWatt](t, "rth_ja_K_per_W"), RthJL: num[unit.KelvinPerWatt](t, "rth_jl_K_per_W"),
			Ptot: num[unit.Watt](t, "ptot_W"), PtotCond: t.str("ptot_cond"), TjMax: num[unit.Celsius](t, "tj_max_degC"),
			VZnom: num[unit.Volt](t, "vz_nom_V"), VZmin: num[unit.Volt](t, "vz_min_V"), VZmax: num[unit.Volt](t, "vz_max_V"),
			IZT: num[unit.Amp](t, "izt_A"), ZZT: num[unit.Ohm](t, "zzt_max_ohm"), ZZK: num[unit.Ohm](t, "zzk_max_ohm"),
			IZK: num[unit.Amp](t, "izk_A"), TCmin: t.signed("tc_min_per_K"), TCmax: t.signed("tc_max_per_K"),
		}
		for _, entry := range t.list("ifsm") {
			pulse, i, ok := strings.Cut(entry, ":")
			if !ok {
				t.bad("ifsm", "%q is not pulse:current", entry)
			}
			d.IFSM = append(d.IFSM, Surge{pulse, unit.Amp(t.parse("ifsm", i))})
		}
		t.order("vz_min_V", float64(d.VZmin), float64(d.VZnom), float64(d.VZmax))
		t.order("tc_min_per_K", d.TCmin, d.TCmax)
		if (d.Type == "zener") != unit.Known(d.VZnom) {
			t.bad("vz_nom_V", "a zener voltage belongs to a zener and to nothing else")
		}
		if _, err := junctions(d.Part, d.Type); err != "" {
			t.bad("pin1", "%s", err)
		}
		out = append(out, d)
	}
	t.close()
	return out
}

func loadLEDs(problems *diag.List) []LED {
	t := openTable("led.csv", ledCSV, problems)
	out := make([]LED, 0, 48)
	for t.next() {
		l := LED{
			Part:     t.part(KindLED, nil),
			ClassRow: t.oneOf("row_kind", "class_typical", "example") == "class_typical",
			Class:    t.must("class"), Chip: t.must("chip"), CCT: t.str("cct_K"), Lambda: num[float64](t, "lambda_dom_m"),
			IFtest: num[unit.Amp](t, "if_test_A"), VFmin: num[unit.Volt](t, "vf_min_V"), VFtyp: num[unit.Volt](t, "vf_typ_V"), VFmax: num[unit.Volt](t, "vf_max_V"),
			VFpoints: t.ivs("vf_points"), IFmax: num[unit.Amp](t, "if_max_A"), IFpeak: num[unit.Amp](t, "if_peak_A"), VRmax: num[unit.Volt](t, "vr_max_V"),
			Ptot: num[unit.Watt](t, "ptot_W"), IVmin: num[float64](t, "iv_min_cd"), IVtyp: num[float64](t, "iv_typ_cd"),
			ViewAngle: num[float64](t, "view_angle_deg"), TjMax: num[unit.Celsius](t, "tj_max_degC"),
			ModelIS: num[unit.Amp](t, "model_is_A"), ModelN: num[float64](t, "model_n"), ModelRS: num[unit.Ohm](t, "model_rs_ohm"), ModelError: num[unit.Volt](t, "model_fit_error_V"),
			IVexponent: num[float64](t, "iv_exponent"), DVFdT: t.signed("dvf_dT_V_per_K"), IVperK: t.signed("iv_rel_per_K"),
		}
		t.order("vf_min_V", float64(l.VFmin), float64(l.VFtyp), float64(l.VFmax))
		t.order("iv_min_cd", l.IVmin, l.IVtyp)
		t.order("if_max_A", float64(l.IFmax), float64(l.IFpeak))
		out = append(out, l)
	}
	t.close()
	return out
}

func loadRegulators(marks map[string][]Marking, problems *diag.List) []Regulator {
	t := openTable("regulator.csv", regulatorCSV, problems)
	out := make([]Regulator, 0, 32)
	for t.next() {
		r := Regulator{
			Part:      t.part(KindRegulator, marks, "pin1", "pin2", "pin3"),
			Type:      t.must("type"),
			VinAbsMax: num[unit.Volt](t, "vin_abs_max_V"), VinMin: num[unit.Volt](t, "vin_op_min_V"), VinMax: num[unit.Volt](t, "vin_op_max_V"),
			Vout: num[unit.Volt](t, "vout_nom_V"), VoutMin: num[unit.Volt](t, "vout_min_V"), VoutMax: num[unit.Volt](t, "vout_max_V"), VoutCond: t.str("vout_cond"),
			IoutMax: num[unit.Amp](t, "iout_max_A"), ISC: num[unit.Amp](t, "isc_typ_A"),
			DropoutTyp: t.ivs("dropout_typ"), DropoutMax: t.ivs("dropout_max"),
			IQtyp: num[unit.Amp](t, "iq_typ_A"), IQmax: num[unit.Amp](t, "iq_max_A"),
			CinMin: num[unit.Farad](t, "cin_min_F"), CoutMin: num[unit.Farad](t, "cout_min_F"), CoutMax: num[unit.Farad](t, "cout_max_F"),
			ESRMin: num[unit.Ohm](t, "cout_esr_min_ohm"), ESRMax: num[unit.Ohm](t, "cout_esr_max_ohm"),
			RthJA: num[unit.KelvinPerWatt](t, "rth_ja_K_per_W"), Ptot: num[unit.Watt](t, "ptot_W"), TjMax: num[unit.Celsius](t, "tj_max_degC"),
			Tab: t.str("tab"),
		}
		r.Also = t.list("also")
		for _, p := range t.points("ignd_load", 3, 1, 2) {
			r.Ground = append(r.Ground, GroundPoint{unit.Amp(p[0]), unit.Amp(p[1]), unit.Amp(p[2])})
		}
		t.order("vin_op_max_V", float64(r.VinMin), float64(r.VinMax), float64(r.VinAbsMax))
		t.order("vout_nom_V", float64(r.VoutMin), float64(r.Vout), float64(r.VoutMax))
		t.order("iq_typ_A", float64(r.IQtyp), float64(r.IQmax))
		t.order("cout_min_F", float64(r.CoutMin), float64(r.CoutMax))
		t.pins(r.Part, "GND IN OUT")
		out = append(out, r)
	}
	t.close()
	return out
}

func loadElectrolytics(problems *diag.List) []Electrolytic {
	t := openTable("capacitor_electrolytic.csv", electrolyticCSV, problems)
	var out []Electrolytic
	for t.next() {
		out = append(out, Electrolytic{
			Kind: t.must("kind"), C: num[unit.Farad](t, "c_F"), VRated: num[unit.Volt](t, "v_rated_V"),
			TanDelta: num[float64](t, "tan_delta_120Hz"), ESRMax: num[unit.Ohm](t, "esr_120Hz_max_ohm"), LeakMax: num[unit.Amp](t, "leakage_max_A"),
			Diameter: t.micrometres("diameter_m"), Length: t.micrometres("length_m"), Ripple: t.str("ripple_note"),
			Source: t.must("source"), Note: t.str("note"), Memory: t.list("memory_fields"),
		})
	}
	t.close()
	return out
}

func loadMLCCBias(problems *diag.List) []MLCCBias {
	t := openTable("capacitor_mlcc_bias.csv", mlccCSV, problems)
	var out []MLCCBias
	for t.next() {
		m := MLCCBias{
			Dielectric: t.must("dielectric"), Case: t.must("case"), C: num[unit.Farad](t, "c_nominal_F"),
			VRated: num[unit.Volt](t, "v_rated_V"), Min: num[unit.Ratio](t, "c_ratio_min"), Typ: num[unit.Ratio](t, "c_ratio_typ"), Max: num[unit.Ratio](t, "c_ratio_max"),
			Source: t.must("source"), Note: t.str("note"), Memory: t.list("memory_fields"),
		}
		if t.str("v_bias_V") == "any" { // a dielectric that does not care
			m.VBias = unit.Absent[unit.Volt]()
		} else {
			m.VBias = num[unit.Volt](t, "v_bias_V")
		}
		t.order("c_ratio_min", float64(m.Min), float64(m.Typ), float64(m.Max))
		out = append(out, m)
	}
	t.close()
	return out
}

func loadCapacitorRules(problems *diag.List) []CapacitorRule {
	t := openTable("capacitor_rules.csv", capRulesCSV, problems)
	var out []CapacitorRule
	for t.next() {
		out = append(out, CapacitorRule{t.must("kind"), t.must("item"), t.must("value"), t.must("unit"), t.str("condition"), t.must("source")})
	}
	t.close()
	return out
}

func loadResistorPackages(problems *diag.List) []ResistorPackage {
	t := openTable("resistor_package.csv", resistorPackageCSV, problems)
	var out []ResistorPackage
	for t.next() {
		out = append(out, ResistorPackage{
			Package: t.must("package"), Kind: t.must("kind"), Length: t.micrometres("length_m"), Width: t.micrometres("width_or_diameter_m"),
			P70: num[unit.Watt](t, "p70_W"), VWork: num[unit.Volt](t, "v_work_max_V"), VOverload: num[unit.Volt](t, "v_overload_max_V"),
			JumperRated: num[unit.Amp](t, "jumper_rated_A"), JumperMax: num[unit.Amp](t, "jumper_max_A"),
			DerateFrom: num[unit.Celsius](t, "derate_from_degC"), DerateTo: num[unit.Celsius](t, "derate_to_zero_degC"), Source: t.must("source"),
		})
	}
	t.close()
	return out
}
