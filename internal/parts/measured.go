package parts

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"fettle/internal/unit"
)

// A Taken is a voltage that a user measured on a part, and the current at which it was: Absent for a meter's
// diode test, which passes about a milliampere.
type Taken struct {
	I unit.Amp
	V unit.Volt
	// Within is ± what V is known to; zero: an ordinary hand meter's error.
	Within unit.Volt
}

func (t Taken) String() string {
	if !unit.Known(t.I) {
		return t.V.String() + " on the diode test"
	}
	return t.V.String() + " at " + t.I.String()
}

// Measured is what a user found on the pieces of one bag. The zero value is nothing.
type Measured struct {
	HFE    float64   // gain; zero or NaN: not measured
	HFEat  unit.Amp  // its collector current; absent: a meter's gain socket (TesterBase into the base)
	HFEvce unit.Volt // its collector-emitter voltage; absent: not said
	// HFEerror is the ± share within which the gain was found; absent or zero: what is usual of a hand meter.
	HFEerror unit.Ratio

	BE, BC []Taken   // of a transistor: base-emitter with the collector open, base-collector with the emitter open
	VF     []Taken   // of a diode or LED, by rising current, the diode test first
	VZ     []Taken   // of a zener
	VGSth  []Taken   // of a MOSFET, gate joined to drain
	RDSon  []OnTaken // of a MOSFET, by rising gate voltage
	IDSS   unit.Amp  // of a MOSFET, gate joined to source; zero: not measured
	// IDSSBelow: the meter told nothing from nothing, and IDSS is what it would have told.
	IDSSBelow bool
}

// An OnTaken is a resistance between drain and source that a user measured at a gate voltage.
type OnTaken struct {
	VGS unit.Volt
	ID  unit.Amp // absent: not said
	R   unit.Ohm
}

func (t OnTaken) String() string {
	if !unit.Known(t.ID) {
		return fmt.Sprintf("RDS(on) %v at VGS %v", t.R, t.VGS)
	}
	return fmt.Sprintf("RDS(on) %v at VGS %v and %v", t.R, t.VGS, t.ID)
}

// TesterCurrent is what a meter's diode test passes, and TesterBase what its gain socket feeds into the base
// (common practice, from memory: 0.5 to 1.5 mA, and 10 µA from about 3 V).
const (
	TesterCurrent = unit.Amp(1e-3)
	TesterBase    = unit.Amp(10e-6)
)

// Any reports whether anything was measured.
func (m Measured) Any() bool {
	return m.HFE > 0 || len(m.BE)+len(m.BC)+len(m.VF)+len(m.VZ)+len(m.VGSth)+len(m.RDSon) > 0 || m.IDSS > 0
}

// String says what was measured: "hFE 180 at 2 mA, base-emitter 680 mV on the diode test".
func (m Measured) String() string {
	var out []string
	if m.HFE > 0 {
		s := fmt.Sprintf("hFE %g", m.HFE)
		if unit.Known(m.HFEat) && m.HFEat > 0 {
			s += " at " + m.HFEat.String()
		}
		out = append(out, s)
	}
	for _, k := range []struct {
		name string
		list []Taken
	}{{"base-emitter", m.BE}, {"base-collector", m.BC}, {"VF", m.VF}, {"VZ", m.VZ}, {"VGS(th)", m.VGSth}} {
		for _, t := range k.list {
			out = append(out, k.name+" "+t.String())
		}
	}
	for _, t := range m.RDSon {
		out = append(out, t.String())
	}
	if m.IDSS > 0 {
		out = append(out, "IDSS "+m.leak())
	}
	return strings.Join(out, ", ")
}

// leak is the measured IDSS in words.
func (m Measured) leak() string {
	if m.IDSSBelow {
		return "below " + m.IDSS.String()
	}
	return m.IDSS.String()
}

// Measured returns what was measured on the pieces of a part on hand; the first bag that holds any stands.
func (d *Drawer) Measured(part string) (Measured, bool) {
	if d == nil || part == "" {
		return Measured{}, false
	}
	f := fold(part)
	for _, it := range d.Items {
		if it.Part != "" && it.Measured.Any() && (fold(it.Part) == f || fold(baseName(it.Part)) == f) {
			return it.Measured, true
		}
	}
	return Measured{}, false
}

// NotToldApart says why a bag with only a marking cannot be used: its marking fits several parts. It is "" for
// every other bag.
func (it Item) NotToldApart() string {
	if it.Part != "" || len(it.Candidates) < 2 {
		return ""
	}
	last := len(it.Candidates) - 1
	return "look-alike marking not told apart yet: " + strings.Join(it.Candidates[:last], ", ") + " or " + it.Candidates[last]
}

// Columns of measurements: the kinds they belong to and the range of readings that make sense. A silicon
// junction reads 0.45 to 0.85 V at a milliampere, a Schottky one 0.1 to 0.45 V (common practice, no source);
// the limits leave room for germanium, hot parts and Darlingtons.
var takenColumns = []struct {
	column    string
	kinds     []string
	low, high unit.Volt
	what      string
}{
	{"be_test", []string{KindTransistor}, 0.1, 2, "a base-emitter junction"},
	{"bc_test", []string{KindTransistor}, 0.1, 1.2, "a base-collector junction"},
	{"vf_measured", []string{KindDiode, KindLED}, 0.05, 5, "a diode or LED"},
	{"vz_measured", []string{KindDiode}, 1, 200, "a zener"},
	{"vth_measured", []string{KindMOSFET}, 0.2, 10, "the threshold of a MOSFET"},
}

// measured reads the columns of what was measured.
func (r *drawerReader) measured() Measured {
	m := Measured{
		HFE:      r.quantity("hfe", unit.Number, true),
		HFEat:    unit.Amp(r.quantity("hfe_at", unit.Current, true)),
		HFEvce:   unit.Volt(r.quantity("hfe_vce", unit.Voltage, true)),
		HFEerror: r.gainError(),
	}
	for i, list := range []*[]Taken{&m.BE, &m.BC, &m.VF, &m.VZ, &m.VGSth} {
		*list = r.taken(i)
	}
	if within := r.dropError(); within > 0 {
		for i := range m.VF {
			m.VF[i].Within = within
		}
	}
	m.RDSon = r.on()
	m.IDSS, m.IDSSBelow = r.leak()
	return m
}

// gainError reads the column hfe_error, a share below one half.
func (r *drawerReader) gainError() unit.Ratio {
	x := r.quantity("hfe_error", unit.Fraction, true)
	if x > 0.5 {
		f := r.field("hfe_error")
		r.add("quantity-range", f, "hfe_error: %s, where a measured gain is known to within 50 %%", f.text)
		return unit.Absent[unit.Ratio]()
	}
	return unit.Ratio(x)
}

// dropError reads the column vf_error, below half a volt.
func (r *drawerReader) dropError() unit.Volt {
	x := r.quantity("vf_error", unit.Voltage, true)
	f := r.field("vf_error")
	switch {
	case x > 0.5:
		r.add("quantity-range", f, "vf_error: %s, where a measured drop is known to within 0.5 V", f.text)
		return 0
	case x > 0 && r.field("vf_measured").text == "":
		r.warn("vf-missing", f, "an error of a drop without vf_measured")
	}
	return unit.Or(unit.Volt(x), 0)
}

// Limits of what a user may have read on a MOSFET: no part of a small decoder is on with less or leaks more (common practice,
// no source).
const (
	onLeastOhm, onMostOhm = unit.Ohm(1e-3), unit.Ohm(100)
	gateLeast, gateMost   = unit.Volt(0.5), unit.Volt(20)
	leakLeast, leakMost   = unit.Amp(1e-10), unit.Amp(1e-3)
)

// on reads "4.7 V: 1.9 Ω; 3.3 V / 20 mA: 2.6 Ω".
func (r *drawerReader) on() (out []OnTaken) {
	const column = "rdson_measured"
	f := r.field(column)
	for _, e := range r.entries(f) {
		at, value, two := strings.Cut(e.text, ":")
		if !two {
			r.badEntry(f, e, "%s: a gate voltage, a colon and a resistance are wanted: 4.7 V: 1.9 Ω", column)
			continue
		}
		gate, current, with := strings.Cut(at, "/")
		t := OnTaken{ID: unit.Absent[unit.Amp]()}
		v, ok := r.pointQuantity(f, e, gate, unit.Voltage)
		if ok && with {
			var i float64
			i, ok = r.pointQuantity(f, e, current, unit.Current)
			t.ID = unit.Amp(i)
		}
		if !ok {
			continue
		}
		x, ok := r.pointQuantity(f, e, value, unit.Resistance)
		if !ok {
			continue
		}
		switch t.VGS, t.R = unit.Volt(v), unit.Ohm(x); {
		case t.VGS < gateLeast || t.VGS > gateMost:
			r.badEntry(f, e, "%s: a gate voltage of %v, where %v to %v is usual", column, t.VGS, gateLeast, gateMost)
			continue
		case t.R < onLeastOhm || t.R > onMostOhm:
			r.badEntry(f, e, "%s: %v, where a MOSFET that is on has %v to %v", column, t.R, onLeastOhm, onMostOhm)
			continue
		}
		out = append(out, t)
	}
	slices.SortStableFunc(out, func(a, b OnTaken) int { return cmp.Compare(a.VGS, b.VGS) })
	for i := 1; i < len(out); i++ {
		if a, b := out[i-1], out[i]; b.VGS == a.VGS || b.R > a.R {
			r.add("points-order", f, "%s: %v at VGS %v is not below %v at VGS %v", column, b.R, b.VGS, a.R, a.VGS)
			return nil
		}
	}
	return out
}

// leak reads "80 nA", "12 V: 80 nA" or "< 100 nA": which drain voltage it was matters little.
func (r *drawerReader) leak() (i unit.Amp, below bool) {
	const column = "idss_measured"
	f := r.field(column)
	list := r.entries(f)
	if len(list) == 0 {
		return 0, false
	}
	e := list[0]
	if len(list) > 1 {
		r.badEntry(f, list[1], "%s: one current is wanted", column)
		return 0, false
	}
	text := e.text
	if at, value, two := strings.Cut(text, ":"); two {
		if _, ok := r.pointQuantity(f, e, at, unit.Voltage); !ok {
			return 0, false
		}
		text = value
	}
	text, below = strings.CutPrefix(strings.TrimSpace(text), "<")
	x, ok := r.pointQuantity(f, e, text, unit.Current)
	if i = unit.Amp(x); ok && (i < leakLeast || i > leakMost) {
		r.badEntry(f, e, "%s: %v, where a MOSFET that is off lets through %v to %v", column, i, leakLeast, leakMost)
		ok = false
	}
	if !ok {
		return 0, false
	}
	return i, below
}

// taken reads "0.68 V" (the diode test) or "1 mA: 1.78 V; 10 mA: 1.92 V".
func (r *drawerReader) taken(k int) []Taken {
	c := takenColumns[k]
	f := r.field(c.column)
	var out []Taken
	entries := r.entries(f)
	for _, e := range entries {
		at, v, two := strings.Cut(e.text, ":")
		if !two {
			at, v = "", at
		}
		t := Taken{I: unit.Absent[unit.Amp]()}
		if two {
			i, ok := r.pointQuantity(f, e, at, unit.Current)
			if !ok {
				continue
			}
			t.I = unit.Amp(i)
		}
		v = strings.TrimSpace(v)
		x, err := unit.ParseVolt(v)
		if err != nil {
			p := r.badEntry(f, e, "%s: %q: %s", c.column, v, err.Problem)
			// A bare number below ten is volts, one of hundreds millivolts: what meters show.
			if y, bare := unit.Parse(v, unit.Number); bare == nil && len(entries) == 1 && !two {
				switch {
				case unit.Volt(y) >= c.low && unit.Volt(y) <= c.high:
					r.mend(p, f, v+" V")
				case unit.Volt(y)/1000 >= c.low && unit.Volt(y)/1000 <= c.high:
					r.mend(p, f, v+" mV")
				}
			}
			continue
		}
		if x < c.low || x > c.high {
			r.badEntry(f, e, "%s: %v, where %s reads %v to %v", c.column, x, c.what, c.low, c.high)
			continue
		}
		t.V = x
		out = append(out, t)
	}
	current := func(t Taken) float64 {
		if !unit.Known(t.I) {
			return float64(TesterCurrent)
		}
		return float64(t.I)
	}
	slices.SortStableFunc(out, func(a, b Taken) int {
		switch ia, ib := current(a), current(b); {
		case ia < ib:
			return -1
		case ia > ib:
			return 1
		}
		return 0
	})
	for i := 1; i < len(out); i++ {
		if out[i].V <= out[i-1].V || current(out[i]) == current(out[i-1]) {
			r.add("points-order", f, "%s: the voltage at %v (%v) is not above that at %v (%v)", c.column,
				unit.Amp(current(out[i])), out[i].V, unit.Amp(current(out[i-1])), out[i-1].V)
			return nil
		}
	}
	return out
}

// checkMeasured reports measurements that do not belong to the kind of part, and those that contradict each other.
func (r *drawerReader) checkMeasured(it Item) {
	for _, c := range takenColumns {
		if f := r.field(c.column); f.text != "" && it.Kind != "" && !slices.Contains(c.kinds, it.Kind) {
			r.add("measured-misplaced", f, "%s belongs to %s, and %s is a %s", c.column, c.what, it.Text, it.Kind)
		}
	}
	for _, column := range []string{"rdson_measured", "idss_measured"} {
		if f := r.field(column); f.text != "" && it.Kind != "" && it.Kind != KindMOSFET {
			r.add("measured-misplaced", f, "%s belongs to a MOSFET, and %s is a %s", column, it.Text, it.Kind)
		}
	}
	if f := r.field("hfe_vce"); f.text != "" && !(it.HFE > 0) && r.field("hfe").text == "" {
		r.warn("hfe-missing", f, "a voltage without a measured hFE")
	}
	// The emitter is doped more heavily than the collector, so that its junction reads a little more; 5 mV is the
	// error of an ordinary meter.
	if len(it.BE) > 0 && len(it.BC) > 0 && unit.Known(it.BE[0].I) == unit.Known(it.BC[0].I) && it.BE[0].V < it.BC[0].V-5e-3 {
		r.warn("measured-swapped", r.field("be_test"), "base-emitter %v reads less than base-collector %v: collector and emitter swapped?", it.BE[0].V, it.BC[0].V)
	}
}

// marked finds what a bag with only a marking may hold. Polarity, kind and package narrow it down.
func (r *drawerReader) marked(it *Item, f field) {
	it.Marking = f.text
	polarity := strings.ToUpper(r.field("polarity").text)
	pkg := r.field("package").text
	all := r.catalogue.ByMarking(f.text, pkg)
	var fit []Candidate
	for _, c := range all {
		p := c.Part.Common()
		b, isBJT := c.Part.(BJT)
		switch {
		case it.Kind != "" && p.Kind != it.Kind,
			polarity != "" && isBJT && !strings.HasPrefix(b.Polarity, polarity):
			continue
		case pkg != "" && !c.Fits:
			continue
		}
		fit = append(fit, c)
	}
	if len(fit) == 0 {
		switch {
		case len(all) > 0:
			r.warn("marking-unknown", f, "what is marked %q is no such part: %s", f.text, strings.Join(namesOf(all), ", "))
		default:
			r.warn("marking-unknown", f, "no part of the catalogue is marked %q; the bag will not be used until it is measured (fettle part --measured)", f.text)
		}
		return
	}
	it.Candidates = namesOf(fit)
	if it.Kind == "" {
		it.Kind = fit[0].Part.Common().Kind
		for _, c := range fit {
			if c.Part.Common().Kind != it.Kind {
				it.Kind = ""
				break
			}
		}
	}
	if len(it.Candidates) > 1 {
		return
	}
	p := fit[0].Part.Common()
	it.Part, it.Kind, it.Package = p.Name, p.Kind, p.Package
	if b, ok := fit[0].Part.(BJT); ok {
		it.Polarity = b.Polarity
	}
}

func namesOf(list []Candidate) []string {
	var out []string
	for _, c := range list {
		if n := c.Part.Common().Name; !slices.Contains(out, n) {
			out = append(out, n)
		}
	}
	return out
}

// checkMarking warns where a part is named that its marking does not stand for.
func (r *drawerReader) checkMarking(it *Item, f field) {
	it.Marking = f.text
	names := namesOf(r.catalogue.ByMarking(f.text, ""))
	if it.Part == "" || len(names) == 0 || slices.Contains(names, it.Part) {
		return
	}
	if _, own := r.catalogue.Find(it.Part); !own {
		return // a part of one's own may be marked as one likes
	}
	r.warn("marking-other", f, "%q stands for %s, not for %s", f.text, strings.Join(names, " or "), it.Part)
}

// unmarked makes a part of a bag without a name: what was measured, and nothing else.
func (r *drawerReader) unmarked(it *Item) {
	what := it.Kind
	if p := r.field("polarity").text; p != "" {
		what = strings.ToUpper(p) + " " + what
	}
	it.Text = fmt.Sprintf("unmarked %s, row %d", what, r.rowLine)
	if !r.describe(it, field{it.Text, -1}) {
		r.problems.Warn("part-unknown", r.rowRange(), "too little is known of the %s: %s", it.Kind, measureMore(it.Kind))
	}
}

// measureMore says what would make a part without a sheet usable.
func measureMore(kind string) string {
	switch kind {
	case KindTransistor:
		return "polarity and a measured hfe with its hfe_at would make it usable"
	case KindLED, KindDiode:
		return "vf_measured, better at two currents, would make it usable"
	case KindMOSFET:
		return "polarity (N or P), vth_measured and rdson_measured would make it usable"
	}
	return "it cannot be used"
}

// ownGain is the gain of a part without a sheet, as it was measured. A gain socket tells neither current nor
// voltage: TesterBase times the gain, at 3 V.
func (m Measured) ownGain() []GainPoint {
	if !(m.HFE > 0) {
		return nil
	}
	ic := m.HFEat
	if !unit.Known(ic) {
		ic = unit.Amp(m.HFE) * TesterBase
	}
	return []GainPoint{{IC: ic, VCE: unit.Or(m.HFEvce, 3), Min: 0.9 * m.HFE, Typ: m.HFE, Max: 1.1 * m.HFE}}
}

// points turns measurements into points of a characteristic.
func points(list []Taken) []IV {
	var out []IV
	for _, t := range list {
		out = append(out, IV{unit.Or(t.I, TesterCurrent), t.V})
	}
	return out
}

// ownMOSFET makes a part of a measured threshold. Ratings stay unknown, and so does RDS(on) where it was not measured.
func (r *drawerReader) ownMOSFET(it *Item, f field) {
	nan, none := math.NaN(), unit.Absent[unit.Volt]()
	q := MOSFET{
		Part: r.ownPart(it, f), VDS: none, VGS: none, VGSthMin: none, VGSthTyp: none, VGSthMax: none, VGSthID: unit.Amp(nan), RDSonHot: nan,
		ID: unit.Amp(r.quantity("ic_max", unit.Current, true)), IDM: unit.Amp(nan), Ptot: unit.Watt(r.quantity("ptot", unit.Power, true)),
		RthJA: unit.KelvinPerWatt(nan), CissTyp: unit.Farad(nan), CissMax: unit.Farad(nan), QgTyp: nan, QgMax: nan, QgVGS: none,
		Td: nan, Tr: nan, TdOff: nan, Tf: nan,
	}
	r.need(q.Name, "polarity", "vth_measured")
	if p := r.field("polarity"); p.text != "" {
		switch strings.ToUpper(strings.TrimRight(strings.TrimSuffix(strings.ToLower(p.text), "channel"), "- ")) {
		case "N", "NMOS":
			q.Channel = "N"
		case "P", "PMOS":
			q.Channel = "P"
		default:
			near := ""
			switch strings.ToUpper(p.text) {
			case NPN:
				near = "N"
			case PNP:
				near = "P"
			}
			r.mend(r.add("polarity-wrong", p, "polarity %q of a MOSFET is neither N nor P", p.text), p, near)
		}
	}
	it.Polarity = q.Channel
	if len(it.VGSth) > 0 {
		t := it.VGSth[0]
		q.VGSthTyp, q.VGSthID = t.V, unit.Or(t.I, TesterCurrent)
	}
	if q.Channel != "" && unit.Known(q.VGSthTyp) {
		r.drawer.MOSFETs = append(r.drawer.MOSFETs, q)
	}
}

// IsZener reports whether the diode is used in its breakdown.
func (d Diode) IsZener() bool { return d.Type == "zener" }

// OnAt is the line of the RDS(on) table that is guaranteed with the gate at vgs: the one of the highest listed VGS
// not above it. ok is false where nothing is guaranteed: VGS(th) is the beginning of conduction, not "on".
func (m MOSFET) OnAt(vgs unit.Volt) (on OnPoint, ok bool) {
	for _, p := range m.RDSon {
		if p.VGS <= vgs && unit.Known(p.Max) {
			on, ok = p, true
		}
	}
	return on, ok
}

// LeastOn is the line of the lowest gate voltage at which an RDS(on) is guaranteed.
func (m MOSFET) LeastOn() (on OnPoint, ok bool) {
	for _, p := range m.RDSon {
		if unit.Known(p.Max) && (!ok || p.VGS < on.VGS) {
			on, ok = p, true
		}
	}
	return on, ok
}

// LeastVGS is its gate voltage.
func (m MOSFET) LeastVGS() (v unit.Volt, ok bool) {
	on, ok := m.LeastOn()
	return on.VGS, ok
}
