package sheet

import (
	"bytes"
	"io/fs"
	"strings"
	"testing"

	"fettle/examples"
	"fettle/internal/audit"
	"fettle/internal/recording"
)

// troubled is the page of the embedded recording with trouble.
func troubled(t *testing.T) []byte {
	t.Helper()
	src, err := fs.ReadFile(examples.FS, "track/trouble.csv.gz")
	if err != nil {
		t.Fatal(err)
	}
	rec, list := recording.Open(bytes.NewReader(src), "trouble.csv.gz", recording.Settings{})
	if rec == nil {
		t.Fatal(list)
	}
	o, err := audit.Recording(t.Context(), rec, audit.Settings{})
	if err != nil {
		t.Fatal(err)
	}
	page, err := Audit(o.Findings("trouble.csv.gz"), Title{What: "trouble.csv.gz", Date: "2026-03-01", File: "track/trouble.csv.gz"})
	if err != nil {
		t.Fatal(err)
	}
	return page
}

// The page of an audit needs nothing else, and has what is to be looked at before figures, numbers, tables and rules.
func TestAuditPage(t *testing.T) {
	s := string(troubled(t))
	for _, bad := range []string{"<script", "src=", "href=", "url(", "@import", "NaN", "Inf", "ZgotmplZ", "%!"} {
		if strings.Contains(s, bad) {
			t.Errorf("the page holds %q", bad)
		}
	}
	last := 0
	for _, want := range []string{"What to look at first", "disturbance", "The signal", "Figure 3.", "In numbers", "packets lost with a right clock", "What was on the track", "47 F0-F4 off", "Every rule", "neither is earth"} {
		at := strings.Index(s[last:], want)
		if at < 0 {
			t.Fatalf("%q does not stand in its place", want)
		}
		last += at
	}
}
