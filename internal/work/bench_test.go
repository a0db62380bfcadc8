package work

import (
	"testing"

	"fettle/internal/bench"
	"fettle/internal/build"
	"fettle/internal/defect"
	"fettle/internal/fault"
)

// A reading stays with its decoder: one that names none is of the first, and what is written down names the decoder where there are
// several.
func TestTakenOfItsDecoder(t *testing.T) {
	decoder := func(name string) build.Decoder { return build.Decoder{Name: build.Text{Text: name}} }
	row := bench.Row{Number: 1, Test: "board-left-on:PB0", Setup: "board-left-on", Point: "PB0", Against: "minus", Setting: "DC volts", Unit: "V", Low: 4, High: 5}
	at := func(of string, decoders ...build.Decoder) *Bench {
		return &Bench{Sheet: &bench.Sheet{Decoder: of, Steps: []bench.Step{{ID: "chip", Rows: []bench.Row{row}}}},
			Table: fault.NewTable([]fault.Cause{{ID: defect.Sound, Words: "nothing is wrong", Prior: 1}}, []fault.Test{{ID: row.Test, Setup: row.Setup, Point: row.Point, Against: row.Against, Unit: "V", Words: "chip pin PB0 against minus"}}, []int{1}),
			Build: &build.Build{Decoders: decoders, Bench: []build.BenchReading{
				{Setup: row.Setup, Test: "PB0 to minus", Text: "4.1 V"}, {Decoder: "a", Setup: row.Setup, Test: "PB0 to minus", Text: "4.2 V"}, {Decoder: "b", Setup: row.Setup, Test: "PB0 to minus", Text: "4.3 V"}}}}
	}
	for of, want := range map[string][]string{"a": {"4.1 V", "4.2 V"}, "b": {"4.3 V"}} {
		b := at(of, decoder("a"), decoder("b"))
		taken, list := b.Taken()
		var got []string
		for _, x := range taken {
			got = append(got, x.Text)
		}
		if len(list) > 0 || len(got) != len(want) || got[0] != want[0] {
			t.Errorf("of %s: %v, %v", of, got, list)
		}
		if line := b.Line(&row, "1 = 4.4 V"); line.Decoder != of || line.Text != "4.4 V" {
			t.Errorf("%+v", line)
		}
	}
	if line := at("a", decoder("a")).Line(&row, "1 = 4.4 V"); line.Decoder != "" {
		t.Errorf("of the only one: %+v", line)
	}
}
