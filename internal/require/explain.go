package require

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// The hand formulas of this file are shown to the user beside what the circuit gave, with the difference
// stated. Nothing is decided by them.

const (
	handDiode   = 0.7 // V: customary drop of a silicon junction, common practice, no source
	handVCE     = 0.1 // V: customary drop of a saturated switch, common practice, no source
	handVBE     = 0.7 // V
	thinkVBEoff = 0.4 // V: below it a silicon transistor is off at room temperature (0.3 V hot), common practice
)

func num(x float64, sym string) string { return unit.Format(x, sym, 3) }

// operate solves one state at z.
func operate(n *wiring.Network, z []float64, st wiring.State) *wiring.Operating {
	op := &wiring.Operating{}
	n.Set(z)
	n.Read(n.Solve(st), op)
	return op
}

// path is the way of a lamp's current in words: what supplies it, how many rectifier diodes stand in it, and how long it
// lasts.
func path(n *wiring.Network, i int, l wiring.LightNet, op *wiring.Operating, u unit.Volt) (supply float64, from string, diodes, share float64, wave string) {
	o, feed := &n.Outputs[i], n.Lamps[l.Lamp].Feed
	if share = l.Sure; share == 0 {
		share = l.Most
	}
	if n.Single {
		return pathOfOne(n, o, l, op, u, share)
	}
	switch {
	case o.Switch == nil:
		return float64(op.VCC), "VCC", 0, share, "driven from the chip's pin: the chip's own supply"
	case feed == build.ChipSupply:
		return float64(op.VCC), "VCC", 0, share, "fed from the chip's supply: the same in both half-waves"
	case l.HalfWave():
		return float64(u), u.String(), 1, share, "fed from one rail: it conducts for one polarity only, one rectifier diode in the way"
	case feed == build.LocalPlus:
		return float64(u), u.String(), 2, share, "fed from the vehicle's own plus: both half-waves, one diode of its own and one of the rectifier in the way"
	case feed == build.DecoderMinus:
		return float64(u), u.String(), 2, share, "fed from the rectified plus through a high-side switch: both half-waves, two rectifier diodes in the way"
	}
	return float64(u), u.String(), 2, share, "fed from the rectified plus: both half-waves, two rectifier diodes in the way"
}

// pathOfOne is that behind a single diode.
func pathOfOne(n *wiring.Network, o *wiring.OutputNet, l wiring.LightNet, op *wiring.Operating, u unit.Volt, share float64) (supply float64, from string, diodes, least float64, wave string) {
	const onReservoir = "; in the other half-wave the reservoir feeds it as long as it lasts, which is not counted here"
	feed, rail := n.Lamps[l.Lamp].Feed, n.Decoder.Supply.From.Text
	switch {
	case o.Switch == nil:
		return float64(op.VCC), "VCC", 0, share, "driven from the chip's pin: the chip's own supply" + onReservoir
	case feed == build.ChipSupply:
		return float64(op.VCC), "VCC", 0, share, "fed from the chip's supply" + onReservoir
	case feed == build.LocalPlus:
		return float64(u), u.String(), 1, share, "fed from the vehicle's own plus: one half-wave alone, for the other rail is the minus; one diode of its own in the way"
	case feed == rail && l.Sure == 0:
		return float64(op.Plus + u), "the reservoir and the track in a row, " + num(float64(op.Plus+u), unit.SymVolt), 0, share, "driven into the diode's rail: it conducts while that rail is below the minus, on the reservoir alone"
	case feed == rail:
		return float64(u), u.String(), 0, share, "fed from the diode's rail: one half-wave, and no diode in the way, for the other rail is the minus"
	case feed == build.RectifiedPlus:
		return float64(u), u.String(), 1, share, "fed from the rectified plus: the diode in the way" + onReservoir
	}
	return float64(u), u.String(), 1, share, "fed from the rectified plus through a high-side switch: the diode in the way" + onReservoir
}

// drops is how many diodes of the rectifier stand between the track and the plus.
func drops(n *wiring.Network) int {
	if n.Single {
		return 1
	}
	return 2
}

// ExplainLight is the working of a lamp current: lamp k of output i, at point z of everything that varies, track voltage u.
func ExplainLight(n *wiring.Network, i, k int, z []float64, u unit.Volt) *finding.Working {
	o := &n.Outputs[i]
	l := o.Lights[k]
	op := operate(n, z, lit(l, wiring.On, u, n.With(i))[0])
	out := &op.Out[i]
	lamp, net := n.LampAt(l.Lamp, z), &n.Lamps[l.Lamp]
	supply, from, diodes, share, wave := path(n, i, l, op, u)
	share *= float64(o.Output.Brightness.Or(1))
	rs, rh := 0.0, float64(lamp.Hidden)
	resistors := "Rhidden"
	if r, ok := o.Resistor("series"); ok {
		rs, resistors = float64(n.Solver.Resistance(r.Elem)), "Rhidden + Rseries"
	}
	sw, drop := "VCE", handVCE
	switch {
	case o.Switch == nil:
		sw, drop = "Vpin", math.Abs(float64(out.PinOut))*float64(n.PinNow().DrivenAt(!o.ActiveLow, op.VCC))
	case o.Switch.FET != nil:
		sw = "VDS"
	}
	vf := float64(lamp.Voltage(0.002, unit.FitTemperature.Kelvin())) - 0.002*rh
	if f := lamp.Filament; lamp.Structure == wiring.FilamentLamp {
		vf, rh, resistors = 0, float64(f.LitV.Through(f.LitI)), strings.Replace(resistors, "Rhidden", "Rhot", 1)
	}
	left := supply - diodes*handDiode - vf - drop
	peak := left / (rs + rh)
	w := &finding.Working{
		Title: fmt.Sprintf("Current of %s at track %s", net.Words, u),
		Steps: []finding.Step{
			{Say: "the loop: " + wave, Result: math.NaN()},
			{Say: "what is left for the resistors", Formula: "U − n·VD − VF − " + sw, With: fmt.Sprintf("%s − %g·%.1f V − %.2f V − %.1f V", from, diodes, handDiode, vf, drop),
				Result: left, Unit: unit.SymVolt, Source: "VD, VCE: common practice; VF at 2 mA as surveyed"},
			{Say: "peak current", Formula: "I = … / (" + resistors + ")", With: fmt.Sprintf("… / (%s + %s)", num(rh, unit.SymOhm), num(rs, unit.SymOhm)), Result: peak, Unit: unit.SymAmp},
			{Say: "mean on DCC (no stretched zeros), with the brightness asked for: what the eye sees", Formula: fmt.Sprintf("%g · I", share), Result: peak * share, Unit: unit.SymAmp},
		},
		Hand: peak, Solver: float64(l.Light(op)), Unit: unit.SymAmp,
		Sources: []string{"hidden resistance and LED: survey of the readings", "rectifier: " + n.Rectifier.Source},
	}
	if o.Switch != nil {
		w.Sources = append(w.Sources, "switch: "+o.Switch.Source)
	}
	if len(o.Lights) > 1 {
		w.Steps = append(w.Steps, finding.Step{Say: fmt.Sprintf("%d lamps share the series resistor: the hand figure is for one alone", len(o.Lights)), Result: math.NaN()})
	}
	w.Difference = fmt.Sprintf("the solver has the LED at %s, the switch at %s and the rectifier at what they really drop at this current and %s",
		num(float64(op.Lamps[l.Lamp].Across), unit.SymVolt), num(float64(out.Switch.Across), unit.SymVolt), n.Ambient)
	return w
}

// ExplainDrive is the working of how hard a transistor is driven at point z (the corner where it is hardest) and track
// voltage u.
func ExplainDrive(n *wiring.Network, i int, t *wiring.Transistor, z []float64, u unit.Volt) *finding.Working {
	o := &n.Outputs[i]
	needs := conducting(n, i, wiring.On, u)
	if o.Acknowledge {
		needs = fed(n, wiring.On, u, 1<<i)
	}
	op := operate(n, z, needs[0])
	x := of(i, t)(op)
	if t.FET != nil {
		return explainGate(n, i, t, op, x, u)
	}
	return explainBase(n, i, t, op, x, u)
}

// from is what drives a transistor's base or gate: the supply, what is lost on the way to the resistor, and the resistor
// (0: none).
func from(n *wiring.Network, i int, t *wiring.Transistor, op *wiring.Operating) (supply float64, name string, lost unit.Ohm, lostWords string, r *wiring.Resistor) {
	o := &n.Outputs[i]
	attr := "base"
	if t == o.Level {
		attr = "level_base"
	}
	r, _ = o.Resistor(attr)
	if o.Driver != nil {
		r, _ = o.Resistor("base")
	}
	if t == o.Switch && o.Level != nil {
		return float64(op.Plus), "the rectified plus at that corner", 0, "", r
	}
	return float64(op.VCC), "the chip's supply at that corner, everything on", n.PinNow().DrivenAt(true, op.VCC), "RDS(high)", r
}

func explainBase(n *wiring.Network, i int, t *wiring.Transistor, op *wiring.Operating, x *wiring.TransistorOperating, u unit.Volt) *finding.Working {
	supplyName, supplySource := n.SupplyPart()
	gain, ic := x.Gain(op.Ambient), float64(x.Through)
	need := Overdrive * ic / gain
	supply, supplyWords, lost, lostWords, r := from(n, i, t, op)
	w := &finding.Working{
		Title: fmt.Sprintf("How hard the %s is driven at track %s", t.Words, u),
		Steps: []finding.Step{
			{Say: "what it must carry at its worst corner", Result: ic, Unit: unit.SymAmp, Source: "the circuit"},
			{Say: fmt.Sprintf("gain of the weakest %s at that current and %s", t.Name, n.Ambient), Formula: "hFE(IC, T)", Result: gain, Source: t.Source},
			{Say: "edge of saturation", Formula: "IB = IC / hFE", With: fmt.Sprintf("%s / %.0f", num(ic, unit.SymAmp), gain), Result: ic / gain, Unit: unit.SymAmp},
			{Say: "driven hard on", Formula: fmt.Sprintf("%g · IC / hFE", Overdrive), Result: need, Unit: unit.SymAmp, Source: "3 for hard on, 2 the lowest accepted: common practice, no source"},
			{Say: supplyWords, Result: supply, Unit: unit.SymVolt, Source: "the circuit: track, rectifier, " + supplyName},
		},
		Solver: float64(x.Drive), Unit: unit.SymAmp, Sources: []string{t.Source, supplySource},
	}
	if lostWords != "" {
		w.Steps = append(w.Steps, finding.Step{Say: "what the pin loses on the way up", Formula: lostWords, Result: float64(lost), Unit: unit.SymOhm, Source: PinSource(n.Chip, n.SupplyNominal())})
		w.Sources = append(w.Sources, PinSource(n.Chip, n.SupplyNominal()))
	}
	if t.Prebiased() {
		r1, beside, formula, with := float64(n.Solver.Resistance(t.R1)), 0.0, "IB = (VI − VBE)/R1", ""
		if r2, ok := t.Beside(n.Solver); ok {
			beside, formula, with = handVBE/float64(r2), formula+" − VBE/R2", fmt.Sprintf(" − %.1f V/%s", handVBE, r2)
		}
		w.Hand = (float64(x.Input)-handVBE)/r1 - beside
		w.Steps = append(w.Steps,
			finding.Step{Say: "at its input lead", Formula: "VI", Result: float64(x.Input), Unit: unit.SymVolt, Source: fmt.Sprintf("its sheet guarantees it on from %s (%s)", t.BJT.VIonMin, t.BJT.VIonCond)},
			finding.Step{Say: "base current through the resistors inside", Formula: formula, With: fmt.Sprintf("(%s − %.1f V)/%s%s", num(float64(x.Input), unit.SymVolt), handVBE, num(r1, unit.SymOhm), with), Result: w.Hand, Unit: unit.SymAmp})
		w.Difference = fmt.Sprintf("the solver has VBE %s (not %.1f V)", num(float64(x.Control), unit.SymVolt), handVBE)
	} else {
		rb := 0.0
		if r != nil {
			rb = float64(n.Solver.Resistance(r.Elem))
		}
		at := func(ib float64) float64 { return (supply - ib*float64(lost) - handVBE) / ib }
		w.Hand = (supply - handVBE) / (rb + float64(lost))
		w.Steps = append(w.Steps,
			finding.Step{Say: "largest resistor that still drives it so", Formula: "RB = (V − IB·RDS − VBE) / IB", With: fmt.Sprintf("VBE %.1f V by custom", handVBE), Result: at(need), Unit: unit.SymOhm},
			finding.Step{Say: "customary: a forced gain of 10", Formula: "RB for IB = IC / 10", Result: at(ic / 10), Unit: unit.SymOhm, Source: "common practice, no source; it decides nothing"},
			finding.Step{Say: "customary: a forced gain of 20", Formula: "RB for IB = IC / 20", Result: at(ic / 20), Unit: unit.SymOhm, Source: "common practice, no source; it decides nothing"})
		with := "without a base resistor"
		if r != nil {
			with = "with " + r.Value().String()
		}
		w.Steps = append(w.Steps, finding.Step{Say: with + ": forced gain", Formula: "IC / IB", Result: ic / float64(x.Drive)})
		w.Difference = fmt.Sprintf("base current %s: the solver has VBE %s (not %.1f V)%s", with, num(float64(x.Control), unit.SymVolt), handVBE, aside(n, i, t, x))
	}
	w.Steps = append(w.Steps, finding.Step{Say: "and so overdriven by", Formula: "IB · hFE / IC", Result: overdrive(op, i, t)})
	return w
}

// aside says what the resistor beside the base takes of the drive.
func aside(n *wiring.Network, i int, t *wiring.Transistor, x *wiring.TransistorOperating) string {
	o := &n.Outputs[i]
	attr := "pulldown"
	if t == o.Switch && o.Level != nil {
		attr = "pullup"
	}
	r, ok := o.Resistor(attr)
	if !ok {
		return ""
	}
	return fmt.Sprintf(", and the %s takes %s", r.Words, num(float64(x.Control)/float64(r.Value()), unit.SymAmp))
}

func explainGate(n *wiring.Network, i int, t *wiring.Transistor, op *wiring.Operating, x *wiring.TransistorOperating, u unit.Volt) *finding.Working {
	supply, supplyWords, _, _, _ := from(n, i, t, op)
	o := &n.Outputs[i]
	hand, formula, with := supply, "VGS = VCC", num(supply, unit.SymVolt)
	if o.Level != nil && t == o.Switch {
		base, okB := o.Resistor("base")
		up, okU := o.Resistor("pullup")
		if okB && okU {
			a, b := float64(n.Solver.Resistance(base.Elem)), float64(n.Solver.Resistance(up.Elem))
			hand, formula, with = supply*b/(a+b), "VGS = U · Rpullup / (Rpullup + Rbase)", fmt.Sprintf("%s · %s / (%s + %s)", num(supply, unit.SymVolt), num(b, unit.SymOhm), num(b, unit.SymOhm), num(a, unit.SymOhm))
		} else {
			formula = "VGS = U"
		}
	}
	w := &finding.Working{
		Title: fmt.Sprintf("How far the %s is turned on at track %s", t.Words, u),
		Steps: []finding.Step{
			{Say: supplyWords, Result: supply, Unit: unit.SymVolt, Source: "the circuit"},
			{Say: "gate voltage", Formula: formula, With: with, Result: hand, Unit: unit.SymVolt},
			{Say: "current that it switches", Result: float64(x.Through), Unit: unit.SymAmp, Source: "the circuit"},
		},
		Hand: hand, Solver: float64(x.Input), Unit: unit.SymVolt, Sources: []string{t.Source},
		Difference: "a gate takes no current, so what stands before it drops nothing; the pull resistor and the pin's own loss take the rest",
	}
	if p, ok := t.FET.LeastOn(); ok {
		w.Steps = append(w.Steps,
			finding.Step{Say: "lowest gate voltage at which its sheet guarantees RDS(on)", Result: float64(p.VGS), Unit: unit.SymVolt, Source: t.Source},
			finding.Step{Say: "so it loses at most", Formula: "VDS = ID · RDS(on)", With: fmt.Sprintf("%s · %s", num(float64(x.Through), unit.SymAmp), num(float64(p.Max), unit.SymOhm)), Result: float64(x.Through) * float64(p.Max), Unit: unit.SymVolt})
	}
	return w
}

// ExplainDark is the working of a pull-down, on the high side of the pull-up: what leaks into the base or gate while the
// chip is in reset.
func ExplainDark(n *wiring.Network, i int, t *wiring.Transistor, attr string, z []float64, u unit.Volt) *finding.Working {
	o := &n.Outputs[i]
	st := fed(n, wiring.Reset, u, 0)[0]
	if len(o.Lights) > 0 {
		st = lit(o.Lights[0], wiring.Reset, u, 0)[0]
	}
	op := operate(n, z, st)
	x := of(i, t)(op)
	r, ok := o.Resistor(attr)
	if !ok {
		return nil
	}
	rp := float64(n.Solver.Resistance(r.Elem))
	w := &finding.Working{
		Title: fmt.Sprintf("%s of %s: off while the chip is in reset, %s", capital(r.Words), o.Of(), n.Ambient), Unit: unit.SymVolt, Solver: float64(x.Input),
		Sources: []string{t.Source},
	}
	leak := 0.0
	if attr == "pulldown" {
		leak = float64(n.PinNow().Leak)
		w.Steps = append(w.Steps, finding.Step{Say: "leakage of the open pin", Result: leak, Unit: unit.SymAmp, Source: figureSource(n.Chip, "leakage")})
		w.Sources = append(w.Sources, figureSource(n.Chip, "leakage"))
	} else if o.Level != nil {
		leak = math.Abs(float64(op.Out[i].Level.Through))
		w.Steps = append(w.Steps, finding.Step{Say: "what the level transistor lets through", Result: leak, Unit: unit.SymAmp, Source: o.Level.Source})
	}
	if attr == "between" {
		leak = math.Abs(float64(op.Out[i].Driver.Through))
		w.Steps = append(w.Steps, finding.Step{Say: "what the driver lets through", Result: leak, Unit: unit.SymAmp, Source: o.Driver.Source})
	}
	off, words := thinkVBEoff, "a silicon transistor is off below about"
	if t.FET != nil {
		off, words = float64(unit.Or(t.FET.VGSthMin, 1)), "its gate threshold is at least"
	} else {
		own := float64(x.Leakage(n.Ambient))
		leak += own
		w.Steps = append(w.Steps, finding.Step{Say: "collector–base leakage, doubling every 10 K", Formula: "ICBO(T)", Result: own, Unit: unit.SymAmp, Source: t.Source})
	}
	w.Hand = leak * rp
	w.Steps = append(w.Steps,
		finding.Step{Say: "what that raises it to", Formula: "V = Ileak · R", With: fmt.Sprintf("%s · %s", num(leak, unit.SymAmp), num(rp, unit.SymOhm)), Result: leak * rp, Unit: unit.SymVolt},
		finding.Step{Say: words, Result: off, Unit: unit.SymVolt, Source: "0.3 V for a hot bipolar transistor; common practice, no source"})
	if len(o.Lights) > 0 {
		w.Steps = append(w.Steps, finding.Step{Say: "lamp current that remains", Result: math.Abs(float64(op.Lamps[o.Lights[0].Lamp].Through)), Unit: unit.SymAmp, Source: "the circuit"})
	}
	w.Difference = "the transistor's base takes part of the leakage, so the solver never exceeds the hand figure by much"
	return w
}

func capital(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// ExplainResistor is the working of one of an output's own resistors, at a point z and a track voltage u; nil where its
// value needs none.
func ExplainResistor(n *wiring.Network, i int, attr string, z []float64, u unit.Volt) *finding.Working {
	switch {
	case i < 0 && attr == wiring.EarSeries:
		return explainEar(n, z, u)
	case i < 0:
		return explainBallast(n, z, u)
	}
	o := &n.Outputs[i]
	switch attr {
	case "series":
		return ExplainLight(n, i, 0, z, u)
	case "load":
		return explainAnswer(n, i, z, u)
	case "base":
		if o.Driver != nil {
			return ExplainDrive(n, i, o.Driver, z, u)
		}
		return ExplainDrive(n, i, o.Switch, z, u)
	case "shunt":
		return explainShunt(n, i, z, u)
	case "between":
		return ExplainDark(n, i, o.Switch, attr, z, u)
	case "level_base":
		return ExplainDrive(n, i, o.Level, z, u)
	case "pullup":
		return ExplainDark(n, i, o.Switch, attr, z, u)
	}
	switch {
	case o.Level != nil:
		return ExplainDark(n, i, o.Level, attr, z, u)
	case o.Driver != nil:
		return ExplainDark(n, i, o.Driver, attr, z, u)
	}
	return ExplainDark(n, i, o.Switch, attr, z, u)
}

// explainShunt is the working of a resistor across the lamp: what leaks through the switch must not lift it to where the
// lamp gives light.
func explainShunt(n *wiring.Network, i int, z []float64, u unit.Volt) *finding.Working {
	o := &n.Outputs[i]
	l := o.Lights[0]
	op := operate(n, z, lit(l, wiring.Off, u, 0)[0])
	lamp := &op.Lamps[l.Lamp]
	r, _ := o.Resistor("shunt")
	rs := float64(n.Solver.Resistance(r.Elem))
	leak := math.Abs(float64(op.Out[i].Through))
	p := n.LampAt(l.Lamp, z)
	return &finding.Working{
		Title: fmt.Sprintf("Resistor across lamp %s: dark when off, %s", n.Lamps[l.Lamp].Name, n.Ambient),
		Steps: []finding.Step{
			{Say: "what the switch leaks when it is off", Result: leak, Unit: unit.SymAmp, Source: o.Switch.Source},
			{Say: "what that would lift the lamp to", Formula: "U = Ileak · R", With: fmt.Sprintf("%s · %s", num(leak, unit.SymAmp), num(rs, unit.SymOhm)), Result: leak * rs, Unit: unit.SymVolt},
			{Say: fmt.Sprintf("the lamp passes %s at", DarkLimit), Result: float64(p.Voltage(DarkLimit, n.Ambient.Kelvin())), Unit: unit.SymVolt, Source: "survey of the readings"},
			{Say: "lamp current that remains", Result: math.Abs(float64(lamp.Through)), Unit: unit.SymAmp, Source: "the circuit"},
		},
		Hand: leak * rs, Solver: math.Abs(float64(lamp.Across)), Unit: unit.SymVolt, Sources: []string{o.Switch.Source},
		Difference: "the lamp itself takes part of the leak",
	}
}

// explainAnswer is the working of the load that answers on the programming track.
func explainAnswer(n *wiring.Network, i int, z []float64, u unit.Volt) *finding.Working {
	o := &n.Outputs[i]
	on := operate(n, z, fed(n, wiring.On, u, 1<<i)[0])
	more := float64(on.Rail)
	rest := operate(n, z, fed(n, wiring.Off, u, 0)[0])
	more -= float64(rest.Rail)
	r, _ := o.Resistor("load")
	rl := float64(n.Solver.Resistance(r.Elem))
	nd := drops(n)
	left := float64(u) - float64(nd)*handDiode - handVCE
	return &finding.Working{
		Title: fmt.Sprintf("Answer on the programming track at %s", u),
		Steps: []finding.Step{
			{Say: "what is left for the load", Formula: "U − n·VD − VCE", With: fmt.Sprintf("%s − %d·%.1f V − %.1f V", u, nd, handDiode, handVCE), Result: left, Unit: unit.SymVolt, Source: "VD, VCE: common practice, no source"},
			{Say: "largest load that still answers", Formula: "R = … / 60 mA", Result: left / float64(AnswerLeast), Unit: unit.SymOhm, Source: AnswerFrom},
			{Say: "current of the load", Formula: "I = … / R", With: fmt.Sprintf("… / %s", num(rl, unit.SymOhm)), Result: left / rl, Unit: unit.SymAmp},
			{Say: "heat while it lasts", Formula: "P = I² · R", Result: left * left / rl, Unit: unit.SymWatt},
			{Say: "in 6 ms that is", Formula: "E = P · 6 ms, in millijoule", Result: 1000 * left * left / rl * 0.006},
		},
		Hand: left / rl, Solver: more, Unit: unit.SymAmp, Sources: []string{AnswerFrom, o.Switch.Source},
		Difference: "the solver has rectifier and switch at what they really drop, and the base current with it",
	}
}

// explainEar is the working of the resistor before the listening pin.
func explainEar(n *wiring.Network, z []float64, u unit.Volt) *finding.Working {
	switch {
	case n.Deaf():
		return nil
	case n.Single:
		return explainEarOfOne(n, z, u)
	}
	op := operate(n, z, wiring.State{LeftPositive: n.Ear.Left(), Drive: wiring.Off, Track: u})
	r := float64(n.Solver.Resistance(n.Ear.Series))
	clamp := float64(unit.Or(n.Chip.ClampAbove, 0.5))
	left := float64(u) - handDiode - float64(op.VCC) - clamp
	return &finding.Working{
		Title: fmt.Sprintf("Resistor of the ear at track %s", u),
		Steps: []finding.Step{
			{Say: "what is left for it: the pin's clamp diode holds the pin just above the chip's supply", Formula: "U − VD − VCC − Vclamp",
				With: fmt.Sprintf("%s − %.1f V − %s − %.1f V", u, handDiode, num(float64(op.VCC), unit.SymVolt), clamp), Result: left, Unit: unit.SymVolt, Source: figureSource(n.Chip, "clamp_voltage")},
			{Say: "smallest that keeps the clamp's guidance", Formula: "R = … / Iclamp", With: fmt.Sprintf("… / %s", n.Chip.ClampMax), Result: left / float64(n.Chip.ClampMax), Unit: unit.SymOhm, Source: figureSource(n.Chip, "clamp_current")},
			{Say: "clamp current with it", Formula: "I = … / R", With: fmt.Sprintf("… / %s", num(r, unit.SymOhm)), Result: left / r, Unit: unit.SymAmp},
			{Say: "how large it may be is for the edges to say, which need the circuit in time", Result: math.NaN()},
		},
		Hand: left / r, Solver: float64(op.Ear.Through), Unit: unit.SymAmp, Sources: []string{figureSource(n.Chip, "clamp_current")},
		Difference: "the solver has rectifier and clamp diode at what they really drop",
	}
}

// explainEarOfOne is that behind a single diode: most flows while the ear's rail is below the minus by the whole track, out of
// the pin, whose lower clamp diode holds it there.
func explainEarOfOne(n *wiring.Network, z []float64, u unit.Volt) *finding.Working {
	op := operate(n, z, wiring.State{LeftPositive: !n.Ear.Left(), Drive: wiring.Off, Track: u})
	r := float64(n.Solver.Resistance(n.Ear.Series))
	clamp := float64(unit.Or(n.Chip.ClampAbove, 0.5))
	left := float64(u) - clamp
	return &finding.Working{
		Title: fmt.Sprintf("Resistor of the ear at track %s", u),
		Steps: []finding.Step{
			{Say: "what is left for it while its rail is negative: one diode alone leaves that rail below the minus by the whole track, and the pin's lower clamp diode holds the pin", Formula: "U − Vclamp",
				With: fmt.Sprintf("%s − %.1f V", u, clamp), Result: left, Unit: unit.SymVolt, Source: figureSource(n.Chip, "clamp_voltage")},
			{Say: "smallest that keeps the clamp's guidance", Formula: "R = … / Iclamp", With: fmt.Sprintf("… / %s", n.Chip.ClampMax), Result: left / float64(n.Chip.ClampMax), Unit: unit.SymOhm, Source: figureSource(n.Chip, "clamp_current")},
			{Say: "clamp current with it", Formula: "I = … / R", With: fmt.Sprintf("… / %s", num(r, unit.SymOhm)), Result: left / r, Unit: unit.SymAmp},
			{Say: "how large it may be is for the edges to say, which need the circuit in time", Result: math.NaN()},
		},
		Hand: left / r, Solver: math.Abs(float64(op.Ear.Through)), Unit: unit.SymAmp, Sources: []string{figureSource(n.Chip, "clamp_current")},
		Difference: "the solver has the clamp diode at what it really drops",
	}
}

// explainBallast is the working of the resistor before a zener.
func explainBallast(n *wiring.Network, z []float64, u unit.Volt) *finding.Working {
	op := operate(n, z, fed(n, wiring.On, u, 0)[0])
	r := float64(n.Solver.Resistance(n.Ballast))
	nd := drops(n)
	left := float64(u) - float64(nd)*handDiode - float64(n.Zener.VZnom)
	return &finding.Working{
		Title: fmt.Sprintf("Ballast resistor at track %s", u),
		Steps: []finding.Step{
			{Say: "what is left for it", Formula: "U − n·VD − VZ", With: fmt.Sprintf("%s − %d·%.1f V − %s", u, nd, handDiode, n.Zener.VZnom), Result: left, Unit: unit.SymVolt, Source: n.Zener.Source},
			{Say: "current through it", Formula: "I = … / R", With: fmt.Sprintf("… / %s", num(r, unit.SymOhm)), Result: left / r, Unit: unit.SymAmp},
			{Say: "what the chip and its pins take of that", Result: float64(op.Load), Unit: unit.SymAmp, Source: "the circuit"},
			{Say: "what is left for the zener", Result: left/r - float64(op.Load), Unit: unit.SymAmp},
		},
		Hand: left / r, Solver: float64(op.Load + op.Shunt), Unit: unit.SymAmp, Sources: []string{n.Zener.Source},
		Difference: "the solver has rectifier and zener at what they really drop",
	}
}

// Explain is the working of a requirement at its worst corner z, where it has a hand formula; else the
// numbers alone.
func (s *Set) Explain(n *wiring.Network, q int, z []float64, value float64) *finding.Working {
	r := &s.Requirements[q]
	u := r.needs[0].Track
	if r.Output >= 0 && u > 0 {
		o := &n.Outputs[r.Output]
		switch {
		case r.Kind == Light && r.needs[0].Drive == wiring.On && r.Limit > float64(DarkLimit):
			for k, l := range o.Lights {
				if strings.HasPrefix(r.ID, LightID(n, r.Output, k)) && slices.Equal(r.needs, lit(l, wiring.On, u, n.With(r.Output))) {
					return ExplainLight(n, r.Output, k, z, u)
				}
			}
		case r.Kind == Saturation && o.Switch != nil:
			return ExplainDrive(n, r.Output, o.Switch, z, u)
		case r.Kind == Level && o.Level != nil:
			return ExplainDrive(n, r.Output, o.Level, z, u)
		case r.Kind == Answer:
			return explainAnswer(n, r.Output, z, u)
		case r.Kind == Darkness && r.needs[0].Drive == wiring.Reset:
			attr := "pulldown"
			if o.Level != nil {
				attr = "pullup"
			}
			if _, ok := o.Resistor(attr); ok && o.Switch != nil {
				return ExplainDark(n, r.Output, o.Switch, attr, z, u)
			}
		}
	}
	return &finding.Working{
		Title: r.Subject + ": " + r.Words,
		Steps: []finding.Step{
			{Say: "found at the worst corner", Result: value, Unit: r.Unit, Source: "the circuit at " + r.At},
			{Say: "limit", Result: r.Limit, Unit: r.Unit, Source: r.Source},
		},
		Hand: math.NaN(), Solver: value, Unit: r.Unit, Sources: []string{r.Source},
	}
}
