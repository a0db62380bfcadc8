package wiring

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"fettle/internal/build"
	"fettle/internal/circuit"
	"fettle/internal/device"
	"fettle/internal/parts"
	"fettle/internal/pin"
	"fettle/internal/unit"
)

// A Drive is what the chip does with the pins of all outputs.
type Drive uint8

const (
	Off   Drive = iota // pins low
	On                 // pins high
	Reset              // pins open: in reset, before the first instruction, and with no firmware
)

func (d Drive) String() string { return [...]string{"off", "on", "in reset"}[d] }

// A State is a static state of the decoder in its vehicle: which rail is positive, by how much, and what the
// chip does. On DCC a state lasts for half a bit; both polarities follow each other. On DC one of them stays.
type State struct {
	LeftPositive bool
	Drive        Drive
	Track        unit.Volt // between the rails, > 0
}

func (s State) String() string {
	rail := "right"
	if s.LeftPositive {
		rail = "left"
	}
	return fmt.Sprintf("%s, %s rail positive, track %s", s.Drive, rail, s.Track)
}

// A Var is one way in which the real thing may depart from the drawing, independent of all others.
type Var struct {
	Owner string // "switch of output front"; "" for what belongs to the whole (ambient temperature)
	device.Vary
	Levels   int   // > 0: z is an index 0…Levels−1 of joint samples
	Vertices []int // of a discrete variable: the levels worth trying first
}

// An OutputNet is one output with its lamp in the network.
type OutputNet struct {
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
		return nil, []Missing{{"vehicle", "the vehicle of decoder " + d.Name.Text}}, nil
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

// Answers reports whether the output is of the kind that is wired: a lamp switched on the low side.
func Answers(o *build.Output) bool {
	return o.Load.Text != "motor" && (o.Drive.Text == "" || o.Drive.Text == build.DriveLowSide) && len(o.AlsoLamps) == 0
}

// missing lists what is open and the outputs for which nothing is.
func (n *Network) missing(lamps map[string]*LampPosterior) (m []Missing, whole []*build.Output) {
	d := n.Decoder
	need := func(open bool, id, what string) {
		if open {
			m = append(m, Missing{id, what})
		}
	}
	need(d.Supply.Rectifier.Open(), "supply.rectifier", "rectifier of decoder "+d.Name.Text)
	need(d.Supply.Regulator.Open(), "supply.regulator", "regulator of decoder "+d.Name.Text)
	need(d.Chip.Part.Open(), "chip.part", "chip of decoder "+d.Name.Text)
	supply := len(m) == 0
	for i := range d.Outputs {
		o := &d.Outputs[i]
		if !Answers(o) {
			continue
		}
		before := len(m)
		id, of := "output."+o.Name.Text, " of output "+o.Name.Text
		need(o.Switch.Open(), id+".switch", "switch"+of)
		need(!o.Series.Known(), id+".series", "series resistor"+of)
		need(!o.Base.Known(), id+".base", "base resistor"+of)
		need(!o.Pulldown.Known(), id+".pulldown", "pull-down"+of)
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
	n.pins, err = device.SpreadPin(n.Chip, chipVolt)
	if err != nil {
		return fmt.Errorf("chip %s: %w", n.Chip.Name, err)
	}
	n.ChipDraw = c.Resistor("chip", n.VCC, circuit.Ground, n.chipLoad(0))
	c.SetWords(n.ChipDraw, "the chip's own draw")
	for _, note := range [][]string{n.bridge.Notes(), n.regulator.Notes(), n.pins.Notes()} {
		n.Assumed = append(n.Assumed, note...)
	}
	return nil
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
	net := OutputNet{Name: name, LampName: lamp.Name.Text, Feed: lamp.Feed.Text, Output: o, Lamp: lamp, Post: post, corners: post.vertices()}
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
	n.Assumed = append(n.Assumed, net.spread.Notes()...)

	net.Socket, net.Collector = c.Node("socket of "+name), c.Node("collector of "+name)
	net.BaseNode, net.PinNode = c.Node("base of "+name), c.Node(o.From.Text)
	net.LampElems = AddLamp(c, net.LampName, net.Feeding, net.Socket, post.Best)
	net.Series = c.Resistor("series "+name, net.Socket, net.Collector, o.Series.Value)
	net.Base = c.Resistor("base "+name, net.PinNode, net.BaseNode, o.Base.Value)
	net.Pulldown = c.Resistor("pull-down "+name, net.BaseNode, circuit.Ground, o.Pulldown.Value)
	net.Switch = c.BJT("switch "+name, net.Collector, net.BaseNode, circuit.Ground, net.spread.At(make([]float64, len(net.spread.Vars()))))
	n.pinNow = n.pins.At(make([]float64, len(n.pins.Vars())))
	net.Pin = c.Pin("pin "+o.From.Text, net.PinNode, n.VCC, circuit.Ground, n.pinNow)
	c.SetWords(net.Series, "series resistor of output "+name)
	c.SetWords(net.Base, "base resistor of output "+name)
	c.SetWords(net.Pulldown, "pull-down of output "+name)
	c.SetWords(net.Switch, "switch of output "+name)
	c.SetWords(net.Pin, "chip pin "+o.From.Text)
	n.Outputs = append(n.Outputs, net)
	return nil
}

// ToleranceOf is the tolerance of a resistor of the output: what the file says, else the drawer's part of
// that value, else 5 %.
func (n *Network) ToleranceOf(o *build.Output, r unit.Ohm) unit.Ratio {
	if o.Tolerance.Known() {
		return o.Tolerance.Value
	}
	if n.Build.Drawer != nil {
		for _, it := range n.Build.Drawer.Items {
			if unit.Known(it.Ohm) && math.Abs(float64(it.Ohm/r)-1) < 1e-9 && unit.Known(it.Tolerance) {
				return it.Tolerance
			}
		}
	}
	return defaultTolerance
}

// PackageOf is the package of the output's resistors: what the file says, else 0805.
func PackageOf(o *build.Output) string {
	if o.Package.Text != "" {
		return o.Package.Text
	}
	return defaultPackage
}

// vary lists everything that varies and how it is installed.
func (n *Network) vary() {
	s := n.Solver
	add := func(owner string, vars []device.Vary, set func(z []float64)) {
		n.from = append(n.from, len(n.Vars))
		n.set = append(n.set, set)
		for _, v := range vars {
			n.Vars = append(n.Vars, Var{Owner: owner, Vary: v})
		}
	}
	low, high := n.Build.Track.AmbientLow.Or(AmbientLow), n.Build.Track.AmbientHigh.Or(AmbientHigh)
	at := func(z float64) unit.Celsius { return (low+high)/2 + unit.Celsius(z)*(high-low)/2 }
	add("", []device.Vary{{Name: "ambient", Law: device.Uniform, Say: func(z float64) string {
		return fmt.Sprintf("%.0f °C", float64(at(z)))
	}}}, func(z []float64) {
		n.Ambient = at(z[0])
		s.SetTemperature(n.Ambient.Kelvin())
	})
	add("rectifier", n.bridge.Vars(), func(z []float64) {
		d := n.bridge.At(z)
		for _, e := range n.Bridge {
			s.SetDiode(e, d)
		}
	})
	add("regulator", n.regulator.Vars(), func(z []float64) { s.SetRegulator(n.Regulator, n.regulator.At(z)) })
	add("chip", []device.Vary{{Name: "supply current", Law: device.Uniform, Say: func(z float64) string {
		return "draws " + n.chipLoadWords(z)
	}}}, func(z []float64) { s.SetResistance(n.ChipDraw, n.chipLoad(z[0])) })
	add("chip pin", n.pins.Vars(), func(z []float64) {
		n.pinNow = n.pins.At(z)
		if n.pinNow.Leak == 0 {
			n.pinNow.Leak = 1e-18 // none at all would be another layout of the equations
		}
		for i := range n.Outputs {
			s.SetPin(n.Outputs[i].Pin, n.pinNow)
		}
	})
	for i := range n.Outputs {
		o := &n.Outputs[i]
		of := " of output " + o.Name
		add("switch"+of, o.spread.Vars(), func(z []float64) {
			o.now = o.spread.At(z)
			s.SetBJT(o.Switch, o.now)
		})
		o.firstResistor = len(n.Vars)
		for k, r := range o.resistors() {
			o.tolerance[k] = n.ToleranceOf(o.Output, r.nominal.Value)
			add(r.words+of, []device.Vary{{Name: "tolerance", Law: device.Uniform, Say: func(z float64) string {
				return strings.Replace(fmt.Sprintf("%+.3g %%", 100*float64(o.tolerance[k])*z), "-", "−", 1)
			}}}, func(z []float64) {
				s.SetResistance(r.elem, r.nominal.Value*unit.Ohm(1+float64(o.tolerance[k])*z[0]))
			})
		}
		o.lampVar = len(n.Vars)
		n.from = append(n.from, len(n.Vars))
		n.set = append(n.set, func(z []float64) { o.LampElems.Set(s, o.Post.Samples[int(z[0])]) })
		n.Vars = append(n.Vars, Var{
			Owner: "lamp " + o.LampName, Levels: len(o.Post.Samples), Vertices: o.corners,
			Vary: device.Vary{Name: "as measured", Say: func(z float64) string {
				p := o.Post.Samples[int(z)]
				return fmt.Sprintf("hidden %s, LED %s at 2 mA", p.Hidden, p.LED.Voltage(0.002, unit.FitTemperature.Kelvin()))
			}},
		})
	}
	n.from = append(n.from, len(n.Vars))
}

func (n *Network) chipLoadWords(z float64) string {
	return chipVolt.Over(n.chipLoad(z)).String() + " at 5 V"
}

// Typical is the point where everything is typical and every lamp its most probable self.
func (n *Network) Typical() []float64 {
	z := make([]float64, len(n.Vars))
	for i, v := range n.Vars {
		if v.Levels > 0 {
			z[i] = float64(v.Vertices[0])
		}
	}
	return z
}

// Set installs the point z (one number per Var) into the circuit. Only what changed is touched.
func (n *Network) Set(z []float64) {
	if n.last == nil {
		n.last = make([]float64, len(n.Vars))
		for i := range n.last {
			n.last[i] = math.NaN()
		}
	}
	for k, set := range n.set {
		a, b := n.from[k], n.from[k+1]
		if !slices.Equal(z[a:b], n.last[a:b]) {
			set(z[a:b])
		}
	}
	copy(n.last, z)
}

// Nominal changes the nominal value of a resistor of output i: its series, base or pull-down resistor.
func (n *Network) Nominal(i int, e circuit.Elem, r unit.Ohm) {
	o := &n.Outputs[i]
	for k, res := range o.resistors() {
		if res.elem == e {
			*res.nominal = build.Given(r)
			o.tolerance[k] = n.ToleranceOf(o.Output, r)
			if n.last != nil {
				n.last[o.firstResistor+k] = math.NaN() // the next Set installs it
			}
		}
	}
}

// Solve brings the network into a state and solves it. It starts from what Learn foretells; else from the
// solution before if that was the same drive and polarity (another track voltage moves junction voltages
// little); else from the last time the network was there.
func (n *Network) Solve(st State) circuit.Solution {
	s := n.Solver
	u := st.Track
	if !st.LeftPositive {
		u = -u
	}
	s.SetVoltage(n.Track, u)
	same := n.solved && st.Drive == n.state.Drive && st.LeftPositive == n.state.LeftPositive
	if !n.solved || st.Drive != n.state.Drive {
		level := [...]pin.Level{pin.Low, pin.High, pin.Open}[st.Drive]
		for i := range n.Outputs {
			s.SetLevel(n.Outputs[i].Pin, level)
		}
	}
	if l := n.learned[st]; l != nil {
		s.Restore(n.foretell(l))
	} else if !same {
		if w, ok := n.warm[st]; ok {
			s.Restore(w)
		} else {
			s.Reset()
		}
	}
	sol := s.Solve()
	if sol.Status != circuit.Solved { // a bad start can mislead; a cold one has its own way
		s.Reset()
		sol = s.Solve()
	}
	n.state, n.solved = st, sol.Status == circuit.Solved
	switch {
	case n.learned[st] != nil:
	case n.solved:
		w, ok := n.warm[st]
		if !ok {
			w = make([]float64, s.StateSize())
			n.warm[st] = w
		}
		s.Save(w)
	default:
		delete(n.warm, st)
	}
	return sol
}

// A lesson is how one state's solution follows what varies, to first order on either side of typical.
type lesson struct {
	base     []float64
	up, down [][]float64    // per continuous variable: the change towards +1 and towards −1; nil for joint samples
	lamps    [][2][]float64 // per output: the change with its LED's voltage (per volt) and with ln of its hidden resistance
}

// Steps by which a lamp is changed to learn what follows from it.
const (
	learnVolt = unit.Volt(0.03)
	learnLnR  = 0.05
)

// feature is how a lamp sample differs from the most probable one: LED voltage at 2 mA, and ln of the hidden
// resistance.
func (o *OutputNet) feature(p LampParams) [2]float64 {
	t := unit.FitTemperature.Kelvin()
	typical := o.Post.Samples[o.corners[0]]
	return [2]float64{
		float64(p.Junction().Voltage(0.002, t) - typical.Junction().Voltage(0.002, t)),
		math.Log(float64(p.Hidden / typical.Hidden)),
	}
}

// foretell is the solution to expect at z.
func (n *Network) foretell(l *lesson) []float64 {
	z, out := n.last, n.scratch
	copy(out, l.base)
	for i := range n.Outputs {
		o := &n.Outputs[i]
		for f, x := range o.features[int(z[o.lampVar])] {
			addScaled(out, x, l.lamps[i][f])
		}
	}
	for i, up := range l.up {
		if x := z[i]; x > 0 {
			addScaled(out, x, up)
		} else if x < 0 {
			addScaled(out, -x, l.down[i])
		}
	}
	return out
}

// addScaled adds x·d to out.
func addScaled(out []float64, x float64, d []float64) {
	out = out[:len(d)]
	for k, v := range d {
		out[k] += x * v
	}
}

// Learn solves the states at typical and with each variable at its ends, so that Solve can start near the
// answer anywhere in the box. The answer itself does not depend on it, nor on what was solved before.
func (n *Network) Learn(states []State) {
	typical := n.Typical()
	z := slices.Clone(typical)
	lessons := map[State]*lesson{}
	n.learned = nil
	solve := func(st State) []float64 {
		if n.Solve(st).Status != circuit.Solved {
			return nil
		}
		return n.Solver.Save(make([]float64, n.Solver.StateSize()))
	}
	n.Set(z)
	var known []State // in order, so that the same states are always learned on the same road
	for _, st := range states {
		if base := solve(st); base != nil {
			known = append(known, st)
			lessons[st] = &lesson{base: base, up: make([][]float64, len(n.Vars)), down: make([][]float64, len(n.Vars)), lamps: make([][2][]float64, len(n.Outputs))}
		}
	}
	for i, v := range n.Vars {
		if v.Levels > 0 {
			continue
		}
		for _, end := range []float64{1, -1} {
			z[i] = end
			n.Set(z)
			for _, st := range known {
				l, d := lessons[st], solve(st)
				for k := range d {
					d[k] -= l.base[k]
				}
				if end > 0 {
					l.up[i] = d
				} else {
					l.down[i] = d
				}
			}
		}
		z[i] = typical[i]
	}
	n.Set(z)
	for i := range n.Outputs {
		o := &n.Outputs[i]
		was := o.Post.Samples[o.corners[0]]
		o.features = make([][2]float64, len(o.Post.Samples))
		for j, p := range o.Post.Samples {
			o.features[j] = o.feature(p)
		}
		brighter, larger := was, was
		larger.Hidden *= unit.Ohm(math.Exp(learnLnR))
		// The junction law moves as a whole when IS falls by exp(ΔV/N·Vt).
		brighter.LED.IS *= unit.Amp(math.Exp(-float64(learnVolt/unit.FitTemperature.Kelvin().ThermalVoltage()) / (was.LED.N * float64(max(was.Series, 1)))))
		for f, p := range []LampParams{brighter, larger} {
			o.LampElems.Set(n.Solver, p)
			step := o.feature(p)[f]
			for _, st := range known {
				l, d := lessons[st], solve(st)
				for k := range d {
					d[k] = (d[k] - l.base[k]) / step
				}
				l.lamps[i][f] = d
			}
		}
		o.LampElems.Set(n.Solver, was)
	}
	n.learned, n.scratch = lessons, make([]float64, n.Solver.StateSize())
}

// Say puts the point z into words: what moves a number most stands first, and what moves it by less than a
// tenth of that is left out. effect is how far each variable moves it; the joint samples of a lamp have no
// effect of their own and are named for output i alone (−1: none).
func (n *Network) Say(z, effect []float64, i int) string {
	type word struct {
		w    float64
		text string
	}
	var words []word
	most := 0.0
	for k, v := range n.Vars {
		w := math.Abs(effect[k] * z[k])
		switch {
		case v.Levels == 0:
			if most = math.Max(most, w); w == 0 {
				continue
			}
		case i >= 0 && k == n.Outputs[i].lampVar:
			w = math.Inf(1)
		default:
			continue
		}
		text := v.Say(z[k])
		if v.Owner != "" {
			text = v.Owner + " " + text
		}
		words = append(words, word{w, text})
	}
	sort.SliceStable(words, func(i, j int) bool { return words[i].w > words[j].w })
	var out []string
	for _, w := range words {
		if w.w >= most/10 {
			out = append(out, w.text)
		}
	}
	return strings.Join(out, ", ")
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
	m.Solver = s
	m.Outputs = append([]OutputNet(nil), n.Outputs...)
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
