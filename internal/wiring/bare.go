package wiring

import (
	"fmt"

	"fettle/internal/circuit"
	"fettle/internal/unit"
)

// A Bare is one lamp of the vehicle without any decoder, as it is measured on the bench: a supply, the ammeter
// in series, what else drinks from the feed, the lamp, and perhaps a voltmeter across its LED.
//
//	supply + ── ammeter ──┬── hidden resistor ──┬── LED ──┬── supply −
//	                      └── others ───────────│─────────┤
//	                                            └─ meter ─┘
//
// The lamp, drawn here as a plain one, stands in its own direction from the plus of the supply to the minus; a
// negative supply voltage is the supply turned round.
type Bare struct {
	Circuit *circuit.Circuit
	Solver  *circuit.Solver
	Supply  circuit.Elem
	Ammeter circuit.Elem
	Others  circuit.Elem
	Meter   circuit.Elem // the voltmeter across the LED; −1 where there is none
	Feed    circuit.Node // behind the ammeter
	Lamp    LampElems

	others unit.Amp
}

// noMeter stands for a voltmeter that is not there; far above any insulation.
const noMeter = unit.Ohm(1e15)

// NewBare wires a lamp to the bench, with no meter in its way. Its structure stays; its values may change
// (LampElems.Set).
func NewBare(name string, p LampParams) (*Bare, error) {
	c := circuit.New()
	b := &Bare{Circuit: c}
	plus := c.Node("supply plus")
	b.Feed = c.Node("feed")
	b.Supply = c.Voltage("supply", plus, circuit.Ground, 0)
	c.SetWords(b.Supply, "bench supply")
	b.Ammeter = c.Resistor("ammeter", plus, b.Feed, 0)
	b.Others = c.Current("others", b.Feed, circuit.Ground, 0)
	c.SetWords(b.Others, "what else draws current")
	b.Lamp = AddLamp(c, name, b.Feed, circuit.Ground, p)
	if b.Lamp.Inside == b.Lamp.To {
		b.Meter = none // no LED to measure across
	} else {
		b.Meter = c.Resistor("voltmeter", b.Lamp.Inside, b.Lamp.To, noMeter)
	}
	s, err := circuit.Compile(c)
	if err != nil {
		return nil, fmt.Errorf("lamp %s on the bench: %w", name, err)
	}
	b.Solver = s
	return b, nil
}

// Hook puts meters in and out: the ammeter's burden (0: none), what else flows through it, and the input
// resistance of the voltmeter across the LED (0: none).
func (b *Bare) Hook(burden unit.Ohm, others unit.Amp, input unit.Ohm) {
	if input <= 0 {
		input = noMeter
	}
	b.others = others
	b.Solver.SetResistance(b.Ammeter, burden)
	if b.Meter != none {
		b.Solver.SetResistance(b.Meter, input)
	}
}

// Solve applies a voltage; what else draws current follows its sign.
func (b *Bare) Solve(u unit.Volt) circuit.Solution {
	i := b.others
	if u < 0 {
		i = -i
	}
	b.Solver.SetVoltage(b.Supply, u)
	b.Solver.SetCurrent(b.Others, i)
	return b.Solver.Solve()
}

// Current is what flows through the lamp, positive in its own direction.
func (b *Bare) Current() unit.Amp { return b.Lamp.Through(b.Solver) }

// Through is what flows through the ammeter, the lamp and what else draws together.
func (b *Bare) Through() unit.Amp { return b.Solver.I(b.Ammeter, 0) }

// Drop is the voltage across the LED (a filament: across the lamp).
func (b *Bare) Drop() unit.Volt { return b.Lamp.Across(b.Solver) }
