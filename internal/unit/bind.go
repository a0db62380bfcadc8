package unit

import "regexp"

// The symbol must end there: "2 Vehicles" and "3 F0" stay as they are.
var numberAndUnit = regexp.MustCompile(`([0-9∞]) ((?:[fpnµmkMGT]?(?:V|A|Ω|W|F|Hz|H|s|m|g)|K/W|K|°C|%|dB)(?:[^\p{L}\p{N}]|$))`)

// Bind puts a thin no-break space between every number and its unit in running words, so that no line ends
// between them.
func Bind(s string) string {
	return numberAndUnit.ReplaceAllString(s, "${1}"+ThinSpace+"${2}")
}
