package defect_test

import (
	"context"
	"math"
	"slices"
	"testing"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/circuit"
	"fettle/internal/defect"
	"fettle/internal/socket"
	"fettle/internal/wiring"
	"fettle/internal/work"
)

func network(t *testing.T, name string) *wiring.Network {
	t.Helper()
	f, _, err := build.OpenFS(examples.FS, name)
	if err != nil {
		t.Fatal(err)
	}
	c, err := (&work.Runner{}).Choose(context.Background(), f)
	if err != nil {
		t.Fatal(err)
	}
	n, _, err := wiring.NewNetwork(c.Build, &c.Build.Decoders[0], c.Lamps)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// Every hypothesis of every demo edits a circuit of its own: it can be applied, the circuit solves on the track, the network it was
// made from stays as it was; IDs are unique, every hypothesis has its words, its repair and the prior of its class, and every
// class of the table is used on one of the demos.
func TestHypotheses(t *testing.T) {
	priors, err := defect.Priors("")
	if err != nil {
		t.Fatal(err)
	}
	used := map[string]bool{}
	for _, name := range examples.Names {
		n := network(t, name)
		var plug func(*circuit.Circuit)
		if n.Vehicle.Socket.Text != "wires" {
			plug = socket.Of(n).Turn
		}
		list, err := defect.Hypotheses(n, defect.Options{Plug: plug})
		if err != nil {
			t.Fatal(err)
		}
		before := len(n.Circuit.Elements())
		seen := map[string]defect.Hypothesis{}
		unsolved := 0
		for k, h := range list {
			if _, twice := seen[h.ID]; twice {
				t.Errorf("%s: %s stands twice", name, h.ID)
			}
			seen[h.ID] = h
			used[h.Class] = true
			switch {
			case k == 0:
				if h.ID != defect.Sound || h.Edit != nil {
					t.Errorf("%s: the first is %+v, want the sound one", name, h)
				}
			case h.Words == "" || h.Repair == "" || h.Part == "":
				t.Errorf("%s: %s lacks words, repair or part", name, h.ID)
			case h.Edit == nil && h.Says == nil:
				t.Errorf("%s: %s shows nowhere", name, h.ID)
			case h.Class == "pair":
				a, b := seen[h.Of[0]], seen[h.Of[1]]
				if want := a.Prior * b.Prior; math.Abs(h.Prior-want) > 1e-15 {
					t.Errorf("%s: %s has the prior %g, want %g", name, h.ID, h.Prior, want)
				}
				if a.Part == b.Part || a.Only != defect.Everywhere || b.Only != defect.Everywhere {
					t.Errorf("%s: %s is no pair of two parts", name, h.ID)
				}
			case h.ID == "rectifier.turned": // twice as likely: one part, either way
			case h.Prior != priors[h.Class]:
				t.Errorf("%s: %s has the prior %g, its class %q %g", name, h.ID, h.Prior, h.Class, priors[h.Class])
			}
			for id, p := range h.Says {
				if !slices.ContainsFunc(defect.Observations, func(o defect.Observation) bool { return o.ID == id }) || !(p > 0 && p < 1) {
					t.Errorf("%s: %s says %q with %g, which no observation is", name, h.ID, id, p)
				}
			}
			if h.Edit == nil {
				continue
			}
			m, err := n.Edited(h.Edit)
			if err != nil {
				t.Errorf("%s: %s: %v", name, h.ID, err)
				continue
			}
			m.Set(m.Typical())
			if sol := m.Solve(wiring.State{LeftPositive: true, Drive: wiring.On, Track: 14}); sol.Status != circuit.Solved {
				unsolved++
				t.Logf("%s: %s: %v", name, h.ID, sol.Status)
			}
			if after := len(n.Circuit.Elements()); after != before || slices.ContainsFunc(n.Circuit.Elements(), func(e circuit.Element) bool { return e.Removed && e.Kind == circuit.KindPin }) {
				t.Fatalf("%s: %s changed the network it was made from", name, h.ID)
			}
		}
		t.Logf("%s: %d hypotheses", name, len(list))
		if unsolved > 0 {
			t.Errorf("%s: %d of %d do not solve", name, unsolved, len(list))
		}
	}
	for class := range priors {
		if !used[class] {
			t.Errorf("no demo uses the class %q", class)
		}
	}
}

// An edit does what its words say, on the network of the demo: one of each kind that is more than a bridge or a value.
func TestEdits(t *testing.T) {
	n := network(t, examples.Demo)
	list, err := defect.Hypotheses(n, defect.Options{Plug: socket.Of(n).Turn, Pairs: -1})
	if err != nil {
		t.Fatal(err)
	}
	on := wiring.State{LeftPositive: true, Drive: wiring.On, Track: 14}
	solved := func(id string, st wiring.State) *wiring.Network {
		t.Helper()
		k := slices.IndexFunc(list, func(h defect.Hypothesis) bool { return h.ID == id })
		if k < 0 {
			t.Fatalf("no hypothesis is called %s", id)
		}
		edit := list[k].Edit
		if edit == nil {
			edit = func(*circuit.Circuit) {}
		}
		m, err := n.Edited(edit)
		if err != nil {
			t.Fatal(err)
		}
		m.Set(m.Typical())
		if sol := m.Solve(st); sol.Status != circuit.Solved {
			t.Fatal(id, sol.Status)
		}
		return m
	}
	light := func(m *wiring.Network, lamp int) float64 {
		forward, back := m.Lamps[lamp].Light(m.Solver)
		return float64(forward + back)
	}
	sound := solved(defect.Sound, on)
	if sound.Lamps[0].Name != "front" {
		t.Fatal("the first lamp is not the front one")
	}
	left := on
	left.LeftPositive = false
	for _, x := range []struct {
		id, what  string
		state     wiring.State
		low, high float64 // of the light of the front lamp over that of the sound one
	}{
		{"lamp.front.dead", "dark", on, 0, 0.001},
		{"lamp.front.reversed", "dark", on, 0, 0.001},
		{"lamp.front.contact", "dark", on, 0, 0.001},
		{"vehicle.lamps", "between half and the whole", on, 0.5, 0.98},
		{"vehicle.feed", "dark for this polarity", on, 0, 0.001},
		{"vehicle.feed", "lit for the other", left, 0.95, 1.05},
		{"vehicle.shared-front-rear", "less than alone", on, 0.02, 0.95},
		{"plug.turned", "not on its own contact", on, 0, 0.001},
		{"track.dc", "a chip without DCC holds its outputs off", on, 0, 0.001},
		{"track.none", "no track", on, 0, 0.001},
		{"track.low", "about half the voltage", on, 0.1, 0.7},
		{"rail.dirty", "less", on, 0.3, 0.99},
	} {
		if got := light(solved(x.id, x.state), 0) / light(sound, 0); !(got >= x.low && got <= x.high) {
			t.Errorf("%s: the front lamp has %.3f of its current; want %s, %g to %g", x.id, got, x.what, x.low, x.high)
		}
	}
	volt := func(m *wiring.Network, at circuit.Node) float64 { return float64(m.Solver.V(at)) }
	if v := volt(solved("track.low", on), n.Plus) / volt(sound, n.Plus); !(v > 0.35 && v < 0.55) {
		t.Errorf("half the track: plus has %.2f of its voltage", v)
	}
	// The chip off its supply joint, its ear on the positive rail: the regulator's side reads its voltage, the pin less.
	if v := volt(solved("chip.supply-open", on), n.VCC); math.Abs(v-volt(sound, n.VCC)) > 0.1 {
		t.Errorf("chip off its joint: the supply reads %.2f V", v)
	}
	for _, id := range []string{"programmer.attached", "flux.front.switch"} {
		off := on
		off.Drive = wiring.Off
		a, b := solved(id, off), solved(defect.Sound, off)
		if id == "flux.front.switch" && !(volt(a, n.Outputs[0].Switch.Input) > volt(b, n.Outputs[0].Switch.Input)+0.3) {
			t.Errorf("%s: the base is not lifted", id)
		}
	}
}

func TestPriorsOverride(t *testing.T) {
	p, err := defect.Priors("class,share,note\nsound,0.5,a careful hand\n")
	if err != nil || p["sound"] != 0.5 || p["short"] == 0 {
		t.Errorf("%v %v", p, err)
	}
	for _, bad := range []string{"sund,0.5,", "sound,1.5,", "sound\n", "sound,much,"} {
		if _, err := defect.Priors(bad); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}
