// Package wiring turns a build into circuits: the vehicle alone as it is measured (Bare), and a decoder in its
// vehicle (Network), with its static states and with everything in it that varies.
//
// A Network is one circuit: the track between two rails, a bridge rectifier, four diodes or one, a regulator or a zener behind
// its ballast, the chip's own draw, the ear, and for each output chip pin, transistors, resistors and the lamps it lights.
// Ground is the decoder's minus, which is not a rail. A lamp's unswitched side is joined to a rail, the rectified plus, the
// chip's supply, the vehicle's own plus or the decoder's minus; which way its current flows, and while which rail is
// positive, follows from that and from the side that is switched (LightNet). Several lamps may hang on one output, and two
// outputs on one lamp. On DCC the rails change sign with every half bit; each polarity is a static state of its own, with
// the reservoir's current left out (a square wave rectified by a bridge is steady).
//
// What varies (Var) is independent of each other: ambient temperature, the parts' spread by datasheet or narrowed to what
// was measured on them, the resistors' tolerance (of one that was measured before it was soldered in, what the meter leaves
// open: fitted.go), and for each lamp the joint samples of its survey. The chip's supply
// never varies by itself: it follows from the track through rectifier and regulator, and the levels of its pins follow it. A
// point z has one number per Var: −1…+1 with 0 typical, or the index of a joint sample. Set installs a point, Solve brings
// the network into a State and solves it, Read copies the result out.
//
// An output's clamp diodes at the chip's pin are in the circuit where a slip or fault may drive it beyond the chip's rails
// (Edited); in the states of a sound decoder no such pin leaves them, and the proof does without. The ear's are always there.
//
// A rectifier of one diode makes one of the rails the minus; in the half in which it blocks the plus is held where the other
// half leaves it (single.go).
//
// Not modelled: edges, capacitors, self-heating (but of filaments), the resistance of wires and contacts; motors and bridge
// drives (Answers).
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

// A LampNet is one lamp of the vehicle in the network.
type LampNet struct {
	Name, Feed string
	Words      string // "lamp front", with its vehicle where the name stands twice
	Lamp       *build.Lamp
	Post       *LampPosterior

	LampElems
	Feeding, Socket circuit.Node // its unswitched side; the side that the decoder switches

	duty     float64      // share of the time that it is fed on DCC
	inward   bool         // its own direction is from its socket to its feed
	corners  []int        // of its samples
	features [][2]float64 // of its samples, once learned
	numbers  [][]float64  // of its samples, once learned: those of Feature
	index    int          // among the variables
}

// A LightNet is a lamp as one output lights it.
type LightNet struct {
	Lamp int // index among the network's lamps
	Way
	Back    bool // current flows against the direction in which the lamp is wired: of a pair face to face the other LED lights
	Against bool // it sits the other way round: nothing lights until its wires are changed over
}

// HalfWave reports whether it conducts for one polarity only.
func (w Way) HalfWave() bool { return w.Most == 0.5 }

// Held reports whether it lives on the reservoir for some of the time.
func (w Way) Held() bool { return w.Most > w.Sure }

// An OutputNet is one output in the network, with the lamps it lights.
type OutputNet struct {
	ID, Name    string   // OutputID
	Path        []string // of its block in the build file
	Drive       string   // build.DriveLowSide, …
	Acknowledge bool     // it is the load that answers on the programming track
	Output      *build.Output
	Lights      []LightNet
	Switch      *Transistor // nil where the pin drives the lamp
	Level       *Transistor // nil but on the high side
	Driver      *Transistor // first of a pair, whose second is the switch; else nil
	Resistors   []Resistor
	Clamp       circuit.Elem // zener at the gate; absent
	Pin         circuit.Elem
	ActiveLow   bool // the pin is low when the output is on

	Socket, PinNode circuit.Node // the lamps' wire; the chip's pin

	clamp *device.DiodeSpread
}

// Of names it in a sentence: "output front".
func (o *OutputNet) Of() string {
	if o.Acknowledge {
		return "the acknowledgement"
	}
	return "output " + o.Name
}

// Resistor finds one of its resistors by its attribute.
func (o *OutputNet) Resistor(attr string) (*Resistor, bool) {
	for k := range o.Resistors {
		if o.Resistors[k].Attr == attr {
			return &o.Resistors[k], true
		}
	}
	return nil, false
}

// pinAt is the chip pin at a point of its own variables.
func (n *Network) pinAt(z []float64, clamps bool) device.Pin {
	p := n.pins.At(z)
	if !clamps {
		p.Clamp = device.Diode{}
	}
	if p.Leak == 0 {
		p.Leak = 1e-18 // none at all would be another layout of the equations
	}
	return p
}

// A Network is a decoder in its vehicle as one circuit, with everything that varies.
type Network struct {
	Build   *build.Build
	Decoder *build.Decoder
	Vehicle *build.Vehicle
	Chip    parts.Chip
	Outputs []OutputNet
	Lamps   []LampNet
	Ear     *EarNet // nil where it is not given
	Vars    []Var
	Circuit *circuit.Circuit
	Solver  *circuit.Solver

	Track     circuit.Elem
	Single    bool            // the rectifier is one diode: the rail that it does not lead from is the minus
	Bridge    [4]circuit.Elem // left→plus, right→plus, minus→left, minus→right; absent but one of a single diode
	Regulator circuit.Elem    // or the zener that stands for one
	Ballast   circuit.Elem    // before a zener; else absent
	ChipDraw  circuit.Elem
	LeftRail  circuit.Node
	RightRail circuit.Node
	Plus, VCC circuit.Node
	LocalPlus circuit.Node // of the vehicle, where it has one
	Ambient   unit.Celsius // of the last Set
	Rectifier parts.Diode
	Bridged   bool             // the rectifier is one part
	RegPart   *parts.Regulator // nil where a zener stands for it
	Zener     *parts.Diode
	Assumed   []string // what had to be assumed, in words

	half        halfWave
	bridge      device.Spread[device.Diode]
	regulator   *device.RegulatorSpread
	zener       device.Spread[device.Diode]
	local       *device.DiodeSpread // the vehicle's own two diodes
	locals      [2]circuit.Elem
	pins        *device.PinSpread
	pinNow      device.Pin
	ordinary    uint32 // the outputs that may be on together
	ballast     unit.Ohm
	tolerance   unit.Ratio          // of the ballast
	ballastReal *build.Real         // how it is known
	clamps      bool                // the pins have their clamp diodes
	set         []func(z []float64) // installs a slice of variables
	from        []int               // index of the first variable of each
	warm        map[State][]float64
	last        []float64
	learned     map[State]*lesson // shared by clones
	scratch     []float64
	trails      map[State]*trail // where each state was solved last; nil: not kept
	state       State            // last solved
	solved      bool
	start       []float64 // of the next solution; nil: as solve says
	like        *Network  // while it is wired: one with the same lamps; may be nil
}

// Missing is a value without which there is no circuit.
type Missing struct {
	ID     string // "output.front.series"
	What   string // "series resistor of output front"
	Reason string // why, where that is not plain
	// NotBuilt: it is written, but this circuit cannot hold it yet.
	NotBuilt bool
}

// Why says what is missing, for a verdict.
func (m Missing) Why() string {
	if m.NotBuilt {
		return finding.NotBuilt + ": " + m.What
	}
	if m.Reason != "" {
		return m.Reason
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
	return wire(b, d, lamps, nil, nil)
}

// wire is NewNetwork; like, if not nil, is a network with the same lamps, and more adds to the circuit before it is laid out.
func wire(b *build.Build, d *build.Decoder, lamps map[string]*LampPosterior, like *Network, more func(*Network)) (*Network, []Missing, error) {
	v, ok := b.VehicleOf(d)
	if !ok {
		return nil, []Missing{{ID: "vehicle", What: "the vehicle of decoder " + d.Name.Text}}, nil
	}
	n := &Network{Build: b, Decoder: d, Vehicle: v, like: like, Circuit: circuit.New(), warm: map[State][]float64{}, Regulator: none, Ballast: none}
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
	n.acknowledge()
	n.listen()
	n.together()
	if more != nil {
		more(n)
	}
	s, err := circuit.Compile(n.Circuit)
	if err != nil {
		return nil, nil, err
	}
	n.Solver, n.like = s, nil
	n.vary()
	n.Set(n.Typical())
	return n, missing, nil
}

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

// Answers reports whether the output is of a kind that is wired: a lamp, switched on either side or from the pin.
func Answers(o *build.Output) bool {
	return o.Load.Text != "motor" && o.Drive.Text != build.DriveBridge
}

// inward reports whether an output drives its lamps' current from their switched side towards their feed: on the high
// side, and from a pin into a lamp whose other side is the decoder's minus.
func inward(o *build.Output, feed string) bool {
	return o.Drive.Text == build.DriveHighSide || o.Drive.Text == build.DriveFromPin && feed == build.DecoderMinus
}

// conducts says while which rail is positive a lamp of that feed conducts; neither where nothing could flow.
func conducts(feed string, inward bool) (left, right bool) {
	switch feed {
	case build.LeftRail:
		return !inward, inward
	case build.RightRail:
		return inward, !inward
	case build.DecoderMinus:
		return inward, inward
	case build.RectifiedPlus, build.ChipSupply, build.LocalPlus:
		return !inward, !inward
	}
	return false, false
}

// missing lists what is open and the outputs for which nothing is.
func (n *Network) missing(lamps map[string]*LampPosterior) (m []Missing, whole []*build.Output) {
	d, cat := n.Decoder, n.Build.Catalogue
	need := func(open bool, id, what string) {
		if open {
			m = append(m, Missing{ID: id, What: what})
		}
	}
	later := func(id, what string) { m = append(m, Missing{ID: id, What: what, NotBuilt: true}) }
	need(d.Supply.Rectifier.Open(), "supply.rectifier", "rectifier of decoder "+d.Name.Text)
	need(d.Supply.Regulator.Open(), "supply.regulator", "regulator of decoder "+d.Name.Text)
	if _, ok := cat.Regulator(d.Supply.Regulator.Text); !ok && !d.Supply.Regulator.Open() {
		need(!d.Supply.Ballast.Known(), "supply.ballast", "ballast resistor before the zener of decoder "+d.Name.Text)
	}
	need(d.Chip.Part.Open(), "chip.part", "chip of decoder "+d.Name.Text)
	supply := len(m) == 0
	switched := n.switchedElsewhere()
	for i := range d.Outputs {
		o := &d.Outputs[i]
		if !Answers(o) {
			continue
		}
		before := len(m)
		id, of := OutputID(n.Build, d, o), " of output "+o.Name.Text
		dead, lacking, vain := false, false, false
		for _, name := range LampsOf(o) {
			if switched[name] {
				later(id+".lamp", "a switch of another decoder on lamp "+name)
				continue
			}
			if l, ok := n.Vehicle.Lamp(name); ok {
				if l.Feed.Text == "" {
					need(true, "lamp."+name+".feed", "feed of lamp "+name+" (where its unswitched side is joined)")
				} else if _, _, never := NeverLit(d, o, l); never {
					vain = true
				} else if WayOf(&d.Supply, l.Feed.Text, inward(o, l.Feed.Text)).Most == 0 {
					later(id+".drive", fmt.Sprintf("%s for lamp %s, which is fed from %s", cmp.Or(o.Drive.Text, build.DriveLowSide), name, l.Feed.Text))
				}
			}
			p, ok := lamps[n.Build.LampKey(n.Vehicle, name)]
			if !ok || len(p.Samples) == 0 && !p.Dead {
				lacking = true
				lack := Missing{ID: "lamp." + name, What: "lamp " + name, Reason: "no reading says what it is"}
				if !slices.Contains(m, lack) { // two outputs may want it
					m = append(m, lack)
				}
			}
			dead = dead || ok && p.Dead
		}
		open := func(q build.Quantity[unit.Ohm], attr, what string) {
			need(!q.Known() && !q.None(), id+"."+attr, what+of)
		}
		open(o.Series, "series", "series resistor")
		need(o.Shunt.Choose, id+".shunt", "resistor across the lamp"+of)
		if o.Drive.Text != build.DriveFromPin {
			need(o.Switch.Open(), id+".switch", "switch"+of)
			open(o.Base, "base", "base resistor")
			open(o.Pulldown, "pulldown", "pull-down")
		}
		if o.Driver.IsSet() {
			open(o.Between, "between", "resistor between the pair")
		}
		if o.Drive.Text == build.DriveHighSide {
			need(o.Level.Open(), id+".level", "level transistor"+of)
			open(o.Pullup, "pullup", "pull-up")
			open(o.LevelBase, "level_base", "base resistor of the level transistor")
		}
		need(o.From.Open(), id+".from", "chip pin"+of)
		if supply && len(m) == before && !dead && !lacking {
			whole = append(whole, o)
		} else if vain { // no value would help
			m = m[:before]
		}
	}
	return m, whole
}

// LampsOf names the lamps of an output.
func LampsOf(o *build.Output) []string {
	names := []string{o.Lamp.Text}
	for _, t := range o.AlsoLamps {
		names = append(names, t.Text)
	}
	return names
}

// switchedElsewhere are the vehicle's lamps that an earlier decoder of the build switches.
func (n *Network) switchedElsewhere() map[string]bool {
	out := map[string]bool{}
	for i := range n.Build.Decoders {
		e := &n.Build.Decoders[i]
		if e.Name.Text == n.Decoder.Name.Text {
			break
		}
		if v, ok := n.Build.VehicleOf(e); ok && v == n.Vehicle {
			for k := range e.Outputs {
				for _, name := range LampsOf(&e.Outputs[k]) {
					out[name] = out[name] || Answers(&e.Outputs[k])
				}
			}
		}
	}
	return out
}

func (n *Network) supply() error {
	c, d := n.Circuit, n.Decoder
	cat := n.Build.Catalogue
	if d.Supply.Single() {
		n.oneDiode(d.Supply.From.Text)
	} else {
		n.LeftRail, n.RightRail = c.Node("left rail"), c.Node("right rail")
	}
	n.Plus, n.VCC = c.Node("rectified plus"), c.Node("chip supply")
	n.Track = c.Voltage("track", n.LeftRail, n.RightRail, 12)
	c.SetWords(n.Track, "track")

	var ok bool
	if n.Rectifier, ok = cat.Diode(d.Supply.Rectifier.Text); !ok {
		return fmt.Errorf("decoder %s: the catalogue has no rectifier %q", d.Name.Text, d.Supply.Rectifier.Text)
	}
	var err error
	if n.bridge, err = device.MeasuredDiode(n.Rectifier, n.measured(n.Rectifier.Name)); err != nil {
		return fmt.Errorf("rectifier %s: %w", n.Rectifier.Name, err)
	}
	ends := [4][2]circuit.Node{{n.LeftRail, n.Plus}, {n.RightRail, n.Plus}, {circuit.Ground, n.LeftRail}, {circuit.Ground, n.RightRail}}
	words := [4]string{"from the left rail to plus", "from the right rail to plus", "from minus to the left rail", "from minus to the right rail"}
	typical := n.bridge.At(make([]float64, len(n.bridge.Vars())))
	for i := range n.Bridge {
		if n.Bridge[i] = none; n.Single && ends[i] != [2]circuit.Node{n.half.anode, n.Plus} {
			continue
		}
		n.Bridge[i] = c.Diode(fmt.Sprintf("rectifier D%d", i+1), ends[i][0], ends[i][1], typical)
		c.SetWords(n.Bridge[i], "rectifier diode "+words[i])
		n.half.diode = n.Bridge[i]
	}
	if n.Single {
		n.reservoir()
		n.polarities()
	}
	n.Bridged = n.Rectifier.Type == "bridge"
	if n.Chip, ok = cat.Chip(d.Chip.Part.Text); !ok {
		return fmt.Errorf("decoder %s: the catalogue has no chip %q", d.Name.Text, d.Chip.Part.Text)
	}
	if r, ok := cat.Regulator(d.Supply.Regulator.Text); ok {
		if n.regulator, err = device.SpreadRegulator(r); err != nil {
			return fmt.Errorf("regulator %s: %w", r.Name, err)
		}
		n.RegPart = &r
		n.Regulator = c.Regulator("regulator", n.Plus, n.VCC, circuit.Ground, n.regulator.At(make([]float64, len(n.regulator.Vars()))))
		c.SetWords(n.Regulator, "regulator "+r.Name)
		n.assume(r.Name, n.regulator.Notes())
	} else if z, ok := cat.Diode(d.Supply.Regulator.Text); ok && z.Type == "zener" {
		if n.zener, err = device.MeasuredDiode(z, n.measured(z.Name)); err != nil {
			return fmt.Errorf("zener %s: %w", z.Name, err)
		}
		n.Zener, n.ballast = &z, d.Supply.Ballast.Value
		n.ballastReal = d.Supply.Ballast.Real
		n.tolerance = n.knownWithin(d.Supply.Ballast)
		n.Ballast = c.Resistor("ballast", n.Plus, n.VCC, d.Supply.Ballast.Value)
		c.SetWords(n.Ballast, "ballast resistor")
		n.Regulator = c.Diode("zener", circuit.Ground, n.VCC, n.zener.At(make([]float64, len(n.zener.Vars()))))
		c.SetWords(n.Regulator, "zener "+z.Name)
		n.assume(z.Name, n.zener.Notes())
	} else {
		return fmt.Errorf("decoder %s: the catalogue has no regulator %q", d.Name.Text, d.Supply.Regulator.Text)
	}
	n.pins, err = device.SpreadPin(n.Chip, n.SupplyNominal())
	if err != nil {
		return fmt.Errorf("chip %s: %w", n.Chip.Name, err)
	}
	n.pinNow = n.pinAt(make([]float64, len(n.pins.Vars())), n.clamps)
	n.ChipDraw = c.Resistor("chip", n.VCC, circuit.Ground, n.chipLoad(0))
	c.SetWords(n.ChipDraw, "the chip's own draw")
	n.assume(n.Rectifier.Name, n.bridge.Notes())
	n.assume(n.Chip.Name, n.pins.Notes())
	return nil
}

// measured is what the user measured on the pieces of a part.
func (n *Network) measured(part string) (m parts.Measured) {
	if n.Build.Drawer != nil {
		m, _ = n.Build.Drawer.Measured(part)
	}
	return m
}

// SupplyNominal is the voltage that the chip's supply is meant to have.
func (n *Network) SupplyNominal() unit.Volt {
	if n.RegPart != nil {
		return n.RegPart.Vout
	}
	return n.Zener.VZnom
}

// SupplyPart is the part that makes the chip's supply, and the source of its figures.
func (n *Network) SupplyPart() (name, source string) {
	if n.RegPart != nil {
		return n.RegPart.Name, n.RegPart.Source
	}
	return n.Zener.Name, n.Zener.Source
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

// feed is the node that a lamp's unswitched side is joined to.
func (n *Network) feed(l *build.Lamp) (circuit.Node, error) {
	switch l.Feed.Text {
	case build.LeftRail:
		return n.LeftRail, nil
	case build.RightRail:
		return n.RightRail, nil
	case build.RectifiedPlus:
		return n.Plus, nil
	case build.ChipSupply:
		return n.VCC, nil
	case build.DecoderMinus:
		return circuit.Ground, nil
	case build.LocalPlus:
		if n.local == nil {
			if err := n.localPlus(); err != nil {
				return 0, err
			}
		}
		return n.LocalPlus, nil
	}
	return 0, fmt.Errorf("lamp %s: a feed from %q is not wired yet", l.Name.Text, l.Feed.Text)
}

// localDiode stands for the two diodes that some vehicles have of their own, whose type nobody can read from outside.
const localDiode = "1N4148W"

// localPlus is the vehicle's own plus: a diode from each rail.
func (n *Network) localPlus() (err error) {
	d, ok := n.Build.Catalogue.Diode(localDiode)
	if !ok {
		return fmt.Errorf("the catalogue has no %s", localDiode)
	}
	if n.local, err = device.SpreadDiode(d); err != nil {
		return err
	}
	n.LocalPlus = n.Circuit.Node("local plus")
	typical := n.local.At(make([]float64, len(n.local.Vars())))
	for i, rail := range []circuit.Node{n.LeftRail, n.RightRail} {
		n.locals[i] = n.Circuit.Diode(fmt.Sprintf("local diode %d", i+1), rail, n.LocalPlus, typical)
		n.Circuit.SetWords(n.locals[i], "the vehicle's own diode from the "+[]string{build.LeftRail, build.RightRail}[i])
	}
	n.assume("the vehicle's own diodes", []string{"taken for " + localDiode})
	return nil
}

// lampWords names a lamp in a sentence.
func (n *Network) lampWords(name string) string {
	for i := range n.Build.Vehicles {
		if v := &n.Build.Vehicles[i]; v != n.Vehicle {
			if _, twice := v.Lamp(name); twice {
				return "lamp " + name + " of " + n.Vehicle.Name.Text
			}
		}
	}
	return "lamp " + name
}

// lamp is the index of a lamp in the network, wired when an output first asks for it. inward: that output drives its
// current from its switched side.
func (n *Network) lamp(name string, lamps map[string]*LampPosterior, inward bool) (int, error) {
	for k := range n.Lamps {
		if n.Lamps[k].Name == name {
			return k, nil
		}
	}
	l, ok := n.Vehicle.Lamp(name)
	if !ok {
		return 0, fmt.Errorf("the vehicle has no lamp %q", name)
	}
	feeding, err := n.feed(l)
	if err != nil {
		return 0, err
	}
	post := lamps[n.Build.LampKey(n.Vehicle, name)]
	net := LampNet{Name: name, Words: n.lampWords(name), Feed: l.Feed.Text, Lamp: l, Post: post, corners: n.cornersOf(post), Feeding: feeding, Socket: n.Circuit.Node("socket of lamp " + name)}
	from, to := net.Feeding, net.Socket
	if net.inward = inward && !post.Pair(); net.inward {
		from, to = to, from
	}
	net.LampElems = AddLamp(n.Circuit, name, from, to, post.Best)
	n.Lamps = append(n.Lamps, net)
	return len(n.Lamps) - 1, nil
}

// cornersOf are the samples of a lamp worth trying as corners.
func (n *Network) cornersOf(post *LampPosterior) []int {
	if n.like != nil {
		for i := range n.like.Lamps {
			if l := &n.like.Lamps[i]; l.Post == post {
				return l.corners
			}
		}
	}
	return post.vertices()
}

// toleranceOf is how well one of an output's resistors is known by itself.
func (n *Network) toleranceOf(o *OutputNet, r *Resistor) unit.Ratio {
	if r.nominal.Real.Measured() {
		return r.nominal.Real.Slack
	}
	return n.ToleranceOf(o.Output, r.nominal.Value)
}

func (n *Network) output(o *build.Output, lamps map[string]*LampPosterior) error {
	own := *o // nominal values change here and not in the build
	o = &own
	net := OutputNet{
		ID: OutputID(n.Build, n.Decoder, o), Name: o.Name.Text, Path: []string{"decoder", n.Decoder.Name.Text, "output", o.Name.Text},
		Drive: cmp.Or(o.Drive.Text, build.DriveLowSide), Output: o, Clamp: none,
	}
	for k, name := range LampsOf(o) {
		l, ok := n.Vehicle.Lamp(name)
		if !ok {
			return fmt.Errorf("output %s: the vehicle has no lamp %q", net.Name, name)
		}
		in := inward(o, l.Feed.Text)
		i, err := n.lamp(name, lamps, in)
		if err != nil {
			return fmt.Errorf("output %s: %w", net.Name, err)
		}
		if k == 0 {
			net.Socket = n.Lamps[i].Socket
		} else { // one wire for all
			n.Circuit.SetWords(n.Circuit.Voltage("wire", net.Socket, n.Lamps[i].Socket, 0), "wire from lamp "+n.Lamps[net.Lights[0].Lamp].Name+" to lamp "+name)
		}
		light, post := LightNet{Lamp: i, Back: in != n.Lamps[i].inward}, n.Lamps[i].Post
		light.Way = WayOf(&n.Decoder.Supply, l.Feed.Text, in)
		if !post.Structure.BothWays() {
			light.Against = post.Surveyed && post.sitsInward(l.Feed.Text) != in
			light.Back = false
		}
		net.Lights = append(net.Lights, light)
		n.Lamps[i].duty = math.Max(n.Lamps[i].duty, light.Most*float64(o.Brightness.Or(1)))
		net.ActiveLow = net.Drive == build.DriveFromPin && !in
	}
	if err := n.stage(&net); err != nil {
		return err
	}
	if o.Shunt.Known() {
		lamp := &n.Lamps[net.Lights[0].Lamp]
		n.resistor(&net, "shunt", "resistor across the lamp", &o.Shunt, lamp.Feeding, lamp.Socket)
	}
	n.Outputs = append(n.Outputs, net)
	return nil
}

// PackageOf is the package of one of an output's resistors, by its attribute: what the file says, else that of the drawer's
// where all are of one, else 0805.
func PackageOf(b *build.Build, o *build.Output, attr string) string {
	if (attr == "series" || attr == "load") && o.SeriesPackage.IsSet() {
		return o.SeriesPackage.Text
	}
	if o.Package.IsSet() {
		return o.Package.Text
	}
	if b.Drawer != nil {
		one := ""
		for i := range b.Drawer.Items {
			switch it := &b.Drawer.Items[i]; {
			case it.Kind != parts.KindResistor || it.Count == 0 || !unit.Known(it.Ohm) || it.Package == "" || it.Package == one:
			case one == "":
				one = it.Package
			default:
				return defaultPackage
			}
		}
		if _, ok := b.Catalogue.ResistorPackage(one); ok {
			return one
		}
	}
	return defaultPackage
}

// OnHand is the drawer's resistors that fit that place in the output, by rising value: of its package, or of none that is
// said.
func OnHand(b *build.Build, o *build.Output, attr string) []parts.Stock {
	if b.Drawer == nil {
		return nil
	}
	list := b.Drawer.Resistors(PackageOf(b, o, attr))
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
	m.own()
	m.rewire()
	return &m
}

// own gives a copied network its own outputs with their nominal values.
func (n *Network) own() {
	n.Outputs, n.Lamps = slices.Clone(n.Outputs), slices.Clone(n.Lamps)
	for i := range n.Outputs {
		o := &n.Outputs[i]
		own := *o.Output
		o.Output = &own
		o.Resistors = slices.Clone(o.Resistors)
		for k := range o.Resistors {
			o.Resistors[k].nominal = ValueOf(&own, o.Resistors[k].Attr)
		}
		for _, t := range []**Transistor{&o.Switch, &o.Level, &o.Driver} {
			if *t != nil {
				q := **t
				*t = &q
			}
		}
	}
	if n.Ear != nil {
		own := *n.Ear
		n.Ear = &own
	}
}

// ValueOf is where an output holds the value of one of its resistors, by its attribute.
func ValueOf(o *build.Output, attr string) *build.Quantity[unit.Ohm] {
	switch attr {
	case "base":
		return &o.Base
	case "pulldown":
		return &o.Pulldown
	case "pullup":
		return &o.Pullup
	case "level_base":
		return &o.LevelBase
	case "shunt":
		return &o.Shunt
	case "between":
		return &o.Between
	}
	return &o.Series // also the load of the acknowledgement
}

// Edited is the network with its circuit changed: a slip or a fault. Elements keep their numbers. The error
// is the refusal of a circuit that cannot be solved, such as a short of the supply.
func (n *Network) Edited(edit func(c *circuit.Circuit)) (*Network, error) {
	m := *n
	m.Circuit = n.Circuit.Clone()
	for i := range n.Outputs { // before it is laid out, so that it is laid out once
		m.Circuit.SetPin(n.Outputs[i].Pin, n.pinAt(make([]float64, len(n.pins.Vars())), true))
	}
	edit(m.Circuit)
	if m.Single {
		m.polarities()
	}
	s, err := circuit.Compile(m.Circuit)
	if err != nil {
		return nil, err
	}
	m.clamps = true
	m.Solver, m.learned = s, nil // what was learned is of another circuit
	m.own()
	m.rewire()
	return &m, nil
}

// rewire gives a copied network its own variables and memory.
func (n *Network) rewire() {
	n.Vars, n.set, n.from, n.last, n.warm, n.trails = nil, nil, nil, nil, map[State][]float64{}, nil
	n.solved = false
	if n.scratch != nil {
		n.scratch = slices.Clone(n.scratch)
	}
	n.vary()
}

// PinNow is the chip pin at the last Set.
func (n *Network) PinNow() device.Pin { return n.pinNow }

// LampAt is lamp l at point z.
func (n *Network) LampAt(l int, z []float64) LampParams {
	return n.Lamps[l].Post.Samples[int(z[n.Lamps[l].index])]
}

// BallastPackage is the package of the resistors that belong to no output.
func (n *Network) BallastPackage() string {
	return PackageOf(n.Build, &build.Output{Package: n.Decoder.Supply.Package}, "")
}
