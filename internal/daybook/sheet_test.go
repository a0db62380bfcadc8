package daybook_test

import (
	"crypto/sha256"
	"encoding/base64"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"fettle/internal/daybook"
)

// The sheet is the page that stands by itself: its own style is let through by its hash, and no other.
func TestSheet(t *testing.T) {
	server, _ := serve(t, folder(t), daybook.Settings{})
	resp, page := ask(t, "GET", server.URL+bookPath+"sheet", nil, nil)
	if resp.StatusCode != http.StatusOK || !strings.Contains(page, "harbour railcar") {
		t.Fatalf("%d", resp.StatusCode)
	}
	policy := resp.Header.Get("Content-Security-Policy")
	found := regexp.MustCompile(`(?s)<style>(.*?)</style>`).FindAllStringSubmatch(page, -1)
	if len(found) == 0 || strings.Contains(policy, "unsafe") || regexp.MustCompile(`<[^>]+\sstyle=`).MatchString(page) {
		t.Errorf("%d styles, %s", len(found), policy)
	}
	for _, m := range found {
		sum := sha256.Sum256([]byte(m[1]))
		if !strings.Contains(policy, "'sha256-"+base64.StdEncoding.EncodeToString(sum[:])+"'") {
			t.Errorf("a style is not let through: %s", policy)
		}
	}
	if !strings.Contains(policy, "script-src 'self'") || !strings.Contains(policy, "frame-ancestors 'none'") {
		t.Error(policy)
	}
	if resp, _ := ask(t, "GET", server.URL+bookPath+"sheet?save=1", nil, nil); !strings.HasPrefix(resp.Header.Get("Content-Disposition"), "attachment") {
		t.Error("it is not saved")
	}
}
