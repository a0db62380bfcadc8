package probe

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"fettle/internal/circuit"
	"fettle/internal/meter"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// Settings are what stands on the bench. The zero value is an ordinary one.
type Settings struct {
	Meter  meter.Spec // no ranges: meter.Cheap
	Supply unit.Volt  // of the bench supply; 0: 12 V, or the usual track voltage where that is less
	Limit  unit.Amp   // of its current; 0: 50 mA
	// Series is a resistor in its lead where it has no limit of its own; 0: none.
	Series     unit.Ohm
	OutOfReach []string // test points that no probe reaches
}

// What an unpowered measurement is made with (common practice for 3½-digit hand meters, from memory), and what chip and
// regulator are without power: no sheet says it, so anything in between.
const (
	OhmsVolt       = unit.Volt(0.5)
	DiodeVolt      = unit.Volt(2.8)
	DiodeAmp       = unit.Amp(1e-3)
	DiodeMost      = unit.Volt(2) // beyond it the diode test shows OL
	UnpoweredLeast = unit.Ohm(20e3)
	UnpoweredMost  = unit.Ohm(2e6)
)

// Where makes a setup: what stands on the bench.
type Where uint8

const (
	BareLamp  Where = iota // one lamp of the vehicle without a decoder, between the bench supply's leads
	Unpowered              // the board alone, without power
	Board                  // the board alone, fed over the rails through the limit
	Vehicle                // the board in its vehicle, on the track
)

// A Setup is what has to be brought about for a measurement.
type Setup struct {
	ID    string // "board-left-on"
	Words string // "decoder alone on 12 V DC through 50 mA, left rail positive, all outputs on"
	Where Where
	State wiring.State
	Lamp  int  // of BareLamp: index in the network
	Back  bool // of BareLamp: the supply turned round
	DCC   bool // both polarities in turn
}

// A Measurement is one reading that may be taken.
type Measurement struct {
	ID         string
	Words      string
	Setup      int // index in Bench.Setups
	Function   meter.Function
	Red, Black int // indices in Bench.Points; −1: the meter stands in the supply's lead
}

// A Bench is a decoder and all that can be measured on it.
type Bench struct {
	N            *wiring.Network
	Settings     Settings
	Points       []Point
	Setups       []Setup
	Measurements []Measurement
}

// New lists what can be brought about and measured.
func New(n *wiring.Network, s Settings) *Bench {
	usual := n.Build.Track.Usual.Or(12)
	if len(s.Meter.Ranges) == 0 {
		s.Meter = meter.Cheap()
	}
	if s.Supply <= 0 {
		s.Supply = min(12, usual)
	}
	if s.Limit <= 0 {
		s.Limit = 50e-3
	}
	b := &Bench{N: n, Settings: s, Points: Points(n)}
	for p := range b.Points {
		b.Points[p].Buried = slices.Contains(s.OutOfReach, b.Points[p].ID)
	}
	for l := range n.Lamps {
		for _, back := range []bool{false, true} {
			id, words := "lamp-"+n.Lamps[l].Name, fmt.Sprintf("%s without a decoder, on %s DC", n.Lamps[l].Words, s.Supply)
			if back {
				id, words = id+"-back", words+", the supply turned round"
			}
			at := b.setup(Setup{ID: id, Words: words, Where: BareLamp, Lamp: l, Back: back})
			b.Measurements = append(b.Measurements, Measurement{ID: id + ":current", Words: "current of the lamp", Setup: at, Function: meter.DCCurrent, Red: -1, Black: -1})
		}
	}
	b.unpowered()
	fed := n.FedLeft()
	rail := map[bool]string{true: "left", false: "right"}
	outputs := func(where Where, u unit.Volt, left bool, words string, dcc bool) {
		id := map[Where]string{Board: "board", Vehicle: "vehicle"}[where] + "-" + rail[left]
		if dcc {
			id = "dcc"
		}
		add := func(name, says string, d wiring.Drive, which uint32) {
			at := b.setup(Setup{ID: id + "-" + name, Words: words + ", " + says, Where: where, DCC: dcc,
				State: wiring.State{LeftPositive: left, Drive: d, Track: u, Which: which}})
			b.voltages(at)
		}
		add("off", "all outputs off", wiring.Off, 0)
		add("on", "all outputs on", wiring.On, 0)
		if where == Board && left == fed {
			add("reset", "chip not programmed, its pins open", wiring.Reset, 0)
		}
		lit := 0
		for i := range n.Outputs {
			if !n.Outputs[i].Acknowledge {
				lit++
			}
		}
		for i := range n.Outputs {
			o := &n.Outputs[i]
			if lit > 1 && left == fed && (dcc || where == Board) && !o.Acknowledge || o.Acknowledge && where == Board && left == fed {
				add("only-"+strings.ReplaceAll(o.Name, " ", "-"), "only "+o.Of()+" on", wiring.On, 1<<i)
			}
		}
	}
	limit := "through a limit of " + s.Limit.String()
	if s.Series > 0 {
		limit = "through " + s.Series.String()
	}
	for _, left := range []bool{fed, !fed} {
		outputs(Board, s.Supply, left, fmt.Sprintf("decoder alone on %s DC %s, %s rail positive", s.Supply, limit, rail[left]), false)
	}
	for _, left := range []bool{fed, !fed} {
		outputs(Vehicle, usual, left, fmt.Sprintf("decoder in its vehicle on %s DC, %s rail positive", usual, rail[left]), false)
	}
	outputs(Vehicle, usual, fed, fmt.Sprintf("decoder in its vehicle on %s DCC", usual), true)
	return b
}

func (b *Bench) setup(s Setup) int {
	b.Setups = append(b.Setups, s)
	return len(b.Setups) - 1
}

// voltages adds what is measured in a powered setup: every point against minus, and the current out of the supply.
func (b *Bench) voltages(at int) {
	s := &b.Setups[at]
	minus := b.at(circuit.Ground)
	for p := range b.Points {
		if p == minus {
			continue
		}
		b.Measurements = append(b.Measurements, Measurement{ID: s.ID + ":" + b.Points[p].ID, Words: b.Points[p].Words + " against minus",
			Setup: at, Function: meter.DCVoltage, Red: p, Black: minus})
	}
	if s.Where == Board {
		b.Measurements = append(b.Measurements, Measurement{ID: s.ID + ":current", Words: "current that the decoder draws", Setup: at,
			Function: meter.DCCurrent, Red: -1, Black: -1})
	}
	if s.DCC {
		l, r := b.at(b.N.LeftRail), b.at(b.N.RightRail)
		b.Measurements = append(b.Measurements, Measurement{ID: s.ID + ":rails", Words: "AC between the rails", Setup: at, Function: meter.ACVoltage, Red: l, Black: r})
	}
}

// at is the point of a node, −1 where it has none.
func (b *Bench) at(n circuit.Node) int {
	return slices.IndexFunc(b.Points, func(p Point) bool { return p.Node == n })
}

// unpowered adds ohms and diode tests: over each part's own leads, and of every point to minus and to plus.
func (b *Bench) unpowered() {
	at := b.setup(Setup{ID: "unpowered", Words: "decoder alone, without power, the reservoir discharged", Where: Unpowered, State: wiring.State{LeftPositive: b.N.FedLeft(), Drive: wiring.Reset}})
	type pair struct {
		f   meter.Function
		r   int
		blk int
	}
	seen := map[pair]bool{}
	add := func(f meter.Function, red, black int) {
		k := pair{f, red, black}
		if red < 0 || black < 0 || red == black || seen[k] {
			return
		}
		seen[k] = true
		what := "ohms"
		if f == meter.DiodeTest {
			what = "diode test"
		}
		b.Measurements = append(b.Measurements, Measurement{
			ID:    fmt.Sprintf("unpowered:%s:%s>%s", strings.ReplaceAll(what, " ", "-"), b.Points[red].ID, b.Points[black].ID),
			Words: fmt.Sprintf("%s, red on %s, black on %s", what, b.Points[red].Words, b.Points[black].Words),
			Setup: at, Function: f, Red: red, Black: black})
	}
	n := b.N
	minus, plus := b.at(circuit.Ground), b.at(n.Plus)
	elements := n.Circuit.Elements()
	for i := range n.Outputs {
		o := &n.Outputs[i]
		for _, r := range o.Resistors {
			add(meter.Resistance, b.at(elements[r.Elem].Nodes[0]), b.at(elements[r.Elem].Nodes[1]))
		}
		for _, t := range o.Transistors() {
			in, out, common := b.at(t.Input), b.at(t.Out), b.at(t.Common)
			for _, p := range [][2]int{{in, common}, {in, out}, {out, common}} {
				add(meter.DiodeTest, p[0], p[1])
				add(meter.DiodeTest, p[1], p[0])
			}
			add(meter.Resistance, out, common)
		}
	}
	if n.Ear != nil {
		add(meter.Resistance, b.at(n.Ear.Rail), b.at(n.Ear.Node))
	}
	for _, rail := range []int{b.at(n.LeftRail), b.at(n.RightRail)} {
		add(meter.DiodeTest, rail, plus)
		add(meter.DiodeTest, plus, rail)
		add(meter.DiodeTest, minus, rail)
		add(meter.DiodeTest, rail, minus)
	}
	add(meter.Resistance, b.at(n.LeftRail), b.at(n.RightRail))
	for p := range b.Points {
		add(meter.Resistance, p, minus)
	}
	add(meter.DiodeTest, b.at(n.VCC), minus)
	add(meter.DiodeTest, minus, b.at(n.VCC))
	add(meter.Resistance, b.at(n.VCC), plus)
}

// input is the meter's input resistance on a voltage function.
func (s *Settings) input(f meter.Function) unit.Ohm {
	for _, r := range s.Meter.Ranges {
		if r.Function == f && unit.Known(r.Input) && r.Input > 0 {
			return r.Input
		}
	}
	return 10e6
}

// burden is the meter's own resistance on the range that shows the current.
func (s *Settings) burden(i float64) unit.Ohm {
	if r, ok := s.Meter.Range(meter.DCCurrent, i); ok {
		return unit.Or(r.Burden, 0)
	}
	return 0
}

// Shown is what is foreseen of a measurement, as the meter would show it: OL as +Inf.
func (b *Bench) Shown(m *Measurement, v float64) float64 {
	if m.Function == meter.DiodeTest && v > float64(DiodeMost) {
		return math.Inf(1)
	}
	if m.Function == meter.Resistance {
		if most := b.most(meter.Resistance); v > most {
			return math.Inf(1)
		}
	}
	return v
}

func (b *Bench) most(f meter.Function) float64 {
	most := 0.0
	for _, r := range b.Settings.Meter.Ranges {
		if r.Function == f {
			most = math.Max(most, r.Full)
		}
	}
	return most
}
