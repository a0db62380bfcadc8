package understand

import (
	"context"
	"fmt"
	"math"

	"fettle/internal/finding"
	"fettle/internal/parts"
	"fettle/internal/require"
	"fettle/internal/spread"
	"fettle/internal/unit"
	"fettle/internal/wiring"
	"fettle/internal/work"
)

// boards is how many boards are drawn of each design.
const boards = 2000

func yesterday(_ context.Context, c *Chapter, p work.Proved) error {
	s, err := stageOf(p)
	if err != nil {
		return err
	}
	o := &s.n.Outputs[s.i]
	chosen := o.Output.Base.Value
	defer s.n.Nominal(s.i, "base", chosen)
	low, high := s.n.Build.Track.AmbientLow.Or(wiring.AmbientLow), s.n.Build.Track.AmbientHigh.Or(wiring.AmbientHigh)
	limit := float64(require.SaturatedBelow)

	// The base resistor of somebody who turned it up until the lamp dimmed, and went two values back.
	tried := []unit.Ohm{chosen}
	for r := next(chosen); r < 5e6; r = next(r) {
		tried = append(tried, r)
		t, err := s.at(s.z(0, 0), r)
		if err != nil {
			return err
		}
		if float64(t.Across) > limit {
			break
		}
	}
	if len(tried) < 4 {
		return errNothing
	}
	dims, trial := tried[len(tried)-1], tried[len(tried)-3]
	t, err := s.at(s.z(0, 0), trial)
	if err != nil {
		return err
	}
	works := float64(t.Across)

	c.say("Somebody builds output %s and tries base resistors upwards from %s. The lamp stays as bright as it was; at %s it begins to dim. So two values back, to be on the safe side, and %s is soldered in: less current out of the chip cannot be wrong. "+
		"The circuit agrees: with a typical %s at room warmth %s are lost across it, well below the %s at which one calls a switch closed.", o.Name, chosen, dims, trial, o.Switch.Name, volt(works), volt(limit))
	f := finding.Figure{ID: "understand.yesterday", Title: "What is lost across the switch, with " + trial.String() + " at the base",
		X: finding.Axis{Quantity: "ambient temperature", Unit: unit.SymCelsius, Low: float64(low), High: float64(high)}, Y: finding.Axis{Quantity: "VCE", Unit: unit.SymVolt, Log: true},
		Bands:   []finding.Band{{Label: "not closed: above " + volt(limit), From: limit, To: math.Inf(1)}},
		Caption: "The same circuit with three transistors of the same type, and the weakest once more with the value that was chosen for this build.",
	}
	curve := func(label string, gain float64, r unit.Ohm, dashed bool) (cold float64, err error) {
		k := finding.Curve{Label: label, Dashed: dashed}
		for a := -1.0; a <= 1.0001; a += 0.05 {
			t, err := s.at(s.z(gain, a), r)
			if err != nil {
				return 0, err
			}
			if a == -1 {
				cold = float64(t.Across)
			}
			k.X, k.Y = append(k.X, float64(s.op.Ambient)), append(k.Y, float64(t.Across))
		}
		f.Curves = append(f.Curves, k)
		return cold, nil
	}
	if _, err := curve("typical", 0, trial, false); err != nil {
		return err
	}
	cold, err := curve("least gain", -1, trial, true)
	if err != nil {
		return err
	}
	if _, err := curve("most gain", 1, trial, true); err != nil {
		return err
	}
	safe, err := curve("least gain, "+chosen.String(), -1, chosen, false)
	if err != nil {
		return err
	}
	c.figure(f)
	gain := func(g, ambient float64) (float64, error) {
		t, err := s.at(s.z(g, ambient), chosen)
		if err != nil {
			return 0, err
		}
		return t.Gain(s.op.Ambient), nil
	}
	var g [4]float64 // typical cold and hot, least and most
	for k, at := range [4][2]float64{{0, -1}, {0, 1}, {-1, 0}, {1, 0}} {
		if g[k], err = gain(at[0], at[1]); err != nil {
			return err
		}
	}
	perDegree := math.Log(g[1]/g[0]) / float64(high-low)
	c.say("But the part on the bench is one of many, and the bench is one warmth of many. With the weakest transistor that the sheet allows the same board loses %s at %s; with the chosen %s it would be %s. "+
		"Gain falls in the cold, here by %.1f%s%% for every degree; the sheet lets parts of one bag differ by a factor of %.1f; and the track gives what the transformer and the other trains leave.",
		volt(cold), low, chosen, volt(safe), 100*perDegree, unit.ThinSpace, g[3]/g[2])
	table := finding.Table{ID: "understand.yesterday", Title: fmt.Sprintf("Of %d boards of each design, parts drawn at random, those whose switch is closed", boards), Columns: []finding.Column{{Title: "where"},
		{Title: "with " + trial.String(), Numeric: true}, {Title: "with " + chosen.String(), Numeric: true}}}
	type place struct {
		name    string
		ambient float64
	}
	places := []place{{fmt.Sprintf("on the bench, at %s", (low+high)/2), 0}, {fmt.Sprintf("in the closed car in summer, at %s", high), 1}, {fmt.Sprintf("in a cold room, at %s", low), -1}}
	var shut [3][]bool // with the one that was tried, board by board
	for k, at := range places {
		var all [2][]bool
		for d, r := range []unit.Ohm{trial, chosen} {
			if all[d], err = s.closed(r, at.ambient, limit); err != nil {
				return err
			}
		}
		shut[k] = all[0]
		table.Rows = append(table.Rows, []finding.Cell{word(at.name), number(float64(count(all[0])), "", 4), number(float64(count(all[1])), "", 4)})
	}
	lost := 0
	for k, works := range shut[0] {
		if works && !shut[2][k] {
			lost++
		}
	}
	c.table(table)
	c.say("%d of these boards failed on the bench, were looked at again, and got a smaller resistor. %d worked, went into their vehicles, and stopped on the first cold day. Nothing broke overnight and nobody made a mistake at the iron: the margin was never there, and yesterday did not ask for it.",
		boards-count(shut[0]), lost)
	c.say("The same happens to everything that is tried once and found good: a clock that is right at one voltage, a light that is bright enough at the full voltage of a small layout, a supply that holds until the motor starts beside it. " +
		"Trying answers for one board on one evening. The proof answers for all boards and all evenings that you said you would have, and says at which corner it is worst; and where it cannot answer it says so.")
	return nil
}

// next is the next greater value of the E12 series.
func next(r unit.Ohm) unit.Ohm { return parts.Nearest(r*1.21, "E12") }

// closed tells of every board whether its switch is closed with a base resistor, at an ambient temperature from −1 to +1.
func (s *stage) closed(r unit.Ohm, ambient, limit float64) ([]bool, error) {
	box := make(spread.Space, len(s.n.Vars))
	for i, v := range s.n.Vars {
		box[i] = spread.Var{Law: spread.Law(v.Law), Levels: v.Levels, Vertices: v.Vertices}
	}
	z, out := make([]float64, len(box)), make([]bool, boards)
	for k := range out {
		box.Sample(1, k, z)
		for i, v := range s.n.Vars {
			if v.Owner == "" && v.Name == "ambient" {
				z[i] = ambient
			}
		}
		t, err := s.at(z, r)
		if err != nil {
			return nil, err
		}
		out[k] = float64(t.Across) <= limit
	}
	return out, nil
}

func count(list []bool) (n int) {
	for _, x := range list {
		if x {
			n++
		}
	}
	return n
}
