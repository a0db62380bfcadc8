package unit_test

import (
	"math"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"fettle/internal/unit"
)

func TestParse(t *testing.T) {
	const nbsp, narrow, thin = "\u00a0", "\u202f", "\u2009"
	for _, c := range []struct {
		text string
		dim  unit.Dimension
		want float64
		why  string
	}{
		{"4k7", unit.Resistance, 4700, "IEC 60062 letter at the decimal point (from memory)"},
		{"4.7 kΩ", unit.Resistance, 4700, "SI prefix"},
		{"4,7 kohm", unit.Resistance, 4700, "decimal comma, unit as a word"},
		{"4.7k", unit.Resistance, 4700, "as printed on schematics"},
		{"4K7", unit.Resistance, 4700, "capital K is kilo"},
		{"4.7 k\u2126", unit.Resistance, 4700, "U+2126 ohm sign"},
		{"1R5", unit.Resistance, 1.5, "R at the decimal point"},
		{"R22", unit.Resistance, 0.22, "R before the digits"},
		{"2M2", unit.Resistance, 2.2e6, "M is mega"},
		{"1 M", unit.Resistance, 1e6, "mega without a unit"},
		{"47 R", unit.Resistance, 47, "R for the unit"},
		{"0.1 mΩ", unit.Resistance, 1e-4, "a shunt"},
		{"0.3mA", unit.Current, 0.3e-3, "no space"},
		{"3.10 mA", unit.Current, 3.1e-3, "trailing zero"},
		{"12 µA", unit.Current, 12e-6, "U+00B5 micro sign"},
		{"12 μA", unit.Current, 12e-6, "U+03BC Greek mu"},
		{"12 uA", unit.Current, 12e-6, "u for micro"},
		{"330uF", unit.Capacitance, 330e-6, "no space"},
		{"4n7", unit.Capacitance, 4.7e-9, "letter at the decimal point"},
		{"2µ2", unit.Capacitance, 2.2e-6, "the same with a two-byte prefix"},
		{"100 pF", unit.Capacitance, 100e-12, ""},
		{"-10 °C", unit.Temperature, -10, "ASCII minus"},
		{"−10 C", unit.Temperature, -10, "true minus U+2212"},
		{"25 ℃", unit.Temperature, 25, "U+2103"},
		{"5 %", unit.Fraction, 0.05, ""},
		{"5%", unit.Fraction, 0.05, ""},
		{"0,5 percent", unit.Fraction, 0.005, ""},
		{"4.7" + nbsp + "kΩ", unit.Resistance, 4700, "no-break space"},
		{"4.7" + narrow + "kΩ", unit.Resistance, 4700, "narrow no-break space"},
		{"4.7" + thin + "k" + thin + "Ω", unit.Resistance, 4700, "thin spaces"},
		{"5V1", unit.Voltage, 5.1, "as zeners are written"},
		{"14 V", unit.Voltage, 14, ""},
		{"14 volts", unit.Voltage, 14, ""},
		{"1e3 V", unit.Voltage, 1000, "exponent"},
		{"8 MHz", unit.Frequency, 8e6, ""},
		{"8 mhz", unit.Frequency, 8e6, "no clock is in millihertz"},
		{"2.54 mm", unit.Distance, 2.54e-3, ""},
		{"6 ms", unit.Duration, 6e-3, ""},
		{"0.125 W", unit.Power, 0.125, ""},
		{"3", unit.Number, 3, ""},
	} {
		got, err := unit.Parse(c.text, c.dim)
		if err != nil || math.Abs(got-c.want) > 1e-12*math.Abs(c.want) {
			t.Errorf("%q: got %v, %v; want %v (%s)", c.text, got, err, c.want, c.why)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for _, c := range []struct {
		text    string
		dim     unit.Dimension
		problem string
		mend    string
	}{
		{"", unit.Voltage, "empty", ""},
		{"  ", unit.Voltage, "empty", ""},
		{"volts", unit.Voltage, "no number", ""},
		{"9", unit.Voltage, "no unit", "9 V"},
		{"−10", unit.Temperature, "no unit", "−10 °C"},
		{"9 A", unit.Voltage, "that is a current, a voltage is wanted", ""},
		{"9 xyz", unit.Voltage, "not a unit of voltage", "9 V"},
		{"1.2.3 V", unit.Voltage, "more than one decimal sign", ""},
		{"1.000,5 V", unit.Voltage, "more than one decimal sign", ""},
		{"1e999 V", unit.Voltage, "not a number that can be held", ""},
		{"4m7", unit.Resistance, "not a unit of resistance", "4 Ω"},
		{"3 m", unit.Current, "that is a length, a current is wanted", ""},
		{"5 kΩ", unit.Number, "a plain number is wanted", "5"},
		{"5\xff V", unit.Voltage, "not valid UTF-8", ""},
		{"0.05", unit.Fraction, "no unit", "0.05 %"},
	} {
		got, err := unit.Parse(c.text, c.dim)
		if err == nil {
			t.Errorf("%q is read as %v", c.text, got)
			continue
		}
		if !strings.Contains(err.Problem, c.problem) || err.Mend != c.mend {
			t.Errorf("%q: %q, mend %q; want %q, %q", c.text, err.Problem, err.Mend, c.problem, c.mend)
		}
		if !math.IsNaN(got) {
			t.Errorf("%q: a value (%v) in spite of the error", c.text, got)
		}
		if !strings.Contains(err.Error(), c.problem) {
			t.Errorf("%q: error text %q", c.text, err)
		}
		if err.Mend != "" {
			if _, err := unit.Parse(err.Mend, c.dim); err != nil {
				t.Errorf("the mend %v does not parse", err)
			}
		}
	}
}

func TestFormat(t *testing.T) {
	for _, c := range []struct {
		x      float64
		symbol string
		digits int
		want   string
	}{
		{4700, "Ω", 3, "4.70\u202fkΩ"},
		{999.96, "Ω", 4, "1.000\u202fkΩ"}, // rounds before the prefix is chosen
		{999.94, "Ω", 4, "999.9\u202fΩ"},
		{0.0031, "A", 3, "3.10\u202fmA"},
		{-12e-6, "A", 2, "−12\u202fµA"},
		{0, "V", 3, "0\u202fV"},
		{0.05, "1", 2, "5.0\u202f%"},
		{-10, "°C", 3, "−10.0\u202f°C"},
		{math.NaN(), "V", 3, "unknown"},
		{math.Inf(1), "V", 3, "∞\u202fV"},
		{math.Inf(-1), "V", 3, "−∞\u202fV"},
		{1e-21, "A", 2, "0\u202fA"},       // below anything measured here
		{2e-18, "A", 2, "0.0020\u202ffA"}, // just above it
		{3e15, "Ω", 2, "3000\u202fTΩ"},    // above the largest
	} {
		if got := unit.Format(c.x, c.symbol, c.digits); got != c.want {
			t.Errorf("Format(%v, %q, %d) = %q, want %q", c.x, c.symbol, c.digits, got, c.want)
		}
	}
	for got, want := range map[string]string{
		unit.Ohm(4700).String():                     "4.7 kΩ",
		unit.Amp(0.002).String():                    "2 mA",
		unit.Volt(14).String():                      "14 V",
		unit.Celsius(-10).String():                  "−10 °C",
		unit.Ratio(0.05).String():                   "5 %",
		unit.Farad(330e-6).String():                 "330 µF",
		(6 * unit.Millisecond).String():             "6 ms",
		unit.Length(2540).String():                  "2.54 mm",
		unit.Price(0.03).String():                   "0.03",
		unit.Absent[unit.Price]().String():          "unknown",
		unit.Absent[unit.Volt]().String():           "unknown",
		unit.KelvinPerWatt(556).String():            "556 K/W",
		unit.Celsius(25).Kelvin().String():          "298.1 K", // 298.15 in binary lies just below
		unit.Kelvin(298.15).Celsius().String():      "25 °C",
		unit.Hertz(8e6).String():                    "8 MHz",
		unit.Watt(0.125).String():                   "125 mW",
		unit.Henry(1e-3).String():                   "1 mH",
		unit.Volt(5).Over(1000).String():            "5 mA",
		unit.Volt(5).Through(0.005).String():        "1 kΩ",
		unit.Amp(0.01).Times(unit.Ohm(60)).String(): "600 mV", // ATtiny85 VOL limit: 10 mA in 60 Ω
		unit.Volt(2).Times(0.01).String():           "20 mW",
		unit.Amp(0.01).Heating(1000).String():       "100 mW",
		unit.Ohm(1000).Parallel(1000).String():      "500 Ω",
	} {
		if got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

// CODATA 2018: kT/q at 25 °C is 25.693 mV.
func TestThermalVoltage(t *testing.T) {
	if v := float64(unit.FitTemperature.Kelvin().ThermalVoltage()); math.Abs(v-25.6926e-3) > 1e-7 {
		t.Errorf("kT/q = %v", v)
	}
	if r := unit.Watt(0.1).Rise(556); math.Abs(float64(r)-55.6) > 1e-9 {
		t.Errorf("rise %v", r)
	}
}

func TestAbsent(t *testing.T) {
	if unit.Known(unit.Absent[unit.Ohm]()) || !unit.Known(unit.Ohm(0)) || unit.Known(unit.Ohm(math.Inf(1))) {
		t.Error("unknown is not zero, and infinity is not known")
	}
	if unit.Or(unit.Absent[unit.Volt](), 5) != 5 || unit.Or(unit.Volt(3), 5) != 3 {
		t.Error("Or")
	}
	if unit.Seconds(62.5e-9) != 62500 || unit.Time(62500).Seconds() != 62.5e-9 || unit.Length(2540).Millimetres() != 2.54 {
		t.Error("one cycle at 16 MHz is 62 500 ps; 2.54 mm is 2540 µm")
	}
}

var dimensions = []unit.Dimension{
	unit.Voltage, unit.Current, unit.Resistance, unit.Power, unit.Capacitance, unit.Frequency, unit.Temperature, unit.Fraction, unit.Duration, unit.Distance,
}

// What Format prints, Parse reads back to the digits printed.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := rapid.SampledFrom(dimensions).Draw(t, "dimension")
		digits := rapid.IntRange(1, 9).Draw(t, "digits")
		x := rapid.Float64Range(1, 9.999999).Draw(t, "mantissa") * math.Pow(10, float64(rapid.IntRange(-12, 8).Draw(t, "exponent")))
		if rapid.Bool().Draw(t, "negative") {
			x = -x
		}
		text := unit.Format(x, d.Symbol, digits)
		got, err := unit.Parse(text, d)
		if err != nil {
			t.Fatal(err)
		}
		if tolerance := math.Abs(x) * 0.5000001 * math.Pow(10, float64(1-digits)); math.Abs(got-x) > tolerance {
			t.Fatalf("%v printed %q reads %v", x, text, got)
		}
		again := unit.Format(got, d.Symbol, digits)
		if again != text {
			t.Fatalf("%q read and printed is %q", text, again)
		}
	})
}

func FuzzParse(f *testing.F) {
	seeds := []string{"4k7", "4,7 kohm", "−10 C", "5 %", "1R5", "R22", "1e3 V", "\u202f", "+-1", "1e", "Ω", "9e9e9", "0x10 V", "1e308 MV", "1e307k5", "Inf V", "nan V", ".", "-.5 V"}
	if len(seeds) == 0 {
		f.Fatal("no seeds")
	}
	for _, s := range seeds {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		for _, d := range append(dimensions, unit.Number) {
			x, err := unit.Parse(s, d)
			if err != nil {
				if !math.IsNaN(x) {
					t.Fatalf("%q as %s: %v in spite of %v", s, d.Name, x, err)
				}
				if err.Mend != "" {
					if _, again := unit.Parse(err.Mend, d); again != nil {
						t.Fatalf("%q as %s: the mend %q does not parse: %v", s, d.Name, err.Mend, again)
					}
				}
				continue
			}
			if math.IsNaN(x) || math.IsInf(x, 0) {
				t.Fatalf("%q as %s is %v", s, d.Name, x)
			}
			if !utf8.ValidString(unit.Format(x, d.Symbol, 4)) {
				t.Fatalf("%v prints no text", x)
			}
		}
	})
}
