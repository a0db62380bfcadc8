package survey

import (
	"math"
	"sort"
	"strings"

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
	bands []band
	even  float64 // density of the even part
}

var logLeast, logMost = math.Log(leastHidden), math.Log(mostHidden)

// unmarked is the prior where no marking was read.
func unmarked() *resistorPrior {
	p := &resistorPrior{even: anyValue / (logMost - logLeast)}
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
	return &resistorPrior{bands: []band{newBand(m.r, m.tol, 1)}}
}

// density is per unit of the logarithm; into, if not nil, takes the share of every band.
func (p *resistorPrior) density(lnR float64, into func(band int, share float64)) float64 {
	total := 0.0
	if lnR >= logLeast && lnR <= logMost {
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
	even := p.even * (logMost - logLeast)
	if u < even {
		return logLeast + u/p.even
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

// shorted is an LED that is none any more: some milliohms.
var shorted = device.Diode{IS: 1, N: 1, RS: 1e-2, T0: fitKelvin}

// A hypothesis is one discrete choice of what the lamp may be.
type hypothesis struct {
	class    *class
	s, p     int
	turned   bool // anode at the switched side
	short    bool // LED shorted
	beside   bool // strings side by side that the build does not say: looks like one string from outside
	trust    int  // index of the marking that is believed, −1: none
	resistor *resistorPrior
	prior    float64
}

func (h *hypothesis) lamp(u []float64) wiring.LampParams {
	p := wiring.LampParams{Series: h.s, Parallel: h.p, Hidden: unit.Ohm(math.Exp(u[0]))}
	if h.short {
		p.LED = shorted
		return p
	}
	p.LED = h.class.junction(u[1], u[2], u[3])
	return p
}

// Priors of what is not said. Common practice, no source: a lamp of a small vehicle is nearly always one LED.
var (
	seriesPrior   = [...]float64{0.80, 0.13, 0.05, 0.02}
	parallelPrior = [...]float64{0.88, 0.12}
)

const (
	turnedPrior = 0.03
	shortPrior  = 0.01
	openPrior   = 0.02
)

// hypotheses lists what the lamp may be, most probable beforehand first.
func (e *evidence) hypotheses(cat *parts.Catalogue) []hypothesis {
	var classes []*class
	add := func(word string) {
		if row, ok := cat.LEDClass(word, ""); ok {
			if c, ok := newClass(row); ok {
				for _, k := range classes {
					if k.base == c.base && k.sdLow == c.sdLow && k.sdHigh == c.sdHigh {
						k.name += " or " + c.name
						return
					}
				}
				classes = append(classes, &c)
			}
		}
	}
	if w := strings.TrimSpace(e.lamp.LEDs.Text); w != "" {
		add(w)
	}
	if len(classes) == 0 {
		for _, name := range cat.LEDClasses() {
			add(name)
		}
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

	var out []hypothesis
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
					out = append(out, hypothesis{class: c, s: max(e.lamp.Series, s+1), p: max(e.lamp.Parallel, p+1), beside: p > 0, trust: t.index, resistor: t.law,
						prior: ps * pp * t.prior / float64(len(classes))})
				}
			}
		}
	}
	sort.SliceStable(out, func(i, k int) bool { return out[i].prior > out[k].prior })
	return out
}
