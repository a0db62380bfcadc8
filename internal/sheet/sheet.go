// Package sheet sets the build sheet: one self-contained HTML page, for A4 and for the screen. What fails or is close stands first;
// then what was really fitted, where that is noted, and what the bench asks for: the schematic, what was chosen, the parts, the
// work with its cautions, what an accidental short does; then what it rests on: the vehicle and its lamps, the light against track
// voltage, the switches, every requirement, and what is not proven yet. Beside it the bench sheet, and the pages of single questions.
//
// Nothing is computed here and nothing is read: numbers, dates and drawings come in with the Input, so the
// same input gives the same bytes. The page needs no script and loads nothing. The frame and the title block
// follow ISO 5457 and ISO 7200 (from memory: 20 mm filing margin, a block 180 mm wide at the lower right);
// the title block carries the verdict of the whole and stays in view.
//
// Entry points: Sheet, Input.
package sheet

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"strconv"
	"strings"

	"fettle/internal/draw"
	"fettle/internal/finding"
	"fettle/internal/render"
)

// An Input is what the sheet shows. Only Title and Prove are needed; a section without content is left out.
type Input struct {
	Title      Title
	Prove      finding.Findings  // requirements judged; its Worst is the state of proof
	Survey     finding.Findings  // what the lamps are; its figures show the readings over the fit
	Choose     finding.Findings  // the values chosen
	Circuits   []draw.Schematic  // one for each decoder
	Built      []finding.Table   // what was really fitted beside what was designed, and what that changes
	BuiltNotes []finding.Note    // that go with it
	Lights     []finding.Figure  // lamp current against track voltage
	Switches   []finding.Figure  // VCE against base current
	Parts      finding.Table     // the parts list, with prices and stock
	Slips      finding.Table     // what an accidental short does
	Cautions   []finding.Caution // beyond the standing ones; Where puts them at the work they belong to
}

// Title is the title block.
type Title struct {
	What     string // "decoder a"
	Vehicle  string
	Scale    string
	Date     string // as the face prints it; the sheet knows no clock
	Revision string // of the content: a short hash, or the user's own
	DrawnBy  string // if the file says
	File     string // the build file
}

// CSS is the layout of the drawing sheet: frame, title block, plates, print. It comes behind render.CSS and draw.CSS.
//
//go:embed sheet.css
var CSS template.CSS

//go:embed sheet.html
var pageSource string

var sheetPage = template.Must(template.New("sheet").Parse(pageSource))

// Widths of drawings in px: the wide ones fill the sheet and A4, the narrow ones a phone or the margin.
const (
	wide   = 700
	narrow = 320
	margin = 296

	// A schematic taller than this is set as several: reduced to one page of A4 its words stay above 6 points.
	tallest = 1150
)

// A plate is one drawing with its number and words.
type plate struct {
	Number       int
	Title        string
	Caption      string
	Wide, Narrow template.HTML
}

type view struct {
	Title                                 Title
	State                                 finding.Verdict
	Tally                                 string
	Style                                 template.CSS
	Look, Requirements, Owed              template.HTML
	Lamps, LampVerdicts, LampNotes        template.HTML
	Chosen, ChosenVerdicts, ChooseNotes   template.HTML
	ProveNotes                            template.HTML
	LampTables, ChooseTables, ProveTables []template.HTML
	Parts, Slips, BuiltNotes              template.HTML
	Built                                 []template.HTML
	Plates, Circuits, Lights, Switches    []plate
	Bench                                 []step
	Clear                                 bool // nothing fails, is close or unknown
}

// Sheet is the page.
func Sheet(in Input) ([]byte, error) {
	s := setter{ids: map[string]int{}}
	v := view{Title: in.Title, State: in.Prove.Worst(), Tally: render.Tally(in.Prove.Verdicts),
		Style: render.CSS + template.CSS(draw.CSS) + CSS}
	if v.Tally == "" {
		v.Tally = "nothing judged yet"
	}

	judged, _ := render.Ordered(in.Prove.Verdicts)
	var look []finding.Judgement
	for _, j := range judged {
		if j.Verdict == finding.Fails || j.Verdict == finding.Close || j.Verdict == finding.Unknown {
			look = append(look, j)
		}
	}
	v.Clear = len(look) == 0 && len(judged) > 0
	if len(look) > 0 {
		v.Look = render.Verdicts(look, s.options("look-"))
	}
	v.Owed = render.Owed(in.Prove.Verdicts)

	values := func(f finding.Findings, prefix string) (vals, verdicts, notes template.HTML, tables []template.HTML) {
		if len(f.Values) > 0 {
			vals = render.Values(f.Values, s.options(prefix))
		}
		if len(f.Verdicts) > 0 {
			verdicts = render.Verdicts(f.Verdicts, s.options(prefix))
		}
		if len(f.Notes) > 0 {
			notes = render.Notes(f.Notes)
		}
		for _, t := range f.Tables {
			if len(t.Rows) > 0 && (t.ID == "" || t.ID != in.Slips.ID && t.ID != in.Parts.ID) {
				tables = append(tables, render.Table(t, s.options(prefix)))
			}
		}
		return
	}
	v.Lamps, v.LampVerdicts, v.LampNotes, v.LampTables = values(in.Survey, "survey-")
	v.Circuits = s.circuits(in.Circuits) // drawings are numbered in the order of the page
	v.Plates = s.plates(in.Survey.Figures)
	v.Lights, v.Switches = s.plates(in.Lights), s.plates(in.Switches)
	v.Chosen, v.ChosenVerdicts, v.ChooseNotes, v.ChooseTables = values(in.Choose, "choose-")
	if len(judged) > 0 {
		v.Requirements = render.Verdicts(judged, s.options("prove-"))
	}
	prove := in.Prove
	prove.Values, prove.Verdicts = nil, nil
	_, _, v.ProveNotes, v.ProveTables = values(prove, "prove-")
	_, _, v.BuiltNotes, v.Built = values(finding.Findings{Notes: in.BuiltNotes, Tables: in.Built}, "built-")
	if len(in.Parts.Rows) > 0 {
		v.Parts = render.Table(in.Parts, s.options("parts-"))
	}
	if len(in.Slips.Rows) > 0 {
		v.Slips = render.Table(in.Slips, s.options("slips-"))
	}
	var cautions []finding.Caution
	for _, f := range []finding.Findings{in.Survey, in.Choose, in.Prove, {Cautions: in.Cautions}} {
		cautions = append(cautions, f.Cautions...)
	}
	v.Bench = atBench(cautions, in.Circuits)

	var b bytes.Buffer
	if err := sheetPage.Execute(&b, v); err != nil {
		return nil, fmt.Errorf("setting the build sheet: %w", err)
	}
	return b.Bytes(), nil
}

// A setter numbers drawings through the page and keeps their identifiers apart.
type setter struct {
	number int
	ids    map[string]int
}

func (s *setter) id(name string) string {
	s.ids[name]++
	return name + "-" + strconv.Itoa(s.ids[name])
}

func (s *setter) options(prefix string) render.HTMLOptions {
	return render.HTMLOptions{Prefix: prefix, Figure: func(f finding.Figure) template.HTML {
		return template.HTML(`<figure class="plate small">` + draw.Plot(f, draw.Options{Width: margin, ID: s.id("margin-" + f.ID)}) +
			`<figcaption>` + template.HTMLEscapeString(strings.TrimSpace(f.Title+". "+f.Caption)) + `</figcaption></figure>`)
	}}
}

func (s *setter) plates(fs []finding.Figure) []plate {
	var out []plate
	for _, f := range fs {
		s.number++
		out = append(out, plate{s.number, f.Title, f.Caption,
			template.HTML(draw.Plot(f, draw.Options{Width: wide, ID: s.id("wide-" + f.ID)})),
			template.HTML(draw.Plot(f, draw.Options{Width: narrow, ID: s.id("narrow-" + f.ID)}))})
	}
	return out
}

func (s *setter) circuits(cs []draw.Schematic) []plate {
	var out []plate
	for _, c := range cs {
		for k, svg := range draw.Circuits(c, draw.Options{Width: wide, ID: s.id("wide-" + c.ID)}, tallest) {
			s.number++
			p := plate{Number: s.number, Title: c.Title, Wide: template.HTML(svg)}
			if k == 0 { // on a phone it is one drawing
				p.Narrow = template.HTML(draw.Circuit(c, draw.Options{Width: narrow, ID: s.id("narrow-" + c.ID)}))
			} else {
				p.Title += ", continued"
			}
			out = append(out, p)
		}
	}
	return out
}
