package draw

import (
	"cmp"
	"fmt"
	"math"
	"strings"

	"fettle/internal/finding"
)

// A Schematic is a decoder with the lamps it drives, as it is to be drawn: names as the user wrote them,
// values as they are printed. An absent part is the zero Part.
type Schematic struct {
	ID, Title string
	Rails     Rails
	Supply    Supply
	Chip      Part
	Listen    Listen
	Outputs   []SchematicOutput
}

// Rails are the names of the nets. An output's Feed is one of Left, Right and Plus.
type Rails struct {
	Left, Right string // of the track: "left rail"
	Plus        string // after the rectifier: "rectified plus"
	Logic       string // the chip's supply: "5.0 V"
	Minus       string // of the decoder, which is not a rail
}

// A Part is one symbol with its words.
type Part struct {
	Name    string
	Value   string
	Verdict finding.Verdict // shown with its shape unless it holds
	Note    string
}

func (p Part) absent() bool { return p == Part{} }

type Supply struct{ Rectifier, Reservoir, Regulator Part }

// Listen is the path from a rail into the chip.
type Listen struct {
	From   string // Rails.Left or Rails.Right
	Into   string // the chip's pin
	Series Part
}

// A SchematicOutput is one output: from the chip's pin through the base resistor to the switch, from its
// collector through the series resistors to the lamp, and on to the lamp's feed. Without a switch the pin
// drives the lamp itself.
type SchematicOutput struct {
	Name, Lamp string
	Feed       string
	Pin        string // of the chip
	SocketPin  string // where the lamp's wire leaves the decoder: "pin 5"
	Series     []Part
	LED        Part // Value: "white"
	InSeries   int  // junctions in a row; 0: one
	Parallel   int  // rows side by side; 0: one
	Hidden     Part // the resistor inside the vehicle
	Switch     Part
	Base       Part
	Pulldown   Part
	Verdict    finding.Verdict // of the output as a whole
}

// Circuit draws the schematic: supply above, minus below, track on the left, lamps on the right. From 560 px
// each output is a row; narrower, each is a column of its own below the last.
func Circuit(s Schematic, o Options) string {
	d := &drafter{s: s, o: o, w: o.width()}
	if d.w >= 560 {
		d.wide()
	} else {
		d.narrow()
	}
	var head pen
	id := cmp.Or(o.ID, s.ID, "schematic")
	head.begin(id, o, "circuit", d.w, d.h, cmp.Or(s.Title, "Schematic"), s.describe())
	if o.Standalone && s.Title != "" {
		head.text("name", "start", 2, lineStep, s.Title)
	}
	return head.b.String() + d.wires.b.String() + "\n" + d.under.b.String() + "\n" + d.pen.b.String() + "</svg>\n"
}

// A drafter draws wires, symbols over them, and words on top.
type drafter struct {
	s     Schematic
	o     Options
	w, h  float64
	wires pen
	under pen
	pen   pen
}

func (d *drafter) wire(ps ...point) {
	d.wires.leaf("path", "class", "wire", "d", path(ps))
}

func (d *drafter) dot(x, y float64) {
	d.under.leaf("circle", "class", "dot", "cx", num(x), "cy", num(y), "r", 2.8)
}

func (d *drafter) terminal(x, y float64) {
	d.under.leaf("circle", "class", "terminal", "cx", num(x), "cy", num(y), "r", 3.5)
}

// A frame of a symbol: its middle, and the direction from its first terminal to its second.
type axisAt struct{ x, y, dx, dy float64 }

// at maps along (in the direction) and across (to its right) to the sheet.
func (a axisAt) at(along, across float64) point {
	return point{a.x + along*a.dx - across*a.dy, a.y + along*a.dy + across*a.dx}
}

func (d *drafter) shape(class string, a axisAt, closed bool, ps ...[2]float64) {
	pts := make([]point, len(ps))
	for i, p := range ps {
		pts[i] = a.at(p[0], p[1])
	}
	s := path(pts)
	if closed {
		s += "Z"
	}
	d.under.leaf("path", "class", class, "d", s)
}

const (
	halfR   = 18.0 // half the length of a resistor
	halfLED = 9.0
	bar     = 9.0 // half the length of the minus bar
)

// resistor is IEC 60617-4 symbol 04-01-01: a rectangle.
func (d *drafter) resistor(a axisAt) {
	d.shape("body", a, true, [2]float64{-halfR, -7}, [2]float64{halfR, -7}, [2]float64{halfR, 7}, [2]float64{-halfR, 7})
}

// diode points along the axis, anode first (05-03-01); an LED has two arrows away from it (05-03-02).
func (d *drafter) diode(a axisAt, light bool) {
	d.shape("body solid", a, true, [2]float64{-halfLED, -8}, [2]float64{halfLED, 0}, [2]float64{-halfLED, 8})
	d.shape("stroke", a, false, [2]float64{halfLED, -8}, [2]float64{halfLED, 8})
	if !light {
		return
	}
	// The arrows leave upwards or, beside a vertical diode, to the left.
	side := -1.0
	if a.dx < 0 {
		side = 1
	}
	if a.dy != 0 {
		side = a.dy
	}
	for _, s := range []float64{-4, 3} {
		from, to := a.at(s, side*11), a.at(s+6, side*20)
		d.under.leaf("path", "class", "stroke", "d", path([]point{from, to}))
		ux, uy := to.x-from.x, to.y-from.y
		n := math.Hypot(ux, uy)
		ux, uy = ux/n, uy/n
		d.under.leaf("path", "class", "fill", "d", path([]point{to, {to.x - 6*ux + 2.6*uy, to.y - 6*uy - 2.6*ux}, {to.x - 6*ux - 2.6*uy, to.y - 6*uy + 2.6*ux}})+"Z")
	}
}

// npn is symbol 05-05-01 with its base at x − 20 and collector above, emitter below at x.
func (d *drafter) npn(x, y float64) {
	d.under.leaf("circle", "class", "body", "cx", num(x-5), "cy", num(y), "r", 17.0)
	d.under.leaf("path", "class", "stroke heavy", "d", path([]point{{x - 12, y - 10}, {x - 12, y + 10}}))
	for _, l := range [][]point{{{x - 24, y}, {x - 12, y}}, {{x - 12, y - 5}, {x, y - 13}, {x, y - 20}}, {{x - 12, y + 5}, {x, y + 13}, {x, y + 20}}} {
		d.under.leaf("path", "class", "wire", "d", path(l))
	}
	d.under.leaf("path", "class", "fill", "d", path([]point{{x - 0.5, y + 12.8}, {x - 7.6, y + 11.2}, {x - 4.2, y + 6.2}})+"Z")
}

// minus is the bar of the decoder's minus (02-15-04, frame), its wire coming from above.
func (d *drafter) minus(x, y float64) {
	d.under.leaf("path", "class", "stroke heavy", "d", path([]point{{x - bar, y}, {x + bar, y}}))
}

// capacitor stands upright between y and y + 12, its plus above (04-02-05, polarised).
func (d *drafter) capacitor(x, y float64) {
	d.under.leaf("path", "class", "stroke heavy", "d", path([]point{{x - 10, y}, {x + 10, y}}))
	d.under.leaf("path", "class", "stroke heavy", "d", path([]point{{x - 10, y + 7}, {x + 10, y + 7}}))
	d.under.leaf("path", "class", "stroke", "d", path([]point{{x - 15, y - 7}, {x - 9, y - 7}})+path([]point{{x - 12, y - 10}, {x - 12, y - 4}}))
}

// bridge is the rectifier in bridge connection (06-14-03): mains corners above and below, plus on the right.
func (d *drafter) bridge(x, y, r float64) {
	d.under.leaf("path", "class", "body", "d", path([]point{{x, y - r}, {x + r, y}, {x, y + r}, {x - r, y}})+"Z")
	a := axisAt{x, y, 1, 0}
	d.shape("stroke", a, false, [2]float64{-15, 0}, [2]float64{15, 0})
	d.diode(a, false)
}

func (d *drafter) box(x, y, w, h float64) {
	d.under.leaf("rect", "class", "body", "x", num(x), "y", num(y), "width", w, "height", h)
}

// A row of words and the way they are set.
type words struct{ class, text string }

func verdictWords(v finding.Verdict) []words {
	switch v {
	case "", finding.Holds:
		return nil
	case finding.Fails:
		return []words{{"name look", v.Shape() + " " + string(v)}}
	}
	return []words{{"name", v.Shape() + " " + string(v)}}
}

// say is the words of a part: name, value under it, verdict, note.
func (p Part) say(width float64) []words {
	var out []words
	for _, l := range wrap(p.Name, width, true) {
		out = append(out, words{"name", l})
	}
	for _, l := range wrap(p.Value, width, false) {
		out = append(out, words{"value", l})
	}
	out = append(out, verdictWords(p.Verdict)...)
	for _, l := range wrap(p.Note, width, false) {
		out = append(out, words{"tick", l})
	}
	return out
}

// lines sets words from the first baseline downwards.
func (d *drafter) lines(ws []words, anchor string, x, y float64) {
	for i, w := range ws {
		d.pen.text(w.class+" label", anchor, x, y+lineStep*float64(i), w.text)
	}
}

// above sets words so that the last stands with its baseline at y.
func (d *drafter) above(ws []words, anchor string, x, y float64) {
	d.lines(ws, anchor, x, y-lineStep*float64(len(ws)-1))
}

// led is the words of the lamp's diodes.
func (o SchematicOutput) led(width float64) []words {
	p := o.LED
	if o.InSeries > 1 {
		p.Value = strings.TrimPrefix(fmt.Sprintf("%s, %d in series", p.Value, o.InSeries), ", ")
	}
	if o.Parallel > 1 {
		p.Value = strings.TrimPrefix(fmt.Sprintf("%s, %d rows side by side", p.Value, o.Parallel), ", ")
	}
	return p.say(width)
}

// title is the words that head an output.
func (o SchematicOutput) title(width float64) []words {
	var out []words
	for _, l := range wrap("output "+o.Name, width, true) {
		out = append(out, words{"name", l})
	}
	return append(out, verdictWords(o.Verdict)...)
}

func (o SchematicOutput) rows() int    { return max(1, min(o.Parallel, 2)) }
func (o SchematicOutput) inARow() int  { return max(1, min(o.InSeries, 2)) }
func (o SchematicOutput) driven() bool { return !o.Switch.absent() }

// buses are the feeds that lamps use, outermost first, with the places of their vertical wires.
func (d *drafter) buses(right float64) (names []string, x map[string]float64) {
	x = map[string]float64{}
	for _, n := range []string{d.s.Rails.Left, d.s.Rails.Right, d.s.Rails.Plus} {
		for _, o := range d.s.Outputs {
			if _, have := x[n]; o.Feed == n && n != "" && !have {
				x[n] = right - 20*float64(len(names))
				names = append(names, n)
			}
		}
	}
	return names, x
}

// run is what hangs on the vertical wire of a feed: where it starts and where lamps meet it.
type run struct {
	top  float64
	taps []float64
}

func (d *drafter) finish(runs map[string]*run, names []string, x map[string]float64) {
	for _, n := range names {
		r := runs[n]
		if r == nil || len(r.taps) == 0 {
			continue
		}
		last := r.taps[len(r.taps)-1]
		d.wire(point{x[n], r.top}, point{x[n], last})
		for _, y := range r.taps[:len(r.taps)-1] {
			d.dot(x[n], y)
		}
	}
}

// foot explains the minus bar once, since it stands wherever a wire ends on it.
func (d *drafter) foot(y float64) {
	d.wire(point{20, y - 9}, point{20, y})
	d.minus(20, y)
	text := cmp.Or(d.s.Rails.Minus, "decoder minus") + ": one net, and not a rail"
	for i, l := range wrap(text, d.w-44, false) {
		d.pen.text("tick", "start", 38, y+2+lineStep*float64(i), l)
		d.h = y + 14 + lineStep*float64(i)
	}
}

func (d *drafter) head() float64 {
	if d.o.Standalone && d.s.Title != "" {
		return lineStep + 8
	}
	return 0
}

func (d *drafter) wide() {
	s := d.s
	names, busX := d.buses(d.w - 14)
	top := d.head() + 22
	lineY := map[string]float64{}
	for i, n := range names {
		lineY[n] = top + 22*float64(i)
	}
	runs := map[string]*run{}
	for _, n := range names {
		runs[n] = &run{top: lineY[n]}
	}
	supplyTop := top + 22*float64(len(names)) + 26
	mid := supplyTop + 46
	railL, railR := mid-46, mid+46
	const (
		term, tapL, tapR = 12.0, 92.0, 106.0
		bridgeX          = 178.0
		bridgeR          = 28.0
	)
	// The track.
	d.terminal(term, railL)
	d.terminal(term, railR)
	d.lines([]words{{"name", s.Rails.Left}}, "start", 4, railL-9)
	d.lines([]words{{"name", s.Rails.Right}}, "start", 4, railR-9)
	d.wire(point{term + 3.5, railL}, point{bridgeX, railL}, point{bridgeX, mid - bridgeR})
	d.wire(point{term + 3.5, railR}, point{bridgeX, railR}, point{bridgeX, mid + bridgeR})
	feed := func(n string, tap point) {
		if _, used := busX[n]; !used {
			return
		}
		d.dot(tap.x, tap.y)
		d.wire(tap, point{tap.x, lineY[n]}, point{busX[n], lineY[n]})
		d.lines([]words{{"name", n}}, "end", busX[n]-8, lineY[n]-5)
	}
	feed(s.Rails.Left, point{tapL, railL})
	feed(s.Rails.Right, point{tapR, railR})
	// The supply.
	d.bridge(bridgeX, mid, bridgeR)
	d.wire(point{bridgeX - bridgeR, mid}, point{bridgeX - bridgeR - 16, mid}, point{bridgeX - bridgeR - 16, mid + 14})
	d.minus(bridgeX-bridgeR-16, mid+14)
	d.above(s.Supply.Rectifier.say(88), "start", bridgeX+22, mid-14)
	plusEnd := bridgeX + bridgeR + 40
	if !s.Supply.Reservoir.absent() {
		x := bridgeX + 118
		d.dot(x, mid)
		d.wire(point{x, mid}, point{x, mid + 18})
		d.capacitor(x, mid+18)
		d.wire(point{x, mid + 25}, point{x, mid + 44})
		d.minus(x, mid+44)
		d.lines(s.Supply.Reservoir.say(88), "start", x+16, mid+22)
		plusEnd = x
	}
	if _, used := busX[s.Rails.Plus]; used {
		x := bridgeX + 150
		feed(s.Rails.Plus, point{x, mid})
		plusEnd = x
	}
	chipL, chipR := 128.0, 200.0
	logicY := mid + 78
	if !s.Supply.Regulator.absent() {
		x := bridgeX + 232
		d.box(x, mid-17, 70, 34)
		plusEnd = x
		d.wire(point{x + 35, mid + 17}, point{x + 35, mid + 44})
		d.minus(x+35, mid+44)
		d.above(s.Supply.Regulator.say(150), "middle", x+35, mid-24)
		d.pen.text("tick", "start", x+4, mid+4, "in")
		d.pen.text("tick", "end", x+66, mid+4, "out")
		d.wire(point{x + 70, mid}, point{x + 96, mid}, point{x + 96, logicY}, point{(chipL + chipR) / 2, logicY})
		d.lines([]words{{"value", s.Rails.Logic}}, "end", x+90, logicY-5)
	}
	d.wire(point{bridgeX + bridgeR, mid}, point{plusEnd, mid})

	// The chip and its outputs.
	y := logicY + 22
	chipTop := y
	if s.Chip.absent() && len(s.Outputs) == 0 {
		d.foot(logicY + 30)
		return
	}
	chipWords := s.Chip.say(chipR - chipL - 6)
	y += lineStep*float64(len(chipWords)) + 8
	d.wire(point{(chipL + chipR) / 2, logicY}, point{(chipL + chipR) / 2, chipTop})
	for _, o := range s.Outputs {
		y = d.row(o, y, chipR, busX, names, runs)
	}
	chipEnd := math.Max(y-20, chipTop+lineStep*float64(len(chipWords))+74)
	d.box(chipL, chipTop, chipR-chipL, chipEnd-chipTop)
	d.lines(chipWords, "middle", (chipL+chipR)/2, chipTop+16)
	d.wire(point{(chipL + chipR) / 2, chipEnd}, point{(chipL + chipR) / 2, chipEnd + 12})
	d.minus((chipL+chipR)/2, chipEnd+12)
	if s.Listen != (Listen{}) {
		const x = 76.0
		from := railL
		if s.Listen.From == s.Rails.Right {
			from = railR
		}
		in := chipTop + 92
		d.dot(x, from)
		d.wire(point{x, from}, point{x, in - 50})
		d.resistor(axisAt{x, in - 32, 0, 1})
		d.wire(point{x, in - 14}, point{x, in}, point{chipL, in})
		d.lines(s.Listen.Series.say(x-14), "end", x-12, in-36)
		d.pen.text("value label", "start", chipL+5, in+4, s.Listen.Into)
	}
	d.finish(runs, names, busX)
	d.foot(math.Max(y, chipEnd+30) + 14)
}

// row draws one output of the wide sheet from y down and returns where the next may begin.
func (d *drafter) row(o SchematicOutput, y, chipR float64, busX map[string]float64, names []string, runs map[string]*run) float64 {
	const baseX, nodeX, swX, first = 252.0, 296.0, 332.0, 350.0
	last := d.w - 14 - 20*float64(max(len(names)-1, 0)) - 24
	n := max(len(o.Series), 1) + 1
	if !o.Hidden.absent() {
		n++
	}
	slot := (last - first) / float64(n)
	ledShare := 1.0
	if o.inARow() > 1 {
		ledShare = 1.25
		slot = (last - first) / (float64(n) + 0.25)
	}
	// Words above the lamp line decide how high the row is.
	lines := 0
	for _, p := range o.Series {
		lines = max(lines, len(p.say(slot-10)))
	}
	ledWords := o.led(slot*ledShare - 10)
	lines = max(lines, len(ledWords), len(o.Hidden.say(slot-10)))
	title := o.title(first - chipR - 20)
	lineY := y + math.Max(lineStep*float64(lines)+34, lineStep*float64(len(title))+14)
	pinY := lineY
	if o.driven() {
		pinY = math.Max(lineY+30, y+lineStep*float64(len(title)+len(o.Base.say(84)))+16)
		lineY = pinY - 30
	}
	d.lines(title, "start", chipR+12, y+14)
	d.pen.text("value label", "end", chipR-5, pinY+4, o.Pin)

	from := chipR // where the lamp line starts
	bottom := lineY + 24
	if o.driven() {
		d.wire(point{chipR, pinY}, point{swX - 24, pinY})
		if !o.Base.absent() {
			d.resistor(axisAt{baseX, pinY, 1, 0})
			d.above(o.Base.say(84), "middle", baseX, pinY-12)
		}
		d.npn(swX, pinY)
		ground := pinY + 58
		d.wire(point{swX, pinY + 20}, point{swX, ground})
		d.minus(swX, ground)
		if !o.Pulldown.absent() {
			d.dot(nodeX, pinY)
			d.wire(point{nodeX, pinY}, point{nodeX, ground})
			d.resistor(axisAt{nodeX, pinY + 32, 0, 1})
			d.minus(nodeX, ground)
			d.lines(o.Pulldown.say(80), "end", nodeX-13, pinY+28)
		}
		d.lines(o.Switch.say(150), "start", swX+18, pinY+6)
		bottom = ground + 4
		bottom = math.Max(bottom, pinY+6+lineStep*float64(len(o.Switch.say(150))))
		bottom = math.Max(bottom, pinY+28+lineStep*float64(len(o.Pulldown.say(80))))
		d.wire(point{swX, pinY - 20}, point{swX, lineY})
		from = swX
	}
	end := last + 6
	bus, fed := busX[o.Feed]
	if fed {
		end = bus
		runs[o.Feed].taps = append(runs[o.Feed].taps, lineY)
	}
	x := first
	d.wire(point{from, lineY}, point{end, lineY})
	for _, p := range o.Series {
		d.resistor(axisAt{x + slot/2, lineY, 1, 0})
		d.above(p.say(slot-10), "middle", x+slot/2, lineY-13)
		x += slot
	}
	if len(o.Series) == 0 {
		x += slot
	}
	// The vehicle begins here.
	vehicle := x
	width := slot * ledShare
	depth := d.leds(o, axisAt{x + width/2, lineY, -1, 0}, width)
	d.above(ledWords, "middle", x+width/2, lineY-24)
	x += width
	if !o.Hidden.absent() {
		d.resistor(axisAt{x + slot/2, lineY, 1, 0})
		d.above(o.Hidden.say(slot-10), "middle", x+slot/2, lineY-13)
		x += slot
	}
	if !fed {
		d.terminal(end, lineY)
		d.lines([]words{{"name", cmp.Or(o.Feed, "feed not known")}}, "end", d.w-2, lineY+18)
	}
	lampWords := wrap("lamp "+o.Lamp, x-vehicle-12, false)
	boundTop, boundEnd := y+4, lineY+depth+9+lineStep*float64(len(lampWords))
	d.under.leaf("rect", "class", "boundary", "x", num(vehicle+1), "y", num(boundTop), "width", x-vehicle-2, "height", boundEnd-boundTop)
	for i, l := range lampWords {
		d.pen.text("tick label", "start", vehicle+7, boundEnd-6-lineStep*float64(len(lampWords)-1-i), l)
	}
	if o.SocketPin != "" {
		d.pen.text("tick label", "end", vehicle-5, lineY+19, o.SocketPin)
	}
	return math.Max(bottom, boundEnd) + 16
}

// leds draws the diodes along the axis, rows side by side below or to the right, and returns how far they
// reach across it.
func (d *drafter) leds(o SchematicOutput, a axisAt, room float64) float64 {
	step := 34.0
	if o.inARow() > 1 {
		step = math.Min(step, (room-26)/float64(o.inARow()))
	}
	for r := range o.rows() {
		across := 34 * float64(r)
		if a.dx < 0 {
			across = -across // below the line, whichever way the diodes point
		}
		row := a
		q := a.at(0, across)
		row.x, row.y = q.x, q.y
		reach := step*float64(o.inARow())/2 + 6
		if r > 0 {
			d.wire(a.at(-reach, 0), a.at(-reach, across), a.at(reach, across), a.at(reach, 0))
			for _, s := range []float64{-reach, reach} {
				p := a.at(s, 0)
				d.dot(p.x, p.y)
			}
		}
		for i := range o.inARow() {
			q := row.at(step*(float64(i)-float64(o.inARow()-1)/2), 0)
			row := row
			row.x, row.y = q.x, q.y
			d.diode(row, true)
		}
	}
	return 34*float64(o.rows()-1) + 10
}

// narrow draws for a phone: supply on top, the chip as a strip on the left, each output a column of symbols
// with its words on the right.
func (d *drafter) narrow() {
	s := d.s
	names, busX := d.buses(d.w - 10)
	top := d.head() + 20
	lineY := map[string]float64{}
	runs := map[string]*run{}
	for i, n := range names {
		lineY[n] = top + 20*float64(i)
		runs[n] = &run{top: lineY[n]}
	}
	mid := top + 20*float64(len(names)) + 22 + 44
	railL, railR := mid-44, mid+44
	const term, tapL, tapR, bridgeX, bridgeR = 10.0, 78.0, 90.0, 146.0, 26.0
	plusX := d.w - 10 - 20*float64(max(len(names)-1, 0))
	if _, used := busX[s.Rails.Plus]; !used && len(names) > 0 {
		plusX -= 20
	}
	d.terminal(term, railL)
	d.terminal(term, railR)
	d.lines([]words{{"name", s.Rails.Left}}, "start", 4, railL-9)
	d.lines([]words{{"name", s.Rails.Right}}, "start", 4, railR-9)
	d.wire(point{term + 3.5, railL}, point{bridgeX, railL}, point{bridgeX, mid - bridgeR})
	d.wire(point{term + 3.5, railR}, point{bridgeX, railR}, point{bridgeX, mid + bridgeR})
	feed := func(n string, tap point) {
		if _, used := busX[n]; !used {
			return
		}
		d.dot(tap.x, tap.y)
		d.wire(tap, point{tap.x, lineY[n]}, point{busX[n], lineY[n]})
		d.lines([]words{{"name", n}}, "end", busX[n]-8, lineY[n]-5)
	}
	feed(s.Rails.Left, point{tapL, railL})
	feed(s.Rails.Right, point{tapR, railR})
	d.bridge(bridgeX, mid, bridgeR)
	d.wire(point{bridgeX - bridgeR, mid}, point{bridgeX - bridgeR - 14, mid}, point{bridgeX - bridgeR - 14, mid + 14})
	d.minus(bridgeX-bridgeR-14, mid+14)
	room := plusX - bridgeX - 34
	rectifier := s.Supply.Rectifier.say(room)
	d.above(rectifier, "start", bridgeX+24, mid-12)
	// The plus runs down on the right; from it the supply runs back to the left, to the chip.
	const chipL, chipR, chipX = 6.0, 60.0, 33.0
	regulator := s.Supply.Regulator.say(120)
	level := railR + 34 + lineStep*float64(len(regulator)) + 12
	d.wire(point{bridgeX + bridgeR, mid}, point{plusX, mid}, point{plusX, level})
	if _, used := busX[s.Rails.Plus]; used {
		d.pen.text("name label", "end", plusX-6, mid+16, s.Rails.Plus)
		d.dot(plusX, level)
		runs[s.Rails.Plus].top = level
	} else if s.Rails.Plus != "" {
		d.pen.text("name label", "end", plusX-6, mid+16, s.Rails.Plus)
	}
	left := plusX
	if !s.Supply.Reservoir.absent() {
		x := 186.0
		d.dot(x, level)
		d.wire(point{x, level}, point{x, level + 18})
		d.capacitor(x, level+18)
		d.wire(point{x, level + 25}, point{x, level + 42})
		d.minus(x, level+42)
		d.lines(s.Supply.Reservoir.say(plusX-x-20), "start", x+15, level+20)
		left = x
	}
	chipTop := level + 66
	if n := len(s.Supply.Reservoir.say(plusX - 206)); n > 2 {
		chipTop += lineStep * float64(n-2)
	}
	if !s.Supply.Regulator.absent() {
		d.box(92, level-17, 62, 34)
		d.wire(point{123, level + 17}, point{123, level + 42})
		d.minus(123, level+42)
		d.above(regulator, "middle", 123, level-24)
		d.pen.text("tick", "end", 150, level+4, "in")
		d.pen.text("tick", "start", 96, level+4, "out")
		left = 154
		d.wire(point{92, level}, point{chipX, level}, point{chipX, chipTop})
		d.lines([]words{{"value", s.Rails.Logic}}, "start", chipX+6, level+59)
	}
	d.wire(point{left, level}, point{plusX, level})
	if s.Chip.absent() && len(s.Outputs) == 0 {
		d.foot(level + 70)
		return
	}
	y := chipTop
	chip := s.Chip.say(200)
	d.lines(chip, "start", chipR+8, chipTop+12)
	y += lineStep*float64(len(chip)) + 14
	if s.Listen != (Listen{}) {
		in := y + 8
		ws := s.Listen.Series.say(150)
		d.pen.text("value label", "end", chipR-4, in+4, s.Listen.Into)
		d.wire(point{chipR, in}, point{chipR + 66, in})
		d.resistor(axisAt{chipR + 32, in, 1, 0})
		d.terminal(chipR+69.5, in)
		d.lines([]words{{"name", s.Listen.From}}, "start", chipR+78, in+4)
		d.lines(ws, "start", chipR+14, in+22)
		y = in + 30 + lineStep*float64(len(ws))
	}
	for _, o := range s.Outputs {
		y = d.column(o, y, chipR, busX, names, runs)
	}
	d.box(chipL, chipTop, chipR-chipL, y-chipTop)
	d.wire(point{chipX, y}, point{chipX, y + 12})
	d.minus(chipX, y+12)
	d.finish(runs, names, busX)
	d.foot(y + 40)
}

// column draws one output of the narrow sheet: feed, lamp, series, switch, minus from the top down.
func (d *drafter) column(o SchematicOutput, y, chipR float64, busX map[string]float64, names []string, runs map[string]*run) float64 {
	const chainX, baseX, nodeX = 172.0, 100.0, 142.0
	wordsX := chainX + 20
	room := d.w - 10 - 20*float64(max(len(names)-1, 0)) - 10 - wordsX
	head := o.title(chainX - chipR - 20)
	d.lines(head, "start", chipR+8, y+18)
	y += 14 + lineStep*float64(len(head)-1)
	start := y
	bus, fed := busX[o.Feed]
	if fed {
		d.wire(point{bus, y}, point{chainX, y})
		runs[o.Feed].taps = append(runs[o.Feed].taps, y)
	} else {
		d.terminal(chainX, y-3.5)
		d.lines([]words{{"name", cmp.Or(o.Feed, "feed not known")}}, "start", chainX+8, y)
	}
	vehicle := y + 12
	y += 22
	put := func(p Part) {
		ws := p.say(room)
		h := math.Max(2*halfR+10, lineStep*float64(len(ws))+8)
		d.resistor(axisAt{chainX, y + h/2, 0, 1})
		d.lines(ws, "start", wordsX, y+h/2+4-lineStep*float64(len(ws)-1)/2)
		y += h
	}
	if !o.Hidden.absent() {
		put(o.Hidden)
	}
	across := 34 * float64(o.rows()-1)
	ws := o.led(room - across)
	h := math.Max(34*float64(o.inARow())+14, lineStep*float64(len(ws))+8)
	// Downwards, "to the right of the axis" is the left of the sheet, where there is room.
	d.leds(o, axisAt{chainX, y + h/2, 0, 1}, h)
	d.lines(ws, "start", wordsX, y+h/2+4-lineStep*float64(len(ws)-1)/2)
	y += h + 4
	lampWords := wrap("lamp "+o.Lamp, room, false)
	for i, l := range lampWords {
		d.pen.text("tick label", "start", wordsX, y+10+lineStep*float64(i), l)
	}
	y += 4 + lineStep*float64(len(lampWords))
	d.under.leaf("rect", "class", "boundary", "x", num(chainX-30-across), "y", num(vehicle), "width", 30+across+20+room, "height", y-vehicle)
	if o.SocketPin != "" {
		d.pen.text("tick label", "end", chainX-8, y+14, o.SocketPin)
	}
	y += 12
	for _, p := range o.Series {
		put(p)
	}
	if !o.driven() {
		pinY := y + 12
		d.wire(point{chainX, start}, point{chainX, pinY}, point{chipR, pinY})
		d.pen.text("value label", "end", chipR-4, pinY+4, o.Pin)
		return pinY + 24
	}
	base := o.Base.say(nodeX - chipR - 8)
	pinY := y + 26
	d.wire(point{chainX, start}, point{chainX, pinY - 20})
	d.wire(point{chipR, pinY}, point{chainX - 24, pinY})
	d.pen.text("value label", "end", chipR-4, pinY+4, o.Pin)
	if !o.Base.absent() {
		d.resistor(axisAt{baseX, pinY, 1, 0})
		d.above(base, "middle", baseX, pinY-12)
	}
	d.npn(chainX, pinY)
	sw := o.Switch.say(room)
	d.lines(sw, "start", wordsX, pinY+4-lineStep*float64(len(sw)-1)/2)
	ground := pinY + 62
	d.wire(point{chainX, pinY + 20}, point{chainX, ground})
	d.minus(chainX, ground)
	bottom := ground + 8
	if !o.Pulldown.absent() {
		d.dot(nodeX, pinY)
		d.wire(point{nodeX, pinY}, point{nodeX, ground})
		d.resistor(axisAt{nodeX, pinY + 36, 0, 1})
		d.minus(nodeX, ground)
		ws := o.Pulldown.say(nodeX - chipR - 20)
		d.lines(ws, "end", nodeX-12, pinY+32)
		bottom = math.Max(bottom, pinY+32+lineStep*float64(len(ws)))
	}
	return bottom + 18
}

// describe says the circuit in words.
func (s Schematic) describe() string {
	var b strings.Builder
	part := func(p Part) string { return strings.TrimSpace(p.Name + " " + p.Value) }
	list := func(ps ...Part) string {
		var out []string
		for _, p := range ps {
			if !p.absent() {
				t := part(p)
				if p.Verdict != "" && p.Verdict != finding.Holds {
					t += " (" + string(p.Verdict) + ")"
				}
				out = append(out, t)
			}
		}
		return strings.Join(out, ", ")
	}
	if t := list(s.Supply.Rectifier, s.Supply.Reservoir, s.Supply.Regulator, s.Chip); t != "" {
		fmt.Fprintf(&b, "Supply from %s and %s: %s.", s.Rails.Left, s.Rails.Right, t)
	}
	if s.Listen != (Listen{}) {
		fmt.Fprintf(&b, " %s reads the %s through %s.", s.Listen.Into, s.Listen.From, list(s.Listen.Series))
	}
	for _, o := range s.Outputs {
		fmt.Fprintf(&b, " Output %s, from %s", o.Name, o.Pin)
		if t := list(o.Base, o.Switch, o.Pulldown); t != "" {
			fmt.Fprintf(&b, " by %s", t)
		}
		fmt.Fprintf(&b, ": lamp %s, fed from %s, through %s.", o.Lamp, cmp.Or(o.Feed, "a feed not known"),
			list(append([]Part{o.Hidden, {o.LED.Name, fmt.Sprintf("%s, %d in series, %d side by side", o.LED.Value, max(1, o.InSeries), max(1, o.Parallel)), o.LED.Verdict, ""}}, o.Series...)...))
	}
	return strings.TrimSpace(b.String())
}
