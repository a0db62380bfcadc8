package unit

import (
	"math"
	"strconv"
	"strings"
)

// Symbols of the quantities, as printed and as carried in JSON.
const (
	SymVolt    = "V"
	SymAmp     = "A"
	SymOhm     = "Ω"
	SymWatt    = "W"
	SymFarad   = "F"
	SymHenry   = "H"
	SymHertz   = "Hz"
	SymCelsius = "°C"
	SymKelvin  = "K"
	SymRatio   = "1"
	SymSecond  = "s"
	SymMetre   = "m"
	SymRth     = "K/W"
)

// ThinSpace (U+202F, no break) stands between number and unit on paper and screen.
const ThinSpace = "\u202f"

var prefixes = [...]string{"f", "p", "n", "µ", "m", "", "k", "M", "G", "T"}

// smallest is below anything that is measured here: what prints as zero.
const smallest = 1e-18

const noPrefix = 5 // index of "" in prefixes

// Format prints x with the given number of significant digits and an engineering prefix:
// Format(4700, "Ω", 3) is "4.70 kΩ". Units that take no prefix (°C, K, 1, K/W, dB) print plainly.
// An absent value prints "unknown".
func Format(x float64, symbol string, digits int) string {
	number, sym := Engineering(x, symbol, digits)
	if sym == "" {
		return number
	}
	return number + ThinSpace + sym
}

// Engineering splits what Format prints into the number and the prefixed unit, for aligned tables.
func Engineering(x float64, symbol string, digits int) (number, sym string) {
	switch {
	case math.IsNaN(x):
		return "unknown", ""
	case math.IsInf(x, 1):
		return "∞", symbol
	case math.IsInf(x, -1):
		return "−∞", symbol
	}
	switch symbol {
	case SymRatio:
		return plain(x*100, digits), "%"
	case SymCelsius, SymKelvin, SymRth, "dB", "":
		return plain(x, digits), symbol
	}
	if math.Abs(x) < smallest {
		return "0", symbol
	}
	// Round first, so that 999.96 Ω becomes 1.000 kΩ and not 1000 Ω.
	r := roundTo(x, digits)
	exp := int(math.Floor(math.Log10(math.Abs(r))/3 + 1e-12))
	exp = max(-noPrefix, min(exp, len(prefixes)-1-noPrefix))
	return plain(r/math.Pow(1000, float64(exp)), digits), prefixes[exp+noPrefix] + symbol
}

func roundTo(x float64, digits int) float64 {
	s := strconv.FormatFloat(x, 'e', max(digits-1, 0), 64)
	r, _ := strconv.ParseFloat(s, 64)
	return r
}

// plain prints x with significant digits, without an exponent and with a true minus.
func plain(x float64, digits int) string {
	if x == 0 {
		return "0"
	}
	x = roundTo(x, digits)
	decimals := digits - 1 - int(math.Floor(math.Log10(math.Abs(x))+1e-12))
	s := strconv.FormatFloat(x, 'f', max(decimals, 0), 64)
	return strings.Replace(s, "-", "−", 1)
}

// short prints a value as a person writes a part value: "4.7 kΩ", not "4.700 kΩ".
func short(x float64, symbol string) string {
	number, sym := Engineering(x, symbol, 4)
	if strings.Contains(number, ".") {
		number = strings.TrimRight(strings.TrimRight(number, "0"), ".")
	}
	if sym == "" {
		return number
	}
	return number + " " + sym
}

// The String methods print with an ordinary space: they are what goes into files and messages.
func (v Volt) String() string    { return short(float64(v), SymVolt) }
func (i Amp) String() string     { return short(float64(i), SymAmp) }
func (r Ohm) String() string     { return short(float64(r), SymOhm) }
func (p Watt) String() string    { return short(float64(p), SymWatt) }
func (c Farad) String() string   { return short(float64(c), SymFarad) }
func (l Henry) String() string   { return short(float64(l), SymHenry) }
func (f Hertz) String() string   { return short(float64(f), SymHertz) }
func (t Celsius) String() string { return short(float64(t), SymCelsius) }
func (t Kelvin) String() string  { return short(float64(t), SymKelvin) }
func (r Ratio) String() string   { return short(float64(r), SymRatio) }
func (r KelvinPerWatt) String() string {
	return short(float64(r), SymRth)
}
func (t Time) String() string   { return short(t.Seconds(), SymSecond) }
func (l Length) String() string { return short(float64(l)*1e-6, SymMetre) }
func (p Price) String() string {
	if !Known(p) {
		return "unknown"
	}
	return strconv.FormatFloat(float64(p), 'f', 2, 64)
}
