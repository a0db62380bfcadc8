package recording

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"fettle/internal/diag"
	"fettle/internal/unit"
)

// carriage turns lone carriage returns into line ends.
type carriage struct{ r io.Reader }

func (c carriage) Read(b []byte) (int, error) {
	n, err := c.r.Read(b)
	for i, x := range b[:n] {
		if x == '\r' {
			b[i] = '\n'
		}
	}
	return n, err
}

func (r *Recording) beginCSV(head []byte, all io.Reader, set Settings) *choice {
	bom := []byte("\uFEFF")
	if !bytes.Contains(head, []byte{'\n'}) && bytes.Contains(head, []byte{'\r'}) {
		head, all = bytes.ReplaceAll(head, []byte{'\r'}, []byte{'\n'}), carriage{all}
	}
	skipBOM := bytes.HasPrefix(head, bom)
	head = bytes.TrimPrefix(head, bom)
	w := newWindow(all)
	w.fill()
	if skipBOM {
		w.pos = len(bom)
	}
	s, ok := recognise(head, set)
	if !ok {
		r.nothingIn(w, head)
		return nil
	}
	a := &r.about
	a.Separator, a.Decimal = s.sep, s.point
	a.Comment = strings.ToValidUTF8(s.above(), "")
	v := &csv{w: w, p: r.p, s: s, told: set.Resolution > 0}
	v.time, v.timing = s.timeColumn(set)
	if v.time < 0 {
		if set.TimeColumn != "" {
			r.p.general(diag.Error, "column-unknown", "no column is called %q; there are %s", set.TimeColumn, listed(s.labels()))
		} else {
			r.p.general(diag.Error, "csv-time", "no column holds times: none of %s ascends", listed(s.labels()))
		}
		return nil
	}
	if len(s.columns) >= 4 && len(s.columns)%2 == 0 && s.dialect == (dialect{',', '.'}) && s.columns[1].zero && set.Separator == 0 {
		r.p.general(diag.Error, "csv-comma", "commas seem to be both decimal signs and separators in the %d columns: export with semicolons, or with decimal points", len(s.columns))
		return nil
	}
	a.TimeColumn, a.Timing = s.columns[v.time].label(), v.timing
	ticks := v.ticks(head)
	cs, columns := v.candidates(set)
	var from string
	v.unit, from = v.timeUnit(ticks, cs, columns, set, r)
	a.Unit = v.unit
	if strings.HasPrefix(from, "guess") {
		a.Guessed = append(a.Guessed, fmt.Sprintf("the unit of time: %v; %s", v.unit, from))
	}
	at := v.instants(ticks)
	step := v.samples(at, cs, columns)
	for i, c := range cs {
		fillCandidate(c, at, s.columns[columns[i]].v, v.scaleOf(columns[i]))
	}
	c := v.choose(&chooser{of: cs, set: set, hold: step == 0, bridge: set.bridge(), p: r.p}, columns, at, a)
	if c == nil {
		return nil
	}
	if v.timing == Durations && set.Timing == "" {
		a.Guessed = append(a.Guessed, fmt.Sprintf("%s holds durations: it does not ascend", a.TimeColumn))
	}
	v.least = slices.Max(append([]int{v.time}, v.wires...)) + 1
	v.feed = newFeed(c.kind, len(c.of))
	v.precision(ticks, at, step, a)
	r.r = v
	return c
}

// choose takes the columns of the levels; where there are none, every entry is an edge.
func (v *csv) choose(ch *chooser, columns []int, at []unit.Time, a *About) *choice {
	cs := ch.of
	if len(cs) == 0 && len(ch.set.Wires) == 0 {
		edges := &candidate{names: []string{a.TimeColumn}, logic: true}
		for i, t := range at {
			edges.add(t, float64(1-i%2))
		}
		ch.of = []*candidate{edges}
		c := ch.one(0, "there are no levels: every entry is an edge")
		c.kind, c.of = EdgesAlone, nil
		a.Wires = []string{a.TimeColumn}
		a.Guessed = append(a.Guessed, "the polarity of the first edge: it is called positive")
		return c
	}
	c := ch.choose()
	if c == nil {
		return nil
	}
	for i, k := range c.of {
		v.wires = append(v.wires, columns[k])
		v.scale[i] = v.scaleOf(columns[k])
	}
	ch.describe(c, a, "column")
	return c
}

func (s *sheet) labels() []string {
	var out []string
	for i := range s.columns {
		out = append(out, fmt.Sprintf("%q", s.columns[i].label()))
	}
	return out
}

var clockTime = regexp.MustCompile(`\d:\d\d:\d\d`)

// nothingIn says why no line could be used.
func (r *Recording) nothingIn(w *window, head []byte) {
	line := head
	if i := bytes.IndexByte(head, '\n'); i >= 0 {
		line = head[:i]
	}
	nul := bytes.Count(head, []byte{0})
	odd := 0
	for _, b := range head {
		if b < ' ' && b != '\n' && b != '\r' && b != '\t' {
			odd++
		}
	}
	if 20*odd > len(head) {
		r.p.add(w, diag.Error, "recording-binary", w.pos, w.pos+1, "this is no text: %d of the first %d bytes are control characters, %d of them NUL; a VCD or CSV file, or one of them packed with gzip, is wanted", odd, len(head), nul)
		return
	}
	mend := ""
	if clockTime.Match(head[:min(len(head), 1<<16)]) {
		mend = "; clock times are not read: have seconds written"
	}
	r.p.add(w, diag.Error, "csv-nothing", w.pos, w.pos+len(line), "no line holds a time: numbers separated by comma, semicolon, tab or space are wanted%s", mend)
}

// A tick is a number of the time column as it is written.
type tick struct {
	decimal
	own unit.Time // unit written behind it; 0: none
	ok  bool
}

// ticks reads the time column of the rows that were measured.
func (v *csv) ticks(head []byte) []tick {
	s := v.s
	out := make([]tick, 0, s.rows)
	var cells [][]byte
	lines(head[s.bytes:], func(_ int, line []byte) bool {
		if len(line) == 0 || comment(line) {
			return true
		}
		var t tick
		if cells = s.split(line, cells[:0], v.time+1); len(cells) > v.time {
			t.decimal, t.own, t.ok = s.dialect.time(cells[v.time])
		}
		out = append(out, t)
		return len(out) < s.rows
	})
	return out
}

// candidates are the columns that hold levels or voltages.
func (v *csv) candidates(set Settings) ([]*candidate, []int) {
	s := v.s
	var cs []*candidate
	var columns []int
	for i := range s.columns {
		c := &s.columns[i]
		if i == v.time || c.texts > len(c.v)/2 || c.empty == len(c.v) {
			continue
		}
		named := slices.ContainsFunc(set.Wires, func(n string) bool { return s.named(n) == i })
		if !named {
			if _, timed := unitIn(timeUnits, c.unit); timed || c.counts() {
				continue
			}
		}
		k := &candidate{names: []string{c.label()}, number: strconv.Itoa(c.number)}
		if levels(c) {
			k.signs = c.signed || slices.Contains(c.v, -1)
			k.logic = !k.signs
		}
		cs, columns = append(cs, k), append(columns, i)
	}
	return cs, columns
}

func (v *csv) scaleOf(column int) float64 {
	if f, ok := unitIn(voltUnits, v.s.columns[column].unit); ok {
		return f
	}
	return 1
}

func fillCandidate(c *candidate, at []unit.Time, v []float64, scale float64) {
	last := missing
	for i := range min(len(at), len(v)) {
		x := v[i]
		if x == missing || c.logic && (x == last || math.IsNaN(x) && math.IsNaN(last)) || i > 0 && at[i] < at[i-1] {
			continue
		}
		last = x
		if !c.logic {
			x *= scale
		}
		c.add(at[i], x)
	}
}

// timeUnit is the unit of the time column and where it is from.
func (v *csv) timeUnit(ticks []tick, cs []*candidate, columns []int, set Settings, r *Recording) (unit.Time, string) {
	if set.Unit > 0 {
		return set.Unit, "told"
	}
	c := &v.s.columns[v.time]
	if u, ok := unitIn(timeUnits, c.unit); ok {
		return u, "said in the heading"
	}
	for _, t := range ticks {
		if t.own != 0 {
			return t.own, "said beside the numbers"
		}
	}
	if step, line := v.sampleStep(); step > 0 && c.counts() {
		r.about.Guessed = append(r.about.Guessed, fmt.Sprintf("the times are numbers of samples, %v apart: %q", step, line))
		return step, "said above the columns"
	}
	// Not said: in which unit are the intervals between changes half-bits?
	var gaps []float64
	last, told := 0.0, false
	lengths := func(same func(i int) bool) {
		told = false
		sum := 0.0
		for i, t := range ticks {
			if !t.ok {
				continue
			}
			x := t.float()
			if v.timing == Durations {
				if sum += x; !same(i) {
					gaps = append(gaps, sum)
					sum = 0
				}
				continue
			}
			if same(i) {
				continue
			}
			if told {
				gaps = append(gaps, x-last)
			}
			last, told = x, true
		}
	}
	if len(cs) == 0 {
		lengths(func(int) bool { return false })
	}
	for k, c := range cs {
		side := sides(c, v.s.columns[columns[k]].v)
		was := int8(-1)
		lengths(func(i int) bool {
			if i >= len(side) || side[i] < 0 {
				return true
			}
			same := side[i] == was
			was = side[i]
			return same
		})
	}
	if u, ok := guessUnit(gaps); ok {
		r.p.general(diag.Warning, "unit-guessed", "the unit of %q is not said; in %s most intervals are half-bits of DCC, so that is taken", c.label(), one(u))
		return u, "guessed: in it most intervals are half-bits of DCC"
	}
	u := unit.Microsecond
	for _, t := range ticks {
		if t.exp < -1 {
			u = unit.Second // written with decimals
		}
	}
	r.p.general(diag.Error, "unit-unknown", "the unit of %q is not said, and in none do the intervals look like DCC; %s are taken: name the unit, or the step if these are numbers of samples", c.label(), one(u))
	return u, "guessed from how the numbers are written; no unit makes half-bits of DCC of them"
}

func one(u unit.Time) string {
	switch u {
	case unit.Second:
		return "seconds"
	case unit.Millisecond:
		return "milliseconds"
	case unit.Microsecond:
		return "microseconds"
	case unit.Nanosecond:
		return "nanoseconds"
	}
	return u.String()
}

// sampleStep looks for a line such as "Sample interval: 1 µs" or "Sample rate,4 MHz" above the data.
func (v *csv) sampleStep() (unit.Time, string) {
	for _, line := range v.s.meta {
		l := strings.ToLower(line)
		i := strings.IndexAny(l, "0123456789")
		if i < 0 {
			continue
		}
		n, k := parseDecimal([]byte(l[i:]), v.s.point)
		rest := strings.Trim(line[i:][min(k, len(line)-i):], " ,;:\t\"()[]")
		switch {
		case strings.Contains(l, "interval"), strings.Contains(l, "increment"), strings.Contains(l, "period"):
			u, ok := timeUnits[rest]
			if rest == "" {
				u, ok = unit.Second, true
			}
			if t, fits := n.times(u); ok && fits && t > 0 {
				return t, line
			}
		case strings.Contains(l, "rate"), strings.Contains(l, "frequency"):
			hz, err := unit.ParseHertz(l[i:i+k] + " " + rest)
			if rest == "" || rest == "S/s" || rest == "Sa/s" {
				hz, err = unit.Hertz(n.float()), nil
			}
			if err == nil && hz > 0 && hz <= 1e12 {
				return unit.Seconds(1 / float64(hz)), line
			}
		}
	}
	return 0, ""
}

// instants are the times of the rows looked at; wrong ones are those before them.
func (v *csv) instants(ticks []tick) []unit.Time {
	out := make([]unit.Time, 0, len(ticks)+1)
	var now unit.Time
	for i, t := range ticks {
		u := v.unit
		if t.own != 0 {
			u = t.own
		}
		x, ok := t.times(u)
		switch {
		case !t.ok || !ok || x > latest || x < -latest:
			x = 0
			if v.timing == Times {
				x = now
			}
		case v.timing == Times && i > 0 && x < now:
			x = now
		}
		if v.timing == Durations {
			out = append(out, now)
			now = min(now+max(x, 0), latest)
			continue
		}
		now = x
		out = append(out, now)
	}
	return out
}

// sides says of every row of a column whether it is high, 1, low, 0, or neither, −1.
func sides(c *candidate, v []float64) []int8 {
	known := func(x float64) bool { return x != missing && !math.IsNaN(x) }
	mid := 0.5
	switch {
	case c.signs:
		mid = 0
	case !c.logic:
		l, _ := (&chooser{}).limits(slices.DeleteFunc(slices.Clone(v), func(x float64) bool { return !known(x) }), false)
		mid = l.centre
	}
	out := make([]int8, len(v))
	for i, x := range v {
		switch {
		case !known(x):
			out[i] = -1
		case x > mid:
			out[i] = 1
		}
	}
	return out
}

// samples is the step of rows that are samples: equally spaced but for rounding, and not each a change of some column,
// as the changes of a steady signal are. 0: they are not.
func (v *csv) samples(at []unit.Time, cs []*candidate, columns []int) unit.Time {
	if v.timing == Durations || len(at) < 20 || len(cs) == 0 {
		return 0
	}
	steps := make([]unit.Time, 0, len(at)-1)
	for i := 1; i < len(at); i++ {
		steps = append(steps, at[i]-at[i-1])
	}
	sorted := slices.Clone(steps)
	slices.Sort(sorted)
	step := sorted[len(sorted)/2]
	odd := 0
	for _, s := range steps {
		if s > step*3/2 || s < step/2 {
			odd++
		}
	}
	if odd > len(steps)/100 {
		return 0
	}
	changed := make([]bool, len(at))
	for k, c := range cs {
		side := sides(c, v.s.columns[columns[k]].v)
		for i := 1; i < min(len(side), len(at)); i++ {
			changed[i] = changed[i] || side[i] != side[i-1]
		}
	}
	n := 0
	for _, c := range changed {
		if c {
			n++
		}
	}
	if 10*n > 9*len(steps) {
		return 0
	}
	return step
}

// precision says how far a time may be off; step is that of samples, if the rows are.
func (v *csv) precision(ticks []tick, at []unit.Time, step unit.Time, a *About) {
	quantum, exponents := unit.Second, 0
	for _, t := range ticks {
		if !t.ok {
			continue
		}
		if t.e {
			n := 0
			for m := t.mant; m > 0; m /= 10 {
				n++
			}
			v.digits = max(v.digits, n)
			exponents++
			continue
		}
		u := v.unit
		if t.own != 0 {
			u = t.own
		}
		if q, ok := (decimal{mant: 1, exp: t.exp}).times(u); ok {
			quantum = min(quantum, max(q, 1))
		}
	}
	if 2*exponents < len(ticks) {
		v.digits = 0
	}
	if v.digits > 0 {
		quantum = 1
	}
	if step > 0 {
		a.Resolution, a.Because = step, "the step of the samples"
		return
	}
	a.Resolution, a.Because = quantum, "the last digit of the times"
	if g, sure := grid(at); sure && g > quantum {
		a.Resolution, a.Because = g, "every time in the beginning is a multiple of it: the recorder sampled so"
	}
}
