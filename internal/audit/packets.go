package audit

import (
	"fmt"

	"fettle/internal/dcc"
	"fettle/internal/unit"
	"fettle/internal/wave"
)

// Packets are counts of receptions.
type Packets struct {
	Ended   [dcc.EndLost + 1]int64
	First   unit.Time // start bit of the first valid one
	Last    unit.Time // end of the last
	Kinds   []Kind    // different packets, in the order in which they came
	More    int64     // valid packets that are of none of the kinds kept
	kind    map[string]int
	between unit.Time // the longest from start bit to start bit, with nothing lost between
	at      unit.Time
}

// A Kind is one packet, sent many times.
type Kind struct {
	Bytes       dcc.Packet
	Meaning     dcc.Meaning
	Count       int64
	First, Last unit.Time // start bits
}

const kindsKept = 4096

// Packet is the record of one packet.
type Packet struct {
	Start, End unit.Time   // first edge of the start bit; last edge of the end bit
	Preamble   int         // ones in front, the end bit of the packet before counted
	Counted    bool        // the preamble is known to be whole
	Bytes      dcc.Packet  // valid until the next record
	Ended      dcc.Ending  //
	Meaning    dcc.Meaning //
	Service    bool        // taken as an instruction of service mode
	One, Zero  Extent      // halves of the packet
	Difference unit.Time   // the most between the halves of a one
	// A decoder with the windows of the standard gets it with a clock error from Slow to Fast (shares; Slow > Fast: never).
	Slow, Fast float64
}

// Words are what the packet says, or why it says nothing.
func (p *Packet) Words() string { return words(p.Meaning) }

func words(m dcc.Meaning) string {
	if !m.OK() {
		return m.Why()
	}
	return m.Instruction.String()
}

// packet takes a reception that came to its end bit or had too many bytes. At edge mixed a bit begins whose halves are of two
// kinds; it is the end if there is none.
func (p *pass) packet(r *dcc.Reception, start, end, mixed int, counted bool, body *measured) {
	o := p.out
	one, zero := body.one, body.zero
	if mixed < end {
		one, zero = p.halves(start, end)
	}
	heard, m := p.rules.packet(r, counted, mixed < end)
	valid := r.Ended == dcc.EndValid
	if mixed < end {
		p.rules.hold(Alike, Place{At: p.at[mixed], In: fmt.Sprintf("packet % X", []byte(r.Packet))}, r)
	}
	mine := p.follow.wanted(m.Address)
	if valid {
		first := 0
		if p.to[start] == wave.Negative {
			first = 1
		}
		if o.First[0]+o.First[1] > 0 && first != p.first {
			o.Turned++
		}
		o.First[first]++
		p.first = first
		if mine {
			o.Packets.note(r, m)
		}
	}
	run, shortest, longest := p.ones(start)
	if valid && run >= needed { // with fewer no decoder may take it
		p.follow.packet(r, heard, m)
	}
	if !mine {
		return
	}
	o.Packets.Ended[r.Ended]++
	if run > 0 {
		one.add(Extent{shortest, longest})
	}
	if valid {
		o.Sweep.add(r.Start, one, zero, run >= needed)
	}
	if p.set.Packet == nil {
		return
	}
	slow, fast := 1.0, -1.0
	if run >= needed && one.Any() && zero.Any() {
		slow = max(ratio(decoder.One.Min, one.Min), ratio(decoder.Zero.Min, zero.Min))
		fast = min(ratio(decoder.One.Max, one.Max), ratio(decoder.Zero.Max, zero.Max))
	}
	p.record = Packet{
		Start: r.Start, End: r.End, Preamble: r.Preamble, Counted: counted, Bytes: r.Packet, Ended: r.Ended, Meaning: m,
		Service: heard == dcc.Entered || heard == dcc.First || heard == dcc.Acts || heard == dcc.Again,
		One:     body.one, Zero: body.zero, Difference: body.difference, Slow: slow, Fast: fast,
	}
	p.set.Packet(&p.record)
}

func ratio(limit, half unit.Time) float64 { return float64(limit)/float64(half) - 1 }

// halves are the extents of all halves between two edges, for a packet in which bits have halves of two kinds.
func (p *pass) halves(from, to int) (one, zero Extent) {
	one, zero = nothing, nothing
	for i := from; i < to; i++ {
		if t := p.at[i+1] - p.at[i]; t <= split {
			one.add(Extent{t, t})
		} else {
			zero.add(Extent{t, t})
		}
	}
	return one, zero
}

func (k *Packets) note(r *dcc.Reception, m dcc.Meaning) {
	if k.kind == nil {
		k.kind, k.First = map[string]int{}, r.Start
	}
	k.Last = r.End
	if i, ok := k.kind[string(r.Packet)]; ok {
		k.Kinds[i].Count++
		k.Kinds[i].Last = r.Start
		return
	}
	if len(k.Kinds) == kindsKept {
		k.More++
		return
	}
	bytes := append(dcc.Packet(nil), r.Packet...)
	k.kind[string(bytes)] = len(k.Kinds)
	k.Kinds = append(k.Kinds, Kind{bytes, m, 1, r.Start, r.Start})
}

// Valid is how many were valid.
func (k *Packets) Valid() int64 { return k.Ended[dcc.EndValid] }

// Any reports whether anything was received, if only in part.
func (k *Packets) Any() bool {
	for _, n := range k.Ended {
		if n > 0 {
			return true
		}
	}
	return false
}

// noEndBit reports whether a packet with a wrong error byte is a valid one without its end bit: the ones of the next preamble
// were taken for a further byte.
func noEndBit(b dcc.Packet) bool {
	n := len(b) - 1
	return n >= dcc.PacketMin && b[n] == 0xFF && b[:n].Valid()
}
