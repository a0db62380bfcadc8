package device

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"fettle/internal/parts"
	"fettle/internal/unit"
)

// A DiodeSpread is a diode or LED type as its datasheet bounds it: a typical curve, moved as a whole (and,
// for diodes with several limits, also stretched by its ohmic part). Variables: VF; for zeners also VZ, TC (of VZ) and
// ZZ (differential resistance: −1 half the typical, 0 half the greatest, +1 the greatest ZZT and ZZK). Leakage stands
// at its guaranteed greatest.
type DiodeSpread struct {
	name      string
	base      Diode // typical
	low, high float64
	more      float64 // ohmic resistance added at VF +1
	sayI      unit.Amp
	vz        [3]float64 // VZ at −1, 0, +1; zero: no zener
	izt       unit.Amp
	tc        [3]float64 // of VZ, relative, per kelvin
	knee      [3]knee    // at ZZ −1, 0, +1
	notes     notes
}

// curve is a typical forward curve V = n·Vt·ln(i) + c + rs·i at table temperature.
type curve struct{ nVt, c, rs float64 }

func (k curve) v(i float64) float64 { return k.nVt*math.Log(i) + k.c + k.rs*i }

// fitCurve finds the curve through points by least squares; n stays within its bounds and rs at or above 0.
// With fewer than three points n is the given one, with one point rs as well.
func fitCurve(points []parts.IV, n, nLow, nHigh, rs float64) curve {
	vt := float64(tableTemperature.ThermalVoltage())
	fit := func(n float64) (curve, float64) {
		// Linear in c and rs once n is fixed.
		k := curve{nVt: n * vt, rs: rs}
		var s1, si, sii, sy, siy float64
		for _, p := range points {
			i, y := float64(p.I), float64(p.V)-k.nVt*math.Log(float64(p.I))
			s1, si, sii, sy, siy = s1+1, si+i, sii+i*i, sy+y, siy+i*y
		}
		if det := s1*sii - si*si; len(points) > 1 && det > 0 {
			k.rs = max(0, (s1*siy-si*sy)/det)
		}
		k.c = (sy - k.rs*si) / s1
		miss := 0.0
		for _, p := range points {
			d := k.v(float64(p.I)) - float64(p.V)
			miss += d * d
		}
		return k, miss
	}
	if len(points) < 3 {
		k, _ := fit(n)
		return k
	}
	best, least := curve{}, math.Inf(1)
	for n := nLow; n <= nHigh+1e-9; n += 0.01 {
		if k, miss := fit(n); miss < least {
			best, least = k, miss
		}
	}
	return best
}

// diode is the curve as a device, falling by slope (V/K) at current i.
func (k curve) diode(i, slope float64) Diode {
	vt := float64(tableTemperature.ThermalVoltage())
	d := Diode{N: k.nVt / vt, IS: unit.Amp(math.Exp(-k.c / k.nVt)), RS: unit.Ohm(k.rs), XTI: xti, T0: tableTemperature}
	d.EG = gapFor(k.v(i)-k.rs*i, slope, tableTemperature)
	return d
}

// A class is what is taken of a kind of diode or LED where its sheet is silent.
type class struct {
	n, nLow, nHigh float64
	rs             float64 // Ω, where one point is all there is
	i, v           float64 // a typical point
	slope          float64 // V/K
	below          float64 // V: least VF under the typical
	typical        float64 // V: typical under the greatest VF where only that is given
	source         string
}

var diodeClasses = map[string]class{
	"switching": {1.9, 1, 2.2, 1, 0.01, 0.75, -2e-3, 0.08, 0.1, "0.75 V at 10 mA, as the 1N4148"},
	"rectifier": {1.8, 1, 2.2, 0.05, 0.02, 0.70, -2e-3, 0.08, 0.1, "0.7 V at 20 mA, silicon rectifiers"},
	"bridge":    {1.8, 1, 2.2, 0.1, 0.02, 0.70, -2e-3, 0.08, 0.1, "0.7 V at 20 mA for each diode, silicon bridges"},
	"schottky":  {1.05, 1, 1.4, 0.5, 0.02, 0.30, -1.5e-3, 0.04, 0.05, "0.3 V at 20 mA, Schottky diodes"},
	"zener":     {1.5, 1, 2.2, 1, 0.01, 0.75, -2e-3, 0.06, 0.1, "0.75 V at 10 mA, zeners forward"},
}

// SpreadDiode fits the spread of a rectifier, signal diode, Schottky or zener. A bridge is its single diode.
func SpreadDiode(p parts.Diode) (*DiodeSpread, error) {
	cl, ok := diodeClasses[p.Type]
	if !ok {
		return nil, fmt.Errorf("%s: nothing is known of diodes of type %q", p.Name, p.Type)
	}
	s := &DiodeSpread{name: p.Name}
	typ, top := good(p.VFtyp), good(p.VFmax)
	var k curve
	switch {
	case len(typ) >= 2:
		k = fitCurve(typ, cl.n, cl.nLow, cl.nHigh, cl.rs)
	case len(top) >= 2:
		for i := range top {
			top[i].V -= unit.Volt(cl.typical)
		}
		k = fitCurve(top, cl.n, cl.nLow, cl.nHigh, cl.rs)
		top = good(p.VFmax)
		s.notes.add("typical VF taken %s below the greatest", volts(unit.Volt(cl.typical)))
	default:
		points := []parts.IV{{I: unit.Amp(cl.i), V: unit.Volt(cl.v)}}
		s.notes.add("typical VF taken as %s (from memory)", cl.source)
		if len(typ) == 1 && float64(typ[0].I) > 3*cl.i {
			points = append(points, typ[0])
		} else if len(top) == 1 && float64(top[0].I) > 3*cl.i {
			t := top[0]
			t.V -= unit.Volt(cl.typical)
			points = append(points, t)
			s.notes.add("typical VF at %v taken %s below the greatest", t.I, volts(unit.Volt(cl.typical)))
		}
		k = fitCurve(points, cl.n, cl.nLow, cl.nHigh, cl.rs)
	}
	// The current that Say and the temperature slope speak of: a lamp's, or the nearest that is listed.
	s.sayI = unit.Amp(cl.i)
	s.base = k.diode(cl.i, cl.slope)

	var one, is, need []float64
	for _, t := range top {
		if d := float64(t.V) - k.v(float64(t.I)); d > 0 {
			one, is, need = append(one, 1), append(is, float64(t.I)), append(need, d)
		}
	}
	if len(need) > 0 {
		s.high, s.more = cover(one, is, need, one)
	} else {
		s.high = cl.typical
		s.notes.add("greatest VF taken %s above the typical", volts(unit.Volt(cl.typical)))
	}
	s.high += 1e-6
	s.low = cl.below
	s.notes.add("least VF taken %s below the typical (from memory)", volts(unit.Volt(cl.below)))
	s.notes.add("VF falls by %.1f mV/K (from memory)", -1e3*cl.slope)

	if p.Type == "zener" {
		s.fitZener(p)
	}
	s.fitLeakage(p)
	return s, nil
}

// fitLeakage takes the reverse current at its guaranteed greatest: a power of the voltage through the points at 25 °C,
// doubling as fast as the hot points ask.
func (s *DiodeSpread) fitLeakage(p parts.Diode) {
	var cold, hot []parts.Leakage
	for _, l := range p.IR {
		switch {
		case !(l.Max > 0) || !(l.V > 0) || !known(float64(l.Max)) || !known(float64(l.V)):
		case l.T == unit.FitTemperature:
			cold = append(cold, l)
		case l.T > unit.FitTemperature:
			hot = append(hot, l)
		}
	}
	if len(cold) == 0 {
		return
	}
	slices.SortFunc(cold, func(a, b parts.Leakage) int { return cmp.Compare(a.V, b.V) })
	power := 1.0
	if first, last := cold[0], cold[len(cold)-1]; last.V > first.V {
		power = max(1, math.Log(float64(last.Max/first.Max))/math.Log(float64(last.V/first.V)))
	}
	// The junction itself leaks, a zener's knee most where it breaks down earliest.
	bare := s.At([]float64{0, -1})
	own := func(l parts.Leakage) unit.Amp { return bare.Leakage(l.V, l.T.Kelvin()) }
	for _, l := range cold {
		need := float64(l.Max - own(l))
		s.base.GP = max(s.base.GP, need/math.Pow(float64(l.V), power))
	}
	if power > 1 {
		s.base.MGP = power
		s.notes.add("reverse leakage taken at its greatest, by the %.1fth power of the voltage through the sheet's points", power)
	} else {
		s.notes.add("reverse leakage taken at its greatest, %v at %v, in proportion to the voltage", cold[0].Max, cold[0].V)
	}
	s.base.Double = 10
	fastest := math.Inf(1)
	for _, l := range hot {
		if ratio := float64(l.Max-own(l)) / (s.base.GP * math.Pow(float64(l.V), power)); ratio > 1 && finite(ratio) {
			fastest = min(fastest, float64(l.T-unit.FitTemperature)/math.Log2(ratio))
		}
	}
	if finite(fastest) {
		s.base.Double = fastest
	} else {
		s.notes.add("reverse leakage doubles every 10 K (from memory)")
	}
	for _, l := range hot { // where the junction alone leaks what is allowed when cold, but not when hot
		rise := math.Pow(float64(l.V), power) * math.Exp2(float64(l.T-unit.FitTemperature)/s.base.Double)
		s.base.GP = max(s.base.GP, float64(l.Max-own(l))/rise)
	}
}

func good(points []parts.IV) []parts.IV {
	var out []parts.IV
	for _, p := range points {
		if p.I > 0 && p.V > 0 && finite(float64(p.I)) && finite(float64(p.V)) {
			out = append(out, p)
		}
	}
	return out
}

// fitZener sets the reverse knee: VZ at its test current, with half of the greatest differential resistance.
func (s *DiodeSpread) fitZener(p parts.Diode) {
	nom, low, high := float64(p.VZnom), float64(p.VZmin), float64(p.VZmax)
	if !finite(nom) {
		nom = (low + high) / 2
	}
	if !finite(nom) || nom <= 0 {
		s.notes.add("no zener voltage is given: no breakdown")
		return
	}
	if !finite(low) || !finite(high) {
		low, high = 0.95*nom, 1.05*nom
		s.notes.add("zener voltage taken as ±5 %%")
	}
	s.izt = unit.Or(p.IZT, 5e-3)
	s.vz = [3]float64{low, nom, high}
	s.fitCoefficient(p)
	s.fitKnee(p)
}

// fitCoefficient reads the temperature coefficient of VZ, or that of the class of the same voltage.
func (s *DiodeSpread) fitCoefficient(p parts.Diode) {
	from, nearest := p, math.Inf(1)
	if !known(p.TCmin) || !known(p.TCmax) {
		for _, q := range parts.Load().Diodes() {
			if d := math.Abs(float64(q.VZnom) - s.vz[1]); q.Type == "zener" && known(q.TCmin) && known(q.TCmax) && d < nearest {
				from, nearest = q, d
			}
		}
		if math.IsInf(nearest, 1) {
			return
		}
		s.notes.add("temperature coefficient taken from %s", from.Name)
	}
	s.tc = [3]float64{from.TCmin, (from.TCmin + from.TCmax) / 2, from.TCmax}
}

// knee is how soft a breakdown begins: the steepness of its sharp and of its soft exponential, V; alike: only one.
type knee struct{ sharp, soft float64 }

// softShare of 1 mA is carried by the soft exponential, where there is one.
const softShare = 0.99

// at is the voltage beyond bv at which the knee carries i (A), and its differential resistance there. The law is zero at
// zero volts, so that bv has a say.
func (k knee) at(i, bv float64) (v, z float64) {
	const sharp, soft = breakdownCurrent * (1 - softShare), breakdownCurrent * softShare
	i += sharp*math.Exp(-bv/k.sharp) + soft*math.Exp(-bv/k.soft)
	v = min(k.sharp*math.Log(i/sharp), k.soft*math.Log(i/soft))
	for range 60 { // from the right, where Newton comes down on a convex law
		a, b := sharp*math.Exp(v/k.sharp), soft*math.Exp(v/k.soft)
		z = 1 / (a/k.sharp + b/k.soft)
		d := (i - a - b) * z
		if v += d; math.Abs(d) < 1e-14 {
			break
		}
	}
	return v, z
}

// breakdown is BV of the knee that carries i with v across it.
func (k knee) breakdown(v, i float64) float64 {
	bv := v
	for range 30 {
		x, _ := k.at(i, bv)
		last := bv
		if bv = v - x; math.Abs(bv-last) < 1e-12 {
			break
		}
	}
	return bv
}

// fitKnee finds the knee whose differential resistances are the sheet's greatest at IZT and IZK; half of it is typical,
// half of that the least.
func (s *DiodeSpread) fitKnee(p parts.Diode) {
	zzt, zzk, izk := float64(p.ZZT), float64(p.ZZK), float64(unit.Or(p.IZK, 1e-3))
	if !known(zzt) || !(zzt > 0) {
		zzt = 4 * float64(tableTemperature.ThermalVoltage()) / float64(s.izt)
		s.notes.add("differential resistance at VZ taken as at most %s", unit.Format(zzt, unit.SymOhm, 2))
	}
	if !known(zzk) || !(zzk > 0) || !(izk < float64(s.izt)) {
		zzk = 0
	}
	worst := s.kneeFor(zzt, zzk, izk)
	for k, share := range []float64{0.25, 0.5, 1} {
		f := s.behindRS(zzt*share) / s.behindRS(zzt)
		s.knee[k] = knee{worst.sharp * f, worst.soft * f}
	}
	s.notes.add("differential resistance at VZ typically half its greatest")
}

// behindRS is what of a differential resistance is the knee's own.
func (s *DiodeSpread) behindRS(z float64) float64 { return max(z-float64(s.base.RS), 0.1*z) }

// kneeFor is the knee with the differential resistances zzt at IZT and zzk at izk, of which the diode's own series
// resistance is a part. A single exponential has zzk/zzt = IZT/izk: a sheet that asks for more takes a second, softer
// one; for less, zzt alone is met and the knee is softer than it need be.
func (s *DiodeSpread) kneeFor(zzt, zzk, izk float64) knee {
	izt := float64(s.izt)
	zzt, zzk = s.behindRS(zzt), s.behindRS(zzk)
	k := knee{zzt * izt, zzt * izt}
	if zzk*izk <= 1.02*zzt*izt {
		return k
	}
	widest := k.sharp
	for range 3 { // what is zero at zero volts depends on BV, and that on the knee
		bv := k.breakdown(s.vz[1], izt)
		low, high := 1e-3*widest, widest
		for range 24 {
			k.sharp = math.Sqrt(low * high)
			soft, top := k.sharp, 2*zzk*izk+k.sharp
			for range 24 {
				k.soft = math.Sqrt(soft * top)
				if _, z := k.at(izk, bv); z > zzk {
					top = k.soft
				} else {
					soft = k.soft
				}
			}
			if _, z := k.at(izt, bv); z > zzt {
				high = k.sharp
			} else {
				low = k.sharp
			}
		}
	}
	return k
}

// SpreadLED fits the spread of an LED: the typical curve of its class or its own points, shifted as a whole.
func SpreadLED(p parts.LED) (*DiodeSpread, error) {
	s := &DiodeSpread{name: p.Name}
	like := p
	if !(p.ModelN > 0) || !finite(p.DVFdT) {
		if c, ok := parts.Load().LEDClass(p.Class, "0603"); ok {
			like = c
		}
	}
	cl := class{n: 2.2, nLow: 1.2, nHigh: 3.5, rs: 10, slope: -2.5e-3}
	if like.ModelN > 0 {
		cl.n = like.ModelN
	}
	if known(float64(like.ModelRS)) {
		cl.rs = float64(like.ModelRS)
	}
	if finite(like.DVFdT) {
		cl.slope = like.DVFdT
	} else {
		s.notes.add("VF falls by 2.5 mV/K (from memory: 2 to 3 mV/K)")
	}
	typ := float64(p.VFtyp)
	s.sayI = unit.Or(p.IFtest, 0.02)
	points := good(p.VFpoints)
	if !finite(typ) && finite(float64(p.VFmin)) && finite(float64(p.VFmax)) && len(points) == 0 {
		typ = float64(p.VFmin+p.VFmax) / 2
		s.notes.add("typical VF taken in the middle of the limits")
	}
	var k curve
	switch {
	case p.ModelIS > 0 && p.ModelN > 0:
		nVt := p.ModelN * float64(tableTemperature.ThermalVoltage())
		k = curve{nVt, -nVt * math.Log(float64(p.ModelIS)), max(0, float64(unit.Or(p.ModelRS, 0)))}
	case len(points) > 0:
		k = fitCurve(points, cl.n, cl.nLow, cl.nHigh, cl.rs)
	case finite(typ):
		// A chip for more current has more area and so less resistance; the class is for 20 mA.
		cl.rs *= min(1, 0.02/float64(s.sayI))
		k = fitCurve([]parts.IV{{I: s.sayI, V: unit.Volt(typ)}}, cl.n, cl.nLow, cl.nHigh, cl.rs)
		s.notes.add("shape of the forward curve taken from the class %s", like.Class)
	case like.ModelIS > 0 && like.ModelN > 0:
		nVt := like.ModelN * float64(tableTemperature.ThermalVoltage())
		k = curve{nVt, -nVt * math.Log(float64(like.ModelIS)), cl.rs}
		typ = k.v(float64(s.sayI))
		s.notes.add("no forward voltage is given: taken from the class %s", like.Class)
		p.VFmin, p.VFmax = like.VFmin, like.VFmax
	default:
		return nil, fmt.Errorf("%s: no forward voltage is known", p.Name)
	}
	s.base = k.diode(float64(s.sayI), cl.slope)
	v := k.v(float64(s.sayI))
	if !finite(typ) {
		typ = v
	}
	s.high, s.low = float64(p.VFmax)-typ, typ-float64(p.VFmin)
	if !(s.high > 0) {
		s.high = 0.3
		s.notes.add("greatest VF taken 0.3 V above the typical (from memory)")
	}
	if !(s.low > 0) {
		s.low = min(0.2, s.high)
		s.notes.add("least VF taken %s below the typical", volts(unit.Volt(s.low)))
	}
	// The model's typical may miss the sheet's by its fitting error; the limits are the sheet's.
	s.high += max(0, typ-v) + 1e-6
	s.low += max(0, v-typ) + 1e-6
	if strings.Contains(p.Source, "from memory") {
		s.notes.add("%s: planning values from memory, better replaced by a reading", p.Name)
	}
	return s, nil
}

// At is the diode at z (VF, and for zeners VZ, TC, ZZ); missing entries are 0.
func (s *DiodeSpread) At(z []float64) Diode {
	d := s.base
	shift := between(at(z, 0), -s.low, 0, s.high)
	d.IS *= unit.Amp(math.Exp(-shift / (d.N * float64(tableTemperature.ThermalVoltage()))))
	d.EG += unit.Volt(shift) // the slope over temperature stays
	d.RS += unit.Ohm(between(at(z, 0), 0, 0, s.more))
	if s.vz[1] > 0 {
		vz := between(at(z, 1), s.vz[0], s.vz[1], s.vz[2])
		k := knee{betweenRatios(at(z, 3), s.knee[0].sharp, s.knee[1].sharp, s.knee[2].sharp),
			betweenRatios(at(z, 3), s.knee[0].soft, s.knee[1].soft, s.knee[2].soft)}
		if k.soft > k.sharp {
			d.Soft, d.NSoft = softShare, k.soft/float64(tableTemperature.ThermalVoltage())
		}
		d.NBV = k.sharp / float64(tableTemperature.ThermalVoltage())
		// The knee carries IZT, less the leakage, at VZ, less the series resistance.
		v := vz - float64(s.izt)*float64(d.RS)
		d.BV = unit.Volt(k.breakdown(v, max(0.1*float64(s.izt), float64(s.izt)-d.GP*math.Pow(v, orOne(d.MGP)))))
		d.TBV = between(at(z, 2), s.tc[0], s.tc[1], s.tc[2]) * vz / float64(d.BV)
	}
	return d
}

// Vars are the variables, in the order of At's argument.
func (s *DiodeSpread) Vars() []Vary {
	v := []Vary{{"VF", Normal3, func(z float64) string {
		return fmt.Sprintf("VF %s at %v", volts(s.At([]float64{z}).Voltage(s.sayI, tableTemperature)), s.sayI)
	}}}
	if s.vz[1] > 0 {
		v = append(v, Vary{"VZ", Normal3, func(z float64) string {
			return fmt.Sprintf("VZ %s at %v", volts(unit.Volt(between(z, s.vz[0], s.vz[1], s.vz[2]))), s.izt)
		}}, Vary{"TC", Normal3, func(z float64) string {
			return strings.Replace(fmt.Sprintf("VZ changes by %+.2g %%/K", 100*between(z, s.tc[0], s.tc[1], s.tc[2])), "-", "−", 1)
		}}, Vary{"ZZ", Normal3, func(z float64) string {
			_, r, _ := s.At([]float64{0, 0, 0, z}).Reverse(s.izt, tableTemperature)
			return fmt.Sprintf("ZZT %s at %v", unit.Format(float64(r), unit.SymOhm, 2), s.izt)
		}})
	}
	return v
}

// Notes are the assumptions made where the sheet is silent.
func (s *DiodeSpread) Notes() []string { return s.notes }
