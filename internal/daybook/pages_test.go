package daybook_test

import (
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"fettle/internal/daybook"
)

var (
	inputName   = regexp.MustCompile(`(?:id="answer" name|name)="(answer:[^"]+)"`)
	hiddenField = regexp.MustCompile(`<input type="hidden" name="([^"]+)" value="([^"]*)">`)
)

// A first build, answered with nothing but its name, is asked screen by screen and stands on the shelf at the end.
func TestGuidedFirstBuild(t *testing.T) {
	dir := folder(t)
	server, _ := serve(t, dir, daybook.Settings{})
	given := url.Values{}
	for n := 0; ; n++ {
		if n > 60 {
			t.Fatal("the questions have no end")
		}
		resp, page := ask(t, "GET", server.URL+"/new?"+given.Encode(), nil, nil)
		if resp.StatusCode != http.StatusOK {
			t.Fatalf("%d", resp.StatusCode)
		}
		if strings.Contains(page, `action="/start"`) {
			fields := url.Values{"folder": {"brick-wagon"}}
			for _, m := range hiddenField.FindAllStringSubmatch(page, -1) {
				fields.Set(m[1], m[2])
			}
			if n < 5 {
				t.Errorf("only %d questions", n)
			}
			if resp, body := form(t, server.URL+"/start", nil, fields); resp.StatusCode != http.StatusSeeOther {
				t.Fatalf("%d: %s", resp.StatusCode, body)
			}
			break
		}
		at := strings.Index(page, `id="answer"`)
		if at < 0 {
			t.Fatalf("no question: %s", page)
		}
		name := inputName.FindStringSubmatch(page[at:])[1]
		answer := "?"
		if name == "answer:vehicle" {
			answer = "brick wagon"
		}
		given.Set(name, answer)
	}
	files, err := filepath.Glob(filepath.Join(dir, "brick-wagon", "*.fettle"))
	if err != nil || len(files) != 1 {
		t.Fatalf("%v, %v", files, err)
	}
	if src, err := os.ReadFile(files[0]); err != nil || !strings.Contains(string(src), `"brick wagon"`) {
		t.Errorf("%v\n%s", err, src)
	}
	// A wrong answer is asked again, with what is wrong.
	_, page := ask(t, "GET", server.URL+"/new?answer%3Avehicle=x&answer%3Ascale=Q", nil, nil)
	if !strings.Contains(page, `role="alert"`) || !strings.Contains(page, "Q") {
		t.Error("a scale that is none is taken")
	}
}

// What is wrong with a file stands at its line on every page of the build, and the pages come back when it is mended.
func TestTroubleAtItsLine(t *testing.T) {
	server, b := serve(t, folder(t), daybook.Settings{})
	src := string(b.Now().Sources[b.File()])
	broken := strings.Replace(src, `good        = "2.0 mA"`, `good        = "2.0 V"`, 1)
	if broken == src {
		t.Fatal("the demo no longer says good = 2.0 mA")
	}
	line := strings.Count(src[:strings.Index(src, `good        = "2.0 mA"`)], "\n") + 1
	if _, err := b.Rewrite(b.Now().ID, file, []byte(broken), ""); err != nil {
		t.Fatal(err)
	}
	for _, page := range []string{"", "outputs", "faults", "experiments"} {
		_, body := ask(t, "GET", server.URL+bookPath+page, nil, nil)
		if want := `<b>line ` + strconv.Itoa(line) + `</b>`; !strings.Contains(body, want) || !strings.Contains(body, `<span class="here"><span class="n">`+strconv.Itoa(line)) {
			t.Errorf("/%s does not show line %d", page, line)
		}
	}
	if _, err := b.Undo(); err != nil {
		t.Fatal(err)
	}
	if _, body := ask(t, "GET", server.URL+bookPath+"outputs", nil, nil); !strings.Contains(body, "Schematic") {
		t.Error("the page does not come back")
	}
}

// BenchmarkFirstPage is the whole at a glance of the demo, warm.
func BenchmarkFirstPage(b *testing.B) {
	server, _ := serve(b, folder(b), daybook.Settings{})
	ask(b, "GET", server.URL+bookPath, nil, nil)
	for b.Loop() {
		ask(b, "GET", server.URL+bookPath, nil, nil)
	}
}
