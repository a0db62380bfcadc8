package daybook_test

import (
	"bytes"
	"context"
	"encoding/base64"
	"fmt"
	"math"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"fettle/examples"
	"fettle/internal/daybook"
	"fettle/internal/eyes"
	"fettle/internal/fault"
	"fettle/internal/live"
	"fettle/internal/work"
)

// A traveller goes the road in a real browser, with its keys and its mouse.
type traveller struct {
	*testing.T
	ctx context.Context
}

func (v *traveller) goes(url string) { v.Helper(); eyes.Do(v.T, v.ctx, chromedp.Navigate(url)) }

// types writes into a field and leaves it.
func (v *traveller) types(field, text string) {
	v.Helper()
	eyes.Do(v.T, v.ctx, chromedp.Clear(field), chromedp.SendKeys(field, text+"\t"))
}

// picks chooses a word of a select.
func (v *traveller) picks(field, word string) {
	v.Helper()
	eyes.Do(v.T, v.ctx, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.value = %q; e.dispatchEvent(new Event("change", {bubbles: true})) })()`, field, word)))
}

func (v *traveller) presses(button string) { v.Helper(); eyes.Do(v.T, v.ctx, chromedp.Click(button)) }

func (v *traveller) sees(condition string) { v.Helper(); until(v.T, v.ctx, condition) }

// The whole road, from an empty folder: a guided first build, the reading that was wanted, a value chosen, a hand in an editor, a
// clash of the two, a recording dropped on the page, a fault found, and the build sheet on paper.
func TestRoad(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	v := &traveller{t, eyes.Browser(t)}
	dir := t.TempDir()
	shelf, err := live.OpenShelf(dir, &work.Runner{Samples: 20, Cache: cache})
	if err != nil {
		t.Fatal(err)
	}
	d := daybook.New(shelf, daybook.Settings{})
	server := httptest.NewServer(d)
	t.Cleanup(func() { d.Close(); server.Close(); shelf.Close() })
	eyes.Do(t, v.ctx, chromedp.EmulateViewport(1280, 900))

	// The first build: one question a screen, what is not known left open.
	v.goes(server.URL)
	v.presses(`a[href="/new"]`)
	answers := map[string]string{"vehicle": "brick wagon", "lamps": "front", "lamp 1 leds": "white", "lamp 1 reading 1": "6.0 V 3.10 mA"}
	for n := 0; ; n++ {
		v.sees(`document.querySelector("#answer, #folder") !== null && document.readyState === "complete"`)
		name := eyes.Eval[string](t, v.ctx, `document.querySelector("#answer")?.name ?? ""`)
		if name == "" {
			break
		}
		if n > 40 {
			t.Fatal("the questions have no end")
		}
		if answer, ok := answers[strings.TrimPrefix(name, "answer:")]; !ok {
			v.presses(`.ask .send button`)
		} else if eyes.Eval[bool](t, v.ctx, `document.querySelector("#answer").matches("select")`) {
			v.picks("#answer", answer)
			v.presses(`.ask .send button`)
		} else {
			eyes.Do(t, v.ctx, chromedp.SendKeys("#answer", answer+"\r"))
		}
		v.sees(fmt.Sprintf(`(document.querySelector("#answer")?.name ?? "") !== %q`, name))
	}
	v.presses(`form[action="/start"] button`)
	v.sees(`location.pathname === "/b/brick-wagon/" && document.querySelector(".b-state")?.textContent.includes("unknown")`)
	home := server.URL + "/b/brick-wagon/"
	book, ok := shelf.Book("brick-wagon")
	if !ok {
		t.Fatal("the build is not on the shelf")
	}
	if !eyes.Eval[bool](t, v.ctx, `document.querySelector("main").textContent.includes("turn the supply round")`) {
		t.Error("the page does not say which reading is wanted")
	}

	// The reading that is wanted: then the lamp is known, and all holds.
	v.goes(home + "lamps")
	const reading = "#r-brick-wagon-front-"
	v.types(reading+"track", "4.00 V")
	v.picks(reading+"reversed", "true")
	v.types(reading+"current", "0.00 mA")
	v.presses(`form.reading button:not([type=button])`)
	v.sees(`document.querySelector(".b-state")?.textContent.includes("holds")`)

	// A value of one's own, too small; the verdict follows, and with a better one it holds again.
	v.goes(home + "outputs")
	const series = `[name="/decoder/a/output/front/series"]`
	v.types(series, "10 Ω")
	v.sees(`document.querySelector(".b-state")?.textContent.includes("fails")`)
	v.types(series, "1.2 kΩ")
	v.sees(`document.querySelector(".b-state")?.textContent.includes("holds")`)

	// Another hand writes into the file: the page follows, and what is half typed stays.
	eyes.Do(t, v.ctx, chromedp.Clear(series), chromedp.SendKeys(series, "1.5"))
	file := book.File()
	if !filepath.IsAbs(file) {
		file = filepath.Join(dir, file)
	}
	src, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	save := func(old, new string) {
		t.Helper()
		if !bytes.Contains(src, []byte(old)) {
			t.Fatalf("the file does not say %s:\n%s", old, src)
		}
		src = bytes.Replace(src, []byte(old), []byte(new), 1)
		if err := os.WriteFile(file, src, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	save(`good        = "2 mA"`, `good        = "2.9 mA" # by an editor`)
	v.sees(`document.querySelector(".b-state")?.textContent.includes("fails")`)
	if got := eyes.Eval[string](t, v.ctx, `document.querySelector('`+series+`').value`); got != "1.5" {
		t.Errorf("half typed: %q", got)
	}
	// And now at the same value: nothing is lost silently.
	save(`series   = "1.2 kΩ"`, `series   = "820 Ω"`)
	v.sees(`document.body.dataset.revision === ` + strconv.Quote(waitRevision(t, book, "820 Ω")))
	eyes.Do(t, v.ctx, chromedp.SendKeys(series, " kΩ\t"))
	v.sees(`[...document.querySelectorAll(".wrong:not([hidden])")].some(e => e.textContent.includes("820 Ω") && e.textContent.includes("1.5 kΩ"))`)
	if now, err := os.ReadFile(file); err != nil || !bytes.Equal(now, src) {
		t.Errorf("the file was written: %v\n%s", err, now)
	}
	eyes.Axe(t, v.ctx, "a conflict")

	// A recording of the track, dropped on its page.
	v.goes(home + "track")
	data, err := examples.FS.ReadFile("track/trouble.csv.gz")
	if err != nil {
		t.Fatal(err)
	}
	eyes.Do(t, v.ctx, chromedp.Evaluate[chromedp.Void](`(() => {
		const bytes = Uint8Array.from(atob("`+base64.StdEncoding.EncodeToString(data)+`"), c => c.charCodeAt(0)), d = new DataTransfer();
		d.items.add(new File([bytes], "evening.csv.gz"));
		for (const kind of ["dragover", "drop"]) document.querySelector("main").dispatchEvent(new DragEvent(kind, {dataTransfer: d, bubbles: true, cancelable: true})) })()`))
	v.sees(`document.querySelector("#h-heard")?.textContent.includes("evening") && document.querySelector(".verdict.v-fails") !== null && document.querySelector(".halves canvas") !== null`)

	// The light of the new decoder stays dark: what was seen and what is read are answered until the cause stands clear. The lamp is dead.
	table, err := book.Faults(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	v.goes(home + "faults")
	eyes.Do(t, v.ctx, chromedp.SendKeys("#answer", "saw front light stays off\r"))
	v.sees(`document.querySelector(".answers") !== null && document.readyState === "complete"`)
	v.diagnoses(table, "lamp.front.dead")
	eyes.Axe(t, v.ctx, "a fault found")

	// The build sheet, on A4.
	v.goes(home + "sheet")
	pdf, err := chromedp.Run(v.ctx, chromedp.PrintToPDF(chromedp.PDFPaper(chromedp.PaperA4)))
	if err != nil {
		t.Fatal(err)
	}
	printed(t, pdf, "brick wagon", "820 Ω", "2.90 mA")
}

// diagnoses answers each question of the page as a decoder with that cause would, until the cause stands clear.
func (v *traveller) diagnoses(table *fault.Table, id string) {
	v.Helper()
	cause := slices.IndexFunc(table.Causes, func(c fault.Cause) bool { return c.ID == id })
	for range 12 {
		if eyes.Eval[bool](v.T, v.ctx, `Boolean(document.querySelector("#h-next")?.textContent.includes("What it comes to"))`) {
			if said := eyes.Eval[string](v.T, v.ctx, `document.querySelector("[aria-labelledby=h-next]").textContent`); !strings.Contains(said, table.Causes[cause].Words) {
				v.Errorf("not %q:\n%s", table.Causes[cause].Words, said)
			}
			return
		}
		asked := eyes.Eval[string](v.T, v.ctx, `document.querySelector(".ask [name=asked]").value`)
		test := slices.IndexFunc(table.Tests, func(x fault.Test) bool { return x.ID == asked })
		if test < 0 {
			v.Fatalf("asked for %q", asked)
		}
		before := eyes.Eval[string](v.T, v.ctx, `location.href`)
		switch shows := table.Foreseen(cause, test)[0]; {
		case math.IsNaN(shows):
			v.presses(`.ask button[value=skip]`)
		case table.Tests[test].Choices != nil:
			v.presses(fmt.Sprintf(`.ask button[value=%q]`, table.Tests[test].Choices[int(shows)]))
		default:
			line := table.Write(fault.Reading{Test: test, Value: shows, Over: math.IsInf(shows, 0)})
			eyes.Do(v.T, v.ctx, chromedp.SendKeys("#answer", line+"\r"))
		}
		v.sees(fmt.Sprintf(`location.href !== %q && document.readyState === "complete"`, before))
	}
	v.Error("no cause stands clear after 12 readings")
}

// waitRevision is the revision in which the file says something.
func waitRevision(t *testing.T, b *live.Book, says string) string {
	t.Helper()
	for range 400 {
		if now := b.Now(); bytes.Contains(now.Sources[b.File()], []byte(says)) {
			return now.ID
		}
		time.Sleep(25 * time.Millisecond)
	}
	t.Fatalf("the book never says %s", says)
	return ""
}

// printed holds that a PDF has these words.
func printed(t *testing.T, pdf []byte, words ...string) {
	t.Helper()
	tool, err := exec.LookPath("pdftotext")
	if err != nil {
		eyes.Missing(t, "no pdftotext on this machine")
	}
	cmd := exec.Command(tool, "-", "-")
	cmd.Stdin = bytes.NewReader(pdf)
	text, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range words {
		if !strings.Contains(string(text), w) {
			t.Errorf("not on paper: %s", w)
		}
	}
}
