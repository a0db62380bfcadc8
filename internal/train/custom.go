package train

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"fettle/internal/build"
	"fettle/internal/finding"
)

// leads reports whether light of a colour class is of the kind that shows at the front of a train. A filament whose
// colour is not said is white.
func leads(colour string, l *build.Lamp) bool {
	switch colour {
	case "white", "warm white", "cool white", "yellow":
		return true
	case "":
		return l.Kind.Text == build.KindFilament
	}
	return false
}

func trails(colour string) bool { return colour == "red" }

// may lists the colours that a lamp can show.
func (c Column) may() []string {
	if c.Lamp.Kind.Text == build.KindAntiparallel {
		return []string{c.Colour, c.Lamp.Back.Text}
	}
	return []string{c.Colour}
}

// canLead and canTrail report whether a lamp has a colour for either end.
func (c Column) canLead() bool {
	return slices.ContainsFunc(c.may(), func(s string) bool { return leads(s, c.Lamp) })
}

func (c Column) canTrail() bool { return slices.ContainsFunc(c.may(), trails) }

// custom reports what departs from the custom that white leads and red trails, with F0 on.
func (p *Plan) custom() []finding.Judgement {
	const rule = "white leads, red trails"
	var silent []string
	ends := false
	for i, c := range p.Lamps {
		if c.canLead() || c.canTrail() {
			ends = ends || c.End != ""
			if c.End == "" {
				silent = append(silent, p.lampWords(i))
			}
		}
	}
	report := func(id, subject, why string) finding.Judgement {
		j := judgement(p.ID+"."+id, subject, rule, finding.Reported)
		j.Why, j.Source = why, "common practice, no source"
		return j
	}
	if !ends {
		if len(silent) == 0 {
			return nil
		}
		return []finding.Judgement{report("custom", p.Title, "at which end they shine is not said (end = …): "+strings.Join(silent, ", "))}
	}
	var list []finding.Judgement
	for _, row := range p.Rows {
		c := row.Case
		if !slices.Equal(c.On, []string{"F0"}) {
			continue
		}
		leading := build.EndFront
		if c.Direction == build.Reverse {
			leading = build.EndRear
		}
		var odd []string
		for i, cell := range row.Cells {
			col := p.Lamps[i]
			lit := cell.State == Lit || cell.State == Dim
			switch at := col.Outer && col.End == leading; {
			case col.End == "" || col.End == build.EndInside || !col.canLead() && !col.canTrail():
			case lit && !col.Outer:
				odd = append(odd, fmt.Sprintf("%s shines at an end that is coupled: %s", p.lampWords(i), p.whyLit(c, i, cell)))
			case !col.Outer:
			case lit && at && trails(cell.Colour):
				odd = append(odd, fmt.Sprintf("%s leads and is red: %s", p.lampWords(i), p.whyLit(c, i, cell)))
			case lit && !at && leads(cell.Colour, col.Lamp):
				odd = append(odd, fmt.Sprintf("%s trails and is %s: %s", p.lampWords(i), cmp.Or(cell.Colour, "white"), p.whyLit(c, i, cell)))
			case cell.State == Dark && at && col.canLead():
				odd = append(odd, p.lampWords(i)+" leads and is dark")
			case cell.State == Dark && !at && col.canTrail():
				odd = append(odd, p.lampWords(i)+" trails and is dark")
			}
		}
		why := "as is customary"
		if len(odd) > 0 {
			why = strings.Join(odd, "; ")
		}
		if len(silent) > 0 {
			why += "; at which end they shine is not said: " + strings.Join(silent, ", ")
		}
		list = append(list, report(c.id()+".custom", p.Title+", "+c.words(), why))
	}
	return list
}
