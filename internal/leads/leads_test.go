package leads

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"fettle/internal/diag"
	"fettle/internal/finding"
	"fettle/internal/parts"
)

// The random tests draw the same cases every time; -rapid.seed=0 draws others.
func init() {
	if err := flag.Set("rapid.seed", "1"); err != nil {
		panic(err)
	}
}

func mustParse(t testing.TB, src string) []Reading {
	t.Helper()
	out, l := Parse("typed", src)
	if len(l) > 0 {
		t.Fatalf("%q: %v", src, l)
	}
	return out
}

// The patterns of the textbook: Lessons in Electric Circuits, vol. III, ch. 4, "Meter check of a transistor" (from
// memory: all six directions of one PNP transistor, its base on wire 3, emitter on 1, collector on 2, told by 0.655 V
// against 0.621 V); the other rows are the same section's rule, two junctions back to back, with the usual drops.
func TestTextbookPatterns(t *testing.T) {
	for _, x := range []struct {
		src, kind string
		roles     [3]string
	}{
		{"1>2 OL; 2>1 OL; 1>3 0.655 V; 3>1 OL; 2>3 0.621 V; 3>2 OL", PNP, [3]string{"E", "C", "B"}},
		{"1>2 OL; 2>1 OL; 1>3 OL; 3>1 0.655 V; 2>3 OL; 3>2 0.621 V", NPN, [3]string{"E", "C", "B"}},
		{"1>2 0.672 V; 2>1 OL; 1>3 0.650 V; 3>1 OL; 2>3 OL; 3>2 OL; hfe NPN BEC 210", NPN, [3]string{"B", "E", "C"}},
		{"1>2 OL; 2>1 0.690 V; 1>3 OL; 3>1 0.682 V; 2>3 OL; 3>2 OL; hfe PNP BEC 150", PNP, [3]string{"B", "E", "C"}},
	} {
		r := Identify(mustParse(t, x.src), Options{})
		if r.Kind != x.kind || r.PKind < Sure || r.Roles != x.roles || !r.Identified() {
			t.Errorf("%s: %s %.3f %v %.3f", x.src, r.Kind, r.PKind, r.Roles, r.PRoles)
		}
	}
}

// Ten planted parts, measured with a meter model on circuits of the project's device laws, asked as fettle asks.
func TestTenPlantedParts(t *testing.T) {
	c := parts.Load()
	bjt := func(name string) parts.BJT {
		p, ok := c.BJT(name)
		if !ok {
			t.Fatal(name)
		}
		return p
	}
	fet := func(name string) parts.MOSFET { p, _ := c.MOSFET(name); return p }
	diode := func(name string) parts.Diode { p, _ := c.Diode(name); return p }
	for i, x := range []struct {
		what  string
		make  func(b *bench) *bench
		more  string // readings the user adds, beside those asked for
		check func(t *testing.T, r Result)
	}{
		{"MMBT3904", func(b *bench) *bench { return b.bipolar(t, bjt("MMBT3904"), false) }, "", nil},
		{"BC557B, leads in another order", func(b *bench) *bench { return b.bipolar(t, bjt("BC557B"), true) }, "", nil},
		{"2N3904, plugged in with collector and emitter exchanged", func(b *bench) *bench { return b.bipolar(t, bjt("2N3904"), false) }, "hfe NPN CBE", func(t *testing.T, r Result) {
			if !r.Swapped || !strings.Contains(text(r.Findings()), "collector and emitter exchanged") {
				t.Errorf("not said to be swapped: %v", r.Readings)
			}
		}},
		{"MMUN2230, 1 kΩ and 1 kΩ", func(b *bench) *bench { return b.bipolar(t, bjt("MMUN2230"), false) }, "", nil},
		{"AO3400A", func(b *bench) *bench { return b.fieldEffect(t, fet("AO3400A"), false) }, "", nil},
		{"AO3401A, gate left charged between readings", func(b *bench) *bench { b.careless = true; return b.fieldEffect(t, fet("AO3401A"), false) }, "", nil},
		{"BAV70", func(b *bench) *bench { return b.diode(t, diode("BAV70"), false) }, "", nil},
		{"BAT54A", func(b *bench) *bench { return b.diode(t, diode("BAT54A"), false) }, "", func(t *testing.T, r Result) {
			if r.top().Family != schottky {
				t.Errorf("family %s", r.top().Family)
			}
		}},
		{"Darlington with resistors and diode", func(b *bench) *bench { return b.darlington(t, true, true) }, "", nil},
		{"BC847B with a short", func(b *bench) *bench { return b.shorted(t, bjt("BC847B")) }, "", func(t *testing.T, r Result) {
			f := r.Findings()
			if f.Worst() != finding.Fails || !strings.Contains(text(f), "charged gate") {
				t.Errorf("a short is %s", f.Worst())
			}
		}},
	} {
		b := x.make(newBench(rand.New(rand.NewPCG(uint64(i), 7))))
		readings := b.six(t)
		if x.more != "" {
			q := mustParse(t, x.more+" 0")[0]
			readings = append(readings, b.take(t, q))
		}
		r := Identify(readings, Options{Package: "SOT-23"})
		if i == 1 || i == 2 || b.kind == NPNDarlington || b.kind == Shorted {
			r = Identify(readings, Options{})
		}
		for range 4 {
			if len(r.Next) == 0 {
				break
			}
			readings = append(readings, b.take(t, r.Next[0].Reading))
			r = Identify(readings, r.opts)
		}
		t.Logf("%s: %s (%.3f) %v %.2f from %v", x.what, r.Kind, r.PKind, r.Roles, r.PRoles, r.Readings)
		if r.Kind != b.kind || r.Roles != b.pins || r.PKind < 0.9 {
			t.Errorf("%s is %s %v: said %s %.3f %v", x.what, b.kind, b.pins, r.Kind, r.PKind, r.Roles)
		}
		if x.check != nil {
			x.check(t, r)
		}
	}
}

func text(f finding.Findings) string {
	var b strings.Builder
	for _, n := range f.Notes {
		b.WriteString(n.Text + "\n")
	}
	for _, j := range f.Verdicts {
		b.WriteString(j.Why + j.Mend + "\n")
	}
	for _, c := range f.Cautions {
		b.WriteString(c.Text + "\n")
	}
	return b.String()
}

// The exact laws of a transistor measured with the third lead open or joined (transport law): the model draws such
// triples, and the difference of the two junctions is Vt·ln(1+1/BR).
func TestJunctionsOfADrawnTransistor(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for range 2000 {
		s := bipolar(r, 1)
		be, bc := s.edges[0], s.edges[1]
		if be.v <= be.held || be.v < bc.v-0.012 || s.gain < 15 || be.v < 0.2 || be.v > 1 {
			t.Fatalf("%+v", s)
		}
	}
}

// Probabilities sum to one, renaming the leads renames the answer, and nothing is asked for twice.
func TestIdentifyIsConsistent(t *testing.T) {
	t.Parallel()
	const rounding = 1e-9
	rapid.Check(t, func(t *rapid.T) {
		value := func(label string) string {
			return rapid.SampledFrom([]string{"OL", "OL", "0.66 V", "0.64 V", "0.25 V", "0.01 V", "1.3 V"}).Draw(t, label)
		}
		pairs := []string{"1>2", "2>1", "1>3", "3>1", "2>3", "3>2"}
		var lines []string
		for _, p := range pairs {
			if rapid.IntRange(0, 5).Draw(t, "taken"+p) > 0 {
				lines = append(lines, p+" "+value(p))
			}
		}
		readings, _ := Parse("", strings.Join(lines, "\n"))
		a := Identify(readings, Options{})
		sum := 0.0
		for _, h := range a.Hypotheses {
			sum += h.P
		}
		if sum < 0.99 || sum > 1+1e-9 {
			t.Fatalf("probabilities sum to %g", sum)
		}
		swapped := make([]Reading, len(readings))
		swap := func(l Lead) Lead { // leads 1 and 2 change names
			return l&Lead3 | l&Lead1<<1 | l&Lead2>>1
		}
		for i, r := range readings {
			r.Probes = Pair{swap(r.Probes.Red), swap(r.Probes.Black)}
			swapped[i] = r
		}
		b := Identify(swapped, Options{})
		if b.Kind != a.Kind && math.Abs(a.PKind-b.PKind) > rounding {
			t.Fatalf("renamed: %s %.6f, %s %.6f", a.Kind, a.PKind, b.Kind, b.PKind)
		}
		for _, h := range a.Hypotheses {
			i := slices.IndexFunc(b.Hypotheses, func(x Hypothesis) bool {
				return x.Kind == h.Kind && x.Pins == [3]string{h.Pins[1], h.Pins[0], h.Pins[2]}
			})
			if h.P > 2e-4 && (i < 0 || math.Abs(b.Hypotheses[i].P-h.P) > rounding) {
				t.Fatalf("renamed: %v has no twin", h.Pins)
			}
		}
		for _, x := range []Result{a, b} {
			for _, n := range x.Next {
				for _, have := range x.Readings {
					if have.question()+have.after() == n.Reading.question()+n.Reading.after() {
						t.Fatalf("asks again for %s", n.Reading.question())
					}
				}
			}
		}
	})
}

func TestNothingMeasured(t *testing.T) {
	r := Identify(nil, Options{})
	if again := Identify(nil, Options{}); fmt.Sprint(again.Findings()) != fmt.Sprint(r.Findings()) {
		t.Error("the same readings give another answer")
	}
	if r.PKind > 0.5 || len(r.Next) == 0 || r.Identified() {
		t.Errorf("%s %.2f, next %v", r.Kind, r.PKind, r.Next)
	}
	f := r.Findings()
	if f.Worst() != finding.Unknown || !strings.Contains(text(f), "join all leads") {
		t.Errorf("%s", f.Worst())
	}
}

// What no part would show is not forced onto one.
func TestNonsenseIsNotForced(t *testing.T) {
	r := Identify(mustParse(t, "1>2 1.2 V; 2>1 0.3 V; 1>3 0.9 V; 3>1 1.7 V; 2>3 0.2 V; 3>2 1.1 V"), Options{})
	if r.Kind != Other && r.PKind > 0.9 {
		t.Errorf("%s %.3f", r.Kind, r.PKind)
	}
	if r.Kind == Other && (r.Identified() || !strings.Contains(text(r.Findings()), "no known kind")) {
		t.Error("called identified")
	}
}

// A marking limits the candidates: 2F is MMBT2907A (PNP) or BC850B (NPN), notes.md §3.2.
func TestMarkingAndReadings(t *testing.T) {
	var two []parts.Any
	for _, c := range parts.Load().ByMarking("2F", "SOT-23") {
		two = append(two, c.Part)
	}
	r := Identify(mustParse(t, "1>2 0.67 V; 1>3 0.66 V; 2>1 OL; 3>1 OL; 2>3 OL; 3>2 OL; hfe NPN BEC 300"), Options{Marking: two, Package: "SOT-23"})
	if len(r.Candidates) != 1 || r.Candidates[0].Common().Name != "BC850B" {
		t.Errorf("%v", partNames(r.Candidates))
	}
	if s := text(r.Findings()); !strings.Contains(s, "of what the marking stands for agree: BC850B") {
		t.Errorf("%s", s)
	}
}

func partNames(list []parts.Any) (out []string) {
	for _, p := range list {
		out = append(out, p.Common().Name)
	}
	return out
}

func TestParse(t *testing.T) {
	src := "1>2 0.68 V; 2 > 1 OL\n1->3 680 mV;3>1 open\r\n2→3 0.681\n3>2 681\n1+3>2 1.9 V\n1>2 0.02 V after 3>2\n1>2 4.7 kΩ\n1>3 OL Ω\n1>2 1\n1>2 beep\n" +
		"hfe NPN BCE 180\nhfe pnp 1B 2E 3C 210\nhfe B1 C2 E3 = OL\n# a remark\n"
	got := mustParse(t, src)
	want := []string{"1>2 0.68 V", "2>1 OL", "1>3 0.68 V", "3>1 OL", "2>3 0.681 V", "3>2 0.681 V", "1+3>2 1.9 V", "1>2 0.02 V after 3>2", "1>2 4700 Ω", "1>3 OL Ω", "1>2 OL", "1>2 0 V",
		"hfe NPN BCE 180", "hfe PNP BEC 210", "hfe BCE OL"}
	if len(got) != len(want) {
		t.Fatalf("%d readings: %v", len(got), got)
	}
	for i, r := range got {
		if r.String() != want[i] {
			t.Errorf("%d: %q, want %q", i, r, want[i])
		}
		if at := src[r.Range.Start.Byte:r.Range.End.Byte]; strings.TrimSpace(at) != at || at == "" {
			t.Errorf("%d stands at %q", i, at)
		}
	}
}

func TestReadCSV(t *testing.T) {
	for name, src := range map[string]string{
		"commas":     "red,black,shows,after,socket,note\n1,2,0.68 V,,,\n2,1,OL,,,nothing\n1+3,2,\"1.9 V\",,,\n# remark\n1,2,0.02,3>2,,\n,,180,,NPN BCE,\n,,,,,\n",
		"semicolons": "\uFEFFred;black;shows;after;socket\r\n1;2;0.68 V;;\r\n2;1;OL;;\r\n1+3;2;1.9 V;;\r\n1;2;0.02;3>2;\r\n;;180;;NPN BCE\r\n",
	} {
		got, l := ReadCSV("r.csv", []byte(src))
		if len(l) > 0 {
			t.Errorf("%s: %v", name, l)
			continue
		}
		var s []string
		for _, r := range got {
			s = append(s, r.String())
		}
		if strings.Join(s, "; ") != "1>2 0.68 V; 2>1 OL; 1+3>2 1.9 V; 1>2 0.02 V after 3>2; hfe NPN BCE 180" {
			t.Errorf("%s: %v", name, s)
		}
	}
}

func TestReadingProblems(t *testing.T) {
	for _, x := range []struct{ src, code, at string }{
		{"1>2", "value-missing", "1>2"},
		{"1 2 0.68 V", "reading-form", "1 2 0.68 V"},
		{"1>4 0.68 V", "lead-unknown", "4"},
		{"B>2 0.68 V", "lead-unknown", "B"},
		{"1+>2 0.68 V", "lead-unknown", "1+"},
		{"1>1 0.68 V", "lead-twice", "1"},
		{"1>2 68 kV", "value-range", "68 kV"},
		{"1>2 68 mA", "value-wrong", "68 mA"},
		{"1>2 6.8 V", "value-range", "6.8 V"},
		{"1>2 -0.6 V", "value-range", "-0.6 V"},
		{"1>2 47000", "value-range", "47000"},
		{"1>2 7", "value-range", "7"},
		{"1>2 0.7 V after 3", "value-wrong", "0.7 V after 3"},
		{"1>2 0.7 V after 3>5", "lead-unknown", "5"},
		{"hfe NPN 180", "socket-wrong", "hfe NPN 180"},
		{"hfe NPN BBE 180", "socket-wrong", "BBE"},
		{"hfe NPN BCE lots", "value-wrong", "lots"},
		{"hfe", "reading-form", "hfe"},
	} {
		out, l := Parse("typed", "2>1 OL; "+x.src)
		if len(l) != 1 || l[0].Code != x.code || len(out) != 1 {
			t.Errorf("%q: %v %v", x.src, l, out)
			continue
		}
		src := "2>1 OL; " + x.src
		if at := src[l[0].Range.Start.Byte:l[0].Range.End.Byte]; at != x.at {
			t.Errorf("%q: stands at %q, want %q", x.src, at, x.at)
		}
	}
	for _, x := range []struct{ src, code string }{
		{"", "file-empty"}, {"red,black\n1,2\n", "column-missing"}, {"red,black,shows,colour\n1,2,OL,x\n", "column-unknown"},
		{"red,black,shows\n1,,OL\n", "lead-unknown"}, {"red,black,shows\n1,2,\n", "value-missing"}, {"red,black,shows,after\n1,2,OL,3\n", "reading-form"}, {"a\xb5", "file-encoding"},
		{"red,black,shows\n1,2,6 V\n", "value-range"},
	} {
		_, l := ReadCSV("r.csv", []byte(x.src))
		if len(l) != 1 || l[0].Code != x.code {
			t.Errorf("%q: %v", x.src, l)
		}
	}
}

// For any input: ranges lie inside, what is read prints and reads again as itself, and nothing panics.
func checkReadings(t interface{ Errorf(string, ...any) }, src string) {
	inside := func(r diag.Range) {
		if r.Start.Byte < 0 || r.End.Byte < r.Start.Byte || r.End.Byte > len(src) || r.Start.Line < 1 {
			t.Errorf("range %+v lies outside %q", r, src)
		}
	}
	readings, l := Parse("f", src)
	more, l2 := ReadCSV("f", []byte(src))
	for _, p := range append(l, l2...) {
		inside(p.Range)
		if p.Message == "" || strings.HasSuffix(p.Message, ".") || !utf8.ValidString(src) {
			continue
		}
	}
	for _, r := range append(readings, more...) {
		inside(r.Range)
		again, l := Parse("f", r.String())
		if len(l) > 0 || len(again) != 1 || again[0].String() != r.String() {
			t.Errorf("%q reads as %v %v", r.String(), again, l)
		}
	}
}

func FuzzReadings(f *testing.F) {
	seeds := []string{
		"1>2 0.68 V; 2>1 OL\n1+3>2 1.9 V", "1>2 0.02 V after 3>2", "hfe NPN BCE 180; hfe 1B 2C 3E OL", "1>2 4.7 kΩ", "red,black,shows\n1,2,OL\n", "red;black;shows;socket\n;;180;BCE\n",
		"1→2 0,68 V", "\"", "red,shows\n\"1\"\"\",2\n", "1>2>3 1", "hfe =", "\uFEFFshows\n",
	}
	if len(seeds) < 10 {
		f.Fatal("no cases to start from")
	}
	for _, s := range seeds {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, src string) { checkReadings(t, src) })
}

// Readings put together from plausible and broken pieces go deeper than bytes at random.
func TestRandomReadings(t *testing.T) {
	pieces := []string{"1", "2", "3", "4", ">", "->", "→", "+", " ", "0.68 V", "680 mV", "0.68", "OL", "1>2", "after", "3>2", "hfe", "NPN", "pnp", "BCE", "1B", "180", ";", "\n", ",", "\t", "Ω",
		"4.7 kΩ", "red,black,shows", "socket", "\"", "#", "beep", "\u00a0", "µ", "\xff", "0.0000001", "1e9"}
	rapid.Check(t, func(t *rapid.T) {
		var b strings.Builder
		for range rapid.IntRange(0, 14).Draw(t, "n") {
			b.WriteString(rapid.SampledFrom(pieces).Draw(t, "piece"))
		}
		checkReadings(t, b.String())
	})
}

// Whatever is measured, in whatever combination of tests: probabilities are numbers and sum to one, and the findings name
// a verdict.
func TestIdentifyStandsAnything(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	lead := func() string { return []string{"1", "2", "3", "1+2", "1+3", "2+3"}[r.IntN(6)] }
	for range 60 {
		var lines []string
		for range 1 + r.IntN(7) {
			value := []string{"OL", "short", "0.65 V", "0.25 V", "1.9 V", "3.5 V", "10 kΩ", "3 Ω", "OL Ω"}[r.IntN(9)]
			switch r.IntN(5) {
			case 0:
				lines = append(lines, fmt.Sprintf("hfe %s %s %d", []string{"NPN", "PNP", ""}[r.IntN(3)], []string{"BCE", "CBE", "EBC"}[r.IntN(3)], r.IntN(500)))
			case 1:
				lines = append(lines, lead()+">"+lead()+" "+value+" after "+lead()+">"+lead())
			default:
				lines = append(lines, lead()+">"+lead()+" "+value)
			}
		}
		readings, _ := Parse("", strings.Join(lines, "\n")) // leads with both probes are refused
		res := Identify(readings, Options{Package: []string{"", "SOT-23", "TO-92", "shoebox"}[r.IntN(4)]})
		sum := 0.0
		for _, h := range res.Hypotheses {
			sum += h.P
		}
		if !(sum > 0.99 && sum < 1+1e-9) || !(res.PKind > 0) || res.PKind > 1+1e-9 {
			t.Errorf("%v: sum %g, %s %g", readings, sum, res.Kind, res.PKind)
		}
		if f := res.Findings(); f.Worst() == "" || len(f.Values) == 0 || len(f.Cautions) < 3 {
			t.Errorf("%v: %+v", readings, f)
		}
	}
}

func BenchmarkIdentify(b *testing.B) {
	readings, _ := Parse("", "1>2 0.672 V; 2>1 OL; 1>3 0.669 V; 3>1 OL; 2>3 OL; 3>2 OL")
	Identify(readings, Options{})
	b.ReportAllocs()
	for b.Loop() {
		Identify(readings, Options{})
	}
}

func ExampleIdentify() {
	readings, _ := Parse("bench", "1>2 OL; 2>1 OL; 1>3 0.655 V; 3>1 OL; 2>3 0.621 V; 3>2 OL")
	r := Identify(readings, Options{})
	fmt.Println(r.Kind, r.Roles)
	// Output: PNP transistor [E C B]
}
