package dcc

import (
	"fmt"
	"sort"

	"fettle/internal/unit"
	"fettle/internal/wave"
)

// A Voltage is the differential track voltage of a signal, with edges of finite steepness: a wave.Wave for the circuit in time.
//
// Every change is a zero crossing, or for a gap the instant at which the voltage reaches zero; between two of them the
// voltage rises in a straight line, stands, and falls in a straight line. Where they are too near for full voltage it turns
// back where the two lines meet. It may be read from several goroutines at once.
type Voltage struct {
	changes            wave.Changes
	positive, negative float64
	ramp               [2]unit.Time
}

// Amplitudes of a track voltage. S-9.1 (2020): 8.5 to 22 V from a station in N, both alike; a station signals braking with
// one lower.
type Amplitudes struct {
	Positive, Negative unit.Volt // both above 0; Negative 0: as Positive
	// Slew is the steepness of an edge in volts per microsecond, 0: a jump. S-9.1 table 2: a station gives at least 2.4, a
	// decoder must do with 2.0 between −4 V and +4 V.
	Slew float64
}

// NewVoltage makes the voltage of the changes, which it keeps.
func NewVoltage(c wave.Changes, a Amplitudes) (*Voltage, error) {
	if a.Negative == 0 {
		a.Negative = a.Positive
	}
	if !(a.Positive > 0 && a.Negative > 0) || !unit.Known(a.Positive) || !unit.Known(a.Negative) {
		return nil, fmt.Errorf("track voltage of %v and −%v: both must be known and above 0", a.Positive, a.Negative)
	}
	if !(a.Slew >= 0) || a.Slew > 0 && float64(max(a.Positive, a.Negative))/a.Slew > 1e6 {
		return nil, fmt.Errorf("edges of %g V/µs: 0 for a jump, or steep enough for full voltage within a second", a.Slew)
	}
	v := &Voltage{changes: c, positive: float64(a.Positive), negative: float64(a.Negative)}
	if a.Slew > 0 {
		v.ramp = [2]unit.Time{
			max(1, unit.Seconds(v.positive/a.Slew*1e-6)), max(1, unit.Seconds(v.negative/a.Slew*1e-6)),
		}
	}
	return v, nil
}

// piece is the stretch between two changes that holds t: its level and ends; none before the first and after the last.
func (v *Voltage) piece(t unit.Time) (i int, level float64, ramp unit.Time) {
	i = sort.Search(len(v.changes.At), func(i int) bool { return v.changes.At[i] > t }) - 1
	if i < 0 {
		return i, 0, 0
	}
	switch v.changes.To[i] {
	case wave.Positive:
		return i, v.positive, v.ramp[0]
	case wave.Negative:
		return i, -v.negative, v.ramp[1]
	}
	return i, 0, 0
}

// At is the voltage at t, left rail minus right: 0 before the first change; from the last on it stays.
func (v *Voltage) At(t unit.Time) float64 {
	i, level, ramp := v.piece(t)
	if level == 0 || ramp == 0 {
		return level
	}
	near := t - v.changes.At[i]
	if i+1 < len(v.changes.At) {
		near = min(near, v.changes.At[i+1]-t)
	}
	if near >= ramp {
		return level
	}
	return level * float64(near) / float64(ramp)
}

// NextBreak is the next corner or jump.
func (v *Voltage) NextBreak(after unit.Time) (unit.Time, bool) {
	i, level, ramp := v.piece(after)
	last := i+1 >= len(v.changes.At)
	if level != 0 && ramp != 0 {
		top, fall := v.changes.At[i]+ramp, v.changes.At[i]+ramp
		if !last {
			next := v.changes.At[i+1]
			fall = next - ramp
			if top > fall { // they meet below full voltage
				top = v.changes.At[i] + (next-v.changes.At[i])/2
				fall = top
			}
		}
		if after < top {
			return top, true
		}
		if after < fall {
			return fall, true
		}
	}
	if last {
		return 0, false
	}
	return v.changes.At[i+1], true
}
