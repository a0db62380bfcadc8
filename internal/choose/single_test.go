package choose_test

import (
	"strings"
	"testing"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/parts"
	"fettle/internal/unit"
)

// single leaves the rectifier of the demo to be chosen as one diode from the left rail.
func single(b *build.Build, feed string) {
	s := &b.Decoders[0].Supply
	s.Rectifier, s.Diodes, s.From = build.Text{Choose: true}, build.Given(1), build.Words(build.LeftRail)
	for i := range b.Vehicles[0].Lamps {
		b.Vehicles[0].Lamps[i].Feed = build.Words(feed)
	}
}

// Of the drawer's diodes one that stands twice the ceiling is taken, no bridge and no Schottky of 30 V; the light is chosen
// for the half-wave that is sure, and never above holds with the reservoir as full as it can be.
func TestSingleDiodeOfTheDrawer(t *testing.T) {
	b, lamps := demo(t)
	single(b, build.RectifiedPlus)
	drawer := *b.Drawer
	drawer.Items = append([]parts.Item{{Part: "BAT54", Kind: parts.KindDiode, Count: 9}, {Part: "BZX84-C5V1", Kind: parts.KindDiode, Count: 9}, {Part: "1N4148W", Kind: parts.KindDiode, Count: 9}}, drawer.Items...)
	b.Drawer = &drawer
	r := run(t, b, lamps)
	if v, ok := value(r.Findings, "supply.rectifier"); !ok || v.Text != "1N4148W" || !strings.Contains(v.Reason, "VRRM 100 V") {
		t.Errorf("%+v", v)
	}
	v, ok := value(r.Findings, "output.front.series")
	if !ok || !strings.Contains(v.Reason, "the diode's half-wave alone") {
		t.Errorf("%+v", v)
	}
	for _, j := range r.Findings.Verdicts {
		if j.Verdict == finding.Fails {
			t.Errorf("%s: %s", j.ID, j.Why)
		}
	}
}

// A lamp that half a wave could not light well within never above, but the whole may: no failure, it waits for the circuit in
// time. One that even the whole cannot fails.
func TestSingleDiodeWaits(t *testing.T) {
	for _, c := range []struct {
		good    unit.Amp
		verdict finding.Verdict
	}{{0.0035, finding.Unknown}, {0.0065, finding.Fails}} {
		b, lamps := demo(t)
		single(b, build.RectifiedPlus)
		b.Decoders[0].Supply.Rectifier = build.Words("1N4148W")
		l := &b.Vehicles[0].Lamps[0]
		l.Good, l.NeverAbove = build.Given(c.good), build.Given(unit.Amp(0.0078))
		var got *finding.Judgement
		for _, j := range run(t, b, lamps).Findings.Verdicts {
			if j.ID == "output.front.series" {
				got = &j
			}
		}
		switch {
		case got == nil:
			t.Errorf("good %s: nothing is said", c.good)
		case got.Verdict != c.verdict || got.NotYet() != (c.verdict == finding.Unknown):
			t.Errorf("good %s: %s: %s", c.good, got.Verdict, got.Why)
		}
	}
}

// Nothing is chosen for a lamp on the minus, nor for an ear there.
func TestSingleDiodeInVain(t *testing.T) {
	b, lamps := demo(t)
	single(b, build.RightRail)
	d := &b.Decoders[0]
	d.Supply.Rectifier = build.Words("1N4148W")
	d.Outputs[1].Lamp = build.Words("rear")
	b.Vehicles[0].Lamps[1].Feed = build.Words(build.RectifiedPlus)
	d.Listen = build.Listen{From: build.Words(build.RightRail), Into: build.Words("PB2")}
	r := run(t, b, lamps)
	for _, id := range []string{"output.front.series", "output.front.base", "ear.series"} {
		if v, ok := value(r.Findings, id); ok {
			t.Errorf("%s was chosen: %+v", id, v)
		}
	}
	if _, ok := value(r.Findings, "output.rear.series"); !ok {
		t.Error("the other lamp was left out too")
	}
	if !r.Build.Decoders[0].Listen.Series.Open() || !r.Build.Decoders[0].Outputs[0].Series.Open() {
		t.Error("a stand-in was left in the build")
	}
}
