package wiring

import (
	"math"

	"fettle/internal/parts"
	"fettle/internal/unit"
)

// chipVolt is the supply at which the sheet states the chip's own current.
const chipVolt = unit.Volt(5)

// activeCurrent is the chip's own current at a clock and 5 V, typical and maximum, interpolated between the
// sheet's points (below the lowest point in proportion to the clock: CMOS logic).
func activeCurrent(c parts.Chip, f unit.Hertz) (typ, most unit.Amp) {
	var below, above *parts.SupplyPoint
	for i := range c.Supply {
		p := &c.Supply[i]
		if p.Mode != "active" || p.VCC != chipVolt {
			continue
		}
		if p.Clock <= f && (below == nil || p.Clock > below.Clock) {
			below = p
		}
		if p.Clock >= f && (above == nil || p.Clock < above.Clock) {
			above = p
		}
	}
	switch {
	case below != nil && above != nil && below != above:
		s := unit.Amp((f - below.Clock) / (above.Clock - below.Clock))
		return below.Typ + s*(above.Typ-below.Typ), below.Max + s*(above.Max-below.Max)
	case below == nil && above == nil:
		return unit.Absent[unit.Amp](), unit.Absent[unit.Amp]()
	case below == nil:
		below = above
	}
	s := unit.Amp(f / below.Clock)
	return below.Typ * s, below.Max * s
}

// MinimumSupply is the lowest supply at which the chip may run at clock f (the -20 speed grade).
func MinimumSupply(c parts.Chip, f unit.Hertz) (v unit.Volt, source string) {
	for mv := int(math.Ceil(float64(c.VCCMin) * 1000)); mv <= int(float64(c.VCCMax)*1000); mv += 10 {
		if v := unit.Volt(float64(mv) / 1000); c.ClockMax("-20", v) >= f {
			return v, "highest clock of the -20 speed grade over its supply; from memory of the sheet"
		}
	}
	return unit.Absent[unit.Volt](), ""
}
