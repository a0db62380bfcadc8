package recording

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"math/bits"

	"fettle/internal/diag"
	"fettle/internal/unit"
)

// A csv reads the rows.
type csv struct {
	w      *window
	p      *problems
	s      *sheet
	timing Timing
	unit   unit.Time
	time   int
	wires  []int // columns; none: edges alone
	scale  [2]float64
	least  int // cells a row must have
	cells  [][]byte

	feed    feed
	t       unit.Time
	started bool
	skipped int // lines of headings passed over

	digits int // significant digits of times with exponents; 0: without
	far    unit.Time
	told   bool // the resolution is
}

func (v *csv) about(a *About) {
	a.End = v.t
	a.Bytes = v.w.base + int64(v.w.pos)
	if v.digits == 0 || v.told {
		return
	}
	// So many significant digits: the later, the coarser.
	x := math.Abs(v.far.Seconds() / v.unit.Seconds())
	if x == 0 {
		return
	}
	last := unit.Seconds(math.Pow(10, math.Ceil(math.Log10(x))-float64(v.digits)) * v.unit.Seconds())
	if last > a.Resolution {
		a.Resolution, a.Because = last, fmt.Sprintf("times are written with %d significant digits, and reach %v", v.digits, v.far)
	}
	if last > coarse {
		v.p.once("time-coarse", diag.Warning, "times are written with %d significant digits: near %v they go in steps of %v, too coarse to judge half-bits", v.digits, v.far, last)
	}
}

// coarse is half the width of the narrowest window of a half-bit, the 6 µs of a one as sent (S-9.1 table 1).
const coarse = 3 * unit.Microsecond

func (v *csv) read(d *detector) error {
	w := v.w
	for len(d.c.At) < blockSize {
		n := bytes.IndexByte(w.buf[w.pos:w.end], '\n')
		switch {
		case n >= 0:
		case w.full():
			v.p.add(w, diag.Error, "csv-long", w.pos, w.pos+20, "a line longer than %d bytes: passed over", longest)
			w.skipLine()
			continue
		case w.fill():
			continue
		default:
			n = w.end - w.pos // the last line, without an end
			if n == 0 {
				if v.feed.dirty {
					v.feed.commit(d, v.t)
				}
				d.finish(v.t)
				if err := v.p.ended(w); err != nil {
					return err
				}
				return io.EOF
			}
		}
		from := w.pos
		if v.skipped < v.s.skip {
			v.skipped++
		} else if line := w.buf[from : from+n]; len(line) > 0 {
			v.row(d, line, from)
		}
		w.pos = min(from+n+1, w.end)
		if from+n < w.end {
			w.line++
			w.lineAt = w.base + int64(w.pos)
		}
	}
	return nil
}

// row reads one line, which begins at from in the window.
func (v *csv) row(d *detector, line []byte, from int) {
	if line = trim(line); len(line) == 0 || comment(line) {
		return
	}
	v.cells = v.s.split(line, v.cells[:0], v.least)
	if len(v.cells) < v.least {
		code, what := "csv-short", ""
		if bytes.IndexByte(line, 0) >= 0 {
			code, what = "csv-nul", fmt.Sprintf(" and %d NUL bytes", bytes.Count(line, []byte{0}))
		}
		v.p.add(v.w, diag.Error, code, from, from+len(line), "the row has %d cells%s, %d are wanted: passed over", len(v.cells), what, v.least)
		return
	}
	cell := v.cells[v.time]
	num, own, ok := v.s.dialect.time(cell)
	if !ok {
		v.wrong(cell, "a time")
		return
	}
	u := v.unit
	if own != 0 {
		u = own
	}
	t, ok := num.times(u)
	if ok && v.timing == Durations {
		if t <= 0 {
			v.complain(cell, "csv-duration", "a half-bit of %s: more than 0 is wanted", printable(cell[:min(len(cell), 40)]))
			return
		}
		sum, over := bits.Add64(uint64(v.t), uint64(t), 0)
		if ok = over == 0 && sum <= uint64(latest); ok {
			t = unit.Time(sum)
		}
	}
	if !ok || t > latest || t < -latest {
		v.complain(cell, "time-overflow", "time %s lies beyond %.4g s, the latest that is read: the row is passed over", printable(cell[:min(len(cell), 40)]), latest.Seconds())
		return
	}
	if v.timing == Durations {
		v.lasts(d, t)
		return
	}
	if v.started && t < v.t {
		v.complain(cell, "time-backwards", "time runs backwards, from %v to %v: the row is passed over", v.t, t)
		return
	}
	if t > v.t && v.feed.dirty {
		v.feed.commit(d, v.t)
	}
	switch {
	case len(v.wires) > 0:
		if !v.levels() {
			return
		}
	case v.started && t == v.t && v.feed.dirty:
		v.complain(cell, "csv-twice", "a second edge at %v: both are passed over, for nothing lies between them", t)
		v.toggle()
		v.feed.dirty = false
	default:
		v.toggle()
	}
	v.t, v.started = t, true
	v.far = max(v.far, t, -t)
}

// lasts is a row of durations: the level holds from the present time until t.
func (v *csv) lasts(d *detector, t unit.Time) {
	if len(v.wires) == 0 {
		if !v.started { // the first half-bit begins with an edge, every one ends with one
			v.toggle()
		}
		v.feed.commit(d, v.t)
		v.toggle()
	} else {
		if !v.levels() {
			return
		}
		if v.feed.dirty {
			v.feed.commit(d, v.t)
		}
	}
	v.t, v.started = t, true
	v.far = max(v.far, t)
}

// toggle turns the level of edges alone; the first goes up.
func (v *csv) toggle() {
	v.feed.level[0] = high - v.feed.level[0]&high
	v.feed.dirty = true
}

// levels reads the levels of the row's wires; false if one cannot be read.
func (v *csv) levels() bool {
	for i, k := range v.wires {
		cell := v.cells[k]
		if len(cell) == 0 {
			continue // as it was
		}
		x, _, ok := v.s.value(cell)
		if !ok {
			v.wrong(cell, "a level")
			return false
		}
		if v.feed.kind == OneWire || v.feed.kind == TwoRails {
			l := uint8(high)
			switch {
			case x == 0:
				l = low
			case math.IsNaN(x):
				l = unclear
			case x != 1:
				v.complain(cell, "csv-cell", "%s is no logic level as the column has them in the beginning: 0 and 1 are wanted", printable(cell[:min(len(cell), 40)]))
				return false
			}
			if l != v.feed.level[i] {
				v.feed.level[i] = l
				v.feed.dirty = true
			}
			continue
		}
		v.feed.volt[i] = x * v.scale[i]
		v.feed.dirty = true
	}
	return true
}

// complain tells a problem of a cell, which lies in the window.
func (v *csv) complain(cell []byte, code, format string, args ...any) {
	from := v.w.pos
	if cap(cell) > 0 {
		from = cap(v.w.buf) - cap(cell) // cells are slices of the window
	}
	v.p.add(v.w, diag.Error, code, from, from+len(cell), format, args...)
}

func (v *csv) wrong(cell []byte, what string) {
	code := "csv-cell"
	if bytes.IndexByte(cell, 0) >= 0 {
		code = "csv-nul"
	}
	v.complain(cell, code, "%q is not %s: the row is passed over", printable(cell[:min(len(cell), 40)]), what)
}
