package audit

import (
	"fmt"
	"math"

	"fettle/internal/finding"
	"fettle/internal/unit"
)

const (
	figureLow  = 40e-6  // s, of the axes of half-bits
	figureHigh = 125e-6 // what is longer is stretched, and said in words
	marksShown = 6
)

func (o *Audited) figures(f *finding.Findings) {
	for _, g := range []func() (finding.Figure, bool){o.overTime, o.histogram, o.loss} {
		if fig, ok := g(); ok {
			f.Figures = append(f.Figures, fig)
		}
	}
}

// bands are the windows of both sides. Across the plot their names say the lengths, along an axis of lengths it does.
func bands(vertical bool) []finding.Band {
	named := func(name, lengths string) string {
		if vertical {
			return name
		}
		return name + ": " + lengths
	}
	return []finding.Band{
		{Label: named("a station's ones", "55 … 61 µs"), From: station.One.Min.Seconds(), To: station.One.Max.Seconds(), Vertical: vertical, Good: true},
		{Label: named("a station's zeros", "95 µs and more"), From: station.Zero.Min.Seconds(), To: math.Inf(1), Vertical: vertical, Good: true},
		{Label: named("no decoder need take it", "64 … 90 µs"), From: decoder.One.Max.Seconds(), To: decoder.Zero.Min.Seconds(), Vertical: vertical},
		{Label: named("too short", "below 52 µs"), From: math.Inf(-1), To: decoder.One.Min.Seconds(), Vertical: vertical},
	}
}

// overTime is half-bits against time: the shortest and the longest in every step.
func (o *Audited) overTime() (finding.Figure, bool) {
	f := finding.Figure{ID: "half.time", Title: "Half-bits against time", X: finding.Axis{Quantity: "time in the recording", Unit: "s"},
		Y: finding.Axis{Quantity: "half-bit", Unit: "s", Low: figureLow, High: figureHigh}, Bands: bands(false)}
	if len(o.Pace.Steps) == 0 {
		return f, false
	}
	for k, name := range []string{"ones", "zeros"} {
		var x, low, high, mean []float64
		for i, s := range o.Pace.Steps {
			e, bits, sum := s.One, s.Ones, s.Sum
			if k == 1 {
				e, bits, sum = s.Zero, s.Plain, s.ZeroSum
			}
			if !e.Any() || bits == 0 {
				continue
			}
			x = append(x, (o.Pace.From + unit.Time(i)*o.Pace.Step + o.Pace.Step/2).Seconds())
			low, high = append(low, e.Min.Seconds()), append(high, math.Min(e.Max.Seconds(), figureHigh))
			mean = append(mean, sum.Seconds()/float64(2*bits))
		}
		f.Curves = append(f.Curves, finding.Curve{Label: name + ", mean", X: x, Y: mean})
		f.Shades = append(f.Shades, finding.Shade{Label: "", X: x, Low: low, High: high, Curve: k})
	}
	for i, b := range o.Bursts[:min(marksShown, len(o.Bursts))] {
		f.Marks = append(f.Marks, finding.Mark{Label: fmt.Sprintf("disturbance %d", i+1), X: b.From.Seconds(), Y: absent})
	}
	f.Caption = fmt.Sprintf("Mean, shortest and longest of every %s, of halves in packets and their preambles", unit.Format(o.Pace.Step.Seconds(), "s", 2))
	if o.Zero.Any() && o.Zero.Max.Seconds() > figureHigh {
		f.Caption += fmt.Sprintf("; stretched zeros, up to %s, lie above", micro(o.Zero.Max))
	}
	return f, true
}

// histogram is how often half-bits have which length.
func (o *Audited) histogram() (finding.Figure, bool) {
	f := finding.Figure{ID: "half.histogram", Title: "Half-bits by length", X: finding.Axis{Quantity: "half-bit", Unit: "s", Low: figureLow, High: figureHigh},
		Y: finding.Axis{Quantity: "half-bits", Log: true}, Bands: bands(true)}
	step := max(1, int((o.Resolution+BinWidth-1)/BinWidth)) // bins of at least the recorder's step
	if step < 5 {
		step = 5
	}
	steps := func(label string, of ...*Histogram) {
		var x, y []float64
		total := int64(0)
		for i := int(figureLow / BinWidth.Seconds()); i < int(figureHigh/BinWidth.Seconds()); i += step {
			n := int64(0)
			for _, h := range of {
				for k := i; k < min(i+step, linearBins); k++ {
					n += h.Bins[k]
				}
			}
			total += n
			a, b := (float64(i)-0.5)*BinWidth.Seconds(), (float64(i+step)-0.5)*BinWidth.Seconds()
			v := math.Max(float64(n), none)
			x, y = append(x, a, b), append(y, v, v)
		}
		if total > 0 {
			f.Curves = append(f.Curves, finding.Curve{Label: label, X: x, Y: y})
		}
	}
	steps("in packets and preambles", &o.Halves[0], &o.Halves[1])
	steps("outside them", &o.Loose)
	if len(f.Curves) == 0 {
		return f, false
	}
	f.Y.Low = none
	for _, c := range f.Curves {
		for _, y := range c.Y {
			f.Y.High = math.Max(f.Y.High, headroom*y)
		}
	}
	short, long := int64(0), int64(0)
	for _, h := range []*Histogram{&o.Halves[0], &o.Halves[1], &o.Loose} {
		for i, n := range h.Bins {
			switch {
			case i < int(figureLow/BinWidth.Seconds()):
				short += n
			case i >= int(figureHigh/BinWidth.Seconds()):
				long += n
			}
		}
	}
	f.Caption = fmt.Sprintf("Bins of %s; the foot of the figure is none at all", micro(unit.Time(step)*BinWidth))
	if short > 0 {
		f.Caption += fmt.Sprintf("; %s shorter", grouped(short))
	}
	if long > 0 {
		f.Caption += fmt.Sprintf("; %s longer", grouped(long))
	}
	return f, true
}

// headroom is for the names of the bands above the peaks.
const headroom = 60

// none stands for no half-bit on a logarithmic axis.
const none = 0.5

// loss is the share of packets lost against the clock error of the receiver.
func (o *Audited) loss() (finding.Figure, bool) {
	f := finding.Figure{ID: "sweep.loss", Title: "Packets lost against the clock error of the decoder", X: finding.Axis{Quantity: "clock error", Unit: "1", Low: -SweepMax / 1e6, High: SweepMax / 1e6},
		Y: finding.Axis{Quantity: "packets lost", Unit: "1", Low: 0, High: 1}}
	s := &o.Sweep
	if s.Packets == 0 {
		return f, false
	}
	for _, k := range []struct {
		label string
		c     *Curve
	}{{"with the windows of the standard", &s.Windows}, {"one look after " + micro(SampleAfter), &s.Sample}} {
		lost := k.c.Lost(s.Packets)
		var x, y []float64
		for i, n := range lost {
			share := float64(n) / float64(s.Packets)
			if i > 0 && i < len(lost)-1 && lost[i-1] == n && lost[i+1] == n {
				continue // on a level stretch
			}
			x, y = append(x, ErrorAt(i)), append(y, share)
		}
		f.Curves = append(f.Curves, finding.Curve{Label: k.label, X: x, Y: y})
	}
	slow, fast := theory()
	f.Bands = []finding.Band{{Label: "no loss on a legal signal without stretched zeros", From: slow, To: fast, Vertical: true, Good: true}}
	f.Caption = fmt.Sprintf("Of %s valid packets; positive: the decoder's clock is fast and it sees half-bits too long", grouped(s.Packets))
	return f, true
}

// theory is the clock error that the windows leave to a decoder on any legal signal without stretched zeros: the
// shortest one of a station, 55 µs, must not read below 52 µs, and so on.
func theory() (slow, fast float64) {
	return max(ratio(decoder.One.Min, station.One.Min), ratio(decoder.Zero.Min, station.Zero.Min)), ratio(decoder.One.Max, station.One.Max)
}

// sweepFindings answers whether a decoder would have missed it.
func (o *Audited) sweepFindings(f *finding.Findings) {
	s := &o.Sweep
	if s.Packets == 0 {
		return
	}
	value := func(id, name string, x float64, reason string) *finding.Value {
		f.Values = append(f.Values, finding.Value{ID: id, Name: name, Value: x, Unit: "1", Low: absent, High: absent, Reason: reason})
		return &f.Values[len(f.Values)-1]
	}
	lost := s.Windows.Lost(s.Packets)
	right := lost[nominal]
	reason := fmt.Sprintf("%s of %s", grouped(right), grouped(s.Packets))
	if n := s.Windows.Never; n > 0 {
		reason += fmt.Sprintf("; %s no clock would get, for short preambles or for halves too far apart", grouped(n))
	}
	value("sweep.right", "packets lost with a right clock", float64(right)/float64(s.Packets), reason)
	for _, k := range []struct {
		id, name string
		e        Edge
	}{
		{"sweep.fast", "first loss with a clock fast by", s.Windows.Fast}, {"sweep.slow", "first loss with a clock slow by", s.Windows.Slow},
		{"sweep.sample.fast", "one look a half-bit: fast by", s.Sample.Fast}, {"sweep.sample.slow", "one look a half-bit: slow by", s.Sample.Slow},
	} {
		if math.IsInf(k.e.Error, 0) {
			continue
		}
		v := value(k.id, k.name, math.Abs(k.e.Error), k.e.String())
		v.Working = o.working(k.id, k.e)
	}
	t := finding.Table{ID: "sweep", Title: "packets lost by decoders with a wrong clock: with the windows of the standard, and with one look " + micro(SampleAfter) + " after every edge",
		Columns: []finding.Column{{Title: "clock error", Numeric: true, Unit: "1"}, {Title: "lost, by windows", Numeric: true, Unit: "1"}, {Title: "lost, by one look", Numeric: true, Unit: "1"}}}
	sample := s.Sample.Lost(s.Packets)
	for i := 0; i < SweepPoints; i += 10_000 / SweepStep {
		share := func(n int64) finding.Cell { return finding.Cell{Number: float64(n) / float64(s.Packets), Unit: "1"} }
		t.Rows = append(t.Rows, []finding.Cell{{Number: ErrorAt(i), Unit: "1", Digits: 2}, share(lost[i]), share(sample[i])})
	}
	f.Tables = append(f.Tables, t)
}

func (e Edge) String() string {
	kind := "one"
	if e.Zero {
		kind = "zero"
	}
	return fmt.Sprintf("at %s a half of a %s of %s reads as %s, in the packet at %s", percent(e.Error), kind, micro(e.Half), micro(e.Limit), clock(e.At))
}

// percent says a clock error with its sign: "+4.92 %".
func percent(x float64) string {
	s := unit.Format(x, unit.SymRatio, 3)
	if x > 0 {
		s = "+" + s
	}
	return s
}

// working is the derivation of a clock error from the windows, for any legal signal and for this one.
func (o *Audited) working(id string, e Edge) *finding.Working {
	w := &finding.Working{Title: "what clock error the windows leave", Unit: "1", Hand: absent, Solver: e.Error,
		Sources: []string{s91}}
	step := func(say string, limit, half unit.Time) {
		w.Steps = append(w.Steps, finding.Step{Say: say, Formula: "e = limit / half − 1", With: fmt.Sprintf("%s / %s − 1", micro(limit), micro(half)), Result: ratio(limit, half), Unit: "1"})
	}
	switch id {
	case "sweep.fast":
		step("the longest one that a station may send", decoder.One.Max, station.One.Max)
		step("the longest stretched zero that a station may send", decoder.Zero.Max, station.Zero.Max)
	case "sweep.slow":
		step("the shortest one that a station may send", decoder.One.Min, station.One.Min)
		step("the shortest zero that a station may send", decoder.Zero.Min, station.Zero.Min)
	case "sweep.sample.fast":
		step("the longest one that a station may send", SampleAfter, station.One.Max)
	case "sweep.sample.slow":
		step("the shortest zero that a station may send", SampleAfter, station.Zero.Min)
	}
	step("the half-bit of this recording that comes first", e.Limit, e.Half)
	w.Hand = ratio(e.Limit, e.Half)
	if id == "sweep.sample.fast" || id == "sweep.sample.slow" {
		w.Sources = append(w.Sources, "the look at "+micro(SampleAfter)+": geometric middle of 64 µs and 90 µs, computed; what the firmware takes to react is left out")
	}
	return w
}
