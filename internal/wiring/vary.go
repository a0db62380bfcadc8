package wiring

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"fettle/internal/build"
	"fettle/internal/device"
	"fettle/internal/unit"
)

// A Var is one way in which the real thing may depart from the drawing, independent of all others.
type Var struct {
	Owner string // "switch of output front"; "" for what belongs to the whole (ambient temperature)
	device.Vary
	Levels   int   // > 0: z is an index 0…Levels−1 of joint samples
	Vertices []int // of a discrete variable: the levels worth trying first
	Lamp     int   // whose joint samples they are
	Output   int   // of which output it is; −1: of the whole, or of a lamp
}

// vary lists everything that varies and how it is installed.
func (n *Network) vary() {
	s := n.Solver
	of := -1 // the output whose variables are listed
	add := func(owner string, vars []device.Vary, set func(z []float64)) {
		n.from = append(n.from, len(n.Vars))
		n.set = append(n.set, set)
		for _, v := range vars {
			n.Vars = append(n.Vars, Var{Owner: owner, Vary: v, Output: of})
		}
	}
	gauges := n.readOn()
	// A resistor that was measured moves with all that were read on that range.
	resistor := func(owner string, own *unit.Ratio, real func() *build.Real, install func(g *gauge, z float64)) {
		at := 0.0
		put := func() { install(gaugeOf(gauges, real()), at) }
		if g := gaugeOf(gauges, real()); g != nil {
			g.on = append(g.on, put)
		}
		add(owner, tolerance(own), func(z []float64) {
			at = z[0]
			put()
		})
	}
	low, high := n.Build.Track.AmbientLow.Or(AmbientLow), n.Build.Track.AmbientHigh.Or(AmbientHigh)
	at := func(z float64) unit.Celsius { return (low+high)/2 + unit.Celsius(z)*(high-low)/2 }
	add("", []device.Vary{{Name: "ambient", Law: device.Uniform, Say: func(z float64) string {
		return fmt.Sprintf("%.0f °C", float64(at(z)))
	}}}, func(z []float64) {
		n.Ambient = at(z[0])
		s.SetTemperature(n.Ambient.Kelvin())
	})
	for _, g := range gauges {
		add(g.owner(), g.varies(), g.set)
	}
	add("rectifier", n.bridge.Vars(), func(z []float64) {
		d := n.bridge.At(z)
		for _, e := range n.Bridge {
			if e != none {
				s.SetDiode(e, d)
			}
		}
	})
	if n.RegPart != nil {
		add("regulator", n.regulator.Vars(), func(z []float64) { s.SetRegulator(n.Regulator, n.regulator.At(z)) })
	} else {
		add("zener", n.zener.Vars(), func(z []float64) { s.SetDiode(n.Regulator, n.zener.At(z)) })
		resistor(Ballast, &n.tolerance, func() *build.Real { return n.ballastReal }, func(r *gauge, z float64) {
			s.SetResistance(n.Ballast, r.truth(n.ballast, n.tolerance, z))
		})
	}
	if n.local != nil {
		add("the vehicle's own diodes", n.local.Vars(), func(z []float64) {
			d := n.local.At(z)
			for _, e := range n.locals {
				s.SetDiode(e, d)
			}
		})
	}
	add("chip", []device.Vary{{Name: "supply current", Law: device.Uniform, Say: func(z float64) string {
		return "draws " + n.chipLoadWords(z)
	}}}, func(z []float64) { s.SetResistance(n.ChipDraw, n.chipLoad(z[0])) })
	add("chip pin", n.pins.Vars(), func(z []float64) {
		n.pinNow = n.pinAt(z, n.clamps)
		for i := range n.Outputs {
			s.SetPin(n.Outputs[i].Pin, n.pinNow)
		}
		if n.Ear != nil {
			s.SetPin(n.Ear.Pin, n.pinAt(z, true))
		}
	})
	if e := n.Ear; e != nil {
		resistor(EarSeries, &e.tolerance, func() *build.Real { return e.real }, func(r *gauge, z float64) {
			s.SetResistance(e.Series, r.truth(e.nominal, e.tolerance, z))
		})
	}
	lamps := 0 // those that have their variables
	for i := range n.Outputs {
		o := &n.Outputs[i]
		of = i
		for _, t := range o.Transistors() {
			if t != nil {
				add(t.Words, t.vars(), func(z []float64) { t.set(s, z) })
			}
		}
		if o.clamp != nil {
			add("gate clamp of "+o.Of(), o.clamp.Vars(), func(z []float64) { s.SetDiode(o.Clamp, o.clamp.At(z)) })
		}
		for k := range o.Resistors {
			r := &o.Resistors[k]
			r.index, r.tolerance = len(n.Vars), n.toleranceOf(o, r)
			resistor(r.Words+" of "+o.Of(), &r.tolerance, r.Real, func(g *gauge, z float64) {
				s.SetResistance(r.Elem, g.truth(r.nominal.Value, r.tolerance, z))
			})
		}
		for ; lamps < len(n.Lamps) && slices.ContainsFunc(o.Lights, func(l LightNet) bool { return l.Lamp == lamps }); lamps++ {
			l := &n.Lamps[lamps]
			l.index = len(n.Vars)
			n.from = append(n.from, len(n.Vars))
			n.set = append(n.set, func(z []float64) { l.LampElems.Set(s, n.filament(l, l.Post.Samples[int(z[0])])) })
			n.Vars = append(n.Vars, Var{
				Owner: "lamp " + l.Name, Levels: len(l.Post.Samples), Vertices: l.corners, Lamp: lamps, Output: -1,
				Vary: device.Vary{Name: "as measured", Say: func(z float64) string { return l.Post.Samples[int(z)].Say() }},
			})
		}
	}
	n.from = append(n.from, len(n.Vars))
}

// tolerance is the one variable of a resistor.
func tolerance(t *unit.Ratio) []device.Vary {
	return []device.Vary{{Name: "tolerance", Law: device.Uniform, Say: func(z float64) string {
		return percent(float64(*t) * z)
	}}}
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

// Names of the resistors that belong to no output, for Nominal and Value.
const (
	EarSeries = "ear"
	Ballast   = "ballast resistor"
)

// Nominal changes the nominal value of a resistor: of output i, named by its attribute, or of none (i < 0).
func (n *Network) Nominal(i int, name string, r unit.Ohm) {
	owner := name
	switch {
	case i >= 0:
		o := &n.Outputs[i]
		res, ok := o.Resistor(name)
		if !ok {
			return
		}
		*res.nominal = build.Given(r)
		res.tolerance = n.toleranceOf(o, res)
		owner = res.Words + " of " + o.Of()
	case name == EarSeries:
		n.Ear.nominal, n.Ear.real, n.Ear.tolerance = r, nil, n.ToleranceOf(&build.Output{}, r)
	default:
		n.ballast, n.ballastReal, n.tolerance = r, nil, n.ToleranceOf(&build.Output{}, r)
	}
	for k := range n.last {
		if n.Vars[k].Owner == owner {
			n.last[k] = math.NaN() // the next Set installs it
		}
	}
}

// Value is the nominal value of such a resistor.
func (n *Network) Value(i int, name string) unit.Ohm {
	switch {
	case i >= 0:
		if r, ok := n.Outputs[i].Resistor(name); ok {
			return r.Value()
		}
		return unit.Absent[unit.Ohm]()
	case name == EarSeries:
		return n.Ear.nominal
	}
	return n.ballast
}

// Say puts the point z into words: what moves a number most stands first, and what moves it by less than a
// tenth of that is left out. effect is how far each variable moves it; the joint samples of a lamp have no
// effect of their own and are named for the lamps of output i alone (−1: none).
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
		case i >= 0 && slices.ContainsFunc(n.Outputs[i].Lights, func(l LightNet) bool { return n.Lamps[l.Lamp].index == k }):
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

// ToleranceOf is the tolerance of a resistor of the output: what the file says, else the drawer's part of
// that value, else 5 %.
func (n *Network) ToleranceOf(o *build.Output, r unit.Ohm) unit.Ratio {
	return Tolerance(n.Build, o, r)
}

// Tolerance is ToleranceOf without a network.
func Tolerance(b *build.Build, o *build.Output, r unit.Ohm) unit.Ratio {
	if o.Tolerance.IsSet() && o.Tolerance.Known() {
		return o.Tolerance.Value
	}
	if b.Drawer != nil {
		for _, it := range b.Drawer.Items {
			if unit.Known(it.Ohm) && math.Abs(float64(it.Ohm/r)-1) < 1e-9 && unit.Known(it.Tolerance) {
				return it.Tolerance
			}
		}
	}
	return defaultTolerance
}
