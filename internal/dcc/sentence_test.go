package dcc

import (
	"strings"
	"testing"

	"fettle/internal/diag"
)

// Ways of saying the same: what is read and how it is said canonically.
func TestManners(t *testing.T) {
	for _, c := range []struct{ said, canonical string }{
		{"47 forward 12 of 28", "47 forward 12 of 28"},
		{"47 Forward step 12 of 28", "47 forward 12 of 28"},
		{"47 fwd 12 of 28", "47 forward 12 of 28"},
		{"47 backward 12 of 128", "47 reverse 12 of 128"},
		{"47 reverse 126 of 126", "47 reverse 126 of 128"},
		{"short 47 stop", "47 stop of 28"},
		{"long 47 stop", "long 47 stop of 28"},
		{"long 1000 stop of 28", "1000 stop of 28"},
		{"47 forward stop", "47 forward stop of 28"},
		{"47 forward stop any direction", "47 stop of 28"},
		{"47 e-stop", "47 emergency stop of 28"},
		{"47 reverse emergency stop of 128", "47 reverse emergency stop of 128"},
		{"47 forward 3 of 14 FL off", "47 forward 3 of 14"},
		{"broadcast stop", "broadcast stop"},
		{"broadcast stop of 28", "broadcast stop"},
		{"broadcast forward 3 of 28", "broadcast forward 3 of 28"},
		{"1000 F0 on", "1000 F0 on F1-F4 off"},
		{"1000 FL on", "1000 F0 on F1-F4 off"},
		{"1000 lights off", "1000 F0-F4 off"},
		{"3 F1-4 on", "3 F1-F4 on F0 off"},
		{"3 f1 f3 on, f2 off", "3 F1 F3 on F0 F2 F4 off"},
		{"3 F68 on", "3 F68 on F61-F67 off"},
		{"3 forward 1 of 128 with F9 on", "3 forward 1 of 128 with F9 on F0-F8 F10-F15 off"},
		{"cv 29 write 6 at 3", "3 cv 29 write 6"},
		{"cv29=6 at 3", "3 cv 29 write 6"},
		{"3 cv 29 = 0x26", "3 cv 29 write 38"},
		{"3 cv 29 = 0b100110", "3 cv 29 write 38"},
		{"cv 29 bit 5 = 1 at long 3", "long 3 cv 29 bit 5 write 1"},
		{"3 cv 29 bit 5 verify 0", "3 cv 29 bit 5 verify 0"},
		{"3 cv 17+18 write 195 232", "3 cv 17+18 write 195 232"},
		{"cv 5 verify 7 at accessory 12", "accessory 12 cv 5 verify 7"},
		{"cv 5 write 7 at signal 12", "extended accessory 12 cv 5 write 7"},
		{"3 consist 10 normal", "3 consist 10"},
		{"3 consist 0", "3 leave consist"},
		{"3 consist 0 reversed", "3 consist 0 reversed"},
		{"reset at 3", "3 reset"},
		{"3 volume", ""},
		{"forward 12 of 28 at 47", "47 forward 12 of 28"},
		{"47 forward 12/28", "47 forward 12 of 28"},
		{"F0 on at 1000", "1000 F0 on F1-F4 off"},
		{"stop at broadcast", "broadcast stop"},
		{"pair 0 output 1 on at accessory 1", "accessory 1 pair 0 output 1 on"},
		{"extended addressing on at 3", "3 extended addressing on"},
		{"hard reset at long 3", "long 3 hard reset"},
		{"3 analog function 1 = 20", "3 analogue 1 = 20"},
		{"turnout 1 output 1 on", "accessory 1 pair 0 output 1 on"},
		{"turnout 2040 output 0 off", "accessory 510 pair 3 output 0 off"},
		{"signal 5 aspect 3", "extended accessory 5 aspect 3"},
		{"service write cv 1 = 47", "service write cv 1 = 47"},
		{"service direct write cv 1 47", "service write cv 1 = 47"},
		{"service register write 8 = 8", "service factory reset"},
		{"service register write 6 = 1", "service page preset"},
		{"service register write 1 = 5", "service register write 1 = 5"},
		{"service address only write cv 1 = 5", "service address-only write cv 1 = 5"},
		{"bytes 37 74 43", "55 forward 6 of 28"},
		{"bytes 0x37 0x74 0x43", "55 forward 6 of 28"},
		{"bytes 377443", "55 forward 6 of 28"},
		{"hex 03 90 92", "bytes 03 90 92"},
		{"bytes 3 3", "bytes 03 03"},
	} {
		said, list := Parse("", c.said)
		if c.canonical == "" {
			if len(list) != 1 {
				t.Errorf("%q is understood: %v", c.said, said)
			}
			continue
		}
		if len(list) > 0 || len(said) != 1 || said[0].String() != c.canonical {
			t.Errorf("%q: %v %v, want %q", c.said, said, list, c.canonical)
			continue
		}
		again, list := Parse("", c.canonical)
		if len(list) > 0 || len(again) != 1 || again[0].Instruction != said[0].Instruction || again[0].Task != said[0].Task || again[0].String() != c.canonical {
			t.Errorf("%q is read back as %v %v", c.canonical, again, list)
		}
	}
}

// Several in one text: semicolons, lines, comments; what is wrong in one does not touch the others.
func TestSeveralSentences(t *testing.T) {
	said, list := Parse("f", "idle; 3 F0 on # 3 F1 on; idle\r\n# a line; of comment\n\n;; \n3 F0 onn\n 47 forwad 1 of 28;reset")
	if len(said) != 3 || len(list) != 2 {
		t.Fatalf("%v, %v", said, list)
	}
	if said[2].Instruction != Reset() || said[2].Range.Start.Line != 6 || said[2].Range.Start.Column != 20 {
		t.Errorf("%v at %v", said[2], said[2].Range)
	}
	for k, want := range []string{"f:5:6", "f:6:5"} {
		if got := list[k].Range.String(); got != want {
			t.Errorf("problem at %s, want %s: %s", got, want, list[k].Message)
		}
	}
}

// wrong are sentences with the place of what is wrong marked by «», the words of the message that matter, and the mend.
var wrong = []struct{ said, message, mend string }{
	{"«47x» F0 on", "is not understood: an address", ""},
	{"«idel»", `did you mean "idle"`, "idle"},
	{"«brodcast» stop", `did you mean "broadcast"`, "broadcast stop"},
	{"«0» F0 on", "address 0 is the broadcast", "broadcast F0 on"},
	{"«10240» F0 on", "highest long one is 10239", ""},
	{"short «128» F0 on", "from 1 to 127", "128 F0 on"},
	{"long «10240» F0 on", "from 0 to 10239", ""},
	{"47 «»", "ends where an instruction", ""},
	{"47 «forwad» 12 of 28", `did you mean "forward"`, "47 forward 12 of 28"},
	{"47 «froward» 12 of 28", `did you mean "forward"`, "47 forward 12 of 28"},
	{"47 «12» of 28", "in which direction", "47 forward 12 of 28"},
	{"47 forward «0» of 28", "step 0 is a stop", "47 forward stop of 28"},
	{"47 forward «29» of 28", "highest is 28", "47 forward 29 of 128"},
	{"47 forward «15» of 14", "highest is 14", "47 forward 15 of 28"},
	{"47 forward «127» of 128", "from 0 to 126", ""},
	{"47 forward 12«»", "of how many", "47 forward 12 of 28"},
	{"47 forward 60«»", "of how many", "47 forward 60 of 128"},
	{"47 forward 12 of «27»", "14, 28 or 128", "47 forward 12 of 28"},
	{"47 forward 12 of «»", "14, 28 or 128", ""},
	{"47 «»stop of 128", "says a direction too", "47 forward stop of 128"},
	{"47 forward 12 of 28 «FL» on", "with the speed of 14 steps only", "47 forward 12 of 28"},
	{"47 forward 12 of 28 «with» F0 on", "128 steps only", ""},
	{"47 forward 12 of 28 «quickly»", "over and above", "47 forward 12 of 28"},
	{"idle «3 F0 on»", "a sentence of its own", "idle; 3 F0 on"},
	{"3 F0 «onn»", `did you mean "on"`, "3 F0 on"},
	{"3 F0«»", `"on" or "off"`, ""},
	{"3 «F69» on", "highest function here is F68", ""},
	{"3 F0 «F5» on", "F0 and F5 travel in different packets", ""},
	{"3 «F4-F1» on", "runs backwards", "3 F1-F4 on"},
	{"3 F1 «F1» on", "named twice", ""},
	{"3 forward 1 of 128 with «F32» on", "F31", ""},
	{"3 cv «0» write 1", "from 1 to 1024", ""},
	{"3 cv 29 «wirte» 6", `did you mean "write"`, "3 cv 29 write 6"},
	{"3 cv 29 write «256»", "from 0 to 255", ""},
	{"3 cv 29 write «six»", "no number", ""},
	{"3 cv 29 bit «8» write 1", "from 0 to 7", ""},
	{"3 cv 29 bit 1 write «2»", "from 0 to 1", ""},
	{"3 cv 29 write 6 «short»", "CV 23 or 24", "3 cv 29 write 6"},
	{"3 cv «1+2» write 6 7", "17+18", ""},
	{"cv 29 write 6«»", "whose CV", ""},
	{"cv 29 write 6 at«»", "ends where an address", ""},
	{"«F0» on", "for whom", ""},
	{"«stop»", "for whom", "broadcast stop"},
	{"3 «read» cv 29", "no packet reads", ""},
	{"service «read» cv 29", "no packet reads", ""},
	{"3 cv 29 «6»", "is not understood", "3 cv 29 = 6"},
	{"3 «speed» 12 of 28", "forward or reverse", "3 forward 12 of 28"},
	{"broadcast stop of «14»", "counted as of 28", "broadcast stop of 28"},
	{"«forwad» 12 of 28 at 3", "is not understood", ""},
	{"forward «29» of 28 at 3", "the highest is 28", "forward 29 of 128 at 3"},
	{"3 consist «128»", "from 0 to 127", ""},
	{"3 «consits» 10", `did you mean "consist"`, "3 consist 10"},
	{"3 state «0» on", "from 1 to 32767", ""},
	{"3 «lock» except 3", "to all decoders", "broadcast lock except 3"},
	{"broadcast «query»", "one decoder", ""},
	{"3 «pair» 0 output 1 on", "belongs to an accessory decoder", ""},
	{"accessory «511» pair 0 output 1 on", "from 0 to 510", ""},
	{"accessory 1 pair «4» output 1 on", "from 0 to 3", ""},
	{"accessory 1 pair 0 output «2» on", "from 0 to 1", ""},
	{"extended accessory 1 «aspekt» 3", `did you mean "aspect"`, "extended accessory 1 aspect 3"},
	{"service «wriet» cv 1 = 3", `did you mean "write"`, "service write cv 1 = 3"},
	{"service address-only write cv «2» = 3", "CV 1 alone", ""},
	{"service address-only write cv 1 = «128»", "from 0 to 127", ""},
	{"service register write «9» = 3", "from 1 to 8", ""},
	{"service paged write cv «1021» = 3", "from 1 to 1020", ""},
	{"service paged write cv 29 «bit» 1 = 1", "direct mode", ""},
	{"bytes 37 «7G»", "no byte in hexadecimal", ""},
	{"bytes 37 «777»", "no whole bytes", ""},
	{"bytes «»", "such as 37 74 43", ""},
	{"advanced «FF 00»", "begins with FD or FE", ""},
}

func TestWrongSentences(t *testing.T) {
	for _, c := range wrong {
		from := strings.Index(c.said, "«")
		src := strings.Replace(c.said, "«", "", 1)
		to := strings.Index(src, "»")
		src = strings.Replace(src, "»", "", 1)
		said, list := Parse("f", src)
		if len(list) != 1 || len(said) != 0 {
			t.Errorf("%q: %v, %d problems", src, said, len(list))
			continue
		}
		p := list[0]
		trimmed := strings.TrimRight(src, " ")
		if from > len(trimmed) { // at the end of the sentence
			from, to = len(trimmed), len(trimmed)
		}
		if p.Range.Start.Byte != from || p.Range.End.Byte != to {
			t.Errorf("%q: marked is %q at %d, want %q at %d (%s)", src, src[p.Range.Start.Byte:p.Range.End.Byte], p.Range.Start.Byte, src[from:to], from, p.Message)
		}
		if !strings.Contains(p.Message, c.message) {
			t.Errorf("%q: %q does not say %q", src, p.Message, c.message)
		}
		switch {
		case p.Fix == nil && c.mend != "":
			t.Errorf("%q: no mend, want %q (%s)", src, c.mend, p.Message)
		case p.Fix != nil && p.Fix.Message != c.mend:
			t.Errorf("%q: mend %q, want %q", src, p.Fix.Message, c.mend)
		}
		mended(t, list, src)
	}
}

// mended: what a mend makes of the text is right, at least where it was wrong.
func mended(t *testing.T, list diag.List, src string) {
	t.Helper()
	for _, p := range list {
		if p.Fix == nil {
			continue
		}
		after := string(diag.List{p}.Apply(p.Fix.Range.File, []byte(src)))
		if _, left := Parse(p.Fix.Range.File, after); len(left) >= len(list) {
			t.Errorf("%q: the mend %q leaves %v", src, after, left)
		}
	}
}

// FuzzParse: no text is too odd. Ranges lie inside it, a mend mends, and what is understood is said and read back alike.
func FuzzParse(f *testing.F) {
	seeds := 0
	for _, v := range vectors {
		f.Add(v.words)
		seeds++
	}
	for _, c := range wrong {
		f.Add(strings.NewReplacer("«", "", "»", "").Replace(c.said))
		seeds++
	}
	f.Add("3 F0 on # comment; idle\n\xff\x00;=,")
	f.Add("3 cv\u202f29 = 0x1F")
	f.Add("cv 29 at at 3 =")
	f.Add("47 İ forward 1 of 28")
	f.Add("\xc5")
	f.Add("stop at 3 stop F0 on")
	f.Add("cv 29 at 3 write 6 at 4")
	if seeds < 100 {
		f.Fatal("seeds are missing")
	}
	f.Fuzz(func(t *testing.T, src string) {
		said, list := Parse("f", src)
		inside := func(r diag.Range) {
			if r.Start.Byte < 0 || r.End.Byte < r.Start.Byte || r.End.Byte > len(src) || r.Start.Line < 1 || r.Start.Column < 1 {
				t.Fatalf("%q: range %+v", src, r)
			}
		}
		for _, p := range list {
			inside(p.Range)
			if p.Message == "" || p.Code == "" {
				t.Fatalf("%q: %+v", src, p)
			}
			if p.Fix != nil {
				inside(p.Fix.Range)
			}
		}
		mended(t, list, src)
		for _, s := range said {
			inside(s.Range)
			if err := s.Instruction.Check(); err != nil {
				t.Fatalf("%q: %v", src, err)
			}
			again, list := Parse("f", s.String())
			if len(list) > 0 || len(again) != 1 || again[0].Instruction != s.Instruction || again[0].Task != s.Task || again[0].String() != s.String() {
				t.Fatalf("%q is %q, which is read as %v %v", src, s, again, list)
			}
			for _, step := range s.Steps() {
				if len(step.Packet()) == 0 || step.Count < 1 {
					t.Fatalf("%q: step %+v", src, step)
				}
			}
		}
	})
}
