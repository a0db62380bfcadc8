package recording

import (
	"strings"
	"testing"

	"fettle/internal/unit"
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
