// Package bench is the sheet for trying a new board out: the order of work that catches faults early, the readings worth
// taking at each step, what each should show, and what one that shows less or more points to.
//
// Everything is asked of the circuit. What a reading should show is what the sound decoder shows over its tolerances (samples
// of what varies, the lowest to the highest of them; the claim is "no sample outside"), as the declared meter shows it: with
// its load and burden in the circuit, and widened by its gain error and its digits. What a reading below or above points to
// are the faults that make at least half of all boards read so; a fault that an earlier reading catches is named there. Which
// readings are worth taking: a few at every step that a careful builder would not leave out, and then, one after the other,
// the reading that catches most of what is not caught yet for the minutes it costs, until none is worth its minutes. A fault
// counts as caught where nine boards of ten that have it read outside.
//
// Not modelled: what package probe leaves out; two faults at a time, unless the hypotheses hold the pair.
//
// Entry points: New, Sheet.Judge, Sheet.Findings, Sheet.Untestable.
package bench

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"fettle/internal/circuit"
	"fettle/internal/meter"
	"fettle/internal/probe"
	"fettle/internal/spread"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// A Fault is one thing that may be wrong.
type Fault struct {
	Words, Repair string
	Prior         float64
	// Shows is what it makes a test show, build by build: numbers, +Inf for OL, NaN for nothing; of a look 1 for yes, 0 for
	// no. nil: nothing is known.
	Shows func(test string) []float64
}

// A Look is something to see instead of to measure.
type Look struct {
	Test, Setup, Words, Bring string // Bring: the setup in words; "" where the test is one
	Yes                       bool   // of a sound decoder
}

// Settings are how a sheet is made.
type Settings struct {
	Tools   probe.Settings
	Samples int // of what varies; 0: 400
	Seed    uint64
	Faults  []Fault
	Looks   []Look
}

const usualSamples = 400

// What a reading costs in minutes, and what must be gained by one more: a share of all that may be wrong, a minute. Common
// practice, no source.
const (
	minutesVolts   = 0.7
	minutesOhms    = 1.0
	minutesCurrent = 3.0
	minutesLook    = 0.3
	minutesRisk    = 0.5 // more, where a slip of the probe kills a part
	worthwhile     = 0.002
	most           = 56  // readings of one evening
	caught         = 0.9 // share of the boards with a fault that read outside, for it to count as caught
	points         = 0.5 // and for the reading to point to it
	named          = 3   // pointers each way
)

// A Pointer is what a reading points to.
type Pointer struct {
	Words, Repair string
	Share         float64 // of the boards that have it, those that read so
	Row           int     // number of an earlier reading that catches it; 0: none does
}

// A Row is one reading: where, how, what it should show and what it means if it does not.
type Row struct {
	Number         int    // on the sheet, from 1; 0: it is not on it
	Step           string // ID
	Test           string // "board-left-on:PB0"
	Setup, Bring   string // "board-left-on", in words
	Point, Against string // "PB0", "minus"; "current", "supply"
	Words          string // "chip pin PB0 against minus"
	Setting, Range string // "DC volts", "20 V"
	Unit           string
	Look           bool
	Yes            bool    // of a look: what a sound decoder answers
	Typical        float64 // as shown; +Inf: OL
	Low, High      float64
	Shows          string // what the meter makes of it, where that is not plain
	Risk           string // what a slip of the probe kills
	Buried         bool   // no probe goes there
	Below, Above   []Pointer
	More           [2]int // causes below and above beyond those named

	minutes float64
}

// A Step is one piece of the work.
type Step struct {
	ID, Name string
	Do       []string
	Rows     []Row
}

// A Miss is a fault that no reading of the sheet catches.
type Miss struct {
	Words string
	Share float64 // the most of the boards with it that any reading of the sheet shows
	Cure  string  // the reading, out of reach or not on the sheet, that would; "": none of all that can be measured
	Point string  // out of reach, that it needs; "": it is in reach
}

// A Sheet is the whole evening.
type Sheet struct {
	Decoder string
	Meter   meter.Spec
	Tools   probe.Settings
	Samples int
	Steps   []Step
	Spare   []Row // what can be measured besides
	Faults  int
	Caught  int
	Misses  []Miss
}

// steps in the order of the work. The words are common practice, no source.
var steps = []struct{ id, name string }{
	{"vehicle-bare", "The bare vehicle"},
	{"unpowered", "The bare board, without power"},
	{"first-power", "First power"},
	{"supply", "Supply"},
	{"chip", "Chip"},
	{"ear", "Ear"},
	{"outputs", "Outputs"},
	{"vehicle-dc", "In the vehicle, on DC"},
	{"programming", "On the programming track"},
	{"layout", "On the layout"},
}

// New makes the sheet of a decoder.
func New(n *wiring.Network, set Settings) (*Sheet, error) {
	if set.Samples == 0 {
		set.Samples = usualSamples
	}
	b := probe.New(n, set.Tools)
	box := make(spread.Space, len(n.Vars))
	for i, v := range n.Vars {
		box[i] = spread.Var{Law: spread.Law(v.Law), Levels: v.Levels, Vertices: v.Vertices}
	}
	zs := make([][]float64, set.Samples)
	for k := range zs {
		zs[k] = make([]float64, len(box))
		box.Sample(cmp.Or(set.Seed, 1), k, zs[k])
	}
	f, err := b.Foresee(nil, zs, nil)
	if err != nil {
		return nil, fmt.Errorf("the sound decoder: %w", err)
	}
	s := &Sheet{Decoder: n.Decoder.Name.Text, Meter: b.Settings.Meter, Tools: b.Settings, Samples: set.Samples}
	p := &planner{b: b, n: n, set: set}
	for m := range b.Measurements {
		q := &b.Measurements[m]
		if st := &b.Setups[q.Setup]; st.Where != probe.Unpowered && st.State.Drive == wiring.Reset {
			continue // nobody takes the firmware out for a reading
		}
		row, ok := p.measured(q, f.Typical[m], f.Samples[m])
		if ok {
			p.rows = append(p.rows, row)
		}
	}
	for _, l := range set.Looks {
		p.rows = append(p.rows, p.look(l))
	}
	p.weigh()
	p.choose()
	p.lay(s)
	return s, nil
}

// expect is what the meter shows of a sound decoder: from the samples, widened by what the meter may err by.
func expect(spec meter.Spec, f meter.Function, typical float64, samples []float64) (mid, low, high float64, r meter.RangeSpec, ok bool) {
	low, high = math.Inf(1), math.Inf(-1)
	good := 0
	for _, v := range append(slices.Clone(samples), typical) {
		if !math.IsNaN(v) {
			low, high = math.Min(low, v), math.Max(high, v)
			good++
		}
	}
	if math.IsNaN(typical) || 20*good < 19*len(samples) {
		return 0, 0, 0, r, false
	}
	if math.IsInf(low, 1) {
		return low, low, low, r, true
	}
	top := low
	if !math.IsInf(high, 1) {
		top = math.Max(math.Abs(low), math.Abs(high))
	}
	r, found := spec.Range(f, top)
	if !found {
		// It may stand beyond the highest range: OL is then what it shows.
		for _, x := range spec.Ranges {
			if x.Function == f && x.Full > r.Full {
				r = x
			}
		}
		if r.Full == 0 {
			return 0, 0, 0, r, false
		}
		high = math.Inf(1)
		if math.Abs(low) > r.Full {
			return math.Inf(1), math.Inf(1), high, r, true
		}
	}
	shown := func(truth, sign float64) float64 {
		if math.IsInf(truth, 1) {
			return truth
		}
		x := truth * (1 + float64(r.Known))
		x += sign * (float64(r.Gain)*math.Abs(x) + r.Slack())
		if math.Abs(x) > r.Full {
			return math.Inf(int(math.Copysign(1, x)))
		}
		return x
	}
	mid, _ = r.Show(typical, 0, 0)
	if math.IsInf(typical, 1) || math.Abs(mid) > r.Full {
		mid = math.Inf(1)
	}
	return mid, shown(low, -1), shown(high, 1), r, true
}

// rangeWords is the range as it stands on the knob: "20 V".
func rangeWords(r meter.RangeSpec, symbol string) string {
	full := r.Full
	if r.Resolution > 0 {
		full = math.Round(full/r.Resolution/10) * r.Resolution * 10 // 19.99 V is the 20 V range
	}
	d := 3
	for k := 1; k <= 3; k++ {
		p := math.Pow(10, float64(k)-1-math.Floor(math.Log10(full)))
		if math.Abs(math.Round(full*p)/p/full-1) < 1e-9 {
			d = k
			break
		}
	}
	if _, sym := unit.Engineering(full, symbol, d); sym != "" {
		d = max(d, digitsBefore(full))
	}
	return unit.Format(full, symbol, d)
}

// digitsBefore is how many digits stand before the decimal sign once a prefix is chosen.
func digitsBefore(x float64) int {
	e := int(math.Floor(math.Log10(math.Abs(x)) + 1e-9))
	return ((e%3)+3)%3 + 1
}

type planner struct {
	b    *probe.Bench
	n    *wiring.Network
	set  Settings
	rows []Row

	below, above [][]float64 // row by row: the share of the boards of each fault
	chosen       []int
	seen         []float64 // of each fault: the most that a chosen row shows of it
}

func (p *planner) measured(q *probe.Measurement, typical float64, samples []float64) (Row, bool) {
	st := &p.b.Setups[q.Setup]
	shown := make([]float64, len(samples))
	for k, v := range samples {
		shown[k] = p.b.Shown(q, v)
	}
	spec := p.b.Settings.Meter
	mid, low, high, r, ok := expect(spec, q.Function, p.b.Shown(q, typical), shown)
	if !ok {
		return Row{}, false
	}
	row := Row{Test: q.ID, Setup: st.ID, Bring: st.Words, Words: q.Words, Typical: mid, Low: low, High: high, minutes: minutesVolts}
	switch q.Function {
	case meter.DCVoltage:
		row.Setting, row.Unit = "DC volts", unit.SymVolt
		if st.DCC {
			row.Shows = "the mean of both polarities: what stands there for half of the time counts half"
		}
	case meter.ACVoltage:
		row.Setting, row.Unit = "AC volts", unit.SymVolt
		row.Shows = "an averaging meter shows 1.11 times the track voltage, true RMS the voltage itself; many hand meters show less, since DCC is too fast for them"
		if spec.TrueRMS {
			row.Shows = "true RMS: the track voltage itself, less where DCC is too fast for the meter (an averaging one shows 1.11 times it)"
		}
	case meter.DCCurrent:
		row.Setting, row.Unit, row.minutes = "DC current", unit.SymAmp, minutesCurrent
		if r.Burden > 0 && unit.Known(r.Burden) {
			row.Shows = fmt.Sprintf("with the %s of the meter's own in the lead", r.Burden)
		}
	case meter.Resistance:
		row.Setting, row.Unit, row.minutes = "ohms", unit.SymOhm, minutesOhms
	case meter.DiodeTest:
		row.Setting, row.Unit, row.minutes = "diode test", unit.SymVolt, minutesOhms
	}
	if r.Full > 0 && q.Function != meter.DiodeTest {
		row.Range = rangeWords(r, row.Unit)
	}
	if q.Red < 0 {
		row.Point, row.Against = "current", "supply"
	} else {
		red, black := &p.b.Points[q.Red], &p.b.Points[q.Black]
		row.Point, row.Against, row.Buried = red.ID, black.ID, red.Buried || black.Buried
		if st.Where != probe.Unpowered && red.Risk != "" {
			row.Risk = red.Risk
			row.minutes += minutesRisk
		}
	}
	if st.Where == probe.BareLamp {
		row.minutes = minutesOhms
	}
	row.Step = p.step(q, st)
	return row, true
}

// step is where a measurement belongs.
func (p *planner) step(q *probe.Measurement, st *probe.Setup) string {
	switch {
	case st.Where == probe.BareLamp:
		return "vehicle-bare"
	case st.Where == probe.Unpowered:
		return "unpowered"
	case st.DCC:
		return "layout"
	case st.Where == probe.Vehicle:
		return "vehicle-dc"
	case q.Red < 0:
		return "first-power"
	}
	at := p.b.Points[q.Red].Node
	for i := range p.n.Outputs {
		if p.n.Outputs[i].PinNode == at {
			return "chip"
		}
	}
	switch {
	case p.n.Ear != nil && at == p.n.Ear.Node:
		return "ear"
	case at == p.n.Plus || at == p.n.VCC || at == p.n.LeftRail || at == p.n.RightRail:
		return "supply"
	}
	return "outputs"
}

func (p *planner) look(l Look) Row {
	row := Row{Test: l.Test, Setup: l.Setup, Bring: l.Bring, Words: l.Words, Look: true, Yes: l.Yes, Step: "programming", minutes: minutesLook, Setting: "look"}
	for k := range p.b.Setups {
		if st := &p.b.Setups[k]; st.ID == l.Setup {
			row.Step = p.step(&probe.Measurement{Red: -1}, st)
		}
	}
	if row.Yes {
		row.Typical, row.Low, row.High = 1, 1, 1
	}
	return row
}

// weigh finds what share of the boards with each fault reads below and above, row by row.
func (p *planner) weigh() {
	p.below, p.above = make([][]float64, len(p.rows)), make([][]float64, len(p.rows))
	for i := range p.rows {
		r := &p.rows[i]
		p.below[i], p.above[i] = make([]float64, len(p.set.Faults)), make([]float64, len(p.set.Faults))
		for h := range p.set.Faults {
			list := p.set.Faults[h].Shows(r.Test)
			for _, v := range list {
				switch r.Judge(v) {
				case Below:
					p.below[i][h] += 1 / float64(len(list))
				case Above:
					p.above[i][h] += 1 / float64(len(list))
				}
			}
		}
	}
}

// outside is the share of the boards with a fault that a row shows.
func (p *planner) outside(row, fault int) float64 { return p.below[row][fault] + p.above[row][fault] }

// skeleton reports whether a careful builder would take the reading whatever it catches.
func (p *planner) skeleton(r *Row) bool {
	n := p.n
	name := func(at circuit.Node) string {
		for _, q := range p.b.Points {
			if q.Node == at {
				return q.ID
			}
		}
		return ""
	}
	plus, vcc, left, right := name(n.Plus), name(n.VCC), name(n.LeftRail), name(n.RightRail)
	fed, other := "left", "right"
	if !n.FedLeft() {
		fed, other = other, fed
	}
	rail := r.Point == left || r.Point == right
	switch r.Step {
	case "vehicle-bare":
		return len(r.Setup) < 5 || r.Setup[len(r.Setup)-5:] != "-back"
	case "unpowered":
		if r.Setting == "ohms" {
			if at := name(p.earNode()); r.Point == at || r.Against == at {
				return r.Against != probe.Minus
			}
			for i := range n.Outputs {
				for k := range n.Outputs[i].Resistors {
					of := p.n.Circuit.Elements()[n.Outputs[i].Resistors[k].Elem].Nodes
					if r.Point == name(of[0]) && r.Against == name(of[1]) || r.Point == name(of[1]) && r.Against == name(of[0]) {
						return true
					}
				}
			}
			return r.Point == plus && r.Against == probe.Minus || r.Point == vcc && r.Against == probe.Minus || r.Point == left && r.Against == right
		}
		for i := range n.Outputs {
			for _, t := range n.Outputs[i].Transistors() {
				if r.Point == name(t.Input) && r.Against == name(t.Common) && t.BJT != nil {
					return true
				}
			}
		}
		return rail && r.Against == plus || r.Point == plus && (r.Against == left || r.Against == right)
	case "first-power":
		return r.Setup == "board-"+fed+"-off" || r.Setup == "board-"+fed+"-on"
	case "supply":
		return (r.Point == plus || r.Point == vcc) && r.Setup == "board-"+fed+"-off" || r.Point == plus && r.Setup == "board-"+other+"-off"
	case "chip":
		return r.Setup == "board-"+fed+"-on" || r.Setup == "board-"+fed+"-off"
	case "ear":
		return r.Setup == "board-"+fed+"-off"
	case "outputs":
		for i := range n.Outputs {
			for _, t := range n.Outputs[i].Transistors() {
				if r.Point == name(t.Input) && r.Setup == "board-"+fed+"-on" {
					return true
				}
			}
		}
	case "vehicle-dc":
		return r.Look && (r.Setup == "vehicle-"+fed+"-on" || r.Setup == "vehicle-"+fed+"-off")
	case "programming":
		return true
	case "layout":
		return r.Setting == "AC volts" && r.Setup == "dcc-on" || r.Look && (r.Setup == "dcc-on" || r.Setup == "dcc-off")
	}
	return false
}

// earNode is where the ear enters the chip; a decoder without one has none.
func (p *planner) earNode() circuit.Node {
	if p.n.Ear == nil {
		return -1
	}
	return p.n.Ear.Node
}

// choose takes the skeleton and then what catches most of what is left, for its minutes.
func (p *planner) choose() {
	p.seen = make([]float64, len(p.set.Faults))
	total := 0.0
	for _, f := range p.set.Faults {
		total += f.Prior
	}
	taken := make([]bool, len(p.rows))
	take := func(i int) {
		taken[i] = true
		p.chosen = append(p.chosen, i)
		for h := range p.seen {
			p.seen[h] = math.Max(p.seen[h], p.outside(i, h))
		}
	}
	for i := range p.rows {
		if !p.rows[i].Buried && p.skeleton(&p.rows[i]) {
			take(i)
		}
	}
	for len(p.chosen) < most {
		best, gain := -1, worthwhile*total
		for i := range p.rows {
			if taken[i] || p.rows[i].Buried {
				continue
			}
			g := 0.0
			for h, f := range p.set.Faults {
				// What is caught for nine of ten is caught; a reading that shows it for six is worth less than its share.
				g += f.Prior * math.Max(0, reach(p.outside(i, h))-reach(p.seen[h]))
			}
			if g /= p.rows[i].minutes; g > gain {
				best, gain = i, g
			}
		}
		if best < 0 {
			break
		}
		take(best)
	}
}

// reach is how far a share counts: whole from where a fault counts as caught.
func reach(share float64) float64 { return math.Min(1, share/caught) }

// lay puts the chosen rows in the order of the work, with what they point to.
func (p *planner) lay(s *Sheet) {
	inUse := map[string]bool{}
	number := 0
	caughtBy := make([]int, len(p.set.Faults))
	for _, st := range steps {
		step := Step{ID: st.id, Name: st.name}
		var mine []int
		for _, i := range p.chosen {
			if p.rows[i].Step == st.id {
				mine = append(mine, i)
			}
		}
		slices.SortStableFunc(mine, func(a, b int) int {
			return cmp.Or(cmp.Compare(p.order(a), p.order(b)), cmp.Compare(a, b))
		})
		for _, i := range mine {
			number++
			r := p.rows[i]
			r.Number = number
			inUse[r.Test] = true
			r.Below, r.More[0] = p.pointers(p.below[i], caughtBy)
			r.Above, r.More[1] = p.pointers(p.above[i], caughtBy)
			for h := range caughtBy {
				if caughtBy[h] == 0 && p.outside(i, h) >= caught {
					caughtBy[h] = number
				}
			}
			step.Rows = append(step.Rows, r)
		}
		if len(step.Rows) > 0 {
			step.Do = s.do(p.n, st.id, step.Rows)
			s.Steps = append(s.Steps, step)
		}
	}
	for i, r := range p.rows {
		if !inUse[r.Test] {
			r.Below, r.More[0] = p.pointers(p.below[i], caughtBy)
			r.Above, r.More[1] = p.pointers(p.above[i], caughtBy)
			s.Spare = append(s.Spare, r)
		}
	}
	s.Faults = len(p.set.Faults)
	for h := range p.set.Faults {
		if caughtBy[h] > 0 {
			s.Caught++
			continue
		}
		s.Misses = append(s.Misses, p.miss(h))
	}
	slices.SortStableFunc(s.Misses, func(a, b Miss) int { return cmp.Or(cmp.Compare(a.Point, b.Point), cmp.Compare(a.Words, b.Words)) })
}

// order of a row within its step: setups in the order of the bench; of one setup, looks last.
func (p *planner) order(row int) int {
	r := &p.rows[row]
	k := slices.IndexFunc(p.b.Setups, func(s probe.Setup) bool { return s.ID == r.Setup })
	k *= 4
	if r.Setting == "diode test" {
		k++
	}
	if r.Look {
		k += 2
	}
	return k
}

// pointers are the faults that make a row read so and that no earlier row catches: where the rows before it held, these are
// left. Where there are none, those that an earlier row catches.
func (p *planner) pointers(share []float64, caughtBy []int) (out []Pointer, more int) {
	var which []int
	for h, x := range share {
		if x >= points {
			which = append(which, h)
		}
	}
	if fresh := slices.DeleteFunc(slices.Clone(which), func(h int) bool { return caughtBy[h] > 0 }); len(fresh) > 0 {
		which = fresh
	}
	slices.SortStableFunc(which, func(a, b int) int {
		return cmp.Or(cmp.Compare(p.set.Faults[b].Prior*share[b], p.set.Faults[a].Prior*share[a]))
	})
	for k, h := range which {
		if k == named {
			return out, len(which) - named
		}
		f := &p.set.Faults[h]
		out = append(out, Pointer{f.Words, f.Repair, share[h], caughtBy[h]})
	}
	return out, 0
}

// miss says of a fault that the sheet does not catch which reading would.
func (p *planner) miss(h int) Miss {
	m := Miss{Words: p.set.Faults[h].Words, Share: p.seen[h]}
	best := -1
	for i := range p.rows {
		if p.outside(i, h) < caught {
			continue
		}
		if best < 0 || !p.rows[i].Buried && p.rows[best].Buried || p.rows[i].Buried == p.rows[best].Buried && p.rows[i].minutes < p.rows[best].minutes {
			best = i
		}
	}
	if best < 0 {
		return m
	}
	r := &p.rows[best]
	m.Cure = r.Words
	if r.Bring != "" {
		m.Cure += ", " + r.Bring
	}
	if r.Buried {
		for _, id := range []string{r.Point, r.Against} {
			if slices.Contains(p.set.Tools.OutOfReach, id) {
				m.Point = id
			}
		}
	}
	return m
}

// A Verdict on a reading.
type Verdict string

const (
	Holds Verdict = "holds"
	Below Verdict = "below"
	Above Verdict = "above"
	None  Verdict = "" // no number
)

// Judge says how a reading stands to what is expected; +Inf is OL, of a look 1 is yes and 0 no.
func (r *Row) Judge(v float64) Verdict {
	switch {
	case math.IsNaN(v):
		return None
	case v < r.Low:
		return Below
	case v > r.High:
		return Above
	}
	return Holds
}

// Rows are all readings of the sheet in the order of the work.
func (s *Sheet) Rows() (rows []*Row) {
	for i := range s.Steps {
		for k := range s.Steps[i].Rows {
			rows = append(rows, &s.Steps[i].Rows[k])
		}
	}
	return rows
}

// Row finds the reading of a test, on the sheet or beside it.
func (s *Sheet) Row(test string) (*Row, bool) {
	for _, r := range s.Rows() {
		if r.Test == test {
			return r, true
		}
	}
	for i := range s.Spare {
		if s.Spare[i].Test == test {
			return &s.Spare[i], true
		}
	}
	return nil, false
}
