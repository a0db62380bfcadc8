package sheet

import (
	"slices"
	"strings"

	"fettle/internal/draw"
	"fettle/internal/finding"
	"fettle/internal/wiring"
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
	{Name: "Into the vehicle", Words: []string{"vehicle", "socket", "motor"},
		Do:       "Take any linking plug out of the socket, join the board and insulate what could touch metal.",
		Cautions: []string{"Never link the motor pins of the socket to the rails: on live track that burns the motor out, and whatever drives it."}},
	{Name: "First track", Words: []string{"service mode"},
		Do:       "Put the vehicle on the programming track before the running track: its current is limited.",
		Cautions: []string{"What is written on the programming track reaches every decoder that stands on it: this vehicle alone, and no other."}},
}

// own are the cautions that one circuit asks for, each with the step it belongs to. Common practice, no source.
func own(c draw.Schematic) (out []finding.Caution) {
	for _, o := range c.Outputs {
		if o.Switch.FET() || o.Level.FET() {
			out = append(out, finding.Caution{Where: "soldering", Text: "The gate of a MOSFET dies of static that nobody feels: touch earthed metal first, keep the part in its conductive bag until it is soldered, and its pull-down or pull-up in place before it."})
		}
		if len(o.Lamps) == 0 {
			out = append(out, finding.Caution{Where: "service mode", Text: "The load of the acknowledgement is made for pulses of milliseconds: if it stays on, take the track power off, since it burns."})
		}
	}
	for _, l := range c.Lamps {
		if l.Structure == wiring.FilamentLamp {
			out = append(out, finding.Caution{Where: "heat", Text: "A filament lamp gets hot enough to soften plastic: leave air around it, and no full brightness for long in a closed shell."})
		}
	}
	return out
}

// atBench is the steps with the given cautions and those of the circuits at the one they belong to, and those of no known
// step in one of their own.
func atBench(cautions []finding.Caution, circuits []draw.Schematic) []step {
	out := slices.Clone(standing)
	for i := range out {
		out[i].Cautions = slices.Clone(out[i].Cautions)
	}
	for _, c := range circuits {
		cautions = append(cautions, own(c)...)
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
