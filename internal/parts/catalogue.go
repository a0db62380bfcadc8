package parts

import (
	_ "embed"
	"slices"
	"sort"
	"strings"
	"sync"

	"github.com/agext/levenshtein"

	"fettle/internal/diag"
)

//go:embed data/bjt.csv
var bjtCSV string

//go:embed data/mosfet.csv
var mosfetCSV string

//go:embed data/diode.csv
var diodeCSV string

//go:embed data/led.csv
var ledCSV string

//go:embed data/regulator.csv
var regulatorCSV string

//go:embed data/chip.csv
var chipCSV string

//go:embed data/socket.csv
var socketCSV string

//go:embed data/marking_index.csv
var markingCSV string

//go:embed data/capacitor_electrolytic.csv
var electrolyticCSV string

//go:embed data/capacitor_mlcc_bias.csv
var mlccCSV string

//go:embed data/capacitor_rules.csv
var capRulesCSV string

//go:embed data/resistor_package.csv
var resistorPackageCSV string

//go:embed data/resistor_eseries.csv
var eseriesCSV string

//go:embed data/resistor_colour_code.csv
var colourCSV string

//go:embed data/resistor_eia96.csv
var eia96CSV string

//go:embed data/resistor_eia96_multiplier.csv
var eia96MultiplierCSV string

//go:embed data/resistor_smd_codes.csv
var smdCSV string

//go:embed data/letter_code.csv
var letterCSV string

// A kindTable is one table of the catalogue, parsed when it is first asked for.
type kindTable[T Any] struct {
	once  sync.Once
	load  func(*diag.List) []T
	rows  []T
	index map[string]int // folded name or other name → row
}

func (k *kindTable[T]) all() []T {
	k.once.Do(func() {
		k.rows = loaded(k.load)
		k.index = make(map[string]int, 2*len(k.rows))
		for i, r := range k.rows {
			for _, n := range names(r.Common()) {
				if _, taken := k.index[n]; !taken { // the first row stands for a name without a package
					k.index[n] = i
				}
			}
		}
	})
	return k.rows
}

func (k *kindTable[T]) find(name string) (T, bool) {
	rows := k.all()
	if i, ok := k.index[fold(name)]; ok {
		return rows[i], true
	}
	var none T
	return none, false
}

// loaded parses an embedded table; a fault in it is a fault of the program.
func loaded[T any](load func(*diag.List) T) T {
	var problems diag.List
	v := load(&problems)
	if len(problems) > 0 {
		panic("parts: broken table: " + problems.Error())
	}
	return v
}

// The embedded tables.
var (
	markings = sync.OnceValue(func() map[string][]Marking { return loaded(loadMarkings) })

	bjts       = kindTable[BJT]{load: func(l *diag.List) []BJT { return loadBJTs(markings(), l) }}
	mosfets    = kindTable[MOSFET]{load: func(l *diag.List) []MOSFET { return loadMOSFETs(markings(), l) }}
	diodes     = kindTable[Diode]{load: func(l *diag.List) []Diode { return loadDiodes(markings(), l) }}
	leds       = kindTable[LED]{load: loadLEDs}
	regulators = kindTable[Regulator]{load: func(l *diag.List) []Regulator { return loadRegulators(markings(), l) }}
	chips      = kindTable[Chip]{load: loadChips}

	sockets          = sync.OnceValue(func() []Socket { return loaded(loadSockets) })
	electrolytics    = sync.OnceValue(func() []Electrolytic { return loaded(loadElectrolytics) })
	mlccBiases       = sync.OnceValue(func() []MLCCBias { return loaded(loadMLCCBias) })
	capacitorRules   = sync.OnceValue(func() []CapacitorRule { return loaded(loadCapacitorRules) })
	resistorPackages = sync.OnceValue(func() []ResistorPackage { return loaded(loadResistorPackages) })
)

// A Catalogue is the embedded tables and the parts a user has added to them. The zero value is the embedded
// catalogue. It is not changed once made and may be used by several goroutines. Slices of what it returns
// are shared: callers do not write to them.
type Catalogue struct {
	bjts    []BJT // the user's own, found before the embedded ones
	mosfets []MOSFET
	diodes  []Diode
	leds    []LED
}

var embedded Catalogue

// Load returns the embedded catalogue.
func Load() *Catalogue { return &embedded }

// With returns a catalogue that also knows the parts described in a drawer.
func (c *Catalogue) With(d *Drawer) *Catalogue {
	if d == nil || len(d.BJTs)+len(d.MOSFETs)+len(d.LEDs)+len(d.Diodes) == 0 {
		return c
	}
	return &Catalogue{
		bjts:    append(append([]BJT(nil), d.BJTs...), c.bjts...),
		mosfets: append(append([]MOSFET(nil), d.MOSFETs...), c.mosfets...),
		diodes:  append(append([]Diode(nil), d.Diodes...), c.diodes...),
		leds:    append(append([]LED(nil), d.LEDs...), c.leds...),
	}
}

// Check parses every embedded table and returns all that is wrong with them.
func Check() diag.List {
	var l diag.List
	marks := loadMarkings(&l)
	known := map[string]bool{}
	keep := func(p Part) { known[p.Name] = true }
	for _, p := range loadBJTs(marks, &l) {
		keep(p.Part)
	}
	for _, p := range loadMOSFETs(marks, &l) {
		keep(p.Part)
	}
	for _, p := range loadDiodes(marks, &l) {
		keep(p.Part)
	}
	for _, p := range loadRegulators(marks, &l) {
		keep(p.Part)
	}
	loadLEDs(&l)
	loadChips(&l)
	loadSockets(&l)
	loadElectrolytics(&l)
	loadMLCCBias(&l)
	loadCapacitorRules(&l)
	loadResistorPackages(&l)
	loadSeries(&l)
	loadColours(&l)
	loadEIA96(&l)
	loadSMDRules(&l)
	loadLetters(&l)
	for name := range marks {
		if !known[name] {
			l.Add("table-marking", diag.Range{File: "marking_index.csv"}, "%q is marked but stands in no table", name)
		}
	}
	l.Sort()
	return l
}

func own[T Any](parts []T, name string) (T, bool) {
	f := fold(name)
	for _, p := range parts {
		if fold(p.Common().Name) == f {
			return p, true
		}
	}
	var none T
	return none, false
}

// BJT finds a bipolar transistor by name; case, spaces and hyphens do not count.
func (c *Catalogue) BJT(name string) (BJT, bool) {
	if b, ok := own(c.bjts, name); ok {
		return b, true
	}
	return bjts.find(name)
}

// MOSFET finds a field-effect transistor by name.
func (c *Catalogue) MOSFET(name string) (MOSFET, bool) {
	if q, ok := own(c.mosfets, name); ok {
		return q, true
	}
	return mosfets.find(name)
}

// Diode finds a diode or bridge by name.
func (c *Catalogue) Diode(name string) (Diode, bool) {
	if d, ok := own(c.diodes, name); ok {
		return d, true
	}
	return diodes.find(name)
}

// LED finds an LED by name, or the row of a class by its colour and size ("warm white 0603"); a colour alone
// is taken as 0603. "white" is cool white, "yellow" and "amber" share a class.
func (c *Catalogue) LED(name string) (LED, bool) {
	if l, ok := own(c.leds, name); ok {
		return l, true
	}
	if l, ok := leds.find(name); ok {
		return l, true
	}
	colour, size := strings.TrimSpace(strings.ToLower(name)), "0603"
	for _, s := range [...]string{"0402", "0603", "0805", "3mm", "3 mm"} {
		if head, ok := strings.CutSuffix(colour, s); ok {
			colour, size = strings.TrimSpace(head), strings.ReplaceAll(s, " ", "")
			break
		}
	}
	return c.LEDClass(colour, size)
}

// LEDClass finds the planning values of a colour in a package ("0402", "0603", "0805", "3mm"); another or no
// package is taken as 0603.
func (c *Catalogue) LEDClass(colour, pkg string) (LED, bool) {
	colour = strings.ToLower(strings.TrimSpace(colour))
	switch colour {
	case "white":
		colour = "cool white"
	case "yellow", "amber":
		colour = "yellow/amber"
	}
	var found LED
	ok := false
	for _, l := range leds.all() {
		if l.ClassRow && fold(l.Class) == fold(colour) && (l.Package == pkg || !ok && l.Package == "0603") {
			found, ok = l, true
		}
	}
	return found, ok
}

// LEDClasses are the colours there are planning values for.
func (c *Catalogue) LEDClasses() []string {
	var out []string
	for _, l := range leds.all() {
		if l.ClassRow {
			out = append(out, l.Class)
		}
	}
	sort.Strings(out)
	return slices.Compact(out)
}

// Regulator finds a regulator by name. The electrical rows of one type differ only in the package; without
// one the first row stands ("78L05" is the A grade in TO-92), and RegulatorIn asks for a package.
func (c *Catalogue) Regulator(name string) (Regulator, bool) { return regulators.find(name) }

// RegulatorIn finds a regulator by name in a package.
func (c *Catalogue) RegulatorIn(name, pkg string) (Regulator, bool) {
	f := fold(name)
	for _, r := range regulators.all() {
		if fold(r.Package) != fold(pkg) {
			continue
		}
		for _, n := range names(r.Part) {
			if n == f {
				return r, true
			}
		}
	}
	return Regulator{}, false
}

// Chip finds a microcontroller by name or ordering code.
func (c *Catalogue) Chip(name string) (Chip, bool) { return chips.find(name) }

// Socket finds a connector by name ("NEM 651", "nem651", "Next18", "NEM 662").
func (c *Catalogue) Socket(name string) (Socket, bool) {
	for _, s := range sockets() {
		if fold(s.Name) == fold(name) || s.Also != "" && fold(s.Also) == fold(name) {
			return s, true
		}
	}
	return Socket{}, false
}

// Sockets returns the connectors there are.
func (c *Catalogue) Sockets() []Socket { return sockets() }

// ResistorPackage finds what a size of resistor stands; "0805 conservative" is the safe row for unknown lots.
func (c *Catalogue) ResistorPackage(name string) (ResistorPackage, bool) {
	f := fold(name)
	for _, p := range resistorPackages() {
		if g := fold(p.Package); g == f || g == "AXIAL"+f {
			return p, true
		}
	}
	return ResistorPackage{}, false
}

// ResistorPackages returns the sizes of resistor there are.
func (c *Catalogue) ResistorPackages() []ResistorPackage { return resistorPackages() }

// Electrolytics returns the table of aluminium capacitors.
func (c *Catalogue) Electrolytics() []Electrolytic { return electrolytics() }

// MLCCBias returns what is left of ceramic capacitances under bias.
func (c *Catalogue) MLCCBias() []MLCCBias { return mlccBiases() }

// CapacitorRules returns rules for the use of capacitors.
func (c *Catalogue) CapacitorRules() []CapacitorRule { return capacitorRules() }

// BJTs, MOSFETs, Diodes, LEDs, Regulators and Chips return whole tables, the user's own parts first.
func (c *Catalogue) BJTs() []BJT {
	return append(append([]BJT(nil), c.bjts...), bjts.all()...)
}
func (c *Catalogue) MOSFETs() []MOSFET {
	return append(append([]MOSFET(nil), c.mosfets...), mosfets.all()...)
}
func (c *Catalogue) Diodes() []Diode {
	return append(append([]Diode(nil), c.diodes...), diodes.all()...)
}
func (c *Catalogue) LEDs() []LED {
	return append(append([]LED(nil), c.leds...), leds.all()...)
}
func (c *Catalogue) Regulators() []Regulator { return regulators.all() }
func (c *Catalogue) Chips() []Chip           { return chips.all() }

// All returns every part, kind by kind, in the order of the tables.
func (c *Catalogue) All() []Any {
	var out []Any
	for _, p := range c.BJTs() {
		out = append(out, p)
	}
	for _, p := range c.MOSFETs() {
		out = append(out, p)
	}
	for _, p := range c.Diodes() {
		out = append(out, p)
	}
	for _, p := range c.LEDs() {
		out = append(out, p)
	}
	for _, p := range c.Regulators() {
		out = append(out, p)
	}
	for _, p := range c.Chips() {
		out = append(out, p)
	}
	return out
}

// Find looks a name up among all kinds.
func (c *Catalogue) Find(name string) (Any, bool) {
	if p, ok := c.BJT(name); ok {
		return p, true
	}
	if p, ok := c.Diode(name); ok {
		return p, true
	}
	if p, ok := c.Regulator(name); ok {
		return p, true
	}
	if p, ok := c.MOSFET(name); ok {
		return p, true
	}
	if p, ok := c.Chip(name); ok {
		return p, true
	}
	if p, ok := own(c.leds, name); ok {
		return p, true
	}
	if p, ok := leds.find(name); ok {
		return p, true
	}
	return nil, false
}

// Suggest returns up to three names close to one that was not found: those that begin with it or end in it,
// or else those the fewest slips away. Kinds limits the search; none means all.
func (c *Catalogue) Suggest(name string, kinds ...string) []string {
	type near struct {
		name     string
		distance int
	}
	f := fold(name)
	if len(f) < 2 {
		return nil
	}
	var found []near
	seen := map[string]bool{}
	for _, p := range c.All() {
		part := p.Common()
		if len(kinds) > 0 && !slices.Contains(kinds, part.Kind) {
			continue
		}
		best := -1
		for _, g := range names(part) {
			d := levenshtein.Distance(f, g, nil)
			switch {
			case len(f) >= 3 && strings.HasPrefix(g, f), len(f) >= 5 && strings.HasSuffix(g, f):
				d = 0
			case d > 1+len(f)/5: // one slip, and one more for every five characters
				continue
			}
			if best < 0 || d < best {
				best = d
			}
		}
		base := baseName(part.Name)
		if best >= 0 && !seen[base] {
			seen[base] = true
			found = append(found, near{base, best})
		}
	}
	sort.SliceStable(found, func(i, j int) bool { return found[i].distance < found[j].distance })
	var out []string
	for _, n := range found[:min(3, len(found))] {
		if n.distance == found[0].distance {
			out = append(out, n.name)
		}
	}
	return out
}

// fold makes spellings of one name equal: capitals, and no spaces, hyphens, underscores or dots between.
func fold(s string) string {
	var b strings.Builder
	b.Grow(len(s))
	for i := 0; i < len(s); i++ {
		switch ch := s[i]; {
		case ch == ' ' || ch == '-' || ch == '_' || ch == '\t':
		case 'a' <= ch && ch <= 'z':
			b.WriteByte(ch - 'a' + 'A')
		default:
			b.WriteByte(ch)
		}
	}
	return b.String()
}

// baseName is the name without a package or remark in brackets behind it.
func baseName(name string) string {
	base, _, _ := strings.Cut(name, " (")
	return base
}

// names returns every folded spelling a part is found under: its name, the name without brackets, the sides
// of a slash ("S1M / M7"), and its other names.
func names(p Part) []string {
	out := []string{fold(p.Name)}
	base := baseName(p.Name)
	if base != p.Name {
		out = append(out, fold(base))
	}
	if strings.Contains(base, " / ") {
		for s := range strings.SplitSeq(base, " / ") {
			out = append(out, fold(s))
		}
	}
	for _, a := range p.Also {
		out = append(out, fold(a))
	}
	return out
}
