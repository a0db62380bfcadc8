package parts

import (
	"fmt"
	"math"
	"strings"

	"fettle/internal/finding"
	"fettle/internal/unit"
)

// Answer says all that is known behind a query: a part's name, a marking on its body, a code or colours on a
// resistor or capacitor, or a resistance. The package narrows a marking down; it and the drawer may be left
// out. It reports false, with suggestions, if nothing is known by that name.
func Answer(query, pkg string, c *Catalogue, d *Drawer) (finding.Findings, bool) {
	a := answer{f: finding.Findings{Question: "part"}, c: c, d: d}
	query = strings.TrimSpace(query)
	found := false
	if p, ok := c.Find(query); ok {
		if _, isReg := p.(Regulator); isReg && pkg != "" {
			if fits, ok := c.RegulatorIn(query, pkg); ok {
				p = fits
			}
		}
		a.part(p)
		found = true
	}
	if cs := c.ByMarking(query, pkg); len(cs) > 0 {
		a.marking(query, cs)
		found = true
	}
	if a.wire(query) {
		return a.f, true
	}
	found = a.codes(query) || found
	if l, ok := c.LED(query); ok && !found {
		a.part(l)
		found = true
	}
	if !found {
		text := fmt.Sprintf("nothing in the catalogue is called %q or marked so", query)
		if near := c.Suggest(query); len(near) > 0 {
			text += "; did you mean " + strings.Join(near, " or ") + "?"
		}
		a.note("unknown", text)
	}
	return a.f, found
}

type answer struct {
	f finding.Findings
	c *Catalogue
	d *Drawer
}

func (a *answer) note(kind, text string) {
	a.f.Notes = append(a.f.Notes, finding.Note{ID: fmt.Sprintf("part.%s.%d", kind, len(a.f.Notes)+1), Kind: kind, Text: text})
}

func text(s string) finding.Cell { return finding.Cell{Text: s, Number: math.NaN()} }

func number(x float64, symbol string) finding.Cell {
	if math.IsNaN(x) {
		return text("not given")
	}
	return finding.Cell{Number: x, Unit: symbol, Digits: 3, Text: unit.Format(x, symbol, 3)}
}

func plain(x float64) finding.Cell {
	if math.IsNaN(x) {
		return text("not given")
	}
	return text(fmt.Sprintf("%g", x))
}

// part answers for a part found by name.
func (a *answer) part(any Any) {
	p := any.Common()
	id := "part." + strings.ToLower(fold(p.Name))
	rating := func(name string, v float64, symbol, column string) {
		if math.IsNaN(v) {
			return
		}
		a.f.Values = append(a.f.Values, finding.Value{
			ID: id + "." + strings.ToLower(fold(name)), Name: name, Value: v, Unit: symbol, Low: math.NaN(), High: math.NaN(),
			Sure: string(p.Evidence(column)), Reason: p.Source,
		})
	}
	points := func(title string, columns []finding.Column, rows [][]finding.Cell) {
		if len(rows) > 0 {
			a.f.Tables = append(a.f.Tables, finding.Table{ID: id + "." + strings.ToLower(fold(title)), Title: p.Name + ": " + title, Columns: columns, Rows: rows})
		}
	}
	ivs := func(title string, list []IV) {
		var rows [][]finding.Cell
		for _, v := range list {
			rows = append(rows, []finding.Cell{number(float64(v.I), unit.SymAmp), number(float64(v.V), unit.SymVolt)})
		}
		points(title, []finding.Column{{Title: "current", Unit: unit.SymAmp, Numeric: true}, {Title: "voltage", Unit: unit.SymVolt, Numeric: true}}, rows)
	}
	what := p.Kind
	switch p := any.(type) {
	case BJT:
		what = p.Polarity + " transistor"
		rating("VCEO", float64(p.VCEO), unit.SymVolt, "vceo_V")
		rating("VEBO", float64(p.VEBO), unit.SymVolt, "vebo_V")
		rating("IC", float64(p.IC), unit.SymAmp, "ic_max_A")
		rating("Ptot", float64(p.Ptot), unit.SymWatt, "ptot_W")
		rating("RthJA", float64(p.RthJA), unit.SymRth, "rth_ja_K_per_W")
		rating("R1", float64(p.R1), unit.SymOhm, "r1_ohm")
		rating("R2", float64(p.R2), unit.SymOhm, "r2_ohm")
		var rows [][]finding.Cell
		for _, g := range p.Gain {
			rows = append(rows, []finding.Cell{number(float64(g.IC), unit.SymAmp), number(float64(g.VCE), unit.SymVolt), plain(g.Min), plain(g.Typ), plain(g.Max)})
		}
		points("hFE", []finding.Column{{Title: "IC", Unit: unit.SymAmp, Numeric: true}, {Title: "VCE", Unit: unit.SymVolt, Numeric: true}, {Title: "least", Numeric: true}, {Title: "typical", Numeric: true}, {Title: "most", Numeric: true}}, rows)
		rows = nil
		for _, s := range p.VCEsat {
			rows = append(rows, []finding.Cell{number(float64(s.IC), unit.SymAmp), number(float64(s.IB), unit.SymAmp), number(float64(s.Typ), unit.SymVolt), number(float64(s.Max), unit.SymVolt)})
		}
		points("VCE(sat)", []finding.Column{{Title: "IC", Unit: unit.SymAmp, Numeric: true}, {Title: "IB", Unit: unit.SymAmp, Numeric: true}, {Title: "typical", Unit: unit.SymVolt, Numeric: true}, {Title: "most", Unit: unit.SymVolt, Numeric: true}}, rows)
	case MOSFET:
		what = p.Channel + "-channel MOSFET"
		rating("VDS", float64(p.VDS), unit.SymVolt, "vds_V")
		rating("VGS", float64(p.VGS), unit.SymVolt, "vgs_max_V")
		rating("VGS(th), most", float64(p.VGSthMax), unit.SymVolt, "vgsth_max_V")
		rating("ID", float64(p.ID), unit.SymAmp, "id_max_A")
		rating("Ptot", float64(p.Ptot), unit.SymWatt, "ptot_W")
		var rows [][]finding.Cell
		for _, r := range p.RDSon {
			rows = append(rows, []finding.Cell{number(float64(r.VGS), unit.SymVolt), number(float64(r.ID), unit.SymAmp), number(float64(r.Typ), unit.SymOhm), number(float64(r.Max), unit.SymOhm)})
		}
		points("RDS(on)", []finding.Column{{Title: "VGS", Unit: unit.SymVolt, Numeric: true}, {Title: "ID", Unit: unit.SymAmp, Numeric: true}, {Title: "typical", Unit: unit.SymOhm, Numeric: true}, {Title: "most", Unit: unit.SymOhm, Numeric: true}}, rows)
	case Diode:
		what = p.Type + " diode"
		if p.Type == "bridge" {
			what = "bridge rectifier"
		}
		rating("VRRM", float64(p.VRRM), unit.SymVolt, "vrrm_V")
		rating("IF", float64(p.IF), unit.SymAmp, "if_max_A")
		rating("Ptot", float64(p.Ptot), unit.SymWatt, "ptot_W")
		rating("VZ, least", float64(p.VZmin), unit.SymVolt, "vz_min_V")
		rating("VZ, most", float64(p.VZmax), unit.SymVolt, "vz_max_V")
		rating("IZT", float64(p.IZT), unit.SymAmp, "izt_A")
		ivs("VF, typical", p.VFtyp)
		ivs("VF, most", p.VFmax)
	case LED:
		what = p.Class + " LED"
		rating("VF, least", float64(p.VFmin), unit.SymVolt, "vf_min_V")
		rating("VF, typical", float64(p.VFtyp), unit.SymVolt, "vf_typ_V")
		rating("VF, most", float64(p.VFmax), unit.SymVolt, "vf_max_V")
		rating("IF of these", float64(p.IFtest), unit.SymAmp, "if_test_A")
		rating("IF, most", float64(p.IFmax), unit.SymAmp, "if_max_A")
		rating("VR, most", float64(p.VRmax), unit.SymVolt, "vr_max_V")
		ivs("VF, typical", p.VFpoints)
	case Regulator:
		what = p.Type + " regulator"
		rating("Vout", float64(p.Vout), unit.SymVolt, "vout_nom_V")
		rating("Vout, least", float64(p.VoutMin), unit.SymVolt, "vout_min_V")
		rating("Vout, most", float64(p.VoutMax), unit.SymVolt, "vout_max_V")
		rating("Vin, absolute limit", float64(p.VinAbsMax), unit.SymVolt, "vin_abs_max_V")
		rating("Vin, most in use", float64(p.VinMax), unit.SymVolt, "vin_op_max_V")
		rating("Iout", float64(p.IoutMax), unit.SymAmp, "iout_max_A")
		rating("own current, most", float64(p.IQmax), unit.SymAmp, "iq_max_A")
		ivs("dropout, typical", p.DropoutTyp)
		ivs("dropout, most", p.DropoutMax)
	case Chip:
		what = "microcontroller"
		rating("VCC, absolute limit", float64(p.VCCAbsMax), unit.SymVolt, "supply_abs_max")
		rating("each pin, absolute limit", float64(p.PinMax), unit.SymAmp, "pin_current_abs")
		rating("all low pins together", float64(p.SumLow), unit.SymAmp, "sum_low")
		rating("all high pins together", float64(p.SumHigh), unit.SymAmp, "sum_high")
		var rows [][]finding.Cell
		for _, pin := range p.ChipPins {
			rows = append(rows, []finding.Cell{text(fmt.Sprint(pin.Number)), text(pin.Name), text(pin.Functions)})
		}
		points("pins", []finding.Column{{Title: "pin", Numeric: true}, {Title: "name"}, {Title: "can be"}}, rows)
	}
	a.note("part", p.Name+": "+what+", "+p.Package)
	if _, isChip := any.(Chip); !isChip {
		if out := Pinout(p); out != "" {
			a.note("pinout", out)
		}
	}
	if w := TestWords(any); w != "" {
		a.note("test", p.Name+" on a meter's diode test: "+w)
	}
	if p.Printed != "" && p.Printed != "not recorded" {
		a.note("marking", "printed on it: "+p.Printed)
	}
	if p.Note != "" {
		a.note("part", strings.TrimSpace(p.Note))
	}
	a.drawer(p)
	a.note("source", p.Source)
}

func (a *answer) drawer(p Part) {
	if a.d == nil {
		return
	}
	if it, ok := a.d.Have(p.Name); ok {
		have := fmt.Sprintf("%d in the drawer", it.Count)
		if it.Count < 0 {
			have = "plenty in the drawer"
		}
		if it.Measured.Any() {
			have += "; measured " + it.Measured.String()
		}
		a.note("drawer", p.Name+": "+have)
	}
}

// marking answers for a code on a body.
func (a *answer) marking(code string, cs []Candidate) {
	t := finding.Table{ID: "part.marking", Title: "what " + code + " may stand for, likeliest first",
		Columns: []finding.Column{{Title: "part"}, {Title: "kind"}, {Title: "leads"}, {Title: "printed by"}, {Title: "how matched"}, {Title: "known"}}}
	for _, c := range cs {
		p := c.Part.Common()
		kind := p.Kind
		switch q := c.Part.(type) {
		case BJT:
			kind = q.Polarity
		case MOSFET:
			kind = q.Channel + "-channel MOSFET"
		case Diode:
			kind = q.Type
		}
		known := Read
		if c.Memory {
			known = FromMemory
		}
		t.Rows = append(t.Rows, []finding.Cell{text(p.Name), text(kind), text(c.Pinout), text(c.Maker), text(c.How), text(string(known))})
	}
	a.f.Tables = append(a.f.Tables, t)
	for _, c := range cs {
		if w := TestWords(c.Part); w != "" {
			a.note("test", c.Part.Common().Name+" on a meter's diode test: "+w)
		}
	}
	s := TellApart(cs)
	for _, p := range s.Packages {
		a.note("apart", p)
	}
	for _, step := range s.Steps {
		a.note("apart", step.String())
	}
	for i, group := range s.Alike {
		a.note("apart", "the diode test does not tell "+strings.Join(group, " from ")+": "+s.Hints[i])
	}
	for _, c := range cs {
		a.drawer(c.Part.Common())
	}
	if a.d != nil {
		for _, it := range a.d.Items {
			if why := it.NotToldApart(); why != "" && strings.EqualFold(it.Marking, code) {
				a.note("drawer", "a bag of the drawer is marked so: "+why)
			}
		}
	}
	a.f.Cautions = append(a.f.Cautions, finding.Caution{Where: "marking", Text: MarkingCaution})
}

// codes answers for what is printed on resistors and capacitors, and for a resistance.
func (a *answer) codes(query string) bool {
	t := finding.Table{ID: "part.code", Title: "as a code on a resistor or capacitor",
		Columns: []finding.Column{{Title: "form"}, {Title: "value"}, {Title: "how read"}, {Title: "doubt"}}}
	add := func(c Coded) {
		value := c.String()
		if c.Usual {
			value += " (usual for the form)"
		}
		t.Rows = append(t.Rows, []finding.Cell{text(c.Form), text(value), text(c.Rule), text(c.Doubt)})
	}
	r := unit.Absent[unit.Ohm]()
	keep := func(c Coded) {
		if !unit.Known(r) && unit.Known(c.R) {
			r = c.R
		}
		add(c)
	}
	if cs, err := ReadColours(query); err == nil {
		for _, c := range cs {
			keep(c)
		}
	}
	if cs, err := ReadSMD(query); err == nil {
		for _, c := range cs {
			keep(c)
		}
	}
	if c, err := ReadLetterCode(query); err == nil {
		keep(c)
	}
	if c, err := ReadCapCode(query); err == nil {
		keep(c)
	}
	if len(t.Rows) > 0 {
		a.f.Tables = append(a.f.Tables, t)
	}
	if x, err := unit.ParseOhm(query); err == nil && x > 0 {
		r = x
	}
	if unit.Known(r) && r > 0 {
		a.resistance(r)
		return true
	}
	return len(t.Rows) > 0
}

// resistance says how a value is printed and made up.
func (a *answer) resistance(r unit.Ohm) {
	var printed []string
	if s, ok := SMD3(r); ok {
		printed = append(printed, s)
	}
	if s, ok := SMD4(r); ok {
		printed = append(printed, s)
	}
	if s, ok := EIA96(r); ok {
		printed = append(printed, s)
	}
	if s, ok := LetterCode(r, unit.Absent[unit.Ratio]()); ok {
		printed = append(printed, s)
	}
	if words, ok := Colours(r, 0.05, math.NaN(), 4); ok {
		printed = append(printed, strings.Join(words, " "))
	}
	if words, ok := Colours(r, 0.01, math.NaN(), 5); ok {
		printed = append(printed, strings.Join(words, " "))
	}
	if len(printed) > 0 {
		a.note("code", r.String()+" is printed "+strings.Join(printed, ", "))
	}
	if odd := OddValue(r); odd != "" {
		a.note("series", odd)
	} else if s := SeriesOf(r); s != "" {
		a.note("series", r.String()+" belongs to "+s)
	}
	stock, from := SeriesStock("E24", r/100, r*100), "E24"
	if a.d != nil {
		if own := a.d.Resistors(""); len(own) > 0 {
			stock, from = own, "the drawer"
		}
	}
	t := finding.Table{ID: "part.combinations", Title: "closest to " + r.String() + " from " + from,
		Columns: []finding.Column{{Title: "resistors"}, {Title: "gives", Unit: unit.SymOhm, Numeric: true}, {Title: "off by", Unit: unit.SymRatio, Numeric: true}}}
	for _, c := range Combinations(r, stock, 4) {
		t.Rows = append(t.Rows, []finding.Cell{text(c.String()), number(float64(c.R), unit.SymOhm), number(float64(c.Error), unit.SymRatio)})
	}
	if len(t.Rows) > 0 {
		a.f.Tables = append(a.f.Tables, t)
	}
}
