package dcc

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"fettle/internal/finding"
	"fettle/internal/unit"
)

// An Item is one packet to explain, or one sequence of service mode.
type Item struct {
	Packet   Packet
	Task     Task  // with a sequence; Packet is then the one that does it
	Steps    Steps // how its speed is read: 14, else 28
	Service  bool  // the packet is of service mode
	Received bool  // bytes that somebody else made, to be judged
	Preamble int   // 0: the least of its mode
}

// ItemOf is a sentence as an item.
func ItemOf(s Sentence) Item {
	return Item{Packet: s.Instruction.Append(nil), Task: s.Task, Steps: s.Instruction.Speed.Steps, Service: s.Instruction.Service()}
}

// Received is a packet that somebody else made. It is taken for one of service mode where only that has a meaning for it.
func Received(p Packet) Item {
	it := Item{Packet: p, Received: true}
	if len(p) > 0 && p[0]&0xF0 == 0x70 && !Decode(p, Context{}).OK() && Decode(p, Context{Service: true}).OK() {
		it.Service = true
	}
	return it
}

// Context is how the item is decoded.
func (it Item) Context() Context { return Context{Steps: it.Steps, Service: it.Service} }

// Ones is the preamble it is sent with.
func (it Item) Ones() int {
	switch {
	case it.Preamble > 0:
		return it.Preamble
	case it.Service:
		return PreambleService
	}
	return PreambleOperations
}

// Title is the item in words.
func (it Item) Title() string {
	if it.Task.Method != NoMethod {
		return it.Task.String()
	}
	return Decode(it.Packet, it.Context()).Instruction.String()
}

// Explain says everything about packets: bytes, bits with the XOR worked out, duration, other readings, rules and sources.
func Explain(items []Item) finding.Findings {
	f := finding.Findings{Question: "packet"}
	for k, it := range items {
		n := strconv.Itoa(k + 1)
		e := explainer{f: &f, it: it, id: "packet." + n, title: it.Title()}
		if len(items) > 1 {
			e.number = n + " "
			e.value("sentence", "says", finding.Value{Text: e.title})
		} else {
			f.Build = e.title
		}
		e.explain()
	}
	return f
}

type explainer struct {
	f         *finding.Findings
	it        Item
	id, title string
	number    string // before every name where there are several
}

// about is the packet's number and words, before what is said of it where there are several.
func (e explainer) about() string {
	if e.number == "" {
		return ""
	}
	return e.number + "· " + e.title + ": "
}

func (e explainer) note(kind, format string, args ...any) {
	e.f.Notes = append(e.f.Notes, finding.Note{ID: e.id, Kind: kind, Text: e.about() + fmt.Sprintf(format, args...)})
}

func (e explainer) value(id, name string, v finding.Value) {
	v.ID, v.Name = e.id+"."+id, e.number+name
	if v.Text != "" {
		v.Value = math.NaN()
	}
	v.Low, v.High = math.NaN(), math.NaN()
	e.f.Values = append(e.f.Values, v)
}

func (e explainer) explain() {
	p, n := e.it.Packet, e.it.Ones()
	m := Decode(p, e.it.Context())
	source := m.Instruction.Source()
	e.value("bytes", "bytes", finding.Value{Text: fmt.Sprintf("% X", []byte(p)), Sure: source.String()})
	ones, zeros := p.Count(n)
	d := p.Duration(n, NominalOne, NominalZero)
	e.value("bits", "as sent", finding.Value{Text: bitString(p, n), Sure: fmt.Sprintf("%d ones, %d zeros", ones, zeros)})
	e.value("duration", "duration", finding.Value{Value: d.Seconds(), Unit: unit.SymSecond, Sure: "at nominal half-bits",
		Reason: fmt.Sprintf("%d · 2 · %v + %d · 2 · %v = %d µs, preamble of %d and end bit included",
			ones, NominalOne, zeros, NominalZero, d/unit.Microsecond, n)})
	switch {
	case e.it.Received:
		e.judge(m)
	case !m.OK(): // wrong on purpose
		e.note("no instruction", "%s", m.Why())
	}
	e.f.Tables = append(e.f.Tables, e.bytes(m))
	e.readings(m)
	e.rules(m, n)
	if e.it.Task.Method != NoMethod {
		e.sequence()
	}
}

// bitString is the packet as sent, in groups: preamble, start bits and bytes, end bit.
func bitString(p Packet, preamble int) string {
	var b strings.Builder
	b.WriteString(strings.Repeat("1", preamble))
	for _, x := range p {
		fmt.Fprintf(&b, " 0 %08b", x)
	}
	b.WriteString(" 1")
	return strings.TrimSpace(b.String())
}

// bytes is the table of the bytes with the XOR worked out: after the error byte it is 0.
func (e explainer) bytes(m Meaning) finding.Table {
	t := finding.Table{ID: e.id + ".xor", Title: e.about() + "byte by byte, the XOR worked out",
		Columns: []finding.Column{{Title: "byte"}, {Title: "bits"}, {Title: "layout"}, {Title: "says"}, {Title: "XOR so far"}}}
	var x byte
	for k, part := range Anatomy(e.it.Packet, e.it.Context()) {
		b := e.it.Packet[k]
		x ^= b
		t.Rows = append(t.Rows, []finding.Cell{text("%02X", b), text("%08b", b), text("%s", part.Layout), text("%s", part.Says), text("%08b = %02X", x, x)})
	}
	return t
}

func text(format string, args ...any) finding.Cell {
	return finding.Cell{Text: fmt.Sprintf(format, args...), Number: math.NaN()}
}

// judge is the verdict on bytes that were received. What is known from a digest alone is reported.
func (e explainer) judge(m Meaning) {
	j := finding.Judgement{ID: e.id + ".valid", Subject: e.title, Requirement: "is an instruction", Verdict: finding.Holds,
		Value: math.NaN(), Limit: math.NaN(), Margin: math.NaN(), Source: m.Instruction.Source().String()}
	switch {
	case m.OK() && !m.Instruction.Source().Evidence.Decides():
		j.Verdict, j.Why = finding.Reported, "the format is "+m.Instruction.Source().Evidence.String()
	case m.OK():
	case m.Fault == BadCRC, m.Fault == AdvancedLength:
		j.Verdict, j.Why, j.Source = finding.Reported, m.Why()+"; "+Digest.String(), s9211
	default:
		j.Verdict, j.Why, j.Source = finding.Fails, m.Why(), s92+" B, "+s921
		if m.Fault == BadXOR {
			right := Seal(e.it.Packet[: len(e.it.Packet)-1 : len(e.it.Packet)-1]...)
			if would := Decode(right, e.it.Context()); would.OK() {
				j.Mend = fmt.Sprintf("with the error byte %02X it is %q", right[len(right)-1], would.Instruction)
			}
		}
	}
	e.f.Verdicts = append(e.f.Verdicts, j)
}

// readings are the other things that the same bytes may say.
func (e explainer) readings(m Meaning) {
	i := m.Instruction
	if o, ok := i.Other(); ok {
		e.note("other reading", "a decoder with CV29 bit 1 = %d reads the same bytes as %q: it counts %d steps; no packet says which was meant (%s B, %s C)",
			map[Steps]int{Steps14: 0, Steps28: 1}[o.Speed.Steps], o, o.Speed.Steps, s92, s921)
	}
	p := e.it.Packet
	if len(p) >= PacketMin && p[0]&0xF0 == 0x70 {
		if o := Decode(p, Context{Service: !e.it.Service}); e.it.Service {
			said := "would be for address " + strconv.Itoa(int(p[0]))
			if o.OK() {
				said = fmt.Sprintf("is %q", o.Instruction)
			}
			e.note("other reading", "out of service mode it %s (%s C)", said, s923)
		} else if o.OK() {
			e.note("other reading", "in service mode, after a reset packet, it is %q (%s C)", o.Instruction, s923)
		}
	}
	if i.Op == OpAddressOnly && (e.it.Task.Method == NoMethod || e.it.Task.Method == AddressOnly) {
		e.note("other reading", "with a decoder of register mode the same bytes are register 1, which is CV1 on page 1 (%s E)", s923)
	}
}

// rules are what has to be kept when it is sent.
func (e explainer) rules(m Meaning, preamble int) {
	i := m.Instruction
	least, source := PreambleOperations, s92+" A"
	if e.it.Service {
		least, source = PreambleService, s923+" E"
	}
	if preamble < least {
		e.note("preamble", "%d ones: at least %d are sent (%s); a decoder accepts %d or more and refuses fewer than %d (%s A)",
			preamble, least, source, PreambleEnough, PreambleRefused+1, s92)
	}
	if r := i.Repeats(); r.Times > 1 {
		e.note("repeats", "is to be sent %s (%s)", r.Rule, r.Source)
	}
	switch i.Op {
	case OpFunctions:
		e.note("group", "the packet sets all of F%d to F%d: those that are not on in it go off", i.Functions.First, i.Functions.First+i.Functions.Count-1)
		if i.Functions.First == 0 {
			e.note("FL", "F0 (FL) counts here only with CV29 bit 1 = 1; with 14 steps it comes with the speed (%s C)", s921)
		}
	case OpCV, OpDirect:
		e.cv(i.Number, i.Value, i)
	case OpAddressOnly, OpRegister:
		switch t := e.it.Task; {
		case t.Method == Paged:
			e.cv(t.Number, t.Value, i)
		case i.Op == OpAddressOnly:
			e.cv(1, i.Value, i)
		case registerCV[i.Number-1] != 0 && t.Method != FactoryReset:
			e.cv(registerCV[i.Number-1], i.Value, i)
		}
	case OpCVShort:
		e.cv(i.Number, i.Value, i)
		if i.Number != 23 && i.Number != 24 {
			e.cv(i.Number+1, i.Second, i)
		}
	case OpFlags:
		e.note("caution", "the standard calls this one under re-evaluation and not to be implemented (%s C)", s921)
	case OpTest:
		e.note("caution", "for makers; not for normal use (%s C)", s921)
	case OpAccessoryOldCV:
		e.note("caution", "withdrawn by RCN-213, where it meets the no-operation packet (seen in a digest)")
	case OpSpeedFunctions:
		if n := len(e.it.Packet); n > PacketMax {
			e.note("length", "%d bytes: decoders of %s expect at most %d", n, s921, PacketMax)
		}
	case OpAccessory:
		if n := int(i.Address.Number)*4 + int(i.Number) - 3; n > 0 && i.Address.Number != BasicAll {
			e.note("user number", "turnout %d, where people count from packet address 4 as 1 (RCN-213, seen in a digest)", n)
		}
	case OpAspect, OpAccessoryNOP:
		if n := int(i.Address.Number) - 3; i.Address.Kind == Extended && n > 0 && i.Address.Number != ExtendedAll {
			e.note("user number", "accessory %d, where people count from packet address 4 as 1 (RCN-213, seen in a digest)", n)
		}
	}
	if a := i.Address; a.Kind == Short && a.Number >= 112 && !e.it.Service {
		e.note("address", "112 to 127 share their first byte with service mode: at least 5 ms between two packets to the same one (%s note 11), none for 20 ms after a reset (%s B)", s92, s92)
	} else if a.Kind == Short && a.Number >= 100 && !e.it.Service {
		e.note("address", "none of 100 to 127 for 20 ms after a reset packet (%s B)", s92)
	}
	if i.Address == (Address{Long, 0}) {
		e.note("address", "long address 0 is in the range of %s; RCN-225 calls it invalid (seen in a digest)", s921)
	}
}

// cv names a CV and what its value says.
func (e explainer) cv(n uint16, v byte, i Instruction) {
	c, ok := Lookup(n)
	if !ok {
		e.note("CV", "CV%d: no name in %s", n, s922)
		return
	}
	s := fmt.Sprintf("CV%d: %s", n, c.Name)
	if c.Rank != "" {
		s += ", " + c.Rank
	}
	if c.Default != "" {
		s += ", default " + c.Default
	}
	if says := MeaningOf(n, v); says != "" && !i.Access.ofBit() {
		s += fmt.Sprintf("; %d: %s", v, says)
	}
	e.note("CV", "%s (%s)", s, c.Source)
}

// sequence is the table of what goes before and after a packet of service mode.
func (e explainer) sequence() {
	steps := e.it.Task.Steps()
	t := finding.Table{ID: e.id + ".sequence", Title: e.about() + "the whole sequence: least counts, a station stops early on acknowledgement",
		Columns: []finding.Column{{Title: "for"}, {Title: "packet"}, {Title: "bytes"}, {Title: "times", Numeric: true}, {Title: "time", Unit: unit.SymSecond, Numeric: true}}}
	for k := range steps {
		s := &steps[k]
		if e.it.Preamble > 0 {
			s.Preamble = e.it.Preamble
		}
		p := s.Packet()
		d := unit.Time(s.Count) * p.Duration(s.Preamble, NominalOne, NominalZero)
		t.Rows = append(t.Rows, []finding.Cell{text("%s", s.Say), text("%s", s.Instruction), text("% X", []byte(p)),
			text("%d", s.Count), {Number: d.Seconds(), Unit: unit.SymSecond, Digits: 4}})
	}
	e.f.Tables = append(e.f.Tables, t)
	e.value("whole", "the whole sequence", finding.Value{Value: Duration(steps).Seconds(), Unit: unit.SymSecond,
		Sure: "at nominal half-bits", Reason: fmt.Sprintf("without power-on cycles; preambles of %d", e.it.Ones())})
	e.f.Cautions = append(e.f.Cautions, finding.Caution{Where: "programming track", Text: "service mode reaches every decoder on the track: " +
		"only the one to be programmed stands there; the track is fed with limited energy (250 mA for 100 ms, NMRA S-9.2.3 B)"})
}
