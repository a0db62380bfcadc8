package wiring_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"fettle/internal/build"
	"fettle/internal/circuit"
	"fettle/internal/device"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// white and red are LEDs of a numerical reference set, made up: 2.7 V and 1.8 V at 2 mA.
var (
	white = device.Diode{IS: 1e-22, N: 2.35, RS: 10, XTI: 3, EG: 2.8, GP: 1e-11, T0: 298.15}
	red   = device.Diode{IS: 2e-18, N: 2.0, RS: 4, XTI: 3, EG: 1.9, GP: 1e-11, T0: 298.15}
)

func surveyed(p wiring.LampParams) *wiring.LampPosterior {
	return &wiring.LampPosterior{Structure: p.Structure, Odds: 1, Samples: []wiring.LampParams{p}, Best: p, Surveyed: true, IFmax: 0.02, IFpeak: 0.1, VRmax: 5}
}

// decoderWith is a decoder with one lamp and one or two outputs on it, everything given.
func decoderWith(t *testing.T, feed, supply, outputs string, p wiring.LampParams) *wiring.Network {
	t.Helper()
	if supply == "" {
		supply = `rectifier = "MB6S"
    regulator = "78L05A (TO-92)"`
	}
	src := fmt.Sprintf(`format = 1
vehicle "test van" {
  scale  = "N"
  socket = "wires"
  lamp "lamp" {
    feed = %q
  }
}
track {
}
decoder "a" {
  supply {
    %s
  }
  chip {
    part = "ATtiny85"
  }
  %s
}
`, feed, supply, outputs)
	b, list := build.Load("test.fettle", []byte(src), build.Beside{})
	if list.HasErrors() {
		t.Fatal(list)
	}
	post := surveyed(p)
	// What drives a lamp from the plus into a rail wants it the other way round than one that draws from the rail.
	post.WrongWay = strings.Contains(outputs, "high side") && strings.HasSuffix(feed, "rail")
	n, missing, err := wiring.NewNetwork(b, &b.Decoders[0], map[string]*wiring.LampPosterior{"lamp": post})
	if err != nil || len(missing) > 0 || n == nil {
		t.Fatal(err, missing, src)
	}
	return n
}

func outputText(name, pin, body string) string {
	return fmt.Sprintf("output %q {\n    lamp = \"lamp\"\n    from = %q\n    %s\n  }\n  ", name, pin, strings.ReplaceAll(body, "; ", "\n    "))
}

var plain = wiring.LampParams{Series: 1, Parallel: 1, Hidden: 1000, LED: white}

// Every feed with every switch: while which rail is positive the lamp lights, by hand about how much flows (12 V track;
// 0.7 V a silicon diode, 2.75 V the LED, 2 kΩ together), nothing when it is off or in reset; powers balance in each state.
func TestStages(t *testing.T) {
	const (
		low  = `switch = "MMBT3904"; series = "1 kΩ"; base = "4.7 kΩ"; pulldown = "47 kΩ"`
		high = `drive = "high side"; switch = "MMBT3906"; level = "MMBT3904"; series = "1 kΩ"; base = "10 kΩ"; pullup = "47 kΩ"; level_base = "10 kΩ"; pulldown = "47 kΩ"`
	)
	rail, plus := (12-0.7-2.75)/2000, (12-1.4-2.75)/2000
	for _, c := range []struct {
		name, feed, supply, output string
		left, right                float64 // current while the left (the right) rail is positive
	}{
		{"NPN, left rail", build.LeftRail, "", low, rail, 0},
		{"NPN, right rail", build.RightRail, "", low, 0, rail},
		{"NPN, rectified plus", build.RectifiedPlus, "", low, plus, plus},
		{"NPN, the vehicle's own plus", build.LocalPlus, "", low, plus, plus},
		{"NPN, chip supply", build.ChipSupply, "", low, (5 - 2.7) / 2000, (5 - 2.7) / 2000},
		{"N-channel, left rail", build.LeftRail, "", `switch = "AO3400A"; series = "1 kΩ"; base = "1 kΩ"; pulldown = "100 kΩ"`, rail, 0},
		{"pre-biased NPN, rectified plus", build.RectifiedPlus, "", `switch = "MMUN2211"; series = "1 kΩ"; base = "none"; pulldown = "none"`, plus, plus},
		{"a pair, rectified plus", build.RectifiedPlus, "", `switch = "MMBT3904"; driver = "BC847B"; between = "100 kΩ"; series = "1 kΩ"; base = "100 kΩ"; pulldown = "1 MΩ"`, plus - 0.65/2000, plus - 0.65/2000},
		{"PNP, common minus", build.DecoderMinus, "", high, plus, plus},
		// Driven from the plus, a lamp on a rail conducts while that rail is the minus.
		{"PNP, left rail", build.LeftRail, "", high, 0, rail},
		{"PNP, right rail", build.RightRail, "", high, rail, 0},
		{"P-channel with clamp, common minus", build.DecoderMinus, "", `drive = "high side"; switch = "AO3401A"; level = "AO3400A"; clamp = "BZX84-C10"; series = "1 kΩ"; base = "10 kΩ"; pullup = "47 kΩ"; level_base = "1 kΩ"; pulldown = "100 kΩ"`, plus, plus},
		{"pre-biased both, common minus", build.DecoderMinus, "", `drive = "high side"; switch = "DTA114E"; level = "DTC143Z"; series = "1 kΩ"; base = "none"; pullup = "none"; level_base = "none"; pulldown = "none"`, plus, plus},
		{"from the pin, common minus", build.DecoderMinus, "", `drive = "from the pin"; series = "1 kΩ"`, (5 - 2.7) / 2000, (5 - 2.7) / 2000},
		{"from the pin, chip supply", build.ChipSupply, "", `drive = "from the pin"; series = "1 kΩ"`, (5 - 2.7) / 2000, (5 - 2.7) / 2000},
		// Schottky diodes: 0.25 V each at a milliampere.
		{"four diodes", build.RectifiedPlus, "rectifier = \"BAT54\"\n    diodes = 4\n    regulator = \"78L05A (TO-92)\"", low, (12 - 0.6 - 2.75) / 2000, (12 - 0.6 - 2.75) / 2000},
		{"zener", build.RectifiedPlus, "rectifier = \"MB6S\"\n    regulator = \"BZX84-C5V1\"\n    ballast = \"330 Ω\"", low, plus, plus},
	} {
		t.Run(c.name, func(t *testing.T) {
			n := decoderWith(t, c.feed, c.supply, outputText("out", "PB0", c.output), plain)
			for _, left := range []bool{true, false} {
				want := c.right
				if left {
					want = c.left
				}
				on := operate(t, n, wiring.State{LeftPositive: left, Drive: wiring.On, Track: 12})
				got := float64(n.Outputs[0].Lights[0].Light(&on))
				if want == 0 && got > 1e-6 || want > 0 && math.Abs(got/want-1) > 0.08 {
					t.Errorf("on, left %t: %.3g mA, by hand %.3g mA", left, 1e3*got, 1e3*want)
				}
				for _, d := range []wiring.Drive{wiring.Off, wiring.Reset} {
					op := operate(t, n, wiring.State{LeftPositive: left, Drive: d, Track: 12})
					if i := math.Abs(float64(op.Lamps[0].Through)); i > 5e-6 {
						t.Errorf("%s, left %t: %.3g µA", d, left, 1e6*i)
					}
				}
			}
			l := n.Outputs[0].Lights[0]
			if l.Left != (c.left > 0) || l.Right != (c.right > 0) || l.Against {
				t.Errorf("said to conduct left %t, right %t, against %t", l.Left, l.Right, l.Against)
			}
			balances(t, n)
		})
	}
}

// balances checks that powers sum to zero at scattered points in every state.
func balances(t *testing.T, n *wiring.Network) {
	t.Helper()
	z := n.Typical()
	for k := range 15 {
		for i, v := range n.Vars {
			z[i] = math.Sin(float64(7*k+3*i) * 1.7)
			if v.Levels > 0 {
				z[i] = math.Floor((z[i] + 1) / 2 * float64(v.Levels-1))
			}
		}
		n.Set(z)
		for _, d := range []wiring.Drive{wiring.Off, wiring.On, wiring.Reset} {
			for _, left := range []bool{true, false} {
				operate(t, n, wiring.State{LeftPositive: left, Drive: d, Track: unit.Volt(9 + k)})
				sum, most := 0.0, 0.0
				for e := range n.Circuit.Elements() {
					p := float64(n.Solver.Power(circuit.Elem(e)))
					sum += p
					most = math.Max(most, math.Abs(p))
				}
				if math.Abs(sum) > 1e-8*most {
					t.Fatalf("powers sum to %g W, largest %g W", sum, most)
				}
			}
		}
	}
}

// Two colours on one wire: while the left rail is positive the low side lights the white one, while it is negative the high
// side the red one, and the other stays dark. Both may not be on together.
func TestTwoColoursOnOneWire(t *testing.T) {
	n := decoderWith(t, build.LeftRail, "", outputText("white", "PB0", `switch = "MMBT3904"; series = "1 kΩ"; base = "4.7 kΩ"; pulldown = "47 kΩ"`)+
		outputText("red", "PB1", `drive = "high side"; switch = "MMBT3906"; level = "MMBT3904"; series = "1 kΩ"; base = "10 kΩ"; pullup = "47 kΩ"; level_base = "10 kΩ"; pulldown = "47 kΩ"`),
		wiring.LampParams{Structure: wiring.AntiParallelLamp, Series: 1, Parallel: 1, Hidden: 1000, LED: white, Back: red})
	if len(n.Lamps) != 1 || n.With(0) == n.With(1) {
		t.Fatalf("%d lamps; together with the first %b, with the second %b", len(n.Lamps), n.With(0), n.With(1))
	}
	for _, c := range []struct {
		output        int
		left          bool
		forward, back float64
	}{
		{0, true, (12 - 0.7 - 2.75) / 2000, 0}, {0, false, 0, 0},
		{1, false, 0, (12 - 0.7 - 1.85) / 2000}, {1, true, 0, 0},
	} {
		op := operate(t, n, wiring.State{LeftPositive: c.left, Drive: wiring.On, Track: 12, Which: n.With(c.output)})
		l := op.Lamps[0]
		for k, x := range [][2]float64{{float64(l.Forward), c.forward}, {float64(l.Back), c.back}} {
			if x[1] == 0 && x[0] > 1e-6 || x[1] > 0 && math.Abs(x[0]/x[1]-1) > 0.06 {
				t.Errorf("output %d, left %t, %s: %.3g mA, by hand %.3g mA", c.output, c.left, []string{"white", "red"}[k], 1e3*x[0], 1e3*x[1])
			}
		}
	}
	balances(t, n)
}

// A filament: cold it draws the current of its cold resistance, warm that of its lit point; fed for half the time it stays
// cooler and draws more while it is fed.
func TestFilament(t *testing.T) {
	f := device.Filament{Cold: 30, LitV: 12, LitI: 0.040}
	lamp := wiring.LampParams{Structure: wiring.FilamentLamp, Filament: f}
	out := outputText("out", "PB0", `switch = "MMBT2222A"; series = "100 Ω"; base = "470 Ω"; pulldown = "47 kΩ"`)
	plus := decoderWith(t, build.RectifiedPlus, "", out, lamp)
	warm := operate(t, plus, wiring.State{LeftPositive: true, Drive: wiring.On, Track: 14})
	cold := operate(t, plus, wiring.State{LeftPositive: true, Drive: wiring.On, Track: 14, Cold: true})
	// (14 − 1.5 − 0.1 − 4 over 100 Ω) = 8.4 V: 40 mA · (8.4/12)^0.55 = 33 mA. Cold (14 − 1.7 − 0.1) / 130 Ω = 94 mA.
	if i := float64(warm.Lamps[0].Through); math.Abs(i/0.0335-1) > 0.06 {
		t.Errorf("warm: %.3g mA, by hand 33.5 mA", 1e3*i)
	}
	if i := float64(cold.Lamps[0].Through); math.Abs(i/0.094-1) > 0.06 {
		t.Errorf("cold: %.3g mA, by hand 94 mA", 1e3*i)
	}
	again := operate(t, plus, wiring.State{LeftPositive: true, Drive: wiring.On, Track: 14})
	if again.Lamps[0].Through != warm.Lamps[0].Through && math.Abs(float64(again.Lamps[0].Through/warm.Lamps[0].Through)-1) > 1e-9 {
		t.Errorf("warm again: %s, before %s", again.Lamps[0].Through, warm.Lamps[0].Through)
	}
	half := operate(t, decoderWith(t, build.LeftRail, "", out, lamp), wiring.State{LeftPositive: true, Drive: wiring.On, Track: 14})
	if half.Lamps[0].Through <= warm.Lamps[0].Through {
		t.Errorf("fed for half the time: %s, all the time %s", half.Lamps[0].Through, warm.Lamps[0].Through)
	}
}

// The answer on the programming track by hand: 8 V less 1.5 V of the bridge and 0.1 V of the switch over 100 Ω is 64 mA, and the
// base takes (4.7 − 0.8) V over 700 Ω, 5.6 mA.
// The ear: 22 V less 0.7 V, the chip's 5 V and 0.5 V of its clamp over 22 kΩ is 0.72 mA, and −0.06 of its supply while its
// rail is the minus.
func TestAnswerAndEar(t *testing.T) {
	n := decoderWith(t, build.LeftRail, "", outputText("out", "PB0", `switch = "MMBT3904"; series = "1 kΩ"; base = "4.7 kΩ"; pulldown = "47 kΩ"`)+
		"acknowledge {\n    load = \"100 Ω\"\n    from = \"PB4\"\n    switch = \"MMBT2222A\"\n    base = \"680 Ω\"\n    pulldown = \"47 kΩ\"\n  }\n  listen {\n    from = \"left rail\"\n    into = \"PB2\"\n    series = \"22 kΩ\"\n  }", plain)
	if len(n.Outputs) != 2 || !n.Outputs[1].Acknowledge || n.Ear == nil {
		t.Fatal("answer or ear is not wired")
	}
	rest := operate(t, n, wiring.State{LeftPositive: true, Drive: wiring.Off, Track: 8})
	answer := operate(t, n, wiring.State{LeftPositive: true, Drive: wiring.On, Track: 8, Which: 2})
	if i := float64(answer.Rail - rest.Rail); math.Abs(i/0.0696-1) > 0.03 {
		t.Errorf("answers with %.3g mA more, by hand 69.6 mA", 1e3*i)
	}
	if all := operate(t, n, wiring.State{LeftPositive: true, Drive: wiring.On, Track: 8}); all.Rail > 0.02 {
		t.Errorf("with the lamps on it answers too: %s", all.Rail)
	}
	up := operate(t, n, wiring.State{LeftPositive: true, Drive: wiring.Off, Track: 22})
	if i := float64(up.Ear.Through); math.Abs(i/0.00072-1) > 0.05 {
		t.Errorf("clamp current %.3g mA, by hand 0.72 mA", 1e3*i)
	}
	down := operate(t, n, wiring.State{LeftPositive: false, Drive: wiring.Off, Track: 22})
	if s := float64(down.Ear.Pin / down.VCC); s > 0 || s < -0.15 {
		t.Errorf("heard at %.2g of the supply while its rail is the minus", s)
	}
	balances(t, n)
}
