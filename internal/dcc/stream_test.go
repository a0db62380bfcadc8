package dcc

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"fettle/internal/unit"
	"fettle/internal/wave"
)

// fatal is a test of either kind.
type fatal interface{ Fatal(...any) }

func stream(t fatal, feed Feed, s StreamSettings) *Stream {
	r, err := NewStream(feed, s)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func collect(t fatal, s wave.Source) wave.Changes {
	c, err := Collect(s)
	if err != nil {
		t.Fatal(err)
	}
	checkChanges(t, c)
	return c
}

// checkChanges holds what wave.Changes promises.
func checkChanges(t fatal, c wave.Changes) {
	for i := range c.At {
		if i > 0 && (c.At[i] <= c.At[i-1] || c.To[i] == c.To[i-1]) {
			t.Fatal(fmt.Sprintf("change %d: %d %d after %d %d", i, c.At[i], c.To[i], c.At[i-1], c.To[i-1]))
		}
	}
}

// receive is every reception of the changes.
func receive(t fatal, s Settings, c wave.Changes) (all []Reception) {
	r, err := NewReceiver(s)
	if err != nil {
		t.Fatal(err)
	}
	r.Changes(&c, func(r *Reception) {
		kept := *r
		kept.Packet = slices.Clone(r.Packet)
		all = append(all, kept)
	})
	return all
}

// Bits sent the other way round; the string is V02 of the DCC reference, spoiled.
func TestBitsOfASending(t *testing.T) {
	s := Sending{Packet: Packet{0xFF, 0x00, 0xFF}, Flip: []int{0, 27, -14, 28, -15}}
	var got strings.Builder
	for _, bit := range s.AppendBits(nil) {
		got.WriteByte('0' + bit)
	}
	if want := strings.ReplaceAll("01111111111111 1 11111111 0 00000000 0 11111111 0", " ", ""); got.String() != want {
		t.Errorf("%s, want %s", got.String(), want)
	}
}

// Durations of section 2.4 of the DCC reference and E-09, E-10 of the checks: computed from S-9.2 and S-9.1 table 1.
func TestDurationOnTheTrack(t *testing.T) {
	short := Timing{One: [2]unit.Time{55 * us, 55 * us}, Zero: [2]unit.Time{95 * us, 95 * us}}
	for _, c := range []struct {
		name   string
		s      Sending
		timing Timing
		want   unit.Time
	}{
		{"idle", Sending{Packet: Packet{0xFF, 0x00, 0xFF}}, Timing{}, 5796 * us},
		{"idle, shortest legal halves", Sending{Packet: Packet{0xFF, 0x00, 0xFF}}, short, 5500 * us},
		{"idle, zeros of 116 µs", Sending{Packet: Packet{0xFF, 0x00, 0xFF}}, Timing{Zero: [2]unit.Time{116 * us, 116 * us}}, 6148 * us},
		{"reset", Sending{Packet: Packet{0, 0, 0}}, Timing{}, 7140 * us},
		{"reset in service mode", Sending{Packet: Packet{0, 0, 0}, Preamble: 20}, Timing{}, 7836 * us},
		{"page preset", Sending{Packet: Packet{0x7D, 0x01, 0x7C}, Preamble: 20}, Timing{}, 6828 * us},
		{"factory reset", Sending{Packet: Packet{0x7F, 0x08, 0x77}, Preamble: 20}, Timing{}, 6660 * us},
	} {
		var logged unit.Time
		begin := 3 * unit.Millisecond
		all := collect(t, stream(t, Send(c.s), StreamSettings{Timing: c.timing, Begin: begin,
			Log: func(s Sent) { logged = s.End - s.Begin }}))
		bits := len(c.s.AppendBits(nil))
		if got := all.At[2*bits] - all.At[0]; got != c.want || logged != c.want || all.At[0] != begin {
			t.Errorf("%s: %v µs on the track, %v logged, begins at %v; want %v", c.name, micros(got), micros(logged),
				micros(all.At[0]), micros(c.want))
		}
	}
}

// The durations of section 4 of the DCC reference, on the track, and every vector received as it was sent.
func TestVectorsOnTheTrack(t *testing.T) {
	for _, v := range vectors {
		s := Sending{Packet: packet(t, v.bytes), Preamble: v.preamble}
		c := collect(t, stream(t, Send(s), StreamSettings{}))
		bits := v.ones + v.zeros
		if got := c.At[2*bits] - c.At[0]; got != unit.Time(v.us)*us {
			t.Errorf("%s: %v µs, want %d", v.id, micros(got), v.us)
		}
		got := receive(t, Settings{}, c)
		if len(got) != 1 || got[0].Ended != EndValid || string(got[0].Packet) != string(s.Packet) || got[0].Preamble != v.preamble {
			t.Errorf("%s: %+v", v.id, got)
		}
	}
}

// Uneven and stretched halves, jitter, polarity, begin inside a packet, gaps: within the windows of S-9.1 what is sent is what is
// received, in order, with the times of the log to within the jitter.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		within := func(name string, w Window, slack unit.Time) unit.Time {
			return unit.Time(rapid.Int64Range(int64(w.Min+slack), int64(w.Max-slack)).Draw(t, name))
		}
		jitter := unit.Time(rapid.Int64Range(0, int64(750*unit.Nanosecond)).Draw(t, "jitter"))
		one := within("one", StationLimits.One, 2*jitter)
		most := min(StationLimits.OneDifference, StationLimits.One.Max-2*jitter-one, one-StationLimits.One.Min-2*jitter)
		timing := Timing{One: [2]unit.Time{one, one + max(0, most)}}
		first := within("zero", StationLimits.Zero, 2*jitter)
		rest := Window{StationLimits.Zero.Min, min(StationLimits.Zero.Max, StationLimits.ZeroTotal-first)}
		if rapid.Bool().Draw(t, "short zeros") {
			first, rest = within("short zero", Window{95 * us, 120 * us}, 2*jitter), Window{95 * us, 120 * us}
		}
		timing.Zero = [2]unit.Time{first, within("other half", rest, 2*jitter)}
		var sent []Sending
		for range rapid.IntRange(1, 20).Draw(t, "packets") {
			s := Sending{
				Packet:   Seal(rapid.SliceOfN(rapid.Byte(), 2, 5).Draw(t, "bytes")...),
				Preamble: rapid.IntRange(14, 30).Draw(t, "preamble"),
			}
			if rapid.Bool().Draw(t, "cut-out") {
				s.Gap = Window{within("from", CutoutBegins, 0), within("to", CutoutEnds, 0)}
			}
			sent = append(sent, s)
		}
		var log []Sent
		all := collect(t, stream(t, Send(sent...), StreamSettings{
			Timing: timing, Jitter: jitter, Seed: rapid.Uint64().Draw(t, "seed"),
			Begin:    unit.Time(rapid.Int64Range(-1e12, 1e12).Draw(t, "begin")),
			Inverted: rapid.Bool().Draw(t, "inverted"),
			Log:      func(s Sent) { log = append(log, s) },
		}))
		// Begin anywhere inside the first packet or its preamble: only that one may be missing.
		skip := rapid.IntRange(0, 2*len(sent[0].AppendBits(nil))-1).Draw(t, "missed")
		all.At, all.To = all.At[skip:], all.To[skip:]
		got := receive(t, Settings{}, all)
		missed := len(sent) - len(got)
		if missed != 0 && (missed != 1 || skip == 0) {
			t.Fatalf("%d sent, %d received", len(sent), len(got))
		}
		for i, r := range got {
			s, l := sent[missed+i], log[missed+i]
			if r.Ended != EndValid || string(r.Packet) != string(s.Packet) {
				t.Fatalf("packet %d: sent % X, received % X (%v)", i, []byte(s.Packet), []byte(r.Packet), r.Ended)
			}
			if d := r.Start - l.Start; d < -jitter || d > jitter {
				t.Fatalf("packet %d starts %v ps off", i, d)
			}
			if d := r.End - l.End; d < -jitter || d > jitter {
				t.Fatalf("packet %d ends %v ps off", i, d)
			}
			want := s.Preamble
			switch {
			case i == 0:
				want = r.Preamble // part of it may be missing, or ones of the packet before be counted in
			case sent[missed+i-1].Gap == Window{}:
				want++ // the end bit
			}
			if r.Preamble != want {
				t.Fatalf("packet %d: %d ones of preamble, %d sent", i, r.Preamble, want)
			}
		}
	})
}

// A cut-out after every packet hides nothing of a preamble sent whole; the part of a half before it is not a half-bit.
func TestCutoutIsNoHalfBit(t *testing.T) {
	s := Sending{Packet: Packet{0x03, 0x90, 0x93}, Preamble: 16, Gap: Window{CutoutBegins.Min, CutoutEnds.Max}}
	all := collect(t, stream(t, Send(s, s, s), StreamSettings{}))
	r, err := NewReceiver(Settings{})
	if err != nil {
		t.Fatal(err)
	}
	for i, to := range all.To {
		if i > 0 && all.To[i-1] == wave.None && to != wave.Positive {
			t.Errorf("bits begin negative after the gap at %v µs", micros(all.At[i]))
		}
	}
	n := 0
	r.Changes(&all, func(r *Reception) {
		if n++; r.Ended != EndValid || r.Preamble != 16 {
			t.Errorf("%+v", *r)
		}
	})
	if n != 3 || r.Invalid != 0 {
		t.Errorf("%d packets, %+v", n, r.Counts)
	}
}

// P06 and P07 of the reference: with any one bit wrong the packet is never received, and the one behind it is.
func TestSingleBitErrors(t *testing.T) {
	good := Sending{Packet: Packet{0x03, 0x80, 0x83}}
	for _, p := range []Packet{{0x03, 0x90, 0x93}, {0xC3, 0xE8, 0x90, 0xBB}, {0xC3, 0xE8, 0xEC, 0x30, 0x80, 0x77}} {
		for i, s := range SingleBitErrors(p) {
			var valid []string
			for _, r := range receive(t, Settings{}, collect(t, stream(t, Send(good, s, good), StreamSettings{}))) {
				if r.Ended == EndValid {
					valid = append(valid, string(r.Packet))
				}
			}
			if len(valid) != 2 || valid[0] != string(good.Packet) || valid[1] != string(good.Packet) {
				t.Errorf("% X with bit %d wrong: received %X", []byte(p), i, valid)
			}
		}
	}
}

// The negative vectors of the DCC reference: what a receiver that gives up after six bytes makes of each stimulus.
func TestNegatives(t *testing.T) {
	light := string(Packet{0x03, 0x90, 0x93})
	want := map[string][]Ending{ // of the stimulus and what follows of it
		"N01": {EndBadXOR}, "N02": nil, "N03": {EndFew}, "N04": {EndBadXOR}, "N05": {EndValid}, "N06": {EndValid}, "N07": {EndValid},
		"N08": {EndBadHalf}, "N09": {EndValid}, "N10": {EndMany}, "N11": {EndFew}, "N12": {EndValid},
	}
	all := Negatives()
	if len(all) != len(want) {
		t.Fatalf("%d negative vectors, want %d", len(all), len(want))
	}
	for _, n := range all {
		got := receive(t, Settings{}, collect(t, stream(t, Send(n.Sendings...), StreamSettings{})))
		if len(got) < 2 {
			t.Fatalf("%s: %+v", n.ID, got)
		}
		lead, idle := got[0], got[len(got)-1]
		if lead.Ended != EndValid || idle.Ended != EndValid || string(idle.Packet) != "\xFF\x00\xFF" {
			t.Errorf("%s: lead %+v, idle %+v", n.ID, lead, idle)
		}
		var ends []Ending
		for _, r := range got[1 : len(got)-1] {
			ends = append(ends, r.Ended)
			if r.Ended == EndValid && string(r.Packet) == light {
				t.Errorf("%s: obeyed", n.ID)
			}
		}
		if !slices.Equal(ends, want[n.ID]) {
			t.Errorf("%s (%s): %v, want %v", n.ID, n.Fault, ends, want[n.ID])
		}
	}
}

// Partitions 253 and 254 hold up to 32 bytes (S-9.2.1.1, from a digest): received whole by who asks for it.
func TestAdvancedPacketReceivedWhole(t *testing.T) {
	for _, n := range Negatives() {
		if n.ID != "N10" {
			continue
		}
		got := receive(t, Settings{Advanced: true}, collect(t, stream(t, Send(n.Sendings...), StreamSettings{})))
		if len(got) != 3 || got[1].Ended != EndValid || len(got[1].Packet) != AdvancedMax {
			t.Errorf("%+v", got)
		}
	}
}

// The preamble rules of S-9.2 A: nine ones are refused whatever is set below, ten are the default, twelve must do.
func TestPreambleLengths(t *testing.T) {
	lead := Sending{Packet: Packet{0x81, 0xF1, 0x70}}
	for _, c := range []struct {
		ones int // end bit counted in
		s    Settings
		want bool
	}{
		{9, Settings{}, false}, {10, Settings{}, true}, {11, Settings{MinOnes: 12}, false}, {12, Settings{MinOnes: 12}, true},
		{60, Settings{}, true}, {9, Settings{MinOnesAfter: 1}, true}, {2, Settings{MinOnesAfter: 1}, true},
	} {
		s := Sending{Packet: Packet{0x03, 0x90, 0x93}, Preamble: c.ones - 1}
		got := receive(t, c.s, collect(t, stream(t, Send(lead, s), StreamSettings{})))
		if ok := len(got) == 2; ok != c.want || ok && got[1].Preamble != c.ones {
			t.Errorf("%d ones, %+v: %+v", c.ones, c.s, got)
		}
	}
}

// S-9.1 table 1: a decoder whose clock is e off still takes every legal half while 55·(1+e) ≥ 52, 61·(1+e) ≤ 64, 95·(1+e) ≥ 90 and
// 9900·(1+e) ≤ 10000. Of a stream at 58 and 100 µs the first limit is 90/100 − 1 = −10 % and 64/58 − 1 = +10.34 %.
func TestClockErrorAtTheLimit(t *testing.T) {
	s := Sending{Packet: Packet{0x03, 0x90, 0x93}}
	c := collect(t, stream(t, Send(s, s), StreamSettings{}))
	for _, x := range []struct {
		ppm  float64
		want int
	}{{-100001, 0}, {-100000, 2}, {0, 2}, {103448, 2}, {103449, 0}} {
		n := 0
		for _, r := range receive(t, Settings{ClockError: unit.Ratio(x.ppm / 1e6)}, c) {
			if r.Ended == EndValid {
				n++
			}
		}
		if n != x.want {
			t.Errorf("clock %+.4f %% off: %d received, want %d", x.ppm/1e4, n, x.want)
		}
	}
}

// A zero that drifts from 100 to 80 µs: packets are lost from the moment at which it leaves the decoder's window.
func TestDriftingZero(t *testing.T) {
	short := Timing{Zero: [2]unit.Time{80 * us, 80 * us}}
	var sent []Sending
	for range 200 {
		sent = append(sent, Sending{Packet: Packet{0x03, 0x90, 0x93}})
	}
	c := collect(t, stream(t, Send(sent...), StreamSettings{Drift: []Moment{{0, Timing{}}, {unit.Second, short}}}))
	last := unit.Time(0)
	for _, r := range receive(t, Settings{}, c) {
		if r.Ended == EndValid {
			last = max(last, r.End)
		}
	}
	if ms := last.Seconds() * 1000; ms < 490 || ms > 500 { // 90 µs at 500 ms
		t.Errorf("last packet received at %.1f ms", ms)
	}
}

func TestStreamSettingsThatCannotBe(t *testing.T) {
	for _, s := range []StreamSettings{
		{Timing: Timing{One: [2]unit.Time{58 * us, 0}}}, {Timing: Timing{Zero: [2]unit.Time{2 * unit.Second, 100 * us}}},
		{Jitter: -1}, {Jitter: 14501 * unit.Nanosecond}, {Drift: []Moment{{At: 1}, {At: 1}}},
		{Drift: []Moment{{Timing: Timing{One: [2]unit.Time{-1, 1}}}}},
	} {
		if _, err := NewStream(Send(), s); err == nil {
			t.Errorf("%+v was accepted", s)
		}
	}
}

// Disturbances change nothing outside themselves, and never make a change that is none.
func TestDisturb(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		feed := func() Feed {
			var s []Sending
			for range 120 {
				s = append(s, Sending{Packet: Packet{0x03, 0x90, 0x93}, Gap: Window{26 * us, 460 * us}})
			}
			return Send(s...)
		}
		clean := collect(t, stream(t, feed(), StreamSettings{}))
		var d []Disturbance
		at := unit.Time(0)
		for range rapid.IntRange(0, 6).Draw(t, "disturbances") {
			from := at + unit.Time(rapid.Int64Range(0, 2e11).Draw(t, "after"))
			at = from + unit.Time(rapid.Int64Range(0, 2e10).Draw(t, "length"))
			d = append(d, Disturbance{from, at, unit.Time(rapid.SampledFrom([]int64{0, 1, 1e6, 1e8}).Draw(t, "between"))})
			if d[len(d)-1].Between == 1 {
				d[len(d)-1].To = min(at, from+1000)
			}
		}
		spoiled := collect(t, Disturb(stream(t, feed(), StreamSettings{}), d, rapid.Uint64().Draw(t, "seed")))
		outside := func(t unit.Time) bool {
			for _, d := range d {
				if d.From <= t && t <= d.To {
					return false
				}
			}
			return true
		}
		for _, all := range []wave.Changes{clean, spoiled} {
			for _, x := range all.At {
				if outside(x) && polarityAt(clean, x) != polarityAt(spoiled, x) {
					t.Fatalf("at %d %d, undisturbed %d", x, polarityAt(spoiled, x), polarityAt(clean, x))
				}
			}
		}
		for _, d := range d {
			if x := d.From + (d.To-d.From)/2; d.Between == 0 && d.To > d.From && polarityAt(spoiled, x) != wave.None {
				t.Fatalf("contact lost from %d to %d and still %d", d.From, d.To, polarityAt(spoiled, x))
			}
		}
	})
}

// The same on small times, where changes of signal and disturbance fall together, from a source in small blocks.
func TestDisturbanceMeetsChange(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := anyChanges(t)
		var d []Disturbance
		at := unit.Time(-60)
		for range rapid.IntRange(0, 8).Draw(t, "disturbances") {
			from := at + unit.Time(rapid.IntRange(0, 60).Draw(t, "after"))
			at = from + unit.Time(rapid.IntRange(0, 20).Draw(t, "length"))
			d = append(d, Disturbance{From: from, To: at})
		}
		got := collect(t, Disturb(&blocks{c}, d, 0))
		for x := unit.Time(-100); len(c.At) > 0 && x < c.At[len(c.At)-1]; x++ {
			want := polarityAt(c, x)
			for _, d := range d {
				if d.From <= x && x < d.To {
					want = wave.None
				}
			}
			if polarityAt(got, x) != want {
				t.Fatalf("at %d %d, want %d", x, polarityAt(got, x), want)
			}
		}
	})
}

// Odd halves may be shorter than the jitter: edges keep their order all the same.
func TestJitterKeepsOrder(t *testing.T) {
	s := Sending{Packet: Packet{0x03, 0x90, 0x93}}
	for i := range 40 {
		s.Odd = append(s.Odd, OddHalf{i, us})
	}
	for seed := range uint64(10) {
		collect(t, stream(t, Send(s, s, s), StreamSettings{Jitter: 14 * us, Seed: seed}))
	}
}

func TestNoiseSpoilsAPacket(t *testing.T) {
	s := Sending{Packet: Packet{0x03, 0x90, 0x93}}
	c := collect(t, Disturb(stream(t, Send(s, s, s), StreamSettings{}), []Disturbance{{9 * unit.Millisecond, 10 * unit.Millisecond,
		20 * us}}, 1))
	var ends []Ending
	for _, r := range receive(t, Settings{}, c) {
		ends = append(ends, r.Ended)
	}
	if !slices.Equal(ends, []Ending{EndValid, EndBadHalf, EndValid}) {
		t.Error(ends)
	}
}

func BenchmarkSendRecording(b *testing.B) {
	s := Sending{Packet: Packet{0x03, 0x3F, 0x82, 0xBE}}
	feed := func(unit.Time) (Sending, bool) { return s, true }
	r := stream(b, feed, StreamSettings{Jitter: us / 2})
	var c wave.Changes
	edges := 0
	b.ReportAllocs()
	for b.Loop() {
		if err := r.Next(&c); err != nil {
			b.Fatal(err)
		}
		edges += len(c.At)
	}
	b.ReportMetric(float64(edges)/b.Elapsed().Seconds()/1e6, "Medges/s")
}
