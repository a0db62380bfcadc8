package survey

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"fettle/internal/build"
	"fettle/internal/meter"
	"fettle/internal/parts"
	"fettle/internal/unit"
	"fettle/internal/wave"
)

// A quality is what a datum says something about.
type quality uint8

const (
	ofCurrent quality = iota
	ofDrop
	ofResistance
	ofLook // lit or dark where no current was read
)

func (q quality) String() string {
	return [...]string{"current", "drop", "resistance", "look"}[q]
}

// A nuisance is an unknown of the meters that all readings of one range share: uniform within ±bound.
type nuisance struct {
	name  string
	bound float64
}

// A datum is one number of one reading, with what was in the circuit when it was read.
type datum struct {
	reading int // index into evidence.readings
	what    quality
	shown   float64         // the known part of the meter's gain error taken out
	sd      float64         // of the independent error: digits and contact
	spec    meter.RangeSpec // range it was read on

	gain, trackGain, burdenOf int // nuisances, −1: none

	track   float64 // voltage shown, negative where the supply was turned round
	trackSD float64
	levels  []wave.Level // of the wave, in units of track
	burden  float64      // Ω
	others  float64      // A, through the same ammeter
	input   float64      // Ω of the voltmeter across the LED, 0: none
	kelvin  unit.Kelvin
	lit     bool // of a look
	banned  bool // cannot be true as written: counts for nothing, but what slip it may be is sought
}

// threshold is the current from which the ammeter tells a current from nothing.
func (d *datum) threshold() float64 { return d.others + 4*d.sd }

// conducts reports whether the ammeter saw the lamp draw.
func (d *datum) conducts() bool { return d.what == ofCurrent && d.shown > d.threshold() }

// A marked value is what the code on the hidden resistor says.
type marked struct {
	text string
	r    unit.Ohm
	tol  float64
	from string // reading or attribute
}

// A left-out reading, or part of it, and why.
type leftOut struct {
	reading int // −1: not one of the readings
	why     string
}

// evidence is what is known of one lamp, in canonical order.
type evidence struct {
	lamp     *build.Lamp
	readings []build.Reading
	data     []datum
	nuisance []nuisance
	marks    []marked
	out      []leftOut
	notes    []string
}

// contactOhm is the scatter of an ohmmeter's leads and contacts (common practice, no source).
const contactOhm = 0.2

// burdenDoubt bounds the burden of a meter whose burden is not from its own sheet.
const burdenDoubt = 0.3

// collect turns the readings of a lamp into data.
func collect(b *build.Build, l *build.Lamp) *evidence {
	e := &evidence{lamp: l, readings: append([]build.Reading(nil), l.Readings...)}
	sort.SliceStable(e.readings, func(i, k int) bool { return canonical(&e.readings[i]) < canonical(&e.readings[k]) })
	if l.Hidden.Known() && l.Hidden.Value > 0 {
		e.marks = append(e.marks, marked{text: l.Hidden.Value.String(), r: l.Hidden.Value, tol: usualTolerance(l.Hidden.Value), from: "the build file"})
	}
	for i := range e.readings {
		e.add(b, i)
	}
	return e
}

// canonical orders readings by content, so that the order in which they were written changes nothing.
func canonical(r *build.Reading) string {
	f := func(x float64) string { return fmt.Sprintf("%024.12f", x) }
	return strings.Join([]string{fmt.Sprint(r.Reversed), r.Supply, f(float64(r.Track.Or(-1))), f(float64(r.Current.Or(-1))), f(float64(r.Drop.Or(-1))),
		f(float64(r.Resistance.Or(-1))), r.Marking.Text, r.Looked.Text, f(float64(r.Others.Or(-1))), r.Meter.Text, r.VoltMeter.Text, r.Ammeter.Text, r.ID}, "|")
}

// usualTolerance is that of the coarsest series the value belongs to: 5 % up to E24, 1 % beyond.
func usualTolerance(r unit.Ohm) float64 {
	switch parts.SeriesOf(r) {
	case "E3", "E6", "E12", "E24":
		return 0.05
	case "":
		return 0.05
	}
	return 0.01
}

// share finds or adds a nuisance.
func (e *evidence) share(name string, bound float64) int {
	if !(bound > 0) {
		return -1
	}
	for i, n := range e.nuisance {
		if n.name == name {
			return i
		}
	}
	e.nuisance = append(e.nuisance, nuisance{name, bound})
	return len(e.nuisance) - 1
}

func rangeName(s meter.Spec, r meter.RangeSpec, sym string) string {
	name := s.Name
	if name == "" {
		name = "meter"
	}
	return fmt.Sprintf("%s, %s up to %s", name, r.Function, unit.Format(r.Full, sym, 3))
}

func (e *evidence) leave(i int, format string, args ...any) {
	e.out = append(e.out, leftOut{i, fmt.Sprintf(format, args...)})
}

func (e *evidence) add(b *build.Build, i int) {
	r := &e.readings[i]
	if r.Marking.Text != "" {
		e.mark(i, r.Marking.Text)
	}
	if r.Plugged.Text == "decoder" {
		if r.Current.Known() || r.Drop.Known() || r.Resistance.Known() {
			e.leave(i, "it was taken with a decoder plugged in: it tells of the decoder as well as of the lamp")
		}
		return
	}
	spec, assumed := b.MeterSpec(r.Meter.Text)
	volts, voltsName := spec, r.Meter.Text
	if r.VoltMeter.Text != "" {
		volts, _ = b.MeterSpec(r.VoltMeter.Text)
		voltsName = r.VoltMeter.Text
	}
	two := r.VoltMeter.Text != "" && voltsName != r.Meter.Text

	base := datum{reading: i, gain: -1, trackGain: -1, burdenOf: -1, kelvin: r.Temperature.Or(unit.FitTemperature).Kelvin()}
	if r.Resistance.Known() {
		d := base
		d.what, d.shown = ofResistance, float64(r.Resistance.Value)
		if rs, ok := e.rangeOf(i, spec, meter.Resistance, d.shown, unit.SymOhm); !ok {
			e.leave(i, "the meter has no resistance range")
		} else if !(d.shown > 0) {
			e.leave(i, "a resistance of zero is a short across the probes, not a resistor")
		} else {
			d.spec, d.shown, d.sd = rs, e.corrected(spec, rs, d.shown, unit.SymOhm), math.Hypot(rs.Sigma(), contactOhm)
			d.gain = e.share("gain of "+rangeName(spec, rs, unit.SymOhm), float64(rs.Gain))
			e.data = append(e.data, d)
		}
	}
	if !r.Current.Known() && !r.Drop.Known() && r.Looked.Text == "" {
		return
	}
	if !r.Track.Known() {
		if r.Current.Known() || r.Drop.Known() {
			e.leave(i, "a current or a drop says nothing without the voltage it was read at")
		}
		return
	}
	track := float64(r.Track.Value)
	vs, ok := e.rangeOf(i, volts, meter.DCVoltage, track, unit.SymVolt)
	if !ok {
		e.leave(i, "the meter has no voltage range")
		return
	}
	track = e.corrected(volts, vs, track, unit.SymVolt)
	base.levels, ok = e.levels(b, r)
	if !ok {
		e.leave(i, "a pulse-width supply is only understood with its duty, or with the peak of its supply block")
		return
	}
	base.track, base.trackSD = track, math.Hypot(vs.Sigma(), vs.Resolution/math.Sqrt(12))
	if r.Reversed {
		base.track = -track
	}
	base.trackGain = e.share("gain of "+rangeName(volts, vs, unit.SymVolt), float64(vs.Gain))

	if r.Ammeter.Text == build.InRail {
		base.others = float64(r.Others.Or(0))
		if !r.Others.Known() && r.Current.Known() {
			e.notes = append(e.notes, "reading "+r.ID+": the ammeter sat in the rail, and what else drew is not said; taken as nothing")
		}
	}
	if r.Current.Known() {
		d := base
		d.what, d.shown = ofCurrent, float64(r.Current.Value)
		rs, ok := e.rangeOf(i, spec, meter.DCCurrent, d.shown, unit.SymAmp)
		if !ok {
			e.leave(i, "the meter has no current range")
			return
		}
		d.spec, d.shown, d.others = rs, e.corrected(spec, rs, d.shown, unit.SymAmp), rs.Corrected(d.others)
		d.sd = math.Hypot(rs.Sigma(), rs.Resolution/math.Sqrt(12))
		if d.others > 0 {
			d.sd *= math.Sqrt2 // what else drew was read on the same digits
		}
		d.burden = float64(unit.Or(rs.Burden, 0))
		d.gain = e.share("gain of "+rangeName(spec, rs, unit.SymAmp), float64(rs.Gain))
		if assumed {
			d.burdenOf = e.share("burden of "+rangeName(spec, rs, unit.SymAmp), burdenDoubt)
		}
		switch {
		case d.others > d.shown+4*d.sd:
			e.leave(i, "what else drew (%s) is more than all that the ammeter showed (%s)", r.Others.Value, r.Current.Value)
			d.banned = true
		case d.burden*(1-burdenDoubt)*d.shown > track*(1+float64(vs.Gain)+float64(rs.Gain))*most(d.levels)+vs.Slack() && d.conducts():
			e.leave(i, "%s through the ammeter's own %s would take %s, more than the supply's %s", r.Current.Value, unit.Ohm(d.burden),
				unit.Format(d.burden*d.shown, unit.SymVolt, 3), r.Track.Value)
			d.banned = true
		}
		e.data = append(e.data, d)
		if two {
			base.burden, base.burdenOf = d.burden, d.burdenOf
		}
	}
	if r.Drop.Known() {
		d := base
		d.what, d.shown = ofDrop, float64(r.Drop.Value)
		rs, ok := volts.Range(meter.DCVoltage, d.shown)
		if !ok {
			rs = vs
		}
		d.spec, d.shown, d.sd = rs, e.corrected(volts, rs, d.shown, unit.SymVolt), math.Hypot(rs.Sigma(), rs.Resolution/math.Sqrt(12))
		if d.shown > track*(1+2*float64(vs.Gain))*most(d.levels)+vs.Slack()+rs.Slack() {
			e.leave(i, "a drop of %s is more than the %s applied", r.Drop.Value, r.Track.Value)
			d.banned = true
		}
		d.gain = e.share("gain of "+rangeName(volts, rs, unit.SymVolt), float64(rs.Gain))
		d.input = float64(unit.Or(rs.Input, 0))
		e.data = append(e.data, d)
	}
	if !r.Current.Known() && r.Looked.Text != "" {
		d := base
		d.what, d.lit, d.sd = ofLook, lit(r.Looked.Text), 1
		e.data = append(e.data, d)
	}
}

// lit reports whether a look saw light.
func lit(look string) bool { return look != build.LookedDark }

// rangeOf is the range a number was read on. What no range shows is taken as read on the largest, and noted: the
// number may have slipped, or the meter has a range that is not described.
func (e *evidence) rangeOf(i int, s meter.Spec, f meter.Function, shown float64, sym string) (meter.RangeSpec, bool) {
	if r, ok := s.Range(f, shown); ok {
		return r, true
	}
	var top meter.RangeSpec
	for _, r := range s.Ranges {
		if r.Function == f && r.Full > top.Full {
			top = r
		}
	}
	if top.Full > 0 {
		e.notes = append(e.notes, fmt.Sprintf("reading %s: no range of the meter shows %s, its largest ends at %s", e.readings[i].ID, unit.Format(shown, sym, 3), unit.Format(top.Full, sym, 3)))
	}
	return top, top.Full > 0
}

// corrected is a reading without the known part of the range's gain error, which is noted once a range.
func (e *evidence) corrected(s meter.Spec, r meter.RangeSpec, shown float64, sym string) float64 {
	if r.Known != 0 {
		note := fmt.Sprintf("%s: shows %s of the truth too much, measured by you; taken out of its readings, ±%s is left", rangeName(s, r, sym), r.Known, r.Gain)
		if !slices.Contains(e.notes, note) {
			e.notes = append(e.notes, note)
		}
	}
	return r.Corrected(shown)
}

// most is the greatest level of a wave, in units of its mean.
func most(levels []wave.Level) float64 {
	m := 0.0
	for _, l := range levels {
		m = math.Max(m, math.Abs(l.Value))
	}
	return m
}

// levels is the wave of the supply in units of the voltage shown; false where the pulse share is not known.
func (e *evidence) levels(b *build.Build, r *build.Reading) ([]wave.Level, bool) {
	const mains = unit.Hertz(50) // any: only shares of time count
	switch r.Supply {
	case build.FullWave:
		for _, s := range b.Supplies {
			if p := float64(s.Peak.Or(0)); s.Name.Text == r.SupplyName.Text && p > 0 && math.Abs(float64(r.Track.Value)*math.Pi/2/p-1) > 0.15 {
				e.notes = append(e.notes, fmt.Sprintf("reading %s: the supply's peak is written as %s, the mean shown makes it %s; the mean counts", r.ID, s.Peak.Value, unit.Format(float64(r.Track.Value)*math.Pi/2, unit.SymVolt, 3)))
			}
		}
		return wave.Levels(wave.FullWaveSine(math.Pi/2, mains)), true // its mean is 1
	case build.PWM:
		duty := math.NaN()
		if r.Duty.Known() {
			duty = float64(r.Duty.Value)
		} else {
			for _, s := range b.Supplies {
				if s.Name.Text == r.SupplyName.Text && s.Peak.Known() && r.Track.Value > 0 {
					duty = float64(r.Track.Value / s.Peak.Value)
				}
			}
		}
		if !(duty > 0 && duty <= 1) {
			return nil, false
		}
		return []wave.Level{{Value: 0, Share: 1 - duty}, {Value: 1 / duty, Share: duty}}, true
	case build.DCC: // track is the amplitude, as a true-RMS meter or the station shows it
		return []wave.Level{{Value: -1, Share: 0.5}, {Value: 1, Share: 0.5}}, true
	}
	return []wave.Level{{Value: 1, Share: 1}}, true
}

func (e *evidence) mark(i int, code string) {
	r, tol, ok := decode(code)
	switch {
	case !ok:
		e.leave(i, "the marking %q is no code of a resistor", code)
	case !(r > 0):
		e.leave(i, "the marking %q is that of a jumper: no resistance", code)
	default:
		e.marks = append(e.marks, marked{text: code, r: r, tol: tol, from: "reading " + e.readings[i].ID})
	}
}

// decode reads a marking: a chip resistor's code, colour bands, letters, or a value as people write it.
func decode(code string) (r unit.Ohm, tol float64, ok bool) {
	if cs, err := parts.ReadSMD(code); err == nil && len(cs) > 0 {
		return cs[0].R, float64(unit.Or(cs[0].Tolerance(), 0.05)), true
	}
	if cs, err := parts.ReadColours(code); err == nil && len(cs) > 0 {
		return cs[0].R, float64(unit.Or(cs[0].Tolerance(), 0.05)), true
	}
	if c, err := parts.ReadLetterCode(code); err == nil && unit.Known(c.R) {
		return c.R, float64(unit.Or(c.Tolerance(), 0.05)), true
	}
	if v, err := unit.ParseOhm(code); err == nil {
		return v, usualTolerance(v), true
	}
	return 0, 0, false
}
