package dcc

// Lengths of packets in bytes, error byte included.
const (
	PacketMin   = 3
	PacketMax   = 6  // S-9.2.1; speed and functions in one packet go beyond (RCN-212, seen in a digest)
	AdvancedMax = 32 // of partitions 253 and 254 (S-9.2.1.1, seen in a digest)
)

// Packet is the instruction's bytes, from the address to the error byte; or what Check says against it.
func (i Instruction) Packet() (Packet, error) {
	if err := i.Check(); err != nil {
		return nil, err
	}
	return i.Append(make(Packet, 0, PacketMax)), nil
}

// Append appends the packet of an instruction that Check lets pass.
func (i Instruction) Append(p Packet) Packet {
	start := len(p)
	flag := func(on bool, bit byte) byte {
		if on {
			return bit
		}
		return 0
	}
	n := i.Address.Number
	switch i.Address.Kind {
	case All:
		p = append(p, 0)
	case Short:
		p = append(p, byte(n))
	case Long:
		hi, lo := LongCVs(n)
		p = append(p, hi, lo)
	}
	switch i.Op {
	case OpBytes:
		return append(p, i.Raw...)
	case OpIdle:
		p = append(p, 0xFF, 0)
	case OpReset:
		p = append(p, 0x00)
	case OpHardReset:
		p = append(p, 0x01)
	case OpTest:
		p = append(p, 0x02|flag(i.On, 1))
		if i.Data {
			p = append(p, i.Value)
		}
	case OpFlags:
		p = append(p, 0x06|flag(i.On, 1), byte(i.Number)<<4|i.Bit)
	case OpExtended:
		p = append(p, 0x0A|flag(i.On, 1))
	case OpAckRequest:
		p = append(p, 0x0F)
	case OpConsist:
		p = append(p, 0x12|flag(i.On, 1), byte(i.Number))
	case OpSpeed:
		if i.Speed.Steps == Steps128 {
			p = append(p, 0x3F, i.Speed.long())
		} else {
			p = append(p, i.Speed.short())
		}
	case OpSpeedFunctions:
		p = append(p, 0x3C, i.Speed.long())
		for k := uint8(0); k < i.Functions.Count; k += 8 {
			p = append(p, byte(i.Functions.On>>k))
		}
	case OpFunctions:
		on := byte(i.Functions.On)
		switch f := i.Functions.First; f {
		case 0:
			p = append(p, 0x80|on>>1|on&1<<4)
		case 5:
			p = append(p, 0xB0|on)
		case 9:
			p = append(p, 0xA0|on)
		case 13:
			p = append(p, 0xDE, on)
		case 21:
			p = append(p, 0xDF, on)
		default:
			p = append(p, 0xD8+(f-29)/8, on)
		}
	case OpState:
		p = append(p, 0xDD, flag(i.On, 0x80)|byte(i.Number))
	case OpStateLong:
		p = append(p, 0xC0, flag(i.On, 0x80)|byte(i.Number&0x7F), byte(i.Number>>7))
	case OpAnalog:
		p = append(p, 0x3D, byte(i.Number), i.Value)
	case OpCV:
		p = append(p, 0xE0|i.cvBits(), byte(i.Number-1), i.data())
	case OpCVShort:
		switch i.Number {
		case 23:
			p = append(p, 0xF2, i.Value)
		case 24:
			p = append(p, 0xF3, i.Value)
		case 17:
			p = append(p, 0xF4, i.Value, i.Second)
		case 31:
			p = append(p, 0xF5, i.Value, i.Second)
		case 19:
			p = append(p, 0xF6, i.Value, i.Second)
		}
	case OpLock:
		p = append(p, 0xF9, byte(i.Number))
	case OpQuery:
		p = append(p, 0xF9)
	case OpAccessory:
		p = appendBasic(p, n, 0x80|flag(i.On, 8)|byte(i.Number)<<1|i.Bit)
	case OpAspect:
		p = append(appendExtended(p, n, 0x01), i.Value)
	case OpAccessoryNOP:
		if i.Address.Kind == Extended {
			p = appendExtended(p, n, 0x09)
		} else {
			p = appendBasic(p, n, 0x08|byte(i.Number)<<1)
		}
	case OpAccessoryCV:
		if i.Address.Kind == Extended {
			p = appendExtended(p, n, 0x01)
		} else {
			p = appendBasic(p, n, 0x80|i.Second)
		}
		p = append(p, 0xE0|i.cvBits(), byte(i.Number-1), i.data())
	case OpAccessoryOldCV:
		p = append(appendBasic(p, n, 0x0C|byte((i.Number-1)>>8)), byte(i.Number-1), i.Value)
	case OpAdvanced:
		p = append(p, i.Raw...)
		if len(i.Raw)+1 > PacketMax {
			p = append(p, CRC(p[start:]))
		}
	case OpDirect:
		p = append(p, 0x70|i.cvBits(), byte(i.Number-1), i.data())
	case OpAddressOnly:
		p = append(p, 0x70|flag(i.Access == Write, 8), i.Value)
	case OpRegister:
		p = append(p, 0x70|flag(i.Access == Write, 8)|byte(i.Number-1), i.Value)
	}
	return append(p, XOR(p[start:]))
}

// cvBits is CCVV: what is done, and the high bits of the CV's number less one.
func (i Instruction) cvBits() byte {
	cc := byte(0x04)
	switch {
	case i.Access.ofBit():
		cc = 0x08
	case i.Access == Write:
		cc = 0x0C
	}
	return cc | byte((i.Number-1)>>8)
}

// appendBasic appends the address bytes of a basic accessory decoder: 10AAAAAA and xaaaxxxx, the high three bits in the
// ones' complement (S-9.2.1 D).
func appendBasic(p Packet, n uint16, second byte) Packet {
	return append(p, 0x80|byte(n&0x3F), second|^byte(n>>6)&7<<4)
}

// appendExtended appends those of an extended accessory: A7 to A2, the complement of A10 to A8, A1 and A0.
func appendExtended(p Packet, n uint16, second byte) Packet {
	return append(p, 0x80|byte(n>>2&0x3F), second|^byte(n>>8)&7<<4|byte(n&3)<<1)
}

// CRC is the CRC-8 of advanced packets of more than six bytes, x⁸ + x⁵ + x⁴ + 1 from 0 (S-9.2.1.1, seen in a digest);
// that it takes the lowest bit first is from memory.
func CRC(bytes []byte) byte {
	var c byte
	for _, b := range bytes {
		c ^= b
		for range 8 {
			if c&1 != 0 {
				c = c>>1 ^ 0x8C
			} else {
				c >>= 1
			}
		}
	}
	return c
}
