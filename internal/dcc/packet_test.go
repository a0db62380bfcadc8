package dcc

import "testing"

// S-9.2 B prints idle and reset whole; figure 1 of section A draws the third.
func TestErrorByteOfThePrintedPackets(t *testing.T) {
	for _, p := range []Packet{{0xFF, 0x00, 0xFF}, {0x00, 0x00, 0x00}, {0x37, 0x74, 0x43}} {
		if !p.Valid() {
			t.Errorf("% X is printed in the standard and not valid here", []byte(p))
		}
		if got := Seal(p[:2]...); XOR(got) != 0 || got[2] != p[2] {
			t.Errorf("Seal(% X) = % X", []byte(p[:2]), []byte(got))
		}
	}
}
