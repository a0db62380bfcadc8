package dcc

import (
	"testing"

	"pgregory.net/rapid"
)

var contexts = []Context{{}, {Steps: Steps14}, {Service: true}}

// Every pair of bytes with its error byte, in each context: 3 × 2^16 packets. Each has a name or a reason, and encodes to
// itself.
func TestEveryThreeBytePacket(t *testing.T) {
	for _, c := range contexts {
		named, reasons := 0, 0
		for pair := range 1 << 16 {
			p := Seal(byte(pair>>8), byte(pair))
			m := Decode(p, c)
			if got := m.Instruction.Append(nil); string(got) != string(p) {
				t.Fatalf("% X in %+v means %q, which encodes to % X", []byte(p), c, m.Instruction, []byte(got))
			}
			if m.OK() == (m.Instruction.Op == OpBytes) || m.OK() == (m.Why() != "") {
				t.Fatalf("% X in %+v: %q, %q", []byte(p), c, m.Instruction, m.Why())
			}
			if m.OK() {
				if err := m.Instruction.Check(); err != nil {
					t.Fatalf("% X in %+v: %q: %v", []byte(p), c, m.Instruction, err)
				}
				named++
			} else {
				reasons++
			}
		}
		t.Logf("%+v: %d named, %d with a reason", c, named, reasons)
	}
}

// Every one of the 2^24 packets of three bytes: valid as its pair of bytes says, or the error byte is named wrong, with
// the bits in which it differs.
func TestEveryThreeBytes(t *testing.T) {
	p := make(Packet, 3)
	for n := range 1 << 24 {
		p[0], p[1], p[2] = byte(n>>16), byte(n>>8), byte(n)
		x := p[0] ^ p[1] ^ p[2]
		if x == 0 {
			continue // above
		}
		if testing.Short() && n%251 != 0 {
			continue
		}
		m := Decode(p[:3:3], Context{})
		if m.Fault != BadXOR || byte(m.got^m.want) != x || m.got != int(p[2]) {
			t.Fatalf("% X: fault %d, %s", []byte(p), m.Fault, m.Why())
		}
	}
}

// XOR finds every error of one bit, in every vector; and an even number of ones stands in every valid packet.
func TestEverySingleBitErrorIsFound(t *testing.T) {
	for _, v := range vectors {
		p := packet(t, v.bytes)
		ones, _ := p.Count(0)
		if !p.Valid() || (ones-1)%2 != 0 {
			t.Errorf("%s: %s has %d ones", v.id, v.bytes, ones-1)
		}
		for k := range 8 * len(p) {
			q := append(Packet(nil), p...)
			q[k/8] ^= 0x80 >> (k % 8)
			if m := Decode(q, v.context); m.Fault != BadXOR || q.Valid() {
				t.Errorf("%s with bit %d wrong means %q", v.id, k, m.Instruction)
			}
		}
	}
}

// Every long address: packet bytes, CV17 and CV18, words (10 240 of them; E7 FF is the last).
func TestEveryLongAddress(t *testing.T) {
	for n := range LongMax + 1 {
		a := Address{Long, uint16(n)}
		hi, lo := LongCVs(uint16(n))
		if int(hi) != 192+n/256 || int(lo) != n%256 { // S-9.2.2 CV17 and 18
			t.Fatalf("long %d is CV17 = %d, CV18 = %d", n, hi, lo)
		}
		if back, ok := LongFrom(hi, lo); !ok || back != a {
			t.Fatalf("CV17 = %d, CV18 = %d is %v", hi, lo, back)
		}
		i := SetFunctions(a, GroupOf(0).With(0, true))
		p, err := i.Packet()
		if err != nil || p[0] != hi || p[1] != lo {
			t.Fatalf("%q makes % X (%v)", i, []byte(p), err)
		}
		if m := Decode(p, Context{}); m.Instruction != i || m.Address != a {
			t.Fatalf("% X means %q, want %q", []byte(p), m.Instruction, i)
		}
		roundWords(t, i)
	}
	for cv17 := range 256 {
		if _, ok := LongFrom(byte(cv17), 0); ok != (cv17 >= 192 && cv17 <= 231) {
			t.Errorf("CV17 = %d: %v", cv17, ok)
		}
	}
}

// roundWords: what an instruction says is read back as it, and said again alike.
func roundWords(t interface {
	Helper()
	Fatalf(string, ...any)
}, i Instruction) {
	t.Helper()
	said, list := Parse("", i.String())
	if len(list) > 0 || len(said) != 1 || said[0].Instruction != i {
		t.Fatalf("%q is read back as %+v: %v; want %+v", i, said, list, i)
	}
	if again := said[0].String(); again != i.String() && !(i.Service() && said[0].Task.Method != NoMethod) {
		t.Fatalf("%q says %q", i, again)
	}
}

// everyOp is every instruction with the given addresses and operands at all their values where those are few, else at
// the ends and some between.
func everyInstruction(yield func(Instruction)) {
	vehicles := []Address{Broadcast, {Short, 1}, {Short, 3}, {Short, 47}, {Short, 112}, {Short, 127}, {Long, 0}, {Long, 47}, {Long, 127}, {Long, 128},
		{Long, 1000}, {Long, 10239}}
	bools := []bool{false, true}
	bytes := func(f func(byte)) {
		for n := range 256 {
			f(byte(n))
		}
	}
	for _, a := range vehicles {
		for _, steps := range []Steps{Steps14, Steps28, Steps128} {
			for step := range steps.Highest() + 1 {
				for flags := range 16 {
					s := Speed{steps, step, flags&1 != 0, flags&2 != 0, flags&4 != 0, flags&8 != 0}
					yield(Drive(a, s))
					for n := uint8(8); n <= 32; n += 8 {
						yield(Instruction{Op: OpSpeedFunctions, Address: a, Speed: s, Functions: Functions{0, n, 0xA5C30F91 & (1<<n - 1)}})
					}
				}
			}
		}
		for n := uint8(0); n <= FunctionMax; {
			g := GroupOf(n)
			for on := range uint32(1) << g.Count {
				g.On = on
				yield(SetFunctions(a, g))
			}
			n = g.First + g.Count
		}
		for _, on := range bools {
			for n := range 128 {
				yield(Instruction{Op: OpState, Address: a, Number: uint16(n), On: on})
				yield(Instruction{Op: OpConsist, Address: a, Number: uint16(n), On: on})
			}
			for n := 0; n < 32768; n += 1 + n/16 {
				yield(Instruction{Op: OpStateLong, Address: a, Number: uint16(n), On: on})
			}
			yield(Instruction{Op: OpStateLong, Address: a, Number: 32767, On: on})
			yield(Instruction{Op: OpExtended, Address: a, On: on})
			yield(Instruction{Op: OpTest, Address: a, On: on})
			for n := range 128 {
				yield(Instruction{Op: OpFlags, Address: a, Number: uint16(n >> 3), Bit: uint8(n & 7), On: on})
			}
			bytes(func(v byte) { yield(Instruction{Op: OpTest, Address: a, On: on, Data: true, Value: v}) })
		}
		for _, op := range []Op{OpReset, OpHardReset, OpAckRequest, OpQuery} {
			yield(Instruction{Op: op, Address: a})
		}
		bytes(func(v byte) {
			yield(Instruction{Op: OpAnalog, Address: a, Number: uint16(255 - v), Value: v})
			for _, cv := range []uint16{17, 19, 31} {
				yield(Instruction{Op: OpCVShort, Address: a, Number: cv, Value: v, Second: 255 - v})
			}
			for _, cv := range []uint16{23, 24} {
				yield(Instruction{Op: OpCVShort, Address: a, Number: cv, Value: v})
			}
		})
	}
	for n := range uint16(128) {
		yield(Instruction{Op: OpLock, Address: Broadcast, Number: n})
	}
	yield(Idle())
	for cv := uint16(1); cv <= 1024; cv++ {
		for access := Verify; access <= WriteBit; access++ {
			for v := range 16 {
				var i Instruction
				i.Access, i.Number = access, cv
				if access.ofBit() {
					i.Bit, i.On = uint8(v&7), v&8 != 0
				} else {
					i.Value = byte(v * 17)
				}
				i.Op, i.Address = OpCV, Vehicle(1+cv)
				yield(i)
				i.Op, i.Address = OpAccessoryCV, Address{Basic, cv % 512}
				yield(i)
				i.Data, i.Second = true, uint8(8+v%8)
				yield(i)
				i.Data, i.Second = false, 0
				i.Address = Address{Extended, cv * 2 % 2048}
				yield(i)
				i.Op, i.Address = OpAccessoryOldCV, Address{Basic, cv % 512}
				yield(i)
				i.Op, i.Address = OpDirect, Address{}
				yield(i)
			}
		}
	}
	for n := range uint16(2048) {
		yield(Instruction{Op: OpAccessoryNOP, Address: Address{Extended, n}})
		if n < 512 {
			for k := range 16 {
				yield(Instruction{Op: OpAccessory, Address: Address{Basic, n}, Number: uint16(k & 3), Bit: uint8(k >> 2 & 1), On: k&8 != 0})
				yield(Instruction{Op: OpAccessoryNOP, Address: Address{Basic, n}, Number: uint16(k & 3)})
			}
		}
		yield(Instruction{Op: OpAspect, Address: Address{Extended, n}, Value: byte(n)})
	}
	bytes(func(v byte) {
		for access := Verify; access <= Write; access++ {
			yield(Instruction{Op: OpAddressOnly, Access: access, Value: v})
			for r := uint16(1); r <= 8; r++ {
				yield(Instruction{Op: OpRegister, Access: access, Number: r, Value: v})
			}
		}
		for n := 2; n <= 30; n++ {
			raw := append([]byte{0xFD + v&1}, make([]byte, n-1)...)
			raw[n-1] = v
			yield(Instruction{Op: OpAdvanced, Raw: string(raw)})
		}
	})
}

// Encoding and decoding is the identity over the space of instructions, and so is saying and reading them; what Check
// refuses is not sent.
func TestEveryInstruction(t *testing.T) {
	n, refused := 0, 0
	seen := map[Op]int{}
	everyInstruction(func(i Instruction) {
		p, err := i.Packet()
		if err != nil {
			refused++
			return
		}
		n++
		c := Context{Steps: i.Speed.Steps, Service: i.Service()}
		m := Decode(p, c)
		if m.Instruction != i || m.Address != i.Address {
			t.Fatalf("%q makes % X, which means %q (%s)", i, []byte(p), m.Instruction, m.Why())
		}
		if seen[i.Op]++; seen[i.Op]%7 == 0 || seen[i.Op] < 2000 {
			roundWords(t, i)
		}
		if o, ok := i.Other(); ok {
			if q, err := o.Packet(); err != nil || string(q) != string(p) || o == i {
				t.Fatalf("%q and its other reading %q: % X, % X, %v", i, o, []byte(p), []byte(q), err)
			}
			if back, _ := o.Other(); back != i {
				t.Fatalf("%q: the other of the other is %q", i, back)
			}
		}
	})
	for op := OpIdle; op < opCount; op++ {
		if seen[op] == 0 {
			t.Errorf("no instruction of op %d was tried", op)
		}
	}
	t.Logf("%d instructions, %d refused", n, refused)
}

// Random bytes of any length: a name or a reason, and encoded they are themselves again.
func TestAnyBytes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := Packet(rapid.SliceOfN(rapid.Byte(), 0, 40).Draw(t, "bytes"))
		if rapid.Bool().Draw(t, "sealed") && len(p) > 0 {
			p = Seal(p...)
		}
		anyBytes(t, p)
	})
}

func anyBytes(t interface {
	Helper()
	Fatalf(string, ...any)
}, p Packet) {
	t.Helper()
	for _, c := range contexts {
		m := Decode(p, c)
		if got := m.Instruction.Append(nil); string(got) != string(p) {
			t.Fatalf("% X in %+v means %q, which encodes to % X", []byte(p), c, m.Instruction, []byte(got))
		}
		if m.OK() == (m.Why() != "") {
			t.Fatalf("% X in %+v: fault %d, %q", []byte(p), c, m.Fault, m.Why())
		}
		if !c.Service && c.Steps != Steps14 && len(p) > 0 && len(p) <= bytesMax {
			roundWords(t, m.Instruction)
		}
	}
}

// A packet of a common format is decoded without allocation.
func TestDecodeDoesNotAllocate(t *testing.T) {
	for _, v := range vectors {
		p := packet(t, v.bytes)
		if n := testing.AllocsPerRun(100, func() { Decode(p, v.context) }); n != 0 {
			t.Errorf("%s: %g allocations", v.id, n)
		}
	}
}

func BenchmarkDecode(b *testing.B) {
	var ps []Packet
	for _, v := range vectors {
		ps = append(ps, packet(b, v.bytes))
	}
	b.ReportAllocs()
	for n := 0; b.Loop(); n++ {
		Decode(ps[n%len(ps)], Context{})
	}
}

func FuzzDecode(f *testing.F) {
	for _, v := range vectors {
		f.Add([]byte(packet(f, v.bytes)))
	}
	f.Add([]byte{0xFE, 1, 2, 3, 4, 5, 6, 7})
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, b []byte) { anyBytes(t, b) })
}
