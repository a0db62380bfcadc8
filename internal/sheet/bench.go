package sheet

import (
	"strings"

	"fettle/internal/finding"
)

// A work is one step at the bench with the cautions that belong to it. Common practice, no source.
type step struct {
	Name     string
	Words    []string // of Where, that bring a caution here
	Do       string
	Cautions []string
}

var standing = []step{
	{Name: "Soldering", Words: []string{"solder", "parts", "board"},
		Do: "Sort the parts by the list above and solder the lowest first. Tick each off when its value has been measured.",
		Cautions: []string{
			"The fume of flux irritates eyes and lungs: move the air away from your face, and cover your eyes; cut leads fly.",
			"Iron, joint and part burn long after they look cold. Solder may hold lead: wash your hands before you eat.",
		}},
	{Name: "Polarity", Words: []string{"polarity", "capacitor", "electrolytic"},
		Do: "Before the first power, hold every polarised part against the schematic: rectifier, reservoir, regulator, chip, transistors.",
		Cautions: []string{
			"The stripe of an aluminium electrolytic is its minus, the bar of a tantalum its plus. Connected the wrong way round it can burst in your face.",
		}},
	{Name: "First power", Words: []string{"power", "supply", "heat", "hot"},
		Do: "Feed the board alone, outside the vehicle, and compare its current with the expected one before anything else is connected.",
		Cautions: []string{
			"Only through a current limit: a bench supply set low, or a resistor in the feed where there is none.",
			"Never from a supply that is not isolated from the mains.",
			"A part too hot to touch is past its limit: take the power off before you look for the cause.",
		}},
	{Name: "Measuring on live track", Words: []string{"prob", "measur", "instrument", "track", "meter"},
		Do: "Use a meter that runs on its own battery, and clip before you switch the track on.",
		Cautions: []string{
			"Decoder minus is not a rail. An earthed instrument, or a computer, clipped there while the track is live shorts the booster through the rectifier.",
		}},
	{Name: "Programming the chip", Words: []string{"program", "firmware", "flash"},
		Do: "Take the vehicle off the track, or unplug the board, and only then connect the programmer.",
		Cautions: []string{
			"Off the track, always: the programmer ties decoder minus to the computer's earth.",
		}},
}

// bench is the standing works with the given cautions at the one they belong to, and those of no known work
// in one of their own.
func bench(cautions []finding.Caution) []step {
	out := make([]step, len(standing))
	for i, w := range standing {
		out[i] = w
		out[i].Cautions = append([]string(nil), w.Cautions...)
	}
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
