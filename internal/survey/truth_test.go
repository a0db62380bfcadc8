package survey

import (
	"fmt"
	"math"
	"math/rand/v2"

	"fettle/internal/build"
	"fettle/internal/parts"
	"fettle/internal/unit"
)

// A truth is a lamp as it really is, by another law than the one survey fits: two exponentials (radiative and
// non-radiative recombination), a leakage and a series resistance; solved by bisection, without the project's
// solver. Parameters scatter as a class does: forward voltage at 20 mA around the class row with the row's
// minimum and maximum at two deviations, cut there.
type truth struct {
	nominal, r float64 // Ω
	i1, n1     float64
	i2, n2     float64
	g, rs      float64
	s, p       float64 // junctions in series, rows side by side
}

const vt25 = 0.025692579121 // V, kT/q at 298.15 K

func (t *truth) junction(u float64) float64 {
	return t.i1*math.Expm1(u/(t.n1*vt25)) + t.i2*math.Expm1(u/(t.n2*vt25)) + t.g*u
}

// bisect finds the root of a rising f.
func bisect(lo, hi float64, f func(float64) float64) float64 {
	for i := 0; i < 200 && hi-lo > 1e-12*math.Abs(hi); i++ {
		mid := (lo + hi) / 2
		if f(mid) > 0 {
			hi = mid
		} else {
			lo = mid
		}
	}
	return (lo + hi) / 2
}

// led is the voltage across the whole group that carries i.
func (t *truth) led(i float64) float64 {
	i /= t.p
	return t.s * (bisect(-1, 6, func(u float64) float64 { return t.junction(u) - i }) + i*t.rs)
}

// current through the lamp behind a further resistance, at v volts.
func (t *truth) current(v, extra float64) float64 {
	if v <= 0 {
		return 0
	}
	return bisect(0, v/(t.r+extra), func(i float64) float64 { return i*(t.r+extra) + t.led(i) - v })
}

// newLED draws an LED of the class.
func newLED(rng *rand.Rand, row parts.LED) truth {
	cut := func(sd, most float64) float64 {
		for {
			if x := rng.NormFloat64(); math.Abs(x) <= most {
				return x * sd
			}
		}
	}
	typ := float64(row.VFtyp)
	v20 := cut(1, 2)
	if v20 > 0 {
		v20 *= (float64(row.VFmax) - typ) / 2
	} else {
		v20 *= (typ - float64(row.VFmin)) / 2
	}
	v20 += typ
	t := truth{s: 1, p: 1}
	scale := row.ModelN / 2.35 * math.Exp(cut(0.08, 2))
	t.n1, t.n2 = scale*(1.8+0.5*rng.Float64()), scale*(2.7+0.8*rng.Float64())
	t.rs = float64(row.ModelRS) * math.Exp(cut(0.5, 2))
	share := 0.05 + 0.3*rng.Float64() // of the second exponential, at 5 mA
	t.g = 1e-8 * math.Exp(2*rng.NormFloat64())
	t.i1 = 5e-3 * (1 - share) * math.Exp(-2.7/(t.n1*vt25))
	t.i2 = 5e-3 * share * math.Exp(-2.7/(t.n2*vt25))
	// Shift both so that 20 mA take v20.
	d := bisect(-2, 2, func(d float64) float64 {
		u := v20 - 0.02*t.rs
		i := t.i1*math.Exp((u+d)/(t.n1*vt25)) + t.i2*math.Exp((u+d)/(t.n2*vt25))
		return i - 0.02
	})
	t.i1 *= math.Exp(d / (t.n1 * vt25))
	t.i2 *= math.Exp(d / (t.n2 * vt25))
	return t
}

// A reader is a meter as it really is.
type reader struct {
	gainV, gainI float64
	rng          *rand.Rand
}

const (
	testGainV  = 0.005
	testGainI  = 0.012
	testDigits = 2.0
	testBurden = 10.0
	testStepV  = 0.01
	testStepI  = 10e-6
)

// testMeter is the stated meter of the recovery tests: a 3½-digit hand meter, ±(0.5 % + 2) on 20 V and ±(1.2 % + 2)
// on 20 mA with 10 Ω burden, both bounds uniform.
func testMeter() build.Meter {
	q := func(x float64) build.Quantity[float64] { return build.Given(x) }
	return build.Meter{Name: build.Words("stated"), Ranges: []build.MeterRange{
		{Measures: build.Words(build.MeasuresCurrent), Full: q(19.99e-3), Resolution: q(testStepI), Gain: build.Given(unit.Ratio(testGainI)), Digits: q(testDigits), Burden: build.Given(unit.Ohm(testBurden))},
		{Measures: build.Words(build.MeasuresVoltage), Full: q(19.99), Resolution: q(testStepV), Gain: build.Given(unit.Ratio(testGainV)), Digits: q(testDigits), Input: build.Given(unit.Ohm(1e6))},
		{Measures: build.Words(build.MeasuresResistance), Full: q(1999), Resolution: q(1), Gain: build.Given(unit.Ratio(0.008)), Digits: q(2)},
	}}
}

func newReader(rng *rand.Rand) *reader {
	even := func(b float64) float64 { return b * (2*rng.Float64() - 1) }
	return &reader{gainV: even(testGainV), gainI: even(testGainI), rng: rng}
}

func (m *reader) show(x, gain, step float64) float64 {
	return math.Round((x*(1+gain)+testDigits*step*(2*m.rng.Float64()-1))/step) * step
}

func (m *reader) volt(x float64) float64 { return m.show(x, m.gainV, testStepV) }
func (m *reader) amp(x float64) float64  { return math.Max(0, m.show(x, m.gainI, testStepI)) }

func volts(x float64) build.Quantity[unit.Volt] {
	return build.Quantity[unit.Volt]{Value: unit.Volt(x), Text: fmt.Sprintf("%.2f V", x)}
}

func milliamps(x float64) build.Quantity[unit.Amp] {
	return build.Quantity[unit.Amp]{Value: unit.Amp(x), Text: fmt.Sprintf("%.2f mA", x*1e3)}
}

// reading takes a current on smooth DC.
func (m *reader) reading(t *truth, id string, v float64) build.Reading {
	return build.Reading{ID: id, Supply: build.SmoothDC, Track: volts(m.volt(v)), Current: milliamps(m.amp(t.current(v, testBurden))), Meter: build.Words("stated")}
}

// oneLamp is a build with one lamp and the stated meter.
func oneLamp(colour string, rs ...build.Reading) *build.Build {
	l := build.Lamp{Name: build.Words("front"), Feed: build.Words(build.LeftRail), LEDs: build.Words(colour), Readings: rs}
	return &build.Build{File: "test.fettle", Catalogue: parts.Load(), Meters: []build.Meter{testMeter()},
		Vehicles: []build.Vehicle{{Name: build.Words("test wagon"), Lamps: []build.Lamp{l}}}}
}

// vehicle draws a lamp with a resistor of ±5 % and readings at n voltages that span at least 2 : 1.
func vehicle(rng *rand.Rand, n int) (*build.Build, truth) { return vehicleOf(rng, n, 0.05) }

func vehicleOf(rng *rand.Rand, n int, tolerance float64) (*build.Build, truth) {
	colours := []string{"white", "red"}
	colour := colours[rng.IntN(len(colours))]
	row, _ := parts.Load().LEDClass(colour, "")
	t := newLED(rng, row)
	values := parts.Between(unit.Ohm(330), unit.Ohm(4700), "E24")
	t.nominal = float64(values[rng.IntN(len(values))])
	t.r = t.nominal * (1 + tolerance*(2*rng.Float64()-1))
	high := math.Min(14, float64(row.VFtyp)+0.017*t.r)
	low := high * (0.40 + 0.10*rng.Float64())
	m := newReader(rng)
	var rs []build.Reading
	for i := 0; i < n; i++ {
		v := low + (high-low)*float64(i)/float64(n-1)
		rs = append(rs, m.reading(&t, fmt.Sprintf("front %d", i+1), v))
	}
	b := oneLamp(colour, rs...)
	b.Vehicles[0].Lamps[0].Kind = build.Words(build.KindLED) // what else it may be is the planted vehicles' matter
	return b, t
}
