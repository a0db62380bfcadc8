package survey

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"sort"
	"testing"

	"gonum.org/v1/gonum/mat"

	"fettle/internal/build"
	"fettle/internal/circuit"
	"fettle/internal/device"
	"fettle/internal/finding"
	"fettle/internal/parts"
	"fettle/internal/unit"
	"fettle/internal/wave"
	"fettle/internal/wiring"
)

func run(t *testing.T, b *build.Build) Result {
	t.Helper()
	res, err := Survey(context.Background(), b, Settings{})
	if err != nil {
		t.Fatal(err)
	}
	sane(t, res)
	return res
}

// sane checks what every result must be: finite samples, intervals that hold their value, no number without words.
func sane(t *testing.T, res Result) {
	t.Helper()
	for name, p := range res.Lamps {
		// A shorted lamp is still a resistor to the switch; an open one is nothing.
		if p.Dead == p.Structure.Lights() || len(p.Samples) == 0 && !p.Dead {
			t.Errorf("%s: dead %v with %d samples of %s", name, p.Dead, len(p.Samples), p.Structure)
		}
		if len(p.Samples) == 0 {
			continue
		}
		for _, s := range append([]wiring.LampParams{p.Best}, p.Samples...) {
			w := ""
			switch s.Structure {
			case wiring.FilamentLamp:
				w = s.Filament.Check()
			case wiring.ShortedLamp:
			default:
				w = s.LED.Check()
			}
			if s.Structure != wiring.FilamentLamp && (!(s.Hidden > 0) || math.IsInf(float64(s.Hidden), 0)) {
				w += "hidden resistor"
			}
			if w != "" || s.Structure != p.Structure || s.Series < 1 || s.Parallel < 1 {
				t.Fatalf("%s: sample %+v: %s", name, s, w)
			}
			if v := s.Voltage(1e-3, fitKelvin); !(v > 0) {
				t.Fatalf("%s: %s at 1 mA over %+v", name, v, s)
			}
		}
		total := p.Odds
		for _, r := range p.Rivals {
			if r.Structure == p.Structure || r.Probability > p.Odds && r.Structure != wiring.OpenLamp {
				t.Errorf("%s: %s (%.3f) beside %s (%.3f)", name, r.Structure, r.Probability, p.Structure, p.Odds)
			}
			total += r.Probability
		}
		if total > 1+1e-9 || p.Odds < 0 || len(p.Rivals) > 0 && p.Decide == "" {
			t.Errorf("%s: odds sum to %g, decided by %q", name, total, p.Decide)
		}
	}
	for _, v := range res.Findings.Values {
		if v.Text == "" && (math.IsNaN(v.Value) || v.Low > v.Value || v.High < v.Value || v.Unit == "") || v.Reason == "" || v.Method == "" || v.Sure == "" {
			t.Errorf("value %+v", v)
		}
	}
	for _, f := range res.Findings.Figures {
		for _, c := range f.Curves {
			for _, y := range c.Y {
				if math.IsNaN(y) {
					t.Errorf("%s: NaN in a curve", f.ID)
				}
			}
		}
	}
}

func verdict(t *testing.T, res Result, id string) finding.Judgement {
	t.Helper()
	for _, j := range res.Findings.Verdicts {
		if j.ID == id {
			return j
		}
	}
	t.Fatalf("no verdict %s in %+v", id, res.Findings.Verdicts)
	return finding.Judgement{}
}

func value(t *testing.T, res Result, id string) finding.Value {
	t.Helper()
	for _, v := range res.Findings.Values {
		if v.ID == id {
			return v
		}
	}
	t.Fatalf("no value %s", id)
	return finding.Value{}
}

// noted reports whether a note of the kind holds all the words.
func noted(res Result, kind string, words ...string) bool {
	for _, n := range res.Findings.Notes {
		ok := n.Kind == kind
		for _, w := range words {
			ok = ok && contains(n.Text, w)
		}
		if ok {
			return true
		}
	}
	return false
}

// typical is an LED of the class row itself with the truth's law reduced to one exponential.
func typical(colour string, r float64) truth {
	row, _ := parts.Load().LEDClass(colour, "")
	return truth{nominal: r, r: r, i1: float64(row.ModelIS), n1: row.ModelN, i2: 0, n2: 1, rs: float64(row.ModelRS), s: 1, p: 1}
}

// exact is a meter without errors.
func exact() *reader { return &reader{rng: rand.New(rand.NewPCG(9, 9))} }

func (m *reader) at(t *truth, vs ...float64) []build.Reading {
	var out []build.Reading
	for i, v := range vs {
		out = append(out, m.reading(t, fmt.Sprintf("front %d", i+1), v))
	}
	return out
}

func turnedRound(r build.Reading, id string, current float64) build.Reading {
	r.ID, r.Reversed = id, true
	r.Current = milliamps(current)
	return r
}

func TestSameReadingsSameBytes(t *testing.T) {
	b, _ := vehicle(rand.New(rand.NewPCG(5, 5)), 4)
	enc := func(b *build.Build) string {
		res := run(t, b)
		f := res.Findings
		f.Verdicts, f.Figures, f.Tables = nil, nil, nil // they hold NaN; values are compared one by one
		var lines []string
		for _, v := range f.Values {
			lines = append(lines, fmt.Sprintf("%s %x %x %x %s %s", v.ID, v.Value, v.Low, v.High, v.Text, v.Reason))
		}
		for _, n := range f.Notes {
			lines = append(lines, n.Text)
		}
		j, err := json.Marshal([]any{lines, res.Lamps})
		if err != nil {
			t.Fatal(err)
		}
		return string(j)
	}
	first := enc(b)
	if enc(b) != first {
		t.Error("twice the same build gives two results")
	}
	rs := b.Vehicles[0].Lamps[0].Readings
	for _, order := range [][]int{{3, 2, 1, 0}, {1, 3, 0, 2}} {
		var mixed []build.Reading
		for _, i := range order {
			mixed = append(mixed, rs[i])
		}
		b.Vehicles[0].Lamps[0].Readings = mixed
		if enc(b) != first {
			t.Errorf("order %v of the readings changes the result", order)
		}
	}
}

func TestResistorAndLEDAreDrawnTogether(t *testing.T) {
	// Without gain errors, which move the resistance alone, what is left lies between resistor and LED.
	tr := typical("white", 1000)
	b := oneLamp("white", exact().at(&tr, 5, 9, 13)...)
	for i := range b.Meters[0].Ranges {
		b.Meters[0].Ranges[i].Gain = build.Given(unit.Ratio(0))
	}
	res := run(t, b)
	var sx, sy, sxx, syy, sxy float64
	p := res.Lamps["front"]
	for _, s := range p.Samples {
		x, y := math.Log(float64(s.Hidden)), float64(s.LED.Voltage(2e-3, fitKelvin))
		sx, sy, sxx, syy, sxy = sx+x, sy+y, sxx+x*x, syy+y*y, sxy+x*y
	}
	n := float64(len(p.Samples))
	rho := (sxy - sx*sy/n) / math.Sqrt((sxx-sx*sx/n)*(syy-sy*sy/n))
	// More resistance must be paid for with less voltage: the lamp's current is what was read.
	if rho > -0.3 {
		t.Errorf("correlation of ln R and VF is %.2f, want clearly negative", rho)
	}
	// What was read ties them: resistor and LED drawn apart from each other would scatter the lamp's voltage at a
	// current far more than they do together.
	variance := func(f func(wiring.LampParams) float64) float64 {
		var s, q float64
		for _, l := range p.Samples {
			x := f(l)
			s, q = s+x, q+x*x
		}
		return q/n - s*s/n/n
	}
	resistor := func(l wiring.LampParams) float64 { return 5e-3 * float64(l.Hidden) }
	led := func(l wiring.LampParams) float64 { return float64(l.LED.Voltage(5e-3, fitKelvin)) }
	together := variance(func(l wiring.LampParams) float64 { return resistor(l) + led(l) })
	if apart := variance(resistor) + variance(led); together > apart/4 {
		t.Errorf("together they scatter by %.1f mV, apart by %.1f mV", 1e3*math.Sqrt(together), 1e3*math.Sqrt(apart))
	}
}

// An LED that the build file names, with its drop measured, leaves the resistor far less room than its class does.
func TestMeasuredLEDNarrowsTheResistor(t *testing.T) {
	tr := typical("white", 1000)
	width := func(part bool) (width float64, held bool) {
		b := oneLamp("white", exact().at(&tr, 6)...)
		b.Vehicles[0].Lamps[0].Kind = build.Words(build.KindLED)
		b.Vehicles[0].Lamps[0].Series, b.Vehicles[0].Lamps[0].Parallel = 1, 1
		if part {
			src := fmt.Sprintf("part,kind,colour,count,vf_measured,vf_error\nmine,led,white,1,1 mA: %.3f V; 9 mA: %.3f V,10 mV\n", tr.led(1e-3), tr.led(9e-3))
			d, list := parts.ReadDrawer("drawer.csv", []byte(src), nil)
			if list.HasErrors() {
				t.Fatal(list)
			}
			b.Drawer, b.Catalogue = d, b.Catalogue.With(d)
			b.Vehicles[0].Lamps[0].Part = build.Words("mine")
		}
		p := run(t, b).Lamps["front"]
		if !(p.IFmax > 0) || p.Class != "cool white" {
			t.Errorf("ratings of %q: %v", p.Class, p.IFmax)
		}
		var all []float64
		for _, s := range p.Samples {
			all = append(all, float64(s.Hidden))
		}
		sort.Float64s(all)
		low, high := all[len(all)/40], all[len(all)*39/40]
		return high - low, low < tr.r && tr.r < high
	}
	class, ok := width(false)
	mine, held := width(true)
	if !ok || !held || mine > 0.6*class {
		t.Errorf("the resistor's interval is %.0f Ω by the class, %.0f Ω by the measured LED; holds it: %v, %v", class, mine, ok, held)
	}
}

// A meter whose gain errors were found tells as much as one without any: what shows 4 % too much current and 3 % too little
// voltage, and is known to, gives the lamp that an exact meter gives. Not known, it gives another.
func TestKnownGainErrorIsTakenOut(t *testing.T) {
	tr := typical("white", 1000)
	known := []unit.Ratio{0.04, -0.03}
	hidden := func(wrong, said bool) (mid, width float64) {
		b := oneLamp("white", exact().at(&tr, 5, 7, 9, 11)...)
		rs := b.Vehicles[0].Lamps[0].Readings
		for i := range rs {
			if wrong {
				rs[i].Current.Value *= unit.Amp(1 + known[0])
				rs[i].Track.Value *= unit.Volt(1 + known[1])
			}
		}
		for i := range known {
			r := &b.Meters[0].Ranges[i]
			r.Gain = build.Given(unit.Ratio(0.001))
			if said {
				r.GainError, r.GainErrorWithin = build.Given(known[i]), build.Given(unit.Ratio(0.001))
			}
		}
		p := run(t, b).Lamps["front"]
		var all []float64
		for _, s := range p.Samples {
			all = append(all, float64(s.Hidden))
		}
		sort.Float64s(all)
		n := len(all)
		return all[n/2], all[n*39/40] - all[n/40]
	}
	exactly, width := hidden(false, false)
	found, w := hidden(true, true)
	if math.Abs(found/exactly-1) > 0.005 || math.Abs(w/width-1) > 0.25 {
		t.Errorf("with the error known %.0f Ω, ±%.0f, an exact meter %.0f Ω, ±%.0f", found, w/2, exactly, width/2)
	}
	if astray, _ := hidden(true, false); math.Abs(astray/exactly-1) < 0.03 {
		t.Errorf("not known %.0f Ω, an exact meter %.0f Ω: the errors do not matter here", astray, exactly)
	}
}

func TestDeadLamps(t *testing.T) {
	tr := typical("white", 1000)
	good := exact().at(&tr, 12)[0]
	zero := withCurrent(good, 0)
	zero.ID, zero.Looked = "front 1", build.Words(build.LookedDark)
	straight := func(v float64) build.Reading {
		r := good
		r.ID = fmt.Sprintf("at %.0f V", v)
		r.Track, r.Current = volts(v), milliamps(v/(1000+testBurden))
		return r
	}
	dark := good
	dark.Looked = build.Words(build.LookedDark)
	drop := good
	drop.Current, drop.Drop = build.Quantity[unit.Amp]{}, volts(0.12)
	bright := good
	bright.ID, bright.Looked = "front 0", build.Words(build.LookedGood)
	for _, c := range []struct {
		name string
		rs   []build.Reading
		dead bool
		want finding.Verdict
		say  string
	}{
		{"nothing either way", []build.Reading{zero, turnedRound(zero, "front 2", 0)}, true, finding.Fails, "no current either way"},
		{"passes current but dark", []build.Reading{dark}, true, finding.Fails, "stays dark"},
		{"drop too small", []build.Reading{drop}, true, finding.Fails, "too small for any LED"},
		{"straight through zero", []build.Reading{straight(4), straight(8), straight(12)}, true, finding.Fails, "straight line"},
		{"more than any LED lets through", []build.Reading{{ID: "front 1", Supply: build.SmoothDC, Track: volts(0.5), Current: milliamps(5e-3), Meter: build.Words("stated")}}, true, finding.Fails, "straight line"},
		{"as much either way", []build.Reading{straight(4), straight(12), turnedRound(straight(12), "front 2", 12/(1000+testBurden))}, true, finding.Fails, "straight line"},
		{"dark one way, other not tried", []build.Reading{zero}, false, finding.Unknown, "other way round"},
		{"alive", []build.Reading{bright, turnedRound(zero, "front 2", 0)}, false, finding.Holds, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			res := run(t, oneLamp("white", c.rs...))
			j := verdict(t, res, "lamp.front.alive")
			if j.Verdict != c.want || res.Lamps["front"].Dead != c.dead || !contains(j.Worst+j.Why, c.say) {
				t.Errorf("verdict %s, dead %v: %s%s", j.Verdict, res.Lamps["front"].Dead, j.Worst, j.Why)
			}
			if c.dead && len(res.Findings.Cautions) == 0 {
				t.Error("no caution")
			}
		})
	}
}

// A zero at a voltage that would not light it anyway is no death.
func TestZeroBelowTheKneeIsNoDeath(t *testing.T) {
	tr := typical("white", 1000)
	if i := tr.current(2, 0); i > 1e-6 {
		t.Fatalf("the test's lamp draws %s at 2 V", amp(i))
	}
	r := withCurrent(exact().at(&tr, 2)[0], 0)
	res := run(t, oneLamp("white", r))
	if j := verdict(t, res, "lamp.front.alive"); j.Verdict != finding.Unknown || res.Lamps["front"].Dead {
		t.Errorf("%+v", j)
	}
}

func TestWrongWayRound(t *testing.T) {
	tr := typical("white", 1000)
	rs := exact().at(&tr, 6, 12)
	zero := withCurrent(rs[1], 0)
	zero.ID = "front 3"
	for i := range rs {
		rs[i].Reversed = true
	}
	res := run(t, oneLamp("white", append(rs, zero)...))
	if j := verdict(t, res, "lamp.front.polarity"); j.Verdict != finding.Fails || j.Mend == "" {
		t.Errorf("%+v", j)
	}
	if v := value(t, res, "lamp.front.hidden"); v.Low > 1000 || v.High < 1000 {
		t.Errorf("its resistor is none the less %s", ohm(v.Value))
	}
}

func TestJunctions(t *testing.T) {
	for _, c := range []struct {
		name, want string
		s, p       float64
		vs         []float64
	}{
		{"two in series", "2 LEDs in series", 2, 1, []float64{7, 10, 14}},
		{"three in series", "3 LEDs in series", 3, 1, []float64{10, 12, 14}},
		{"one", "1 LED", 1, 1, []float64{5, 9, 13}},
	} {
		t.Run(c.name, func(t *testing.T) {
			tr := typical("white", 470)
			tr.s, tr.p = c.s, c.p
			v := value(t, run(t, oneLamp("white", exact().at(&tr, c.vs...)...)), "lamp.front.junctions")
			if v.Text != c.want {
				t.Errorf("%s (%s): %s", v.Text, v.Sure, v.Reason)
			}
		})
	}
	// Two side by side cannot be told from one: it must be said, not guessed.
	tr := typical("white", 470)
	tr.p = 2
	v := value(t, run(t, oneLamp("white", exact().at(&tr, 5, 8, 10)...)), "lamp.front.junctions")
	if !contains(v.Reason, "side by side") || !contains(v.Reason, "only opening") {
		t.Errorf("%s: %s", v.Text, v.Reason)
	}
	b := oneLamp("white", exact().at(&tr, 5, 8, 10)...)
	b.Vehicles[0].Lamps[0].Parallel, b.Vehicles[0].Lamps[0].Series = 2, 1
	res := run(t, b)
	if v := value(t, res, "lamp.front.junctions"); v.Text != "2 LEDs side by side" || v.Sure != "as written" {
		t.Errorf("%+v", v)
	}
	for _, s := range res.Lamps["front"].Samples {
		if s.Parallel != 2 || s.Series != 1 {
			t.Fatal("a sample is not what the file says")
		}
	}
}

// Meters in the circuit: planted with burden, in the rail with something else drawing, on half-waves and on pulses.
func TestWhereTheAmmeterSatAndWhatTheSupplyWas(t *testing.T) {
	tr := typical("red", 680)
	m := exact()
	t.Run("in the rail", func(t *testing.T) {
		var rs []build.Reading
		const others = 4e-3
		for i, v := range []float64{5, 8, 12} {
			// 4 mA more flow through the 10 Ω and take 40 mV from the lamp.
			r := m.reading(&tr, fmt.Sprint("front ", i), v)
			r.Current = milliamps(m.amp(tr.current(v-others*testBurden, testBurden) + others))
			r.Ammeter, r.Others = build.Words(build.InRail), milliamps(others)
			rs = append(rs, r)
		}
		holds(t, run(t, oneLamp("red", rs...)), 680, 0.03)
	})
	mean := func(levels []wave.Level, v float64) float64 {
		var i float64
		for _, l := range levels {
			i += l.Share * tr.current(v*l.Value, testBurden)
		}
		return i
	}
	t.Run("full-wave", func(t *testing.T) {
		// Mean of |sin| is 2/π of the peak; integrated here in 2000 steps.
		var levels []wave.Level
		for k := 0; k < 2000; k++ {
			levels = append(levels, wave.Level{Value: math.Pi / 2 * math.Sin(math.Pi*(float64(k)+0.5)/2000), Share: 1.0 / 2000})
		}
		var rs []build.Reading
		for i, v := range []float64{4, 7, 9} {
			rs = append(rs, build.Reading{ID: fmt.Sprint("front ", i), Supply: build.FullWave, Track: volts(m.volt(v)), Current: milliamps(m.amp(mean(levels, v))), Meter: build.Words("stated")})
		}
		holds(t, run(t, oneLamp("red", rs...)), 680, 0.03)
	})
	t.Run("pwm", func(t *testing.T) {
		var rs []build.Reading
		for i, duty := range []float64{0.3, 0.6, 0.8} {
			const peak = 12.0
			r := build.Reading{ID: fmt.Sprint("front ", i), Supply: build.PWM, Duty: build.Given(unit.Ratio(duty)), Track: volts(m.volt(peak * duty)),
				Current: milliamps(m.amp(duty * tr.current(peak, testBurden))), Meter: build.Words("stated")}
			rs = append(rs, r)
		}
		rs[0].Track = volts(m.volt(8 * 0.3))
		rs[0].Current = milliamps(m.amp(0.3 * tr.current(8, testBurden)))
		holds(t, run(t, oneLamp("red", rs...)), 680, 0.06)
	})
	t.Run("burden left out would be seen", func(t *testing.T) {
		low := typical("red", 100)
		b := oneLamp("red", m.at(&low, 2.6, 3, 3.4)...)
		b.Vehicles[0].Lamps[0].Hidden = build.Quantity[unit.Ohm]{}
		v := value(t, run(t, b), "lamp.front.hidden")
		if v.Low > 100 || v.High < 100 {
			t.Errorf("%s: %s … %s", ohm(v.Value), ohm(v.Low), ohm(v.High))
		}
	})
}

// holds checks that the interval of the hidden resistance holds r and is about as narrow as it should be.
func holds(t *testing.T, res Result, r, half float64) {
	t.Helper()
	v := value(t, res, "lamp.front.hidden")
	if v.Low > r || v.High < r {
		t.Errorf("%s: %s … %s does not hold %s", ohm(v.Value), ohm(v.Low), ohm(v.High), ohm(r))
	}
	if w := math.Log(v.High/v.Low) / 2; w > half {
		t.Errorf("known to ±%.1f %% only, want ±%.1f %%", 100*w, 100*half)
	}
}

func TestMarking(t *testing.T) {
	tr := typical("white", 1000)
	rs := exact().at(&tr, 6, 12)
	mark := func(code string) build.Reading { return build.Reading{ID: "mark", Marking: build.Words(code)} }
	res := run(t, oneLamp("white", append(rs, mark("102"))...))
	holds(t, res, 1000, 0.03)
	if !noted(res, "reading", "102", "agrees") {
		t.Errorf("%+v", res.Findings.Notes)
	}
	// 471 is 470 Ω: what flows says otherwise.
	res = run(t, oneLamp("white", append(rs, mark("471"))...))
	holds(t, res, 1000, 0.05)
	if !noted(res, "reading", "471", "does not fit") {
		t.Errorf("%+v", res.Findings.Notes)
	}
	// A marking alone gives its own tolerance.
	v := value(t, run(t, oneLamp("white", mark("102"))), "lamp.front.hidden")
	if v.Low < 940 || v.High > 1060 {
		// 3 % of markings are thought to be misread, which the 95 % interval just leaves out.
		t.Errorf("from the marking alone: %s … %s", ohm(v.Low), ohm(v.High))
	}
	if !noted(run(t, oneLamp("white", mark("xyz"))), "reading", "no code") {
		t.Error("nonsense on the resistor goes unnoticed")
	}
}

func TestImpossibleReadings(t *testing.T) {
	tr := typical("white", 1000)
	rs := exact().at(&tr, 5, 9, 13)
	drop := rs[1]
	drop.ID, drop.Current, drop.Drop = "too much", build.Quantity[unit.Amp]{}, build.Quantity[unit.Volt]{Value: 27.9, Text: "27.9 V"}
	others := rs[1]
	others.ID, others.Ammeter, others.Others = "others", build.Words(build.InRail), milliamps(0.02)
	blind := rs[1]
	blind.ID, blind.Track = "blind", build.Quantity[unit.Volt]{}
	pulses := rs[1]
	pulses.ID, pulses.Supply = "pulses", build.PWM
	res := run(t, oneLamp("white", append(rs, drop, others, blind, pulses)...))
	holds(t, res, 1000, 0.04)
	for id, say := range map[string]string{"too much": "decimal point", "others": "more than all", "blind": "without the voltage", "pulses": "duty"} {
		if !noted(res, "reading", id, say) {
			t.Errorf("%s: want a note that says %q among %+v", id, say, res.Findings.Notes)
		}
	}
}

// A current without a voltage is no lamp: it must be said, and nothing invented.
func TestNoLampAtAll(t *testing.T) {
	r := build.Reading{ID: "front 1", Supply: build.SmoothDC, Track: volts(0), Current: milliamps(5e-3), Meter: build.Words("stated")}
	res := run(t, oneLamp("white", r))
	if j := verdict(t, res, "lamp.front.alive"); j.Verdict != finding.Unknown || res.Lamps["front"].Surveyed {
		t.Errorf("%+v", j)
	}
}

// Two readings that contradict each other: nothing tells which is wrong, and it must not be hidden.
func TestContradiction(t *testing.T) {
	tr := typical("white", 1000)
	a := exact().at(&tr, 9)[0]
	b := withCurrent(a, 0.0043)
	b.ID = "front 2"
	res := run(t, oneLamp("white", a, b))
	if !noted(res, "reading", "front 1") || !noted(res, "reading", "front 2") {
		t.Errorf("%+v", res.Findings.Notes)
	}
	v := value(t, res, "lamp.front.hidden")
	if math.Log(v.High/v.Low) < 0.3 {
		t.Errorf("two readings 30 %% apart, and yet %s … %s", ohm(v.Low), ohm(v.High))
	}
}

func TestNothingMeasured(t *testing.T) {
	res := run(t, oneLamp("white"))
	p := res.Lamps["front"]
	if p.Surveyed || p.Dead || len(p.Samples) != 512 {
		t.Errorf("surveyed %v, %d samples", p.Surveyed, len(p.Samples))
	}
	if j := verdict(t, res, "lamp.front.alive"); j.Verdict != finding.Unknown || j.Why != "not measured" {
		t.Errorf("%+v", j)
	}
	v := value(t, res, "lamp.front.hidden")
	if v.Low > 20 || v.High < 50e3 {
		t.Errorf("nothing was measured, and yet %s … %s", ohm(v.Low), ohm(v.High))
	}
	if !noted(res, "next reading", "measure") {
		t.Error("no reading proposed")
	}
}

func TestColourNotSaid(t *testing.T) {
	for colour, want := range map[string]string{"white": "white", "red": "red"} {
		tr := typical(colour, 1000)
		rs := exact().at(&tr, 4, 8, 12)
		d := rs[1]
		d.ID, d.Current = "drop", build.Quantity[unit.Amp]{}
		d.Drop = volts(tr.led(tr.current(8, 0)))
		res := run(t, oneLamp("", append(rs, d)...))
		v := value(t, res, "lamp.front.class")
		if colour == "red" && contains(v.Text, "white") || colour == "white" && (contains(v.Text, "red") || contains(v.Text, "yellow")) {
			t.Errorf("%s: taken for %s (%s)", colour, v.Text, v.Reason)
		}
		if !contains(v.Reason, want) {
			t.Errorf("%s is not among %s", want, v.Reason)
		}
		holds(t, res, 1000, 0.05)
	}
}

// The reading that is proposed must narrow the resistance to what was promised, for simulated lamps.
func TestProposedReadingTells(t *testing.T) {
	n := count(60, 16)
	type result struct{ before, promised, after float64 }
	rs := each(n, func(i int, rng *rand.Rand) result {
		b, tr := vehicle(rng, 3)
		l := &b.Vehicles[0].Lamps[0]
		l.Readings = l.Readings[:1] // of which much is left to learn
		o, err := inferOne(context.Background(), b)
		if err != nil {
			return result{}
		}
		half := func(o *outcome) float64 {
			q := o.pool.quantile(lnR, 0.025, 0.975)
			return (q[1] - q[0]) / 2 / 1.96
		}
		var best *proposal
		for _, p := range o.next(b) {
			if p.what == ofCurrent {
				best = &p
				break
			}
		}
		if best == nil {
			return result{}
		}
		l.Readings = append(l.Readings, newReader(rng).reading(&tr, "front 9", best.track))
		after, err := inferOne(context.Background(), b)
		if err != nil {
			return result{}
		}
		return result{half(o), best.narrowed, half(after)}
	})
	var before, promised, after float64
	for i, r := range rs {
		if r.after == 0 {
			t.Fatalf("%d: no proposal", i)
		}
		before, promised, after = before+math.Log(r.before), promised+math.Log(r.promised), after+math.Log(r.after)
	}
	k := float64(n)
	b, p, a := math.Exp(before/k), math.Exp(promised/k), math.Exp(after/k)
	t.Logf("resistance known to %.1f %% before, %.1f %% promised, %.1f %% after", 100*b, 100*p, 100*a)
	if a > 0.8*b {
		t.Error("the reading that should tell most tells little")
	}
	if r := a / p; r < 0.7 || r > 1.4 {
		t.Error("what was promised does not come")
	}
}

// F-16: 470 Ω ±5 % with 3.31 V across it carries 7.0426 mA, 6.7072 … 7.4132 mA (own computation in the table).
func TestCurrentFromTheDropOfAResistor(t *testing.T) {
	b, err := wiring.NewBare("front", someLamp(wiring.PlainLamp))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ r, want float64 }{{470, 7.0426e-3}, {470 * 1.05, 6.7072e-3}, {470 * 0.95, 7.4132e-3}} {
		p := wiring.LampParams{Series: 1, Parallel: 1, Hidden: unit.Ohm(c.r), LED: device.Diode{IS: 1e-20, N: 2, RS: 10}}
		b.Lamp.Set(b.Solver, p)
		// Raise the supply until 3.31 V stand across the resistor.
		u := bisect(3.31, 12, func(u float64) float64 {
			b.Solve(unit.Volt(u))
			return u - float64(b.Drop()) - 3.31
		})
		if sol := b.Solve(unit.Volt(u)); sol.Status != circuit.Solved {
			t.Fatal(sol.Status)
		}
		if got := float64(b.Current()); math.Abs(got/c.want-1) > 1e-4 {
			t.Errorf("%.1f Ω: %.4f mA, want %.4f mA", c.r, got*1e3, c.want*1e3)
		}
	}
}

// F-15: 5 V behind 4500 Ω, read through a 100 kΩ and a 600 kΩ meter. A blocked LED is such a node: with the supply
// turned round the voltmeter across it sees the supply behind the hidden resistor. Rounded to 4.785 and 4.963 V
// (±0.5 mV) the resistance is guaranteed to lie in 4471 … 4524 Ω.
func TestHiddenResistorFromTwoLoads(t *testing.T) {
	b, err := wiring.NewBare("front", someLamp(wiring.PlainLamp))
	if err != nil {
		t.Fatal(err)
	}
	white, _ := parts.Load().LEDClass("white", "")
	c, _ := newClass(white)
	b.Lamp.Set(b.Solver, wiring.LampParams{Series: 1, Parallel: 1, Hidden: 4500, LED: c.junction(0, 0, 0)})
	for input, want := range map[float64]float64{100e3: 4.78468900, 600e3: 4.96277916} {
		b.Hook(0, 0, unit.Ohm(input))
		b.Solve(-5)
		if got := -float64(b.Drop()); math.Abs(got/want-1) > 1e-6 {
			t.Errorf("through %.0f Ω: %.8f V, want %.8f V", input, got, want)
		}
	}

	q := func(x float64) build.Quantity[float64] { return build.Given(x) }
	meter := func(name string, input float64) build.Meter {
		return build.Meter{Name: build.Words(name), Ranges: []build.MeterRange{{Measures: build.Words(build.MeasuresVoltage), Full: q(6), Resolution: q(0.0005), Gain: build.Given(unit.Ratio(0)), Digits: q(1), Input: build.Given(unit.Ohm(input))}}}
	}
	reading := func(id string, drop float64) build.Reading {
		v := func(x float64) build.Quantity[unit.Volt] {
			return build.Quantity[unit.Volt]{Value: unit.Volt(x), Text: fmt.Sprintf("%.3f V", x)}
		}
		return build.Reading{ID: id, Supply: build.SmoothDC, Reversed: true, Track: v(5), Drop: v(drop), Meter: build.Words(id)}
	}
	bd := oneLamp("white", reading("a", 4.785), reading("b", 4.963))
	bd.Meters = []build.Meter{meter("a", 100e3), meter("b", 600e3)}
	v := value(t, run(t, bd), "lamp.front.hidden")
	if v.Value < 4471 || v.Value > 4524 || v.Low < 4440 || v.High > 4560 {
		t.Errorf("%s: %s … %s", ohm(v.Value), ohm(v.Low), ohm(v.High))
	}
}

// The prior is a law: it integrates to one, and draws follow it.
func TestResistorPrior(t *testing.T) {
	p := unmarked()
	if len(p.bands) != 97 { // four decades of 24 and the last value
		t.Errorf("%d preferred values", len(p.bands))
	}
	const n = 20000
	var sum float64
	lo, hi := math.Log(5.0), math.Log(200e3)
	for i := 0; i < n; i++ {
		sum += p.density(lo+(hi-lo)*(float64(i)+0.5)/n, nil)
	}
	if sum *= (hi - lo) / n; math.Abs(sum-1) > 1e-3 {
		t.Errorf("integrates to %.5f", sum)
	}
	inside := 0
	for i := 0; i < n; i++ {
		if x := math.Exp(p.draw((float64(i) + 0.5) / n)); x >= 950 && x <= 1050 {
			inside++
		}
	}
	var want float64
	a, b := math.Log(950.0), math.Log(1050.0)
	for i := 0; i < 2000; i++ {
		want += p.density(a+(b-a)*(float64(i)+0.5)/2000, nil) * (b - a) / 2000
	}
	if got := float64(inside) / n; math.Abs(got-want) > 5e-4 {
		t.Errorf("draws put %.4f into 950 … 1050 Ω, the density %.4f", got, want)
	}
}

// The derivatives that the fit is given, against central differences of the model itself.
func TestJacobian(t *testing.T) {
	b, _ := vehicle(rand.New(rand.NewPCG(3, 3)), 4)
	l := &b.Vehicles[0].Lamps[0]
	l.Readings[1].Drop = volts(2.5)
	e := collect(b, l)
	m, err := newModel(e, "front")
	if err != nil {
		t.Fatal(err)
	}
	active := make([]bool, len(e.data))
	for k := range active {
		active[k] = true
	}
	h := e.hypotheses(b)[0]
	md := m.fitMode(h, active, nil, math.Inf(-1))
	got := mat.NewDense(len(md.use), m.dim, nil)
	m.jacobian(&h, md.u, md.use, md.sd, got)
	at := func(u []float64, k int) float64 {
		y, _ := m.predict(&h, &e.data[k], m.at(h.structure, k), h.lamp(u), u)
		return residual(&e.data[k], y, md.sd[k])
	}
	for a := range md.u {
		up, down := append([]float64(nil), md.u...), append([]float64(nil), md.u...)
		up[a], down[a] = up[a]+1e-4, down[a]-1e-4
		for i, k := range md.use {
			want := (at(up, k) - at(down, k)) / 2e-4
			if math.Abs(got.At(i, a)-want) > 0.01*math.Abs(want)+0.02 {
				t.Errorf("∂r%d/∂u%d = %.4f, want %.4f", i, a, got.At(i, a), want)
			}
		}
	}
}

func TestSettingsAndCancelling(t *testing.T) {
	b, _ := vehicle(rand.New(rand.NewPCG(1, 1)), 3)
	if _, err := Survey(context.Background(), b, Settings{Samples: -1}); err == nil {
		t.Error("−1 samples are accepted")
	}
	res, err := Survey(context.Background(), b, Settings{Samples: 64})
	if err != nil || len(res.Lamps["front"].Samples) != 64 {
		t.Errorf("%v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Survey(ctx, b, Settings{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	if res := run(t, &build.Build{Catalogue: parts.Load()}); len(res.Findings.Notes) == 0 {
		t.Error("a build without lamps goes unnoticed")
	}
	for kind, want := range map[string]wiring.Structure{build.KindLED: wiring.PlainLamp, build.KindFilament: wiring.FilamentLamp, build.KindAntiparallel: wiring.AntiParallelLamp} {
		unread := oneLamp("white")
		unread.Vehicles[0].Lamps[0].Kind = build.Words(kind)
		res := run(t, unread)
		if j, p := verdict(t, res, "lamp.front.alive"), res.Lamps["front"]; j.Verdict != finding.Unknown || p.Structure != want || len(p.Samples) != 512 {
			t.Errorf("%s: %s, %+v", kind, p.Structure, j)
		}
	}
	if !reflect.DeepEqual(run(t, b).Lamps, run(t, b).Lamps) {
		t.Error("two runs differ")
	}
}

// Whatever is written down, survey answers: finite, sane, no panic.
func TestAnyReadings(t *testing.T) {
	n := count(60, 20)
	for _, res := range each(n, func(i int, rng *rand.Rand) Result {
		pick := func(words ...string) string { return words[rng.IntN(len(words))] }
		spread := func(lo, hi float64) float64 {
			if rng.IntN(8) == 0 {
				return 0
			}
			return lo * math.Pow(hi/lo, rng.Float64())
		}
		var rs []build.Reading
		for k := rng.IntN(5); k >= 0; k-- {
			r := build.Reading{ID: fmt.Sprint("r", k), Supply: pick(build.SmoothDC, build.SmoothDC, build.FullWave, build.PWM, build.DCC), Reversed: rng.IntN(4) == 0,
				Meter: build.Words(pick("stated", "", "unknown")), Ammeter: build.Words(pick(build.InFeed, build.InRail)), Looked: build.Words(pick("", "", build.LookedDark, build.LookedGood)),
				Marking: build.Words(pick("", "", "", "102", "9x", "000")), Plugged: build.Words(pick("", "", "decoder"))}
			if rng.IntN(6) > 0 {
				r.Track = volts(spread(0.1, 60))
			}
			if rng.IntN(3) > 0 {
				r.Current = milliamps(spread(1e-6, 1))
			}
			if rng.IntN(4) == 0 {
				r.Drop = volts(spread(0.01, 60))
			}
			if rng.IntN(6) == 0 {
				r.Resistance = build.Quantity[unit.Ohm]{Value: unit.Ohm(spread(0.1, 1e7)), Text: "written"}
			}
			if rng.IntN(4) == 0 {
				r.Others = milliamps(spread(1e-5, 0.1))
			}
			if rng.IntN(3) == 0 {
				r.Duty = build.Given(unit.Ratio(rng.Float64()))
			}
			rs = append(rs, r)
		}
		b := oneLamp(pick("white", "red", ""), rs...)
		b.Vehicles[0].Lamps[0].Series, b.Vehicles[0].Lamps[0].Parallel = rng.IntN(4), rng.IntN(3)
		res, err := Survey(context.Background(), b, Settings{Samples: 64})
		if err != nil {
			t.Errorf("%d: %v", i, err)
		}
		return res
	}) {
		sane(t, res)
	}
}
