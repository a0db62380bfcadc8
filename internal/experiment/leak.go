package experiment

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"fettle/internal/build"
	"fettle/internal/circuit"
	"fettle/internal/device"
	"fettle/internal/finding"
	"fettle/internal/meter"
	"fettle/internal/parts"
	"fettle/internal/unit"
)

// What the card of a leak counts with (common practice, no source).
const (
	inputDoubt             = 0.05      // of a declared input resistance
	inputLeast, inputMost  = 1e6, 11e6 // Ω, of one that is not declared: hand meters have 1, 10 or 11 MΩ
	pullupLoad             = 47e3      // Ω, near a pull-up's own
	usualChip              = "ATtiny85"
	boardLeast, boardClean = 1e6, 100e6 // Ω between two nets: below the one flux or wet, above the other clean
	boardMost              = 10e9
	inputTold              = 0.2 // relative half width within which an input resistance is worth writing down
)

// Leak is the card of what little current something lets through, the voltmeter being the load.
type Leak struct {
	kit
	Name string

	meterName string
	of        *build.Meter
	sheet     [3]float64 // Ω of a pull-up or board, A of a part: least, typical, most
	source    string     // of the sheet's figures
	load      Rung       // across the meter; 0: none
	through   Rung       // to find the meter's own input resistance
	bjt       *device.BJTSpread
	mosfet    *device.MOSFETSpread
}

// setLeak picks what is looked at: "pull-up" (also assumed) or "reset" of the build's chip, "board", or a transistor.
func setLeak(b Bench) (Card, error) {
	c := &Leak{kit: kit{Meter: b.spec(), drawer: b.Build.Drawer}, Name: cmp.Or(b.Subject, "pull-up"), meterName: b.Meter}
	c.of, _ = b.Build.Meter(b.Meter)
	c.through = c.near(1e6)
	switch name := strings.ToLower(c.Name); name {
	case "pull-up", "pullup", "reset":
		chip := usualChip
		for _, d := range b.Build.Decoders {
			if d.Chip.Part.Text != "" {
				chip = d.Chip.Part.Text
				break
			}
		}
		p, ok := b.Build.Catalogue.Chip(chip)
		if !ok {
			return nil, noPart(b, "chip", chip, parts.KindChip)
		}
		c.Name, c.sheet = "pull-up", [3]float64{float64(p.PullupMin), float64(p.PullupTyp), float64(p.PullupMax)}
		if name == "reset" {
			c.Name, c.sheet = "reset", [3]float64{float64(p.ResetPullupMin), math.NaN(), float64(p.ResetPullupMax)}
		}
		if math.IsNaN(c.sheet[0]) || math.IsNaN(c.sheet[2]) {
			return nil, fmt.Errorf("nothing is known of the pull-up of %s", chip)
		}
		if math.IsNaN(c.sheet[1]) {
			c.sheet[1] = math.Sqrt(c.sheet[0] * c.sheet[2])
		}
		c.source, c.load = p.Name+", by the sheets of its family", c.near(pullupLoad)
		c.missing([]Rung{c.load})
		return c, nil
	case "board":
		c.Name, c.sheet, c.source = "board", [3]float64{boardLeast, boardClean, boardMost}, "common practice, no source"
		return c, nil
	}
	if p, ok := b.Build.Catalogue.BJT(c.Name); ok {
		s, err := device.SpreadBJT(p)
		if err != nil {
			return nil, err
		}
		c.Name, c.bjt, c.source = p.Name, s, p.Source
		c.sheet = [3]float64{float64(s.At([]float64{0, 0, 0, -1}).ICBO), float64(s.At(nil).ICBO), float64(s.At([]float64{0, 0, 0, 1}).ICBO)}
	} else if p, ok := b.Build.Catalogue.MOSFET(c.Name); ok {
		s, err := device.SpreadMOSFET(p)
		if err != nil {
			return nil, err
		}
		c.Name, c.mosfet, c.source = p.Name, s, p.Source
		c.sheet = [3]float64{float64(s.At([]float64{0, 0, -1}).IDSS), float64(s.At(nil).IDSS), float64(s.At([]float64{0, 0, 1}).IDSS)}
	} else {
		err := noPart(b, "transistor", c.Name, parts.KindMOSFET, parts.KindTransistor)
		return nil, fmt.Errorf("%w; the card also takes pull-up, reset and board", err)
	}
	c.inDrawer(c.Name)
	return c, nil
}

// resistive reports whether the subject is looked at as a resistance, not as a current.
func (c *Leak) resistive() bool { return c.bjt == nil && c.mosfet == nil }

// Title and Subject name what is looked at.
func (c *Leak) Title() string {
	switch c.Name {
	case "pull-up":
		return "Pull-up of a pin"
	case "reset":
		return "Pull-up of the reset pin"
	case "board":
		return "Leakage of a board"
	}
	return "Leakage of " + c.Name
}
func (c *Leak) Subject() string { return c.Name }

// Terms are the supply, the meter's own input through a resistor, and the subject with the meter alone or with a resistor
// across it as the load.
func (c *Leak) Terms() []Term {
	const where = "on a 5 V supply"
	volts := Term{Dim: unit.Voltage, Low: -0.05, High: 6, Where: where}
	supply, through, over, alone := volts, volts, volts, volts
	supply.Word, supply.Low, supply.High, supply.Ask = "supply", 4, 6, []string{"supply"}
	through.Word, through.Name, through.Of, through.Least, through.Most, through.Ask = "through", "resistor", &unit.Resistance, 10e3, 22e6, []string{"through " + typed(c.through.R)}
	over.Word, over.Name, over.Of, over.Least, over.Most = "over", "resistor", &unit.Resistance, 1e3, 22e6
	alone.Word = "alone"
	if c.load.R > 0 {
		over.Ask = []string{"over " + typed(c.load.R)}
	} else {
		alone.Ask = []string{"alone"}
	}
	return []Term{supply, through, over, alone}
}

// leakBench is the circuit: supply, subject, and the meter as the load.
type leakBench struct {
	s                     *circuit.Solver
	supply, subject, load circuit.Elem
	out                   circuit.Node
	sign                  float64
}

// bench wires the subject, or, plain, a resistor in its place.
func (c *Leak) bench(plain bool) (*leakBench, error) {
	n := circuit.New()
	plus, out := n.Node("plus"), n.Node("probe")
	b := &leakBench{out: out, sign: 1}
	switch {
	case !plain && c.bjt != nil: // base joined to emitter
		q := c.bjt.At(nil)
		if q.PNP {
			b.sign = -1
		}
		b.subject = n.BJT(c.Name, plus, out, out, q)
	case !plain && c.mosfet != nil: // gate joined to source
		q := c.mosfet.At(nil)
		if q.P {
			b.sign = -1
		}
		b.subject = n.MOSFET(c.Name, plus, out, out, q)
	default:
		b.subject = n.Resistor(c.Name, plus, out, 1e6)
	}
	b.supply = n.Voltage("supply", plus, 0, unit.Volt(b.sign*nominalSupply))
	b.load = n.Resistor("meter", out, 0, 1e6)
	s, err := circuit.Compile(n)
	if err != nil {
		return nil, err
	}
	s.SetTemperature(standing)
	b.s = s
	return b, nil
}

// at is the voltage across the load; NaN where the circuit was not solved.
func (b *leakBench) at(supply, load float64) float64 {
	b.s.SetVoltage(b.supply, unit.Volt(b.sign*supply))
	b.s.SetResistance(b.load, unit.Ohm(load))
	if sol := b.s.Solve(); sol.Status != circuit.Solved {
		return math.NaN()
	}
	return b.sign * float64(b.s.V(b.out))
}

// declared reports whether the build file gives the range's input resistance.
func (c *Leak) declared(r meter.RangeSpec) bool {
	i := rangeIndex(c.of, r)
	return i >= 0 && c.of.Ranges[i].Input.IsSet()
}

// input draws the meter's input resistance on a range.
func (c *Leak) input(r meter.RangeSpec, even float64) float64 {
	if c.declared(r) {
		return float64(r.Input) * (1 + inputDoubt*even)
	}
	return inputLeast * math.Pow(inputMost/inputLeast, (even+1)/2)
}

func parallel(a, b float64) float64 {
	if b == 0 {
		return a
	}
	return a * b / (a + b)
}

// predict is what the meter shows of the subject as its sheet has it, over a load resistor (0: the meter alone).
func (c *Leak) predict(over float64) (mid, low, high float64, err error) {
	b, err := c.bench(false)
	if err != nil {
		return 0, 0, 0, err
	}
	m, l, h := foresee(1, func(even func() float64) []float64 {
		z := even()
		switch {
		case c.bjt != nil:
			b.s.SetBJT(b.subject, c.bjt.At([]float64{0, 0, 0, z}))
		case c.mosfet != nil:
			b.s.SetMOSFET(b.subject, c.mosfet.At([]float64{0, 0, z}))
		case z < 0:
			b.s.SetResistance(b.subject, unit.Ohm(c.sheet[1]*math.Pow(c.sheet[0]/c.sheet[1], -z)))
		default:
			b.s.SetResistance(b.subject, unit.Ohm(c.sheet[1]*math.Pow(c.sheet[2]/c.sheet[1], z)))
		}
		return []float64{c.show(b, over, even)}
	})
	return m[0], l[0], h[0], nil
}

// show solves with supply, load and meter drawn.
func (c *Leak) show(b *leakBench, over float64, even func() float64) float64 {
	supply, tol, in, gain, slack := nominalSupply+supplySpread*even(), even(), even(), even(), even()
	r := c.rangeFor(meter.DCVoltage, nominalSupply)
	v := b.at(supply, parallel(c.input(r, in), over*(1+usualTolerance*tol)))
	r = c.rangeFor(meter.DCVoltage, v)
	return max(0, shows(r, v, float64(r.Gain)*gain)+r.Slack()*slack)
}

// A Leaked is what the readings say: a resistance or a current, and perhaps the meter's own input resistance.
type Leaked struct {
	Known         bool
	At, Low, High float64 // Ω, or A; Low is 0 where the meter tells nothing from nothing (a current), High +Inf (a resistance)
	V             float64 // across the subject
	Over, Shown   float64 // the reading that tells most: its load resistor, what was shown
	Input         float64 // Ω; 0: not read
	InLow, InHigh float64
	InRange       meter.RangeSpec
	AssumedInput  bool // neither read nor declared
	Below         bool // nothing was told from nothing
}

// Infer computes the subject from each reading outright, over the whole box of what is unknown: the meter's gain errors, common
// to the readings of a range, its digits and input resistance, the resistors, the supply.
func (c *Leak) Infer(readings []Reading) (l Leaked, err error) {
	supply := math.NaN()
	var through *Reading
	for i, r := range readings {
		switch r.Word {
		case "supply":
			supply = r.Value
		case "through":
			through = &readings[i]
		}
	}
	tolerance := func(r float64) float64 { return float64(c.take(unit.Ohm(r)).Tolerance) }
	feed := func(g *gains) float64 {
		if math.IsNaN(supply) {
			return nominalSupply + 2*supplySpread*g.even()
		}
		return g.draw(c.rangeFor(meter.DCVoltage, supply), supply)
	}
	own := func(g *gains, e float64) float64 {
		v := g.draw(c.rangeFor(meter.DCVoltage, through.Value), through.Value)
		if r := through.At * (1 + tolerance(through.At)*g.even()) * v / (e - v); v > 0 && v < e {
			return r
		}
		return math.NaN()
	}
	if through != nil {
		l.InRange = c.rangeFor(meter.DCVoltage, through.Value)
		l.Input, l.InLow, l.InHigh = between(func(even func() float64) float64 { g := gains{even: even}; return own(&g, feed(&g)) })
		if !(l.Input > 0) {
			return l, fmt.Errorf("through %v the meter shows %v, all of the supply: a resistor nearer its own input resistance is wanted, %v or more", unit.Ohm(through.At), unit.Volt(through.Value), unit.Ohm(10*through.At))
		}
	}
	type one struct{ at, low, high, over, shown, v float64 }
	var all []one
	for _, r := range readings {
		if r.Word != "over" && r.Word != "alone" {
			continue
		}
		m := c.rangeFor(meter.DCVoltage, r.Value)
		l.AssumedInput = l.AssumedInput || through == nil && !c.declared(m) && r.Word == "alone"
		subject := func(even func() float64) float64 {
			g := gains{even: even}
			e := feed(&g)
			in := c.input(m, g.even())
			if through != nil {
				if x := own(&g, e); !math.IsNaN(x) {
					in = x
				}
			}
			v := max(0, g.draw(m, r.Value))
			i := v / parallel(in, r.At*(1+tolerance(r.At)*g.even()))
			if !c.resistive() {
				return i
			}
			if i == 0 {
				return math.MaxFloat64
			}
			return max(0, (e-v)/i)
		}
		x := one{over: r.At, shown: r.Value}
		x.at, x.low, x.high = between(subject)
		top := cmp.Or(supply, nominalSupply)
		if math.IsNaN(top) {
			top = nominalSupply
		}
		x.v = top - m.Corrected(r.Value)
		if m.Corrected(r.Value) <= m.Slack() { // nothing told from nothing: only one side is known
			if c.resistive() {
				x.high = math.Inf(1)
			} else {
				x.low = 0
			}
		}
		all = append(all, x)
	}
	if len(all) == 0 {
		return l, nil
	}
	width := func(x one) float64 {
		if x.low == 0 || math.IsInf(x.high, 1) {
			return math.Inf(1)
		}
		return x.high / x.low
	}
	slices.SortStableFunc(all, func(a, b one) int { return cmp.Compare(width(a), width(b)) })
	best := all[0]
	for _, x := range all[1:] {
		if x.low > best.high || x.high < best.low {
			return l, fmt.Errorf("the readings contradict each other: %v across %s says %s to %s, %v across %s %s to %s; one load or one reading is another", unit.Volt(best.shown), c.loadOf(best.over), c.say(best.low), c.say(best.high),
				unit.Volt(x.shown), c.loadOf(x.over), c.say(x.low), c.say(x.high))
		}
	}
	l.Known, l.At, l.Low, l.High, l.V, l.Over, l.Shown = true, best.at, best.low, best.high, best.v, best.over, best.shown
	l.Below = width(best) == math.Inf(1)
	return l, nil
}

func (c *Leak) loadOf(over float64) string {
	if over == 0 {
		return "the meter alone"
	}
	return unit.Ohm(over).String()
}

func (c *Leak) say(x float64) string {
	if c.resistive() {
		if x > 1e13 {
			return "no end"
		}
		return unit.Ohm(round(x, 3)).String()
	}
	return unit.Amp(round(x, 3)).String()
}

// learned: a MOSFET's leakage goes into the drawer, the meter's input resistance into the build file.
func (c *Leak) learned(l Leaked) (out Learned, notes []finding.Note) {
	var words []string
	if l.Input > 0 {
		text := typed(unit.Ohm(round(l.Input, 3)))
		i := rangeIndex(c.of, l.InRange)
		switch {
		case l.InHigh/l.InLow > (1+inputTold)/(1-inputTold):
			notes = append(notes, finding.Note{Kind: "reading", Text: "the meter's input resistance is too loosely known to be written down: read the supply with the same meter, and use a resistor near the input resistance itself"})
		case i < 0:
			notes = append(notes, finding.Note{Kind: "input", Text: fmt.Sprintf("the build file does not describe this range of the meter: give it a range block with input = %q", text)})
		default:
			out.Edits = []build.Edit{{Path: []string{"meter", c.meterName, "range", fmt.Sprint(i + 1)}, Attr: "input", Value: text}}
			words = append(words, "input "+text)
		}
	}
	if l.Known && c.mosfet != nil {
		cell := fmt.Sprintf("%s: %s", plain(l.V, "V"), plain(l.At*1e9, "nA"))
		if l.Below {
			cell = "< " + plain(roundUp(l.High*1e9, 2), "nA")
		}
		if l.High >= 1e-10 && l.High <= 1e-3 {
			out.Part, out.Cells = c.Name, map[string]string{"idss_measured": cell}
			words = append(words, "IDSS "+cell)
		}
	}
	out.Words = strings.Join(words, "; ")
	return out, notes
}

// how says how to wire it.
func (c *Leak) how() []string {
	switch c.Name {
	case "pull-up", "reset":
		pin, first := "pin", "the pin an input with its pull-up on: that takes firmware; the reset pin's (experiment leak reset) needs none."
		if c.Name == "reset" {
			pin, first = "reset pin", "nothing else on its reset pin."
		}
		return []string{"The chip on its own, fed with 5 V and 100 nF across it, " + first,
			fmt.Sprintf("%v from the %s to minus; the meter on DC volts across it. Write over %v = what it shows.", c.load.R, pin, c.load.R)}
	case "board":
		return []string{"The board without supply, chip and vehicle; the two nets that should have nothing in common.",
			"Plus of a 5 V supply to the one net, the meter on DC volts from the other to minus: the meter alone is the load. Write alone = what it shows."}
	}
	what, pnp := "Collector to plus, base and emitter joined", c.bjt != nil && c.bjt.At(nil).PNP
	if c.mosfet != nil {
		what, pnp = "Drain to plus, gate and source joined (first: an open gate catches what it likes)", c.mosfet.At(nil).P
	}
	what += "; the meter on DC volts from there to minus"
	if pnp {
		what = strings.NewReplacer("plus", "minus", "minus", "plus").Replace(what) + "; it shows minus, write it without"
	}
	return []string{what + ". The meter alone is the load; write alone = what it shows.", "Touch nothing while it is read: a warm finger doubles the leakage, a damp one bridges it."}
}

// Findings is the card.
func (c *Leak) Findings(readings []Reading) (finding.Findings, Learned, error) {
	f := finding.Findings{Question: "experiment leak"}
	f.Notes = append(steps(append(c.how(), fmt.Sprintf("For the meter's own input resistance: plus through %v to the meter, nothing else. Write through %v = what it shows. Read the supply with the same meter.", c.through.R, c.through.R))...), c.Notes...)
	caution := "Unplugged from the track, the programmer off."
	if c.mosfet != nil || c.Name == "pull-up" || c.Name == "reset" {
		caution += " Touch minus before the pins: a gate or an input dies of what a hand carries."
	}
	f.Cautions = append(f.Cautions, firstPower(caution))

	var l Leaked
	var learned Learned
	if len(readings) > 0 {
		var err error
		if l, err = c.Infer(readings); err != nil {
			return f, Learned{}, err
		}
		if !l.Known && l.Input == 0 {
			return f, Learned{}, fmt.Errorf("the supply alone tells nothing: \"over 47k = 2.87 V\", \"alone = 12 mV\" or \"through 1M = 2.49 V\" is wanted")
		}
		var notes []finding.Note
		learned, notes = c.learned(l)
		f.Notes = append(f.Notes, notes...)
	}
	load := float64(c.load.R)
	if l.Known {
		load = l.Over
	}
	mid, low, high, err := c.predict(load)
	if err != nil {
		return f, Learned{}, err
	}
	shown := math.NaN()
	if l.Known {
		shown = l.Shown
	}
	t := finding.Table{ID: "leak.shown", Title: "across " + c.loadOf(load) + ", as the meter will show it", Columns: columns("load")}
	nominal := parallel(float64(input(c.rangeFor(meter.DCVoltage, nominalSupply))), load)
	t.Rows = append(t.Rows, row(nominal, unit.SymOhm, mid, low, high, shown, unit.SymVolt, 3))
	f.Tables = append(f.Tables, t)
	c.values(&f, l)
	fig, err := c.figure(load, l)
	if err != nil {
		return f, Learned{}, err
	}
	f.Figures = append(f.Figures, fig)
	return f, learned, nil
}

// values are what was found, held against what there should be.
func (c *Leak) values(f *finding.Findings, l Leaked) {
	const method = "the reading, over all that meter, resistors and supply leave open"
	if l.Known {
		v := finding.Value{ID: "leak." + c.Name, Value: l.At, Low: l.Low, High: l.High, Sure: "95 %", Method: method}
		if l.Below {
			v.Sure = "95 %, one side: the meter tells nothing from nothing"
		}
		if c.resistive() {
			v.Name, v.Unit = "resistance of the "+c.Name, unit.SymOhm
			v.Reason = fmt.Sprintf("%s: %v to %v", c.source, unit.Ohm(c.sheet[0]), unit.Ohm(c.sheet[2]))
		} else {
			v.Name, v.Unit = fmt.Sprintf("leakage of this %s at %v", c.Name, unit.Volt(round(l.V, 2))), unit.SymAmp
			v.Reason = fmt.Sprintf("its sheet allows %v at 25 °C", unit.Amp(round(c.sheet[2], 3)))
		}
		if math.IsInf(v.High, 1) || v.Value > 1e13 {
			v.Value, v.High = v.Low, math.NaN()
			v.Name += ", at least"
		}
		f.Values = append(f.Values, v)
		if s := c.judge(l); s != "" {
			f.Notes = append(f.Notes, finding.Note{Kind: "reading", Text: s})
		}
		if l.AssumedInput {
			f.Notes = append(f.Notes, finding.Note{Kind: "input", Text: fmt.Sprintf("the build file says nothing of the meter's input resistance, so that anything from %v to %v was allowed for it: the through reading would narrow the result by far", unit.Ohm(inputLeast), unit.Ohm(inputMost))})
		}
	}
	if l.Input > 0 {
		f.Values = append(f.Values, finding.Value{ID: "leak.input", Name: "input resistance of the meter", Value: l.Input, Low: l.InLow, High: l.InHigh, Unit: unit.SymOhm, Sure: "95 %", Method: method, Reason: "the through reading"})
	}
}

// judge says in words what the result means.
func (c *Leak) judge(l Leaked) string {
	switch {
	case c.Name == "board":
		switch {
		case l.High < boardLeast:
			return fmt.Sprintf("%s between two nets that have nothing in common: a bridge, flux or moisture; clean and dry the board, look again", c.say(l.At))
		case l.Low > boardClean/10:
			return "clean: what leaks is far below what any input of the decoder minds"
		}
		return "between clean and dirty: wash off the flux, dry it, read again"
	case c.resistive():
		switch {
		case l.Low > c.sheet[2]:
			return fmt.Sprintf("weaker than any sound one (%v at most): not switched on, a worn contact, or a damaged pin", unit.Ohm(c.sheet[2]))
		case l.High < c.sheet[0]:
			return fmt.Sprintf("stronger than any sound one (%v at least): something else pulls the pin up, or it is driven", unit.Ohm(c.sheet[0]))
		}
		return "as its sheet has it"
	case l.Low > c.sheet[2]:
		return fmt.Sprintf("it leaks more than its sheet allows (%v): damaged, another part, turned round, warm, or dirt across it", unit.Amp(round(c.sheet[2], 3)))
	case l.High <= c.sheet[2]:
		return "no more than its sheet allows"
	}
	return "whether it leaks more than its sheet allows the reading leaves open"
}

// figure is what the meter shows over what there may be.
func (c *Leak) figure(over float64, l Leaked) (finding.Figure, error) {
	b, err := c.bench(true)
	if err != nil {
		return finding.Figure{}, err
	}
	nominal := parallel(float64(input(c.rangeFor(meter.DCVoltage, nominalSupply))), over)
	low, high := c.sheet[0]/4, c.sheet[2]*4
	axis := finding.Axis{Quantity: "resistance", Unit: unit.SymOhm, Log: true}
	band := finding.Band{Label: "as the sheet has it", From: c.sheet[0], To: c.sheet[2], Vertical: true, Good: true}
	if c.Name == "board" {
		band = finding.Band{Label: "dirty", From: 0, To: boardLeast, Vertical: true}
		low = boardLeast / 30
	}
	if !c.resistive() {
		axis.Quantity, axis.Unit = "leakage", unit.SymAmp
		low, high = c.sheet[2]/300, c.sheet[2]*30
		band = finding.Band{Label: "more than the sheet allows", From: c.sheet[2], To: math.Inf(1), Vertical: true}
	}
	if l.Known {
		if l.At < 1e13 {
			low, high = min(low, l.At/2), max(high, l.At*2)
		}
	}
	var x, rs []float64
	for _, v := range logGrid(low, high, 41) {
		r := v
		if !c.resistive() { // the resistance that lets this current through
			if r = nominalSupply/v - nominal; r <= 0 {
				continue
			}
		}
		x, rs = append(x, v), append(rs, r)
	}
	mid, lo, hi := foresee(len(x), func(even func() float64) (out []float64) {
		var drawn []float64 // the same draw for the whole curve
		k := 0
		again := func() float64 {
			if k == len(drawn) {
				drawn = append(drawn, even())
			}
			k++
			return drawn[k-1]
		}
		for _, r := range rs {
			k = 0
			b.s.SetResistance(b.subject, unit.Ohm(r))
			out = append(out, c.show(b, over, again))
		}
		return out
	})
	y := finding.Axis{Quantity: "shown across " + c.loadOf(over), Unit: unit.SymVolt}
	if !c.resistive() {
		y.Log, y.Low, y.High = true, mid[0]/2, 10
	}
	fig := finding.Figure{ID: "leak", Title: strings.ToLower(c.Title()[:1]) + c.Title()[1:], X: axis, Y: y,
		Curves: []finding.Curve{{Label: "typical", X: x, Y: mid}}, Shades: []finding.Shade{{Label: "95 % of meters and resistors", X: x, Low: lo, High: hi, Curve: 0}}, Bands: []finding.Band{band},
		Caption: "Supply, subject and load are a divider: it tells most where the subject is near the load.",
	}
	if l.Known && l.At < 1e13 {
		r := c.rangeFor(meter.DCVoltage, l.Shown)
		yl, yh := r.Interval(l.Shown)
		fig.Points = []finding.Points{{Label: "read", X: []float64{l.At}, XLow: []float64{max(l.Low, low)}, XHigh: []float64{min(l.High, high)}, Y: []float64{r.Corrected(l.Shown)}, YLow: []float64{max(0, yl)}, YHigh: []float64{yh}}}
	}
	return fig, nil
}
