package recording

import (
	"bytes"
	"io"
	"math"
	"slices"
	"testing"

	"fettle/internal/unit"
	"fettle/internal/wave"
)

// mustHold reads a file of any content and checks what holds of every recording: times ascend, neighbouring polarities
// differ, the first is known, the count is right, problems lie in the file and are bounded, and what was read is read
// again after it was written.
func mustHold(t *testing.T, text []byte, set Settings) {
	r, l := Open(bytes.NewReader(text), "fuzz", set)
	if r == nil {
		if !l.HasErrors() {
			t.Fatal("no recording and no error")
		}
		return
	}
	var got, c wave.Changes
	for {
		err := r.Next(&c)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatalf("%v", err) // there is no system that could fail
		}
		got.At, got.To = append(got.At, c.At...), append(got.To, c.To...)
	}
	for i, to := range got.To {
		switch {
		case i == 0 && to == wave.Uncertain:
			t.Fatal("begins uncertain")
		case i > 0 && (to == got.To[i-1] || got.At[i] <= got.At[i-1]):
			t.Fatalf("change %d: %v after %v", i, got.At[i], got.At[i-1])
		}
	}
	a := r.About()
	if a.Changes != int64(len(got.At)) || a.Resolution <= 0 || len(a.Wires) == 0 {
		t.Fatalf("%d changes, %+v", len(got.At), a)
	}
	kinds := map[string]int{}
	for _, p := range r.Problems() {
		if kinds[p.Code]++; kinds[p.Code] > perKind+2 {
			t.Fatalf("%d of %s", kinds[p.Code], p.Code)
		}
		if p.Range.Start.Byte < 0 || p.Range.Start.Byte > len(text) || p.Range.Start.Line > bytes.Count(text, []byte{'\n'})+bytes.Count(text, []byte{'\r'})+1 {
			t.Fatalf("%v lies outside the file", p.Range)
		}
	}
	if len(got.At) == 0 {
		return
	}
	var s Intervals
	s.Add(&got)
	_ = s.Impression().String()
	var b bytes.Buffer
	if err := WriteCSV(&b, &blocks{got}); err != nil {
		t.Fatal(err)
	}
	written := b.String()
	again, l := Open(&b, "again", Settings{Bridge: -1})
	if again == nil {
		t.Fatalf("%v\n%s", l, written)
	}
	var back wave.Changes
	for again.Next(&c) == nil {
		back.At, back.To = append(back.At, c.At...), append(back.To, c.To...)
	}
	if !slices.Equal(back.At, got.At) || !slices.Equal(back.To, got.To) {
		t.Fatalf("read %s, written and read again %s", say(got), say(back))
	}
}

func FuzzVCD(f *testing.F) {
	seeds := []string{
		vcdHead + "$dumpvars 1! 0\" $end #58 0! 1\" #116 1! 0\" #216 x! z\" #300 b1 ! b0 \"",
		"$timescale 100 fs $end $scope module a $end $var real 64 r v $end $upscope $end $enddefinitions $end #0 r12.5 r #580000 r-1.2e1 r #1160000 r0 r #9999999999 r3 r",
		"$timescale\n\t10us\n$end $var wire 4 abc v [3:0] $end $var event 1 e e $end $enddefinitions $end #0 b1010 abc #1 bx abc $comment hm $end #2 1e $dumpoff $end",
		"#0\n1!\n#58000\n0!\n#116000\n1!", "$comment never", "\uFEFF$date $end", "$var wire 1 ! s $end\r\n#0 0!\r\n#18446744073709551615 1!\r\n#5 0!",
		vcdHead + "#0 1 ! @@ $nothing r1 ! s x ! #", "$enddefinitions $end b1", "$timescale 100 s $end $var wire 1 ! s $end $enddefinitions $end #92233 1! #92234 0!",
	}
	for _, s := range seeds {
		f.Add([]byte(s), byte(0))
	}
	f.Fuzz(func(t *testing.T, text []byte, knobs byte) {
		set := Settings{Format: VCD, Bridge: unit.Time(knobs&1) * -1}
		if knobs&2 != 0 {
			set.Low, set.High = -5, 5
		}
		mustHold(t, text, set)
	})
}

func FuzzCSV(f *testing.F) {
	seeds := []string{
		"time (s),level\n0,1\n0.000058,0\n0.000116,1\n", "Zeit [ms];A [V];B [mV]\r\n0;12,5;0\r\n0,058;0;12500\r\n", "0\n58\n116\n216\n", "58\n58\n100\n100\n58",
		"\uFEFF\"t/µs\"\t\"x\"\n\n# a\n\"0\"\tH\n58\tL\n116\tx\n", "n x\n0 1\n1 1\n2 0\n", "us,left,right\n-5,1,0\n58,,1\n60,0,0\n1e3,1,1\n", "l,d (us)\n1,58\n0,1e300\n1,-3\n0,0\n",
		"Sample interval: 1 µs\nn,v\n0,12\n1,12\n2,-12\n3,inf\n4,-inf\n5,nan\n", "us,t\n0,+\n1,-\n2,none\n3,?\n", "0,1\r1,0\r2,1\r", "0,\x00\n\x00,1", "0 us,1 V\n1 ms,-1 kV\n",
		"9223372036854775807,1\n", "0,000000,1,5\n0,000058,0,1\n", "\"a\"\"b\",\"c\n0,1",
	}
	for i, s := range seeds {
		f.Add([]byte(s), byte(i))
	}
	f.Fuzz(func(t *testing.T, text []byte, knobs byte) {
		set := Settings{Format: CSV, Bridge: unit.Time(knobs&1) * -1}
		if knobs&2 != 0 {
			set.Unit = unit.Microsecond
		}
		if knobs&4 != 0 {
			set.Timing = Durations
		}
		if knobs&8 != 0 {
			set.Wires = []string{"2"}
		}
		mustHold(t, text, set)
	})
}

// The digits of any decimal come out as whole picoseconds: against arithmetic on the written digits.
func TestTimesAreExact(t *testing.T) {
	for _, c := range []struct {
		text string
		unit unit.Time
		want unit.Time
	}{
		{"0.000058", unit.Second, 58 * unit.Microsecond}, {"5.8e-5", unit.Second, 58 * unit.Microsecond}, {"-1e-12", unit.Second, -1},
		{"123456.789012345678", unit.Second, 123456789012345678}, {"0.1234567890123456789012345", unit.Second, 123456789012},
		{"9223372.036854775807", unit.Second, math.MaxInt64}, {"1.5", 1, 2}, {"0.49999999999999999999", 1, 0}, {"0.5", 1, 1}, {"−2.5", 1, -3},
		{"3", 62500, 187500}, {"1e-30", unit.Second, 0}, {"0e999", unit.Second, 0}, {"00000000000000000000000000000058", unit.Microsecond, 58 * unit.Microsecond},
		{"58000000000000000000000e-21", unit.Microsecond, 58 * unit.Microsecond},
	} {
		d, n := parseDecimal([]byte(c.text), '.')
		if got, ok := d.times(c.unit); n != len(c.text) || !ok || got != c.want {
			t.Errorf("%s: %d, %v; want %d", c.text, got, ok, c.want)
		}
	}
	for _, text := range []string{"9223372.036854775808", "1e300", "99999999999999999999", "1e19"} {
		d, _ := parseDecimal([]byte(text), '.')
		if got, ok := d.times(unit.Second); ok {
			t.Errorf("%s s is %d", text, got)
		}
	}
}
