// Package train answers which lamps are lit over a whole train: for each direction and each function, on DCC and,
// where the track block asks for it, on plain DC.
//
// The train is that of the train block, front first; without one, every vehicle of the build stands alone. A lamp is
// switched by the outputs that name it, an output by the function blocks that name it. Held against it is what the
// user wants (the want blocks: these lamps and no others); where nothing is wanted, the custom that white leads and
// red trails is reported.
//
// Directions. A function block's direction is that of the decoder's own vehicle. A vehicle that stands turned runs in
// reverse when the train goes forward. On DC that follows from the rails: a vehicle runs forward while its right rail,
// looking forward from behind, is the positive one (NEM 631 (1985); NEM 650 (2017) section 3), and turned round its
// right rail is the train's left. On DCC the decoder of a turned vehicle must be told: CV29 bit 0 = 1, which reverses
// directional functions too, or in a consist CV19 bit 7 = 1 (NMRA S-9.2.2 (2012)); a note names every such decoder.
//
// Who follows. On DCC the decoders that answer to the train's address: what most of them answer to, a consist's address
// before one's own (the functions of a consist are enabled one by one, CV21 and CV22; all are taken to be). A lock
// (CV15, CV16) matters for programming only. On DC those that may turn to it (answer.dc, CV29 bit 2), and of the
// functions F0 alone is taken to be on (CV13 and CV14 say it; the build file does not).
//
// Whether an output that is on lights its lamp comes from outside (Evidence); without it the mapping and the lamp's
// feed alone count, and every verdict says so. A lamp on one rail shines on DC in one direction only.
//
// Not modelled: what effects look like over time; functions that the user's own firmware links in another way.
//
// Entry point: Judge.
package train

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/unit"
)

// Result is the answer: findings, and the trains themselves for drawing.
type Result struct {
	Findings finding.Findings
	Plans    []Plan
}

// Judge looks at every train of the build. e may be nil. A build without functions has nothing to be judged.
func Judge(b *build.Build, e Evidence) Result {
	r := Result{Findings: finding.Findings{Question: "train", Build: b.Name()}}
	if len(b.Functions) == 0 && b.Train == nil {
		return r
	}
	f := &r.Findings
	for _, p := range trains(b) {
		if len(p.Lamps) == 0 {
			continue
		}
		for _, c := range p.cases(b) {
			p.Rows = append(p.Rows, p.run(b, c, e))
		}
		wants := p.wants(b)
		f.Verdicts = append(f.Verdicts, p.addressed(b)...)
		f.Verdicts = append(f.Verdicts, p.locked(b)...)
		if len(wants) == 0 {
			f.Verdicts = append(f.Verdicts, p.custom()...)
		}
		wanted := map[string]bool{}
		for _, w := range wants {
			wanted[w.Case.id()] = true
			f.Verdicts = append(f.Verdicts, p.judge(b, w, e))
		}
		for i, row := range p.Rows {
			if len(row.Case.On) > 0 && !wanted[row.Case.id()] {
				f.Values = append(f.Values, p.value(b, i))
			}
		}
		f.Tables = append(f.Tables, p.table(wants))
		for _, d := range p.decoders(b) {
			if p.Places[p.placeOf(b, d)].Turned {
				f.Notes = append(f.Notes, turnedNote(p, d))
			}
		}
		r.Plans = append(r.Plans, p)
	}
	return r
}

// cases are those worth showing: either direction with nothing on, with each function alone, with what is wanted
// together; on DC F0.
func (p *Plan) cases(b *build.Build) []Case {
	var sets [][]string
	add := func(on []string) {
		if !slices.ContainsFunc(sets, func(s []string) bool { return slices.Equal(s, on) }) {
			sets = append(sets, on)
		}
	}
	add(nil)
	var names []string
	for i := range b.Functions {
		f := &b.Functions[i]
		if d, ok := b.DecoderOf(f); ok && p.placeOf(b, d) >= 0 {
			names = append(names, f.Name.Text)
		}
	}
	for _, n := range ordered(names) {
		add([]string{n})
	}
	if b.Train != nil {
		for i := range b.Train.Wants {
			add(onOf(&b.Train.Wants[i]))
		}
	}
	var list []Case
	for _, dir := range []string{build.Forward, build.Reverse} {
		for _, on := range sets {
			list = append(list, Case{DCC, dir, on})
		}
	}
	for _, dir := range onDC(b) {
		list = append(list, Case{DC, dir, []string{"F0"}})
	}
	return list
}

// onDC are the directions in which lights are wanted on plain DC.
func onDC(b *build.Build) []string {
	switch b.Track.DC.Text {
	case build.DCForward:
		return []string{build.Forward}
	case build.DCReverse:
		return []string{build.Reverse}
	case build.DCBoth:
		return []string{build.Forward, build.Reverse}
	}
	return nil
}

// ordered puts functions in the order of their numbers, each once.
func ordered(names []string) []string {
	number := func(s string) int {
		n, _ := strconv.Atoi(strings.TrimPrefix(s, "F"))
		return n
	}
	list := slices.Clone(names)
	slices.SortStableFunc(list, func(a, b string) int { return cmp.Compare(number(a), number(b)) })
	return slices.Compact(list)
}

// onOf are the functions of a want.
func onOf(w *build.Want) []string {
	var names []string
	for _, t := range w.Functions {
		if t.Text != build.Nothing {
			names = append(names, t.Text)
		}
	}
	return ordered(names)
}

// placeOf is where in the train a decoder sits; −1: not in it.
func (p *Plan) placeOf(b *build.Build, d *build.Decoder) int {
	v, ok := b.VehicleOf(d)
	return slices.IndexFunc(p.Places, func(at Place) bool { return ok && at.Vehicle == v })
}

// A want is one case with what shall be lit.
type want struct {
	Case Case
	Lit  []bool // one for each column
	from *build.Want
}

// wants are those of the build, one for each case: both directions are two, and where lights are wanted on DC in that
// direction, F0 alone is wanted there too.
func (p *Plan) wants(b *build.Build) []want {
	if b.Train == nil {
		return nil
	}
	var list []want
	for i := range b.Train.Wants {
		w := &b.Train.Wants[i]
		lit := make([]bool, len(p.Lamps))
		for _, t := range w.Lit {
			for _, l := range b.TrainLamps(t.Text) {
				for k := range p.Lamps {
					lit[k] = lit[k] || p.Lamps[k].Lamp == l.Lamp
				}
			}
		}
		on := onOf(w)
		for _, dir := range []string{build.Forward, build.Reverse} {
			if w.Direction.Text == other(dir) {
				continue
			}
			list = append(list, want{Case{DCC, dir, on}, lit, w})
			if slices.Equal(on, []string{"F0"}) && slices.Contains(onDC(b), dir) {
				list = append(list, want{Case{DC, dir, on}, lit, w})
			}
		}
	}
	return list
}

// lampWords names a lamp, with its vehicle where there are several.
func (p *Plan) lampWords(i int) string {
	c := p.Lamps[i]
	if len(p.Places) == 1 {
		return "lamp " + c.Lamp.Name.Text
	}
	return "lamp " + c.Lamp.Name.Text + " of " + p.Places[c.Place].Vehicle.Name.Text
}

// column titles a lamp in a table.
func (p *Plan) column(i int) string {
	c := p.Lamps[i]
	if len(p.Places) == 1 {
		return c.Lamp.Name.Text
	}
	return p.Places[c.Place].Vehicle.Name.Text + " / " + c.Lamp.Name.Text
}

// met reports whether a want is met by the cells; sure is false where a lamp's state is not known and would decide.
func (w *want) met(cells []Cell) (holds, sure bool) {
	holds, sure = true, true
	for i, c := range cells {
		switch {
		case c.State == Unsure:
			sure = false
		case w.Lit[i] != (c.State == Lit) || c.State == Dim:
			holds = false
		}
	}
	return holds, sure || !holds
}

const (
	mapped = "the mapping of functions and the lamps' feeds; not every output that is on was proven to light its lamp"
	proven = "the mapping of functions, the lamps' feeds, and the proof of every output that is on"
)

// method says what a row stands on.
func method(cells []Cell) string {
	for _, c := range cells {
		if len(c.By) > 0 && !c.Proven && c.State != Dark {
			return mapped
		}
	}
	return proven
}

func judgement(id, subject, requirement string, v finding.Verdict) finding.Judgement {
	return finding.Judgement{ID: id, Subject: subject, Requirement: requirement, Verdict: v,
		Value: unit.Absent[float64](), Limit: unit.Absent[float64](), Margin: unit.Absent[float64]()}
}

// judge holds one want against what is lit.
func (p *Plan) judge(b *build.Build, w want, e Evidence) finding.Judgement {
	row := p.run(b, w.Case, e)
	var lit []string
	for i, yes := range w.Lit {
		if yes {
			lit = append(lit, p.column(i))
		}
	}
	if lit == nil {
		lit = []string{build.Nothing}
	}
	j := judgement(p.ID+"."+w.Case.id(), p.Title+", "+w.Case.words(), "lit "+strings.Join(lit, ", "), finding.Holds)
	j.Confidence = method(row.Cells)
	j.Source = fmt.Sprintf("the build file: what you asked for (line %d)", w.from.Range.Start.Line)
	holds, sure := w.met(row.Cells)
	var why []string
	for i, c := range row.Cells {
		switch {
		case c.State == Unsure:
			if holds {
				why = append(why, p.lampWords(i)+": "+c.Why)
			}
		case w.Lit[i] && c.State == Dark:
			why = append(why, p.lampWords(i)+" should be lit and is dark: "+p.whyDark(b, w.Case, i, c))
		case w.Lit[i] && c.State == Dim:
			why = append(why, p.lampWords(i)+" should be lit and cannot be seen at the lowest track voltage: "+c.Why)
		case !w.Lit[i] && c.State != Dark:
			why = append(why, p.lampWords(i)+" is lit and should not be: "+p.whyLit(w.Case, i, c))
		}
	}
	switch {
	case !holds:
		j.Verdict = finding.Fails
		j.Mend = p.mend(b, w, e)
	case !sure:
		j.Verdict = finding.Unknown
	}
	j.Why = strings.Join(why, "; ")
	j.Working = p.working(b, row, w.Lit)
	return j
}

// turnedWords is what stands behind a function's direction in a vehicle that stands turned.
func (p *Plan) turnedWords(place int, f *build.Function) string {
	if !p.Places[place].Turned || f.Direction.Text != build.Forward && f.Direction.Text != build.Reverse {
		return ""
	}
	return fmt.Sprintf(", but %s stands turned: its %s is the train's %s", p.Places[place].Vehicle.Name.Text, f.Direction.Text, other(f.Direction.Text))
}

// whyLit says what lights a lamp.
func (p *Plan) whyLit(c Case, i int, cell Cell) string {
	var list []string
	for _, s := range cell.By {
		list = append(list, s.words()+p.turnedWords(p.Lamps[i].Place, s.Function))
	}
	return strings.Join(list, "; ")
}

// whyDark says what keeps a lamp dark: what is switched on and does not light it; else who is deaf, else which function
// would light it in another case, else that no output or no function has it.
func (p *Plan) whyDark(b *build.Build, c Case, i int, cell Cell) string {
	col := p.Lamps[i]
	if len(cell.By) > 0 {
		return cell.By[0].words() + ", but " + cell.Why
	}
	var outputs, otherwise []string
	for _, d := range p.decoders(b) {
		if p.placeOf(b, d) != col.Place {
			continue
		}
		has := false
		for k := range d.Outputs {
			if drives(&d.Outputs[k], col.Lamp) {
				has = true
				outputs = append(outputs, fmt.Sprintf("output %s of decoder %s", d.Outputs[k].Name.Text, d.Name.Text))
			}
		}
		if has {
			if deaf := p.deaf(d, c); deaf != "" {
				return deaf
			}
		}
	}
	if len(outputs) == 0 {
		return "no output switches it"
	}
	for k := range b.Functions {
		f := &b.Functions[k]
		d, ok := b.DecoderOf(f)
		if !ok || p.placeOf(b, d) != col.Place {
			continue
		}
		for _, t := range f.Outputs {
			if o, ok := d.Output(t.Text); ok && drives(o, col.Lamp) {
				s := Switch{d, o, f}
				otherwise = append(otherwise, "only "+s.words()+p.turnedWords(col.Place, f))
			}
		}
	}
	if len(otherwise) > 0 {
		return strings.Join(otherwise, "; ")
	}
	return "no function switches " + strings.Join(outputs, " or ")
}

// said is a cell in words: "white", "white 50 %", "red, blink", "dark".
func said(c Cell) string {
	switch c.State {
	case Dark:
		return "dark"
	case Unsure:
		return "?"
	}
	s := cmp.Or(c.Colour, "lit")
	if c.Share != 1 {
		s += " " + unit.Ratio(c.Share).String()
	}
	if c.Effect != "" && c.Effect != "steady" {
		s += ", " + c.Effect
	}
	if c.State == Dim {
		s += ", too dim"
	}
	return s
}

// value is a case that nobody asked for: what is lit.
func (p *Plan) value(b *build.Build, i int) finding.Value {
	row := p.Rows[i]
	var lit []string
	for k, c := range row.Cells {
		if c.State != Dark {
			text := p.column(k)
			if s := said(c); s != "lit" {
				text += " (" + s + ")"
			}
			lit = append(lit, text)
		}
	}
	if lit == nil {
		lit = []string{build.Nothing}
	}
	return finding.Value{
		ID: p.ID + "." + row.Case.id(), Name: "lit in " + p.Title + ", " + row.Case.words(), Text: strings.Join(lit, ", "),
		Value: unit.Absent[float64](), Low: unit.Absent[float64](), High: unit.Absent[float64](), Method: method(row.Cells),
		Working: p.working(b, row, nil),
	}
}

// working is the way from the case to every lamp. want may be nil.
func (p *Plan) working(b *build.Build, row Row, want []bool) *finding.Working {
	w := &finding.Working{Title: p.Title + ", " + row.Case.words() + ": which lamps are lit",
		Hand: unit.Absent[float64](), Solver: unit.Absent[float64]()}
	say := func(s, source string) {
		w.Steps = append(w.Steps, finding.Step{Say: s, Result: unit.Absent[float64](), Source: source})
	}
	c := row.Case
	if c.Power == DC {
		say(fmt.Sprintf("on plain DC the train goes %s while the %s rail of its front vehicle, looking forward, is positive", c.Direction,
			map[string]string{build.Forward: "right", build.Reverse: "left"}[p.Places[0].own(c.Direction)]), "NEM 631 (1985), NEM 650 (2017) section 3")
		say("F0 is taken to be on; what really is, CV13 and CV14 say", "NMRA S-9.2.2 (2012), CV13 and CV14")
	}
	for _, place := range p.Places {
		if place.Turned {
			say(fmt.Sprintf("%s stands turned: it runs in %s when the train goes %s", place.Vehicle.Name.Text, place.own(c.Direction), c.Direction), "")
		}
	}
	for _, d := range p.decoders(b) {
		if deaf := p.deaf(d, c); deaf != "" {
			say(deaf, "")
		}
	}
	t := &finding.Table{ID: p.ID + "." + c.id() + ".lamps", Title: "lamp by lamp", Columns: []finding.Column{{Title: "lamp"}, {Title: "is"}, {Title: "because"}}}
	if want != nil {
		t.Columns = append(t.Columns, finding.Column{Title: "wanted"})
	}
	for i, cell := range row.Cells {
		because := ""
		switch {
		case cell.State == Unsure:
			because = cell.Why
		case cell.State == Dark:
			because = p.whyDark(b, c, i, cell)
		default:
			because = p.whyLit(c, i, cell)
		}
		r := []finding.Cell{{Text: p.column(i)}, {Text: said(cell)}, {Text: because}}
		if want != nil {
			is := finding.Holds
			switch {
			case cell.State == Unsure:
				is = finding.Unknown
			case want[i] != (cell.State == Lit) || cell.State == Dim:
				is = finding.Fails
			}
			r = append(r, finding.Cell{Text: map[bool]string{true: "lit", false: "dark"}[want[i]], Verdict: is})
		}
		t.Rows = append(t.Rows, r)
	}
	w.Table = t
	return w
}

// table is the train as rows of cases and columns of lamps.
func (p *Plan) table(wants []want) finding.Table {
	t := finding.Table{ID: p.ID, Title: "Lamps lit in " + p.Title + ", front first", Columns: []finding.Column{{Title: "case"}}}
	for i := range p.Lamps {
		t.Columns = append(t.Columns, finding.Column{Title: p.column(i)})
	}
	for _, row := range p.Rows {
		r := []finding.Cell{{Text: row.Case.words()}}
		k := slices.IndexFunc(wants, func(w want) bool { return w.Case.id() == row.Case.id() })
		for i, c := range row.Cells {
			cell := finding.Cell{Text: said(c)}
			if c.State == Dark {
				cell.Text = "·"
			}
			switch {
			case k < 0:
			case c.State == Unsure:
				cell.Verdict = finding.Unknown
			case wants[k].Lit[i] != (c.State == Lit) || c.State == Dim:
				cell.Verdict = finding.Fails
			}
			r = append(r, cell)
		}
		t.Rows = append(t.Rows, r)
	}
	return t
}

// addressed judges whether all decoders of a train answer to one address. Without a train block nobody said that they
// should.
func (p *Plan) addressed(b *build.Build) []finding.Judgement {
	if len(p.decoders(b)) < 2 {
		return nil
	}
	j := judgement(p.ID+".address", p.Title, "its decoders answer to one address, "+p.Address.String(), finding.Holds)
	j.Source = "several vehicles that answer to one address: the train block"
	if len(p.Strange) == 0 {
		return []finding.Judgement{j}
	}
	j.Verdict = finding.Fails
	if b.Train == nil {
		j.Verdict, j.Source = finding.Reported, ""
	}
	var why, mend []string
	for _, d := range p.Strange {
		why = append(why, fmt.Sprintf("decoder %s answers to address %s, the others to %s", d.Name.Text, AddressOf(d), p.Address))
		mend = append(mend, fmt.Sprintf("%s in the answer block of decoder %s", answerText(d, p.Address), d.Name.Text))
	}
	j.Why, j.Mend = strings.Join(why, "; "), strings.Join(mend, "; ")
	return []finding.Judgement{j}
}

// answerText is what an answer block must say for a decoder to answer to an address.
func answerText(d *build.Decoder, a Address) string {
	attr := "address"
	if d.Answer.Consist.Known() && !a.Long {
		attr = "consist"
	}
	s := fmt.Sprintf("%s = %d", attr, a.Number)
	if a.Long && a.Number <= 127 {
		s += ", long = true"
	}
	if d.Answer.Consist.Known() && a.Long {
		s += " and no consist"
	}
	return s
}

// locked reports decoders in one vehicle that a programmer cannot tell apart.
func (p *Plan) locked(b *build.Build) []finding.Judgement {
	var list []finding.Judgement
	for i, place := range p.Places {
		seen := map[int]*build.Decoder{}
		for _, d := range p.decoders(b) {
			if p.placeOf(b, d) != i {
				continue
			}
			n := d.Answer.Lock.Or(0)
			if first := seen[n]; first != nil {
				j := judgement(p.ID+".lock."+place.Vehicle.Name.Text, "decoders "+first.Name.Text+" and "+d.Name.Text+" in "+place.Vehicle.Name.Text, "can be programmed one by one", finding.Reported)
				j.Why = "they sit in one vehicle and have the same lock: what is programmed into one is programmed into the other"
				j.Mend = fmt.Sprintf("lock = %d in the answer block of decoder %s (motor 1, sound 2, others from 3)", max(n, 2)+1, d.Name.Text)
				j.Source = "NMRA S-9.2.2 (2012), CV15 and CV16 (optional)"
				list = append(list, j)
				break
			}
			seen[n] = d
		}
	}
	return list
}

// turnedNote says what a decoder in a turned vehicle must be told.
func turnedNote(p Plan, d *build.Decoder) finding.Note {
	n := finding.Note{ID: p.ID + ".turned." + d.Name.Text, Kind: "train"}
	how := "CV29 bit 0 = 1 (it reverses directional functions too)"
	if d.Answer.Consist.Known() {
		how = "bit 7 of CV19 = 1, the consist address turned"
	}
	n.Text = fmt.Sprintf("Decoder %s sits in a vehicle that stands turned: it must be told so, %s, NMRA S-9.2.2 (2012). All verdicts on DCC take that as done.", d.Name.Text, how)
	return n
}
