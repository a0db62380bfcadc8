package device

import (
	"fmt"
	"math"
	"strings"

	"fettle/internal/parts"
	"fettle/internal/unit"
)

// A Prebiased is a transistor with its resistors: R1 from the input to its base, R2 from base to emitter. R2 = 0
// means that there is none.
type Prebiased struct {
	R1, R2 unit.Ohm
	BJT    BJT
}

// through is the current in R2 with vbe across it.
func (p Prebiased) through(vbe unit.Volt) unit.Amp {
	if p.R2 == 0 {
		return 0
	}
	return vbe.Over(p.R2)
}

// Gain is output over input current at an output current and voltage (magnitudes), as its sheet's gain is measured.
func (p Prebiased) Gain(io unit.Amp, vo unit.Volt, t unit.Kelvin) (g float64, ok bool) {
	h, vbe, ok := p.BJT.Active(io, vo, t)
	if !ok {
		return 0, false
	}
	return float64(io) / (float64(io)/h + float64(p.through(vbe))), true
}

// Forced is the output voltage with both currents given, as its sheet's saturation points are measured. ok is false if
// ii cannot hold io.
func (p Prebiased) Forced(io, ii unit.Amp, t unit.Kelvin) (vo unit.Volt, ok bool) {
	return p.driven(io, t, func(ib unit.Amp, vbe unit.Volt) float64 { return float64(ib + p.through(vbe) - ii) }, ii)
}

// Output is the output voltage with vi at the input and io flowing into the output. ok is false if vi cannot hold io.
func (p Prebiased) Output(vi unit.Volt, io unit.Amp, t unit.Kelvin) (vo unit.Volt, ok bool) {
	return p.driven(io, t, func(ib unit.Amp, vbe unit.Volt) float64 {
		return float64(ib + p.through(vbe) - (vi - vbe).Over(p.R1))
	}, vi.Over(p.R1))
}

// driven finds the base current at which excess, which rises with it, is zero; it lies below most.
func (p Prebiased) driven(io unit.Amp, t unit.Kelvin, excess func(ib unit.Amp, vbe unit.Volt) float64, most unit.Amp) (vo unit.Volt, ok bool) {
	low, high := 0.0, float64(most)
	for range 60 {
		mid := (low + high) / 2
		if _, vbe, ok := p.BJT.Forced(io, unit.Amp(mid), t); !ok || excess(unit.Amp(mid), vbe) < 0 {
			low = mid // too little for io, or more is on offer
		} else {
			high = mid
		}
	}
	// What too little to hold io was taken for must have been on offer.
	vo, vbe, ok := p.BJT.Forced(io, unit.Amp(high), t)
	if !ok || excess(unit.Amp(high), vbe) > 1e-6*float64(most) {
		return 0, false
	}
	return vo, true
}

// An InputPoint is a guaranteed line of a pre-biased transistor's sheet: with VI at the input, VO at the output and IO
// into it.
type InputPoint struct {
	VI, VO unit.Volt
	IO     unit.Amp
}

// A PrebiasedSpread is a pre-biased type as its datasheet bounds it. Variables, in this order: R1 (−1 the least, +1 the
// greatest), R2/R1 likewise (left out where there is no R2), and those of the bare transistor: hFE, VBE, VCE(sat),
// ICBO. What the sheet says of the whole is worked back to the bare transistor with the least R2, so that the part
// which is worst in everything stands at the sheet's limits or beyond.
type PrebiasedSpread struct {
	part      parts.BJT
	bare      *BJTSpread
	r1, ratio [3]float64 // ratio 0: no R2
	on, off   InputPoint
	notes     notes
}

// Tolerances where the sheet gives none (common to all makers' sheets).
const (
	r1Tolerance    = 0.30
	ratioTolerance = 0.20
	leastOfTypical = 0.6 // least bare gain as a share of the typical, at most
	shareOfInput   = 0.1 // of the input current at least reaches the base
	usualVBE       = 0.7 // V, to begin with
)

// SpreadPrebiased fits the spread of a pre-biased transistor.
func SpreadPrebiased(p parts.BJT) (*PrebiasedSpread, error) {
	if !p.Prebiased() {
		return nil, fmt.Errorf("%s: it is not pre-biased", p.Name)
	}
	s := &PrebiasedSpread{part: p}
	if !known(float64(p.R1)) || !(p.R1 > 0) {
		return nil, fmt.Errorf("%s: R1 is not known", p.Name)
	}
	s.r1 = s.limits("R1", float64(p.R1Min), float64(p.R1), float64(p.R1Max), r1Tolerance)
	if known(float64(p.R2)) && p.R2 > 0 {
		s.ratio = s.limits("R2/R1", p.R2R1Min, float64(p.R2/p.R1), p.R2R1Max, ratioTolerance)
	}
	if err := s.fitBare(p); err != nil {
		return nil, err
	}
	s.notes = append(s.notes, s.bare.Notes()...)
	s.on = inputPoint(p.VIonMin, p.VIonCond)
	s.off = inputPoint(p.VIoffMax, p.VIoffCond)
	return s, nil
}

// limits are the values at −1, 0 and +1.
func (s *PrebiasedSpread) limits(what string, low, nom, high, tolerance float64) [3]float64 {
	if !known(low) || !known(high) || !(0 < low && low <= nom && nom <= high) {
		low, high = nom*(1-tolerance), nom*(1+tolerance)
		s.notes.add("%s taken as ±%.0f %%", what, 100*tolerance)
	}
	return [3]float64{low, nom, high}
}

// fitBare works the sheet's points back to the bare transistor and fits that.
func (s *PrebiasedSpread) fitBare(p parts.BJT) error {
	bare, none := p, math.NaN()
	bare.Polarity = strings.TrimSuffix(p.Polarity, "-prebiased")
	// What R2 takes depends on VBE, which the fit decides: begin with the usual and come back with the fitted.
	vbe := func(unit.Amp, float64) float64 { return usualVBE }
	vbeSat := func(_, _ unit.Amp, _ float64) float64 { return usualVBE }
	worst, nominal := s.r1[0]*s.ratio[0], s.r1[1]*s.ratio[1]
	base := func(ii, r2, v float64) float64 {
		if r2 == 0 {
			return ii
		}
		return max(ii-v/r2, shareOfInput*ii)
	}
	for range 4 {
		bare.Gain, bare.VCEsat = nil, nil
		for _, g := range p.Gain {
			io := float64(g.IC)
			q := parts.GainPoint{IC: g.IC, VCE: g.VCE, Min: none, Typ: none, Max: none}
			if known(g.Typ) {
				q.Typ = io / base(io/g.Typ, nominal, vbe(g.IC, 0))
			}
			if known(g.Min) {
				q.Min = io / base(io/g.Min, worst, vbe(g.IC, 1))
				if known(q.Typ) {
					q.Min = min(q.Min, leastOfTypical*q.Typ)
				}
			}
			bare.Gain = append(bare.Gain, q)
		}
		for _, v := range p.VCEsat {
			if known(float64(v.Max)) {
				ib := unit.Amp(base(float64(v.IB), worst, vbeSat(v.IC, v.IB, 1)))
				bare.VCEsat = append(bare.VCEsat, parts.SatPoint{IC: v.IC, IB: ib, Typ: unit.Volt(none), Max: v.Max})
			}
			if known(float64(v.Typ)) {
				ib := unit.Amp(base(float64(v.IB), nominal, vbeSat(v.IC, v.IB, 0)))
				bare.VCEsat = append(bare.VCEsat, parts.SatPoint{IC: v.IC, IB: ib, Typ: v.Typ, Max: unit.Volt(none)})
			}
		}
		var err error
		if s.bare, err = spreadBJT(bare); err != nil {
			return err
		}
		vbe = func(ic unit.Amp, z float64) float64 {
			if _, v, ok := s.bare.At([]float64{-z, z}).Active(ic, 1, tableTemperature); ok {
				return float64(v)
			}
			return usualVBE
		}
		vbeSat = func(ic, ii unit.Amp, z float64) float64 {
			r2 := nominal
			if z > 0 {
				r2 = worst
			}
			if _, v, ok := s.bare.At([]float64{-z, z, z}).Forced(ic, unit.Amp(base(float64(ii), r2, usualVBE)), tableTemperature); ok {
				return float64(v)
			}
			return usualVBE
		}
	}
	if worst > 0 {
		s.notes.add("gain and saturation worked back to the bare transistor with the least R2, %v", unit.Ohm(worst))
	}
	return nil
}

// inputPoint reads the conditions of a guaranteed input voltage: "VO=0.3V, IO=10mA", "VCC=5V, IO=100uA (magnitude)".
// It is zero where something is missing.
func inputPoint(vi unit.Volt, conditions string) InputPoint {
	p := InputPoint{VI: vi}
	found := 0
	for _, c := range strings.Split(strings.TrimSuffix(conditions, "(magnitude)"), ",") {
		name, value, _ := strings.Cut(strings.TrimSpace(c), "=")
		switch name {
		case "VO", "VCC":
			if v, err := unit.ParseVolt(strings.TrimSpace(value)); err == nil {
				p.VO = unit.Volt(math.Abs(float64(v)))
				found++
			}
		case "IO":
			if i, err := unit.ParseAmp(strings.TrimSpace(value)); err == nil {
				p.IO = unit.Amp(math.Abs(float64(i)))
				found++
			}
		}
	}
	if !known(float64(vi)) || found != 2 {
		return InputPoint{}
	}
	return p
}

// GuaranteedOn is the sheet's VI(on): with at least VI at the input the output stands at no more than VO while IO
// flows into it (magnitudes, 25 °C). ok is false if the sheet gives none.
func (s *PrebiasedSpread) GuaranteedOn() (p InputPoint, ok bool) { return s.on, s.on.VI > 0 }

// GuaranteedOff is the sheet's VI(off): with no more than VI at the input, no more than IO flows into an output at VO.
func (s *PrebiasedSpread) GuaranteedOff() (p InputPoint, ok bool) { return s.off, s.off.VI > 0 }

// At is the transistor at z (R1, R2/R1 if it has R2, hFE, VBE, VCE(sat), ICBO); missing entries are 0.
func (s *PrebiasedSpread) At(z []float64) Prebiased {
	p := Prebiased{R1: unit.Ohm(between(at(z, 0), s.r1[0], s.r1[1], s.r1[2]))}
	rest := min(1, len(z))
	if s.ratio[1] > 0 {
		p.R2 = p.R1 * unit.Ohm(between(at(z, 1), s.ratio[0], s.ratio[1], s.ratio[2]))
		rest = min(2, len(z))
	}
	p.BJT = s.bare.At(z[rest:])
	return p
}

// Vars are the variables, in the order of At's argument.
func (s *PrebiasedSpread) Vars() []Vary {
	v := []Vary{{"R1", Normal3, func(z float64) string {
		return "R1 " + unit.Format(float64(s.At([]float64{z}).R1), unit.SymOhm, 3)
	}}}
	if s.ratio[1] > 0 {
		v = append(v, Vary{"R2/R1", Normal3, func(z float64) string {
			return fmt.Sprintf("R2/R1 %.3g", between(z, s.ratio[0], s.ratio[1], s.ratio[2]))
		}})
	}
	n := len(v)
	bare := s.bare.Vars()
	// Gain and saturation as the sheet has them: of the whole, with its nominal resistors.
	if len(s.part.Gain) > 0 {
		g := s.part.Gain[0]
		bare[0].Say = func(z float64) string {
			gain, ok := s.At(append(make([]float64, n), z)).Gain(g.IC, unit.Or(g.VCE, 5), tableTemperature)
			if !ok {
				return "gain not defined there"
			}
			return fmt.Sprintf("gain %.3g at %v", gain, g.IC)
		}
	}
	if len(s.part.VCEsat) > 0 {
		p := s.part.VCEsat[0]
		bare[2].Say = func(z float64) string {
			vo, ok := s.At(append(make([]float64, n), min(0, -z), 0, z)).Forced(p.IC, p.IB, tableTemperature)
			if !ok {
				return fmt.Sprintf("not saturated at %v with %v", p.IC, p.IB)
			}
			return fmt.Sprintf("VO(on) %s at %v with %v", volts(vo), p.IC, p.IB)
		}
	}
	return append(v, bare...)
}

// Notes are the assumptions made where the sheet is silent.
func (s *PrebiasedSpread) Notes() []string { return s.notes }
