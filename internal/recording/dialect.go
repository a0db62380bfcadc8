package recording

import (
	"bytes"
	"math"
	"strings"

	"fettle/internal/unit"
)

const separators = ",;\t "

// A dialect is how lines are cut into cells and numbers are written.
type dialect struct {
	sep, point byte
}

// dialects by preference: where several fit alike, a comma separates and a point is the decimal sign (RFC 4180).
var dialects = []dialect{{',', '.'}, {';', '.'}, {'\t', '.'}, {' ', '.'}, {';', ','}, {'\t', ','}, {' ', ','}}

// split cuts a line, without its end, into at most most cells, appended to into. Cells are trimmed and freed of quotes;
// spaces separate in runs. The cells lie within the line.
func (d dialect) split(line []byte, into [][]byte, most int) [][]byte {
	if d.sep == ' ' {
		line = trim(line)
	}
	for len(into) < most {
		if q := trimLeft(line); len(q) > 0 && q[0] == '"' {
			end := 1
			for end < len(q) && (q[end] != '"' || end+1 < len(q) && q[end+1] == '"') {
				if q[end] == '"' {
					end++
				}
				end++
			}
			end = min(end, len(q))
			cell := q[1:end]
			next := len(q)
			if i := bytes.IndexByte(q[end:], d.sep); i >= 0 {
				next = end + i
			}
			if behind := trim(q[min(end+1, next):next]); len(behind) > 0 {
				cell = q[:next] // text goes on behind the quotes: they are part of it
			}
			into = append(into, trim(cell))
			if next == len(q) {
				return into
			}
			if line = q[next+1:]; d.sep == ' ' {
				line = trimLeft(line)
			}
			continue
		}
		i := 0 // cells are short: looking byte by byte is quicker than setting out to search
		for i < len(line) && line[i] != d.sep && (d.sep != ' ' || line[i] != '\t') {
			i++
		}
		if i == len(line) {
			return append(into, trim(line))
		}
		into = append(into, trim(line[:i]))
		if line = line[i+1:]; d.sep == ' ' {
			line = trimLeft(line)
		}
	}
	return into
}

func trimLeft(b []byte) []byte {
	for len(b) > 0 && (b[0] == ' ' || b[0] == '\t') {
		b = b[1:]
	}
	return b
}

func trim(b []byte) []byte {
	b = trimLeft(b)
	for len(b) > 0 && (b[len(b)-1] == ' ' || b[len(b)-1] == '\t' || b[len(b)-1] == '\r') {
		b = b[:len(b)-1]
	}
	return b
}

// words for levels, lower case. The three of a polarity make a column of signs.
var levelWords = map[string]float64{
	"h": 1, "hi": 1, "high": 1, "true": 1, "t": 1, "on": 1,
	"l": 0, "lo": 0, "low": 0, "false": 0, "f": 0, "off": 0,
	"x": math.NaN(), "z": math.NaN(), "u": math.NaN(), "?": math.NaN(), "unknown": math.NaN(), "uncertain": math.NaN(),
}

var signWords = map[string]float64{"+": 1, "pos": 1, "positive": 1, "-": -1, "−": -1, "neg": -1, "negative": -1, "none": 0}

func lookup(words map[string]float64, cell []byte) (float64, bool) {
	if len(cell) > 12 {
		return 0, false
	}
	var low [12]byte
	n := copy(low[:], cell)
	for i, c := range low[:n] {
		if c >= 'A' && c <= 'Z' {
			low[i] = c + 'a' - 'A'
		}
	}
	v, ok := words[string(low[:n])]
	return v, ok
}

// value reads a cell as a level or a voltage. A unit may stand behind the number.
func (d dialect) value(cell []byte) (x float64, word, ok bool) {
	if len(cell) == 1 && (cell[0] == '0' || cell[0] == '1') {
		return float64(cell[0] - '0'), false, true
	}
	if n, k := parseDecimal(cell, d.point); k > 0 {
		x = math.Max(-clipped, math.Min(clipped, n.float()))
		if k == len(cell) {
			return x, false, true
		}
		if f, ok := voltUnits[string(bytes.TrimSpace(cell[k:]))]; ok {
			return x * f, false, true
		}
		return 0, false, false
	}
	if x, ok := lookup(levelWords, cell); ok {
		return x, true, true
	}
	if x, ok := lookup(signWords, cell); ok {
		return x, true, true
	}
	x, ok = parseFloat(cell, '.')
	return x, false, ok
}

var voltUnits = map[string]float64{"V": 1, "v": 1, "volt": 1, "volts": 1, "Volt": 1, "Volts": 1, "mV": 1e-3, "mv": 1e-3, "kV": 1e3, "µV": 1e-6, "uV": 1e-6}

var timeUnits = map[string]unit.Time{
	"s": unit.Second, "sec": unit.Second, "secs": unit.Second, "second": unit.Second, "seconds": unit.Second,
	"ms": unit.Millisecond, "msec": unit.Millisecond, "millisecond": unit.Millisecond, "milliseconds": unit.Millisecond,
	"us": unit.Microsecond, "µs": unit.Microsecond, "μs": unit.Microsecond, "usec": unit.Microsecond, "microsecond": unit.Microsecond, "microseconds": unit.Microsecond,
	"ns": unit.Nanosecond, "nsec": unit.Nanosecond, "nanosecond": unit.Nanosecond, "nanoseconds": unit.Nanosecond,
	"ps": unit.Picosecond, "picosecond": unit.Picosecond, "picoseconds": unit.Picosecond,
}

// unitIn finds a unit in a heading: "Time (s)", "t/µs", "time [ms]", "t_us", "time in ms", or the unit alone.
func unitIn[U any](units map[string]U, heading string) (U, bool) {
	s := strings.TrimSpace(heading)
	try := func(s string) (U, bool) {
		s = strings.Trim(s, " ()[]<>{}")
		u, ok := units[s]
		if !ok {
			u, ok = units[strings.ToLower(s)]
		}
		return u, ok
	}
	if u, ok := try(s); ok {
		return u, ok
	}
	for _, cut := range []string{"(", "[", "/", "_", " ", ",", ":"} {
		if i := strings.LastIndex(s, cut); i >= 0 {
			if u, ok := try(s[i+1:]); ok {
				return u, ok
			}
		}
	}
	var none U
	return none, false
}

// bare is a heading without its unit.
func bare(heading string) string {
	s := strings.TrimSpace(heading)
	for _, cut := range []string{"(", "[", "/", "_", ","} {
		if i := strings.LastIndex(s, cut); i > 0 {
			_, time := unitIn(timeUnits, s[i:])
			_, volt := unitIn(voltUnits, s[i:])
			if time || volt {
				return strings.TrimSpace(s[:i])
			}
		}
	}
	return s
}

// time reads a cell of the time column: a number and perhaps a unit of its own.
func (d dialect) time(cell []byte) (decimal, unit.Time, bool) {
	n, k := parseDecimal(cell, d.point)
	if k == 0 {
		return n, 0, false
	}
	if k == len(cell) {
		return n, 0, true
	}
	u, ok := timeUnits[strings.TrimSpace(string(cell[k:]))]
	return n, u, ok
}
