package recording

import (
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"fettle/internal/unit"
	"fettle/internal/wave"
)

// Every construct of a four-state dump (IEEE 1364-2005, 18.2, from memory), on one wire named "s" unless said.
func TestVCDConstructs(t *testing.T) {
	const head = "$date now $end $version by hand $end $comment any words $end $timescale 1 us $end\n" +
		"$scope module top $end $scope task inner $end\n$var wire 1 ! s $end $var reg 4 \"# v [3:0] $end\n" +
		"$var real 64 r1 volts $end $var wire 2 abc pair[1:0] $end $var event 1 e go $end $var parameter 8 p size $end $var wire 1 % d [0] $end\n" +
		"$upscope $end $upscope $end $enddefinitions $end\n"
	for _, c := range []struct {
		name, wires, body, want string
	}{
		{"scalar", "s", "#0 0! #5 1! #7 0!", "0- 5000000+ 7000000-"},
		{"before the first time", "s", "$dumpvars 1! $end #3 0!", "0+ 3000000-"},
		{"unclear", "s", "#0 0! #1 x! #2 Z! #3 1! #4 X! #5 z!", "0- 1000000? 3000000+ 4000000?"},
		{"off and on", "s", "#0 $dumpvars 0! $end #1 $dumpoff x! $end #2 $dumpon 1! $end #3 $dumpall 1! $end #4 0!", "0- 1000000? 2000000+ 4000000-"},
		{"the last value of one time counts", "s", "#0 0! #1 1! 0! 1! #2 0! #2 1!", "0- 1000000+"},
		{"a comment between", "s", "#0 0! $comment #1 1! $end #2 1!", "0- 2000000+"},
		{"vector, extended with 0", "v[2]", "#0 b0 \"# #1 b0100 \"# #2 B1 \"# #3 b1xx \"# #4 b11x \"#", "0- 1000000+ 2000000- 3000000+"},
		{"vector, extended with x", "v[3]", "#0 b1000 \"# #1 bx1 \"# #2 bz \"# #3 b0 \"#", "0+ 1000000? 3000000-"},
		{"scalar written as vector", "s", "#0 b0 ! #1 b1 ! #2 bx !", "0- 1000000+ 2000000?"},
		{"bits of one vector as rails", "pair[1],pair[0]", "#0 b10 abc #100 b1 abc #200 b0 abc #300 b11 abc #400 b10 abc", "0+ 100000000- 2000000000 400000000+"},
		{"scalar for a vector, which it extends", "v[1]", "#0 b10 \"# #5 1\"# #6 b11 \"#", "0+ 5000000- 6000000+"},
		{"real", "volts", "#0 r-12.5 r1 #5 r1e1 r1 #9 R-3 r1 #10 r-10 r1", "0- 5000000+ 9000000-"},
		{"event and parameter pass", "s", "#0 1! 1e #1 b1010 p #2 0!", "0+ 2000000-"},
		{"a bit told by its name", "d [0]", "#0 1% #1 0%", "0+ 1000000-"},
		{"strings pass", "s", "#0 1! sword ! #1 0!", "0+ 1000000-"},
		{"CR and LF, tabs", "s", "#0\r\n1!\r\n\t#1\t0!\r\n", "0+ 1000000-"},
	} {
		set := Settings{Wires: strings.Split(c.wires, ",")}
		if c.wires == "volts" {
			set.Low, set.High = -5, 5
		}
		r, got := open(t, head+c.body, "x.vcd", set)
		if say(got) != c.want {
			t.Errorf("%s: %s, want %s", c.name, say(got), c.want)
		}
		if l := r.Problems(); len(l) > 0 {
			t.Errorf("%s: %v", c.name, l)
		}
		if a := r.About(); a.Date != "now" || a.Version != "by hand" || a.Comment != "any words" || a.Unit != unit.Microsecond {
			t.Errorf("%s: %+v", c.name, a)
		}
	}
}

// The reader against a plain one that cuts the whole text into words: long dumps of every construct, with white space
// of every kind, so that words of every kind lie across the ends of the window.
func TestAgainstPlainReader(t *testing.T) {
	for seed := range uint64(6) {
		r := rand.New(rand.NewPCG(seed, 77))
		spaces := []string{" ", "\n", "\r\n", "\t", "  \n", "\n\n"}
		space := func() string { return spaces[r.IntN(len(spaces))] }
		code := []string{"!", "ab", "xyz1"}[seed%3]
		var b strings.Builder
		b.WriteString("$timescale 1 ns $end $var wire 1 " + code + " s $end $var wire 8 b vec $end $var wire 1 ~~~~ o $end $var real 1 r q $end $enddefinitions $end\n")
		tick := 0
		for b.Len() < 400_000 {
			switch r.IntN(12) {
			case 0, 1, 2, 3:
				tick += r.IntN(100000)
				writef(&b, "#%d", tick)
			case 4, 5, 6, 7:
				b.WriteString(string("0011xXzZ"[r.IntN(8)]) + code)
			case 8:
				writef(&b, "b%b%s%s", r.IntN(256), space(), []string{"b", code}[r.IntN(2)])
			case 9:
				writef(&b, "r%g%sr", r.NormFloat64(), space())
			case 10:
				writef(&b, "%d~~~~", r.IntN(2))
			case 11:
				writef(&b, "$comment%s#0 1! %s$end", space(), space())
			}
			b.WriteString(space())
		}
		var want wave.Changes
		is, now, at := wave.Uncertain, wave.Uncertain, unit.Time(0)
		tell := func() {
			if now != is {
				want.At, want.To = append(want.At, at), append(want.To, now)
				is = now
			}
		}
		words := strings.Fields(b.String()[strings.Index(b.String(), "$enddefinitions $end")+20:])
		for i := 0; i < len(words); i++ {
			w := words[i]
			value := ""
			switch {
			case w == "$comment":
				for words[i] != "$end" {
					i++
				}
			case w[0] == '#':
				n, _ := strconv.Atoi(w[1:])
				if next := unit.Time(n) * unit.Nanosecond; next != at {
					tell()
					at = next
				}
			case w[0] == 'b':
				if i++; words[i] == code {
					value = w[len(w)-1:]
				}
			case w[0] == 'r':
				i++
			case w[1:] == code:
				value = w[:1]
			}
			switch value {
			case "0":
				now = wave.Negative
			case "1":
				now = wave.Positive
			case "x", "X", "z", "Z":
				now = wave.Uncertain
			}
		}
		tell()
		rec, got := open(t, b.String(), "x.vcd", Settings{Wires: []string{"s"}})
		if len(want.At) < 1000 || !slices.Equal(got.At, want.At) || !slices.Equal(got.To, want.To) || rec.About().End != at {
			t.Errorf("seed %d: %d changes until %v, want %d until %v", seed, len(got.At), rec.About().End, len(want.At), at)
		}
		if l := rec.Problems(); len(l) > 0 {
			t.Errorf("seed %d: %v", seed, l)
		}
	}
}
