package defect

import (
	_ "embed"
	"encoding/csv"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"fettle/internal/circuit"
	"fettle/internal/device"
	"fettle/internal/parts"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// A Hypothesis is one thing that may be wrong with a decoder in its vehicle, or two that are likely together, or that
// nothing is. It is a fault of the network: elements keep their numbers, so that whatever varies varies on.
type Hypothesis struct {
	ID      string
	Words   string // "base resistor of output front: 47 kΩ in place of 4.7 kΩ"
	Class   string // of the priors
	Prior   float64
	Part    string // two hypotheses of one part are no pair
	Repair  string // those of the same words are mended alike
	Damaged string // what it may have damaged besides; may be empty
	Check   string // that proves it mended

	Edit func(c *circuit.Circuit) // nil: none
	Idle func(c *circuit.Circuit) // the edit while there is no power, where that is another; nil: Edit
	Only Scope                    // where the edit shows
	// Says are Observations, each with its probability of yes.
	Says map[string]float64
	// Harms: while it is not mended, power costs parts.
	Harms bool
	// Typical: what the edit puts in is typical, without the spread of such parts.
	Typical bool
	Of      []string // of a pair: the IDs of the two
	Dark    int      // a lamp (from 1) of which no current makes light; 0: none
}

// Sound is the ID of the hypothesis that nothing is wrong.
const Sound = "healthy"

//go:embed priors.csv
var priorsCSV string

// Priors are the shares of builds under suspicion that have a fault of a class, for each place that may have it: common
// practice, no source. Overrides, in the same form (class,share,note), stand for some of them.
func Priors(overrides string) (map[string]float64, error) {
	out := map[string]float64{}
	for _, src := range []string{priorsCSV, overrides} {
		r := csv.NewReader(strings.NewReader(src))
		r.Comment, r.FieldsPerRecord = '#', -1
		rows, err := r.ReadAll()
		if err != nil {
			return nil, fmt.Errorf("table of priors: %w", err)
		}
		for i, row := range rows {
			if i == 0 && row[0] == "class" {
				continue
			}
			if len(row) < 2 {
				return nil, fmt.Errorf("table of priors: %q has no share; a row is class,share,note", row[0])
			}
			share, err := strconv.ParseFloat(strings.TrimSpace(row[1]), 64)
			if err != nil || !(share >= 0 && share < 1) {
				return nil, fmt.Errorf("table of priors: the share of %q is %q; a number from 0 to below 1 is wanted", row[0], row[1])
			}
			if _, ok := out[row[0]]; !ok && src == overrides {
				return nil, fmt.Errorf("table of priors: there is no class %q; there are %s", row[0], strings.Join(slices.Sorted(maps.Keys(out)), ", "))
			}
			out[row[0]] = share
		}
	}
	return out, nil
}

const (
	brokenOhm = unit.Ohm(1e9) // a break: flux and board
	shortOhm  = Contact
	leakOhm   = unit.Ohm(3300)
	pinOhm    = unit.Ohm(40) // of a chip's pin
)

// typical are the classes whose edits put in another part.
var typical = []string{"wrong value", "near value", "prefix", "digits exchanged", "exchanged values", "look-alike", "wrong transistor", "borrowed value"}

// harmful are the classes that cost parts under power.
var harmful = []string{"short", "bridge", "turned round", "leads exchanged", "look-alike", "wrong transistor"}

type generator struct {
	n      *wiring.Network
	off    float64
	priors map[string]float64
	list   []Hypothesis
}

// Options of Hypotheses. The zero value is what a diagnosis uses.
type Options struct {
	Priors map[string]float64 // nil: those of the table
	// Off is a share by which values that are wrong are off besides: simulations use it, a diagnosis does not know it.
	Off float64
	// Plug turns the plug of the decoder in its socket; nil: it has none that goes in both ways.
	Plug func(c *circuit.Circuit)
	// Pairs is how many of the likeliest pairs are added; 0: 24, negative: none.
	Pairs int
}

const usualPairs = 24

// Hypotheses are generated from the network itself, nothing wrong first: every part open, shorted, leaky, of another
// value, turned round; every transistor another one; bridges between the pins of each part; the chip, its pins and what
// it hears; the lamps, their contacts and the rails.
func Hypotheses(n *wiring.Network, opts Options) ([]Hypothesis, error) {
	if opts.Priors == nil {
		p, err := Priors("")
		if err != nil {
			return nil, err
		}
		opts.Priors = p
	}
	if opts.Pairs == 0 {
		opts.Pairs = usualPairs
	}
	g := &generator{n: n, off: opts.Off, priors: opts.Priors}
	g.add("sound", "", Sound, "nothing is wrong", "none", Hypothesis{})
	for i := range n.Outputs {
		g.output(i)
	}
	for i := range n.Lamps {
		g.lamp(i)
	}
	g.supply()
	g.chip()
	g.borrowed()
	g.board()
	g.vehicle(opts.Plug)
	g.track()
	for i := range g.list {
		h := &g.list[i]
		h.Harms = h.Edit != nil && (h.Damaged != "" || slices.Contains(harmful, h.Class))
	}
	g.measured()
	g.pairs(opts.Pairs)
	return g.list, nil
}

// pairs adds the likeliest pairs of single faults of different parts that are edits of the circuit. Where one is, the other is as
// likely as anywhere.
func (g *generator) pairs(most int) {
	singles := g.list[1:]
	type pair struct{ a, b int }
	var list []pair
	for a := range singles {
		for b := range a {
			x, y := &singles[a], &singles[b]
			if x.Part != y.Part && x.Only == Everywhere && y.Only == Everywhere && x.Edit != nil && y.Edit != nil && x.Says == nil && y.Says == nil && x.Idle == nil && y.Idle == nil && (x.Dark == 0 || y.Dark == 0) {
				list = append(list, pair{b, a})
			}
		}
	}
	slices.SortStableFunc(list, func(p, q pair) int {
		x, y := singles[p.a].Prior*singles[p.b].Prior, singles[q.a].Prior*singles[q.b].Prior
		switch {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	for _, p := range list[:max(0, min(most, len(list)))] {
		x, y := singles[p.a], singles[p.b]
		g.list = append(g.list, Hypothesis{ID: x.ID + "+" + y.ID, Words: x.Words + ", and " + y.Words, Class: "pair", Prior: x.Prior * y.Prior, Part: "pair",
			Repair: x.Repair + "; and " + y.Repair, Damaged: strings.Trim(x.Damaged+"; "+y.Damaged, "; "), Check: strings.Trim(x.Check+"; "+y.Check, "; "),
			Edit: both(x.Edit, y.Edit), Typical: x.Typical || y.Typical, Harms: x.Harms || y.Harms, Of: []string{x.ID, y.ID}, Dark: max(x.Dark, y.Dark)})
	}
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

func (g *generator) add(class, part, id, words, repair string, h Hypothesis) *Hypothesis {
	h.ID, h.Class, h.Part, h.Words, h.Repair = id, class, part, words, repair
	h.Typical = h.Typical || slices.Contains(typical, class)
	if h.Prior == 0 {
		h.Prior = g.priors[class]
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

func (g *generator) output(i int) {
	n := g.n
	o := &n.Outputs[i]
	id := "output." + o.Name
	of := " of " + o.Of()
	for k := range o.Resistors {
		r := &o.Resistors[k]
		part := id + "." + r.Attr
		what := r.Words + of
		fit := fmt.Sprintf("fit %s as the %s", r.Meant(), what)
		check := fmt.Sprintf("unpowered, the %s reads %s", what, r.Value())
		value := func(v unit.Ohm) func(c *circuit.Circuit) { return g.value(r.Elem, v) }
		h := g.add("dry joint", part, part+".open", "the "+what+" is open or not soldered", "solder or replace the "+what, Hypothesis{Edit: value(brokenOhm)})
		h.Check = check
		h = g.add("short", part, part+".short", "the "+what+" is bridged", "clear the bridge across the "+what, Hypothesis{Edit: value(shortOhm)})
		h.Check = check
		if r.Load {
			h.Damaged = "the lamp and the switch" + of + " had more current than they were meant for"
		}
		for _, slip := range []struct {
			id     string
			factor float64
			class  string
		}{{"times-1000", 1000, "prefix"}, {"times-10", 10, "wrong value"}, {"tenth", 0.1, "wrong value"}, {"thousandth", 0.001, "prefix"}, {"next-up", 1.1, "near value"}, {"next-down", 1 / 1.1, "near value"}, {"digits", 0, "digits exchanged"}} {
			v := parts.Nearest(r.Value()*unit.Ohm(slip.factor), "E24")
			if slip.factor == 0 {
				v = exchanged(r.Value())
			}
			if !(v >= 1 && v <= 50e6) || math.Abs(float64(v/r.Value())-1) < 0.02 {
				continue
			}
			h := g.add(slip.class, part, part+"."+slip.id, fmt.Sprintf("the %s is %s in place of %s", what, v, r.Value()), fit, Hypothesis{Edit: value(v)})
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
				Hypothesis{Edit: both(g.value(r.Elem, vb), g.value(b.Elem, va))}).Check = check
		}
	}
	for _, t := range o.Transistors() {
		part := id + "." + strings.ReplaceAll(t.Role, " ", "-")
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
			g.add("dry joint", part, part+".open-"+lead, fmt.Sprintf("the %s of the %s is open", lead, what), fmt.Sprintf("solder the %s of the %s; if that is no help, replace it", lead, what), Hypothesis{Edit: breakAt(e, terminal)}).Check = check
		}
		for _, s := range [][2]int{{0, 2}, {0, 1}, {1, 2}} {
			a, b := leads[s[0]], leads[s[1]]
			if nodes[s[0]] == nodes[s[1]] {
				continue
			}
			h := g.add("short", part, part+".short-"+a+"-"+b, fmt.Sprintf("%s and %s of the %s are shorted", a, b, what), "clear a bridge, else "+replace, Hypothesis{Edit: bridge(nodes[s[0]], nodes[s[1]], shortOhm)})
			h.Check = check
			if s == [2]int{0, 1} {
				h.Damaged = "the chip's pin " + o.Output.From.Text + ", which had the lamp's voltage through the base resistor"
			}
		}
		g.add("leaky", part, part+".leaky", fmt.Sprintf("the %s leaks from %s to %s", what, leads[0], leads[2]), replace, Hypothesis{Edit: bridge(nodes[0], nodes[2], leakOhm)}).Check = check
		for _, s := range [][2]int{{0, 2}, {1, 2}, {0, 1}} {
			if t.Prebiased() && s != [2]int{0, 2} {
				continue
			}
			g.add("leads exchanged", part, part+".exchanged-"+leads[s[0]]+"-"+leads[s[1]], fmt.Sprintf("the %s sits with %s and %s exchanged", what, leads[s[0]], leads[s[1]]), "turn the "+what+" by its sheet's pinout", Hypothesis{Edit: exchange(t.Elem, s[0], s[1])}).Check = check
		}
		g.wrong(t, part)
	}
}

// exchanged is the value of the same two digits the other way round, if there is a resistor of it; else 0.
func exchanged(r unit.Ohm) unit.Ohm {
	decade := math.Pow(10, math.Floor(math.Log10(float64(r))+1e-9)-1)
	two := math.Round(float64(r) / decade)
	v := unit.Ohm((math.Mod(two, 10)*10 + math.Floor(two/10)) * decade)
	if near := parts.Nearest(v, "E24"); !(math.Abs(float64(near/v)-1) < 1e-6) {
		return 0
	}
	return v
}

// others are transistors that are taken for one another: each stands for a kind. From memory of what drawers hold.
var others = []string{"MMBT3904", "MMBT3906", "2N7002", "MMUN2211"}

// wrong puts other transistors in the place of one: those of the catalogue with its marking and package, and one of each
// kind.
func (g *generator) wrong(t *wiring.Transistor, partID string) {
	cat := g.n.Build.Catalogue
	own, ok := cat.Find(t.Name)
	if !ok {
		return
	}
	var names []string
	add := func(name string) {
		if name != t.Name && !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	for _, m := range own.Common().Marking {
		for _, k := range cat.ByMarking(m.Code, own.Common().Package) {
			if k.Code == m.Code && k.Fits {
				add(k.Part.Common().Name)
			}
		}
	}
	alike := len(names)
	for _, name := range others {
		add(name)
	}
	for i, name := range names {
		edit, same := g.another(t, name)
		if edit == nil || same && i >= alike {
			continue
		}
		class := "wrong transistor"
		if i < alike {
			class = "look-alike"
		}
		h := g.add(class, partID, partID+".is-"+name, fmt.Sprintf("the %s is a %s in place of a %s", t.Words, name, t.Name), fmt.Sprintf("fit a %s as the %s", t.Name, t.Words), Hypothesis{Edit: edit})
		h.Check = "the " + t.Words + " reads as a " + t.Name + " on the diode test"
	}
}

// another is the edit that fits another transistor lead by lead, typical; same: it is of the same kind and polarity. nil: the
// part is none, or no model of it is known.
func (g *generator) another(t *wiring.Transistor, name string) (edit func(c *circuit.Circuit), same bool) {
	cat := g.n.Build.Catalogue
	drop := func(c *circuit.Circuit) {
		c.Remove(t.Elem)
		for _, r := range []circuit.Elem{t.R1, t.R2} {
			if r >= 0 {
				c.Remove(r)
			}
		}
		if t.Prebiased() {
			c.Resistor("insulation", t.Base, t.Input, brokenOhm)
		}
	}
	if q, ok := cat.MOSFET(name); ok {
		s, err := device.SpreadMOSFET(q)
		if err != nil {
			return nil, false
		}
		m := s.At(make([]float64, len(s.Vars())))
		return func(c *circuit.Circuit) {
			drop(c)
			c.MOSFET("wrong transistor", t.Out, t.Input, t.Common, m)
		}, t.FET != nil && (q.Channel == "P") == t.High
	}
	q, ok := cat.BJT(name)
	if !ok {
		return nil, false
	}
	if q.Prebiased() {
		s, err := device.SpreadPrebiased(q)
		if err != nil {
			return nil, false
		}
		p := s.At(make([]float64, len(s.Vars())))
		return func(c *circuit.Circuit) {
			drop(c)
			base := c.Node("base of the wrong transistor")
			c.Resistor("R1", t.Input, base, p.R1)
			if p.R2 > 0 {
				c.Resistor("R2", base, t.Common, p.R2)
			}
			c.BJT("wrong transistor", t.Out, base, t.Common, p.BJT)
		}, t.Prebiased() && q.PNP() == t.High
	}
	s, err := device.SpreadBJT(q)
	if err != nil {
		return nil, false
	}
	m := s.At(make([]float64, len(s.Vars())))
	return func(c *circuit.Circuit) {
		drop(c)
		c.BJT("wrong transistor", t.Out, t.Input, t.Common, m)
	}, t.BJT != nil && !t.Prebiased() && q.PNP() == t.High
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
	g.add("dead lamp", part, part+".dead", what+" is dead or its lead is broken", "replace "+what+" or mend its lead, in the vehicle", Hypothesis{Edit: dead}).Check = check
	if l.LED >= 0 && !l.Structure.BothWays() {
		g.add("lamp reversed", part, part+".reversed", what+" is joined the wrong way round", "exchange the two leads of "+what, Hypothesis{Edit: func(c *circuit.Circuit) { turn(c, l) }}).Check = check
		g.add("short", part, part+".short", "the LED of "+what+" is shorted", "replace the LED of "+what, Hypothesis{Edit: bridge(l.Inside, l.To, shortOhm), Dark: i + 1}).Check = check
	}
	if l.LED >= 0 {
		g.add("leaky", part, part+".leaky", "the LED of "+what+" leaks", "replace the LED of "+what, Hypothesis{Edit: bridge(l.Inside, l.To, leakOhm)}).Check = check
	}
	g.add("dry contact", part+".socket", part+".contact", "the socket contact or wire of "+what+" does not conduct", "clean and press the contact, mend the wire to "+what, Hypothesis{Edit: loosen(l.Socket, lampElems(l))}).Check = what + " comes on when it is told to"
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
		if e < 0 {
			continue // of a rectifier of one diode
		}
		part := fmt.Sprintf("rectifier.%d", k+1)
		fix := "replace the rectifier " + n.Rectifier.Name
		if !n.Bridged {
			fix = "replace the rectifier diode from " + names[k]
		}
		g.add("dry joint", "rectifier", part+".open", "the rectifier is open from "+names[k], fix, Hypothesis{Edit: breakAt(e, 0)}).Check = check
		x := n.Circuit.Elements()[e].Nodes
		h := g.add("short", "rectifier", part+".short", "the rectifier is shorted from "+names[k], fix, Hypothesis{Edit: bridge(x[0], x[1], shortOhm)})
		h.Check, h.Damaged = check, "the rest of the rectifier and the wires to the rail"
		if !n.Bridged {
			h := g.add("turned round", "rectifier", part+".turned", "the rectifier diode from "+names[k]+" is turned round", "turn the rectifier diode from "+names[k], Hypothesis{Edit: exchange(e, 0, 1)})
			h.Check, h.Damaged = check, "the diode beside it"
		}
	}
	if n.Bridged {
		h := g.add("turned round", "rectifier", "rectifier.turned", "the rectifier is turned round: plus and minus exchanged", "turn the rectifier by 180°", Hypothesis{Edit: func(c *circuit.Circuit) {
			for _, e := range n.Bridge {
				if e < 0 {
					continue
				}
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
		h.Prior = 2 * g.priors["turned round"]
	}
	for k, side := range []struct {
		words string
		node  circuit.Node
	}{{"left rail", n.LeftRail}, {"right rail", n.RightRail}} {
		g.add("dry contact", "rail", fmt.Sprintf("rail.%d", k+1), "the "+side.words+" does not reach the decoder", "clean wheels and contacts, mend the wire of the "+side.words, Hypothesis{Edit: func(c *circuit.Circuit) {
			loose := c.Node("rail outside")
			c.Reconnect(n.Track, k, loose)
			c.Resistor("break", loose, side.node, brokenOhm)
		}}).Check = "the " + side.words + " at the decoder reads what the track carries"
	}
	if n.RegPart != nil {
		r := n.RegPart.Name
		for k, lead := range [3]string{"input", "output", "ground"} {
			g.add("dry joint", "regulator", "regulator.open-"+lead, "the "+lead+" of the regulator is open", "solder the "+lead+" of the regulator "+r+"; else replace it", Hypothesis{Edit: breakAt(n.Regulator, k)}).Check = check
		}
		h := g.add("short", "regulator", "regulator.short", "the regulator is shorted from input to output", "replace the regulator "+r, Hypothesis{Edit: bridge(n.Plus, n.VCC, shortOhm)})
		h.Check, h.Damaged = check, "the chip, which had the rectified voltage"
		h = g.add("turned round", "regulator", "regulator.turned", "the regulator is turned round: input and output exchanged", "turn the regulator "+r+" by its sheet's pinout", Hypothesis{Edit: exchange(n.Regulator, 0, 1)})
		h.Check = check
	} else {
		g.add("dry joint", "regulator", "zener.open", "the zener is open", "solder or replace the zener "+n.Zener.Name, Hypothesis{Edit: breakAt(n.Regulator, 0)}).Check = check
		g.add("short", "regulator", "zener.short", "the zener is shorted", "replace the zener "+n.Zener.Name, Hypothesis{Edit: bridge(n.VCC, circuit.Ground, shortOhm)}).Check = check
		g.add("turned round", "regulator", "zener.turned", "the zener is turned round", "turn the zener "+n.Zener.Name, Hypothesis{Edit: exchange(n.Regulator, 0, 1)}).Check = check
	}
	g.add("bridge", "supply", "bridge.supply", "the chip's supply is bridged to minus", "clear the bridge between the chip's supply and minus", Hypothesis{Edit: bridge(n.VCC, circuit.Ground, shortOhm)}).Check = check
	g.add("bridge", "supply", "bridge.plus", "plus is bridged to minus", "clear the bridge between plus and minus", Hypothesis{Edit: bridge(n.Plus, circuit.Ground, shortOhm)}).Check = check
}

// deaf is a chip that hears nothing: it holds its outputs off.
func (g *generator) deaf(c *circuit.Circuit) {
	for i := range g.n.Outputs {
		o := &g.n.Outputs[i]
		breakAt(o.Pin, 0)(c)
		off := circuit.Ground
		if o.ActiveLow {
			off = g.n.VCC
		}
		c.Resistor("pin held off", o.PinNode, off, pinOhm)
	}
}

func (g *generator) chip() {
	n := g.n
	replace := "replace or program the chip " + n.Chip.Name
	g.add("chip not running", "chip", "chip.not-running", "the chip does not run", "see to reset, supply and firmware; then "+replace, Hypothesis{
		Edit: func(c *circuit.Circuit) {
			for i := range n.Outputs {
				breakAt(n.Outputs[i].Pin, 0)(c)
			}
		}, Says: map[string]float64{Answers: 0.01}}).Check = "the outputs follow their functions"
	g.add("no messages", "messages", "chip.clock", "the chip runs eight times too slow (its clock fuse), so that it understands no message", "set the clock fuse and program the chip again", Hypothesis{Edit: g.deaf, Only: Powered, Says: map[string]float64{Answers: 0.02}}).Check = "it answers on the programming track"
	g.add("no messages", "messages", "chip.address", "the decoder has another address than is called", "read CV 1 and CV 29 on the programming track and set the address", Hypothesis{Edit: g.deaf, Only: Powered, Says: map[string]float64{Answers: 0.97}}).Check = "the outputs follow their functions"
	if e := n.Ear; e != nil {
		says := map[string]float64{Answers: 0.02}
		g.add("dry joint", "ear", "ear.open", "the resistor of the ear is open", "solder or replace the resistor of the ear", Hypothesis{Says: says, Edit: both(g.deaf, g.value(e.Series, brokenOhm)), Idle: g.value(e.Series, brokenOhm)}).Check = "the outputs follow their functions"
		h := g.add("short", "ear", "ear.short", "the resistor of the ear is bridged", "clear the bridge across the resistor of the ear", Hypothesis{Says: map[string]float64{Answers: 0.5}, Edit: g.value(e.Series, shortOhm)})
		h.Damaged = "the chip's pin " + e.Into
		for _, f := range []float64{10, 0.1} {
			v := parts.Nearest(e.Value()*unit.Ohm(f), "E12")
			g.add("wrong value", "ear", fmt.Sprintf("ear.%g", f), fmt.Sprintf("the resistor of the ear is %s in place of %s", v, e.Value()), fmt.Sprintf("fit %s as the resistor of the ear", e.Value()),
				Hypothesis{Says: map[string]float64{Answers: 0.6}, Edit: g.value(e.Series, v)})
		}
	}
	for i := range n.Outputs {
		o := &n.Outputs[i]
		if o.Acknowledge {
			continue
		}
		pin := "pin " + o.Output.From.Text
		part := "pin." + o.Output.From.Text
		g.add("dry joint", part, part+".open", pin+" is not joined to "+o.Of(), "solder "+pin, Hypothesis{Edit: loosen(o.PinNode, map[circuit.Elem]bool{o.Pin: true})}).Check = "the pin and its resistor read the same voltage"
		g.add("pin", part, part+".input", pin+" is left an input by the firmware, or is damaged", "set the pin in the firmware; else replace the chip", Hypothesis{Edit: breakAt(o.Pin, 0)}).Check = pin + " reads the chip's supply when its output is on"
		g.add("bridge", part, part+".low", pin+" is bridged to minus", "clear the bridge between "+pin+" and minus", Hypothesis{Edit: bridge(o.PinNode, circuit.Ground, shortOhm)}).Check = pin + " reads the chip's supply when its output is on"
		g.add("bridge", part, part+".high", pin+" is bridged to the chip's supply", "clear the bridge between "+pin+" and the chip's supply", Hypothesis{Edit: bridge(o.PinNode, n.VCC, shortOhm)}).Check = pin + " reads nothing when its output is off"
		for k := range i {
			p := &n.Outputs[k]
			if p.Acknowledge || n.Share(i, k) {
				continue
			}
			g.add("wrong pin", "pins", part+".for-"+p.Output.From.Text, "the outputs "+o.Name+" and "+p.Name+" are exchanged", "exchange the two outputs in the wiring or the function mapping", Hypothesis{Edit: func(c *circuit.Circuit) {
				c.Reconnect(o.Pin, 0, p.PinNode)
				c.Reconnect(p.Pin, 0, o.PinNode)
			}})
			g.add("bridge", "pins", part+".bridge-"+p.Output.From.Text, pin+" and pin "+p.Output.From.Text+" are bridged", "clear the bridge between "+pin+" and pin "+p.Output.From.Text, Hypothesis{Edit: bridge(o.PinNode, p.PinNode, shortOhm)})
		}
	}
	g.add("comes and goes", "joint", "joint.intermittent", "a joint that comes and goes", "go over all joints with the iron, press and warm part by part", Hypothesis{Says: map[string]float64{Pressing: 0.8, Goes: 0.9, Warming: 0.3, Flickers: 0.4}})
}
