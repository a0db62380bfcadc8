package draw

import (
	"math"
	"strconv"
	"strings"

	"fettle/internal/finding"
	"fettle/internal/unit"
)

// A scale maps the values of one axis to px and knows its ticks.
type scale struct {
	low, high float64 // in SI
	log       bool
	from, to  float64 // px of low and high
	factor    float64 // of the prefix
	title     string  // "lamp current / mA"
	symbol    string  // "mA"
	ticks     []tick
}

type tick struct {
	at    float64
	label string // "": a minor tick
}

// known numbers can be drawn: no quantity is beyond 1e150, where differences would overflow.
func known(x float64) bool { return math.Abs(x) < 1e150 }

func (s *scale) shows(x float64) bool { return known(x) && x >= s.low && x <= s.high }

// An Axis is how an axis of a plot is set: its ends in SI, the prefix to divide by, what stands beside it. A face that draws the
// figure by itself sets it the same.
type Axis struct {
	Low    float64 `json:"low"`
	High   float64 `json:"high"`
	Factor float64 `json:"factor"`
	Log    bool    `json:"log"`
	Title  string  `json:"title"`  // "lamp current / mA"
	Symbol string  `json:"symbol"` // "mA"
}

// Axes are the axes of a figure as Plot sets them.
func Axes(f finding.Figure) (x, y Axis) {
	p := newPlot(f, Options{})
	p.layout()
	of := func(s *scale) Axis { return Axis{s.low, s.high, s.factor, s.log, s.title, s.symbol} }
	return of(p.x), of(p.y)
}

// Dashes are the strokes of the curves of a figure, as SVG writes them: "" is unbroken.
func Dashes(f finding.Figure) []string {
	out := make([]string, len(f.Curves))
	for i, c := range f.Curves {
		out[i] = dash(c, i)
	}
	return out
}

// px is the place of x, far outside if a logarithm does not exist.
func (s *scale) px(x float64) float64 {
	if s.log {
		if x <= 0 {
			return s.from + (s.from-s.to)*10
		}
		return s.from + (s.to-s.from)*((math.Log(x)-math.Log(s.low))/(math.Log(s.high)-math.Log(s.low)))
	}
	return s.from + (s.to-s.from)*((x-s.low)/(s.high-s.low))
}

// newScale fits an axis to the data unless it states its own ends. Edges are limits, of which the far side
// must show as well. Snap widens to whole ticks.
func newScale(a finding.Axis, data, edges []float64, places float64, snap bool) *scale {
	s := &scale{low: a.Low, high: a.High, log: a.Log}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, x := range data {
		if known(x) && (!a.Log || x > 0) {
			lo, hi = math.Min(lo, x), math.Max(hi, x)
		}
	}
	for _, x := range edges {
		if !known(x) || a.Log && x <= 0 {
			continue
		}
		over := 0.12 * math.Max(hi-lo, 0)
		if lo > hi {
			over = 0.12 * math.Abs(x)
		}
		if a.Log {
			lo, hi = math.Min(lo, x/1.5), math.Max(hi, x*1.5)
		} else {
			hi = math.Max(hi, x+over)
			if x < lo {
				lo = x - over
				if x >= 0 {
					lo = math.Max(lo, 0)
				}
			}
		}
	}
	stated := known(a.Low) && known(a.High) && a.Low < a.High && (!a.Log || a.Low > 0)
	switch {
	case stated:
	case lo > hi && a.Log:
		s.low, s.high = 1, 10
	case lo > hi:
		s.low, s.high = 0, 1
	case a.Log:
		if lo == hi {
			lo, hi = lo/2, hi*2
		}
		s.low, s.high = lo, hi
		if snap {
			s.low, s.high = nice(lo, false), nice(hi, true)
		}
	default:
		if lo == hi {
			d := math.Max(math.Abs(lo)*0.5, 1e-12)
			lo, hi = lo-d, hi+d
			if lo+d >= 0 {
				lo = math.Max(lo, 0)
			}
		}
		if lo > 0 && lo < 0.35*hi {
			lo = 0
		}
		s.low, s.high = lo, hi
		if snap {
			step := niceStep((hi - lo) / places)
			s.high = math.Ceil(hi/step-1e-9) * step
			if lo < -0.05*step || lo > 0 { // a hair below zero needs no tick of its own
				s.low = math.Floor(lo/step+1e-9) * step
			}
		}
	}
	// A range too narrow for its own digits, or too wide to subtract, cannot be ticked.
	if !known(s.high-s.low) || s.high-s.low <= 1e-9*math.Max(math.Abs(s.low), math.Abs(s.high)) {
		mid := s.low/2 + s.high/2
		d := math.Max(math.Abs(mid)*0.5, 1e-12)
		s.low, s.high, s.log = mid-d, mid+d, false
		if !known(s.high) || !known(s.high-s.low) {
			s.low, s.high = -1, 1
		}
	}
	if s.log && s.low < s.high*1e-15 { // no more decades than an eye can tell apart
		s.low = s.high * 1e-15
	}
	about := math.Max(math.Abs(s.low), math.Abs(s.high))
	if s.log {
		about = math.Sqrt(s.low) * math.Sqrt(s.high)
	}
	s.factor, s.symbol = unit.Scale(about, a.Unit)
	s.title = a.Quantity
	if s.symbol != "" {
		s.title += " / " + s.symbol
	}
	return s
}

// nice rounds x to 1, 2 or 5 times a power of ten, up or down.
func nice(x float64, up bool) float64 {
	ten := math.Pow(10, math.Floor(math.Log10(x)+1e-9))
	m := x / ten
	below := 1.0
	for _, step := range []float64{1, 2, 5, 10} {
		if up && m <= step*(1+1e-9) {
			return step * ten
		}
		if m >= step*(1-1e-9) {
			below = step
		}
	}
	return below * ten
}

func niceStep(x float64) float64 { return nice(x, true) }

// mark chooses ticks: 1-2-5 steps with at least gap px between them.
func (s *scale) mark(gap float64) {
	length := math.Abs(s.to - s.from)
	if s.log {
		s.markLog(gap, length)
		if len(s.ticks) >= 2 {
			return
		}
		s.ticks = nil
	}
	step := niceStep((s.high - s.low) * gap / length)
	if s.log {
		step = niceStep((s.high - s.low) / 3)
	}
	first := math.Ceil(s.low/step - 1e-9)
	decimals := max(0, int(math.Ceil(-math.Log10(step/s.factor)-1e-9)))
	for k := first; k*step <= s.high+1e-9*step; k++ {
		s.ticks = append(s.ticks, tick{k * step, tickLabel(k*step/s.factor, decimals)})
	}
}

func (s *scale) markLog(gap, length float64) {
	decade := length / math.Log10(s.high/s.low)
	shown := []float64{1}
	switch {
	case decade*0.301 >= gap: // from 1 to 2, and from 5 to 10, is 0.301 of a decade
		shown = []float64{1, 2, 5}
	case decade*0.477 >= gap:
		shown = []float64{1, 3}
	}
	every := 1.0
	for decade*every < gap {
		every++
	}
	labels := 0
	for e := math.Floor(math.Log10(s.low)); e <= math.Ceil(math.Log10(s.high)); e++ {
		for m := 1.0; m < 10; m++ {
			x := m * math.Pow(10, e)
			if x < s.low*(1-1e-9) || x > s.high*(1+1e-9) {
				continue
			}
			label := ""
			for _, k := range shown {
				if k == m && math.Mod(math.Abs(e), every) == 0 {
					label = tickLabel(x/s.factor, max(0, -int(math.Floor(math.Log10(x/s.factor)+1e-9))))
					labels++
				}
			}
			if label != "" || decade > 60 {
				s.ticks = append(s.ticks, tick{x, label})
			}
		}
	}
	if labels < 2 {
		s.ticks = nil
	}
}

func tickLabel(x float64, decimals int) string {
	if math.Abs(x) >= 1e6 || decimals > 6 {
		if x == 0 {
			return "0"
		}
		exp := math.Floor(math.Log10(math.Abs(x)) + 1e-9)
		m := strings.Replace(strconv.FormatFloat(x/math.Pow(10, exp), 'g', 3, 64), "-", "−", 1)
		power := "10" + superscript(int(exp))
		if m == "1" {
			return power
		}
		return m + "·" + power
	}
	s := strconv.FormatFloat(x, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		s = "0"
	}
	s = strings.Replace(s, "-", "−", 1)
	whole, frac, _ := strings.Cut(s, ".")
	if digits := strings.TrimPrefix(whole, "−"); len(digits) > 4 {
		whole = strings.TrimSuffix(whole, digits) + digits[:len(digits)-3] + unit.ThinSpace + digits[len(digits)-3:]
	}
	if frac != "" {
		return whole + "." + frac
	}
	return whole
}

func superscript(n int) string {
	return strings.NewReplacer("-", "⁻", "0", "⁰", "1", "¹", "2", "²", "3", "³", "4", "⁴", "5", "⁵", "6", "⁶", "7", "⁷", "8", "⁸", "9", "⁹").Replace(strconv.Itoa(n))
}
