package survey

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"strings"
	"testing"

	"fettle/internal/build"
	"fettle/internal/parts"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// A planted lamp is a lamp of any structure as it really is, by laws that survey does not fit: LEDs of two exponentials
// with a leakage (truth), board diodes of two exponentials, a filament that radiates by T⁴ with a conductance of its
// own, a limit that rises with the voltage and has a soft knee, a leak that is no ideal resistance. Solved by bisection,
// without the project's solver.
type planted struct {
	structure wiring.Structure
	led, back truth // led.r is the hidden resistance of all
	diode     truth
	limit     float64 // A
	rise      float64 // of the limit, per volt
	knee      float64 // sharpness
	own       float64 // A, what the regulator draws
	dropout   float64 // V
	leak      float64 // A at 1 V
	bend      float64 // exponent of the leak
	cold      float64 // Ω
	radiated  float64 // W/K⁴
	conducted float64 // W/K
	colour    string
}

// board is the number of diodes before the rest.
func (p *planted) board() float64 {
	switch p.structure {
	case wiring.DiodeBoard, wiring.LimitedDiodeBoard:
		return 1
	case wiring.BridgeBoard, wiring.LimitedBridgeBoard:
		return 2
	}
	return 0
}

// limited is what the board lets through at i wanted and v over it.
func (p *planted) limited(i, v float64) float64 {
	most := p.limit * (1 + p.rise*v)
	if i <= 0 {
		return 0
	}
	return math.Pow(math.Pow(i, -p.knee)+math.Pow(most, -p.knee), -1/p.knee)
}

// forth is the current at v ≥ 0 behind a further resistance, in the lamp's own direction, and the drop over its LEDs.
func (p *planted) forth(v, extra float64, led *truth) (i, drop float64) {
	switch p.structure {
	case wiring.OpenLamp:
		return 0, v
	case wiring.ShortedLamp:
		return v / (p.led.r + extra), 0
	case wiring.FilamentLamp:
		// By temperature: the higher, the more voltage.
		at := func(t float64) (v, i float64) {
			r := p.cold * math.Pow(t/298.15, 1.2)
			w := p.radiated*(math.Pow(t, 4)-math.Pow(298.15, 4)) + p.conducted*(t-298.15)
			i = math.Sqrt(w / r)
			return i * (r + extra), i
		}
		t := bisect(298.15+1e-9, 3600, func(t float64) float64 { x, _ := at(t); return x - v })
		_, i = at(t)
		return i, v - i*extra
	}
	over := func(i float64) float64 { // voltage of all but the limit, i through the LEDs
		u := i*(p.led.r+extra) + led.led(i)
		if n := p.board(); n > 0 {
			u += n * p.diode.led(i)
		}
		return u
	}
	switch p.structure {
	case wiring.LeakingLamp:
		// By the voltage over the LEDs.
		u := bisect(0, v, func(u float64) float64 {
			return u + (p.led.r+extra)*(led.through(u)+p.leak*math.Pow(u, p.bend)) - v
		})
		return (v - u) / (p.led.r + extra), u
	case wiring.LimitedDiodeBoard, wiring.LimitedBridgeBoard:
		want := bisect(0, v/(p.led.r+extra), func(i float64) float64 { return over(i) + p.dropout - v })
		if v < p.dropout {
			want = 0
		}
		i = p.limited(want, v)
		own := p.own * (1 - math.Exp(-math.Max(v-p.board()*0.5, 0)/0.3)) * (1 + 0.02*v)
		return i + own, led.led(i)
	}
	i = bisect(0, v/(p.led.r+extra), func(i float64) float64 { return over(i) - v })
	return i, led.led(i)
}

// through is the current of the LED group at u.
func (t *truth) through(u float64) float64 {
	return bisect(0, 1, func(i float64) float64 { return t.led(i) - u })
}

// current at any v, with the sign of v, behind a further resistance; and the drop's magnitude.
func (p *planted) current(v, extra float64) (i, drop float64) {
	if v >= 0 {
		return p.forth(v, extra, &p.led)
	}
	switch p.structure {
	case wiring.AntiParallelLamp:
		i, drop = p.forth(-v, extra, &p.back)
	case wiring.FilamentLamp, wiring.BridgeBoard, wiring.LimitedBridgeBoard, wiring.ShortedLamp:
		i, drop = p.forth(-v, extra, &p.led)
	case wiring.LeakingLamp:
		u := bisect(0, -v, func(u float64) float64 { return u + (p.led.r+extra)*p.leak*math.Pow(u, p.bend) + v })
		i, drop = (-v-u)/(p.led.r+extra), u
	default:
		return 0, -v
	}
	return -i, drop
}

// newPlanted draws a lamp: every structure as often as any other, values over what a vehicle may hold.
func newPlanted(rng *rand.Rand, s wiring.Structure) *planted {
	log := func(lo, hi float64) float64 { return lo * math.Pow(hi/lo, rng.Float64()) }
	even := func(lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
	colours := []string{"white", "warm white", "red", "yellow", "green"}
	p := &planted{structure: s, colour: colours[rng.IntN(len(colours))]}
	class := func(word string) parts.LED {
		row, ok := parts.Load().LEDClass(word, "")
		if !ok {
			panic(word)
		}
		return row
	}
	p.led = newLED(rng, class(p.colour))
	p.back = newLED(rng, class(colours[rng.IntN(len(colours))]))
	values := parts.Between(unit.Ohm(220), unit.Ohm(3300), "E12")
	p.led.nominal = float64(values[rng.IntN(len(values))])
	p.led.r = p.led.nominal * (1 + 0.05*(2*rng.Float64()-1))
	if rng.IntN(6) == 0 && p.led.r < 1000 {
		p.led.s = 2
		p.back.s = 2
	}
	// Silicon: 0.60 ± 0.05 V at 1 mA, diffusion and recombination; a Schottky diode in one of eight boards.
	u := 0.60 + 0.04*rng.NormFloat64()
	p.diode = truth{s: 1, p: 1, n1: 1, n2: 2, i1: 0.6e-3 / math.Expm1(u/vt25), i2: 0.4e-3 / math.Expm1(u/(2*vt25)), rs: log(0.5, 5)}
	if rng.IntN(8) == 0 {
		u = 0.30 + 0.03*rng.NormFloat64()
		p.diode.i1, p.diode.i2 = 1e-3/math.Expm1(u/vt25), 1e-12
	}
	p.limit, p.rise, p.knee = log(1.5e-3, 12e-3), even(0, 0.004), even(8, 20)
	p.own, p.dropout = log(10e-6, 800e-6), even(0.2, 1.2)
	if s == wiring.LimitedDiodeBoard || s == wiring.LimitedBridgeBoard {
		p.led.r = log(20, 400) // the limit decides, not the resistor
	}
	p.leak, p.bend = 1/log(500, 30e3), even(0.9, 1.3)
	// 12 to 16 V, 20 to 90 mA, hot over cold 8 to 12; a tenth to a third conducted away.
	rated, hot := even(12, 16), even(8, 12)
	lit := rated * log(20e-3, 90e-3)
	p.cold = rated * rated / lit / hot
	t := 298.15 * math.Pow(hot, 1/1.2)
	share := even(0.1, 0.33)
	p.radiated, p.conducted = (1-share)*lit/(math.Pow(t, 4)-math.Pow(298.15, 4)), share*lit/(t-298.15)
	return p
}

// plantedMeter is the stated meter with a further range, as lamps with filaments need.
func plantedMeter() build.Meter {
	m := testMeter()
	wide := m.Ranges[0]
	wide.Full, wide.Resolution, wide.Burden = build.Given(199.9e-3), build.Given(0.1e-3), build.Given(unit.Ohm(1))
	m.Ranges = append(m.Ranges, wide)
	return m
}

// take is a reading at v (negative: turned round) by a meter with errors of its own.
func (p *planted) take(m *reader, gainWide float64, id string, v float64, drop, look bool) build.Reading {
	r := build.Reading{ID: id, Supply: build.SmoothDC, Reversed: v < 0, Track: volts(m.volt(math.Abs(v))), Meter: build.Words("stated")}
	i, _ := p.current(v, testBurden)
	if drop {
		_, u := p.current(v, 0)
		r.Drop = volts(m.volt(u))
		return r
	}
	if math.Abs(i) < 19.5e-3 {
		r.Current = milliamps(m.amp(math.Abs(i)))
	} else {
		i, _ = p.current(v, 1)
		r.Current = build.Quantity[unit.Amp]{Value: unit.Amp(m.show(math.Abs(i), gainWide, 0.1e-3))}
		r.Current.Text = fmt.Sprintf("%.1f mA", 1e3*float64(r.Current.Value))
	}
	if look {
		r.Looked = build.Words(p.looks(v))
	}
	return r
}

// looks is what is seen at v.
func (p *planted) looks(v float64) string {
	i, u := p.current(v, testBurden)
	i = math.Abs(i)
	switch p.structure {
	case wiring.OpenLamp, wiring.ShortedLamp:
		return build.LookedDark
	case wiring.FilamentLamp:
		if t := 298.15 * math.Pow(u/i/p.cold, 1/1.2); t < 950 {
			return build.LookedDark
		}
		return build.LookedGood
	case wiring.LeakingLamp:
		if v < 0 {
			return build.LookedDark
		}
		i -= p.leak * math.Pow(u, p.bend)
	case wiring.LimitedDiodeBoard, wiring.LimitedBridgeBoard:
		i -= p.own
	}
	if i < 50e-6 {
		return build.LookedDark
	}
	return build.LookedGood
}

// plant is a build with one planted lamp and two to five readings of the sort that a user takes: rising voltages of a
// bench supply as long as the current stays small, half of the times one with the supply turned round, now and then one
// at a low voltage or across the LED itself; half of them with a look. Three of four users say the colour that they see,
// one of six what kind of lamp it is.
func plant(rng *rand.Rand, s wiring.Structure) (*build.Build, *planted) {
	p := newPlanted(rng, s)
	m := newReader(rng)
	gainWide := testGainI * (2*rng.Float64() - 1)
	ladder := []float64{3, 4, 5, 6, 8, 9, 10, 12, 14, 16}
	var fit []float64
	for _, v := range ladder {
		most := 18e-3
		if s == wiring.FilamentLamp {
			most = 0.15
		}
		if i, _ := p.current(v, testBurden); i < most {
			fit = append(fit, v)
		}
	}
	if len(fit) < 2 {
		fit = ladder[:2]
	}
	n := 2 + rng.IntN(4)
	reversed, low, across := rng.IntN(2) == 0, rng.IntN(6) == 0, rng.IntN(6) == 0 && s != wiring.OpenLamp && s != wiring.ShortedLamp
	var vs []float64
	plain := n
	for _, b := range []bool{reversed, low, across} {
		if b && plain > 1 {
			plain--
		}
	}
	for _, k := range rng.Perm(len(fit)) {
		if len(vs) < plain {
			vs = append(vs, fit[k])
		}
	}
	sort.Float64s(vs)
	look := rng.IntN(2) == 0
	var rs []build.Reading
	id := func() string { return fmt.Sprintf("front %d", len(rs)+1) }
	for _, v := range vs {
		rs = append(rs, p.take(m, gainWide, id(), v, false, look))
	}
	if reversed && len(rs) < n {
		rs = append(rs, p.take(m, gainWide, id(), -vs[rng.IntN(len(vs))], false, look))
	}
	if low && len(rs) < n {
		rs = append(rs, p.take(m, gainWide, id(), 1.2, false, look))
	}
	if across && len(rs) < n {
		rs = append(rs, p.take(m, gainWide, id(), vs[len(vs)-1], true, false))
	}
	colour := p.colour
	if s == wiring.FilamentLamp || rng.IntN(4) == 0 {
		colour = ""
	}
	b := oneLamp(colour, rs...)
	b.Meters = []build.Meter{plantedMeter()}
	if rng.IntN(6) == 0 {
		l := &b.Vehicles[0].Lamps[0]
		switch s {
		case wiring.PlainLamp, wiring.LeakingLamp:
			l.Kind = build.Words(build.KindLED)
		case wiring.AntiParallelLamp:
			l.Kind = build.Words(build.KindAntiparallel)
		case wiring.FilamentLamp:
			l.Kind = build.Words(build.KindFilament)
		case wiring.DiodeBoard, wiring.BridgeBoard, wiring.LimitedDiodeBoard, wiring.LimitedBridgeBoard:
			l.Kind = build.Words(build.KindBoard)
		}
	}
	return b, p
}

// Five hundred planted vehicles, every structure as often as any other (survey's prior says otherwise: it is not tuned to
// them): survey must name the right structure, or say that it cannot tell and have the right one among those left open,
// in at least 95 %; and be wrong and sure in less than 1 %.
func TestTellsStructuresApart(t *testing.T) {
	n := count(500, 100)
	type result struct {
		truth, lead wiring.Structure
		sure, among bool
		say         string
	}
	rs := each(n, func(i int, rng *rand.Rand) result {
		s := wiring.Structure(i % wiring.Structures)
		b, p := plant(rng, s)
		o, err := compareOne(context.Background(), b)
		if err != nil {
			return result{say: err.Error()}
		}
		r := result{truth: s, lead: o.lead}
		open := o.rivals()
		r.sure = len(open) == 0
		r.among = o.lead == s
		var also []string
		for _, v := range open {
			r.among = r.among || v.structure == s
			also = append(also, fmt.Sprintf("%s %.3f", v.structure, v.probability))
		}
		if !r.among {
			r.say = fmt.Sprintf("%d: %s (%s, R %.0f) taken for %s; open: %s", i, s, p.colour, p.led.r, o.lead, strings.Join(also, ", "))
			for _, x := range b.Vehicles[0].Lamps[0].Readings {
				r.say += fmt.Sprintf("\n      %v %s: %s %s %s", x.Reversed, x.Track.Text, x.Current.Text, x.Drop.Text, x.Looked.Text)
			}
		}
		return r
	})
	var table [wiring.Structures][wiring.Structures + 1]int
	var told, right, wrongSure, wrong int
	for _, r := range rs {
		k := int(r.lead)
		if !r.sure {
			k = wiring.Structures
		}
		table[r.truth][k]++
		switch {
		case r.among && r.sure:
			told++
			right++
		case r.among:
			right++
		case r.sure:
			wrongSure++
		default:
			wrong++
		}
		if r.say != "" {
			t.Log(r.say)
		}
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%-82s", "truth")
	for s := range wiring.Structures {
		fmt.Fprintf(&b, "%4d", s)
	}
	b.WriteString("  cannot tell\n")
	for s := range wiring.Structures {
		fmt.Fprintf(&b, "%2d %-79s", s, wiring.Structure(s))
		for k := range wiring.Structures {
			fmt.Fprintf(&b, "%4d", table[s][k])
		}
		fmt.Fprintf(&b, "%8d\n", table[s][wiring.Structures])
	}
	share := func(k int) float64 { return 100 * float64(k) / float64(n) }
	t.Logf("of %d: right or honestly open %.1f %% (told %.1f %%), wrong and sure %.1f %%, right one not among those open %.1f %%\n%s", n, share(right), share(told), share(wrongSure), share(wrong), &b)
	if float64(right) < 0.95*float64(n) {
		t.Errorf("right or honestly open in %.1f %%, want 95 %%", share(right))
	}
	if float64(wrongSure) >= 0.01*float64(n) && (!testing.Short() || wrongSure > 3) {
		t.Errorf("wrong and sure in %.1f %%, want less than 1 %%", share(wrongSure))
	}
}
