package build_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fettle/internal/build"
	"fettle/internal/diag"
)

// An expectation is written on the offending line: "#! code part of the message >> text of the mend", several
// separated by " | "; "#!v" marks the line below.
type expectation struct {
	code, message, mend string
	line                int
}

func expectations(src string) []expectation {
	var list []expectation
	for i, line := range strings.Split(src, "\n") {
		_, marks, ok := strings.Cut(line, "#!")
		if !ok {
			continue
		}
		if below, ok := strings.CutPrefix(marks, "v "); ok {
			marks = below // of the next line, where this one cannot hold a comment
			i++
		}
		for _, mark := range strings.Split(marks, " | ") {
			mark, mend, _ := strings.Cut(mark, " >> ")
			code, message, _ := strings.Cut(strings.TrimSpace(mark), " ")
			list = append(list, expectation{code, strings.TrimSpace(message), strings.TrimSpace(mend), i + 1})
		}
	}
	return list
}

// judge compares what was reported with what is marked; missing and extra reports both fail.
func judge(t *testing.T, want []expectation, got diag.List) {
	t.Helper()
	used := make([]bool, len(got))
next:
	for _, w := range want {
		for i, p := range got {
			if used[i] || p.Code != w.code || p.Range.Start.Line != w.line || !strings.Contains(p.Message, w.message) {
				continue
			}
			used[i] = true
			switch {
			case w.mend == "" && p.Fix != nil:
				t.Errorf("line %d: %s: a mend that is not marked: %s", w.line, p.Message, p.Fix.Text)
			case w.mend != "" && p.Fix == nil:
				t.Errorf("line %d: %s: no mend, want %s", w.line, p.Message, w.mend)
			case w.mend != "" && strings.TrimSpace(p.Fix.Text) != w.mend:
				t.Errorf("line %d: %s: mend %s, want %s", w.line, p.Message, p.Fix.Text, w.mend)
			}
			continue next
		}
		t.Errorf("line %d: not reported: %s %s", w.line, w.code, w.message)
	}
	for i, p := range got {
		if !used[i] {
			t.Errorf("line %d: reported, not marked: %s %s", p.Range.Start.Line, p.Code, p.Message)
		}
	}
}

func TestMarked(t *testing.T) {
	files, err := filepath.Glob("testdata/marked/*.fettle")
	if err != nil || len(files) == 0 {
		t.Fatal("no fixtures", err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			src, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			b, list := build.Load(file, src, build.Beside{})
			want := expectations(string(src))
			if len(want) == 0 {
				t.Fatal("nothing is marked")
			}
			judge(t, want, list)
			if b != nil {
				t.Error("a build in spite of errors")
			}
			// Each mend by itself makes its problem vanish.
			for i, p := range list {
				if p.Fix == nil {
					continue
				}
				fixed := diag.List{p}.Apply(file, src)
				_, after := build.Load(file, fixed, build.Beside{})
				for _, q := range after {
					if q.Code == p.Code && q.Message == p.Message && q.Range.Start.Line == p.Range.Start.Line {
						t.Errorf("%s: still there after %s", list[i].Message, p.Fix.Message)
					}
				}
			}
			// All together leave only what had no mend.
			_, after := build.Load(file, list.Apply(file, src), build.Beside{})
			left := 0
			for _, p := range list {
				if p.Fix == nil {
					left++
				}
			}
			if len(after) > left && !strings.Contains(file, "syntax") {
				t.Errorf("%d problems are left after all mends, want at most %d:\n%s", len(after), left, show(after, file, list.Apply(file, src)))
			}
		})
	}
}
