package require

import (
	"fmt"
	"math"

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

func litState(o *wiring.OutputNet, d wiring.Drive, u unit.Volt) wiring.State { return lit(o, d, u)[0] }

// ExplainLight is the working of a lamp current: at point z of everything that varies, track voltage u.
func ExplainLight(n *wiring.Network, i int, z []float64, u unit.Volt) *finding.Working {
	o := &n.Outputs[i]
	op := operate(n, z, litState(o, wiring.On, u))
	out := op.Out[i]
	lamp := n.LampAt(i, z)
	vf := float64(lamp.Junction().Voltage(unit.Amp(0.002), unit.FitTemperature.Kelvin()))
	diodes, share, wave := 2.0, 1.0, "fed from the rectified plus: both half-waves, two rectifier diodes in the way"
	if o.HalfWave {
		diodes, share, wave = 1, 0.5, "fed from one rail: it conducts for one polarity only, one rectifier diode in the way"
	}
	share *= float64(o.Output.Brightness.Or(1))
	rs, rh := float64(n.Solver.Resistance(o.Series)), float64(lamp.Hidden)
	peak := (float64(u) - diodes*handDiode - vf - handVCE) / (rs + rh)
	w := &finding.Working{
		Title: fmt.Sprintf("Current of lamp %s at track %s", o.LampName, u),
		Steps: []finding.Step{
			{Say: "the loop: " + wave, Result: math.NaN()},
			{Say: "what is left for the resistors", Formula: "U − n·VD − VF − VCE", With: fmt.Sprintf("%s − %g·%.1f V − %.2f V − %.1f V", u, diodes, handDiode, vf, handVCE),
				Result: float64(u) - diodes*handDiode - vf - handVCE, Unit: unit.SymVolt, Source: "VD, VCE: common practice; VF at 2 mA as surveyed"},
			{Say: "peak current", Formula: "I = … / (Rhidden + Rseries)", With: fmt.Sprintf("… / (%s + %s)", num(rh, unit.SymOhm), num(rs, unit.SymOhm)), Result: peak, Unit: unit.SymAmp},
			{Say: "mean on DCC (no stretched zeros), with the brightness asked for: what the eye sees", Formula: fmt.Sprintf("%g · I", share), Result: peak * share, Unit: unit.SymAmp},
		},
		Hand: peak, Solver: float64(out.Lamp), Unit: unit.SymAmp,
		Sources: []string{"hidden resistance and LED: survey of the readings", "rectifier: " + n.Rectifier.Source, "switch: " + o.Part.Source},
	}
	w.Difference = fmt.Sprintf("the solver has the LED at %s, the switch at %s and the rectifier at what they really drop at this current and %s",
		num(float64(out.LED), unit.SymVolt), num(float64(out.VCE), unit.SymVolt), n.Ambient)
	return w
}

// ExplainBase is the working of a base resistor: what saturation needs at point z (the corner where it is
// hardest) and track voltage u.
func ExplainBase(n *wiring.Network, i int, z []float64, u unit.Volt) *finding.Working {
	o := &n.Outputs[i]
	op := operate(n, z, litState(o, wiring.On, u))
	out := op.Out[i]
	gain := n.GainOf(i, op)
	rb := float64(n.Solver.Resistance(o.Base))
	ic := float64(out.IC)
	pinR := n.PinNow().RHigh
	need := Overdrive * ic / gain
	at := func(ib float64) float64 { return (float64(op.VCC) - ib*float64(pinR) - handVBE) / ib }
	hand := (float64(op.VCC) - handVBE) / (rb + float64(pinR))
	w := &finding.Working{
		Title: fmt.Sprintf("Base resistor of output %s: how hard the switch is driven at track %s", o.Name, u),
		Steps: []finding.Step{
			{Say: "what the switch must carry at its worst corner", Result: ic, Unit: unit.SymAmp, Source: "the circuit"},
			{Say: fmt.Sprintf("gain of the weakest %s at that current and %s", o.Part.Name, n.Ambient), Formula: "hFE(IC, T)", Result: gain, Source: o.Part.Source},
			{Say: "edge of saturation", Formula: "IB = IC / hFE", With: fmt.Sprintf("%s / %.0f", num(ic, unit.SymAmp), gain), Result: ic / gain, Unit: unit.SymAmp},
			{Say: "driven hard on", Formula: fmt.Sprintf("%g · IC / hFE", Overdrive), Result: need, Unit: unit.SymAmp, Source: "3 for hard on, 2 the lowest accepted: common practice, no source"},
			{Say: "the chip's supply at that corner, everything on", Result: float64(op.VCC), Unit: unit.SymVolt, Source: "the circuit: track, rectifier, regulator " + n.RegPart.Name},
			{Say: "what the pin loses on the way up", Formula: "RDS(high)", Result: float64(pinR), Unit: unit.SymOhm, Source: PinSource(n.Chip, n.RegPart.Vout)},
			{Say: "largest resistor that still drives it so", Formula: "RB = (VCC − IB·RDS − VBE) / IB", With: fmt.Sprintf("VBE %.1f V by custom", handVBE), Result: at(need), Unit: unit.SymOhm},
			{Say: "customary: a forced gain of 10", Formula: "RB for IB = IC / 10", Result: at(ic / 10), Unit: unit.SymOhm, Source: "common practice, no source; it decides nothing"},
			{Say: "customary: a forced gain of 20", Formula: "RB for IB = IC / 20", Result: at(ic / 20), Unit: unit.SymOhm, Source: "common practice, no source; it decides nothing"},
			{Say: fmt.Sprintf("with %s: forced gain", o.Output.Base.Value), Formula: "IC / IB", Result: ic / float64(out.IB)},
			{Say: "and so overdriven by", Formula: "IB · hFE / IC", Result: float64(out.IB) * gain / ic},
		},
		Hand: hand, Solver: float64(out.IB), Unit: unit.SymAmp,
		Sources: []string{o.Part.Source, PinSource(n.Chip, n.RegPart.Vout), n.RegPart.Source},
	}
	w.Difference = fmt.Sprintf("base current with %s: the solver has VBE %s (not %.1f V), and the pull-down takes %s",
		o.Output.Base.Value, num(float64(out.VBE), unit.SymVolt), handVBE, num(float64(out.VBE)/float64(o.Output.Pulldown.Value), unit.SymAmp))
	return w
}

// ExplainPulldown is the working of a pull-down: what leaks into the base while the chip is in reset.
func ExplainPulldown(n *wiring.Network, i int, z []float64, u unit.Volt) *finding.Working {
	o := &n.Outputs[i]
	op := operate(n, z, litState(o, wiring.Reset, u))
	out := op.Out[i]
	rp := float64(n.Solver.Resistance(o.Pulldown))
	leak := float64(n.PinNow().Leak) + n.LeakageOf(i, n.Ambient)
	return &finding.Working{
		Title: fmt.Sprintf("Pull-down of output %s: off while the chip is in reset, %s", o.Name, n.Ambient),
		Steps: []finding.Step{
			{Say: "leakage of the open pin", Result: float64(n.PinNow().Leak), Unit: unit.SymAmp, Source: figureSource(n.Chip, "leakage")},
			{Say: "collector–base leakage, doubling every 10 K", Formula: "ICBO(T)", Result: n.LeakageOf(i, n.Ambient), Unit: unit.SymAmp, Source: o.Part.Source},
			{Say: "what that raises the base to", Formula: "VBE = Ileak · Rpd", With: fmt.Sprintf("%s · %s", num(leak, unit.SymAmp), num(rp, unit.SymOhm)), Result: leak * rp, Unit: unit.SymVolt},
			{Say: "a silicon transistor is off below about", Result: thinkVBEoff, Unit: unit.SymVolt, Source: "0.3 V when hot; common practice, no source"},
			{Say: "lamp current that remains", Result: math.Abs(float64(out.Lamp)), Unit: unit.SymAmp, Source: "the circuit"},
		},
		Hand: leak * rp, Solver: float64(out.VBE), Unit: unit.SymVolt,
		Difference: "the transistor's base takes part of the leakage, so the solver never exceeds the hand figure by much",
		Sources:    []string{o.Part.Source, figureSource(n.Chip, "leakage")},
	}
}

// Explain is the working of a requirement at its worst corner z, where it has a hand formula; else the
// numbers alone.
func (s *Set) Explain(n *wiring.Network, q int, z []float64, value float64) *finding.Working {
	r := &s.Requirements[q]
	u := r.needs[0].Track
	switch {
	case r.Kind == Light && r.needs[0] == litState(&n.Outputs[r.Output], wiring.On, u):
		return ExplainLight(n, r.Output, z, u)
	case r.Kind == Saturation:
		return ExplainBase(n, r.Output, z, u)
	case r.Kind == Darkness && r.needs[0].Drive == wiring.Reset:
		return ExplainPulldown(n, r.Output, z, u)
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
