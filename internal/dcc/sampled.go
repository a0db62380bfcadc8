package dcc

import (
	"bufio"
	"io"
	"strconv"

	"fettle/internal/unit"
	"fettle/internal/wave"
)

// Sampled is what an instrument records that looks at a source every step: a change shows at the first look that is not before
// it, and what has come and gone between two looks does not show. Looks are at whole multiples of the step.
func Sampled(source wave.Source, step unit.Time) wave.Source {
	return &sampled{source: source, step: max(step, 1)}
}

type sampled struct {
	source wave.Source
	step   unit.Time
	in     wave.Changes
	shown  wave.Polarity // up to the look that waits
	waits  bool
	at     unit.Time // that look, and what it will show
	to     wave.Polarity
	end    error
}

func (s *sampled) Next(c *wave.Changes) error {
	c.At, c.To = c.At[:0], c.To[:0]
	for s.end == nil && len(c.At) == 0 {
		if s.end = s.source.Next(&s.in); s.end != nil {
			s.show(c)
			break
		}
		for i, t := range s.in.At {
			look := t / s.step * s.step
			if look < t {
				look += s.step
			}
			if s.waits && look != s.at {
				s.show(c)
			}
			s.waits, s.at, s.to = true, look, s.in.To[i]
		}
	}
	if len(c.At) == 0 {
		return s.end
	}
	return nil
}

// show hands on what the look that waits has seen.
func (s *sampled) show(c *wave.Changes) {
	if s.waits && s.to != s.shown {
		c.At, c.To = append(c.At, s.at), append(c.To, s.to)
		s.shown = s.to
	}
	s.waits = false
}

// WriteHalves writes a source as a table of half-bits, one a row: how long it lasts in µs, exactly, and the level of the left
// rail against the right one, 1 or 0. Where there is no voltage the level is empty. It is the smallest form a recording can
// be packed to: the same few lengths come again and again.
func WriteHalves(w io.Writer, source wave.Source) error {
	b := bufio.NewWriter(w)
	b.WriteString("half_us,level\n")
	var c wave.Changes
	var last unit.Time
	level, begun := wave.None, false
	var line []byte
	for {
		err := source.Next(&c)
		if err == io.EOF {
			return b.Flush()
		}
		if err != nil {
			return err
		}
		for i, t := range c.At {
			if begun {
				line = strconv.AppendFloat(line[:0], micros(t-last), 'f', -1, 64)
				line = append(line, ',')
				switch level {
				case wave.Positive:
					line = append(line, '1')
				case wave.Negative:
					line = append(line, '0')
				}
				b.Write(append(line, '\n'))
			}
			last, level, begun = t, c.To[i], true
		}
	}
}
