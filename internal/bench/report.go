package bench

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"fettle/internal/finding"
	"fettle/internal/probe"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// Feed is the supply of the bench in words: "12 V DC through a limit of 50 mA".
func (s *Sheet) Feed() string {
	if s.Tools.Series > 0 {
		return fmt.Sprintf("%s DC through %s", s.Tools.Supply, s.Tools.Series)
	}
	return fmt.Sprintf("%s DC through a limit of %s", s.Tools.Supply, s.Tools.Limit)
}

// do are the words of a step: what to bring about, what to expect and when to stop. Common practice, no source.
func (s *Sheet) do(n *wiring.Network, id string, rows []Row) []string {
	feed := s.Feed()
	switch id {
	case "vehicle-bare":
		return []string{"No decoder in the vehicle. Each lamp by itself between the leads of the supply, " + feed + ", the meter in one lead: plus at its feed where it lights that way. A lamp that is dead now was not killed by the work to come."}
	case "unpowered":
		return []string{"No supply, no track, no vehicle; the reservoir discharged through 1 kΩ or so. Wait until the display stands still: the meter charges the reservoir first."}
	case "first-power":
		say := "The board alone, its rails on " + feed + "; the firmware is in the chip."
		for _, r := range rows {
			if r.Setting == "DC current" {
				stop := 2 * r.High
				say += fmt.Sprintf(" Expect %s. Switch off at once at %s or more", s.Says(&r), unit.Format(math.Ceil(stop*1e3)/1e3, unit.SymAmp, 2))
				if s.Tools.Series > 0 {
					say += fmt.Sprintf(" (%s across the resistor)", unit.Volt(stop*float64(s.Tools.Series)))
				}
				say += ", if the current stays at the limit, or if a part gets warm."
				break
			}
		}
		return []string{say}
	case "supply":
		return []string{"Black clipped to decoder minus, red held with one hand; from here on every slip of the probe has power behind it."}
	case "chip":
		return []string{"The outputs on and off as the firmware lets you: by the function keys, or by themselves on plain DC."}
	case "ear":
		return []string{"What the chip hears of the rail. On DC it stands still."}
	case "outputs":
		return []string{"Still without the vehicle: base or gate of every switch, driven and not."}
	case "vehicle-dc":
		return []string{fmt.Sprintf("In the vehicle, on %s DC. What cannot be seen through the shell is seen with it off.", n.Build.Track.Usual.Or(12))}
	case "programming":
		return []string{"This vehicle alone on the programming track."}
	case "layout":
		return []string{fmt.Sprintf("On the layout, %s DCC.", n.Build.Track.Usual.Or(12))}
	}
	return nil
}

// number prints a reading to what the meter resolves there: what rounds to nothing is nothing.
func (s *Sheet) number(r *Row, v float64) string {
	if math.IsInf(v, 0) {
		return "OL"
	}
	// Three digits, or four where the meter shows them and the interval is as narrow.
	digits := 3
	if r.High-r.Low < math.Abs(v)/100 {
		digits = 4
	}
	least := map[string]float64{unit.SymVolt: 1e-3, unit.SymAmp: 1e-6, unit.SymOhm: 0.1}[r.Unit]
	if math.Abs(v) < least/2 {
		v = 0
	}
	v = math.Round(v/least) * least
	return unit.Format(v, r.Unit, digits)
}

// Says is what is expected: "4.71 V to 5.12 V", "OL", "above 1.2 MΩ", "yes".
func (s *Sheet) Says(r *Row) string {
	switch {
	case r.Look && r.Yes:
		return "yes"
	case r.Look:
		return "no"
	case math.IsInf(r.Low, 1):
		return "OL"
	case math.IsInf(r.High, 1):
		return "above " + s.number(r, r.Low) + ", or OL"
	case math.IsInf(r.Low, -1):
		return "below " + s.number(r, r.High)
	}
	if r.Low < 0 && r.High > 0 && math.Abs(r.Low+r.High) < r.High/10 {
		return "0 ± " + s.number(r, math.Max(r.High, -r.Low))
	}
	return s.number(r, r.Low) + " to " + s.number(r, r.High)
}

// Value prints what was read of a row.
func (s *Sheet) Value(r *Row, v float64) string {
	switch {
	case r.Look && v > 0.5:
		return "yes"
	case r.Look:
		return "no"
	}
	return s.number(r, v)
}

// Probes are where the probes go, in short: "PB0 → minus", red first.
func (r *Row) Probes() string {
	switch {
	case r.Look:
		return r.Words
	case r.Against == "supply":
		return "in the lead of the supply"
	}
	return r.Point + " → " + r.Against
}

// Meter is what it is set to.
func (r *Row) Meter() string {
	if r.Range == "" {
		return r.Setting
	}
	return r.Setting + ", " + r.Range
}

// Points are what a reading below or above points to, as one sentence; "" where nothing is known to.
func Points(list []Pointer, more int) string {
	var out []string
	before := len(list) > 0 && list[0].Row > 0 // all of them are caught before, else none is named
	for _, p := range list {
		if before && len(out) == 1 {
			more += len(list) - 1
			break
		}
		out = append(out, p.Words)
	}
	if more > 0 {
		out = append(out, fmt.Sprintf("or %d more", more))
	}
	words := strings.Join(out, "; ")
	if before {
		words = fmt.Sprintf("as no. %d shows: %s", list[0].Row, words)
	}
	return words
}

// Means is what a reading points to, by how it stands.
func (r *Row) Means(v Verdict) string {
	switch {
	case v == Below:
		return Points(r.Below, r.More[0])
	case v == Above:
		return Points(r.Above, r.More[1])
	}
	return ""
}

// A Taken is a reading that was taken.
type Taken struct {
	Row   *Row
	Value float64
	Date  string
	Text  string // as typed
	Note  string // "0.02 V before: …"
}

// Told is what is said of it at once, in lines: how it stands, and where it is off what that points to.
func (s *Sheet) Told(t Taken) string {
	v := t.Row.Judge(t.Value)
	name := t.Row.Probes()
	if t.Row.Number > 0 {
		name = fmt.Sprintf("no. %d, %s", t.Row.Number, name)
	}
	out := fmt.Sprintf("%s %s: %s", s.Judgement(t).Verdict.Shape(), name, s.Value(t.Row, t.Value))
	switch {
	case v == Holds:
		out += " holds"
		if !t.Row.Look {
			out += " (" + s.Says(t.Row) + ")"
		}
	case t.Row.Look:
		out += ", expected " + s.Says(t.Row)
	default:
		out += fmt.Sprintf(" is %s what is expected, %s", v, s.Says(t.Row))
	}
	if v != Holds {
		if m := t.Row.Means(v); m != "" {
			out += "\n    points to: " + strings.ReplaceAll(strings.ReplaceAll(m, "; or ", "; "), "; ", "\n    or: ")
		} else {
			out += "\n    nothing on the sheet explains that alone: the diagnosis (fettle fault) goes on from here"
		}
	}
	if t.Note != "" {
		out += "\n    " + t.Note
	}
	return out
}

// Judgement is how it stands.
func (s *Sheet) Judgement(t Taken) finding.Judgement {
	r := t.Row
	j := finding.Judgement{ID: "bench." + r.Test, Subject: r.Probes(), Requirement: fmt.Sprintf("%s: %s", r.Setting, s.Says(r)), Value: t.Value, Unit: r.Unit,
		Limit: math.NaN(), Margin: math.NaN(), Verdict: finding.Holds, Method: fmt.Sprintf("no sound decoder of %d outside, the meter's errors included", s.Samples), Why: r.Bring}
	if r.Number > 0 {
		j.Subject = fmt.Sprintf("no. %d: %s", r.Number, j.Subject)
	}
	switch r.Judge(t.Value) {
	case Below:
		j.Verdict, j.Limit, j.Sense = finding.Fails, r.Low, "≥"
	case Above:
		j.Verdict, j.Limit, j.Sense = finding.Fails, r.High, "≤"
	}
	if r.Look || math.IsInf(t.Value, 0) || math.IsInf(j.Limit, 0) {
		j.Value, j.Limit, j.Sense, j.Unit = math.NaN(), math.NaN(), "", ""
		j.Requirement += ", read " + s.Value(r, t.Value)
	}
	if j.Verdict == finding.Fails {
		j.Why = ""
		j.Mend = "nothing on the sheet explains it alone: the diagnosis (fettle fault) goes on from here"
		if m := r.Means(r.Judge(t.Value)); m != "" {
			j.Mend = "it points to: " + m
		}
	}
	return j
}

// Findings is the sheet as tables, a table for every setup, with what was read so far.
func (s *Sheet) Findings(taken []Taken) finding.Findings {
	f := finding.Findings{Question: "bench"}
	last := map[string]Taken{}
	for _, t := range taken {
		last[t.Row.Test] = t
	}
	for k, st := range s.Steps {
		for _, d := range st.Do {
			f.Notes = append(f.Notes, finding.Note{ID: "bench." + st.ID, Kind: fmt.Sprintf("step %d: %s", k+1, st.Name), Text: d})
		}
		for _, g := range st.Groups() {
			t := finding.Table{ID: "bench." + st.ID + "." + g[0].Setup, Title: fmt.Sprintf("%d %s", k+1, st.Name), Columns: []finding.Column{
				{Title: "no.", Numeric: true}, {Title: "red → black"}, {Title: "meter"}, {Title: "expect"}, {Title: "read"}}}
			if g[0].Bring != "" {
				t.Title += ": " + g[0].Bring
			}
			for i := range g {
				r := &g[i]
				read := finding.Cell{Number: math.NaN()}
				if x, ok := last[r.Test]; ok {
					read.Text, read.Verdict = s.Value(r, x.Value), s.Judgement(x).Verdict
				}
				t.Rows = append(t.Rows, []finding.Cell{{Text: fmt.Sprint(r.Number), Number: math.NaN()}, {Text: r.Probes(), Number: math.NaN()},
					{Text: r.Meter(), Number: math.NaN()}, {Text: s.Says(r), Number: math.NaN()}, read})
				f.Values = append(f.Values, s.value(r))
			}
			f.Tables = append(f.Tables, t)
		}
	}
	for _, t := range taken {
		if last[t.Row.Test] == t {
			f.Verdicts = append(f.Verdicts, s.Judgement(t))
		}
		if t.Note != "" {
			f.Notes = append(f.Notes, finding.Note{Kind: "reading", Text: t.Note})
		}
	}
	f.Notes = append(f.Notes, s.reach()...)
	f.Cautions = s.Cautions()
	return f
}

// value is a row for a program to read.
func (s *Sheet) value(r *Row) finding.Value {
	v := finding.Value{ID: "bench." + r.Test, Name: fmt.Sprintf("no. %d: %s, %s", r.Number, r.Probes(), r.Setting), Value: r.Typical, Low: r.Low, High: r.High, Unit: r.Unit,
		Method: fmt.Sprintf("circuit over its tolerances, the meter's load, gain error and digits: no sound decoder of %d outside", s.Samples), Reason: r.Shows}
	if r.Look || math.IsInf(r.Typical, 0) || math.IsInf(r.High, 0) || math.IsInf(r.Low, 0) {
		v.Value, v.Low, v.High, v.Text = math.NaN(), math.NaN(), math.NaN(), s.Says(r)
	}
	for _, side := range []struct {
		name string
		v    Verdict
	}{{"below", Below}, {"above", Above}} {
		if m := r.Means(side.v); m != "" {
			if r.Look {
				side.name = "otherwise"
			}
			v.Reason = strings.TrimPrefix(v.Reason+"; ", "; ") + side.name + ": " + m
		}
	}
	return v
}

// reach says how far the sheet reaches.
func (s *Sheet) reach() (out []finding.Note) {
	if s.Faults == 0 {
		return nil
	}
	out = append(out, finding.Note{ID: "bench.reach", Kind: "sheet", Text: fmt.Sprintf("%d readings catch %d of %d single faults, each on nine boards of ten that have it", len(s.Rows()), s.Caught, s.Faults)})
	return out
}

// Explain is one reading with all that is known of it.
func (s *Sheet) Explain(r *Row) finding.Findings {
	f := finding.Findings{Question: "bench", Values: []finding.Value{s.value(r)}}
	note := func(kind, text string) {
		if text != "" {
			f.Notes = append(f.Notes, finding.Note{ID: "bench." + r.Test + "." + kind, Kind: kind, Text: text})
		}
	}
	f.Values[0].Reason = r.Shows
	note("where", r.Words)
	note("setup", r.Bring)
	note("meter", r.Meter())
	for _, side := range []struct {
		kind string
		list []Pointer
		more int
	}{{"below", r.Below, r.More[0]}, {"above", r.Above, r.More[1]}} {
		if r.Look {
			side.kind = "otherwise"
		}
		for _, p := range side.list {
			words := p.Words + ": " + p.Repair
			if p.Row > 0 {
				words += fmt.Sprintf(" (no. %d shows it too)", p.Row)
			}
			note(side.kind, words)
		}
		if side.more > 0 {
			note(side.kind, fmt.Sprintf("or one of %d more, which fettle fault tells apart", side.more))
		}
	}
	if r.Risk != "" {
		f.Cautions = append(f.Cautions, finding.Caution{Where: "probing " + r.Point, Text: r.Risk})
	}
	return f
}

// Cautions are those of the work and those of the points probed.
func (s *Sheet) Cautions() []finding.Caution {
	out := probe.Cautions()
	seen := map[string]bool{}
	for _, r := range s.Rows() {
		if r.Risk != "" && !seen[r.Risk] {
			seen[r.Risk] = true
			out = append(out, finding.Caution{Where: "probing " + r.Point, Text: r.Risk})
		}
	}
	return out
}

// Groups are the rows of a step, setup by setup.
func (st *Step) Groups() (out [][]Row) {
	for i, r := range st.Rows {
		if i == 0 || st.Rows[i-1].Setup != r.Setup {
			out = append(out, nil)
		}
		out[len(out)-1] = append(out[len(out)-1], r)
	}
	return out
}

// Untestable is the judgement on the sheet's reach, and a table of what it does not catch.
func (s *Sheet) Untestable() (finding.Judgement, finding.Table) {
	id := "decoder." + s.Decoder + ".testability"
	t := finding.Table{ID: id, Title: "faults that the bench sheet would not catch", Columns: []finding.Column{{Title: "fault"}, {Title: "boards it shows on", Numeric: true}, {Title: "what would catch it"}}}
	j := finding.Judgement{ID: id, Subject: "decoder " + s.Decoder, Requirement: "single faults that the bench sheet catches", Verdict: finding.Reported,
		Value: math.NaN(), Limit: math.NaN(), Margin: math.NaN(), Method: fmt.Sprintf("%d faults, %d readings", s.Faults, len(s.Rows()))}
	var cures []string
	for _, m := range s.Misses {
		cure := m.Cure
		switch {
		case cure == "":
			cure = "no reading tells it from a sound decoder"
		case m.Point != "":
			cure = "a place for the probe at " + m.Point + ": " + cure
			if !slices.Contains(cures, m.Point) {
				cures = append(cures, m.Point)
			}
		}
		t.Rows = append(t.Rows, []finding.Cell{{Text: m.Words, Number: math.NaN()}, {Text: fmt.Sprintf("%.0f %%", 100*m.Share), Number: math.NaN()}, {Text: cure, Number: math.NaN()}})
	}
	j.Requirement = fmt.Sprintf("the bench sheet catches %d of %d single faults", s.Caught, s.Faults)
	if len(cures) > 0 {
		j.Mend = "make room for a probe at " + strings.Join(cures, ", ")
	}
	return j, t
}
