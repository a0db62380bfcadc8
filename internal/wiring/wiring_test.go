package wiring_test

import (
	"context"
	"math"
	"testing"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/circuit"
	"fettle/internal/device"
	"fettle/internal/parts"
	"fettle/internal/survey"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// demo is the embedded build with its open values given, and its lamps as the readings show them.
func demo(t *testing.T) (*build.Build, map[string]*wiring.LampPosterior) {
	t.Helper()
	f, list, err := build.OpenFS(examples.FS, examples.Demo)
	if err != nil || list.HasErrors() {
		t.Fatal(err, list)
	}
	for i := range f.Build.Decoders[0].Outputs {
		o := &f.Build.Decoders[0].Outputs[i]
		o.Series, o.Base, o.Pulldown = build.Given(unit.Ohm(1000)), build.Given(unit.Ohm(4700)), build.Given(unit.Ohm(47000))
	}
	s, err := survey.Survey(context.Background(), f.Build, survey.Settings{})
	if err != nil {
		t.Fatal(err)
	}
	return f.Build, s.Lamps
}

func network(t *testing.T) *wiring.Network {
	t.Helper()
	b, lamps := demo(t)
	n, missing, err := wiring.NewNetwork(b, &b.Decoders[0], lamps)
	if err != nil || len(missing) > 0 {
		t.Fatal(err, missing)
	}
	return n
}

func operate(t *testing.T, n *wiring.Network, st wiring.State) wiring.Operating {
	t.Helper()
	sol := n.Solve(st)
	if sol.Status != circuit.Solved {
		t.Fatalf("%s: %+v", st, sol)
	}
	var op wiring.Operating
	n.Read(sol, &op)
	return op
}

// The equivalent diode of a group must carry what the junctions wired one by one carry.
func TestJunctionStandsForTheGroup(t *testing.T) {
	led := device.Diode{IS: 1e-17, N: 2, RS: 3, XTI: 3, EG: 2.1, GP: 1e-9, T0: 300.15} // "red" of a numerical reference set, made up
	for _, c := range []struct{ series, parallel int }{{1, 1}, {2, 1}, {1, 2}, {2, 3}, {3, 2}} {
		p := wiring.LampParams{Series: c.series, Parallel: c.parallel, Hidden: 470, LED: led}
		whole, single := circuit.New(), circuit.New()
		feed := whole.Node("plus")
		e := wiring.AddLamp(whole, "a", feed, circuit.Ground, p)
		whole.Voltage("supply", feed, circuit.Ground, 9)
		plus, in := single.Node("plus"), single.Node("in")
		single.Voltage("supply", plus, circuit.Ground, 9)
		r := single.Resistor("hidden", plus, in, p.Hidden)
		for row := range c.parallel {
			at := in
			for k := range c.series {
				next := circuit.Ground
				if k < c.series-1 {
					next = single.Node(string(rune('a'+row)) + string(rune('a'+k)))
				}
				single.Diode("led", at, next, led)
				at = next
			}
		}
		for _, temp := range []unit.Celsius{-10, 25, 70} {
			var i [2]float64
			for k, net := range []*circuit.Circuit{whole, single} {
				s, err := circuit.Compile(net)
				if err != nil {
					t.Fatal(err)
				}
				s.SetTemperature(temp.Kelvin())
				if sol := s.Solve(); sol.Status != circuit.Solved {
					t.Fatal(sol)
				}
				i[k] = float64(s.I([]circuit.Elem{e.Hidden, r}[k], 0))
			}
			if math.Abs(i[0]/i[1]-1) > 1e-9 {
				t.Errorf("%d in a row, %d side by side, %s: group %g A, one by one %g A", c.series, c.parallel, temp, i[0], i[1])
			}
		}
	}
}

// A lamp on the left rail conducts only while that rail is positive (NEM 651 has no common plus), and in the
// dark half its LED sees about one rectifier drop in reverse.
func TestHalfWaveLamp(t *testing.T) {
	n := network(t)
	left := operate(t, n, wiring.State{LeftPositive: true, Drive: wiring.On, Track: 14})
	right := operate(t, n, wiring.State{LeftPositive: false, Drive: wiring.On, Track: 14})
	for i := range n.Outputs {
		if left.Lamps[i].Through < 2e-3 {
			t.Errorf("%s: %s with its rail positive, want milliamperes", n.Outputs[i].Name, left.Lamps[i].Through)
		}
		if math.Abs(float64(right.Lamps[i].Through)) > 1e-6 {
			t.Errorf("%s: %s with its rail negative, want below 1 µA", n.Outputs[i].Name, right.Lamps[i].Through)
		}
		if v := -right.Lamps[i].Across; v < 0 || v > 1.2 {
			t.Errorf("%s: LED sees %s in reverse, want about one rectifier drop", n.Outputs[i].Name, v)
		}
	}
	// A bridge makes the chip's supply alike in both polarities, up to what the lamps draw.
	if d := math.Abs(float64(left.VCC - right.VCC)); d > 0.05 {
		t.Errorf("the chip's supply differs by %g V between polarities", d)
	}
}

// Rectified DCC: the plus is the track less two rectifier drops (C-16 of the checks: 22 V gives 20.6 V with
// 0.7 V drops; computed from NMRA S-9.1 levels).
func TestRectifiedPlus(t *testing.T) {
	n := network(t)
	for _, u := range []unit.Volt{8.5, 12, 22, 24} {
		op := operate(t, n, wiring.State{LeftPositive: true, Drive: wiring.Off, Track: u})
		if drop := u - op.Plus; drop < 1.2 || drop > 1.7 {
			t.Errorf("track %s: plus %s, want two drops of 0.6 to 0.85 V below", u, op.Plus)
		}
	}
}

// Power in is power out, at random points of everything that varies and in every state.
func TestPowerBalances(t *testing.T) { balances(t, network(t)) }

// Where only leakage holds a node, currents balance to a picoampere almost anywhere; the solver must not be
// content with that. No node of a decoder that is off lies beyond the rails.
func TestLeakageDoesNotCarryNodesAway(t *testing.T) {
	n := network(t)
	z := n.Typical()
	for k := range 1500 {
		for i, v := range n.Vars {
			x := math.Sin(float64(k*(2*i+3)) * 0.7)
			if v.Levels > 0 {
				z[i] = math.Floor((x + 1) / 2 * float64(v.Levels-1))
			} else {
				z[i] = x
			}
		}
		n.Set(z)
		for _, left := range []bool{true, false} {
			op := operate(t, n, wiring.State{LeftPositive: left, Drive: wiring.Off, Track: 24})
			for i := range op.Out {
				if v := op.Out[i].Switch.Across; v < -2 || v > 25 {
					t.Fatalf("point %d, output %s: collector at %s (%+v)", k, n.Outputs[i].Name, v, op.Solution)
				}
			}
		}
	}
}

// The road to a state must not show in the answer.
func TestWarmAndColdAgree(t *testing.T) {
	n := network(t)
	states := []wiring.State{
		{LeftPositive: true, Drive: wiring.On, Track: 9}, {LeftPositive: true, Drive: wiring.On, Track: 24},
		{Drive: wiring.Off, Track: 24}, {LeftPositive: true, Drive: wiring.Reset, Track: 18}, {Drive: wiring.On, Track: 14},
	}
	var warm []wiring.Operating
	for range 3 {
		warm = warm[:0]
		for _, st := range states {
			warm = append(warm, operate(t, n, st))
		}
	}
	for k, st := range states {
		m := n.Clone()
		m.Set(m.Typical())
		cold := operate(t, m, st)
		for i := range cold.Out {
			a, b := float64(cold.Lamps[i].Through), float64(warm[k].Lamps[i].Through)
			if math.Abs(a-b) > 1e-9*math.Max(math.Abs(a), 1e-3) {
				t.Errorf("%s, %s: cold %g A, warm %g A", st, n.Outputs[i].Name, a, b)
			}
		}
	}
}

func TestMissingIsNamed(t *testing.T) {
	b, lamps := demo(t)
	b.Decoders[0].Outputs[0].Base = build.Quantity[unit.Ohm]{Choose: true}
	delete(lamps, "rear")
	n, missing, err := wiring.NewNetwork(b, &b.Decoders[0], lamps)
	if n != nil || err != nil {
		t.Fatal(n, err) // neither output is whole
	}
	var ids []string
	for _, m := range missing {
		ids = append(ids, m.ID)
	}
	if len(ids) != 2 || ids[0] != "output.front.base" || ids[1] != "lamp.rear" {
		t.Errorf("missing %v, want output.front.base and lamp.rear", ids)
	}
}

// What Learn foretells is where to start, never the answer: learned or not, the same to the solver's tolerance,
// also for an edited copy of a network that has learned.
func TestLearningDoesNotShow(t *testing.T) {
	n, m := network(t), network(t)
	states := []wiring.State{{LeftPositive: true, Drive: wiring.On, Track: 14}, {LeftPositive: true, Drive: wiring.On, Track: 24}, {Drive: wiring.Off, Track: 24}}
	m.Learn(states, nil)
	z := n.Typical()
	for k := range 60 {
		for i, v := range n.Vars {
			x := math.Sin(float64(k*(3*i+1)) * 0.9)
			if v.Levels > 0 {
				x = math.Floor((x + 1) / 2 * float64(v.Levels-1))
			}
			z[i] = x
		}
		n.Set(z)
		m.Set(z)
		for _, st := range states {
			a, b := operate(t, n, st), operate(t, m, st)
			for i := range a.Out {
				if x, y := float64(a.Lamps[i].Through), float64(b.Lamps[i].Through); math.Abs(x-y) > 1e-9*math.Max(math.Abs(x), 1e-3) {
					t.Fatalf("point %d, %s: %g A plainly, %g A learned", k, st, x, y)
				}
			}
		}
	}
	e, err := m.Edited(func(c *circuit.Circuit) { c.Resistor("bridge", m.Outputs[0].PinNode, m.Outputs[0].Switch.Base, 0.05) })
	if err != nil {
		t.Fatal(err)
	}
	e.Set(e.Typical())
	if op := operate(t, e, states[0]); op.Out[0].Switch.Drive < 1e-2 {
		t.Errorf("base bridged to its pin: only %s", op.Out[0].Switch.Drive)
	}
}

// The proof does without the pins' clamp diodes: in every state, at every corner, no pin leaves the chip's rails.
func TestPinsStayWithinTheRails(t *testing.T) {
	n := network(t)
	z := n.Typical()
	for k := range 200 {
		for i, v := range n.Vars {
			if v.Levels == 0 {
				z[i] = float64(1 - 2*((k*(2*i+1)+i*i)/3%2))
			}
		}
		n.Set(z)
		for _, d := range []wiring.Drive{wiring.Off, wiring.On, wiring.Reset} {
			for _, left := range []bool{true, false} {
				for _, u := range []unit.Volt{7, 14, 24} {
					op := operate(t, n, wiring.State{LeftPositive: left, Drive: d, Track: u})
					for i := range op.Out {
						if p := op.Out[i].Pin; p < -0.1 || p > op.VCC+0.1 {
							t.Fatalf("%s at track %s: pin of %s at %s, supply %s", d, u, n.Outputs[i].Name, p, op.VCC)
						}
					}
				}
			}
		}
	}
}

// An edit changes the copy alone.
func TestEditedLeavesTheNetworkAlone(t *testing.T) {
	n := network(t)
	st := wiring.State{LeftPositive: true, Drive: wiring.On, Track: 14}
	before := operate(t, n, st)
	m, err := n.Edited(func(c *circuit.Circuit) { c.Resistor("bridge", n.Outputs[0].Socket, n.Outputs[0].Switch.Out, 0.05) })
	if err != nil {
		t.Fatal(err)
	}
	m.Set(m.Typical())
	bridged := operate(t, m, st)
	if bridged.Lamps[0].Through < 1.5*before.Lamps[0].Through {
		t.Errorf("series resistor bridged: %s, before %s", bridged.Lamps[0].Through, before.Lamps[0].Through)
	}
	if after := operate(t, n, st); math.Abs(float64(after.Lamps[0].Through/before.Lamps[0].Through)-1) > 1e-9 {
		t.Errorf("the network itself changed: %s, before %s", after.Lamps[0].Through, before.Lamps[0].Through)
	}
}

// The chip's own current between the sheet's points: 5 mA typical and 8 mA at most at 8 MHz and 5 V
// (ATtiny25/45/85, from memory of 2586Q table 21-1), in proportion to the clock below.
func TestChipCurrent(t *testing.T) {
	n := network(t)
	op := operate(t, n, wiring.State{LeftPositive: true, Drive: wiring.Off, Track: 14})
	i := float64(op.VCC) / 5 * 5e-3
	got := float64(n.Solver.I(n.ChipDraw, 0))
	if math.Abs(got/i-1) > 1e-6 {
		t.Errorf("the chip draws %g A at %s, want %g A", got, op.VCC, i)
	}
	if v, _ := wiring.MinimumSupply(n.Chip, 8e6); math.Abs(float64(v)-2.7) > 0.011 {
		t.Errorf("8 MHz from %s, want 2.7 V (-20 grade)", v)
	}
	if v, _ := wiring.MinimumSupply(n.Chip, 16e6); math.Abs(float64(v)-3.78) > 0.011 {
		t.Errorf("16 MHz from %s, want 3.78 V (-20 grade)", v)
	}
}

// A lamp whose feed is not said or not wired, and a switch on a lamp that another decoder switches, are named and do not
// stop the rest; outputs of one name in two decoders have identifiers of their own.
func TestWhatIsNotWired(t *testing.T) {
	b, lamps := demo(t)
	b.Vehicles[0].Lamps[0].Feed = build.Text{}
	n, missing, err := wiring.NewNetwork(b, &b.Decoders[0], lamps)
	if err != nil || n == nil || len(n.Outputs) != 1 || len(missing) != 1 || missing[0].ID != "lamp.front.feed" || missing[0].NotBuilt {
		t.Errorf("no feed said: %v, %+v", err, missing)
	}
	b.Vehicles[0].Lamps[0].Feed = build.Words(build.DecoderMinus)
	if _, missing, err = wiring.NewNetwork(b, &b.Decoders[0], lamps); err != nil || len(missing) != 1 || !missing[0].NotBuilt {
		t.Errorf("fed from the decoder minus: %v, %+v", err, missing)
	}

	b, lamps = demo(t)
	second := b.Decoders[0]
	second.Name = build.Words("b")
	b.Decoders = append(b.Decoders, second)
	n, missing, err = wiring.NewNetwork(b, &b.Decoders[1], lamps)
	if err != nil || n != nil || len(missing) != 2 || missing[0].ID != "decoder.b.output.front.lamp" || !missing[0].NotBuilt {
		t.Errorf("both decoders on both lamps: %v, %+v", err, missing)
	}
	if n, missing, err = wiring.NewNetwork(b, &b.Decoders[0], lamps); err != nil || len(missing) != 0 || n.Outputs[0].ID != "decoder.a.output.front" {
		t.Errorf("the first of them: %v, %+v", err, missing)
	}
}

// Rows of LEDs at one voltage, without ohmic resistance: currents as exp(ΔV / n·Vt). At 300 K Vt = 25.85 mV; n = 2 and
// 0.1 V: exp(1.934) = 6.92, so 0.8737 of two, 6.92/(6.92 + 2) = 0.7758 of three.
func TestBrightestOfARow(t *testing.T) {
	led := device.Diode{IS: 1e-17, N: 2, XTI: 3, EG: 2.1, T0: 300}
	for rows, want := range map[int]float64{1: 1, 2: 0.8737, 3: 0.7758} {
		p := wiring.LampParams{Series: 1, Parallel: rows, LED: led}
		if got := p.Brightest(0.010, 0.1, 300); math.Abs(float64(got)/0.010-want) > 5e-4 {
			t.Errorf("%d rows: %g of the whole, want %g", rows, got/0.010, want)
		}
		if got := p.Brightest(0.010, 0, 300); math.Abs(float64(got)*float64(rows)/0.010-1) > 1e-6 {
			t.Errorf("%d equal rows: %s", rows, got)
		}
	}
}

// Resistors come in the package that is written, else in that of the drawer, else in 0805; a bag without a package fits.
func TestPackage(t *testing.T) {
	b, _ := demo(t)
	o := b.Decoders[0].Outputs[0]
	for _, c := range []struct {
		written string
		drawer  []string
		want    string
		onHand  int
	}{
		{"", nil, "0805", 0},
		{"", []string{"0402", "0402"}, "0402", 2},
		{"", []string{"0402", ""}, "0402", 2},
		{"", []string{"", ""}, "0805", 2},
		{"", []string{"0402", "0805"}, "0805", 1},
		{"", []string{"somewhere", "somewhere"}, "0805", 0},
		{"1206", []string{"0805", ""}, "1206", 1},
	} {
		d := &parts.Drawer{}
		for i, p := range c.drawer {
			d.Items = append(d.Items, parts.Item{Kind: parts.KindResistor, Ohm: unit.Ohm(100 + i), Package: p, Count: 1})
		}
		b.Drawer = d
		o.Package = build.Words(c.written)
		if got, have := wiring.PackageOf(b, &o, "base"), wiring.OnHand(b, &o, "base"); got != c.want || len(have) != c.onHand {
			t.Errorf("written %q, drawer %q: %q with %d on hand, want %q with %d", c.written, c.drawer, got, len(have), c.want, c.onHand)
		}
	}
}

// One output alone, with resistors for what the other draws, is what it is in the whole to within what the supply gives way.
func TestAlone(t *testing.T) {
	n := network(t)
	for i := range n.Outputs {
		a, at, err := n.Alone(i, map[string]*wiring.LampPosterior{"front": n.Lamps[0].Post, "rear": n.Lamps[1].Post})
		if err != nil || len(a.Outputs) != 1 || at != 0 || a.Outputs[0].ID != n.Outputs[i].ID {
			t.Fatalf("output %d: %d of %v, %v", i, at, a.Outputs, err)
		}
		a.Set(a.Typical())
		n.Set(n.Typical())
		for _, u := range []unit.Volt{9, 14, 24} {
			for _, left := range []bool{true, false} {
				st := wiring.State{LeftPositive: left, Drive: wiring.On, Track: u}
				whole, alone := operate(t, n, st), operate(t, a, st)
				lamp := n.Outputs[i].Lights[0].Lamp
				if x, y := float64(whole.Lamps[lamp].Through), float64(alone.Lamps[0].Through); math.Abs(x-y) > 0.005*math.Abs(x)+1e-9 {
					t.Errorf("output %d, %s: the lamp has %g A in the whole, %g A alone", i, st, x, y)
				}
				if x, y := float64(whole.VCC), float64(alone.VCC); math.Abs(x-y) > 0.005 {
					t.Errorf("output %d, %s: the chip has %g V in the whole, %g V alone", i, st, x, y)
				}
			}
		}
	}
}
