package wiring

import (
	"math"

	"fettle/internal/circuit"
	"fettle/internal/device"
	"fettle/internal/unit"
)

// Operating is what one solved state of the network is: plain values, no references into the solver.
type Operating struct {
	Solution  circuit.Solution
	Ambient   unit.Celsius
	Plus      unit.Volt // rectified plus to minus
	VCC       unit.Volt // chip supply to minus
	Regulator unit.Watt // heat in it, or in the zener
	Ballast   unit.Watt // heat in the resistor before a zener
	Shunt     unit.Amp  // through the zener
	Load      unit.Amp  // what the regulator gives: the chip, its pins and what else hangs on its supply
	Chip      unit.Amp  // the chip's own draw
	Rail      unit.Amp  // out of the positive rail, all that the decoder and its lamps draw
	Rectified unit.Amp  // of that what passes the rectifier: with a bridge all
	Ear       EarOperating
	Lamps     []LampOperating
	Out       []OutputOperating
}

// EarOperating is the ear in that state.
type EarOperating struct {
	Pin     unit.Volt // at the chip's pin, to minus
	Through unit.Amp  // into the pin
	Heat    unit.Watt // in its resistor
	Across  unit.Volt // over it
}

// LampOperating is one lamp in that state.
type LampOperating struct {
	Through       unit.Amp // the lamp's current, in the direction in which it is wired
	Forward, Back unit.Amp // what gives light, in either direction of a pair
	Across        unit.Volt
	Hidden        unit.Watt // heat in its own resistor
	TwoWay        bool      // it tells its light by direction: a pair face to face, a filament
}

// TransistorOperating is one transistor in that state. Voltages and currents are positive where it conducts as it is
// meant to, for PNP and P-channel parts too.
type TransistorOperating struct {
	Across  unit.Volt // VCE, VDS
	Input   unit.Volt // between base or gate lead and emitter or source
	Control unit.Volt // VBE behind the resistors of a pre-biased part; else Input
	Through unit.Amp  // IC, ID
	Drive   unit.Amp  // IB; of a pre-biased part into its base
	Heat    unit.Watt

	model *device.BJT // of the network that was read, at its last Set
}

// Gain is the current gain that a bipolar transistor has in its active region (VCE 1 V) at this collector current; NaN
// where it could not carry it.
func (op *TransistorOperating) Gain(ambient unit.Celsius) float64 {
	hfe, _, ok := op.model.Active(max(op.Through, 1e-6), 1, ambient.Kelvin())
	switch {
	case !ok:
		return math.NaN()
	case hfe <= 0 || hfe > mostGain:
		return mostGain
	}
	return hfe
}

// mostGain: where a hot transistor's own leakage holds almost all of its collector current, IC over IB means nothing.
const mostGain = 1e4

// Overdrive is the base current over what the gain needs for the collector current.
func (op *TransistorOperating) Overdrive(ambient unit.Celsius) float64 {
	return float64(op.Drive) * op.Gain(ambient) / math.Max(float64(op.Through), 1e-6)
}

// Leakage is the collector–base leakage of a bipolar transistor at a temperature.
func (op *TransistorOperating) Leakage(at unit.Celsius) unit.Amp {
	return op.model.ICBO * unit.Amp(math.Exp2(float64(at-unit.FitTemperature)/10))
}

// ResistorOperating is one resistor in that state.
type ResistorOperating struct {
	Across unit.Volt // magnitude
	Heat   unit.Watt
}

// OutputOperating is one output in that state.
type OutputOperating struct {
	Pin     unit.Volt // chip pin to minus
	PinOut  unit.Amp  // out of the pin
	Through unit.Amp  // into the switch from the lamps' side (out of it on the high side): what it switches
	Switch  TransistorOperating
	Level   TransistorOperating
	Driver  TransistorOperating
	R       []ResistorOperating // in the order of OutputNet.Resistors
}

// Read copies the solved state into op, whose slices are reused.
func (n *Network) Read(sol circuit.Solution, op *Operating) {
	s := n.Solver
	op.Solution, op.Ambient = sol, n.Ambient
	op.Plus, op.VCC = s.V(n.Plus), s.V(n.VCC)
	op.Regulator, op.Chip = s.Power(n.Regulator), s.I(n.ChipDraw, 0)
	if n.Ballast == none {
		op.Load = -s.I(n.Regulator, 1)
	} else {
		op.Ballast, op.Shunt = s.Power(n.Ballast), -s.I(n.Regulator, 0)
		op.Load = s.I(n.Ballast, 0) - op.Shunt
	}
	op.Rail = s.I(n.Track, 0)
	if op.Rail < 0 {
		op.Rail = -op.Rail
	}
	if op.Rectified = op.Rail; n.Single {
		op.Rectified = max(0, s.I(n.half.diode, 0))
	}
	if e := n.Ear; e != nil {
		op.Ear = EarOperating{Pin: s.V(e.Node), Through: s.I(e.Series, 0), Heat: s.Power(e.Series), Across: s.V(e.Rail) - s.V(e.Node)}
	}
	op.Lamps = op.Lamps[:0]
	for i := range n.Lamps {
		l := &n.Lamps[i].LampElems
		forward, back := l.Light(s)
		op.Lamps = append(op.Lamps, LampOperating{Through: l.Through(s), Forward: forward, Back: back, Across: l.Across(s), Hidden: l.Heat(s), TwoWay: l.Back != none || l.Filament != none})
	}
	if cap(op.Out) < len(n.Outputs) {
		op.Out = make([]OutputOperating, len(n.Outputs))
	}
	op.Out = op.Out[:len(n.Outputs)]
	for i := range n.Outputs {
		o, out := &n.Outputs[i], &op.Out[i]
		out.Pin, out.PinOut = s.V(o.PinNode), -s.I(o.Pin, 0)
		out.R = out.R[:0]
		for k := range o.Resistors {
			r := &o.Resistors[k]
			v := s.V(r.A) - s.V(r.B)
			out.R = append(out.R, ResistorOperating{Across: max(v, -v), Heat: s.Power(r.Elem)})
		}
		out.Switch, out.Level, out.Driver = o.Switch.read(s), o.Level.read(s), o.Driver.read(s)
		switch {
		case o.Switch != nil:
			out.Through = out.Switch.Through + out.Driver.Through
		case o.ActiveLow:
			out.Through = -out.PinOut
		default:
			out.Through = out.PinOut
		}
	}
}

func (t *Transistor) read(s *circuit.Solver) (op TransistorOperating) {
	if t == nil {
		return op
	}
	common := s.V(t.Common)
	op = TransistorOperating{
		Across: s.V(t.Out) - common, Input: s.V(t.Input) - common, Control: s.V(t.Base) - common,
		Through: s.I(t.Elem, 0), Drive: s.I(t.Elem, 1), Heat: s.Power(t.Elem), model: &t.now,
	}
	if t.pre != nil {
		op.Heat += s.Power(t.R1)
		if t.R2 != none {
			op.Heat += s.Power(t.R2)
		}
	}
	if t.High {
		op.Across, op.Input, op.Control, op.Through, op.Drive = -op.Across, -op.Input, -op.Control, -op.Through, -op.Drive
	}
	return op
}

// Light is the current by which lamp l of the state lights an output: of a pair face to face the side that the output
// drives.
func (l LightNet) Light(op *Operating) unit.Amp {
	if l.Back && op.Lamps[l.Lamp].TwoWay {
		return op.Lamps[l.Lamp].Back
	}
	return op.Lamps[l.Lamp].Forward
}
