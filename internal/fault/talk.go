package fault

import (
	"fettle/internal/probe"
	"fmt"
	"strings"

	"fettle/internal/diag"
)

// A Talk is a diagnosis as a conversation: it asks for a reading, takes what is typed, and says what follows.
type Talk struct {
	*Session
	asked int // the test that was asked for; −1: none
}

// NewTalk begins a conversation; Begin is its first words.
func NewTalk(s *Session) *Talk { return &Talk{Session: s, asked: -1} }

const help = `  a value with its unit        what the meter shows: "0.02 V", "4.7 kΩ", "OL"; or yes, no, one of the words asked for
  POINT = VALUE                another reading than the one asked for: PB0 = 0.02 V
  saw WORDS                    something you saw or tried: saw front light stays on     (list: what can be said)
  skip                         not this reading, another one
  can't                        that place cannot be reached (can't reach PB0: nor anything else there)
  why                          what the reading would tell, and where things stand
  undo                         take the last step back
  done                         stop here and sum up`

// Begin says what is assumed, and asks.
func (k *Talk) Begin() string {
	var b strings.Builder
	b.WriteString("Before anything:\n")
	for _, c := range probe.Cautions() {
		fmt.Fprintf(&b, "  ! %s\n", c.Text)
	}
	if len(k.Table.Assumes) > 0 {
		b.WriteString("Assumed:\n")
		for _, a := range k.Table.Assumes {
			fmt.Fprintf(&b, "  - %s\n", a)
		}
	}
	b.WriteString("What you saw is worth as much as a reading: saw WORDS. What else can be typed: help.\n\n")
	k.ask(&b)
	return b.String()
}

// Line takes a line that was typed; done tells that the conversation is over.
func (k *Talk) Line(text string) (reply string, done bool) {
	var b strings.Builder
	text = strings.TrimSpace(text)
	low := strings.ToLower(text)
	switch {
	case text == "":
		k.ask(&b)
	case low == "help" || low == "?":
		b.WriteString(help + "\n")
	case low == "done" || low == "quit" || low == "exit" || low == "stop":
		return "", true
	case low == "undo":
		if !k.Undo() {
			b.WriteString("There is nothing to take back.\n")
		}
		k.ask(&b)
	case low == "skip" || low == "later":
		if k.asked >= 0 {
			k.Skip(k.asked)
		}
		k.ask(&b)
	case strings.HasPrefix(low, "can't") || strings.HasPrefix(low, "cannot") || strings.HasPrefix(low, "cant"):
		k.cannot(&b, low)
		k.ask(&b)
	case low == "why":
		k.why(&b)
	case low == "list":
		k.list(&b)
	case strings.HasPrefix(low, "saw "), strings.Contains(text, "="):
		list, problems := k.Take("answer", 1, text)
		return k.take(&b, list, problems, text)
	default:
		// An answer to what was asked; else something that was seen, said without "saw".
		if k.asked >= 0 {
			r, problems := k.Answer(k.asked, text)
			if len(problems) == 0 {
				return k.take(&b, []Reading{r}, nil, text)
			}
			if seen, wrong := k.Saw("answer", 1, text); len(wrong) == 0 {
				return k.take(&b, seen, nil, text)
			}
			return k.take(&b, nil, problems, text)
		}
		list, problems := k.Take("answer", 1, text)
		return k.take(&b, list, problems, text)
	}
	return b.String(), false
}

func (k *Talk) take(b *strings.Builder, list []Reading, problems diag.List, text string) (string, bool) {
	if len(problems) > 0 {
		for _, p := range problems {
			fmt.Fprintf(b, "  %s\n", p.Message)
		}
		return b.String(), false
	}
	asked := k.asked
	for _, r := range list {
		assumed := ""
		if r.Test != asked {
			assumed = k.Assumed(r, text)
		}
		e := k.Put(r, text)
		t := &k.Table.Tests[r.Test]
		switch {
		case assumed != "":
			fmt.Fprintf(b, "  %s\n", assumed)
		case r.Test != asked:
			fmt.Fprintf(b, "  taken as: %s = %s\n", t.Words, t.Says(r))
		}
		if e.Note != "" {
			fmt.Fprintf(b, "  %s\n", e.Note)
		}
	}
	for _, d := range k.State.Questioned() {
		fmt.Fprintf(b, "  ? %s\n", k.doubt(d))
	}
	known, _ := k.Conclusion()
	k.stand(b)
	if known != Open {
		k.conclude(b)
		return b.String(), true
	}
	k.ask(b)
	return b.String(), false
}

// stand says where things stand, in a line or two.
func (k *Talk) stand(b *strings.Builder) {
	var words []string
	for _, h := range k.State.Ranked()[:min(3, len(k.State.P))] {
		if k.State.P[h] >= 0.05 {
			words = append(words, fmt.Sprintf("%s (%s)", k.Table.Causes[h].Words, share(k.State.P[h])))
		}
	}
	if len(words) == 0 {
		words = []string{"nothing stands out yet"}
	}
	fmt.Fprintf(b, "  so far: %s\n\n", strings.Join(words, "; "))
}

// ask asks for the best next reading.
func (k *Talk) ask(b *strings.Builder) {
	next := k.Next()
	if len(next) == 0 {
		k.asked = -1
		b.WriteString("No reading left would tell more. Say what you saw, or: done.\n")
		return
	}
	k.asked = next[0].Test
	t := &k.Table.Tests[k.asked]
	if next[0].Again {
		fmt.Fprintf(b, "Once more: %s\n  everything rests on this one reading, and a slip of probe or range would look the same\n", t.Words)
	} else {
		fmt.Fprintf(b, "Next: %s\n", t.Words)
	}
	if t.Bring != "" {
		fmt.Fprintf(b, "  set up: %s\n", t.Bring)
	}
	if t.How != "" {
		fmt.Fprintf(b, "  probes: %s\n", t.How)
	}
	if t.Setting != "" {
		fmt.Fprintf(b, "  meter: %s\n", t.Setting)
	}
	if t.Caution != "" {
		fmt.Fprintf(b, "  ! %s\n", t.Caution)
	}
	for _, p := range k.predictions(k.asked, 4) {
		fmt.Fprintf(b, "  - %s\n", p)
	}
	if t.Choices != nil {
		fmt.Fprintf(b, "  answer: %s\n", strings.Join(t.Choices, ", "))
	}
}

func (k *Talk) cannot(b *strings.Builder, low string) {
	place := ""
	for _, prefix := range []string{"can't reach", "cannot reach", "cant reach", "can't", "cannot", "cant"} {
		if rest, ok := strings.CutPrefix(low, prefix); ok {
			place = strings.TrimSpace(rest)
			break
		}
	}
	if place == "that" || place == "it" || place == "there" {
		place = ""
	}
	if place == "" {
		if k.asked < 0 {
			b.WriteString("What cannot be reached? can't reach PB0\n")
			return
		}
		t := &k.Table.Tests[k.asked]
		if t.Point == "" {
			k.Skip(k.asked)
			return
		}
		place = t.Point
	}
	if n := k.Unreachable(place); n == 0 {
		k.Undo()
		fmt.Fprintf(b, "No test point or setup is called %q.\n", place)
	} else {
		fmt.Fprintf(b, "  left out: %s at %s\n", count(n, "reading"), place)
	}
}

func (k *Talk) why(b *strings.Builder) {
	if k.asked >= 0 {
		for _, a := range k.Next() {
			if a.Test == k.asked && !a.Again {
				t := &k.Table.Tests[a.Test]
				fmt.Fprintf(b, "It is expected to tell %.1f of the %.1f bit that are open, for %.1f minutes", a.Bits, k.State.Entropy(), t.Minutes)
				if t.Setup != k.setup && t.Prepare > 0 {
					fmt.Fprintf(b, " and %.0f to set up", t.Prepare)
				}
				if t.Risk > 0.3 {
					b.WriteString("; a slip of the probe there may cost a part, which is counted")
				}
				b.WriteString(".\n")
			}
		}
	}
	for g, group := range k.State.Groups(spoken) {
		if g == 5 {
			break
		}
		fmt.Fprintf(b, "  %s: %s\n", share(group.P), k.Session.list(group.Causes, 3))
		top := group.Causes[0]
		for i, r := range k.State.Readings {
			t := &k.Table.Tests[r.Test]
			verb := "explains"
			if !k.State.Explains(top, i) {
				verb = "does not explain"
			}
			fmt.Fprintf(b, "      %s %s = %s\n", verb, t.Words, t.Says(r))
		}
	}
}

// list says what can be said.
func (k *Talk) list(b *strings.Builder) {
	for i := range k.Table.Tests {
		for _, s := range k.Table.Tests[i].Sayings {
			if s != "" {
				fmt.Fprintf(b, "  saw %s\n", s)
			}
		}
	}
}

// conclude says what it is and what to do.
func (k *Talk) conclude(b *strings.Builder) {
	known, g := k.Conclusion()
	c := &k.Table.Causes[g.Causes[0]]
	switch known {
	case Sound:
		fmt.Fprintf(b, "Nothing is wrong that these readings could show (%s).\n", share(k.State.Mended(g.Causes[0])))
	case Found:
		fmt.Fprintf(b, "It is: %s (%s).\n", c.Words, share(k.State.Mended(g.Causes[0])))
		if len(g.Causes) > 1 {
			fmt.Fprintf(b, "  Not told apart from it: %s\n", k.Session.list(g.Causes[1:], 3))
		}
		fmt.Fprintf(b, "  Repair: %s\n", c.Repair)
		if c.Damaged != "" {
			fmt.Fprintf(b, "  Look also at: %s\n", c.Damaged)
		}
		if c.Check != "" {
			fmt.Fprintf(b, "  Mended when: %s\n", c.Check)
		}
	case Spent:
		fmt.Fprintf(b, "No reading left tells these apart (%s together): %s\n", share(g.P), k.Session.list(g.Causes, 4))
		for _, r := range g.Repairs {
			fmt.Fprintf(b, "  One of the repairs: %s\n", r)
		}
	case Unlike:
		b.WriteString("No cause explains these readings together. Read the questioned ones again, or look for what no list holds.\n")
	}
}
