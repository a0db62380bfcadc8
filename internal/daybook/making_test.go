package daybook_test

import (
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/daybook"
	"fettle/internal/eyes"
	"fettle/internal/live"
	"fettle/internal/work"
)

const lampBlock = "/vehicle/harbour railcar/lamp/"

// making sends a form of the daybook, for script, and tells what it said.
func making(t testing.TB, server, to string, fields url.Values) (status int, said answer) {
	t.Helper()
	resp, text := form(t, server+bookPath+to, wantJSON, fields)
	return resp.StatusCode, decoded(t, text)
}

// Everything that a build file may have several of can be added in the daybook, and everything that is there taken out.
func TestEveryBlockCanBeAdded(t *testing.T) {
	server, _ := serve(t, folder(t), daybook.Settings{})
	var pages strings.Builder
	for _, page := range []string{"", "vehicle", "lamps", "supply", "ear", "outputs", "answers", "drawer"} {
		_, text := ask(t, http.MethodGet, server.URL+bookPath+page, nil, nil)
		pages.WriteString(html.UnescapeString(text))
	}
	var kinds func(b *build.Block, path string)
	kinds = func(b *build.Block, path string) {
		for _, c := range b.Blocks {
			name := path + "/" + c.Name
			switch {
			case !c.Many, strings.HasPrefix(name, "/board/"): // a single one is made with its first value; nothing answers a board yet
			case name == "/vehicle/lamp/reading":
				if !strings.Contains(pages.String(), `action="`+bookPath+`readings"`) {
					t.Errorf("no form adds %s", name)
				}
			case name == "/train/vehicle", strings.HasPrefix(name, "/decoder/fitted/"): // one vehicle makes no train; as built has a form for each output
			default:
				hit := regexp.MustCompile(`name="block" value="` + strings.ReplaceAll(name, "/", "/([^/\"]*/)?") + `"`)
				if !hit.MatchString(pages.String()) {
					t.Errorf("no form adds %s", name)
				}
			}
			kinds(c, name)
		}
	}
	kinds(build.Schema(), "")
	for _, block := range []string{"/vehicle/harbour railcar", lampBlock + "front", "/meter/yellow", "/meter/yellow/range/2", "/supply/bench", "/decoder/a", "/decoder/a/output/rear", "/function/F0#2", "/track"} {
		if strings.Count(pages.String(), `name="block" value="`+block+`"`) == 0 {
			t.Errorf("no form takes out %s", block)
		}
	}
}

// A lamp, its output and its function come, are renamed and go, and in the end the file is what it was.
func TestMaking(t *testing.T) {
	dir := folder(t)
	server, b := serve(t, dir, daybook.Settings{})
	was := string(b.Now().Sources[file])
	post := func(to string, fields url.Values) {
		t.Helper()
		fields.Set("base", b.Now().ID)
		if status, a := making(t, server.URL, to, fields); status != http.StatusOK {
			t.Errorf("%s %v: %d %+v", to, fields, status, a)
		}
	}
	post("add", url.Values{"block": {"/vehicle/harbour railcar/lamp"}, "name": {" cab "}, "a:feed": {"left rail"}, "a:leds": {"white"}, "a:pin": {""}, "words": {"a lamp for the cab"}})
	if undo, _ := b.Steps(); undo != "a lamp for the cab" {
		t.Error(undo)
	}
	post("add", url.Values{"block": {"/decoder/a/output"}, "name": {"cab"}, "a:lamp": {"", "cab", "rear"}, "a:from": {"PB3"}})
	post("add", url.Values{"block": {"/function"}, "name": {"F1"}, "a:output": {"cab"}})
	post("add", url.Values{"block": {"/train/want"}, "a:function": {"F1"}, "a:lit": {"rear", "cab"}})
	if got := string(b.Now().Sources[file]); !strings.Contains(got, "  output \"cab\" {\n    lamp = [\"cab\", \"rear\"]\n    from = \"PB3\"\n  }\n") {
		t.Error(got)
	}
	status, a := making(t, server.URL, "take", url.Values{"base": {b.Now().ID}, "block": {lampBlock + "cab"}})
	if status != http.StatusUnprocessableEntity || len(a.Problems) != 2 || a.Problems[0].Line == 0 || a.Problems[0].Message != `lamp "cab" is still named here (lamp = "cab")` {
		t.Errorf("%d %+v", status, a)
	}
	post("rename", url.Values{"block": {lampBlock + "cab"}, "name": {"desk"}})
	post("take", url.Values{"block": {"/train"}})
	post("take", url.Values{"block": {"/function/F1"}})
	post("take", url.Values{"block": {"/decoder/a/output/cab"}})
	post("take", url.Values{"block": {lampBlock + "desk"}})
	if got, err := os.ReadFile(filepath.Join(dir, file)); err != nil || string(got) != was {
		t.Errorf("%v\n%s", err, got)
	}
	for _, x := range []struct {
		to     string
		fields url.Values
		says   string
	}{
		{"add", url.Values{"block": {"/vehicle/harbour railcar/lamp"}, "name": {"rear"}}, `there is a lamp "rear" already`},
		{"add", url.Values{"block": {"/vehicle/harbour railcar/lamp"}, "name": {""}}, "lamp wants a name"},
		{"add", url.Values{"block": {"/meter/yellow/range"}, "a:measures": {"dc current"}}, "lacks full"},
		{"add", url.Values{"block": {""}}, "names no block"},
		{"add", url.Values{"block": {"/%zz"}}, "names no block"},
		{"take", url.Values{"block": {"/"}}, "names no block"},
		{"take", url.Values{"block": {"/vehicle/harbour railcar"}}, "lacks a vehicle block"},
		{"rename", url.Values{"block": {lampBlock + "rear"}, "name": {"front"}}, "each needs a name of its own"},
		{"strike", url.Values{"reading": {"block:" + lampBlock + "front"}}, "that is no reading"},
		{"strike", url.Values{}, "which reading"},
	} {
		x.fields.Set("base", b.Now().ID)
		resp, text := form(t, server.URL+bookPath+x.to, nil, x.fields)
		if resp.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(html.UnescapeString(text), x.says) || x.fields.Has("a:measures") && !strings.Contains(text, "<dt>measures</dt><dd><pre>dc current</pre></dd>") {
			t.Errorf("%s %v: %d\n%s", x.to, x.fields, resp.StatusCode, text)
		}
	}
}

// The forms that the pages offer do what they say, without script.
func TestStrikeOut(t *testing.T) {
	server, b := serve(t, folder(t), daybook.Settings{})
	_, page := ask(t, http.MethodGet, server.URL+bookPath+"lamps", nil, nil)
	var options []string
	for _, m := range regexp.MustCompile(`<option value="((?:row|block):[^"]*)">([^<]*)<`).FindAllStringSubmatch(page, -1) {
		options = append(options, html.UnescapeString(m[1])+" "+html.UnescapeString(m[2]))
	}
	for _, says := range []string{"written down in a hurry", "front 2, 8.98 V, 6.09 mA, good"} {
		i := slices.IndexFunc(options, func(o string) bool { return strings.Contains(o, says) })
		if i < 0 {
			t.Fatalf("%q is not offered: %q", says, options)
		}
		at, _, _ := strings.Cut(options[i], " front 2")
		at, _, _ = strings.Cut(at, " rear")
		before := len(b.Now().Folder.Build.Readings)
		resp, text := form(t, server.URL+bookPath+"strike", nil, url.Values{"reading": {at}, "base": {b.Now().ID}, "back": {bookPath + "lamps"}})
		if resp.StatusCode != http.StatusSeeOther || resp.Header.Get("Location") != bookPath+"lamps" || len(b.Now().Folder.Build.Readings) != before-1 {
			t.Errorf("%s: %d %s", at, resp.StatusCode, text)
		}
	}
	// What is struck out is not struck twice: the page says that it changed.
	resp, text := form(t, server.URL+bookPath+"strike", nil, url.Values{"reading": {"row:3-000000000000"}, "base": {b.Now().ID}})
	if resp.StatusCode != http.StatusConflict || !strings.Contains(text, "another hand") {
		t.Errorf("%d %s", resp.StatusCode, text)
	}
}

// A block that another hand has changed is shown as it was and as it is; a button takes it out all the same.
func TestTakeConflict(t *testing.T) {
	dir := folder(t)
	server, b := serve(t, dir, daybook.Settings{})
	base := b.Now().ID
	if err := os.WriteFile(filepath.Join(dir, file), []byte(strings.Replace(string(b.Now().Sources[file]), "direction = \"reverse\"", "direction = \"both\"", 1)), 0o644); err != nil {
		t.Fatal(err)
	}
	resp, text := form(t, server.URL+bookPath+"take", nil, url.Values{"base": {base}, "block": {"/function/F0#2"}, "back": {bookPath + "answers"}})
	if resp.StatusCode != http.StatusConflict || !strings.Contains(text, "Take it out all the same") || !strings.Contains(html.UnescapeString(text), `direction = "reverse"`) || !strings.Contains(html.UnescapeString(text), `direction = "both"`) {
		t.Fatalf("%d %s", resp.StatusCode, text)
	}
	fields := url.Values{}
	_, rest, _ := strings.Cut(text, `action="`+bookPath+`take"`)
	for _, m := range hidden.FindAllStringSubmatch(rest, -1) {
		fields.Add(html.UnescapeString(m[1]), html.UnescapeString(m[2]))
	}
	if resp, _ := form(t, server.URL+bookPath+"take", nil, fields); resp.StatusCode != http.StatusSeeOther || len(b.Now().Folder.Build.Functions) != 1 {
		t.Errorf("%d, sent %v", resp.StatusCode, fields)
	}
}

// In the browser: a lamp is added and its section comes; a box of a list is ticked; the lamp goes again.
func TestMakingInTheBrowser(t *testing.T) {
	ctx := eyes.Browser(t)
	server, b := serve(t, folder(t), daybook.Settings{})
	says := func(text string) bool { return strings.Contains(string(b.Now().Sources[file]), text) }
	eyes.Do(t, ctx, chromedp.EmulateViewport(1280, 900), chromedp.Navigate(server.URL+bookPath+"lamps"), chromedp.Evaluate[chromedp.Void](`(() => {
		const f = [...document.querySelectorAll('form[action$="/add"]')].find(f => f.elements.block.value.endsWith('/lamp'));
		f.closest('details').open = true;
		const half = document.getElementsByName('/vehicle/harbour railcar/lamp/rear/good')[0]; half.value = '1.'; half.dispatchEvent(new Event('input', {bubbles: true}));
		const set = (name, value) => { const e = f.elements[name]; e.focus(); e.value = value; e.dispatchEvent(new Event('input', {bubbles: true})); };
		set('name', 'cab'); set('a:feed', 'left rail'); f.querySelector('button').click() })()`))
	until(t, ctx, `[...document.querySelectorAll('h2')].some(h => h.textContent.includes('Lamp cab'))`)
	if !says(`lamp "cab" {`) {
		t.Error("the file does not say it")
	}
	if got := eyes.Eval[string](t, ctx, `document.getElementsByName('/vehicle/harbour railcar/lamp/rear/good')[0].value`); got != "1." {
		t.Errorf("half typed: %q", got)
	}
	eyes.Do(t, ctx, chromedp.Navigate(server.URL+bookPath+"outputs"), chromedp.Evaluate[chromedp.Void](`[...document.getElementsByName('/decoder/a/output/front/lamp')].find(e => e.value === 'cab').click()`))
	until(t, ctx, `document.querySelector('.b-undo').textContent.includes('lamp of output front')`)
	if !says(`lamp     = ["front", "cab"]`) {
		t.Error("the box was not written")
	}
	// Refused, with the line, where it was pressed.
	eyes.Do(t, ctx, chromedp.Navigate(server.URL+bookPath+"lamps"), chromedp.Evaluate[chromedp.Void](`[...document.querySelectorAll('form[action$="/take"]')].find(f => f.elements.block.value.endsWith('/cab')).querySelector('button').click()`))
	until(t, ctx, `[...document.querySelectorAll('.wrong:not([hidden])')].some(e => e.textContent.includes('still named here'))`)
	eyes.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`document.querySelector('.b-undo button').click()`))
	until(t, ctx, `document.querySelector('.b-undo').textContent.includes('lamp cab added')`)
	eyes.Do(t, ctx, chromedp.Evaluate[chromedp.Void](`[...document.querySelectorAll('form[action$="/take"]')].find(f => f.elements.block.value.endsWith('/cab')).querySelector('button').click()`))
	until(t, ctx, `![...document.querySelectorAll('h2')].some(h => h.textContent.includes('Lamp cab'))`)
	if says(`"cab"`) {
		t.Error("it is still there")
	}
}

// A line of the drawer is shown as a form, written, taken out; a new one is added; what is wrong with it is said.
func TestDrawerLines(t *testing.T) {
	dir := folder(t)
	server, b := serve(t, dir, daybook.Settings{})
	drawer := filepath.Join(dir, build.DrawerName)
	was, err := os.ReadFile(drawer)
	if err != nil {
		t.Fatal(err)
	}
	line := func(part string) string {
		t.Helper()
		_, page := ask(t, http.MethodGet, server.URL+bookPath+"drawer", nil, nil)
		m := regexp.MustCompile(`href="([^"]*drawer\?row=[^"]*)#line">` + regexp.QuoteMeta(part) + `<`).FindStringSubmatch(page)
		if m == nil {
			t.Fatalf("%s is not in the drawer", part)
		}
		_, page = ask(t, http.MethodGet, server.URL+html.UnescapeString(m[1]), nil, nil)
		_, page, _ = strings.Cut(page, `id="line"`)
		return page
	}
	fields := func(page string) url.Values {
		f := url.Values{}
		page, _, _ = strings.Cut(page, "</form>")
		for _, m := range regexp.MustCompile(`<input[^>]* name="([^"]*)" value="([^"]*)"`).FindAllStringSubmatch(page, -1) {
			f.Set(html.UnescapeString(m[1]), html.UnescapeString(m[2]))
		}
		return f
	}
	f := fields(line("MMBT3904"))
	if f.Get("c:count") != "48" || f.Get("c:price") != "0.03" || f.Get("row") == "" {
		t.Fatalf("%v", f)
	}
	now := b.Now()
	if resp, _ := form(t, server.URL+bookPath+"drawer", nil, f); resp.StatusCode != http.StatusSeeOther || b.Now() != now {
		t.Error("a line that is sent as it is was written")
	}
	f.Set("c:count", "46")
	f.Set("c:kind", "transistor")
	if resp, text := form(t, server.URL+bookPath+"drawer", nil, f); resp.StatusCode != http.StatusSeeOther || resp.Header.Get("Location") != bookPath+"drawer" {
		t.Errorf("%d %s", resp.StatusCode, text)
	}
	if got, err := os.ReadFile(drawer); err != nil || string(got) != strings.Replace(string(was), "SOT-23,48,", "SOT-23,46,", 1) {
		t.Error("more than the count has changed")
	}
	if resp, _ := form(t, server.URL+bookPath+"drawer", nil, f); resp.StatusCode != http.StatusConflict {
		t.Errorf("a line that says something else now: %d", resp.StatusCode)
	}
	if status, a := making(t, server.URL, "drawer", url.Values{"c:value": {"910 Ω"}, "c:package": {"0805"}, "c:count": {"ten"}}); status != http.StatusUnprocessableEntity || len(a.Problems) != 1 || !strings.Contains(a.Problems[0].Message, "ten") {
		t.Errorf("%d %+v", status, a)
	}
	if status, _ := making(t, server.URL, "drawer", url.Values{"c:value": {"910 Ω"}, "c:package": {"0805"}, "c:count": {"10"}}); status != http.StatusOK {
		t.Error(status)
	}
	f = fields(line("910 Ω"))
	f.Set("out", "1")
	if resp, _ := form(t, server.URL+bookPath+"drawer", nil, f); resp.StatusCode != http.StatusSeeOther {
		t.Error(resp.StatusCode)
	}
	if got, err := os.ReadFile(drawer); err != nil || string(got) != strings.Replace(string(was), "SOT-23,48,", "SOT-23,46,", 1) {
		t.Error("the drawer is not what it was")
	}
	if _, page := ask(t, http.MethodGet, server.URL+bookPath+"drawer?row=3-000000000000", nil, nil); !strings.Contains(page, "says something else now") {
		t.Error("a line that is gone is not said to be")
	}
}

// The shelf says of every build how it stands and what it costs beside a ready-made decoder; the stock counts what those that share
// a drawer want together.
func TestShelfAndStock(t *testing.T) {
	dir := folder(t)
	text, err := os.ReadFile(filepath.Join(dir, file))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(dir, "twin"), 0o755); err != nil {
		t.Fatal(err)
	}
	twin := strings.Replace(string(text), `vehicle "harbour railcar"`, `vehicle "twin"`, 1) + "\ncost {\n  currency   = \"EUR\"\n  ready_made = 30\n}\n"
	if err := os.WriteFile(filepath.Join(dir, "twin", "twin.fettle"), []byte(strings.ReplaceAll(twin, `series   = "choose"`, `series   = "10 Ω"`)), 0o644); err != nil {
		t.Fatal(err)
	}
	server, _ := serve(t, dir, daybook.Settings{})
	_, page := ask(t, http.MethodGet, server.URL+"/?all=1", nil, nil)
	for _, want := range []string{"look first at</span> <a href=\"/b/twin/why?of=", "ready made</span> 30.00 EUR: ", "less than ready made", "say what a ready-made decoder would cost"} {
		if !strings.Contains(page, want) {
			t.Errorf("the shelf does not say %q", want)
		}
	}
	csv := func(query string) (string, int) {
		resp, text := ask(t, http.MethodGet, server.URL+"/stock?as=csv&drawer=drawer.csv"+query, nil, nil)
		return text, resp.StatusCode
	}
	both, status := csv("")
	if status != http.StatusOK || !strings.Contains(both, "MMBT3904,\"harbour-railcar 2, twin 2\",4,48,—,—\n") || !strings.Contains(both, "10 Ω 0805,twin 2,2,0,2,?\n") {
		t.Errorf("%d\n%s", status, both)
	}
	if i, k := strings.Index(both, "10 Ω"), strings.Index(both, "MMBT3904"); i > k {
		t.Error("what is to be bought does not come first")
	}
	if one, _ := csv("&of=&of=harbour-railcar"); !strings.Contains(one, "MMBT3904,harbour-railcar 2,2,48,—,—\n") {
		t.Error(one)
	}
	if _, status := csv("&of="); status != http.StatusNotFound {
		t.Error(status)
	}
	if _, page := ask(t, http.MethodGet, server.URL+"/stock?of=&of=twin", nil, nil); strings.Count(page, " checked") != 1 || !strings.Contains(page, `value="twin" checked`) {
		t.Error("the boxes do not say what is counted")
	}
}

// lineOf names the line of a part in the demo's drawer.
func lineOf(part string) string {
	src, err := examples.FS.ReadFile(examples.Demo + "/" + build.DrawerName)
	if err != nil {
		panic(err) // it is embedded
	}
	return live.RowKey(src, 1+strings.Count(string(src[:strings.Index(string(src), "\n"+part+",")+1]), "\n"))
}

// The whole page offers the full proof, says that it is under way, and can be used meanwhile.
func TestFullProof(t *testing.T) {
	server, b := serve(t, folder(t), daybook.Settings{})
	if _, page := ask(t, http.MethodGet, server.URL+bookPath, nil, nil); !strings.Contains(page, bookPath+`full"`) {
		t.Error("it is not offered")
	}
	if resp, _ := form(t, server.URL+bookPath+"full", nil, nil); resp.StatusCode != http.StatusSeeOther {
		t.Error(resp.StatusCode)
	}
	if running, _ := b.Full(); !running {
		t.Error("it does not run")
	}
	if _, page := ask(t, http.MethodGet, server.URL+bookPath, nil, nil); !strings.Contains(page, "is being computed") {
		t.Error("it is not said to run")
	}
	if status, _ := making(t, server.URL, "cancel", nil); status != http.StatusOK {
		t.Error(status)
	}
	if running, done := b.Full(); running || done {
		t.Errorf("running %v, done %v", running, done)
	}
}

// What is folded is looked at as well: forms that add, rename, take out and strike.
func TestFoldsOpened(t *testing.T) {
	ctx := eyes.Browser(t)
	server, _ := serve(t, folder(t), daybook.Settings{})
	for _, name := range []string{"vehicle", "lamps", "answers", "line", "part"} {
		eyes.Do(t, ctx, chromedp.EmulateViewport(1280, 900), chromedp.Navigate(server.URL+everyPage[name]), chromedp.Evaluate[chromedp.Void](`document.querySelectorAll('main details:not(.working)').forEach(d => { d.open = true })`))
		for _, width := range []int64{360, 1280} {
			eyes.Do(t, ctx, chromedp.EmulateViewport(width, 900))
			where := fmt.Sprintf("%s unfolded, %d px", name, width)
			if shots := os.Getenv("FETTLE_SHOTS"); shots != "" {
				keep(t, ctx, filepath.Join(shots, fmt.Sprintf("%s-unfolded-%d.jpg", name, width)))
			}
			for _, w := range eyes.Eval[[]string](t, ctx, eyes.Look) {
				if !strings.HasPrefix(w, "only ") {
					t.Errorf("%s: %s", where, w)
				}
			}
			eyes.Axe(t, ctx, where)
		}
	}
}

// No page of any demo has two things of one id, which a label, a link or a reader would mistake for each other.
func TestIDsAreUnique(t *testing.T) {
	shelf := live.Demo(&work.Runner{Samples: 20, Cache: cache})
	d := daybook.New(shelf, daybook.Settings{})
	server := httptest.NewServer(d)
	defer func() { d.Close(); server.Close(); shelf.Close() }()
	id := regexp.MustCompile(`\sid="([^"]*)"`)
	for _, b := range shelf.Books() {
		for _, page := range []string{"", "vehicle", "lamps", "supply", "ear", "outputs", "answers", "drawer", "part?query=1AM", "file", "track", "experiments"} {
			resp, text := ask(t, http.MethodGet, server.URL+"/b/"+b.Name()+"/"+page, nil, nil)
			if resp.StatusCode != http.StatusOK {
				t.Errorf("%s, %s: %d", b.Name(), page, resp.StatusCode)
			}
			seen := map[string]bool{}
			for _, m := range id.FindAllStringSubmatch(text, -1) {
				if seen[m[1]] {
					t.Errorf("%s, %s: two things are called %q", b.Name(), page, m[1])
				}
				seen[m[1]] = true
			}
			if len(seen) < 2 {
				t.Errorf("%s, %s: %d ids", b.Name(), page, len(seen))
			}
		}
	}
}
