package fault

import (
	"fmt"
	"slices"
	"strings"
	"unicode"

	"fettle/internal/defect"
	"fettle/internal/diag"
)

// An observation is understood by the stems of its words, whatever stands between them; a "no" or "not" turns it round. Stems in one
// list must all be there; one list of several is enough.
type phrase struct {
	id   string // of the test
	any  [][]string
	turn bool // the words say the opposite of the question's yes
}

var phrases = []phrase{
	{id: TestLED, any: [][]string{{"test", "led"}}},
	{id: OtherCar, any: [][]string{{"other", "car"}, {"other", "vehicle"}, {"another", "car"}, {"another", "loco"}, {"other", "loco"}}},
	{id: defect.Swapped, any: [][]string{{"another", "vehicle", "measured"}, {"not", "vehicle", "measured"}}, turn: true},
	{id: defect.Swapped, any: [][]string{{"vehicle", "measured"}}},
	{id: defect.OtherTrack, any: [][]string{{"other", "decoder"}}},
	{id: defect.OtherTrack, any: [][]string{{"nothing", "works", "track"}}, turn: true},
	{id: defect.PlugTurned, any: [][]string{{"plug", "round"}, {"plug", "revers"}}},
	{id: defect.Attached, any: [][]string{{"programmer"}}},
	{id: defect.Answers, any: [][]string{{"answer"}, {"programming", "track"}, {"read", "cv"}}},
	{id: defect.PowerOff, any: [][]string{{"power-off"}, {"power", "off"}, {"powered", "off"}, {"switched", "off", "on"}, {"restart"}}},
	{id: defect.Cleaning, any: [][]string{{"clean"}, {"flux"}, {"wash"}}},
	{id: defect.Pressing, any: [][]string{{"press"}, {"bend"}, {"tap"}, {"wiggl"}}},
	{id: defect.Warming, any: [][]string{{"after", "warm"}, {"warming"}, {"when", "warm"}, {"when", "cold"}, {"hair"}, {"cooling"}}},
	{id: defect.Forgets, any: [][]string{{"forget"}, {"forgot"}, {"lost", "address"}, {"loses"}, {"lost", "settings"}}},
	{id: defect.Forgets, any: [][]string{{"keeps", "settings"}, {"keeps", "address"}}, turn: true},
	{id: defect.Dims, any: [][]string{{"dim", "when"}, {"dims"}}},
	{id: defect.Flickers, any: [][]string{{"flicker"}, {"flash"}}},
	{id: defect.Goes, any: [][]string{{"comes", "goes"}, {"now", "then"}, {"sometimes"}, {"intermittent"}}},
	{id: defect.Goes, any: [][]string{{"always", "same"}}, turn: true},
	{id: Warm, any: [][]string{{"hot"}, {"warm"}}},
	{id: Warm, any: [][]string{{"cold"}, {"cool"}}, turn: true},
}

var (
	denials = []string{"no", "not", "nothing", "never", "n't", "cannot", "without", "none", "dark", "same"}
	fillers = []string{"the", "a", "an", "is", "are", "was", "it", "and", "at", "in", "of", "with", "i", "saw", "my"}
)

// tokens are the words of a sentence in small letters.
func tokens(text string) []string {
	text = strings.NewReplacer("doesn't", "not", "does not", "not", "don't", "not", "won't", "not", "isn't", "not", "didn't", "not", "powered off", "power-off", "power off", "power-off").Replace(strings.ToLower(text))
	return strings.FieldsFunc(text, func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) && r != '-' && r != '\'' })
}

// stem reports whether a word begins with a stem; a short one must be the whole word.
func stem(words []string, s string) bool {
	return slices.ContainsFunc(words, func(w string) bool { return w == s || len(s) > 3 && strings.HasPrefix(w, s) })
}

// Saw finds the observations that a sentence says: "front light on and stays on", "board gets warm", "worked after warming".
func (s *Session) Saw(file string, line int, text string) ([]Reading, diag.List) {
	var list diag.List
	said := plainName(text)
	for i := range s.Table.Tests {
		for c, saying := range s.Table.Tests[i].Sayings {
			if saying != "" && plainName(saying) == said {
				return []Reading{{Test: i, Choice: c}}, nil
			}
		}
	}
	words := tokens(text)
	at := func(id string) int {
		return slices.IndexFunc(s.Table.Tests, func(t Test) bool { return t.ID == id })
	}
	lamp := s.lampIn(words)
	if lamp != "" && !stem(words, "led") {
		if r := s.lampSaid(words, lamp); len(r) > 0 {
			return r, nil
		}
	}
	denied := slices.ContainsFunc(words, func(w string) bool { return slices.Contains(denials, w) || strings.HasSuffix(w, "n't") })
	for _, p := range phrases {
		for _, stems := range p.any {
			if slices.ContainsFunc(stems, func(x string) bool { return !stem(words, x) }) {
				continue
			}
			id := p.id
			if id == TestLED {
				lamps := s.lamps()
				if lamp == "" && len(lamps) != 1 {
					list.Add("observation-which", place{file, line, text}.at(text), "a test LED in the place of which lamp? There are %s; for example %q", strings.Join(lamps, ", "), "test LED in place of lamp "+first(lamps)+" lights")
					return nil, list
				}
				if lamp == "" {
					lamp = lamps[0]
				}
				id += ":" + lamp
			}
			i := at(id)
			if i < 0 {
				continue
			}
			// "Nothing works on this track" and the like carry their no in the phrase.
			yes := denied == p.turn
			if p.turn {
				yes = false
			}
			choice := 1
			if yes {
				choice = 0
			}
			return []Reading{{Test: i, Choice: choice}}, nil
		}
	}
	var all []string
	for i := range s.Table.Tests {
		all = append(all, s.Table.Tests[i].Sayings...)
	}
	tail := ""
	if near := nearWords(text, all); near != "" {
		tail = fmt.Sprintf("; did you mean %q?", near)
	}
	list.Add("observation-unknown", place{file, line, text}.at(text), "%q is not understood%s; what is understood, for example: %s", text, tail, strings.Join(s.Examples(), ", "))
	return nil, list
}

func first(list []string) string {
	if len(list) == 0 {
		return ""
	}
	return list[0]
}

// Examples are a few observations that are understood, quoted.
func (s *Session) Examples() []string {
	var out []string
	if lamps := s.lamps(); len(lamps) > 0 {
		out = append(out, fmt.Sprintf("%q", lamps[0]+" light on and stays on"))
	}
	for _, id := range []string{Warm, defect.Answers, defect.Warming} {
		for i := range s.Table.Tests {
			t := &s.Table.Tests[i]
			if t.ID == id {
				choice := 0
				if id == defect.Answers {
					choice = 1
				}
				out = append(out, fmt.Sprintf("%q", t.Sayings[choice]))
			}
		}
	}
	if len(out) == 0 {
		for i := range s.Table.Tests {
			if x := s.Table.Tests[i].Sayings; len(x) > 0 && len(out) < 3 {
				out = append(out, fmt.Sprintf("%q", x[0]))
			}
		}
	}
	return out
}

// lamps are the names of the lamps that anything is seen of.
func (s *Session) lamps() (out []string) {
	for i := range s.Table.Tests {
		if l := s.Table.Tests[i].Lamp; l != "" && !slices.Contains(out, l) {
			out = append(out, l)
		}
	}
	return out
}

// lampIn is the lamp that a sentence speaks of: named, or the only one where it says "light" or "lamp".
func (s *Session) lampIn(words []string) string {
	lamps := s.lamps()
	for _, l := range lamps {
		parts := tokens(l)
		if len(parts) > 0 && !slices.ContainsFunc(parts, func(p string) bool { return !slices.Contains(words, p) }) {
			return l
		}
	}
	if len(lamps) == 1 && (stem(words, "lamp") || stem(words, "light")) {
		return lamps[0]
	}
	return ""
}

// lampSaid is what a sentence says of a lamp: lit or dark in the setup that it names; where it names none, in the vehicle with the
// functions off ("stays on", "never goes out") or on (all else).
func (s *Session) lampSaid(words []string, lamp string) (out []Reading) {
	has := func(list ...string) bool {
		return slices.ContainsFunc(list, func(w string) bool { return slices.Contains(words, w) })
	}
	if has("flickers", "flicker", "flickering", "flashes") {
		if i := slices.IndexFunc(s.Table.Tests, func(t Test) bool { return t.ID == defect.Flickers }); i >= 0 {
			return []Reading{{Test: i, Choice: 0}}
		}
	}
	put := func(setup string, lit bool) {
		i := slices.IndexFunc(s.Table.Tests, func(t Test) bool { return t.ID == setup+":lit:"+lamp })
		if i < 0 {
			return
		}
		choice := 1
		if lit {
			choice = 0
		}
		out = append(out, Reading{Test: i, Choice: choice})
	}
	state, known := false, false
	rest := slices.Clone(words)
	drop := func(list ...string) {
		rest = slices.DeleteFunc(rest, func(w string) bool { return slices.Contains(list, w) })
	}
	// The word of state nearest behind the lamp's name is the lamp's; others name the setup.
	no := has("not", "never", "no", "nothing")
	stays := has("stays", "always", "still", "permanently", "remains", "keeps") || has("never") && has("goes")
	for k, w := range rest {
		switch w {
		case "lit", "lights", "glows", "burns", "shines", "bright", "dim", "on":
			state, known = !no, true
		case "dark", "dead", "out", "off", "unlit":
			state, known = no, true
		case "light":
			if no {
				state, known = false, true
			} else {
				continue
			}
		default:
			continue
		}
		rest = slices.Delete(rest, k, k+1)
		break
	}
	if !known {
		return nil
	}
	drop("not", "never", "no", "goes", "stays", "always", "still", "remains", "keeps", "permanently", "lamp", "light", "lights", "front-light")
	drop(fillers...)
	drop(tokens(lamp)...)
	if len(rest) > 0 {
		if setup := s.setupNamed(strings.Join(rest, " "), func(t *Test) bool { return t.Lamp == lamp && t.Setup != "" }); setup != "" && !stays {
			put(setup, state)
			return out
		}
	}
	switch {
	case stays && state:
		put("dcc-off", true)
		put("dcc-on", true)
	case stays:
		put("dcc-on", false)
	default:
		put("dcc-on", state)
	}
	return out
}

// setupNamed finds the setup that a few words mean, of those with a test that fits: its own ID, or the words that tell it from others,
// such as "on", "board off", "dc left on", "only front", "no power". Of several it is the one at hand, else one in the same
// place, else the vehicle on DCC, on DC, the board alone. "" if none.
func (s *Session) setupNamed(text string, fits func(t *Test) bool) string {
	said := tokens(text)
	said = slices.DeleteFunc(said, func(w string) bool {
		return slices.Contains(fillers, w) || slices.Contains([]string{"all", "outputs", "output", "functions", "function", "everything", "rail", "positive", "power", "decoder", "setup", "track"}, w)
	})
	for k, w := range said {
		switch w {
		case "alone", "bench", "limited":
			said[k] = "board"
		case "dc", "car", "loco":
			said[k] = "vehicle"
		case "no", "dead", "ohms", "unpowered":
			said[k] = "unpowered"
		}
	}
	if strings.Contains(strings.ToLower(text), "no power") || strings.Contains(strings.ToLower(text), "without power") {
		said = []string{"unpowered"}
	}
	best, rank := "", 0
	for i := range s.Table.Tests {
		t := &s.Table.Tests[i]
		if t.Setup == "" || !fits(t) {
			continue
		}
		if strings.EqualFold(plainName(t.Setup), plainName(text)) {
			return t.Setup
		}
		parts := tokens(strings.ReplaceAll(t.Setup, "-", " "))
		only := slices.Contains(parts, "only")
		ok := len(said) > 0
		for _, w := range said {
			ok = ok && (slices.Contains(parts, w) || w == "on" && only)
		}
		// "on" is all of them on, unless one is named.
		if !ok || only && !slices.ContainsFunc(said, func(w string) bool {
			return w != "on" && w != "dcc" && w != "board" && w != "vehicle" && slices.Contains(parts, w)
		}) {
			continue
		}
		r := map[string]int{"dcc": 4, "vehicle": 3, "board": 2}[t.Place] + 1
		if t.Place == s.place {
			r += 10
		}
		if t.Setup == s.setup {
			r += 20
		}
		if strings.Contains(t.Setup, "back") && !slices.Contains(said, "back") {
			r -= 1
		}
		if r > rank {
			best, rank = t.Setup, r
		}
	}
	return best
}
