package daybook_test

import (
	"encoding/csv"
	"encoding/xml"
	"html"
	"io"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"fettle/internal/daybook"
)

var (
	figureTag = regexp.MustCompile(`(?s)<figure.*?</figure>`)
	keepLink  = regexp.MustCompile(`href="([^"]+[?&;]as=(svg|csv)[^"]*)" download`)
)

// Every figure of every page is kept as a drawing and as its numbers: the drawing is whole in itself, the numbers are a table.
func TestEveryFigureIsKept(t *testing.T) {
	server, book := serve(t, folder(t), daybook.Settings{})
	if _, err := book.Faults(t.Context(), ""); err != nil {
		t.Fatal(err)
	}
	pages := map[string]string{
		"chapter base": bookPath + "understand/base", "chapter half": bookPath + "understand/half", "chapter hidden": bookPath + "understand/hidden", "chapter clock": bookPath + "understand/clock",
		"chapter yesterday": bookPath + "understand/yesterday", "why": bookPath + "why?of=output.front.series", "a reading": bookPath + "faults", "bytes": bookPath + "track?hex=37+74+43",
		"experiment": bookPath + "experiments?card=base-drive&readings=IB+100+uA+%3D+60+mV",
	}
	for name, address := range everyPage {
		pages[name] = address
	}
	figures, done := map[string]int{}, map[string]bool{}
	for name, address := range pages {
		_, page := ask(t, "GET", server.URL+address, nil, nil)
		for _, f := range figureTag.FindAllString(page, -1) {
			figures[name]++
			links := keepLink.FindAllStringSubmatch(f, -1)
			if len(links) != 2 || links[0][2] != "svg" || links[1][2] != "csv" {
				t.Errorf("%s: a figure has %d links: %.300s", name, len(links), f[strings.Index(f, "<title"):])
				continue
			}
			for _, m := range links {
				at := html.UnescapeString(m[1])
				if done[at] {
					continue
				}
				done[at] = true
				resp, body := ask(t, "GET", server.URL+at, nil, nil)
				if resp.StatusCode != http.StatusOK || !strings.HasPrefix(resp.Header.Get("Content-Disposition"), "attachment") {
					t.Errorf("%s, %s: %d", name, at, resp.StatusCode)
					continue
				}
				if m[2] == "svg" {
					if err := whole(body); err != nil || !strings.Contains(body, "<style>") || !strings.Contains(resp.Header.Get("Content-Type"), "svg") {
						t.Errorf("%s, %s: %v, %.80s", name, at, err, body)
					}
				} else if rows, err := csv.NewReader(strings.NewReader(body)).ReadAll(); err != nil || len(rows) < 3 || !strings.Contains(resp.Header.Get("Content-Type"), "csv") {
					t.Errorf("%s, %s: %d rows, %v", name, at, len(rows), err)
				}
			}
		}
	}
	for _, name := range []string{"whole", "lamps", "outputs", "why", "a reading", "bytes", "track", "experiment", "chapter base", "chapter half", "chapter hidden", "chapter clock"} {
		if figures[name] == 0 {
			t.Errorf("%s has no figure", name)
		}
	}
	// The window of half-bits that is looked at.
	for _, as := range []string{"svg", "csv"} {
		resp, body := ask(t, "GET", server.URL+bookPath+"halves?recording=embedded&from=0.5&to=0.51&pieces=900&as="+as, nil, nil)
		if resp.StatusCode != http.StatusOK || as == "csv" && strings.Count(body, "\n") < 50 || as == "svg" && whole(body) != nil {
			t.Errorf("half-bits as %s: %d %.100s", as, resp.StatusCode, body)
		}
	}
	if resp, _ := ask(t, "GET", server.URL+bookPath+"track/packet?words=nonsense&number=1&as=svg", nil, nil); resp.StatusCode != http.StatusNotFound {
		t.Errorf("a packet of nonsense: %d", resp.StatusCode)
	}
}

// whole reads a drawing as XML to its end.
func whole(svg string) error {
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		if _, err := d.Token(); err == io.EOF {
			return nil
		} else if err != nil {
			return err
		}
	}
}
