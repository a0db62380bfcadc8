package circuit_test

import (
	"math"
	"testing"

	"fettle/internal/circuit"
	"fettle/internal/device"
	"fettle/internal/pin"
	"fettle/internal/unit"
)

// An open pin that hangs on nothing but a large resistor: its leakage, which does not grow with the voltage, could not have
// been all that the resistor's voltage promises. A few iterations, on the side of the rail that it leaks from.
func TestOpenPinOnNothing(t *testing.T) {
	for _, clamp := range []bool{false, true} {
		for _, r := range []unit.Ohm{1e5, 1e7, 1e9, 1e12} {
			for _, leak := range []unit.Amp{1e-6, 1e-9, -1e-6} {
				for _, vcc := range []unit.Volt{5, 0} {
					c := circuit.New()
					p, v := c.Node("pin"), c.Node("supply")
					c.Voltage("supply", v, circuit.Ground, vcc)
					q := device.Pin{RHigh: 50, RLow: 50, Leak: leak}
					if clamp {
						q.Clamp = device.Diode{IS: 1e-12, N: 1.5}
					}
					e := c.Pin("pin", p, v, circuit.Ground, q)
					c.Resistor("r", p, circuit.Ground, r)
					s, err := circuit.Compile(c)
					if err != nil {
						t.Fatal(err)
					}
					s.SetLevel(e, pin.Open)
					sol := s.Solve()
					u := float64(s.V(p))
					if sol.Status != circuit.Solved || sol.Iterations > 40 || u < -1e-6 || u > float64(vcc)+1e-6 {
						t.Errorf("clamp %v, %s, leak %s, supply %s: %s after %d iterations, %g V", clamp, r, leak, vcc, sol.Status, sol.Iterations, u)
					}
					// What flows through the resistor comes from the leakage (and a picoampere or two from clamps and switches).
					i, _, _ := q.Leakage(u, float64(vcc))
					if want := u / float64(r); leak > 0 && !clamp && math.Abs(i-want) > 1e-3*want+1e-11 {
						t.Errorf("%s, leak %s: the pin gives %g A, the resistor takes %g A", r, leak, i, want)
					}
				}
			}
		}
	}
}
