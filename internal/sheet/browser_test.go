package sheet

import (
	"context"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/draw"
	"fettle/internal/render"
	"fettle/internal/work"
)

// missing skips for want of a tool, but never where everything is meant to be there.
func missing(t *testing.T, format string, args ...any) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatalf(format, args...)
	}
	t.Skipf(format, args...)
}

func browser(t *testing.T) context.Context {
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
		missing(t, "no Chromium on this machine")
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
	ctx, stop = context.WithTimeout(ctx, 2*time.Minute)
	t.Cleanup(stop)
	return ctx
}

func eval[T any](t *testing.T, ctx context.Context, script string, opts ...chromedp.EvaluateOption) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](script, opts...))
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func do(t *testing.T, ctx context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	if err := chromedp.Do(ctx, steps...); err != nil {
		t.Fatal(err)
	}
}

func file(t *testing.T, name string, content []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, content, 0o666); err != nil {
		t.Fatal(err)
	}
	return "file://" + path
}

// look returns what is wrong with the page as it stands, in words.
const look = `(() => {
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
  const fore = rgb(svg ? s.fill : s.color), back = ground(svg ? svg.parentElement || e : e);
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

// block reports whether the title block is in view.
const block = `(() => { const r = document.querySelector('.block').getBoundingClientRect(); return r.height > 20 && r.top >= 0 && r.bottom <= innerHeight + 1 })()`

func media(dark bool) chromedp.Action[chromedp.Void] {
	scheme := "light"
	if dark {
		scheme = "dark"
	}
	return chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
		return err
	})
}

// TestBrowser looks at the page as a reader would: on a phone and at a desk, by day and by lamplight, with
// the workings folded and open, and printed. One browser serves all.
func TestBrowser(t *testing.T) {
	ctx := browser(t)
	t.Run("drawings", func(t *testing.T) { drawings(t, ctx) })
	for name, page := range map[string][]byte{"invented": must(t, sample()), "demo": must(t, demo(t)), "audit": troubled(t), "bench": commission(t)} {
		t.Run(name, func(t *testing.T) { inspect(t, ctx, page) })
	}
}

// demo is the sheet of the embedded demo.
func demo(t *testing.T) Input {
	t.Helper()
	f, list, err := build.OpenFS(examples.FS, examples.Demo)
	if err != nil || list.HasErrors() {
		t.Fatal(err, list)
	}
	p, err := (&work.Runner{Samples: 500}).Prove(t.Context(), f, true)
	if err != nil {
		t.Fatal(err)
	}
	return Of(p, "2026-03-01")
}

func inspect(t *testing.T, ctx context.Context, page []byte) {
	do(t, ctx, chromedp.Navigate(file(t, "sheet.html", page)))
	for _, c := range []struct {
		width      int64
		dark, open bool
	}{{360, false, false}, {360, true, false}, {360, false, true}, {1280, false, false}, {1280, true, false}, {1280, false, true}, {320, false, true}, {720, false, true}, {800, false, true}, {1000, false, false}} {
		t.Run(fmt.Sprintf("%d px, dark %v, workings open %v", c.width, c.dark, c.open), func(t *testing.T) {
			do(t, ctx, chromedp.EmulateViewport(c.width, 800), media(c.dark),
				chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.querySelectorAll('details').forEach(d => d.open = %v)`, c.open)))
			for _, share := range []float64{1, 0.5, 0} {
				do(t, ctx, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`scrollTo(0, document.body.scrollHeight * %g)`, share)))
				if !eval[bool](t, ctx, block) {
					t.Errorf("scrolled to %g of the page, the title block is not in view", share)
				}
			}
			for _, w := range eval[[]string](t, ctx, look) {
				t.Error(w)
			}
		})
	}
	t.Run("axe-core", func(t *testing.T) {
		axe, err := os.ReadFile(filepath.Join("..", "..", "node_modules", "axe-core", "axe.min.js"))
		if err != nil {
			missing(t, "axe-core is not installed: %v", err)
		}
		for _, width := range []int64{360, 1280} {
			for _, dark := range []bool{false, true} {
				do(t, ctx, chromedp.EmulateViewport(width, 800), media(dark), chromedp.Evaluate[chromedp.Void](string(axe)))
				r := eval[struct {
					Passes     int
					Violations []string
				}](t, ctx, `axe.run(document, {runOnly: ['wcag2a','wcag2aa','wcag21a','wcag21aa','wcag22aa','best-practice']}).then(r => ({passes: r.passes.length,
					violations: r.violations.map(v => v.id + ': ' + v.help + ': ' + v.nodes.slice(0, 3).map(n => n.html.slice(0, 160)).join(' | '))}))`, chromedp.EvalAwaitPromise)
				if r.Passes < 10 {
					t.Errorf("only %d rules of axe-core applied", r.Passes)
				}
				for _, v := range r.Violations {
					t.Errorf("%d px, dark %v: %s", width, dark, v)
				}
			}
		}
	})
	t.Run("print", func(t *testing.T) { printed(t, ctx) })
}

// drawings looks at every golden drawing of package draw, set into a page: at its own width nothing may
// lie over anything else.
func drawings(t *testing.T, ctx context.Context) {
	names, err := filepath.Glob(filepath.Join("..", "draw", "testdata", "*.svg"))
	if err != nil || len(names) < 8 {
		t.Fatalf("%d golden drawings, %v", len(names), err)
	}
	var b strings.Builder
	b.WriteString("<!DOCTYPE html><meta charset=utf-8><style>" + string(render.CSS) + draw.CSS + "body{background:var(--paper);width:760px}</style>")
	for _, n := range names {
		svg, err := os.ReadFile(n)
		if err != nil {
			t.Fatal(err)
		}
		b.Write(svg)
	}
	do(t, ctx, chromedp.EmulateViewport(800, 800), media(false), chromedp.Navigate(file(t, "drawings.html", []byte(b.String()))))
	for _, w := range eval[[]string](t, ctx, look) {
		t.Error(w)
	}
}

// printed checks the PDF: A4 pages, the title block on each, no word over another and none outside the frame.
func printed(t *testing.T, ctx context.Context) {
	do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.querySelectorAll('details').forEach(d => d.open = false)`), media(true))
	pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF(chromedp.PDFPreferCSSPageSize(), chromedp.PDFPrintBackground()))
	if err != nil {
		t.Fatal(err)
	}
	if pages := len(regexp.MustCompile(`/Type\s*/Page\b[^s]`).FindAll(pdf, -1)); pages < 4 || len(pdf) < 20000 {
		t.Fatalf("%d pages in %d bytes", pages, len(pdf))
	}
	tool, err := exec.LookPath("pdftotext")
	if err != nil {
		missing(t, "pdftotext (poppler-utils) is not installed")
	}
	path := filepath.Join(t.TempDir(), "sheet.pdf")
	if err := os.WriteFile(path, pdf, 0o666); err != nil {
		t.Fatal(err)
	}
	text, err := exec.Command(tool, "-bbox", path, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	type word struct {
		x0, y0, x1, y1 float64
		text           string
	}
	number := func(s string) float64 { x, _ := strconv.ParseFloat(s, 64); return x }
	wordRE := regexp.MustCompile(`<word xMin="([\d.-]+)" yMin="([\d.-]+)" xMax="([\d.-]+)" yMax="([\d.-]+)">(.*?)</word>`)
	for i, p := range strings.Split(string(text), "<page ")[1:] {
		size := regexp.MustCompile(`width="([\d.]+)" height="([\d.]+)"`).FindStringSubmatch(p)
		w, h := number(size[1]), number(size[2])
		if w < 594 || w > 596 || h < 841 || h > 843 { // 210 × 297 mm in points
			t.Errorf("page %d is %g × %g pt, not A4", i+1, w, h)
		}
		var words []word
		for _, m := range wordRE.FindAllStringSubmatch(p, -1) {
			words = append(words, word{number(m[1]), number(m[2]), number(m[3]), number(m[4]), m[5]})
		}
		const mm = 72 / 25.4
		inBlock := false
		for k, a := range words {
			number := a.y0 > h-10*mm && strings.Trim(a.text, "0123456789/") == "" // of the page, below the frame
			if !number && (a.x0 < 20*mm || a.x1 > w-10*mm+1 || a.y0 < 10*mm || a.y1 > h-10*mm+1) {
				t.Errorf("page %d: %q lies outside the frame", i+1, a.text)
			}
			inBlock = inBlock || (a.text == "proof" || a.text == "signal" || a.text == "bench") && a.y0 > h-40*mm
			if a.y0 > h-40*mm && a.x0 < 55*mm && strings.HasSuffix(a.text, "…") {
				t.Errorf("page %d: the state of proof is cut: %q", i+1, a.text)
			}
			for _, b := range words[k+1:] {
				if a.text == b.text && math.Hypot(a.x0+a.x1-b.x0-b.x1, a.y0+a.y1-b.y0-b.y1) < 8 {
					continue // a label and the paper-coloured halo around it
				}
				over := (min(a.x1, b.x1) - max(a.x0, b.x0))
				high := (min(a.y1, b.y1) - max(a.y0, b.y0))
				if over > 1 && high > 0.35*min(a.y1-a.y0, b.y1-b.y0) {
					t.Errorf("page %d: %q lies over %q", i+1, a.text, b.text)
				}
			}
		}
		if !inBlock {
			t.Errorf("page %d has no title block", i+1)
		}
	}
}
