package work_test

import (
	"context"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"fettle/docs"
	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/work"
)

var fence = regexp.MustCompile("(?ms)^```fettle *(\\w*)\n(.*?)^```$")

// blocks splits an example into its blocks by their first word.
func blocks(src string) map[string]string {
	out := map[string]string{}
	depth, word := 0, ""
	for _, line := range strings.Split(strings.TrimSpace(src), "\n") {
		if depth == 0 {
			if word = strings.Fields(line + " -")[0]; word == "-" {
				continue
			}
		}
		depth += strings.Count(line, "{") - strings.Count(line, "}")
		out[word] += line + "\n"
	}
	return out
}

// whole is the build file of an example: the page's frame with the example's blocks in it.
func whole(frame, example string) string {
	s := frame
	for word, text := range blocks(example) {
		switch word {
		case "lamp":
			s = strings.Replace(s, "  # lamps\n", text+"  # lamps\n", 1)
		case "supply", "chip": // instead of the frame's
			at := strings.Index(s, "  "+word+" {")
			s = s[:at] + text + s[at+strings.Index(s[at:], "  }\n")+4:]
		default:
			s = strings.Replace(s, "  # outputs\n", text+"  # outputs\n", 1)
		}
	}
	return s
}

// Every example of docs/circuits.md is a build that can be chosen and proven, with nothing that fails and nothing left
// unknown but what is not built yet.
func TestCircuitsOfThePage(t *testing.T) {
	frame := ""
	n := 0
	title := func(at int) string {
		head := docs.Circuits[:at]
		head = head[strings.LastIndex(head, "\n### ")+5:]
		return head[:strings.Index(head, "\n")]
	}
	for _, m := range fence.FindAllStringSubmatchIndex(docs.Circuits, -1) {
		kind, text := docs.Circuits[m[2]:m[3]], docs.Circuits[m[4]:m[5]]
		if kind == "frame" {
			frame = text
			continue
		}
		n++
		t.Run(title(m[0]), func(t *testing.T) {
			t.Parallel()
			file := filepath.Join(t.TempDir(), "example.fettle")
			if err := os.WriteFile(file, []byte(whole(frame, text)), 0o644); err != nil {
				t.Fatal(err)
			}
			f, list, err := build.Open(file)
			if err != nil || list.HasErrors() {
				t.Fatal(err, list, whole(frame, text))
			}
			r := &work.Runner{Samples: 200}
			p, err := r.Prove(context.Background(), f, false)
			if err != nil {
				t.Fatal(err)
			}
			for _, j := range p.Findings.Verdicts {
				if j.Verdict == finding.Fails || j.Verdict == finding.Unknown && !j.NotYet() {
					t.Errorf("%s, %s: %s (%s): %s %s", j.ID, j.Requirement, j.Verdict, j.Why, j.Worst, j.Mend)
				}
			}
		})
	}
	if n < 18 {
		t.Errorf("only %d examples", n)
	}
}
