package build

import (
	"fmt"
	"strings"

	"github.com/agext/levenshtein"
)

// guess finds the names that were probably meant, the likeliest alone if it is much closer than the rest.
func guess(written string, names []string) []string {
	w := plainName(written)
	if w == "" {
		return nil
	}
	best := 1 + (len([]rune(w))+2)/4
	var found []string
	for _, name := range names {
		n := plainName(name)
		d := levenshtein.Distance(w, n, nil)
		switch {
		case n == w, lookAlikes.Replace(n) == lookAlikes.Replace(w):
			d = 0
		case swapped(w, n):
			d = 1 // two letters changed places
		case len(w) >= 3 && strings.HasPrefix(n, w):
			d = min(d, 2) // the beginning of a longer name
		}
		if d < best {
			best, found = d, nil
		}
		if d == best && !has(found, name) {
			found = append(found, name)
		}
	}
	if len(found) > 3 {
		return nil
	}
	return found
}

// lookAlikes makes letters and digits alike that are read for each other.
var lookAlikes = strings.NewReplacer("o", "0", "l", "1", "i", "1")

// plainName leaves out what people write differently: case, spaces, dashes.
func plainName(s string) string {
	return strings.Map(func(r rune) rune {
		if r == ' ' || r == '-' || r == '_' || r == '\u00a0' {
			return -1
		}
		return r
	}, strings.ToLower(s))
}

// swapped reports whether a and b differ by two neighbouring letters that changed places.
func swapped(a, b string) bool {
	x, y := []rune(a), []rune(b)
	if len(x) != len(y) {
		return false
	}
	for i := range x {
		if x[i] != y[i] {
			return i+1 < len(x) && x[i] == y[i+1] && x[i+1] == y[i] && string(x[i+2:]) == string(y[i+2:])
		}
	}
	return false
}

func has(list []string, s string) bool {
	for _, l := range list {
		if l == s {
			return true
		}
	}
	return false
}

// didYouMean is the tail of a message about an unknown name.
func didYouMean(guesses []string) string {
	if len(guesses) == 0 {
		return ""
	}
	return "; did you mean " + alternatives(guesses, "or") + "?"
}

// alternatives joins quoted names: "a", "b" or "c".
func alternatives(names []string, last string) string {
	var b strings.Builder
	for i, n := range names {
		switch {
		case i == 0:
		case i == len(names)-1:
			b.WriteString(" " + last + " ")
		default:
			b.WriteString(", ")
		}
		fmt.Fprintf(&b, "%q", n)
	}
	return b.String()
}
