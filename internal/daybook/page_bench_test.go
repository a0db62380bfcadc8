package daybook_test

import (
	"fmt"
	"html"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"fettle/internal/bench"
	"fettle/internal/build"
	"fettle/internal/daybook"
	"fettle/internal/eyes"
	"fettle/internal/finding"
)

// section is a piece of a page by its name.
func section(t testing.TB, page, name string) string {
	t.Helper()
	_, rest, ok := strings.Cut(page, `data-live="`+name+`"`)
	if !ok {
		t.Fatalf("no piece %s on the page", name)
	}
	piece, _, _ := strings.Cut(rest, "</section>")
	return html.UnescapeString(piece)
}

// The bench from the first reading to the fault: every reading of the sheet has its box, what is typed is judged at once and kept behind
// what is there, a reading that is off leads to the diagnosis, which begins with it.
func TestBench(t *testing.T) {
	dir := folder(t)
	server, b := serve(t, dir, daybook.Settings{})
	at := server.URL + bookPath + "bench"

	s, err := b.Bench(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	_, page := ask(t, "GET", at, nil, nil)
	rows := s.Sheet.Rows()
	for _, r := range rows {
		piece := section(t, page, "bench-"+r.Step)
		for _, want := range []string{`name="test" value="` + r.Test + `"`, s.Sheet.Says(r), fmt.Sprintf(`id="row-%d"`, r.Number)} {
			if !strings.Contains(piece, want) {
				t.Errorf("no. %d: %q is not in its step", r.Number, want)
			}
		}
	}
	if front := section(t, page, "bench-front"); !strings.Contains(front, "No. 1 ") || !strings.Contains(front, fmt.Sprintf("0 of %d read", len(rows))) {
		t.Errorf("in front at first: %s", front)
	}

	// A sound one, as the sheet expects it.
	readings := filepath.Join(dir, build.ReadingsName)
	was, err := os.ReadFile(readings)
	if err != nil {
		t.Fatal(err)
	}
	sound := func(r *bench.Row) string { return s.Sheet.Value(r, r.Typical) }
	post := func(fields url.Values, header map[string]string) (*http.Response, string) {
		t.Helper()
		return form(t, at, header, fields)
	}
	resp, text := post(url.Values{"test": {rows[0].Test}, "reading": {sound(rows[0])}, "back": {bookPath + "bench#front"}}, nil)
	if resp.StatusCode != http.StatusSeeOther || resp.Header.Get("Location") != bookPath+"bench#front" {
		t.Fatalf("%d to %s\n%s", resp.StatusCode, resp.Header.Get("Location"), text)
	}
	now, err := os.ReadFile(readings)
	if err != nil || !strings.HasPrefix(string(now), string(was)) || !strings.Contains(string(now[len(was):]), time.Now().Format(time.DateOnly)+","+rows[0].Setup) {
		t.Fatalf("readings.csv: %v\n%s", err, now)
	}
	_, page = ask(t, "GET", at, nil, nil)
	if front := section(t, page, "bench-front"); !strings.Contains(front, "No. 2 ") || !strings.Contains(front, fmt.Sprintf("1 of %d read, 0 off", len(rows))) || strings.Contains(front, "Look for the fault") {
		t.Errorf("in front after one: %s", front)
	}

	// One may be left out: the next comes in front, and the one after that when it was read; what was left out comes at the end.
	_, page = ask(t, "GET", at+"?after="+url.QueryEscape(rows[1].Test), nil, nil)
	if front := section(t, page, "bench-front"); !strings.Contains(front, "No. 3 ") || !strings.Contains(front, `href="`+bookPath+"bench?after="+url.QueryEscape(rows[2].Test)+`#front"`) {
		t.Errorf("left out: %s", front)
	}
	_, page = ask(t, "GET", at+"?after="+url.QueryEscape(rows[len(rows)-1].Test), nil, nil)
	if front := section(t, page, "bench-front"); !strings.Contains(front, "No. 2 ") {
		t.Errorf("at the end: %s", front)
	}

	// What is no reading of that row is refused with why, and nothing is kept.
	volts := func(step string) *bench.Row {
		for _, r := range rows {
			if r.Step == step && r.Setting == "DC volts" {
				return r
			}
		}
		t.Fatal("no voltage in step " + step)
		return nil
	}
	v := volts("supply")
	for _, fields := range []url.Values{
		{"test": {v.Test}, "reading": {"5 Ω"}}, {"test": {v.Test}, "reading": {"nonsense"}}, {"test": {v.Test}, "reading": {" "}}, {"test": {"no-such:test"}, "reading": {"5 V"}},
		{"reading": {"5 V"}}, {"reading": {"PB9 to plus = 5 V"}}, {"reading": {"row,reading\n1,5 V"}}, {"reading": {"row,reading\n"}}, {"test": {v.Test}, "reading": {"5 V"}, "note": {strings.Repeat("a ", 300)}}, {"test": {v.Test}, "reading": {strings.Repeat("5", 30000) + " V"}}, {},
	} {
		resp, text := post(fields, wantJSON)
		if a := decoded(t, text); resp.StatusCode != http.StatusUnprocessableEntity || len(a.Problems) == 0 || a.Problems[0].Message == "" {
			t.Errorf("%v: %d %s", fields, resp.StatusCode, text)
		}
	}
	if after, _ := os.ReadFile(readings); string(after) != string(now) {
		t.Error("what was refused was kept")
	}
	if resp, text := post(url.Values{"test": {v.Test}, "reading": {"5 <b>Ω"}}, nil); resp.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(text, "5 &lt;b&gt;Ω") {
		t.Errorf("what was typed is lost: %d", resp.StatusCode)
	}

	// One that is off is told at once with what it points to, and marks its row; undone, it is gone; typed anew, the earlier is shown.
	resp, text = post(url.Values{"test": {v.Test}, "reading": {"0.02 V"}}, wantJSON)
	a := decoded(t, text)
	if resp.StatusCode != http.StatusOK || !strings.Contains(a.Words, "is below what is expected") || !strings.Contains(a.Words, "points to:") || a.ID != b.Now().ID || a.Undo != "reading "+v.Probes()+" = 0.02 V" {
		t.Fatalf("%d %s", resp.StatusCode, text)
	}
	_, page = ask(t, "GET", at, nil, nil)
	if front := section(t, page, "bench-front"); !strings.Contains(front, "2 of ") || !strings.Contains(front, ", 1 off") || !strings.Contains(front, `href="`+bookPath+`faults"`) {
		t.Errorf("off: %s", front)
	}
	if step := section(t, page, "bench-supply"); !strings.Contains(step, "It points to: "+v.Means(bench.Below)) || !strings.Contains(step, `v-fails`) {
		t.Errorf("off in its step: %s", step)
	}
	if m := regexp.MustCompile(`aria-current="page"><span class="n" aria-hidden="true">\d+</span><span class="name">Bench</span><span class="state v-(\w+)">`).FindStringSubmatch(page); m == nil || m[1] != string(finding.Fails) {
		t.Errorf("in the order of the work: %v", m)
	}
	begun := time.Now()
	if resp, _ := ask(t, "GET", server.URL+bookPath+"faults", nil, nil); resp.Header.Get("Refresh") != "" || time.Since(begun) > 5*time.Second {
		t.Error("the diagnosis is worked out again for a reading")
	}
	_, page = ask(t, "GET", server.URL+bookPath+"faults", nil, nil)
	if !strings.Contains(page, `begins with 2 readings taken at the <a href="bench">bench</a>, 1 of them off`) || !strings.Contains(page, `faults?fresh=1`) {
		t.Error("the diagnosis does not begin with the readings")
	}
	causes := func(page string) string {
		_, rest, _ := strings.Cut(page, `id="h-causes"`)
		return rest
	}
	_, fresh := ask(t, "GET", server.URL+bookPath+"faults?fresh=1", nil, nil)
	if !strings.Contains(fresh, "left out, as after a repair") || causes(fresh) == causes(page) {
		t.Error("fresh is the same diagnosis")
	}
	if resp, _ := form(t, server.URL+bookPath+"undo", wantJSON, nil); resp.StatusCode != http.StatusOK {
		t.Errorf("undo: %d", resp.StatusCode)
	}
	if after, _ := os.ReadFile(readings); string(after) != string(now) {
		t.Error("undo left something")
	}
	post(url.Values{"test": {v.Test}, "reading": {"0.02 V"}}, nil)
	post(url.Values{"test": {v.Test}, "reading": {sound(v)}}, nil)
	_, page = ask(t, "GET", at+"?at="+url.QueryEscape(v.Test), nil, nil)
	if step := section(t, page, "bench-supply"); !strings.Contains(step, "before:") || strings.Contains(step, "It points to: ") {
		t.Errorf("read twice: %s", step)
	}
	if said := section(t, page, "bench-said"); !strings.Contains(said, "both are kept and the later counts") {
		t.Errorf("contradicted: %s", said)
	}
	if front := section(t, page, "bench-front"); !strings.Contains(front, fmt.Sprintf("No. %d ", v.Number)) || !strings.Contains(front, `class="probe red"`) || !strings.Contains(front, "Read before:") {
		t.Errorf("named in the address: %.400s", front)
	}

	// By its place, also one that is not on the sheet.
	spare := s.Sheet.Spare[0]
	for _, r := range s.Sheet.Spare {
		if r.Setting == "DC volts" && r.Setup == v.Setup {
			spare = r
		}
	}
	if resp, text := post(url.Values{"reading": {spare.Setup + ": " + spare.Point + " to " + spare.Against + " = " + sound(&spare)}}, wantJSON); resp.StatusCode != http.StatusOK {
		t.Errorf("%s: %d %s", spare.Test, resp.StatusCode, text)
	}
	if _, page = ask(t, "GET", at, nil, nil); !strings.Contains(section(t, page, "bench-besides"), spare.Point) {
		t.Error("a reading besides the sheet is not shown")
	}
	// Several at once, all or none: as lines, and as a table from a spreadsheet.
	before := len(b.Now().Folder.Build.Bench)
	resp, text = post(url.Values{"reading": {"2 = yes\r\n\r\n3 = 5 Ω\r\nnonsense"}}, wantJSON)
	if a := decoded(t, text); resp.StatusCode != http.StatusUnprocessableEntity || len(a.Problems) != 2 || a.Problems[0].Line != 3 || a.Problems[1].Line != 4 {
		t.Errorf("wrong lines: %d %s", resp.StatusCode, text)
	}
	if n := len(b.Now().Folder.Build.Bench); n != before {
		t.Errorf("%d of them were kept", n-before)
	}
	if resp, text := post(url.Values{"reading": {"2 = yes\r\n" + fmt.Sprintf("%d = %s", v.Number, sound(v))}, "note": {"cold, \"first\""}}, wantJSON); resp.StatusCode != http.StatusOK || decoded(t, text).Undo != "2 readings" {
		t.Errorf("two lines: %d %s", resp.StatusCode, text)
	}
	if resp, text := post(url.Values{"reading": {"date,row,reading,note\r\n2026-03-01,2,no,\r\n"}}, wantJSON); resp.StatusCode != http.StatusOK || !strings.Contains(decoded(t, text).Words, "yes before, no now") {
		t.Errorf("a table: %d %s", resp.StatusCode, text)
	}
	// What the command line reads is what was typed here.
	f, list, err := build.Open(filepath.Join(dir, file))
	if err != nil || list.HasErrors() || len(f.Build.Bench) != 7 || f.Build.Bench[5].Note != "cold, \"first\"" || f.Build.Bench[6].Date != "2026-03-01" {
		t.Fatalf("%v %v: %+v", err, list, f.Build.Bench)
	}
	if taken, list := s.Having(f.Build.Bench).Taken(); len(taken) != 7 || len(list) > 0 {
		t.Errorf("%d understood: %v", len(taken), list)
	}

	// The sheet to print.
	resp, text = ask(t, "GET", at+"/sheet", nil, nil)
	if policy := resp.Header.Get("Content-Security-Policy"); resp.StatusCode != http.StatusOK || !strings.Contains(text, "Bench sheet: decoder a") || strings.Contains(policy, "unsafe") || !strings.Contains(policy, "sha256-") {
		t.Errorf("to print: %d %s", resp.StatusCode, policy)
	}
	if resp, _ := ask(t, "GET", at+"/sheet?save=1", nil, nil); !strings.HasSuffix(resp.Header.Get("Content-Disposition"), "''bench.html") {
		t.Error("it is not kept")
	}
	if resp, _ := ask(t, "GET", at+"?decoder=nobody", nil, nil); resp.StatusCode != http.StatusNotFound {
		t.Errorf("a decoder that is not there: %d", resp.StatusCode)
	}
}

// Every reading that can be typed, on the sheet and beside it, is read back from readings.csv as what it was: a diode test that shows OL
// is no reading of ohms.
func TestEveryReadingIsReadBack(t *testing.T) {
	server, b := serve(t, folder(t), daybook.Settings{})
	s, err := b.Bench(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	rows := s.Sheet.Rows()
	for i := range s.Sheet.Spare {
		rows = append(rows, &s.Sheet.Spare[i])
	}
	var list []build.BenchReading
	overs := 0
	for _, r := range rows {
		text := s.Sheet.Value(r, r.Typical)
		list = append(list, s.Line(r, "1 = "+text))
		if text == "OL" && r.Setting == "diode test" {
			overs++
		}
	}
	if overs == 0 {
		t.Error("no diode test shows OL")
	}
	taken, problems := s.Having(list).Taken()
	if len(taken) != len(rows) || len(problems) > 0 {
		t.Fatalf("%d of %d are read back: %v", len(taken), len(rows), problems)
	}
	for i, r := range rows {
		if got := taken[i]; got.Row.Test != r.Test || s.Sheet.Value(r, got.Value) != s.Sheet.Value(r, r.Typical) || got.Note != "" {
			t.Errorf("%s, %s: read back as %s, %s %s", r.Test, s.Sheet.Value(r, r.Typical), got.Row.Test, s.Sheet.Value(r, got.Value), got.Note)
		}
	}
	// The diagnosis takes its own lines the same way, and the pages are quick with a full sheet.
	if _, err := b.AppendBench("", list[:len(s.Sheet.Rows())]...); err != nil {
		t.Fatal(err)
	}
	_, page := ask(t, "GET", server.URL+bookPath+"bench", nil, nil)
	if front := section(t, page, "bench-front"); !strings.Contains(front, "All of it was read") || !strings.Contains(front, ", 0 off") {
		t.Errorf("%.600s", front)
	}
}

// While the sheet of a new circuit is worked out, its page says what is being done, comes again by itself, and can stop it.
func TestBenchIsWaitedFor(t *testing.T) {
	server, b := serve(t, folder(t), daybook.Settings{})
	form(t, server.URL+bookPath+"edit", nil, edit(b, "/decoder/a/output/front/series", "866 Ω"))
	for _, page := range []string{"bench", "bench/sheet", "faults"} {
		resp, text := ask(t, "GET", server.URL+bookPath+page, nil, nil)
		if resp.StatusCode != http.StatusOK || resp.Header.Get("Refresh") != "1" || !strings.Contains(text, "Being worked out") {
			t.Errorf("%s: %d\n%s", page, resp.StatusCode, text)
		}
		if page != "bench" {
			continue
		}
		for end := time.Now().Add(20 * time.Second); !strings.Contains(text, "<progress max="); time.Sleep(20 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatal("how far it is is not said")
			}
			_, text = ask(t, "GET", server.URL+bookPath+page, nil, nil)
		}
	}
	for end := time.Now().Add(20 * time.Second); b.Doing().Question != ""; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("it does not stop")
		}
		if resp, _ := form(t, server.URL+bookPath+"cancel", nil, url.Values{"back": {bookPath}}); resp.StatusCode != http.StatusSeeOther || resp.Header.Get("Location") != bookPath {
			t.Errorf("%d to %s", resp.StatusCode, resp.Header.Get("Location"))
		}
	}
	if _, ok := b.KnownBench(); ok {
		t.Error("it was done all the same")
	}
}

// A build that has no circuit yet has no sheet: what is missing is said, and nothing is taken down.
func TestBenchOfAnOpenBuild(t *testing.T) {
	server, _ := serve(t, folder(t), daybook.Settings{})
	form(t, server.URL+"/start", nil, url.Values{"folder": {"tram"}, "answer:vehicle": {"market tram"}})
	for _, page := range []string{"bench", "bench/sheet", "faults"} {
		resp, text := ask(t, "GET", server.URL+"/b/market-tram/"+page, nil, nil)
		if piece := section(t, text, "notyet"); resp.StatusCode != http.StatusOK || !strings.Contains(piece, "no circuit yet: not known: series resistor of output front") || !strings.Contains(piece, `href="/b/market-tram/"`) {
			t.Errorf("%s: %d %s", page, resp.StatusCode, piece)
		}
	}
	if resp, text := form(t, server.URL+"/b/market-tram/bench", wantJSON, url.Values{"reading": {"PB0 = 5 V"}}); resp.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(decoded(t, text).Words, "no circuit yet") {
		t.Errorf("%d %s", resp.StatusCode, text)
	}
	if resp, text := ask(t, "GET", server.URL+"/b/market-tram/built", nil, nil); resp.StatusCode != http.StatusOK || !strings.Contains(text, "designed: open") {
		t.Errorf("%d", resp.StatusCode)
	}
}

// What was fitted is noted on its page, beside what was designed, and a slip is named there.
func TestBuilt(t *testing.T) {
	server, b := serve(t, folder(t), daybook.Settings{})
	_, page := ask(t, "GET", server.URL+bookPath+"built", nil, nil)
	if !strings.Contains(section(t, page, "departs"), "Nothing is noted yet") || !strings.Contains(section(t, page, "fitted-0"), "designed: MMBT3904") {
		t.Fatal(section(t, page, "fitted-0"))
	}
	const at = "/decoder/a/fitted/output/front/"
	if !strings.Contains(page, `name="`+at+`base"`) || !strings.Contains(page, `name="/decoder/a/fitted/meter"`) {
		t.Fatal("no form")
	}
	fields := edit(b, at+"base", "47 kΩ")
	fields.Set("make", "1")
	if resp, text := form(t, server.URL+bookPath+"edit", wantJSON, fields); resp.StatusCode != http.StatusOK {
		t.Fatalf("%d %s", resp.StatusCode, text)
	}
	_, page = ask(t, "GET", server.URL+bookPath+"built", nil, nil)
	departs := section(t, page, "departs")
	for _, want := range []string{"another part's value?", "4.7 times", "What it changes"} { // 47 kΩ where 10 kΩ was designed
		if !strings.Contains(departs, want) {
			t.Errorf("%q is not in\n%s", want, departs)
		}
	}
}

// A reading typed and sent with Enter is told, the next one comes in front with its box at hand, and one that is off leads on.
func TestBenchInTheBrowser(t *testing.T) {
	ctx := eyes.Browser(t)
	server, book := serve(t, folder(t), daybook.Settings{})
	s, err := book.Bench(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	eyes.Do(t, ctx, chromedp.EmulateViewport(1280, 900), chromedp.Navigate(server.URL+bookPath+"bench"))
	until(t, ctx, `document.documentElement.classList.contains('live')`)
	enter := func(field, text string) {
		t.Helper()
		eyes.Do(t, ctx, chromedp.Focus("#"+field), chromedp.SendKeys("#"+field, text+"\r"))
	}
	shots := os.Getenv("FETTLE_SHOTS")
	first, second := s.Sheet.Rows()[0], s.Sheet.Rows()[1]
	if first.Look || !second.Look {
		t.Fatal("the demo's sheet no longer begins with a reading and a look")
	}
	enter("front-reading", "5 V")
	until(t, ctx, `document.getElementById('front-w').textContent.includes('5 V')`)
	eyes.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.getElementById('front-reading').value = ''`))
	enter("front-reading", s.Sheet.Value(first, first.Typical))
	until(t, ctx, `document.getElementById('h-front').textContent.includes('No. 2 ') && document.activeElement?.id === 'front-reading'`)
	until(t, ctx, `document.getElementById('told').textContent.includes('no. 1, ')`)
	// The button of a look says what was seen: by keyboard alone.
	eyes.Do(t, ctx, chromedp.KeyEvent("\r"))
	until(t, ctx, `document.getElementById('h-front').textContent.includes('No. 3 ')`)
	// One that is left out is passed over.
	eyes.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`[...document.querySelectorAll('#front a')].find(a => a.textContent === 'leave it out').click()`))
	until(t, ctx, `document.getElementById('h-front').textContent.includes('No. 4 ') && document.documentElement.classList.contains('live')`)
	eyes.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.getElementById('front-reading').click()`))
	until(t, ctx, `document.getElementById('h-front').textContent.includes('No. 5 ') && document.getElementById('h-front').textContent.includes('3 of ')`)
	// In the table, far from the front: what is half typed elsewhere stays.
	var at *bench.Row
	for _, r := range s.Sheet.Rows() {
		if r.Step == "supply" && r.Setting == "DC volts" {
			at = r
			break
		}
	}
	box := fmt.Sprintf("n-%d", at.Number)
	eyes.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.getElementById('n-8').value = '77'`))
	enter(box, "0.02 V")
	until(t, ctx, fmt.Sprintf(`document.querySelector('#row-%d .pen')?.textContent.includes('fails')`, at.Number))
	until(t, ctx, fmt.Sprintf(`document.activeElement?.id === 'n-%d' && document.getElementById('n-8').value === '77' && document.getElementById('%s').value === ''`, at.Number+1, box))
	until(t, ctx, `document.querySelector('.order.long [aria-current] .state').textContent.includes('fails')`)
	looks(t, ctx, "with readings")
	eyes.Axe(t, ctx, "with readings")
	if shots != "" {
		keep(t, ctx, filepath.Join(shots, "bench-read.jpg"))
		eyes.Do(t, ctx, chromedp.Navigate(server.URL+bookPath+"bench?at="+url.QueryEscape(at.Test)), chromedp.EmulateViewport(1280, 1400))
		keep(t, ctx, filepath.Join(shots, "bench-at.jpg"))
		eyes.Do(t, ctx, chromedp.EmulateViewport(360, 800))
		keep(t, ctx, filepath.Join(shots, "bench-at-360.jpg"))
	}
	eyes.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.querySelector('#front a.go').click()`))
	until(t, ctx, `document.title.includes('Faults') && document.querySelector('main').textContent.includes('1 of them off')`)
	looks(t, ctx, "faults from the bench")
	eyes.Axe(t, ctx, "faults from the bench")
	if shots != "" {
		keep(t, ctx, filepath.Join(shots, "faults-bench.jpg"))
	}
}
