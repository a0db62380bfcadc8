package draw

import (
	"regexp"
	"strings"
	"testing"

	"fettle/internal/dcc"
)

// samplePackets is one packet of every length and sort, in the plain language.
var samplePackets = []string{"55 forward 6 of 28", "idle", "reset", "1000 F0 on", "10239 forward 126 of 128 with F0-F31 on", "3 state 1000 on",
	"1000 cv 1024 bit 7 write 1", "service write cv 29 = 6", "service factory reset", "accessory 500 pair 3 output 1 cv 1000 write 255",
	"extended accessory 2000 aspect 255", "bytes 03 90 92", "bytes E8 00 90 78", "bytes 03", "advanced FE 00 01 02 03 04 05 06 07 08",
	"broadcast lock except 127", "127 reverse emergency stop of 14 FL on"}

func sampleItem(t *testing.T, words string) dcc.Item {
	t.Helper()
	said, list := dcc.Parse("", words)
	if len(list) > 0 || len(said) != 1 {
		t.Fatal(words, list)
	}
	return dcc.ItemOf(said[0])
}

var bitText = regexp.MustCompile(`class="bit(?: tick)?"[^>]*>([01])<`)

// No words of a packet's drawing meet and none is cut, whatever the packet, its preamble and the width; and the digits over
// the signal are the packet's bits.
func TestPacketWordsKeepApart(t *testing.T) {
	for _, words := range samplePackets {
		for _, w := range []float64{280, 330, 480, 700, 1000} {
			for _, preamble := range []int{0, 9, 30, 200} {
				it := sampleItem(t, words)
				it.Preamble = preamble
				svg := Packet(it, Options{Width: w, Standalone: true})
				wellFormed(t, words, svg)
				texts, _, _, width, height := layout(svg)
				page := box{-1, -1, width + 2, height + 2}
				for i, a := range texts {
					if !a.at.inside(page) {
						t.Errorf("%q, %g px, preamble %d: %q at %v is cut", words, w, preamble, a.what, a.at)
					}
					if strings.HasPrefix(a.what, "XOR of") {
						break
					}
					for _, b := range texts[i+1:] {
						if a.at.grow(-0.5).meets(b.at) {
							t.Errorf("%q, %g px, preamble %d: %q at %v meets %q at %v", words, w, preamble, a.what, a.at, b.what, b.at)
						}
					}
				}
				bits := ""
				for _, m := range bitText.FindAllStringSubmatch(svg, -1) {
					bits += m[1]
				}
				want := ""
				for _, b := range it.Packet.Bits(it.Ones()) {
					want += string('0' + b)
				}
				if bits != want {
					t.Errorf("%q, %g px, preamble %d: drawn are the bits %s, want %s", words, w, preamble, bits, want)
				}
			}
		}
	}
}
