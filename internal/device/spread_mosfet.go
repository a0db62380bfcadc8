package device

import (
	"fmt"
	"math"
	"slices"

	"fettle/internal/parts"
	"fettle/internal/unit"
)

// A MOSFETSpread is a transistor type as its datasheet bounds it. Variables, in this order:
//
//	VGS(th)    −1 the least, +1 the greatest
//	RDS(on)    −1 better than typical, +1 the guaranteed greatest
//	IDSS       −1 a ten-thousandth, 0 a hundredth of the guaranteed greatest, +1 that; of a measured part the
//	           limits of the reading
//
// The fit: the part that is worst in VGS(th) and RDS(on) at once is nowhere better than a guaranteed point and, of
// all parts of the model that are not, near to all of them. Between the points the law stands; below the lowest
// listed VGS it is physics only, and nothing is guaranteed (GuaranteedAt, Bounded).
type MOSFETSpread struct {
	part   parts.MOSFET
	base   MOSFET // what does not vary
	vth    [3]float64
	vthID  float64
	on     [3]onResistance
	idss   float64
	read   float64         // IDSS as it was measured, or 0
	points []parts.OnPoint // with a guaranteed greatest, by rising VGS
	notes  notes
}

// onResistance is what RDS(on) is made of: R0, and b = 1/KP.
type onResistance struct{ r0, b float64 }

// Where a datasheet is silent.
const (
	onTypical   = 0.7    // typical as a share of the greatest RDS(on): 0.66 to 0.85 in the catalogue's low-voltage types
	onLeast     = 0.7    // least as a share of the typical (from memory: ±30 %)
	channelPart = 0.5    // of RDS(on) at the lowest VGS, where one point is all there is
	onSlack     = 0.01   // of the guaranteed RDS(on), given up for a channel as the typical part has it
	thresholdTC = 2e-3   // of the typical VGS(th) per kelvin (from memory: curves show 0.8 at 125 °C)
	usualIDSS   = 1e-6   // A, the commonest figure
	usualTestID = 250e-6 // A
	leastLead   = 1e-3   // Ω: no package has less
)

// SpreadMOSFET fits the spread of a field-effect transistor.
func SpreadMOSFET(p parts.MOSFET) (*MOSFETSpread, error) {
	s := &MOSFETSpread{part: p}
	s.base = MOSFET{P: p.Channel == "P", N: usualSlope, T0: tableTemperature}
	s.notes.add("weak inversion taken as 90 mV per decade (from memory)")
	for _, o := range p.RDSon {
		if o.VGS > 0 && known(float64(o.Max)) && o.Max > 0 {
			s.points = append(s.points, o)
		}
	}
	if len(s.points) == 0 {
		return nil, fmt.Errorf("%s: no RDS(on) is known", p.Name)
	}
	if err := s.fitThreshold(); err != nil {
		return nil, err
	}
	if err := s.fitOn(); err != nil {
		return nil, err
	}
	s.fitHeat()
	s.fitLeakage()
	s.fitBody()
	return s, nil
}

// fitThreshold reads VGS(th), or takes it from what is usual.
func (s *MOSFETSpread) fitThreshold() error {
	low, typ, high := float64(s.part.VGSthMin), float64(s.part.VGSthTyp), float64(s.part.VGSthMax)
	lowest := float64(s.points[0].VGS)
	if s.vthID = float64(s.part.VGSthID); !(s.vthID > 0) {
		s.vthID = usualTestID
		s.notes.add("VGS(th) taken to be measured at 250 µA")
	}
	if !known(high) {
		switch {
		case known(typ):
			high = 1.4 * typ
		case known(low):
			high = 2.4 * low
		default:
			high = s.thresholdByOn()
		}
		s.notes.add("no greatest VGS(th) is given: taken as %s", volts(unit.Volt(high)))
	}
	if !known(low) {
		if low = 0.4 * high; known(typ) {
			low = min(low, 0.6*typ)
		}
		s.notes.add("no least VGS(th) is given: taken as %s", volts(unit.Volt(low)))
	}
	if !known(typ) {
		typ = (low + high) / 2
		s.notes.add("typical VGS(th) taken in the middle of the limits")
	}
	if !(0 < low && low <= typ && typ <= high && high < lowest) {
		return fmt.Errorf("%s: VGS(th) %s, %s, %s does not fit an RDS(on) given at %s", s.part.Name,
			volts(unit.Volt(low)), volts(unit.Volt(typ)), volts(unit.Volt(high)), volts(unit.Volt(lowest)))
	}
	s.vth = [3]float64{low, typ, high}
	return nil
}

// thresholdByOn is the greatest VGS(th) with which a channel meets the guaranteed RDS(on) best; with one point only,
// what is usual.
func (s *MOSFETSpread) thresholdByOn() float64 {
	lowest := float64(s.points[0].VGS)
	best, least := 0.55*lowest, math.Inf(1) // 0.48 to 0.6 in the catalogue's logic-level types
	if len(s.points) < 2 {
		return best
	}
	for share := 0.25; share < 0.85; share += 0.01 {
		s.vth[2] = share * lowest
		if _, miss, ok := s.worst(1e-6); ok && miss < least {
			best, least = s.vth[2], miss
		}
	}
	return best
}

// channel is the transistor with a given b = 1/KP whose VGS(th) is vth.
func (s *MOSFETSpread) channel(b, vth float64) MOSFET {
	q := s.base
	q.KP = 1 / b
	// Threshold is VTO plus what the test current needs; the charge at zero, which VTO also decides, is a trifle.
	q.VTO = unit.Volt(vth)
	for range 20 {
		miss := q.Threshold(unit.Amp(s.vthID), tableTemperature) - unit.Volt(vth)
		if q.VTO -= miss; math.Abs(float64(miss)) < 1e-12 {
			break
		}
	}
	return q
}

// perB is the channel's share of RDS(on), as a multiple of b, at every point.
func (s *MOSFETSpread) perB(b, vth float64, points []parts.OnPoint, y []float64) bool {
	q := s.channel(b, vth)
	for i, p := range points {
		r, ok := q.On(p.VGS, unit.Or(p.ID, 0), tableTemperature)
		if !ok {
			return false
		}
		y[i] = float64(r) / b
	}
	return true
}

// fitOn finds R0 and b of the typical and of the worst part.
func (s *MOSFETSpread) fitOn() error {
	// Typical points, the resistance to meet in Max; where the sheet leaves one out, in proportion to the greatest.
	share, given := 0.0, 0.0
	for _, p := range s.part.RDSon {
		if known(float64(p.Typ)) && known(float64(p.Max)) {
			share, given = share+float64(p.Typ/p.Max), given+1
		}
	}
	if share /= given; given == 0 {
		share = onTypical
	}
	var typ []parts.OnPoint
	for _, p := range s.part.RDSon {
		switch {
		case !(p.VGS > 0):
		case known(float64(p.Typ)) && p.Typ > 0:
			typ = append(typ, parts.OnPoint{VGS: p.VGS, ID: p.ID, Max: p.Typ})
		case known(float64(p.Max)) && p.Max > 0:
			typ = append(typ, parts.OnPoint{VGS: p.VGS, ID: p.ID, Max: p.Max * unit.Ohm(share)})
			s.notes.add("typical RDS(on) at %v taken as %.0f %% of the greatest", p.VGS, 100*share)
		}
	}
	if len(typ) == 1 {
		s.notes.add("RDS(on) is given at one VGS only: the channel taken to make up half of it there")
	}
	var ok bool
	if s.on[1], ok = s.typical(typ); !ok {
		return fmt.Errorf("%s: no channel fits its typical RDS(on)", s.part.Name)
	}
	// A worst part's channel is hardly better than a typical one's, or it would not rise as it must below the
	// table; but the table's own points come first.
	best, least := onResistance{}, math.Inf(1)
	var tries []onResistance
	var misses []float64
	for floor := s.on[1].b; floor > 0.01*s.on[1].b; floor *= 0.9 {
		if o, miss, ok := s.worst(floor); ok {
			tries, misses = append(tries, o), append(misses, miss)
			least = min(least, miss)
		}
	}
	for k, miss := range misses {
		if miss <= least+onSlack {
			best = tries[k]
			break
		}
	}
	if best.b == 0 {
		return fmt.Errorf("%s: no channel fits its RDS(on)", s.part.Name)
	}
	s.on[2] = best
	least0 := onLeast
	if slices.ContainsFunc(s.points, func(p parts.OnPoint) bool { return p.Measured }) {
		least0 = max(0.5, 1-onError-clipOhm/float64(s.points[0].Typ))
	} else {
		s.notes.add("least RDS(on) taken as %.0f %% of the typical (from memory)", 100*onLeast)
	}
	s.on[0] = onResistance{least0 * s.on[1].r0, least0 * s.on[1].b}
	return nil
}

// typical fits R0 and b by least squares of the relative error, neither below zero.
func (s *MOSFETSpread) typical(points []parts.OnPoint) (onResistance, bool) {
	vth := s.vth[1]
	o := onResistance{b: channelPart * float64(points[0].Max) * (float64(points[0].VGS) - vth)}
	y := make([]float64, len(points))
	for range 40 {
		if !s.perB(o.b, vth, points, y) {
			o.b /= 2 // the channel must carry the test current
			continue
		}
		if len(points) == 1 {
			o = onResistance{(1 - channelPart) * float64(points[0].Max), channelPart * float64(points[0].Max) / y[0]}
			continue
		}
		var s11, s12, s22, t1, t2 float64
		for i, p := range points {
			w := 1 / float64(p.Max)
			s11, s12, s22 = s11+w*w, s12+w*w*y[i], s22+w*w*y[i]*y[i]
			t1, t2 = t1+w, t2+w*y[i]
		}
		det := s11*s22 - s12*s12
		r0, b := (t1*s22-t2*s12)/det, (s11*t2-s12*t1)/det
		if r0 < 0 {
			r0, b = 0, t2/s22
		}
		// A flat table leaves nothing to the channel; a tenth at the lowest VGS is taken for it.
		if floor := 0.1 * float64(points[0].Max) / y[0]; !(b >= floor) {
			b = floor
			r0 = max(0, (t1-b*s12)/s11)
		}
		o = onResistance{r0, b}
	}
	ok := s.perB(o.b, vth, points, y)
	return o, ok
}

// worst is the pair with b ≥ floor that is nowhere better than the guaranteed points, with the greatest excess.
func (s *MOSFETSpread) worst(floor float64) (o onResistance, miss float64, ok bool) {
	n := len(s.points)
	one, y, need, weight := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	o.b = floor
	for range 40 {
		if !s.perB(o.b, s.vth[2], s.points, y) {
			return o, 0, false
		}
		for i, p := range s.points {
			one[i], need[i], weight[i] = 1, float64(p.Max)-floor*y[i], 1/float64(p.Max)
		}
		r0, more := cover(one, y, need, weight)
		next := onResistance{r0, floor + more}
		still := math.Abs(next.b-o.b) < 1e-12*o.b
		if o = next; still {
			break
		}
	}
	if !s.perB(o.b, s.vth[2], s.points, y) {
		return o, 0, false
	}
	// A hair beyond the limits, so that rounding in a later solution cannot put a limit outside; and what is left
	// of the last step.
	up := 0.0
	for i, p := range s.points {
		up = max(up, float64(p.Max)-(o.r0+o.b*y[i]))
	}
	o.r0 += up + 1e-6*float64(s.points[0].Max)
	for i, p := range s.points {
		miss = max(miss, (o.r0+o.b*y[i])/float64(p.Max)-1)
	}
	return o, miss, true
}

// fitHeat finds the exponent that gives the factor of RDS(on) at 125 °C.
func (s *MOSFETSpread) fitHeat() {
	s.base.TCV = thresholdTC * s.vth[1]
	s.notes.add("VGS(th) falls by %.1f mV/K (0.2 %% of the typical per kelvin, from memory)", 1e3*s.base.TCV)
	factor := s.part.RDSonHot
	if !known(factor) || !(factor > 1) {
		if factor = 1.5; s.part.VDS >= 50 {
			factor = 1.8
		}
		s.notes.add("RDS(on) at 125 °C taken as %.1f times that at 25 °C (from memory)", factor)
	}
	const hot = unit.Kelvin(398.15)
	top := s.points[len(s.points)-1]
	for range 20 {
		q := s.At(nil)
		cold, ok1 := q.On(top.VGS, unit.Or(top.ID, 0), tableTemperature)
		warm, ok2 := q.On(top.VGS, unit.Or(top.ID, 0), hot)
		if !ok1 || !ok2 {
			break
		}
		s.base.MU += math.Log(factor*float64(cold/warm)) / math.Log(float64(hot/tableTemperature))
	}
}

// fitLeakage reads IDSS at 25 °C and how fast it rises.
func (s *MOSFETSpread) fitLeakage() {
	hottest := parts.Leakage{}
	for _, l := range s.part.Leak {
		switch {
		case !known(float64(l.Max)) || !(l.Max > 0) || !known(float64(l.T)):
		case l.T == unit.FitTemperature:
			s.idss, s.read = max(s.idss, float64(l.Max)), max(s.read, float64(l.Read))
		case hottest.Max == 0 || l.T > hottest.T:
			hottest = l
		}
	}
	if s.idss == 0 {
		s.idss = usualIDSS
		s.notes.add("no IDSS is given: greatest taken as 1 µA at 25 °C (the commonest figure)")
	}
	if s.read > 0 {
		s.notes.add("IDSS taken as the same at every drain voltage (from memory)")
	} else {
		s.notes.add("IDSS taken as the same at every drain voltage, typically a hundredth of the greatest (from memory)")
	}
	if hottest.Max > unit.Amp(s.idss) && hottest.T > unit.FitTemperature {
		s.base.Double = float64(hottest.T-unit.FitTemperature) / math.Log2(float64(hottest.Max)/s.idss)
		return
	}
	s.base.Double = 10
	s.notes.add("IDSS doubles every 10 K (from memory)")
}

// fitBody makes a body diode that keeps its greatest VSD.
func (s *MOSFETSpread) fitBody() {
	i, v := float64(unit.Or(s.part.ID, 0.1)), 0.8
	if points := good(s.part.VSD); len(points) > 0 {
		last := points[len(points)-1]
		i, v = float64(last.I), min(0.8, float64(last.V)-0.1)
		s.notes.add("body diode taken as %s at %v (from memory; the sheet bounds it at %s)", volts(unit.Volt(v)), last.I, volts(last.V))
	} else {
		s.notes.add("body diode taken as %s at %v (from memory)", volts(unit.Volt(v)), unit.Amp(i))
	}
	// A tenth of a volt of it is ohmic.
	nVt := 1.2 * float64(tableTemperature.ThermalVoltage())
	s.base.Body = curve{nVt: nVt, c: v - 0.1 - nVt*math.Log(i), rs: 0.1 / i}.diode(i, usualVBEslope)
}

// At is the transistor at z (VGS(th), RDS(on), IDSS); missing entries are 0.
func (s *MOSFETSpread) At(z []float64) MOSFET {
	b := betweenRatios(at(z, 1), s.on[0].b, s.on[1].b, s.on[2].b)
	q := s.channel(b, between(at(z, 0), s.vth[0], s.vth[1], s.vth[2]))
	q.R0 = unit.Ohm(max(leastLead, between(at(z, 1), s.on[0].r0, s.on[1].r0, s.on[2].r0)))
	q.IDSS = s.leakAt(at(z, 2))
	return q
}

// leakAt is IDSS at its variable.
func (s *MOSFETSpread) leakAt(z float64) unit.Amp {
	if s.read > 0 {
		return unit.Amp(s.read * math.Pow(s.idss/s.read, z))
	}
	return unit.Amp(s.idss * math.Pow(10, 2*(z-1)))
}

// GuaranteedAt is the greatest RDS(on) that the sheet guarantees with the gate at vgs: that of its highest listed
// VGS not above vgs, for currents up to that point's, at 25 °C. ok is false below the lowest listed VGS, where
// nothing is guaranteed.
func (s *MOSFETSpread) GuaranteedAt(vgs unit.Volt) (rds unit.Ohm, at parts.OnPoint, ok bool) {
	for _, p := range s.points {
		if p.VGS <= vgs {
			rds, at, ok = p.Max, p, true
		}
	}
	return rds, at, ok
}

// Bounded is the greatest RDS(on) by table and physics, with the gate at vgs and id flowing, at temperature t: the
// law of the worst part, and never more than the table's point below allows when id is no more than was tested
// there. ok is false below the lowest listed VGS, or if the worst part does not carry id.
func (s *MOSFETSpread) Bounded(vgs unit.Volt, id unit.Amp, t unit.Kelvin) (rds unit.Ohm, ok bool) {
	limit, point, ok := s.GuaranteedAt(vgs)
	if !ok {
		return 0, false
	}
	worst := s.At([]float64{1, 1})
	rds, ok = worst.On(vgs, id, t)
	if ok && known(float64(point.ID)) && id <= point.ID {
		warm, ok1 := worst.On(point.VGS, point.ID, t)
		cold, ok2 := worst.On(point.VGS, point.ID, tableTemperature)
		if ok1 && ok2 {
			rds = min(rds, limit*warm/cold)
		}
	}
	return rds, ok
}

// Vars are the variables, in the order of At's argument.
func (s *MOSFETSpread) Vars() []Vary {
	return []Vary{
		{"VGS(th)", Normal3, func(z float64) string {
			id := unit.Amp(s.vthID)
			return fmt.Sprintf("VGS(th) %s at %v", volts(s.At([]float64{z}).Threshold(id, tableTemperature)), id)
		}},
		{"RDS(on)", Normal3, func(z float64) string {
			p := s.points[0]
			r, ok := s.At([]float64{max(0, z), z}).On(p.VGS, unit.Or(p.ID, 0), tableTemperature)
			if !ok {
				return fmt.Sprintf("not on at VGS %v", p.VGS)
			}
			return fmt.Sprintf("RDS(on) %s at VGS %v", unit.Format(float64(r), unit.SymOhm, 3), p.VGS)
		}},
		{"IDSS", Uniform, func(z float64) string {
			return fmt.Sprintf("IDSS %s at 25 °C", unit.Format(float64(s.leakAt(z)), unit.SymAmp, 2))
		}},
	}
}

// Notes are the assumptions made where the sheet is silent.
func (s *MOSFETSpread) Notes() []string { return s.notes }
