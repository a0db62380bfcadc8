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
	"runtime"
	"slices"

	"golang.org/x/sync/errgroup"

	"fettle/internal/build"
	"fettle/internal/circuit"
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
	comfortBase  = math.Log(1.25)
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
	elem    func(o *wiring.OutputNet) circuit.Elem
	core    []require.Kind // the requirements it decides
	guard   []require.Kind // those it also touches
	comfort float64
	start   unit.Ohm
	// prefer scores the choice among equally comfortable values; more is better.
	prefer func(c *chooser, n *wiring.Network, i int, r unit.Ohm) float64
}

var knobs = []knob{
	{"series", "series resistor", func(o *build.Output) *build.Quantity[unit.Ohm] { return &o.Series }, func(o *wiring.OutputNet) circuit.Elem { return o.Series },
		[]require.Kind{require.Light}, []require.Kind{require.Rating}, comfortLight, 1000, nearestToGood},
	{"base", "base resistor", func(o *build.Output) *build.Quantity[unit.Ohm] { return &o.Base }, func(o *wiring.OutputNet) circuit.Elem { return o.Base },
		[]require.Kind{require.Saturation}, nil, comfortBase, 4700, func(_ *chooser, _ *wiring.Network, _ int, r unit.Ohm) float64 { return float64(r) }},
	{"pulldown", "pull-down", func(o *build.Output) *build.Quantity[unit.Ohm] { return &o.Pulldown }, func(o *wiring.OutputNet) circuit.Elem { return o.Pulldown },
		[]require.Kind{require.Darkness}, []require.Kind{require.Saturation}, comfortDark, 47000, func(_ *chooser, _ *wiring.Network, _ int, r unit.Ohm) float64 { return float64(r) }},
}

// nearestToGood prefers the typical mean current nearest to what was called good.
func nearestToGood(c *chooser, n *wiring.Network, i int, r unit.Ohm) float64 {
	o := &n.Outputs[i]
	if !o.Lamp.Good.Known() || !n.Build.Track.Usual.Known() {
		return float64(r)
	}
	mean := require.LampMean(n, i, n.Typical(), n.Build.Track.Usual.Value)
	return -math.Abs(math.Log(mean / float64(o.Lamp.Good.Value)))
}

func (c *chooser) decoder(d, asked *build.Decoder) error {
	c.supply(d)
	unmeasured := c.unmeasured(d)
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
			if q := k.q(o); q.Open() {
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
			ID: m.ID, Subject: m.What, Requirement: "known well enough to choose by", Verdict: finding.Unknown, Why: m.Why(),
			Value: unit.Absent[float64](), Limit: unit.Absent[float64](), Margin: unit.Absent[float64](),
		})
	}
	wired := map[string]bool{}
	if n != nil {
		for i := range n.Outputs {
			wired[n.Outputs[i].Name] = !unmeasured[n.Outputs[i].Name]
		}
	}
	defer func() { // what could not be chosen stays open
		for i := range d.Outputs {
			if o := &d.Outputs[i]; !wired[o.Name.Text] {
				*o = asked.Outputs[i]
			}
		}
	}()
	if n == nil {
		return nil
	}
	// Two rounds let each output see the others; within a round they do not wait for each other.
	const rounds = 2
	picks := make([][]pick, len(n.Outputs))
	corners := make([]map[string][]require.Worst, len(n.Outputs))
	for range rounds {
		g, ctx := errgroup.WithContext(c.ctx)
		g.SetLimit(runtime.GOMAXPROCS(0))
		for i := range n.Outputs {
			was, _ := asked.Output(n.Outputs[i].Name)
			if unmeasured[was.Name.Text] {
				continue
			}
			if corners[i] == nil {
				corners[i] = map[string][]require.Worst{}
			}
			g.Go(func() error {
				m := n.Clone()
				m.Solver.SetStep(require.SearchStep)
				picks[i] = nil
				for _, k := range knobs {
					if !k.q(was).Open() {
						continue
					}
					if err := ctx.Err(); err != nil {
						return err
					}
					picks[i] = append(picks[i], c.choose(m, i, k, corners[i]))
				}
				return nil
			})
		}
		if err := g.Wait(); err != nil {
			return err
		}
		for i := range picks {
			for _, p := range picks[i] {
				try(n, i, p.k, p.now)
				if o, ok := d.Output(n.Outputs[i].Name); ok {
					*p.k.q(o) = build.Given(p.now)
				}
			}
		}
	}
	for _, p := range slices.Concat(picks...) {
		c.report(n, d, asked, p)
	}
	return nil
}

// unmeasured finds the outputs whose lamp no reading describes: for them nothing can be chosen.
func (c *chooser) unmeasured(d *build.Decoder) map[string]bool {
	out := map[string]bool{}
	for i := range d.Outputs {
		o := &d.Outputs[i]
		p := c.lamps[o.Lamp.Text]
		open := o.Series.Open() || o.Base.Open() || o.Pulldown.Open()
		if !wiring.Answers(o) || p == nil || p.Surveyed || p.Dead || !open {
			continue
		}
		out[o.Name.Text] = true
		c.f.Verdicts = append(c.f.Verdicts, finding.Judgement{
			ID: wiring.OutputID(c.b, d, o) + ".series", Subject: "output " + o.Name.Text, Requirement: "resistors that hold everything", Verdict: finding.Unknown,
			Value: math.NaN(), Limit: math.NaN(), Margin: math.NaN(),
			Why: "lamp " + o.Lamp.Text + " was not measured, so its hidden resistor may be anything; one reading of voltage and current is a start (fettle survey says which)",
		})
	}
	return out
}

// A bound is one side of the feasible interval.
type bound struct {
	r     unit.Ohm
	by    *require.Requirement // nil: the end of the searched range
	worst require.Worst
}

// A pick is the outcome for one resistor.
type pick struct {
	i          int
	k          knob
	lo, hi     bound
	r          unit.Ohm // 0: nothing feasible
	now        unit.Ohm // what stands in the network meanwhile: r, or a stand-in
	fromDrawer bool
	tried      []candidate
}

// A candidate is one value in the interval.
type candidate struct {
	r         unit.Ohm
	stock     int     // in the drawer; −1: plenty
	slack     float64 // worst, as ln of a factor
	by        string  // requirement that is tightest
	preferred float64
}

// try sets the resistor's nominal value in the network.
func try(n *wiring.Network, i int, k knob, r unit.Ohm) {
	o := &n.Outputs[i]
	n.Nominal(i, k.elem(o), r)
}

func (c *chooser) choose(n *wiring.Network, i int, k knob, corners map[string][]require.Worst) pick {
	p := pick{i: i, k: k}
	sides := c.interval(n, i, k, &p, corners)
	if p.lo.r < p.hi.r {
		p.tried = c.candidates(n, i, k, sides, p.lo.r, p.hi.r)
	}
	best := -1
	for j, t := range p.tried {
		if t.slack > 0 && (best < 0 || better(t, p.tried[best], k.comfort)) {
			best = j
		}
	}
	if best < 0 {
		// Nothing feasible: a value of those least bad stands in, so that the rest can be judged.
		p.now = c.standIn(n, i, k, sides)
		try(n, i, k, p.now)
		return p
	}
	t := p.tried[best]
	p.r, p.now, p.fromDrawer = t.r, t.r, t.stock != 0
	try(n, i, k, p.r)
	return p
}

// standIn is the value that comes nearest to feasible. Where a stretch of values is about as bad (a pull-down that
// cannot mend the switch's own leakage) it is the preferred one of them, which harms the rest least.
func (c *chooser) standIn(n *wiring.Network, i int, k knob, sides []*side) unit.Ohm {
	var list []unit.Ohm
	for _, it := range wiring.OnHand(c.b, n.Outputs[i].Output) {
		if it.R >= leastOhm && it.R <= mostOhm {
			list = append(list, it.R)
		}
	}
	if len(list) == 0 {
		list = parts.Between(leastOhm, mostOhm, "E12")
	}
	slack := make([]float64, len(list))
	for j, r := range list {
		try(n, i, k, r)
		slack[j] = math.Inf(1)
		for _, s := range sides {
			x, _ := s.slack()
			slack[j] = math.Min(slack[j], x)
		}
	}
	least := slices.Max(slack) - decides
	best, preferred := list[0], math.Inf(-1)
	for j, r := range list {
		if slack[j] < least {
			continue
		}
		try(n, i, k, r)
		if x := k.prefer(c, n, i, r); x > preferred {
			best, preferred = r, x
		}
	}
	return best
}

// better compares two feasible candidates: comfort first, then preference, then the smaller.
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

// A side is one requirement as a function of the resistor: its slack at the worst of the corners known so far.
type side struct {
	r       *require.Requirement
	ev      *require.Evaluator
	corners []require.Worst
	keep    func() // remembers the corners for the next round
	out     [1]float64
}

// newSide is the side of a requirement with the corners that an earlier round found; with none yet it seeks one.
func newSide(n *wiring.Network, set *require.Set, q int, k knob, corners map[string][]require.Worst) *side {
	one := set.One(q)
	s := &side{r: &one.Requirements[0], ev: one.On(n)}
	id := k.name + " " + s.r.ID
	if s.corners = corners[id]; len(s.corners) == 0 {
		s.seek()
	}
	s.keep = func() { corners[id] = s.corners }
	return s
}

// seek searches the worst corner at the resistor's present value and remembers it. It reports whether the
// corner is worse than those known.
func (s *side) seek() bool {
	known := math.Inf(1)
	if len(s.corners) > 0 {
		known, _ = s.slack()
	}
	w := s.ev.Worst()[0]
	if w.Z == nil {
		return false
	}
	now := s.r.Slack(w.Value)
	if math.IsNaN(now) || now >= known-0.002 {
		return false
	}
	s.corners = append(s.corners, w)
	return true
}

// slack is that of the worst corner known, with the corner.
func (s *side) slack() (slack float64, worst require.Worst) {
	slack = math.Inf(1)
	for _, c := range s.corners {
		s.ev.Eval(c.Z, s.out[:])
		if x := s.r.Slack(s.out[0]); x < slack || math.IsNaN(x) {
			slack, worst = x, c
			worst.Value = s.out[0]
		}
	}
	if math.IsNaN(slack) {
		slack = math.Inf(-1)
	}
	return slack, worst
}

// decides: a resistor that moves a requirement by less than this factor (as ln) over its whole range does not
// decide it.
const decides = 0.05

// perDecade is how finely the range of a resistor is scanned before edges are sought.
const perDecade = 5

// interval finds where the resistor holds every requirement it decides: for each the stretch around its best
// value, edges by bisection, with the worst corner sought anew at the edge until it stays.
func (c *chooser) interval(n *wiring.Network, i int, k knob, p *pick, corners map[string][]require.Worst) []*side {
	set := require.For(n)
	p.lo, p.hi = bound{r: leastOhm}, bound{r: mostOhm}
	var sides []*side
	narrow := func(s *side) {
		lo, hi, decided := c.stretch(n, i, k, s, p)
		s.keep()
		if !decided {
			return
		}
		if lo.r > p.lo.r {
			p.lo = lo
		}
		if hi.r < p.hi.r {
			p.hi = hi
		}
		sides = append(sides, s)
	}
	start := k.q(n.Outputs[i].Output).Value
	core := set.Only(i, k.core...)
	for q := range core.Requirements {
		try(n, i, k, start)
		narrow(newSide(n, core, q, k, corners))
	}
	// What else the resistor touches binds only where it is near its limit at the ends of what is left.
	if len(k.guard) > 0 && p.lo.r < p.hi.r {
		guard := set.Only(i, k.guard...)
		ev := guard.On(n)
		out := make([]float64, len(guard.Requirements))
		near := make([]bool, len(out))
		for _, end := range []unit.Ohm{p.lo.r, p.hi.r} {
			try(n, i, k, end)
			ev.Eval(n.Typical(), out)
			for q := range out {
				near[q] = near[q] || guard.Requirements[q].Slack(out[q]) < math.Log(3)
			}
		}
		for q := range out {
			if near[q] {
				try(n, i, k, unit.Ohm(math.Sqrt(float64(p.lo.r)*float64(p.hi.r))))
				narrow(newSide(n, guard, q, k, corners))
			}
		}
	}
	try(n, i, k, start)
	return sides
}

// stretch is the interval of the resistor in which one requirement holds; decided is false where the resistor
// hardly moves it.
func (c *chooser) stretch(n *wiring.Network, i int, k knob, s *side, p *pick) (lo, hi bound, decided bool) {
	at := func(ln float64) float64 {
		try(n, i, k, unit.Ohm(math.Exp(ln)))
		x, _ := s.slack()
		return x
	}
	steps := int(math.Round(perDecade * math.Log10(float64(mostOhm/leastOhm))))
	ln := func(j int) float64 {
		return math.Log(float64(leastOhm)) + math.Log(float64(mostOhm/leastOhm))*float64(j)/float64(steps)
	}
	slack := make([]float64, steps+1)
	best := 0
	for j := range slack {
		slack[j] = at(ln(j))
		if slack[j] > slack[best] {
			best = j
		}
	}
	mark := func(x float64) bound {
		try(n, i, k, unit.Ohm(math.Exp(x)))
		_, w := s.slack()
		return bound{r: unit.Ohm(math.Exp(x)), by: s.r, worst: w}
	}
	worst := best
	for j := range slack {
		if slack[j] < slack[worst] {
			worst = j
		}
	}
	if slack[best]-slack[worst] < decides {
		return lo, hi, false // the proof judges it
	}
	if !(slack[best] > 0) {
		b := mark(ln(best))
		lo, hi = b, b
		lo.r, hi.r = mostOhm, leastOhm
		return lo, hi, true
	}
	edge := func(dir int) (bound, bool) {
		j := best
		for ; j+dir >= 0 && j+dir <= steps && slack[j+dir] > 0; j += dir {
		}
		if j+dir < 0 || j+dir > steps {
			return bound{}, false
		}
		in, out := ln(j), ln(j+dir)
		for range 4 {
			for math.Abs(out-in) > 0.002 {
				m := (in + out) / 2
				if at(m) > 0 {
					in = m
				} else {
					out = m
				}
			}
			// Only an edge that may bind is worth another search.
			if r := unit.Ohm(math.Exp(in)); dir < 0 && r < p.lo.r || dir > 0 && r > p.hi.r {
				break
			}
			try(n, i, k, unit.Ohm(math.Exp(in)))
			if !s.seek() || at(in) > 0 {
				break
			}
			out = in
			in = ln(best)
			if at(in) <= 0 {
				return bound{}, false
			}
		}
		return mark(in), true
	}
	lo, hi = bound{r: leastOhm}, bound{r: mostOhm}
	if b, ok := edge(-1); ok {
		lo = b
	}
	if b, ok := edge(+1); ok {
		hi = b
	}
	return lo, hi, true
}

// candidates are the values in the interval: what the drawer holds, else E24. Each is judged at the corners
// that bound the interval; the one that is taken is proven over every corner afterwards.
func (c *chooser) candidates(n *wiring.Network, i int, k knob, sides []*side, lo, hi unit.Ohm) []candidate {
	var list []candidate
	for _, it := range wiring.OnHand(c.b, n.Outputs[i].Output) {
		if it.R >= lo && it.R <= hi {
			list = append(list, candidate{r: it.R, stock: it.Count})
		}
	}
	if len(list) == 0 {
		for _, r := range parts.Between(lo, hi, "E24") {
			list = append(list, candidate{r: r})
		}
	}
	for j := range list {
		t := &list[j]
		try(n, i, k, t.r)
		t.slack = math.Inf(1)
		for _, s := range sides {
			if x, _ := s.slack(); x < t.slack {
				t.slack, t.by = x, s.r.Words
			}
		}
		t.preferred = k.prefer(c, n, i, t.r)
	}
	return list
}

func (c *chooser) report(n *wiring.Network, d, asked *build.Decoder, p pick) {
	o := &n.Outputs[p.i]
	id := o.ID + "." + p.k.name
	name := p.k.words + " of output " + o.Name
	if p.r == 0 {
		c.clash(n, p, id, name)
		return
	}
	lo, hi := float64(p.lo.r), float64(p.hi.r)
	v := finding.Value{
		ID: id, Name: name, Value: float64(p.r), Unit: unit.SymOhm, Low: lo, High: hi, Chosen: true,
		Method: "worst corner of each requirement, sought anew at each edge of the feasible interval",
		Sure:   "corners searched",
	}
	from := "from the drawer"
	if !p.fromDrawer {
		from = "a preferred value of E24; the drawer holds none that would do" + c.pair(n, p)
	}
	v.Reason = fmt.Sprintf("%s to %s would do (%s; %s); %s is the best there, %s",
		p.lo.r, p.hi.r, bounded("below", p.lo), bounded("above", p.hi), p.r, from)
	v.Working = c.working(n, p)
	c.f.Values = append(c.f.Values, v)
	c.edits = append(c.edits, build.Edit{Path: []string{"decoder", d.Name.Text, "output", o.Name}, Attr: p.k.name, Value: p.r.String()})
}

func bounded(word string, b bound) string {
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
		j.Worst = p.lo.worst.Say(n, p.lo.by)
		j.Value, j.Limit, j.Unit, j.Sense = p.lo.worst.Value, p.lo.by.Limit, p.lo.by.Unit, p.lo.by.Sense()
	case p.lo.r >= p.hi.r:
		j.Why = fmt.Sprintf("%q wants at least %s, %q wants at most %s", words(p.lo), p.lo.r, words(p.hi), p.hi.r)
		if p.hi.by != nil {
			j.Worst = p.hi.worst.Say(n, p.hi.by)
		}
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
	switch p.k.name {
	case "base":
		return "another transistor (more gain at this current, or a lower VCE(sat)), or less lamp current"
	case "pulldown":
		return "another transistor (less ICBO), or less heat where it sits (ambient_high): what leaks into the base grows with it"
	}
	// What light would hold at the bound that the ratings and upper limits leave?
	if p.hi.by != nil && p.hi.by.AtLeast {
		r := leastOhm
		if p.lo.by != nil && p.lo.by != p.hi.by {
			r = c.next(n, p.i, p.lo.r)
		}
		set := require.For(n).Only(p.i, require.Light)
		for q := range set.Requirements {
			if set.Requirements[q].ID != p.hi.by.ID {
				continue
			}
			try(n, p.i, p.k, r)
			w := set.One(q).On(n).Worst()[0]
			mend := fmt.Sprintf("ask for at most %s there (%s gives %s at its worst corner)", roundDown(0.98*w.Value), r, unit.Amp(w.Value))
			if o.HalfWave {
				mend += fmt.Sprintf("; or feed lamp %s from the rectified plus, which doubles its mean current at the same peak", o.LampName)
			}
			return mend
		}
	}
	return "raise what excludes it, or move the lamp's limits apart"
}

// pair says which two resistors of the drawer make up the value, where they come within the interval.
func (c *chooser) pair(n *wiring.Network, p pick) string {
	for _, k := range parts.Combinations(p.r, wiring.OnHand(c.b, n.Outputs[p.i].Output), 1) {
		if k.R > p.lo.r && k.R < p.hi.r {
			return fmt.Sprintf(" alone, but %s would (%s)", k, k.R)
		}
	}
	return ""
}

// next is the smallest resistor of the drawer, else of E24, that is not below r.
func (c *chooser) next(n *wiring.Network, i int, r unit.Ohm) unit.Ohm {
	for _, it := range wiring.OnHand(c.b, n.Outputs[i].Output) {
		if it.R >= r {
			return it.R
		}
	}
	return parts.Up(r, "E24")
}

// roundDown keeps two significant digits, towards zero.
func roundDown(x float64) unit.Amp {
	step := math.Pow(10, math.Floor(math.Log10(x))-1)
	return unit.Amp(math.Floor(x/step) * step)
}
