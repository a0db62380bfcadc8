package recording

import (
	"bufio"
	"fmt"
	"io"
	"strconv"

	"fettle/internal/unit"
	"fettle/internal/wave"
)

// rails are the levels of the left and the right rail for each polarity, as both formats write them.
func rails(p wave.Polarity) (left, right byte) {
	switch p {
	case wave.Positive:
		return '1', '0'
	case wave.Negative:
		return '0', '1'
	case wave.None:
		return '0', '0'
	}
	return 'x', 'x'
}

// eachChange hands every change of src to f, until the end.
func eachChange(src wave.Source, f func(t unit.Time, p wave.Polarity) error) error {
	var c wave.Changes
	for {
		err := src.Next(&c)
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		for i := range c.At {
			if err := f(c.At[i], c.To[i]); err != nil {
				return err
			}
		}
	}
}

// WriteVCD writes both rails as wires "left" and "right" with a timescale of 1 ps, so that times stay exact. The
// comment may be empty. VCD has no times before 0.
func WriteVCD(w io.Writer, src wave.Source, comment string) error {
	b := bufio.NewWriterSize(w, 64<<10)
	if comment != "" {
		fmt.Fprintf(b, "$comment %s $end\n", noDollar(comment))
	}
	b.WriteString("$timescale 1 ps $end\n$scope module track $end\n$var wire 1 l left $end\n$var wire 1 r right $end\n$upscope $end\n$enddefinitions $end\n")
	is := [2]byte{'x', 'x'}
	b.WriteString("$dumpvars\nxl\nxr\n$end\n")
	var line []byte
	err := eachChange(src, func(t unit.Time, p wave.Polarity) error {
		if t < 0 {
			return fmt.Errorf("writing VCD: a change at %v lies before 0, which VCD cannot say", t)
		}
		line = append(strconv.AppendInt(append(line[:0], '#'), int64(t), 10), '\n')
		l, r := rails(p)
		if l != is[0] {
			line = append(line, l, 'l', '\n')
		}
		if r != is[1] {
			line = append(line, r, 'r', '\n')
		}
		is = [2]byte{l, r}
		_, err := b.Write(line)
		return err
	})
	if err != nil {
		return err
	}
	return b.Flush()
}

// noDollar keeps text from ending its section.
func noDollar(s string) string {
	out := []byte(s)
	for i, c := range out {
		if c == '$' || c < ' ' {
			out[i] = ' '
		}
	}
	return string(out)
}

// WriteCSV writes one row for each change: time_us, left, right, the rails as 0, 1 or x. Times are exact, with up to six
// decimals.
func WriteCSV(w io.Writer, src wave.Source) error {
	b := bufio.NewWriterSize(w, 64<<10)
	b.WriteString("time_us,left,right\n")
	var line []byte
	err := eachChange(src, func(t unit.Time, p wave.Polarity) error {
		l, r := rails(p)
		line = append(appendMicroseconds(line[:0], t), ',', l, ',', r, '\n')
		_, err := b.Write(line)
		return err
	})
	if err != nil {
		return err
	}
	return b.Flush()
}

// appendMicroseconds writes t in µs, exactly and without trailing zeros.
func appendMicroseconds(b []byte, t unit.Time) []byte {
	u := uint64(t)
	if t < 0 {
		b = append(b, '-')
		u = -u
	}
	b = strconv.AppendUint(b, u/uint64(unit.Microsecond), 10)
	rest := u % uint64(unit.Microsecond)
	if rest == 0 {
		return b
	}
	b = append(b, '.')
	for scale := uint64(unit.Microsecond) / 10; rest > 0; scale /= 10 {
		b = append(b, byte('0'+rest/scale))
		rest %= scale
	}
	return b
}
