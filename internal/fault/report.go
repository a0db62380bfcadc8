package fault

import (
	"fettle/internal/probe"
	"fmt"
	"math"
	"strings"

	"fettle/internal/finding"
	"fettle/internal/unit"
)

// Known is what a diagnosis has come to.
type Known int

const (
	Open   Known = iota // more readings would tell more
	Sound               // nothing is wrong
	Found               // one repair stands clear
	Spent               // no reading left would tell the rest apart
	Unlike              // no cause explains the readings
)

// Conclusion says how far the diagnosis is, and its likeliest group.
func (s *Session) Conclusion() (Known, Group) {
	groups := s.State.Groups(spoken)
	g := groups[0]
	top := g.Causes[0]
	if len(s.State.Readings) == 0 {
		return Open, g
	}
	unexplained := 0
	for k := range s.State.Readings {
		if !s.State.Explains(top, k) {
			unexplained++
		}
	}
	switch {
	case unexplained > 1 && 2*unexplained >= len(s.State.Readings):
		if len(s.Next()) == 0 {
			return Unlike, g
		}
		return Open, g
	case s.Table.Causes[top].ID == Healthy && s.State.P[top] >= ClearSound:
		return Sound, g
	case s.Table.Causes[top].ID != Healthy && s.State.Mended(top) >= Clear && (s.sound() < 0 || s.State.P[s.sound()] < NotSound):
		if s.Rests() >= 0 || len(g.Repairs) > fewRepairs && len(s.Next()) > 0 {
			return Open, g
		}
		return Found, g
	case len(s.Next()) == 0:
		return Spent, g
	}
	return Open, g
}

// share is a probability in words that claims no more than it should.
func share(p float64) string {
	switch {
	case p > 0.99:
		return "over 99 %"
	case p < 0.01:
		return "under 1 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

// Foresees is what a cause foresees of a test, in words.
func (s *State) Foresees(cause, test int) string {
	t := &s.Table.Tests[test]
	f := s.Foresee(cause, test)
	if t.Choices != nil {
		best := 0
		for i, p := range f.Choices {
			if p > f.Choices[best] {
				best = i
			}
		}
		if len(f.Choices) == 0 || f.None > 0.5 {
			return "cannot be said"
		}
		if f.Choices[best] < 0.9 {
			return fmt.Sprintf("%s, with %s", t.Choices[best], share(f.Choices[best]))
		}
		return t.Choices[best]
	}
	switch {
	case f.None > 0.5:
		return "cannot be said"
	case f.Over > 0.95:
		return "OL"
	case f.Over > 0.05:
		return fmt.Sprintf("OL, or from %s", t.number(f.Low))
	}
	// The meter's own error belongs to what may be shown.
	low, high := f.Low-2*t.sigma(f.Low)*math.Hypot(f.Low, t.Scale), f.High+2*t.sigma(f.High)*math.Hypot(f.High, t.Scale)
	if !t.Signed {
		low = math.Max(low, 0)
	}
	if nothing := t.Scale / 20; math.Abs(low) < nothing && math.Abs(high) < nothing {
		return "about " + unit.Format(0, t.Unit, 1)
	}
	a, b := t.number(low), t.number(high)
	if a == b {
		return a
	}
	return a + " to " + b
}

// Findings are the diagnosis in words: what it is with what probability, what each cause explains, which reading to
// take next, and what is to be done.
func (s *Session) Findings() finding.Findings {
	f := finding.Findings{Question: "fault"}
	st, t := s.State, s.Table
	note := func(kind, format string, args ...any) {
		f.Notes = append(f.Notes, finding.Note{ID: fmt.Sprintf("fault.%s.%d", strings.ReplaceAll(kind, " ", "-"), len(f.Notes)+1), Kind: kind, Text: fmt.Sprintf(format, args...)})
	}
	for _, a := range t.Assumes {
		note("assumed", "%s", a)
	}
	for _, n := range s.Notes {
		note("assumed", "%s", n)
	}
	known, g := s.Conclusion()
	top := g.Causes[0]
	mended := st.Mended(top)
	j := finding.Judgement{ID: "fault.found", Subject: "this decoder", Requirement: "nothing is wrong with it", Verdict: finding.Unknown, Value: st.P[top], Limit: Clear, Sense: "≥", Unit: unit.SymRatio,
		Method: fmt.Sprintf("%s over %d causes", count(len(st.Readings), "reading"), len(t.Causes))}
	j.Value, j.Limit = 0, ClearSound
	if sound := s.sound(); sound >= 0 {
		j.Value = st.P[sound]
	}
	j.Margin = j.Value/j.Limit - 1
	c := &t.Causes[top]
	switch known {
	case Sound:
		j.Verdict = finding.Holds
		if len(t.Alike) > 0 {
			note("cannot tell", "no reading tells these from nothing being wrong, and the decoder does its work with any of them: %s", strings.Join(t.Alike, "; "))
		}
	case Found:
		j.Verdict, j.Why, j.Mend = finding.Fails, c.Words, c.Repair
		f.Values = append(f.Values, finding.Value{ID: "fault.cause", Name: "it is", Text: c.Words, Value: math.NaN(), Low: math.NaN(), High: math.NaN(), Sure: share(mended), Method: j.Method})
		note("repair", "%s", c.Repair)
		if c.Damaged != "" {
			note("look also at", "%s", c.Damaged)
		}
		if c.Check != "" {
			note("mended when", "%s", c.Check)
		}
	case Spent:
		j.Why = fmt.Sprintf("no reading left tells these apart: %s", s.list(g.Causes, 4))
	case Unlike:
		j.Why = "no cause explains these readings; see which of them is questioned"
	default:
		j.Why = "not measured yet"
		if next := s.Next(); len(next) > 0 {
			j.Why = "not measured yet: " + t.Tests[next[0].Test].Words
		}
	}
	f.Verdicts = append(f.Verdicts, j)

	causes := finding.Table{ID: "fault.causes", Title: "What would explain the readings, likeliest first; what stands in one group these readings cannot tell apart",
		Columns: []finding.Column{{Title: "group", Numeric: true}, {Title: "cause"}, {Title: "probability", Numeric: true}}}
	rows := 0
	under := func(t *finding.Table, format string, args ...any) {
		row := make([]finding.Cell, len(t.Columns))
		for k := range row {
			row[k] = word("")
		}
		row[len(t.Columns)-2] = word("– " + fmt.Sprintf(format, args...))
		t.Rows = append(t.Rows, row)
	}
	for gi, g := range st.Groups(spoken) {
		for _, h := range g.Causes {
			if rows == Named {
				break
			}
			rows++
			causes.Rows = append(causes.Rows, []finding.Cell{word(fmt.Sprint(gi + 1)), word(t.Causes[h].Words), word(share(st.P[h]))})
			for k, r := range st.Readings {
				if !st.Explains(h, k) {
					under(&causes, "does not explain: %s = %s", t.Tests[r.Test].Words, t.Tests[r.Test].Says(r))
				}
			}
			if t.Causes[h].ID != Healthy {
				under(&causes, "repair: %s", t.Causes[h].Repair)
			}
		}
	}
	f.Tables = append(f.Tables, causes)
	taken := finding.Table{ID: "fault.readings", Title: "Readings, as they were understood",
		Columns: []finding.Column{{Title: "reading"}, {Title: "shown"}, {Title: "sound would show"}, {Title: "counts"}}}
	sound := s.sound()
	for _, e := range s.Entries {
		counts := "yes"
		if e.Superseded {
			counts = "no, read again later"
		}
		expect := ""
		if sound >= 0 {
			expect = s.Table.Start().Foresees(sound, e.Test)
		}
		taken.Rows = append(taken.Rows, []finding.Cell{word(t.Tests[e.Test].Words), word(t.Tests[e.Test].Says(e.Reading)), word(expect), word(counts)})
		if e.Note != "" {
			note("read twice", "%s: %s", t.Tests[e.Test].Words, e.Note)
		}
	}
	if len(taken.Rows) > 0 {
		f.Tables = append(f.Tables, taken)
	}
	for _, d := range st.Questioned() {
		note("questioned", "%s", s.doubt(d))
	}
	if known == Open {
		next := finding.Table{ID: "fault.next", Title: "The next readings worth taking, the best first",
			Columns: []finding.Column{{Title: "reading"}, {Title: "tells", Numeric: true}}}
		for k, a := range s.Next() {
			if k == 3 {
				break
			}
			x := &t.Tests[a.Test]
			next.Rows = append(next.Rows, []finding.Cell{word(x.Words), word(tells(a))})
			if x.Bring != "" {
				under(&next, "set up: %s", x.Bring)
			}
			if x.How != "" {
				under(&next, "probes: %s", x.How)
			}
			for _, p := range s.predictions(a.Test, 4) {
				under(&next, "%s", p)
			}
			if x.Caution != "" && k == 0 {
				f.Cautions = append(f.Cautions, finding.Caution{Where: "probing", Text: x.Caution})
			}
		}
		f.Tables = append(f.Tables, next)
	}
	f.Cautions = append(f.Cautions, probe.Cautions()...)
	return f
}

func (s *Session) sound() int {
	for h := range s.Table.Causes {
		if s.Table.Causes[h].ID == Healthy {
			return h
		}
	}
	return -1
}

func (s *Session) list(causes []int, most int) string {
	var words []string
	for k, h := range causes {
		if k == most {
			words = append(words, fmt.Sprintf("and %d more", len(causes)-most))
			break
		}
		words = append(words, s.Table.Causes[h].Words)
	}
	return strings.Join(words, "; ")
}

// predictions are what the likeliest causes foresee of a test, those that foresee the same together.
func (s *Session) predictions(test, most int) []string {
	type line struct {
		says   string
		causes []string
		p      float64
	}
	var lines []line
	for k, h := range s.State.Ranked() {
		if k >= 6 || s.State.P[h] < spoken && k > 0 {
			break
		}
		says := s.State.Foresees(h, test)
		i := 0
		for ; i < len(lines) && lines[i].says != says; i++ {
		}
		if i == len(lines) {
			lines = append(lines, line{says: says})
		}
		lines[i].causes = append(lines[i].causes, s.Table.Causes[h].Words)
		lines[i].p += s.State.P[h]
	}
	var out []string
	for i, l := range lines {
		if i == most {
			break
		}
		names := strings.Join(l.causes[:min(2, len(l.causes))], ", or ")
		if more := len(l.causes) - 2; more > 0 {
			names += fmt.Sprintf(", or %d more", more)
		}
		out = append(out, fmt.Sprintf("%s if %s (%s)", l.says, names, share(l.p)))
	}
	return out
}

func (s *Session) doubt(d Doubt) string {
	r := s.State.Readings[d.Reading]
	t := &s.Table.Tests[r.Test]
	text := fmt.Sprintf("%s = %s: no cause that explains the other readings explains it", t.Words, t.Says(r))
	for _, g := range d.Guess {
		text += fmt.Sprintf("; %s would agree (%s)", t.number(g.Value), g.Words)
	}
	if len(d.Guess) == 0 {
		text += "; read it again: the range, the place of the probes, the setup"
	}
	return text
}

func word(s string) finding.Cell { return finding.Cell{Text: s, Number: math.NaN()} }

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func tells(a Advice) string {
	if a.Again {
		return "taken again"
	}
	return fmt.Sprintf("%.1f bit", a.Bits)
}
