package build

import (
	"fmt"
	"regexp"
	"slices"
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
	c.tools()
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
		if _, ok := c.b.Catalogue.LED(l.Part.Text); l.Part.IsSet() && !ok {
			var leds []string
			for _, d := range c.b.Catalogue.LEDs() {
				leds = append(leds, d.Name)
			}
			c.noPart("part", l.Part, "an LED", leds)
		}
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
		switch pin, ok := socket.At(l.Pin.Value); {
		case !ok:
			c.report("pin", l.Pin.Range, "pin = %d: %s has pins 1 to %d", l.Pin.Value, socket.Name, len(socket.Pins))
		case !pin.Role.Switched():
			what := "which no decoder switches"
			if pin.Role.Motor() {
				what = "and DCC must never reach the motor: lamps hang on contacts for lights and functions"
			}
			r := c.report("pin", l.Pin.Range, "pin = %d: that is %s of %s, %s", l.Pin.Value, pin.Signal, socket.Name, what)
			for _, p := range lightsFirst(socket, l) {
				if !slices.ContainsFunc(v.Lamps, func(m Lamp) bool { return m.Pin.IsSet() && m.Pin.Value == p.Number }) {
					r.try(l.Pin.Range, itoa(p.Number), "pin = "+itoa(p.Number))
				}
			}
		}
	}
}

// lightsFirst lists the contacts on which a lamp may hang: that for the lamp's own end first.
func lightsFirst(s parts.Socket, l *Lamp) []parts.SocketPin {
	var list []parts.SocketPin
	for _, p := range s.Pins {
		switch {
		case p.Role == parts.RearLight && l.End.Text == EndRear, p.Role == parts.FrontLight && l.End.Text == EndFront:
			list = slices.Insert(list, 0, p)
		case p.Role.Switched():
			list = append(list, p)
		}
	}
	return list
}

var (
	isoDate = regexp.MustCompile(`^\d{4}-\d{2}-\d{2}$`)
	dotDate = regexp.MustCompile(`^(\d{1,2})\.\s*(\d{1,2})\.\s*(\d{4})$`)
)

// day checks a date.
func (c *checker) day(r *reader, at diag.Range, text string) {
	if _, err := time.Parse("2006-01-02", text); err == nil && isoDate.MatchString(text) {
		return
	}
	p := r.report("date", at, "date = %q: a day as 2026-02-28 is wanted", text)
	if m := dotDate.FindStringSubmatch(text); m != nil {
		day, _ := strconv.Atoi(m[1])
		month, _ := strconv.Atoi(m[2])
		p.note(at, "is %s-%02d-%02d meant?", m[3], month, day)
	}
}

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
	c.knownMeter(r, "meter", x.Meter)
	c.knownMeter(r, "volt_meter", x.VoltMeter)
	if x.Date != "" {
		c.day(r, at, x.Date)
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

// knownMeter complains of a meter that the build does not declare.
func (c *checker) knownMeter(r *reader, name string, t Text) {
	var meters []string
	for _, m := range c.b.Meters {
		meters = append(meters, m.Name.Text)
	}
	if t.IsSet() && !has(meters, t.Text) {
		c.unknownName(r, name, t, "meter", meters)
	}
}

// tools checks the block bench: its meter, and the names of its test points.
func (c *checker) tools() {
	t := &c.b.Tools
	c.knownMeter(c.reader, "meter", t.Meter)
	names := []string{LeftRail, RightRail, "plus", "minus", "chip supply"}
	for i := range c.b.Decoders {
		d := &c.b.Decoders[i]
		names = append(names, d.Listen.Into.Text)
		of := []string{}
		for _, o := range d.Outputs {
			names, of = append(names, o.From.Text), append(of, o.Name.Text)
		}
		if d.Acknowledge != nil {
			names, of = append(names, d.Acknowledge.From.Text), append(of, "answer")
		}
		for _, o := range of {
			for _, stage := range []string{"", ".level", ".driver"} {
				for _, lead := range []string{"base", "collector", "gate", "drain"} {
					names = append(names, o+stage+"."+lead)
				}
			}
			names = append(names, o+".socket")
		}
	}
	names = slices.DeleteFunc(names, func(n string) bool { return n == "" })
	for _, p := range t.OutOfReach {
		if !has(names, p.Text) {
			c.unknownName(c.reader, "out_of_reach", p, "test point", names)
		}
	}
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
			if g.GainError.IsSet() != g.GainErrorWithin.IsSet() {
				have, name, other := g.GainError, "gain_error", "gain_error_within"
				if !have.IsSet() {
					have, name, other = g.GainErrorWithin, other, name
				}
				c.report("meter", have.Range, "%s = %q without %s: an error that was found and what it leaves open go together", name, have.Text, other)
			}
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
			return "a pre-biased " + strings.TrimSuffix(x.Polarity, "-prebiased")
		}
		if x.PNP() {
			return "a PNP"
		}
		return "an NPN"
	case parts.MOSFET:
		if x.Channel == "N" {
			return "an N-channel MOSFET"
		}
		return "a P-channel MOSFET"
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

// diodes checks of how many parts the rectifier is made, and where a single diode stands.
func (c *checker) diodes(s *DecoderSupply) {
	q, t := s.Diodes, s.Rectifier
	p, known := c.b.Catalogue.Diode(t.Text)
	bridge := known && p.Type == "bridge"
	switch {
	case !q.IsSet():
	case bridge && q.Value != 4:
		c.report("rectifier", q.Range, "diodes = %s: %s is a bridge and has its four diodes inside", q.Text, t.Text).note(t.Range, "leave the line out, or name a single diode here")
	case q.Value != 1 && q.Value != 4:
		c.report("rectifier", q.Range, "diodes = %s: a rectifier has 4 diodes, or 1 for half a wave", q.Text).try(q.Range, "4", "diodes = 4")
	}
	single := s.Single()
	switch {
	case s.From.IsSet() && (q.Value == 4 || !q.IsSet() && !c.lacking(s.Range, "diodes")):
		c.at("rectifier", "from", s.From, "a bridge and four diodes lead from both rails: a rail is named for a single diode alone (diodes = 1)")
	case !s.From.IsSet() && single && !bridge && !c.lacking(s.Range, "from"):
		c.report("missing", q.Range, "diodes = 1: say from which rail it leads (from = %q); the other rail is then the decoder's minus", LeftRail)
	}
}

// rectifier checks the name of a decoder's rectifier.
func (c *checker) rectifier(d *Decoder, t Text) {
	p, ok := c.b.Catalogue.Diode(t.Text)
	switch {
	case !ok:
		var known []string
		for _, x := range c.b.Catalogue.Diodes() {
			if x.Type == "bridge" {
				known = append(known, x.Name)
			}
		}
		c.noPart("rectifier", t, "a bridge", known)
	case p.Type != "bridge" && !d.Supply.Diodes.IsSet() && !c.lacking(d.Supply.Range, "diodes"):
		c.at("missing", "rectifier", t, "that is a single diode: say how many make the rectifier (diodes = 4)")
	}
}

// regulator checks the name of what makes the chip's supply.
func (c *checker) regulator(t Text) {
	if z, ok := c.b.Catalogue.Diode(t.Text); ok && z.Type == "zener" {
		return
	}
	if _, ok := c.b.Catalogue.Regulator(t.Text); !ok {
		var known []string
		for _, x := range c.b.Catalogue.Regulators() {
			known = append(known, x.Name)
		}
		c.noPart("regulator", t, "a regulator", known)
	}
}

// zener checks the name of a zener at a gate.
func (c *checker) zener(t Text) {
	if d, ok := c.b.Catalogue.Diode(t.Text); ok && d.Type == "zener" {
		return
	}
	var zeners []string
	for _, d := range c.b.Catalogue.Diodes() {
		if d.Type == "zener" {
			zeners = append(zeners, d.Name)
		}
	}
	c.noPart("clamp", t, "a zener", zeners)
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
		c.rectifier(d, t)
	}
	c.diodes(&d.Supply)
	c.resistorPackage(d.Supply.Package)
	if t := d.Supply.Regulator; t.IsSet() && !t.Choose {
		c.regulator(t)
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
		c.stage(o)
		if vehicle != nil {
			for _, t := range append([]Text{o.Lamp}, o.AlsoLamps...) {
				if l, ok := vehicle.Lamp(t.Text); ok {
					c.reach(o, l)
				}
			}
		}
		c.resistorPackage(o.Package)
		c.resistorPackage(o.SeriesPackage)
	}
	if a := d.Acknowledge; a != nil {
		pin("from", &a.From, "the acknowledgement")
		c.transistor("switch", a.Switch)
		c.resistorPackage(a.Package)
	}
	c.fitted(d)
}

// stage checks the transistors of an output against the side they switch.
func (c *checker) stage(o *Output) {
	low, high := c.fitting("NPN", "N"), c.fitting("PNP", "P")
	switch o.Drive.Text {
	case DriveHighSide:
		c.oneOf("switch", o.Switch, "a PNP or a P-channel MOSFET (a high-side switch)", high)
		c.oneOf("level", o.Level, "an NPN or an N-channel MOSFET (it shifts the level)", low)
	case DriveFromPin:
		if o.Switch.IsSet() && !o.Switch.Choose {
			c.at("stage", "switch", o.Switch, "output %q is driven from the pin, without a transistor", o.Name.Text).
				note(o.Drive.Range, "drive says so")
		}
	case DriveLowSide, "":
		c.oneOf("switch", o.Switch, "an NPN or an N-channel MOSFET (a low-side switch)", low)
	default:
		c.transistor("switch", o.Switch)
	}
	c.oneOf("driver", o.Driver, "an NPN (the first of a pair)", c.fitting("NPN", ""))
	if o.Driver.IsSet() && o.Drive.Text != DriveLowSide {
		c.at("stage", "driver", o.Driver, "a pair stands on the low side; output %q has drive = %q", o.Name.Text, o.Drive.Text)
	}
	if o.Between.IsSet() && !o.Driver.IsSet() {
		c.report("stage", o.Between.Range, "between belongs to a pair; output %q names no driver", o.Name.Text)
	}
	if o.Drive.Text != DriveHighSide {
		for _, x := range []struct {
			name string
			at   diag.Range
			set  bool
		}{{"level", o.Level.Range, o.Level.IsSet()}, {"level_base", o.LevelBase.Range, o.LevelBase.IsSet()}, {"pullup", o.Pullup.Range, o.Pullup.IsSet()}, {"clamp", o.Clamp.Range, o.Clamp.IsSet()}} {
			if x.set {
				c.report("stage", x.at, "%s belongs to a high-side switch; output %q has drive = %q", x.name, o.Name.Text, o.Drive.Text)
			}
		}
	}
	if o.Clamp.IsSet() {
		c.zener(o.Clamp)
	}
}

// reach checks that a switch on that side can drive a lamp of that feed.
func (c *checker) reach(o *Output, l *Lamp) {
	var side string
	switch l.Feed.Text {
	case DecoderMinus:
		if o.Drive.Text == DriveLowSide {
			side = DriveHighSide
		}
	case RectifiedPlus, LocalPlus, ChipSupply:
		if o.Drive.Text == DriveHighSide {
			side = DriveLowSide
		}
	}
	if o.Drive.Text == DriveFromPin && l.Feed.Text != "" && l.Feed.Text != DecoderMinus && l.Feed.Text != ChipSupply {
		c.at("stage", "drive", o.Drive, "lamp %q is fed from %s, which the chip's pin must never meet; a transistor has to stand between", l.Name.Text, l.Feed.Text).
			note(l.Feed.Range, "the feed stands here").try(o.Drive.Range, quoted(DriveLowSide), "drive = "+quoted(DriveLowSide))
		return
	}
	if side == "" {
		return
	}
	at := o.Drive.Range
	r := c.report("stage", at, "output %q has drive = %q, but lamp %q is fed from %s: nothing would flow", o.Name.Text, o.Drive.Text, l.Name.Text, l.Feed.Text).
		note(l.Feed.Range, "the feed stands here")
	if o.Drive.IsSet() {
		r.try(at, quoted(side), "drive = "+quoted(side))
	} else {
		r.note(o.Range, "it wants drive = %q", side)
	}
}

// fitting lists the transistors of a polarity, pre-biased ones included, and of a channel.
func (c *checker) fitting(polarity, channel string) []string {
	var names []string
	for _, q := range c.b.Catalogue.BJTs() {
		if strings.HasPrefix(q.Polarity, polarity) {
			names = append(names, q.Name)
		}
	}
	for _, q := range c.b.Catalogue.MOSFETs() {
		if q.Channel == channel {
			names = append(names, q.Name)
		}
	}
	return names
}

// oneOf checks a transistor that must be one of the names.
func (c *checker) oneOf(name string, t Text, wanted string, names []string) {
	if !t.IsSet() || t.Choose {
		return
	}
	p, ok := c.b.Catalogue.Find(t.Text)
	switch q := p.(type) {
	case parts.BJT:
		ok = ok && has(names, q.Name)
	case parts.MOSFET:
		ok = ok && has(names, q.Name)
	default:
		ok = false
	}
	if !ok {
		c.noPart(name, t, wanted, names)
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
	var vehicles, functions []string
	for _, v := range c.b.Vehicles {
		vehicles = append(vehicles, v.Name.Text)
	}
	for _, f := range c.b.Functions {
		if !has(functions, f.Name.Text) {
			functions = append(functions, f.Name.Text)
		}
	}
	whole := true // every vehicle that is named is there
	for _, v := range t.Vehicles {
		if v.Name.Text != "" && !has(vehicles, v.Name.Text) {
			c.unknownName(c.reader, "vehicle", v.Name, "vehicle", vehicles)
			whole = false
		}
	}
	if len(t.Vehicles) == 0 && len(c.b.Vehicles) > 1 && len(c.strange) == 0 {
		c.report("missing", t.Range, "train lacks a vehicle block for each place, front first: there are %d to choose from", len(c.b.Vehicles))
	}
	var before []*Want
	for i := range t.Wants {
		w := &t.Wants[i]
		good := c.alone("function", w.Functions) && c.alone("lit", w.Lit)
		for _, f := range w.Functions {
			if f.Text != Nothing && !has(functions, f.Text) {
				c.unknownName(c.reader, "function", f, "function", functions)
				good = false
			}
		}
		for _, l := range w.Lit {
			good = (l.Text == Nothing || c.trainLamp(l, whole)) && good
		}
		if !good || len(w.Functions) == 0 || len(w.Lit) == 0 || !has(directions, w.Direction.Text) {
			continue
		}
		for _, e := range before {
			if !c.sameCase(w, e) {
				continue
			}
			if c.lit(w) == c.lit(e) {
				c.report("want-twice", w.Range, "a second want of the same: one is enough").note(e.Range, "the first stands here")
			} else {
				c.report("want-contradicts", w.Range, "this wants %s lit, and another wants %s in the same case", c.lit(w), c.lit(e)).note(e.Range, "it stands here")
			}
			break
		}
		before = append(before, w)
	}
}

// alone complains where Nothing stands beside names.
func (c *checker) alone(name string, list []Text) bool {
	for _, t := range list {
		if t.Text == Nothing && len(list) > 1 {
			c.at("nothing", name, t, "that stands alone, or not at all")
			return false
		}
	}
	return true
}

// trainLamp checks a lamp that a want names: it must be one lamp of the train.
func (c *checker) trainLamp(t Text, whole bool) bool {
	switch found := c.b.TrainLamps(t.Text); {
	case len(found) == 1:
		return true
	case len(found) > 1:
		var names []string
		for _, f := range found {
			names = append(names, f.String())
		}
		c.at("name-twice", "lit", t, "%d vehicles of the train have a lamp of that name: write %s", len(found), alternatives(names, "or"))
		return false
	}
	if !whole {
		return false // its vehicle may be the one that was misspelt
	}
	count := map[string]int{}
	for _, v := range c.b.InTrain() {
		for _, l := range v.Lamps {
			count[l.Name.Text]++
		}
	}
	var lamps []string
	for _, v := range c.b.InTrain() {
		for _, l := range v.Lamps {
			if count[l.Name.Text] == 1 {
				lamps = append(lamps, l.Name.Text)
			}
			if len(c.b.InTrain()) > 1 {
				lamps = append(lamps, LampOf{v, &l}.String())
			}
		}
	}
	c.unknownName(c.reader, "lit", t, "lamp in the train", lamps)
	return false
}

// sameCase reports whether two wants speak of one case: functions alike and a direction in common.
func (c *checker) sameCase(a, b *Want) bool {
	return sorted(a.Functions) == sorted(b.Functions) && (a.Direction.Text == b.Direction.Text || a.Direction.Text == Both || b.Direction.Text == Both)
}

// lit is the lamps of a want in words, each by its whole name.
func (c *checker) lit(w *Want) string {
	var names []Text
	for _, t := range w.Lit {
		for _, l := range c.b.TrainLamps(t.Text) {
			t.Text = l.Lamp.Name.Text
			if len(c.b.TrainLamps(t.Text)) > 1 {
				t.Text = l.String()
			}
		}
		names = append(names, t)
	}
	return sorted(names)
}

// sorted joins the names, each once, in order.
func sorted(list []Text) string {
	var names []string
	for _, t := range list {
		if !has(names, t.Text) {
			names = append(names, t.Text)
		}
	}
	sort.Strings(names)
	return strings.Join(names, ", ")
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
