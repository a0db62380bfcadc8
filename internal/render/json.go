package render

import (
	"bytes"
	"encoding/json"
	"io"
	"strconv"

	"fettle/internal/diag"
	"fettle/internal/finding"
)

// Schema names the version of the envelope. A field is only ever added within it; a change of meaning is a
// new version.
const Schema = "fettle/1"

// num is a number that may be absent: NaN and ±∞ are null.
type num float64

func (n num) MarshalJSON() ([]byte, error) {
	if !known(float64(n)) {
		return []byte("null"), nil
	}
	return strconv.AppendFloat(nil, float64(n), 'g', -1, 64), nil
}

// The envelope. The doc tags are docs/json.md.
type envelope struct {
	Schema   string        `json:"schema" doc:"always \"fettle/1\"; fields may be added within a version, a changed meaning is a new one"`
	Question string        `json:"question" doc:"which question was asked: survey, choose, prove, packet, audit, …"`
	Build    string        `json:"build" doc:"name of the vehicle or build"`
	Verdict  string        `json:"verdict" doc:"verdict of the whole: the worst of fails, unknown, close, holds; \"\" where nothing is judged"`
	Values   []value       `json:"values" doc:"quantities found or chosen"`
	Verdicts []judgement   `json:"verdicts" doc:"requirements judged, in the order of the work"`
	Notes    []note        `json:"notes" doc:"what is neither a value nor a verdict"`
	Cautions []caution     `json:"cautions" doc:"where the work can hurt someone or a model"`
	Tables   []table       `json:"tables" doc:"rows to compare"`
	Figures  []figure      `json:"figures" doc:"plots as data"`
	Problems []jsonProblem `json:"problems" doc:"what is wrong with the input"`
}

type value struct {
	ID      string   `json:"id" doc:"dotted path in the user's own names, stable across runs; what fettle why looks up"`
	Name    string   `json:"name" doc:"in words"`
	Value   num      `json:"value" doc:"in coherent SI; null where unknown or where text is the value"`
	Unit    string   `json:"unit" doc:"SI symbol; \"1\" is a share (0.05 is 5 %), \"\" a plain number"`
	Low     num      `json:"low" doc:"lower end of the interval; null where none is stated"`
	High    num      `json:"high" doc:"upper end of the interval; null where none is stated"`
	Text    string   `json:"text" doc:"for values that are names, else \"\""`
	Chosen  bool     `json:"chosen" doc:"chosen by fettle, not written by the user"`
	Reason  string   `json:"reason" doc:"why this value, in one sentence"`
	Method  string   `json:"method" doc:"how it was obtained"`
	Sure    string   `json:"sure" doc:"how sure it is"`
	Working *working `json:"working,omitempty" doc:"the derivation; absent where there is none"`
}

type judgement struct {
	ID          string    `json:"id" doc:"dotted path, stable across runs"`
	Subject     string    `json:"subject" doc:"what is judged, in the user's names"`
	Requirement string    `json:"requirement" doc:"what is required, in words"`
	Verdict     string    `json:"verdict" doc:"holds, close (holds by less than the uncertainty or 5 % of the limit), fails, unknown or reported"`
	Margin      num       `json:"margin" doc:"share of the limit by which it holds; negative: by which it fails"`
	Value       num       `json:"value" doc:"what was found at the worst corner"`
	Limit       num       `json:"limit" doc:"what it is held against; null where sense is \"\""`
	Sense       string    `json:"sense" doc:"how value must stand to limit: ≥ or ≤; \"\" where there is no limit"`
	Unit        string    `json:"unit" doc:"SI symbol of value and limit"`
	Worst       string    `json:"worst" doc:"the corner at which it is worst, in words"`
	Method      string    `json:"method" doc:"how the worst case was sought"`
	Confidence  string    `json:"confidence" doc:"what is claimed, and how far"`
	Yield       *yield    `json:"yield" doc:"share of the samples that hold; null where not sampled"`
	Source      string    `json:"source" doc:"where the limit comes from"`
	Why         string    `json:"why" doc:"for unknown and reported: what is missing"`
	Mend        string    `json:"mend" doc:"for fails: what would free it"`
	Working     *working  `json:"working,omitempty" doc:"the derivation; absent where there is none"`
	Designed    *designed `json:"designed,omitempty" doc:"the same judged on the design, where what was really fitted makes it another; else absent"`
}

type designed struct {
	Verdict string `json:"verdict" doc:"as above"`
	Value   num    `json:"value" doc:"what was found at its worst corner, in the judgement's unit"`
	Margin  num    `json:"margin" doc:"share of the limit by which it held; negative: by which it failed"`
}

type yield struct {
	Held    int `json:"held" doc:"samples that hold"`
	Samples int `json:"samples" doc:"samples taken"`
	Low     num `json:"low" doc:"lower end of the exact binomial 95 % interval of the share"`
	High    num `json:"high" doc:"upper end"`
}

type note struct {
	ID   string `json:"id" doc:"what it is about, a dotted path or \"\""`
	Kind string `json:"kind" doc:"reading, lamp, next reading, drawer, input, method, recording, as built; of a packet also other reading, repeats, group, CV, …"`
	Text string `json:"text" doc:"the note"`
}

type caution struct {
	Where string `json:"where" doc:"at which work"`
	Text  string `json:"text" doc:"the caution"`
}

type working struct {
	Title      string   `json:"title" doc:"what is derived"`
	Steps      []step   `json:"steps" doc:"one line each"`
	Hand       num      `json:"hand" doc:"result of the hand formula; null where there is none"`
	Solver     num      `json:"solver" doc:"what the circuit gave"`
	Unit       string   `json:"unit" doc:"SI symbol of both"`
	Difference string   `json:"difference" doc:"why the two differ, in words"`
	Sources    []string `json:"sources" doc:"where the numbers come from"`
	Figure     *figure  `json:"figure,omitempty" doc:"a plot that shows it"`
	Table      *table   `json:"table,omitempty" doc:"a table that shows it"`
}

type step struct {
	Say     string `json:"say" doc:"what this line finds, in words"`
	Formula string `json:"formula" doc:"the formula in datasheet symbols"`
	With    string `json:"with" doc:"the same with numbers"`
	Result  num    `json:"result" doc:"the result; null for a line of words"`
	Unit    string `json:"unit" doc:"SI symbol of the result"`
	Source  string `json:"source" doc:"where the numbers come from"`
}

type table struct {
	ID      string   `json:"id" doc:"dotted path"`
	Title   string   `json:"title" doc:"what it shows"`
	Columns []column `json:"columns" doc:"from left to right"`
	Rows    [][]cell `json:"rows" doc:"one cell for each column"`
}

type column struct {
	Title   string `json:"title" doc:"heading"`
	Unit    string `json:"unit" doc:"SI symbol that every number of the column shares, or \"\""`
	Numeric bool   `json:"numeric" doc:"holds numbers"`
}

type cell struct {
	Text    string `json:"text" doc:"the words of the cell, used where number is null"`
	Number  num    `json:"number" doc:"in coherent SI; null for words"`
	Unit    string `json:"unit" doc:"SI symbol of number"`
	Verdict string `json:"verdict" doc:"a verdict shown beside it, or \"\""`
}

type figure struct {
	ID      string   `json:"id" doc:"dotted path"`
	Title   string   `json:"title" doc:"what it shows"`
	Caption string   `json:"caption" doc:"how to read it"`
	X       axis     `json:"x" doc:"horizontal axis"`
	Y       axis     `json:"y" doc:"vertical axis"`
	Curves  []curve  `json:"curves" doc:"lines"`
	Shades  []shade  `json:"shades" doc:"spread between low and high"`
	Bands   []band   `json:"bands" doc:"limits, wanted or forbidden regions"`
	Points  []points `json:"points" doc:"single points, such as readings"`
	Marks   []mark   `json:"marks" doc:"named places"`
}

type axis struct {
	Quantity string `json:"quantity" doc:"what is plotted"`
	Unit     string `json:"unit" doc:"SI symbol"`
	Low      num    `json:"low" doc:"lower end; equal to high: fit to the data"`
	High     num    `json:"high" doc:"upper end"`
	Log      bool   `json:"log" doc:"logarithmic"`
}

type curve struct {
	Label  string `json:"label" doc:"what the line is"`
	X      []num  `json:"x" doc:"abscissae"`
	Y      []num  `json:"y" doc:"ordinates; null is a gap"`
	Dashed bool   `json:"dashed" doc:"drawn dashed"`
}

type shade struct {
	Label string `json:"label" doc:"what spreads"`
	X     []num  `json:"x" doc:"abscissae"`
	Low   []num  `json:"low" doc:"lower edge"`
	High  []num  `json:"high" doc:"upper edge"`
	Curve int    `json:"curve" doc:"index of the curve it belongs to, −1 for none"`
}

type band struct {
	Label    string `json:"label" doc:"the limit in words"`
	From     num    `json:"from" doc:"lower edge; null: no edge on that side"`
	To       num    `json:"to" doc:"upper edge; null: no edge on that side"`
	Vertical bool   `json:"vertical" doc:"from and to are abscissae"`
	Good     bool   `json:"good" doc:"wanted; else forbidden"`
}

type points struct {
	Label    string `json:"label" doc:"what they are"`
	X        []num  `json:"x" doc:"abscissae"`
	Y        []num  `json:"y" doc:"ordinates"`
	XLow     []num  `json:"xLow" doc:"lower ends of the horizontal error bars; empty: none"`
	XHigh    []num  `json:"xHigh" doc:"upper ends"`
	YLow     []num  `json:"yLow" doc:"lower ends of the vertical error bars; empty: none"`
	YHigh    []num  `json:"yHigh" doc:"upper ends"`
	Excluded []bool `json:"excluded" doc:"true where a point did not fit and was left out; empty: none"`
}

type mark struct {
	Label string `json:"label" doc:"its name"`
	X     num    `json:"x" doc:"abscissa; null: a line across the plot"`
	Y     num    `json:"y" doc:"ordinate; null: a line across the plot"`
}

type jsonProblem struct {
	Severity string        `json:"severity" doc:"error or warning"`
	Code     string        `json:"code" doc:"stable name of the kind of problem"`
	Place    place         `json:"place" doc:"where"`
	Message  string        `json:"message" doc:"the number and its limit, in words"`
	Notes    []problemNote `json:"notes" doc:"further places that explain it"`
	Fix      *fix          `json:"fix" doc:"an edit that mends it; null where none is known"`
}

type place struct {
	File      string `json:"file" doc:"file name"`
	Line      int    `json:"line" doc:"from 1; 0: no place in the file"`
	Column    int    `json:"column" doc:"from 1, in characters"`
	EndLine   int    `json:"endLine" doc:"line of the end"`
	EndColumn int    `json:"endColumn" doc:"column just past the end"`
}

type problemNote struct {
	Place   place  `json:"place" doc:"where"`
	Message string `json:"message" doc:"the explanation"`
}

type fix struct {
	Message string `json:"message" doc:"what the line would say"`
	Place   place  `json:"place" doc:"the text to replace"`
	Text    string `json:"text" doc:"what replaces it"`
}

// JSON writes the envelope, indented, with a stable order of keys and a final newline.
func JSON(w io.Writer, f finding.Findings, problems diag.List) error {
	e := envelope{
		Schema: Schema, Question: f.Question, Build: f.Build,
		Values:   mapTo(f.Values, toValue),
		Verdicts: mapTo(f.Verdicts, toJudgement),
		Notes:    mapTo(f.Notes, func(n finding.Note) note { return note(n) }),
		Cautions: mapTo(f.Cautions, func(c finding.Caution) caution { return caution(c) }),
		Tables:   mapTo(f.Tables, toTable),
		Figures:  mapTo(f.Figures, toFigure),
		Problems: mapTo(problems, toProblem),
	}
	if len(f.Verdicts) > 0 {
		e.Verdict = string(f.Worst())
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	if err := enc.Encode(e); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}

func mapTo[A, B any](in []A, f func(A) B) []B {
	out := make([]B, len(in))
	for i, a := range in {
		out[i] = f(a)
	}
	return out
}

func nums(in []float64) []num { return mapTo(in, func(x float64) num { return num(x) }) }

func absent() num { return num(nan) }

func toValue(v finding.Value) value {
	out := value{ID: v.ID, Name: v.Name, Value: num(v.Value), Unit: v.Unit, Low: num(v.Low), High: num(v.High), Text: v.Text,
		Chosen: v.Chosen, Reason: v.Reason, Method: v.Method, Sure: v.Sure, Working: toWorking(v.Working)}
	if !interval(v) && v.Low != v.Value {
		out.Low, out.High = absent(), absent()
	}
	if v.Text != "" {
		out.Value = absent()
	}
	return out
}

func toJudgement(j finding.Judgement) judgement {
	out := judgement{ID: j.ID, Subject: j.Subject, Requirement: j.Requirement, Verdict: string(j.Verdict), Margin: num(j.Margin),
		Value: num(j.Value), Limit: num(j.Limit), Sense: j.Sense, Unit: j.Unit, Worst: j.Worst, Method: j.Method,
		Confidence: j.Confidence, Source: j.Source, Why: j.Why, Mend: j.Mend, Working: toWorking(j.Working)}
	if j.Sense == "" {
		out.Limit, out.Margin = absent(), absent()
		if j.Unit == "" && j.Value == 0 {
			out.Value = absent()
		}
	}
	if d := j.Designed; d != nil {
		out.Designed = &designed{string(d.Verdict), num(d.Value), num(d.Margin)}
	}
	if j.Yield != nil {
		out.Yield = &yield{j.Yield.Held, j.Yield.Samples, num(j.Yield.Low), num(j.Yield.High)}
	}
	return out
}

func toWorking(w *finding.Working) *working {
	if w == nil {
		return nil
	}
	out := &working{Title: w.Title, Hand: num(w.Hand), Solver: num(w.Solver), Unit: w.Unit, Difference: w.Difference,
		Sources: mapTo(w.Sources, func(s string) string { return s }),
		Steps: mapTo(w.Steps, func(s finding.Step) step {
			o := step{s.Say, s.Formula, s.With, num(s.Result), s.Unit, s.Source}
			if !stepHasResult(s) {
				o.Result = absent()
			}
			return o
		})}
	if w.Figure != nil {
		f := toFigure(*w.Figure)
		out.Figure = &f
	}
	if w.Table != nil {
		t := toTable(*w.Table)
		out.Table = &t
	}
	return out
}

// stepHasResult: a line of words may leave the result at zero instead of absent.
func stepHasResult(s finding.Step) bool {
	return known(s.Result) && (s.Formula != "" || s.With != "" || s.Unit != "")
}

func toTable(t finding.Table) table {
	return table{ID: t.ID, Title: t.Title,
		Columns: mapTo(t.Columns, func(c finding.Column) column { return column(c) }),
		Rows: mapTo(t.Rows, func(row []finding.Cell) []cell {
			out := make([]cell, len(row))
			for i, c := range row {
				var col finding.Column
				if i < len(t.Columns) {
					col = t.Columns[i]
				}
				out[i] = cell{Text: c.Text, Number: absent(), Verdict: string(c.Verdict)}
				if x, symbol, ok := cellNumber(c, col); ok {
					out[i].Number, out[i].Unit = num(x), symbol
				}
			}
			return out
		})}
}

// FigureJSON is a figure as it stands in the envelope.
func FigureJSON(f finding.Figure) ([]byte, error) { return json.Marshal(toFigure(f)) }

func toFigure(f finding.Figure) figure {
	ax := func(a finding.Axis) axis { return axis{a.Quantity, a.Unit, num(a.Low), num(a.High), a.Log} }
	return figure{ID: f.ID, Title: f.Title, Caption: f.Caption, X: ax(f.X), Y: ax(f.Y),
		Curves: mapTo(f.Curves, func(c finding.Curve) curve { return curve{c.Label, nums(c.X), nums(c.Y), c.Dashed} }),
		Shades: mapTo(f.Shades, func(s finding.Shade) shade { return shade{s.Label, nums(s.X), nums(s.Low), nums(s.High), s.Curve} }),
		Bands:  mapTo(f.Bands, func(b finding.Band) band { return band{b.Label, num(b.From), num(b.To), b.Vertical, b.Good} }),
		Points: mapTo(f.Points, func(p finding.Points) points {
			return points{p.Label, nums(p.X), nums(p.Y), nums(p.XLow), nums(p.XHigh), nums(p.YLow), nums(p.YHigh),
				mapTo(p.Excluded, func(b bool) bool { return b })}
		}),
		Marks: mapTo(f.Marks, func(m finding.Mark) mark { return mark{m.Label, num(m.X), num(m.Y)} }),
	}
}

func toPlace(r diag.Range) place {
	return place{r.File, r.Start.Line, r.Start.Column, r.End.Line, r.End.Column}
}

func toProblem(p diag.Problem) jsonProblem {
	out := jsonProblem{Severity: p.Severity.String(), Code: p.Code, Place: toPlace(p.Range), Message: p.Message,
		Notes: mapTo(p.Notes, func(n diag.Note) problemNote { return problemNote{toPlace(n.Range), n.Message} })}
	if p.Fix != nil {
		out.Fix = &fix{p.Fix.Message, toPlace(p.Fix.Range), p.Fix.Text}
	}
	return out
}
