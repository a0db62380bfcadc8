// Package parts holds what is known of the parts a builder meets (the catalogue), the parts on hand (the
// drawer), and the numbers and codes printed on them: preferred values, colour bands, chip-resistor codes,
// letter codes, marking codes.
//
// # Catalogue
//
// The tables lie in data/*.csv: UTF-8, LF, one header row, SI units named in the header, decimal point.
// Packed cells hold entries separated by ";" with fields separated by ":". Each row names its sources and,
// in memory_fields, the columns whose values come from memory ("*": the whole row); Part.Evidence answers
// for one column. Electrical values hold at 25 °C unless a condition says otherwise; PNP and P-channel
// values are magnitudes. A value that is not given is unit.Absent, never zero. Load parses each table the
// first time it is asked for; a broken table is a fault of fettle and panics (Check reports it, and a test
// proves that it reports nothing).
//
// Pins are in the order in which the leads are met: SOT-23 from above with the single lead up: lower left,
// lower right, single lead; TO-92 with the flat face to the reader and the leads down: left to right.
// Makers number leads differently, so positions are compared, never numbers.
//
// # Drawer
//
// drawer.csv is one row a bag: a header row and then cells separated by comma, semicolon or tab (found out
// from the header; a first line "sep=;" is understood), quoted where they contain the separator, UTF-8 with
// or without a byte-order mark. Rows that are empty or begin with "#" are skipped. Columns, in any order,
// all optional, but part, value or marking must be there:
//
//	part         a name of the catalogue ("BC847B", "MB6S"), or a part of one's own
//	value        of a resistor or a capacitor, with its unit: "4k7", "47 Ω", "220 µF"
//	kind         resistor, capacitor, transistor, mosfet, diode, led, regulator, chip, socket, other;
//	             found out from part or value if left out
//	package      "0805", "SOT-23", "axial 1/4 W"
//	count        pieces; "plenty", or nothing written: more than a build needs
//	price        for one piece, in the user's own currency
//	tolerance    "1 %" or an IEC 60062 letter
//	voltage      rated voltage of a capacitor
//	marking      what is printed on the body, where the type is not known, or beside it
//	note         anything
//
// What was measured on the pieces of a bag, at about 25 °C:
//
//	hfe             gain; hfe_at its collector current, hfe_vce its collector-emitter voltage ("180", "2 mA",
//	                "5 V"); no current: a meter's gain socket
//	be_test         base to emitter on a meter's diode test, collector open: "0.68 V" (about 1 mA), or with the
//	                current where it is known: "1.2 mA: 0.684 V"
//	bc_test         the same from base to collector, emitter open
//	vf_measured     forward voltage of a diode or LED at a current, better at two: "1 mA: 1.78 V; 10 mA: 1.92 V";
//	                without a current: the diode test; vf_error ± what these voltages are known to ("9 mV"),
//	                else an ordinary hand meter's error
//	vz_measured     zener voltage at a current: "5 mA: 5.02 V"
//	vth_measured    gate to source of a MOSFET at a drain current, gate joined to drain: "1 mA: 1.9 V"
//	rdson_measured  drain to source of a MOSFET over its current, at a gate voltage, with the current where it is
//	                known: "4.7 V: 1.9 Ω; 3.3 V / 20 mA: 2.6 Ω"
//	idss_measured   drain current of a MOSFET, gate joined to source: "80 nA", "12 V: 80 nA", or no more than
//	                the meter tells from nothing: "< 100 nA"
//
// A row with a marking and no part is kept with all the parts the marking may stand for (Item.Candidates), which
// kind, package and polarity narrow down; if one is left it is taken. A row with neither part nor marking, or whose
// part is in no catalogue, is a part of its own if it was measured: what was measured is known, the ratings are not.
//
// A part the catalogue does not know is described in the same row, from its data sheet:
//
//	polarity       NPN or PNP; N or P of a MOSFET
//	vceo, ic_max   "45 V", "100 mA"; ptot "225 mW" and pins "BEC" (by position, as above) if known
//	hfe_points     gain at collector current and collector-emitter voltage, from the least to the most:
//	               "2 mA / 5 V: 200 .. 450; 100 mA / 1 V: 60" (nothing after "..": no upper limit given)
//	vcesat_points  saturation at collector and base current, the maximum: "10 mA / 0.5 mA: 0.25 V"
//	vbesat_points  the same for the base-emitter voltage
//	colour         of an LED: "warm white"
//	vf_points      forward voltage of an LED or diode at a current: "2 mA: 2.65 V; 20 mA: 3.1 V"
//	if_max, vr_max the highest forward current and reverse voltage of an LED or diode
//
// ReadDrawer reports every problem of the file in one run, each at its cell, with a mend where one can be
// guessed; what it understood it returns as well.
//
// # Codes
//
// IEC 60063 (preferred numbers) and IEC 60062 (colours, letters) are known from memory, not from the text of
// the standards; the rules for codes on chip resistors are common practice of the trade. Two-terminal codes
// (Nearest, Combinations, ReadColours, ReadSMD, ReadLetterCode and their inverses) need no catalogue.
//
// A marking code is a list of candidates, never a proof: the same two characters stand for different parts
// at different makers. ByMarking ranks them and TellApart says which meter reading separates them.
//
// Not modelled here: device equations (package device), temperature, prices in several currencies.
//
// Known errors in the sources are kept as notes of the rows, e.g. the copy-maker sheets whose ratings do not
// agree with their own thermal resistance.
package parts

import (
	"strings"

	"fettle/internal/unit"
)

// Kinds of part, as Part.Kind, Item.Kind and the column "kind" of a drawer use them.
const (
	KindTransistor = "transistor"
	KindMOSFET     = "mosfet"
	KindDiode      = "diode"
	KindLED        = "led"
	KindRegulator  = "regulator"
	KindChip       = "chip"
	KindResistor   = "resistor"
	KindCapacitor  = "capacitor"
	KindSocket     = "socket"
	KindOther      = "other"
)

// Polarities of bipolar transistors.
const (
	NPN          = "NPN"
	PNP          = "PNP"
	NPNPrebiased = "NPN-prebiased"
	PNPPrebiased = "PNP-prebiased"
)

// A Part is what every row of the catalogue has.
type Part struct {
	Name    string
	Also    []string // other names of the same row
	Kind    string
	Package string
	Printed string    // what makers print on it, in words, as the table gives it
	Marking []Marking // the codes among that
	Pins    []string  // function of each lead by position; "" where there is no such lead
	Source  string    // sheets read, or "from memory"
	Note    string
	Memory  []string // columns whose values come from memory, perhaps limited "column(item)"; "*": the whole row
}

// Common is the part itself: it lets all kinds stand in one list (Any).
func (p Part) Common() Part { return p }

// Any is a part of any kind: a BJT, MOSFET, Diode, LED, Regulator or Chip.
type Any interface{ Common() Part }

// Evidence is how a value of the catalogue is known.
type Evidence string

const (
	Read       Evidence = "read"               // seen in a maker's table
	PartMemory Evidence = "partly from memory" // the item in brackets of Part.Memory
	FromMemory Evidence = "from memory"
)

// Evidence says how the values of a column of the part's table are known.
func (p Part) Evidence(column string) Evidence {
	e := Read
	for _, m := range p.Memory {
		if m == "*" || m == column {
			return FromMemory
		}
		if strings.HasPrefix(m, column) && strings.HasPrefix(strings.TrimSpace(m[len(column):]), "(") {
			e = PartMemory
		}
	}
	return e
}

// A Marking is a code printed on a part.
type Marking struct {
	Code   string
	Plant  bool   // makers add a letter for the plant before or behind it
	Maker  string // or a remark; "" where any maker may print it
	Memory bool   // from memory
}

// A GainPoint is a line of the hFE table. Min is guaranteed; each may be absent.
type GainPoint struct {
	IC            unit.Amp
	VCE           unit.Volt
	Min, Typ, Max float64
}

// A SatPoint is a line of the VCE(sat) table.
type SatPoint struct {
	IC, IB   unit.Amp
	Typ, Max unit.Volt
}

// A VBEPoint is a line of a base-emitter table: VBE(sat) where IB is known, VBE(on) where VCE is known.
type VBEPoint struct {
	IC, IB        unit.Amp
	VCE           unit.Volt
	Min, Typ, Max unit.Volt
}

// A Leakage is the greatest current of a junction that is off.
type Leakage struct {
	Name       string // ICBO, ICEO, ICEX, IBL, IR, IDSS, …
	Max        unit.Amp
	Conditions string
	V          unit.Volt // the (first) voltage of the conditions
	T          unit.Celsius
	Read       unit.Amp // what a user read on a piece, within Max; 0: it is the sheet's
}

// IV is a point of a characteristic.
type IV struct {
	I unit.Amp
	V unit.Volt
}

// A BJT is a bipolar transistor, or a pre-biased one ("digital", with a resistor R1 in series with its base
// and R2 from base to emitter; its gain is output over input current).
type BJT struct {
	Part
	Family           string
	Polarity         string // NPN, PNP, NPN-prebiased, PNP-prebiased
	VCEO, VCBO, VEBO unit.Volt
	IC, ICM, IB, IBM unit.Amp // continuous and peak
	Ptot             unit.Watt
	PtotCond         string
	RthJA            unit.KelvinPerWatt
	TjMax            unit.Celsius

	Gain   []GainPoint // by rising IC, then VCE
	Group  string      // gain group the rows stand for
	VCEsat []SatPoint
	VBEsat []VBEPoint
	VBEon  []VBEPoint
	Leak   []Leakage

	FT                     unit.Hertz // least
	CobTyp, CobMax, CibMax unit.Farad
	Td, Tr, Ts, Tf         float64 // switching times in seconds, greatest; absent: NaN
	SwitchCond             string

	R1, R1Min, R1Max, R2 unit.Ohm // pre-biased only
	R2R1Min, R2R1Max     float64
	VIoffMax             unit.Volt
	VIoffCond            string
	VIonMin              unit.Volt
	VIonCond             string
}

// Prebiased reports whether the part has resistors at its base.
func (b BJT) Prebiased() bool { return strings.HasSuffix(b.Polarity, "-prebiased") }

// PNP reports whether currents and voltages are to be read negative.
func (b BJT) PNP() bool { return strings.HasPrefix(b.Polarity, PNP) }

// An OnPoint is a line of the RDS(on) table; ID is absent where the sheet did not show it.
type OnPoint struct {
	VGS      unit.Volt
	ID       unit.Amp
	Typ, Max unit.Ohm
	Measured bool // by the user, or by the sheet's shape from what was
}

// A MOSFET is an enhancement field-effect transistor.
type MOSFET struct {
	Part
	Channel                      string // "N", "P"
	VDS, VGS                     unit.Volt
	VGSthMin, VGSthTyp, VGSthMax unit.Volt
	VGSthID                      unit.Amp
	RDSon                        []OnPoint // by rising VGS
	RDSonHot                     float64   // factor at 125 °C
	ID, IDM                      unit.Amp
	Ptot                         unit.Watt
	PtotCond                     string
	RthJA                        unit.KelvinPerWatt
	Leak                         []Leakage // IDSS
	VSD                          []IV      // body diode, greatest
	CissTyp, CissMax             unit.Farad
	QgTyp, QgMax                 float64 // coulomb
	QgVGS                        unit.Volt
	Td, Tr, TdOff, Tf            float64 // seconds
}

// A Surge is a single pulse a diode stands.
type Surge struct {
	Pulse string
	I     unit.Amp
}

// A Diode is a switching, Schottky, rectifier or zener diode, several in one case, or a bridge.
type Diode struct {
	Part
	Type         string // "switching", "schottky", "rectifier", "bridge", "zener"
	VRRM, VR     unit.Volt
	IF           unit.Amp
	IFSM         []Surge
	VFtyp, VFmax []IV // of one diode, also in a bridge
	IR           []Leakage
	Trr          float64 // seconds
	CTyp, CMax   unit.Farad
	RthJA, RthJL unit.KelvinPerWatt
	Ptot         unit.Watt
	PtotCond     string
	TjMax        unit.Celsius

	VZnom, VZmin, VZmax unit.Volt // zener, at IZT
	IZT                 unit.Amp
	ZZT, ZZK            unit.Ohm // greatest differential resistance at IZT and at IZK
	IZK                 unit.Amp
	TCmin, TCmax        float64 // of VZ, relative, per kelvin
}

// An LED is a light-emitting diode: a class of them (planning values), or an example from a maker's sheet.
type LED struct {
	Part
	ClassRow            bool    // planning values for a whole class, not one maker's part
	Class               string  // colour: "warm white", "red", …
	Chip                string  // material
	CCT                 string  // colour temperature, "2700-3500" kelvin
	Lambda              float64 // dominant wavelength in metres
	IFtest              unit.Amp
	VFmin, VFtyp, VFmax unit.Volt // at IFtest
	VFpoints            []IV      // typical
	IFmax, IFpeak       unit.Amp
	VRmax               unit.Volt
	Ptot                unit.Watt
	IVmin, IVtyp        float64 // luminous intensity in candela
	ViewAngle           float64 // degrees
	TjMax               unit.Celsius
	// V = ModelN·Vt·ln(I/ModelIS) + I·ModelRS at 25 °C, fitted to VFpoints; ModelError is the worst residual.
	ModelIS    unit.Amp
	ModelN     float64
	ModelRS    unit.Ohm
	ModelError unit.Volt
	IVexponent float64 // luminous intensity ~ IF^IVexponent, roughly 0.5…20 mA
	DVFdT      float64 // V/K
	IVperK     float64 // relative change of luminous intensity per kelvin
}

// A GroundPoint is the current a regulator takes for itself while it delivers IOut.
type GroundPoint struct{ IOut, Typ, Max unit.Amp }

// A Regulator is a linear voltage regulator in one package.
type Regulator struct {
	Part
	Type                      string
	VinAbsMax, VinMin, VinMax unit.Volt
	Vout, VoutMin, VoutMax    unit.Volt
	VoutCond                  string
	IoutMax, ISC              unit.Amp
	DropoutTyp, DropoutMax    []IV // by output current
	IQtyp, IQmax              unit.Amp
	Ground                    []GroundPoint
	CinMin, CoutMin, CoutMax  unit.Farad
	ESRMin, ESRMax            unit.Ohm // window of the output capacitor
	RthJA                     unit.KelvinPerWatt
	Ptot                      unit.Watt
	TjMax                     unit.Celsius
	Tab                       string // what the tab is joined to, "" if there is none
}

// An Electrolytic is a line of the table of aluminium capacitors.
type Electrolytic struct {
	Kind             string
	C                unit.Farad
	VRated           unit.Volt
	TanDelta         float64  // at 120 Hz
	ESRMax           unit.Ohm // at 120 Hz
	LeakMax          unit.Amp
	Diameter, Length unit.Length
	Ripple           string
	Source, Note     string
	Memory           []string
}

// An MLCCBias is what is left of a ceramic capacitance under bias, as a share of the nominal value.
type MLCCBias struct {
	Dielectric, Case string
	C                unit.Farad // nominal; absent: any
	VRated, VBias    unit.Volt
	Min, Typ, Max    unit.Ratio
	Source, Note     string
	Memory           []string
}

// A CapacitorRule is a rule for the use of a kind of capacitor, in words.
type CapacitorRule struct{ Kind, Item, Value, Unit, Condition, Source string }

// A ResistorPackage is what a size of resistor stands.
type ResistorPackage struct {
	Package, Kind          string
	Length, Width          unit.Length // width or diameter
	P70                    unit.Watt   // at 70 °C ambient
	VWork, VOverload       unit.Volt
	JumperRated, JumperMax unit.Amp
	DerateFrom, DerateTo   unit.Celsius // P70 falls linearly to zero between these
	Source                 string
}

// Power is the dissipation allowed at an ambient temperature: P70, then linearly to zero.
func (p ResistorPackage) Power(ambient unit.Celsius) unit.Watt {
	switch {
	case !unit.Known(ambient):
		return unit.Absent[unit.Watt]()
	case ambient <= p.DerateFrom:
		return p.P70
	case ambient >= p.DerateTo:
		return 0
	}
	return p.P70 * unit.Watt((p.DerateTo-ambient)/(p.DerateTo-p.DerateFrom))
}
