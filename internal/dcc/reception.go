package dcc

import (
	"fmt"
	"math"

	"fettle/internal/unit"
)

// An Ending is why a reception ended.
type Ending int8

const (
	EndValid   Ending = iota // end bit, at least three bytes, error byte right
	EndBadXOR                // end bit, the error byte does not fit
	EndFew                   // end bit after one or two bytes
	EndMany                  // a further byte announced after the last one allowed
	EndBadHalf               // a half-bit outside both windows
	EndLost                  // the signal broke off: a gap, or the end of the recording
)

func (e Ending) String() string {
	return [...]string{"valid", "error byte wrong", "too few bytes", "too many bytes", "a half-bit outside both windows",
		"signal lost"}[e]
}

// A Reception is what a receiver made of one start bit after a preamble.
type Reception struct {
	Packet   Packet    // whole bytes received; the receiver overwrites them with the next packet
	Start    unit.Time // first edge of the packet start bit
	End      unit.Time // last edge of the end bit; where it was cut, the edge at which the bad half or the gap began
	Preamble int       // ones in front, counted from the end bit of the packet before (itself counted) where there was one
	Ended    Ending
}

// Settings of a receiver. The zero value is a decoder with the windows of S-9.1, which starts on ten ones.
type Settings struct {
	// One and Zero are the half-bits taken as one and zero. Zero value: 52 … 64 µs and 90 … 10000 µs (DecoderLimits).
	One, Zero Window
	// MinOnes is the least run of ones that may stand in front of a packet, from 9 (eight can run inside a packet). Default 10:
	// fewer must not be accepted (S-9.2 A). The run counts every one, the last ones of an error byte too, as a receiver without
	// a sense of packets does.
	MinOnes int
	// MinOnesAfter is the same directly after a valid packet, counted from its end bit, for an auditor who wants to see
	// the packets that decoders must not accept. Default: MinOnes.
	MinOnesAfter int
	// ClockError e of the receiver, in whole parts per million, within ±50 %: it sees a half-bit of t as t·(1+e).
	ClockError unit.Ratio
	// Advanced receives up to 32 bytes in partitions 253 and 254; otherwise every packet is given up after six.
	Advanced bool
}

const defaultMinOnes = 10

// rules are settings with the defaults filled in.
type rules struct {
	Settings
	ppm int64 // clock error
}

func (s Settings) rules() (rules, error) {
	if s.One == (Window{}) {
		s.One = DecoderLimits.One
	}
	if s.Zero == (Window{}) {
		s.Zero = DecoderLimits.Zero
	}
	if s.MinOnes == 0 {
		s.MinOnes = defaultMinOnes
	}
	if s.MinOnesAfter == 0 {
		s.MinOnesAfter = s.MinOnes
	}
	switch {
	case s.One.Min <= 0 || s.One.Max < s.One.Min || s.Zero.Min <= s.One.Max || s.Zero.Max < s.Zero.Min || s.Zero.Max > longestHalf:
		return rules{}, fmt.Errorf("windows of a receiver: one %v … %v µs, zero %v … %v µs; they must rise, apart, within 1 s",
			micros(s.One.Min), micros(s.One.Max), micros(s.Zero.Min), micros(s.Zero.Max))
	case s.MinOnes <= 8:
		return rules{}, fmt.Errorf("a receiver that starts on %d ones: eight can run inside a packet", s.MinOnes)
	case s.MinOnesAfter < 0:
		return rules{}, fmt.Errorf("a receiver that starts on %d ones after a packet", s.MinOnesAfter)
	case !(math.Abs(float64(s.ClockError)) <= 0.5):
		return rules{}, fmt.Errorf("clock error of a receiver: %g %%, at most ±50 %%", 100*float64(s.ClockError))
	}
	ppm := int64(math.Round(float64(s.ClockError) * million))
	return rules{s, ppm}, nil
}

const (
	million     = 1_000_000
	longestHalf = unit.Second // beyond it a window times a million would not fit
)

// onTrack is the window in track time: the t for which t·(1+e) lies in w.
func (r *rules) onTrack(w Window) Window {
	f := million + r.ppm
	return Window{unit.Time((int64(w.Min)*million + f - 1) / f), unit.Time(int64(w.Max) * million / f)}
}

// micros and seconds are for messages: divided, not multiplied, so that 4.9 s prints as that.
func micros(t unit.Time) float64  { return float64(t) / float64(us) }
func seconds(t unit.Time) float64 { return float64(t) / float64(unit.Second) }

// limit is how many bytes a packet may have that begins with the byte.
func (r *rules) limit(first byte) int {
	if r.Advanced && (first == 0xFD || first == 0xFE) {
		return AdvancedMax
	}
	return PacketMax
}

// ending judges the bytes of a packet that came to its end bit.
func ending(bytes []byte) Ending {
	switch {
	case len(bytes) < PacketMin:
		return EndFew
	case XOR(bytes) != 0:
		return EndBadXOR
	}
	return EndValid
}
