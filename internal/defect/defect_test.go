package defect_test

import (
	"math"
	"testing"

	"fettle/internal/circuit"
	"fettle/internal/defect"
)

// A bridge over the upper of two equal resistors puts the whole supply on the lower one, less the contact; the
// circuit it was made from stays as it was.
func TestBridge(t *testing.T) {
	c := circuit.New()
	plus, mid := c.Node("plus"), c.Node("middle")
	c.Voltage("supply", plus, circuit.Ground, 10)
	c.Resistor("upper", plus, mid, 1000)
	c.Resistor("lower", mid, circuit.Ground, 1000)
	solve := func(c *circuit.Circuit) float64 {
		s, err := circuit.Compile(c)
		if err != nil {
			t.Fatal(err)
		}
		if sol := s.Solve(); sol.Status != circuit.Solved {
			t.Fatal(sol)
		}
		return float64(s.V(mid))
	}
	edited := c.Clone()
	defect.Bridge("middle touches plus", plus, mid).Apply(edited)
	if v := solve(edited); math.Abs(v-10*(1-float64(defect.Contact)/1000)) > 1e-6 {
		t.Errorf("bridged: %.7f V, want 10 V less the drop of the contact", v)
	}
	if v := solve(c); math.Abs(v-5) > 1e-9 {
		t.Errorf("the original: %g V, want 5 V", v)
	}
}
