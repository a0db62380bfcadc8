package wiring

import (
	"math"
	"slices"

	"fettle/internal/circuit"
	"fettle/internal/device"
	"fettle/internal/unit"
)

// LampParams is one possible lamp: a hidden resistor and identical junctions behind it, Series in a row and
// Parallel such rows side by side.
type LampParams struct {
	Series, Parallel int
	Hidden           unit.Ohm
	LED              device.Diode // one junction
}

// Junction is the one equivalent diode of the whole group. For identical junctions it is exact: s in a row
// carry the same current, so voltage, emission coefficient, ohmic resistance and the temperature laws
// multiply by s; p side by side share the current, so currents multiply by p. Parallel rows of real LEDs
// share unequally; that is judged where the current per LED is (package require), not here.
func (p LampParams) Junction() device.Diode {
	s, n := float64(max(p.Series, 1)), float64(max(p.Parallel, 1))
	d := p.LED
	d.IS *= unit.Amp(n)
	d.N *= s
	d.RS *= unit.Ohm(s / n)
	d.XTI *= s
	d.EG *= unit.Volt(s)
	d.GP *= n / s
	d.BV *= unit.Volt(s)
	return d
}

// LampElems are the circuit elements of a lamp.
type LampElems struct {
	Hidden circuit.Elem
	LED    circuit.Elem
	Inside circuit.Node // between hidden resistor and LED
	To     circuit.Node // the end that the LED's cathode is joined to
}

// AddLamp puts a lamp between two nodes: current flows from `from` through the hidden resistor and the LED
// to `to`. Survey and decoder networks use this one description.
func AddLamp(c *circuit.Circuit, name string, from, to circuit.Node, p LampParams) LampElems {
	in := c.Node("lamp " + name + " inside")
	e := LampElems{Inside: in, To: to}
	e.Hidden = c.Resistor("lamp "+name+" hidden resistor", from, in, p.Hidden)
	c.SetWords(e.Hidden, "hidden resistor of lamp "+name)
	e.LED = c.Diode("lamp "+name+" LED", in, to, p.Junction())
	c.SetWords(e.LED, "LED of lamp "+name)
	return e
}

// Set gives an existing lamp other parameters, without touching the topology.
func (e LampElems) Set(s *circuit.Solver, p LampParams) {
	s.SetResistance(e.Hidden, p.Hidden)
	s.SetDiode(e.LED, p.Junction())
}

// LampPosterior is what survey knows of one lamp: joint samples of equal weight (a hidden resistance and its
// LED's voltage are strongly correlated; independent intervals would fail good designs).
type LampPosterior struct {
	Name     string
	Class    string // colour class of the catalogue ("white"), the source of the ratings below
	Samples  []LampParams
	Best     LampParams // the most probable
	Dead     bool       // no light to be had from it; Samples is empty
	WrongWay bool       // it sits the other way round than its feed needs; Samples describe it turned round
	Surveyed bool       // false: from the class alone, nothing was measured

	// Ratings of one LED of the class.
	IFmax, IFpeak unit.Amp
	VRmax         unit.Volt
	Ratings       string // source of the ratings
}

// Fewest is the least number of junctions in a row, and of rows, among the samples: readings from outside may
// leave both open, and the fewest stand the least.
func (p *LampPosterior) Fewest() (series, parallel int) {
	for i, s := range p.Samples {
		if n := max(s.Series, 1); i == 0 || n < series {
			series = n
		}
		if n := max(s.Parallel, 1); i == 0 || n < parallel {
			parallel = n
		}
	}
	return max(series, 1), max(parallel, 1)
}

// Brightest is what the row of the lowest forward voltage takes of the lamp's current i, where each of its LEDs
// stands dv below those of the other rows, which share the rest alike.
func (p LampParams) Brightest(i unit.Amp, dv unit.Volt, t unit.Kelvin) unit.Amp {
	others := unit.Amp(p.Parallel - 1)
	if others < 1 {
		return i
	}
	low, high := i/(others+1), i
	for range 60 {
		x := (low + high) / 2
		if p.LED.Voltage(x, t)-dv < p.LED.Voltage((i-x)/others, t) {
			low = x
		} else {
			high = x
		}
	}
	return (low + high) / 2
}

// vertices are the samples worth trying as corners, the one nearest to the most probable first. In a fixed
// surrounding the lamp with the largest voltage at the resulting current is the dimmest, so the extremes of
// voltage over a ladder of currents hold the extremes of light.
func (p *LampPosterior) vertices() []int {
	best, off := 0, math.Inf(1)
	for j, s := range p.Samples {
		if d := math.Abs(math.Log(float64(s.Hidden / p.Best.Hidden))); d < off {
			best, off = j, d
		}
	}
	list := []int{best}
	for _, i := range [...]unit.Amp{1e-6, 0.3e-3, 1e-3, 3e-3, 10e-3, 30e-3} {
		low, high := 0, 0
		vlow, vhigh := unit.Volt(math.Inf(1)), unit.Volt(math.Inf(-1))
		for j, s := range p.Samples {
			v := i.Times(s.Hidden) + s.Junction().Voltage(i, unit.FitTemperature.Kelvin())
			if v < vlow {
				low, vlow = j, v
			}
			if v > vhigh {
				high, vhigh = j, v
			}
		}
		for _, j := range []int{low, high} {
			if !slices.Contains(list, j) {
				list = append(list, j)
			}
		}
	}
	return list
}

// Through is the current of the whole lamp, from its first node to its second.
func (e LampElems) Through(s *circuit.Solver) unit.Amp { return s.I(e.Hidden, 0) }

// Light is the current that gives light, in the lamp's own direction and, of a pair face to face, in the other. What
// leaks backwards gives none.
func (e LampElems) Light(s *circuit.Solver) (forward, back unit.Amp) {
	return max(0, s.I(e.LED, 0)), 0
}

// Across is the voltage over the LEDs (a filament: over all of it), positive in the lamp's own direction.
func (e LampElems) Across(s *circuit.Solver) unit.Volt { return s.V(e.Inside) - s.V(e.To) }

// Heat is what the hidden resistor takes up.
func (e LampElems) Heat(s *circuit.Solver) unit.Watt { return s.Power(e.Hidden) }
