package work_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/unit"
	"fettle/internal/work"
)

// lampText is an invented lamp whose readings were worked by hand: (U − 2.75 V) / R for a white LED, (U − 1.8 V) / R for a
// red one, rounded to 10 µA.
func lampText(name, colour string, vf, hidden float64) string {
	var s strings.Builder
	fmt.Fprintf(&s, "  lamp %q {\n    feed = \"left rail\"\n    leds = %q\n    end = \"front\"\n    good = \"0.8 mA\"\n    seen = \"0.2 mA\"\n    never_above = \"12 mA\"\n", name, colour)
	for _, u := range []float64{5, 9, 14} {
		fmt.Fprintf(&s, "    reading {\n      track = \"%g V\"\n      current = \"%.2f mA\"\n    }\n", u, (u-vf)/hidden*1000)
	}
	s.WriteString("  }\n")
	return s.String()
}

func decoderText(name, vehicle string, lamps ...string) string {
	var s strings.Builder
	fmt.Fprintf(&s, "decoder %q {\n", name)
	if vehicle != "" {
		fmt.Fprintf(&s, "  vehicle = %q\n", vehicle)
	}
	s.WriteString("  supply {\n    rectifier = \"MB6S\"\n    regulator = \"78L05A (TO-92)\"\n  }\n  chip {\n    part = \"ATtiny85\"\n  }\n")
	for k, l := range lamps {
		fmt.Fprintf(&s, "  output %q {\n    lamp = %q\n    from = \"PB%d\"\n    switch = \"MMBT3904\"\n  }\n", l, l, k)
	}
	s.WriteString("}\n")
	return s.String()
}

func functionText(decoder, direction, output string) string {
	return fmt.Sprintf("function \"F0\" {\n  decoder = %q\n  direction = %q\n  output = %q\n}\n", decoder, direction, output)
}

// Two vehicles with a decoder each, and one vehicle with two decoders: loaded, surveyed, chosen and proven, every answer
// under an identifier of its own.
func TestSeveralVehiclesAndDecoders(t *testing.T) {
	for _, x := range []struct {
		name, src string
		hidden    map[string]unit.Ohm // what survey must find, within 10 %
		circuits  int
		verdicts  []string // that must hold
	}{
		{"two vehicles", "format = 1\nvehicle \"ferry car\" {\n" + lampText("front", "white", 2.75, 1000) + "}\nvehicle \"mail van\" {\n" + lampText("front", "white", 2.75, 3300) + lampText("tail", "red", 1.8, 2200) + "}\n" +
			decoderText("a", "ferry car", "front") + decoderText("b", "mail van", "tail") + functionText("a", "forward", "front") + functionText("b", "reverse", "tail") +
			"train {\n  vehicle \"ferry car\" {\n  }\n  vehicle \"mail van\" {\n    turned = true\n  }\n  want {\n    direction = \"forward\"\n    function = \"F0\"\n    lit = [\"ferry car / front\", \"tail\"]\n  }\n  want {\n    direction = \"reverse\"\n    function = \"F0\"\n    lit = \"nothing\"\n  }\n}\n",
			map[string]unit.Ohm{"front": 1000, "mail van/front": 3300, "tail": 2200}, 2,
			[]string{"output.front.good", "output.tail.good", "train.address", "train.forward.F0", "train.reverse.F0"}},
		{"two decoders", "format = 1\nvehicle \"ferry car\" {\n" + lampText("front", "white", 2.75, 1000) + lampText("tail", "red", 1.8, 2200) + "}\n" +
			decoderText("a", "", "front") + decoderText("b", "", "tail") + functionText("a", "forward", "front") + functionText("b", "reverse", "tail"),
			map[string]unit.Ohm{"front": 1000, "tail": 2200}, 2,
			[]string{"output.front.good", "output.tail.good", "train.address"}},
	} {
		t.Run(x.name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "t.fettle")
			if err := os.WriteFile(file, []byte(x.src), 0o644); err != nil {
				t.Fatal(err)
			}
			f, list, err := build.Open(file)
			if err != nil || list.HasErrors() {
				t.Fatal(err, list)
			}
			r := &work.Runner{Samples: 200}
			s, err := r.Survey(context.Background(), f)
			if err != nil {
				t.Fatal(err)
			}
			if len(s.Lamps) != len(x.hidden) {
				t.Errorf("%d lamps, want %d", len(s.Lamps), len(x.hidden))
			}
			for name, want := range x.hidden {
				if p := s.Lamps[name]; p == nil || p.Best.Hidden < 0.9*want || p.Best.Hidden > 1.1*want {
					t.Errorf("lamp %s: %+v, want %s", name, p, want)
				}
			}
			p, err := r.Prove(context.Background(), f, false)
			if err != nil {
				t.Fatal(err)
			}
			for _, d := range p.Build.Decoders {
				for _, o := range d.Outputs {
					if !o.Series.Known() || !o.Base.Known() || !o.Pulldown.Known() {
						t.Errorf("output %s of decoder %s is left open", o.Name.Text, d.Name.Text)
					}
				}
			}
			if len(p.Circuits) != x.circuits {
				t.Errorf("%d circuits, want %d", len(p.Circuits), x.circuits)
			}
			seen := map[string]bool{}
			verdicts := map[string]finding.Judgement{}
			for _, j := range p.Findings.Verdicts {
				if seen[j.ID] {
					t.Errorf("two verdicts %s", j.ID)
				}
				seen[j.ID] = true
				verdicts[j.ID] = j
			}
			seen = map[string]bool{}
			for _, v := range p.Findings.Values {
				if seen[v.ID] {
					t.Errorf("two values %s", v.ID)
				}
				seen[v.ID] = true
			}
			for _, id := range x.verdicts {
				if j := verdicts[id]; j.Verdict != finding.Holds {
					t.Errorf("%s: %q (%s)", id, j.Verdict, j.Why)
				}
			}
			if j := verdicts["train.forward.F0"]; j.ID != "" && !strings.Contains(j.Confidence, "proof of every output") {
				t.Errorf("the train was not judged by the proof: %s", j.Confidence)
			}
		})
	}
}
