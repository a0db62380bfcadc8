package require_test

import (
	"context"
	"math"
	"testing"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/require"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// ofOne is the demo behind one diode from a rail, its lamps on two feeds, with an ear and an answer.
func ofOne(t *testing.T, rail, front, rear, regulator string) *wiring.Network {
	t.Helper()
	n := network(t)
	d := n.Decoder
	d.Supply.Rectifier, d.Supply.Diodes, d.Supply.From = build.Words("1N4148W"), build.Given(1), build.Words(rail)
	d.Supply.Regulator, d.Supply.Ballast = build.Words(regulator), build.Given(unit.Ohm(680))
	d.Listen = build.Listen{From: build.Words(rail), Into: build.Words("PB2"), Series: build.Given(unit.Ohm(33000))}
	d.Acknowledge = &build.Acknowledge{From: build.Words("PB4"), Switch: build.Words("MMBT2222A"), Load: build.Given(unit.Ohm(100)), Base: build.Given(unit.Ohm(620)), Pulldown: build.Given(unit.Ohm(47000)), Package: build.Words("2010")}
	n.Build.Track.DC = build.Words(build.DCBoth)
	n.Vehicle.Lamps[0].Feed, n.Vehicle.Lamps[1].Feed = build.Words(front), build.Words(rear)
	m, missing, err := wiring.NewNetwork(n.Build, d, lampsOf(n))
	if err != nil || len(missing) > 0 || len(m.Outputs) != 3 {
		t.Fatal(err, missing)
	}
	return m
}

// Every requirement behind one diode is whole, and no sample goes beyond its worst case, whichever rail, feed and regulator.
func TestSingleDiodeIsWhole(t *testing.T) {
	for _, c := range []struct{ rail, front, rear, regulator string }{
		{build.LeftRail, build.RectifiedPlus, build.LocalPlus, "78L05A (TO-92)"},
		{build.RightRail, build.ChipSupply, build.RightRail, "78L05A (TO-92)"},
		{build.RightRail, build.RectifiedPlus, build.LeftRail, "BZX84-C5V1"},
	} {
		n := ofOne(t, c.rail, c.front, c.rear, c.regulator)
		whole(t, n)
		set := require.For(n)
		proof, err := set.Prove(context.Background(), n, 300, 7, true, nil)
		if err != nil {
			t.Fatal(err)
		}
		for q, g := range proof.Goals {
			r := &set.Requirements[q]
			if w := proof.Worst[q].Value; g.Beyond > 0 && math.Abs(g.Extreme-w) > 1e-4*math.Abs(r.Limit) && r.Slack(g.Extreme) < math.Log(require.FarAway) {
				t.Errorf("%v: %s: a sample has %g, the worst was found as %g", c, r.ID, g.Extreme, w)
			}
			if g.Undefined > 0 || math.IsNaN(proof.Worst[q].Value) {
				t.Errorf("%v: %s did not solve in %d samples", c, r.ID, g.Undefined)
			}
		}
		for _, j := range set.Unjudged {
			if j.Verdict == finding.Unknown && !j.NotYet() {
				t.Errorf("%v: %s: %s", c, j.ID, j.Why)
			}
		}
	}
}

// What a reservoir behind one diode sinks by: 28 V over 200 Ω from 680 µF at 60 Hz, 3.43 Vpp; and 20 V over 500 Ω sinks by a
// tenth from 333 µF (Bell, Electronic Devices and Circuits, 5th ed. 2008, examples 3.3 and 3.4, read in the FOSSEE companion).
func TestDroop(t *testing.T) {
	period := unit.Seconds(1.0 / 60)
	if v := float64(require.Droop(28.0/200, period, 680e-6)); math.Abs(v/3.43-1) > 0.005 {
		t.Errorf("680 µF sink by %.4g V, the textbook 3.43 V", v)
	}
	if v := float64(require.Droop(20.0/500, period, 333e-6)); math.Abs(v/2-1) > 0.005 {
		t.Errorf("333 µF sink by %.4g V, the textbook 2 V", v)
	}
}
