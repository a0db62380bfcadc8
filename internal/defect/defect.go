// Package defect holds edits of a circuit that stand for slips at the bench and for faults: a bridge of
// solder or a probe tip, a part that is open, a part of another value.
//
// An edit is pure: it is applied to a copy of the circuit, whose elements and nodes keep their numbers. What
// the edited circuit does is asked of the solver like everything else.
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
