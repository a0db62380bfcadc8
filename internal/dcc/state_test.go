package dcc

import (
	"testing"

	"fettle/internal/unit"
)

// hear lets a decoder hear sentences one after the other and returns the last effect.
func hear(t *testing.T, d *Decoder, sentences string) (last Effect) {
	t.Helper()
	said, list := Parse("", sentences)
	if len(list) > 0 {
		t.Fatal(list)
	}
	for _, s := range said {
		last = d.Apply(s.Instruction)
	}
	return last
}

// The behaviours of the conformance table that concern addresses, functions, direction and CVs, by their numbers there:
// the test decoder is at short 3, CV29 = 6.
func TestBehaviours(t *testing.T) {
	for _, c := range []struct {
		id, source string
		setup      func(*Decoder)
		said       string
		effect     Effect
		front      Level
		rear       Level
	}{
		{"A01", "S-9.2.1", nil, "4 F0 on; long 3 F0 on; accessory 3 pair 0 output 1 on; idle", NotForIt, Unknown, Unknown},
		{"F01", "S-9.2.1 C", nil, "3 forward stop of 28; 3 F0 on", Obeyed, On, Off},
		{"F01 off", "S-9.2.1 C", nil, "3 forward stop of 28; 3 F0 on; 3 F0 off", Obeyed, Off, Off},
		{"F02", "S-9.2.1 C", func(d *Decoder) { d.CV29 = Conversion }, "3 forward 1 of 14 FL on; 3 F0 off", Obeyed, On, Off},
		{"F02 speed", "S-9.2 B", func(d *Decoder) { d.CV29 = Conversion }, "3 forward 1 of 14 FL on; 3 forward 1 of 14", Obeyed, Off, Off},
		// A station of 28 steps makes the lamp of a decoder of 14 blink (derived in the reference, section 3.3).
		{"14 against 28", "computed", func(d *Decoder) { d.CV29 = Conversion }, "3 forward 5 of 28; 3 forward 6 of 28", Obeyed, On, Off},
		{"F03", "computed", nil, "3 F0 on; 3 forward 1 of 28; 3 forward 2 of 28; 3 forward 28 of 28", Obeyed, On, Off},
		{"F04", "S-9.2.2 CV33, 34", nil, "3 F0 on; 3 forward 1 of 28; 3 reverse 1 of 128", Obeyed, Off, On},
		{"F05", "S-9.2.2 CV29", func(d *Decoder) { d.CV29 |= Reversed }, "3 F0 on; 3 forward 1 of 28", Obeyed, Off, On},
		{"F06", "S-9.2 figure 2, note", nil, "3 F0 on; 3 forward 1 of 28; 3 reverse stop of 28 any direction", Obeyed, Unknown, Unknown},
		{"F06 same", "S-9.2 figure 2, note", nil, "3 F0 on; 3 forward 1 of 28; 3 stop", Obeyed, On, Off},
		{"F09 speed", "S-9.2.1 C", func(d *Decoder) { d.CV19 = 10 }, "3 F0 on; 10 forward 1 of 28; 3 reverse 1 of 28", Ignored, On, Off},
		{"F09 own functions", "S-9.2.1 C", func(d *Decoder) { d.CV19 = 10 }, "10 forward 1 of 28; 3 F0 on", Obeyed, On, Off},
		{"F09 not enabled", "S-9.2.1 C", func(d *Decoder) { d.CV19 = 10 }, "10 forward 1 of 28; 10 F0 on", Obeyed, Unknown, Off},
		{"F09 enabled", "S-9.2.1 C", func(d *Decoder) { d.CV19, d.CV22 = 10, 1 }, "10 forward 1 of 28; 10 F0 on", Obeyed, On, Off},
		{"F09 enabled one way", "S-9.2.2 CV22", func(d *Decoder) { d.CV19, d.CV22 = 10, 1 }, "10 reverse 1 of 28; 10 F0 on", Obeyed, Off, Unknown},
		{"F10", "S-9.2.2 CV19", func(d *Decoder) { d.CV19 = 0x80 | 10 }, "3 F0 on; 10 forward 1 of 28", Obeyed, Off, On},
		{"A02", "S-9.2.2", func(d *Decoder) { d.CV29 |= LongAddress }, "1000 forward 1 of 28; 1000 F0 on; 3 F0 off", NotForIt, On, Off},
		{"A03", "S-9.2.1 B", nil, "3 forward stop of 28; 3 F0 on; broadcast F0 off", Optional, Unknown, Off},
		{"A03 no change", "S-9.2.1 B", nil, "3 forward stop of 28; 3 F0 on; broadcast F0 on", Optional, On, Off},
		{"R01", "S-9.2 B", nil, "3 forward 1 of 28; 3 F0 on; reset", Obeyed, Off, Off},
		{"broadcast stop", "S-9.2 B", nil, "3 F0 on; 3 forward 9 of 28; broadcast stop", Obeyed, On, Off},
		{"speed and functions", "RCN-212, digest", nil, "3 reverse 9 of 128 with F0 on", Obeyed, Off, On},
	} {
		d := NewDecoder(Address{Short, 3})
		d.CV29 = 6
		d.State = State{}
		if c.setup != nil {
			c.setup(&d)
		}
		effect := hear(t, &d, c.said)
		front, rear := d.Headlights()
		if effect != c.effect || front != c.front || rear != c.rear {
			t.Errorf("%s, %q: %v, front %v, rear %v; want %v, %v, %v (%s)", c.id, c.said, effect, front, rear, c.effect, c.front, c.rear, c.source)
		}
	}
}

// F07 and F08: of every group every bit changes its own function and no other.
func TestGroupsTouchTheirOwnFunctions(t *testing.T) {
	for n := uint8(0); n <= FunctionMax; n++ {
		d := NewDecoder(Address{Short, 3})
		d.State = State{}
		before := d.State
		d.Apply(SetFunctions(Address{Short, 3}, GroupOf(n).With(n, true)))
		for k := range before.Functions {
			there, _ := GroupOf(n).Has(uint8(k))
			want := Unknown
			switch {
			case k == int(n):
				want = On
			case there:
				want = Off
			}
			if got := d.State.Functions[k]; got != want {
				t.Errorf("F%d on: F%d is %v, want %v", n, k, got, want)
			}
		}
	}
}

// CVs of operations mode: A04, R02, S07, S11, S12, S14 of the conformance table.
func TestCVsInOperationsMode(t *testing.T) {
	for _, c := range []struct {
		id, source string
		setup      func(*Decoder)
		said       string
		effect     Effect
		cv29       CV29
		address    Address
		cv19       byte
	}{
		{"S11 one", "S-9.2.1 C", nil, "3 cv 29 write 34", Waits, 6, Address{Short, 3}, 0},
		{"S11 two", "S-9.2.1 C", nil, "3 cv 29 write 2; 3 cv 29 write 2", Obeyed, 2, Address{Short, 3}, 0},
		{"S11 another between", "S-9.2.1 C", nil, "3 cv 29 write 2; 3 F0 on; 3 cv 29 write 2", Waits, 6, Address{Short, 3}, 0},
		{"S11 broadcast between", "S-9.2.1 C", nil, "3 cv 29 write 2; broadcast stop; 3 cv 29 write 2", Waits, 6, Address{Short, 3}, 0},
		{"S11 foreign between", "S-9.2.1 C", nil, "3 cv 29 write 2; 4 F0 on; idle; 3 cv 29 write 2", Obeyed, 2, Address{Short, 3}, 0},
		{"S11 bit", "S-9.2.1 C", nil, "3 cv 29 bit 0 write 1; 3 cv 29 bit 0 write 1", Obeyed, 7, Address{Short, 3}, 0},
		{"S12", "S-9.2.1 C", func(d *Decoder) { d.CV19 = 10 }, "10 cv 29 write 2; 10 cv 29 write 2", Ignored, 6, Address{Short, 3}, 10},
		{"A04", "S-9.2.3 E", func(d *Decoder) { d.CV29, d.CV19 = 38, 10 }, "1000 cv 1 write 5; 1000 cv 1 write 5", Obeyed, 6, Address{Short, 5}, 0},
		{"S07", "S-9.2.2", nil, "3 cv 8 write 3; 3 cv 8 write 3", Ignored, 6, Address{Short, 3}, 0},
		{"S14", "S-9.2.2", func(d *Decoder) { d.CV15, d.CV16 = 1, 2 }, "3 cv 29 write 2; 3 cv 29 write 2", Ignored, 6, Address{Short, 3}, 0},
		{"S14 unlocked", "S-9.2.2, computed", func(d *Decoder) { d.CV15, d.CV16 = 1, 2 },
			"3 cv 15 write 2; 3 cv 15 write 2; 3 cv 29 write 2; 3 cv 29 write 2", Obeyed, 2, Address{Short, 3}, 0},
		{"CV17 alone", "S-9.2.1 note 8", func(d *Decoder) { d.CV29 = 38 }, "1000 cv 17 write 192; 1000 cv 17 write 192", Obeyed, 38, Address{Long, 1000}, 0},
		{"CV17 and CV18", "S-9.2.1 note 8", func(d *Decoder) { d.CV29 = 38 },
			"1000 cv 17 write 192; 1000 cv 17 write 192; 1000 cv 18 write 128; 1000 cv 18 write 128", Obeyed, 38, Address{Long, 128}, 0},
		{"CV17+18", "RCN-214, digest", func(d *Decoder) { d.CV29 = 38 }, "1000 cv 17+18 write 192 128; 1000 cv 17+18 write 192 128", Obeyed, 38, Address{Long, 128}, 0},
		{"extended addressing", "S-9.2.1 C", nil, "3 extended addressing on", Obeyed, 38, Address{Long, 1000}, 0},
		{"consist", "S-9.2.1 C", nil, "3 consist 10 reversed", Obeyed, 6, Address{Short, 3}, 0x8A},
		{"leave", "S-9.2.1 C", func(d *Decoder) { d.CV19 = 10 }, "broadcast leave consist", Obeyed, 6, Address{Short, 3}, 0},
		{"R02", "S-9.2.1 C", func(d *Decoder) { d.CV29, d.CV19 = 7, 10 }, "3 hard reset", Obeyed, 6, Address{Short, 3}, 0},
	} {
		d := NewDecoder(Address{Short, 3})
		d.CV29, d.Factory = 6, 6
		if c.setup != nil {
			c.setup(&d)
		}
		if effect := hear(t, &d, c.said); effect != c.effect || d.CV29 != c.cv29 || d.Address() != c.address || d.CV19 != c.cv19 {
			t.Errorf("%s, %q: %v, CV29 %d, address %v, CV19 %d; want %v, %d, %v, %d (%s)", c.id, c.said, effect, d.CV29, d.Address(), d.CV19,
				c.effect, c.cv29, c.address, c.cv19, c.source)
		}
	}
}

// Every value of CV29: which address, which steps, which lamp (S-9.2.2).
func TestEveryCV29(t *testing.T) {
	for n := range 256 {
		c := CV29(n)
		d := NewDecoder(Address{Short, 3})
		d.CV29 = c
		want := Address{Short, 3}
		if n&32 != 0 {
			want = Address{Long, 1000}
		}
		steps := Steps14
		if n&2 != 0 {
			steps = Steps28
		}
		if d.Address() != want || c.Steps() != steps {
			t.Errorf("CV29 = %d: %v, %d steps", n, d.Address(), c.Steps())
		}
		// 72 is step 2 forward of 28, and step 1 with FL of 14 (V12).
		d.Apply(Decode(Drive(want, Speed{Steps: Steps28, Step: 2, Forward: true}).Append(nil), Context{Steps: c.Steps()}).Instruction)
		d.Apply(SetFunctions(want, GroupOf(0)))
		front, rear := d.Headlights()
		lit := n&2 == 0 // FL came with the speed, and function group 1 cannot put it out
		if (front == On) != (lit && n&1 == 0) || (rear == On) != (lit && n&1 != 0) {
			t.Errorf("CV29 = %d: front %v, rear %v", n, front, rear)
		}
		if wantStep := map[bool]uint8{false: 1, true: 2}[n&2 != 0]; d.State.Speed.Step != wantStep {
			t.Errorf("CV29 = %d: step %d", n, d.State.Speed.Step)
		}
		if c.String() == "" {
			t.Errorf("CV29 = %d says nothing", n)
		}
	}
}

// Service mode heard from outside: S01 to S06 of the conformance table (S-9.2.3 C, E).
func TestProgramming(t *testing.T) {
	const gap = 8500 * unit.Microsecond // from end to end of packets that follow at once
	reset, write, other, drive := "00 00 00", "7C 1C 06 66", "7C 1C 02 62", "03 90 93"
	for _, c := range []struct {
		id      string
		packets []string
		pause   int // before this one: 25 ms
		want    []Heard
		on      bool
	}{
		{"S01", []string{drive, write, write}, 0, []Heard{Operations, Operations, Operations}, false},
		{"S02", []string{reset, write}, 0, []Heard{ResetHeard, Entered}, true},
		{"S03", []string{reset, reset, write, write, write}, 0, []Heard{ResetHeard, ResetHeard, Entered, Acts, Again}, true},
		{"S04", []string{reset, write, reset, write, write}, 0, []Heard{ResetHeard, Entered, ResetHeard, First, Acts}, true},
		{"another between", []string{reset, write, other, write}, 0, []Heard{ResetHeard, Entered, First, First}, true},
		{"S05", []string{reset, write, write, write}, 3, []Heard{ResetHeard, Entered, Acts, NotObeyed}, false},
		{"pause after reset", []string{reset, write}, 1, []Heard{ResetHeard, Operations}, false},
		{"left by a packet", []string{reset, write, drive, write}, 0, []Heard{ResetHeard, Entered, Left, Operations}, false},
		{"S06", []string{reset, write, "70 90 E0", drive, "70 90 E0"}, 2, []Heard{ResetHeard, Entered, NotObeyed, Operations, Operations}, false},
		{"a wrong error byte counts as nothing", []string{reset, write, "7C 1C 06 67", write}, 0, []Heard{ResetHeard, Entered, Operations, Acts}, true},
	} {
		var s Programming
		at := unit.Time(0)
		for k, text := range c.packets {
			at += gap
			if k == c.pause && k > 0 {
				at += 25 * unit.Millisecond
			}
			if got, m := s.Hear(packet(t, text), at); got != c.want[k] {
				t.Errorf("%s, packet %d (%s, %q): %d, want %d", c.id, k, text, m.Instruction, got, c.want[k])
			}
		}
		if s.On != c.on {
			t.Errorf("%s: service mode %v", c.id, s.On)
		}
	}
}

// Every task's sequence, heard by a decoder, does it exactly once, and what is read is the task.
func TestSequencesAreUnderstood(t *testing.T) {
	for _, c := range []struct {
		words string
		acts  int // tasks that a decoder carries out: page writes too
		ms    float64
	}{
		{"service verify cv 29 = 6", 1, 73},             // about 73 ms by S-9.2.3 E, computed
		{"service write cv 29 = 6", 1, 117},             // about 117 ms
		{"service address-only write cv 1 = 3", 2, 0},   // page preset, then the write
		{"service address-only verify cv 1 = 3", 2, 0},  //
		{"service register write 1 = 200", 2, 0},        //
		{"service register verify 5 = 6", 2, 0},         //
		{"service paged write cv 65 = 3", 2, 0},         // page, then register 1
		{"service paged verify cv 66 = 3", 2, 0},        //
		{"service factory reset", 2, 0},                 //
		{"service page 17", 1, 0},                       //
		{"service write cv 29 bit 1 = 1", 1, 0},         //
		{"service verify cv 8 bit 7 = 0", 1, 0},         //
		{"service address-only write cv 1 = 127", 2, 0}, //
	} {
		said, list := Parse("", c.words)
		if len(list) > 0 {
			t.Fatal(list)
		}
		steps := said[0].Steps()
		var s Programming
		var at unit.Time
		acts := 0
		var last Instruction
		for _, step := range steps {
			if step.Spare {
				continue
			}
			p := step.Packet()
			for range step.Count {
				at += p.Duration(step.Preamble, NominalOne, NominalZero)
				if heard, m := s.Hear(p, at); heard == Acts {
					acts++
					last = m.Instruction
				}
			}
		}
		if acts != c.acts || last != said[0].Instruction {
			t.Errorf("%s: %d actions, the last %q", c.words, acts, last)
		}
		if at != Duration(steps) {
			t.Errorf("%s: %v, and %v", c.words, at, Duration(steps))
		}
		if ms := Duration(steps).Seconds() * 1e3; c.ms > 0 && (ms < c.ms-1 || ms > c.ms+1) {
			t.Errorf("%s takes %.1f ms, want about %g", c.words, ms, c.ms)
		}
	}
}
