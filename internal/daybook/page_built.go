package daybook

import (
	"fmt"
	"slices"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/render"
	"fettle/internal/work"
)

// showBuilt is what was really soldered in, beside what was designed, and what that changes.
func showBuilt(v *view) (string, any) {
	p := sections{Title: "As built", Lead: "What was really soldered in, where it was looked at: it is proven instead of what was planned, which stays as it is. What is not noted is as designed."}
	s := section{Live: "departs", Title: "What departs from the design", State: state(v.all, []string{work.AsBuilt})}
	if !v.proved.Build.Noted() {
		s.Say = "Nothing is noted yet: the board is taken as designed."
	}
	s.add(v.notes(work.AsBuilt), v.verdicts("v-", work.AsBuilt))
	s.add(v.tables("t-", work.AsBuilt)...)
	s.Cautions = render.Cautions([]finding.Caution{{Where: "measuring a part", Text: "Measure a resistor before it is soldered in. Power and track off before anything is touched; what was soldered stays hot."}})
	p.List = append(p.List, s)
	b := v.proved.Build
	for i := range b.Decoders {
		d := &b.Decoders[i]
		s := section{Live: fmt.Sprintf("fitted-%d", i), Title: "Decoder " + d.Name.Text}
		board := v.form("the board", blockAt("decoder", "fitted"), "", "decoder", d.Name.Text, "fitted")
		board.Rows, board.More = append(board.Rows, board.More...), nil // which meter it was must be seen
		s.Forms = append(s.Forms, board, v.fitted(d, "supply", ""), v.fitted(d, "chip", ""))
		if d.Listen.Into.IsSet() {
			s.Forms = append(s.Forms, v.fitted(d, "listen", ""))
		}
		for k := range d.Outputs {
			s.Forms = append(s.Forms, v.fitted(d, "output", d.Outputs[k].Name.Text))
		}
		if d.Acknowledge != nil {
			s.Forms = append(s.Forms, v.fitted(d, "acknowledge", ""))
		}
		p.List = append(p.List, s)
	}
	return "sections", p
}

// fitted is the form of what was fitted of one block of a decoder, with what the design has in each place. The parts that it has stand
// in front.
func (v *view) fitted(d *build.Decoder, block, output string) formView {
	path, title := []string{"decoder", d.Name.Text, "fitted", block}, map[string]string{"supply": "rectifier and regulator", "listen": "ear", "acknowledge": "acknowledgement"}[block]
	switch {
	case block == "output":
		path, title = append(path, output), "output "+output
	case title == "":
		title = block
	}
	f := v.form(title, blockAt("decoder", "fitted", block), "", path...)
	var rows, more []rowView
	parts := d.Fits()
	for _, r := range append(f.Rows, f.More...) {
		place := build.FittedValue{Block: block, Output: output, Attr: r.attr}
		is := func(x build.FittedValue) bool { return x.Block == block && x.Output == output && x.Attr == r.attr }
		if slices.ContainsFunc(parts, is) || d.Fitted != nil && slices.ContainsFunc(d.Fitted.Values, is) {
			r.Found = "designed: " + work.Planned(d, place)
			rows = append(rows, r)
		} else {
			more = append(more, r)
		}
	}
	f.Rows, f.More = rows, more
	return f
}
