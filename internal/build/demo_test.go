package build_test

import (
	"math"
	"os"
	"strings"
	"testing"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/diag"
	"fettle/internal/unit"
)

func demo(t testing.TB) *build.Folder {
	t.Helper()
	f, list, err := build.OpenFS(examples.FS, examples.Demo)
	if err != nil {
		t.Fatal(err)
	}
	if len(list) > 0 {
		var b strings.Builder
		_ = list.Print(&b, f.Sources)
		t.Fatalf("the demo has problems:\n%s", b.String())
	}
	return f
}

func show(list diag.List, file string, src []byte) string {
	var b strings.Builder
	_ = list.Print(&b, map[string][]byte{file: src})
	return b.String()
}

func TestDemoLoads(t *testing.T) {
	f := demo(t)
	b := f.Build
	if got, want := len(b.Readings), 8; got != want {
		t.Errorf("%d readings, want %d", got, want)
	}
	for _, u := range b.Unbuilt {
		t.Logf("not built yet: %s (%s)", u.What, u.Range)
	}
	if b.Drawer == nil || len(b.Drawer.Items) < 40 {
		t.Errorf("the demo's drawer is not there")
	}
	if os.Getenv("SHOW") != "" {
		t.Logf("%+v", b)
	}
}

// The demo's readings follow from its invented truth: a plain fixed-point solution of
// I = (V − n·Vt·ln(I/2 mA)/… ) / (hidden + burden), through a meter that reads currents 0.6 % high and voltages
// 0.2 % low, rounded to its digits. Slopes are those of the catalogue's LED classes.
func TestDemoReadings(t *testing.T) {
	const vt = 0.025693 // kT/q at 25 °C
	type truth struct {
		hidden, at2mA, n, rs, parallel float64
	}
	lamps := map[string]truth{
		"front": {1000, 2.75, 2.35, 16.4, 1},
		"rear":  {680, 1.80, 1.9, 4.86, 2},
	}
	sources := []float64{4, 5, 7, 9, 14}
	const burden = 10.0
	b := demo(t).Build
	seen := map[string]int{}
	slipped := 0
	for _, r := range b.Readings {
		lamp := lamps[r.Lamp]
		spec, _ := b.MeterSpec(r.Meter.Text)
		// The voltage shown must be one of the source's, 0.2 % low.
		source := math.NaN()
		for _, v := range sources {
			if math.Abs(math.Round(v*0.998*100)/100-float64(r.Track.Value)) < 1e-9 {
				source = v
			}
		}
		if math.IsNaN(source) {
			t.Errorf("%s: %s is no voltage of the script", r.ID, r.Track.Text)
			continue
		}
		if r.Reversed {
			if r.Current.Value != 0 {
				t.Errorf("%s: %s flows the wrong way through an LED", r.ID, r.Current.Text)
			}
			seen["reversed"]++
			continue
		}
		i := 1e-3
		for k := 0; k < 100; k++ {
			each := i / lamp.parallel
			vf := lamp.at2mA + lamp.n*vt*math.Log(each/2e-3) + lamp.rs*(each-2e-3)
			i = (source - vf) / (lamp.hidden + burden)
		}
		want := math.Round(i*1.006/1e-5) * 1e-5
		got := float64(r.Current.Value)
		g, ok := spec.Range("dc current", want)
		if !ok || g.Burden != unit.Ohm(burden) {
			t.Fatalf("the yellow meter has no range for %v A with %v Ω", want, burden)
		}
		if low, high := g.Interval(want); i < low || i > high {
			t.Errorf("%s: the meter keeps its leaflet only between %v and %v, the truth is %v", r.ID, low, high, i)
		}
		switch {
		case math.Abs(got-want) < 1e-9:
		case math.Abs(got*10-want) < 5e-5: // a decimal sign that slipped one place
			slipped++
		default:
			t.Errorf("%s: the file says %s, the script %.2f mA", r.ID, r.Current.Text, want*1e3)
		}
		seen[r.Lamp]++
	}
	if seen["front"] != 3 || seen["rear"] != 4 || seen["reversed"] != 1 || slipped != 1 {
		t.Errorf("readings %v with %d slipped; want 3 front, 4 rear, 1 reversed and 1 slipped", seen, slipped)
	}
}
