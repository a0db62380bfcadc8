package defect

import (
	"fmt"
	"math"

	"fettle/internal/circuit"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// A Scope is where an edit shows; elsewhere all is as if nothing were wrong.
type Scope uint8

const (
	Everywhere Scope = iota
	Powered          // whenever there is power
	InVehicle        // with the decoder in its vehicle, on DC and on DCC
	OnDCC            // in its vehicle on DCC: a fault of the track's signal
)

// What stands for dirt, for flux that draws water, and for a programmer's lines: common practice, no source.
const (
	dirtyOhm      = unit.Ohm(330)
	fluxOhm       = unit.Ohm(47e3)
	programmerOhm = unit.Ohm(1000)
)

// vehicle is what is wrong with it as a whole, or with what its lamps share.
func (g *generator) vehicle(plug func(c *circuit.Circuit)) {
	n := g.n
	if plug != nil {
		g.add("plug turned", "plug", "plug.turned", "the plug sits turned round in its socket", "turn the plug round", Hypothesis{Edit: plug, Only: InVehicle, Says: map[string]float64{PlugTurned: 0.9}}).Check = "the lamps follow their functions, and the direction is right"
	}
	measure := "measure this vehicle's lamps, or take the one that was measured"
	says := map[string]float64{Swapped: 0.1}
	var hidden []int
	for i := range n.Lamps {
		if l := &n.Lamps[i]; l.Hidden >= 0 && n.Circuit.Elements()[l.Hidden].Kind == circuit.KindResistor {
			hidden = append(hidden, i)
		}
	}
	if len(hidden) > 0 {
		g.add("another vehicle", "vehicle", "vehicle.lamps", "this is not the vehicle that was measured: its lamps have twice the resistance", measure, Hypothesis{Says: says, Typical: true, Edit: func(c *circuit.Circuit) {
			for _, i := range hidden {
				e := n.Lamps[i].Hidden
				x := c.Elements()[e]
				inside := c.Node("more of the lamp's resistance")
				c.Resistor("more of the lamp's resistance", inside, x.Nodes[1], x.Ohm)
				c.Reconnect(e, 1, inside)
			}
		}}).Check = "each lamp reads on the bench what was measured"
	}
	fed := 0
	for i := range n.Lamps {
		if f := n.Lamps[i].Feeding; f == n.LeftRail || f == n.RightRail {
			fed++
		}
	}
	if fed > 0 {
		g.add("another vehicle", "vehicle", "vehicle.feed", "this is not the vehicle that was measured: its lamps are fed from the other rail", measure, Hypothesis{Says: says, Only: InVehicle, Edit: func(c *circuit.Circuit) {
			for i := range n.Lamps {
				l := &n.Lamps[i]
				other := n.LeftRail
				switch l.Feeding {
				case n.LeftRail:
					other = n.RightRail
				case n.RightRail:
				default:
					continue
				}
				for e := range lampElems(l) {
					for k, x := range c.Elements()[e].Nodes {
						if x == l.Feeding {
							c.Reconnect(e, k, other)
						}
					}
				}
			}
		}}).Check = "each lamp's feed rings out to the rail in the build file"
	}
	for k, i := range hidden {
		for _, j := range hidden[:k] {
			a, b := &n.Lamps[j], &n.Lamps[i]
			if a.Feeding != b.Feeding || a.LED < 0 || b.LED < 0 || a.Structure.BothWays() || b.Structure.BothWays() {
				continue
			}
			g.add("shared resistor", "vehicle", "vehicle.shared-"+a.Name+"-"+b.Name, fmt.Sprintf("%s and %s sit behind one resistor in the vehicle", a.Words, b.Words), fmt.Sprintf("give %s a resistor of its own in the vehicle", b.Words),
				Hypothesis{Only: InVehicle, Says: map[string]float64{Dims: 0.9}, Edit: func(c *circuit.Circuit) {
					c.Resistor("joined behind one resistor", a.Inside, b.Inside, Contact)
					c.Remove(b.Hidden)
				}}).Check = "neither lamp dims when the other comes on"
		}
	}
}

// track is what is wrong with what the rails carry in place of DCC at its usual voltage.
func (g *generator) track() {
	n := g.n
	usual := n.Build.Track.Usual.Or(14)
	part := "track"
	says := func(answers float64) map[string]float64 {
		return map[string]float64{OtherTrack: 0.03, Answers: answers}
	}
	apart := func(c *circuit.Circuit) {
		for k := range 2 {
			loose := c.Node("no rail")
			c.Resistor("insulation", loose, circuit.Ground, brokenOhm)
			c.Reconnect(n.Track, k, loose)
		}
	}
	if !n.Single {
		g.add("track", part, "track.dc", "the track carries DC, not DCC", "switch the track to DCC", Hypothesis{Only: OnDCC, Says: says(0.5), Edit: both(g.deaf, func(c *circuit.Circuit) {
			apart(c)
			c.Voltage("DC on the track", n.LeftRail, n.RightRail, usual)
		})}).Check = "the meter on AC volts reads the track voltage between the rails"
		g.add("track", part, "track.none", "the track carries nothing", "see to the booster, its fuse and the wires to the track", Hypothesis{Only: OnDCC, Says: says(0.5), Edit: both(g.deaf, func(c *circuit.Circuit) {
			apart(c)
			c.Resistor("a dead booster", n.LeftRail, n.RightRail, 10e3)
		})}).Check = "the meter on AC volts reads the track voltage between the rails"
		// A stiff divider halves the track for both polarities; its current is the booster's alone.
		g.add("track", part, "track.low", "the track carries half its voltage", "see to the booster and the wires to the track", Hypothesis{Only: OnDCC, Says: says(0.6), Edit: func(c *circuit.Circuit) {
			x := c.Elements()[n.Track].Nodes
			side := 0
			if x[0] == circuit.Ground {
				side = 1
			}
			rail := x[side]
			whole := c.Node("the whole track voltage")
			c.Reconnect(n.Track, side, whole)
			c.Resistor("half the track", whole, rail, 20)
			c.Resistor("half the track", rail, x[1-side], 20)
		}}).Check = fmt.Sprintf("the meter on AC volts reads about %s between the rails", usual)
	}
	g.add("dry contact", "rail", "rail.dirty", fmt.Sprintf("wheels or rails are dirty: %s in the way", dirtyOhm), "clean wheels, contacts and rails", Hypothesis{Only: InVehicle, Says: map[string]float64{Flickers: 0.8, Goes: 0.8, Answers: 0.4}, Edit: func(c *circuit.Circuit) {
		side := 0
		if c.Elements()[n.Track].Nodes[0] == circuit.Ground {
			side = 1
		}
		outside := c.Node("rail outside")
		rail := c.Elements()[n.Track].Nodes[side]
		c.Reconnect(n.Track, side, outside)
		c.Resistor("dirt", outside, rail, dirtyOhm)
	}}).Check = "the lights are steady while it rolls"
}

// board is what is wrong with it beyond its parts: what was left on it, what time and warmth show.
func (g *generator) board() {
	n := g.n
	for i := range n.Outputs {
		o := &n.Outputs[i]
		for _, t := range o.Transistors() {
			from := n.Plus
			if t.High {
				from = circuit.Ground
			}
			if t.Input == from || o.Acknowledge {
				continue
			}
			g.add("flux", "flux", "flux."+o.Name+"."+t.Role, fmt.Sprintf("flux or dirt leaks at the base or gate of the %s", t.Words), "wash the flux off the board and dry it", Hypothesis{
				Says: map[string]float64{Cleaning: 0.85, Goes: 0.5, Warming: 0.3}, Edit: bridge(from, t.Input, fluxOhm)}).Check = "the lamp stays dark while its output is off, also in damp weather"
		}
	}
	lines := func(c *circuit.Circuit) {
		for i := range n.Outputs {
			c.Resistor("line of the programmer", n.Outputs[i].PinNode, circuit.Ground, programmerOhm)
		}
		if n.Ear != nil {
			c.Resistor("line of the programmer", n.Ear.Node, circuit.Ground, programmerOhm)
		}
	}
	g.add("programmer attached", "programmer", "programmer.attached", "a programmer is still attached and loads the pins", "take the programmer off", Hypothesis{Edit: lines, Says: map[string]float64{Attached: 0.98, Answers: 0.1}}).Check = "the outputs follow their functions"
	// Signatures of what shows in time alone.
	for _, s := range []struct {
		class, id, words, repair, check string
		says                            map[string]float64
	}{
		{"decoupling", "supply.decoupling", "the capacitor at the chip's supply is missing or too far away", "fit 100 nF right at the chip's supply pins", "no restart while the lights switch and the motor runs",
			map[string]float64{Goes: 0.75, Flickers: 0.8, PowerOff: 0.5, Forgets: 0.1, Answers: 0.6}},
		{"brown-out off", "chip.brown-out", "the chip's brown-out detector is off", "set the brown-out fuse and write the settings again", "it keeps its settings over a hundred interruptions of the track",
			map[string]float64{Goes: 0.6, Forgets: 0.85, PowerOff: 0.7, Flickers: 0.2, Answers: 0.85}},
		{"EEPROM", "chip.eeprom", "the settings in the EEPROM are corrupted", "reset the decoder to its defaults (CV 8) and set the address again", "the settings read back as they were written",
			map[string]float64{Forgets: 0.9, Goes: 0.1, Answers: 0.85}},
		{"clock drift", "chip.clock-drift", "the chip's clock is off, more so warm or cold", "calibrate the clock and write the value to this chip", "it follows when cold and when warm",
			map[string]float64{Warming: 0.85, Goes: 0.75, Answers: 0.5}},
		{"changes when warm", "part.warm", "a part changes when it is warm", "find it with a warm iron tip held near, then replace it", "it works when cold and when warm",
			map[string]float64{Warming: 0.9, Goes: 0.7, PowerOff: 0.4, Pressing: 0.1}},
	} {
		g.add(s.class, s.id, s.id, s.words, s.repair, Hypothesis{Says: s.says}).Check = s.check
	}
	// The chip's supply pin off its joint: it lives on what comes in through the ear and its clamp diode, if at all.
	g.add("dry joint", "chip supply", "chip.supply-open", "the chip's supply pin is not joined: the chip is fed through the ear, if at all", "solder the chip's supply pin", Hypothesis{
		Says: map[string]float64{Answers: 0.1, Goes: 0.3, PowerOff: 0.2}, Edit: func(c *circuit.Circuit) {
			own := c.Node("supply pin of the chip")
			for e, x := range c.Elements() {
				if x.Kind != circuit.KindPin && circuit.Elem(e) != n.ChipDraw {
					continue
				}
				for k, at := range x.Nodes {
					if at == n.VCC {
						c.Reconnect(circuit.Elem(e), k, own)
					}
				}
			}
			c.Resistor("break", n.VCC, own, brokenOhm)
		}}).Check = fmt.Sprintf("the chip's pin itself reads %s", n.SupplyNominal())
}

// borrowed puts the value of the same resistor of another output, or of another decoder of the build, in the place of one: taken from
// the wrong notes.
func (g *generator) borrowed() {
	type other struct {
		of string
		v  unit.Ohm
	}
	for i := range g.n.Outputs {
		o := &g.n.Outputs[i]
		for k := range o.Resistors {
			r := &o.Resistors[k]
			var list []other
			for j := range g.n.Outputs {
				if p, ok := g.n.Outputs[j].Resistor(r.Attr); ok && j != i {
					list = append(list, other{g.n.Outputs[j].Of(), p.Value()})
				}
			}
			for d := range g.n.Build.Decoders {
				if dec := &g.n.Build.Decoders[d]; dec != g.n.Decoder && dec.Name.Text != g.n.Decoder.Name.Text {
					for q := range dec.Outputs {
						if v := wiring.ValueOf(&dec.Outputs[q], r.Attr); v.Known() {
							list = append(list, other{"decoder " + dec.Name.Text, v.Value})
						}
					}
				}
			}
			done := map[string]bool{}
			for _, x := range list {
				if key := x.v.String(); done[key] || !(x.v > 0) || math.Abs(math.Log(float64(x.v/r.Value()))) < 0.1 {
					continue
				} else {
					done[key] = true
				}
				part := "output." + o.Name + "." + r.Attr
				g.add("borrowed value", part, part+".of-"+x.v.String(), fmt.Sprintf("the %s of %s is %s, as in %s, in place of %s", r.Words, o.Of(), x.v, x.of, r.Value()),
					fmt.Sprintf("fit %s as the %s of %s", r.Value(), r.Words, o.Of()), Hypothesis{Edit: g.value(r.Elem, x.v)}).Check = fmt.Sprintf("unpowered, the %s of %s reads %s", r.Words, o.Of(), r.Value())
			}
		}
	}
}
