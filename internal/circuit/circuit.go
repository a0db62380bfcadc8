// Package circuit finds the operating point of a network of resistors, sources, diodes, transistors (bipolar and
// MOSFET), filament lamps, regulators and chip pins: node voltages, terminal currents, powers.
//
// # Equations
//
// Modified nodal analysis. Nodes joined by voltage sources form one group with one unknown potential (known,
// if ground belongs to it), and the currents at a group sum to zero; so voltage sources add no unknowns, and
// a loop of them is found before anything is solved. A device with ohmic resistances owns the nodes behind
// them; a regulator owns its output current, with an equation of its own in volts. Everything else is the
// current law in amperes. Currents are computed element by element from voltage differences, never from a
// product of the whole matrix, so that small currents survive next to large conductances.
//
// # Iteration
//
// Newton's method on the exact derivatives. Every junction keeps its own voltage at which it is linearised.
// Where its exponential rules, a step is taken in the current instead of the voltage (device.Junction.Limit),
// and the first iteration linearises at the critical voltage, where the linear part of the circuit decides at
// once which junction conducts; early steps are bounded by what the supplies can do. A solution is accepted
// when no junction was limited, the last step bent no exponential by more than StepTolerance, and the
// unbalanced current at every node, measured there, is within tolerance. Small residual is success; a small
// step without it is Stalled. If the iteration fails: again from cold, then with partial pivoting, then by
// continuation (conductances from every node to ground removed in steps, sources raised in steps, and at
// last implicit steps of a circuit with a capacitance at every node).
//
// The matrix is factored by a sparse LU whose order and operations are laid down once per topology: nodes
// that touch only linear elements first (their share is factored only when a value changes), then minimum
// degree. Diagonal pivots are safe for passive networks. A pivot that consists of rounding (a group of nodes
// that hangs on nothing but leakage) is held at lostDigits of its diagonal: that moves such a group less, and
// leaves the balance of currents as it is.
//
// # Signs and names
//
// Currents are counted into a terminal. Terminals: resistor, voltage source, current source, capacitor, filament
// lamp 0 and 1 as given to the builder; diode anode, cathode; transistor collector, base, emitter; MOSFET drain,
// gate, source; regulator in, out, ground; pin pin, supply, ground. Refusals (TopologyError) name elements by the
// words given with SetWords. A gate draws no current: a node that only gates touch floats.
//
// # Not modelled
//
// Time: capacitors are open. Self-heating: temperatures are set by the caller. A resistance below
// ShortestWire counts as that much.
//
// Entry points: New, the element methods, Compile, Solver.Solve.
package circuit

import (
	"fmt"
	"math"

	"fettle/internal/device"
	"fettle/internal/pin"
	"fettle/internal/unit"
)

// A Node is a point of the circuit; Ground is the reference.
type Node int

// Ground is the node whose potential is zero.
const Ground Node = 0

// An Elem names an element of a circuit.
type Elem int

// Kind is the kind of an element.
type Kind uint8

const (
	KindResistor Kind = iota
	KindVoltage
	KindCurrent
	KindDiode
	KindBJT
	KindRegulator
	KindPin
	KindCapacitor
	KindFilament
	KindMOSFET
)

var kindWords = [...]string{"resistor", "supply", "current source", "diode", "transistor", "regulator", "chip pin", "capacitor",
	"filament lamp", "MOSFET"}

func (k Kind) String() string { return kindWords[k] }

// An Element is one part of the circuit as it was put in. Which of the values counts depends on the kind.
type Element struct {
	Kind  Kind
	Name  string
	Words string // how a user would call it; Name if never set
	Nodes []Node // by terminal

	Ohm   unit.Ohm
	Volt  unit.Volt
	Amp   unit.Amp
	Farad unit.Farad

	Diode     device.Diode
	BJT       device.BJT
	Regulator device.Regulator
	Filament  device.Filament
	MOSFET    device.MOSFET
	Pin       device.Pin
	Level     pin.Level   // what a pin drives
	T         unit.Kelvin // of a device; of a filament's surroundings
	Removed   bool
}

// words is how messages call the element.
func (e *Element) words() string {
	if e.Words != "" {
		return e.Words
	}
	return e.Name
}

// A Circuit is a network under construction.
type Circuit struct {
	nodes    []string
	elements []Element
}

// New is an empty circuit: nothing but ground.
func New() *Circuit { return &Circuit{nodes: []string{"ground"}} }

// Node adds a node. Names serve messages and drawings; they need not differ.
func (c *Circuit) Node(name string) Node {
	c.nodes = append(c.nodes, name)
	return Node(len(c.nodes) - 1)
}

// NodeName is the name a node was given.
func (c *Circuit) NodeName(n Node) string { return c.nodes[n] }

// Nodes is the number of nodes, ground included.
func (c *Circuit) Nodes() int { return len(c.nodes) }

// Elements lists the elements; the index is the Elem. The list is a copy.
func (c *Circuit) Elements() []Element {
	out := make([]Element, len(c.elements))
	for i, e := range c.elements {
		e.Nodes = append([]Node(nil), e.Nodes...)
		out[i] = e
	}
	return out
}

// Clone is an independent copy.
func (c *Circuit) Clone() *Circuit {
	return &Circuit{nodes: append([]string(nil), c.nodes...), elements: c.Elements()}
}

func (c *Circuit) add(e Element) Elem {
	e.T = device.ReferenceTemperature
	c.elements = append(c.elements, e)
	return Elem(len(c.elements) - 1)
}

// Resistor adds a resistance between a and b.
func (c *Circuit) Resistor(name string, a, b Node, r unit.Ohm) Elem {
	return c.add(Element{Kind: KindResistor, Name: name, Nodes: []Node{a, b}, Ohm: r})
}

// Voltage adds an ideal source: plus stands v above minus.
func (c *Circuit) Voltage(name string, plus, minus Node, v unit.Volt) Elem {
	return c.add(Element{Kind: KindVoltage, Name: name, Nodes: []Node{plus, minus}, Volt: v})
}

// Current adds an ideal source that takes i out of from and delivers it into to.
func (c *Circuit) Current(name string, from, to Node, i unit.Amp) Elem {
	return c.add(Element{Kind: KindCurrent, Name: name, Nodes: []Node{from, to}, Amp: i})
}

// Diode adds a diode or LED.
func (c *Circuit) Diode(name string, anode, cathode Node, d device.Diode) Elem {
	return c.add(Element{Kind: KindDiode, Name: name, Nodes: []Node{anode, cathode}, Diode: d})
}

// BJT adds a transistor.
func (c *Circuit) BJT(name string, collector, base, emitter Node, q device.BJT) Elem {
	return c.add(Element{Kind: KindBJT, Name: name, Nodes: []Node{collector, base, emitter}, BJT: q})
}

// Regulator adds a linear regulator.
func (c *Circuit) Regulator(name string, in, out, gnd Node, r device.Regulator) Elem {
	return c.add(Element{Kind: KindRegulator, Name: name, Nodes: []Node{in, out, gnd}, Regulator: r})
}

// Pin adds a chip pin, open until SetLevel says otherwise.
func (c *Circuit) Pin(name string, p, vcc, gnd Node, d device.Pin) Elem {
	return c.add(Element{Kind: KindPin, Name: name, Nodes: []Node{p, vcc, gnd}, Pin: d, Level: pin.Open})
}

// Capacitor adds a capacitor, which an operating point leaves open.
func (c *Circuit) Capacitor(name string, a, b Node, f unit.Farad) Elem {
	return c.add(Element{Kind: KindCapacitor, Name: name, Nodes: []Node{a, b}, Farad: f})
}

// Filament adds a filament lamp.
func (c *Circuit) Filament(name string, a, b Node, f device.Filament) Elem {
	return c.add(Element{Kind: KindFilament, Name: name, Nodes: []Node{a, b}, Filament: f})
}

// MOSFET adds a field-effect transistor, its body joined to its source.
func (c *Circuit) MOSFET(name string, drain, gate, source Node, q device.MOSFET) Elem {
	return c.add(Element{Kind: KindMOSFET, Name: name, Nodes: []Node{drain, gate, source}, MOSFET: q})
}

// SetWords says how messages shall call an element: "series resistor of output front".
func (c *Circuit) SetWords(e Elem, words string) { c.elements[e].Words = words }

// SetPin gives a chip pin other properties.
func (c *Circuit) SetPin(e Elem, p device.Pin) { c.elements[e].Pin = p }

// SetLevel says what a pin drives from the start.
func (c *Circuit) SetLevel(e Elem, l pin.Level) { c.elements[e].Level = l }

// Reconnect moves one terminal of an element to another node: a break, a miswire, a slip of the iron.
func (c *Circuit) Reconnect(e Elem, terminal int, n Node) { c.elements[e].Nodes[terminal] = n }

// Remove takes an element out; its Elem stays valid and carries no current.
func (c *Circuit) Remove(e Elem) { c.elements[e].Removed = true }

// ShortestWire is the least resistance: a centimetre of hook-up wire. Below it rounding, not the circuit,
// would decide the currents.
const ShortestWire = unit.Ohm(1e-3)

// check tells what is wrong with an element's values, or "".
func (e *Element) check() string {
	finite := func(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
	for k, n := range e.Nodes {
		if n < 0 {
			return fmt.Sprintf("terminal %d is not connected to a node", k+1)
		}
	}
	if t := float64(e.T); !finite(t) || t < 100 || t > 700 {
		return fmt.Sprintf("its temperature is %v (the laws hold from −173 °C to 427 °C)", e.T.Celsius())
	}
	switch e.Kind {
	case KindResistor:
		if !finite(float64(e.Ohm)) || e.Ohm < 0 {
			return "its resistance is " + e.Ohm.String()
		}
	case KindVoltage:
		if !finite(float64(e.Volt)) || math.Abs(float64(e.Volt)) > mostVolt {
			return "its voltage is " + e.Volt.String()
		}
	case KindCurrent:
		if !finite(float64(e.Amp)) || math.Abs(float64(e.Amp)) > mostAmp {
			return "its current is " + e.Amp.String()
		}
	case KindCapacitor:
		if !finite(float64(e.Farad)) || e.Farad < 0 {
			return "its capacitance is " + e.Farad.String()
		}
	case KindDiode:
		return e.Diode.Check()
	case KindBJT:
		return e.BJT.Check()
	case KindRegulator:
		return e.Regulator.Check()
	case KindPin:
		return e.Pin.Check()
	case KindFilament:
		return e.Filament.Check()
	case KindMOSFET:
		return e.MOSFET.Check()
	}
	return ""
}

// Bounds on sources: far above anything on a model railway, far below where arithmetic suffers.
const (
	mostVolt = 1e6
	mostAmp  = 1e4
)
