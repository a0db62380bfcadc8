package audit

import (
	"context"
	"io"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"fettle/internal/dcc"
	"fettle/internal/unit"
	"fettle/internal/wave"
)

// blocks gives changes out in blocks of the sizes in turn.
type blocks struct {
	c     wave.Changes
	sizes []int
	next  int
}

func (b *blocks) Next(c *wave.Changes) error {
	if len(b.c.At) == 0 {
		return io.EOF
	}
	n := len(b.c.At)
	if len(b.sizes) > 0 {
		n = min(n, b.sizes[b.next%len(b.sizes)])
		b.next++
	}
	c.At, c.To = append(c.At[:0], b.c.At[:n]...), append(c.To[:0], b.c.To[:n]...)
	b.c.At, b.c.To = b.c.At[n:], b.c.To[n:]
	return nil
}

var oddLengths = []unit.Time{1 * us, 20 * us, 39 * us, 40 * us, 45 * us, 51 * us, 52 * us, 54 * us, 55 * us, 61 * us, 62 * us, 64 * us, 65 * us, 75900 * unit.Nanosecond,
	76 * us, 89 * us, 90 * us, 94 * us, 95 * us, 120 * us, 5000 * us, 9900 * us, 9950 * us, 10000 * us, 12000 * us, 20000 * us, 20001 * us}

// anyTrack draws a signal with whatever may be wrong with one; mild: without disturbances, and with
// whole preambles whose halves are ones or nothing.
func anyTrack(t *rapid.T, mild bool) wave.Changes {
	var all []dcc.Sending
	for range rapid.IntRange(1, 12).Draw(t, "packets") {
		var s dcc.Sending
		body := rapid.SliceOfN(rapid.Byte(), 1, 6).Draw(t, "bytes")
		if rapid.Bool().Draw(t, "common") {
			body = rapid.SampledFrom([][]byte{{0xFF, 0}, {0, 0}, {3, 0x90}, {3, 0x80}, {47, 0x3F, 0x85}, {0x78, 0x03}, {0xC4, 0xB4, 0x90}, {3, 0xEC, 28, 6}, {3, 0xDE, 1}}).Draw(t, "packet")
		}
		s.Packet = dcc.Seal(append([]byte(nil), body...)...)
		s.Preamble = rapid.SampledFrom([]int{1, 2, 5, 8, 9, 10, 13, 14, 14, 14, 14, 20, 60}).Draw(t, "preamble")
		if mild {
			s.Preamble = max(s.Preamble, dcc.PreambleOperations)
		}
		if rapid.IntRange(0, 3).Draw(t, "flips") == 0 {
			s.Flip = []int{rapid.IntRange(0, 9*len(s.Packet)).Draw(t, "flip")}
			if mild && s.Flip[0] == 0 { // a start bit of 1 would make data a part of the preamble
				s.Flip[0] = 1
			}
		}
		for range max(0, rapid.IntRange(-3, 2).Draw(t, "odd")) {
			odd := dcc.OddHalf{Index: rapid.IntRange(-2*s.Preamble, 18*len(s.Packet)+1).Draw(t, "half"), Length: rapid.SampledFrom(oddLengths).Draw(t, "length")}
			if isZero(odd.Length) && mild && (odd.Index < 0 || odd.Index >= 18*len(s.Packet)) {
				odd.Length = 63 * us
			}
			s.Odd = append(s.Odd, odd)
		}
		if rapid.IntRange(0, 5).Draw(t, "gaps") == 0 {
			from := unit.Time(rapid.IntRange(1, 200).Draw(t, "gap")) * us
			s.Gap = dcc.Window{Min: from, Max: from + unit.Time(rapid.IntRange(1, 1000).Draw(t, "gap length"))*us}
		}
		all = append(all, s)
	}
	set := dcc.StreamSettings{Seed: rapid.Uint64().Draw(t, "seed"), Inverted: rapid.Bool().Draw(t, "inverted")}
	if rapid.Bool().Draw(t, "jittery") {
		set.Jitter = unit.Time(rapid.IntRange(0, 6).Draw(t, "jitter")) * us / 2
	}
	stream, err := dcc.NewStream(dcc.Send(all...), set)
	if err != nil {
		t.Fatal(err)
	}
	var d []dcc.Disturbance
	for from := unit.Time(0); !mild && rapid.IntRange(0, 2).Draw(t, "disturbances") == 0; {
		from += unit.Time(rapid.IntRange(100, 20_000).Draw(t, "disturbed")) * us
		to := from + unit.Time(rapid.IntRange(1, 5_000).Draw(t, "for"))*us
		d = append(d, dcc.Disturbance{From: from, To: to, Between: unit.Time(rapid.IntRange(0, 40).Draw(t, "between")) * us})
		from = to
	}
	c, err := dcc.Collect(dcc.Disturb(stream, d, set.Seed))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// A plain is what an audit should find, worked out with the whole recording in hand, half by half.
type plain struct {
	ended          [dcc.EndLost + 1]int64
	ones, zeros    int64
	one, zero      Extent
	difference     unit.Time
	total          unit.Time
	broken         [DecoderZero + 1][2]int64 // by more, and by no more, than the resolution
	signed, time   unit.Time
	halves, others int64 // in packets and preambles; outside
	gaps           int64
	none           int64 // halves that are no bits
	starts         []unit.Time
}

func plainly(t interface{ Fatal(...any) }, c wave.Changes, resolution unit.Time) plain {
	p := plain{one: nothing, zero: nothing}
	listener, err := dcc.NewListener(reading)
	if err != nil {
		t.Fatal(err)
	}
	var receptions []dcc.Reception
	index := map[unit.Time]int{}
	for i, at := range c.At {
		index[at] = i
		var r dcc.Reception
		var ok bool
		if c.To[i] == wave.Positive || c.To[i] == wave.Negative {
			r, ok = listener.Edge(at)
		} else {
			r, ok = listener.Break(at)
		}
		if ok {
			receptions = append(receptions, r)
		}
	}
	n := len(c.At) - 1
	length := func(i int) unit.Time { return c.At[i+1] - c.At[i] }
	isHalf := func(i int) bool {
		return i >= 0 && i < n && (c.To[i] == 1 || c.To[i] == -1) && (c.To[i+1] == 1 || c.To[i+1] == -1)
	}
	isOne := func(i int) bool { return isHalf(i) && length(i) >= 40*us && length(i) <= 75900*unit.Nanosecond }
	isZero := func(i int) bool { return isHalf(i) && length(i) > 75900*unit.Nanosecond && length(i) <= 20*ms }
	const loose, judged = 0, 1
	status := make([]int, n+1)
	judge := func(from, to int) { // edges; whole bits
		for i := from; i < to; i += 2 {
			x, y := length(i), length(i+1)
			status[i], status[i+1] = judged, judged
			beyond := func(r Rule, by unit.Time, doubt unit.Time) {
				if by > doubt {
					p.broken[r][0]++
				} else if by > 0 {
					p.broken[r][1]++
				}
			}
			switch {
			case isOne(i) && isOne(i+1):
				p.ones++
				for _, h := range []unit.Time{x, y} {
					p.one.add(Extent{h, h})
					beyond(StationOne, max(55*us-h, h-61*us), resolution)
					beyond(DecoderOne, max(52*us-h, h-64*us), resolution)
				}
				d := max(x-y, y-x)
				p.difference = max(p.difference, d)
				beyond(StationDifference, d-3*us, 2*resolution)
				beyond(DecoderDifference, d-6*us, 2*resolution)
			case isZero(i) && isZero(i+1):
				p.zeros++
				for _, h := range []unit.Time{x, y} {
					p.zero.add(Extent{h, h})
					beyond(StationZero, max(95*us-h, h-9900*us), resolution)
					beyond(DecoderZero, max(90*us-h, h-10000*us), resolution)
				}
				p.total = max(p.total, x+y)
				beyond(StationTotal, x+y-12000*us, resolution)
			}
		}
	}
	done, whole := 0, false
	for _, r := range receptions {
		p.ended[r.Ended]++
		start, end := index[r.Start], index[r.End]
		if r.Ended == dcc.EndValid {
			p.starts = append(p.starts, r.Start)
		}
		run := start
		for run > done && isOne(run-1) {
			run--
		}
		// The ones in front of a packet count from the end bit; where anything else stands there, the first bit may be a part of it.
		first := start - (start-run)/2*2
		if !(whole && run == done && (start-done)%2 == 0) {
			first = min(first+2, start)
		}
		judge(first, start)
		if r.Ended == dcc.EndBadHalf || r.Ended == dcc.EndLost {
			done, whole = end, false
			continue
		}
		unlike := start // where a bit begins whose halves are not alike
		for unlike < end && isOne(unlike) == isOne(unlike+1) {
			unlike += 2
		}
		judge(start, unlike)
		done = end
		whole = unlike == end && (r.Ended == dcc.EndValid || r.Ended == dcc.EndBadXOR && !noEndBit(r.Packet))
	}
	for i := range n {
		if c.To[i] == wave.None {
			p.gaps++
			continue
		}
		p.signed += unit.Time(c.To[i]) * length(i)
		p.time += length(i)
		switch {
		case !isHalf(i):
		case status[i] == judged:
			p.halves++
		default:
			p.others++
			// A short one after a gap is the rest of a half.
			if !isOne(i) && !isZero(i) && (i == 0 || c.To[i-1] != wave.None || length(i) >= 40*us) {
				p.none++
			}
		}
	}
	return p
}

func sum(h *Histogram) (n int64) {
	for _, k := range h.Bins {
		n += k
	}
	return n
}

// Two roads: the audit in one pass over blocks of any size against a plain account of the whole recording; and the blocks change nothing.
func TestAgainstPlain(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := anyTrack(t, false)
		set := Settings{Resolution: unit.Time(rapid.IntRange(0, 2).Draw(t, "resolution")) * us / 2}
		o, err := Audit(context.Background(), &blocks{c: c}, set)
		if err != nil {
			t.Fatal(err)
		}
		p := plainly(t, c, set.Resolution)
		if o.Packets.Ended != p.ended {
			t.Fatalf("ended %v, want %v", o.Packets.Ended, p.ended)
		}
		if o.Ones != p.ones || o.Zeros != p.zeros || o.One.Extent != p.one || o.Zero.Extent != p.zero || o.Difference.Value != p.difference || o.Total.Value != p.total {
			t.Fatalf("%d ones %v, %d zeros %v, difference %d, total %d; want %d %v, %d %v, %d, %d", o.Ones, o.One, o.Zeros, o.Zero, o.Difference.Value, o.Total.Value,
				p.ones, p.one, p.zeros, p.zero, p.difference, p.total)
		}
		for r := range p.broken {
			if got := [2]int64{o.Rules[r].Broken, o.Rules[r].Near}; got != p.broken[r] {
				t.Fatalf("%s: %v, want %v", Rule(r).ID(), got, p.broken[r])
			}
		}
		if got := sum(&o.Halves[0]) + sum(&o.Halves[1]); got != p.halves || sum(&o.Loose) != p.others {
			t.Fatalf("%d halves and %d outside, want %d and %d", got, sum(&o.Loose), p.halves, p.others)
		}
		if o.Direct.Signed != p.signed || o.Direct.Total != p.time {
			t.Fatalf("direct %d of %d, want %d of %d", o.Direct.Signed, o.Direct.Total, p.signed, p.time)
		}
		if o.Gaps.Count-o.Gaps.Inferred != p.gaps {
			t.Fatalf("%d gaps, want %d", o.Gaps.Count, p.gaps)
		}
		if p.none > 0 != (o.BurstCount > 0) && o.Gaps.Inferred == 0 {
			t.Fatalf("%d disturbances of %d halves", o.BurstCount, p.none)
		}
		cut, err := Audit(context.Background(), &blocks{c: c, sizes: rapid.SliceOfN(rapid.IntRange(1, 300), 1, 5).Draw(t, "blocks")}, set)
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(o, cut) {
			t.Fatal("other findings from other blocks")
		}
	})
}

// Two roads: the clock errors at which a packet stays in the windows, against receivers that really have them. Where one half of a one in
// front of a packet is as long as a zero, and in noise, a receiver may take up the ones before it as well: it loses no more.
func TestSweepAgainstReceivers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		mild := rapid.Bool().Draw(t, "mild")
		c := anyTrack(t, mild)
		o, err := Audit(context.Background(), &blocks{c: c}, Settings{})
		if err != nil {
			t.Fatal(err)
		}
		starts := map[unit.Time]bool{}
		for _, at := range plainly(t, c, 0).starts {
			starts[at] = true
		}
		windows, sample := o.Sweep.Windows.Lost(o.Sweep.Packets), o.Sweep.Sample.Lost(o.Sweep.Packets)
		for i := rapid.IntRange(0, 9).Draw(t, "from"); i < SweepPoints; i += 10 {
			lost := func(s dcc.Settings) int64 {
				s.ClockError, s.Advanced = unit.Ratio(ErrorAt(i)), true
				r, err := dcc.NewReceiver(s)
				if err != nil {
					t.Fatal(err)
				}
				n := int64(len(starts))
				r.Changes(&c, func(r *dcc.Reception) {
					if r.Ended == dcc.EndValid && starts[r.Start] {
						n--
					}
				})
				return n
			}
			if want := lost(dcc.Settings{}); windows[i] < want || mild && windows[i] != want {
				t.Fatalf("clock error %.1f %%: %d of %d lost, a receiver loses %d", 100*ErrorAt(i), windows[i], o.Sweep.Packets, want)
			}
			// The one that looks once takes short halves for ones, so that it can start where glitches are; it loses no more.
			if want := lost(dcc.Settings{One: dcc.Window{Min: 1, Max: SampleAfter}, Zero: dcc.Window{Min: SampleAfter + 1, Max: unit.Second}}); sample[i] < want {
				t.Fatalf("clock error %.1f %%: %d of %d lost, a receiver that looks once loses %d", 100*ErrorAt(i), sample[i], o.Sweep.Packets, want)
			}
		}
	})
}
