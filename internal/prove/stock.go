package prove

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/unit"
)

// currency is that of the prices; EUR where the build names none.
func currency(b *build.Build) string {
	if b.Cost != nil && b.Cost.Currency.Text != "" {
		return b.Cost.Currency.Text
	}
	return "EUR"
}

// Cost is what the parts of the build come to and, where its file says what a ready-made decoder would cost, the difference. Prices
// are those of the drawer.
func Cost(b *build.Build) []finding.Value {
	if len(b.Decoders) == 0 {
		return nil
	}
	sum, open, pieces := 0.0, 0, 0
	for _, n := range Needs(b) {
		if pieces += n.Count; unit.Known(n.Price) {
			sum += float64(n.Price) * float64(n.Count)
		} else {
			open += n.Count
		}
	}
	in, none := currency(b), math.NaN()
	value := func(id, name, text, reason string, w *finding.Working) finding.Value {
		return finding.Value{ID: "cost." + id, Name: name, Value: none, Low: none, High: none, Text: text, Reason: reason, Working: w}
	}
	const without = "by the prices of the drawer; without perfboard, wire, solder and postage"
	parts, reason := fmt.Sprintf("%.2f %s", sum, in), fmt.Sprintf("%d pieces, %s", pieces, without)
	if open > 0 {
		parts, reason = "more than "+parts, fmt.Sprintf("%d pieces, %d of them without a price, %s", pieces, open, without)
	}
	list := []finding.Value{value("parts", "parts of the build", parts, reason, nil)}
	if b.Cost == nil || !b.Cost.ReadyMade.Known() {
		return list
	}
	each := b.Cost.ReadyMade.Value
	ready := each * float64(len(b.Decoders))
	list = append(list, value("ready-made", "ready made", fmt.Sprintf("%.2f %s", ready, in), fmt.Sprintf("as the file says: %d at %.2f %s", len(b.Decoders), each, in), nil))
	name, apart := "less than ready made", fmt.Sprintf("%.2f %s", ready-sum, in)
	switch {
	case ready < sum:
		name, apart = "more than ready made", fmt.Sprintf("%.2f %s", sum-ready, in)
		if open > 0 {
			apart = "at least " + apart
		}
	case open > 0:
		apart = "at most " + apart
	}
	return append(list, value("apart", name, apart, "your own hours not counted", &finding.Working{Title: "what the build costs beside a ready-made decoder", Hand: none, Solver: none, Steps: []finding.Step{
		{Say: "the parts, " + reason, With: parts, Result: none},
		{Say: "ready made", Formula: "price × decoders", With: fmt.Sprintf("%.2f × %d = %.2f %s", each, len(b.Decoders), ready, in), Result: none},
	}}))
}

// A Wanting is a build that takes its parts out of a drawer.
type Wanting struct {
	Name  string
	Build *build.Build // its open values chosen
}

// Stock is what several builds want together of the drawer that they share: by kind of part who wants how many, what is there, and
// what is to be bought, which comes first. What is fitted already is wanted by none. Which of two resistors of one value but of
// different tolerance a build would take is not distinguished.
func Stock(list []Wanting) finding.Table {
	none := math.NaN()
	in := "EUR"
	if len(list) > 0 {
		in = currency(list[0].Build)
	}
	t := finding.Table{ID: "stock", Columns: []finding.Column{{Title: "part"}, {Title: "wanted by"}, {Title: "pieces", Numeric: true}, {Title: "in the drawer", Numeric: true}, {Title: "to buy", Numeric: true}, {Title: "price, " + in, Numeric: true}}}
	type want struct {
		Need
		by []string
	}
	var wants []*want
	for _, w := range list {
		for _, n := range Needs(w.Build) {
			if n.Fitted {
				continue
			}
			i := slices.IndexFunc(wants, func(x *want) bool { return x.What == n.What })
			if i < 0 {
				wants, i = append(wants, &want{Need: n}), len(wants)
				wants[i].Count = 0
			}
			x := wants[i]
			x.Count += n.Count
			x.by = append(x.by, fmt.Sprintf("%s %d", w.Name, n.Count))
			if !unit.Known(x.Price) {
				x.Price = n.Price
			}
			if n.Have < 0 || x.Have >= 0 && n.Have > x.Have {
				x.Have = n.Have
			}
		}
	}
	buy := func(x *want) int {
		if x.Have < 0 {
			return 0
		}
		return max(0, x.Count-x.Have)
	}
	slices.SortStableFunc(wants, func(a, b *want) int { return cmp.Compare(min(1, buy(b)), min(1, buy(a))) })
	sum, open := 0.0, false
	cell := func(text string) finding.Cell { return finding.Cell{Text: text, Number: none} }
	for _, x := range wants {
		have, lacks, price := fmt.Sprint(x.Have), finding.Cell{Text: "—", Number: none, Verdict: finding.Holds}, cell("—")
		if x.Have < 0 {
			have = "plenty"
		}
		if n := buy(x); n > 0 {
			lacks = finding.Cell{Text: fmt.Sprint(n), Number: none, Verdict: finding.Fails}
			if price = cell("?"); unit.Known(x.Price) {
				price = cell(fmt.Sprintf("%.2f", float64(x.Price)*float64(n)))
				sum += float64(x.Price) * float64(n)
			} else {
				open = true
			}
		}
		t.Rows = append(t.Rows, []finding.Cell{cell(x.What), cell(strings.Join(x.by, ", ")), cell(fmt.Sprint(x.Count)), cell(have), lacks, price})
	}
	total := fmt.Sprintf("%.2f", sum)
	if open {
		total = "more than " + total
	}
	if len(t.Rows) > 0 {
		t.Rows = append(t.Rows, []finding.Cell{cell("to buy, together"), cell(""), cell(""), cell(""), cell(""), cell(total)})
	}
	return t
}
