package circuit

import (
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"testing"

	"fettle/internal/device"
	"fettle/internal/unit"
)

// Parts as the scripts of testdata read them.
type (
	diodeJSON struct {
		IS  float64 `json:"is"`
		N   float64 `json:"n"`
		RS  float64 `json:"rs"`
		XTI float64 `json:"xti"`
		EG  float64 `json:"eg"`
	}

	bjtJSON struct {
		IS  float64 `json:"is"`
		BF  float64 `json:"bf"`
		BR  float64 `json:"br"`
		VAF float64 `json:"vaf"`
		IKF float64 `json:"ikf"`
		ISE float64 `json:"ise"`
		NE  float64 `json:"ne"`
		RB  float64 `json:"rb"`
		RC  float64 `json:"rc"`
		RE  float64 `json:"re"`
		XTB float64 `json:"xtb"`
		XTI float64 `json:"xti"`
		EG  float64 `json:"eg"`
	}
)

func toDiodeJSON(d device.Diode) diodeJSON {
	return diodeJSON{float64(d.IS), d.N, float64(d.RS), d.XTI, float64(d.EG)}
}

func toBJTJSON(q device.BJT) bjtJSON {
	return bjtJSON{float64(q.IS), q.BF, q.BR, float64(q.VAF), float64(q.IKF), float64(q.ISE), max(q.NE, 1), float64(q.RB), float64(q.RC), float64(q.RE),
		q.XTB, q.XTI, float64(q.EG)}
}

// stageJSON is a one-transistor stage as testdata/operating_points.py reads it.
type stageJSON struct {
	Vs   float64 `json:"vs"`
	Vd   float64 `json:"vd"`
	R    float64 `json:"r"`
	Rb   float64 `json:"rb"`
	Pull float64 `json:"pull"`
	Re   float64 `json:"re"`
	LEDs int     `json:"leds"`
	T    float64
	D    diodeJSON `json:"d"`
	Q    bjtJSON   `json:"q"`
	pnp  bool
}

func newStageJSON(led device.Diode, q device.BJT) stageJSON {
	return stageJSON{Vs: 12, Vd: 5, R: 680, Rb: 1e4, Pull: 1e15, LEDs: 1, T: 300.15, D: toDiodeJSON(led), Q: toBJTJSON(q)}
}

// build makes the stage for the solver; a PNP stage is the same with every voltage turned round.
func (s stageJSON) build(c *Circuit) (q Elem, collector, emitter Node) {
	sign := unit.Volt(1)
	if s.pnp {
		sign = -1
	}
	n := func(name string) Node { return c.Node(name) }
	supply, drive, base := n("supply"), n("drive"), n("base")
	collector, emitter = n("collector"), Ground
	c.Voltage("supply", supply, Ground, sign*unit.Volt(s.Vs))
	c.Voltage("drive", drive, Ground, sign*unit.Volt(s.Vd))
	c.Resistor("base resistor", drive, base, unit.Ohm(s.Rb))
	c.Resistor("pull-down", base, Ground, unit.Ohm(s.Pull))
	at := n("behind load")
	c.Resistor("load", supply, at, unit.Ohm(s.R))
	for k := range s.LEDs {
		next := collector
		if k < s.LEDs-1 {
			next = n("between LEDs")
		}
		d := device.Diode{IS: unit.Amp(s.D.IS), N: s.D.N, RS: unit.Ohm(s.D.RS), XTI: s.D.XTI, EG: unit.Volt(s.D.EG)}
		if s.pnp {
			c.Diode("LED", next, at, d)
		} else {
			c.Diode("LED", at, next, d)
		}
		at = next
	}
	if s.Re > 0 {
		emitter = n("emitter")
		c.Resistor("emitter resistor", emitter, Ground, unit.Ohm(s.Re))
	}
	q = c.BJT("transistor", collector, base, emitter, device.BJT{PNP: s.pnp, IS: unit.Amp(s.Q.IS), BF: s.Q.BF, BR: s.Q.BR, VAF: unit.Volt(s.Q.VAF),
		IKF: unit.Amp(s.Q.IKF), ISE: unit.Amp(s.Q.ISE), NE: s.Q.NE, RB: unit.Ohm(s.Q.RB), RC: unit.Ohm(s.Q.RC), RE: unit.Ohm(s.Q.RE),
		XTB: s.Q.XTB, XTI: s.Q.XTI, EG: unit.Volt(s.Q.EG)})
	return q, collector, emitter
}

// python runs a script of testdata with SciPy, or skips: never where CI is true.
func python(t testing.TB, script string, stages, out any, args ...string) {
	t.Helper()
	in, err := json.Marshal(stages)
	if err != nil {
		t.Fatal(err)
	}
	var last string
	for _, exe := range []string{"python3", "/usr/bin/python3"} {
		if b, err := exec.Command(exe, "-c", "import scipy").CombinedOutput(); err != nil {
			last = exe + ": " + err.Error() + " " + string(bytes.TrimSpace(b))
			continue
		}
		cmd := exec.Command(exe, append([]string{"-B", "testdata/" + script}, args...)...)
		cmd.Stdin = bytes.NewReader(in)
		var errs bytes.Buffer
		cmd.Stderr = &errs
		b, err := cmd.Output()
		if err != nil {
			t.Fatalf("%s: %v\n%s", exe, err, errs.String())
		}
		if err := json.Unmarshal(b, out); err != nil {
			t.Fatalf("%s answers %q: %v", exe, b, err)
		}
		return
	}
	if os.Getenv("CI") == "true" {
		t.Fatalf("no Python with SciPy: %s", last)
	}
	t.Skipf("no Python with SciPy: %s", last)
}

// Operating points of random transistor and LED stages against scipy.optimize in another formulation (two
// loop equations in the junction voltages).
func TestAgainstSciPy(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 7))
	logs := func(lo, hi float64) float64 { return lo * math.Pow(hi/lo, r.Float64()) }
	var stages []stageJSON
	for range 150 {
		led := red
		if r.IntN(2) == 0 {
			led = white
		}
		q := refNPN
		q.BF, q.BR = logs(40, 800), logs(0.3, 10)
		q.IS = unit.Amp(logs(1e-15, 1e-13))
		q.RB, q.RC, q.RE = unit.Ohm(logs(1, 100)), unit.Ohm(logs(0.1, 5)), unit.Ohm(logs(0.05, 1))
		if r.IntN(2) == 0 {
			q.IKF, q.ISE, q.NE = unit.Amp(logs(0.02, 1)), unit.Amp(logs(1e-15, 1e-12)), 1.5+r.Float64()/2
		}
		s := newStageJSON(led, q)
		s.Vs, s.Vd = 7+15*r.Float64(), 2+3*r.Float64()
		s.R, s.Rb, s.Pull = logs(150, 10e3), logs(500, 300e3), logs(10e3, 1e6)
		s.LEDs = 1 + r.IntN(2)
		if r.IntN(3) == 0 {
			s.Re = logs(1, 200)
		}
		s.T = 253.15 + 100*r.Float64()
		s.pnp = r.IntN(3) == 0
		stages = append(stages, s)
	}
	var want []struct{ IC, IB, VCE, Miss float64 }
	python(t, "operating_points.py", stages, &want)
	if len(want) != len(stages) {
		t.Fatalf("%d answers to %d stages", len(want), len(stages))
	}
	compared, worst := 0, 0.0
	for k, s := range stages {
		if want[k].Miss > 1e-10 {
			continue // the general root finder did not get there; its own residual tells
		}
		c := New()
		e, col, em := s.build(c)
		v := compile(t, c)
		v.SetTemperature(unit.Kelvin(s.T))
		solve(t, v)
		sign := 1.0
		if s.pnp {
			sign = -1
		}
		compared++
		for _, x := range []struct {
			what      string
			got, want float64
		}{{"IC", sign * float64(v.I(e, 0)), want[k].IC}, {"IB", sign * float64(v.I(e, 1)), want[k].IB}, {"VCE", sign * float64(v.V(col)-v.V(em)), want[k].VCE}} {
			d := relative(x.got, x.want)
			worst = max(worst, d)
			if !(d < 1e-7) {
				t.Errorf("stage %d: %s %.10g, SciPy %.10g", k, x.what, x.got, x.want)
			}
		}
	}
	if compared < 100 {
		t.Errorf("SciPy solved only %d of %d stages", compared, len(stages))
	}
	t.Logf("%d stages compared, largest relative difference %.1e", compared, worst)
}

// BenchmarkAgainstBracketing solves P2 (10 kΩ in the base, 300.15 K) cold, and reports how much longer
// SciPy's nested bracketing (brentq in brentq) takes for the same point in the same run.
func BenchmarkAgainstBracketing(b *testing.B) {
	var brent struct{ Seconds, IC float64 }
	python(b, "operating_points.py", []stageJSON{newStageJSON(red, refNPN)}, &brent, "brent")
	w := newLowSide(b, true, false)
	for b.Loop() {
		w.Reset()
		w.Solve()
	}
	if relative(float64(w.I(w.q, 0)), brent.IC) > 1e-8 {
		b.Fatalf("IC %v, bracketing %v", w.I(w.q, 0), brent.IC)
	}
	ours := b.Elapsed().Seconds() / float64(b.N)
	b.ReportMetric(brent.Seconds*1e6, "scipy_µs/op")
	b.ReportMetric(brent.Seconds/ours, "scipy/ours")
}
