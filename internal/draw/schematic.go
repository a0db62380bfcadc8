package draw

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/wiring"
)

// A Schematic is a decoder with the lamps it drives, as it is to be drawn: names as the user wrote them,
// values as they are printed. An absent part is the zero Part.
type Schematic struct {
	ID, Title string
	Decoder   string // its name
	Rails     Rails
	Supply    Supply
	Chip      Part
	Listen    Listen
	Lamps     []SchematicLamp
	Outputs   []SchematicOutput
	// Tags are marks at the test points, by their IDs (package probe): "PB0": "E".
	Tags map[string]string
	// Foot stands below a drawing with lamps: of which state their currents are.
	Foot string
	// Probes are where a reading is taken.
	Probes Probes
	// Details are what its parts and nets answer, by their identifiers.
	Details []Detail

	// Where one schematic is several drawings: continued has the supply and the ear on an earlier one; later are the feeds
	// that a following one goes on with.
	continued bool
	later     []string
	left      int    // outputs that are left out
	prefix    string // before the identifiers of its nets
}

// Probes are where a reading is taken, by the IDs of test points (package probe); "" where there is none. Red is drawn as a disc
// and black as a square, each with its letter.
type Probes struct {
	Red, Black string
	Lead       string // of the rails: the meter stands in its lead to the supply, as an ammeter does
}

// Rails are the names of the nets. A lamp's Feed is one of them.
type Rails struct {
	Left, Right string // of the track: "left rail"
	Plus        string // after the rectifier: "rectified plus"
	Logic       string // the chip's supply: "chip supply"
	Local       string // the vehicle's own plus, behind its own two diodes
	Minus       string // of the decoder, which is not a rail but behind a single diode
}

// A Part is one symbol with its words.
type Part struct {
	ID      string // of its detail; "" where it has none
	Name    string
	Value   string
	Verdict finding.Verdict // shown with its shape unless it holds
	Note    string
}

func (p Part) absent() bool { return p == Part{} }

// A Kind of transistor.
type Kind uint8

const (
	NPN Kind = iota
	PNP
	NChannel // MOSFETs of the enhancement type
	PChannel
)

// A Transistor is a part of a kind.
type Transistor struct {
	Part
	Kind      Kind
	Prebiased bool // its two resistors are inside
}

// High reports whether its emitter or source stands at the plus.
func (t Transistor) High() bool { return t.Kind == PNP || t.Kind == PChannel }

// FET reports whether it is a MOSFET.
func (t Transistor) FET() bool { return t.Kind == NChannel || t.Kind == PChannel }

// Supply is the way from the rails to the chip.
type Supply struct {
	Rectifier Part
	Four      bool     // of four diodes; else one part
	From      string   // of one diode: the rail that it leads from, and the other rail is the minus; else ""
	Diodes    Junction // their type
	Reservoir Part
	Regulator Part // a zener where there is a ballast
	Ballast   Part
	Local     Part // the vehicle's own two diodes
}

// Listen is the path from a rail into the chip.
type Listen struct {
	From   string // Rails.Left or Rails.Right
	Into   string // the chip's pin
	Series Part
}

// A SchematicLamp is one lamp of the vehicle.
type SchematicLamp struct {
	Name      string
	Feed      string // where its unswitched side is joined
	SocketPin string // where its wire leaves the decoder: "pin 5"
	Structure wiring.Structure
	Inward    bool // its light comes of a current from its switched side to its feed
	LED       Part // Value: "white"; of a filament what it is
	Back      string
	InSeries  int    // junctions in a row; 0: one
	Parallel  int    // rows side by side; 0: one
	Hidden    Part   // the resistor inside the vehicle
	Leak      Part   // across its LEDs
	Limit     string // what a limited board lets pass

	across Part // a resistor of the decoder across the lamp before it, drawn as if it were a lamp
}

// A SchematicOutput is one output. On the low side it goes from the chip's pin through the base resistor to the switch,
// from its collector or drain through the series resistor to the lamps, and on to their feeds. On the high side a level
// transistor stands between pin and switch, whose emitter or source is at the rectified plus. Without a switch the pin
// drives the lamps itself. Without a lamp the series resistor is the load, at the rectified plus. Outputs that light the
// same lamp share its wire.
type SchematicOutput struct {
	ID        string // of its detail, which its title answers with; "" where it has none
	Name      string
	Probe     string // before the IDs of its test points; "": Name
	Pin       string // of the chip
	ActiveLow bool   // lit while the pin is low
	Lamps     []int  // among the schematic's
	Series    Part
	Shunt     Part // across the first of its lamps
	Switch    Transistor
	Driver    Transistor // first of a pair, whose second is the switch: both collectors joined, its emitter at the switch's base
	Between   Part       // of a pair: from the switch's base or gate to the minus
	Base      Part
	Pulldown  Part
	Level     Transistor // of the high side
	LevelBase Part
	Pullup    Part
	Clamp     Part            // zener from gate to plus
	Verdict   finding.Verdict // of the output as a whole
}

func (o SchematicOutput) driven() bool { return !o.Switch.absent() }
func (o SchematicOutput) high() bool   { return o.driven() && o.Switch.High() }
func (o SchematicOutput) pair() bool   { return o.driven() && !o.high() && !o.Driver.absent() }

// source reports whether its current comes out of it: from the plus, or from a pin that is high.
func (o SchematicOutput) source() bool { return o.high() || !o.driven() && !o.ActiveLow }

// Wide is from where on each output is a row.
const (
	wideFrom = 680
	leastOf  = 320 // px: a narrower one is drawn for this width
)

// Circuit draws the schematic: supply above, minus below, track on the left, lamps on the right. From 680 px each output is
// a row and feeds are wires; narrower, each is a column of its own below the last, and nets meet by their names.
func Circuit(s Schematic, o Options) string {
	d := &drafter{s: s.sound(), o: o, w: math.Max(o.width(), leastOf)}
	if d.w >= wideFrom {
		d.wide()
	} else {
		d.narrow()
	}
	var head pen
	id := cmp.Or(o.ID, s.ID, "schematic")
	head.begin(id, o, "circuit", d.w, d.h, cmp.Or(s.Title, "Schematic"), d.s.describe())
	if o.Standalone && s.Title != "" {
		head.text("name", "start", 2, lineStep, s.Title)
	}
	return head.b.String() + d.wires.b.String() + "\n" + d.under.b.String() + "\n" + d.pen.b.String() + d.links() + "</svg>\n"
}

// Circuits draws the schematic as Circuit does, as several drawings where one would be taller than tallest (px): the first
// has the supply, in the others the nets are named where they go on. Outputs that share a lamp stay together, however tall.
// Below 680 px it is one drawing.
func Circuits(s Schematic, o Options, tallest float64) (svgs []string) {
	if o.width() < wideFrom {
		return []string{Circuit(s, o)}
	}
	s = s.sound()
	id, part, groups := cmp.Or(o.ID, s.ID, "schematic"), s, s.groups()
	part.later = (&drafter{s: s, w: o.width()}).newBuses().names
	for first := true; first || len(groups) > 0; first = false {
		part.Outputs = nil
		for n := 0; len(groups) > 0; n++ {
			more := part
			more.Outputs = append(slices.Clone(part.Outputs), groups[0].outs...)
			d := &drafter{s: more, o: o, w: o.width()}
			if d.wide(); n > 0 && d.h > tallest {
				break
			}
			part, groups = more, groups[1:]
		}
		svgs = append(svgs, Circuit(part, o))
		part.continued, part.later, part.Title = true, nil, cmp.Or(s.Title, "Schematic")+", continued"
		o.ID = fmt.Sprintf("%s-%d", id, len(svgs)+1)
	}
	return svgs
}

// points are the IDs of an output's test points, those that it may have.
func (o SchematicOutput) points() []string {
	list := []string{o.Pin, o.socket()}
	for _, of := range []string{"", ".level", ".driver"} {
		list = append(append(list, o.control(of)...), o.drain(of)...)
	}
	return list
}

// Shows reports whether there is something to draw of the probes: a reading of a lamp alone, or a question, has no point here.
func (s Schematic) Shows(p Probes) bool {
	points := []string{s.Rails.Left, s.Rails.Right, probePlus, probeSupply, probeMinus, s.Listen.Into}
	for _, o := range s.Outputs {
		points = append(points, o.points()...)
	}
	shown := func(id string) bool { return id != "" && slices.Contains(points, id) }
	return p.Lead != "" && (p.Lead == s.Rails.Left || p.Lead == s.Rails.Right) || shown(p.Red) && shown(p.Black)
}

// Around is the schematic with the probes, and of the outputs those alone that a probe touches, with what shares their lamps.
func (s Schematic) Around(p Probes) Schematic {
	s.Probes = p
	var outs []SchematicOutput
	for _, g := range s.groups() {
		if slices.ContainsFunc(g.outs, func(o SchematicOutput) bool {
			return slices.ContainsFunc(o.points(), func(id string) bool { return id != "" && (id == p.Red || id == p.Black) })
		}) {
			outs = append(outs, g.outs...)
		}
	}
	s.left = len(s.Outputs) - len(outs)
	s.Outputs = outs
	if !slices.ContainsFunc(outs, func(o SchematicOutput) bool {
		return slices.ContainsFunc(o.Lamps, func(k int) bool { return k >= 0 && k < len(s.Lamps) && s.Lamps[k].Feed == s.Rails.Local })
	}) {
		s.Supply.Local = Part{}
	}
	return s
}

// sound leaves out what names a lamp that is not there, and puts the resistors across lamps beside these.
func (s Schematic) sound() Schematic {
	s.Outputs, s.Lamps = slices.Clone(s.Outputs), slices.Clone(s.Lamps)
	given := len(s.Lamps)
	for i := range s.Outputs {
		o := &s.Outputs[i]
		o.Lamps = slices.DeleteFunc(slices.Clone(o.Lamps), func(k int) bool { return k < 0 || k >= given })
		if !o.Shunt.absent() && len(o.Lamps) > 0 {
			of := s.Lamps[o.Lamps[0]]
			o.Lamps = slices.Insert(o.Lamps, 1, len(s.Lamps))
			s.Lamps = append(s.Lamps, SchematicLamp{Name: of.Name, Feed: of.Feed, Inward: of.Inward, across: o.Shunt})
			o.Shunt = Part{}
		}
	}
	return s
}

// A row of words, the way they are set, and the detail that they belong to.
type words struct{ class, text, of string }

func verdictWords(v finding.Verdict, width float64) (out []words) {
	class := "name"
	switch v {
	case "", finding.Holds:
		return nil
	case finding.Fails:
		class = "name look"
	}
	for _, l := range fit(v.Shape()+" "+string(v), width, true) {
		out = append(out, words{class, l, ""})
	}
	return out
}

// fit wraps text, and breaks what is too long for a line of its own.
func fit(s string, width float64, bold bool) (out []string) {
	for _, l := range wrap(s, width, bold) {
		for textWidth(l, bold) > width {
			r := []rune(l)
			n := len(r) - 1
			for n > 1 && textWidth(string(r[:n]), bold) > width {
				n--
			}
			if n < 1 {
				break
			}
			for k := n; k > n/2; k-- { // rather behind a hyphen
				if r[k-1] == '-' {
					n = k
					break
				}
			}
			out, l = append(out, string(r[:n])), string(r[n:])
		}
		out = append(out, l)
	}
	return out
}

// say is the words of a part: name, value under it, verdict, note.
func (p Part) say(width float64) []words {
	var out []words
	for _, l := range fit(p.Name, width, true) {
		out = append(out, words{"name", l, ""})
	}
	for _, l := range fit(p.Value, width, false) {
		out = append(out, words{"value", l, ""})
	}
	out = append(out, verdictWords(p.Verdict, width)...)
	for _, l := range fit(p.Note, width, false) {
		out = append(out, words{"tick", l, ""})
	}
	for i := range out {
		out[i].of = p.ID
	}
	return out
}

func tall(ws []words) float64 { return lineStep * float64(len(ws)) }

// lines sets words from the first baseline downwards.
func (d *drafter) lines(ws []words, anchor string, x, y float64) {
	for i, w := range ws {
		d.pen.text(w.class+" label", anchor, x, y+lineStep*float64(i), w.text)
		d.answers(w.of, textBox(w.text, strings.HasPrefix(w.class, "name"), anchor, x, y+lineStep*float64(i)))
	}
}

// textBox is about what a line of words covers.
func textBox(text string, bold bool, anchor string, x, y float64) box {
	w := textWidth(text, bold)
	switch anchor {
	case "middle":
		x -= w / 2
	case "end":
		x -= w
	}
	return box{x, y - 11, w, lineStep}
}

// above sets words so that the last stands with its baseline at y.
func (d *drafter) above(ws []words, anchor string, x, y float64) {
	d.lines(ws, anchor, x, y-lineStep*float64(len(ws)-1))
}

// middle sets words about the height y.
func (d *drafter) middle(ws []words, anchor string, x, y float64) {
	d.lines(ws, anchor, x, y+4-lineStep*float64(len(ws)-1)/2)
}

func (d *drafter) name(text, anchor string, x, y float64) {
	d.pen.text("name label", anchor, x, y, text)
	if id := map[string]string{d.s.Rails.Left: d.s.Rails.Left, d.s.Rails.Right: d.s.Rails.Right, d.s.Rails.Plus: probePlus}[text]; id != "" {
		d.answers(d.s.net(id), textBox(text, true, anchor, x, y))
	}
}

// net is the identifier of the detail of a test point.
func (s Schematic) net(point string) string { return s.prefix + "net." + point }

// title is the words that head an output.
func (o SchematicOutput) title(width float64) []words {
	text := "output " + o.Name
	if len(o.Lamps) == 0 {
		text = o.Name
	}
	var out []words
	for _, l := range fit(text, width, true) {
		out = append(out, words{"name", l, ""})
	}
	out = append(out, verdictWords(o.Verdict, width)...)
	if o.ActiveLow {
		for _, l := range fit("lit while the pin is low", width, false) {
			out = append(out, words{"tick", l, ""})
		}
	}
	for i := range out {
		out[i].of = o.ID
	}
	return out
}

func (l SchematicLamp) inARow() int { return max(1, min(l.InSeries, 2)) }

// rows is how many rows of LEDs are drawn side by side.
func (l SchematicLamp) rows() int {
	switch l.Structure {
	case wiring.PlainLamp:
		return max(1, min(l.Parallel, 2))
	case wiring.AntiParallelLamp:
		return 2
	}
	return 1
}

// isResistor reports whether it is no lamp but the resistor across one.
func (l SchematicLamp) isResistor() bool { return !l.across.absent() }

func (l SchematicLamp) isBoard() bool {
	switch l.Structure {
	case wiring.DiodeBoard, wiring.BridgeBoard, wiring.LimitedDiodeBoard, wiring.LimitedBridgeBoard:
		return true
	}
	return false
}

// led is the words of the lamp's LEDs.
func (l SchematicLamp) led() Part {
	p := l.LED
	list := []string{}
	if p.Value != "" {
		list = append(list, p.Value)
	}
	if l.InSeries > 1 {
		list = append(list, fmt.Sprintf("%d in series", l.InSeries))
	}
	if l.Parallel > 1 {
		list = append(list, fmt.Sprintf("%d rows side by side", l.Parallel))
	}
	switch l.Structure {
	case wiring.AntiParallelLamp:
		list = append(list, strings.TrimSpace(l.Back+" the other way round"))
	case wiring.DiodeBoard:
		list = append(list, "behind its own diode")
	case wiring.BridgeBoard:
		list = append(list, "behind its own bridge")
	case wiring.LimitedDiodeBoard:
		list = append(list, "behind its own diode", "limited to "+l.Limit)
	case wiring.LimitedBridgeBoard:
		list = append(list, "behind its own bridge", "limited to "+l.Limit)
	case wiring.ShortedLamp:
		list = append(list, "shorted")
	case wiring.OpenLamp:
		list = append(list, "open: nothing conducts")
	}
	if l.isBoard() && !l.Hidden.absent() {
		list = append(list, strings.TrimSpace(l.Hidden.Name+" "+l.Hidden.Value))
	}
	p.Value = strings.Join(list, ", ")
	return p
}

// An element is one symbol of a lamp, in the order in which the current meets them.
type element struct {
	part   Part
	weight float64 // of the room it wants
	along  float64 // what it covers along the lamp, upright
	off    float64 // from the line to the words over it
	depth  float64 // what it covers below its line
	across float64 // what it covers to the left of its line, upright
	draw   func(d *drafter, a axisAt, room float64)
}

// elements of a lamp.
func (l SchematicLamp) elements() (es []element) {
	if l.isResistor() {
		return []element{{part: l.across, weight: 1, along: 2*halfR + 10, off: 13, depth: 8, draw: func(d *drafter, a axisAt, _ float64) { d.resistor(a) }}}
	}
	if l.isBoard() {
		e := element{part: l.led(), weight: 1, along: 136, off: 26, depth: 10, across: 20, draw: func(d *drafter, a axisAt, room float64) { d.board(l, a, math.Min(room, 180)) }}
		if l.Structure.Limited() {
			e.along += 30
		}
		if l.Structure == wiring.BridgeBoard || l.Structure == wiring.LimitedBridgeBoard {
			e.off, e.depth, e.across = 36, 46, 56
			e.along += 30
		}
		return []element{e}
	}
	if l.Structure == wiring.FilamentLamp {
		return []element{{part: l.led(), weight: 1, along: 34, off: 18, depth: 12, across: 12, draw: func(d *drafter, a axisAt, _ float64) { d.filament(a) }}}
	}
	if !l.Hidden.absent() {
		es = append(es, element{part: l.Hidden, weight: 1, along: 2*halfR + 10, off: 13, depth: 8, draw: func(d *drafter, a axisAt, _ float64) { d.resistor(a) }})
	}
	led := element{part: l.led(), weight: 1, along: beside*float64(l.inARow()) + 16, off: 26, depth: 12 + beside*float64(l.rows()-1), across: 20 + beside*float64(l.rows()-1)}
	if l.inARow() > 1 {
		led.weight = 1.25
	}
	led.draw = func(d *drafter, a axisAt, room float64) {
		reach := d.leds(l, a, room, l.rows())
		if l.Structure == wiring.ShortedLamp {
			d.around(a, reach, a.clear(15))
		}
	}
	switch l.Structure {
	case wiring.LeakingLamp:
		led.depth, led.across, led.along = 32, 42, math.Max(led.along, 2*halfR+20)
		led.part.Value = strings.TrimPrefix(fmt.Sprintf("%s, %s %s", led.part.Value, cmp.Or(l.Leak.Name, "leak"), l.Leak.Value), ", ")
		led.draw = func(d *drafter, a axisAt, room float64) {
			reach := math.Max(d.leds(l, a, room, 1), halfR+6)
			d.around(a, reach, a.clear(22))
			d.resistor(a.by(0, a.clear(22)))
		}
	case wiring.ShortedLamp:
		led.depth, led.across = 20, 28
	case wiring.OpenLamp:
		led.off = 14
		led.draw = func(d *drafter, a axisAt, _ float64) { d.gap(a) }
	}
	return append(es, led)
}

// label is what stands below a lamp: its name, and where its wire leaves the decoder.
func (l SchematicLamp) label(known bool) string {
	if l.isResistor() {
		return "on the decoder, beside lamp " + l.Name
	}
	text := "lamp " + l.Name
	if l.SocketPin != "" {
		text += ", " + l.SocketPin
	}
	if !known {
		text += ", fed from " + cmp.Or(l.Feed, "where is not known")
	}
	return text
}

// nets are the feeds that have a name, besides the minus.
func (r Rails) nets() []string { return []string{r.Left, r.Right, r.Plus, r.Local, r.Logic} }

// fed reports whether the lamp's feed is a net of the drawing.
func (s Schematic) fed(l SchematicLamp) bool {
	return l.Feed != "" && (l.Feed == s.Rails.Minus || slices.Contains(s.Rails.nets(), l.Feed))
}

// foot explains the minus bar once, since it stands wherever a wire ends on it.
func (d *drafter) foot(y float64) {
	d.wire(point{20, y - 9}, point{20, y})
	d.minus(20, y)
	text := cmp.Or(d.s.Rails.Minus, build.DecoderMinus) + ": one net, and not a rail"
	if d.s.Supply.From != "" {
		text = fmt.Sprintf("%s: one net, the %s itself", cmp.Or(d.s.Rails.Minus, build.DecoderMinus), d.s.otherRail())
	}
	lines := fit(text, d.w-44, false)
	if slices.ContainsFunc(d.s.Outputs, func(o SchematicOutput) bool { return len(o.Lamps) > 0 }) {
		lines = append(lines, fit(d.s.Foot, d.w-44, false)...)
	}
	if d.s.left > 0 {
		lines = append(lines, fit(d.s.leftOut(), d.w-44, false)...)
	}
	for i, l := range lines {
		d.pen.text("tick", "start", 38, y+2+lineStep*float64(i), l)
		d.h = y + 14 + lineStep*float64(i)
	}
}

// otherRail is the rail that a single diode does not lead from.
func (s Schematic) otherRail() string {
	if s.Supply.From == s.Rails.Left {
		return s.Rails.Right
	}
	return s.Rails.Left
}

func (d *drafter) topRoom() float64 {
	if d.o.Standalone && d.s.Title != "" {
		return lineStep + 8
	}
	return 0
}

// describe says the circuit in words.
func (s Schematic) describe() string {
	var b strings.Builder
	list := func(ps ...Part) string {
		var out []string
		for _, p := range ps {
			if !p.absent() {
				t := strings.TrimSpace(p.Name + " " + p.Value)
				if p.Verdict != "" && p.Verdict != finding.Holds {
					t += " (" + string(p.Verdict) + ")"
				}
				out = append(out, t)
			}
		}
		return strings.Join(out, ", ")
	}
	if t := list(s.Supply.Rectifier, s.Supply.Reservoir, s.Supply.Ballast, s.Supply.Regulator, s.Chip); t != "" && !s.continued {
		fmt.Fprintf(&b, "Supply from %s and %s: %s.", s.Rails.Left, s.Rails.Right, t)
		if s.Supply.From != "" {
			fmt.Fprintf(&b, " One diode leads from the %s; the %s is the minus.", s.Supply.From, s.otherRail())
		}
	}
	if !s.Supply.Local.absent() && !s.continued {
		fmt.Fprintf(&b, " The vehicle's own plus: %s, one from each rail.", list(s.Supply.Local))
	}
	if s.Listen != (Listen{}) && !s.continued {
		fmt.Fprintf(&b, " %s reads the %s through %s.", s.Listen.Into, s.Listen.From, list(s.Listen.Series))
	}
	for _, o := range s.Outputs { // s is sound
		if len(o.Lamps) > 0 {
			fmt.Fprintf(&b, " Output %s, from %s", o.Name, o.Pin)
		} else {
			fmt.Fprintf(&b, " %s, from %s", o.Name, o.Pin)
		}
		if t := list(o.LevelBase, o.Level.Part, o.Base, o.Driver.Part, o.Between, o.Switch.Part, o.Pulldown, o.Pullup, o.Clamp); t != "" {
			fmt.Fprintf(&b, " by %s", t)
		}
		if o.high() {
			fmt.Fprintf(&b, " at the %s", s.Rails.Plus)
		}
		if o.ActiveLow {
			b.WriteString(", lit while the pin is low")
		}
		if t := list(o.Series); t != "" {
			fmt.Fprintf(&b, ", through %s", t)
		}
		for k, i := range o.Lamps {
			l := s.Lamps[i]
			if l.isResistor() {
				fmt.Fprintf(&b, "; %s", list(l.across))
				continue
			}
			fmt.Fprintf(&b, "%s lamp %s, fed from %s, %s", map[bool]string{true: ":", false: ";"}[k == 0], l.Name, cmp.Or(l.Feed, "a feed not known"), l.Structure)
			led := l.led()
			if l.Structure == wiring.LeakingLamp {
				led = l.elements()[len(l.elements())-1].part
			}
			if l.isBoard() || l.Structure == wiring.FilamentLamp {
				fmt.Fprintf(&b, " (%s)", list(led))
			} else {
				fmt.Fprintf(&b, " (%s)", list(l.Hidden, led))
			}
		}
		b.WriteString(".")
	}
	if s.left > 0 {
		fmt.Fprintf(&b, " %s", s.leftOut())
	}
	if p := s.Probes; p.Lead != "" {
		fmt.Fprintf(&b, " An ammeter stands in the lead of the %s.", p.Lead)
	} else if p != (Probes{}) {
		fmt.Fprintf(&b, " The red probe is on %s, the black one on %s.", p.Red, p.Black)
	}
	return strings.TrimSpace(b.String())
}

// leftOut says what is not drawn.
func (s Schematic) leftOut() string {
	if s.left == 1 {
		return "One more output is not drawn."
	}
	return fmt.Sprintf("%d more outputs are not drawn.", s.left)
}
