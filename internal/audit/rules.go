package audit

import (
	"bytes"
	"cmp"
	"fmt"
	"maps"
	"slices"

	"fettle/internal/dcc"
	"fettle/internal/unit"
)

// A Burst is a stretch of halves that are no bits.
type Burst struct {
	From, To          unit.Time
	Halves            int64 // that are none
	Shortest, Longest unit.Time
	Before            dcc.Packet // the last valid packet in front of it; nil: none
	BeforeEnd         unit.Time
	Cut               bool      // a packet was being sent when it began
	After             unit.Time // start bit of the next valid packet; 0: none
}

const (
	burstsKept = 12
	burstApart = 5 * ms // halves farther apart belong to two
	longGap    = 500 * ms
	settled    = unit.Second // from either end of the recording, for what may have been sent before or after it
)

// Gaps are the times without any signal.
type Gaps struct {
	Count     int64
	Unclear   int64 // in which the recording does not say
	Longest   unit.Time
	LongestAt unit.Time
	Cutouts   int64  // that begin and end as a feedback cut-out does
	Inferred  int64  // of all: from a level that stays, on a single wire
	Begins    Extent // of gaps after an end bit, from its last edge
	Ends      Extent
}

// rules holds packets against the rules of S-9.2, S-9.2.1 and S-9.2.3.
type rules struct {
	out         *Audited
	programming dcc.Programming
	known       bool // whether it is operations or service mode

	last      dcc.Packet // valid
	lastStart unit.Time
	lastEnd   unit.Time
	any       bool
	losses    int64 // bad receptions, bursts and gaps so far
	lossAt    int64 // losses when the last valid packet came

	cutAt     unit.Time // where a packet was lost for want of signal
	cutting   bool
	cutPacket bool
	burst     Burst
	inBurst   bool
	held      []held

	ended     map[dcc.Address]unit.Time
	reset     unit.Time // last reset packet; valid if wasReset
	wasReset  bool
	sinceInit int // packets since any decoder reset
	candidate []held
	suspect   dcc.Packet // the service-like packet that the candidates are about
	resets    int        // reset packets in a row, up to now
	service   serviceRun
	writes    map[dcc.Address]*write
	changes   map[change]*sent
	start     start
}

// A held breach waits: a disturbance next to it would explain it.
type held struct {
	rule  Rule
	place Place
	until unit.Time
}

type serviceRun struct {
	packet   dcc.Packet
	times    int
	at       unit.Time
	losses   int64
	acted    bool // something was done since service mode was entered
	resets   int  // in front
	preamble []int
	counted  []bool
}

type write struct {
	instruction dcc.Instruction
	times       int
	at          unit.Time
	losses      int64
}

type change struct {
	address dcc.Address
	op      dcc.Op
	first   uint16
}

type sent struct {
	value  uint32
	times  int
	at     unit.Time
	last   unit.Time
	losses int64
	change bool // the value before it is known and was another
	rule   Rule
	want   int
	say    dcc.Instruction
}

// start follows what a system sends first: 20 resets and 10 idles.
type start struct {
	resets, idles int
	done          bool
	at            unit.Time
}

func newRules(o *Audited) rules {
	return rules{
		out: o, sinceInit: 10, ended: map[dcc.Address]unit.Time{}, writes: map[dcc.Address]*write{}, changes: map[change]*sent{},
		start: start{done: true},
	}
}

// cut is a reception that a bad half or the loss of the signal ended.
func (x *rules) cut(r *dcc.Reception) {
	x.losses++
	x.out.Packets.Ended[r.Ended]++
	x.cutPacket = true
	if r.Ended == dcc.EndLost {
		x.cutting, x.cutAt = true, r.End
	}
}

// gap is a time without signal. after says that nothing but ones, lasting since, lies between it and the end of a packet.
func (x *rules) gap(from, until unit.Time, unclear, after bool, since unit.Time) {
	g := &x.out.Gaps
	inside := x.cutting && x.cutAt == from
	x.cutting, x.cutPacket = false, false
	if unclear {
		g.Unclear++
		x.losses++
		return
	}
	long := until - from
	g.Count++
	if long > g.Longest {
		g.Longest, g.LongestAt = long, from
	}
	if long >= longGap {
		x.start = start{at: until}
	}
	switch {
	case inside:
		x.losses++
		x.out.Rules[GapInside].broken(Place{At: from, Value: int64(long), In: "in a packet"}, 1, 0)
	case after && since > dcc.CutoutBegins.Max+dcc.NominalOne:
		x.out.Rules[GapInside].broken(Place{At: from, Value: int64(long), In: "in a preamble"}, 1, 0)
	case after:
		begins, ends := since, since+long
		g.Begins.add(Extent{begins, begins})
		g.Ends.add(Extent{ends, ends})
		if dcc.CutoutBegins.Holds(begins) && dcc.CutoutEnds.Holds(ends) {
			g.Cutouts++
		}
		if ends > dcc.CutoutEnds.Max {
			x.losses++
		}
		x.out.Rules[GapEarly].Judged++
		if begins < dcc.AfterEndBit {
			x.out.Rules[GapEarly].broken(Place{At: from, Value: int64(begins)}, int64(dcc.AfterEndBit-begins), int64(x.out.Resolution))
		}
	default:
		x.losses++
	}
}

// inferred is a cut-out of which only the end is seen, so long after the end bit.
func (x *rules) inferred(ends unit.Time) {
	g := &x.out.Gaps
	g.Count++
	g.Inferred++
	g.Cutouts++
	g.Ends.add(Extent{ends, ends})
}

// disturbed is a half that is no bit.
func (x *rules) disturbed(from, until unit.Time) {
	x.losses++
	b := &x.burst
	if x.inBurst && from-b.To <= burstApart {
		b.To = until
		b.Halves++
		b.Shortest, b.Longest = min(b.Shortest, until-from), max(b.Longest, until-from)
		b.Cut = b.Cut || x.cutPacket
		b.After, x.cutPacket = 0, false
		return
	}
	x.closeBurst()
	x.inBurst = true
	*b = Burst{From: from, To: until, Halves: 1, Shortest: until - from, Longest: until - from, Cut: x.cutPacket}
	x.cutPacket = false
	if x.any {
		b.Before, b.BeforeEnd = append(dcc.Packet(nil), x.last...), x.lastEnd
	}
	x.release(from, true)
}

func (x *rules) closeBurst() {
	if !x.inBurst {
		return
	}
	x.inBurst = false
	x.out.BurstCount++
	b := x.burst
	x.out.Rules[Undisturbed].broken(Place{At: b.From, Value: int64(b.To - b.From)}, int64(b.To-b.From), -1)
	if len(x.out.Bursts) < burstsKept {
		x.out.Bursts = append(x.out.Bursts, b)
	}
}

// hold keeps a breach until it is clear that no disturbance explains it.
func (x *rules) hold(rule Rule, place Place, r *dcc.Reception) {
	if x.inBurst && r.Start-x.burst.To <= burstApart {
		return
	}
	x.held = append(x.held, held{rule: rule, place: place, until: r.End + burstApart})
}

// release decides about what is held: a disturbance that begins explains it, else its time runs out.
func (x *rules) release(now unit.Time, disturbed bool) {
	if len(x.held) == 0 {
		return
	}
	left := x.held[:0]
	for _, h := range x.held {
		switch {
		case now > h.until:
			x.out.Rules[h.rule].broken(h.place, 1, 0)
		case !disturbed:
			left = append(left, h)
		}
	}
	x.held = left
}

// unstarted is data behind a packet with so few ones between that no packet begins.
func (x *rules) unstarted(end unit.Time, ones int) {
	x.losses++
	for i := range x.held { // a wrong error byte, and data go on at once: a start bit that is 1
		if h := &x.held[i]; h.rule == ErrorByte && h.until == end+burstApart && ones <= 2 {
			h.rule = Framing
			h.place.In = "a byte start bit is 1, or bytes follow the end bit"
			return
		}
	}
	x.out.Rules[Preamble].Judged++
	x.out.Rules[Preamble].broken(Place{At: end, Value: int64(ones), In: "no packet begins"}, int64(dcc.PreambleOperations-ones), 0)
}

// packet takes a reception that was not cut and says what it is.
func (x *rules) packet(r *dcc.Reception, counted, mixed bool) (dcc.Heard, dcc.Meaning) {
	o := x.out
	x.cutPacket = false
	x.release(r.Start, false)
	for _, k := range []Rule{Alike, Framing, ErrorByte} {
		o.Rules[k].Judged++
	}
	heard, m := x.programming.Hear(r.Packet, r.End)
	if x.inBurst {
		if r.Ended == dcc.EndValid && x.burst.After == 0 {
			x.burst.After = r.Start
		}
		if x.burst.After != 0 && r.Start-x.burst.To > burstApart {
			x.closeBurst()
		}
	}
	switch {
	case mixed || r.Ended == dcc.EndValid: // unlike halves are the cause of whatever follows
	case r.Ended == dcc.EndBadXOR:
		if noEndBit(r.Packet) {
			x.hold(Framing, Place{At: r.Start, In: "end bit missing: " + words(dcc.Decode(r.Packet[:len(r.Packet)-1], dcc.Context{}))}, r)
		} else {
			x.hold(ErrorByte, Place{At: r.Start, In: fmt.Sprintf("% X: %s", []byte(r.Packet), m.Why())}, r)
		}
	default:
		x.hold(Framing, Place{At: r.Start, In: fmt.Sprintf("% X: %s", []byte(r.Packet), r.Ended)}, r)
	}
	if counted {
		o.Rules[Preamble].Judged++
		if r.Preamble < dcc.PreambleOperations {
			o.Rules[Preamble].broken(Place{At: r.Start, Value: int64(r.Preamble), In: words(m) + ": " + duty(r.Preamble)}, int64(dcc.PreambleOperations-r.Preamble), 0)
		}
		o.Rules[Preamble17].Judged++
		if r.Preamble < preambleRCN {
			o.Rules[Preamble17].broken(Place{At: r.Start, Value: int64(r.Preamble)}, int64(preambleRCN-r.Preamble), 0)
		}
	}
	if r.Ended != dcc.EndValid {
		x.losses++
		return heard, m
	}
	x.valid(r, heard, m, counted)
	return heard, m
}

// duty is what a decoder has to do with a packet behind so few ones (S-9.2 A).
func duty(ones int) string {
	switch {
	case ones <= dcc.PreambleRefused:
		return "no decoder may take it"
	case ones < dcc.PreambleEnough:
		return "a decoder may take it or not"
	}
	return "every decoder must take it all the same"
}

// preambleRCN is what RCN-211 asks of a station (seen in a digest).
const preambleRCN = 17

func (x *rules) valid(r *dcc.Reception, heard dcc.Heard, m dcc.Meaning, counted bool) {
	o := x.out
	lost := x.losses != x.lossAt
	if x.any && !lost {
		o.Rules[Often].Judged++
		d := r.Start - x.lastStart
		if d > o.Packets.between {
			o.Packets.between, o.Packets.at = d, x.lastStart
		}
		if d > dcc.PacketEvery {
			o.Rules[Often].broken(Place{At: x.lastStart, Value: int64(d)}, int64(d-dcc.PacketEvery), int64(o.Resolution))
		}
	}
	serviceLike := r.Packet[0]&0xF0 == 0x70
	if !serviceLike {
		x.known = true
	}
	inService := heard == dcc.Entered || heard == dcc.First || heard == dcc.Acts || heard == dcc.Again
	x.suspects(r, heard, lost)
	x.follow(r, heard, m, counted, inService, lost)
	x.system(r, m)

	if x.known || !serviceLike {
		x.defined(r, m)
		x.afterReset(r, serviceLike, m)
		if !inService {
			x.spacing(r, m)
			x.repeats(r, m)
		}
	}

	reset := m.OK() && m.Instruction.Op == dcc.OpReset
	x.sinceInit++
	if reset {
		x.sinceInit = 0
	}
	if reset && m.Address.Kind == dcc.All {
		x.reset, x.wasReset = r.End, true
		x.resets++
	} else {
		x.resets = 0
	}
	x.last = append(x.last[:0], r.Packet...)
	x.lastStart, x.lastEnd, x.any, x.lossAt = r.Start, r.End, true, x.losses
}

// suspects decides about bans broken by what could be the first packet of service mode: it is if it comes again.
func (x *rules) suspects(r *dcc.Reception, heard dcc.Heard, lost bool) {
	if len(x.candidate) == 0 {
		return
	}
	if !lost && !bytes.Equal(r.Packet, x.suspect) {
		for _, h := range x.candidate {
			x.out.Rules[h.rule].broken(h.place, 1, 0)
		}
	}
	x.candidate = x.candidate[:0]
}

func (x *rules) defined(r *dcc.Reception, m dcc.Meaning) {
	rule := Defined
	switch m.Fault {
	case dcc.NoFault:
		x.out.Rules[Defined].Judged++
		return
	case dcc.BadIdle:
	default:
		rule = Reserved
	}
	x.out.Rules[rule].Judged++
	x.out.Rules[rule].broken(Place{At: r.Start, In: fmt.Sprintf("% X: %s", []byte(r.Packet), m.Why())}, 1, 0)
}

// afterReset is the two bans: for 20 ms and for 10 packets no first byte that service mode uses.
func (x *rules) afterReset(r *dcc.Reception, serviceLike bool, m dcc.Meaning) {
	first := r.Packet[0]
	note := func(rule Rule, place Place) {
		x.out.Rules[rule].Judged++
		if serviceLike {
			x.candidate = append(x.candidate, held{rule: rule, place: place})
			x.suspect = append(x.suspect[:0], r.Packet...)
			return
		}
		x.out.Rules[rule].broken(place, 1, 0)
	}
	if serviceLike && (x.service.acted || bytes.Equal(r.Packet, x.last)) {
		return // the second of a pair: service mode is meant
	}
	if since := r.Start - x.reset; x.wasReset && first >= 100 && first <= 127 && since < afterResetQuiet-x.out.Resolution {
		note(AfterReset, Place{At: r.Start, Value: int64(since), In: words(m)})
	}
	if serviceLike && x.sinceInit < afterResetPackets {
		note(AfterDecoderReset, Place{At: r.Start, Value: int64(x.sinceInit), In: words(m)})
	}
}

const (
	afterResetQuiet   = 20 * ms // S-9.2 B
	afterResetPackets = 10      // packet times, S-9.2.1 C: counted in packets
)

// spacing is the time between packets to one address, end bit to start bit.
func (x *rules) spacing(r *dcc.Reception, m dcc.Meaning) {
	a := m.Address
	if a.Kind == dcc.Nobody || a.Kind == dcc.All {
		return
	}
	if end, ok := x.ended[a]; ok {
		rule := Apart
		if a.Kind == dcc.Short && a.Number >= 112 {
			rule = Apart112
		}
		x.out.Rules[rule].Judged++
		if d := r.Start - end; d < dcc.SameAddress {
			x.out.Rules[rule].broken(Place{At: r.Start, Value: int64(d), In: words(m)}, int64(dcc.SameAddress-d), int64(x.out.Resolution))
		}
	}
	x.ended[a] = r.End
}

// repeats is how often writes and changes are sent.
func (x *rules) repeats(r *dcc.Reception, m dcc.Meaning) {
	if !m.OK() {
		return
	}
	i, a := m.Instruction, m.Address
	if a.Kind == dcc.All && len(x.writes) > 0 {
		for _, b := range x.writing() {
			if b.Multifunction() {
				x.written(b)
			}
		}
	}
	if w := x.writes[a]; w != nil {
		if i == w.instruction {
			w.times++
		} else {
			x.written(a)
		}
	}
	if (i.Op == dcc.OpCV || i.Op == dcc.OpAccessoryCV) && i.Access.Writes() && x.writes[a] == nil {
		x.writes[a] = &write{instruction: i, times: 1, at: r.Start, losses: x.losses}
	}
	key, value := change{address: a, op: i.Op}, uint32(0)
	rule, want := ChangeThrice, 3
	switch i.Op {
	case dcc.OpFunctions:
		if i.Functions.First < 13 {
			return
		}
		key.first, value = uint16(i.Functions.First), i.Functions.On
		if i.Functions.First < 29 {
			rule, want = ChangeTwice, 2
		}
	case dcc.OpState, dcc.OpStateLong:
		key.first = i.Number
		if i.On {
			value = 1
		}
	default:
		return
	}
	s := x.changes[key]
	if s != nil && s.value == value {
		s.times++
		s.last = r.Start
		return
	}
	if s != nil {
		x.changed(s, r.Start)
	}
	x.changes[key] = &sent{value: value, times: 1, at: r.Start, last: r.Start, losses: x.losses, change: s != nil, rule: rule, want: want, say: i}
}

// writing is the addresses with a run of writes, the first begun first.
func (x *rules) writing() []dcc.Address {
	return slices.SortedFunc(maps.Keys(x.writes), func(a, b dcc.Address) int { return cmp.Compare(x.writes[a].at, x.writes[b].at) })
}

// written ends a run of identical writes.
func (x *rules) written(a dcc.Address) {
	w := x.writes[a]
	delete(x.writes, a)
	if w.times == 1 && w.losses != x.losses {
		return // its twin may have been lost
	}
	x.out.Rules[WriteTwice].Judged++
	if w.times == 1 {
		x.out.Rules[WriteTwice].broken(Place{At: w.at, Value: 1, In: w.instruction.String()}, 1, 0)
	}
}

// changed ends a run of identical values at an instant. What came first in the recording may have been sent before it.
func (x *rules) changed(s *sent, now unit.Time) {
	if s.times < s.want && (s.losses != x.losses || !s.change && s.at-x.out.Begin < settled) {
		return
	}
	x.out.Rules[s.rule].Judged++
	if s.times < s.want {
		x.out.Rules[s.rule].broken(Place{At: s.at, Value: int64(s.times), In: s.say.String()}, int64(s.want-s.times), 0)
	}
}

// follow follows service mode: its preambles, resets and repeats.
func (x *rules) follow(r *dcc.Reception, heard dcc.Heard, m dcc.Meaning, counted, in, lost bool) {
	s := &x.service
	if !in {
		x.served()
		s.acted = false
		return
	}
	if heard == dcc.Entered {
		s.acted, s.resets = false, x.resets
	}
	if !bytes.Equal(s.packet, r.Packet) {
		x.served()
		s.packet, s.times, s.at, s.losses = append(s.packet[:0], r.Packet...), 0, r.Start, x.losses
		s.preamble, s.counted = s.preamble[:0], s.counted[:0]
	}
	s.times++
	if heard == dcc.Entered || heard == dcc.First {
		s.preamble, s.counted = append(s.preamble, r.Preamble), append(s.counted, counted)
		return
	}
	judge := func(preamble int, counted bool, at unit.Time) {
		if !counted {
			return
		}
		x.out.Rules[PreambleService].Judged++
		if preamble < dcc.PreambleService {
			x.out.Rules[PreambleService].broken(Place{At: at, Value: int64(preamble), In: words(m)}, int64(dcc.PreambleService-preamble), 0)
		}
	}
	if !s.acted && s.resets > 0 {
		x.out.Rules[ServiceResets].Judged++
		if s.resets < serviceResets && s.losses == x.losses {
			x.out.Rules[ServiceResets].broken(Place{At: s.at, Value: int64(s.resets), In: words(m)}, int64(serviceResets-s.resets), 0)
		}
	}
	s.acted = true
	for k, n := range s.preamble {
		judge(n, s.counted[k], s.at)
	}
	s.preamble, s.counted = s.preamble[:0], s.counted[:0]
	judge(r.Preamble, counted, r.Start)
}

const (
	serviceResets  = 3 // S-9.2.3 E
	servicePackets = 5 // stopping early on an acknowledgement, which is not in the signal
)

// served ends a run of identical packets of service mode.
func (x *rules) served() {
	s := &x.service
	if s.times == 0 {
		return
	}
	place := Place{At: s.at, Value: int64(s.times), In: words(dcc.Decode(s.packet, dcc.Context{Service: true}))}
	if s.losses == x.losses && (s.times > 1 || s.acted) {
		x.out.Rules[ServiceTwice].Judged++
		x.out.Rules[ServiceFive].Judged++
		switch {
		case s.times == 1:
			x.out.Rules[ServiceTwice].broken(place, 1, 0)
		case s.times < servicePackets:
			x.out.Rules[ServiceFive].broken(place, int64(servicePackets-s.times), 0)
		}
	}
	s.times, s.packet = 0, s.packet[:0]
}

// system follows what comes first after a long time without signal.
func (x *rules) system(r *dcc.Reception, m dcc.Meaning) {
	s := &x.start
	if s.done {
		return
	}
	switch {
	case s.idles == 0 && m.Instruction == dcc.Reset():
		s.resets++
	case m.OK() && m.Instruction.Op == dcc.OpIdle:
		s.idles++
	default:
		s.done = true
		x.out.Rules[Start20].Judged++
		if s.resets < 20 || s.idles < 10 {
			x.out.Rules[Start20].broken(Place{At: s.at, Value: int64(s.resets), In: fmt.Sprintf("%d resets and %d idle packets before the first for a decoder", s.resets, s.idles)}, 1, 0)
		}
	}
}

// finish decides about what is left.
func (x *rules) finish(end unit.Time) {
	x.closeBurst()
	x.release(end+2*burstApart, false)
	x.candidate = nil
	x.served()
	for _, a := range x.writing() {
		if w := x.writes[a]; w.times == 1 && end-w.at < 100*ms {
			delete(x.writes, a) // its twin may come after the recording
			continue
		}
		x.written(a)
	}
	for _, s := range slices.SortedFunc(maps.Values(x.changes), func(a, b *sent) int { return cmp.Compare(a.at, b.at) }) {
		if s.times < s.want && end-s.last < settled {
			continue
		}
		x.changed(s, end)
	}
}
