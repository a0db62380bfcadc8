package dcc

import (
	"strings"
	"testing"
)

// The fixed bits of every layout are the packet's, and every byte has a layout and says something.
func TestLayoutsFitTheBytes(t *testing.T) {
	layouts := map[string]bool{}
	n := 0
	everyInstruction(func(i Instruction) {
		if n++; n%3 != 0 && i.Op != OpLock && i.Op != OpIdle {
			return
		}
		p, err := i.Packet()
		if err != nil {
			return
		}
		c := Context{Steps: i.Speed.Steps, Service: i.Service()}
		parts := Anatomy(p, c)
		if len(parts) != len(p) {
			t.Fatalf("%q: %d bytes, %d parts", i, len(p), len(parts))
		}
		for k, part := range parts {
			layouts[part.Layout] = true
			if len(part.Layout) != 8 || part.Says == "" || strings.Contains(part.Says, "%!") {
				t.Fatalf("%q: byte %d: %+v", i, k, part)
			}
			for b, r := range part.Layout {
				if bit := rune('0' + p[k]>>(7-b)&1); (r == '0' || r == '1') && r != bit {
					t.Fatalf("%q: byte %d is %08b, and its layout %s", i, k, p[k], part.Layout)
				}
			}
		}
	})
	// Layouts as section C and D of S-9.2.1 and section E of S-9.2.3 print them.
	for _, l := range []string{"0AAAAAAA", "11AAAAAA", "01DCSSSS", "DSSSSSSS", "1110CCVV", "111KDBBB", "10AAAAAA", "1aaaCPPR", "0aaa0AA1", "CCCC0SSS",
		"DLLLLLLL", "HHHHHHHH", "0111CCAA", "0111C000", "0111CRRR"} {
		if !layouts[l] {
			t.Errorf("layout %s is never used", l)
		}
	}
}

// Bytes that are no instruction are taken apart as well.
func TestAnatomyOfAnything(t *testing.T) {
	for n := range 40 {
		p := make(Packet, n)
		for k := range p {
			p[k] = byte(k*37 + n)
		}
		for _, c := range contexts {
			if got := len(Anatomy(p, c)); got != n {
				t.Errorf("%d bytes: %d parts", n, got)
			}
		}
	}
	parts := Anatomy(Packet{0x03, 0x90, 0x92}, Context{})
	if parts[2].Says != "error byte, wrong: 93 would fit" || parts[1].Says != "F0 on F1-F4 off" {
		t.Errorf("%+v", parts)
	}
}

// What is explained: findings with an identifier each, the verdict on received bytes, the other reading.
func TestExplain(t *testing.T) {
	for _, c := range []struct {
		bytes   string
		verdict string
		notes   string // one that must be there
	}{
		{"37 74 43", "holds", "other reading"},
		{"03 90 92", "fails", ""},
		{"03 D8 01 DA", "reported", "repeats"}, // F29: RCN-212 from a digest decides nothing
		{"FE 00 01 02 03 04 05 06", "fails", ""},
		{"7C 1C 06 66", "holds", "CV"}, // of service mode alone
		{"78 03 7B", "holds", "other reading"},
		{"E8 00 90 78", "fails", ""},
		{"70 90 E0", "holds", "address"},
	} {
		f := Explain([]Item{Received(packet(t, c.bytes))})
		if len(f.Verdicts) != 1 || string(f.Verdicts[0].Verdict) != c.verdict {
			t.Errorf("%s: %+v, want %s", c.bytes, f.Verdicts, c.verdict)
		}
		found := c.notes == ""
		for _, n := range f.Notes {
			found = found || n.Kind == c.notes
		}
		if !found {
			t.Errorf("%s: no note %q in %+v", c.bytes, c.notes, f.Notes)
		}
	}
	for _, v := range vectors {
		said, _ := Parse("", v.words)
		f := Explain([]Item{ItemOf(said[0]), ItemOf(said[0])})
		ids := map[string]bool{}
		for _, x := range f.Values {
			if ids[x.ID] || x.Name == "" {
				t.Errorf("%s: value %q", v.id, x.ID)
			}
			ids[x.ID] = true
		}
		if f.Values[0].Text != v.words || f.Values[1].Text != v.bytes || len(f.Verdicts) != 0 {
			t.Errorf("%s: %q, bytes %q, %d verdicts", v.id, f.Values[0].Text, f.Values[1].Text, len(f.Verdicts))
		}
		if len(f.Tables[0].Rows) != len(packet(t, v.bytes)) || !strings.HasSuffix(f.Tables[0].Rows[len(f.Tables[0].Rows)-1][4].Text, "= 00") {
			t.Errorf("%s: the XOR does not end at 0", v.id)
		}
	}
}
