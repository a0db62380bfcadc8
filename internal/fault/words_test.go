package fault_test

import (
	"os"
	"regexp"
	"strings"
	"testing"

	"fettle/examples"
	"fettle/internal/fault"
)

// What people say, and what it is taken as: test and answer.
func TestSaid(t *testing.T) {
	s := fault.NewSession(fault.Plan(network(t, examples.Demo), fault.Building{}))
	for _, x := range []struct{ said, want string }{
		{"front light on and stays on", "dcc-off:lit:front yes, dcc-on:lit:front yes"},
		{"the front lamp is dark", "dcc-on:lit:front no"},
		{"front light does not light", "dcc-on:lit:front no"},
		{"front never goes out", "dcc-off:lit:front yes, dcc-on:lit:front yes"},
		{"front dim", "dcc-on:lit:front yes"},
		{"rear light lit, dcc off", "dcc-off:lit:rear yes"},
		{"lamp front lit dcc-off", "dcc-off:lit:front yes"},
		{"rear dark with everything on", "dcc-on:lit:rear no"},
		{"front lit only rear on", "dcc-only-rear:lit:front yes"},
		{"front light flickers", "flickers yes"},
		{"board gets warm", "warm yes"},
		{"the board is hot", "warm yes"},
		{"board does not get warm", "warm no"},
		{"board stays cold", "warm no"},
		{"no answer on the programming track", "answers no"},
		{"answers on the programming track", "answers yes"},
		{"does not answer on the programming track", "answers no"},
		{"worked after I added a test LED to front", "test-led:front yes"},
		{"test LED in place of lamp rear stays dark", "test-led:rear no"},
		{"worked after warming", "warming yes"},
		{"after warming", "warming yes"},
		{"warming changes nothing", "warming no"},
		{"works when warm", "warming yes"},
		{"after power-off", "power-off yes"},
		{"worked after power off", "power-off yes"},
		{"power-off changes nothing", "power-off no"},
		{"with the other car", "other-car yes"},
		{"works with the other car", "other-car yes"},
		{"the same with the other car", "other-car no"},
		{"programmer attached", "attached yes"},
		{"no programmer attached", "attached no"},
		{"other decoders work on this track", "other-track yes"},
		{"nothing works on this track", "other-track no"},
		{"another vehicle than was measured", "swapped no"},
		{"it is the vehicle that was measured", "swapped yes"},
		{"worked with the plug turned round", "plug-turned yes"},
		{"forgets its address", "forgets yes"},
		{"keeps its settings", "forgets no"},
		{"comes and goes", "goes yes"},
		{"always the same", "goes no"},
		{"pressing it changes nothing", "pressing no"},
		{"worked after cleaning the flux off", "cleaning yes"},
		{"one lamp dims when another comes on", "dims yes"},
	} {
		list, problems := s.Take("--reading", 1, x.said)
		var got []string
		for _, r := range list {
			if test := s.Table.Tests[r.Test]; test.Choices != nil {
				got = append(got, test.ID+" "+test.Choices[r.Choice])
			}
		}
		if len(problems) > 0 || strings.Join(got, ", ") != x.want {
			t.Errorf("%q is taken as %q %v, want %q", x.said, strings.Join(got, ", "), problems, x.want)
		}
	}
	// Every way that the program itself says an observation is understood as that.
	for i, test := range s.Table.Tests {
		for c, saying := range test.Sayings {
			if list, problems := s.Take("x", 1, saying); len(problems) > 0 || len(list) != 1 || list[0].Test != i || list[0].Choice != c {
				t.Errorf("%q is taken as %v %v", saying, list, problems)
			}
		}
	}
	for _, x := range []string{"xyz", "the moon is full", "test LED lights", ""} {
		if _, problems := s.Take("x", 1, x); len(problems) != 1 {
			t.Errorf("%q: %v, want one refusal", x, problems)
		}
	}
}

// Setups by the short names that people type, and what a reading without one is taken as.
func TestSetupNames(t *testing.T) {
	s := fault.NewSession(fault.Plan(network(t, examples.Demo), fault.Building{}))
	for _, x := range []struct{ typed, setup string }{
		{"PB0 = 4.9 V", "dcc-on"},
		{"off: PB0 = 0.02 V", "dcc-off"},
		{"on: PB0 = 4.9 V", "dcc-on"},
		{"dcc on: PB0 = 4.9 V", "dcc-on"},
		{"dc left on: PB0 = 4.9 V", "vehicle-left-on"},
		{"board off: PB0 = 0 V", "board-left-off"},
		{"board right on: PB0 = 4.9 V", "board-right-on"},
		{"alone, left, on: PB0 = 4.9 V", "board-left-on"},
		{"front on: PB0 = 4.9 V", "dcc-only-front"},
		{"all off: PB0 = 4.9 V", "dcc-off"},
		{"no power: PB0 to front.base = 10 kΩ", "unpowered"},
		{"PB0 to front.base = 10 kΩ", "unpowered"},
		{"lamp-front: current = 9 mA", "lamp-front"},
	} {
		r, problems := s.Parse("x", 1, x.typed)
		if len(problems) > 0 || s.Table.Tests[r.Test].Setup != x.setup {
			t.Errorf("%q: %v, taken in %q, want %q", x.typed, problems, s.Table.Tests[r.Test].Setup, x.setup)
		}
	}
	// The setup in hand comes first.
	r, _ := s.Parse("x", 1, "board left on: PB0 = 4.9 V")
	s.Put(r, "")
	if r, _ = s.Parse("x", 1, "off: PB0 = 0 V"); s.Table.Tests[r.Test].Setup != "board-left-off" {
		t.Errorf("off is taken in %q, want the board that is set up", s.Table.Tests[r.Test].Setup)
	}
	if r, _ = s.Parse("x", 1, "PB1 = 0 V"); s.Table.Tests[r.Test].Setup != "board-left-on" {
		t.Errorf("PB1 is taken in %q, want the setup in hand", s.Table.Tests[r.Test].Setup)
	}
}

// Whatever an example in a message or in the docs says can be typed.
func TestExamples(t *testing.T) {
	for _, name := range examples.Names {
		s := fault.NewSession(fault.Plan(network(t, name), fault.Building{}))
		quoted := regexp.MustCompile(`"([^"]+)"`)
		var list []string
		for _, m := range quoted.FindAllStringSubmatch(s.Forms()+strings.Join(s.Examples(), " "), -1) {
			list = append(list, m[1])
		}
		if len(list) < 6 {
			t.Errorf("%s: only the examples %q", name, list)
		}
		if name == examples.Demo {
			doc, err := os.ReadFile("../../docs/fault.md")
			if err != nil {
				t.Fatal(err)
			}
			found := regexp.MustCompile(`--(?:reading|saw) "([^"]+)"`).FindAllStringSubmatch(string(doc), -1)
			if len(found) < 3 {
				t.Errorf("docs/fault.md shows %d examples", len(found))
			}
			for _, m := range found {
				list = append(list, m[1])
			}
		}
		for _, x := range list {
			if _, problems := s.Take("x", 1, x); len(problems) > 0 {
				t.Errorf("%s: %q: %v", name, x, problems)
			}
		}
	}
}

// Bad input is refused with the number, its limit and what was probably meant.
func TestRefused(t *testing.T) {
	s := fault.NewSession(fault.Plan(network(t, examples.Demo), fault.Building{}))
	for _, x := range []struct {
		typed string
		want  []string
	}{
		{"dcc on: plus = 40 V", []string{"40.0 V cannot be", "27.0 V"}},
		{"PB0 = 5 mA", []string{"is wanted"}},
		{"PB0 = 5", []string{"is wanted"}},
		{"frnt.base = 0.7 V", []string{`did you mean "front.base"?`}},
		{"bord-left-on: PB0 = 5 V", []string{`did you mean "board-left-on"?`}},
		{"PB0 to front.base = -10 kΩ", []string{"negative"}},
		{"PB0 0.02 V", []string{"is not understood", "PB0 = 0.02 V", "board gets warm"}},
	} {
		_, problems := s.Take("--reading", 1, x.typed)
		if len(problems) == 0 {
			t.Errorf("%q is taken", x.typed)
			continue
		}
		said := strings.NewReplacer("\u202f", " ", "\u00a0", " ", "\u2009", " ").Replace(problems[0].Message)
		for _, w := range x.want {
			if !strings.Contains(said, w) {
				t.Errorf("%q is refused with %q, which lacks %q", x.typed, said, w)
			}
		}
	}
}
