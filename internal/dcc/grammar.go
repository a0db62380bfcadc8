package dcc

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"fettle/internal/diag"
)

var firstWords = []string{"broadcast", "accessory", "extended", "turnout", "service", "idle", "reset", "bytes", "advanced", "long", "short", "cv"}

func (p *parser) sentence() (Sentence, bool) {
	s := Sentence{Range: p.span(p.toks[0].from, p.toks[len(p.toks)-1].to)}
	i, ok := p.said(&s.Task)
	if !ok {
		return s, false
	}
	if t := p.here(); t.text != "" {
		end := t.to
		for _, u := range p.toks[p.at:] { // the address of a turned sentence lies behind
			end = max(end, u.to)
		}
		if before := p.toks[p.at-1].to; before <= t.from && p.sentenceFrom(t.from) {
			p.fail("packet-more", t.from, end, "%q is a sentence of its own: a semicolon parts two", p.src[t.from:end])
			if !p.trial {
				p.problem.Fix = &diag.Fix{Message: strings.TrimSpace(p.src[p.from:before]) + "; " + strings.TrimSpace(p.src[t.from:p.to]), Range: p.span(before, t.from), Text: "; "}
			}
			return s, false
		}
		p.fail("packet-more", t.from, end, "%q is over and above: the sentence was complete before it", p.src[t.from:end])
		p.mend(t.from, end, "")
		return s, false
	}
	if err := i.Check(); err != nil {
		return s, p.fail("packet-cannot", s.Range.Start.Byte, s.Range.End.Byte, "%v", err)
	}
	if s.Task.Method != NoMethod {
		if err := s.Task.Check(); err != nil {
			return s, p.fail("packet-cannot", s.Range.Start.Byte, s.Range.End.Byte, "%v", err)
		}
	}
	s.Instruction = i
	return s, true
}

// sentenceFrom reports whether what stands from there on is a sentence by itself.
func (p *parser) sentenceFrom(at int) bool {
	if p.trial {
		return false
	}
	q := &parser{src: p.src, from: at, to: p.to, trial: true}
	q.words()
	_, ok := q.sentence()
	return ok
}

// said reads the sentence from its first word.
func (p *parser) said(task *Task) (i Instruction, ok bool) {
	switch {
	case p.take("idle"):
		return Idle(), true
	case p.take("bytes"), p.take("hex"):
		return p.bytes()
	case p.take("advanced"):
		return p.advanced()
	case p.take("service"):
		return p.service(task)
	case p.here().text == "reset" && len(p.toks) == 1:
		p.at++
		return Reset(), true
	case p.instructionFirst() && !p.turn():
		return i, false
	}
	a, pair, ok := p.address()
	if !ok {
		return i, false
	}
	switch a.Kind {
	case Basic:
		return p.basic(a, pair)
	case Extended:
		return p.extended(a)
	}
	return p.multifunction(a)
}

// instructionFirst reports whether the sentence begins with what is to be done, so that its address stands behind.
func (p *parser) instructionFirst() bool {
	switch t := p.here().text; {
	case isFunction(t), t == "pair", t == "aspect", t == "reset", sameWord(t, "emergency-stop"):
		return true
	case t == "extended":
		return len(p.toks) > 1 && p.toks[1].text == "addressing"
	default:
		return slices.ContainsFunc(instructionWords, func(w string) bool { return sameWord(t, w) && w != "on" && w != "off" })
	}
}

// turn puts the address of "cv 29 write 6 at 3" in front, where every other sentence has it.
func (p *parser) turn() bool {
	first := p.toks[0]
	at := slices.IndexFunc(p.toks, func(t token) bool { return t.text == "at" })
	switch {
	case at >= 0:
		if at+1 == len(p.toks) {
			p.at = len(p.toks)
			return p.wanted("an address")
		}
		p.toks = slices.Concat(p.toks[at+1:], p.toks[:at])
		return true
	case first.text == "cv":
		end := p.toks[len(p.toks)-1].to
		return p.fail("packet-unfinished", end, end, `whose CV? "at" and an address are wanted; on the programming track: "service" before it`)
	}
	p.fail("packet-address", first.from, first.to, "%q for whom? an address is wanted before it, or behind it with \"at\"", p.src[first.from:first.to])
	if first.text == "stop" || first.text == "emergency" {
		p.mend(first.from, first.from, "broadcast")
	}
	return false
}

// address reads whom it is for. A turnout's number brings its output pair with it, else pair is −1.
func (p *parser) address() (a Address, pair int, ok bool) {
	pair = -1
	t := p.here()
	switch {
	case p.take("broadcast"):
		return Broadcast, pair, true
	case p.take("long"):
		n, ok := p.number("long address", 0, LongMax)
		return Address{Long, uint16(n)}, pair, ok
	case p.take("short"):
		at := p.here()
		n, ok := p.number("short address", 1, ShortMax)
		if !ok && n > ShortMax && n <= LongMax {
			p.mend(t.from, at.to, at.text)
		}
		return Address{Short, uint16(n)}, pair, ok
	case p.take("accessory"):
		if p.take("broadcast") {
			return Address{Basic, BasicAll}, pair, true
		}
		n, ok := p.number("accessory decoder", 0, BasicAll-1)
		return Address{Basic, uint16(n)}, pair, ok
	case p.take("extended", "accessory"), p.take("signal"):
		if p.take("broadcast") {
			return Address{Extended, ExtendedAll}, pair, true
		}
		n, ok := p.number("extended accessory", 0, ExtendedAll-1)
		return Address{Extended, uint16(n)}, pair, ok
	case p.take("turnout"):
		n, ok := p.number("turnout", 1, 2040)
		a, pr := Turnout(uint16(n))
		return a, int(pr), ok
	}
	n, isNumber := parseNumber(t.text)
	switch {
	case !isNumber:
		return a, pair, p.wanted("an address, or who or what it is about,", firstWords...)
	case n == 0:
		p.fail("packet-range", t.from, t.to, "address 0 is the broadcast to all decoders")
		p.mend(t.from, t.to, "broadcast")
		return a, pair, false
	case n > LongMax || n < 0:
		return a, pair, p.fail("packet-range", t.from, t.to, "address %s: the highest long one is %d (CV17 and CV18 hold no more)", t.text, LongMax)
	}
	p.at++
	return Vehicle(uint16(n)), pair, true
}

var instructionWords = []string{"forward", "reverse", "stop", "emergency", "cv", "consist", "leave", "reset", "hard", "factory", "flag",
	"extended", "acknowledge", "query", "lock", "state", "all", "analogue", "on", "off"}

// multifunction reads what a multi-function decoder is told.
func (p *parser) multifunction(a Address) (i Instruction, ok bool) {
	i.Address = a
	t := p.here()
	onOff := func(op Op) (Instruction, bool) {
		i.Op = op
		i.On, ok = p.onOff()
		return i, ok
	}
	switch {
	case sameWord(t.text, "forward"), sameWord(t.text, "reverse"), t.text == "stop", t.text == "emergency", sameWord(t.text, "emergency-stop"):
		return p.speed(i)
	case isFunction(t.text):
		i.Op = OpFunctions
		i.Functions, ok = p.functions(false)
		return i, ok
	case t.text == "cv":
		return p.cv(a)
	case p.take("reset"):
		i.Op = OpReset
	case p.take("hard", "reset"):
		i.Op = OpHardReset
	case p.take("factory", "test"):
		i.Op = OpTest
		n, ok := p.number("bit F of the factory test", 0, 1)
		if i.On = n == 1; ok && p.take("data") {
			i.Data = true
			n, ok = p.number("data byte", 0, 255)
			i.Value = byte(n)
		}
		return i, ok
	case p.take("flag"):
		i.Op = OpFlags
		n, ok := p.number("flag", 0, 15)
		if !ok {
			return i, false
		}
		if i.On, ok = p.onOff(); !ok {
			return i, false
		}
		i.Number = uint16(n)
		if p.take("sub-address") {
			n, ok = p.number("sub-address", 0, 7)
			i.Bit = byte(n)
		}
		return i, ok
	case p.take("extended", "addressing"):
		return onOff(OpExtended)
	case p.take("acknowledge"):
		i.Op = OpAckRequest
		p.take("request")
	case p.take("leave", "consist"):
		i.Op = OpConsist
	case p.take("consist"):
		i.Op = OpConsist
		n, ok := p.number("consist address", 0, 127)
		i.Number = uint16(n)
		if i.On = ok && p.take("reversed"); !i.On && ok {
			p.take("normal")
		}
		return i, ok
	case p.take("query"):
		if a.Kind == All {
			return i, p.fail("packet-cannot", t.from, t.to, "an address query asks one decoder")
		}
		i.Op = OpQuery
	case p.take("lock"):
		if a.Kind != All {
			p.fail("packet-cannot", t.from, t.to, "the lock goes to all decoders and names the one that stays open")
			p.mend(p.from, p.to, fmt.Sprintf("broadcast lock except %d", min(a.Number, ShortMax)))
			return i, false
		}
		if !p.take("except") {
			return i, p.wanted(`"except" and a short address`, "except")
		}
		i.Op = OpLock
		n, ok := p.number("short address", 0, 127)
		i.Number = uint16(n)
		return i, ok
	case p.take("all", "short", "states"):
		return onOff(OpState)
	case p.take("all", "states"):
		return onOff(OpStateLong)
	case p.take("state"):
		n, ok := p.number("binary state", 1, 32767)
		if !ok {
			return i, false
		}
		i.Number = uint16(n)
		if n <= 127 {
			return onOff(OpState)
		}
		return onOff(OpStateLong)
	case p.take("analogue"):
		p.take("function")
		n, ok := p.number("analogue function", 0, 255)
		if ok {
			p.take("=")
			i.Op, i.Number = OpAnalog, uint16(n)
			n, ok = p.number("value", 0, 255)
			i.Value = byte(n)
		}
		return i, ok
	case t.text == "accessory" || t.text == "pair" || t.text == "aspect":
		return i, p.fail("packet-word", t.from, t.to, "%q belongs to an accessory decoder: %q", t.text, "accessory 1 pair 0 output 1 on")
	default:
		if n, ok := parseNumber(t.text); ok {
			p.fail("packet-word", t.from, t.to, "%d is a step in which direction?", n)
			p.mend(t.from, t.from, "forward")
			return i, false
		}
		if t.text == "speed" {
			p.fail("packet-word", t.from, t.to, "a speed has a direction: forward or reverse")
			p.mend(t.from, t.to, "forward")
			return i, false
		}
		if t.text == "read" {
			return i, p.cannotRead()
		}
		return i, p.wanted("an instruction (forward 12 of 28, F0 on, stop, cv 29 write 6, consist 10, reset, …)", instructionWords...)
	}
	return i, true
}

// cannotRead tells who wants to read a CV how that is done.
func (p *parser) cannotRead() bool {
	t := p.here()
	return p.fail("packet-read", t.from, t.to, "no packet reads: it verifies a value or a bit, and the decoder acknowledges if it is right")
}

// speed reads direction, step and steps, and what may follow them.
func (p *parser) speed(i Instruction) (Instruction, bool) {
	s := Speed{Steps: Steps28, Forward: true}
	start := p.here()
	direction := true
	switch {
	case p.take("forward"):
	case p.take("reverse"):
		s.Forward = false
	default:
		direction = false
	}
	step, ok := p.step(&s, direction)
	if !ok || !p.steps(&s, step) {
		return i, false
	}
	if i.Address.Kind == All && s.Step == 0 && s.Steps == Steps14 {
		t := p.toks[p.at-1]
		p.fail("packet-steps", t.from, t.to, "a broadcast stop is the same of 14 and of 28 steps, and counted as of 28")
		p.mend(t.from, t.to, "28")
		return i, false
	}
	if !direction && s.Steps != Steps28 {
		p.fail("packet-direction", start.from, start.from, "a stop of %d steps says a direction too: forward or reverse", s.Steps)
		p.mend(start.from, start.from, "forward")
		return i, false
	}
	s.Loose = !direction
	if !p.speedBits(&s) {
		return i, false
	}
	i.Op, i.Speed = OpSpeed, s
	if t := p.here(); p.take("with") {
		if s.Steps != Steps128 {
			return i, p.fail("packet-cannot", t.from, t.to, "speed and functions travel together with 128 steps only")
		}
		i.Op = OpSpeedFunctions
		i.Functions, ok = p.functions(true)
	}
	return i, ok
}

// step reads "stop", "emergency stop", or after a direction a step; it returns the word that says how fast.
func (p *parser) step(s *Speed, direction bool) (token, bool) {
	t := p.here()
	switch {
	case p.take("stop"):
		return t, true
	case p.take("emergency", "stop"), p.take("emergency-stop"):
		s.Emergency = true
		return t, true
	case !direction:
		return t, p.wanted(`"stop" after "emergency"`, "emergency", "stop")
	}
	p.take("step")
	t = p.here()
	if _, isNumber := parseNumber(t.text); !isNumber {
		return t, p.wanted(`a step or "stop"`, "stop", "emergency")
	}
	n, ok := p.number("step", 0, 126)
	if ok && n == 0 {
		p.fail("packet-range", t.from, t.to, "step 0 is a stop")
		p.mend(t.from, t.to, "stop")
		return t, false
	}
	s.Step = uint8(n)
	return t, ok
}

// steps reads "of 28"; only a stop does without, and is then of 28.
func (p *parser) steps(s *Speed, step token) bool {
	enough := "of 28"
	if s.Step > 28 {
		enough = "of 128"
	}
	of := p.here()
	if !p.take("of") {
		if s.Step == 0 {
			return true
		}
		p.fail("packet-steps", step.to, step.to, "step %d of how many: 14, 28 or 128?", s.Step)
		p.mend(step.to, step.to, enough)
		return false
	}
	at := p.here()
	n, ok := parseNumber(at.text)
	switch {
	case !ok:
		return p.wanted("14, 28 or 128 steps")
	case n == 126: // what 128 steps have
		n = 128
	case n == 27: // some count the first step as a stop
		p.fail("packet-range", at.from, at.to, "27 steps: a decoder counts them 14, 28 or 128")
		p.mend(at.from, at.to, "28")
		return false
	}
	if n != 14 && n != 28 && n != 128 {
		return p.fail("packet-range", at.from, at.to, "%d steps: a decoder counts them 14, 28 or 128 (of which 126 drive)", n)
	}
	p.at++
	if s.Steps = Steps(n); s.Step > s.Steps.Highest() {
		p.fail("packet-range", step.from, step.to, "step %d of %d: the highest is %d", s.Step, n, s.Steps.Highest())
		p.mend(of.from, at.to, enough)
		return false
	}
	return true
}

// speedBits reads "FL on" and "any direction" behind a speed.
func (p *parser) speedBits(s *Speed) bool {
	for {
		t := p.here()
		switch {
		case sameWord(t.text, "fl") || t.text == "f0":
			p.at++
			on, ok := p.onOff()
			if !ok {
				return false
			}
			if s.Steps != Steps14 {
				p.fail("packet-cannot", t.from, t.to, "FL travels with the speed of 14 steps only; with 28 and 128 it goes in a packet of its own")
				p.mend(t.from, p.toks[p.at-1].to, "")
				return false
			}
			s.FL = on
		case p.take("any", "direction"):
			if s.Step != 0 || s.Steps != Steps28 {
				p.fail("packet-cannot", t.from, p.toks[p.at-1].to, "the direction is free at a stop of 28 steps only")
				p.mend(t.from, p.toks[p.at-1].to, "")
				return false
			}
			s.Loose = true
		default:
			return true
		}
	}
}

// isFunction tells "f0", "fl", "f1-f4", "f1-4".
func isFunction(word string) bool {
	_, _, ok := functionRange(word)
	return ok
}

func functionRange(word string) (from, to int, ok bool) {
	one := func(s string) (int, bool) {
		if s == "fl" || spellings[s] == "fl" {
			return 0, true
		}
		n, ok := strings.CutPrefix(s, "f")
		if !ok || n == "" || strings.Trim(n, "0123456789") != "" {
			return 0, false
		}
		v, err := strconv.Atoi(n)
		return v, err == nil
	}
	a, b, isRange := strings.Cut(word, "-")
	if from, ok = one(a); !ok || !isRange {
		return from, from, ok
	}
	if to, ok = one(b); !ok {
		to, ok = one("f" + b)
	}
	return from, to, ok
}

// functions reads "F0 F2-F3 on F1 off": those that are not named are off. In one packet goes one group, or with a speed the
// first 8, 16, 24 or 32.
func (p *parser) functions(withSpeed bool) (f Functions, ok bool) {
	var named, on [FunctionMax + 1]bool
	least, most := FunctionMax+1, -1
	var group Functions
	first := token{}
	for {
		start := p.at
		for isFunction(p.here().text) {
			t := p.here()
			from, to, _ := functionRange(t.text)
			highest := FunctionMax
			if withSpeed {
				highest = 31
			}
			switch {
			case from > highest || to > highest:
				return f, p.fail("packet-range", t.from, t.to, "%s: the highest function here is F%d", strings.ToUpper(t.text), highest)
			case to < from:
				p.fail("packet-range", t.from, t.to, "%s runs backwards", strings.ToUpper(t.text))
				p.mend(t.from, t.to, fmt.Sprintf("F%d-F%d", to, from))
				return f, false
			}
			if most < 0 {
				group, first = GroupOf(uint8(from)), t
			}
			if last, _ := group.Has(uint8(to)); !withSpeed && (!last || from < int(group.First)) {
				p.fail("packet-group", t.from, t.to, "%s and %s travel in different packets: one holds F%d to F%d", strings.ToUpper(first.text),
					strings.ToUpper(t.text), group.First, group.First+group.Count-1)
				return f, false
			}
			for n := from; n <= to; n++ {
				if named[n] {
					return f, p.fail("packet-twice", t.from, t.to, "F%d is named twice", n)
				}
				named[n] = true
			}
			least, most = min(least, from), max(most, to)
			p.at++
		}
		if p.at == start {
			break
		}
		set, ok := p.onOff()
		if !ok {
			return f, false
		}
		for _, t := range p.toks[start : p.at-1] {
			from, to, _ := functionRange(t.text)
			for n := from; n <= to; n++ {
				on[n] = set
			}
		}
	}
	if most < 0 {
		return f, p.wanted(`functions and "on" or "off"`, "f0")
	}
	f = group
	if withSpeed {
		f = Functions{Count: uint8(most/8+1) * 8}
	}
	for n := range on {
		f = f.With(uint8(n), on[n])
	}
	return f, true
}

// cv reads "cv 29 write 6", "cv 29 = 6", "cv 29 verify 6", "cv 29 bit 1 write 1", "cv 23 write 5 short", "cv 17+18 write 195 232".
func (p *parser) cv(a Address) (i Instruction, ok bool) {
	i.Address = a
	p.take("cv")
	if t := p.here(); strings.Contains(t.text, "+") {
		var cv uint16
		switch t.text {
		case "17+18":
			cv = 17
		case "19+20":
			cv = 19
		case "31+32":
			cv = 31
		default:
			return i, p.fail("packet-range", t.from, t.to, "CV %s: two CVs travel together as 17+18, 19+20 or 31+32", t.text)
		}
		p.at++
		if !p.take("write") && !p.take("=") {
			return i, p.wanted(`"write"`, "write")
		}
		n, ok := p.number("value", 0, 255)
		if !ok {
			return i, false
		}
		m, ok := p.number("second value", 0, 255)
		i.Op, i.Number, i.Value, i.Second = OpCVShort, cv, byte(n), byte(m)
		return i, ok
	}
	i.Op = OpCV
	if !p.access(&i) {
		return i, false
	}
	if t := p.here(); p.take("short") {
		if i.Access != Write || i.Number != 23 && i.Number != 24 {
			p.fail("packet-cannot", t.from, t.to, "the short form writes CV 23 or 24, or two at once: cv 17+18 write 195 232")
			p.mend(t.from, t.to, "")
			return i, false
		}
		i.Op, i.Access = OpCVShort, NoAccess
	}
	return i, true
}

func (p *parser) accessoryCV(a Address) (i Instruction, ok bool) {
	i.Op, i.Address = OpAccessoryCV, a
	p.take("cv")
	if !p.access(&i) {
		return i, false
	}
	if t := p.here(); p.take("old", "form") {
		if a.Kind != Basic || i.Access != Write {
			return i, p.fail("packet-cannot", t.from, p.toks[p.at-1].to, "the withdrawn form writes a byte to a basic accessory decoder")
		}
		i.Op = OpAccessoryOldCV
	}
	return i, true
}

// access reads number, bit, verb and value of a CV access.
func (p *parser) access(i *Instruction) bool {
	n, ok := p.number("CV", 1, 1024)
	if !ok {
		return false
	}
	i.Number = uint16(n)
	if p.take("bit") {
		if n, ok = p.number("bit", 0, 7); !ok {
			return false
		}
		i.Bit = byte(n)
		switch {
		case p.take("write"), p.take("="):
			i.Access = WriteBit
		case p.take("verify"):
			i.Access = VerifyBit
		default:
			return p.wanted(`"write" or "verify"`, "write", "verify")
		}
		p.take("=")
		n, ok = p.number("value of a bit", 0, 1)
		i.On = n == 1
		return ok
	}
	switch {
	case p.take("write"), p.take("="):
		i.Access = Write
	case p.take("verify"):
		i.Access = Verify
	case p.here().text == "read":
		return p.cannotRead()
	default:
		p.wanted(`"write", "verify" or "bit"`, "write", "verify", "bit")
		if t := p.here(); p.problem.Fix == nil && t.text != "" {
			p.mend(t.from, t.from, "=")
		}
		return false
	}
	p.take("=")
	n, ok = p.number("value", 0, 255)
	i.Value = byte(n)
	return ok
}

func (p *parser) basic(a Address, pair int) (i Instruction, ok bool) {
	i.Address = a
	if pair < 0 {
		if p.here().text == "cv" {
			return p.accessoryCV(a)
		}
		if !p.take("pair") {
			return i, p.wanted(`"pair" or "cv"`, "pair", "cv")
		}
		if pair, ok = p.number("pair", 0, 3); !ok {
			return i, false
		}
	}
	i.Op, i.Number = OpAccessory, uint16(pair)
	if p.take("nop") {
		i.Op = OpAccessoryNOP
		return i, true
	}
	if !p.take("output") {
		return i, p.wanted(`"output" or "nop"`, "output", "nop")
	}
	n, ok := p.number("output", 0, 1)
	if !ok {
		return i, false
	}
	if p.here().text == "cv" {
		if i, ok = p.accessoryCV(a); ok && i.Op == OpAccessoryCV {
			i.Data, i.Second = true, 8|byte(pair)<<1|byte(n)
		}
		return i, ok
	}
	i.Bit = byte(n)
	i.On, ok = p.onOff()
	return i, ok
}

func (p *parser) extended(a Address) (i Instruction, ok bool) {
	i.Address = a
	switch {
	case p.here().text == "cv":
		return p.accessoryCV(a)
	case p.take("nop"):
		i.Op = OpAccessoryNOP
	case p.take("aspect"):
		i.Op = OpAspect
		n, ok := p.number("aspect", 0, 255)
		i.Value = byte(n)
		return i, ok
	default:
		return i, p.wanted(`"aspect", "cv" or "nop"`, "aspect", "cv", "nop")
	}
	return i, true
}

// service reads what follows "service".
func (p *parser) service(task *Task) (Instruction, bool) {
	done := func(t Task) (Instruction, bool) {
		*task = t
		return t.Instruction(), true
	}
	method := Direct
	switch {
	case p.take("factory", "reset"):
		return done(Task{Method: FactoryReset})
	case p.take("page", "preset"):
		return done(Task{Method: Register, Access: Write, Number: pageRegister, Value: pagePreset})
	case p.take("page"):
		n, ok := p.number("page", 0, 255)
		if !ok {
			return Instruction{}, false
		}
		return done(Task{Method: Register, Access: Write, Number: pageRegister, Value: byte(n)})
	case p.take("direct"):
	case p.take("address-only"), p.take("address", "only"):
		method = AddressOnly
	case p.take("register"):
		method = Register
	case p.take("paged"):
		method = Paged
	}
	t := Task{Method: method}
	switch {
	case p.take("write"):
		t.Access = Write
	case p.take("verify"):
		t.Access = Verify
	case p.here().text == "read":
		return Instruction{}, p.cannotRead()
	default:
		return Instruction{}, p.wanted(`"write" or "verify"`, "write", "verify", "direct", "address-only", "register", "paged", "page", "factory")
	}
	max, what := 1024, "CV"
	switch method {
	case Register:
		max, what = 8, "register"
	case AddressOnly:
		max = 1
	case Paged:
		max = PagedMax
	}
	if method != Register && !p.take("cv") {
		return Instruction{}, p.wanted(`"cv"`, "cv")
	}
	at := p.here()
	n, ok := p.number(what, 1, max)
	if !ok {
		if method == AddressOnly && n > 1 {
			p.problem.Message = fmt.Sprintf("CV %s: address-only mode reaches CV 1 alone", at.text)
		}
		return Instruction{}, false
	}
	t.Number = uint16(n)
	if b := p.here(); p.take("bit") {
		if method != Direct {
			p.fail("packet-cannot", b.from, b.to, "%s mode writes and verifies bytes; bits need direct mode", method)
			return Instruction{}, false
		}
		if n, ok = p.number("bit", 0, 7); !ok {
			return Instruction{}, false
		}
		t.Bit = byte(n)
		if t.Access == Write {
			t.Access = WriteBit
		} else {
			t.Access = VerifyBit
		}
		p.take("=")
		n, ok = p.number("value of a bit", 0, 1)
		t.On = n == 1
		if !ok {
			return Instruction{}, false
		}
		return done(t)
	}
	p.take("=")
	limit := 255
	if method == AddressOnly {
		limit = 127
	}
	if n, ok = p.number("value", 0, limit); !ok {
		return Instruction{}, false
	}
	t.Value = byte(n)
	if method == Register && t.Access == Write && t.Number == 8 && n == 8 {
		t = Task{Method: FactoryReset}
	}
	return done(t)
}

// bytes reads hexadecimal bytes, sent as they stand; where they say something the instruction is that.
func (p *parser) bytes() (Instruction, bool) {
	b, ok := p.hexBytes()
	if !ok {
		return Instruction{}, false
	}
	return Decode(b, Context{}).Instruction, true
}

func (p *parser) advanced() (Instruction, bool) {
	at := p.here()
	b, ok := p.hexBytes()
	if !ok {
		return Instruction{}, false
	}
	i := Instruction{Op: OpAdvanced, Raw: string(b)}
	if err := i.Check(); err != nil {
		return i, p.fail("packet-range", at.from, p.toks[len(p.toks)-1].to, "%v", err)
	}
	return i, true
}

// ParseHex reads packets as bytes in hexadecimal, one a line or separated by semicolons.
func ParseHex(file, src string) ([]Packet, diag.List) {
	var out []Packet
	var list diag.List
	each(file, src, func(p *parser) {
		if b, ok := p.hexBytes(); ok {
			out = append(out, b)
		} else {
			list = append(list, p.problem)
		}
	})
	return out, list
}

// bytesMax is how many bytes a sentence may hold.
const bytesMax = 64

func (p *parser) hexBytes() ([]byte, bool) {
	var out []byte
	for ; p.at < len(p.toks); p.at++ {
		t := p.here()
		digits := strings.TrimPrefix(t.text, "0x")
		if len(digits) == 1 {
			digits = "0" + digits
		}
		if len(digits)%2 != 0 || digits == "" {
			return nil, p.fail("packet-hex", t.from, t.to, "%q: %d hexadecimal digits are no whole bytes", t.text, len(digits))
		}
		for k := 0; k < len(digits); k += 2 {
			v, err := strconv.ParseUint(digits[k:k+2], 16, 8)
			if err != nil {
				return nil, p.fail("packet-hex", t.from, t.to, "%q is no byte in hexadecimal, 00 to FF", t.text)
			}
			out = append(out, byte(v))
		}
	}
	if len(out) == 0 {
		t := p.here()
		return nil, p.fail("packet-unfinished", t.from, t.to, "the sentence ends where bytes in hexadecimal are wanted, such as 37 74 43")
	}
	if len(out) > bytesMax {
		return nil, p.fail("packet-range", p.toks[0].from, p.toks[len(p.toks)-1].to, "%d bytes: %d are the most", len(out), bytesMax)
	}
	return out, true
}
