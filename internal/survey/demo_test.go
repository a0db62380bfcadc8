package survey

import (
	"context"
	"strings"
	"testing"

	"fettle/internal/build"
	"fettle/internal/finding"
)

func demo(t testing.TB) *build.Build {
	t.Helper()
	f, problems, err := build.Open("../../examples/harbour-railcar")
	if err != nil || f == nil || f.Build == nil {
		t.Fatalf("%v %v", err, problems)
	}
	return f.Build
}

// The truth behind the demo is written in its file: white lamp 1 kΩ, 2.75 V at 2 mA; red lamp 680 Ω, two LEDs side
// by side of 1.80 V at 2 mA each; a meter that reads 0.6 % high; reading "rear 2" slipped by a decimal.
func TestDemo(t *testing.T) {
	res, err := Survey(context.Background(), demo(t), Settings{})
	if err != nil {
		t.Fatal(err)
	}
	values := map[string]finding.Value{}
	for _, v := range res.Findings.Values {
		values[v.ID] = v
	}
	for _, w := range []struct {
		id    string
		truth float64
	}{{"lamp.front.hidden", 1000}, {"lamp.front.led", 2.75}, {"lamp.rear.hidden", 680}} {
		v, ok := values[w.id]
		if !ok || !(v.Low <= w.truth && w.truth <= v.High) || v.Unit == "" || v.Reason == "" || v.Method == "" || v.Sure != "95 %" {
			t.Errorf("%s: want %v inside %+v", w.id, w.truth, v)
		}
	}
	for _, tab := range res.Findings.Tables {
		want := map[string]float64{"lamp.front.preferred": 1000, "lamp.rear.preferred": 680}[tab.ID]
		if want > 0 && tab.Rows[0][0].Number != want {
			t.Errorf("%s: first is %v", tab.ID, tab.Rows[0][0].Number)
		}
	}
	if w := res.Findings.Worst(); w != finding.Holds {
		t.Errorf("worst verdict %s", w)
	}
	found := false
	for _, n := range res.Findings.Notes {
		if n.Kind == "reading" && strings.Contains(n.Text, "rear 2") {
			found = strings.Contains(n.Text, "decimal point") && strings.Contains(n.Text, "left out")
		}
	}
	if !found {
		t.Errorf("the slip of rear 2 is not named: %+v", res.Findings.Notes)
	}
	for name, p := range res.Lamps {
		if len(p.Samples) != 512 || p.Dead || !p.Surveyed || p.Class == "" || !(p.IFmax > 0) || !(p.VRmax > 0) || p.Ratings == "" {
			t.Errorf("%s: %d samples, %+v", name, len(p.Samples), p.Class)
		}
	}
}

func BenchmarkSurveyDemo(b *testing.B) {
	bd := demo(b)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Survey(context.Background(), bd, Settings{}); err != nil {
			b.Fatal(err)
		}
	}
}
