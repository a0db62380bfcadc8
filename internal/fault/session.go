package fault

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/agext/levenshtein"

	"fettle/internal/diag"
	"fettle/internal/unit"
)

const (
	// Clear is the probability from which a repair is named without "probably".
	Clear = 0.88
	// ClearSound is the probability from which a decoder is called sound: more is asked of it, for a fault that shows in
	// nothing yet (a pull-down ten times too large) is found by looking for it.
	ClearSound = 0.95
	// NotSound is the probability that nothing is wrong, below which a cause is named: a sound decoder at the edge of its
	// tolerances looks a little like some leak or other, and one more reading costs less than the repair of nothing.
	NotSound = 0.02
	// fewRepairs is how many different repairs may stand in the group that a cause is named with, while there is a reading left
	// that would tell them apart.
	fewRepairs = 3
	// Named is how many causes a report lists.
	Named = 8
	// spoken is the probability below which a cause is not worth a word.
	spoken = 0.01
)

// An Entry is one reading as it was taken down. Nothing taken down is lost: a reading of a test that is read again is
// kept, and the later counts.
type Entry struct {
	Reading
	Text       string // as typed
	Superseded bool
	Note       string // "0.02 V before: one of the two is a slip, or something changed between them"
}

// A Session is a diagnosis under way.
type Session struct {
	Table   *Table
	State   *State
	Entries []Entry

	// Notes are what was assumed of what was typed.
	Notes []string

	without map[int]bool // tests that were skipped or cannot be done
	setup   string
	place   string
	past    []moment
	advice  []Advice // of the present state; nil: not asked yet
}

// A moment is what undo goes back to.
type moment struct {
	state   *State
	entries []Entry
	without map[int]bool
	setup   string
	place   string
}

// NewSession begins a diagnosis.
func NewSession(t *Table) *Session {
	s := &Session{Table: t, State: t.Start(), without: map[int]bool{}}
	for i := range t.Tests {
		if t.Tests[i].Buried {
			s.without[i] = true
		}
	}
	return s
}

func (s *Session) remember() {
	was := map[int]bool{}
	for i := range s.without {
		was[i] = true
	}
	s.past = append(s.past, moment{s.State, slices.Clone(s.Entries), was, s.setup, s.place})
	s.advice = nil
}

// Undo takes the last step back; false if there is none.
func (s *Session) Undo() bool {
	if len(s.past) == 0 {
		return false
	}
	last := s.past[len(s.past)-1]
	s.past = s.past[:len(s.past)-1]
	s.State, s.Entries, s.without, s.setup, s.place, s.advice = last.state, last.entries, last.without, last.setup, last.place, nil
	return true
}

// Rests is the only reading of the meter that a sound decoder does not explain, if all that speaks for a fault is that one
// and it was taken once: a slip would look the same, so it is to be taken again. −1 if there is none.
func (s *Session) Rests() int {
	sound := s.sound()
	if sound < 0 || s.State.Ranked()[0] == sound {
		return -1
	}
	only := -1
	for k, r := range s.State.Readings {
		if s.State.Explains(sound, k) {
			continue
		}
		if only >= 0 {
			return -1
		}
		only = r.Test
	}
	if only < 0 || s.Table.Tests[only].Choices != nil || s.without[only] {
		return -1
	}
	times := 0
	for _, e := range s.Entries {
		if e.Test == only {
			times++
		}
	}
	if times > 1 {
		return -1
	}
	return only
}

// Next are the readings worth taking, the best first. Where everything rests on one reading and that would settle it, it is
// that one again.
func (s *Session) Next() []Advice {
	if s.advice == nil {
		if top := s.State.Ranked()[0]; s.State.Mended(top) >= Clear {
			if again := s.Rests(); again >= 0 {
				s.advice = []Advice{{Test: again, Again: true}}
				return s.advice
			}
		}

		s.advice = s.State.Advise(Settings{Without: s.without, Setup: s.setup, Place: s.place, Ran: s.ran()})
		if s.advice == nil {
			s.advice = []Advice{}
		}
	}
	return s.advice
}

// ran reports whether it has been on the track already.
func (s *Session) ran() bool {
	return slices.ContainsFunc(s.Entries, func(e Entry) bool { return s.Table.Tests[e.Test].Power == OnTrack })
}

// Skip sets a test aside.
func (s *Session) Skip(test int) {
	s.remember()
	s.without[test] = true
}

// Unreachable sets aside every test at a place, or in a setup that cannot be brought about.
func (s *Session) Unreachable(place string) (tests int) {
	s.remember()
	for i := range s.Table.Tests {
		t := &s.Table.Tests[i]
		if strings.EqualFold(t.Point, place) || strings.EqualFold(t.Against, place) || strings.EqualFold(t.Setup, place) {
			s.without[i] = true
			tests++
		}
	}
	return tests
}

// Put takes a reading down.
func (s *Session) Put(r Reading, text string) Entry {
	s.remember()
	e := Entry{Reading: r, Text: text}
	test := &s.Table.Tests[r.Test]
	again := false
	for i := range s.Entries {
		old := &s.Entries[i]
		if old.Test != r.Test || old.Superseded {
			continue
		}
		old.Superseded, again = true, true
		if s.differ(old.Reading, r) {
			e.Note = fmt.Sprintf("%s before, %s now: both are kept and the later counts; what changed between them is itself a sign (a joint that comes and goes, a part that warms, a slip)",
				test.Says(old.Reading), test.Says(r))
		}
	}
	s.Entries = append(s.Entries, e)
	if test.Setup != "" {
		s.setup, s.place = test.Setup, test.Place
	}
	if !again {
		s.State = s.State.Add(r)
		return e
	}
	s.State = s.Table.Start()
	for _, x := range s.Entries {
		if !x.Superseded {
			s.State = s.State.Add(x.Reading)
		}
	}
	return e
}

// differ reports whether two readings of one test differ by more than a meter would make of the same.
func (s *Session) differ(a, b Reading) bool {
	t := &s.Table.Tests[a.Test]
	switch {
	case t.Choices != nil:
		return a.Choice != b.Choice
	case a.Over || b.Over:
		return a.Over != b.Over
	}
	return math.Abs(math.Asinh(a.Value/t.Scale)-math.Asinh(b.Value/t.Scale)) > 4*math.Max(t.sigma(a.Value), t.sigma(b.Value))
}

// Says is a reading as it is written.
func (t *Test) Says(r Reading) string {
	switch {
	case t.Choices != nil:
		return t.Choices[r.Choice]
	case r.Over:
		return "OL"
	}
	return t.number(r.Value)
}

func (t *Test) number(v float64) string {
	// What rounds to nothing on the meter is nothing.
	if rng, _ := t.rangeOf(0); math.Abs(v) < rng.Slack/2 {
		v = 0
	}
	return unit.Format(v, t.Unit, 3)
}

// dimensions of the meter's functions, by unit.
var dimensions = map[string]unit.Dimension{unit.SymVolt: unit.Voltage, unit.SymAmp: unit.Current, unit.SymOhm: unit.Resistance}

// where a reading was typed, for diagnostics.
type place struct {
	file string
	line int
	text string
}

// at is the range of a part of the text.
func (p place) at(part string) diag.Range {
	i := strings.Index(p.text, part)
	if i < 0 || part == "" {
		i, part = 0, p.text
	}
	pos := func(b int) diag.Pos {
		return diag.Pos{Line: p.line, Column: 1 + len([]rune(p.text[:b])), Byte: b}
	}
	return diag.Range{File: p.file, Start: pos(i), End: pos(i + len(part))}
}

// Forms are readings as they can be typed, for messages.
func (s *Session) Forms() string {
	var out []string
	add := func(format string, is func(t *Test) bool) {
		for i := range s.Table.Tests {
			if t := &s.Table.Tests[i]; t.Choices == nil && is(t) {
				text := format
				for _, x := range [][2]string{{"SETUP", t.Setup}, {"POINT", t.Point}, {"TO", t.Against}} {
					text = strings.ReplaceAll(text, x[0], x[1])
				}
				out = append(out, fmt.Sprintf("%q", text))
				return
			}
		}
	}
	pin := func(t *Test) bool { return t.Unit == unit.SymVolt && !strings.Contains(t.Setting, "diode") && t.Signed }
	add("POINT = 0.02 V", func(t *Test) bool { return pin(t) && strings.HasPrefix(t.Point, "PB") })
	add("SETUP: POINT = 0.02 V", pin)
	add("POINT to TO = 4.7 kΩ", func(t *Test) bool { return t.Unit == unit.SymOhm })
	return strings.Join(out, ", ")
}

// Take reads what was typed, a reading or an observation, and says what it was taken as where that is not plain from the words.
func (s *Session) Take(file string, line int, text string) ([]Reading, diag.List) {
	text = strings.TrimSpace(text)
	if seen, ok := strings.CutPrefix(text, "saw "); ok {
		return s.Saw(file, line, seen)
	}
	if strings.Contains(text, "=") {
		r, problems := s.Parse(file, line, text)
		return []Reading{r}, problems
	}
	r, problems := s.Saw(file, line, text)
	if len(problems) > 0 && problems[0].Code == "observation-unknown" {
		problems[0].Message += "; a reading is written " + s.Forms()
	}
	return r, problems
}

// Assumed says in which setup a reading was taken to be, where it named none and others would show something else; or "".
func (s *Session) Assumed(r Reading, text string) string {
	t := &s.Table.Tests[r.Test]
	if t.Choices != nil || t.Setup == "" || strings.Contains(text, ":") || t.Setup == s.setup {
		return ""
	}
	sound := s.sound()
	for i := range s.Table.Tests {
		o := &s.Table.Tests[i]
		if o.Choices != nil || o.Setup == t.Setup || o.Point != t.Point || o.Against != t.Against || o.Unit != t.Unit || o.Setting != t.Setting {
			continue
		}
		start := s.Table.Start()
		a, b := start.Foresee(sound, r.Test).Median, start.Foresee(sound, i).Median
		if math.Abs(math.Asinh(a/t.Scale)-math.Asinh(b/t.Scale)) > 0.2 {
			return fmt.Sprintf("%q names no setup: taken as %s (%s); in another one write, for example, %q", text, t.Setup, t.Bring, o.Setup+": "+strings.TrimSpace(text))
		}
	}
	return ""
}

// Parse reads a typed reading: POINT [to POINT] = VALUE, after "SETUP:" where it was taken in another setup than the
// usual one. file and line are where it stands.
func (s *Session) Parse(file string, line int, text string) (Reading, diag.List) {
	var list diag.List
	p := place{file, line, text}
	left, value, ok := strings.Cut(text, "=")
	if !ok {
		list.Add("reading-form", p.at(text), "%q is no reading: write %s", text, s.Forms())
		return Reading{}, list
	}
	value = strings.TrimSpace(value)
	setup := ""
	if before, after, ok := strings.Cut(left, ":"); ok {
		setup, left = strings.TrimSpace(before), after
	}
	point, against := strings.TrimSpace(left), ""
	for _, word := range []string{" to ", " against ", " and "} {
		if a, b, ok := strings.Cut(point, word); ok {
			point, against = strings.TrimSpace(a), strings.TrimSpace(b)
		}
	}
	names := func(of func(t *Test) string) (all []string) {
		for i := range s.Table.Tests {
			t := &s.Table.Tests[i]
			if n := of(t); t.Choices == nil && n != "" && !slices.Contains(all, n) {
				all = append(all, n)
			}
		}
		return all
	}
	known := func(what, name string, all []string) string {
		for _, n := range all {
			if strings.EqualFold(plainName(n), plainName(name)) {
				return n
			}
		}
		tail := ""
		if near := nearest(name, all); near != "" {
			tail = fmt.Sprintf("; did you mean %q?", near)
		} else {
			tail = ": there are " + strings.Join(all, ", ")
		}
		list.Add("name-unknown", p.at(name), "no %s is called %q%s", what, name, tail)
		return ""
	}
	points := names(func(t *Test) string { return t.Point })
	for _, n := range names(func(t *Test) string { return t.Against }) {
		if !slices.Contains(points, n) {
			points = append(points, n)
		}
	}
	point = known("test point", point, points)
	if against != "" {
		against = known("test point", against, points)
	}
	if setup != "" {
		named := s.setupNamed(setup, func(t *Test) bool {
			return t.Choices == nil && (t.Point == point && (against == "" || t.Against == against) || t.Against == point && t.Point == against)
		})
		if named == "" {
			named = known("setup", setup, names(func(t *Test) string { return t.Setup }))
		}
		setup = named
	}
	if len(list) > 0 {
		return Reading{}, list
	}
	shown := trimSetting(value)
	over := strings.EqualFold(shown, "OL") || strings.EqualFold(shown, "over") || strings.EqualFold(shown, "open")
	// The test that is meant: of those at these points, in the setup that is named, else in the one that is set up, else the
	// first.
	best, turned, rank := -1, false, 0
	var units []string
	for i := range s.Table.Tests {
		t := &s.Table.Tests[i]
		if t.Choices != nil || setup != "" && t.Setup != setup {
			continue
		}
		straight := t.Point == point && (against == "" || t.Against == against)
		// Volts and amperes turn their sign with the probes; a junction is another thing the other way round.
		back := !straight && t.Signed && t.Against == point && t.Point == against && !strings.Contains(t.Setting, "diode")
		if !straight && !back {
			continue
		}
		if !slices.Contains(units, t.Unit) {
			units = append(units, t.Unit)
		}
		if over && len(t.Ranges) == 0 {
			continue
		}
		d, ok := dimensions[t.Unit]
		if !over {
			if !ok {
				continue
			}
			if _, err := unit.Parse(shown, d); err != nil {
				continue
			}
		}
		if w := settingOf(value); w != "" && !strings.Contains(strings.ToLower(t.Setting), w) {
			continue
		}
		r := 1
		switch {
		case t.Setup == s.setup:
			r += 2
		case s.setup == "" && t.Setup == "dcc-on": // where trouble is seen first
			r++
		}
		if straight {
			r += 8
		}
		if t.Unit != unit.SymVolt && over || t.Against == "minus" {
			r++
		}
		if !strings.Contains(t.Setting, "diode") {
			r += 4
		}
		if r > rank {
			best, turned, rank = i, back, r
		}
	}
	if best < 0 {
		switch {
		case len(units) == 0:
			list.Add("reading-place", p.at(text), "nothing is read between these points%s", map[bool]string{true: " in that setup"}[setup != ""])
		case len(units) == 1:
			_, err := unit.Parse(shown, dimensions[units[0]])
			message := fmt.Sprintf("nothing of that kind is read at %s", point)
			if err != nil {
				message = err.Error()
			}
			list.Add("unit-wrong", p.at(value), "%s", message)
		default:
			list.Add("unit-wrong", p.at(value), "%q: one of %s is wanted at %s", value, strings.Join(units, ", "), point)
		}
		return Reading{}, list
	}
	t := &s.Table.Tests[best]
	r := Reading{Test: best, Over: over}
	if !over {
		r.Value, _ = unit.Parse(shown, dimensions[t.Unit])
	}
	if turned {
		r.Value = -r.Value
	}
	if problem := t.impossible(r); problem != "" {
		list.Add("reading-impossible", p.at(value), "%s", problem)
		return Reading{}, list
	}
	return r, list
}

// settingOf is the function that a value names besides its unit: "0.62 V diode", "5.5 V AC".
func settingOf(value string) string {
	v := strings.ToLower(value)
	for _, w := range []string{"diode", "ac", "dc"} {
		if strings.HasSuffix(v, " "+w) {
			return w
		}
	}
	return ""
}

func trimSetting(value string) string {
	if w := settingOf(value); w != "" {
		return strings.TrimSpace(value[:len(value)-len(w)])
	}
	return value
}

// impossible says why a reading cannot be, or "".
func (t *Test) impossible(r Reading) string {
	switch {
	case r.Over:
		return ""
	case !t.Signed && r.Value < 0:
		return fmt.Sprintf("%s: no %s is negative here", t.number(r.Value), dimensions[t.Unit].Name)
	case t.Most > 0 && math.Abs(r.Value) > t.Most:
		return fmt.Sprintf("%s cannot be: nothing here is beyond %s (a prefix, the decimal point, the range?)", t.number(r.Value), t.number(t.Most))
	case len(t.Ranges) > 0 && math.Abs(r.Value) > t.Ranges[len(t.Ranges)-1].Full:
		return fmt.Sprintf("%s is more than the meter shows: it would say OL above %s", t.number(r.Value), t.number(t.Ranges[len(t.Ranges)-1].Full))
	}
	return ""
}

// Answer reads what was answered to a test: a number with its unit, OL, or one of the choices.
func (s *Session) Answer(test int, text string) (Reading, diag.List) {
	var list diag.List
	t := &s.Table.Tests[test]
	p := place{"answer", 1, text}
	answer := strings.TrimSpace(text)
	if t.Choices != nil {
		i := choiceOf(t, answer)
		if i < 0 {
			tail := ""
			if near := nearest(answer, t.Choices); near != "" {
				tail = fmt.Sprintf("; did you mean %q?", near)
			}
			list.Add("answer", p.at(answer), "%q: one of %s is wanted%s", answer, strings.Join(t.Choices, ", "), tail)
		}
		return Reading{Test: test, Choice: i}, list
	}
	if shown := trimSetting(answer); strings.EqualFold(shown, "OL") || strings.EqualFold(shown, "over") {
		return Reading{Test: test, Over: true}, list
	}
	v, err := unit.Parse(trimSetting(answer), dimensions[t.Unit])
	if err != nil {
		list.Add("unit-wrong", p.at(answer), "%s", err.Error())
		return Reading{}, list
	}
	r := Reading{Test: test, Value: v}
	if problem := t.impossible(r); problem != "" {
		list.Add("reading-impossible", p.at(answer), "%s", problem)
	}
	return r, list
}

// choiceOf is the choice that an answer names by itself or by its first letters; −1 if none or several.
func choiceOf(t *Test, answer string) int {
	found := -1
	for i, c := range t.Choices {
		if strings.EqualFold(c, answer) {
			return i
		}
		if answer != "" && len(answer) <= len(c) && strings.EqualFold(c[:len(answer)], answer) {
			if found >= 0 {
				return -1
			}
			found = i
		}
	}
	return found
}

// plainName leaves out what people write differently: case, spaces, dashes.
func plainName(s string) string {
	return strings.Map(func(r rune) rune {
		if r == ' ' || r == '-' || r == '_' || r == '.' || r == '\u00a0' {
			return -1
		}
		return r
	}, strings.ToLower(s))
}

// nearest is the name that was probably meant, "" if none or two are as near.
func nearest(written string, names []string) string {
	w := plainName(written)
	best, found := 2+len(w)/5, ""
	for _, name := range names {
		n := plainName(name)
		d := levenshtein.Distance(w, n, nil)
		if len(w) >= 3 && strings.HasPrefix(n, w) {
			d = min(d, 1)
		}
		switch {
		case d >= len(n):
		case d < best:
			best, found = d, name
		case d == best:
			found = ""
		}
	}
	return found
}

// nearWords is the sentence that shares most words with what was said, or that is nearest letter by letter.
func nearWords(said string, sentences []string) string {
	if n := nearest(said, sentences); n != "" {
		return n
	}
	words := slices.DeleteFunc(strings.Fields(strings.ToLower(said)), func(w string) bool { return slices.Contains(fillers, w) })
	best, found := 1, ""
	for _, x := range sentences {
		has := strings.Fields(strings.ToLower(x))
		n := 0
		for _, w := range words {
			if slices.Contains(has, w) {
				n++
			}
		}
		if n > best {
			best, found = n, x
		}
	}
	return found
}

// Write is a reading as Parse reads it, or "saw …".
func (t *Table) Write(r Reading) string {
	x := &t.Tests[r.Test]
	if x.Choices != nil {
		return "saw " + x.Sayings[r.Choice]
	}
	value := "OL"
	if !r.Over {
		value = unit.Format(r.Value, x.Unit, 6)
	}
	line := fmt.Sprintf("%s: %s to %s = %s", x.Setup, x.Point, x.Against, value)
	if strings.Contains(x.Setting, "diode") {
		line += " diode" // else it is taken for ohms
	}
	return line
}
