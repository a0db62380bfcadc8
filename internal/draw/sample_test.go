package draw

import (
	"math"

	"fettle/internal/finding"
)

// The samples are invented: shapes like the real ones, numbers of no circuit.

func sampleCurrent() finding.Figure {
	f := finding.Figure{
		ID: "output.front.current", Title: "Lamp current of output front", Caption: "Mean current on DCC, over the spread of every part; a lamp fed from one rail conducts for half the time.",
		X: finding.Axis{Quantity: "track voltage", Unit: "V", Low: 0, High: 22},
		Y: finding.Axis{Quantity: "lamp current, mean", Unit: "A"},
		Bands: []finding.Band{
			{Label: "never above 12 mA", From: 12e-3, To: math.Inf(1)},
			{Label: "good: 2.0 mA at the usual voltage", From: 2e-3, To: math.Inf(1), Good: true},
			{Label: "still seen: 0.6 mA at the lowest", From: 0.6e-3, To: math.Inf(1), Good: true},
		},
		Marks:  []finding.Mark{{Label: "usual", X: 14, Y: math.NaN()}, {Label: "low", X: 9, Y: math.NaN()}, {Label: "high", X: 18, Y: math.NaN()}},
		Points: []finding.Points{{Label: "readings", X: []float64{6, 9, 12}, Y: []float64{1.1e-3, 2.4e-3, 5.9e-3}, YLow: []float64{1.0e-3, 2.25e-3, 5.6e-3}, YHigh: []float64{1.2e-3, 2.55e-3, 6.2e-3}, Excluded: []bool{false, false, true}}},
	}
	mean, peak := finding.Curve{Label: "mean"}, finding.Curve{Label: "peak", Dashed: true}
	shade := finding.Shade{Label: "spread of all parts", Curve: 0}
	for i := 0; i <= 88; i++ {
		v := float64(i) * 0.25
		x := math.Log1p(math.Exp((v-3.4)*3)) / 3
		mean.X, mean.Y = append(mean.X, v), append(mean.Y, x*0.42e-3)
		peak.X, peak.Y = append(peak.X, v), append(peak.Y, x*0.84e-3)
		shade.X, shade.Low, shade.High = append(shade.X, v), append(shade.Low, x*0.36e-3), append(shade.High, x*0.49e-3)
	}
	f.Curves, f.Shades = []finding.Curve{mean, peak}, []finding.Shade{shade}
	return f
}

func sampleSaturation() finding.Figure {
	f := finding.Figure{
		ID: "output.front.base", Title: "How far switch front is overdriven", Caption: "Collector at 8.1 mA.",
		X:     finding.Axis{Quantity: "base current", Unit: "A", Log: true},
		Y:     finding.Axis{Quantity: "VCE", Unit: "V", Log: true},
		Bands: []finding.Band{{Label: "not saturated", From: 0.3, To: math.Inf(1)}},
		Marks: []finding.Mark{{Label: "chosen: 0.86 mA", X: 0.86e-3, Y: 0.072}, {Label: "knee", X: 0.2e-3, Y: math.NaN()}},
	}
	for _, c := range []struct {
		label string
		h     float64
	}{{"hFE least, −10 °C", 45}, {"hFE typical, 25 °C", 120}, {"hFE most, 70 °C", 260}} {
		k := finding.Curve{Label: c.label}
		for i := 0; i <= 60; i++ {
			ib := 20e-6 * math.Pow(150, float64(i)/60)
			forced := 8.1e-3 / ib
			v := 0.02 + 0.026*math.Log(1+60/(1+c.h/forced)) + 8/(1+math.Exp(30*(math.Log(c.h/forced))))
			k.X, k.Y = append(k.X, ib), append(k.Y, v)
		}
		f.Curves = append(f.Curves, k)
	}
	f.Shades = []finding.Shade{{Label: "spread", X: f.Curves[0].X, Low: f.Curves[2].Y, High: f.Curves[0].Y, Curve: -1}}
	return f
}

func sampleLamp() finding.Figure {
	f := finding.Figure{
		ID: "lamp.front.fit", Title: "Lamp front as it was measured", X: finding.Axis{Quantity: "voltage across the lamp", Unit: "V"}, Y: finding.Axis{Quantity: "current", Unit: "A"},
		Points: []finding.Points{
			{Label: "readings, smooth DC", X: []float64{4, 6, 8.1}, Y: []float64{1.5e-3, 4.4e-3, 7.6e-3}, XLow: []float64{3.8, 5.8, 7.9}, XHigh: []float64{4.2, 6.2, 8.3}, YLow: []float64{1.4e-3, 4.3e-3, 7.5e-3}, YHigh: []float64{1.6e-3, 4.5e-3, 7.7e-3}},
			{Label: "left out: slipped decimal", X: []float64{5}, Y: []float64{0.3e-3}, Excluded: []bool{true}},
		},
	}
	fit := finding.Curve{Label: "fitted: 1 junction behind 678 Ω"}
	sh := finding.Shade{Label: "95 % of what fits", Curve: 0}
	for i := 0; i <= 50; i++ {
		v := float64(i) * 0.2
		y := math.Log1p(math.Exp((v-2.9)*6)) / 6 / 678
		fit.X, fit.Y = append(fit.X, v), append(fit.Y, y)
		sh.X, sh.Low, sh.High = append(sh.X, v), append(sh.Low, y*0.93), append(sh.High, y*1.06)
	}
	f.Curves, f.Shades = []finding.Curve{fit}, []finding.Shade{sh}
	return f
}

// sampleCrowd is eight curves that end close together, with long names.
func sampleCrowd() finding.Figure {
	f := finding.Figure{ID: "crowd", Title: "Crowded", X: finding.Axis{Quantity: "ambient temperature", Unit: "°C"}, Y: finding.Axis{Quantity: "share of the samples that hold", Unit: "1"}}
	for k := range 8 {
		c := finding.Curve{Label: []string{"first of eight", "second, with rather a long name", "third", "fourth, named at length as well", "fifth", "sixth", "seventh of them", "eighth and last"}[k]}
		for i := 0; i <= 20; i++ {
			x := -20 + 5*float64(i)
			c.X, c.Y = append(c.X, x), append(c.Y, 0.99-0.004*float64(k)-0.1*math.Exp((x-90+4*float64(k))/9))
		}
		f.Curves = append(f.Curves, c)
	}
	f.Bands = []finding.Band{{Label: "too hot for the regulator", From: 70, To: math.Inf(1), Vertical: true}, {Label: "wanted", From: 0.95, To: 1, Good: true}}
	return f
}

func sampleEmpty() finding.Figure {
	return finding.Figure{ID: "empty", Title: "Nothing measured yet", X: finding.Axis{Quantity: "track voltage", Unit: "V"}, Y: finding.Axis{Quantity: "current", Unit: "A"}}
}

func sampleFigures() []finding.Figure {
	return []finding.Figure{sampleCurrent(), sampleSaturation(), sampleLamp(), sampleCrowd(), sampleEmpty()}
}

func sampleSchematic(outputs int) Schematic {
	s := Schematic{
		ID: "decoder.a", Title: "Decoder a",
		Rails:  Rails{Left: "left rail", Right: "right rail", Plus: "rectified plus", Logic: "chip supply 5.0 V", Minus: "decoder minus"},
		Supply: Supply{Part{Name: "rectifier", Value: "MB6S"}, Part{Name: "reservoir", Value: "100 µF"}, Part{Name: "regulator", Value: "78L05"}},
		Chip:   Part{Name: "chip", Value: "ATtiny85"},
		Listen: Listen{"left rail", "PB2", Part{Name: "series", Value: "22 kΩ"}},
	}
	all := []SchematicOutput{
		{Name: "front", Lamp: "front", Feed: "left rail", Pin: "PB0", SocketPin: "pin 5", Series: []Part{{Name: "series", Value: "1.5 kΩ"}}, LED: Part{Name: "LED", Value: "white"},
			Hidden: Part{Name: "hidden", Value: "680 Ω"}, Switch: Part{Name: "switch", Value: "MMBT3904"}, Base: Part{Name: "base", Value: "4.7 kΩ"}, Pulldown: Part{Name: "pulldown", Value: "47 kΩ"}},
		{Name: "rear", Lamp: "rear", Feed: "rectified plus", Pin: "PB1", SocketPin: "pin 6", Series: []Part{{Name: "series", Value: "680 Ω", Verdict: finding.Fails}}, LED: Part{Name: "LED", Value: "red"}, InSeries: 2, Parallel: 2,
			Hidden: Part{Name: "hidden", Value: "470 Ω", Note: "470 or 510"}, Switch: Part{Name: "switch", Value: "BC847B", Verdict: finding.Close}, Base: Part{Name: "base", Value: "3.3 kΩ"}, Pulldown: Part{Name: "pulldown", Value: "47 kΩ"}, Verdict: finding.Fails},
		{Name: "cab", Lamp: "driver's cab", Feed: "right rail", Pin: "PB3", Series: []Part{{Name: "series", Value: "2.2 kΩ"}, {Name: "second series", Value: "330 Ω"}}, LED: Part{Name: "LED", Value: "warm white", Verdict: finding.Unknown}, Parallel: 2,
			Switch: Part{Name: "switch", Value: "MMBT3904"}, Base: Part{Name: "base", Value: "4.7 kΩ"}},
		{Name: "table lamps in the first compartment", Lamp: "table lamps", Feed: "rectified plus", Pin: "PB4", Series: []Part{{Name: "series", Value: "3.3 kΩ"}}, LED: Part{Name: "LED", Value: "yellow"}, InSeries: 5},
		{Name: "x", Lamp: "x", Feed: "somewhere", Pin: "PB5", LED: Part{Name: "LED", Value: "green"}, Switch: Part{Name: "switch", Value: "BC847B"}},
		{Name: "y", Lamp: "y", Feed: "left rail", Pin: "PA0", LED: Part{Name: "LED", Value: "blue"}, Switch: Part{Name: "switch", Value: "BC847B"}, Base: Part{Name: "base", Value: "1 kΩ"}},
	}
	s.Outputs = all[:outputs]
	return s
}
