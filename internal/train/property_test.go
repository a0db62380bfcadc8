package train_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/train"
)

// random draws a train of one to three vehicles with one or two decoders each, and any mapping of three functions.
func random(t *rapid.T) *build.Build {
	b := &build.Build{Train: &build.Train{}}
	b.Track.DC = build.Words(build.DCBoth)
	word := func(list ...string) build.Text { return build.Words(rapid.SampledFrom(list).Draw(t, "word")) }
	number := func(list ...int) build.Quantity[int] { return build.Given(rapid.SampledFrom(list).Draw(t, "number")) }
	for i := range rapid.IntRange(1, 3).Draw(t, "vehicles") {
		v := build.Vehicle{Name: build.Words(fmt.Sprint("v", i))}
		for k := range rapid.IntRange(1, 3).Draw(t, "lamps") {
			v.Lamps = append(v.Lamps, build.Lamp{Name: build.Words(fmt.Sprint("l", k)), Feed: word(build.LeftRail, build.RightRail, build.RectifiedPlus, build.DecoderMinus), End: word("front", "rear", "inside", "")})
		}
		for range rapid.IntRange(1, 2).Draw(t, "decoders") {
			d := build.Decoder{Name: build.Words(fmt.Sprint("d", len(b.Decoders))), Vehicle: v.Name}
			d.Answer.Address = number(3, 47)
			if rapid.Bool().Draw(t, "consist") {
				d.Answer.Consist = number(9, 47)
			}
			d.Answer.Long.Yes, d.Answer.DC.Yes = rapid.IntRange(0, 3).Draw(t, "long") == 0, rapid.Bool().Draw(t, "dc")
			for o := range rapid.IntRange(1, 3).Draw(t, "outputs") {
				out := build.Output{Name: build.Words(fmt.Sprint("o", o)), Load: build.Words("lamp"), Drive: word(build.DriveLowSide, build.DriveLowSide, build.DriveHighSide)}
				out.Lamp = v.Lamps[rapid.IntRange(0, len(v.Lamps)-1).Draw(t, "lamp")].Name
				if rapid.IntRange(0, 3).Draw(t, "also") == 0 {
					out.AlsoLamps = []build.Text{v.Lamps[len(v.Lamps)-1].Name}
				}
				d.Outputs = append(d.Outputs, out)
			}
			for range rapid.IntRange(0, 4).Draw(t, "functions") {
				b.Functions = append(b.Functions, build.Function{Name: word("F0", "F0", "F1", "F12"), Decoder: d.Name, Direction: word("forward", "reverse", "both"),
					Outputs: []build.Text{d.Outputs[rapid.IntRange(0, len(d.Outputs)-1).Draw(t, "output")].Name}})
			}
			b.Decoders = append(b.Decoders, d)
		}
		b.Vehicles = append(b.Vehicles, v)
		b.Train.Vehicles = append(b.Train.Vehicles, build.TrainVehicle{Name: v.Name, Turned: build.Flag{Yes: rapid.Bool().Draw(t, "turned")}})
	}
	b.Train.Wants = []build.Want{{Direction: build.Words("both"), Functions: []build.Text{build.Words("F1"), build.Words("F0")}, Lit: []build.Text{build.Words(build.Nothing)}}}
	return b
}

// oracle lights the train another way: it stands on two absolute rails, north and south, its front to the east (so that
// its right rail is the south one). Every decoder finds out from its own rails or its own flag which way it runs, its
// outputs sink or source a current, and the current lights whatever lamp has a rail of the right sign behind it. The
// answer is the set of what shines, "v0/l1".
func oracle(b *build.Build, c train.Case) map[string]bool {
	east := c.Direction == "forward"
	call := map[string]int{}
	name := func(d *build.Decoder) string {
		if d.Answer.Consist.Text != "" {
			return "s" + d.Answer.Consist.Text
		}
		if d.Answer.Long.Yes {
			return "l" + d.Answer.Address.Text
		}
		return "s" + d.Answer.Address.Text
	}
	// Vehicles and decoders were drawn in the order of the train.
	most, called := 0, ""
	for i := range b.Decoders {
		call[name(&b.Decoders[i])]++
	}
	for i := range b.Decoders {
		if n := name(&b.Decoders[i]); call[n] > most {
			most, called = call[n], n
		}
	}
	shine := map[string]bool{}
	halves := []bool{east} // south positive: DC, the train eastwards
	if c.Power == train.DCC {
		halves = []bool{true, false}
	}
	for _, southPositive := range halves {
		for pos, tv := range b.Train.Vehicles {
			v := &b.Vehicles[pos]
			eastward := !tv.Turned.Yes // it faces east
			rightPositive := southPositive == eastward
			for i := range b.Decoders {
				d := &b.Decoders[i]
				if d.Vehicle.Text != v.Name.Text {
					continue
				}
				runsForward := rightPositive
				switch {
				case c.Power == train.DCC && name(d) != called, c.Power == train.DC && !d.Answer.DC.Yes:
					continue
				case c.Power == train.DCC: // the packet's bit, exchanged by CV29 bit 0 or CV19 bit 7 where it faces west
					runsForward = east != tv.Turned.Yes
				}
				for _, o := range d.Outputs {
					on := false
					for _, f := range b.Functions {
						if f.Decoder.Text == d.Name.Text && f.Outputs[0].Text == o.Name.Text && strings.Contains("+"+strings.Join(c.On, "+")+"+", "+"+f.Name.Text+"+") {
							on = on || f.Direction.Text == "both" || (f.Direction.Text == "forward") == runsForward
						}
					}
					if !on {
						continue
					}
					pull := -1 // where the switch takes the lamp's pin: to the decoder's minus
					if o.Drive.Text == "high side" {
						pull = +1
					}
					for _, l := range v.Lamps {
						if l.Name.Text != o.Lamp.Text && !slices.Contains(o.AlsoLamps, build.Words(l.Name.Text)) {
							continue
						}
						sign := map[bool]int{true: 1, false: -1}
						feed := map[string]int{"right rail": sign[rightPositive], "left rail": sign[!rightPositive], "rectified plus": 1, "decoder minus": -1}[l.Feed.Text]
						if feed == -pull {
							shine[v.Name.Text+"/"+l.Name.Text] = true
						}
					}
				}
			}
		}
	}
	return shine
}

// lit is what a plan says shines in a case.
func lit(p train.Plan, row train.Row) map[string]bool {
	set := map[string]bool{}
	for i, c := range row.Cells {
		if c.State == train.Lit {
			set[p.Places[p.Lamps[i].Place].Vehicle.Name.Text+"/"+p.Lamps[i].Lamp.Name.Text] = true
		}
	}
	return set
}

func same(a, b map[string]bool) bool {
	if len(a) != len(b) {
		return false
	}
	for k := range a {
		if !b[k] {
			return false
		}
	}
	return true
}

func TestAgainstAbsoluteRails(t *testing.T) {
	rows, shining := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		b := random(t)
		p := train.Judge(b, nil).Plans[0]
		for _, row := range p.Rows {
			want, got := oracle(b, row.Case), lit(p, row)
			rows++
			shining += len(want)
			if !same(want, got) {
				t.Fatalf("%+v: %v, the oracle says %v", row.Case, got, want)
			}
		}
	})
	if shining < rows/4 {
		t.Errorf("only %d lamps shine in %d cases: the trains are too dull to tell", shining, rows)
	}
}

// The same train described from its other end, front for rear and every vehicle turned the other way: what shines in one
// direction shines in the other, and the lamps stand in mirrored order.
func TestMirror(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := random(t)
		// With a tie the foremost decoder's address is the train's, which is then another one from the other end.
		for i := range b.Decoders {
			b.Decoders[i].Answer.Address, b.Decoders[i].Answer.Consist, b.Decoders[i].Answer.Long = b.Decoders[0].Answer.Address, b.Decoders[0].Answer.Consist, b.Decoders[0].Answer.Long
		}
		m := *b
		m.Train = &build.Train{Wants: b.Train.Wants}
		for _, v := range slices.Backward(b.Train.Vehicles) {
			v.Turned.Yes = !v.Turned.Yes
			m.Train.Vehicles = append(m.Train.Vehicles, v)
		}
		p, q := train.Judge(b, nil).Plans[0], train.Judge(&m, nil).Plans[0]
		for i := range p.Lamps {
			x, y := p.Lamps[i], q.Lamps[len(q.Lamps)-1-i]
			ends := map[string]string{"front": "rear", "rear": "front", "inside": "inside", "": ""}
			if x.Lamp != y.Lamp || x.End != ends[y.End] || x.Outer != y.Outer {
				t.Fatalf("lamp %d is %s at %s, mirrored %s at %s", i, x.Lamp.Name.Text, x.End, y.Lamp.Name.Text, y.End)
			}
		}
		for _, row := range p.Rows {
			for _, mirrored := range q.Rows {
				if slices.Equal(row.Case.On, mirrored.Case.On) && row.Case.Power == mirrored.Case.Power && row.Case.Direction != mirrored.Case.Direction {
					if !same(lit(p, row), lit(q, mirrored)) {
						t.Fatalf("%+v: %v, mirrored %v", row.Case, lit(p, row), lit(q, mirrored))
					}
				}
			}
		}
	})
}

// Whatever is wanted: a want holds exactly if the oracle's lamps are those wanted, and a mend that is offered was tried.
func TestWantsAgainstAbsoluteRails(t *testing.T) {
	verdicts := map[finding.Verdict]int{}
	mends := 0
	rapid.Check(t, func(t *rapid.T) {
		b := random(t)
		b.Track.DC = build.Words(build.DCNone)
		var all []build.Text
		for i := range b.Vehicles {
			for k := range b.Vehicles[i].Lamps {
				all = append(all, build.Words(build.LampOf{Vehicle: &b.Vehicles[i], Lamp: &b.Vehicles[i].Lamps[k]}.String()))
			}
		}
		c := train.Case{Direction: rapid.SampledFrom([]string{"forward", "reverse"}).Draw(t, "direction"), On: []string{"F0"}}
		w := build.Want{Direction: build.Words(c.Direction), Functions: []build.Text{build.Words("F0")}}
		want := map[string]bool{}
		shown := oracle(b, c)
		slip := rapid.IntRange(0, 2).Draw(t, "slip")
		for i, l := range all {
			key := strings.Replace(l.Text, " / ", "/", 1)
			if shown[key] != (i < slip) {
				w.Lit = append(w.Lit, l)
				want[key] = true
			}
		}
		if w.Lit == nil {
			w.Lit = []build.Text{build.Words(build.Nothing)}
		}
		b.Train.Wants = []build.Want{w}
		for _, j := range train.Judge(b, nil).Findings.Verdicts {
			if j.ID != "train."+c.Direction+".F0" {
				continue
			}
			verdicts[j.Verdict]++
			if j.Mend != "" {
				mends++
			}
			if (j.Verdict == finding.Holds) != same(want, shown) {
				t.Fatalf("%s, but wanted is %v and %v shines", j.Verdict, want, shown)
			}
			if j.Verdict == finding.Holds && (j.Mend != "" || j.Why != "") || j.Verdict == finding.Fails && j.Why == "" {
				t.Fatalf("%s: why %q, mend %q", j.Verdict, j.Why, j.Mend)
			}
		}
	})
	if verdicts[finding.Holds] == 0 || verdicts[finding.Fails] == 0 || mends == 0 {
		t.Errorf("%v, %d mends: the trains are too alike to tell", verdicts, mends)
	}
}
