package daybook_test

import (
	"bytes"
	"html"
	"mime/multipart"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/daybook"
)

// bring uploads a recording and is led to its page.
func bring(t *testing.T, server, name string, data []byte) string {
	t.Helper()
	var body bytes.Buffer
	m := multipart.NewWriter(&body)
	f, err := m.CreateFormFile("file", name)
	if err == nil {
		_, err = f.Write(data)
	}
	if err == nil {
		err = m.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	resp, text := ask(t, "POST", server+bookPath+"upload", map[string]string{"Content-Type": m.FormDataContentType()}, &body)
	if resp.StatusCode != http.StatusSeeOther {
		t.Fatalf("%d %s", resp.StatusCode, text)
	}
	return server + resp.Header.Get("Location")
}

// A recording that is brought is judged as fettle audit judges it, drawn, and its figures can be kept; one that is none says why.
func TestTrack(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	server, _ := serve(t, folder(t), daybook.Settings{})
	for _, name := range []string{"clean", "trouble"} {
		data, err := examples.FS.ReadFile("track/" + name + ".csv.gz")
		if err != nil {
			t.Fatal(err)
		}
		to := bring(t, server.URL, name+".csv.gz", data)
		for range 2 { // the second is remembered
			resp, page := ask(t, "GET", to, nil, nil)
			if resp.StatusCode != http.StatusOK || !strings.Contains(page, "The signal in "+name) || strings.Contains(page, "verdict v-fails") != (name == "trouble") {
				t.Errorf("%s: %d, fails %t", name, resp.StatusCode, strings.Contains(page, "verdict v-fails"))
			}
		}
		_, page := ask(t, "GET", to, nil, nil)
		found := regexp.MustCompile(`href="(/[^"]*track/figure[^"]*)"`).FindAllStringSubmatch(page, -1)
		if len(found) < 2 {
			t.Fatalf("%s: %d figures to be kept", name, len(found))
		}
		for _, m := range found {
			resp, text := ask(t, "GET", server.URL+strings.ReplaceAll(m[1], "&amp;", "&"), nil, nil)
			kind := resp.Header.Get("Content-Type")
			if resp.StatusCode != http.StatusOK || !strings.HasPrefix(resp.Header.Get("Content-Disposition"), "attachment") || strings.Contains(kind, "svg") != strings.HasPrefix(text, "<svg") {
				t.Errorf("%s: %d %s", m[1], resp.StatusCode, kind)
			}
		}
	}
	if resp, page := ask(t, "GET", server.URL+bookPath+"track?recording=embedded", nil, nil); resp.StatusCode != http.StatusOK || !strings.Contains(page, "verdict v-fails") {
		t.Errorf("the demo's: %d", resp.StatusCode)
	}
	for what, data := range map[string]string{"<script>.csv": "no, recording\n", "empty.vcd": "", "half.vcd": "$timescale 1 us $end\n$var wire 1 ! a $end\n"} {
		resp, page := ask(t, "GET", bring(t, server.URL, what, []byte(data)), nil, nil)
		if resp.StatusCode != http.StatusOK || !strings.Contains(page, `class="problems"`) || strings.Contains(page, "<script>.csv") {
			t.Errorf("%s: %d", what, resp.StatusCode)
		}
	}
	for _, path := range []string{"track?recording=gone", "track/figure?recording=embedded&of=nothing&as=svg", "track/figure?recording=gone&of=x&as=csv", "track?recording=../../etc/passwd"} {
		if resp, _ := ask(t, "GET", server.URL+bookPath+path, nil, nil); resp.StatusCode != http.StatusNotFound {
			t.Errorf("%s: %d", path, resp.StatusCode)
		}
	}
}

// Packets in words and in bytes are drawn and explained; what is not understood is said with its mend.
func TestPackets(t *testing.T) {
	dir := folder(t)
	server, _ := serve(t, dir, daybook.Settings{})
	for _, x := range []struct{ field, text, want string }{
		{"words", "47 forward 12 of 28", "forward"},
		{"words", "1000 F0 on; idle", "idle"},
		{"hex", "37 74 43", "55"},
		{"words", "47 forwad 12 of 28", "forward"},
		{"hex", "37 74 zz", "zz"},
		{"words", "<script>alert(1)</script>", "&lt;script&gt;"},
		{"words", strings.Repeat("x", 3000), "more than fit here"},
	} {
		resp, page := ask(t, "GET", server.URL+bookPath+"track?"+url.Values{x.field: {x.text}}.Encode(), nil, nil)
		if resp.StatusCode != http.StatusOK || !strings.Contains(strings.ToLower(page), strings.ToLower(x.want)) || strings.Contains(page, "<script>alert") {
			t.Errorf("%s %.40s: %d", x.field, x.text, resp.StatusCode)
		}
	}
	// It needs no build that can be read.
	if err := os.WriteFile(filepath.Join(dir, "broken"+build.Suffix), []byte("format = "), 0o644); err != nil {
		t.Fatal(err)
	}
	server, _ = serve(t, dir, daybook.Settings{})
	if resp, page := ask(t, "GET", server.URL+"/b/broken/track?words=idle", nil, nil); resp.StatusCode != http.StatusOK || !strings.Contains(page, "drawing") {
		t.Errorf("%d", resp.StatusCode)
	}
}

// What is said of a recording goes with its name: to its verdicts, its drawings and its half-bits. What is said wrongly is answered.
func TestSaidOfARecording(t *testing.T) {
	server, _ := serve(t, folder(t), daybook.Settings{})
	resp, _ := ask(t, "GET", server.URL+bookPath+"track?recording=embedded&from=1+s&to=1.4+s&wire=&wire=&address=47&low=", nil, nil)
	to := resp.Header.Get("Location")
	if resp.StatusCode != http.StatusSeeOther || to != bookPath+"track?recording=embedded~address%3D47%26from%3D1%2Bs%26to%3D1.4%2Bs" {
		t.Fatalf("%d to %s", resp.StatusCode, to)
	}
	_, whole := ask(t, "GET", server.URL+bookPath+"track?recording=embedded", nil, nil)
	_, part := ask(t, "GET", server.URL+to, nil, nil)
	tally := regexp.MustCompile(`(?s)<p class="whole">.*?</p>`)
	if a, b := tally.FindString(whole), tally.FindString(part); a == "" || b == "" || a == b {
		t.Errorf("the whole %q, a part %q", a, b)
	}
	if !strings.Contains(part, `name="from" value="1 s"`) {
		t.Error("the form does not say what was said")
	}
	m := regexp.MustCompile(`href="([^"]*track/figure[^"]*as=csv[^"]*)"`).FindStringSubmatch(part)
	if m == nil {
		t.Fatal("no figure")
	}
	for _, address := range []string{html.UnescapeString(m[1]), bookPath + "halves?recording=embedded~from%3D1%2Bs&pieces=100", bookPath + "track/sheet?recording=embedded~from%3D1%2Bs"} {
		if resp, text := ask(t, "GET", server.URL+address, nil, nil); resp.StatusCode != http.StatusOK {
			t.Errorf("%s: %d %.200s", address, resp.StatusCode, text)
		}
	}
	for said, says := range map[string]string{"from=12": "from: ", "from=2+s&to=1+s": "does not lie after", "wire=missing": "nothing recorded is called", "address=tram": "no address", "separator=dash": "comma, semicolon", "from=" + strings.Repeat("1", 2000): "more than can be said"} {
		resp, _ := ask(t, "GET", server.URL+bookPath+"track?recording=embedded&"+said, nil, nil)
		if resp, page := ask(t, "GET", server.URL+resp.Header.Get("Location"), nil, nil); resp.StatusCode != http.StatusOK || !strings.Contains(page, says) {
			t.Errorf("%s: %d does not say %q", said, resp.StatusCode, says)
		}
	}
}

// A schedule is played, kept and judged; its packets and the recording itself are saved. A wrong one is answered with its line.
func TestSchedule(t *testing.T) {
	server, _ := serve(t, folder(t), daybook.Settings{})
	send := func(text, as string) (*http.Response, string) {
		return form(t, server.URL+bookPath+"schedule", nil, url.Values{"schedule": {text}, "as": {as}})
	}
	for _, as := range []string{"vcd", "csv"} {
		resp, _ := send("power up\r\nat 0.5 s: 47 F0 on\r\nend 1 s\r\n", as)
		to := resp.Header.Get("Location")
		if resp.StatusCode != http.StatusSeeOther || !strings.HasPrefix(to, bookPath+"track?recording=") {
			t.Fatalf("%d to %s", resp.StatusCode, to)
		}
		if _, page := ask(t, "GET", server.URL+to, nil, nil); !strings.Contains(page, "schedule."+as) || !strings.Contains(page, "F0") {
			t.Error("it is not judged")
		}
		id := strings.TrimPrefix(to, bookPath+"track?recording=")
		for query, says := range map[string]string{"": map[string]string{"vcd": "$timescale", "csv": "time_us,left,right"}[as], "&as=csv": "47", "&as=jsonl": "{\""} {
			resp, text := ask(t, "GET", server.URL+bookPath+"track/recording?recording="+id+query, nil, nil)
			if resp.StatusCode != http.StatusOK || !strings.Contains(text, says) || !strings.HasPrefix(resp.Header.Get("Content-Disposition"), "attachment") {
				t.Errorf("%s%s: %d %.200s", as, query, resp.StatusCode, text)
			}
		}
	}
	if resp, page := send("power up\nat 0.5 s: 47 jump\n", "vcd"); resp.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(page, "line 2") || !strings.Contains(page, "jump") {
		t.Errorf("%d %s", resp.StatusCode, page)
	}
	for _, x := range [][2]string{{"power up\n", "wav"}, {strings.Repeat("#", 30000), "vcd"}} {
		if resp, _ := send(x[0], x[1]); resp.StatusCode != http.StatusUnprocessableEntity {
			t.Errorf("%.20s: %d", x[0], resp.StatusCode)
		}
	}
	if resp, _ := ask(t, "GET", server.URL+bookPath+"track/recording?recording=nothing", nil, nil); resp.StatusCode != http.StatusNotFound {
		t.Error(resp.StatusCode)
	}
}
