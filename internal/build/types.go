package build

import (
	"fmt"
	"math"
	"strings"

	"fettle/internal/diag"
	"fettle/internal/parts"
	"fettle/internal/unit"
)

// A Number is what a Quantity may hold.
type Number interface{ ~float64 | ~int | ~int64 }

// A Quantity is a value as the file gives it. The zero Quantity is not set. A float that is not known is NaN
// after Load; Known, not a comparison with zero, tells.
type Quantity[U Number] struct {
	Value   U
	Text    string     // as written: "4k7"; the default's text where Assumed; "" where nothing is known
	Choose  bool       // written as "choose": fettle is asked to choose it
	Assumed bool       // not written: the schema's default stands
	Real    *Real      // of a build as built: the value is what was fitted, and this is how it is known
	Range   diag.Range // of the value's token, or of the block where the attribute is absent
}

// Given is a quantity that stands as if it had been written.
func Given[U Number](v U) Quantity[U] { return Quantity[U]{Value: v, Text: fmt.Sprint(v)} }

// IsSet reports whether the file says anything here, a value, a word or "choose".
func (q Quantity[U]) IsSet() bool { return q.Text != "" && !q.Assumed }

// Known reports whether there is a value, written or assumed.
func (q Quantity[U]) Known() bool {
	v := float64(q.Value)
	return q.Text != "" && !q.Choose && !math.IsNaN(v) && !math.IsInf(v, 0)
}

// Open reports whether the value is fettle's to choose: left open, or written "choose".
func (q Quantity[U]) Open() bool { return q.Choose || q.Text == "" }

// None reports whether the part is left out.
func (q Quantity[U]) None() bool { return q.Text == None }

// Or returns the value if it is known, else otherwise.
func (q Quantity[U]) Or(otherwise U) U {
	if q.Known() {
		return q.Value
	}
	return otherwise
}

// A Text is a word or name as the file gives it. The zero Text is not set.
type Text struct {
	Text    string
	Choose  bool  // written as "choose"
	Assumed bool  // not written: the schema's default stands
	Real    *Real // of a build as built: this is what was fitted
	Range   diag.Range
}

// Words is a text that stands as if it had been written.
func Words(s string) Text { return Text{Text: s} }

// IsSet reports whether the file says anything here.
func (t Text) IsSet() bool { return t.Text != "" && !t.Assumed }

// Open reports whether the word is fettle's to choose.
func (t Text) Open() bool { return t.Choose || t.Text == "" }

func (t Text) String() string { return t.Text }

// A Flag is yes or no.
type Flag struct {
	Yes     bool
	Set     bool
	Assumed bool
	Range   diag.Range
}

// A Build is one build file with the readings and the drawer that lie beside it.
type Build struct {
	File   string
	Source []byte
	Format int
	Title  Text // of the build; where absent, the first vehicle's name
	Note   Text

	Vehicles  []Vehicle
	Train     *Train
	Track     Track
	Meters    []Meter
	Supplies  []BenchSupply
	Tools     Tools // the block bench
	Decoders  []Decoder
	Functions []Function
	Board     *Board
	Cost      *Cost

	Readings  []Reading        // those of the build file in file order, then those of readings.csv in file order
	Bench     []BenchReading   // of readings.csv: what was read at test points and seen, in file order
	Drawer    *parts.Drawer    // nil where there is none
	Catalogue *parts.Catalogue // what part names were looked up in
	Unbuilt   []Unbuilt        // what is written and well formed, but answered by nothing yet
}

// Unbuilt is a block or attribute that no question answers yet: it is reported as unknown, not built yet.
type Unbuilt struct {
	What  string // in the user's words: "board", "motor of vehicle \"harbour railcar\""
	Range diag.Range
}

// A Vehicle is what the decoder goes into.
type Vehicle struct {
	Name   Text
	Scale  Text // "N", "H0", …
	Socket Text // a socket of the catalogue, or "wires"
	// Specimen is which of several vehicles alike was measured.
	Specimen Text
	Cavity   Cavity
	Lamps    []Lamp
	Motor    *Motor
	Range    diag.Range
}

// A Cavity is the room for the decoder.
type Cavity struct {
	Length, Width, Height Quantity[unit.Length]
	Range                 diag.Range
}

// Feeds of a lamp: where its plus comes from.
const (
	LeftRail      = "left rail"
	RightRail     = "right rail"
	RectifiedPlus = "rectified plus"
	ChipSupply    = "chip supply"
	LocalPlus     = "local plus"    // two diodes, one from each rail, in the vehicle
	DecoderMinus  = "decoder minus" // common minus: the lamp wants a high-side drive
)

// Kinds of lamp.
const (
	KindLED          = "led"
	KindAntiparallel = "anti-parallel" // two LEDs face to face on one wire
	KindFilament     = "filament"
	KindBoard        = "board" // a lighting board with diode, rectifier or regulator of its own
)

// Ends of the vehicle at which a lamp shines.
const (
	EndFront  = "front"
	EndRear   = "rear"
	EndInside = "inside"
)

// A Lamp is one light of the vehicle as it sits there, with whatever resistor hides in it.
type Lamp struct {
	Name   Text
	Kind   Text
	Feed   Text
	Pin    Quantity[int] // pin of the socket on the switched side
	Wire   Text          // colour of the wire where there is no socket
	LEDs   Text          // colour class: "white", "red", …
	Part   Text          // the LED itself, of the catalogue or the drawer, where it is known
	End    Text          // EndFront, EndRear, EndInside: where it shines
	Back   Text          // of an anti-parallel pair: colour class of the one that lights the other way round
	Series int           // junctions in series, 0: not said
	// Parallel is the number of such strings side by side behind one resistor, 0: not said.
	Parallel   int
	Hidden     Quantity[unit.Ohm] // what the marking of the resistor in the lamp says
	Good       Quantity[unit.Amp] // mean current that looks right, at the usual voltage
	Seen       Quantity[unit.Amp] // mean current still clearly lit, at the lowest
	NeverAbove Quantity[unit.Amp] // mean current that is too bright or too much, at the highest
	PeakAbove  Quantity[unit.Amp] // peak current that the LED must not see; the catalogue's class limit where absent
	Cold, Hot  Quantity[unit.Ohm] // resistance of a filament
	Readings   []Reading          // all of this lamp, from both files
	Range      diag.Range
}

// A Motor is a load for later.
type Motor struct {
	Resistance Quantity[unit.Ohm]
	Stall      Quantity[unit.Amp]
	Range      diag.Range
}

// Kinds of supply that a reading was taken on.
const (
	SmoothDC = "smooth dc"
	FullWave = "full-wave" // unsmoothed, as an old controller gives
	PWM      = "pwm"
	DCC      = "dcc"
)

// Places of the ammeter.
const (
	InFeed = "in the feed" // in the lamp's own wire: nothing else flows through it
	InRail = "in the rail" // in a track lead: what else draws current flows through it too
)

// How the lamp looked.
const (
	LookedDark   = "dark"
	LookedSeen   = "seen"
	LookedGood   = "good"
	LookedBright = "bright"
)

// A Reading is what was measured once, in the build file or in readings.csv.
type Reading struct {
	ID      string // as written, else the lamp's name (or point) and a count in the order of Build.Readings
	Date    string // "2026-02-01", or ""
	Vehicle string
	Lamp    string // "" for a reading at a test point

	Supply     string               // kind: SmoothDC, FullWave, PWM, DCC
	SupplyName Text                 // as written: a kind, or a supply block's name
	Track      Quantity[unit.Volt]  // across the feed: what the voltmeter or the supply's own display showed
	Duty       Quantity[unit.Ratio] // share of the time that a pwm supply is on
	Reversed   bool                 // the supply was turned round: the switched side was made positive
	Current    Quantity[unit.Amp]   // what the ammeter showed
	Drop       Quantity[unit.Volt]  // across the LED itself
	Resistance Quantity[unit.Ohm]   // what the ohmmeter showed
	Marking    Text                 // code read off the hidden resistor
	Meter      Text                 // the meter of the current (or of the only reading)
	VoltMeter  Text                 // the meter of the voltages, if another one
	Ammeter    Text                 // InFeed (assumed), InRail
	Others     Quantity[unit.Amp]   // what else drew current through the ammeter
	Plugged    Text                 // what was in the socket: "nothing" (assumed), "dummy plug", "decoder"
	Looked     Text                 // LookedDark, …
	// Temperature of the lamp while it was read.
	Temperature Quantity[unit.Celsius]
	Point       Text                // test point of the decoder
	Minus       Text                // where the meter's other probe was
	State       Text                // state of the decoder
	Voltage     Quantity[unit.Volt] // what the voltmeter showed at the point

	Note  string
	Range diag.Range // the block's head, or the line of readings.csv

	damaged bool // a value of it was complained of
}

// A Meter is one of the user's instruments. Without ranges it is the ordinary hand meter.
type Meter struct {
	Name    Text
	TrueRMS Flag
	Ranges  []MeterRange
	Range   diag.Range
}

// What a range of a meter measures.
const (
	MeasuresVoltage    = "dc voltage"
	MeasuresACVoltage  = "ac voltage"
	MeasuresCurrent    = "dc current"
	MeasuresResistance = "resistance"
	MeasuresDiode      = "diode"
)

// A MeterRange is one position of the meter's switch. Full and Resolution are in the SI unit of what it measures.
type MeterRange struct {
	Measures   Text
	Full       Quantity[float64]
	Resolution Quantity[float64]
	Gain       Quantity[unit.Ratio] // ± of the reading
	Digits     Quantity[float64]    // ± of the last digit
	Burden     Quantity[unit.Ohm]   // of a current range: shunt, fuse and leads
	// GainError is what was found against a standard, with its sign; GainErrorWithin is ± what that leaves open.
	GainError, GainErrorWithin Quantity[unit.Ratio]
	Input                      Quantity[unit.Ohm] // of a voltage range
	Range                      diag.Range
}

// A BenchSupply is what readings are taken from.
type BenchSupply struct {
	Name       Text
	Kind       Text
	Highest    Quantity[unit.Volt]
	Peak       Quantity[unit.Volt]  // of pulses or half-waves
	Frequency  Quantity[unit.Hertz] // of pulses, or of the mains
	Limit      Quantity[unit.Amp]   // adjustable current limit, or what the thing can give
	Resistance Quantity[unit.Ohm]
	Range      diag.Range
}

// Tools are what the user tries a board out with.
type Tools struct {
	Supply     Quantity[unit.Volt]
	Limit      Quantity[unit.Amp]
	Series     Quantity[unit.Ohm]
	Meter      Text
	OutOfReach []Text // test points
	Range      diag.Range
}

// A BenchReading is a line of readings.csv on the board: what was read between two test points, or seen, in a setup of the
// bench. Its words are kept as typed; package fault understands them.
type BenchReading struct {
	Date, Setup string // "2026-02-28", "board-left-on"
	Decoder     string // "": the first of the build
	Test, Text  string // "PB0 to plus", "0.02 V"
	Meter, Note string
	Range       diag.Range // the line
	At          diag.Range // of Text
}

// What the track carries besides DCC.
const (
	DCNone    = "none"
	DCForward = "forward"
	DCReverse = "reverse"
	DCBoth    = "both"
)

// Track is what the rails carry and where the vehicle runs.
type Track struct {
	Low, Usual, High                Quantity[unit.Volt]
	DC                              Text // DCNone, …: directions in which lights are wanted on plain DC
	DCSupply                        Text // SmoothDC, FullWave, PWM
	ProgrammingLow, ProgrammingHigh Quantity[unit.Volt]
	AmbientLow, AmbientHigh         Quantity[unit.Celsius] // inside the vehicle
	Range                           diag.Range
}

// A Decoder is one board.
type Decoder struct {
	Name        Text
	Vehicle     Text // which vehicle it sits in; where absent, the only one
	Supply      DecoderSupply
	Chip        Chip
	Listen      Listen
	Outputs     []Output
	Answer      Answer
	Acknowledge *Acknowledge
	Fitted      *Fitted // what was really soldered in; nil: nothing is noted
	Range       diag.Range
}

// A DecoderSupply is the way from the rails to the chip.
type DecoderSupply struct {
	Rectifier  Text          // a bridge or diode of the catalogue
	Diodes     Quantity[int] // where the rectifier is made of single diodes: how many
	From       Text          // LeftRail, RightRail: of a rectifier of one diode, the rail that it leads from
	Regulator  Text          // a regulator or zener of the catalogue
	Reservoir  Quantity[unit.Farad]
	Charge     Quantity[unit.Ohm]   // resistor that the reservoir charges through
	Decoupling Quantity[unit.Farad] // at the chip
	Ballast    Quantity[unit.Ohm]   // before a zener
	Package    Text                 // of the ballast, and of the ear's resistor
	Range      diag.Range
}

// Single reports whether one diode is the rectifier: it leads from one rail, and the other rail is the decoder's minus.
func (s *DecoderSupply) Single() bool { return s.Diodes.Known() && s.Diodes.Value == 1 }

// OtherRail is the rail that a rail is not.
func OtherRail(rail string) string {
	if rail == LeftRail {
		return RightRail
	}
	return LeftRail
}

// A Chip is the microcontroller.
type Chip struct {
	Part      Text
	Clock     Text // "8 MHz internal"
	Frequency unit.Hertz
	Source    string // "internal", "pll", "crystal", "resonator", "external"
	BrownOut  Quantity[unit.Volt]
	Range     diag.Range
}

// Listen is the ear: the way of the track signal to the chip.
type Listen struct {
	From   Text
	Into   Text
	Series Quantity[unit.Ohm]
	Filter Quantity[unit.Farad]
	Range  diag.Range
}

// Drives of an output.
const (
	DriveLowSide  = "low side"
	DriveHighSide = "high side"
	DriveFromPin  = "from the pin"
	DriveBridge   = "bridge"
)

// None stands where a resistor is left out.
const None = "none"

// An Output is one switch of the decoder with its load.
type Output struct {
	Name          Text
	Load          Text // "lamp" (assumed), "motor"
	Lamp          Text // the lamp; the first of several
	AlsoLamps     []Text
	From          Text // chip pin
	Drive         Text // DriveLowSide (assumed), …
	Switch        Text // transistor of the catalogue, or "choose"
	Level         Text // transistor that shifts the level of a high-side switch
	Driver        Text // first transistor of a pair
	Series        Quantity[unit.Ohm]
	Base          Quantity[unit.Ohm] // to the switch's base or gate
	Pulldown      Quantity[unit.Ohm] // from the base or gate that the chip drives to the decoder's minus
	Between       Quantity[unit.Ohm] // of a pair: from the base between its transistors to the decoder's minus
	Pullup        Quantity[unit.Ohm] // of a high-side switch: base or gate to the rectified plus
	LevelBase     Quantity[unit.Ohm] // of a high-side switch: chip pin to the level transistor
	Shunt         Quantity[unit.Ohm] // across the lamp; none unless asked for
	Clamp         Text               // zener from the gate of a P-channel switch to the rectified plus
	Package       Text               // resistor package of the catalogue
	SeriesPackage Text               // of the series resistor, where it is another
	Tolerance     Quantity[unit.Ratio]
	// Brightness is the share of the time that firmware switches it on, 1 where absent.
	Brightness Quantity[unit.Ratio]
	Dim        Quantity[unit.Hertz] // frequency of that switching
	// Of a build as built: the measured gains of the transistors that were fitted.
	HFE, LevelHFE, DriverHFE Quantity[float64]
	Range                    diag.Range
}

// Answer is what the decoder shall obey.
type Answer struct {
	Address Quantity[int]
	Long    Flag
	Consist Quantity[int]
	Steps   Quantity[int]
	DC      Flag
	Lock    Quantity[int]
	Range   diag.Range
}

// Acknowledge is the load that answers on the programming track.
type Acknowledge struct {
	Load   Quantity[unit.Ohm]
	From   Text
	Switch Text
	Base   Quantity[unit.Ohm]
	// Pulldown is from its base or gate to the decoder's minus.
	Pulldown Quantity[unit.Ohm]
	Package  Text
	HFE      Quantity[float64] // of a build as built: the measured gain of the switch that was fitted
	Range    diag.Range
}

// A Function is what a key of the throttle does.
type Function struct {
	Name      Text // "F0" … "F68"
	Decoder   Text
	Direction Text // "forward", "reverse", "both" (assumed)
	Outputs   []Text
	Effect    Text
	Fade      Quantity[unit.Time]
	// Brightness is the share of the output's full light under this function.
	Brightness Quantity[unit.Ratio]
	Range      diag.Range
}

// A Train is several vehicles that answer to one address.
type Train struct {
	Vehicles []TrainVehicle
	Wants    []Want
	Range    diag.Range
}

// A TrainVehicle is one place in the train, front first.
type TrainVehicle struct {
	Name   Text
	Turned Flag
	Range  diag.Range
}

// Directions of travel.
const (
	Forward = "forward"
	Reverse = "reverse"
	Both    = "both"
)

// Nothing stands in a want for no function that is on, and for no lamp that is lit.
const Nothing = "nothing"

// A Want is which lamps the user wants lit, and no others.
type Want struct {
	Direction Text
	Functions []Text // that are on together; Nothing alone: none
	Lit       []Text // lamps, or "vehicle / lamp"; Nothing alone: none
	Range     diag.Range
}

// A Board is the perfboard.
type Board struct {
	Columns, Rows Quantity[int]
	Pitch         Quantity[unit.Length]
	Height        Quantity[unit.Length] // parts and solder over both faces
	Sides         Quantity[int]
	Pins          []BoardPin
	KeepOuts      []KeepOut
	Range         diag.Range
}

// A BoardPin is a net that must come out at a hole.
type BoardPin struct {
	Net         Text
	Column, Row Quantity[int]
	Range       diag.Range
}

// A KeepOut is a field of holes that must stay empty.
type KeepOut struct {
	Column, Row, Columns, Rows Quantity[int]
	Range                      diag.Range
}

// Cost is for comparing with a ready-made decoder.
type Cost struct {
	Currency  Text
	ReadyMade Quantity[float64]
	Range     diag.Range
}

// Name is what the build is called: its title, else its first vehicle, else its file.
func (b *Build) Name() string {
	switch {
	case b.Title.Text != "":
		return b.Title.Text
	case len(b.Vehicles) > 0 && b.Vehicles[0].Name.Text != "":
		return b.Vehicles[0].Name.Text
	}
	return b.File
}

// Vehicle finds a vehicle; "" is the only one.
func (b *Build) Vehicle(name string) (*Vehicle, bool) {
	if name == "" && len(b.Vehicles) == 1 {
		return &b.Vehicles[0], true
	}
	for i := range b.Vehicles {
		if b.Vehicles[i].Name.Text == name {
			return &b.Vehicles[i], true
		}
	}
	return nil, false
}

// VehicleOf finds the vehicle that a decoder sits in.
func (b *Build) VehicleOf(d *Decoder) (*Vehicle, bool) { return b.Vehicle(d.Vehicle.Text) }

// Lamp finds a lamp of the vehicle.
func (v *Vehicle) Lamp(name string) (*Lamp, bool) {
	for i := range v.Lamps {
		if v.Lamps[i].Name.Text == name {
			return &v.Lamps[i], true
		}
	}
	return nil, false
}

// A LampOf is a lamp in its vehicle.
type LampOf struct {
	Vehicle *Vehicle
	Lamp    *Lamp
}

// String names both: "tail car / rear".
func (l LampOf) String() string { return l.Vehicle.Name.Text + " / " + l.Lamp.Name.Text }

// InTrain lists the vehicles of the train, front first; without a train block, or where it names none, all of the
// build in file order. A vehicle that is not declared is left out.
func (b *Build) InTrain() []*Vehicle {
	var list []*Vehicle
	if b.Train != nil {
		for _, t := range b.Train.Vehicles {
			if v, ok := b.Vehicle(t.Name.Text); ok && t.Name.Text != "" {
				list = append(list, v)
			}
		}
	}
	if list == nil {
		for i := range b.Vehicles {
			list = append(list, &b.Vehicles[i])
		}
	}
	return list
}

// TrainLamps finds the lamps of the train that a want means by a name: "rear" in any vehicle, "tail car / rear" in that
// one.
func (b *Build) TrainLamps(name string) []LampOf {
	var found []LampOf
	for _, v := range b.InTrain() {
		for i := range v.Lamps {
			l := v.Lamps[i].Name.Text
			rest, whole := strings.CutPrefix(name, v.Name.Text)
			rest, slash := strings.CutPrefix(strings.TrimLeft(rest, " "), "/")
			if name == l || whole && slash && strings.TrimLeft(rest, " ") == l {
				found = append(found, LampOf{v, &v.Lamps[i]})
			}
		}
	}
	return found
}

// LampKey is the name by which answers are kept of a lamp: its own, or "vehicle/lamp" where a vehicle further up has one
// of that name.
func (b *Build) LampKey(v *Vehicle, lamp string) string {
	for i := range b.Vehicles {
		if &b.Vehicles[i] == v {
			break
		}
		if _, twice := b.Vehicles[i].Lamp(lamp); twice {
			return v.Name.Text + "/" + lamp
		}
	}
	return lamp
}

// DecoderOf finds the decoder that a function is mapped on.
func (b *Build) DecoderOf(f *Function) (*Decoder, bool) {
	if f.Decoder.Text == "" && len(b.Decoders) == 1 {
		return &b.Decoders[0], true
	}
	for i := range b.Decoders {
		if b.Decoders[i].Name.Text == f.Decoder.Text {
			return &b.Decoders[i], true
		}
	}
	return nil, false
}

// Output finds an output of the decoder.
func (d *Decoder) Output(name string) (*Output, bool) {
	for i := range d.Outputs {
		if d.Outputs[i].Name.Text == name {
			return &d.Outputs[i], true
		}
	}
	return nil, false
}

// Meter finds a declared meter; a name that is not declared, or "", is the ordinary hand meter (false).
func (b *Build) Meter(name string) (*Meter, bool) {
	for i := range b.Meters {
		if b.Meters[i].Name.Text == name {
			return &b.Meters[i], true
		}
	}
	return nil, false
}

// An Edit sets one attribute to a value. Path names the block the way the file nests it, labels included:
// {"decoder", "a", "output", "front"}. Value is written as the attribute's kind asks: quantities and words
// in quotes, counts and flags bare.
type Edit struct {
	Path   []string
	Attr   string
	Value  string
	List   []string // instead of Value: names, where several may stand
	Make   bool     // blocks of the path that are not there are made
	Remove bool     // the attribute is taken out; it need not be there
}

// Text is the value in one piece: names behind one another, "" where it is taken out.
func (e Edit) Text() string {
	if e.Remove {
		return ""
	}
	if len(e.List) > 0 {
		return strings.Join(e.List, ", ")
	}
	return e.Value
}
