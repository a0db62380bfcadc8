package draw

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"fettle/internal/build"
	"fettle/internal/circuit"
	"fettle/internal/finding"
	"fettle/internal/parts"
	"fettle/internal/probe"
	"fettle/internal/prove"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// A Detail is what a part or a net of a schematic answers to one who asks.
type Detail struct {
	ID      string   // "output.front.series", "net.front.base"; that of its value where it has one
	Name    string   // "series resistor of output front", "base of the switch of output front"
	Value   string   // "820 Ω"; of a net ""
	Now     []string // what it carries or where it stands, in words: "2.82 mA mean", "on: 0.71 V"
	State   string   // the state that this is of
	Judged  []string // identifiers of what was judged of it
	Verdict finding.Verdict
	Note    string   // what a slip of the probe there kills
	Path    []string // of its block in the build file, with the attribute behind; nil: it has none
}

// A describer makes a schematic of a network.
type describer struct {
	n      *wiring.Network
	f      finding.Findings
	op     *prove.Operation // nil: not known
	prefix string           // before the identifiers of what belongs to no output
	s      *Schematic
}

// detail takes down what a part answers, and gives it its identifier and the worst of what was judged of it by identifiers that
// begin in one of those ways.
func (d *describer) detail(p Part, id, name string, path []string, now []string, judged ...string) Part {
	p.ID = id
	p.Verdict = worst(d.f, judged...)
	x := Detail{ID: id, Name: name, Value: p.Value, Now: now, Verdict: p.Verdict, Path: path}
	if len(now) > 0 {
		x.State = d.state()
	}
	for _, j := range d.f.Verdicts {
		if !j.NotYet() && begins(j.ID, judged) {
			x.Judged = append(x.Judged, j.ID)
		}
	}
	d.s.Details = append(d.s.Details, x)
	return p
}

// state says of what state the currents and voltages are.
func (d *describer) state() string {
	return fmt.Sprintf("typical parts, %s on the track, outputs fully on", d.op.Track)
}

// meanly says the mean of a flow.
func meanly(f prove.Flow) string {
	if pulses(f) {
		return unit.Format(float64(f.Mean), unit.SymAmp, 3) + " mean"
	}
	return unit.Format(float64(f.Mean), unit.SymAmp, 3)
}

// pulses reports whether a flow is another in either polarity, beyond what three digits show.
func pulses(f prove.Flow) bool { return f.Peak-f.Mean > f.Peak/100 }

// carries says a flow in words.
func carries(f prove.Flow) []string {
	var out []string
	switch {
	case !(f.Peak >= leastAmp):
		out = append(out, "no current")
	case pulses(f):
		out = append(out, meanly(f)+", "+unit.Format(float64(f.Peak), unit.SymAmp, 3)+" peak")
	default:
		out = append(out, meanly(f))
	}
	if unit.Known(f.Across) {
		out = append(out, unit.Format(float64(f.Across), unit.SymVolt, 3)+" across it")
	}
	return out
}

// leastAmp: less is leakage, which is no current of a part in words.
const leastAmp = 1e-7

// through is what an element carries while an output is on.
func (d *describer) through(e circuit.Elem, output int) []string {
	if d.op == nil || e < 0 {
		return nil
	}
	return carries(d.op.Through(e, output))
}

// nets takes down what the nets answer.
func (d *describer) nets() {
	of := map[string]int{} // points of an output
	for i := range d.n.Outputs {
		for _, id := range d.s.Outputs[i].points() {
			if _, ok := of[id]; !ok {
				of[id] = i
			}
		}
	}
	for _, p := range probe.Points(d.n) {
		x := Detail{ID: d.prefix + "net." + p.ID, Name: p.Words, Note: p.Risk}
		if d.op != nil && p.ID != probe.Minus {
			output, own := of[p.ID]
			if !own {
				output = -1
			}
			on, off := d.op.Volts(p.Node, output)
			x.State = fmt.Sprintf("against decoder minus, typical parts, %s on the track", d.op.Track)
			if x.Now = []string{stands(on)}; own {
				x.Now = []string{"on: " + stands(on), "off: " + stands(off)}
			}
		}
		d.s.Details = append(d.s.Details, x)
	}
}

// stands says a voltage in both polarities.
func stands(v [2]unit.Volt) string {
	volt := func(v unit.Volt) string {
		if math.Abs(float64(v)) < leastVolt {
			v = 0
		}
		return unit.Format(float64(v), unit.SymVolt, 3)
	}
	if a, b := volt(v[0]), volt(v[1]); a != b {
		return a + " while the left rail is positive, " + b + " while the right one is"
	}
	return volt(v[0])
}

const leastVolt = 1e-3 // less is nothing to a meter

func begins(id string, prefixes []string) bool {
	return slices.ContainsFunc(prefixes, func(p string) bool { return strings.HasPrefix(id, p) })
}

// Of describes a wired decoder for drawing: its parts with their values, the worst verdict of each, and what each answers. Without
// an operation (nil) nothing is said of currents and voltages.
func Of(n *wiring.Network, f finding.Findings, op *prove.Operation) Schematic {
	d := n.Decoder
	within := "decoder." + d.Name.Text + "."
	about := func(prefixes ...string) (all []string) {
		for _, p := range prefixes {
			all = append(all, p, within+p)
		}
		return all
	}
	s := Schematic{
		ID: "circuit-" + d.Name.Text, Title: "Decoder " + d.Name.Text + " in " + n.Vehicle.Name.Text, Decoder: d.Name.Text,
		Rails:  Rails{Left: build.LeftRail, Right: build.RightRail, Plus: build.RectifiedPlus, Logic: build.ChipSupply, Local: build.LocalPlus, Minus: build.DecoderMinus},
		Supply: Supply{Rectifier: Part{Name: "rectifier", Value: n.Rectifier.Name}, Regulator: Part{Name: "regulator"}},
		Chip:   Part{Name: "chip", Value: n.Chip.Name},
	}
	x := &describer{n: n, f: f, op: op, s: &s}
	if len(n.Build.Decoders) > 1 {
		x.prefix = within
	}
	at := func(names ...string) []string { return append([]string{"decoder", d.Name.Text}, names...) }
	of := map[string][]string{} // what flows
	if op != nil {
		rectifier, regulator, chip := op.Supply()
		of["rectifier"], of["regulator"], of["chip"] = carries(rectifier), carries(regulator), carries(chip)
		of["regulator"][0] += " into the chip's supply"
	}
	switch {
	case n.Single:
		s.Supply.From = d.Supply.From.Text
	case !n.Bridged:
		s.Supply.Four, s.Supply.Rectifier.Value = true, "4 × "+n.Rectifier.Name
	}
	if !n.Bridged {
		if n.Rectifier.Type == "schottky" {
			s.Supply.Diodes = Schottky
		}
	}
	s.Supply.Rectifier.Note, s.Chip.Note = asFitted(d.Supply.Rectifier.Real, n.Rectifier.Name), asFitted(d.Chip.Part.Real, n.Chip.Name)
	s.Supply.Regulator.Value, _ = n.SupplyPart()
	s.Supply.Regulator.Note = asFitted(d.Supply.Regulator.Real, s.Supply.Regulator.Value)
	if n.Zener != nil {
		s.Supply.Regulator = Part{Name: "zener", Value: n.Zener.Name, Note: asFitted(d.Supply.Regulator.Real, n.Zener.Name)}
		s.Supply.Ballast = Part{Name: "ballast", Value: d.Supply.Ballast.Value.String(), Note: asFitted(d.Supply.Ballast.Real, d.Supply.Ballast.Value.String())}
	}
	s.Supply.Rectifier = x.detail(s.Supply.Rectifier, x.prefix+"supply.rectifier", "rectifier", at("supply", "rectifier"), of["rectifier"], about("supply.rectifier")...)
	if n.Zener != nil {
		s.Supply.Ballast = x.detail(s.Supply.Ballast, x.prefix+"supply.ballast", "ballast before the zener", at("supply", "ballast"), x.through(n.Ballast, -1), about("supply.ballast")...)
		s.Supply.Regulator = x.detail(s.Supply.Regulator, x.prefix+"supply.zener", "zener of the chip's supply", at("supply", "regulator"), x.through(n.Regulator, -1), about("supply.zener")...)
	} else {
		s.Supply.Regulator = x.detail(s.Supply.Regulator, x.prefix+"supply.regulator", "regulator", at("supply", "regulator"), of["regulator"], about("supply.regulator")...)
	}
	open := func(known bool, value string) string {
		if known {
			return value
		}
		return "open"
	}
	if q := d.Supply.Reservoir; q.IsSet() || q.Known() {
		s.Supply.Reservoir = x.detail(Part{Name: "reservoir", Value: open(q.Known(), q.Value.String())}, x.prefix+"supply.reservoir", "reservoir", at("supply", "reservoir"), nil, about("supply.reservoir")...)
	}
	s.Chip = x.detail(s.Chip, x.prefix+"chip.part", "chip", at("chip", "part"), of["chip"], about("chip.")...)
	if d.Listen.From.Text != "" {
		s.Listen = Listen{From: d.Listen.From.Text, Into: d.Listen.Into.Text,
			Series: Part{Name: "ear", Value: open(d.Listen.Series.Known(), d.Listen.Series.Value.String()), Note: asFitted(d.Listen.Series.Real, d.Listen.Series.Value.String())}}
		var now []string
		if n.Ear != nil {
			now = x.through(n.Ear.Series, -1)
		}
		s.Listen.Series = x.detail(s.Listen.Series, x.prefix+"ear.series", "resistor of the ear", at("listen", "series"), now, about("ear.")...)
	}
	for i := range n.Lamps {
		s.Lamps = append(s.Lamps, x.lamp(i))
		if n.Lamps[i].Feed == build.LocalPlus {
			s.Supply.Local = Part{Name: "the vehicle's own two diodes", Note: "their type cannot be read from outside"}
		}
	}
	for i := range n.Outputs {
		s.Outputs = append(s.Outputs, x.output(i))
	}
	s.prefix = x.prefix
	x.nets()
	return s
}

// lamp describes lamp i, with the worst of what every output does to its LEDs.
func (x *describer) lamp(i int) SchematicLamp {
	n := x.n
	lamp := &n.Lamps[i]
	best := lamp.Post.Best
	l := SchematicLamp{
		Name: lamp.Name, Feed: lamp.Feed, Structure: lamp.Post.Structure, InSeries: best.Series, Parallel: best.Parallel,
		LED:    Part{Name: lamp.Name, Value: cmp.Or(lamp.Lamp.LEDs.Text, lamp.Post.Class)},
		Hidden: Part{Name: "hidden", Value: "≈\u202f" + unit.Format(float64(best.Hidden), unit.SymOhm, 2)},
	}
	if lamp.Lamp.Pin.Known() {
		l.SocketPin = fmt.Sprintf("pin %d", lamp.Lamp.Pin.Value)
	}
	switch l.Structure {
	case wiring.FilamentLamp:
		l.InSeries, l.Parallel, l.Hidden = 0, 0, Part{}
		l.LED.Value = fmt.Sprintf("filament, ≈\u202f%s cold, %s at %s", unit.Format(float64(best.Filament.Cold), unit.SymOhm, 2),
			unit.Format(float64(best.Filament.LitI), unit.SymAmp, 2), unit.Format(float64(best.Filament.LitV), unit.SymVolt, 2))
	case wiring.AntiParallelLamp:
		l.Back = cmp.Or(lamp.Lamp.Back.Text, lamp.Post.Back.Class)
	case wiring.LeakingLamp:
		l.Leak = Part{Name: "leak", Value: "≈\u202f" + unit.Format(float64(best.Leak), unit.SymOhm, 2)}
	case wiring.LimitedDiodeBoard, wiring.LimitedBridgeBoard:
		l.Limit = "≈\u202f" + unit.Format(float64(best.Limit), unit.SymAmp, 2)
	}
	var led, hidden []string
	by := -1 // the first output that lights it
	for k := range n.Outputs {
		o := &n.Outputs[k]
		for _, light := range o.Lights {
			if light.Lamp != i {
				continue
			}
			id := o.ID + "."
			if len(o.Lights) > 1 {
				id += "lamp." + lamp.Name + "."
			}
			led, hidden = append(led, id+"led-"), append(hidden, id+"hidden-")
			if by < 0 {
				by = k
			}
			// A pair is described by its LED from feed to socket; another lamp as the first output that lights it needs it.
			if len(led) == 1 && !lamp.Post.Pair() {
				l.Inward = o.Drive == build.DriveHighSide || o.Drive == build.DriveFromPin && !o.ActiveLow
			}
			if light.Against {
				l.LED.Note = "sits the other way round: change its wires over"
			}
		}
	}
	key := "lamp." + n.Build.LampKey(n.Vehicle, lamp.Name)
	var now []string
	if x.op != nil {
		f := x.op.Lamp(i, by)
		now = carries(f)
		if f.Peak >= leastAmp {
			l.LED.Note = strings.TrimPrefix(l.LED.Note+"; "+meanly(f), "; ")
			x.s.Foot = "currents: " + x.state()
		}
		now[len(now)-1] = strings.Replace(now[len(now)-1], "across it", "across what lights", 1)
	}
	l.LED = x.detail(l.LED, key+".led", lamp.Words, []string{"vehicle", n.Vehicle.Name.Text, "lamp", lamp.Name, "leds"}, now, append(led, key+".")...)
	l.LED.Verdict = worst(x.f, led...)      // how well the lamp is known is not of the LEDs
	if !l.Hidden.absent() && !l.isBoard() { // a board is one symbol
		l.Hidden = x.detail(l.Hidden, key+".hidden", "hidden resistor of "+lamp.Words, nil, x.through(lamp.Hidden, by), hidden...)
		l.Hidden.Verdict = ""
	}
	return l
}

// output describes output i.
func (x *describer) output(i int) SchematicOutput {
	n := x.n
	o := &n.Outputs[i]
	id := o.ID + "."
	within := func(names []string) []string {
		out := make([]string, len(names))
		for k := range names {
			out[k] = id + names[k]
		}
		return out
	}
	// A resistor that is left out is no part.
	part := func(attr, name string, names ...string) Part {
		r, ok := o.Resistor(attr)
		if !ok {
			return Part{}
		}
		return x.detail(Part{Name: name, Value: r.Value().String(), Note: asFitted(r.Real(), r.Value().String())},
			id+attr, r.Words+" of "+o.Of(), append(slices.Clone(o.Path), attr), x.through(r.Elem, i), within(names)...)
	}
	// What is said of each of its lamps.
	lit := func(names ...string) (all []string) {
		if len(o.Lights) < 2 {
			return names
		}
		for _, l := range o.Lights {
			for _, name := range names {
				all = append(all, "lamp."+n.Lamps[l.Lamp].Name+"."+name)
			}
		}
		return all
	}
	// A MOSFET has a gate.
	control := func(t *wiring.Transistor) string {
		if t != nil && t.FET != nil {
			return "gate"
		}
		return "base"
	}
	transistor := func(t *wiring.Transistor, named build.Text, prefix string) Transistor {
		if t == nil {
			return Transistor{}
		}
		names := []string{"saturated", "overdrive", "gate-low", "gate-high", "vceo", "collector", "vds", "vgs", "ic", "ib", "id", "switch-heat"}
		for k := range names {
			names[k] = prefix + names[k]
		}
		out := Transistor{Part: x.detail(Part{Name: t.Role, Value: t.Name}, id+strings.Fields(t.Role)[0], t.Words, append(slices.Clone(o.Path), strings.Fields(t.Role)[0]), x.through(t.Elem, i), within(names)...)}
		switch {
		case t.FET != nil && t.High:
			out.Kind = PChannel
		case t.FET != nil:
			out.Kind = NChannel
		case t.High:
			out.Kind = PNP
		}
		if t.BJT != nil && t.BJT.Prebiased() {
			out.Prebiased = true
			out.Note = inside(t.BJT)
		}
		if note := asFitted(named.Real, t.Name); note != "" {
			out.Note = strings.TrimPrefix(out.Note+"; "+note, "; ")
		}
		return out
	}
	whole := x.detail(Part{}, o.ID, o.Of(), nil, nil, id)
	out := SchematicOutput{
		ID: whole.ID, Probe: probeName(o),
		Name: o.Name, Pin: o.Output.From.Text, ActiveLow: o.ActiveLow, Verdict: whole.Verdict,
		Switch: transistor(o.Switch, o.Output.Switch, ""), Level: transistor(o.Level, o.Output.Level, "level-"), Driver: transistor(o.Driver, o.Output.Driver, "driver-"),
		Series:    part("series", "series", append(lit("good", "seen", "never-above"), "series")...),
		Shunt:     part("shunt", "across the lamp", "shunt"),
		Base:      part("base", control(cmp.Or(o.Driver, o.Switch)), "base", "overdrive"),
		Between:   part("between", "between", "between"),
		Pulldown:  part("pulldown", "pull-down", append(lit("dark"), "pulldown")...),
		Pullup:    part("pullup", "pull-up", "pullup"),
		LevelBase: part("level_base", "level "+control(o.Level), "level-base", "level-overdrive"),
	}
	for _, l := range o.Lights {
		out.Lamps = append(out.Lamps, l.Lamp)
	}
	if o.Acknowledge {
		out.Series = part("load", "load", "load", "current", "most")
	}
	if o.Output.Clamp.Text != "" && o.Drive == build.DriveHighSide {
		out.Clamp = x.detail(Part{Name: "gate clamp", Value: o.Output.Clamp.Text, Note: asFitted(o.Output.Clamp.Real, o.Output.Clamp.Text)},
			id+"clamp", "gate clamp of "+o.Of(), append(slices.Clone(o.Path), "clamp"), x.through(o.Clamp, i), id+"clamp")
	}
	return out
}

// asFitted marks a part of a build as built: as one that was fitted, or with what the design has there where that is another.
func asFitted(r *build.Real, value string) string {
	switch {
	case r == nil:
		return ""
	case r.Designed == "" || r.Designed == "choose" || r.Designed == value:
		return "fitted"
	case r.Designed == build.None:
		return "not in the design"
	}
	return "designed " + r.Designed
}

// inside says what resistors a pre-biased transistor holds.
func inside(q *parts.BJT) string {
	var list []string
	if unit.Known(q.R1) && q.R1 > 0 {
		list = append(list, "R1 "+q.R1.String())
	}
	if unit.Known(q.R2) && q.R2 > 0 {
		list = append(list, "R2 "+q.R2.String())
	}
	return strings.Join(list, ", ")
}

// worst is the worst verdict whose identifier begins with one of the prefixes; what is not built or not run yet does not
// count.
func worst(f finding.Findings, prefixes ...string) finding.Verdict {
	var some finding.Findings
	for _, j := range f.Verdicts {
		if !j.NotYet() && begins(j.ID, prefixes) {
			some.Verdicts = append(some.Verdicts, j)
		}
	}
	if len(some.Verdicts) == 0 {
		return finding.Holds
	}
	return some.Worst()
}

// probeName is what stands before the IDs of an output's test points.
func probeName(o *wiring.OutputNet) string {
	if o.Acknowledge {
		return "answer"
	}
	return o.Name
}
