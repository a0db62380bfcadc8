package experiment

import (
	"fmt"
	"math"

	"fettle/internal/finding"
	"fettle/internal/spread"
	"fettle/internal/unit"
)

func (s *stream) even() float64 {
	s.n++
	return 2*spread.Number(s.seed, s.n) - 1
}

// Findings is the card: how to wire it, what the meter will show, and, with readings, what they say.
func (c *BaseDrive) Findings(readings []Reading, g *Gain) (finding.Findings, error) {
	f := finding.Findings{Question: "experiment base-drive"}
	nan := math.NaN()
	var ladder []unit.Ohm
	for _, r := range c.Ladder {
		ladder = append(ladder, r.R)
	}
	mid, low, high, err := c.Predict(ladder)
	if err != nil {
		return f, err
	}
	minus, plus := "minus", "plus"
	if c.Part.PNP() {
		minus, plus = plus, minus
	}
	for k, s := range []string{
		fmt.Sprintf("A smooth %v supply, off. Emitter of the %s to %s.", unit.Volt(nominalSupply), c.Part.Name, minus),
		fmt.Sprintf("%v from %s to the collector. The base resistor of the step from %s to the base.", c.Collector, plus, plus),
		fmt.Sprintf("Meter on DC volts: red on the collector, black on the emitter%s.", map[bool]string{true: " (it shows minus; write it without)", false: ""}[c.Part.PNP()]),
		"Supply on, read, supply off; the next base resistor. Read the supply once with the same meter, and the collector resistor on the ohms range before it is fitted: both narrow the result.",
	} {
		f.Notes = append(f.Notes, finding.Note{ID: fmt.Sprintf("step.%d", k+1), Kind: fmt.Sprintf("step %d", k+1), Text: s})
	}
	f.Notes = append(f.Notes, c.Notes...)
	f.Cautions = append(f.Cautions, finding.Caution{Where: "first power", Text: "feed it from a current-limited supply or batteries, 20 mA is plenty; never from the track or an unisolated supply. Change resistors with the supply off. No base resistor under 1 kΩ: the base would take all the supply gives."})
	show := map[unit.Ohm]float64{}
	pts := finding.Points{Label: "read"}
	for _, r := range readings {
		if r.What == "" {
			show[r.Base] = r.Value
			m := c.rangeFor("dc voltage", r.Value)
			l, h := m.Interval(r.Value)
			pts.X, pts.Y, pts.YLow, pts.YHigh = append(pts.X, float64(r.Base)), append(pts.Y, r.Value), append(pts.YLow, l), append(pts.YHigh, h)
		}
	}
	t := finding.Table{ID: "base-drive.ladder", Title: "collector to emitter, as the meter will show it", Columns: []finding.Column{
		{Title: "base resistor", Numeric: true}, {Title: "typical part", Numeric: true}, {Title: "from", Numeric: true}, {Title: "to", Numeric: true}, {Title: "read", Numeric: true}}}
	for i, r := range ladder {
		read := finding.Cell{Text: "", Number: nan}
		if v, ok := show[r]; ok {
			read = finding.Cell{Number: v, Unit: unit.SymVolt}
		}
		volt := func(v float64) finding.Cell { return finding.Cell{Number: v, Unit: unit.SymVolt, Digits: 2} }
		t.Rows = append(t.Rows, []finding.Cell{{Number: float64(r), Unit: unit.SymOhm}, volt(mid[i]), volt(low[i]), volt(high[i]), read})
	}
	f.Tables = append(f.Tables, t)

	var grid []unit.Ohm
	var x []float64
	for k := range 37 {
		r := 2e3 * math.Pow(600, float64(k)/36)
		grid, x = append(grid, unit.Ohm(r)), append(x, r)
	}
	m, l, h, err := c.Predict(grid)
	if err != nil {
		return f, err
	}
	fig := finding.Figure{ID: "base-drive", Title: "how hard a base must be driven: " + c.Part.Name,
		X:      finding.Axis{Quantity: "base resistor", Unit: unit.SymOhm, Log: true},
		Y:      finding.Axis{Quantity: "collector to emitter", Unit: unit.SymVolt, Low: 0, High: 5.5},
		Curves: []finding.Curve{{Label: "typical part", X: x, Y: m}}, Shades: []finding.Shade{{Label: "95 % of parts and meters", X: x, Low: l, High: h, Curve: 0}},
		Caption: "Left of the knee the transistor is a closed switch, right of it the gain decides. A tenth of the knee's base resistor is the custom: it leaves room for a part of less gain, and for the cold.",
	}
	if len(pts.X) > 0 {
		fig.Points = []finding.Points{pts}
	}
	if g != nil {
		fig.Marks = []finding.Mark{{Label: "knee", X: float64(g.Knee), Y: nan}, {Label: "ten times driven", X: float64(g.Knee) / 10, Y: nan}}
		f.Values = []finding.Value{
			{ID: "base-drive.hfe", Name: fmt.Sprintf("hFE of this %s at %v and %v", c.Part.Name, unit.Amp(round(float64(g.IC), 2)), unit.Volt(round(float64(g.VCE), 2))), Value: g.HFE, Low: g.Low, High: g.High,
				Method: "least squares against the circuit, resistors and meter within their tolerances", Sure: "95 %", Reason: "the readings between saturation and rest"},
			{ID: "base-drive.knee", Name: "largest base resistor that still saturates it here", Value: float64(g.Knee), Low: float64(g.KneeLow), High: float64(g.KneeHigh), Unit: unit.SymOhm, Sure: "95 %",
				Method: "gain times collector resistor", Reason: fmt.Sprintf("ten times driven is %v", unit.Ohm(round(float64(g.Knee)/10, 2)))},
		}
		if g.Misfit > 4 {
			f.Notes = append(f.Notes, finding.Note{Kind: "reading", Text: fmt.Sprintf("one reading lies %.1f deviations from what any such transistor gives: look for a slip of the range, a misread resistor, swapped leads", g.Misfit)})
		}
	}
	f.Figures = append(f.Figures, fig)
	return f, nil
}

func round(x float64, digits int) float64 {
	if x == 0 || math.IsNaN(x) {
		return x
	}
	p := math.Pow(10, float64(digits)-1-math.Floor(math.Log10(math.Abs(x))))
	return math.Round(x*p) / p
}

// Learned are the cells of the drawer's row that the readings fill.
func (g Gain) Learned() map[string]string {
	return map[string]string{
		"hfe": fmt.Sprintf("%.0f", g.HFE), "hfe_at": plain(float64(g.IC)*1e3, "mA"), "hfe_vce": plain(float64(g.VCE), "V"),
		"hfe_error": plain(math.Ceil(float64(g.Error())*1000)/10, "%"),
	}
}

func plain(x float64, symbol string) string { return fmt.Sprintf("%g %s", round(x, 3), symbol) }
