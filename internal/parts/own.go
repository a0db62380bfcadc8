package parts

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"fettle/internal/diag"
	"fettle/internal/unit"
)

// describe reads the columns with which a user describes a part of their own. It reports whether the row
// holds any of them.
func (r *drawerReader) describe(it *Item, f field) bool {
	any := func(columns ...string) bool {
		for _, c := range columns {
			if r.field(c).text != "" {
				return true
			}
		}
		return false
	}
	switch {
	case it.Kind == KindMOSFET && any("polarity", "vth_measured"):
		r.ownMOSFET(it, f)
	case any("polarity", "vceo", "ic_max", "hfe_points", "vcesat_points", "vbesat_points"):
		r.ownKind(it, KindTransistor)
		r.ownBJT(it, f)
	case any("vf_points", "colour", "if_max", "vr_max"), it.Kind == KindLED && any("vf_measured"), it.Kind == KindDiode && any("vf_measured", "vz_measured"):
		if it.Kind == KindDiode {
			r.ownDiode(it, f)
			break
		}
		r.ownKind(it, KindLED)
		r.ownLED(it, f)
	default:
		return false
	}
	return true
}

func (r *drawerReader) ownKind(it *Item, kind string) {
	if it.Kind != "" && it.Kind != kind {
		k := r.field("kind")
		r.mend(r.add("kind-wrong", k, "the row describes a %s, and calls it a %s", kind, it.Kind), k, kind)
	}
	it.Kind = kind
}

func (r *drawerReader) ownPart(it *Item, f field) Part {
	it.Part, it.Package = f.text, r.field("package").text
	return Part{
		Name: f.text, Kind: it.Kind, Package: it.Package, Note: it.Note,
		Source: fmt.Sprintf("%s, row %d: the user's own figures", r.file, r.rowLine),
	}
}

// need reports a column without which a described part is of no use.
func (r *drawerReader) need(name string, columns ...string) {
	var missing []string
	for _, c := range columns {
		if r.field(c).text == "" {
			missing = append(missing, c)
		}
	}
	if len(missing) > 0 {
		r.problems.Add("part-incomplete", r.rowRange(), "%s is described, but without %s", name, strings.Join(missing, ", "))
	}
}

func (r *drawerReader) ownBJT(it *Item, f field) {
	none := unit.Absent[unit.Volt]()
	nan := math.NaN()
	b := BJT{
		Part: r.ownPart(it, f), Family: "own",
		VCEO: unit.Volt(r.quantity("vceo", unit.Voltage, true)), VCBO: none, VEBO: none,
		IC: unit.Amp(r.quantity("ic_max", unit.Current, true)), ICM: unit.Amp(nan), IB: unit.Amp(nan), IBM: unit.Amp(nan),
		Ptot: unit.Watt(r.quantity("ptot", unit.Power, true)), RthJA: unit.KelvinPerWatt(nan), TjMax: unit.Celsius(nan),
		FT: unit.Hertz(nan), CobTyp: unit.Farad(nan), CobMax: unit.Farad(nan), CibMax: unit.Farad(nan),
		Td: nan, Tr: nan, Ts: nan, Tf: nan, R1: unit.Ohm(nan), R1Min: unit.Ohm(nan), R1Max: unit.Ohm(nan), R2: unit.Ohm(nan),
		R2R1Min: nan, R2R1Max: nan, VIoffMax: none, VIonMin: none,
	}
	measured := r.field("hfe").text != "" // what was measured stands for a sheet; ratings nobody knows stay unknown
	if measured {
		r.need(b.Name, "polarity")
	} else {
		r.need(b.Name, "polarity", "vceo", "ic_max", "hfe_points")
	}
	if p := r.field("polarity"); p.text != "" {
		if b.Polarity = strings.ToUpper(p.text); b.Polarity != NPN && b.Polarity != PNP {
			near := ""
			if strings.HasPrefix(b.Polarity, "N") {
				near = NPN
			} else if strings.HasPrefix(b.Polarity, "P") {
				near = PNP
			}
			r.mend(r.add("polarity-wrong", p, "polarity %q is neither NPN nor PNP", p.text), p, near)
			b.Polarity = near
		}
	}
	it.Polarity = b.Polarity
	if p := r.field("pins"); p.text != "" {
		b.Pins = strings.FieldsFunc(strings.ToUpper(p.text), func(c rune) bool { return strings.ContainsRune(" -/,;", c) })
		if len(b.Pins) == 1 && len(b.Pins[0]) == 3 {
			b.Pins = strings.Split(b.Pins[0], "")
		}
		order := append([]string(nil), b.Pins...)
		sort.Strings(order)
		if strings.Join(order, "") != "BCE" {
			r.add("pins-wrong", p, "pins %q are not B, C and E in some order", p.text)
			b.Pins = nil
		}
	}
	for _, p := range r.points("hfe_points", true) {
		b.Gain = append(b.Gain, GainPoint{unit.Amp(p.i), unit.Volt(p.second), p.low, nan, p.high})
	}
	if len(b.Gain) == 0 {
		b.Gain = it.ownGain()
	}
	for _, p := range r.points("vcesat_points", false) {
		b.VCEsat = append(b.VCEsat, SatPoint{unit.Amp(p.i), unit.Amp(p.second), none, unit.Volt(p.low)})
	}
	for _, p := range r.points("vbesat_points", false) {
		b.VBEsat = append(b.VBEsat, VBEPoint{unit.Amp(p.i), unit.Amp(p.second), none, none, none, unit.Volt(p.low)})
	}
	if b.Polarity != "" && len(b.Gain) > 0 && (measured || unit.Known(b.VCEO) && unit.Known(b.IC)) {
		r.drawer.BJTs = append(r.drawer.BJTs, b)
	}
}

func (r *drawerReader) ownDiode(it *Item, f field) {
	none := unit.Absent[unit.Volt]()
	nan := math.NaN()
	d := Diode{
		Part: r.ownPart(it, f), Type: "switching", VRRM: unit.Volt(r.quantity("vr_max", unit.Voltage, true)), VR: none,
		IF: unit.Amp(r.quantity("if_max", unit.Current, true)), Trr: nan, CTyp: unit.Farad(nan), CMax: unit.Farad(nan),
		RthJA: unit.KelvinPerWatt(nan), RthJL: unit.KelvinPerWatt(nan), Ptot: unit.Watt(r.quantity("ptot", unit.Power, true)), TjMax: unit.Celsius(nan),
		VZnom: none, VZmin: none, VZmax: none, IZT: unit.Amp(nan), ZZT: unit.Ohm(nan), ZZK: unit.Ohm(nan), IZK: unit.Amp(nan), TCmin: nan, TCmax: nan,
	}
	if r.field("vf_measured").text == "" && r.field("vz_measured").text == "" {
		r.need(d.Name, "vf_points")
	}
	if d.VFtyp = r.forward(); len(d.VFtyp) == 0 {
		d.VFtyp = points(it.VF)
	}
	if len(d.VFtyp) > 0 && d.VFtyp[0].I < 3e-3 && d.VFtyp[0].V < schottkyBelow {
		d.Type = "schottky"
	}
	if len(it.VZ) > 0 {
		d.Type, d.VZnom, d.IZT = "zener", it.VZ[0].V, unit.Or(it.VZ[0].I, TesterCurrent)
	}
	if len(d.VFtyp)+len(it.VZ) > 0 {
		r.drawer.Diodes = append(r.drawer.Diodes, d)
	}
}

func (r *drawerReader) ownLED(it *Item, f field) {
	none := unit.Absent[unit.Volt]()
	nan := math.NaN()
	l := LED{
		Part: r.ownPart(it, f), Chip: "not said", Lambda: nan, VFmin: none, VFmax: none,
		IFmax: unit.Amp(r.quantity("if_max", unit.Current, true)), IFpeak: unit.Amp(nan), VRmax: unit.Volt(r.quantity("vr_max", unit.Voltage, true)),
		Ptot: unit.Watt(r.quantity("ptot", unit.Power, true)), IVmin: nan, IVtyp: nan, ViewAngle: nan, TjMax: unit.Celsius(nan),
		ModelN: 2, ModelError: none, IVexponent: nan, DVFdT: nan, IVperK: nan,
	}
	if r.field("vf_measured").text == "" {
		r.need(l.Name, "vf_points")
	}
	if c := r.field("colour"); c.text != "" {
		class, ok := r.catalogue.LEDClass(c.text, l.Package)
		if !ok {
			r.warn("colour-unknown", c, "colour %q is none of %s", c.text, strings.Join(r.catalogue.LEDClasses(), ", "))
		} else {
			l.Class, l.ModelN, l.IVexponent, l.DVFdT, l.IVperK = class.Class, class.ModelN, class.IVexponent, class.DVFdT, class.IVperK
			l.Memory = []string{"model_n", "iv_exponent", "dvf_dT_V_per_K", "iv_rel_per_K"}
		}
	}
	if l.VFpoints = r.forward(); len(l.VFpoints) == 0 {
		l.VFpoints = points(it.VF)
	}
	if len(l.VFpoints) == 0 {
		return
	}
	last := l.VFpoints[len(l.VFpoints)-1]
	l.IFtest, l.VFtyp = last.I, last.V
	l.ModelIS, l.ModelRS, l.ModelError = fitForward(l.VFpoints, l.ModelN)
	r.drawer.LEDs = append(r.drawer.LEDs, l)
}

// schottkyBelow is the reading at a milliampere below which a junction is no silicon one (common practice, no source:
// 0.15 to 0.45 V against 0.45 to 0.85 V).
const schottkyBelow = unit.Volt(0.45)

// fitForward fits V = N·Vt·ln(I/IS) + I·RS at 25 °C to points for a given N: least squares in ln IS and RS,
// with RS ≥ 0. One point gives RS = 0. The error is the worst residual.
func fitForward(points []IV, n float64) (is unit.Amp, rs unit.Ohm, worst unit.Volt) {
	nvt := n * float64(unit.FitTemperature.Kelvin().ThermalVoltage())
	// y = a + RS·I with y = V − N·Vt·ln I and a = −N·Vt·ln IS.
	var si, sy, sii, siy float64
	k := float64(len(points))
	for _, p := range points {
		i, y := float64(p.I), float64(p.V)-nvt*math.Log(float64(p.I))
		si, sy, sii, siy = si+i, sy+y, sii+i*i, siy+i*y
	}
	slope := 0.0
	if d := k*sii - si*si; len(points) > 1 && d > 0 {
		slope = math.Max(0, (k*siy-si*sy)/d)
	}
	a := (sy - slope*si) / k
	for _, p := range points {
		worst = max(worst, unit.Volt(math.Abs(a+slope*float64(p.I)+nvt*math.Log(float64(p.I))-float64(p.V))))
	}
	return unit.Amp(math.Exp(-a / nvt)), unit.Ohm(slope), worst
}

// forward reads "2 mA: 2.65 V; 20 mA: 3.1 V".
func (r *drawerReader) forward() []IV {
	f := r.field("vf_points")
	var out []IV
	for _, e := range r.entries(f) {
		at, v, ok := strings.Cut(e.text, ":")
		if !ok {
			r.badEntry(f, e, "%q is not \"current: voltage\"", e.text)
			continue
		}
		i, okI := r.pointQuantity(f, e, at, unit.Current)
		u, okU := r.pointQuantity(f, e, v, unit.Voltage)
		if okI && okU {
			out = append(out, IV{unit.Amp(i), unit.Volt(u)})
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].I < out[j].I })
	for i := 1; i < len(out); i++ {
		if out[i].V <= out[i-1].V || out[i].I == out[i-1].I {
			r.add("points-order", f, "the voltage at %v (%v) is not above that at %v (%v)", out[i].I, out[i].V, out[i-1].I, out[i-1].V)
			return nil
		}
	}
	return out
}

// A point is "IC / second: low .. high" as the columns of transistors have it.
type point struct{ i, second, low, high float64 }

// points reads a packed cell: gains at a current and voltage, or voltages at a collector and base current.
func (r *drawerReader) points(column string, gain bool) []point {
	f := r.field(column)
	shape, second, third := "\"collector current / base current: voltage\"", unit.Current, unit.Voltage
	if gain {
		shape, second, third = "\"collector current / voltage: least .. most\"", unit.Voltage, unit.Number
	}
	var out []point
	for _, e := range r.entries(f) {
		cond, val, ok := strings.Cut(e.text, ":")
		ic, sec, okCond := strings.Cut(cond, "/")
		if !ok || !okCond {
			r.badEntry(f, e, "%q is not %s", e.text, shape)
			continue
		}
		p := point{high: math.NaN()}
		low, high, between := strings.Cut(val, "..")
		var ok1, ok2, ok3, ok4 bool
		p.i, ok1 = r.pointQuantity(f, e, ic, unit.Current)
		p.second, ok2 = r.pointQuantity(f, e, sec, second)
		p.low, ok3 = r.pointQuantity(f, e, low, third)
		ok4 = true
		switch {
		case !between || gain && strings.TrimSpace(high) == "":
		case !gain:
			r.badEntry(f, e, "%q gives two limits, where the greatest voltage is wanted", e.text)
			ok4 = false
		default:
			p.high, ok4 = r.pointQuantity(f, e, high, third)
			if ok3 && ok4 && p.high < p.low {
				r.badEntry(f, e, "the least hFE, %g, is above the most, %g", p.low, p.high)
				ok4 = false
			}
		}
		if ok1 && ok2 && ok3 && ok4 && !gain && p.second > p.i {
			r.badEntry(f, e, "the base current is above the collector current: the collector current stands first")
			ok4 = false
		}
		if ok1 && ok2 && ok3 && ok4 {
			out = append(out, p)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].i < out[j].i })
	return out
}

// An entry is one part of a packed cell and where it stands in the cell.
type entry struct {
	text       string
	start, end int // bytes from the beginning of the cell
}

func (r *drawerReader) entries(f field) []entry {
	if f.text == "" {
		return nil
	}
	text := r.cells[f.i].text
	var out []entry
	at := 0
	for s := range strings.SplitSeq(text, ";") {
		if t := strings.TrimSpace(s); t != "" {
			lead := strings.Index(s, t)
			out = append(out, entry{t, at + lead, at + lead + len(t)})
		}
		at += len(s) + 1
	}
	return out
}

func (r *drawerReader) badEntry(f field, e entry, format string, args ...any) *diag.Problem {
	c := r.cells[f.i]
	place := r.place(f)
	if c.end-c.start == len(c.text) { // no doubled quotes: offsets hold
		place = r.span(c.start+e.start, c.start+e.end)
	}
	return r.problems.Add("points-wrong", place, format, args...)
}

func (r *drawerReader) pointQuantity(f field, e entry, s string, d unit.Dimension) (float64, bool) {
	x, err := unit.Parse(strings.TrimSpace(s), d)
	if err != nil {
		r.badEntry(f, e, "%q: %s", strings.TrimSpace(s), err.Problem)
		return 0, false
	}
	if x <= 0 {
		r.badEntry(f, e, "%q is not above zero", strings.TrimSpace(s))
		return 0, false
	}
	return x, true
}
