package dcc

import "fettle/internal/unit"

// A Listener decodes one edge at a time, written straight from the standard: the plain road, for a signal that is being made
// while it is heard. Receiver follows the same rules and takes whole blocks.
type Listener struct {
	rules rules

	running bool
	last    unit.Time

	pending bool // a half waits for its partner
	half    Half
	began   unit.Time

	run, since int  // ones in a row; those from the last end bit on
	valid      bool // that was the end bit of a valid packet

	in       bool // between start bit and end bit
	have     int  // bits of the present byte
	byte     byte
	bytes    Packet
	start    unit.Time
	preamble int
}

// NewListener makes a listener, or says what is wrong with its settings.
func NewListener(s Settings) (*Listener, error) {
	rules, err := s.rules()
	if err != nil {
		return nil, err
	}
	return &Listener{rules: rules}, nil
}

// Edge takes the next edge; ok says that it ended a reception, whose bytes are the caller's to keep.
func (l *Listener) Edge(t unit.Time) (r Reception, ok bool) {
	began := l.last
	l.last = t
	if !l.running {
		l.running = true
		return r, false
	}
	half := l.class(t - began)
	if half != OneHalf && half != ZeroHalf {
		return l.cut(began, EndBadHalf)
	}
	if !l.pending || l.half != half { // a first half, or one that does not fit the one before and takes its place
		l.pending, l.half, l.began = true, half, began
		return r, false
	}
	l.pending = false
	return l.bit(half == OneHalf, l.began, t)
}

// Break tells the listener that the signal broke off at t: the next edge begins a half-bit and ends none.
func (l *Listener) Break(t unit.Time) (r Reception, ok bool) {
	l.running = false
	return l.cut(t, EndLost)
}

// class is what the listener's own clock makes of a half-bit.
func (l *Listener) class(t unit.Time) Half {
	if t < 0 {
		return ShortHalf
	}
	if t > 4*longestHalf {
		return LongHalf
	}
	limits := Limits{One: l.scaled(l.rules.One), Zero: l.scaled(l.rules.Zero)}
	return limits.Half(t * unit.Time(million+l.rules.ppm))
}

func (l *Listener) scaled(w Window) Window { return Window{w.Min * million, w.Max * million} }

func (l *Listener) bit(one bool, began, ended unit.Time) (r Reception, ok bool) {
	enough := l.run >= l.rules.MinOnes || !l.in && l.valid && l.since >= l.rules.MinOnesAfter
	if !one && enough {
		l.in, l.have, l.bytes = true, 0, nil
		l.start, l.preamble = began, l.since
		l.run, l.since, l.valid = 0, 0, false
		return r, false
	}
	if one {
		l.run++
		l.since++
	} else {
		l.run, l.since, l.valid = 0, 0, false
	}
	if !l.in {
		return r, false
	}
	if l.have < 8 {
		l.byte = l.byte << 1
		if one {
			l.byte |= 1
		}
		l.have++
		return r, false
	}
	l.bytes = append(l.bytes, l.byte)
	l.have = 0
	if one {
		how := ending(l.bytes)
		l.since, l.valid = 1, how == EndValid
		return l.end(ended, how)
	}
	if len(l.bytes) == l.rules.limit(l.bytes[0]) {
		return l.end(ended, EndMany)
	}
	return r, false
}

func (l *Listener) end(t unit.Time, how Ending) (Reception, bool) {
	l.in = false
	return Reception{l.bytes, l.start, t, l.preamble, how}, true
}

// cut forgets the pending half and the ones counted and ends any packet.
func (l *Listener) cut(t unit.Time, how Ending) (r Reception, ok bool) {
	l.pending = false
	l.run, l.since, l.valid = 0, 0, false
	if !l.in {
		return r, false
	}
	return l.end(t, how)
}
