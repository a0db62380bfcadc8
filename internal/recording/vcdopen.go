package recording

import (
	"bytes"
	"fmt"
	"io"
	"math"

	"fettle/internal/diag"
	"fettle/internal/unit"
)

// A vcdPlace says which candidate is which bit of which variable.
type vcdPlace struct{ variable, bit int32 }

// beginVCD looks at the head, chooses, and sets up the reading.
func (r *Recording) beginVCD(head []byte, all io.Reader, set Settings) *choice {
	cs, places, look := surveyVCD(head, set)
	v := newVCD(all, r.p, set)
	v.header()
	v.headless = len(v.vars) == 0
	a := &r.about
	a.Date, a.Version, a.Comment = v.date, v.version, v.comment
	if v.tooMany > 0 {
		r.p.general(diag.Warning, "vcd-many", "%d variables beyond the first %d cannot be taken", v.tooMany, mostVariables)
	}
	if len(cs) == 0 {
		r.p.general(diag.Error, "vcd-nothing", "the dump has no wire and no real variable: no $var declares one, and no change names one")
		return nil
	}
	if v.headless {
		r.p.general(diag.Error, "vcd-header", "the dump declares no variable: the codes of the changes are taken for names")
	}
	if !v.unitSaid {
		v.tickUnit(r, cs, set)
		if u := unit.Time(v.mult); u != look {
			for _, c := range cs {
				for i := range c.at {
					c.at[i] = c.at[i] / look * u
				}
			}
		}
	}
	ch := &chooser{of: cs, set: set, hold: true, bridge: set.bridge(), p: r.p}
	c := ch.choose()
	if c == nil {
		return nil
	}
	for i, k := range c.of {
		v.wanted[i] = places[k]
	}
	ch.describe(c, a, "wire")
	v.feed = newFeed(c.kind, len(c.of))
	v.careful = c.voltages() || v.wanted[0].bit > 0 || v.wanted[1].bit > 0
	if a.Unit = unit.Time(v.mult); v.div != 1 {
		a.Unit = 0
	}
	a.Resolution, a.Because = unit.Time(max(v.mult/v.div, 1)), "the timescale of the file"
	if v.div != 1 {
		a.Because += ", rounded to the picosecond"
	}
	for _, k := range c.of {
		if g, sure := grid(cs[k].at); sure && g > a.Resolution {
			a.Resolution, a.Because = g, "every time in the beginning is a multiple of it: the recorder sampled so"
		}
	}
	r.r = v
	return c
}

// tickUnit says what a tick is where the file does not: told, or the unit in which most intervals are half-bits.
func (v *vcd) tickUnit(r *Recording, cs []*candidate, set Settings) {
	if set.Unit > 0 {
		v.unit(set.Unit, true)
		return
	}
	var gaps []float64
	for _, c := range cs {
		for i := 1; i < len(c.at); i++ {
			gaps = append(gaps, (c.at[i]-c.at[i-1]).Seconds()/unit.Nanosecond.Seconds()) // ticks
		}
	}
	u, ok := guessUnit(gaps)
	if !ok {
		u = unit.Nanosecond
	}
	v.unit(u, false)
	r.about.Guessed = append(r.about.Guessed, fmt.Sprintf("the timescale, which the file does not say: %v", u))
	if v.unitWrong {
		return
	}
	r.p.general(diag.Warning, "vcd-timescale", "the dump says no $timescale: %v is guessed", u)
}

// surveyVCD collects the first changes of every variable that the head has, with ticks of the unit it says.
func surveyVCD(head []byte, set Settings) ([]*candidate, []vcdPlace, unit.Time) {
	v := newVCD(bytes.NewReader(head), &problems{}, set)
	v.header()
	v.headless = len(v.vars) == 0
	var cs []*candidate
	var places []vcdPlace
	first := make(map[int32]int) // of a variable's candidates
	declare := func(k int32) {
		d := &v.vars[k]
		if d.event || d.width > mostBits {
			return
		}
		first[k] = len(cs)
		for i := range d.width {
			c := &candidate{names: d.names, logic: !d.real}
			if d.width > 1 {
				c.names = []string{d.bit(i)}
			}
			cs, places = append(cs, c), append(places, vcdPlace{k, int32(i)})
		}
	}
	for k := range v.vars {
		declare(int32(k))
	}
	v.survey = func(k int32, t unit.Time, digits []byte, x float64) {
		if _, ok := first[k]; !ok {
			if !v.headless {
				return
			}
			declare(k)
		}
		if digits == nil {
			cs[first[k]].add(t, x)
			return
		}
		for i := range v.vars[k].width {
			c, x := cs[first[k]+i], math.NaN()
			switch digitLevel(digits, i) {
			case low:
				x = 0
			case high:
				x = 1
			}
			if n := len(c.v); n == 0 || c.v[n-1] != x && !(math.IsNaN(x) && math.IsNaN(c.v[n-1])) {
				c.add(t, x)
			}
		}
	}
	var d detector
	for v.read(&d) == nil {
		d.c.At, d.c.To = d.c.At[:0], d.c.To[:0]
	}
	return cs, places, unit.Time(v.mult)
}

func (v *vcd) about(a *About) {
	a.End = v.t
	a.Bytes = v.w.base + int64(v.w.pos)
}

// grid is the largest step of which all times are multiples, seen from the first. It is sure to be the recorder's and
// not the signal's own if intervals that differ by just one step are common.
func grid(at []unit.Time) (unit.Time, bool) {
	var g unit.Time
	for i := 1; i < len(at); i++ {
		for a := at[i] - at[i-1]; a != 0; {
			g, a = a, g%a
		}
	}
	if g == 0 {
		return 0, false
	}
	seen := map[unit.Time]bool{}
	for i := 1; i < len(at) && len(seen) < 1000; i++ {
		seen[(at[i]-at[i-1])/g] = true
	}
	next := 0
	for n := range seen {
		if seen[n+1] {
			next++
		}
	}
	return g, next >= 2
}

// guessUnit finds the unit in which numbers are most often half-bits of DCC.
func guessUnit(intervals []float64) (unit.Time, bool) {
	var best unit.Time
	most := 0
	for _, u := range []unit.Time{unit.Microsecond, unit.Second, unit.Millisecond, unit.Nanosecond, unit.Picosecond} {
		ones, zeros := 0, 0
		for _, x := range intervals {
			switch t := x * u.Seconds() * 1e6; { // µs
			case t >= 50 && t <= 66:
				ones++
			case t >= 88 && t <= 10000:
				zeros++
			}
		}
		if n := credible(ones, zeros); n > most {
			most, best = n, u
		}
	}
	return best, 2*most >= len(intervals) && most > 0
}
