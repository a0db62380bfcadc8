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
	nominalSupply    = 5.0   // V
	supplySpread     = 0.25  // V, one deviation of a supply that was not measured (common practice, no source: ±10 %)
	nominalCollector = 1e3   // Ω
	usualTolerance   = 0.05  // of a resistor whose tolerance nobody states
	tolerable        = 0.95  // of the supply: above that the transistor is off and tells nothing of its gain
	most             = 20    // relative width of the prior of the gain: the data decide
	saturated        = 0.5   // V: below that a reading tells of saturation, not of gain
	junctionSpread   = 0.05  // V, one deviation of VBE (sheets that give limits: ±0.06 V)
	shapeSpread      = 0.02  // of the gain at each reading: this part's curve over the current is not quite the sheet's (assumed)
	bendShare        = 0.2   // of the base current at the middle reading that grows with the root of IC; and its deviation (from memory)
	usualGain        = 150.0 // where the search begins
	settled          = 0.01  // deviations from the best fit that do not matter
	draws            = 120   // samples of the prediction
	standing         = 298.15
)

// wanted is the ladder: base resistors from hard drive to hardly any (E12).
var wanted = []unit.Ohm{2.2e3, 10e3, 47e3, 100e3, 150e3, 220e3, 330e3, 470e3, 680e3, 1e6}

// A Reading is what the meter showed: of the collector with a base resistor in place (Base), or of a part of the set-up
// itself (What: "supply", "collector").
type Reading struct {
	Text  string
	What  string
	Base  unit.Ohm
	Value float64 // V, or Ω for the collector resistor
}

// BaseDrive is the card, set up for one transistor.
type BaseDrive struct {
	Part      parts.BJT
	Meter     meter.Spec
	Collector unit.Ohm
	RCspread  unit.Ratio // its tolerance
	Ladder    []Rung
	Notes     []finding.Note

	sheet *device.BJTSpread
	spare bool // the part lies in the drawer
}

// A Rung is one base resistor.
type Rung struct {
	R         unit.Ohm
	Tolerance unit.Ratio
	Have      bool // in the drawer
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

// NewBaseDrive sets the card up with what the drawer holds.
func NewBaseDrive(p parts.BJT, d *parts.Drawer, m meter.Spec) (*BaseDrive, error) {
	sheet, err := device.SpreadBJT(p)
	if err != nil {
		return nil, err
	}
	c := &BaseDrive{Part: p, Meter: m, sheet: sheet}
	c.Collector, c.RCspread = nominalCollector, usualTolerance
	if rung := take(d, nominalCollector); rung.Have {
		c.RCspread = rung.Tolerance
	} else {
		c.note("drawer", "the drawer has no %v; a common ±5 %% one is supposed", unit.Ohm(nominalCollector))
	}
	if d != nil {
		_, c.spare = d.Have(p.Name)
	}
	if !c.spare {
		c.note("drawer", "%s is not in the drawer; the card is set up for it all the same", p.Name)
	}
	var missing string
	for _, r := range wanted {
		rung := take(d, r)
		if !rung.Have {
			if missing != "" {
				missing += ", "
			}
			missing += r.String()
		}
		c.Ladder = append(c.Ladder, rung)
	}
	if missing != "" {
		c.note("drawer", "not in the drawer: %s; common ±5 %% ones are supposed (leave those steps out where there are none, or join smaller ones in series and write their sum)", missing)
	}
	return c, nil
}

func take(d *parts.Drawer, r unit.Ohm) Rung {
	rung := Rung{R: r, Tolerance: usualTolerance}
	if d == nil {
		return rung
	}
	for _, s := range d.Resistors("") {
		if math.Abs(float64(s.R/r)-1) < 1e-6 {
			return Rung{R: r, Tolerance: unit.Or(s.Tolerance, usualTolerance), Have: true}
		}
	}
	return rung
}

func (c *BaseDrive) note(kind, format string, args ...any) {
	c.Notes = append(c.Notes, finding.Note{Kind: kind, Text: fmt.Sprintf(format, args...)})
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

func (c *BaseDrive) rangeFor(f meter.Function, x float64) meter.RangeSpec {
	if r, ok := c.Meter.Range(f, x); ok {
		return r
	}
	r, _ := meter.Cheap().Range(f, x)
	return r
}

func input(r meter.RangeSpec) unit.Ohm {
	if unit.Known(r.Input) && r.Input > 0 {
		return r.Input
	}
	return 10e6
}

// Predict is what the meter will show at each base resistor: with the typical part, and the spread of 95 % of what sheet,
// tolerances and meter allow.
func (c *BaseDrive) Predict(rb []unit.Ohm) (mid, low, high []float64, err error) {
	b, err := c.bench(c.sheet.At(nil))
	if err != nil {
		return nil, nil, nil, err
	}
	law := newStream(1)
	all := make([][]float64, len(rb))
	for k := range draws + 1 {
		z := [4]float64{}
		supply, rc, gain, slack, tol := nominalSupply, c.Collector, 0.0, 0.0, 0.0
		if k > 0 {
			z = [4]float64{law.even(), law.even(), law.even(), law.even()}
			supply += supplySpread * law.even()
			rc *= unit.Ohm(1 + float64(c.RCspread)*law.even())
			gain, slack, tol = law.even(), law.even(), law.even()
		}
		b.s.SetBJT(b.q, c.sheet.At(z[:]))
		for i, r := range rb {
			m := c.rangeFor(meter.DCVoltage, nominalSupply)
			v := b.vce(supply, rc, r*unit.Ohm(1+usualTolerance*tol), input(m))
			m = c.rangeFor(meter.DCVoltage, v)
			v = v*(1+float64(m.Gain)*gain) + m.Slack()*slack
			if k == 0 {
				mid = append(mid, v)
			} else {
				all[i] = append(all[i], v)
			}
		}
	}
	for _, vs := range all {
		slices.Sort(vs)
		low, high = append(low, vs[draws/40]), append(high, vs[draws-1-draws/40])
	}
	return mid, low, high, nil
}

// Infer finds the gain. The unknowns are fitted together by least squares against the circuit: the gain, the supply, what
// is left open of VBE and VCE(sat), the resistors within their tolerances and the gain errors of the meter's ranges, which
// are common to all readings of a range and largely cancel. Bounded unknowns enter as normal laws of the same deviation.
func (c *BaseDrive) Infer(readings []Reading) (Gain, error) {
	var taken []Reading
	supply, collector := math.NaN(), math.NaN()
	for _, r := range readings {
		switch r.What {
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
		if r.What == "" && r.Value > saturated && r.Value < tolerable*top {
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
	// Parameters: ln hFE, supply, VBE, collector resistor, share of the bend, then the base resistors, then the meter's ranges.
	names := []string{"gain", "supply", "VBE", "collector resistor", "bend"}
	prior := []fit.Prior{{Param: 0, Mean: math.Log(usualGain), Sigma: math.Log(most)}, {Param: 1, Mean: nominalSupply, Sigma: supplySpread}, {Param: 2, Sigma: junctionSpread},
		{Param: 3, Sigma: float64(c.RCspread) / math.Sqrt(3)}, {Param: 4, Mean: bendShare, Sigma: bendShare}}
	start := []float64{math.Log(usualGain), top, 0, 0, bendShare}
	lower := []float64{0, 0.5, -0.3, -0.5, 0}
	upper := []float64{10, 50, 0.3, 0.5, 0.8}
	widths := []float64{0.1, 0.1, 0.03, 0.03, 0.1}
	unknown := func(name string, sigma float64) int {
		names, start = append(names, name), append(start, 0)
		lower, upper = append(lower, -0.5), append(upper, 0.5)
		widths = append(widths, sigma)
		prior = append(prior, fit.Prior{Param: len(start) - 1, Sigma: sigma})
		return len(start) - 1
	}
	resistor := map[unit.Ohm]int{}
	for _, r := range taken {
		if _, ok := resistor[r.Base]; !ok {
			tol := unit.Ratio(usualTolerance)
			for _, g := range c.Ladder {
				if g.R == r.Base {
					tol = g.Tolerance
				}
			}
			resistor[r.Base] = unknown("base resistor "+r.Base.String(), math.Hypot(float64(tol)/math.Sqrt(3), shapeSpread))
		}
	}
	scale := map[meter.RangeSpec]int{}
	rangeOf := func(f meter.Function, v float64) meter.RangeSpec {
		m := c.rangeFor(f, v)
		if _, ok := scale[m]; !ok {
			scale[m] = unknown("meter's "+string(f)+" range", float64(m.Gain)/math.Sqrt(3))
		}
		return m
	}
	type row struct {
		m     meter.RangeSpec
		sigma float64
	}
	noise := func(m meter.RangeSpec) float64 { return math.Hypot(m.Sigma(), m.Resolution/math.Sqrt(12)) }
	var rows []row
	for _, r := range taken {
		m := rangeOf(meter.DCVoltage, r.Value)
		rows = append(rows, row{m, noise(m)})
	}
	n := len(taken)
	var ms, mc meter.RangeSpec
	if !math.IsNaN(supply) {
		ms = rangeOf(meter.DCVoltage, supply)
		n++
	}
	if !math.IsNaN(collector) {
		mc = rangeOf(meter.Resistance, collector)
		n++
	}
	pr := fit.Problem{
		Names: names, N: n, Lower: lower, Upper: upper, Scale: widths, Prior: prior, KnownSigma: true,
		Residuals: func(p, res []float64) {
			rc := c.Collector * unit.Ohm(1+p[3])
			b.s.SetBJT(b.q, c.with(math.Exp(p[0]), middle, p[4], p[2]))
			for i, r := range taken {
				m := rows[i].m
				v := b.vce(p[1], rc, r.Base*unit.Ohm(1+p[resistor[r.Base]]), input(m))
				res[i] = (v*(1+p[scale[m]]) - r.Value) / rows[i].sigma
			}
			k := len(taken)
			if !math.IsNaN(supply) {
				res[k] = (p[1]*(1+p[scale[ms]]) - supply) / noise(ms)
				k++
			}
			if !math.IsNaN(collector) {
				res[k] = (float64(rc)*(1+p[scale[mc]]) - collector) / noise(mc)
			}
		},
	}
	found := fit.Solve(pr, start, fit.Settings{Seed: 1, Retries: 4})
	if found.Status != fit.Converged && found.Offset > settled {
		return Gain{}, fmt.Errorf("the readings could not be fitted: %v (%s)", found.Status, found.Why)
	}
	g := Gain{Fit: found}
	for _, r := range found.Residuals[:n] {
		g.Misfit = max(g.Misfit, math.Abs(r))
	}
	rc := float64(c.Collector) * (1 + found.P[3])
	g.IC, g.VCE = unit.Amp(middle), unit.Volt(found.P[1]-middle*rc)
	h, _, ok := c.with(math.Exp(found.P[0]), middle, found.P[4], found.P[2]).Active(g.IC, g.VCE, standing)
	if !ok {
		return Gain{}, fmt.Errorf("at %v the fitted transistor has no gain", g.IC)
	}
	// Joint samples of the fit, and what is allowed for the circuit's own assumptions (temperature, the Early voltage of the class).
	const model, count = 0.025, 500
	var spread []float64
	for _, p := range found.Samples(count, 1) {
		if x, _, ok := c.with(math.Exp(p[0]), middle, p[4], p[2]).Active(g.IC, g.VCE, standing); ok {
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
		return unit.Ohm(hfe * rc * (found.P[1] - 0.7) / (found.P[1] - 0.15))
	}
	g.Knee, g.KneeLow, g.KneeHigh = knee(g.HFE), knee(g.Low), knee(g.High)
	return g, nil
}

// Error is the ± share that holds the interval.
func (g Gain) Error() unit.Ratio { return unit.Ratio(max(g.High/g.HFE-1, 1-g.Low/g.HFE)) }

// stream is a seeded row of numbers, even between −1 and 1.
type stream struct{ seed, n uint64 }

func newStream(seed uint64) *stream { return &stream{seed: seed} }
