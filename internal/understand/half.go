package understand

import (
	"context"
	"math"

	"fettle/internal/circuit"
	"fettle/internal/dcc"
	"fettle/internal/finding"
	"fettle/internal/require"
	"fettle/internal/unit"
	"fettle/internal/wiring"
	"fettle/internal/work"
)

func half(_ context.Context, c *Chapter, p work.Proved) error {
	list, err := networks(p)
	if err != nil {
		return err
	}
	for _, n := range list {
		for i := range n.Outputs {
			o := &n.Outputs[i]
			for k := range o.Lights {
				if o.Lights[k].HalfWave() && !o.Lights[k].Held() && !o.Acknowledge {
					return halfOf(c, n, i, k)
				}
			}
		}
	}
	return errNothing
}

func halfOf(c *Chapter, n *wiring.Network, i, k int) error {
	o := &n.Outputs[i]
	lamp := &n.Lamps[o.Lights[k].Lamp]
	u := n.Build.Track.Usual.Or(12)
	n.Set(n.Typical())
	var op wiring.Operating
	var by [2]float64 // right, left rail positive
	for s, left := range []bool{false, true} {
		sol := n.Solve(wiring.State{LeftPositive: left, Drive: wiring.On, Track: u, Which: n.With(i)})
		if n.Read(sol, &op); sol.Status == circuit.Solved {
			by[s] = math.Max(0, float64(o.Lights[k].Light(&op)))
		}
	}
	peak, mean := math.Max(by[0], by[1]), (by[0]+by[1])/2
	share := mean / peak

	c.say("On DCC the two rails change places some eight thousand times a second: that is the signal. A decoder's rectifier turns both halves the right way round. "+
		"A lamp whose common wire is soldered to one rail sees none of that: %s hangs on the %s, and current flows only while that rail is the positive one.", lamp.Words, lamp.Lamp.Feed.Text)
	pkt, err := dcc.SetFunctions(dcc.Vehicle(3), dcc.GroupOf(0).With(0, true)).Packet()
	if err != nil {
		return err
	}
	const one, zero = 58e-6, 100e-6
	var x, y, m []float64
	t := 0.0
	bits := pkt.Bits(14)[11:26]
	for _, b := range bits {
		h := zero
		if b == 1 {
			h = one
		}
		for s := range 2 {
			i := by[1-s]
			x, y, m = append(x, t, t+h), append(y, i, i), append(m, mean, mean)
			t += h
		}
	}
	c.figure(finding.Figure{ID: "understand.half", Title: "Current of " + lamp.Words + " while a packet passes, at track " + u.String(),
		X:       finding.Axis{Quantity: "time", Unit: unit.SymSecond, Low: 0, High: t},
		Y:       finding.Axis{Quantity: "lamp current", Unit: unit.SymAmp, Low: 0, High: 1.25 * peak},
		Curves:  []finding.Curve{{Label: "current", X: x, Y: y}, {Label: "mean", X: x, Y: m, Dashed: true}},
		Caption: "The end of a preamble and the first bits: narrow halves are ones, wide ones zeros. Both halves of a bit last equally long, whatever is sent.",
	})
	c.say("Both halves of every bit last equally long, so the lamp is fed for exactly half the time, whatever is being said on the track. It carries %s while it is fed, and %s in the mean: %s. "+
		"An LED gives light very nearly in proportion to its current, and the eye cannot follow thousands of changes a second. Half the current is half the light.", amp(peak), amp(mean), percent(share))
	lx, ly, ex := []float64{}, []float64{}, []float64{}
	for s := 0.0; s <= 1.0001; s += 0.02 {
		lx, ly, ex = append(lx, s), append(ly, require.Lightness(s)/100), append(ex, require.PowerBrightness(s, require.ExtendedSource))
	}
	l, e, pt := require.Lightness(share)/100, require.PowerBrightness(share, require.ExtendedSource), require.PowerBrightness(share, require.PointSource)
	c.figure(finding.Figure{ID: "understand.eye", Title: "How bright a share of the light looks",
		X:       finding.Axis{Quantity: "share of the light", Unit: "1", Low: 0, High: 1},
		Y:       finding.Axis{Quantity: "looks as bright as", Unit: "1", Low: 0, High: 1},
		Curves:  []finding.Curve{{Label: "CIE 1976 lightness", X: lx, Y: ly}, {Label: "power law, extended source", X: lx, Y: ex, Dashed: true}},
		Marks:   []finding.Mark{{Label: "half wave", X: share, Y: l}},
		Caption: "CIE 1976 L* of the share, and Stevens's power law with the exponent of an extended source in the dark (from memory).",
	})
	c.say("Half as bright is what a light meter says. The eye bends everything: by the lightness scale of the CIE half the light looks %s as bright, by the power law for an extended source in the dark %s, "+
		"for a point of light (where the exponent is nearer one half, from memory) %s. So a lamp on one rail looks some four fifths as bright as the same lamp would on the rectified supply, and nobody notices unless the two stand side by side.",
		percent(l), percent(e), percent(pt))
	c.say("Two things follow. First, brightness is judged by the mean, what the LED must stand by the peak: here %s, twice the mean. A series resistor that is halved to make up for the lost half doubles the peak. "+
		"Second, on plain DC the lamp is either fully on or quite dark, depending on the direction: what a meter shows there is the peak, %s, and not what DCC will give.", amp(peak), amp(peak))
	return nil
}
