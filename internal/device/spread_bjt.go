package device

import (
	"fmt"
	"math"

	"fettle/internal/parts"
	"fettle/internal/unit"
)

// A BJTSpread is a transistor type as its datasheet bounds it. Variables, in this order:
//
//	hFE        −1 the guaranteed least, +1 the greatest; the whole curve over IC keeps its shape
//	VBE        −1 the least, +1 the greatest VBE(on) and VBE(sat)
//	VCE(sat)   −1 better than typical, +1 the guaranteed greatest
//	ICBO       −1 a ten-thousandth, 0 a hundredth of the guaranteed greatest, +1 that
//
// The fit: the curve of least gain lies at or below every guaranteed point (of all curves of the model that
// do, the one nearest to them); the saturation limit is met by a part that is worst in gain and in VCE(sat)
// at once.
type BJTSpread struct {
	part parts.BJT
	base BJT // what does not vary

	// Gain: 1/hFE = scale·(a·(1+IC/IKF) + c·√((1+IC/IKF)/IC)) at VCE = VBE.
	a, c            float64
	scaleT, scaleM  float64 // of the typical and of the greatest gain; 1 for the least
	lnIST           float64
	vbeLow, vbeHigh float64 // shift of the junction voltage
	rbT, rbHigh     float64
	sat             [3]saturation // at −1, 0, +1
	icbo            float64
	gainIC, satIC   unit.Amp // where Say speaks
	gainVCE         unit.Volt
	satIB           unit.Amp
	vbeIC           unit.Amp
	vbeVCE          unit.Volt
	notes           notes
}

// saturation is what VCE(sat) depends on beside gain: the reverse gain and the ohmic path.
type saturation struct{ br, r float64 }

// Where a datasheet is silent. Shares are from the sheets of the catalogue that give both figures.
const (
	earlyVoltage  = 75.0    // V, from memory (notes.md §5: 75–100 V)
	usualIS       = 1.4e-14 // A: VBE 0.66 V at 2 mA, the BC847 class
	usualVBEslope = -2e-3   // V/K
	usualXTB      = 1.5     // from memory
	satTypical    = 0.4     // typical as a share of the greatest VCE(sat): 0.33 to 0.56 in sheets with both
	usualBR       = 4.0
	leastBR       = 1e-5 // a loose limit at small current leaves no other way to so high a VCE(sat)
	greatestGain  = 5.0  // greatest over least gain where only the least is given
	gainAtICmax   = 0.5  // gain at the greatest current as a share of the best, where no point lies near it
	gainAtTenthMA = 0.5  // gain at 0.1 mA as a share of that at the lowest point, where that lies above 1 mA
	emitterShare  = 0.2  // of the ohmic path lies at the emitter
	vbeBelow      = 0.07 // V below and above the typical VBE where no limits are given: BC847 has
	vbeAbove      = 0.06 // 0.58–0.66–0.70 V
)

// SpreadBJT fits the spread of an ordinary transistor.
func SpreadBJT(p parts.BJT) (*BJTSpread, error) {
	if p.Prebiased() {
		return nil, fmt.Errorf("%s: a pre-biased transistor has no gain and saturation of its own to fit", p.Name)
	}
	return spreadBJT(p)
}

func spreadBJT(p parts.BJT) (*BJTSpread, error) {
	s := &BJTSpread{part: p}
	s.base = BJT{PNP: p.PNP(), NF: 1, NR: 1, VAF: earlyVoltage, NE: 2, XTB: usualXTB, XTI: xti, T0: tableTemperature}
	s.notes.add("hFE follows (T/298 K)^1.5 (from memory; one maker's MMBT2222A table, 75 at 25 °C and 35 at −55 °C, would be 2.44)")
	if err := s.fitGain(); err != nil {
		return nil, err
	}
	s.fitJunction()
	s.fitSaturation()
	s.fitVBE()
	s.fitLeakage()
	s.settleGain()
	s.settleVBE()
	return s, nil
}

// fitGain finds the curve of least gain and the factors to the typical and the greatest.
func (s *BJTSpread) fitGain() error {
	type point struct{ ic, vce, h float64 }
	var low []point
	best := 0.0
	share := math.Inf(1) // least over typical where a point gives both
	for _, g := range s.part.Gain {
		if known(g.Min) && known(g.Typ) {
			share = min(share, g.Min/g.Typ)
		}
	}
	if math.IsInf(share, 1) {
		// Typical and least stand at different currents: compare the best of each.
		lo, typ := 0.0, 0.0
		for _, g := range s.part.Gain {
			if known(g.Min) {
				lo = max(lo, g.Min)
			}
			if known(g.Typ) {
				typ = max(typ, g.Typ)
			}
		}
		if lo > 0 && typ > lo {
			share = lo / typ
		} else {
			share = 0.6
		}
	}
	for _, g := range s.part.Gain {
		h := g.Min
		if !known(h) && known(g.Typ) {
			h = g.Typ * share
			s.notes.add("least hFE at %v taken as %.0f, in proportion to the typical %.0f", g.IC, h, g.Typ)
		}
		if !known(h) || !(h > 0) || !(g.IC > 0) {
			continue
		}
		low = append(low, point{float64(g.IC), float64(unit.Or(g.VCE, 1)), h})
		best = max(best, h)
	}
	if len(low) == 0 {
		return fmt.Errorf("%s: no gain is known", s.part.Name)
	}
	first, last := low[0], low[0]
	for _, g := range low {
		if g.ic < first.ic {
			first = g
		}
		if g.ic > last.ic {
			last = g
		}
	}
	given := len(low)
	if ic := float64(s.part.IC); finite(ic) && ic > 0 && last.ic < 0.3*ic && last.h > 0.7*best {
		low = append(low, point{ic, last.vce, best * gainAtICmax})
		s.notes.add("no hFE is given near the greatest current: least hFE at %v taken as %.0f, half of the best", s.part.IC, best*gainAtICmax)
	}
	if first.ic > 1e-3 {
		low = append(low, point{1e-4, first.vce, first.h * gainAtTenthMA})
		s.notes.add("no hFE is given at low current: least hFE at 0.1 mA taken as %.0f, half of that at %v", first.h*gainAtTenthMA, unit.Amp(first.ic))
	}

	n := len(low)
	pa, pc, need, weight, perNeed := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	for i, g := range low {
		// A lamp takes milliamperes: closeness counts most there, and little where the point is assumed.
		decades := math.Log10(g.ic / 5e-3)
		weight[i] = 1 / (1 + 4*decades*decades)
		if i >= given {
			weight[i] *= 0.1
		}
	}
	bestExcess := math.Inf(1)
	top := 0.0
	for _, g := range low {
		top = max(top, g.ic)
	}
	for k := top / 30; k < top*100; k *= 1.12 {
		for i, g := range low {
			e := early(g.vce)
			hi := 1 + g.ic/k
			pa[i], pc[i], need[i] = hi/e, math.Sqrt(hi/(e*g.ic)), 1/g.h
			perNeed[i] = weight[i] * g.h
		}
		a, c := cover(pa, pc, need, perNeed)
		if a <= 0 { // no plateau at all: not a transistor
			continue
		}
		excess := 0.0
		for i := range need {
			excess += weight[i] * ((a*pa[i]+c*pc[i])/need[i] - 1)
		}
		if excess < bestExcess {
			bestExcess, s.a, s.c, s.base.IKF = excess, a, c, unit.Amp(k)
		}
	}
	if math.IsInf(bestExcess, 1) {
		return fmt.Errorf("%s: no gain curve fits its table", s.part.Name)
	}

	// Factors to the greatest and the typical gain.
	ratio, typ, typs := 1.0, 0.0, 0
	atLeast := func(g parts.GainPoint) float64 {
		hi, e := 1+float64(g.IC)/float64(s.base.IKF), early(float64(unit.Or(g.VCE, 1)))
		return 1 / (s.a*hi/e + s.c*math.Sqrt(hi/(e*float64(g.IC))))
	}
	for _, g := range s.part.Gain {
		if known(g.Max) {
			if r := g.Max / atLeast(g); r > ratio {
				ratio = r
			}
		}
		if known(g.Typ) {
			typ += math.Log(g.Typ / atLeast(g))
			typs++
		}
	}
	s.gainIC, s.gainVCE = unit.Amp(first.ic), unit.Volt(first.vce)
	if ratio == 1 {
		ratio = greatestGain
		s.notes.add("no greatest hFE is given: taken as %.0f times the least", greatestGain)
	}
	// Say speaks at the point with both limits, else at the one nearest to 10 mA.
	nearest := math.Inf(1)
	for _, g := range s.part.Gain {
		d := math.Abs(math.Log(float64(g.IC) / 0.01))
		if known(g.Max) {
			d -= 100
		}
		if d < nearest {
			nearest, s.gainIC, s.gainVCE = d, g.IC, unit.Or(g.VCE, 1)
		}
	}
	// A hair beyond the limits, so that rounding in a later solution cannot put a limit outside.
	ratio *= 1 + 1e-6
	s.a *= 1 + 1e-6
	s.c *= 1 + 1e-6
	s.scaleM = 1 / ratio
	if typs > 0 {
		s.scaleT = max(s.scaleM, min(1, math.Exp(-typ/float64(typs))))
	} else {
		s.scaleT = 1 / math.Sqrt(ratio)
		s.notes.add("typical hFE taken in the middle of the limits (by ratio)")
	}
	return nil
}

// settleGain takes up what the closed form of the gain curve leaves out (the exact junction voltage, the drop
// along the ohmic path), so that the limits hold for the model as it is solved.
func (s *BJTSpread) settleGain() {
	over, under := 1.0, 1.0
	for _, g := range s.part.Gain {
		vce := unit.Or(g.VCE, 1)
		if h, _, ok := s.At([]float64{-1}).Active(g.IC, vce, tableTemperature); ok && known(g.Min) {
			over = max(over, h/g.Min)
		}
		if h, _, ok := s.At([]float64{1}).Active(g.IC, vce, tableTemperature); ok && known(g.Max) {
			under = max(under, g.Max/h)
		}
	}
	s.a *= over
	s.c *= over
	s.scaleM /= over * under * (1 + 1e-6)
}

func known(x float64) bool { return finite(x) }

// early is the Early factor at a collector–emitter voltage, the base being near 0.65 V.
func early(vce float64) float64 { return 1 + (vce-0.65)/earlyVoltage }

// gainModel puts a gain (scale of the curve of least gain) into a transistor.
func (s *BJTSpread) gainModel(q *BJT, scale float64) {
	q.BF = 1 / (s.a * scale)
	q.ISE = unit.Amp(s.c * scale * math.Sqrt(float64(q.IS)))
}

// fitJunction finds the typical saturation current from a typical VBE.
func (s *BJTSpread) fitJunction() {
	vt := float64(tableTemperature.ThermalVoltage())
	set := func(ic unit.Amp, v unit.Volt) {
		i := float64(ic)
		s.lnIST = math.Log(i*(1+i/float64(s.base.IKF))) - float64(v)/vt
	}
	s.lnIST = math.Log(usualIS)
	found := false
	for _, p := range s.part.VBEon {
		if known(float64(p.Typ)) && float64(p.IC) <= 0.02 {
			set(p.IC, p.Typ)
			found = true
			break
		}
	}
	if !found {
		for _, p := range s.part.VBEsat {
			if known(float64(p.Typ)) && float64(p.IC) <= 0.02 {
				set(p.IC, p.Typ)
				found = true
				break
			}
		}
	}
	if !found {
		// Limits at a small current bound the usual value.
		ok := true
		for _, p := range s.part.VBEon {
			if float64(p.IC) > 0.02 || !known(float64(p.Max)) || !known(float64(p.Min)) {
				continue
			}
			i := float64(p.IC)
			if v := vt * (math.Log(i) - s.lnIST); v < float64(p.Min) || v > float64(p.Max) {
				set(p.IC, (p.Min+p.Max)/2)
				ok = false
			}
		}
		if ok {
			s.notes.add("typical VBE taken as 0.66 V at 2 mA, as in the BC847 class")
		} else {
			s.notes.add("typical VBE taken in the middle of the limits")
		}
	}
	s.base.IS = unit.Amp(math.Exp(s.lnIST))
	s.base.EG = gapFor(vt*(math.Log(2e-3)-s.lnIST), usualVBEslope, tableTemperature)
	s.notes.add("VBE falls by 2 mV/K (makers' notes on the BC849/BC850)")
}

// fitSaturation finds reverse gain and ohmic path for the typical and the worst part.
func (s *BJTSpread) fitSaturation() {
	var typ, top []parts.SatPoint
	for _, p := range s.part.VCEsat {
		if !(p.IC > 0) || !(p.IB > 0) {
			continue
		}
		if known(float64(p.Max)) {
			top = append(top, parts.SatPoint{IC: p.IC, IB: p.IB, Max: p.Max})
		}
		if known(float64(p.Typ)) {
			typ = append(typ, parts.SatPoint{IC: p.IC, IB: p.IB, Max: p.Typ})
		}
	}
	if len(top) == 0 && len(typ) > 0 {
		for _, p := range typ {
			p.Max /= satTypical
			top = append(top, p)
		}
		s.notes.add("greatest VCE(sat) taken as %.1f times the typical", 1/satTypical)
	}
	if len(top) == 0 {
		ic := unit.Or(s.part.IC, 0.1) / 2
		top = []parts.SatPoint{{IC: ic, IB: ic / 10, Max: 0.4}}
		s.notes.add("no VCE(sat) is given: greatest taken as 0.4 V at %v with a forced gain of 10 (from memory)", ic)
	}
	if len(typ) == 0 {
		for _, p := range top {
			p.Max *= satTypical
			typ = append(typ, p)
		}
		s.notes.add("typical VCE(sat) taken as %.0f %% of the greatest", 100*satTypical)
	}
	s.satIC, s.satIB = top[0].IC, top[0].IB
	s.sat[2] = s.saturationFor(top, 1)
	s.sat[1] = s.saturationFor(typ, s.scaleT)
	s.sat[2].r = max(s.sat[2].r, s.sat[1].r)
	s.sat[2].br = min(s.sat[2].br, s.sat[1].br)
	s.sat[0] = saturation{2 * s.sat[1].br, s.sat[1].r / 2}
	s.notes.add("a good part's VCE(sat) taken as half the typical")
}

// saturationFor is the pair that reaches every point (V in Max) with the least excess. The ohmic path counts
// as one resistance; the small share of it at the emitter also carries the base current.
func (s *BJTSpread) saturationFor(points []parts.SatPoint, scale float64) saturation {
	best, least := saturation{usualBR, 0}, math.Inf(1)
	for br := 16.0; br > leastBR; br /= 1.35 {
		q := s.base
		q.BR = br
		s.gainModel(&q, scale)
		r, ok := 0.0, true
		inner := make([]float64, len(points))
		for i, p := range points {
			vce, _, sat := q.Forced(p.IC, p.IB, tableTemperature)
			if !sat {
				ok = false
				break
			}
			inner[i] = float64(vce)
			path := float64(p.IC) + emitterShare*float64(p.IB)
			r = max(r, (float64(p.Max)-inner[i])/path)
		}
		if !ok {
			continue
		}
		excess := 0.0
		for i, p := range points {
			v := inner[i] + r*(float64(p.IC)+emitterShare*float64(p.IB))
			excess += (v - float64(p.Max)) / float64(p.Max)
		}
		// A single point leaves the reverse gain open: stay near the usual one.
		excess += 1e-3 * math.Abs(math.Log(br/usualBR))
		if excess < least {
			least, best = excess, saturation{br, r * (1 + 1e-6)}
		}
	}
	return best
}

// fitVBE finds base resistance and the shifts that cover the limits of VBE.
func (s *BJTSpread) fitVBE() {
	q := s.base
	s.saturate(&q, 0)
	s.gainModel(&q, s.scaleT)
	type limit struct{ v0, ib, low, typ, high float64 }
	var limits []limit
	for _, p := range s.part.VBEsat {
		if _, v, ok := q.Forced(p.IC, p.IB, tableTemperature); ok {
			limits = append(limits, limit{float64(v), float64(p.IB), float64(p.Min), float64(p.Typ), float64(p.Max)})
			s.vbeIC = p.IC
		}
	}
	for _, p := range s.part.VBEon {
		if h, v, ok := q.Active(p.IC, unit.Or(p.VCE, 5), tableTemperature); ok {
			limits = append(limits, limit{float64(v), float64(p.IC) / h, float64(p.Min), float64(p.Typ), float64(p.Max)})
		}
	}
	// Typical base resistance from the strongest base current.
	strongest := limit{}
	for _, l := range limits {
		if l.ib > strongest.ib {
			strongest = l
		}
	}
	switch {
	case strongest.ib > 1e-4 && known(strongest.typ):
		s.rbT = max(0, (strongest.typ-strongest.v0)/strongest.ib)
	case strongest.ib > 1e-4 && known(strongest.high):
		s.rbT = max(0, satTypical*(strongest.high-strongest.v0)/strongest.ib)
		s.notes.add("typical VBE(sat) taken %.0f %% of the way to its greatest", 100*satTypical)
	default:
		s.rbT = 10
		s.notes.add("base resistance taken as 10 Ω (from memory)")
	}
	s.rbT = max(s.rbT, 0.1)

	var one, ib, need []float64
	for _, l := range limits {
		v := l.v0 + s.rbT*l.ib
		if known(l.low) {
			s.vbeLow = max(s.vbeLow, v-l.low)
		}
		if known(l.high) && l.high > v {
			one, ib, need = append(one, 1), append(ib, l.ib), append(need, l.high-v)
		}
	}
	if s.vbeLow == 0 {
		s.vbeLow = vbeBelow
		s.notes.add("no least VBE is given: taken as 70 mV below the typical")
	}
	var more float64
	if len(need) > 0 {
		s.vbeHigh, more = cover(one, ib, need, one)
	}
	if s.vbeHigh < vbeAbove {
		s.vbeHigh = vbeAbove
	}
	s.rbHigh = s.rbT + more
	// Say speaks of VBE at a current that the sheet lists, in the active region.
	s.vbeIC, s.vbeVCE = 2e-3, 5
	if len(s.part.VBEon) > 0 {
		s.vbeIC, s.vbeVCE = s.part.VBEon[0].IC, unit.Or(s.part.VBEon[0].VCE, 5)
	}
}

// settleVBE takes up what the linear estimate leaves out, as settleGain does.
func (s *BJTSpread) settleVBE() {
	below, above := 0.0, 0.0
	miss := func(z float64, of func(q BJT) (float64, bool), limit unit.Volt) float64 {
		if v, ok := of(s.At([]float64{0, z})); ok && known(float64(limit)) {
			return max(0, z*(float64(limit)-v))
		}
		return 0
	}
	for _, p := range s.part.VBEsat {
		of := func(q BJT) (float64, bool) {
			_, v, ok := q.Forced(p.IC, p.IB, tableTemperature)
			return float64(v), ok
		}
		below, above = max(below, miss(-1, of, p.Min)), max(above, miss(1, of, p.Max))
	}
	for _, p := range s.part.VBEon {
		of := func(q BJT) (float64, bool) {
			_, v, ok := q.Active(p.IC, unit.Or(p.VCE, 5), tableTemperature)
			return float64(v), ok
		}
		below, above = max(below, miss(-1, of, p.Min)), max(above, miss(1, of, p.Max))
	}
	const hair = 1e-5 // V
	s.vbeLow += 1.01*below + hair
	s.vbeHigh += 1.01*above + hair
}

// fitLeakage reads the guaranteed leakage between collector and base at 25 °C.
func (s *BJTSpread) fitLeakage() {
	for _, name := range []string{"ICBO", "ICES", "ICEX", "ICEO", "IO(off)"} {
		for _, l := range s.part.Leak {
			if l.Name == name && known(float64(l.Max)) && l.Max > 0 && (!known(float64(l.T)) || l.T == unit.FitTemperature) {
				s.icbo = float64(l.Max)
				if name != "ICBO" {
					s.notes.add("ICBO taken as no more than the given %s", name)
				}
				s.notes.add("typical ICBO taken as a hundredth of the greatest (from memory), doubling every 10 K")
				return
			}
		}
	}
	s.icbo = 1e-7
	s.notes.add("no leakage is given: greatest ICBO taken as 100 nA at 25 °C (the commonest figure), doubling every 10 K")
}

// saturate sets reverse gain and ohmic resistances.
func (s *BJTSpread) saturate(q *BJT, z float64) {
	q.BR = betweenRatios(z, s.sat[0].br, s.sat[1].br, s.sat[2].br)
	r := between(z, s.sat[0].r, s.sat[1].r, s.sat[2].r)
	r = max(r, leastOhmic)
	q.RE = unit.Ohm(emitterShare * r)
	q.RC = unit.Ohm((1 - emitterShare) * r)
}

// leastOhmic (Ω): a lead and its bond.
const leastOhmic = 0.05

// At is the transistor at z (hFE, VBE, VCE(sat), ICBO); missing entries are 0.
func (s *BJTSpread) At(z []float64) BJT {
	q := s.base
	shift := between(at(z, 1), -s.vbeLow, 0, s.vbeHigh)
	q.IS = unit.Amp(math.Exp(s.lnIST - shift/float64(tableTemperature.ThermalVoltage())))
	// The temperature law keeps its −2 mV/K at the shifted voltage.
	q.EG += unit.Volt(shift)
	q.RB = unit.Ohm(between(at(z, 1), s.rbT, s.rbT, s.rbHigh))
	s.saturate(&q, at(z, 2))
	s.gainModel(&q, betweenRatios(at(z, 0), 1, s.scaleT, s.scaleM))
	q.ICBO = unit.Amp(s.icbo * math.Pow(10, 2*(at(z, 3)-1)))
	return q
}

// Vars are the variables, in the order of At's argument.
func (s *BJTSpread) Vars() []Vary {
	return []Vary{
		{"hFE", Uniform, func(z float64) string {
			h, _, ok := s.At([]float64{z}).Active(s.gainIC, s.gainVCE, tableTemperature)
			if !ok {
				return "hFE not defined there"
			}
			return fmt.Sprintf("hFE %.3g at %v", h, s.gainIC)
		}},
		{"VBE", Normal3, func(z float64) string {
			_, v, ok := s.At([]float64{0, z}).Active(s.vbeIC, s.vbeVCE, tableTemperature)
			if !ok {
				return "VBE not defined there"
			}
			return fmt.Sprintf("VBE %s at %v", volts(v), s.vbeIC)
		}},
		{"VCE(sat)", Normal3, func(z float64) string {
			v, _, ok := s.At([]float64{min(0, -z), 0, z}).Forced(s.satIC, s.satIB, tableTemperature)
			if !ok {
				return fmt.Sprintf("not saturated at %v with %v", s.satIC, s.satIB)
			}
			return fmt.Sprintf("VCE(sat) %s at %v with %v", volts(v), s.satIC, s.satIB)
		}},
		{"ICBO", Uniform, func(z float64) string {
			return fmt.Sprintf("ICBO %s at 25 °C", unit.Format(s.icbo*math.Pow(10, 2*(z-1)), unit.SymAmp, 2))
		}},
	}
}

// Notes are the assumptions made where the sheet is silent.
func (s *BJTSpread) Notes() []string { return s.notes }

// volts prints a voltage to the digits a datasheet has.
func volts(v unit.Volt) string { return unit.Format(float64(v), unit.SymVolt, 3) }
