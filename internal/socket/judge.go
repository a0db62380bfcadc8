package socket

import (
	"fmt"
	"slices"
	"strings"

	"fettle/internal/build"
	"fettle/internal/circuit"
	"fettle/internal/finding"
	"fettle/internal/parts"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// A Stress is what one part carries against what it may carry.
type Stress struct {
	Part, What    string
	Value, Rating float64
	Unit          string
}

// Stresses lists what every part carries in a solved state: handed in, for the ratings are judged elsewhere. Of two
// networks that differ by an edit alone the lists are alike in order.
type Stresses func(n *wiring.Network, op *wiring.Operating) []Stress

// lit is the current above which a lamp counts as lit: a tenth of a milliampere, common practice, no source.
const lit = unit.Amp(1e-4)

// more is the factor by which the turned plug must raise what a part carries to be its doing.
const more = 1.01

// Judge says how the plug is used and what comes of it turned round. Nothing where the vehicle has no socket; for bare
// wires what their colours promise.
func Judge(n *wiring.Network, stresses Stresses) ([]finding.Judgement, []finding.Table) {
	b, d, v := n.Build, n.Decoder, n.Vehicle
	if v.Socket.Text == "wires" {
		return wires(d, v), nil
	}
	s, ok := of(b, v)
	if !ok {
		return nil, nil
	}
	js := []finding.Judgement{Motor(b, d, v)}
	js = append(js, use(d, v, s)...)
	if w := Of(n); len(w.Lamps) > 0 {
		js = append(js, turned(n, w, s, stresses))
	}
	return js, []finding.Table{table(b, d, v, s)}
}

func judgement(d *build.Decoder, id, subject, requirement string, v finding.Verdict) finding.Judgement {
	return finding.Judgement{ID: "socket." + d.Name.Text + "." + id, Subject: subject, Requirement: requirement, Verdict: v,
		Value: unit.Absent[float64](), Limit: unit.Absent[float64](), Margin: unit.Absent[float64]()}
}

// Motor judges that DCC never reaches the motor: the right way round no net of the decoder and no lamp of the vehicle
// joins a contact of the motor to anything else.
func Motor(b *build.Build, d *build.Decoder, v *build.Vehicle) finding.Judgement {
	s, _ := of(b, v)
	j := judgement(d, "motor", "decoder "+d.Name.Text+" in "+s.Name, "nothing but the motor on the motor's contacts", finding.Holds)
	j.Source = s.Source
	var why []string
	for _, p := range Pairs(b, d, v, false) {
		if !p.Vehicle.Role.Motor() || p.Vehicle.Lamp == nil {
			continue
		}
		l := p.Vehicle.Lamp
		text := fmt.Sprintf("lamp %s hangs on pin %d, %s: it joins the motor to its feed", l.Name.Text, p.Contact, p.Vehicle.Role)
		if l.Feed.Text != "" {
			text += ", " + l.Feed.Text
		}
		if p.Decoder.Lamp != nil {
			text += ", and an output to the decoder's minus"
		}
		why = append(why, text)
		for _, q := range s.Pins {
			if q.Role.Switched() && on(v, q.Number) == nil && j.Mend == "" {
				j.Mend = fmt.Sprintf("move lamp %s to pin %d, %s", l.Name.Text, q.Number, q.Role)
			}
		}
	}
	if why != nil {
		j.Verdict, j.Why = finding.Fails, strings.Join(why, "; ")
	}
	return j
}

// use reports what the socket has no contact for, and contacts that carry less than a lamp wants.
func use(d *build.Decoder, v *build.Vehicle, s parts.Socket) []finding.Judgement {
	var list []finding.Judgement
	report := func(l *build.Lamp, id, requirement, why, mend string) {
		j := judgement(d, id+"."+l.Name.Text, "lamp "+l.Name.Text+" on "+s.Name, requirement, finding.Reported)
		j.Why, j.Mend, j.Source = why, mend, s.Source
		list = append(list, j)
	}
	for i := range v.Lamps {
		l := &v.Lamps[i]
		if !switches(d, l) {
			continue
		}
		if r := through(l.Feed.Text); r != "" && !s.Has(r) {
			mend := fmt.Sprintf("a wire of its own for the %s, beside the plug", r)
			if r == parts.CommonPlus {
				mend += "; or two diodes from the rails in the vehicle (feed = \"local plus\")"
				if !d.Supply.Single() { // which lets a rail fall below the minus
					mend += "; or one rail for half the light"
				}
			}
			report(l, "feed", "its feed comes through the socket", fmt.Sprintf("the socket has no contact for the %s", r), mend)
		}
		if l.Feed.Text == build.ChipSupply {
			report(l, "feed", "its feed comes through the socket", "no socket has a contact for the chip's supply", "a wire of its own, beside the plug")
		}
		if p, ok := s.At(l.Pin.Value); ok && l.Pin.Known() && p.Role == parts.AuxLogic {
			report(l, "logic", "its contact carries a lamp", fmt.Sprintf("pin %d, %s, is of logic level by the standard: another decoder in this socket would not light it", p.Number, p.Signal), "one of the amplified outputs, front or rear light, AUX1 or AUX2")
		}
	}
	return list
}

// wires reports lamps whose wire has a colour that means something else.
func wires(d *build.Decoder, v *build.Vehicle) []finding.Judgement {
	var list []finding.Judgement
	for i := range v.Lamps {
		l := &v.Lamps[i]
		r, source, ok := parts.WireRole(l.Wire.Text)
		if !ok || r.Switched() || !switches(d, l) {
			continue
		}
		j := judgement(d, "wire."+l.Name.Text, "lamp "+l.Name.Text+" on the "+l.Wire.Text+" wire", "its colour is that of a light or function", finding.Reported)
		j.Why = fmt.Sprintf("%s is the colour of the %s: sooner or later somebody joins it to that", l.Wire.Text, r)
		j.Mend, j.Source = "white for the front light, yellow for the rear one, else green, violet, brown or any colour that is free; mark the wire until then", source
		list = append(list, j)
	}
	return list
}

// table lists contact by contact what the turned plug joins.
func table(b *build.Build, d *build.Decoder, v *build.Vehicle, s parts.Socket) finding.Table {
	t := finding.Table{ID: "socket." + d.Name.Text, Title: "The plug of decoder " + d.Name.Text + " in " + s.Name + ", turned round", Columns: []finding.Column{
		{Title: "pin", Numeric: true}, {Title: "of the decoder"}, {Title: "meets", Numeric: true}, {Title: "of the vehicle"}, {Title: "so"},
	}}
	for _, p := range Pairs(b, d, v, true) {
		so := ""
		switch {
		case p.Swapped:
			so = "as before on DCC, turned on DC"
		case p.Together:
			so = "as before"
		case !p.Decoder.Used && p.Vehicle.Lamp != nil:
			so = "dark"
		case !p.Decoder.Used || !p.Vehicle.Used:
			so = "open"
		case p.Vehicle.Role.Motor():
			so = "on the motor"
		case p.Decoder.Lamp != nil && p.Vehicle.Lamp != nil:
			so = "exchanged"
		default:
			so = "joined"
		}
		t.Rows = append(t.Rows, []finding.Cell{{Text: fmt.Sprint(p.Pin)}, {Text: p.Decoder.words(true)}, {Text: fmt.Sprint(p.Contact)}, {Text: p.Vehicle.words(false)}, {Text: so}})
	}
	return t
}

// turned solves the circuit with the plug turned round and says what dies and what lights.
func turned(n *wiring.Network, w *Wired, s parts.Socket, stresses Stresses) finding.Judgement {
	d := n.Decoder
	j := judgement(d, "turned", "decoder "+d.Name.Text+" in "+s.Name, "plug turned round: nothing is overloaded", finding.Holds)
	j.Source, j.Confidence = s.Source, "everything typical at the usual track voltage, outputs all off and all on, either rail positive"
	m, err := n.Edited(w.Turn)
	if err != nil {
		j.Verdict, j.Why = finding.Fails, "a short circuit: "+err.Error()
		return j
	}
	u := n.Build.Track.Usual.Or(14)
	m.Set(m.Typical())
	n.Set(n.Typical())
	worst := Stress{}
	shines := map[wiring.Drive][]bool{} // by lamp, in either polarity
	before := map[wiring.Drive][]bool{}
	for _, drive := range []wiring.Drive{wiring.Off, wiring.On} {
		shines[drive], before[drive] = make([]bool, len(w.Lamps)), make([]bool, len(w.Lamps))
		for _, left := range []bool{true, false} {
			st := wiring.State{LeftPositive: left, Drive: drive, Track: u}
			var now, sound wiring.Operating
			sol, was := m.Solve(st), n.Solve(st)
			if sol.Status != circuit.Solved || was.Status != circuit.Solved {
				j.Verdict, j.Why = finding.Unknown, "the circuit did not solve"
				return j
			}
			m.Read(sol, &now)
			n.Read(was, &sound)
			list, ref := stresses(m, &now), stresses(n, &sound)
			list, ref = append(list, backwards(w, m)...), append(ref, backwards(w, n)...)
			for k, x := range list {
				if x.Value > more*ref[k].Value && x.Rating > 0 && (worst.Rating == 0 || x.Value/x.Rating > worst.Value/worst.Rating) {
					worst = x
				}
			}
			light, _ := w.shining(m)
			asBefore, _ := w.shining(n)
			for i := range w.Lamps {
				shines[drive][i] = shines[drive][i] || light[i] > lit
				before[drive][i] = before[drive][i] || asBefore[i] > lit
			}
		}
	}
	if worst.Rating > 0 {
		j.Value, j.Limit, j.Sense, j.Unit = worst.Value, worst.Rating, "≤", worst.Unit
		j.Margin = 1 - worst.Value/worst.Rating
		j.Worst = fmt.Sprintf("%s: %s", worst.Part, worst.What)
		switch {
		case j.Margin < 0:
			j.Verdict = finding.Fails
			j.Mend = "mark which way round the plug goes, on plug and socket, before anything is plugged in"
		case j.Margin < 0.05:
			j.Verdict = finding.Close
		}
	}
	var dark, still, ghosts []string
	for i := range w.Lamps {
		name := w.Lamps[i].Lamp.Name.Text
		switch {
		case shines[wiring.Off][i] && !before[wiring.Off][i]:
			ghosts = append(ghosts, name)
		case shines[wiring.On][i]:
			still = append(still, name)
		case before[wiring.On][i]:
			dark = append(dark, name)
		}
	}
	var why []string
	if dark != nil {
		why = append(why, names(dark)+" stay dark")
	}
	if still != nil {
		text := names(still) + " light"
		if other := exchanged(n.Build, d, n.Vehicle); other != "" {
			text += ", " + other
		}
		why = append(why, text)
	}
	if ghosts != nil {
		why = append(why, names(ghosts)+" light with everything off")
	}
	if motor := onMotor(n.Build, d, n.Vehicle); motor != "" {
		why = append(why, motor)
	}
	j.Why = strings.Join(why, "; ")
	return j
}

// backwards is the reverse voltage of every lamp's LEDs.
func backwards(w *Wired, n *wiring.Network) []Stress {
	var list []Stress
	_, across := w.shining(n)
	for i := range w.Lamps {
		l := &w.Lamps[i]
		rating := float64(l.Reverse)
		if !unit.Known(rating) {
			rating = 0
		}
		list = append(list, Stress{"LED of " + l.Lamp.Name.Text, "reverse voltage", max(0, float64(-across[i])), rating, unit.SymVolt})
	}
	return list
}

// exchanged names the lamps that light for each other.
func exchanged(b *build.Build, d *build.Decoder, v *build.Vehicle) string {
	var list []string
	for _, p := range Pairs(b, d, v, true) {
		if p.Decoder.Lamp != nil && p.Vehicle.Lamp != nil && p.Decoder.Lamp != p.Vehicle.Lamp {
			list = append(list, fmt.Sprintf("%s by the output of %s", p.Vehicle.Lamp.Name.Text, p.Decoder.Lamp.Name.Text))
		}
	}
	slices.Sort(list)
	return strings.Join(list, ", ")
}

// onMotor names the outputs that the turned plug puts on the motor.
func onMotor(b *build.Build, d *build.Decoder, v *build.Vehicle) string {
	var list []string
	for _, p := range Pairs(b, d, v, true) {
		if p.Decoder.Lamp != nil && p.Vehicle.Role.Motor() {
			list = append(list, p.Decoder.Lamp.Name.Text)
		}
	}
	if list == nil {
		return ""
	}
	return "the motor hangs on the outputs of " + names(list)
}
