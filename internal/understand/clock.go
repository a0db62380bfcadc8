package understand

import (
	"context"
	"fmt"
	"strings"

	"fettle/internal/dcc"
	"fettle/internal/finding"
	"fettle/internal/unit"
	"fettle/internal/work"
)

// received is the share of n packets that a decoder with a clock error reads from a station with these half-bits.
func received(one, zero unit.Time, e unit.Ratio) (float64, error) {
	p, err := dcc.Drive(dcc.Vehicle(47), dcc.Speed{Steps: dcc.Steps28, Step: 6, Forward: true}).Packet()
	if err != nil {
		return 0, err
	}
	r, err := dcc.NewReceiver(dcc.Settings{ClockError: e})
	if err != nil {
		return 0, err
	}
	const n = 20
	var at []unit.Time
	t := unit.Time(0)
	at = append(at, t)
	bit := func(b byte) {
		h := zero
		if b == 1 {
			h = one
		}
		at = append(at, t+h, t+2*h)
		t += 2 * h
	}
	for range n {
		for _, b := range p.Bits(17) {
			bit(b)
		}
	}
	for range 20 { // so that the last one ends
		bit(1)
	}
	good := 0
	r.Edges(at, func(x *dcc.Reception) {
		if x.Ended == dcc.EndValid {
			good++
		}
	})
	return float64(good) / n, nil
}

func clock(_ context.Context, c *Chapter, p work.Proved) error {
	const off = 0.08
	us := func(x float64) unit.Time { return unit.Time(x * float64(unit.Microsecond)) }
	s, d := dcc.StationLimits, dcc.DecoderLimits
	micro := func(t unit.Time) string { return unit.Format(float64(t)*1e-12, unit.SymSecond, 3) }

	c.say("A bit on the track is told by how long its two halves last. A station sends a half of a one for %s to %s, 58 µs where it can, and a half of a zero for %s or more. A decoder must take %s to %s as a one, and %s or more as a zero. "+
		"Between these windows nothing is promised. (%s.)", micro(s.One.Min), micro(s.One.Max), micro(s.Zero.Min), micro(d.One.Min), micro(d.One.Max), micro(d.Zero.Min), d.Source)
	chip := ""
	for i := range p.Build.Decoders {
		if part, ok := p.Build.Catalogue.Chip(p.Build.Decoders[i].Chip.Part.Text); ok && part.Factory > 0 {
			chip = fmt.Sprintf("The %s of this build may be off by ±%s as it comes from the factory, and by ±%s once it has been trimmed at its own voltage and warmth. ", part.Name, percent(float64(part.Factory)), percent(float64(part.Trimmed)))
			break
		}
	}
	c.say("A decoder has no ruler but its own clock. %sOne that runs fast by %s counts more ticks in the same time, so that everything looks %s longer to it; a slow one sees everything shorter.", chip, percent(off), percent(off))
	t := finding.Table{ID: "understand.clock", Title: "Half-bits, as decoders with clocks off by 8 % see them", Columns: []finding.Column{{Title: "what the station sends"}, {Title: "lasts", Numeric: true}, {Title: "clock 8 % slow"}, {Title: "clock right"}, {Title: "clock 8 % fast"}}}
	reads := func(h unit.Time) string {
		switch {
		case d.One.Holds(h):
			return "a one"
		case d.Zero.Holds(h):
			return "a zero"
		}
		return "neither"
	}
	for _, h := range []struct {
		name string
		t    unit.Time
	}{{"shortest one it may send", s.One.Min}, {"the usual one", us(58)}, {"longest one it may send", s.One.Max}, {"shortest zero it may send", s.Zero.Min}, {"the usual zero", us(100)}} {
		row := []finding.Cell{word(h.name), number(float64(h.t)*1e-12, unit.SymSecond, 3)}
		for _, e := range []float64{-off, 0, off} {
			seen := unit.Time(float64(h.t) * (1 + e))
			row = append(row, word(fmt.Sprintf("%s, %s", micro(seen), reads(seen))))
		}
		t.Rows = append(t.Rows, row)
	}
	c.table(t)
	f := finding.Figure{ID: "understand.clock", Title: "Packets understood, against the clock error of the decoder",
		X: finding.Axis{Quantity: "clock error", Unit: unit.SymRatio, Low: -0.15, High: 0.15}, Y: finding.Axis{Quantity: "packets understood", Unit: unit.SymRatio, Low: 0, High: 1.08},
		Caption: "Every point is a receiver with the standard's windows, run over twenty packets. Positive: the clock is fast.",
		Marks:   []finding.Mark{{Label: "8 % slow", X: -off, Y: nan}, {Label: "8 % fast", X: off, Y: nan}}}
	edges := map[string][2]float64{}
	for k, station := range []struct {
		name      string
		one, zero unit.Time
	}{{"usual station: 58 µs, 100 µs", us(58), us(100)}, {"short halves: 55 µs, 95 µs", s.One.Min, s.Zero.Min}, {"long ones: 61 µs, 100 µs", s.One.Max, us(100)}} {
		var x, y []float64
		low, high := nan, nan
		for ppm := -150_000; ppm <= 150_000; ppm += 2500 {
			e := float64(ppm) / 1e6
			g, err := received(station.one, station.zero, unit.Ratio(e))
			if err != nil {
				return err
			}
			if n := len(y); n > 0 && y[n-1] != g { // a step, not a slope
				x, y = append(x, e), append(y, y[n-1])
			}
			x, y = append(x, e), append(y, g)
			if g == 1 {
				if low != low {
					low = e
				}
				high = e
			}
		}
		edges[station.name] = [2]float64{low, high}
		f.Curves = append(f.Curves, finding.Curve{Label: station.name, X: x, Y: y, Dashed: k > 0})
	}
	c.figure(f)
	usual, short, long := edges["usual station: 58 µs, 100 µs"], edges["short halves: 55 µs, 95 µs"], edges["long ones: 61 µs, 100 µs"]
	side := func(x float64) string {
		return strings.Replace(fmt.Sprintf("%+.1f%s%%", 100*x, unit.ThinSpace), "-", "−", 1)
	}
	c.say("With the usual station all is well from %s to %s (in steps of a quarter of a per cent): at 8%s%% nothing seems to be wrong, and the decoder answers on one's own layout. Taken to a club whose station sends short halves, all of them legal, it understands nothing below %s; "+
		"one with long ones is lost above %s. Not some packets: all, since the same bit comes in each of them. That is how a decoder can work at home and be dead elsewhere.",
		side(usual[0]), side(usual[1]), unit.ThinSpace, side(short[0]), side(long[1]))
	c.say("A right decoder therefore wants its clock within %s to %s, which an untrimmed oscillator does not promise and a trimmed one does. Many decoders look only once in each half, some way after the edge, instead of measuring it (common practice, no source): that forgives a wrong clock far more, and tells noise from a bit far worse. "+
		"`fettle audit` shows both for a recording of your own track.", side(short[0]), side(long[1]))
	return nil
}
