package dcc

import (
	"fmt"
	"strings"
)

// String is the plain-language form, which Parse reads back: "47 forward 12 of 28", "1000 F0 on F1-F4 off",
// "3 cv 29 write 6". It says the whole of what the packet says, so a function group names every function of it.
func (i Instruction) String() string {
	a := i.Address.String()
	onOff := func(on bool) string {
		if on {
			return " on"
		}
		return " off"
	}
	switch i.Op {
	case OpBytes:
		return strings.TrimSpace("bytes " + hexBytes(i.Raw))
	case OpIdle:
		return "idle"
	case OpReset:
		if i.Address.Kind == All {
			return "reset"
		}
		return a + " reset"
	case OpHardReset:
		return a + " hard reset"
	case OpTest:
		s := a + " factory test 0"
		if i.On {
			s = a + " factory test 1"
		}
		if i.Data {
			s += fmt.Sprintf(" data %d", i.Value)
		}
		return s
	case OpFlags:
		return fmt.Sprintf("%s flag %d%s sub-address %d", a, i.Number, onOff(i.On), i.Bit)
	case OpExtended:
		return a + " extended addressing" + onOff(i.On)
	case OpAckRequest:
		return a + " acknowledge request"
	case OpConsist:
		switch {
		case i.On:
			return fmt.Sprintf("%s consist %d reversed", a, i.Number)
		case i.Number == 0:
			return a + " leave consist"
		}
		return fmt.Sprintf("%s consist %d", a, i.Number)
	case OpSpeed:
		if i.broadcastStop() {
			return a + " " + i.Speed.stop()
		}
		return a + " " + i.Speed.String()
	case OpSpeedFunctions:
		return a + " " + i.Speed.String() + " with " + i.Functions.String()
	case OpFunctions:
		return a + " " + i.Functions.String()
	case OpState:
		if i.Number == 0 {
			return a + " all short states" + onOff(i.On)
		}
		return fmt.Sprintf("%s state %d%s", a, i.Number, onOff(i.On))
	case OpStateLong:
		if i.Number == 0 {
			return a + " all states" + onOff(i.On)
		}
		return fmt.Sprintf("%s state %d%s", a, i.Number, onOff(i.On))
	case OpAnalog:
		return fmt.Sprintf("%s analogue %d = %d", a, i.Number, i.Value)
	case OpCV:
		return a + " " + i.cv()
	case OpCVShort:
		if i.Number == 23 || i.Number == 24 {
			return fmt.Sprintf("%s cv %d write %d short", a, i.Number, i.Value)
		}
		return fmt.Sprintf("%s cv %d+%d write %d %d", a, i.Number, i.Number+1, i.Value, i.Second)
	case OpLock:
		return fmt.Sprintf("%s lock except %d", a, i.Number)
	case OpQuery:
		return a + " query"
	case OpAccessory:
		return fmt.Sprintf("%s pair %d output %d%s", a, i.Number, i.Bit, onOff(i.On))
	case OpAspect:
		return fmt.Sprintf("%s aspect %d", a, i.Value)
	case OpAccessoryNOP:
		if i.Address.Kind == Extended {
			return a + " nop"
		}
		return fmt.Sprintf("%s pair %d nop", a, i.Number)
	case OpAccessoryCV:
		if i.Data {
			a += fmt.Sprintf(" pair %d output %d", i.Second>>1&3, i.Second&1)
		}
		return a + " " + i.cv()
	case OpAccessoryOldCV:
		return a + " " + i.cv() + " old form"
	case OpAdvanced:
		return "advanced " + hexBytes(i.Raw)
	case OpDirect:
		return "service " + serviceCV(i.Access, i.Number, i.Bit, i.Value, i.On)
	case OpAddressOnly:
		return "service address-only " + serviceCV(i.Access, 1, 0, i.Value, false)
	case OpRegister:
		return registerWords(i.Access, i.Number, i.Value)
	}
	return fmt.Sprintf("instruction %d", i.Op)
}

func hexBytes(raw string) string { return fmt.Sprintf("% X", []byte(raw)) }

// cv says a CV access in operations mode.
func (i Instruction) cv() string {
	verb := "verify"
	if i.Access.Writes() {
		verb = "write"
	}
	if i.Access.ofBit() {
		return fmt.Sprintf("cv %d bit %d %s %d", i.Number, i.Bit, verb, bit(i.On))
	}
	return fmt.Sprintf("cv %d %s %d", i.Number, verb, i.Value)
}

func bit(on bool) int {
	if on {
		return 1
	}
	return 0
}

// stop is the words of a stop without its steps.
func (s Speed) stop() string {
	stop := "stop"
	if s.Emergency {
		stop = "emergency stop"
	}
	switch {
	case s.Loose && s.Forward:
		return stop
	case s.Loose:
		return "reverse " + stop + " any direction"
	}
	return s.direction() + " " + stop
}

func (s Speed) direction() string {
	if s.Forward {
		return "forward"
	}
	return "reverse"
}

// String is the plain-language form: "forward 12 of 28", "reverse 3 of 14 FL on", "stop of 28".
func (s Speed) String() string {
	of := fmt.Sprintf(" of %d", s.Steps)
	fl := ""
	if s.FL {
		fl = " FL on"
	}
	switch {
	case s.Step > 0:
		return fmt.Sprintf("%s %d", s.direction(), s.Step) + of + fl
	case s.Loose && !s.Forward:
		return strings.TrimSuffix(s.stop(), " any direction") + of + " any direction"
	}
	return s.stop() + of + fl
}

// String names every function: "F0 on F1-F4 off".
func (f Functions) String() string {
	var out []string
	for _, on := range []bool{true, false} {
		var runs []string
		for n := int(f.First); n < int(f.First)+int(f.Count); n++ {
			if _, is := f.Has(uint8(n)); is != on {
				continue
			}
			last := n
			for last+1 < int(f.First)+int(f.Count) {
				if _, is := f.Has(uint8(last + 1)); is != on {
					break
				}
				last++
			}
			if last > n {
				runs = append(runs, fmt.Sprintf("F%d-F%d", n, last))
			} else {
				runs = append(runs, fmt.Sprintf("F%d", n))
			}
			n = last
		}
		if len(runs) == 0 {
			continue
		}
		word := "off"
		if on {
			word = "on"
		}
		out = append(out, strings.Join(runs, " ")+" "+word)
	}
	return strings.Join(out, " ")
}

func serviceCV(access Access, cv uint16, b, value uint8, on bool) string {
	verb := "verify"
	if access.Writes() {
		verb = "write"
	}
	if access.ofBit() {
		return fmt.Sprintf("%s cv %d bit %d = %d", verb, cv, b, bit(on))
	}
	return fmt.Sprintf("%s cv %d = %d", verb, cv, value)
}

// pageRegister is the physical register that holds the page, and pagePreset what it holds at rest (S-9.2.3 E).
const (
	pageRegister = 6
	pagePreset   = 1
)

func registerWords(access Access, register uint16, value uint8) string {
	switch {
	case access == Write && register == 8 && value == 8:
		return "service factory reset"
	case access == Write && register == pageRegister && value == pagePreset:
		return "service page preset"
	case access == Write && register == pageRegister:
		return fmt.Sprintf("service page %d", value)
	case access == Write:
		return fmt.Sprintf("service register write %d = %d", register, value)
	}
	return fmt.Sprintf("service register verify %d = %d", register, value)
}
