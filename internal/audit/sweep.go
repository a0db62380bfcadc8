package audit

import (
	"math"
	"sort"

	"fettle/internal/dcc"
	"fettle/internal/unit"
)

// The clock errors of a sweep, from −15 % to 15 %.
const (
	SweepStep   = 1000    // ppm
	SweepMax    = 150_000 // ppm
	SweepPoints = 2*SweepMax/SweepStep + 1
	nominal     = SweepMax / SweepStep // index of no error
	million     = 1_000_000
)

// SampleAfter is when a receiver of a single sample looks at the level: the geometric middle of 64 µs and 90 µs.
const SampleAfter = split

// A Sweep is what receivers with a wrong clock make of the packets, all in the one pass: of every packet the clock errors are
// known at which each half of it, and of ten ones in front of it, stays where the receiver wants it. A receiver with error e
// sees a half of t as t·(1+e).
type Sweep struct {
	Packets int64 // with a fitting error byte
	Windows Curve // with the windows that the standard asks of a decoder
	Sample  Curve // that looks at the level once after every edge, at SampleAfter
}

// A Curve is one kind of receiver.
type Curve struct {
	steps      [SweepPoints + 1]int64 // receivers from here on that get a packet more or less
	Slow, Fast Edge                   // where the first packet is lost that a right clock gets
	Never      int64                  // packets that no clock gets
}

// An Edge is the least clock error at which a packet is lost, and by which half.
type Edge struct {
	Error float64   // share; ±Inf: at none
	At    unit.Time // start bit of the packet
	Half  unit.Time
	Limit unit.Time // that it crosses
	Zero  bool
}

// ErrorAt is the clock error of a point.
func ErrorAt(i int) float64 { return float64(i*SweepStep-SweepMax) / million }

// Lost is how many packets are lost at every point.
func (c *Curve) Lost(packets int64) (lost [SweepPoints]int64) {
	got := int64(0)
	for i := range lost {
		got += c.steps[i]
		lost[i] = packets - got
	}
	return lost
}

func (s *Sweep) begin() {
	for _, c := range []*Curve{&s.Windows, &s.Sample} {
		c.Slow.Error, c.Fast.Error = math.Inf(-1), math.Inf(1)
	}
}

// windowsAt are the windows of a decoder in track time at every point, rounded inwards as dcc.Receiver rounds them.
var windowsAt = func() (w [SweepPoints][2]dcc.Window) {
	for i := range w {
		f := int64(million + i*SweepStep - SweepMax)
		for k, d := range [2]dcc.Window{dcc.DecoderLimits.One, dcc.DecoderLimits.Zero} {
			w[i][k] = dcc.Window{Min: unit.Time((int64(d.Min)*million + f - 1) / f), Max: unit.Time(int64(d.Max) * million / f)}
		}
	}
	return w
}()

// samplesAt is SampleAfter in track time at every point, rounded down: what is longer is a zero.
var samplesAt = func() (t [SweepPoints]unit.Time) {
	for i := range t {
		t[i] = unit.Time(int64(SampleAfter) * million / int64(million+i*SweepStep-SweepMax))
	}
	return t
}()

// add takes a packet: the extents of its halves and of the ten ones in front, which may be fewer.
func (s *Sweep) add(at unit.Time, one, zero Extent, enough bool) {
	s.Packets++
	if !enough || !one.Any() || !zero.Any() {
		s.Windows.Never++
		s.Sample.Never++
		return
	}
	// From low on the shortest halves are long enough, up to high the longest are short enough.
	low := sort.Search(SweepPoints, func(i int) bool { return one.Min >= windowsAt[i][0].Min && zero.Min >= windowsAt[i][1].Min })
	high := sort.Search(SweepPoints, func(i int) bool { return one.Max > windowsAt[i][0].Max || zero.Max > windowsAt[i][1].Max }) - 1
	if s.Windows.between(low, high) {
		s.Windows.Slow.nearer(-1, at, one.Min, decoder.One.Min, zero.Min, decoder.Zero.Min)
		s.Windows.Fast.nearer(1, at, one.Max, decoder.One.Max, zero.Max, decoder.Zero.Max)
	}
	low = sort.Search(SweepPoints, func(i int) bool { return zero.Min > samplesAt[i] })
	high = sort.Search(SweepPoints, func(i int) bool { return one.Max > samplesAt[i] }) - 1
	if s.Sample.between(low, high) {
		s.Sample.Slow.nearer(-1, at, math.MaxInt64, 0, zero.Min, SampleAfter)
		s.Sample.Fast.nearer(1, at, one.Max, SampleAfter, 0, 1)
	}
}

// between notes that the receivers from low to high get a packet, and reports whether the one with a right clock does.
func (c *Curve) between(low, high int) bool {
	if low > high {
		c.Never++
		return false
	}
	c.steps[low]++
	c.steps[high+1]--
	return low <= nominal && nominal <= high
}

// nearer keeps the error next to 0 at which a half reaches its limit.
func (e *Edge) nearer(side float64, at, one, oneLimit, zero, zeroLimit unit.Time) {
	for k, half := range [2]unit.Time{one, zero} {
		limit := [2]unit.Time{oneLimit, zeroLimit}[k]
		if half == 0 || limit == 0 {
			continue
		}
		if at0 := float64(limit)/float64(half) - 1; side*at0 < side*e.Error {
			*e = Edge{Error: at0, At: at, Half: half, Limit: limit, Zero: k == 1}
		}
	}
}
