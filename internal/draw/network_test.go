package draw

import (
	"net/url"
	"slices"
	"strings"
	"testing"

	"fettle/internal/build"
	"fettle/internal/device"
	"fettle/internal/finding"
	"fettle/internal/probe"
	"fettle/internal/prove"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// plainLED is an LED, made up: 2.7 V at 2 mA.
var plainLED = device.Diode{IS: 1e-22, N: 2.35, RS: 10, XTI: 3, EG: 2.8, GP: 1e-11, T0: 298.15}

// sampleLamps are lamps of several structures.
func sampleLamps() map[string]wiring.LampParams {
	led := wiring.LampParams{Series: 1, Parallel: 1, Hidden: 1000, LED: plainLED}
	of := func(s wiring.Structure) wiring.LampParams { p := led; p.Structure = s; return p }
	silicon := device.Diode{IS: 1e-14, N: 1, T0: 298.15, XTI: 3, EG: 1.11}
	pair, leaking, board, limited := of(wiring.AntiParallelLamp), of(wiring.LeakingLamp), of(wiring.BridgeBoard), of(wiring.LimitedDiodeBoard)
	pair.Back, leaking.Leak, board.Diode, limited.Diode = plainLED, 12000, silicon, silicon
	limited.Limit, limited.Own, limited.Dropout = 5e-3, 1e-4, 0.3
	return map[string]wiring.LampParams{"plain": led, "pair": pair, "leaking": leaking, "board": board, "limited": limited,
		"filament": {Structure: wiring.FilamentLamp, Filament: device.Filament{Cold: 22, LitV: 12, LitI: 60e-3}}}
}

// TestOf: every stage and every lamp of a wired decoder comes into its drawing, as what it is.
func TestOf(t *testing.T) {
	of := func(supply, lamp, feed, output, more string) Schematic {
		t.Helper()
		src := `format = 1
vehicle "test van" {
  scale  = "N"
  socket = "wires"
  lamp "lamp" {
    feed = "` + feed + `"
    back = "red"
  }
}
track {
}
decoder "a" {
  supply {
    ` + supply + `
  }
  chip {
    part = "ATtiny85"
  }
` + output + more + `}
`
		b, list := build.Load("test.fettle", []byte(src), build.Beside{})
		if list.HasErrors() {
			t.Fatal(list, src)
		}
		p := sampleLamps()[lamp]
		post := &wiring.LampPosterior{Structure: p.Structure, Odds: 1, Samples: []wiring.LampParams{p}, Best: p, Surveyed: true, IFmax: 0.02, IFpeak: 0.1, VRmax: 5, Class: "white"}
		n, missing, err := wiring.NewNetwork(b, &b.Decoders[0], map[string]*wiring.LampPosterior{"lamp": post})
		if err != nil || len(missing) > 0 || n == nil {
			t.Fatal(err, missing, src)
		}
		op, ok := prove.Operate(n)
		if !ok {
			t.Errorf("%s, %s: no operation", feed, output)
		}
		s := Of(n, finding.Findings{}, op)
		if svg := Circuit(s, Options{}); !strings.Contains(s.Lamps[0].LED.Note, "A") || !strings.Contains(svg, "outputs fully on</text>") || !strings.HasPrefix(s.Foot, "currents: typical parts") {
			t.Errorf("%s, %s: the lamp's current is not drawn: %q, %q", feed, output, s.Lamps[0].LED.Note, s.Foot)
		}
		for _, x := range s.Details {
			if len(x.Now) == 0 && x.ID != "net.minus" && !slices.ContainsFunc(s.Outputs, func(o SchematicOutput) bool { return o.ID == x.ID }) {
				t.Errorf("%s, %s: nothing is said of what %s carries", feed, output, x.Name)
			}
			for _, width := range []float64{320, 700} {
				link := `href="why?of=` + url.QueryEscape(x.ID) + `" aria-label="` + escape(x.Name)
				if c := strings.Count(Circuit(s, Options{Width: width, Why: "why?of="}), link); c != 1 {
					t.Errorf("%s, %s: %s (%s) is %d links at %g px", feed, output, x.Name, x.ID, c, width)
				}
			}
		}
		for _, p := range probe.Points(n) {
			if !marked(s, p.ID) {
				t.Errorf("%s, %s: test point %s, %s, is not on the drawing", feed, output, p.ID, p.Words)
			}
		}
		return s
	}
	out := func(name, pin, body string) string {
		return "  output \"" + name + "\" {\n    lamp = \"lamp\"\n    from = \"" + pin + "\"\n    " + strings.ReplaceAll(body, "; ", "\n    ") + "\n  }\n"
	}
	const (
		usual = "rectifier = \"MB6S\"\n    regulator = \"78L05A (TO-92)\""
		low   = `switch = "MMBT3904"; series = "1 kΩ"; base = "4.7 kΩ"; pulldown = "47 kΩ"`
		high  = `drive = "high side"; switch = "MMBT3906"; level = "MMBT3904"; series = "1 kΩ"; base = "10 kΩ"; pullup = "47 kΩ"; level_base = "10 kΩ"; pulldown = "47 kΩ"`
	)
	for _, c := range []struct {
		name, supply, lamp, feed, output, more string
		holds                                  func(s Schematic) bool
		says                                   []string // of the description
	}{
		{"NPN", usual, "plain", build.LeftRail, low, "", func(s Schematic) bool {
			o := s.Outputs[0]
			return o.Switch.Kind == NPN && o.driven() && !o.high() && o.Level.absent() && !s.Supply.Four && s.Supply.Ballast.absent()
		}, []string{"base 4.7", "switch MMBT3904", "pull-down 47", "through series 1", "LEDs behind a resistor"}},
		{"N-channel", usual, "plain", build.LeftRail, `switch = "AO3400A"; series = "1 kΩ"; base = "1 kΩ"; pulldown = "100 kΩ"`, "", func(s Schematic) bool {
			return s.Outputs[0].Switch.Kind == NChannel && s.Outputs[0].Base.Name == "gate"
		}, []string{"gate 1"}},
		{"pre-biased", usual, "plain", build.RectifiedPlus, `switch = "MMUN2211"; series = "1 kΩ"; base = "none"; pulldown = "none"`, "", func(s Schematic) bool {
			o := s.Outputs[0]
			return o.Switch.Prebiased && strings.Contains(o.Switch.Note, "R1") && o.Base.absent() && o.Pulldown.absent()
		}, nil},
		{"a pair, a resistor across the lamp", usual, "plain", build.RectifiedPlus, `switch = "MMBT3904"; driver = "BC847B"; between = "100 kΩ"; series = "1 kΩ"; base = "100 kΩ"; pulldown = "1 MΩ"; shunt = "4.7 kΩ"`, "", func(s Schematic) bool {
			o := s.Outputs[0]
			return o.pair() && !o.Between.absent() && !o.Shunt.absent()
		}, []string{"driver BC847B", "between 100", "across the lamp 4.7"}},
		{"PNP", usual, "plain", build.DecoderMinus, high, "", func(s Schematic) bool {
			o := s.Outputs[0]
			return o.Switch.Kind == PNP && o.Level.Kind == NPN && s.Lamps[0].Inward && !o.LevelBase.absent() && !o.Pullup.absent()
		}, []string{"at the rectified plus", "level base 10"}},
		{"P-channel with clamp", usual, "plain", build.DecoderMinus, `drive = "high side"; switch = "AO3401A"; level = "AO3400A"; clamp = "BZX84-C10"; series = "1 kΩ"; base = "10 kΩ"; pullup = "47 kΩ"; level_base = "1 kΩ"; pulldown = "100 kΩ"`, "", func(s Schematic) bool {
			o := s.Outputs[0]
			return o.Switch.Kind == PChannel && o.Level.Kind == NChannel && o.Clamp.Value == "BZX84-C10" && o.LevelBase.Name == "level gate"
		}, []string{"gate clamp BZX84-C10"}},
		{"from a pin that is high", usual, "plain", build.DecoderMinus, `drive = "from the pin"; series = "1 kΩ"`, "", func(s Schematic) bool { return s.Outputs[0].source() && !s.Outputs[0].driven() && s.Lamps[0].Inward }, nil},
		{"from a pin that is low", usual, "plain", build.ChipSupply, `drive = "from the pin"; series = "1 kΩ"`, "", func(s Schematic) bool { return s.Outputs[0].ActiveLow && !s.Lamps[0].Inward }, []string{"lit while the pin is low"}},
		{"four diodes, the vehicle's own plus", "rectifier = \"BAT54\"\n    diodes = 4\n    regulator = \"78L05A (TO-92)\"", "plain", build.LocalPlus, low, "", func(s Schematic) bool {
			return s.Supply.Four && s.Supply.Diodes == Schottky && !s.Supply.Local.absent()
		}, []string{"4 × BAT54", "own two diodes"}},
		{"one diode from the right rail", "rectifier = \"1N5819HW\"\n    diodes = 1\n    from = \"right rail\"\n    regulator = \"78L05A (TO-92)\"", "plain", build.RectifiedPlus, low, "", func(s Schematic) bool {
			return s.Supply.From == build.RightRail && !s.Supply.Four && s.Supply.Diodes == Schottky
		}, []string{"One diode leads from the right rail; the left rail is the minus", "one net, the left rail itself"}},
		{"one diode from the left rail", "rectifier = \"1N4148W\"\n    diodes = 1\n    from = \"left rail\"\n    regulator = \"78L05A (TO-92)\"", "plain", build.LocalPlus, low, "", func(s Schematic) bool {
			return s.Supply.From == build.LeftRail && s.Supply.Diodes == Rectifying
		}, []string{"One diode leads from the left rail; the right rail is the minus"}},
		{"zener", "rectifier = \"MB6S\"\n    regulator = \"BZX84-C5V1\"\n    ballast = \"330 Ω\"", "plain", build.RectifiedPlus, low, "", func(s Schematic) bool { return s.Supply.Regulator.Name == "zener" && !s.Supply.Ballast.absent() }, []string{"ballast 330", "zener BZX84-C5V1"}},
		{"a pair of LEDs, an output for each", usual, "pair", build.LeftRail, low, out("other", "PB3", high), func(s Schematic) bool {
			return len(s.Lamps) == 1 && len(s.Outputs) == 2 && s.Lamps[0].rows() == 2 && len(s.groups()) == 1
		}, []string{"red the other way round"}},
		{"a filament", usual, "filament", build.RectifiedPlus, strings.Replace(low, "1 kΩ", "100 Ω", 1), "", func(s Schematic) bool {
			return s.Lamps[0].Hidden.absent() && strings.Contains(s.Lamps[0].LED.Value, "cold")
		}, []string{"a filament"}},
		{"a board with a bridge", usual, "board", build.RectifiedPlus, low, "", func(s Schematic) bool { return s.Lamps[0].isBoard() }, []string{"behind its own bridge"}},
		{"a limited board", usual, "limited", build.RectifiedPlus, low, "", func(s Schematic) bool { return s.Lamps[0].Limit != "" }, []string{"limited to"}},
		{"a leak", usual, "leaking", build.RectifiedPlus, low, "", func(s Schematic) bool { return !s.Lamps[0].Leak.absent() }, []string{"leak"}},
		{"ear and answer", usual, "plain", build.LeftRail, low, "  listen {\n    from = \"left rail\"\n    series = \"22 kΩ\"\n    into = \"PB2\"\n  }\n  acknowledge {\n    from = \"PB4\"\n    switch = \"MMBT2222A\"\n    load = \"150 Ω\"\n    base = \"470 Ω\"\n    pulldown = \"10 kΩ\"\n  }\n", func(s Schematic) bool {
			return len(s.Outputs) == 2 && len(s.Outputs[1].Lamps) == 0 && s.Outputs[1].Series.Name == "load" && s.Listen.Into == "PB2"
		}, []string{"PB2 reads the left rail", "through load 150"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := of(c.supply, c.lamp, c.feed, out("out", "PB0", c.output), c.more)
			if !c.holds(s) {
				t.Errorf("%+v", s)
			}
			for _, w := range []float64{320, 700} {
				svg := Circuit(s, Options{Width: w})
				wellFormed(t, c.name, svg)
				if ends := loose(t, svg); len(ends) != 1 {
					t.Errorf("%g px: loose ends at %v", w, ends)
				}
				for _, want := range c.says {
					if !strings.Contains(unit.Bind(svg), unit.Bind(want)) {
						t.Errorf("%g px: the drawing does not say %q: %s", w, want, s.sound().describe())
					}
				}
			}
		})
	}
}
