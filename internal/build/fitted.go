package build

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"fettle/internal/diag"
	"fettle/internal/meter"
	"fettle/internal/parts"
	"fettle/internal/unit"
)

// HandMeter stands for a meter that the build does not describe: an ordinary hand meter.
const HandMeter = "hand meter"

// Fitted is what was really soldered in: a record beside the design, which it leaves as it is. AsBuilt puts the two together.
type Fitted struct {
	Vehicle Text // which of several alike
	Date    Text
	Meter   Text // of the values whose block names no other
	Note    Text
	Values  []FittedValue // in file order
	Range   diag.Range
}

// A FittedValue is one part of the board as it is.
type FittedValue struct {
	Block  string // of the design: "supply", "chip", "listen", "output", "acknowledge"
	Output string // of "output": its name
	Attr   string
	Text   Text
	Number float64 // in coherent SI; NaN of a part, and where none is fitted
	Meter  Text    // that it was measured with; not set: its marking was read
	Range  diag.Range

	label diag.Range
}

// Real is how a value of a build as built is known.
type Real struct {
	Designed string // what the design has there, as written: "4.7 kΩ", "choose", "" for nothing
	// Meter that it was measured with, and its range; "" where the marking was read. Of a value measured the meter alone is
	// in doubt: ±Gain of the reading, common to all that were read on that range, and ±Slack of the reading by itself.
	// Off is the part of the gain error that is known: it is taken out of the value.
	Meter, Scale     string
	Off, Gain, Slack unit.Ratio
}

// Measured reports whether a value was measured before it was soldered in.
func (r *Real) Measured() bool { return r != nil && r.Meter != "" }

// Of names what a value belongs to: "output front", "the ear".
func (v FittedValue) Of() string {
	switch v.Block {
	case "output":
		return "output " + v.Output
	case "listen":
		return "the ear"
	case "acknowledge":
		return "the acknowledgement"
	}
	return "the " + v.Block
}

// Words names the part: "base resistor of output front", "rectifier".
func (v FittedValue) Words() string {
	words := map[string]string{
		"series": "series resistor", "base": "base resistor", "pulldown": "pull-down", "pullup": "pull-up", "between": "resistor between the pair",
		"level_base": "base resistor of the level transistor", "shunt": "resistor across the lamp", "level": "level transistor", "clamp": "gate clamp",
		"load": "load resistor", "hfe": "gain of the switch", "level_hfe": "gain of the level transistor", "driver_hfe": "gain of the driver",
		"ballast": "ballast resistor", "charge": "charging resistor", "decoupling": "decoupling capacitor", "filter": "filter capacitor",
		"package": "resistor package", "series_package": "package of the series resistor", "tolerance": "tolerance of the resistors",
	}[v.Attr]
	switch {
	case v.Block == "listen" && v.Attr == "series":
		return "resistor of the ear"
	case v.Block == "chip":
		return "chip"
	case words == "":
		words = v.Attr
	}
	if v.Block == "supply" {
		return words
	}
	return words + " of " + v.Of()
}

// ID is the identifier of the value in findings, within its decoder: "output.front.base", "ear.series".
func (v FittedValue) ID() string {
	switch v.Block {
	case "output":
		return "output." + v.Output + "." + v.Attr
	case "listen":
		return "ear." + v.Attr
	}
	return v.Block + "." + v.Attr
}

// Path is where the design holds it.
func (v FittedValue) Path(decoder string) []string {
	if v.Block == "output" {
		return []string{"decoder", decoder, "output", v.Output}
	}
	return []string{"decoder", decoder, v.Block}
}

// fitted reads the block of that name.
func fitted(n *node) *Fitted {
	f := &Fitted{Vehicle: text(n, "vehicle"), Date: text(n, "date"), Meter: text(n, "meter"), Note: text(n, "note"), Range: n.head}
	for _, c := range n.nodes {
		own, marked := f.Meter, []Text(nil)
		if c.schema.attr("meter") != nil {
			if t := text(c, "meter"); t.IsSet() {
				own = t
			}
			marked = texts(c, "by_marking")
		}
		text(c, "note")
		for i := range c.schema.Attrs {
			a := &c.schema.Attrs[i]
			if has(notValues, a.Name) {
				continue
			}
			c.get(a.Name)
		}
		for _, v := range c.order {
			if !v.ok || has(notValues, v.attr.Name) {
				continue
			}
			x := FittedValue{Block: c.schema.Name, Output: c.label.Text, Attr: v.attr.Name, Text: Text{Text: v.text, Range: v.at}, Number: v.number, Range: c.head, label: c.label.Range}
			if v.attr.Dim == &unit.Resistance && !v.word && !slices.ContainsFunc(marked, func(t Text) bool { return t.Text == x.Attr }) {
				x.Meter = own
			}
			f.Values = append(f.Values, x)
		}
	}
	return f
}

// notValues are the attributes of a block of what was fitted that are no parts of the board.
var notValues = []string{"meter", "by_marking", "note"}

// place is where a decoder holds what the value stands for: a *Text or a *Quantity; nil where there is no such place.
func (d *Decoder) place(v FittedValue) any {
	switch v.Block {
	case "supply":
		s := &d.Supply
		return map[string]any{"rectifier": &s.Rectifier, "regulator": &s.Regulator, "reservoir": &s.Reservoir, "charge": &s.Charge,
			"decoupling": &s.Decoupling, "ballast": &s.Ballast, "package": &s.Package}[v.Attr]
	case "chip":
		return &d.Chip.Part
	case "listen":
		return map[string]any{"series": &d.Listen.Series, "filter": &d.Listen.Filter}[v.Attr]
	case "acknowledge":
		a := d.Acknowledge
		if a == nil {
			return nil
		}
		return map[string]any{"load": &a.Load, "switch": &a.Switch, "base": &a.Base, "pulldown": &a.Pulldown, "package": &a.Package, "hfe": &a.HFE}[v.Attr]
	}
	o, ok := d.Output(v.Output)
	if !ok {
		return nil
	}
	return map[string]any{"switch": &o.Switch, "level": &o.Level, "driver": &o.Driver, "series": &o.Series, "base": &o.Base, "pulldown": &o.Pulldown,
		"between": &o.Between, "pullup": &o.Pullup, "level_base": &o.LevelBase, "shunt": &o.Shunt, "clamp": &o.Clamp, "package": &o.Package,
		"series_package": &o.SeriesPackage, "tolerance": &o.Tolerance, "hfe": &o.HFE, "level_hfe": &o.LevelHFE, "driver_hfe": &o.DriverHFE}[v.Attr]
}

// Parse reads a text as the value's own kind; NaN where it is none.
func (v FittedValue) Parse(text string) float64 {
	a := fittedBlock.block(v.Block).attr(v.Attr)
	if a == nil || a.Dim == nil {
		return math.NaN()
	}
	x, err := unit.Parse(text, *a.Dim)
	if err != nil {
		return math.NaN()
	}
	return x
}

// Holds is what a decoder has in the place of a fitted value, as it is written there, and its number where it is one.
func (d *Decoder) Holds(v FittedValue) (written string, number float64) {
	switch q := d.place(v).(type) {
	case *Text:
		return q.Text, math.NaN()
	case *Quantity[unit.Ohm]:
		return q.Text, numberOf(*q)
	case *Quantity[unit.Farad]:
		return q.Text, numberOf(*q)
	case *Quantity[unit.Ratio]:
		return q.Text, numberOf(*q)
	case *Quantity[float64]:
		return q.Text, numberOf(*q)
	}
	return "", math.NaN()
}

func numberOf[U ~float64](q Quantity[U]) float64 {
	if !q.Known() {
		return math.NaN()
	}
	return float64(q.Value)
}

// DesignedAs notes beside every fitted value what a design has there whose open values are chosen.
func (d *Decoder) DesignedAs(design *Decoder) {
	if d.Fitted == nil {
		return
	}
	for _, v := range d.Fitted.Values {
		if r := d.Known(v); r != nil {
			r.Designed, _ = design.Holds(v)
		}
	}
}

// LeftOpen reports whether the design of a decoder as built leaves open what a fitted value settles.
func (d *Decoder) LeftOpen(v FittedValue) bool {
	designed := decoderBlock.block(v.Block).attr(v.Attr)
	if designed == nil || !designed.Choose || designed.Default != "" {
		return false
	}
	r := d.Known(v)
	return r != nil && (r.Designed == "" || r.Designed == "choose")
}

// Known is how the value in a place is known, if it was fitted; else nil.
func (d *Decoder) Known(v FittedValue) *Real {
	switch q := d.place(v).(type) {
	case *Text:
		return q.Real
	case *Quantity[unit.Ohm]:
		return q.Real
	case *Quantity[unit.Farad]:
		return q.Real
	}
	return nil
}

// Noted reports whether anything is noted of what was really fitted.
func (b *Build) Noted() bool {
	return slices.ContainsFunc(b.Decoders, func(d Decoder) bool { return d.Fitted != nil && len(d.Fitted.Values) > 0 })
}

// AsBuilt is the build with what was really fitted in the place of what was planned, each such value marked (Real); the build
// itself where nothing is noted. What is not noted is as designed.
func (b *Build) AsBuilt() *Build {
	if !b.Noted() {
		return b
	}
	out := *b
	out.Decoders = slices.Clone(b.Decoders)
	for i := range out.Decoders {
		d := &out.Decoders[i]
		if d.Fitted == nil {
			continue
		}
		d.Outputs = slices.Clone(d.Outputs)
		if d.Acknowledge != nil {
			own := *d.Acknowledge
			d.Acknowledge = &own
		}
		for _, v := range d.Fitted.Values {
			switch q := d.place(v).(type) {
			case *Text:
				if q.Real == nil {
					*q = Text{Text: v.Text.Text, Range: v.Text.Range, Real: &Real{Designed: q.Text}}
				}
			case *Quantity[unit.Ohm]:
				lay(q, v, b.known(v))
			case *Quantity[unit.Farad]:
				lay(q, v, &Real{})
			case *Quantity[unit.Ratio]:
				lay(q, v, &Real{})
			case *Quantity[float64]:
				lay(q, v, &Real{})
			}
		}
	}
	return &out
}

// lay puts what was fitted in the place of what was designed, once.
func lay[U ~float64](q *Quantity[U], v FittedValue, r *Real) {
	if q.Real != nil {
		return
	}
	r.Designed = q.Text
	if r.Measured() {
		v.Number /= 1 + float64(r.Off)
	}
	*q = Quantity[U]{Value: U(v.Number), Text: v.Text.Text, Real: r, Range: v.Text.Range}
}

// known is what the meter leaves open of a resistance.
func (b *Build) known(v FittedValue) *Real {
	if !v.Meter.IsSet() || !(v.Number > 0) {
		return &Real{}
	}
	scale, name, ok := b.ohms(v.Meter.Text, v.Number)
	if !ok {
		return &Real{}
	}
	return &Real{Meter: v.Meter.Text, Scale: name, Off: scale.Known, Gain: scale.Gain, Slack: unit.Ratio(scale.Slack() / v.Number)}
}

// ohms is the range on which a meter shows a resistance, and its words. A meter that describes no resistance range has those
// of an ordinary one.
func (b *Build) ohms(name string, r float64) (scale meter.RangeSpec, words string, ok bool) {
	spec, _ := b.MeterSpec(name)
	taken := ""
	if !slices.ContainsFunc(spec.Ranges, func(r meter.RangeSpec) bool { return r.Function == meter.Resistance }) {
		spec.Ranges, taken = meter.Cheap().Ranges, " (taken as an ordinary hand meter's)"
	}
	scale, ok = spec.Range(meter.Resistance, r)
	return scale, fmt.Sprintf("range to %s%s", unit.Ohm(scale.Full), taken), ok
}

// ohmsMost is the most that a meter shows.
func (b *Build) ohmsMost(name string) unit.Ohm {
	spec, _ := b.MeterSpec(name)
	most := 0.0
	for _, list := range [][]meter.RangeSpec{spec.Ranges, meter.Cheap().Ranges} {
		for _, r := range list {
			if r.Function == meter.Resistance {
				most = math.Max(most, r.Full)
			}
		}
		if most > 0 {
			break
		}
	}
	return unit.Ohm(most)
}

// Slip is the slip of the hand by which a fitted value may have come of a designed one, which is planned in words: "ten times
// the designed 4.7 kΩ: a decimal slip?"; "" where none is plain.
func Slip(fitted, designed float64, planned string) string {
	if !(fitted > 0) || !(designed > 0) {
		return ""
	}
	ratio := fitted / designed
	decades := math.Log10(ratio)
	say := func(what string) string { return what + " the designed " + planned }
	// Within a tenth of a power of ten: what is left of it is the parts' tolerance.
	if n := math.Round(decades); n != 0 && math.Abs(math.Pow(10, decades-n)-1) < 0.1 {
		switch n {
		case 3, -3:
			return say(map[float64]string{3: "a thousand times", -3: "a thousandth of"}[n]) + ": a slip of the prefix (Ω for kΩ)?"
		case 1, -1:
			return say(map[float64]string{1: "ten times", -1: "a tenth of"}[n]) + ": a decimal slip?"
		case 2, -2:
			return say(map[float64]string{2: "a hundred times", -2: "a hundredth of"}[n]) + ": a decimal slip?"
		}
		return say(fmt.Sprintf("10^%.0f times", n)) + ": a slip of the unit?"
	}
	if a, b := firstTwo(fitted), firstTwo(designed); a != b && a%10 == b/10 && a/10 == b%10 {
		return say("its digits are those of") + " changed over: 47 for 74?"
	}
	if ratio > far || ratio < 1/far {
		return say(fmt.Sprintf("%.2g times", ratio)) + ": another part's value?"
	}
	return ""
}

// far: beyond it a value was hardly meant to stand for the other.
const far = 3

// firstTwo are a number's leading two digits, rounded.
func firstTwo(x float64) int {
	e := math.Floor(math.Log10(x))
	n := int(math.Round(x / math.Pow(10, e-1)))
	if n == 100 {
		return 10
	}
	return n
}

// fitted checks what was really fitted against the design it is fitted into.
func (c *checker) fitted(d *Decoder) {
	f := d.Fitted
	if f == nil {
		return
	}
	if f.Date.IsSet() {
		c.day(c.reader, f.Date.Range, f.Date.Text)
	}
	c.fittedMeters(d)
	var outputs []string
	for _, o := range d.Outputs {
		outputs = append(outputs, o.Name.Text)
	}
	built := c.b.AsBuilt()
	real := d
	for i := range built.Decoders {
		if built.Decoders[i].Range == d.Range {
			real = &built.Decoders[i]
		}
	}
	complained := map[diag.Range]bool{} // blocks that stand for nothing
	for _, v := range f.Values {
		if complained[v.Range] {
			continue
		}
		switch v.Block {
		case "output":
			if v.Output != "" && !has(outputs, v.Output) {
				c.unknownName(c.reader, "output", Text{Text: v.Output, Range: v.label}, "output", outputs)
				complained[v.Range] = true
				continue
			}
		case "acknowledge":
			if d.Acknowledge == nil {
				c.report("fitted", v.Range, "decoder %q has no answer load: acknowledge stands in the design first", d.Name.Text)
				complained[v.Range] = true
				continue
			}
		case "listen":
			if !d.Listen.From.IsSet() && !c.lacking(d.Listen.Range, "from") {
				c.report("fitted", v.Range, "decoder %q has no ear: listen stands in the design first", d.Name.Text)
				complained[v.Range] = true
				continue
			}
		}
		if why := c.misplaced(real, v); why != "" {
			c.report("fitted", v.Text.Range, "%s = %q: %s", v.Attr, v.Text.Text, why)
			continue
		}
		c.fittedPart(d, v)
		c.fittedValue(d, v)
	}
}

// misplaced says why a value stands for nothing on the board, or "".
func (c *checker) misplaced(d *Decoder, v FittedValue) string {
	if v.Block == "supply" && v.Attr == "ballast" {
		if z, ok := c.b.Catalogue.Diode(d.Supply.Regulator.Text); d.Supply.Regulator.IsSet() && !(ok && z.Type == "zener") {
			return fmt.Sprintf("a ballast stands before a zener, and the chip's supply comes from %s", d.Supply.Regulator.Text)
		}
	}
	o, ok := d.Output(v.Output)
	if v.Block != "output" || !ok {
		if v.Attr == "hfe" && d.Acknowledge != nil {
			return c.noGain(d.Acknowledge.Switch, "switch")
		}
		return ""
	}
	high, low := o.Drive.Text == DriveHighSide, o.Drive.Text == DriveLowSide
	switch v.Attr {
	case "level", "level_base", "pullup", "clamp":
		if !high {
			return fmt.Sprintf("it belongs to a high-side switch; output %q has drive = %q", o.Name.Text, o.Drive.Text)
		}
	case "driver":
		if !low {
			return fmt.Sprintf("a pair stands on the low side; output %q has drive = %q", o.Name.Text, o.Drive.Text)
		}
	case "between", "driver_hfe":
		if !o.Driver.IsSet() {
			return fmt.Sprintf("it belongs to a pair; output %q has no driver", o.Name.Text)
		}
		if v.Attr == "driver_hfe" {
			return c.noGain(o.Driver, "driver")
		}
	case "switch", "base", "pulldown", "hfe":
		if o.Drive.Text == DriveFromPin {
			return fmt.Sprintf("output %q is driven from the pin, without a transistor", o.Name.Text)
		}
		if v.Attr == "hfe" {
			return c.noGain(o.Switch, "switch")
		}
	case "level_hfe":
		if !high {
			return fmt.Sprintf("it belongs to a high-side switch; output %q has drive = %q", o.Name.Text, o.Drive.Text)
		}
		return c.noGain(o.Level, "level")
	}
	return ""
}

// noGain says why a transistor has no gain to be measured, or "".
func (c *checker) noGain(t Text, role string) string {
	p, ok := c.b.Catalogue.Find(t.Text)
	if _, bjt := c.b.Catalogue.BJT(t.Text); ok && !bjt {
		return fmt.Sprintf("the %s is %s, %s, and only a bipolar transistor has a gain", role, t.Text, describe(p))
	}
	return ""
}

// fittedPart checks the name of a part. Any transistor may have been soldered in, also one that cannot serve: what it does
// is for the proof to say, but it is asked whether that was meant.
func (c *checker) fittedPart(d *Decoder, v FittedValue) {
	cat, t := c.b.Catalogue, v.Text
	switch v.Attr {
	case "switch", "level", "driver":
		c.transistor(v.Attr, t)
		planned, _ := d.Holds(v)
		was, ok := cat.Find(planned)
		is, found := cat.Find(t.Text)
		if ok && found && describe(was) != describe(is) {
			c.report("fitted-other", t.Range, "%s = %q: that is %s, and the design has %s, %s", v.Attr, t.Text, describe(is), planned, describe(was)).Severity = diag.Warning
		} else if a, b := leads(was), leads(is); a != "" && b != "" && a != b {
			r := c.report("fitted-leads", t.Range, "%s = %q: its leads lie otherwise than those of %s: each wants the pad of its own kind", v.Attr, t.Text, planned)
			r.note(t.Range, "%s is %s", t.Text, b).note(t.Range, "%s is %s", planned, a).Severity = diag.Warning
		}
	case "clamp":
		c.zener(t)
	case "rectifier":
		c.rectifier(d, t)
	case "regulator":
		c.regulator(t)
	case "part":
		if _, ok := cat.Chip(t.Text); !ok {
			var known []string
			for _, x := range cat.Chips() {
				known = append(known, x.Name)
			}
			c.noPart("part", t, "a chip", known)
		}
	case "package", "series_package":
		c.resistorPackage(t)
	}
}

// leads says where the leads of a part lie; "" where that is not known.
func leads(p parts.Any) string {
	if p == nil {
		return ""
	}
	return parts.Pinout(p.Common())
}

// fittedValue asks back where a resistance is hardly what was meant.
func (c *checker) fittedValue(d *Decoder, v FittedValue) {
	if math.IsNaN(v.Number) {
		return
	}
	if v.Meter.IsSet() {
		if _, _, ok := c.b.ohms(v.Meter.Text, v.Number); !ok {
			c.report("fitted-range", v.Text.Range, "%s = %q: no range of meter %s shows that (%s is its most)", v.Attr, v.Text.Text, v.Meter.Text, c.b.ohmsMost(v.Meter.Text))
			return
		}
	}
	if v.Attr == "tolerance" || strings.HasSuffix(v.Attr, "hfe") {
		return
	}
	planned, designed := d.Holds(v)
	if slip := Slip(v.Number, designed, planned); slip != "" {
		r := c.report("fitted-slip", v.Text.Range, "%s = %q: %s", v.Attr, v.Text.Text, slip)
		r.Severity = diag.Warning
		switch q := d.place(v).(type) {
		case *Quantity[unit.Ohm]:
			r.note(q.Range, "the design has it here")
		case *Quantity[unit.Farad]:
			r.note(q.Range, "the design has it here")
		}
	}
	if v.Ohms() && !v.Meter.IsSet() && parts.SeriesOf(v.Number) == "" && !slices.ContainsFunc(c.markings(d, v), func(t Text) bool { return t.Text == v.Attr }) {
		c.report("fitted-unmeasured", v.Text.Range, "%s = %q: no part is marked so (E24 and E96 have no such value); if it was measured, say with which meter (meter = %q), else its tolerance is that of a part", v.Attr, v.Text.Text, HandMeter).Severity = diag.Warning
	}
}

// fittedMeters checks the names of meters and of what was only read off.
func (c *checker) fittedMeters(d *Decoder) {
	known := []string{HandMeter}
	for _, m := range c.b.Meters {
		known = append(known, m.Name.Text)
	}
	c.eachFitted(d, func(n *node) {
		if v := n.get("meter"); v != nil && !has(known, v.text) {
			c.unknownName(c.reader, "meter", Text{Text: v.text, Range: v.at}, "meter", known)
		}
		if n.schema.attr("by_marking") == nil {
			return
		}
		var values []string
		for _, v := range n.order {
			if v.attr.Dim == &unit.Resistance {
				values = append(values, v.attr.Name)
			}
		}
		for _, t := range texts(n, "by_marking") {
			if !has(values, t.Text) {
				c.unknownName(c.reader, "by_marking", t, "resistance in this block", values)
			}
		}
	})
}

// markings are the values of the same block that were only read off.
func (c *checker) markings(d *Decoder, v FittedValue) (list []Text) {
	c.eachFitted(d, func(n *node) {
		if n.head == v.Range && n.schema.attr("by_marking") != nil {
			list = texts(n, "by_marking")
		}
	})
	return list
}

// eachFitted visits the block of what was fitted in a decoder and the blocks within.
func (c *checker) eachFitted(d *Decoder, visit func(n *node)) {
	for _, n := range c.root.all("decoder") {
		if f := n.one("fitted"); f != nil && n.head == d.Range {
			visit(f)
			for _, m := range f.nodes {
				if m.schema.attr("meter") != nil {
					visit(m)
				}
			}
		}
	}
}

// Fits are the parts of the design that may be looked at when they are fitted, in the order of the file.
func (d *Decoder) Fits() []FittedValue {
	var list []FittedValue
	add := func(block, output string, attrs ...string) {
		for _, a := range attrs {
			v := FittedValue{Block: block, Output: output, Attr: a, Number: math.NaN()}
			if text, _ := d.Holds(v); text != "" && text != None {
				list = append(list, v)
			}
		}
	}
	add("supply", "", "rectifier", "regulator", "ballast")
	add("chip", "", "part")
	add("listen", "", "series")
	for _, o := range d.Outputs {
		add("output", o.Name.Text, "switch", "driver", "level", "series", "base", "pulldown", "between", "pullup", "level_base", "clamp", "shunt")
	}
	add("acknowledge", "", "switch", "load", "base", "pulldown")
	return list
}

// Say is how a fitted value is known, in words: "measured with yellow", "by its marking", "" of a part.
func (v FittedValue) Say() string {
	switch {
	case strings.HasSuffix(v.Attr, "hfe"):
		return "measured"
	case math.IsNaN(v.Number):
		return ""
	case v.Meter.IsSet():
		return "measured with " + v.Meter.Text
	}
	return "by its marking"
}
