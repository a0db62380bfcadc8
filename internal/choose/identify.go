package choose

import (
	"fmt"
	"math"
	"strings"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/parts"
	"fettle/internal/require"
	"fettle/internal/unit"
)

// Identify tells what a part is, by its name or by the code on its body (parts.Answer), and adds what each candidate is
// good for at the bench of this build, and why not for the rest.
func Identify(query string, b *build.Build) finding.Findings { return IdentifyIn(query, "", b) }

// IdentifyIn is Identify with the package known, which narrows a marking down.
func IdentifyIn(query, pkg string, b *build.Build) finding.Findings {
	f, _ := parts.Answer(query, pkg, b.Catalogue, b.Drawer)
	f.Build = b.Name()
	scale := ""
	if len(b.Vehicles) > 0 {
		scale = b.Vehicles[0].Scale.Text
	}
	seen := map[string]bool{}
	add := func(part parts.Any) {
		if name := part.Common().Name; !seen[name] {
			seen[name] = true
			f.Verdicts = append(f.Verdicts, serves(part, require.Ceiling(scale))...)
		}
	}
	if p, ok := b.Catalogue.Find(query); ok {
		add(p)
	}
	for _, c := range b.Catalogue.ByMarking(query, pkg) {
		add(c.Part)
	}
	return f
}

// Supplies of a decoder's chip at which a gate or input is driven. A regulator of 5 % leaves 4.75 V of the one, a
// loaded pin some 0.3 V less (notes.md §4: take about 4.4 V); a gate draws nothing, so that the pin loses nothing.
var logicSupplies = []struct {
	name string
	pin  unit.Volt // the least at a pin that drives a gate
}{{"5 V", 4.75}, {"3.3 V", 3.13}}

// A use is one thing a part may be good for.
type use struct {
	id, requirement string
	yes             bool
	why             string
}

// serves says what a part is good for in a decoder; nothing for kinds that are not judged so.
func serves(part parts.Any, ceiling unit.Volt) []finding.Judgement {
	p := part.Common()
	var uses []use
	add := func(id, requirement string, yes bool, why string, args ...any) {
		uses = append(uses, use{id, requirement, yes, fmt.Sprintf(why, args...)})
	}
	switch t := part.(type) {
	case parts.BJT:
		switch {
		case t.Prebiased():
			usesPrebiased(t, ceiling, add)
		case t.PNP():
			yes, why := withstands("VCEO", t.VCEO, ceiling)
			if yes {
				why += "; with a level shift: its base must reach the plus to be off"
			}
			add("high", "would serve as a high-side switch", yes, "%s", why)
			add("serves", "would serve as a low-side switch", false, "PNP: a low-side switch wants an NPN")
		default:
			s := Suits(t, Place{Ceiling: ceiling, Lowest: logicSupplies[0].pin, Current: about, Hot: unit.Absent[unit.Celsius]()})
			add("serves", "would serve as a low-side switch", s.Serves, "%s", s.Reason)
		}
	case parts.MOSFET:
		usesMOSFET(t, ceiling, add)
	case parts.Diode:
		usesDiode(t, ceiling, add)
	case parts.Regulator:
		usesRegulator(t, ceiling, add)
	}
	var out []finding.Judgement
	for _, u := range uses {
		word := "no: "
		if u.yes {
			word = "yes: "
		}
		out = append(out, finding.Judgement{ID: "part." + p.Name + "." + u.id, Subject: p.Name, Requirement: u.requirement, Verdict: finding.Reported,
			Value: math.NaN(), Limit: math.NaN(), Margin: math.NaN(), Source: p.Source, Method: "its sheet against the standard's ceiling", Why: word + u.why})
	}
	return out
}

// An adder takes one use; why is its format.
type adder = func(id, requirement string, yes bool, why string, args ...any)

// withstands holds a voltage rating against the ceiling less what a rectifier takes of it.
func withstands(name string, rating, ceiling unit.Volt) (bool, string) {
	off := ceiling - 0.6
	switch {
	case !unit.Known(rating):
		return false, "its sheet gives no " + name
	case rating < off:
		return false, fmt.Sprintf("%s %s against %s when off at the ceiling of %s", name, rating, off, ceiling)
	case rating < off*1.1:
		return false, fmt.Sprintf("%s %s leaves no margin over %s when off at the ceiling of %s", name, rating, off, ceiling)
	}
	return true, fmt.Sprintf("%s %s over %s at the ceiling", name, rating, off)
}

// usesMOSFET judges a MOSFET behind a pin of either supply: only a listed VGS guarantees that it is on.
func usesMOSFET(t parts.MOSFET, ceiling unit.Volt, add adder) {
	stands, rating := withstands("VDS", t.VDS, ceiling)
	side, id := "low-side", "low"
	if t.Channel == "P" {
		side, id = "high-side", "high"
	}
	for _, l := range logicSupplies {
		what := fmt.Sprintf("would serve as a %s lamp switch behind a pin of %s", side, l.name)
		at := id + "." + strings.ReplaceAll(strings.ReplaceAll(l.name, " V", "V"), ".", "")
		on, ok := t.OnAt(l.pin)
		switch {
		case !stands:
			add(at, what, false, "%s", rating)
		case t.Channel == "P":
			// Its source lies at the lamp's plus, far above the pin: the pin reaches it through a transistor.
			clamp := ""
			if unit.Known(t.VGS) && t.VGS < ceiling-0.6 {
				clamp = fmt.Sprintf(", gate clamped to the source (VGS %s against %s)", t.VGS, ceiling-0.6)
			}
			least, listed := t.LeastVGS()
			add(at, what, listed, "%s; with a level shift only, for its source lies at the lamp's plus%s; RDS(on) guaranteed from VGS %s on", rating, clamp, least)
		case ok:
			add(at, what, true, "RDS(on) at most %s guaranteed at VGS %s, below the %s that the pin gives at the least; %s", on.Max, on.VGS, l.pin, rating)
		default:
			least, listed := t.LeastVGS()
			if !listed {
				add(at, what, false, "its sheet gives no RDS(on); VGS(th) alone is where conduction begins, not on")
				continue
			}
			why := fmt.Sprintf("RDS(on) is guaranteed from VGS %s on, and the pin gives %s at the least", least, l.pin)
			if unit.Known(t.VGSthMax) && t.VGSthMax < l.pin-1 {
				why += fmt.Sprintf("; VGS(th) of at most %s lets it carry some milliampere all the same, but nothing guarantees it: measure", t.VGSthMax)
			}
			add(at, what, false, "%s", why)
		}
	}
}

// usesPrebiased judges a pre-biased type by its resistors: the base current at the least pin voltage against the current
// of a lamp, with R1 30 % high and R2/R1 20 % low where the sheet says nothing (notes.md §4).
func usesPrebiased(t parts.BJT, ceiling unit.Volt, add adder) {
	stands, rating := withstands("VCEO", t.VCEO, ceiling)
	if t.PNP() {
		if stands {
			rating += "; its input must come within 0.5 V of the plus to be off: behind a level shift only"
		}
		add("high", "would serve as a high-side switch", stands, "%s", rating)
		return
	}
	for _, l := range logicSupplies {
		what := "would serve as a low-side lamp switch straight from a pin of " + l.name
		id := "low." + strings.ReplaceAll(strings.ReplaceAll(l.name, " V", "V"), ".", "")
		pin := l.pin - 0.3
		if !stands || !unit.Known(t.R1) {
			if stands {
				rating = "its sheet gives no R1"
			}
			add(id, what, false, "%s", rating)
			continue
		}
		ib := least(t, pin)
		amp := unit.Format(float64(ib), unit.SymAmp, 2)
		r2 := "no R2"
		if unit.Known(t.R2) && t.R2 > 0 {
			r2 = "R2 " + t.R2.String()
		}
		switch {
		case unit.Known(t.VIonMin) && t.VIonMin <= pin:
			add(id, what, true, "on is guaranteed from VI(on) %s (%s), the pin gives %s at the least; no base resistors needed; %s", t.VIonMin, t.VIonCond, pin, rating)
		case ib <= 0:
			add(id, what, false, "R1 %s and %s leave the base nothing at %s", t.R1, r2, pin)
		case ib < about/proven:
			add(id, what, false, "R1 %s and %s leave the base %s at %s, a forced gain of %.0f for a lamp of %s, where %g is proof; enough for a lamp of %s", t.R1, r2, amp, pin, float64(about/ib), about, float64(proven),
				unit.Format(proven*float64(ib), unit.SymAmp, 2))
		default:
			add(id, what, true, "the base gets at least %s at %s, a forced gain of %.0f for a lamp of %s; no base resistors needed; %s", amp, pin, float64(about/ib), about, rating)
		}
	}
}

// usesDiode says where in a decoder a diode serves.
func usesDiode(t parts.Diode, ceiling unit.Volt, add adder) {
	// A whole decoder takes some tens of milliampere; what a rectifier must stand backwards is the ceiling.
	const decoder = unit.Amp(0.1)
	reverse := unit.Or(t.VRRM, t.VR)
	switch t.Type {
	case "zener":
		for _, l := range []struct {
			chip      string
			low, high unit.Volt
		}{{"5 V", 4.5, 5.5}, {"3.3 V", 3.0, 3.6}} {
			what := "would serve as the shunt that holds a chip's " + l.chip
			id := "shunt." + strings.ReplaceAll(strings.ReplaceAll(l.chip, " V", "V"), ".", "")
			switch {
			case !unit.Known(t.VZmin) || !unit.Known(t.VZmax):
				add(id, what, false, "its sheet gives no limits of VZ")
			case t.VZmax > l.high || t.VZmin < l.low:
				add(id, what, false, "VZ %s to %s at %s, where %s to %s is wanted", t.VZmin, t.VZmax, t.IZT, l.low, l.high)
			default:
				add(id, what, true, "VZ %s to %s at %s; at less current it holds less, and its dropping resistor burns the rest of the track", t.VZmin, t.VZmax, t.IZT)
			}
		}
		add("clamp", "would serve as a gate clamp of a P-channel switch", unit.Known(t.VZmax) && t.VZmin >= 6 && t.VZmax <= 11,
			"VZ %s to %s, where 6 V to 11 V keeps a gate of 12 V or 20 V and drives it fully", t.VZmin, t.VZmax)
	case "bridge":
		yes := unit.Known(t.VRRM) && t.VRRM >= 1.25*ceiling && (!unit.Known(t.IF) || t.IF >= decoder)
		add("rectifier", "would serve as the rectifier of a decoder", yes, "VRRM %s against a ceiling of %s with a quarter over, IF %s against %s; two diodes drop in the way", t.VRRM, ceiling, t.IF, decoder)
	default:
		yes := unit.Known(reverse) && reverse >= 1.25*ceiling && (!unit.Known(t.IF) || t.IF >= decoder)
		why := fmt.Sprintf("VRRM %s against a ceiling of %s with a quarter over, IF %s against %s", reverse, ceiling, t.IF, decoder)
		if t.Type == "schottky" {
			why += "; it drops less than silicon, and leaks more, above all when hot"
		}
		add("rectifier", "four of it would serve as the rectifier of a decoder", yes, "%s", why)
		add("single", "one of it alone would serve as a half-wave rectifier", unit.Known(reverse) && reverse >= 2*ceiling && (!unit.Known(t.IF) || t.IF >= decoder),
			"VRRM %s against twice the ceiling, %s, for the reservoir stays at the peak while the track turns round; IF %s against %s", reverse, 2*ceiling, t.IF, decoder)
		if yes && t.Type == "rectifier" {
			add("fast", "would serve where the rectified current stops within microseconds", false, "a slow type: on DCC it conducts backwards for microseconds at every edge")
		}
	}
}

// usesRegulator says whether a regulator serves behind the rectifier.
func usesRegulator(t parts.Regulator, ceiling unit.Volt, add adder) {
	in := ceiling - 1.2
	yes, why := true, ""
	switch {
	case !unit.Known(t.VinAbsMax):
		yes, why = false, "its sheet gives no highest input"
	case t.VinAbsMax < in:
		yes, why = false, fmt.Sprintf("stands %s against %s behind a rectifier at the ceiling of %s", t.VinAbsMax, in, ceiling)
	case unit.Known(t.VinMax) && t.VinMax < in:
		why = fmt.Sprintf("stands %s over %s at the ceiling, but is specified up to %s only", t.VinAbsMax, in, t.VinMax)
	default:
		why = fmt.Sprintf("stands %s over %s at the ceiling", t.VinAbsMax, in)
	}
	if yes {
		if d, ok := dropout(t); ok {
			why += fmt.Sprintf("; regulates from about %s at its input on", t.Vout+d.V)
			if unit.Known(d.I) {
				why += fmt.Sprintf(" (drop-out %s at %s)", d.V, d.I)
			}
		} else if unit.Known(t.VinMin) {
			why += fmt.Sprintf("; specified from %s at its input on", t.VinMin)
		}
	}
	add("supply", fmt.Sprintf("would serve as the %s supply behind the rectifier", t.Vout), yes, "%s", why)
}

// dropout is the drop-out of the sheet at the current nearest to a decoder's.
func dropout(t parts.Regulator) (parts.IV, bool) {
	list := t.DropoutMax
	if len(list) == 0 {
		list = t.DropoutTyp
	}
	best, ok := parts.IV{}, false
	for _, d := range list {
		if !ok || math.Abs(math.Log(float64(d.I/0.02))) < math.Abs(math.Log(float64(best.I/0.02))) {
			best, ok = d, true
		}
	}
	return best, ok
}
