package circuit

import (
	"math"
	"math/rand/v2"
	"testing"

	"fettle/internal/device"
	"fettle/internal/pin"
)

// matrix is what stamp wrote, unfactored, row by row.
func (s *Solver) matrix() [][]float64 {
	m := make([][]float64, s.n)
	for k := range m {
		m[k] = make([]float64, s.n)
	}
	for k := range s.pivots {
		p := &s.pivots[k]
		m[k][k] = s.lu[p.diag]
		for j := range p.width {
			c := s.columns[p.column+j]
			m[k][c], m[c][k] = s.lu[p.upper+j], s.lu[p.upper+p.width+j]
		}
	}
	return m
}

// Every stamp against finite differences: the matrix of a circuit with all kinds of elements is the derivative of its
// unbalanced currents, at random voltages from blocked to far beyond.
func TestStampDerivatives(t *testing.T) {
	c := New()
	n := func(s string) Node { return c.Node(s) }
	plus, vcc, p1, p2, g, d, x, y, sup := n("plus"), n("vcc"), n("pin high"), n("pin low"), n("gate"), n("drain"), n("x"), n("y"), n("supply")
	c.Voltage("supply", sup, Ground, 12)
	c.Resistor("feed", sup, plus, 10)
	c.Regulator("regulator", plus, vcc, y, device.Regulator{Vout: 5, Dropout: 1.7, Rdrop: 3, IQ: 4e-3, Ground: 0.08, Limit: 0.2})
	follows := device.Pin{RHigh: 70, RLow: 60, VCC: 5, Lowest: 2.7, HighPower: 0.7, LowPower: 1, Leak: 1e-6, Clamp: si}
	c.SetLevel(c.Pin("high", p1, vcc, y, follows), pin.High)
	c.SetLevel(c.Pin("low", p2, vcc, y, follows), pin.Low)
	c.Pin("open", x, vcc, y, follows)
	c.Resistor("R1", p1, g, 1000)
	c.Resistor("R2", p2, g, 1000)
	c.Resistor("R3", y, Ground, 5)
	c.MOSFET("N", d, g, y, refNMOS)
	pch := refNMOS
	pch.P = true
	c.MOSFET("P", x, g, vcc, pch)
	c.Filament("lamp", plus, d, bulb)
	zener := device.Diode{IS: 1e-12, N: 1.5, BV: 5.1, NBV: 2, Soft: 0.9, NSoft: 12, GP: 1e-9, MGP: 2, XTI: 3, EG: 1.11}
	c.Diode("zener", y, x, zener)
	c.BJT("Q", d, x, y, refNPN)
	s := compile(t, c)
	solve(t, s)
	s.ctx.dense, s.ctx.exact, s.ctx.fresh = true, true, false
	s.assembleLinear()
	r := rand.New(rand.NewPCG(4, 4))
	checked := 0
	for range 10000 {
		for k := range s.x {
			s.x[k] = -1 + 8*r.Float64()
			if k >= s.branchAt && k < s.branchAt+s.branches {
				s.x[k] = 0.15 * r.Float64()
			}
		}
		// No exponential so steep that a difference quotient is lost beside it.
		ok := true
		s.spread()
		s.stamp()
		for k := range s.dio {
			ok = ok && s.dio[k].u < 1 && s.dio[k].u > -5.5
		}
		for k := range s.bjt {
			ok = ok && s.bjt[k].u1 < 0.9 && s.bjt[k].u2 < 0.9
		}
		if !ok {
			continue
		}
		m := s.matrix()
		size := 0.0
		for _, row := range m {
			for _, v := range row {
				size = max(size, math.Abs(v))
			}
		}
		for j := range s.x {
			const h = 2e-5
			at := s.x[j]
			value := func(x float64) []float64 {
				s.x[j] = x
				s.spread()
				s.stamp()
				return append([]float64(nil), s.b[:s.n]...)
			}
			a, b, a2, b2 := value(at-h), value(at+h), value(at-2*h), value(at+2*h)
			s.x[j] = at
			for i := range s.x {
				got, want := m[i][j], -(8*(b[i]-a[i])-(b2[i]-a2[i]))/(12*h)
				if math.Abs(got-want) > 1e-5*math.Abs(want)+1e-8*size {
					t.Errorf("row %d, unknown %d at %.5g: %.10g, difference quotient %.10g", i, j, at, got, want)
				}
				checked++
			}
		}
	}
	if checked < 20000 {
		t.Errorf("only %d entries checked", checked)
	}
}
