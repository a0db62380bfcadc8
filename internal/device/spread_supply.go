package device

import (
	"fmt"
	"math"
	"strings"

	"fettle/internal/parts"
	"fettle/internal/unit"
)

// A RegulatorSpread is a regulator type as its datasheet bounds it. Variables: Vout, drop-out, IQ.
type RegulatorSpread struct {
	vout    [3]float64
	dropout [3]drop
	iq      [3]float64
	limit   float64
	ground  [3]float64
	sayI    unit.Amp
	notes   notes
}

// drop is a drop-out: volts plus ohms times load.
type drop struct{ v, r float64 }

// SpreadRegulator fits the spread of a regulator.
func SpreadRegulator(p parts.Regulator) (*RegulatorSpread, error) {
	s := &RegulatorSpread{}
	nom, low, high := float64(p.Vout), float64(p.VoutMin), float64(p.VoutMax)
	if !finite(nom) || nom <= 0 {
		return nil, fmt.Errorf("%s: no output voltage is known", p.Name)
	}
	if !finite(low) || !finite(high) {
		low, high = 0.95*nom, 1.05*nom
		s.notes.add("output voltage taken as ±5 %%")
	}
	s.vout = [3]float64{low, nom, high}

	rated := float64(unit.Or(p.IoutMax, 0.1))
	bipolar := strings.Contains(p.Type, "bipolar") || strings.Contains(p.Type, "NPN")
	typ, top := good(p.DropoutTyp), good(p.DropoutMax)
	fit := func(points []parts.IV) drop {
		first, last := points[0], points[len(points)-1]
		switch {
		case len(points) > 1 && last.I > first.I:
			r := max(0, float64(last.V-first.V)/float64(last.I-first.I))
			return drop{max(0, float64(first.V)-r*float64(first.I)), r}
		case bipolar:
			return drop{float64(first.V), 0}
		}
		return drop{0, float64(first.V) / float64(first.I)}
	}
	switch {
	case len(typ) > 0:
		s.dropout[1] = fit(typ)
	case len(top) > 0:
		s.dropout[1] = fit(top)
		s.dropout[1].v *= 0.7
		s.dropout[1].r *= 0.7
		s.notes.add("typical drop-out taken as 70 %% of the greatest")
	case bipolar:
		s.dropout[1] = drop{1.7, 0}
		s.notes.add("drop-out taken as 1.7 V (from memory)")
	default:
		s.dropout[1] = drop{0, 0.4 / rated}
		s.notes.add("drop-out taken as 0.4 V at %v (from memory)", unit.Amp(rated))
	}
	if len(top) > 0 {
		s.dropout[2] = fit(top)
	} else {
		s.dropout[2] = drop{s.dropout[1].v * 1.2, s.dropout[1].r * 1.5}
		s.notes.add("no greatest drop-out is given: taken a fifth (its ohmic part a half) above the typical")
	}
	s.dropout[2].v, s.dropout[2].r = max(s.dropout[1].v, s.dropout[2].v), max(s.dropout[1].r, s.dropout[2].r)
	s.dropout[0] = drop{s.dropout[1].v * 0.85, s.dropout[1].r * 0.7}
	s.sayI = unit.Amp(min(rated, 0.02))

	iq, most := float64(p.IQtyp), float64(p.IQmax)
	switch {
	case !finite(iq) && !finite(most):
		iq, most = 3e-6, 8e-6
		if bipolar {
			iq, most = 4e-3, 8e-3
		}
		s.notes.add("its own current taken as %v, at most %v (from memory)", unit.Amp(iq), unit.Amp(most))
	case !finite(most):
		most = 1.6 * iq
		s.notes.add("its greatest own current taken as 1.6 times the typical")
	case !finite(iq):
		iq = most / 1.6
		s.notes.add("its typical own current taken as the greatest over 1.6")
	}
	s.iq = [3]float64{0.7 * iq, iq, most}
	if s.limit = float64(p.ISC); !finite(s.limit) || s.limit <= 0 {
		s.limit = 2 * rated
		s.notes.add("current limit taken as twice the rating; some types have none, and a short kills them")
	}
	s.fitGround(p)
	return s, nil
}

// fitGround reads what the load adds to the regulator's own current, in proportion to it; the base current of a PNP
// pass transistor.
func (s *RegulatorSpread) fitGround(p parts.Regulator) {
	for _, g := range p.Ground {
		if !(g.IOut > 0) {
			continue
		}
		if known(float64(g.Max)) {
			s.ground[2] = max(s.ground[2], (float64(g.Max)-s.iq[2])/float64(g.IOut))
		}
		if known(float64(g.Typ)) {
			s.ground[1] = max(s.ground[1], (float64(g.Typ)-s.iq[1])/float64(g.IOut))
		}
	}
	if s.ground[1] == 0 {
		s.ground[1] = s.ground[2] / 1.6
	}
	s.ground[2] = max(s.ground[2], s.ground[1])
	s.ground[0] = 0.7 * s.ground[1]
}

// At is the regulator at z (Vout, drop-out, IQ); missing entries are 0.
func (s *RegulatorSpread) At(z []float64) Regulator {
	d := s.dropout
	return Regulator{
		Vout:    unit.Volt(between(at(z, 0), s.vout[0], s.vout[1], s.vout[2])),
		Dropout: unit.Volt(between(at(z, 1), d[0].v, d[1].v, d[2].v)),
		Rdrop:   unit.Ohm(between(at(z, 1), d[0].r, d[1].r, d[2].r)),
		IQ:      unit.Amp(between(at(z, 2), s.iq[0], s.iq[1], s.iq[2])),
		Ground:  between(at(z, 2), s.ground[0], s.ground[1], s.ground[2]),
		Limit:   unit.Amp(s.limit),
	}
}

// Vars are the variables, in the order of At's argument.
func (s *RegulatorSpread) Vars() []Vary {
	return []Vary{
		{"Vout", Normal3, func(z float64) string { return "Vout " + volts(s.At([]float64{z}).Vout) }},
		{"drop-out", Normal3, func(z float64) string {
			r := s.At([]float64{0, z})
			return fmt.Sprintf("drop-out %s at %v", volts(r.Dropout+s.sayI.Times(r.Rdrop)), s.sayI)
		}},
		{"IQ", Normal3, func(z float64) string {
			return "IQ " + unit.Format(float64(s.At([]float64{0, 0, z}).IQ), unit.SymAmp, 3)
		}},
	}
}

// Notes are the assumptions made where the sheet is silent.
func (s *RegulatorSpread) Notes() []string { return s.notes }

// A PinSpread is a chip's output pin. Its figures are said for one supply voltage; in the circuit they follow the
// actual one. Variables: VOH, VOL (as the resistance to the rail: −1 less than typical, +1 the guaranteed limit),
// leakage (−1 the greatest into ground, +1 the greatest out of the pin).
type PinSpread struct {
	vcc, lowest unit.Volt
	from, to    unit.Volt // supply voltages between which the sheet's points lie
	high, low   driven
	leak        float64
	clamp       Diode
	iHigh, iLow unit.Amp
	notes       notes
}

// driven is the resistance to a rail at −1, 0, +1, and the power of the supply by which it falls.
type driven struct{ r, power [3]float64 }

// at is the resistance and its power at z.
func (d driven) at(z float64) (unit.Ohm, float64) {
	return unit.Ohm(betweenRatios(z, d.r[0], d.r[1], d.r[2])), max(0, between(z, d.power[0], d.power[1], d.power[2]))
}

// SpreadPin fits an ordinary output pin of a chip whose nominal supply is vcc.
func SpreadPin(c parts.Chip, vcc unit.Volt) (*PinSpread, error) { return SpreadNamedPin(c, "", vcc) }

// SpreadNamedPin fits a pin that may have lines of its own in the chip's table, such as a RESET pin.
func SpreadNamedPin(c parts.Chip, pin string, vcc unit.Volt) (*PinSpread, error) {
	if !(vcc > 0) || !finite(float64(vcc)) {
		return nil, fmt.Errorf("%s: a pin's levels need a supply, not %v", c.Name, vcc)
	}
	s := &PinSpread{vcc: vcc, lowest: c.VCCMin}
	if !(s.lowest > 0) || !finite(float64(s.lowest)) {
		s.lowest = usualLowest
		s.notes.add("lowest supply taken as %v (from memory)", s.lowest)
	}
	var typLow, typHigh []parts.IV // I holds VCC, V holds ohms
	for _, r := range c.Resistance {
		typLow = append(typLow, parts.IV{I: unit.Amp(r.VCC), V: unit.Volt(r.Low)})
		typHigh = append(typHigh, parts.IV{I: unit.Amp(r.VCC), V: unit.Volt(r.High)})
	}
	own := pin != "" && hasPoint(c.VOH, pin)
	if !own {
		pin = ""
	}
	var ok bool
	if s.high, s.iHigh, ok = s.limits("VOH", c.VOH, pin, good(typHigh), own, true); !ok {
		return nil, fmt.Errorf("%s: no VOH is known", c.Name)
	}
	if s.low, s.iLow, ok = s.limits("VOL", c.VOL, pin, good(typLow), own, false); !ok {
		return nil, fmt.Errorf("%s: no VOL is known", c.Name)
	}
	s.span(c.VOH, pin)
	s.span(c.VOL, pin)
	if s.lowest < s.from {
		s.notes.add("VOH and VOL below a supply of %v extrapolated by the same power of the supply, down to %v", s.from, s.lowest)
	}
	if s.leak = float64(c.Leak); !finite(s.leak) || s.leak < 0 {
		s.leak = 1e-6
		s.notes.add("leakage of an open pin taken as at most 1 µA (from memory)")
	}
	// A silicon diode of the chip's own making: 0.55 V at 1 mA with 50 Ω behind it.
	vt := float64(tableTemperature.ThermalVoltage())
	s.clamp = curve{nVt: vt, c: 0.5 - vt*math.Log(1e-3), rs: 50}.diode(1e-3, -2e-3)
	s.notes.add("clamp diodes taken as 0.55 V at 1 mA (from memory)")
	return s, nil
}

func hasPoint(points []parts.OutputPoint, pin string) bool {
	for _, p := range points {
		if strings.EqualFold(p.Pin, pin) {
			return true
		}
	}
	return false
}

// usualLowest is where the chips of the catalogue stop.
const usualLowest = unit.Volt(1.8)

// usualPower is the power where a pin is given at one supply voltage: between the 0.70 and 1.0 of the pins given at
// two (ATtiny25/45/85, limits of VOH and VOL).
const usualPower = 0.85

// span notes between which supply voltages a pin's points lie: where both levels have points.
func (s *PinSpread) span(points []parts.OutputPoint, pin string) {
	low, high := math.Inf(1), math.Inf(-1)
	for _, p := range points {
		if strings.EqualFold(p.Pin, pin) && p.VCC > 0 {
			low, high = min(low, float64(p.VCC)), max(high, float64(p.VCC))
		}
	}
	if s.to == 0 {
		s.from, s.to = unit.Volt(low), unit.Volt(high)
	} else {
		s.from, s.to = max(s.from, unit.Volt(low)), min(s.to, unit.Volt(high))
	}
}

// Extrapolated reports whether the sheet has no points on both sides of a supply voltage, so that the pin's figures
// there rest on the power law alone.
func (s *PinSpread) Extrapolated(vcc unit.Volt) bool { return vcc < s.from || vcc > s.to }

// limits is the resistance to the rail. Between the supply voltages of the table, and beyond them, it follows a
// power of the supply.
func (s *PinSpread) limits(what string, points []parts.OutputPoint, pin string, typ []parts.IV, own, high bool) (d driven, at unit.Amp, ok bool) {
	var top []parts.IV
	r, power := &d.r, &d.power
	for _, p := range points {
		if !strings.EqualFold(p.Pin, pin) || !(p.I > 0) || !(p.VCC > 0) {
			continue
		}
		drop := p.V
		if high {
			drop = p.VCC - p.V
		}
		if drop > 0 {
			top = append(top, parts.IV{I: unit.Amp(p.VCC), V: unit.Volt(drop.Through(p.I))})
			if at == 0 || p.I > at {
				at = p.I
			}
		}
	}
	if len(top) == 0 {
		return d, 0, false
	}
	var exact bool
	if r[2], power[2], exact = powerLaw(top, float64(s.vcc)); !exact {
		// The one point holds at its own supply voltage.
		power[2] = usualPower
		r[2] *= math.Pow(float64(s.vcc)/float64(top[0].I), -usualPower)
		s.notes.add("%s is given at one supply voltage only: resistance taken to fall with the power %.2f of it, as in other pins", what, usualPower)
	}
	if len(typ) > 0 && !own {
		r[1], power[1], exact = powerLaw(typ, float64(s.vcc))
		if !exact {
			power[1] = power[2]
		}
		r[1] = min(r[1], r[2])
	} else {
		r[1], power[1] = r[2]/2, power[2]
		s.notes.add("typical %s taken at half the drop of the limit", what)
	}
	r[0], power[0] = 0.7*r[1], power[1]
	s.notes.add("least drop at %s taken as 70 %% of the typical (from memory: curves ±30 %%)", what)
	return d, at, true
}

// powerLaw is the value at x of a power law through the two points around x (or the two nearest), V over I, falling
// with the given power. ok is false if all points lie at one x, so that no power can be told.
func powerLaw(p []parts.IV, x float64) (v, power float64, ok bool) {
	if len(p) == 1 {
		return float64(p[0].V), 0, false
	}
	a, b := p[0], p[1]
	for k := 2; k < len(p); k++ {
		// Keep the two points nearest to x, in order of distance.
		d := func(q parts.IV) float64 { return math.Abs(math.Log(float64(q.I) / x)) }
		if d(p[k]) < max(d(a), d(b)) {
			if d(a) > d(b) {
				a = p[k]
			} else {
				b = p[k]
			}
		}
	}
	if a.I == b.I {
		return float64(max(a.V, b.V)), 0, false
	}
	e := math.Log(float64(b.V)/float64(a.V)) / math.Log(float64(b.I)/float64(a.I))
	return float64(a.V) * math.Pow(x/float64(a.I), e), -e, true
}

// At is the pin at z (VOH, VOL, leakage); missing entries are 0.
func (s *PinSpread) At(z []float64) Pin {
	p := Pin{VCC: s.vcc, Lowest: s.lowest, Leak: unit.Amp(s.leak * max(-1, min(1, at(z, 2)))), Clamp: s.clamp}
	p.RHigh, p.HighPower = s.high.at(at(z, 0))
	p.RLow, p.LowPower = s.low.at(at(z, 1))
	return p
}

// Vars are the variables, in the order of At's argument.
func (s *PinSpread) Vars() []Vary {
	return []Vary{
		{"VOH", Normal3, func(z float64) string {
			return fmt.Sprintf("VOH %s at %v from %s", volts(s.vcc-s.iHigh.Times(s.At([]float64{z}).RHigh)), s.iHigh, volts(s.vcc))
		}},
		{"VOL", Normal3, func(z float64) string {
			return fmt.Sprintf("VOL %s at %v", volts(s.iLow.Times(s.At([]float64{0, z}).RLow)), s.iLow)
		}},
		{"leakage", Uniform, func(z float64) string {
			i := unit.Format(math.Abs(z)*s.leak, unit.SymAmp, 2)
			if z < 0 {
				return "open pin drains " + i
			}
			return "open pin feeds " + i
		}},
	}
}

// Notes are the assumptions made where the sheet is silent.
func (s *PinSpread) Notes() []string { return s.notes }
