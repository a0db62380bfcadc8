package experiment

import (
	"fmt"
	"math"
	"regexp"
	"strings"

	"github.com/agext/levenshtein"

	"fettle/internal/diag"
	"fettle/internal/unit"
)

// A Term is one thing that can be read on a card. A reading is written "LEFT = RIGHT": left a word, a value, or both
// ("supply", "10k", "over 47k"), right what the meter showed, perhaps followed by how it looked.
type Term struct {
	Word        string          // on the left; "" where the value stands alone
	Name        string          // what the value on the left is: "base resistor"
	Of          *unit.Dimension // of that value; nil: there is none
	Least, Most float64         // its limits
	Within      bool            // it may carry its tolerance: "1k 0.1 %"
	Stated      bool            // and must
	Dim         unit.Dimension  // of what the meter showed
	Low, High   float64         // its limits
	Where       string          // to which these belong: "on a 5 V supply"
	Looks       []string        // one of which must follow; nil: none
	Ask         []string        // left sides, in the order in which --ask goes through them
}

// A Reading is what the meter showed at one step of a card.
type Reading struct {
	Text   string
	Word   string     // of its term
	At     float64    // the value on the left, SI; 0: none
	Within unit.Ratio // its tolerance; absent: not said
	Unit   string     // symbol of Value
	Value  float64    // SI, what the meter showed
	Look   string
}

var withTolerance = regexp.MustCompile(`^(.*?[^\s±])\s*(?:±|\+/-|\s)\s*([0-9.,]+\s*%)$`)

// Parse reads lines such as "10k = 0.182 V", "supply = 5.02 V". The range of a problem lies in the line as the user typed it.
func Parse(file, text, example string, terms []Term) ([]Reading, diag.List) {
	var out []Reading
	var list diag.List
	next := 0
	for k, line := range strings.Split(text, "\n") {
		start := next
		next += len(line) + 1
		if strings.TrimSpace(line) == "" {
			continue
		}
		at := diag.Range{File: file, Start: diag.Pos{Line: k + 1, Column: 1, Byte: start}, End: diag.Pos{Line: k + 1, Column: len([]rune(line)) + 1, Byte: start + len(line)}}
		left, right, two := strings.Cut(line, "=")
		left, right = strings.TrimSpace(left), strings.TrimSpace(right)
		if !two || left == "" {
			list.Add("reading-wrong", at, "%q is not \"what = what the meter showed\", such as %s", line, example)
			continue
		}
		r, code, wrong := read(left, right, terms)
		if wrong != "" {
			list.Add(code, at, "%s", wrong)
			continue
		}
		r.Text = strings.TrimSpace(line)
		out = append(out, r)
	}
	return out, list
}

// read reads one line by the terms of its card.
func read(left, right string, terms []Term) (r Reading, code, wrong string) {
	const badLeft, badRange, badValue = "reading-wrong", "quantity-range", "quantity-wrong"
	var fit []Term
	var why, range_ string
	for _, t := range terms {
		x, outside, ok := t.left(left)
		switch {
		case ok:
			if len(fit) == 0 {
				r = x
			}
			fit = append(fit, t)
		case outside != "" && range_ == "":
			range_ = outside
		}
	}
	if len(fit) == 0 {
		if range_ != "" {
			return r, badRange, range_
		}
		why = fmt.Sprintf("%q is none of %s", left, names(terms))
		if mend := unitForgotten(left, terms); mend != "" {
			return r, badLeft, why + fmt.Sprintf("; did you mean %s?", mend)
		}
		for _, t := range terms {
			first, _, _ := strings.Cut(left, " ")
			if t.Word != "" && levenshtein.Distance(strings.ToLower(first), t.Word, nil) <= 2 {
				why += fmt.Sprintf("; did you mean %s?", t.Word)
				break
			}
		}
		return r, badLeft, why
	}
	for i, t := range fit {
		shown, look, wrongLook := t.look(right)
		x, err := unit.Parse(shown, t.Dim)
		if err != nil {
			if i == 0 {
				code, wrong = badValue, fmt.Sprintf("%q: %s", shown, err.Problem)
				if err.Mend != "" {
					wrong += fmt.Sprintf("; did you mean %s = %s?", left, err.Mend)
				}
			}
			continue
		}
		switch {
		case x < t.Low || x > t.High:
			return r, badRange, fmt.Sprintf("%s, where %s to %s can be read %s", shown, unit.Format(t.Low, t.Dim.Symbol, 3), unit.Format(t.High, t.Dim.Symbol, 3), t.Where)
		case wrongLook != "":
			return r, badLeft, wrongLook
		}
		r.Unit, r.Value, r.Look = t.Dim.Symbol, math.Abs(x), look
		return r, "", ""
	}
	return r, code, wrong
}

// unitForgotten is the left side with the unit that it lacks.
func unitForgotten(left string, terms []Term) string {
	for _, t := range terms {
		rest := strings.TrimSpace(strings.TrimPrefix(strings.ToLower(left), t.Word))
		if t.Of == nil {
			continue
		}
		x, err := unit.Parse(rest, unit.Number)
		if err != nil {
			continue
		}
		for _, u := range []string{t.Of.Symbol, "k" + t.Of.Symbol} {
			mend := strings.TrimSpace(t.Word + " " + rest + " " + u)
			if _, _, ok := t.left(mend); ok && x > 0 {
				return mend
			}
		}
	}
	return ""
}

// left reads the left side; outside says what lies beyond the term's limits.
func (t Term) left(s string) (r Reading, outside string, ok bool) {
	r = Reading{Word: t.Word, Within: unit.Absent[unit.Ratio]()}
	if t.Word != "" {
		n := len(t.Word)
		if len(s) < n || !strings.EqualFold(s[:n], t.Word) || len(s) > n && s[n] != ' ' {
			return r, "", false
		}
		s = strings.TrimSpace(s[n:])
	}
	if t.Of == nil {
		return r, "", s == ""
	}
	if t.Within {
		if m := withTolerance.FindStringSubmatch(s); m != nil {
			w, err := unit.ParseRatio(m[2])
			if err != nil {
				return r, "", false
			}
			if !(w >= 0 && w <= 0.2) {
				return r, fmt.Sprintf("a tolerance of %v lies outside 0 to 20 %%", w), false
			}
			s, r.Within = m[1], w
		}
	}
	x, err := unit.Parse(s, *t.Of)
	if err != nil {
		return r, "", false
	}
	if x < t.Least || x > t.Most {
		return r, fmt.Sprintf("a %s of %s lies outside %s to %s", t.Name, unit.Format(x, t.Of.Symbol, 3), unit.Format(t.Least, t.Of.Symbol, 3), unit.Format(t.Most, t.Of.Symbol, 3)), false
	}
	if t.Stated && !unit.Known(r.Within) {
		return r, fmt.Sprintf("a %s of %s without its tolerance, from its sheet: write %s 0.1 %%", t.Name, unit.Format(x, t.Of.Symbol, 3), s), false
	}
	r.At = x
	return r, "", true
}

// look takes the word off the right side.
func (t Term) look(right string) (shown, look, wrong string) {
	if t.Looks == nil {
		return right, "", ""
	}
	for _, w := range t.Looks {
		if n := len(right) - len(w); n >= 0 && strings.EqualFold(right[n:], w) {
			rest := strings.TrimSpace(right[:n])
			if k := len(rest) - len("too"); k > 0 && strings.EqualFold(rest[k:], "too") && rest[k-1] == ' ' { // "too bright"
				rest = rest[:k]
			}
			return strings.TrimSpace(strings.TrimRight(strings.TrimSpace(rest), ",")), w, ""
		}
	}
	cut := strings.LastIndexByte(right, ' ')
	wrong = fmt.Sprintf("%q does not end in how it looked: %s", right, strings.Join(t.Looks, ", "))
	if cut < 0 {
		return right, "", wrong
	}
	last := strings.ToLower(right[cut+1:])
	if _, err := unit.Parse(right, t.Dim); err == nil {
		return right, "", wrong
	}
	for _, w := range t.Looks {
		if levenshtein.Distance(last, w, nil) <= 2 {
			wrong += fmt.Sprintf("; did you mean %s?", w)
			break
		}
	}
	return strings.TrimSpace(right[:cut]), "", wrong
}

// names lists what may stand on the left.
func names(terms []Term) string {
	var out []string
	seen := map[string]bool{}
	for _, t := range terms {
		s := t.Word
		if t.Of != nil {
			s = strings.TrimSpace(t.Word + " a " + t.Name)
		}
		if !seen[s] {
			out = append(out, s)
		}
		seen[s] = true
	}
	if len(out) < 2 {
		return strings.Join(out, "")
	}
	return strings.Join(out[:len(out)-1], ", ") + " or " + out[len(out)-1]
}
