package fault

import (
	"fmt"
	"math"

	"fettle/internal/circuit"
	"fettle/internal/parts"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// A hypothesis is a cause with what it changes.
type hypothesis struct {
	Cause
	edit func(c *circuit.Circuit) // of the circuit; nil: none
	says map[string]float64       // observations that no static circuit shows: their probability of yes
	dark int                      // a lamp of which no current makes light, from 1; 0: none
	part string                   // two causes of one part are no pair
}

// Priors of classes, as shares of builds that are under suspicion, for each place: common practice, no source.
var priors = map[string]float64{
	"sound":            0.25,
	"dry joint":        0.006,
	"wrong value":      0.004,
	"near value":       0.002,
	"exchanged values": 0.003,
	"short":            0.003,
	"leaky":            0.002,
	"turned round":     0.005,
	"leads exchanged":  0.004,
	"bridge":           0.003,
	"dead lamp":        0.02,
	"lamp reversed":    0.01,
	"dry contact":      0.01,
	"chip not running": 0.03,
	"no messages":      0.03,
	"pin":              0.006,
	"wrong pin":        0.01,
	"supply":           0.005,
	"comes and goes":   0.02,
}

const (
	brokenOhm = unit.Ohm(1e9) // a break: flux and board
	shortOhm  = unit.Ohm(0.05)
	leakOhm   = unit.Ohm(3300)
	pinOhm    = unit.Ohm(40) // of a chip's pin
)

type generator struct {
	n    *wiring.Network
	off  float64 // share by which values that are wrong are off besides, for simulations
	list []hypothesis
}

// value is another resistor in the place of one.
func (g *generator) value(e circuit.Elem, v unit.Ohm) func(c *circuit.Circuit) {
	v *= unit.Ohm(1 + g.off)
	return func(c *circuit.Circuit) {
		x := c.Elements()[e].Nodes
		c.Remove(e)
		c.Resistor("wrong value", x[0], x[1], v)
	}
}

// both applies two edits.
func both(a, b func(c *circuit.Circuit)) func(c *circuit.Circuit) {
	return func(c *circuit.Circuit) { a(c); b(c) }
}

// loosen moves all elements at a node but those kept to a node of their own: a joint that does not conduct.
func loosen(at circuit.Node, keep map[circuit.Elem]bool) func(c *circuit.Circuit) {
	return func(c *circuit.Circuit) {
		loose := c.Node("loose end")
		for e, x := range c.Elements() {
			for k, n := range x.Nodes {
				if n == at && !keep[circuit.Elem(e)] {
					c.Reconnect(circuit.Elem(e), k, loose)
				}
			}
		}
		c.Resistor("break", at, loose, brokenOhm)
	}
}

func (g *generator) add(class, part, id, words, repair string, h hypothesis) *hypothesis {
	h.ID, h.Class, h.part, h.Words, h.Repair = id, class, part, words, repair
	if h.Prior == 0 {
		h.Prior = priors[class]
	}
	g.list = append(g.list, h)
	return &g.list[len(g.list)-1]
}

// breakAt moves a terminal of an element to a node of its own.
func breakAt(e circuit.Elem, terminal int) func(c *circuit.Circuit) {
	return func(c *circuit.Circuit) {
		was := c.Elements()[e].Nodes[terminal]
		loose := c.Node("loose end")
		c.Resistor("break", was, loose, brokenOhm)
		c.Reconnect(e, terminal, loose)
	}
}

func bridge(a, b circuit.Node, r unit.Ohm) func(c *circuit.Circuit) {
	return func(c *circuit.Circuit) { c.Resistor("bridge", a, b, r) }
}

// exchange puts two terminals of an element at each other's nodes.
func exchange(e circuit.Elem, a, b int) func(c *circuit.Circuit) {
	return func(c *circuit.Circuit) {
		x := c.Elements()[e].Nodes
		na, nb := x[a], x[b]
		c.Reconnect(e, a, nb)
		c.Reconnect(e, b, na)
	}
}

// hypotheses are generated from the network.
func hypotheses(n *wiring.Network, off float64) []hypothesis {
	g := &generator{n: n, off: off}
	sound := g.add("sound", "", Healthy, "nothing is wrong", "none", hypothesis{})
	sound.Check = ""
	for i := range n.Outputs {
		g.output(i)
	}
	for i := range n.Lamps {
		g.lamp(i)
	}
	g.supply()
	g.chip()
	return g.list
}

func (g *generator) output(i int) {
	n := g.n
	o := &n.Outputs[i]
	id := "output." + o.Name
	of := " of " + o.Of()
	for k := range o.Resistors {
		r := &o.Resistors[k]
		part := id + "." + r.Attr
		what := r.Words + of
		fit := fmt.Sprintf("fit %s as the %s", r.Value(), what)
		check := fmt.Sprintf("unpowered, the %s reads %s", what, r.Value())
		value := func(v unit.Ohm) func(c *circuit.Circuit) { return g.value(r.Elem, v) }
		h := g.add("dry joint", part, part+".open", "the "+what+" is open or not soldered", "solder or replace the "+what, hypothesis{edit: value(brokenOhm)})
		h.Check = check
		h = g.add("short", part, part+".short", "the "+what+" is bridged", "clear the bridge across the "+what, hypothesis{edit: value(shortOhm)})
		h.Check = check
		if r.Load {
			h.Damaged = "the lamp and the switch" + of + " had more current than they were meant for"
		}
		for _, slip := range []struct {
			id     string
			factor float64
			class  string
		}{{"times-1000", 1000, "near value"}, {"times-10", 10, "wrong value"}, {"tenth", 0.1, "wrong value"}, {"thousandth", 0.001, "near value"}, {"next-up", 1.5, "near value"}, {"next-down", 1 / 1.5, "near value"}} {
			v := r.Value() * unit.Ohm(slip.factor)
			if v = parts.Nearest(v, "E12"); v < 1 || v > 50e6 {
				continue
			}
			h := g.add(slip.class, part, part+"."+slip.id, fmt.Sprintf("the %s is %s in place of %s", what, v, r.Value()), fit, hypothesis{edit: value(v)})
			h.Check = check
			if r.Load && slip.factor < 1 {
				h.Damaged = "the lamp and the switch" + of + " had more current than they were meant for"
			}
		}
		for m := range o.Resistors {
			b := &o.Resistors[m]
			if m <= k || math.Abs(math.Log(float64(b.Value()/r.Value()))) < 0.2 {
				continue
			}
			va, vb := r.Value(), b.Value()
			g.add("exchanged values", part, part+".for-"+b.Attr, fmt.Sprintf("%s and %s%s are exchanged", r.Words, b.Words, of), fmt.Sprintf("exchange %s and %s%s", r.Words, b.Words, of),
				hypothesis{edit: both(g.value(r.Elem, vb), g.value(b.Elem, va))}).Check = check
		}
	}
	for _, t := range o.Transistors() {
		part := id + "." + plainName(t.Role)
		what := t.Words
		leads := [3]string{"collector", "base", "emitter"}
		if t.FET != nil {
			leads = [3]string{"drain", "gate", "source"}
		}
		nodes := [3]circuit.Node{t.Out, t.Input, t.Common}
		replace := "replace the " + what + " (" + t.Name + ")"
		check := "the lamp" + of + " comes on and goes off as it is told to"
		for k, lead := range leads {
			e, terminal := t.Elem, k
			if k == 1 && t.Prebiased() {
				e, terminal = t.R1, 0
			}
			g.add("dry joint", part, part+".open-"+lead, fmt.Sprintf("the %s of the %s is open", lead, what), fmt.Sprintf("solder the %s of the %s; if that is no help, replace it", lead, what), hypothesis{edit: breakAt(e, terminal)}).Check = check
		}
		for _, s := range [][2]int{{0, 2}, {0, 1}, {1, 2}} {
			a, b := leads[s[0]], leads[s[1]]
			if nodes[s[0]] == nodes[s[1]] {
				continue
			}
			h := g.add("short", part, part+".short-"+a+"-"+b, fmt.Sprintf("%s and %s of the %s are shorted", a, b, what), "clear a bridge, else "+replace, hypothesis{edit: bridge(nodes[s[0]], nodes[s[1]], shortOhm)})
			h.Check = check
			if s == [2]int{0, 1} {
				h.Damaged = "the chip's pin " + o.Output.From.Text + ", which had the lamp's voltage through the base resistor"
			}
		}
		g.add("leaky", part, part+".leaky", fmt.Sprintf("the %s leaks from %s to %s", what, leads[0], leads[2]), replace, hypothesis{edit: bridge(nodes[0], nodes[2], leakOhm)}).Check = check
		for _, s := range [][2]int{{0, 2}, {1, 2}, {0, 1}} {
			if t.Prebiased() && s != [2]int{0, 2} {
				continue
			}
			g.add("leads exchanged", part, part+".exchanged-"+leads[s[0]]+"-"+leads[s[1]], fmt.Sprintf("the %s sits with %s and %s exchanged", what, leads[s[0]], leads[s[1]]), "turn the "+what+" by its sheet's pinout", hypothesis{edit: exchange(t.Elem, s[0], s[1])}).Check = check
		}
	}
}

func (g *generator) lamp(i int) {
	l := &g.n.Lamps[i]
	part, what := "lamp."+l.Name, l.Words
	check := what + " lights from a bench supply through 1 kΩ"
	first := l.Hidden
	if l.Diodes[0] >= 0 {
		first = l.Diodes[0]
	} else if l.Filament >= 0 {
		first = l.Filament
	}
	dead := breakAt(first, 0)
	if l.Structure == wiring.BridgeBoard || l.Structure == wiring.LimitedBridgeBoard {
		dead = func(c *circuit.Circuit) { // both its wires' ways in
			breakAt(l.Diodes[0], 0)(c)
			breakAt(l.Diodes[2], 1)(c)
		}
	}
	g.add("dead lamp", part, part+".dead", what+" is dead or its lead is broken", "replace "+what+" or mend its lead, in the vehicle", hypothesis{edit: dead}).Check = check
	if l.LED >= 0 && !l.Structure.BothWays() {
		g.add("lamp reversed", part, part+".reversed", what+" is joined the wrong way round", "exchange the two leads of "+what, hypothesis{edit: func(c *circuit.Circuit) { turn(c, l) }}).Check = check
		g.add("short", part, part+".short", "the LED of "+what+" is shorted", "replace the LED of "+what, hypothesis{edit: bridge(l.Inside, l.To, shortOhm), dark: i + 1}).Check = check
	}
	g.add("dry contact", part+".socket", part+".contact", "the socket contact or wire of "+what+" does not conduct", "clean and press the contact, mend the wire to "+what, hypothesis{edit: loosen(l.Socket, lampElems(l))}).Check = what + " comes on when it is told to"
}

// lampElems are the elements of a lamp.
func lampElems(l *wiring.LampNet) map[circuit.Elem]bool {
	own := map[circuit.Elem]bool{}
	for _, e := range append(l.Diodes[:], l.Hidden, l.LED, l.Back, l.Leak, l.Regulator, l.Filament) {
		if e >= 0 {
			own[e] = true
		}
	}
	return own
}

// turn exchanges the two leads of a lamp.
func turn(c *circuit.Circuit, l *wiring.LampNet) {
	for e := range lampElems(l) {
		for k, n := range c.Elements()[e].Nodes {
			switch n {
			case l.Feeding:
				c.Reconnect(e, k, l.Socket)
			case l.Socket:
				c.Reconnect(e, k, l.Feeding)
			}
		}
	}
}

func (g *generator) supply() {
	n := g.n
	check := fmt.Sprintf("the chip's supply reads %s", n.SupplyNominal())
	names := [4]string{"left rail to plus", "right rail to plus", "minus to left rail", "minus to right rail"}
	for k, e := range n.Bridge {
		part := fmt.Sprintf("rectifier.%d", k+1)
		fix := "replace the rectifier " + n.Rectifier.Name
		if !n.Bridged {
			fix = "replace the rectifier diode from " + names[k]
		}
		g.add("dry joint", "rectifier", part+".open", "the rectifier is open from "+names[k], fix, hypothesis{edit: breakAt(e, 0)}).Check = check
		x := n.Circuit.Elements()[e].Nodes
		h := g.add("short", "rectifier", part+".short", "the rectifier is shorted from "+names[k], fix, hypothesis{edit: bridge(x[0], x[1], shortOhm)})
		h.Check, h.Damaged = check, "the rest of the rectifier and the wires to the rail"
		if !n.Bridged {
			h := g.add("turned round", "rectifier", part+".turned", "the rectifier diode from "+names[k]+" is turned round", "turn the rectifier diode from "+names[k], hypothesis{edit: exchange(e, 0, 1)})
			h.Check, h.Damaged = check, "the diode beside it"
		}
	}
	if n.Bridged {
		h := g.add("turned round", "rectifier", "rectifier.turned", "the rectifier is turned round: plus and minus exchanged", "turn the rectifier by 180°", hypothesis{edit: func(c *circuit.Circuit) {
			for _, e := range n.Bridge {
				for k, x := range c.Elements()[e].Nodes {
					switch x {
					case n.Plus:
						c.Reconnect(e, k, circuit.Ground)
					case circuit.Ground:
						c.Reconnect(e, k, n.Plus)
					}
				}
			}
		}})
		h.Check, h.Damaged = check, "the reservoir, the regulator and the chip, which had their supply the wrong way round"
		h.Prior = 2 * priors["turned round"]
	}
	for k, side := range []struct {
		words string
		node  circuit.Node
	}{{"left rail", n.LeftRail}, {"right rail", n.RightRail}} {
		g.add("dry contact", "rail", fmt.Sprintf("rail.%d", k+1), "the "+side.words+" does not reach the decoder", "clean wheels and contacts, mend the wire of the "+side.words, hypothesis{edit: func(c *circuit.Circuit) {
			loose := c.Node("rail outside")
			c.Reconnect(n.Track, k, loose)
			c.Resistor("break", loose, side.node, brokenOhm)
		}}).Check = "the " + side.words + " at the decoder reads what the track carries"
	}
	if n.RegPart != nil {
		r := n.RegPart.Name
		for k, lead := range [3]string{"input", "output", "ground"} {
			g.add("dry joint", "regulator", "regulator.open-"+lead, "the "+lead+" of the regulator is open", "solder the "+lead+" of the regulator "+r+"; else replace it", hypothesis{edit: breakAt(n.Regulator, k)}).Check = check
		}
		h := g.add("short", "regulator", "regulator.short", "the regulator is shorted from input to output", "replace the regulator "+r, hypothesis{edit: bridge(n.Plus, n.VCC, shortOhm)})
		h.Check, h.Damaged = check, "the chip, which had the rectified voltage"
		h = g.add("turned round", "regulator", "regulator.turned", "the regulator is turned round: input and output exchanged", "turn the regulator "+r+" by its sheet's pinout", hypothesis{edit: exchange(n.Regulator, 0, 1)})
		h.Check = check
	} else {
		g.add("dry joint", "regulator", "zener.open", "the zener is open", "solder or replace the zener "+n.Zener.Name, hypothesis{edit: breakAt(n.Regulator, 0)}).Check = check
		g.add("short", "regulator", "zener.short", "the zener is shorted", "replace the zener "+n.Zener.Name, hypothesis{edit: bridge(n.VCC, circuit.Ground, shortOhm)}).Check = check
		g.add("turned round", "regulator", "zener.turned", "the zener is turned round", "turn the zener "+n.Zener.Name, hypothesis{edit: exchange(n.Regulator, 0, 1)}).Check = check
	}
	g.add("bridge", "supply", "bridge.supply", "the chip's supply is bridged to minus", "clear the bridge between the chip's supply and minus", hypothesis{edit: bridge(n.VCC, circuit.Ground, shortOhm)}).Check = check
	g.add("bridge", "supply", "bridge.plus", "plus is bridged to minus", "clear the bridge between plus and minus", hypothesis{edit: bridge(n.Plus, circuit.Ground, shortOhm)}).Check = check
}

func (g *generator) chip() {
	n := g.n
	replace := "replace or program the chip " + n.Chip.Name
	g.add("chip not running", "chip", "chip.not-running", "the chip does not run", "see to reset, supply and firmware; then "+replace, hypothesis{
		edit: func(c *circuit.Circuit) {
			for i := range n.Outputs {
				breakAt(n.Outputs[i].Pin, 0)(c)
			}
		}, says: map[string]float64{"answers": 0.01}}).Check = "the outputs follow their functions"
	// A chip that hears nothing holds its outputs off.
	deaf := func(c *circuit.Circuit) {
		for i := range n.Outputs {
			o := &n.Outputs[i]
			breakAt(o.Pin, 0)(c)
			off := circuit.Ground
			if o.ActiveLow {
				off = n.VCC
			}
			c.Resistor("pin held off", o.PinNode, off, pinOhm)
		}
	}
	g.add("no messages", "messages", "chip.clock", "the chip runs eight times too slow (its clock fuse), so that it understands no message", "set the clock fuse and program the chip again", hypothesis{edit: deaf, says: map[string]float64{"answers": 0.02}}).Check = "it answers on the programming track"
	g.add("no messages", "messages", "chip.address", "the decoder has another address than is called", "read CV 1 and CV 29 on the programming track and set the address", hypothesis{edit: deaf, says: map[string]float64{"answers": 0.97}}).Check = "the outputs follow their functions"
	if e := n.Ear; e != nil {
		says := map[string]float64{"answers": 0.02}
		g.add("dry joint", "ear", "ear.open", "the resistor of the ear is open", "solder or replace the resistor of the ear", hypothesis{says: says, edit: both(deaf, g.value(e.Series, brokenOhm))}).Check = "the outputs follow their functions"
		h := g.add("short", "ear", "ear.short", "the resistor of the ear is bridged", "clear the bridge across the resistor of the ear", hypothesis{says: map[string]float64{"answers": 0.5}, edit: g.value(e.Series, shortOhm)})
		h.Damaged = "the chip's pin " + e.Into
		for _, f := range []float64{10, 0.1} {
			v := parts.Nearest(e.Value()*unit.Ohm(f), "E12")
			g.add("wrong value", "ear", fmt.Sprintf("ear.%g", f), fmt.Sprintf("the resistor of the ear is %s in place of %s", v, e.Value()), fmt.Sprintf("fit %s as the resistor of the ear", e.Value()),
				hypothesis{says: map[string]float64{"answers": 0.6}, edit: g.value(e.Series, v)})
		}
	}
	for i := range n.Outputs {
		o := &n.Outputs[i]
		if o.Acknowledge {
			continue
		}
		pin := "pin " + o.Output.From.Text
		part := "pin." + o.Output.From.Text
		g.add("dry joint", part, part+".open", pin+" is not joined to "+o.Of(), "solder "+pin, hypothesis{edit: loosen(o.PinNode, map[circuit.Elem]bool{o.Pin: true})}).Check = "the pin and its resistor read the same voltage"
		g.add("pin", part, part+".input", pin+" is left an input by the firmware, or is damaged", "set the pin in the firmware; else replace the chip", hypothesis{edit: breakAt(o.Pin, 0)}).Check = pin + " reads the chip's supply when its output is on"
		g.add("bridge", part, part+".low", pin+" is bridged to minus", "clear the bridge between "+pin+" and minus", hypothesis{edit: bridge(o.PinNode, circuit.Ground, shortOhm)}).Check = pin + " reads the chip's supply when its output is on"
		g.add("bridge", part, part+".high", pin+" is bridged to the chip's supply", "clear the bridge between "+pin+" and the chip's supply", hypothesis{edit: bridge(o.PinNode, n.VCC, shortOhm)}).Check = pin + " reads nothing when its output is off"
		for k := range i {
			p := &n.Outputs[k]
			if p.Acknowledge || n.Share(i, k) {
				continue
			}
			g.add("wrong pin", "pins", part+".for-"+p.Output.From.Text, "the outputs "+o.Name+" and "+p.Name+" are exchanged", "exchange the two outputs in the wiring or the function mapping", hypothesis{edit: func(c *circuit.Circuit) {
				c.Reconnect(o.Pin, 0, p.PinNode)
				c.Reconnect(p.Pin, 0, o.PinNode)
			}})
			g.add("bridge", "pins", part+".bridge-"+p.Output.From.Text, pin+" and pin "+p.Output.From.Text+" are bridged", "clear the bridge between "+pin+" and pin "+p.Output.From.Text, hypothesis{edit: bridge(o.PinNode, p.PinNode, shortOhm)})
		}
	}
	g.add("comes and goes", "joint", "joint.intermittent", "a joint that comes and goes", "go over all joints with the iron, press and warm part by part", hypothesis{says: map[string]float64{"pressing": 0.8, "goes": 0.9}})
}
