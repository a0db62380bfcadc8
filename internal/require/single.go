package require

import (
	"fmt"
	"math"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// Behind a rectifier of one diode (package wiring, single.go) the decoder lives on its reservoir for half the time. What a
// limit from above holds is judged with the reservoir as full as it can be, in either half. What must be reached is judged
// while the diode conducts; a lamp's light counts for that half alone, and where that falls short but the reservoir could
// give the rest, the verdict waits for the circuit in time (Requirement.Held). So does what the reservoir's current adds to
// the diode's drop while it is filled again, some hundredths of a volt.

const (
	fullWaveFrom = "NMRA S-9.1, 7 March 2020, section C: the baseline of power take-off is full-wave rectification, which decoder and station both support"
	inTime       = "the circuit in time"
)

// Impossible is what no value of any part makes work in decoder d, because the rail that it hangs on is the decoder's own
// minus: lamps, and the ear.
func Impossible(b *build.Build, d *build.Decoder) (list []finding.Judgement) {
	v, ok := b.VehicleOf(d)
	if !ok {
		return nil
	}
	for i := range d.Outputs {
		o := &d.Outputs[i]
		if !wiring.Answers(o) {
			continue
		}
		names := wiring.LampsOf(o)
		for _, name := range names {
			l, ok := v.Lamp(name)
			if !ok {
				continue
			}
			why, mend, never := wiring.NeverLit(d, o, l)
			if !never {
				continue
			}
			id := wiring.OutputID(b, d, o)
			if len(names) > 1 {
				id += ".lamp." + name
			}
			j := judgement(id+".feed", "lamp "+name, "can light where it is fed from", finding.Fails)
			j.Why, j.Mend = why, mend
			j.Source, j.Method = "the build file: feed of the lamp, and the rail of the diode", "the circuit: both ends of lamp and switch are one net"
			list = append(list, j)
		}
	}
	if l, s := &d.Listen, &d.Supply; s.Single() && l.From.Text == build.OtherRail(s.From.Text) {
		j := judgement("ear.deaf", "ear", "hears the track", finding.Fails)
		if len(b.Decoders) > 1 {
			j.ID, j.Subject = "decoder."+d.Name.Text+"."+j.ID, j.Subject+" of decoder "+d.Name.Text
		}
		j.Why = fmt.Sprintf("the rectifier is one diode from the %s, so the %s, which it listens to, is the decoder's own minus", s.From.Text, l.From.Text)
		j.Mend, j.Source = fmt.Sprintf("listen to the diode's rail: from = %q", s.From.Text), "the build file: the ear's rail, and the rail of the diode"
		list = append(list, j)
	}
	return list
}

// judgement is a verdict without a number.
func judgement(id, subject, words string, v finding.Verdict) finding.Judgement {
	return finding.Judgement{ID: id, Subject: subject, Requirement: words, Verdict: v,
		Value: unit.Absent[float64](), Limit: unit.Absent[float64](), Margin: unit.Absent[float64]()}
}

// whileFed says of what is judged in the half in which a single diode conducts that it is so.
func whileFed(n *wiring.Network, words string, needs []wiring.State) string {
	for _, st := range needs {
		if !n.Single || !n.Feeds(st.LeftPositive) {
			return words
		}
	}
	return words + ", while the diode conducts"
}

// fed is the polarity in which the decoder is judged where either would do: one in which its rectifier feeds it.
func fed(n *wiring.Network, d wiring.Drive, u unit.Volt, which uint32) []wiring.State {
	return states(n.FedLeft(), !n.FedLeft(), d, u, which)
}

// refill is the factor by which a single diode carries more in its half than the decoder draws: what the reservoir gives in
// the other half comes through it too, of halves that last equally long. What stretched halves ask of it is a matter of time.
func refill(n *wiring.Network) float64 {
	if n.Single {
		return 2
	}
	return 1
}

// halfWave says what one diode means for the whole decoder.
func (s *Set) halfWave(n *wiring.Network) {
	if !n.Single {
		return
	}
	rect, rail := "rectifier "+n.Rectifier.Name, n.Decoder.Supply.From.Text
	j := judgement("supply.full-wave", rect, "both half-waves are rectified", finding.Reported)
	j.Source = fullWaveFrom
	j.Why = fmt.Sprintf("one diode from the %s departs from that baseline: the decoder draws all its current in one half-wave and lives on its reservoir in the other, up to 9.9 ms of a stretched zero. Its load is not alike in both, which no source read limits; a half-wave that a station itself makes lower means automatic stopping (NMRA S-9.2.2, CV27)", rail)
	j.Mend = fourDiodes
	s.Unjudged = append(s.Unjudged, j)
	s.later(HoldUpID, "reservoir", "holds the decoder while the diode blocks, and is filled again within the diode's ratings", inTime)
	s.Unjudged = append(s.Unjudged, directions(n))
}

const fourDiodes = "a bridge, or four diodes"

// A direct is a direction of running on plain DC.
type direct struct {
	name string
	left bool // the left rail is positive
}

// onDC are the directions in which the right rail (NEM 631: forward) and the left rail are positive, where lights are wanted.
func onDC(n *wiring.Network) (list []direct) {
	dc := n.Build.Track.DC.Text
	if dc == build.DCForward || dc == build.DCBoth {
		list = append(list, direct{"forward", false})
	}
	if dc == build.DCReverse || dc == build.DCBoth {
		list = append(list, direct{"reverse", true})
	}
	return list
}

// directions judges the directions of DC in which a single diode feeds the decoder at all.
func directions(n *wiring.Network) finding.Judgement {
	runs, dead := direct{"forward", false}, direct{"reverse", true}
	if n.FedLeft() {
		runs, dead = dead, runs
	}
	rail := n.Decoder.Supply.From.Text
	j := judgement("supply.dc", "rectifier "+n.Rectifier.Name, "feeds the decoder on plain DC", finding.Reported)
	j.Source = "NEM 631 (1985): forward while the right rail, looking forward, is the positive one"
	j.Why = fmt.Sprintf("one diode from the %s feeds it in %s alone, turned round on the rails or with its plug turned in the other direction", rail, runs.name)
	for _, d := range onDC(n) {
		if d == dead {
			j.Verdict = finding.Fails
			j.Why = fmt.Sprintf("one diode from the %s blocks on DC %s: the decoder has no supply and nothing lights", rail, dead.name)
			j.Mend = fmt.Sprintf("%s; or the diode on the %s, for DC %s alone", fourDiodes, build.OtherRail(rail), dead.name)
		}
	}
	return j
}

// HoldUpID is the identifier of the verdict on the reservoir behind a single diode.
const HoldUpID = "supply.hold-up"

// Droop is by how much a reservoir sinks that alone gives a current: the constant-current estimate of handbooks.
func Droop(i unit.Amp, of unit.Time, c unit.Farad) unit.Volt {
	return unit.Volt(float64(i) * of.Seconds() / float64(c))
}

// The halves of a zero bit in which a single diode may block: as they usually are, and stretched, NMRA S-9.1 (2020).
const (
	usualHalf     = 100 * unit.Microsecond
	stretchedHalf = 9900 * unit.Microsecond
)

// ExplainHoldUp is how far the reservoir behind a single diode sinks, by hand: everything typical and on at track voltage u.
func ExplainHoldUp(n *wiring.Network, u unit.Volt) *finding.Working {
	op := operate(n, n.Typical(), fed(n, wiring.On, u, 0)[0])
	i := op.Rectified
	const source = "zero half-bits of 95 µs to 9900 µs: NMRA S-9.1 (2020)"
	w := &finding.Working{
		Title: fmt.Sprintf("How far the reservoir sinks while the diode blocks, everything on at track %s", u),
		Steps: []finding.Step{{Say: "what it gives meanwhile", Result: float64(i), Unit: unit.SymAmp, Source: "the circuit"}},
		Hand:  math.NaN(), Solver: math.NaN(), Unit: unit.SymVolt, Sources: []string{source},
		Difference: "by hand, the current taken as constant; contact loss and gaps of the track come on top",
	}
	c := n.Decoder.Supply.Reservoir
	for _, half := range []struct {
		t     unit.Time
		words string
	}{{usualHalf, "in a usual half of a zero bit"}, {stretchedHalf, "in the longest stretched half"}} {
		if c.Known() {
			w.Steps = append(w.Steps, finding.Step{Say: half.words, Formula: "ΔV = I·t/C", With: fmt.Sprintf("%s · %s / %s", num(float64(i), unit.SymAmp), half.t, c.Value),
				Result: float64(Droop(i, half.t, c.Value)), Unit: unit.SymVolt, Source: source})
			continue
		}
		w.Steps = append(w.Steps, finding.Step{Say: half.words + ", what sinks by one volt", Formula: "C = I·t / 1 V", With: fmt.Sprintf("%s · %s / 1 V", num(float64(i), unit.SymAmp), half.t),
			Result: float64(i) * half.t.Seconds(), Unit: unit.SymFarad, Source: source})
	}
	return w
}
