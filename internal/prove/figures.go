package prove

import (
	"fmt"
	"math"
	"strings"

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
		o := &n.Outputs[i]
		for k := range o.Lights {
			if o.Lights[k].Most > 0 {
				out = append(out, Light(n, i, k))
			}
		}
		if o.Switch != nil && o.Switch.BJT != nil && !o.Acknowledge {
			if _, ok := o.Resistor("base"); ok {
				out = append(out, Saturation(n, i))
			}
		}
	}
	return out
}

// lampAt is the mean and the larger of the two polarities' currents of a light with everything on. Behind a single diode the
// reservoir is taken to hold.
func lampAt(n *wiring.Network, i, k int, u unit.Volt) (mean, peak float64) {
	var op wiring.Operating
	light := n.Outputs[i].Lights[k]
	for _, left := range []bool{true, false} {
		sol := n.Solve(wiring.State{LeftPositive: left, Drive: wiring.On, Track: u, Which: n.With(i)})
		n.Read(sol, &op)
		x := float64(light.Light(&op))
		mean += x / 2
		peak = math.Max(peak, x)
	}
	return mean * float64(n.Outputs[i].Output.Brightness.Or(1)), peak
}

// Light is the lamp current against track voltage with its limits and its spread over everything that varies.
func Light(n *wiring.Network, i, k int) finding.Figure {
	light, tr := n.Outputs[i].Lights[k], n.Build.Track
	lamp, id := &n.Lamps[light.Lamp], require.LightID(n, i, k)
	ceil := require.Ceiling(n.Vehicle.Scale.Text)
	var us []float64
	for u := 3.0; u <= float64(ceil)+1e-9; u += 0.5 {
		us = append(us, u)
	}
	set := require.For(n).Only(i, require.Light)
	worst := set.On(n).Worst()
	dim, bright := n.Typical(), n.Typical()
	for q := range set.Requirements {
		if r := &set.Requirements[q]; !strings.HasPrefix(r.ID, id) || strings.HasSuffix(r.ID, ".other-dark") {
			continue
		}
		if set.Requirements[q].AtLeast {
			dim = worst[q].Z
		} else {
			bright = worst[q].Z
		}
	}
	along := func(z []float64) (mean, peak []float64) {
		n.Set(z)
		for _, u := range us {
			m, p := lampAt(n, i, k, unit.Volt(u))
			mean, peak = append(mean, m), append(peak, p)
		}
		return
	}
	mean, peak := along(n.Typical())
	lowMean, lowPeak := along(dim)
	highMean, highPeak := along(bright)
	f := finding.Figure{
		ID: id + "light", Title: "Current of lamp " + lamp.Name + " against track voltage",
		X:      finding.Axis{Quantity: "track voltage", Unit: unit.SymVolt, Low: us[0], High: us[len(us)-1]},
		Y:      finding.Axis{Quantity: "lamp current", Unit: unit.SymAmp},
		Curves: []finding.Curve{{Label: "mean on DCC", X: us, Y: mean}},
		Shades: []finding.Shade{{Label: "worst cases", X: us, Low: lowMean, High: highMean, Curve: 0}},
	}
	f.Caption = "Mean current is the light. The shade spans the dimmest and the brightest corner found over everything that varies."
	if light.HalfWave() {
		f.Curves = append(f.Curves, finding.Curve{Label: "peak", X: us, Y: peak, Dashed: true})
		f.Shades = append(f.Shades, finding.Shade{Label: "worst cases", X: us, Low: lowPeak, High: highPeak, Curve: 1})
		f.Caption += " The lamp conducts for one polarity only: its peak is twice its mean."
	}
	if light.Held() {
		f.Caption += " The mean is drawn with the reservoir holding while the single diode blocks; the half-wave in which it conducts gives half of it for sure."
	}
	inf := math.Inf(1)
	if lamp.Lamp.NeverAbove.Known() {
		f.Bands = append(f.Bands, finding.Band{Label: "never above " + lamp.Lamp.NeverAbove.Value.String(), From: float64(lamp.Lamp.NeverAbove.Value), To: inf})
	}
	point := func(label string, u build.Quantity[unit.Volt], i build.Quantity[unit.Amp]) {
		if u.Known() && i.Known() {
			f.Marks = append(f.Marks, finding.Mark{Label: label, X: float64(u.Value), Y: float64(i.Value)})
		}
	}
	point("seen at the lowest", tr.Low, lamp.Lamp.Seen)
	point("good at the usual", tr.Usual, lamp.Lamp.Good)
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
	st := wiring.State{LeftPositive: o.Lights[0].Left, Drive: wiring.On, Track: u, Which: n.With(i)}
	chosen, point := o.Output.Base, "chosen"
	if chosen.Real != nil {
		point = "fitted"
	}
	low, high := tr.AmbientLow.Or(wiring.AmbientLow), tr.AmbientHigh.Or(wiring.AmbientHigh)
	f := finding.Figure{
		ID: o.ID + ".saturation", Title: "Saturation of the switch of output " + o.Name + " (" + o.Switch.Name + ")",
		X: finding.Axis{Quantity: "base current", Unit: unit.SymAmp, Log: true},
		Y: finding.Axis{Quantity: "VCE", Unit: unit.SymVolt, Log: true},
	}
	defer n.Nominal(i, "base", chosen.Value)
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
			case v.Owner == o.Switch.Words && v.Name == "hFE":
				z[k] = r.gain
			case v.Owner == "" && v.Name == "ambient":
				z[k] = r.ambient
			}
		}
		c := finding.Curve{Label: r.label, Dashed: r.dashed}
		const steps = 60
		for k := range steps + 1 {
			rb := unit.Ohm(math.Exp(math.Log(1e6) + (math.Log(400)-math.Log(1e6))*float64(k)/steps))
			n.Nominal(i, "base", rb)
			n.Set(z)
			sol := n.Solve(st)
			if sol.Status != circuit.Solved {
				continue
			}
			n.Read(sol, &op)
			if ib := float64(op.Out[i].Switch.Drive); ib > 1e-6 {
				c.X, c.Y = append(c.X, ib), append(c.Y, float64(op.Out[i].Switch.Across))
			}
		}
		f.Curves = append(f.Curves, c)
		if r.gain <= 0 {
			n.Nominal(i, "base", chosen.Value)
			n.Set(z)
			n.Read(n.Solve(st), &op)
			out := op.Out[i].Switch
			if r.gain == 0 {
				f.Marks = append(f.Marks, finding.Mark{Label: point + ", " + chosen.Value.String(), X: float64(out.Drive), Y: float64(out.Across)})
				driven = fmt.Sprintf("At track %s the switch carries %s; with %s it is driven at a forced gain of %.0f.",
					u, unit.Format(float64(out.Through), unit.SymAmp, 3), chosen.Value, float64(out.Through/out.Drive))
			} else {
				knee := float64(out.Through) / out.Gain(op.Ambient)
				f.Marks = append(f.Marks, finding.Mark{Label: "knee, least gain", X: knee, Y: math.NaN()})
				past = fmt.Sprintf(" The weakest sheet transistor, cold, has its knee at %s: the %s point stands %.1f times past it.",
					unit.Format(knee, unit.SymAmp, 2), point, float64(out.Drive)/knee)
			}
		}
	}
	f.Caption = driven + past
	f.Bands = append(f.Bands, finding.Band{Label: "not saturated: above " + require.SaturatedBelow.String(), From: float64(require.SaturatedBelow), To: math.Inf(1)})
	return f
}
