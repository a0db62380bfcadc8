package parts

import (
	"fmt"
	"strings"
	"testing"
)

func candidateNames(cs []Candidate) string {
	var out []string
	for _, c := range cs {
		out = append(out, c.Part.Common().Name)
	}
	return strings.Join(out, " ")
}

// Collisions as the marking index of the catalogue states them (notes to the tables, section 3.2).
func TestByMarking(t *testing.T) {
	for _, x := range []struct{ code, pkg, want string }{
		{"1AM", "", "MMBT3904"},
		{"1am", "", "MMBT3904"},
		{"1A", "", "MMBT3904 BC846A"},
		{"2F", "", "BC850B MMBT2907A"},
		{"7B", "", "MMBT3906 BC807-25"},
		{"A1", "", "SI2301 (generic) BAW56"}, // read before remembered
		{"K1G", "", "MMBTA05 MMBTA06"},
		{"Y1", "", "BZX84-C11 SS8050"},
		{"W9", "", "BZX84-C4V3 BZT52C5V6"},
		{"W9", "SOD-123", "BZT52C5V6 BZX84-C4V3"}, // the package asked for stands first
		{"SL", "", "1N5819HW B5819W"},
		{"5Bp", "", "BC807-25"},  // a plant letter behind
		{"t5B", "", "BC807-25"},  // and before
		{"1AM3", "", "MMBT3904"}, // a date behind; 1A and "M3" would explain less
		{"K1", "", "MMBT3904 MMBT2222A MMBTA05 MMBTA06"},
		{"24", "sot23", "DTC114E"},
		{"", "", ""},
		{"§", "", ""},
		{"zz9", "", ""},
	} {
		got := candidateNames(Load().ByMarking(x.code, x.pkg))
		if x.code == "K1" { // only the beginning: all that begin so, in any order
			if n := len(strings.Fields(got)); n < 4 || !strings.Contains(got, "MMBT3904") {
				t.Errorf("K1: %s", got)
			}
			continue
		}
		if got != x.want {
			t.Errorf("%s %s: %s, want %s", x.code, x.pkg, got, x.want)
		}
	}
	c := Load().ByMarking("1AM", "")[0]
	if c.Pinout != "SOT-23 seen from above, single lead up: lower left B, lower right E, single lead C" || c.Memory || c.How != "the code itself" || !strings.Contains(c.Maker, "onsemi") {
		t.Errorf("%+v", c)
	}
}

// Every code of the index finds its part.
func TestEveryMarkingFindsItsPart(t *testing.T) {
	n := 0
	for part, ms := range markings() {
		for _, m := range ms {
			n++
			found := false
			for _, c := range Load().ByMarking(m.Code, "") {
				found = found || c.Part.Common().Name == part && c.rank == rankExact
			}
			if !found {
				t.Errorf("%s does not find %s", m.Code, part)
			}
		}
	}
	if n == 0 {
		t.Error("no markings")
	}
}

// Pin orders by position, as the notes to the tables give them (section 3.3).
func TestPinout(t *testing.T) {
	for name, want := range map[string]string{
		"2N3904":          "TO-92 flat face to you, leads down: left E, middle B, right C",
		"BC547B":          "TO-92 flat face to you, leads down: left C, middle B, right E",
		"2SC1815 (TO-92)": "TO-92 flat face to you, leads down: left E, middle C, right B",
		"2N7002":          "SOT-23 seen from above, single lead up: lower left G, lower right S, single lead D",
		"BAT54":           "SOT-23 seen from above, single lead up: lower left A, lower right n.c., single lead K",
		"78L05A (TO-92)":  "TO-92 flat face to you, leads down: left OUT, middle GND, right IN",
		"1N4148W":         "SOD-123: the ring or band marks K",
		"MB6S":            "MBS (TO-269AA): lead 1 +, lead 2 -, lead 3 ~, lead 4 ~",
	} {
		p, ok := Load().Find(name)
		if !ok || Pinout(p.Common()) != want {
			t.Errorf("%s: %q, want %q", name, Pinout(p.Common()), want)
		}
	}
}

// Which pairs of leads conduct follows from the junctions: worked out by hand for one part of each kind.
func TestDiodeTest(t *testing.T) {
	for name, want := range map[string]string{
		"MMBT3904":  "0>1 0.66, 0>2 0.64", // from the base, outwards
		"MMBT3906":  "1>0 0.66, 2>0 0.64", // to the base
		"2N7002":    "1>2 0.55",           // body diode, source to drain
		"BSS84":     "2>1 0.55",           // drain to source
		"BAV99":     "0>1 1.20, 0>2 0.60, 2>1 0.60",
		"BAT54C":    "0>2 0.22, 1>2 0.22",
		"1N4148":    "0>1 0.60",
		"BZX84-C12": "0>2 0.70",
		"MB6S":      "1>0 1.20, 1>2 0.60, 1>3 0.60, 2>0 0.60, 3>0 0.60",
		"DTC114E":   "", // 10 kΩ + 10 kΩ at 1 mA: over range everywhere
		// 1 kΩ/1 kΩ: B→E the junction behind R1 (1.66 V) and not the 2 V of R1 + R2, E→B exactly 2 V; B→C behind
		// R1; E→C through R2 and the base-collector junction, 1 + 0.64 V; nothing from C.
		"MMUN2230": "0>1 1.66, 0>2 1.64, 1>0 2.00, 1>2 1.64",
		"78L05":    "",
	} {
		p, ok := Load().Find(name)
		if !ok {
			t.Errorf("no %s", name)
			continue
		}
		var got []string
		for _, c := range DiodeTest(p) {
			got = append(got, fmt.Sprintf("%d>%d %.2f", c.Red, c.Black, float64(c.V)))
		}
		if s := strings.Join(got, ", "); s != want {
			t.Errorf("%s: %s, want %s", name, s, want)
		}
	}
}

func TestTellApart(t *testing.T) {
	s := TellApart(Load().ByMarking("2F", ""))
	if len(s.Steps) != 1 || len(s.Alike) != 0 || s.Steps[0].String() != "red on lower left, black on lower right: BC850B: about 0.66 V; MMBT2907A: open" {
		t.Errorf("2F: %+v", s)
	}
	s = TellApart(Load().ByMarking("1A", ""))
	if len(s.Steps) != 0 || len(s.Alike) != 1 || !strings.Contains(s.Hints[0], "VCEO 40 V, IC 100 mA") || !strings.Contains(s.Hints[0], "compare hFE") {
		t.Errorf("1A: %+v", s)
	}
	s = TellApart(Load().ByMarking("K1G", ""))
	if len(s.Alike) != 1 || strings.Contains(s.Hints[0], "hFE") || !strings.Contains(s.Hints[0], "VCEO 60 V") {
		t.Errorf("K1G: %+v", s)
	}
	s = TellApart(Load().ByMarking("W9", ""))
	if len(s.Packages) != 2 || len(s.Steps) != 0 {
		t.Errorf("W9: %+v", s)
	}
	s = TellApart(Load().ByMarking("T4", ""))
	if len(s.Alike) != 1 || !strings.Contains(s.Hints[0], "SOD-123, SOD-323") {
		t.Errorf("T4: %+v", s)
	}
	// The look-alikes of a mixed bag: NPN, PNP, pre-biased, N- and P-channel, double diode, zener, Schottky.
	var bag []Candidate
	for _, n := range []string{"MMBT3904", "MMBT3906", "MMUN2211", "2N7002", "BSS84", "BAV99", "BZX84-C12", "BAT54"} {
		p, ok := Load().Find(n)
		if !ok {
			t.Fatal(n)
		}
		bag = append(bag, Candidate{Part: p})
	}
	s = TellApart(bag)
	if len(s.Alike) != 0 || len(s.Steps) < 3 {
		t.Errorf("the bag is not sorted: %+v", s)
	}
	// Walked through, every part ends alone: in each step its reading is where DiodeTest has it.
	for _, step := range s.Steps {
		if len(step.Shows) < 2 || step.Red == step.Black {
			t.Errorf("a step that tells nothing: %v", step)
		}
	}
	if TellApart(nil).Steps != nil || TellApart(bag[:1]).Steps != nil {
		t.Error("nothing to tell apart")
	}
}

func TestTestWords(t *testing.T) {
	for name, want := range map[string]string{
		"MMBT3904":   "red on lower left, black on lower right: about 0.66 V",
		"DTC114E":    "about 20 kΩ between B and E",
		"2N7002":     "short the three leads first",
		"BZX84-C5V1": "holds 4.8 V to 5.4 V at 5 mA",
	} {
		p, _ := Load().Find(name)
		if got := TestWords(p); !strings.Contains(got, want) || !strings.HasSuffix(got, "every other pair open") {
			t.Errorf("%s: %q", name, got)
		}
	}
	p, _ := Load().Find("78L05")
	if got := TestWords(p); got != "" {
		t.Errorf("a regulator gives no simple answer: %q", got)
	}
}

// Whatever is asked, the answer is ranked, stable and never empty of words.
func FuzzByMarking(f *testing.F) {
	seeds := []string{"1AM", "1A", "2Fp", "t5B", "W9", "K", "662K", "s1P", "\xff", "A8A", "78L05", " 1A "}
	if len(seeds) == 0 {
		f.Fatal("no cases to start from")
	}
	for _, s := range seeds {
		f.Add(s, "SOT-23")
	}
	f.Fuzz(func(t *testing.T, code, pkg string) {
		got := Load().ByMarking(code, pkg)
		for i, c := range got {
			if c.How == "" || c.Code == "" || c.Pinout == "" {
				t.Fatalf("%q: %+v", code, c)
			}
			if i > 0 && c.rank < got[i-1].rank {
				t.Fatalf("%q: %v stands behind %v", code, c, got[i-1])
			}
			for _, r := range c.Test {
				if !(r.V > 0 && r.V <= testRange) || r.Red == r.Black {
					t.Fatalf("%q: %+v", code, r)
				}
			}
			if pkg == "" && !c.Fits {
				t.Fatalf("%q does not fit any package", c.Part.Common().Name)
			}
		}
		if again := Load().ByMarking(code, pkg); candidateNames(again) != candidateNames(got) {
			t.Fatalf("%q: %s, then %s", code, candidateNames(got), candidateNames(again))
		}
		s := TellApart(got)
		if len(s.Alike) != len(s.Hints) {
			t.Fatalf("%q: %d groups, %d hints", code, len(s.Alike), len(s.Hints))
		}
	})
}
