package daybook_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"fettle/internal/daybook"
	"fettle/internal/eyes"
)

// everyPage is one address of each kind of page.
var everyPage = map[string]string{
	"whole": bookPath, "vehicle": bookPath + "vehicle", "lamps": bookPath + "lamps", "supply": bookPath + "supply", "ear": bookPath + "ear", "outputs": bookPath + "outputs",
	"answers": bookPath + "answers", "drawer": bookPath + "drawer", "line": bookPath + "drawer?row=" + lineOf("MMBT3904"), "stock": "/stock", "part": bookPath + "part?query=1AM&measured=1%3E2+0.68+V%3B+2%3E1+OL", "why": bookPath + "why?of=output.front.good", "file": bookPath + "file",
	"understand": bookPath + "understand/base", "track": bookPath + "track?recording=embedded&words=47+forward+12+of+28%3B+nonsense", "shelf": "/?all=1", "new": "/new?answer%3Avehicle=brick+wagon",
	"experiments": bookPath + "experiments?card=base-drive",
	"built":       bookPath + "built", "bench": bookPath + "bench", "faults": bookPath + "faults", "nowhere": "/nowhere",
}

// TestEveryPage looks at each page on a phone, at a desk and on a wall, by day and by lamplight, and on paper. With FETTLE_SHOTS set to a
// folder it keeps what it saw.
func TestEveryPage(t *testing.T) {
	ctx := eyes.Browser(t)
	server, book := serve(t, folder(t), daybook.Settings{})
	if _, err := book.Bench(t.Context(), ""); err != nil { // it takes seconds
		t.Fatal(err)
	}
	shots := os.Getenv("FETTLE_SHOTS")
	for name, address := range everyPage {
		t.Run(name, func(t *testing.T) {
			eyes.Do(t, ctx, chromedp.EmulateViewport(1280, 800), chromedp.Navigate(server.URL+address))
			for _, c := range []struct {
				width int64
				dark  bool
			}{{360, false}, {360, true}, {1280, false}, {1280, true}, {2560, false}} {
				where := fmt.Sprintf("%d px, dark %v", c.width, c.dark)
				eyes.Do(t, ctx, chromedp.EmulateViewport(c.width, 900), eyes.Media(c.dark))
				if shots != "" {
					keep(t, ctx, filepath.Join(shots, fmt.Sprintf("%s-%d-%v.jpg", name, c.width, map[bool]string{false: "light", true: "dark"}[c.dark])))
				}
				looks(t, ctx, where)
				if squeezed := `[...document.querySelectorAll('.row')].filter(e => e.checkVisibility() && getComputedStyle(e).gridTemplateColumns.split(' ').length > 1).length`; c.width == 360 && eyes.Eval[int](t, ctx, squeezed) > 0 {
					t.Errorf("%s: rows of a form in several columns on a phone", where)
				}
				if c.width == 360 || c.width == 1280 {
					eyes.Axe(t, ctx, where)
				}
			}
			eyes.Do(t, ctx, eyes.Paper()...)
			looks(t, ctx, "on paper")
			eyes.Do(t, ctx, eyes.Media(false))
			if shots != "" {
				pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF(chromedp.PDFPaper(chromedp.PaperA4)))
				if err == nil {
					err = os.WriteFile(filepath.Join(shots, name+".pdf"), pdf, 0o644)
				}
				if err != nil {
					t.Fatal(err)
				}
			}
		})
	}
}

// looks holds that nothing is cut, covered or pale.
func looks(t *testing.T, ctx context.Context, where string) {
	t.Helper()
	for _, w := range eyes.Eval[[]string](t, ctx, eyes.Look) {
		if !strings.HasPrefix(w, "only ") { // a short page is one
			t.Errorf("%s: %s", where, w)
		}
	}
}

// keep takes the whole page.
func keep(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	jpg, err := chromedp.Run(ctx, chromedp.FullScreenshot(90))
	if err == nil {
		err = os.MkdirAll(filepath.Dir(name), 0o755)
	}
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, jpg, 0o644); err != nil {
		t.Fatal(err)
	}
}

// A value typed at a page is written into the file, and the verdict in the title block follows; what is being typed elsewhere stays.
func TestValueChosenInTheBrowser(t *testing.T) {
	ctx := eyes.Browser(t)
	server, book := serve(t, folder(t), daybook.Settings{})
	eyes.Do(t, ctx, chromedp.EmulateViewport(1280, 900), chromedp.Navigate(server.URL+bookPath+"outputs"))
	const field = `document.getElementsByName('/decoder/a/output/front/series')[0]`
	eyes.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`(() => {
		const half = document.getElementsByName('/decoder/a/output/rear/series')[0]; half.value = '1.'; half.dispatchEvent(new Event('input', {bubbles: true})); half.focus();
		const e = `+field+`; e.value = '100 Ω'; e.dispatchEvent(new Event('input', {bubbles: true})); e.dispatchEvent(new Event('change', {bubbles: true})) })()`))
	until(t, ctx, `document.querySelector('.b-state').textContent.includes('fails') && !document.documentElement.classList.contains('stale')`)
	if got := eyes.Eval[string](t, ctx, `document.getElementsByName('/decoder/a/output/rear/series')[0].value + ' ' + document.activeElement.name`); got != "1. /decoder/a/output/rear/series" {
		t.Errorf("half typed: %q", got)
	}
	if !strings.Contains(string(book.Now().Sources[book.File()]), `"100 Ω"`) {
		t.Error("the file does not say it")
	}
	// A wrong value is refused beside its field.
	eyes.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`(() => { const e = `+field+`; e.value = '5 V'; e.dispatchEvent(new Event('change', {bubbles: true})) })()`))
	until(t, ctx, `(() => { const w = document.getElementById(`+field+`.id + '-w'); return !w.hidden && w.textContent.includes('5 V') })()`)
	// Taken back, all holds again.
	eyes.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.querySelector('.b-undo button').click()`))
	until(t, ctx, `document.querySelector('.b-state').textContent.includes('holds')`)
}

// until waits for a condition in the page. One that finds nothing to look at, in a page that is just coming, does not hold yet.
func until(t *testing.T, ctx context.Context, condition string) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(30 * time.Millisecond) {
		if eyes.Eval[bool](t, ctx, "(() => { try { return Boolean("+condition+") } catch { return false } })()") {
			return
		}
	}
	t.Fatalf("never: %s\n%s", condition, eyes.Eval[string](t, ctx, `document.querySelector('.block').textContent + [...document.querySelectorAll('.wrong:not([hidden])')].map(e => e.textContent)`))
}

// What pages load is under 300 kB.
func TestAssetsAreSmall(t *testing.T) {
	server, _ := serve(t, folder(t), daybook.Settings{})
	_, page := ask(t, "GET", server.URL+bookPath, nil, nil)
	total := 0
	for _, part := range strings.Split(page, `"/assets/`)[1:] {
		name, _, _ := strings.Cut(part, `"`)
		resp, data := ask(t, "GET", server.URL+"/assets/"+name, nil, nil)
		if resp.StatusCode != 200 || !strings.Contains(resp.Header.Get("Cache-Control"), "immutable") {
			t.Errorf("%s: %d %s", name, resp.StatusCode, resp.Header.Get("Cache-Control"))
		}
		total += len(data)
	}
	if total < 10000 || total > 300000 {
		t.Errorf("%d bytes of assets", total)
	}
}

// A recording is looked at closely: the plot comes, a window of it is fetched anew, and the console says nothing.
func TestHalvesInTheBrowser(t *testing.T) {
	ctx := eyes.Browser(t)
	server, _ := serve(t, folder(t), daybook.Settings{})
	eyes.Do(t, ctx, chromedp.EmulateViewport(1280, 900), chromedp.Navigate(server.URL+bookPath+"track?recording=embedded"))
	until(t, ctx, `document.querySelector('.halves canvas') !== null`)
	eyes.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`(() => { for (let i = 0; i < 7; i++) document.querySelector('.halves .bar button:nth-child(3)').click() })()`))
	until(t, ctx, `document.querySelector('.halves [role=status]').textContent.includes('each drawn')`)
	eyes.Axe(t, ctx, "half-bits")
	if shots := os.Getenv("FETTLE_SHOTS"); shots != "" {
		keep(t, ctx, filepath.Join(shots, "halves.jpg"))
	}
}

// A block that is not in the file is made with the first value that is typed for it.
func TestBlockMadeInTheBrowser(t *testing.T) {
	ctx := eyes.Browser(t)
	server, book := serve(t, folder(t), daybook.Settings{})
	eyes.Do(t, ctx, chromedp.Navigate(server.URL+bookPath+"supply"), chromedp.Evaluate[chromedp.Void](`(() => {
		const e = document.getElementsByName('/decoder/a/acknowledge/load')[0]; e.value = '100 Ω'; e.dispatchEvent(new Event('change', {bubbles: true})) })()`))
	until(t, ctx, `document.querySelector('.b-undo') !== null || [...document.querySelectorAll('.wrong:not([hidden])')].length > 0`)
	if !strings.Contains(string(book.Now().Sources[book.File()]), "acknowledge {") {
		t.Error(eyes.Eval[string](t, ctx, `[...document.querySelectorAll('.wrong:not([hidden])')].map(e => e.textContent).join()`))
	}
}
