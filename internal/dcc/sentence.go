package dcc

import (
	"fmt"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/agext/levenshtein"

	"fettle/internal/diag"
)

// A Sentence is one thing said in the plain-language form.
type Sentence struct {
	Instruction Instruction
	Task        Task // of service mode, whose packets come in a sequence; the zero Task otherwise
	Range       diag.Range
}

// String is the sentence in its canonical form.
func (s Sentence) String() string {
	if s.Task.Method != NoMethod {
		return s.Task.String()
	}
	return s.Instruction.String()
}

// Steps is what is to be sent: the packet as often as its rule wants it, or the sequence of service mode.
func (s Sentence) Steps() []Step {
	if s.Task.Method != NoMethod {
		return s.Task.Steps()
	}
	r := s.Instruction.Repeats()
	return []Step{{Say: r.Rule, Instruction: s.Instruction, Count: r.Times, Preamble: PreambleOperations}}
}

// Parse reads sentences, separated by semicolons or line ends; "#" begins a comment. It returns all that it understood
// and all that is wrong, each problem with its place in src. The grammar stands in docs/packets.md.
//
// A speed of 14 or 28 steps is what it says it is; bytes are decoded as of operations mode with 28 steps.
func Parse(file, src string) ([]Sentence, diag.List) {
	var out []Sentence
	var list diag.List
	each(file, src, func(p *parser) {
		if s, ok := p.sentence(); ok {
			out = append(out, s)
		} else {
			list = append(list, p.problem)
		}
	})
	return out, list
}

// each hands the sentences of a text on that are not empty.
func each(file, src string, f func(*parser)) {
	at := 0
	for _, line := range strings.SplitAfter(src, "\n") {
		from := at
		at += len(line)
		if hash := strings.IndexByte(line, '#'); hash >= 0 {
			line = line[:hash]
		}
		for _, part := range strings.SplitAfter(line, ";") {
			p := &parser{file: file, src: src, from: from, to: from + len(strings.TrimRight(part, ";\r\n"))}
			if p.words(); len(p.toks) > 0 {
				f(p)
			}
			from += len(part)
		}
	}
}

// A token is a word in lower case, a number, or "=".
type token struct {
	text     string
	from, to int // bytes of src
}

// A parser reads one sentence. The first thing wrong ends it: what follows would be a knock-on complaint.
type parser struct {
	file, src string
	from, to  int // the sentence
	toks      []token
	at        int
	problem   diag.Problem
	trial     bool // a mend is being tried: no further mends
}

func (p *parser) words() {
	text := p.src[p.from:p.to]
	start := -1
	end := func(i int) {
		if start >= 0 {
			p.split(lower(text[start:i]), p.from+start)
			start = -1
		}
	}
	for i, r := range text {
		switch {
		case r == '=':
			end(i)
			p.toks = append(p.toks, token{"=", p.from + i, p.from + i + 1})
		case unicode.IsSpace(r) || r == ',' || r == '\u202f':
			end(i)
		case start < 0:
			start = i
		}
	}
	end(len(text))
}

// lower is the word in lower case as far as ASCII goes: other letters may change their length, and places in the text count bytes.
func lower(word string) string {
	b := []byte(word)
	for i, c := range b {
		if 'A' <= c && c <= 'Z' {
			b[i] = c + 'a' - 'A'
		}
	}
	return string(b)
}

// split takes "cv29" for two words and "12/28" for "12 of 28"; "f0", "f1-f4" and hexadecimal bytes stay one.
func (p *parser) split(word string, from int) {
	for _, w := range []string{"cv", "step", "pair", "bit", "output", "page"} {
		if n, ok := strings.CutPrefix(word, w); ok && n != "" && n[0] >= '0' && n[0] <= '9' {
			p.toks = append(p.toks, token{w, from, from + len(w)})
			word, from = n, from+len(w)
			break
		}
	}
	if a, b, ok := strings.Cut(word, "/"); ok && isDigits(a) && isDigits(b) {
		at := from + len(a)
		p.toks = append(p.toks, token{a, from, at}, token{"of", at, at + 1}, token{b, at + 1, from + len(word)})
		return
	}
	p.toks = append(p.toks, token{word, from, from + len(word)})
}

func isDigits(s string) bool { return s != "" && strings.Trim(s, "0123456789") == "" }

func (p *parser) pos(at int) diag.Pos {
	from := strings.LastIndexByte(p.src[:at], '\n') + 1
	return diag.Pos{Line: 1 + strings.Count(p.src[:at], "\n"), Column: utf8.RuneCountInString(p.src[from:at]) + 1, Byte: at}
}

func (p *parser) span(from, to int) diag.Range {
	return diag.Range{File: p.file, Start: p.pos(from), End: p.pos(to)}
}

// here is the next token; at the end an empty one, just behind the last.
func (p *parser) here() token {
	if p.at < len(p.toks) {
		return p.toks[p.at]
	}
	end := p.toks[len(p.toks)-1].to
	return token{"", end, end}
}

// take steps over the next words if they are these.
func (p *parser) take(words ...string) bool {
	for k, w := range words {
		if p.at+k >= len(p.toks) || !sameWord(p.toks[p.at+k].text, w) {
			return false
		}
	}
	p.at += len(words)
	return true
}

// spellings that count as one: the trade writes both.
var spellings = map[string]string{
	"analog": "analogue", "backward": "reverse", "backwards": "reverse", "forwards": "forward", "fwd": "forward", "rev": "reverse",
	"e-stop": "emergency-stop", "estop": "emergency-stop", "ack": "acknowledge", "subaddress": "sub-address",
	"to": "=", "lights": "fl", "light": "fl",
}

func sameWord(written, meant string) bool {
	return written == meant || spellings[written] == meant
}

func (p *parser) fail(code string, from, to int, format string, args ...any) bool {
	if p.problem.Code == "" {
		p.problem = diag.Problem{Code: code, Range: p.span(from, to), Message: fmt.Sprintf(format, args...)}
	}
	return false
}

// mend offers text in place of the bytes from…to, if the sentence is right with it.
func (p *parser) mend(from, to int, text string) {
	if p.trial || p.problem.Fix != nil {
		return
	}
	if from == to { // something is missing there
		if from > p.from && !unicode.IsSpace(rune(p.src[from-1])) {
			text = " " + text
		}
		if to < p.to && !unicode.IsSpace(rune(p.src[to])) {
			text += " "
		}
	}
	src := p.src[p.from:from] + text + p.src[to:p.to]
	q := &parser{src: src, to: len(src), trial: true}
	if q.words(); len(q.toks) == 0 {
		return
	}
	if _, ok := q.sentence(); !ok {
		return
	}
	p.problem.Fix = &diag.Fix{Message: strings.Join(strings.Fields(src), " "), Range: p.span(from, to), Text: text}
}

// wanted complains of the next word: what was wanted there, and which of the words was probably meant.
func (p *parser) wanted(what string, words ...string) bool {
	t := p.here()
	guess := nearest(t.text, words)
	switch {
	case t.text == "":
		p.fail("packet-unfinished", t.from, t.to, "the sentence ends where %s is wanted", what)
	case guess != "":
		p.fail("packet-word", t.from, t.to, "%q is not understood: %s is wanted; did you mean %q?", t.text, what, guess)
		p.mend(t.from, t.to, guess)
	default:
		p.fail("packet-word", t.from, t.to, "%q is not understood: %s is wanted", t.text, what)
	}
	return false
}

// nearest is the word that was probably meant, "" if none or two are as near.
func nearest(written string, words []string) string {
	best, found := 2+len(written)/5, ""
	if len(written) < 3 {
		best = 2
	}
	for _, w := range words {
		d := levenshtein.Distance(written, w, nil)
		if d > 0 && swappedLetters(written, w) {
			d = 1
		}
		if len(written) >= 3 && strings.HasPrefix(w, written) {
			d = min(d, 1)
		}
		switch {
		case d >= len(w): // nothing of it is there
		case d < best:
			best, found = d, w
		case d == best:
			found = ""
		}
	}
	return found
}

func swappedLetters(a, b string) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] {
			return i+1 < len(a) && a[i] == b[i+1] && a[i+1] == b[i] && a[i+2:] == b[i+2:]
		}
	}
	return false
}

// number reads a whole number within limits: decimal, 0x… or 0b….
func (p *parser) number(what string, min, max int) (int, bool) {
	t := p.here()
	n, ok := parseNumber(t.text)
	switch {
	case !ok && t.text == "":
		return 0, p.fail("packet-unfinished", t.from, t.to, "the sentence ends where a number is wanted: %s, from %d to %d", what, min, max)
	case !ok:
		return 0, p.fail("packet-number", t.from, t.to, "%q is no number: %s is wanted, from %d to %d", t.text, what, min, max)
	case n < min || n > max:
		return n, p.fail("packet-range", t.from, t.to, "%s %s: from %d to %d there is one", what, t.text, min, max)
	}
	p.at++
	return n, true
}

func parseNumber(s string) (int, bool) {
	base := 10
	digits := s
	switch {
	case strings.HasPrefix(s, "0x"):
		base, digits = 16, s[2:]
	case strings.HasPrefix(s, "0b"):
		base, digits = 2, s[2:]
	}
	if digits == "" || strings.ContainsAny(digits, "+-_") {
		return 0, false
	}
	n, err := strconv.ParseInt(digits, base, 32)
	return int(n), err == nil
}

func (p *parser) onOff() (on, ok bool) {
	switch {
	case p.take("on"):
		return true, true
	case p.take("off"):
		return false, true
	}
	p.wanted(`"on" or "off"`, "on", "off")
	return false, false
}
