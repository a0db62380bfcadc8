package dcc

import "fmt"

// A Part is one byte of a packet: its layout as the standards print it (0 and 1 fixed, letters free) and what it says.
type Part struct{ Layout, Says string }

// Anatomy takes a packet apart, byte by byte. Of bytes that are no instruction it says what it can.
func Anatomy(p Packet, c Context) []Part {
	m := Decode(p, c)
	i := m.Instruction
	if !m.OK() {
		return m.remains(p)
	}
	parts := make([]Part, 0, len(p))
	add := func(layout, format string, args ...any) {
		parts = append(parts, Part{layout, fmt.Sprintf(format, args...)})
	}
	n := i.Address.Number
	switch i.Address.Kind {
	case All:
		add("00000000", "broadcast")
	case Short:
		add("0AAAAAAA", "address %d", n)
	case Long:
		add("11AAAAAA", "long address: %d·256", n>>8)
		add("AAAAAAAA", "+ %d = %d", n&0xFF, n)
	case Basic:
		add("10AAAAAA", "accessory %d: low six bits", n)
	case Extended:
		add("10AAAAAA", "extended accessory %d: bits 7 to 2", n)
	}
	high := "high three bits, inverted"
	if i.Address.Kind == Extended {
		high = "bits 10 to 8, inverted, 1 and 0"
	}
	onOff := func(on bool) string {
		if on {
			return "on"
		}
		return "off"
	}
	switch i.Op {
	case OpIdle:
		add("11111111", "idle")
		add("00000000", "always 0")
	case OpReset:
		add("00000000", "decoder reset")
	case OpHardReset:
		add("00000001", "hard reset")
	case OpTest:
		add("0000001F", "factory test, F = %d", bit(i.On))
		if i.Data {
			add("DDDDDDDD", "data %d", i.Value)
		}
	case OpFlags:
		add("0000011F", "decoder flags, F = %d", bit(i.On))
		add("CCCC0SSS", "flag %d, sub-address %d", i.Number, i.Bit)
	case OpExtended:
		add("0000101F", "extended addressing %s", onOff(i.On))
	case OpAckRequest:
		add("00001111", "acknowledge request")
	case OpConsist:
		way := "normal direction"
		if i.On {
			way = "reversed"
		}
		add("0001001R", "consist, %s", way)
		if i.Number == 0 {
			add("0AAAAAAA", "0: leaves the consist")
		} else {
			add("0AAAAAAA", "consist address %d", i.Number)
		}
	case OpSpeed:
		if i.Speed.Steps == Steps128 {
			add("00111111", "speed of 128 steps")
			add("DSSSSSSS", "%s", i.Speed.words())
			break
		}
		add("01DCSSSS", "%s", i.Speed.words())
	case OpSpeedFunctions:
		add("00111100", "speed and functions")
		add("DSSSSSSS", "%s", i.Speed.words())
		for k := uint8(0); k < i.Functions.Count; k += 8 {
			add("FFFFFFFF", "%s", Functions{k, 8, i.Functions.On >> k & 0xFF}.String())
		}
	case OpFunctions:
		f := i.Functions
		switch f.First {
		case 0:
			add("100LFFFF", "%s", f.String())
		case 5:
			add("1011FFFF", "%s", f.String())
		case 9:
			add("1010FFFF", "%s", f.String())
		default:
			add("110CCCCC", "functions F%d to F%d", f.First, f.First+f.Count-1)
			add("FFFFFFFF", "%s", f.String())
		}
	case OpState:
		add("11011101", "binary state, short form")
		if i.Number == 0 {
			add("DLLLLLLL", "all %s", onOff(i.On))
		} else {
			add("DLLLLLLL", "state %d %s", i.Number, onOff(i.On))
		}
	case OpStateLong:
		add("11000000", "binary state, long form")
		if i.Number == 0 {
			add("DLLLLLLL", "all %s", onOff(i.On))
			add("HHHHHHHH", "high bits")
		} else {
			add("DLLLLLLL", "%s; %d", onOff(i.On), i.Number&0x7F)
			add("HHHHHHHH", "+ 128·%d = state %d", i.Number>>7, i.Number)
		}
	case OpAnalog:
		name := ""
		if i.Number == 1 {
			name = ", volume"
		}
		add("00111101", "analogue function")
		add("VVVVVVVV", "function %d%s", i.Number, name)
		add("DDDDDDDD", "value %d", i.Value)
	case OpCV:
		i.cvParts("1110CCVV", "VVVVVVVV", add)
	case OpCVShort:
		add("1111CCCC", "writes CV, short form")
		if i.Number == 23 || i.Number == 24 {
			add("DDDDDDDD", "CV%d = %d", i.Number, i.Value)
		} else {
			add("DDDDDDDD", "CV%d = %d", i.Number, i.Value)
			add("DDDDDDDD", "CV%d = %d", i.Number+1, i.Second)
		}
	case OpLock:
		add("11111001", "decoder lock")
		add("0AAAAAAA", "all but %d", i.Number)
	case OpQuery:
		add("11111001", "address query")
	case OpAccessory:
		add("1aaaCPPR", "%s; pair %d, output %d, %s", high, i.Number, i.Bit, onOff(i.On))
	case OpAspect:
		add("0aaa0AA1", "%s", high)
		add("XXXXXXXX", "aspect %d", i.Value)
	case OpAccessoryNOP:
		if i.Address.Kind == Extended {
			add("0aaa1AA1", "%s; no operation", high)
		} else {
			add("0aaa1PP0", "%s; pair %d, no operation", high, i.Number)
		}
	case OpAccessoryCV:
		switch {
		case i.Address.Kind == Extended:
			add("0aaa0AA1", "%s", high)
		case i.Data:
			add("1aaaCDDD", "%s; pair %d, output %d", high, i.Second>>1&3, i.Second&1)
		default:
			add("1aaa0000", "%s; the whole decoder", high)
		}
		i.cvParts("1110CCVV", "VVVVVVVV", add)
	case OpAccessoryOldCV:
		add("0aaa11VV", "%s; writes a CV, withdrawn form", high)
		add("VVVVVVVV", "CV%d", i.Number)
		add("DDDDDDDD", "= %d", i.Value)
	case OpAdvanced:
		add("111111PP", "%s", PartitionOf(p[0]))
		for len(parts) < len(i.Raw) {
			add("DDDDDDDD", "content, not decoded")
		}
		if len(p) > len(i.Raw)+1 {
			add("CCCCCCCC", "CRC-8")
		}
	case OpDirect:
		i.cvParts("0111CCAA", "AAAAAAAA", add)
	case OpAddressOnly:
		add("0111C000", "%s CV1, address-only, or register 1", i.verb())
		add("0DDDDDDD", "value %d", i.Value)
	case OpRegister:
		add("0111CRRR", "%s register %d%s", i.verb(), i.Number, registerName(i.Number))
		add("DDDDDDDD", "%d", i.Value)
	}
	add("EEEEEEEE", "error byte")
	return parts
}

func (i Instruction) verb() string {
	if i.Access.Writes() {
		return "writes"
	}
	return "verifies"
}

// registerCV is the CV of each physical register (S-9.2.3 E); 0: the page register.
var registerCV = [8]uint16{1, 2, 3, 4, 29, 0, 7, 8}

func registerName(r uint16) string {
	if r == pageRegister {
		return " (page)"
	}
	return fmt.Sprintf(" (CV%d)", registerCV[r-1])
}

// cvParts are the three bytes of a CV access; CV number less one is sent.
func (i Instruction) cvParts(first, second string, add func(string, string, ...any)) {
	what := " a byte"
	if i.Access.ofBit() {
		what = " a bit"
	}
	add(first, "%s%s; CV−1, high bits: %d", i.verb(), what, (i.Number-1)>>8)
	add(second, "CV%d, less 1: %d", i.Number, i.Number-1)
	if i.Access.ofBit() {
		add("111KDBBB", "bit %d = %d", i.Bit, bit(i.On))
		return
	}
	add("DDDDDDDD", "value %d", i.Value)
}

// words is direction and speed as a byte says them, with the headlight bit of 14 steps either way.
func (s Speed) words() string {
	fl := ""
	if s.Steps == Steps14 {
		fl = ", FL off"
		if s.FL {
			fl = ", FL on"
		}
	}
	stop := "stop"
	if s.Emergency {
		stop = "emergency stop"
	}
	if s.Step == 0 {
		if s.Loose {
			return stop + ", " + s.direction() + " or any direction"
		}
		return s.direction() + ", " + stop + fl
	}
	return fmt.Sprintf("%s, step %d of %d%s", s.direction(), s.Step, s.Steps, fl)
}

// remains takes bytes apart that are no instruction.
func (m Meaning) remains(p Packet) []Part {
	if m.Fault == BadXOR { // what it would be with the right error byte
		right := Seal(p[: len(p)-1 : len(p)-1]...)
		if would := Decode(right, Context{}); would.OK() {
			parts := Anatomy(right, Context{})
			parts[len(parts)-1].Says = fmt.Sprintf("error byte, wrong: %02X would fit", m.want)
			return parts
		}
	}
	var parts []Part
	for k, b := range p {
		says := ""
		switch {
		case k == len(p)-1 && k > 0 && m.Fault == BadXOR:
			says = fmt.Sprintf("error byte, wrong: %02X would fit", m.want)
		case k == len(p)-1 && k > 0:
			says = "error byte"
		case k == 0:
			says = PartitionOf(b).String()
		}
		parts = append(parts, Part{"", says})
	}
	return parts
}
