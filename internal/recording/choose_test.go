package recording

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"testing"

	"fettle/internal/unit"
	"fettle/internal/wave"
)

// An event is a change of one wire in a dump that is being made.
type event struct {
	t    unit.Time
	text string
}

func write(events []event, vars string) string {
	slices.SortStableFunc(events, func(a, b event) int { return int(a.t - b.t) })
	var b strings.Builder
	b.WriteString("$timescale 1 ns $end $scope module pod $end " + vars + " $upscope $end $enddefinitions $end\n")
	now := unit.Time(-1)
	for _, e := range events {
		if e.t != now {
			fmt.Fprintf(&b, "#%d\n", e.t/unit.Nanosecond)
			now = e.t
		}
		b.WriteString(e.text + "\n")
	}
	return b.String()
}

// track is DCC on two wires, the second the opposite of the first after a delay, with cut-outs in which both are low.
func track(n int, left, right string, delay unit.Time) []event {
	r := rand.New(rand.NewPCG(5, 6))
	var ev []event
	var t unit.Time
	for i, h := range halves(n, r) {
		v := (i + 1) % 2
		ev = append(ev, event{t, fmt.Sprint(v) + left}, event{t + delay, fmt.Sprint(1-v) + right})
		if i%88 == 27 {
			ev = append(ev, event{t + 29*unit.Microsecond, "0" + left}, event{t + 29*unit.Microsecond, "0" + right})
			t += 400 * unit.Microsecond
		}
		t += h
	}
	return ev
}

// others are wires that are not the track: a clock, a serial line's like, noise, one that rests.
func others(n int) []event {
	r := rand.New(rand.NewPCG(7, 8))
	ev := []event{{0, "0k"}, {0, "1s"}, {0, "b0000 v"}, {0, "xq"}}
	for i := range n {
		ev = append(ev, event{unit.Time(i) * 25 * unit.Microsecond, fmt.Sprint(i%2) + "k"})
		if r.IntN(2) == 0 {
			ev = append(ev, event{unit.Time(i) * 33 * unit.Microsecond, fmt.Sprintf("b%b v", r.IntN(16))})
		}
	}
	return ev
}

const otherVars = "$var wire 1 k clk $end $var wire 1 s rest $end $var wire 4 v bus [3:0] $end $var reg 1 q never $end "

func TestWiresAreGuessed(t *testing.T) {
	invert := func(ev []event) []event {
		out := slices.Clone(ev)
		for i := range out {
			if out[i].text[0] == '0' {
				out[i].text = "1" + out[i].text[1:]
			} else {
				out[i].text = "0" + out[i].text[1:]
			}
		}
		return out
	}
	only := func(ev []event, code string) []event {
		return slices.DeleteFunc(slices.Clone(ev), func(e event) bool { return !strings.HasSuffix(e.text, code) })
	}
	both := track(3000, "a", "b", 0)
	late := track(3000, "a", "b", 300*unit.Nanosecond)
	rails := "$var wire 1 a D3 $end $var wire 1 b D5 $end "
	for _, c := range []struct {
		name   string
		events []event
		vars   string
		wires  string
		kind   Kind
		why    string
	}{
		{"one of many", append(others(3000), only(both, "a")...), otherVars + rails, "pod.D3", OneWire, "most half-bits"},
		{"one and its inverse through a gate", append(others(3000), append(only(both, "a"), only(both, "b")...)...), rails + otherVars, "pod.D3 pod.D5", TwoRails, "the opposite of the other"},
		{"rails that switch 300 ns apart", append(others(3000), late...), otherVars + rails, "pod.D3 pod.D5", TwoRails, "the opposite of the other"},
		{"two that are alike", append(others(3000), append(only(both, "a"), invert(only(both, "b"))...)...), otherVars + rails, "pod.D3", OneWire, "most half-bits"},
		{"named as the rails, in whatever order", both, "$var wire 1 b right $end $var wire 1 a left $end", "pod.left pod.right", TwoRails, "named"},
		{"nothing like DCC", others(3000), otherVars, "pod.clk", OneWire, "changes most often"},
		{"nothing that changes", []event{{0, "1a"}, {0, "0b"}, {1000, "1a"}}, rails, "pod.D3", OneWire, "comes first"},
		{"nothing else", only(both, "a"), "$var wire 1 a D3 $end", "pod.D3", OneWire, "nothing else"},
	} {
		r, _ := open(t, write(c.events, c.vars), "x.vcd", Settings{})
		a := r.About()
		if strings.Join(a.Wires, " ") != c.wires || a.Kind != c.kind || !strings.Contains(a.Why, c.why) {
			t.Errorf("%s: %v, %s, because %s", c.name, a.Wires, a.Kind, a.Why)
		}
		if (len(a.Guessed) > 0) != (len(a.Others) > 0 || a.Kind == TwoRails) {
			t.Errorf("%s: others %v, guessed %v", c.name, a.Others, a.Guessed)
		}
	}
}

// Rails that do not switch together cross in the middle of the moment in which they are alike; a cut-out stays a gap.
func TestBridge(t *testing.T) {
	text := write([]event{{0, "1a"}, {0, "0b"}, {58_000_000, "0a"}, {58_400_000, "1b"}, {116_000_000, "1a"}, {116_600_000, "0b"}, {174_000_000, "0a"}, {204_000_000, "1b"},
		{250_000_000, "0b"}, {251_000_000, "1b"}}, "$var wire 1 a l $end $var wire 1 b r $end")
	for _, c := range []struct {
		bridge unit.Time
		want   string
		joined int64
	}{
		{0, "0+ 58200000- 116300000+ 1740000000 204000000- 2500000000 251000000-", 2},
		{-1, "0+ 580000000 58400000- 1160000000 116600000+ 1740000000 204000000- 2500000000 251000000-", 0},
		{500 * unit.Nanosecond, "0+ 58200000- 1160000000 116600000+ 1740000000 204000000- 2500000000 251000000-", 1},
		{30 * unit.Microsecond, "0+ 58200000- 116300000+ 189000000- 2500000000 251000000-", 3},
	} {
		r, got := open(t, text, "x.vcd", Settings{Wires: []string{"l", "r"}, Bridge: c.bridge})
		if say(got) != c.want || r.About().Bridged != c.joined {
			t.Errorf("bridge %v: %s, %d bridged", c.bridge, say(got), r.About().Bridged)
		}
	}
}

// Two real variables are rails in volts; the recorder's values hold until the next.
func TestRealRails(t *testing.T) {
	text := write([]event{{0, "r12 a"}, {0, "r0 b"}, {58_000_000, "r0 a"}, {59_000_000, "r12 b"}, {116_000_000, "r12 a"}, {116_000_000, "r0 b"}, {174_000_000, "r0 a"}, {224_000_000, "r12 a"}},
		"$var real 64 a left $end $var real 64 b right $end")
	r, got := open(t, text, "x.vcd", Settings{})
	if want := "0+ 59000000- 116000000+ 1740000000 224000000+"; say(got) != want || r.About().Kind != Difference || r.About().Interpolated {
		t.Errorf("%s, %+v", say(got), r.About())
	}
}

// The resolution is the timescale, or the grid on which every time lies if neighbouring lengths show that it is the
// recorder's; a clean signal on a fine scale keeps the fine scale.
func TestResolution(t *testing.T) {
	dcc := func(scale string, per, grid int64, jitter int64) string {
		r := rand.New(rand.NewPCG(9, 9))
		var b strings.Builder
		b.WriteString("$timescale " + scale + " $end $var wire 1 a s $end $enddefinitions $end\n")
		var at int64
		for i, h := range halves(500, r) {
			at += int64(h/unit.Microsecond) * per
			x := at
			if jitter > 0 {
				x += r.Int64N(jitter)
			}
			fmt.Fprintf(&b, "#%d %da\n", (x+grid/2)/grid*grid, i%2)
		}
		return b.String()
	}
	for _, c := range []struct {
		text string
		want unit.Time
		why  string
	}{
		{dcc("1 ns", 1000, 1, 0), unit.Nanosecond, "timescale"},
		{dcc("1 ns", 1000, 250, 1200), 250 * unit.Nanosecond, "sampled"},
		{dcc("100 ns", 10, 1, 12), 100 * unit.Nanosecond, "timescale"},
		{dcc("10 fs", 1e8, 1, 1e7), 1, "rounded"},
		{"us,x\n" + steady(0, 25, 2, 3), 25 * unit.Microsecond, "step of the samples"}, // a level every 25 µs
		{"us,x\n" + steady(0, 58, 1, 1), unit.Microsecond, "last digit"},               // changes of nothing but ones
		{"us,x\n0,1\n58.25,0\n116.5,1\n", 10 * unit.Nanosecond, "last digit"},
		{"Time (s),x\n0.00000E+00,1\n1.00000E+01,0\n1.00001E+01,1\n2.00001E+01,0\n", 100 * unit.Microsecond, "6 significant digits"},
	} {
		r, _ := open(t, c.text, "x", Settings{})
		if a := r.About(); a.Resolution != c.want || !strings.Contains(a.Because, c.why) {
			t.Errorf("%v because of %s, want %v", a.Resolution, a.Because, c.want)
		}
	}
	r, _ := open(t, dcc("1 ns", 1000, 250, 1200), "x", Settings{Resolution: 7})
	if r.Resolution() != 7 {
		t.Errorf("told 7 ps: %v", r.Resolution())
	}
}

// steady is rows every step µs, with a level that stays for some rows and then for others.
func steady(from, step, stay, then int) string {
	var b strings.Builder
	for i := range 100 {
		level := 1
		if i%(stay+then) >= stay {
			level = 0
		}
		writef(&b, "%d,%d\n", from+i*step, level)
	}
	return b.String()
}

// Memory does not grow with the length: the reading itself, after the beginning, allocates next to nothing.
func TestReadingAllocatesNothing(t *testing.T) {
	var table bytes.Buffer
	var d bytes.Buffer
	src := func() *blocks {
		var c wave.Changes
		var at unit.Time
		for i, h := range halves(300_000, rand.New(rand.NewPCG(1, 1))) {
			c.At, c.To = append(c.At, at), append(c.To, wave.Polarity(1-2*(i%2)))
			at += h
		}
		return &blocks{c}
	}
	if err := WriteCSV(&table, src()); err != nil {
		t.Fatal(err)
	}
	if err := WriteVCD(&d, src(), ""); err != nil {
		t.Fatal(err)
	}
	for name, b := range map[string]*bytes.Buffer{"csv": &table, "vcd": &d} {
		r, l := Open(b, name, Settings{})
		if r == nil {
			t.Fatal(l)
		}
		var c wave.Changes
		_ = r.Next(&c)
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		n := len(c.At)
		for r.Next(&c) == nil {
			n += len(c.At)
		}
		runtime.ReadMemStats(&after)
		if n != 300_000 || after.Mallocs-before.Mallocs > 100 || after.TotalAlloc-before.TotalAlloc > 100_000 {
			t.Errorf("%s: %d changes, %d allocations of %d bytes", name, n, after.Mallocs-before.Mallocs, after.TotalAlloc-before.TotalAlloc)
		}
	}
}
