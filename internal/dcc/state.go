package dcc

import "fettle/internal/unit"

// A Level is what is known of something that is on or off.
type Level uint8

const (
	Unknown Level = iota
	Off
	On
)

func (l Level) String() string { return [...]string{"unknown", "off", "on"}[l] }

func level(on bool) Level {
	if on {
		return On
	}
	return Off
}

// A Heading is the direction a decoder was told.
type Heading uint8

const (
	HeadingUnknown Heading = iota
	Forward
	Reverse
)

func (h Heading) String() string { return [...]string{"unknown", "forward", "reverse"}[h] }

func (h Heading) turned(turn bool) Heading {
	if turn && h != HeadingUnknown {
		return Forward + Reverse - h
	}
	return h
}

// State is what a decoder does, as far as what it was told determines it. The zero State knows nothing.
type State struct {
	Moves     bool // a speed was told
	Speed     Speed
	Heading   Heading // as told, before CV29 bit 0 and CV19 bit 7
	Functions [FunctionMax + 1]Level
	// FL has two outputs, which a consist may mask apart: Functions[0] is FL forward, this is FL reverse.
	FLReverse Level
}

// PowerUp is the state after a reset: stopped, F0 to F12 off. The direction is the decoder's choice, and functions from F13
// on may have been kept (S-9.2 B, S-9.2.1 C).
func PowerUp() State {
	s := State{Moves: true, Speed: Speed{Steps: Steps28, Forward: true, Loose: true}, FLReverse: Off}
	for n := range 13 {
		s.Functions[n] = Off
	}
	return s
}

// A Decoder is one multi-function decoder as far as the standard says what its lights do: the CVs that matter for them,
// and its state. The zero value is not one; NewDecoder gives what is common from the factory.
type Decoder struct {
	Short         byte // CV1
	CV17, CV18    byte
	CV19          byte // consist: bits 0 to 6, bit 7 reversed
	CV21, CV22    byte // functions obeyed at the consist address
	CV15, CV16    byte // lock: CVs are written only while the two are equal
	CV29, Factory CV29 // Factory is what a hard reset restores
	State         State
	pending       Instruction // a CV write that was heard once
	cv17          byte        // written, and waiting for CV18
	cv17Waits     bool
}

// NewDecoder has the address and CV29 = 2 (28/128 steps, DCC only), with bit 5 for a long address; it was just switched on.
func NewDecoder(a Address) Decoder {
	d := Decoder{Short: 3, CV17: 0xC3, CV18: 0xE8, CV29: FLFromGroup, State: PowerUp()}
	switch a.Kind {
	case Short:
		d.Short = byte(a.Number)
	case Long:
		d.CV17, d.CV18 = LongCVs(a.Number)
		d.CV29 |= LongAddress
	}
	d.Factory = d.CV29
	return d
}

// Address is the address of its own.
func (d *Decoder) Address() Address {
	if d.CV29.Has(LongAddress) {
		a, _ := LongFrom(d.CV17, d.CV18)
		return a
	}
	return Address{Short, uint16(d.Short)}
}

// Consist is its consist address, and whether it is in one.
func (d *Decoder) Consist() (Address, bool) {
	n := d.CV19 & 0x7F
	return Address{Short, uint16(n)}, n != 0
}

// Direction is the direction in which the vehicle is driven and its directional lights shine: as told, turned by CV29
// bit 0 and in a consist by CV19 bit 7, which is relative to what CV29 makes normal.
func (d *Decoder) Direction() Heading {
	_, in := d.Consist()
	return d.State.Heading.turned(d.CV29.Has(Reversed)).turned(in && d.CV19&0x80 != 0)
}

// Headlights are the outputs of FL: forward (CV33) and reverse (CV34).
func (d *Decoder) Headlights() (forward, reverse Level) {
	lit := func(fl Level, when Heading) Level {
		switch dir := d.Direction(); {
		case fl == Off || dir != when && dir != HeadingUnknown:
			return Off
		case fl == Unknown || dir == HeadingUnknown:
			return Unknown
		}
		return On
	}
	return lit(d.State.Functions[0], Forward), lit(d.State.FLReverse, Reverse)
}

// An Effect is what an instruction did to a decoder.
type Effect uint8

const (
	NotForIt Effect = iota // another address, or nothing that a multi-function decoder does
	Ignored                // its address, and a rule says that it is not obeyed, or it is not followed here
	Waits                  // a CV write that counts when it comes again
	Optional               // a broadcast that is obeyed by those that support it: what it would change is unknown now
	Obeyed
)

func (e Effect) String() string {
	return [...]string{"not for it", "ignored", "waits for its second", "optional", "obeyed"}[e]
}

// Apply lets the decoder hear an instruction in operations mode (S-9.2 B, S-9.2.1 C, S-9.2.2).
//
// Not followed: binary states, analogue functions, the lock packet, the time-out of CV11, and what motors do.
func (d *Decoder) Apply(i Instruction) Effect {
	consist, in := d.Consist()
	own, all, inConsist := i.Address == d.Address(), i.Address.Kind == All, in && i.Address == consist
	if !own && !all && !inConsist {
		return NotForIt
	}
	second := i == d.pending
	d.pending = Instruction{}
	switch i.Op {
	case OpReset, OpHardReset:
		if !own && !all {
			return Ignored
		}
		if i.Op == OpHardReset {
			d.CV29, d.CV19 = d.Factory, 0
		}
		d.State = PowerUp()
	case OpSpeed, OpSpeedFunctions:
		if in && own && !inConsist {
			return Ignored // in a consist it is driven at the consist address
		}
		if i.Op == OpSpeed && all && i.Speed.Step != 0 {
			return d.doubt(i)
		}
		d.drive(i, !own && !all)
		if i.Op == OpSpeedFunctions {
			if all {
				return d.doubt(i)
			}
			d.functions(i.Functions, !own)
		}
	case OpFunctions:
		if all {
			return d.doubt(i)
		}
		d.functions(i.Functions, !own)
	case OpConsist:
		if !own && !all {
			return Ignored
		}
		d.CV19 = byte(i.Number)
		if i.On {
			d.CV19 |= 0x80
		}
	case OpExtended:
		if !own {
			return Ignored
		}
		d.CV29 &^= LongAddress
		if i.On {
			d.CV29 |= LongAddress
		}
	case OpCV, OpCVShort:
		if !own {
			return Ignored // the long form never at the consist address (S-9.2.1 C)
		}
		if i.Op == OpCV && !i.Access.Writes() {
			return Obeyed
		}
		if i.Repeats().Times > 1 && !second {
			d.pending = i
			return Waits
		}
		return d.write(i)
	default:
		return Ignored
	}
	return Obeyed
}

// drive takes speed and direction over; masked: at the consist address.
func (d *Decoder) drive(i Instruction, masked bool) {
	s := i.Speed
	if o, ok := i.Other(); ok && s.Steps != d.CV29.Steps() {
		s = o.Speed
	}
	heading := Reverse
	if s.Forward {
		heading = Forward
	}
	if s.Loose && heading != d.State.Heading {
		heading = HeadingUnknown // it may follow the direction bit or not
	}
	d.State.Moves, d.State.Speed, d.State.Heading = true, s, heading
	if s.Steps == Steps14 && !(i.Address.Kind == All) {
		d.set(0, level(s.FL), masked)
	}
}

// functions takes a group over. FL in it means something with CV29 bit 1 only.
func (d *Decoder) functions(f Functions, masked bool) {
	for n := f.First; n < f.First+f.Count; n++ {
		if n == 0 && !d.CV29.Has(FLFromGroup) {
			continue
		}
		_, on := f.Has(n)
		d.set(n, level(on), masked)
	}
}

// set switches a function; masked: if CV21 and 22 let it be at the consist address.
func (d *Decoder) set(n uint8, l Level, masked bool) {
	if !masked {
		d.State.Functions[n] = l
		if n == 0 {
			d.State.FLReverse = l
		}
		return
	}
	switch {
	case n == 0:
		if d.CV22&1 != 0 {
			d.State.Functions[0] = l
		}
		if d.CV22&2 != 0 {
			d.State.FLReverse = l
		}
	case n <= 8 && d.CV21>>(n-1)&1 != 0, n >= 9 && n <= 12 && d.CV22>>(n-7)&1 != 0:
		d.State.Functions[n] = l
	case n >= 13 && n <= 28 && d.CV22>>(6+(n-13)/8)&1 != 0 && d.State.Functions[n] != l:
		d.State.Functions[n] = Unknown // bits 6 and 7 are RCN-225's, seen in a digest
	}
}

// doubt is a broadcast that a decoder may support or not: what it would change is not known any more.
func (d *Decoder) doubt(i Instruction) Effect {
	before := d.State
	if i.Op != OpFunctions {
		d.drive(i, false)
	}
	if i.Op != OpSpeed {
		d.functions(i.Functions, false)
	}
	s := &d.State
	if s.Heading != before.Heading {
		s.Heading = HeadingUnknown
	}
	if s.Speed != before.Speed {
		s.Moves = false
	}
	for n := range s.Functions {
		if s.Functions[n] != before.Functions[n] {
			s.Functions[n] = Unknown
		}
	}
	if s.FLReverse != before.FLReverse {
		s.FLReverse = Unknown
	}
	return Optional
}

// write writes the CVs that matter here.
func (d *Decoder) write(i Instruction) Effect {
	put := func(cv uint16, v byte) bool {
		if d.CV15 != d.CV16 && cv != 15 {
			return false
		}
		switch cv {
		case 1:
			if v > ShortMax {
				return false
			}
			// S-9.2.3 E: by any method it clears the long address and the consist.
			d.Short, d.CV19 = v, 0
			d.CV29 &^= LongAddress
		case 7, 8:
			return false
		case 15:
			d.CV15 = v
		case 16:
			d.CV16 = v
		case 17:
			if v < 0xC0 || v > 0xE7 {
				return false
			}
			d.cv17, d.cv17Waits = v, true // S-9.2.1 note 8
		case 18:
			if d.cv17Waits {
				d.CV17, d.cv17Waits = d.cv17, false
			}
			d.CV18 = v
		case 19:
			d.CV19 = v
		case 21:
			d.CV21 = v
		case 22:
			d.CV22 = v
		case 29:
			d.CV29 = CV29(v)
		}
		return true
	}
	ok := false
	switch {
	case i.Op == OpCVShort && i.Number != 23 && i.Number != 24:
		ok = put(i.Number, i.Value) && put(i.Number+1, i.Second)
	case i.Op == OpCVShort, i.Access == Write:
		ok = put(i.Number, i.Value)
	default:
		v, known := d.read(i.Number)
		if !known {
			return Obeyed
		}
		v &^= 1 << i.Bit
		if i.On {
			v |= 1 << i.Bit
		}
		ok = put(i.Number, v)
	}
	if !ok {
		return Ignored
	}
	return Obeyed
}

// read is a CV that is kept here.
func (d *Decoder) read(cv uint16) (byte, bool) {
	switch cv {
	case 1:
		return d.Short, true
	case 15:
		return d.CV15, true
	case 16:
		return d.CV16, true
	case 17:
		return d.CV17, true
	case 18:
		return d.CV18, true
	case 19:
		return d.CV19, true
	case 21:
		return d.CV21, true
	case 22:
		return d.CV22, true
	case 29:
		return byte(d.CV29), true
	}
	return 0, false
}

// ServiceStay is how long a decoder stays in service mode after the last reset or service packet (S-9.2.3 C; RCN-216
// has at least 30 ms, seen in a digest).
const ServiceStay = 20 * unit.Millisecond

// Programming follows service mode from outside, as a decoder does (S-9.2.3 C, E). The zero value is in operations mode.
type Programming struct {
	On    bool
	Blind bool // has left it, and obeys no first byte 112 to 127 until another operations packet comes

	last  Instruction
	times int  // that last came in a row
	reset bool // the last packet was one
	at    unit.Time
}

// Heard is what a packet did to service mode.
type Heard uint8

const (
	Operations Heard = iota // nothing to do with service mode: obey it in operations mode
	NotObeyed               // first byte 112 to 127 after service mode: not obeyed
	ResetHeard              // a reset packet
	Entered                 // the first service packet after a reset; it counts when it comes again
	First                   // another service packet, for the first time
	Acts                    // the second in a row: now it is done
	Again                   // and more of the same
	Left                    // an operations packet that ended service mode; it is obeyed
)

// Hear takes a packet whose end bit ended at the instant, valid or not, and says what a decoder makes of it. The second
// value is the instruction as it was understood.
func (s *Programming) Hear(p Packet, end unit.Time) (Heard, Meaning) {
	if s.On && end-s.at > ServiceStay {
		s.leave()
	}
	m := Decode(p, Context{Service: true})
	if m.Fault == TooShort || m.Fault == BadXOR {
		return Operations, m // not a packet: the time runs on
	}
	service := p[0]&0xF0 == 0x70
	if m.Instruction == Reset() {
		s.times, s.reset, s.at = 0, true, end
		s.Blind = false
		return ResetHeard, m
	}
	fresh := s.reset && end-s.at <= ServiceStay
	s.reset = false
	switch {
	case service && (s.On || fresh):
		same := s.times > 0 && m.Instruction == s.last
		entered := !s.On
		s.On, s.at = true, end
		if !same {
			s.times = 0
		}
		s.last = m.Instruction
		s.times++
		switch {
		case !m.OK():
			s.times = 0
			return First, m
		case entered:
			return Entered, m
		case s.times == 1:
			return First, m
		case s.times == 2:
			return Acts, m
		}
		return Again, m
	case service && s.Blind:
		return NotObeyed, Decode(p, Context{})
	case service:
		return Operations, Decode(p, Context{})
	case s.On:
		s.leave()
		s.Blind = false
		return Left, m
	}
	s.Blind = false
	return Operations, m
}

func (s *Programming) leave() {
	s.On, s.Blind, s.times = false, true, 0
}
