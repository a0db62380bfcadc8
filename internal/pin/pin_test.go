package pin

import (
	"math"
	"testing"

	"fettle/internal/unit"
)

func TestRead(t *testing.T) {
	// ATtiny25/45/85 DC characteristics, I/O pins at 2.4–5.5 V: VIL 0.3 VCC, VIH 0.6 VCC.
	// At 5 V that is a guaranteed low up to 1.5 V and a guaranteed high from 3.0 V.
	chip := Thresholds{VIL: 0.3, VIH: 0.6}
	for _, c := range []struct {
		v, vcc unit.Volt
		want   Level
	}{
		{0, 5, Low},
		{1.5, 5, Low},
		{1.501, 5, Unknown},
		{2.999, 5, Unknown},
		{3.0, 5, High},
		{5.5, 5, High},
		{-0.5, 5, Low},
		{1.5, 3, Unknown}, // the same voltage at a lower supply
		{0, 0, Unknown},   // an unpowered chip reads nothing
		{5, -1, Unknown},
		{unit.Volt(math.NaN()), 5, Unknown},
		{1, unit.Volt(math.NaN()), Unknown},
	} {
		if got := chip.Read(c.v, c.vcc); got != c.want {
			t.Errorf("Read(%v at %v) = %v, want %v", c.v, c.vcc, got, c.want)
		}
	}
}

func TestLevelWords(t *testing.T) {
	for l, want := range map[Level]string{Low: "low", High: "high", Open: "open", Unknown: "unknown", 9: "unknown"} {
		if l.String() != want {
			t.Errorf("Level %d prints %q, want %q", l, l, want)
		}
	}
}
