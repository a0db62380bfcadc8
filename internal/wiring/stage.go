package wiring

import (
	"fmt"

	"fettle/internal/build"
	"fettle/internal/circuit"
	"fettle/internal/device"
	"fettle/internal/parts"
	"fettle/internal/unit"
)

// A Transistor is one transistor of an output in the circuit.
type Transistor struct {
	Role   string // "switch", "level transistor", "driver"
	Words  string // "switch of output front"
	Name   string // of the part
	Source string // of its ratings
	BJT    *parts.BJT
	FET    *parts.MOSFET // exactly one of the two
	High   bool          // PNP or P-channel: its emitter or source stands at the plus

	Elem circuit.Elem
	// R1 and R2 are the resistors inside a pre-biased transistor, which some have without R2; else absent.
	R1, R2 circuit.Elem
	// Input is the base or gate as it comes out of the package, Base the base behind R1 (else the same). Out is collector
	// or drain, Common emitter or source.
	Input, Base, Out, Common circuit.Node

	Measured parts.Measured // by the user, on the pieces of the drawer

	bjt device.Spread[device.BJT]
	pre *device.PrebiasedSpread
	fet *device.MOSFETSpread
	now device.BJT // at the last Set
}

// Prebiased reports whether it has its resistors inside.
func (t *Transistor) Prebiased() bool { return t.pre != nil }

// Beside is the present value of R2 of a pre-biased transistor; ok is false where it has none.
func (t *Transistor) Beside(s *circuit.Solver) (r unit.Ohm, ok bool) {
	if t.R2 == none {
		return 0, false
	}
	return s.Resistance(t.R2), true
}

// vars are what varies of it.
func (t *Transistor) vars() []device.Vary {
	switch {
	case t.fet != nil:
		return t.fet.Vars()
	case t.pre != nil:
		return t.pre.Vars()
	}
	return t.bjt.Vars()
}

// set installs it at z.
func (t *Transistor) set(s *circuit.Solver, z []float64) {
	switch {
	case t.fet != nil:
		s.SetMOSFET(t.Elem, t.fet.At(z))
	case t.pre != nil:
		q := t.pre.At(z)
		t.now = q.BJT
		s.SetResistance(t.R1, q.R1)
		if t.R2 != none {
			s.SetResistance(t.R2, q.R2)
		}
		s.SetBJT(t.Elem, q.BJT)
	default:
		t.now = t.bjt.At(z)
		s.SetBJT(t.Elem, t.now)
	}
}

// transistor puts a transistor into the circuit. input, out and common are base, collector, emitter or gate, drain,
// source.
func (n *Network) transistor(role string, o *OutputNet, name string, input, out, common circuit.Node) (*Transistor, error) {
	c, cat := n.Circuit, n.Build.Catalogue
	t := &Transistor{Role: role, Words: role + " of " + o.Of(), R1: none, R2: none, Input: input, Base: input, Out: out, Common: common}
	var notes []string
	t.Measured = n.measured(name)
	if hfe := map[string]build.Quantity[float64]{"switch": o.Output.HFE, "level transistor": o.Output.LevelHFE, "driver": o.Output.DriverHFE}[role]; hfe.Known() {
		t.Measured = parts.Measured{HFE: hfe.Value, HFEat: unit.Absent[unit.Amp](), HFEvce: unit.Absent[unit.Volt]()}
	}
	if q, ok := cat.MOSFET(name); ok {
		q, said, _ := device.MeasuredMOSFET(q, t.Measured)
		s, err := device.SpreadMOSFET(q)
		if err != nil {
			return nil, fmt.Errorf("%s: %s: %w", t.Words, name, err)
		}
		t.FET, t.fet, t.Name, t.Source, t.High, notes = &q, s, q.Name, q.Source, q.Channel == "P", append(said, s.Notes()...)
		t.Elem = c.MOSFET(t.Words, out, input, common, s.At(make([]float64, len(s.Vars()))))
	} else if q, ok := cat.BJT(name); ok {
		t.BJT, t.Name, t.Source, t.High = &q, q.Name, q.Source, q.PNP()
		if q.Prebiased() {
			s, err := device.SpreadPrebiased(q)
			if err != nil {
				return nil, fmt.Errorf("%s: %s: %w", t.Words, name, err)
			}
			p := s.At(make([]float64, len(s.Vars())))
			t.pre, t.now, notes = s, p.BJT, s.Notes()
			t.Base = c.Node("base inside the " + t.Words)
			t.R1 = c.Resistor("R1 of "+t.Words, input, t.Base, p.R1)
			if p.R2 > 0 {
				t.R2 = c.Resistor("R2 of "+t.Words, t.Base, common, p.R2)
			}
			t.Elem = c.BJT(t.Words, out, t.Base, common, p.BJT)
		} else {
			s, err := device.MeasuredBJT(q, t.Measured)
			if err != nil {
				return nil, fmt.Errorf("%s: %s: %w", t.Words, name, err)
			}
			t.bjt, notes = s, s.Notes()
			t.now = s.At(make([]float64, len(s.Vars())))
			t.Elem = c.BJT(t.Words, out, input, common, t.now)
		}
	} else {
		return nil, fmt.Errorf("%s: the catalogue has no transistor %q", t.Words, name)
	}
	c.SetWords(t.Elem, t.Words)
	n.assume(t.Name, notes)
	return t, nil
}

// A Resistor is one of an output's own resistors on the board.
type Resistor struct {
	Attr  string // of the build file: "series"
	Words string // "series resistor"
	Elem  circuit.Elem
	A, B  circuit.Node
	Load  bool // it carries the lamp's current

	nominal   *build.Quantity[unit.Ohm]
	tolerance unit.Ratio
	index     int // among the variables
}

// Value is its nominal value.
func (r *Resistor) Value() unit.Ohm { return r.nominal.Value }

// resistor puts a resistor between two nodes. One that is left out is no element.
func (n *Network) resistor(o *OutputNet, attr, words string, q *build.Quantity[unit.Ohm], a, b circuit.Node) {
	if q.None() {
		return
	}
	r := Resistor{Attr: attr, Words: words, A: a, B: b, nominal: q, Load: attr == "series" || attr == "load"}
	r.Elem = n.Circuit.Resistor(attr+" "+o.Name, a, b, q.Value)
	n.Circuit.SetWords(r.Elem, words+" of "+o.Of())
	o.Resistors = append(o.Resistors, r)
}

// behind is the node behind a resistor: a new one, or the same where the resistor is left out.
func (n *Network) behind(at circuit.Node, q *build.Quantity[unit.Ohm], name string) circuit.Node {
	if q.None() {
		return at
	}
	return n.Circuit.Node(name)
}

// insulation stands for a resistor that is left out where else nothing but leakage would hold a node: the surface of a
// board.
const insulation = unit.Ohm(1e9)

// tie is a resistor to a supply, or the insulation of the board where it is left out.
func (n *Network) tie(o *OutputNet, attr, words string, q *build.Quantity[unit.Ohm], a, to circuit.Node) {
	if q.None() {
		n.Circuit.SetWords(n.Circuit.Resistor("insulation "+o.Name, a, to, insulation), "insulation of the board")
		return
	}
	n.resistor(o, attr, words, q, a, to)
}

// stage wires the way from the chip's pin to the load, whose wire is o.Socket.
func (n *Network) stage(o *OutputNet) (err error) {
	c, b, of := n.Circuit, o.Output, o.Of()
	o.PinNode = c.Node(b.From.Text)
	load, loadWords := "series", "series resistor"
	if o.Acknowledge {
		load, loadWords = "load", "load resistor"
	}
	switch o.Drive {
	case build.DriveFromPin:
		n.resistor(o, load, loadWords, &b.Series, o.Socket, o.PinNode)
		if b.Series.None() {
			return fmt.Errorf("%s: a lamp on the chip's pin wants a series resistor", of)
		}
	case build.DriveHighSide:
		out := n.behind(o.Socket, &b.Series, "collector of "+o.Name)
		n.resistor(o, load, loadWords, &b.Series, o.Socket, out)
		control, drive := c.Node("control of "+o.Name), c.Node("level of "+o.Name)
		if b.Base.None() {
			drive = control
		}
		n.resistor(o, "base", "base resistor", &b.Base, control, drive)
		n.tie(o, "pullup", "pull-up", &b.Pullup, control, n.Plus)
		if o.Switch, err = n.transistor("switch", o, b.Switch.Text, control, out, n.Plus); err != nil {
			return err
		}
		if b.Clamp.Text != "" {
			d, ok := n.Build.Catalogue.Diode(b.Clamp.Text)
			if !ok {
				return fmt.Errorf("%s: the catalogue has no zener %q", of, b.Clamp.Text)
			}
			if o.clamp, err = device.SpreadDiode(d); err != nil {
				return fmt.Errorf("%s: %s: %w", of, d.Name, err)
			}
			o.Clamp = c.Diode("clamp "+o.Name, control, n.Plus, o.clamp.At(make([]float64, len(o.clamp.Vars()))))
			c.SetWords(o.Clamp, "gate clamp of "+of)
			n.assume(d.Name, o.clamp.Notes())
		}
		base := n.behind(o.PinNode, &b.LevelBase, "base of the level transistor of "+o.Name)
		n.resistor(o, "level_base", "base resistor of the level transistor", &b.LevelBase, o.PinNode, base)
		n.tie(o, "pulldown", "pull-down", &b.Pulldown, base, circuit.Ground)
		if o.Level, err = n.transistor("level transistor", o, b.Level.Text, base, drive, circuit.Ground); err != nil {
			return err
		}
	default:
		out := n.behind(o.Socket, &b.Series, "collector of "+o.Name)
		n.resistor(o, load, loadWords, &b.Series, o.Socket, out)
		base := n.behind(o.PinNode, &b.Base, "base of "+o.Name)
		n.resistor(o, "base", "base resistor", &b.Base, o.PinNode, base)
		n.tie(o, "pulldown", "pull-down", &b.Pulldown, base, circuit.Ground)
		second := base
		if b.Driver.IsSet() {
			second = c.Node("base between the pair of " + o.Name)
			n.tie(o, "between", "resistor between the pair", &b.Between, second, circuit.Ground)
			if o.Driver, err = n.transistor("driver", o, b.Driver.Text, base, out, second); err != nil {
				return err
			}
		}
		if o.Switch, err = n.transistor("switch", o, b.Switch.Text, second, out, circuit.Ground); err != nil {
			return err
		}
	}
	o.Pin = c.Pin("pin "+b.From.Text, o.PinNode, n.VCC, circuit.Ground, n.pinNow)
	c.SetWords(o.Pin, "chip pin "+b.From.Text)
	return nil
}

// Transistors are those that the output has.
func (o *OutputNet) Transistors() []*Transistor {
	var list []*Transistor
	for _, t := range []*Transistor{o.Switch, o.Level, o.Driver} {
		if t != nil {
			list = append(list, t)
		}
	}
	return list
}

// Of is one of the output's transistors in a state.
func (op *OutputOperating) Of(t *Transistor) *TransistorOperating {
	switch t.Role {
	case "driver":
		return &op.Driver
	case "switch":
		return &op.Switch
	}
	return &op.Level
}
