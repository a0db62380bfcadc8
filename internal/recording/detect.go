package recording

import (
	"math"

	"fettle/internal/unit"
	"fettle/internal/wave"
)

// latest is the time farthest from 0 that is read, 53 days: the difference of two times is a time too.
const latest = unit.Time(math.MaxInt64 / 2)

// A level is what one logic wire is said to be.
const (
	low = iota
	high
	unclear // x, z, or nothing said yet
)

// Polarity of one wire, and of two rails [left][right].
var (
	ofWire  = [3]wave.Polarity{low: wave.Negative, high: wave.Positive, unclear: wave.Uncertain}
	ofRails = [3][3]wave.Polarity{
		low:     {low: wave.None, high: wave.Negative, unclear: wave.Uncertain},
		high:    {low: wave.Positive, high: wave.None, unclear: wave.Uncertain},
		unclear: {wave.Uncertain, wave.Uncertain, wave.Uncertain},
	}
)

// A detector turns what is recorded, in the order of time, into changes of polarity.
//
// Between opposite polarities two rails, or their difference, pass through a moment in which they are alike. Such a
// moment no longer than bridge is the crossing itself, not a gap: logic levels are taken to cross in its middle, a
// voltage where it last crosses the centre. Bouncing back from such a moment is a None for logic, and nothing for a
// voltage, whose hysteresis is there to ignore it.
type detector struct {
	c       wave.Changes // the block being filled
	emitted bool
	last    unit.Time     // of the newest change
	is      wave.Polarity // after the newest change

	bridge unit.Time // 0: none
	parted bool      // is was left at since, for None, not told yet
	since  unit.Time

	joined  int64     // crossings bridged
	longest unit.Time // of them

	volts   voltage
	swinger bool // a voltage has been seen: volts.t, volts.v hold
}

// A voltage is read with two limits; the instant is the crossing of the centre between them.
type voltage struct {
	low, centre, high float64 // V
	dwells            [2]float64
	gaps              bool // between the limits there may be nothing: a difference, not one rail
	hold              bool // the value holds until the next, instead of running straight to it
	t                 unit.Time
	v                 float64
	inside            bool // between the limits since at
	at                unit.Time
	crossed           bool // the centre, since then, the last time at mid
	mid               unit.Time
}

func (d *detector) emit(t unit.Time, p wave.Polarity) {
	if p == d.is && d.emitted || p == wave.Uncertain && !d.emitted {
		return
	}
	if d.emitted && t <= d.last {
		t = d.last + 1 // two crossings that round to one picosecond
	}
	d.c.At, d.c.To = append(d.c.At, t), append(d.c.To, p)
	d.last, d.is, d.emitted = t, p, true
}

// logic says that the polarity is p from t on. Times ascend.
func (d *detector) logic(t unit.Time, p wave.Polarity) {
	if d.parted {
		switch {
		case p == wave.None:
			return
		case p == -d.is && t-d.since <= d.bridge:
			d.parted = false
			d.joined++
			d.longest = max(d.longest, t-d.since)
			d.emit(d.since+(t-d.since)/2, p)
			return
		}
		d.parted = false
		d.emit(d.since, wave.None)
	} else if p == wave.None && d.bridge > 0 && d.emitted && (d.is == wave.Positive || d.is == wave.Negative) {
		d.parted, d.since = true, t
		return
	}
	d.emit(t, p)
}

// finish tells what was held back for the sake of bridging.
func (d *detector) finish(t unit.Time) {
	if d.parted {
		d.parted = false
		d.emit(d.since, wave.None)
	}
	if v := &d.volts; d.swinger && v.inside && v.gaps && t-v.at > d.bridge {
		v.inside = false
		d.emit(v.at, wave.None)
	}
}

// cross is when the straight line from (t0, v0) to (t1, v1) is at v, rounded to the picosecond.
func cross(t0, t1 unit.Time, v0, v1, v float64) unit.Time {
	share := (v - v0) / (v1 - v0)
	if !(share >= 0) {
		return t0
	}
	return t0 + unit.Time(math.Round(math.Min(share, 1)*float64(t1-t0)))
}

// sample says that the voltage is x at t. Times ascend.
func (d *detector) sample(t unit.Time, x float64) {
	v := &d.volts
	p := wave.None
	switch {
	case x >= v.high:
		p = wave.Positive
	case x <= v.low:
		p = wave.Negative
	}
	if !d.swinger {
		d.swinger = true
		if p == wave.None {
			v.inside, v.at = true, t
		} else {
			d.emit(t, p)
		}
		v.t, v.v = t, x
		return
	}
	if p == d.is && d.emitted && !v.inside { // the usual case
		v.t, v.v = t, x
		return
	}
	when := func(limit float64) unit.Time {
		if v.hold {
			return t
		}
		return cross(v.t, t, v.v, x, limit)
	}
	if !v.inside {
		v.inside, v.crossed = true, false
		switch d.is {
		case wave.Positive:
			v.at = when(v.high)
		case wave.Negative:
			v.at = when(v.low)
		default:
			v.at = t
		}
	}
	if (v.v < v.centre) != (x < v.centre) {
		v.crossed, v.mid = true, when(v.centre)
	}
	if p != wave.None {
		limit := v.high
		if p == wave.Negative {
			limit = v.low
		}
		in := when(limit)
		v.inside = false
		switch opposite := d.emitted && p == -d.is; {
		case v.gaps && in-v.at > d.bridge:
			d.emit(v.at, wave.None)
			d.emit(in, p)
		case opposite && v.crossed:
			d.longest = max(d.longest, in-v.at)
			d.emit(v.mid, p)
		default:
			d.emit(in, p)
		}
	}
	v.t, v.v = t, x
}
