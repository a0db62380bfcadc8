package render

import (
	"math"

	"fettle/internal/diag"
	"fettle/internal/finding"
)

// sample is an invented proof of an invented vehicle: every field of finding is used at least once, with
// the awkward cases (absent, infinite, long words) among them.
func sample() finding.Findings {
	curve := func(scale float64) finding.Curve {
		c := finding.Curve{Label: "typical"}
		for i := range 19 {
			v := float64(i)
			c.X = append(c.X, v)
			c.Y = append(c.Y, math.Max(0, (v-3.1)*scale))
		}
		return c
	}
	typ := curve(0.55e-3)
	dim := curve(0.43e-3)
	dim.Label, dim.Dashed = "every part at its dim end", true
	dim.Y[4] = math.NaN()
	fig := finding.Figure{
		ID: "output.front.current", Title: "Lamp current of output front", Caption: "Mean current on DCC.",
		X:      finding.Axis{Quantity: "track voltage", Unit: "V"},
		Y:      finding.Axis{Quantity: "lamp current", Unit: "A"},
		Curves: []finding.Curve{typ, dim},
		Shades: []finding.Shade{{Label: "spread", X: typ.X, Low: dim.Y, High: typ.Y, Curve: 0}},
		Bands: []finding.Band{
			{Label: "never above", From: 12e-3, To: math.Inf(1)},
			{Label: "good", From: 2e-3, To: math.Inf(1), Good: true},
		},
		Points: []finding.Points{{Label: "readings", X: []float64{6, 9}, Y: []float64{3.1e-3, 4.4e-3}, Excluded: []bool{false, true}}},
		Marks:  []finding.Mark{{Label: "usual voltage", X: 14, Y: math.NaN()}},
	}
	saturation := &finding.Working{
		Title: "base resistor of output front",
		Steps: []finding.Step{
			{Say: "what the pin still gives at that current", Formula: "VOH = VCC − I·RdsH", With: "4.75 V − 0.9 mA · 70 Ω",
				Result: 4.687, Unit: "V", Source: "chip sheet, table of output levels"},
			{Say: "the largest lamp current, at the highest voltage", Result: 8.1e-3, Unit: "A"},
			{Say: "a line of words alone"},
		},
		Hand: 4300, Solver: 4180, Unit: "Ω", Difference: "the hand formula takes VBE as 0.7 V; the transistor of that corner needs 0.78 V",
		Sources: []string{"transistor sheet, DC current gain, from memory"},
		Table: &finding.Table{Title: "customary forced gains", Columns: []finding.Column{{Title: "forced gain"}, {Title: "base resistor", Unit: "Ω", Numeric: true}},
			Rows: [][]finding.Cell{
				{{Text: "10"}, {Number: 4700, Unit: "Ω", Digits: 2}},
				{{Text: "20"}, {Number: 10000, Unit: "Ω", Digits: 2}},
			}},
	}
	return finding.Findings{
		Question: "prove", Build: "harbour railcar (invented)",
		Values: []finding.Value{
			{ID: "output.front.series", Name: "series resistor of output front", Value: 1500, Unit: "Ω", Low: 1310, High: 1720, Chosen: true,
				Reason: "the E24 value with the widest margin on both sides", Method: "corner search", Sure: "every corner", Working: saturation},
			{ID: "output.front.base", Name: "base resistor of output front", Value: 4700, Unit: "Ω", Low: math.NaN(), High: math.NaN(), Working: saturation},
			{ID: "lamp.front.hidden", Name: "hidden resistor of lamp front", Value: 678.3, Unit: "Ω", Low: 612, High: 1204, Method: "posterior of 3 readings", Sure: "95 %"},
			{ID: "output.front.switch", Name: "switch of output front", Value: math.NaN(), Text: "MMBT3904", Sure: "in the drawer"},
			{ID: "lamp.rear.hidden", Name: "hidden resistor of lamp rear", Value: math.NaN(), Unit: "Ω", Low: math.NaN(), High: math.NaN(), Reason: "no reading yet"},
			{ID: "lamp.front.leak", Name: "leakage of lamp front", Value: 0.00012, Unit: "A"},
			{ID: "supply.droop", Name: "droop of the chip supply", Value: 0.052, Unit: "1", Low: math.NaN(), High: 0.08},
		},
		Verdicts: []finding.Judgement{
			{ID: "output.front.good", Subject: "output front", Requirement: "good at the usual voltage", Verdict: finding.Holds, Value: 2.62e-3, Limit: 2e-3,
				Sense: "≥", Margin: 0.31, Unit: "A", Worst: "track 14.0 V, LED +0.12 V, series +1 %, −10 °C", Method: "corner search, 10 000 samples",
				Confidence: "no counterexample in 10 000 samples", Yield: &finding.Yield{Held: 10000, Samples: 10000, Low: 0.99963, High: 1}, Source: "build file"},
			{ID: "output.rear.good", Subject: "output rear", Requirement: "good at the usual voltage", Verdict: finding.Fails, Value: 1.43e-3, Limit: 2e-3,
				Sense: "≥", Margin: -0.285, Unit: "A", Worst: "track 14.0 V, two LEDs in series +0.24 V, series +1 %, −10 °C", Method: "corner search, 10 000 samples",
				Yield: &finding.Yield{Held: 8712, Samples: 10000, Low: 0.8645, High: 0.8777}, Mend: "series = \"680 Ω\", or feed the lamp from the rectified plus", Source: "build file"},
			{ID: "output.front.saturated", Subject: "output front", Requirement: "switch saturated", Verdict: finding.Close, Value: 0.192, Limit: 0.2,
				Sense: "≤", Margin: 0.04, Unit: "V", Worst: "track 18 V, hFE 64 at 10 mA, 0 °C", Method: "corner search, 10 000 samples", Confidence: "guaranteed by a table point"},
			{ID: "lamp.rear.reverse", Subject: "lamp rear", Requirement: "LED reverse voltage", Verdict: finding.Unknown, Value: math.NaN(), Limit: 5,
				Sense: "≤", Margin: math.NaN(), Unit: "V", Why: "no reading with the track reversed"},
			{ID: "output.front.reported", Subject: "output front", Requirement: "start after a gap", Verdict: finding.Reported, Why: "the standard is silent"},
			{ID: "decoder.a.recovers", Subject: "decoder a", Requirement: "recovers after a gap in the track", Verdict: finding.Unknown, Why: finding.NotBuilt + ": needs the circuit in time"},
			{ID: "decoder.a.parse", Subject: "decoder a", Requirement: "a packet parser that is never late", Verdict: finding.Unknown, Why: finding.NotRun},
		},
		Notes:    []finding.Note{{ID: "lamp.front.next", Kind: "next reading", Text: "the current at 9 V with the lamp reversed would halve the interval of the hidden resistor"}, {Text: "plain"}},
		Cautions: []finding.Caution{{Where: "first power", Text: "through a current limit, or a resistor of 100 Ω in the feed."}},
		Tables: []finding.Table{{ID: "slips", Title: "what an accidental short does", Columns: []finding.Column{{Title: "slip"}, {Title: "current", Unit: "A", Numeric: true}, {Title: "rating", Unit: "A", Numeric: true}, {Title: "what it does"}},
			Rows: [][]finding.Cell{
				{{Text: "base past its resistor, output front"}, {Number: 0.0412, Unit: "A"}, {Number: 0.04, Unit: "A"}, {Text: "the chip pin is over its rating", Verdict: finding.Fails}},
				{{Text: "collector to the rectified plus"}, {Number: 0.31, Unit: "A"}, {Number: 0.2, Unit: "A"}, {Text: "kills the transistor", Verdict: finding.Fails}},
				{{Text: "across the series resistor"}, {Number: 0.0082, Unit: "A"}, {Number: 0.02, Unit: "A"}, {Text: "brighter, nothing dies"}},
				{{Text: "between two pins"}, {Number: math.NaN(), Text: "not found"}},
			}}, {Title: "empty", Columns: []finding.Column{{Title: "nothing"}}}},
		Figures: []finding.Figure{fig},
	}
}

func sampleProblems() diag.List {
	r := diag.Range{File: "harbour.fettle", Start: diag.Pos{Line: 14, Column: 13, Byte: 220}, End: diag.Pos{Line: 14, Column: 21, Byte: 228}}
	return diag.List{
		{Code: "unit-absurd", Range: r, Message: "no track carries 4.7 kV", Notes: []diag.Note{{Range: r, Message: "low is 9 V"}}, Fix: &diag.Fix{Message: "high = \"18 V\"", Range: r, Text: "\"18 V\""}},
		{Severity: diag.Warning, Code: "name-unknown", Range: diag.Range{File: "drawer.csv"}, Message: "…"},
	}
}
