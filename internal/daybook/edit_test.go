package daybook_test

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"html"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"testing"
	"time"

	"fettle/internal/build"
	"fettle/internal/daybook"
	"fettle/internal/live"
)

var wantJSON = map[string]string{"Accept": "application/json"}

// answer is what a POST says to script.
type answer struct {
	Revision                                int
	ID, Undo, Redo, To, Kind, Words, Theirs string
	Problems                                []struct {
		File, Message, Mend string
		Line                int
	}
	Conflict []struct{ Name, Where, Base, Theirs, Mine string }
}

func decoded(t testing.TB, text string) answer {
	t.Helper()
	var a answer
	if err := json.Unmarshal([]byte(text), &a); err != nil {
		t.Fatal(err, text)
	}
	return a
}

func value(t testing.TB, b *live.Book, name string) string {
	t.Helper()
	path := strings.Split(strings.TrimPrefix(name, "/"), "/")
	n := len(path) - 1
	text, _, _ := build.Value(file, b.Now().Sources[file], path[:n], path[n])
	return text
}

// A form without script is sent back to its page; script is told the revision, or what is wrong, in the words of the checks.
func TestEdit(t *testing.T) {
	dir := folder(t)
	server, b := serve(t, dir, daybook.Settings{})
	page := server.URL + bookPath + "vehicle?x=1"
	resp, _ := form(t, server.URL+bookPath+"edit", map[string]string{"Referer": page, "Origin": server.URL}, edit(b, goodName, "2.2 mA"))
	if resp.StatusCode != http.StatusSeeOther || resp.Header.Get("Location") != bookPath+"vehicle?x=1" || value(t, b, goodName) != "2.2 mA" {
		t.Errorf("%d to %s", resp.StatusCode, resp.Header.Get("Location"))
	}
	for referer, want := range map[string]string{"http://evil.example/": bookPath, "": bookPath, server.URL + "//evil.example": bookPath, "javascript:alert(1)": bookPath} {
		if resp, _ := form(t, server.URL+bookPath+"undo", map[string]string{"Referer": referer}, nil); resp.StatusCode != http.StatusSeeOther && resp.StatusCode != http.StatusConflict || resp.StatusCode == http.StatusSeeOther && resp.Header.Get("Location") != want {
			t.Errorf("from %q: %d to %q", referer, resp.StatusCode, resp.Header.Get("Location"))
		}
	}
	resp, text := form(t, server.URL+bookPath+"redo", wantJSON, nil)
	if a := decoded(t, text); resp.StatusCode != http.StatusOK || a.ID != b.Now().ID || a.Revision != b.Now().Number || a.Undo != "good of lamp front = 2.2 mA" || value(t, b, goodName) != "2.2 mA" {
		t.Errorf("%d %s", resp.StatusCode, text)
	}
	resp, text = form(t, server.URL+bookPath+"redo", wantJSON, nil)
	if a := decoded(t, text); resp.StatusCode != http.StatusConflict || a.Kind != "nothing" {
		t.Errorf("%d %s", resp.StatusCode, text)
	}
	// A wrong value.
	resp, text = form(t, server.URL+bookPath+"edit", wantJSON, edit(b, goodName, "2.2 V"))
	if a := decoded(t, text); resp.StatusCode != http.StatusUnprocessableEntity || a.Kind != "wrong" || len(a.Problems) != 1 || a.Problems[0].Line == 0 || a.Problems[0].File != file || !strings.Contains(a.Problems[0].Message, "2.2 V") {
		t.Errorf("%d %s", resp.StatusCode, text)
	}
	resp, text = form(t, server.URL+bookPath+"edit", nil, edit(b, goodName, "2.2 V"))
	if resp.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(text, "Nothing was written") || !strings.Contains(text, "2.2 V") {
		t.Errorf("%d %s", resp.StatusCode, text)
	}
	for _, name := range []string{"/vehicle", "/", "//", "/vehicle/%zz/good", "/vehicle/harbour railcar/lamp/front/gud", "/a/b/c/d/e/f"} {
		if resp, text := form(t, server.URL+bookPath+"edit", wantJSON, edit(b, name, "1")); resp.StatusCode != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d %s", name, resp.StatusCode, text)
		}
	}
	// A value in the URL is none.
	if resp, _ := form(t, server.URL+bookPath+"edit?base="+b.Now().ID+"&"+url.QueryEscape(goodName)+"=3+mA", wantJSON, nil); resp.StatusCode != http.StatusOK || value(t, b, goodName) != "2.2 mA" {
		t.Errorf("%d: %s", resp.StatusCode, value(t, b, goodName))
	}
	if resp, _ := form(t, server.URL+"/b/nothing/edit", wantJSON, edit(b, goodName, "2.3 mA")); resp.StatusCode != http.StatusNotFound {
		t.Errorf("no such build: %d", resp.StatusCode)
	}
	if value(t, b, goodName) != "2.2 mA" {
		t.Error("something was written")
	}
}

// An emptied field takes its attribute out; several fields of one name are a list; "make" makes a block.
func TestEditKinds(t *testing.T) {
	dir := folder(t)
	server, b := serve(t, dir, daybook.Settings{})
	was := string(b.Now().Sources[file])
	post := func(fields url.Values) string {
		t.Helper()
		fields.Set("base", b.Now().ID)
		resp, text := form(t, server.URL+bookPath+"edit", wantJSON, fields)
		if resp.StatusCode != http.StatusOK {
			t.Errorf("%v: %d %s", fields, resp.StatusCode, text)
		}
		return string(b.Now().Sources[file])
	}
	const never = "/vehicle/harbour railcar/lamp/front/never_above"
	if got, want := post(url.Values{never: {""}}), strings.Replace(was, "    never_above = \"12 mA\"\n", "", 1); got != want || got == was {
		t.Errorf("taken out:\n%s", got)
	}
	without := b.Now()
	if post(url.Values{never: {" "}}); b.Now() != without {
		t.Error("an empty field of what is not written is an edit")
	}
	post(url.Values{"/decoder/a/output/front/lamp": {"front", "rear"}})
	if got := value(t, b, "/decoder/a/output/front/lamp"); got != "front, rear" {
		t.Errorf("a list: %s", got)
	}
	fields := url.Values{"base": {b.Now().ID}, "/meter/red/true_rms": {"true"}}
	if resp, text := form(t, server.URL+bookPath+"edit", wantJSON, fields); resp.StatusCode != http.StatusUnprocessableEntity {
		t.Errorf("a block that is not there: %d %s", resp.StatusCode, text)
	}
	if got := post(url.Values{"/meter/red/true_rms": {"true"}, "make": {"1"}}); !strings.Contains(got, `meter "red" {`) {
		t.Errorf("made:\n%s", got)
	}
	for range 3 {
		if _, err := b.Undo(); err != nil {
			t.Fatal(err)
		}
	}
	if got, err := os.ReadFile(filepath.Join(dir, file)); err != nil || string(got) != was {
		t.Errorf("undone:\n%s", got)
	}
}

// Names of fields are names of attributes, whatever the labels hold.
func TestField(t *testing.T) {
	if got := daybook.Field([]string{"decoder", "a / 100 %", "output", "front"}, "series"); got != "/decoder/a %2F 100 %25/output/front/series" {
		t.Error(got)
	}
	server, b := serve(t, folder(t), daybook.Settings{})
	if _, text := form(t, server.URL+bookPath+"edit", wantJSON, edit(b, "/decoder/a %2F 100 %25/output/front/series", "1k")); !strings.Contains(text, `a / 100 %`) {
		t.Error(text)
	}
}

// Two browsers at once: what they change apart stands, what they change alike is a conflict that shows all three values and takes
// the second's if it is sent again; each is told of the other's change.
func TestTwoBrowsers(t *testing.T) {
	server, b := serve(t, folder(t), daybook.Settings{})
	one, two := browser(t), browser(t)
	base := b.Now().ID
	post := func(c *http.Client, base, name, value string) (*http.Response, string) {
		t.Helper()
		resp, err := c.PostForm(server.URL+bookPath+"edit", url.Values{"base": {base}, name: {value}})
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		text, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp, string(text)
	}
	resp, err := two.Get(server.URL + bookPath + "events")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	events := bufio.NewReader(resp.Body)
	if kind, data := event(t, events); kind != "revision" || !strings.Contains(data, base) {
		t.Errorf("%s %s", kind, data)
	}
	post(one, base, goodName, "2.2 mA")
	for told := false; !told; {
		kind, data := event(t, events)
		told = kind == "revision" && strings.Contains(data, b.Now().ID) && strings.Contains(data, "good of lamp front = 2.2 mA")
	}
	for proved := false; !proved; {
		kind, data := event(t, events)
		proved = kind == "verdict" && strings.Contains(data, b.Now().ID) && strings.Contains(data, `"verdict":"`)
	}
	post(two, base, seenName, "0.7 mA")
	if g, s := value(t, b, goodName), value(t, b, seenName); g != "2.2 mA" || s != "0.7 mA" {
		t.Fatalf("good %s, seen %s", g, s)
	}
	now := b.Now()
	refused, page := post(two, base, goodName, "2.6 mA")
	if refused.StatusCode != http.StatusConflict || b.Now() != now {
		t.Fatalf("%d", refused.StatusCode)
	}
	for _, s := range []string{"2.0 mA", "2.2 mA", "2.6 mA", "good of lamp front", now.ID} {
		if !strings.Contains(page, s) {
			t.Errorf("the conflict does not show %q:\n%s", s, page)
		}
	}
	// The button of that page writes the second's.
	fields := url.Values{}
	for _, m := range hidden.FindAllStringSubmatch(page, -1) {
		fields.Set(html.UnescapeString(m[1]), html.UnescapeString(m[2]))
	}
	if resp, _ := form(t, server.URL+bookPath+"edit", nil, fields); resp.StatusCode != http.StatusSeeOther || value(t, b, goodName) != "2.6 mA" || value(t, b, seenName) != "0.7 mA" {
		t.Errorf("%d, sent %v", resp.StatusCode, fields)
	}
}

var hidden = regexp.MustCompile(`<input type="hidden" name="([^"]*)" value="([^"]*)">`)

// event reads one event of a stream.
func event(t testing.TB, r *bufio.Reader) (kind, data string) {
	t.Helper()
	for {
		line, err := r.ReadString('\n')
		if err != nil {
			t.Fatal("the stream ended:", err)
		}
		name, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), ": ")
		switch {
		case name == "event":
			kind = value
		case name == "data":
			data = value
		case line == "\n" && kind != "":
			return kind, data
		}
	}
}

// A change made in an editor reaches an open page within a second.
func TestEventsFromOutside(t *testing.T) {
	dir := folder(t)
	server, b := serve(t, dir, daybook.Settings{})
	resp, err := browser(t).Get(server.URL + bookPath + "events")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if got := resp.Header.Get("Content-Type"); got != "text/event-stream" {
		t.Error(got)
	}
	events := bufio.NewReader(resp.Body)
	event(t, events)
	begun := time.Now()
	if err := os.WriteFile(filepath.Join(dir, file), bytes.Replace(b.Now().Sources[file], []byte(`"2.0 mA"`), []byte(`"2.3 mA"`), 1), 0o644); err != nil {
		t.Fatal(err)
	}
	kind, data := event(t, events)
	if kind != "revision" || !strings.Contains(data, `"by":"outside"`) || value(t, b, goodName) != "2.3 mA" {
		t.Errorf("%s %s", kind, data)
	}
	if took := time.Since(begun); took > 2*time.Second {
		t.Errorf("after %v", took)
	}
}

// So many streams and no more.
func TestStreamsAreBounded(t *testing.T) {
	server, _ := serve(t, folder(t), daybook.Settings{})
	open := 0
	for range 100 {
		resp, err := http.Get(server.URL + bookPath + "events")
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		if resp.StatusCode == http.StatusServiceUnavailable {
			break
		}
		open++
	}
	if open < 20 || open > 64 {
		t.Errorf("%d streams are open", open)
	}
}

// A reading that is typed in goes behind the readings; one that is wrong is refused.
func TestReadings(t *testing.T) {
	server, b := serve(t, folder(t), daybook.Settings{})
	before := len(b.Now().Folder.Build.Readings)
	resp, text := form(t, server.URL+bookPath+"readings", wantJSON, url.Values{"lamp": {"front"}, "track": {"6.5 V"}, "current": {"3.3 mA"}, "supply": {"smooth dc"}, "back": {"/x"}})
	list := b.Now().Folder.Build.Readings
	if resp.StatusCode != http.StatusOK || len(list) != before+1 {
		t.Fatalf("%d %s", resp.StatusCode, text)
	}
	if x := list[len(list)-1]; x.Lamp != "front" || x.Track.Text != "6.5 V" || len(x.Date) != len("2026-01-02") {
		t.Errorf("%+v", x)
	}
	for _, fields := range []url.Values{
		{"lamp": {"frnt"}, "track": {"6.5 V"}, "current": {"3.3 mA"}},
		{"lamp": {"front"}, "track": {"6.5 mA"}, "current": {"3.3 mA"}},
		{},
	} {
		if resp, text := form(t, server.URL+bookPath+"readings", wantJSON, fields); resp.StatusCode != http.StatusUnprocessableEntity {
			t.Errorf("%v: %d %s", fields, resp.StatusCode, text)
		}
	}
	if len(b.Now().Folder.Build.Readings) != before+1 {
		t.Error("a wrong reading was kept")
	}
}

// The whole text comes from a form with CR LF and is written with the line ends of the file.
func TestText(t *testing.T) {
	dir := folder(t)
	server, b := serve(t, dir, daybook.Settings{})
	was := string(b.Now().Sources[file])
	text := strings.ReplaceAll(strings.Replace(was, `"2.0 mA"`, `"2.5 mA"`, 1), "\n", "\r\n")
	resp, said := form(t, server.URL+bookPath+"text", wantJSON, url.Values{"base": {b.Now().ID}, "text": {text}})
	got, err := os.ReadFile(filepath.Join(dir, file))
	if err != nil || resp.StatusCode != http.StatusOK || string(got) != strings.ReplaceAll(text, "\r\n", "\n") {
		t.Errorf("%d %s %v\n%s", resp.StatusCode, said, err, got)
	}
	if resp, said := form(t, server.URL+bookPath+"text", wantJSON, url.Values{"base": {"old"}, "text": {was}}); resp.StatusCode != http.StatusConflict {
		t.Errorf("%d %s", resp.StatusCode, said)
	}
}

// The readings and the drawer are text too, and a drawer that stops the build is mended in its page.
func TestTextsBeside(t *testing.T) {
	dir := folder(t)
	server, b := serve(t, dir, daybook.Settings{})
	drawer, readings := filepath.Join(dir, build.DrawerName), filepath.Join(dir, build.ReadingsName)
	was, err := os.ReadFile(drawer)
	if err != nil {
		t.Fatal(err)
	}
	send := func(file, text string) int {
		t.Helper()
		resp, _ := form(t, server.URL+bookPath+"text", wantJSON, url.Values{"base": {b.Now().ID}, "file": {file}, "text": {text}})
		return resp.StatusCode
	}
	if status := send(build.DrawerName, strings.Replace(string(was), "part,value", "part,price", 1)); status != http.StatusOK || b.Now().Folder != nil {
		t.Errorf("%d", status)
	}
	_, page := ask(t, http.MethodGet, server.URL+bookPath+"outputs", nil, nil)
	if !strings.Contains(page, "column &#34;price&#34; stands twice") || !strings.Contains(page, "part,price,kind") {
		t.Errorf("the page does not show what stops it:\n%s", page)
	}
	if status := send(build.DrawerName, string(was)); status != http.StatusOK || b.Now().Folder == nil {
		t.Errorf("%d", status)
	}
	if status := send(build.ReadingsName, "date,lamp,track,current\n2026-02-14,front,6 V,3 mA\n"); status != http.StatusOK || len(b.Now().Folder.Build.Readings) != 4 {
		t.Errorf("%d, %d readings", status, len(b.Now().Folder.Build.Readings))
	}
	if got, err := os.ReadFile(readings); err != nil || !strings.HasSuffix(string(got), ",front,6 V,3 mA\n") {
		t.Errorf("%q %v", got, err)
	}
	if resp, _ := form(t, server.URL+bookPath+"text", wantJSON, url.Values{"base": {"old"}, "file": {build.DrawerName}, "text": {"x"}}); resp.StatusCode != http.StatusConflict {
		t.Error(resp.StatusCode)
	}
}

// A build is begun from answers, in the folder or in one of its own; a demo is made one's own.
func TestStart(t *testing.T) {
	dir := folder(t)
	server, _ := serve(t, dir, daybook.Settings{})
	resp, _ := form(t, server.URL+"/start", nil, url.Values{"folder": {"tram"}, "answer:vehicle": {"market tram"}})
	if resp.StatusCode != http.StatusSeeOther || resp.Header.Get("Location") != "/b/market-tram/" {
		t.Fatalf("%d to %s", resp.StatusCode, resp.Header.Get("Location"))
	}
	if _, err := os.Stat(filepath.Join(dir, "tram", "market-tram.fettle")); err != nil {
		t.Error(err)
	}
	if resp, _ := form(t, server.URL+"/start", nil, url.Values{"folder": {"tram"}, "answer:vehicle": {"market tram"}}); resp.StatusCode != http.StatusUnprocessableEntity {
		t.Errorf("begun twice: %d", resp.StatusCode)
	}
	resp, text := form(t, server.URL+bookPath+"copy", wantJSON, url.Values{"folder": {"mine"}})
	if a := decoded(t, text); resp.StatusCode != http.StatusOK || a.To == "" || a.To == bookPath {
		t.Errorf("%d %s", resp.StatusCode, text)
	}
}

// recording is a multipart form with one file of so many bytes, made as it is read.
func recording(name string, size int64) (contentType string, body io.Reader, sum string) {
	r, w := io.Pipe()
	m := multipart.NewWriter(w)
	piece := bytes.Repeat([]byte("0123456789abcdef"), 4096)
	h := sha256.New()
	for left := size; left > 0; left -= int64(len(piece)) {
		h.Write(piece[:min(left, int64(len(piece)))])
	}
	go func() {
		f, err := m.CreateFormFile("file", name)
		for left := size; err == nil && left > 0; left -= int64(len(piece)) {
			_, err = f.Write(piece[:min(left, int64(len(piece)))])
		}
		if err == nil {
			err = m.Close()
		}
		w.CloseWithError(err)
	}()
	return m.FormDataContentType(), r, hex.EncodeToString(h.Sum(nil)[:12])
}

// An upload is streamed to the disk: a long one takes no memory. One beyond the limit is refused and leaves nothing.
func TestUpload(t *testing.T) {
	tmp := t.TempDir()
	t.Setenv("TMPDIR", tmp)
	const most = 48 << 20
	server, _ := serve(t, folder(t), daybook.Settings{Upload: most})
	spool := func() (files int, size int64) {
		_ = filepath.Walk(tmp, func(_ string, info os.FileInfo, err error) error {
			if err == nil && info.Mode().IsRegular() {
				files, size = files+1, size+info.Size()
			}
			return nil
		})
		return files, size
	}
	send := func(name string, size int64, header map[string]string) (*http.Response, string, string) {
		t.Helper()
		contentType, body, sum := recording(name, size)
		h := map[string]string{"Content-Type": contentType}
		for k, v := range header {
			h[k] = v
		}
		resp, text := ask(t, "POST", server.URL+bookPath+"upload", h, body)
		return resp, text, sum
	}
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	resp, text, sum := send(`C:\data\..\track "1".vcd`, most, wantJSON)
	runtime.ReadMemStats(&after)
	a := decoded(t, text)
	if resp.StatusCode != http.StatusOK || a.ID != sum || a.To != bookPath+"track?recording="+sum {
		t.Fatalf("%d %s", resp.StatusCode, text)
	}
	if grown := after.TotalAlloc - before.TotalAlloc; grown > 8<<20 {
		t.Errorf("%d MB were allocated for %d MB", grown>>20, most>>20)
	}
	if n, size := spool(); n != 1 || size != most {
		t.Errorf("%d files of %d bytes are kept", n, size)
	}
	resp, _, sum = send("b.csv", 1000, nil)
	if resp.StatusCode != http.StatusSeeOther || resp.Header.Get("Location") != bookPath+"track?recording="+sum {
		t.Errorf("%d to %s", resp.StatusCode, resp.Header.Get("Location"))
	}
	resp, text, _ = send("c.csv", most+1, nil)
	if resp.StatusCode != http.StatusRequestEntityTooLarge || !strings.Contains(text, "48 MB") {
		t.Errorf("%d %s", resp.StatusCode, text)
	}
	if n, size := spool(); n != 2 || size != most+1000 {
		t.Errorf("%d files of %d bytes are kept", n, size)
	}
	if resp, _ := ask(t, "POST", server.URL+bookPath+"upload", map[string]string{"Content-Type": "text/plain"}, strings.NewReader("x")); resp.StatusCode != http.StatusUnsupportedMediaType {
		t.Errorf("no form: %d", resp.StatusCode)
	}
	if resp, _, _ := send("", 10, nil); resp.StatusCode != http.StatusBadRequest {
		t.Errorf("no file: %d", resp.StatusCode)
	}
	if resp, _, _ := send("d.csv", 10, map[string]string{"Origin": "http://evil.example"}); resp.StatusCode != http.StatusForbidden {
		t.Errorf("a foreign page: %d", resp.StatusCode)
	}
	// The oldest make room.
	for k := range 10 {
		send(fmt.Sprintf("%d.csv", k), int64(100+k), nil)
	}
	if n, size := spool(); n != 8 || size > 8*200 {
		t.Errorf("%d files of %d bytes are kept", n, size)
	}
}

// A connection that breaks off leaves nothing of its upload; nor does a daybook that is closed.
func TestBrokenUpload(t *testing.T) {
	tmp := t.TempDir()
	t.Setenv("TMPDIR", tmp)
	s, err := live.OpenShelf(folder(t), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	d := daybook.New(s, daybook.Settings{})
	var settings daybook.Settings
	ln, err := daybook.Listen("127.0.0.1:0", &settings)
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- d.Serve(t.Context(), ln) }()
	r, w := io.Pipe()
	m := multipart.NewWriter(w)
	go func() {
		f, err := m.CreateFormFile("file", "half.vcd")
		if err == nil {
			_, err = f.Write(make([]byte, 100000))
		}
		w.CloseWithError(fmt.Errorf("the wire was cut (%w)", err))
	}()
	if resp, err := http.Post(daybook.URL(ln)+bookPath[1:]+"upload", m.FormDataContentType(), r); err == nil {
		resp.Body.Close()
		t.Error("half an upload was answered", resp.StatusCode)
	}
	files := func() []string {
		list, _ := filepath.Glob(filepath.Join(tmp, "*", "*"))
		return list
	}
	for range 200 {
		if time.Sleep(10 * time.Millisecond); len(files()) == 0 {
			break
		}
	}
	if list := files(); len(list) > 0 {
		t.Errorf("left: %v", list)
	}
	if err := d.Close(); err != nil {
		t.Error(err)
	}
	if list, _ := filepath.Glob(filepath.Join(tmp, "*")); len(list) > 0 {
		t.Errorf("left: %v", list)
	}
}

// A form is bounded whether or not it says how long it is.
func TestFormIsBounded(t *testing.T) {
	server, b := serve(t, folder(t), daybook.Settings{})
	long := url.Values{"base": {b.Now().ID}, "text": {strings.Repeat("x", 5<<20)}}.Encode()
	h := map[string]string{"Content-Type": "application/x-www-form-urlencoded", "Accept": "application/json"}
	for name, body := range map[string]io.Reader{"said": strings.NewReader(long), "not said": struct{ io.Reader }{strings.NewReader(long)}} {
		if resp, _ := ask(t, "POST", server.URL+bookPath+"text", h, body); resp.StatusCode != http.StatusRequestEntityTooLarge {
			t.Errorf("length %s: %d", name, resp.StatusCode)
		}
	}
}

// A file that cannot be written is said in words, and the page holds what was typed.
func TestWriteProtected(t *testing.T) {
	dir := folder(t)
	server, b := serve(t, dir, daybook.Settings{})
	if err := os.Chmod(filepath.Join(dir, file), 0o444); err != nil {
		t.Fatal(err)
	}
	resp, text := form(t, server.URL+bookPath+"edit", wantJSON, edit(b, goodName, "2.2 mA"))
	if a := decoded(t, text); resp.StatusCode != http.StatusForbidden || a.Kind != "disk" || !strings.Contains(a.Words, "write protection") {
		t.Errorf("%d %s", resp.StatusCode, text)
	}
	if resp, text := form(t, server.URL+bookPath+"edit", nil, edit(b, goodName, "2.2 mA")); resp.StatusCode != http.StatusForbidden || !strings.Contains(text, "as it was") || !strings.Contains(text, "2.2 mA") {
		t.Errorf("%d %s", resp.StatusCode, text)
	}
}
