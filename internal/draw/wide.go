package draw

import (
	"math"
	"slices"
)

// Columns of the wide sheet, px.
const (
	chipL, chipR = 118.0, 188.0
	earX         = 98.0
	baseX        = 226.0 // base resistor
	nodeX        = 276.0 // pull-down
	swX          = 312.0 // switch of the low side, level transistor, what leads from it to the control of a high side
	clampX       = 344.0
	highX        = 424.0 // switch of the high side
	joint        = 446.0 // what an output switches: here the vehicle's wires begin
	wordsL       = chipR + 10
)

// preShift is how far a pre-biased transistor stands to the right.
const preShift = 30.0

func column(t Transistor) float64 {
	if t.Prebiased {
		return swX + preShift
	}
	return swX
}

// A bus is the upright wire of a feed: where it stands, where it starts, and where lamps meet it.
type bus struct {
	x, top float64
	taps   []float64
}

// wideSheet is what the rows share.
type wideSheet struct {
	*drafter
	names []string // of the feeds, outermost first
	buses map[string]*bus
	last  float64 // right end of the vehicle
}

// newBuses finds the feeds that are used.
func (d *drafter) newBuses() *wideSheet {
	w := &wideSheet{drafter: d, buses: map[string]*bus{}}
	use := func(net string) {
		if net != "" && net != d.s.Rails.Minus && w.buses[net] == nil {
			w.buses[net] = &bus{}
		}
	}
	for _, o := range d.s.Outputs {
		for _, k := range o.Lamps {
			if l := d.s.Lamps[k]; slices.Contains(d.s.Rails.nets(), l.Feed) {
				use(l.Feed)
			}
		}
		if o.high() || len(o.Lamps) == 0 {
			use(d.s.Rails.Plus)
		}
	}
	for _, n := range d.s.later {
		use(n)
	}
	for _, n := range d.s.Rails.nets() {
		if w.buses[n] != nil && !slices.Contains(w.names, n) {
			w.names = append(w.names, n)
		}
	}
	pitch := 20.0
	if len(w.names) > 3 {
		pitch = 14
	}
	for i, n := range w.names {
		w.buses[n].x = d.w - 14 - pitch*float64(i)
	}
	w.last = d.w - 14 - pitch*float64(max(len(w.names)-1, 0)) - 24
	return w
}

func (w *wideSheet) tap(net string, y float64) { w.buses[net].taps = append(w.buses[net].taps, y) }

// finish draws the upright wires, with a dot where a lamp meets one that goes on.
func (w *wideSheet) finish() {
	for _, n := range w.names {
		b := w.buses[n]
		if len(b.taps) == 0 { // it goes on in a later drawing
			w.terminal(b.x, b.top)
			continue
		}
		slices.Sort(b.taps)
		last := b.taps[len(b.taps)-1]
		w.wire(point{b.x, b.top}, point{b.x, last})
		for _, y := range b.taps[:len(b.taps)-1] {
			w.dot(b.x, y)
		}
	}
}

func (d *drafter) wide() {
	s, w := d.s, d.newBuses()
	if s.continued {
		w.goOn()
		return
	}
	top := d.topRoom() + 22
	used := func(n string) bool { return w.buses[n] != nil }
	y := top
	for _, n := range []string{s.Rails.Left, s.Rails.Right, s.Rails.Plus} {
		if used(n) {
			w.buses[n].top = y
			y += 22
		}
	}
	ownY := y + 8
	if used(s.Rails.Local) {
		w.buses[s.Rails.Local].top = ownY
		y = ownY + 30 + 16 + tall(s.Supply.Local.say(150)) + 12
	}
	mid := y + 26 + 46
	railL, railR := mid-46, mid+46
	const term, tapL, tapR, rectX = 12.0, 82.0, 108.0, 178.0
	// The track.
	for _, r := range []struct {
		name   string
		y, tap float64
	}{{s.Rails.Left, railL, tapL}, {s.Rails.Right, railR, tapR}} {
		d.terminal(term, r.y)
		d.name(r.name, "start", 4, r.y-9)
		d.probe(46, r.y, r.name)
		d.ammeter(r.name, 71, r.y)
	}
	r := d.rectify(term+3.5, rectX, mid, mid-railL)
	feed := func(n string, tap point) {
		if !used(n) {
			return
		}
		b := w.buses[n]
		d.dot(tap.x, tap.y)
		d.wire(tap, point{tap.x, b.top}, point{b.x, b.top})
		d.name(n, "end", b.x-8, b.top-5)
	}
	feed(s.Rails.Left, point{tapL, railL})
	feed(s.Rails.Right, point{tapR, railR})
	if used(s.Rails.Local) {
		d.own(w, ownY, [2]float64{tapL, tapR}, [2]float64{railL, railR})
	}
	// The supply.
	d.above(s.Supply.Rectifier.say(100), "start", rectX+r+4, mid-9)
	plusEnd := rectX + r + 40
	const reservoirX, plusX, regulatorX = 296.0, 328.0, 410.0
	if !s.Supply.Reservoir.absent() {
		d.dot(reservoirX, mid)
		d.wire(point{reservoirX, mid}, point{reservoirX, mid + 18})
		d.capacitor(reservoirX, mid+18)
		d.wire(point{reservoirX, mid + 25}, point{reservoirX, mid + 44})
		d.minus(reservoirX, mid+44)
		d.lines(s.Supply.Reservoir.say(88), "start", reservoirX+16, mid+22)
		plusEnd = reservoirX
	}
	if used(s.Rails.Plus) {
		feed(s.Rails.Plus, point{plusX, mid})
		plusEnd = plusX
	}
	chipX, logicY := (chipL+chipR)/2, mid+math.Max(78, 44+tall(s.Supply.Reservoir.say(88)))
	out := 0.0 // where the chip's supply turns down
	switch reg := s.Supply.Regulator; {
	case reg.absent():
	case !s.Supply.Ballast.absent():
		plusEnd, out = regulatorX, 472
		d.resistorOf(s.Supply.Ballast, axisAt{regulatorX + halfR, mid, 1, 0})
		d.above(s.Supply.Ballast.say(100), "middle", regulatorX+halfR, mid-13)
		d.dot(out, mid)
		d.wire(point{regulatorX + 2*halfR, mid}, point{506, mid}, point{506, mid + 44})
		d.zenerOf(s.Supply.Regulator, axisAt{506, mid + 24, 0, -1})
		d.minus(506, mid+44)
		d.lines(reg.say(110), "start", 524, mid+20)
		logicY = math.Max(logicY, mid+32+tall(reg.say(110)))
	default:
		plusEnd, out = regulatorX, 506
		d.begin()
		d.box(regulatorX, mid-17, 70, 34)
		d.end()
		d.answers(reg.ID, box{regulatorX, mid - 17, 70, 34})
		d.wire(point{regulatorX + 35, mid + 17}, point{regulatorX + 35, mid + 44})
		d.minus(regulatorX+35, mid+44)
		d.above(reg.say(150), "middle", regulatorX+35, mid-24)
		d.pen.text("tick", "start", regulatorX+4, mid+4, "in")
		d.pen.text("tick", "end", regulatorX+66, mid+4, "out")
		d.wire(point{regulatorX + 70, mid}, point{out, mid})
	}
	if b := w.buses[s.Rails.Logic]; b != nil {
		b.top = logicY
	}
	if out > 0 {
		d.wire(point{out, mid}, point{out, logicY}, point{chipX, logicY})
		if b := w.buses[s.Rails.Logic]; b != nil {
			d.dot(out, logicY)
			d.wire(point{out, logicY}, point{b.x, logicY})
		}
		d.lines([]words{{"value", s.Rails.Logic, s.net(probeSupply)}}, "end", out-6, logicY-5)
	}
	d.wire(point{rectX + r, mid}, point{plusEnd, mid})
	d.probe(math.Min(354, plusEnd), mid, probePlus)
	if out > 0 {
		d.probe(out, mid+30, probeSupply)
	}
	if s.Supply.Ballast.absent() {
		d.probe(regulatorX+35, mid+30, probeMinus)
	} else {
		d.probe(506, mid+42, probeMinus)
	}

	// The chip and its outputs.
	chipTop := logicY + 22
	if s.Chip.absent() && len(s.Outputs) == 0 {
		d.foot(logicY + 30)
		return
	}
	chipWords := s.Chip.say(chipR - chipL - 2)
	d.wire(point{chipX, logicY}, point{chipX, chipTop})
	ear := 0.0
	if s.Listen != (Listen{}) {
		ear = chipTop + math.Max(92, tall(chipWords)+24)
	}
	y, chipEnd := w.chip(chipWords, chipTop, ear)
	d.wire(point{chipX, chipEnd}, point{chipX, chipEnd + 12})
	d.minus(chipX, chipEnd+12)
	if ear > 0 {
		from := railL
		if s.Listen.From == s.Rails.Right {
			from = railR
		}
		d.dot(earX, from)
		d.wire(point{earX, from}, point{earX, ear}, point{chipL, ear})
		d.resistorOf(s.Listen.Series, axisAt{earX, ear - 32, 0, 1})
		ws := s.Listen.Series.say(earX - 16)
		d.middle(ws, "end", earX-12, ear-32)
		d.pen.text("value label", "start", chipL+5, ear+4, s.Listen.Into)
		d.probe((earX+chipL)/2, ear, s.Listen.Into)
		y = math.Max(y, ear-32+tall(ws)/2)
	}
	w.finish()
	d.foot(math.Max(y, chipEnd+30) + 14)
}

// chip draws the chip from top on with its outputs, and returns where the last output and where the chip ends, which
// reaches below the pin of the ear at the height ear.
func (w *wideSheet) chip(name []words, top, ear float64) (y, end float64) {
	y = top + tall(name) + 8
	for _, g := range w.s.groups() {
		y = w.group(g, y)
	}
	end = math.Max(y-20, math.Max(ear+20, top+tall(name)+24))
	w.begin()
	w.box(chipL, top, chipR-chipL, end-top)
	w.end()
	w.answers(w.s.Chip.ID, box{chipL, top, chipR - chipL, end - top})
	w.lines(name, "middle", (chipL+chipR)/2, top+16)
	return y, end
}

// goOn draws outputs without the supply, which an earlier drawing has: the feeds come in at the top by their names.
func (w *wideSheet) goOn() {
	y := w.topRoom() + 22
	for _, n := range w.names {
		b := w.buses[n]
		b.top = y
		w.terminal(b.x-120-3.5, y)
		w.wire(point{b.x - 120, y}, point{b.x, y})
		w.name(n, "end", b.x-8, y-5)
		y += 22
	}
	name := w.s.Chip.say(chipR - chipL - 2)
	for _, l := range fit("continued", chipR-chipL-2, false) {
		name = append(name, words{"tick", l, ""})
	}
	y, end := w.chip(name, y+8, 0)
	w.finish()
	w.foot(math.Max(y, end) + 14)
}

// own draws the vehicle's own two diodes, from the wires of the rails to the local plus.
func (d *drafter) own(w *wideSheet, y float64, tap, rail [2]float64) {
	const x, end, gap = 400.0, 440.0, 30.0
	b := w.buses[d.s.Rails.Local]
	for i, yy := range []float64{y, y + gap} {
		d.dot(tap[i], rail[i])
		if w.buses[[]string{d.s.Rails.Left, d.s.Rails.Right}[i]] != nil {
			d.dot(tap[i], yy)
		}
		d.wire(point{tap[i], rail[i]}, point{tap[i], yy}, point{end, yy})
		d.diode(axisAt{x, yy, 1, 0}, Rectifying)
	}
	d.wire(point{end, y + gap}, point{end, y}, point{b.x, y})
	d.dot(end, y)
	d.name(d.s.Rails.Local, "end", b.x-8, y-5)
	ws := d.s.Supply.Local.say(150)
	d.lines(ws, "start", 352, y+gap+22)
	d.boundary(344, y-14, 164, gap+14+16+tall(ws))
}

// boundary is the outline of what belongs to the vehicle.
func (d *drafter) boundary(x, y, w, h float64) {
	d.under.leaf("rect", "class", "boundary", "x", num(x), "y", num(y), "width", w, "height", h)
}

// A group is outputs that share lamps, with all of these: one wire.
type group struct {
	outs  []SchematicOutput
	lamps []int
}

// groups are the outputs in their order, those that share a lamp together, of these the high sides first.
func (s Schematic) groups() (gs []*group) {
	for _, o := range s.Outputs {
		one := &group{outs: []SchematicOutput{o}, lamps: o.Lamps}
		rest := gs[:0:0]
		at := -1
		for _, g := range gs {
			if !slices.ContainsFunc(g.lamps, func(k int) bool { return slices.Contains(one.lamps, k) }) {
				rest = append(rest, g)
				continue
			}
			if at < 0 {
				at = len(rest)
			}
			one.outs = append(slices.Clone(g.outs), one.outs...)
			one.lamps = append(slices.Clone(g.lamps), one.lamps...)
		}
		if at < 0 {
			at = len(rest)
		}
		gs = slices.Insert(rest, at, one)
	}
	for _, g := range gs {
		slices.SortStableFunc(g.outs, func(a, b SchematicOutput) int {
			switch {
			case a.high() == b.high():
				return 0
			case a.high():
				return -1
			}
			return 1
		})
		var seen []int
		for _, k := range g.lamps {
			if !slices.Contains(seen, k) {
				seen = append(seen, k)
			}
		}
		g.lamps = seen
	}
	return gs
}

// group draws outputs that share a wire from y down, their lamps on the right, and returns where the next may begin.
func (w *wideSheet) group(g *group, y float64) float64 {
	var left, right []float64 // where an output, and where a lamp, meets the joint
	laneTop, next := y, y
	lane := 0
	if len(g.lamps) == 0 { // a load at the plus
		o := g.outs[0]
		var line, bottom float64
		if o.high() {
			h := w.upper(o, y)
			line = h.from + 10
			w.wire(point{highX, h.from}, point{highX, line}, point{joint, line})
			bottom = w.lower(o, h, line)
		} else {
			line, bottom = w.low(o, y, y+30)
		}
		if b := w.buses[w.s.Rails.Plus]; b != nil {
			w.wire(point{joint, line}, point{b.x, line})
			w.tap(w.s.Rails.Plus, line)
		}
		return bottom + 16
	}
	first := func() float64 { return laneTop + w.over(w.s.Lamps[g.lamps[0]]) }
	place := func(line float64) {
		laneTop = w.lane(w.s.Lamps[g.lamps[lane]], laneTop, line) + 12
		right = append(right, line)
		lane++
	}
	for i, o := range g.outs {
		var line, bottom float64
		switch {
		case o.high():
			h := w.upper(o, next)
			laneTop = math.Max(laneTop, h.band)
			line = h.from + 8
			if i == len(g.outs)-1 || !g.outs[i+1].high() {
				line = math.Max(line, first())
				place(line)
			}
			w.wire(point{highX, h.from}, point{highX, line}, point{joint, line})
			bottom = w.lower(o, h, line)
		case lane == 0:
			line, bottom = w.low(o, next, first())
			place(line)
		default:
			line, bottom = w.low(o, next, next)
		}
		left = append(left, line)
		next = bottom + 16
	}
	for lane < len(g.lamps) {
		place(laneTop + w.over(w.s.Lamps[g.lamps[lane]]))
	}
	w.join(left, right)
	return math.Max(next, laneTop+4)
}

// join draws the upright wire at the joint, with a dot wherever three wires meet.
func (w *wideSheet) join(left, right []float64) {
	all := append(slices.Clone(left), right...)
	slices.Sort(all)
	all = slices.Compact(all)
	if len(all) == 1 {
		return
	}
	w.wire(point{joint, all[0]}, point{joint, all[len(all)-1]})
	for i, y := range all {
		n := 1 // up or down
		if i > 0 && i < len(all)-1 {
			n = 2
		}
		if slices.Contains(left, y) {
			n++
		}
		if slices.Contains(right, y) {
			n++
		}
		if n > 2 {
			w.dot(joint, y)
		}
	}
}

// low draws an output that switches the low side, or whose pin drives the lamps, with its line no higher than least. It
// returns the line's height and where the output ends.
func (w *wideSheet) low(o SchematicOutput, y, least float64) (line, bottom float64) {
	if o.pair() {
		return w.pair(o, y, least)
	}
	title := o.title(joint - wordsL - 20)
	x, start := column(o.Switch), chipR
	if o.driven() {
		start = x + 8
	}
	at := (math.Max(start, swX+8) + joint) / 2
	series := o.Series.say(joint - 8 - math.Max(start, swX+8))
	base := o.Base.say(72)
	line = math.Max(least, y+14+tall(title)+tall(series)+8)
	pinY := line
	if o.driven() {
		pinY = math.Max(line+30, y+14+tall(title)+tall(base)+8)
		line = pinY - 30
	}
	w.lines(title, "start", wordsL, y+14)
	w.pen.text("value label", "end", chipR-5, pinY+4, o.Pin)
	if !o.Series.absent() {
		w.resistorOf(o.Series, axisAt{at, line, 1, 0})
		w.above(series, "middle", at, line-13)
	}
	w.probe(joint-14, line, o.socket())
	if !o.driven() {
		w.wire(point{chipR, line}, point{joint, line})
		w.probe(chipR+10, line, o.Pin)
		return line, line + 14
	}
	w.wire(point{x, pinY - 20}, point{x, line}, point{joint, line})
	w.probe(x, line, o.drain("")...)
	w.probe(chipR+10, pinY, o.Pin)
	w.probe(nodeX, pinY, o.control("")...)
	bottom = w.stand(o.Switch, o.Base, o.Pulldown, pinY)
	return line, bottom
}

// pair draws an output of two transistors: the second stands to the right of the first and below it.
func (w *wideSheet) pair(o SchematicOutput, y, least float64) (line, bottom float64) {
	title, base := o.title(joint-wordsL-20), o.Base.say(72)
	series, driver := o.Series.say(highX-12-swX-12), o.Driver.say(highX-14-column(o.Driver)-18)
	line = math.Max(least, y+14+tall(title)+4)
	collectors := line
	if !o.Series.absent() {
		half := math.Max(halfR+6, tall(series)/2+4)
		collectors = line + 2*half
		w.resistorOf(o.Series, axisAt{highX, line + half, 0, 1})
		w.middle(series, "end", highX-12, line+half)
	}
	pinY := math.Max(collectors+36, y+14+tall(title)+tall(base)+8)
	w.lines(title, "start", wordsL, y+14)
	w.pen.text("value label", "end", chipR-5, pinY+4, o.Pin)
	x, first := column(o.Driver), pinY+4
	second := math.Max(pinY+44, first+tall(driver)+12)
	if o.Switch.Prebiased {
		second += 12
	}
	w.wire(point{highX, second - 20}, point{highX, line}, point{joint, line})
	w.wire(point{x, pinY - 20}, point{x, collectors}, point{highX, collectors})
	w.dot(highX, collectors)
	w.probe(highX, collectors, append(o.drain(""), o.drain(".driver")...)...)
	w.probe(joint-10, line, o.socket())
	w.probe(chipR+10, pinY, o.Pin)
	w.probe(nodeX, pinY, o.control(".driver")...)
	w.probe(x, second, o.control("")...)
	w.lines(driver, "start", x+18, first)
	// The base of the first.
	w.wire(point{chipR, pinY}, point{x - 24, pinY})
	if !o.Base.absent() {
		w.resistorOf(o.Base, axisAt{baseX, pinY, 1, 0})
		w.above(base, "middle", baseX, pinY-12)
	}
	w.transistor(o.Driver, x, pinY)
	left := pinY + 20 // where words on the left end
	if !o.Pulldown.absent() {
		left = w.pulldown(o.Driver, o.Pulldown, pinY)
	}
	// The base of the second, with what ties it to the minus.
	ground := second + 58
	w.wire(point{x, pinY + 20}, point{x, second}, point{highX - 24, second})
	w.transistor(o.Switch, highX, second)
	between, sw := o.Between.say(x-12-wordsL), o.Switch.say(highX-10-x-14)
	under := second + 36
	if o.Switch.Prebiased {
		under = second + outlineHalf + 14
	}
	bottom = under + tall(sw) - 11
	ground = math.Max(ground, bottom+4)
	if !o.Between.absent() {
		c := math.Max(second+32, left+18+tall(between)/2)
		ground = math.Max(ground, c+26)
		w.dot(x, second)
		w.wire(point{x, second}, point{x, ground})
		w.resistorOf(o.Between, axisAt{x, c, 0, 1})
		w.minus(x, ground)
		w.middle(between, "end", x-12, c)
		bottom = math.Max(bottom, c+tall(between)/2)
	}
	w.lines(sw, "end", highX-10, under)
	w.wire(point{highX, second + 20}, point{highX, ground})
	w.minus(highX, ground)
	return line, math.Max(math.Max(ground+4, bottom), left)
}

// pulldown draws what ties the control of a transistor to the minus, and returns where its words end.
func (w *wideSheet) pulldown(t Transistor, p Part, pinY float64) (bottom float64) {
	node, ground := nodeX-6, pinY+58
	if !t.Prebiased {
		node = nodeX
	}
	w.dot(node, pinY)
	w.wire(point{node, pinY}, point{node, ground})
	w.resistorOf(p, axisAt{node, pinY + 32, 0, 1})
	w.minus(node, ground)
	ws := p.say(node - 12 - wordsL)
	w.lines(ws, "end", node-12, pinY+28)
	return math.Max(ground+4, pinY+28+tall(ws)-11)
}

// stand draws a transistor of the low side in its column with what stands at its base, and returns where it ends.
func (w *wideSheet) stand(t Transistor, base, pulldown Part, pinY float64) (bottom float64) {
	x := column(t)
	ground := pinY + 58
	if t.absent() {
		return pinY + 10
	}
	w.wire(point{chipR, pinY}, point{x - 24, pinY})
	if !base.absent() {
		w.resistorOf(base, axisAt{baseX, pinY, 1, 0})
		w.above(base.say(72), "middle", baseX, pinY-12)
	}
	w.transistor(t, x, pinY)
	w.wire(point{x, pinY + 20}, point{x, ground})
	w.minus(x, ground)
	ws := t.say(joint - 8 - x - 20)
	w.lines(ws, "start", x+20, pinY+8)
	bottom = math.Max(ground+4, pinY+8+tall(ws)-11)
	if !pulldown.absent() {
		bottom = math.Max(bottom, w.pulldown(t, pulldown, pinY))
	}
	return bottom
}

// highStage is what the lower half of a high side needs to know of its upper half.
type highStage struct {
	control float64 // height of the switch's base or gate
	from    float64 // where its wire to the lamps may turn
	band    float64 // end of what it takes of the lamps' room
}

// upper draws a high-side switch at the plus, with pull-up, clamp and series resistor.
func (w *wideSheet) upper(o SchematicOutput, y float64) (h highStage) {
	title := o.title(swX - 14 - wordsL)
	clamp, pull := o.Clamp.say(76), o.Pullup.say(swX-12-wordsL)
	w.lines(title, "start", wordsL, y+14)
	rail := y + 18
	if !o.Clamp.absent() {
		rail += tall(clamp)
		w.above(clamp, "middle", clampX, rail-8)
	}
	pullY := math.Max(rail+29, y+14+tall(title)+tall(pull)/2)
	h.control = math.Max(pullY+29, rail+60)
	pullY = h.control - 29
	left := highX
	if !o.Pullup.absent() {
		left = swX
		w.resistorOf(o.Pullup, axisAt{swX, pullY, 0, 1})
		w.wire(point{swX, rail}, point{swX, h.control})
		w.middle(pull, "end", swX-12, pullY)
	}
	if !o.Clamp.absent() {
		left = math.Min(left, clampX)
		w.wire(point{clampX, rail}, point{clampX, h.control})
		w.zenerOf(o.Clamp, axisAt{clampX, (rail + h.control) / 2, 0, -1})
		w.dot(clampX, h.control)
		if left < clampX {
			w.dot(clampX, rail)
		}
	}
	w.wire(point{swX, h.control}, point{highX - 24, h.control})
	w.wire(point{highX, rail}, point{highX, h.control - 20})
	if left < highX {
		w.dot(highX, rail)
	}
	if b := w.buses[w.s.Rails.Plus]; b != nil {
		w.wire(point{left, rail}, point{b.x, rail})
		w.tap(w.s.Rails.Plus, rail)
	}
	w.transistor(o.Switch, highX, h.control)
	w.probe(highX-42, h.control, o.control("")...)
	out := o.drain("")
	if o.Series.absent() {
		out = append(out, o.socket())
	}
	w.probe(highX, h.control+26, out...)
	ws := o.Switch.say(w.last - joint - 14)
	w.lines(ws, "start", joint+12, math.Max(rail+18, h.control-14))
	h.band = math.Max(h.control+16, math.Max(rail+18, h.control-14)+tall(ws)-6)
	h.from = h.control + 20
	if !o.Series.absent() {
		ws := o.Series.say(highX - 12 - swX - 12)
		c := h.control + 32 + math.Max(halfR, tall(ws)/2)
		w.wire(point{highX, h.from}, point{highX, c + halfR + 4})
		w.resistorOf(o.Series, axisAt{highX, c, 0, 1})
		w.middle(ws, "end", highX-12, c)
		h.from = c + math.Max(halfR, tall(ws)/2) + 4
		w.wire(point{highX, c}, point{highX, h.from})
		w.probe(highX, h.from, o.socket())
	}
	return h
}

// lower draws the way from the pin to the control of a high side, below the line to the lamps.
func (w *wideSheet) lower(o SchematicOutput, h highStage, line float64) (bottom float64) {
	at, end := h.control, h.control
	ws, level := o.Base.say(swX-12-wordsL), o.LevelBase.say(72)
	if !o.Base.absent() {
		half := math.Max(halfR+6, tall(ws)/2)
		c := at + 10 + half
		w.resistorOf(o.Base, axisAt{swX, c, 0, 1})
		w.middle(ws, "end", swX-12, c)
		end = c + half
	}
	if !o.Pullup.absent() {
		w.dot(swX, at)
	}
	if o.Level.absent() {
		pinY := math.Max(end+14, line+14)
		w.wire(point{swX, at}, point{swX, pinY}, point{chipR, pinY})
		w.probe(chipR+10, pinY, o.Pin)
		w.pen.text("value label", "end", chipR-5, pinY+4, o.Pin)
		return pinY + 8
	}
	x := column(o.Level)
	pinY := math.Max(math.Max(end+44, end+tall(level)+22), line+26)
	w.wire(point{swX, at}, point{swX, pinY - 36}, point{x, pinY - 36}, point{x, pinY - 20})
	w.pen.text("value label", "end", chipR-5, pinY+4, o.Pin)
	w.probe(chipR+10, pinY, o.Pin)
	w.probe(nodeX, pinY, o.control(".level")...)
	w.probe(x, pinY-36, o.drain(".level")...)
	return w.stand(o.Level, o.LevelBase, o.Pulldown, pinY)
}

// slots shares the room of a lamp among its symbols.
func slots(es []element, room float64) []float64 {
	sum := 0.0
	for _, e := range es {
		sum += e.weight
	}
	out := make([]float64, len(es))
	for i, e := range es {
		out[i] = room * e.weight / sum
	}
	return out
}

// laneL is where the symbols of a lamp begin.
const laneL = joint + 8

// over is what a lamp takes above its line.
func (w *wideSheet) over(l SchematicLamp) (h float64) {
	es := l.elements()
	for i, room := range slots(es, w.last-4-laneL) {
		h = math.Max(h, es[i].off+tall(es[i].part.say(room-8)))
	}
	return h + 10
}

// lane draws one lamp on its line, its outline from top on, and returns where that ends.
func (w *wideSheet) lane(l SchematicLamp, top, line float64) (end float64) {
	s := w.s
	es := l.elements()
	room := w.last - 4 - laneL
	rooms := slots(es, room)
	dir := axisAt{0, line, -1, 0}
	x, step := w.last-4, -1.0
	if l.Inward {
		dir.dx = 1
		x, step = laneL, 1
	}
	depth, over := 10.0, 0.0
	for i, e := range es {
		a := dir
		a.x = x + step*rooms[i]/2
		e.draw(w.drafter, a, rooms[i])
		half := math.Min(e.along, rooms[i]) / 2
		w.answers(e.part.ID, box{a.x - half, line - e.off + 4, 2 * half, e.off - 4 + e.depth})
		ws := e.part.say(rooms[i] - 8)
		w.above(ws, "middle", a.x, line-e.off)
		depth, over = math.Max(depth, e.depth), math.Max(over, e.off+tall(ws))
		x += step * rooms[i]
	}
	x = w.last + 6
	switch b := w.buses[l.Feed]; {
	case l.Feed == s.Rails.Minus && l.Feed != "":
		w.wire(point{joint, line}, point{x, line}, point{x, line + 16})
		w.minus(x, line+16)
	case b != nil:
		w.wire(point{joint, line}, point{b.x, line})
		w.tap(l.Feed, line)
	default:
		w.wire(point{joint, line}, point{x, line})
		w.terminal(x, line)
	}
	label := fit(l.label(s.fed(l)), room-6, false)
	if l.isResistor() { // a part of the decoder, and not inside the vehicle's outline
		for i, t := range label {
			w.pen.text("tick label", "middle", laneL+room/2, line+depth+12+lineStep*float64(i), t)
		}
		return line + depth + 4 + lineStep*float64(len(label))
	}
	end = line + depth + 9 + lineStep*float64(len(label))
	start := math.Max(top, line-over-8)
	w.boundary(joint+5, start, w.last-2-joint-5, end-start)
	for i, t := range label {
		w.pen.text("tick label", "start", joint+12, end-6-lineStep*float64(len(label)-1-i), t)
	}
	return end
}
