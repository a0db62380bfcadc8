// Package draw makes findings visible as SVG: plots of a finding.Figure and schematics of what is to be
// soldered.
//
// Symbols follow IEC 60617 (from memory: resistor rectangle, diode, Schottky and zener, the bridge, LED with two arrows,
// NPN, PNP and enhancement MOSFETs, filament lamp, capacitor with its plus sign, boxes for chip, regulator and what limits a
// lamp's current, frame bar for the minus), axes are titled
// "quantity / unit" (ISO 80000-1), curve colours are the palette of Okabe and Ito (2008) in its order, each
// with a dash pattern so that it survives black and white. Text stays text. The colours are CSS custom
// properties (--ink, --paper, …), so that a figure set into a page follows its theme; a drawing that stands
// alone carries its own style and both themes.
//
// Lengths are CSS pixels, and a drawing is made for a width: text does not shrink with it. Widths of text
// are estimated from a wide sans-serif face, so that labels keep clear of one another in the common ones.
// The same input gives the same bytes.
//
// A schematic that is made for a page that answers (Options.Why) has a link over each part and each net, with what it is, carries
// and is judged as its name; what these are of is a Detail. Probes of a reading are told apart by shape and letter.
//
// Not drawn yet: perfboard layouts.
//
// Entry points: Plot, Axes, Circuit and Circuits (for a Schematic, which Of makes of a network; Around puts probes on it), CSS.
package draw

import (
	_ "embed"
	"encoding/xml"
	"fmt"
	"math"
	"strconv"
	"strings"

	"fettle/internal/unit"
)

// CSS styles the drawings of a page; a page includes it once.
//
//go:embed draw.css
var CSS string

// Options say how a drawing is made. The zero value is 700 px wide, to be set into a page.
type Options struct {
	Width      float64 // px; 0: 700. Below 280 counts as 280
	Height     float64 // px, of a plot; 0: what suits the width
	ID         string  // before every id attribute; "": the figure's own identifier. Two drawings of one figure on a page need two
	Standalone bool    // a file of its own: with style, title and caption
	// Why is the address that answers for a part or a net of a schematic, whose identifier comes behind it: "why?of="; "": no links.
	Why string
}

func (o Options) width() float64 {
	if o.Width == 0 {
		return 700
	}
	return math.Max(o.Width, 280)
}

const (
	fontSize = 12.0 // px; the one size of figures
	lineStep = 15.0
)

// A pen writes SVG elements.
type pen struct{ b strings.Builder }

// num prints a coordinate to a tenth of a pixel.
func num(x float64) string {
	s := strconv.FormatFloat(x, 'f', 1, 64)
	s = strings.TrimSuffix(s, ".0")
	if s == "-0" {
		return "0"
	}
	return s
}

func escape(s string) string {
	var b strings.Builder
	_ = xml.EscapeText(&b, []byte(s)) // a strings.Builder takes every write
	return b.String()
}

// open writes a start tag; attributes come in pairs of name and string or float64.
func (p *pen) open(name string, attrs ...any) { p.tag(name, ">", attrs) }

// leaf writes an element without content.
func (p *pen) leaf(name string, attrs ...any) { p.tag(name, "/>", attrs) }

func (p *pen) tag(name, end string, attrs []any) {
	p.b.WriteString("<" + name)
	for i := 0; i+1 < len(attrs); i += 2 {
		var v string
		switch a := attrs[i+1].(type) {
		case string:
			v = escape(a)
		case float64:
			v = num(a)
		}
		if v != "" {
			fmt.Fprintf(&p.b, ` %s="%s"`, attrs[i], v)
		}
	}
	p.b.WriteString(end)
}

func (p *pen) close(name string) { p.b.WriteString("</" + name + ">") }

func (p *pen) line(class string, x1, y1, x2, y2 float64) {
	p.leaf("path", "class", class, "d", "M"+num(x1)+" "+num(y1)+"L"+num(x2)+" "+num(y2))
}

// text sets one line; anchor is "start", "middle" or "end".
func (p *pen) text(class, anchor string, x, y float64, s string) {
	if s == "" {
		return
	}
	if anchor == "start" {
		anchor = ""
	}
	p.open("text", "class", class, "x", num(x), "y", num(y), "text-anchor", anchor)
	p.b.WriteString(escape(s))
	p.close("text")
	p.b.WriteByte('\n')
}

// begin opens the drawing with its name and description for those who do not see it.
func (p *pen) begin(id string, o Options, kind string, w, h float64, title, desc string) {
	id = anchorID(id)
	role := "img"
	if o.Why != "" { // what is in it can be reached
		role = "group"
	}
	p.open("svg", "xmlns", "http://www.w3.org/2000/svg", "class", "drawing "+kind, "viewBox", "0 0 "+num(w)+" "+num(h),
		"width", w, "height", h, "role", role, "aria-labelledby", id+"-t", "aria-describedby", id+"-d")
	p.open("title", "id", id+"-t")
	p.b.WriteString(escape(title))
	p.close("title")
	p.open("desc", "id", id+"-d")
	p.b.WriteString(escape(desc))
	p.close("desc")
	p.b.WriteByte('\n')
	if o.Standalone {
		p.b.WriteString("<style>" + tokens + CSS + "</style>\n")
		p.leaf("rect", "class", "sheet", "width", w, "height", h)
	}
}

// tokens is the palette of a drawing that stands alone; in a page the page's own holds.
const tokens = `:root{--paper:#fcfaf5;--ink:#18263a;--quiet:#57616d;--line:#d3ccbd;--look:#a02c17}
@media(prefers-color-scheme:dark){:root{--paper:#1d1915;--ink:#ede4d3;--quiet:#b5aa95;--line:#4b4338;--look:#f29a83}}
@media print{:root{--paper:#fff;--ink:#000;--quiet:#444;--line:#bbb;--look:#8c2410}}
`

// anchorID makes an identifier fit for an id attribute.
func anchorID(s string) string {
	return strings.Map(func(r rune) rune {
		if r <= ' ' || r == '"' || r == '#' || r == '\u00a0' || r == '\u202f' {
			return '-'
		}
		return r
	}, s)
}

// textWidth estimates the width of s in px at the size of figures, from the widths of a wide sans-serif
// (DejaVu Sans, em/1000), so that most faces need less.
func textWidth(s string, bold bool) float64 {
	w := 0.0
	for _, r := range s {
		switch {
		case strings.ContainsRune("ijl|'.,:;!·", r):
			w += 0.33
		case r == ' ':
			w += 0.32
		case r == '\u202f' || r == '\u2009':
			w += 0.2
		case strings.ContainsRune("frtI()[]-/\"", r):
			w += 0.41
		case strings.ContainsRune("mwMW…%±—●◐✕", r):
			w += 1.0
		case strings.ContainsRune("+−=<>≤≥", r):
			w += 0.84
		case r >= 'A' && r <= 'Z' || r == 'Ω':
			w += 0.75
		case r >= 0x2e80:
			w += 1.05
		default:
			w += 0.63
		}
	}
	if bold {
		w *= 1.1
	}
	return w * fontSize
}

// wrap breaks text at spaces into lines no wider than width where words allow.
func wrap(s string, width float64, bold bool) []string {
	var out []string
	line := ""
	for _, word := range strings.Split(unit.Bind(s), " ") {
		if word == "" {
			continue
		}
		if line != "" && textWidth(line+" "+word, bold) > width {
			out = append(out, line)
			line = ""
		}
		if line != "" {
			line += " "
		}
		line += word
	}
	if line != "" {
		out = append(out, line)
	}
	return out
}
