package survey

import (
	"cmp"
	"math"
	"sort"
	"strings"

	"fettle/internal/build"
	"fettle/internal/device"
	"fettle/internal/parts"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// The prior of the hidden resistance: a lamp's maker takes a preferred value far more often than not, coarse series
// more often than fine ones, and takes it from a reel of ±5 %; anything else between leastHidden and mostHidden is
// possible. Common practice, no source. Parts of 1 % lie inside those bands, so that they cost width, not truth.
const (
	leastHidden = 10.0
	mostHidden  = 100e3
	anyValue    = 0.12 // share of values that are no preferred ones, or adjusted, or several in a row
	partSpread  = 0.05
	misread     = 0.03 // share of markings that are misread, or of a resistor that is not the only one
)

var seriesWeight = map[string]float64{"E3": 3, "E6": 3, "E12": 2, "E24": 1}

// A band is one preferred value with its tolerance, in the logarithm of the resistance.
type band struct {
	r       unit.Ohm
	series  string
	lo, hi  float64
	weight  float64 // of the prior
	density float64 // weight per unit of the logarithm
}

func newBand(r unit.Ohm, tol, weight float64) band {
	lo, hi := math.Log(float64(r)*(1-tol)), math.Log(float64(r)*(1+tol))
	return band{r: r, series: parts.SeriesOf(r), lo: lo, hi: hi, weight: weight, density: weight / (hi - lo)}
}

// A resistorPrior is a mixture: bands, and what is spread evenly over the logarithm.
type resistorPrior struct {
	bands  []band
	even   float64 // density of the even part
	lo, hi float64 // its ends
	// The normal law that stands for it in the first estimate.
	mean, sigma float64
}

var logLeast, logMost = math.Log(leastHidden), math.Log(mostHidden)

// unmarked is the prior where no marking was read.
func unmarked() *resistorPrior {
	p := &resistorPrior{even: anyValue / (logMost - logLeast), lo: logLeast, hi: logMost, mean: math.Log(1000), sigma: (logMost - logLeast) / math.Sqrt(12)}
	values := parts.Between(unit.Ohm(leastHidden), unit.Ohm(mostHidden), "E24")
	sum := 0.0
	for _, r := range values {
		sum += seriesWeight[parts.SeriesOf(r)]
	}
	for _, r := range values {
		p.bands = append(p.bands, newBand(r, partSpread, (1-anyValue)*seriesWeight[parts.SeriesOf(r)]/sum))
	}
	return p
}

// trusting is the prior where a marking is believed.
func trusting(m marked) *resistorPrior {
	return &resistorPrior{bands: []band{newBand(m.r, m.tol, 1)}, lo: logLeast, hi: logMost, mean: math.Log(float64(m.r)), sigma: m.tol / math.Sqrt(3)}
}

// density is per unit of the logarithm; into, if not nil, takes the share of every band.
func (p *resistorPrior) density(lnR float64, into func(band int, share float64)) float64 {
	total := 0.0
	if lnR >= p.lo && lnR <= p.hi {
		total = p.even
	}
	// Bands are in rising order and hardly wider than their distance.
	first := sort.Search(len(p.bands), func(i int) bool { return p.bands[i].hi >= lnR })
	last := first
	for last < len(p.bands) && p.bands[last].lo <= lnR {
		total += p.bands[last].density
		last++
	}
	if into != nil && total > 0 {
		for i := first; i < last; i++ {
			into(i, p.bands[i].density/total)
		}
	}
	return total
}

// draw turns a uniform number into a value of the prior.
func (p *resistorPrior) draw(u float64) float64 {
	even := p.even * (p.hi - p.lo)
	if u < even || len(p.bands) == 0 {
		return math.Min(p.lo+u/p.even, p.hi)
	}
	u -= even
	for _, b := range p.bands {
		if u < b.weight {
			return b.lo + u/b.density
		}
		u -= b.weight
	}
	return p.bands[len(p.bands)-1].hi
}

// Spreads of an LED's slope and series resistance around its class row: the emission coefficients of the class
// rows and of the examples that were read differ by about so much (parts data, "model_n", "model_rs_ohm"; from
// memory as those are).
const (
	slopeSpread = 0.12
	ohmSpread   = 0.5 // of the logarithm
	pivot       = unit.Amp(5e-3)
	// lawError is how far a real LED departs from V = n·Vt·ln(1 + i/IS) + i·RS at any one current, per junction, as a
	// standard deviation: the worst residuals of the catalogue's own fits over 2…20 mA are 2…20 mV with the slope
	// held (parts data, "model_fit_error_V"); with slope and resistance free a few millivolts are left, because
	// recombination and leakage at low current and heating at high current bend the curve.
	lawError = 4e-3
	// The laws of the other parts, as shares of the current: a filament's against lamp makers' exponents and tungsten's
	// table (2 % in resistance, some more at the ends); a limited board's flat part, which rises a little with the
	// voltage; a leak, which is no ideal resistance (common practice, no source).
	filamentError = 0.015
	limitError    = 0.01
	leakError     = 0.04
	// vfDeviations is how many standard deviations a class's minimum and maximum lie from its typical value.
	vfDeviations = 2.0
)

// A class is the prior of one junction.
type class struct {
	name          string
	row           parts.LED
	base          device.Diode
	vPivot        float64 // forward voltage at pivot
	sdLow, sdHigh float64 // V
}

var fitKelvin = unit.FitTemperature.Kelvin()

// newClass reads a class row.
func newClass(row parts.LED) (class, bool) {
	spread, err := device.SpreadLED(row)
	if err != nil || !unit.Known(row.VFtyp) {
		return class{}, false
	}
	c := class{name: row.Class, row: row, base: spread.At(make([]float64, len(spread.Vars())))}
	c.vPivot = float64(c.base.Voltage(pivot, fitKelvin))
	typ := float64(row.VFtyp)
	c.sdLow = math.Max((typ-float64(unit.Or(row.VFmin, row.VFtyp-0.2)))/vfDeviations, 0.05)
	c.sdHigh = math.Max((float64(unit.Or(row.VFmax, row.VFtyp+0.3))-typ)/vfDeviations, 0.05)
	return c, true
}

// newPart is the class of the one LED that the build file names, shrunk to what the drawer has measured of it. How steep its
// curve is stays as open as a class's: the law through two readings is not the LED's own.
func newPart(b *build.Build, l *build.Lamp) (class, bool) {
	row, ok := b.Catalogue.LED(l.Part.Text)
	if !ok {
		return class{}, false
	}
	row.Class = cmp.Or(row.Class, l.LEDs.Text)
	if like, ok := b.Catalogue.LEDClass(row.Class, ""); ok {
		row.IFmax, row.IFpeak, row.VRmax = unit.Or(row.IFmax, like.IFmax), unit.Or(row.IFpeak, like.IFpeak), unit.Or(row.VRmax, like.VRmax)
	}
	c, ok := newClass(row)
	if !ok {
		return c, false
	}
	m, ok := b.Drawer.Measured(l.Part.Text)
	if !ok || len(m.VF) == 0 {
		return c, true
	}
	q, err := device.MeasuredLED(row, m)
	if err != nil {
		return c, true
	}
	at := func(z float64) float64 { return float64(q.At([]float64{z, z}).Voltage(pivot, fitKelvin)) }
	c.base, c.vPivot = q.At(nil), at(0)
	c.sdLow, c.sdHigh = math.Max((c.vPivot-at(-1))/math.Sqrt(3), lawError), math.Max((at(1)-c.vPivot)/math.Sqrt(3), lawError)
	return c, true
}

// junction is the class's LED moved by standard normal coordinates.
func (c *class) junction(zShift, zSlope, zOhm float64) device.Diode {
	d := c.base
	shift := zShift * c.sdLow
	if zShift > 0 {
		shift = zShift * c.sdHigh
	}
	d.EG += unit.Volt(shift) // the slope over temperature stays
	d.N *= math.Exp(slopeSpread * zSlope)
	d.RS *= unit.Ohm(math.Exp(ohmSpread * zOhm))
	nVt := d.N * float64(fitKelvin.ThermalVoltage())
	u := c.vPivot + shift - float64(pivot.Times(d.RS))
	d.IS = unit.Amp(float64(pivot) / math.Expm1(u/nVt))
	return d
}

// A hypothesis is one discrete choice of what the lamp may be.
type hypothesis struct {
	structure wiring.Structure
	class     *class
	back      *class        // AntiParallelLamp: of the LEDs the other way round
	alike     bool          // back is the class of the others
	diode     *device.Diode // of a board
	filament  *filamentPrior
	s, p      int
	short     int     // LEDs of the row that the build file has beyond s: shorted ones
	above     float64 // of a limited board: current (A) up to which its limit was not met; 0: it was
	turned    bool    // anode at the switched side
	beside    bool    // strings side by side that the build does not say: looks like one string from outside
	trust     int     // index of the marking that is believed, −1: none
	resistor  *resistorPrior
	prior     float64
}

// further is the number of coordinates that a structure has beyond those of a plain lamp.
func (h *hypothesis) further() int {
	switch h.structure {
	case wiring.AntiParallelLamp, wiring.LimitedDiodeBoard, wiring.LimitedBridgeBoard:
		return 3
	case wiring.FilamentLamp:
		return 2
	case wiring.DiodeBoard, wiring.BridgeBoard, wiring.LeakingLamp:
		return 1
	}
	return 0
}

// idle reports whether the structure lacks what coordinate a of the LED moves.
func (h *hypothesis) idle(a int) bool {
	return a > uHidden && a < uFirst && (h.structure == wiring.FilamentLamp || h.structure == wiring.ShortedLamp)
}

// Priors of what the structures have beyond a plain lamp (common practice, no source). The middle and one standard
// deviation; logarithmic ones as factors.
const (
	leakMiddle, leakSpread   = 4e3, 1.25   // Ω; twice the spread holds 330 Ω … 50 kΩ: what leaks less does no harm
	limitMiddle, limitSpread = 5e-3, 0.8   // A; 1 … 25 mA
	ownMiddle, ownSpread     = 0.1e-3, 1.2 // A; micropower regulators to old ones of a milliampere
	dropMiddle, dropSpread   = 0.7, 0.35   // V over a regulator or a constant-current part that just holds
	limitStep                = 0.5         // how far beyond what was seen a limit not met lies, as a factor's logarithm
	boardDrop                = 0.6         // V over a diode of the board, for starts
	// A silicon diode of the board scatters little upwards; downwards a Schottky diode lies one and a half
	// deviations away.
	diodeLow, diodeHigh = 0.2, 0.05 // V
	// Cold resistance of a filament: lamps of 6 to 19 V and 15 to 100 mA.
	leastCold, mostCold = 4.0, 400.0 // Ω
	// Share of the lit power that is conducted away.
	shareMiddle, shareSpread = 0.2, 0.5
	fileSpread               = 0.1 // of a resistance that the build file says
)

// A filamentPrior is what is known of a filament's resistance at a voltage, over its cold one.
type filamentPrior struct{ at, ratio, spread float64 }

// anyFilament: hot over cold is 8 to 13 at the rated voltage (from memory), less below, and 12 V is below that of most.
var anyFilament = filamentPrior{at: 12, ratio: 9, spread: 0.25}

// lamp is the lamp at u: coordinates of a plain one, of the meters, and last of what the structure has besides.
func (h *hypothesis) lamp(u []float64) wiring.LampParams {
	p := wiring.LampParams{Structure: h.structure, Series: h.s, Parallel: h.p, Hidden: unit.Ohm(math.Exp(u[uHidden]))}
	x := u[len(u)-h.further():]
	switch h.structure {
	case wiring.FilamentLamp:
		p.Series, p.Parallel, p.Hidden = 1, 1, 0
		cold := math.Exp(u[uHidden])
		f := h.filament
		p.Filament = device.Filament{Cold: unit.Ohm(cold), LitV: unit.Volt(f.at), LitI: unit.Amp(f.at / (cold * f.ratio * math.Exp(f.spread*x[0]))),
			Conducted: math.Min(shareMiddle*math.Exp(shareSpread*x[1]), 0.8)}
		return p
	case wiring.ShortedLamp:
		return p
	case wiring.AntiParallelLamp:
		p.Back = h.back.junction(x[0], x[1], x[2])
	case wiring.LeakingLamp:
		p.Leak = unit.Ohm(leakMiddle * math.Exp(leakSpread*x[0]))
	case wiring.DiodeBoard, wiring.BridgeBoard:
		p.Diode = h.boardDiode(x[0])
	case wiring.LimitedDiodeBoard, wiring.LimitedBridgeBoard:
		if h.above > 0 { // what else its regulator does was not seen either
			p.Diode, p.Limit, p.Own, p.Dropout = h.boardDiode(x[0]), unit.Amp(h.limit(x[1])), 1e-6, 0.05
			break
		}
		p.Diode = h.boardDiode(0) // its drop and the regulator's are told by no reading apart
		p.Limit = unit.Amp(h.limit(x[0]))
		p.Own = unit.Amp(ownMiddle * math.Exp(ownSpread*x[1]))
		p.Dropout = unit.Volt(math.Max(dropMiddle+dropSpread*x[2], 0.05))
	}
	p.LED = h.class.junction(u[uShift], u[uSlope], u[uOhm])
	return p
}

// limit is a board's limit at its coordinate.
func (h *hypothesis) limit(z float64) float64 {
	if h.above > 0 {
		return h.above * math.Exp(limitStep*(0.1+math.Abs(z)))
	}
	return limitMiddle * math.Exp(limitSpread*z)
}

// boardDiode moves the board's diode by a standard normal coordinate.
func (h *hypothesis) boardDiode(z float64) device.Diode {
	d := *h.diode
	shift := z * diodeHigh
	if z < 0 {
		shift = z * diodeLow
	}
	d.IS *= unit.Amp(math.Exp(-shift / (d.N * float64(fitKelvin.ThermalVoltage()))))
	return d
}

// Priors of what is not said. Common practice, no source: a lamp of a small vehicle is nearly always one LED.
var (
	seriesPrior   = [...]float64{0.80, 0.13, 0.05, 0.02}
	parallelPrior = [...]float64{0.88, 0.12}
)

const (
	turnedPrior = 0.03
	openPrior   = 0.02
	mostOfBoard = 3    // LEDs in a row on a board or in a pair, where the build file does not say
	lostPrior   = 0.01 // one shorted LED of a row
)

// structureOdds are what a lamp may be before anything was read, by the kind that the build file says ("": none), as
// odds against the usual structure of that kind. Common practice, no source: most lamps of small vehicles are plain;
// pairs, boards and filaments are each met in some vehicles of every collection, faults in few. That the file says a
// kind leaves its faults open.
var structureOdds = map[string]map[wiring.Structure]float64{
	"": {wiring.PlainLamp: 1, wiring.AntiParallelLamp: 0.08, wiring.FilamentLamp: 0.06, wiring.DiodeBoard: 0.06, wiring.BridgeBoard: 0.06,
		wiring.LimitedDiodeBoard: 0.03, wiring.LimitedBridgeBoard: 0.04, wiring.LeakingLamp: 0.02, wiring.ShortedLamp: 0.01},
	build.KindLED:          {wiring.PlainLamp: 1, wiring.LeakingLamp: 0.02, wiring.ShortedLamp: 0.01},
	build.KindAntiparallel: {wiring.AntiParallelLamp: 1, wiring.PlainLamp: 0.05, wiring.ShortedLamp: 0.01}, // plain: one of the two is open
	build.KindFilament:     {wiring.FilamentLamp: 1},
	build.KindBoard: {wiring.DiodeBoard: 1, wiring.BridgeBoard: 1, wiring.LimitedDiodeBoard: 0.5, wiring.LimitedBridgeBoard: 0.7,
		wiring.ShortedLamp: 0.01},
}

// odds are the prior odds of every structure that the build file leaves open.
func (e *evidence) odds() map[wiring.Structure]float64 {
	if e.lamp.Kind.IsSet() {
		if o, ok := structureOdds[e.lamp.Kind.Text]; ok {
			return o
		}
	}
	return structureOdds[""]
}

// hypotheses lists what the lamp may be, plain ones first, of one structure the most probable beforehand first.
func (e *evidence) hypotheses(b *build.Build) []hypothesis {
	cat, usual := b.Catalogue, float64(b.Track.Usual.Or(unit.Volt(anyFilament.at)))
	var classes []*class // in question
	add := func(list []*class, word string) []*class {
		if row, ok := cat.LEDClass(word, ""); ok {
			if c, ok := newClass(row); ok {
				for _, k := range list {
					if k.base == c.base && k.sdLow == c.sdLow && k.sdHigh == c.sdHigh {
						k.name += " or " + c.name
						return list
					}
				}
				return append(list, &c)
			}
		}
		return list
	}
	var every []*class
	for _, name := range cat.LEDClasses() {
		every = add(every, name)
	}
	if w := strings.TrimSpace(e.lamp.LEDs.Text); w != "" {
		classes = add(classes, w)
	}
	if e.lamp.Part.IsSet() {
		if c, ok := newPart(b, e.lamp); ok {
			classes = []*class{&c}
		}
	}
	if len(classes) == 0 {
		classes = every
	}
	type trust struct {
		index int
		prior float64
		law   *resistorPrior
	}
	var trusts []trust
	left := 1.0
	for i, m := range e.marks {
		trusts = append(trusts, trust{i, (1 - misread) / float64(len(e.marks)), trusting(m)})
	}
	if len(trusts) > 0 {
		left = misread
	}
	trusts = append(trusts, trust{-1, left, unmarked()})

	var plain []hypothesis
	for _, c := range classes {
		for s := range seriesPrior {
			ps := seriesPrior[s]
			if e.lamp.Series > 0 {
				if s > 0 {
					break
				}
				ps = 1
			}
			for p := range parallelPrior {
				pp := parallelPrior[p]
				if e.lamp.Parallel > 0 {
					if p > 0 {
						break
					}
					pp = 1
				}
				for _, t := range trusts {
					h := hypothesis{class: c, s: max(e.lamp.Series, s+1), p: max(e.lamp.Parallel, p+1), beside: p > 0, trust: t.index, resistor: t.law,
						prior: ps * pp * t.prior / float64(len(classes))}
					plain = append(plain, h)
					if e.lamp.Series > 1 {
						h.s, h.short, h.prior = h.s-1, 1, h.prior*lostPrior
						plain = append(plain, h)
					}
				}
			}
		}
	}
	sort.SliceStable(plain, func(i, k int) bool { return plain[i].prior > plain[k].prior })

	var diode *device.Diode
	if part, ok := cat.Diode(boardPart); ok {
		if spread, err := device.SpreadDiode(part); err == nil {
			d := spread.At(make([]float64, len(spread.Vars())))
			d.RS = 0 // an ohm beside the resistor
			diode = &d
		}
	}
	var out []hypothesis
	odds := e.odds()
	for s := range wiring.Structure(wiring.Structures) {
		prior := odds[s]
		switch {
		case prior == 0 || s.Drops() > 0 && diode == nil:
			continue
		case s == wiring.FilamentLamp && e.lamp.LEDs.Text != "" && len(odds) > 1:
			continue // the build file says what LEDs there are
		case s == wiring.FilamentLamp:
			law, f := e.filament(usual)
			out = append(out, hypothesis{structure: s, class: classes[0], s: 1, p: 1, filament: f, trust: -1, resistor: law, prior: prior})
			continue
		case s == wiring.ShortedLamp:
			out = append(out, hypothesis{structure: s, class: classes[0], s: 1, p: 1, trust: -1, resistor: unmarked(), prior: prior})
			continue
		}
		for _, h := range plain {
			h.structure = s
			h.prior *= prior
			h.diode = diode
			switch {
			case s == wiring.PlainLamp:
				out = append(out, h)
			case h.short > 0 || h.s > mostOfBoard && e.lamp.Series == 0:
			case s == wiring.AntiParallelLamp:
				for _, c := range every {
					g := h
					g.back, g.alike = c, c.base == h.class.base
					g.prior /= float64(len(every))
					out = append(out, g)
				}
			default:
				out = append(out, h)
			}
		}
	}
	return out
}

// filament is what is known beforehand of a filament, lit at the usual voltage as the build file has it.
func (e *evidence) filament(usual float64) (*resistorPrior, *filamentPrior) {
	law, f := &resistorPrior{lo: math.Log(leastCold), hi: math.Log(mostCold)}, anyFilament
	if c := e.lamp.Cold; c.Known() && c.Value > 0 {
		law.lo, law.hi = math.Log(float64(c.Value))-2*fileSpread, math.Log(float64(c.Value))+2*fileSpread
		if h := e.lamp.Hot; h.Known() && h.Value > c.Value {
			f = filamentPrior{at: usual, ratio: float64(h.Value / c.Value), spread: fileSpread}
		}
	}
	law.mean, law.sigma, law.even = (law.lo+law.hi)/2, (law.hi-law.lo)/math.Sqrt(12), 1/(law.hi-law.lo)
	return law, &f
}

// boardPart is the diode that stands for a board's own.
const boardPart = "1N4148W"
