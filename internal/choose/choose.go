// Package choose finds a value for everything the build file leaves open: the switch transistor, the series
// resistor of each lamp, the base resistor, the pull-down, and the parts of the supply.
//
// For every resistor the feasible interval comes first: which requirement bounds it from each side, at which
// corner of everything that varies. Then the best preferred value in the interval: one from the drawer if the
// drawer has any, else one of E24. "Best" is by worst-case margin: margins up to a stated comfort count, what
// lies beyond is bought with light or with the chip's current, so among equally comfortable values the light
// nearest to what was called good, and the least base current, win.
//
// The base resistor follows from what saturation needs over gain, temperature, the chip's output level at the
// supply of that very corner, and the lamp current at the highest voltage. The customary forced gains of 10
// and 20 stand beside it as a hand estimate; they decide nothing.
//
// Where nothing is feasible the result says which requirements clash and the smallest change that frees it.
//
// Not chosen here: the reservoir and the ear, which need the circuit in time.
package choose

import (
	"context"
	"fmt"
	"math"
	"sort"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/parts"
	"fettle/internal/require"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// Result is the build with every open value filled in as far as it could be, what was found on the way, and
// the edits that write the choice into the file.
type Result struct {
	Build    *build.Build
	Findings finding.Findings
	Edits    []build.Edit
}

// Comforts: the margin (as a factor) beyond which more margin buys nothing.
var (
	comfortLight = math.Log(1.25)
	comfortBase  = math.Log(1.5)
	comfortDark  = math.Log(10)
)

// The range in which a resistor is sought.
const (
	leastOhm = unit.Ohm(10)
	mostOhm  = unit.Ohm(1e6)
)

// Choose fills what is open. The build itself is not changed.
func Choose(ctx context.Context, b *build.Build, lamps map[string]*wiring.LampPosterior) (Result, error) {
	c := &chooser{ctx: ctx, lamps: lamps, b: copyOf(b)}
	c.f = finding.Findings{Question: "choose", Build: b.Name()}
	for i := range c.b.Decoders {
		if err := c.decoder(&c.b.Decoders[i], &b.Decoders[i]); err != nil {
			return Result{}, err
		}
	}
	if len(c.f.Values) == 0 && len(c.f.Verdicts) == 0 {
		c.f.Notes = append(c.f.Notes, finding.Note{ID: "choose.nothing", Kind: "input", Text: "Nothing is left open: every value stands in the file."})
	}
	return Result{Build: c.b, Findings: c.f, Edits: c.edits}, nil
}

// copyOf copies what choosing changes: the decoders with their outputs.
func copyOf(b *build.Build) *build.Build {
	out := *b
	out.Decoders = append([]build.Decoder(nil), b.Decoders...)
	for i := range out.Decoders {
		out.Decoders[i].Outputs = append([]build.Output(nil), b.Decoders[i].Outputs...)
	}
	return &out
}

type chooser struct {
	ctx   context.Context
	b     *build.Build
	lamps map[string]*wiring.LampPosterior
	f     finding.Findings
	edits []build.Edit
}

// knob is one resistor of an output.
type knob struct {
	name    string // attribute: "series", "base", "pulldown"
	words   string // "series resistor"
	q       func(o *build.Output) *build.Quantity[unit.Ohm]
	kinds   []require.Kind // the requirements it decides
	comfort float64
	start   unit.Ohm
	// prefer scores the choice among equally comfortable values; more is better.
	prefer func(c *chooser, n *wiring.Network, i int, r unit.Ohm) float64
}

var knobs = []knob{
	{"series", "series resistor", func(o *build.Output) *build.Quantity[unit.Ohm] { return &o.Series },
		[]require.Kind{require.Light, require.Rating}, comfortLight, 1000, nearestToGood},
	{"base", "base resistor", func(o *build.Output) *build.Quantity[unit.Ohm] { return &o.Base },
		[]require.Kind{require.Saturation}, comfortBase, 4700, func(_ *chooser, _ *wiring.Network, _ int, r unit.Ohm) float64 { return float64(r) }},
	{"pulldown", "pull-down", func(o *build.Output) *build.Quantity[unit.Ohm] { return &o.Pulldown },
		[]require.Kind{require.Darkness, require.Saturation}, comfortDark, 47000, func(_ *chooser, _ *wiring.Network, _ int, r unit.Ohm) float64 { return float64(r) }},
}

// nearestToGood prefers the typical mean current nearest to what was called good.
func nearestToGood(c *chooser, n *wiring.Network, i int, r unit.Ohm) float64 {
	o := &n.Outputs[i]
	if !o.Lamp.Good.Known() || !n.Build.Track.Usual.Known() {
		return float64(r)
	}
	n.Set(n.Typical())
	sum := 0.0
	var op wiring.Operating
	for _, left := range []bool{true, false} {
		n.Read(n.Solve(wiring.State{LeftPositive: left, Drive: wiring.On, Track: n.Build.Track.Usual.Value}), &op)
		sum += float64(op.Out[i].Lamp) / 2
	}
	return -math.Abs(math.Log(sum * float64(o.Output.Brightness.Or(1)) / float64(o.Lamp.Good.Value)))
}

func (c *chooser) decoder(d, asked *build.Decoder) error {
	c.supply(d)
	// Provisional values make a circuit out of what is open; two rounds let each value see the others.
	for i := range d.Outputs {
		o := &d.Outputs[i]
		if !wiring.Answers(o) {
			continue
		}
		if o.Switch.Open() {
			c.pickSwitch(d, o)
		}
		for _, k := range knobs {
			if q := k.q(o); !q.Known() {
				*q = build.Given(k.start)
			}
		}
	}
	n, missing, err := wiring.NewNetwork(c.b, d, c.lamps)
	if err != nil {
		return err
	}
	for _, m := range missing {
		c.f.Verdicts = append(c.f.Verdicts, finding.Judgement{
			ID: m.ID, Subject: m.What, Requirement: "known well enough to choose by", Verdict: finding.Unknown, Why: "not known: " + m.What,
			Value: unit.Absent[float64](), Limit: unit.Absent[float64](), Margin: unit.Absent[float64](),
		})
	}
	if n == nil {
		return nil
	}
	const rounds = 2
	var picks []pick
	for round := range rounds {
		picks = picks[:0]
		for i := range n.Outputs {
			was, _ := asked.Output(n.Outputs[i].Name)
			for _, k := range knobs {
				if k.q(was).Known() {
					continue
				}
				if err := c.ctx.Err(); err != nil {
					return err
				}
				p := c.choose(n, i, k, round == rounds-1)
				picks = append(picks, p)
			}
		}
	}
	for _, p := range picks {
		c.report(n, d, asked, p)
	}
	return nil
}

// A bound is one side of the feasible interval.
type bound struct {
	r     unit.Ohm
	by    *require.Requirement // nil: the end of the searched range
	z     []float64
	value float64
}

// A pick is the outcome for one resistor.
type pick struct {
	i          int
	k          knob
	lo, hi     bound
	r          unit.Ohm // 0: nothing feasible
	fromDrawer bool

	slack float64
	tried []candidate
}

type candidate struct {
	r unit.Ohm

	stock     int
	slack     float64 // worst, as ln of a factor
	by        string  // requirement that is tightest
	preferred float64
}

// try sets the resistor's nominal value in the network.
func try(n *wiring.Network, i int, k knob, r unit.Ohm) {
	*k.q(n.Outputs[i].Output) = build.Given(r)
	n.Refresh()
}

func (c *chooser) choose(n *wiring.Network, i int, k knob, final bool) pick {
	set := require.For(n).Only(i, k.kinds...)
	p := pick{i: i, k: k}
	before := k.q(n.Outputs[i].Output).Value
	p.lo, p.hi = c.interval(n, i, k, set)
	if p.lo.r < p.hi.r {
		p.tried = c.candidates(n, i, k, set, p.lo.r, p.hi.r)
	}
	best := -1
	for j, t := range p.tried {
		if t.slack <= 0 {
			continue
		}
		if best < 0 || better(t, p.tried[best], k.comfort) {
			best = j
		}
	}
	if best < 0 {
		// Nothing feasible: keep a value in the middle of the clash so that the rest can be judged.
		mid := unit.Ohm(math.Sqrt(float64(p.lo.r) * float64(p.hi.r)))
		if !unit.Known(mid) || mid <= 0 {
			mid = before
		}
		try(n, i, k, parts.Nearest(mid, "E24"))
		return p
	}
	t := p.tried[best]
	p.r, p.slack = t.r, t.slack
	p.fromDrawer = t.stock != 0
	try(n, i, k, p.r)
	return p
}

// better compares two feasible candidates: comfort first, then preference, then the drawer's price.
func better(a, b candidate, comfort float64) bool {
	sa, sb := math.Min(a.slack, comfort), math.Min(b.slack, comfort)
	switch {
	case math.Abs(sa-sb) > 1e-9:
		return sa > sb
	case math.Abs(a.preferred-b.preferred) > 1e-12:
		return a.preferred > b.preferred
	}
	return a.r < b.r
}

// interval finds the feasible interval of the resistor: for every requirement the value at which its worst
// case just holds. Each requirement moves one way with the resistor; which way is measured, not assumed.
func (c *chooser) interval(n *wiring.Network, i int, k knob, set *require.Set) (lo, hi bound) {
	lo, hi = bound{r: leastOhm}, bound{r: mostOhm}
	for q := range set.Requirements {
		r := &set.Requirements[q]
		one := set.One(q)
		ev := one.On(n)
		var z []float64
		value := 0.0
		// worst seeks the corner anew at every value: the corner may change along the way.
		worst := func(ln float64) float64 {
			try(n, i, k, unit.Ohm(math.Exp(ln)))
			w := ev.Worst()
			z, value = w[0].Z, w[0].Value
			return r.Slack(value)
		}
		a, b := math.Log(float64(leastOhm)), math.Log(float64(mostOhm))
		fa := worst(a)
		fb := worst(b)
		if (fa > 0) == (fb > 0) {
			if fa <= 0 { // holds nowhere: no value helps
				lo = bound{r: mostOhm, by: r, z: z, value: value}
				hi = bound{r: leastOhm, by: r, z: z, value: value}
				return lo, hi
			}
			continue
		}
		for b-a > 0.002 {
			m := (a + b) / 2
			if (worst(m) > 0) == (fa > 0) {
				a = m
			} else {
				b = m
			}
		}
		at := unit.Ohm(math.Exp((a + b) / 2))
		if fa > 0 { // holds below: an upper bound
			if at < hi.r {
				worst(b)
				hi = bound{r: at, by: r, z: z, value: value}
			}
		} else if at > lo.r {
			worst(a)
			lo = bound{r: at, by: r, z: z, value: value}
		}
	}
	return lo, hi
}

// candidates are the values in the interval: what the drawer holds, else E24, else two resistors of the drawer.
func (c *chooser) candidates(n *wiring.Network, i int, k knob, set *require.Set, lo, hi unit.Ohm) []candidate {
	var list []candidate
	pack := n.Outputs[i].Output.Package.Text
	if c.b.Drawer != nil {
		for _, it := range c.b.Drawer.Resistors(pack) {
			if it.R >= lo && it.R <= hi {
				list = append(list, candidate{r: it.R, stock: it.Count})
			}
		}
	}
	if len(list) == 0 {
		for _, r := range parts.Between(lo, hi, "E24") {
			list = append(list, candidate{r: r})
		}
	}
	sort.Slice(list, func(a, b int) bool { return list[a].r < list[b].r })
	list = thin(list)
	ev := set.On(n)
	out := list[:0]
	for j, t := range list {
		if j > 0 && t.r == list[j-1].r && len(out) > 0 {
			continue
		}
		try(n, i, k, t.r)
		t.slack = math.Inf(1)
		for q, w := range ev.Worst() {
			if s := set.Requirements[q].Slack(w.Value); s < t.slack || math.IsNaN(s) {
				t.slack, t.by = s, set.Requirements[q].Words
			}
		}
		if math.IsNaN(t.slack) {
			continue
		}
		t.preferred = k.prefer(c, n, i, t.r)
		out = append(out, t)
	}
	return out
}

// thin keeps at most a dozen candidates, spread evenly: enough to find the best preferred value, few enough
// to prove each over every corner.
func thin(list []candidate) []candidate {
	const most = 12
	if len(list) <= most {
		return list
	}
	var out []candidate
	for j := range most {
		out = append(out, list[j*(len(list)-1)/(most-1)])
	}
	return out
}

func (c *chooser) report(n *wiring.Network, d, asked *build.Decoder, p pick) {
	o := &n.Outputs[p.i]
	id := "output." + o.Name + "." + p.k.name
	name := p.k.words + " of output " + o.Name
	if p.r == 0 {
		c.clash(n, p, id, name)
		return
	}
	lo, hi := float64(p.lo.r), float64(p.hi.r)
	v := finding.Value{
		ID: id, Name: name, Value: float64(p.r), Unit: unit.SymOhm, Low: lo, High: hi, Chosen: true,
		Method: "worst case over everything that varies, for each value in the drawer that lies in the feasible interval",
		Sure:   "no counterexample found at the corners searched; prove attacks it with samples",
	}
	from := "from the drawer"
	if !p.fromDrawer {
		from = "a preferred value of E24; the drawer holds none that would do"
	}
	v.Reason = fmt.Sprintf("%s to %s would do (%s; %s); %s is the best there, %s",
		p.lo.r, p.hi.r, side("below", p.lo), side("above", p.hi), p.r, from)
	v.Working = c.working(n, p)
	c.f.Values = append(c.f.Values, v)
	c.edits = append(c.edits, build.Edit{Path: []string{"decoder", d.Name.Text, "output", o.Name}, Attr: p.k.name, Value: fmt.Sprintf("%q", p.r.String())})
}

func side(word string, b bound) string {
	if b.by == nil {
		return "nothing bounds it " + word
	}
	return fmt.Sprintf("%s it: not %s", word, b.by.Words)
}

// clash says which requirements exclude each other and what would free it.
func (c *chooser) clash(n *wiring.Network, p pick, id, name string) {
	j := finding.Judgement{
		ID: id, Subject: name, Requirement: "a value that holds everything", Verdict: finding.Fails, Unit: unit.SymOhm,
		Value: unit.Absent[float64](), Limit: unit.Absent[float64](), Margin: unit.Absent[float64](),
		Method: "feasible interval over everything that varies",
	}
	switch {
	case p.lo.by != nil && p.lo.by == p.hi.by:
		j.Why = fmt.Sprintf("no value holds %q (%s)", p.lo.by.Words, p.lo.by.Subject)
		j.Worst = n.Say(p.lo.z)
		j.Value, j.Limit, j.Unit, j.Sense = p.lo.value, p.lo.by.Limit, p.lo.by.Unit, p.lo.by.Sense()
	case p.lo.r >= p.hi.r:
		j.Why = fmt.Sprintf("%q wants at least %s, %q wants at most %s", words(p.lo), p.lo.r, words(p.hi), p.hi.r)
		j.Worst = n.Say(p.hi.z)
	default:
		j.Why = fmt.Sprintf("%s to %s would do, but neither the drawer nor E24 has a value there", p.lo.r, p.hi.r)
	}
	j.Mend = c.free(n, p)
	c.f.Verdicts = append(c.f.Verdicts, j)
}

func words(b bound) string {
	if b.by == nil {
		return "the range searched"
	}
	return b.by.Words
}

// free seeks the smallest change that makes the output feasible: another limit, another feed, another part.
func (c *chooser) free(n *wiring.Network, p pick) string {
	o := &n.Outputs[p.i]
	if p.k.name != "series" {
		return "another transistor (more gain at this current, or a lower VCE(sat)), or less lamp current"
	}
	// What light would hold at the bound that the ratings and upper limits leave?
	if p.hi.by != nil && p.hi.by.AtLeast {
		r := p.lo.r
		if p.lo.by == nil || p.lo.by == p.hi.by {
			r = leastOhm
		}
		set := require.For(n).Only(p.i, require.Light)
		for q := range set.Requirements {
			if set.Requirements[q].ID != p.hi.by.ID {
				continue
			}
			try(n, p.i, p.k, r)
			w := set.One(q).On(n).Worst()[0]
			mend := fmt.Sprintf("ask for at most %s there (worst case at %s)", unit.Amp(0.95*w.Value), r)
			if o.HalfWave {
				mend += fmt.Sprintf("; or feed lamp %s from the rectified plus, which doubles its mean current at the same peak", o.LampName)
			}
			return mend
		}
	}
	return "raise what excludes it, or move the lamp's limits apart"
}
