package draw

import (
	"cmp"
	"fmt"
	"strings"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// Of describes a wired decoder for drawing: its parts with their values, and the worst verdict of each.
func Of(n *wiring.Network, f finding.Findings) Schematic {
	d := n.Decoder
	s := Schematic{
		ID: "circuit-" + d.Name.Text, Title: "Decoder " + d.Name.Text + " in " + n.Vehicle.Name.Text,
		Rails:  Rails{Left: build.LeftRail, Right: build.RightRail, Plus: build.RectifiedPlus, Logic: "chip supply", Minus: "decoder minus"},
		Supply: Supply{Rectifier: Part{Name: "rectifier", Value: n.Rectifier.Name}, Regulator: Part{Name: "regulator", Value: n.RegPart.Name}},
		Chip:   Part{Name: "chip", Value: n.Chip.Name, Verdict: worst(f, "chip.", "decoder."+d.Name.Text+".chip.")},
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
		s.Listen = Listen{From: d.Listen.From.Text, Into: d.Listen.Into.Text, Series: Part{Name: "ear", Value: open(d.Listen.Series.Known(), d.Listen.Series.Value.String())}}
	}
	for i := range n.Outputs {
		o := &n.Outputs[i]
		id := o.ID + "."
		best := o.Post.Best
		pin := ""
		if o.Lamp.Pin.Known() {
			pin = fmt.Sprintf("pin %d", o.Lamp.Pin.Value)
		}
		pulldown := Part{Name: "pull-down", Value: o.Output.Pulldown.Value.String(), Verdict: worst(f, id+"pulldown", id+"dark")}
		if o.Output.Pulldown.Text == "none" {
			pulldown = Part{}
		}
		s.Outputs = append(s.Outputs, SchematicOutput{
			Name: o.Name, Lamp: o.LampName, Feed: o.Feed, Pin: o.Output.From.Text, SocketPin: pin,
			Series: []Part{{Name: "series", Value: o.Output.Series.Value.String(), Verdict: worst(f, id+"series", id+"good", id+"seen", id+"never-above")}},
			LED:    Part{Name: o.LampName, Value: cmp.Or(o.Lamp.LEDs.Text, o.Post.Class), Verdict: worst(f, id+"led-")}, InSeries: best.Series, Parallel: best.Parallel,
			Hidden:   Part{Name: "hidden", Value: "≈ " + unit.Format(float64(best.Hidden), unit.SymOhm, 2)},
			Switch:   Part{Name: "switch", Value: o.Part.Name, Verdict: worst(f, id+"saturated", id+"overdrive", id+"vceo", id+"ic", id+"switch-heat")},
			Base:     Part{Name: "base", Value: o.Output.Base.Value.String(), Verdict: worst(f, id+"base", id+"overdrive", id+"pin-current")},
			Pulldown: pulldown,
			Verdict:  worst(f, id),
		})
	}
	return s
}

// worst is the worst verdict whose identifier begins with one of the prefixes.
func worst(f finding.Findings, prefixes ...string) finding.Verdict {
	var some finding.Findings
	for _, j := range f.Verdicts {
		for _, p := range prefixes {
			if strings.HasPrefix(j.ID, p) {
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
