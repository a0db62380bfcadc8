// Package experiment holds cards: small measurements with parts from the drawer, for the builder who wants to see for
// himself. A card says how to wire it and what the meter will show, with its spread, takes the readings, and says what was
// learned, which goes back into the drawer.
//
// Predictions come from the circuit solver over the part's sheet, the resistors' tolerances and the meter's gain error,
// digits and input resistance. What is learned is a least-squares fit (package fit) of the same circuit in which all of
// these are unknowns within their bounds. Room temperature, 25 °C; self-heating is not modelled (5 mA at 5 V is 6 mW at
// most). SI units.
//
// Entry points: Cards, NewBaseDrive, ParseReadings, Append.
package experiment

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"slices"
	"strings"

	"github.com/agext/levenshtein"

	"fettle/internal/diag"
	"fettle/internal/unit"
)

// Usual is the transistor of a card where neither the user nor the drawer names one (common practice, no source).
const Usual = "MMBT3904"

// A Card is one experiment.
type Card struct{ Name, Words string }

// Cards are all there are.
func Cards() []Card {
	return []Card{{"base-drive", "how hard a base must be driven: a ladder of base resistors on this transistor, its gain into the drawer"}}
}

// Find finds a card by name; near is the one that may have been meant.
func Find(name string) (card Card, near string, ok bool) {
	best := 5
	for _, c := range Cards() {
		if strings.EqualFold(c.Name, name) {
			return c, "", true
		}
		if d := levenshtein.Distance(strings.ToLower(name), c.Name, nil); d < best {
			best, near = d, c.Name
		}
	}
	return Card{}, near, false
}

// Limits of what can have been read on the base-drive card.
const (
	highestVolt          = 6.0 // V: the supply is 5 V
	leastBase            = 1e3 // Ω
	greatestBase         = 1e7 // Ω
	leastRC, greatestRC  = 800.0, 1250.0
	leastSupply, nothing = 4.0, -0.05
)

// ParseReadings reads lines "10k = 0.182 V", "supply = 5.02 V", "collector = 998 Ω".
func ParseReadings(file, text string) ([]Reading, diag.List) {
	var out []Reading
	var list diag.List
	for k, line := range strings.Split(text, "\n") {
		if strings.TrimSpace(line) == "" {
			continue
		}
		at := diag.Range{File: file, Start: diag.Pos{Line: k + 1, Column: 1}, End: diag.Pos{Line: k + 1, Column: len([]rune(line)) + 1}}
		left, right, two := strings.Cut(line, "=")
		left, right = strings.TrimSpace(left), strings.TrimSpace(right)
		if !two || left == "" {
			list.Add("reading-wrong", at, "%q is not \"base resistor = voltage\", such as 10k = 0.182 V", line)
			continue
		}
		r := Reading{Text: strings.TrimSpace(line)}
		d, low, high := unit.Voltage, nothing, highestVolt
		switch strings.ToLower(left) {
		case "supply":
			r.What, low = "supply", leastSupply
		case "collector":
			r.What, d, low, high = "collector", unit.Resistance, leastRC, greatestRC
		default:
			ohm, err := unit.ParseOhm(left)
			if err != nil {
				p := list.Add("reading-wrong", at, "%q is neither a base resistor, supply nor collector: %s", left, err.Problem)
				for _, word := range []string{"supply", "collector"} {
					if levenshtein.Distance(strings.ToLower(left), word, nil) <= 2 {
						p.Message += fmt.Sprintf("; did you mean %s?", word)
					}
				}
				continue
			}
			if ohm < leastBase || ohm > greatestBase {
				list.Add("quantity-range", at, "a base resistor of %v lies outside %v to %v", ohm, unit.Ohm(leastBase), unit.Ohm(greatestBase))
				continue
			}
			r.Base = ohm
		}
		x, err := unit.Parse(right, d)
		if err != nil {
			p := list.Add("quantity-wrong", at, "%q: %s", right, err.Problem)
			if err.Mend != "" {
				p.Message += fmt.Sprintf("; did you mean %s = %s?", left, err.Mend)
			}
			continue
		}
		if x < low || x > high {
			list.Add("quantity-range", at, "%s, where %s to %s can be read on a %v supply", right, unit.Format(low, d.Symbol, 3), unit.Format(high, d.Symbol, 3), unit.Volt(nominalSupply))
			continue
		}
		r.Value = math.Abs(x)
		out = append(out, r)
	}
	return out, list
}

// LogName is the file in the build's folder that keeps the readings of the cards.
const LogName = "experiments.csv"

// Append adds readings at the end of the log at path, which is made if it is not there: one write, synced, and cut back to
// what was there if it fails. What is there stays, byte for byte.
func Append(path, date, card, part, meterName string, list []Reading) (err error) {
	old, err := os.ReadFile(path)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("reading %s: %w", path, err)
	}
	addition := addition(old, date, card, part, meterName, list)
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_APPEND|os.O_CREATE, 0o666)
	if err != nil {
		return fmt.Errorf("opening %s: %w", path, err)
	}
	defer f.Close()
	if n, werr := f.Write(addition); werr != nil {
		if info, serr := f.Stat(); serr == nil && info.Size() == int64(len(old)+n) {
			_ = f.Truncate(int64(len(old)))
		}
		return fmt.Errorf("writing %s: %w", path, werr)
	}
	if err := f.Sync(); err != nil {
		return fmt.Errorf("writing %s: %w", path, err)
	}
	return f.Close()
}

// With is the log old, which may be nil, with readings put behind it as Append would.
func With(old []byte, date, card, part, meterName string, list []Reading) []byte {
	return slices.Concat(old, addition(old, date, card, part, meterName, list))
}

func addition(old []byte, date, card, part, meterName string, list []Reading) []byte {
	var b bytes.Buffer
	if len(old) > 0 && old[len(old)-1] != '\n' {
		b.WriteString("\n")
	}
	w := csv.NewWriter(&b) // a bytes.Buffer does not fail
	if len(old) == 0 {
		_ = w.Write([]string{"date", "card", "part", "reading", "meter"})
	}
	for _, r := range list {
		_ = w.Write([]string{date, card, part, r.Text, meterName})
	}
	w.Flush()
	return b.Bytes()
}
