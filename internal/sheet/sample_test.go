package sheet

import (
	"math"

	"fettle/internal/draw"
	"fettle/internal/finding"
)

var nan = math.NaN()

// sample is an invented build sheet: a two-lamp railcar end of no maker, with numbers of no circuit, and one
// of everything that can go wrong.
func sample() Input {
	const method = "corner search of 2⁹ corners, 10\u202f000 samples"
	held := &finding.Yield{Held: 10000, Samples: 10000, Low: 0.99963, High: 1}
	base := &finding.Working{
		Title: "base resistor of output front",
		Steps: []finding.Step{
			{Say: "the lamp at the highest voltage asks of the collector", Formula: "IC = (Vtrack − VF − VCE) / R", With: "(18 V − 0.7 V − 2.9 V − 0.1 V) / 2.18 kΩ", Result: 6.56e-3, Unit: "A", Source: "build file; posterior of the lamp"},
			{Say: "what the pin still gives at that current", Formula: "VOH = VCC − I·R", With: "4.75 V − 0.9 mA · 70 Ω", Result: 4.687, Unit: "V", Source: "chip data sheet, output levels"},
			{Say: "the base must carry", Formula: "IB = IC / hFE,forced", With: "6.56 mA / 10", Result: 0.656e-3, Unit: "A", Source: "common practice, no source"},
		},
		Hand: 5950, Solver: 5620, Unit: "Ω", Difference: "the hand formula takes VBE as 0.7 V; at −10 °C this transistor needs 0.82 V",
		Sources: []string{"MMBT3904 data sheet, DC current gain (from memory)"},
		Figure:  ptr(saturation("front")),
		Table: &finding.Table{Title: "customary forced gains beside it", Columns: []finding.Column{{Title: "forced gain"}, {Title: "base resistor", Unit: "Ω", Numeric: true}},
			Rows: [][]finding.Cell{{{Text: "10"}, {Number: 5950, Unit: "Ω"}}, {{Text: "20"}, {Number: 11900, Unit: "Ω"}}, {{Text: "chosen, 14"}, {Number: 4700, Unit: "Ω"}}}},
	}
	j := func(id, subject, requirement string, v finding.Verdict, value, limit, margin float64, sense, unit, worst string) finding.Judgement {
		return finding.Judgement{ID: id, Subject: subject, Requirement: requirement, Verdict: v, Value: value, Limit: limit, Margin: margin, Sense: sense, Unit: unit, Worst: worst,
			Method: method, Yield: held, Confidence: "no counterexample in 10\u202f000 samples", Source: "build file"}
	}
	prove := finding.Findings{Question: "prove", Build: "harbour railcar (invented)", Verdicts: []finding.Judgement{
		j("output.front.good", "output front", "good at the usual voltage", finding.Holds, 2.62e-3, 2e-3, 0.31, "≥", "A", "track 14.0 V, LED +0.12 V, series +1 %, −10 °C"),
		j("output.front.seen", "output front", "still seen at the lowest", finding.Holds, 1.21e-3, 0.6e-3, 1.02, "≥", "A", "track 9.0 V, LED +0.12 V, series +1 %, −10 °C"),
		j("output.front.never", "output front", "never above at the highest, mean", finding.Holds, 4.6e-3, 12e-3, 0.62, "≤", "A", "track 18.0 V, LED −0.12 V, series −1 %, 70 °C"),
		j("output.front.saturated", "output front", "switch saturated", finding.Close, 0.192, 0.2, 0.04, "≤", "V", "track 18.0 V, hFE 64 at 10 mA, chip supply 4.72 V, −10 °C"),
		j("output.front.collector", "output front", "collector voltage of the switch", finding.Holds, 22.4, 40, 0.44, "≤", "V", "track 22.0 V, off"),
		j("output.rear.good", "output rear", "good at the usual voltage", finding.Fails, 1.43e-3, 2e-3, -0.285, "≥", "A", "track 14.0 V, two junctions +0.24 V, series +1 %, −10 °C"),
		j("output.rear.never", "output rear", "never above at the highest, mean", finding.Holds, 5.1e-3, 12e-3, 0.575, "≤", "A", "track 18.0 V"),
		j("output.rear.resistor", "output rear", "power of the series resistor", finding.Holds, 0.0312, 0.125, 0.75, "≤", "W", "track 27.0 V, 70 °C"),
		j("decoder.a.pins", "decoder a", "total current of the chip", finding.Holds, 1.9e-3, 60e-3, 0.968, "≤", "A", "both outputs on"),
		{ID: "lamp.rear.reverse", Subject: "lamp rear", Requirement: "LED reverse voltage", Verdict: finding.Unknown, Value: nan, Limit: 5, Margin: nan, Sense: "≤", Unit: "V", Why: "no reading with the track reversed"},
		{ID: "decoder.a.silent", Subject: "decoder a", Requirement: "start after a gap", Verdict: finding.Reported, Value: nan, Limit: nan, Margin: nan, Why: "the standard is silent"},
		{ID: "decoder.a.recovers", Subject: "decoder a", Requirement: "recovers after a gap in the track", Verdict: finding.Unknown, Why: finding.NotBuilt + ": needs the circuit in time"},
		{ID: "decoder.a.audit", Subject: "decoder a", Requirement: "reads every packet the standard allows", Verdict: finding.Unknown, Why: finding.NotBuilt + ": needs the firmware"},
	}}
	prove.Verdicts[3].Working = base
	prove.Verdicts[5].Mend = "series = \"330 Ω\", or feed the lamp from the rectified plus"
	prove.Verdicts[5].Yield = &finding.Yield{Held: 812, Samples: 10000, Low: 0.0759, High: 0.0867}

	survey := finding.Findings{Question: "survey", Build: prove.Build, Values: []finding.Value{
		{ID: "lamp.front.hidden", Name: "hidden resistor of lamp front", Value: 678, Unit: "Ω", Low: 612, High: 744, Method: "posterior of 3 readings", Reason: "680 Ω is the preferred value in it (87 %)", Sure: "95 %"},
		{ID: "lamp.front.junctions", Name: "junctions in series, lamp front", Value: nan, Text: "1", Low: nan, High: nan, Method: "posterior of 3 readings", Sure: "99 %"},
		{ID: "lamp.rear.hidden", Name: "hidden resistor of lamp rear", Value: 1190, Unit: "Ω", Low: 930, High: 1480, Method: "posterior of 2 readings", Sure: "95 %"},
		{ID: "lamp.rear.drop", Name: "LED voltage of lamp rear, at 2 mA", Value: 3.81, Unit: "V", Low: 3.62, High: 4.02, Method: "posterior of 2 readings", Reason: "two junctions in series behind one resistor", Sure: "95 %"},
	}, Notes: []finding.Note{
		{Kind: "reading", Text: "the current of 31 mA at 9.0 V on 2 March does not fit: a slipped decimal (3.1 mA)?"},
		{Kind: "next reading", Text: "lamp rear at 16 V, smooth DC: it would halve the interval of the hidden resistor"},
	}, Figures: []finding.Figure{lamp("front"), lamp("rear")}}

	choose := finding.Findings{Question: "choose", Build: prove.Build, Values: []finding.Value{
		{ID: "output.front.series", Name: "series resistor of output front", Value: 1500, Unit: "Ω", Low: 1310, High: 1720, Chosen: true, Reason: "the E24 value with the widest margin on both sides", Sure: "every corner"},
		{ID: "output.front.base", Name: "base resistor of output front", Value: 4700, Unit: "Ω", Low: 2200, High: 5620, Chosen: true, Reason: "the largest of the drawer that saturates in every corner", Sure: "every corner", Working: base},
		{ID: "output.front.pulldown", Name: "pulldown of output front", Value: 47000, Unit: "Ω", Low: nan, High: 210000, Chosen: true, Reason: "holds the base below 0.3 V against leakage at 70 °C", Sure: "every corner"},
		{ID: "output.front.switch", Name: "switch of output front", Value: nan, Text: "MMBT3904", Low: nan, High: nan, Sure: "in the drawer"},
		{ID: "output.rear.series", Name: "series resistor of output rear", Value: 680, Unit: "Ω", Low: nan, High: nan, Reason: "written in the build file", Sure: "—"},
	}}

	return Input{
		Title: Title{What: "decoder a", Vehicle: "harbour railcar (invented)", Scale: "N", Date: "2026-03-14", Revision: "3f2a91c", DrawnBy: "A. Nobody", File: "harbour.fettle"},
		Prove: prove, Survey: survey, Choose: choose,
		Circuits: []draw.Schematic{circuit()},
		Lights:   []finding.Figure{light("front", 2.18e3, 12e-3), light("rear", 2.6e3, 12e-3)},
		Switches: []finding.Figure{saturation("front")},
		Parts: finding.Table{ID: "parts", Title: "From the drawer and to buy", Columns: []finding.Column{{Title: "part"}, {Title: "value"}, {Title: "package"}, {Title: "for"}, {Title: "needed", Numeric: true}, {Title: "in the drawer", Numeric: true}, {Title: "price", Numeric: true}},
			Rows: [][]finding.Cell{
				{{Text: "resistor"}, {Text: "1.5 kΩ"}, {Text: "0805"}, {Text: "series of output front"}, {Text: "1"}, {Text: "plenty"}, {Text: "0.02"}},
				{{Text: "resistor"}, {Text: "680 Ω"}, {Text: "0805"}, {Text: "series of output rear"}, {Text: "1"}, {Text: "40"}, {Text: "0.02"}},
				{{Text: "resistor"}, {Text: "4.7 kΩ"}, {Text: "0805"}, {Text: "base of output front, base of output rear"}, {Text: "2"}, {Text: "25"}, {Text: "0.04"}},
				{{Text: "transistor"}, {Text: "MMBT3904"}, {Text: "SOT-23"}, {Text: "switch of output front, switch of output rear"}, {Text: "2"}, {Text: "9"}, {Text: "0.18"}},
				{{Text: "capacitor"}, {Text: "100 µF"}, {Text: "radial 5 mm"}, {Text: "reservoir"}, {Text: "1"}, {Text: "0", Verdict: finding.Fails}, {Text: "0.35"}},
				{{Text: "microcontroller"}, {Text: "ATtiny85"}, {Text: "SO-8"}, {Text: "chip"}, {Text: "1"}, {Text: "2"}, {Text: "1.40"}},
			}},
		Slips: finding.Table{ID: "slips", Title: "A short at the bench, at 18 V", Columns: []finding.Column{{Title: "slip"}, {Title: "current", Unit: "A", Numeric: true}, {Title: "rating", Unit: "A", Numeric: true}, {Title: "what it does"}},
			Rows: [][]finding.Cell{
				{{Text: "base past its resistor, output front"}, {Number: 0.0412, Unit: "A"}, {Number: 0.04, Unit: "A"}, {Text: "the chip's pin is over its absolute rating", Verdict: finding.Fails}},
				{{Text: "collector to the rectified plus, output front"}, {Number: 0.31, Unit: "A"}, {Number: 0.2, Unit: "A"}, {Text: "kills the transistor", Verdict: finding.Fails}},
				{{Text: "across the series resistor, output front"}, {Number: 0.0182, Unit: "A"}, {Number: 0.02, Unit: "A"}, {Text: "too bright, nothing dies", Verdict: finding.Close}},
				{{Text: "neighbouring pins of the chip"}, {Number: 0.0046, Unit: "A"}, {Number: 0.04, Unit: "A"}, {Text: "both lamps dim, nothing dies", Verdict: finding.Holds}},
			}},
		Cautions: []finding.Caution{{Where: "first power", Text: "Here: 20 mA, or 330 Ω in the feed. The board alone should draw 6 mA at 14 V."}, {Where: "glue", Text: "Cyanoacrylate bonds skin."}},
	}
}

func ptr[T any](x T) *T { return &x }

func light(name string, r, never float64) finding.Figure {
	f := finding.Figure{ID: "output." + name + ".light", Title: "Lamp current of output " + name, Caption: "Mean and peak on DCC, over the spread of every part. The lamp is fed from one rail and conducts for half the time.",
		X: finding.Axis{Quantity: "track voltage", Unit: "V", Low: 0, High: 20}, Y: finding.Axis{Quantity: "lamp current", Unit: "A"},
		Bands: []finding.Band{
			{Label: "never above 12\u202fmA", From: never, To: math.Inf(1)},
			{Label: "good: 2.0\u202fmA at the usual voltage", From: 2e-3, To: math.Inf(1), Good: true},
			{Label: "still seen: 0.6\u202fmA at the lowest", From: 0.6e-3, To: math.Inf(1), Good: true},
		},
		Marks: []finding.Mark{{Label: "low", X: 9, Y: nan}, {Label: "usual", X: 14, Y: nan}, {Label: "high", X: 18, Y: nan}}}
	mean, peak := finding.Curve{Label: "mean, typical parts"}, finding.Curve{Label: "peak", Dashed: true}
	spread := finding.Shade{Label: "spread of all parts", Curve: 0}
	for i := range 81 {
		v := float64(i) * 0.25
		x := math.Log1p(math.Exp((v-3.7)*3)) / 3 / r
		mean.X, mean.Y = append(mean.X, v), append(mean.Y, x/2)
		peak.X, peak.Y = append(peak.X, v), append(peak.Y, x)
		spread.X, spread.Low, spread.High = append(spread.X, v), append(spread.Low, x*0.43), append(spread.High, x*0.56)
	}
	f.Curves, f.Shades = []finding.Curve{mean, peak}, []finding.Shade{spread}
	return f
}

func saturation(name string) finding.Figure {
	f := finding.Figure{ID: "output." + name + ".saturation", Title: "VCE of switch " + name + " against its base current", Caption: "Collector at 6.6 mA; gain and temperature over their spread.",
		X: finding.Axis{Quantity: "base current", Unit: "A", Log: true}, Y: finding.Axis{Quantity: "VCE", Unit: "V", Log: true},
		Bands: []finding.Band{{Label: "not saturated: above 0.3\u202fV", From: 0.3, To: math.Inf(1)}},
		Marks: []finding.Mark{{Label: "chosen: 0.86\u202fmA", X: 0.86e-3, Y: 0.081}, {Label: "knee", X: 0.21e-3, Y: nan}}}
	for _, c := range []struct {
		label string
		h     float64
	}{{"hFE least, −10 °C", 40}, {"hFE typical, 25 °C", 120}, {"hFE most, 70 °C", 270}} {
		k := finding.Curve{Label: c.label}
		for i := range 81 {
			ib := 30e-6 * math.Pow(100, float64(i)/80)
			forced := 6.6e-3 / ib
			k.X = append(k.X, ib)
			k.Y = append(k.Y, 0.022+0.026*math.Log(1+60/(1+c.h/forced))+8/(1+math.Exp(16*math.Log(c.h/forced))))
		}
		f.Curves = append(f.Curves, k)
	}
	f.Shades = []finding.Shade{{Label: "spread of the switch", X: f.Curves[0].X, Low: f.Curves[2].Y, High: f.Curves[0].Y, Curve: -1}}
	return f
}

func lamp(name string) finding.Figure {
	f := finding.Figure{ID: "lamp." + name + ".fit", Title: "Lamp " + name + " as it was measured", Caption: "Error bars: the meter's. Hollow: left out of the fit.",
		X: finding.Axis{Quantity: "voltage across the lamp", Unit: "V"}, Y: finding.Axis{Quantity: "current", Unit: "A"},
		Points: []finding.Points{{Label: "readings, smooth DC", X: []float64{4, 6, 9}, Y: []float64{1.7e-3, 4.6e-3, 3.1e-3}, YLow: []float64{1.6e-3, 4.45e-3, 3.0e-3}, YHigh: []float64{1.8e-3, 4.75e-3, 3.2e-3}, XLow: []float64{3.9, 5.85, 8.8}, XHigh: []float64{4.1, 6.15, 9.2}, Excluded: []bool{false, false, true}}}}
	fit, sh := finding.Curve{Label: "fitted"}, finding.Shade{Label: "95 % of what fits", Curve: 0}
	for i := range 51 {
		v := float64(i) * 0.2
		y := math.Log1p(math.Exp((v-2.9)*6)) / 6 / 678
		fit.X, fit.Y = append(fit.X, v), append(fit.Y, y)
		sh.X, sh.Low, sh.High = append(sh.X, v), append(sh.Low, y*0.93), append(sh.High, y*1.07)
	}
	f.Curves, f.Shades = []finding.Curve{fit}, []finding.Shade{sh}
	return f
}

func circuit() draw.Schematic {
	part := func(name, value string) draw.Part { return draw.Part{Name: name, Value: value} }
	return draw.Schematic{ID: "decoder.a", Title: "Decoder a with its lamps",
		Rails:  draw.Rails{Left: "left rail", Right: "right rail", Plus: "rectified plus", Logic: "chip supply", Local: "local plus", Minus: "decoder minus"},
		Supply: draw.Supply{Rectifier: part("rectifier", "MB6S"), Reservoir: part("reservoir", "100 µF"), Regulator: part("regulator", "78L05")},
		Chip:   part("chip", "ATtiny85"),
		Listen: draw.Listen{From: "left rail", Into: "PB2", Series: part("ear", "22 kΩ")},
		Lamps: []draw.SchematicLamp{
			{Name: "front", Feed: "left rail", SocketPin: "pin 5", LED: part("front", "white"), Hidden: part("hidden", "680 Ω")},
			{Name: "rear", Feed: "right rail", SocketPin: "pin 6", LED: part("rear", "red"), InSeries: 2, Hidden: part("hidden", "1.2 kΩ")},
		},
		Outputs: []draw.SchematicOutput{
			{Name: "front", Pin: "PB0", Lamps: []int{0}, Series: part("series", "1.5 kΩ"), Base: part("base", "4.7 kΩ"), Pulldown: part("pull-down", "47 kΩ"),
				Switch: draw.Transistor{Part: draw.Part{Name: "switch", Value: "MMBT3904", Verdict: finding.Close}}},
			{Name: "rear", Pin: "PB1", Lamps: []int{1}, Series: draw.Part{Name: "series", Value: "680 Ω", Verdict: finding.Fails}, Base: part("base", "4.7 kΩ"), Pulldown: part("pull-down", "47 kΩ"),
				Switch: draw.Transistor{Part: part("switch", "MMBT3904")}},
		}}
}
