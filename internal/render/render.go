// Package render says findings: as text for a terminal, as HTML fragments for a page, and as JSON.
//
// It computes nothing. A number is printed with an engineering prefix (three significant digits unless the
// cell says otherwise), a thin space and its unit, aligned on the decimal sign; an interval is printed
// wherever one is stated; what is absent prints "unknown" or "—", never NaN. A verdict is a shape and a
// word before it is a colour: ● holds, ◐ close, ✕ fails, ? unknown, – reported. What fails stands first, and
// what is not built or not run yet stands last, in one list.
//
// The JSON envelope is documented in docs/json.md, which is generated from the types here.
//
// Not modelled: languages other than English, terminals that cannot show Unicode.
//
// Entry points: Text, Why and Working for terminals; JSON; HTML and its parts (Verdicts, Values, Table, …)
// with CSS for pages.
package render

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

var nan = math.NaN()

const digits = 3 // significant digits of a number that does not say its own

func known(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// interval reports whether the value states an interval wider than the value itself. Both ends at zero
// around a value that is not zero is a value whose interval was never filled in.
func interval(v finding.Value) bool {
	if v.Text != "" || math.IsNaN(v.Low) && math.IsNaN(v.High) {
		return false
	}
	return v.Low != v.High
}

// Interval prints "1.31 … 1.72 kΩ": one unit where both ends share it.
func Interval(low, high float64, symbol string) string {
	switch {
	case math.IsNaN(low) && math.IsNaN(high):
		return ""
	case math.IsNaN(low):
		return "≤" + unit.ThinSpace + unit.Format(high, symbol, digits)
	case math.IsNaN(high):
		return "≥" + unit.ThinSpace + unit.Format(low, symbol, digits)
	}
	if known(low) && known(high) {
		factor, sym := unit.Scale(math.Max(math.Abs(low), math.Abs(high)), symbol)
		if math.Abs(low) >= factor || low == 0 {
			ln, ls := unit.Engineering(low, symbol, digits)
			hn, hs := unit.Engineering(high, symbol, digits)
			if ls == hs || low == 0 {
				return join(ln+" … "+hn, cmp.Or(hs, sym))
			}
		}
	}
	return unit.Format(low, symbol, digits) + " … " + unit.Format(high, symbol, digits)
}

// engineering is a number and its unit; a count, whole and without a unit, has no decimals.
func engineering(x float64, symbol string) (number, sym string) {
	if symbol == "" && x == math.Trunc(x) && math.Abs(x) < 1e15 {
		return strings.Replace(strconv.FormatFloat(x, 'f', 0, 64), "-", "−", 1), ""
	}
	return unit.Engineering(x, symbol, digits)
}

func join(number, sym string) string {
	if sym == "" {
		return number
	}
	return number + unit.ThinSpace + sym
}

// number is a value or the words that stand for it.
func valueText(v finding.Value) string {
	if v.Text != "" {
		return v.Text
	}
	return unit.Format(v.Value, v.Unit, digits)
}

// Margin prints the share of the limit by which a requirement holds: "+12 %", "−34 %", "—" where unknown.
func Margin(m float64) string {
	if !known(m) {
		return "—"
	}
	s := unit.Format(m, unit.SymRatio, 2)
	if m > 0 {
		s = "+" + s
	}
	return s
}

// limitText is the limit with how the value must stand to it: "≥ 2.00 mA".
func limitText(j finding.Judgement) string {
	if j.Sense == "" || math.IsNaN(j.Limit) {
		return ""
	}
	return j.Sense + unit.ThinSpace + join(engineering(j.Limit, j.Unit))
}

// foundText is what was found, or "—" where nothing could be.
func foundText(j finding.Judgement) string {
	if math.IsNaN(j.Value) || j.Unit == "" && j.Value == 0 && j.Sense == "" {
		return "—"
	}
	return join(engineering(j.Value, j.Unit))
}

// Found is what was found and what is wanted: "2.68 mA, wanted ≥ 1.5 mA"; "" where there is no number.
func Found(j finding.Judgement) string {
	found := foundText(j)
	if found == "—" {
		return ""
	}
	if limit := limitText(j); limit != "" {
		found += ", wanted " + limit
	}
	return found
}

// designedText is what was found of the design, where what was fitted makes it another: "● holds, 4.1, margin +37 %".
func designedText(j finding.Judgement) string {
	d := j.Designed
	if d == nil {
		return ""
	}
	text := verdictText(d.Verdict)
	if found := foundText(finding.Judgement{Value: d.Value, Unit: j.Unit, Sense: j.Sense}); found != "—" {
		text += ", " + found
	}
	if j.Sense != "" && known(d.Margin) {
		text += ", margin " + Margin(d.Margin)
	}
	return text
}

func yieldText(y *finding.Yield) string {
	if y == nil || y.Samples == 0 {
		return ""
	}
	return fmt.Sprintf("%s of %s samples hold (95%s%%: %s … %s%s%%)", grouped(y.Held), grouped(y.Samples), unit.ThinSpace,
		percent(y.Low), percent(y.High), unit.ThinSpace)
}

// percent keeps the digits that matter near 100 % and near 0: 99.96, 99.2, 87, 0.04.
func percent(share float64) string {
	p, rest := share*100, (1-share)*100
	switch {
	case rest <= 0:
		return "100"
	case rest < 0.1:
		return fmt.Sprintf("%.2f", math.Min(p, 99.99))
	case rest < 1:
		return fmt.Sprintf("%.1f", math.Min(p, 99.9))
	case p <= 0:
		return "0"
	case p < 0.1:
		return fmt.Sprintf("%.2g", p)
	case p < 10:
		return fmt.Sprintf("%.1f", p)
	}
	return fmt.Sprintf("%.0f", p)
}

// grouped prints 10000 as "10 000" (thin space: ISO 80000-1 §7.3.1).
func grouped(n int) string {
	s := fmt.Sprint(n)
	if len(s) < 5 {
		return s
	}
	var b strings.Builder
	for i, r := range s {
		if i > 0 && (len(s)-i)%3 == 0 {
			b.WriteString(unit.ThinSpace)
		}
		b.WriteRune(r)
	}
	return b.String()
}

var rank = map[finding.Verdict]int{finding.Fails: 0, finding.Close: 1, finding.Unknown: 2, finding.Holds: 3, finding.Reported: 4}

// Ordered is the judgements as they are shown: what fails first, then close, unknown, holds, reported; and
// apart from them what fettle itself still owes.
func Ordered(js []finding.Judgement) (judged, owed []finding.Judgement) {
	for _, j := range js {
		if j.NotYet() {
			owed = append(owed, j)
		} else {
			judged = append(judged, j)
		}
	}
	slices.SortStableFunc(judged, func(a, b finding.Judgement) int { return cmp.Compare(rank[a.Verdict], rank[b.Verdict]) })
	return judged, owed
}

// Tally counts the verdicts in words: "1 fails · 2 close · 14 hold".
func Tally(js []finding.Judgement) string {
	judged, owed := Ordered(js)
	var out []string
	for _, v := range []finding.Verdict{finding.Fails, finding.Close, finding.Unknown, finding.Holds, finding.Reported} {
		n := 0
		for _, j := range judged {
			if j.Verdict == v {
				n++
			}
		}
		word := string(v)
		if n != 1 {
			switch v {
			case finding.Fails:
				word = "fail"
			case finding.Holds:
				word = "hold"
			}
		}
		if n > 0 {
			out = append(out, fmt.Sprintf("%d %s", n, word))
		}
	}
	if len(owed) > 0 {
		out = append(out, fmt.Sprintf("%d not judged yet", len(owed)))
	}
	return strings.Join(out, " · ")
}

// verdictText is the shape and the word.
func verdictText(v finding.Verdict) string {
	if v == "" {
		return ""
	}
	return v.Shape() + " " + string(v)
}

// sought is how the worst case was sought, if that is the same for all that were judged: said once then.
func sought(js []finding.Judgement) string {
	method := ""
	for _, j := range js {
		switch {
		case j.Method == "":
		case method == "":
			method = j.Method
		case method != j.Method:
			return ""
		}
	}
	return method
}

// A figure of a table cell: the number and its unit apart, so that columns align.
type number struct{ whole, frac, sym string }

func split(n, sym string) number {
	whole, frac, ok := strings.Cut(n, ".")
	if ok {
		frac = "." + frac
	}
	return number{whole, frac, sym}
}

// cellNumber reports the number a cell holds, with the unit of its column where it has none itself.
func cellNumber(c finding.Cell, col finding.Column) (x float64, symbol string, ok bool) {
	symbol = c.Unit
	if symbol == "" && c.Text == "" {
		symbol = col.Unit
	}
	if math.IsNaN(c.Number) || symbol == "" {
		return 0, "", false
	}
	return c.Number, symbol, true
}

// scaled is the common prefix of a column whose numbers lie within four decades, or false.
func scaled(t finding.Table, col int) (factor float64, sym string, ok bool) {
	symbol := t.Columns[col].Unit
	if symbol == "" {
		return 0, "", false
	}
	low, high := math.Inf(1), 0.0
	for _, row := range t.Rows {
		if col >= len(row) {
			continue
		}
		x, s, num := cellNumber(row[col], t.Columns[col])
		if !num {
			continue
		}
		if s != symbol || math.IsInf(x, 0) {
			return 0, "", false
		}
		if a := math.Abs(x); a > 0 {
			low, high = min(low, a), max(high, a)
		}
	}
	if high == 0 || high/low > 1e4 {
		return 0, "", false
	}
	// The prefix of the geometric middle keeps most numbers between 1 and 1000.
	factor, sym = unit.Scale(math.Sqrt(low*high), symbol)
	return factor, sym, true
}

// plainDigits prints x with significant digits and a true minus, without prefix.
func plainDigits(x float64, n int) string {
	s, _ := unit.Engineering(x, "", n)
	return s
}
