package dcc

import (
	"encoding/hex"
	"strings"
	"testing"

	"fettle/internal/unit"
)

// Source codes of the vectors: P complete bytes printed in the standard; F format printed there, free bits filled in;
// C computed by the rule of the section named.
var vectors = []struct {
	id, words, bytes string
	context          Context
	preamble         int
	ones, zeros      int
	us               int64 // at half-bits of 58 µs and 100 µs, preamble and end bit included
	source           string
}{
	{"V01", "reset", "00 00 00", Context{}, 14, 15, 27, 7140, "P S-9.2 B"},
	{"V02", "idle", "FF 00 FF", Context{}, 14, 31, 11, 5796, "P S-9.2 B"},
	{"V03", "55 forward 6 of 28", "37 74 43", Context{}, 14, 27, 15, 6132, "P S-9.2 A, Fig. 1 (bit pattern); text of B says \"55, forward, step 6\""},
	{"V04", "broadcast stop", "00 70 70", Context{}, 14, 21, 21, 6636, "F S-9.2 B `01DC000S`"},
	{"V05", "broadcast emergency stop", "00 71 71", Context{}, 14, 23, 19, 6468, "F S-9.2 B"},
	{"V06", "broadcast reverse stop", "00 40 40", Context{}, 14, 17, 25, 6972, "F S-9.2 B"},
	{"V07", "broadcast reverse emergency stop", "00 41 41", Context{}, 14, 19, 23, 6804, "F S-9.2 B"},
	{"V08", "3 forward stop of 28", "03 60 63", Context{}, 14, 23, 19, 6468, "C S-9.2 B, Fig. 2"},
	{"V09", "3 reverse stop of 28", "03 40 43", Context{}, 14, 21, 21, 6636, "C"},
	{"V10", "3 forward emergency stop of 28", "03 61 62", Context{}, 14, 23, 19, 6468, "C"},
	{"V11", "3 forward 1 of 28", "03 62 61", Context{}, 14, 23, 19, 6468, "C"},
	{"V12", "3 forward 2 of 28", "03 72 71", Context{}, 14, 25, 17, 6300, "C"},
	{"V13", "3 reverse 14 of 28", "03 58 5B", Context{}, 14, 25, 17, 6300, "C"},
	{"V14", "3 forward 28 of 28", "03 7F 7C", Context{}, 14, 29, 13, 5964, "C"},
	{"V15", "127 reverse 27 of 28", "7F 4F 30", Context{}, 14, 29, 13, 5964, "C"},
	{"V16", "3 forward 7 of 14", "03 68 6B", Context{Steps: Steps14}, 14, 25, 17, 6300, "C S-9.2.1 C (010/011)"},
	{"V17", "3 forward stop of 14 FL on", "03 70 73", Context{Steps: Steps14}, 14, 25, 17, 6300, "C"},
	{"V18", "3 reverse 14 of 14 FL on", "03 5F 5C", Context{Steps: Steps14}, 14, 27, 15, 6132, "C"},
	{"V19", "3 forward stop of 128", "03 3F 80 BC", Context{}, 14, 29, 22, 7764, "C S-9.2.1 C (001 11111)"},
	{"V20", "3 forward emergency stop of 128", "03 3F 81 BD", Context{}, 14, 31, 20, 7596, "C"},
	{"V21", "3 forward 1 of 128", "03 3F 82 BE", Context{}, 14, 31, 20, 7596, "C"},
	{"V22", "3 reverse 126 of 128", "03 3F 7F 43", Context{}, 14, 33, 18, 7428, "C"},
	{"V23", "1000 forward 50 of 128", "C3 E8 3F B3 A7", Context{}, 14, 39, 21, 8724, "C"},
	{"V24", "3 F0-F4 off", "03 80 83", Context{}, 14, 21, 21, 6636, "C S-9.2.1 C (100)"},
	{"V25", "3 F0 on F1-F4 off", "03 90 93", Context{}, 14, 23, 19, 6468, "C"},
	{"V26", "3 F1 on F0 F2-F4 off", "03 81 82", Context{}, 14, 21, 21, 6636, "C"},
	{"V27", "3 F4 on F0-F3 off", "03 88 8B", Context{}, 14, 23, 19, 6468, "C"},
	{"V28", "3 F0-F4 on", "03 9F 9C", Context{}, 14, 27, 15, 6132, "C"},
	{"V29", "broadcast F0-F4 off", "00 80 80", Context{}, 14, 17, 25, 6972, "C S-9.2.1 B"},
	{"V30", "long 3 F0 on F1-F4 off", "C0 03 90 53", Context{}, 14, 25, 26, 8100, "C"},
	{"V31", "1000 F0 on F1-F4 off", "C3 E8 90 BB", Context{}, 14, 31, 20, 7596, "C"},
	{"V32", "10239 F0-F4 off", "E7 FF 80 98", Context{}, 14, 33, 18, 7428, "C"},
	{"V33", "3 F5 on F6-F8 off", "03 B1 B2", Context{}, 14, 25, 17, 6300, "C S-9.2.1 C (101)"},
	{"V34", "3 F8 on F5-F7 off", "03 B8 BB", Context{}, 14, 27, 15, 6132, "C"},
	{"V35", "3 F9 on F10-F12 off", "03 A1 A2", Context{}, 14, 23, 19, 6468, "C"},
	{"V36", "3 F12 on F9-F11 off", "03 A8 AB", Context{}, 14, 25, 17, 6300, "C"},
	{"V37", "3 F13 on F14-F20 off", "03 DE 01 DC", Context{}, 14, 29, 22, 7764, "C S-9.2.1 C (110 11110)"},
	{"V38", "3 F20 on F13-F19 off", "03 DE 80 5D", Context{}, 14, 29, 22, 7764, "C"},
	{"V39", "3 F21 on F22-F28 off", "03 DF 01 DD", Context{}, 14, 31, 20, 7596, "C (110 11111)"},
	{"V40", "3 F28 on F21-F27 off", "03 DF 80 5C", Context{}, 14, 29, 22, 7764, "C"},
	{"V41", "3 F29 on F30-F36 off", "03 D8 01 DA", Context{}, 14, 27, 24, 7932, "C RCN-212 (via digest)"},
	{"V42", "3 F61 on F62-F68 off", "03 DC 01 DE", Context{}, 14, 29, 22, 7764, "C RCN-212 (via digest)"},
	{"V43", "3 all short states off", "03 DD 00 DE", Context{}, 14, 29, 22, 7764, "C (instruction `DD 00` printed in S-9.2.1 C)"},
	{"V44", "3 state 29 on", "03 DD 9D 43", Context{}, 14, 31, 20, 7596, "C"},
	{"V45", "3 all states off", "03 C0 00 00 C3", Context{}, 14, 23, 37, 10068, "C (instruction `C0 00 00` printed in S-9.2.1 C)"},
	{"V46", "3 state 1000 on", "03 C0 E8 07 2C", Context{}, 14, 29, 31, 9564, "C"},
	{"V47", "3 consist 10", "03 12 0A 1B", Context{}, 14, 25, 26, 8100, "C S-9.2.1 C (0001)"},
	{"V48", "3 consist 10 reversed", "03 13 0A 1A", Context{}, 14, 25, 26, 8100, "C"},
	{"V49", "3 leave consist", "03 12 00 11", Context{}, 14, 21, 30, 8436, "C"},
	{"V50", "broadcast leave consist", "00 12 00 12", Context{}, 14, 19, 32, 8604, "C (instruction printed in RCN-212, seen via digest)"},
	{"V51", "3 reset", "03 00 03", Context{}, 14, 19, 23, 6804, "C S-9.2.1 C (0000)"},
	{"V52", "3 hard reset", "03 01 02", Context{}, 14, 19, 23, 6804, "C"},
	{"V53", "3 extended addressing on", "03 0B 08", Context{}, 14, 21, 21, 6636, "C"},
	{"V54", "3 analogue 1 = 128", "03 3D 01 80 BF", Context{}, 14, 31, 29, 9396, "C (001 11101)"},
	{"V55", "3 forward 10 of 128 with F0 F3 on F1-F2 F4-F7 off", "03 3C 8B 09 BD", Context{}, 14, 33, 27, 9228, "C RCN-212 (via digest)"},
	{"V56", "3 cv 29 write 6", "03 EC 1C 06 F5", Context{}, 14, 33, 27, 9228, "C S-9.2.1 C (111)"},
	{"V57", "3 cv 8 verify 13", "03 E4 07 0D ED", Context{}, 14, 33, 27, 9228, "C"},
	{"V58", "3 cv 29 bit 1 write 1", "03 E8 1C F9 0E", Context{}, 14, 33, 27, 9228, "C"},
	{"V59", "1000 cv 49 write 128", "C3 E8 EC 30 80 77", Context{}, 14, 37, 32, 10692, "C"},
	{"V60", "3 cv 1024 write 0", "03 EF FF 00 13", Context{}, 14, 35, 25, 9060, "C"},
	{"V61", "3 cv 23 write 5 short", "03 F2 05 F4", Context{}, 14, 29, 22, 7764, "C"},
	{"V62", "accessory 1 pair 0 output 1 on", "81 F9 78", Context{}, 14, 27, 15, 6132, "F S-9.2.1 D; RCN-213 gives `1000-0001 1111-D00R` (via digest)"},
	{"V63", "accessory 1 pair 0 output 1 off", "81 F1 70", Context{}, 14, 25, 17, 6300, "F"},
	{"V64", "accessory 10 pair 2 output 1 on", "8A FD 77", Context{}, 14, 31, 11, 5796, "C"},
	{"V65", "accessory 200 pair 0 output 0 on", "88 C8 40", Context{}, 14, 21, 21, 6636, "C"},
	{"V66", "accessory broadcast pair 3 output 0 on", "BF 8E 31", Context{}, 14, 29, 13, 5964, "F S-9.2.1 D `10111111 1000CDDD`"},
	{"V67", "extended accessory 4 aspect 5", "81 71 05 F5", Context{}, 14, 29, 22, 7764, "C S-9.2.1 D"},
	{"V68", "extended accessory broadcast aspect 0", "BF 07 00 B8", Context{}, 14, 29, 22, 7764, "F S-9.2.1 D `10111111 00000111 000XXXXX`"},
	{"V69", "service write cv 1 = 3", "7C 00 03 7F", Context{Service: true}, 20, 35, 22, 8460, "C S-9.2.3 E"},
	{"V70", "service write cv 29 = 6", "7C 1C 06 66", Context{Service: true}, 20, 35, 22, 8460, "C"},
	{"V71", "service verify cv 8 = 13", "74 07 0D 7E", Context{Service: true}, 20, 37, 20, 8292, "C"},
	{"V72", "service verify cv 8 bit 7 = 0", "78 07 E7 98", Context{Service: true}, 20, 37, 20, 8292, "C"},
	{"V73", "service verify cv 8 bit 7 = 1", "78 07 EF 90", Context{Service: true}, 20, 37, 20, 8292, "C"},
	{"V74", "service write cv 29 bit 1 = 1", "78 1C F9 9D", Context{Service: true}, 20, 39, 18, 8124, "C"},
	{"V75", "service write cv 8 = 8", "7C 07 08 73", Context{Service: true}, 20, 35, 22, 8460, "C"},
	{"V76", "service write cv 1024 = 0", "7F FF 00 80", Context{Service: true}, 20, 37, 20, 8292, "C"},
	{"V77", "service page preset", "7D 01 7C", Context{Service: true}, 20, 33, 15, 6828, "P S-9.2.3 E"},
	{"V78", "service factory reset", "7F 08 77", Context{Service: true}, 20, 35, 13, 6660, "P S-9.2.3 E"},
	{"V79", "service address-only write cv 1 = 3", "78 03 7B", Context{Service: true}, 20, 33, 15, 6828, "C"},
	{"V80", "service address-only verify cv 1 = 3", "70 03 73", Context{Service: true}, 20, 31, 17, 6996, "C"},
	{"V81", "service register verify 5 = 6", "74 06 72", Context{Service: true}, 20, 31, 17, 6996, "C"},
	{"V82", "service page 17", "7D 11 6C", Context{Service: true}, 20, 33, 15, 6828, "C (page number 17 for CV65 is printed in S-9.2.3 E)"},
	{"V83", "broadcast lock except 3", "00 F9 03 FA", Context{}, 20, 35, 22, 8460, "F S-9.2.3 App. B"},
	{"V84", "3 query", "03 F9 FA", Context{}, 20, 35, 13, 6660, "F S-9.2.3 App. A"},
}

func packet(t testing.TB, s string) Packet {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Every vector both ways: words to bytes, bytes to words; ones, zeros and duration; the bits taken apart again.
func TestVectors(t *testing.T) {
	if len(vectors) != 84 {
		t.Fatalf("%d vectors", len(vectors))
	}
	for _, v := range vectors {
		p := packet(t, v.bytes)
		said, list := Parse("", v.words)
		if len(list) > 0 || len(said) != 1 {
			t.Errorf("%s %q: %v", v.id, v.words, list)
			continue
		}
		i := said[0].Instruction
		if got, err := i.Packet(); err != nil || string(got) != string(p) {
			t.Errorf("%s %q makes % X (%v), want %s (%s)", v.id, v.words, []byte(got), err, v.bytes, v.source)
		}
		m := Decode(p, v.context)
		if m.Instruction != i || !m.OK() {
			t.Errorf("%s %s means %q (%s), want %q (%s)", v.id, v.bytes, m.Instruction, m.Why(), v.words, v.source)
		}
		if s := m.Instruction.String(); s != v.words {
			t.Errorf("%s says %q, want %q", v.id, s, v.words)
		}
		if ones, zeros := p.Count(v.preamble); ones != v.ones || zeros != v.zeros {
			t.Errorf("%s: %d ones and %d zeros, want %d and %d", v.id, ones, zeros, v.ones, v.zeros)
		}
		if d := p.Duration(v.preamble, NominalOne, NominalZero); d != unit.Time(v.us)*unit.Microsecond {
			t.Errorf("%s takes %v, want %d µs", v.id, d, v.us)
		}
		sum := 0
		for _, b := range p.Bits(v.preamble) {
			sum += int(b)
		}
		if n := len(p.Bits(v.preamble)); sum != v.ones || n != v.ones+v.zeros {
			t.Errorf("%s: %d bits with %d ones", v.id, n, sum)
		}
	}
}

// The bit strings printed beside the vectors, and the one of E-01: S-9.2 (2004) A figure 1 draws it with a preamble of 12.
func TestBitStrings(t *testing.T) {
	for _, c := range []struct {
		bytes    string
		preamble int
		bits     string
		source   string
	}{
		{"37 74 43", 12, "111111111111 0 00110111 0 01110100 0 01000011 1", "S-9.2 A figure 1, read"},
		{"FF 00 FF", 14, "11111111111111 0 11111111 0 00000000 0 11111111 1", "V02"},
		{"37 74 43", 14, "11111111111111 0 00110111 0 01110100 0 01000011 1", "V03"},
		{"03 90 93", 14, "11111111111111 0 00000011 0 10010000 0 10010011 1", "V25"},
		{"C3 E8 90 BB", 14, "11111111111111 0 11000011 0 11101000 0 10010000 0 10111011 1", "V31"},
		{"7C 1C 06 66", 20, "11111111111111111111 0 01111100 0 00011100 0 00000110 0 01100110 1", "V70"},
	} {
		var got strings.Builder
		for _, b := range packet(t, c.bytes).Bits(c.preamble) {
			got.WriteByte('0' + b)
		}
		if want := strings.ReplaceAll(c.bits, " ", ""); got.String() != want {
			t.Errorf("%s: %s, want %s (%s)", c.bytes, got.String(), want, c.source)
		}
	}
}

// Those of the negative vectors that are a matter of bytes; a decoder at short 3 does nothing on any of them.
func TestNegativeVectors(t *testing.T) {
	for _, c := range []struct {
		id, bytes string
		fault     Fault
		to        Address
		why       string
	}{
		{"N01", "03 90 92", BadXOR, Address{}, "the error byte is 92, and the bytes before it give 93: bit 0 differs"},
		{"N05", "04 90 94", NoFault, Address{Short, 4}, ""},
		{"N06", "C0 03 90 53", NoFault, Address{Long, 3}, ""},
		{"N07", "81 F9 78", NoFault, Address{Basic, 1}, ""},
		{"N09", "78 03 7B", NoFault, Address{Short, 120}, ""}, // out of service mode an operations packet for 120
		{"N11", "03 03", TooShort, Address{}, "2 bytes: a packet has at least 3"},
		{"N12", "E8 00 90 78", ReservedFirst, Address{}, "first byte 232: 232 to 252 are reserved"},
	} {
		m := Decode(packet(t, c.bytes), Context{})
		if m.Fault != c.fault || m.Address != c.to || m.Why() != c.why {
			t.Errorf("%s %s: fault %d, to %v, %q", c.id, c.bytes, m.Fault, m.Address, m.Why())
		}
		if m.Address == (Address{Short, 3}) {
			t.Errorf("%s is taken to be for short 3", c.id)
		}
	}
	if m := Decode(packet(t, "78 03 7B"), Context{Service: true}); m.Instruction.Op != OpAddressOnly {
		t.Errorf("N09 in service mode is %q", m.Instruction)
	}
	// N10: 32 bytes that start FE with the right error byte. Without the right CRC-8 it says nothing; with it, it is framed.
	long := make([]byte, 0, 32)
	for len(long) < 30 {
		long = append(long, 0xFE)
	}
	if m := Decode(Seal(append(long[:30:30], CRC(long)^1)...), Context{}); m.Fault != BadCRC {
		t.Errorf("N10 with a wrong CRC-8: %q", m.Why())
	}
	if m := Decode(Seal(append(long[:30:30], CRC(long))...), Context{}); !m.OK() || m.Instruction.Op != OpAdvanced {
		t.Errorf("N10: %q", m.Why())
	}
}
