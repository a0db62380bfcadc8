// Package eyes looks at pages as a reader would, for tests: a real Chromium, a look for what is cut, covered or pale, and the
// accessibility rules of axe-core.
package eyes

import (
	"context"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// Missing skips for want of a tool, but never where everything is meant to be there.
func Missing(t testing.TB, format string, args ...any) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatalf(format, args...)
	}
	t.Skipf(format, args...)
}

// Browser starts a real Chromium for a test, and fails the test for an error in its console or a request that leaves the machine.
func Browser(t testing.TB) context.Context {
	t.Helper()
	if testing.Short() {
		t.Skip("a real browser takes seconds")
	}
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		Missing(t, "no Chromium on this machine")
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.WSURLReadTimeout(60*time.Second))
	alloc, stop := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(stop)
	ctx, stop := chromedp.NewContext(alloc)
	t.Cleanup(stop)
	if err := chromedp.Do(ctx); err != nil { // the first run starts the browser, without a limit of its own
		t.Fatal(err)
	}
	overhear(t, ctx)
	ctx, stop = context.WithTimeout(ctx, 8*time.Minute)
	t.Cleanup(stop)
	return ctx
}

// overhear holds all that the browser does against two rules: no page has an error in its console (an exception, console.error, a
// thing the content security policy forbids, a script, style, picture or font that does not come), and no request leaves the machine. That a form
// is refused (a status of 4xx to what a script sent) is no error of the page's.
func overhear(t testing.TB, ctx context.Context) {
	var mu sync.Mutex
	heard := map[string]bool{}
	note := func(format string, args ...any) {
		mu.Lock()
		defer mu.Unlock()
		heard[fmt.Sprintf(format, args...)] = true
	}
	err := chromedp.Listen(ctx, func(ev any) {
		switch e := ev.(type) {
		case *runtime.EventExceptionThrown:
			words := e.ExceptionDetails.Text
			if x := e.ExceptionDetails.Exception; x != nil {
				words += " " + x.Description
			}
			note("exception at %s:%d: %s", e.ExceptionDetails.URL, e.ExceptionDetails.LineNumber+1, words)
		case *runtime.EventConsoleAPICalled:
			if e.Type == runtime.ConsoleAPICalledTypeError || e.Type == runtime.ConsoleAPICalledTypeAssert {
				for _, a := range e.Args {
					note("console.%s: %s %s", e.Type, a.Description, a.Value)
				}
			}
		case *log.EventEntryAdded:
			if e.Entry.Level == log.EntryLevelError && e.Entry.Source != log.EntrySourceNetwork {
				note("%s: %s (%s)", e.Entry.Source, e.Entry.Text, e.Entry.URL)
			}
		case *network.EventRequestWillBeSent:
			if u, err := url.Parse(e.Request.URL); err != nil || u.Scheme != "data" && u.Scheme != "blob" && u.Scheme != "file" && u.Hostname() != "127.0.0.1" {
				note("a request leaves the machine: %s", e.Request.URL)
			}
		case *network.EventResponseReceived:
			if e.Response.Status >= 400 && e.Type != network.ResourceTypeDocument && e.Type != network.ResourceTypeFetch || e.Response.Status >= 500 {
				note("status %d for the %s %s", e.Response.Status, e.Type, e.Response.URL)
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		mu.Lock()
		defer mu.Unlock()
		for words := range heard {
			t.Error(words)
		}
	})
}

// Eval runs a script in the page.
func Eval[T any](t testing.TB, ctx context.Context, script string, opts ...chromedp.EvaluateOption) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](script, opts...))
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// Do takes steps in the browser.
func Do(t testing.TB, ctx context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	if err := chromedp.Do(ctx, steps...); err != nil {
		t.Fatal(err)
	}
}

// Look returns what is wrong with the page as it stands, in words.
const Look = `(() => {
const out = [];
const shown = e => { for (; e && e.nodeType === 1; e = e.parentElement) { const s = getComputedStyle(e);
  if (s.display === 'none' || s.visibility === 'hidden' || e.classList.contains('unseen')) return false;
  if (e.parentElement && e.parentElement.tagName === 'DETAILS' && !e.parentElement.open && e.tagName !== 'SUMMARY') return false;
  if (s.position === 'absolute' && s.width === '1px') return false } return true };
const rgb = s => { const m = s.match(/[\d.]+/g).map(Number); return {r:m[0], g:m[1], b:m[2], a:m.length > 3 ? m[3] : 1} };
const over = (f, b) => ({r:f.r*f.a+b.r*(1-f.a), g:f.g*f.a+b.g*(1-f.a), b:f.b*f.a+b.b*(1-f.a), a:1});
const light = c => { const l = [c.r,c.g,c.b].map(v => { v /= 255; return v <= 0.04045 ? v/12.92 : ((v+0.055)/1.055)**2.4 }); return 0.2126*l[0]+0.7152*l[1]+0.0722*l[2] };
const ground = e => { const stack = []; for (; e; e = e.parentElement) { const c = rgb(getComputedStyle(e).backgroundColor); stack.push(c); if (c.a === 1) break }
  let g = {r:255,g:255,b:255,a:1}; while (stack.length) g = over(stack.pop(), g); return g };
if (document.documentElement.scrollWidth > innerWidth) out.push('the page is ' + document.documentElement.scrollWidth + ' px wide, the window ' + innerWidth);
let texts = 0;
const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walk.nextNode()) {
  const n = walk.currentNode, e = n.parentElement;
  if (!n.data.trim() || ['STYLE','SCRIPT','TITLE','title','desc','style'].includes(e.tagName) || !shown(e)) continue;
  texts++;
  const svg = e.ownerSVGElement, s = getComputedStyle(e);
  const range = document.createRange(); range.selectNodeContents(n);
  for (const r of range.getClientRects()) {
    if (r.left < -0.5 || r.right > innerWidth + 0.5) out.push('cut at the window: ' + n.data.trim());
    for (let a = e; a; a = a.parentElement) {
      const o = getComputedStyle(a); if (o.overflowX === 'visible' || a === document.documentElement || a === document.body || a instanceof SVGElement) continue;
      const b = a.getBoundingClientRect();
      if (r.left < b.left - 1 || r.right > b.right + 1 || r.top < b.top - 1 || r.bottom > b.bottom + 1) out.push('cut by its box: ' + n.data.trim());
    }
  }
  const fore = rgb(svg ? s.fill : s.color), under = e.matches('.probed') ? rgb(getComputedStyle(e.previousElementSibling).fill) : null; // the letter in a filled mark
  const back = under || ground(svg ? svg.parentElement || e : e);
  const a = light(over(fore, back)), b = light(back), ratio = (Math.max(a,b)+0.05)/(Math.min(a,b)+0.05);
  if (ratio < 4.5) out.push('contrast ' + ratio.toFixed(2) + ': ' + n.data.trim());
}
if (texts < 20) out.push('only ' + texts + ' texts: is the page there?');
for (const svg of document.querySelectorAll('svg')) {
  if (!shown(svg)) continue;
  const view = svg.viewBox.baseVal, name = svg.querySelector('title').textContent;
  const boxes = [...svg.querySelectorAll('text')].map(t => ({t: t.textContent, b: t.getBBox()}));
  boxes.forEach((p, i) => {
    if (p.b.x < -0.5 || p.b.y < -0.5 || p.b.x + p.b.width > view.width + 0.5 || p.b.y + p.b.height > view.height + 0.5) out.push(name + ': outside the drawing: ' + p.t);
    boxes.slice(i + 1).forEach(q => {
      const w = Math.min(p.b.x + p.b.width, q.b.x + q.b.width) - Math.max(p.b.x, q.b.x), h = Math.min(p.b.y + p.b.height, q.b.y + q.b.height) - Math.max(p.b.y, q.b.y);
      if (w > 1 && h > 2) out.push(name + ': "' + p.t + '" lies over "' + q.t + '"');
    });
  });
}
return out })()`

// Media sets the theme.
func Media(dark bool) chromedp.Action[chromedp.Void] {
	if dark {
		return media("", "dark")
	}
	return media("", "light")
}

// Paper lays the page out as it is printed on A4 with margins of 10 mm.
func Paper() []chromedp.Action[chromedp.Void] {
	return []chromedp.Action[chromedp.Void]{chromedp.EmulateViewport(718, 1047), media("print", "light")}
}

func media(kind, scheme string) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: kind,
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
		return err
	})
}

// Axe holds the page as it stands against the rules of WCAG 2.2 AA and good practice.
func Axe(t testing.TB, ctx context.Context, where string) {
	t.Helper()
	axe, err := os.ReadFile(filepath.Join("..", "..", "node_modules", "axe-core", "axe.min.js"))
	if err != nil {
		Missing(t, "axe-core is not installed: %v", err)
	}
	if Eval[bool](t, ctx, `typeof axe === 'undefined'`) {
		Do(t, ctx, chromedp.Evaluate[chromedp.Void](string(axe)))
	}
	r := Eval[struct {
		Passes     int
		Violations []string
	}](t, ctx, `axe.run(document, {runOnly: ['wcag2a','wcag2aa','wcag21a','wcag21aa','wcag22aa','best-practice']}).then(r => ({passes: r.passes.length,
		violations: r.violations.map(v => v.id + ': ' + v.help + ': ' + v.nodes.slice(0, 3).map(n => n.html.slice(0, 160)).join(' | '))}))`, chromedp.EvalAwaitPromise)
	if r.Passes < 10 {
		t.Errorf("%s: only %d rules of axe-core applied", where, r.Passes)
	}
	for _, v := range r.Violations {
		t.Errorf("%s: %s", where, v)
	}
}
