package audit

import (
	"fettle/internal/recording"
	"fettle/internal/unit"
)

// Audited is what an audit found, as numbers; Findings says it.
type Audited struct {
	Resolution  unit.Time
	Begin, End  unit.Time // first and last change
	Changes     int64
	Rules       [ruleCount]Tally
	Ones, Zeros int64 // bits judged
	One, Zero   Extremes
	Difference  Most
	Total       Most
	Halves      [2]Histogram // of judged bits: first and second halves
	Loose       Histogram    // of halves outside packets and preambles
	Direct      Direct
	First       [2]int64 // valid packets whose bits begin with the positive half, with the negative half
	Turned      int64    // how often that changed
	Pace        Pace
	Packets     Packets
	Bursts      []Burst // the first of them
	BurstCount  int64
	Gaps        Gaps
	Sweep       Sweep
	Addresses   []*Followed
	Moment      []Moment         // what was asked for by Settings.At
	About       *recording.About // nil: a source of another kind
	Impression  recording.Impression
	set         Settings
}

func newAudited(s Settings) *Audited {
	o := &Audited{Resolution: s.Resolution, set: s}
	o.One.Extent, o.Zero.Extent = nothing, nothing
	o.Gaps.Begins, o.Gaps.Ends = nothing, nothing
	o.Sweep.begin()
	return o
}
