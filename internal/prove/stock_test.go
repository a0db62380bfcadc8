package prove_test

import (
	"math"
	"strings"
	"testing"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/parts"
	"fettle/internal/prove"
)

// stocked is a build of one output with all its values given, and a drawer.
func stocked(t *testing.T, name, cost, drawer string) prove.Wanting {
	t.Helper()
	d, list := parts.ReadDrawer("drawer.csv", []byte(drawer), nil)
	if list.HasErrors() {
		t.Fatal(list)
	}
	b, list := build.Load(name, []byte(`format = 1
vehicle "x" {
  lamp "front" {}
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
    into   = "PB2"
    series = "22 kΩ"
  }
  output "front" {
    lamp     = "front"
    from     = "PB0"
    switch   = "MMBT3904"
    series   = "1 kΩ"
    base     = "22 kΩ"
    pulldown = "100 kΩ"
  }
}
`+cost), build.Beside{Drawer: d})
	if b == nil {
		t.Fatal(list)
	}
	return prove.Wanting{Name: name, Build: b}
}

const bags = "part,value,kind,package,count,price\n,1 kΩ,resistor,0805,1,0.01\n,22 kΩ,resistor,0805,3,0.02\n,100 kΩ,resistor,0805,,0.01\nMMBT3904,,,,2,0.03\nMB6S,,,,9,0.07\n78L05A (TO-92),,,,0,0.15\n"

// What the parts come to, counted by hand: 1 kΩ and 100 kΩ at 0.01, two of 22 kΩ at 0.02, 0.03, 0.07 and 0.15, and a chip whose
// price is not known: 0.31 and more for 8 pieces.
func TestCost(t *testing.T) {
	said := func(list []finding.Value) string {
		var s []string
		for _, v := range list {
			s = append(s, v.ID+" "+v.Name+": "+v.Text+" ("+v.Reason+")")
		}
		return strings.Join(s, "\n")
	}
	const parts = "by the prices of the drawer; without perfboard, wire, solder and postage)"
	for _, c := range []struct{ cost, drawer, want string }{
		{"", bags, "cost.parts parts of the build: more than 0.31 EUR (8 pieces, 1 of them without a price, " + parts},
		{"cost {\n  currency = \"CHF\"\n  ready_made = 20\n}\n", bags + "ATtiny85,,,,1,1.60\n", "cost.parts parts of the build: 1.91 CHF (8 pieces, " + parts +
			"\ncost.ready-made ready made: 20.00 CHF (as the file says: 1 at 20.00 CHF)\ncost.apart less than ready made: 18.09 CHF (your own hours not counted)"},
		{"cost {\n  ready_made = 1.5\n}\n", bags + "ATtiny85,,,,1,1.60\n", "cost.parts parts of the build: 1.91 EUR (8 pieces, " + parts +
			"\ncost.ready-made ready made: 1.50 EUR (as the file says: 1 at 1.50 EUR)\ncost.apart more than ready made: 0.41 EUR (your own hours not counted)"},
		{"cost {\n  ready_made = 20\n}\n", bags, "cost.parts parts of the build: more than 0.31 EUR (8 pieces, 1 of them without a price, " + parts +
			"\ncost.ready-made ready made: 20.00 EUR (as the file says: 1 at 20.00 EUR)\ncost.apart less than ready made: at most 19.69 EUR (your own hours not counted)"},
	} {
		for _, v := range prove.Cost(stocked(t, "one", c.cost, c.drawer).Build) {
			if w := v.Working; w != nil && (!math.IsNaN(w.Hand) || !math.IsNaN(w.Solver)) {
				t.Errorf("%s: %g by hand, %g by the solver, of what neither worked out", v.ID, w.Hand, w.Solver)
			}
		}
		if got := said(prove.Cost(stocked(t, "one", c.cost, c.drawer).Build)); got != c.want {
			t.Errorf("%s\nwanted\n%s", got, c.want)
		}
	}
}

// Two builds want two of each (four of 22 kΩ) of one drawer: what is short comes first, plenty is never short, what is fitted is
// wanted by none.
func TestStock(t *testing.T) {
	rows := func(t finding.Table) string {
		var s []string
		for _, r := range t.Rows {
			var cells []string
			for _, c := range r {
				cells = append(cells, c.Text)
			}
			s = append(s, strings.Join(cells, " | "))
		}
		return strings.Join(s, "\n")
	}
	got := rows(prove.Stock([]prove.Wanting{stocked(t, "one", "", bags), stocked(t, "two", "", bags)}))
	const want = `78L05A (TO-92) | one 1, two 1 | 2 | 0 | 2 | 0.30
ATtiny85 | one 1, two 1 | 2 | 0 | 2 | ?
22 kΩ 0805 | one 2, two 2 | 4 | 3 | 1 | 0.02
1 kΩ 0805 | one 1, two 1 | 2 | 1 | 1 | 0.01
MB6S | one 1, two 1 | 2 | 9 | — | —
MMBT3904 | one 1, two 1 | 2 | 2 | — | —
100 kΩ 0805 | one 1, two 1 | 2 | plenty | — | —
to buy, together |  |  |  |  | more than 0.33`
	if got != want {
		t.Errorf("%s", got)
	}
	one := stocked(t, "one", "", bags)
	for i := range one.Build.Decoders[0].Outputs {
		one.Build.Decoders[0].Outputs[i].Series.Real = &build.Real{}
	}
	if got := rows(prove.Stock([]prove.Wanting{one})); strings.Contains(got, "1 kΩ 0805 |") || !strings.Contains(got, "22 kΩ 0805 | one 2 | 2 | 3 | — | —") {
		t.Error(got)
	}
	if got := prove.Stock(nil); len(got.Rows) != 0 {
		t.Error(got)
	}
}
