package daybook_test

import (
	"html"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"fettle/internal/daybook"
)

// The reading that is asked for has its probes on the schematic, and the drawing is kept with them.
func TestProbesOfAReading(t *testing.T) {
	server, book := serve(t, folder(t), daybook.Settings{})
	table, err := book.Faults(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	// Set aside whatever is asked for, until a reading between two points is.
	address, drawn := bookPath+"faults?", 0
	for range 3 {
		_, page := ask(t, "GET", server.URL+address, nil, nil)
		_, rest, ok := strings.Cut(page, `name="asked" value="`)
		if !ok {
			t.Fatal("nothing is asked")
		}
		id, _, _ := strings.Cut(rest, `"`)
		id = html.UnescapeString(id)
		for i := range table.Tests {
			x := &table.Tests[i]
			if x.ID != id {
				continue
			}
			red, black := strings.Count(page, `class="probe red"`), strings.Count(page, `class="probe black"`)
			switch {
			case x.Choices != nil:
				if red+black > 0 {
					t.Errorf("%s: a question has probes", x.ID)
				}
			case x.Against == "supply":
				if strings.Count(page, `class="meter"`) != 2*strings.Count(x.Setup, "board") { // wide and narrow
					t.Errorf("%s: no ammeter", x.ID)
				}
			default:
				drawn++
				if red != 2 || black != 2 || !strings.Contains(page, "The red probe is on "+x.Point+", the black one on "+x.Against+".") {
					t.Errorf("%s: %d red and %d black probes", x.ID, red, black)
				}
				_, link, _ := strings.Cut(page, `href="`+bookPath+`figure?`)
				link, _, _ = strings.Cut(link, `"`)
				resp, svg := ask(t, "GET", server.URL+bookPath+"figure?"+strings.ReplaceAll(link, "&amp;", "&"), nil, nil)
				if resp.StatusCode != http.StatusOK || !strings.Contains(svg, `class="probe red"`) {
					t.Errorf("%s: kept as %d %.80s", x.ID, resp.StatusCode, svg)
				}
			}
		}
		address += "t=skip+" + url.QueryEscape(id) + "&"
	}
	if drawn == 0 {
		t.Error("no reading between two points was asked for")
	}
}
