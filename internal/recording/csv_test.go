package recording

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"fettle/internal/unit"
	"fettle/internal/wave"
)

// The same signal in every form: + at 0, − at 58 µs, + at 116 µs, − at 216 µs, + at 316 µs, − at 374 µs.
const same = "0+ 58000000- 116000000+ 216000000- 316000000+ 374000000-"

func TestCSVForms(t *testing.T) {
	for _, c := range []struct {
		name, text string
		set        Settings
		unit       unit.Time
		kind       Kind
	}{
		{"plain", "time (s),level\n0,1\n0.000058,0\n0.000116,1\n0.000216,0\n0.000316,1\n0.000374,0\n", Settings{}, unit.Second, OneWire},
		{"no header, unit guessed", "0,1\n58,0\n116,1\n216,0\n316,1\n374,0\n", Settings{}, unit.Microsecond, OneWire},
		{"milliseconds guessed", "0,H\n0.058,L\n0.116,H\n0.216,L\n0.316,H\n0.374,L", Settings{}, unit.Millisecond, OneWire},
		{"seconds guessed, exponents", "0,true\n5.8e-5,false\n1.16E-4,TRUE\n2.16e-04,False\n3.16e-4,true\n+3.74E-4,false", Settings{}, unit.Second, OneWire},
		{"semicolons, decimal comma", "Zeit [ms];Pegel\r\n0;high\r\n0,058;low\r\n0,116;high\r\n0,216;low\r\n0,316;high\r\n0,374;low\r\n", Settings{}, unit.Millisecond, OneWire},
		{"tabs", "t/µs\tx\n0\t1\n58\t0\n116\t1\n216\t0\n316\t1\n374\t0\n", Settings{}, unit.Microsecond, OneWire},
		{"spaces", " t_us   x\n  0   1\n 58   0\n116   1\n216   0\n316   1\n374   0\n", Settings{}, unit.Microsecond, OneWire},
		{"BOM, quotes, blank lines, comments", "\uFEFF\"time, in the recorder (ns)\",\"D0\"\n\n# begins\n\"0\",\"1\"\n58000,0\n\n116000,1\n# more\n216000,0\n316000,1\n374000,0\n", Settings{}, unit.Nanosecond, OneWire},
		{"units in a row of their own", "Recorder,two\nTime,Channel A\n(ms),(V)\n\n0,12\n0.058,0\n0.116,12\n0.216,0\n0.316,12\n0.374,0\n", Settings{}, unit.Millisecond, OneVoltage},
		{"units beside the numbers", "0 us,1\n58 us,0\n0.116 ms,1\n216 µs,0\n316us,1\n374000 ns,0\n", Settings{}, unit.Microsecond, OneWire},
		{"edge times alone", "0\n58\n116\n216\n316\n374\n", Settings{}, unit.Microsecond, EdgesAlone},
		{"edge times alone, decimal comma", "0,000\n0,058\n0,116\n0,216\n0,316\n0,374\n", Settings{}, unit.Millisecond, EdgesAlone},
		{"half-bits alone", "58\n58\n100\n100\n58\n", Settings{}, unit.Microsecond, EdgesAlone},
		{"half-bits with levels", "level,duration (us)\n1,58\n0,58\n1,100\n0,100\n1,58\n0,58\n", Settings{}, unit.Microsecond, OneWire},
		{"numbers of samples, told", "n,x\n0,1\n1,1\n116,0\n232,1\n432,0\n632,1\n748,0\n", Settings{Unit: 500 * unit.Nanosecond}, 500 * unit.Nanosecond, OneWire},
		{"both rails", "us,left,right\n0,1,0\n58,0,1\n116,1,0\n216,0,1\n316,1,0\n374,0,1\n", Settings{}, unit.Microsecond, TwoRails},
		{"polarity", "t (us),track\n0,1\n58,-1\n116,1\n216,-1\n316,1\n374,-1\n", Settings{}, unit.Microsecond, Difference},
		{"polarity in words", "t (us),track\n0,+\n58,-\n116,+\n216,-\n316,+\n374,-\n", Settings{}, unit.Microsecond, Difference},
		{"volts between the rails", "t (us),track (V)\n0,12.1\n58,-12\n116,12\n216,-11.9\n316,12\n374,-12.2\n", Settings{}, unit.Microsecond, Difference},
		{"told column among others", "t (us),clock,dcc\n0,0,1\n10,1,1\n58,1,0\n116,0,1\n216,0,0\n300,1,0\n316,0,1\n374,0,0\n", Settings{Wires: []string{"dcc"}}, unit.Microsecond, OneWire},
		{"told by number", "0,0,1\n10,1,1\n58,1,0\n116,0,1\n216,0,0\n300,1,0\n316,0,1\n374,0,0\n", Settings{Wires: []string{"3"}, Unit: unit.Microsecond}, unit.Microsecond, OneWire},
		{"columns called by numbers", "us,1,2\n0,0,1\n58,0,0\n116,1,1\n216,1,0\n316,0,1\n374,1,0\n", Settings{Wires: []string{"2"}}, unit.Microsecond, OneWire},
		{"empty cells leave a level", "us,left,right\n0,1,0\n58,0,1\n60,,\n116,1,0\n216,0,1\n316,1,0\n374,0,1\n", Settings{}, unit.Microsecond, TwoRails},
		{"steps drawn with two rows", "us,x\n0,1\n58,1\n58,0\n116,0\n116,1\n216,1\n216,0\n316,0\n316,1\n374,1\n374,0\n", Settings{}, unit.Microsecond, OneWire},
		{"carriage returns alone", "us,x\r0,1\r58,0\r116,1\r216,0\r316,1\r374,0\r", Settings{}, unit.Microsecond, OneWire},
	} {
		r, got := open(t, c.text, "x.csv", c.set)
		a := r.About()
		if say(got) != same || a.Unit != c.unit || a.Kind != c.kind || a.Format != CSV {
			t.Errorf("%s: %s\n%+v", c.name, say(got), a)
		}
		for _, p := range r.Problems() {
			if p.Code != "unit-guessed" {
				t.Errorf("%s: %v", c.name, p)
			}
		}
	}
}

// Straight flanks of 10 V/µs, sampled every 2 µs: the crossings of 0 V come out where they were put, to the 0.4 µs by
// which the corners of a flank of 2.4 µs bend the line between two samples.
func TestVoltageCrossesBetweenSamples(t *testing.T) {
	edges := []float64{30.3, 88.3, 146.9, 246.1, 347} // µs
	at := func(x float64) float64 {
		v, sign := 12.0, -1.0
		for _, e := range edges {
			if x > e-1.2 && x < e+1.2 {
				return sign * 10 * (x - e)
			}
			if x >= e+1.2 {
				v = 12 * sign
			}
			sign = -sign
		}
		return v
	}
	var b, two strings.Builder
	b.WriteString("time (us),track (V)\n")
	two.WriteString("time (us),A (mV),B (mV)\n")
	for i := range 250 {
		v := at(float64(2 * i))
		writef(&b, "%d,%.6f\n", 2*i, v)
		writef(&two, "%d,%.3f,%.3f\n", 2*i, max(v, 0)*1000+7, max(-v, 0)*1000+7)
	}
	for name, text := range map[string]string{"difference": b.String(), "two voltages": two.String()} {
		r, got := open(t, text, "x.csv", Settings{})
		a := r.About()
		if a.Kind != Difference || !a.Interpolated || a.Resolution != 2*unit.Microsecond || a.Low != -3 || a.High != 3 || a.Dwells != [2]unit.Volt{-12, 12} {
			t.Errorf("%s: %+v", name, a)
		}
		if len(got.At) != len(edges)+1 {
			t.Fatalf("%s: %s", name, say(got))
		}
		for i, e := range edges {
			if d := got.At[i+1] - unit.Seconds(e*1e-6); d > 400*unit.Nanosecond || d < -400*unit.Nanosecond {
				t.Errorf("%s: edge %d at %v, put at %v µs", name, i, got.At[i+1], e)
			}
		}
	}
}

// A wiggle inside the limits is no edge; a stretch near 0 V that is longer than a crossing is a gap.
func TestVoltageHysteresisAndGap(t *testing.T) {
	var b strings.Builder
	b.WriteString("us;V\n")
	for i := range 600 {
		v := 12
		switch {
		case i >= 100 && i < 103:
			v = 1
		case i >= 200 && i < 300:
			v = -12
		case i >= 400 && i < 500:
			v = 0
		}
		writef(&b, "%d;%d\n", i, v)
	}
	_, got := open(t, b.String(), "x.csv", Settings{})
	// 12 V to 0 V and back passes the limit of 3 V after three quarters, and after one quarter, of the microsecond.
	if want := "0+ 199500000- 299500000+ 3997500000 499250000+"; say(got) != want {
		t.Errorf("%s, want %s", say(got), want)
	}
}

// sampled is a table of a voltage every step µs.
func sampled(n int, step float64, volts func(us float64) float64) string {
	var b strings.Builder
	b.WriteString("Time (s),A (V)\n")
	for i := range n {
		x := float64(i) * step
		writef(&b, "%.7f,%.4f\n", x*1e-6, volts(x))
	}
	return b.String()
}

// Voltages of several kinds: what they are taken for and what the changes look like.
func TestVoltagesOfAllKinds(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 12))
	ends := []float64{0}
	for _, h := range halves(600, r) {
		ends = append(ends, ends[len(ends)-1]+h.Seconds()*1e6)
	}
	dcc := func(x float64) float64 {
		i, found := slices.BinarySearch(ends, x)
		if found {
			i++
		}
		return float64(2*(i%2) - 1)
	}
	for _, c := range []struct {
		name    string
		text    string
		kind    Kind
		look    Look
		changes int64 // 0: any number
		hz      float64
	}{
		// S-9.1 B: noise of less than a quarter of the peak-to-peak voltage is to be borne.
		{"DCC in noise", sampled(40_000, 1, func(x float64) float64 { return 12*dcc(x) + 5.8*(r.Float64()-0.5) }), Difference, DCC, 557, 0},
		{"DCC on one rail behind a divider", sampled(40_000, 1, func(x float64) float64 { return 1.65 + 1.65*dcc(x) }), OneVoltage, DCC, 557, 0},
		{"DC", sampled(5000, 10, func(float64) float64 { return 12 + 0.1*r.Float64() }), Difference, Steady, 1, 0},
		{"DC the other way", sampled(5000, 10, func(float64) float64 { return -12 + 0.1*r.Float64() }), Difference, Steady, 1, 0},
		{"nothing", sampled(5000, 10, func(float64) float64 { return 0.1 * r.Float64() }), Difference, Steady, 1, 0},
		{"AC", sampled(5000, 100, func(x float64) float64 { return 22 * math.Sin(2*math.Pi*50*x*1e-6) }), Difference, Mains, 0, 50},
		{"rectified AC", sampled(5000, 100, func(x float64) float64 { return 17 * math.Abs(math.Sin(2*math.Pi*60*x*1e-6)) }), OneVoltage, Mains, 0, 120},
		{"pulse width", sampled(40_000, 1, func(x float64) float64 { return 12 * math.Round(0.2+math.Mod(x, 50)/100) }), OneVoltage, Pulses, 0, 20000},
	} {
		rec, got := open(t, c.text, "x.csv", Settings{})
		var s Intervals
		s.Add(&got)
		m, a := s.Impression(), rec.About()
		if a.Comment != "" || a.Kind != c.kind || m.Look != c.look || c.changes > 0 && a.Changes != c.changes || c.hz > 0 && math.Abs(float64(m.Frequency)/c.hz-1) > 0.01 {
			t.Errorf("%s: %v, %d changes of %s\n%+v", c.name, m, a.Changes, a.Kind, a)
		}
		if c.look == DCC {
			for i := 1; i < len(got.At); i++ {
				if half := got.At[i].Seconds() * 1e6; math.Abs(half-ends[i]) > 1 {
					t.Errorf("%s: edge %d at %v µs, put at %v", c.name, i, half, ends[i])
				}
			}
		}
		if l := rec.Problems(); len(l) > 0 {
			t.Errorf("%s: %v", c.name, l)
		}
	}
	rec, got := open(t, sampled(50, 10, func(float64) float64 { return -12 }), "x.csv", Settings{})
	if say(got) != "0-" || rec.About().Dwells != [2]unit.Volt{-12, -12} {
		t.Errorf("%s, %+v", say(got), rec.About())
	}
}

// benchmark reads a file over and over and reports how much of it a second of one core gets through.
func benchmark(b *testing.B, text []byte, changes int) {
	b.SetBytes(int64(len(text)))
	b.ReportAllocs()
	var c wave.Changes
	for b.Loop() {
		r, l := Open(bytes.NewReader(text), "track", Settings{})
		if r == nil {
			b.Fatal(l)
		}
		n := 0
		for r.Next(&c) == nil {
			n += len(c.At)
		}
		if n != changes {
			b.Fatal(n, r.Problems())
		}
	}
	b.ReportMetric(float64(b.N)*float64(changes)/1e6/b.Elapsed().Seconds(), "Medges/s")
}

func BenchmarkReadVCD(b *testing.B) { benchmark(b, dump(1<<20), 1<<20+1) }

// One wire among a bus, a real and a clock, as a simulator writes them.
func BenchmarkReadVCDOfManyWires(b *testing.B) {
	var text bytes.Buffer
	text.WriteString("$timescale 1 ps $end $var wire 1 aa dcc $end $var reg 16 ab bus [15:0] $end $var real 64 ac v $end $var wire 1 ad clk $end $enddefinitions $end\n")
	var at unit.Time
	for i, h := range halves(1<<18, rand.New(rand.NewPCG(1, 1))) {
		fmt.Fprintf(&text, "#%d\n%daa\n%dad\nb%016b ab\nr%d.%d ac\n", at, i%2, i/3%2, i&0xFFFF, i%7, i%100)
		at += h
	}
	benchmark(b, text.Bytes(), 1<<18)
}

// The file that fettle itself writes: both rails, one row for each change.
func BenchmarkReadCSVOfChanges(b *testing.B) {
	var c wave.Changes
	var at unit.Time
	for i, h := range halves(1<<19, rand.New(rand.NewPCG(1, 1))) {
		c.At, c.To = append(c.At, at), append(c.To, wave.Polarity(1-2*(i%2)))
		at += h
	}
	var text bytes.Buffer
	if err := WriteCSV(&text, &blocks{c}); err != nil {
		b.Fatal(err)
	}
	benchmark(b, text.Bytes(), 1<<19)
}

// A voltage sampled every microsecond.
func BenchmarkReadCSVOfSamples(b *testing.B) {
	var text bytes.Buffer
	text.WriteString("Time (s),A (V)\n")
	i, edges := 0, 1
	for n, h := range halves(20_000, rand.New(rand.NewPCG(1, 1))) {
		for range h / unit.Microsecond {
			fmt.Fprintf(&text, "%.6f,%.3f\n", float64(i)*1e-6, float64(12-24*(n%2))+0.001*float64(i%200))
			i++
		}
		edges = n + 1
	}
	benchmark(b, text.Bytes(), edges)
}

// Whatever the dialect, unit, quoting and line ends, the same changes come out to the picosecond, and the settings are
// recognised for what they are.
func TestEveryDialect(t *testing.T) {
	units := []struct {
		unit unit.Time
		head string
	}{{unit.Second, "Time (s)"}, {unit.Millisecond, "t/ms"}, {unit.Microsecond, "time [µs]"}, {unit.Nanosecond, "t_ns"}, {unit.Picosecond, "time in ps"}}
	rapid.Check(t, func(t *rapid.T) {
		d := rapid.SampledFrom(dialects).Draw(t, "dialect")
		u := rapid.SampledFrom(units).Draw(t, "unit")
		headed := rapid.Bool().Draw(t, "headed")
		quoted := rapid.Bool().Draw(t, "quoted")
		end := rapid.SampledFrom([]string{"\n", "\r\n"}).Draw(t, "end")
		words := rapid.SampledFrom([][2]string{{"0", "1"}, {"L", "H"}, {"low", "High"}, {"FALSE", "true"}}).Draw(t, "words")
		shape := rapid.SampledFrom([]string{"levels", "edges", "halves"}).Draw(t, "shape")
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		var want wave.Changes
		at := unit.Time(0)
		if shape != "halves" {
			at = unit.Time(r.Int64N(1e9))
		}
		cell := func(x unit.Time) string {
			s := strings.TrimRight(fmt.Sprintf("%d.%012d", x/u.unit, x%u.unit*(unit.Second/u.unit)), "0")
			s = strings.TrimSuffix(s, ".")
			if d.point == ',' {
				s = strings.Replace(s, ".", ",", 1)
			}
			if quoted {
				s = `"` + s + `"`
			}
			return s
		}
		var b strings.Builder
		sep := string(d.sep)
		if headed {
			head := []string{u.head}
			if shape == "levels" {
				head = append(head, "track")
			}
			if d.sep == ' ' {
				for i := range head {
					head[i] = `"` + head[i] + `"`
				}
			}
			b.WriteString(strings.Join(head, sep) + end)
		}
		hs := halves(400, r)
		for i, h := range hs {
			h += unit.Time(r.Int64N(2e6)) - 1e6
			want.At, want.To = append(want.At, at), append(want.To, wave.Polarity(1-2*(i%2)))
			switch shape {
			case "levels":
				b.WriteString(cell(at) + sep + words[1-i%2] + end)
			case "edges":
				b.WriteString(cell(at) + end)
			case "halves":
				b.WriteString(cell(h) + end)
			}
			at += h
		}
		if shape == "halves" {
			want.At, want.To = append(want.At, at), append(want.To, wave.Positive)
		}
		set := Settings{}
		if shape != "levels" { // one column shows no separator, and whole numbers no decimal sign
			set.Separator, set.Decimal = d.sep, d.point
		}
		rec, l := Open(strings.NewReader(b.String()), "x", set)
		if rec == nil {
			t.Fatalf("%v\n%.300s", l, b.String())
		}
		var got, c wave.Changes
		for rec.Next(&c) == nil {
			got.At, got.To = append(got.At, c.At...), append(got.To, c.To...)
		}
		a := rec.About()
		if !slices.Equal(got.At, want.At) || !slices.Equal(got.To, want.To) || a.Unit != u.unit {
			t.Fatalf("read %.300s\nwant %.300s\n%.300s\n%+v", say(got), say(want), b.String(), a)
		}
		if headed == (len(rec.Problems()) > 0) {
			t.Fatalf("headed %v: %v", headed, rec.Problems())
		}
	})
}
