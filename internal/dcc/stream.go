package dcc

import (
	"fmt"
	"io"
	"math/rand/v2"
	"slices"

	"fettle/internal/unit"
	"fettle/internal/wave"
)

// A Timing is how long half-bits are sent. A stretched zero has one or both of its halves long.
type Timing struct {
	One, Zero [2]unit.Time // first and second half; zero value: 58 µs each, 100 µs each
}

func (t Timing) orNominal() Timing {
	if t.One == [2]unit.Time{} {
		t.One = [2]unit.Time{NominalOne, NominalOne}
	}
	if t.Zero == [2]unit.Time{} {
		t.Zero = [2]unit.Time{NominalZero, NominalZero}
	}
	return t
}

// A Moment is a timing at an instant.
type Moment struct {
	At unit.Time
	Timing
}

// A Sending is one packet as it goes on the track, with what is deliberately wrong with it.
type Sending struct {
	Packet   Packet    // whole, error byte included, sent as it stands
	Preamble int       // ones in front; 0: 14
	Flip     []int     // bits sent the other way round, counted from the start bit: 9k is the start bit of byte k, 9·len the end bit
	Odd      []OddHalf // halves with a length of their own
	Service  bool      // of service mode: 70 to 7F begins an instruction and not an address
	Gap      Window    // no voltage, from and to these times after the last edge of the end bit; zero value: none
}

// An OddHalf is one half-bit with a length of its own: half 0 is the first of the start bit, −1 the last of the preamble.
type OddHalf struct {
	Index  int
	Length unit.Time
}

// AppendBits appends the bits as they are sent, 0 or 1 each, preamble first.
func (s Sending) AppendBits(bits []byte) []byte {
	from := len(bits) + s.ones()
	bits = s.Packet.AppendBits(bits, s.ones())
	for _, i := range s.Flip {
		if i += from; i >= 0 && i < len(bits) {
			bits[i] ^= 1
		}
	}
	return bits
}

func (s Sending) ones() int {
	if s.Preamble == 0 {
		return PreambleOperations
	}
	return s.Preamble
}

// A Sent is a sending with its times, jitter left out.
type Sent struct {
	Sending
	Begin, Start, End unit.Time // of the preamble, of the start bit, and the last edge of the end bit
}

// A Feed gives out what is to be sent from an instant on, and false at the end.
type Feed func(now unit.Time) (Sending, bool)

// Send is a feed of the sendings in turn.
func Send(s ...Sending) Feed {
	return func(unit.Time) (Sending, bool) {
		if len(s) == 0 {
			return Sending{}, false
		}
		next := s[0]
		s = s[1:]
		return next, true
	}
}

// StreamSettings say how a feed goes on the track. The zero value is nominal timing from time 0 on.
type StreamSettings struct {
	Timing Timing
	// Drift moves the timing in straight lines from moment to moment; before the first and after the last it stands still. With it
	// Timing does not count. Each bit has the timing of its beginning.
	Drift []Moment
	// Jitter moves every edge by up to so much, early or late, all alike likely; it does not add up. The first edge, and that
	// after a gap, stay where they are. At most a quarter of the shortest half.
	Jitter unit.Time
	Seed   uint64 // of the jitter
	Begin  unit.Time
	// Inverted begins every bit with the negative half: the vehicle stands the other way round.
	Inverted bool
	// Log, if there is one, learns of every sending.
	Log func(Sent)
}

// A Stream is the track signal of a feed as a source of changes: exact, in memory that does not grow. It ends with half a one
// and then no voltage.
type Stream struct {
	feed     Feed
	settings StreamSettings
	random   *rand.Rand
	now      unit.Time // nominal time of the next edge
	begun    bool
	last     unit.Time // edge sent
	next     wave.Polarity
	first    wave.Polarity // of every bit
	fresh    bool          // no voltage yet, or a gap
	done     bool
	bits     []byte
}

// NewStream makes a stream, or says what is wrong with the settings.
func NewStream(feed Feed, s StreamSettings) (*Stream, error) {
	s.Timing = s.Timing.orNominal()
	s.Drift = slices.Clone(s.Drift)
	shortest := unit.Time(longestHalf)
	check := func(t Timing) error {
		for _, h := range []unit.Time{t.One[0], t.One[1], t.Zero[0], t.Zero[1]} {
			if h < us || h > longestHalf {
				return fmt.Errorf("half-bit of %v µs: 1 µs to 1 s can be sent", micros(h))
			}
			shortest = min(shortest, h)
		}
		return nil
	}
	if err := check(s.Timing); err != nil {
		return nil, err
	}
	for i := range s.Drift {
		s.Drift[i].Timing = s.Drift[i].orNominal()
		if err := check(s.Drift[i].Timing); err != nil {
			return nil, err
		}
		if i > 0 && s.Drift[i].At <= s.Drift[i-1].At {
			return nil, fmt.Errorf("drift: moment %v µs does not come after %v µs", micros(s.Drift[i].At), micros(s.Drift[i-1].At))
		}
	}
	if s.Jitter < 0 || s.Jitter > shortest/4 {
		return nil, fmt.Errorf("jitter of %v µs: at most a quarter of the shortest half, %v µs", micros(s.Jitter), micros(shortest/4))
	}
	first := wave.Positive
	if s.Inverted {
		first = wave.Negative
	}
	return &Stream{
		feed: feed, settings: s, random: rand.New(rand.NewPCG(s.Seed, 0)), now: s.Begin, next: first, first: first, fresh: true,
	}, nil
}

const streamBlock = 4096 // changes handed on at least, but for the last block

// Next gives the next changes, whole packets of them.
func (s *Stream) Next(c *wave.Changes) error {
	c.At, c.To = c.At[:0], c.To[:0]
	for len(c.At) < streamBlock && !s.done {
		sending, ok := s.feed(s.now)
		if !ok {
			s.done = true
			if !s.fresh { // the edge that ends the last end bit, and half a one more
				s.edge(c)
				s.now += s.at(s.now).One[0]
				s.off(c)
			}
			break
		}
		s.send(c, sending)
	}
	if len(c.At) == 0 {
		return io.EOF
	}
	return nil
}

// send appends the edge at which every half begins.
func (s *Stream) send(c *wave.Changes, sending Sending) {
	s.bits = sending.AppendBits(s.bits[:0])
	ones := sending.ones()
	began, start := s.now, s.now
	for i, bit := range s.bits {
		timing := s.at(s.now)
		if i == ones {
			start = s.now
		}
		for half := range 2 {
			length := timing.Zero[half]
			if bit == 1 {
				length = timing.One[half]
			}
			for _, odd := range sending.Odd {
				if odd.Index == 2*(i-ones)+half {
					length = odd.Length
				}
			}
			s.edge(c)
			s.now += length
		}
	}
	if s.settings.Log != nil {
		s.settings.Log(Sent{sending, began, start, s.now})
	}
	if gap := sending.Gap; gap.Max > gap.Min && gap.Min > 0 {
		end := s.now
		s.edge(c)
		s.now = end + gap.Min
		s.off(c)
		s.now, s.next = end+gap.Max, s.first
	}
}

func (s *Stream) edge(c *wave.Changes) {
	at := s.now
	if j := int64(s.settings.Jitter); j > 0 && !s.fresh {
		at += unit.Time(s.random.Int64N(2*j+1) - j)
	}
	if s.begun { // odd halves may be shorter than the jitter
		at = max(at, s.last+1)
	}
	s.begun, s.last = true, at
	c.At, c.To = append(c.At, at), append(c.To, s.next)
	s.next, s.fresh = -s.next, false
}

func (s *Stream) off(c *wave.Changes) {
	s.last = max(s.now, s.last+1)
	c.At, c.To = append(c.At, s.last), append(c.To, wave.None)
	s.fresh = true
}

// at is the timing of an instant.
func (s *Stream) at(t unit.Time) Timing {
	d := s.settings.Drift
	i, _ := slices.BinarySearchFunc(d, t, func(m Moment, t unit.Time) int {
		if m.At <= t {
			return -1
		}
		return 1
	})
	switch {
	case len(d) == 0:
		return s.settings.Timing
	case i == 0:
		return d[0].Timing
	case i == len(d):
		return d[i-1].Timing
	}
	a, b := d[i-1], d[i]
	share := float64(t-a.At) / float64(b.At-a.At)
	between := func(x, y [2]unit.Time) (z [2]unit.Time) {
		for i := range z {
			z[i] = x[i] + unit.Time(share*float64(y[i]-x[i]))
		}
		return z
	}
	return Timing{between(a.One, b.One), between(a.Zero, b.Zero)}
}

// Collect reads a source to its end.
func Collect(s wave.Source) (wave.Changes, error) {
	var all, c wave.Changes
	for {
		switch err := s.Next(&c); err {
		case nil:
			all.At, all.To = append(all.At, c.At...), append(all.To, c.To...)
		case io.EOF:
			return all, nil
		default:
			return all, err
		}
	}
}
