package dcc

import (
	"fmt"
	"math/bits"
)

// An Op is what a packet tells to do.
type Op uint8

const (
	OpBytes          Op = iota // nothing that is known: Raw holds the whole packet, sent as it stands
	OpIdle                     // nobody is to do anything
	OpReset                    // decoder reset: volatile state erased; at Broadcast the reset packet
	OpHardReset                // CV29, 31, 32 as from the factory, CV19 = 0, then reset
	OpTest                     // factory test; On: bit F. Data: Value follows
	OpFlags                    // set decoder flags: Number 0 to 15 is CCCC, Bit 0 to 7 the sub-address, On bit F
	OpExtended                 // extended addressing On or off: CV29 bit 5
	OpAckRequest               // decoder acknowledgement request
	OpConsist                  // consist address Number 0 to 127; On: reversed; 0 leaves the consist
	OpSpeed                    // Speed
	OpSpeedFunctions           // Speed of 128 steps and Functions from F0 on, 8, 16, 24 or 32 of them
	OpFunctions                // a function group: Functions
	OpState                    // binary state, short form: Number 1 to 127, 0 all of them; On
	OpStateLong                // binary state, long form: Number 128 to 32767, 0 all of them; On
	OpAnalog                   // analogue function Number 0 to 255 takes Value
	OpCV                       // CV access in operations mode, long form: Access, Number 1 to 1024, Value or Bit and On
	OpCVShort                  // the same, short form: Number 23 or 24 takes Value; 17, 19 or 31 takes Value, the next CV Second
	OpLock                     // decoder lock: all but short address Number
	OpQuery                    // address query
	OpAccessory                // basic accessory: pair Number 0 to 3, output Bit 0 or 1 of it, On
	OpAspect                   // extended accessory: aspect Value
	OpAccessoryNOP             // no operation, with feedback: pair Number of a basic one
	OpAccessoryCV              // CV access to an accessory decoder: as OpCV; to one output of a basic one where Data: Second is CDDD
	OpAccessoryOldCV           // the withdrawn short CV write of S-9.2.1 appendix A
	OpAdvanced                 // partitions 253 and 254: Raw holds first byte and content, without CRC and error byte
	OpDirect                   // service mode, direct: as OpCV
	OpAddressOnly              // service mode, address-only: Write or Verify CV1 with Value 0 to 127
	OpRegister                 // service mode, physical register Number 1 to 8: Write or Verify Value; 6 is the page register
	opCount
)

// Access is what is done to a CV.
type Access uint8

const (
	NoAccess Access = iota
	Verify          // compare a byte
	Write           // write a byte
	VerifyBit
	WriteBit
)

// Steps is how speeds are counted: 14, 28 or 128 (of which 126 are steps).
type Steps uint8

const (
	Steps14  Steps = 14
	Steps28  Steps = 28
	Steps128 Steps = 128
)

// Highest is the number of the fastest step.
func (s Steps) Highest() uint8 {
	if s == Steps128 {
		return 126
	}
	return uint8(s)
}

// A Speed is speed and direction as one packet says them.
type Speed struct {
	Steps     Steps
	Step      uint8 // 0: stop
	Emergency bool  // stop by cutting the motor's power; Step is 0
	Forward   bool
	FL        bool // of 14 steps: the headlight bit
	Loose     bool // stop of 28 steps with bit C: the direction may be ignored for direction-dependent functions
}

// Functions are some that stand in a row and travel together: bit i of On is function First + i.
type Functions struct {
	First, Count uint8
	On           uint32
}

// FunctionMax is the highest function that has a packet (RCN-212, seen in a digest; S-9.2.1 of 2012 ends at 28).
const FunctionMax = 68

// GroupOf is the group in which function n travels, all off: F0 to F4, F5 to F8, F9 to F12, and eights from F13 on.
func GroupOf(n uint8) Functions {
	switch {
	case n <= 4:
		return Functions{First: 0, Count: 5}
	case n <= 8:
		return Functions{First: 5, Count: 4}
	case n <= 12:
		return Functions{First: 9, Count: 4}
	}
	return Functions{First: 13 + (n-13)/8*8, Count: 8}
}

// Has reports whether function n is among them, and whether it is on.
func (f Functions) Has(n uint8) (there, on bool) {
	if n < f.First || n >= f.First+f.Count {
		return false, false
	}
	return true, f.On>>(n-f.First)&1 != 0
}

// With is the same with function n on or off.
func (f Functions) With(n uint8, on bool) Functions {
	if there, _ := f.Has(n); !there {
		return f
	}
	f.On &^= 1 << (n - f.First)
	if on {
		f.On |= 1 << (n - f.First)
	}
	return f
}

// An Instruction is the meaning of one packet, a small value that can be compared. Which operands count depends on Op,
// the others are zero; Check says so. Decode makes it from bytes, Packet makes bytes of it, String the plain-language form.
type Instruction struct {
	Op        Op
	Access    Access
	Bit       uint8
	Value     uint8
	Second    uint8
	On        bool
	Data      bool
	Address   Address
	Number    uint16
	Speed     Speed
	Functions Functions
	Raw       string
}

// Idle is the idle packet: FF 00 FF.
func Idle() Instruction { return Instruction{Op: OpIdle} }

// Reset is the reset packet for all decoders, 00 00 00; the decoder reset of one has its address.
func Reset() Instruction { return Instruction{Op: OpReset, Address: Broadcast} }

// Drive sets speed and direction.
func Drive(a Address, s Speed) Instruction { return Instruction{Op: OpSpeed, Address: a, Speed: s} }

// SetFunctions sets a whole group: what is not on in it is off.
func SetFunctions(a Address, f Functions) Instruction {
	return Instruction{Op: OpFunctions, Address: a, Functions: f}
}

// WriteCV writes a CV in operations mode, long form; it counts only when received twice in a row (S-9.2.1 C).
func WriteCV(a Address, cv uint16, value byte) Instruction {
	return Instruction{Op: OpCV, Access: Write, Address: a, Number: cv, Value: value}
}

// Bytes are sent as they stand, error byte and all.
func Bytes(b []byte) Instruction { return Instruction{Op: OpBytes, Raw: string(b)} }

// Service reports whether it is an instruction of service mode, which has no address.
func (i Instruction) Service() bool { return i.Op >= OpDirect && i.Op < opCount }

// Other is the other reading of a speed of 14 or 28 steps: the same bytes as the other sort of decoder takes them. CV29
// bit 1 of the receiver decides, and no packet says which was meant (S-9.2 B, S-9.2.1 C). A broadcast stop reads alike.
func (i Instruction) Other() (Instruction, bool) {
	if i.Op != OpSpeed || i.Speed.Steps == Steps128 || i.broadcastStop() {
		return i, false
	}
	other := Steps14
	if i.Speed.Steps == Steps14 {
		other = Steps28
	}
	i.Speed = shortSpeed(i.Speed.short(), other)
	return i, true
}

func (i Instruction) broadcastStop() bool {
	return i.Op == OpSpeed && i.Address.Kind == All && i.Speed.Steps != Steps128 && i.Speed.Step == 0
}

func (a Access) ofBit() bool { return a == VerifyBit || a == WriteBit }

// Writes reports whether the CV is to be changed.
func (a Access) Writes() bool { return a == Write || a == WriteBit }

// bitByte is the data byte of bit manipulation, 111KDBBB (S-9.2.1 C, S-9.2.3 E).
func (i Instruction) bitByte() byte {
	b := 0xE0 | i.Bit&7
	if i.Access == WriteBit {
		b |= 0x10
	}
	if i.On {
		b |= 0x08
	}
	return b
}

// data is the data byte of a CV access.
func (i Instruction) data() byte {
	if i.Access.ofBit() {
		return i.bitByte()
	}
	return i.Value
}

// Check says what of an instruction cannot be sent: the number and its limit.
func (i Instruction) Check() error {
	if err := i.checkAddress(); err != nil {
		return err
	}
	within := func(what string, n, min, max uint16) error {
		if n < min || n > max {
			return fmt.Errorf("%s %d: from %d to %d there is one", what, n, min, max)
		}
		return nil
	}
	switch i.Op {
	case OpFlags:
		if i.Bit > 7 {
			return within("sub-address", uint16(i.Bit), 0, 7)
		}
		return within("flag", i.Number, 0, 15)
	case OpConsist:
		return within("consist address", i.Number, 0, 127)
	case OpLock:
		return within("short address", i.Number, 0, 127)
	case OpSpeed, OpSpeedFunctions:
		return i.checkSpeed()
	case OpFunctions:
		g := i.Functions
		if g.First > FunctionMax || g.First != GroupOf(g.First).First || g.Count != GroupOf(g.First).Count {
			return fmt.Errorf("functions F%d to F%d do not travel together", g.First, int(g.First)+int(g.Count)-1)
		}
		if bits.Len32(g.On) > int(g.Count) {
			return fmt.Errorf("function F%d is not in the group of F%d", int(g.First)+bits.Len32(g.On)-1, g.First)
		}
	case OpState:
		return within("binary state of the short form", i.Number, 0, 127)
	case OpStateLong:
		if i.Number != 0 {
			return within("binary state of the long form", i.Number, 128, 32767)
		}
	case OpAnalog:
		return within("analogue function", i.Number, 0, 255)
	case OpCV, OpAccessoryCV, OpDirect, OpAccessoryOldCV:
		if i.Bit > 7 {
			return within("bit", uint16(i.Bit), 0, 7)
		}
		if i.Access == NoAccess || i.Op == OpAccessoryOldCV && i.Access != Write {
			return fmt.Errorf("CV %d: neither write nor verify", i.Number)
		}
		if i.Data && (i.Op != OpAccessoryCV || i.Address.Kind != Basic || i.Second < 8 || i.Second > 15) {
			return fmt.Errorf("output %d of an accessory decoder: CDDD is 8 to 15", i.Second)
		}
		return within("CV", i.Number, 1, 1024)
	case OpCVShort:
		if i.Number != 17 && i.Number != 19 && i.Number != 23 && i.Number != 24 && i.Number != 31 {
			return fmt.Errorf("CV %d has no short form: 17+18, 19+20, 23, 24 and 31+32 have", i.Number)
		}
	case OpAccessory:
		if i.Bit > 1 {
			return within("output", uint16(i.Bit), 0, 1)
		}
		return within("pair", i.Number, 0, 3)
	case OpAccessoryNOP:
		return within("pair", i.Number, 0, 3)
	case OpAdvanced:
		if len(i.Raw) < 2 || i.Raw[0] != 0xFD && i.Raw[0] != 0xFE {
			return fmt.Errorf("an advanced packet begins with FD or FE and has content")
		}
		if n := len(i.Raw) + 1; n > 6 && n+1 > AdvancedMax {
			return fmt.Errorf("an advanced packet of %d bytes: %d are the most", n+1, AdvancedMax)
		}
	case OpAddressOnly:
		if i.Access != Write && i.Access != Verify {
			return fmt.Errorf("address-only mode writes and verifies bytes")
		}
		return within("address", uint16(i.Value), 0, 127)
	case OpRegister:
		if i.Access != Write && i.Access != Verify {
			return fmt.Errorf("register mode writes and verifies bytes")
		}
		if i.Number == 1 && i.Value <= 127 {
			return fmt.Errorf("register 1 with %d is the instruction of address-only mode", i.Value)
		}
		return within("register", i.Number, 1, 8)
	case OpBytes, OpIdle, OpReset, OpHardReset, OpTest, OpExtended, OpAckRequest, OpQuery, OpAspect:
	default:
		return fmt.Errorf("no instruction %d", i.Op)
	}
	return nil
}

func (i Instruction) checkAddress() error {
	k := i.Address.Kind
	want := ""
	switch i.Op {
	case OpBytes, OpIdle, OpAdvanced, OpDirect, OpAddressOnly, OpRegister:
		if k != Nobody {
			want = "no address"
		}
	case OpLock:
		if k != All {
			want = "the broadcast address"
		}
	case OpQuery:
		if k != Short && k != Long {
			want = "the address of one decoder"
		}
	case OpAccessory, OpAccessoryOldCV:
		if k != Basic {
			want = "the address of a basic accessory decoder"
		}
	case OpAspect:
		if k != Extended {
			want = "the address of an extended accessory"
		}
	case OpAccessoryNOP, OpAccessoryCV:
		if !i.Address.Accessory() {
			want = "the address of an accessory decoder"
		}
	default:
		if !i.Address.Multifunction() {
			want = "the address of multi-function decoders"
		}
	}
	if want != "" {
		return fmt.Errorf("%s is wanted here", want)
	}
	if min, max := k.limits(); i.Address.Number < min || i.Address.Number > max {
		return fmt.Errorf("address %d: from %d to %d there is one", i.Address.Number, min, max)
	}
	return nil
}

func (i Instruction) checkSpeed() error {
	s := i.Speed
	switch {
	case s.Steps != Steps14 && s.Steps != Steps28 && s.Steps != Steps128:
		return fmt.Errorf("%d steps: there are 14, 28 and 128", s.Steps)
	case s.Step > s.Steps.Highest():
		return fmt.Errorf("step %d: the highest of %d is %d", s.Step, s.Steps, s.Steps.Highest())
	case s.Emergency && s.Step != 0:
		return fmt.Errorf("an emergency stop has no step %d", s.Step)
	case s.FL && s.Steps != Steps14:
		return fmt.Errorf("FL is in the speed byte with 14 steps only")
	case s.Loose && (s.Steps != Steps28 || s.Step != 0):
		return fmt.Errorf("the direction is free at a stop of 28 steps only")
	case i.broadcastStop() && s.Steps == Steps14:
		return fmt.Errorf("a broadcast stop is the same for 14 and 28 steps, and counted as of 28")
	}
	if f := i.Functions; i.Op == OpSpeedFunctions {
		if s.Steps != Steps128 {
			return fmt.Errorf("speed and functions in one packet: of 128 steps only")
		}
		if f.First != 0 || f.Count != 8 && f.Count != 16 && f.Count != 24 && f.Count != 32 {
			return fmt.Errorf("speed and functions in one packet: F0 to F7, F15, F23 or F31")
		}
		if bits.Len32(f.On) > int(f.Count) {
			return fmt.Errorf("function F%d is beyond F%d", bits.Len32(f.On)-1, f.Count-1)
		}
	}
	return nil
}
