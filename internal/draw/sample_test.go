package draw

import (
	"math"

	"fettle/internal/finding"
	"fettle/internal/wiring"
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

func sampleRails() Rails {
	return Rails{Left: "left rail", Right: "right rail", Plus: "rectified plus", Logic: "chip supply", Local: "local plus", Minus: "decoder minus"}
}

func part(name, value string) Part { return Part{Name: name, Value: value} }

func npn(value string) Transistor { return Transistor{Part: part("switch", value)} }

func sampleSchematic(outputs int) Schematic {
	s := Schematic{
		ID: "decoder.a", Title: "Decoder a", Rails: sampleRails(),
		Supply: Supply{Rectifier: part("rectifier", "MB6S"), Reservoir: part("reservoir", "100 µF"), Regulator: part("regulator", "78L05")},
		Chip:   part("chip", "ATtiny85"),
		Listen: Listen{"left rail", "PB2", part("ear", "22 kΩ")},
	}
	lamps := []SchematicLamp{
		{Name: "front", Feed: "left rail", SocketPin: "pin 5", LED: part("front", "white"), Hidden: part("hidden", "680 Ω")},
		{Name: "rear", Feed: "rectified plus", SocketPin: "pin 6", LED: part("rear", "red"), InSeries: 2, Parallel: 2, Hidden: Part{Name: "hidden", Value: "470 Ω", Note: "470 or 510"}},
		{Name: "driver's cab", Feed: "right rail", LED: Part{Name: "driver's cab", Value: "warm white", Verdict: finding.Unknown}, Parallel: 2},
		{Name: "table lamps", Feed: "rectified plus", LED: part("table lamps", "yellow"), InSeries: 5},
		{Name: "x", Feed: "somewhere", LED: part("x", "green")},
		{Name: "y", Feed: "left rail", LED: part("y", "blue")},
	}
	all := []SchematicOutput{
		{Name: "front", Pin: "PB0", Series: part("series", "1.5 kΩ"), Switch: npn("MMBT3904"), Base: part("base", "4.7 kΩ"), Pulldown: part("pull-down", "47 kΩ")},
		{Name: "rear", Pin: "PB1", Series: Part{Name: "series", Value: "680 Ω", Verdict: finding.Fails}, Switch: Transistor{Part: Part{Name: "switch", Value: "BC847B", Verdict: finding.Close}},
			Base: part("base", "3.3 kΩ"), Pulldown: part("pull-down", "47 kΩ"), Verdict: finding.Fails},
		{Name: "cab", Pin: "PB3", Series: part("series", "2.2 kΩ"), Switch: npn("MMBT3904"), Base: part("base", "4.7 kΩ")},
		{Name: "table lamps in the first compartment", Pin: "PB4", ActiveLow: true, Series: part("series", "3.3 kΩ")},
		{Name: "x", Pin: "PB5", Switch: npn("BC847B")},
		{Name: "y", Pin: "PA0", Switch: npn("BC847B"), Base: part("base", "1 kΩ")},
	}
	s.Outputs, s.Lamps = all[:outputs], lamps[:outputs]
	for i := range s.Outputs {
		s.Outputs[i].Lamps = []int{i}
	}
	return s
}

// sampleSymbols is one of every symbol: outputs of every drive, lamps of every structure and every feed.
func sampleSymbols() Schematic {
	return Schematic{
		ID: "decoder.b", Title: "Every symbol", Rails: sampleRails(),
		Supply: Supply{Rectifier: part("rectifier", "4 × BAT54"), Four: true, Diodes: Schottky, Reservoir: Part{Name: "reservoir", Value: "47 µF", Verdict: finding.Close},
			Ballast: part("ballast", "1 kΩ"), Regulator: part("zener", "BZX84-C5V1"), Local: Part{Name: "the vehicle's own two diodes", Note: "their type cannot be read from outside"}},
		Chip:   part("chip", "ATtiny84A"),
		Listen: Listen{"right rail", "PB2", Part{Name: "ear", Value: "100 kΩ", Verdict: finding.Unknown}},
		Lamps: []SchematicLamp{
			{Name: "front", Feed: "decoder minus", SocketPin: "pin 6", Inward: true, LED: part("front", "white"), InSeries: 2, Hidden: part("hidden", "≈\u202f680 Ω")},
			{Name: "tail", Feed: "left rail", SocketPin: "pin 2", Structure: wiring.AntiParallelLamp, LED: part("tail", "white"), Back: "red", Hidden: part("hidden", "≈\u202f1.0 kΩ")},
			{Name: "number", Feed: "rectified plus", Structure: wiring.FilamentLamp, LED: part("number", "filament, ≈\u202f22 Ω cold, 60 mA at 12 V")},
			{Name: "cab", Feed: "chip supply", Structure: wiring.PlainLamp, Parallel: 3, LED: part("cab", "yellow"), Hidden: part("hidden", "≈\u202f150 Ω")},
			{Name: "saloon", Feed: "local plus", Structure: wiring.LimitedBridgeBoard, LED: part("saloon", "warm white"), Limit: "≈\u202f8.0 mA", Hidden: part("hidden", "≈\u202f470 Ω")},
			{Name: "corridor", Feed: "rectified plus", Structure: wiring.DiodeBoard, LED: part("corridor", "warm white"), Hidden: part("hidden", "≈\u202f470 Ω")},
			{Name: "step", Feed: "right rail", Structure: wiring.LeakingLamp, LED: part("step", "red"), Leak: part("leak", "≈\u202f12 kΩ"), Hidden: part("hidden", "≈\u202f560 Ω")},
			{Name: "roof", Feed: "left rail", Structure: wiring.LimitedDiodeBoard, LED: part("roof", "white"), Limit: "≈\u202f5.0 mA", Hidden: part("hidden", "≈\u202f330 Ω")},
			{Name: "bell", Feed: "left rail", Structure: wiring.ShortedLamp, LED: part("bell", "red"), Hidden: part("hidden", "≈\u202f680 Ω")},
			{Name: "horn", Feed: "left rail", Structure: wiring.OpenLamp, LED: part("horn", "red")},
			{Name: "vestibule", Feed: "right rail", Structure: wiring.BridgeBoard, LED: part("vestibule", "white"), Hidden: part("hidden", "≈\u202f220 Ω")},
			{Name: "desk", Feed: "decoder minus", Inward: true, LED: part("desk", "green"), Hidden: part("hidden", "≈\u202f100 Ω")},
			{Name: "kitchen", Feed: "rectified plus", LED: part("kitchen", "white"), Hidden: part("hidden", "≈\u202f820 Ω")},
		},
		Outputs: []SchematicOutput{
			{Name: "front", Pin: "PB0", Lamps: []int{0}, Series: part("series", "1.5 kΩ"), Switch: Transistor{Part: Part{Name: "switch", Value: "AO3401A", Verdict: finding.Close}, Kind: PChannel},
				Base: part("gate", "10 kΩ"), Pullup: part("pull-up", "47 kΩ"), Clamp: part("gate clamp", "BZX84-C10"),
				Level: Transistor{Part: part("level transistor", "AO3400A"), Kind: NChannel}, LevelBase: part("level gate", "1 kΩ"), Pulldown: part("pull-down", "100 kΩ")},
			{Name: "tail white", Pin: "PB1", Lamps: []int{1}, Series: part("series", "680 Ω"), Switch: npn("MMBT3904"), Base: part("base", "4.7 kΩ"), Pulldown: part("pull-down", "47 kΩ"), Verdict: finding.Close},
			{Name: "tail red", Pin: "PB3", Lamps: []int{1}, Series: part("series", "820 Ω"), Switch: Transistor{Part: part("switch", "MMBT3906"), Kind: PNP}, Base: part("base", "22 kΩ"), Pullup: part("pull-up", "100 kΩ"),
				Level: Transistor{Part: Part{Name: "level transistor", Value: "DTC114E", Note: "R1 10 kΩ, R2 10 kΩ"}, Prebiased: true}},
			{Name: "number", Pin: "PA0", Lamps: []int{2}, Switch: Transistor{Part: part("switch", "AO3400A"), Kind: NChannel}, Base: part("gate", "100 Ω"), Pulldown: part("pull-down", "100 kΩ")},
			{Name: "cab", Pin: "PA1", ActiveLow: true, Lamps: []int{3}, Series: part("series", "470 Ω")},
			{Name: "coach", Pin: "PA2", Lamps: []int{4, 5, 6}, Series: Part{Name: "series", Value: "330 Ω", Verdict: finding.Fails}, Switch: Transistor{Part: Part{Name: "switch", Value: "DTC143Z", Note: "R1 4.7 kΩ, R2 47 kΩ"}, Prebiased: true},
				Pulldown: part("pull-down", "100 kΩ"), Verdict: finding.Fails},
			{Name: "others", Pin: "PA3", Lamps: []int{7, 8, 9, 10}, Series: part("series", "1 kΩ"), Switch: npn("BC847B"), Base: part("base", "10 kΩ")},
			{Name: "desk", Pin: "PA5", Lamps: []int{11}, Series: part("series", "1.2 kΩ")},
			{Name: "kitchen", Pin: "PA4", Lamps: []int{12}, Series: part("series", "560 Ω"), Shunt: part("across the lamp", "4.7 kΩ"), Switch: Transistor{Part: Part{Name: "switch", Value: "BC817-40", Verdict: finding.Close}},
				Driver: Transistor{Part: part("driver", "MMBT3904")}, Base: part("base", "22 kΩ"), Between: part("between", "10 kΩ"), Pulldown: part("pull-down", "100 kΩ")},
			{Name: "acknowledge", Pin: "PA7", Series: part("load", "150 Ω"), Switch: npn("MMBT2222A"), Base: part("base", "470 Ω"), Pulldown: part("pull-down", "10 kΩ")},
		},
	}
}
