package audit

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"fettle/internal/dcc"
	"fettle/internal/unit"
)

// say is a sentence as one sending.
func say(t testing.TB, text string, change ...func(*dcc.Sending)) dcc.Sending {
	t.Helper()
	said, list := dcc.Parse("", text)
	if list.HasErrors() || len(said) != 1 {
		t.Fatalf("%q: %v", text, list)
	}
	s := dcc.Sending{Packet: said[0].Instruction.Append(nil)}
	for _, c := range change {
		c(&s)
	}
	return s
}

func raw(bytes ...byte) dcc.Sending { return dcc.Sending{Packet: bytes} }

var idle = raw(0xFF, 0x00, 0xFF)

func idles(n int) []dcc.Sending { return slices.Repeat([]dcc.Sending{idle}, n) }

func ones(n int) func(*dcc.Sending) { return func(s *dcc.Sending) { s.Preamble = n } }

func flip(bits ...int) func(*dcc.Sending) { return func(s *dcc.Sending) { s.Flip = bits } }

// half gives halves a length of their own; 0 is the first of the start bit, −1 the last of the preamble.
func half(length unit.Time, index ...int) func(*dcc.Sending) {
	return func(s *dcc.Sending) {
		for _, i := range index {
			s.Odd = append(s.Odd, dcc.OddHalf{Index: i, Length: length})
		}
	}
}

func off(from, to unit.Time) func(*dcc.Sending) {
	return func(s *dcc.Sending) { s.Gap = dcc.Window{Min: from, Max: to} }
}

func list(parts ...any) (all []dcc.Sending) {
	for _, p := range parts {
		switch p := p.(type) {
		case dcc.Sending:
			all = append(all, p)
		case []dcc.Sending:
			all = append(all, p...)
		}
	}
	return all
}

// heard audits sendings, with idle packets before and behind.
func heard(t testing.TB, set Settings, disturb []dcc.Disturbance, s ...dcc.Sending) *Audited {
	t.Helper()
	stream, err := dcc.NewStream(dcc.Send(list(idles(3), s, idles(3))...), dcc.StreamSettings{})
	if err != nil {
		t.Fatal(err)
	}
	o, err := Audit(context.Background(), dcc.Disturb(stream, disturb, 1), set)
	if err != nil {
		t.Fatal(err)
	}
	return o
}

// brokenRules are the names of those that were broken, with how often.
func brokenRules(o *Audited) string {
	var out []string
	for r := range ruleCount {
		if n := o.Rules[r].Broken; n > 0 && r != Preamble17 {
			out = append(out, fmt.Sprintf("%s %d", r.ID(), n))
		}
	}
	return strings.Join(out, ", ")
}

// Every rule with a stream that breaks it and one that just keeps it; the limits are those of S-9.1 table 1, S-9.2 A to C,
// S-9.2.1 C and S-9.2.3 E. Nothing else may be found broken than what stands here.
func TestRules(t *testing.T) {
	light := func(change ...func(*dcc.Sending)) dcc.Sending { return say(t, "3 F0 on", change...) }
	service := func(change ...func(*dcc.Sending)) dcc.Sending {
		return say(t, "service verify cv 29 bit 1 = 1", append([]func(*dcc.Sending){ones(20)}, change...)...)
	}
	reset := raw(0, 0, 0)
	reset20 := dcc.Sending{Packet: dcc.Packet{0, 0, 0}, Preamble: 20}
	cv := say(t, "3 cv 29 write 6")
	many := func(n int, s dcc.Sending) []dcc.Sending { return slices.Repeat([]dcc.Sending{s}, n) }
	second := int(unit.Second / (5796 * us)) // idle packets of a second, and a few
	for _, c := range []struct {
		name string
		s    []dcc.Sending
		want string
	}{
		{"nothing", nil, ""},
		{"one of 61 µs", list(light(half(61*us, -1, -2))), ""},
		{"one of more than 61 µs", list(light(half(61*us+1, -1, -2))), "station.one 2"},
		{"one of 55 µs", list(light(half(55*us, -1, -2))), ""},
		{"one of less than 55 µs", list(light(half(55*us-1, -1, -2))), "station.one 2"},
		{"one of 64 µs", list(light(half(64*us, -1, -2))), "station.one 2"},
		{"one of more than 64 µs", list(light(half(64*us+1, -1, -2))), "station.one 2, decoder.one 2"},
		{"one of 52 µs", list(light(half(52*us, -1, -2))), "station.one 2"},
		{"one of less than 52 µs", list(light(half(52*us-1, -1, -2))), "station.one 2, decoder.one 2"},
		{"halves differ by 3 µs", list(light(half(55500*unit.Nanosecond, -1), half(58500*unit.Nanosecond, -2))), ""},
		{"halves differ by more than 3 µs", list(light(half(55500*unit.Nanosecond, -1), half(58500*unit.Nanosecond+1, -2))), "station.one-difference 1"},
		{"halves differ by 6 µs", list(light(half(55*us, -1), half(61*us, -2))), "station.one-difference 1"},
		{"halves differ by more than 6 µs", list(light(half(55*us, -1), half(61*us+1, -2))), "station.one 1, station.one-difference 1, decoder.one-difference 1"},
		{"zero of 95 µs", list(light(half(95*us, 0, 1))), ""},
		{"zero of less than 95 µs", list(light(half(95*us-1, 0))), "station.zero 1"},
		{"zero of 90 µs", list(light(half(90*us, 0))), "station.zero 1"},
		{"zero of less than 90 µs", list(light(half(90*us-1, 0))), "station.zero 1, decoder.zero 1"},
		{"stretched zero, 12 ms", list(light(half(9900*us, 0), half(2100*us, 1))), ""},
		{"stretched zero, more than 12 ms", list(light(half(9900*us, 0), half(2100*us+1, 1))), "station.zero-total 1"},
		{"stretched zero, half more than 9.9 ms", list(light(half(9900*us+1, 1))), "station.zero 1"},
		{"stretched zero, half of 10 ms", list(light(half(10000*us, 1))), "station.zero 1"},
		{"stretched zero, half more than 10 ms", list(light(half(10000*us+1, 1))), "station.zero 1, decoder.zero 1"},
		{"a bit of two kinds", list(light(half(58*us, 8))), "bits.alike 1"},
		{"a half of 20 µs", list(light(half(20*us, 8))), "signal.undisturbed 1"},
		{"a half of 39 µs in a preamble", list(light(half(39*us, -5))), "signal.undisturbed 1"},
		{"no edge for more than 20 ms", list(light(half(20*ms+1, 8))), "signal.undisturbed 1"},
		{"cut-out", list(light(off(28*us, 470*us))), ""},
		{"gap after 26 µs", list(light(off(26*us, 300*us))), ""},
		{"gap before 26 µs", list(light(off(26*us-1, 300*us))), "gaps.early 1"},
		{"14 ones", list(light(ones(13))), ""},
		{"13 ones", list(light(ones(12))), "preamble 1"},
		{"9 ones", list(light(ones(8))), "preamble 1"},
		{"one one", list(light(ones(0), func(s *dcc.Sending) { s.Preamble = 1 })), "preamble 1"},
		{"a thousand ones less", list(light(ones(150))), ""},
		{"start bit of the second byte missing", list(light(flip(9))), "packets.framing 1"},
		{"start bit of the third byte missing", list(light(flip(18))), "packets.framing 1"},
		{"end bit missing", list(light(flip(27))), "packets.framing 1"},
		{"two bytes", list(raw(3, 3)), "packets.framing 1"},
		{"six bytes", list(say(t, "1204 cv 29 write 6"), say(t, "1204 cv 29 write 6")), "spacing.same-address 1"},
		{"seven bytes", list(dcc.Sending{Packet: dcc.Seal(3, 1, 2, 4, 8, 16)}), "packets.framing 1"},
		// They take longer than 30 ms.
		{"32 bytes in partition 254", list(dcc.Negatives()[9].Sendings[1]), "spacing.often 1, packets.reserved 1"},
		{"error byte wrong", list(light(flip(20))), "packets.error-byte 1"},
		{"a data bit wrong", list(light(flip(12))), "packets.error-byte 1"},
		{"an idle packet that is none", list(dcc.Sending{Packet: dcc.Seal(0xFF, 0x01)}), "packets.defined 1"},
		{"reserved partition", list(dcc.Negatives()[11].Sendings[1]), "packets.reserved 1"},
		// An idle packet behind a preamble of n ones begins 116 µs·(n − 14) later than 5796 µs.
		{"packets 29.9 ms apart", list(idle, raw(0xFF, 0x00, 0xFF), func() dcc.Sending { s := idle; s.Preamble = 222; return s }()), ""},
		{"packets more than 30 ms apart", list(func() dcc.Sending { s := idle; s.Preamble = 223; return s }()), "spacing.often 1"},
		{"back to back to 3", list(light(), light()), "spacing.same-address 1"},
		{"5 ms apart", list(light(), light(ones(44))), ""}, // 44 ones are 5104 µs
		{"less than 5 ms apart", list(light(), light(ones(43))), "spacing.same-address 1"},
		{"back to back to 112", list(say(t, "112 F0 on"), say(t, "112 F0 on")), "spacing.service-like 1"},
		{"112, an idle packet, 112", list(say(t, "112 F0 on"), idle, say(t, "112 F0 on")), ""},
		// A reset ends; the next start bit comes 1624 µs later and every 5796 µs of idle packets.
		{"100 soon after a reset", list(reset, idles(3), say(t, "100 F0 on")), "reset.quiet 1"},
		{"100 20 ms after a reset", list(reset, idles(4), say(t, "100 F0 on")), ""},
		{"99 soon after a reset", list(reset, say(t, "99 F0 on")), ""},
		{"112 nine packets after a reset", list(reset, idles(9), say(t, "112 F0 on")), "reset.packets 1"},
		{"112 ten packets after a reset", list(reset, idles(10), say(t, "112 F0 on")), ""},
		{"112 at once after a reset, once", list(reset, say(t, "112 F0 on")), "reset.quiet 1, reset.packets 1"},
		{"120 nine packets after the reset of a decoder", list(say(t, "3 reset"), idles(9), say(t, "120 F0 on")), "reset.packets 1"},
		{"a CV write twice", list(cv, idle, cv), ""},
		{"a CV write once", list(cv, idles(20)), "repeats.write 1"},
		{"a CV write parted by another packet", list(cv, idle, light(), idle, cv, idles(20)), "repeats.write 2"},
		{"a CV write parted by a broadcast", list(cv, idle, raw(0, 0x70, 0x70), idle, cv, idles(20)), "repeats.write 2"},
		{"a CV write parted by another decoder", list(cv, say(t, "4 F0 on"), cv), ""},
		{"F13 once", list(idles(second+9), say(t, "3 F13 on"), idles(second+9)), "repeats.functions 1"},
		{"F13 twice", list(idles(second+9), say(t, "3 F13 on"), idle, say(t, "3 F13 on"), idles(second+9)), ""},
		{"F29 twice", list(idles(second+9), say(t, "3 F29 on"), idle, say(t, "3 F29 on"), idles(second+9)), "repeats.states 1"},
		{"F29 three times", list(idles(second+9), say(t, "3 F29 on"), idle, say(t, "3 F29 on"), idle, say(t, "3 F29 on"), idles(second+9)), ""},
		{"service mode", list(many(3, reset20), many(5, service()), many(6, reset20)), ""},
		{"service mode with 19 ones", list(many(3, reset20), many(5, service(ones(18))), many(6, reset20)), "preamble.service 5"},
		{"service mode with 20 ones, the end bit counted", list(many(3, reset20), many(5, service(ones(19))), many(6, reset20)), ""},
		{"service mode after two resets", list(many(2, reset20), many(5, service()), many(6, reset20)), "service.resets 1"},
		{"service mode, four packets", list(many(3, reset20), many(4, service()), many(6, reset20)), "service.five 1"},
		{"service mode, the second instruction once", list(many(3, reset20), many(5, service()), say(t, "service verify cv 29 bit 1 = 0", ones(20)), many(6, reset20)), "service.twice 1"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := brokenRules(heard(t, Settings{}, nil, c.s...)); got != c.want {
				t.Errorf("broken: %q, want %q", got, c.want)
			}
		})
	}
}
