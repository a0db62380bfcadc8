package meter

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"fettle/internal/unit"
)

func within(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: %.7g, want %.7g ± %.2g", what, got, want, tol)
	}
}

// Voltmeter loading: Kalsi, Electronic Instrumentation, 3rd ed., example 4.11, p. 87; Lessons in Electric Circuits
// (Kuphaldt and contributors), Vol. I, ch. 8.
func TestVoltmeterLoading(t *testing.T) {
	half := unit.Ohm(10e3).Parallel(10e3) // 10 kΩ + 10 kΩ on 100 V, seen from the middle
	within(t, "50 V range at 1 kΩ/V", float64(RangeSpec{Input: 50e3}.Loaded(50, half)), 45.45, 0.005)
	within(t, "50 V range at 20 kΩ/V", float64(RangeSpec{Input: 1e6}.Loaded(50, half)), 49.75, 0.005)
	within(t, "10 MΩ on 250 MΩ + 250 MΩ", float64(RangeSpec{Input: 10e6}.Loaded(12, 125e6)), 0.8889, 0.0001)
	within(t, "no input resistance stated", float64(RangeSpec{}.Loaded(12, 125e6)), 12, 0)
}

// Undoing it: Helfrick & Cooper, Modern Electronic Instrumentation and Measurement Techniques, 2009, examples 1-7, 1-8.
func TestUndoLoading(t *testing.T) {
	m := RangeSpec{Input: 150e3} // 150 V at 1 kΩ/V
	r, ok := m.Unloaded(unit.Volt(100).Through(5e-3))
	within(t, "kΩ", float64(r)/1e3, 23.08, 0.01)
	within(t, "error, %", 100*(1-20e3/float64(r)), 13.3, 0.05)
	if !ok {
		t.Error("not ok")
	}
	m.Input = 150e3
	r, _ = m.Unloaded(unit.Volt(40).Through(800e-3))
	within(t, "Ω", float64(r), 50.02, 0.01)
	within(t, "error, %", 100*(1-50/float64(r)), 0.03, 0.05)
	if _, ok := m.Unloaded(150e3); ok {
		t.Error("a resistance at which the meter draws all the current")
	}
}

// Ammeter loading: Kalsi, Electronic Instrumentation, 3rd ed., example 4.14, p. 90: 1 kΩ + (1 kΩ ∥ 1 kΩ), 100 Ω in series.
func TestAmmeterLoading(t *testing.T) {
	m := RangeSpec{Burden: 100}
	source := unit.Ohm(1000) + unit.Ohm(1000).Parallel(1000)
	open := unit.Amp(1).Times(source)
	// the reading i solves open = i·source + burden voltage(i)
	i := open.Over(source + unit.Ohm(m.BurdenVoltage(1)))
	within(t, "share of the true current, %", 100*float64(i), 93.75, 0.05)
	within(t, "no burden stated", float64(RangeSpec{Burden: unit.Absent[unit.Ohm]()}.BurdenVoltage(1)), 0, 0)
}

// What meters read of DCC and of rectified mains. DCC of amplitude a without stretched zeros has mean 0, root mean
// square a, and 1.111·a on an average-responding meter (12 V reads 13.3 V). A sine reads its root mean square on both
// (closed form); half of a wave between −0.7 V and a − 0.7 V is about half the amplitude on DC.
func TestResponds(t *testing.T) {
	dcc := SignalOf([]float64{12, -12}, []float64{0.5, 0.5})
	var sine, full []float64
	share := make([]float64, 3600)
	for i := range share {
		share[i] = 1.0 / 3600
		v := 12 * math.Sqrt2 * math.Sin(2*math.Pi*(float64(i)+0.5)/3600)
		sine, full = append(sine, v), append(full, math.Abs(v))
	}
	ordinary, effective := Cheap(), Spec{TrueRMS: true}
	for _, c := range []struct {
		what string
		s    Spec
		f    Function
		sig  Signal
		want float64
	}{
		{"DCC, DC range", ordinary, DCVoltage, dcc, 0},
		{"DCC, ordinary AC", ordinary, ACVoltage, dcc, 13.33},
		{"DCC, true RMS", effective, ACVoltage, dcc, 12},
		{"sine, ordinary AC", ordinary, ACVoltage, SignalOf(sine, share), 12},
		{"sine, true RMS", effective, ACVoltage, SignalOf(sine, share), 12},
		{"rail to decoder minus, DC", ordinary, DCVoltage, SignalOf([]float64{11.3, -0.7}, []float64{0.5, 0.5}), 5.3},
		{"unsmoothed full wave, DC", ordinary, DCVoltage, SignalOf(full, share), 12 * math.Sqrt2 * 2 / math.Pi},
		{"smooth DC on an AC range", ordinary, ACVoltage, SignalOf([]float64{12}, []float64{1}), 0},
	} {
		within(t, c.what, c.s.Responds(c.f, c.sig), c.want, 0.005)
	}
}

func TestRange(t *testing.T) {
	m := Cheap()
	for _, c := range []struct {
		f          Function
		reading    float64
		resolution float64 // 0: out of range
	}{
		{DCCurrent, 1.999e-3, 1e-6}, {DCCurrent, 2e-3, 10e-6}, {DCCurrent, -3.1e-3, 10e-6}, {DCCurrent, 20e-3, 0.1e-3}, {DCCurrent, 0.2, 0},
		{DCVoltage, 0.1999, 0.1e-3}, {DCVoltage, 6, 10e-3}, {DCVoltage, 19.99, 10e-3}, {DCVoltage, 20, 0.1},
		{Resistance, 470, 1}, {DiodeTest, 1.8, 1e-3}, {DiodeTest, 3, 0}, {Function("phase"), 1, 0}, {DCVoltage, math.NaN(), 0},
	} {
		r, ok := m.Range(c.f, c.reading)
		if ok != (c.resolution > 0) || r.Resolution != c.resolution {
			t.Errorf("%s %v: resolution %v, %v; want %v", c.f, c.reading, r.Resolution, ok, c.resolution)
		}
	}
}

// Worked by hand: 3.10 mA on the 20 mA range, ±1.5 % ±2 counts of 10 µA: ±(46.5 + 20) µA.
func TestInterval(t *testing.T) {
	r, _ := Cheap().Range(DCCurrent, 3.10e-3)
	low, high := r.Interval(3.10e-3)
	within(t, "low", low, 3.0335e-3, 1e-12)
	within(t, "high", high, 3.1665e-3, 1e-12)
	within(t, "sigma of the digits", r.Sigma(), 20e-6/math.Sqrt(3), 1e-15)
	within(t, "burden voltage", float64(r.BurdenVoltage(3.1e-3)), 31e-3, 1e-12)
	low, high = r.Interval(-3.10e-3)
	within(t, "negative low", low, -3.1665e-3, 1e-12)
	within(t, "negative high", high, -3.0335e-3, 1e-12)
}

// A range known to show 0.8 % too much, by hand: 5.04 V shown is 5.00 V, ±(0.2 % + 2 counts of 10 mV) is ±30 mV.
func TestKnownGainError(t *testing.T) {
	r := RangeSpec{Full: 19.99, Resolution: 0.01, Known: 0.008, Gain: 0.002, Digits: 2}
	low, high := r.Interval(5.04)
	within(t, "low", low, 4.97, 1e-12)
	within(t, "high", high, 5.03, 1e-12)
	if v, _ := r.Show(5, 0, 0); math.Abs(v-5.04) > 1e-9 {
		t.Errorf("shows %v of 5 V", v)
	}
}

func TestShow(t *testing.T) {
	r := RangeSpec{Full: 19.99e-3, Resolution: 10e-6}
	for _, c := range []struct {
		truth, gain, offset, want float64
		over                      bool
	}{
		{3.1049e-3, 0, 0, 3.10e-3, false},
		{3.1051e-3, 0, 0, 3.11e-3, false},
		{3.0e-3, 0.015, 4e-6, 3.05e-3, false}, // 3.045 + 0.004 mA
		{19.99e-3, 0, 0, 19.99e-3, false},
		{19.996e-3, 0, 0, 20e-3, true},
		{-19.996e-3, 0, 0, -20e-3, true},
		{math.NaN(), 0, 0, math.NaN(), true},
	} {
		got, over := r.Show(c.truth, c.gain, c.offset)
		if over != c.over || (math.Abs(got-c.want) > 1e-12) {
			t.Errorf("%v: %v, over %v", c, got, over)
		}
	}
}

// Whatever a meter within its specification shows, the truth lies in the interval: the gain within its bound, the
// independent error within its digits less the half count of rounding. The bound of the gain is a share of the reading,
// hence the hair for a share of the truth.
func TestIntervalHoldsTruth(t *testing.T) {
	m := Cheap()
	rapid.Check(t, func(t *rapid.T) {
		r := rapid.SampledFrom(m.Ranges).Draw(t, "range")
		truth := rapid.Float64Range(-r.Full, r.Full).Draw(t, "truth")
		g := float64(r.Gain) / (1 + float64(r.Gain)) * rapid.Float64Range(-1, 1).Draw(t, "gain")
		offset := (r.Digits - 0.5) * r.Resolution * rapid.Float64Range(-1, 1).Draw(t, "offset")
		reading, over := r.Show(truth, g, offset)
		if over {
			return
		}
		low, high := r.Interval(reading)
		slack := 1e-9 * r.Full
		// |truth·gain| ≤ Gain·|reading| needs the offset's share of the reading as well: second order.
		second := float64(r.Gain) * r.Slack()
		if truth < low-slack-second || truth > high+slack+second {
			t.Fatalf("truth %v outside %v…%v", truth, low, high)
		}
	})
}

// Every figure of the assumed meter says where it is from, and shows 1999 at most.
func TestCheapIsStated(t *testing.T) {
	for _, r := range Cheap().Ranges {
		if r.Source == "" || r.Gain <= 0 || r.Digits <= 0 || math.Abs(r.Full/r.Resolution-1999) > 1e-6 {
			t.Errorf("%+v", r)
		}
		if r.Function == DCCurrent && !(r.Burden > 0) || r.Function == DCVoltage && !(r.Input > 0) {
			t.Errorf("%s: no burden or input resistance: %+v", r.Function, r)
		}
	}
}
