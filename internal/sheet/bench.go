package sheet

import (
	"slices"
	"strings"

	"fettle/internal/finding"
)

// A step is one piece of work at the bench, with the cautions that belong to it (they come with the findings).
// Common practice, no source.
type step struct {
	Name     string
	Words    []string // of Where, that bring a caution here
	Do       string
	Cautions []string
}

var standing = []step{
	{Name: "Soldering", Words: []string{"solder", "parts", "board"},
		Do: "Sort the parts by the list above and solder the lowest first. Tick each off when its value has been measured."},
	{Name: "Polarity", Words: []string{"polarity", "capacitor", "electrolytic"},
		Do: "Before the first power, hold every polarised part against the schematic: rectifier, reservoir, regulator, chip, transistors."},
	{Name: "First power", Words: []string{"power", "supply", "heat", "hot"},
		Do: "Feed the board alone, outside the vehicle, and compare its current with the expected one before anything else is connected."},
	{Name: "Measuring on live track", Words: []string{"prob", "measur", "instrument", "track", "meter"},
		Do: "Use a meter that runs on its own battery, and clip before you switch the track on."},
	{Name: "Programming the chip", Words: []string{"program", "firmware", "flash"},
		Do: "Take the vehicle off the track, or unplug the board, and only then connect the programmer."},
}

// bench is the steps with the given cautions at the one they belong to, and those of no known step in one of
// their own.
func bench(cautions []finding.Caution) []step {
	out := slices.Clone(standing)
	other := step{Name: "Beyond these"}
next:
	for _, c := range cautions {
		for i, w := range out {
			for _, word := range w.Words {
				if strings.Contains(strings.ToLower(c.Where), word) {
					out[i].add(c.Text)
					continue next
				}
			}
		}
		other.add(c.Where + ": " + c.Text)
	}
	if len(other.Cautions) > 0 {
		out = append(out, other)
	}
	return out
}

func (w *step) add(text string) {
	for _, t := range w.Cautions {
		if t == text {
			return
		}
	}
	w.Cautions = append(w.Cautions, text)
}
