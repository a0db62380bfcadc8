package audit

import (
	"fmt"
	"math"
	"strings"

	"fettle/internal/dcc"
	"fettle/internal/recording"
	"fettle/internal/unit"
)

// Asked is what may be asked of an audit and said of a recording, as it is typed: times with their unit, addresses as in a sentence,
// the rest in words. "" is what is recognised by itself.
type Asked struct {
	Addresses, Wires               []string
	From, To, At                   string
	Format, Low, High, Bridge      string
	Resolution, Unit, Timing       string
	TimeColumn, Separator, Decimal string

	Mark string // before the name of an option in what is complained of
}

// longest is beyond any recording, in seconds.
const longest = 100 * 24 * 3600

// Settings reads what was asked.
func (q Asked) Settings() (s Settings, how recording.Settings, err error) {
	quantity := func(flag, text string, d unit.Dimension) (x float64) {
		if text == "" || err != nil {
			return 0
		}
		x, wrong := unit.Parse(text, d)
		if wrong != nil {
			err = fmt.Errorf("%s%s: %w", q.Mark, flag, wrong)
		} else if d.Name == unit.Duration.Name && !(math.Abs(x) < longest) {
			err = fmt.Errorf("%s%s %s: up to 100 days can be told", q.Mark, flag, text)
		}
		return x
	}
	lengths, instants := unit.Duration, unit.Duration
	lengths.Bare, instants.Bare = "µs", "s"
	length := func(flag, text string) unit.Time { return unit.Seconds(quantity(flag, text, lengths)) }
	volts := func(flag, text string) unit.Volt { return unit.Volt(quantity(flag, text, unit.Voltage)) }
	instant := func(flag, text string) Instant {
		return Instant{T: unit.Seconds(quantity(flag, text, instants)), Set: text != ""}
	}
	s.From, s.To, s.At = instant("from", q.From), instant("to", q.To), instant("at", q.At)
	how = recording.Settings{
		Format: recording.Format(strings.ToUpper(q.Format)), Wires: q.Wires, Low: volts("low", q.Low), High: volts("high", q.High),
		Bridge: length("bridge", q.Bridge), Resolution: length("resolution", q.Resolution), Unit: length("unit", q.Unit),
		Timing: recording.Timing(q.Timing), TimeColumn: q.TimeColumn,
	}
	if q.Bridge != "" && how.Bridge == 0 {
		how.Bridge = -1
	}
	s.Resolution = how.Resolution
	if err != nil {
		return s, how, err
	}
	if s.To.Set && s.From.Set && s.To.T <= s.From.T {
		return s, how, fmt.Errorf("%sto %s does not lie after %sfrom %s", q.Mark, q.To, q.Mark, q.From)
	}
	pick := func(flag, text string, of map[string]byte) (b byte) {
		if text == "" || err != nil {
			return 0
		}
		b, ok := of[strings.ToLower(text)]
		if !ok {
			err = fmt.Errorf("%s%s %q: comma, semicolon, tab, space or point is wanted in words or as the character", q.Mark, flag, text)
		}
		return b
	}
	how.Separator = pick("separator", q.Separator, map[string]byte{"comma": ',', "semicolon": ';', "tab": '\t', "space": ' ', ",": ',', ";": ';', "\t": '\t', " ": ' '})
	how.Decimal = pick("decimal", q.Decimal, map[string]byte{"point": '.', "comma": ',', ".": '.', ",": ','})
	for _, text := range q.Addresses {
		// The grammar of sentences has addresses; a reset can be for any vehicle, and an accessory has pairs.
		said, list := dcc.Parse("", text+" reset")
		if list.HasErrors() || len(said) != 1 {
			said, list = dcc.Parse("", text+" nop")
		}
		if list.HasErrors() || len(said) != 1 || said[0].Instruction.Address.Kind == dcc.Nobody {
			return s, how, fmt.Errorf("%saddress %q: no address; 47, 1204, \"long 47\" or \"accessory 12\" are", q.Mark, text)
		}
		s.Addresses = append(s.Addresses, said[0].Instruction.Address)
	}
	return s, how, err
}
