package parts

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"fettle/internal/diag"
	"fettle/internal/unit"
)

const drawerSample = `part,value,kind,package,count,price,tolerance,hfe,hfe_at,note
,4k7,,0805,25,0.02,1 %,,,
,"4,7 kΩ",resistor,0603,plenty,"0,01",5 %,,,tape
,R22,resistor,1206,3,,J,,,
bc847b,,,,12,0.03 €,,290,2 mA,bag from the fair
MMBT3906,,transistor,sot23,8,,,,,
78L05,,,SOT-89,2,,,,,
mb6s,,,,5,,,,,
,220 µF,,radial,4,,20 %,,,16 V
,100n,capacitor,0805,50,,,,,
warm white,,led,0603,10,,,,,
# a remark
,,,,,,,,,
0 Ω,,,0805,10,,,,,
glue,,other,,1,,,,,
`

func TestReadDrawer(t *testing.T) {
	for _, variant := range []struct{ name, src string }{
		{"commas", drawerSample},
		{"byte-order mark", "\uFEFF" + drawerSample},
		{"CRLF", strings.ReplaceAll(drawerSample, "\n", "\r\n")},
		{"no last line end", strings.TrimSuffix(drawerSample, "\n")},
		{"tabs", strings.ReplaceAll(drawerSample, ",", "\t")},
		{"semicolons", swapSeparators(drawerSample)},
		{"semicolons announced", "sep=;\r\n" + swapSeparators(drawerSample)},
	} {
		t.Run(variant.name, func(t *testing.T) {
			src := variant.src
			if variant.name == "tabs" { // the decimal commas went too
				src = strings.ReplaceAll(src, "\"4\t7 kΩ\"", "4,7 kΩ")
				src = strings.ReplaceAll(src, "\"0\t01\"", "0,01")
			}
			d, l := ReadDrawer("drawer.csv", []byte(src), nil)
			if len(l) > 0 {
				var b strings.Builder
				l.Print(&b, map[string][]byte{"drawer.csv": []byte(src)})
				t.Fatalf("problems:\n%s", b.String())
			}
			if len(d.Items) != 12 {
				t.Fatalf("%d items", len(d.Items))
			}
			for i, want := range []string{
				"resistor 4.7 kΩ 0805 25 0.02 1 %", "resistor 4.7 kΩ 0603 -1 0.01 5 %", "resistor 220 mΩ 1206 3 unknown 5 %",
				"transistor BC847B SOT-23 12 0.03 unknown", "transistor MMBT3906 SOT-23 8 unknown unknown", "regulator 78L05A (SOT-89) SOT-89 2 unknown unknown",
				"diode MB6S MBS (TO-269AA) 5 unknown unknown", "capacitor 220 µF radial 4 unknown 20 %", "capacitor 100 nF 0805 50 unknown unknown",
				"led class warm white 0603 0603 10 unknown unknown", "resistor 0 Ω 0805 10 unknown unknown", "other glue  1 unknown unknown",
			} {
				if got := describeItem(d.Items[i]); got != want {
					t.Errorf("item %d is %q, want %q", i, got, want)
				}
			}
			q := d.Items[3]
			if q.HFE != 290 || q.HFEat != 0.002 || q.Polarity != NPN || q.Note != "bag from the fair" {
				t.Errorf("%+v", q)
			}
			at := src[q.Range.Start.Byte:q.Range.End.Byte]
			if !strings.HasPrefix(at, "bc847b") || !strings.HasSuffix(at, "fair") {
				t.Errorf("the row of BC847B stands at %q", at)
			}
			if p, _ := d.Have("bc847b"); p.Count != 12 {
				t.Errorf("BC847B on hand: %+v", p)
			}
			if p, ok := d.Have("78L05A"); !ok || p.Count != 2 {
				t.Errorf("78L05A on hand: %+v", p)
			}
		})
	}
}

// swapSeparators writes the sample as a spreadsheet of a country with decimal commas does.
func swapSeparators(s string) string {
	var b strings.Builder
	quoted := false
	for _, r := range s {
		switch {
		case r == '"':
			quoted = !quoted
			continue
		case r == ',' && !quoted:
			r = ';'
		}
		b.WriteRune(r)
	}
	return b.String()
}

func describeItem(it Item) string {
	what := it.Part
	switch {
	case it.Kind == KindResistor:
		what = it.Ohm.String()
	case it.Kind == KindCapacitor:
		what = it.Farad.String()
	case what == "":
		what = it.Text
	}
	return fmt.Sprintf("%s %s %s %d %v %v", it.Kind, what, it.Package, it.Count, it.Price, it.Tolerance)
}

func TestDrawerStock(t *testing.T) {
	d, l := ReadDrawer("drawer.csv", []byte("value,package,count,tolerance\n10k,0805,3,1 %\n1k,0805,0,\n470,0603,2,\n10k,0805,4,5 %\n10k,0603,plenty,\n2k2,0805,1,5 %\n"), nil)
	if len(l) != 1 || l[0].Code != "quantity-wrong" { // 470 has no unit
		t.Fatalf("%v", l)
	}
	got := d.Resistors("0805")
	if len(got) != 2 || got[0].R != 2200 || got[1].R != 10000 || got[1].Count != 7 || got[1].Tolerance != 0.05 || got[1].Item != 0 {
		t.Errorf("resistors in 0805: %+v", got)
	}
	if got := d.Resistors(""); len(got) != 3 {
		t.Errorf("all resistors: %+v", got)
	}
	d, _ = ReadDrawer("", []byte("part,count\nBC847B,3\nBC857B,2\nMMBT3904,0\n"), nil)
	if got := d.Transistors(NPN); len(got) != 1 || got[0].Part != "BC847B" {
		t.Errorf("NPN on hand: %+v", got)
	}
	if got := d.Transistors(""); len(got) != 2 {
		t.Errorf("transistors on hand: %+v", got)
	}
}

// Each fixture marks every expected problem as ⟦code|the text it is about⟧; missing and extra ones fail, and
// so does a wrong place. Then the fixes are applied and the file read again: `left` codes may remain.
func TestDrawerProblems(t *testing.T) {
	for _, x := range []struct {
		name, src string
		left      string
	}{
		{"columns", "⟦column-unknown|Part-Number⟧,⟦column-unknown|qty⟧,value,⟦column-unknown|tolerence⟧,⟦column-unknown|shelf⟧\n,10,4k7,1 %,A3\n", "column-unknown"},
		{"column twice", "value,count,⟦column-twice|Count⟧\n4k7,10,20\n", "column-twice"},
		{"no header", "⟦column-unknown|4k7⟧,⟦column-unknown|100⟧\n", "column-unknown column-unknown column-missing"},
		{"units", "value,kind\n⟦quantity-wrong|4700⟧,resistor\n⟦quantity-wrong|4m7⟧,resistor\n⟦quantity-wrong|5 V⟧,resistor\n⟦quantity-wrong|100⟧,capacitor\n⟦quantity-range|-5 Ω⟧,resistor\n", "quantity-wrong quantity-wrong quantity-wrong quantity-range"},
		{"odd value", "value\n⟦value-odd|52 Ω⟧\n51 Ω\n", "value-odd"},
		{"counts", "value,count\n4k7,⟦count-wrong|12 pcs⟧\n4k7,⟦count-wrong|-3⟧\n4k7,⟦count-wrong|1.5⟧\n4k7,0\n", "count-wrong count-wrong"},
		{"prices", "value,price\n4k7,⟦price-wrong|2 cents⟧\n4k7,€ 0.02\n4k7,⟦price-wrong|-1⟧\n", "price-wrong price-wrong"},
		{"tolerances", "value,tolerance\n4k7,⟦quantity-wrong|5⟧\n4k7,⟦quantity-range|80 %⟧\n4k7,±1 %\n4k7,⟦quantity-wrong|Q⟧\n", "quantity-range quantity-wrong"},
		{"packages", "value,package\n4k7,⟦package-unknown|805⟧\n4k7,⟦package-unknown|0850⟧\n4k7,⟦package-unknown|shoebox⟧\n4k7,1/4 W\n", "package-unknown package-unknown"},
		{"parts", "part,kind,package\n⟦part-unknown|MBT3904⟧,,\n⟦part-unknown|BC847⟧,,\n⟦part-unknown|xyzzy⟧,,\nxyzzy,other,\nBC847B,⟦kind-wrong|diode⟧,\nBC847B,,⟦package-wrong|TO-92⟧\nBC847B,⟦kind-unknown|transitor⟧,\n", "part-unknown part-unknown"},
		{"gains", "part,hfe,hfe_at\nBC847B,⟦hfe-swapped|4⟧,2 mA\nBC847B,⟦hfe-unlikely|90⟧,2 mA\nBC847B,290,2 mA\nBC847B,90,10 µA\nMB6S,⟦hfe-misplaced|100⟧,\nBC847B,,⟦hfe-missing|2 mA⟧\nBC847B,⟦quantity-wrong|high⟧,\n", "hfe-swapped hfe-unlikely hfe-misplaced hfe-missing quantity-wrong"},
		{"rows", "value,count\n4k7,10⟦row-long|,0805⟧\n⟦row-empty|,3⟧\n", ""},
		{"quotes", "value,note\n4k7,\"a\"⟦quote-after|b⟧\n1k,fine\n4k7,⟦quote-open|\"red⟧\n", "quote-after"},
		{"own transistor", "part,polarity,vceo,ic_max,hfe_points,vcesat_points\nFZ1,npn,40 V,200 mA,10 mA / 1 V: 100 .. 300,\"10 mA / 1 mA: 0.2 V; 50 mA / 5 mA: 0.3 V\"\n" +
			"FZ2,⟦polarity-wrong|n⟧,40 V,200 mA,⟦points-wrong|10 mA: 100⟧,⟦points-wrong|1 mA / 10 mA: 0.2 V⟧\n⟦part-incomplete|FZ3,PNP,,,,⟧\nFZ4,PNP,⟦quantity-wrong|40⟧,0.1 A,⟦points-wrong|1 mA / 1 V: 200 .. 100⟧,\n",
			"part-incomplete points-wrong points-wrong points-wrong"},
		{"own LED", "part,colour,vf_points,if_max,kind\nkit LED,warm white,2 mA: 2.65 V; 20 mA: 3.1 V,20 mA,\nother LED,⟦colour-unknown|mauve⟧,⟦points-wrong|2.65 V⟧,,\nthird,red,⟦points-order|1 mA: 2 V; 10 mA: 1.9 V⟧,,\nfourth,red,1 mA: 1.8 V,,⟦kind-wrong|chip⟧\n", "colour-unknown points-wrong points-order"},
		{"encoding", "value\n4k7\n220 ⟦file-encoding|\xb5⟧F\n", ""},
	} {
		t.Run(x.name, func(t *testing.T) {
			src, want := unmark(x.src)
			_, l := ReadDrawer("d.csv", []byte(src), nil)
			var got []string
			for _, p := range l {
				if p.Code == "column-missing" {
					continue // has no place of its own
				}
				got = append(got, fmt.Sprintf("%d..%d %s", p.Range.Start.Byte, p.Range.End.Byte, p.Code))
				if p.Message == "" || strings.HasSuffix(p.Message, ".") {
					t.Errorf("message %q", p.Message)
				}
			}
			slices.Sort(got)
			slices.Sort(want)
			if !slices.Equal(got, want) {
				var b strings.Builder
				l.Print(&b, map[string][]byte{"d.csv": []byte(src)})
				t.Fatalf("found\n  %s\nwant\n  %s\n%s", strings.Join(got, "\n  "), strings.Join(want, "\n  "), b.String())
			}
			fixed := l.Apply("d.csv", []byte(src))
			_, after := ReadDrawer("d.csv", fixed, nil)
			var left []string
			for _, p := range after {
				left = append(left, p.Code)
			}
			wantLeft := strings.Fields(x.left)
			if x.name == "rows" {
				wantLeft = []string{"row-long", "row-empty"} // nothing to guess
			}
			slices.Sort(left)
			slices.Sort(wantLeft)
			if !slices.Equal(left, wantLeft) {
				t.Errorf("after mending %q remain, want %q; the file is\n%s", left, wantLeft, fixed)
			}
		})
	}
}

func unmark(s string) (src string, want []string) {
	var b strings.Builder
	for {
		before, rest, ok := strings.Cut(s, "⟦")
		b.WriteString(before)
		if !ok {
			return b.String(), want
		}
		mark, after, _ := strings.Cut(rest, "⟧")
		code, text, _ := strings.Cut(mark, "|")
		start := b.Len()
		b.WriteString(text)
		if code == "row-long" {
			start++ // the separator before the cell is not part of it
		}
		want = append(want, fmt.Sprintf("%d..%d %s", start, b.Len(), code))
		s = after
	}
}

func TestDrawerDidYouMean(t *testing.T) {
	_, l := ReadDrawer("drawer.csv", []byte("part,package\nMBT3904,\n"), nil)
	if len(l) != 1 || l[0].Severity != diag.Warning || !strings.Contains(l[0].Message, "did you mean MMBT3904?") || l[0].Fix == nil || l[0].Fix.Text != "MMBT3904" {
		t.Errorf("%+v", l)
	}
	_, l = ReadDrawer("drawer.csv", []byte("value;note\n\"4,7\";x\n"), nil)
	if len(l) != 1 || l[0].Range.Start.Line != 2 || l[0].Range.Start.Column != 2 {
		t.Errorf("%+v", l)
	}
	for _, src := range []string{"\xff\xfep\x00a\x00", "a\x00b"} {
		if _, l := ReadDrawer("drawer.csv", []byte(src), nil); len(l) != 1 || l[0].Code != "file-encoding" || l[0].Fix != nil {
			t.Errorf("%q: %v", src, l)
		}
	}
	for _, src := range []string{"", "\n\n", "# only a remark\n", "\uFEFF"} {
		if _, l := ReadDrawer("drawer.csv", []byte(src), nil); len(l) != 1 || l[0].Code != "file-empty" {
			t.Errorf("%q: %v", src, l)
		}
	}
}

func TestOwnParts(t *testing.T) {
	src := "part,package,polarity,vceo,ic_max,ptot,pins,hfe_points,vcesat_points,colour,vf_points,if_max\n" +
		"FZ1,SOT-23,NPN,40 V,200 mA,225 mW,BEC,10 mA / 1 V: 100 .. 300; 50 mA / 1 V: 60,10 mA / 1 mA: 0.2 V,,,\n" +
		"kit LED,0603,,,,,,,,warm white,2 mA: 2.66 V; 5 mA: 2.78 V; 20 mA: 3.1 V,20 mA\n" +
		"BC847B,,NPN,45 V,100 mA,,,2 mA / 5 V: 250 .. 300,,,,\n"
	d, l := ReadDrawer("drawer.csv", []byte(src), nil)
	if len(l) > 0 {
		t.Fatal(l)
	}
	c := Load().With(d)
	b, ok := c.BJT("fz1")
	if !ok || b.VCEO != 40 || b.IC != 0.2 || b.Ptot != 0.225 || b.Gain[0].Max != 300 || !math.IsNaN(b.Gain[1].Max) || b.Gain[1].Min != 60 ||
		b.VCEsat[0].Max != 0.2 || strings.Join(b.Pins, "") != "BEC" || unit.Known(b.VCBO) || !strings.Contains(b.Source, "row 2") {
		t.Errorf("FZ1: %+v", b)
	}
	if _, ok := Load().BJT("FZ1"); ok {
		t.Error("the embedded catalogue knows FZ1")
	}
	if b, _ := c.BJT("BC847B"); b.Gain[0].Min != 250 {
		t.Errorf("the user's own BC847B does not stand first: %+v", b.Gain)
	}
	led, ok := c.LED("kit led")
	class, _ := c.LED("warm white")
	if !ok || led.VFtyp != 3.1 || led.IFtest != 0.02 || led.ModelN != class.ModelN || led.DVFdT != class.DVFdT {
		t.Errorf("kit LED: %+v", led)
	}
	// The same three points as the class row, whose fit was made elsewhere: RS 16.4 Ω, error 8.4 mV (led.csv).
	if math.Abs(float64(led.ModelRS)-16.4) > 0.1 || math.Abs(float64(led.ModelError)-0.0084) > 0.0001 {
		t.Errorf("fit: RS %v, error %v", led.ModelRS, led.ModelError)
	}
	if n := len(c.All()) - len(Load().All()); n != 3 {
		t.Errorf("%d parts more", n)
	}
	if c.With(nil) != c || c.With(&Drawer{}) != c {
		t.Error("an empty drawer changes the catalogue")
	}
}

func FuzzDrawer(f *testing.F) {
	seeds := []string{
		drawerSample, swapSeparators(drawerSample), "sep=,\nvalue\n4k7\n", "part,value\n\"x\n", "value,count\n4k7,\"1\"\"2\"\n", "\uFEFFvalue\r\n4k7\r\n",
		"part,polarity,vceo,ic_max,hfe_points\nA,NPN,1 V,1 A,\"1 mA / 1 V: 1..2\"\n", "part,vf_points,kind\nB,1 mA: 2 V;2 mA:3 V,diode\n", "value\n52\n\xb5\n",
		"value,package,tolerance,price,hfe,hfe_at\n1,603,5,x,0,1\n", "a,b\rc,d\r",
		measuredSample, "marking,kind,polarity,be_test\n2F,,NPN,680\n,mosfet,N,\n", "kind,vf_measured,vz_measured\ndiode,0.6 V,1 mA: 5 V; : ;2\n",
	}
	if len(seeds) < 10 {
		f.Fatal("no cases to start from")
	}
	for _, s := range seeds {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, src []byte) { checkDrawer(t, src) })
}

// Sheets put together from plausible and broken cells go deeper than bytes at random.
func TestDrawerOfRandomSheets(t *testing.T) {
	cells := []string{
		"", "4k7", "4700", "4m7", "52 Ω", "0 Ω", "-1 Ω", "100n", "220 µF", "104", "BC847B", "bc847", "MBT3904", "78L05", "mb6s", "NEM 651", "warm white", "red", "glue",
		"resistor", "capacitor", "transistor", "transitor", "led", "diode", "other", "chip", "0805", "805", "SOT-23", "sot23", "TO-92", "1/4 W", "shoebox",
		"12", "12 pcs", "plenty", "-3", "1.5", "€ 0.02", "2 ct", "5 %", "5", "J", "Q", "80 %", "290", "4", "2 mA", "0 A", "NPN", "n", "PNP", "40 V", "40", "BEC", "BBB",
		"10 mA / 1 V: 100 .. 300", "10 mA: 100", "10 mA / 1 mA: 0.2 V", "1 mA / 10 mA: 0.2 V", "0.68 V", "0.68", "680", "1 mA: 0.7 V; 5 mA: 0.8 V", "2F", "1F", "1AM", "mosfet", "N", "2 mA: 2.65 V; 20 mA: 3.1 V", "2 mA: 3 V; 20 mA: 2 V", "2.65 V",
		"\"", "\"\"", "a \"quoted\" b", "a,b;c\td", "line\nbreak", "#", " 4k7 ", "\u00a01k", "µ", "\xb5",
	}
	rapid.Check(t, func(t *rapid.T) {
		sep := rapid.SampledFrom([]string{",", ";", "\t"}).Draw(t, "sep")
		end := rapid.SampledFrom([]string{"\n", "\r\n"}).Draw(t, "end")
		quote := func(s string) string {
			if strings.ContainsAny(s, sep+"\"\r\n") && rapid.IntRange(0, 9).Draw(t, "quoted") > 0 {
				return `"` + strings.ReplaceAll(s, `"`, `""`) + `"`
			}
			return s
		}
		var columns []string
		for _, c := range drawerColumns {
			if rapid.Bool().Draw(t, c.name) {
				columns = append(columns, rapid.SampledFrom(append([]string{c.name, strings.ToUpper(c.name)}, c.other...)).Draw(t, "column"))
			}
		}
		lines := []string{strings.Join(columns, sep)}
		for range rapid.IntRange(0, 5).Draw(t, "rows") {
			var row []string
			for range len(columns) + rapid.SampledFrom([]int{-1, 0, 0, 0, 1}).Draw(t, "extra") {
				row = append(row, quote(rapid.SampledFrom(cells).Draw(t, "cell")))
			}
			lines = append(lines, strings.Join(row, sep))
		}
		checkDrawer(t, []byte(strings.Join(lines, end)))
	})
}

// checkDrawer reads a drawer and holds what must hold for any input.
func checkDrawer(t interface {
	Errorf(string, ...any)
	Error(...any)
}, src []byte) {
	d, l := ReadDrawer("drawer.csv", src, nil)
	inside := func(r diag.Range) {
		if r.Start.Byte < 0 || r.End.Byte < r.Start.Byte || r.End.Byte > len(src) || r.Start.Line < 1 || r.Start.Column < 1 {
			t.Errorf("range %+v lies outside the input (%d bytes)", r, len(src))
		}
	}
	for _, p := range l {
		inside(p.Range)
		if p.Fix != nil {
			inside(p.Fix.Range)
		}
	}
	for _, it := range d.Items {
		inside(it.Range)
		if it.Kind == KindResistor && math.IsInf(float64(it.Ohm), 0) || it.Count < -1 || it.HFE <= 0 {
			t.Errorf("%+v", it)
		}
	}
	for _, p := range d.LEDs {
		if math.IsNaN(float64(p.ModelRS)) || p.ModelRS < 0 || math.IsNaN(float64(p.ModelIS)) {
			t.Errorf("%+v", p)
		}
	}
	// Every fix mends its problem: alone, it leaves fewer of its code.
	for _, p := range l {
		if p.Fix == nil {
			continue
		}
		_, after := ReadDrawer("drawer.csv", diag.List{p}.Apply("drawer.csv", src), nil)
		if n, m := countCode(l, p.Code), countCode(after, p.Code); m >= n {
			t.Errorf("%s: fix %q leaves %d of %d", p.Message, p.Fix.Text, m, n)
		}
	}
	var b strings.Builder
	if err := l.Print(&b, map[string][]byte{"drawer.csv": src}); err != nil {
		t.Error(err)
	}
}

func countCode(l diag.List, code string) int {
	n := 0
	for _, p := range l {
		if p.Code == code {
			n++
		}
	}
	return n
}

func BenchmarkReadDrawerOf300Bags(b *testing.B) {
	var src strings.Builder
	src.WriteString("value,package,count,tolerance\n")
	for i := range 300 {
		fmt.Fprintf(&src, "%d Ω,0805,%d,1 %%\n", 100+10*i, i)
	}
	ReadDrawer("drawer.csv", []byte(src.String()), nil)
	b.ReportAllocs()
	for b.Loop() {
		ReadDrawer("drawer.csv", []byte(src.String()), nil)
	}
}
