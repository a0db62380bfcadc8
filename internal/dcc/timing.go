package dcc

import "fettle/internal/unit"

// A Window is a span of half-bit lengths; both ends lie in it.
type Window struct{ Min, Max unit.Time }

// Holds reports whether the length lies in the window.
func (w Window) Holds(t unit.Time) bool { return w.Min <= t && t <= w.Max }

// Limits are the windows of one side of the track, NMRA S-9.1 (2020), table 1; NEM 670 (2013), sections 2.1 and 2.2, has the
// same numbers. A half-bit is the time between two zero crossings.
type Limits struct {
	One           Window
	OneDifference unit.Time // the most by which the halves of a one may differ
	Zero          Window
	ZeroTotal     unit.Time // the most that both halves of a zero may last together; 0: not stated
	Source        string
}

const us = unit.Microsecond

// StationLimits are what a command station may send. Its nominal one is 58 µs, its zero at least 100 µs.
var StationLimits = Limits{
	One: Window{55 * us, 61 * us}, OneDifference: 3 * us,
	Zero: Window{95 * us, 9900 * us}, ZeroTotal: 12000 * us,
	Source: "NMRA S-9.1 (2020), table 1, command station",
}

// DecoderLimits are what a decoder must accept. Between its windows the standard is silent: a decoder may take such a half as
// either or drop it.
var DecoderLimits = Limits{
	One: Window{52 * us, 64 * us}, OneDifference: 6 * us,
	Zero:   Window{90 * us, 10000 * us},
	Source: "NMRA S-9.1 (2020), table 1, decoder",
}

// A Half is what the length of one half-bit makes of it.
type Half int8

const (
	ZeroHalf    Half = iota
	OneHalf          // in the window of a one
	BetweenHalf      // longer than a one, shorter than a zero
	ShortHalf        // shorter than a one
	LongHalf         // longer than a zero
)

func (h Half) String() string {
	return [...]string{"zero", "one", "between one and zero", "too short", "too long"}[h]
}

// Half classifies one half-bit.
func (l Limits) Half(t unit.Time) Half {
	switch {
	case t < l.One.Min:
		return ShortHalf
	case t <= l.One.Max:
		return OneHalf
	case t < l.Zero.Min:
		return BetweenHalf
	case t <= l.Zero.Max:
		return ZeroHalf
	}
	return LongHalf
}

// Spacing rules.
const (
	AfterEndBit = 26 * us               // how long the signal goes on after an end bit (S-9.2 C, note 3)
	SameAddress = 5 * unit.Millisecond  // end bit to start bit between packets to one decoder (S-9.2 C)
	PacketEvery = 30 * unit.Millisecond // start bit to start bit: the longest wait for a packet (S-9.2 C)
)

// A feedback cut-out, times from the last edge of the end bit (RCN-217, seen in a digest).
var (
	CutoutBegins = Window{26 * us, 32 * us}
	CutoutEnds   = Window{454 * us, 488 * us}
)
