package require_test

import (
	"math"
	"testing"

	"fettle/internal/require"
	"fettle/internal/unit"
)

// What a reservoir behind one diode sinks by: 28 V over 200 Ω from 680 µF at 60 Hz, 3.43 Vpp; and 20 V over 500 Ω sinks by a
// tenth from 333 µF (Bell, Electronic Devices and Circuits, 5th ed. 2008, examples 3.3 and 3.4, read in the FOSSEE companion).
func TestDroop(t *testing.T) {
	period := unit.Seconds(1.0 / 60)
	if v := float64(require.Droop(28.0/200, period, 680e-6)); math.Abs(v/3.43-1) > 0.005 {
		t.Errorf("680 µF sink by %.4g V, the textbook 3.43 V", v)
	}
	if v := float64(require.Droop(20.0/500, period, 333e-6)); math.Abs(v/2-1) > 0.005 {
		t.Errorf("333 µF sink by %.4g V, the textbook 2 V", v)
	}
}
