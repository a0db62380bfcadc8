package sheet

import (
	"regexp"
	"strings"
	"testing"

	"fettle/internal/dcc"
	"fettle/internal/draw"
)

// A leaf holds every drawing in both widths, no identifier twice, no script and nothing from elsewhere.
func TestLeaf(t *testing.T) {
	said, list := dcc.Parse("", "47 forward 12 of 28; 47 forward 12 of 28; service write cv 1 = 47")
	if len(list) > 0 {
		t.Fatal(list)
	}
	var items []dcc.Item
	var drawings []Drawing
	for _, s := range said {
		it := dcc.ItemOf(s)
		items = append(items, it)
		drawings = append(drawings, Drawing{it.Title(), "Caption.", func(o draw.Options) string { return draw.Packet(it, o) }})
	}
	page, err := Leaf("Packets <of a test>", dcc.Explain(items), drawings)
	if err != nil {
		t.Fatal(err)
	}
	html := string(page)
	if n := strings.Count(html, "<svg"); n != 6 {
		t.Errorf("%d drawings, want 3 in two widths", n)
	}
	ids := map[string]bool{}
	for _, m := range regexp.MustCompile(`\bid="([^"]*)"`).FindAllStringSubmatch(html, -1) {
		if ids[m[1]] {
			t.Errorf("id %q stands twice", m[1])
		}
		ids[m[1]] = true
	}
	for _, never := range []string{"<script", "<of a test>", `src="`, `href="http`} {
		if strings.Contains(html, never) {
			t.Errorf("%q is on the page", never)
		}
	}
	for _, want := range []string{"Packets &lt;of a test&gt;", "2F 77 58", "enters service mode", "programming track"} {
		if !strings.Contains(html, want) {
			t.Errorf("%q is not on the page", want)
		}
	}
}
