package dcc

import (
	"testing"

	"fettle/internal/unit"
)

func words(t *testing.T, s string) Packet {
	t.Helper()
	said, list := Parse("", s)
	if len(list) > 0 || len(said) != 1 {
		t.Fatal(s, list)
	}
	p, err := said[0].Instruction.Packet()
	if err != nil {
		t.Fatal(s, err)
	}
	return p
}

// E-01, E-02, E-05, E-10, E-12: packets of S-9.2 A figure 1 and B (read), S-9.2.1 C (computed), S-9.2.3 E (read).
func TestE01FixedPackets(t *testing.T) {
	for _, c := range []struct{ words, bytes string }{
		{"55 forward 6 of 28", "37 74 43"}, {"idle", "FF 00 FF"}, {"reset", "00 00 00"}, {"broadcast reverse stop", "00 40 40"},
		{"broadcast emergency stop", "00 71 71"}, {"3 F0 F2 on F1 F3 F4 off", "03 92 91"}, {"3 F0 on", "03 90 93"},
		{"service page preset", "7D 01 7C"}, {"service factory reset", "7F 08 77"}, {"3 cv 29 write 6", "03 EC 1C 06 F5"},
	} {
		if p := words(t, c.words); string(p) != string(packet(t, c.bytes)) {
			t.Errorf("%q makes % X, want %s", c.words, []byte(p), c.bytes)
		}
	}
}

// E-03: S-9.2 (2004) figure 2, read; the closed form for a step n is SSSS = (n+3) div 2, C = (n+3) mod 2.
func TestE03SpeedCode(t *testing.T) {
	code := func(s Speed) byte { // CSSSS
		s.Steps = Steps28
		return s.short() & 0x1F
	}
	for _, c := range []struct {
		s    Speed
		want byte
	}{
		{Speed{}, 0b00000}, {Speed{Loose: true}, 0b10000}, {Speed{Emergency: true}, 0b00001}, {Speed{Emergency: true, Loose: true}, 0b10001},
		{Speed{Step: 1}, 0b00010}, {Speed{Step: 2}, 0b10010}, {Speed{Step: 3}, 0b00011}, {Speed{Step: 4}, 0b10011}, {Speed{Step: 6}, 0b10100},
		{Speed{Step: 27}, 0b01111}, {Speed{Step: 28}, 0b11111},
	} {
		if got := code(c.s); got != c.want {
			t.Errorf("%+v: %05b, want %05b", c.s, got, c.want)
		}
	}
	for n := uint8(1); n <= 28; n++ {
		if got, want := code(Speed{Step: n}), (n+3)/2|(n+3)%2<<4; got != want {
			t.Errorf("step %d: %05b, want %05b", n, got, want)
		}
	}
}

// E-04: S-9.2.1 (2012) A, read; its table shows binary lower bounds 10000001 and 11000001 but decimal 128 and 192.
func TestE04Partitions(t *testing.T) {
	for first, want := range map[byte]Partition{
		0: BroadcastPartition, 1: ShortPartition, 127: ShortPartition, 128: AccessoryPartition, 191: AccessoryPartition, 192: LongPartition,
		231: LongPartition, 232: ReservedPartition, 252: ReservedPartition, 253: AddressedPartition, 254: LogonPartition, 255: IdlePartition,
	} {
		if got := PartitionOf(first); got != want {
			t.Errorf("first byte %d: %v, want %v", first, got, want)
		}
	}
}

// E-06: S-9.2.2 CV17 and 18, range and layout read, values computed.
func TestE06LongAddresses(t *testing.T) {
	for n, want := range map[uint16][2]byte{128: {192, 128}, 256: {193, 0}, 360: {193, 104}, 1234: {196, 210}, 9999: {231, 15}} {
		if hi, lo := LongCVs(n); hi != want[0] || lo != want[1] {
			t.Errorf("long %d: %d, %d, want %v", n, hi, lo, want)
		}
	}
}

// E-07: S-9.2.2 CV29, bits read, sums computed.
func TestE07CV29(t *testing.T) {
	for want, c := range map[int]CV29{6: FLFromGroup | Conversion, 38: FLFromGroup | Conversion | LongAddress, 35: Reversed | FLFromGroup | LongAddress,
		18: FLFromGroup | SpeedTable} {
		if int(c) != want {
			t.Errorf("%v is %d, want %d", c, c, want)
		}
	}
}

// E-09 and E-10: durations from S-9.2 (2004) and S-9.1 (2020), computed.
func TestE09Durations(t *testing.T) {
	us := unit.Microsecond
	idle := Idle().Append(nil)
	if ones, zeros := idle.Count(14); ones != 31 || zeros != 11 {
		t.Errorf("idle: %d ones, %d zeros", ones, zeros)
	}
	for _, c := range []struct {
		words     string
		preamble  int
		one, zero unit.Time
		want      unit.Time
	}{
		{"idle", 14, 58 * us, 100 * us, 5796 * us}, {"idle", 14, 55 * us, 95 * us, 5500 * us}, {"idle", 14, 58 * us, 116 * us, 6148 * us},
		{"reset", 14, 58 * us, 100 * us, 7140 * us}, {"reset", 20, 58 * us, 100 * us, 7836 * us},
		{"service page preset", 20, 58 * us, 100 * us, 6828 * us}, {"service factory reset", 20, 58 * us, 100 * us, 6660 * us},
	} {
		p := words(t, c.words)
		if d := p.Duration(c.preamble, c.one, c.zero); d != c.want {
			t.Errorf("%s: %v, want %v", c.words, d, c.want)
		}
		if n := len(p.Bits(20)); c.preamble == 20 && n != 48 && len(p) == 3 {
			t.Errorf("%s: %d bits", c.words, n)
		}
	}
	if five := 5 * idle.Duration(14, NominalOne, NominalZero); five != 28980*us || five > 30*unit.Millisecond {
		t.Errorf("five idle packets take %v", five)
	}
}

// E-11: S-9.2.3 E prints CV65; the others computed.
func TestE11Pages(t *testing.T) {
	for cv, want := range map[uint16][2]uint8{65: {17, 0}, 1: {1, 0}, 29: {8, 0}} {
		if page, r := Page(cv); page != want[0] || r != want[1] {
			t.Errorf("CV%d: page %d, register %d", cv, page, r)
		}
	}
	for cv := uint16(1); cv <= PagedMax; cv++ {
		if page, r := Page(cv); (uint16(page)-1)*4+uint16(r)+1 != cv {
			t.Errorf("CV%d: page %d, register %d", cv, page, r)
		}
	}
}

// E-13: S-9.2.2 CV33 to 46 and table 2, layout read, values computed.
func TestE13DefaultMapping(t *testing.T) {
	want := []byte{1, 2, 4, 8, 16, 4, 8, 16, 32, 64, 16, 32, 64, 128}
	for k, v := range want {
		own, _, value := Mapping(uint16(33 + k))
		if value != v || own != uint8(k+1) {
			t.Errorf("CV%d: output %d by %d, want output %d by %d", 33+k, own, value, k+1, v)
		}
	}
}

// E-14 (S-9.2.2 CV3 prints it) and E-15 (computed).
func TestE14CVsThatAreSums(t *testing.T) {
	if got := MeaningOf(3, 2); got != "0.064 s from step to step of 28" {
		t.Errorf("CV3 = 2: %q", got)
	}
	for v, want := range map[byte]int{0: 131, 31: 255, 32: 262, 119: 1784, 255: 32640} {
		if got := PWMPeriod(v); got != want {
			t.Errorf("CV9 = %d: %d µs, want %d", v, got, want)
		}
	}
}

// The CRC-8 with x⁸ + x⁵ + x⁴ + 1 that takes the lowest bit first from 0: its customary check over "123456789" is A1 (from memory).
func TestCRC(t *testing.T) {
	if got := CRC([]byte("123456789")); got != 0xA1 {
		t.Errorf("%02X", got)
	}
}
