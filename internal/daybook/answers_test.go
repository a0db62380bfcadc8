package daybook_test

import (
	"html"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"fettle/internal/daybook"
	"fettle/internal/eyes"
)

var answerLink = regexp.MustCompile(`<a class="answer" href="([^"]+)" aria-label="([^"]+)">`)

// Every part and every net of the schematic leads to a page that tells of it, and has a card for script.
func TestDrawingsAnswer(t *testing.T) {
	server, _ := serve(t, folder(t), daybook.Settings{})
	_, page := ask(t, "GET", server.URL+bookPath+"outputs", nil, nil)
	links := answerLink.FindAllStringSubmatch(page, -1)
	if len(links) < 60 { // 10 parts, 2 × 5 of the outputs, 15 nets, on both drawings
		t.Fatalf("%d links", len(links))
	}
	seen := map[string]int{}
	for _, m := range links {
		address, says := html.UnescapeString(m[1]), html.UnescapeString(m[2])
		if seen[address]++; seen[address] > 1 {
			continue
		}
		name, _, _ := strings.Cut(says, ",")
		resp, body := ask(t, "GET", server.URL+address, nil, nil)
		if resp.StatusCode != http.StatusOK || !strings.Contains(body, name) || strings.Contains(body, "Nothing of that name") {
			t.Errorf("%s: %d, without %q", address, resp.StatusCode, name)
		}
		resp, card := ask(t, "GET", server.URL+address, map[string]string{"X-Fettle": "card"}, nil)
		if resp.StatusCode != http.StatusOK || !strings.HasPrefix(card, `<div class="answers-for">`) || !strings.Contains(card, name) || strings.Contains(card, "<html") {
			t.Errorf("%s: card %d %.200s", address, resp.StatusCode, card)
		}
		for _, to := range regexp.MustCompile(`href="([^"]+)"`).FindAllStringSubmatch(card, -1) {
			at, id, _ := strings.Cut(html.UnescapeString(to[1]), "#")
			if resp, there := ask(t, "GET", server.URL+at, nil, nil); resp.StatusCode != http.StatusOK || id != "" && !strings.Contains(there, ` id="`+id+`"`) {
				t.Errorf("%s leads to %s, %d", name, to[1], resp.StatusCode)
			}
		}
	}
	for address, n := range seen {
		if n != 2 {
			t.Errorf("%s is %d links, want one on each drawing", address, n)
		}
	}
	if resp, _ := ask(t, "GET", server.URL+bookPath+"why?of=nothing", map[string]string{"X-Fettle": "card"}, nil); resp.StatusCode != http.StatusNotFound {
		t.Errorf("a card of nothing: %d", resp.StatusCode)
	}
}

// Workings, and what holds where it is much, stand on the page of why: a page of many numbers links to them, and a piece is the
// working or the table alone.
func TestWorkingsStandElsewhere(t *testing.T) {
	server, _ := serve(t, folder(t), daybook.Settings{})
	dataFrom := regexp.MustCompile(`data-from="([^"]+)"`)
	_, page := ask(t, "GET", server.URL+bookPath+"outputs", nil, nil)
	from := dataFrom.FindAllStringSubmatch(page, -1)
	if strings.Contains(page, `class="derivation"`) || strings.Contains(page, "saturated at the lowest") {
		t.Error("the page holds workings, or what holds")
	}
	kinds := map[string]int{}
	done := map[string]bool{}
	for n := 0; n < len(from); n++ {
		address := html.UnescapeString(from[n][1])
		if done[address] {
			continue
		}
		done[address] = true
		kind, holds, whole := "working", `class="derivation"`, `<details open class="working"`
		if strings.Contains(address, "?under=") {
			kind, holds, whole = "held", `class="findings verdicts"`, "What holds of output."
		}
		kinds[kind]++
		resp, piece := ask(t, "GET", server.URL+address, map[string]string{"X-Fettle": kind}, nil)
		if resp.StatusCode != http.StatusOK || !strings.HasPrefix(piece, "<d") || !strings.Contains(piece, holds) {
			t.Errorf("%s: %d %.80s", address, resp.StatusCode, piece)
		}
		if _, body := ask(t, "GET", server.URL+address, nil, nil); !strings.Contains(body, whole) {
			t.Errorf("%s: without script it is not read at once", address)
		}
		from = append(from, dataFrom.FindAllStringSubmatch(piece, -1)...) // the workings of what holds
	}
	if kinds["held"] != 2 || kinds["working"] < 40 {
		t.Errorf("%v stand elsewhere", kinds)
	}
}

// A card stands beside the part that is pointed at or reached by keyboard; the arrows go from part to part.
func TestAnswersInTheBrowser(t *testing.T) {
	ctx := eyes.Browser(t)
	server, _ := serve(t, folder(t), daybook.Settings{})
	eyes.Do(t, ctx, chromedp.EmulateViewport(1280, 1000), chromedp.Navigate(server.URL+bookPath+"outputs"))
	const stops = `document.querySelectorAll('.on-wide svg.circuit a.answer[tabindex="0"]').length`
	until(t, ctx, stops+" === 1")
	const card = `(document.querySelector('.answers-for.beside')?.textContent || '')`
	eyes.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.querySelector('.on-wide a.answer[href$="output.front.series"]').dispatchEvent(new PointerEvent('pointerover', {bubbles: true, pointerType: 'mouse'}))`))
	until(t, ctx, card+`.includes('series resistor of output front') && `+card+`.includes('mean')`)
	eyes.Axe(t, ctx, "a card")
	if shots := os.Getenv("FETTLE_SHOTS"); shots != "" {
		keep(t, ctx, filepath.Join(shots, "card.jpg"))
	}
	if w := eyes.Eval[string](t, ctx, `(() => { const c = document.querySelector('.beside').getBoundingClientRect(), b = document.querySelector('.on-wide').getBoundingClientRect(); return c.left < b.left - 1 || c.right > b.right + 1 ? 'outside' : '' })()`); w != "" {
		t.Errorf("the card is %s its drawing", w)
	}
	eyes.Do(t, ctx, chromedp.KeyEvent(kb.Escape))
	until(t, ctx, card+` === ''`)
	// Keyboard: from the first part to the right, with its card; Escape takes the card away and keeps the place.
	eyes.Do(t, ctx, chromedp.Focus(`.on-wide a.answer[tabindex="0"]`), chromedp.KeyEvent(kb.ArrowRight))
	until(t, ctx, card+` !== '' && document.activeElement.matches('a.answer')`)
	const here = `document.activeElement.getAttribute('aria-label')`
	first := eyes.Eval[string](t, ctx, here)
	eyes.Do(t, ctx, chromedp.KeyEvent(kb.ArrowDown))
	until(t, ctx, here+` !== `+"`"+first+"`")
	if n := eyes.Eval[int](t, ctx, stops); n != 1 {
		t.Errorf("%d parts are in the order of the keyboard", n)
	}
	// A finger has the card first; it stands within the window of a phone.
	eyes.Do(t, ctx, chromedp.EmulateViewport(360, 800))
	eyes.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`(() => { const a = document.querySelector('.on-narrow a.answer[href$="output.rear.switch"]'); a.scrollIntoView({block: 'center'});
		a.dispatchEvent(new PointerEvent('pointerdown', {bubbles: true, pointerType: 'touch'})); a.dispatchEvent(new MouseEvent('click', {bubbles: true, cancelable: true})) })()`))
	until(t, ctx, card+`.includes('switch of output rear') && location.pathname.endsWith('/outputs')`)
	for _, w := range eyes.Eval[[]string](t, ctx, eyes.Look) {
		t.Error("a card on a phone: " + w)
	}
	if shots := os.Getenv("FETTLE_SHOTS"); shots != "" {
		keep(t, ctx, filepath.Join(shots, "card-360.jpg"))
	}
	eyes.Do(t, ctx, chromedp.EmulateViewport(1280, 1000))
	// A working is fetched when it is opened.
	eyes.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.querySelector('.row details.working summary').click()`))
	until(t, ctx, `document.querySelector('.row details.working .derivation') !== null`)
	// So is what holds, and a working in it.
	eyes.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.querySelector('details.held summary').click()`))
	until(t, ctx, `document.querySelector('details.held table') !== null`)
	eyes.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.querySelector('details.held details.working summary').click()`))
	until(t, ctx, `document.querySelector('details.held details.working .derivation') !== null`)
	eyes.Axe(t, ctx, "what holds")
}
