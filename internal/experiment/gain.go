package experiment

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/meter"
	"fettle/internal/unit"
)

// What the card of a meter's gain counts with (common practice, no source).
const (
	burdenDoubt   = 0.2  // of a declared burden: fuse, leads and contacts are seldom those of the leaflet
	burdenGuess   = 0.5  // of one that is not declared
	gainKnown     = 0.9  // of the leaflet's bound: what leaves as much open teaches nothing
	gainWild      = 3.0  // leaflet's bounds: farther off, the standard is likelier wrong than the meter
	referenceVolt = 2.5  // V, a common reference
	referenceTol  = 1e-3 // and its tolerance
)

// MeterGain is the card of a meter against what is known.
type MeterGain struct {
	kit
	Name string

	of    *build.Meter // nil: the build file does not describe it
	leaf  meter.Spec   // by its leaflet, no error known
	plans []plan
}

// A plan is one standard and what the meter is to show of it.
type plan struct {
	f         meter.Function
	at        float64 // V, or Ω
	tolerance float64
	truth     [3]float64 // what there is to be shown: the middle and its bounds
	r         meter.RangeSpec
	shown     float64 // NaN: not read
}

// setMeterGain picks the meter: the one named, else that of the bench.
func setMeterGain(b Bench) (Card, error) {
	if b.Subject != "" {
		if _, ok := b.Build.Meter(b.Subject); !ok {
			var have []string
			for _, m := range b.Build.Meters {
				have = append(have, m.Name.Text)
			}
			if len(have) == 0 {
				return nil, fmt.Errorf("the build file declares no meter %q, and no other; without a name the card is of the ordinary hand meter", b.Subject)
			}
			return nil, fmt.Errorf("the build file declares no meter %q; there is %s", b.Subject, strings.Join(have, ", "))
		}
		b.Meter = b.Subject
	}
	c := &MeterGain{kit: kit{Meter: b.spec(), drawer: b.Build.Drawer}, Name: b.Meter, leaf: b.spec()}
	if m, ok := b.Build.Meter(b.Meter); ok {
		c.of = m
		plain := *m
		plain.Ranges = slices.Clone(m.Ranges)
		for i := range plain.Ranges {
			plain.Ranges[i].GainError, plain.Ranges[i].GainErrorWithin = build.Quantity[unit.Ratio]{}, build.Quantity[unit.Ratio]{}
		}
		c.leaf, _ = (&build.Build{Meters: []build.Meter{plain}}).MeterSpec(b.Meter)
	} else {
		c.Name = c.leaf.Name
	}
	for _, r := range c.leaf.Ranges {
		p := plan{f: r.Function, r: r, shown: math.NaN()}
		switch {
		case r.Function == meter.DCVoltage && r.Full >= referenceVolt && r.Full < 10*referenceVolt:
			p.at, p.tolerance = referenceVolt, referenceTol
		case r.Function == meter.DCCurrent && r.Full >= 0.5e-3 && r.Full <= 50e-3:
			g := c.near(nominalSupply / (0.7 * r.Full))
			p.at, p.tolerance = float64(g.R), float64(g.Tolerance)
		case r.Function == meter.Resistance && r.Full >= 1e3 && r.Full <= 1e6:
			g := c.near(0.7 * r.Full)
			p.at, p.tolerance = float64(g.R), float64(g.Tolerance)
		default:
			continue
		}
		p.truth = c.truth(p, nominalSupply, nominalSupply-2*supplySpread, nominalSupply+2*supplySpread)
		c.plans = append(c.plans, p)
	}
	c.note("drawer", "a standard must be known better than the meter: a 0.1 %% or 1 %% resistor, a reference of 0.1 %%. A ±5 %% resistor tells nothing of a meter that errs by 1 %%")
	return c, nil
}

// Title and Subject name the meter.
func (c *MeterGain) Title() string   { return "Gain error of the meter " + c.Name }
func (c *MeterGain) Subject() string { return c.Name }

// Terms are known resistors on the ohms range, known voltages, and currents through known resistors.
func (c *MeterGain) Terms() []Term {
	ask := map[meter.Function][]string{}
	for _, p := range c.plans {
		if p.f != meter.DCVoltage {
			ask[p.f] = append(ask[p.f], typed(unit.Ohm(p.at)))
		}
	}
	of := Term{Name: "known resistor", Of: &unit.Resistance, Least: 1, Most: 1e7, Within: true}
	ohm, amp := of, of
	ohm.Dim, ohm.Low, ohm.High, ohm.Where, ohm.Ask = unit.Resistance, 0.8, 1.25e7, "of such a resistor", ask[meter.Resistance]
	amp.Dim, amp.Low, amp.High, amp.Where, amp.Ask = unit.Current, 1e-7, 0.2, "through such a resistor on a small supply", ask[meter.DCCurrent]
	return []Term{
		{Word: "supply", Dim: unit.Voltage, Low: 1, High: 27, Where: "of a supply for this", Ask: []string{"supply"}},
		{Name: "reference voltage", Of: &unit.Voltage, Least: 0.01, Most: 60, Within: true, Stated: true, Dim: unit.Voltage, Low: -0.05, High: 75, Where: "of such a reference", Ask: []string{"2.5 V 0.1 %"}},
		ohm, amp,
	}
}

// truth is what there is to be shown of a standard: the middle and its bounds. Through a resistor flows, by Ohm's law, the
// supply's voltage over resistor and burden.
func (c *MeterGain) truth(p plan, supply, low, high float64) [3]float64 {
	least, most := p.at*(1-p.tolerance), p.at*(1+p.tolerance)
	if p.f != meter.DCCurrent {
		return [3]float64{p.at, least, most}
	}
	burden, doubt := float64(unit.Or(p.r.Burden, 0)), burdenGuess
	if i := rangeIndex(c.of, p.r); i >= 0 && c.of.Ranges[i].Burden.IsSet() {
		doubt = burdenDoubt
	}
	return [3]float64{supply / (p.at + burden), low / (most + burden*(1+doubt)), high / (least + burden*(1-doubt))}
}

// A GainFound is what the readings say of one range.
type GainFound struct {
	Range     meter.RangeSpec // by its leaflet
	Low, High float64         // the gain error lies between them
	Outside   bool            // of what the leaflet allows
	Wild      bool            // so far that the standard is doubted
	Teaches   bool            // it leaves clearly less open than the leaflet
	plans     []plan
}

// Mid and Within are the middle of the interval and its half width.
func (g GainFound) Mid() float64    { return (g.Low + g.High) / 2 }
func (g GainFound) Within() float64 { return (g.High - g.Low) / 2 }

// bounds of the gain error by one reading: the standard anywhere within its tolerance, the digits within theirs.
func (p plan) bounds() (low, high float64) {
	return (p.shown-p.r.Slack())/p.truth[2] - 1, (p.shown+p.r.Slack())/p.truth[1] - 1
}

// Infer finds the gain error of each range that was read. Everything is bounded, so that the error lies where all readings of
// the range and the leaflet allow it: the intervals are cut with one another, nothing is averaged, and standards of one batch
// may all err alike.
func (c *MeterGain) Infer(readings []Reading) ([]GainFound, error) {
	supply := math.NaN()
	var plans []plan
	for _, r := range readings {
		if r.Word == "supply" {
			supply = r.Value
			continue
		}
		p := plan{at: r.At, shown: r.Value}
		switch r.Unit {
		case unit.SymVolt:
			p.f = meter.DCVoltage
		case unit.SymAmp:
			p.f = meter.DCCurrent
		default:
			p.f = meter.Resistance
		}
		var ok bool
		if p.r, ok = c.leaf.Range(p.f, p.shown); !ok {
			return nil, fmt.Errorf("%s: the meter %s has no %s range that shows it; describe its ranges in the build file", r.Text, c.Name, p.f)
		}
		p.tolerance = float64(r.Within)
		if !unit.Known(r.Within) {
			p.tolerance = float64(c.take(unit.Ohm(r.At)).Tolerance)
		}
		plans = append(plans, p)
	}
	var out []GainFound
	add := func(p plan) error {
		low, high := p.bounds()
		k := slices.IndexFunc(out, func(g GainFound) bool { return g.Range == p.r })
		if k < 0 {
			out = append(out, GainFound{Range: p.r, Low: low, High: high, plans: []plan{p}})
			return nil
		}
		g := &out[k]
		if low > g.High || high < g.Low {
			return fmt.Errorf("the readings of the %s range up to %s contradict each other: %s would have it %s to %s off, the others %s to %s; one standard is not what it says, or was misread", p.f, unit.Format(p.r.Full, symbolOf(p.f), 3),
				unit.Format(p.at, standardOf(p.f), 3), share(low), share(high), share(g.Low), share(g.High))
		}
		g.Low, g.High, g.plans = max(g.Low, low), min(g.High, high), append(g.plans, p)
		return nil
	}
	for _, p := range plans { // voltages first: currents go by them
		if p.f != meter.DCCurrent {
			p.truth = c.truth(p, 0, 0, 0)
			if err := add(p); err != nil {
				return nil, err
			}
		}
	}
	settle := func(g *GainFound) {
		bound := float64(g.Range.Gain)
		low, high := max(g.Low, -bound), min(g.High, bound)
		if g.Outside = low > high; g.Outside {
			g.Wild = math.Min(math.Abs(g.Low), math.Abs(g.High)) > gainWild*bound
		} else {
			g.Low, g.High = low, high
		}
		g.Teaches = !g.Wild && g.Within() < gainKnown*bound
	}
	for i := range out {
		settle(&out[i])
	}
	first := len(out)
	for _, p := range plans {
		if p.f != meter.DCCurrent {
			continue
		}
		if math.IsNaN(supply) {
			return nil, fmt.Errorf("a current through a known resistor needs the voltage across resistor and meter: --reading \"supply = 5.02 V\", with the same meter")
		}
		r, ok := c.leaf.Range(meter.DCVoltage, supply)
		if !ok {
			return nil, fmt.Errorf("the meter %s has no dc voltage range that shows the supply's %v", c.Name, unit.Volt(supply))
		}
		low, high := c.rangeFor(meter.DCVoltage, supply).Interval(supply) // as the build file has it
		for _, g := range out[:first] {
			if g.Range == r && g.Teaches {
				low, high = (supply-r.Slack())/(1+g.High), (supply+r.Slack())/(1+g.Low)
			}
		}
		p.truth = c.truth(p, (low+high)/2, low, high)
		if err := add(p); err != nil {
			return nil, err
		}
	}
	for i := first; i < len(out); i++ {
		settle(&out[i])
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("nothing was held against a standard: the supply alone tells nothing of the meter")
	}
	return out, nil
}

func symbolOf(f meter.Function) string {
	switch f {
	case meter.DCVoltage:
		return unit.SymVolt
	case meter.DCCurrent:
		return unit.SymAmp
	}
	return unit.SymOhm
}

// standardOf is the unit of the standards of a function.
func standardOf(f meter.Function) string {
	if f == meter.DCVoltage {
		return unit.SymVolt
	}
	return unit.SymOhm
}

// rangeWords names a range, with plain spaces: "dc voltage up to 19.99 V".
func rangeWords(r meter.RangeSpec) string {
	return fmt.Sprintf("%s up to %s", r.Function, strings.ReplaceAll(unit.Format(r.Full, symbolOf(r.Function), 4), unit.ThinSpace, " "))
}

func share(x float64) string { return fmt.Sprintf("%+.2g %%", 100*x) }

// learned are the lines of the build file.
func (c *MeterGain) learned(found []GainFound) (l Learned, notes []finding.Note) {
	var words []string
	for _, g := range found {
		name := rangeWords(g.Range)
		if !g.Teaches {
			why := fmt.Sprintf("the readings leave ±%s open, the leaflet ±%v: a better standard, or a reading nearer the top of the range, would tell more", strings.TrimPrefix(share(g.Within()), "+"), g.Range.Gain)
			if g.Wild {
				why = fmt.Sprintf("%s to %s is far beyond the leaflet's ±%v: the standard is likelier another than it says; nothing is learned of it", share(g.Low), share(g.High), g.Range.Gain)
			}
			notes = append(notes, finding.Note{Kind: "reading", Text: name + ": " + why})
			continue
		}
		if g.Outside {
			notes = append(notes, finding.Note{Kind: "reading", Text: fmt.Sprintf("%s: beyond the leaflet's ±%v: a weak battery, a damaged meter, or a standard that is another than it says", name, g.Range.Gain)})
		}
		mid := math.Round(g.Mid()*1e4) / 1e4
		within := math.Ceil(max(g.High-mid, mid-g.Low)*1e4*(1-1e-9)) / 1e4
		text := [2]string{fmt.Sprintf("%g %%", math.Round(mid*1e4)/100), fmt.Sprintf("%g %%", math.Round(within*1e4)/100)}
		i := rangeIndex(c.of, g.Range)
		if i < 0 {
			notes = append(notes, finding.Note{Kind: "input", Text: fmt.Sprintf("%s: the build file does not describe this range, so that nothing can be written; give its meter a range block with gain_error = \"%s\" and gain_error_within = \"%s\"", name, text[0], text[1])})
			continue
		}
		for k, attr := range []string{"gain_error", "gain_error_within"} {
			l.Edits = append(l.Edits, build.Edit{Path: []string{"meter", c.Name, "range", fmt.Sprint(i + 1)}, Attr: attr, Value: text[k]})
		}
		words = append(words, fmt.Sprintf("%s shows %s too much, within %s", name, text[0], text[1]))
	}
	l.Words = strings.Join(words, "; ")
	return l, notes
}

// Findings is the card.
func (c *MeterGain) Findings(readings []Reading) (finding.Findings, Learned, error) {
	f := finding.Findings{Question: "experiment meter-gain"}
	f.Notes = steps(
		"Ohms: the known resistor between the probes, nothing else on it, fingers off; write 1k 0.1 % = 1.004 kΩ. On ranges of some ohms take off what the probes alone show.",
		"Volts: the reference's output against its minus; write 2.5 V 0.1 % = 2.51 V.",
		"Milliamperes: supply, meter and known resistor in series; then the same meter on volts across meter place and resistor together (a wire where the meter was); write 1k 0.1 % = 4.98 mA and supply = 5.02 V.",
		"A value near the top of a range tells most: the last digits weigh least there.",
	)
	f.Notes = append(f.Notes, c.Notes...)
	f.Cautions = append(f.Cautions, firstPower("A meter on milliamperes is a short: in series with the resistor only, never across a supply; put the knob and the lead back to volts after. Nothing is measured on ohms while it is fed."))

	plans := slices.Clone(c.plans)
	var found []GainFound
	var learned Learned
	if len(readings) > 0 {
		var err error
		if found, err = c.Infer(readings); err != nil {
			return f, Learned{}, err
		}
		for _, g := range found {
			plans = slices.DeleteFunc(plans, func(p plan) bool { return p.r == g.Range })
			plans = append(plans, g.plans...)
		}
		var notes []finding.Note
		learned, notes = c.learned(found)
		f.Notes = append(f.Notes, notes...)
	}
	t := finding.Table{ID: "meter-gain.standards", Title: "what a meter that keeps its leaflet shows", Columns: columns("standard")}
	for _, p := range plans {
		t.Rows = append(t.Rows, row(p.at, standardOf(p.f), p.truth[0], p.truth[1]-p.r.Bound(p.truth[1]), p.truth[2]+p.r.Bound(p.truth[2]), p.shown, symbolOf(p.f), 4))
	}
	f.Tables = append(f.Tables, t)
	for _, g := range found {
		f.Values = append(f.Values, finding.Value{ID: "meter-gain." + strings.ReplaceAll(rangeWords(g.Range), " ", "-"),
			Name:  fmt.Sprintf("gain error of %s, %s", c.Name, rangeWords(g.Range)),
			Value: math.Round(g.Mid()*1e6) / 1e6, Low: math.Round(g.Low*1e6) / 1e6, High: math.Round(g.High*1e6) / 1e6, Unit: unit.SymRatio, Sure: "bounds",
			Method: "where all readings of the range and its leaflet allow it", Reason: fmt.Sprintf("%d read against a standard; the leaflet says ±%v", len(g.plans), g.Range.Gain)})
	}
	for _, fn := range []meter.Function{meter.DCVoltage, meter.DCCurrent, meter.Resistance} {
		if fig, ok := c.figure(fn, plans, found); ok {
			f.Figures = append(f.Figures, fig)
		}
	}
	return f, learned, nil
}

// figure is the error of all ranges of a function over what is shown.
func (c *MeterGain) figure(fn meter.Function, plans []plan, found []GainFound) (finding.Figure, bool) {
	low, high, read := math.Inf(1), 0.0, false
	pts := finding.Points{Label: "read"}
	for _, p := range plans {
		if p.f != fn {
			continue
		}
		low, high = min(low, p.truth[1]), max(high, p.r.Full)
		if !math.IsNaN(p.shown) {
			read = true
			lo, hi := p.bounds()
			pts.X, pts.Y = append(pts.X, p.truth[0]), append(pts.Y, p.shown/p.truth[0]-1)
			pts.YLow, pts.YHigh = append(pts.YLow, lo), append(pts.YHigh, hi)
		}
	}
	if high == 0 || len(found) > 0 && !read {
		return finding.Figure{}, false
	}
	fig := finding.Figure{ID: "meter-gain." + strings.ReplaceAll(string(fn), " ", "-"), Title: fmt.Sprintf("%s: how far %s is off", fn, c.Name),
		X: finding.Axis{Quantity: "truth", Unit: symbolOf(fn), Log: true}, Y: finding.Axis{Quantity: "shown too much", Unit: unit.SymRatio},
		Caption: "The shade is what the leaflet allows, gain and last digits together: a range is worth most near its top.",
	}
	var x, mid, lo, hi []float64
	for _, v := range logGrid(low/3, high, 121) {
		r, ok := c.leaf.Range(fn, v)
		if !ok {
			continue
		}
		e := r.Bound(v) / v
		x, mid, lo, hi = append(x, v), append(mid, 0), append(lo, -e), append(hi, e)
	}
	fig.Curves = []finding.Curve{{Label: "no error", X: x, Y: mid, Dashed: true}}
	fig.Shades = []finding.Shade{{Label: "leaflet", X: x, Low: lo, High: hi, Curve: 0}}
	if read {
		fig.Points = []finding.Points{pts}
	}
	for _, g := range found {
		if g.Range.Function == fn {
			fig.Bands = append(fig.Bands, finding.Band{Label: "the error lies here", From: g.Low, To: g.High, Good: true})
		}
	}
	return fig, true
}
