package recording

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"fettle/internal/diag"
	"fettle/internal/unit"
)

const (
	mostVariables = 1 << 16 // beyond them, and beyond mostBits of one vector, nothing can be taken
	mostBits      = 64
	mostText      = 300 // bytes kept of $date, $version, $comment
	mostNested    = 100 // scopes named in full
)

// A variable is what a $var declares; several may share a code, and are one signal then.
type variable struct {
	names    []string // full: scopes joined with points
	width    int
	msb, lsb int
	ranged   bool // the declaration says [msb:lsb]
	real     bool
	event    bool
}

// bit is the name of bit i, counted from the least significant.
func (v *variable) bit(i int) string {
	if v.width == 1 {
		return v.names[0]
	}
	n := i
	if v.ranged {
		if n = v.lsb + i; v.msb < v.lsb {
			n = v.lsb - i
		}
	}
	return fmt.Sprintf("%s[%d]", v.names[0], n)
}

// codes finds the variable of an identifier code: one or more characters from ! to ~.
type codes struct {
	one [128]int32
	two [94 * 94]int32 // as index + 1
	any map[string]int32
}

func newCodes() *codes {
	c := &codes{any: map[string]int32{}}
	for i := range c.one {
		c.one[i] = -1
	}
	return c
}

func printing(b byte) bool { return b >= '!' && b <= '~' }

func (c *codes) find(id []byte) int32 {
	switch {
	case len(id) == 1:
		return c.one[id[0]&0x7F] | int32(int8(id[0]))>>7 // −1 for what is not ASCII
	case len(id) == 2 && printing(id[0]) && printing(id[1]):
		return c.two[int(id[0]-'!')*94+int(id[1]-'!')] - 1
	}
	if k, ok := c.any[string(id)]; ok {
		return k
	}
	return -1
}

func (c *codes) add(id []byte, k int32) {
	switch {
	case len(id) == 1 && id[0] < 128:
		c.one[id[0]] = k
	case len(id) == 2 && printing(id[0]) && printing(id[1]):
		c.two[int(id[0]-'!')*94+int(id[1]-'!')] = k + 1
	default:
		c.any[string(id)] = k
	}
}

// A vcd reads the body of a dump after its header.
type vcd struct {
	w   *window
	p   *problems
	set Settings

	// header
	vars                   []variable
	codes                  *codes
	scopes                 []string
	tooMany                int    // variables beyond mostVariables
	headless               bool   // no $var at all: codes are taken as names
	mult, div              int64  // a tick is mult/div picoseconds
	lastTick               uint64 // that is not beyond latest
	unitSaid, unitWrong    bool
	date, version, comment string
	ended                  bool // $enddefinitions

	// body
	tick    uint64
	t       unit.Time
	back    bool // times are behind the newest one: what stands there is passed over
	feed    feed
	wanted  [2]vcdPlace
	careful bool                                                 // a scalar change is not simply the level of a wanted wire
	survey  func(k int32, t unit.Time, digits []byte, x float64) // looks at every variable, instead of the wanted ones
	value   []byte                                               // of a vector or a real, until its code is read
	dumped  bool                                                 // inside $dumpvars … $end or the like
}

func newVCD(r io.Reader, p *problems, set Settings) *vcd {
	v := &vcd{w: newWindow(r), p: p, set: set, codes: newCodes(), mult: 1, div: 1}
	v.wanted[0].variable, v.wanted[1].variable = -2, -2
	v.unit(unit.Nanosecond, false)
	v.skipBOM()
	return v
}

func (v *vcd) skipBOM() {
	v.w.fill()
	if bytes.HasPrefix(v.w.buf[:v.w.end], []byte("\uFEFF")) {
		v.w.pos = 3
	}
}

// unit sets what one tick is; told units may be less than a picosecond (div).
func (v *vcd) unit(u unit.Time, said bool) {
	v.mult, v.div, v.unitSaid = int64(u), 1, said
	v.lastTick = uint64(latest / max(u, 1))
}

// token is the next run of what is not white space, valid until the next call; nil at the end. A token longer than
// the longest is told and passed over.
func (v *vcd) token() []byte {
	w := v.w
	for {
		for w.pos < w.end && w.buf[w.pos] <= ' ' {
			switch w.buf[w.pos] {
			case '\n':
				w.line++
				w.lineAt = w.base + int64(w.pos) + 1
			case 0:
				v.nul()
				continue
			}
			w.pos++
		}
		n := w.pos
		for n < w.end && w.buf[n] > ' ' {
			n++
		}
		if n < w.end || w.eof && n > w.pos {
			t := w.buf[w.pos:n]
			w.pos = n
			return t
		}
		if w.full() {
			v.p.add(w, diag.Error, "vcd-long", w.pos, w.pos+20, "a word longer than %d bytes: passed over", longest)
			for w.pos = w.end; w.fill(); w.pos = n {
				for n = w.pos; n < w.end && w.buf[n] > ' '; n++ {
				}
				if n < w.end {
					w.pos = n
					break
				}
			}
			continue
		}
		if !w.fill() && w.pos == w.end {
			return nil
		}
	}
}

// nul passes over NUL bytes, which a recorder leaves where it was switched off while writing.
func (v *vcd) nul() {
	w := v.w
	n := w.pos
	for n < w.end && w.buf[n] == 0 {
		n++
	}
	v.p.add(w, diag.Error, "vcd-nul", w.pos, n, "%d NUL bytes: passed over", n-w.pos)
	w.pos = n
}

// complain tells a problem at the token just read.
func (v *vcd) complain(s diag.Severity, code string, tok []byte, format string, args ...any) {
	v.p.add(v.w, s, code, v.w.pos-len(tok), v.w.pos, format, args...)
}

// until hands the words up to $end to f; a section that is not ended is told, and ends where the next one begins.
func (v *vcd) until(section string, f func(i int, tok []byte)) {
	line := v.w.line
	for i := 0; ; i++ {
		tok := v.token()
		if tok == nil {
			v.p.add(v.w, diag.Error, "vcd-open", v.w.pos, v.w.pos, "the file ends inside the %s of line %d: no $end", section, line)
			return
		}
		switch string(tok) {
		case "$end":
			return
		case "$var", "$scope", "$upscope", "$timescale", "$enddefinitions":
			if section != "$comment" { // which may speak of anything
				v.complain(diag.Error, "vcd-open", tok, "the %s of line %d has no $end before this %s", section, line, tok)
				v.w.pos -= len(tok)
				return
			}
		}
		f(i, tok)
	}
}

func appendText(s string, tok []byte) string {
	if len(s) >= mostText {
		return s
	}
	if s != "" {
		s += " "
	}
	return s + printable(tok[:min(len(tok), mostText)])
}

// header reads up to and with $enddefinitions.
func (v *vcd) header() {
	for {
		line := v.w.line
		tok := v.token()
		if tok == nil {
			v.p.add(v.w, diag.Error, "vcd-header", v.w.pos, v.w.pos, "the file ends inside the header, before $enddefinitions")
			return
		}
		switch word := string(tok); word {
		case "$date":
			v.until(word, func(_ int, t []byte) { v.date = appendText(v.date, t) })
		case "$version":
			v.until(word, func(_ int, t []byte) { v.version = appendText(v.version, t) })
		case "$comment":
			v.until(word, func(_ int, t []byte) { v.comment = appendText(v.comment, t) })
		case "$timescale":
			var text []byte
			v.until(word, func(_ int, t []byte) {
				if len(text) < 40 {
					text = append(text, t[:min(len(t), 40)]...)
				}
			})
			v.timescale(string(text))
		case "$scope":
			name := ""
			v.until(word, func(i int, t []byte) {
				if i == 1 {
					name = printable(t[:min(len(t), mostText)])
				}
			})
			if len(v.scopes) < mostNested {
				v.scopes = append(v.scopes, name)
			} else {
				v.complain(diag.Error, "vcd-scope", tok, "more than %d scopes inside each other", mostNested)
			}
		case "$upscope":
			v.until(word, func(int, []byte) {})
			if len(v.scopes) == 0 {
				v.complain(diag.Warning, "vcd-scope", tok, "$upscope without a $scope to leave")
			} else {
				v.scopes = v.scopes[:len(v.scopes)-1]
			}
		case "$var":
			v.declare(line)
		case "$enddefinitions":
			v.until(word, func(int, []byte) {})
			v.ended = true
			return
		case "$dumpvars", "$dumpall", "$dumpon", "$dumpoff":
			v.complain(diag.Warning, "vcd-header", tok, "%s comes before $enddefinitions", word)
			return
		case "$end":
			v.complain(diag.Warning, "vcd-end", tok, "$end of nothing")
		default:
			if tok[0] == '$' {
				v.complain(diag.Warning, "vcd-section", tok, "no section of a dump is called %s: passed over", printable(tok[:min(len(tok), 40)]))
				v.until(word, func(int, []byte) {})
				continue
			}
			if tok[0] == '#' || len(v.vars) > 0 && strings.IndexByte("01xXzZbBrR", tok[0]) >= 0 {
				if len(v.vars) > 0 { // else it is the whole header that is missing
					v.complain(diag.Warning, "vcd-header", tok, "changes begin before $enddefinitions")
				}
				v.w.pos -= len(tok)
				return
			}
			v.complain(diag.Error, "vcd-word", tok, "%q belongs to no section of the header", printable(tok[:min(len(tok), 40)]))
		}
		if v.w.pos >= v.w.end && v.w.eof {
			return
		}
	}
}

var vcdUnits = map[string]unit.Time{"s": unit.Second, "ms": unit.Millisecond, "us": unit.Microsecond, "ns": unit.Nanosecond, "ps": unit.Picosecond, "fs": 0}

// timescale reads "1 ns", "10us", "100 s".
func (v *vcd) timescale(text string) {
	digits := 0
	for digits < len(text) && text[digits] >= '0' && text[digits] <= '9' {
		digits++
	}
	n, err := strconv.ParseInt(text[:digits], 10, 64)
	u, known := vcdUnits[text[digits:]]
	if err != nil || !known || n <= 0 || n > 1e6 {
		v.p.add(v.w, diag.Error, "vcd-timescale", v.w.pos-1, v.w.pos, "$timescale %q: 1, 10 or 100 of s, ms, us, ns, ps or fs is wanted", printable([]byte(text)))
		v.unitWrong = true
		return
	}
	if n != 1 && n != 10 && n != 100 {
		v.p.add(v.w, diag.Warning, "vcd-timescale", v.w.pos-1, v.w.pos, "$timescale %q: only 1, 10 and 100 are usual; %d is taken as said", text, n)
	}
	if v.unit(unit.Time(n)*u, true); u == 0 {
		v.mult, v.div, v.lastTick = n, 1000, uint64(int64(latest)/n)
	}
}

// declare reads a $var: type, width, code, name, perhaps a bit or a range, which may touch the name.
func (v *vcd) declare(line int) {
	var kind, id, name string
	width := 0
	v.until("$var", func(i int, t []byte) {
		t = t[:min(len(t), mostText)]
		switch i {
		case 0:
			kind = strings.ToLower(string(t))
		case 1:
			n, err := strconv.Atoi(string(t))
			if err != nil || n < 0 {
				v.complain(diag.Error, "vcd-var", t, "%q is no width in bits; 1 is taken", printable(t))
				n = 1
			}
			width = n
		case 2:
			id = string(t)
		default:
			if len(name) < mostText {
				name += printable(t)
			}
		}
	})
	if id == "" || name == "" {
		v.p.add(v.w, diag.Error, "vcd-var", v.w.pos-1, v.w.pos, "the $var of line %d lacks its name: type, width, code and name are wanted", line)
		if id == "" {
			return
		}
		name = id
	}
	d := variable{width: max(width, 1), real: kind == "real" || kind == "realtime", event: kind == "event" || kind == "string"}
	if d.real {
		d.width = 1
	}
	if open := strings.LastIndexByte(name, '['); open > 0 && strings.HasSuffix(name, "]") && !strings.HasPrefix(name, `\`) {
		from, to, two := strings.Cut(name[open+1:len(name)-1], ":")
		m, err1 := strconv.Atoi(from)
		l, err2 := strconv.Atoi(to)
		if two && err1 == nil && err2 == nil && d.width > 1 {
			d.msb, d.lsb, d.ranged = m, l, true
			name = name[:open]
		}
	}
	if len(v.scopes) > 0 {
		name = strings.Join(v.scopes, ".") + "." + name
	}
	if k := v.codes.find([]byte(id)); k >= 0 {
		if len(v.vars[k].names) < 20 {
			v.vars[k].names = append(v.vars[k].names, name)
		}
		return
	}
	if len(v.vars) == mostVariables {
		v.tooMany++
		return
	}
	d.names = []string{name}
	v.codes.add([]byte(id), int32(len(v.vars)))
	v.vars = append(v.vars, d)
}

// unknownCode is what becomes of a change of no declared variable.
func (v *vcd) unknownCode(tok, id []byte) int32 {
	if v.headless && len(id) <= 4 && len(v.vars) < 200 {
		k := int32(len(v.vars))
		v.vars = append(v.vars, variable{names: []string{string(id)}, width: 1})
		v.codes.add(id, k)
		return k
	}
	if v.tooMany == 0 {
		v.complain(diag.Error, "vcd-code", tok, "no variable has the code %q", printable(id[:min(len(id), 40)]))
	}
	return -1
}

// read fills the block. The loop below sees every byte of an hour's recording: it looks no word up twice and
// allocates nothing.
func (v *vcd) read(d *detector) error {
	w := v.w
	for len(d.c.At) < blockSize {
		// Words that end inside the window are read at once.
		buf, pos, end := w.buf[:w.end], w.pos, w.end
	words:
		for pos < end {
			b := buf[pos]
			switch {
			case b <= ' ':
				if b == '\n' {
					w.line++
					w.lineAt = w.base + int64(pos) + 1
				} else if b == 0 {
					break words
				}
				pos++
				continue
			case b == '0', b == '1':
				n := pos + 2
				if n >= end {
					break words
				}
				var k int32
				if buf[n] <= ' ' && buf[n-1] > ' ' && buf[n-1] < 128 {
					k = v.codes.one[buf[n-1]]
				} else {
					for n--; n < end && buf[n] > ' '; n++ {
					}
					if n == end || n == pos+1 {
						break words
					}
					k = v.codes.find(buf[pos+1 : n])
				}
				if k < 0 || v.survey != nil || v.careful {
					break words
				}
				if !v.back {
					if k == v.wanted[0].variable {
						v.feed.level[0] = b - '0'
						v.feed.dirty = true
					} else if k == v.wanted[1].variable {
						v.feed.level[1] = b - '0'
						v.feed.dirty = true
					}
				}
				pos = n
				continue
			case b == 'b', b == 'B', b == 'r', b == 'R': // passed over unless it is wanted
				n := pos + 1
				for n < end && buf[n] > ' ' {
					n++
				}
				from := n + 1
				for from < end && buf[from] == ' ' {
					from++
				}
				to := from
				for to < end && buf[to] > ' ' {
					to++
				}
				if to >= end || to == from {
					break words
				}
				if k := v.codes.find(buf[from:to]); k < 0 || v.survey != nil || k == v.wanted[0].variable || k == v.wanted[1].variable {
					break words
				}
				pos = to
				continue
			case b == '#':
				var tick uint64
				n := pos + 1
				for ; n < end && buf[n] > ' '; n++ {
					c := buf[n] - '0'
					if c > 9 || tick > (math.MaxUint64-9)/10 {
						break words
					}
					tick = tick*10 + uint64(c)
				}
				if n == end || n == pos+1 || tick <= v.tick || tick > v.lastTick {
					break words
				}
				if v.feed.dirty {
					v.feed.commit(d, v.t)
				}
				v.to(tick)
				pos = n
				if len(d.c.At) >= blockSize {
					break words
				}
				continue
			}
			break
		}
		w.pos = pos
		if len(d.c.At) >= blockSize {
			return nil
		}
		if done, err := v.slow(d); done {
			return err
		}
	}
	return nil
}

// slow reads one construct of any kind, wherever the window ends.
func (v *vcd) slow(d *detector) (bool, error) {
	tok := v.token()
	if tok == nil {
		if v.feed.dirty {
			v.feed.commit(d, v.t)
		}
		d.finish(v.t)
		if err := v.p.ended(v.w); err != nil {
			return true, err
		}
		return true, io.EOF
	}
	switch b := tok[0]; b {
	case '#':
		v.time(d, tok)
	case '0', '1', 'x', 'X', 'z', 'Z':
		if len(tok) == 1 {
			id := v.code(tok)
			if id == nil {
				return false, nil
			}
			v.complain(diag.Warning, "vcd-space", id, "white space between the value and the code %s of a scalar", printable(id))
			v.change([]byte{b}, id)
			return false, nil
		}
		v.change(tok[:1], tok[1:])
	case 'b', 'B':
		if id := v.code(tok); id != nil {
			digits := v.value[1:]
			if i := bytes.IndexFunc(digits, func(r rune) bool { return !strings.ContainsRune("01xXzZ", r) }); i >= 0 || len(digits) == 0 {
				v.complain(diag.Error, "vcd-value", id, "%q is no binary value", printable(digits[:min(len(digits), 40)]))
				return false, nil
			}
			v.change(digits, id)
		}
	case 'r', 'R':
		if id := v.code(tok); id != nil {
			x, ok := parseFloat(v.value[1:], '.')
			if !ok {
				v.complain(diag.Error, "vcd-value", id, "%q is no real number", printable(v.value[1:min(len(v.value), 40)]))
				return false, nil
			}
			v.real(x, id)
		}
	case 's', 'S':
		v.code(tok)
	case '$':
		v.keyword(tok)
	default:
		v.complain(diag.Error, "vcd-word", tok, "%q is no time and no change of a value", printable(tok[:min(len(tok), 40)]))
	}
	return false, nil
}

// code is the identifier code that belongs to the value before it, which is kept in v.value.
func (v *vcd) code(tok []byte) []byte {
	v.value = append(v.value[:0], tok...)
	id := v.token()
	if id == nil {
		v.p.add(v.w, diag.Error, "vcd-cut", v.w.pos, v.w.pos, "the file ends after the value %q, before the code of its variable", printable(v.value[:min(len(v.value), 40)]))
	}
	return id
}

func (v *vcd) time(d *detector, tok []byte) {
	tick, err := strconv.ParseUint(string(tok[1:]), 10, 64)
	if err != nil && !errorsIsRange(err) {
		v.complain(diag.Error, "vcd-time", tok, "%q is no time: digits are wanted", printable(tok[:min(len(tok), 40)]))
		return
	}
	if err != nil || tick > v.lastTick {
		v.complain(diag.Error, "time-overflow", tok, "time %s lies beyond %.4g s, the latest that is read; what follows it is passed over",
			printable(tok[1:min(len(tok), 40)]), latest.Seconds())
		v.back = true
		return
	}
	if tick < v.tick {
		v.complain(diag.Error, "time-backwards", tok, "time runs backwards, from %d to %d; what lies before %d is passed over", v.tick, tick, v.tick)
		v.back = true
		return
	}
	if tick > v.tick && v.feed.dirty {
		v.feed.commit(d, v.t)
	}
	v.to(tick)
}

// to moves on to a tick that is neither too late nor before the present one.
func (v *vcd) to(tick uint64) {
	t := int64(tick) * v.mult
	if v.div != 1 {
		t = t/v.div + (t%v.div+v.div/2)/v.div
	}
	v.tick, v.t, v.back = tick, unit.Time(t), false
}

func errorsIsRange(err error) bool {
	e, ok := err.(*strconv.NumError)
	return ok && e.Err == strconv.ErrRange
}

// change is a value of 0, 1, x, z digits for a code.
func (v *vcd) change(digits, id []byte) {
	k := v.codes.find(id)
	if k < 0 {
		if k = v.unknownCode(id, id); k < 0 {
			return
		}
	}
	switch {
	case v.back || v.vars[k].event:
		return
	case v.vars[k].real:
		v.complain(diag.Error, "vcd-value", id, "%s is a real variable: r and a number are wanted", v.vars[k].names[0])
		return
	case v.survey != nil:
		v.survey(k, v.t, digits, 0)
		return
	}
	for i := range v.wanted {
		if v.wanted[i].variable == k {
			v.feed.level[i] = digitLevel(digits, int(v.wanted[i].bit))
			v.feed.dirty = true
		}
	}
}

// digitLevel is bit i of a vector; one that is not written is 0, or what the leftmost digit is if that is x or z.
func digitLevel(digits []byte, i int) uint8 {
	b := digits[0]
	if i < len(digits) {
		b = digits[len(digits)-1-i]
	} else if b == '1' {
		b = '0'
	}
	switch b {
	case '0':
		return low
	case '1':
		return high
	}
	return unclear
}

func (v *vcd) real(x float64, id []byte) {
	k := v.codes.find(id)
	if k < 0 {
		if k = v.unknownCode(id, id); k < 0 {
			return
		}
		v.vars[k].real = true
	}
	switch {
	case v.back:
		return
	case !v.vars[k].real:
		v.complain(diag.Error, "vcd-value", id, "%s is not a real variable: 0, 1, x, z or b and digits are wanted", v.vars[k].names[0])
		return
	case v.survey != nil:
		v.survey(k, v.t, nil, x)
		return
	}
	for i := range v.wanted {
		if v.wanted[i].variable == k {
			v.feed.volt[i] = x
			v.feed.dirty = true
		}
	}
}

// keyword is a command between the changes.
func (v *vcd) keyword(tok []byte) {
	switch word := string(tok); word {
	case "$dumpvars", "$dumpall", "$dumpon", "$dumpoff":
		v.dumped = true
	case "$end":
		if !v.dumped {
			v.complain(diag.Warning, "vcd-end", tok, "$end of nothing")
		}
		v.dumped = false
	case "$comment":
		v.until(word, func(int, []byte) {})
	case "$var", "$scope", "$upscope", "$timescale", "$date", "$version", "$enddefinitions":
		v.complain(diag.Error, "vcd-section", tok, "%s among the changes: passed over", word)
		v.until(word, func(int, []byte) {})
	default:
		v.complain(diag.Error, "vcd-section", tok, "%q is no command of a dump", printable(tok[:min(len(tok), 40)]))
	}
}
