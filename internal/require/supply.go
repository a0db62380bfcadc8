package require

import (
	"fmt"
	"math"

	"fettle/internal/finding"
	"fettle/internal/parts"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// What an answer on the programming track must be, NMRA S-9.2.3 D (2012): at least 60 mA more than at rest for 6 ms; and
// what a programming track gives for longer than 100 ms (S-9.2.3 B).
const (
	AnswerLeast = unit.Amp(0.060)
	AnswerMost  = unit.Amp(0.250)
	AnswerFrom  = "NMRA S-9.2.3, section D"
)

// judge appends a requirement of the whole decoder; a limit that is not known leaves it out.
func (s *Set) judge(r Requirement, u unit.Volt, needs []wiring.State, measure func([]*wiring.Operating) float64) {
	if !unit.Known(r.Limit) {
		return
	}
	if r.Kind == "" {
		r.Kind = Supply
	}
	if r.Sure == "" {
		r.Sure = "absolute rating"
	}
	r.Output, r.At, r.needs, r.measure = -1, at(u), needs, measure
	s.add(r)
}

// supply: what rectifier and regulator must stand. Their edges and the reservoir need the circuit in time.
func (s *Set) supply(n *wiring.Network) {
	ceil := Ceiling(n.Vehicle.Scale.Text)
	high := n.Build.Track.High.Or(ceil)
	hot := n.Build.Track.AmbientHigh.Or(wiring.AmbientHigh)
	name, source := n.SupplyPart()
	rect := "rectifier " + n.Rectifier.Name
	// A bridge puts the whole track across each diode that blocks, one diode alone twice of it, for its reservoir stays at
	// the peak, and all but the drops on the regulator: for all the track itself is a safe bound that needs no circuit.
	blocks, behind := "reverse voltage"+atCeiling, "the track itself, drops left out"
	if n.Single {
		blocks, behind = blocks+": the track and the reservoir in a row", "twice the track, drops left out"
	}
	s.bound("supply.rectifier-voltage", rect, blocks, ceil, unit.Volt(refill(n))*ceil, n.Rectifier.VRRM, "VRRM, "+n.Rectifier.Source, behind)
	current := "current" + atCeiling + ", everything on"
	if n.Single {
		current += ", and in the same half-wave what the reservoir gave in the other"
	}
	s.judge(Requirement{ID: "supply.rectifier-current", Subject: rect, Words: current, Limit: float64(n.Rectifier.IF), Unit: unit.SymAmp, Source: "IF, " + n.Rectifier.Source},
		ceil, busy(n, wiring.On, ceil), largestOf(func(op *wiring.Operating) float64 { return refill(n) * float64(op.Rectified) }))
	load := func(op *wiring.Operating) float64 { return float64(op.Load) }
	heat := func(tj unit.Celsius, rth unit.KelvinPerWatt, subject, words, source string, needs []wiring.State, u unit.Volt) {
		if !unit.Known(rth) || !unit.Known(tj) {
			return
		}
		k := float64(rth) / ClosedCar
		s.judge(Requirement{ID: "supply.regulator-heat", Subject: subject, Words: words, Limit: float64(tj), Unit: unit.SymCelsius,
			Source: fmt.Sprintf("Tj max with Rth(ja) %s, ×1/%.1f in a closed car (own judgement): %s", rth, ClosedCar, source)},
			u, needs, largestOf(func(op *wiring.Operating) float64 { return float64(op.Ambient) + k*float64(op.Regulator) }))
	}
	if r := n.RegPart; r != nil {
		reg := "regulator " + name
		s.bound("supply.regulator-voltage", reg, "input voltage"+atCeiling, ceil, ceil, r.VinAbsMax, "absolute maximum of the input, "+source, "the track itself, drops left out")
		s.judge(Requirement{ID: "supply.regulator-current", Subject: reg, Words: "current it gives" + atCeiling + ", everything on", Limit: float64(r.IoutMax), Unit: unit.SymAmp, Source: "Iout max, " + source},
			ceil, busy(n, wiring.On, ceil), largestOf(load))
		heat(r.TjMax, r.RthJA, reg, "junction temperature at the highest, everything on", source, busy(n, wiring.On, high), high)
	} else {
		zener := "zener " + name
		s.judge(Requirement{ID: "supply.zener-power", Subject: zener, Words: "heat" + atCeiling + ", everything off", Limit: float64(n.Zener.Ptot), Unit: unit.SymWatt, Source: "Ptot, " + source},
			ceil, busy(n, wiring.Off, ceil), largestOf(func(op *wiring.Operating) float64 { return float64(op.Regulator) }))
		s.judge(Requirement{ID: "supply.zener-current", Subject: zener, Words: whileFed(n, "current left for it at the lowest, everything on", busy(n, wiring.On, n.Build.Track.Low.Or(7))), AtLeast: true, Limit: 0.0005, Unit: unit.SymAmp, Sure: "common practice",
			Source: "half a milliampere keeps a zener above its knee: common practice, no source"},
			n.Build.Track.Low.Or(7), busy(n, wiring.On, n.Build.Track.Low.Or(7)), smallestOf(func(op *wiring.Operating) float64 { return float64(op.Shunt) }))
		if rp, ok := n.Build.Catalogue.ResistorPackage(n.BallastPackage()); ok {
			s.judge(Requirement{ID: "supply.ballast-power", Subject: "ballast resistor", Words: "heat" + atCeiling, Limit: float64(rp.Power(hot)), Unit: unit.SymWatt, Source: n.BallastPackage() + ": " + rp.Source},
				ceil, busy(n, wiring.On, ceil), largestOf(func(op *wiring.Operating) float64 { return float64(op.Ballast) }))
		}
		heat(n.Zener.TjMax, n.Zener.RthJA, zener, "junction temperature at the highest, everything off", source, busy(n, wiring.Off, high), high)
	}
	s.judge(Requirement{ID: "chip.supply-high", Subject: "chip " + n.Chip.Name, Words: "supply" + atCeiling, Limit: float64(n.Chip.VCCAbsMax), Unit: unit.SymVolt, Source: "absolute maximum of VCC, " + n.Chip.Source},
		ceil, listening(n, ceil), largestOf(func(op *wiring.Operating) float64 { return float64(op.VCC) }))
	if sk, ok := n.Build.Catalogue.Socket(n.Vehicle.Socket.Text); ok {
		s.judge(Requirement{ID: "supply.contact", Subject: "socket " + sk.Name, Words: "all current through one contact" + atCeiling, Limit: float64(sk.Contact), Unit: unit.SymAmp, Source: sk.Source, Sure: "standard"},
			ceil, busy(n, wiring.On, ceil), largestOf(func(op *wiring.Operating) float64 { return float64(op.Rail) + (refill(n)-1)*float64(op.Rectified) }))
	}
	s.halfWave(n)
}

// busy is the polarities in which some lamp conducts; where all hang on the rectified plus either will do.
func busy(n *wiring.Network, d wiring.Drive, u unit.Volt) []wiring.State {
	var all []wiring.LightNet
	for i := range n.Outputs {
		all = append(all, n.Outputs[i].Lights...)
	}
	return polarities(n, all, d, u, 0)
}

// bound judges a part by what the track alone may put on it.
func (s *Set) bound(id, subject, words string, track, value, limit unit.Volt, source, method string) {
	if !unit.Known(limit) {
		s.unjudged(Requirement{ID: id, Subject: subject, Words: words, Unit: unit.SymVolt}, "no rating is known")
		return
	}
	r := Requirement{Limit: float64(limit)}
	v := float64(value)
	j := finding.Judgement{ID: id, Subject: subject, Requirement: words, Verdict: r.Judge(v, 0), Value: v, Limit: r.Limit, Sense: r.Sense(), Margin: r.Margin(v),
		Unit: unit.SymVolt, Worst: at(track), Method: method, Confidence: "absolute rating", Source: source}
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
	c, nominal := n.Chip, n.SupplyNominal()
	for i := range n.Outputs {
		o := &n.Outputs[i]
		high, needs := high, conducting(n, i, wiring.On, high)
		if o.Acknowledge {
			high = n.Build.Track.ProgrammingHigh.Or(18)
			needs = fed(n, wiring.On, high, 1<<i)
		}
		s.add(Requirement{ID: o.ID + ".pin-current", Subject: "chip pin " + o.Output.From.Text, Words: "pin current where its level is guaranteed", Kind: pinKind(o), Output: i,
			Limit: float64(PinPoint(c, nominal).I), Unit: unit.SymAmp, At: at(high), Source: PinSource(c, nominal), Sure: "datasheet test point",
			needs: needs, measure: largestOf(func(op *wiring.Operating) float64 { return math.Abs(float64(op.Out[i].PinOut)) })})
	}
	s.supply(n)
	sum := func(sign float64) func(*wiring.Operating) float64 {
		return func(op *wiring.Operating) float64 {
			sum := 0.0
			for k := range op.Out {
				sum += math.Max(0, sign*float64(op.Out[k].PinOut))
			}
			return sum
		}
	}
	s.judge(Requirement{ID: "chip.total", Subject: "chip " + c.Name, Words: "all pins together, everything on", Limit: float64(c.SumHigh), Unit: unit.SymAmp,
		Source: "sum of IOH, static design limit: " + figureSource(c, "sum_high"), Sure: "design limit"}, high, busy(n, wiring.On, high), largestOf(sum(1)))
	for i := range n.Outputs {
		if n.Outputs[i].ActiveLow {
			s.judge(Requirement{ID: "chip.total-low", Subject: "chip " + c.Name, Words: "all pins that are low together, everything on", Limit: float64(c.SumLow), Unit: unit.SymAmp,
				Source: "sum of IOL, static design limit: " + figureSource(c, "sum_low"), Sure: "design limit"}, high, busy(n, wiring.On, high), largestOf(sum(-1)))
			break
		}
	}
	vcc := smallestOf(func(op *wiring.Operating) float64 { return float64(op.VCC) })
	if v, source := wiring.MinimumSupply(c, n.Decoder.Chip.Frequency); unit.Known(v) {
		s.judge(Requirement{ID: "chip.supply-low", Subject: "chip " + c.Name, Words: whileFed(n, "supply at the lowest, everything on", busy(n, wiring.On, low)), AtLeast: true, Limit: float64(v), Unit: unit.SymVolt,
			Source: source, Sure: "datasheet"}, low, busy(n, wiring.On, low), vcc)
	}
	if bod := n.Decoder.Chip.BrownOut; bod.Known() {
		for _, b := range c.Brownout {
			if math.Abs(float64(b.Typ-bod.Value)) < 0.05 {
				limit := float64(b.Max + unit.Or(c.BrownoutHysteresis, 0)/2)
				s.judge(Requirement{ID: "chip.brown-out", Subject: "chip " + c.Name, Words: whileFed(n, "supply above its brown-out level at the lowest, everything on", busy(n, wiring.On, low)), AtLeast: true, Limit: limit, Unit: unit.SymVolt,
					Source: fmt.Sprintf("BODLEVEL %s: at most %s and half the hysteresis; %s", b.Bits, b.Max, figureSource(c, "brownout")), Sure: "datasheet"}, low, busy(n, wiring.On, low), vcc)
			}
		}
	}
}

// pinKind: the current of a pin that drives a transistor follows from the base resistor; of one that drives a lamp, from
// the series resistor.
func pinKind(o *wiring.OutputNet) Kind {
	switch {
	case o.Switch == nil:
		return Rating
	case o.Level != nil:
		return Level
	}
	return Saturation
}

// ear: the levels at the listening pin, and what its clamp diodes must carry. Edges need the circuit in time.
func (s *Set) ear(n *wiring.Network) {
	e := n.Ear
	if e == nil || n.Deaf() { // Impossible says so
		return
	}
	tr, ceil := n.Build.Track, Ceiling(n.Vehicle.Scale.Text)
	subject := "ear at chip pin " + e.Into
	in := inputLevel(n.Chip, e.Into, n.SupplyNominal())
	share := func(op *wiring.Operating) float64 { return float64(op.Ear.Pin / op.VCC) }
	low, high := tr.Low.Or(7), tr.High.Or(ceil)
	source := func(q string, x unit.Ratio) string {
		return fmt.Sprintf("%s %.2g × VCC: %s", q, float64(x), figureSource(n.Chip, "input"))
	}
	// The supply sags at the lowest voltage, and with it the level that counts as high.
	s.judge(Requirement{ID: "ear.high", Subject: subject, Words: "heard as high while its rail is positive, at the lowest, as a share of VCC", Kind: Ear, AtLeast: true, Limit: float64(in.VIH), Unit: unit.SymRatio, Source: source("VIH", in.VIH), Sure: "datasheet"},
		low, states(e.Left(), !e.Left(), wiring.On, low, 0), smallestOf(share))
	s.judge(Requirement{ID: "ear.low", Subject: subject, Words: "heard as low while its rail is negative, as a share of VCC", Kind: Ear, Limit: float64(in.VIL), Unit: unit.SymRatio, Source: source("VIL", in.VIL), Sure: "datasheet"},
		high, states(!e.Left(), e.Left(), wiring.On, high, 0), largestOf(share))
	s.judge(Requirement{ID: "ear.clamp", Subject: subject, Words: "clamp current" + atCeiling, Kind: Ear, Limit: float64(n.Chip.ClampMax), Unit: unit.SymAmp, Source: figureSource(n.Chip, "clamp_current"), Sure: "guidance, from memory"},
		ceil, clamped(n, ceil), largestOf(func(op *wiring.Operating) float64 { return math.Abs(float64(op.Ear.Through)) }))
	s.judge(Requirement{ID: "ear.feeds-back", Subject: subject, Words: "clamp current against what the chip draws" + atCeiling, Kind: Ear, Limit: 1, Unit: unit.SymRatio,
		Source: "more than the chip takes would lift its supply past the regulator: Kirchhoff", Sure: "certain"},
		ceil, listening(n, ceil), largestOf(func(op *wiring.Operating) float64 { return float64(op.Ear.Through / op.Chip) }))
	if rp, ok := n.Build.Catalogue.ResistorPackage(n.BallastPackage()); ok {
		s.judge(Requirement{ID: "ear.series-voltage", Subject: "resistor of the ear", Words: "voltage across it" + atCeiling, Kind: Ear, Limit: float64(rp.VWork), Unit: unit.SymVolt, Source: n.BallastPackage() + ": " + rp.Source},
			ceil, clamped(n, ceil), largestOf(func(op *wiring.Operating) float64 { return math.Abs(float64(op.Ear.Across)) }))
	}
	s.later("ear.edges", subject, "edges of the track signal in time", "the circuit in time")
}

// clamped are the states in which a clamp diode of the ear's pin carries a current: while its rail is positive, and behind a
// single diode, whose rail falls below the minus by the whole track, while it is negative.
func clamped(n *wiring.Network, u unit.Volt) []wiring.State {
	if n.Single {
		return both(wiring.Off, u, 0)
	}
	return listening(n, u)
}

// listening is the state in which the ear lifts the chip's supply most: everything off, its rail positive. While its rail
// is negative there is less than a volt across its resistor.
func listening(n *wiring.Network, u unit.Volt) []wiring.State {
	if n.Ear == nil || n.Deaf() {
		return busy(n, wiring.Off, u)
	}
	return states(n.Ear.Left(), !n.Ear.Left(), wiring.Off, u, 0)
}

// later is what only a later question can judge.
func (s *Set) later(id, subject, words, needs string) {
	s.unjudged(Requirement{ID: id, Subject: subject, Words: words}, finding.NotBuilt+": needs "+needs)
}

// inputLevel is the input levels of a pin at a supply voltage.
func inputLevel(c parts.Chip, pin string, vcc unit.Volt) (best parts.InputLevel) {
	best.VIL, best.VIH = unit.Absent[unit.Ratio](), unit.Absent[unit.Ratio]()
	own := false
	for _, l := range c.Input {
		if (l.Pin == pin || l.Pin == "" && !own) && l.VCCFrom <= vcc && vcc <= l.VCCTo {
			best, own = l, l.Pin == pin
		}
	}
	return best
}

// answer: the load that answers on the programming track.
func (s *Set) answer(n *wiring.Network, i int) {
	o, tr := &n.Outputs[i], n.Build.Track
	id := o.ID + "."
	which := uint32(1) << i // alone
	low, high := tr.ProgrammingLow.Or(8), tr.ProgrammingHigh.Or(18)
	on := func(u unit.Volt) []wiring.State { return fed(n, wiring.On, u, which) }
	off := func(u unit.Volt) []wiring.State { return fed(n, wiring.Off, u, 0) }
	s.add(Requirement{ID: id + "current", Subject: "answer on the programming track", Words: whileFed(n, "more current than at rest, at its lowest voltage", on(low)), Kind: Answer, Output: i, AtLeast: true,
		Limit: float64(AnswerLeast), Unit: unit.SymAmp, Source: AnswerFrom, Sure: "standard", At: at(low), needs: append(on(low), off(low)...),
		measure: func(ops []*wiring.Operating) float64 { return float64(ops[0].Rail - ops[1].Rail) }})
	if n.Single { // the other half-wave draws nothing; where the reservoir holds, its refilling draws as much again in this one
		s.later(id+"mean", "answer on the programming track", "more current than at rest, as the mean of both half-waves", inTime)
	}
	s.add(Requirement{ID: id + "most", Subject: "answer on the programming track", Words: "current of the whole decoder meanwhile, at its highest voltage", Kind: Rating, Output: i,
		Limit: float64(AnswerMost), Unit: unit.SymAmp, Source: "NMRA S-9.2.3, section B: 250 mA for longer than 100 ms", Sure: "standard", At: at(high), needs: on(high),
		measure: largestOf(func(op *wiring.Operating) float64 { return float64(op.Rail) })})
	s.add(Requirement{ID: id + "silent", Subject: "answer on the programming track", Words: "more current than at rest while the chip is in reset", Kind: Darkness, Output: i,
		Limit: 1e-3, Unit: unit.SymAmp, Source: "a sixtieth of an answer: own judgement", Sure: "own judgement", At: at(high), needs: append(fed(n, wiring.Reset, high, 0), off(high)...),
		measure: func(ops []*wiring.Operating) float64 {
			return float64(ops[0].Out[i].Switch.Through - ops[1].Out[i].Switch.Through)
		}})
	needs := func(d wiring.Drive, u unit.Volt) []wiring.State {
		if d == wiring.Off {
			return off(u)
		}
		return on(u)
	}
	// At the lowest it must not stand in the way; at the highest more flows than an answer needs.
	s.saturated(n, i, o.Switch, []level{{"low", "lowest of the programming track", tr.ProgrammingLow}}, on)
	s.stands(n, i, o.Switch, high, high, needs, func(d wiring.Drive, u unit.Volt, _ uint32) []wiring.State { return needs(d, u) })
	pack := wiring.PackageOf(n.Build, o.Output, "load")
	if rp, ok := n.Build.Catalogue.ResistorPackage(pack); ok {
		for k := range o.Resistors {
			r := &o.Resistors[k]
			if r.Load {
				s.rate(i, id+"load-pulse", r.Words+" of "+o.Of(), "voltage across it for 6 ms, at the highest of the programming track", float64(rp.VOverload), unit.SymVolt,
					pack+", short-time overload: "+rp.Source, high, on(high), largestOf(func(op *wiring.Operating) float64 { return float64(op.Out[i].R[k].Across) }))
				s.rate(i, id+"load-pulse-heat", r.Words+" of "+o.Of(), "heat for 6 ms, at the highest of the programming track", PulseOver*float64(rp.P70), unit.SymWatt,
					fmt.Sprintf("%s: %g times its rating for a short time (IEC 60115-1 overload test, 2.5 times the rated voltage for seconds; from memory): %s", pack, PulseOver, rp.Source), high, on(high),
					largestOf(func(op *wiring.Operating) float64 { return float64(op.Out[i].R[k].Heat) }))
			}
		}
	}
}

// PulseOver is how many times its rated power a chip resistor is tested with for seconds: IEC 60115-1, short-time overload
// at 2.5 times the rated voltage (from memory). A pulse of milliseconds stresses it less.
const PulseOver = 6.25
