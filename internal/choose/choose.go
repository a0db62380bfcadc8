// Package choose finds a value for everything the build file leaves open: the transistors of each output, the series
// resistor of its lamps, the resistors about its transistors, the ear's resistor, a zener's ballast, the load that answers on
// the programming track, and the parts of the supply.
//
// Transistors come first: every one of the drawer is judged for its place by its sheet (Suits, SuitsFET), with the reason
// against what is rejected; the circuit has the last word.
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
// Where no value of a resistor mends what a switch leaks by itself, the value that makes it no worse is taken and the proof
// says the rest.
//
// Not chosen here: the reservoir, and how large the ear's resistor may be, which need the circuit in time.
package choose

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"runtime"
	"slices"
	"strings"

	"golang.org/x/sync/errgroup"

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
	comfortBase  = math.Log(1.25)
	comfortDark  = math.Log(10)
	comfortEar   = math.Log(1.25)
	comfortGuard = math.Log(1.1)
	// An answer is heard or not: a tenth more than the standard's least is heard.
	comfortAnswer = math.Log(1.1)
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
	for i := range b.Decoders {
		c.fitted(&b.Decoders[i])
	}
	if len(c.f.Values) == 0 && len(c.f.Verdicts) == 0 && len(c.f.Notes) == 0 {
		c.f.Notes = append(c.f.Notes, finding.Note{ID: "choose.nothing", Kind: "input", Text: "Nothing is left open: every value stands in the file."})
	}
	return Result{Build: c.b, Findings: c.f, Edits: c.edits}, nil
}

// fitted says what the design leaves open and what was fitted settles: it is never chosen.
func (c *chooser) fitted(d *build.Decoder) {
	if d.Fitted == nil {
		return
	}
	var list []string
	for _, v := range d.Fitted.Values {
		if d.LeftOpen(v) {
			list = append(list, fmt.Sprintf("%s is %s", v.Words(), v.Text.Text))
		}
	}
	if len(list) > 0 {
		c.f.Notes = append(c.f.Notes, finding.Note{ID: "fitted." + d.Name.Text, Kind: "as built",
			Text: "Fitted, so left alone: " + strings.Join(list, ", ") + ". The design leaves that open and stays as it is; all else is chosen to suit what is fitted."})
	}
}

// copyOf copies what choosing changes: the decoders with their outputs.
func copyOf(b *build.Build) *build.Build {
	out := *b
	out.Decoders = append([]build.Decoder(nil), b.Decoders...)
	for i := range out.Decoders {
		d := &out.Decoders[i]
		d.Outputs = append([]build.Output(nil), d.Outputs...)
		if d.Acknowledge != nil {
			own := *d.Acknowledge
			d.Acknowledge = &own
		}
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
	name    string         // attribute: "series"
	core    []require.Kind // the requirements it decides
	guard   []require.Kind // those it also touches
	comfort float64
	start   unit.Ohm
	// prefer scores the choice among equally comfortable values; more is better.
	prefer func(c *chooser, n *wiring.Network, i int, r unit.Ohm) float64
	least  unit.Ohm // from where it is sought; 0: leastOhm
}

// slot is where a decoder of the build holds the value of one resistor: of an output, of the acknowledgement, or its own.
func slot(d *build.Decoder, o *wiring.OutputNet, attr string) *build.Quantity[unit.Ohm] {
	switch {
	case o == nil && attr == wiring.EarSeries:
		return &d.Listen.Series
	case o == nil:
		return &d.Supply.Ballast
	case o.Acknowledge:
		return answerValue(d.Acknowledge, attr)
	}
	out, ok := d.Output(o.Name)
	if !ok {
		return &build.Quantity[unit.Ohm]{}
	}
	return wiring.ValueOf(out, attr)
}

func answerValue(a *build.Acknowledge, attr string) *build.Quantity[unit.Ohm] {
	switch attr {
	case "base":
		return &a.Base
	case "pulldown":
		return &a.Pulldown
	}
	return &a.Load
}

// from is the lowest value at which it is sought.
func (k knob) from() unit.Ohm { return max(k.least, leastOhm) }

func largest(_ *chooser, _ *wiring.Network, _ int, r unit.Ohm) float64 { return float64(r) }

func smallest(_ *chooser, _ *wiring.Network, _ int, r unit.Ohm) float64 { return -float64(r) }

// own are the resistors of the decoder that belong to no output. The ear's is the smallest that serves: the larger it is,
// the slower its edges.
func own(d *build.Decoder) []knob {
	var list []knob
	if d.Listen.From.IsSet() && d.Listen.Into.IsSet() {
		list = append(list, knob{name: wiring.EarSeries, core: []require.Kind{require.Ear}, comfort: comfortEar, start: 22000, prefer: smallest})
	}
	if d.Supply.Ballast.Open() {
		list = append(list, knob{name: wiring.Ballast, core: []require.Kind{require.Supply}, comfort: comfortBase, start: 470, prefer: largest})
	}
	return list
}

// answering are the resistors of the load that answers on the programming track.
func answering() []knob {
	return []knob{
		{name: "load", core: []require.Kind{require.Answer}, guard: []require.Kind{require.Rating}, comfort: comfortAnswer, start: 82, prefer: largest},
		{name: "base", core: []require.Kind{require.Saturation}, comfort: comfortBase, start: 1000, prefer: largest},
		{name: "pulldown", core: []require.Kind{require.Darkness}, guard: []require.Kind{require.Saturation}, comfort: comfortDark, start: 47000, prefer: largest},
	}
}

// gateOhm is a customary resistor before a gate: it decides nothing at rest, keeps what a slip puts on the gate from the
// chip, and is small enough for the edges of dimming. Common practice, no source.
const gateOhm = unit.Ohm(1000)

func nearestToGate(_ *chooser, _ *wiring.Network, _ int, r unit.Ohm) float64 {
	return -math.Abs(math.Log(float64(r / gateOhm)))
}

// knobs are the resistors of an output in the order in which they are chosen.
func (c *chooser) knobs(o *build.Output) []knob {
	_, fet := c.b.Catalogue.MOSFET(o.Switch.Text)
	series := knob{name: "series", core: []require.Kind{require.Light}, guard: []require.Kind{require.Rating}, comfort: comfortLight, start: 1000, prefer: nearestToGood}
	pulldown := knob{name: "pulldown", core: []require.Kind{require.Darkness}, guard: []require.Kind{require.Saturation, require.Level}, comfort: comfortDark, start: 47000, prefer: largest}
	base := knob{name: "base", core: []require.Kind{require.Saturation}, comfort: comfortBase, start: 4700, prefer: largest}
	var list []knob
	if o.Shunt.Choose || o.Shunt.Known() {
		list = append(list, knob{name: "shunt", core: []require.Kind{require.Darkness}, guard: []require.Kind{require.Light}, comfort: comfortDark, start: 220e3, prefer: largest})
	}
	switch o.Drive.Text {
	case build.DriveFromPin:
		return append(list, series)
	case build.DriveHighSide:
		// Below a kilohm the level transistor, not the resistor, would set the base current, and heat falls again with the
		// resistance: nobody builds there.
		base.guard, base.least = []require.Kind{require.Rating}, 1000
		if fet {
			base.start = 10000
		}
		return append(list, series, base,
			knob{name: "pullup", core: []require.Kind{require.Darkness}, guard: []require.Kind{require.Saturation, require.Rating}, comfort: comfortDark, start: 47000, prefer: largest},
			knob{name: "level_base", core: []require.Kind{require.Level}, comfort: comfortBase, start: 10000, prefer: largest}, pulldown)
	}
	if fet {
		base.start, base.prefer = gateOhm, nearestToGate
	}
	list = append(list, series, base, pulldown)
	if o.Driver.IsSet() {
		list = append(list, knob{name: "between", core: []require.Kind{require.Darkness}, guard: []require.Kind{require.Saturation}, comfort: comfortDark, start: 100e3, prefer: largest})
	}
	return list
}

// inside fills in what a pre-biased transistor has inside it: nothing stands before its input or beside it. It reports
// whether it did.
func (c *chooser) inside(o *build.Output) (left []string) {
	leave := func(part, attr string, q *build.Quantity[unit.Ohm]) {
		if p, ok := c.b.Catalogue.BJT(part); ok && p.Prebiased() && q.Open() {
			*q = build.Quantity[unit.Ohm]{Text: build.None, Value: unit.Absent[unit.Ohm]()}
			left = append(left, attr)
		}
	}
	if o.Drive.Text == build.DriveHighSide {
		leave(o.Switch.Text, "base", &o.Base)
		leave(o.Switch.Text, "pullup", &o.Pullup)
		leave(o.Level.Text, "level_base", &o.LevelBase)
		leave(o.Level.Text, "pulldown", &o.Pulldown)
		return left
	}
	leave(o.Switch.Text, "base", &o.Base)
	leave(o.Switch.Text, "pulldown", &o.Pulldown)
	return left
}

// nearestToGood prefers the typical mean current nearest to what was called good.
func nearestToGood(c *chooser, n *wiring.Network, i int, r unit.Ohm) float64 {
	o := &n.Outputs[i]
	lamp := n.Lamps[o.Lights[0].Lamp].Lamp
	if !lamp.Good.Known() || !n.Build.Track.Usual.Known() {
		return float64(r)
	}
	mean := require.LampMean(n, i, n.Typical(), n.Build.Track.Usual.Value)
	return -math.Abs(math.Log(mean / float64(lamp.Good.Value)))
}

func (c *chooser) decoder(d, asked *build.Decoder) error {
	c.supply(d)
	unmeasured := c.unmeasured(d)
	c.neverLit(d, unmeasured)
	// Provisional values make a circuit out of what is open; two rounds let each value see the others.
	for i := range d.Outputs {
		o := &d.Outputs[i]
		if !wiring.Answers(o) {
			continue
		}
		c.pickTransistors(d, o)
		for _, attr := range c.inside(o) {
			c.leftOut(d, o, attr)
		}
		for _, k := range c.knobs(o) {
			start(k, wiring.ValueOf(o, k.name))
		}
	}
	if a := d.Acknowledge; a != nil && !a.From.Open() {
		c.pickAnswer(d, a)
		for _, k := range answering() {
			start(k, answerValue(a, k.name))
		}
	}
	for _, k := range own(d) {
		if k.name == wiring.EarSeries || c.zener(d) {
			start(k, slot(d, nil, k.name))
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
		if n == nil {
			d.Listen.Series, d.Supply.Ballast, d.Acknowledge = asked.Listen.Series, asked.Supply.Ballast, asked.Acknowledge
		}
	}()
	if n == nil {
		return nil
	}
	// Two rounds let each output see the others; within a round they do not wait for each other.
	const rounds = 2
	picks := make([][]pick, len(n.Outputs))
	known := make([]*memory, len(n.Outputs))
	for range rounds {
		g, ctx := errgroup.WithContext(c.ctx)
		g.SetLimit(runtime.GOMAXPROCS(0))
		for i := range n.Outputs {
			o := &n.Outputs[i]
			knobs := answering()
			if !o.Acknowledge {
				now, _ := d.Output(o.Name)
				if knobs = c.knobs(now); unmeasured[o.Name] {
					continue
				}
			}
			if known[i] == nil {
				known[i] = newMemory()
			}
			g.Go(func() error {
				m, at, err := n.Alone(i, c.lamps)
				if err != nil {
					return err
				}
				m.Solver.SetStep(require.SearchStep)
				picks[i] = nil
				for _, k := range knobs {
					if !slot(asked, o, k.name).Open() || slot(d, o, k.name).None() {
						continue
					}
					if err := ctx.Err(); err != nil {
						return err
					}
					picks[i] = append(picks[i], c.choose(m, at, k, known[i]))
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
				*slot(d, &n.Outputs[i], p.k.name) = build.Given(p.now)
			}
		}
	}
	for _, k := range own(asked) {
		if k.name == wiring.EarSeries && n.Deaf() {
			d.Listen.Series = asked.Listen.Series
			continue
		}
		if slot(asked, nil, k.name).Open() && slot(d, nil, k.name).Known() {
			m := n.Clone()
			m.Solver.SetStep(require.SearchStep)
			p := c.choose(m, none, k, newMemory())
			try(n, none, k, p.now)
			*slot(d, nil, k.name) = build.Given(p.now)
			picks = append(picks, []pick{p})
		}
	}
	for _, p := range slices.Concat(picks...) {
		c.report(p.n, d, asked, p)
	}
	return nil
}

// key is the name under which survey keeps what it knows of a lamp.
func (c *chooser) key(d *build.Decoder, lamp string) string {
	if v, ok := c.b.VehicleOf(d); ok {
		return c.b.LampKey(v, lamp)
	}
	return lamp
}

// none is the output of what belongs to no output.
const none = -1

// start gives what is open a value to begin with.
func start(k knob, q *build.Quantity[unit.Ohm]) {
	if q.Open() {
		*q = build.Given(k.start)
	}
}

// unmeasured finds the outputs with a lamp that no reading describes: for them nothing can be chosen.
func (c *chooser) unmeasured(d *build.Decoder) map[string]bool {
	out := map[string]bool{}
	for i := range d.Outputs {
		o := &d.Outputs[i]
		open := false
		for _, k := range c.knobs(o) {
			open = open || wiring.ValueOf(o, k.name).Open()
		}
		if !wiring.Answers(o) || !open {
			continue
		}
		for _, name := range wiring.LampsOf(o) {
			p := c.lamps[c.key(d, name)]
			if p == nil || p.Surveyed || p.Dead || out[o.Name.Text] {
				continue
			}
			out[o.Name.Text] = true
			c.f.Verdicts = append(c.f.Verdicts, finding.Judgement{
				ID: wiring.OutputID(c.b, d, o) + ".series", Subject: "output " + o.Name.Text, Requirement: "resistors that hold everything", Verdict: finding.Unknown,
				Value: math.NaN(), Limit: math.NaN(), Margin: math.NaN(),
				Why: "lamp " + name + " was not measured, so its hidden resistor may be anything; one reading of voltage and current is a start (fettle survey says which)",
			})
		}
	}
	return out
}

// neverLit adds the outputs with a lamp that no value lights, which wait for another circuit.
func (c *chooser) neverLit(d *build.Decoder, waiting map[string]bool) {
	v, ok := c.b.VehicleOf(d)
	if !ok {
		return
	}
	for i := range d.Outputs {
		o := &d.Outputs[i]
		for _, name := range wiring.LampsOf(o) {
			if l, ok := v.Lamp(name); ok {
				_, _, never := wiring.NeverLit(d, o, l)
				waiting[o.Name.Text] = waiting[o.Name.Text] || never
			}
		}
	}
	c.f.Verdicts = append(c.f.Verdicts, require.Impossible(c.b, d)...)
}

// A bound is one side of the feasible interval.
type bound struct {
	r     unit.Ohm
	by    *require.Requirement // nil: the end of the searched range
	worst require.Worst
}

// A pick is the outcome for one resistor.
type pick struct {
	n          *wiring.Network // in which it was sought, with all values picked by now
	i          int             // its output there
	k          knob
	lo, hi     bound
	r          unit.Ohm // 0: nothing feasible
	now        unit.Ohm // what stands in the network meanwhile: r, or a stand-in
	fromDrawer bool
	tried      []candidate
	cannot     []string // what no value makes hold, in words; it only must not get worse
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
	n.Nominal(i, k.name, r)
}

func (c *chooser) choose(n *wiring.Network, i int, k knob, m *memory) pick {
	p := pick{n: n, i: i, k: k}
	sides := c.interval(n, i, k, &p, m)
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
	for _, it := range c.onHand(n, i, k.name) {
		if it.R >= k.from() && it.R <= mostOhm {
			list = append(list, it.R)
		}
	}
	if len(list) == 0 {
		list = parts.Between(k.from(), mostOhm, "E12")
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
	ease    float64 // taken off the slack: negative where no value of the resistor makes it hold
	out     [1]float64
}

// A memory is what is known of an output's requirements, by their ID: all its resistors share it, in all rounds.
type memory struct {
	corners  map[string][]require.Worst
	searched map[string]bool // with the resistor's name before it: whether the corner that only a large value shows was sought
}

func newMemory() *memory { return &memory{map[string][]require.Worst{}, map[string]bool{}} }

// sides are those of the requirements numbered, the tightest first. Where no corner is known yet, the likely one is
// sought at the resistor's present value.
func sides(n *wiring.Network, set *require.Set, which []int, m *memory) []*side {
	out := make([]*side, len(which))
	var unknown []int
	for j, q := range which {
		id := set.Requirements[q].ID
		one := set.One(q)
		s := &side{r: &one.Requirements[0], ev: one.On(n), corners: m.corners[id]}
		if len(s.corners) == 0 {
			unknown = append(unknown, q)
		}
		out[j] = s
	}
	for a, w := range set.Likely(n, unknown) {
		if s := out[slices.Index(which, unknown[a])]; w.Z != nil && !math.IsNaN(s.r.Slack(w.Value)) {
			s.corners = append(s.corners, w)
		}
	}
	slack := map[*side]float64{}
	for _, s := range out {
		slack[s], _ = s.slack()
	}
	slices.SortStableFunc(out, func(a, b *side) int { return cmp.Compare(slack[a], slack[b]) })
	return out
}

// seek climbs from the worst corner known at the resistor's present value and remembers where it comes to. It reports whether
// that is worse than what was known.
func (s *side) seek() bool {
	if len(s.corners) == 0 {
		return false
	}
	known, w := s.slack()
	return s.add(known, s.ev.Worsen(w))
}

func (s *side) add(known float64, w require.Worst) bool {
	now := s.r.Slack(w.Value) - s.ease
	if w.Z == nil || math.IsNaN(now) || now >= known-0.002 {
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
	return slack - s.ease, worst
}

// decides: a resistor that moves a requirement by less than this factor (as ln) over its whole range does not
// decide it.
const decides = 0.05

// perDecade is how finely the range of a resistor is scanned before edges are sought, to within edgeWithin (as ln).
const (
	perDecade  = 3
	edgeWithin = 0.002
)

// interval finds where the resistor holds every requirement it decides: for each the stretch around its best
// value, edges by bisection, with the worst corner sought anew at the edge until it stays.
func (c *chooser) interval(n *wiring.Network, i int, k knob, p *pick, m *memory) []*side {
	set := require.For(n)
	p.lo, p.hi = bound{r: k.from()}, bound{r: mostOhm}
	var deciding []*side
	narrow := func(s *side) {
		if harmless(n, i, k, s, p, deciding) {
			return
		}
		decided := c.stretch(n, i, k, s, p)
		m.corners[s.r.ID] = s.corners
		if decided {
			deciding = append(deciding, s)
		}
	}
	start := n.Value(i, k.name)
	core := set.Only(i, k.core...)
	for _, s := range sides(n, core, core.All(), m) {
		if at := k.name + " " + s.r.ID; s.r.Kind == require.Darkness && !m.searched[at] {
			m.searched[at] = true
			// What leaks through a switch hides what lifts its base, which only shows where the resistor is large, and there
			// only where several things come together.
			try(n, i, k, mostOhm/3)
			least, _ := s.slack()
			s.add(least, s.ev.Worst()[0])
		}
		narrow(s)
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
		var which []int
		for q := range out {
			if near[q] {
				which = append(which, q)
			}
		}
		try(n, i, k, unit.Ohm(math.Sqrt(float64(p.lo.r)*float64(p.hi.r))))
		for _, s := range sides(n, guard, which, m) {
			narrow(s)
		}
	}
	try(n, i, k, start)
	return deciding
}

// comes: what holds by this factor at both ends of what is left of a resistor's range and between does not bind in it.
const comes = 1.5

// harmless reports whether at both ends of what is left of the range, and between, the requirement stays clear of its limit and
// of the comfort that decides among values, or holds no worse than what decides already.
func harmless(n *wiring.Network, i int, k knob, s *side, p *pick, deciding []*side) bool {
	if p.lo.by == nil || p.hi.by == nil || !(p.lo.r < p.hi.r) {
		return false
	}
	for _, r := range []unit.Ohm{p.lo.r, unit.Ohm(math.Sqrt(float64(p.lo.r) * float64(p.hi.r))), p.hi.r} {
		try(n, i, k, r)
		x, _ := s.slack()
		if x > max(k.comfort, math.Log(comes)) {
			continue
		}
		least := math.Inf(1)
		for _, d := range deciding {
			y, _ := d.slack()
			least = math.Min(least, y)
		}
		if !(x >= least-edgeWithin) {
			return false
		}
	}
	return true
}

// stretch narrows what is left of the range to where the resistor holds the requirement: around the best of values scanned. It
// reports whether the resistor moves the requirement at all. What fails in all that is left is scanned over the whole range, so
// that it can be said what it would want.
func (c *chooser) stretch(n *wiring.Network, i int, k knob, s *side, p *pick) (decided bool) {
	at := func(ln float64) float64 {
		try(n, i, k, unit.Ohm(math.Exp(ln)))
		x, _ := s.slack()
		return x
	}
	mark := func(x float64) bound {
		try(n, i, k, unit.Ohm(math.Exp(x)))
		_, w := s.slack()
		return bound{r: unit.Ohm(math.Exp(x)), by: s.r, worst: w}
	}
	left, right := math.Log(float64(p.lo.r)), math.Log(float64(p.hi.r))
	var list, slack []float64
	best := 0
	scan := func() {
		steps := max(2, int(math.Round(perDecade*(right-left)/math.Ln10)))
		list, slack = make([]float64, steps+1), make([]float64, steps+1)
		for j := range list {
			list[j] = left + (right-left)*float64(j)/float64(steps)
			slack[j] = at(list[j])
		}
		best = slices.Index(slack, slices.Max(slack))
	}
	whole := !(p.lo.r < p.hi.r)
	if !whole {
		scan()
		whole = !(slack[best] > 0)
	}
	if whole {
		left, right = math.Log(float64(k.from())), math.Log(float64(mostOhm))
		scan()
	}
	least, last := slices.Min(slack), len(list)-1
	peak := list[best]
	if !(slack[best] > 0) && 0 < best && best < last {
		peak, slack[best] = highest(at, list[best-1], peak, list[best+1], slack[best])
	}
	if slack[best]-least < decides {
		return false // the proof judges it
	}
	if !(slack[best] > 0) && s.r.Kind == require.Darkness {
		// What leaks through the switch itself no resistor mends: the proof says so. Here it only must not get worse.
		s.ease = slack[best] - decides
		for j := range slack {
			slack[j] -= s.ease
		}
		p.cannot = append(p.cannot, s.r.Words)
	}
	if !(slack[best] > 0) {
		p.lo, p.hi = mark(peak), mark(peak)
		p.lo.r, p.hi.r = mostOhm, k.from()
		return true
	}
	edge := func(dir int) (bound, bool) {
		j := best // where the peak lies between scanned values, its neighbours do not hold
		for ; j+dir >= 0 && j+dir <= last && slack[j+dir] > 0; j += dir {
		}
		if j+dir < 0 || j+dir > last {
			return bound{}, false
		}
		in, out := list[j], list[j+dir]
		if j == best {
			in = peak
		}
		for range 4 {
			in = crossing(at, in, out)
			// Only an edge that may bind is worth another search.
			if r := unit.Ohm(math.Exp(in)); dir < 0 && r < p.lo.r || dir > 0 && r > p.hi.r {
				break
			}
			try(n, i, k, unit.Ohm(math.Exp(in)))
			if !s.seek() || at(in) > 0 {
				break
			}
			out = in
			in = peak
			if at(in) <= 0 {
				return bound{}, false
			}
		}
		return mark(in), true
	}
	if b, ok := edge(-1); ok && b.r > p.lo.r {
		p.lo = b
	}
	if b, ok := edge(+1); ok && b.r < p.hi.r {
		p.hi = b
	}
	return true
}

// crossing is the last place at which f is above 0 on the way from in, where it is, to out, where it is not, to within
// edgeWithin: regula falsi with halving (the Illinois rule), and bisection where f is not finite.
func crossing(f func(float64) float64, in, out float64) float64 {
	a, b := f(in), f(out)
	for math.Abs(out-in) > edgeWithin {
		m := (in + out) / 2
		if a > 0 && !math.IsInf(b, 0) {
			// A little to either side of the root, so that both ends close in on it.
			m = out + (in-out)*b/(b-a)
			m = max(min(m, max(in, out)-edgeWithin/3), min(in, out)+edgeWithin/3)
		}
		if x := f(m); x > 0 {
			in, a, b = m, x, b/2
		} else {
			out, b, a = m, x, a/2
		}
	}
	return in
}

// highest is where f is greatest between a and c, where m is greater than both, by golden section to a twentieth; with its
// value. It stops where f is above 0.
func highest(f func(float64) float64, a, m, c, at float64) (x, y float64) {
	const golden = 0.381966
	for c-a > 0.05 && !(at > 0) {
		t := m + golden*(c-m)
		if m-a > c-m {
			t = m - golden*(m-a)
		}
		switch v := f(t); {
		case v > at && t > m:
			a, m, at = m, t, v
		case v > at:
			c, m, at = m, t, v
		case t > m:
			c = t
		default:
			a = t
		}
	}
	return m, at
}

// candidates are the values in the interval: what the drawer holds, else E24. Each is judged at the corners
// that bound the interval; the one that is taken is proven over every corner afterwards.
func (c *chooser) candidates(n *wiring.Network, i int, k knob, sides []*side, lo, hi unit.Ohm) []candidate {
	var list []candidate
	for _, it := range c.onHand(n, i, k.name) {
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
			x, _ := s.slack()
			if s.ease != 0 && x > 0 || s.r.Kind == require.Light && k.name == "shunt" && x > comfortGuard {
				x = math.Max(x, k.comfort) // no better is to be had; the light is for the series resistor to set
			}
			if x < t.slack {
				t.slack, t.by = x, s.r.Words
			}
		}
		t.preferred = k.prefer(c, n, i, t.r)
	}
	return list
}

func (c *chooser) report(n *wiring.Network, d, asked *build.Decoder, p pick) {
	id, name, path, attr := c.names(n, d, p)
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
	for _, words := range p.cannot {
		v.Reason += fmt.Sprintf("; no value makes it %q, and this one is as good as any", words)
	}
	v.Working = c.working(n, p)
	c.f.Values = append(c.f.Values, v)
	c.edits = append(c.edits, build.Edit{Path: path, Attr: attr, Value: p.r.String()})
}

// names are the identifier of what was picked, its name, and where it stands in the build file.
func (c *chooser) names(n *wiring.Network, d *build.Decoder, p pick) (id, name string, path []string, attr string) {
	switch {
	case p.i != none:
		o := &n.Outputs[p.i]
		r, _ := o.Resistor(p.k.name)
		return o.ID + "." + p.k.name, r.Words + " of " + o.Of(), o.Path, p.k.name
	case p.k.name == wiring.EarSeries:
		id, name, path, attr = "ear.series", "resistor of the ear", []string{"decoder", d.Name.Text, "listen"}, "series"
	default:
		id, name, path, attr = "supply.ballast", "ballast resistor", []string{"decoder", d.Name.Text, "supply"}, "ballast"
	}
	if len(c.b.Decoders) > 1 {
		id = "decoder." + d.Name.Text + "." + id
		name += " of decoder " + d.Name.Text
	}
	return id, name, path, attr
}

// onHand is the drawer's resistors that fit where this one goes.
func (c *chooser) onHand(n *wiring.Network, i int, attr string) []parts.Stock {
	if i == none {
		return wiring.OnHand(c.b, &build.Output{Package: n.Decoder.Supply.Package}, attr)
	}
	return wiring.OnHand(c.b, n.Outputs[i].Output, attr)
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
	if by := p.hi.by; by != nil && by.Held > 0 && p.lo.by != by {
		try(n, p.i, p.k, p.lo.r)
		if w, ok := worstLight(n, p.i, by.ID); ok && by.Margin(w.Value*by.Held) >= 0 {
			j.Verdict, j.Why = finding.Unknown, fmt.Sprintf("%s: needs the circuit in time, for it may do where the reservoir holds: %s", finding.NotBuilt, j.Why)
		}
	}
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
	switch p.k.name {
	case wiring.EarSeries:
		return "another pin, or less voltage on the track"
	case wiring.Ballast:
		return "a regulator: a zener must burn at the highest voltage what the chip needs at the lowest"
	case "load":
		return "two resistors that share the heat, or a larger package"
	case "base", "level_base":
		return "another transistor (more gain at this current, or a lower VCE(sat)), or less lamp current"
	case "pulldown", "pullup":
		return "another transistor (less ICBO), or less heat where it sits (ambient_high): what leaks into the base grows with it"
	}
	if b := p.lo.by; b != nil && strings.HasSuffix(b.ID, ".series-power") && p.hi.r >= leastOhm {
		return fmt.Sprintf("two resistors that share the heat: two of %s side by side make %s; or a larger package (package = \"1206\")", parts.Up(2*p.hi.r, "E12"), parts.Up(2*p.hi.r, "E12")/2)
	}
	o := &n.Outputs[p.i]
	// What light would hold at the bound that the ratings and upper limits leave?
	if p.hi.by != nil && p.hi.by.AtLeast {
		r := leastOhm
		if p.lo.by != nil && p.lo.by != p.hi.by {
			r = c.next(n, p.i, p.k, p.lo.r)
		}
		try(n, p.i, p.k, r)
		if w, ok := worstLight(n, p.i, p.hi.by.ID); ok {
			mend := fmt.Sprintf("ask for at most %s there (%s gives %s at its worst corner)", roundDown(0.98*w.Value), r, unit.Amp(w.Value))
			if o.Lights[0].HalfWave() {
				mend += fmt.Sprintf("; or feed lamp %s from the rectified plus, which doubles its mean current at the same peak", n.Lamps[o.Lights[0].Lamp].Name)
				if n.Single {
					mend += " as far as the reservoir holds"
				}
			}
			return mend
		}
	}
	return "raise what excludes it, or move the lamp's limits apart"
}

// worstLight is the worst case of one of an output's requirements of light.
func worstLight(n *wiring.Network, i int, id string) (w require.Worst, ok bool) {
	set := require.For(n).Only(i, require.Light)
	for q := range set.Requirements {
		if set.Requirements[q].ID == id {
			return set.One(q).On(n).Worst()[0], true
		}
	}
	return w, false
}

// pair says which two resistors of the drawer make up the value, where they come within the interval.
func (c *chooser) pair(n *wiring.Network, p pick) string {
	for _, k := range parts.Combinations(p.r, c.onHand(n, p.i, p.k.name), 1) {
		if k.R > p.lo.r && k.R < p.hi.r {
			return fmt.Sprintf(" alone, but %s would (%s)", k, k.R)
		}
	}
	return ""
}

// next is the smallest resistor of the drawer, else of E24, that is not below r.
func (c *chooser) next(n *wiring.Network, i int, k knob, r unit.Ohm) unit.Ohm {
	for _, it := range c.onHand(n, i, k.name) {
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
