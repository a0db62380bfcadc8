package prove

import (
	"fmt"
	"math"

	"fettle/internal/build"
	"fettle/internal/circuit"
	"fettle/internal/finding"
	"fettle/internal/require"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// Figures are the pictures of a proof: for each output the lamp current against track voltage and the
// saturation of its switch.
func Figures(n *wiring.Network) []finding.Figure {
	var out []finding.Figure
	for i := range n.Outputs {
		out = append(out, Light(n, i), Saturation(n, i))
	}
	return out
}

// lampAt is the mean and the larger of the two polarities' lamp currents with everything on.
func lampAt(n *wiring.Network, i int, u unit.Volt) (mean, peak float64) {
	var op wiring.Operating
	for _, left := range []bool{true, false} {
		sol := n.Solve(wiring.State{LeftPositive: left, Drive: wiring.On, Track: u})
		n.Read(sol, &op)
		x := float64(op.Out[i].Lamp)
		mean += x / 2
		peak = math.Max(peak, x)
	}
	return mean * float64(n.Outputs[i].Output.Brightness.Or(1)), peak
}

// Light is the lamp current against track voltage with its limits and its spread over everything that varies.
func Light(n *wiring.Network, i int) finding.Figure {
	o, tr := &n.Outputs[i], n.Build.Track
	ceil := require.Ceiling(n.Vehicle.Scale.Text)
	var us []float64
	for u := 3.0; u <= float64(ceil)+1e-9; u += 0.5 {
		us = append(us, u)
	}
	set := require.For(n).Only(i, require.Light)
	worst := set.On(n).Worst()
	dim, bright := n.Typical(), n.Typical()
	for q := range set.Requirements {
		if set.Requirements[q].AtLeast {
			dim = worst[q].Z
		} else {
			bright = worst[q].Z
		}
	}
	along := func(z []float64) (mean, peak []float64) {
		n.Set(z)
		for _, u := range us {
			m, p := lampAt(n, i, unit.Volt(u))
			mean, peak = append(mean, m), append(peak, p)
		}
		return
	}
	mean, peak := along(n.Typical())
	lowMean, lowPeak := along(dim)
	highMean, highPeak := along(bright)
	f := finding.Figure{
		ID: o.ID + ".light", Title: "Current of lamp " + o.LampName + " against track voltage",
		X:      finding.Axis{Quantity: "track voltage", Unit: unit.SymVolt, Low: us[0], High: us[len(us)-1]},
		Y:      finding.Axis{Quantity: "lamp current", Unit: unit.SymAmp},
		Curves: []finding.Curve{{Label: "mean on DCC", X: us, Y: mean}},
		Shades: []finding.Shade{{Label: "worst cases", X: us, Low: lowMean, High: highMean, Curve: 0}},
	}
	f.Caption = "Mean current is the light. The shade spans the dimmest and the brightest corner found over everything that varies."
	if o.HalfWave {
		f.Curves = append(f.Curves, finding.Curve{Label: "peak", X: us, Y: peak, Dashed: true})
		f.Shades = append(f.Shades, finding.Shade{Label: "worst cases", X: us, Low: lowPeak, High: highPeak, Curve: 1})
		f.Caption += " The lamp conducts for one polarity only: its peak is twice its mean."
	}
	inf := math.Inf(1)
	if o.Lamp.NeverAbove.Known() {
		f.Bands = append(f.Bands, finding.Band{Label: "never above " + o.Lamp.NeverAbove.Value.String(), From: float64(o.Lamp.NeverAbove.Value), To: inf})
	}
	point := func(label string, u build.Quantity[unit.Volt], i build.Quantity[unit.Amp]) {
		if u.Known() && i.Known() {
			f.Marks = append(f.Marks, finding.Mark{Label: label, X: float64(u.Value), Y: float64(i.Value)})
		}
	}
	point("seen at the lowest", tr.Low, o.Lamp.Seen)
	point("good at the usual", tr.Usual, o.Lamp.Good)
	for _, m := range []struct {
		label string
		u     build.Quantity[unit.Volt]
	}{{"lowest", tr.Low}, {"usual", tr.Usual}, {"highest", tr.High}} {
		if m.u.Known() {
			f.Marks = append(f.Marks, finding.Mark{Label: m.label, X: float64(m.u.Value), Y: math.NaN()})
		}
	}
	return f
}

// Saturation is VCE against base current over gain spread and temperature, with the chosen point and the knee.
func Saturation(n *wiring.Network, i int) finding.Figure {
	o, tr := &n.Outputs[i], n.Build.Track
	u := tr.High.Or(require.Ceiling(n.Vehicle.Scale.Text))
	st := wiring.State{LeftPositive: !o.HalfWave || o.LeftFed, Drive: wiring.On, Track: u}
	chosen := o.Output.Base
	low, high := tr.AmbientLow.Or(wiring.AmbientLow), tr.AmbientHigh.Or(wiring.AmbientHigh)
	f := finding.Figure{
		ID: o.ID + ".saturation", Title: "Saturation of the switch of output " + o.Name + " (" + o.Part.Name + ")",
		X: finding.Axis{Quantity: "base current", Unit: unit.SymAmp, Log: true},
		Y: finding.Axis{Quantity: "VCE", Unit: unit.SymVolt, Log: true},
	}
	defer n.Nominal(i, o.Base, chosen.Value)
	var op wiring.Operating
	type run struct {
		label         string
		gain, ambient float64
		dashed        bool
	}
	var driven, past string
	for _, r := range []run{
		{fmt.Sprintf("least gain, %s", low), -1, -1, true},
		{"typical", 0, 0, false},
		{fmt.Sprintf("most gain, %s", high), 1, 1, true},
	} {
		z := n.Typical()
		for k, v := range n.Vars {
			switch {
			case v.Owner == "switch of output "+o.Name && v.Name == "hFE":
				z[k] = r.gain
			case v.Owner == "" && v.Name == "ambient":
				z[k] = r.ambient
			}
		}
		c := finding.Curve{Label: r.label, Dashed: r.dashed}
		const steps = 60
		for k := range steps + 1 {
			rb := unit.Ohm(math.Exp(math.Log(1e6) + (math.Log(400)-math.Log(1e6))*float64(k)/steps))
			n.Nominal(i, o.Base, rb)
			n.Set(z)
			sol := n.Solve(st)
			if sol.Status != circuit.Solved {
				continue
			}
			n.Read(sol, &op)
			if ib := float64(op.Out[i].IB); ib > 1e-6 {
				c.X, c.Y = append(c.X, ib), append(c.Y, float64(op.Out[i].VCE))
			}
		}
		f.Curves = append(f.Curves, c)
		if r.gain <= 0 {
			n.Nominal(i, o.Base, chosen.Value)
			n.Set(z)
			n.Read(n.Solve(st), &op)
			out := op.Out[i]
			if r.gain == 0 {
				f.Marks = append(f.Marks, finding.Mark{Label: "chosen, " + chosen.Value.String(), X: float64(out.IB), Y: float64(out.VCE)})
				driven = fmt.Sprintf("At track %s the switch carries %s; with %s it is driven at a forced gain of %.0f.",
					u, unit.Format(float64(out.IC), unit.SymAmp, 3), chosen.Value, float64(out.IC/out.IB))
			} else {
				knee := float64(out.IC) / n.GainOf(i, &op)
				f.Marks = append(f.Marks, finding.Mark{Label: "knee, least gain", X: knee, Y: math.NaN()})
				past = fmt.Sprintf(" The weakest sheet transistor, cold, has its knee at %s: the chosen point stands %.1f times past it.",
					unit.Format(knee, unit.SymAmp, 2), float64(out.IB)/knee)
			}
		}
	}
	f.Caption = driven + past
	f.Bands = append(f.Bands, finding.Band{Label: "not saturated: above " + require.SaturatedBelow.String(), From: float64(require.SaturatedBelow), To: math.Inf(1)})
	return f
}
