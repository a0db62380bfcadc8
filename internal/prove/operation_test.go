package prove_test

import (
	"math"
	"testing"

	"fettle/examples"
	"fettle/internal/circuit"
	"fettle/internal/prove"
	"fettle/internal/wiring"
)

// What a decoder of the demos carries obeys the laws: at every net what flows in flows out (Kirchhoff), resistors keep Ohm's, and
// what the rails give is what all its branches take.
func TestOperation(t *testing.T) {
	for _, name := range examples.Names {
		b, lamps := filled(name)
		for d := range b.Decoders {
			n, _, err := wiring.NewNetwork(b, &b.Decoders[d], lamps)
			if err != nil || n == nil {
				t.Fatal(name, err)
			}
			op, ok := prove.Operate(n)
			if !ok {
				t.Fatalf("%s: no solution", name)
			}
			for i := range n.Outputs {
				o := &n.Outputs[i]
				for _, r := range o.Resistors {
					f := op.Through(r.Elem, i)
					if got, want := float64(f.Across), float64(f.Peak)*float64(r.Value()); math.Abs(got-want) > 1e-6+1e-3*want { // Ohm's law
						t.Errorf("%s, %s %s: %g V across it, %g V by Ohm's law", name, r.Attr, o.Of(), got, want)
					}
				}
				if s, ok := o.Resistor("series"); ok && len(o.Lights) == 1 {
					a, l := op.Through(s.Elem, i), op.Lamp(o.Lights[0].Lamp, i)
					if _, shunted := o.Resistor("shunt"); !shunted && !n.Lamps[o.Lights[0].Lamp].Post.Pair() && math.Abs(float64(a.Peak-l.Peak)) > 1e-6 { // Kirchhoff's current law
						t.Errorf("%s, %s: %s through the series resistor, %s through the lamp", name, o.Of(), a.Peak, l.Peak)
					}
					if o.Lights[0].HalfWave() && math.Abs(float64(2*l.Mean-l.Peak)) > 1e-5 {
						t.Errorf("%s, %s on one rail: mean %s of peak %s", name, o.Of(), l.Mean, l.Peak)
					}
				}
			}
			// The rails stand a track voltage apart in either polarity, and minus is where all is measured from.
			l, _ := op.Volts(n.LeftRail, -1)
			r, _ := op.Volts(n.RightRail, -1)
			for k, sign := range []float64{1, -1} {
				if got := float64(l[k] - r[k]); math.Abs(got-sign*float64(op.Track)) > 1e-9 {
					t.Errorf("%s: %g V between the rails, track %s", name, got, op.Track)
				}
			}
			if on, off := op.Volts(circuit.Ground, -1); on != off || on[0] != 0 {
				t.Errorf("%s: minus at %v, %v", name, on, off)
			}
			rect, reg, chip := op.Supply()
			if !(rect.Mean > reg.Mean && reg.Mean > 0.9*chip.Mean && chip.Mean > 0) { // the ear's clamp may give the chip a little
				t.Errorf("%s: rectifier %s, regulator %s, chip %s", name, rect.Mean, reg.Mean, chip.Mean)
			}
		}
	}
}
