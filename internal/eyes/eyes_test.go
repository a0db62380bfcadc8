package eyes

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// ears takes down what a test would have failed for, and cleans up when it is told to.
type ears struct {
	testing.TB
	heard   []string
	cleanup []func()
}

func (e *ears) Error(args ...any) { e.heard = append(e.heard, fmt.Sprint(args...)) }
func (e *ears) Cleanup(f func())  { e.cleanup = append(e.cleanup, f) }

// Each thing that must not happen in a page is heard, and what may is not.
func TestOverhears(t *testing.T) {
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch r.URL.Path {
		case "/":
			w.Header().Set("Content-Security-Policy", "style-src 'none'")
			fmt.Fprint(w, `<!DOCTYPE html><title>t</title><link rel="icon" href="data:,"><p style="color:red">text</p><script src="/gone.js"></script>
<script>console.log("as it should be"); fetch("/refused", {method: "POST"}); console.error("sorry"); fetch("http://foreign.invalid/x").catch(() => {}); setTimeout(() => { throw new Error("thrown") })</script>`)
		case "/refused":
			w.WriteHeader(http.StatusConflict)
		default:
			w.WriteHeader(http.StatusNotFound)
		}
	}))
	defer server.Close()
	e := &ears{TB: t}
	ctx := Browser(e)
	Do(t, ctx, chromedp.Navigate(server.URL), chromedp.Evaluate[chromedp.Void](`new Promise(done => setTimeout(done, 500))`, chromedp.EvalAwaitPromise))
	for i := len(e.cleanup) - 1; i >= 0; i-- {
		e.cleanup[i]()
	}
	all := strings.Join(e.heard, "\n")
	for _, want := range []string{"thrown", "sorry", "Content Security Policy", "gone.js", "foreign.invalid"} {
		if !strings.Contains(all, want) {
			t.Errorf("%s is not heard in\n%s", want, all)
		}
	}
	for _, not := range []string{"as it should be", "refused"} {
		if strings.Contains(all, not) {
			t.Errorf("%s is heard in\n%s", not, all)
		}
	}
}
