package wiring

import (
	"fmt"
	"math"
	"slices"

	"fettle/internal/build"
	"fettle/internal/circuit"
	"fettle/internal/device"
	"fettle/internal/unit"
)

// A Structure is what a lamp is made of, as far as its two wires tell.
type Structure uint8

const (
	// PlainLamp is a hidden resistor with one group of LEDs behind it. LEDs side by side that have a resistor each
	// are such a lamp too: n equal branches of R carry what n LEDs side by side behind R/n do, at every voltage, so
	// that no reading from outside tells the two apart.
	PlainLamp Structure = iota
	// AntiParallelLamp has a second group the other way round behind the same resistor.
	AntiParallelLamp
	// FilamentLamp is a tungsten filament and nothing else.
	FilamentLamp
	// DiodeBoard has a diode of its own before resistor and LEDs: one drop more, and the diode stands what comes the
	// wrong way round.
	DiodeBoard
	// BridgeBoard has a bridge of its own: it lights either way, two drops more.
	BridgeBoard
	// LimitedDiodeBoard has a regulator or a constant-current part behind its own diode: above a knee its current
	// stays where it is.
	LimitedDiodeBoard
	// LimitedBridgeBoard is the same behind a bridge.
	LimitedBridgeBoard
	// LeakingLamp is a plain lamp with a resistance across its LEDs: an LED hurt by reverse voltage or soldering, or
	// flux and damp. Of several LEDs in a row, one that leaks alone is not modelled.
	LeakingLamp
	// ShortedLamp is the hidden resistor alone: no LED is left. (One shorted LED of several in a row is a plain lamp
	// with one less.)
	ShortedLamp
	// OpenLamp conducts nothing.
	OpenLamp

	// Structures is how many there are.
	Structures = iota
)

var structureWords = [Structures]string{
	PlainLamp:          "LEDs behind a resistor",
	AntiParallelLamp:   "two LEDs face to face behind one resistor",
	FilamentLamp:       "a filament",
	DiodeBoard:         "a lighting board with its own diode",
	BridgeBoard:        "a lighting board with its own bridge",
	LimitedDiodeBoard:  "a lighting board with its own diode and a regulator or constant-current part",
	LimitedBridgeBoard: "a lighting board with its own bridge and a regulator or constant-current part",
	LeakingLamp:        "LEDs behind a resistor, with a leak across them",
	ShortedLamp:        "a resistor alone, its LED shorted",
	OpenLamp:           "open: nothing conducts",
}

func (s Structure) String() string { return structureWords[s] }

// BothWays reports whether it conducts whichever way round it is fed.
func (s Structure) BothWays() bool {
	switch s {
	case AntiParallelLamp, FilamentLamp, BridgeBoard, LimitedBridgeBoard, ShortedLamp:
		return true
	}
	return false
}

// Lights reports whether a lamp of this structure can give light at all.
func (s Structure) Lights() bool { return s != ShortedLamp && s != OpenLamp }

// Limited reports whether its current stays where it is above a knee.
func (s Structure) Limited() bool { return s == LimitedDiodeBoard || s == LimitedBridgeBoard }

// bridged reports whether four diodes stand before the rest.
func (s Structure) bridged() bool { return s == BridgeBoard || s == LimitedBridgeBoard }

// Drops is the number of the board's own diodes that a current passes.
func (s Structure) Drops() int {
	switch s {
	case DiodeBoard, LimitedDiodeBoard:
		return 1
	case BridgeBoard, LimitedBridgeBoard:
		return 2
	}
	return 0
}

// LampParams is one possible lamp. Which of the values count is said by its structure.
type LampParams struct {
	Structure        Structure
	Series, Parallel int          // LEDs in a row, and rows side by side; of a pair face to face in either way
	Hidden           unit.Ohm     // hidden resistor; a filament has none
	LED              device.Diode // one junction
	Back             device.Diode // AntiParallelLamp: one junction of those the other way round
	Leak             unit.Ohm     // LeakingLamp: across all its LEDs
	Diode            device.Diode // of a board: one of its own diodes
	// Of a limited board: the current that it lets its LEDs have and no more, what the regulator takes for itself, and
	// the input over output voltage below which it no longer holds.
	Limit, Own unit.Amp
	Dropout    unit.Volt
	Filament   device.Filament // FilamentLamp
}

// Junction is the one equivalent diode of the whole group. For identical junctions it is exact: s in a row
// carry the same current, so voltage, emission coefficient, ohmic resistance and the temperature laws
// multiply by s; p side by side share the current, so currents multiply by p. Parallel rows of real LEDs
// share unequally; that is judged where the current per LED is (package require), not here.
func (p LampParams) Junction() device.Diode {
	d := p.group(p.LED)
	if p.Structure == DiodeBoard {
		d.GP += boardLeak
	}
	return d
}

// boardLeak lies across the LEDs of a board with a direction diode (S): flux, damp and the LED's own surface, some
// 100 MΩ (common practice, no source). Two parts that block in series share what they block by their leaks alone, and
// no sheet says how; the nanoamperes that a blocking silicon diode passes do an LED no harm, whatever voltage they
// raise. So the diode takes the reverse voltage here, as it is meant to.
const boardLeak = 1e-8

func (p LampParams) group(d device.Diode) device.Diode {
	s, n := float64(max(p.Series, 1)), float64(max(p.Parallel, 1))
	d.IS *= unit.Amp(n)
	d.N *= s
	d.RS *= unit.Ohm(s / n)
	d.XTI *= s
	d.EG *= unit.Volt(s)
	d.GP *= n / s
	d.BV *= unit.Volt(s)
	return d
}

// regulator is the board's regulator: its output stands where the LEDs behind the resistor take the limit, at the
// temperature that fits are made at. A regulator of fixed voltage and a part of constant current are both so
// described; they differ in how the limit moves with the temperature, by the LEDs' own few millivolts per kelvin.
func (p LampParams) regulator() device.Regulator {
	return device.Regulator{
		Vout:    p.Limit.Times(p.Hidden) + p.Junction().Voltage(p.Limit, unit.FitTemperature.Kelvin()),
		Dropout: p.Dropout,
		IQ:      p.Own,
	}
}

// insulationOhm stands for an open lamp: what a soldered board leaks at worst, far above what any meter here reads.
const insulationOhm = unit.Ohm(1e12)

// Voltage is what stands over the whole lamp at current i in its own direction, at temperature t: +Inf where no
// voltage drives that current (a limited board above its limit, an open lamp).
func (p LampParams) Voltage(i unit.Amp, t unit.Kelvin) unit.Volt {
	switch p.Structure {
	case ShortedLamp:
		return i.Times(p.Hidden)
	case OpenLamp:
		if i > 0 {
			return unit.Volt(math.Inf(1))
		}
		return 0
	case FilamentLamp:
		return p.glowing(i, t)
	case LeakingLamp:
		return i.Times(p.Hidden) + p.leaking(i, t)
	}
	v := unit.Volt(float64(p.Structure.Drops())) * p.Diode.Voltage(i, t)
	if p.Structure.Drops() == 0 {
		v = 0
	}
	if p.Structure.Limited() {
		i = max(0, i-p.Own)
		v += p.Dropout
	}
	behind := i.Times(p.Hidden) + p.Junction().Voltage(i, t)
	if p.Structure.Limited() && behind > p.regulator().Vout {
		return unit.Volt(math.Inf(1))
	}
	return behind + v
}

// leaking is the voltage over LEDs and leak that carry i together.
func (p LampParams) leaking(i unit.Amp, t unit.Kelvin) unit.Volt {
	led := p.Junction()
	low, high := unit.Amp(0), i // through the LEDs
	for range 100 {
		x := (low + high) / 2
		if led.Voltage(x, t) < (i - x).Times(p.Leak) {
			low = x
		} else {
			high = x
		}
	}
	return (i - low).Times(p.Leak)
}

// glowing is the voltage at which the filament draws i.
func (p LampParams) glowing(i unit.Amp, t unit.Kelvin) unit.Volt {
	if i <= 0 {
		return 0
	}
	w := p.Filament.At(t)
	low, high := 0.0, float64(p.Filament.LitV)
	for range 60 {
		if x, _ := w.Current(high); x >= float64(i) {
			break
		}
		low, high = high, 2*high
	}
	for range 60 {
		v := (low + high) / 2
		if x, _ := w.Current(v); x < float64(i) {
			low = v
		} else {
			high = v
		}
	}
	return unit.Volt((low + high) / 2)
}

// none is an element that a structure does not have.
const none = circuit.Elem(-1)

// LampElems are the circuit elements of a lamp; those that its structure lacks are −1.
type LampElems struct {
	Structure Structure
	Hidden    circuit.Elem
	LED, Back circuit.Elem
	Leak      circuit.Elem
	Regulator circuit.Elem
	Filament  circuit.Elem
	Diodes    [4]circuit.Elem // of a bridge from→plus, to→plus, minus→from, minus→to; of a diode the first
	Inside    circuit.Node    // where the LED's anode is joined; of a filament its first end
	To        circuit.Node    // where the LED's cathode is joined; of a filament its other end
}

// AddLamp puts a lamp between two nodes: in its own direction current flows from `from` to `to`. Survey and decoder
// networks use this one description.
//
//	plain           from ── hidden ── LED ── to
//	anti-parallel   from ── hidden ──┬─ LED ──┬── to           (Back with its anode at to)
//	                                 └─ Back ─┘
//	board           from ── diode ── [regulator] ── hidden ── LED ── to
//	with bridge     from, to ═ bridge ═ plus ── [regulator] ── hidden ── LED ── minus
//	leaking         from ── hidden ──┬─ LED ──┬── to
//	                                 └─ leak ─┘
func AddLamp(c *circuit.Circuit, name string, from, to circuit.Node, p LampParams) LampElems {
	e := LampElems{Structure: p.Structure, Hidden: none, LED: none, Back: none, Leak: none, Regulator: none, Filament: none,
		Diodes: [4]circuit.Elem{none, none, none, none}, Inside: to, To: to}
	hidden := func(a, b circuit.Node, r unit.Ohm) {
		e.Hidden = c.Resistor("lamp "+name+" hidden resistor", a, b, r)
		c.SetWords(e.Hidden, "hidden resistor of lamp "+name)
	}
	switch p.Structure {
	case FilamentLamp:
		e.Inside = from
		e.Filament = c.Filament("lamp "+name+" filament", from, to, p.Filament)
		c.SetWords(e.Filament, "filament of lamp "+name)
		return e
	case ShortedLamp:
		hidden(from, to, p.Hidden)
		return e
	case OpenLamp:
		hidden(from, to, insulationOhm)
		return e
	}
	diode := func(k int, anode, cathode circuit.Node) {
		e.Diodes[k] = c.Diode("lamp "+name+" board diode", anode, cathode, p.Diode)
		c.SetWords(e.Diodes[k], "diode on the board of lamp "+name)
	}
	at := from
	switch {
	case p.Structure.bridged():
		plus, minus := c.Node("lamp "+name+" plus"), c.Node("lamp "+name+" minus")
		diode(0, from, plus)
		diode(1, to, plus)
		diode(2, minus, from)
		diode(3, minus, to)
		at, e.To = plus, minus
	case p.Structure.Drops() == 1:
		at = c.Node("lamp " + name + " plus")
		diode(0, from, at)
	}
	if p.Structure.Limited() {
		out := c.Node("lamp " + name + " regulated")
		e.Regulator = c.Regulator("lamp "+name+" regulator", at, out, e.To, p.regulator())
		c.SetWords(e.Regulator, "regulator on the board of lamp "+name)
		at = out
	}
	e.Inside = c.Node("lamp " + name + " inside")
	hidden(at, e.Inside, p.Hidden)
	e.LED = c.Diode("lamp "+name+" LED", e.Inside, e.To, p.Junction())
	c.SetWords(e.LED, "LED of lamp "+name)
	switch p.Structure {
	case AntiParallelLamp:
		e.Back = c.Diode("lamp "+name+" LED back", e.To, e.Inside, p.group(p.Back))
		c.SetWords(e.Back, "LED the other way round of lamp "+name)
	case LeakingLamp:
		e.Leak = c.Resistor("lamp "+name+" leak", e.Inside, e.To, p.Leak)
		c.SetWords(e.Leak, "leak across the LED of lamp "+name)
	}
	return e
}

// Set gives an existing lamp other parameters of the same structure, without touching the topology.
func (e LampElems) Set(s *circuit.Solver, p LampParams) {
	if p.Structure != e.Structure {
		panic("wiring: a lamp of " + e.Structure.String() + " cannot become " + p.Structure.String())
	}
	switch p.Structure {
	case FilamentLamp:
		s.SetFilament(e.Filament, p.Filament)
		return
	case OpenLamp:
		return
	}
	s.SetResistance(e.Hidden, p.Hidden)
	for _, d := range e.Diodes {
		if d != none {
			s.SetDiode(d, p.Diode)
		}
	}
	if e.Regulator != none {
		s.SetRegulator(e.Regulator, p.regulator())
	}
	if e.LED != none {
		s.SetDiode(e.LED, p.Junction())
	}
	if e.Back != none {
		s.SetDiode(e.Back, p.group(p.Back))
	}
	if e.Leak != none {
		s.SetResistance(e.Leak, p.Leak)
	}
}

// Through is the current of the whole lamp, from its first node to its second.
func (e LampElems) Through(s *circuit.Solver) unit.Amp {
	switch {
	case e.Filament != none:
		return s.I(e.Filament, 0)
	case e.Structure.bridged():
		return s.I(e.Diodes[0], 0) + s.I(e.Diodes[2], 1)
	case e.Diodes[0] != none:
		return s.I(e.Diodes[0], 0)
	}
	return s.I(e.Hidden, 0)
}

// Light is the current that gives light, in the lamp's own direction and, of a pair face to face, in the other. What
// leaks backwards or beside the LED gives none. Behind a bridge the LED's current is always its forward one; of a
// filament, which glows either way, it is counted by its direction.
func (e LampElems) Light(s *circuit.Solver) (forward, back unit.Amp) {
	switch {
	case e.Filament != none:
		i := s.I(e.Filament, 0)
		return max(0, i), max(0, -i)
	case e.LED == none:
		return 0, 0
	case e.Back != none:
		back = max(0, s.I(e.Back, 0))
	}
	return max(0, s.I(e.LED, 0)), back
}

// Across is the voltage over the LEDs (a filament: over all of it), positive in the direction that lights them
// (a filament: in the lamp's own).
func (e LampElems) Across(s *circuit.Solver) unit.Volt { return s.V(e.Inside) - s.V(e.To) }

// Heat is what the hidden resistor takes up; a filament has none.
func (e LampElems) Heat(s *circuit.Solver) unit.Watt {
	if e.Hidden == none {
		return 0
	}
	return s.Power(e.Hidden)
}

// LEDRatings are the limits of one LED of a colour class.
type LEDRatings struct {
	Class         string
	IFmax, IFpeak unit.Amp
	VRmax         unit.Volt
	Source        string
}

// A Rival is a structure that the readings leave open beside the most probable one.
type Rival struct {
	Structure   Structure
	Probability float64
	Best        LampParams // the most probable lamp of that structure
}

// LampPosterior is what survey knows of one lamp: joint samples of equal weight (a hidden resistance and its
// LED's voltage are strongly correlated; independent intervals would fail good designs). All samples are of one
// structure, the most probable one, so that one circuit serves for all of them.
type LampPosterior struct {
	Name      string
	Class     string // colour class of the catalogue ("white"), the source of the ratings below
	Structure Structure
	Odds      float64      // probability of the structure
	Rivals    []Rival      // what else the readings leave open, most probable first
	Decide    string       // the reading that would decide between them; "" where nothing is open
	Samples   []LampParams // none of an open lamp
	Best      LampParams   // the most probable
	Dead      bool         // no light to be had from it; the samples of a shorted one are its resistor
	WrongWay  bool         // it sits the other way round than its feed needs; Samples describe it turned round
	Surveyed  bool         // false: from the class alone, nothing was measured

	// Ratings of one LED of the class.
	IFmax, IFpeak unit.Amp
	VRmax         unit.Volt
	Ratings       string // source of the ratings
	// Back are those of the LEDs the other way round, of a pair face to face.
	Back LEDRatings
}

// Fewest is the least number of junctions in a row, and of rows, among the samples: readings from outside may
// leave both open, and the fewest stand the least.
func (p *LampPosterior) Fewest() (series, parallel int) {
	for i, s := range p.Samples {
		if n := max(s.Series, 1); i == 0 || n < series {
			series = n
		}
		if n := max(s.Parallel, 1); i == 0 || n < parallel {
			parallel = n
		}
	}
	return max(series, 1), max(parallel, 1)
}

// Brightest is what the row of the lowest forward voltage takes of the lamp's current i, where each of its LEDs
// stands dv below those of the other rows, which share the rest alike.
func (p LampParams) Brightest(i unit.Amp, dv unit.Volt, t unit.Kelvin) unit.Amp {
	others := unit.Amp(p.Parallel - 1)
	if others < 1 {
		return i
	}
	low, high := i/(others+1), i
	for range 60 {
		x := (low + high) / 2
		if p.LED.Voltage(x, t)-dv < p.LED.Voltage((i-x)/others, t) {
			low = x
		} else {
			high = x
		}
	}
	return (low + high) / 2
}

// vertices are the samples worth trying as corners, the one nearest to the most probable first. In a fixed
// surrounding the lamp with the largest voltage at the resulting current is the dimmest, so the extremes of
// voltage over a ladder of currents hold the extremes of light; a limited board's are those of its limit too, and
// a pair's those of either way.
func (p *LampPosterior) vertices() []int {
	best, off := 0, math.Inf(1)
	size := func(s LampParams) float64 {
		if p.Structure == FilamentLamp {
			return float64(s.Filament.LitV.Through(s.Filament.LitI))
		}
		return float64(s.Hidden)
	}
	for j, s := range p.Samples {
		if d := math.Abs(math.Log(size(s) / size(p.Best))); d < off {
			best, off = j, d
		}
	}
	list := []int{best}
	extremes := func(of func(s LampParams) unit.Volt) {
		low, high := 0, 0
		vlow, vhigh := unit.Volt(math.Inf(1)), unit.Volt(math.Inf(-1))
		for j, s := range p.Samples {
			v := of(s)
			if v < vlow {
				low, vlow = j, v
			}
			if v > vhigh {
				high, vhigh = j, v
			}
		}
		for _, j := range []int{low, high} {
			if !slices.Contains(list, j) {
				list = append(list, j)
			}
		}
	}
	t := unit.FitTemperature.Kelvin()
	if p.Structure == FilamentLamp {
		// What a filament draws at a voltage tells as much as what drives a current, and needs no inversion.
		extremes(func(s LampParams) unit.Volt { return unit.Volt(s.Filament.Cold) }) // any monotone measure will do
		for _, share := range [...]float64{0.15, 0.35, 0.6, 0.8, 1, 1.3} {
			v := share * float64(p.Best.Filament.LitV)
			extremes(func(s LampParams) unit.Volt {
				w := s.Filament.At(t)
				i, _ := w.Current(v)
				return unit.Volt(-i)
			})
		}
		return list
	}
	for _, i := range [...]unit.Amp{1e-6, 0.3e-3, 1e-3, 3e-3, 10e-3, 30e-3} {
		extremes(func(s LampParams) unit.Volt { return s.Voltage(i, t) })
		if p.Structure == AntiParallelLamp {
			extremes(func(s LampParams) unit.Volt { return s.turned().Voltage(i, t) })
			// What the one stands in reverse is what the other takes forward.
			extremes(func(s LampParams) unit.Volt { return s.group(s.LED).Voltage(i, t) })
			extremes(func(s LampParams) unit.Volt { return s.group(s.Back).Voltage(i, t) })
		}
	}
	if p.Structure == AntiParallelLamp {
		for _, i := range [...]unit.Amp{1e-9, 1e-8, 1e-7} { // while it is off, leakage flows through the one that is forward
			extremes(func(s LampParams) unit.Volt { return s.group(s.LED).Voltage(i, t) })
			extremes(func(s LampParams) unit.Volt { return s.group(s.Back).Voltage(i, t) })
		}
	}
	if p.Structure.Limited() {
		extremes(func(s LampParams) unit.Volt { return unit.Volt(s.Limit + s.Own) }) // any monotone measure will do
	}
	return list
}

// turned is a pair face to face seen from its other side.
func (p LampParams) turned() LampParams {
	p.LED, p.Back = p.Back, p.LED
	return p
}

// Pair reports whether it holds LEDs for either direction of its current: two lights on one wire.
func (p *LampPosterior) Pair() bool { return p.Structure == AntiParallelLamp }

// HasLEDs reports whether its light comes from LEDs.
func (p *LampPosterior) HasLEDs() bool {
	return p.Structure != FilamentLamp && p.Structure.Lights()
}

// RatingsOf are those of one LED of the lamp, or of the one that lights the other way round.
func (p *LampPosterior) RatingsOf(back bool) LEDRatings {
	if back && p.Pair() {
		return p.Back
	}
	return LEDRatings{p.Class, p.IFmax, p.IFpeak, p.VRmax, p.Ratings}
}

// sitsInward reports whether what was measured gives light when current flows from its switched side to its feed.
func (p *LampPosterior) sitsInward(feed string) bool {
	return p.WrongWay != (feed == build.DecoderMinus)
}

// Say puts the lamp into words: "hidden 992 Ω, LED 2.75 V at 2 mA".
func (p LampParams) Say() string {
	t := unit.FitTemperature.Kelvin()
	text := fmt.Sprintf("hidden %s, LED %s at 2 mA", p.Hidden, p.LED.Voltage(0.002, t))
	switch p.Structure {
	case FilamentLamp:
		return fmt.Sprintf("filament %s cold, %s at %s", p.Filament.Cold, p.Filament.LitI, p.Filament.LitV)
	case ShortedLamp:
		return fmt.Sprintf("hidden %s, LED shorted", p.Hidden)
	case OpenLamp:
		return "open"
	case AntiParallelLamp:
		text += fmt.Sprintf(", the other %s", p.Back.Voltage(0.002, t))
	case LeakingLamp:
		text += fmt.Sprintf(", leak %s", p.Leak)
	case LimitedDiodeBoard, LimitedBridgeBoard:
		text += fmt.Sprintf(", limited to %s", p.Limit)
	}
	return text
}

// Has reports whether an element is one of the lamp's.
func (l *LampElems) Has(e circuit.Elem) bool {
	return e >= 0 && (e == l.Hidden || e == l.LED || e == l.Back || e == l.Leak || e == l.Regulator || e == l.Filament || slices.Contains(l.Diodes[:], e))
}
