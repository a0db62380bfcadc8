package dcc

import (
	"fmt"
	"math/bits"
	"strings"
)

// CV29 is the configuration of a multi-function decoder (S-9.2.2).
type CV29 byte

// Bits of CV29.
const (
	Reversed    CV29 = 1 << iota // direction reversed, directional lights with it; in digital mode only
	FLFromGroup                  // FL from bit 4 of function group 1 (28 or 128 steps); 0: from bit 4 of the speed byte (14 steps)
	Conversion                   // converts to the power source of CV12; 0: DCC only
	Feedback                     // feedback on
	SpeedTable                   // speed table CV66 to 95; 0: curve of CV2, 5, 6
	LongAddress                  // two-byte address CV17 and 18; 0: one-byte address CV1
	_                            // reserved
	IsAccessory                  // accessory decoder
)

// Has reports whether the bit is set.
func (c CV29) Has(bit CV29) bool { return c&bit != 0 }

// Steps is how the speed byte is read: 14 or 28.
func (c CV29) Steps() Steps {
	if c.Has(FLFromGroup) {
		return Steps28
	}
	return Steps14
}

// String is every bit in words, the lowest first.
func (c CV29) String() string {
	words := [8][2]string{
		{"normal direction", "reversed direction"}, {"14 steps, FL in the speed byte", "28/128 steps, FL in function group 1"},
		{"DCC only", "converts to other power"}, {"no feedback", "feedback"}, {"speed curve CV2, 5, 6", "speed table CV66 to 95"},
		{"short address CV1", "long address CV17 and 18"}, {"", "bit 6, which is reserved"}, {"", "accessory decoder"},
	}
	var out []string
	for k, w := range words {
		if s := w[c>>k&1]; s != "" {
			out = append(out, s)
		}
	}
	return strings.Join(out, "; ")
}

// A CV is what the standard says of a configuration variable of multi-function decoders (S-9.2.2 table 1).
type CV struct {
	First, Last uint16
	Name        string
	Rank        string // "mandatory", "recommended", "optional", "" for none
	Default     string
	Source      Source
}

var (
	s922 = Source{"NMRA S-9.2.2 (2012)", Read}
	r225 = Source{"RCN-225", Digest}
)

const (
	mandatory   = "mandatory"
	recommended = "recommended"
	optional    = "optional"
)

var cvs = []CV{
	{1, 1, "short address", mandatory, "3", s922},
	{2, 2, "start voltage", recommended, "", s922},
	{3, 3, "acceleration", recommended, "", s922},
	{4, 4, "deceleration", recommended, "", s922},
	{5, 5, "highest voltage", optional, "", s922},
	{6, 6, "middle voltage", optional, "", s922},
	{7, 7, "version, read only", mandatory, "the maker's", s922},
	{8, 8, "manufacturer, read only; writing 8 asks for the factory reset", mandatory, "", s922},
	{9, 9, "PWM period", optional, "", s922},
	{10, 10, "EMF cut-out", optional, "", s922},
	{11, 11, "packet time-out", recommended, "", s922},
	{12, 12, "power source conversion", optional, "", s922},
	{13, 13, "F1 to F8 on other power", optional, "", s922},
	{14, 14, "FL and F9 to F12 on other power", optional, "", s922},
	{15, 16, "decoder lock", optional, "", s922},
	{17, 18, "long address", optional, "195, 232 (RCN-225: 1000)", s922},
	{19, 19, "consist address", optional, "0", s922},
	{20, 20, "reserved; long consist address", "", "", r225},
	{21, 21, "F1 to F8 in a consist", optional, "", s922},
	{22, 22, "FL and F9 to F12 in a consist", optional, "", s922},
	{23, 23, "acceleration trim", optional, "", s922},
	{24, 24, "deceleration trim", optional, "", s922},
	{27, 27, "automatic stopping", optional, "", s922},
	{28, 28, "feedback configuration", optional, "", s922},
	{29, 29, "configuration", "mandatory where any of its features exists", "", s922},
	{30, 30, "error information", optional, "0", s922},
	{31, 32, "index of CV257 to 512", optional, "", s922},
	{33, 33, "outputs of FL forward", optional, "1", s922},
	{34, 34, "outputs of FL reverse", optional, "2", s922},
	{35, 46, "outputs of F1 to F12", optional, "", s922},
	{47, 64, "manufacturer's own", optional, "", s922},
	{65, 95, "kick start, trims, speed table", optional, "", s922},
	{96, 96, "mapping method", "", "", r225},
	{105, 106, "user's own", optional, "", s922},
	{112, 256, "manufacturer's own", optional, "", s922},
	{257, 512, "indexed by CV31 and 32", optional, "", s922},
	{892, 895, "load, flags, fuel, water", optional, "", s922},
	{897, 1024, "add-on modules", optional, "", s922},
}

// Lookup is what is known of a CV, and whether anything is.
func Lookup(n uint16) (CV, bool) {
	for _, c := range cvs {
		if c.First <= n && n <= c.Last {
			if n >= 35 && n <= 46 {
				_, first, value := Mapping(n)
				c.Name = fmt.Sprintf("outputs of F%d (bit 0 is output %d)", n-34, first)
				c.Default = fmt.Sprint(value)
			}
			return c, true
		}
	}
	return CV{}, false
}

// Mapping is the layout of CV33 to 46: which output bit 0 stands for, and the value in which each function drives its
// own output: FL forward 1, FL reverse 2, F1 3 … F12 14 (S-9.2.2 table 2; the values are computed).
func Mapping(cv uint16) (own, first uint8, value byte) {
	own = uint8(cv - 32)
	switch {
	case cv <= 37:
		first = 1
	case cv <= 42:
		first = 4
	default:
		first = 7
	}
	return own, first, 1 << (own - first)
}

// MeaningOf says a value of a CV in words, "" where the number says all.
func MeaningOf(cv uint16, v byte) string {
	list := func(what string, names [8]string) string {
		var on []string
		for k := range names {
			if v>>k&1 != 0 {
				on = append(on, names[k])
			}
		}
		if len(on) == 0 {
			return "none" + what
		}
		return strings.Join(on, ", ") + what
	}
	f18 := [8]string{"F1", "F2", "F3", "F4", "F5", "F6", "F7", "F8"}
	fl := [8]string{"FL forward", "FL reverse", "F9", "F10", "F11", "F12", "bit 6", "bit 7"}
	switch {
	case cv == 1 && v == 0:
		return "leaves DCC for the power source of CV12; service mode still works"
	case cv == 1 && v > 127:
		return "bit 7 is 0: the address is 1 to 127"
	case cv == 1:
		return fmt.Sprintf("address %d; clears CV29 bit 5 and CV19 (S-9.2.3 E)", v)
	case cv == 3 || cv == 4: // S-9.2.2 CV3
		return fmt.Sprintf("%.3g s from step to step of 28", 0.896*float64(v)/28)
	case cv == 8 && v == 8:
		return "asks for the factory reset of all CVs"
	case cv == 8 && v == 13:
		return "public domain and do-it-yourself (from memory)"
	case cv == 9:
		return fmt.Sprintf("PWM period %d µs", PWMPeriod(v))
	case cv == 13:
		return list(" on", f18)
	case cv == 14:
		return list(" on", fl)
	case cv == 17 && (v < 192 || v > 231):
		return "CV17 is 192 to 231"
	case cv == 17:
		return fmt.Sprintf("address %d to %d; takes effect when CV18 is written", (int(v)-192)*256, (int(v)-192)*256+255)
	case cv == 19 && v&0x7F == 0:
		return "no consist"
	case cv == 19 && v > 127:
		return fmt.Sprintf("consist %d, reversed", v&0x7F)
	case cv == 19:
		return fmt.Sprintf("consist %d", v)
	case cv == 21:
		return list(" obeyed at the consist address", f18)
	case cv == 22:
		return list(" obeyed at the consist address", fl)
	case cv == 29:
		return CV29(v).String()
	case cv >= 33 && cv <= 46:
		_, first, _ := Mapping(cv)
		var on []string
		for k := range 8 {
			if v>>k&1 != 0 {
				on = append(on, fmt.Sprint(int(first)+k))
			}
		}
		switch bits.OnesCount8(v) {
		case 0:
			return "no output"
		case 1:
			return "output " + on[0]
		}
		return "outputs " + strings.Join(on, ", ")
	}
	return ""
}

// PWMPeriod is what CV9 stands for in µs: (131 + 4·m)·2^e, m in bits 0 to 4 and e in bits 5 to 7 (S-9.2.2 CV9; the copy
// that was read has lost the superscript, so that the power of two is a reading of "2e").
func PWMPeriod(cv9 byte) int { return (131 + 4*int(cv9&31)) << (cv9 >> 5) }
