// Package finding is what every question answers with: values, verdicts, the working behind them, tables
// and figures. It is pure data: nothing here computes, draws or prints.
//
// A number never travels alone: it carries a unit symbol, how it was obtained and how sure that is.
// Numbers are float64 in coherent SI with the symbol beside them (unit.Format prints them); an absent
// number is NaN (unit.Absent). The faces (text, JSON, sheet) are other packages.
//
// Identifiers are dotted paths in the user's own names, stable across runs: "lamp.front.hidden",
// "output.front.series", "output.front.saturated". `fettle why` looks things up by them.
package finding

// A Verdict is one of five words; the zero value is not a verdict.
type Verdict string

const (
	Holds    Verdict = "holds"
	Close    Verdict = "close"    // holds, but by less than the stated uncertainty or 5 % of the limit
	Fails    Verdict = "fails"    //
	Unknown  Verdict = "unknown"  // and why: not measured, not run yet, not built yet
	Reported Verdict = "reported" // the standard is silent, or its text was not read
)

// Shape is the mark that says the verdict without colour.
func (v Verdict) Shape() string {
	switch v {
	case Holds:
		return "●"
	case Close:
		return "◐"
	case Fails:
		return "✕"
	case Reported:
		return "–"
	}
	return "?"
}

// Findings is the answer to one question.
type Findings struct {
	Question string // "survey", "choose", "prove", …
	Build    string // name of the vehicle or build
	Values   []Value
	Verdicts []Judgement
	Notes    []Note
	Tables   []Table
	Figures  []Figure
	Cautions []Caution
}

// A Value is a quantity found or chosen.
type Value struct {
	ID      string
	Name    string // in the user's words: "series resistor of output front"
	Value   float64
	Unit    string
	Low     float64 // the interval, at Confidence; NaN where none is stated
	High    float64
	Text    string // for values that are names ("MMBT3904"), else ""
	Chosen  bool   // chosen by fettle, not written by the user
	Reason  string // one sentence
	Method  string // "posterior of 3 readings", "worst corner of 2^9"
	Sure    string // "95 %", "guaranteed by a table point", "typical", "from memory", …
	Working *Working
}

// A Judgement is one requirement judged.
type Judgement struct {
	ID          string
	Subject     string // "output front"
	Requirement string // "good at the usual voltage"
	Verdict     Verdict
	Value       float64 // what was found at the worst corner
	Limit       float64
	Sense       string  // "≥" or "≤": how Value must stand to Limit; "" where there is no limit
	Margin      float64 // share of the limit by which it holds (negative: by which it fails)
	Unit        string
	Worst       string // the corner in words: "track 9.0 V, LED +0.12 V, series +1 %"
	Method      string // how the worst case was sought: "corner search, 10 000 samples"
	Confidence  string // "no counterexample in 10 000 samples", level of trust of a saturation claim
	Yield       *Yield // share of the samples that hold, where sampled
	Source      string // of the limit
	Why         string // for unknown and reported: what is missing
	Mend        string // for fails: what would free it
	Working     *Working
	// Designed is the same judged on the design, where what was really fitted makes it another.
	Designed *Designed
}

// Designed is what was found of the design.
type Designed struct {
	Verdict       Verdict
	Value, Margin float64
}

// Yield is a count of samples with its exact binomial interval (Clopper–Pearson, 95 %).
type Yield struct {
	Held, Samples int
	Low, High     float64
}

// A Note is something to know that is neither value nor verdict.
type Note struct {
	ID   string
	Kind string // "reading", "lamp", "next reading", "drawer", "input", "method"
	Text string
}

// A Caution stands where the hand is.
type Caution struct {
	Where string // "soldering", "first power", "probing", …
	Text  string
}

// A Working is the derivation shown beside a number: what was put into which formula, from which source,
// and how the hand estimate compares with what the solver found.
type Working struct {
	Title      string
	Steps      []Step
	Hand       float64 // the formula's result; NaN where there is none
	Solver     float64 // what the circuit gave
	Unit       string
	Difference string // in words: why the two differ
	Sources    []string
	Figure     *Figure
	Table      *Table
}

// A Step is one line of a working.
type Step struct {
	Say     string  // "what the pin still gives at that current"
	Formula string  // "VOH = VCC − I·RdsH"
	With    string  // "4.75 V − 0.9 mA · 70 Ω"
	Result  float64 // NaN for a line of words
	Unit    string
	Source  string
}

// A Table is rows of cells; a cell is text or a number with a unit.
type Table struct {
	ID, Title string
	Columns   []Column
	Rows      [][]Cell
}

type Column struct {
	Title   string
	Unit    string // set when every number of the column shares it
	Numeric bool   // align on the decimal sign
}

type Cell struct {
	Text    string  // used if Number is NaN or Unit is ""
	Number  float64 // coherent SI
	Unit    string
	Digits  int     // significant digits; 0: three
	Verdict Verdict // a shape beside the text
}

// A Figure is a plot as data: axes, curves, bands, points. Package draw makes it visible.
type Figure struct {
	ID, Title string
	Caption   string
	X, Y      Axis
	Curves    []Curve
	Shades    []Shade // spread around a curve
	Bands     []Band  // limits, named at their edge
	Points    []Points
	Marks     []Mark
}

type Axis struct {
	Quantity string // "track voltage"
	Unit     string // coherent SI symbol; the drawing picks the prefix
	Low      float64
	High     float64 // Low == High: fit to the data
	Log      bool
}

type Curve struct {
	Label  string
	X, Y   []float64
	Dashed bool
}

// Shade fills between Low and High over X.
type Shade struct {
	Label        string
	X, Low, High []float64
	Curve        int // index of the curve it belongs to (shares its colour), −1: none
}

// Band is a limit parallel to an axis: the region between From and To (±Inf: to the edge) is forbidden or
// wanted, and Label says so in words.
type Band struct {
	Label    string
	From, To float64
	Vertical bool // From and To are x values
	Good     bool // wanted, not forbidden
}

type Points struct {
	Label    string
	X, Y     []float64
	XLow     []float64 // error bars; nil: none
	XHigh    []float64
	YLow     []float64
	YHigh    []float64
	Excluded []bool // shown hollow: did not fit
}

// Mark is one named place in the plot.
type Mark struct {
	Label string
	X, Y  float64 // NaN: a line across the whole plot
}

// Worst is the verdict of the whole: fails before unknown before close before holds before reported. What is
// not built or not run yet does not count; with nothing judged the whole is unknown.
func (f Findings) Worst() Verdict {
	rank := map[Verdict]int{Reported: 1, Holds: 2, Close: 3, Unknown: 4, Fails: 5}
	worst := Unknown
	most := 0
	for _, j := range f.Verdicts {
		if r := rank[j.Verdict]; r > most && !j.NotYet() {
			most, worst = r, j.Verdict
		}
	}
	return worst
}

// Prefixes of Judgement.Why that mark what fettle, not the user, still owes. They are listed but do not count.
const (
	NotBuilt = "not built yet"
	NotRun   = "not run yet"
)

// NotYet reports whether the judgement is unknown only because the question is not built or not run yet.
func (j Judgement) NotYet() bool {
	return j.Verdict == Unknown && (hasPrefix(j.Why, NotBuilt) || hasPrefix(j.Why, NotRun))
}

func hasPrefix(s, p string) bool { return len(s) >= len(p) && s[:len(p)] == p }
