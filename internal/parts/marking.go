package parts

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"fettle/internal/unit"
)

// MarkingCaution goes with every answer from a marking.
const MarkingCaution = "a marking is a hint, never proof: measure the part before it goes in"

// A Candidate is a part a marking may stand for.
type Candidate struct {
	Part   Any
	Code   string // as the table has it
	How    string // how the code was matched
	Maker  string
	Memory bool // the marking is known from memory
	Fits   bool // the package is the one asked for (true if none was)
	Pinout string
	Test   []Conduction // what a meter's diode test shows

	rank int
}

// A Conduction is a pair of leads between which a meter's diode test reads a voltage; all other pairs read
// as open. Leads are numbered by position from 0, as in Part.Pins.
type Conduction struct {
	Red, Black int
	V          unit.Volt // about
}

// The meter of the diode test: about 1 mA, and over range above 2 V (common practice, no source).
const (
	testCurrent = 1e-3
	testRange   = 2.0
	testSame    = 0.15 // readings closer than this do not tell parts apart
)

// Rough drops at 1 mA (common practice, no source).
const (
	dropBE       = 0.66 // a little above base-collector: the usual way to find the emitter
	dropBC       = 0.64
	dropBody     = 0.55
	dropSilicon  = 0.60
	dropSchottky = 0.22
	dropZener    = 0.70
)

// ByMarking lists the parts a code may stand for: the code itself before the code with a plant letter or a
// date behind it, what fits the package before what does not, read before remembered. No package means any.
func (c *Catalogue) ByMarking(code, pkg string) []Candidate {
	code = strings.TrimSpace(code)
	if code == "" {
		return nil
	}
	var out []Candidate
	for _, any := range c.All() {
		p := any.Common()
		best := Candidate{rank: math.MaxInt}
		for _, m := range p.Marking {
			how, rank := matchCode(code, m)
			if rank < best.rank || rank == best.rank && len(m.Code) > len(best.Code) && rank != math.MaxInt {
				best = Candidate{Part: any, Code: m.Code, How: how, Maker: m.Maker, Memory: m.Memory, rank: rank}
			}
		}
		if best.rank == math.MaxInt {
			continue
		}
		best.Fits = pkg == "" || SamePackage(pkg, p.Package)
		best.Pinout = Pinout(p)
		best.Test = DiodeTest(any)
		out = append(out, best)
	}
	sort.SliceStable(out, func(i, j int) bool {
		a, b := out[i], out[j]
		if a.rank != b.rank {
			return a.rank < b.rank
		}
		if a.rank == rankDate && len(a.Code) != len(b.Code) {
			return len(a.Code) > len(b.Code) // the more of it is explained
		}
		if a.Fits != b.Fits {
			return a.Fits
		}
		return !a.Memory && b.Memory
	})
	// A code that needs a date behind it, or is only the beginning, is worth saying if nothing fits better.
	if len(out) > 0 && out[0].rank < rankDate {
		out = slices.DeleteFunc(out, func(c Candidate) bool { return c.rank >= rankDate })
	}
	if len(out) > 0 && out[0].rank == rankDate {
		out = slices.DeleteFunc(out, func(c Candidate) bool { return c.rank > rankDate || len(c.Code) < len(out[0].Code) })
	}
	return out
}

const (
	rankExact = iota
	rankCase
	rankPlant
	rankDate
	rankBegins
)

// plantLetters are the letters NXP and Infineon put before or behind a code.
const plantLetters = "ptWs"

func matchCode(code string, m Marking) (how string, rank int) {
	switch {
	case code == m.Code:
		return "the code itself", rankExact
	case strings.EqualFold(code, m.Code):
		return "the code, in other capitals", rankCase
	}
	if len(code) == len(m.Code)+1 {
		behind, before := code[len(code)-1], code[0]
		switch {
		case strings.HasPrefix(code, m.Code) && (strings.IndexByte(plantLetters, behind) >= 0 || m.Plant && isLetter(behind)),
			strings.HasSuffix(code, m.Code) && (strings.IndexByte(plantLetters, before) >= 0 || m.Plant && isLetter(before)):
			return fmt.Sprintf("the code %s with a plant letter", m.Code), rankPlant
		}
	}
	switch {
	case len(m.Code) >= 2 && strings.HasPrefix(code, m.Code):
		return fmt.Sprintf("the code %s and a date", m.Code), rankDate
	case len(code) >= 2 && len(m.Code) > len(code) && strings.EqualFold(m.Code[:len(code)], code):
		return fmt.Sprintf("the beginning of %s", m.Code), rankBegins
	}
	return "", math.MaxInt
}

func isLetter(b byte) bool { return b|0x20 >= 'a' && b|0x20 <= 'z' }

// SamePackage compares packages as people write them: "sot23" is "SOT-23", and "SOT-23" is one of
// "SC-59/SOT-23 (KA, CA)".
func SamePackage(a, b string) bool {
	fa := fold(a)
	if fa == fold(b) || fa == fold(baseName(b)) {
		return true
	}
	for s := range strings.SplitSeq(strings.NewReplacer("(", "/", ")", "/").Replace(b), "/") {
		if f := fold(s); f != "" && f == fa {
			return true
		}
	}
	return false
}

// Geometry is how the leads of a package are met: a name for the view and one for each lead.
func Geometry(pkg string, leads int) (view string, names []string) {
	switch head, _, _ := strings.Cut(fold(pkg), "("); {
	case strings.HasPrefix(head, "SOT23"), strings.HasPrefix(head, "SC59"), strings.HasPrefix(head, "SC70"):
		return "seen from above, single lead up", []string{"lower left", "lower right", "single lead"}
	case head == "TO92":
		return "flat face to you, leads down", []string{"left", "middle", "right"}
	case head == "SOT89", head == "SOT223", head == "TO220":
		return "seen from the marked face, leads down", []string{"left", "middle", "right"}
	}
	if leads == 2 {
		return "", []string{"plain end", "marked end"}
	}
	for i := range leads {
		names = append(names, fmt.Sprintf("lead %d", i+1))
	}
	return "", names
}

// Pinout says in words where the leads of a part are.
func Pinout(p Part) string {
	if len(p.Pins) == 0 {
		return ""
	}
	view, names := Geometry(p.Package, len(p.Pins))
	if len(p.Pins) == 2 && p.Pins[0] == "A" && p.Pins[1] == "K" {
		return p.Package + ": the ring or band marks K"
	}
	var b strings.Builder
	b.WriteString(p.Package)
	if view != "" {
		b.WriteString(" " + view)
	}
	for i, pin := range p.Pins {
		sep := ", "
		if i == 0 {
			sep = ": "
		}
		b.WriteString(sep + names[i] + " " + pin)
	}
	return b.String()
}

// An element of the little circuit a meter sees: a junction that conducts from a to b, or a resistance.
type testElement struct {
	a, b int
	v    float64 // junction
	r    float64 // resistor, both ways
}

const innerNode = 9 // the base behind R1

// junctions reads the pins of a diode: A and K, numbered for several in one case, joined names for common
// leads, and + − ~ ~ for a bridge.
func junctions(p Part, kind string) ([]testElement, string) {
	drop := dropSilicon
	switch kind {
	case "schottky":
		drop = dropSchottky
	case "zener":
		drop = dropZener
	}
	var out []testElement
	if kind == "bridge" {
		lead := map[string][]int{}
		for i, n := range p.Pins {
			lead[n] = append(lead[n], i)
		}
		if len(lead["+"]) != 1 || len(lead["-"]) != 1 || len(lead["~"]) != 2 {
			return nil, fmt.Sprintf("leads of a bridge are %q", p.Pins)
		}
		for _, ac := range lead["~"] {
			out = append(out, testElement{a: lead["-"][0], b: ac, v: drop}, testElement{a: ac, b: lead["+"][0], v: drop})
		}
		return out, ""
	}
	anode, cathode := map[string]int{}, map[string]int{}
	for i, n := range p.Pins {
		if n == "n.c." || n == "" {
			continue
		}
		for at := 0; at < len(n); {
			to := at + 1
			for to < len(n) && n[to] >= '0' && n[to] <= '9' {
				to++
			}
			switch n[at] {
			case 'A':
				anode[n[at+1:to]] = i
			case 'K':
				cathode[n[at+1:to]] = i
			default:
				return nil, fmt.Sprintf("lead %q is neither anode nor cathode", n)
			}
			at = to
		}
	}
	for _, number := range []string{"", "1", "2"} {
		a, okA := anode[number]
		k, okK := cathode[number]
		if okA != okK {
			return nil, fmt.Sprintf("leads %q do not pair", p.Pins)
		}
		if okA {
			out = append(out, testElement{a: a, b: k, v: drop})
		}
	}
	if len(out) == 0 {
		return nil, fmt.Sprintf("no diode between leads %q", p.Pins)
	}
	return out, ""
}

func lead(p Part, name string) int {
	for i, n := range p.Pins {
		if n == name {
			return i
		}
	}
	return -1
}

// testCircuit is what lies between the leads for a meter that passes a milliampere.
func testCircuit(any Any) []testElement {
	switch p := any.(type) {
	case BJT:
		b, c, e := lead(p.Part, "B"), lead(p.Part, "C"), lead(p.Part, "E")
		if b < 0 || c < 0 || e < 0 {
			return nil
		}
		var out []testElement
		base := b
		if p.Prebiased() {
			base = innerNode
			if unit.Known(p.R1) {
				out = append(out, testElement{a: b, b: base, r: float64(p.R1)})
			}
			if unit.Known(p.R2) {
				out = append(out, testElement{a: base, b: e, r: float64(p.R2)})
			}
		}
		be, bc := testElement{a: base, b: e, v: dropBE}, testElement{a: base, b: c, v: dropBC}
		if p.PNP() {
			be.a, be.b, bc.a, bc.b = be.b, be.a, bc.b, bc.a
		}
		return append(out, be, bc)
	case MOSFET:
		s, d := lead(p.Part, "S"), lead(p.Part, "D")
		if p.Channel == "P" {
			s, d = d, s
		}
		return []testElement{{a: s, b: d, v: dropBody}}
	case Diode:
		out, _ := junctions(p.Part, p.Type)
		return out
	}
	return nil
}

// read is the least voltage with which the test current finds a way from red to black.
func readTest(elements []testElement, red, black int) float64 {
	cost := map[int]float64{red: 0}
	reach := func(from, to int, v float64) bool {
		f, ok := cost[from]
		if !ok {
			return false
		}
		if t, seen := cost[to]; seen && t <= f+v {
			return false
		}
		cost[to] = f + v
		return true
	}
	for changed := true; changed; {
		changed = false
		for _, e := range elements {
			if e.r > 0 {
				v := e.r * testCurrent
				changed = reach(e.a, e.b, v) || changed
				changed = reach(e.b, e.a, v) || changed
			} else {
				changed = reach(e.a, e.b, e.v) || changed
			}
		}
	}
	if v, ok := cost[black]; ok && v <= testRange {
		return v
	}
	return math.Inf(1)
}

// DiodeTest says between which leads a meter's diode test reads a voltage, red probe first, and about which.
// It stands for a part alone on the bench, gate discharged; regulators, chips and LEDs give no simple answer
// and return nothing.
func DiodeTest(any Any) []Conduction {
	elements := testCircuit(any)
	var out []Conduction
	n := len(any.Common().Pins)
	for red := range n {
		for black := range n {
			if red == black {
				continue
			}
			if v := readTest(elements, red, black); !math.IsInf(v, 1) {
				out = append(out, Conduction{red, black, unit.Volt(v)})
			}
		}
	}
	return out
}

// A TestStep is one reading of the diode test and what each candidate would show.
type TestStep struct {
	Red, Black string     // leads, in words
	Shows      []TestShow // by rising reading, open last
}

// A TestShow is a group of candidates that show the same.
type TestShow struct {
	Parts []string
	V     unit.Volt // about; +∞: open
}

func (s TestStep) String() string {
	words := make([]string, len(s.Shows))
	for i, g := range s.Shows {
		reads := fmt.Sprintf("about %.2f V", float64(g.V))
		if math.IsInf(float64(g.V), 1) {
			reads = "open"
		}
		words[i] = strings.Join(g.Parts, ", ") + ": " + reads
	}
	return fmt.Sprintf("red on %s, black on %s: %s", s.Red, s.Black, strings.Join(words, "; "))
}

// A Separation is how to tell candidates apart.
type Separation struct {
	Packages []string // what the number of leads alone tells, in words
	Steps    []TestStep
	Alike    [][]string // groups the diode test does not tell apart
	Hints    []string   // for each of them: what else helps
}

// TellApart plans readings with a meter's diode test that separate the candidates: at each step the pair of
// leads that splits them into the most groups.
func TellApart(candidates []Candidate) Separation {
	var s Separation
	byView := map[string][]Any{}
	var views []string
	seen := map[string]bool{}
	for _, c := range candidates {
		p := c.Part.Common()
		if seen[p.Name] {
			continue
		}
		seen[p.Name] = true
		_, names := Geometry(p.Package, len(p.Pins))
		key := strings.Join(names, ", ")
		if byView[key] == nil {
			views = append(views, key)
		}
		byView[key] = append(byView[key], c.Part)
	}
	for _, v := range views {
		group := byView[v]
		if len(views) > 1 {
			s.Packages = append(s.Packages, fmt.Sprintf("%d leads (%s): %s", len(strings.Split(v, ", ")), group[0].Common().Package, strings.Join(partNames(group), ", ")))
		}
		s.split(group, strings.Split(v, ", "))
	}
	return s
}

func partNames(parts []Any) []string {
	out := make([]string, len(parts))
	for i, p := range parts {
		out[i] = p.Common().Name
	}
	return out
}

type testGroup struct {
	v     float64
	parts []Any
}

func (s *Separation) split(parts []Any, leads []string) {
	if len(parts) < 2 {
		return
	}
	var best []testGroup
	bestRed, bestBlack := 0, 0
	for red := range leads {
		for black := range leads {
			if red == black {
				continue
			}
			if g := groupBy(parts, red, black); len(g) > len(best) {
				best, bestRed, bestBlack = g, red, black
			}
		}
	}
	if len(best) < 2 {
		s.Alike = append(s.Alike, partNames(parts))
		s.Hints = append(s.Hints, alikeHint(parts))
		return
	}
	step := TestStep{Red: leads[bestRed], Black: leads[bestBlack]}
	for _, g := range best {
		step.Shows = append(step.Shows, TestShow{partNames(g.parts), unit.Volt(g.v)})
	}
	s.Steps = append(s.Steps, step)
	for _, g := range best {
		s.split(g.parts, leads)
	}
}

// groupBy sorts parts by their reading between two leads and cuts where readings differ clearly.
func groupBy(parts []Any, red, black int) []testGroup {
	sorted := make([]testGroup, len(parts))
	for i, p := range parts {
		sorted[i] = testGroup{readTest(testCircuit(p), red, black), []Any{p}}
	}
	sort.SliceStable(sorted, func(i, j int) bool { return sorted[i].v < sorted[j].v })
	out := sorted[:1]
	for _, g := range sorted[1:] {
		last := &out[len(out)-1]
		if g.v == last.v || g.v-last.v < testSame {
			last.parts = append(last.parts, g.parts...)
			continue
		}
		out = append(out, g)
	}
	return out
}

// alikeHint says what tells parts apart, or how to live with them, when the diode test does not.
func alikeHint(parts []Any) string {
	var packages, gains, sayings []string
	kinds := map[string]bool{}
	vceo, ic, vr, i := math.Inf(1), math.Inf(1), math.Inf(1), math.Inf(1)
	least := func(x *float64, v float64) {
		if v < *x { // never true for a figure that is not given
			*x = v
		}
	}
	zener, prebiased := false, false
	for _, any := range parts {
		p := any.Common()
		kinds[p.Kind] = true
		if !slices.Contains(packages, p.Package) {
			packages = append(packages, p.Package)
		}
		switch p := any.(type) {
		case BJT:
			prebiased = prebiased || p.Prebiased()
			least(&vceo, float64(p.VCEO))
			least(&ic, float64(p.IC))
			if g, ok := p.gainNear(2e-3); ok {
				gains = append(gains, p.Name+" "+g)
				sayings = append(sayings, g)
			}
		case Diode:
			zener = zener || p.Type == "zener"
			least(&vr, float64(p.VRRM))
			least(&i, float64(p.IF))
		}
	}
	var out []string
	if len(packages) > 1 {
		out = append(out, "they come in different packages: "+strings.Join(packages, ", "))
	}
	switch {
	case prebiased:
		out = append(out, "measure the resistance between B and E both ways: the built-in R1 + R2, which a plain transistor does not show")
	case kinds[KindTransistor] && len(kinds) == 1:
		if slices.Sort(sayings); len(slices.Compact(sayings)) > 1 {
			out = append(out, "compare hFE: "+strings.Join(gains, "; "))
		}
		out = append(out, fmt.Sprintf("what a meter leaves open is taken at its weakest: VCEO %v, IC %v", unit.Volt(vceo), unit.Amp(ic)))
	case zener:
		out = append(out, "feed it through 10 kΩ from a supply above the highest voltage in question and measure the zener voltage")
	case kinds[KindDiode] && len(kinds) == 1 && !math.IsInf(vr, 1) && !math.IsInf(i, 1):
		out = append(out, fmt.Sprintf("what a meter leaves open is taken at its weakest: VRRM %v, IF %v", unit.Volt(vr), unit.Amp(i)))
	case kinds[KindMOSFET] && len(kinds) == 1:
		out = append(out, "discharge the gate, then find the gate voltage at which the channel opens")
	default:
		out = append(out, "use only what all of them allow")
	}
	return strings.Join(out, "; ")
}

// TestWords says what a meter shows on the part alone: the diode test, and what else its kind asks for.
func TestWords(any Any) string {
	p := any.Common()
	_, names := Geometry(p.Package, len(p.Pins))
	var out []string
	for _, c := range DiodeTest(any) {
		out = append(out, fmt.Sprintf("red on %s, black on %s: about %.2f V", names[c.Red], names[c.Black], float64(c.V)))
	}
	switch p := any.(type) {
	case BJT:
		switch {
		case p.Prebiased() && unit.Known(p.R1) && unit.Known(p.R2):
			out = append(out, fmt.Sprintf("about %v between B and E both ways (R1 + R2, ±30 %%)", p.R1+p.R2))
		case !p.Prebiased():
			out = append(out, "the junction that reads a little higher is base-emitter")
		}
	case MOSFET:
		out = append(out, "short the three leads first: a charged gate makes the channel conduct both ways")
	case Diode:
		if p.Type == "zener" {
			out = append(out, fmt.Sprintf("through a resistor from a higher voltage it holds %v to %v at %v", p.VZmin, p.VZmax, p.IZT))
		}
	}
	if len(out) == 0 {
		return ""
	}
	return strings.Join(out, "; ") + "; every other pair open"
}

// gainNear is the hFE line closest in current to ic, in words.
func (b BJT) gainNear(ic float64) (string, bool) {
	best, d := GainPoint{}, math.Inf(1)
	for _, g := range b.Gain {
		if x := math.Abs(math.Log(float64(g.IC) / ic)); unit.Known(unit.Ratio(g.Min)) && x < d {
			best, d = g, x
		}
	}
	if math.IsInf(d, 1) {
		return "", false
	}
	s := fmt.Sprintf("at least %g", best.Min)
	if !math.IsNaN(best.Max) {
		s = fmt.Sprintf("%g to %g", best.Min, best.Max)
	}
	return s + " at " + best.IC.String(), true
}
