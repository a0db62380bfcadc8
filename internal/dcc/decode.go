package dcc

import (
	"fmt"
	"strings"
)

// A Context is what a receiver knows beside the packet. The zero Context is operations mode with 28 steps.
type Context struct {
	Steps   Steps // Steps14: bit 4 of the speed byte is FL (CV29 bit 1 = 0); else 28
	Service bool  // in service mode 70 to 7F begins an instruction and not an address (S-9.2.3 C)
}

// A Fault is why bytes are no instruction.
type Fault uint8

const (
	NoFault        Fault = iota
	TooShort             // fewer than three bytes
	BadXOR               // the error byte does not fit
	ReservedFirst        // first byte 232 to 252
	BadIdle              // first byte 255, and not the idle packet
	NoInstruction        // a long address and nothing else
	ReservedCode         // no standard assigns the instruction
	BadLength            // the instruction has another length: too short, or bytes trail behind
	BadOperand           // a bit has a value that the instruction does not have
	AdvancedLength       // partition 253 or 254 with a length that it never has
	BadCRC               // partition 253 or 254, more than six bytes: the CRC-8 does not fit
)

// A Meaning is what bytes say: an instruction, or with Fault set why they say nothing. Then the Instruction is OpBytes
// with the whole packet in Raw, so that encoding a decoded packet always gives its bytes back.
type Meaning struct {
	Instruction Instruction
	Fault       Fault
	Address     Address // also where the instruction is not known
	got, want   int     // of the fault: error bytes, lengths
}

// OK reports whether an instruction was understood.
func (m Meaning) OK() bool { return m.Fault == NoFault }

// Decode says what a packet means. It never fails, and does not allocate for an instruction of the multi-function,
// accessory and service formats.
func Decode(p Packet, c Context) Meaning {
	bad := func(f Fault, a Address, got, want int) Meaning {
		return Meaning{Instruction: Bytes(p), Fault: f, Address: a, got: got, want: want}
	}
	if len(p) < PacketMin {
		return bad(TooShort, Address{}, len(p), PacketMin)
	}
	body := p[:len(p)-1]
	if x := XOR(body); x != p[len(p)-1] {
		return bad(BadXOR, Address{}, int(p[len(p)-1]), int(x))
	}
	var i Instruction
	var f Fault
	var a Address
	want := 0
	head := 1
	switch first := p[0]; {
	case c.Service && first&0xF0 == 0x70:
		i, f, want = service(body)
	case first < 128:
		a = Address{Short, uint16(first)}
		if first == 0 {
			a = Broadcast
		}
		i, f, want = multifunction(a, body[1:], c)
	case first < 192:
		i, a, f, want = accessory(body)
		head = 2
	case first < 232:
		a, _ = LongFrom(first, p[1])
		head = 2
		if len(body) == 2 {
			f = NoInstruction
		} else {
			i, f, want = multifunction(a, body[2:], c)
		}
	case first < 253:
		f = ReservedFirst
	case first < 255:
		return advanced(p, body, bad)
	case len(p) == 3 && p[1] == 0:
		i = Idle()
	default:
		f = BadIdle
	}
	if f != NoFault {
		return bad(f, a, len(p), want+head+1)
	}
	return Meaning{Instruction: i, Address: a}
}

// lengths of the multi-function instructions that are always as long, by their first byte; 0: none, or not always.
var lengths = func() (n [256]uint8) {
	set := func(from, to int, length uint8) {
		for b := from; b <= to; b++ {
			n[b] = length
		}
	}
	set(0x00, 0x01, 1)
	set(0x06, 0x07, 2)
	set(0x0A, 0x0B, 1)
	set(0x0F, 0x0F, 1)
	set(0x12, 0x13, 2)
	set(0x3D, 0x3D, 3)
	set(0x3F, 0x3F, 2)
	set(0x40, 0xBF, 1)
	set(0xC0, 0xC0, 3)
	set(0xD8, 0xDF, 2)
	set(0xE4, 0xEF, 3)
	set(0xF2, 0xF3, 2)
	set(0xF4, 0xF6, 3)
	return n
}()

// multifunction decodes the instruction of a multi-function decoder; want is the length that it should have.
func multifunction(a Address, b []byte, c Context) (i Instruction, f Fault, want int) {
	i.Address = a
	code := b[0]
	want = int(lengths[code])
	if want != 0 && len(b) != want {
		return i, BadLength, want
	}
	i.On = code&1 != 0
	switch {
	case code == 0x00:
		i.Op = OpReset
	case code == 0x01:
		i.Op, i.On = OpHardReset, false
	case code&^1 == 0x02:
		i.Op = OpTest
		if len(b) > 2 {
			return i, BadLength, 2
		}
		if len(b) == 2 {
			i.Data, i.Value = true, b[1]
		}
	case code&^1 == 0x06:
		i.Op, i.Number, i.Bit = OpFlags, uint16(b[1]>>4), b[1]&7
		if b[1]&8 != 0 {
			return i, BadOperand, want
		}
	case code&^1 == 0x0A:
		i.Op = OpExtended
	case code == 0x0F:
		i.Op, i.On = OpAckRequest, false
	case code&^1 == 0x12:
		i.Op, i.Number = OpConsist, uint16(b[1])
		if b[1] > 127 {
			return i, BadOperand, want
		}
	case code == 0x3C:
		if len(b) < 3 {
			return i, BadLength, 3
		}
		if len(b) > 6 {
			return i, BadLength, 6
		}
		i.Op, i.On, i.Speed = OpSpeedFunctions, false, longSpeed(b[1])
		i.Functions.Count = uint8(len(b)-2) * 8
		for k, d := range b[2:] {
			i.Functions.On |= uint32(d) << (8 * k)
		}
	case code == 0x3D:
		i.Op, i.On, i.Number, i.Value = OpAnalog, false, uint16(b[1]), b[2]
	case code == 0x3F:
		i.Op, i.On, i.Speed = OpSpeed, false, longSpeed(b[1])
	case code >= 0x40 && code < 0x80:
		steps := Steps28
		if c.Steps == Steps14 && (a.Kind != All || code&0x0E != 0) { // the broadcast stop is the same for both
			steps = Steps14
		}
		i.Op, i.On, i.Speed = OpSpeed, false, shortSpeed(code, steps)
	case code >= 0x80 && code < 0xA0:
		i.Op, i.On = OpFunctions, false
		i.Functions = Functions{0, 5, uint32(code&0x0F<<1 | code&0x10>>4)}
	case code >= 0xA0 && code < 0xB0:
		i.Op, i.On, i.Functions = OpFunctions, false, Functions{9, 4, uint32(code & 0x0F)}
	case code >= 0xB0 && code < 0xC0:
		i.Op, i.On, i.Functions = OpFunctions, false, Functions{5, 4, uint32(code & 0x0F)}
	case code == 0xC0:
		i.Op, i.On, i.Number = OpStateLong, b[1]&0x80 != 0, uint16(b[2])<<7|uint16(b[1]&0x7F)
		if i.Number > 0 && i.Number < 128 {
			return i, BadOperand, want
		}
	case code == 0xDD:
		i.Op, i.On, i.Number = OpState, b[1]&0x80 != 0, uint16(b[1]&0x7F)
	case code == 0xDE:
		i.Op, i.On, i.Functions = OpFunctions, false, Functions{13, 8, uint32(b[1])}
	case code == 0xDF:
		i.Op, i.On, i.Functions = OpFunctions, false, Functions{21, 8, uint32(b[1])}
	case code >= 0xD8 && code < 0xDD:
		i.Op, i.On, i.Functions = OpFunctions, false, Functions{29 + (code-0xD8)*8, 8, uint32(b[1])}
	case code >= 0xE4 && code < 0xF0:
		i.On = false
		i.Op = OpCV
		if !i.setCV(code, b[1], b[2]) {
			return i, BadOperand, want
		}
	case code >= 0xF2 && code < 0xF7:
		i.On = false
		i.Op, i.Number, i.Value = OpCVShort, [...]uint16{23, 24, 17, 31, 19}[code-0xF2], b[1]
		if want == 3 {
			i.Second = b[2]
		}
	case code == 0xF9:
		i.On = false
		if a.Kind == All {
			if len(b) != 2 {
				return i, BadLength, 2
			}
			i.Op, i.Number = OpLock, uint16(b[1])
			if b[1] > 127 {
				return i, BadOperand, 2
			}
			return i, NoFault, 2
		}
		if len(b) != 1 {
			return i, BadLength, 1
		}
		i.Op = OpQuery
	default:
		return i, ReservedCode, 0
	}
	return i, NoFault, want
}

// setCV takes CCVV VVVVVVVV DDDDDDDD; it reports false for a data byte that bit manipulation does not have.
func (i *Instruction) setCV(ccvv, v, d byte) bool {
	i.Number = (uint16(ccvv&3)<<8 | uint16(v)) + 1
	switch ccvv & 0x0C {
	case 0x04:
		i.Access, i.Value = Verify, d
	case 0x0C:
		i.Access, i.Value = Write, d
	case 0x08:
		i.Access, i.Bit, i.On = VerifyBit, d&7, d&8 != 0
		if d&0x10 != 0 {
			i.Access = WriteBit
		}
		return d >= 0xE0
	}
	return true
}

func accessory(b []byte) (i Instruction, a Address, f Fault, want int) {
	low, second := uint16(b[0]&0x3F), b[1]
	high := uint16(^second >> 4 & 7)
	pair := second >> 1 & 3
	basic, extended := Address{Basic, high<<6 | low}, Address{Extended, high<<8 | low<<2 | uint16(pair)}
	rest := b[2:]
	switch {
	case second&0x80 != 0:
		i.Address = basic
		switch len(rest) {
		case 0:
			i.Op, i.Number, i.Bit, i.On = OpAccessory, uint16(pair), second&1, second&8 != 0
			return i, basic, NoFault, 0
		case 3:
			return accessoryCV(i, second&0x0F, rest)
		}
		return i, basic, BadLength, 0
	case second&8 != 0:
		switch {
		case len(rest) == 0 && second&1 == 0:
			i.Op, i.Address, i.Number = OpAccessoryNOP, basic, uint16(pair)
		case len(rest) == 0:
			i.Op, i.Address = OpAccessoryNOP, extended
		case len(rest) == 2 && second&4 != 0:
			i.Op, i.Address, i.Access = OpAccessoryOldCV, basic, Write
			i.Number, i.Value = (uint16(second&3)<<8|uint16(rest[0]))+1, rest[1]
		default:
			return i, basic, BadLength, 0
		}
		return i, i.Address, NoFault, 0
	case second&1 != 0:
		i.Address = extended
		switch len(rest) {
		case 1:
			i.Op, i.Value = OpAspect, rest[0]
			return i, extended, NoFault, 1
		case 3:
			return accessoryCV(i, 0, rest)
		}
		return i, extended, BadLength, 1
	}
	return i, basic, ReservedCode, 0
}

func accessoryCV(i Instruction, cddd byte, b []byte) (Instruction, Address, Fault, int) {
	i.Op = OpAccessoryCV
	if cddd != 0 {
		i.Data, i.Second = true, cddd
	}
	switch {
	case b[0]&0xF0 != 0xE0 || b[0]&0x0C == 0:
		return i, i.Address, ReservedCode, 0
	case cddd != 0 && cddd < 8, !i.setCV(b[0], b[1], b[2]):
		return i, i.Address, BadOperand, 0
	}
	return i, i.Address, NoFault, 3
}

// service decodes an instruction of service mode: direct ones have four bytes, the others three.
func service(b []byte) (i Instruction, f Fault, want int) {
	switch len(b) {
	case 2:
		i.Access, i.Value = Verify, b[1]
		if b[0]&8 != 0 {
			i.Access = Write
		}
		if i.Op = OpAddressOnly; b[0]&7 != 0 || b[1] > 127 {
			i.Op, i.Number = OpRegister, uint16(b[0]&7)+1
		}
	case 3:
		i.Op = OpDirect
		if b[0]&0x0C == 0 {
			return i, ReservedCode, 0
		}
		if !i.setCV(b[0], b[1], b[2]) {
			return i, BadOperand, 0
		}
	default:
		return i, BadLength, 2
	}
	return i, NoFault, 0
}

// advanced checks the frame of partitions 253 and 254: three to six bytes, or eight to 32 with a CRC-8 before the error
// byte (S-9.2.1.1, seen in a digest). Their contents are not decoded.
func advanced(p, body []byte, bad func(Fault, Address, int, int) Meaning) Meaning {
	switch n := len(p); {
	case n == PacketMax+1, n > AdvancedMax:
		return bad(AdvancedLength, Address{}, n, AdvancedMax)
	case n > PacketMax:
		last := len(body) - 1
		if c := CRC(body[:last]); c != body[last] {
			return bad(BadCRC, Address{}, int(body[last]), int(c))
		}
		body = body[:last]
	}
	return Meaning{Instruction: Instruction{Op: OpAdvanced, Raw: string(body)}}
}

// Why says what is wrong with bytes that are no instruction, "" where nothing is.
func (m Meaning) Why() string {
	raw := m.Instruction.Raw
	to := ""
	if m.Address.Kind != Nobody {
		to = " to " + m.Address.String()
	}
	switch m.Fault {
	case TooShort:
		return fmt.Sprintf("%s: a packet has at least %d", count(len(raw), "byte"), PacketMin)
	case BadXOR:
		return fmt.Sprintf("the error byte is %02X, and the bytes before it give %02X: %s", m.got, m.want, differ(byte(m.got^m.want)))
	case ReservedFirst:
		return fmt.Sprintf("first byte %d: 232 to 252 are reserved", raw[0])
	case BadIdle:
		return "a first byte of 255 makes the idle packet, FF 00 FF, and nothing else"
	case NoInstruction:
		return "long address " + fmt.Sprint(m.Address.Number) + ", and no instruction follows"
	case ReservedCode:
		return fmt.Sprintf("no instruction%s begins with %s", to, m.code())
	case BadLength:
		return m.badLength(to)
	case BadOperand:
		return m.badOperand()
	case AdvancedLength:
		return fmt.Sprintf("an advanced packet of %d bytes: it has 3 to 6 or 8 to %d", m.got, AdvancedMax)
	case BadCRC:
		return fmt.Sprintf("the CRC-8 is %02X, and the bytes before it give %02X", m.got, m.want)
	}
	return ""
}

// instruction is the bytes of the packet between address and error byte.
func (m Meaning) instruction() string {
	raw := m.Instruction.Raw
	switch m.Address.Kind {
	case Long:
		return raw[2 : len(raw)-1]
	case All, Short:
		return raw[1 : len(raw)-1]
	}
	return raw[:len(raw)-1]
}

func (m Meaning) code() string {
	b := m.instruction()
	if m.Address.Accessory() {
		b = b[1:]
		if len(b) > 1 {
			return fmt.Sprintf("%02X after the address", b[1])
		}
		return fmt.Sprintf("%02X (bit 0 is 0)", b[0])
	}
	known := ""
	switch c := b[0]; {
	case c == 0x3E:
		known = " (restricted speed, from memory)"
	case c == 0xC1:
		known = " (model time, from memory)"
	}
	return fmt.Sprintf("%02X%s", b[0], known)
}

func (m Meaning) badLength(to string) string {
	n, want := m.got, m.want
	switch {
	case m.Address.Kind == Nobody:
		return fmt.Sprintf("%s: a service-mode packet has 3 or 4", count(n, "byte"))
	case m.Address.Kind == Basic:
		return fmt.Sprintf("%s%s: its packets have 3 or 6, the withdrawn short CV write 5", count(n, "byte"), to)
	case m.Address.Kind == Extended:
		return fmt.Sprintf("%s%s: its packets have 4 or 6", count(n, "byte"), to)
	case n > want:
		return fmt.Sprintf("%s%s: instruction %s makes %d, and %s left", count(n, "byte"), to, m.code(), want, trail(n-want))
	}
	return fmt.Sprintf("%s%s: instruction %s makes %d", count(n, "byte"), to, m.code(), want)
}

func trail(n int) string {
	if n == 1 {
		return "1 is"
	}
	return fmt.Sprint(n) + " are"
}

func (m Meaning) badOperand() string {
	b := m.instruction()
	last := b[len(b)-1]
	switch c := b[0]; {
	case m.Address.Accessory():
		if cddd := b[1] & 0x0F; m.Address.Kind == Basic && cddd != 0 && cddd < 8 {
			return fmt.Sprintf("CV access to output CDDD = %d: 0 is the whole decoder, 8 to 15 an output", cddd)
		}
	case m.Address.Kind == Nobody:
	case c&^1 == 0x06:
		return fmt.Sprintf("decoder flags %02X: bit 3 is 0", last)
	case c&^1 == 0x12:
		return fmt.Sprintf("consist address %02X: bit 7 is 0", last)
	case c == 0xC0:
		return fmt.Sprintf("binary state %d in the long form: 1 to 127 use the short form", b[1]&0x7F)
	case c == 0xF9:
		return fmt.Sprintf("decoder lock %02X: bit 7 is 0", last)
	}
	return fmt.Sprintf("bit manipulation with %02X: its data byte is 111KDBBB, E0 to FF", last)
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// differ names the bits that are set.
func differ(b byte) string {
	var at []string
	for k := 7; k >= 0; k-- {
		if b>>k&1 != 0 {
			at = append(at, fmt.Sprint(k))
		}
	}
	if len(at) == 1 {
		return "bit " + at[0] + " differs"
	}
	return "bits " + strings.Join(at[:len(at)-1], ", ") + " and " + at[len(at)-1] + " differ"
}
