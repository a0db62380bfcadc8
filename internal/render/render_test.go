package render

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/charmbracelet/lipgloss"
	"pgregory.net/rapid"

	"fettle/internal/diag"
	"fettle/internal/finding"
)

var update = flag.Bool("update", false, "rewrite golden files and docs/json.md")

var goldens = map[string]bool{}

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	goldens[name] = true
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.MkdirAll("testdata", 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, got, 0o666); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s differs (run with -update and read the diff):\n%s", path, got)
	}
}

func TestGolden(t *testing.T) {
	for _, c := range []struct {
		name string
		f    finding.Findings
		o    Options
	}{
		{"prove.txt", sample(), Options{}},
		{"prove-48.txt", sample(), Options{Width: 48}},
		{"prove-colour.txt", sample(), Options{Colour: true}},
		{"empty.txt", finding.Findings{Question: "survey", Build: "harbour railcar (invented)"}, Options{}},
	} {
		var b bytes.Buffer
		if err := Text(&b, c.f, c.o); err != nil {
			t.Fatal(err)
		}
		golden(t, c.name, b.Bytes())
		if !c.o.Colour {
			checkText(t, b.String(), c.o.width())
			if strings.Contains(b.String(), "\x1b") {
				t.Errorf("%s: escape sequence without colour", c.name)
			}
		}
	}
	for id, name := range map[string]string{"output.front.series": "why-value.txt", "output.rear.good": "why-verdict.txt", "lamp.front.next": "why-note.txt", "slips": "why-table.txt"} {
		var b bytes.Buffer
		found, err := Why(&b, sample(), id, Options{})
		if err != nil || !found {
			t.Fatalf("Why(%q) = %v, %v", id, found, err)
		}
		golden(t, name, b.Bytes())
		checkText(t, b.String(), 80)
	}
	var b bytes.Buffer
	if found, err := Why(&b, sample(), "no.such.thing", Options{}); found || err != nil || b.Len() != 0 {
		t.Errorf("Why of nothing = %v, %v, %q", found, err, b.String())
	}
	if found, _ := Why(&b, sample(), "", Options{}); found {
		t.Error("Why of an empty identifier found something")
	}
	b.Reset()
	if err := JSON(&b, sample(), sampleProblems()); err != nil {
		t.Fatal(err)
	}
	golden(t, "prove.json", b.Bytes())

	var page bytes.Buffer
	fmt.Fprintf(&page, "%s\n", HTML(sample(), HTMLOptions{}))
	golden(t, "prove.html", page.Bytes())

	have, err := os.ReadDir("testdata")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range have {
		if !e.IsDir() && !goldens[e.Name()] {
			t.Errorf("testdata/%s is used by no test", e.Name())
		}
	}
}

// checkText holds the promises of every text: no line too wide, no NaN, no space at a line's end.
func checkText(t interface{ Errorf(string, ...any) }, s string, width int) {
	for i, l := range strings.Split(s, "\n") {
		if w := lipgloss.Width(l); w > width {
			t.Errorf("line %d is %d columns wide, %d allowed: %q", i+1, w, width, l)
		}
		if strings.HasSuffix(l, " ") {
			t.Errorf("line %d ends in a space: %q", i+1, l)
		}
	}
	for _, bad := range []string{"NaN", "Inf", "\n\n\n", "%!"} {
		if strings.Contains(s, bad) {
			t.Errorf("text holds %q:\n%s", bad, s)
		}
	}
}

// TestDecimalsAlign: in a column of numbers every decimal sign stands under the next.
func TestDecimalsAlign(t *testing.T) {
	p := newPage(Options{})
	p.grid(grid{rows: []gridRow{
		{cells: []gridCell{figures(4700, "Ω"), words("a")}},
		{cells: []gridCell{figures(33, "Ω"), words("b")}},
		{cells: []gridCell{figures(-0.5, "V"), words("c")}},
		{cells: []gridCell{figures(120000, "Ω"), words("d")}},
	}}, 0)
	at := -1
	for _, l := range strings.Split(p.b.String(), "\n") {
		before, _, ok := strings.Cut(l, ".")
		if !ok {
			continue
		}
		if w := lipgloss.Width(before); at >= 0 && w != at {
			t.Errorf("decimal signs at columns %d and %d:\n%s", at, w, p.b.String())
		} else {
			at = w
		}
	}
	if at < 0 {
		t.Fatal("no decimal sign at all")
	}
}

func TestJSON(t *testing.T) {
	var b bytes.Buffer
	if err := JSON(&b, sample(), sampleProblems()); err != nil {
		t.Fatal(err)
	}
	var e struct {
		Schema, Question, Verdict string
		Values                    []map[string]any
		Verdicts                  []map[string]any
		Problems                  []map[string]any
		Notes                     []any
	}
	if err := json.Unmarshal(b.Bytes(), &e); err != nil {
		t.Fatal(err)
	}
	if e.Schema != "fettle/1" || e.Question != "prove" || e.Verdict != "fails" {
		t.Errorf("envelope is %q %q %q", e.Schema, e.Question, e.Verdict)
	}
	byID := map[string]map[string]any{}
	for _, v := range append(e.Values, e.Verdicts...) {
		byID[v["id"].(string)] = v
	}
	for _, c := range []struct {
		id, key string
		want    any
	}{
		{"output.front.series", "value", 1500.0},
		{"output.front.series", "low", 1310.0},
		{"output.front.series", "chosen", true},
		{"output.front.base", "low", nil},
		{"lamp.rear.hidden", "value", nil},
		{"lamp.front.leak", "low", nil}, // zeros around 0.12 mA: no interval was stated
		{"output.front.switch", "text", "MMBT3904"},
		{"output.rear.good", "margin", -0.285},
		{"lamp.rear.reverse", "value", nil},
		{"output.front.reported", "limit", nil},
	} {
		got, ok := byID[c.id][c.key]
		if !ok || got != c.want {
			t.Errorf("%s.%s = %v (%v), want %v", c.id, c.key, got, ok, c.want)
		}
	}
	// With nothing found, lists are empty lists and not null.
	b.Reset()
	if err := JSON(&b, finding.Findings{}, nil); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(b.String(), "null") {
		t.Errorf("null in an empty envelope:\n%s", b.String())
	}
	var twice bytes.Buffer
	if err := JSON(&twice, finding.Findings{}, diag.List{}); err != nil || twice.String() != b.String() {
		t.Error("the same findings gave other bytes")
	}
}

// TestDocs: docs/json.md is what the types say.
func TestDocs(t *testing.T) {
	got := jsonDocs()
	path := filepath.Join("..", "..", "docs", "json.md")
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	have, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if string(have) != got {
		t.Error("docs/json.md is stale: go test ./internal/render -run TestDocs -update")
	}
}

func jsonDocs() string {
	var b strings.Builder
	b.WriteString(`<!-- Generated by go test ./internal/render -run TestDocs -update from internal/render/json.go; do not edit. -->

# The JSON envelope

Every command with ` + "`--json`" + ` prints one object of this form to standard output, diagnostics included. Numbers are in
coherent SI with the symbol of their unit beside them; a number that is absent is ` + "`null`" + `, never NaN or infinite. Lists
are never null. Keys come in the order given here.

    fettle prove --json | jq '.verdicts[] | select(.verdict == "fails") | {id, value, limit, unit, worst, mend}'

`)
	names := map[string]string{"envelope": "The envelope", "jsonProblem": "Problem", "problemNote": "Note of a problem"}
	seen := map[reflect.Type]bool{}
	queue := []reflect.Type{reflect.TypeOf(envelope{})}
	title := func(t reflect.Type) string {
		if n, ok := names[t.Name()]; ok {
			return n
		}
		return strings.ToUpper(t.Name()[:1]) + t.Name()[1:]
	}
	kind := func(t reflect.Type) string {
		prefix := ""
		for t.Kind() == reflect.Slice {
			prefix, t = prefix+"list of ", t.Elem()
		}
		if t.Kind() == reflect.Pointer {
			t = t.Elem()
		}
		switch t.Kind() {
		case reflect.Struct:
			if !seen[t] {
				seen[t] = true
				queue = append(queue, t)
			}
			return prefix + "[" + title(t) + "](#" + strings.ReplaceAll(strings.ToLower(title(t)), " ", "-") + ")"
		case reflect.Float64:
			return prefix + "number or null"
		case reflect.Int:
			return prefix + "integer"
		case reflect.Bool:
			return prefix + "true or false"
		}
		return prefix + "text"
	}
	for i := 0; i < len(queue); i++ {
		t := queue[i]
		fmt.Fprintf(&b, "## %s\n\n| key | type | meaning |\n| --- | --- | --- |\n", title(t))
		for f := range t.NumField() {
			field := t.Field(f)
			key, _, _ := strings.Cut(field.Tag.Get("json"), ",")
			doc := field.Tag.Get("doc")
			if doc == "" {
				doc = "MISSING"
			}
			fmt.Fprintf(&b, "| `%s` | %s | %s |\n", key, kind(field.Type), doc)
		}
		b.WriteString("\n")
	}
	return strings.TrimRight(b.String(), "\n") + "\n"
}

func TestDocsComplete(t *testing.T) {
	if strings.Contains(jsonDocs(), "MISSING") {
		t.Error("a field of the envelope has no doc tag")
	}
}

func TestInterval(t *testing.T) {
	for _, c := range []struct {
		low, high float64
		unit      string
		want      string
	}{
		{1310, 1720, "Ω", "1.31 … 1.72\u202fkΩ"},
		{612, 1204, "Ω", "612\u202fΩ … 1.20\u202fkΩ"},
		{0, 0.004, "A", "0 … 4.00\u202fmA"},
		{math.NaN(), 0.08, "1", "≤\u202f8.00\u202f%"},
		{2, math.NaN(), "V", "≥\u202f2.00\u202fV"},
		{math.NaN(), math.NaN(), "V", ""},
		{-0.002, 0.003, "V", "−2.00 … 3.00\u202fmV"},
		{1, math.Inf(1), "V", "1.00\u202fV … ∞\u202fV"},
	} {
		if got := Interval(c.low, c.high, c.unit); got != c.want {
			t.Errorf("Interval(%g, %g, %q) = %q, want %q", c.low, c.high, c.unit, got, c.want)
		}
	}
}

func TestFor(t *testing.T) {
	if o := For(&bytes.Buffer{}, func(string) (string, bool) { return "", false }); o != (Options{}) {
		t.Errorf("options of a buffer: %+v", o)
	}
	f, err := os.CreateTemp(t.TempDir(), "")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if o := For(f, os.LookupEnv); o.Colour {
		t.Error("colour into a file")
	}
}

// Any findings at all: no panic, no line too wide, JSON that parses.
func TestAnyFindings(t *testing.T) {
	number := rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{0, math.NaN(), math.Inf(1), math.Inf(-1), 1e-30, -4.7e3}))
	text := rapid.StringOfN(rapid.SampledFrom([]rune("ab VΩ ●<&\"\u202f日")), 0, 60, -1)
	symbol := rapid.SampledFrom([]string{"", "V", "A", "Ω", "1", "°C"})
	verdict := rapid.SampledFrom([]finding.Verdict{"", finding.Holds, finding.Close, finding.Fails, finding.Unknown, finding.Reported})
	rapid.Check(t, func(rt *rapid.T) {
		n := func() float64 { return number.Draw(rt, "n") }
		s := func() string { return text.Draw(rt, "s") }
		f := finding.Findings{Question: s(), Build: s()}
		list := func() []float64 { return rapid.SliceOfN(number, 0, 4).Draw(rt, "list") }
		tab := finding.Table{Title: s(), Columns: []finding.Column{{Title: s(), Unit: symbol.Draw(rt, "u")}, {Title: s(), Numeric: true}}}
		for range rapid.IntRange(0, 3).Draw(rt, "rows") {
			tab.Rows = append(tab.Rows, []finding.Cell{{Number: n(), Unit: symbol.Draw(rt, "u"), Verdict: verdict.Draw(rt, "v")}, {Text: s(), Digits: 2}, {Text: s()}}[:rapid.IntRange(0, 3).Draw(rt, "cells")])
		}
		fig := finding.Figure{Title: s(), X: finding.Axis{Log: rapid.Bool().Draw(rt, "log")}, Curves: []finding.Curve{{Label: s(), X: list(), Y: list()}},
			Bands: []finding.Band{{Label: s(), From: n(), To: n()}}, Marks: []finding.Mark{{Label: s(), X: n(), Y: n()}}, Points: []finding.Points{{X: list(), Y: list()}}}
		w := &finding.Working{Title: s(), Hand: n(), Solver: n(), Unit: symbol.Draw(rt, "u"), Steps: []finding.Step{{Say: s(), Formula: s(), Result: n(), Source: s()}}, Figure: &fig, Table: &tab}
		f.Values = []finding.Value{{ID: "a", Name: s(), Value: n(), Low: n(), High: n(), Unit: symbol.Draw(rt, "u"), Reason: s(), Chosen: true, Working: w}}
		f.Verdicts = []finding.Judgement{{ID: "a", Subject: s(), Requirement: s(), Verdict: verdict.Draw(rt, "v"), Value: n(), Limit: n(), Margin: n(), Sense: "≥", Unit: symbol.Draw(rt, "u"), Worst: s(), Working: w}}
		f.Tables, f.Figures = []finding.Table{tab}, []finding.Figure{fig}
		width := rapid.IntRange(0, 120).Draw(rt, "width")
		var b bytes.Buffer
		if err := Text(&b, f, Options{Width: width}); err != nil {
			rt.Fatal(err)
		}
		for i, l := range strings.Split(b.String(), "\n") {
			if got := lipgloss.Width(l); got > (Options{Width: width}).width() {
				rt.Errorf("line %d is %d columns wide: %q", i+1, got, l)
			}
		}
		if _, err := Why(&b, f, "a", Options{Width: width}); err != nil {
			rt.Fatal(err)
		}
		b.Reset()
		if err := JSON(&b, f, nil); err != nil {
			rt.Fatal(err)
		}
		if !json.Valid(b.Bytes()) {
			rt.Errorf("not JSON:\n%s", b.String())
		}
		HTML(f, HTMLOptions{})
	})
}

// Clopper–Pearson ends near 0 and 100 % keep the digit that says which.
func TestPercent(t *testing.T) {
	for share, want := range map[float64]string{0: "0", 0.00037: "0.037", 0.0031: "0.3", 0.07: "7.0", 0.41: "41", 0.871: "87", 0.992: "99.2", 0.99963: "99.96", 0.999999: "99.99", 1: "100"} {
		if got := percent(share); got != want {
			t.Errorf("%g prints %s %%, want %s %%", share, got, want)
		}
	}
}
