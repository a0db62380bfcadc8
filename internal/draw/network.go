package draw

import (
	"cmp"
	"fmt"
	"strings"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/parts"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// Of describes a wired decoder for drawing: its parts with their values, and the worst verdict of each.
func Of(n *wiring.Network, f finding.Findings) Schematic {
	d := n.Decoder
	within := "decoder." + d.Name.Text + "."
	v := func(prefixes ...string) finding.Verdict {
		for _, p := range prefixes {
			prefixes = append(prefixes, within+p)
		}
		return worst(f, prefixes...)
	}
	s := Schematic{
		ID: "circuit-" + d.Name.Text, Title: "Decoder " + d.Name.Text + " in " + n.Vehicle.Name.Text, Decoder: d.Name.Text,
		Rails: Rails{Left: build.LeftRail, Right: build.RightRail, Plus: build.RectifiedPlus, Logic: build.ChipSupply, Local: build.LocalPlus, Minus: build.DecoderMinus},
		Supply: Supply{Rectifier: Part{Name: "rectifier", Value: n.Rectifier.Name, Verdict: v("supply.rectifier")},
			Regulator: Part{Name: "regulator", Verdict: v("supply.regulator")}},
		Chip: Part{Name: "chip", Value: n.Chip.Name, Verdict: v("chip.")},
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
		s.Supply.Regulator = Part{Name: "zener", Value: n.Zener.Name, Verdict: v("supply.zener"), Note: asFitted(d.Supply.Regulator.Real, n.Zener.Name)}
		s.Supply.Ballast = Part{Name: "ballast", Value: d.Supply.Ballast.Value.String(), Verdict: v("supply.ballast"), Note: asFitted(d.Supply.Ballast.Real, d.Supply.Ballast.Value.String())}
	}
	open := func(known bool, value string) string {
		if known {
			return value
		}
		return "open"
	}
	if q := d.Supply.Reservoir; q.IsSet() || q.Known() {
		s.Supply.Reservoir = Part{Name: "reservoir", Value: open(q.Known(), q.Value.String())}
	}
	if d.Listen.From.Text != "" {
		s.Listen = Listen{From: d.Listen.From.Text, Into: d.Listen.Into.Text,
			Series: Part{Name: "ear", Value: open(d.Listen.Series.Known(), d.Listen.Series.Value.String()), Verdict: v("ear."), Note: asFitted(d.Listen.Series.Real, d.Listen.Series.Value.String())}}
	}
	for i := range n.Lamps {
		s.Lamps = append(s.Lamps, lampOf(n, i, f))
		if n.Lamps[i].Feed == build.LocalPlus {
			s.Supply.Local = Part{Name: "the vehicle's own two diodes", Note: "their type cannot be read from outside"}
		}
	}
	for i := range n.Outputs {
		s.Outputs = append(s.Outputs, outputOf(n, i, f))
	}
	return s
}

// lampOf describes lamp i, with the worst of what every output does to its LEDs.
func lampOf(n *wiring.Network, i int, f finding.Findings) SchematicLamp {
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
	var led []string
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
			led = append(led, id+"led-")
			// A pair is described by its LED from feed to socket; another lamp as the first output that lights it needs it.
			if len(led) == 1 && !lamp.Post.Pair() {
				l.Inward = o.Drive == build.DriveHighSide || o.Drive == build.DriveFromPin && !o.ActiveLow
			}
			if light.Against {
				l.LED.Note = "sits the other way round: change its wires over"
			}
		}
	}
	l.LED.Verdict = worst(f, led...)
	return l
}

// outputOf describes output i.
func outputOf(n *wiring.Network, i int, f finding.Findings) SchematicOutput {
	o := &n.Outputs[i]
	id := o.ID + "."
	verdict := func(names ...string) finding.Verdict {
		for k := range names {
			names[k] = id + names[k]
		}
		return worst(f, names...)
	}
	// A resistor that is left out is no part.
	part := func(attr, name string, names ...string) Part {
		r, ok := o.Resistor(attr)
		if !ok {
			return Part{}
		}
		return Part{Name: name, Value: r.Value().String(), Verdict: verdict(names...), Note: asFitted(r.Real(), r.Value().String())}
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
		out := Transistor{Part: Part{Name: t.Role, Value: t.Name, Verdict: verdict(names...)}}
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
	out := SchematicOutput{
		Probe: probeName(o),
		Name:  o.Name, Pin: o.Output.From.Text, ActiveLow: o.ActiveLow, Verdict: verdict(""),
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
		out.Clamp = Part{Name: "gate clamp", Value: o.Output.Clamp.Text, Verdict: verdict("clamp"), Note: asFitted(o.Output.Clamp.Real, o.Output.Clamp.Text)}
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
		for _, p := range prefixes {
			if !j.NotYet() && strings.HasPrefix(j.ID, p) {
				some.Verdicts = append(some.Verdicts, j)
				break
			}
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
