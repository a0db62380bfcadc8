package recording

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"github.com/agext/levenshtein"

	"fettle/internal/diag"
	"fettle/internal/unit"
	"fettle/internal/wave"
)

// A candidate is a wire or a column that could be the track, with its first values.
type candidate struct {
	names  []string // full; the first is used
	number string   // of a column, from 1
	logic  bool     // v is 0, 1, or NaN for unclear; else volts
	signs  bool     // v is −1, 0 or 1, the polarity itself
	at     []unit.Time
	v      []float64
}

// mostKept is how many values of one candidate are looked at: some hundred packets of logic, or of few samples.
const mostKept = 1 << 15

func (c *candidate) add(t unit.Time, v float64) {
	if n := len(c.at); n > 0 && c.at[n-1] == t {
		c.v[n-1] = v
		return
	}
	if len(c.at) < mostKept {
		c.at, c.v = append(c.at, t), append(c.v, v)
	}
}

// A choice is what to read: one candidate, or the left and the right rail.
type choice struct {
	of     []int
	kind   Kind
	why    string
	volts  voltage
	halves int // half-bits it has in what was looked at
}

func (c *choice) voltages() bool { return c.kind == OneVoltage || c.kind == Difference }

// A feed holds the last values of what was chosen.
type feed struct {
	kind  Kind
	level [2]uint8
	volt  [2]float64
	dirty bool // something changed since the last commit
}

func newFeed(k Kind, wires int) feed {
	f := feed{kind: k, level: [2]uint8{unclear, unclear}, volt: [2]float64{math.NaN(), 0}}
	if wires == 2 {
		f.volt[1] = math.NaN()
	}
	return f
}

// commit tells the detector what holds from t on.
func (f *feed) commit(d *detector, t unit.Time) {
	f.dirty = false
	switch f.kind {
	case OneWire, EdgesAlone:
		d.logic(t, ofWire[f.level[0]])
	case TwoRails:
		d.logic(t, ofRails[f.level[0]][f.level[1]])
	default:
		if x := f.volt[0] - f.volt[1]; !math.IsNaN(x) {
			d.sample(t, x)
		}
	}
}

func (f *feed) set(i int, c *candidate, v float64) {
	f.dirty = true
	f.volt[i] = v
	switch {
	case v == 0:
		f.level[i] = low
	case math.IsNaN(v):
		f.level[i] = unclear
	default:
		f.level[i] = high
	}
}

// A chooser picks from candidates.
type chooser struct {
	of     []*candidate
	set    Settings
	hold   bool // voltages hold until the next value
	bridge unit.Time
	p      *problems
}

// each walks through the values of one or two candidates in the order of time.
func each(cs []*candidate, f func(t unit.Time, i int, v float64)) {
	var n [2]int
	for {
		least := -1
		for i, c := range cs {
			if n[i] < len(c.at) && (least < 0 || c.at[n[i]] < cs[least].at[n[least]]) {
				least = i
			}
		}
		if least < 0 {
			return
		}
		c := cs[least]
		f(c.at[n[least]], least, c.v[n[least]])
		n[least]++
	}
}

// try reads the candidates as the choice would and counts the half-bits.
func (ch *chooser) try(c *choice) {
	cs := make([]*candidate, len(c.of))
	for i, k := range c.of {
		cs[i] = ch.of[k]
	}
	d := detector{bridge: ch.bridge, volts: c.volts}
	f := newFeed(c.kind, len(cs))
	var now unit.Time
	each(cs, func(t unit.Time, i int, v float64) {
		if t != now && f.dirty {
			f.commit(&d, now)
		}
		now = t
		f.set(i, cs[i], v)
	})
	if f.dirty {
		f.commit(&d, now)
	}
	ones, zeros := 0, 0
	for i := 1; i < len(d.c.At); i++ {
		switch half := d.c.At[i] - d.c.At[i-1]; {
		case d.c.To[i-1] == wave.None || d.c.To[i-1] == wave.Uncertain:
		case isOne(half):
			ones++
		case isZero(half):
			zeros++
		}
	}
	c.halves = credible(ones, zeros)
}

// credible is how many half-bits count: the window of a zero is so wide that many a signal falls into it, but a third
// of the half-bits of any packet are ones.
func credible(ones, zeros int) int { return min(ones+zeros, 4*ones) }

// limits finds where a voltage is high and low: the settings say, or a quarter of the amplitude to either side of the
// centre of where it dwells (the 5th and the 95th hundredth). A voltage that goes well below 0 is a difference and its
// centre is 0, so that unequal half-waves do not move the crossings.
func (ch *chooser) limits(v []float64, difference bool) (voltage, Kind) {
	sorted := slices.Clone(v)
	slices.Sort(sorted)
	var lo, hi float64
	if n := len(sorted); n > 0 {
		lo, hi = sorted[n/20], sorted[n-1-n/20]
		if !(hi > lo) {
			lo, hi = sorted[0], sorted[n-1]
		}
	}
	out, kind := voltage{hold: ch.hold, dwells: [2]float64{lo, hi}}, OneVoltage
	if difference || lo < -0.2*(hi-lo) && hi > 0.2*(hi-lo) {
		kind = Difference
	}
	if out.gaps = kind == Difference; ch.set.Low != 0 || ch.set.High != 0 {
		out.low, out.high = float64(ch.set.Low), float64(ch.set.High)
		out.centre = (out.low + out.high) / 2
		return out, kind
	}
	if hi-lo < leastSwing { // DC of either sign, or nothing
		out.gaps, out.low, out.high = true, -leastSwing, leastSwing
		return out, Difference
	}
	if kind == OneVoltage {
		out.centre = (hi + lo) / 2
	}
	out.low, out.high = out.centre-(hi-lo)/8, out.centre+(hi-lo)/8
	return out, kind
}

// leastSwing is what a signal has that switches at all: logic of half a volt is not made. Common practice, no source.
const leastSwing = 0.5 // V

func (ch *chooser) one(i int, why string) *choice {
	c := &choice{of: []int{i}, why: why, kind: OneWire}
	switch k := ch.of[i]; {
	case k.signs:
		c.kind, c.volts = Difference, voltage{low: -0.5, high: 0.5, gaps: true, hold: true}
	case !k.logic:
		c.volts, c.kind = ch.limits(k.v, false)
	}
	ch.try(c)
	return c
}

func (ch *chooser) two(i, j int, why string) *choice {
	c := &choice{of: []int{i, j}, why: why, kind: TwoRails}
	if a, b := ch.of[i], ch.of[j]; !a.logic {
		var x []float64
		f := newFeed(Difference, 2)
		each([]*candidate{a, b}, func(_ unit.Time, i int, v float64) {
			if f.set(i, nil, v); !math.IsNaN(f.volt[0] - f.volt[1]) {
				x = append(x, f.volt[0]-f.volt[1])
			}
		})
		c.volts, c.kind = ch.limits(x, true)
	}
	ch.try(c)
	return c
}

// opposed is the share of time in which two candidates are opposite, of that in which both are known.
func (ch *chooser) opposed(i, j int) float64 {
	a, b := ch.of[i], ch.of[j]
	var v [2]float64
	v[0], v[1] = math.NaN(), math.NaN()
	mid := [2]float64{0.5, 0.5}
	if !a.logic {
		for n, c := range []*candidate{a, b} {
			l, _ := ch.limits(c.v, false)
			mid[n] = l.centre
		}
	}
	var unlike, all float64
	var now unit.Time
	each([]*candidate{a, b}, func(t unit.Time, k int, x float64) {
		if !math.IsNaN(v[0]) && !math.IsNaN(v[1]) {
			all += float64(t - now)
			if (v[0] > mid[0]) != (v[1] > mid[1]) {
				unlike += float64(t - now)
			}
		}
		now = t
		v[k] = x
	})
	if all == 0 {
		return 0
	}
	return unlike / all
}

// named finds a candidate by its full name, by the end of it, or by its number if columns are counted.
func (ch *chooser) named(name string) (int, bool) {
	var hits []int
	want := fold(name)
	for _, match := range []func(string) bool{
		func(s string) bool { return s == name },
		func(s string) bool { return fold(s) == want },
		func(s string) bool { return strings.HasSuffix(fold(s), "."+want) },
	} {
		for i, c := range ch.of {
			if slices.ContainsFunc(c.names, match) {
				hits = append(hits, i)
			}
		}
		if len(hits) > 0 {
			break
		}
	}
	if len(hits) == 0 {
		if i := slices.IndexFunc(ch.of, func(c *candidate) bool { return c.number != "" && c.number == want }); i >= 0 {
			return i, true
		}
	}
	switch {
	case len(hits) == 1:
		return hits[0], true
	case len(hits) > 1:
		var all []string
		for _, i := range hits {
			all = append(all, fmt.Sprintf("%q", ch.of[i].names[0]))
		}
		ch.p.general(diag.Error, "wire-ambiguous", "%q may be any of %s: name it in full", name, listed(all))
		return 0, false
	}
	text := fmt.Sprintf("nothing recorded is called %q", name)
	if near := ch.near(name); near != "" {
		text += fmt.Sprintf("; did you mean %q?", near)
	}
	if len(ch.of) == 0 {
		text += "; there is nothing to take"
	} else {
		text += "; there are " + listed(ch.names())
	}
	ch.p.general(diag.Error, "wire-unknown", "%s", text)
	return 0, false
}

func (ch *chooser) near(name string) string {
	best, found := len(name)/2+1, ""
	for _, c := range ch.of {
		for _, n := range c.names {
			short := n[strings.LastIndexByte(n, '.')+1:]
			for _, s := range []string{n, short} {
				if d := levenshtein.Distance(fold(name), fold(s), nil); d < best {
					best, found = d, n
				}
			}
		}
	}
	return found
}

func (ch *chooser) names() []string {
	var out []string
	for _, c := range ch.of {
		out = append(out, fmt.Sprintf("%q", c.names[0]))
	}
	return out
}

// mostListed is how many names a message holds.
const mostListed = 12

func listed(names []string) string {
	if n := len(names); n > mostListed {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:mostListed], ", "), n-mostListed)
	}
	return strings.Join(names, ", ")
}

// fold makes names alike that differ in case and white space.
func fold(s string) string { return strings.ToLower(strings.Join(strings.Fields(s), "")) }

// railNames are names of the two rails, left first.
var railNames = [][2]string{{"left", "right"}, {"leftrail", "rightrail"}, {"left_rail", "right_rail"}, {"railleft", "railright"}, {"rail_left", "rail_right"}}

func (ch *chooser) bySide() (int, int, bool) {
	for _, s := range railNames {
		l, r := -1, -1
		for i, c := range ch.of {
			n := fold(c.names[0])
			switch n[strings.LastIndexByte(n, '.')+1:] {
			case s[0]:
				l = i
			case s[1]:
				r = i
			}
		}
		if l >= 0 && r >= 0 && ch.of[l].logic == ch.of[r].logic && !ch.of[l].signs && !ch.of[r].signs {
			return l, r, true
		}
	}
	return 0, 0, false
}

// mostTried is how many candidates are weighed against each other as pairs.
const mostTried = 6

// choose picks; nil if there is nothing to pick or what is named is not there.
func (ch *chooser) choose() *choice {
	if named := ch.set.Wires; len(named) > 0 {
		var of []int
		for _, n := range named {
			if i, ok := ch.named(n); ok {
				of = append(of, i)
			}
		}
		switch {
		case len(of) < len(named):
			return nil
		case len(of) == 1:
			return ch.one(of[0], "it was named")
		case of[0] == of[1]:
			ch.p.general(diag.Error, "wire-twice", "%q and %q are the same wire", named[0], named[1])
			return nil
		case ch.of[of[0]].logic != ch.of[of[1]].logic || ch.of[of[0]].signs || ch.of[of[1]].signs:
			ch.p.general(diag.Error, "wire-mixed", "%q and %q cannot be two rails: one is not of the kind of the other, or is a polarity already", named[0], named[1])
			return nil
		}
		return ch.two(of[0], of[1], "both were named")
	}
	switch len(ch.of) {
	case 0:
		return nil
	case 1:
		return ch.one(0, "there is nothing else")
	}
	if l, r, ok := ch.bySide(); ok {
		return ch.two(l, r, "they are named as the rails")
	}
	singles := make([]*choice, len(ch.of))
	for i := range ch.of {
		singles[i] = ch.one(i, "")
	}
	rank := func(c *choice) int { // half-bits, then changes
		if c.halves > 0 {
			return 1<<30 + c.halves
		}
		return len(ch.of[c.of[0]].at)
	}
	sort.SliceStable(singles, func(i, j int) bool { return rank(singles[i]) > rank(singles[j]) })
	best := singles[0]
	if best.halves == 0 {
		best.why = "nothing in the beginning has half-bits of DCC, and this changes most often"
		if len(ch.of[best.of[0]].at) < 2 {
			best.why = "nothing in the beginning changes, and this comes first"
		}
		return best
	}
	best.why = fmt.Sprintf("it has the most half-bits in the windows of DCC, %d in the beginning", best.halves)
	near := singles[:min(len(singles), mostTried)]
	for n, a := range near {
		for _, b := range near[n+1:] {
			i, j := min(a.of[0], b.of[0]), max(a.of[0], b.of[0])
			// A cut-out of 462 µs in packets of 5.5 ms leaves both rails alike for a twelfth of the time.
			if ci, cj := ch.of[i], ch.of[j]; b.halves < best.halves/2 || ci.logic != cj.logic || ci.signs || cj.signs || ch.opposed(i, j) < 0.85 {
				continue
			}
			pair := ch.two(i, j, "")
			if pair.halves >= best.halves*9/10 {
				pair.why = fmt.Sprintf("each is the opposite of the other: they are the rails, with %d half-bits of DCC in the beginning; which of them is the left one is not known", pair.halves)
				return pair
			}
		}
	}
	return best
}

// describe says what was taken, of what, and whether that was guessed.
func (ch *chooser) describe(c *choice, a *About, what string) {
	for _, k := range c.of {
		a.Wires = append(a.Wires, ch.of[k].names[0])
	}
	for i := range ch.of {
		if !slices.Contains(c.of, i) && len(a.Others) < mostListed {
			a.Others = append(a.Others, ch.of[i].names[0])
		}
	}
	if len(ch.set.Wires) == 0 && len(ch.of) > 1 {
		a.Guessed = append(a.Guessed, fmt.Sprintf("the %s: %s; %s", what, listed(a.Wires), c.why))
	}
}

// Windows of a half-bit that a decoder must accept (S-9.1 table 1).
func isOne(t unit.Time) bool  { return t >= 52*unit.Microsecond && t <= 64*unit.Microsecond }
func isZero(t unit.Time) bool { return t >= 90*unit.Microsecond && t <= 10*unit.Millisecond }
