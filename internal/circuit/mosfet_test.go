package circuit

import (
	"errors"
	"math"
	"strings"
	"testing"

	"fettle/internal/device"
	"fettle/internal/unit"
)

// An invented N-channel part with all that the law has.
var refNMOS = device.MOSFET{KP: 0.2, VTO: 1.5, N: 1.4, R0: 0.8, TCV: 2e-3, MU: 1.5, IDSS: 1e-8,
	Body: device.Diode{IS: 1e-12, N: 1.2, RS: 0.1, XTI: 3, EG: 1.11}}

// bisect finds the zero of a rising function between lo and hi to the last digit.
func bisect(lo, hi float64, f func(x float64) float64) float64 {
	for range 200 {
		if mid := lo + (hi-lo)/2; f(mid) > 0 {
			hi = mid
		} else {
			lo = mid
		}
	}
	return lo
}

// A low-side switch and its mirror image with a resistor for a load, from far below the threshold to far above,
// −40 to +85 °C, against bisection on the drain voltage.
func TestMOSFETSwitch(t *testing.T) {
	for _, p := range []bool{false, true} {
		sign := unit.Volt(1)
		if p {
			sign = -1
		}
		q := refNMOS
		q.P = p
		q.Body = device.Diode{}
		c := New()
		plus, g, d := c.Node("plus"), c.Node("gate"), c.Node("drain")
		c.Voltage("supply", plus, Ground, 12*sign)
		drive := c.Voltage("drive", g, Ground, 0)
		load := c.Resistor("load", plus, d, 470)
		e := c.MOSFET("switch", d, g, Ground, q)
		s := compile(t, c)
		for _, temp := range []unit.Kelvin{233.15, 300.15, 358.15} {
			s.SetTemperature(temp)
			law := q.At(temp)
			for _, ohm := range []unit.Ohm{1, 470, 1e6} {
				s.SetResistance(load, ohm)
				for _, vgs := range []float64{0, 3.3, 0.9, 1.2, 1.45, 1.5, 1.6, 2, 5, -5, 12} {
					s.SetVoltage(drive, sign*unit.Volt(vgs))
					sol := solve(t, s)
					r0 := float64(q.Resistance(temp))
					want := bisect(-1e-12, 12, func(id float64) float64 {
						var at device.MOSFETPoint
						law.Eval(vgs, vgs-(12-id*(float64(ohm)+r0)), &at)
						return id - at.ID
					})
					got := float64(sign) * float64(s.I(e, 0))
					if math.Abs(got-want) > 2e-12+1e-10*math.Abs(want) {
						t.Errorf("P %v, VGS %g V, load %v, %v: %.12g A, bisection %.12g (%d iterations)", p, vgs, ohm, temp, got, want, sol.Iterations)
					}
					if sol.Continuation || sol.Iterations > 30 {
						t.Errorf("P %v, VGS %g V, load %v, %v: %+v", p, vgs, ohm, temp, sol)
					}
				}
			}
		}
		if s.I(e, 1) != 0 || s.I(e, 0) != -s.I(e, 2) {
			t.Errorf("gate %v, drain %v, source %v", s.I(e, 1), s.I(e, 0), s.I(e, 2))
		}
		conserve(t, "switch", s)
	}
}

// Where the source or the drain moves with the current: a follower, and the drain joined to the gate as VGS(th) is
// measured; over nine decades of current.
func TestMOSFETFeedback(t *testing.T) {
	q := refNMOS
	q.IDSS, q.R0, q.Body = 0, 0, device.Diode{}
	law := q.At(300.15)
	for _, ohm := range []unit.Ohm{10, 1e3, 1e5, 1e7, 1e9} {
		c := New()
		plus, src, dio := c.Node("plus"), c.Node("source"), c.Node("diode-connected")
		c.Voltage("supply", plus, Ground, 9)
		f := c.MOSFET("follower", plus, plus, src, q)
		c.Resistor("RS", src, Ground, ohm)
		m := c.MOSFET("diode", dio, dio, Ground, q)
		c.Resistor("RD", plus, dio, ohm)
		s := compile(t, c)
		sol := solve(t, s)
		if sol.Continuation {
			t.Errorf("%v: %+v", ohm, sol)
		}
		// Both see the same: vgs = vds = 9 V − i·R.
		want := bisect(0, 9, func(vgs float64) float64 {
			var at device.MOSFETPoint
			law.Eval(vgs, 0, &at)
			return at.ID - (9-vgs)/float64(ohm)
		})
		want = (9 - want) / float64(ohm)
		for _, e := range []Elem{f, m} {
			if got := float64(s.I(e, 0)); math.Abs(got-want) > 1e-13+1e-9*want {
				t.Errorf("%v: %.12g A, bisection %.12g", ohm, got, want)
			}
		}
		// And so VGS(th) at that current is what stands there.
		if v := q.Threshold(s.I(m, 0), 300.15); math.Abs(float64(v-s.V(dio))) > 1e-6 {
			t.Errorf("%v: %v stand, VGS(th) at %v is %v", ohm, s.V(dio), s.I(m, 0), v)
		}
	}
}

// Third quadrant: off, the body diode carries the current back at its forward voltage; on, the channel takes it over
// with its resistance. For both channels.
func TestMOSFETReversed(t *testing.T) {
	for _, p := range []bool{false, true} {
		sign := 1.0
		q := refNMOS
		if q.P = p; p {
			sign = -1
		}
		c := New()
		g, d := c.Node("gate"), c.Node("drain")
		drive := c.Voltage("drive", g, Ground, 0)
		back := c.Current("back", d, Ground, unit.Amp(sign*0.02))
		e := c.MOSFET("switch", d, g, Ground, q)
		s := compile(t, c)
		solve(t, s)
		if v, want := -sign*float64(s.V(d)), float64(q.Body.Voltage(0.02, 300.15)); math.Abs(v-want) > 1e-4 {
			t.Errorf("P %v, off: %.6f V, body diode %.6f V", p, v, want)
		}
		s.SetVoltage(drive, unit.Volt(sign*10))
		solve(t, s)
		r, _ := q.On(10, 0, 300.15)
		if v, want := -sign*float64(s.V(d)), 0.02*float64(r); relative(v, want) > 2e-3 {
			t.Errorf("P %v, on: %.6f V, RDS(on) %.6f V", p, v, want)
		}
		// Forward and reverse are alike but for the body diode.
		reverse := s.V(d)
		s.SetCurrent(back, unit.Amp(-sign*0.02))
		solve(t, s)
		if v := s.V(d); relative(float64(v), -float64(reverse)) > 5e-3 {
			t.Errorf("P %v, forward %v, reversed %v", p, v, reverse)
		}
		conserve(t, "reversed", s)
		// Without a body diode, then with one again.
		none := q
		none.Body = device.Diode{}
		s.SetMOSFET(e, none)
		solve(t, s)
		s.SetMOSFET(e, q)
		solve(t, s)
		if v := s.V(d); relative(float64(v), -float64(reverse)) > 5e-3 {
			t.Errorf("P %v, set back: %v", p, v)
		}
		s.SetMOSFET(e, device.MOSFET{KP: -1})
		if sol := s.Solve(); sol.Status != Refused || !strings.Contains(s.Why(), "transconductance") {
			t.Errorf("%v, %q", sol.Status, s.Why())
		}
	}
}

// A gate conducts nothing: wired to nothing else it floats and is refused in words; a resistor ties it, the
// transistor's own drain and source are tied through its channel.
func TestFloatingGate(t *testing.T) {
	build := func(tie bool) *Circuit {
		c := New()
		plus, g, d := c.Node("plus"), c.Node("gate of output front"), c.Node("drain")
		c.Voltage("supply", plus, Ground, 12)
		c.Resistor("load", plus, d, 470)
		e := c.MOSFET("Q1", d, g, Ground, refNMOS)
		c.SetWords(e, "switch of output front")
		if tie {
			c.Resistor("pull-down", g, Ground, 100e3)
		} else {
			c.Capacitor("C", g, Ground, 1e-9) // leaves it as open as before
		}
		return c
	}
	_, err := Compile(build(false))
	var top *TopologyError
	if !errors.As(err, &top) || top.Reason != FloatingNode || !strings.Contains(top.Message, "gate of output front floats") || !strings.Contains(top.Message, "switch of output front") {
		t.Errorf("a floating gate: %v", err)
	}
	s := compile(t, build(true))
	solve(t, s)
	// What is left through the channel at VGS = 0 is the leakage.
	if i := s.I(1, 0); math.Abs(float64(i)-12/470.0) < 1e-3 || i > 1e-3 {
		t.Errorf("off, the load carries %v", i)
	}
	// Nothing but the channel ties the drain: no floating node.
	c := New()
	g, d := c.Node("gate"), c.Node("drain")
	c.Voltage("drive", g, Ground, 5)
	c.MOSFET("Q", d, g, Ground, refNMOS)
	s = compile(t, c)
	solve(t, s)
	if v := s.V(d); math.Abs(float64(v)) > 1e-9 {
		t.Errorf("an open drain of a switched-on channel stands at %v", v)
	}
}

// A changed temperature reaches R0 and the body diode too, and nothing is allocated on the way; a clone and a saved
// state carry on where the solver stood.
func TestMOSFETState(t *testing.T) {
	c := New()
	plus, g, d := c.Node("plus"), c.Node("gate"), c.Node("drain")
	c.Voltage("supply", plus, Ground, 12)
	drive := c.Voltage("drive", g, Ground, 5)
	load := c.Filament("lamp", plus, d, bulb)
	e := c.MOSFET("switch", d, g, Ground, refNMOS)
	s := compile(t, c)
	solve(t, s)
	cold := s.V(d).Through(s.I(e, 0))
	s.SetTemperatureOf(e, 398.15)
	solve(t, s)
	hot := s.V(d).Through(s.I(e, 0))
	want, _ := refNMOS.On(5, s.I(e, 0), 398.15) // leakage and body diode lie beside it
	if relative(float64(hot), float64(want)) > 1e-3 || hot < cold*1.3 {
		t.Errorf("RDS(on) %v cold, %v hot, the law says %v", cold, hot, want)
	}
	state := make([]float64, s.StateSize())
	k := 0
	if n := testing.AllocsPerRun(50, func() {
		k++
		s.SetVoltage(drive, unit.Volt(5*(k%2)))
		s.SetTemperatureOf(e, unit.Kelvin(290+k%3))
		s.Solve()
		_ = s.I(e, 0) + s.I(load, 0)
		s.Restore(s.Save(state))
	}); n != 0 {
		t.Errorf("%g allocations a state", n)
	}
	s.SetVoltage(drive, 5)
	solve(t, s)
	v := s.V(d)
	q := s.Clone()
	s.SetVoltage(drive, 0)
	solve(t, s)
	if sol := solve(t, q); q.V(d) != v && math.Abs(float64(q.V(d)-v)) > 1e-9 || sol.Iterations > 2 {
		t.Errorf("the clone stands at %v after %d iterations, the solver stood at %v", q.V(d), sol.Iterations, v)
	}
	conserve(t, "lamp", q)
}
