package draw

import "math"

type point struct{ x, y float64 }

type box struct{ x, y, w, h float64 } // x, y: top left

func (a box) grow(d float64) box { return box{a.x - d, a.y - d, a.w + 2*d, a.h + 2*d} }

func (a box) meets(b box) bool {
	return a.x < b.x+b.w && b.x < a.x+a.w && a.y < b.y+b.h && b.y < a.y+a.h
}

func (a box) inside(b box) bool {
	return a.x >= b.x && a.y >= b.y && a.x+a.w <= b.x+b.w && a.y+a.h <= b.y+b.h
}

func (a box) holds(p point) bool {
	return p.x >= a.x && p.x <= a.x+a.w && p.y >= a.y && p.y <= a.y+a.h
}

// A placer finds room for labels inside a plot. Labels never meet one another or the frame; they keep off
// curves and markers as far as there is room.
type placer struct {
	frame box     // labels stay inside
	taken []box   // labels already placed
	ink   []point // curves and markers, dense enough that no label slips between
}

// free reports whether a label fits here; how much ink it would cover is the second result.
func (p *placer) free(b box) (bool, int) {
	if !b.inside(p.frame) {
		return false, 0
	}
	g := b.grow(2)
	for _, t := range p.taken {
		if g.meets(t) {
			return false, 0
		}
	}
	n := 0
	for _, q := range p.ink {
		if g.holds(q) {
			n++
		}
	}
	return true, n
}

// around puts a label of size w × h beside one of the anchors: above, below, right, left. Earlier anchors
// are preferred. It fails where every place covers more than a little ink.
func (p *placer) around(anchors []point, w, h, off float64) (box, bool) {
	best, bestCost := box{}, math.Inf(1)
	for i, a := range anchors {
		for k, b := range []box{
			{a.x - w/2, a.y - off - h, w, h}, {a.x - w/2, a.y + off, w, h},
			{a.x - w - off, a.y - off - h, w, h}, {a.x + off, a.y - off - h, w, h},
			{a.x + off, a.y + off, w, h}, {a.x - w - off, a.y + off, w, h},
			{a.x + off, a.y - h/2, w, h}, {a.x - w - off, a.y - h/2, w, h},
		} {
			ok, n := p.free(b)
			if !ok {
				continue
			}
			if cost := float64(12*n) + float64(i)*4 + float64(k); cost < bestCost {
				best, bestCost = b, cost
			}
		}
	}
	return best, bestCost < 12*3
}

// farthest is how long a line from a label to what it names may be, in px; past that a letter says it better.
const farthest = 48.0

// anywhere looks over the whole plot for clear room, the nearest to any anchor and not too far from it.
func (p *placer) anywhere(anchors []point, w, h float64) (b box, to point, ok bool) {
	bestCost := math.Inf(1)
	for y := p.frame.y; y+h <= p.frame.y+p.frame.h; y += 6 {
		for x := p.frame.x; x+w <= p.frame.x+p.frame.w; x += 8 {
			c := box{x, y, w, h}
			free, n := p.free(c)
			if !free || n > 0 {
				continue
			}
			for _, a := range anchors {
				// The distance from the label's nearest edge.
				dx := math.Max(0, math.Max(c.x-a.x, a.x-c.x-c.w))
				dy := math.Max(0, math.Max(c.y-a.y, a.y-c.y-c.h))
				if d := math.Hypot(dx, dy); d < bestCost {
					b, to, ok, bestCost = c, a, true, d
				}
			}
		}
	}
	return b, to, ok && bestCost <= farthest
}

func (p *placer) take(b box) { p.taken = append(p.taken, b) }

// draw adds a polyline to the ink.
func (p *placer) draw(line []point) {
	for i, a := range line {
		p.ink = append(p.ink, a)
		if i == 0 {
			continue
		}
		b := line[i-1]
		n := int(math.Hypot(a.x-b.x, a.y-b.y) / 3)
		for k := 1; k < n; k++ {
			s := float64(k) / float64(n)
			p.ink = append(p.ink, point{b.x + s*(a.x-b.x), b.y + s*(a.y-b.y)})
		}
	}
}

// rule adds a straight line across the plot: a label may cross it, since it stands out from it, but rather
// does not.
func (p *placer) rule(a, b point) {
	n := int(math.Hypot(b.x-a.x, b.y-a.y) / 12)
	for k := 0; k <= n; k++ {
		s := float64(k) / float64(max(n, 1))
		p.ink = append(p.ink, point{a.x + s*(b.x-a.x), a.y + s*(b.y-a.y)})
	}
}

// clip cuts the stretch from a to b to the box (Liang and Barsky); false where nothing is left.
func clip(a, b point, f box) (point, point, bool) {
	t0, t1 := 0.0, 1.0
	dx, dy := b.x-a.x, b.y-a.y
	for _, e := range [4][2]float64{{-dx, a.x - f.x}, {dx, f.x + f.w - a.x}, {-dy, a.y - f.y}, {dy, f.y + f.h - a.y}} {
		d, q := e[0], e[1]
		if d == 0 {
			if q < 0 {
				return a, b, false
			}
			continue
		}
		t := q / d
		if d < 0 {
			t0 = math.Max(t0, t)
		} else {
			t1 = math.Min(t1, t)
		}
	}
	if t0 > t1 {
		return a, b, false
	}
	return point{a.x + t0*dx, a.y + t0*dy}, point{a.x + t1*dx, a.y + t1*dy}, true
}

// polylines maps the points of a curve to px, cut to the frame and broken where a value is absent.
func polylines(xs, ys []float64, x, y *scale, frame box) [][]point {
	var out [][]point
	var run []point
	flush := func() {
		if len(run) > 1 {
			out = append(out, thin(run))
		}
		run = nil
	}
	var last point
	have := false
	for i := range min(len(xs), len(ys)) {
		if !known(xs[i]) || !known(ys[i]) {
			flush()
			have = false
			continue
		}
		p := point{x.px(xs[i]), y.px(ys[i])}
		if !known(p.x) || !known(p.y) {
			flush()
			have = false
			continue
		}
		if have {
			a, b, ok := clip(last, p, frame)
			switch {
			case !ok:
				flush()
			case len(run) == 0 || run[len(run)-1] != a:
				flush()
				run = append(run, a, b)
			default:
				run = append(run, b)
			}
		}
		last, have = p, true
	}
	flush()
	return out
}

// thin leaves out points that lie on the line between those kept, to a tenth of a px (Ramer, Douglas and
// Peucker).
func thin(line []point) []point {
	keep := make([]bool, len(line))
	keep[0], keep[len(line)-1] = true, true
	stack := [][2]int{{0, len(line) - 1}}
	for len(stack) > 0 {
		s := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		a, b := line[s[0]], line[s[1]]
		length := math.Hypot(b.x-a.x, b.y-a.y)
		far, at := 0.1, -1
		for i := s[0] + 1; i < s[1]; i++ {
			d := math.Hypot(line[i].x-a.x, line[i].y-a.y)
			if length > 0 {
				d = math.Abs((b.x-a.x)*(line[i].y-a.y)-(b.y-a.y)*(line[i].x-a.x)) / length
			}
			if d > far {
				far, at = d, i
			}
		}
		if at >= 0 {
			keep[at] = true
			stack = append(stack, [2]int{s[0], at}, [2]int{at, s[1]})
		}
	}
	var out []point
	for i, p := range line {
		if keep[i] {
			out = append(out, p)
		}
	}
	return out
}

func path(line []point) string {
	d := make([]byte, 0, 12*len(line))
	for i, p := range line {
		c := byte('L')
		if i == 0 {
			c = 'M'
		}
		d = append(d, c)
		d = append(d, num(p.x)+" "+num(p.y)...)
	}
	return string(d)
}
