package audit

import (
	"context"
	"errors"
	"io"
	"math"
	"strings"
	"testing"

	"fettle/internal/dcc"
	"fettle/internal/finding"
	"fettle/internal/recording"
	"fettle/internal/unit"
	"fettle/internal/wave"
)

// Contact is lost inside a packet, inside a preamble, and between two packets; only what the standard allows is let pass (S-9.2 C).
func TestLostContact(t *testing.T) {
	// Three idle packets end at 17388 µs; the preamble of the next lasts until 19012 µs, its bytes until 23184 µs.
	const end = 17388 * us
	for _, c := range []struct {
		name     string
		from, to unit.Time
		want     string
		in       string
	}{
		{"in a packet", end + 2000*us, end + 2300*us, "gaps.inside 1", "in a packet"},
		{"in a preamble", end + 500*us, end + 800*us, "gaps.inside 1", "in a preamble"},
		{"after the end bit", end + 30*us, end + 400*us, "", ""},
		{"right after the end bit", end + 10*us, end + 400*us, "gaps.early 1", ""},
		{"for longer than a packet", end + 30*us, end + 100*ms, "", ""},
	} {
		o := heard(t, Settings{}, []dcc.Disturbance{{From: c.from, To: c.to}}, idles(20)...)
		if got := brokenRules(o); got != c.want || o.Gaps.Count != 1 || o.Gaps.Longest != c.to-c.from || o.Gaps.LongestAt != c.from {
			t.Errorf("%s: %q, want %q; %+v", c.name, got, c.want, o.Gaps)
		}
		if c.in != "" && o.Rules[GapInside].First[0].In != c.in {
			t.Errorf("%s: %q", c.name, o.Rules[GapInside].First[0].In)
		}
	}
}

// Cut-outs are counted and reported, and where one stands nothing is said of the preamble behind it.
func TestCutouts(t *testing.T) {
	with := func(from, to unit.Time) *Audited {
		s := idles(10)
		for i := range s {
			off(from, to)(&s[i])
			s[i].Preamble = 12
		}
		return heard(t, Settings{}, nil, list(s, func() dcc.Sending { s := idle; s.Preamble = 14; return s }())...)
	}
	o := with(30*us, 470*us)
	if got := brokenRules(o); got != "preamble 1" || o.Gaps.Cutouts != 10 { // the first of them stands behind a packet without a cut-out
		t.Errorf("%q, %d cut-outs", got, o.Gaps.Cutouts)
	}
	j, ok := o.judgement(Cutout)
	if !ok || j.Verdict != finding.Reported || !strings.Contains(j.Confidence, "10 of 10") {
		t.Errorf("%+v", j)
	}
	if o := with(33*us, 470*us); o.Gaps.Cutouts != 0 {
		t.Errorf("%d cut-outs after 33 µs", o.Gaps.Cutouts)
	}
	// On a single wire both rails at minus are a level that stays, or that comes early, by the way the vehicle stands.
	for _, low := range []wave.Polarity{wave.Negative, wave.Positive} {
		s := idles(10)
		for i := range s {
			off(28*us, 470*us)(&s[i])
			s[i].Preamble = 16
		}
		stream, err := dcc.NewStream(dcc.Send(list(s, idle)...), dcc.StreamSettings{})
		if err != nil {
			t.Fatal(err)
		}
		both, err := dcc.Collect(stream)
		if err != nil {
			t.Fatal(err)
		}
		var c wave.Changes
		for i, p := range both.To {
			if p == wave.None {
				p = low
			}
			if n := len(c.To); n == 0 || c.To[n-1] != p {
				c.At, c.To = append(c.At, both.At[i]), append(c.To, p)
			}
		}
		o, err := Audit(context.Background(), &blocks{c: c}, Settings{})
		if err != nil {
			t.Fatal(err)
		}
		if got := brokenRules(o); got != "" || o.Gaps.Inferred != 10 || o.Gaps.Cutouts != 10 || o.Packets.Valid() != 11 {
			t.Errorf("one wire, %d: %q, %+v", low, got, o.Gaps)
		}
	}
}

// What is beyond a limit by no more than the recorder may be off is close, not failed; a difference may be off by twice as much.
func TestResolution(t *testing.T) {
	light := func(length unit.Time) dcc.Sending { return say(t, "3 F0 on", half(length, -1, -2)) }
	for _, c := range []struct {
		resolution unit.Time
		s          dcc.Sending
		rule       Rule
		want       finding.Verdict
	}{
		{0, light(61 * us), StationOne, finding.Holds},
		{0, light(61*us + 1), StationOne, finding.Fails},
		{us, light(61*us + 1), StationOne, finding.Close},
		{us, light(62 * us), StationOne, finding.Close},
		{us, light(62*us + 1), StationOne, finding.Fails},
		{us, light(60 * us), StationOne, finding.Holds},
		{us, light(60*us + 1), StationOne, finding.Close},
		{us, light(54 * us), StationOne, finding.Close},
		{us, light(54*us - 1), StationOne, finding.Fails},
		{us, say(t, "3 F0 on", half(53*us, -1)), StationDifference, finding.Close},
		{us, say(t, "3 F0 on", half(53*us-1, -1)), StationDifference, finding.Fails},
		{us, say(t, "3 F0 on", half(57*us, -1)), StationDifference, finding.Holds},
		{us, say(t, "3 F0 on", half(94*us, 0)), StationZero, finding.Close},
		{us, say(t, "3 F0 on", half(94*us-1, 0)), StationZero, finding.Fails},
		{us, say(t, "3 F0 on", off(25*us, 300*us)), GapEarly, finding.Close},
		{us, say(t, "3 F0 on", off(25*us-1, 300*us)), GapEarly, finding.Fails},
	} {
		j, ok := heard(t, Settings{Resolution: c.resolution}, nil, c.s).judgement(c.rule)
		if !ok || j.Verdict != c.want {
			t.Errorf("%s %+v with %s: %s", c.rule.ID(), c.s.Odd, micro(c.resolution), j.Verdict)
		}
	}
}

// The clock errors that the windows leave, computed by hand: 64/61 − 1 = 4.918 %, 52/55 − 1 = −5.455 %, 90/95 − 1 = −5.263 %, and with the longest
// stretched zero 10000/9900 − 1 = 1.010 %. Streams at the very edge of what is legal lose nothing inside and the rest just outside.
func TestSweepOfLegalStreams(t *testing.T) {
	at := func(one, zero unit.Time, stretched ...func(*dcc.Sending)) *Audited {
		s := idles(20)
		for i := range s {
			for _, f := range stretched {
				f(&s[i])
			}
		}
		stream, err := dcc.NewStream(dcc.Send(s...), dcc.StreamSettings{Timing: dcc.Timing{One: [2]unit.Time{one, one}, Zero: [2]unit.Time{zero, zero}}})
		if err != nil {
			t.Fatal(err)
		}
		o, err := Audit(context.Background(), stream, Settings{})
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range []Rule{StationOne, StationDifference, StationZero, StationTotal} {
			if o.Rules[r].Broken > 0 {
				t.Errorf("not legal: %s", r.ID())
			}
		}
		return o
	}
	for _, c := range []struct {
		o     *Audited
		e     func(*Sweep) Edge
		error float64 // share
		half  unit.Time
		limit unit.Time
		say   string
	}{
		{at(61*us, 100*us), func(s *Sweep) Edge { return s.Windows.Fast }, 0.0491803, 61 * us, 64 * us, "at +4.92 % a half of a one of 61 µs reads as 64 µs"},
		{at(55*us, 100*us), func(s *Sweep) Edge { return s.Windows.Slow }, -0.0545455, 55 * us, 52 * us, "at −5.45 % a half of a one of 55 µs reads as 52 µs"},
		{at(58*us, 95*us), func(s *Sweep) Edge { return s.Windows.Slow }, -0.0526316, 95 * us, 90 * us, "at −5.26 % a half of a zero of 95 µs reads as 90 µs"},
		{at(58*us, 100*us, half(9900*us, 0)), func(s *Sweep) Edge { return s.Windows.Fast }, 0.0101010, 9900 * us, 10000 * us, "at +1.01 % a half of a zero of 9900 µs reads as 10000 µs"},
		{at(61*us, 100*us), func(s *Sweep) Edge { return s.Sample.Fast }, 0.2442623, 61 * us, 75900 * unit.Nanosecond, "at +24.4 % a half of a one of 61 µs reads as 75.9 µs"},
		{at(58*us, 95*us), func(s *Sweep) Edge { return s.Sample.Slow }, -0.2010526, 95 * us, 75900 * unit.Nanosecond, "at −20.1 % a half of a zero of 95 µs reads as 75.9 µs"},
	} {
		e := c.e(&c.o.Sweep)
		said := strings.ReplaceAll(e.String(), unit.ThinSpace, " ")
		if math.Abs(e.Error-c.error) > 1e-7 || e.Half != c.half || e.Limit != c.limit || !strings.HasPrefix(said, c.say) {
			t.Errorf("%v: %s", e, said)
		}
	}
	// The last packets have no idle packet behind them; the first begins the recording.
	o := at(61*us, 95*us)
	for i, n := range o.Sweep.Windows.Lost(o.Sweep.Packets) {
		e := ErrorAt(i)
		if inside := e >= 90.0/95-1 && e <= 64.0/61-1; inside != (n == 0) || !inside && n != o.Sweep.Packets {
			t.Errorf("%.1f %%: %d of %d lost", 100*e, n, o.Sweep.Packets)
		}
	}
}

// Direct voltage of stretched zeros: idle packets whose 11 zeros have first halves of 1000 µs and second halves of 100 µs, against the same turned round.
func TestDirect(t *testing.T) {
	for _, inverted := range []bool{false, true} {
		stream, err := dcc.NewStream(dcc.Send(idles(200)...), dcc.StreamSettings{Inverted: inverted,
			Timing: dcc.Timing{Zero: [2]unit.Time{1000 * us, 100 * us}}})
		if err != nil {
			t.Fatal(err)
		}
		o, err := Audit(context.Background(), stream, Settings{})
		if err != nil {
			t.Fatal(err)
		}
		want := 11 * 900.0 / (11*1100 + 31*116) // of every packet: 31 ones, 11 zeros
		if inverted {
			want = -want
		}
		if math.Abs(o.Direct.Mean()-want) > 1e-4 || math.Abs(o.Direct.Worst-want) > 0.02 {
			t.Errorf("mean %.4f, worst %.4f, want %.4f", o.Direct.Mean(), o.Direct.Worst, want)
		}
	}
}

// Narrowed, a recording is taken as if it began and ended there.
func TestNarrowed(t *testing.T) {
	spoilt := list(idles(50), say(t, "3 F0 on", flip(20)), idles(50))
	all := heard(t, Settings{}, nil, spoilt...)
	at := all.Rules[ErrorByte].First[0].At
	for _, c := range []struct {
		set  Settings
		want string
	}{
		{Settings{From: Instant{at + 10*ms, true}}, ""},
		{Settings{To: Instant{at - 10*ms, true}}, ""},
		{Settings{From: Instant{at - 20*ms, true}, To: Instant{at + 20*ms, true}}, "packets.error-byte 1"},
	} {
		o := heard(t, c.set, nil, spoilt...)
		if got := brokenRules(o); got != c.want || c.set.From.Set && o.Begin < c.set.From.T || c.set.To.Set && o.End > c.set.To.T || o.Packets.Valid() == 0 {
			t.Errorf("%+v: %q, %s to %s", c.set, got, clock(o.Begin), clock(o.End))
		}
	}
	o := heard(t, Settings{Addresses: []dcc.Address{{Kind: dcc.Short, Number: 4}}}, nil, say(t, "3 F0 on"), say(t, "4 F0 on"), raw(0, 0x70, 0x70))
	if o.Packets.Valid() != 2 || len(o.Addresses) != 1 || o.Sweep.Packets != 2 { // with the broadcast
		t.Errorf("%d packets, %d decoders, %d in the sweep", o.Packets.Valid(), len(o.Addresses), o.Sweep.Packets)
	}
}

// Bits begin with either half; where that changes in between it is said, and nothing is lost by it.
func TestPolarity(t *testing.T) {
	stream := func(inverted bool) wave.Changes {
		s, err := dcc.NewStream(dcc.Send(idles(5)...), dcc.StreamSettings{Inverted: inverted})
		if err != nil {
			t.Fatal(err)
		}
		c, err := dcc.Collect(s)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	a, b := stream(false), stream(true)
	for _, at := range b.At {
		a.At = append(a.At, at+50*ms)
	}
	a.To = append(a.To, b.To...)
	for _, k := range []struct {
		c      wave.Changes
		first  [2]int64
		turned int64
	}{{stream(false), [2]int64{5, 0}, 0}, {b, [2]int64{0, 5}, 0}, {a, [2]int64{5, 5}, 1}} {
		o, err := Audit(context.Background(), &blocks{c: k.c}, Settings{})
		if err != nil || o.First != k.first || o.Turned != k.turned || brokenRules(o) != "" {
			t.Errorf("%v: %v, %d, want %v, %d; %q", err, o.First, o.Turned, k.first, k.turned, brokenRules(o))
		}
	}
}

// What was read before the source failed is judged all the same; a context that ends ends the audit.
func TestStopped(t *testing.T) {
	c := layout(t, unit.Second, "")
	broken := errors.New("broken")
	o, err := Audit(context.Background(), &failing{blocks{c: c, sizes: []int{1000}}, 3, broken}, Settings{})
	if err != broken || o == nil || o.Changes != 3000 || o.Packets.Valid() < 20 {
		t.Errorf("%v, %+v", err, o)
	}
	ctx, stop := context.WithCancel(context.Background())
	stop()
	if o, err := Audit(ctx, &blocks{c: c}, Settings{}); o != nil || !errors.Is(err, context.Canceled) {
		t.Errorf("%v, %v", o, err)
	}
}

type failing struct {
	blocks
	left int
	err  error
}

func (f *failing) Next(c *wave.Changes) error {
	if f.left == 0 {
		return f.err
	}
	f.left--
	return f.blocks.Next(c)
}

// A recording without packets says what it looks like.
func TestEmpty(t *testing.T) {
	for _, c := range []struct {
		name, vcd, want string
	}{
		{"DC", "$timescale 1us $end $var wire 1 a track $end $enddefinitions $end #0 1a #1000000 1a", "DC"},
		{"mains", vcd(10000, 10000, 200), "mains hum: 50"},
		{"pulses", vcd(50, 150, 500), "pulses of 5"},
	} {
		rec, list := recording.Open(strings.NewReader(c.vcd), "x.vcd", recording.Settings{})
		if rec == nil {
			t.Fatal(list)
		}
		o, err := Recording(context.Background(), rec, Settings{})
		if err != nil {
			t.Fatal(err)
		}
		if looks, empty := o.Empty(); !empty || !strings.Contains(looks, c.want) {
			t.Errorf("%s: %q", c.name, looks)
		}
	}
	if _, empty := heard(t, Settings{}, nil).Empty(); empty {
		t.Error("idle packets are taken for nothing")
	}
}

// vcd is a wire that is high and low for so many microseconds.
func vcd(high, low, times int) string {
	var b strings.Builder
	b.WriteString("$timescale 1us $end $var wire 1 a track $end $enddefinitions $end\n")
	at := 0
	for range times {
		b.WriteString("#" + itoa(at) + " 1a #" + itoa(at+high) + " 0a\n")
		at += high + low
	}
	return b.String()
}

func itoa(n int) string { return string(decimal(unit.Time(n), 1)) }

// Steepness from a recorded voltage: a trapezoid of ±12 V whose edges take 6 µs has 4 V/µs; one of 16 µs has 1.5 V/µs (S-9.1 table 2: 2.4 and 2.0).
func TestSlew(t *testing.T) {
	for _, c := range []struct {
		edge             float64 // µs
		station, decoder finding.Verdict
	}{{6, finding.Holds, finding.Holds}, {11, finding.Fails, finding.Holds}, {16, finding.Fails, finding.Fails}} {
		var b strings.Builder
		b.WriteString("time_us,volt\n")
		next, level := 58.0, 12.0 // where it crosses zero, and from which level
		for k := 1; k < 30_000; k++ {
			now := float64(k)
			if now > next+c.edge/2 {
				next, level = next+58, -level
				if int(next/58)%5 >= 3 { // not packets; the edges alone count here
					next += 42
				}
			}
			v := level * min(1, max(-1, (next-now)/(c.edge/2)))
			b.WriteString(number3(now) + "," + number3(v) + "\n")
		}
		rec, list := recording.Open(strings.NewReader(b.String()), "x.csv", recording.Settings{Resolution: unit.Nanosecond})
		if rec == nil {
			t.Fatal(list)
		}
		o, err := Recording(context.Background(), rec, Settings{})
		if err != nil {
			t.Fatal(err)
		}
		got := map[string]finding.Verdict{}
		for _, j := range o.Findings("x").Verdicts {
			got[j.ID] = j.Verdict
		}
		if got["station.slew"] != c.station || got["decoder.slew"] != c.decoder {
			t.Errorf("edges of %v µs: %v %v; %+v", c.edge, got["station.slew"], got["decoder.slew"], o.About)
		}
	}
}

func number3(x float64) string { return string(decimal(unit.Time(math.Round(x*1000)), 1000)) }

// Memory does not grow with the recording: twice the length allocates no more, once as many changes are kept as are.
func TestMemory(t *testing.T) {
	c := layout(t, 2*unit.Second, "")
	measure := func(times int) float64 {
		return testing.AllocsPerRun(1, func() {
			if _, err := Audit(context.Background(), &again{c: c, times: times}, Settings{}); err != nil && err != io.EOF {
				t.Fatal(err)
			}
		})
	}
	if a, b := measure(80), measure(160); b > a+200 {
		t.Errorf("%v allocations for 160 s, %v for 320 s", a, b)
	}
}
