package dcc

import (
	"fmt"
	"math"
	"strings"

	"fettle/internal/finding"
	"fettle/internal/unit"
)

// Play is a feed of items as a station would send them alone: each as often as its rule wants it (those received once, as
// they stand), or its sequence of service mode, with an idle packet between two to the same decoder, so that they stand 5 ms
// apart (S-9.2 C).
func Play(items []Item) Feed {
	var all []Sending
	var last Address
	for _, it := range items {
		steps := []Step{{Count: 1, Preamble: it.Ones()}}
		switch {
		case it.Task.Method != NoMethod:
			steps = it.Task.Steps()
		case !it.Received:
			steps[0].Count = Decode(it.Packet, it.Context()).Instruction.Repeats().Times
		}
		for _, step := range steps {
			if step.Spare {
				continue
			}
			s := Sending{Packet: it.Packet, Preamble: step.Preamble, Service: it.Service}
			if it.Task.Method != NoMethod {
				s.Packet = step.Packet()
				if it.Preamble > 0 {
					s.Preamble = it.Preamble
				}
			}
			for range step.Count {
				to := Decode(s.Packet, it.Context()).Address
				if to.Kind != Nobody && it.Task.Method == NoMethod {
					if to == last || len(all) > 0 && (to == Broadcast || last == Broadcast) {
						all = append(all, Sending{Packet: idlePacket, Preamble: it.Ones()})
					}
					last = to
				}
				all = append(all, s)
			}
		}
	}
	return Send(all...)
}

var idlePacket = Packet{0xFF, 0x00, 0xFF}

// Findings say what a schedule sends: what, how often, when first, and how long it is waited for.
func (p Schedule) Findings(name string) (finding.Findings, error) {
	type kind struct {
		Sending
		times                int
		first, last, longest unit.Time
	}
	kinds := map[string]*kind{}
	var order []*kind
	packets, idles := 0, 0
	var end unit.Time
	p.Stream.Log = func(s Sent) {
		packets++
		end = s.End
		key := fmt.Sprintf("%s %s", s.Packet, s.purpose())
		k := kinds[key]
		if k == nil {
			k = &kind{Sending: s.Sending, first: s.Start}
			kinds[key] = k
			order = append(order, k)
		} else {
			k.longest = max(k.longest, s.Start-k.last)
		}
		k.times++
		k.last = s.Start
		if string(s.Packet) == string(idlePacket) {
			idles++
		}
	}
	if err := p.run(); err != nil {
		return finding.Findings{}, err
	}
	value := func(id, label string, v float64, symbol, reason string) finding.Value {
		return finding.Value{ID: "schedule." + id, Name: label, Value: v, Unit: symbol, Low: math.NaN(), High: math.NaN(),
			Reason: reason}
	}
	f := finding.Findings{Question: "packet", Build: name}
	f.Values = append(f.Values, value("duration", "signal", end.Seconds(), unit.SymSecond,
		fmt.Sprintf("%d packets, from the first preamble to the last end bit", packets)))
	if packets > 0 {
		f.Values = append(f.Values, value("idle", "idle packets", float64(idles)/float64(packets), unit.SymRatio,
			"share of all packets"))
	}
	t := finding.Table{ID: "schedule.packets", Title: "what is sent, by its first time", Columns: []finding.Column{
		{Title: "packet"}, {Title: "bytes"}, {Title: "times", Numeric: true}, {Title: "first at", Numeric: true},
		{Title: "longest wait", Numeric: true}, {Title: "on purpose"}}}
	for _, k := range order {
		wait := text("")
		if k.times > 1 {
			wait = finding.Cell{Number: k.longest.Seconds(), Unit: unit.SymSecond}
		}
		words := Decode(k.Packet, Context{Service: k.Service}).Instruction.String()
		t.Rows = append(t.Rows, []finding.Cell{text("%s", words), text("% X", []byte(k.Packet)), text("%d", k.times),
			{Number: k.first.Seconds(), Unit: unit.SymSecond, Digits: 5}, wait, text("%s", k.purpose())})
	}
	f.Tables = append(f.Tables, t)
	for _, d := range p.Disturbances {
		what := "no contact"
		if d.Between > 0 {
			what = fmt.Sprintf("noise, an edge every %v µs", micros(d.Between))
		}
		f.Notes = append(f.Notes, finding.Note{ID: "schedule.disturbance", Kind: "disturbance",
			Text: fmt.Sprintf("%s from %v s to %v s", what, seconds(d.From), seconds(d.To))})
	}
	return f, nil
}

// purpose is what is deliberately wrong with a sending.
func (s Sending) purpose() string {
	var what []string
	if s.ones() < PreambleOperations {
		what = append(what, fmt.Sprintf("%d ones", s.ones()))
	}
	for _, i := range s.Flip {
		what = append(what, fmt.Sprintf("bit %d wrong", i))
	}
	for _, odd := range s.Odd {
		what = append(what, fmt.Sprintf("half %d of %v µs", odd.Index, micros(odd.Length)))
	}
	return strings.Join(what, ", ")
}
