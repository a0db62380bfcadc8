package prove_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"fettle/internal/build"
	"fettle/internal/device"
	"fettle/internal/finding"
	"fettle/internal/prove"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// single proves the demo with a rectifier of one diode from a rail, and its lamps on another feed.
func single(t *testing.T, part, rail, feed string, edit func(*build.Build)) finding.Findings {
	t.Helper()
	b, lamps := demo(t)
	d := &b.Decoders[0]
	d.Supply.Rectifier, d.Supply.Diodes, d.Supply.From = build.Words(part), build.Given(1), build.Words(rail)
	d.Listen = build.Listen{From: build.Words(rail), Into: build.Words("PB2"), Series: build.Given(unit.Ohm(33000))}
	for i := range b.Vehicles[0].Lamps {
		b.Vehicles[0].Lamps[i].Feed = build.Words(feed)
	}
	if edit != nil {
		edit(b)
	}
	return run(t, b, lamps, prove.Settings{Samples: 100})
}

// What one diode does to lamps, ear, diode and running on DC, from either rail.
func TestSingleDiode(t *testing.T) {
	for _, rail := range []string{build.LeftRail, build.RightRail} {
		other := build.OtherRail(rail)
		runs, dead := build.DCForward, build.DCReverse // the right rail is positive forward: NEM 631
		if rail == build.LeftRail {
			runs, dead = dead, runs
		}
		type want struct {
			id      string
			verdict finding.Verdict
			says    string // in why or mend
		}
		for _, c := range []struct {
			name, part, feed string
			edit             func(*build.Build)
			want             []want
		}{
			{"from the plus", "1N4148W", build.RectifiedPlus, nil, []want{
				{"output.front.led-reverse", finding.Holds, ""}, {"supply.rectifier-voltage", finding.Holds, ""},
				{"supply.hold-up", finding.Unknown, finding.NotBuilt}, {"supply.full-wave", finding.Reported, "departs"},
				{"supply.dc", finding.Reported, "in " + runs + " alone"}, {"ear.clamp", finding.Holds, ""}, {"ear.high", finding.Holds, ""}, {"ear.low", finding.Holds, ""},
			}},
			// VRRM 30 V against the track's 24 V and the reservoir's: the Schottky that a bridge may be made of.
			{"a diode of too little voltage", "BAT54", build.RectifiedPlus, nil, []want{{"supply.rectifier-voltage", finding.Fails, "higher voltage"}}},
			{"on the diode's rail", "1N4148W", rail, nil, []want{
				{"output.front.led-reverse", finding.Fails, "a bridge, or four diodes"}, {"output.rear.led-reverse", finding.Fails, "local plus"},
			}},
			{"on the other rail", "1N4148W", other, nil, []want{
				{"output.front.feed", finding.Fails, "the decoder's own minus"}, {"output.rear.feed", finding.Fails, "a bridge, or four diodes"},
				{"output.front.led-reverse", finding.Holds, ""},
			}},
			{"the vehicle's own plus", "1N4148W", build.LocalPlus, nil, []want{{"output.front.led-reverse", finding.Holds, ""}}},
			{"a deaf ear", "1N4148W", build.RectifiedPlus, func(b *build.Build) { b.Decoders[0].Listen.From = build.Words(other) }, []want{
				{"ear.deaf", finding.Fails, rail}, {"ear.edges", "", ""},
			}},
			// 22 kΩ holds the guidance of 1 mA behind a bridge (18.5 V, 0.84 mA) and not where the whole track lies across it (23.5 V).
			{"an ear's resistor that does for a bridge", "1N4148W", build.RectifiedPlus, func(b *build.Build) { b.Decoders[0].Listen.Series = build.Given(unit.Ohm(22000)) }, []want{{"ear.clamp", finding.Fails, "larger"}}},
			{"DC where it feeds", "1N4148W", build.RectifiedPlus, func(b *build.Build) { b.Track.DC = build.Words(runs) }, []want{
				{"supply.dc", finding.Reported, ""}, {"output.front.dc-" + runs + "-seen", finding.Holds, ""},
			}},
			{"DC where it blocks", "1N4148W", build.RectifiedPlus, func(b *build.Build) { b.Track.DC = build.Words(dead) }, []want{
				{"supply.dc", finding.Fails, "the diode on the " + other}, {"output.front.dc-" + dead + "-seen", "", ""},
			}},
		} {
			t.Run(c.name+", diode from the "+rail, func(t *testing.T) {
				f := single(t, c.part, rail, c.feed, c.edit)
				for _, w := range c.want {
					i := slices.IndexFunc(f.Verdicts, func(j finding.Judgement) bool { return j.ID == w.id })
					switch {
					case w.verdict == "" && i >= 0:
						t.Errorf("%s: %s, and should not be judged", w.id, f.Verdicts[i].Verdict)
					case w.verdict == "":
					case i < 0:
						t.Errorf("%s is missing", w.id)
					case f.Verdicts[i].Verdict != w.verdict || !strings.Contains(f.Verdicts[i].Why+f.Verdicts[i].Mend, w.says):
						t.Errorf("%s: %s, want %s with %q: %+v", w.id, f.Verdicts[i].Verdict, w.verdict, w.says, f.Verdicts[i])
					}
				}
				for _, n := range f.Notes {
					if n.Kind == "defect" {
						t.Errorf("the search overlooked a case: %s", n.Text)
					}
				}
			})
		}
	}
}

// A light that half a wave alone does not give waits for the circuit in time, as long as all of it would do; what would be too
// little even then fails. What must not be passed counts the whole.
func TestSingleDiodeBoundsTheLight(t *testing.T) {
	good := func(f float64) finding.Judgement {
		return verdict(t, single(t, "1N4148W", build.LeftRail, build.RectifiedPlus, func(b *build.Build) {
			l := &b.Vehicles[0].Lamps[0]
			l.Good = build.Given(unit.Amp(f))
		}), "output.front.good")
	}
	sure := good(1e-6).Value // what the half-wave gives at its worst
	for _, c := range []struct {
		limit   float64
		verdict finding.Verdict
		notYet  bool
	}{{0.9 * sure, finding.Holds, false}, {1.01 * sure, finding.Unknown, true}, {1.99 * sure, finding.Unknown, true}, {2.01 * sure, finding.Fails, false}} {
		if j := good(c.limit); j.Verdict != c.verdict || j.NotYet() != c.notYet {
			t.Errorf("%.3g mA asked for, %.3g mA sure: %s, not yet %t (%s)", 1e3*c.limit, 1e3*sure, j.Verdict, j.NotYet(), j.Why)
		}
	}
	f := single(t, "1N4148W", build.LeftRail, build.RectifiedPlus, nil)
	mean, peak := verdict(t, f, "output.front.never-above"), verdict(t, f, "output.front.never-above-peak")
	if math.Abs(mean.Value/peak.Value-1) > 1e-3 {
		t.Errorf("mean at most %.4g mA, peak %.4g mA: with the reservoir holding they are one", 1e3*mean.Value, 1e3*peak.Value)
	}
}

// The workings of a decoder behind one diode agree with the solver as well as those behind a bridge.
func TestSingleDiodeByHand(t *testing.T) {
	f := single(t, "1N4148W", build.RightRail, build.RectifiedPlus, nil)
	seen := 0
	for _, v := range f.Values {
		if v.ID != "output.front.series" && v.ID != "ear.series" {
			continue
		}
		seen++
		if w := v.Working; w == nil || math.Abs(w.Hand/w.Solver-1) > 0.12 {
			t.Errorf("%s: %+v", v.ID, w)
		}
	}
	if seen != 2 {
		t.Errorf("%d workings", seen)
	}
}

// A lamp that conducts either way on the diode's own rail: in the half-wave in which that rail is below the minus, the body diode
// of a MOSFET lights it while it is off, and what it draws through an NPN's collector junction turns that transistor round.
func TestSingleDiodeDrivesBackwards(t *testing.T) {
	for _, c := range []struct {
		name, part string
		lamp       wiring.LampParams
		id         string
	}{
		{"filament, MOSFET", "AO3400A", wiring.LampParams{Structure: wiring.FilamentLamp, Filament: device.Filament{Cold: 30, LitV: 12, LitI: 0.040}}, "output.front.dark-off"},
		{"filament, NPN", "MMBT3904", wiring.LampParams{Structure: wiring.FilamentLamp, Filament: device.Filament{Cold: 30, LitV: 12, LitI: 0.040}}, "output.front.collector-low"},
		{"pair, MOSFET", "AO3400A", wiring.LampParams{Structure: wiring.AntiParallelLamp, Series: 1, Parallel: 1, Hidden: 1000, LED: someLED, Back: someLED}, "output.front.dark-off"},
	} {
		for _, feed := range []string{build.LeftRail, build.RectifiedPlus} {
			b, lamps := demo(t)
			d := &b.Decoders[0]
			d.Supply.Rectifier, d.Supply.Diodes, d.Supply.From = build.Words("1N4148W"), build.Given(1), build.Words(build.LeftRail)
			d.Outputs = d.Outputs[:1]
			d.Outputs[0].Switch = build.Words(c.part)
			b.Vehicles[0].Lamps[0].Feed = build.Words(feed)
			lamps["front"] = &wiring.LampPosterior{Structure: c.lamp.Structure, Odds: 1, Samples: []wiring.LampParams{c.lamp}, Best: c.lamp, Surveyed: true, IFmax: 0.02, IFpeak: 0.1, VRmax: 5}
			j := verdict(t, run(t, b, lamps, prove.Settings{Samples: 50}), c.id)
			// More than a milliampere, more than a volt the wrong way: not a leak.
			if want := feed == build.LeftRail; (j.Verdict == finding.Fails && math.Abs(j.Value) > 1e-3) != want {
				t.Errorf("%s, fed from the %s: %s is %s (%g)", c.name, feed, c.id, j.Verdict, j.Value)
			}
		}
	}
}

// someLED is made up: 2.7 V at 2 mA.
var someLED = device.Diode{IS: 1e-22, N: 2.35, RS: 10, XTI: 3, EG: 2.8, GP: 1e-11, T0: 298.15}

// Driven from the plus into the diode's rail a lamp lights on the reservoir alone: twice the track while it lasts, which is
// judged, and how much of that it is for the circuit in time to say.
func TestSingleDiodeIntoItsRail(t *testing.T) {
	b, lamps := demo(t)
	d := &b.Decoders[0]
	d.Supply.Rectifier, d.Supply.Diodes, d.Supply.From = build.Words("1N4148W"), build.Given(1), build.Words(build.LeftRail)
	d.Outputs = d.Outputs[:1]
	o := &d.Outputs[0]
	o.Drive, o.Switch, o.Level = build.Words(build.DriveHighSide), build.Words("MMBT3906"), build.Words("MMBT3904")
	o.Base, o.Pullup, o.LevelBase, o.Pulldown, o.Series = build.Given(unit.Ohm(10e3)), build.Given(unit.Ohm(47e3)), build.Given(unit.Ohm(10e3)), build.Given(unit.Ohm(47e3)), build.Given(unit.Ohm(1500))
	lamp := wiring.LampParams{Structure: wiring.PlainLamp, Series: 1, Parallel: 1, Hidden: 1000, LED: someLED}
	lamps["front"] = &wiring.LampPosterior{Odds: 1, Samples: []wiring.LampParams{lamp}, Best: lamp, WrongWay: true, Surveyed: true, IFmax: 0.02, IFpeak: 0.1, VRmax: 5}
	f := run(t, b, lamps, prove.Settings{Samples: 200})
	for _, name := range []string{"good", "seen"} {
		if j := verdict(t, f, "output.front."+name); j.Verdict != finding.Unknown || !j.NotYet() {
			t.Errorf("%s: %s (%s)", name, j.Verdict, j.Why)
		}
	}
	// (2 · 18 − 0.7 − 2.75) V over 0.95 · 1.5 kΩ + 1 kΩ.
	if j := verdict(t, f, "output.front.never-above-peak"); math.Abs(j.Value/(32.55/2425)-1) > 0.03 {
		t.Errorf("peak at the highest %.4g mA, by hand 13.4 mA", 1e3*j.Value)
	}
	// 40 V stands what is left of twice 24 V? It does not.
	if j := verdict(t, f, "output.front.vceo"); j.Verdict != finding.Fails || j.Value < 44 {
		t.Errorf("collector when off: %s, %g V", j.Verdict, j.Value)
	}
}
