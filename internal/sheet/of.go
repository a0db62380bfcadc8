package sheet

import (
	"path/filepath"
	"slices"
	"strings"

	"fettle/internal/work"
)

// Of is the sheet of a proved build. The date is the face's.
func Of(p work.Proved, date string) Input {
	b := p.Build
	in := Input{
		Title: Title{What: "decoder", Vehicle: b.Name(), Date: date, File: filepath.Base(b.File), Revision: p.Revision},
		Prove: p.Findings, Survey: p.Surveyed.Findings, Choose: p.Chosen.Findings,
		Circuits: p.Circuits, Parts: p.Parts, Cautions: slices.Concat(p.Surveyed.Findings.Cautions, p.Findings.Cautions),
	}
	if len(b.Decoders) == 1 {
		in.Title.What = "decoder " + b.Decoders[0].Name.Text
	}
	if b.Noted() {
		in.Title.What += ", as built"
	}
	if len(b.Vehicles) > 0 {
		in.Title.Scale = b.Vehicles[0].Scale.Text
	}
	for _, d := range b.Decoders { // which of several alike
		if d.Fitted != nil && d.Fitted.Vehicle.IsSet() && len(b.Decoders) == 1 {
			in.Title.Vehicle += ", " + d.Fitted.Vehicle.Text
		}
	}
	in.Prove.Notes = nil
	for _, n := range p.Findings.Notes {
		if n.Kind == "as built" {
			in.BuiltNotes = append(in.BuiltNotes, n)
		} else {
			in.Prove.Notes = append(in.Prove.Notes, n)
		}
	}
	in.Prove.Figures, in.Prove.Tables, in.Prove.Cautions, in.Prove.Values = nil, nil, nil, nil // each has its place below
	for _, f := range p.Findings.Figures {
		switch {
		case strings.HasSuffix(f.ID, ".light"):
			in.Lights = append(in.Lights, f)
		case strings.HasSuffix(f.ID, ".saturation"):
			in.Switches = append(in.Switches, f)
		}
	}
	for _, t := range p.Findings.Tables {
		if strings.HasPrefix(t.ID, "slips.") {
			rows := append(in.Slips.Rows, t.Rows...)
			in.Slips = t
			in.Slips.Rows = rows
			continue
		}
		if strings.HasPrefix(t.ID, work.AsBuilt) {
			in.Built = append(in.Built, t)
			continue
		}
		in.Prove.Tables = append(in.Prove.Tables, t)
	}
	return in
}
