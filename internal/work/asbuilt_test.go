package work_test

import (
	"bytes"
	"context"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fettle/internal/build"
	"fettle/internal/draw"
	"fettle/internal/finding"
	"fettle/internal/work"
)

// built is the demo with a record of what was fitted in its decoder, and with the vehicle's specimen where one is named.
func built(t *testing.T, fitted, specimen string) *build.Folder {
	t.Helper()
	f := demo(t)
	src := bytes.Replace(f.Build.Source, []byte("  answer {\n"), []byte("  fitted {\n"+fitted+"  }\n  answer {\n"), 1)
	if specimen != "" {
		src = bytes.Replace(src, []byte("  scale  = \"N\"\n"), []byte("  scale  = \"N\"\n  specimen = \""+specimen+"\"\n"), 1)
	}
	dir := t.TempDir()
	for name, data := range f.Sources {
		if name == f.File {
			data = src
		}
		if err := os.WriteFile(filepath.Join(dir, filepath.Base(name)), data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	out, list, err := build.Open(dir)
	if err != nil || list.HasErrors() {
		t.Fatal(err, list)
	}
	return out
}

func judged(t *testing.T, f finding.Findings, id string) finding.Judgement {
	t.Helper()
	for _, j := range f.Verdicts {
		if j.ID == id {
			return j
		}
	}
	t.Fatalf("no verdict %s", id)
	return finding.Judgement{}
}

func table(t *testing.T, f finding.Findings, id string) string {
	t.Helper()
	for _, tab := range f.Tables {
		if tab.ID != id {
			continue
		}
		var lines []string
		for _, row := range tab.Rows {
			var cells []string
			for _, c := range row {
				cells = append(cells, strings.TrimSpace(c.Verdict.Shape()+" "+c.Text))
			}
			lines = append(lines, strings.ReplaceAll(strings.Join(cells, " | "), "? ", ""))
		}
		return tab.Title + "\n" + strings.Join(lines, "\n")
	}
	return ""
}

func notes(f finding.Findings) string {
	var all []string
	for _, n := range f.Notes {
		if n.Kind == "as built" {
			all = append(all, n.Text)
		}
	}
	return strings.Join(all, "\n")
}

// One wrong resistor changes what the proof says: ten times the designed base resistor, measured before it was soldered in.
// Each verdict that it changes stands beside the design's, and the mend is what was designed. By hand: behind 99.1 kΩ a pin
// of some 4.7 V drives (4.7 − 0.75) / 99.1 kΩ = 40 µA into the base, with the least hFE (98 when cold) 3.9 mA of collector
// current, where the lamp takes 7.6 mA at 18 V: it is not saturated, and driven by about half of what it needs.
func TestAsBuiltChangesTheProof(t *testing.T) {
	f := built(t, `    vehicle = "number 3"
    meter   = "hand meter"
    output "front" {
      base   = "99.1 kΩ"
      series = "818 Ω"
    }
`, "number 1")
	r := &work.Runner{Samples: 300, Cache: t.TempDir()}
	p := proved(t, r, f)
	j := judged(t, p.Findings, "output.front.overdrive-high")
	if j.Verdict != finding.Fails || j.Value < 0.3 || j.Value > 1.2 || j.Designed == nil || j.Designed.Verdict != finding.Holds || j.Designed.Value < 3 {
		t.Errorf("overdrive %g %s, designed %+v", j.Value, j.Verdict, j.Designed)
	}
	if j.Mend != "put in what was designed: 10 kΩ for the 99.1 kΩ of the base resistor of output front" {
		t.Errorf("mend %q", j.Mend)
	}
	if j := judged(t, p.Findings, "output.rear.overdrive-high"); j.Verdict != finding.Holds || j.Designed != nil {
		t.Errorf("the other output: %s, %+v", j.Verdict, j.Designed)
	}
	if got, want := table(t, p.Findings, "as-built.a"), `As built, in number 3
base resistor of output front | 10 kΩ | 99.1 kΩ | measured with hand meter | ◐ ten times the designed 10 kΩ: a decimal slip?
series resistor of output front | 820 Ω | 818 Ω | measured with hand meter | −0.24 %`; got != want {
		t.Errorf("%s\nwant\n%s", got, want)
	}
	changes := table(t, p.Findings, "as-built.changes")
	if !strings.Contains(changes, "driven hard enough at the highest | holds") || strings.Contains(changes, "rear") {
		t.Error(changes)
	}
	said := notes(p.Findings)
	for _, want := range []string{
		"The base resistor of output front is 99.1 kΩ (measured with hand meter): ten times the designed 10 kΩ: a decimal slip?",
		"Fitted, so left alone: base resistor of output front is 99.1 kΩ, series resistor of output front is 818 Ω.",
		"now fail",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("not said: %s\n%s", want, said)
		}
	}
	// Another of several alike was measured: that is reported.
	if v := judged(t, p.Findings, "as-built.vehicle.a"); v.Verdict != finding.Reported || !strings.Contains(v.Why, "number 1 was measured") {
		t.Errorf("%+v", v)
	}
	// Nothing fitted is to be bought.
	if text := notes(p.Findings) + table(t, finding.Findings{Tables: []finding.Table{p.Parts}}, "parts"); !strings.Contains(text, "99.1 kΩ 0805 | base of front | 1 | ● fitted") {
		t.Error(text)
	}
	for _, v := range p.Findings.Verdicts {
		if strings.HasPrefix(v.ID, "drawer.99.1") || strings.HasPrefix(v.ID, "drawer.818") {
			t.Errorf("what is on the board is sought in the drawer: %s", v.ID)
		}
	}
	// The schematic shows what is there, and what was designed.
	if svg := draw.Circuit(p.Circuits[0], draw.Options{Width: 700}); !strings.Contains(svg, "99.1 kΩ") || !strings.Contains(svg, ">designed 820") {
		t.Error("the schematic does not tell")
	}
	// The same from the cache.
	if again := proved(t, r, f); !bytes.Equal(encoded(t, p.Findings), encoded(t, again.Findings)) {
		t.Error("the cache changes the answer")
	}
	// Choosing proposes nothing for what is fitted.
	c, err := r.Choose(context.Background(), f)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range c.Edits {
		if strings.Join(e.Path, " ") == "decoder a output front" && (e.Attr == "base" || e.Attr == "series") {
			t.Errorf("%s is chosen although it is fitted", e.Attr)
		}
	}
	if len(c.Edits) == 0 {
		t.Error("nothing is chosen for the rest")
	}
}

// What was measured near its designed value changes no verdict, and narrows what is not known: the light varies less.
func TestAsBuiltAsDesigned(t *testing.T) {
	f := built(t, `    vehicle = "number 3"
    meter   = "hand meter"
    output "front" {
      base   = "9.98 kΩ"
      series = "820 Ω"
    }
`, "number 3")
	p := proved(t, &work.Runner{Samples: 300}, f)
	if said := notes(p.Findings); !strings.Contains(said, "What was fitted changes no verdict") || !strings.Contains(said, "the very one whose lamps were measured") {
		t.Error(said)
	}
	plain := proved(t, &work.Runner{Samples: 300}, demo(t))
	a, b := judged(t, p.Findings, "output.front.good"), judged(t, plain.Findings, "output.front.good")
	if !(a.Margin > b.Margin) || math.Abs(a.Value/b.Value-1) > 0.05 {
		t.Errorf("good at the worst: %g as measured, %g as designed with ±5 %%", a.Value, b.Value)
	}
}

// A part that was actually used is the one that is simulated, also one that cannot serve.
func TestAsBuiltAnotherTransistor(t *testing.T) {
	p := proved(t, &work.Runner{Samples: 300}, built(t, `    output "front" {
      switch = "MMBT3906"
    }
`, ""))
	if j := judged(t, p.Findings, "output.front.good"); j.Verdict != finding.Fails || j.Designed == nil || j.Designed.Verdict != finding.Holds || !strings.Contains(j.Mend, "MMBT3904 for the MMBT3906") {
		t.Errorf("%s, designed %+v, %q", j.Verdict, j.Designed, j.Mend)
	}
	if got := table(t, p.Findings, "as-built.a"); !strings.Contains(got, "switch of output front | MMBT3904 | MMBT3906") || !strings.Contains(got, "another part") {
		t.Error(got)
	}
}

// What is noted, and what is not yet, with how to note it.
func TestFittedListsWhatIsOpen(t *testing.T) {
	f := built(t, "    listen {\n      series = \"27 kΩ\"\n    }\n", "")
	found, err := (&work.Runner{}).Fitted(context.Background(), f)
	if err != nil {
		t.Fatal(err)
	}
	if got := table(t, found, "as-built.a"); !strings.Contains(got, "resistor of the ear | 27 kΩ | 27 kΩ | by its marking | as designed") {
		t.Error(got)
	}
	open := table(t, found, "fitted.open.a")
	if strings.Contains(open, "the ear") || !strings.Contains(open, "base resistor of output rear | 12 kΩ | rear base=…") || !strings.Contains(open, "rectifier | MB6S | supply rectifier=…") {
		t.Error(open)
	}
	if len(found.Verdicts) > 0 {
		t.Error("nothing is judged here")
	}
}
