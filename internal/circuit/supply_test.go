package circuit

import (
	"math"
	"testing"

	"fettle/internal/device"
	"fettle/internal/parts"
	"fettle/internal/unit"
)

// A 78L05 behind a bridge, as a decoder has it, with the chip's 7 mA: at a track of 7 V it gets 5.6 V and, 1.7 V of
// drop-out below that (Wing Shing 78L05, typical at 40 mA), delivers far less than 5 V. What it takes for itself is
// what its table says, in drop-out as in regulation, and nothing without a track.
func TestRegulatorBelowDropOut(t *testing.T) {
	p, ok := parts.Load().Regulator("78L05")
	if !ok {
		t.Fatal("no 78L05 in the catalogue")
	}
	reg, err := device.SpreadRegulator(p)
	if err != nil {
		t.Fatal(err)
	}
	b, _ := parts.Load().Diode("MB6S")
	bridge, err := device.SpreadDiode(b)
	if err != nil {
		t.Fatal(err)
	}
	c := New()
	left, right, plus, vcc := c.Node("left"), c.Node("right"), c.Node("plus"), c.Node("vcc")
	track := c.Voltage("track", left, right, 0)
	d := bridge.At(nil)
	c.Diode("D1", left, plus, d)
	c.Diode("D2", right, plus, d)
	c.Diode("D3", Ground, left, d)
	c.Diode("D4", Ground, right, d)
	u := c.Regulator("78L05", plus, vcc, Ground, reg.At(nil))
	load := c.Resistor("chip", vcc, Ground, 5/0.007)
	s := compile(t, c)
	at := func(v unit.Volt) unit.Volt {
		s.SetVoltage(track, v)
		solve(t, s)
		conserve(t, "supply", s)
		return s.V(vcc)
	}
	drop := 2 * float64(d.Voltage(0.01, 300.15))
	if v := at(7); math.Abs(float64(v)-(7-drop-1.7)) > 0.05 || v > 4.1 {
		t.Errorf("7 V track: %v, by hand %.2f V", v, 7-drop-1.7)
	}
	if v := at(-7); math.Abs(float64(v)-(7-drop-1.7)) > 0.05 {
		t.Errorf("−7 V track: %v, by hand %.2f V", v, 7-drop-1.7)
	}
	if v := at(12); math.Abs(float64(v)-5) > 0.01 {
		t.Errorf("12 V track: %v", v)
	}
	for _, v := range []unit.Volt{3, 7, 12, 22} {
		at(v)
		if own := -s.I(u, 2); math.Abs(float64(own-p.IQtyp)) > 2e-3*float64(p.IQtyp)+1e-6 {
			t.Errorf("%v track: own current %v, table typically %v", v, own, p.IQtyp)
		}
	}
	if v := at(0); math.Abs(float64(v)) > 1e-3 || math.Abs(float64(s.I(u, 0))) > 1e-6 {
		t.Errorf("no track: %v and %v", v, s.I(u, 0))
	}
	// 7 V straight at its input: the worst part in drop-out delivers less than 5 V, the typical one 5 V.
	s.SetVoltage(track, 7+unit.Volt(drop))
	for _, w := range []struct {
		z      float64
		lo, hi unit.Volt
	}{{0, 4.99, 5.01}, {1, 4.9, 4.99}} {
		s.SetRegulator(u, reg.At([]float64{0, w.z}))
		solve(t, s)
		if v := s.V(vcc); v < w.lo || v > w.hi {
			t.Errorf("drop-out at z = %g: %v from %v", w.z, v, s.V(plus))
		}
	}
	// Shorted it gives its limit and no more.
	s.SetResistance(load, 0)
	if at(12); math.Abs(float64(-s.I(u, 1)/reg.At(nil).Limit)-1) > 0.02 {
		t.Errorf("shorted: %v, limit %v", -s.I(u, 1), reg.At(nil).Limit)
	}
	// A PNP type takes a share of its load for itself: LP2950 8 mA at 100 mA, 75 µA at none (TI SNVS764Q).
	q, _ := parts.Load().Regulator("LP2950C-5.0")
	pnp, err := device.SpreadRegulator(q)
	if err != nil {
		t.Fatal(err)
	}
	s.SetRegulator(u, pnp.At(nil))
	for _, w := range []struct{ i, own unit.Amp }{{0.1, 0.008}, {1e-9, 75e-6}} {
		s.SetResistance(load, unit.Volt(5).Through(w.i))
		at(12)
		if own := float64(-s.I(u, 2)); relative(own, float64(w.own)) > 0.02 {
			t.Errorf("LP2950 at %v takes %.4g A for itself, table %v", w.i, own, w.own)
		}
	}
}

// A zener shunt and a gate clamp: the voltage at IZT over temperature by the sheet's coefficient, and what a 12 V zener
// leaves of 24 V behind 10 kΩ. Differential resistance is what the circuit shows, not only the law.
func TestZenerInCircuit(t *testing.T) {
	p, ok := parts.Load().Diode("BZX84-C12")
	if !ok {
		t.Fatal("no BZX84-C12 in the catalogue")
	}
	spread, err := device.SpreadDiode(p)
	if err != nil {
		t.Fatal(err)
	}
	c := New()
	n := c.Node("cathode")
	i := c.Current("test current", Ground, n, p.IZT)
	e := c.Diode("zener", Ground, n, spread.At(nil))
	s := compile(t, c)
	for k, vz := range []unit.Volt{p.VZmin, p.VZnom, p.VZmax} {
		for j, tc := range []float64{p.TCmin, (p.TCmin + p.TCmax) / 2, p.TCmax} {
			s.SetDiode(e, spread.At([]float64{0, float64(k - 1), float64(j - 1)}))
			for _, temp := range []unit.Celsius{-20, 25, 85} {
				s.SetTemperature(temp.Kelvin())
				solve(t, s)
				want := float64(vz) * (1 + tc*float64(temp-25))
				if v := float64(s.V(n)); relative(v, want) > 1e-4 {
					t.Errorf("VZ %v with %.2g/K at %v: %.5f V, by the sheet %.5f", vz, tc, temp, v, want)
				}
			}
		}
	}
	s.SetTemperature(298.15)
	for _, z := range []float64{-1, 0, 1} {
		s.SetDiode(e, spread.At([]float64{0, 0, 0, z}))
		s.SetCurrent(i, p.IZT*1.001)
		solve(t, s)
		up := s.V(n)
		s.SetCurrent(i, p.IZT*0.999)
		solve(t, s)
		r := (up - s.V(n)).Through(p.IZT * 0.002)
		if want := []unit.Ohm{p.ZZT / 4, p.ZZT / 2, p.ZZT}[int(z)+1]; relative(float64(r), float64(want)) > 0.01 {
			t.Errorf("differential resistance at z = %g: %v, sheet's greatest %v", z, r, p.ZZT)
		}
	}
}
