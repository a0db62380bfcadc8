package defect

import (
	"slices"

	"fettle/internal/build"
)

// afterMeasuring is how much rarer another value is where the resistor was measured before it was soldered in: what is left is
// a slip of the note, or another piece picked up after. Common practice, no source.
const afterMeasuring = 0.1

// otherValue are the classes that say so.
var otherValue = []string{"wrong value", "near value", "prefix", "digits exchanged"}

// measured takes down the priors of another value where the value was measured.
func (g *generator) measured() {
	real := map[string]*build.Real{}
	for i := range g.n.Outputs {
		o := &g.n.Outputs[i]
		for k := range o.Resistors {
			real["output."+o.Name+"."+o.Resistors[k].Attr] = o.Resistors[k].Real()
		}
	}
	if g.n.Ear != nil {
		real["ear"] = g.n.Ear.Real()
	}
	for i := range g.list {
		if h := &g.list[i]; real[h.Part].Measured() && slices.Contains(otherValue, h.Class) {
			h.Prior *= afterMeasuring
		}
	}
}
