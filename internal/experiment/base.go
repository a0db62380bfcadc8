package experiment

import (
	"fmt"
	"math"
	"slices"

	"fettle/internal/circuit"
	"fettle/internal/device"
	"fettle/internal/finding"
	"fettle/internal/fit"
	"fettle/internal/meter"
	"fettle/internal/parts"
	"fettle/internal/unit"
)

// The set-up of the base-drive card: supply, collector resistor, ladder of base resistors. The currents are those of a
// small lamp; 5 V is what the decoder's chip has.
const (
	nominalCollector = 1e3   // Ω
	tolerable        = 0.95  // of the supply: above that the transistor is off and tells nothing of its gain
	most             = 20    // relative width of the prior of the gain: the data decide
	saturated        = 0.5   // V: below that a reading tells of saturation, not of gain
	junctionSpread   = 0.05  // V, one deviation of VBE (sheets that give limits: ±0.06 V)
	shapeSpread      = 0.02  // of the gain at each reading: this part's curve over the current is not quite the sheet's (assumed)
	bendShare        = 0.2   // of the base current at the middle reading that grows with the root of IC; and its deviation (from memory)
	usualGain        = 150.0 // where the search begins
)

// Usual is the transistor of the card where neither the user nor the drawer names one (common practice, no source).
const Usual = "MMBT3904"

// wanted is the ladder: base resistors from hard drive to hardly any (E12).
var wanted = []unit.Ohm{2.2e3, 10e3, 47e3, 100e3, 150e3, 220e3, 330e3, 470e3, 680e3, 1e6}

// BaseDrive is the card, set up for one transistor.
type BaseDrive struct {
	kit
	Part      parts.BJT
	Collector unit.Ohm
	RCspread  unit.Ratio // its tolerance
	Ladder    []Rung

	sheet *device.BJTSpread
}

// Gain is what the readings say of the transistor.
type Gain struct {
	HFE, Low, High float64 // at IC and VCE; the interval at 95 %
	IC             unit.Amp
	VCE            unit.Volt
	Knee           unit.Ohm // the largest base resistor that still saturates it
	KneeLow        unit.Ohm
	KneeHigh       unit.Ohm
	Fit            fit.Result
	Misfit         float64 // the worst reading, in deviations
}

// setBaseDrive picks the transistor: the one named, else the first NPN of the drawer.
func setBaseDrive(b Bench) (Card, error) {
	name := b.Subject
	if name == "" {
		name = Usual
		if d := b.Build.Drawer; d != nil {
			if on := d.Transistors(parts.NPN); len(on) > 0 {
				name = on[0].Part
			}
		}
	}
	p, ok := b.Build.Catalogue.BJT(name)
	if !ok {
		return nil, noPart(b, "transistor", name, parts.KindTransistor)
	}
	return NewBaseDrive(p, b.Build.Drawer, b.spec())
}

// NewBaseDrive sets the card up with what the drawer holds.
func NewBaseDrive(p parts.BJT, d *parts.Drawer, m meter.Spec) (*BaseDrive, error) {
	sheet, err := device.SpreadBJT(p)
	if err != nil {
		return nil, err
	}
	c := &BaseDrive{kit: kit{Meter: m, drawer: d}, Part: p, sheet: sheet}
	rc := c.take(nominalCollector)
	c.Collector, c.RCspread = rc.R, rc.Tolerance
	if !rc.Have {
		c.note("drawer", "the drawer has no %v; a common ±5 %% one is supposed", rc.R)
	}
	c.inDrawer(p.Name)
	for _, r := range wanted {
		c.Ladder = append(c.Ladder, c.take(r))
	}
	c.missing(c.Ladder)
	return c, nil
}

// Title and Subject name the transistor.
func (c *BaseDrive) Title() string   { return "Base drive of " + c.Part.Name }
func (c *BaseDrive) Subject() string { return c.Part.Name }

// Terms are the base resistors of any ladder, the supply and the collector resistor.
func (c *BaseDrive) Terms() []Term {
	var ladder []string
	for _, r := range c.Ladder {
		ladder = append(ladder, typed(r.R))
	}
	const where = "on a 5 V supply"
	return []Term{
		{Word: "supply", Dim: unit.Voltage, Low: 4, High: 6, Where: where, Ask: []string{"supply"}},
		{Word: "collector", Dim: unit.Resistance, Low: 800, High: 1250, Where: "of a 1 kΩ resistor", Ask: []string{"collector"}},
		{Name: "base resistor", Of: &unit.Resistance, Least: 1e3, Most: 1e7, Dim: unit.Voltage, Low: -0.05, High: 6, Where: where, Ask: ladder},
	}
}

// bench is the circuit on the table.
type bench struct {
	s                    *circuit.Solver
	supply, rc, rb, load circuit.Elem
	q                    circuit.Elem
	out                  circuit.Node
	sign                 float64
}

func (c *BaseDrive) bench(q device.BJT) (*bench, error) {
	n := circuit.New()
	plus, base, out := n.Node("plus"), n.Node("base"), n.Node("collector")
	b := &bench{out: out, sign: 1}
	if c.Part.PNP() {
		b.sign = -1
	}
	b.supply = n.Voltage("supply", plus, 0, unit.Volt(b.sign*nominalSupply))
	b.rc = n.Resistor("collector resistor", plus, out, c.Collector)
	b.rb = n.Resistor("base resistor", plus, base, 10e3)
	b.q = n.BJT("transistor", out, base, 0, q)
	b.load = n.Resistor("meter", out, 0, 10e6)
	s, err := circuit.Compile(n)
	if err != nil {
		return nil, err
	}
	s.SetTemperature(standing)
	b.s = s
	return b, nil
}

// vce is the voltage between collector and emitter with the meter across it; NaN where the circuit was not solved.
func (b *bench) vce(supply float64, rc, rb, input unit.Ohm) float64 {
	b.s.SetVoltage(b.supply, unit.Volt(b.sign*supply))
	b.s.SetResistance(b.rc, rc)
	b.s.SetResistance(b.rb, rb)
	b.s.SetResistance(b.load, input)
	if sol := b.s.Solve(); sol.Status != circuit.Solved {
		return math.NaN()
	}
	return b.sign * float64(b.s.V(b.out))
}

// with is the typical transistor with gain h at the collector current ic, a share w of its base current there growing with
// the root of the collector current only (so that the gain falls towards small currents), and its VBE higher by shift (V).
func (c *BaseDrive) with(h, ic, w, shift float64) device.BJT {
	q := c.sheet.At(nil)
	q.IS *= unit.Amp(math.Exp(-shift / float64(unit.Kelvin(standing).ThermalVoltage())))
	q.IKF = 0 // high injection begins far above the card's 5 mA; left in, it puts a hump into a curve that only bends
	q.BF = h / (1 - w)
	q.ISE = unit.Amp(w / h * math.Sqrt(ic*float64(q.IS)))
	return q
}

// Predict is what the meter will show at each base resistor: with the typical part, and the spread of 95 % of what sheet,
// tolerances and meter allow.
func (c *BaseDrive) Predict(rb []unit.Ohm) (mid, low, high []float64, err error) {
	b, err := c.bench(c.sheet.At(nil))
	if err != nil {
		return nil, nil, nil, err
	}
	mid, low, high = foresee(len(rb), func(even func() float64) (out []float64) {
		z := [4]float64{even(), even(), even(), even()}
		supply := nominalSupply + supplySpread*even()
		rc := c.Collector * unit.Ohm(1+float64(c.RCspread)*even())
		gain, slack, tol := even(), even(), even()
		b.s.SetBJT(b.q, c.sheet.At(z[:]))
		for _, r := range rb {
			m := c.rangeFor(meter.DCVoltage, nominalSupply)
			v := b.vce(supply, rc, r*unit.Ohm(1+usualTolerance*tol), input(m))
			m = c.rangeFor(meter.DCVoltage, v)
			out = append(out, shows(m, v, float64(m.Gain)*gain)+m.Slack()*slack)
		}
		return out
	})
	return mid, low, high, nil
}

// Infer finds the gain. The unknowns are fitted together by least squares against the circuit: the gain, the supply, what
// is left open of VBE and VCE(sat), the resistors within their tolerances and the gain errors of the meter's ranges, which
// are common to all readings of a range and largely cancel. Bounded unknowns enter as normal laws of the same deviation.
func (c *BaseDrive) Infer(readings []Reading) (Gain, error) {
	var taken []Reading
	supply, collector := math.NaN(), math.NaN()
	for _, r := range readings {
		switch r.Word {
		case "supply":
			supply = r.Value
		case "collector":
			collector = r.Value
		}
	}
	top := supply
	if math.IsNaN(top) {
		top = nominalSupply
	}
	for _, r := range readings {
		if r.Word == "" && r.Value > saturated && r.Value < tolerable*top {
			taken = append(taken, r)
		}
	}
	if len(taken) == 0 {
		return Gain{}, fmt.Errorf("no reading lies between %v V and %.3g V, where the transistor neither saturates nor rests: a larger base resistor tells its gain, a smaller one if it reads the supply", saturated, tolerable*top)
	}
	b, err := c.bench(c.sheet.At(nil))
	if err != nil {
		return Gain{}, err
	}
	middle := 0.0 // A, where the gain is stated: the middle of the readings that tell it, by ratio
	for _, r := range taken {
		middle += math.Log((top-r.Value)/float64(c.Collector)) / float64(len(taken))
	}
	middle = math.Exp(middle)
	u := unknowns{kit: &c.kit}
	lnGain := u.add("gain", math.Log(usualGain), 0, 10, 0.1, math.Log(usualGain), math.Log(most))
	feed := u.add("supply", top, 0.5, 50, 0.1, nominalSupply, supplySpread)
	shift := u.add("VBE", 0, -0.3, 0.3, 0.03, 0, junctionSpread)
	load := u.share("collector resistor", float64(c.RCspread)/math.Sqrt(3))
	bend := u.add("bend", bendShare, 0, 0.8, 0.1, bendShare, bendShare)
	resistor := map[unit.Ohm]int{}
	type row struct {
		m  meter.RangeSpec
		at int
	}
	var rows []row
	for _, r := range taken {
		base := unit.Ohm(r.At)
		if _, ok := resistor[base]; !ok {
			tol := unit.Ratio(usualTolerance)
			for _, g := range c.Ladder {
				if g.R == base {
					tol = g.Tolerance
				}
			}
			resistor[base] = u.share("base resistor "+base.String(), math.Hypot(float64(tol)/math.Sqrt(3), shapeSpread))
		}
		m, at := u.gain(meter.DCVoltage, r.Value)
		rows = append(rows, row{m, at})
	}
	n := len(taken)
	var ofSupply, ofLoad row
	if !math.IsNaN(supply) {
		ofSupply.m, ofSupply.at = u.gain(meter.DCVoltage, supply)
		n++
	}
	if !math.IsNaN(collector) {
		ofLoad.m, ofLoad.at = u.gain(meter.Resistance, collector)
		n++
	}
	found, misfit, err := u.solve(n, func(p, res []float64) {
		off := func(w row, truth, shown float64) float64 { return (shows(w.m, truth, p[w.at]) - shown) / noise(w.m) }
		rc := c.Collector * unit.Ohm(1+p[load])
		b.s.SetBJT(b.q, c.with(math.Exp(p[lnGain]), middle, p[bend], p[shift]))
		for i, r := range taken {
			v := b.vce(p[feed], rc, unit.Ohm(r.At*(1+p[resistor[unit.Ohm(r.At)]])), input(rows[i].m))
			res[i] = off(rows[i], v, r.Value)
		}
		k := len(taken)
		if !math.IsNaN(supply) {
			res[k] = off(ofSupply, p[feed], supply)
			k++
		}
		if !math.IsNaN(collector) {
			res[k] = off(ofLoad, float64(rc), collector)
		}
	})
	if err != nil {
		return Gain{}, err
	}
	g := Gain{Fit: found, Misfit: misfit}
	rc := float64(c.Collector) * (1 + found.P[load])
	g.IC, g.VCE = unit.Amp(middle), unit.Volt(found.P[feed]-middle*rc)
	fitted := func(p []float64) device.BJT { return c.with(math.Exp(p[lnGain]), middle, p[bend], p[shift]) }
	h, _, ok := fitted(found.P).Active(g.IC, g.VCE, standing)
	if !ok {
		return Gain{}, fmt.Errorf("at %v the fitted transistor has no gain", g.IC)
	}
	// Joint samples of the fit, and what is allowed for the circuit's own assumptions (temperature, the Early voltage of the class).
	const model, count = 0.025, 500
	var spread []float64
	for _, p := range found.Samples(count, 1) {
		if x, _, ok := fitted(p).Active(g.IC, g.VCE, standing); ok {
			spread = append(spread, math.Log(x/h))
		}
	}
	if len(spread) < count/2 {
		return Gain{}, fmt.Errorf("the readings leave the gain open")
	}
	slices.Sort(spread)
	g.HFE = h
	g.Low = h * math.Exp(-math.Hypot(min(0, spread[len(spread)/80]), model))
	g.High = h * math.Exp(math.Hypot(max(0, spread[len(spread)-1-len(spread)/80]), model))
	// The knee: just as much base current as the collector current of saturation needs.
	knee := func(hfe float64) unit.Ohm {
		return unit.Ohm(hfe * rc * (found.P[feed] - 0.7) / (found.P[feed] - 0.15))
	}
	g.Knee, g.KneeLow, g.KneeHigh = knee(g.HFE), knee(g.Low), knee(g.High)
	return g, nil
}

// Error is the ± share that holds the interval.
func (g Gain) Error() unit.Ratio { return unit.Ratio(max(g.High/g.HFE-1, 1-g.Low/g.HFE)) }

// Findings is the card: how to wire it, what the meter will show, and, with readings, what they say.
func (c *BaseDrive) Findings(readings []Reading) (finding.Findings, Learned, error) {
	f := finding.Findings{Question: "experiment base-drive"}
	nan := math.NaN()
	var ladder []unit.Ohm
	for _, r := range c.Ladder {
		ladder = append(ladder, r.R)
	}
	mid, low, high, err := c.Predict(ladder)
	if err != nil {
		return f, Learned{}, err
	}
	minus, plus := "minus", "plus"
	if c.Part.PNP() {
		minus, plus = plus, minus
	}
	f.Notes = steps(
		fmt.Sprintf("A smooth %v supply, off. Emitter of the %s to %s.", unit.Volt(nominalSupply), c.Part.Name, minus),
		fmt.Sprintf("%v from %s to the collector. The base resistor of the step from %s to the base.", c.Collector, plus, plus),
		fmt.Sprintf("Meter on DC volts: red on the collector, black on the emitter%s.", map[bool]string{true: " (it shows minus; write it without)", false: ""}[c.Part.PNP()]),
		"Supply on, read, supply off; the next base resistor. Read the supply once with the same meter, and the collector resistor on the ohms range before it is fitted: both narrow the result.",
	)
	f.Notes = append(f.Notes, c.Notes...)
	f.Cautions = append(f.Cautions, firstPower("Change resistors with the supply off. No base resistor under 1 kΩ: the base would take all the supply gives."))
	show := map[float64]float64{}
	pts := finding.Points{Label: "read"}
	for _, r := range readings {
		if r.Word == "" {
			show[r.At] = r.Value
			m := c.rangeFor(meter.DCVoltage, r.Value)
			l, h := m.Interval(r.Value)
			pts.X, pts.Y, pts.YLow, pts.YHigh = append(pts.X, r.At), append(pts.Y, m.Corrected(r.Value)), append(pts.YLow, l), append(pts.YHigh, h)
		}
	}
	t := finding.Table{ID: "base-drive.ladder", Title: "collector to emitter, as the meter will show it", Columns: columns("base resistor")}
	for i, r := range ladder {
		read, ok := show[float64(r)]
		if !ok {
			read = nan
		}
		t.Rows = append(t.Rows, row(float64(r), unit.SymOhm, mid[i], low[i], high[i], read, unit.SymVolt, 2))
	}
	f.Tables = append(f.Tables, t)

	x := logGrid(2e3, 1.2e6, 37)
	var grid []unit.Ohm
	for _, r := range x {
		grid = append(grid, unit.Ohm(r))
	}
	m, l, h, err := c.Predict(grid)
	if err != nil {
		return f, Learned{}, err
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
	var learned Learned
	if len(readings) > 0 {
		g, err := c.Infer(readings)
		if err != nil {
			return f, Learned{}, err
		}
		cells := g.cells()
		learned = Learned{Part: c.Part.Name, Cells: cells, Words: fmt.Sprintf("hFE %s at %s, within %s", cells["hfe"], cells["hfe_at"], cells["hfe_error"])}
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
	return f, learned, nil
}

// cells are those of the drawer's row that the readings fill.
func (g Gain) cells() map[string]string {
	return map[string]string{
		"hfe": fmt.Sprintf("%.0f", g.HFE), "hfe_at": plain(float64(g.IC)*1e3, "mA"), "hfe_vce": plain(float64(g.VCE), "V"),
		"hfe_error": plain(math.Ceil(float64(g.Error())*1000)/10, "%"),
	}
}
