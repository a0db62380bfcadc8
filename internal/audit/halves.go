package audit

import (
	"fettle/internal/dcc"
	"fettle/internal/unit"
)

var station, decoder = &dcc.StationLimits, &dcc.DecoderLimits

// legal reports whether a station may send all of it.
func (m *measured) legal() bool {
	return m.one.within(station.One.Min, station.One.Max) && m.difference <= station.OneDifference &&
		m.zero.within(station.Zero.Min, station.Zero.Max) && m.total <= station.ZeroTotal
}

// judge holds the bits between two edges against the windows. What is legal costs a few comparisons.
func (p *pass) judge(from, to int, m *measured) {
	o := p.out
	o.Ones += m.ones
	o.Zeros += m.zeros
	if to > from {
		o.Direct.add(polar(p.to[from])*m.signed, p.at[to]-p.at[from], p.at[to])
	}
	at := p.at[from]
	o.One.note(m.one, at)
	o.Zero.note(m.zero, at)
	o.Difference.note(m.difference, at)
	o.Total.note(m.total, at)
	if m.legal() {
		return
	}
	for i := from; i+1 < to; i += 2 {
		x, y := p.at[i+1]-p.at[i], p.at[i+2]-p.at[i+1]
		switch {
		case max(x, y) <= split:
			for k, t := range [2]unit.Time{x, y} {
				o.window(StationOne, station.One, p.at[i+k], t)
				o.window(DecoderOne, decoder.One, p.at[i+k], t)
			}
			o.most(StationDifference, station.OneDifference, p.at[i], max(x, y)-min(x, y), 2)
			o.most(DecoderDifference, decoder.OneDifference, p.at[i], max(x, y)-min(x, y), 2)
		case min(x, y) > split:
			for k, t := range [2]unit.Time{x, y} {
				o.window(StationZero, station.Zero, p.at[i+k], t)
				o.window(DecoderZero, decoder.Zero, p.at[i+k], t)
			}
			o.most(StationTotal, station.ZeroTotal, p.at[i], x+y, 1)
		}
	}
}

// window holds a half against a window.
func (o *Audited) window(r Rule, w dcc.Window, at, t unit.Time) {
	if beyond := max(w.Min-t, t-w.Max); beyond > 0 {
		o.Rules[r].broken(Place{At: at, Value: int64(t)}, int64(beyond), int64(o.Resolution))
	}
}

// most holds a length against a limit; it is made of times so that it may be off by so many resolutions.
func (o *Audited) most(r Rule, limit, at, t unit.Time, resolutions int64) {
	if t > limit {
		o.Rules[r].broken(Place{At: at, Value: int64(t)}, int64(t-limit), resolutions*int64(o.Resolution))
	}
}

// Extremes are the shortest and the longest, and where they were: in the packet whose preamble begins there.
type Extremes struct {
	Extent
	MinAt, MaxAt unit.Time
}

func (e *Extremes) note(x Extent, at unit.Time) {
	if x.Min < e.Min {
		e.Min, e.MinAt = x.Min, at
	}
	if x.Max > e.Max {
		e.Max, e.MaxAt = x.Max, at
	}
}

// A Most is the greatest of something, and where.
type Most struct{ Value, At unit.Time }

func (m *Most) note(t, at unit.Time) {
	if t > m.Value {
		m.Value, m.At = t, at
	}
}
