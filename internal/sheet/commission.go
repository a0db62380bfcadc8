package sheet

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"

	"fettle/internal/bench"
	"fettle/internal/draw"
	"fettle/internal/finding"
	"fettle/internal/render"
	"fettle/internal/work"
)

//go:embed commission.html
var commissionSource string

var commissionPage = template.Must(template.New("commission").Funcs(template.FuncMap{"inc": func(i int) int { return i + 1 }}).Parse(commissionSource))

// A tag is a letter on the schematic and what stands there.
type tag struct{ Letter, ID, Words string }

// A line is one reading with its box.
type line struct {
	Number                 int
	Red, Black             []string // letter, name; of a look Red is what is to be seen
	Look                   bool
	Setting, Range, Expect string
	Read                   string
	Verdict                finding.Verdict
	Shows, Below, Above    string
}

type group struct {
	Bring string
	Lines []line
}

type task struct {
	ID, Name string
	Do       []string
	Care     []string
	Groups   []group
}

// belonging is which of the standing steps carries the cautions of a step of the bench.
var belonging = map[string]string{
	"unpowered": "Polarity", "first-power": "First power", "supply": "Measuring on live track", "vehicle-dc": "Into the vehicle", "programming": "First track",
}

// Care are the cautions of a step of the bench: those of the work, then those of the points that are probed in it.
func Care(b *work.Bench, st *bench.Step) (list []string) {
	for _, x := range atBench(b.Cautions, []draw.Schematic{b.Circuit}) {
		if x.Name == belonging[st.ID] {
			list = append(list, x.Cautions...)
		}
	}
	risk := map[string]bool{}
	for _, r := range st.Rows {
		if r.Risk != "" && !risk[r.Risk] {
			risk[r.Risk] = true
			list = append(list, "Probing "+r.Point+": "+r.Risk+".")
		}
	}
	return list
}

// Bench is the page of the bench sheet, with boxes to write in and what was read so far.
func Bench(b *work.Bench, taken []bench.Taken, t Title) ([]byte, error) {
	s := setter{ids: map[string]int{}}
	last := map[string]bench.Taken{}
	var judged []finding.Judgement
	for _, x := range taken {
		last[x.Row.Test] = x
	}
	letters := map[string]string{}
	used := map[string]bool{}
	for _, r := range b.Sheet.Rows() {
		used[r.Point], used[r.Against] = true, true
	}
	var key []tag
	for _, p := range b.Points {
		if used[p.ID] {
			letters[p.ID] = letter(len(key))
			key = append(key, tag{letters[p.ID], p.ID, p.Words})
		}
	}
	var steps []task
	for i := range b.Sheet.Steps {
		st := &b.Sheet.Steps[i]
		w := task{ID: st.ID, Name: st.Name, Do: st.Do, Care: Care(b, st)}
		for _, rows := range st.Groups() {
			g := group{Bring: rows[0].Bring}
			for k := range rows {
				r := &rows[k]
				l := line{Number: r.Number, Look: r.Look, Setting: r.Setting, Range: r.Range, Expect: b.Sheet.Says(r), Shows: r.Shows,
					Below: bench.Points(r.Below, r.More[0]), Above: bench.Points(r.Above, r.More[1])}
				switch {
				case r.Look:
					l.Red = []string{"", r.Words}
				case r.Against == "supply":
					l.Red = []string{"", "in the lead of the supply"}
				default:
					l.Red, l.Black = []string{letters[r.Point], r.Point}, []string{letters[r.Against], r.Against}
				}
				if x, ok := last[r.Test]; ok {
					j := b.Sheet.Judgement(x)
					l.Read, l.Verdict = b.Sheet.Value(r, x.Value), j.Verdict
					judged = append(judged, j)
				}
				g.Lines = append(g.Lines, l)
			}
			w.Groups = append(w.Groups, g)
		}
		steps = append(steps, w)
	}
	c := b.Circuit
	c.Tags = letters
	plates := s.circuits([]draw.Schematic{c})
	f := b.Sheet.Findings(taken)
	state := f.Worst()
	if len(judged) == 0 {
		state = finding.Unknown
	}
	var buf bytes.Buffer
	err := commissionPage.Execute(&buf, struct {
		Title          Title
		Style          template.CSS
		Steps          []task
		Plates         []plate
		Key            []tag
		Meter, Tools   string
		Samples        int
		Readings       int
		Faults, Caught int
		State          finding.Verdict
		Tally          string
	}{t, render.CSS + template.CSS(draw.CSS) + CSS, steps, plates, key, b.Sheet.Meter.Name, b.Sheet.Feed(), b.Sheet.Samples, len(b.Sheet.Rows()), b.Sheet.Faults, b.Sheet.Caught, state, fmt.Sprintf("%d / %d", len(judged), len(b.Sheet.Rows()))})
	if err != nil {
		return nil, fmt.Errorf("setting the bench sheet: %w", err)
	}
	return buf.Bytes(), nil
}

// letter counts A to Z, then AA.
func letter(k int) string {
	if k < 26 {
		return string(rune('A' + k))
	}
	return letter(k/26-1) + letter(k%26)
}
