package daybook_test

import (
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"fettle/internal/daybook"
	"fettle/internal/eyes"
)

// readBaseDrive is a card with readings: the supply, the collector's resistor and the drop at a few base resistors; numbers made up.
const readBaseDrive = bookPath + "experiments?card=base-drive&r%3Asupply=5.02+V&r%3A2.2+k%CE%A9=22+mV&r%3A10+k%CE%A9=31+mV&r%3A47+k%CE%A9=75+mV&r%3A100+k%CE%A9=148+mV&r%3A150+k%CE%A9=0.91+V&r%3A220+k%CE%A9=2.1+V"

// An experiment's points stand over its prediction in a plot that can be looked at closely: a window of it, the cursor by keyboard,
// the whole again. The server's drawing stays for print, and comes back where the plot is closed.
func TestExperimentLookedAtClosely(t *testing.T) {
	ctx := eyes.Browser(t)
	server, _ := serve(t, folder(t), daybook.Settings{})
	eyes.Do(t, ctx, chromedp.EmulateViewport(1280, 900), chromedp.Navigate(server.URL+readBaseDrive))
	until(t, ctx, `document.querySelector('.closely canvas') !== null`)
	if eyes.Eval[bool](t, ctx, `[...document.querySelectorAll('figure.open > .on-wide')].some(e => e.offsetParent !== null)`) {
		t.Error("the drawing stands beside its plot")
	}
	if n := eyes.Eval[int](t, ctx, `fetch(document.querySelector('figure[data-figure]').dataset.figure).then(r => r.json()).then(d => d.figure.points.reduce((n, p) => n + p.x.length, 0))`, chromedp.EvalAwaitPromise); n < 5 {
		t.Errorf("%d points", n)
	}
	const ink = `(() => { const c = document.querySelector('.closely canvas'), d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data; let s = 0; for (let i = 0; i < d.length; i += 4) s = (s * 31 + d[i] + d[i+3]) % 1000000007; return s })()`
	whole := eyes.Eval[int](t, ctx, ink)
	const words = `document.querySelector('.closely [role=status]').textContent`
	eyes.Do(t, ctx, chromedp.Focus(`.closely [role=group]`), chromedp.KeyEvent(kb.ArrowRight))
	until(t, ctx, words+`.includes(' · ')`)
	before := eyes.Eval[string](t, ctx, words)
	eyes.Do(t, ctx, chromedp.KeyEvent(kb.ArrowRight))
	until(t, ctx, words+" !== `"+before+"`")
	eyes.Axe(t, ctx, "looked at closely")
	if shots := os.Getenv("FETTLE_SHOTS"); shots != "" {
		keep(t, ctx, filepath.Join(shots, "closely.jpg"))
	}
	eyes.Do(t, ctx, chromedp.KeyEvent("+"))
	until(t, ctx, ink+` !== `+strconv.Itoa(whole))
	eyes.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.querySelector('figure.open .save button').click()`))
	until(t, ctx, `document.querySelector('.closely') === null && document.querySelector('figure[data-figure] > .on-wide').offsetParent !== null`)
}

// A figure that is looked at closely stays so when the build changes.
func TestFigureStaysOpen(t *testing.T) {
	ctx := eyes.Browser(t)
	server, book := serve(t, folder(t), daybook.Settings{})
	eyes.Do(t, ctx, chromedp.EmulateViewport(1280, 900), chromedp.Navigate(server.URL+bookPath+"lamps"))
	until(t, ctx, `document.querySelectorAll('figure[data-figure] .save button').length >= 2`)
	eyes.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.querySelector('figure[data-figure] .save button').click()`))
	until(t, ctx, `document.querySelector('.closely canvas') !== null`)
	now := book.Now()
	src := string(now.Sources[book.File()])
	if _, err := book.Rewrite(now.ID, book.File(), []byte(src+"# looked at again\n"), ""); err != nil {
		t.Fatal(err)
	}
	until(t, ctx, `!document.documentElement.classList.contains('stale') && document.body.dataset.revision === '`+book.Now().ID+`'`)
	until(t, ctx, `document.querySelectorAll('.closely canvas').length === 1`)
}
