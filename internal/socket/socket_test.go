package socket_test

import (
	"context"
	"math"
	"strings"
	"testing"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/circuit"
	"fettle/internal/finding"
	"fettle/internal/parts"
	"fettle/internal/socket"
	"fettle/internal/survey"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// The demo's two lamps as its readings show them.
var lamps map[string]*wiring.LampPosterior

// demo is the embedded build with its open values given, in another socket: pins and feed of front and rear.
func demo(t *testing.T, name string, front, rear int, feed string) *build.Build {
	t.Helper()
	f, list, err := build.OpenFS(examples.FS, examples.Demo)
	if err != nil || list.HasErrors() {
		t.Fatal(err, list)
	}
	b := f.Build
	if lamps == nil {
		s, err := survey.Survey(context.Background(), b, survey.Settings{})
		if err != nil {
			t.Fatal(err)
		}
		lamps = s.Lamps
	}
	for i := range b.Decoders[0].Outputs {
		o := &b.Decoders[0].Outputs[i]
		o.Series, o.Base, o.Pulldown = build.Given(unit.Ohm(1000)), build.Given(unit.Ohm(4700)), build.Given(unit.Ohm(47000))
	}
	v := &b.Vehicles[0]
	v.Socket = build.Words(name)
	for i, pin := range []int{front, rear} {
		v.Lamps[i].Pin, v.Lamps[i].Feed = build.Given(pin), build.Words(feed)
	}
	return b
}

func network(t *testing.T, b *build.Build) *wiring.Network {
	t.Helper()
	n, missing, err := wiring.NewNetwork(b, &b.Decoders[0], lamps)
	if err != nil || len(missing) > 0 {
		t.Fatal(err, missing)
	}
	return n
}

// none is what nothing else is judged against.
func none(*wiring.Network, *wiring.Operating) []socket.Stress { return nil }

func verdict(t *testing.T, js []finding.Judgement, id string) finding.Judgement {
	t.Helper()
	for _, j := range js {
		if j.ID == id {
			return j
		}
	}
	t.Fatalf("no verdict %s", id)
	return finding.Judgement{}
}

// Contact by contact.
func TestPairs(t *testing.T) {
	b := demo(t, "NEM 651", 5, 6, build.LeftRail)
	d, v := &b.Decoders[0], &b.Vehicles[0]
	for _, p := range socket.Pairs(b, d, v, false) {
		if p.Pin != p.Contact || p.Swapped || !p.Together {
			t.Errorf("the right way round: %+v", p)
		}
	}
	// NEM 651 (2017) page 1: turned round, 1-6, 2-5, 3-4.
	turned := socket.Pairs(b, d, v, true)
	if len(turned) != 6 {
		t.Fatal(turned)
	}
	for i, want := range []struct {
		contact int
		role    parts.Role
		lamp    string
		used    bool
	}{{6, parts.RearLight, "rear", false}, {5, parts.FrontLight, "front", false}, {4, parts.PickupLeft, "", true}, {3, parts.PickupRight, "", true}, {2, parts.MotorMinus, "", true}, {1, parts.MotorPlus, "", true}} {
		p := turned[i]
		if p.Contact != want.contact || p.Vehicle.Role != want.role || p.Decoder.Used != want.used || (p.Vehicle.Lamp == nil) != (want.lamp == "") || p.Together {
			t.Errorf("pin %d: %+v, want %+v", i+1, p, want)
		}
	}
	if !turned[2].Swapped || turned[4].Decoder.Lamp.Name.Text != "front" {
		t.Error("the rails swap, and the output of the front lamp meets the motor")
	}
	v.Socket = build.Words("wires")
	if socket.Pairs(b, d, v, true) != nil {
		t.Error("bare wires have no plug")
	}
}

// What comes of the turned plug, by the circuit, against what each standard says of it.
func TestTurnedPlug(t *testing.T) {
	for _, x := range []struct {
		name        string
		socket      string
		front, rear int
		feed        string
		verdict     finding.Verdict
		why, worst  string
		source      string
	}{
		{"six pins", "NEM 651", 5, 6, build.LeftRail, finding.Holds, "lamps front, rear stay dark; the motor hangs on the outputs of lamps front, rear", "",
			"NEM 651 (2017) page 1: motor against lights"},
		{"eight pins", "NEM 652", 6, 2, build.RectifiedPlus, finding.Holds, "lamps front, rear stay dark", "",
			"NEM 652 (2017) page 1: motor stays motor, lights do not work"},
		{"a function on pin 3", "NEM 652", 6, 3, build.RectifiedPlus, finding.Fails, "lamps front, rear stay dark", "LED of rear: reverse voltage",
			"NEM 652 (2017) page 1: a function on pin 3 must be protected against reversed insertion"},
		{"eight pins, lamps on a rail", "NEM 652", 6, 2, build.LeftRail, finding.Holds, "lamps front, rear light, front by the output of rear, rear by the output of front", "",
			"derived: contacts 2 and 6 change places, and the rails with them"},
		{"eight pins, the vehicle's own plus", "NEM 652", 6, 2, build.LocalPlus, finding.Holds, "lamps front, rear light, front by the output of rear, rear by the output of front", "",
			"derived: the local plus stays in the vehicle"},
		{"Next18", "NEM 662", 8, 17, build.RectifiedPlus, finding.Holds, "lamps front, rear light, front by the output of rear, rear by the output of front", "",
			"NEM 662 (digest): point-symmetric, reversed insertion does no harm"},
	} {
		t.Run(x.name, func(t *testing.T) {
			n := network(t, demo(t, x.socket, x.front, x.rear, x.feed))
			js, tables := socket.Judge(n, none)
			j := verdict(t, js, "socket.a.turned")
			if j.Verdict != x.verdict || j.Why != x.why || j.Verdict == finding.Fails && j.Worst != x.worst {
				t.Errorf("%s: %q, worst %q; want %s, %q, %q (%s)", j.Verdict, j.Why, j.Worst, x.verdict, x.why, x.worst, x.source)
			}
			if j.Verdict == finding.Fails {
				// The decoder's plus stands on the lamp's cathode and its output pulls the anode down: all of the
				// track less two diodes of the bridge and the saturated switch.
				if j.Value < 12 || j.Value > 13.5 || j.Limit > 10 || j.Mend == "" {
					t.Errorf("%.2f V backwards against %.1f V, mend %q", j.Value, j.Limit, j.Mend)
				}
			}
			if m := verdict(t, js, "socket.a.motor"); m.Verdict != finding.Holds {
				t.Errorf("the motor's contacts: %s", m.Why)
			}
			if s, _ := n.Build.Catalogue.Socket(x.socket); len(tables) != 1 || len(tables[0].Rows) != len(s.Pins) {
				t.Errorf("%d tables", len(tables))
			}
		})
	}
}

// The edited circuit itself: no current in the motor of a turned six-pin plug, the rails changed over, and the same
// network untouched.
func TestTurnEdits(t *testing.T) {
	n := network(t, demo(t, "NEM 651", 5, 6, build.LeftRail))
	w := socket.Of(n)
	m, err := n.Edited(w.Turn)
	if err != nil {
		t.Fatal(err)
	}
	motor := circuit.Elem(-1)
	for i, e := range m.Circuit.Elements() {
		if e.Name == "motor" {
			motor = circuit.Elem(i)
			if e.Ohm != 20 {
				t.Errorf("the motor is %s, want the assumed 20 Ω", e.Ohm)
			}
		}
	}
	m.Set(m.Typical())
	for _, left := range []bool{true, false} {
		for _, drive := range []wiring.Drive{wiring.Off, wiring.On} {
			if sol := m.Solve(wiring.State{LeftPositive: left, Drive: drive, Track: 14}); sol.Status != circuit.Solved {
				t.Fatal(sol)
			}
			if i := m.Solver.I(motor, 0); math.Abs(float64(i)) > 1e-6 {
				t.Errorf("left %t, %s: %s through the motor: both its ends hang on outputs that pull to minus or not at all", left, drive, i)
			}
			// The vehicle's left rail now feeds the decoder's right input.
			if v := m.Solver.V(m.LeftRail) - m.Solver.V(m.RightRail); (v > 0) == left {
				t.Errorf("left %t: the decoder's left input is at %s", left, v)
			}
		}
	}
	own := n.Build.Vehicles[0].Motor
	n.Build.Vehicles[0].Motor = &build.Motor{Resistance: build.Given(unit.Ohm(33))}
	if m, err = n.Edited(w.Turn); err != nil {
		t.Fatal(err)
	}
	if e := m.Circuit.Elements()[motor]; e.Ohm != 33 {
		t.Errorf("the motor is %s, want its own 33 Ω", e.Ohm)
	}
	n.Build.Vehicles[0].Motor = own
	if got := len(n.Circuit.Elements()); got >= len(m.Circuit.Elements()) {
		t.Error("the original has the motor too")
	}
}

// A rating that the turned plug exceeds is named; what it does not raise is not its doing.
func TestStresses(t *testing.T) {
	n := network(t, demo(t, "NEM 662", 8, 17, build.RectifiedPlus))
	for _, x := range []struct {
		turned  float64
		verdict finding.Verdict
	}{{0.5, finding.Holds}, {0.96, finding.Close}, {1.2, finding.Fails}} {
		js, _ := socket.Judge(n, func(m *wiring.Network, op *wiring.Operating) []socket.Stress {
			s := []socket.Stress{{"switch of front", "heat", 0.3, 1, unit.SymWatt}, {"regulator", "input voltage", 3, 1, unit.SymVolt}}
			if m != n {
				s[0].Value = x.turned
			}
			return s
		})
		if j := verdict(t, js, "socket.a.turned"); j.Verdict != x.verdict || j.Worst != "switch of front: heat" {
			t.Errorf("%g of its rating: %s, worst %q", x.turned, j.Verdict, j.Worst)
		}
	}
}

// DCC never links the motor's contacts to the rails: a lamp on one of them does.
func TestLampOnTheMotor(t *testing.T) {
	b := demo(t, "NEM 651", 1, 6, build.LeftRail)
	j := socket.Motor(b, &b.Decoders[0], &b.Vehicles[0])
	if j.Verdict != finding.Fails || j.Mend != "move lamp front to pin 5, front light" {
		t.Errorf("%s, mend %q", j.Verdict, j.Mend)
	}
	for _, part := range []string{"lamp front hangs on pin 1, motor +", "left rail", "decoder's minus"} {
		if !strings.Contains(j.Why, part) {
			t.Errorf("%q does not say %q", j.Why, part)
		}
	}
}

// What a socket has no contact for is reported, with what to do.
func TestUse(t *testing.T) {
	// NEM 651 (2017): no common plus on the connector.
	js, _ := socket.Judge(network(t, demo(t, "NEM 651", 5, 6, build.RectifiedPlus)), none)
	j := verdict(t, js, "socket.a.feed.front")
	if j.Verdict != finding.Reported || !strings.Contains(j.Why, "no contact for the common plus") || !strings.Contains(j.Mend, "a wire of its own") {
		t.Errorf("%s: %s, %s", j.Verdict, j.Why, j.Mend)
	}
	// NEM 652 (2017): contact 7 is the common plus.
	js, _ = socket.Judge(network(t, demo(t, "NEM 652", 6, 2, build.RectifiedPlus)), none)
	for _, j := range js {
		if strings.Contains(j.ID, ".feed.") {
			t.Errorf("%s: %s", j.ID, j.Why)
		}
	}
	// NEM 662 (digest): AUX3 to AUX6 are of logic level.
	js, _ = socket.Judge(network(t, demo(t, "NEM 662", 8, 4, build.RectifiedPlus)), none)
	if j := verdict(t, js, "socket.a.logic.rear"); !strings.Contains(j.Why, "logic level") {
		t.Errorf("%s", j.Why)
	}
	// Bare wires: RP-9.1.1 (digest), blue is the common plus of the lights.
	b := demo(t, "wires", 5, 6, build.LeftRail)
	for i, colour := range []string{"Blue", "yellow"} {
		b.Vehicles[0].Lamps[i].Wire, b.Vehicles[0].Lamps[i].Pin = build.Words(colour), build.Quantity[int]{}
	}
	js, _ = socket.Judge(network(t, b), none)
	if len(js) != 1 || js[0].ID != "socket.a.wire.front" || !strings.Contains(js[0].Why, "common plus") {
		t.Errorf("%+v", js)
	}
	b.Vehicles[0].Socket = build.Text{}
	if js, tables := socket.Judge(network(t, b), none); js != nil || tables != nil {
		t.Error("a vehicle that says no socket has none to be judged")
	}
}

// The vehicle's own diodes hang on the vehicle's rails, which the turned plug puts on the decoder's other inputs.
func TestOwnDiodesFollowTheRails(t *testing.T) {
	n := network(t, demo(t, "NEM 652", 6, 2, build.LocalPlus))
	w := socket.Of(n)
	m, err := n.Edited(w.Turn)
	if err != nil || len(w.Locals) != 2 {
		t.Fatal(err, w.Locals)
	}
	for _, e := range w.Locals {
		was, is := n.Circuit.Elements()[e].Nodes[0], m.Circuit.Elements()[e].Nodes[0]
		if was == n.LeftRail && is != n.RightRail || was == n.RightRail && is != n.LeftRail || was == is {
			t.Errorf("from node %d to %d", was, is)
		}
	}
}

// A single diode minds a turned plug no more than a bridge does: the rails change over, it feeds in the other half-wave, and the
// lamps do what they do behind a bridge.
func TestTurnedPlugOfOneDiode(t *testing.T) {
	for _, rail := range []string{build.LeftRail, build.RightRail} {
		var why [2]string
		for k := range why {
			b := demo(t, "NEM 652", 6, 2, build.RectifiedPlus)
			if k == 1 {
				s := &b.Decoders[0].Supply
				s.Rectifier, s.Diodes, s.From = build.Words("1N4148W"), build.Given(1), build.Words(rail)
			}
			n := network(t, b)
			js, _ := socket.Judge(n, none)
			j := verdict(t, js, "socket.a.turned")
			if why[k] = j.Why; j.Verdict != finding.Holds {
				t.Errorf("%s: %s (%s)", rail, j.Verdict, j.Why)
			}
			if k == 1 {
				m, err := n.Edited(socket.Of(n).Turn)
				if err != nil || m.Feeds(true) == n.Feeds(true) || m.Feeds(false) == n.Feeds(false) {
					t.Errorf("%s: turned it feeds as before (%v)", rail, err)
				}
			}
		}
		if why[0] != why[1] {
			t.Errorf("%s: behind a bridge %q, behind one diode %q", rail, why[0], why[1])
		}
	}
}
