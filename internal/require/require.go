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
// Not modelled: edges, capacitors, stretched zeros, self-heating of the junctions (each is judged for its own
// rise in temperature, but the electrical laws run at the ambient).
package require

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"fettle/internal/build"
	"fettle/internal/circuit"
	"fettle/internal/finding"
	"fettle/internal/parts"
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
	Darkness   Kind = "darkness"   // decided by the pull-down
	Supply     Kind = "supply"
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
	needs              []wiring.State
	scene              []int
	measure            func(ops []*wiring.Operating) float64
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
	view   [4]*wiring.Operating
}

func (s *Set) On(n *wiring.Network) *Evaluator {
	return &Evaluator{Net: n, Set: s, ops: make([]wiring.Operating, len(s.States))}
}

// Eval installs z, solves every state and measures every requirement into out. What depends on a state that
// did not solve is NaN.
func (e *Evaluator) Eval(z, out []float64) {
	e.Net.Set(z)
	for i, st := range e.Set.States {
		sol := e.Net.Solve(st)
		e.Net.Read(sol, &e.ops[i])
		if sol.Status != circuit.Solved {
			e.Failed++
		}
	}
	for i := range e.Set.Requirements {
		r := &e.Set.Requirements[i]
		view := e.view[:0]
		ok := true
		for _, k := range r.scene {
			view = append(view, &e.ops[k])
			ok = ok && e.ops[k].Solution.Status == circuit.Solved
		}
		out[i] = math.NaN()
		if ok {
			out[i] = r.measure(view)
		}
	}
}

// Operating is the i-th state as last solved.
func (e *Evaluator) Operating(i int) *wiring.Operating { return &e.ops[i] }

// For lists every requirement of the network.
func For(n *wiring.Network) *Set {
	s := &Set{}
	for i := range n.Outputs {
		s.light(n, i)
		s.darkness(n, i)
		s.saturation(n, i)
		s.ratings(n, i)
		if j, ok := flickers(n.Outputs[i].Output, n.Decoder.Chip.Frequency); ok {
			j.ID = n.Outputs[i].ID + ".flicker"
			s.Unjudged = append(s.Unjudged, j)
		}
	}
	s.chip(n)
	s.order()
	return s
}

func states(left, right bool, d wiring.Drive, u unit.Volt) []wiring.State {
	var st []wiring.State
	if left {
		st = append(st, wiring.State{LeftPositive: true, Drive: d, Track: u})
	}
	if right {
		st = append(st, wiring.State{LeftPositive: false, Drive: d, Track: u})
	}
	return st
}

// both is DCC: both polarities.
func both(d wiring.Drive, u unit.Volt) []wiring.State { return states(true, true, d, u) }

// lit is the polarity in which the output's lamp conducts (for a full-wave feed either will do).
func lit(o *wiring.OutputNet, d wiring.Drive, u unit.Volt) []wiring.State {
	left := !o.HalfWave || o.LeftFed
	return states(left, !left, d, u)
}

func at(u unit.Volt) string { return "track " + u.String() }

// meanOf, largestOf, smallestOf fold one quantity of one output over the states.
func meanOf(i int, share float64, f func(*wiring.OutputOperating) float64) func([]*wiring.Operating) float64 {
	return func(ops []*wiring.Operating) float64 {
		sum := 0.0
		for _, op := range ops {
			sum += f(&op.Out[i])
		}
		return share * sum / float64(len(ops))
	}
}

func largestOf(i int, f func(*wiring.OutputOperating) float64) func([]*wiring.Operating) float64 {
	return func(ops []*wiring.Operating) float64 {
		most := math.Inf(-1)
		for _, op := range ops {
			most = math.Max(most, f(&op.Out[i]))
		}
		return most
	}
}

func smallestOf(i int, f func(*wiring.OutputOperating) float64) func([]*wiring.Operating) float64 {
	g := largestOf(i, func(o *wiring.OutputOperating) float64 { return -f(o) })
	return func(ops []*wiring.Operating) float64 { return -g(ops) }
}

// lampCurrent is the current that gives light: what leaks backwards gives none.
func lampCurrent(o *wiring.OutputOperating) float64 { return math.Max(0, float64(o.Lamp)) }

// DCCShare is the share of the time in which the lamp conducts on DCC without stretched zeros.
func DCCShare(o *wiring.OutputNet) float64 {
	if o.HalfWave {
		return 0.5
	}
	return 1
}

// light: good at the usual voltage, still seen at the lowest, never above at the highest.
func (s *Set) light(n *wiring.Network, i int) {
	o, tr := &n.Outputs[i], n.Build.Track
	subject := "lamp " + o.LampName
	id := o.ID + "."
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
		default:
			r.Limit, r.At = float64(q.Value), at(u.Value)
			s.add(r)
		}
	}
	l := o.Lamp
	// A lamp on one rail conducts in one polarity only, one on the rectified plus alike in both: one state tells.
	on := func(u build.Quantity[unit.Volt]) []wiring.State { return lit(o, wiring.On, u.Value) }
	mean := meanOf(i, share*DCCShare(o), lampCurrent)
	ask("good", l.Good, tr.Usual, "good", "good at the usual voltage (mean on DCC)",
		Requirement{AtLeast: true, needs: on(tr.Usual), measure: mean})
	ask("seen", l.Seen, tr.Low, "seen", "still seen at the lowest (mean on DCC)",
		Requirement{AtLeast: true, needs: on(tr.Low), measure: mean})
	ask("never_above", l.NeverAbove, tr.High, "never-above", "never above at the highest (mean on DCC)",
		Requirement{needs: on(tr.High), measure: mean})
	// Without a peak of its own the mean's limit stands for both; a peak that is written is of one LED.
	if l.PeakAbove.Known() {
		ask("peak_never_above", l.PeakAbove, tr.High, "never-above-peak", "never above at the highest (peak, each LED)",
			Requirement{needs: on(tr.High), measure: largestOf(i, perLED(o))})
	} else {
		ask("never_above", l.NeverAbove, tr.High, "never-above-peak", "never above at the highest (peak)",
			Requirement{needs: on(tr.High), measure: largestOf(i, lampCurrent)})
	}

	for _, dc := range []struct {
		wanted bool
		left   bool // forward: the right rail is positive (NEM 631)
		name   string
	}{
		{tr.DC.Text == build.DCForward || tr.DC.Text == build.DCBoth, false, "forward"},
		{tr.DC.Text == build.DCReverse || tr.DC.Text == build.DCBoth, true, "reverse"},
	} {
		if !dc.wanted {
			continue
		}
		ask("seen", l.Seen, tr.Low, "dc-"+dc.name+"-seen", "still seen at the lowest on DC "+dc.name,
			Requirement{AtLeast: true, needs: states(dc.left, !dc.left, wiring.On, tr.Low.Value), measure: meanOf(i, share, lampCurrent)})
		ask("never_above", l.NeverAbove, tr.High, "dc-"+dc.name+"-never-above", "never above at the highest on DC "+dc.name,
			Requirement{needs: states(dc.left, !dc.left, wiring.On, tr.High.Value), measure: meanOf(i, share, lampCurrent)})
	}
}

// perLED is the current of one LED where all rows share alike; readings that leave the rows open are taken at the
// fewest.
func perLED(o *wiring.OutputNet) func(*wiring.OutputOperating) float64 {
	_, rows := o.Post.Fewest()
	return func(o *wiring.OutputOperating) float64 { return lampCurrent(o) / float64(rows) }
}

// LitShare is the largest share of the time in which the lamp conducts: on DCC, or on DC where that is asked for in
// the direction that lights it.
func LitShare(n *wiring.Network, i int) float64 {
	o := &n.Outputs[i]
	switch dc := n.Build.Track.DC.Text; {
	case dc == build.DCBoth, dc == build.DCForward && !o.LeftFed, dc == build.DCReverse && o.LeftFed:
		return 1
	}
	return DCCShare(o)
}

// LampMean is the mean lamp current of output i on DCC at point z and track voltage u, everything on.
func LampMean(n *wiring.Network, i int, z []float64, u unit.Volt) float64 {
	o := &n.Outputs[i]
	op := operate(n, z, lit(o, wiring.On, u)[0])
	return lampCurrent(&op.Out[i]) * DCCShare(o) * float64(o.Output.Brightness.Or(1))
}

func (s *Set) unjudged(r Requirement, why string) {
	s.Unjudged = append(s.Unjudged, finding.Judgement{
		ID: r.ID, Subject: r.Subject, Requirement: r.Words, Verdict: finding.Unknown,
		Value: unit.Absent[float64](), Limit: unit.Absent[float64](), Margin: unit.Absent[float64](), Unit: r.Unit, Why: why,
	})
}

func (s *Set) darkness(n *wiring.Network, i int) {
	o := &n.Outputs[i]
	high := n.Build.Track.High.Or(Ceiling(n.Vehicle.Scale.Text))
	leak := largestOf(i, func(o *wiring.OutputOperating) float64 { return math.Abs(float64(o.Lamp)) })
	for _, c := range []struct {
		name, words string
		d           wiring.Drive
	}{{"dark-off", "dark when off", wiring.Off}, {"dark-reset", "dark while the chip is in reset", wiring.Reset}} {
		s.add(Requirement{
			ID: o.ID + "." + c.name, Subject: "lamp " + o.LampName, Words: c.words, Kind: Darkness, Output: i,
			Limit: float64(DarkLimit), Unit: unit.SymAmp, Source: "visible light begins at a few microamperes: common practice, no source",
			Sure: "common practice", At: at(high), needs: lit(o, c.d, high), measure: leak,
		})
	}
}

func (s *Set) saturation(n *wiring.Network, i int) {
	o, tr := &n.Outputs[i], n.Build.Track
	id, subject := o.ID+".", "switch of output "+o.Name
	for _, l := range []struct {
		name, words string
		u           build.Quantity[unit.Volt]
	}{{"low", "lowest", tr.Low}, {"high", "highest", tr.High}} {
		r := Requirement{ID: id + "saturated-" + l.name, Subject: subject, Words: "saturated at the " + l.words, Kind: Saturation, Output: i, Unit: unit.SymVolt}
		over := Requirement{ID: id + "overdrive-" + l.name, Subject: subject, Words: "driven hard enough at the " + l.words, Kind: Saturation, Output: i, Unit: "×"}
		if !l.u.Known() {
			s.unjudged(r, "the track block does not say that voltage")
			s.unjudged(over, "the track block does not say that voltage")
			continue
		}
		r.Limit, r.At, r.needs = float64(SaturatedBelow), at(l.u.Value), lit(o, wiring.On, l.u.Value)
		r.Source = "VCE below 0.3 V: the collector junction conducts too. Common practice, no source"
		r.Sure = "common practice"
		r.measure = largestOf(i, func(o *wiring.OutputOperating) float64 { return float64(o.VCE) })
		s.add(r)
		over.AtLeast, over.Limit, over.At, over.needs = true, Overdrive, at(l.u.Value), lit(o, wiring.On, l.u.Value)
		over.Source = "3 for hard on, 2 the lowest accepted: common practice, no source"
		over.Sure = "common practice"
		over.measure = func(ops []*wiring.Operating) float64 { return n.OverdriveOf(i, ops[0]) }
		s.add(over)
	}
}

func (s *Set) ratings(n *wiring.Network, i int) {
	o, tr := &n.Outputs[i], n.Build.Track
	ceil := Ceiling(n.Vehicle.Scale.Text)
	high := tr.High.Or(ceil)
	hot := tr.AmbientHigh.Or(wiring.AmbientHigh)
	id, sw, lamp := o.ID+".", "switch of output "+o.Name, "LED of lamp "+o.LampName
	p := o.Part
	rate := func(name, subject, words string, limit float64, sym, source string, u unit.Volt, needs []wiring.State, m func([]*wiring.Operating) float64) {
		if !unit.Known(limit) {
			s.unjudged(Requirement{ID: id + name, Subject: subject, Words: words, Unit: sym}, "no rating is known")
			return
		}
		s.add(Requirement{ID: id + name, Subject: subject, Words: words, Kind: Rating, Output: i, Limit: limit, Unit: sym,
			Source: source, Sure: "absolute rating", At: at(u), needs: needs, measure: m})
	}
	atCeiling := " at the standard's ceiling"
	series, rows := o.Post.Fewest()
	words := ""
	if rows > 1 {
		words = " each, shared equally"
	}
	share := LitShare(n, i)
	if share > DCCShare(o) {
		words += ", on DC"
	}
	rate("led-mean", lamp, "mean current"+atCeiling+words, float64(o.Post.IFmax), unit.SymAmp, "IF max, "+o.Post.Ratings, ceil, lit(o, wiring.On, ceil), meanOf(i, share, perLED(o)))
	rate("led-peak", lamp, "peak current"+atCeiling+words, float64(o.Post.IFpeak), unit.SymAmp, "IF peak, "+o.Post.Ratings, ceil, lit(o, wiring.On, ceil), largestOf(i, perLED(o)))
	rate("led-reverse", lamp, "reverse voltage"+atCeiling, float64(o.Post.VRmax)*float64(series), unit.SymVolt, "VR max, "+o.Post.Ratings, ceil,
		append(both(wiring.On, ceil), both(wiring.Off, ceil)...), largestOf(i, func(o *wiring.OutputOperating) float64 { return -float64(o.LED) }))

	src := p.Source
	vce := func(o *wiring.OutputOperating) float64 { return float64(o.VCE) }
	rate("vceo", sw, "collector voltage when off"+atCeiling, float64(p.VCEO), unit.SymVolt, "VCEO, "+src, ceil, lit(o, wiring.Off, ceil), largestOf(i, vce))
	s.add(Requirement{ID: id + "collector-low", Subject: sw, Words: "collector never below minus" + atCeiling, Kind: Rating, Output: i, AtLeast: true,
		Limit: -float64(unit.Or(p.VEBO, 4)), Unit: unit.SymVolt, At: at(ceil), Sure: "absolute rating",
		Source: "turned round, only VEBO blocks: " + src, needs: append(both(wiring.On, ceil), both(wiring.Off, ceil)...), measure: smallestOf(i, vce)})
	rate("ic", sw, "collector current"+atCeiling, float64(p.IC), unit.SymAmp, "IC max, "+src, ceil, lit(o, wiring.On, ceil),
		largestOf(i, func(o *wiring.OutputOperating) float64 { return float64(o.IC) }))
	if unit.Known(p.IB) {
		rate("ib", sw, "base current"+atCeiling, float64(p.IB), unit.SymAmp, "IB max, "+src, ceil, lit(o, wiring.On, ceil),
			largestOf(i, func(o *wiring.OutputOperating) float64 { return float64(o.IB) }))
	}
	rth, tj := float64(p.RthJA), float64(unit.Or(p.TjMax, 150))
	if unit.Known(p.RthJA) {
		s.add(Requirement{ID: id + "switch-heat", Subject: sw, Words: "junction temperature at the highest", Kind: Rating, Output: i,
			Limit: tj, Unit: unit.SymCelsius, At: at(high) + ", " + hot.String(), Sure: "absolute rating",
			Source: fmt.Sprintf("Tj max with Rth(ja) %s, ×1/%.1f in a closed car (own judgement): %s", p.RthJA, ClosedCar, src), needs: lit(o, wiring.On, high),
			measure: func(ops []*wiring.Operating) float64 {
				op := ops[0]
				return float64(op.Ambient) + float64(op.Out[i].Switch)*rth/ClosedCar
			}})
	}
	pack := wiring.PackageOf(n.Build, o.Output)
	if rp, ok := n.Build.Catalogue.ResistorPackage(pack); ok {
		derate := rp.Power(hot)
		for _, r := range []struct {
			name, words string
			share       float64 // of the time; what hangs on the chip's pin does not wait for a polarity
			heat        func(*wiring.OutputOperating) float64
			volt        func(*wiring.OutputOperating) float64
		}{
			{"series", "series resistor", share, func(o *wiring.OutputOperating) float64 { return float64(o.Series) }, func(o *wiring.OutputOperating) float64 { return math.Abs(float64(o.Socket - o.VCE)) }},
			{"base", "base resistor", 1, func(o *wiring.OutputOperating) float64 { return float64(o.Base) }, func(o *wiring.OutputOperating) float64 { return math.Abs(float64(o.Pin - o.VBE)) }},
			{"pulldown", "pull-down", 1, func(o *wiring.OutputOperating) float64 { return float64(o.Pulldown) }, func(o *wiring.OutputOperating) float64 { return math.Abs(float64(o.VBE)) }},
		} {
			if r.name == "pulldown" && o.Output.Pulldown.Text == "none" {
				continue
			}
			rate(r.name+"-power", r.words+" of output "+o.Name, "heat"+atCeiling, float64(derate), unit.SymWatt, pack+": "+rp.Source, ceil, lit(o, wiring.On, ceil), meanOf(i, r.share, r.heat))
			rate(r.name+"-voltage", r.words+" of output "+o.Name, "voltage across it"+atCeiling, float64(rp.VWork), unit.SymVolt, pack+": "+rp.Source, ceil, lit(o, wiring.On, ceil), largestOf(i, r.volt))
		}
	}
	if sk, ok := n.Build.Catalogue.Socket(n.Vehicle.Socket.Text); ok && unit.Known(sk.Contact) && o.Lamp.Pin.Known() {
		rate("contact", fmt.Sprintf("socket pin %d", o.Lamp.Pin.Value), "contact current"+atCeiling, float64(sk.Contact), unit.SymAmp, sk.Name+": "+sk.Source, ceil,
			lit(o, wiring.On, ceil), largestOf(i, lampCurrent))
	}
}

// supply: what rectifier and regulator must stand. Their edges and the reservoir need the circuit in time.
func (s *Set) supply(n *wiring.Network) {
	ceil := Ceiling(n.Vehicle.Scale.Text)
	high := n.Build.Track.High.Or(ceil)
	add := func(r Requirement, u unit.Volt, d wiring.Drive, f func(op *wiring.Operating) float64) {
		r.Kind, r.Output, r.At, r.needs = Supply, -1, at(u), busy(n, d, u)
		if r.Sure == "" {
			r.Sure = "absolute rating"
		}
		r.measure = func(ops []*wiring.Operating) float64 {
			most := math.Inf(-1)
			for _, op := range ops {
				most = math.Max(most, f(op))
			}
			return most
		}
		if unit.Known(r.Limit) {
			s.add(r)
		}
	}
	rect, reg := "rectifier "+n.Rectifier.Name, "regulator "+n.RegPart.Name
	const ceiling = " at the standard's ceiling"
	// A bridge puts the whole track across each diode that blocks, and all but two drops on the regulator: for
	// both the track itself is a safe bound that needs no circuit.
	s.bound("supply.rectifier-voltage", rect, "reverse voltage"+ceiling, ceil, n.Rectifier.VRRM, "VRRM, "+n.Rectifier.Source)
	s.bound("supply.regulator-voltage", reg, "input voltage"+ceiling, ceil, n.RegPart.VinAbsMax, "absolute maximum of the input, "+n.RegPart.Source)
	add(Requirement{ID: "supply.rectifier-current", Subject: rect, Words: "current" + ceiling + ", everything on", Limit: float64(n.Rectifier.IF), Unit: unit.SymAmp, Source: "IF, " + n.Rectifier.Source},
		ceil, wiring.On, func(op *wiring.Operating) float64 { return float64(op.Rail) })
	add(Requirement{ID: "supply.regulator-current", Subject: reg, Words: "current it gives" + ceiling + ", everything on", Limit: float64(n.RegPart.IoutMax), Unit: unit.SymAmp, Source: "Iout max, " + n.RegPart.Source},
		ceil, wiring.On, func(op *wiring.Operating) float64 { return float64(op.Load) })
	add(Requirement{ID: "chip.supply-high", Subject: "chip " + n.Chip.Name, Words: "supply" + ceiling, Limit: float64(n.Chip.VCCAbsMax), Unit: unit.SymVolt, Source: "absolute maximum of VCC, " + n.Chip.Source},
		ceil, wiring.Off, func(op *wiring.Operating) float64 { return float64(op.VCC) })
	if sk, ok := n.Build.Catalogue.Socket(n.Vehicle.Socket.Text); ok {
		add(Requirement{ID: "supply.contact", Subject: "socket " + sk.Name, Words: "all current through one contact" + ceiling, Limit: float64(sk.Contact), Unit: unit.SymAmp, Source: sk.Source, Sure: "standard"},
			ceil, wiring.On, func(op *wiring.Operating) float64 { return float64(op.Rail) })
	}
	if unit.Known(n.RegPart.RthJA) && unit.Known(n.RegPart.TjMax) {
		rth := float64(n.RegPart.RthJA) / ClosedCar
		add(Requirement{ID: "supply.regulator-heat", Subject: reg, Words: "junction temperature at the highest, everything on", Limit: float64(n.RegPart.TjMax), Unit: unit.SymCelsius,
			Source: fmt.Sprintf("Tj max with Rth(ja) %s, ×1/%.1f in a closed car (own judgement): %s", n.RegPart.RthJA, ClosedCar, n.RegPart.Source)},
			high, wiring.On, func(op *wiring.Operating) float64 { return float64(op.Ambient) + rth*float64(op.Regulator) })
	}
}

// busy is the polarities in which some lamp conducts; where all hang on the rectified plus either will do.
func busy(n *wiring.Network, d wiring.Drive, u unit.Volt) []wiring.State {
	left, right := false, false
	for i := range n.Outputs {
		o := &n.Outputs[i]
		left = left || o.HalfWave && o.LeftFed
		right = right || o.HalfWave && !o.LeftFed
	}
	return states(left || !right, right, d, u)
}

// bound judges a part by the track voltage alone.
func (s *Set) bound(id, subject, words string, track, limit unit.Volt, source string) {
	if !unit.Known(limit) {
		s.unjudged(Requirement{ID: id, Subject: subject, Words: words, Unit: unit.SymVolt}, "no rating is known")
		return
	}
	r := Requirement{Limit: float64(limit)}
	v := float64(track)
	j := finding.Judgement{ID: id, Subject: subject, Requirement: words, Verdict: r.Judge(v, 0), Value: v, Limit: r.Limit, Sense: r.Sense(), Margin: r.Margin(v),
		Unit: unit.SymVolt, Worst: at(track), Method: "the track itself, drops left out", Confidence: "absolute rating", Source: source}
	if j.Verdict == finding.Fails {
		j.Mend = "a part for a higher voltage"
	}
	s.Unjudged = append(s.Unjudged, j)
}

// PinPoint is the point at which the chip's high level is guaranteed: at the highest supply of the sheet that is not
// above vcc, else at the lowest.
func PinPoint(c parts.Chip, vcc unit.Volt) (best parts.OutputPoint) {
	for _, p := range c.VOH {
		if p.Pin == "" && (best.VCC == 0 || p.VCC <= vcc && (p.VCC > best.VCC || best.VCC > vcc) || best.VCC > vcc && p.VCC < best.VCC) {
			best = p
		}
	}
	return best
}

// PinSource is where the chip's high level at vcc is stated.
func PinSource(c parts.Chip, vcc unit.Volt) string {
	if p := PinPoint(c, vcc); p.VCC > 0 {
		return fmt.Sprintf("VOH ≥ %s at %s, VCC %s (%s): %s", p.V, p.I, p.VCC, p.Evidence, p.Source)
	}
	return c.Source
}

// figureSource is the source of a line of the chip's table.
func figureSource(c parts.Chip, quantity string) string {
	for _, f := range c.Figures {
		if f.Quantity == quantity {
			return fmt.Sprintf("%s (%s)", f.Source, f.Evidence)
		}
	}
	return c.Source
}

func (s *Set) chip(n *wiring.Network) {
	if len(n.Outputs) == 0 {
		return
	}
	high := n.Build.Track.High.Or(Ceiling(n.Vehicle.Scale.Text))
	low := n.Build.Track.Low.Or(7)
	c := n.Chip
	for i := range n.Outputs {
		o := &n.Outputs[i]
		out := func(o *wiring.OutputOperating) float64 { return float64(o.PinOut) }
		s.add(Requirement{ID: o.ID + ".pin-current", Subject: "chip pin " + o.Output.From.Text, Words: "pin current where its level is guaranteed", Kind: Saturation, Output: i,
			Limit: float64(PinPoint(c, n.RegPart.Vout).I), Unit: unit.SymAmp, At: at(high), Source: PinSource(c, n.RegPart.Vout), Sure: "datasheet test point",
			needs: lit(o, wiring.On, high), measure: largestOf(i, out)})
	}
	total := func(ops []*wiring.Operating) float64 {
		sum := 0.0
		for _, o := range ops[0].Out {
			sum += math.Max(0, float64(o.PinOut))
		}
		return sum
	}
	s.supply(n)
	if unit.Known(c.SumHigh) {
		s.add(Requirement{ID: "chip.total", Subject: "chip " + c.Name, Words: "all pins together, everything on", Kind: Supply, Output: -1, Limit: float64(c.SumHigh), Unit: unit.SymAmp,
			At: at(high), Source: "sum of IOH, static design limit: " + figureSource(c, "sum_high"), Sure: "design limit", needs: busy(n, wiring.On, high), measure: total})
	}
	if v, source := wiring.MinimumSupply(c, n.Decoder.Chip.Frequency); unit.Known(v) {
		s.add(Requirement{ID: "chip.supply-low", Subject: "chip " + c.Name, Words: "supply at the lowest, everything on", Kind: Supply, Output: -1, AtLeast: true, Limit: float64(v), Unit: unit.SymVolt,
			At: at(low), Source: source, Sure: "datasheet", needs: busy(n, wiring.On, low), measure: func(ops []*wiring.Operating) float64 {
				least := math.Inf(1)
				for _, op := range ops {
					least = math.Min(least, float64(op.VCC))
				}
				return least
			}})
	}
}

// order puts states with the same drive and polarity side by side, by rising track voltage: each is then a
// good start for the next.
func (s *Set) order() {
	rank := func(st wiring.State) float64 {
		r := 1000 * float64(st.Drive)
		if st.LeftPositive {
			r += 500
		}
		return r + float64(st.Track)
	}
	old := append([]wiring.State(nil), s.States...)
	sort.SliceStable(s.States, func(i, j int) bool { return rank(s.States[i]) < rank(s.States[j]) })
	for q := range s.Requirements {
		for k, was := range s.Requirements[q].scene {
			s.Requirements[q].scene[k] = slices.Index(s.States, old[was])
		}
	}
}

// One is the set of a single requirement.
func (s *Set) One(q int) *Set {
	out := &Set{}
	r := s.Requirements[q]
	r.scene = nil
	out.add(r)
	return out
}
