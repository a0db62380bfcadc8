package dcc

import (
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"fettle/internal/unit"
)

func schedule(t fatal, src string) Schedule {
	p, list := ParseSchedule("schedule", []byte(src))
	if len(list) > 0 {
		t.Fatal(list)
	}
	return p
}

// heard is what a receiver makes of a schedule; every packet must be valid.
func heard(t fatal, p Schedule) []Reception {
	source, err := p.Source()
	if err != nil {
		t.Fatal(err)
	}
	all := receive(t, Settings{}, collect(t, source))
	for _, r := range all {
		if r.Ended != EndValid || r.Preamble < PreambleOperations {
			t.Fatal(fmt.Sprintf("%+v", r))
		}
	}
	return all
}

func said(r Reception) string { return Decode(r.Packet, Context{}).Instruction.String() }

// RP-9.2.4 A: at least 20 reset packets, then at least 10 idle packets, before any operating packet.
func TestPowerUp(t *testing.T) {
	all := heard(t, schedule(t, "power up\nat 0 s: 47 F0 on\nend 0.5 s"))
	for i, r := range all {
		want := "reset"
		if i >= 20 {
			want = "idle"
		}
		if i == 30 {
			want = "47 F0 on F1-F4 off"
		}
		if i <= 30 && said(r) != want {
			t.Errorf("packet %d: %s, want %s", i, said(r), want)
		}
	}
}

// Whatever is ordered, the rules of S-9.2 C, S-9.2 B and S-9.2.1 C hold (DCC reference, section 2.3), and everything is sent
// as often as it must be.
func TestStationKeepsTheRules(t *testing.T) {
	sentences := []string{
		"47 forward 12 of 28", "47 reverse 5 of 128", "47 F0 on", "47 F5 on", "47 F9-F12 on", "47 F13 on", "47 F29 on",
		"47 state 40 on", "3 forward 1 of 14",
		"3 F1 on", "1000 forward 100 of 128", "1000 F0 on", "120 F0 on", "101 forward 2 of 28", "broadcast stop", "reset", "idle",
		"47 reset",
		"3 cv 29 write 6", "47 cv 3 bit 2 write 1", "1000 cv 17+18 write 195 232", "turnout 5 output 1 on", "accessory 9 cv 1 write 3",
	}
	rapid.Check(t, func(t *rapid.T) {
		var src strings.Builder
		if rapid.Bool().Draw(t, "power up") {
			src.WriteString("power up\n")
		}
		if rapid.Bool().Draw(t, "cut-out") {
			src.WriteString("cut-out 26 us 488 us\npreamble 16\n")
		}
		type told struct {
			at    unit.Time
			words string
		}
		var orders []told
		for range rapid.IntRange(1, 15).Draw(t, "orders") {
			ms := rapid.IntRange(0, 1500).Draw(t, "ms")
			words := rapid.SampledFrom(sentences).Draw(t, "sentence")
			if rapid.IntRange(0, 3).Draw(t, "every") == 0 {
				fmt.Fprintf(&src, "every %d ms from %d ms to 1600 ms: %s\n", rapid.IntRange(1, 200).Draw(t, "period"), ms, words)
				continue
			}
			fmt.Fprintf(&src, "at %d ms: %s\n", ms, words)
			orders = append(orders, told{unit.Time(ms) * unit.Millisecond, words})
		}
		src.WriteString("end 3 s\n")
		all := heard(t, schedule(t, src.String()))

		ended := map[Address]unit.Time{}
		var reset, vehicles unit.Time = longAgo, longAgo
		sinceReset := 100
		var pair Packet
		for i, r := range all {
			m := Decode(r.Packet, Context{})
			a := m.Address
			fail := func(what string) { t.Fatalf("%s at %v µs: %s, in\n%s", said(r), micros(r.Start), what, src.String()) }
			if i > 0 && r.Start-all[i-1].Start > PacketEvery {
				fail("more than 30 ms since the last start bit")
			}
			if end, there := ended[a]; there && a.Kind != Nobody && m.Instruction != Reset() && r.Start-end < SameAddress {
				fail("less than 5 ms after a packet to the same address")
			}
			if end, there := ended[Broadcast]; there && a.Multifunction() && m.Instruction != Reset() && r.Start-end < SameAddress {
				fail("less than 5 ms after a broadcast")
			}
			if a.Kind == All && m.Instruction.Op != OpReset && r.Start-vehicles < SameAddress {
				fail("broadcast less than 5 ms after a packet to a vehicle")
			}
			if first := r.Packet[0]; first >= 100 && first <= 127 && r.Start-reset < 20*unit.Millisecond || first >= 112 && first <= 127 && sinceReset < 10 {
				fail("soon after a reset: service mode might be meant")
			}
			// A CV write is two identical packets; nothing to that decoder, broadcast included, stands between.
			if pair != nil {
				switch before := Decode(pair, Context{}).Address; {
				case string(pair) == string(r.Packet):
					pair = nil
				case a == before || a.Kind == All:
					fail("parts the two packets of a CV write")
				}
			} else if i := m.Instruction; (i.Op == OpCV || i.Op == OpCVShort || i.Op == OpAccessoryCV) && i.Repeats().Times == 2 {
				pair = r.Packet
			}
			sinceReset++
			if m.Instruction.Op == OpReset {
				sinceReset = 0
				if a.Kind == All {
					reset = r.End
				}
			}
			ended[a] = r.End
			if a.Multifunction() {
				vehicles = r.End
			}
		}
		for k, o := range orders {
			sentence, _ := Parse("", o.words)
			i := sentence[0].Instruction
			overtaken := false // by a later order
			for l, other := range orders {
				later, _ := Parse("", other.words)
				j := later[0].Instruction
				if l != k && other.at >= o.at && (i.sameSlot(j) || j.Op == OpReset || j.Address.Kind == All) {
					overtaken = true
				}
			}
			if overtaken || strings.Contains(src.String(), ": reset\n") || strings.Contains(src.String(), ": broadcast") {
				continue
			}
			n := 0
			for _, r := range all {
				if r.Start > o.at && string(r.Packet) == string(i.Append(nil)) {
					n++
				}
			}
			if least := i.Repeats().Times; n < least || i.refreshed() && n < 5 {
				t.Fatalf("%s at %v: sent %d times, in\n%s", o.words, o.at.Seconds(), n, src.String())
			}
		}
	})
}

// All that is refreshed comes round at about the same rate.
func TestRefreshIsFair(t *testing.T) {
	var src strings.Builder
	for a := 1; a <= 6; a++ {
		fmt.Fprintf(&src, "at 0 s: %d forward 5 of 28; %d F0 on; %d F5 on\n", a, a, a)
	}
	n := map[string]int{}
	for _, r := range heard(t, schedule(t, src.String()+"end 10 s")) {
		n[said(r)]++
	}
	if delete(n, "idle"); len(n) != 18 {
		t.Fatal(n)
	}
	least, most := 1<<30, 0
	for _, k := range n {
		least, most = min(least, k), max(most, k)
	}
	if most-least > 3 || least < 60 {
		t.Errorf("between %d and %d times: %v", least, most, n)
	}
}

// S-9.2.3 E, direct write: 3 resets, 5 writes, 6 identical write or reset packets, 20 ones in front of each and nothing between.
func TestServiceModeOnTheTrack(t *testing.T) {
	p := schedule(t,
		"at 0 s: 47 F0 on\nat 0.3 s: service write cv 1 = 47\nat 0.3 s: 120 F0 on\nend 0.8 s\ncut-out 30 us 460 us\npreamble 16")
	var service []string
	var end unit.Time
	for _, r := range heard(t, p) {
		m := Decode(r.Packet, Context{Service: true})
		switch {
		case r.Preamble >= PreambleService:
			if r.Start < 300*unit.Millisecond {
				t.Errorf("service mode at %v s", r.Start.Seconds())
			}
			service = append(service, m.Instruction.String())
			end = r.End
		case len(service) > 0 && r.Packet[0] == 120 && r.Start-end < 20*unit.Millisecond:
			t.Errorf("address 120 at %v s, service mode until %v s", r.Start.Seconds(), end.Seconds())
		}
	}
	write := "service write cv 1 = 47"
	want := strings.Repeat("reset, ", 3) + strings.Repeat(write+", ", 10) + write
	if got := strings.Join(service, ", "); got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
}

// After a broadcast stop no vehicle is told to go on.
func TestBroadcastStopLasts(t *testing.T) {
	stopped := false
	for _, r := range heard(t, schedule(t,
		"at 0 s: 47 forward 12 of 28; 3 reverse 5 of 128; 47 F0 on\nat 0.5 s: broadcast emergency stop\nend 1 s")) {
		i := Decode(r.Packet, Context{}).Instruction
		stopped = stopped || i.Address.Kind == All
		if stopped && i.drives() && i.Speed.Step != 0 {
			t.Fatalf("at %v s %s", r.Start.Seconds(), i)
		}
	}
	if !stopped {
		t.Error("no stop")
	}
}

func TestScheduleRepeatsItself(t *testing.T) {
	const src = "power up\nat 0 s: 47 F0 on\njitter 0.5 us\nseed 3\nnoise 0.5 s to 0.51 s every 15 us\nend 1 s"
	first, _ := schedule(t, src).Source()
	again, _ := schedule(t, src).Source()
	a, b := collect(t, first), collect(t, again)
	if len(a.At) != len(b.At) {
		t.Fatal(len(a.At), len(b.At))
	}
	for i := range a.At {
		if a.At[i] != b.At[i] || a.To[i] != b.To[i] {
			t.Fatalf("change %d differs", i)
		}
	}
}

// A change goes out three times before the roster comes round again.
func TestChangeIsRepeatedAtOnce(t *testing.T) {
	var src strings.Builder
	for a := 1; a <= 20; a++ {
		fmt.Fprintf(&src, "at 0 s: %d forward 5 of 28; %d F0 on\n", a, a)
	}
	var times []unit.Time
	for _, r := range heard(t, schedule(t, src.String()+"at 2 s: 7 F0 off\nend 3 s")) {
		if said(r) == "7 F0-F4 off" {
			times = append(times, r.Start)
		}
	}
	if len(times) < 3 || times[2]-2*unit.Second > 60*unit.Millisecond {
		t.Errorf("sent at %v", times)
	}
}

// A reset packet erases what decoders were told: the station does not bring it back.
func TestResetEndsRefresh(t *testing.T) {
	after := false
	for _, r := range heard(t, schedule(t, "at 0 s: 47 forward 12 of 28; 3 F0 on\nat 0.5 s: reset\nend 1 s")) {
		s := said(r)
		after = after || s == "reset"
		if after && s != "reset" && s != "idle" {
			t.Fatalf("at %v s %s", r.Start.Seconds(), s)
		}
	}
	if !after {
		t.Error("no reset")
	}
}

// What is spoilt on purpose goes out once, as it was told, and the light stays as it was.
func TestSpoiltOrders(t *testing.T) {
	p := schedule(t,
		"at 0 s: 47 F0 on\nat 0.1 s, 9 ones: 3 F0 on\nat 0.2 s, bit 20 wrong: 4 F0 on\nat 0.3 s, half 31 of 77 us, half 32 of 77 us: 5 F0 on\n"+
			"zero drifts to 85 us from 0.4 s to 0.5 s\nend 0.6 s")
	sent, err := p.Sent()
	if err != nil {
		t.Fatal(err)
	}
	source, _ := p.Source()
	all := receive(t, Settings{MinOnesAfter: 1}, collect(t, source))
	n := map[byte][]Sent{}
	for _, s := range sent {
		if first := s.Packet[0]; first < 6 {
			n[first] = append(n[first], s)
			if at := s.Begin - unit.Time(first-2)*unit.Second/10; at < 0 || at > 10*unit.Millisecond {
				t.Errorf("% X at %v s", []byte(s.Packet), s.Begin.Seconds())
			}
		}
	}
	if len(n[3]) != 1 || n[3][0].Preamble != 9 || len(n[4]) != 1 || len(n[4][0].Flip) != 1 || len(n[5]) != 1 || len(n[5][0].Odd) != 2 {
		t.Fatalf("%+v", n)
	}
	var ends []string
	for _, r := range all {
		if r.Ended != EndValid || r.Preamble < PreambleOperations {
			if r.Start < 400*unit.Millisecond {
				ends = append(ends, fmt.Sprint(r.Preamble, " ", r.Ended))
			} else if r.Ended != EndBadHalf || r.Start < 460*unit.Millisecond || r.End > 501*unit.Millisecond {
				t.Errorf("%+v, of a zero that leaves the window at 466 ms", r)
			}
		}
	}
	if want := "10 valid; 15 error byte wrong; 15 a half-bit outside both windows"; strings.Join(ends, "; ") != want {
		t.Errorf("%s, want %s", strings.Join(ends, "; "), want)
	}
}
