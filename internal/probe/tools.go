package probe

import (
	"slices"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/meter"
	"fettle/internal/unit"
)

// unlimited is what a supply without a limit of its own can give: common practice, no source.
const unlimited = unit.Amp(1)

// SettingsOf are the tools that a build declares.
func SettingsOf(b *build.Build) Settings {
	t := b.Tools
	s := Settings{Supply: t.Supply.Or(0), Limit: t.Limit.Or(0), Series: t.Series.Or(0)}
	if s.Series > 0 && s.Limit <= 0 {
		s.Limit = unlimited
	}
	name := t.Meter.Text
	if name == "" && len(b.Meters) > 0 {
		name = b.Meters[0].Name.Text
	}
	s.Meter, _ = b.MeterSpec(name)
	// What no declared range shows is read as on an ordinary meter: few declare more than the ranges they had used.
	declared := map[meter.Function]float64{}
	for _, r := range s.Meter.Ranges {
		declared[r.Function] = max(declared[r.Function], r.Full)
	}
	s.Meter.Ranges = slices.Clone(s.Meter.Ranges)
	for _, r := range meter.Cheap().Ranges {
		if r.Full > declared[r.Function] {
			s.Meter.Ranges = append(s.Meter.Ranges, r)
		}
	}
	for _, p := range t.OutOfReach {
		s.OutOfReach = append(s.OutOfReach, p.Text)
	}
	return s
}

// Cautions stand wherever a board is measured.
func Cautions() []finding.Caution {
	return []finding.Caution{
		{Where: "probing", Text: "decoder minus is not a rail: an earthed instrument or a programmer clipped there under live track shorts the booster; measure with a battery meter, program off the track"},
		{Where: "first power", Text: "feed a board under suspicion through a current limit, or a series resistor of 470 Ω to 1 kΩ; stop at once if a part gets hot or smells; never from an unisolated supply"},
		{Where: "probing", Text: "no supply and no track while resistance or the diode test is read; wait until the reservoir is empty"},
	}
}
