package fault_test

import (
	"strings"
	"testing"

	"fettle/internal/fault"
	"fettle/internal/finding"
)

// bench is the divider with the words of a conversation: 10 V, a middle, a current, something felt.
func bench() *fault.Table {
	t := divider(21, 120)
	words := map[string]string{"1 1": fault.Healthy, "1e+09 1": "upper open", "1 1e+09": "lower open", "10 1": "upper ten times", "1 10": "lower ten times"}
	for i := range t.Causes {
		c := &t.Causes[i]
		if w := words[c.ID]; w != "" {
			c.ID = w
		}
		c.Words, c.Repair, c.Check = c.ID, "mend "+c.ID, "the middle reads 5 V"
	}
	for i, x := range []fault.Test{
		{Words: "middle, DC volts", Point: "middle", Against: "minus", Unit: "V", Setting: "DC volts", Setup: "powered", Bring: "10 V on it", How: "red on middle, black on minus", Signed: true, Most: 12},
		{Words: "plus to middle, DC volts", Point: "plus", Against: "middle", Unit: "V", Setting: "DC volts", Setup: "powered", Signed: true, Most: 12},
		{Words: "current from plus", Point: "plus", Against: "supply", Unit: "A", Setting: "DC current", Setup: "in series", Caution: "not across the supply"},
		{Words: "is it warm"},
	} {
		have := &t.Tests[i]
		x.ID, x.Scale, x.Model, x.Ranges, x.Slip, x.Minutes, x.Choices = have.ID, have.Scale, have.Model, have.Ranges, have.Slip, have.Minutes, have.Choices
		*have = x
	}
	t.Tests[3].Sayings = []string{"it gets warm", "it stays cold"}
	t.Assumes = []string{"the meter is an ordinary one"}
	return t
}

func say(t *testing.T, k *fault.Talk, line string, want ...string) bool {
	t.Helper()
	reply, done := k.Line(line)
	reply = strings.NewReplacer("\u202f", " ", "\u00a0", " ", "\u2009", " ").Replace(reply)
	for _, w := range want {
		if !strings.Contains(reply, w) {
			t.Errorf("%q is answered\n%swithout %q", line, reply, w)
		}
	}
	return done
}

func TestConversation(t *testing.T) {
	k := fault.NewTalk(fault.NewSession(bench()))
	if b := k.Begin(); !strings.Contains(b, "decoder minus is not a rail") || !strings.Contains(b, "the meter is an ordinary one") || !strings.Contains(b, "Next:") {
		t.Errorf("it begins with\n%s", b)
	}
	say(t, k, "help", "undo", "can't")
	say(t, k, "5 kΩ", "is wanted")
	say(t, k, "midle = 9.1 V", `did you mean "middle"?`)
	say(t, k, "middle = 9.1 k", "9.1 k")
	say(t, k, "middle = 91 V", "91.0 V cannot be: nothing here is beyond 12.0 V")
	say(t, k, "saw it gets worm", `did you mean "it gets warm"?`)
	say(t, k, "why", "bit")
	say(t, k, "list", "saw it stays cold")
	if len(k.Entries) != 0 {
		t.Fatalf("what was not understood was taken: %+v", k.Entries)
	}
	say(t, k, "middle = 0 V", "upper open", "so far", "Next: ")
	say(t, k, "it stays cold")
	if len(k.Entries) != 2 {
		t.Fatalf("%d entries, want 2", len(k.Entries))
	}
	say(t, k, "undo", "Next:")
	if len(k.Entries) != 1 {
		t.Errorf("undo leaves %d entries, want 1", len(k.Entries))
	}
	say(t, k, "can't reach plus", "left out: 2 readings at plus")
	say(t, k, "can't reach nowhere", "No test point")
	say(t, k, "undo")
	// The other way round, the sign turns.
	r, problems := k.Parse("x", 1, "middle to plus = -0.91 V")
	if len(problems) > 0 || r.Test != 1 || r.Value != 0.91 {
		t.Errorf("middle to plus: %+v %v, want plus to middle = 0.91 V", r, problems)
	}
	for range 4 {
		if known, _ := k.Conclusion(); known != fault.Open {
			break
		}
		say(t, k, map[int]string{1: "10 V", 2: "0 mA", 3: "no"}[k.Next()[0].Test])
	}
	known, g := k.Conclusion()
	if c := k.Table.Causes[g.Causes[0]].ID; known != fault.Found || c != "upper open" {
		t.Errorf("it comes to %v, %s; want the upper found open", known, c)
	}
	f := k.Findings()
	if f.Worst() != finding.Fails || f.Verdicts[0].Mend != "mend upper open" {
		t.Errorf("findings %+v", f.Verdicts)
	}
}

// A reading taken again: both are kept, the later counts, and the change is mentioned.
func TestReadTwice(t *testing.T) {
	s := fault.NewSession(bench())
	for _, text := range []string{"middle = 9.09 V", "middle = 5.01 V"} {
		r, problems := s.Parse("--reading", 1, text)
		if len(problems) > 0 {
			t.Fatal(problems)
		}
		s.Put(r, text)
	}
	if len(s.Entries) != 2 || !s.Entries[0].Superseded || s.Entries[1].Superseded || !strings.Contains(s.Entries[1].Note, "before, 5.01") {
		t.Errorf("entries %+v", s.Entries)
	}
	if len(s.State.Readings) != 1 || s.State.Readings[0].Value != 5.01 {
		t.Errorf("%+v count, want the later alone", s.State.Readings)
	}
	f := s.Findings()
	if !strings.Contains(f.Notes[1].Text, "both are kept") {
		t.Errorf("notes %+v do not mention the change", f.Notes)
	}
}

// Whatever is typed, there is an answer and no panic.
func FuzzLine(f *testing.F) {
	for _, s := range []string{"5 V", "middle=5V", "powered: middle to plus = -4 V", "saw it gets warm", "can't", "undo", "=", ":=", "middle = ", "OL", "y", "why", "middle = 1e309 V", "plus=OL"} {
		f.Add(s, s)
	}
	table := bench()
	f.Fuzz(func(t *testing.T, a, b string) {
		k := fault.NewTalk(fault.NewSession(table))
		k.Begin()
		for _, line := range []string{a, b, a} {
			if reply, done := k.Line(line); reply == "" && !done {
				t.Errorf("%q gets no answer", line)
			}
		}
		k.Findings()
	})
}
