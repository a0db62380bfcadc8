package build

import (
	"math"

	"fettle/internal/meter"
	"fettle/internal/unit"
)

// Figures of a meter's range that the build leaves out. Common practice for hand meters, from memory.
const (
	assumedCounts     = 2000             // full over resolution
	assumedGain       = unit.Ratio(0.01) // of the reading
	assumedDigits     = 3                // of the last digit
	assumedBurdenVolt = 0.2              // V at full scale of a current range
	assumedInput      = unit.Ohm(1e6)    // of a voltage range
)

// MeterSpec is the meter of that name as the build describes it; one without ranges, one that is not described
// and "" are the ordinary hand meter. assumed tells that a current range's burden is not from the build.
func (b *Build) MeterSpec(name string) (spec meter.Spec, assumed bool) {
	m, ok := b.Meter(name)
	if !ok {
		return meter.Cheap(), true
	}
	if len(m.Ranges) == 0 {
		spec = meter.Cheap()
		spec.Name, spec.TrueRMS = m.Name.Text, m.TrueRMS.Yes
		return spec, true
	}
	spec = meter.Spec{Name: m.Name.Text, TrueRMS: m.TrueRMS.Yes}
	for _, r := range m.Ranges {
		full := r.Full.Or(math.NaN())
		if !(full > 0) {
			continue
		}
		known, gain, source := unit.Ratio(0), r.Gain.Or(assumedGain), "declared in the build file"
		if r.GainError.Known() && r.GainErrorWithin.Known() {
			known, gain, source = r.GainError.Value, r.GainErrorWithin.Value, "declared in the build file, its gain error measured by you"
		}
		spec.Ranges = append(spec.Ranges, meter.RangeSpec{
			Function:   meter.Function(r.Measures.Text),
			Full:       full,
			Resolution: r.Resolution.Or(full / assumedCounts),
			Known:      known,
			Gain:       gain,
			Digits:     r.Digits.Or(assumedDigits),
			Burden:     r.Burden.Or(unit.Ohm(assumedBurdenVolt / full)),
			Input:      r.Input.Or(assumedInput),
			Source:     source,
		})
		if r.Measures.Text == MeasuresCurrent && !r.Burden.IsSet() {
			assumed = true
		}
	}
	return spec, assumed
}
