package parts

import (
	"math"
	"slices"
	"strings"

	"fettle/internal/diag"
	"fettle/internal/unit"
)

// A ChipFigure is one line of the chip's table, for display: what the typed fields of Chip hold, with its
// source. "sibling" evidence is a sheet of a part with the same analogue block (or the automotive edition).
type ChipFigure struct {
	Quantity, Pin  string
	VCCFrom, VCCTo unit.Volt
	At             float64
	AtUnit         string
	Min, Typ, Max  float64
	Unit, Text     string
	Evidence       string // "read", "sibling", "from memory"
	Source, Note   string
}

// A ChipPin is a lead of the chip.
type ChipPin struct {
	Number    int
	Name      string
	Functions string // what else it can be
}

// IO reports whether the pin is an input or output (and not a supply).
func (p ChipPin) IO() bool { return p.Name != "GND" && p.Name != "VCC" }

// An OutputPoint is a guaranteed output level: V is the greatest VOL or the least VOH at I.
type OutputPoint struct {
	Pin      string // "" for any pin that has no line of its own
	VCC      unit.Volt
	I        unit.Amp
	V        unit.Volt
	Evidence string
	Source   string
}

// A PinResistance is the typical resistance of a driven pin.
type PinResistance struct {
	VCC       unit.Volt
	Low, High unit.Ohm
}

// An InputLevel is a guaranteed input level as a share of VCC: VIL the greatest low, VIH the least high.
type InputLevel struct {
	Pin            string // "" for any pin that has no line of its own; "XTAL1", "RESET", "PB5"
	VCCFrom, VCCTo unit.Volt
	VIL, VIH       unit.Ratio
}

// A SupplyPoint is the chip's own current at a clock and voltage.
type SupplyPoint struct {
	Mode     string // "active", "idle"; "power-down, WDT on", "power-down, WDT off"
	Clock    unit.Hertz
	VCC      unit.Volt
	Typ, Max unit.Amp
	Evidence string
	Source   string
}

// A ClockPoint is the highest clock at a voltage; between points of one grade the limit is linear.
type ClockPoint struct {
	Grade string // "-20", "-10 (V)"
	VCC   unit.Volt
	Max   unit.Hertz
}

// A Brownout is a level of the brown-out detector.
type Brownout struct {
	Bits          string // BODLEVEL fuse bits
	Min, Typ, Max unit.Volt
}

// A Chip is a microcontroller as a circuit part. What it computes with is another package.
type Chip struct {
	Part
	Flash, SRAM, EEPROM int // bytes
	Signature           string
	ChipPins            []ChipPin

	VCCMin, VCCMax, VCCAbsMax unit.Volt
	AmbientMin, AmbientMax    unit.Celsius
	PinBelowGND, PinAboveVCC  unit.Volt // absolute: how far beyond the rails (magnitudes)
	ResetAbsMax               unit.Volt // RESET against GND
	PinMax                    unit.Amp  // absolute, each I/O pin
	RailMax                   unit.Amp  // absolute, VCC and GND pins
	SumLow, SumHigh           unit.Amp  // all IOL together, all IOH together

	VOL, VOH      []OutputPoint
	Resistance    []PinResistance // typical, at 25 °C
	RHot, RCold   float64         // factors of it at 85 °C and −40 °C
	Input         []InputLevel
	Fall, Rise    unit.Ratio // typical thresholds as a share of VCC
	LeakTyp, Leak unit.Amp   // of an input
	PinC          unit.Farad

	PullupMin, PullupTyp, PullupMax unit.Ohm
	ResetPullupMin, ResetPullupMax  unit.Ohm
	ClampMax                        unit.Amp  // recommended continuous current of a clamp diode
	ClampBelow, ClampAbove          unit.Volt // the clamps hold a pin to that beyond the rails

	Supply             []SupplyPoint
	BODCurrent         unit.Amp // added while brown-out detection is on, greatest
	Clock              []ClockPoint
	Brownout           []Brownout
	BrownoutHysteresis unit.Volt
	Factory, Trimmed   unit.Ratio // error of the internal oscillator as delivered, and once calibrated in place

	Figures []ChipFigure
}

// PinNumber finds a lead by name ("PB2", "pb2").
func (c Chip) PinNumber(name string) (int, bool) {
	for _, p := range c.ChipPins {
		if strings.EqualFold(p.Name, name) {
			return p.Number, true
		}
	}
	return 0, false
}

// Levels returns the guaranteed input levels of a pin at a supply voltage.
func (c Chip) Levels(pin string, vcc unit.Volt) (InputLevel, bool) {
	var found InputLevel
	ok := false
	for _, l := range c.Input {
		if vcc >= l.VCCFrom && vcc <= l.VCCTo && (strings.EqualFold(l.Pin, pin) || l.Pin == "" && !ok) {
			found, ok = l, true
		}
	}
	return found, ok
}

// ClockMax is the highest clock the grade allows at vcc; 0 below its first point.
func (c Chip) ClockMax(grade string, vcc unit.Volt) unit.Hertz {
	var last ClockPoint
	any := false
	for _, p := range c.Clock { // by rising voltage
		if p.Grade != grade {
			continue
		}
		if vcc < p.VCC {
			if !any {
				return 0
			}
			f := float64(vcc-last.VCC) / float64(p.VCC-last.VCC)
			return last.Max + unit.Hertz(f)*(p.Max-last.Max)
		}
		last, any = p, true
	}
	return last.Max
}

// chipUnits is the unit each quantity of the chip table is written in.
var chipUnits = map[string]string{
	"name": "", "package": "", "pin": "", "signature": "",
	"flash": "byte", "sram": "byte", "eeprom": "byte",
	"supply_abs_max": "V", "supply": "V", "ambient": "degC", "pin_voltage_abs": "V", "pin_current_abs": "A", "rail_current_abs": "A",
	"sum_low": "A", "sum_high": "A", "vol": "V", "voh": "V", "r_low": "ohm", "r_high": "ohm", "r_hot": "ratio", "r_cold": "ratio",
	"vil": "VCC", "vih": "VCC", "threshold_fall": "VCC", "threshold_rise": "VCC", "hysteresis": "V", "leakage": "A", "pin_capacitance": "F",
	"pullup": "ohm", "clamp_current": "A", "clamp_voltage": "V", "current_active": "A", "current_idle": "A", "current_power_down": "A",
	"current_bod": "A", "clock_max": "Hz", "brownout": "V", "brownout_hysteresis": "V", "oscillator": "ratio",
}

func loadChips(problems *diag.List) []Chip {
	t := openTable("chip.csv", chipCSV, problems)
	var names []string
	figures := map[string][]ChipFigure{}
	for t.next() {
		part := t.must("part")
		f := ChipFigure{
			Quantity: t.must("quantity"), Pin: t.str("pin"),
			VCCFrom: num[unit.Volt](t, "vcc_from_V"), VCCTo: num[unit.Volt](t, "vcc_to_V"), At: t.signed("at"), AtUnit: t.str("at_unit"),
			Min: t.signed("min"), Typ: t.signed("typ"), Max: t.signed("max"), Unit: t.str("unit"), Text: t.str("text"),
			Evidence: t.oneOf("evidence", "read", "sibling", "from memory"), Source: t.must("source"), Note: t.str("note"),
		}
		if u, ok := chipUnits[f.Quantity]; !ok {
			t.bad("quantity", "%q is not read by anything", f.Quantity)
		} else if u != f.Unit {
			t.bad("unit", "%s is written in %q, not %q", f.Quantity, u, f.Unit)
		}
		t.order("min", f.Min, f.Typ, f.Max)
		t.order("vcc_from_V", float64(f.VCCFrom), float64(f.VCCTo))
		if part != "*" && figures[part] == nil {
			names = append(names, part)
		}
		figures[part] = append(figures[part], f)
	}
	t.close()
	out := make([]Chip, 0, len(names))
	for _, name := range names {
		c := newChip(name, append(figures[name], figures["*"]...))
		for _, x := range []float64{
			float64(c.Flash), float64(c.SRAM), float64(c.EEPROM), float64(c.VCCMin), float64(c.VCCMax), float64(c.VCCAbsMax), float64(c.PinMax),
			float64(c.RailMax), float64(c.SumLow), float64(c.SumHigh), float64(c.Leak), float64(c.PullupMin), float64(c.PullupMax), float64(c.ClampMax),
			float64(len(c.ChipPins)), float64(len(c.VOL)), float64(len(c.VOH)), float64(len(c.Input)), float64(len(c.Supply)), float64(len(c.Brownout)), float64(len(c.Clock)),
		} {
			if math.IsNaN(x) || x == 0 {
				t.problems.Add("table-chip", diag.Range{File: t.file}, "%s: a figure that every chip needs is missing", name)
				break
			}
		}
		out = append(out, c)
	}
	return out
}

func newChip(name string, figures []ChipFigure) Chip {
	nan := math.NaN()
	c := Chip{
		Part:    Part{Name: name, Kind: KindChip, Source: "the lines of the chip table name their own"},
		VCCMin:  unit.Volt(nan),
		RHot:    nan,
		RCold:   nan,
		Figures: figures,
	}
	c.VCCMax, c.VCCAbsMax, c.AmbientMin, c.AmbientMax, c.PinBelowGND, c.PinAboveVCC = c.VCCMin, c.VCCMin, unit.Celsius(nan), unit.Celsius(nan), c.VCCMin, c.VCCMin
	c.ResetAbsMax, c.PinMax, c.RailMax, c.SumLow, c.SumHigh, c.LeakTyp, c.Leak, c.PinC = c.VCCMin, unit.Amp(nan), unit.Amp(nan), unit.Amp(nan), unit.Amp(nan), unit.Amp(nan), unit.Amp(nan), unit.Farad(nan)
	c.Fall, c.Rise, c.PullupMin, c.PullupTyp, c.PullupMax = unit.Ratio(nan), unit.Ratio(nan), unit.Ohm(nan), unit.Ohm(nan), unit.Ohm(nan)
	c.ResetPullupMin, c.ResetPullupMax, c.ClampMax, c.ClampBelow, c.ClampAbove = unit.Ohm(nan), unit.Ohm(nan), unit.Amp(nan), c.VCCMin, c.VCCMin
	c.BODCurrent, c.BrownoutHysteresis, c.Factory, c.Trimmed = unit.Amp(nan), c.VCCMin, unit.Ratio(nan), unit.Ratio(nan)

	seen := map[string]bool{}
	for _, f := range figures {
		if f.Evidence == "from memory" && !seen[f.Quantity] {
			seen[f.Quantity] = true
			c.Memory = append(c.Memory, f.Quantity)
		}
		pin := f.Pin
		if pin == "any" {
			pin = ""
		}
		switch f.Quantity {
		case "name":
			c.Also = strings.Split(f.Text, ";")
		case "package":
			c.Package, _, _ = strings.Cut(f.Text, ";")
		case "flash":
			c.Flash = int(f.Typ)
		case "sram":
			c.SRAM = int(f.Typ)
		case "eeprom":
			c.EEPROM = int(f.Typ)
		case "signature":
			c.Signature = f.Text
		case "pin":
			c.ChipPins = append(c.ChipPins, ChipPin{len(c.ChipPins) + 1, f.Text, f.Note})
			c.Pins = append(c.Pins, f.Text)
		case "supply_abs_max":
			c.VCCAbsMax = unit.Volt(f.Max)
		case "supply":
			c.VCCMin, c.VCCMax = unit.Volt(f.Min), unit.Volt(f.Max)
		case "ambient":
			c.AmbientMin, c.AmbientMax = unit.Celsius(f.Min), unit.Celsius(f.Max)
		case "pin_voltage_abs":
			if f.Pin == "RESET" {
				c.ResetAbsMax = unit.Volt(f.Max)
			} else {
				c.PinBelowGND, c.PinAboveVCC = unit.Volt(-f.Min), unit.Volt(f.Max)
			}
		case "pin_current_abs":
			c.PinMax = unit.Amp(f.Max)
		case "rail_current_abs":
			c.RailMax = unit.Amp(f.Max)
		case "sum_low":
			c.SumLow = unit.Amp(f.Max)
		case "sum_high":
			c.SumHigh = unit.Amp(f.Max)
		case "vol":
			c.VOL = append(c.VOL, OutputPoint{pin, f.VCCFrom, unit.Amp(f.At), unit.Volt(f.Max), f.Evidence, f.Source})
		case "voh":
			c.VOH = append(c.VOH, OutputPoint{pin, f.VCCFrom, unit.Amp(f.At), unit.Volt(f.Min), f.Evidence, f.Source})
		case "r_low":
			c.resistance(f.VCCFrom).Low = unit.Ohm(f.Typ)
		case "r_high":
			c.resistance(f.VCCFrom).High = unit.Ohm(f.Typ)
		case "r_hot":
			c.RHot = f.Typ
		case "r_cold":
			c.RCold = f.Typ
		case "vil":
			c.level(pin, f).VIL = unit.Ratio(f.Max)
		case "vih":
			c.level(pin, f).VIH = unit.Ratio(f.Min)
		case "threshold_fall":
			c.Fall = unit.Ratio(f.Typ)
		case "threshold_rise":
			c.Rise = unit.Ratio(f.Typ)
		case "leakage":
			c.LeakTyp, c.Leak = unit.Amp(f.Typ), unit.Amp(f.Max)
		case "pin_capacitance":
			c.PinC = unit.Farad(f.Max)
		case "pullup":
			if f.Pin == "RESET" {
				c.ResetPullupMin, c.ResetPullupMax = unit.Ohm(f.Min), unit.Ohm(f.Max)
			} else {
				c.PullupMin, c.PullupTyp, c.PullupMax = unit.Ohm(f.Min), unit.Ohm(f.Typ), unit.Ohm(f.Max)
			}
		case "clamp_current":
			c.ClampMax = unit.Amp(f.Max)
		case "clamp_voltage":
			c.ClampBelow, c.ClampAbove = unit.Volt(-f.Min), unit.Volt(f.Max)
		case "current_active", "current_idle", "current_power_down":
			mode := strings.TrimPrefix(f.Quantity, "current_")
			if mode == "power_down" {
				mode = "power-down, " + f.Pin
			}
			c.Supply = append(c.Supply, SupplyPoint{mode, unit.Hertz(f.At), f.VCCFrom, unit.Amp(f.Typ), unit.Amp(f.Max), f.Evidence, f.Source})
		case "current_bod":
			c.BODCurrent = unit.Amp(f.Max)
		case "clock_max":
			c.Clock = append(c.Clock, ClockPoint{f.Pin, f.VCCFrom, unit.Hertz(f.Max)})
		case "brownout":
			c.Brownout = append(c.Brownout, Brownout{f.Pin, unit.Volt(f.Min), unit.Volt(f.Typ), unit.Volt(f.Max)})
		case "brownout_hysteresis":
			c.BrownoutHysteresis = unit.Volt(f.Typ)
		case "oscillator":
			if f.Pin == "user" {
				c.Trimmed = unit.Ratio(f.Max)
			} else {
				c.Factory = unit.Ratio(f.Max)
			}
		}
	}
	return c
}

func (c *Chip) resistance(vcc unit.Volt) *PinResistance {
	for i := range c.Resistance {
		if c.Resistance[i].VCC == vcc {
			return &c.Resistance[i]
		}
	}
	c.Resistance = append(c.Resistance, PinResistance{vcc, unit.Absent[unit.Ohm](), unit.Absent[unit.Ohm]()})
	return &c.Resistance[len(c.Resistance)-1]
}

func (c *Chip) level(pin string, f ChipFigure) *InputLevel {
	for i := range c.Input {
		if c.Input[i].Pin == pin && c.Input[i].VCCFrom == f.VCCFrom && c.Input[i].VCCTo == f.VCCTo {
			return &c.Input[i]
		}
	}
	c.Input = append(c.Input, InputLevel{pin, f.VCCFrom, f.VCCTo, unit.Absent[unit.Ratio](), unit.Absent[unit.Ratio]()})
	return &c.Input[len(c.Input)-1]
}

// A Role is what a contact of a socket, or a wire where there is none, carries.
type Role string

const (
	MotorPlus   Role = "motor +" // joined to the right pick-up on plain DC
	MotorMinus  Role = "motor -"
	PickupRight Role = "pick-up right"
	PickupLeft  Role = "pick-up left"
	FrontLight  Role = "front light"
	RearLight   Role = "rear light"
	Aux         Role = "aux"
	AuxLogic    Role = "aux logic" // an output of logic level, which wants a switch of its own behind it
	CommonPlus  Role = "common plus"
	Minus       Role = "minus" // the decoder's own, which is not a rail
)

var roles = []string{string(MotorPlus), string(MotorMinus), string(PickupRight), string(PickupLeft), string(FrontLight), string(RearLight), string(Aux), string(AuxLogic), string(CommonPlus), string(Minus)}

// Motor reports whether the contact belongs to the motor.
func (r Role) Motor() bool { return r == MotorPlus || r == MotorMinus }

// Pickup reports whether the contact is a rail.
func (r Role) Pickup() bool { return r == PickupRight || r == PickupLeft }

// Switched reports whether the contact is for what a decoder's function outputs switch.
func (r Role) Switched() bool { return r == FrontLight || r == RearLight || r == Aux || r == AuxLogic }

// wireRoles are the colours of wires in a vehicle: NMRA RP-9.1.1 section B and S-9.1.1 in digests; the first eight also
// NEM 651 and 652 (2017). The order of green, violet, brown is from memory.
var wireRoles = map[string]Role{
	"red": PickupRight, "black": PickupLeft, "orange": MotorPlus, "grey": MotorMinus, "white": FrontLight, "yellow": RearLight, "blue": CommonPlus,
	"green": Aux, "violet": Aux, "brown": Aux,
}

// WireRole is what a wire of that colour carries by the trade's code; not ok for a colour that may carry anything.
func WireRole(colour string) (r Role, source string, ok bool) {
	r, ok = wireRoles[strings.ToLower(strings.TrimSpace(colour))]
	return r, "wire colours of NMRA RP-9.1.1, read in a digest", ok
}

// A SocketPin is a contact of a socket.
type SocketPin struct {
	Number int
	Signal string
	Role   Role
	Colour string // of the wire, "" where the standard gives none
}

// A Space is a room in the vehicle, or the greatest size of a decoder.
type Space struct {
	Name                  string
	Length, Width, Height unit.Length
	Note                  string
}

// A Socket is a standard connector between vehicle and decoder.
type Socket struct {
	Name                 string
	Also                 string // another name: "NEM 662"
	Rows                 int    // of contacts: 1 or 2
	Pins                 []SocketPin
	Pitch                unit.Length // 0 where it was not read
	Contact, ContactPeak unit.Amp    // each contact, continuous and short; absent where not given
	Spaces               []Space
	Reversal             string // what happens if the plug goes in the wrong way round
	Note                 string
	Evidence             string // "read" in the standard, or "digest": agreeing secondary tables
	Source               string
}

// Pin finds a contact by its colour ("white") or signal ("front light").
func (s Socket) Pin(word string) (SocketPin, bool) {
	for _, p := range s.Pins {
		if p.Colour != "" && strings.EqualFold(p.Colour, word) || strings.EqualFold(p.Signal, word) {
			return p, true
		}
	}
	return SocketPin{}, false
}

// At finds a contact by its number.
func (s Socket) At(pin int) (SocketPin, bool) {
	if pin < 1 || pin > len(s.Pins) {
		return SocketPin{}, false
	}
	return s.Pins[pin-1], true
}

// Has reports whether a contact has that role.
func (s Socket) Has(r Role) bool {
	return slices.ContainsFunc(s.Pins, func(p SocketPin) bool { return p.Role == r })
}

// Turned is the contact of the vehicle that a pin of the decoder's plug meets when the plug is turned by half a turn; 0
// for a pin that is not there. One row is read from its other end; of two, numbered round the block, each pin meets the
// one half round.
func (s Socket) Turned(pin int) int {
	n := len(s.Pins)
	switch {
	case pin < 1 || pin > n:
		return 0
	case s.Rows == 1:
		return n + 1 - pin
	}
	return (pin-1+n/2)%n + 1
}

func loadSockets(problems *diag.List) []Socket {
	t := openTable("socket.csv", socketCSV, problems)
	var out []Socket
	for t.next() {
		name := t.must("socket")
		if len(out) == 0 || out[len(out)-1].Name != name {
			out = append(out, Socket{Name: name, Source: t.must("source"), Evidence: t.oneOf("evidence", "read", "digest"), Note: t.str("note"), Reversal: t.must("reversal"), Also: t.str("also"), Rows: int(num[float64](t, "rows")),
				Pitch: t.micrometres("pitch_m"), Contact: num[unit.Amp](t, "contact_A"), ContactPeak: num[unit.Amp](t, "contact_peak_A")})
			continue
		}
		s := &out[len(out)-1]
		if n := num[float64](t, "pin"); !math.IsNaN(n) {
			if int(n) != len(s.Pins)+1 {
				t.bad("pin", "%v stands where %d is due", n, len(s.Pins)+1)
			}
			s.Pins = append(s.Pins, SocketPin{int(n), t.must("signal"), Role(t.oneOf("role", roles...)), t.str("colour")})
			continue
		}
		s.Spaces = append(s.Spaces, Space{t.must("space"), t.micrometres("length_m"), t.micrometres("width_m"), t.micrometres("height_m"), t.str("note")})
	}
	t.close()
	return out
}
