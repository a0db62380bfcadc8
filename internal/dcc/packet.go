// Package dcc encodes and decodes the DCC track signal: packets, the bits and half-bits that carry them, and what
// a receiver makes of them.
//
// Standards: NMRA S-9.1 (2020), S-9.2 (2004), S-9.2.1, S-9.2.2, S-9.2.3 (2012); where a format was seen only in a
// digest of RCN-211 … RCN-217 the code says so. Bytes are sent highest bit first; times are integer picoseconds
// between zero crossings of the differential track voltage.
//
// A packet's bytes and an Instruction are two forms of the same: Decode and Instruction.Packet. A third is a plain
// language, Parse and the String methods (docs/packets.md is its grammar). Decode takes any bytes and says what they are
// or why they are nothing; bytes that are nothing are an instruction too, which sends them as they stand.
//
// A service-mode Task is a sequence of packets (Task.Steps). Decoder.Apply follows what instructions do to one decoder's
// lights, Programming hears service mode as a decoder does, and Explain says all about packets as findings.
//
// Not decoded: the contents of the advanced packets of partitions 253 and 254, which are framed and their CRC-8 checked.
package dcc

// A Packet is the bytes of one packet, from the address to the error byte.
type Packet []byte

// XOR is the error byte that belongs to the bytes: over a whole valid packet it is 0 (S-9.2 B).
func XOR(bytes []byte) byte {
	var x byte
	for _, b := range bytes {
		x ^= b
	}
	return x
}

// Seal appends the error byte.
func Seal(bytes ...byte) Packet { return append(Packet(bytes), XOR(bytes)) }

// Valid reports whether the packet has at least three bytes and its error byte fits.
func (p Packet) Valid() bool { return len(p) >= 3 && XOR(p) == 0 }
