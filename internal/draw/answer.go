package draw

import (
	"net/url"
	"slices"
	"strings"
)

// In a drawing made with Options.Why every part and every net that has a detail is a link, above all else and invisible until it is
// pointed at: the places where its symbol and its words lie, which one name holds together.

// A hot is the places of one detail.
type hot struct {
	id     string
	places []box
}

// answers has a place of the drawing answer for a detail.
func (d *drafter) answers(id string, b box) {
	if id == "" || d.o.Why == "" {
		return
	}
	i := slices.IndexFunc(d.hots, func(h hot) bool { return h.id == id })
	if i < 0 {
		i = len(d.hots)
		d.hots = append(d.hots, hot{id: id})
	}
	h := &d.hots[i]
	// Lines of words one below the other are one place.
	if n := len(h.places); n > 0 {
		if l := &h.places[n-1]; l.x < b.x+b.w && b.x < l.x+l.w && b.y <= l.y+l.h+1 && b.y >= l.y {
			x, right, bottom := min(l.x, b.x), max(l.x+l.w, b.x+b.w), max(l.y+l.h, b.y+b.h)
			*l = box{x, l.y, right - x, bottom - l.y}
			return
		}
	}
	h.places = append(h.places, b)
}

const netHalf = 12.0 // half of the place that answers for a net

// answersNet has the place about a test point answer for its net.
func (d *drafter) answersNet(x, y float64, ids []string) {
	for _, id := range ids {
		if id != "" && slices.ContainsFunc(d.s.Details, func(k Detail) bool { return k.ID == d.s.net(id) }) {
			d.answers(d.s.net(id), box{x - netHalf, y - netHalf, 2 * netHalf, 2 * netHalf})
			return
		}
	}
}

// Says is a detail in one line, for those who do not see the drawing.
func (x Detail) Says() string {
	list := []string{x.Name}
	if x.Value != "" {
		list = append(list, x.Value)
	}
	list = append(list, x.Now...)
	if x.Verdict != "" && len(x.Judged) > 0 {
		list = append(list, string(x.Verdict))
	}
	return strings.Join(list, ", ")
}

// links are the places that answer: nets above parts.
func (d *drafter) links() string {
	var p pen
	for _, nets := range []bool{false, true} {
		for _, h := range d.hots {
			i := slices.IndexFunc(d.s.Details, func(x Detail) bool { return x.ID == h.id })
			if i < 0 || strings.HasPrefix(h.id, d.s.net("")) != nets {
				continue
			}
			x := d.s.Details[i]
			p.open("a", "class", "answer", "href", d.o.Why+url.QueryEscape(h.id), "aria-label", x.Says())
			for _, b := range h.places {
				round := ""
				if nets && b.w == 2*netHalf && b.h == 2*netHalf {
					round = num(netHalf)
				}
				p.leaf("rect", "x", num(b.x), "y", num(b.y), "width", b.w, "height", b.h, "rx", round)
			}
			p.close("a")
			p.b.WriteByte('\n')
		}
	}
	return p.b.String()
}
