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

// Nominal half-bits of S-9.1 table 1.
const (
	NominalOne  = 58 * us
	NominalZero = 100 * us
)

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

// Framing rules of S-9.2 (2004), section A, and S-9.2.1 (2012).
const (
	PreambleSent    = 14 // ones a command station sends at least
	PreambleService = 20 // the same in service mode (S-9.2.3 E)
	PreambleRefused = 9  // ones on which no decoder may start a packet
	PreambleNeeded  = 12 // ones on which every decoder must
	PacketMin       = 3  // bytes with the error byte
	PacketMax       = 6
	AdvancedMax     = 32 // bytes in partitions 253 and 254 (S-9.2.1.1, from a digest)

	AfterEndBit   = 26 * us               // how long the signal goes on after an end bit (S-9.2 C, note 3)
	SameAddress   = 5 * unit.Millisecond  // end bit to start bit between packets to one decoder (S-9.2 C)
	PacketEvery   = 30 * unit.Millisecond // start bit to start bit: the longest wait for a packet (S-9.2 C)
	CutoutStartTo = 32 * us               // a feedback cut-out starts 26 … 32 µs after the end bit (RCN-217, from a digest)
	CutoutEndFrom = 454 * us              // and ends 454 … 488 µs after it
	CutoutEndTo   = 488 * us
)
