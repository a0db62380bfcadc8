// Package experiment holds cards: small measurements with parts from the drawer, for the builder who wants to see for
// himself. A card says how to wire it and what the meter will show, with its spread, takes the readings, and says what was
// learned, which goes back into the drawer or the build file.
//
// Predictions come from the circuit solver over the part's sheet, the resistors' tolerances and the meter's gain error,
// digits and input resistance. What is learned is either a least-squares fit (package fit) of the same circuit in which all
// of these are unknowns within their bounds, or, where the readings give the answer outright, the interval over those
// bounds. Room temperature, 25 °C; self-heating is not modelled (5 mA at 5 V is 6 mW at most). SI units.
//
// Entry points: Kinds, Find, Parse, Append; a card is set up by its Kind.
package experiment

import (
	"strings"

	"github.com/agext/levenshtein"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/meter"
	"fettle/internal/wiring"
)

// A Bench is what a card is set up with.
type Bench struct {
	Build   *build.Build
	Meter   string // name in the build file; "" or one that is not declared: the ordinary hand meter
	Subject string // the part, lamp or meter it is about; "": the card's own pick
	// Lamps are what the survey found, by build.LampKey; nil: nothing was surveyed.
	Lamps map[string]*wiring.LampPosterior
}

// A Card is one experiment, set up.
type Card interface {
	Title() string   // "Base drive of MMBT3904"
	Subject() string // what the log calls the thing measured
	By() string      // the meter that it is read with
	Terms() []Term   // what can be read on it, and within which limits
	// Findings are how to wire it, what the meter will show and, with readings, what they say. The error is for readings that
	// teach nothing.
	Findings(readings []Reading) (finding.Findings, Learned, error)
}

// Learned is what the readings add to the user's files.
type Learned struct {
	Words string // in one line what is written; "": nothing is
	// Of the drawer: cells of the part's row, and those that a row made for it holds besides.
	Part       string
	Cells, New map[string]string
	Edits      []build.Edit // of the build file
}

// A Kind is a card before it is set up.
type Kind struct {
	Name, Words string
	Example     string // a reading
	Surveyed    bool   // it is set up with what the survey found
	Set         func(Bench) (Card, error)
}

// Kinds are all the cards there are.
func Kinds() []Kind {
	return []Kind{
		{Name: "base-drive", Words: "how hard a base must be driven: a ladder of base resistors on this transistor, its gain into the drawer", Example: "10k = 0.182 V", Set: setBaseDrive},
		{Name: "led-drop", Words: "what an LED drops: three currents through it, its drop at two of them into the drawer", Example: "1k = 1.84 V", Set: setLEDDrop},
		{Name: "leak", Words: "a voltmeter as the load: a pin's pull-up, or what a part or a board that is off lets through; a MOSFET's into the drawer, the meter's own input resistance into the build file", Example: "over 47k = 2.87 V", Set: setLeak},
		{Name: "brightness", Words: "how bright is bright enough: current against dark, seen, good, bright; a lamp's limits into the build file", Example: "3.3k = 1.52 mA good", Surveyed: true, Set: setBrightness},
		{Name: "meter-gain", Words: "a meter against what is known: the gain error of its ranges into the build file, and taken out of every reading after", Example: "2.5 V 0.1 % = 2.51 V", Set: setMeterGain},
	}
}

// Find finds a card by name; near is the one that may have been meant.
func Find(name string) (card Kind, near string, ok bool) {
	best := 5
	for _, c := range Kinds() {
		if strings.EqualFold(c.Name, name) {
			return c, "", true
		}
		if d := levenshtein.Distance(strings.ToLower(name), c.Name, nil); d < best {
			best, near = d, c.Name
		}
	}
	return Kind{}, near, false
}

// spec is the meter of the bench.
func (b Bench) spec() meter.Spec {
	s, _ := b.Build.MeterSpec(b.Meter)
	return s
}
