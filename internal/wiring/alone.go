package wiring

import (
	"slices"

	"fettle/internal/build"
	"fettle/internal/circuit"
	"fettle/internal/unit"
)

// Alone is the network with output i alone, which is solved in a fraction of the time: resistors on plus and on the chip's
// supply draw what all the others draw when they are on, typical and at the usual voltage. What depends on the output's own
// parts comes out the same but for what the supply gives way under the others, millivolts; it is for looking, not for proof.
// Where another output shares a lamp, or the whole is small, it is a clone of the whole; index is the output's in it.
func (n *Network) Alone(i int, lamps map[string]*LampPosterior) (alone *Network, index int, err error) {
	if len(n.Outputs) < 2 || n.Outputs[i].Acknowledge {
		return n.Clone(), i, nil
	}
	for j := range n.Outputs {
		if j != i && n.Share(i, j) {
			return n.Clone(), i, nil
		}
	}
	b, d := *n.Build, *n.Decoder
	d.Outputs, d.Acknowledge = []build.Output{*n.Outputs[i].Output}, nil
	b.Decoders = slices.Clone(b.Decoders)
	for k := range b.Decoders {
		if b.Decoders[k].Name.Text == d.Name.Text {
			b.Decoders[k] = d
		}
	}
	st := State{LeftPositive: n.FedLeft(), Drive: On, Track: b.Track.Usual.Or(usualTrack)}
	var all, own Operating
	m := n.Clone()
	m.Set(m.Typical())
	m.Read(m.Solve(st), &all)
	bare, _, err := wire(&b, &d, lamps, n, nil)
	if err != nil {
		return nil, 0, err
	}
	bare.Read(bare.Solve(st), &own)
	alone, _, err = wire(&b, &d, lamps, n, func(n *Network) {
		n.draw("others on the chip's supply", n.VCC, all.VCC, all.Load-own.Load)
		n.draw("others on plus", n.Plus, all.Plus, (all.Rectified-own.Rectified)-(all.Load-own.Load))
	})
	return alone, 0, err
}

// usualTrack is what a track carries where the file does not say: common practice, no source.
const usualTrack = unit.Volt(14)

// draw hangs a resistor on a node that draws the current at the voltage; less than a microampere is none.
func (n *Network) draw(name string, at circuit.Node, u unit.Volt, i unit.Amp) {
	if i > 1e-6 && u > 0 {
		n.Circuit.SetWords(n.Circuit.Resistor(name, at, circuit.Ground, u.Through(i)), name)
	}
}
