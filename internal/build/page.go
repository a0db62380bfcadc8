package build

import (
	"fmt"
	"strconv"
	"strings"

	"fettle/internal/unit"
)

//go:generate go test -run TestPageIsCurrent -update .

// Page is the description of the build file as Markdown: docs/build-file.md is made from it.
func Page() string {
	var b strings.Builder
	b.WriteString(`# The build file

<!-- Generated from internal/build/schema.go by go generate; do not edit. -->

`)
	b.WriteString(schema.Doc + "\n\n")
	b.WriteString(`A build is a folder:

| file | what is in it |
| --- | --- |
| ` + "`NAME.fettle`" + ` | this file, in HCL native syntax: blocks in braces, ` + "`name = value`" + `, comments behind ` + "`#`" + ` |
| ` + "`readings.csv`" + ` | readings, one a line; lines are only ever added |
| ` + "`drawer.csv`" + ` | the parts on hand; it may lie one folder up and serve all builds |

How values are written:

- A **quantity** is a text with a number and a unit: ` + "`\"4.7 kΩ\"`, `\"4k7\"`, `\"4,7 kohm\"`, `\"0.3 mA\"`, `\"330uF\"`, `\"-10 °C\"`, `\"5 %\"`" + `. A comma is a
  decimal sign; no-break spaces, µ, μ and u are understood.
- A **count** or **number** stands bare: ` + "`5`" + `. **true** and **false** stand bare.
- A **word** is one of those listed, in quotes. A **part** is a name of the catalogue or of the drawer.
- Where *or choose* stands, ` + "`\"choose\"`" + `, or leaving the line out, leaves the value to fettle.
- A limit given here marks a slip of the pen, and its source; whether a value is good is for the proof to say.
- *Not built yet* marks what is read and checked, but answered by no question so far: it is reported as unknown.

`)
	page(&b, &schema, "")
	b.WriteString("## readings.csv\n\n")
	b.WriteString("The first line names the columns, in any order; any may be left out:\n\n    " + strings.Join(Columns(), ",") + "\n\n")
	b.WriteString(`Cells hold what the attribute of the same name of a reading block would hold, with the unit and without quotes (` + "`3.10 mA`" + `);
the separator is a comma, a semicolon or a tab, as in the first line. ` + "`vehicle`" + ` may be left out where there is one. Empty lines and
lines that begin with ` + "`#`" + ` are skipped; a further line of column names may stand anywhere and holds from there on. A damaged line
is named and left out; the others stay.

    date,lamp,supply,track,current,meter,looked
    2026-02-28,front,smooth dc,6.0 V,3.10 mA,yellow,good
`)
	return b.String()
}

func page(b *strings.Builder, n *Block, path string) {
	if n.Name != "" {
		level := "##"
		if strings.Contains(path, " / ") {
			level = "###"
		}
		fmt.Fprintf(b, "%s %s\n\n%s", level, path, n.Doc)
		var facts []string
		switch n.Label {
		case "":
		case "its name":
			facts = append(facts, "has a name of your own")
		default:
			facts = append(facts, "its name is "+n.Label)
		}
		if n.Many {
			facts = append(facts, "may stand several times")
		}
		if n.Required {
			facts = append(facts, "at least one is wanted")
		}
		if n.By != "" {
			facts = append(facts, by(n.By))
		}
		if len(facts) > 0 {
			b.WriteString(" *" + upperFirst(strings.Join(facts, "; ")) + ".*")
		}
		b.WriteString("\n\n")
	}
	if len(n.Attrs) > 0 {
		b.WriteString("| attribute | value | if left out | limits | example |\n| --- | --- | --- | --- | --- |\n")
		for i := range n.Attrs {
			a := &n.Attrs[i]
			fmt.Fprintf(b, "| `%s`: %s | %s | %s | %s | `%s = %s` |\n", a.Name, inCell(a.docs()), inCell(a.takes()), inCell(a.absent()), inCell(a.limitsText()), a.Name, strings.ReplaceAll(a.Example, "|", `\|`))
		}
		b.WriteString("\n")
	}
	for _, c := range n.Blocks {
		title := c.Name
		if c.Label != "" {
			title += ` "…"`
		}
		p := title
		if path != "" {
			p = path + " / " + title
		}
		page(b, c, p)
	}
}

func by(s string) string {
	if s == NotYet {
		return s
	}
	return "answered by " + s
}

func (a *Attr) docs() string {
	s := a.Doc
	if a.By != "" {
		s += " (*" + by(a.By) + "*)"
	}
	return s
}

func (a *Attr) takes() string {
	var s string
	switch a.Kind {
	case KindQuantity:
		s = "quantity in the unit of what it measures"
		if a.Dim != nil {
			s = a.Dim.Name + ", " + a.Dim.Symbol
			if a.Dim.Symbol == unit.SymRatio {
				s = "share, %"
			}
		}
	case KindCount:
		s = "count"
	case KindNumber:
		s = "number"
	case KindWord:
		s = "one of"
	case KindName:
		s = "text"
	case KindNames:
		s = "text, or a list of texts on one line"
	case KindPart:
		s = "part"
	case KindFlag:
		s = "true or false"
	case KindClock:
		s = "frequency and source"
	}
	if a.Wants != "" {
		s += ": " + a.Wants
	}
	if len(a.Words) > 0 && !(a.Kind == KindPart) {
		var words []string
		for _, w := range a.Words {
			q := "`\"" + w + "\"`"
			if a.Kind == KindCount {
				q = "`" + w + "`"
			}
			if has(a.Later, w) {
				q += " (not built yet)"
			}
			words = append(words, q)
		}
		if a.Kind != KindWord {
			s += ", or"
		}
		s += " " + strings.Join(words, ", ")
	}
	if a.Choose {
		s += ", *or choose*"
	}
	return s
}

func (a *Attr) absent() string {
	switch {
	case a.Required:
		return "**must stand**"
	case a.Default != "":
		s := "`" + a.Default + "`"
		if a.Source != "" {
			s += " (" + a.Source + ")"
		}
		return s
	case a.Choose:
		return "chosen"
	}
	return "left open"
}

func (a *Attr) limitsText() string {
	var parts []string
	one := func(l *Limit, word string) {
		if l == nil {
			return
		}
		v := strconv.FormatFloat(l.Value, 'g', -1, 64)
		if a.Dim != nil {
			v = spoken(l.Value, a.Dim)
		}
		s := word + " " + v
		if l.Open {
			s = "above " + v
		}
		if l.Source != "" {
			s += " (" + l.Source + ")"
		}
		parts = append(parts, s)
	}
	one(a.Min, "from")
	one(a.Max, "to")
	return strings.Join(parts, ", ")
}

// spoken prints a limit as a person writes it.
func spoken(x float64, d *unit.Dimension) string {
	switch d.Symbol {
	case unit.SymVolt:
		return unit.Volt(x).String()
	case unit.SymAmp:
		return unit.Amp(x).String()
	case unit.SymOhm:
		return unit.Ohm(x).String()
	case unit.SymFarad:
		return unit.Farad(x).String()
	case unit.SymHertz:
		return unit.Hertz(x).String()
	case unit.SymCelsius:
		return unit.Celsius(x).String()
	case unit.SymRatio:
		return unit.Ratio(x).String()
	case unit.SymSecond:
		return unit.Seconds(x).String()
	case unit.SymMetre:
		return unit.Length(x * 1e6).String()
	}
	return strconv.FormatFloat(x, 'g', -1, 64)
}

func inCell(s string) string { return strings.ReplaceAll(s, "|", `\|`) }

func upperFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
