package unit

import "math"

// Scale gives the engineering prefix that suits the magnitude x: the factor to divide by and the prefixed
// unit, so that a whole column or axis can share them. Scale(0.0031, "A") is 1e-3, "mA". A share scales to
// per cent; units that take no prefix keep their own.
func Scale(x float64, symbol string) (factor float64, sym string) {
	switch symbol {
	case SymRatio:
		return 0.01, "%"
	case SymCelsius, SymKelvin, SymRth, "dB", "":
		return 1, symbol
	}
	if x == 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return 1, symbol
	}
	exp := int(math.Floor(math.Log10(math.Abs(x))/3 + 1e-9))
	exp = max(-noPrefix, min(exp, len(prefixes)-1-noPrefix))
	return math.Pow(1000, float64(exp)), prefixes[exp+noPrefix] + symbol
}
