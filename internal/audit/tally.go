package audit

import (
	"fmt"
	"strings"

	"fettle/internal/unit"
)

// A Rule is something that is judged.
type Rule int

// The rules, in the order in which they are shown.
const (
	StationOne Rule = iota
	StationDifference
	StationZero
	StationTotal
	DecoderOne
	DecoderDifference
	DecoderZero
	Alike
	Undisturbed
	GapInside
	GapEarly
	Preamble
	PreambleService
	Framing
	ErrorByte
	Defined
	Often
	Apart112
	AfterReset
	AfterDecoderReset
	WriteTwice
	ChangeTwice
	ServiceTwice
	ServiceResets
	// Those below are reported and decide nothing.
	Apart
	Reserved
	Preamble17
	Cutout
	ChangeThrice
	ServiceFive
	Start20
	ruleCount
)

// A Place is where a rule was broken.
type Place struct {
	At    unit.Time
	Value int64 // ps, or a count
	In    string
}

const placesKept = 8

// A Tally counts what one rule saw.
type Tally struct {
	Judged int64
	Broken int64 // by more than the recorder's uncertainty
	Near   int64 // by no more than that
	First  []Place
	Last   unit.Time
	Worst  Place // the farthest beyond the limit
	beyond int64
}

// broken notes a place; beyond is how far it is outside, doubt how far it may only seem so.
func (t *Tally) broken(p Place, beyond, doubt int64) {
	if beyond <= doubt {
		t.Near++
	} else {
		t.Broken++
		t.Last = p.At
		if len(t.First) < placesKept {
			t.First = append(t.First, p)
		}
	}
	if beyond > t.beyond || t.Broken+t.Near == 1 {
		t.Worst, t.beyond = p, beyond
	}
}

// clock says an instant of the recording to the microsecond.
func clock(t unit.Time) string {
	sign := ""
	if t < 0 {
		sign, t = "−", -t
	}
	n := int64((t + us/2) / us)
	s := fmt.Sprintf("%s%d.%06d", sign, n/1_000_000, n%1_000_000)
	return strings.TrimSuffix(s, "000") + unit.ThinSpace + "s"
}

func (p Place) String() string {
	if p.In == "" {
		return clock(p.At)
	}
	return clock(p.At) + " (" + p.In + ")"
}

const timesSaid = 4

// where says how often of how many, and lists the first times.
func (t *Tally) where(of int64) string {
	n := t.Broken
	if n+t.Near == 1 && of == 1 {
		return ""
	}
	s := grouped(n)
	if of > n {
		s += " of " + grouped(of)
	}
	if t.Near > 0 {
		s += fmt.Sprintf(", and %s that the recorder's uncertainty leaves open", grouped(t.Near))
	}
	if n == 1 {
		return s
	}
	var at []string
	for _, p := range t.First[:min(timesSaid, len(t.First))] {
		at = append(at, clock(p.At))
	}
	if len(at) > 0 {
		s += ": at " + strings.Join(at, ", ")
	}
	if more := t.Broken - int64(len(at)); more > 0 {
		s += fmt.Sprintf(" and %s more, the last at %s", grouped(more), clock(t.Last))
	}
	return s
}
