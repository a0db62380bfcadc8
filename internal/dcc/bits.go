package dcc

import "fettle/internal/unit"

// Preambles in complete one-bits.
const (
	PreambleOperations = 14 // sent, at least (S-9.2 A)
	PreambleService    = 20 // sent in service mode, at least (S-9.2.3 E)
	PreambleRefused    = 9  // a decoder must not accept fewer than 10 (S-9.2 A)
	PreambleEnough     = 12 // and must not require more than 12
)

// Nominal half-bits (S-9.1 table 1).
const (
	NominalOne  = 58 * unit.Microsecond
	NominalZero = 100 * unit.Microsecond
)

// Bits is the packet as it is sent, one 0 or 1 each: preamble, a start bit 0 before every byte, the bytes from their
// highest bit on, the end bit 1.
func (p Packet) Bits(preamble int) []byte { return p.AppendBits(nil, preamble) }

// AppendBits appends what Bits makes.
func (p Packet) AppendBits(bits []byte, preamble int) []byte {
	for range preamble {
		bits = append(bits, 1)
	}
	for _, b := range p {
		bits = append(bits, 0)
		for k := 7; k >= 0; k-- {
			bits = append(bits, b>>k&1)
		}
	}
	return append(bits, 1)
}

// Count is the number of one-bits and zero-bits, preamble and end bit included.
func (p Packet) Count(preamble int) (ones, zeros int) {
	ones, zeros = preamble+1, len(p)
	for _, b := range p {
		for ; b != 0; b &= b - 1 {
			ones++
			zeros--
		}
		zeros += 8
	}
	return ones, zeros
}

// Duration is how long the packet takes with half-bits of the given lengths, preamble and end bit included.
func (p Packet) Duration(preamble int, one, zero unit.Time) unit.Time {
	ones, zeros := p.Count(preamble)
	return unit.Time(2*ones)*one + unit.Time(2*zeros)*zero
}
