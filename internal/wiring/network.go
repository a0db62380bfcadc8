// Package wiring turns a build into circuits: the vehicle alone as it is measured (Bare), and a decoder in its
// vehicle (Network), with its static states and with everything in it that varies.
//
// A Network is one circuit: the track between two rails, a bridge rectifier, a regulator, the chip's own draw,
// and for each output chip pin, base resistor, pull-down, NPN switch, series resistor and lamp. Ground is the
// decoder's minus, which is not a rail. A lamp hangs on one rail or on the rectified plus. On DCC the rails
// change sign with every half bit; each polarity is a static state of its own, with the reservoir's current
// left out (a square wave rectified by a bridge is steady).
//
// What varies (Var) is independent of each other: ambient temperature, the parts' datasheet spread, the
// resistors' tolerance, and for each lamp the joint samples of its survey. The chip's supply never varies by
// itself: it follows from the track through rectifier and regulator. A point z has one number per Var: −1…+1
// with 0 typical, or the index of a joint sample. Set installs a point, Solve brings the network into a State
// and solves it, Read copies the result out.
//
// A chip pin's clamp diodes are in the circuit where a slip or fault may drive a pin beyond the chip's rails
// (Edited); in the states of a sound decoder no pin leaves them, and the proof does without.
//
// Not modelled: edges, capacitors, the ear, self-heating, the resistance of wires and contacts. Chip pins have
// their datasheet resistance at the regulator's nominal voltage, also where a low track leaves less. Outputs other
// than a lamp switched on the low side by an NPN are left out (Answers).
package wiring

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"fettle/internal/build"
	"fettle/internal/circuit"
	"fettle/internal/device"
	"fettle/internal/finding"
	"fettle/internal/parts"
	"fettle/internal/unit"
)

// An OutputNet is one output with its lamp in the network.
type OutputNet struct {
	ID             string // OutputID
	Name, LampName string
	Feed           string
	HalfWave       bool // conducts for one polarity only
	LeftFed        bool // of a half-wave feed: from the left rail

	Output *build.Output
	Lamp   *build.Lamp
	Post   *LampPosterior
	Part   parts.BJT

	LampElems
	Series, Base, Pulldown, Switch, Pin           circuit.Elem
	Feeding, Socket, Collector, BaseNode, PinNode circuit.Node

	spread  *device.BJTSpread
	now     device.BJT // at the last Set
	lampVar int        // index of the lamp among the variables
	// firstResistor is the index of the first of its resistors among the variables.
	firstResistor int
	corners       []int         // of the lamp's samples
	tolerance     [3]unit.Ratio // of its resistors
	features      [][2]float64  // of the lamp's samples, once learned
}

// pinAt is the chip pin at a point of its own variables.
func (n *Network) pinAt(z []float64) device.Pin {
	p := n.pins.At(z)
	if !n.clamps {
		p.Clamp = device.Diode{}
	}
	if p.Leak == 0 {
		p.Leak = 1e-18 // none at all would be another layout of the equations
	}
	return p
}

// resistor is one of an output's own resistors.
type resistor struct {
	words   string
	elem    circuit.Elem
	nominal *build.Quantity[unit.Ohm]
}

func (o *OutputNet) resistors() [3]resistor {
	return [3]resistor{
		{"series resistor", o.Series, &o.Output.Series},
		{"base resistor", o.Base, &o.Output.Base},
		{"pull-down", o.Pulldown, &o.Output.Pulldown},
	}
}

// A Network is a decoder in its vehicle as one circuit, with everything that varies.
type Network struct {
	Build   *build.Build
	Decoder *build.Decoder
	Vehicle *build.Vehicle
	Chip    parts.Chip
	Outputs []OutputNet
	Vars    []Var
	Circuit *circuit.Circuit
	Solver  *circuit.Solver

	Track     circuit.Elem
	Bridge    [4]circuit.Elem // left→plus, right→plus, minus→left, minus→right
	Regulator circuit.Elem
	ChipDraw  circuit.Elem
	LeftRail  circuit.Node
	RightRail circuit.Node
	Plus, VCC circuit.Node
	Ambient   unit.Celsius // of the last Set
	Rectifier parts.Diode
	RegPart   parts.Regulator
	Assumed   []string // what had to be assumed, in words

	bridge    *device.DiodeSpread
	regulator *device.RegulatorSpread
	pins      *device.PinSpread
	pinNow    device.Pin
	clamps    bool                // the pins have their clamp diodes
	set       []func(z []float64) // installs a slice of variables
	from      []int               // index of the first variable of each
	warm      map[State][]float64
	last      []float64
	learned   map[State]*lesson // shared by clones
	scratch   []float64
	state     State // last solved
	solved    bool
}

// Missing is a value without which there is no circuit.
type Missing struct {
	ID   string // "output.front.series"
	What string // "series resistor of output front"
	// NotBuilt: it is written, but this circuit cannot hold it yet.
	NotBuilt bool
}

// Why says what is missing, for a verdict.
func (m Missing) Why() string {
	if m.NotBuilt {
		return finding.NotBuilt + ": " + m.What
	}
	return "not known: " + m.What
}

const (
	defaultTolerance = unit.Ratio(0.05)
	defaultPackage   = "0805"
	// AmbientLow and AmbientHigh are what a vehicle indoors sees where the file says nothing: common
	// practice, no source.
	AmbientLow, AmbientHigh = unit.Celsius(0), unit.Celsius(50)
)

// NewNetwork wires decoder d of build b into its vehicle, with the lamps as surveyed. Missing lists what is
// still open: an output with something missing is left out of the network; with something of the supply
// missing, or no output left, there is none (nil). An error is a part that this circuit cannot hold.
func NewNetwork(b *build.Build, d *build.Decoder, lamps map[string]*LampPosterior) (*Network, []Missing, error) {
	v, ok := b.VehicleOf(d)
	if !ok {
		return nil, []Missing{{ID: "vehicle", What: "the vehicle of decoder " + d.Name.Text}}, nil
	}
	n := &Network{Build: b, Decoder: d, Vehicle: v, Circuit: circuit.New(), warm: map[State][]float64{}}
	missing, whole := n.missing(lamps)
	if len(whole) == 0 {
		return nil, missing, nil
	}
	if err := n.supply(); err != nil {
		return nil, nil, err
	}
	for _, o := range whole {
		if err := n.output(o, lamps); err != nil {
			return nil, nil, err
		}
	}
	s, err := circuit.Compile(n.Circuit)
	if err != nil {
		return nil, nil, err
	}
	n.Solver = s
	n.vary()
	n.Set(n.Typical())
	return n, missing, nil
}

// insulation stands for a resistor that is left out.
const insulation = unit.Ohm(1e9)

// noPulldown reports whether the file says that there is none.
func noPulldown(o *build.Output) bool { return o.Pulldown.Text == "none" }

// OutputID is the identifier of an output in findings: "output.front", with its decoder before it where another
// decoder has an output of that name.
func OutputID(b *build.Build, d *build.Decoder, o *build.Output) string {
	id := "output." + o.Name.Text
	for i := range b.Decoders {
		if e := &b.Decoders[i]; e.Name.Text != d.Name.Text {
			if _, twice := e.Output(o.Name.Text); twice {
				return "decoder." + d.Name.Text + "." + id
			}
		}
	}
	return id
}

// Answers reports whether the output is of the kind that is wired: a lamp switched on the low side.
func Answers(o *build.Output) bool {
	return o.Load.Text != "motor" && (o.Drive.Text == "" || o.Drive.Text == build.DriveLowSide) && len(o.AlsoLamps) == 0
}

// missing lists what is open and the outputs for which nothing is.
func (n *Network) missing(lamps map[string]*LampPosterior) (m []Missing, whole []*build.Output) {
	d := n.Decoder
	need := func(open bool, id, what string) {
		if open {
			m = append(m, Missing{ID: id, What: what})
		}
	}
	need(d.Supply.Rectifier.Open(), "supply.rectifier", "rectifier of decoder "+d.Name.Text)
	need(d.Supply.Regulator.Open(), "supply.regulator", "regulator of decoder "+d.Name.Text)
	if p, ok := n.Build.Catalogue.Diode(d.Supply.Rectifier.Text); ok && p.Type != "bridge" {
		m = append(m, Missing{ID: "supply.rectifier", What: "a rectifier of single diodes", NotBuilt: true})
	}
	if _, ok := n.Build.Catalogue.Regulator(d.Supply.Regulator.Text); !ok && !d.Supply.Regulator.Open() {
		m = append(m, Missing{ID: "supply.regulator", What: "a zener for a regulator", NotBuilt: true})
	}
	need(d.Chip.Part.Open(), "chip.part", "chip of decoder "+d.Name.Text)
	supply := len(m) == 0
	switched := map[string]bool{}
	for i := range n.Build.Decoders {
		e := &n.Build.Decoders[i]
		if e.Name.Text == d.Name.Text {
			break
		}
		if v, ok := n.Build.VehicleOf(e); ok && v == n.Vehicle {
			for k := range e.Outputs {
				switched[e.Outputs[k].Lamp.Text] = switched[e.Outputs[k].Lamp.Text] || Answers(&e.Outputs[k])
			}
		}
	}
	for i := range d.Outputs {
		o := &d.Outputs[i]
		if !Answers(o) {
			continue
		}
		before := len(m)
		id, of := OutputID(n.Build, d, o), " of output "+o.Name.Text
		if switched[o.Lamp.Text] {
			m = append(m, Missing{ID: id + ".lamp", What: "a second switch on lamp " + o.Lamp.Text, NotBuilt: true})
			continue
		}
		switched[o.Lamp.Text] = true
		if l, ok := n.Vehicle.Lamp(o.Lamp.Text); ok {
			switch feed := l.Feed.Text; feed {
			case build.LeftRail, build.RightRail, build.RectifiedPlus:
			case "":
				need(true, "lamp."+o.Lamp.Text+".feed", "feed of lamp "+o.Lamp.Text+" (where its unswitched side is joined)")
			default:
				m = append(m, Missing{ID: "lamp." + o.Lamp.Text + ".feed", What: "a lamp fed from " + feed, NotBuilt: true})
			}
		}
		need(o.Switch.Open(), id+".switch", "switch"+of)
		need(!o.Series.Known(), id+".series", "series resistor"+of)
		need(!o.Base.Known(), id+".base", "base resistor"+of)
		need(!o.Pulldown.Known() && !noPulldown(o), id+".pulldown", "pull-down"+of)
		need(o.From.Open(), id+".from", "chip pin"+of)
		p, ok := lamps[o.Lamp.Text]
		need(!ok || (len(p.Samples) == 0 && !p.Dead), "lamp."+o.Lamp.Text, "lamp "+o.Lamp.Text+" (no reading says what it is)")
		if supply && len(m) == before && !p.Dead {
			whole = append(whole, o)
		}
	}
	return m, whole
}

func (n *Network) supply() error {
	c, d := n.Circuit, n.Decoder
	cat := n.Build.Catalogue
	n.LeftRail, n.RightRail = c.Node("left rail"), c.Node("right rail")
	n.Plus, n.VCC = c.Node("rectified plus"), c.Node("chip supply")
	n.Track = c.Voltage("track", n.LeftRail, n.RightRail, 12)
	c.SetWords(n.Track, "track")

	var ok bool
	if n.Rectifier, ok = cat.Diode(d.Supply.Rectifier.Text); !ok {
		return fmt.Errorf("decoder %s: the catalogue has no rectifier %q", d.Name.Text, d.Supply.Rectifier.Text)
	}
	var err error
	if n.bridge, err = device.SpreadDiode(n.Rectifier); err != nil {
		return fmt.Errorf("rectifier %s: %w", n.Rectifier.Name, err)
	}
	ends := [4][2]circuit.Node{{n.LeftRail, n.Plus}, {n.RightRail, n.Plus}, {circuit.Ground, n.LeftRail}, {circuit.Ground, n.RightRail}}
	words := [4]string{"from the left rail to plus", "from the right rail to plus", "from minus to the left rail", "from minus to the right rail"}
	typical := n.bridge.At(make([]float64, len(n.bridge.Vars())))
	for i := range n.Bridge {
		n.Bridge[i] = c.Diode(fmt.Sprintf("rectifier D%d", i+1), ends[i][0], ends[i][1], typical)
		c.SetWords(n.Bridge[i], "rectifier diode "+words[i])
	}

	if n.RegPart, ok = cat.Regulator(d.Supply.Regulator.Text); !ok {
		return fmt.Errorf("decoder %s: the catalogue has no regulator %q", d.Name.Text, d.Supply.Regulator.Text)
	}
	if n.regulator, err = device.SpreadRegulator(n.RegPart); err != nil {
		return fmt.Errorf("regulator %s: %w", n.RegPart.Name, err)
	}
	n.Regulator = c.Regulator("regulator", n.Plus, n.VCC, circuit.Ground, n.regulator.At(make([]float64, len(n.regulator.Vars()))))
	c.SetWords(n.Regulator, "regulator "+n.RegPart.Name)

	if n.Chip, ok = cat.Chip(d.Chip.Part.Text); !ok {
		return fmt.Errorf("decoder %s: the catalogue has no chip %q", d.Name.Text, d.Chip.Part.Text)
	}
	n.pins, err = device.SpreadPin(n.Chip, n.RegPart.Vout)
	if err != nil {
		return fmt.Errorf("chip %s: %w", n.Chip.Name, err)
	}
	n.ChipDraw = c.Resistor("chip", n.VCC, circuit.Ground, n.chipLoad(0))
	c.SetWords(n.ChipDraw, "the chip's own draw")
	n.assume(n.Rectifier.Name, n.bridge.Notes())
	n.assume(n.RegPart.Name, n.regulator.Notes())
	n.assume(n.Chip.Name, n.pins.Notes())
	return nil
}

// assume notes what was assumed of a part, once.
func (n *Network) assume(part string, notes []string) {
	if len(notes) == 0 {
		return
	}
	if text := part + ": " + strings.Join(notes, "; "); !slices.Contains(n.Assumed, text) {
		n.Assumed = append(n.Assumed, text)
	}
}

// chipLoad is the chip's own draw as a resistance: the supply current of CMOS logic at a fixed clock grows
// with its supply. z runs from typical (0) to the sheet's maximum (+1), mirrored below.
func (n *Network) chipLoad(z float64) unit.Ohm {
	typ, most := activeCurrent(n.Chip, n.Decoder.Chip.Frequency)
	i := typ
	if unit.Known(most) {
		i += unit.Amp(z) * (most - i)
	}
	return chipVolt.Through(max(i, typ/10))
}

func (n *Network) output(o *build.Output, lamps map[string]*LampPosterior) error {
	c, cat := n.Circuit, n.Build.Catalogue
	lamp, ok := n.Vehicle.Lamp(o.Lamp.Text)
	if !ok {
		return fmt.Errorf("output %s: the vehicle has no lamp %q", o.Name.Text, o.Lamp.Text)
	}
	post := lamps[o.Lamp.Text]
	name := o.Name.Text
	own := *o // nominal values change here and not in the build
	o = &own
	if noPulldown(o) {
		o.Pulldown.Value = insulation
	}
	net := OutputNet{ID: OutputID(n.Build, n.Decoder, o), Name: name, LampName: lamp.Name.Text, Feed: lamp.Feed.Text, Output: o, Lamp: lamp, Post: post, corners: post.vertices()}
	switch lamp.Feed.Text {
	case build.LeftRail:
		net.Feeding, net.HalfWave, net.LeftFed = n.LeftRail, true, true
	case build.RightRail:
		net.Feeding, net.HalfWave = n.RightRail, true
	case build.RectifiedPlus:
		net.Feeding = n.Plus
	default:
		return fmt.Errorf("lamp %s: a feed from %q is not wired yet", lamp.Name.Text, lamp.Feed.Text)
	}
	if net.Part, ok = cat.BJT(o.Switch.Text); !ok || net.Part.Polarity != "NPN" {
		return fmt.Errorf("output %s: a low-side switch wants an NPN transistor, %q is none of the catalogue", name, o.Switch.Text)
	}
	var err error
	if net.spread, err = device.SpreadBJT(net.Part); err != nil {
		return fmt.Errorf("switch %s: %w", net.Part.Name, err)
	}
	n.assume(net.Part.Name, net.spread.Notes())

	net.Socket, net.Collector = c.Node("socket of "+name), c.Node("collector of "+name)
	net.BaseNode, net.PinNode = c.Node("base of "+name), c.Node(o.From.Text)
	net.LampElems = AddLamp(c, net.LampName, net.Feeding, net.Socket, post.Best)
	net.Series = c.Resistor("series "+name, net.Socket, net.Collector, o.Series.Value)
	net.Base = c.Resistor("base "+name, net.PinNode, net.BaseNode, o.Base.Value)
	net.Pulldown = c.Resistor("pull-down "+name, net.BaseNode, circuit.Ground, o.Pulldown.Value)
	net.Switch = c.BJT("switch "+name, net.Collector, net.BaseNode, circuit.Ground, net.spread.At(make([]float64, len(net.spread.Vars()))))
	n.pinNow = n.pinAt(make([]float64, len(n.pins.Vars())))
	net.Pin = c.Pin("pin "+o.From.Text, net.PinNode, n.VCC, circuit.Ground, n.pinNow)
	c.SetWords(net.Series, "series resistor of output "+name)
	c.SetWords(net.Base, "base resistor of output "+name)
	c.SetWords(net.Pulldown, "pull-down of output "+name)
	c.SetWords(net.Switch, "switch of output "+name)
	c.SetWords(net.Pin, "chip pin "+o.From.Text)
	n.Outputs = append(n.Outputs, net)
	return nil
}

// PackageOf is the package of the output's resistors: what the file says, else that of the drawer's where all are of
// one, else 0805.
func PackageOf(b *build.Build, o *build.Output) string {
	if o.Package.Text != "" {
		return o.Package.Text
	}
	if b.Drawer != nil {
		one := ""
		for _, s := range b.Drawer.Resistors("") {
			switch {
			case one == "":
				one = s.Package
			case s.Package != "" && s.Package != one:
				return defaultPackage
			}
		}
		if _, ok := b.Catalogue.ResistorPackage(one); ok {
			return one
		}
	}
	return defaultPackage
}

// OnHand is the drawer's resistors that fit the output, by rising value: of its package, or of none that is said.
func OnHand(b *build.Build, o *build.Output) []parts.Stock {
	if b.Drawer == nil {
		return nil
	}
	list := b.Drawer.Resistors(PackageOf(b, o))
	for _, s := range b.Drawer.Resistors("") {
		if s.Package == "" {
			list = append(list, s)
		}
	}
	slices.SortStableFunc(list, func(a, b parts.Stock) int { return cmp.Compare(a.R, b.R) })
	return list
}

// Clone is a network of its own for another goroutine: it shares what does not change, and has its own nominal
// values.
func (n *Network) Clone() *Network {
	m := *n
	m.Solver = n.Solver.Clone()
	m.Outputs = slices.Clone(n.Outputs)
	for i := range m.Outputs {
		own := *m.Outputs[i].Output
		m.Outputs[i].Output = &own
	}
	m.rewire()
	return &m
}

// Edited is the network with its circuit changed: a slip or a fault. Elements keep their numbers. The error
// is the refusal of a circuit that cannot be solved, such as a short of the supply.
func (n *Network) Edited(edit func(c *circuit.Circuit)) (*Network, error) {
	m := *n
	m.Circuit = n.Circuit.Clone()
	edit(m.Circuit)
	s, err := circuit.Compile(m.Circuit)
	if err != nil {
		return nil, err
	}
	m.clamps = true
	m.Solver, m.learned = s, nil // what was learned is of another circuit
	m.Outputs = slices.Clone(n.Outputs)
	m.rewire()
	return &m, nil
}

// rewire gives a copied network its own variables and memory.
func (n *Network) rewire() {
	n.Vars, n.set, n.from, n.last, n.warm = nil, nil, nil, nil, map[State][]float64{}
	n.solved = false
	if n.scratch != nil {
		n.scratch = slices.Clone(n.scratch)
	}
	n.vary()
}

// PinNow is the chip pin at the last Set.
func (n *Network) PinNow() device.Pin { return n.pinNow }

// LampAt is the lamp of output i at point z.
func (n *Network) LampAt(i int, z []float64) LampParams {
	o := &n.Outputs[i]
	return o.Post.Samples[int(z[o.lampVar])]
}

// GainOf is the current gain that the switch of output i has in its active region (VCE 1 V) at the collector
// current and temperature of op, at the last Set.
func (n *Network) GainOf(i int, op *Operating) float64 {
	hfe, _, ok := n.Outputs[i].now.Active(max(op.Out[i].IC, 1e-6), 1, op.Ambient.Kelvin())
	if !ok {
		return math.NaN()
	}
	return hfe
}

// OverdriveOf is the base current of output i over what its gain needs for the collector current.
func (n *Network) OverdriveOf(i int, op *Operating) float64 {
	o := &op.Out[i]
	return float64(o.IB) * n.GainOf(i, op) / math.Max(float64(o.IC), 1e-6)
}

// LeakageOf is the collector-base leakage of the switch at a temperature, in ampere.
func (n *Network) LeakageOf(i int, t unit.Celsius) float64 {
	q := n.Outputs[i].now
	return float64(q.ICBO) * math.Exp2(float64(t-unit.FitTemperature)/10)
}
