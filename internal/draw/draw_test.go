package draw

import (
	"bytes"
	"encoding/xml"
	"flag"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "rewrite golden files")

var goldens = map[string]bool{}

func golden(t *testing.T, name, got string) {
	t.Helper()
	goldens[name] = true
	wellFormed(t, name, got)
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.MkdirAll("testdata", 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(got), 0o666); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal([]byte(got), want) {
		t.Errorf("%s differs (run with -update, read the diff and look at the drawing)", path)
	}
}

// wellFormed re-parses the drawing: XML, named and described, coordinates with one decimal and finite.
func wellFormed(t interface {
	Errorf(string, ...any)
	Helper()
}, name, svg string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(svg))
	var title, desc bool
	for {
		tok, err := d.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Errorf("%s: %v", name, err)
			return
		}
		e, ok := tok.(xml.StartElement)
		if !ok {
			continue
		}
		title = title || e.Name.Local == "title"
		desc = desc || e.Name.Local == "desc"
		for _, a := range e.Attr {
			switch a.Name.Local {
			case "x", "y", "width", "height", "cx", "cy", "r":
				if _, err := strconv.ParseFloat(a.Value, 64); err != nil {
					t.Errorf("%s: %s %s = %q", name, e.Name.Local, a.Name.Local, a.Value)
				}
				if _, frac, _ := strings.Cut(a.Value, "."); len(frac) > 1 {
					t.Errorf("%s: %s %s = %q has more digits than meant", name, e.Name.Local, a.Name.Local, a.Value)
				}
			case "d":
				if strings.ContainsAny(a.Value, "NIe") {
					t.Errorf("%s: path %q", name, a.Value)
				}
			}
		}
	}
	if !title || !desc {
		t.Errorf("%s: without title or description", name)
	}
}

func TestGolden(t *testing.T) {
	for _, f := range sampleFigures() {
		for _, w := range []float64{700, 330} {
			golden(t, f.ID+"-"+strconv.Itoa(int(w))+".svg", Plot(f, Options{Width: w, Standalone: true}))
		}
	}
	for _, n := range []int{0, 2, 6} {
		for _, w := range []float64{720, 330} {
			golden(t, "circuit-"+strconv.Itoa(n)+"-"+strconv.Itoa(int(w))+".svg", Circuit(sampleSchematic(n), Options{Width: w, Standalone: true}))
		}
	}
	have, err := os.ReadDir("testdata")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range have {
		if !e.IsDir() && !goldens[e.Name()] {
			t.Errorf("testdata/%s is used by no test", e.Name())
		}
	}
}
