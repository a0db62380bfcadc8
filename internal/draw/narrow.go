package draw

import (
	"cmp"
	"math"
	"slices"
)

// Columns of the narrow sheet, px.
const (
	stripL, stripR = 4.0, 46.0 // the chip
	stripX         = (stripL + stripR) / 2
	textL          = stripR + 8
	besidePin      = stripR + 8
	padX           = 74.0  // base resistor
	pulldownX      = 104.0 // pull-down
	controlX       = 132.0 // from a level transistor to the control of a high side
	wireX          = 146.0 // joins lamps side by side
	chainX         = 214.0 // switch and lamps
	besideX        = chainX + 20
)

// room is the width of words beside the chain.
func (d *drafter) beside() float64 { return d.w - 4 - besideX }

// narrow draws for a phone: supply on top, the chip as a strip on the left, each output a column of symbols
// with its words on the right. Nets meet by their names.
func (d *drafter) narrow() {
	s := d.s
	mid := d.topRoom() + 14 + 62
	railL, railR := mid-44, mid+44
	const term, rectX = 10.0, 146.0
	plusX := d.w - 10
	for _, r := range []struct {
		name string
		y    float64
	}{{s.Rails.Left, railL}, {s.Rails.Right, railR}} {
		d.terminal(term, r.y)
		d.name(r.name, "start", 4, r.y-9)
		d.probe(44, r.y, r.name)
		d.ammeter(r.name, 84, r.y)
	}
	r := d.rectify(term+3.5, rectX, mid, mid-railL)
	d.above(s.Supply.Rectifier.say(plusX-rectX-r-10), "start", rectX+r+4, mid-9)
	// The plus runs down on the right; from it the supply runs back to the left, to the chip.
	d.name(s.Rails.Plus, "end", plusX-6, mid+16)
	reg, ballast := s.Supply.Regulator.say(130), s.Supply.Ballast.say(130)
	if s.Supply.Ballast.absent() {
		ballast = nil
	} else {
		reg = s.Supply.Regulator.say(72)
	}
	level := railR + 34 + math.Max(tall(reg), tall(ballast)) + 4
	if s.Supply.From != "" { // below the minus that hangs on a rail
		level += 12
	}
	d.wire(point{rectX + r, mid}, point{plusX, mid}, point{plusX, level})
	d.probe(plusX, mid+34, probePlus)
	left := plusX
	chipTop := level + 66
	const reservoirX = 190.0
	if !s.Supply.Reservoir.absent() {
		ws := s.Supply.Reservoir.say(plusX - reservoirX - 20)
		d.dot(reservoirX, level)
		d.wire(point{reservoirX, level}, point{reservoirX, level + 18})
		d.capacitor(reservoirX, level+18)
		d.wire(point{reservoirX, level + 25}, point{reservoirX, level + 42})
		d.minus(reservoirX, level+42)
		d.lines(ws, "start", reservoirX+15, level+20)
		left = reservoirX
		chipTop = math.Max(chipTop, level+36+tall(ws))
	}
	switch {
	case s.Supply.Regulator.absent():
	case ballast != nil:
		const zenerX, at = 84.0, 128.0
		d.dot(zenerX, level)
		d.resistorOf(s.Supply.Ballast, axisAt{at, level, 1, 0})
		d.above(ballast, "middle", at, level-13)
		d.wire(point{zenerX, level}, point{zenerX, level + 46})
		d.zenerOf(s.Supply.Regulator, axisAt{zenerX, level + 24, 0, -1})
		d.minus(zenerX, level+46)
		d.probe(zenerX, level+44, probeMinus)
		d.lines(reg, "start", zenerX+14, level+24)
		chipTop = math.Max(chipTop, level+44+tall(reg))
		left = stripX
	default:
		d.begin()
		d.box(92, level-17, 62, 34)
		d.end()
		d.answers(s.Supply.Regulator.ID, box{92, level - 17, 62, 34})
		d.wire(point{123, level + 17}, point{123, level + 42})
		d.minus(123, level+42)
		d.probe(123, level+30, probeMinus)
		d.above(reg, "middle", 123, level-24)
		d.pen.text("tick", "end", 150, level+4, "in")
		d.pen.text("tick", "start", 96, level+4, "out")
		d.wire(point{92, level}, point{stripX, level})
		left = 154
	}
	d.wire(point{left, level}, point{plusX, level})
	if s.Chip.absent() && len(s.Outputs) == 0 {
		d.foot(chipTop + 20)
		return
	}
	if !s.Supply.Regulator.absent() {
		d.wire(point{stripX, level}, point{stripX, chipTop})
		d.probe(stripX, level+24, probeSupply)
		d.lines([]words{{"value", s.Rails.Logic, s.net(probeSupply)}}, "start", stripX+6, chipTop-7)
	}
	chip := s.Chip.say(d.w - 4 - textL)
	d.lines(chip, "start", textL, chipTop+14)
	y := chipTop + tall(chip) + 14
	if s.Listen != (Listen{}) {
		in := y + 8
		ws := s.Listen.Series.say(150)
		d.pen.text("value label", "end", stripR-4, in+4, s.Listen.Into)
		d.wire(point{stripR, in}, point{stripR + 66, in})
		d.resistorOf(s.Listen.Series, axisAt{stripR + 32, in, 1, 0})
		d.probeBeside(besidePin, in, s.Listen.Into)
		d.terminal(stripR+69.5, in)
		d.name(s.Listen.From, "start", stripR+78, in+4)
		d.lines(ws, "start", stripR+19, in+22)
		y = in + 26 + tall(ws)
	}
	if !s.Supply.Local.absent() {
		y = d.ownNarrow(y)
	}
	drawn := map[int]string{} // lamps, and the outputs they were drawn with
	for _, o := range s.Outputs {
		y = d.column(o, y, drawn)
	}
	d.begin()
	d.box(stripL, chipTop, stripR-stripL, y-chipTop)
	d.end()
	d.answers(s.Chip.ID, box{stripL, chipTop, stripR - stripL, y - chipTop})
	d.wire(point{stripX, y}, point{stripX, y + 12})
	d.minus(stripX, y+12)
	d.foot(y + 40)
}

// ownNarrow draws the vehicle's own two diodes from y down.
func (d *drafter) ownNarrow(y float64) float64 {
	const from, at, end = 62.0, 156.0, 196.0
	a, b := y+24, y+58
	for _, r := range []struct {
		name string
		y    float64
	}{{d.s.Rails.Left, a}, {d.s.Rails.Right, b}} {
		d.terminal(from, r.y)
		d.wire(point{from + 3.5, r.y}, point{end, r.y})
		d.diode(axisAt{at, r.y, 1, 0}, Rectifying)
		d.name(r.name, "start", from-5, r.y-7)
	}
	d.wire(point{end, b}, point{end, a}, point{end + 26.5, a})
	d.dot(end, a)
	d.terminal(end+30, a)
	d.name(d.s.Rails.Local, "start", end+40, a+4)
	ws := d.s.Supply.Local.say(d.w - 20 - 130)
	d.lines(ws, "start", 134, b+24)
	d.boundary(126, y+4, d.w-6-126, b+18+tall(ws)-y)
	return b + 30 + tall(ws)
}

// feed draws the end of a chain at a net: a named terminal, or the bar of the minus below.
func (d *drafter) feed(net string, y float64, above bool) {
	if net == d.s.Rails.Minus && net != "" && !above {
		d.minus(chainX, y)
		return
	}
	d.terminal(chainX, y)
	d.name(cmp.Or(net, "feed not known"), "start", chainX+10, y+4)
}

// column draws one output of the narrow sheet. What gives current stands above what takes it: for the low side feed, lamp,
// series, switch, minus; for the high side plus, switch, series, lamp, feed, and below them the way to its control.
func (d *drafter) column(o SchematicOutput, y float64, drawn map[int]string) float64 {
	title := o.title(d.w - 10 - textL)
	d.lines(title, "start", textL, y+18)
	y += 10 + tall(title)
	var own []int
	with := "" // a lamp that stands elsewhere: this output ends on its wire
	for _, k := range o.Lamps {
		if at, have := drawn[k]; have {
			with = cmp.Or(with, "wire of lamp "+d.s.Lamps[k].Name+", at output "+at)
		} else if !slices.Contains(own, k) {
			own = append(own, k)
			drawn[k] = o.Name
		}
	}
	if o.source() {
		return d.givingColumn(o, y, own, with)
	}
	return d.takingColumn(o, y, own, with)
}

// put sets a resistor on the chain and returns where it ends.
func (d *drafter) put(p Part, y float64) float64 {
	if p.absent() {
		return y
	}
	ws := p.say(d.beside())
	h := math.Max(2*halfR+10, tall(ws)+8)
	d.resistorOf(p, axisAt{chainX, y + h/2, 0, 1})
	d.middle(ws, "start", besideX, y+h/2)
	return y + h
}

// elsewhere names a wire that is drawn with another output.
func (d *drafter) elsewhere(text string, y float64) (end float64) {
	ws := fit(text, d.w-4-chainX-10, true)
	d.terminal(chainX, y)
	for i, l := range ws {
		d.name(l, "start", chainX+10, y+4+lineStep*float64(i))
	}
	return y + lineStep*float64(len(ws)-1)
}

// takingColumn draws an output of the low side, or one whose pin takes the current.
func (d *drafter) takingColumn(o SchematicOutput, y float64, own []int, with string) float64 {
	start := y + 8
	switch {
	case len(o.Lamps) == 0:
		d.feed(d.s.Rails.Plus, start, true)
		y = start + 12
	case with != "":
		y = math.Max(d.elsewhere(with, start)+10, start+12)
	}
	top := start + 3.5 // of the chain without a break
	var ends []float64
	for i, k := range own {
		l := d.s.Lamps[k]
		if i > 0 || with != "" {
			y += 12
		}
		feedY := y + 8
		d.feed(l.Feed, feedY, true)
		y = d.chain(l, feedY+12, false)
		d.wire(point{chainX, feedY + 3.5}, point{chainX, y + 4})
		y += 4
		ends = append(ends, y)
		top = y
	}
	if len(ends) > 0 && (len(ends) > 1 || with != "") {
		// Side by side: every lamp's wire goes to the left and down to the series resistor.
		join := y + 10
		first := ends[0]
		if with != "" {
			first = start
			d.wire(point{chainX, start + 3.5}, point{chainX, start + 10}, point{wireX, start + 10})
			first = start + 10
		}
		d.wire(point{wireX, first}, point{wireX, join}, point{chainX, join})
		for i, e := range ends {
			if i == len(ends)-1 {
				break
			}
			d.wire(point{chainX, e}, point{wireX, e})
			if i > 0 || with != "" {
				d.dot(wireX, e)
			}
		}
		d.dot(chainX, join)
		y = join + 4
	}
	socket := y + 2
	y = d.put(o.Series, y+6)
	defer func() { d.probe(chainX, socket, o.socket()) }() // over the wire
	if !o.driven() {
		pinY := y + 12
		d.probeBeside(besidePin, pinY, o.Pin)
		d.wire(point{chainX, top}, point{chainX, pinY}, point{stripR, pinY})
		d.pen.text("value label", "end", stripR-4, pinY+4, o.Pin)
		return pinY + 22
	}
	if o.pair() {
		return d.pairColumn(o, y, top)
	}
	base := o.Base.say(chainX - 30 - textL)
	if o.Switch.Prebiased {
		base = o.Base.say(chainX - outline - 8 - textL)
	}
	pinY := math.Max(y+34, y+tall(base)+8)
	d.wire(point{chainX, top}, point{chainX, pinY - 20})
	d.probe(chainX, pinY-28, o.drain("")...)
	d.probe(pulldownX, pinY, o.control("")...)
	return d.footColumn(o.Pin, o.Switch, o.Base, base, o.Pulldown, pinY)
}

// pairColumn draws two transistors below the chain from y down: the first to the left of the chain, the second on it.
func (d *drafter) pairColumn(o SchematicOutput, y, top float64) float64 {
	const firstX = 166.0
	base, driver := o.Base.say(firstX-30-textL), o.Driver.say(d.beside())
	collectors := y + 10
	// Beside the outline of a pre-biased driver there is no room: words go above it, the pull-down below.
	node, over, below := pulldownX, 12.0, 0.0
	if o.Driver.Prebiased {
		node, over, below = 98, outlineHalf+6, outlineHalf
	}
	pinY := math.Max(collectors+18+over, y+tall(base)+over-4)
	at := pinY + 4
	second := math.Max(pinY+46, at+tall(driver)+10)
	if o.Driver.Prebiased || o.Switch.Prebiased {
		second += 16
	}
	tie := firstX // where the base of the second is tied to the minus: clear of its outline
	if o.Switch.Prebiased {
		tie, second = chainX-outline-8, math.Max(second, pinY+2*outlineHalf+14)
	}
	pullRoom := 2 * math.Min(node-textL, tie-6-node)
	d.wire(point{chainX, top}, point{chainX, second - 20})
	d.wire(point{firstX, pinY - 20}, point{firstX, collectors}, point{chainX, collectors})
	d.dot(chainX, collectors)
	d.probe(chainX, collectors, append(o.drain(""), o.drain(".driver")...)...)
	d.probe(node, pinY, o.control(".driver")...)
	d.probe(tie, second, o.control("")...)
	d.probeBeside(besidePin, pinY, o.Pin)
	d.wire(point{stripR, pinY}, point{firstX - 24, pinY})
	d.pen.text("value label", "end", stripR-4, pinY+4, o.Pin)
	if !o.Base.absent() {
		d.resistorOf(o.Base, axisAt{padX, pinY, 1, 0})
		d.above(base, "start", textL, pinY-over)
	}
	d.transistor(o.Driver, firstX, pinY)
	d.lines(driver, "start", besideX, at)
	d.line("lead", point{firstX + 16, pinY}, point{chainX - 5, pinY})
	d.line("lead", point{chainX + 5, pinY}, point{besideX - 5, pinY})
	sw := o.Switch.say(d.beside())
	first := second + 4 - lineStep*float64(len(sw)-1)/2
	if len(driver) > 0 {
		first = math.Max(first, at+tall(driver)+4)
	}
	d.lines(sw, "start", besideX, first)
	if turn := second - outlineHalf - 8; tie < firstX {
		d.wire(point{firstX, pinY + 20}, point{firstX, turn}, point{tie, turn}, point{tie, second}, point{chainX - 24, second})
	} else {
		d.wire(point{firstX, pinY + 20}, point{firstX, second}, point{chainX - 24, second})
	}
	d.transistor(o.Switch, chainX, second)
	ground := second + 62
	if !o.Between.absent() {
		ws := o.Between.say(tie - 12 - textL)
		c := second + 36
		if !o.Pulldown.absent() {
			c = math.Max(c, pinY+64+below+tall(o.Pulldown.say(pullRoom))+tall(ws)/2)
		}
		ground = math.Max(ground, c+26)
		d.dot(tie, second)
		d.wire(point{tie, second}, point{tie, ground})
		d.resistorOf(o.Between, axisAt{tie, c, 0, 1})
		d.minus(tie, ground)
		d.middle(ws, "end", tie-12, c)
		ground = math.Max(ground, c+tall(ws)/2)
	}
	bottom := math.Max(ground+6, first+tall(sw)-8)
	if !o.Pulldown.absent() {
		ground := pinY + 52 + below
		d.dot(node, pinY)
		d.wire(point{node, pinY}, point{node, ground})
		d.resistorOf(o.Pulldown, axisAt{node, ground - 26, 0, 1})
		d.minus(node, ground)
		ws := o.Pulldown.say(pullRoom)
		d.lines(ws, "middle", node, ground+16)
		bottom = math.Max(bottom, ground+4+tall(ws))
	}
	d.wire(point{chainX, second + 20}, point{chainX, ground})
	d.minus(chainX, ground)
	return bottom + 16
}

// footColumn draws a transistor of the low side on the chain and what stands at its base.
func (d *drafter) footColumn(pin string, t Transistor, base Part, baseWords []words, pulldown Part, pinY float64) float64 {
	d.wire(point{stripR, pinY}, point{chainX - 24, pinY})
	d.probeBeside(besidePin, pinY, pin)
	d.pen.text("value label", "end", stripR-4, pinY+4, pin)
	if !base.absent() {
		d.resistorOf(base, axisAt{padX, pinY, 1, 0})
		d.above(baseWords, "start", textL, pinY-12)
	}
	d.transistor(t, chainX, pinY)
	sw := t.say(d.beside())
	first := pinY + 4 - lineStep*float64(len(sw)-1)/2
	d.lines(sw, "start", besideX, first)
	ground := pinY + 62
	if t.Prebiased {
		ground += 14
	}
	bottom := math.Max(ground+6, first+tall(sw)-8)
	if !pulldown.absent() {
		d.dot(pulldownX, pinY)
		d.wire(point{pulldownX, pinY}, point{pulldownX, ground})
		d.resistorOf(pulldown, axisAt{pulldownX, ground - 26, 0, 1})
		d.minus(pulldownX, ground)
		ws := pulldown.say(chainX - 14 - pulldownX - 12)
		at := ground - 30
		if t.Prebiased {
			at = ground - 32
		}
		d.lines(ws, "start", pulldownX+12, at)
		bottom = math.Max(bottom, at+tall(ws)-8)
	}
	d.wire(point{chainX, pinY + 20}, point{chainX, ground})
	d.minus(chainX, ground)
	return bottom + 16
}

// givingColumn draws an output of the high side, or one whose pin gives the current.
func (d *drafter) givingColumn(o SchematicOutput, y float64, own []int, with string) float64 {
	control, controlAt := 0.0, controlX
	if o.driven() {
		if o.Switch.Prebiased && !o.Clamp.absent() {
			controlAt -= 20
		}
		y, control = d.upperColumn(o, y, controlAt)
	} else {
		pinY := y + 10
		d.wire(point{stripR, pinY}, point{chainX, pinY}, point{chainX, pinY + 10})
		d.probeBeside(besidePin, pinY, o.Pin)
		d.pen.text("value label", "end", stripR-4, pinY+4, o.Pin)
		y = pinY + 6
	}
	top := y
	y = d.put(o.Series, y)
	socket := y + 6
	defer func() { d.probe(chainX, socket, o.socket()) }() // over the wire
	switch {
	case len(o.Lamps) == 0:
		d.wire(point{chainX, top}, point{chainX, y + 12})
		d.feed(d.s.Rails.Plus, y+15.5, true)
		y += 22
	case with != "":
		d.wire(point{chainX, top}, point{chainX, y + 16.5})
		y = d.elsewhere(with, y+20) + 8
	}
	split := y + 6
	if len(own) > 0 && with != "" {
		split = top + 2
	}
	last := split
	for i, k := range own {
		l := d.s.Lamps[k]
		from := top
		if i > 0 || with != "" {
			from = y + 10
			d.wire(point{wireX, from}, point{chainX, from})
			if i < len(own)-1 {
				d.dot(wireX, from)
			}
			last = from
		}
		begin := math.Max(y+12, from+6)
		end := d.chain(l, begin, true)
		feedY := end + 12
		d.wire(point{chainX, from}, point{chainX, feedY - 3.5})
		if l.Feed == d.s.Rails.Minus {
			d.wire(point{chainX, feedY - 3.5}, point{chainX, feedY})
		}
		d.feed(l.Feed, feedY, false)
		y = feedY + 8
	}
	if last > split {
		d.dot(chainX, split)
		d.wire(point{chainX, split}, point{wireX, split}, point{wireX, last})
	}
	if !o.driven() {
		return y + 18
	}
	if o.Level.absent() {
		pinY := y + 14
		d.wire(point{controlAt, control}, point{controlAt, pinY}, point{stripR, pinY})
		d.probeBeside(besidePin, pinY, o.Pin)
		d.pen.text("value label", "end", stripR-4, pinY+4, o.Pin)
		return pinY + 20
	}
	base := o.LevelBase.say(controlAt - 8 - textL)
	pinY := math.Max(y+50, y+tall(base)+16)
	d.wire(point{controlAt, control}, point{controlAt, pinY - 38}, point{chainX, pinY - 38}, point{chainX, pinY - 20})
	d.probe(chainX, pinY-38, o.drain(".level")...)
	d.probe(pulldownX, pinY, o.control(".level")...)
	return d.footColumn(o.Pin, o.Level, o.LevelBase, base, o.Pulldown, pinY)
}

// upperColumn draws a high-side switch with what stands at its control, and returns where its chain goes on, and the
// height of the control.
func (d *drafter) upperColumn(o SchematicOutput, y, controlAt float64) (end, control float64) {
	room := controlAt - 12 - textL
	clamp, pull, base := o.Clamp.say(chainX-20-textL), o.Pullup.say(room), o.Base.say(room)
	rail := y + 12
	d.terminal(chainX, rail)
	d.name(d.s.Rails.Plus, "start", chainX+10, rail+4)
	left := chainX
	half := math.Max(29, tall(pull)/2+4)
	if !o.Clamp.absent() {
		rail += tall(clamp)
		d.above(clamp, "end", chainX-16, rail-9)
	} else if !o.Pullup.absent() {
		rail += 12
	}
	control = rail + math.Max(2*half, 60)
	if !o.Pullup.absent() {
		left = controlAt
		d.wire(point{controlAt, rail}, point{controlAt, control})
		d.dot(controlAt, control)
		d.resistorOf(o.Pullup, axisAt{controlAt, (rail + control) / 2, 0, 1})
		d.middle(pull, "end", controlAt-12, (rail+control)/2)
	}
	if !o.Clamp.absent() {
		x := controlAt + 26
		left = math.Min(left, x)
		d.wire(point{x, rail}, point{x, control})
		d.dot(x, control)
		if left < x {
			d.dot(x, rail)
		}
		d.zenerOf(o.Clamp, axisAt{x, (rail + control) / 2, 0, -1})
	}
	d.wire(point{chainX, y + 15.5}, point{chainX, control - 20})
	if left < chainX {
		d.wire(point{left, rail}, point{chainX, rail})
		d.dot(chainX, rail)
	}
	d.wire(point{controlAt, control}, point{chainX - 24, control})
	d.transistor(o.Switch, chainX, control)
	sw := o.Switch.say(d.beside())
	first := control + 4 - lineStep*float64(len(sw)-1)/2
	d.lines(sw, "start", besideX, first)
	end = math.Max(control+26, first+tall(sw)-8)
	if o.Switch.Prebiased {
		end = math.Max(end, control+outlineHalf+4)
	}
	if !o.Base.absent() {
		h := math.Max(halfR+6, tall(base)/2+2)
		c := control + 10 + h
		d.resistorOf(o.Base, axisAt{controlAt, c, 0, 1})
		d.middle(base, "end", controlAt-12, c)
		end = math.Max(end, c+h-30)
	}
	d.wire(point{chainX, control + 20}, point{chainX, end})
	d.probe(controlAt, control, o.control("")...)
	d.probe(chainX, control+28, o.drain("")...)
	return end, control
}

// chain draws a lamp on the chain from y down, with its outline, and returns where that ends.
func (d *drafter) chain(l SchematicLamp, y float64, giving bool) float64 {
	es := l.elements()
	start := y - 4
	dir := axisAt{chainX, 0, 0, 1}
	if l.Inward != giving { // its current goes up
		slices.Reverse(es)
		dir.dy = -1
	}
	x, room := besideX, d.beside()
	reach := 30.0
	for _, e := range es {
		reach = math.Max(reach, 9+e.across)
		if e.off > 30 { // it reaches over to the right
			x, room = besideX+14, d.beside()-14
		}
	}
	y += 6
	for _, e := range es {
		ws := e.part.say(room)
		h := math.Max(e.along, tall(ws)+8)
		a := dir
		a.y = y + h/2
		e.draw(d, a, e.along)
		d.answers(e.part.ID, box{chainX - 9 - e.across, y + h/2 - e.along/2, 18 + e.across, e.along})
		d.middle(ws, "start", x, y+h/2)
		y += h
	}
	label := fit(l.label(true), room, false)
	if l.isResistor() { // a part of the decoder, and not inside the vehicle's outline
		for i, t := range label {
			d.pen.text("tick label", "start", x, y+12+lineStep*float64(i), t)
		}
		return y + 8 + lineStep*float64(len(label))
	}
	for i, t := range label {
		d.pen.text("tick label", "start", x, y+12+lineStep*float64(i), t)
	}
	y += 10 + lineStep*float64(len(label))
	d.boundary(chainX-reach, start, d.w-2-chainX+reach, y-start)
	return y
}
