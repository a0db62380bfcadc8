package dcc

import (
	"cmp"
	"io"
	"slices"

	"fettle/internal/unit"
	"fettle/internal/wave"
)

// A Schedule is what a command station is told to do, and when.
type Schedule struct {
	Orders []Order
	End    unit.Time // of the signal: no packet begins at or after it
	// Preamble is the number of ones in front of a packet in operations. Default 14, the least (S-9.2 A).
	Preamble int
	// Repeat is how often a change of what is refreshed is sent at once, spaced. Default 3: common practice, no source.
	Repeat int
	// Gap is the cut-out after every packet in operations; zero value: none. There is none in service mode (RCN-216, from a
	// digest).
	Gap Window
	// Stream is how it goes on the track.
	Stream StreamSettings
	// Disturbances spoil the signal.
	Disturbances []Disturbance
}

// An Order is one thing that the station is told at a time.
type Order struct {
	At unit.Time
	// Every sends it again and again, until Until where that is not 0. Such a packet is not refreshed.
	Every, Until unit.Time
	PowerUp      bool // 20 resets and 10 idles (RP-9.2.4 A); the sentence does not count
	Sentence     Sentence
	// Spoil is what is deliberately wrong with it; its packet does not count. What is spoilt is sent once and not refreshed.
	Spoil Sending
}

func (o Order) spoilt() bool {
	return o.Spoil.Preamble != 0 || len(o.Spoil.Flip) > 0 || len(o.Spoil.Odd) > 0
}

const (
	defaultRepeat = 3
	// RP-9.2.4 A, at the start of the system.
	powerUpResets = 20
	powerUpIdles  = 10
	// After a reset packet no address byte 100 to 127 for 20 ms (S-9.2 B), after a decoder reset no address 112 to 127 for
	// ten packet times (S-9.2.1 C): service mode might be meant.
	resetQuiet        = 20 * unit.Millisecond
	resetQuietPackets = 10
	// Function groups up to F12 are refreshed; those above are sent as often as their rule says.
	highestRefreshed = 12

	soonestAgain = unit.Millisecond
	longAgo      = unit.Time(-1 << 62)
)

// A station keeps the rules of S-9.2 C and S-9.2.1 C while it follows a schedule: packets to one address at least 5 ms apart,
// end bit to start bit, with others or idle packets between them; speed and functions up to F12 of every address refreshed in
// turn; changes repeated; a CV write as two identical packets with none to that decoder between them; service mode in its
// sequences with nothing between.
type station struct {
	plan     Schedule
	one      unit.Time // the shortest that is sent
	orders   []Order   // by time
	sequence []Sending
	service  bool // sequence is of service mode
	urgent   []job
	slots    []slot

	sent      Sending // the last
	to        Address
	begun     bool
	ended     map[Address]unit.Time // last packet to each
	vehicles  unit.Time             // last to any multi-function decoder
	reset     unit.Time             // last reset, or of service mode
	sinceInit int                   // packets since a decoder reset
}

// A job is packets that are to be sent soon.
type job struct {
	Instruction
	packet Packet
	spoil  Sending
	left   int
	whole  bool // a pair that no packet to the same decoder may part
	begun  bool
}

// A slot is a packet that is refreshed.
type slot struct {
	Instruction
	packet Packet
	last   unit.Time // when it was refreshed
}

// Feed is what the command station sends.
func (p Schedule) Feed() Feed {
	if p.Preamble == 0 {
		p.Preamble = PreambleOperations
	}
	if p.Repeat == 0 {
		p.Repeat = defaultRepeat
	}
	p.Stream.Timing = p.Stream.Timing.orNominal()
	s := &station{plan: p, orders: slices.Clone(p.Orders), ended: map[Address]unit.Time{}, sinceInit: resetQuietPackets,
		vehicles: longAgo, reset: longAgo}
	s.one = p.Stream.Timing.One[0] + p.Stream.Timing.One[1]
	for _, m := range p.Stream.Drift {
		t := m.orNominal()
		s.one = min(s.one, t.One[0]+t.One[1])
	}
	slices.SortStableFunc(s.orders, func(a, b Order) int { return cmp.Compare(a.At, b.At) })
	return s.next
}

// Source is the signal of the schedule on the track. The same schedule gives the same signal, picosecond for picosecond.
func (p Schedule) Source() (wave.Source, error) {
	s, err := NewStream(p.Feed(), p.Stream)
	if err != nil || len(p.Disturbances) == 0 {
		return s, err
	}
	return Disturb(s, p.Disturbances, p.Stream.Seed), nil
}

func (s *station) next(now unit.Time) (Sending, bool) {
	s.note(now)
	s.take(now)
	if len(s.sequence) == 0 && !s.locked() && now >= s.plan.End {
		return Sending{}, false
	}
	s.sent, s.to = s.choose(now)
	s.begun = true
	return s.sent, true
}

// note writes down the packet that ended now.
func (s *station) note(now unit.Time) {
	if !s.begun {
		return
	}
	s.ended[s.to] = now
	if s.to.Multifunction() {
		s.vehicles = now
	}
	s.sinceInit++
	m := Decode(s.sent.Packet, Context{Service: s.sent.Service})
	if m.OK() && m.Instruction.Op == OpReset {
		s.sinceInit = 0
	}
	if s.service || m.OK() && m.Instruction.Op == OpReset && m.Address.Kind == All {
		s.reset = now
	}
	if len(s.sequence) == 0 {
		s.service = false
	}
}

// take takes in the orders that are due, up to one that wants the track for itself.
func (s *station) take(now unit.Time) {
	for len(s.sequence) == 0 && !s.locked() && len(s.orders) > 0 && s.orders[0].At <= now {
		o := s.orders[0]
		s.orders = s.orders[1:]
		if next := o.At + max(o.Every, soonestAgain); o.Every > 0 && next < s.plan.End && (o.Until == 0 || next < o.Until) {
			again := o
			again.At = next
			i, _ := slices.BinarySearchFunc(s.orders, next, func(o Order, t unit.Time) int {
				if o.At <= t {
					return -1
				}
				return 1
			})
			s.orders = slices.Insert(s.orders, i, again)
		}
		switch {
		case o.PowerUp:
			s.slots = nil
			s.queue(Step{Instruction: Reset(), Count: powerUpResets, Preamble: s.plan.Preamble}, s.plan.Gap)
			s.queue(Step{Instruction: Idle(), Count: powerUpIdles, Preamble: s.plan.Preamble}, s.plan.Gap)
		case o.Sentence.Task.Method != NoMethod:
			s.service = true
			for _, step := range o.Sentence.Task.Steps() {
				if !step.Spare {
					s.queue(step, Window{})
				}
			}
		default:
			s.order(o)
		}
	}
}

func (s *station) queue(step Step, gap Window) {
	for range step.Count {
		s.sequence = append(s.sequence, Sending{Packet: step.Packet(), Preamble: step.Preamble, Service: s.service, Gap: gap})
	}
}

// order puts an instruction among the urgent ones and, where it is a lasting state, among the refreshed ones.
func (s *station) order(o Order) {
	i := o.Sentence.Instruction
	j := job{Instruction: i, packet: i.Append(nil), left: i.Repeats().Times, spoil: o.Spoil}
	if o.spoilt() {
		j.left = 1
		s.urgent = append(s.urgent, j)
		return
	}
	j.whole = j.left > 1 && (i.Op == OpCV || i.Op == OpCVShort || i.Op == OpAccessoryCV)
	switch {
	case o.Every > 0:
		if slices.ContainsFunc(s.urgent, func(w job) bool { return w.Instruction == i }) {
			return // the track is busy: one waits already
		}
	case i.Op == OpReset && i.Address.Kind == All:
		s.slots, s.urgent = nil, nil
		j.left = s.plan.Repeat
	case i.Op == OpSpeed && i.Address.Kind == All: // stops all: none of them is told to go on
		s.urgent = slices.DeleteFunc(s.urgent, func(j job) bool { return j.drives() })
		for k := range s.slots {
			if s.slots[k].drives() {
				s.slots[k].Speed.Step, s.slots[k].Speed.Emergency = 0, false
				s.slots[k].packet = s.slots[k].Append(nil)
			}
		}
		j.left = s.plan.Repeat
	case i.refreshed():
		j.left = s.plan.Repeat
		s.urgent = slices.DeleteFunc(s.urgent, func(j job) bool { return j.sameSlot(i) })
		k := slices.IndexFunc(s.slots, func(x slot) bool { return x.sameSlot(i) })
		if k < 0 {
			k = len(s.slots)
			s.slots = append(s.slots, slot{})
		}
		s.slots[k] = slot{i, j.packet, longAgo}
	}
	s.urgent = append(s.urgent, j)
}

// Sent is everything that the schedule sends, with its times.
func (p Schedule) Sent() (all []Sent, err error) {
	p.Stream.Log = func(s Sent) { all = append(all, s) }
	err = p.run()
	return all, err
}

// run sends everything for the sake of the log.
func (p Schedule) run() error {
	s, err := NewStream(p.Feed(), p.Stream)
	var c wave.Changes
	for err == nil {
		err = s.Next(&c)
	}
	if err == io.EOF {
		return nil
	}
	return err
}

func (i Instruction) drives() bool { return i.Op == OpSpeed || i.Op == OpSpeedFunctions }

// refreshed reports whether a station sends the instruction again and again.
func (i Instruction) refreshed() bool {
	if i.Address.Kind != Short && i.Address.Kind != Long {
		return false
	}
	return i.drives() || i.Op == OpFunctions && i.Functions.First <= highestRefreshed
}

// sameSlot reports whether the later of the two makes the other one out of date.
func (i Instruction) sameSlot(j Instruction) bool {
	return i.Address == j.Address && (i.drives() && j.drives() ||
		i.Op == OpFunctions && j.Op == OpFunctions && i.Functions.First == j.Functions.First)
}

// locked reports whether the first half of a pair is out.
func (s *station) locked() bool { return len(s.urgent) > 0 && s.urgent[0].whole && s.urgent[0].begun }

func (s *station) choose(now unit.Time) (Sending, Address) {
	if len(s.sequence) > 0 {
		next := s.sequence[0]
		s.sequence = s.sequence[1:]
		return next, Address{}
	}
	ordinary := func(p Packet) Sending { return Sending{Packet: p, Preamble: s.plan.Preamble, Gap: s.plan.Gap} }
	start := now + unit.Time(s.plan.Preamble)*s.one
	broadcast := false // one waits: nobody is spoken to, so that its distance to all comes about
	for k, j := range s.urgent {
		locked := k > 0 && s.locked()
		if broadcast && j.Address.Multifunction() || locked && (j.whole || s.parts(j.Address)) || !s.may(j.packet, j.Address, start) {
			broadcast = broadcast || j.Address.Kind == All
			continue
		}
		s.urgent = slices.Delete(s.urgent, k, k+1)
		j.begun = true
		if j.left--; j.left > 0 {
			if j.whole { // comes next
				s.urgent = slices.Insert(s.urgent, 0, j)
			} else {
				s.urgent = append(s.urgent, j)
			}
		}
		next := ordinary(j.packet)
		next.Flip, next.Odd = j.spoil.Flip, j.spoil.Odd
		if j.spoil.Preamble != 0 {
			next.Preamble = j.spoil.Preamble
		}
		return next, j.Address
	}
	next := -1 // of those that may be sent the one that has waited longest
	for k, x := range s.slots {
		if !broadcast && s.may(x.packet, x.Address, start) && !s.parts(x.Address) && (next < 0 || x.last < s.slots[next].last) {
			next = k
		}
	}
	if next >= 0 {
		s.slots[next].last = now
		return ordinary(s.slots[next].packet), s.slots[next].Address
	}
	return ordinary(idlePacket), Address{}
}

// parts reports whether a packet to the address would part a pair.
func (s *station) parts(a Address) bool {
	return s.locked() && (a == s.urgent[0].Address || a.Kind == All)
}

// may reports whether a packet whose start bit comes then keeps its distance.
func (s *station) may(p Packet, a Address, start unit.Time) bool {
	if first := p[0]; first >= 100 && first <= 127 && start-s.reset < resetQuiet ||
		first >= 112 && first <= 127 && s.sinceInit < resetQuietPackets {
		return false
	}
	near := func(a Address) bool {
		end, there := s.ended[a]
		return there && start-end < SameAddress
	}
	switch {
	case a.Kind == Nobody:
		return true
	case a.Kind == All:
		return start-s.vehicles >= SameAddress
	case a.Multifunction() && near(Broadcast):
		return false
	}
	return !near(a)
}
