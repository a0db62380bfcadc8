package fault

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"sync"

	"fettle/internal/circuit"
	"fettle/internal/defect"
	"fettle/internal/meter"
	"fettle/internal/probe"
	"fettle/internal/spread"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// Building is how a table is made. The zero value is what a conversation uses.
type Building struct {
	Samples  int    // of the tolerances, for each cause; 0: 100
	Seed     uint64 // 0: 1
	Bench    probe.Settings
	Progress func(done, total int)
	// Off is a share by which values that are wrong are off besides: simulations use it, the diagnosis does not know it.
	Off    float64
	All    bool               // keep the causes that no reading tells from a sound decoder
	Priors map[string]float64 // of the classes; nil: defect's table
}

const usualSamples = 100

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

// seenCurrent is the lamp current from which it is called lit (A, mean): well under what lights are asked for.
const seenCurrent = 0.15e-3

// A table under construction.
type maker struct {
	n      *wiring.Network
	bench  *probe.Bench
	from   []int // measurement of a test; −1
	lights []light
	states []wiring.State
	seen   []seen
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

// lay lists the tests.
func (m *maker) lay() (tests []Test) {
	b, n := m.bench, m.n
	add := func(t Test, from int) int {
		tests, m.from = append(tests, t), append(m.from, from)
		return len(tests) - 1
	}
	place := func(t *Test, s *probe.Setup) {
		t.Setup, t.Bring, t.Prepare = s.ID, s.Words, prepare[s.Where]
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
		t := Test{ID: s.ID + ":lit:" + l.Name, Words: fmt.Sprintf("is %s lit, %s", l.Words, s.ID), Choices: []string{"yes", "no"}, Slip: 0.01, Minutes: minutes,
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
	yesNo := func(id, words, yes, no string, sound, minutes float64) {
		m.seen = append(m.seen, seen{add(Test{ID: id, Words: words, Choices: []string{"yes", "no"}, Slip: 0.01, Minutes: minutes, Sayings: []string{yes, no}}, -1), id, sound})
	}
	yesNo(defect.Answers, "does it answer on the programming track", "answers on the programming track", "no answer on the programming track", 0.97, 3)
	yesNo(defect.Pressing, "does pressing or warming a part change anything", "pressing or warming changes it", "pressing or warming changes nothing", 0.02, 2)
	yesNo(defect.Goes, "does it come and go by itself", "comes and goes", "always the same", 0.02, 1)
	return tests
}

// Build makes the table of a decoder: every cause that its circuit may have, every reading, over its tolerances.
func Build(ctx context.Context, n *wiring.Network, set Building) (*Table, error) {
	if set.Samples == 0 {
		set.Samples = usualSamples
	}
	if set.Seed == 0 {
		set.Seed = 1
	}
	m := &maker{n: n, bench: probe.New(n, set.Bench)}
	tests := m.lay()
	hyps, err := defect.Hypotheses(n, defect.Options{Off: set.Off, Priors: set.Priors})
	if err != nil {
		return nil, err
	}
	total := 0.0
	var causes []Cause
	counts := make([]int, len(hyps))
	for i, h := range hyps {
		total += h.Prior
		causes = append(causes, Cause{ID: h.ID, Words: h.Words, Prior: h.Prior, Class: h.Class, Repair: h.Repair, Damaged: h.Damaged, Check: h.Check, Typical: h.Typical, Of: h.Of})
		counts[i] = set.Samples
	}
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
	zs := make([][]float64, set.Samples)
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
				if hyps[h].Edit != nil {
					f, err = m.bench.Foresee(hyps[h].Edit, zs, sound)
				}
				if err == nil && hyps[h].Unpowered != nil {
					err = m.unpowered(f, hyps[h].Unpowered, zs, sound)
				}
				if err == nil {
					err = m.put(t, h, &hyps[h], f, zs)
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

// unpowered puts what another edit shows without power into a forecast.
func (m *maker) unpowered(f *probe.Forecast, edit func(*circuit.Circuit), zs [][]float64, sound *probe.Forecast) error {
	g, err := m.bench.Foresee(edit, zs, sound)
	if err != nil {
		return err
	}
	for i := range m.bench.Measurements {
		if m.bench.Setups[m.bench.Measurements[i].Setup].Where == probe.Unpowered {
			f.Typical[i], f.Samples[i] = g.Typical[i], g.Samples[i]
		}
	}
	return nil
}

// tellable is how many standard deviations a reading must lie from what a sound decoder shows, for a cause that it counts
// as told by.
const tellable = 3

// apart is the table without the causes that no reading would tell from a sound decoder, such as another transistor that
// does as well; their words are in Alike.
func (t *Table) apart() *Table {
	t.measure()
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
	sum := func(cell []uint16) (mean, sd, over float64) {
		n := 0.0
		for _, c := range cell {
			switch {
			case c == codeOver:
				over++
			case c < codeNone:
				mean, n = mean+float64(int(c)-middle)*step, n+1
			}
		}
		if n > 0 {
			mean /= n
		}
		return mean, spreadOf(cell), over / float64(len(cell))
	}
	a, sa, oa := sum(mine)
	b, sb, ob := sum(sound)
	if math.Abs(oa-ob) > 0.5 {
		return true
	}
	if oa > 0.5 {
		return false
	}
	return math.Abs(a-b) > tellable*math.Sqrt(math.Max(sa*sa, sb*sb)+math.Pow(test.sigma(test.Scale*math.Sinh(b)), 2))
}

// only is the table of some of its causes.
func (t *Table) only(keep []bool) *Table {
	var causes []Cause
	var counts []int
	var codes []uint16
	total := 0.0
	for h := range t.Causes {
		if keep[h] {
			causes, counts = append(causes, t.Causes[h]), append(counts, t.Counts[h])
			codes = append(codes, t.Codes[t.base[h]:t.base[h+1]]...)
			total += t.Causes[h].Prior
		}
	}
	for i := range causes {
		causes[i].Prior /= total
	}
	out := &Table{Causes: causes, Tests: t.Tests, Assumes: t.Assumes, Counts: counts, Codes: codes}
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
	return m.shine(t, h, hyp, vehicle, zs)
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
			for l := range n.Lamps {
				forward, back := n.Lamps[l].Light(n.Solver)
				if current[i][l] = float64(forward + back); !ok {
					current[i][l] = math.NaN()
				}
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
