package work

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"strings"

	"fettle/internal/bench"
	"fettle/internal/build"
	"fettle/internal/defect"
	"fettle/internal/diag"
	"fettle/internal/draw"
	"fettle/internal/fault"
	"fettle/internal/finding"
	"fettle/internal/probe"
	"fettle/internal/prove"
)

// A Bench is the bench sheet of a decoder with what is needed to read what was measured.
type Bench struct {
	Sheet   *bench.Sheet
	Table   *fault.Table
	Circuit draw.Schematic
	// Cautions are those of the whole road, each with the work it belongs to.
	Cautions []finding.Caution
	Points   []probe.Point
	Build    *build.Build
}

// Bench makes the bench sheet of a decoder, of the first one where no name is given. What every fault would show is kept by
// content, as for the diagnosis.
func (r *Runner) Bench(ctx context.Context, f *build.Folder, decoder string) (*Bench, error) {
	t, err := r.Fault(ctx, f, decoder)
	if err != nil {
		return nil, err
	}
	return r.BenchOf(ctx, f, t, decoder)
}

// BenchOf makes the bench sheet of a decoder whose fault table is there.
func (r *Runner) BenchOf(ctx context.Context, f *build.Folder, t *fault.Table, decoder string) (*Bench, error) {
	c, i, err := r.suspect(ctx, f, decoder)
	if err != nil {
		return nil, err
	}
	n, err := suspectNetwork(c, i)
	if err != nil {
		return nil, err
	}
	out := &Bench{Table: t, Build: c.Build, Circuit: draw.Of(n, finding.Findings{}, nil), Cautions: prove.Cautions(n.Single), Points: probe.Points(n)}
	out.Sheet, err = kept(ctx, r, "bench "+n.Decoder.Name.Text, BenchKey(f), func() (*bench.Sheet, error) {
		if r.Progress != nil {
			r.Progress("the readings worth taking", 0, 1)
		}
		return bench.New(n, bench.Settings{Tools: probe.SettingsOf(c.Build), Faults: faultsOf(t), Looks: looksOf(t)})
	})
	return out, err
}

// BenchKey is the hash of all that Fault and Bench depend on: of a build without what was read at the bench.
func BenchKey(f *build.Folder) string { return digest(f, ofCircuits(f.Build), withPlaces) }

// Having is the same bench with other readings.
func (b *Bench) Having(list []build.BenchReading) *Bench {
	own, of := *b, *b.Build
	of.Bench, own.Build = list, &of
	return &own
}

// testable is which single faults the bench sheet of a decoder would catch: from what is kept, or found if that is asked for.
func (r *Runner) testable(ctx context.Context, f *build.Folder, decoder string) (finding.Judgement, finding.Table, error) {
	s, ok := peek[*bench.Sheet](r, "bench "+decoder, BenchKey(f))
	if !ok && r.Testability {
		b, err := r.Bench(ctx, f, decoder)
		if err != nil {
			return finding.Judgement{}, finding.Table{}, err
		}
		s, ok = b.Sheet, true
	}
	if !ok {
		nan := math.NaN()
		return finding.Judgement{ID: "decoder." + decoder + ".testability", Subject: "decoder " + decoder, Requirement: "single faults that the bench sheet catches",
			Verdict: finding.Unknown, Value: nan, Limit: nan, Margin: nan, Why: finding.NotRun + ": fettle prove --full runs it, some ten seconds"}, finding.Table{}, nil
	}
	j, t := s.Untestable()
	return j, t, nil
}

// faultsOf are the single causes of a table, for the sheet.
func faultsOf(t *fault.Table) (out []bench.Fault) {
	number := map[string]int{}
	for i := range t.Tests {
		number[t.Tests[i].ID] = i
	}
	for h := range t.Causes {
		c := &t.Causes[h]
		if c.ID == defect.Sound || len(c.Of) > 0 {
			continue
		}
		out = append(out, bench.Fault{Words: c.Words, Repair: c.Repair, Prior: c.Prior, Shows: func(test string) []float64 {
			i, ok := number[test]
			if !ok {
				return nil
			}
			v := t.Foreseen(h, i)
			if t.Tests[i].Choices != nil {
				for k := range v {
					v[k] = 1 - v[k] // the first choice is yes
				}
			}
			return v
		}})
	}
	return out
}

// clearly is the share of sound decoders that must look alike for a look to stand on the sheet.
const clearly = 0.95

// looksOf are the observations on which sound decoders agree.
func looksOf(t *fault.Table) (out []bench.Look) {
	for i := range t.Tests {
		x := &t.Tests[i]
		if x.Choices == nil || x.Setup == "" && x.ID != defect.Answers {
			continue
		}
		yes, n := 0.0, 0.0
		for _, v := range t.Foreseen(0, i) {
			if v == v {
				yes, n = yes+1-v, n+1
			}
		}
		if n == 0 || yes/n > 1-clearly && yes/n < clearly {
			continue
		}
		words := x.Sayings[0]
		if at := strings.Index(words, " "+x.Setup); x.Setup != "" && at > 0 {
			words = words[:at]
		}
		out = append(out, bench.Look{Test: x.ID, Setup: x.Setup, Words: words, Bring: x.Bring, Yes: yes/n > 0.5})
	}
	return out
}

// Read understands a reading as it is typed at the bench: the number of a row or [SETUP:] POINT [to POINT], then its value;
// "yes" or "no" of what is seen. Without a setup the first row of the sheet that it fits and that is not in taken is meant.
func (b *Bench) Read(file string, line int, text string, taken map[string]bool) (*bench.Row, float64, diag.List) {
	var list diag.List
	left, value, found := strings.Cut(text, "=")
	left, value = strings.TrimSpace(left), strings.TrimSpace(value)
	s := fault.NewSession(b.Table)
	whole := diag.Range{File: file, Start: diag.Pos{Line: line, Column: 1}, End: diag.Pos{Line: line, Column: 1 + len([]rune(text)), Byte: len(text)}}
	if !found || left == "" || value == "" {
		list.Add("reading-form", whole, "%q is no reading: write \"12 = 0.02 V\" with the number on the sheet, or %s", text, s.Forms())
		return nil, 0, list
	}
	answer := func(row *bench.Row) (*bench.Row, float64, diag.List) {
		r, problems := s.Answer(b.test(row.Test), value)
		for k := range problems {
			problems[k].Range = whole
		}
		return row, b.value(r), problems
	}
	number := 0
	if _, err := fmt.Sscanf(left, "%d", &number); err == nil && fmt.Sprint(number) == left {
		rows := b.Sheet.Rows()
		if number < 1 || number > len(rows) {
			list.Add("row-unknown", whole, "no. %d is not on the sheet: it has 1 to %d", number, len(rows))
			return nil, 0, list
		}
		return answer(rows[number-1])
	}
	// A look by its words: "lamp front lit = yes", with the setup before it where several have it.
	setup, words := "", left
	if before, after, ok := strings.Cut(left, ":"); ok {
		setup, words = strings.TrimSpace(before), strings.TrimSpace(after)
	}
	var first *bench.Row
	for _, row := range b.all() {
		if row.Look && (setup == "" || row.Setup == setup) && strings.Contains(plain(row.Words), plain(words)) && (first == nil || taken[first.Test] && !taken[row.Test]) {
			first = row
		}
	}
	if first != nil {
		return answer(first)
	}
	if setup == "" {
		for _, row := range b.Sheet.Rows() {
			if row.Look || taken[row.Test] && first != nil {
				continue
			}
			r, problems := s.Parse(file, line, row.Setup+": "+text)
			if len(problems) == 0 && b.Table.Tests[r.Test].ID == row.Test && (first == nil || taken[first.Test]) {
				first = row
			}
		}
		if first != nil {
			text = first.Setup + ": " + text
		}
	}
	r, problems := s.Parse(file, line, text)
	if len(problems) > 0 {
		return nil, 0, problems
	}
	row, ok := b.Sheet.Row(b.Table.Tests[r.Test].ID)
	if !ok {
		list.Add("reading-place", whole, "nothing can be foreseen there")
		return nil, 0, list
	}
	return row, b.value(r), nil
}

func plain(s string) string {
	return strings.NewReplacer("lamp ", "", " is ", " ", "  ", " ").Replace(strings.ToLower(s))
}

// all are the rows of the sheet, then what can be read besides.
func (b *Bench) all() []*bench.Row {
	rows := b.Sheet.Rows()
	for i := range b.Sheet.Spare {
		rows = append(rows, &b.Sheet.Spare[i])
	}
	return rows
}

func (b *Bench) test(id string) int {
	for i := range b.Table.Tests {
		if b.Table.Tests[i].ID == id {
			return i
		}
	}
	return -1
}

// value is a reading as the sheet judges it.
func (b *Bench) value(r fault.Reading) float64 {
	switch {
	case b.Table.Tests[r.Test].Choices != nil:
		return float64(1 - r.Choice)
	case r.Over:
		return math.Inf(1)
	}
	return r.Value
}

// Line is a reading as readings.csv keeps it.
func (b *Bench) Line(row *bench.Row, text string) build.BenchReading {
	_, value, _ := strings.Cut(text, "=")
	x := build.BenchReading{Setup: row.Setup, Test: row.Point + " to " + row.Against, Text: strings.TrimSpace(value)}
	if len(b.Build.Decoders) > 1 {
		x.Decoder = b.Sheet.Decoder
	}
	if _, ok := b.Build.Meter(b.Sheet.Meter.Name); ok {
		x.Meter = b.Sheet.Meter.Name
	}
	switch {
	case row.Look:
		x.Test, x.Meter = row.Words, ""
		if x.Setup == "" {
			x.Setup = build.Anywhere
		}
	case row.Setting == "diode test" && !strings.Contains(strings.ToLower(x.Text), "diode"):
		x.Text += " diode"
	}
	return x
}

// Taken are the readings of the decoder that the folder keeps, in file order; a line that names none is of the first. A line that
// is not understood is named and left out. Two readings of one test are both there, and the later says so.
func (b *Bench) Taken() (out []bench.Taken, list diag.List) {
	for _, x := range b.Build.Bench {
		if of := cmp.Or(x.Decoder, b.Build.Decoders[0].Name.Text); of != b.Sheet.Decoder {
			continue
		}
		text := x.Test + " = " + x.Text
		if x.Setup != build.Anywhere {
			text = x.Setup + ": " + text
		}
		row, v, problems := b.Read(x.Range.File, x.Range.Start.Line, text, nil)
		if len(problems) > 0 {
			for _, p := range problems {
				p.Severity, p.Range = diag.Warning, x.Range
				p.Message += "; the line is left out"
				list = append(list, p)
			}
			continue
		}
		out = append(out, b.Add(out, bench.Taken{Row: row, Value: v, Date: x.Date, Text: x.Text}))
	}
	return out, list
}

// Add says of a reading what was read before of the same test.
func (b *Bench) Add(before []bench.Taken, t bench.Taken) bench.Taken {
	for _, old := range before {
		if old.Row.Test == t.Row.Test && b.Sheet.Value(t.Row, old.Value) != b.Sheet.Value(t.Row, t.Value) {
			t.Note = fmt.Sprintf("%s, %s: %s before, %s now; both are kept and the later counts", t.Row.Probes(), cmp.Or(t.Row.Setup, "seen"), b.Sheet.Value(t.Row, old.Value), b.Sheet.Value(t.Row, t.Value))
		}
	}
	return t
}

// Begin has a diagnosis begin with what was read at the bench, and counts the readings that are off, the last of each test.
func (b *Bench) Begin(s *fault.Session, taken []bench.Taken) (off int) {
	latest := map[string]int{}
	for i, t := range taken {
		latest[t.Row.Test] = i
	}
	for i, t := range taken {
		r := fault.Reading{Test: b.test(t.Row.Test), Value: t.Value}
		switch {
		case t.Row.Look:
			r.Value, r.Choice = 0, 1-int(t.Value) // the first choice is yes
		case math.IsInf(t.Value, 1):
			r.Value, r.Over = 0, true
		}
		s.Put(r, t.Text)
		if latest[t.Row.Test] == i && t.Row.Judge(t.Value) != bench.Holds {
			off++
		}
	}
	return off
}
