package leads

import (
	"fmt"
	"math"
	"strings"

	"fettle/internal/finding"
	"fettle/internal/parts"
	"fettle/internal/unit"
)

// Findings are the result in words: what it is with what probability, which lead is which, whether it is sound, what it
// may be called, and which reading to take next.
func (r Result) Findings() finding.Findings {
	f := finding.Findings{Question: "part"}
	note := func(kind, format string, args ...any) {
		f.Notes = append(f.Notes, finding.Note{ID: fmt.Sprintf("part.measured.%s.%d", strings.ReplaceAll(kind, " ", "-"), len(f.Notes)+1), Kind: kind, Text: fmt.Sprintf(format, args...)})
	}
	f.Values = append(f.Values, finding.Value{ID: "part.measured.kind", Name: "it is", Text: r.Kind, Value: math.NaN(), Low: math.NaN(), High: math.NaN(),
		Sure: share(r.PKind), Method: fmt.Sprintf("likelihood of %s over %d kinds of part in every order of leads", count(len(r.Readings), "reading"), len(kinds))})
	named := r.Kind != Other && r.Kind != NoConduction
	if named {
		for lead, role := range r.Roles {
			name := r.leadName(lead)
			f.Values = append(f.Values, finding.Value{ID: fmt.Sprintf("part.measured.lead%d", lead+1), Name: name, Text: roleWords(role), Value: math.NaN(), Low: math.NaN(), High: math.NaN(),
				Sure: share(r.PRoles[lead])})
		}
	}
	top := r.top()
	if top != nil && top.Family != "" && named && !r.Damaged {
		note("part", "its junctions are of the %s family", top.Family)
	}

	kind := finding.Judgement{ID: "part.measured.known", Subject: "this part", Requirement: "one kind and order of leads explains the readings", Verdict: finding.Unknown,
		Value: r.PKind * min(r.PRoles[0], r.PRoles[1], r.PRoles[2]), Limit: Sure, Sense: "≥", Unit: unit.SymRatio, Method: "share of all hypotheses, weighed by their likelihood"}
	if !named {
		kind.Value = r.PKind
	}
	kind.Margin = kind.Value/kind.Limit - 1
	switch {
	case r.Kind == Other:
		kind.Why = "no known kind would show these readings: a slip of a probe, a part still in its circuit, a charged gate, or a kind that is not known here"
	case r.Identified() || r.Kind == NoConduction && r.PKind >= Sure:
		kind.Verdict = finding.Holds
	case len(r.Next) > 0:
		kind.Why = "not measured yet: " + r.Next[0].Reading.question() + r.Next[0].Reading.after()
	default:
		kind.Why = "the meter cannot tell what is left open"
	}
	f.Verdicts = append(f.Verdicts, kind)
	sound := finding.Judgement{ID: "part.measured.sound", Subject: "this part", Requirement: "no short and no junction missing", Verdict: finding.Holds,
		Value: math.NaN(), Limit: math.NaN(), Margin: math.NaN(), Method: "readings of the kind it is taken for"}
	switch {
	case r.PKind >= Sure && r.Kind == Broken:
		sound.Verdict = finding.Fails
	case r.PKind >= Sure && r.Kind == Shorted:
		sound.Verdict = finding.Fails
		sound.Mend = "join all three leads for a moment and measure again (a charged gate conducts like a short); if the short stays, the part is done for"
	case r.Damaged || r.PKind < Sure || r.Kind == Other:
		sound.Verdict, sound.Why = finding.Unknown, "what it is is not sure"
	}
	f.Verdicts = append(f.Verdicts, sound)

	t := finding.Table{ID: "part.measured.hypotheses", Title: "What would show these readings, likeliest first",
		Columns: []finding.Column{{Title: "kind"}, {Title: "lead 1"}, {Title: "lead 2"}, {Title: "lead 3"}, {Title: "probability", Numeric: true}}}
	for i, h := range r.Hypotheses {
		if i > 0 && (h.P < 0.002 || i == 8) {
			break
		}
		row := []finding.Cell{word(h.Kind)}
		for _, p := range h.Pins {
			row = append(row, word(p))
		}
		t.Rows = append(t.Rows, append(row, word(share(h.P))))
	}
	f.Tables = append(f.Tables, t)

	r.explain(note)
	for _, s := range r.Next {
		says := make([]string, len(s.Shows))
		for i, x := range s.Shows {
			says[i] = x.String()
		}
		note("next reading", "%s: %s", r.how(s.Reading), strings.Join(says, "; "))
	}
	if names := r.names(); names != "" && named {
		note("candidates", "%s", names)
	}
	f.Cautions = append(f.Cautions,
		finding.Caution{Where: "probing", Text: "measure the part alone: out of its circuit, off the track, no supply on it; what lies beside it in the circuit is measured as well"},
		finding.Caution{Where: "probing", Text: "join all leads for a moment before every reading: a charged gate conducts for minutes, and a charged capacitor hurts the meter"},
		finding.Caution{Where: "marking", Text: "a meter tells kind and leads, never the ratings: use an unknown part well below what it might be rated"})
	return f
}

func word(s string) finding.Cell { return finding.Cell{Text: s, Number: math.NaN()} }

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// share is a probability in words that claims no more than it should.
func share(p float64) string {
	switch {
	case p > 0.99:
		return "over 99 %"
	case p < 0.01:
		return "under 1 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

var roleNames = map[string]string{"B": "base", "C": "collector", "E": "emitter", "G": "gate", "D": "drain", "S": "source", "A": "anode", "K": "cathode",
	"AK": "middle of the two diodes", "n.c.": "not connected", "IN": "input", "GND": "ground", "OUT": "output", "short": "one end of the short", "third": "third lead",
	"anode": "anode of what is left", "cathode": "cathode of what is left", "off": "joined to nothing"}

func roleWords(role string) string {
	if w, ok := roleNames[role]; ok {
		return w
	}
	return role
}

// leadName says which lead is meant, by its place where the package is known.
func (r Result) leadName(lead int) string {
	name := fmt.Sprintf("lead %d", lead+1)
	if r.opts.Package == "" {
		return name
	}
	if _, places := parts.Geometry(r.opts.Package, 3); !strings.HasPrefix(places[lead], "lead") {
		name += " (" + places[lead] + ")"
	}
	return name
}

// how says how to take a reading.
func (r Result) how(q Reading) string {
	joined := func(l Lead) string {
		if l&(l-1) != 0 {
			return strings.ReplaceAll(l.String(), "+", " and ") + " joined"
		}
		return l.String()
	}
	switch q.Test {
	case Gain:
		return fmt.Sprintf("gain socket, %s, holes of leads 1, 2, 3: %s", q.Polarity, q.Socket)
	case Ohms:
		return fmt.Sprintf("ohms between %s and %s", q.Probes.Red, q.Probes.Black)
	}
	s := fmt.Sprintf("diode test, red on %s, black on %s", joined(q.Probes.Red), joined(q.Probes.Black))
	if q.After != (Pair{}) {
		s += fmt.Sprintf(", after touching %s with red and %s with black", q.After.Red, q.After.Black)
	}
	return s + fmt.Sprintf(" (%s)", q.question()+q.after())
}

// value finds the diode test's reading between two leads.
func (r Result) value(red, black int) (float64, bool) {
	for _, x := range r.Readings {
		if x.Test == DiodeTest && !x.Open && x.After == (Pair{}) && x.Probes == (Pair{Lead(1) << red, Lead(1) << black}) {
			return x.Value, true
		}
	}
	return 0, false
}

// explain says what the readings mean for the likeliest kind.
func (r Result) explain(note func(kind, format string, args ...any)) {
	top := r.top()
	if top == nil {
		return
	}
	switch r.Kind {
	case NPN, PNP:
		b, c, e := top.order[roleB], top.order[roleC], top.order[roleE]
		be, okE := r.value(b, e)
		bc, okC := r.value(b, c)
		if r.Kind == PNP {
			be, okE = r.value(e, b)
			bc, okC = r.value(c, b)
		}
		if okE && okC {
			switch d := be - bc; {
			case d >= 0.006:
				note("reading", "base-emitter reads %s more than base-collector: the emitter is doped more heavily", unit.Format(d, unit.SymVolt, 2))
			case r.PRoles[e] < Sure:
				note("reading", "both junctions read alike within the meter's error: only a gain reading, both ways round, tells collector from emitter")
			}
		}
		forward, reverse := math.NaN(), math.NaN()
		for _, x := range r.Readings {
			switch {
			case x.Test != Gain || x.Open || x.Value < 0.5 || x.Polarity != "" && !strings.HasPrefix(r.Kind, x.Polarity) || x.Socket[b] != 'B':
			case x.Socket[c] == 'C':
				forward = x.Value
			default:
				reverse = x.Value
			}
		}
		switch {
		case r.Swapped && math.IsNaN(forward):
			note("reading", "the gain was read with collector and emitter exchanged: %g is the reverse gain; the other way round it will be tens to hundreds", reverse)
		case r.Swapped:
			note("reading", "hFE %g one way round and %g with collector and emitter exchanged: the larger one is the gain", forward, reverse)
		}
		if !math.IsNaN(forward) {
			note("drawer", "for drawer.csv: kind transistor, polarity %s, pins %s, hfe %g (at about %v in a gain socket)", r.Kind[:3], strings.Join(r.Roles[:], ""), forward,
				unit.Amp(math.Round(forward*100)/100)*parts.TesterBase)
		}
	case NPNPrebiased, PNPPrebiased:
		note("reading", "a plain transistor behind a resistor, or still in its circuit, reads the same")
		if len(r.Next) > 0 || r.Identified() {
			break
		}
		note("next reading", "a resistor hides the junctions of a pre-biased type from a meter; what settles it: 5 V, 1 kΩ to the supposed collector, emitter to the other pole; "+
			"touch the input to the collector's pole through 1 kΩ: the collector comes within 0.3 V of the emitter only if all three are right")
	case NChannel, PChannel:
		note("reading", "what conducts one way is the body diode; the gate shows itself by its charge: join all leads, touch gate and source, and the channel conducts both ways")
	case SingleDiode:
		note("reading", "a zener reads the same: its voltage is above the meter's")
	case CommonAnode, CommonCathode:
		note("reading", "two junctions that read the same and no gain")
	case Regulator:
		note("reading", "regulators differ much on a diode test: try it with 10 V through 1 kΩ at the supposed input before believing it")
	case Shorted:
		note("reading", "nearly nothing both ways between two leads is a short, or a MOSFET whose gate is charged")
	case Broken:
		note("reading", "one junction is left of a transistor; a single silicon diode, or a MOSFET whose gate does not answer, reads nearly the same")
	case NoConduction:
		note("reading", "no conduction in any direction: a burnt part, a pre-biased transistor with large resistors, or something that is no such part; ohms between each pair of leads tell more")
	}
}

// names lists the parts of the catalogue, or those the marking stands for, that agree.
func (r Result) names() string {
	if r.PKind < 0.5 {
		return ""
	}
	var list []string
	for _, p := range r.Candidates {
		list = append(list, p.Common().Name)
	}
	from := "of the catalogue"
	if len(r.opts.Marking) > 0 {
		from = "of what the marking stands for"
	}
	const most = 12
	switch n := len(list); {
	case n == 0:
		return "none " + from + " has its leads in this order and agrees with the readings"
	case n > most:
		return fmt.Sprintf("%s agree: %s and %d more", from, strings.Join(list[:most], ", "), n-most)
	}
	return fmt.Sprintf("%s agree: %s", from, strings.Join(list, ", "))
}
