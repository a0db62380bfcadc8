package require

import (
	"fmt"
	"math"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/unit"
)

// Lightness is how bright a luminance Y looks beside the brightest one, 0…100: CIE 1976 L* of Y, a share of the
// maximum. Half the light is 76 of 100.
func Lightness(y float64) float64 {
	const knee = 6.0 / 29
	if y > knee*knee*knee {
		return 116*math.Cbrt(y) - 16
	}
	return math.Pow(29.0/3, 3) * y
}

// Luminance is the inverse of Lightness.
func Luminance(l float64) float64 {
	const knee = 6.0 / 29
	if c := (l + 16) / 116; c > knee {
		return c * c * c
	}
	return l / math.Pow(29.0/3, 3)
}

// Exponents of Stevens's power law of brightness (S. S. Stevens, 1957-1975; from memory).
const (
	ExtendedSource = 0.33 // an extended source in dark surroundings
	PointSource    = 0.5  // a point or a brief flash
)

// PowerBrightness is how bright a relative luminance looks by the power law.
func PowerBrightness(y, exponent float64) float64 { return math.Pow(y, exponent) }

// Above these frequencies no depth of modulation has an observable effect, and none more than a low risk.
const (
	flickerNone = unit.Hertz(3000)
	flickerLow  = unit.Hertz(1250)
)

// Flicker classifies light that is switched at f with a modulation depth in percent, after IEEE 1789-2015,
// 8.1.1 (limits from memory, confirmed against a public implementation that cites the clause): holds where no
// effect is observable, close where the risk is low, fails above.
func Flicker(f unit.Hertz, percent float64) finding.Verdict {
	const slack = 1e-9 // the limits are inclusive
	x := float64(f)
	none, low := math.Inf(1), math.Inf(1)
	if x < 90 {
		none, low = 0.01*x, 0.025*x
	} else {
		if f <= flickerNone {
			none = 0.0333 * x
		}
		if f <= flickerLow {
			low = 0.08 * x
		}
	}
	switch {
	case percent <= none+slack:
		return finding.Holds
	case percent <= low+slack:
		return finding.Close
	}
	return finding.Fails
}

// A PWM is how an 8-bit timer makes pulses (ATtiny25/45/85 data sheet, from memory).
type PWM int

const (
	FastPWM         PWM = 256 // counts up and starts again
	PhaseCorrectPWM PWM = 510 // counts up and down
)

// PWMFrequency is the frequency of an 8-bit timer's pulses: clock over counts times prescaler.
func PWMFrequency(clock unit.Hertz, mode PWM, prescaler int) unit.Hertz {
	return clock / unit.Hertz(int(mode)*prescaler)
}

// flickers judges an output that firmware dims by switching: an LED that is switched is dark in between, so its depth
// of modulation is 100 % whatever its share of the time.
func flickers(o *build.Output, clock unit.Hertz) (j finding.Judgement, ok bool) {
	if o.Brightness.Or(1) >= 1 {
		return j, false
	}
	nan := math.NaN()
	j = finding.Judgement{Subject: "output " + o.Name.Text, Requirement: "no flicker to be seen while dimmed",
		Value: nan, Limit: nan, Margin: nan, Unit: unit.SymHertz, Source: "IEEE 1789-2015, 8.1.1 (limits from memory)"}
	if !o.Dim.Known() {
		j.Verdict, j.Why = finding.Unknown, "the output says brightness but no dim_frequency"
		return j, true
	}
	j.Verdict = Flicker(o.Dim.Value, 100)
	j.Value, j.Sense, j.Method = float64(o.Dim.Value), "≥", "class by frequency, at a modulation depth of 100 %"
	// The limit is that of the class: what is close is above the one for low risk.
	limit := flickerLow
	switch j.Verdict {
	case finding.Holds:
		limit, j.Confidence = flickerNone, "no observable effect"
	case finding.Close:
		j.Confidence = fmt.Sprintf("low risk; no observable effect only above %s", flickerNone)
	default:
		j.Confidence = "high risk"
	}
	j.Limit = float64(limit)
	j.Margin = j.Value/j.Limit - 1
	if j.Verdict != finding.Holds {
		j.Mend = faster(clock)
	}
	return j, true
}

// faster is the slowest setting of an 8-bit timer at the chip's clock that shows no effect: the slower, the less
// of the time goes into edges. A clock of 0 is not known.
func faster(clock unit.Hertz) string {
	for _, prescaler := range []int{64, 8, 1} {
		if f := PWMFrequency(clock, FastPWM, prescaler); f > flickerNone {
			return fmt.Sprintf("switch faster: fast PWM of an 8-bit timer with prescaler %d gives %s at %s", prescaler, f, clock)
		}
	}
	if clock > 0 {
		return fmt.Sprintf("a faster clock: at %s an 8-bit timer gives %s at most", clock, PWMFrequency(clock, FastPWM, 1))
	}
	return fmt.Sprintf("switch faster than %s", flickerNone)
}
