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
	"fettle/internal/unit"
)

// A Var is one way in which the real thing may depart from the drawing, independent of all others.
type Var struct {
	Owner string // "switch of output front"; "" for what belongs to the whole (ambient temperature)
	device.Vary
	Levels   int   // > 0: z is an index 0…Levels−1 of joint samples
	Vertices []int // of a discrete variable: the levels worth trying first
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
		n.pinNow = n.pinAt(z)
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

// ToleranceOf is the tolerance of a resistor of the output: what the file says, else the drawer's part of
// that value, else 5 %.
func (n *Network) ToleranceOf(o *build.Output, r unit.Ohm) unit.Ratio {
	if o.Tolerance.IsSet() && o.Tolerance.Known() {
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
