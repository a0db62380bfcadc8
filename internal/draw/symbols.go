package draw

import (
	"cmp"
	"math"

	"fettle/internal/wiring"
)

// A drafter draws wires, symbols over them, and words on top.
type drafter struct {
	s     Schematic
	o     Options
	w, h  float64
	wires pen
	under pen
	pen   pen
	hots  []hot
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

// IDs of the test points that every decoder has (package probe), besides its rails.
const (
	probePlus   = "plus"
	probeSupply = "chip supply"
	probeMinus  = "minus"
)

const tagR = 7.5 // of a mark at a test point

// probe marks a test point that a probe touches or that has a tag; several IDs stand for one point of several kinds.
func (d *drafter) probe(x, y float64, ids ...string) {
	p := d.s.Probes
	d.answersNet(x, y, ids)
	for _, id := range ids {
		tag := d.s.Tags[id]
		switch {
		case id == "":
			continue
		case id == p.Red:
			d.pen.leaf("circle", "class", "probe red", "cx", num(x), "cy", num(y), "r", tagR+0.5)
			d.pen.text("probed", "middle", x, y+3.6, "R")
		case id == p.Black:
			d.pen.leaf("rect", "class", "probe black", "x", num(x-tagR), "y", num(y-tagR), "width", 2*tagR, "height", 2*tagR)
			d.pen.text("probed", "middle", x, y+3.6, "B")
		case tag != "":
			d.pen.leaf("circle", "class", "tag", "cx", num(x), "cy", num(y), "r", tagR)
			d.pen.text("tagged", "middle", x, y+3.6, tag)
		default:
			continue
		}
		return
	}
}

// probeBeside marks a test point at the wire above the mark, where there is no room on the wire itself.
func (d *drafter) probeBeside(x, wire float64, id string) {
	y := wire + 12
	if p := d.s.Probes; id != "" && (id == p.Red || id == p.Black) {
		d.pen.line("lead", x, wire, x, y-tagR)
	}
	d.probe(x, y, id)
}

// ammeter is the meter in the lead of a rail (08-01-01 with its letter), where it stands there.
func (d *drafter) ammeter(rail string, x, y float64) {
	if rail == "" || rail != d.s.Probes.Lead {
		return
	}
	d.pen.leaf("circle", "class", "meter", "cx", num(x), "cy", num(y), "r", tagR+1)
	d.pen.text("metered", "middle", x, y+3.6, "A")
}

// control and drain are the IDs of a transistor's test points.
func (o SchematicOutput) control(of string) []string {
	p := cmp.Or(o.Probe, o.Name) + of
	return []string{p + ".base", p + ".gate"}
}

func (o SchematicOutput) drain(of string) []string {
	p := cmp.Or(o.Probe, o.Name) + of
	return []string{p + ".collector", p + ".drain"}
}

func (o SchematicOutput) socket() string { return cmp.Or(o.Probe, o.Name) + ".socket" }

// An axisAt is the frame of a symbol: its middle, and the direction from its first terminal to its second.
type axisAt struct{ x, y, dx, dy float64 }

// at maps along (in the direction) and across to the sheet. Across goes down from a level axis and to the left from an
// upright one, whichever way it points; to the right of any other.
func (a axisAt) at(along, across float64) point {
	sx, sy := -a.dy, a.dx
	switch {
	case a.dy == 0:
		sx, sy = 0, 1
	case a.dx == 0:
		sx, sy = -1, 0
	}
	return point{a.x + along*a.dx + across*sx, a.y + along*a.dy + across*sy}
}

// by is the axis moved along and across.
func (a axisAt) by(along, across float64) axisAt {
	p := a.at(along, across)
	a.x, a.y = p.x, p.y
	return a
}

// reversed is the axis with its direction turned round.
func (a axisAt) reversed() axisAt { return axisAt{a.x, a.y, -a.dx, -a.dy} }

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

// line is a stroke through points of the sheet.
func (d *drafter) line(class string, ps ...point) {
	d.under.leaf("path", "class", class, "d", path(ps))
}

// head is an arrow's head with its tip at `to`, pointing away from `from`.
func (d *drafter) head(from, to point, length, half float64) {
	ux, uy := to.x-from.x, to.y-from.y
	n := math.Hypot(ux, uy)
	ux, uy = ux/n, uy/n
	d.under.leaf("path", "class", "fill", "d", path([]point{to, {to.x - length*ux + half*uy, to.y - length*uy - half*ux}, {to.x - length*ux - half*uy, to.y - length*uy + half*ux}})+"Z")
}

// begin and end hold the strokes of one symbol together.
func (d *drafter) begin() { d.under.open("g", "class", "symbol") }
func (d *drafter) end()   { d.under.close("g") }

const (
	halfR   = 18.0 // half the length of a resistor
	halfLED = 9.0
	bar     = 9.0 // half the length of the minus bar
	beside  = 34.0
)

// resistor is IEC 60617-4 symbol 04-01-01: a rectangle.
func (d *drafter) resistor(a axisAt) {
	d.begin()
	d.shape("body", a, true, [2]float64{-halfR, -7}, [2]float64{halfR, -7}, [2]float64{halfR, 7}, [2]float64{-halfR, 7})
	d.end()
}

// resistorOf is the resistor that a part is.
func (d *drafter) resistorOf(p Part, a axisAt) {
	d.resistor(a)
	d.answers(p.ID, around(a, halfR, 7))
}

// zenerOf is the zener that a part is.
func (d *drafter) zenerOf(p Part, a axisAt) {
	d.diode(a, Zener)
	d.answers(p.ID, around(a, halfLED, 8))
}

// around is the box about an upright or a level axis.
func around(a axisAt, along, across float64) box {
	if a.dx == 0 {
		along, across = across, along
	}
	return box{a.x - along, a.y - across, 2 * along, 2 * across}
}

// A Junction is how a diode is drawn.
type Junction uint8

const (
	Rectifying Junction = iota
	Schottky
	Zener
	luminous
)

// diode points along the axis, anode first (05-03-01); an LED has two arrows away from it (05-03-02), a zener one hook at
// its bar (05-03-06), a Schottky diode one at either end.
func (d *drafter) diode(a axisAt, kind Junction) {
	d.begin()
	d.sized(a, kind, 1)
	if kind == luminous {
		// The arrows leave upwards or, beside an upright diode, to the left.
		side := -1.0
		if a.dx == 0 {
			side = 1
		}
		for _, s := range []float64{-4, 3} {
			from, to := a.at(s, side*11), a.at(s+6, side*20)
			d.line("stroke", from, to)
			d.head(from, to, 6, 2.6)
		}
	}
	d.end()
}

// sized draws triangle and bar of a diode.
func (d *drafter) sized(a axisAt, kind Junction, k float64) {
	h, w := halfLED*k, 8*k
	d.shape("body solid", a, true, [2]float64{-h, -w}, [2]float64{h, 0}, [2]float64{-h, w})
	switch kind {
	case Zener:
		d.shape("stroke", a, false, [2]float64{h - 4.5, -w}, [2]float64{h, -w}, [2]float64{h, w})
	case Schottky:
		d.shape("stroke", a, false, [2]float64{h - 4*k, -w + 3.5*k}, [2]float64{h - 4*k, -w}, [2]float64{h, -w}, [2]float64{h, w}, [2]float64{h + 4*k, w}, [2]float64{h + 4*k, w - 3.5*k})
	default:
		d.shape("stroke", a, false, [2]float64{h, -w}, [2]float64{h, w})
	}
}

// The reach of a pre-biased transistor's outline from its column to the left, up and down.
const (
	outline     = 62.0
	outlineHalf = 30.0
)

// transistor stands in the column x, its control lead at y from the left; collector or drain is above where it switches
// the low side, emitter or source where it switches the high side. Its leads end at y ± 20. NPN and PNP are symbols
// 05-05-01 and -02; a MOSFET is the enhancement type with its bulk at the source, its body diode beside it. A pre-biased
// one has both its resistors inside its outline.
func (d *drafter) transistor(t Transistor, x, y float64) {
	f := 1.0
	if t.High() {
		f = -1
	}
	d.begin()
	defer d.end()
	if t.Prebiased {
		d.answers(t.ID, box{x - outline, y - outlineHalf, outline + 12, 2 * outlineHalf})
	} else {
		d.answers(t.ID, box{x - 23, y - 19, 36, 38})
	}
	if t.FET() {
		d.mosfet(t, x, y, f)
		return
	}
	if t.Prebiased {
		d.under.leaf("rect", "class", "body", "x", num(x-outline), "y", num(y-outlineHalf), "width", outline+12, "height", 2*outlineHalf, "rx", 9.0)
		node := x - 31
		d.line("wire", point{x - outline, y}, point{x - 12, y})
		d.line("wire", point{node, y}, point{node, y + 25*f}, point{x, y + 25*f})
		for _, yy := range []float64{-1, 1} {
			d.line("wire", point{x, y + 18*yy}, point{x, y + outlineHalf*yy})
		}
		d.under.leaf("rect", "class", "body", "x", num(x-56), "y", num(y-4), "width", 18.0, "height", 8.0)
		d.under.leaf("rect", "class", "body", "x", num(node-4), "y", num(y+13*f-8), "width", 8.0, "height", 16.0)
		d.under.leaf("circle", "class", "dot", "cx", num(node), "cy", num(y), "r", 2.2)
		d.under.leaf("circle", "class", "dot", "cx", num(x), "cy", num(y+25*f), "r", 2.2)
	} else {
		d.under.leaf("circle", "class", "body", "cx", num(x-5), "cy", num(y), "r", 17.0)
		d.line("wire", point{x - 24, y}, point{x - 12, y})
	}
	d.line("stroke heavy", point{x - 12, y - 10}, point{x - 12, y + 10})
	d.line("wire", point{x - 12, y - 5*f}, point{x, y - 13*f}, point{x, y - 20*f})
	d.line("wire", point{x - 12, y + 5*f}, point{x, y + 13*f}, point{x, y + 20*f})
	if t.High() {
		d.head(point{x, y + 13*f}, point{x - 10.4, y + 6.1*f}, 7.5, 3)
	} else {
		d.head(point{x - 12, y + 5*f}, point{x - 0.5, y + 12.7*f}, 7.5, 3)
	}
}

func (d *drafter) mosfet(t Transistor, x, y, f float64) {
	d.line("wire", point{x - 24, y}, point{x - 18, y})
	d.line("stroke", point{x - 18, y - 11}, point{x - 18, y + 11})
	for _, s := range []float64{-8.5, 0, 8.5} { // a channel that is not there until the gate calls it
		d.line("stroke heavy", point{x - 13.5, y + s - 3.2}, point{x - 13.5, y + s + 3.2})
	}
	d.line("wire", point{x - 13.5, y - 8.5*f}, point{x, y - 8.5*f}, point{x, y - 20*f})
	d.line("wire", point{x - 13.5, y}, point{x, y}, point{x, y + 20*f})
	d.line("wire", point{x - 13.5, y + 8.5*f}, point{x, y + 8.5*f})
	if t.High() {
		d.head(point{x - 12, y}, point{x - 2, y}, 7, 3)
	} else {
		d.head(point{x - 2, y}, point{x - 12, y}, 7, 3)
	}
	// The body diode: from the lower of source and drain to the upper, on either side.
	const out = 10
	d.line("wire", point{x, y - 15}, point{x + out, y - 15}, point{x + out, y + 15}, point{x, y + 15})
	a := axisAt{x + out, y, 0, -1}
	d.shape("body solid", a, true, [2]float64{-4, -4.5}, [2]float64{4, 0}, [2]float64{-4, 4.5})
	d.shape("stroke", a, false, [2]float64{4, -4.5}, [2]float64{4, 4.5})
	for _, s := range []float64{-15, 15} {
		d.under.leaf("circle", "class", "dot", "cx", num(x), "cy", num(y+s), "r", 1.8)
	}
}

// minus is the bar of the decoder's minus (02-15-04, frame), its wire coming from above.
func (d *drafter) minus(x, y float64) {
	d.begin()
	d.line("stroke heavy", point{x - bar, y}, point{x + bar, y})
	d.end()
}

// capacitor is the reservoir, upright between y and y + 12, its plus above (04-02-05, polarised).
func (d *drafter) capacitor(x, y float64) {
	d.begin()
	d.line("stroke heavy", point{x - 10, y}, point{x + 10, y})
	d.line("stroke heavy", point{x - 10, y + 7}, point{x + 10, y + 7})
	d.under.leaf("path", "class", "stroke", "d", path([]point{{x - 15, y - 7}, {x - 9, y - 7}})+path([]point{{x - 12, y - 10}, {x - 12, y - 4}}))
	d.end()
	d.answers(d.s.Supply.Reservoir.ID, box{x - 15, y - 10, 27, 20})
}

// diamond is a rectifier in bridge connection as one part (06-14-03): what alternates at the ends of the axis, plus
// across it.
func (d *drafter) diamond(a axisAt, r float64) {
	d.shape("body", a, true, [2]float64{-r, 0}, [2]float64{0, r}, [2]float64{r, 0}, [2]float64{0, -r})
	k := r / 28
	p := a.at(0, 1)
	q := axisAt{a.x, a.y, p.x - a.x, p.y - a.y}
	d.line("stroke", q.at(-15*k, 0), q.at(15*k, 0))
	d.sized(q, Rectifying, k)
}

// The reach of a rectifier from its middle, as one part and as four diodes.
const (
	bridgeR = 28.0
	fourR   = 36.0
)

// rectifier stands with the rails above and below and its plus on the right.
func (d *drafter) rectifier(x, y float64) (r float64) {
	d.begin()
	defer d.end()
	if !d.s.Supply.Four {
		d.line("body", point{x, y - bridgeR}, point{x + bridgeR, y}, point{x, y + bridgeR}, point{x - bridgeR, y}, point{x, y - bridgeR})
		a := axisAt{x, y, 1, 0}
		d.line("stroke", a.at(-15, 0), a.at(15, 0))
		d.sized(a, Rectifying, 1)
		return bridgeR
	}
	r = fourR
	d.line("wire", point{x, y - r}, point{x + r, y}, point{x, y + r}, point{x - r, y}, point{x, y - r})
	const s = math.Sqrt2 / 2
	for _, sy := range []float64{-1, 1} {
		d.sized(axisAt{x - r/2, y + sy*r/2, s, sy * s}, d.s.Supply.Diodes, 0.8)  // from the minus to a rail
		d.sized(axisAt{x + r/2, y + sy*r/2, s, -sy * s}, d.s.Supply.Diodes, 0.8) // from a rail to the plus
	}
	for _, p := range []point{{x, y - r}, {x + r, y}, {x, y + r}, {x - r, y}} {
		d.dot(p.x, p.y)
	}
	return r
}

// rectify draws the rails, at half above and below mid, from their terminals to the rectifier at x, and the minus. The plus
// is r to the right.
func (d *drafter) rectify(term, x, mid, half float64) (r float64) {
	const drop = 14
	up, down := mid-half, mid+half
	if d.s.Supply.From == "" {
		r = d.rectifier(x, mid)
		d.answers(d.s.Supply.Rectifier.ID, box{x - r, mid - r, 2 * r, 2 * r})
		d.wire(point{term, up}, point{x, up}, point{x, mid - r})
		d.wire(point{term, down}, point{x, down}, point{x, mid + r})
		d.wire(point{x - r, mid}, point{x - r - drop, mid}, point{x - r - drop, mid + drop})
		d.minus(x-r-drop, mid+drop)
		return r
	}
	r = 20
	rail, other := up, down
	if d.s.Supply.From == d.s.Rails.Right {
		rail, other = down, up
	}
	d.wire(point{term, rail}, point{x - r - 8, rail}, point{x - r - 8, mid}, point{x + r, mid})
	d.diode(axisAt{x, mid, 1, 0}, d.s.Supply.Diodes)
	d.answers(d.s.Supply.Rectifier.ID, box{x - 12, mid - 12, 24, 24})
	d.wire(point{term, other}, point{x, other}, point{x, other + drop})
	d.minus(x, other+drop)
	return r
}

func (d *drafter) box(x, y, w, h float64) {
	d.under.leaf("rect", "class", "body", "x", num(x), "y", num(y), "width", w, "height", h)
}

// filament is a signal lamp as any lamp with a filament (08-10-01).
func (d *drafter) filament(a axisAt) {
	const r = 11.0
	d.begin()
	d.under.leaf("circle", "class", "body", "cx", num(a.x), "cy", num(a.y), "r", r)
	const c = r * math.Sqrt2 / 2
	d.line("stroke", point{a.x - c, a.y - c}, point{a.x + c, a.y + c})
	d.line("stroke", point{a.x - c, a.y + c}, point{a.x + c, a.y - c})
	d.end()
}

// limiter is a box: a part that lets a current pass and no more.
func (d *drafter) limiter(a axisAt) {
	d.begin()
	d.box(a.x-15, a.y-11, 30, 22)
	d.end()
	d.pen.text("tick", "middle", a.x, a.y+4, "I ≤")
}

// gap is where a lamp is open.
func (d *drafter) gap(a axisAt) {
	d.begin()
	p, q := a.at(-8, 0), a.at(8, 0)
	d.line("gap", p, q)
	d.terminal(p.x, p.y)
	d.terminal(q.x, q.y)
	d.end()
}

// clear is how far beside the axis a part keeps clear of an LED's arrows, which lie to the left of an upright axis.
func (a axisAt) clear(level float64) float64 {
	if a.dx == 0 {
		return level + 10
	}
	return level
}

// leds draws a group of diodes along the axis in the room along it, rows side by side across.
func (d *drafter) leds(l SchematicLamp, a axisAt, room float64, rows int) (reach float64) {
	step := beside
	if l.inARow() > 1 {
		step = math.Min(step, (room-30)/float64(l.inARow()))
	}
	reach = step*float64(l.inARow())/2 + 7
	for r := range rows {
		across := beside * float64(r)
		if r > 0 {
			d.around(a, reach, across)
		}
		row := a.by(0, across)
		if r > 0 && l.Structure == wiring.AntiParallelLamp {
			row = row.reversed()
		}
		for i := range l.inARow() {
			d.diode(row.by(step*(float64(i)-float64(l.inARow()-1)/2), 0), luminous)
		}
	}
	return reach
}

// around is a wire beside a stretch of the axis, joined to it at both ends.
func (d *drafter) around(a axisAt, reach, across float64) {
	d.wire(a.at(-reach, 0), a.at(-reach, across), a.at(reach, across), a.at(reach, 0))
	for _, s := range []float64{-reach, reach} {
		p := a.at(s, 0)
		d.dot(p.x, p.y)
	}
}

// board is the inside of a lighting board along the axis: its own diode or bridge, what limits its current, its resistor,
// its LEDs. A bridge has the rest in a loop beside the axis.
func (d *drafter) board(l SchematicLamp, a axisAt, room float64) {
	const bridged, loop, rim = 20.0, 36.0, 27.0 // its diamond; the loop beside the axis; how far it reaches on the other side
	ring := l.Structure == wiring.BridgeBoard || l.Structure == wiring.LimitedBridgeBoard
	type item struct {
		half float64
		draw func(a axisAt)
	}
	var items []item
	if !ring {
		items = append(items, item{10, func(a axisAt) { d.diode(a, Rectifying) }})
	}
	if l.Structure.Limited() {
		items = append(items, item{15, d.limiter})
	}
	items = append(items, item{halfR, d.resistor}, item{11, func(a axisAt) { d.diode(a, luminous) }})
	from := -room / 2
	if ring {
		from += 2*bridged + 4
	}
	free := room/2 - from
	for _, it := range items {
		free -= 2 * it.half
	}
	space := free / float64(len(items)+1)
	at := from
	row := a
	if ring {
		row = a.by(0, loop)
		c := a.by(-room/2+bridged+6, 0)
		d.begin()
		d.diamond(c, bridged)
		d.end()
		end := room/2 - 3
		plus, minus := c.at(0, bridged), c.at(0, -bridged)
		corner := c.at(0, loop)
		d.wire(plus, corner, a.at(end, loop), a.at(end, -rim), c.at(0, -rim), minus)
	}
	for _, it := range items {
		at += space + it.half
		it.draw(row.by(at, 0))
		at += it.half
	}
}
