package daybook_test

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"mime/multipart"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/daybook"
	"fettle/internal/live"
	"fettle/internal/work"
)

const (
	file     = examples.Demo + build.Suffix
	bookPath = "/b/" + examples.Demo + "/"
	goodName = "/vehicle/harbour railcar/lamp/front/good"
	seenName = "/vehicle/harbour railcar/lamp/front/seen"
)

// cache is the folder of kept answers that the tests share.
var cache string

func TestMain(m *testing.M) {
	var err error
	if cache, err = os.MkdirTemp("", "fettle-test-"); err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	status := m.Run()
	_ = os.RemoveAll(cache)
	os.Exit(status)
}

// folder is a copy of the demo on the disk.
func folder(t testing.TB) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "builds")
	if err := os.CopyFS(dir, sub(t)); err != nil {
		t.Fatal(err)
	}
	return dir
}

func sub(t testing.TB) fs.FS {
	t.Helper()
	s, err := fs.Sub(examples.FS, examples.Demo)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// serve serves a folder; the book is that of the demo.
func serve(t testing.TB, dir string, settings daybook.Settings) (*httptest.Server, *live.Book) {
	t.Helper()
	s, err := live.OpenShelf(dir, &work.Runner{Samples: 20, Cache: cache})
	if err != nil {
		t.Fatal(err)
	}
	d := daybook.New(s, settings)
	server := httptest.NewServer(d)
	t.Cleanup(func() {
		d.Close()
		server.Close()
		s.Close()
	})
	b, ok := s.Book(examples.Demo)
	if !ok {
		t.Fatal("the demo is not on the shelf")
	}
	return server, b
}

// ask sends one request and does not follow where it leads.
func ask(t testing.TB, method, url string, header map[string]string, body io.Reader) (*http.Response, string) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, url, body)
	if err != nil {
		t.Fatal(err)
	}
	for name, value := range header {
		if name == "Host" {
			r.Host = value
			continue
		}
		r.Header.Set(name, value)
	}
	return do(t, http.DefaultTransport, r)
}

func do(t testing.TB, rt http.RoundTripper, r *http.Request) (*http.Response, string) {
	t.Helper()
	resp, err := rt.RoundTrip(r)
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

// form is a POST of fields.
func form(t testing.TB, url string, header map[string]string, fields url.Values) (*http.Response, string) {
	t.Helper()
	h := map[string]string{"Content-Type": "application/x-www-form-urlencoded"}
	for k, v := range header {
		h[k] = v
	}
	return ask(t, http.MethodPost, url, h, strings.NewReader(fields.Encode()))
}

func edit(b *live.Book, name, value string) url.Values {
	return url.Values{"base": {b.Now().ID}, name: {value}}
}

// A name that was made to point to this machine is not the daybook's (DNS rebinding); an address in figures of loopback is, and,
// where the daybook is public, any in figures and the names it was given.
func TestHost(t *testing.T) {
	dir := folder(t)
	private, _ := serve(t, dir, daybook.Settings{})
	public, _ := serve(t, dir, daybook.Settings{Public: true, Names: []string{"bench.example"}})
	for _, x := range []struct {
		host            string
		private, public bool
	}{
		{"127.0.0.1:4790", true, true},
		{"127.0.0.1", true, true},
		{"127.8.9.10:80", true, true},
		{"localhost:4790", true, true},
		{"LocalHost:4790", true, true},
		{"[::1]:4790", true, true},
		{"[::1]", true, true},
		{"192.0.2.7:4790", false, true},
		{"[2001:db8::7]:4790", false, true},
		{"bench.example:4790", false, true},
		{"evil.example:4790", false, false},
		{"evil.example", false, false},
		{"localhost.evil.example:4790", false, false},
		{"127.0.0.1.evil.example:4790", false, false},
		{"127.0.0.1@evil.example", false, false},
		{"2130706433:4790", false, false}, // 127.0.0.1 as one number
		{"0x7f.1:4790", false, false},
		{"localhost.:4790", false, false},
		{"", false, false},
	} {
		for _, y := range []struct {
			server *httptest.Server
			want   bool
		}{{private, x.private}, {public, x.public}} {
			status := raw(t, y.server, "GET / HTTP/1.1\r\nHost: "+x.host+"\r\nConnection: close\r\n\r\n")
			got := status == http.StatusOK || status == http.StatusSeeOther
			if got != y.want || !got && status != http.StatusMisdirectedRequest && status != http.StatusBadRequest {
				t.Errorf("Host %q: %d", x.host, status)
			}
		}
	}
}

// raw sends bytes as they are and is answered with a status.
func raw(t testing.TB, server *httptest.Server, request string) int {
	t.Helper()
	c, err := net.Dial("tcp", server.Listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if _, err := io.WriteString(c, request); err != nil {
		t.Fatal(err)
	}
	resp, err := http.ReadResponse(bufio.NewReader(c), nil)
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	return resp.StatusCode
}

// A request of a foreign page changes nothing and is told nothing; a link to the daybook may be followed.
func TestOrigin(t *testing.T) {
	dir := folder(t)
	server, b := serve(t, dir, daybook.Settings{})
	text := string(b.Now().Sources[file])
	for _, x := range []struct {
		method string
		header map[string]string
		want   bool
	}{
		{"POST", map[string]string{}, true}, // no browser: every one names the origin of a POST
		{"POST", map[string]string{"Origin": server.URL}, true},
		{"POST", map[string]string{"Origin": server.URL, "Sec-Fetch-Site": "same-origin"}, true},
		{"POST", map[string]string{"Origin": "http://evil.example"}, false},
		{"POST", map[string]string{"Origin": "null"}, false},
		{"POST", map[string]string{"Origin": "null", "Sec-Fetch-Site": "same-origin"}, false},
		{"POST", map[string]string{"Origin": "http://evil.example", "Sec-Fetch-Site": "same-origin"}, false},
		{"POST", map[string]string{"Origin": "http://127.0.0.1:1"}, false}, // another program of this machine
		{"POST", map[string]string{"Origin": strings.Replace(server.URL, "127.0.0.1", "localhost", 1)}, false},
		{"POST", map[string]string{"Origin": strings.Replace(server.URL, "http", "https", 1)}, false},
		{"POST", map[string]string{"Sec-Fetch-Site": "cross-site"}, false},
		{"POST", map[string]string{"Sec-Fetch-Site": "same-site"}, false},
		{"POST", map[string]string{"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}, false},
		{"GET", map[string]string{"Sec-Fetch-Site": "none", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}, true},
		{"GET", map[string]string{"Sec-Fetch-Site": "same-origin", "Sec-Fetch-Mode": "cors", "Sec-Fetch-Dest": "empty"}, true},
		{"GET", map[string]string{"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}, true},
		{"GET", map[string]string{"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "iframe"}, false},
		{"GET", map[string]string{"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors", "Sec-Fetch-Dest": "image"}, false},
		{"GET", map[string]string{"Sec-Fetch-Site": "same-site", "Sec-Fetch-Mode": "no-cors", "Sec-Fetch-Dest": "script"}, false},
		{"GET", map[string]string{"Origin": "http://evil.example"}, false},
	} {
		url, fields := server.URL+bookPath, edit(b, goodName, "2.2 mA")
		var resp *http.Response
		if x.method == "POST" {
			resp, _ = form(t, url+"edit", x.header, fields)
		} else {
			resp, _ = ask(t, "GET", url, x.header, nil)
		}
		got := resp.StatusCode == http.StatusOK || resp.StatusCode == http.StatusSeeOther
		if got != x.want || !got && resp.StatusCode != http.StatusForbidden {
			t.Errorf("%s %v: %d", x.method, x.header, resp.StatusCode)
		}
		if changed := string(b.Now().Sources[file]) != text; changed != (x.want && x.method == "POST") {
			t.Errorf("%s %v: changed %t", x.method, x.header, changed)
		}
		if x.want && x.method == "POST" {
			if _, err := b.Undo(); err != nil {
				t.Fatal(err)
			}
		}
		if resp.Header.Get("Access-Control-Allow-Origin") != "" {
			t.Error("a foreign page may read the answer")
		}
	}
	// What writes is never a GET, and other methods are none.
	for _, path := range []string{"edit", "undo", "redo", "cancel", "readings", "text", "copy", "upload"} {
		if resp, _ := ask(t, "GET", server.URL+bookPath+path, nil, nil); resp.StatusCode != http.StatusNotFound && resp.StatusCode != http.StatusMethodNotAllowed {
			t.Errorf("GET %s: %d", path, resp.StatusCode)
		}
	}
	for _, method := range []string{"PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT"} {
		if status := raw(t, server, method+" / HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"); status != http.StatusMethodNotAllowed && status != http.StatusBadRequest {
			t.Errorf("%s: %d", method, status)
		}
	}
	if string(b.Now().Sources[file]) != text {
		t.Error("something was changed")
	}
}

// Whatever is answered, it may load and run nothing but what is served here, nothing may frame it, and its type is what it says.
func TestHeaders(t *testing.T) {
	server, b := serve(t, folder(t), daybook.Settings{})
	check := func(what string, resp *http.Response) {
		t.Helper()
		csp := map[string]string{}
		for _, part := range strings.Split(resp.Header.Get("Content-Security-Policy"), ";") {
			name, value, _ := strings.Cut(strings.TrimSpace(part), " ")
			csp[name] = value
		}
		for name, want := range map[string]string{"default-src": "'none'", "script-src": "'self'", "connect-src": "'self'", "form-action": "'self'",
			"base-uri": "'none'", "frame-ancestors": "'none'", "object-src": "'none'"} {
			if csp[name] != want {
				t.Errorf("%s: %s is %q", what, name, csp[name])
			}
		}
		if all := resp.Header.Get("Content-Security-Policy"); strings.Contains(all, "unsafe") || strings.Contains(all, "*") || strings.Contains(all, "http") {
			t.Errorf("%s: %s", what, all)
		}
		for name, want := range map[string]string{"X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "same-origin",
			"Cross-Origin-Opener-Policy": "same-origin", "Cross-Origin-Resource-Policy": "same-origin"} {
			if got := resp.Header.Get(name); got != want {
				t.Errorf("%s: %s is %q", what, name, got)
			}
		}
		if !strings.Contains(resp.Header.Get("Permissions-Policy"), "camera=()") {
			t.Errorf("%s: %q", what, resp.Header.Get("Permissions-Policy"))
		}
		if resp.Header.Get("Server") != "" {
			t.Errorf("%s: it says what it is: %s", what, resp.Header.Get("Server"))
		}
	}
	for _, path := range []string{"/", bookPath, "/nothing", "/b/nothing/", "/b/nothing/events"} {
		resp, _ := ask(t, "GET", server.URL+path, nil, nil)
		check(path, resp)
	}
	resp, _ := ask(t, "GET", server.URL+"/", map[string]string{"Host": "evil.example"}, nil)
	check("a foreign host", resp)
	resp, _ = form(t, server.URL+bookPath+"edit", nil, edit(b, goodName, "2.2 V"))
	check("a wrong value", resp)
	resp, _ = form(t, server.URL+bookPath+"edit", map[string]string{"Accept": "application/json"}, edit(b, goodName, "2.2 V"))
	check("JSON", resp)
}

var (
	inlineScript = regexp.MustCompile(`(?i)<script(?:[^>]*)>\s*[^<\s]`)
	handler      = regexp.MustCompile(`(?i)<[^>]+\son[a-z]+\s*=`)
	elsewhere    = regexp.MustCompile(`(?i)(?:src|href|action|formaction|poster|data)\s*=\s*["']?\s*(?:[a-z]+:)?//`)
	javascript   = regexp.MustCompile(`(?i)=\s*["']?\s*javascript:`)
)

// What the policy forbids is not on the pages either: no script in them, nothing from elsewhere.
func TestPagesHoldNoScript(t *testing.T) {
	server, b := serve(t, folder(t), daybook.Settings{})
	pages := map[string]string{}
	for _, path := range []string{"/", bookPath, "/nothing", "/b/%3Cscript%3Ealert(1)%3C%2Fscript%3E/"} {
		_, pages[path] = ask(t, "GET", server.URL+path, nil, nil)
	}
	_, pages["a wrong value"] = form(t, server.URL+bookPath+"edit", nil, edit(b, goodName, `<script>alert(1)</script>`))
	_, pages["a wrong name"] = form(t, server.URL+bookPath+"edit", nil, edit(b, `/vehicle/<img src=x onerror=alert(1)>/x`, `"><script>alert(1)</script>`))
	_, pages["a conflict"] = form(t, server.URL+bookPath+"edit", nil, url.Values{"base": {"old"}, goodName: {`"><script>alert(1)</script>`}})
	_, pages["a reading"] = form(t, server.URL+bookPath+"readings", nil, url.Values{"lamp": {"<script>alert(1)</script>"}})
	for what, page := range pages {
		for name, bad := range map[string]*regexp.Regexp{"script": inlineScript, "a handler": handler, "something from elsewhere": elsewhere, "javascript:": javascript} {
			if found := bad.FindString(page); found != "" {
				t.Errorf("%s holds %s: %s", what, name, found)
			}
		}
	}
}

// Only loopback is served without a passphrase, whatever it is called.
func TestListen(t *testing.T) {
	for _, x := range []struct {
		address, passphrase string
		ok, public          bool
	}{
		{"127.0.0.1:0", "", true, false},
		{"localhost:0", "", true, false},
		{":0", "", true, false},
		{"127.0.0.1:0", "ten letters", true, false},
		{"127.0.0.1:0", "short", false, false},
		{"0.0.0.0:0", "", false, false},
		{"[::]:0", "", false, false},
		{"192.0.2.7:0", "", false, false},
		{"example.com:0", "", false, false},
		{"0.0.0.0:0", "short", false, false},
		{"0.0.0.0:0", "ten letters", true, true},
		{"127.0.0.1", "", false, false},
		{"127.0.0.1:seven", "", false, false},
		{"127.0.0.1:70000", "", false, false},
	} {
		s := daybook.Settings{Passphrase: x.passphrase}
		ln, err := daybook.Listen(x.address, &s)
		if (err == nil) != x.ok {
			t.Errorf("%s, %q: %v", x.address, x.passphrase, err)
		}
		if err != nil {
			if !strings.Contains(err.Error(), x.address) && !strings.Contains(err.Error(), "passphrase") {
				t.Errorf("%v", err)
			}
			continue
		}
		at := ln.Addr().(*net.TCPAddr)
		if at.IP.IsLoopback() == x.public || s.Public != x.public {
			t.Errorf("%s listens on %s", x.address, at)
		}
		if u, err := url.Parse(daybook.URL(ln)); err != nil || u.Port() == "0" || u.User != nil || u.RawQuery != "" || u.Path != "/" {
			t.Errorf("%s: %s", x.address, u)
		}
		ln.Close()
	}
	// Another program has the usual port: any free one will do, unless one was asked for.
	first, err := daybook.Listen("", &daybook.Settings{})
	if err != nil {
		t.Fatal(err)
	}
	defer first.Close()
	second, err := daybook.Listen("", &daybook.Settings{})
	if err != nil {
		t.Fatal(err)
	}
	defer second.Close()
	if ln, err := daybook.Listen(first.Addr().String(), &daybook.Settings{}); err == nil {
		ln.Close()
		t.Error("two listen on one port")
	}
}

// The passphrase opens a session of a browser; nothing is shown, changed or streamed without; neither it nor the session is logged.
func TestPassphrase(t *testing.T) {
	const secret = "correct battery & staple"
	var log safe
	server, b := serve(t, folder(t), daybook.Settings{Public: true, Passphrase: secret, Log: slog.New(slog.NewTextHandler(&log, nil))})
	text := string(b.Now().Sources[file])
	locked := func(what string, cookie string) {
		t.Helper()
		h := map[string]string{"Cookie": cookie}
		for _, path := range []string{"/", bookPath, bookPath + "events", "/assets/x", "/nothing", "/?passphrase=" + url.QueryEscape(secret)} {
			resp, page := ask(t, "GET", server.URL+path, h, nil)
			if resp.StatusCode != http.StatusUnauthorized || strings.Contains(page, "railcar") && !strings.Contains(path, "railcar") {
				t.Errorf("%s, %s: %d", what, path, resp.StatusCode)
			}
		}
		if resp, _ := form(t, server.URL+bookPath+"edit", h, edit(b, goodName, "2.2 mA")); resp.StatusCode != http.StatusUnauthorized || string(b.Now().Sources[file]) != text {
			t.Errorf("%s, an edit: %d", what, resp.StatusCode)
		}
	}
	locked("no cookie", "")
	locked("a made-up cookie", "fettle=ABCDEFGHIJKLMNOPQRSTUVWXYZ")
	locked("an empty cookie", "fettle=")

	begun := time.Now()
	if resp, page := form(t, server.URL+"/enter", nil, url.Values{"passphrase": {"wrong"}}); resp.StatusCode != http.StatusUnauthorized || len(resp.Cookies()) > 0 || strings.Contains(page, "wrong\"") {
		t.Errorf("a wrong passphrase: %d", resp.StatusCode)
	}
	if took := time.Since(begun); took < 400*time.Millisecond {
		t.Errorf("a wrong passphrase can be tried every %v", took)
	}
	if resp, _ := form(t, server.URL+"/enter?passphrase="+url.QueryEscape(secret), nil, url.Values{}); resp.StatusCode != http.StatusUnauthorized {
		t.Errorf("a passphrase in a URL: %d", resp.StatusCode)
	}
	for _, to := range []string{"//evil.example/", "http://evil.example/", "/\\evil.example", "evil.example", "javascript:alert(1)", "/enter", "/\r\nx"} {
		if resp, _ := form(t, server.URL+"/enter", nil, url.Values{"passphrase": {secret}, "to": {to}}); resp.Header.Get("Location") != "/" {
			t.Errorf("from %q to %q", to, resp.Header.Get("Location"))
		}
	}
	resp, _ := form(t, server.URL+"/enter", nil, url.Values{"passphrase": {secret}, "to": {bookPath}})
	if resp.StatusCode != http.StatusSeeOther || resp.Header.Get("Location") != bookPath || len(resp.Cookies()) != 1 {
		t.Fatalf("the passphrase: %d", resp.StatusCode)
	}
	c := resp.Cookies()[0]
	if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Path != "/" || len(c.Value) < 26 || c.MaxAge <= 0 {
		t.Errorf("%+v", c)
	}
	in := map[string]string{"Cookie": c.Name + "=" + c.Value}
	if resp, _ := ask(t, "GET", server.URL+bookPath, in, nil); resp.StatusCode != http.StatusOK {
		t.Errorf("inside: %d", resp.StatusCode)
	}
	if resp, _ := form(t, server.URL+bookPath+"edit", map[string]string{"Cookie": in["Cookie"], "Origin": "http://evil.example"}, edit(b, goodName, "2.2 mA")); resp.StatusCode != http.StatusForbidden {
		t.Errorf("inside, a foreign page: %d", resp.StatusCode)
	}
	form(t, server.URL+"/leave", in, nil)
	locked("left", in["Cookie"])
	for _, s := range []string{secret, url.QueryEscape(secret), c.Value, "?"} {
		if strings.Contains(log.String(), s) {
			t.Errorf("the log holds %q:\n%s", s, log.String())
		}
	}
	if !strings.Contains(log.String(), "path="+bookPath) {
		t.Error("nothing was logged")
	}
}

// safe is a log that may be written to from many requests.
type safe struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *safe) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *safe) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// No path leads out of the folder: neither by dots nor by symbolic links, in a URL, in the name of a build or of an upload.
func TestPaths(t *testing.T) {
	const secret = "the secret of another folder"
	dir := folder(t)
	outside := filepath.Join(filepath.Dir(dir), "secret")
	if err := os.WriteFile(outside, []byte(secret), 0o644); err != nil {
		t.Fatal(err)
	}
	for name, to := range map[string]string{"link.fettle": outside, "readings-link": outside, "up": "..", "drawer.txt": outside} {
		if err := os.Symlink(to, filepath.Join(dir, name)); err != nil {
			t.Skip("no symbolic links here:", err)
		}
	}
	server, _ := serve(t, dir, daybook.Settings{})
	for _, path := range []string{
		"/../secret", "/..%2fsecret", "/%2e%2e/secret", "/%2e%2e%2fsecret", "/..%5csecret", "//secret", "/./../secret", "/assets/../../secret", "/assets/..%2f..%2fsecret",
		"/b/../secret", "/b/..%2fsecret/", "/b/link/", "/b/link/vehicle", "/b/up%2fsecret/", "/b/up/secret", "/up/secret", "/readings-link", "/drawer.txt",
		"/b/" + examples.Demo + "/../../secret", "/b/" + examples.Demo + "/..%2f..%2fsecret", outside, "/b/" + url.PathEscape(outside) + "/", "/b/%00/", "/" + file,
	} {
		c, err := net.Dial("tcp", server.Listener.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := fmt.Fprintf(c, "GET %s HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n", path); err != nil {
			t.Fatal(err)
		}
		answer, err := io.ReadAll(c)
		c.Close()
		if err != nil || strings.Contains(string(answer), secret) || !strings.Contains(path, "Test") && strings.Contains(string(answer), filepath.Dir(dir)) {
			t.Errorf("%s: %v\n%s", path, err, answer)
		}
	}
	for _, where := range []string{"..", "../beside", "up", "up/x", filepath.Dir(dir), ".git", "a/../../x"} {
		resp, _ := form(t, server.URL+bookPath+"copy", nil, url.Values{"folder": {where}})
		if resp.StatusCode == http.StatusSeeOther {
			t.Errorf("copied into %s", where)
		}
	}
	entries, err := os.ReadDir(filepath.Dir(dir))
	if err != nil || len(entries) != 2 {
		t.Errorf("beside the folder: %v %v", entries, err)
	}
}

// A browser, with its cookies.
func browser(t testing.TB) *http.Client {
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	return &http.Client{Jar: jar, Timeout: 2 * time.Minute}
}

// The server ends at once though an event stream is open, and a request under way comes to its end.
func TestShutdown(t *testing.T) {
	tmp := t.TempDir()
	t.Setenv("TMPDIR", tmp)
	s, err := live.OpenShelf(folder(t), &work.Runner{Samples: 20, Cache: cache})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var settings daybook.Settings
	ln, err := daybook.Listen("127.0.0.1:0", &settings)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	ended := make(chan error, 1)
	go func() { ended <- daybook.New(s, settings).Serve(ctx, ln) }()
	base := strings.TrimSuffix(daybook.URL(ln), "/")
	resp, err := browser(t).Get(base + bookPath + "events")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	// An upload is half there.
	half, body := io.Pipe()
	m := multipart.NewWriter(body)
	answered := make(chan int, 1)
	go func() {
		client := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
		resp, err := client.Post(base+bookPath+"upload", m.FormDataContentType(), half)
		if err != nil {
			answered <- 0
			return
		}
		resp.Body.Close()
		answered <- resp.StatusCode
	}()
	f, err := m.CreateFormFile("file", "a.vcd")
	if err == nil {
		_, err = f.Write(make([]byte, 100000))
	}
	if err != nil {
		t.Fatal(err)
	}
	for range 3000 { // until the server has it
		if list, _ := filepath.Glob(filepath.Join(tmp, "*", "upload-*")); len(list) > 0 {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	stop()
	rest, err := io.ReadAll(resp.Body)
	if err != nil || !strings.Contains(string(rest), "event: closing") {
		t.Errorf("the stream: %v\n%s", err, rest)
	}
	if _, err := f.Write(make([]byte, 100000)); err != nil {
		t.Error(err)
	}
	if err := errors.Join(m.Close(), body.Close()); err != nil {
		t.Error(err)
	}
	if status := <-answered; status != http.StatusSeeOther {
		t.Errorf("the upload under way: %d", status)
	}
	select {
	case err := <-ended:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(30 * time.Second):
		t.Error("it serves on")
	}
	if _, err := net.Dial("tcp", ln.Addr().String()); err == nil {
		t.Error("it still listens")
	}
}

// One who sends a request letter by letter is not waited for.
func TestSlowHeader(t *testing.T) {
	if testing.Short() {
		t.Skip("it waits for five seconds")
	}
	t.Parallel()
	s := live.Demo(&work.Runner{})
	defer s.Close()
	var settings daybook.Settings
	ln, err := daybook.Listen("127.0.0.1:0", &settings)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- daybook.New(s, settings).Serve(ctx, ln) }()
	c, err := net.Dial("tcp", ln.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	begun := time.Now()
	if _, err := io.WriteString(c, "GET / HTTP/1.1\r\nHost: local"); err != nil {
		t.Fatal(err)
	}
	_ = c.SetReadDeadline(begun.Add(15 * time.Second))
	_, err = io.ReadAll(c)
	if took := time.Since(begun); err != nil || took > 10*time.Second {
		t.Errorf("cut off after %v: %v", took, err)
	}
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}
