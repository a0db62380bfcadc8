package dcc

import (
	"fmt"

	"fettle/internal/unit"
)

// A Method of service mode (S-9.2.3 E).
type Method uint8

const (
	NoMethod     Method = iota
	Direct              // any CV, bytes and bits; four bytes
	AddressOnly         // CV1 alone
	Register            // physical registers 1 to 8
	Paged               // page register, then register 1 to 4
	FactoryReset        // register 8 := 8
)

var methodNames = [...]string{"", "direct", "address-only", "physical register", "paged", "factory reset"}

func (m Method) String() string { return methodNames[m] }

// A Task is one thing done in service mode, which takes a sequence of packets. Number is the CV, or with Register the
// register: 1 to 4 are CV1 to 4, 5 is CV29, 6 the page, 7 and 8 are CV7 and 8.
type Task struct {
	Method Method
	Access Access
	Number uint16
	Value  uint8
	Bit    uint8
	On     bool
}

// PagedMax is the last CV that an eight-bit page register reaches from page 1 on.
const PagedMax = 255 * 4

// Page is where paged mode finds a CV: register r + 1 of a page, CV = (page − 1)·4 + r + 1 (S-9.2.3 E prints CV65 as
// page 17, register 0).
func Page(cv uint16) (page, r uint8) { return uint8((cv-1)/4 + 1), uint8((cv - 1) % 4) }

// Instruction is the packet that does the task: what is sent after the resets and, paged, after the page.
func (t Task) Instruction() Instruction {
	number := t.Number
	switch t.Method {
	case Direct:
		return Instruction{Op: OpDirect, Access: t.Access, Number: t.Number, Value: t.Value, Bit: t.Bit, On: t.On}
	case AddressOnly:
		return Instruction{Op: OpAddressOnly, Access: t.Access, Value: t.Value}
	case FactoryReset:
		return Instruction{Op: OpRegister, Access: Write, Number: 8, Value: 8}
	case Paged:
		_, r := Page(t.Number)
		number = uint16(r) + 1
	}
	if number == 1 && t.Value <= 127 {
		return Instruction{Op: OpAddressOnly, Access: t.Access, Value: t.Value} // the same bytes
	}
	return Instruction{Op: OpRegister, Access: t.Access, Number: number, Value: t.Value}
}

// TaskOf is the task of which an instruction is the packet; of a register it is that of register mode.
func TaskOf(i Instruction) Task {
	switch i.Op {
	case OpDirect:
		return Task{Direct, i.Access, i.Number, i.Value, i.Bit, i.On}
	case OpAddressOnly:
		return Task{Method: AddressOnly, Access: i.Access, Number: 1, Value: i.Value}
	case OpRegister:
		if i.Access == Write && i.Number == 8 && i.Value == 8 {
			return Task{Method: FactoryReset}
		}
		return Task{Method: Register, Access: i.Access, Number: i.Number, Value: i.Value}
	}
	return Task{}
}

// Check says what of a task cannot be done: the number and its limit.
func (t Task) Check() error {
	switch t.Method {
	case Paged:
		if t.Number < 1 || t.Number > PagedMax {
			return fmt.Errorf("CV %d: a page register of eight bits reaches CV %d", t.Number, PagedMax)
		}
		fallthrough
	case Register:
		if t.Access.ofBit() {
			return fmt.Errorf("%s mode writes and verifies bytes, direct mode bits too", t.Method)
		}
		if t.Method == Register && (t.Number < 1 || t.Number > 8) {
			return fmt.Errorf("register %d: there are 1 to 8", t.Number)
		}
	}
	return t.Instruction().Check()
}

// String is the plain-language form.
func (t Task) String() string {
	cv := serviceCV(t.Access, t.Number, t.Bit, t.Value, t.On)
	switch t.Method {
	case Direct:
		return "service " + cv
	case AddressOnly:
		return "service address-only " + cv
	case Paged:
		return "service paged " + cv
	case Register:
		return registerWords(t.Access, t.Number, t.Value)
	case FactoryReset:
		return "service factory reset"
	}
	return ""
}

// A Step is one packet sent Count times in a row.
type Step struct {
	Say         string // what it is for
	Instruction Instruction
	Count       int  // at least
	Preamble    int  // at least
	Spare       bool // left out in the ordinary case; Say tells when it is sent
}

// Packet is the packet of the step.
func (s Step) Packet() Packet { return s.Instruction.Append(make(Packet, 0, PacketMax)) }

// Steps is the sequence of a task, with the least counts (S-9.2.3 E). A station stops early on acknowledgement.
func (t Task) Steps() []Step {
	of := func(n int, i Instruction, say string) Step {
		return Step{Say: say, Instruction: i, Count: n, Preamble: PreambleService}
	}
	const power = 20
	steps := []Step{{"power-on cycle, if the track was off", Reset(), power, PreambleService, true}}
	enter := of(3, Reset(), "enters service mode")
	i := t.Instruction()
	preset := Instruction{Op: OpRegister, Access: Write, Number: pageRegister, Value: pagePreset}
	recovery := 6
	verify := 5
	switch t.Method {
	case Paged:
		page, _ := Page(t.Number)
		steps = append(steps, enter,
			of(5, Instruction{Op: OpRegister, Access: Write, Number: pageRegister, Value: page}, "writes the page register"),
			of(6, Reset(), "recovery time"))
	case AddressOnly, FactoryReset, Register:
		if t.Method == Register && t.Number == pageRegister {
			break
		}
		steps = append(steps, enter, of(5, preset, "page preset"), of(6, preset, "recovery time"),
			Step{"power-on cycle, optional", Reset(), power, PreambleService, true})
		if t.Method == AddressOnly || t.Method == Register && t.Number == 1 {
			recovery = 10
		}
		if t.Method == Register {
			verify = 7
		}
	}
	steps = append(steps, enter)
	if t.Method != FactoryReset && t.Access != Write && t.Access != WriteBit {
		steps = append(steps, of(verify, i, "verifies; the decoder acknowledges from the second on"))
		if t.Method == Direct {
			last := of(1, Reset(), "only if acknowledged")
			steps = append(steps, last)
		}
		return steps
	}
	return append(steps, of(5, i, "writes; the decoder acts at the second"), of(recovery, i, "recovery time, in which it may acknowledge"))
}

// Duration is how long the steps take at nominal half-bits, those left out in the ordinary case not counted.
func Duration(steps []Step) unit.Time {
	var sum unit.Time
	for _, s := range steps {
		if !s.Spare {
			sum += unit.Time(s.Count) * s.Packet().Duration(s.Preamble, NominalOne, NominalZero)
		}
	}
	return sum
}
