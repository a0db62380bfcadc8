package dcc

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"fettle/internal/unit"
)

// splitmix is the generator of splitmix64 (Steele, Lea, Flood 2014), for the reference stream alone.
type splitmix uint64

func (s *splitmix) next() uint64 {
	*s += 0x9E3779B97F4A7C15
	z := uint64(*s)
	z = (z ^ z>>30) * 0xBF58476D1CE4E5B9
	z = (z ^ z>>27) * 0x94D049BB133111EB
	return z ^ z>>31
}

// referenceEdges makes the first n edges of the reference stream P7 of the numeric checks, in whole microseconds: packets of
// 3 … 6 random bytes, 14 … 18 ones, edges up to 2 µs early or late, in every 64th packet a spike.
func referenceEdges(n int) []uint32 {
	r := splitmix(7)
	edges := make([]uint32, 0, n+600)
	t := uint64(1000)
	var bits []byte
	for len(edges) < n {
		pre, count := 14+r.next()%5, 2+r.next()%4
		bits = bits[:0]
		for range pre {
			bits = append(bits, 1)
		}
		var xor byte
		put := func(b byte) {
			bits = append(bits, 0)
			for i := 7; i >= 0; i-- {
				bits = append(bits, b>>i&1)
			}
		}
		for range count {
			b := byte(r.next())
			xor ^= b
			put(b)
		}
		put(xor)
		bits = append(bits, 1)
		glitch := -1
		if r.next()%64 == 0 {
			glitch = int(r.next() % uint64(2*len(bits)))
		}
		for i := range 2 * len(bits) {
			s := t + r.next()%5 - 2
			edges = append(edges, uint32(s))
			if i == glitch {
				edges = append(edges, uint32(s+20), uint32(s+25))
			}
			if bits[i/2] == 1 {
				t += 58
			} else {
				t += 100
			}
		}
	}
	return edges[:n]
}

// tally is what P7 counts.
type tally struct {
	valid [7]int
	bad   int
	sum   uint32
}

func (c *tally) add(r *Reception) {
	switch r.Ended {
	case EndValid:
		c.valid[len(r.Packet)]++
		for i, b := range r.Packet {
			c.sum += uint32(i+1) * uint32(b)
		}
	case EndBadXOR, EndFew:
		c.bad++
	}
}

// The two rows of P7, numeric checks: obtained there with three decoders, two scalar and one array-based.
var referenceStreams = []struct {
	edges   int
	last    uint32
	hash    uint64
	valid   [7]int
	starts  int64
	invalid int64
	sum     uint32
}{
	{1_000_000, 74413511, 0x972f3cdd95a6ccae, [7]int{3: 2176, 4: 2152, 5: 2121, 6: 2143}, 8672, 384, 14201842},
	{50_000_000, 3720409247, 0x51681d1c96429f5f, [7]int{3: 106978, 4: 107430, 5: 107178, 6: 106986}, 433332, 20451, 710394906},
}

func TestReferenceStream(t *testing.T) {
	for _, want := range referenceStreams {
		t.Run(fmt.Sprint(want.edges), func(t *testing.T) {
			if testing.Short() && want.edges > 1_000_000 {
				t.Skip("long")
			}
			edges := referenceEdges(want.edges)
			hash := uint64(1469598103934665603)
			for _, e := range edges {
				hash = (hash ^ uint64(e)) * 1099511628211
			}
			if last := edges[len(edges)-1]; last != want.last || hash != want.hash {
				t.Fatalf("the stream itself: last edge %d, hash %x; want %d, %x", last, hash, want.last, want.hash)
			}
			r, err := NewReceiver(Settings{})
			if err != nil {
				t.Fatal(err)
			}
			var got tally
			block := make([]unit.Time, 0, 4096)
			for i, e := range edges {
				if block = append(block, unit.Time(e)*us); len(block) == cap(block) || i == len(edges)-1 {
					r.Edges(block, got.add)
					block = block[:0]
				}
			}
			if got.valid != want.valid || got.bad != 0 || got.sum != want.sum {
				t.Errorf("got %+v, want %+v", got, want)
			}
			if r.Starts != want.starts || r.Invalid != want.invalid || r.Halves != int64(want.edges-1) {
				t.Errorf("got %+v, want %+v", r.Counts, want)
			}
		})
	}
}

func TestListenerOnReferenceStream(t *testing.T) {
	want := referenceStreams[0]
	l, err := NewListener(Settings{})
	if err != nil {
		t.Fatal(err)
	}
	var got tally
	for _, e := range referenceEdges(want.edges) {
		if r, ok := l.Edge(unit.Time(e) * us); ok {
			got.add(&r)
		}
	}
	if got.valid != want.valid || got.bad != 0 || got.sum != want.sum {
		t.Errorf("got %+v, want %+v", got, want)
	}
}

// An hour of track is some 55 million edges. This is a minute or so of the reference stream, many times over.
func BenchmarkDecodeRecording(b *testing.B) {
	raw := referenceEdges(4_000_000)
	edges := make([]unit.Time, len(raw))
	for i, e := range raw {
		edges[i] = unit.Time(e) * us
	}
	r, err := NewReceiver(Settings{})
	if err != nil {
		b.Fatal(err)
	}
	var got tally
	b.ReportAllocs()
	for b.Loop() {
		for from := 0; from < len(edges); from += 4096 {
			r.Edges(edges[from:min(from+4096, len(edges))], got.add)
		}
	}
	b.ReportMetric(float64(len(edges))*float64(b.N)/b.Elapsed().Seconds()/1e6, "Medges/s")
}

// receptions of the two roads; the fast one is fed in blocks of the sizes given, over and over.
func bothRoads(t fatal, s Settings, edges []unit.Time, breaks map[int]bool, blocks []int) (fast, plain []Reception) {
	r, err := NewReceiver(s)
	if err != nil {
		t.Fatal(err)
	}
	l, _ := NewListener(s)
	keep := func(r *Reception) {
		c := *r
		c.Packet = append(Packet(nil), r.Packet...)
		fast = append(fast, c)
	}
	from, block := 0, 0
	for from < len(edges) {
		to := min(from+blocks[block%len(blocks)], len(edges))
		block++
		for i := from; i < to; i++ {
			if breaks[i] {
				to = i + 1
			}
		}
		r.Edges(edges[from:to], keep)
		if breaks[to-1] {
			r.Break(edges[to-1], keep)
		}
		from = to
	}
	for i, e := range edges {
		if r, ok := l.Edge(e); ok {
			plain = append(plain, r)
		}
		if breaks[i] {
			if r, ok := l.Break(e); ok {
				plain = append(plain, r)
			}
		}
	}
	return fast, plain
}

func sameReceptions(a, b []Reception) error {
	for i := range min(len(a), len(b)) {
		x, y := a[i], b[i]
		if string(x.Packet) != string(y.Packet) || x.Start != y.Start || x.End != y.End || x.Preamble != y.Preamble || x.Ended != y.Ended {
			return fmt.Errorf("reception %d: fast %+v, plain %+v", i, x, y)
		}
	}
	if len(a) != len(b) {
		return fmt.Errorf("fast %d receptions, plain %d", len(a), len(b))
	}
	return nil
}

// The two roads agree on streams of ones, zeros, packets and damage, in any split into blocks, with any clock.
func TestRoadsAgree(t *testing.T) {
	seen := map[Ending]int{}
	rapid.Check(t, func(t *rapid.T) {
		s := Settings{
			MinOnes: rapid.IntRange(9, 14).Draw(t, "least ones"), MinOnesAfter: rapid.IntRange(0, 14).Draw(t, "after a packet"),
			Advanced:   rapid.Bool().Draw(t, "advanced"),
			ClockError: unit.Ratio(rapid.Float64Range(-0.2, 0.2).Draw(t, "clock")),
		}
		at := unit.Time(rapid.Int64Range(-1e12, 1e12).Draw(t, "begin"))
		random := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		edges := []unit.Time{at}
		breaks := map[int]bool{}
		put := func(h unit.Time) { at += h; edges = append(edges, at) }
		bit := func(one bool) {
			h := NominalZero
			if one {
				h = NominalOne
			}
			put(h)
			put(h)
			switch random.IntN(300) { // trouble inside a packet
			case 0:
				put(unit.Time(random.Int64N(150e6)))
			case 1:
				breaks[len(edges)-1] = true
			}
		}
		for range rapid.IntRange(100, 300).Draw(t, "pieces") {
			switch random.IntN(12) {
			case 0: // any half
				put(unit.Time(random.Int64N(11e9) - 1e6))
			case 1: // near a limit
				limits := []unit.Time{52 * us, 64 * us, 90 * us, 10000 * us}
				put(limits[random.IntN(4)] + unit.Time(random.Int64N(5)-2))
			case 2:
				breaks[len(edges)-1] = true
			case 3: // noise
				for range 1 + random.IntN(40) {
					put(unit.Time(random.Int64N(130e6)))
				}
			default:
				for range random.IntN(22) {
					bit(true)
				}
				n := 2 + random.IntN(4)
				if random.IntN(4) == 0 {
					n = random.IntN(35)
				}
				bytes := make([]byte, n)
				for i := range bytes {
					bytes[i] = byte(random.Uint32())
				}
				switch random.IntN(8) {
				case 0:
				case 1:
					bytes = Seal(append([]byte{0xFD | byte(n&1)}, bytes...)...)
				default:
					bytes = Seal(bytes...)
				}
				for _, b := range bytes {
					bit(false)
					for i := 7; i >= 0; i-- {
						bit(b>>i&1 == 1)
					}
				}
				bit(random.IntN(10) > 0)
			}
		}
		fast, plain := bothRoads(t, s, edges, breaks, rapid.SliceOfN(rapid.IntRange(1, 200), 1, 5).Draw(t, "blocks"))
		if err := sameReceptions(fast, plain); err != nil {
			t.Fatal(err)
		}
		for _, r := range fast {
			seen[r.Ended]++
		}
	})
	for how := EndValid; how <= EndLost; how++ {
		if seen[how] < 20 {
			t.Errorf("%q was drawn %d times only", how, seen[how])
		}
	}
}

// Arbitrary edges: no panic, and the two roads agree. Two bytes are one half-bit in units of 0.25 µs; 0xFFFF breaks the signal.
func FuzzRoads(f *testing.F) {
	var seed []byte
	edges := referenceEdges(400)
	for i, e := range edges {
		d := e - 1000
		if i > 0 {
			d = e - edges[i-1]
		}
		seed = append(seed, byte(4*d>>8), byte(4*d))
	}
	f.Add(seed, uint8(7))
	f.Add([]byte{0xFF, 0xFF, 0, 0}, uint8(1))
	f.Fuzz(func(t *testing.T, data []byte, block uint8) {
		var at unit.Time
		edges := []unit.Time{0}
		breaks := map[int]bool{}
		for i := 0; i+1 < len(data); i += 2 {
			n := int(data[i])<<8 | int(data[i+1])
			if n == 0xFFFF {
				breaks[len(edges)-1] = true
				continue
			}
			at += unit.Time(n) * us / 4
			edges = append(edges, at)
		}
		for _, s := range []Settings{{}, {MinOnesAfter: 1, Advanced: true, ClockError: 0.07}} {
			fast, plain := bothRoads(t, s, edges, breaks, []int{1 + int(block)})
			if err := sameReceptions(fast, plain); err != nil {
				t.Fatal(err)
			}
		}
	})
}

// B01, B02 and B08 of the DCC reference (S-9.1 table 1): a decoder takes ones of 52 to 64 µs whose halves differ by up to 6 µs, zeros
// of 90 to 10000 µs with either half stretched; a picosecond beyond, on whichever half, and the packet is lost.
func TestWholeOfTheDecoderWindows(t *testing.T) {
	lead := Sending{Packet: Packet{0x81, 0xF1, 0x70}}
	for _, c := range []struct {
		one, zero [2]unit.Time
		want      bool
	}{
		{[2]unit.Time{52 * us, 52 * us}, [2]unit.Time{90 * us, 90 * us}, true},
		{[2]unit.Time{64 * us, 64 * us}, [2]unit.Time{10000 * us, 10000 * us}, true},
		{[2]unit.Time{52 * us, 58 * us}, [2]unit.Time{90 * us, 9900 * us}, true},
		{[2]unit.Time{64 * us, 58 * us}, [2]unit.Time{9900 * us, 2100 * us}, true},
		{[2]unit.Time{52*us - 1, 58 * us}, [2]unit.Time{100 * us, 100 * us}, false},
		{[2]unit.Time{58 * us, 64*us + 1}, [2]unit.Time{100 * us, 100 * us}, false},
		{[2]unit.Time{58 * us, 58 * us}, [2]unit.Time{90*us - 1, 100 * us}, false},
		{[2]unit.Time{58 * us, 58 * us}, [2]unit.Time{100 * us, 10000*us + 1}, false},
	} {
		for _, inverted := range []bool{false, true} {
			got := receive(t, Settings{}, collect(t, stream(t, Send(lead, lead), StreamSettings{Timing: Timing{c.one, c.zero}, Inverted: inverted})))
			if ok := len(got) == 2 && got[0].Ended == EndValid && got[1].Ended == EndValid; ok != c.want {
				t.Errorf("ones %v, zeros %v: %+v", c.one, c.zero, got)
			}
		}
	}
}

func TestReceiverDoesNotAllocate(t *testing.T) {
	raw := referenceEdges(100_000)
	edges := make([]unit.Time, len(raw))
	for i, e := range raw {
		edges[i] = unit.Time(e) * us
	}
	r, err := NewReceiver(Settings{Advanced: true})
	if err != nil {
		t.Fatal(err)
	}
	packets := 0
	count := func(*Reception) { packets++ }
	if n := testing.AllocsPerRun(3, func() { r.Edges(edges, count) }); n != 0 || packets < 3000 {
		t.Errorf("%v allocations, %d packets", n, packets)
	}
}

// The plain road, for comparison.
func BenchmarkListen(b *testing.B) {
	raw := referenceEdges(1_000_000)
	l, err := NewListener(Settings{})
	if err != nil {
		b.Fatal(err)
	}
	var got tally
	b.ReportAllocs()
	for b.Loop() {
		for _, e := range raw {
			if r, ok := l.Edge(unit.Time(e) * us); ok {
				got.add(&r)
			}
		}
	}
	b.ReportMetric(float64(len(raw))*float64(b.N)/b.Elapsed().Seconds()/1e6, "Medges/s")
}
