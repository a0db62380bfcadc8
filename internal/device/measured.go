package device

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"fettle/internal/meter"
	"fettle/internal/parts"
	"fettle/internal/unit"
)

// A Spread is a part as its sheet or a measurement bounds it: independent variables z between −1 and +1, the part at
// z, and what was assumed.
type Spread[D any] interface {
	Vars() []Vary
	At(z []float64) D
	Notes() []string
}

// A Measured is a part's spread shrunk to what its owner measured on it. What was measured lies within the meter's
// error of the reading, and nowhere outside the sheet's limits, unless reading and sheet contradict each other: then
// the reading is believed, and Against says so. Everything else is as the sheet has it.
type Measured[D any] struct {
	Against []string // readings that the sheet does not allow: another part, a fake, swapped leads

	vars  []Vary
	at    func(z []float64) D
	notes []string
}

// Vars are the variables, in the order of At's argument.
func (m *Measured[D]) Vars() []Vary { return m.vars }

// At is the part at z; missing entries are 0.
func (m *Measured[D]) At(z []float64) D { return m.at(z) }

// Notes are what contradicts the sheet, what was measured, and the assumptions of the sheet's spread that stand.
func (m *Measured[D]) Notes() []string { return m.notes }

// asSheet is a spread of which nothing was measured.
func asSheet[D any](s Spread[D]) *Measured[D] {
	return &Measured[D]{vars: s.Vars(), at: s.At, notes: s.Notes()}
}

// Errors of what a user reads. A diode test's current is stated nowhere; a gain socket's neither.
const (
	testerSpread = 1.6  // the diode test's current is within this factor of parts.TesterCurrent (0.5 to 1.5 mA, from memory)
	gainError    = 0.05 // of a gain computed from two currents, each within 2 % (common practice, from memory)
	socketError  = 0.10 // of a gain socket's reading (from memory: seldom specified)
	socketSpread = 3.0  // a socket's collector current is within this factor of gain times parts.TesterBase
)

// interval is where the truth of a voltage reading lies: an ordinary hand meter's error.
func interval(v unit.Volt, f meter.Function) (low, high float64) {
	r, ok := meter.Cheap().Range(f, float64(v))
	if !ok {
		return 0.99 * float64(v), 1.01 * float64(v)
	}
	return r.Interval(float64(v))
}

// testCurrents are the ends of what may have flowed at a reading.
func testCurrents(t parts.Taken) (low, high unit.Amp) {
	if unit.Known(t.I) {
		return t.I, t.I
	}
	return parts.TesterCurrent / testerSpread, parts.TesterCurrent * testerSpread
}

// bounds are where the truth of a reading lies, by the meter's function that took it.
func bounds(t parts.Taken) (low, high float64) {
	if t.Within > 0 {
		return float64(t.V - t.Within), float64(t.V + t.Within)
	}
	if unit.Known(t.I) {
		return interval(t.V, meter.DCVoltage)
	}
	return interval(t.V, meter.DiodeTest)
}

// MeasuredBJT is a transistor's spread (SpreadBJT) shrunk to a measured gain and a base-emitter reading of the diode
// test. The gain's curve over the current keeps the sheet's shape; a base-collector reading is only compared with
// the base-emitter one, for what it tells of the reverse gain is less than its error.
func MeasuredBJT(p parts.BJT, m parts.Measured) (*Measured[BJT], error) {
	sheet, err := SpreadBJT(p)
	if err != nil {
		return nil, err
	}
	s := *sheet
	out := &Measured[BJT]{at: s.At}
	var said notes
	gain := m.HFE > 0
	if gain {
		out.Against = append(out.Against, s.believeGain(m, p.Name)...)
		said.add("measured by you: hFE %g%s, taken as ±%.0f %%; at other currents it follows the curve of the sheet", m.HFE, atCurrent(m.HFEat), 100*(gainErrorOf(m)))
	}
	junction := len(m.BE) > 0
	if junction {
		t := m.BE[0]
		out.Against = append(out.Against, s.believeVBE(t, p.Name)...)
		said.add("measured by you: base-emitter %v", t)
	}
	if junction && len(m.BC) > 0 && unit.Known(m.BE[0].I) == unit.Known(m.BC[0].I) && m.BE[0].V < m.BC[0].V-5e-3 {
		out.Against = append(out.Against, fmt.Sprintf("%s: base-emitter %v reads less than base-collector %v: collector and emitter swapped?", p.Name, m.BE[0].V, m.BC[0].V))
	}
	out.vars = s.Vars()
	if gain {
		out.vars[0] = measuredVary(out.vars[0])
	}
	if junction {
		out.vars[1] = measuredVary(out.vars[1])
	}
	out.notes = append(append(append([]string(nil), out.Against...), said...), sheet.notes...)
	return out, nil
}

func atCurrent(i unit.Amp) string {
	if unit.Known(i) && i > 0 {
		return " at " + i.String()
	}
	return " in the meter's gain socket"
}

func gainErrorOf(m parts.Measured) float64 {
	if unit.Known(m.HFEerror) && m.HFEerror > 0 {
		return float64(m.HFEerror)
	}
	if unit.Known(m.HFEat) && m.HFEat > 0 {
		return gainError
	}
	return socketError
}

// measuredVary is a variable whose box is a meter's error: anything inside is equally likely.
func measuredVary(v Vary) Vary {
	say := v.Say
	return Vary{Name: v.Name, Law: Uniform, Say: func(z float64) string { return say(z) + ", measured by you" }}
}

// believeGain moves the limits of the gain to the measured one. The gain at every current goes with 1/scale, so
// that the limits are found by proportion.
func (s *BJTSpread) believeGain(m parts.Measured, name string) (against []string) {
	e := gainErrorOf(m)
	vce := unit.Or(m.HFEvce, 3)
	if m.HFEvce <= 0 {
		vce = 3
	}
	currents := []unit.Amp{m.HFEat}
	if !unit.Known(m.HFEat) || m.HFEat <= 0 {
		ic := unit.Amp(m.HFE) * parts.TesterBase
		currents = []unit.Amp{ic / socketSpread, ic, ic * socketSpread}
	}
	at := func(z float64, ic unit.Amp) float64 {
		h, _, ok := s.At([]float64{z}).Active(ic, vce, tableTemperature)
		if !ok {
			return math.NaN()
		}
		return h
	}
	// The sheet's limits as shares of its least gain, and the measured interval in the same terms: the widest over the
	// currents that may have flowed.
	low, high := math.Inf(1), math.Inf(-1)
	least, most := math.Inf(1), math.Inf(-1)
	for _, ic := range currents {
		h := at(-1, ic)
		if !finite(h) {
			continue
		}
		low, high = min(low, m.HFE*(1-e)/h), max(high, m.HFE*(1+e)/h)
		least, most = min(least, h), max(most, at(1, ic))
	}
	if !finite(low) {
		return []string{fmt.Sprintf("%s: the measured hFE %g%s cannot be compared with the sheet: there the model carries no such current", name, m.HFE, atCurrent(m.HFEat))}
	}
	top := 1 / s.scaleM
	switch {
	case high < 1:
		why := "another gain group, or another part"
		if high < 0.15 {
			why = "collector and emitter swapped, or a fake"
		}
		against = append(against, fmt.Sprintf("%s: measured hFE %g%s, where the sheet has at least %.3g: %s; the measurement is believed", name, m.HFE, atCurrent(m.HFEat), least, why))
	case low > top:
		against = append(against, fmt.Sprintf("%s: measured hFE %g%s, where the sheet has at most %.3g: another gain group, a Darlington, or another part; the measurement is believed",
			name, m.HFE, atCurrent(m.HFEat), most))
	default:
		low, high = max(low, 1), min(high, top)
	}
	// New limits, with the typical in the middle by ratio.
	s.a /= low
	s.c /= low
	s.scaleM = low / high
	s.scaleT = math.Sqrt(s.scaleM)
	s.gainIC, s.gainVCE = currents[len(currents)/2], vce
	return against
}

// believeVBE moves the limits of the junction voltage to a base-emitter reading with the collector open.
func (s *BJTSpread) believeVBE(t parts.Taken, name string) (against []string) {
	lowV, highV := bounds(t)
	lowI, highI := testCurrents(t)
	vt := float64(tableTemperature.ThermalVoltage())
	// A junction of lower voltage and more current reads the same; what gain and reverse gain do to the reading
	// widens the interval as well. Above the typical VBE the sheet's base resistance grows along with it.
	shiftFor := func(v float64, i unit.Amp, pick func(a, b float64) float64, start float64) float64 {
		out, more := start, (s.rbHigh-s.rbT)*float64(i)
		for _, h := range []float64{-1, 1} {
			for _, sat := range []float64{-1, 0, 1} {
				_, r, ok := s.At([]float64{h, 0, sat}).OpenCollector(i, tableTemperature)
				if !ok {
					continue
				}
				x := v - float64(r)
				if x > 0 {
					x = max(x-more, x/(1+more/s.vbeHigh))
				}
				out = pick(out, x)
			}
		}
		return out
	}
	low := shiftFor(lowV, highI, math.Min, math.Inf(1))
	high := shiftFor(highV, lowI, math.Max, math.Inf(-1))
	if !finite(low) || !finite(high) {
		return []string{fmt.Sprintf("%s: the base-emitter reading %v cannot be compared with the sheet", name, t)}
	}
	switch {
	case high < -s.vbeLow:
		against = append(against, fmt.Sprintf("%s: base-emitter reads %v, %.0f mV below the least of the sheet: another part, a hot one, or swapped leads; the measurement is believed", name, t, 1e3*(-s.vbeLow-high)))
	case low > s.vbeHigh:
		against = append(against, fmt.Sprintf("%s: base-emitter reads %v, %.0f mV above the most of the sheet: a resistor at the base, a Darlington, or another part; the measurement is believed", name, t, 1e3*(low-s.vbeHigh)))
	default:
		low, high = max(low, -s.vbeLow), min(high, s.vbeHigh)
	}
	mid := (low + high) / 2
	rb := func(shift float64) float64 { return between(shift/s.vbeHigh, s.rbT, s.rbT, s.rbHigh) }
	s.rbT, s.rbHigh = rb(mid), rb(high)
	s.lnIST -= mid / vt
	s.base.IS = unit.Amp(math.Exp(s.lnIST))
	s.base.EG += unit.Volt(mid)
	s.vbeLow, s.vbeHigh = mid-low, high-mid
	return against
}

// OpenCollector is the transistor on a meter's diode test: i flows into the base and out of the emitter, the
// collector is open. It gives the voltages base–collector and base–emitter between the terminals (magnitudes).
func (q BJT) OpenCollector(i unit.Amp, t unit.Kelvin) (vbc, vbe unit.Volt, ok bool) {
	p := q.At(t)
	var at BJTPoint
	// IC falls with u2, so that the u2 of an open collector is found by halving; then IB grows with u1.
	open := func(u1 float64) float64 {
		lo, hi := -1.0, u1+0.2
		for range 60 {
			u2 := (lo + hi) / 2
			if p.Eval(u1, u2, &at); at.IC > 0 {
				lo = u2
			} else {
				hi = u2
			}
		}
		return hi
	}
	lo, hi := 0.0, 2.0
	for range 60 {
		u1 := (lo + hi) / 2
		if p.Eval(u1, open(u1), &at); at.IB < float64(i) {
			lo = u1
		} else {
			hi = u1
		}
	}
	u2 := open(hi)
	if p.Eval(hi, u2, &at); math.Abs(at.IB-float64(i)) > 1e-3*float64(i) {
		return 0, 0, false
	}
	drop := i.Times(q.RB)
	return unit.Volt(u2) + drop, unit.Volt(hi) + drop + i.Times(q.RE), true
}

// MeasuredDiode is a diode's spread (SpreadDiode) shrunk to forward readings at one or two currents and, for a
// zener, to its voltage at a current.
func MeasuredDiode(p parts.Diode, m parts.Measured) (*Measured[Diode], error) {
	s, err := SpreadDiode(p)
	if err != nil {
		return nil, err
	}
	cl := diodeClasses[p.Type]
	return s.measured(m, cl.nLow, cl.nHigh), nil
}

// MeasuredLED is an LED's spread (SpreadLED) shrunk to forward readings at one or two currents.
func MeasuredLED(p parts.LED, m parts.Measured) (*Measured[Diode], error) {
	s, err := SpreadLED(p)
	if err != nil {
		return nil, err
	}
	return s.measured(m, ledN[0], ledN[1]), nil
}

// ledN is the range of emission coefficients of LEDs (led.csv: 1.9 to 2.6; from memory 1.5 to 3).
var ledN = [2]float64{1.5, 3}

func (sheet *DiodeSpread) measured(m parts.Measured, nLow, nHigh float64) *Measured[Diode] {
	if len(m.VF)+len(m.VZ) == 0 {
		return asSheet(sheet)
	}
	s := *sheet
	out := &Measured[Diode]{}
	var said notes
	if len(m.VZ) > 0 {
		out.Against = append(out.Against, s.believeVZ(m.VZ[0])...)
		said.add("measured by you: VZ %v", m.VZ[0])
	}
	reverse := s.Vars()[1:] // a zener's
	switch {
	case len(m.VF) == 0:
		out.at, out.vars = s.At, s.Vars()
	default:
		out.Against = append(out.Against, s.againstVF(m.VF)...)
		first, last := m.VF[0], m.VF[len(m.VF)-1]
		for _, t := range m.VF {
			said.add("measured by you: VF %v", t)
		}
		if len(m.VF) > 1 {
			out.vars, out.at = s.twoPoints(first, last, nLow, nHigh)
			said.add("between and beyond the two readings VF follows the law of a diode through both")
		} else {
			out.vars, out.at = s.onePoint(first, nLow, nHigh, len(out.Against) > 0)
			said.add("away from the reading's current the slope of VF is taken from N %.2g to %.2g; a second reading at ten times the current would settle it", nLow, nHigh)
		}
		if n := len(out.vars); len(reverse) > 0 {
			out.vars = append(out.vars, reverse...)
			forward := out.at
			out.at = func(z []float64) Diode {
				r := s
				r.base = forward(z) // the breakdown is solved with the resistance of the forward curve
				r.low, r.high, r.more = 0, 0, 0
				return r.At(append([]float64{0}, z[min(n, len(z)):]...))
			}
		}
	}
	if len(m.VZ) > 0 {
		for k, v := range out.vars {
			if v.Name == "VZ" {
				out.vars[k] = measuredVary(v)
			}
		}
	}
	out.notes = append(append(append([]string(nil), out.Against...), said...), sheet.notes...)
	return out
}

// againstVF compares readings with the sheet's limits.
func (s *DiodeSpread) againstVF(list []parts.Taken) (against []string) {
	for _, t := range list {
		low, high := bounds(t)
		lowI, highI := testCurrents(t)
		least, most := s.At([]float64{-1}).Voltage(lowI, tableTemperature), s.At([]float64{1}).Voltage(highI, tableTemperature)
		switch {
		case unit.Volt(high) < least:
			against = append(against, fmt.Sprintf("%s: VF %v, where the sheet has at least %s: another part or colour; the measurement is believed", s.name, t, volts(least)))
		case unit.Volt(low) > most:
			against = append(against, fmt.Sprintf("%s: VF %v, where the sheet has at most %s: another part or colour, or something in series; the measurement is believed", s.name, t, volts(most)))
		}
	}
	return against
}

// within is z's place between low and high, 0 in the middle.
func within(z, low, high float64) float64 { return between(z, low, (low+high)/2, high) }

// through is a curve through (i1, v1) and (i2, v2): with the emission coefficient n and what resistance that leaves,
// and without resistance where the two points are nearer than n allows.
func through(i1, v1, i2, v2, n, nLow float64) curve {
	vt := float64(tableTemperature.ThermalVoltage())
	l := math.Log(i2 / i1)
	k := curve{nVt: n * vt}
	if k.rs = (v2 - v1 - k.nVt*l) / (i2 - i1); k.rs < 0 {
		k.rs, k.nVt = 0, max((v2-v1)/l, nLow*vt)
	}
	k.c = v1 - k.nVt*math.Log(i1) - k.rs*i1
	return k
}

// like is a curve as a diode with the sheet's leakage, breakdown and slope over temperature.
func (s *DiodeSpread) like(k curve) Diode {
	vt := float64(tableTemperature.ThermalVoltage())
	d := s.base
	// The slope the sheet's diode has at the current that Say speaks of: (u − EG − XTI·Vt)/T.
	i := float64(s.sayI)
	u0 := float64(d.Voltage(s.sayI, tableTemperature)) - i*float64(d.RS)
	slope := (u0 - float64(d.EG) - d.XTI*vt) / float64(tableTemperature)
	d.N, d.IS, d.RS = k.nVt/vt, unit.Amp(math.Exp(-k.c/k.nVt)), unit.Ohm(k.rs)
	d.EG = gapFor(k.v(i)-k.rs*i, slope, tableTemperature)
	return d
}

func (s *DiodeSpread) twoPoints(a, b parts.Taken, nLow, nHigh float64) ([]Vary, func(z []float64) Diode) {
	i1, i2 := float64(unit.Or(a.I, parts.TesterCurrent)), float64(unit.Or(b.I, parts.TesterCurrent))
	ends := func(t parts.Taken) (float64, float64) {
		low, high := bounds(t)
		lowI, highI := testCurrents(t)
		// An unstated current moves the reading along the curve.
		nVt := nHigh * float64(tableTemperature.ThermalVoltage())
		i := unit.Or(t.I, parts.TesterCurrent)
		return low - nVt*math.Log(float64(highI/i)), high + nVt*math.Log(float64(i/lowI))
	}
	l1, h1 := ends(a)
	l2, h2 := ends(b)
	n := min(nHigh, max(nLow, s.base.N))
	vary := func(k int, t parts.Taken, l, h float64) Vary {
		i := unit.Or(t.I, parts.TesterCurrent)
		return Vary{fmt.Sprintf("VF at %v", i), Uniform, func(z float64) string {
			return fmt.Sprintf("VF %s at %v, measured by you", volts(unit.Volt(within(z, l, h))), i)
		}}
	}
	return []Vary{vary(0, a, l1, h1), vary(1, b, l2, h2)}, func(z []float64) Diode {
		return s.like(through(i1, within(at(z, 0), l1, h1), i2, within(at(z, 1), l2, h2), n, nLow))
	}
}

// onePoint is the sheet's curve moved to one reading, with its slope left open within the class; at the current of
// the sheet it stays within the sheet's limits, unless the reading contradicts them.
func (s *DiodeSpread) onePoint(t parts.Taken, nLow, nHigh float64, against bool) ([]Vary, func(z []float64) Diode) {
	vt := float64(tableTemperature.ThermalVoltage())
	i := unit.Or(t.I, parts.TesterCurrent)
	low, high := bounds(t)
	lowI, highI := testCurrents(t)
	nVt := s.base.N * vt
	low -= nVt * math.Log(float64(highI/i))
	high += nVt * math.Log(float64(i/lowI))
	if !against {
		low = max(low, float64(s.At([]float64{-1}).Voltage(i, tableTemperature)))
		high = min(high, float64(s.At([]float64{1}).Voltage(i, tableTemperature)))
	}
	least := float64(s.At([]float64{-1}).Voltage(s.sayI, tableTemperature))
	most := float64(s.At([]float64{1}).Voltage(s.sayI, tableTemperature))
	at2 := func(z []float64) Diode {
		v := within(at(z, 0), low, high)
		n := between(at(z, 1), min(nLow, s.base.N), s.base.N, max(nHigh, s.base.N))
		k := curve{nVt: n * vt, rs: float64(s.base.RS)}
		k.c = v - k.nVt*math.Log(float64(i)) - k.rs*float64(i)
		if say := float64(s.sayI); !against {
			if w := min(most, max(least, k.v(say))); w != k.v(say) && float64(i) != say {
				lo, hi := float64(i), say
				vlo, vhi := v, w
				if lo > hi {
					lo, hi, vlo, vhi = hi, lo, vhi, vlo
				}
				if vhi > vlo {
					k = through(lo, vlo, hi, vhi, n, 0.5)
				}
			}
		}
		return s.like(k)
	}
	return []Vary{
		{"VF", Uniform, func(z float64) string {
			return fmt.Sprintf("VF %s at %v, measured by you", volts(unit.Volt(within(z, low, high))), i)
		}},
		{"slope of VF", Normal3, func(z float64) string {
			return fmt.Sprintf("VF %s at %v", volts(at2([]float64{0, z}).Voltage(s.sayI, tableTemperature)), s.sayI)
		}},
	}, at2
}

// believeVZ moves the zener voltage to a reading.
func (s *DiodeSpread) believeVZ(t parts.Taken) (against []string) {
	low, high := bounds(t)
	i := unit.Or(t.I, parts.TesterCurrent)
	if s.vz[1] > 0 {
		least, most := float64(zenerVoltage(s.At([]float64{0, -1}), i, tableTemperature)), float64(zenerVoltage(s.At([]float64{0, 1}), i, tableTemperature))
		switch {
		case high < least:
			against = append(against, fmt.Sprintf("%s: VZ %v, where the sheet has at least %s: another voltage, or another marking; the measurement is believed", s.name, t, volts(unit.Volt(least))))
		case low > most:
			against = append(against, fmt.Sprintf("%s: VZ %v, where the sheet has at most %s: another voltage, or another marking; the measurement is believed", s.name, t, volts(unit.Volt(most))))
		default:
			low, high = max(low, least), min(high, most)
		}
	}
	s.vz, s.izt = [3]float64{low, (low + high) / 2, high}, i
	return against
}

// zenerVoltage is the reverse voltage of a diode in breakdown that carries i at t (a magnitude).
func zenerVoltage(d Diode, i unit.Amp, t unit.Kelvin) unit.Volt {
	j := d.At(t)
	lo, hi := 0.0, float64(d.BV)+60*orOne(d.NBV)*float64(t.ThermalVoltage())
	for range 80 {
		u := (lo + hi) / 2
		if c, _, _ := j.Current(-u); -c < float64(i) {
			lo = u
		} else {
			hi = u
		}
	}
	return unit.Volt(hi) + i.Times(d.RS)
}

// Errors of what a user reads on a MOSFET (common practice, from memory): a resistance from a voltage and a current, each within
// 2 or 3 %, of a part some kelvin off; clips and leads, which only add; a leakage, some kelvin off.
const (
	onError   = 0.10
	clipOhm   = 0.05
	leakError = 1.5
)

// MeasuredMOSFET is the row of a MOSFET on which its owner measured: its spread follows from it as from a sheet. A reading of
// the diode test with gate and drain joined counts at parts.TesterCurrent; RDS(on) at other gate voltages keeps the sheet's
// shape; IDSS at other temperatures rises as the sheet's does. said begins with what contradicts the sheet, of which against
// is the count.
func MeasuredMOSFET(p parts.MOSFET, m parts.Measured) (q parts.MOSFET, said []string, against int) {
	q = p
	var not []string
	for _, believe := range []func(*parts.MOSFET, parts.MOSFET, parts.Measured) (not, said []string){believeThreshold, believeOn, believeLeak} {
		n, s := believe(&q, p, m)
		not, said = append(not, n...), append(said, s...)
	}
	return q, append(not, said...), len(not)
}

// believeThreshold moves the limits of VGS(th) to the reading.
func believeThreshold(q *parts.MOSFET, p parts.MOSFET, m parts.Measured) (not, said []string) {
	if len(m.VGSth) == 0 {
		return nil, nil
	}
	t := m.VGSth[0]
	low, high := bounds(t)
	lowI, highI := testCurrents(t)
	i := unit.Or(t.I, parts.TesterCurrent)
	// Gate voltage over drain current, between a decade of weak inversion (90 mV) and some decades of a small
	// transistor above threshold: from memory, 0.25 V a decade is ample for 0.1 to 3 mA.
	const perDecade = 0.25
	move := func(from, to unit.Amp) float64 {
		if !unit.Known(to) || !(to > 0) {
			return 0
		}
		return perDecade * math.Abs(math.Log10(float64(to/from)))
	}
	low -= move(highI, i)
	high += move(lowI, i)
	far := move(i, p.VGSthID)
	switch {
	case unit.Known(p.VGSthMin) && high+far < float64(p.VGSthMin):
		not = append(not, fmt.Sprintf("%s: VGS(th) %v, where the sheet has at least %s at %v: another part; the measurement is believed", p.Name, t, volts(p.VGSthMin), p.VGSthID))
	case unit.Known(p.VGSthMax) && low-far > float64(p.VGSthMax):
		not = append(not, fmt.Sprintf("%s: VGS(th) %v, where the sheet has at most %s at %v: another part; the measurement is believed", p.Name, t, volts(p.VGSthMax), p.VGSthID))
	default:
		if unit.Known(p.VGSthMin) && far == 0 {
			low = max(low, float64(p.VGSthMin))
		}
		if unit.Known(p.VGSthMax) && far == 0 {
			high = min(high, float64(p.VGSthMax))
		}
	}
	q.VGSthMin, q.VGSthTyp, q.VGSthMax, q.VGSthID = unit.Volt(low), unit.Volt((low+high)/2), unit.Volt(high), i
	return not, []string{fmt.Sprintf("measured by you: VGS(th) %v", t)}
}

// believeOn puts the readings of RDS(on) into the table, and moves the rest of it with them.
func believeOn(q *parts.MOSFET, p parts.MOSFET, m parts.Measured) (not, said []string) {
	if len(m.RDSon) == 0 {
		return nil, nil
	}
	// What conducts at a gate voltage has its threshold below.
	if lowest := m.RDSon[0].VGS; unit.Known(q.VGSthMax) && q.VGSthMax > 0.9*lowest {
		q.VGSthMax = 0.9 * lowest
		if unit.Known(q.VGSthMin) && q.VGSthMin > q.VGSthMax {
			not = append(not, fmt.Sprintf("%s: it conducts at VGS %v, where the sheet has VGS(th) at least %s: another part; the measurement is believed", p.Name, lowest, volts(q.VGSthMin)))
			q.VGSthMin = 0.6 * q.VGSthMax
		}
		if unit.Known(q.VGSthTyp) {
			q.VGSthTyp = min(q.VGSthTyp, q.VGSthMax)
			if unit.Known(q.VGSthMin) {
				q.VGSthTyp = max(q.VGSthTyp, q.VGSthMin)
			}
		}
	}
	scale, n := 0.0, 0
	if sheet, err := SpreadMOSFET(*q); err == nil {
		typical, worst := sheet.At(nil), sheet.At([]float64{1, 1})
		for _, t := range m.RDSon {
			id := unit.Or(t.ID, 0)
			if most, ok := worst.On(t.VGS, id, tableTemperature); ok && float64(t.R)*(1-onError)-clipOhm > float64(most) {
				not = append(not, fmt.Sprintf("%s: %v, where the worst that its sheet allows has %s: another part; the measurement is believed", p.Name, t, unit.Format(float64(most), unit.SymOhm, 3)))
			}
			if r, ok := typical.On(t.VGS, id, tableTemperature); ok {
				scale, n = scale+math.Log(float64(t.R/r)), n+1
			}
		}
		var table []parts.OnPoint
		for _, o := range q.RDSon {
			if n == 0 || !(o.VGS > 0) {
				break
			}
			if r, ok := typical.On(o.VGS, unit.Or(o.ID, 0), tableTemperature); ok {
				o.Typ, o.Measured = r*unit.Ohm(math.Exp(scale/float64(n))), true
				o.Max = o.Typ * (1 + onError)
			}
			table = append(table, o)
		}
		if len(table) > 0 {
			q.RDSon = table
		}
	}
	for _, t := range m.RDSon {
		q.RDSon = slices.DeleteFunc(slices.Clone(q.RDSon), func(o parts.OnPoint) bool { return o.VGS == t.VGS })
		q.RDSon = append(q.RDSon, parts.OnPoint{VGS: t.VGS, ID: t.ID, Typ: t.R, Max: t.R * (1 + onError), Measured: true})
		said = append(said, fmt.Sprintf("measured by you: %v, taken as ±%.0f %%; at other gate voltages it keeps the shape of the sheet", t, 100*onError))
	}
	slices.SortStableFunc(q.RDSon, func(a, b parts.OnPoint) int { return cmp.Compare(a.VGS, b.VGS) })
	return not, said
}

// believeLeak moves IDSS to the reading, at every temperature alike.
func believeLeak(q *parts.MOSFET, p parts.MOSFET, m parts.Measured) (not, said []string) {
	if !(m.IDSS > 0) {
		return nil, nil
	}
	most := m.IDSS
	if !m.IDSSBelow {
		most *= leakError
	}
	sheet := unit.Amp(0)
	for _, l := range p.Leak {
		if l.T == unit.FitTemperature && unit.Known(l.Max) {
			sheet = max(sheet, l.Max)
		}
	}
	if sheet > 0 && !m.IDSSBelow && m.IDSS/leakError > sheet {
		not = append(not, fmt.Sprintf("%s: IDSS %v, where the sheet has at most %v at 25 °C: damaged, or another part; the measurement is believed", p.Name, m.IDSS, sheet))
	}
	share := most / usualIDSS
	if sheet > 0 {
		share = most / sheet
	}
	q.Leak = nil
	for _, l := range p.Leak {
		if unit.Known(l.Max) && l.T != unit.FitTemperature {
			l.Max *= share
			q.Leak = append(q.Leak, l)
		}
	}
	now := parts.Leakage{Name: "IDSS", Max: most, Conditions: "measured", V: unit.Absent[unit.Volt](), T: unit.FitTemperature}
	words := "below " + m.IDSS.String()
	if !m.IDSSBelow {
		now.Read, words = m.IDSS, fmt.Sprintf("%v, taken within a factor of %.1f", m.IDSS, leakError)
	}
	q.Leak = append(q.Leak, now)
	return not, []string{"measured by you: IDSS " + words}
}
