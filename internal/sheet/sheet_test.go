package sheet

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"fettle/internal/build"
	"fettle/internal/draw"
	"fettle/internal/finding"
	"fettle/internal/wiring"
	"fettle/internal/work"
)

var update = flag.Bool("update", false, "rewrite the golden sheet")

func must(t *testing.T, in Input) []byte {
	t.Helper()
	b, err := Sheet(in)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestGolden(t *testing.T) {
	got := must(t, sample())
	path := filepath.Join("testdata", "sheet.html")
	if *update {
		if err := os.MkdirAll("testdata", 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, got, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s differs: run with -update, read the diff and look at the page", path)
	}
	if !bytes.Equal(got, must(t, sample())) {
		t.Error("the same input gave other bytes")
	}
}

// TestSelfContained: nothing is loaded, no script runs, no identifier stands twice.
func TestSelfContained(t *testing.T) {
	s := string(must(t, sample()))
	for _, bad := range []string{"<script", "src=", "href=", "url(", "@import", "NaN", "Inf", "ZgotmplZ", "%!"} {
		if strings.Contains(s, bad) {
			t.Errorf("the sheet holds %q", bad)
		}
	}
	for _, u := range regexp.MustCompile(`https?://[^"' )<]*`).FindAllString(s, -1) {
		if u != "http://www.w3.org/2000/svg" {
			t.Errorf("the sheet names %s", u)
		}
	}
	seen := map[string]bool{}
	for _, m := range regexp.MustCompile(` id="([^"]*)"`).FindAllStringSubmatch(s, -1) {
		if seen[m[1]] || strings.ContainsAny(m[1], " ") {
			t.Errorf("id %q stands twice, or holds a space", m[1])
		}
		seen[m[1]] = true
	}
	if len(seen) < 20 {
		t.Errorf("only %d identifiers: is the sheet there at all?", len(seen))
	}
}

// TestOrder: first what the bench asks for, then what it rests on.
func TestOrder(t *testing.T) {
	s := string(must(t, sample()))
	at := 0
	for _, h := range []string{"What to look at first", "Schematic", "The values", "Parts", "At the bench", "What a slip of the hand does", "The vehicle and its lamps",
		"The light against track voltage", "How far the switches are driven", "Every requirement", "Not proven yet", "state of proof"} {
		i := strings.Index(s, ">"+h+"<")
		if i < at {
			t.Errorf("%q stands at %d, before what should come earlier (%d)", h, i, at)
		}
		at = max(at, i)
	}
	// What fails stands before what holds, and the caution for this build at its work.
	if i, j := strings.Index(s, "LED reverse voltage"), strings.Index(s, "still seen at the lowest"); i < 0 || j < i {
		t.Error("what is unknown does not stand before what holds")
	}
	first := strings.Index(s, ">First power<")
	next := strings.Index(s, ">Measuring on live track<")
	if i := strings.Index(s, "Here: 20 mA"); i < first || i > next {
		t.Error("the caution of first power stands elsewhere")
	}
	if !strings.Contains(s, "glue: Cyanoacrylate") {
		t.Error("a caution of no known work is lost")
	}
}

// TestOf: every table of the proof comes onto the sheet, the slips of all decoders in one.
func TestOf(t *testing.T) {
	row := func(text string) [][]finding.Cell { return [][]finding.Cell{{{Text: text}}} }
	col := []finding.Column{{Title: "what"}}
	p := work.Proved{}
	p.Build = &build.Build{}
	p.Findings.Tables = []finding.Table{{ID: "slips.a", Title: "Slips", Columns: col, Rows: row("slip of a")}, {ID: "lookalikes.a", Title: "Look-alikes", Columns: col, Rows: row("wrong bag")},
		{ID: "slips.b", Title: "Slips", Columns: col, Rows: row("slip of b")}, {ID: "train.x", Title: "Train x", Columns: col, Rows: row("forward")}}
	s := string(must(t, Of(p, "2026-03-01")))
	for _, want := range []string{"slip of a", "slip of b", "wrong bag", ">Look-alikes<", ">Train x<", ">forward<", "2026-03-01"} {
		if n := strings.Count(s, want); n != 1 {
			t.Errorf("%q stands %d times on the sheet, want once", want, n)
		}
	}
}

// TestCautionsOfTheCircuit: gates, filaments and the load of the answer bring their caution, each once and at its step.
func TestCautionsOfTheCircuit(t *testing.T) {
	plain := string(must(t, sample()))
	fet := draw.Transistor{Part: draw.Part{Name: "switch"}, Kind: draw.NChannel}
	in := sample()
	in.Circuits = []draw.Schematic{{Lamps: []draw.SchematicLamp{{Name: "f", Structure: wiring.FilamentLamp}, {Name: "g", Structure: wiring.FilamentLamp}},
		Outputs: []draw.SchematicOutput{{Name: "f", Lamps: []int{0}, Switch: fet}, {Name: "g", Lamps: []int{1}, Switch: fet}, {Name: "acknowledge"}}}}
	own := string(must(t, in))
	for _, c := range []struct{ text, after, before string }{
		{"dies of static", ">Soldering<", ">Polarity<"}, {"soften plastic", ">First power<", ">Measuring on live track<"}, {"pulses of milliseconds", ">First track<", ">Not proven yet<"}} {
		if strings.Contains(plain, c.text) || strings.Count(own, c.text) != 1 {
			t.Errorf("%q stands %d times, and %d times where nothing asks for it", c.text, strings.Count(own, c.text), strings.Count(plain, c.text))
		}
		if i := strings.Index(own, c.text); i < strings.Index(own, c.after) || i > strings.Index(own, c.before) {
			t.Errorf("%q does not stand at its step", c.text)
		}
	}
	for _, always := range []string{"Never link the motor pins", "every decoder that stands on it"} {
		if strings.Count(plain, always) != 1 {
			t.Errorf("%q stands %d times", always, strings.Count(plain, always))
		}
	}
}

// TestLittle: a sheet of almost nothing is still a sheet, and names with markup in them stay text.
func TestLittle(t *testing.T) {
	s := string(must(t, Input{Title: Title{What: "<b>decoder</b>"}}))
	if strings.Contains(s, "<b>decoder") || !strings.Contains(s, "nothing judged yet") {
		t.Error("markup in a name, or no word on an empty proof")
	}
	clear := finding.Findings{Verdicts: []finding.Judgement{{Requirement: "r", Verdict: finding.Holds}}}
	if s := string(must(t, Input{Prove: clear})); !strings.Contains(s, "Nothing fails and nothing is close") {
		t.Error("a sheet on which all holds does not say so")
	}
}
