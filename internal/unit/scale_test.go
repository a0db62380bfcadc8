package unit

import (
	"math"
	"testing"
)

// The prefixes are those of the SI Brochure, 9th edition, table 7.
func TestScale(t *testing.T) {
	for _, c := range []struct {
		x      float64
		symbol string
		factor float64
		sym    string
	}{
		{0.0031, "A", 1e-3, "mA"},
		{0.00099, "A", 1e-6, "µA"},
		{1, "V", 1, "V"},
		{1000, "Ω", 1000, "kΩ"},
		{-47e3, "Ω", 1000, "kΩ"},
		{0, "V", 1, "V"},
		{math.Inf(1), "V", 1, "V"},
		{math.NaN(), "V", 1, "V"},
		{1e-18, "F", 1e-15, "fF"},
		{0.05, "1", 0.01, "%"},
		{300, "K", 1, "K"},
		{250, "", 1, ""},
	} {
		factor, sym := Scale(c.x, c.symbol)
		if math.Abs(factor/c.factor-1) > 1e-12 || sym != c.sym {
			t.Errorf("Scale(%g, %q) = %g, %q, want %g, %q", c.x, c.symbol, factor, sym, c.factor, c.sym)
		}
	}
}
