package train_test

import (
	"fmt"
	"strings"
	"testing"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/train"
)

// car is one invented vehicle with white and red at its front end, its decoder and its mapping of F0.
func car(name, decoder, forward, reverse, answer string) string {
	return fmt.Sprintf(`
vehicle %[1]q {
  lamp "head" {
    feed = "left rail"
    leds = "white"
    end  = "front"
  }
  lamp "tail" {
    feed = "right rail"
    leds = "red"
    end  = "front"
  }
}
decoder %[2]q {
  vehicle = %[1]q
  output "head" {
    lamp = "head"
    from = "PB0"
  }
  output "tail" {
    lamp = "tail"
    from = "PB1"
  }
  answer {
    %[5]s
  }
}
function "F0" {
  decoder   = %[2]q
  direction = "forward"
  output    = %[3]q
}
function "F0" {
  decoder   = %[2]q
  direction = "reverse"
  output    = %[4]q
}
`, name, decoder, forward, reverse, answer)
}

// consist is a train of the two, the second turned, with what is wanted of F0 and with nothing on.
const consist = `
train {
  vehicle "ferry car" {
  }
  vehicle "mail van" {
    turned = true
  }
  want {
    direction = "forward"
    function  = "F0"
    lit       = ["ferry car / head", "mail van / tail"]
  }
  want {
    direction = "reverse"
    function  = "F0"
    lit       = ["ferry car / tail", "mail van / head"]
  }
  want {
    function = "nothing"
    lit      = "nothing"
  }
}
`

func load(t testing.TB, src string) *build.Build {
	t.Helper()
	b, list := build.Load("t.fettle", []byte("format = 1\n"+src), build.Beside{})
	if b == nil {
		var s strings.Builder
		_ = list.Print(&s, map[string][]byte{"t.fettle": []byte("format = 1\n" + src)})
		t.Fatal(s.String())
	}
	return b
}

func verdict(t testing.TB, f finding.Findings, id string) finding.Judgement {
	t.Helper()
	for _, j := range f.Verdicts {
		if j.ID == id {
			return j
		}
	}
	var ids []string
	for _, j := range f.Verdicts {
		ids = append(ids, j.ID)
	}
	t.Fatalf("no verdict %s; there is %s", id, strings.Join(ids, ", "))
	return finding.Judgement{}
}

func contains(t testing.TB, text string, parts ...string) {
	t.Helper()
	for _, p := range parts {
		if !strings.Contains(text, p) {
			t.Errorf("%q does not say %q", text, p)
		}
	}
}

// A vehicle that stands turned runs in reverse when the train goes forward: mapped by its own directions it is right.
func TestTurnedVehicleIsRight(t *testing.T) {
	r := train.Judge(load(t, car("ferry car", "a", "head", "tail", "address = 47")+car("mail van", "b", "head", "tail", "address = 47")+consist), nil)
	for _, id := range []string{"train.address", "train.forward.F0", "train.reverse.F0", "train.forward.nothing", "train.reverse.nothing"} {
		if j := verdict(t, r.Findings, id); j.Verdict != finding.Holds {
			t.Errorf("%s: %s (%s)", id, j.Verdict, j.Why)
		}
	}
	// NMRA S-9.2.2 (2012), CV29 bit 0: the decoder of the turned vehicle must be told.
	if len(r.Findings.Notes) != 1 {
		t.Fatal(r.Findings.Notes)
	}
	contains(t, r.Findings.Notes[0].Text, "Decoder b", "CV29 bit 0 = 1")
	if c := r.Plans[0].Lamps; c[0].Lamp.Name.Text != "head" || c[0].Place != 0 || !c[0].Outer || !c[3].Outer || c[3].End != build.EndRear {
		t.Errorf("the order of the lamps: %+v", c)
	}
}

// A tail lamp mapped to the wrong direction is named, with its vehicle, the reason, and a change that mends it.
func TestWronglyMappedTailLampIsNamed(t *testing.T) {
	r := train.Judge(load(t, car("ferry car", "a", "head", "tail", "address = 47")+car("mail van", "b", "tail", "head", "address = 47")+consist), nil)
	j := verdict(t, r.Findings, "train.forward.F0")
	if j.Verdict != finding.Fails {
		t.Fatal(j.Verdict)
	}
	contains(t, j.Why,
		"lamp tail of mail van should be lit and is dark",
		"only F0 forward switches output tail of decoder b on, but mail van stands turned: its forward is the train's reverse",
		"lamp head of mail van is lit and should not be",
		"F0 reverse switches output head of decoder b on, but mail van stands turned: its reverse is the train's forward")
	contains(t, j.Mend, "exchange forward and reverse of function F0 of decoder b (line ")
	if strings.Contains(j.Why, "ferry car") {
		t.Errorf("what is right is named: %s", j.Why)
	}
	if j := verdict(t, r.Findings, "train.reverse.F0"); j.Verdict != finding.Fails || !strings.Contains(j.Mend, "decoder b") {
		t.Errorf("reverse: %s, mend %q", j.Verdict, j.Mend)
	}
	if j := verdict(t, r.Findings, "train.forward.nothing"); j.Verdict != finding.Holds {
		t.Errorf("with nothing on: %s", j.Verdict)
	}
}

// The mends, each for the slip that it mends.
func TestMends(t *testing.T) {
	good := car("mail van", "b", "head", "tail", "address = 47")
	one := `
train {
  vehicle "ferry car" {
  }
  vehicle "mail van" {
  }
  want {
    direction = "forward"
    function  = "F0"
    lit       = ["ferry car / head", "mail van / head"]
  }
}
`
	for _, x := range []struct{ name, src, why, mend string }{
		{"another address", car("ferry car", "a", "head", "tail", "address = 12") + car("rear car", "c", "head", "tail", "address = 47") + good + strings.NewReplacer(`vehicle "mail van" {`, "vehicle \"rear car\" {\n  }\n  vehicle \"mail van\" {", `/ head", "m`, `/ head", "rear car / head", "m`).Replace(one),
			"decoder a answers to address 12, the train to 47", "address = 47 in the answer block of decoder a"},
		{"one block only", car("ferry car", "a", "tail", "head", "address = 47") + good + one,
			"only F0 reverse switches output head of decoder a on", "exchange forward and reverse of function F0 of decoder a"},
		{"a block too few", strings.Replace(car("ferry car", "a", "head", "tail", "address = 47"), "  output    = \"head\"\n", "  output    = \"tail\"\n", 1) + good + one,
			"no function switches output head of decoder a", `output = "head" in function F0 forward of decoder a`},
		{"a long address", car("ferry car", "a", "head", "tail", "address = 3\n    long = true") + strings.Replace(good, "47", "3", 1) + one,
			"decoder b answers to address 3, the train to long 3", "address = 3, long = true in the answer block of decoder b"},
	} {
		t.Run(x.name, func(t *testing.T) {
			j := verdict(t, train.Judge(load(t, x.src), nil).Findings, "train.forward.F0")
			if j.Verdict != finding.Fails {
				t.Fatal(j.Verdict)
			}
			contains(t, j.Why, x.why)
			contains(t, j.Mend, x.mend)
		})
	}
}

// A decoder with another address does not follow; the verdict on the address names it and says what to write.
func TestAnotherAddress(t *testing.T) {
	src := car("ferry car", "a", "head", "tail", "address = 47") + car("mail van", "b", "head", "tail", "address = 12") + consist
	j := verdict(t, train.Judge(load(t, src), nil).Findings, "train.address")
	if j.Verdict != finding.Fails {
		t.Fatal(j.Verdict)
	}
	contains(t, j.Why, "decoder b answers to address 12, the others to 47")
	contains(t, j.Mend, "address = 47 in the answer block of decoder b")
	// In one consist they follow, whatever their own addresses (NMRA S-9.2.2 (2012), CV19).
	src = car("ferry car", "a", "head", "tail", "address = 47\n    consist = 9") + car("mail van", "b", "head", "tail", "address = 12\n    consist = 9") + consist
	f := train.Judge(load(t, src), nil).Findings
	for _, id := range []string{"train.address", "train.forward.F0", "train.reverse.F0"} {
		if j := verdict(t, f, id); j.Verdict != finding.Holds {
			t.Errorf("%s: %s (%s)", id, j.Verdict, j.Why)
		}
	}
	contains(t, f.Notes[0].Text, "bit 7 of CV19")
	// A consist of number 12 is called as the short address 12 is.
	src = car("ferry car", "a", "head", "tail", "address = 47\n    consist = 12") + car("mail van", "b", "head", "tail", "address = 12") + consist
	if j := verdict(t, train.Judge(load(t, src), nil).Findings, "train.address"); j.Verdict != finding.Holds {
		t.Errorf("consist 12 and address 12: %s (%s)", j.Verdict, j.Why)
	}
}

// NEM 631 (1985), NEM 650 (2017) section 3: forward on DC the right rail is positive; a lamp on the left rail is dark
// then, and a vehicle that stands turned has its left rail where the train has its right one.
func TestOnDC(t *testing.T) {
	a, b := car("ferry car", "a", "head", "tail", "dc = true"), car("mail van", "b", "head", "tail", "dc = true")
	track := "track {\n  dc = \"both\"\n}\n"
	f := train.Judge(load(t, a+b+consist+track), nil).Findings
	// Forward: ferry car runs forward, its right rail is positive: head, on the left rail, is dark. mail van runs in
	// reverse, its left rail is positive: tail, on its right rail, is dark.
	j := verdict(t, f, "train.forward.F0.dc")
	if j.Verdict != finding.Fails {
		t.Fatal(j.Verdict)
	}
	contains(t, j.Why, "lamp head of ferry car should be lit and is dark", "fed from the left rail and dark while the right rail is the positive one",
		"lamp tail of mail van should be lit and is dark", "fed from the right rail and dark while the left rail is the positive one")
	contains(t, j.Mend, "feed lamp head of ferry car from the rectified plus", "feed lamp tail of mail van from the rectified plus")
	// The other way round they shine.
	swap := strings.NewReplacer("left rail", "right rail", "right rail", "left rail")
	for _, id := range []string{"train.forward.F0.dc", "train.reverse.F0.dc"} {
		if j := verdict(t, train.Judge(load(t, swap.Replace(a)+swap.Replace(b)+consist+track), nil).Findings, id); j.Verdict != finding.Holds {
			t.Errorf("%s: %s (%s)", id, j.Verdict, j.Why)
		}
	}
	// NMRA S-9.2 (2004) C: with CV29 bit 2 = 0 a decoder stays digital.
	j = verdict(t, train.Judge(load(t, swap.Replace(a)+strings.Replace(swap.Replace(b), "dc = true", "address = 3", 1)+consist+track), nil).Findings, "train.forward.F0.dc")
	contains(t, j.Why, "decoder b stays with DCC")
	contains(t, j.Mend, "dc = true in the answer block of decoder b")
	// A lamp whose feed is not said may or may not shine.
	j = verdict(t, train.Judge(load(t, strings.Replace(swap.Replace(a), "    feed = \"right rail\"\n", "", 1)+swap.Replace(b)+consist+track), nil).Findings, "train.forward.F0.dc")
	if j.Verdict != finding.Unknown {
		t.Errorf("without a feed: %s", j.Verdict)
	}
}

// Behind a single diode from the left rail a lamp on the right rail, which is the minus, never shines, and on DC nothing
// does while the left rail is the negative one: forward (NEM 631).
func TestSingleDiode(t *testing.T) {
	one := func(s string) string {
		return strings.NewReplacer("  output \"head\" {", "  supply {\n    rectifier = \"1N4148W\"\n    diodes = 1\n    from = \"left rail\"\n  }\n  output \"head\" {").Replace(s)
	}
	track := "track {\n  dc = \"both\"\n}\n"
	a, b := one(car("ferry car", "a", "head", "tail", "dc = true")), car("mail van", "b", "head", "tail", "dc = true")
	f := train.Judge(load(t, a+b+consist+track), nil).Findings
	if j := verdict(t, f, "train.forward.F0"); j.Verdict != finding.Holds { // head on the left rail
		t.Errorf("forward on DCC: %s (%s)", j.Verdict, j.Why)
	}
	j := verdict(t, f, "train.reverse.F0")
	contains(t, j.Why, "lamp tail of ferry car should be lit and is dark", "behind a single diode from the left rail that rail is the decoder's minus")
	contains(t, j.Mend, "a bridge, or four diodes, for the single one of decoder a")
	j = verdict(t, f, "train.forward.F0.dc")
	contains(t, j.Why, "lamp head of ferry car should be lit and is dark", "its decoder has no supply while the left rail is the negative one")
	// Fed from the plus both shine on DCC, and on DC in reverse.
	plus := strings.NewReplacer("feed = \"left rail\"", "feed = \"rectified plus\"", "feed = \"right rail\"", "feed = \"rectified plus\"")
	f = train.Judge(load(t, plus.Replace(a)+plus.Replace(b)+consist+track), nil).Findings
	for id, want := range map[string]finding.Verdict{"train.forward.F0": finding.Holds, "train.reverse.F0": finding.Holds, "train.reverse.F0.dc": finding.Holds, "train.forward.F0.dc": finding.Fails} {
		if j := verdict(t, f, id); j.Verdict != want {
			t.Errorf("%s: %s (%s)", id, j.Verdict, j.Why)
		}
	}
	contains(t, verdict(t, f, "train.forward.F0.dc").Mend, "a bridge, or four diodes, for the single one of decoder a")
}

// Two decoders in one vehicle, each with some of its lamps; the lock tells them apart for programming only (NMRA S-9.2.2
// (2012), CV15 and CV16).
func TestTwoDecodersInOneVehicle(t *testing.T) {
	src := `
vehicle "ferry car" {
  lamp "head" {
    end = "front"
  }
  lamp "tail" {
    end = "front"
  }
}
decoder "a" {
  output "head" {
    lamp = "head"
    from = "PB0"
  }
}
decoder "b" {
  output "tail" {
    lamp = "tail"
    from = "PB0"
  }
  answer {
    lock = %d
  }
}
function "F0" {
  decoder   = "a"
  direction = "forward"
  output    = "head"
}
function "F1" {
  decoder    = "b"
  output     = "tail"
  brightness = "50 %%"
  effect     = "blink"
}
train {
  want {
    direction = "forward"
    function  = ["F1", "F0"]
    lit       = ["head", "tail"]
  }
  want {
    direction = "reverse"
    function  = ["F0", "F1"]
    lit       = "tail"
  }
}
`
	for _, lock := range []int{0, 3} {
		r := train.Judge(load(t, fmt.Sprintf(src, lock)), nil)
		for _, id := range []string{"train.forward.F0+F1", "train.reverse.F0+F1"} {
			if j := verdict(t, r.Findings, id); j.Verdict != finding.Holds {
				t.Errorf("%s: %s (%s)", id, j.Verdict, j.Why)
			}
		}
		locked := 0
		for _, j := range r.Findings.Verdicts {
			if strings.HasPrefix(j.ID, "train.lock.") {
				locked++
				contains(t, j.Mend, "lock = 3 in the answer block of decoder b")
			}
		}
		if locked != map[int]int{0: 1, 3: 0}[lock] {
			t.Errorf("lock %d: %d verdicts on it", lock, locked)
		}
		for _, row := range r.Plans[0].Rows {
			if row.Case.Direction == build.Reverse && len(row.Case.On) == 1 && row.Case.On[0] == "F1" {
				if c := row.Cells[1]; c.State != train.Lit || c.Share != 0.5 || c.Effect != "blink" {
					t.Errorf("F1 in reverse: %+v", c)
				}
			}
		}
	}
}

// What the circuit shows counts: an output that is on and does not light its lamp, or only dimly.
func TestEvidence(t *testing.T) {
	b := load(t, car("ferry car", "a", "head", "tail", "address = 47")+car("mail van", "b", "head", "tail", "address = 47")+consist)
	of := func(state train.State) train.Evidence {
		return func(d *build.Decoder, o *build.Output, l *build.Lamp, r train.Rail) train.Shown {
			if d.Name.Text == "b" && o.Name.Text == "tail" {
				return train.Shown{Known: true, State: state, Say: "output.tail.seen fails"}
			}
			return train.Shown{Known: true, State: train.Lit}
		}
	}
	j := verdict(t, train.Judge(b, of(train.Lit)).Findings, "train.forward.F0")
	if j.Verdict != finding.Holds || !strings.Contains(j.Confidence, "the proof of every output that is on") {
		t.Errorf("all lit: %s, %s", j.Verdict, j.Confidence)
	}
	if j := verdict(t, train.Judge(b, nil).Findings, "train.forward.F0"); !strings.Contains(j.Confidence, "not every output that is on was proven") {
		t.Errorf("without a circuit: %s", j.Confidence)
	}
	j = verdict(t, train.Judge(b, of(train.Dim)).Findings, "train.forward.F0")
	if j.Verdict != finding.Fails {
		t.Error(j.Verdict)
	}
	contains(t, j.Why, "lamp tail of mail van should be lit and cannot be seen at the lowest track voltage: output.tail.seen fails")
	j = verdict(t, train.Judge(b, of(train.Dark)).Findings, "train.forward.F0")
	contains(t, j.Why, "lamp tail of mail van should be lit and is dark: F0 reverse switches output tail of decoder b on, but output.tail.seen fails")
	if j.Mend != "" {
		t.Errorf("no mapping mends a dead lamp: %q", j.Mend)
	}
}

// Without wants the custom is reported: white leads, red trails (common practice, no source).
func TestCustom(t *testing.T) {
	order := "train {\n  vehicle \"ferry car\" {\n  }\n  vehicle \"mail van\" {\n    turned = true\n  }\n}\n"
	f := train.Judge(load(t, car("ferry car", "a", "head", "tail", "")+car("mail van", "b", "head", "tail", "")+order), nil).Findings
	for _, id := range []string{"train.forward.F0.custom", "train.reverse.F0.custom"} {
		if j := verdict(t, f, id); j.Verdict != finding.Reported || j.Why != "as is customary" || j.Source != "common practice, no source" {
			t.Errorf("%s: %s, %s", id, j.Verdict, j.Why)
		}
	}
	f = train.Judge(load(t, car("ferry car", "a", "head", "tail", "")+car("mail van", "b", "tail", "head", "")+order), nil).Findings
	contains(t, verdict(t, f, "train.forward.F0.custom").Why, "lamp head of mail van trails and is white: F0 reverse switches output head of decoder b on, but mail van stands turned", "lamp tail of mail van trails and is dark")
	contains(t, verdict(t, f, "train.reverse.F0.custom").Why, "lamp tail of mail van leads and is red", "lamp head of mail van leads and is dark")
	// Not turned, the front of the second vehicle is coupled to the first.
	f = train.Judge(load(t, car("ferry car", "a", "head", "tail", "")+car("mail van", "b", "head", "tail", "")+strings.Replace(order, "    turned = true\n", "", 1)), nil).Findings
	contains(t, verdict(t, f, "train.forward.F0.custom").Why, "lamp head of mail van shines at an end that is coupled")
	// Without ends nothing can be said, and each vehicle stands alone without a train block.
	f = train.Judge(load(t, strings.ReplaceAll(car("ferry car", "a", "head", "tail", ""), "    end  = \"front\"\n", "")+car("mail van", "b", "head", "tail", "")), nil).Findings
	contains(t, verdict(t, f, "train.ferry car.custom").Why, "at which end they shine is not said", "lamp head, lamp tail")
	verdict(t, f, "train.mail van.forward.F0.custom")
}

// Every finding has its working, and what nobody asked for is told as a value.
func TestWorkings(t *testing.T) {
	f := train.Judge(load(t, car("ferry car", "a", "head", "tail", "address = 47")+car("mail van", "b", "tail", "head", "address = 47")+consist), nil).Findings
	j := verdict(t, f, "train.forward.F0")
	if j.Working == nil || j.Working.Table == nil || len(j.Working.Table.Rows) != 4 {
		t.Fatal("no table of the lamps")
	}
	if v := j.Working.Table.Rows[3][3].Verdict; v != finding.Fails {
		t.Errorf("the wrong lamp is marked %q", v)
	}
	if len(f.Values) != 0 {
		t.Errorf("%d values though all is wanted", len(f.Values))
	}
	f = train.Judge(load(t, car("ferry car", "a", "head", "tail", "address = 47")), nil).Findings
	if len(f.Values) != 2 || f.Values[0].ID != "train.forward.F0" || f.Values[0].Text != "head (white)" || f.Values[0].Working == nil {
		t.Errorf("%+v", f.Values)
	}
	if len(train.Judge(load(t, "vehicle \"x\" {\n  lamp \"l\" {\n  }\n}\n"), nil).Findings.Verdicts) != 0 {
		t.Error("a build without functions has nothing to be judged")
	}
}

// A pair face to face on one wire shows the colour of the side that is driven: its own on the low side, the other on the
// high side (docs/build-file.md, lamp, back). On a rail each side shines on DC in one direction only, and not the same.
func TestTwoColours(t *testing.T) {
	src := `
vehicle "ferry car" {
  lamp "head" {
    kind = "anti-parallel"
    feed = "right rail"
    leds = "white"
    back = "red"
    end  = "front"
  }
}
decoder "a" {
  output "white" {
    lamp = "head"
    from = "PB0"
  }
  output "red" {
    lamp   = "head"
    from   = "PB1"
    drive  = "high side"
    switch = "MMBT3906"
  }
  answer {
    dc = true
  }
}
track {
  dc = "both"
}
function "F0" {
  direction = "forward"
  output    = "white"
}
function "F0" {
  direction = "reverse"
  output    = "red"
}
`
	r := train.Judge(load(t, src), nil)
	for _, x := range []struct {
		power     train.Power
		direction string
		colour    string
		state     train.State
	}{
		{train.DCC, "forward", "white", train.Lit}, {train.DCC, "reverse", "red", train.Lit},
		// NEM 631: forward the right rail is the plus and feeds the white side; in reverse it is the minus, and the
		// high-side switch drives the red one towards it.
		{train.DC, "forward", "white", train.Lit}, {train.DC, "reverse", "red", train.Lit},
	} {
		found := false
		for _, row := range r.Plans[0].Rows {
			if row.Case.Power == x.power && row.Case.Direction == x.direction && len(row.Case.On) == 1 {
				found = true
				if c := row.Cells[0]; c.State != x.state || c.Colour != x.colour {
					t.Errorf("%+v: %s, %s", row.Case, c.State, c.Colour)
				}
			}
		}
		if !found {
			t.Errorf("no case %+v", x)
		}
	}
	if j := verdict(t, r.Findings, "train.reverse.F0.custom"); j.Why != "as is customary" {
		t.Error(j.Why)
	}
	// Exchanged, red leads and white trails, and on DC both are dark.
	r = train.Judge(load(t, strings.NewReplacer(`"forward"`, `"reverse"`, `"reverse"`, `"forward"`).Replace(src)), nil)
	contains(t, verdict(t, r.Findings, "train.forward.F0.custom").Why, "lamp head leads and is red")
	contains(t, verdict(t, r.Findings, "train.forward.F0.dc.custom").Why, "lamp head leads and is dark")
}
