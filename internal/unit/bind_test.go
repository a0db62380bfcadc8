package unit

import (
	"strings"
	"testing"
)

func TestBind(t *testing.T) {
	for _, c := range []struct{ in, want string }{ // "~" stands for the thin space
		{"track 14.0 V, LED +0.12 V, series +1 %, −10 °C", "track 14.0~V, LED +0.12~V, series +1~%, −10~°C"},
		{"4.7 kΩ", "4.7~kΩ"},
		{"2 Vehicles, 3 Amps, 4 mm", "2 Vehicles, 3 Amps, 4~mm"},
		{"95 %: 86 % of 10 mA", "95~%: 86~% of 10~mA"},
		{"no number V", "no number V"},
		{"3 F0 on, 47 F13-F20 off", "3 F0 on, 47 F13-F20 off"},
		{"260 K/W", "260~K/W"},
		{"", ""},
	} {
		if got := strings.ReplaceAll(Bind(c.in), ThinSpace, "~"); got != c.want {
			t.Errorf("Bind(%q) = %q, want %q", c.in, got, c.want)
		}
	}
}
