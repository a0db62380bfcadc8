package build

import "fettle/internal/unit"

// A Kind is what may stand behind an attribute's equals sign.
type Kind int

const (
	KindQuantity Kind = iota // text in quotes with a number and a unit
	KindCount                // a bare whole number
	KindNumber               // a bare number
	KindWord                 // text in quotes, one of Words
	KindName                 // text in quotes, free or the name of something else in the build
	KindNames                // one such text, or a list of them on one line
	KindPart                 // text in quotes, a part of the catalogue
	KindFlag                 // true or false
	KindClock                // text in quotes: a frequency and where it comes from
)

// A Limit is the edge of what can be meant. Beyond it the value is called a slip, not judged: what the physics
// finds too much is a verdict.
type Limit struct {
	Value  float64 // coherent SI
	Open   bool    // the value itself is beyond
	Say    string  // said of a value beyond, with the number
	Source string
}

// An Attr describes one attribute: the reader, the checks, the guesses and the schema page all follow it.
type Attr struct {
	Name     string
	Kind     Kind
	Dim      *unit.Dimension // of a quantity; nil where the range's "measures" decides
	Words    []string        // the words of KindWord; beside a quantity, words that may stand instead of one
	Later    []string        // those of Words that nothing answers yet
	Wants    string          // of a name or part: what it must be ("a lamp of the vehicle")
	Default  string          // assumed where the attribute is absent, in words of the file without quotes
	Min, Max *Limit
	Choose   bool // "choose" may stand here, and absence means it
	Required bool
	Example  string // as it would stand in a file, quotes included
	Doc      string // one line
	Source   string // of the default
	By       string // the questions that answer it; "" as its block; NotYet: nothing does
}

// A Block describes one kind of block.
type Block struct {
	Name     string
	Label    string // what its label names; "" where it takes none
	Many     bool
	Required bool
	Doc      string
	By       string // the questions that answer it; "" as its parent; NotYet: nothing does
	Attrs    []Attr
	Blocks   []*Block
}

// NotYet marks what is read and checked, but answered by no question yet.
const NotYet = "not built yet"

func (b *Block) attr(name string) *Attr {
	for i := range b.Attrs {
		if b.Attrs[i].Name == name {
			return &b.Attrs[i]
		}
	}
	return nil
}

func (b *Block) block(name string) *Block {
	for _, c := range b.Blocks {
		if c.Name == name {
			return c
		}
	}
	return nil
}

// Schema is the whole build file: a block without a name or label.
func Schema() *Block { return &schema }

// Limits, each with where it comes from.
var (
	positive   = &Limit{Value: 0, Open: true, Say: "it must be above zero"}
	notBelow0  = &Limit{Value: 0, Say: "it cannot be negative"}
	one        = &Limit{Value: 1, Say: "it counts from 1"}
	trackMost  = &Limit{Value: 27, Say: "no track carries that (27 V is the most a decoder must stand)", Source: "NMRA S-9.1 (2020), Table 3"}
	trackLeast = &Limit{Value: 1, Say: "no track runs on that (a decoder must work from 7 V)", Source: "NMRA S-9.1 (2020), Table 3"}
	benchMost  = &Limit{Value: 60, Say: "no bench supply for this work gives that (60 V is the most that may be touched)", Source: "extra-low voltage, IEC 61140 (from memory)"}
	lampMost   = &Limit{Value: 0.5, Say: "no lamp in a small vehicle draws that (a plug contact carries 500 mA)", Source: "NEM 651 (2017)"}
	meterMost  = &Limit{Value: 20, Say: "no hand meter reads that (20 A is the usual top range)", Source: "common practice, no source"}
	ohmLeast   = &Limit{Value: 0.1, Say: "that is a wire, not a resistor (0.1 Ω is the least)", Source: "common practice, no source"}
	ohmMost    = &Limit{Value: 22e6, Say: "no drawer holds that (22 MΩ is the most)", Source: "common practice, no source"}
	faradMost  = &Limit{Value: 5, Say: "nothing of that size fits (5 F is the most)", Source: "common practice, no source"}
	faradLeast = &Limit{Value: 1e-12, Say: "that is a stray capacitance, not a part (1 pF is the least)", Source: "common practice, no source"}
	coldest    = &Limit{Value: -40, Say: "no layout is that cold (-40 °C is the least most parts are rated for)", Source: "common practice, no source"}
	hottest    = &Limit{Value: 125, Say: "no layout is that hot (125 °C is the most the chip stands)", Source: "ATtiny85 datasheet, absolute ratings"}
	whole      = &Limit{Value: 1, Say: "a share is at most 100 %"}
	sizeMost   = &Limit{Value: 1, Say: "no small vehicle is that long (1 m is the most)", Source: "common practice, no source"}
	holesMost  = &Limit{Value: 200, Say: "no perfboard in a vehicle has so many holes (200 is the most)", Source: "common practice, no source"}
	chainMost  = &Limit{Value: 12, Say: "the track voltage cannot light so many in a row (12 is the most)", Source: "27 V over 1.6 V each, less the bridge"}
	clockMost  = &Limit{Value: 20e6, Say: "above the chip's 20 MHz", Source: "ATtiny85 datasheet, speed grades"}
	chipMost   = &Limit{Value: 5.5, Say: "above what the chip may run on (5.5 V)", Source: "ATtiny85 datasheet, electrical characteristics"}
)

var (
	supplyKinds = []string{SmoothDC, FullWave, PWM, DCC}
	directions  = []string{Forward, Reverse, Both}
	colours     = []string{"white", "warm white", "cool white", "blue", "green", "yellow-green", "yellow", "amber", "red"}
	rails       = []string{LeftRail, RightRail}
	none        = []string{None} // a resistor that is left out
)

// schema is the one description of the build file.
var schema = Block{
	Doc: "The build file holds what is known and what is wanted. One attribute stands on a line; quantities are texts with units; what is left open is chosen or assumed, and said so.",
	By:  "prove",
	Attrs: []Attr{
		{Name: "format", Kind: KindCount, Required: true, Min: one, Max: &Limit{Value: 1, Say: "this version reads format 1"}, Example: "1", Doc: "version of this layout of the file"},
		{Name: "title", Kind: KindName, Example: `"harbour railcar, front end"`, Doc: "what the build is called; else the first vehicle's name"},
		{Name: "note", Kind: KindName, Example: `"second of two alike"`, Doc: "anything worth keeping"},
	},
	Blocks: []*Block{vehicleBlock, trackBlock, meterBlock, supplyBlock, benchBlock, decoderBlock, functionBlock, trainBlock, boardBlock, costBlock},
}

var vehicleBlock = &Block{
	Name: "vehicle", Label: "its name", Many: true, Required: true, By: "survey, choose, prove",
	Doc: "What the decoder goes into.",
	Attrs: []Attr{
		{Name: "scale", Kind: KindWord, Words: []string{"Z", "N", "TT", "H0", "S", "0", "1", "G"}, Example: `"N"`, Doc: "decides what a decoder must survive: 24 V up to N, 27 V above"},
		{Name: "socket", Kind: KindPart, Wants: `a socket of the catalogue, or "wires"`, Words: []string{"wires"}, Example: `"NEM 651"`, Doc: "the socket that the decoder plugs into"},
		{Name: "specimen", Kind: KindName, Example: `"number 1"`, Doc: "where there are several alike: which of them was measured"},
	},
	Blocks: []*Block{
		{
			Name: "cavity", By: NotYet, Doc: "The room for the board.",
			Attrs: []Attr{
				{Name: "length", Kind: KindQuantity, Dim: &unit.Distance, Min: positive, Max: sizeMost, Example: `"40 mm"`, Doc: "along the vehicle"},
				{Name: "width", Kind: KindQuantity, Dim: &unit.Distance, Min: positive, Max: sizeMost, Example: `"12 mm"`, Doc: "across it"},
				{Name: "height", Kind: KindQuantity, Dim: &unit.Distance, Min: positive, Max: sizeMost, Example: `"8 mm"`, Doc: "parts, board and solder together"},
			},
		},
		lampBlock,
		{
			Name: "motor", By: NotYet, Doc: "A load for later.",
			Attrs: []Attr{
				{Name: "resistance", Kind: KindQuantity, Dim: &unit.Resistance, Min: ohmLeast, Max: ohmMost, Example: `"22 Ω"`, Doc: "between its brushes, standing still"},
				{Name: "stall", Kind: KindQuantity, Dim: &unit.Current, Min: positive, Max: meterMost, Example: `"0.4 A"`, Doc: "current when held still at the usual voltage"},
			},
		},
	},
}

var lampBlock = &Block{
	Name: "lamp", Label: "its name", Many: true,
	Doc: "One light as it sits in the vehicle, with whatever resistor hides in it.",
	Attrs: []Attr{
		{Name: "kind", Kind: KindWord, Words: []string{KindLED, KindAntiparallel, KindFilament, KindBoard}, Default: KindLED, Example: `"led"`, Doc: "what gives the light"},
		{Name: "feed", Kind: KindWord, Words: []string{LeftRail, RightRail, RectifiedPlus, ChipSupply, LocalPlus, DecoderMinus}, Example: `"left rail"`, Doc: "where its unswitched side is joined"},
		{Name: "pin", Kind: KindCount, Wants: "a pin of the socket", Min: one, Example: "5", Doc: "pin of the socket at its switched side"},
		{Name: "wire", Kind: KindName, Example: `"white"`, Doc: "colour of its switched wire where there is no socket"},
		{Name: "leds", Kind: KindWord, Words: colours, Example: `"white"`, Doc: "colour of its light, where seen"},
		{Name: "part", Kind: KindPart, Wants: "an LED of the catalogue or the drawer", Example: `"Kingbright APHK1608PWC"`, Doc: "the LED itself, where you fitted it or know it; the survey goes by it, and by its drop where that was measured (drawer, vf_measured)"},
		{Name: "end", Kind: KindWord, Words: []string{EndFront, EndRear, EndInside}, Example: `"front"`, Doc: "the end of the vehicle at which it shines; white leads and red trails by it"},
		{Name: "back", Kind: KindWord, Words: colours, Example: `"red"`, Doc: "of an anti-parallel pair: colour of the light when its feed is the minus"},
		{Name: "series", Kind: KindCount, Min: one, Max: chainMost, Example: "1", Doc: "junctions in a row, where known"},
		{Name: "parallel", Kind: KindCount, Min: one, Max: chainMost, Example: "2", Doc: "such rows side by side behind one resistor, where known"},
		{Name: "hidden", Kind: KindQuantity, Dim: &unit.Resistance, Min: ohmLeast, Max: ohmMost, Example: `"1 kΩ"`, Doc: "what the marking of the resistor in the lamp says, where it can be read"},
		{Name: "good", Kind: KindQuantity, Dim: &unit.Current, Min: positive, Max: lampMost, Example: `"2.0 mA"`, Doc: "mean current that looks right, at the usual voltage"},
		{Name: "seen", Kind: KindQuantity, Dim: &unit.Current, Min: positive, Max: lampMost, Example: `"0.6 mA"`, Doc: "mean current that is still clearly lit, at the lowest voltage"},
		{Name: "never_above", Kind: KindQuantity, Dim: &unit.Current, Min: positive, Max: lampMost, Example: `"12 mA"`, Doc: "mean current that it must never pass, at the highest voltage"},
		{Name: "peak_never_above", Kind: KindQuantity, Dim: &unit.Current, Min: positive, Max: lampMost, Example: `"20 mA"`, Doc: "peak current that one LED must never pass; else the class's rating"},
		{Name: "cold", Kind: KindQuantity, Dim: &unit.Resistance, Min: ohmLeast, Max: ohmMost, Example: `"40 Ω"`, Doc: "resistance of a filament, cold"},
		{Name: "hot", Kind: KindQuantity, Dim: &unit.Resistance, Min: ohmLeast, Max: ohmMost, Example: `"400 Ω"`, Doc: "resistance of a filament, lit as it should be"},
	},
	Blocks: []*Block{readingBlock},
}

// readingBlock also names the columns of readings.csv.
var readingBlock = &Block{
	Name: "reading", Many: true, By: "survey",
	Doc: "What was measured once. The same names are the columns of readings.csv, where new readings go.",
	Attrs: []Attr{
		{Name: "date", Kind: KindName, Wants: "a day as 2026-02-28", Example: `"2026-02-28"`, Doc: "the day it was taken"},
		{Name: "id", Kind: KindName, Example: `"front 3"`, Doc: "a name to find it by; else the lamp's name and a count"},
		{Name: "supply", Kind: KindName, Wants: "a supply of the build or its kind", Words: supplyKinds, Default: SmoothDC, Example: `"smooth dc"`, Doc: "what it was fed from"},
		{Name: "track", Kind: KindQuantity, Dim: &unit.Voltage, Min: notBelow0, Max: trackMost, Example: `"6.0 V"`, Doc: "voltage of the supply (across lamp and ammeter together), as the meter or its display showed it"},
		{Name: "duty", Kind: KindQuantity, Dim: &unit.Fraction, Min: positive, Max: whole, Example: `"40 %"`, Doc: "share of the time that a pwm supply is on"},
		{Name: "reversed", Kind: KindFlag, Default: "false", Example: "true", Doc: "the supply was turned round: plus at the switched side"},
		{Name: "current", Kind: KindQuantity, Dim: &unit.Current, Min: &Limit{Value: 0, Say: "it cannot be negative: write what flowed, and reversed = true if the supply was turned round"}, Max: lampMost, Example: `"3.10 mA"`, Doc: "what the ammeter showed"},
		{Name: "drop", Kind: KindQuantity, Dim: &unit.Voltage, Min: notBelow0, Max: trackMost, Example: `"2.75 V"`, Doc: "voltage across the LED itself"},
		{Name: "resistance", Kind: KindQuantity, Dim: &unit.Resistance, Min: notBelow0, Max: &Limit{Value: 1e9, Say: "no hand meter reads that (1 GΩ is the most)", Source: "common practice, no source"}, Example: `"998 Ω"`, Doc: "what the ohmmeter showed across the hidden resistor"},
		{Name: "marking", Kind: KindName, Example: `"102"`, Doc: "code read off the hidden resistor"},
		{Name: "meter", Kind: KindName, Wants: "a meter of the build", Example: `"yellow"`, Doc: "the meter it was read with; else an ordinary hand meter"},
		{Name: "volt_meter", Kind: KindName, Wants: "a meter of the build", Example: `"grey"`, Doc: "the meter of the voltages, if that was another one"},
		{Name: "ammeter", Kind: KindWord, Words: []string{InFeed, InRail}, Default: InFeed, Example: `"in the feed"`, Doc: "where the ammeter was put in"},
		{Name: "others", Kind: KindQuantity, Dim: &unit.Current, Min: notBelow0, Max: meterMost, Example: `"4 mA"`, Doc: "what else drew current through the ammeter"},
		{Name: "plugged", Kind: KindWord, Words: []string{"nothing", "dummy plug", "decoder"}, Default: "nothing", Example: `"nothing"`, Doc: "what was in the socket"},
		{Name: "looked", Kind: KindWord, Words: []string{LookedDark, LookedSeen, LookedGood, LookedBright}, Example: `"good"`, Doc: "how the lamp looked"},
		{Name: "temperature", Kind: KindQuantity, Dim: &unit.Temperature, Min: coldest, Max: hottest, Default: "25 °C", Example: `"20 °C"`, Doc: "of the lamp while it was read"},
		{Name: "point", Kind: KindName, By: NotYet, Example: `"PB0"`, Doc: "test point of the decoder, for a reading on the board"},
		{Name: "minus", Kind: KindName, By: NotYet, Example: `"decoder minus"`, Doc: "where the meter's other probe was"},
		{Name: "state", Kind: KindName, By: NotYet, Example: `"output front on"`, Doc: "state of the decoder while it was read"},
		{Name: "voltage", Kind: KindQuantity, Dim: &unit.Voltage, By: NotYet, Min: &Limit{Value: -27, Say: "no point of a decoder carries that (27 V is the most a decoder must stand)", Source: "NMRA S-9.1 (2020), Table 3"}, Max: trackMost, Example: `"0.02 V"`, Doc: "what the voltmeter showed at the point"},
		{Name: "note", Kind: KindName, Example: `"probe slipped"`, Doc: "anything worth keeping"},
	},
}

var trackBlock = &Block{
	Name: "track", By: "choose, prove",
	Doc: "What the rails carry where the vehicle runs: the amplitude of the DCC signal, or plain DC.",
	Attrs: []Attr{
		{Name: "low", Kind: KindQuantity, Dim: &unit.Voltage, Min: trackLeast, Max: trackMost, Default: "8.5 V", Source: "least at the track of a legal station, NMRA S-9.1 (2020), Table 3", Example: `"9 V"`, Doc: "lowest voltage at which the lights shall still be seen"},
		{Name: "usual", Kind: KindQuantity, Dim: &unit.Voltage, Min: trackLeast, Max: trackMost, Default: "14 V", Source: "most for N, NEM 670 (2013) with NEM 630", Example: `"14 V"`, Doc: "voltage at which they shall look right"},
		{Name: "high", Kind: KindQuantity, Dim: &unit.Voltage, Min: trackLeast, Max: trackMost, Default: "18 V", Source: "starter sets, common practice, no source", Example: `"18 V"`, Doc: "highest voltage at which they shall not be too bright"},
		{Name: "dc", Kind: KindWord, Words: []string{DCNone, DCForward, DCReverse, DCBoth}, Default: DCNone, Example: `"none"`, Doc: "directions in which lights are wanted on plain DC too"},
		{Name: "dc_supply", Kind: KindWord, Words: []string{SmoothDC, FullWave, PWM}, Later: []string{FullWave, PWM}, Default: SmoothDC, Example: `"smooth dc"`, Doc: "what the DC controller gives"},
		{Name: "ambient_low", Kind: KindQuantity, Dim: &unit.Temperature, Min: coldest, Max: hottest, Default: "5 °C", Source: "an unheated room, common practice, no source", Example: `"5 °C"`, Doc: "coldest air inside the vehicle"},
		{Name: "ambient_high", Kind: KindQuantity, Dim: &unit.Temperature, Min: coldest, Max: hottest, Default: "50 °C", Source: "a closed vehicle in a summer room, common practice, no source", Example: `"50 °C"`, Doc: "hottest air inside the vehicle"},
		{Name: "programming_low", Kind: KindQuantity, Dim: &unit.Voltage, Min: trackLeast, Max: trackMost, Default: "8 V", Source: "RCN-216, read in a digest only", Example: `"8 V"`, Doc: "lowest voltage of the programming track"},
		{Name: "programming_high", Kind: KindQuantity, Dim: &unit.Voltage, Min: trackLeast, Max: trackMost, Default: "18 V", Source: "RCN-216, read in a digest only", Example: `"18 V"`, Doc: "highest voltage of the programming track"},
	},
}

var meterBlock = &Block{
	Name: "meter", Label: "its name", Many: true, By: "survey",
	Doc: "One of your instruments. Without ranges it is taken for an ordinary hand meter.",
	Attrs: []Attr{
		{Name: "true_rms", Kind: KindFlag, Default: "false", Example: "true", Doc: "its AC ranges read true RMS"},
	},
	Blocks: []*Block{{
		Name: "range", Many: true,
		Doc: "One position of its switch, from the meter's own sheet.",
		Attrs: []Attr{
			{Name: "measures", Kind: KindWord, Words: []string{MeasuresVoltage, MeasuresACVoltage, MeasuresCurrent, MeasuresResistance, MeasuresDiode}, Required: true, Example: `"dc current"`, Doc: "what it measures; full and resolution take its unit"},
			{Name: "full", Kind: KindQuantity, Required: true, Min: positive, Example: `"20 mA"`, Doc: "the most it shows"},
			{Name: "resolution", Kind: KindQuantity, Min: positive, Example: `"0.01 mA"`, Doc: "one step of the last digit; else full / 2000"},
			{Name: "gain", Kind: KindQuantity, Dim: &unit.Fraction, Min: notBelow0, Max: &Limit{Value: 0.2, Say: "no meter is that far off (20 % is the most)", Source: "common practice, no source"}, Default: "1 %", Source: "cheap hand meters, from memory", Example: `"1 %"`, Doc: "± of the reading, common to all readings of this range"},
			{Name: "digits", Kind: KindNumber, Min: notBelow0, Max: &Limit{Value: 100, Say: "no meter is that far off (100 digits is the most)", Source: "common practice, no source"}, Default: "3", Source: "cheap hand meters, from memory", Example: "3", Doc: "± of the last digit, each reading for itself"},
			{Name: "gain_error", Kind: KindQuantity, Dim: &unit.Fraction, Min: &Limit{Value: -0.2, Say: "no meter is that far off (−20 % is the most)", Source: "common practice, no source"}, Max: &Limit{Value: 0.2, Say: "no meter is that far off (20 % is the most)", Source: "common practice, no source"}, Example: `"0.8 %"`, Doc: "its gain error, found against a standard (experiment meter-gain): by so much it shows more than there is; it is taken out of every reading of this range"},
			{Name: "gain_error_within", Kind: KindQuantity, Dim: &unit.Fraction, Min: notBelow0, Max: &Limit{Value: 0.2, Say: "no meter is that far off (20 % is the most)", Source: "common practice, no source"}, Example: `"0.2 %"`, Doc: "± what gain_error leaves open; stands in place of gain"},
			{Name: "burden", Kind: KindQuantity, Dim: &unit.Resistance, Min: notBelow0, Max: &Limit{Value: 100e3, Say: "no current range has that much (100 kΩ is the most)", Source: "common practice, no source"}, Example: `"10 Ω"`, Doc: "of a current range: shunt, fuse and leads; else 0.2 V at full"},
			{Name: "input", Kind: KindQuantity, Dim: &unit.Resistance, Min: &Limit{Value: 1e3, Say: "no voltage range has so little (1 kΩ is the least)", Source: "common practice, no source"}, Max: &Limit{Value: 1e12, Say: "no hand meter has that much (1 TΩ is the most)", Source: "common practice, no source"}, Example: `"1 MΩ"`, Doc: "of a voltage range: its input resistance; else 1 MΩ"},
		},
	}},
}

var supplyBlock = &Block{
	Name: "supply", Label: "its name", Many: true, By: "survey",
	Doc: "A supply on the bench that readings are taken from.",
	Attrs: []Attr{
		{Name: "kind", Kind: KindWord, Words: supplyKinds, Default: SmoothDC, Example: `"full-wave"`, Doc: "the wave it gives"},
		{Name: "highest", Kind: KindQuantity, Dim: &unit.Voltage, Min: positive, Max: benchMost, By: NotYet, Example: `"15 V"`, Doc: "the most it can be set to"},
		{Name: "peak", Kind: KindQuantity, Dim: &unit.Voltage, Min: positive, Max: benchMost, Example: `"17 V"`, Doc: "of its pulses or half-waves; else from the mean that the meter showed"},
		{Name: "frequency", Kind: KindQuantity, Dim: &unit.Frequency, Min: positive, Max: &Limit{Value: 1e6, Say: "no controller switches that fast (1 MHz is the most)", Source: "common practice, no source"}, Example: `"50 Hz"`, Doc: "of its pulses, or of the mains"},
		{Name: "limit", Kind: KindQuantity, Dim: &unit.Current, Min: positive, Max: meterMost, By: NotYet, Example: `"100 mA"`, Doc: "its adjustable current limit, or the most it gives"},
		{Name: "resistance", Kind: KindQuantity, Dim: &unit.Resistance, Min: notBelow0, Max: ohmMost, By: NotYet, Example: `"1 Ω"`, Doc: "in series with it"},
	},
}

var benchBlock = &Block{
	Name: "bench", By: "bench, fault", Doc: "What you have for trying a board out, and where no probe goes.",
	Attrs: []Attr{
		{Name: "supply", Kind: KindQuantity, Dim: &unit.Voltage, Min: &Limit{Value: 3, Say: "nothing on a decoder wakes up below that (3 V is the least)", Source: "common practice, no source"}, Max: trackMost, Example: `"12 V"`, Doc: "what the board is fed with on the bench; else 12 V, or the usual track voltage where that is less"},
		{Name: "limit", Kind: KindQuantity, Dim: &unit.Current, Min: &Limit{Value: 5e-3, Say: "a board does not start on so little (5 mA is the least)", Source: "common practice, no source"}, Max: &Limit{Value: 1, Say: "that is no limit for a first power (1 A is the most)", Source: "common practice, no source"}, Example: `"50 mA"`, Doc: "current limit of that supply; else 50 mA"},
		{Name: "series", Kind: KindQuantity, Dim: &unit.Resistance, Min: ohmLeast, Max: &Limit{Value: 10e3, Say: "a board does not start through so much (10 kΩ is the most)", Source: "common practice, no source"}, Example: `"220 Ω"`, Doc: "resistor in its lead, where the supply has no limit of its own"},
		{Name: "meter", Kind: KindName, Wants: "a meter of the build", Example: `"yellow"`, Doc: "the meter of the bench; else the first one declared, else an ordinary hand meter"},
		{Name: "out_of_reach", Kind: KindNames, Wants: "a test point", Example: `["front.base"]`, Doc: "test points that no probe reaches, as fettle bench names them"},
	},
}

var decoderBlock = &Block{
	Name: "decoder", Label: "its name", Many: true, By: "choose, prove",
	Doc: "One board.",
	Attrs: []Attr{
		{Name: "vehicle", Kind: KindName, Wants: "a vehicle of the build", Example: `"harbour railcar"`, Doc: "the vehicle it sits in; needed only where there are several"},
	},
	Blocks: []*Block{
		supplyOfBlock,
		chipBlock,
		listenBlock,
		outputBlock,
		{
			Name: "answer", By: "prove", Doc: "What it shall obey: which functions of a train reach it.",
			Attrs: []Attr{
				{Name: "address", Kind: KindCount, Default: "3", Source: "CV1 as new, NMRA S-9.2.2 (2012)", Min: &Limit{Value: 1, Say: "addresses run from 1 to 10239 (0 is the broadcast)", Source: "NMRA S-9.2.1 (2012)"}, Max: &Limit{Value: 10239, Say: "addresses run from 1 to 10239", Source: "NMRA S-9.2.1 (2012), section C"}, Example: "47", Doc: "its address; above 127 a long one"},
				{Name: "long", Kind: KindFlag, Example: "true", Doc: "send an address up to 127 as a long one"},
				{Name: "consist", Kind: KindCount, Min: &Limit{Value: 1, Say: "consist addresses run from 1 to 127"}, Max: &Limit{Value: 127, Say: "consist addresses run from 1 to 127", Source: "NMRA S-9.2.2 (2012), CV19"}, Example: "12", Doc: "address of its consist"},
				{Name: "steps", Kind: KindCount, By: NotYet, Words: []string{"14", "28", "128"}, Default: "28", Example: "28", Doc: "speed steps: 14, 28 or 128"},
				{Name: "dc", Kind: KindFlag, Default: "false", Example: "true", Doc: "turn to plain DC when the track does (CV29 bit 2)"},
				{Name: "lock", Kind: KindCount, Min: notBelow0, Max: &Limit{Value: 255, Say: "a CV holds 0 to 255"}, Example: "3", Doc: "CV16, where several decoders share one address"},
			},
		},
		acknowledgeBlock,
		fittedBlock,
	},
}

var supplyOfBlock = &Block{
	Name: "supply", Doc: "The way from the rails to the chip.",
	Attrs: []Attr{
		{Name: "rectifier", Kind: KindPart, Wants: "a bridge or diode of the catalogue", Choose: true, Example: `"MB6S"`, Doc: "the part between the rails and the decoder's own plus and minus"},
		{Name: "diodes", Kind: KindCount, Min: one, Max: &Limit{Value: 4, Say: "a rectifier has 1 or 4 diodes"}, Example: "4", Doc: "where the rectifier is made of single diodes: how many, 4 or 1 (which rectifies half a wave)"},
		{Name: "from", Kind: KindWord, Words: rails, Example: `"left rail"`, Doc: "of a rectifier of one diode: the rail that it leads from; the other rail is then the decoder's minus"},
		{Name: "regulator", Kind: KindPart, Wants: "a regulator or zener of the catalogue", Choose: true, Example: `"78L05A (TO-92)"`, Doc: "what makes the chip's supply"},
		{Name: "reservoir", Kind: KindQuantity, Dim: &unit.Capacitance, Min: faradLeast, Max: faradMost, Choose: true, By: NotYet, Example: `"22 µF"`, Doc: "capacitor behind the rectifier"},
		{Name: "charge", Kind: KindQuantity, Dim: &unit.Resistance, Min: ohmLeast, Max: ohmMost, Choose: true, By: NotYet, Example: `"100 Ω"`, Doc: "resistor through which the reservoir charges"},
		{Name: "decoupling", Kind: KindQuantity, Dim: &unit.Capacitance, Min: faradLeast, Max: faradMost, Choose: true, By: NotYet, Example: `"100 nF"`, Doc: "capacitor at the chip's supply pins"},
		{Name: "ballast", Kind: KindQuantity, Dim: &unit.Resistance, Min: ohmLeast, Max: ohmMost, Choose: true, Example: `"1 kΩ"`, Doc: "resistor before a zener that stands for a regulator"},
		{Name: "package", Kind: KindPart, Wants: "a resistor package of the catalogue", Default: "0805", Source: "common practice, no source", Example: `"2512"`, Doc: "package of the ballast, and of the ear's resistor"},
	},
}

var chipBlock = &Block{
	Name: "chip", Doc: "The microcontroller.",
	Attrs: []Attr{
		{Name: "part", Kind: KindPart, Wants: "a chip of the catalogue", Example: `"ATtiny85"`, Doc: "its name"},
		{Name: "clock", Kind: KindClock, Max: clockMost, Default: "8 MHz internal", Source: "common practice, no source", Example: `"8 MHz internal"`, Doc: "frequency and source: internal, pll, crystal, resonator, external"},
		{Name: "brown_out", Kind: KindQuantity, Dim: &unit.Voltage, Words: []string{"none"}, Min: &Limit{Value: 1.5, Say: "below any brown-out level of the chip (1.8 V is the lowest)", Source: "ATtiny85 datasheet, brown-out levels (from memory)"}, Max: chipMost, Example: `"2.7 V"`, Doc: "level of its brown-out detector"},
	},
}

var listenBlock = &Block{
	Name: "listen", Doc: "The ear: how the track signal comes to the chip.",
	Attrs: []Attr{
		{Name: "from", Kind: KindWord, Words: rails, Example: `"left rail"`, Doc: "the rail it listens to"},
		{Name: "into", Kind: KindName, Wants: "a pin of the chip", Example: `"PB2"`, Doc: "the chip pin it goes to"},
		{Name: "series", Kind: KindQuantity, Dim: &unit.Resistance, Min: ohmLeast, Max: ohmMost, Choose: true, Example: `"47 kΩ"`, Doc: "resistor in between"},
		{Name: "filter", Kind: KindQuantity, Dim: &unit.Capacitance, Min: faradLeast, Max: faradMost, By: NotYet, Example: `"10 pF"`, Doc: "capacitor from the pin to the decoder's minus"},
	},
}

var outputBlock = &Block{
	Name: "output", Label: "its name", Many: true, Doc: "One switch with its load.",
	Attrs: []Attr{
		{Name: "load", Kind: KindWord, Words: []string{"lamp", "motor"}, Later: []string{"motor"}, Default: "lamp", Example: `"lamp"`, Doc: "what it drives"},
		{Name: "lamp", Kind: KindNames, Wants: "a lamp of the vehicle", Example: `"front"`, Doc: "the lamp it switches, or several side by side behind one series resistor"},
		{Name: "from", Kind: KindName, Wants: "a pin of the chip", Required: true, Example: `"PB0"`, Doc: "the chip pin that drives it"},
		{Name: "drive", Kind: KindWord, Words: []string{DriveLowSide, DriveHighSide, DriveFromPin, DriveBridge}, Later: []string{DriveBridge}, Default: DriveLowSide, Example: `"low side"`, Doc: "which side of the load is switched"},
		{Name: "switch", Kind: KindPart, Wants: "a transistor of the catalogue: NPN or N-channel on the low side, PNP or P-channel on the high side", Choose: true, Example: `"MMBT3904"`, Doc: "the transistor that carries the lamp's current; none where the chip's pin drives the lamp itself"},
		{Name: "level", Kind: KindPart, Wants: "a transistor of the catalogue", Choose: true, Example: `"MMBT3904"`, Doc: "transistor that shifts the level of a high-side switch"},
		{Name: "series", Kind: KindQuantity, Dim: &unit.Resistance, Words: none, Min: ohmLeast, Max: ohmMost, Choose: true, Example: `"1 kΩ"`, Doc: "resistor in line with the lamp, on the board"},
		{Name: "base", Kind: KindQuantity, Dim: &unit.Resistance, Words: none, Min: ohmLeast, Max: ohmMost, Choose: true, Example: `"4.7 kΩ"`, Doc: "resistor to the switch's base or gate: from the chip pin, on the high side from the level transistor"},
		{Name: "pulldown", Kind: KindQuantity, Dim: &unit.Resistance, Words: none, Min: ohmLeast, Max: ohmMost, Choose: true, Example: `"100 kΩ"`, Doc: "resistor from the base or gate that the chip drives to the decoder's minus"},
		{Name: "driver", Kind: KindPart, Wants: "an NPN transistor of the catalogue", Example: `"MMBT3904"`, Doc: "first transistor of a pair on the low side (Darlington): its emitter drives the switch's base"},
		{Name: "between", Kind: KindQuantity, Dim: &unit.Resistance, Words: none, Min: ohmLeast, Max: ohmMost, Choose: true, Example: `"100 kΩ"`, Doc: "of a pair: resistor from the base between its transistors to the decoder's minus"},
		{Name: "pullup", Kind: KindQuantity, Dim: &unit.Resistance, Words: none, Min: ohmLeast, Max: ohmMost, Choose: true, Example: `"47 kΩ"`, Doc: "of a high-side switch: resistor from its base or gate to the rectified plus"},
		{Name: "level_base", Kind: KindQuantity, Dim: &unit.Resistance, Words: none, Min: ohmLeast, Max: ohmMost, Choose: true, Example: `"10 kΩ"`, Doc: "of a high-side switch: resistor from the chip pin to the level transistor"},
		{Name: "clamp", Kind: KindPart, Wants: "a zener of the catalogue", Example: `"BZX84-C10"`, Doc: "zener that keeps a P-channel switch's gate near the rectified plus"},
		{Name: "shunt", Kind: KindQuantity, Dim: &unit.Resistance, Words: none, Min: ohmLeast, Max: ohmMost, Choose: true, Default: None, Example: `"220 kΩ"`, Doc: "resistor across the lamp, which takes what a switch leaks when it is off"},
		{Name: "package", Kind: KindPart, Wants: "a resistor package of the catalogue", Default: "0805", Source: "common practice, no source", Example: `"0805"`, Doc: "package of its resistors; else that of the drawer's where all are of one"},
		{Name: "series_package", Kind: KindPart, Wants: "a resistor package of the catalogue", Example: `"2010"`, Doc: "package of the series resistor, where the lamp's current wants another"},
		{Name: "tolerance", Kind: KindQuantity, Dim: &unit.Fraction, Min: notBelow0, Max: &Limit{Value: 0.2, Say: "no resistor is that loose (20 % is the most)", Source: "IEC 60062 tolerance letters (from memory)"}, Default: "5 %", Source: "common practice, no source", Example: `"5 %"`, Doc: "± of its resistors, where the drawer does not say"},
		{Name: "brightness", Kind: KindQuantity, Dim: &unit.Fraction, Min: positive, Max: whole, Default: "100 %", Example: `"60 %"`, Doc: "share of the time that the firmware switches it on"},
		{Name: "dim_frequency", Kind: KindQuantity, Dim: &unit.Frequency, Min: positive, Max: clockMost, Example: `"4 kHz"`, Doc: "how often it is switched for that"},
	},
}

var acknowledgeBlock = &Block{
	Name: "acknowledge", Doc: "The load that answers on the programming track: at least 60 mA more, for 6 ms.",
	Attrs: []Attr{
		{Name: "load", Kind: KindQuantity, Dim: &unit.Resistance, Min: ohmLeast, Max: ohmMost, Choose: true, Example: `"100 Ω"`, Doc: "the resistor"},
		{Name: "from", Kind: KindName, Wants: "a pin of the chip", Example: `"PB4"`, Doc: "the chip pin that switches it"},
		{Name: "switch", Kind: KindPart, Wants: "a transistor of the catalogue", Choose: true, Example: `"MMBT2222A"`, Doc: "the transistor"},
		{Name: "base", Kind: KindQuantity, Dim: &unit.Resistance, Min: ohmLeast, Max: ohmMost, Choose: true, Example: `"470 Ω"`, Doc: "its base resistor"},
		{Name: "pulldown", Kind: KindQuantity, Dim: &unit.Resistance, Words: none, Min: ohmLeast, Max: ohmMost, Choose: true, Example: `"47 kΩ"`, Doc: "resistor from its base or gate to the decoder's minus"},
		{Name: "package", Kind: KindPart, Wants: "a resistor package of the catalogue", Default: "1206", Source: "common practice, no source", Example: `"1206"`, Doc: "package of the load"},
	},
}

// fittedBlock takes its blocks' attributes from those of the design, so that a value has one name wherever it stands.
var fittedBlock = &Block{
	Name: "fitted", By: "choose, prove, fault",
	Doc: "What was really soldered in, where it was looked at: it is proven instead of what was planned, which stays as it is. What does not stand here is as designed.",
	Attrs: []Attr{
		{Name: "vehicle", Kind: KindName, Example: `"number 3"`, Doc: "which of several vehicles alike this one is"},
		{Name: "date", Kind: KindName, Wants: "a day as 2026-02-28", Example: `"2026-02-28"`, Doc: "the day of the last change"},
		{Name: "meter", Kind: KindName, Wants: "a meter of the build", Words: []string{HandMeter}, Example: `"yellow"`, Doc: "the meter that the values below were measured with before they were soldered in: what remains open of a value is then the meter's error. Without it they are taken for what is printed on the parts, with their tolerance"},
		{Name: "note", Kind: KindName, Example: `"second board"`, Doc: "anything worth keeping"},
	},
	Blocks: []*Block{
		really("the way from the rails to the chip", supplyOfBlock, []string{"rectifier", "regulator", "reservoir", "charge", "decoupling", "ballast", "package"}),
		really("the microcontroller", chipBlock, []string{"part"}),
		really("the ear", listenBlock, []string{"series", "filter"}),
		really("one output of the decoder", outputBlock, []string{"switch", "level", "driver", "series", "base", "pulldown", "between", "pullup", "level_base", "shunt", "clamp", "package", "series_package", "tolerance"},
			gain("hfe", "the switch"), gain("level_hfe", "the level transistor"), gain("driver_hfe", "the driver")),
		really("the load that answers on the programming track", acknowledgeBlock, []string{"load", "switch", "base", "pulldown", "package"}, gain("hfe", "the switch")),
	},
}

// really is a block of what was fitted in the place of a designed one: those of its attributes that are parts of the board.
func really(of string, designed *Block, names []string, more ...Attr) *Block {
	b := &Block{Name: designed.Name, Label: designed.Label, Many: designed.Many, Doc: "What was fitted of " + of + "."}
	if b.Label != "" {
		b.Label = "an output of the decoder"
	}
	for _, name := range names {
		a := *designed.attr(name)
		a.Choose, a.Required, a.Default, a.Source = false, false, "", ""
		b.Attrs = append(b.Attrs, a)
	}
	b.Attrs = append(b.Attrs, more...)
	example := "" // a resistance, which can be measured
	for _, a := range b.Attrs {
		if a.Dim == &unit.Resistance {
			example = a.Name
		}
	}
	if example != "" {
		b.Attrs = append(b.Attrs,
			Attr{Name: "meter", Kind: KindName, Wants: "a meter of the build", Words: []string{HandMeter}, Example: `"yellow"`, Doc: "the meter of this block's values, where it is another one"},
			Attr{Name: "by_marking", Kind: KindNames, Wants: "names of values that stand in this block", Example: quoted(example), Doc: "values that were not measured but read off the part"})
	}
	b.Attrs = append(b.Attrs, Attr{Name: "note", Kind: KindName, Example: `"salvaged"`, Doc: "anything worth keeping"})
	return b
}

// gain is the measured gain of a transistor that was fitted.
func gain(name, of string) Attr {
	return Attr{Name: name, Kind: KindNumber, Min: positive, Max: &Limit{Value: 2000, Say: "no single transistor has that gain (2000 is the most)", Source: "common practice, no source"}, Example: "180", Doc: "measured gain of " + of}
}

var functionBlock = &Block{
	Name: "function", Label: "F0 to F68", Many: true, By: "prove",
	Doc: "What a key of the throttle does. The same function may stand once for each direction.",
	Attrs: []Attr{
		{Name: "decoder", Kind: KindName, Wants: "a decoder of the build", Example: `"a"`, Doc: "needed only where there are several"},
		{Name: "direction", Kind: KindWord, Words: directions, Default: "both", Example: `"forward"`, Doc: "direction of its own vehicle in which it works: a vehicle that stands turned in a train runs in reverse when the train goes forward"},
		{Name: "output", Kind: KindNames, Wants: "an output of the decoder", Required: true, Example: `["front", "cab"]`, Doc: "what it switches on"},
		{Name: "effect", Kind: KindWord, Words: []string{"steady", "fade", "flicker", "blink", "double flash"}, Default: "steady", Example: `"fade"`, Doc: "how"},
		{Name: "fade", Kind: KindQuantity, By: NotYet, Dim: &unit.Duration, Min: notBelow0, Max: &Limit{Value: 60, Say: "nobody waits that long (60 s is the most)", Source: "common practice, no source"}, Example: `"300 ms"`, Doc: "time from dark to full"},
		{Name: "brightness", Kind: KindQuantity, Dim: &unit.Fraction, Min: positive, Max: whole, Default: "100 %", Example: `"50 %"`, Doc: "share of the output's full light"},
	},
}

var trainBlock = &Block{
	Name: "train", By: "prove", Doc: "Several vehicles that answer to one address.",
	Blocks: []*Block{
		{
			Name: "vehicle", Label: "a vehicle of the build", Many: true, Doc: "One place in the train, front first.",
			Attrs: []Attr{{Name: "turned", Kind: KindFlag, Default: "false", Example: "true", Doc: "it stands the other way round"}},
		},
		{
			Name: "want", Many: true, Doc: "Which lamps of the train shall be lit, and no others, with these functions on and all others off.",
			Attrs: []Attr{
				{Name: "direction", Kind: KindWord, Words: directions, Default: "both", Example: `"forward"`, Doc: "direction of the train"},
				{Name: "function", Kind: KindNames, Wants: "a function of the build", Words: []string{Nothing}, Required: true, Example: `"F0"`, Doc: "the functions that are on"},
				{Name: "lit", Kind: KindNames, Wants: "a lamp of the train", Words: []string{Nothing}, Required: true, Example: `["front"]`, Doc: "the lamps; \"vehicle / lamp\" where the name stands twice"},
			},
		},
	},
}

var boardBlock = &Block{
	Name: "board", By: NotYet, Doc: "The perfboard.",
	Attrs: []Attr{
		{Name: "columns", Kind: KindCount, Min: one, Max: holesMost, Example: "15", Doc: "holes along"},
		{Name: "rows", Kind: KindCount, Min: one, Max: holesMost, Example: "4", Doc: "holes across"},
		{Name: "pitch", Kind: KindQuantity, Dim: &unit.Distance, Default: "2.54 mm", Source: "common practice, no source", Min: &Limit{Value: 0.5e-3, Say: "no perfboard is that fine (0.5 mm is the least)", Source: "common practice, no source"}, Max: &Limit{Value: 10e-3, Say: "no perfboard is that coarse (10 mm is the most)", Source: "common practice, no source"}, Example: `"2.54 mm"`, Doc: "from hole to hole"},
		{Name: "height", Kind: KindQuantity, Dim: &unit.Distance, Min: positive, Max: sizeMost, Example: `"6 mm"`, Doc: "parts, board and solder together"},
		{Name: "sides", Kind: KindCount, Default: "1", Min: one, Max: &Limit{Value: 2, Say: "a board has 1 or 2 sides"}, Example: "1", Doc: "sides with copper"},
	},
	Blocks: []*Block{
		{
			Name: "pin", Label: "the net", Many: true, Doc: "A net that must come out at one hole.",
			Attrs: []Attr{
				{Name: "column", Kind: KindCount, Required: true, Min: one, Max: holesMost, Example: "1", Doc: "counted from 1"},
				{Name: "row", Kind: KindCount, Required: true, Min: one, Max: holesMost, Example: "1", Doc: "counted from 1"},
			},
		},
		{
			Name: "keep_out", Many: true, Doc: "Holes that must stay empty.",
			Attrs: []Attr{
				{Name: "column", Kind: KindCount, Required: true, Min: one, Max: holesMost, Example: "7", Doc: "first column"},
				{Name: "row", Kind: KindCount, Required: true, Min: one, Max: holesMost, Example: "1", Doc: "first row"},
				{Name: "columns", Kind: KindCount, Default: "1", Min: one, Max: holesMost, Example: "2", Doc: "how many columns"},
				{Name: "rows", Kind: KindCount, Default: "1", Min: one, Max: holesMost, Example: "4", Doc: "how many rows"},
			},
		},
	},
}

var costBlock = &Block{
	Name: "cost", By: "why, open", Doc: "For comparing with a decoder bought ready made.",
	Attrs: []Attr{
		{Name: "currency", Kind: KindName, Example: `"EUR"`, Doc: "of all prices"},
		{Name: "ready_made", Kind: KindNumber, Min: notBelow0, Max: &Limit{Value: 1e6, Say: "nobody pays that (1 000 000 is the most)", Source: "common practice, no source"}, Example: "35.00", Doc: "price of a ready-made decoder that would serve"},
	},
}
