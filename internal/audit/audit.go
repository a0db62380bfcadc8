// Package audit judges a recording of the track: every half-bit against the windows of the standard, every packet
// against the rules of framing, repetition and spacing, and what a decoder would have made of it.
//
// Standards: NMRA S-9.1 (2020) table 1 for half-bits, S-9.2 (2004) for preamble, framing and spacing, S-9.2.1 (2012) for
// repeats and for what follows a reset, S-9.2.3 (2012) for service mode. Rules that were seen only in a digest (RCN-211, 212,
// 214, 216, 217) are counted and reported; they never decide.
//
// One pass over the changes, in memory that does not grow with the recording. It reads packets with windows that meet halfway
// (40 µs to 75.9 µs is a one, 75.9 µs to 20 ms a zero: 75.9 µs is the geometric middle of the 64 µs and 90 µs at which the
// duty of a decoder ends), so that a packet whose halves are illegal is still read and named. Its halves are judged if they
// belong to a packet that came to its end bit or to the preamble in front of one. Where halves are no bits at all (noise, a
// spark, a gap) that is a disturbance: it is counted once, with what went before it, and the broken packets in it are its
// consequence, not faults of their own.
//
// A recorded time may be off by Settings.Resolution and a half by as much either way: what is beyond a limit by no more is
// close, not a failure. The usual 5 % of the limit does not make anything close here: a nominal one of 58 µs lies 4.9 % below
// its limit.
//
// Not judged: voltages; whether a booster should have been able to do better; what a packet in partitions 253 and 254 says.
//
// Entry points: Audit, Audited.Findings; Settings.Packet for one record a packet.
package audit

import (
	"context"
	"io"
	"slices"

	"fettle/internal/dcc"
	"fettle/internal/unit"
	"fettle/internal/wave"
)

const (
	us = unit.Microsecond
	ms = unit.Millisecond
)

// Settings of an audit. The zero value judges all of it, exact to the picosecond.
type Settings struct {
	// Resolution is how far a recorded time may be off.
	Resolution unit.Time
	// From and To narrow the recording, which is taken as if it began and ended there.
	From, To Instant
	// Addresses narrow packets, states and the sweep of receivers to these and the broadcast. None: all. The rules are
	// judged over everything: what another address is told can break them too.
	Addresses []dcc.Address
	// At asks for the state of the addresses at an instant.
	At Instant
	// Packet is handed every packet of the addresses as it comes; the record is used again. May be nil.
	Packet func(*Packet)
}

// An Instant of a recording, or none.
type Instant struct {
	T   unit.Time
	Set bool
}

// Audit reads a source to its end, or until the context ends. What was read before an error of the source is judged all the same.
func Audit(ctx context.Context, source wave.Source, s Settings) (*Audited, error) {
	p, err := newPass(s)
	if err != nil {
		return nil, err
	}
	var c wave.Changes
	for {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		err := source.Next(&c)
		if err == nil {
			if p.cut(&c) {
				p.block(&c)
			}
			if p.over {
				break
			}
			continue
		}
		if err != io.EOF {
			p.finish()
			return p.out, err
		}
		break
	}
	p.finish()
	return p.out, nil
}

// The windows with which packets are read.
const split = 75_900 * unit.Nanosecond

var reading = dcc.Settings{
	One: dcc.Window{Min: 40 * us, Max: split}, Zero: dcc.Window{Min: split + 1, Max: 20 * ms},
	MinOnes: 10, MinOnesAfter: 3, Advanced: true,
}

func isOne(t unit.Time) bool  { return reading.One.Holds(t) }
func isZero(t unit.Time) bool { return reading.Zero.Holds(t) }

const (
	needed   = 20   // halves of the ten ones that a receiver wants in front of a packet
	look     = 64   // edges kept before what is done with, for the run of ones that began in it
	patience = 8192 // edges that may wait for the end of a packet
	kept     = 2048 // of them kept back: a packet of 32 bytes has 576 halves, and its preamble
)

// A pass is an audit under way.
type pass struct {
	set      Settings
	out      *Audited
	receiver *dcc.Receiver

	// Edges not yet done with, and some before them. At at[i] the signal becomes to[i].
	at   []unit.Time
	to   []wave.Polarity
	done int // edge up to which all is judged: the end of the last reception, as a rule
	// whole: a packet that came to its end bit ends at done, and ones are counted from there. Else what lies before done
	// could not be read.
	whole bool
	over  bool // Settings.To is past
	first int  // index into Audited.First of the last valid packet

	rules  rules
	follow follower
	record Packet
}

func newPass(s Settings) (*pass, error) {
	r, err := dcc.NewReceiver(reading)
	if err != nil {
		return nil, err
	}
	p := &pass{set: s, receiver: r, out: newAudited(s)}
	p.rules = newRules(p.out)
	p.follow = newFollower(s, p.out)
	return p, nil
}

// cut narrows a block to Settings.From and To, and reports whether anything is left.
func (p *pass) cut(c *wave.Changes) bool {
	if p.set.From.Set {
		n, _ := slices.BinarySearch(c.At, p.set.From.T)
		c.At, c.To = c.At[n:], c.To[n:]
	}
	if p.set.To.Set {
		n, _ := slices.BinarySearch(c.At, p.set.To.T+1)
		p.over = n < len(c.At)
		c.At, c.To = c.At[:n], c.To[:n]
	}
	return len(c.At) > 0
}

func (p *pass) block(c *wave.Changes) {
	if from := p.done - look; from > 0 {
		p.at = p.at[:copy(p.at, p.at[from:])]
		p.to = p.to[:copy(p.to, p.to[from:])]
		p.done -= from
	}
	if p.out.Changes == 0 {
		p.out.Begin = c.At[0]
		p.out.Pace.begin(c.At[0])
	}
	p.at, p.to = append(p.at, c.At...), append(p.to, c.To...)
	p.out.Changes += int64(len(c.At))
	p.out.End = c.At[len(c.At)-1]
	p.receiver.Changes(c, p.reception)
	if n := len(p.at); n-p.done > patience {
		p.unread(n - kept)
	}
}

// finish takes what is left.
func (p *pass) finish() {
	if len(p.at) > 0 {
		p.whole = false // what begins now and does not end is a packet under way
		p.unread(len(p.at) - 1)
	}
	p.rules.finish(p.out.End)
	p.follow.finish()
}

// find is the edge at t, from done on.
func (p *pass) find(t unit.Time) int {
	n, _ := slices.BinarySearch(p.at[p.done:], t)
	return p.done + n
}

// reception takes what the receiver made of a start bit.
func (p *pass) reception(r *dcc.Reception) {
	start, end := p.find(r.Start), p.find(r.End)
	// Ones from the end bit to the start bit and nothing else: the ordinary case.
	counted := p.whole && start-p.done == 2*(r.Preamble-1)
	if !counted {
		p.unread(p.lead(start))
	}
	front, _ := measure(p.at[p.done:start+1], &p.out.Halves)
	if r.Ended == dcc.EndBadHalf || r.Ended == dcc.EndLost {
		p.judge(p.done, start, &front)
		p.done, p.whole = start, false
		p.rules.cut(r)
		p.unread(end)
		return
	}
	body, whole := measure(p.at[start:end+1], &p.out.Halves)
	all := front
	all.add(&body)
	p.judge(p.done, start+whole, &all)
	p.out.Pace.add(r.End, &all)
	p.packet(r, start, end, start+whole, counted, &body)
	p.done, p.whole = start+whole, false
	p.unread(end) // behind a bit with halves of two kinds
	p.whole = start+whole == end && (r.Ended == dcc.EndValid || r.Ended == dcc.EndBadXOR && !noEndBit(r.Packet))
}

// lead says which half is the first of the preamble that is judged, where something other than ones stands between the last
// packet and a start bit. What follows noise or a gap may be the rest of a half, so that a whole bit is left out.
func (p *pass) lead(start int) int {
	run := start
	for run > p.done && p.half(run-1) && isOne(p.at[run]-p.at[run-1]) {
		run--
	}
	return min(start-(start-run)/2*2+2, start)
}

// half reports whether the signal is there from edge i to the next.
func (p *pass) half(i int) bool { return there(p.to[i]) && there(p.to[i+1]) }

func there(x wave.Polarity) bool { return x == wave.Positive || x == wave.Negative }

// ones is the run of halves of ones in front of a start bit, as far as a receiver wants them.
func (p *pass) ones(start int) (n int, shortest, longest unit.Time) {
	shortest = reading.One.Max
	for n < needed && n < start && p.half(start-n-1) {
		t := p.at[start-n] - p.at[start-n-1]
		if !isOne(t) {
			break
		}
		shortest, longest = min(shortest, t), max(longest, t)
		n++
	}
	return n, shortest, longest
}

// cutout looks for a feedback cut-out behind an end bit on a single wire, where it is a level that stays: either the first half
// after the end bit falls short and the next lasts to the end of the cut-out, or that first half goes on through it and through the
// first half of the one behind it. It says at which edge that ends.
func (p *pass) cutout(to int) int {
	i, r := p.done, p.set.Resolution
	if !p.whole || i >= to || !p.half(i) {
		return i
	}
	begins := p.at[i+1] - p.at[i]
	within := func(t unit.Time, w dcc.Window) bool { return t >= w.Min-r && t <= w.Max+r }
	switch {
	case within(begins, dcc.Window{Min: dcc.CutoutEnds.Min + station.One.Min, Max: dcc.CutoutEnds.Max + station.One.Max}):
		p.rules.inferred(begins - dcc.NominalOne)
		return i + 1
	case within(begins, dcc.CutoutBegins) && i+1 < to && p.half(i+1) && within(p.at[i+2]-p.at[i], dcc.CutoutEnds):
		p.rules.gap(p.at[i+1], p.at[i+2], false, true, begins)
		p.out.Gaps.Inferred++
		return i + 2
	}
	return i
}

// unread takes the halves up to edge to that are part of no packet. It looks for halves that are none and for gaps.
func (p *pass) unread(to int) {
	ones, zeros, odd := 0, 0, false
	cutout := p.cutout(to) // its halves are none
	for i := p.done; i < to; i++ {
		from, until := p.at[i], p.at[i+1]
		if !there(p.to[i]) {
			odd = true
			p.rules.gap(from, until, p.to[i] == wave.Uncertain, p.whole && zeros == 0, from-p.at[p.done])
			continue
		}
		p.out.Direct.add(polar(p.to[i])*(until-from), until-from, until)
		if !there(p.to[i+1]) {
			continue
		}
		t := until - from
		p.out.Loose.Bins[bin(t)]++
		switch {
		case i < cutout:
			odd = true
		case isOne(t):
			if zeros == 0 {
				ones++
			}
		case isZero(t):
			zeros++
		case t < reading.One.Min && i > 0 && !there(p.to[i-1]):
			odd = true // the rest of a half, after a gap
		default:
			odd = true
			p.rules.disturbed(from, until)
		}
	}
	if p.whole && zeros > 1 && !odd {
		p.rules.unstarted(p.at[p.done], ones/2+1)
	}
	if to > p.done {
		p.done, p.whole = to, false
	}
}
