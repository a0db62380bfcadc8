package recording

import (
	"math"
	"math/bits"
	"strconv"

	"fettle/internal/unit"
)

// A decimal is mant · 10^exp, negated if neg: the digits as they are written.
type decimal struct {
	mant uint64
	exp  int
	neg  bool
	cut  bool // further digits were dropped, none but zeros if not cut
	e    bool // written with an exponent
}

// parseDecimal reads a sign, digits with at most one decimal sign, and an exponent, and says how many bytes that took;
// 0 if there is no number.
func parseDecimal(b []byte, point byte) (d decimal, n int) {
	i := 0
	if i < len(b) && (b[i] == '-' || b[i] == '+') {
		d.neg = b[i] == '-'
		i++
	} else if len(b) >= 3 && b[0] == 0xE2 && b[1] == 0x88 && b[2] == 0x92 { // U+2212, the true minus
		d.neg = true
		i = 3
	}
	digits, points := 0, 0
	for ; i < len(b); i++ {
		c := b[i] - '0'
		if c > 9 {
			if b[i] != point || points == 1 {
				break
			}
			points = 1
			continue
		}
		digits++
		if d.mant <= (math.MaxUint64-9)/10 && !d.cut {
			d.mant = d.mant*10 + uint64(c)
			d.exp -= points
			continue
		}
		d.cut = true // the digits that fit are more than any recorder has
		d.exp += 1 - points
	}
	if digits == 0 {
		return decimal{}, 0
	}
	if i+1 < len(b) && (b[i] == 'e' || b[i] == 'E') {
		j, neg, x := i+1, false, 0
		if b[j] == '-' || b[j] == '+' {
			neg = b[j] == '-'
			j++
		}
		from := j
		for ; j < len(b) && b[j]-'0' <= 9; j++ {
			x = min(x*10+int(b[j]-'0'), 10000)
		}
		if j > from {
			if neg {
				x = -x
			}
			d.exp += x
			d.e = true
			i = j
		}
	}
	return d, i
}

var tens = [20]uint64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19}

// times is d · u, rounded to the picosecond (half away from 0); false if that is more than a Time holds.
func (d decimal) times(u unit.Time) (unit.Time, bool) {
	hi, lo := bits.Mul64(d.mant, uint64(u))
	switch {
	case d.mant == 0:
		return 0, true
	case d.exp >= len(tens):
		return 0, false
	case d.exp >= 0:
		var over uint64
		if hi != 0 {
			return 0, false
		}
		if over, lo = bits.Mul64(lo, tens[d.exp]); over != 0 {
			return 0, false
		}
	case d.exp <= -2*len(tens)+2:
		lo = 0
	default:
		e := -d.exp
		for e >= len(tens) { // rounding twice matters below 1e-19 of a picosecond only
			q := tens[len(tens)-1]
			r := hi % q
			hi /= q
			lo, _ = bits.Div64(r, lo, q)
			e -= len(tens) - 1
		}
		q := tens[e]
		if hi >= q {
			return 0, false
		}
		var rest uint64
		lo, rest = bits.Div64(hi, lo, q)
		if rest >= q-q/2 && q > 1 {
			lo++
		}
	}
	if lo > math.MaxInt64 {
		return 0, false
	}
	if d.neg {
		return -unit.Time(lo), true
	}
	return unit.Time(lo), true
}

// float is d as a float64, to a rounding or two.
func (d decimal) float() float64 {
	x := float64(d.mant)
	switch {
	case d.exp < -22 || d.exp > 22:
		x *= math.Pow10(d.exp)
	case d.exp < 0:
		x /= float64pow[-d.exp]
	default:
		x *= float64pow[d.exp]
	}
	if d.neg {
		return -x
	}
	return x
}

var float64pow = [23]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

const clipped = 1e12 // what stands for an infinite voltage, so that crossings stay numbers

// parseFloat reads all of b as a number, as "inf" (an overdriven input), or not at all.
func parseFloat(b []byte, point byte) (float64, bool) {
	if d, n := parseDecimal(b, point); n == len(b) && n > 0 {
		return math.Max(-clipped, math.Min(clipped, d.float())), true
	}
	if len(b) <= 9 && len(b) > 0 && point == '.' {
		if x, err := strconv.ParseFloat(string(b), 64); err == nil && math.IsInf(x, 0) {
			return math.Copysign(clipped, x), true
		}
	}
	return 0, false
}
