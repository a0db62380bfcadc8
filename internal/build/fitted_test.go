package build_test

import (
	"math"
	"strings"
	"testing"

	"fettle/internal/build"
	"fettle/internal/unit"
)

// board is a design with a record of what was fitted.
const board = `format = 1
vehicle "x" {
  lamp "front" {
    feed = "left rail"
  }
}
meter "yellow" {
  range {
    measures   = "resistance"
    full       = "1999 Ω"
    resolution = "1 Ω"
    gain       = "0.5 %"
    digits     = 2
  }
  range {
    measures   = "resistance"
    full       = "19.99 kΩ"
    resolution = "10 Ω"
    gain       = "0.8 %"
    digits     = 3
  }
  range {
    measures          = "resistance"
    full              = "199.9 kΩ"
    gain_error        = "0.5 %"
    gain_error_within = "0.1 %"
  }
}
decoder "a" {
  supply {
    rectifier = "MB6S"
    regulator = "78L05A (TO-92)"
  }
  chip {
    part = "ATtiny85"
  }
  listen {
    from   = "left rail"
    into   = "PB2"
    series = "choose"
  }
  output "front" {
    lamp     = "front"
    from     = "PB0"
    switch   = "MMBT3904"
    series   = "1 kΩ"
    base     = "4.7 kΩ"
    pulldown = "100 kΩ"
  }
  fitted {
    vehicle = "number 3"
    date    = "2026-03-01"
    meter   = "yellow"
    listen {
      series = "21.8 kΩ"
      meter  = "hand meter"
    }
    output "front" {
      switch     = "BC847B"
      hfe        = 310
      base       = "4.68 kΩ"
      series     = "993 Ω"
      pulldown   = "100 kΩ"
      by_marking = "pulldown"
    }
  }
}
`

// What was fitted stands in the design's place, marked with what the design had and with what its meter leaves open; the
// design stays. Of 4.68 kΩ on the range to 19.99 kΩ: gain 0.8 %, 3 digits of 10 Ω, which are 0.64 %; of 993 Ω on that to
// 1999 Ω: 0.5 %, 2 digits of 1 Ω, 0.2 % (worked by hand).
func TestAsBuilt(t *testing.T) {
	b := parsed(t, board)
	built := b.AsBuilt()
	if o := b.Decoders[0].Outputs[0]; o.Base.Value != 4700 || o.Base.Real != nil || o.Switch.Text != "MMBT3904" {
		t.Errorf("the design was changed: %+v", o.Base)
	}
	d := &built.Decoders[0]
	o := &d.Outputs[0]
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-4 {
			t.Errorf("%s: %g, want %g", what, got, want)
		}
	}
	if o.Switch.Text != "BC847B" || o.Switch.Real == nil || o.Switch.Real.Designed != "MMBT3904" || o.HFE.Value != 310 {
		t.Errorf("switch %+v, hFE %+v", o.Switch, o.HFE)
	}
	if o.Base.Value != 4680 || !o.Base.Real.Measured() || o.Base.Real.Designed != "4.7 kΩ" || o.Base.Open() {
		t.Errorf("base %+v %+v", o.Base, o.Base.Real)
	}
	near("gain, 20 kΩ range", float64(o.Base.Real.Gain), 0.008)
	near("digits of 4.68 kΩ", float64(o.Base.Real.Slack), 30/4680.)
	near("gain, 2 kΩ range", float64(o.Series.Real.Gain), 0.005)
	near("digits of 993 Ω", float64(o.Series.Real.Slack), 2/993.)
	if o.Base.Real.Scale == o.Series.Real.Scale {
		t.Errorf("two ranges of one name: %s", o.Base.Real.Scale)
	}
	// A range known to show 0.5 % too much: 100 kΩ shown are 99.50 kΩ.
	known := parsed(t, strings.Replace(board, `by_marking = "pulldown"`, "", 1)).AsBuilt().Decoders[0].Outputs[0].Pulldown
	near("as it is, by the reading", float64(known.Value)*1.005/100e3, 1)
	near("what its known error leaves open", float64(known.Real.Gain), 0.001)
	if o.Pulldown.Real == nil || o.Pulldown.Real.Measured() {
		t.Errorf("the pull-down was only read off: %+v", o.Pulldown.Real)
	}
	if e := d.Listen.Series; e.Open() || e.Value != 21800 || e.Real.Meter != build.HandMeter || e.Real.Designed != "choose" {
		t.Errorf("ear %+v %+v", e, e.Real)
	}
	if again := built.AsBuilt(); again.Decoders[0].Outputs[0].Base.Real.Designed != "4.7 kΩ" {
		t.Error("laid over twice")
	}
	plain := parsed(t, patched)
	if plain.AsBuilt() != plain {
		t.Error("without a record the build is as designed")
	}
}

// A value that no part carries was measured; with which meter is asked.
func TestUnmeasuredValueIsAskedFor(t *testing.T) {
	src := strings.Replace(board, "    meter   = \"yellow\"\n", "", 1)
	b, list := build.Load("x.fettle", []byte(src), build.Beside{})
	if b == nil || len(list) != 2 || list[0].Code != "fitted-unmeasured" || !strings.Contains(list[0].Message, "4.68 kΩ") {
		t.Fatalf("%v", list)
	}
	if r := b.AsBuilt().Decoders[0].Outputs[0].Base.Real; r == nil || r.Measured() {
		t.Errorf("%+v", r)
	}
}

func TestSlip(t *testing.T) {
	for _, c := range []struct {
		fitted, designed unit.Ohm
		want             string
	}{
		{4680, 4700, ""},
		{5100, 4700, ""},
		{47e3, 4700, "ten times the designed 4.7 kΩ: a decimal slip?"},
		{43.5e3, 4700, "ten times"}, // 0.926 of ten times
		{470, 4700, "a tenth of"},
		{4.7, 4700, "a thousandth of the designed 4.7 kΩ: a slip of the prefix"},
		{470e3, 4700, "a hundred times"},
		{7400, 4700, "its digits are those of the designed 4.7 kΩ changed over"},
		{2200, 4700, ""},
		{15e3, 4700, "3.2 times"},
		{unit.Ohm(math.NaN()), 4700, ""},
		{4700, unit.Ohm(math.NaN()), ""},
	} {
		if got := build.Slip(float64(c.fitted), float64(c.designed), c.designed.String()); !strings.Contains(got, c.want) || (c.want == "") != (got == "") {
			t.Errorf("%v for %v: %q, want %q", c.fitted, c.designed, got, c.want)
		}
	}
}

// Blocks are made where they are wanted, lists written, lines taken out; every other byte stays.
func TestPatchMakes(t *testing.T) {
	in := func(output string) []string { return []string{"decoder", "a", "fitted", "output", output} }
	b := parsed(t, patched)
	src, list := b.Patch([]build.Edit{
		{Path: in("front"), Attr: "base", Value: "4.68 kΩ", Make: true},
		{Path: in("front"), Attr: "series", Value: "330 Ω", Make: true},
		{Path: in("front"), Attr: "by_marking", List: []string{"series", "base"}, Make: true},
		{Path: []string{"decoder", "a", "fitted"}, Attr: "date", Value: "2026-03-01", Make: true},
	})
	if list != nil {
		t.Fatal(show(list, "x.fettle", b.Source))
	}
	want := strings.Replace(patched, "  chip {}\n}\n", `  chip {}
  fitted {
    date = "2026-03-01"
    output "front" {
      base       = "4.68 kΩ"
      series     = "330 Ω"
      by_marking = ["series", "base"]
    }
  }
}
`, 1)
	if string(src) != want {
		t.Errorf("%s", src)
	}
	b = parsed(t, string(src))
	src, list = b.Patch([]build.Edit{
		{Path: in("front"), Attr: "series", Remove: true},
		{Path: in("front"), Attr: "pullup", Remove: true}, // is not there
		{Path: in("front"), Attr: "by_marking", List: []string{"base"}},
	})
	if list != nil {
		t.Fatal(show(list, "x.fettle", b.Source))
	}
	want = strings.Replace(strings.Replace(want, "      series     = \"330 Ω\"\n", "", 1), `["series", "base"]`, `"base"`, 1)
	if string(src) != want {
		t.Errorf("%s", src)
	}
	// Line ends stay what they are, and a block on one line takes one too.
	for _, src := range []string{strings.ReplaceAll(patched, "\n", "\r\n"), strings.Replace(patched, "  chip {}\n}\n", "  chip {}\n  fitted { date = \"2026-02-28\" }\n}\n", 1), strings.Replace(patched, "  chip {}\n}\n", "  chip {}\n  fitted {}\n}\n", 1)} {
		b := parsed(t, src)
		text, list := b.Patch([]build.Edit{{Path: in("front"), Attr: "base", Value: "4.68 kΩ", Make: true}})
		if list != nil {
			t.Fatal(show(list, "x.fettle", b.Source))
		}
		if strings.Contains(src, "\r\n") && strings.Count(string(text), "\n") != strings.Count(string(text), "\r\n") {
			t.Errorf("mixed line ends:\n%q", text)
		}
	}
	if _, list = b.Patch([]build.Edit{{Path: in("rear"), Attr: "base", Value: "4.7 kΩ", Make: true}}); list == nil || !strings.Contains(list[0].Message, "no output of that name") {
		t.Errorf("an output that is not there: %v", list)
	}
	if _, list = b.Patch([]build.Edit{{Path: in("rear"), Attr: "base", Value: "4.7 kΩ"}}); list == nil {
		t.Error("made without being told")
	}
}
