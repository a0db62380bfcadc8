package dcc

// SingleBitErrors are the sendings of a packet with one bit wrong each, from the start bit to the end bit: bits 9k are
// framing, the others bits of bytes. None of them is a valid packet with the same bytes.
func SingleBitErrors(p Packet) []Sending {
	s := make([]Sending, 9*len(p)+1)
	for i := range s {
		s[i] = Sending{Packet: p, Flip: []int{i}}
	}
	return s
}

// A Negative is a stimulus on which a decoder at short address 3 with 28 steps must change nothing, and must obey the next
// good packet.
type Negative struct {
	ID       string // as in the list of negative vectors
	Fault    string
	Sendings []Sending
	// Either: the standard leaves it to the decoder whether it obeys the stimulus.
	Either bool
}

// Negatives are the negative vectors N01 to N12 as streams: a packet for somebody else, whose error byte ends in a zero so
// that its ones do not lengthen the preamble behind it, the stimulus, and the idle packet. The packet that switches the light
// on of decoder 3, spoiled or nearly, is 03 90 93.
func Negatives() []Negative {
	light := Packet{0x03, 0x90, 0x93}
	lead := Sending{Packet: Packet{0x81, 0xF1, 0x70}}
	idle := Sending{Packet: Packet{0xFF, 0x00, 0xFF}}
	long := make(Packet, 0, AdvancedMax)
	long = append(long, 0xFE)
	for len(long) < AdvancedMax-1 {
		long = append(long, byte(37*len(long)))
	}
	long = Seal(long...)
	of := func(id, fault string, s Sending) Negative {
		return Negative{ID: id, Fault: fault, Sendings: []Sending{lead, s, idle}}
	}
	seventySeven := of("N08", "a half of a data bit at 77 µs, where the standard is silent",
		Sending{Packet: light, Odd: []OddHalf{{2 * 14, 77 * us}}})
	seventySeven.Either = true
	return []Negative{
		of("N01", "error byte wrong by one bit", Sending{Packet: Packet{0x03, 0x90, 0x92}}),
		// With the end bit in front of it, which may be counted in, nine ones.
		of("N02", "9 ones of preamble", Sending{Packet: light, Preamble: 8}),
		of("N03", "start bit of the second byte missing", Sending{Packet: light, Flip: []int{9}}),
		of("N04", "end bit missing", Sending{Packet: light, Flip: []int{27}}),
		of("N05", "short address 4", Sending{Packet: Packet{0x04, 0x90, 0x94}}),
		of("N06", "long address 3", Sending{Packet: Packet{0xC0, 0x03, 0x90, 0x53}}),
		of("N07", "accessory decoder", Sending{Packet: Packet{0x81, 0xF9, 0x78}}),
		seventySeven,
		of("N09", "a service-mode packet without a reset before it: in operations short address 120",
			Sending{Packet: Packet{0x78, 0x03, 0x7B}, Preamble: PreambleService}),
		of("N10", "32 bytes in partition 254", Sending{Packet: long}),
		of("N11", "two bytes, the error byte fits", Sending{Packet: Packet{0x03, 0x03}}),
		of("N12", "reserved partition", Sending{Packet: Packet{0xE8, 0x00, 0x90, 0x78}}),
	}
}
