package unit

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// A ParseError says what is wrong with a quantity and, where the slip can be guessed, how to mend it.
type ParseError struct {
	Text    string // as written
	Problem string // lower case, no full stop
	Mend    string // a text that would parse, or ""
}

func (e *ParseError) Error() string {
	s := fmt.Sprintf("%q: %s", e.Text, e.Problem)
	if e.Mend != "" {
		s += fmt.Sprintf("; write %q?", e.Mend)
	}
	return s
}

// A Dimension is a kind of quantity that Parse can read.
type Dimension struct {
	Name    string   // "resistance"
	Symbol  string   // SI symbol of the coherent unit
	Words   []string // spellings accepted for the unit, lower case; matched without case
	Bare    string   // unit to suggest where none is written: "kΩ", "V"
	Letter  byte     // IEC 60062 letter at the decimal point of this unit (R), or 0
	NoMilli bool     // an 'M' or 'm' prefix is not usual (resistance: m is not guessed as milli)
}

// The dimensions that a build file or a reading uses.
var (
	Voltage     = Dimension{Name: "voltage", Symbol: SymVolt, Words: []string{"v", "volt", "volts"}, Bare: "V"}
	Current     = Dimension{Name: "current", Symbol: SymAmp, Words: []string{"a", "amp", "amps", "ampere"}, Bare: "mA"}
	Resistance  = Dimension{Name: "resistance", Symbol: SymOhm, Words: []string{"ω", "ohm", "ohms", "r"}, Bare: "Ω", Letter: 'R', NoMilli: true}
	Power       = Dimension{Name: "power", Symbol: SymWatt, Words: []string{"w", "watt", "watts"}, Bare: "W"}
	Capacitance = Dimension{Name: "capacitance", Symbol: SymFarad, Words: []string{"f", "farad"}, Bare: "µF"}
	Frequency   = Dimension{Name: "frequency", Symbol: SymHertz, Words: []string{"hz", "hertz"}, Bare: "MHz"}
	Temperature = Dimension{Name: "temperature", Symbol: SymCelsius, Words: []string{"°c", "c", "degc", "℃"}, Bare: "°C"}
	Fraction    = Dimension{Name: "share", Symbol: SymRatio, Words: []string{"%", "percent"}, Bare: "%"}
	Duration    = Dimension{Name: "time", Symbol: SymSecond, Words: []string{"s", "sec", "second", "seconds"}, Bare: "ms"}
	Distance    = Dimension{Name: "length", Symbol: SymMetre, Words: []string{"m", "metre"}, Bare: "mm"}
	Number      = Dimension{Name: "number", Symbol: ""}
)

var all = []*Dimension{&Voltage, &Current, &Resistance, &Power, &Capacitance, &Frequency, &Temperature, &Fraction, &Duration, &Distance}

var prefixValue = map[rune]float64{
	'f': 1e-15, 'p': 1e-12, 'n': 1e-9, 'u': 1e-6, 'µ': 1e-6, 'μ': 1e-6, 'm': 1e-3,
	'k': 1e3, 'K': 1e3, 'M': 1e6, 'G': 1e9,
}

// Parse reads a quantity of the given dimension as people write it: "4k7", "4.7 kΩ", "4,7 kohm", "0.3mA",
// "330uF", "−10 °C", "5 %", "1R5". A comma is a decimal sign, never a thousands separator; no-break and
// thin spaces count as spaces. The result is in coherent SI (a share as a fraction, so "5 %" is 0.05;
// a temperature in degrees Celsius).
func Parse(text string, d Dimension) (float64, *ParseError) {
	fail := func(problem, mend string) (float64, *ParseError) {
		if mend != "" {
			if _, err := Parse(mend, d); err != nil {
				mend = ""
			}
		}
		return math.NaN(), &ParseError{Text: text, Problem: problem, Mend: mend}
	}
	if !utf8.ValidString(text) {
		return fail("not valid UTF-8", "")
	}
	s := clean(text)
	if s == "" {
		return fail("empty where a "+d.Name+" is wanted", "")
	}
	number, rest := splitNumber(s)
	if number == "" {
		return fail("no number in it", "")
	}
	if strings.Count(number, ".") > 1 {
		return fail("more than one decimal sign", "")
	}
	x, err := strconv.ParseFloat(number, 64)
	if err != nil || math.IsInf(x, 0) {
		return fail("not a number that can be held", "")
	}
	rest = strings.TrimSpace(rest)

	if d.Symbol == "" {
		if rest != "" {
			return fail(fmt.Sprintf("a plain number is wanted, without %q", rest), number)
		}
		return x, nil
	}
	// IEC 60062: the letter stands at the decimal point ("4k7", "1R5", "R22").
	if y, ok := letterForm(number, rest, d); ok {
		return y, nil
	}
	if factor, ok := unitFactor(rest, d); ok {
		if x = scale(x, factor); math.IsInf(x, 0) {
			return fail("not a number that can be held", "")
		}
		return x, nil
	}
	if rest == "" {
		return fail("no unit: a "+d.Name+" is wanted", strings.Replace(number, "-", "−", 1)+" "+d.Bare)
	}
	for _, o := range all {
		if o.Symbol == d.Symbol {
			continue
		}
		if _, ok := unitFactor(rest, *o); ok {
			return fail(fmt.Sprintf("that is a %s, a %s is wanted", o.Name, d.Name), "")
		}
	}
	return fail(fmt.Sprintf("%q is not a unit of %s", rest, d.Name), number+" "+d.Bare)
}

// scale multiplies so that decimal input stays decimal: 4.7 with 1e3 gives 4700 exactly, 0.3 with 1e-3
// divides by 1000 (one rounding instead of two).
func scale(x, factor float64) float64 {
	if factor < 1 {
		return x / math.Round(1/factor)
	}
	return x * factor
}

func clean(text string) string {
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		switch {
		case r == '−' || r == '–':
			return '-'
		case r == ',':
			return '.'
		case r == 'Ω': // ohm sign U+2126
			return 'Ω'
		case unicode.IsSpace(r) || r == '\u202f' || r == '\u00a0' || r == '\u2009':
			return ' '
		}
		return r
	}, text))
}

// splitNumber cuts the leading decimal number off s. An exponent counts only if digits follow it, so that
// "1e" does not swallow a unit.
func splitNumber(s string) (number, rest string) {
	i := 0
	if i < len(s) && (s[i] == '-' || s[i] == '+') {
		i++
	}
	start, digits := i, 0
	for i < len(s) && (isDigit(s[i]) || s[i] == '.') {
		if isDigit(s[i]) {
			digits++
		}
		i++
	}
	if digits == 0 {
		// "R22": the letter stands before the first digit.
		if start < len(s) && s[start] == 'R' && start+1 < len(s) && isDigit(s[start+1]) {
			return s[:start] + "0", s[start:]
		}
		return "", s
	}
	if i < len(s) && (s[i] == 'e' || s[i] == 'E') {
		j := i + 1
		if j < len(s) && (s[j] == '-' || s[j] == '+') {
			j++
		}
		if j < len(s) && isDigit(s[j]) {
			for j < len(s) && isDigit(s[j]) {
				j++
			}
			i = j
		}
	}
	return s[:i], s[i:]
}

func isDigit(b byte) bool { return '0' <= b && b <= '9' }

// letterForm reads a letter at the decimal point. Capital M is mega in a resistance; in all else the
// letter is the SI prefix (4n7, 2u2).
func letterForm(number, rest string, d Dimension) (float64, bool) {
	if strings.ContainsAny(number, ".eE") {
		return 0, false
	}
	r, size := utf8.DecodeRuneInString(rest)
	tail := rest[size:]
	n := 0
	for n < len(tail) && isDigit(tail[n]) {
		n++
	}
	if n == 0 {
		return 0, false
	}
	factor, ok := prefixValue[r]
	switch {
	case d.Letter != 0 && r == rune(d.Letter):
		factor, ok = 1, true
	case d.NoMilli && factor < 1:
		return 0, false // 4m7 or 4u7 for a resistance is a slip, not a value
	case !ok && d.Symbol == SymVolt && strings.EqualFold(string(r), d.Symbol):
		factor, ok = 1, true // 5V1, as zeners are written
	}
	if !ok {
		return 0, false
	}
	unit := strings.TrimSpace(tail[n:])
	if unit != "" && !isUnitWord(unit, d) {
		return 0, false
	}
	x, err := strconv.ParseFloat(number+"."+tail[:n], 64)
	if err != nil {
		return 0, false
	}
	return scale(x, factor), true
}

func isUnitWord(s string, d Dimension) bool {
	s = strings.ToLower(s)
	for _, w := range d.Words {
		if s == w {
			return true
		}
	}
	return false
}

func unitFactor(rest string, d Dimension) (float64, bool) {
	if d.Symbol == SymRatio {
		if isUnitWord(rest, d) {
			return 0.01, true
		}
		return 0, false
	}
	if isUnitWord(rest, d) {
		return 1, true
	}
	if d.Symbol == SymCelsius {
		return 0, false
	}
	r, size := utf8.DecodeRuneInString(rest)
	factor, ok := prefixValue[r]
	if !ok {
		return 0, false
	}
	tail := strings.TrimSpace(rest[size:])
	if tail == "" {
		// "4.7k" and "100M" are how resistors are written; a bare "3 m" is not a current.
		return factor, d.Letter != 0 && factor >= 1
	}
	if d.Symbol == SymHertz && r == 'm' && strings.HasPrefix(tail, "h") {
		factor = 1e6 // "8 mhz": no clock is in millihertz
	}
	return factor, isUnitWord(tail, d)
}

func parseAs[U ~float64](text string, d Dimension) (U, *ParseError) {
	x, err := Parse(text, d)
	return U(x), err
}

// Typed forms of Parse.
func ParseVolt(s string) (Volt, *ParseError)       { return parseAs[Volt](s, Voltage) }
func ParseAmp(s string) (Amp, *ParseError)         { return parseAs[Amp](s, Current) }
func ParseOhm(s string) (Ohm, *ParseError)         { return parseAs[Ohm](s, Resistance) }
func ParseWatt(s string) (Watt, *ParseError)       { return parseAs[Watt](s, Power) }
func ParseFarad(s string) (Farad, *ParseError)     { return parseAs[Farad](s, Capacitance) }
func ParseHertz(s string) (Hertz, *ParseError)     { return parseAs[Hertz](s, Frequency) }
func ParseCelsius(s string) (Celsius, *ParseError) { return parseAs[Celsius](s, Temperature) }
func ParseRatio(s string) (Ratio, *ParseError)     { return parseAs[Ratio](s, Fraction) }
