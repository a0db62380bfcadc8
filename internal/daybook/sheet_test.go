package daybook_test

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"fettle/internal/daybook"
)

// A sheet is a page that stands by itself: its own style is let through by its hash, and no other.
func TestSheets(t *testing.T) {
	server, _ := serve(t, folder(t), daybook.Settings{})
	for address, says := range map[string]string{
		"sheet?": "harbour railcar", "experiments/card?card=base-drive&readings=IB+100+uA+%3D+60+mV": "MMBT3904", "track/sheet?recording=embedded": "an invented evening",
	} {
		resp, page := ask(t, "GET", server.URL+bookPath+address, nil, nil)
		if resp.StatusCode != http.StatusOK || !strings.Contains(page, says) {
			t.Fatalf("%s: %d", address, resp.StatusCode)
		}
		policy := resp.Header.Get("Content-Security-Policy")
		found := regexp.MustCompile(`(?s)<style>(.*?)</style>`).FindAllStringSubmatch(page, -1)
		if len(found) == 0 || strings.Contains(policy, "unsafe") || regexp.MustCompile(`<[^>]+\sstyle=`).MatchString(page) {
			t.Errorf("%s: %d styles, %s", address, len(found), policy)
		}
		for _, m := range found {
			sum := sha256.Sum256([]byte(m[1]))
			if !strings.Contains(policy, "'sha256-"+base64.StdEncoding.EncodeToString(sum[:])+"'") {
				t.Errorf("%s: a style is not let through: %s", address, policy)
			}
		}
		if !strings.Contains(policy, "script-src 'self'") || !strings.Contains(policy, "frame-ancestors 'none'") {
			t.Error(address, policy)
		}
		if resp, _ := ask(t, "GET", server.URL+bookPath+address+"&save=1", nil, nil); !strings.HasPrefix(resp.Header.Get("Content-Disposition"), "attachment") {
			t.Errorf("%s is not saved", address)
		}
	}
	for _, address := range []string{"experiments/card?card=nothing", "track/sheet?recording=nothing", "findings?of=prove&as=pdf", "findings?of=all&as=json"} {
		if resp, _ := ask(t, "GET", server.URL+bookPath+address, nil, nil); resp.StatusCode != http.StatusNotFound {
			t.Errorf("%s: %d", address, resp.StatusCode)
		}
	}
}

// Findings are saved in the envelope of the command line, or as its text.
func TestFindingsAreSaved(t *testing.T) {
	server, _ := serve(t, folder(t), daybook.Settings{})
	for of, says := range map[string]string{"survey": "lamp.front", "choose": "output.front.series", "prove": "output.front.good"} {
		resp, text := ask(t, "GET", server.URL+bookPath+"findings?of="+of+"&as=json", nil, nil)
		var envelope struct{ Schema string }
		if err := json.Unmarshal([]byte(text), &envelope); err != nil || envelope.Schema != "fettle/1" || !strings.Contains(text, says) || !strings.Contains(resp.Header.Get("Content-Disposition"), of+".json") {
			t.Errorf("%s: %v %.200s", of, err, text)
		}
		if resp, text := ask(t, "GET", server.URL+bookPath+"findings?of="+of+"&as=txt", nil, nil); resp.StatusCode != http.StatusOK || len(text) < 200 || strings.Contains(text, "<td") {
			t.Errorf("%s: %d %.200s", of, resp.StatusCode, text)
		}
	}
}

// A part is told by its marking and by readings; what cannot be read is said.
func TestPart(t *testing.T) {
	server, _ := serve(t, folder(t), daybook.Settings{})
	for query, says := range map[string]string{
		"query=1AM&package=SOT-23": "MMBT3904",
		"query=4k7":                "4.7",
		"measured=" + url.QueryEscape("1>2 0.68 V; 2>1 OL\n1>3 0.67 V; 3>1 OL; 2>3 OL; 3>2 OL"): "NPN",
		"measured=" + url.QueryEscape("1>2 loud"):                                               "is no reading",
		"measured=" + url.QueryEscape("1>2 0.68 V") + "&query=XYZ9":                             "nothing in the catalogue is called",
		"query=" + strings.Repeat("x", 6000):                                                    "more than a part has to say",
	} {
		if resp, page := ask(t, "GET", server.URL+bookPath+"part?"+query, nil, nil); resp.StatusCode != http.StatusOK || !strings.Contains(page, says) {
			t.Errorf("%.80s: %d does not say %q", query, resp.StatusCode, says)
		}
	}
}
