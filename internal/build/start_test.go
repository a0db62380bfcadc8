package build_test

import (
	"strings"
	"testing"

	"fettle/internal/build"
	"fettle/internal/parts"
)

func load(t *testing.T, files []build.NewFile) *build.Build {
	t.Helper()
	if len(files) != 3 || files[1].Name != build.ReadingsName || files[2].Name != build.DrawerName {
		t.Fatalf("%d files", len(files))
	}
	drawer, list := parts.ReadDrawer(files[2].Name, files[2].Data, parts.Load())
	if len(list) > 0 {
		t.Fatal(list)
	}
	b, list := build.Load(files[0].Name, files[0].Data, build.Beside{ReadingsFile: files[1].Name, Readings: files[1].Data, Drawer: drawer})
	if len(list) > 0 {
		t.Fatal(show(list, files[0].Name, files[0].Data))
	}
	return b
}

func TestNewWithoutAnswers(t *testing.T) {
	files, list := build.New(nil, "")
	if len(list) > 0 {
		t.Fatal(list)
	}
	b := load(t, files)
	if len(b.Vehicles) != 1 || len(b.Vehicles[0].Lamps) != 2 || len(b.Decoders) != 1 || len(b.Readings) != 0 {
		t.Errorf("%+v", b)
	}
	if files[0].Name != "my-vehicle.fettle" {
		t.Errorf("file %s", files[0].Name)
	}
}

func TestNewWithEverythingOpen(t *testing.T) {
	answers := map[string]string{}
	for {
		asked := false
		for _, q := range build.Questions(answers) {
			if _, ok := answers[q.Key]; !ok {
				answers[q.Key], asked = "?", true
				break
			}
		}
		if !asked {
			break
		}
	}
	files, list := build.New(answers, "")
	if len(list) == 0 {
		load(t, files)
		return
	}
	t.Fatal(list)
}

func TestNewAnswered(t *testing.T) {
	given := map[string]string{
		"vehicle": "coal wagon no. 7", "room": "40 x 12 × 8 mm", "lamps": "front, rear, cab",
		"lamp 1 reading 1": "6.0 V 3.10 mA", "lamp 1 reading 2": "12 V, 8.9 mA", "lamp 2 feed": "right rail",
		"lamp 3 pin": "?", "low": "9 V", "address": "47", "switch": "choose",
	}
	answers := map[string]string{}
	var keys []string
	for i := 0; ; i++ {
		qs := build.Questions(answers)
		if i >= len(qs) {
			break
		}
		q := qs[i]
		if why := q.Check(given[q.Key]); why != "" {
			t.Fatalf("%s: %s", q.Key, why)
		}
		answers[q.Key] = given[q.Key]
		keys = append(keys, q.Key)
	}
	if got := strings.Join(keys, "; "); !strings.Contains(got, "lamp 1 reading 3") || strings.Contains(got, "lamp 1 reading 4") {
		t.Errorf("asked %s", got)
	}
	files, list := build.New(answers, "2026-02-28")
	if len(list) > 0 {
		t.Fatal(list)
	}
	b := load(t, files)
	if len(b.Readings) != 2 || b.Readings[0].Current.Text != "3.10 mA" || b.Readings[1].Date != "2026-02-28" || b.Readings[0].Lamp != "front" {
		t.Errorf("readings %+v", b.Readings)
	}
	v := b.Vehicles[0]
	if v.Cavity.Width.Value != 12000 || v.Lamps[0].Pin.Value != 5 || v.Lamps[1].Pin.Value != 6 || v.Lamps[1].Feed.Text != build.RightRail || v.Lamps[2].Pin.IsSet() {
		t.Errorf("vehicle %+v", v)
	}
	if b.Decoders[0].Answer.Address.Value != 47 || b.Track.Low.Value != 9 || !b.Decoders[0].Outputs[0].Switch.Choose {
		t.Errorf("decoder %+v", b.Decoders[0])
	}
}

func TestAnswersAreChecked(t *testing.T) {
	for key, bad := range map[string]string{
		"scale": "NN", "socket": "NEM 999", "room": "big", "lamps": "a, a", "lamp 1 good": "2 V", "lamp 1 pin": "9",
		"lamp 1 reading 1": "6 V", "low": "9 kV", "rectifier": "MMBT3904", "switch": "MMBT3906", "address": "0", "vehicle": "a\nb",
	} {
		found := false
		for _, q := range build.Questions(map[string]string{}) {
			if q.Key == key {
				found = true
				if q.Check(bad) == "" {
					t.Errorf("%s: %q passes", key, bad)
				}
				if why := q.Check(q.Default); why != "" {
					t.Errorf("%s: its own default is refused: %s", key, why)
				}
			}
		}
		if !found {
			t.Errorf("%s is not asked", key)
		}
		if files, list := build.New(map[string]string{key: bad}, ""); files != nil || len(list) == 0 {
			t.Errorf("%s = %q: files in spite of a bad answer", key, bad)
		}
	}
}
