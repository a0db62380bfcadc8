package parts

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"fettle/internal/finding"
	"fettle/internal/unit"
)

// Conductors. Copper at 20 °C, annealed (the International Annealed Copper Standard; from memory).
const (
	copper      = 1.7241e-8 // Ω·m
	copperAlpha = 0.004041  // per kelvin, at 20 °C: Lessons in Electric Circuits (Kuphaldt), Vol. I, ch. 12 (read)
	copperAt    = unit.Celsius(20)
	inch        = 25.4e-3
)

// A Conductor is a round copper wire.
type Conductor struct {
	Name     string
	Diameter float64 // m
	Area     float64 // m², of the metal
	OhmPerM  float64 // at 20 °C
	Most     bool    // OhmPerM is the greatest a standard allows, not computed from the area
	Source   string
}

// AWG is a wire of the American gauge: 0.127 mm · 92^((36−n)/39) (ASTM B258, from memory).
func AWG(n float64) Conductor {
	d := 0.127e-3 * math.Pow(92, (36-n)/39)
	return solid(fmt.Sprintf("AWG %g", n), math.Pi/4*d*d, "gauge by ASTM B258 (from memory), annealed copper (from memory); computed")
}

// solid is a wire of annealed copper by its area in m².
func solid(name string, area float64, source string) Conductor {
	return Conductor{Name: name, Diameter: math.Sqrt(4 / math.Pi * area), Area: area, OhmPerM: copper / area, Source: source}
}

// cables are the greatest resistances at 20 °C in ohms per kilometre, by area in mm².
var cables = []struct {
	area   float64
	class  string
	plain  float64
	tinned float64 // 0: not given
	source string
}{
	{0.14, "flexible", 134, 138, "DIN VDE 0295 table (read)"},
	{0.25, "flexible", 76, 79, "DIN VDE 0295 table (read)"},
	{0.5, "class 1/2", 36.0, 0, "IEC 60228:2004 as reproduced by cable makers (read)"},
	{0.5, "class 5", 39.0, 0, "IEC 60228:2004 as reproduced by cable makers (read)"},
	{0.75, "class 1/2", 24.5, 0, "IEC 60228:2004 as reproduced by cable makers (read)"},
	{0.75, "class 5", 26.0, 0, "IEC 60228:2004 as reproduced by cable makers (read)"},
	{1.0, "class 1/2", 18.1, 0, "IEC 60228:2004 as reproduced by cable makers (read)"},
	{1.0, "class 5", 19.5, 0, "IEC 60228:2004 as reproduced by cable makers (read)"},
}

// Cable is a stranded or solid conductor by nominal area in mm² and class ("flexible", "class 1/2", "class 5"),
// plain or tinned copper.
func Cable(mm2 float64, class string, tinned bool) (Conductor, bool) {
	for _, c := range cables {
		if math.Abs(c.area-mm2) > 1e-9 || c.class != class {
			continue
		}
		ohm, metal := c.plain, "plain"
		if tinned {
			ohm, metal = c.tinned, "tinned"
		}
		if ohm == 0 {
			return Conductor{}, false
		}
		w := solid(fmt.Sprintf("%g mm² %s, %s copper", mm2, class, metal), mm2*1e-6, c.source)
		w.OhmPerM, w.Most = ohm/1000, true
		return w, true
	}
	return Conductor{}, false
}

// Run is the resistance of a length of it (metres, go and return counted by the caller) at a temperature.
func (c Conductor) Run(metres float64, t unit.Celsius) unit.Ohm {
	return unit.Ohm(c.OhmPerM * metres * (1 + copperAlpha*float64(t-copperAt)))
}

// Fusing is the current that melts the wire in free air: Preece, I = 10244 · d^1.5 with d in inches (a fusing
// table of an engineering firm, read). It is no working limit.
func (c Conductor) Fusing() unit.Amp { return unit.Amp(10244 * math.Pow(c.Diameter/inch, 1.5)) }

// FoilWidth is the width of an outer foil track that warms by rise at current i: the IPC-2221 fit
// I = 0.048 · ΔT^0.44 · A^0.725 with A in square mil (from memory). Thickness and width in metres.
func FoilWidth(i unit.Amp, rise unit.Kelvin, thickness float64) float64 {
	const mil = inch / 1000
	area := math.Pow(float64(i)/(0.048*math.Pow(float64(rise), 0.44)), 1/0.725)
	return area * mil * mil / thickness
}

// FoilCurrent is the inverse of FoilWidth.
func FoilCurrent(width float64, rise unit.Kelvin, thickness float64) unit.Amp {
	const mil = inch / 1000
	return unit.Amp(0.048 * math.Pow(float64(rise), 0.44) * math.Pow(width*thickness/(mil*mil), 0.725))
}

// FoilOhm is the resistance of a foil track; lengths in metres.
func FoilOhm(length, width, thickness float64) unit.Ohm {
	return unit.Ohm(copper / thickness * length / width)
}

// wire answers for a conductor: "AWG 30", "0.14 mm²". An area that no table has is answered by computing it.
func (a *answer) wire(query string) bool {
	s := strings.ToLower(strings.ReplaceAll(strings.ReplaceAll(query, " ", ""), ",", "."))
	var found []Conductor
	if n, ok := strings.CutPrefix(s, "awg"); ok {
		if g, err := strconv.ParseFloat(n, 64); err == nil && g >= 0 && g <= 50 {
			found = append(found, AWG(g))
		}
	}
	for _, suffix := range []string{"mm²", "mm2", "sqmm"} {
		n, ok := strings.CutSuffix(s, suffix)
		if !ok {
			continue
		}
		mm2, err := strconv.ParseFloat(n, 64)
		if err != nil || !(mm2 >= 1e-3 && mm2 <= 100) {
			continue
		}
		for _, c := range cables {
			for _, tinned := range []bool{false, true} {
				if w, ok := Cable(c.area, c.class, tinned); ok && c.area == mm2 {
					found = append(found, w)
				}
			}
		}
		if len(found) == 0 {
			found = append(found, solid(fmt.Sprintf("%g mm² of solid copper", mm2), mm2*1e-6, "annealed copper (from memory); computed, no table of a standard here has this area"))
		}
	}
	if len(found) == 0 {
		return false
	}
	t := finding.Table{ID: "part.wire", Title: "as a wire, at 20 °C", Columns: []finding.Column{{Title: "wire"}, {Title: "diameter of the metal, were it solid", Numeric: true},
		{Title: "area, mm²", Numeric: true}, {Title: "resistance of 1 m", Numeric: true}, {Title: "drop of 1 m there and back at 100 mA", Numeric: true}, {Title: "melts at", Numeric: true}}}
	for _, w := range found {
		t.Rows = append(t.Rows, []finding.Cell{text(w.Name), number(w.Diameter, unit.SymMetre), text(fmt.Sprintf("%.3g", w.Area*1e6)), number(w.OhmPerM, unit.SymOhm),
			number(0.1*float64(w.Run(2, copperAt)), unit.SymVolt), number(float64(w.Fusing()), unit.SymAmp)})
	}
	a.f.Tables = append(a.f.Tables, t)
	resistance := "computed, so a typical one: "
	if found[0].Most {
		resistance = "the greatest that is allowed: "
	}
	a.note("source", "resistance: "+resistance+found[0].Source+"; it rises by 0.4 % per kelvin (Lessons in Electric Circuits, vol. I, ch. 12, read)")
	a.note("source", "melting current: Preece's law for one round wire in free air (fusing table of an engineering firm, read)")
	a.f.Cautions = append(a.f.Cautions, finding.Caution{Where: "wire", Text: "The melting current is no working limit: insulation and solder give way far below it, and a booster can deliver several amperes into a short."})
	return true
}
