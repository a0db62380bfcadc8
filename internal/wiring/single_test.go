package wiring_test

import (
	"fmt"
	"math"
	"testing"

	"fettle/internal/build"
	"fettle/internal/circuit"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

func oneDiode(part, rail string) string {
	return fmt.Sprintf("rectifier = %q\n    diodes = 1\n    from = %q\n    regulator = \"78L05A (TO-92)\"", part, rail)
}

const (
	lowSide  = `switch = "MMBT3904"; series = "1 kΩ"; base = "4.7 kΩ"; pulldown = "47 kΩ"`
	highSide = `drive = "high side"; switch = "MMBT3906"; level = "MMBT3904"; series = "1 kΩ"; base = "10 kΩ"; pullup = "47 kΩ"; level_base = "10 kΩ"; pulldown = "47 kΩ"`
)

// Half-wave rectification from either rail, every feed with every switch, by hand (12 V track; 0.65 V the diode at what the
// chip and a lamp draw, 2.75 V the LED, 2 kΩ together): what flows in the lit half, where the other rail is the minus itself,
// and in the dark half, where the plus stands at what the reservoir was filled to and the diode's rail 12 V below minus.
func TestSingleDiode(t *testing.T) {
	const plus, straight, own, chip, twice = (12 - 0.65 - 2.75) / 2000, (12 - 2.75) / 2000, (12 - 0.65 - 2.75) / 2000, (5 - 2.7) / 2000, (24 - 0.65 - 2.75) / 2000
	for _, rail := range []string{build.LeftRail, build.RightRail} {
		other := build.OtherRail(rail)
		for _, c := range []struct {
			name, feed, output string
			lit, dark          float64
			sure, most         float64 // share of the time in which it conducts
		}{
			{"low side, its rail", rail, lowSide, straight, 0, 0.5, 0.5},
			{"low side, the other rail", other, lowSide, 0, 0, 0, 0},
			{"low side, rectified plus", build.RectifiedPlus, lowSide, plus, plus, 0.5, 1},
			{"low side, chip supply", build.ChipSupply, lowSide, chip, chip, 0.5, 1},
			{"low side, the vehicle's own plus", build.LocalPlus, lowSide, own, 0, 0.5, 0.5},
			{"high side, decoder minus", build.DecoderMinus, highSide, plus, plus, 0.5, 1},
			{"high side, the other rail", other, highSide, plus, plus, 0.5, 1},
			{"high side, its rail", rail, highSide, 0, twice, 0, 0.5},
			{"from the pin, decoder minus", build.DecoderMinus, `drive = "from the pin"; series = "1 kΩ"`, chip, chip, 0.5, 1},
		} {
			t.Run(c.name+", diode from the "+rail, func(t *testing.T) {
				n := decoderWith(t, c.feed, oneDiode("1N4148W", rail), outputText("out", "PB0", c.output), plain)
				l := n.Outputs[0].Lights[0]
				if l.Sure != c.sure || l.Most != c.most {
					t.Errorf("conducts %g to %g of the time, want %g to %g", l.Sure, l.Most, c.sure, c.most)
				}
				lit := rail == build.LeftRail
				if n.FedLeft() != lit || !n.Feeds(lit) || n.Feeds(!lit) || !n.Single {
					t.Errorf("feeds while the left rail is positive: %t, the right: %t", n.Feeds(true), n.Feeds(false))
				}
				full := operate(t, n, wiring.State{LeftPositive: lit, Drive: wiring.On, Track: 12})
				for _, half := range []struct {
					left bool
					want float64
				}{{lit, c.lit}, {!lit, c.dark}} {
					on := operate(t, n, wiring.State{LeftPositive: half.left, Drive: wiring.On, Track: 12})
					got := float64(n.Outputs[0].Lights[0].Light(&on))
					if half.want == 0 && got > 1e-6 || half.want > 0 && math.Abs(got/half.want-1) > 0.05 {
						t.Errorf("on, left %t: %.3g mA, by hand %.3g mA", half.left, 1e3*got, 1e3*half.want)
					}
					if math.Abs(float64(on.Plus-full.Plus)) > 0.001 {
						t.Errorf("on, left %t: plus at %s, filled to %s", half.left, on.Plus, full.Plus)
					}
					for _, d := range []wiring.Drive{wiring.Off, wiring.Reset} {
						op := operate(t, n, wiring.State{LeftPositive: half.left, Drive: d, Track: 12})
						if i := math.Abs(float64(op.Lamps[0].Through)); i > 5e-6 {
							t.Errorf("%s, left %t: %.3g µA", d, half.left, 1e6*i)
						}
					}
				}
				balances(t, n)
			})
		}
	}
}

// What stands across the LED of a lamp on the diode's own rail while that rail is the minus's opposite: the whole track but
// for the collector junction of the switch, which passes what the LED leaks, or the body diode of a MOSFET; on or off. From
// plus or the vehicle's own two diodes nothing stands across it backwards.
func TestSingleDiodeReverses(t *testing.T) {
	const fet = `switch = "AO3400A"; series = "1 kΩ"; base = "1 kΩ"; pulldown = "100 kΩ"`
	for _, c := range []struct {
		feed, output string
		least, most  unit.Volt // backwards across the LED
	}{
		{build.LeftRail, lowSide, 23, 24.1}, {build.LeftRail, fet, 23, 24},
		{build.RectifiedPlus, lowSide, -1, 0.1}, {build.LocalPlus, lowSide, -1, 0.2}, {build.RightRail, lowSide, -1, 0.1},
	} {
		n := decoderWith(t, c.feed, oneDiode("1N4148W", build.LeftRail), outputText("out", "PB0", c.output), plain)
		for _, d := range []wiring.Drive{wiring.Off, wiring.On, wiring.Reset} {
			op := operate(t, n, wiring.State{LeftPositive: false, Drive: d, Track: 24})
			if v := -op.Lamps[0].Across; v < c.least && c.least > 0 || v > c.most {
				t.Errorf("%s, %s, %s: %s backwards across the LED", c.feed, c.output[:20], d, v)
			}
		}
	}
}

// Of a peak of 33.95 V a bridge leaves 32.55 V, two drops of 0.7 V (Malvino & Bates, Electronic Principles, 7th ed. 2006,
// examples 4-6 and 4-8, read in the FOSSEE companion), one diode thus 33.25 V. Real junctions at the chip's current: ±0.15 V.
func TestOneDropOrTwo(t *testing.T) {
	for supply, want := range map[string]unit.Volt{
		oneDiode("1N4148W", build.LeftRail):                                           33.25,
		"rectifier = \"1N4148W\"\n    diodes = 4\n    regulator = \"78L05A (TO-92)\"": 32.55,
	} {
		n := decoderWith(t, build.RectifiedPlus, supply, outputText("out", "PB0", lowSide), plain)
		for _, left := range []bool{true, false} {
			if op := operate(t, n, wiring.State{LeftPositive: left, Drive: wiring.Off, Track: 33.95}); math.Abs(float64(op.Plus-want)) > 0.15 {
				t.Errorf("%d diodes, left %t: plus %s, the textbook %s", n.Decoder.Supply.Diodes.Value, left, op.Plus, want)
			}
		}
	}
}

// A capacitor behind one diode: the diode blocks nearly twice the peak (Malvino & Bates, Electronic Principles, 7th ed.,
// half-wave rectifier with a capacitor: PIV = 2 Vp; the rule from memory, the page was not read).
func TestSingleDiodeBlocksTwice(t *testing.T) {
	n := decoderWith(t, build.RectifiedPlus, oneDiode("1N4148W", build.RightRail), outputText("out", "PB0", lowSide), plain)
	operate(t, n, wiring.State{LeftPositive: true, Drive: wiring.Off, Track: 20})
	if v := n.Solver.V(n.Plus) - n.Solver.V(n.RightRail); v < 39 || v > 40 {
		t.Errorf("the diode blocks %s of a track of 20 V", v)
	}
}

// The ear on the diode's rail carries as much out of the pin in the dark half as the track over its resistor: 24 V less 0.5 V of
// the clamp over 22 kΩ, 1.07 mA; in the lit half 24 V less 5 V and 0.5 V, 0.84 mA. On the other rail it hears nothing.
func TestSingleDiodeEar(t *testing.T) {
	ear := func(rail string) string {
		return outputText("out", "PB0", lowSide) + fmt.Sprintf("listen {\n    from = %q\n    into = \"PB2\"\n    series = \"22 kΩ\"\n  }", rail)
	}
	n := decoderWith(t, build.RectifiedPlus, oneDiode("1N4148W", build.LeftRail), ear(build.LeftRail), plain)
	for left, want := range map[bool]float64{true: 18.5 / 22e3, false: -23.5 / 22e3} {
		op := operate(t, n, wiring.State{LeftPositive: left, Drive: wiring.Off, Track: 24})
		if i := float64(op.Ear.Through); math.Abs(i/want-1) > 0.02 {
			t.Errorf("left %t: %.3g mA into the pin, by hand %.3g mA", left, 1e3*i, 1e3*want)
		}
	}
	deaf := decoderWith(t, build.RectifiedPlus, oneDiode("1N4148W", build.LeftRail), ear(build.RightRail), plain)
	if n.Deaf() || !deaf.Deaf() {
		t.Errorf("deaf on the diode's rail: %t, on the other: %t", n.Deaf(), deaf.Deaf())
	}
	for _, left := range []bool{true, false} {
		if op := operate(t, deaf, wiring.State{LeftPositive: left, Drive: wiring.Off, Track: 24}); math.Abs(float64(op.Ear.Pin)) > 0.1 {
			t.Errorf("left %t: %s at the pin of the deaf ear", left, op.Ear.Pin)
		}
	}
}

// Rails changed over, as a plug turned round does: the diode feeds in the other half, and the rest is alike.
func TestSingleDiodeTurned(t *testing.T) {
	n := decoderWith(t, build.RectifiedPlus, oneDiode("1N4148W", build.LeftRail), outputText("out", "PB0", lowSide), plain)
	m, err := n.Edited(func(c *circuit.Circuit) {
		c.Reconnect(n.Track, 0, n.RightRail)
		c.Reconnect(n.Track, 1, n.LeftRail)
	})
	if err != nil {
		t.Fatal(err)
	}
	m.Set(m.Typical())
	if m.Feeds(true) || !m.Feeds(false) {
		t.Errorf("turned round it feeds while left is positive: %t, right: %t", m.Feeds(true), m.Feeds(false))
	}
	for _, left := range []bool{true, false} {
		a, b := operate(t, n, wiring.State{LeftPositive: left, Drive: wiring.On, Track: 14}), operate(t, m, wiring.State{LeftPositive: !left, Drive: wiring.On, Track: 14})
		if math.Abs(float64(a.Lamps[0].Through/b.Lamps[0].Through)-1) > 1e-6 || math.Abs(float64(a.Plus-b.Plus)) > 1e-6 {
			t.Errorf("left %t: %s and %s", left, a.Lamps[0].Through, b.Lamps[0].Through)
		}
	}
}
