package dcc

import (
	"bytes"
	"os"
	"strings"
	"testing"

	"fettle/internal/diag"
	"fettle/internal/unit"
)

// Every line of the fixture is wrong as it says, and no other; every mend makes a line that is right.
func TestScheduleDiagnostics(t *testing.T) {
	const file = "testdata/marked.schedule"
	src, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	_, got := ParseSchedule(file, src)
	lines := strings.Split(string(src), "\n")
	byLine := map[int][]diag.Problem{}
	for i, p := range got {
		byLine[p.Range.Start.Line] = append(byLine[p.Range.Start.Line], p)
		if i > 0 && p.Range.Start.Byte < got[i-1].Range.Start.Byte {
			t.Errorf("line %d is reported after line %d", p.Range.Start.Line, got[i-1].Range.Start.Line)
		}
		line := lines[p.Range.Start.Line-1]
		if at := string([]rune(line)[p.Range.Start.Column-1:]); !bytes.HasPrefix(src[p.Range.Start.Byte:], []byte(at)) {
			t.Errorf("line %d: column %d and byte %d are different places", p.Range.Start.Line, p.Range.Start.Column,
				p.Range.Start.Byte)
		}
	}
	for i, line := range lines {
		_, mark, marked := strings.Cut(line, "#! ")
		problems := byLine[i+1]
		if !marked {
			if len(problems) > 0 {
				t.Errorf("line %d: %s", i+1, problems[0].Message)
			}
			continue
		}
		mark, mend, _ := strings.Cut(mark, " >> ")
		code, message, _ := strings.Cut(strings.TrimSpace(mark), " ")
		if len(problems) != 1 {
			t.Errorf("line %d: %d problems: %v", i+1, len(problems), problems)
			continue
		}
		p := problems[0]
		if p.Code != code || !strings.Contains(p.Message, message) {
			t.Errorf("line %d: %s %s", i+1, p.Code, p.Message)
		}
		switch {
		case p.Fix == nil && mend != "":
			t.Errorf("line %d: no mend", i+1)
		case p.Fix != nil && strings.TrimSpace(p.Fix.Text) != mend:
			t.Errorf("line %d: mend %q", i+1, p.Fix.Text)
		case p.Fix != nil:
			mended := diag.List{p}.Apply(file, src)
			if _, again := ParseSchedule(file, mended); len(again) >= len(got) {
				t.Errorf("line %d: mended and no better: %v", i+1, again)
			}
		}
	}
}

func TestScheduleIsRead(t *testing.T) {
	p, list := ParseSchedule("a",
		[]byte("\uFEFFpower up # first\r\nat 0.25 s: 47 F0 on; 3 reverse stop of 28\r\nevery 100 ms from 1 s to 3 s: 9 F1 on\r\n"+
			"preamble 16\npower-off\n0 s: power up\none 57us 59us\nzero 100 us 2 ms\ncut-out 30 us 460 us\nno contact 2 s to 2.01 s\nnoise 1 s to 1.1 s every 20 us\ninverted\nseed 9\njitter 100 ns"))
	if len(list) != 1 || list[0].Range.Start.Line != 5 {
		t.Fatal(list)
	}
	if p.End != 4*unit.Second || p.Preamble != 16 || p.Gap != (Window{30 * us, 460 * us}) || p.Stream.Seed != 9 || !p.Stream.Inverted ||
		p.Stream.Jitter != us/10 || p.Stream.Timing != (Timing{[2]unit.Time{57 * us, 59 * us}, [2]unit.Time{100 * us, 2000 * us}}) {
		t.Errorf("%+v", p)
	}
	if d := p.Disturbances; len(d) != 2 || d[0].Between != 20*us || d[1].From != 2*unit.Second || d[1].Between != 0 {
		t.Errorf("%+v", d)
	}
	o := p.Orders
	if len(o) != 5 || !o[0].PowerUp || o[1].At != unit.Second/4 || o[1].Sentence.String() != "47 F0 on F1-F4 off" ||
		o[2].Sentence.Range.Start.Line != 2 || o[2].Sentence.Range.Start.Column != 22 ||
		o[3].Every != unit.Second/10 || o[3].At != unit.Second || o[3].Until != 3*unit.Second || !o[4].PowerUp {
		t.Errorf("%+v", o)
	}
}

func FuzzSchedule(f *testing.F) {
	src, err := os.ReadFile("testdata/marked.schedule")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(string(src))
	f.Add("at 0 s: 47 F0 on\n\x00\xFF")
	f.Fuzz(func(t *testing.T, src string) {
		p, list := ParseSchedule("a", []byte(src))
		for _, x := range list {
			if r := x.Range; r.Start.Byte < 0 || r.End.Byte < r.Start.Byte || r.End.Byte > len(src) {
				t.Fatalf("%+v lies outside %q", r, src)
			}
		}
		if p.End <= 0 {
			t.Fatalf("ends at %v", p.End)
		}
		if !list.HasErrors() {
			p.End = min(p.End, unit.Second)
			source, err := p.Source()
			if err != nil {
				t.Fatal(err)
			}
			collect(t, source)
		}
	})
}

// S-9.2 C, note 3: the signal goes on for at least 26 µs after an end bit.
func TestCutoutTooSoon(t *testing.T) {
	for text, warned := range map[string]bool{"cut-out 25.9 us 460 us": true, "cut-out 26 us 460 us": false} {
		p, list := ParseSchedule("a", []byte("at 0 s: idle\n"+text))
		if len(list) > 1 || list.HasErrors() || (len(list) == 1) != warned || p.Gap.Max != 460*us {
			t.Errorf("%s: %v", text, list)
		}
	}
}
