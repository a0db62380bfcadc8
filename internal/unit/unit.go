// Package unit holds the physical quantities that cross package boundaries, reads them as people write
// them and prints them in engineering form.
//
// A quantity is a defined float64 in coherent SI, so that the compiler keeps volts from ohms and a
// signature documents itself. Time is an integer number of picoseconds (one cycle at 16 MHz is 62.5 ns,
// which whole nanoseconds cannot hold) and board geometry is an integer number of micrometres, so that
// waveforms and layouts repeat bit for bit. Unknown is not zero: an absent value is Absent (a NaN), and
// Known tells.
//
// Types cannot forbid volt times volt; the methods (Over, Times) make such expressions unnecessary.
// Unit symbols follow the SI Brochure (9th edition) and resistor letters IEC 60062 (from memory).
//
// Entry points: Parse and its typed forms (ParseOhm, …), Format, and the String methods.
package unit

import "math"

// Physical constants, exact since the 2019 SI (SI Brochure, 9th edition).
const (
	Boltzmann        = 1.380649e-23    // J/K
	ElementaryCharge = 1.602176634e-19 // C
	ZeroCelsius      = Kelvin(273.15)  // 0 °C
	FitTemperature   = Celsius(25)     // the temperature of datasheet tables
)

type (
	Volt    float64
	Amp     float64
	Ohm     float64
	Watt    float64
	Farad   float64
	Henry   float64
	Hertz   float64
	Celsius float64
	Kelvin  float64
	// Ratio is a dimensionless number; 0.05 prints as "5 %".
	Ratio float64
	// KelvinPerWatt is a thermal resistance.
	KelvinPerWatt float64
	// Price is an amount of money in the user's own currency (the file says which).
	Price float64
)

// Time is a duration or an instant in integer picoseconds (range ±106 days).
type Time int64

// Length is a board or cavity measure in integer micrometres.
type Length int64

const (
	Picosecond  Time = 1
	Nanosecond       = 1000 * Picosecond
	Microsecond      = 1000 * Nanosecond
	Millisecond      = 1000 * Microsecond
	Second           = 1000 * Millisecond

	Micrometre Length = 1
	Millimetre        = 1000 * Micrometre
)

// Absent is the value that is not known. It is a NaN: any computation with it stays unknown.
func Absent[U ~float64]() U { return U(math.NaN()) }

// Known reports whether v is a known, finite value.
func Known[U ~float64](v U) bool { return !math.IsNaN(float64(v)) && !math.IsInf(float64(v), 0) }

// Or returns v if it is known, else otherwise.
func Or[U ~float64](v, otherwise U) U {
	if Known(v) {
		return v
	}
	return otherwise
}

// Kelvin converts to absolute temperature.
func (t Celsius) Kelvin() Kelvin { return Kelvin(t) + ZeroCelsius }

// Celsius converts to the Celsius scale.
func (t Kelvin) Celsius() Celsius { return Celsius(t - ZeroCelsius) }

// ThermalVoltage is kT/q: 25.693 mV at 25 °C.
func (t Kelvin) ThermalVoltage() Volt {
	return Volt(float64(t) * (Boltzmann / ElementaryCharge))
}

// Over is Ohm's law: the current that v drives through r.
func (v Volt) Over(r Ohm) Amp { return Amp(float64(v) / float64(r)) }

// Through is Ohm's law: the resistance across which i drops v.
func (v Volt) Through(i Amp) Ohm { return Ohm(float64(v) / float64(i)) }

// Times is the power of v at i.
func (v Volt) Times(i Amp) Watt { return Watt(float64(v) * float64(i)) }

// Times is Ohm's law: the voltage that i drops across r.
func (i Amp) Times(r Ohm) Volt { return Volt(float64(i) * float64(r)) }

// Heating is the power that i leaves in r.
func (i Amp) Heating(r Ohm) Watt { return Watt(float64(i) * float64(i) * float64(r)) }

// Rise is the temperature difference that p causes across the thermal resistance.
func (p Watt) Rise(rth KelvinPerWatt) Kelvin { return Kelvin(float64(p) * float64(rth)) }

// Parallel is the resistance of r and s side by side.
func (r Ohm) Parallel(s Ohm) Ohm { return Ohm(float64(r) * float64(s) / (float64(r) + float64(s))) }

// Seconds converts to floating seconds, for numeric kernels.
func (t Time) Seconds() float64 { return float64(t) * 1e-12 }

// Seconds rounds floating seconds to the picosecond.
func Seconds(s float64) Time { return Time(math.Round(s * 1e12)) }

// Millimetres converts to floating millimetres, for drawing.
func (l Length) Millimetres() float64 { return float64(l) / 1000 }
