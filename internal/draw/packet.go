package draw

import (
	"fmt"
	"math"
	"strings"

	"fettle/internal/dcc"
	"fettle/internal/unit"
)

// Packet draws one packet: the track voltage over time at nominal half-bits with every bit above it and every byte below,
// and the error byte worked out column by column. Time runs to scale and breaks into lines between bytes where the width
// asks for it. The first half of a bit is drawn positive; which it is depends on how the vehicle stands.
func Packet(it dcc.Item, o Options) string {
	d := &packetDrawing{it: it, w: o.width(), o: o}
	d.cut()
	d.waveform()
	d.columns()
	d.y += 6
	bits := ""
	for _, s := range d.spans {
		bits += " " + s.bits
	}
	title := it.Title()
	var head pen
	desc := fmt.Sprintf("Bytes % X, sent as%s.", []byte(it.Packet), bits)
	id := o.ID
	if id == "" {
		id = "packet-" + fmt.Sprintf("%x", []byte(it.Packet))
	}
	head.begin(id, o, "packet", d.w, d.y, title, desc)
	if o.Standalone {
		for i, l := range wrap(title, d.w-16, true) {
			head.text("name", "start", 8, 16+lineStep*float64(i), l)
		}
	}
	head.b.WriteString(d.pen.b.String())
	head.close("svg")
	return head.b.String() + "\n"
}

// A span is a stretch of bits that belong together: the preamble, one start bit and byte, the end bit.
type span struct {
	bits   string
	hex    string // of a byte
	says   string
	start  unit.Time
	length unit.Time
	whole  bool // not to be parted from the one before it
}

type packetDrawing struct {
	pen
	it    dcc.Item
	o     Options
	w     float64
	y     float64
	spans []span
	lines [][]span
	scale float64 // px a µs
}

const (
	packetEdge  = 14.0   // left and right
	leastScale  = 0.0905 // px a µs: a one-bit of 116 µs holds its digit
	mostScale   = 0.14
	waveHalf    = 13.0 // px from the middle to a level
	columnStep  = 19.0 // of the XOR
	bracketDrop = 5.0
)

func micro(t unit.Time) float64 { return float64(t) / float64(unit.Microsecond) }

func bitTime(b byte) unit.Time {
	if b == '1' {
		return 2 * dcc.NominalOne
	}
	return 2 * dcc.NominalZero
}

// cut makes the spans and sets them into lines.
func (d *packetDrawing) cut() {
	if d.o.Standalone {
		d.y = 14 + lineStep*float64(len(wrap(d.it.Title(), d.w-16, true)))
	}
	n := d.it.Ones()
	at := unit.Time(0)
	add := func(s span) {
		s.start = at
		for _, b := range []byte(s.bits) {
			s.length += bitTime(b)
		}
		at += s.length
		d.spans = append(d.spans, s)
	}
	room := (d.w - 2*packetEdge) / leastScale
	// A long preamble is cut into pieces that fit.
	most := max(1, int(room/micro(bitTime('1'))))
	for left := n; left > 0; left -= most {
		k := min(left, most)
		says := fmt.Sprintf("preamble, %d ones", n)
		if left < n {
			says = "preamble"
		}
		add(span{bits: strings.Repeat("1", k), says: says})
	}
	for k, part := range dcc.Anatomy(d.it.Packet, d.it.Context()) {
		b := d.it.Packet[k]
		add(span{bits: fmt.Sprintf("0%08b", b), hex: fmt.Sprintf("%02X", b), says: part.Says})
	}
	add(span{bits: "1", says: "end", whole: true})
	var line []span
	used := 0.0
	for k, s := range d.spans {
		need := micro(s.length)
		if k+1 < len(d.spans) && d.spans[k+1].whole {
			need += micro(d.spans[k+1].length)
		}
		if len(line) > 0 && !s.whole && used+need > room {
			d.lines = append(d.lines, line)
			line, used = nil, 0
		}
		line = append(line, s)
		used += micro(s.length)
	}
	d.lines = append(d.lines, line)
	longest := 0.0
	for _, l := range d.lines {
		last := l[len(l)-1]
		longest = math.Max(longest, micro(last.start+last.length-l[0].start))
	}
	d.scale = math.Min((d.w-2*packetEdge)/longest, mostScale)
}

// waveform draws the lines of time.
func (d *packetDrawing) waveform() {
	for k, line := range d.lines {
		from := line[0].start
		x := func(t unit.Time) float64 { return packetEdge + micro(t-from)*d.scale }
		last := line[len(line)-1]
		until := last.start + last.length
		digits := d.y + 12
		mid := digits + 8 + waveHalf
		d.line("grid", packetEdge, mid, x(until), mid)
		var path strings.Builder
		fmt.Fprintf(&path, "M%s %s", num(packetEdge), num(mid-waveHalf))
		deepest := 0
		for _, s := range line {
			t := s.start
			for _, b := range []byte(s.bits) {
				half := bitTime(b) / 2
				fmt.Fprintf(&path, "V%sH%sV%sH%s", num(mid-waveHalf), num(x(t+half)), num(mid+waveHalf), num(x(t+2*half)))
				class := "bit"
				if len(s.bits) == 9 && t == s.start || len(s.bits) == 1 {
					class = "bit tick" // start bits and the end bit
				}
				d.text(class, "middle", x(t+half), digits, string(b))
				t += 2 * half
			}
		}
		d.leaf("path", "class", "curve k0", "style", "stroke-width:1.6;stroke-linejoin:miter", "d", path.String())
		axis := mid + waveHalf + 5
		d.ticks(from, until, axis, x, k == len(d.lines)-1)
		under := axis + 24
		for _, s := range line {
			left, right := x(s.start), x(s.start+s.length)
			if s.hex != "" {
				left = x(s.start + bitTime('0')) // the start bit is not of the byte
			}
			d.leaf("path", "class", "mark", "d", fmt.Sprintf("M%s %sV%sH%sV%s", num(left+1), num(under), num(under+bracketDrop), num(right-1), num(under)))
			at, text := (left+right)/2, under+bracketDrop+14
			if s.bits == "1" && s.hex == "" {
				d.text("tick", "middle", math.Min(at, d.w-4-textWidth(s.says, false)/2), text, s.says)
				deepest = max(deepest, 1)
				continue
			}
			lines := wrap(s.says, right-left+8, false)
			if s.hex != "" {
				d.text("name", "middle", at, text, s.hex)
				text += lineStep
			}
			for i, l := range lines {
				class := ""
				if s.hex == "" {
					class = "tick"
				}
				half := textWidth(l, false) / 2
				d.text(class, "middle", math.Max(4+half, math.Min(at, d.w-4-half)), text+lineStep*float64(i), l)
			}
			rows := len(lines)
			if s.hex != "" {
				rows++
			}
			deepest = max(deepest, rows)
		}
		d.y = under + bracketDrop + lineStep*float64(deepest) + 14
	}
}

// ticks draws the axis of one line in milliseconds.
func (d *packetDrawing) ticks(from, until unit.Time, y float64, x func(unit.Time) float64, named bool) {
	d.line("minor", packetEdge, y, x(until), y)
	step := unit.Millisecond / 2
	for t := (from + step - 1) / step * step; t <= until; t += step {
		if t%unit.Millisecond != 0 {
			d.line("minor", x(t), y, x(t), y+3)
			continue
		}
		d.line("minor", x(t), y, x(t), y+5)
		d.text("tick", "middle", x(t), y+17, fmt.Sprint(int64(t/unit.Millisecond)))
	}
	if !named {
		return
	}
	// The quantity stands after the last whole millisecond, or before it where there is no room.
	last := until / unit.Millisecond * unit.Millisecond
	title := "time / ms"
	if at := x(last) + 12; at+textWidth(title, false) < d.w-4 {
		d.text("axis", "start", at, y+17, title)
	} else {
		d.text("axis", "end", x(last)-10, y+17, title)
	}
}

// columns works the error byte out: under every column of bits stands whether its ones are odd.
func (d *packetDrawing) columns() {
	p := d.it.Packet
	if len(p) < 2 {
		return
	}
	parts := dcc.Anatomy(p, d.it.Context())
	const hexX = packetEdge + 18.0
	bitX := func(k int) float64 { return hexX + 28 + columnStep*float64(7-k) + columnStep/2 }
	saysX := bitX(0) + columnStep/2 + 12
	body := p[:len(p)-1]
	d.text("axis", "start", packetEdge, d.y+12, "XOR of the bytes before the error byte")
	d.y += 20
	row := func(class string, b byte, says string) {
		d.text(class, "end", hexX+18, d.y+12, fmt.Sprintf("%02X", b))
		for k := range 8 {
			d.text(class, "middle", bitX(k), d.y+12, string('0'+b>>k&1))
		}
		lines := wrap(says, d.w-4-saysX, false)
		for i, l := range lines {
			d.text("tick", "start", saysX, d.y+12+lineStep*float64(i), l)
		}
		d.y += lineStep * math.Max(1, float64(len(lines)))
	}
	for k, b := range body {
		row("", b, parts[k].Says)
	}
	d.y += 4
	d.line("frame", packetEdge, d.y, bitX(0)+columnStep/2, d.y)
	d.y += 2
	x := dcc.XOR(body)
	got := p[len(p)-1]
	switch {
	case x == got:
		row("name", x, "error byte: 1 where a column has an odd number of ones")
	default:
		row("name", x, "1 where a column has an odd number of ones")
		row("name look", got, "error byte as sent: it does not fit")
	}
	d.y += 4
}
