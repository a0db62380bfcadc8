package dcc

import (
	"slices"
	"strings"
	"testing"
)

func played(t *testing.T, text string) (said []string, all []Reception) {
	t.Helper()
	sentences, list := Parse("", text)
	if len(list) > 0 {
		t.Fatal(list)
	}
	var items []Item
	for _, s := range sentences {
		items = append(items, ItemOf(s))
	}
	all = receive(t, Settings{}, collect(t, stream(t, Play(items), StreamSettings{})))
	for _, r := range all {
		said = append(said, Decode(r.Packet, Context{Service: r.Preamble >= PreambleService}).Instruction.String())
	}
	return said, all
}

// A CV write goes out twice (S-9.2.1 C), 5 ms apart (S-9.2 C), and nothing but the idle packet between.
func TestPlayRepeats(t *testing.T) {
	got, all := played(t, "3 cv 29 write 6; 3 F0 on; 4 F0 on; broadcast stop")
	want := []string{"3 cv 29 write 6", "idle", "3 cv 29 write 6", "idle", "3 F0 on F1-F4 off", "4 F0 on F1-F4 off", "idle",
		"broadcast stop"}
	if !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
	for i := 2; i < len(all); i++ {
		if got[i] == got[i-2] && all[i].Start-all[i-2].End < SameAddress {
			t.Errorf("%s after %v µs", got[i], micros(all[i].Start-all[i-2].End))
		}
	}
}

// S-9.2.3 E: 3 resets, 5 verifies, with nothing between, preambles of 20.
func TestPlayService(t *testing.T) {
	got, all := played(t, "service verify cv 8 = 13")
	want := strings.Repeat("reset, ", 3) + strings.Repeat("service verify cv 8 = 13, ", 5) + "reset"
	if strings.Join(got, ", ") != want {
		t.Errorf("%q", got)
	}
	if all[0].Preamble != PreambleService {
		t.Errorf("preamble of %d", all[0].Preamble)
	}
}

func TestScheduleFindings(t *testing.T) {
	f, err := schedule(t,
		"power up\nat 0.2 s: 47 F0 on\nat 0.5 s, bit 9 wrong: 47 F0 on\nnoise from 4.9 s to 4.908 s every 17 us\nend 5 s").Findings("x")
	if err != nil {
		t.Fatal(err)
	}
	rows := f.Tables[0].Rows
	if len(rows) != 4 || rows[0][0].Text != "reset" || rows[0][2].Text != "20" || rows[2][0].Text != "47 F0 on F1-F4 off" || rows[3][5].Text != "bit 9 wrong" {
		t.Errorf("%+v", rows)
	}
	if d := f.Values[0].Value; d < 5 || d > 5.02 {
		t.Errorf("lasts %v s", d)
	}
	// Refreshed every other packet, 11.9 ms; once the spoilt one stands between.
	if wait := rows[2][4].Number; wait < 11e-3 || wait > 24e-3 {
		t.Errorf("waits %v s", wait)
	}
	if len(f.Notes) != 1 || !strings.Contains(f.Notes[0].Text, "from 4.9 s to 4.908 s") {
		t.Errorf("%+v", f.Notes)
	}
}
