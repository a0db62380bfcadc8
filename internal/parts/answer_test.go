package parts

import (
	"strings"
	"testing"

	"fettle/internal/finding"
)

func said(f finding.Findings) string {
	var b strings.Builder
	for _, v := range f.Values {
		b.WriteString(v.Name + " " + v.Unit + " " + v.Sure + "\n")
	}
	for _, t := range f.Tables {
		b.WriteString(t.Title + "\n")
		for _, r := range t.Rows {
			for _, c := range r {
				b.WriteString(c.Text + " | ")
			}
			b.WriteString("\n")
		}
	}
	for _, n := range f.Notes {
		b.WriteString(n.Kind + ": " + n.Text + "\n")
	}
	for _, c := range f.Cautions {
		b.WriteString("caution: " + c.Text + "\n")
	}
	return b.String()
}

func TestAnswer(t *testing.T) {
	d, _ := ReadDrawer("drawer.csv", []byte("part,value,package,count,hfe,hfe_at\nMMBT3904,,,12,180,10 mA\n,1k,0805,1,,\n,120,0805,5,,\n,120 Ω,0805,5,,\n,560 Ω,0805,1,,\n"), nil)
	for _, x := range []struct {
		query, pkg string
		found      bool
		want       []string
	}{
		{"1AM", "", true, []string{"MMBT3904 | NPN | SOT-23 seen from above, single lead up: lower left B, lower right E, single lead C | onsemi, BL Galaxy | the code itself | read |",
			"drawer: MMBT3904: 12 in the drawer; measured hFE 180 at 10 mA", "caution: a marking is a hint, never proof"}},
		{"2F", "sot23", true, []string{"apart: red on lower left, black on lower right: BC850B: about 0.66 V; MMBT2907A: open"}},
		{"1A", "", true, []string{"apart: the diode test does not tell MMBT3904 from BC846A: compare hFE"}},
		{"bc847b", "", true, []string{"VCEO V read", "BC847B: hFE", "BC847B: VCE(sat)", "pinout: SOT-23", "printed on it: 1F; 47B (MCC)", "source: onsemi BC846ALT1/D"}},
		{"78L05", "SOT-89", true, []string{"bipolar 3-terminal regulator, SOT-89", "dropout, typical"}},
		{"ATtiny85", "", true, []string{"8 | VCC |", "each pin, absolute limit A read"}},
		{"103", "", true, []string{"3 digits | 10 kΩ ±5 % (usual for the form) | 10 and 3 zeros |", "10 kΩ is printed 103, 1002, 01C, 10K, brown black orange gold, brown black black red brown", "belongs to E3"}},
		{"yellow violet orange gold", "", true, []string{"colour bands | 47 kΩ ±5 %"}},
		{"1120 Ω", "", true, []string{"1.12 kΩ is in no E series", "from the drawer", "1 kΩ |"}}, // 120 Ω + 1 kΩ
		{"warm white", "", true, []string{"warm white LED", "VF, typical V from memory"}},
		{"MBT3904", "", false, []string{"did you mean MMBT3904?"}},
		{"§", "", false, []string{"nothing in the catalogue"}},
		{"", "", false, []string{"nothing"}},
	} {
		f, ok := Answer(x.query, x.pkg, Load(), d)
		s := said(f)
		if ok != x.found || f.Question != "part" {
			t.Errorf("%q: found %v", x.query, ok)
		}
		for _, w := range x.want {
			if !strings.Contains(s, w) {
				t.Errorf("%q does not say %q:\n%s", x.query, w, s)
			}
		}
	}
}

func TestAnswerForEveryPart(t *testing.T) {
	n := 0
	for _, p := range Load().All() {
		f, ok := Answer(p.Common().Name, "", Load(), nil)
		ids := map[string]bool{}
		for _, v := range f.Values {
			if ids[v.ID] {
				t.Errorf("%s: %s stands twice", p.Common().Name, v.ID)
			}
			ids[v.ID] = true
		}
		if !ok || len(f.Values) == 0 || len(f.Notes) == 0 {
			t.Errorf("%s: nothing said", p.Common().Name)
		}
		n++
	}
	if n != 88+16+82+42+31+3 {
		t.Errorf("%d parts", n)
	}
}
