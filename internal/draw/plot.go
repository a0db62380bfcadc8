package draw

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"fettle/internal/finding"
	"fettle/internal/unit"
)

// Plot draws a figure: a frame, axes titled "quantity / unit", spreads as shades, limits as bands with a
// hatched edge on the forbidden side, curves, points with error bars (hollow: left out), named places.
// Every name stands beside what it names; where there is no room a letter does, and the name stands below.
func Plot(f finding.Figure, o Options) string {
	pl := newPlot(f, o)
	pl.layout()
	pl.labels()
	return pl.write()
}

type label struct {
	text    string
	lines   []string
	bold    bool
	sample  int // curve whose stroke stands before the text; −1: none
	anchors []point
	off     float64
	edges   []box // places to try first, in order
	w, h    float64
}

type placedLabel struct {
	label
	at    box
	leads []point // a thin line from the label to what it names
}

type plot struct {
	f         finding.Figure
	o         Options
	w, h      float64
	top       float64 // of the whole drawing: title of a drawing that stands alone
	frame     box
	x, y      *scale
	curves    [][][]point
	shades    [][]point
	placer    placer
	placed    []placedLabel
	key       []label // names that found no room beside what they name
	letters   []placedLabel
	titles    []string // lines of title, of a drawing that stands alone
	yTitle    []string
	caption   []string
	rightRoom float64
}

const (
	sampleLength = 22.0
	sampleGap    = 4.0
	letterSize   = 15.0
	tickGap      = 36.0 // px between ticks of the ordinate, at least
)

func newPlot(f finding.Figure, o Options) *plot {
	p := &plot{f: f, o: o, w: o.width()}
	p.h = o.Height
	if p.h == 0 {
		p.h = math.Min(math.Max(p.w*0.56, 290), 400)
	}
	p.h = math.Max(p.h, 160)
	if o.Standalone {
		p.titles = wrap(f.Title, p.w-16, true)
		p.caption = wrap(f.Caption, p.w-16, false)
	}
	return p
}

func (p *plot) layout() {
	f := p.f
	var xs, ys, xe, ye []float64
	for _, c := range f.Curves {
		n := min(len(c.X), len(c.Y))
		xs, ys = append(xs, c.X[:n]...), append(ys, c.Y[:n]...)
	}
	for _, s := range f.Shades {
		n := min(len(s.X), len(s.Low), len(s.High))
		xs, ys = append(xs, s.X[:n]...), append(append(ys, s.Low[:n]...), s.High[:n]...)
	}
	for _, q := range f.Points {
		n := min(len(q.X), len(q.Y))
		xs, ys = append(xs, q.X[:n]...), append(ys, q.Y[:n]...)
		xs, ys = append(append(xs, q.XLow...), q.XHigh...), append(append(ys, q.YLow...), q.YHigh...)
	}
	if len(f.Points) > 0 && !f.X.Log {
		xs = widened(xs)
	}
	for _, m := range f.Marks {
		xs, ys = append(xs, m.X), append(ys, m.Y)
	}
	for _, b := range f.Bands {
		if b.Vertical {
			xe = append(xe, b.From, b.To)
		} else {
			ye = append(ye, b.From, b.To)
		}
	}
	p.x = newScale(f.X, xs, xe, p.w/80, len(f.Curves) == 0)
	p.y = newScale(f.Y, ys, ye, (p.h-70)/tickGap, true)

	p.top = lineStep * float64(len(p.titles))
	if len(p.titles) > 0 {
		p.top += 10
	}
	p.yTitle = wrap(p.y.title, p.w-8, false)
	top := p.top + lineStep*float64(len(p.yTitle)) + 6
	bottom := p.h + p.top - 2*lineStep - 11
	p.y.from, p.y.to = bottom, top
	p.y.mark(tickGap)
	left := 24.0
	for _, t := range p.y.ticks {
		left = math.Max(left, textWidth(t.label, false)+10)
	}
	// Curves that run to the right edge are named there, where the page is wide enough.
	if p.w >= 560 {
		for i := range f.Curves {
			if p.endsRight(i) {
				for _, l := range wrap(f.Curves[i].Label, 150, false) {
					p.rightRoom = math.Max(p.rightRoom, textWidth(l, false)+sampleLength+sampleGap+8)
				}
			}
		}
	}
	right := p.w - math.Max(14, p.rightRoom)
	p.x.from, p.x.to = left, right
	gap := 64.0
	p.x.mark(gap)
	for widest := 0.0; gap < right-left; { // labels of ticks need room too
		for _, t := range p.x.ticks {
			widest = math.Max(widest, textWidth(t.label, false)+14)
		}
		if widest <= gap || p.x.log {
			break
		}
		gap = widest
		p.x.ticks = nil
		p.x.mark(gap)
	}
	p.frame = box{left, top, right - left, bottom - top}
	p.placer.frame = p.frame.grow(-3)

	for _, c := range f.Curves {
		lines := polylines(c.X, c.Y, p.x, p.y, p.frame)
		for _, l := range lines {
			p.placer.draw(l)
		}
		p.curves = append(p.curves, lines)
	}
	for _, s := range f.Shades {
		p.shades = append(p.shades, p.outline(s))
	}
	for _, q := range f.Points {
		for i := range min(len(q.X), len(q.Y)) {
			if p.x.shows(q.X[i]) && p.y.shows(q.Y[i]) {
				c := point{p.x.px(q.X[i]), p.y.px(q.Y[i])}
				p.placer.draw([]point{{c.x - 4, c.y - 4}, {c.x + 4, c.y + 4}, {c.x + 4, c.y - 4}, {c.x - 4, c.y + 4}})
				for _, bar := range p.bars(q, i) {
					p.placer.draw(bar[:])
				}
			}
		}
	}
}

// widened adds a little room below the least where that is not zero, so that a marker clears the frame.
func widened(xs []float64) []float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, x := range xs {
		if known(x) {
			lo, hi = math.Min(lo, x), math.Max(hi, x)
		}
	}
	if lo < hi && lo != 0 && (lo < 0 || lo > 0.35*hi) {
		xs = append(xs, lo-0.03*(hi-lo))
	}
	return xs
}

func (p *plot) endsRight(i int) bool {
	c := p.f.Curves[i]
	for k := min(len(c.X), len(c.Y)) - 1; k >= 0; k-- {
		if known(c.X[k]) && known(c.Y[k]) && c.X[k] <= p.x.high {
			at := (c.X[k] - p.x.low) / (p.x.high - p.x.low)
			return at > 0.97 && p.y.shows(c.Y[k])
		}
	}
	return false
}

// outline is the region between the edges of a shade, cut to the frame.
func (p *plot) outline(s finding.Shade) []point {
	var up, down []point
	for i := range min(len(s.X), len(s.Low), len(s.High)) {
		if !known(s.X[i]) || !known(s.Low[i]) || !known(s.High[i]) {
			continue
		}
		a, b := point{p.x.px(s.X[i]), p.y.px(s.High[i])}, point{p.x.px(s.X[i]), p.y.px(s.Low[i])}
		if known(a.x) && known(a.y) && known(b.y) {
			up, down = append(up, a), append(down, b)
		}
	}
	if len(up) < 2 {
		return nil
	}
	slices.Reverse(down)
	return clipRegion(append(thin(up), thin(down)...), p.frame)
}

// clipRegion cuts a polygon to a box, edge by edge (Sutherland and Hodgman).
func clipRegion(poly []point, f box) []point {
	for _, e := range []struct{ nx, ny, d float64 }{{1, 0, f.x}, {-1, 0, -f.x - f.w}, {0, 1, f.y}, {0, -1, -f.y - f.h}} {
		var out []point
		for i, b := range poly {
			a := poly[(i+len(poly)-1)%len(poly)]
			da, db := e.nx*a.x+e.ny*a.y-e.d, e.nx*b.x+e.ny*b.y-e.d
			if da*db < 0 {
				s := da / (da - db)
				out = append(out, point{a.x + s*(b.x-a.x), a.y + s*(b.y-a.y)})
			}
			if db >= 0 {
				out = append(out, b)
			}
		}
		poly = out
	}
	return poly
}

// bars is the error bars of one point, in px, cut to the frame.
func (p *plot) bars(q finding.Points, i int) [][2]point {
	var out [][2]point
	add := func(a, b point) {
		if a, b, ok := clip(a, b, p.frame); ok && a != b {
			out = append(out, [2]point{a, b})
		}
	}
	cx, cy := p.x.px(q.X[i]), p.y.px(q.Y[i])
	if i < len(q.YLow) && i < len(q.YHigh) && known(q.YLow[i]) && known(q.YHigh[i]) {
		add(point{cx, p.y.px(q.YLow[i])}, point{cx, p.y.px(q.YHigh[i])})
	}
	if i < len(q.XLow) && i < len(q.XHigh) && known(q.XLow[i]) && known(q.XHigh[i]) {
		add(point{p.x.px(q.XLow[i]), cy}, point{p.x.px(q.XHigh[i]), cy})
	}
	return out
}

// labels names everything, the places that cannot move first.
func (p *plot) labels() {
	f := p.frame
	for _, m := range p.f.Marks {
		p.markLabel(m)
	}
	for _, b := range p.f.Bands {
		p.bandLabel(b)
	}
	for _, q := range p.f.Points {
		l := p.newLabel(q.Label, false, -1)
		l.off = 9
		for i := min(len(q.X), len(q.Y)) - 1; i >= 0; i-- {
			if p.x.shows(q.X[i]) && p.y.shows(q.Y[i]) {
				l.anchors = append(l.anchors, point{p.x.px(q.X[i]), p.y.px(q.Y[i])})
			}
		}
		p.put(l)
	}
	var margin []placedLabel
	for i, c := range p.f.Curves {
		if len(p.curves[i]) == 0 || c.Label == "" {
			continue
		}
		if p.rightRoom > 0 && p.endsRight(i) {
			l := label{text: c.Label, lines: wrap(c.Label, 150, false), sample: i}
			l.h = lineStep * float64(len(l.lines))
			last := p.curves[i][len(p.curves[i])-1]
			end := last[len(last)-1]
			margin = append(margin, placedLabel{l, box{f.x + f.w + sampleLength + sampleGap, end.y - l.h/2, p.rightRoom, l.h}, []point{end}})
			continue
		}
		l := p.newLabel(c.Label, false, i)
		l.off = 6
		l.anchors = along(p.curves[i])
		p.put(l)
	}
	p.spreadOut(margin)
	for i, s := range p.f.Shades {
		if s.Label == "" || len(p.shades[i]) == 0 {
			continue
		}
		l := p.newLabel(s.Label, false, -1)
		l.off = 5
		l.anchors = middle(p.shades[i], f)
		p.put(l)
	}
	p.h += p.top
	for _, l := range p.key {
		p.h += l.h
	}
	if len(p.key) > 0 {
		p.h += 8
	}
	if len(p.caption) > 0 {
		p.h += lineStep*float64(len(p.caption)) + 10
	}
}

// spreadOut moves the labels of the right margin apart, inside the height of the frame.
func (p *plot) spreadOut(ls []placedLabel) {
	slices.SortStableFunc(ls, func(a, b placedLabel) int { return cmp.Compare(a.at.y+a.at.h/2, b.at.y+b.at.h/2) })
	next := p.frame.y
	for i := range ls {
		ls[i].at.y = math.Max(ls[i].at.y, next)
		next = ls[i].at.y + ls[i].at.h + 4
	}
	next = p.frame.y + p.frame.h + lineStep
	for i := len(ls) - 1; i >= 0; i-- {
		ls[i].at.y = math.Min(ls[i].at.y, next-ls[i].at.h)
		next = ls[i].at.y - 4
	}
	for _, l := range ls {
		if l.at.y < p.frame.y-lineStep { // more names than the margin is high
			l.label.anchors = l.leads
			p.keep(l.label)
			continue
		}
		p.placed = append(p.placed, l)
	}
}

func (p *plot) newLabel(text string, bold bool, sample int) label {
	return sized(label{text: text, bold: bold, sample: sample}, math.Max(math.Min(p.frame.w*0.46, 190), 90))
}

func sized(l label, room float64) label {
	l.lines = wrap(l.text, room, l.bold)
	l.w, l.h = 0, lineStep*float64(len(l.lines))
	for _, s := range l.lines {
		l.w = math.Max(l.w, textWidth(s, l.bold))
	}
	if l.sample >= 0 {
		l.w += sampleLength + sampleGap
	}
	return l
}

// put finds a place for a label: at its edge, beside what it names, anywhere clear with a thin line, or
// below the plot behind a letter.
func (p *plot) put(l label) {
	if l.text == "" || len(l.anchors) == 0 && len(l.edges) == 0 {
		return
	}
	if at, ok := p.atEdge(l); ok {
		p.settle(l, at, nil)
		return
	}
	if b, ok := p.placer.around(l.anchors, l.w, l.h, l.off); ok {
		p.settle(l, b, nil)
		return
	}
	if b, to, ok := p.placer.anywhere(l.anchors, l.w, l.h); ok {
		p.settle(l, b, []point{to})
		return
	}
	p.keep(l)
}

// atEdge is the clearest of the places a label names itself; they come in pairs, of which the second, on the
// far side of the edge, must save more than a stroke.
func (p *plot) atEdge(l label) (box, bool) {
	const limit = 3.0
	best, cost := box{}, limit
	for i, e := range l.edges {
		ok, n := p.placer.free(e)
		if c := float64(n) + 1.5*float64(i%2); ok && n < limit && c < cost {
			best, cost = e, c
		}
	}
	return best, cost < limit
}

func (p *plot) settle(l label, at box, leads []point) {
	p.placer.take(at)
	p.placed = append(p.placed, placedLabel{l, at, leads})
}

// keep writes the name below the plot, and a letter where it belongs.
func (p *plot) keep(l label) {
	letter := string(rune('a' + len(p.key)%26))
	small := label{text: letter, lines: []string{letter}, sample: -1, w: letterSize, h: letterSize}
	at, ok := p.placer.around(l.anchors, letterSize, letterSize, 4)
	var leads []point
	if !ok {
		var to point
		if at, to, ok = p.placer.anywhere(l.anchors, letterSize, letterSize); ok {
			leads = []point{to}
		}
	}
	if ok {
		p.placer.take(at)
		p.letters = append(p.letters, placedLabel{small, at, leads})
	}
	l.lines = wrap(l.text, p.w-40-sampleLength, l.bold)
	l.h = lineStep*float64(len(l.lines)) + 3
	p.key = append(p.key, l)
}

// along is anchors on a curve, from its right end to its left.
func along(lines [][]point) []point {
	var all []point
	for _, l := range lines {
		for i, b := range l {
			if i == 0 {
				all = append(all, b)
				continue
			}
			a := l[i-1]
			n := max(1, int(math.Hypot(b.x-a.x, b.y-a.y)/12))
			for k := 1; k <= n; k++ {
				s := float64(k) / float64(n)
				all = append(all, point{a.x + s*(b.x-a.x), a.y + s*(b.y-a.y)})
			}
		}
	}
	slices.Reverse(all)
	return all
}

// middle is anchors inside a region: the middle of its height, from right to left.
func middle(region []point, f box) []point {
	var out []point
	for s := 0.9; s > 0.05; s -= 0.08 {
		x := f.x + s*f.w
		lo, hi := math.Inf(1), math.Inf(-1)
		for i, b := range region {
			a := region[(i+len(region)-1)%len(region)]
			if (a.x-x)*(b.x-x) < 0 {
				y := a.y + (x-a.x)/(b.x-a.x)*(b.y-a.y)
				lo, hi = math.Min(lo, y), math.Max(hi, y)
			}
		}
		if lo <= hi {
			out = append(out, point{x, lo}, point{x, hi})
		}
	}
	return out
}

func (p *plot) markLabel(m finding.Mark) {
	f := p.frame
	l := p.newLabel(m.Label, true, -1)
	switch {
	case p.x.shows(m.X) && p.y.shows(m.Y):
		c := point{p.x.px(m.X), p.y.px(m.Y)}
		l.anchors, l.off = []point{c}, 9
		p.placer.draw([]point{{c.x - 5, c.y}, {c.x + 5, c.y}})
		p.placer.draw([]point{{c.x, c.y - 5}, {c.x, c.y + 5}})
	case p.x.shows(m.X) && !known(m.Y):
		x := p.x.px(m.X)
		p.placer.rule(point{x, f.y}, point{x, f.y + f.h})
		for y := f.y + 4; y+l.h < f.y+f.h-2; y += 12 {
			l.edges = append(l.edges, box{x + 6, y, l.w, l.h}, box{x - 6 - l.w, y, l.w, l.h})
			l.anchors = append(l.anchors, point{x, y})
		}
	case p.y.shows(m.Y) && !known(m.X):
		y := p.y.px(m.Y)
		p.placer.rule(point{f.x, y}, point{f.x + f.w, y})
		for x := f.x + 6; x+l.w < f.x+f.w-4; x += 16 {
			l.edges = append(l.edges, box{x, y - 4 - l.h, l.w, l.h}, box{x, y + 4, l.w, l.h})
			l.anchors = append(l.anchors, point{x, y})
		}
	}
	p.put(l)
}

const (
	hatchDepth  = 8.0
	wantedDepth = 12.0
)

// A side of a band in px: its edge, and the direction into the band.
type bandEdge struct {
	at, into float64
	vertical bool
}

// band is the visible part of a band and those of its edges that show.
func (p *plot) band(b finding.Band) (box, []bandEdge) {
	f, s := p.frame, p.y
	if b.Vertical {
		s = p.x
	}
	from, to := b.From, b.To
	if math.IsNaN(from) {
		from = math.Inf(-1)
	}
	if math.IsNaN(to) {
		to = math.Inf(1)
	}
	if from > to {
		from, to = to, from
	}
	if from > s.high || to < s.low {
		return box{}, nil
	}
	low, high := s.px(math.Max(from, s.low)), s.px(math.Min(to, s.high))
	var edges []bandEdge
	into := 1.0
	if !b.Vertical {
		into = -1
	}
	if s.shows(from) && from > s.low {
		edges = append(edges, bandEdge{low, into, b.Vertical})
	}
	if s.shows(to) && to < s.high {
		edges = append(edges, bandEdge{high, -into, b.Vertical})
	}
	if b.Vertical {
		return box{low, f.y, high - low, f.h}, edges
	}
	return box{f.x, high, f.w, low - high}, edges
}

func (p *plot) bandLabel(b finding.Band) {
	area, edges := p.band(b)
	if len(edges) == 0 && area.w*area.h == 0 {
		return
	}
	if len(edges) == 0 { // the band covers the plot: named in its corner
		edges = []bandEdge{{p.frame.y, 1, false}}
	}
	for _, e := range edges {
		f := p.frame
		if e.vertical {
			p.placer.rule(point{e.at, f.y}, point{e.at, f.y + f.h})
		} else {
			p.placer.rule(point{f.x, e.at}, point{f.x + f.w, e.at})
		}
	}
	// On one line if the edge has room for it, else on two or three.
	var l label
	for _, share := range []float64{0.75, 0.46, 0.3} {
		l = sized(label{text: b.Label, sample: -1}, math.Max(p.frame.w*share, 90))
		for _, e := range edges {
			p.beside(&l, e, b.Good)
		}
		if at, ok := p.atEdge(l); ok {
			p.settle(l, at, nil)
			return
		}
	}
	p.put(l)
}

// beside adds the places along an edge of a band: inside the band, clear of the hatch, or just outside.
func (p *plot) beside(l *label, e bandEdge, good bool) {
	f, depth := p.frame, hatchDepth+3
	if good {
		depth = 4
	}
	if e.vertical {
		for y := f.y + 4; y+l.h < f.y+f.h-2; y += 12 {
			in, out := box{e.at + depth, y, l.w, l.h}, box{e.at - 5 - l.w, y, l.w, l.h}
			if e.into < 0 {
				in.x, out.x = e.at-depth-l.w, e.at+5
			}
			l.edges, l.anchors = append(l.edges, in, out), append(l.anchors, point{e.at, y})
		}
		return
	}
	for x := f.x + 8; x+l.w < f.x+f.w-6; x += 14 {
		in, out := box{x, e.at - depth - l.h, l.w, l.h}, box{x, e.at + 5, l.w, l.h}
		if e.into > 0 {
			in.y, out.y = e.at+depth, e.at-5-l.h
		}
		l.edges, l.anchors = append(l.edges, in, out), append(l.anchors, point{x, e.at})
	}
}

// Dash patterns by the order of the curves, so that they differ without colour: the first solid, the next
// longer or mixed; a curve that asks to be dashed takes a short dash.
var (
	solidDashes = []string{"", "11 4", "11 4 2 4", "16 4 2 4 2 4", "7 3 7 3 2 3", "20 5", "3 3 11 3", "2 3 2 3 8 3"}
	shortDashes = []string{"4 3", "2 3", "6 2 2 2", "1.5 2.5", "5 5", "8 2 1 2", "3 2", "1 4"}
)

func dash(c finding.Curve, i int) string {
	if c.Dashed {
		return shortDashes[i%len(shortDashes)]
	}
	return solidDashes[i%len(solidDashes)]
}

func curveClass(i int) string { return "curve k" + strconv.Itoa(i%8) }

func (p *plot) write() string {
	f := p.f
	var w pen
	id := cmp.Or(p.o.ID, f.ID, "figure")
	w.begin(id, p.o, "plot", p.w, p.h, f.Title, p.describe())
	y := lineStep
	for _, s := range p.titles {
		w.text("name", "start", 2, y, s)
		y += lineStep
	}
	fr := p.frame
	for i, region := range p.shades {
		if len(region) < 3 {
			continue
		}
		class := "shade"
		if c := f.Shades[i].Curve; c >= 0 {
			class += " k" + strconv.Itoa(c%8)
		}
		w.leaf("path", "class", class, "d", path(region)+"Z")
	}
	for _, b := range f.Bands {
		area, edges := p.band(b)
		if area.w <= 0 || area.h <= 0 {
			continue
		}
		if !b.Good {
			w.leaf("rect", "class", "band forbidden", "x", num(area.x), "y", num(area.y), "width", area.w, "height", area.h)
			continue
		}
		for _, e := range edges { // a wanted region is tinted along its edge: several lie over one another
			a := area
			if e.vertical {
				a.w = math.Min(a.w, wantedDepth)
				a.x = e.at + math.Min(e.into, 0)*a.w
			} else {
				a.h = math.Min(a.h, wantedDepth)
				a.y = e.at + math.Min(e.into, 0)*a.h
			}
			w.leaf("rect", "class", "band wanted", "x", num(a.x), "y", num(a.y), "width", a.w, "height", a.h)
		}
	}
	p.grid(&w)
	for _, b := range f.Bands {
		p.edges(&w, b)
	}
	for i := len(p.curves) - 1; i >= 0; i-- { // the first lies on top
		for _, l := range p.curves[i] {
			if c := i % 8; c == 1 || c == 2 || c == 4 { // orange, sky blue and yellow are too pale for paper alone
				w.leaf("path", "class", "under", "stroke-dasharray", dash(f.Curves[i], i), "d", path(l))
			}
			w.leaf("path", "class", curveClass(i), "stroke-dasharray", dash(f.Curves[i], i), "d", path(l))
		}
		w.b.WriteByte('\n')
	}
	for i, q := range f.Points {
		p.points(&w, q, i)
	}
	for _, m := range f.Marks {
		p.mark(&w, m)
	}
	w.leaf("rect", "class", "frame", "x", num(fr.x), "y", num(fr.y), "width", fr.w, "height", fr.h)
	if len(p.placer.ink) == 0 {
		w.text("label", "middle", fr.x+fr.w/2, fr.y+fr.h/2+4, "nothing to show yet")
	}
	for _, l := range p.placed {
		p.set(&w, l)
	}
	for _, l := range p.letters {
		c := point{l.at.x + l.at.w/2, l.at.y + l.at.h/2}
		for _, to := range l.leads {
			w.line("lead", c.x, c.y, to.x, to.y)
		}
		w.leaf("circle", "class", "letter", "cx", num(c.x), "cy", num(c.y), "r", num(letterSize/2))
		w.text("label", "middle", c.x, c.y+4, l.text)
	}
	p.below(&w)
	w.close("svg")
	w.b.WriteByte('\n')
	return w.b.String()
}

func (p *plot) grid(w *pen) {
	fr := p.frame
	for i, s := range p.yTitle {
		w.text("axis", "start", 2, p.top+lineStep*float64(i+1)-3, s)
	}
	for _, t := range p.x.ticks {
		x := p.x.px(t.at)
		if t.label == "" {
			w.line("minor", x, fr.y+fr.h, x, fr.y+fr.h-4)
			continue
		}
		w.line("grid", x, fr.y, x, fr.y+fr.h)
		w.text("tick", "middle", x, fr.y+fr.h+lineStep+3, t.label)
	}
	for _, t := range p.y.ticks {
		y := p.y.px(t.at)
		if t.label == "" {
			w.line("minor", fr.x, y, fr.x+4, y)
			continue
		}
		w.line("grid", fr.x, y, fr.x+fr.w, y)
		w.text("tick", "end", fr.x-6, y+4, t.label)
	}
	w.text("axis", "end", fr.x+fr.w, fr.y+fr.h+2*lineStep+4, p.x.title)
}

// edges draws the limit lines of a band, hatched on the forbidden side as a wall is in a mechanical drawing.
func (p *plot) edges(w *pen, b finding.Band) {
	_, edges := p.band(b)
	fr := p.frame
	for _, e := range edges {
		class := "limit"
		if b.Good {
			class = "limit wanted"
		}
		if e.vertical {
			w.line(class, e.at, fr.y, e.at, fr.y+fr.h)
		} else {
			w.line(class, fr.x, e.at, fr.x+fr.w, e.at)
		}
		if b.Good {
			continue
		}
		var d strings.Builder
		for s := 0.0; s < 2000; s += 9 {
			a, c := point{fr.x + s, e.at}, point{fr.x + s + hatchDepth*0.7, e.at + e.into*hatchDepth}
			if e.vertical {
				a, c = point{e.at, fr.y + s}, point{e.at + e.into*hatchDepth, fr.y + s + hatchDepth*0.7}
			}
			if a, c, ok := clip(a, c, fr); ok && a != c {
				d.WriteString(path([]point{a, c}))
			}
		}
		w.leaf("path", "class", "hatch", "d", d.String())
	}
}

// points draws markers: each series its own shape, hollow where a point was left out.
func (p *plot) points(w *pen, q finding.Points, series int) {
	for i := range min(len(q.X), len(q.Y)) {
		if !p.x.shows(q.X[i]) || !p.y.shows(q.Y[i]) {
			continue
		}
		x, y := p.x.px(q.X[i]), p.y.px(q.Y[i])
		for _, bar := range p.bars(q, i) {
			a, b := bar[0], bar[1]
			w.line("bar", a.x, a.y, b.x, b.y)
			if a.x == b.x {
				w.line("bar", a.x-3, a.y, a.x+3, a.y)
				w.line("bar", b.x-3, b.y, b.x+3, b.y)
			} else {
				w.line("bar", a.x, a.y-3, a.x, a.y+3)
				w.line("bar", b.x, b.y-3, b.x, b.y+3)
			}
		}
		class := "point"
		if i < len(q.Excluded) && q.Excluded[i] {
			class = "point hollow"
		}
		const r = 3.8
		switch series % 4 {
		case 0:
			w.leaf("circle", "class", class, "cx", num(x), "cy", num(y), "r", r)
		case 1:
			w.leaf("path", "class", class, "d", path([]point{{x - r, y - r}, {x + r, y - r}, {x + r, y + r}, {x - r, y + r}})+"Z")
		case 2:
			w.leaf("path", "class", class, "d", path([]point{{x, y - 5}, {x + 4.6, y + 3.4}, {x - 4.6, y + 3.4}})+"Z")
		case 3:
			w.leaf("path", "class", class, "d", path([]point{{x, y - 5}, {x + 5, y}, {x, y + 5}, {x - 5, y}})+"Z")
		}
	}
	w.b.WriteByte('\n')
}

func (p *plot) mark(w *pen, m finding.Mark) {
	fr := p.frame
	x, y := p.x.px(m.X), p.y.px(m.Y)
	switch {
	case p.x.shows(m.X) && p.y.shows(m.Y):
		w.leaf("circle", "class", "spot", "cx", num(x), "cy", num(y), "r", 5.0)
		w.leaf("path", "class", "mark", "d", path([]point{{x - 9, y}, {x + 9, y}})+path([]point{{x, y - 9}, {x, y + 9}}))
	case p.x.shows(m.X) && !known(m.Y):
		w.line("mark across", x, fr.y, x, fr.y+fr.h)
	case p.y.shows(m.Y) && !known(m.X):
		w.line("mark across", fr.x, y, fr.x+fr.w, y)
	}
}

// set writes a placed label, with the stroke of its curve before it.
func (p *plot) set(w *pen, l placedLabel) {
	x := l.at.x
	margin := l.at.x > p.frame.x+p.frame.w
	mid := l.at.y + l.at.h/2
	for _, to := range l.leads {
		if margin {
			w.leaf("path", "class", curveClass(l.sample), "stroke-dasharray", dash(p.f.Curves[l.sample], l.sample),
				"d", path([]point{{to.x, to.y}, {to.x + sampleLength, mid}}))
			continue
		}
		from := point{math.Max(x, math.Min(to.x, x+l.at.w)), math.Max(l.at.y, math.Min(to.y, l.at.y+l.at.h))}
		w.line("lead", from.x, from.y, to.x, to.y)
	}
	if l.sample >= 0 && !margin {
		y := l.at.y + lineStep/2
		w.leaf("path", "class", curveClass(l.sample), "stroke-dasharray", dash(p.f.Curves[l.sample], l.sample),
			"d", path([]point{{x, y}, {x + sampleLength, y}}))
		x += sampleLength + sampleGap
	}
	class := "label"
	if l.bold {
		class = "label name"
	}
	struck := !margin && p.struck(l.at)
	for i, s := range l.lines {
		if y := l.at.y + lineStep*float64(i); struck {
			w.leaf("rect", "class", "sheet", "x", num(x-2), "y", num(y), "width", textWidth(s, l.bold)+4, "height", lineStep)
		}
		w.text(class, "start", x, l.at.y+lineStep*float64(i)+11.5, s)
	}
}

// struck reports whether the edge of a band runs through a label, which then stands on paper of its own: the outline of its letters
// leaves the edge to be seen between the words.
func (p *plot) struck(at box) bool {
	for _, b := range p.f.Bands {
		_, edges := p.band(b)
		for _, e := range edges {
			depth := 1.0
			if !b.Good {
				depth = hatchDepth
			}
			low, high := e.at, e.at+e.into*depth
			low, high = math.Min(low, high), math.Max(low, high)
			if e.vertical && low < at.x+at.w && high > at.x || !e.vertical && low < at.y+at.h && high > at.y {
				return true
			}
		}
	}
	return false
}

// below writes the names that found no room, and the caption of a drawing that stands alone.
func (p *plot) below(w *pen) {
	y := p.frame.y + p.frame.h + 2*lineStep + 19
	for i, l := range p.key {
		x := 10.0
		w.leaf("circle", "class", "letter", "cx", num(x), "cy", num(y+7), "r", num(letterSize/2))
		w.text("label", "middle", x, y+11, string(rune('a'+i%26)))
		x += 16
		if l.sample >= 0 {
			w.leaf("path", "class", curveClass(l.sample), "stroke-dasharray", dash(p.f.Curves[l.sample], l.sample),
				"d", path([]point{{x, y + 7}, {x + sampleLength, y + 7}}))
			x += sampleLength + sampleGap
		}
		for k, s := range l.lines {
			w.text("label", "start", x, y+11+lineStep*float64(k), s)
		}
		y += l.h
	}
	if len(p.key) > 0 {
		y += 8
	}
	for _, s := range p.caption {
		w.text("tick", "start", 2, y+10, s)
		y += lineStep
	}
}

// describe says in words what the plot shows.
func (p *plot) describe() string {
	var b strings.Builder
	f := p.f
	fmt.Fprintf(&b, "%s from %s to %s against %s from %s to %s.", cmp.Or(f.Y.Quantity, "ordinate"), format(p.y.low, f.Y), format(p.y.high, f.Y),
		cmp.Or(f.X.Quantity, "abscissa"), format(p.x.low, f.X), format(p.x.high, f.X))
	for _, c := range f.Curves {
		n := min(len(c.X), len(c.Y))
		first, last := -1, -1
		for i := range n {
			if known(c.X[i]) && known(c.Y[i]) {
				if first < 0 {
					first = i
				}
				last = i
			}
		}
		if first >= 0 {
			fmt.Fprintf(&b, " %s: %s at %s, %s at %s.", cmp.Or(c.Label, "Curve"), format(c.Y[first], f.Y), format(c.X[first], f.X),
				format(c.Y[last], f.Y), format(c.X[last], f.X))
		}
	}
	for _, band := range f.Bands {
		a := f.Y
		if band.Vertical {
			a = f.X
		}
		switch {
		case known(band.From) && known(band.To):
			fmt.Fprintf(&b, " %s: %s to %s.", band.Label, format(band.From, a), format(band.To, a))
		case known(band.From):
			fmt.Fprintf(&b, " %s: above %s.", band.Label, format(band.From, a))
		case known(band.To):
			fmt.Fprintf(&b, " %s: below %s.", band.Label, format(band.To, a))
		}
	}
	for _, m := range f.Marks {
		switch {
		case known(m.X) && known(m.Y):
			fmt.Fprintf(&b, " %s: %s at %s.", m.Label, format(m.Y, f.Y), format(m.X, f.X))
		case known(m.X):
			fmt.Fprintf(&b, " %s: at %s.", m.Label, format(m.X, f.X))
		case known(m.Y):
			fmt.Fprintf(&b, " %s: %s.", m.Label, format(m.Y, f.Y))
		}
	}
	return b.String()
}

func format(x float64, a finding.Axis) string { return unit.Format(x, a.Unit, 3) }
