package build

import (
	"fmt"
	"regexp"
	"sort"
	"strconv"
	"strings"
	"time"

	"fettle/internal/diag"
	"fettle/internal/parts"
	"fettle/internal/unit"
)

// A checker holds what stands in one place against what stands in another. It looks only at values that were
// good by themselves, so that one slip is one complaint.
type checker struct {
	*reader
	b    *Build
	root *node
	// strange is every name in the file that is not in the schema: a reference to one of them is not complained
	// of again.
	strange []string
}

func (c *checker) build() {
	c.gather(c.root)
	for i := range c.b.Vehicles {
		c.vehicle(&c.b.Vehicles[i])
	}
	for i := range c.b.Readings {
		c.reading(c.reader, &c.b.Readings[i])
	}
	c.track()
	c.meters()
	for i := range c.b.Decoders {
		c.decoder(&c.b.Decoders[i])
	}
	c.functions()
	c.train()
	c.board()
}

func (c *checker) gather(n *node) {
	c.strange = append(c.strange, n.strange...)
	for _, m := range n.nodes {
		c.gather(m)
	}
}

// lacking reports whether the block at a place holds the attribute in a form that was complained of.
func (c *checker) lacking(head diag.Range, name string) bool {
	found := false
	var walk func(n *node)
	walk = func(n *node) {
		if n.head == head {
			found = found || n.values[name] != nil || n.mayMean(name)
		}
		for _, m := range n.nodes {
			walk(m)
		}
	}
	walk(c.root)
	return found
}

// at complains of a value: `name = "text": …`.
func (c *checker) at(code, name string, t Text, format string, args ...any) *report {
	return c.report(code, t.Range, "%s = %q: %s", name, t.Text, fmt.Sprintf(format, args...))
}

// unknownName complains of a reference to what is not there.
func (c *checker) unknownName(r *reader, name string, t Text, what string, known []string) {
	if has(c.strange, t.Text) {
		return
	}
	g := guess(t.Text, known)
	p := r.report("name-unknown", t.Range, "%s = %q: there is no %s of that name%s", name, t.Text, what, didYouMean(g))
	switch {
	case len(g) == 1:
		text := quoted(g[0])
		if r.csv {
			text = csvCell(g[0], r.sep)
		}
		p.try(t.Range, text, name+" = "+quoted(g[0]))
	case len(g) == 0 && len(known) > 0 && len(known) <= 24:
		p.note(t.Range, "there is %s", strings.Join(known, ", "))
	case len(known) == 0:
		p.note(t.Range, "none is declared")
	}
}

// inOrder complains if a known, written a is above a known, written b.
func inOrder[U ~float64](c *checker, nameA string, a Quantity[U], nameB string, b Quantity[U]) {
	if a.IsSet() && b.IsSet() && a.Known() && b.Known() && a.Value > b.Value {
		c.report("order", a.Range, "%s = %q is above %s = %q", nameA, a.Text, nameB, b.Text).note(b.Range, "%s is %s", nameB, b.Text)
	}
}

func (c *checker) vehicle(v *Vehicle) {
	var socket parts.Socket
	known := false
	if v.Socket.IsSet() && v.Socket.Text != "wires" {
		if socket, known = c.b.Catalogue.Socket(v.Socket.Text); !known {
			names := []string{"wires"}
			for _, s := range c.b.Catalogue.Sockets() {
				names = append(names, s.Name)
			}
			c.unknownName(c.reader, "socket", v.Socket, "socket", names)
		}
	}
	onPin := map[int]*Lamp{}
	for i := range v.Lamps {
		l := &v.Lamps[i]
		inOrder(c, "seen", l.Seen, "good", l.Good)
		inOrder(c, "good", l.Good, "never_above", l.NeverAbove)
		if !l.Good.IsSet() {
			inOrder(c, "seen", l.Seen, "never_above", l.NeverAbove)
		}
		inOrder(c, "never_above", l.NeverAbove, "peak_never_above", l.PeakAbove)
		if !l.Pin.IsSet() || !l.Pin.Known() {
			continue
		}
		if v.Socket.Text == "wires" {
			c.report("pin", l.Pin.Range, "pin = %d: a vehicle with bare wires has no pins; name the wire's colour (wire = …)", l.Pin.Value)
			continue
		}
		if before := onPin[l.Pin.Value]; before != nil {
			c.report("pin-twice", l.Pin.Range, "pin = %d: lamp %q is on that pin already", l.Pin.Value, before.Name.Text).
				note(before.Pin.Range, "it stands here")
		} else {
			onPin[l.Pin.Value] = l
		}
		if !known {
			continue
		}
		var pin *parts.SocketPin
		for k := range socket.Pins {
			if socket.Pins[k].Number == l.Pin.Value {
				pin = &socket.Pins[k]
			}
		}
		if pin == nil {
			c.report("pin", l.Pin.Range, "pin = %d: %s has pins 1 to %d", l.Pin.Value, socket.Name, len(socket.Pins))
			continue
		}
		for _, word := range []string{"pick-up", "track", "GND", "U+", "common"} {
			if strings.Contains(pin.Signal, word) {
				c.report("pin", l.Pin.Range, "pin = %d: that is %s of %s, which no decoder switches", l.Pin.Value, pin.Signal, socket.Name)
				break
			}
		}
	}
}

var (
	isoDate = regexp.MustCompile(`^\d{4}-\d{2}-\d{2}$`)
	dotDate = regexp.MustCompile(`^(\d{1,2})\.\s*(\d{1,2})\.\s*(\d{4})$`)
)

// reading checks one reading, of the build file or of readings.csv, and finds the kind of its supply.
func (c *checker) reading(r *reader, x *Reading) {
	at := x.Range
	x.Supply = x.SupplyName.Text
	if !has(supplyKinds, x.Supply) {
		var names []string
		found := false
		for _, s := range c.b.Supplies {
			names = append(names, s.Name.Text)
			if s.Name.Text == x.SupplyName.Text {
				x.Supply, found = s.Kind.Text, true
			}
		}
		if !found && x.SupplyName.Text != "" {
			c.unknownName(r, "supply", x.SupplyName, "supply", append(names, supplyKinds...))
		}
	}
	var meters []string
	for _, m := range c.b.Meters {
		meters = append(meters, m.Name.Text)
	}
	if x.Meter.IsSet() && !has(meters, x.Meter.Text) {
		c.unknownName(r, "meter", x.Meter, "meter", meters)
	}
	if x.VoltMeter.IsSet() && !has(meters, x.VoltMeter.Text) {
		c.unknownName(r, "volt_meter", x.VoltMeter, "meter", meters)
	}
	if x.Date != "" {
		if _, err := time.Parse("2006-01-02", x.Date); err != nil || !isoDate.MatchString(x.Date) {
			p := r.report("date", at, "date = %q: a day as 2026-02-28 is wanted", x.Date)
			if m := dotDate.FindStringSubmatch(x.Date); m != nil {
				day, _ := strconv.Atoi(m[1])
				month, _ := strconv.Atoi(m[2])
				p.note(at, "is %s-%02d-%02d meant?", m[3], month, day)
			}
		}
	}
	// Two meters may differ by some per cent; more is a wrong range or a slip.
	if x.Drop.Known() && x.Track.IsSet() && x.Track.Known() && x.Supply == SmoothDC && float64(x.Drop.Value) > 1.05*float64(x.Track.Value)+0.1 {
		p := r.report("reading-drop", x.Drop.Range, "drop = %q: more than the %s across the whole lamp", x.Drop.Text, x.Track.Text)
		p.note(x.Track.Range, "the voltage stands here")
	}
	if x.Duty.IsSet() && x.Supply != PWM {
		r.report("reading-duty", x.Duty.Range, "duty = %q: only a pwm supply has one, this is %s", x.Duty.Text, x.Supply)
	}
	if x.damaged {
		return // a value was complained of: what seems to be missing may be it
	}
	switch {
	case x.Point.IsSet() && x.Lamp == "":
		if !x.Voltage.IsSet() && !x.Resistance.IsSet() && !x.Current.IsSet() && !x.Drop.IsSet() {
			r.report("reading-empty", at, "a reading at test point %q without what was read: voltage, current, drop or resistance", x.Point.Text)
		}
		return
	case !x.Current.IsSet() && !x.Drop.IsSet() && !x.Resistance.IsSet() && !x.Marking.IsSet() && !x.Looked.IsSet() && !x.Voltage.IsSet():
		r.report("reading-empty", at, "a reading without what was read: current, drop, resistance, marking or looked")
	case x.Current.IsSet() && !x.Track.IsSet() && !x.Drop.IsSet():
		r.report("reading-voltage", at, "a current (%s) without a voltage: say what was across the feed (track = …)", x.Current.Text)
	case x.Looked.IsSet() && !x.Current.IsSet() && !x.Drop.IsSet() && !x.Track.IsSet():
		r.report("reading-voltage", at, "it looked %s, but at what voltage? Say what was across the feed (track = …)", x.Looked.Text)
	case x.Drop.IsSet() && !x.Current.IsSet() && !x.Track.IsSet():
		r.report("reading-voltage", at, "a drop (%s) without a current or the voltage across the feed", x.Drop.Text)
	}
}

func (c *checker) track() {
	t := c.b.Track
	inOrder(c, "low", t.Low, "usual", t.Usual)
	inOrder(c, "usual", t.Usual, "high", t.High)
	if !t.Usual.IsSet() {
		inOrder(c, "low", t.Low, "high", t.High)
	}
	inOrder(c, "ambient_low", t.AmbientLow, "ambient_high", t.AmbientHigh)
	inOrder(c, "programming_low", t.ProgrammingLow, "programming_high", t.ProgrammingHigh)
}

// meters reads the values whose unit depends on what the range measures.
func (c *checker) meters() {
	for _, n := range c.root.all("meter") {
		m := -1
		for i := range c.b.Meters {
			if c.b.Meters[i].Range == n.head {
				m = i
			}
		}
		for i, d := range n.all("range") {
			g := &c.b.Meters[m].Ranges[i]
			var dim unit.Dimension
			switch g.Measures.Text {
			case MeasuresVoltage, MeasuresACVoltage, MeasuresDiode:
				dim = unit.Voltage
			case MeasuresCurrent:
				dim = unit.Current
			case MeasuresResistance:
				dim = unit.Resistance
			default:
				continue
			}
			for _, q := range []*Quantity[float64]{&g.Full, &g.Resolution} {
				name := "full"
				if q == &g.Resolution {
					name = "resolution"
				}
				v := d.get(name)
				if v == nil {
					continue
				}
				complain := func(code, format string, args ...any) *report {
					return c.report(code, v.at, "%s = %q: %s", name, v.text, fmt.Sprintf(format, args...))
				}
				mend := func(p *report, text string) { p.try(v.at, quoted(text), name+" = "+quoted(text)) }
				if v.ok = c.quantity(v.attr, v, dim, complain, mend); v.ok {
					q.Value = v.number
				} else {
					*q = Quantity[float64]{Value: unset[float64](), Range: v.at}
				}
			}
			inOrder(c, "resolution", g.Resolution, "full", g.Full)
			if g.Burden.IsSet() && g.Measures.Text != MeasuresCurrent {
				c.report("meter", g.Burden.Range, "burden = %q: only a current range has one, this measures %s", g.Burden.Text, g.Measures.Text)
			}
			if g.Input.IsSet() && g.Measures.Text != MeasuresVoltage && g.Measures.Text != MeasuresACVoltage {
				c.report("meter", g.Input.Range, "input = %q: only a voltage range has one, this measures %s", g.Input.Text, g.Measures.Text)
			}
		}
	}
}

// suggestPart complains of a part that the catalogue does not have where it is wanted.
func (c *checker) noPart(name string, t Text, wanted string, known []string) {
	if p, ok := c.b.Catalogue.Find(t.Text); ok {
		r := c.at("part-kind", name, t, "that is %s, %s is wanted", describe(p), wanted)
		for _, g := range guess(t.Text, known) {
			r.try(t.Range, quoted(g), name+" = "+quoted(g))
		}
		return
	}
	g := guess(t.Text, known)
	p := c.at("part-unknown", name, t, "%s is wanted, and none of that name is known%s", wanted, didYouMean(g))
	if len(g) == 1 {
		p.try(t.Range, quoted(g[0]), name+" = "+quoted(g[0]))
	}
	if len(g) == 0 {
		p.note(t.Range, "a part of your own is described in drawer.csv")
	}
}

func describe(p parts.Any) string {
	switch x := p.(type) {
	case parts.BJT:
		if x.Prebiased() {
			return "a pre-biased " + strings.TrimSuffix(x.Polarity, "-prebiased") + " (not built yet)"
		}
		if x.PNP() {
			return "a PNP"
		}
		return "an NPN"
	case parts.MOSFET:
		if x.Channel == "N" {
			return "an N-channel MOSFET (not built yet)"
		}
		return "a P-channel MOSFET (not built yet)"
	case parts.Diode:
		if x.Type == "bridge" {
			return "a bridge"
		}
		return "a " + x.Type + " diode"
	case parts.LED:
		return "an LED"
	case parts.Regulator:
		return "a regulator"
	case parts.Chip:
		return "a chip"
	}
	return "another kind of part"
}

func (c *checker) npns() []string {
	var names []string
	for _, q := range c.b.Catalogue.BJTs() {
		if q.Polarity == parts.NPN {
			names = append(names, q.Name)
		}
	}
	return names
}

func (c *checker) transistors() []string {
	var names []string
	for _, q := range c.b.Catalogue.BJTs() {
		names = append(names, q.Name)
	}
	for _, q := range c.b.Catalogue.MOSFETs() {
		names = append(names, q.Name)
	}
	return names
}

// A pinUser is who has taken a chip pin.
type pinUser struct {
	who string
	at  diag.Range
}

func (c *checker) decoder(d *Decoder) {
	cat := c.b.Catalogue
	var names []string
	for _, v := range c.b.Vehicles {
		names = append(names, v.Name.Text)
	}
	vehicle, found := c.b.VehicleOf(d)
	switch {
	case d.Vehicle.IsSet() && !found:
		c.unknownName(c.reader, "vehicle", d.Vehicle, "vehicle", names)
	case !d.Vehicle.IsSet() && len(c.b.Vehicles) > 1:
		c.report("missing", d.Range, "decoder %q lacks vehicle: there are %d to choose from", d.Name.Text, len(c.b.Vehicles))
	}

	if t := d.Supply.Rectifier; t.IsSet() && !t.Choose {
		if _, ok := cat.Diode(t.Text); !ok {
			var known []string
			for _, x := range cat.Diodes() {
				if x.Type == "bridge" {
					known = append(known, x.Name)
				}
			}
			c.noPart("rectifier", t, "a bridge", known)
		}
	}
	if t := d.Supply.Regulator; t.IsSet() && !t.Choose {
		_, ok := cat.Regulator(t.Text)
		if !ok {
			z, isDiode := cat.Diode(t.Text)
			ok = isDiode && z.Type == "zener"
		}
		if !ok {
			var known []string
			for _, x := range cat.Regulators() {
				known = append(known, x.Name)
			}
			c.noPart("regulator", t, "a regulator", known)
		}
	}

	chip, chipKnown := parts.Chip{}, false
	if t := d.Chip.Part; t.IsSet() {
		if chip, chipKnown = cat.Chip(t.Text); !chipKnown {
			var known []string
			for _, x := range cat.Chips() {
				known = append(known, x.Name)
			}
			c.noPart("part", t, "a chip", known)
		}
	}
	taken := map[string]pinUser{}
	// ATtiny85 datasheet, pin configurations: a crystal or resonator takes PB3 and PB4, an external clock PB3.
	switch d.Chip.Source {
	case "crystal", "resonator":
		taken["PB4"] = pinUser{"the " + d.Chip.Source, d.Chip.Clock.Range}
		taken["PB3"] = taken["PB4"]
	case "external":
		taken["PB3"] = pinUser{"the external clock", d.Chip.Clock.Range}
	}
	pin := func(name string, t *Text, who string) {
		if !t.IsSet() {
			return
		}
		canonical := strings.ToUpper(strings.TrimSpace(t.Text))
		if chipKnown {
			var io []string
			functions := ""
			for _, p := range chip.ChipPins {
				if p.IO() && !strings.Contains(p.Functions, "RESET") {
					io = append(io, p.Name)
				}
				if p.Name == canonical {
					functions = p.Functions + " "
				}
			}
			sort.Strings(io)
			switch {
			case has(io, canonical):
				t.Text = canonical
			case strings.Contains(functions, "RESET") || canonical == "RESET":
				c.at("pin", name, *t, "that is the reset pin of %s, which stays free for programming", chip.Name).note(t.Range, "free to use are %s", strings.Join(io, ", "))
				return
			case functions != "":
				c.at("pin", name, *t, "%s is a supply pin of %s", canonical, chip.Name).note(t.Range, "free to use are %s", strings.Join(io, ", "))
				return
			default:
				c.unknownName(c.reader, name, *t, chip.Name+" pin", io)
				return
			}
		}
		if u, ok := taken[canonical]; ok {
			c.at("pin-twice", name, *t, "%s has that pin already", u.who).note(u.at, "it stands here")
			return
		}
		taken[canonical] = pinUser{who, t.Range}
	}
	pin("into", &d.Listen.Into, "the ear (listen)")

	for i := range d.Outputs {
		o := &d.Outputs[i]
		pin("from", &o.From, fmt.Sprintf("output %q", o.Name.Text))
		var lamps []string
		if vehicle != nil {
			for _, l := range vehicle.Lamps {
				lamps = append(lamps, l.Name.Text)
			}
			for _, t := range append([]Text{o.Lamp}, o.AlsoLamps...) {
				if t.IsSet() && !has(lamps, t.Text) {
					c.unknownName(c.reader, "lamp", t, "lamp", lamps)
				}
			}
		}
		if !o.Lamp.IsSet() && o.Load.Text == "lamp" && !c.lacking(o.Range, "lamp") {
			c.report("missing", o.Range, "output %q lacks lamp: the lamp it switches", o.Name.Text)
		}
		if t := o.Switch; t.IsSet() && !t.Choose {
			if o.Load.Text == "lamp" && o.Drive.Text == DriveLowSide {
				if q, ok := cat.BJT(t.Text); !ok || q.Polarity != parts.NPN {
					c.noPart("switch", t, "an NPN (a low-side switch)", c.npns())
				}
			} else {
				c.transistor("switch", t)
			}
		}
		c.transistor("level", o.Level)
		c.resistorPackage(o.Package)
	}
	if a := d.Acknowledge; a != nil {
		pin("from", &a.From, "the acknowledgement")
		c.transistor("switch", a.Switch)
		c.resistorPackage(a.Package)
	}
	var outputs []string
	for _, o := range d.Outputs {
		outputs = append(outputs, o.Name.Text)
	}
	for _, f := range d.Fitted {
		if f.Output.Text != "" && !has(outputs, f.Output.Text) {
			c.unknownName(c.reader, "fitted", f.Output, "output", outputs)
		}
		c.transistor("switch", f.Switch)
	}
}

func (c *checker) transistor(name string, t Text) {
	if !t.IsSet() || t.Choose {
		return
	}
	_, bjt := c.b.Catalogue.BJT(t.Text)
	_, fet := c.b.Catalogue.MOSFET(t.Text)
	if !bjt && !fet {
		c.noPart(name, t, "a transistor", c.transistors())
	}
}

func (c *checker) resistorPackage(t Text) {
	if !t.IsSet() {
		return
	}
	if _, ok := c.b.Catalogue.ResistorPackage(t.Text); !ok {
		var known []string
		for _, p := range c.b.Catalogue.ResistorPackages() {
			known = append(known, p.Package)
		}
		c.unknownName(c.reader, "package", t, "resistor package", known)
	}
}

var functionName = regexp.MustCompile(`^F(\d|[1-9]\d)$`)

func (c *checker) functions() {
	var decoders []string
	for _, d := range c.b.Decoders {
		decoders = append(decoders, d.Name.Text)
	}
	for i := range c.b.Functions {
		f := &c.b.Functions[i]
		if f.Name.Text != "" {
			n, _ := strconv.Atoi(strings.TrimPrefix(f.Name.Text, "F"))
			if !functionName.MatchString(f.Name.Text) || n > 68 {
				p := c.report("function", f.Name.Range, "function %q: functions are F0 to F68 (RCN-212)", f.Name.Text)
				if m := strings.ToUpper(strings.TrimSpace(f.Name.Text)); functionName.MatchString(m) {
					p.try(f.Name.Range, quoted(m), "function "+quoted(m))
				}
			}
		}
		var d *Decoder
		switch {
		case f.Decoder.IsSet():
			for k := range c.b.Decoders {
				if c.b.Decoders[k].Name.Text == f.Decoder.Text {
					d = &c.b.Decoders[k]
				}
			}
			if d == nil {
				c.unknownName(c.reader, "decoder", f.Decoder, "decoder", decoders)
			}
		case len(c.b.Decoders) == 1:
			d = &c.b.Decoders[0]
		case len(c.b.Decoders) > 1:
			c.report("missing", f.Range, "function %q lacks decoder: there are %d to choose from", f.Name.Text, len(c.b.Decoders))
		}
		var outputs []string
		if d != nil {
			for _, o := range d.Outputs {
				outputs = append(outputs, o.Name.Text)
			}
		}
		for _, t := range f.Outputs {
			if (d != nil || len(c.b.Decoders) == 0 && len(c.strange) == 0) && !has(outputs, t.Text) {
				c.unknownName(c.reader, "output", t, "output", outputs)
			}
		}
	}
}

func (c *checker) train() {
	t := c.b.Train
	if t == nil {
		return
	}
	var vehicles, functions, lamps []string
	for _, v := range c.b.Vehicles {
		vehicles = append(vehicles, v.Name.Text)
		for _, l := range v.Lamps {
			lamps = append(lamps, l.Name.Text, v.Name.Text+" / "+l.Name.Text)
		}
	}
	for _, f := range c.b.Functions {
		functions = append(functions, f.Name.Text)
	}
	for _, v := range t.Vehicles {
		if v.Name.Text != "" && !has(vehicles, v.Name.Text) {
			c.unknownName(c.reader, "vehicle", v.Name, "vehicle", vehicles)
		}
	}
	for _, w := range t.Wants {
		if w.Function.IsSet() && !has(functions, w.Function.Text) {
			c.unknownName(c.reader, "function", w.Function, "function", functions)
		}
		for _, l := range w.Lit {
			if !has(lamps, l.Text) {
				c.unknownName(c.reader, "lit", l, "lamp", lamps)
			}
		}
	}
}

func (c *checker) board() {
	b := c.b.Board
	if b == nil {
		return
	}
	inside := func(name string, q Quantity[int], extent int, size Quantity[int], of string) {
		if last := q.Value + extent - 1; q.IsSet() && size.IsSet() && last > size.Value {
			c.report("board", q.Range, "%s %d lies outside the board (%d %s)", name, last, size.Value, of)
		}
	}
	for _, p := range b.Pins {
		inside("column", p.Column, 1, b.Columns, "columns")
		inside("row", p.Row, 1, b.Rows, "rows")
	}
	for _, k := range b.KeepOuts {
		inside("column", k.Column, k.Columns.Value, b.Columns, "columns")
		inside("row", k.Row, k.Rows.Value, b.Rows, "rows")
	}
}

// unbuilt lists what is well formed but answered by nothing yet.
func (c *checker) unbuilt() {
	add := func(what string, at diag.Range) {
		c.b.Unbuilt = append(c.b.Unbuilt, Unbuilt{What: what, Range: at})
	}
	var walk func(n *node, of string)
	walk = func(n *node, of string) {
		for _, v := range n.order {
			switch {
			case v.attr.By == NotYet:
				add(v.attr.Name+of, v.name)
			case v.ok && has(v.attr.Later, v.text):
				add(fmt.Sprintf("%s = %q%s", v.attr.Name, v.text, of), v.at)
			case v.ok && v.attr.Name == "supply" && v.text == DCC:
				add(fmt.Sprintf("a reading on dcc%s", of), v.at)
			case v.ok && v.attr.Name == "lamp" && len(v.list) > 1:
				add("several lamps on one output"+of, v.at)
			case v.ok && v.attr.Name == "rectifier" && v.text != "choose":
				if d, ok := c.b.Catalogue.Diode(v.text); ok && d.Type != "bridge" {
					add("a rectifier of single diodes"+of, v.at)
				}
			case v.ok && v.attr.Name == "regulator" && v.text != "choose":
				if _, ok := c.b.Catalogue.Regulator(v.text); !ok {
					add("a zener for a regulator"+of, v.at)
				}
			}
		}
		for _, m := range n.nodes {
			what := m.title() + of
			if m.schema.By == NotYet {
				add(what, m.head)
				continue
			}
			walk(m, " of "+what)
		}
	}
	walk(c.root, "")
}
