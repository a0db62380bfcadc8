package fault

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"slices"
	"strings"
	"sync"

	"fettle/internal/circuit"
	"fettle/internal/defect"
	"fettle/internal/device"
	"fettle/internal/meter"
	"fettle/internal/probe"
	"fettle/internal/socket"
	"fettle/internal/spread"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// Building is how a table is made. The zero value is what a conversation uses.
type Building struct {
	Samples  int    // of the tolerances, for each cause; 0: 100
	Sound    int    // of the sound decoder; 0: twice as many
	Seed     uint64 // 0: 1
	Bench    probe.Settings
	Progress func(done, total int)
	// Off is a share by which values that are wrong are off besides: simulations use it, the diagnosis does not know it.
	Off    float64
	All    bool               // keep the causes that no reading tells from a sound decoder
	Priors map[string]float64 // of the classes; nil: defect's table
}

const (
	usualSamples = 100
	// The sound decoder has more samples than each cause: the tails of its tolerances are what leaks and slips are mistaken for. With five
	// times as many it was called sound more often still, and too many faults with it: few samples weigh less than many.
	soundShare = 2
)

// pairShare is how many times fewer samples a pair of causes gets: it is there to be told from single ones, which few do not.
const pairShare = 3

// Costs in minutes: common practice, no source.
const (
	minutesVolts   = 0.7
	minutesOhms    = 1.0
	minutesCurrent = 3.0 // a wire has to be opened
	minutesLamp    = 1.0
	minutesLook    = 0.2
	minutesSlip    = 1.0 // what a slip of the probe there costs, times how often it happens
	nextSetup      = 0.3 // from one setup to the next in the same place
)

var prepare = map[probe.Where]float64{probe.BareLamp: 2.5, probe.Unpowered: 1, probe.Board: 2.5, probe.Vehicle: 2}

// slipShare is how many readings are slips of probe, range, eye or pen: common practice, no source.
const slipShare = 0.02

// How often a finger calls warm what is not, or the other way round, and how often a trial goes wrong: common practice, no source.
const (
	slipWarm = 0.12
	slipTry  = 0.03
)

// seenCurrent is the lamp current from which it is called lit (A, mean): well under what lights are asked for.
const seenCurrent = 0.15e-3

// A table under construction.
type maker struct {
	n      *wiring.Network
	bench  *probe.Bench
	from   []int // measurement of a test; −1
	plug   func(c *circuit.Circuit)
	lights []light
	states []wiring.State
	seen   []seen
	warm   int   // the test whether the board gets warm
	leds   []int // of every lamp, the test with an LED in its place; −1
	car    int   // the test with another vehicle
	ofLamp map[circuit.Elem]bool
	dccOn  []int // the states of DCC with all outputs on
	parts  map[string]string
}

// A light is the test whether a lamp is lit.
type light struct {
	test, lamp int
	states     []int // indices of states; none: by itself on the supply, from the measurement alone
	alone      int
}

// seen is an observation that hypotheses tell by themselves.
type seen struct {
	test  int
	id    string
	sound float64
}

// ranges of a function of the meter.
func ranges(m meter.Spec, f meter.Function) (out []Range) {
	for _, r := range m.Ranges {
		if r.Function == f {
			out = append(out, Range{Full: r.Full, Slack: r.Slack(), Common: float64(r.Gain), Known: float64(r.Known), Name: fmt.Sprintf("%s %g", f, r.Full)})
		}
	}
	return out
}

// Tests that are neither the meter's nor an observation that a hypothesis tells by itself: they follow from the circuit.
const (
	Warm     = "warm"
	TestLED  = "test-led" // with the lamp's name behind a colon
	OtherCar = "other-car"
)

// lay lists the tests.
func (m *maker) lay() (tests []Test) {
	b, n := m.bench, m.n
	add := func(t Test, from int) int {
		tests, m.from = append(tests, t), append(m.from, from)
		return len(tests) - 1
	}
	place := func(t *Test, s *probe.Setup) {
		t.Setup, t.Bring, t.Prepare = s.ID, s.Words, prepare[s.Where]
		t.Power = map[probe.Where]Power{probe.Board: Limited, probe.Vehicle: OnTrack}[s.Where]
		t.Place = [...]string{"lamp", "unpowered", "board", "vehicle"}[s.Where]
		if s.DCC {
			t.Place = "dcc"
		}
		if s.Where == probe.Board {
			t.Caution = "feed it through the limit; stop at once if the current stands at the limit, or a part gets hot"
		}
	}
	for i := range b.Measurements {
		q := &b.Measurements[i]
		s := &b.Setups[q.Setup]
		if s.State.Drive == wiring.Reset && s.Where != probe.Unpowered {
			continue // nobody takes the firmware out to look for a fault
		}
		t := Test{ID: q.ID, Slip: slipShare, Ranges: ranges(b.Settings.Meter, q.Function), Setting: "DC volts", Unit: unit.SymVolt}
		switch q.Function {
		case meter.DCVoltage:
			t.Scale, t.Model, t.Minutes, t.Signed = 0.3, 0.012, minutesVolts, true
			t.Most = 1.5 * float64(n.Build.Track.High.Or(18))
		case meter.ACVoltage:
			t.Setting, t.Scale, t.Model, t.Minutes = "AC volts", 1, 0.03, minutesVolts
			t.Most = 2 * float64(n.Build.Track.High.Or(18))
		case meter.Resistance:
			t.Setting, t.Unit, t.Scale, t.Model, t.Minutes = "ohms", unit.SymOhm, 20, 0.01, minutesOhms
		case meter.DiodeTest:
			t.Setting, t.Scale, t.Model, t.Minutes, t.Signed = "diode test", 0.2, 0.02, minutesOhms, true
			t.Most = float64(2 * probe.DiodeVolt)
		case meter.DCCurrent:
			t.Setting, t.Unit, t.Scale, t.Model, t.Minutes, t.Signed = "DC current", unit.SymAmp, 1e-3, 0.03, minutesCurrent, true
		}
		if q.Red >= 0 {
			red, black := &b.Points[q.Red], &b.Points[q.Black]
			t.Buried = red.Buried || black.Buried
			t.Point, t.Against = red.ID, black.ID
			t.How = fmt.Sprintf("red on %s, black on %s", red.Words, black.Words)
			if s.Where != probe.Unpowered && red.Risk != "" {
				t.Risk, t.Caution = minutesSlip, red.Risk
			}
		} else {
			t.Point, t.Against, t.How = "current", "supply", "ammeter in the lead of the supply"
			if s.Where == probe.BareLamp {
				t.Minutes = minutesLamp
			}
		}
		t.Words = fmt.Sprintf("%s to %s, %s, %s", t.Point, t.Against, t.Setting, s.ID)
		if q.Red < 0 {
			t.Words = fmt.Sprintf("%s, %s", q.Words, s.ID)
		}
		place(&t, s)
		add(t, i)
	}
	number := map[wiring.State]int{}
	state := func(st wiring.State) int {
		k, ok := number[st]
		if !ok {
			k = len(m.states)
			number[st], m.states = k, append(m.states, st)
		}
		return k
	}
	look := func(s *probe.Setup, l *wiring.LampNet, minutes float64) Test {
		t := Test{ID: s.ID + ":lit:" + l.Name, Lamp: l.Name, Words: fmt.Sprintf("is %s lit, %s", l.Words, s.ID), Choices: []string{"yes", "no"}, Slip: 0.01, Minutes: minutes,
			Sayings: []string{fmt.Sprintf("%s lit %s", l.Words, s.ID), fmt.Sprintf("%s dark %s", l.Words, s.ID)}}
		place(&t, s)
		t.Caution = ""
		return t
	}
	for k := range b.Setups {
		s := &b.Setups[k]
		switch {
		case s.Where == probe.BareLamp && !s.Back:
			t := look(s, &n.Lamps[s.Lamp], minutesLamp/2)
			current := -1
			for i := range b.Measurements {
				if b.Measurements[i].Setup == k {
					current = i
				}
			}
			m.lights = append(m.lights, light{test: add(t, -1), lamp: s.Lamp, alone: current})
		case s.Where == probe.Vehicle:
			states := []int{state(s.State)}
			if s.DCC {
				other := s.State
				other.LeftPositive = !other.LeftPositive
				states = append(states, state(other))
			}
			for i := range n.Lamps {
				m.lights = append(m.lights, light{test: add(look(s, &n.Lamps[i], minutesLook), -1), lamp: i, states: states})
			}
		}
	}
	yesNo := func(id, words, yes, no string, slip, minutes float64, power Power) int {
		return add(Test{ID: id, Words: words, Choices: []string{"yes", "no"}, Slip: slip, Minutes: minutes, Power: power, Sayings: []string{yes, no}}, -1)
	}
	for _, o := range defect.Observations {
		if o.Plug && m.plug == nil {
			continue
		}
		power := NoPower
		if o.Powered {
			power = OnTrack
		}
		m.seen = append(m.seen, seen{yesNo(o.ID, o.Question, o.Yes, o.No, 0.01, o.Minutes, power), o.ID, o.Sound})
	}
	on := n.Build.Track.Usual.Or(12)
	for _, left := range []bool{true, false} {
		m.dccOn = append(m.dccOn, state(wiring.State{LeftPositive: left, Drive: wiring.On, Track: on}))
	}
	m.warm = yesNo(Warm, "does the board get warm, in the vehicle with all outputs on", "board gets warm", "board stays cold", slipWarm, minutesLamp, OnTrack)
	tests[m.warm].Caution = "the back of a finger near it, not on it; a shorted part burns"
	m.car = yesNo(OtherCar, "does the decoder work in another vehicle of the kind", "works with the other car", "the same with the other car", slipTry, 4, OnTrack)
	for i := range n.Lamps {
		l := &n.Lamps[i]
		m.leds = append(m.leds, yesNo(TestLED+":"+l.Name, fmt.Sprintf("does a test LED with 1 kΩ in the place of %s light, on DCC with all outputs on", l.Words), "test LED in place of "+l.Words+" lights", "test LED in place of "+l.Words+" stays dark", slipTry, 3, OnTrack))
		tests[m.leds[i]].Lamp = l.Name
	}
	return tests
}

func newMaker(n *wiring.Network, set Building) *maker {
	m := &maker{n: n, bench: probe.New(n, set.Bench)}
	if s := n.Vehicle.Socket; s.IsSet() && s.Text != "wires" {
		m.plug = socket.Of(n).Turn
	}
	m.ofLamp = map[circuit.Elem]bool{}
	for i := range n.Lamps {
		for e := range n.Circuit.Elements() {
			if n.Lamps[i].Has(circuit.Elem(e)) {
				m.ofLamp[circuit.Elem(e)] = true
			}
		}
	}
	return m
}

// Plan is the table of a decoder without its causes: what can be read and said, which takes no time. A Session on it reads
// what was typed and weighs nothing.
func Plan(n *wiring.Network, set Building) *Table {
	t := NewTable([]Cause{{ID: Healthy, Prior: 1}}, newMaker(n, set).lay(), []int{1})
	return t
}

// Build makes the table of a decoder: every cause that its circuit may have, every reading, over its tolerances.
func Build(ctx context.Context, n *wiring.Network, set Building) (*Table, error) {
	if set.Samples == 0 {
		set.Samples = usualSamples
	}
	if set.Seed == 0 {
		set.Seed = 1
	}
	if set.Sound == 0 {
		set.Sound = soundShare * set.Samples
	}
	set.Sound = max(set.Sound, set.Samples)
	m := newMaker(n, set)
	tests := m.lay()
	hyps, err := defect.Hypotheses(n, defect.Options{Off: set.Off, Priors: set.Priors, Plug: m.plug})
	if err != nil {
		return nil, err
	}
	m.parts = map[string]string{}
	for _, h := range hyps {
		m.parts[h.ID] = h.Part
	}
	total := 0.0
	var causes []Cause
	counts := make([]int, len(hyps))
	for i, h := range hyps {
		total += h.Prior
		causes = append(causes, Cause{ID: h.ID, Words: h.Words, Prior: h.Prior, Class: h.Class, Repair: h.Repair, Damaged: h.Damaged, Check: h.Check, Typical: h.Typical, Of: h.Of, Harms: h.Harms})
		switch {
		case h.Edit == nil && h.Idle == nil:
			counts[i] = set.Sound // nothing of the circuit changes: its samples are those of the sound one, which cost nothing more
		case h.Of != nil && !set.All:
			counts[i] = (set.Samples + pairShare - 1) / pairShare
		default:
			counts[i] = set.Samples
		}
	}
	counts[0] = set.Sound
	for i := range causes {
		causes[i].Prior /= total
	}
	t := NewTable(causes, tests, counts)
	t.Assumes = []string{
		"the meter: " + m.bench.Settings.Meter.Name,
		"black stands on decoder minus where no second point is named; decoder minus is not a rail",
		fmt.Sprintf("the bench supply gives %s, and no more than %s", m.bench.Settings.Supply, m.bench.Settings.Limit),
		"what is seen in the vehicle is seen at the usual track voltage",
	}
	box := make(spread.Space, len(n.Vars))
	for i, v := range n.Vars {
		box[i] = spread.Var{Law: spread.Law(v.Law), Levels: v.Levels, Vertices: v.Vertices}
	}
	zs := make([][]float64, set.Sound)
	for k := range zs {
		zs[k] = make([]float64, len(box))
		box.Sample(set.Seed, k, zs[k])
	}
	// The sound decoder first: what an edit leaves alone is taken over from it.
	sound, err := m.bench.Foresee(nil, zs, nil)
	if err != nil {
		return nil, fmt.Errorf("the sound decoder: %w", err)
	}
	if err := m.put(t, 0, &hyps[0], sound, zs); err != nil {
		return nil, fmt.Errorf("the sound decoder: %w", err)
	}
	var mu sync.Mutex
	done := 1
	work := make(chan int)
	var wg sync.WaitGroup
	var first error
	for range runtime.GOMAXPROCS(0) {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for h := range work {
				f := sound
				var err error
				own := zs[:counts[h]]
				if hyps[h].Edit != nil {
					f, err = m.bench.Foresee(hyps[h].Edit, own, sound)
				}
				if err == nil && hyps[h].Idle != nil {
					var idle *probe.Forecast
					if idle, err = m.bench.Foresee(hyps[h].Idle, own, sound); err == nil {
						for i, q := range m.bench.Measurements {
							if w := m.bench.Setups[q.Setup].Where; w == probe.Unpowered || w == probe.BareLamp {
								f.Typical[i], f.Samples[i] = idle.Typical[i], idle.Samples[i]
							}
						}
					}
				}
				if err == nil {
					err = m.put(t, h, &hyps[h], f, own)
				}
				mu.Lock()
				if err != nil && first == nil {
					first = fmt.Errorf("%s: %w", hyps[h].Words, err)
				}
				if done++; set.Progress != nil {
					set.Progress(done, len(hyps))
				}
				mu.Unlock()
			}
		}()
	}
	for h := 1; h < len(hyps) && ctx.Err() == nil; h++ {
		work <- h
	}
	close(work)
	wg.Wait()
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if first != nil {
		return nil, first
	}
	if set.All {
		return t, nil
	}
	return t.apart(), nil
}

// tellable is how many standard deviations a reading must lie from what a sound decoder shows, for more than half of a cause's
// samples, so that it counts as told by it. Two parts of the same tolerance, spread evenly within it, overlap up to 3.5 of theirs; the meter adds to that.
const tellable = 4

// apart is the table without the causes that no reading would tell from a sound decoder, such as another transistor that
// does as well; their words are in Alike.
func (t *Table) apart() *Table {
	t.measured.Do(t.measure)
	keep := make([]bool, len(t.Causes))
	var alike []string
	for h := range t.Causes {
		for i := range t.Tests {
			if keep[h] = h == 0 || t.tells(h, i); keep[h] {
				break
			}
		}
		if !keep[h] {
			alike = append(alike, t.Causes[h].Words)
		}
	}
	if len(alike) == 0 {
		return t
	}
	out := t.only(keep)
	out.Alike = alike
	return out
}

// tells reports whether test i tells cause h from the first, the sound one.
func (t *Table) tells(h, i int) bool {
	mine, sound := t.cell(h, i), t.cell(0, i)
	test := &t.Tests[i]
	if test.Choices != nil {
		differ := 0
		for k := range mine {
			if mine[k] != sound[k%len(sound)] {
				differ++
			}
		}
		return 2*differ > len(mine)
	}
	mean, numbers, over := 0.0, 0.0, 0.0
	for _, c := range sound {
		switch {
		case c == codeOver:
			over++
		case c < codeNone:
			mean, numbers = mean+float64(int(c)-middle)*step, numbers+1
		}
	}
	mean /= math.Max(1, numbers)
	over /= float64(len(sound))
	band := tellable * math.Hypot(spreadOf(sound), test.sigma(test.Scale*math.Sinh(mean)))
	beyond := 0.0
	for _, c := range mine {
		switch {
		case c == codeNone:
		case c == codeOver:
			beyond += 1 - over
		case numbers == 0 || math.Abs(float64(int(c)-middle)*step-mean) > band:
			beyond++
		}
	}
	return 2*beyond > float64(len(mine))
}

// only is the table of some of its causes.
func (t *Table) only(keep []bool) *Table {
	var causes []Cause
	var counts []int
	total := 0.0
	for h := range t.Causes {
		if keep[h] {
			causes, counts = append(causes, t.Causes[h]), append(counts, t.Counts[h])
			total += t.Causes[h].Prior
		}
	}
	for i := range causes {
		causes[i].Prior /= total
	}
	out := &Table{Causes: causes, Tests: t.Tests, Assumes: t.Assumes, Counts: counts}
	for i := range t.Tests {
		for h := range t.Causes {
			if keep[h] {
				out.Codes = append(out.Codes, t.cell(h, i)...)
			}
		}
	}
	out.lay()
	return out
}

// put writes what a hypothesis foresees into the table.
func (m *maker) put(t *Table, h int, hyp *defect.Hypothesis, f *probe.Forecast, zs [][]float64) error {
	for i, from := range m.from {
		if from < 0 {
			continue
		}
		for k := range zs {
			t.Set(h, i, k, f.Samples[from][k])
		}
	}
	for _, s := range m.seen {
		p := s.sound
		if q, ok := hyp.Says[s.id]; ok {
			p = q
		}
		t.Shares(h, s.test, []float64{p, 1 - p})
	}
	var vehicle []light
	for _, l := range m.lights {
		if len(l.states) > 0 {
			vehicle = append(vehicle, l)
			continue
		}
		for k := range zs {
			c := 1
			if i := f.Samples[l.alone][k]; i > 0.5e-3 && hyp.Dark != l.lamp+1 {
				c = 0
			}
			t.SetChoice(h, l.test, k, c)
		}
	}
	if err := m.shine(t, h, hyp, vehicle, zs); err != nil {
		return err
	}
	if hyp.Only != defect.Everywhere {
		for i := range t.Tests {
			place := t.Tests[i].Place
			if t.Tests[i].Setup == "" && t.Tests[i].ID != Warm || place == "dcc" || place == "vehicle" && hyp.Only != defect.OnDCC || hyp.Only == defect.Powered && (place == "board" || t.Tests[i].ID == Warm) {
				continue
			}
			copy(t.cell(h, i), t.cell(0, i))
		}
	}
	p := m.elsewhere(t, h, hyp)
	t.Shares(h, m.car, []float64{p, 1 - p})
	return m.testLED(t, h, hyp, zs)
}

// elsewhere is the probability that the decoder works in another vehicle: common practice, no source.
func (m *maker) elsewhere(t *Table, h int, hyp *defect.Hypothesis) float64 {
	visible := false
	for _, l := range m.lights {
		if len(l.states) == 0 {
			continue
		}
		differ := 0
		for k, c := range t.cell(h, l.test) {
			if c != t.cell(0, l.test)[k] {
				differ++
			}
		}
		visible = visible || 2*differ > t.Counts[h]
	}
	vehicle := func(part string) bool {
		return strings.HasPrefix(part, "lamp.") || part == "rail" || part == "vehicle" || part == "plug"
	}
	switch {
	case hyp.Edit == nil && hyp.Says != nil:
		return 0.3
	case !visible:
		return 0.97
	case vehicle(hyp.Part):
		return 0.95
	case len(hyp.Of) == 2 && vehicle(m.parts[hyp.Of[0]]) && vehicle(m.parts[hyp.Of[1]]):
		return 0.95
	}
	return 0.05
}

// The test LED, typical of a red one (from memory), with its resistor; two of them, for it is turned until it lights.
const testLEDOhm = unit.Ohm(1000)

var testDiode = device.Diode{IS: 1.5e-18, N: 2, RS: 5}

// testLED puts an LED with its resistor in the place of every lamp, at the decoder's own contact, and finds whether it lights.
func (m *maker) testLED(t *Table, h int, hyp *defect.Hypothesis, zs [][]float64) error {
	sense := make([]circuit.Elem, len(m.n.Lamps))
	n, err := m.n.Edited(func(c *circuit.Circuit) {
		for i := range m.n.Lamps {
			l := &m.n.Lamps[i]
			off := c.Node("lead of the lamp that was taken off")
			c.Resistor("insulation", off, circuit.Ground, 1e9)
			for e, x := range c.Elements() {
				if !l.Has(circuit.Elem(e)) {
					continue
				}
				for k, at := range x.Nodes {
					if at == l.Feeding {
						c.Reconnect(circuit.Elem(e), k, off)
					}
				}
			}
			a := c.Node("test LED")
			sense[i] = c.Resistor("resistor of the test LED", l.Feeding, a, testLEDOhm)
			c.Diode("test LED", a, l.Socket, testDiode)
			c.Diode("test LED", l.Socket, a, testDiode)
		}
		if hyp.Edit != nil {
			hyp.Edit(c)
		}
	})
	if err != nil {
		for _, i := range m.leds { // a short that no circuit stands
			t.Shares(h, i, []float64{0.5, 0.5})
		}
		return nil
	}
	n.Solver.SetStep(1e-3)
	lit, solved := make([]float64, len(sense)), 0.0
	for _, z := range zs[:min(looks, len(zs))] {
		n.Set(z)
		sum, ok := make([]float64, len(sense)), true
		for _, st := range m.dccOn {
			ok = ok && n.Solve(m.states[st]).Status == circuit.Solved
			for i, e := range sense {
				sum[i] += math.Abs(float64(n.Solver.I(e, 0))) / float64(len(m.dccOn))
			}
		}
		if !ok {
			continue
		}
		solved++
		for i := range sense {
			if sum[i] > seenCurrent {
				lit[i]++
			}
		}
	}
	for i, test := range m.leds {
		p := 0.5
		if solved > 0 {
			p = lit[i] / solved
		}
		t.Shares(h, test, []float64{p, 1 - p})
	}
	return nil
}

// warmPower is the power in one part from which it is felt: a small part on perfboard gets some 200 K/W warmer than the air (from
// memory), so that this makes it hotter than the hand.
const warmPower = 0.15

// heat is the most power in one part of the board, in the state that n is solved in.
func (m *maker) heat(n *wiring.Network) float64 {
	most := 0.0
	for e, x := range n.Circuit.Elements() {
		if x.Removed || circuit.Elem(e) == m.n.Track || m.ofLamp[circuit.Elem(e)] {
			continue
		}
		most = math.Max(most, float64(n.Solver.Power(circuit.Elem(e))))
	}
	return most
}

// looks is how many samples tell whether an edit changes what is seen.
const looks = 6

// shine finds which lamps are lit in the vehicle.
func (m *maker) shine(t *Table, h int, hyp *defect.Hypothesis, lights []light, zs [][]float64) error {
	edit := hyp.Edit
	if edit == nil {
		edit = func(*circuit.Circuit) {}
	}
	n, err := m.n.Edited(edit)
	if err != nil {
		return err
	}
	n.Solver.SetStep(1e-3)
	current := make([][]float64, len(m.states)) // NaN: no solution
	for i := range current {
		current[i] = make([]float64, len(n.Lamps))
	}
	want := make([]bool, len(m.states))
	for i := range want {
		want[i] = true
	}
	hot := make([]float64, len(m.states))
	for k, z := range zs {
		if k == looks && h > 0 {
			// A state in which the first samples show what the sound decoder shows is taken over from it.
			clear(want)
			for _, l := range lights {
				differs := false
				for x := range looks {
					differs = differs || t.cell(h, l.test)[x] != t.cell(0, l.test)[x]
				}
				if !differs {
					copy(t.cell(h, l.test)[looks:], t.cell(0, l.test)[looks:])
					continue
				}
				for _, st := range l.states {
					want[st] = true
				}
			}
			if slices.Equal(t.cell(h, m.warm)[:looks], t.cell(0, m.warm)[:looks]) {
				copy(t.cell(h, m.warm)[looks:], t.cell(0, m.warm)[looks:])
			} else {
				for _, st := range m.dccOn {
					want[st] = true
				}
			}
		}
		any := false
		for i, st := range m.states {
			if !want[i] {
				continue
			}
			if !any {
				n.Set(z)
				any = true
			}
			ok := n.Solve(st).Status == circuit.Solved
			if slices.Contains(m.dccOn, i) {
				if hot[i] = m.heat(n); !ok {
					hot[i] = math.NaN()
				}
			}
			for l := range n.Lamps {
				forward, back := n.Lamps[l].Light(n.Solver)
				if current[i][l] = float64(forward + back); !ok {
					current[i][l] = math.NaN()
				}
			}
		}
		if want[m.dccOn[0]] && want[m.dccOn[1]] {
			switch felt := (hot[m.dccOn[0]] + hot[m.dccOn[1]]) / 2; {
			case math.IsNaN(felt):
			case felt > warmPower:
				t.SetChoice(h, m.warm, k, 0)
			default:
				t.SetChoice(h, m.warm, k, 1)
			}
		}
		for _, l := range lights {
			if !want[l.states[0]] {
				continue
			}
			sum := 0.0
			for _, st := range l.states {
				sum += current[st][l.lamp] / float64(len(l.states))
			}
			switch {
			case math.IsNaN(sum):
			case sum > seenCurrent && hyp.Dark != l.lamp+1:
				t.SetChoice(h, l.test, k, 0)
			default:
				t.SetChoice(h, l.test, k, 1)
			}
		}
	}
	return nil
}
