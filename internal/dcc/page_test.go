package dcc_test

import (
	"encoding/hex"
	"regexp"
	"strings"
	"testing"

	"fettle/docs"
	"fettle/internal/dcc"
)

var (
	fence  = regexp.MustCompile("(?ms)^```(\\w+)\n(.*?)^```$")
	column = regexp.MustCompile(`^(\S.*?)\s{3,}(\S.*)$`)
)

// Every example of docs/packets.md: a sentence and its bytes, a wrong one and its complaint, bytes and what they say. Every
// instruction stands on the page.
func TestPage(t *testing.T) {
	seen := map[dcc.Op]bool{}
	counts := map[string]int{}
	for _, m := range fence.FindAllStringSubmatch(docs.Packets, -1) {
		if m[1] == "schedule" {
			counts[m[1]]++
			plan, list := dcc.ParseSchedule("docs/packets.md", []byte(m[2]))
			if len(list) > 0 {
				t.Error(list)
			}
			if sent, err := plan.Sent(); err != nil || len(sent) == 0 {
				t.Errorf("%d packets, %v, of\n%s", len(sent), err, m[2])
			}
			continue
		}
		for _, line := range strings.Split(strings.TrimSpace(m[2]), "\n") {
			c := column.FindStringSubmatch(line)
			if c == nil {
				t.Errorf("%q has no two columns", line)
				continue
			}
			counts[m[1]]++
			switch m[1] {
			case "packets":
				seen[packetLine(t, c[1], c[2])] = true
			case "wrong":
				if said, list := dcc.Parse("", c[1]); len(said) != 0 || len(list) != 1 || !strings.Contains(list[0].Message, c[2]) {
					t.Errorf("%q: %v %v, want %q", c[1], said, list, c[2])
				}
			case "hex":
				p, list := dcc.ParseHex("", c[1])
				if len(list) > 0 || len(p) != 1 {
					t.Errorf("%q: %v", c[1], list)
					continue
				}
				m := dcc.Decode(p[0], dcc.Context{})
				if says := m.Why(); says != c[2] && !(says == "" && m.Instruction.String() == c[2]) {
					t.Errorf("%q: %q %q, want %q", c[1], m.Instruction, says, c[2])
				}
			default:
				t.Errorf("a block of %s", m[1])
			}
		}
	}
	for op := dcc.OpBytes; op <= dcc.OpRegister; op++ {
		if !seen[op] {
			t.Errorf("no example of instruction %d", op)
		}
	}
	if counts["packets"] < 85 || counts["wrong"] < 7 || counts["hex"] < 7 || counts["schedule"] < 3 {
		t.Errorf("examples are missing: %v", counts)
	}
}

func packetLine(t *testing.T, words, bytes string) dcc.Op {
	t.Helper()
	said, list := dcc.Parse("", words)
	if len(list) > 0 || len(said) != 1 {
		t.Errorf("%q: %v", words, list)
		return dcc.OpIdle
	}
	want, err := hex.DecodeString(strings.ReplaceAll(bytes, " ", ""))
	if err != nil {
		t.Errorf("%q: %v", bytes, err)
	}
	got, err := said[0].Instruction.Packet()
	if err != nil || string(got) != string(want) {
		t.Errorf("%q makes % X (%v), the page says %s", words, []byte(got), err, bytes)
	}
	return said[0].Instruction.Op
}
