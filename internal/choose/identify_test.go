package choose_test

import (
	"strings"
	"testing"

	"fettle/internal/choose"
)

// What each kind is good for at the bench; figures from the tables of the catalogue (their sheets are named there), the
// ceiling of 24 V for N from NMRA S-9.1 (2020), table 3.
func TestWhatPartsAreGoodFor(t *testing.T) {
	b, _ := demo(t)
	for _, x := range []struct{ query, id, says string }{
		{"AO3400A", "low.5V", "yes: RDS(on) at most 32 mΩ guaranteed at VGS 4.5 V"},
		{"AO3400A", "low.33V", "yes: RDS(on) at most 48 mΩ guaranteed at VGS 2.5 V"},
		// "2N7002 and BSS84 are specified at 5 V and therefore strictly not guaranteed from a 4.75 V supply" (notes.md §4).
		{"2N7002", "low.5V", "no: RDS(on) is guaranteed from VGS 5 V on, and the pin gives 4.75 V"},
		{"2N7002", "low.33V", "no: "},
		{"SI2302", "low.5V", "no: VDS 20 V against 23.4 V"},
		{"BSS84", "high.5V", "yes: VDS 50 V over 23.4 V at the ceiling; with a level shift only"},
		{"AO3401A", "high.5V", "gate clamped to the source (VGS 12 V against 23.4 V)"},
		{"DTC143Z", "low.5V", "yes: "},
		{"DTC114E", "low.5V", "yes: on is guaranteed from VI(on) 3 V"},
		{"DTC114E", "low.33V", "no: "},
		{"MMUN2212", "low.5V", "no: R1 22 kΩ and R2 22 kΩ leave the base"},
		{"BZX84-C5V1", "shunt.5V", "yes: VZ 4.8 V to 5.4 V"},
		{"BZX84-C5V1", "shunt.33V", "no: VZ 4.8 V to 5.4 V"},
		{"BZX84-C10", "clamp", "yes: "},
		{"MB6S", "rectifier", "yes: VRRM 600 V"},
		{"BAT54", "rectifier", "leaks more"},
		// PIV of a half-wave rectifier with a capacitor is twice the peak (textbooks, from memory): 48 V in N.
		{"1N4148W", "single", "yes: VRRM 100 V against twice the ceiling, 48 V"},
		{"BAT54", "single", "no: VRRM 30 V against twice the ceiling, 48 V"},
		{"1N5819HW", "single", "no: VRRM 40 V"},
		{"MBR0520", "rectifier", "no: VRRM 20 V"},
		{"S1M", "fast", "no: a slow type"},
		{"78L05", "supply", "yes: stands 30 V over 22.8 V at the ceiling, but is specified up to 20 V only"},
		{"MCP1702-5.0", "supply", "no: stands 14.5 V against 22.8 V"},
		{"BC857B", "high", "yes: VCEO 45 V"},
		{"BC857B", "serves", "no: PNP"},
		{"BC848B", "high", ""},
	} {
		got, found := "", false
		for _, j := range choose.Identify(x.query, b).Verdicts {
			if !found && strings.HasSuffix(j.ID, "."+x.id) {
				got, found = j.Why, true
			}
		}
		if x.says == "" && found || x.says != "" && !strings.Contains(got, x.says) {
			t.Errorf("%s %s: %q, want %q", x.query, x.id, got, x.says)
		}
	}
	// A package narrows a marking down: W9 is a BZX84-C4V3 in SOT-23 and a BZT52C5V6 in SOD-123 (notes.md §3.2).
	all, one := choose.IdentifyIn("W9", "", b), choose.IdentifyIn("W9", "SOT-23", b)
	if len(all.Verdicts) == 0 || len(one.Verdicts) == 0 || one.Verdicts[0].Subject != "BZX84-C4V3" {
		t.Errorf("W9: %d and %+v", len(all.Verdicts), one.Verdicts)
	}
}
