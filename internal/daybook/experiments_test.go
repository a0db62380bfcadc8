package daybook_test

import (
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fettle/internal/build"
	"fettle/internal/daybook"
	"fettle/internal/experiment"
)

// Every card is shown; with readings it says what they tell; kept readings go into the log, and what they teach into the drawer.
func TestExperiments(t *testing.T) {
	dir := folder(t)
	server, b := serve(t, dir, daybook.Settings{})
	for _, k := range experiment.Kinds() {
		resp, page := ask(t, "GET", server.URL+bookPath+"experiments?card="+k.Name, nil, nil)
		if resp.StatusCode != http.StatusOK || !strings.Contains(page, k.Example) {
			t.Errorf("%s: %d", k.Name, resp.StatusCode)
		}
	}
	// A transistor of gain 200 or so, read on a ladder: worked by hand, IC = β(5 V − 0.65 V)/RB, V = 5 V − 1 kΩ·IC.
	fields := url.Values{"card": {"base-drive"}, "of": {"MMBT3904"}, "r:supply": {"5.02 V"}, "r:330k": {"2.38 V"}, "readings": {"470k = 3.16 V\n680k = 3.74 V"}}
	resp, page := ask(t, "GET", server.URL+bookPath+"experiments?"+fields.Encode(), nil, nil)
	if resp.StatusCode != http.StatusOK || !strings.Contains(page, "write what they teach") || !strings.Contains(page, "Read over what was to be expected") {
		t.Fatalf("%d\n%s", resp.StatusCode, page)
	}
	log := filepath.Join(dir, experiment.LogName)
	if _, err := os.Stat(log); err == nil {
		t.Error("a look was kept")
	}
	resp, _ = form(t, server.URL+bookPath+"experiments", nil, fields)
	if kept, err := os.ReadFile(log); resp.StatusCode != http.StatusSeeOther || err != nil || strings.Count(string(kept), "\n") != 5 || !strings.HasPrefix(resp.Header.Get("Location"), bookPath+"experiments?card=base-drive") {
		t.Errorf("%d to %s: %v\n%s", resp.StatusCode, resp.Header.Get("Location"), err, kept)
	}
	was := b.Now()
	fields.Set("learn", "1")
	resp, text := form(t, server.URL+bookPath+"experiments", wantJSON, fields)
	drawer, err := os.ReadFile(filepath.Join(dir, build.DrawerName))
	if a := decoded(t, text); resp.StatusCode != http.StatusOK || err != nil || b.Now() == was || a.Undo == "" || string(drawer) == string(was.Sources[build.DrawerName]) {
		t.Errorf("%d %s", resp.StatusCode, text)
	}
	// A slip is said, with its line, and nothing is kept.
	kept, _ := os.ReadFile(log)
	for _, wrong := range []string{"330k = 2.38 A", "", "nonsense"} {
		fields.Set("readings", wrong)
		fields.Del("r:supply")
		fields.Del("r:330k")
		if resp, text := form(t, server.URL+bookPath+"experiments", wantJSON, fields); resp.StatusCode != http.StatusUnprocessableEntity || len(decoded(t, text).Problems) == 0 {
			t.Errorf("%q: %d %s", wrong, resp.StatusCode, text)
		}
	}
	if now, _ := os.ReadFile(log); string(now) != string(kept) {
		t.Error("a slip was kept")
	}
	for _, path := range []string{"experiments?card=nothing", "experiments/figure?card=base-drive&figure=nothing&as=svg", "experiments/figure?card=nothing"} {
		if resp, _ := ask(t, "GET", server.URL+bookPath+path, nil, nil); resp.StatusCode != http.StatusNotFound {
			t.Errorf("%s: %d", path, resp.StatusCode)
		}
	}
	if resp, page := ask(t, "GET", server.URL+bookPath+"experiments?card=base-drive&of=%3Cscript%3Ealert(1)%3C%2Fscript%3E&readings=%3C%2Ftextarea%3E%3Cscript%3Ealert(1)%3C%2Fscript%3E", nil, nil); resp.StatusCode != http.StatusOK || strings.Contains(page, "<script>alert") {
		t.Errorf("%d", resp.StatusCode)
	}
}
