package build

import (
	"fettle/internal/meter"
	"fettle/internal/unit"
)

// Spec is what the meter can do: its ranges as declared, or those of an ordinary hand meter where none is.
func (m Meter) Spec() meter.Spec {
	if len(m.Ranges) == 0 {
		s := meter.Cheap()
		s.Name, s.TrueRMS = m.Name.Text, m.TrueRMS.Yes
		return s
	}
	s := meter.Spec{Name: m.Name.Text, TrueRMS: m.TrueRMS.Yes}
	for _, r := range m.Ranges {
		full := r.Full.Value
		g := meter.RangeSpec{
			Function: meter.Function(r.Measures.Text), Full: full, Resolution: r.Resolution.Or(full / 2000),
			Gain: r.Gain.Value, Digits: r.Digits.Value, Source: "declared in the build file",
		}
		switch r.Measures.Text {
		case MeasuresCurrent:
			// 0.2 V at full scale is what hand meters drop (common practice, no source).
			g.Burden = r.Burden.Or(unit.Volt(0.2).Through(unit.Amp(full)))
		case MeasuresVoltage, MeasuresACVoltage:
			g.Input = r.Input.Or(1e6)
		}
		s.Ranges = append(s.Ranges, g)
	}
	return s
}

// MeterSpec is the meter of a reading: the declared one of that name, or the ordinary hand meter.
func (b *Build) MeterSpec(name string) meter.Spec {
	if m, ok := b.Meter(name); ok {
		return m.Spec()
	}
	return meter.Cheap()
}
