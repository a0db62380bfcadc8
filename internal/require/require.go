// Package require is the one home of requirements, limits and margins: choose, prove and all later questions
// judge by it.
//
// A requirement names the static states it needs, measures one number from the solved states and holds it
// against one limit with a source. Survival is judged against absolute ratings at the ceiling of the standard
// (24 V at the track for N and smaller: NMRA S-9.1, 7 March 2020, table 3), comfort at the user's own highest
// voltage. On DCC both polarities follow each other and, without stretched zeros, last equally long: a lamp
// on one rail conducts for half the time, and its mean current is half its peak; what leaks backwards in the
// other half gives no light and does not count.
//
// Behind a single diode, which feeds the decoder in one polarity alone, see single.go.
//
// A filament's light follows the mean of its current's square; of two outputs on one lamp each is judged with the other off.
//
// Not modelled: edges, capacitors, stretched zeros, self-heating of the junctions (each is judged for its own
// rise in temperature, but the electrical laws run at the ambient).
package require

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"fettle/internal/build"
	"fettle/internal/circuit"
	"fettle/internal/finding"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// Limits that are not the user's own and not a part's rating.
const (
	// DarkLimit: modern LEDs are visible at a few microamperes, so an output that is off must stay below
	// 1 µA. Common practice, no source.
	DarkLimit = unit.Amp(1e-6)
	// SaturatedBelow: a switch with less across it is saturated. Common practice, no source; the sheet's own
	// points decide on which level of trust the claim rests.
	SaturatedBelow = unit.Volt(0.3)
	// PairBelow is that of a pair, whose second transistor has the first's VCE and its own VBE across it.
	PairBelow = unit.Volt(1.2)
	// Overdrive: base current over what the gain needs; 3 for "hard on", 2 the lowest accepted. Common
	// practice, no source.
	Overdrive = 3.0
	// CloseShare: a verdict is "close" when the margin is below 5 % of the limit.
	CloseShare = 0.05
	// ClosedCar: share of a datasheet's thermal ability left on a small board in a closed vehicle. Own
	// judgement, no source.
	ClosedCar = 0.6
)

// Ceilings of the standard for the track voltage, NMRA S-9.1 (7 March 2020), table 3.
const (
	ceilingN     = unit.Volt(24)
	ceilingLarge = unit.Volt(27)
	CeilingFrom  = "NMRA S-9.1, 7 March 2020, table 3"
)

// Ceiling is the track voltage that a decoder of the scale must survive.
func Ceiling(scale string) unit.Volt {
	switch scale {
	case "", "N", "Z", "T", "n", "z":
		return ceilingN
	}
	return ceilingLarge
}

// Kind groups requirements by what a choice can change.
type Kind string

const (
	Light      Kind = "light"      // what the eye sees: decided by the series resistor
	Rating     Kind = "rating"     // what a part must stand
	Saturation Kind = "saturation" // decided by the base resistor
	Level      Kind = "level"      // of a level transistor: decided by its base resistor
	Darkness   Kind = "darkness"   // decided by the pull-down, on the high side by the pull-up too
	Supply     Kind = "supply"
	Ear        Kind = "ear"    // decided by the ear's resistor
	Answer     Kind = "answer" // decided by the load that answers on the programming track
)

// A Requirement is one number that must stand to one limit.
type Requirement struct {
	ID, Subject, Words string
	Kind               Kind
	Output             int // index in the network, −1: the whole decoder
	AtLeast            bool
	Limit              float64
	Unit               string
	Source             string // of the limit
	At                 string // "track 14 V": the level it is judged at
	Sure               string // of the limit: "written by you", "guaranteed", "from memory"
	// Held, of what one half-wave alone must reach: how many times as much it may be where the reservoir holds in the other
	// half-wave; else 0.
	Held    float64
	needs   []wiring.State
	scene   []int
	measure func(ops []*wiring.Operating) float64
}

// Sense is "≥" or "≤".
func (r *Requirement) Sense() string {
	if r.AtLeast {
		return "≥"
	}
	return "≤"
}

// Margin is by how much value holds, as a share of the limit; negative where it fails. A limit of zero
// gives the value itself.
func (r *Requirement) Margin(value float64) float64 {
	d := value - r.Limit
	if !r.AtLeast {
		d = -d
	}
	if r.Limit == 0 {
		return d
	}
	return d / math.Abs(r.Limit)
}

// Slack is the margin as a factor, for comparing unlike requirements: ln(value/limit), with the sign that
// positive holds. Beyond e¹⁰ it counts as far off, and so do values of the other sign.
func (r *Requirement) Slack(value float64) float64 {
	const far = 10
	if r.Limit == 0 || value == 0 || (value < 0) != (r.Limit < 0) {
		if r.Margin(value) >= 0 {
			return far
		}
		return -far
	}
	s := math.Log(value / r.Limit)
	if !r.AtLeast {
		s = -s
	}
	if r.Limit < 0 {
		s = -s
	}
	return math.Max(-far, math.Min(far, s))
}

// Judge turns the worst value into a verdict; uncertainty is in the unit of the value (0: none stated).
func (r *Requirement) Judge(worst, uncertainty float64) finding.Verdict {
	switch m := r.Margin(worst); {
	case math.IsNaN(m):
		return finding.Unknown
	case m < 0:
		return finding.Fails
	case m < CloseShare || math.Abs(worst-r.Limit) < uncertainty:
		return finding.Close
	}
	return finding.Holds
}

// A Set is requirements with the states they share: every state is solved once for all of them.
type Set struct {
	Requirements []Requirement
	States       []wiring.State
	Unjudged     []finding.Judgement // what needs no circuit, and what could not be turned into a requirement and why
}

// add appends a requirement and gathers the states it needs.
func (s *Set) add(r Requirement) {
	for _, st := range r.needs {
		k := -1
		for i, have := range s.States {
			if have == st {
				k = i
			}
		}
		if k < 0 {
			k = len(s.States)
			s.States = append(s.States, st)
		}
		r.scene = append(r.scene, k)
	}
	s.Requirements = append(s.Requirements, r)
}

// Only is the subset of the given kinds and output (−1: all outputs), with only the states it needs.
func (s *Set) Only(output int, kinds ...Kind) *Set {
	out := &Set{}
	for _, r := range s.Requirements {
		for _, k := range kinds {
			if r.Kind == k && (output < 0 || r.Output == output) {
				r.scene = nil
				out.add(r)
				break
			}
		}
	}
	out.order()
	return out
}

// An Evaluator measures a set on one network; it belongs to one goroutine.
type Evaluator struct {
	Net    *wiring.Network
	Set    *Set
	Failed int // states that did not solve
	ops    []wiring.Operating
	needed []bool                      // per state, at the present point
	all    []int                       // every requirement
	known  func(z, out []float64) bool // what need not be solved again; may be nil
	view   [4]*wiring.Operating
}

func (s *Set) On(n *wiring.Network) *Evaluator {
	e := &Evaluator{Net: n, Set: s, ops: make([]wiring.Operating, len(s.States)), needed: make([]bool, len(s.States))}
	e.all = s.All()
	return e
}

// Eval installs z, solves every state and measures every requirement into out. What depends on a state that
// did not solve is NaN.
func (e *Evaluator) Eval(z, out []float64) {
	if e.known == nil || !e.known(z, out) {
		e.Some(z, nil, out)
	}
}

// Some is Eval of the requirements numbered (nil: all), which solves the states that they need; the rest of out stays.
func (e *Evaluator) Some(z []float64, which []int, out []float64) {
	e.Net.Set(z)
	if which == nil {
		which = e.all
	}
	clear(e.needed)
	for _, q := range which {
		for _, k := range e.Set.Requirements[q].scene {
			e.needed[k] = true
		}
	}
	for k, needed := range e.needed {
		if !needed {
			continue
		}
		sol := e.Net.Solve(e.Set.States[k])
		if e.Net.Read(sol, &e.ops[k]); sol.Status != circuit.Solved {
			e.Failed++
		}
	}
	e.measure(which, out)
}

// measure takes the requirements numbered from the states as they were last read.
func (e *Evaluator) measure(which []int, out []float64) {
	for _, q := range which {
		r := &e.Set.Requirements[q]
		view, ok := e.view[:0], true
		for _, k := range r.scene {
			view = append(view, &e.ops[k])
			ok = ok && e.ops[k].Solution.Status == circuit.Solved
		}
		out[q] = math.NaN()
		if ok {
			out[q] = r.measure(view)
		}
	}
}

// Operating is the i-th state as last solved.
func (e *Evaluator) Operating(i int) *wiring.Operating { return &e.ops[i] }

// For lists every requirement of the network.
func For(n *wiring.Network) *Set {
	s := &Set{}
	for i := range n.Outputs {
		o := &n.Outputs[i]
		if o.Acknowledge {
			s.answer(n, i)
			continue
		}
		for k := range o.Lights {
			s.light(n, i, k)
		}
		s.darkness(n, i)
		for _, t := range o.Transistors() {
			if t != o.Driver {
				s.saturation(n, i, t)
			}
			s.transistor(n, i, t)
		}
		s.lamps(n, i)
		s.resistors(n, i)
		if j, ok := flickers(o.Output, n.Decoder.Chip.Frequency); ok {
			j.ID = o.ID + ".flicker"
			s.Unjudged = append(s.Unjudged, j)
		}
	}
	s.chip(n)
	s.ear(n)
	s.order()
	return s
}

func states(left, right bool, d wiring.Drive, u unit.Volt, which uint32) []wiring.State {
	var st []wiring.State
	if left {
		st = append(st, wiring.State{LeftPositive: true, Drive: d, Track: u, Which: which})
	}
	if right {
		st = append(st, wiring.State{LeftPositive: false, Drive: d, Track: u, Which: which})
	}
	return st
}

// both is DCC: both polarities.
func both(d wiring.Drive, u unit.Volt, which uint32) []wiring.State {
	return states(true, true, d, u, which)
}

// lit is the polarity in which the light conducts (for a full-wave feed either will do).
func lit(l wiring.LightNet, d wiring.Drive, u unit.Volt, which uint32) []wiring.State {
	return states(l.Left, !l.Left, d, u, which)
}

// conducting is the polarities in which some lamp of the output conducts.
func conducting(n *wiring.Network, i int, d wiring.Drive, u unit.Volt) []wiring.State {
	return polarities(n, n.Outputs[i].Lights, d, u, n.With(i))
}

// polarities is those in which some of the lights conduct; where all conduct in either, one in which the rectifier feeds the
// decoder will do.
func polarities(n *wiring.Network, lights []wiring.LightNet, d wiring.Drive, u unit.Volt, which uint32) []wiring.State {
	left, right := false, false
	for _, l := range lights {
		left = left || l.Left && !l.Right
		right = right || l.Right && !l.Left
	}
	if !left && !right {
		return fed(n, d, u, which)
	}
	return states(left, right, d, u, which)
}

func at(u unit.Volt) string { return "track " + u.String() }

// meanOf, largestOf, smallestOf fold one quantity over the states.
func meanOf(share float64, f func(*wiring.Operating) float64) func([]*wiring.Operating) float64 {
	return func(ops []*wiring.Operating) float64 {
		sum := 0.0
		for _, op := range ops {
			sum += f(op)
		}
		return share * sum / float64(len(ops))
	}
}

func largestOf(f func(*wiring.Operating) float64) func([]*wiring.Operating) float64 {
	return func(ops []*wiring.Operating) float64 {
		most := math.Inf(-1)
		for _, op := range ops {
			most = math.Max(most, f(op))
		}
		return most
	}
}

func smallestOf(f func(*wiring.Operating) float64) func([]*wiring.Operating) float64 {
	g := largestOf(func(op *wiring.Operating) float64 { return -f(op) })
	return func(ops []*wiring.Operating) float64 { return -g(ops) }
}

// LightID is the identifier of a lamp as an output lights it: the output's, with the lamp's name behind it where the
// output has several.
func LightID(n *wiring.Network, i, k int) string {
	o := &n.Outputs[i]
	if len(o.Lights) < 2 {
		return o.ID + "."
	}
	return o.ID + ".lamp." + n.Lamps[o.Lights[k].Lamp].Name + "."
}

// light: good at the usual voltage, still seen at the lowest, never above at the highest.
func (s *Set) light(n *wiring.Network, i, k int) {
	o, tr := &n.Outputs[i], n.Build.Track
	light := o.Lights[k]
	lamp := &n.Lamps[light.Lamp]
	if light.Most == 0 {
		return // Impossible says so
	}
	subject, id := subjectOf(n, light), LightID(n, i, k)
	share := float64(o.Output.Brightness.Or(1))
	const yours = "the build file: what you asked for"
	ask := func(attr string, q build.Quantity[unit.Amp], u build.Quantity[unit.Volt], name, words string, r Requirement) {
		r.ID, r.Subject, r.Words, r.Kind, r.Output, r.Unit, r.Sure = id+name, subject, words, Light, i, unit.SymAmp, "written by you"
		r.Source = yours + " (" + attr + ")"
		switch {
		case !q.Known():
			s.unjudged(r, "the lamp says no "+attr+" current")
		case !u.Known():
			s.unjudged(r, "the track block does not say that voltage")
		case r.measure == nil:
			s.later(r.ID, r.Subject, r.Words, inTime)
		default:
			r.Limit, r.At = float64(q.Value), at(u.Value)
			s.add(r)
		}
	}
	l, which := lamp.Lamp, n.With(i)
	gives := func(op *wiring.Operating) float64 { return float64(light.Light(op)) }
	wave := "mean on DCC"
	sure, most := share*light.Sure, share*light.Most
	if lamp.Post.Structure == wiring.FilamentLamp {
		// What glows is heated by the mean of the current's square: that current counts which would heat it alike.
		sure, most, share, wave = math.Sqrt(sure), math.Sqrt(most), math.Sqrt(share), "rms on DCC"
	}
	least, full := wave, wave
	if light.Held() {
		least, full = wave+", from the diode's half-wave alone", wave+", the reservoir holding"
	}
	// A lamp on one rail conducts in one polarity only, one on the rectified plus alike in both: one state tells.
	on := func(u build.Quantity[unit.Volt]) []wiring.State { return lit(light, wiring.On, u.Value, which) }
	reach := func(u build.Quantity[unit.Volt]) Requirement {
		if sure == 0 {
			return Requirement{} // on the reservoir alone
		}
		r := Requirement{AtLeast: true, needs: on(u), measure: meanOf(sure, gives)}
		if light.Held() {
			r.Held = most / sure
		}
		return r
	}
	ask("good", l.Good, tr.Usual, "good", "good at the usual voltage ("+least+")", reach(tr.Usual))
	ask("seen", l.Seen, tr.Low, "seen", "still seen at the lowest ("+least+")", reach(tr.Low))
	ask("never_above", l.NeverAbove, tr.High, "never-above", "never above at the highest ("+full+")",
		Requirement{needs: on(tr.High), measure: meanOf(most, gives)})
	// Without a peak of its own the mean's limit stands for both; a peak that is written is of one LED.
	if l.PeakAbove.Known() {
		ask("peak_never_above", l.PeakAbove, tr.High, "never-above-peak", "never above at the highest (peak, each LED)",
			Requirement{needs: on(tr.High), measure: largestOf(perLED(n, light))})
	} else {
		ask("never_above", l.NeverAbove, tr.High, "never-above-peak", "never above at the highest (peak)",
			Requirement{needs: on(tr.High), measure: largestOf(gives)})
	}

	for _, dc := range onDC(n) {
		if !n.Feeds(dc.left) {
			continue // directions says so
		}
		ask("seen", l.Seen, tr.Low, "dc-"+dc.name+"-seen", "still seen at the lowest on DC "+dc.name,
			Requirement{AtLeast: true, needs: states(dc.left, !dc.left, wiring.On, tr.Low.Value, which), measure: meanOf(share, gives)})
		ask("never_above", l.NeverAbove, tr.High, "dc-"+dc.name+"-never-above", "never above at the highest on DC "+dc.name,
			Requirement{needs: states(dc.left, !dc.left, wiring.On, tr.High.Value, which), measure: meanOf(share, gives)})
	}
	if lamp.Post.Pair() {
		s.add(Requirement{
			ID: id + "other-dark", Subject: subject, Words: "the other colour dark while this one is lit", Kind: Light, Output: i,
			Limit: float64(DarkLimit), Unit: unit.SymAmp, Source: "visible light begins at a few microamperes: common practice, no source",
			Sure: "common practice", At: at(tr.High.Or(Ceiling(n.Vehicle.Scale.Text))), needs: both(wiring.On, tr.High.Or(Ceiling(n.Vehicle.Scale.Text)), which),
			measure: largestOf(func(op *wiring.Operating) float64 {
				other := light
				other.Back = !light.Back
				return float64(other.Light(op))
			}),
		})
	}
}

// subjectOf names what a light is: the lamp, of a pair face to face with the colour.
func subjectOf(n *wiring.Network, l wiring.LightNet) string {
	lamp := &n.Lamps[l.Lamp]
	text := lamp.Words
	if !lamp.Post.Pair() {
		return text
	}
	if l.Back {
		return text + " (" + cmp.Or(lamp.Lamp.Back.Text, "back") + ")"
	}
	return text + " (" + cmp.Or(lamp.Lamp.LEDs.Text, "front") + ")"
}

// perLED is the current of one LED where all rows share alike; readings that leave the rows open are taken at the
// fewest.
func perLED(n *wiring.Network, l wiring.LightNet) func(*wiring.Operating) float64 {
	_, rows := n.Lamps[l.Lamp].Post.Fewest()
	return func(op *wiring.Operating) float64 { return float64(l.Light(op)) / float64(rows) }
}

// LitShare is the largest share of the time in which a light conducts: on DCC, or on DC where that is asked for in the
// direction that lights it.
func LitShare(n *wiring.Network, l wiring.LightNet) float64 {
	switch dc := n.Build.Track.DC.Text; {
	case dc == build.DCBoth, dc == build.DCForward && l.Right, dc == build.DCReverse && l.Left:
		return 1
	}
	return l.Most
}

// share is the largest share of the time in which some lamp of output i conducts.
func share(n *wiring.Network, i int) float64 {
	most := 0.0
	left, right := false, false
	for _, l := range n.Outputs[i].Lights {
		most = math.Max(most, LitShare(n, l))
		left, right = left || l.Left, right || l.Right
	}
	if left && right || len(n.Outputs[i].Lights) == 0 {
		return 1
	}
	return most
}

// LampMean is the mean current of the first lamp of output i on DCC at point z and track voltage u, everything on.
func LampMean(n *wiring.Network, i int, z []float64, u unit.Volt) float64 {
	o := &n.Outputs[i]
	if len(o.Lights) == 0 {
		return math.NaN()
	}
	l := o.Lights[0]
	op := operate(n, z, lit(l, wiring.On, u, n.With(i))[0])
	share := l.Sure
	if share == 0 {
		share = l.Most
	}
	return float64(l.Light(op)) * share * float64(o.Output.Brightness.Or(1))
}

func (s *Set) unjudged(r Requirement, why string) {
	s.Unjudged = append(s.Unjudged, finding.Judgement{
		ID: r.ID, Subject: r.Subject, Requirement: r.Words, Verdict: finding.Unknown,
		Value: unit.Absent[float64](), Limit: unit.Absent[float64](), Margin: unit.Absent[float64](), Unit: r.Unit, Why: why,
	})
}

// darkness is what a lamp may pass and stay dark.
func darkness(p *wiring.LampPosterior) (unit.Amp, string) {
	if p.Structure == wiring.FilamentLamp {
		return p.Best.Filament.LitI / 10, "a tenth of its rated current leaves a filament below 798 K, where glow is first seen (Draper point, from memory)"
	}
	return DarkLimit, "visible light begins at a few microamperes: common practice, no source"
}

func (s *Set) darkness(n *wiring.Network, i int) {
	o := &n.Outputs[i]
	high := n.Build.Track.High.Or(Ceiling(n.Vehicle.Scale.Text))
	for k, l := range o.Lights {
		limit, source := darkness(n.Lamps[l.Lamp].Post)
		leak := largestOf(func(op *wiring.Operating) float64 { return math.Abs(float64(op.Lamps[l.Lamp].Through)) })
		needs := func(d wiring.Drive) []wiring.State { return lit(l, d, high, 0) }
		// The diode's rail below the minus drives a current backwards through lamp and switch.
		if p := n.Lamps[l.Lamp].Post; p.Pair() || n.Single && p.Structure.BothWays() {
			needs = func(d wiring.Drive) []wiring.State { return both(d, high, 0) }
		}
		for _, c := range []struct {
			name, words string
			d           wiring.Drive
		}{{"dark-off", "dark when off", wiring.Off}, {"dark-reset", "dark while the chip is in reset", wiring.Reset}} {
			s.add(Requirement{
				ID: LightID(n, i, k) + c.name, Subject: n.Lamps[l.Lamp].Words, Words: c.words, Kind: Darkness, Output: i,
				Limit: float64(limit), Unit: unit.SymAmp, Source: source,
				Sure: "common practice", At: at(high), needs: needs(c.d), measure: leak,
			})
		}
	}
}

// prefix is how the identifiers of a transistor's requirements begin; those of the switch itself have nothing.
func prefix(o *wiring.OutputNet, t *wiring.Transistor) string {
	switch t {
	case o.Level:
		return o.ID + ".level-"
	case o.Driver:
		return o.ID + ".driver-"
	}
	return o.ID + "."
}

// of is the transistor's numbers in a state.
func of(i int, t *wiring.Transistor) func(*wiring.Operating) *wiring.TransistorOperating {
	return func(op *wiring.Operating) *wiring.TransistorOperating { return op.Out[i].Of(t) }
}

func (s *Set) saturation(n *wiring.Network, i int, t *wiring.Transistor) {
	tr := n.Build.Track
	levels := []level{{"low", "lowest", tr.Low}, {"high", "highest", tr.High}}
	s.saturated(n, i, t, levels, func(u unit.Volt) []wiring.State { return conducting(n, i, wiring.On, u) })
}

// A level is a track voltage at which something is judged.
type level struct {
	name, words string
	u           build.Quantity[unit.Volt]
}

func (s *Set) saturated(n *wiring.Network, i int, t *wiring.Transistor, levels []level, needs func(unit.Volt) []wiring.State) {
	o := &n.Outputs[i]
	id, kind, op := prefix(o, t), Saturation, of(i, t)
	if t == o.Level {
		kind = Level
	}
	for _, l := range levels {
		r := Requirement{ID: id + "saturated-" + l.name, Subject: t.Words, Words: "saturated at the " + l.words, Kind: kind, Output: i, Unit: unit.SymVolt}
		over := Requirement{ID: id + "overdrive-" + l.name, Subject: t.Words, Words: "driven hard enough at the " + l.words, Kind: kind, Output: i, Unit: "×"}
		if t.FET != nil {
			r.Words = "fully on at the " + l.words
			over.ID, over.Words, over.Unit = id+"gate-"+l.name, "gate voltage where RDS(on) is guaranteed, at the "+l.words, unit.SymVolt
		}
		if !l.u.Known() {
			s.unjudged(r, "the track block does not say that voltage")
			s.unjudged(over, "the track block does not say that voltage")
			continue
		}
		r.Limit, r.At, r.needs = float64(SaturatedBelow), at(l.u.Value), needs(l.u.Value)
		over.Words = whileFed(n, over.Words, r.needs)
		r.Source = "VCE below 0.3 V: the collector junction conducts too. Common practice, no source"
		r.Sure = "common practice"
		r.measure = largestOf(func(x *wiring.Operating) float64 { return float64(op(x).Across) })
		over.AtLeast, over.At, over.needs = true, at(l.u.Value), needs(l.u.Value)
		if t.FET != nil {
			r.Source = "less than 0.3 V lost in the switch: common practice, no source"
			p, ok := t.FET.LeastOn()
			if !ok {
				s.unjudged(over, "its sheet guarantees RDS(on) at no gate voltage, and you measured none (rdson_measured in the drawer)")
				s.add(r)
				continue
			}
			over.Limit, over.Sure = float64(p.VGS), "guaranteed"
			over.Source = fmt.Sprintf("RDS(on) at most %s at VGS %s, the lowest that its sheet guarantees: %s", p.Max, p.VGS, t.Source)
			if p.Measured {
				over.Words = strings.Replace(over.Words, "RDS(on) is guaranteed", "RDS(on) was measured", 1)
				over.Sure, over.Source = "measured by you", fmt.Sprintf("RDS(on) at most %s at VGS %s, the lowest that you measured or its sheet lists", p.Max, p.VGS)
			}
			over.measure = smallestOf(func(x *wiring.Operating) float64 { return float64(op(x).Input) })
		} else {
			if t == o.Switch && o.Driver != nil {
				r.Limit, r.Words = float64(PairBelow), "held on at the "+l.words
				r.Source = "a pair keeps a junction more across it than one transistor: common practice, no source"
			}
			over.Limit = Overdrive
			over.Source = "3 for hard on, 2 the lowest accepted: common practice, no source"
			over.Sure = "common practice"
			over.measure = smallestOf(func(x *wiring.Operating) float64 { return overdrive(x, i, t) })
		}
		r.Words = whileFed(n, r.Words, r.needs)
		s.add(r)
		s.add(over)
	}
}

// overdrive is the base current of a transistor over what its gain needs; of a pair what flows into the first over what the
// gains of both need.
func overdrive(x *wiring.Operating, i int, t *wiring.Transistor) float64 {
	out := &x.Out[i]
	if d := &out.Driver; t.Role == "switch" && d.Through != 0 {
		return float64(d.Drive) * d.Gain(x.Ambient) * out.Switch.Gain(x.Ambient) / math.Max(float64(out.Through), 1e-6)
	}
	return out.Of(t).Overdrive(x.Ambient)
}

// rate adds a requirement that holds a part's rating, or says that no rating is known.
func (s *Set) rate(i int, id, subject, words string, limit float64, sym, source string, u unit.Volt, needs []wiring.State, m func([]*wiring.Operating) float64) {
	if !unit.Known(limit) {
		s.unjudged(Requirement{ID: id, Subject: subject, Words: words, Unit: sym}, "no rating is known")
		return
	}
	s.add(Requirement{ID: id, Subject: subject, Words: words, Kind: Rating, Output: i, Limit: limit, Unit: sym,
		Source: source, Sure: "absolute rating", At: at(u), needs: needs, measure: m})
}

const atCeiling = " at the standard's ceiling"

// lamps: what the LEDs and the plug's contact must stand.
func (s *Set) lamps(n *wiring.Network, i int) {
	o, ceil := &n.Outputs[i], Ceiling(n.Vehicle.Scale.Text)
	which := n.With(i)
	for k, l := range o.Lights {
		lamp := &n.Lamps[l.Lamp]
		id := LightID(n, i, k)
		if rating := lamp.Post.RatingsOf(l.Back); lamp.Post.HasLEDs() {
			subject := "LED of " + subjectOf(n, l)
			series, rows := lamp.Post.Fewest()
			words := ""
			if rows > 1 {
				words = " each, shared equally"
			}
			share := LitShare(n, l)
			if share > l.Most {
				words += ", on DC"
			}
			s.rate(i, id+"led-mean", subject, "mean current"+atCeiling+words, float64(rating.IFmax), unit.SymAmp, "IF max, "+rating.Source, ceil, lit(l, wiring.On, ceil, which), meanOf(share, perLED(n, l)))
			s.rate(i, id+"led-peak", subject, "peak current"+atCeiling+words, float64(rating.IFpeak), unit.SymAmp, "IF peak, "+rating.Source, ceil, lit(l, wiring.On, ceil, which), largestOf(perLED(n, l)))
			sign := -1.0
			if l.Back {
				sign = 1
			}
			s.rate(i, id+"led-reverse", subject, "reverse voltage"+atCeiling, float64(rating.VRmax)*float64(series), unit.SymVolt, "VR max, "+rating.Source, ceil,
				append(both(wiring.On, ceil, which), both(wiring.Off, ceil, 0)...), largestOf(func(op *wiring.Operating) float64 { return sign * float64(op.Lamps[l.Lamp].Across) }))
		}
		if sk, ok := n.Build.Catalogue.Socket(n.Vehicle.Socket.Text); ok && unit.Known(sk.Contact) && lamp.Lamp.Pin.Known() {
			s.rate(i, id+"contact", fmt.Sprintf("socket pin %d", lamp.Lamp.Pin.Value), "contact current"+atCeiling, float64(sk.Contact), unit.SymAmp, sk.Name+": "+sk.Source, ceil,
				lit(l, wiring.On, ceil, which), largestOf(func(op *wiring.Operating) float64 { return math.Abs(float64(op.Lamps[l.Lamp].Through)) }))
		}
	}
}

// transistor: what a transistor of an output must stand.
func (s *Set) transistor(n *wiring.Network, i int, t *wiring.Transistor) {
	tr, ceil := n.Build.Track, Ceiling(n.Vehicle.Scale.Text)
	s.stands(n, i, t, ceil, tr.High.Or(ceil), func(d wiring.Drive, u unit.Volt) []wiring.State {
		if d == wiring.Off {
			return polarities(n, n.Outputs[i].Lights, d, u, 0)
		}
		return conducting(n, i, d, u)
	}, both)
}

// stands judges a transistor's ratings at the voltage it must survive, and its heat at the highest in use.
func (s *Set) stands(n *wiring.Network, i int, t *wiring.Transistor, ceil, high unit.Volt, needs func(wiring.Drive, unit.Volt) []wiring.State, any func(wiring.Drive, unit.Volt, uint32) []wiring.State) {
	o := &n.Outputs[i]
	id, op := prefix(o, t), of(i, t)
	hot := n.Build.Track.AmbientHigh.Or(wiring.AmbientHigh)
	which := n.With(i)
	across := func(x *wiring.Operating) float64 { return float64(op(x).Across) }
	through := func(x *wiring.Operating) float64 { return float64(op(x).Through) }
	var rth unit.KelvinPerWatt
	var tj unit.Celsius
	if q := t.FET; q != nil {
		s.rate(i, id+"vds", t.Words, "drain voltage when off"+atCeiling, float64(q.VDS), unit.SymVolt, "VDS, "+t.Source, ceil, needs(wiring.Off, ceil), largestOf(across))
		s.rate(i, id+"vgs", t.Words, "gate voltage"+atCeiling, float64(q.VGS), unit.SymVolt, "VGS, "+t.Source, ceil, needs(wiring.On, ceil),
			largestOf(func(x *wiring.Operating) float64 { return math.Abs(float64(op(x).Input)) }))
		s.rate(i, id+"id", t.Words, "drain current"+atCeiling, float64(q.ID), unit.SymAmp, "ID, "+t.Source, ceil, needs(wiring.On, ceil), largestOf(through))
		rth, tj = q.RthJA, 150
	} else {
		p := t.BJT
		s.rate(i, id+"vceo", t.Words, "collector voltage when off"+atCeiling, float64(p.VCEO), unit.SymVolt, "VCEO, "+t.Source, ceil, needs(wiring.Off, ceil), largestOf(across))
		low := "collector never below minus"
		if t.High {
			low = "collector never above plus"
		}
		s.add(Requirement{ID: id + "collector-low", Subject: t.Words, Words: low + atCeiling, Kind: Rating, Output: i, AtLeast: true,
			Limit: -float64(unit.Or(p.VEBO, 4)), Unit: unit.SymVolt, At: at(ceil), Sure: "absolute rating",
			Source: "turned round, only VEBO blocks: " + t.Source, needs: append(any(wiring.On, ceil, which), any(wiring.Off, ceil, 0)...), measure: smallestOf(across)})
		s.rate(i, id+"ic", t.Words, "collector current"+atCeiling, float64(p.IC), unit.SymAmp, "IC max, "+t.Source, ceil, needs(wiring.On, ceil), largestOf(through))
		if unit.Known(p.IB) && !t.Prebiased() {
			s.rate(i, id+"ib", t.Words, "base current"+atCeiling, float64(p.IB), unit.SymAmp, "IB max, "+t.Source, ceil, needs(wiring.On, ceil),
				largestOf(func(x *wiring.Operating) float64 { return float64(op(x).Drive) }))
		}
		rth, tj = p.RthJA, unit.Or(p.TjMax, 150)
	}
	if glows(n, i) {
		peak, name := peakOf(t)
		cold := slices.Clone(needs(wiring.On, ceil))
		for k := range cold {
			cold[k].Cold = true
		}
		s.rate(i, id+"inrush", t.Words, "current at the moment of switching on, filaments cold,"+atCeiling, float64(peak), unit.SymAmp, name+", "+t.Source, ceil, cold, largestOf(through))
	}
	if unit.Known(rth) {
		s.add(Requirement{ID: id + "switch-heat", Subject: t.Words, Words: "junction temperature at the highest", Kind: Rating, Output: i,
			Limit: float64(tj), Unit: unit.SymCelsius, At: at(high) + ", " + hot.String(), Sure: "absolute rating",
			Source: fmt.Sprintf("Tj max with Rth(ja) %s, ×1/%.1f in a closed car (own judgement): %s", rth, ClosedCar, t.Source), needs: needs(wiring.On, high),
			measure: largestOf(func(x *wiring.Operating) float64 {
				return float64(x.Ambient) + float64(op(x).Heat)*float64(rth)/ClosedCar
			})})
	}
}

// glows reports whether a filament hangs on the output.
func glows(n *wiring.Network, i int) bool {
	return slices.ContainsFunc(n.Outputs[i].Lights, func(l wiring.LightNet) bool { return n.Lamps[l.Lamp].Post.Structure == wiring.FilamentLamp })
}

// peakOf is the current that a transistor stands for milliseconds: its peak rating, else the continuous one.
func peakOf(t *wiring.Transistor) (unit.Amp, string) {
	if q := t.FET; q != nil {
		if unit.Known(q.IDM) {
			return q.IDM, "ID peak"
		}
		return q.ID, "ID"
	}
	if unit.Known(t.BJT.ICM) {
		return t.BJT.ICM, "IC peak"
	}
	return t.BJT.IC, "IC max"
}

// resistors: heat and voltage of an output's own resistors.
func (s *Set) resistors(n *wiring.Network, i int) {
	o, ceil := &n.Outputs[i], Ceiling(n.Vehicle.Scale.Text)
	needs := conducting(n, i, wiring.On, ceil)
	for k := range o.Resistors {
		r := &o.Resistors[k]
		pack := wiring.PackageOf(n.Build, o.Output, r.Attr)
		rp, ok := n.Build.Catalogue.ResistorPackage(pack)
		if !ok {
			continue
		}
		derate := rp.Power(n.Build.Track.AmbientHigh.Or(wiring.AmbientHigh))
		of := 1.0 // of the time; what hangs on the chip's pin does not wait for a polarity
		if r.Load {
			of = share(n, i)
		}
		id := o.ID + "." + strings.ReplaceAll(r.Attr, "_", "-")
		subject := r.Words + " of " + o.Of()
		s.rate(i, id+"-power", subject, "heat"+atCeiling, float64(derate), unit.SymWatt, pack+": "+rp.Source, ceil, needs, meanOf(of, func(op *wiring.Operating) float64 { return float64(op.Out[i].R[k].Heat) }))
		s.rate(i, id+"-voltage", subject, "voltage across it"+atCeiling, float64(rp.VWork), unit.SymVolt, pack+": "+rp.Source, ceil, needs, largestOf(func(op *wiring.Operating) float64 { return float64(op.Out[i].R[k].Across) }))
	}
}

// order puts states with the same drive and polarity side by side, by rising track voltage: each is then a
// good start for the next.
func (s *Set) order() {
	side := func(st wiring.State) int {
		if st.LeftPositive {
			return 1
		}
		return 0
	}
	cold := func(st wiring.State) int {
		if st.Cold {
			return 1
		}
		return 0
	}
	old := slices.Clone(s.States)
	slices.SortStableFunc(s.States, func(a, b wiring.State) int {
		return cmp.Or(cold(a)-cold(b), cmp.Compare(a.Drive, b.Drive), cmp.Compare(a.Which, b.Which), cmp.Compare(side(a), side(b)), cmp.Compare(a.Track, b.Track))
	})
	for q := range s.Requirements {
		for k, was := range s.Requirements[q].scene {
			s.Requirements[q].scene[k] = slices.Index(s.States, old[was])
		}
	}
}

// All numbers every requirement.
func (s *Set) All() []int {
	all := make([]int, len(s.Requirements))
	for q := range all {
		all[q] = q
	}
	return all
}

// One is the set of a single requirement.
func (s *Set) One(q int) *Set {
	out := &Set{}
	r := s.Requirements[q]
	r.scene = nil
	out.add(r)
	return out
}
