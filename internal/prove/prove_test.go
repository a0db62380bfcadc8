package prove

import (
	"context"
	"fmt"
	"math"
	"testing"
	"time"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/choose"
	"fettle/internal/device"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

func demoLamps() map[string]*wiring.LampPosterior {
	mk := func(name, class string, r unit.Ohm, vf unit.Volt, par int) *wiring.LampPosterior {
		p := &wiring.LampPosterior{Name: name, Class: class, Surveyed: true, IFmax: 0.02, IFpeak: 0.1, VRmax: 5, Ratings: "class"}
		for k := range 512 {
			s := (float64(k)/511*2 - 1)
			d := device.Diode{IS: 2e-22, N: 2.35, RS: 12, EG: 3, XTI: 3}
			at := d.Voltage(0.002, 298.15)
			vt := 2.35 * 0.0257
			_ = vt
			d.IS *= unit.Amp(math.Exp(float64(at-vf)/vt + 0.1*s))
			p.Samples = append(p.Samples, wiring.LampParams{Series: 1, Parallel: par, Hidden: r * unit.Ohm(1-0.02*s), LED: d})
		}
		p.Best = p.Samples[255]
		return p
	}
	return map[string]*wiring.LampPosterior{"front": mk("front", "white", 1000, 2.75, 1), "rear": mk("rear", "red", 680, 1.8, 2)}
}

func TestTry(t *testing.T) {
	f, list, err := build.OpenFS(examples.FS, examples.Demo)
	if err != nil || list.HasErrors() {
		t.Fatal(err, list)
	}
	t0 := time.Now()
	c, err := choose.Choose(context.Background(), f.Build, demoLamps())
	fmt.Println("choose", time.Since(t0), err)
	for _, v := range c.Findings.Values {
		fmt.Println(v.ID, unit.Format(v.Value, v.Unit, 3), v.Reason)
	}
	for _, v := range c.Findings.Verdicts {
		fmt.Println(v.ID, v.Verdict, v.Why, v.Mend)
	}
	t0 = time.Now()
	r, err := Prove(context.Background(), c.Build, demoLamps(), Settings{})
	fmt.Println("prove", time.Since(t0), err)
	for _, j := range r.Findings.Verdicts {
		fmt.Println(j.Verdict.Shape(), j.ID, unit.Format(j.Value, j.Unit, 3), j.Sense, unit.Format(j.Limit, j.Unit, 3), fmt.Sprintf("%.0f%%", 100*j.Margin), j.Confidence, j.Why)
	}
	fmt.Println(r.Findings.Verdicts[0].Worst)
	for _, row := range r.Findings.Tables[0].Rows {
		fmt.Println(row[0].Text, "|", row[1].Text, "|", unit.Format(row[2].Number, row[2].Unit, 2), unit.Format(row[3].Number, row[3].Unit, 2), row[4].Text)
	}
}
