package dcc

import (
	"math/rand/v2"
	"slices"

	"fettle/internal/unit"
	"fettle/internal/wave"
)

// A Disturbance spoils a signal for a while.
type Disturbance struct {
	From, To unit.Time
	// Between is the mean time between the edges of noise, which turns the polarity over and back at random; 0: contact is
	// lost and there is no voltage.
	Between unit.Time
}

// Disturb gives a source with disturbances, which lie in order and do not overlap. The seed decides where the edges of the
// noise fall.
func Disturb(source wave.Source, d []Disturbance, seed uint64) wave.Source {
	return &disturbed{source: source, left: slices.Clone(d), random: rand.New(rand.NewPCG(seed, 1))}
}

type disturbed struct {
	source wave.Source
	left   []Disturbance
	random *rand.Rand

	in    wave.Changes
	state wave.Polarity // undisturbed
	shown wave.Polarity
	given wave.Polarity // at the end of the block before
	on    bool          // within left[0]
	turn  bool          // noise turns the polarity over
	edge  unit.Time     // next edge of the noise
}

func (s *disturbed) Next(c *wave.Changes) error {
	c.At, c.To = c.At[:0], c.To[:0]
	s.given = s.shown
	for len(c.At) == 0 {
		if err := s.source.Next(&s.in); err != nil {
			return err
		}
		for i, t := range s.in.At {
			s.until(c, t)
			s.state = s.in.To[i]
			s.show(c, t)
		}
	}
	return nil
}

// until shows what the disturbances do before t.
func (s *disturbed) until(c *wave.Changes, t unit.Time) {
	for len(s.left) > 0 {
		d := s.left[0]
		if !s.on {
			if d.From >= t {
				return
			}
			s.on, s.edge = true, max(d.From, d.To)
			if d.Between > 0 {
				s.edge = d.From + s.wait(d)
			}
			s.show(c, d.From)
		}
		for s.edge < min(t, d.To) {
			s.turn = !s.turn
			s.show(c, s.edge)
			s.edge += s.wait(d)
		}
		if d.To > t {
			return
		}
		s.on, s.turn = false, false
		s.left = s.left[1:]
		s.show(c, d.To)
	}
}

// wait is a time between edges of noise, from nothing to twice the mean.
func (s *disturbed) wait(d Disturbance) unit.Time {
	return 1 + unit.Time(s.random.Int64N(2*int64(d.Between)))
}

// show appends the polarity that the disturbances leave, where it changes.
func (s *disturbed) show(c *wave.Changes, t unit.Time) {
	p := s.state
	switch {
	case s.on && s.left[0].Between == 0:
		p = wave.None
	case s.turn && p != wave.Uncertain:
		p = -p
	}
	if p == s.shown {
		return
	}
	s.shown = p
	if n := len(c.At); n > 0 && c.At[n-1] == t { // two changes at one instant
		before := s.given
		if n > 1 {
			before = c.To[n-2]
		}
		if c.To[n-1] = p; p == before {
			c.At, c.To = c.At[:n-1], c.To[:n-1]
		}
		return
	}
	c.At, c.To = append(c.At, t), append(c.To, p)
}
