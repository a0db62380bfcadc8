package understand

import (
	"context"
	"fmt"
	"math"

	"fettle/internal/circuit"
	"fettle/internal/finding"
	"fettle/internal/prove"
	"fettle/internal/require"
	"fettle/internal/unit"
	"fettle/internal/wiring"
	"fettle/internal/work"
)

// A stage is a bipolar low-side switch with its base resistor, as it is solved at the highest track voltage.
type stage struct {
	n     *wiring.Network
	i     int
	state wiring.State
	op    wiring.Operating
}

func stageOf(p work.Proved) (*stage, error) {
	list, err := networks(p)
	if err != nil {
		return nil, err
	}
	for _, n := range list {
		for i := range n.Outputs {
			o := &n.Outputs[i]
			if _, ok := o.Resistor("base"); !ok || o.Switch == nil || o.Switch.BJT == nil || o.Switch.Prebiased() || o.Acknowledge || len(o.Lights) == 0 || o.Level != nil {
				continue
			}
			u := n.Build.Track.High.Or(require.Ceiling(n.Vehicle.Scale.Text))
			return &stage{n: n, i: i, state: wiring.State{LeftPositive: o.Lights[0].Left, Drive: wiring.On, Track: u, Which: n.With(i)}}, nil
		}
	}
	return nil, errNothing
}

// z is everything typical but the transistor's gain and the ambient temperature, from −1 to +1.
func (s *stage) z(gain, ambient float64) []float64 {
	z := s.n.Typical()
	for k, v := range s.n.Vars {
		switch {
		case v.Owner == s.n.Outputs[s.i].Switch.Words && v.Name == "hFE":
			z[k] = gain
		case v.Owner == "" && v.Name == "ambient":
			z[k] = ambient
		}
	}
	return z
}

// at solves with a base resistor; the result stands until the next call.
func (s *stage) at(z []float64, rb unit.Ohm) (*wiring.TransistorOperating, error) {
	s.n.Nominal(s.i, "base", rb)
	s.n.Set(z)
	sol := s.n.Solve(s.state)
	if s.n.Read(sol, &s.op); sol.Status != circuit.Solved {
		return nil, fmt.Errorf("the circuit did not solve with a base resistor of %s", rb)
	}
	return &s.op.Out[s.i].Switch, nil
}

// forced is the base resistor at which the typical part is driven at the forced gain.
func (s *stage) forced(gain float64) (unit.Ohm, error) {
	low, high := math.Log(50), math.Log(50e6)
	for range 60 {
		mid := (low + high) / 2
		t, err := s.at(s.z(0, 0), unit.Ohm(math.Exp(mid)))
		if err != nil {
			return 0, err
		}
		if float64(t.Through/t.Drive) < gain {
			low = mid
		} else {
			high = mid
		}
	}
	return unit.Ohm(math.Exp(low)), nil
}

func base(_ context.Context, c *Chapter, p work.Proved) error {
	s, err := stageOf(p)
	if err != nil {
		return err
	}
	o := &s.n.Outputs[s.i]
	chosen := o.Output.Base.Value
	defer s.n.Nominal(s.i, "base", chosen)
	t, err := s.at(s.z(0, 0), chosen)
	if err != nil {
		return err
	}
	through, drive, typical := float64(t.Through), float64(t.Drive), t.Gain(s.op.Ambient)
	weak, err := s.at(s.z(-1, -1), chosen)
	if err != nil {
		return err
	}
	least := weak.Gain(s.op.Ambient)
	low, high := s.n.Build.Track.AmbientLow.Or(wiring.AmbientLow), s.n.Build.Track.AmbientHigh.Or(wiring.AmbientHigh)
	name := o.Switch.Name

	c.say("A transistor that switches a lamp has one job: to be a closed contact. Between its collector and its emitter some voltage is always lost; "+
		"what is lost there does not light the lamp, and it heats the transistor. Here the %s of output %s carries %s at track %s.", name, o.Name, amp(through), s.state.Track)
	c.say("The figure shows what is lost (VCE) against the base current, on logarithmic axes, computed with the same circuit that the proof uses. From right to left: " +
		"first almost nothing happens, though the base current falls tenfold. Then comes a knee. Left of it the transistor no longer closes: it passes its gain times the base current and no more, " +
		"and whatever voltage is left over stands across it.")
	c.figure(prove.Saturation(s.n, s.i))
	c.say("Where the knee lies is the gain, hFE, and the gain is what nobody knows. A typical %s has about %.0f at this current and room warmth; the weakest that the sheet allows has %.0f at %s. "+
		"Its knee is at %s of base current instead of %s. A part from the same bag, on a cold morning, is the one that must still close.", name, typical, least, low, amp(through/least), amp(through/typical))
	t2 := finding.Table{ID: "understand.base", Title: "What driving it harder buys", Columns: []finding.Column{{Title: "forced gain IC/IB", Numeric: true}, {Title: "base current", Numeric: true},
		{Title: "base resistor", Numeric: true}, {Title: "VCE, typical", Numeric: true}, {Title: fmt.Sprintf("VCE, weakest at %s", low), Numeric: true}, {Title: "heat, weakest", Numeric: true}}}
	hardest := 0.0
	rows := map[float64][5]float64{}
	for _, g := range []float64{5, 10, 20, 50, 100, 200} {
		if g > 0.9*typical {
			break // a typical part has not got that much
		}
		rb, err := s.forced(g)
		if err != nil {
			return err
		}
		t, err := s.at(s.z(0, 0), rb)
		if err != nil {
			return err
		}
		ib, vce := float64(t.Drive), float64(t.Across)
		w, err := s.at(s.z(-1, -1), rb)
		if err != nil {
			return err
		}
		rows[g] = [5]float64{ib, vce, float64(w.Across), float64(w.Through), float64(w.Heat)}
		hardest = g
		t2.Rows = append(t2.Rows, []finding.Cell{number(g, "", 3), number(ib, unit.SymAmp, 3), number(float64(rb), unit.SymOhm, 2), number(vce, unit.SymVolt, 3), number(float64(w.Across), unit.SymVolt, 3), number(float64(w.Heat), unit.SymWatt, 3)})
	}
	c.table(t2)
	c.say("The forced gain is the collector current over the base current that is actually given: a number you choose with the base resistor, not one that the part has. "+
		"At ten, %s is lost in a typical part and %s in the weakest: that far past the knee the gain no longer matters. Twice as much base current, at five, brings it to %s and %s, and takes another %s out of the chip's pin for each lamp: nothing is gained that an eye could see. "+
		"At %.0f the typical part still looks well with %s. The weakest drops %s there, gets %.0f times as warm as at ten, and passes %s instead of %s.",
		volt(rows[10][1]), volt(rows[10][2]), volt(rows[5][1]), volt(rows[5][2]), amp(rows[5][0]-rows[10][0]), hardest, volt(rows[hardest][1]), volt(rows[hardest][2]),
		rows[hardest][4]/rows[10][4], amp(rows[hardest][3]), amp(rows[10][3]))
	c.say("So why ten? Because it is what sheets are measured at: VCE(sat) is nearly always stated at IC/IB = 10 (common practice, no source), and hardly a sheet promises anything at fifty. "+
		"Ten is not a law of the transistor but the only place where a maker has signed. It leaves, here, a factor of %.1f to the knee of the weakest part. "+
		"The value chosen for this build is %s: a forced gain of %.0f, %.1f times past the weakest knee. fettle may go beyond ten because it knows the knee; where it does, the verdict says that physics and not a table point carries it.",
		least/10, chosen, through/drive, least*drive/through)
	c.say("A warm transistor has more gain: at %s the same weakest part needs less. What heat brings instead is leakage, and that is what the pull-down at the base is for.", high)
	return nil
}
