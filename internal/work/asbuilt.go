package work

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// AsBuilt begins the identifiers of the tables that say what was fitted and what it changes.
const AsBuilt = "as-built"

// against holds the proof of a build as built beside that of its design: what was fitted, where it departs from what was
// designed, and which verdicts that changes.
func (p *Proved) against(design *Proved) {
	type key struct{ id, requirement string }
	before := map[key]*finding.Judgement{}
	for i := range design.Findings.Verdicts {
		j := &design.Findings.Verdicts[i]
		before[key{j.ID, j.Requirement}] = j
	}
	var tables []finding.Table
	var notes []finding.Note
	var parted []build.FittedValue
	for i := range p.Build.Decoders {
		d := &p.Build.Decoders[i]
		if d.Fitted == nil || len(d.Fitted.Values) == 0 {
			continue
		}
		t, off := Departures(p.Build, d, &design.Build.Decoders[i])
		tables, parted = append(tables, t), append(parted, off...)
		for _, v := range off {
			notes = append(notes, finding.Note{ID: AsBuilt + "." + v.ID(), Kind: "as built", Text: sentence(p.Build, d, v)})
		}
	}
	changes := finding.Table{ID: AsBuilt + ".changes", Title: "What it changes", Columns: []finding.Column{{Title: "requirement"}, {Title: "as designed"}, {Title: "as built"}}}
	judged := 0
	for i := range p.Findings.Verdicts {
		j := &p.Findings.Verdicts[i]
		d := before[key{j.ID, j.Requirement}]
		switch {
		case j.NotYet():
			continue
		case d == nil && j.Verdict == finding.Fails:
			j.Mend = asDesigned(p.Build, parted, j)
			changes.Rows = append(changes.Rows, []finding.Cell{words(j.Subject + ": " + j.Requirement), words("not asked"), found(j, j.Verdict)})
			continue
		case d == nil:
			continue
		}
		judged++
		// A verdict that stays is worth the design's number beside it where something is not well and the number moved.
		moved := math.Abs(j.Value-d.Value) > worthMoving*math.Abs(j.Value)
		if d.Verdict == j.Verdict && (j.Verdict == finding.Holds || j.Verdict == finding.Reported || !moved) {
			continue
		}
		j.Designed = &finding.Designed{Verdict: d.Verdict, Value: d.Value, Margin: d.Margin}
		if j.Verdict == finding.Fails && (d.Verdict == finding.Holds || d.Verdict == finding.Close) {
			j.Mend = asDesigned(p.Build, parted, j)
		}
		if d.Verdict != j.Verdict {
			changes.Rows = append(changes.Rows, []finding.Cell{words(j.Subject + ": " + j.Requirement), found(d, ""), found(j, j.Verdict)})
		}
	}
	slices.SortStableFunc(changes.Rows, func(a, b []finding.Cell) int { return badness[b[2].Verdict] - badness[a[2].Verdict] })
	switch n := len(changes.Rows); {
	case n == 0:
		notes = slices.Insert(notes, 0, finding.Note{ID: AsBuilt, Kind: "as built", Text: fmt.Sprintf("What was fitted changes no verdict: of %d requirements each is judged as in the design.", judged)})
	default:
		tables = append(tables, changes)
		notes = slices.Insert(notes, 0, finding.Note{ID: AsBuilt, Kind: "as built", Text: fmt.Sprintf("What was fitted changes %d verdicts of %d: %s.", n, judged, tally(changes))})
	}
	p.Findings.Tables, p.Findings.Notes = append(tables, p.Findings.Tables...), append(notes, p.Findings.Notes...)
}

// worthMoving is the share by which a number must have moved to be told beside the design's.
const worthMoving = 0.01

var badness = map[finding.Verdict]int{finding.Fails: 4, finding.Unknown: 3, finding.Close: 2, finding.Holds: 1}

// tally says how the changed verdicts are now.
func tally(t finding.Table) string {
	count := map[finding.Verdict]int{}
	for _, row := range t.Rows {
		count[row[2].Verdict]++
	}
	var list []string
	for _, v := range []finding.Verdict{finding.Fails, finding.Unknown, finding.Close, finding.Holds, finding.Reported} {
		switch n := count[v]; {
		case n == 0:
		case v == finding.Unknown || v == finding.Close || v == finding.Reported:
			list = append(list, fmt.Sprintf("%d now %s", n, map[finding.Verdict]string{finding.Unknown: "unknown", finding.Close: "close", finding.Reported: "reported"}[v]))
		case n == 1:
			list = append(list, "1 now "+string(v))
		default:
			list = append(list, fmt.Sprintf("%d now %s", n, strings.TrimSuffix(string(v), "s")))
		}
	}
	return strings.Join(list, ", ")
}

// found is what was found of a requirement, with its verdict's shape where one is given.
func found(j *finding.Judgement, v finding.Verdict) finding.Cell {
	text := string(j.Verdict)
	if unit.Known(j.Value) && j.Sense != "" {
		text += fmt.Sprintf(": %s where %s %s is wanted", unit.Format(j.Value, j.Unit, 3), j.Sense, unit.Format(j.Limit, j.Unit, 3))
	}
	c := words(text)
	c.Verdict = v
	return c
}

func words(s string) finding.Cell { return finding.Cell{Text: s, Number: math.NaN()} }

// Departures is the table of what was fitted in a decoder as built, each beside what the design has there, and those in which
// they part: another part, or a value off by more than its tolerance and the meter's error.
func Departures(b *build.Build, d, design *build.Decoder) (t finding.Table, parted []build.FittedValue) {
	t = finding.Table{ID: AsBuilt + "." + d.Name.Text, Title: "As built", Columns: []finding.Column{{Title: "part"}, {Title: "designed"}, {Title: "fitted"}, {Title: "how it is known"}, {Title: "departs"}}}
	if len(b.Decoders) > 1 {
		t.Title += ": decoder " + d.Name.Text
	}
	if v := d.Fitted.Vehicle.Text; v != "" {
		t.Title += ", in " + v
	}
	if when := d.Fitted.Date.Text; when != "" {
		t.Title += " (" + when + ")"
	}
	d.DesignedAs(design)
	for _, v := range d.Fitted.Values {
		say, off := departure(b, d, v)
		cell := words(say)
		if off {
			cell.Verdict = finding.Close
			parted = append(parted, v)
		}
		t.Rows = append(t.Rows, []finding.Cell{words(v.Words()), words(planned(d, v)), words(v.Text.Text), words(v.Say()), cell})
	}
	return t, parted
}

// Planned is what the design has in the place of a part of a decoder as built, whether or not it was noted what was fitted there.
func Planned(d *build.Decoder, v build.FittedValue) string {
	if d.Known(v) == nil {
		if text, _ := d.Holds(v); text != "choose" && text != "" && !strings.HasSuffix(v.Attr, "hfe") {
			return text
		}
	}
	return planned(d, v)
}

// planned is what the design has in the place of a fitted value.
func planned(d *build.Decoder, v build.FittedValue) string {
	if strings.HasSuffix(v.Attr, "hfe") {
		return "by its sheet"
	}
	r := d.Known(v)
	if r == nil || r.Designed == "" || r.Designed == "choose" {
		return "open"
	}
	return r.Designed
}

// sentence says in what a fitted value departs from the design.
func sentence(b *build.Build, d *build.Decoder, v build.FittedValue) string {
	say, _ := departure(b, d, v)
	text := v.Text.Text
	if how := v.Say(); how != "" {
		text += " (" + how + ")"
	}
	end := "."
	if strings.HasSuffix(say, "?") {
		end = ""
	}
	if !strings.Contains(say, "designed") {
		text += ", designed " + planned(d, v)
	}
	return fmt.Sprintf("The %s is %s: %s%s", v.Words(), text, say, end)
}

// asDesigned is the mend of what holds in the design: what of that output, else of the whole, parts from it.
func asDesigned(b *build.Build, parted []build.FittedValue, j *finding.Judgement) string {
	var own, all []string
	for _, v := range parted {
		for i := range b.Decoders {
			d := &b.Decoders[i]
			if d.Fitted == nil || !slices.ContainsFunc(d.Fitted.Values, func(w build.FittedValue) bool { return w.Text.Range == v.Text.Range }) {
				continue
			}
			say := fmt.Sprintf("%s for the %s of the %s", planned(d, v), v.Text.Text, v.Words())
			switch {
			case v.Text.Text == build.None:
				say = fmt.Sprintf("%s as the %s", planned(d, v), v.Words())
			case planned(d, v) == build.None:
				say = fmt.Sprintf("nothing for the %s of the %s", v.Text.Text, v.Words())
			}
			all = append(all, say)
			if strings.Contains("."+j.ID, "."+root(v)) {
				own = append(own, say)
			}
		}
	}
	if len(own) == 0 {
		own = all
	}
	if len(own) == 0 {
		return j.Mend
	}
	return "put in what was designed: " + strings.Join(own, ", ")
}

// root begins the identifiers of what a fitted value belongs to.
func root(v build.FittedValue) string {
	switch v.Block {
	case "output":
		return "output." + v.Output + "."
	case "listen":
		return "ear."
	}
	return v.Block + "."
}

// capacitor is the usual tolerance of one: common practice, no source.
const capacitor = 0.2

// departure says how what was fitted stands to what was designed, and whether it is another thing.
func departure(b *build.Build, d *build.Decoder, v build.FittedValue) (say string, off bool) {
	planned := planned(d, v)
	designed := v.Parse(planned)
	_, v.Number = d.Holds(v) // as it is, its meter's known error taken out
	switch {
	case strings.HasSuffix(v.Attr, "hfe"):
		return "narrower than the sheet", false
	case planned == "open":
		return "open in the design", false
	case v.Text.Text == build.None && planned != build.None:
		return "left out", true
	case v.Text.Text != build.None && planned == build.None:
		return "none in the design", true
	case v.Attr == "tolerance":
		return "", false
	case !(v.Number > 0) || !(designed > 0):
		if v.Text.Text == planned {
			return "as designed", false
		}
		return "another part", true
	}
	share := v.Number/designed - 1
	by := strings.Replace(fmt.Sprintf("%+.2g %%", 100*share), "-", "−", 1)
	if math.Abs(share) < 1e-9 {
		by = "as designed"
	}
	if slip := build.Slip(v.Number, designed, planned); slip != "" {
		return slip, true
	}
	var o build.Output
	if found, ok := d.Output(v.Output); ok {
		o = *found
	}
	allowed := capacitor
	if v.Ohms() {
		allowed = float64(wiring.Tolerance(b, &o, unit.Ohm(designed)))
	}
	open := 0.0
	if r := d.Known(v); r.Measured() {
		open = float64(r.Gain + r.Slack)
	}
	if math.Abs(share) > allowed+open {
		return fmt.Sprintf("%s, beyond its ±%s", by, unit.Ratio(allowed)), true
	}
	return by, false
}

// specimens says which of several vehicles alike a decoder sits in, and whether that is the one whose lamps were measured.
func (p *Proved) specimens() {
	for i := range p.Build.Decoders {
		d := &p.Build.Decoders[i]
		v, ok := p.Build.VehicleOf(d)
		if d.Fitted == nil || !d.Fitted.Vehicle.IsSet() || !ok {
			continue
		}
		this, measured := d.Fitted.Vehicle.Text, v.Specimen.Text
		note := finding.Note{ID: AsBuilt + ".vehicle", Kind: "as built"}
		switch measured {
		case this:
			note.Text = fmt.Sprintf("Decoder %s sits in %s, the very one whose lamps were measured.", d.Name.Text, this)
		case "":
			note.Text = fmt.Sprintf("Decoder %s sits in %s; whether its lamps are the ones that were measured is not said (specimen = \"…\" in vehicle %q).", d.Name.Text, this, v.Name.Text)
		default:
			p.Findings.Verdicts = append(p.Findings.Verdicts, finding.Judgement{
				ID: AsBuilt + ".vehicle." + d.Name.Text, Subject: v.Name.Text + " " + this, Requirement: "is the one whose lamps were measured", Verdict: finding.Reported,
				Value: math.NaN(), Limit: math.NaN(), Margin: math.NaN(), Source: "common practice, no source", Method: "the build file",
				Why: fmt.Sprintf("%s was measured, and vehicles of one type may differ in LEDs and hidden resistors; one reading of each lamp of %s would tell", measured, this)})
			continue
		}
		p.Findings.Notes = append([]finding.Note{note}, p.Findings.Notes...)
	}
}

// Design is the folder's build as designed, with its open values chosen.
func (r *Runner) Design(ctx context.Context, folder *build.Folder) (*build.Build, error) {
	c, err := r.choose(ctx, folder, folder.Build, "choose the design")
	return c.Build, err
}

// Fitted is what is noted of what was fitted in every decoder, beside the design with its open values chosen, and what is not
// noted yet and so taken as designed. Nothing is judged.
func (r *Runner) Fitted(ctx context.Context, folder *build.Folder) (finding.Findings, error) {
	f := finding.Findings{Question: "fitted", Build: folder.Build.Name()}
	design, err := r.Design(ctx, folder)
	if err != nil {
		return f, err
	}
	built := *folder.Build.AsBuilt()
	p := Proved{Chosen: Chosen{Build: &built}}
	for i := range built.Decoders {
		d, plan := &built.Decoders[i], &design.Decoders[i]
		if d.Fitted != nil && len(d.Fitted.Values) > 0 {
			t, off := Departures(&built, d, plan)
			f.Tables = append(f.Tables, t)
			for _, v := range off {
				f.Notes = append(f.Notes, finding.Note{ID: AsBuilt + "." + v.ID(), Kind: "as built", Text: sentence(&built, d, v)})
			}
		}
		rest := finding.Table{ID: "fitted.open." + d.Name.Text, Title: "Not noted: taken as designed", Columns: []finding.Column{{Title: "part"}, {Title: "designed"}, {Title: "to note it"}}}
		if len(built.Decoders) > 1 {
			rest.Title = "Not noted of decoder " + d.Name.Text + ": taken as designed"
		}
		for _, v := range plan.Fits() {
			if d.Known(v) != nil {
				continue
			}
			text, _ := plan.Holds(v)
			rest.Rows = append(rest.Rows, []finding.Cell{words(v.Words()), words(text), words(v.Typed() + "=…")})
		}
		if len(rest.Rows) > 0 {
			f.Tables = append(f.Tables, rest)
		}
	}
	p.specimens()
	f.Notes = append(f.Notes, p.Findings.Notes...)
	for _, j := range p.Findings.Verdicts {
		f.Notes = append(f.Notes, finding.Note{ID: j.ID, Kind: "as built", Text: j.Subject + ": " + j.Why + "."})
	}
	if len(built.Decoders) == 0 {
		f.Notes = append(f.Notes, finding.Note{ID: "fitted.nothing", Kind: "input", Text: "The build has no decoder that anything could be fitted in."})
	}
	return f, nil
}

// fitted says what a diagnosis goes by where the board departs from its design.
func (r *Runner) fitted(ctx context.Context, folder *build.Folder, built *build.Build, i int) ([]string, error) {
	d := &built.Decoders[i]
	if d.Fitted == nil || len(d.Fitted.Values) == 0 {
		return nil, nil
	}
	design, err := r.Design(ctx, folder)
	if err != nil {
		return nil, err
	}
	_, off := Departures(built, d, &design.Decoders[i])
	said := []string{fmt.Sprintf("the board is as built: %d of its parts are noted (fettle fitted), and what they do counts as sound", len(d.Fitted.Values))}
	for _, v := range off {
		said = append(said, "as built: "+lowerFirst(sentence(built, d, v)))
	}
	return said, nil
}

func lowerFirst(s string) string { return strings.ToLower(s[:1]) + s[1:] }
