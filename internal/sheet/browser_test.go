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

	"github.com/chromedp/chromedp"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/draw"
	"fettle/internal/eyes"
	"fettle/internal/render"
	"fettle/internal/work"
)

func file(t *testing.T, name string, content []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, content, 0o666); err != nil {
		t.Fatal(err)
	}
	return "file://" + path
}

// block reports whether the title block is in view.
const block = `(() => { const r = document.querySelector('.block').getBoundingClientRect(); return r.height > 20 && r.top >= 0 && r.bottom <= innerHeight + 1 })()`

// TestBrowser looks at the page as a reader would: on a phone and at a desk, by day and by lamplight, with
// the workings folded and open, and printed. One browser serves all.
func TestBrowser(t *testing.T) {
	ctx := eyes.Browser(t)
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
	eyes.Do(t, ctx, chromedp.Navigate(file(t, "sheet.html", page)))
	for _, c := range []struct {
		width      int64
		dark, open bool
	}{{360, false, false}, {360, true, false}, {360, false, true}, {1280, false, false}, {1280, true, false}, {1280, false, true}, {320, false, true}, {720, false, true}, {800, false, true}, {1000, false, false}} {
		t.Run(fmt.Sprintf("%d px, dark %v, workings open %v", c.width, c.dark, c.open), func(t *testing.T) {
			eyes.Do(t, ctx, chromedp.EmulateViewport(c.width, 800), eyes.Media(c.dark),
				chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.querySelectorAll('details').forEach(d => d.open = %v)`, c.open)))
			for _, share := range []float64{1, 0.5, 0} {
				eyes.Do(t, ctx, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`scrollTo(0, document.body.scrollHeight * %g)`, share)))
				if !eyes.Eval[bool](t, ctx, block) {
					t.Errorf("scrolled to %g of the page, the title block is not in view", share)
				}
			}
			for _, w := range eyes.Eval[[]string](t, ctx, eyes.Look) {
				t.Error(w)
			}
		})
	}
	t.Run("axe-core", func(t *testing.T) {
		for _, width := range []int64{360, 1280} {
			for _, dark := range []bool{false, true} {
				eyes.Do(t, ctx, chromedp.EmulateViewport(width, 800), eyes.Media(dark))
				eyes.Axe(t, ctx, fmt.Sprintf("%d px, dark %v", width, dark))
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
	eyes.Do(t, ctx, chromedp.EmulateViewport(800, 800), eyes.Media(false), chromedp.Navigate(file(t, "drawings.html", []byte(b.String()))))
	for _, w := range eyes.Eval[[]string](t, ctx, eyes.Look) {
		t.Error(w)
	}
}

// printed checks the PDF: A4 pages, the title block on each, no word over another and none outside the frame.
func printed(t *testing.T, ctx context.Context) {
	eyes.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.querySelectorAll('details').forEach(d => d.open = false)`), eyes.Media(true))
	pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF(chromedp.PDFPreferCSSPageSize(), chromedp.PDFPrintBackground()))
	if err != nil {
		t.Fatal(err)
	}
	if pages := len(regexp.MustCompile(`/Type\s*/Page\b[^s]`).FindAll(pdf, -1)); pages < 4 || len(pdf) < 20000 {
		t.Fatalf("%d pages in %d bytes", pages, len(pdf))
	}
	tool, err := exec.LookPath("pdftotext")
	if err != nil {
		eyes.Missing(t, "pdftotext (poppler-utils) is not installed")
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
