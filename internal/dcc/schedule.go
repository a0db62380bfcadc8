package dcc

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"fettle/internal/diag"
	"fettle/internal/unit"
)

// ParseSchedule reads a schedule as it is written in a file, one thing a line; "#" begins a comment:
//
//	power up                            # 20 reset and 10 idle packets
//	at 0.5 s: 47 forward 12 of 28       # repeated, then refreshed until it changes
//	at 2 s: 47 F0 on; 3 reverse stop of 28
//	every 100 ms from 1 s to 3 s: 3 F1 on
//	at 4 s: service write cv 1 = 47     # the whole sequence
//	at 4.5 s, 8 ones, bit 20 wrong, half 31 of 77 us: 47 F0 on
//	end 5 s                             # else 1 s after the last order
//
// and settings: preamble, repeat, one, zero, jitter, seed, inverted, cut-out, noise, no contact (docs/packets.md says all).
// Every problem has its place in src; what is right is returned all the same.
func ParseSchedule(file string, src []byte) (Schedule, diag.List) {
	return parseSchedule(file, string(src), false)
}

// parseSchedule reads; in a trial, of a mend, without offering further ones.
func parseSchedule(file, src string, trial bool) (Schedule, diag.List) {
	p := &scheduleParser{file: file, src: src, trial: trial, first: map[string]diag.Range{}}
	for from := 0; from <= len(p.src); {
		to := len(p.src)
		if n := strings.IndexByte(p.src[from:], '\n'); n >= 0 {
			to = from + n
		}
		p.line(from, to)
		from = to + 1
	}
	p.finish()
	return p.plan, p.list
}

// Limits of a schedule.
const (
	scheduleMax = 24 * 3600 * unit.Second
	onesMax     = 1000
	repeatMax   = 100
	tail        = unit.Second // from the last order to the end, where none is said
)

type scheduleParser struct {
	file, src string
	trial     bool
	plan      Schedule
	list      diag.List
	first     map[string]diag.Range // settings that were said
	lines     []orderLine
	spoilt    []diag.Range // of disturbances
	drifts    []drift

	number, begin int // of the present line, and the byte at which it begins
	fields        []field
	at            int
}

// An orderLine is what one line orders, and where it says so.
type orderLine struct {
	Order
	span diag.Range
}

// A drift takes the halves of ones, of zeros, or of both, to other lengths in a straight line; at the end they jump back.
type drift struct {
	from, to unit.Time
	timing   Timing // zero where nothing drifts
	span     diag.Range
}

// A field is a word of a line.
type field struct {
	text     string
	from, to int
}

var settingWords = []string{"preamble", "repeat", "one", "zero", "jitter", "seed", "inverted", "cut-out", "noise", "no", "end",
	"power", "at", "every"}

func (p *scheduleParser) line(from, to int) {
	p.number, p.begin = p.number+1, from
	if from == 0 && strings.HasPrefix(p.src, "\uFEFF") {
		from = len("\uFEFF")
	}
	text := p.src[from:to]
	if !utf8.ValidString(text) {
		bad := from + strings.IndexFunc(text, func(r rune) bool { return r == utf8.RuneError })
		p.list.Add("schedule-text", p.span(bad, bad+1), "byte %d of the file is not UTF-8 text", bad)
		return
	}
	if hash := strings.IndexByte(text, '#'); hash >= 0 {
		text = text[:hash]
	}
	sentence, colon := "", strings.IndexByte(text, ':')
	head := text
	if colon >= 0 {
		head, sentence = text[:colon], text[colon+1:]
	}
	p.fields, p.at = nil, 0
	start := -1
	for i, r := range head + " " {
		switch space := unicode.IsSpace(r) || r == ','; {
		case space && start >= 0:
			p.fields = append(p.fields, field{head[start:i], from + start, from + i})
			start = -1
		case !space && start < 0:
			start = i
		}
	}
	if len(p.fields) == 0 && colon < 0 {
		return
	}
	if colon >= 0 {
		if o, ok := p.when(from + colon); ok {
			p.order(o, sentence, from+colon+1)
		}
		return
	}
	if strings.EqualFold(strings.Join(strings.Fields(head), " "), "power up") {
		p.lines = append(p.lines, orderLine{Order{PowerUp: true}, p.all()})
		return
	}
	p.setting()
}

// when reads what stands before the colon.
func (p *scheduleParser) when(colon int) (o Order, ok bool) {
	if p.take("every") {
		every := p.here()
		if o.Every, ok = p.time("a time between packets", "ms"); !ok {
			return o, false
		}
		if o.Every < soonestAgain {
			p.list.Add("schedule-range", p.span(every.from, p.fields[p.at-1].to),
				"every %v µs: a packet takes some 6 ms, 1 ms is the least", micros(o.Every))
			return o, false
		}
		if p.take("from") {
			if o.At, ok = p.time("a time", "s"); !ok {
				return o, false
			}
		}
		if until := p.here(); p.take("to") || p.take("until") {
			if o.Until, ok = p.time("a time", "s"); !ok {
				return o, false
			}
			if o.Until <= o.At {
				p.list.Add("schedule-range", p.span(until.from, p.fields[p.at-1].to),
					"the end, %v s, does not lie after the beginning, %v s",
					seconds(o.Until), seconds(o.At))
				return o, false
			}
		}
	} else {
		p.take("at")
		if o.At, ok = p.time(`a time, or "every" and a time`, "s"); !ok {
			return o, false
		}
	}
	for f := p.here(); f.text != ""; f = p.here() {
		switch {
		case p.take("bit"):
			n, ok := p.count("a bit", 0, 9*bytesMax)
			if !ok {
				return o, false
			}
			if !p.take("wrong") {
				p.unknown(p.here(), `"wrong"`, "wrong")
				return o, false
			}
			o.Spoil.Flip = append(o.Spoil.Flip, n)
		case p.take("half"):
			odd := OddHalf{}
			if odd.Index, ok = p.count("a half", -2*onesMax, 18*bytesMax+1); !ok {
				return o, false
			}
			p.take("of")
			if odd.Length, ok = p.time("a length", "µs"); !ok {
				return o, false
			}
			if odd.Length < us || odd.Length > longestHalf {
				p.list.Add("schedule-range", p.span(f.from, p.fields[p.at-1].to), "a half of %v µs: 1 µs to 1 s can be sent",
					micros(odd.Length))
				return o, false
			}
			o.Spoil.Odd = append(o.Spoil.Odd, odd)
		case p.at+1 < len(p.fields) && strings.EqualFold(p.fields[p.at+1].text, "ones"):
			if o.Spoil.Preamble, ok = p.count("the count of ones", 1, onesMax); !ok {
				return o, false
			}
			p.at++
		default:
			p.list.Add("schedule-word", p.span(f.from, colon),
				"%q is not understood before the colon: a fault is wanted, such as \"8 ones\", \"bit 20 wrong\" or \"half 31 of 77 us\"",
				strings.TrimSpace(p.src[f.from:colon]))
			return o, false
		}
	}
	return o, true
}

// order reads the sentences behind the colon.
func (p *scheduleParser) order(o Order, text string, from int) {
	if strings.EqualFold(strings.Join(strings.Fields(text), " "), "power up") {
		o.PowerUp = true
		p.lines = append(p.lines, orderLine{o, p.span(from, from+len(text))})
		return
	}
	if strings.TrimSpace(text) == "" {
		p.list.Add("schedule-unfinished", p.span(from-1, from), "nothing is said after the colon")
		return
	}
	place := func(r *diag.Range) { *r = p.span(from+r.Start.Byte, from+r.End.Byte) }
	sentences, problems := Parse(p.file, text)
	for _, s := range sentences {
		place(&s.Range)
		o.Sentence = s
		p.lines = append(p.lines, orderLine{o, s.Range})
	}
	for _, x := range problems {
		place(&x.Range)
		for i := range x.Notes {
			place(&x.Notes[i].Range)
		}
		if x.Fix != nil {
			place(&x.Fix.Range)
		}
		p.list = append(p.list, x)
	}
}

// setting reads a line without a colon.
func (p *scheduleParser) setting() {
	f := p.here()
	name := strings.ToLower(f.text)
	if name == "cutout" {
		name = "cut-out"
	}
	p.at++
	if name == "at" || name == "every" {
		p.list.Add("schedule-unfinished", p.span(p.all().End.Byte, p.all().End.Byte),
			"a colon and what is to be sent are wanted here, such as \": 47 F0 on\"")
		return
	}
	if (name == "one" || name == "zero") && p.take("drifts") {
		p.drift(name)
		return
	}
	if name != "noise" && name != "no" && name != "power" {
		if before, twice := p.first[name]; twice {
			p.list.Add("schedule-twice", p.all(), "%s is said twice", name).Notes = []diag.Note{{Range: before, Message: "first here"}}
			return
		}
		p.first[name] = p.all()
	}
	ok := true
	switch name {
	case "preamble":
		if p.plan.Preamble, ok = p.count("the count of ones", 1, onesMax); ok && p.plan.Preamble < PreambleOperations {
			p.list.Warn("schedule-illegal", p.all(), "%d ones: a station sends at least %d (%s A)", p.plan.Preamble,
				PreambleOperations, s92)
		}
	case "repeat":
		p.plan.Repeat, ok = p.count("the count of repeats", 1, repeatMax)
	case "one":
		if p.plan.Stream.Timing.One, ok = p.halves(); ok {
			d := p.plan.Stream.Timing.One[0] - p.plan.Stream.Timing.One[1]
			p.illegal(p.plan.Stream.Timing.One, StationLimits.One, max(d, -d), StationLimits.OneDifference, "the halves differ by")
		}
	case "zero":
		if p.plan.Stream.Timing.Zero, ok = p.halves(); ok {
			z := p.plan.Stream.Timing.Zero
			p.illegal(z, StationLimits.Zero, z[0]+z[1], StationLimits.ZeroTotal, "both halves last")
		}
	case "jitter":
		p.plan.Stream.Jitter, ok = p.time("a time", "µs")
	case "seed":
		n := 0
		n, ok = p.count("the seed", 0, 1<<31-1)
		p.plan.Stream.Seed = uint64(n)
	case "inverted":
		p.plan.Stream.Inverted = true
	case "cut-out":
		if p.plan.Gap.Min, ok = p.time("a time after the end bit", "µs"); ok {
			p.plan.Gap.Max, ok = p.time("the time at which it ends", "µs")
			if ok && (p.plan.Gap.Max <= p.plan.Gap.Min || p.plan.Gap.Min <= 0) {
				p.list.Add("schedule-range", p.all(),
					"a cut-out from %v to %v µs after the end bit: two rising times above 0 are wanted", micros(p.plan.Gap.Min),
					micros(p.plan.Gap.Max))
				p.plan.Gap = Window{}
				return
			}
			if ok && p.plan.Gap.Min < AfterEndBit {
				p.list.Warn("schedule-illegal", p.all(), "no voltage from %v µs after the end bit on: the signal goes on for at least %v µs (%s C)",
					micros(p.plan.Gap.Min), micros(AfterEndBit), s92)
			}
		}
	case "noise":
		ok = p.disturbance(true)
	case "no":
		if ok = p.take("contact"); !ok {
			p.unknown(p.here(), `"contact"`, "contact")
		} else {
			ok = p.disturbance(false)
		}
	case "power":
		p.unknown(p.here(), `"up"`, "up")
		return
	case "end":
		p.plan.End, ok = p.time("a time", "s")
	default:
		delete(p.first, name)
		line := strings.TrimSpace(p.src[f.from:p.all().End.Byte])
		if _, wrong := Parse("", line); len(wrong) == 0 {
			problem := p.list.Add("schedule-time", p.all(), "no time stands before the sentence")
			p.mend(problem, f.from, f.from, "at 0 s: ")
			return
		}
		p.unknown(f, "a setting, or a time and a colon,", settingWords...)
		return
	}
	if extra := p.here(); ok && extra.text != "" {
		p.list.Add("schedule-word", p.span(extra.from, p.all().End.Byte), "%q is over and above", p.src[extra.from:p.all().End.Byte])
	}
}

// drift reads "to 87 us from 4 s to 5 s".
func (p *scheduleParser) drift(name string) {
	var d drift
	var h [2]unit.Time
	ok := false
	if !p.take("to") {
		p.unknown(p.here(), `"to" and a length`, "to")
		return
	}
	if h[0], ok = p.time("the length of a half", "µs"); !ok {
		return
	}
	if h[1] = h[0]; !strings.EqualFold(p.here().text, "from") {
		if h[1], ok = p.time("the length of the other half", "µs"); !ok {
			return
		}
	}
	if name == "one" {
		d.timing.One = h
	} else {
		d.timing.Zero = h
	}
	if !p.take("from") {
		p.unknown(p.here(), `"from" and a time`, "from")
		return
	}
	if d.from, ok = p.time("a time", "s"); !ok {
		return
	}
	if !p.take("to") {
		p.unknown(p.here(), `"to" and a time`, "to")
		return
	}
	if d.to, ok = p.time("a time", "s"); !ok {
		return
	}
	d.span = p.all()
	if d.to < d.from+us {
		p.list.Add("schedule-range", d.span, "the end, %v s, does not lie after the beginning, %v s", seconds(d.to), seconds(d.from))
		return
	}
	for _, x := range h {
		if x < us || x > longestHalf {
			p.list.Add("schedule-range", d.span, "a half of %v µs: 1 µs to 1 s can be sent", micros(x))
			return
		}
	}
	p.drifts = append(p.drifts, d)
}

// disturbance reads "from 3 s to 3.01 s", and of noise "every 20 us".
func (p *scheduleParser) disturbance(noise bool) (ok bool) {
	var d Disturbance
	p.take("from")
	if d.From, ok = p.time("a time", "s"); !ok {
		return false
	}
	if !p.take("to") {
		p.unknown(p.here(), `"to"`, "to")
		return false
	}
	if d.To, ok = p.time("a time", "s"); !ok {
		return false
	}
	if d.To <= d.From {
		p.list.Add("schedule-range", p.all(), "the end, %v s, does not lie after the beginning, %v s", seconds(d.To), seconds(d.From))
		return false
	}
	if noise {
		if !p.take("every") {
			p.unknown(p.here(), `"every" and the mean time between edges`, "every")
			return false
		}
		if d.Between, ok = p.time("a time between edges", "µs"); !ok {
			return false
		}
		if d.Between < unit.Nanosecond {
			p.list.Add("schedule-range", p.all(), "edges every %d ps: 1 ns is the least", d.Between)
			return false
		}
	}
	p.plan.Disturbances = append(p.plan.Disturbances, d)
	p.spoilt = append(p.spoilt, p.all())
	return true
}

// illegal warns of what a station must not send; it is made all the same, to try a decoder with.
func (p *scheduleParser) illegal(halves [2]unit.Time, w Window, sum, most unit.Time, what string) {
	for _, h := range halves {
		if !w.Holds(h) {
			p.list.Warn("schedule-illegal", p.all(), "a half of %v µs: a station sends %v to %v µs (%s)", micros(h), micros(w.Min),
				micros(w.Max), StationLimits.Source)
			return
		}
	}
	if sum > most {
		p.list.Warn("schedule-illegal", p.all(), "%s %v µs: a station keeps within %v µs (%s)", what, micros(sum), micros(most),
			StationLimits.Source)
	}
}

// finish holds the parts of the plan against each other.
func (p *scheduleParser) finish() {
	last := unit.Time(0)
	for _, l := range p.lines {
		last = max(last, l.At, l.Until)
	}
	if p.plan.End == 0 {
		p.plan.End = last + tail
	}
	for _, l := range p.lines {
		if l.At >= p.plan.End {
			p.list.Warn("schedule-late", l.span, "at %v s, and the schedule ends at %v s: it is never sent", seconds(l.At),
				seconds(p.plan.End))
		}
		p.plan.Orders = append(p.plan.Orders, l.Order)
	}
	if len(p.lines) == 0 && len(p.list) == 0 {
		p.list.Add("schedule-empty", diag.Range{File: p.file}, "no order stands in it, such as \"at 0 s: 47 F0 on\"")
	}
	order := make([]int, len(p.plan.Disturbances))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(p.plan.Disturbances[a].From, p.plan.Disturbances[b].From) })
	var sorted []Disturbance
	for k, i := range order {
		d := p.plan.Disturbances[i]
		if k > 0 && d.From < sorted[len(sorted)-1].To {
			p.list.Add("schedule-overlap", p.spoilt[i], "begins at %v s, while another disturbance lasts until %v s",
				seconds(d.From), seconds(sorted[len(sorted)-1].To)).
				Notes = []diag.Note{{Range: p.spoilt[order[k-1]], Message: "that one"}}
			continue
		}
		sorted = append(sorted, d)
	}
	p.plan.Disturbances = sorted
	slices.SortStableFunc(p.drifts, func(a, b drift) int { return cmp.Compare(a.from, b.from) })
	for k, d := range p.drifts {
		if k > 0 && d.from < p.drifts[k-1].to {
			p.list.Add("schedule-overlap", d.span, "begins at %v s, while another drift lasts until %v s", seconds(d.from),
				seconds(p.drifts[k-1].to)).
				Notes = []diag.Note{{Range: p.drifts[k-1].span, Message: "that one"}}
			continue
		}
		straight := p.plan.Stream.Timing.orNominal()
		bent := straight
		if d.timing.One[0] != 0 {
			bent.One = d.timing.One
		}
		if d.timing.Zero[0] != 0 {
			bent.Zero = d.timing.Zero
		}
		moments := &p.plan.Stream.Drift
		if n := len(*moments); n > 0 && (*moments)[n-1].At == d.from {
			*moments = (*moments)[:n-1]
		}
		*moments = append(*moments, Moment{d.from, straight}, Moment{d.to - 1, bent}, Moment{d.to, straight})
	}
	if _, err := NewStream(Send(), p.plan.Stream); err != nil {
		at, there := p.first["jitter"]
		for _, name := range []string{"one", "zero"} {
			if !there {
				at, there = p.first[name]
			}
		}
		p.list.Add("schedule-range", at, "%v", err)
	}
	p.list.Sort()
}

func (p *scheduleParser) here() field {
	if p.at < len(p.fields) {
		return p.fields[p.at]
	}
	if len(p.fields) == 0 {
		return field{"", p.begin, p.begin}
	}
	end := p.fields[len(p.fields)-1].to
	return field{"", end, end}
}

func (p *scheduleParser) take(word string) bool {
	if strings.EqualFold(p.here().text, word) {
		p.at++
		return true
	}
	return false
}

// time reads a time in one word or two, 58us, 58 µs; usual are the units that may be meant where none is said.
func (p *scheduleParser) time(what string, usual ...string) (unit.Time, bool) {
	f := p.here()
	if f.text == "" {
		p.list.Add("schedule-unfinished", p.span(f.from, f.to), "%s is wanted here, such as 0.5 s", what)
		return 0, false
	}
	text, to := f.text, f.to
	if p.at+1 < len(p.fields) {
		next := p.fields[p.at+1]
		if _, err := unit.Parse(f.text+" "+next.text, unit.Duration); err == nil {
			text, to = f.text+" "+next.text, next.to
			p.at++
		}
	}
	s, err := unit.Parse(text, unit.Duration)
	if err != nil {
		where := ""
		if what != "a time" {
			where = "; here stands " + what
		}
		problem := p.list.Add("schedule-time", p.span(f.from, to), "%q: %s%s", text, err.Problem, where)
		if err.Mend != "" { // no unit, mostly
			for _, u := range usual {
				p.mend(problem, f.from, to, text+" "+u)
			}
		}
		return 0, false
	}
	p.at++
	if !(s >= 0 && s <= scheduleMax.Seconds()) {
		p.list.Add("schedule-range", p.span(f.from, to), "%s: a time from 0 to 24 h is wanted", text)
		return 0, false
	}
	return unit.Seconds(s), true
}

// halves reads one length for both halves, or two.
func (p *scheduleParser) halves() (h [2]unit.Time, ok bool) {
	if h[0], ok = p.time("the length of a half", "µs"); !ok {
		return h, false
	}
	h[1] = h[0]
	if p.here().text != "" {
		h[1], ok = p.time("the length of the other half", "µs")
	}
	return h, ok
}

func (p *scheduleParser) count(what string, least, most int) (int, bool) {
	f := p.here()
	p.at++
	n, err := strconv.Atoi(f.text)
	if err != nil || n < least || n > most {
		p.list.Add("schedule-range", p.span(f.from, f.to), "%q: %s is a whole number from %d to %d", f.text, what, least, most)
		return 0, false
	}
	return n, true
}

// unknown complains of a word and guesses what was meant.
func (p *scheduleParser) unknown(f field, what string, among ...string) {
	if f.text == "" {
		p.list.Add("schedule-unfinished", p.span(f.from, f.to), "the line ends where %s is wanted", what)
		return
	}
	guess := nearest(strings.ToLower(f.text), among)
	if guess == "" {
		p.list.Add("schedule-word", p.span(f.from, f.to), "%q is not understood: %s is wanted", f.text, what)
		return
	}
	problem := p.list.Add("schedule-word", p.span(f.from, f.to), "%q is not understood: %s is wanted; did you mean %q?", f.text,
		what, guess)
	p.mend(problem, f.from, f.to, guess)
}

// mend offers text in place of the bytes from…to, if the line is right with it.
func (p *scheduleParser) mend(problem *diag.Problem, from, to int, text string) {
	if p.trial || problem.Fix != nil {
		return
	}
	end := len(p.src)
	if n := strings.IndexByte(p.src[p.begin:], '\n'); n >= 0 {
		end = p.begin + n
	}
	line := p.src[p.begin:from] + text + p.src[to:end]
	_, wrong := parseSchedule("", line, true)
	if slices.ContainsFunc(wrong, func(x diag.Problem) bool { return x.Severity == diag.Error && x.Code != "schedule-empty" }) {
		return
	}
	said, _, _ := strings.Cut(line, "#")
	problem.Fix = &diag.Fix{Message: strings.TrimSpace(said), Range: p.span(from, to), Text: text}
}

// all is the present line without what is blank at its ends.
func (p *scheduleParser) all() diag.Range {
	return p.span(p.fields[0].from, p.fields[len(p.fields)-1].to)
}

func (p *scheduleParser) span(from, to int) diag.Range {
	return diag.Range{File: p.file, Start: p.pos(from), End: p.pos(to)}
}

// pos is a place in the present line.
func (p *scheduleParser) pos(at int) diag.Pos {
	return diag.Pos{Line: p.number, Column: utf8.RuneCountInString(p.src[p.begin:at]) + 1, Byte: at}
}
