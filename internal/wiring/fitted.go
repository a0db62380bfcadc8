package wiring

import (
	"fmt"
	"strings"

	"fettle/internal/build"
	"fettle/internal/device"
	"fettle/internal/unit"
)

// A resistor that was measured before it was soldered in varies by what its meter leaves open instead of by its tolerance: by
// itself within the digits, and with all others that were read on the same range of the same meter by the gain of that range,
// which nobody knows but which is one number (package meter). So two resistors of a divider, measured alike, keep their ratio.

// A gauge is one range of one meter, with the resistors that were read on it.
type gauge struct {
	meter, scale string
	gain         unit.Ratio
	z            float64
	on           []func() // installs each anew
}

// readOn lists the ranges on which the network's resistors were read, in the order of the network.
func (n *Network) readOn() (list []*gauge) {
	see := func(r *build.Real) {
		if r.Measured() && gaugeOf(list, r) == nil {
			list = append(list, &gauge{meter: r.Meter, scale: r.Scale, gain: r.Gain})
		}
	}
	see(n.ballastReal)
	if n.Ear != nil {
		see(n.Ear.real)
	}
	for i := range n.Outputs {
		for k := range n.Outputs[i].Resistors {
			see(n.Outputs[i].Resistors[k].nominal.Real)
		}
	}
	return list
}

func gaugeOf(list []*gauge, r *build.Real) *gauge {
	if r.Measured() {
		for _, g := range list {
			if g.meter == r.Meter && g.scale == r.Scale {
				return g
			}
		}
	}
	return nil
}

// owner is the meter in words.
func (g *gauge) owner() string {
	if g.meter == build.HandMeter {
		return g.meter
	}
	return "meter " + g.meter
}

// varies is the gauge's one variable.
func (g *gauge) varies() []device.Vary {
	return []device.Vary{{Name: "gain", Law: device.Uniform, Say: func(z float64) string {
		return fmt.Sprintf("reads %s on its %s", percent(float64(g.gain)*z), g.scale)
	}}}
}

// set installs the gauge's gain error.
func (g *gauge) set(z []float64) {
	g.z = z[0]
	for _, put := range g.on {
		put()
	}
}

// truth is what a resistor has that was read as r, with z of its own error.
func (g *gauge) truth(r unit.Ohm, slack unit.Ratio, z float64) unit.Ohm {
	r *= unit.Ohm(1 + float64(slack)*z)
	if g != nil {
		r /= unit.Ohm(1 + float64(g.gain)*g.z)
	}
	return r
}

func percent(x float64) string {
	return strings.Replace(fmt.Sprintf("%+.3g %%", 100*x), "-", "−", 1)
}

// Real is how the value is known if it is of a build as built, else nil.
func (r *Resistor) Real() *build.Real { return r.nominal.Real }

// Meant is the value that belongs in its place, as one buys it: the design's, where another was fitted or it was measured.
func (r *Resistor) Meant() string {
	if real := r.Real(); real != nil {
		if x, err := unit.ParseOhm(real.Designed); err == nil {
			return x.String()
		}
	}
	return r.Value().String()
}

// Sure says within what the value of a resistor lies: as measured, or by the part's tolerance.
func Sure(r *build.Real, tolerance unit.Ratio) string {
	if r.Measured() {
		return fmt.Sprintf("±%s, the meter's error", unit.Format(float64(r.Gain+r.Slack), unit.SymRatio, 2))
	}
	return "±" + tolerance.String()
}
