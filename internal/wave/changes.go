package wave

import "fettle/internal/unit"

// A Polarity is the state of a switched signal.
//
// For a track it is the sign of the voltage between the rails (left minus right); for one recorded wire High is
// Positive and Low is Negative.
type Polarity int8

const (
	Negative  Polarity = -1
	None      Polarity = 0 // both rails alike: a gap, a cut-out, no power
	Positive  Polarity = 1
	Uncertain Polarity = 2 // the recording does not say
)

// Changes is a block of a recording: at At[i] the signal becomes To[i]. Times never run backwards, neighbouring
// polarities differ.
type Changes struct {
	At []unit.Time
	To []Polarity
}

// A Source hands a recording on block by block, in memory that does not grow with its length. Next fills c (whose
// slices it may reuse) with at least one change, or returns io.EOF; c is valid until the next call.
type Source interface {
	Next(c *Changes) error
}
