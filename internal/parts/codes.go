package parts

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"sync"
	"unicode/utf8"

	"github.com/agext/levenshtein"

	"fettle/internal/diag"
	"fettle/internal/unit"
)

// A Coded is what a code on a resistor or a capacitor says.
type Coded struct {
	Form        string     // "colour bands", "3 digits", "4 digits", "R point", "EIA-96", "letters"
	R           unit.Ohm   // absent for a capacitor
	C           unit.Farad // absent for a resistor
	Minus, Plus unit.Ratio // tolerance below and above (both positive); absent if the code says nothing
	Usual       bool       // the tolerance is the one customary for the form, not printed
	TCR         float64    // 10⁻⁶ per kelvin, six bands only; else NaN
	Rule        string     // how the code was read: "47 · 100"
	Doubt       string     // why it may be wrong: "upside down", "no preferred number", …
	Source      string     // of the rule
}

// Tolerance is the greater side, for computing.
func (c Coded) Tolerance() unit.Ratio { return max(c.Minus, c.Plus) }

func (c Coded) String() string {
	s := c.R.String()
	if unit.Known(c.C) {
		s = c.C.String()
	}
	switch {
	case !unit.Known(c.Minus):
		return s
	case c.Minus == c.Plus:
		return s + " ±" + c.Plus.String()
	}
	return s + " −" + c.Minus.String() + "/+" + c.Plus.String()
}

func resistor(form string, r float64, tol unit.Ratio, usual bool, rule, source string) Coded {
	c := Coded{Form: form, R: unit.Ohm(r), C: unit.Absent[unit.Farad](), Minus: tol, Plus: tol, Usual: usual, TCR: math.NaN(), Rule: rule, Source: source}
	c.Doubt = OddValue(c.R)
	return c
}

func codeError(text, mend, problem string, args ...any) *unit.ParseError {
	return &unit.ParseError{Text: text, Problem: fmt.Sprintf(problem, args...), Mend: mend}
}

// ifReads passes a mend on only if the reader that is about to offer it can read it.
func ifReads[T any](mend, text string, read func(string) (T, *unit.ParseError)) string {
	if mend == text || mend == "" {
		return ""
	}
	if _, err := read(mend); err != nil {
		return ""
	}
	return mend
}

// Colour bands ------------------------------------------------------------------------------------------

// A colour is one line of the colour table of IEC 60062 (2016 edition, from memory).
type colour struct {
	name            string
	digit           int // −1: none
	exp             int // power of ten it multiplies by
	mult, tol       bool
	tolerance       unit.Ratio
	tcr             float64 // 10⁻⁶/K; NaN: none
	source, letters string  // letters: its IEC 60757 abbreviation
}

// Abbreviations of IEC 60757 (from memory).
var colourLetters = map[string]string{
	"black": "BK", "brown": "BN", "red": "RD", "orange": "OG", "yellow": "YE", "green": "GN", "blue": "BU",
	"violet": "VT", "grey": "GY", "white": "WH", "gold": "GD", "silver": "SR", "pink": "PK",
}

var colours = sync.OnceValue(func() []colour { return loaded(loadColours) })

func loadColours(problems *diag.List) []colour {
	t := openTable("resistor_colour_code.csv", colourCSV, problems)
	var out []colour
	for t.next() {
		c := colour{name: t.must("colour"), digit: -1, tolerance: num[unit.Ratio](t, "tolerance"), tcr: num[float64](t, "tcr_ppm_per_K"), source: t.must("source")}
		c.letters = colourLetters[c.name]
		if d := num[float64](t, "digit"); !math.IsNaN(d) {
			c.digit = int(d)
		}
		if m := num[float64](t, "multiplier"); !math.IsNaN(m) {
			c.mult, c.exp = true, int(math.Round(math.Log10(m)))
		}
		c.tol = unit.Known(c.tolerance)
		out = append(out, c)
	}
	t.close()
	return out
}

func findColour(word string) (colour, bool) {
	word = strings.ToLower(word)
	switch word {
	case "gray":
		word = "grey"
	case "purple":
		word = "violet"
	}
	for _, c := range colours() {
		if c.name == word || c.letters != "" && strings.EqualFold(c.letters, word) {
			return c, true
		}
	}
	return colour{}, false
}

func colourOf(ok func(colour) bool) (string, bool) {
	for _, c := range colours() {
		if c.name != "none" && ok(c) {
			return c.name, true
		}
	}
	return "", false
}

// ReadColours reads three to six colour bands of a resistor (IEC 60062), or the single black band of a
// jumper: "yellow violet orange gold", "ye-vt-og-gd". Words are separated by spaces, commas, hyphens or
// slashes. Three bands: two digits, multiplier, ±20 %; four: tolerance as well; five: three digits; six: a
// temperature coefficient. The second entry, if any, is what the bands say from the other end; the first is
// as written.
func ReadColours(text string) ([]Coded, *unit.ParseError) {
	words := strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(" ,-/;|\t", r) })
	var bands []colour
	for i, w := range words {
		c, ok := findColour(w)
		if !ok || c.name == "none" {
			mend := ""
			if near := nearColour(w); near != "" && len(words) <= 6 {
				mended := append([]string(nil), words...)
				mended[i] = near
				mend = ifReads(strings.Join(mended, " "), text, ReadColours)
			}
			return nil, codeError(text, mend, "%q is no colour of the code", w)
		}
		bands = append(bands, c)
	}
	if len(bands) == 1 && bands[0].name == "black" {
		return []Coded{resistor("colour bands", 0, unit.Absent[unit.Ratio](), false, "a single black band: jumper", bands[0].source)}, nil
	}
	if len(bands) < 3 || len(bands) > 6 {
		return nil, codeError(text, "", "%d bands, where 3 to 6 are wanted", len(bands))
	}
	first, problem := readBands(bands)
	turned := make([]colour, len(bands))
	for i, b := range bands {
		turned[len(bands)-1-i] = b
	}
	other, problemOther := readBands(turned)
	switch {
	case problem != "" && problemOther == "":
		return nil, codeError(text, joinColours(turned), "%s; from the other end it reads %s", problem, other)
	case problem != "":
		return nil, codeError(text, "", "%s", problem)
	case problemOther != "" || len(bands) == 3: // three bands: the bare end has no tolerance band
		return []Coded{first}, nil
	}
	other.Doubt = strings.TrimPrefix(other.Doubt+"; read from the other end", "; ")
	return []Coded{first, other}, nil
}

func nearColour(w string) string {
	best, name := 3, ""
	for _, c := range colours() {
		if d := levenshtein.Distance(strings.ToLower(w), c.name, nil); c.name != "none" && d < best && d < len(c.name)-1 {
			best, name = d, c.name
		}
	}
	return name
}

func joinColours(bands []colour) string {
	words := make([]string, len(bands))
	for i, b := range bands {
		words[i] = b.name
	}
	return strings.Join(words, " ")
}

func readBands(bands []colour) (Coded, string) {
	digits := 2
	if len(bands) >= 5 {
		digits = 3
	}
	sig := 0
	for _, b := range bands[:digits] {
		if b.digit < 0 {
			return Coded{}, b.name + " is no digit"
		}
		sig = sig*10 + b.digit
	}
	m := bands[digits]
	if !m.mult {
		return Coded{}, m.name + " is no multiplier"
	}
	none, _ := findColour("none")
	tol := none.tolerance
	if len(bands) > digits+1 {
		t := bands[digits+1]
		if !t.tol {
			return Coded{}, t.name + " is no tolerance"
		}
		tol = t.tolerance
	}
	c := resistor("colour bands", times(float64(sig), m.exp), tol, false, fmt.Sprintf("%d · 10^%d", sig, m.exp), m.source)
	if len(bands) == 6 {
		t := bands[5]
		if math.IsNaN(t.tcr) {
			return Coded{}, t.name + " is no temperature coefficient"
		}
		c.TCR = t.tcr
	}
	if len(bands) > digits+1 && bands[digits+1].name == "grey" {
		c.Doubt = strings.TrimPrefix(c.Doubt+"; on parts made before the 2016 edition grey is ±0.05 %", "; ")
	}
	return c, ""
}

// Colours returns the bands of a resistor: 3 (only ±20 %), 4, 5, or 6 with a temperature coefficient in
// 10⁻⁶/K. It fails where the value or tolerance has no bands.
func Colours(r unit.Ohm, tol unit.Ratio, tcr float64, bands int) ([]string, bool) {
	digits := 2
	if bands >= 5 {
		digits = 3
	}
	if bands < 3 || bands > 6 {
		return nil, false
	}
	sig, exp, ok := significand(float64(r), digits)
	if !ok {
		return nil, false
	}
	var out []string
	for _, d := range fmt.Sprintf("%0*d", digits, sig) {
		name, _ := colourOf(func(c colour) bool { return c.digit == int(d-'0') })
		out = append(out, name)
	}
	mult, ok := colourOf(func(c colour) bool { return c.mult && c.exp == exp })
	if !ok {
		return nil, false
	}
	out = append(out, mult)
	none, _ := findColour("none")
	if bands == 3 {
		return out, tol == none.tolerance
	}
	t, ok := colourOf(func(c colour) bool { return c.tol && math.Abs(float64(c.tolerance-tol)) < sameValue })
	if !ok {
		return nil, false
	}
	out = append(out, t)
	if bands == 6 {
		name, ok := colourOf(func(c colour) bool { return c.tcr == tcr })
		if !ok {
			return nil, false
		}
		out = append(out, name)
	}
	return out, true
}

// significand writes x as sig·10^exp with exactly the given number of digits, if that is exact.
func significand(x float64, digits int) (sig, exp int, ok bool) {
	if !(x > leastPreferred && x < greatestPreferred) {
		return 0, 0, false
	}
	exp = int(math.Floor(math.Log10(x)+sameValue)) - digits + 1
	s := x / math.Pow10(exp)
	if exp < 0 {
		s = x * math.Pow10(-exp)
	}
	sig = int(math.Round(s))
	if math.Abs(s-float64(sig)) > sameValue*s || sig >= int(math.Pow10(digits)) || sig < int(math.Pow10(digits-1)) {
		return 0, 0, false
	}
	return sig, exp, true
}

// Codes on chip resistors -------------------------------------------------------------------------------

const smdSource = "common practice of the trade, no standard read"

type eia96 struct {
	significand [97]int // by code 1 … 96
	source      string
	letters     []eia96Letter
}

type eia96Letter struct {
	letter string
	exp    int
	alias  string
	source string
}

var eia96Table = sync.OnceValue(func() eia96 { return loaded(loadEIA96) })

func loadEIA96(problems *diag.List) eia96 {
	var e eia96
	t := openTable("resistor_eia96.csv", eia96CSV, problems)
	n := 0
	for t.next() {
		code, sig := num[float64](t, "code"), num[float64](t, "significand")
		if n++; int(code) != n || n > 96 || len(t.str("code")) != 2 {
			t.bad("code", "%q stands where %02d is due", t.str("code"), n)
			continue
		}
		e.significand[n], e.source = int(sig), t.must("source")
	}
	t.close()
	if n != 96 {
		problems.Add("table-eia96", diag.Range{File: t.file}, "%d codes, want 96", n)
	}
	t = openTable("resistor_eia96_multiplier.csv", eia96MultiplierCSV, problems)
	for t.next() {
		e.letters = append(e.letters, eia96Letter{t.must("letter"), int(math.Round(math.Log10(num[float64](t, "multiplier")))), t.str("alias_of"), t.must("source")})
	}
	t.close()
	return e
}

// An SMDRule is a rule of the trade for codes on chip resistors, with an example.
type SMDRule struct {
	Form, Example string
	R             unit.Ohm // of the example; absent where there is none
	Rule, Source  string
}

func loadSMDRules(problems *diag.List) []SMDRule {
	t := openTable("resistor_smd_codes.csv", smdCSV, problems)
	var out []SMDRule
	for t.next() {
		out = append(out, SMDRule{t.must("form"), t.must("example"), num[unit.Ohm](t, "value_ohm"), t.must("rule"), t.must("source")})
	}
	t.close()
	return out
}

var smdRules = sync.OnceValue(func() []SMDRule { return loaded(loadSMDRules) })

// SMDRules returns the rules with their examples.
func SMDRules() []SMDRule { return smdRules() }

// ReadSMD reads the code of a chip resistor: 3 or 4 digits (figures and number of zeros), R at the decimal
// point, EIA-96, zeros for a jumper. A code may be read in more than one way; the likeliest stands first,
// and a code that makes sense upside down has that reading last.
func ReadSMD(code string) ([]Coded, *unit.ParseError) {
	s := strings.ToUpper(strings.TrimSpace(code))
	if s == "" {
		return nil, codeError(code, "", "no code")
	}
	out := readSMD(s)
	if up, ok := upsideDown(s); ok && up != s {
		for _, c := range readSMD(up) {
			if c.Doubt == "" { // a value that makes sense
				c.Doubt = "if the part lies upside down: " + up
				out = append(out, c)
			}
		}
	}
	if len(out) == 0 {
		mend := ""
		if len(s) == 2 && isDigits(s) {
			mend = ifReads(s+"0", s, ReadSMD) // "10" is not a code; 100 is 10 Ω
		}
		return nil, codeError(code, mend, "no code of a chip resistor (3 or 4 digits, R at the decimal point, or two digits and a letter)")
	}
	if out[0].Doubt != "" && len(out) > 1 && out[1].Doubt == "" {
		out[0], out[1] = out[1], out[0]
	}
	return out, nil
}

func isDigits(s string) bool {
	for i := 0; i < len(s); i++ {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}

func upsideDown(s string) (string, bool) {
	turn := map[byte]byte{'0': '0', '1': '1', '6': '9', '8': '8', '9': '6'}
	b := make([]byte, len(s))
	for i := 0; i < len(s); i++ {
		t, ok := turn[s[i]]
		if !ok {
			return "", false
		}
		b[len(s)-1-i] = t
	}
	return string(b), isDigits(s)
}

func readSMD(s string) []Coded {
	var out []Coded
	switch {
	case isDigits(s) && strings.Trim(s, "0") == "" && (len(s) == 1 || len(s) == 3 || len(s) == 4):
		return []Coded{resistor("jumper", 0, unit.Absent[unit.Ratio](), false, "zeros only: a jumper", smdSource)}
	case isDigits(s) && (len(s) == 3 || len(s) == 4):
		sig, _ := strconv.Atoi(s[:len(s)-1])
		zeros := int(s[len(s)-1] - '0')
		tol, form := unit.Ratio(0.05), "3 digits"
		if len(s) == 4 {
			tol, form = 0.01, "4 digits"
		}
		c := resistor(form, times(float64(sig), zeros), tol, true, fmt.Sprintf("%d and %d zeros", sig, zeros), smdSource)
		if sig < int(math.Pow10(len(s)-2)) {
			c.Doubt = "a code does not begin with a zero"
		} else if c.R > 100e6 {
			c.Doubt = fmt.Sprintf("%v is more than chip resistors have", c.R)
		}
		return []Coded{c}
	}
	if r, ok := rPoint(s); ok {
		tol := unit.Ratio(0.05)
		if len(s) >= 4 {
			tol = 0.01
		}
		out = append(out, resistor("R point", r, tol, true, "R stands at the decimal point", smdSource))
	}
	if len(s) == 3 && isDigits(s[:2]) {
		e := eia96Table()
		n, _ := strconv.Atoi(s[:2])
		for _, l := range e.letters {
			if l.letter == s[2:] && n >= 1 && n <= 96 {
				c := resistor("EIA-96", times(float64(e.significand[n]), l.exp), 0.01, true,
					fmt.Sprintf("code %s is %d, %s is 10^%d", s[:2], e.significand[n], l.letter, l.exp), l.source)
				if l.alias != "" || strings.Contains(l.source, "collides") {
					c.Doubt = strings.TrimPrefix(c.Doubt+"; makers differ about the letter "+l.letter, "; ")
				}
				out = append(out, c)
			}
		}
	}
	return out
}

// rPoint reads "4R7", "R47", "12R0", "47R".
func rPoint(s string) (float64, bool) {
	before, after, ok := strings.Cut(s, "R")
	if !ok || len(s) < 2 || len(s) > 5 || before != "" && !isDigits(before) || after != "" && !isDigits(after) {
		return 0, false
	}
	x, err := strconv.ParseFloat("0"+before+"."+after+"0", 64)
	return x, err == nil
}

// SMD3 is the three-character code of a value: 4R7, 470, 103, R47, 000.
func SMD3(r unit.Ohm) (string, bool) { return smdDigits(r, 2) }

// SMD4 is the four-character code of a value: 12R0, 4700, 1002, R010, 0000.
func SMD4(r unit.Ohm) (string, bool) { return smdDigits(r, 3) }

func smdDigits(r unit.Ohm, figures int) (string, bool) {
	if r == 0 {
		return strings.Repeat("0", figures+1), true
	}
	if r > 0 && r < 1 { // R and the decimals: R47, R010
		places := math.Pow10(figures)
		n := math.Round(float64(r) * places)
		if math.Abs(float64(r)*places-n) > sameValue*n || n == 0 || n >= places {
			return "", false
		}
		return fmt.Sprintf("R%0*d", figures, int(n)), true
	}
	sig, exp, ok := significand(float64(r), figures)
	if !ok || exp > 9 {
		return "", false
	}
	if exp >= 0 {
		return fmt.Sprintf("%d%d", sig, exp), true
	}
	s := strconv.Itoa(sig)
	return s[:figures+exp] + "R" + s[figures+exp:], true
}

// EIA96 is the EIA-96 code of a value of E96: "01C" is 10 kΩ.
func EIA96(r unit.Ohm) (string, bool) {
	sig, exp, ok := significand(float64(r), 3)
	if !ok {
		return "", false
	}
	e := eia96Table()
	for code := 1; code <= 96; code++ {
		if e.significand[code] != sig {
			continue
		}
		for _, l := range e.letters {
			if l.exp == exp && l.alias == "" && !strings.Contains(l.source, "collides") {
				return fmt.Sprintf("%02d%s", code, l.letter), true
			}
		}
	}
	return "", false
}

// Letter codes ------------------------------------------------------------------------------------------

type letters struct {
	resistance, capacitance map[string]int // letter → power of ten
	tolerance               map[string][2]unit.Ratio
	small                   map[string]float64 // absolute tolerance below 10 pF, in farad
	source                  string
}

var letterTable = sync.OnceValue(func() letters { return loaded(loadLetters) })

func loadLetters(problems *diag.List) letters {
	l := letters{map[string]int{}, map[string]int{}, map[string][2]unit.Ratio{}, map[string]float64{}, ""}
	t := openTable("letter_code.csv", letterCSV, problems)
	for t.next() {
		letter := t.must("letter")
		t.must("use")
		l.source = t.must("source")
		switch group := t.must("group"); group {
		case "resistance multiplier":
			l.resistance[letter] = int(math.Round(math.Log10(num[float64](t, "value"))))
		case "capacitance multiplier":
			l.capacitance[letter] = int(math.Round(math.Log10(num[float64](t, "value"))))
		case "symmetrical tolerance (relative)":
			v := num[unit.Ratio](t, "value")
			l.tolerance[letter] = [2]unit.Ratio{v, v}
		case "tolerance below 10 pF (F)":
			l.small[letter] = num[float64](t, "value")
		case "asymmetrical tolerance":
			lo, hi, _ := strings.Cut(t.must("value"), "/")
			l.tolerance[letter] = [2]unit.Ratio{unit.Ratio(-t.parse("value", lo)), unit.Ratio(t.parse("value", hi))}
		default:
			t.bad("group", "%q is read by nothing", group)
		}
	}
	t.close()
	return l
}

// ReadLetterCode reads a resistance with its letter at the decimal point and, behind it, a tolerance letter
// (IEC 60062): "4K7", "4R7K" (±10 %), "330RG" (±2 %), "R22M" (±20 %), "10K".
func ReadLetterCode(code string) (Coded, *unit.ParseError) {
	l := letterTable()
	s := strings.TrimSpace(code)
	if strings.Contains(s, "m") {
		return Coded{}, codeError(code, ifReads(strings.ReplaceAll(s, "m", "M"), s, ReadLetterCode), "a small m is no letter of the code (M is mega)")
	}
	s = strings.ToUpper(s)
	x, rest, problem := letterNumber(s, l.resistance)
	if problem != "" {
		mend := ""
		if i := strings.TrimLeft(s, "0123456789"); i != s && (i == "" || len(i) == 1 && l.tolerance[i] != [2]unit.Ratio{}) {
			mend = ifReads(strings.TrimSuffix(s, i)+"R"+i, s, ReadLetterCode)
		}
		return Coded{}, codeError(code, mend, "%s", problem)
	}
	tol, ok := l.tolerance[rest]
	if !ok && rest != "" || ok && tol[0] != tol[1] {
		return Coded{}, codeError(code, strings.TrimSuffix(s, rest), "%q is no tolerance letter of a resistor", rest)
	}
	if rest == "" {
		tol[0] = unit.Absent[unit.Ratio]()
	}
	return resistor("letters", x, tol[0], false, "the letter stands at the decimal point", l.source), nil
}

// letterNumber reads figures with one letter at the decimal point and returns what follows them.
func letterNumber(s string, multiplier map[string]int) (x float64, rest, problem string) {
	i := 0
	for i < len(s) && s[i] >= '0' && s[i] <= '9' {
		i++
	}
	if i == len(s) {
		return 0, "", "no letter at the decimal point"
	}
	_, size := utf8.DecodeRuneInString(s[i:])
	letter := s[i : i+size]
	exp, ok := multiplier[letter]
	if !ok {
		return 0, "", fmt.Sprintf("%q is no letter for the decimal point", letter)
	}
	j := i + size
	for j < len(s) && s[j] >= '0' && s[j] <= '9' {
		j++
	}
	figures := s[:i] + s[i+size:j]
	if figures == "" || len(figures) > 6 {
		return 0, "", fmt.Sprintf("%d figures, where 1 to 6 are wanted", len(figures))
	}
	n, _ := strconv.Atoi(figures)
	return times(float64(n), exp-(j-i-size)), s[j:], ""
}

// LetterCode prints a resistance as IEC 60062 has it, with a tolerance letter if the tolerance is known:
// 4K7, 330RG, R22M.
func LetterCode(r unit.Ohm, tol unit.Ratio) (string, bool) {
	l := letterTable()
	tail := ""
	if unit.Known(tol) {
		for _, name := range [...]string{"E", "L", "P", "W", "B", "C", "D", "F", "G", "H", "J", "K", "M", "N"} {
			if t := l.tolerance[name]; math.Abs(float64(t[1]-tol)) < sameValue {
				tail = name
			}
		}
		if tail == "" {
			return "", false
		}
	}
	s, ok := printLetters(float64(r), []letterExp{{"R", 0}, {"K", 3}, {"M", 6}, {"G", 9}, {"T", 12}})
	return s + tail, ok
}

type letterExp struct {
	letter string
	exp    int
}

// printLetters writes x with up to four figures: the letter with the greatest power not above x, or a leading
// letter below the first.
func printLetters(x float64, ls []letterExp) (string, bool) {
	pick := ls[0]
	for _, l := range ls {
		if x >= times(1, l.exp)*(1-sameValue) {
			pick = l
		}
	}
	y := x / math.Pow10(pick.exp)
	if pick.exp < 0 {
		y = x * math.Pow10(-pick.exp)
	}
	s := strconv.FormatFloat(y, 'f', 4, 64)
	if back, _ := strconv.ParseFloat(s, 64); !(y > 0) || math.Abs(back-y) > sameValue*y || y >= 10000 {
		return "", false
	}
	whole, decimals, _ := strings.Cut(s, ".")
	decimals = strings.TrimRight(decimals, "0")
	if whole == "0" {
		whole = ""
	}
	return whole + pick.letter + decimals, true
}

// capLetters brings the prefixes into one spelling. The tolerance letter N goes with them; it stands last,
// behind another letter, and is brought back there.
var capLetters = strings.NewReplacer("µ", "u", "μ", "u", "U", "u", "N", "n")

// ReadCapCode reads a capacitance: with its letter at the decimal point ("4n7", "p33", "2u2M"), or as three
// digits in picofarad ("104": 100 nF), and a tolerance letter behind (below 10 pF it is an absolute one).
func ReadCapCode(code string) (Coded, *unit.ParseError) {
	l := letterTable()
	s := capLetters.Replace(strings.TrimSpace(code))
	form, rule, source := "letters", "the letter stands at the decimal point", l.source
	var x float64
	rest := ""
	if len(s) >= 3 && isDigits(s[:3]) && (len(s) == 3 || len(s) == 4 && (s[3] < '0' || s[3] > '9') && l.capacitance[s[3:]] == 0 && s[3] != 'F') {
		sig, _ := strconv.Atoi(s[:2])
		zeros := int(s[2] - '0')
		if sig < 10 || zeros > 7 {
			return Coded{}, codeError(code, "", "%q is not two figures and a number of zeros", s[:3])
		}
		x, rest = times(float64(sig), zeros-12), s[3:]
		form, rule, source = "3 digits", fmt.Sprintf("%d and %d zeros, in pF", sig, zeros), smdSource
	} else {
		var problem string
		if x, rest, problem = letterNumber(s, l.capacitance); problem != "" {
			return Coded{}, codeError(code, "", "%s", problem)
		}
	}
	rest = strings.ToUpper(rest)
	tol := [2]unit.Ratio{unit.Absent[unit.Ratio](), unit.Absent[unit.Ratio]()}
	if rest != "" {
		t, ok := l.tolerance[rest]
		if abs, small := l.small[rest]; small && x < 10e-12*(1-sameValue) && x > 0 {
			t, ok = [2]unit.Ratio{unit.Ratio(abs / x), unit.Ratio(abs / x)}, true
		}
		if !ok {
			return Coded{}, codeError(code, "", "%q is no tolerance letter", rest)
		}
		tol = t
	}
	return Coded{Form: form, R: unit.Absent[unit.Ohm](), C: unit.Farad(x), Minus: tol[0], Plus: tol[1], TCR: math.NaN(), Rule: rule, Source: source}, nil
}

// CapCode prints a capacitance with its letter at the decimal point: 4n7, 100n, p33, 2u2.
func CapCode(c unit.Farad) (string, bool) {
	return printLetters(float64(c), []letterExp{{"p", -12}, {"n", -9}, {"u", -6}, {"m", -3}, {"F", 0}})
}
