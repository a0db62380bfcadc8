// Package pin is a chip pin as circuit and chip model both see it: the level the chip drives, and the level
// it reads back from a voltage.
//
// A driven level is Low, High or Open (high impedance: an input, or any pin in reset). A read level is Low,
// High or Unknown: between VIL and VIH the maker guarantees nothing. VIL and VIH are shares of the chip's
// own supply, as datasheets of CMOS parts state them (ATtiny25/45/85, document 2586, DC characteristics:
// 0.3 and 0.6 of VCC at 2.4–5.5 V); the figures themselves live in the catalogue. Hysteresis, pull-up,
// clamp and output resistance are not modelled here.
package pin

import "fettle/internal/unit"

// A Level is what a pin drives or what is read from it.
type Level uint8

const (
	Low Level = iota
	High
	Open    // driven: high impedance, what the pin does in reset
	Unknown // read: between VIL and VIH, or the supply is not known
)

func (l Level) String() string {
	switch l {
	case Low:
		return "low"
	case High:
		return "high"
	case Open:
		return "open"
	}
	return "unknown"
}

// Thresholds are the input limits of a chip as shares of its supply.
type Thresholds struct {
	VIL unit.Ratio // at or below: certainly read low
	VIH unit.Ratio // at or above: certainly read high
}

// Read is the level the chip is certain to read from v at supply vcc, both against its ground.
func (t Thresholds) Read(v, vcc unit.Volt) Level {
	switch {
	case !(vcc > 0): // unpowered, reversed or not known
		return Unknown
	case v <= unit.Volt(t.VIL)*vcc:
		return Low
	case v >= unit.Volt(t.VIH)*vcc:
		return High
	}
	return Unknown
}
