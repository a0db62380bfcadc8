package choose

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"fettle/internal/build"
	"fettle/internal/device"
	"fettle/internal/finding"
	"fettle/internal/parts"
	"fettle/internal/require"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// A Place is where a transistor would stand: what it must carry and what drives it.
type Place struct {
	High    bool      // at the plus: a PNP or P-channel
	Ceiling unit.Volt // of the track, that it must survive
	Lowest  unit.Volt // least voltage that can turn it on: the chip's supply, on the high side the plus
	Current unit.Amp
	Clamped bool         // a zener keeps its gate within its rating
	Hot     unit.Celsius // what leaks when it is off doubles every 10 K; absent: it may leak
}

func (p Place) side() string {
	if p.High {
		return "a high-side switch wants a PNP or a P-channel MOSFET"
	}
	return "a low-side switch wants an NPN or an N-channel MOSFET"
}

// off is what it stands against when it is off: what a rectifier leaves of the ceiling at least.
func (p Place) off() unit.Volt { return p.Ceiling - 0.6 }

// A Suit says whether a transistor would serve in a place, and why not.
type Suit struct {
	Name, Source string
	Serves       bool
	Reason       string
	Rank         float64 // among those that serve: more is better
}

// Suits judges a bipolar transistor by its sheet: polarity, voltage at the standard's ceiling, current, gain where it
// is needed. The circuit has the last word; this is the sieve before it.
func Suits(q parts.BJT, at Place) Suit {
	s := Suit{Name: q.Name, Source: q.Source}
	if r := standsOff("VCEO", q.VCEO, at); q.PNP() != at.High {
		s.Reason = q.Polarity + ": " + at.side()
	} else if r != "" {
		s.Reason = r
	} else if unit.Known(q.IC) && q.IC < 2*at.Current {
		s.Reason = fmt.Sprintf("IC %s against %s", q.IC, at.Current)
	} else if q.Prebiased() {
		prebiased(&s, q, at)
	} else {
		gain(&s, q, at)
	}
	return s
}

// standsOff says why a part does not stand off what is across it when it is off, or "".
func standsOff(name string, v unit.Volt, at Place) string {
	switch off := at.off(); {
	case !unit.Known(v):
		return "its sheet gives no " + name
	case v < off:
		return fmt.Sprintf("%s %s against %s when off at the ceiling of %s", name, v, off, at.Ceiling)
	case v < off*1.1:
		return fmt.Sprintf("%s %s leaves no margin over %s when off at the ceiling of %s", name, v, off, at.Ceiling)
	}
	return ""
}

func gain(s *Suit, q parts.BJT, at Place) {
	sp, err := device.SpreadBJT(q)
	if err != nil {
		s.Reason = err.Error()
		return
	}
	z := make([]float64, len(sp.Vars()))
	for i, v := range sp.Vars() {
		if v.Name == "hFE" {
			z[i] = -1
		}
	}
	hfe, _, ok := sp.At(z).Active(at.Current, 1, unit.Celsius(0).Kelvin())
	if !ok {
		s.Reason = fmt.Sprintf("at %s it would not hold 1 V", at.Current)
		return
	}
	s.Serves, s.Rank = true, hfe
	s.Reason = fmt.Sprintf("hFE at least %.0f at %s and 0 °C, VCEO %s%s", hfe, at.Current, q.VCEO, guaranteed(q, at))
}

// guaranteed warns where the sheet guarantees a saturation voltage only far above the current at hand.
func guaranteed(q parts.BJT, at Place) string {
	least := unit.Amp(math.Inf(1))
	for _, p := range q.VCEsat {
		if unit.Known(p.Max) {
			least = min(least, p.IC)
		}
	}
	switch {
	case math.IsInf(float64(least), 1):
		return "; its sheet guarantees no VCE(sat)"
	case least > 20*at.Current:
		return fmt.Sprintf("; VCE(sat) guaranteed only at %s and above", least)
	}
	return ""
}

// proven is the forced gain of the saturation points of pre-biased types: 10 mA with 0.5 mA.
const proven = 20

// least is the least base current of a pre-biased transistor with a voltage at its input: R1 30 % high and R2/R1 20 % low
// where the sheet says nothing (common to all makers' sheets).
func least(q parts.BJT, input unit.Volt) unit.Amp {
	const vbe = unit.Volt(0.75) // with some milliampere in the collector, cold: common practice, no source
	ib := (input - vbe).Over(unit.Or(q.R1Max, 1.3*q.R1))
	if unit.Known(q.R2) && q.R2 > 0 {
		ib -= vbe.Over(0.8 * q.R2)
	}
	return ib
}

func prebiased(s *Suit, q parts.BJT, at Place) {
	drive := least(q, at.Lowest)
	switch {
	case !unit.Known(q.VIonMin) && !at.High && at.Current > proven*drive:
		s.Reason = fmt.Sprintf("its sheet guarantees no input voltage that turns it on, and its resistors leave the base %s at %s: a forced gain of %.0f, where %g is proof", unit.Format(float64(max(0, drive)), unit.SymAmp, 2), at.Lowest, float64(at.Current/max(1e-9, drive)), float64(proven))
	case !unit.Known(q.VIonMin):
		s.Serves, s.Rank = true, 1
		s.Reason = fmt.Sprintf("its resistors leave the base at least %s, VCEO %s; it needs no resistors of its own", unit.Format(float64(drive), unit.SymAmp, 2), q.VCEO)
	case !at.High && q.VIonMin > at.Lowest:
		s.Reason = fmt.Sprintf("wants %s at its input (%s), and the chip gives %s at the worst", q.VIonMin, q.VIonCond, at.Lowest)
	default:
		s.Serves, s.Rank = true, 1
		s.Reason = fmt.Sprintf("on from %s at its input (%s), VCEO %s; it needs no resistors of its own", q.VIonMin, q.VIonCond, q.VCEO)
	}
}

// SuitsFET judges a MOSFET likewise: channel, VDS, VGS, and whether RDS(on) is guaranteed at the gate voltage there is.
func SuitsFET(q parts.MOSFET, at Place) Suit {
	s := Suit{Name: q.Name, Source: q.Source}
	if (q.Channel == "P") != at.High {
		s.Reason = q.Channel + "-channel: " + at.side()
		return s
	}
	if r := standsOff("VDS", q.VDS, at); r != "" {
		s.Reason = r
		return s
	}
	if unit.Known(q.ID) && q.ID < 2*at.Current {
		s.Reason = fmt.Sprintf("ID %s against %s", q.ID, at.Current)
		return s
	}
	if unit.Known(at.Hot) {
		sp, err := device.SpreadMOSFET(q)
		if err != nil {
			s.Reason = err.Error()
			return s
		}
		worst := sp.At([]float64{0, 0, 1})
		if hot := worst.Leakage(at.Hot.Kelvin()); hot > require.DarkLimit {
			s.Reason = fmt.Sprintf("IDSS up to %s at 25 °C, some %s at %s: a lamp could glow when it is off", worst.Leakage(unit.FitTemperature.Kelvin()), unit.Format(float64(hot), unit.SymAmp, 2), at.Hot)
			return s
		}
	}
	lowest, ok := q.LeastOn()
	switch {
	case !ok:
		s.Reason = "its sheet guarantees RDS(on) at no gate voltage"
	case lowest.VGS > at.Lowest:
		s.Reason = fmt.Sprintf("RDS(on) guaranteed only from VGS %s, and the gate gets %s at the worst", lowest.VGS, at.Lowest)
	case at.Current.Times(lowest.Max) > 0.3:
		s.Reason = fmt.Sprintf("RDS(on) %s at VGS %s loses %s at %s", lowest.Max, lowest.VGS, at.Current.Times(lowest.Max), at.Current)
	default:
		s.Serves, s.Rank = true, math.Min(50, float64(at.Lowest/lowest.VGS))
		by := ""
		if lowest.Measured {
			by = ", measured by you"
		}
		s.Reason = fmt.Sprintf("RDS(on) at most %s from VGS %s%s, VDS %s", lowest.Max, lowest.VGS, by, q.VDS)
		if at.High && unit.Known(q.VGS) && q.VGS < at.off() && !at.Clamped {
			s.Reason += fmt.Sprintf("; its gate stands only %s, so the divider of base and pull-up or a clamp must keep it there", q.VGS)
			s.Rank /= 2
		}
	}
	return s
}

// pickTransistors takes what is open of an output's transistors from the drawer.
func (c *chooser) pickTransistors(d *build.Decoder, o *build.Output) {
	low := c.b.Track.Low.Or(7)
	place := Place{Ceiling: c.ceiling(d), Lowest: c.weakest(d), Current: about, Clamped: o.Clamp.Text != "", Hot: c.b.Track.AmbientHigh.Or(wiring.AmbientHigh)}
	switch o.Drive.Text {
	case build.DriveFromPin:
	case build.DriveHighSide:
		c.pick(d, o, "level", "level transistor", &o.Level, place)
		place.High, place.Lowest = true, low-1.8
		c.pick(d, o, "switch", "switch", &o.Switch, place)
	default:
		c.pick(d, o, "switch", "switch", &o.Switch, place)
	}
}

// pickAnswer takes the switch of the load that answers on the programming track.
func (c *chooser) pickAnswer(d *build.Decoder, a *build.Acknowledge) {
	if !a.Switch.Open() {
		return
	}
	c.pickAt(d, "acknowledge.switch", []string{"decoder", d.Name.Text, "acknowledge"}, "switch", "switch of the acknowledgement", &a.Switch,
		Place{Ceiling: c.ceiling(d), Lowest: c.weakest(d), Current: (c.b.Track.ProgrammingHigh.Or(18) - 1.5).Over(82), Hot: unit.Absent[unit.Celsius]()})
}

// zener reports whether a zener makes the chip's supply.
func (c *chooser) zener(d *build.Decoder) bool {
	z, ok := c.b.Catalogue.Diode(d.Supply.Regulator.Text)
	return ok && z.Type == "zener"
}

// weakest is the least that the chip's pin gives when it is high: what the sheet guarantees at its supply.
func (c *chooser) weakest(d *build.Decoder) unit.Volt {
	chip, ok := c.b.Catalogue.Chip(d.Chip.Part.Text)
	if !ok {
		return 4.2
	}
	vcc := unit.Volt(5)
	if r, ok := c.b.Catalogue.Regulator(d.Supply.Regulator.Text); ok {
		vcc = unit.Or(r.VoutMin, r.Vout)
	} else if z, ok := c.b.Catalogue.Diode(d.Supply.Regulator.Text); ok {
		vcc = unit.Or(z.VZmin, z.VZnom)
	}
	// At the current of a lamp's base resistor the pin loses a tenth of what it loses at its test point; a gate takes
	// nothing.
	for _, p := range chip.VOH {
		if p.Pin == "" && p.VCC <= vcc {
			return vcc - (p.VCC-p.V)/10
		}
	}
	return vcc - 0.1
}

// pick takes the best transistor of the drawer for a place in an output.
func (c *chooser) pick(d *build.Decoder, o *build.Output, attr, words string, t *build.Text, at Place) {
	if t.Open() {
		c.pickAt(d, wiring.OutputID(c.b, d, o)+"."+attr, []string{"decoder", d.Name.Text, "output", o.Name.Text}, attr, words+" of output "+o.Name.Text, t, at)
	}
}

// pickAt takes the best transistor of the drawer for a place, and tells of every one why or why not.
func (c *chooser) pickAt(d *build.Decoder, id string, path []string, attr, words string, t *build.Text, at Place) {
	tab := &finding.Table{ID: id + "es", Title: "Transistors of the drawer for the " + words,
		Columns: []finding.Column{{Title: "part"}, {Title: "serves"}, {Title: "why"}}}
	if attr == "level" {
		tab.ID = id + "s"
	}
	best := Suit{}
	for _, s := range c.suits(at) {
		v := finding.Fails
		if s.Serves {
			v = finding.Holds
			if s.Rank > best.Rank {
				best = s
			}
		}
		tab.Rows = append(tab.Rows, []finding.Cell{{Text: s.Name, Number: math.NaN()}, {Text: map[bool]string{true: "yes", false: "no"}[s.Serves], Number: math.NaN(), Verdict: v}, {Text: s.Reason, Number: math.NaN()}})
	}
	c.f.Tables = append(c.f.Tables, *tab)
	if !best.Serves {
		would := "an MMBT3904 or BC847B would: 40 V and 45 V, gain at a few milliampere"
		switch {
		case at.Current > 2*about:
			would = "an MMBT2222A would: 40 V, 600 mA"
		case at.High:
			would = "an MMBT3906 or BC857B would: 40 V and 45 V, gain at a few milliampere"
		}
		c.f.Verdicts = append(c.f.Verdicts, finding.Judgement{ID: id, Subject: words, Requirement: "a transistor that serves", Verdict: finding.Fails,
			Value: math.NaN(), Limit: math.NaN(), Margin: math.NaN(), Why: "none of the drawer serves", Mend: would})
		return
	}
	*t = build.Words(best.Name)
	c.chosenPart(d, id, words, best.Name, "the best placed of those in the drawer: "+best.Reason, path, attr,
		&finding.Working{Title: capital(words), Hand: math.NaN(), Solver: math.NaN(), Table: tab, Sources: []string{best.Source}})
}

// suits judges every transistor of the drawer for a place, in its order.
func (c *chooser) suits(at Place) []Suit {
	if c.b.Drawer == nil {
		return nil
	}
	var list []Suit
	seen := map[string]bool{}
	for _, it := range c.b.Drawer.Items {
		if it.Count != 0 && it.Part == "" && len(it.Candidates) > 1 && c.transistors(it.Candidates) {
			list = append(list, Suit{Name: it.Marking, Reason: "look-alike marking not told apart yet: " + strings.Join(it.Candidates, " or ") + "; fettle part " + it.Marking + " says what tells them apart"})
		}
		if it.Count == 0 || it.Part == "" || seen[it.Part] {
			continue
		}
		seen[it.Part] = true
		if q, ok := c.b.Catalogue.BJT(it.Part); ok {
			list = append(list, Suits(q, at))
		} else if q, ok := c.b.Catalogue.MOSFET(it.Part); ok {
			q, _, _ := device.MeasuredMOSFET(q, it.Measured)
			list = append(list, SuitsFET(q, at))
		}
	}
	return list
}

// transistors reports whether some of the parts are transistors.
func (c *chooser) transistors(names []string) bool {
	return slices.ContainsFunc(names, func(name string) bool {
		_, bjt := c.b.Catalogue.BJT(name)
		_, fet := c.b.Catalogue.MOSFET(name)
		return bjt || fet
	})
}

// leftOut reports a resistor that a pre-biased transistor has inside it.
func (c *chooser) leftOut(d *build.Decoder, o *build.Output, attr string) {
	c.f.Values = append(c.f.Values, finding.Value{ID: wiring.OutputID(c.b, d, o) + "." + attr, Name: strings.ReplaceAll(attr, "_", " ") + " of output " + o.Name.Text, Text: build.None,
		Value: math.NaN(), Low: math.NaN(), High: math.NaN(), Chosen: true, Reason: "the pre-biased transistor has it inside", Method: "the part's own resistors", Sure: "datasheet"})
	c.edits = append(c.edits, build.Edit{Path: []string{"decoder", d.Name.Text, "output", o.Name.Text}, Attr: attr, Value: build.None})
}

func capital(s string) string { return strings.ToUpper(s[:1]) + s[1:] }
