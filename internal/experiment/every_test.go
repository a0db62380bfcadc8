package experiment

import (
	"math"
	"strings"
	"testing"

	"fettle/internal/build"
	"fettle/internal/unit"
)

// set up with a described meter and one lamp, as every card can be.
func full(t testing.TB) Bench {
	t.Helper()
	b := lampBench(t)
	b.Build.Meters = described().Build.Meters
	b.Meter, b.Subject = "yellow", ""
	return b
}

// What every card must be: found by its name, with steps, a caution, a figure and a table that are numbers throughout, without
// readings; what it asks for can be answered; what it writes are cells that a drawer has and attributes that the build file has.
func TestEveryCard(t *testing.T) {
	answers := map[string][]string{
		"base-drive": {"supply = 5.02 V", "collector = 998 Ω", "150k = 0.77 V", "220k = 2.14 V", "330k = 3.10 V"},
		"led-drop":   {"supply = 5.02 V", "3.3k = 1.79 V", "1k = 1.86 V", "330 Ω = 1.95 V"},
		"leak":       {"supply = 5.02 V", "over 47k = 2.9 V", "through 1M = 2.49 V"},
		"brightness": {"100k = 60 µA dark", "22k = 0.27 mA seen", "4.7k = 1.1 mA good", "2.2k = 1.9 mA good", "560 Ω = 3.9 mA bright"},
		"meter-gain": {"10 V 0.1 % = 10.03 V", "1k 0.1 % = 1003.1 Ω"},
	}
	for _, k := range Kinds() {
		if got, _, ok := Find(strings.ToUpper(k.Name)); !ok || got.Name != k.Name {
			t.Errorf("%s is not found", k.Name)
		}
		if _, near, ok := Find(k.Name + "s"); ok || near != k.Name {
			t.Errorf("%ss: did you mean %q", k.Name, near)
		}
		c, err := k.Set(full(t))
		if err != nil {
			t.Fatal(k.Name, err)
		}
		for _, term := range c.Terms() {
			for _, left := range term.Ask {
				right := unit.Format(math.Sqrt(math.Max(term.Low, term.High/1e3)*term.High), term.Dim.Symbol, 3)
				if term.Looks != nil {
					right += " " + term.Looks[0]
				}
				if rs, list := Parse("x", left+" = "+right, k.Example, c.Terms()); len(rs) != 1 || list.HasErrors() {
					t.Errorf("%s asks for %q and does not take %q: %v", k.Name, left, right, list)
				}
			}
		}
		if rs, list := Parse("x", k.Example, k.Example, c.Terms()); len(rs) != 1 || list.HasErrors() {
			t.Errorf("%s does not take its own example: %v", k.Name, list)
		}
		for _, text := range []string{"", strings.Join(answers[k.Name], "\n")} {
			rs, list := Parse("x", text, k.Example, c.Terms())
			if list.HasErrors() {
				t.Fatal(k.Name, list)
			}
			f, learned, err := c.Findings(rs)
			if err != nil {
				t.Fatal(k.Name, err)
			}
			if len(f.Cautions) == 0 || len(f.Figures) == 0 || len(f.Tables) == 0 || len(f.Notes) < 2 || !strings.HasPrefix(f.Notes[0].Kind, "step") {
				t.Errorf("%s: %d cautions, %d figures, %d tables, %d notes", k.Name, len(f.Cautions), len(f.Figures), len(f.Tables), len(f.Notes))
			}
			for _, fig := range f.Figures {
				for _, s := range fig.Shades {
					for i := range s.X {
						y := fig.Curves[s.Curve].Y[i]
						if !(s.Low[i] <= y && y <= s.High[i]) {
							t.Errorf("%s, %s at %g: %g outside %g to %g", k.Name, s.Label, s.X[i], y, s.Low[i], s.High[i])
						}
					}
				}
				if (text != "") != (len(fig.Points) > 0) {
					t.Errorf("%s: %d rows of points in %s for %q", k.Name, len(fig.Points), fig.ID, text)
				}
			}
			if text == "" {
				if learned.Words != "" || len(f.Values) > 0 {
					t.Errorf("%s learned %q of nothing", k.Name, learned.Words)
				}
				continue
			}
			for _, v := range f.Values {
				if !(v.Low <= v.Value && v.Value <= v.High) || v.Sure == "" || v.Method == "" || strings.Contains(v.ID, unit.ThinSpace) {
					t.Errorf("%s: %+v", k.Name, v)
				}
			}
			if len(f.Values) == 0 || learned.Words == "" || len(learned.Cells)+len(learned.Edits) == 0 {
				t.Errorf("%s learned nothing", k.Name)
			}
			for _, e := range learned.Edits {
				if strings.Contains(e.Value, unit.ThinSpace) || !hasAttr(e) {
					t.Errorf("%s: %+v", k.Name, e)
				}
			}
		}
	}
}

func hasAttr(e build.Edit) bool {
	b := build.Schema()
	for _, name := range e.Path {
		for _, sub := range b.Blocks {
			if sub.Name == name {
				b = sub
				break
			}
		}
	}
	for _, a := range b.Attrs {
		if a.Name == e.Attr {
			return true
		}
	}
	return false
}

// What is read is within the limits of a term and reads the same again; what is not is complained of inside the text.
func FuzzParse(f *testing.F) {
	var all [][]Term
	for _, k := range Kinds() {
		c, err := k.Set(full(f))
		if err != nil {
			f.Fatal(err)
		}
		all = append(all, c.Terms())
		f.Add(k.Example)
	}
	for _, s := range []string{"10k = 0.182 V\nsupply = 5 V", "1k ±0.1 % = 1.004 kΩ", "over 47 = 2 V", "= =", "10k = 0.5 mA too bright", "2.5 V = 2.5 V", "1k 0.1 %% = 1 V", "through = \n\x00", "alone=12mV"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for _, terms := range all {
			rs, list := Parse("x", text, "10k = 1 V", terms)
			for _, p := range list {
				if a, b := p.Range.Start.Byte, p.Range.End.Byte; a < 0 || b < a || b > len(text) {
					t.Errorf("%q: %d to %d", text, a, b)
				}
			}
			for _, r := range rs {
				if math.IsNaN(r.Value) || r.Value < 0 || math.IsInf(r.Value, 0) {
					t.Errorf("%q: %+v", text, r)
				}
				again, list := Parse("x", r.Text, "", terms)
				if len(again) != 1 || list.HasErrors() || again[0].At != r.At || again[0].Value != r.Value || again[0].Look != r.Look {
					t.Errorf("%q reads %+v, then %+v", text, r, again)
				}
			}
		}
	})
}
