package experiment

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/agext/levenshtein"

	"fettle/internal/build"
	"fettle/internal/circuit"
	"fettle/internal/finding"
	"fettle/internal/meter"
	"fettle/internal/spread"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// What the card of a lamp's brightness counts with.
const (
	lampSupply = 9.0  // V: a block battery, isolated and weak (common practice, no source)
	moreSupply = 14.0 // V, where that does not light the lamp
	eye        = 0.25 // by which the same eye's edge moves from one look to the next, as a share of the current (assumed)
)

// lampCurrents are about the currents of the card, by a factor of two.
var lampCurrents = []float64{0.03e-3, 0.06e-3, 0.12e-3, 0.25e-3, 0.5e-3, 1e-3, 2e-3, 4e-3, 8e-3, 14e-3}

// looks are what a lamp can look like, by rising current.
var looks = []string{build.LookedDark, build.LookedSeen, build.LookedGood, build.LookedBright}

// Brightness is the card of a lamp.
type Brightness struct {
	kit
	Vehicle, Lamp string
	Ladder        []Rung

	post   *wiring.LampPosterior
	supply float64 // V
	most   float64 // A, that one of its LEDs may carry
}

// setBrightness picks the lamp: the one named ("front", "railcar / front"), else the first of the build.
func setBrightness(b Bench) (Card, error) {
	c := &Brightness{kit: kit{Meter: b.spec(), drawer: b.Build.Drawer}, supply: lampSupply}
	var have []string
	for i := range b.Build.Vehicles {
		v := &b.Build.Vehicles[i]
		for _, l := range v.Lamps {
			full := v.Name.Text + " / " + l.Name.Text
			have = append(have, l.Name.Text)
			if c.post == nil && (b.Subject == "" || b.Subject == l.Name.Text || b.Subject == full) {
				c.Vehicle, c.Lamp, c.post = v.Name.Text, l.Name.Text, b.Lamps[b.Build.LampKey(v, l.Name.Text)]
			}
		}
	}
	switch {
	case len(have) == 0:
		return nil, fmt.Errorf("the build file declares no lamp")
	case c.Lamp == "":
		near := ""
		for _, n := range have {
			if levenshtein.Distance(b.Subject, n, nil) <= 2 {
				near = "; did you mean " + n + "?"
			}
		}
		return nil, fmt.Errorf("no lamp is called %q%s; there is %s", b.Subject, near, strings.Join(have, ", "))
	case c.post == nil || c.post.Dead || len(c.post.Samples) == 0:
		return nil, fmt.Errorf("the survey finds no light in lamp %s: mend it first ('fettle survey' says why)", c.Lamp)
	}
	if float64(c.post.Best.Voltage(1e-3, standing)) > 0.7*lampSupply {
		c.supply = moreSupply
	}
	_, rows := c.post.Fewest()
	c.most = float64(unit.Or(c.post.IFmax, 0.02)) * float64(rows)
	for _, i := range lampCurrents {
		r := (c.supply-float64(c.post.Best.Voltage(unit.Amp(i), standing)))/i - c.burden(i)
		if i > c.most || r < 50 {
			continue
		}
		if g := c.near(r); !slices.ContainsFunc(c.Ladder, func(h Rung) bool { return h.R == g.R }) {
			c.Ladder = append(c.Ladder, g)
		}
	}
	if len(c.Ladder) < 3 {
		return nil, fmt.Errorf("lamp %s lets too little through on %v for a ladder of currents", c.Lamp, unit.Volt(c.supply))
	}
	c.missing(c.Ladder)
	if !c.post.Surveyed {
		c.note("lamp", "nothing was measured on this lamp yet: the prediction is of its class, with whatever resistor may hide in it")
	}
	return c, nil
}

func (c *Brightness) burden(i float64) float64 {
	return float64(unit.Or(c.rangeFor(meter.DCCurrent, i).Burden, 0))
}

// Title and Subject name the lamp.
func (c *Brightness) Title() string   { return "Brightness of lamp " + c.Lamp }
func (c *Brightness) Subject() string { return c.Vehicle + " / " + c.Lamp }

// Terms are the supply and, with any series resistor, the current and how the lamp looked.
func (c *Brightness) Terms() []Term {
	var ladder []string
	for _, r := range c.Ladder {
		ladder = append(ladder, typed(r.R))
	}
	return []Term{
		{Word: "supply", Dim: unit.Voltage, Low: 3, High: 27, Where: "of a supply for this", Ask: []string{"supply"}},
		{Name: "series resistor", Of: &unit.Resistance, Least: 10, Most: 1e7, Dim: unit.Current, Low: 0, High: max(0.05, 1.5*c.most), Where: "through this lamp", Looks: looks, Ask: ladder},
	}
}

// Predict is the current that the meter will show with each series resistor on a supply.
func (c *Brightness) Predict(rs []float64, supply, spreadOf float64) (mid, low, high []float64, err error) {
	bench, err := wiring.NewBare(c.Lamp, c.post.Best)
	if err != nil {
		return nil, nil, nil, err
	}
	bench.Solver.SetTemperature(standing)
	k := uint64(0)
	mid, low, high = foresee(len(rs), func(even func() float64) (out []float64) {
		p := c.post.Best
		if k > 0 {
			p = c.post.Samples[int(spread.Number(3, k)*float64(len(c.post.Samples)))]
		}
		k++
		bench.Lamp.Set(bench.Solver, p)
		u := supply + spreadOf*even()
		tol, gain, slack := even(), even(), even()
		m := c.rangeFor(meter.DCCurrent, 1e-3)
		for _, r := range rs {
			var i float64
			for range 2 { // the burden goes by the range, the range by the current
				bench.Hook(unit.Ohm(r*(1+usualTolerance*tol))+unit.Or(m.Burden, 0), 0, 0)
				if sol := bench.Solve(unit.Volt(u)); sol.Status != circuit.Solved {
					i = math.NaN()
					break
				}
				i = float64(bench.Current())
				m = c.rangeFor(meter.DCCurrent, i)
			}
			out = append(out, max(0, shows(m, i, float64(m.Gain)*gain)+m.Slack()*slack))
		}
		return out
	})
	return mid, low, high, nil
}

// A Look is one current and what was seen of it.
type Look struct {
	R, I, Low, High float64 // Ω, A
	Rank            int     // in looks
}

// An Edge is the current at which one look gives way to the next.
type Edge struct {
	At, Low, High float64 // A, and the interval of 95 %; Low is 0 where nothing less was seen
	Surely        float64 // A: from here on (of the upper edge: up to here) every look agreed
	Known         bool
}

// Seen is what the looks say of a lamp.
type Seen struct {
	Looks              []Look
	Seen, Good, Bright Edge
}

// Infer finds the edges between the looks. An edge lies between the last current that looked less and the first that looked
// at least so; an eye does not judge alike twice, so that both may cross, and the interval is wider by the share of the current
// that an edge moves from one look to the next, and by the meter. What is learned is surer than the edge itself: the least
// current from which every look was at least so, and for too bright the greatest below which none was.
func (c *Brightness) Infer(readings []Reading) (Seen, error) {
	var s Seen
	for _, r := range readings {
		if r.Word != "" {
			continue
		}
		m := c.rangeFor(meter.DCCurrent, r.Value)
		lo, hi := m.Interval(r.Value)
		s.Looks = append(s.Looks, Look{R: r.At, I: m.Corrected(r.Value), Low: max(0, lo), High: hi, Rank: slices.Index(looks, r.Look)})
	}
	slices.SortFunc(s.Looks, func(a, b Look) int { return cmp.Compare(a.I, b.I) })
	if len(s.Looks) < 3 {
		return s, fmt.Errorf("%d looks tell no edge: at least one that is only seen, one that is good, and one below or above are wanted", len(s.Looks))
	}
	edge := func(rank int) (e Edge) {
		less, more := -1, -1 // the last that looked less, the first that looked at least so
		for k, l := range s.Looks {
			if l.Rank < rank {
				less = k
			} else if more < 0 {
				more = k
			}
		}
		if more < 0 {
			return e
		}
		e.Known = true
		a, b := s.Looks[more], s.Looks[more]
		if less >= 0 {
			a = s.Looks[less]
		}
		if a.I > b.I {
			a, b = b, a
		}
		e.At, e.Low, e.High = math.Sqrt(a.I*b.I), a.Low*(1-eye), b.High*(1+eye)
		if less < 0 {
			e.Low = 0
		}
		if a.I == 0 {
			e.At = b.I / 2
		}
		switch rank {
		case 3: // too bright: the last before the first that was
			e.Surely = 0
			if more > 0 {
				e.Surely = s.Looks[more-1].I
			}
		default:
			e.Surely = math.NaN()
			if less+1 < len(s.Looks) {
				e.Surely = s.Looks[less+1].I
			}
		}
		return e
	}
	s.Seen, s.Good, s.Bright = edge(1), edge(2), edge(3)
	if s.Bright.Known && s.Good.Known && !(s.Good.Surely <= s.Bright.Surely) {
		return s, fmt.Errorf("the looks contradict each other: up to %v not everything looked good, and from %v some looked too bright; look again, at an even light, from where the train is watched", unit.Amp(s.Good.Surely), unit.Amp(s.Bright.Surely))
	}
	return s, nil
}

// learned are the lamp's limits for the build file.
func (c *Brightness) learned(s Seen) Learned {
	var l Learned
	var words []string
	set := func(attr string, x float64) {
		if !(x > 0) {
			return
		}
		text := plain(x*1e3, "mA")
		l.Edits = append(l.Edits, build.Edit{Path: []string{"vehicle", c.Vehicle, "lamp", c.Lamp}, Attr: attr, Value: text})
		words = append(words, attr+" "+text)
	}
	if s.Seen.Known {
		set("seen", roundUp(s.Seen.Surely, 2))
	}
	if s.Good.Known {
		set("good", roundUp(s.Good.Surely, 2))
	}
	if s.Bright.Known {
		set("never_above", max(roundDown(s.Bright.Surely, 2), roundUp(s.Good.Surely, 2)))
	}
	l.Words = strings.Join(words, ", ")
	return l
}

// Findings is the card.
func (c *Brightness) Findings(readings []Reading) (finding.Findings, Learned, error) {
	f := finding.Findings{Question: "experiment brightness"}
	nan := math.NaN()
	supply, doubt := c.supply, 0.05*c.supply
	for _, r := range readings {
		if r.Word == "supply" {
			m := c.rangeFor(meter.DCVoltage, r.Value)
			supply = m.Corrected(r.Value)
			doubt = m.Bound(supply)
		}
	}
	var rs []float64
	for _, r := range c.Ladder {
		rs = append(rs, float64(r.R))
	}
	read := map[float64]float64{}
	for _, r := range readings {
		if r.Word == "" {
			read[r.At] = r.Value
			if !slices.Contains(rs, r.At) {
				rs = append(rs, r.At)
			}
		}
	}
	slices.SortFunc(rs, func(a, b float64) int { return cmp.Compare(b, a) })
	mid, low, high, err := c.Predict(rs, supply, doubt)
	if err != nil {
		return f, Learned{}, err
	}
	f.Notes = steps(
		fmt.Sprintf("The vehicle's decoder out. %v smooth DC, off: plus through the meter (DC milliamperes) and the series resistor to the side of lamp %s that its feed goes to, minus to its other side.", unit.Volt(c.supply), c.Lamp),
		"Begin with the largest resistor. Supply on, wait some seconds for the eye, read the current, write how it looks: dark, seen (clearly lit, but too weak), good, or bright (too bright).",
		"Look as the train is watched: from there, in the light of the room, the housing on. The eye goes by the mean current, so that what is found here with steady current holds for a lamp that is switched fast (Talbot's law; from memory).",
		"Go down the ladder until it is too bright, and back up again: an eye judges by what it saw before.",
	)
	f.Notes = append(f.Notes, c.Notes...)
	f.Cautions = append(f.Cautions, firstPower(fmt.Sprintf("Never without the series resistor, and stop where the lamp is too bright: its LEDs stand %v. Do not look straight into it from near by.", unit.Amp(c.most))))
	t := finding.Table{ID: "brightness.ladder", Title: fmt.Sprintf("current on %v, as the meter will show it", unit.Volt(round(supply, 3))), Columns: append(columns("series resistor"), finding.Column{Title: "looked"})}
	for i, r := range rs {
		x, ok := read[r]
		if !ok {
			x = nan
		}
		cells := row(r, unit.SymOhm, mid[i], low[i], high[i], x, unit.SymAmp, 3)
		look := ""
		for _, g := range readings {
			if g.Word == "" && g.At == r {
				look = g.Look
			}
		}
		t.Rows = append(t.Rows, append(cells, finding.Cell{Text: look, Number: nan}))
	}
	f.Tables = append(f.Tables, t)

	x := logGrid(rs[len(rs)-1]/1.5, rs[0]*1.5, 31)
	m, l, h, err := c.Predict(x, supply, doubt)
	if err != nil {
		return f, Learned{}, err
	}
	fig := finding.Figure{ID: "brightness", Title: "how bright is bright enough: lamp " + c.Lamp,
		X: finding.Axis{Quantity: "series resistor", Unit: unit.SymOhm, Log: true}, Y: finding.Axis{Quantity: "current", Unit: unit.SymAmp, Log: true, Low: m[len(m)-1] / 2, High: 1.5 * m[0]},
		Curves: []finding.Curve{{Label: "surveyed lamp", X: x, Y: m}}, Shades: []finding.Shade{{Label: "95 %", X: x, Low: l, High: h, Curve: 0}},
		Caption: "Half the current is not half as bright to the eye: it is some four fifths. So the steps go by a factor of two.",
	}
	var learned Learned
	if slices.ContainsFunc(readings, func(r Reading) bool { return r.Word == "" }) {
		s, err := c.Infer(readings)
		if err != nil {
			return f, Learned{}, err
		}
		learned = c.learned(s)
		for rank, word := range looks {
			pts := finding.Points{Label: word}
			for _, k := range s.Looks {
				if k.Rank == rank && k.I > 0 {
					pts.X, pts.Y = append(pts.X, k.R), append(pts.Y, k.I)
					pts.YLow, pts.YHigh = append(pts.YLow, k.Low), append(pts.YHigh, k.High)
				}
			}
			if len(pts.X) > 0 {
				fig.Points = append(fig.Points, pts)
			}
		}
		top := math.Inf(1)
		for _, e := range []struct {
			Edge
			id, name, attr string
		}{{s.Seen, "seen", "from dark to seen", "seen"}, {s.Good, "good", "from seen to good", "good"}, {s.Bright, "bright", "from good to too bright", "never_above"}} {
			if !e.Known {
				f.Notes = append(f.Notes, finding.Note{Kind: "reading", Text: fmt.Sprintf("no current looked so: where it goes %s is not known, and %s stays as it is", e.name, e.attr)})
				continue
			}
			reason := fmt.Sprintf("every look from %v on agreed", unit.Amp(round(e.Surely, 3)))
			if e.id == "bright" {
				top = e.At
				reason = fmt.Sprintf("no look up to %v was too bright", unit.Amp(round(e.Surely, 3)))
			}
			if e.Low == 0 {
				reason += "; nothing less was tried"
			}
			f.Values = append(f.Values, finding.Value{ID: "brightness." + e.id, Name: e.name, Value: e.At, Low: e.Low, High: e.High, Unit: unit.SymAmp, Sure: "95 %",
				Method: "between the last look that was less and the first that was not", Reason: reason})
		}
		if s.Seen.Known && s.Seen.Low > 0 {
			fig.Bands = append(fig.Bands, finding.Band{Label: "not seen", From: math.Inf(-1), To: s.Seen.At})
		}
		if s.Good.Known {
			fig.Bands = append(fig.Bands, finding.Band{Label: "bright enough", From: s.Good.At, To: top, Good: true})
		}
		if s.Bright.Known {
			fig.Bands = append(fig.Bands, finding.Band{Label: "too bright", From: s.Bright.At, To: math.Inf(1)})
		}
	}
	f.Figures = append(f.Figures, fig)
	return f, learned, nil
}
