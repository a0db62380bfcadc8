// Package defect is what may be wrong with a decoder in its vehicle, as edits of its circuit: slips at the bench (a bridge of solder or
// a probe tip), and hypotheses, which are generated from the network itself: every part open, shorted, leaky, of another
// value, turned round; every transistor another one; the chip, its pins and what it hears; the lamps, contacts and rails; and what
// only observations tell. How likely each class is stands in priors.csv (common practice, no source), which can be overridden.
//
// An edit is pure: it is applied to a copy of the circuit, whose elements and nodes keep their numbers. What
// the edited circuit does is asked of the solver like everything else.
//
// Entry points: Hypotheses, Priors, Bridge.
package defect

import (
	"fettle/internal/circuit"
	"fettle/internal/unit"
)

// Contact is the resistance of an accidental bridge: a probe tip or a blob of solder, some tens of
// milliohms. From memory; the answers do not depend on it below an ohm.
const Contact = unit.Ohm(0.05)

// An Edit is one slip or fault.
type Edit struct {
	Words string // "base of output front touches the rectified plus"
	Apply func(c *circuit.Circuit)
}

// Bridge joins two nodes.
func Bridge(words string, a, b circuit.Node) Edit {
	return Edit{Words: words, Apply: func(c *circuit.Circuit) {
		e := c.Resistor("bridge", a, b, Contact)
		c.SetWords(e, "bridge: "+words)
	}}
}
