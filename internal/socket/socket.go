// Package socket says which net of a decoder meets which net of its vehicle through the plug, the right way round and
// turned by half a turn, and what comes of the latter: which lamps light, what is overloaded.
//
// The sockets are those of the catalogue: NEM 651 and 652 (2017, page 1 of each was read), NEM 662 (in a digest). A
// function decoder leaves the motor's contacts open. On a socket without a common plus a lamp on the rectified plus has
// a wire of its own beside the plug, and so has a lamp of a feed for which the socket has no contact: those stay where
// they are when the plug is turned.
//
// The turned plug is an edit of the circuit: what belongs to the vehicle moves to the nodes it then meets. The motor is
// a resistor between its contacts, its own where the file says it, else 20 Ω (a small can motor's armature, from memory).
// Judged with everything typical at the usual track voltage, all outputs off and all on.
//
// Not modelled: pins bent or offset by one, contacts that touch on the way in, the motor's inductance.
//
// Entry points: Pairs, Of and Wired.Turn for the edit, Judge.
package socket

import (
	"fmt"
	"strings"

	"fettle/internal/build"
	"fettle/internal/circuit"
	"fettle/internal/parts"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// motorOhm stands for the armature of a motor whose resistance is not said: from memory.
const motorOhm = unit.Ohm(20)

// A Net is what a contact of the vehicle's socket or a pin of the decoder's plug is joined to.
type Net struct {
	Role parts.Role  // that the standard gives it
	Lamp *build.Lamp // of a switched contact: the lamp whose wire it is, or that the decoder's output is for; nil: open
	Used bool        // something is joined to it
}

// words is the net in words, seen from one side.
func (n Net) words(decoder bool) string {
	switch {
	case n.Lamp != nil && decoder:
		return "the output of lamp " + n.Lamp.Name.Text
	case n.Lamp != nil:
		return "lamp " + n.Lamp.Name.Text
	case !n.Used:
		return fmt.Sprintf("nothing (%s)", n.Role)
	}
	return string(n.Role)
}

// A Pair is one contact as it is made.
type Pair struct {
	Pin      int // of the decoder's plug
	Contact  int // of the vehicle's socket
	Decoder  Net
	Vehicle  Net
	Swapped  bool // pick-ups of different rails: a rectifier does not mind
	Together bool // both sides carry what belongs together
}

// of finds the socket of the vehicle; not ok where it has bare wires or does not say.
func of(b *build.Build, v *build.Vehicle) (parts.Socket, bool) {
	if !v.Socket.IsSet() || v.Socket.Text == "wires" {
		return parts.Socket{}, false
	}
	return b.Catalogue.Socket(v.Socket.Text)
}

// on finds the lamp of the vehicle on a contact.
func on(v *build.Vehicle, contact int) *build.Lamp {
	for i := range v.Lamps {
		if p := v.Lamps[i].Pin; p.Known() && p.Value == contact {
			return &v.Lamps[i]
		}
	}
	return nil
}

// switches reports whether an output of the decoder is for the lamp.
func switches(d *build.Decoder, l *build.Lamp) bool {
	for i := range d.Outputs {
		o := &d.Outputs[i]
		if o.Load.Text == "motor" {
			continue
		}
		for _, t := range append([]build.Text{o.Lamp}, o.AlsoLamps...) {
			if t.Text == l.Name.Text {
				return true
			}
		}
	}
	return false
}

// Pairs lists every contact between decoder and vehicle in the order of the plug's pins, the right way round or turned.
// Nil where there is no socket.
func Pairs(b *build.Build, d *build.Decoder, v *build.Vehicle, turned bool) []Pair {
	s, ok := of(b, v)
	if !ok {
		return nil
	}
	var list []Pair
	for _, p := range s.Pins {
		contact := p.Number
		if turned {
			contact = s.Turned(p.Number)
		}
		q, _ := s.At(contact)
		x := Pair{Pin: p.Number, Contact: contact, Decoder: Net{Role: p.Role}, Vehicle: Net{Role: q.Role}}
		// A lamp says on which contact it hangs, whatever that is by the standard: one on the motor's is seen here.
		if l := on(v, p.Number); l != nil && switches(d, l) {
			x.Decoder.Lamp = l
		}
		x.Vehicle.Lamp = on(v, contact)
		x.Decoder.Used = x.Decoder.Lamp != nil || p.Role.Pickup() || p.Role == parts.CommonPlus || p.Role == parts.Minus
		x.Vehicle.Used = x.Vehicle.Lamp != nil || q.Role.Pickup() || q.Role.Motor() || fedThrough(v, q.Role)
		x.Swapped = p.Role.Pickup() && q.Role.Pickup() && p.Role != q.Role
		x.Together = p.Role == q.Role && x.Decoder.Lamp == x.Vehicle.Lamp
		list = append(list, x)
	}
	return list
}

// fedThrough reports whether a lamp of the vehicle is fed through a contact of that role.
func fedThrough(v *build.Vehicle, r parts.Role) bool {
	for i := range v.Lamps {
		if through(v.Lamps[i].Feed.Text) == r {
			return true
		}
	}
	return false
}

// through is the role of the contact that a feed comes through; "": none, it is made in the vehicle or has a wire of its
// own.
func through(feed string) parts.Role {
	switch feed {
	case build.LeftRail:
		return parts.PickupLeft
	case build.RightRail:
		return parts.PickupRight
	case build.RectifiedPlus:
		return parts.CommonPlus
	case build.DecoderMinus:
		return parts.Minus
	}
	return ""
}

// A Lamp is one lamp in a circuit: its elements, and the nodes of its unswitched and its switched side.
type Lamp struct {
	Lamp *build.Lamp
	wiring.LampElems
	Elems        []circuit.Elem // those that it has
	Feed, Socket circuit.Node
	Reverse      unit.Volt // that a row of its LEDs stands; unknown where the class says none
}

// Wired is a decoder in its vehicle as a circuit, cut at the plug.
type Wired struct {
	Build       *build.Build
	Decoder     *build.Decoder
	Vehicle     *build.Vehicle
	Track       circuit.Elem // from the left rail to the right one
	Left, Right circuit.Node
	Plus        circuit.Node
	Lamps       []Lamp
	Locals      []circuit.Elem // the vehicle's own diodes from the rails to its local plus
}

// open holds a contact that meets nothing: the surface of a plug.
const open = unit.Ohm(1e9)

// touching is the resistance of contacts that meet: some tens of milliohms, from memory; nothing depends on it.
const touching = unit.Ohm(0.05)

// Turn edits the circuit into that of the plug turned by half a turn. It does nothing where there is no socket.
func (w *Wired) Turn(c *circuit.Circuit) {
	// What each net of the vehicle meets: the decoder's nodes, by the role of the contact or the lamp on it.
	type net struct {
		role parts.Role
		lamp *build.Lamp
	}
	contact := func(r parts.Role, l *build.Lamp) net {
		if !r.Switched() { // one net for all that hangs there
			l = nil
		}
		return net{r, l}
	}
	meets := map[net]circuit.Node{}
	at := func(name string, k net) circuit.Node {
		n, ok := meets[k]
		if !ok {
			n = c.Node(name)
			c.Resistor("open "+name, n, circuit.Ground, open)
			meets[k] = n
		}
		return n
	}
	for _, p := range Pairs(w.Build, w.Decoder, w.Vehicle, true) {
		var node circuit.Node
		switch {
		case p.Decoder.Lamp != nil:
			l := w.lamp(p.Decoder.Lamp)
			if l == nil {
				continue // its output is not in the circuit
			}
			node = l.Socket
		case p.Decoder.Role == parts.PickupLeft:
			node = w.Left
		case p.Decoder.Role == parts.PickupRight:
			node = w.Right
		case p.Decoder.Role == parts.CommonPlus:
			node = w.Plus
		case p.Decoder.Role == parts.Minus:
			node = circuit.Ground
		default:
			continue // open
		}
		k := contact(p.Vehicle.Role, p.Vehicle.Lamp)
		if p.Vehicle.Role.Switched() && p.Vehicle.Lamp == nil {
			continue
		}
		if before, ok := meets[k]; ok && before != node {
			c.Resistor("contact", before, node, touching) // one net of the vehicle joins two of the decoder
			continue
		}
		meets[k] = node
	}
	s, ok := of(w.Build, w.Vehicle)
	if !ok {
		return
	}
	c.Reconnect(w.Track, 0, at("left rail of the vehicle", net{role: parts.PickupLeft}))
	c.Reconnect(w.Track, 1, at("right rail of the vehicle", net{role: parts.PickupRight}))
	elements := c.Elements()
	for _, e := range w.Locals {
		rail := parts.PickupLeft
		if elements[e].Nodes[0] == w.Right {
			rail = parts.PickupRight
		}
		c.Reconnect(e, 0, at("rail of the vehicle", net{role: rail}))
	}
	for i := range w.Lamps {
		l := &w.Lamps[i]
		feed, socket := l.Feed, l.Socket
		if r := through(l.Lamp.Feed.Text); r != "" && s.Has(r) {
			feed = at("feed of lamp "+l.Lamp.Name.Text, net{role: r})
		}
		if pin, ok := s.At(l.Lamp.Pin.Value); ok && l.Lamp.Pin.Known() {
			socket = at("wire of lamp "+l.Lamp.Name.Text, contact(pin.Role, l.Lamp))
		}
		for _, e := range l.Elems {
			for t, n := range elements[e].Nodes {
				switch n {
				case l.Feed:
					c.Reconnect(e, t, feed)
				case l.Socket:
					c.Reconnect(e, t, socket)
				}
			}
		}
	}
	if s.Has(parts.MotorPlus) {
		r := motorOhm
		if m := w.Vehicle.Motor; m != nil {
			r = m.Resistance.Or(motorOhm)
		}
		c.SetWords(c.Resistor("motor", at("motor +", net{role: parts.MotorPlus}), at("motor −", net{role: parts.MotorMinus}), r), "the motor")
	}
}

func (w *Wired) lamp(l *build.Lamp) *Lamp {
	for i := range w.Lamps {
		if w.Lamps[i].Lamp == l {
			return &w.Lamps[i]
		}
	}
	return nil
}

// names joins names of lamps: "lamps front, rear".
func names(list []string) string {
	if len(list) == 1 {
		return "lamp " + list[0]
	}
	return "lamps " + strings.Join(list, ", ")
}
