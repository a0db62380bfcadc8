package experiment

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"fettle/internal/circuit"
	"fettle/internal/device"
	"fettle/internal/finding"
	"fettle/internal/meter"
	"fettle/internal/parts"
	"fettle/internal/unit"
)

// usualLED is the class of the card where neither the user nor the drawer names an LED.
const usualLED = "red"

// ledCurrents are about the currents of the card: a lamp that is just seen, one that is good, one that is bright.
var ledCurrents = []float64{1e-3, 3e-3, 9e-3}

// leastDrop is what any lit LED drops, and no plain diode (common practice, no source).
const leastDrop = 1.2

// LEDDrop is the card of an LED's drop at three currents.
type LEDDrop struct {
	kit
	Part   parts.LED
	Ladder []Rung

	name   string // in the drawer
	colour string // of a row made for it
	sheet  *device.DiodeSpread
}

// setLEDDrop picks the LED: the one named, by its part or its colour, else the first of the drawer.
func setLEDDrop(b Bench) (Card, error) {
	name := b.Subject
	if d := b.Build.Drawer; name == "" && d != nil {
		if on := d.OfKind(parts.KindLED); len(on) > 0 {
			name = on[0].Part
		}
	}
	name = cmp.Or(name, usualLED)
	for _, n := range []string{name, name + " LED"} {
		if p, ok := b.Build.Catalogue.LED(n); ok && !p.ClassRow {
			return NewLEDDrop(p, p.Name, b)
		}
	}
	p, ok := b.Build.Catalogue.LEDClass(name, "")
	if !ok {
		err := noPart(b, "LED", name, parts.KindLED)
		return nil, fmt.Errorf("%w; or name its colour: %s", err, strings.Join(b.Build.Catalogue.LEDClasses(), ", "))
	}
	c, err := NewLEDDrop(p, name+" LED", b)
	if err == nil {
		c.colour = p.Class
	}
	return c, err
}

// NewLEDDrop sets the card up for an LED that the drawer has under a name.
func NewLEDDrop(p parts.LED, name string, b Bench) (*LEDDrop, error) {
	sheet, err := device.SpreadLED(p)
	if err != nil {
		return nil, err
	}
	c := &LEDDrop{kit: kit{Meter: b.spec(), drawer: b.Build.Drawer}, Part: p, name: name, sheet: sheet}
	c.inDrawer(name)
	for _, i := range ledCurrents {
		v := float64(sheet.At(nil).Voltage(unit.Amp(i), standing))
		c.Ladder = append(c.Ladder, c.near(max(220, (nominalSupply-v)/i)))
	}
	c.missing(c.Ladder)
	return c, nil
}

// Title and Subject name the LED.
func (c *LEDDrop) Title() string   { return "Drop of the " + c.name }
func (c *LEDDrop) Subject() string { return c.name }

// Terms are the supply, the drop behind any series resistor, and that resistor itself.
func (c *LEDDrop) Terms() []Term {
	var drops, ohms []string
	for _, r := range c.Ladder {
		drops, ohms = append(drops, typed(r.R)), append(ohms, typed(r.R))
	}
	const least, greatest = 100, 100e3
	of := Term{Name: "series resistor", Of: &unit.Resistance, Least: least, Most: greatest}
	drop, ohm := of, of
	drop.Dim, drop.Low, drop.High, drop.Where, drop.Ask = unit.Voltage, leastDrop, 5.5, "across a lit LED on a 5 V supply", drops
	ohm.Dim, ohm.Low, ohm.High, ohm.Where, ohm.Ask = unit.Resistance, 0.8*least, 1.25*greatest, "of such a resistor", ohms
	return []Term{{Word: "supply", Dim: unit.Voltage, Low: 4, High: 6, Where: "on a 5 V supply", Ask: []string{"supply"}}, ohm, drop}
}

// ledBench is the circuit: supply, series resistor, the LED with the meter across it.
type ledBench struct {
	s                     *circuit.Solver
	supply, r, load, lamp circuit.Elem
	across                circuit.Node
}

func newLEDBench(d device.Diode) (*ledBench, error) {
	n := circuit.New()
	plus, a := n.Node("plus"), n.Node("anode")
	b := &ledBench{across: a}
	b.supply = n.Voltage("supply", plus, 0, nominalSupply)
	b.r = n.Resistor("series resistor", plus, a, 1e3)
	b.lamp = n.Diode("LED", a, 0, d)
	b.load = n.Resistor("meter", a, 0, 10e6)
	s, err := circuit.Compile(n)
	if err != nil {
		return nil, err
	}
	s.SetTemperature(standing)
	b.s = s
	return b, nil
}

// drop is the voltage across the LED with the meter on it; NaN where the circuit was not solved.
func (b *ledBench) drop(d device.Diode, supply float64, r, input unit.Ohm) float64 {
	b.s.SetDiode(b.lamp, d)
	b.s.SetVoltage(b.supply, unit.Volt(supply))
	b.s.SetResistance(b.r, r)
	b.s.SetResistance(b.load, input)
	if sol := b.s.Solve(); sol.Status != circuit.Solved {
		return math.NaN()
	}
	return float64(b.s.V(b.across))
}

// Predict is what the meter will show behind each series resistor.
func (c *LEDDrop) Predict(rs []unit.Ohm) (mid, low, high []float64, err error) {
	b, err := newLEDBench(c.sheet.At(nil))
	if err != nil {
		return nil, nil, nil, err
	}
	mid, low, high = foresee(len(rs), func(even func() float64) (out []float64) {
		d := c.sheet.At([]float64{even()})
		supply := nominalSupply + supplySpread*even()
		tol, gain, slack := even(), even(), even()
		for _, r := range rs {
			m := c.rangeFor(meter.DCVoltage, 2)
			v := b.drop(d, supply, r*unit.Ohm(1+usualTolerance*tol), input(m))
			m = c.rangeFor(meter.DCVoltage, v)
			out = append(out, shows(m, v, float64(m.Gain)*gain)+m.Slack()*slack)
		}
		return out
	})
	return mid, low, high, nil
}

// A Drop is what one reading says: the voltage at a current, each with its interval of 95 %.
type Drop struct {
	R            unit.Ohm
	Shown        float64 // V
	I, ILow, IHi float64 // A
	At           float64 // A, I to two digits
	V, Low, High float64 // V at At
}

// Infer turns readings into drops, by rising current. Current and voltage follow from the readings outright: of all that is
// unknown (the meter's gain errors, common to the readings of a range, its digits, resistors and supply) the whole box is
// drawn. From the current that flowed to the round one beside it the voltage moves along the readings' own slope.
func (c *LEDDrop) Infer(readings []Reading) ([]Drop, error) {
	supply := math.NaN()
	ohms := map[float64]float64{}
	shown := map[float64]float64{}
	for _, r := range readings {
		switch {
		case r.Word == "supply":
			supply = r.Value
		case r.Unit == unit.SymOhm:
			ohms[r.At] = r.Value
		default:
			shown[r.At] = r.Value
		}
	}
	top := supply
	if math.IsNaN(top) {
		top = nominalSupply
	}
	var rs []float64
	for r, v := range shown {
		if v > 0.97*top {
			return nil, fmt.Errorf("behind %v the meter shows %v, all of the supply: the LED is open or turned round, or the meter lies across the supply", unit.Ohm(r), unit.Volt(v))
		}
		rs = append(rs, r)
	}
	slices.SortFunc(rs, func(a, b float64) int { return cmp.Compare(b, a) })
	if len(rs) < 2 {
		return nil, fmt.Errorf("a drop at one current says little of the next: at least two series resistors are wanted, three are better")
	}
	tolerance := func(r float64) float64 {
		for _, g := range c.Ladder {
			if math.Abs(float64(g.R)/r-1) < 1e-6 {
				return float64(g.Tolerance)
			}
		}
		return usualTolerance
	}
	// once is one draw of what is unknown: currents and voltages of all readings.
	once := func(even func() float64) (is, vs []float64) {
		g := gains{even: even}
		e := nominalSupply + 2*supplySpread*even()
		if !math.IsNaN(supply) {
			e = g.draw(c.rangeFor(meter.DCVoltage, supply), supply)
		}
		for _, r := range rs {
			truth := r * (1 + tolerance(r)*even())
			if x, ok := ohms[r]; ok {
				truth = g.draw(c.rangeFor(meter.Resistance, x), x)
			}
			m := c.rangeFor(meter.DCVoltage, shown[r])
			v := g.draw(m, shown[r])
			is, vs = append(is, (e-v)/truth-v/float64(input(m))), append(vs, v)
		}
		return is, vs
	}
	var out []Drop
	for k, r := range rs {
		d := Drop{R: unit.Ohm(r), Shown: shown[r]}
		d.I, d.ILow, d.IHi = between(func(even func() float64) float64 { is, _ := once(even); return is[k] })
		if !(d.ILow > 0) {
			return nil, fmt.Errorf("behind %v the readings leave no current for the LED: the supply read as %v, the LED as %v", d.R, unit.Volt(top), unit.Volt(d.Shown))
		}
		out = append(out, d)
	}
	for k := range out {
		d := &out[k]
		if k > 0 && (d.Shown <= out[k-1].Shown || d.I <= out[k-1].I) {
			return nil, fmt.Errorf("%v reads %v and %v reads %v: with more current an LED drops more, so one of the two was misread or its resistor is another", out[k-1].R, unit.Volt(out[k-1].Shown), d.R, unit.Volt(d.Shown))
		}
		d.At = round(d.I, 2)
		other := max(1, k) // the slope between this reading and its neighbour
		d.V, d.Low, d.High = between(func(even func() float64) float64 {
			is, vs := once(even)
			slope := (vs[other] - vs[other-1]) / math.Log(is[other]/is[other-1])
			return vs[k] + max(0, slope)*math.Log(d.At/is[k])
		})
	}
	return out, nil
}

// learned are the drops at the least and the greatest current, for the drawer.
func (c *LEDDrop) learned(drops []Drop) Learned {
	a, b := drops[0], drops[len(drops)-1]
	within := 0.0
	for _, d := range []Drop{a, b} {
		within = max(within, d.High-round(d.V, 4), round(d.V, 4)-d.Low)
	}
	point := func(d Drop) string { return fmt.Sprintf("%s: %g V", plain(d.At*1e3, "mA"), round(d.V, 4)) }
	cells := map[string]string{"vf_measured": point(a) + "; " + point(b), "vf_error": plain(roundUp(within*1e3, 2), "mV")}
	return Learned{Part: c.name, Cells: cells, New: c.rowOf(), Words: fmt.Sprintf("VF %s, within %s", cells["vf_measured"], cells["vf_error"])}
}

// rowOf are the cells of a drawer's row made for the LED, beside what was measured.
func (c *LEDDrop) rowOf() map[string]string {
	m := map[string]string{"kind": parts.KindLED}
	if c.colour != "" {
		m["colour"] = c.colour
	}
	return m
}

// measured is the LED as the drawer will have it: the sheet's spread shrunk to the drops learned.
func (c *LEDDrop) measured(drops []Drop) (*device.Measured[device.Diode], error) {
	var m parts.Measured
	a, b := drops[0], drops[len(drops)-1]
	within := max(a.High-a.Low, b.High-b.Low) / 2
	for _, d := range []Drop{a, b} {
		m.VF = append(m.VF, parts.Taken{I: unit.Amp(d.At), V: unit.Volt(d.V), Within: unit.Volt(within)})
	}
	return device.MeasuredLED(c.Part, m)
}

// Findings is the card.
func (c *LEDDrop) Findings(readings []Reading) (finding.Findings, Learned, error) {
	f := finding.Findings{Question: "experiment led-drop"}
	nan := math.NaN()
	var rs []unit.Ohm
	for _, r := range c.Ladder {
		rs = append(rs, r.R)
	}
	mid, low, high, err := c.Predict(rs)
	if err != nil {
		return f, Learned{}, err
	}
	f.Notes = steps(
		fmt.Sprintf("A smooth %v supply, off. The series resistor of the step from plus to the anode of the %s, its cathode to minus.", unit.Volt(nominalSupply), c.name),
		"Meter on DC volts across the LED itself: red on the anode, black on the cathode.",
		"Supply on, read, supply off; the next resistor. Read the supply once with the same meter, and each resistor on the ohms range before it is fitted: both narrow the current.",
	)
	f.Notes = append(f.Notes, c.Notes...)
	f.Cautions = append(f.Cautions, firstPower("Never without the series resistor: an LED takes all that the supply gives. Do not look straight into a bright one from near by."))
	show := map[float64]float64{}
	for _, r := range readings {
		if r.Word == "" && r.Unit == unit.SymVolt {
			show[r.At] = r.Value
		}
	}
	t := finding.Table{ID: "led-drop.ladder", Title: "across the LED, as the meter will show it", Columns: columns("series resistor")}
	for i, r := range rs {
		read, ok := show[float64(r)]
		if !ok {
			read = nan
		}
		t.Rows = append(t.Rows, row(float64(r), unit.SymOhm, mid[i], low[i], high[i], read, unit.SymVolt, 3))
	}
	f.Tables = append(f.Tables, t)

	x := logGrid(0.3e-3, 20e-3, 31)
	curve := func(at func(even func() float64) device.Diode) (mid, low, high []float64) {
		return foresee(len(x), func(even func() float64) (v []float64) {
			d := at(even)
			for _, i := range x {
				v = append(v, float64(d.Voltage(unit.Amp(i), standing)))
			}
			return v
		})
	}
	m, l, h := curve(func(even func() float64) device.Diode { return c.sheet.At([]float64{even()}) })
	fig := finding.Figure{ID: "led-drop", Title: "what an LED drops: " + c.name,
		X:       finding.Axis{Quantity: "current", Unit: unit.SymAmp, Log: true},
		Y:       finding.Axis{Quantity: "drop", Unit: unit.SymVolt},
		Curves:  []finding.Curve{{Label: "typical part", X: x, Y: m, Dashed: true}},
		Shades:  []finding.Shade{{Label: "95 % of parts", X: x, Low: l, High: h, Curve: 0}},
		Caption: "Ten times the current is some 0.1 to 0.3 V more: an LED has no resistance worth the name, so the series resistor alone sets the current.",
	}
	var learned Learned
	if len(readings) > 0 {
		drops, err := c.Infer(readings)
		if err != nil {
			return f, Learned{}, err
		}
		learned = c.learned(drops)
		pts := finding.Points{Label: "read"}
		for k, d := range drops {
			pts.X, pts.XLow, pts.XHigh = append(pts.X, d.I), append(pts.XLow, d.ILow), append(pts.XHigh, d.IHi)
			r := c.rangeFor(meter.DCVoltage, d.Shown)
			lo, hi := r.Interval(d.Shown)
			pts.Y, pts.YLow, pts.YHigh = append(pts.Y, r.Corrected(d.Shown)), append(pts.YLow, lo), append(pts.YHigh, hi)
			f.Values = append(f.Values, finding.Value{ID: fmt.Sprintf("led-drop.%d", k+1), Name: fmt.Sprintf("drop of this %s at %v", c.name, unit.Amp(d.At)), Value: d.V, Low: d.Low, High: d.High, Unit: unit.SymVolt,
				Method: "the reading, with the current from supply and series resistor, over all that meter, resistors and supply leave open", Sure: "95 %",
				Reason: fmt.Sprintf("%v flowed, %v to %v", unit.Amp(round(d.I, 3)), unit.Amp(round(d.ILow, 3)), unit.Amp(round(d.IHi, 3)))})
		}
		fig.Points = []finding.Points{pts}
		q, err := c.measured(drops)
		if err != nil {
			return f, Learned{}, err
		}
		m, l, h := curve(func(even func() float64) device.Diode { return q.At([]float64{even(), even()}) })
		fig.Curves = append(fig.Curves, finding.Curve{Label: "this one", X: x, Y: m})
		fig.Shades = append(fig.Shades, finding.Shade{Label: "this one, 95 %", X: x, Low: l, High: h, Curve: 1})
		for _, s := range q.Against {
			f.Notes = append(f.Notes, finding.Note{Kind: "reading", Text: s})
		}
		f.Notes = append(f.Notes, c.offTheLaw(q, drops)...)
	}
	f.Figures = append(f.Figures, fig)
	return f, learned, nil
}

// offTheLaw says which reading between the first and the last does not lie on a diode's curve through these two.
func (c *LEDDrop) offTheLaw(q *device.Measured[device.Diode], drops []Drop) (out []finding.Note) {
	const law = 15e-3 // V: what real LEDs depart from it over a decade (parts data, "model_fit_error_V": 2 to 20 mV)
	for _, d := range drops[1 : len(drops)-1] {
		v := float64(q.At(nil).Voltage(unit.Amp(d.At), standing))
		if off := math.Abs(d.V - v); off > law+(d.High-d.Low) {
			out = append(out, finding.Note{Kind: "reading", Text: fmt.Sprintf("at %v it reads %v, where a diode through the other two drops %v: one of the three is a slip, or its resistor is another", unit.Amp(d.At), unit.Volt(round(d.V, 3)), unit.Volt(round(v, 3)))})
		}
	}
	return out
}
