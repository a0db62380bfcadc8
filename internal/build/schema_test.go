package build

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"

	"fettle/internal/parts"
	"fettle/internal/unit"
)

var update = flag.Bool("update", false, "write generated files")

func TestPageIsCurrent(t *testing.T) {
	const file = "../../docs/build-file.md"
	want := Page()
	if *update {
		if err := os.MkdirAll("../../docs", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != want {
		t.Error("docs/build-file.md is not what the schema says: run go generate ./internal/build")
	}
}

// eachAttr visits every attribute of the schema.
func eachAttr(b *Block, path string, f func(path string, b *Block, a *Attr)) {
	for i := range b.Attrs {
		f(path+b.Name, b, &b.Attrs[i])
	}
	for _, c := range b.Blocks {
		eachAttr(c, path+b.Name+"/", f)
	}
}

func TestSchemaIsWhole(t *testing.T) {
	n := 0
	eachAttr(&schema, "", func(path string, b *Block, a *Attr) {
		n++
		at := path + "." + a.Name
		if a.Doc == "" || a.Example == "" {
			t.Errorf("%s: without doc or example", at)
		}
		if a.Kind == KindWord && len(a.Words) == 0 {
			t.Errorf("%s: no words", at)
		}
		if a.Default != "" && a.Dim != nil && !has(a.Words, a.Default) {
			x, err := unit.Parse(a.Default, *a.Dim)
			if err != nil || a.Min != nil && x < a.Min.Value || a.Max != nil && x > a.Max.Value {
				t.Errorf("%s: default %q is not allowed: %v", at, a.Default, err)
			}
		}
		if a.Kind == KindWord && a.Default != "" && !has(a.Words, a.Default) {
			t.Errorf("%s: default %q is none of its words", at, a.Default)
		}
		for _, w := range a.Later {
			if !has(a.Words, w) {
				t.Errorf("%s: %q is not built yet and not a word either", at, w)
			}
		}
		for _, l := range []*Limit{a.Min, a.Max} {
			if l != nil && l.Say == "" {
				t.Errorf("%s: a limit that says nothing", at)
			}
		}
		if b.block(a.Name) != nil {
			t.Errorf("%s: also a block", at)
		}
	})
	if n < 100 {
		t.Errorf("%d attributes", n)
	}
}

// everything writes a file in which every block of the schema stands once with every attribute's example.
func everything() string {
	var b strings.Builder
	var write func(n *Block, indent string)
	write = func(n *Block, indent string) {
		for _, a := range n.Attrs {
			fmt.Fprintf(&b, "%s%s = %s\n", indent, a.Name, a.Example)
		}
		for _, c := range n.Blocks {
			label := ""
			switch {
			case c.Name == "function":
				label = ` "F0"`
			case c.Name == "vehicle":
				label = ` "harbour railcar"`
			case c.Name == "supply" && n == &schema:
				label = ` "bench"`
			case c.Name == "decoder":
				label = ` "a"`
			case c.Name == "meter":
				label = ` "yellow"`
			case c.Label != "":
				label = ` "front"`
			}
			fmt.Fprintf(&b, "%s%s%s {\n", indent, c.Name, label)
			write(c, indent+"  ")
			fmt.Fprintf(&b, "%s}\n", indent)
		}
	}
	write(&schema, "")
	s := b.String()
	// What the examples refer to.
	s = strings.Replace(s, "meter \"yellow\" {\n", "meter \"grey\" {\n}\nmeter \"yellow\" {\n", 1)
	s = strings.Replace(s, `  output "front" {`, "  output \"cab\" {\n    lamp = \"front\"\n    from = \"PB1\"\n  }\n  output \"front\" {", 1)
	s = strings.Replace(s, `supply = "smooth dc"`, `supply = "pwm"`, 1)
	// A single diode alone leads from one rail.
	s = strings.Replace(s, "rectifier = \"MB6S\"\n    diodes = 4\n", "rectifier = \"1N4148W\"\n    diodes = 1\n", 1)
	// The attributes of a high-side switch stand on one.
	s = strings.Replace(s, `drive = "low side"`, `drive = "high side"`, 1)
	s = strings.Replace(s, `switch = "MMBT3904"`, `switch = "MMBT3906"`, 1)
	// Those of a pair stand on another one.
	pair := "    driver = \"MMBT3904\"\n    between = \"100 kΩ\"\n"
	s = strings.Replace(s, pair, "", 1)
	s = strings.Replace(s, "    from = \"PB1\"\n", "    from = \"PB1\"\n"+pair, 1)
	// What was fitted stands beside all that.
	design, real, _ := strings.Cut(s, "  fitted {\n")
	real = strings.Replace(real, `regulator = "78L05A (TO-92)"`, `regulator = "BZX84-C5V1"`, 1)
	real = strings.Replace(real, `rectifier = "MB6S"`, `rectifier = "1N4148W"`, 1)
	real = strings.Replace(real, `switch = "MMBT3904"`, `switch = "MMBT3906"`, 1)
	pair = "      driver = \"MMBT3904\"\n      between = \"100 kΩ\"\n      driver_hfe = 180\n"
	for _, line := range strings.SplitAfter(pair, "\n") {
		real = strings.Replace(real, line, "", 1)
	}
	real = strings.Replace(real, "    output \"front\" {", "    output \"cab\" {\n"+pair+"    }\n    output \"front\" {", 1)
	return design + "  fitted {\n" + real
}

func TestEveryExampleLoads(t *testing.T) {
	src := everything()
	_, list := Load("all.fettle", []byte(src), Beside{})
	var out strings.Builder
	_ = list.Print(&out, map[string][]byte{"all.fettle": []byte(src)})
	// Of a meter range, burden and input exclude each other: the examples hold both.
	for _, p := range list {
		if !strings.Contains(p.Message, "only a voltage range has one") {
			t.Fatalf("%s", out.String())
		}
	}
	src = strings.Replace(src, "input = \"1 MΩ\"\n", "\n", 1)
	b, list := Load("all.fettle", []byte(src), Beside{})
	if b == nil {
		t.Fatal(list)
	}
	if b.Train == nil || b.Board == nil || b.Cost == nil || b.Decoders[0].Acknowledge == nil || b.Vehicles[0].Motor == nil {
		t.Error("a block is lost")
	}
	if b.Decoders[0].Chip.Frequency != 8e6 || b.Board.Pitch.Value != 2540 || b.Functions[0].Fade.Value != 300*unit.Millisecond {
		t.Errorf("units: clock %v, pitch %v, fade %v", b.Decoders[0].Chip.Frequency, b.Board.Pitch.Value, b.Functions[0].Fade.Value)
	}
	if len(b.Unbuilt) < 10 {
		t.Errorf("only %d things are not built yet", len(b.Unbuilt))
	}
}

// Every attribute of the schema is put into the build: none is read and forgotten.
func TestNoAttributeIsForgotten(t *testing.T) {
	r := &reader{src: newSource("all.fettle", []byte(everything()))}
	body := r.parse()
	if body == nil {
		t.Fatal(r.reports)
	}
	root := r.read(&schema, body)
	b := &Build{Catalogue: parts.Load()}
	b.assemble(root)
	var walk func(n *node)
	walk = func(n *node) {
		for _, v := range n.order {
			if !n.asked[v.attr.Name] {
				t.Errorf("%s.%s is read and forgotten", n.schema.Name, v.attr.Name)
			}
		}
		for _, c := range n.nodes {
			walk(c)
		}
	}
	walk(root)
}

func TestAssumed(t *testing.T) {
	src := "format = 1\nvehicle \"x\" {\n}\ndecoder \"a\" {\n}\ntrack {\n  low = \"16 V\"\n}\n"
	b, list := Load("x.fettle", []byte(src), Beside{})
	if b == nil {
		t.Fatal(list)
	}
	tr := b.Track
	if !tr.Usual.Assumed || tr.Usual.Value != 16 || tr.High.Value != 18 || tr.High.IsSet() {
		t.Errorf("usual %+v, high %+v: what is assumed must keep low ≤ usual ≤ high", tr.Usual, tr.High)
	}
	d := b.Decoders[0]
	if d.Chip.Clock.Text != "8 MHz internal" || d.Chip.Frequency != 8e6 || !d.Chip.Clock.Assumed {
		t.Errorf("clock %+v %v", d.Chip.Clock, d.Chip.Frequency)
	}
	if d.Supply.Reservoir.Known() || !d.Supply.Reservoir.Open() || unit.Known(d.Supply.Reservoir.Value) {
		t.Errorf("reservoir %+v", d.Supply.Reservoir)
	}
	var none Quantity[unit.Volt]
	if none.Known() || none.IsSet() || Given(unit.Volt(6)).Text != "6 V" || !Given(unit.Volt(6)).Known() {
		t.Error("the zero quantity is not set; a given one is")
	}
}
