package wiring

import (
	"fmt"

	"fettle/internal/build"
	"fettle/internal/circuit"
	"fettle/internal/unit"
)

// A rectifier of one diode leads from one rail to the plus, and the other rail is the decoder's minus, joined directly
// (Ground): half-wave rectification with a capacitor, whose diode blocks twice the peak (textbooks, "peak inverse voltage").
// While its rail is the positive one the decoder is supplied as by a bridge, with a drop less. While it is the negative one
// (the dark half) the diode blocks, the reservoir alone holds the plus, and that rail stands below the minus by the whole
// track. The reservoir was filled in the lit half and nothing fills it higher, so the dark half is solved with the plus held
// at what it has in the lit half, all else alike: the most it can be. How far it sinks needs the circuit in time.

// reservoirOhm stands for the reservoir's own resistance (some 10 mΩ to 1 Ω, common practice, no source); apartOhm for no
// reservoir at all, while the diode feeds the plus.
const reservoirOhm, apartOhm = unit.Ohm(0.01), unit.Ohm(1e9)

// A halfWave is the rectifier of one diode.
type halfWave struct {
	diode, held, holder circuit.Elem // held at a voltage, through the holder
	anode               circuit.Node
	left, right         bool // the polarities in which the diode feeds the plus
}

// oneDiode wires the rectifier of one diode. It is called before any node but minus is made.
func (n *Network) oneDiode(rail string) {
	n.Single = true
	n.LeftRail, n.RightRail = circuit.Ground, circuit.Ground
	node := n.Circuit.Node(rail)
	if rail == build.LeftRail {
		n.LeftRail = node
	} else {
		n.RightRail = node
	}
	n.half.anode = node
}

// reservoir is what holds the plus in the dark half.
func (n *Network) reservoir() {
	c, full := n.Circuit, n.Circuit.Node("reservoir")
	n.half.held = c.Voltage("reservoir", full, circuit.Ground, 0)
	n.half.holder = c.Resistor("resistance of the reservoir", full, n.Plus, apartOhm)
	c.SetWords(n.half.held, "reservoir")
	c.SetWords(n.half.holder, "the reservoir's own resistance")
}

// polarities finds while which rail is positive the diode feeds the plus: a plug turned round has the rails changed over.
func (n *Network) polarities() {
	track := n.Circuit.Elements()[n.Track]
	n.half.left, n.half.right = track.Nodes[0] == n.half.anode, track.Nodes[1] == n.half.anode
}

// Feeds reports whether the rectifier feeds the plus while the left (else the right) rail is positive: a bridge always does.
func (n *Network) Feeds(leftPositive bool) bool {
	switch {
	case !n.Single:
		return true
	case leftPositive:
		return n.half.left
	}
	return n.half.right
}

// FedLeft reports whether the left rail is the positive one in the state in which the decoder is judged where either would
// do: while its rectifier feeds it.
func (n *Network) FedLeft() bool { return n.Feeds(true) }

// Deaf reports whether the ear hangs on the rail that is the decoder's own minus, where nothing is to be heard.
func (n *Network) Deaf() bool { return n.Ear != nil && n.Ear.Rail == circuit.Ground }

// Solve brings the network into a state and solves it; behind a single diode in the dark half with the plus held where
// the lit half leaves it.
func (n *Network) Solve(st State) circuit.Solution {
	if !n.Single {
		return n.solve(st)
	}
	n.Solver.SetResistance(n.half.holder, apartOhm)
	n.Solver.SetVoltage(n.half.held, 0)
	if n.Feeds(st.LeftPositive) || !n.Feeds(!st.LeftPositive) {
		return n.solve(st)
	}
	lit := st
	lit.LeftPositive = !st.LeftPositive
	if sol := n.solve(lit); sol.Status != circuit.Solved {
		return sol
	}
	n.Solver.SetVoltage(n.half.held, n.Solver.V(n.Plus))
	n.Solver.SetResistance(n.half.holder, reservoirOhm)
	return n.solve(st)
}

// A Way is how a lamp of some feed conducts behind a rectifier.
type Way struct {
	Left, Right bool // the polarity in which it conducts, of two unlike ones that in which it needs no reservoir
	// Sure is the share of the time in which it conducts on DCC without stretched zeros whatever the reservoir does, Most
	// where that holds all the while.
	Sure, Most float64
}

// WayOf is how a lamp of that feed conducts behind the decoder's rectifier; inward: its current flows towards its feed.
func WayOf(s *build.DecoderSupply, feed string, inward bool) Way {
	if !s.Single() {
		w := Way{}
		w.Left, w.Right = conducts(feed, inward)
		switch {
		case w.Left && w.Right:
			w.Sure = 1
		case w.Left || w.Right:
			w.Sure = 0.5
		}
		w.Most = w.Sure
		return w
	}
	left := s.From.Text == build.LeftRail
	lit, dark := Way{Left: left, Right: !left, Sure: 0.5, Most: 0.5}, Way{Left: !left, Right: left, Most: 0.5}
	held := lit
	held.Most = 1
	switch feed {
	case s.From.Text:
		if inward { // from the plus to a rail that is above it but in the dark half
			return dark
		}
		return lit
	case build.LocalPlus: // the other rail is the minus, so its second diode gives nothing
		if !inward {
			return lit
		}
	case build.RectifiedPlus, build.ChipSupply:
		if !inward {
			return held
		}
	default: // the minus, by one name or the other
		if inward {
			return held
		}
	}
	return Way{}
}

// NeverLit says why a lamp that an output draws current through cannot light: it is fed from the rail that is the decoder's
// own minus. Not ok where that is not so.
func NeverLit(d *build.Decoder, o *build.Output, l *build.Lamp) (why, mend string, ok bool) {
	s := &d.Supply
	if !s.Single() || l.Feed.Text != build.OtherRail(s.From.Text) || inward(o, l.Feed.Text) {
		return "", "", false
	}
	return fmt.Sprintf("nothing can flow: the rectifier is one diode from the %s, so the %s, which feeds the lamp, is the decoder's own minus", s.From.Text, l.Feed.Text),
		fmt.Sprintf("a bridge, or four diodes, for the single one; or feed lamp %s from the rectified plus or from two diodes of its own (feed = %q). The diode on the %s would light it, but its LED would bear the whole track backwards half the time",
			l.Name.Text, build.LocalPlus, l.Feed.Text), true
}
