package dcc

import (
	"bytes"
	"compress/gzip"
	"io"
	"io/fs"
	"slices"
	"testing"

	"fettle/examples"
	"fettle/internal/recording"
	"fettle/internal/unit"
	"fettle/internal/wave"
)

func exampleSchedule(t *testing.T, name string) Schedule {
	t.Helper()
	src, err := fs.ReadFile(examples.FS, "track/"+name+".schedule")
	if err != nil {
		t.Fatal(err)
	}
	return schedule(t, string(src))
}

// The clean example holds the station's windows and differences (S-9.1 table 1) and preambles, and is received whole by
// decoders whose clock is up to 9 % off: ones of 58 ± 0.8 µs and zeros of 100 ± 0.8 µs leave −9.2 % and +8.8 %.
func TestCleanExample(t *testing.T) {
	p := exampleSchedule(t, "clean")
	sent, err := p.Sent()
	if err != nil {
		t.Fatal(err)
	}
	source, _ := p.Source()
	c := collect(t, source)
	for i := 1; i < len(c.At)-1; i++ {
		switch h := c.At[i] - c.At[i-1]; StationLimits.Half(h) {
		case OneHalf, ZeroHalf:
		default:
			t.Fatalf("half-bit of %v µs at %v s", micros(h), c.At[i].Seconds())
		}
	}
	for _, clock := range []unit.Ratio{-0.09, 0, 0.088} {
		got := receive(t, Settings{ClockError: clock}, c)
		if len(got) != len(sent) {
			t.Fatalf("clock %v: %d sent, %d received", clock, len(sent), len(got))
		}
		for i, r := range got {
			if r.Ended != EndValid || string(r.Packet) != string(sent[i].Packet) {
				t.Fatalf("clock %v: %+v", clock, r)
			}
		}
	}
}

// The troubled example has the troubles that were put in, each where it was put, and no other.
func TestTroubledExample(t *testing.T) {
	p := exampleSchedule(t, "trouble")
	source, err := p.Source()
	if err != nil {
		t.Fatal(err)
	}
	c := collect(t, source)
	within := func(at, from, to unit.Time) bool { return from <= at && at <= to }
	noise, drift := p.Disturbances[0], Window{p.Stream.Drift[0].At, p.Stream.Drift[2].At}
	short, wrong := 0, 0
	for _, r := range receive(t, Settings{MinOnesAfter: 1}, c) {
		inNoise := r.End >= noise.From && r.Start <= noise.To
		switch {
		case inNoise, within(r.End, drift.Min, drift.Max) && r.Ended == EndBadHalf && r.End > drift.Max-250*unit.Millisecond:
		case r.Ended == EndBadXOR && within(r.Start, 2200*unit.Millisecond, 2220*unit.Millisecond):
			wrong++
		case r.Ended == EndValid && r.Preamble == 12 && within(r.Start, 1200*unit.Millisecond, 1220*unit.Millisecond),
			r.Ended == EndValid && r.Preamble == 9 && within(r.Start, 1500*unit.Millisecond, 1520*unit.Millisecond):
			short++
		case r.Ended != EndValid || r.Preamble < PreambleOperations:
			t.Errorf("not put in: %+v", r)
		}
	}
	if short != 2 || wrong != 1 {
		t.Errorf("%d short preambles, %d wrong error bytes", short, wrong)
	}
	// A decoder that does no more than the standard asks for never sees the light of 47 go off.
	for _, s := range []Settings{{}, {MinOnes: 12}} {
		for _, r := range receive(t, s, c) {
			if i := Decode(r.Packet, Context{}).Instruction; r.Ended == EndValid && i.String() == "47 F0-F4 off" {
				t.Errorf("%+v", r)
			}
		}
	}
}

// The recordings are what the generator beside them makes of the schedules: a change of either shows here until go generate
// has run.
func TestExampleRecordingsAreFresh(t *testing.T) {
	const step = 500 * unit.Nanosecond // of examples/track/generate.go
	for _, name := range []string{"clean", "trouble"} {
		source, err := exampleSchedule(t, name).Source()
		if err != nil {
			t.Fatal(err)
		}
		var want bytes.Buffer
		if err := WriteHalves(&want, Sampled(source, step)); err != nil {
			t.Fatal(err)
		}
		packed, err := fs.ReadFile(examples.FS, "track/"+name+".csv.gz")
		if err != nil {
			t.Fatal(err)
		}
		z, err := gzip.NewReader(bytes.NewReader(packed))
		if err != nil {
			t.Fatal(err)
		}
		if got, err := io.ReadAll(z); err != nil || !bytes.Equal(got, want.Bytes()) {
			t.Errorf("%s: %d bytes, made from the schedule %d: run go generate ./examples (%v)", name, len(got), want.Len(), err)
		}
	}
}

// The recordings, read as any other is, give the packets of their schedules at their times, to the step of the instrument.
func TestExampleRecordingsAreRead(t *testing.T) {
	for _, name := range []string{"clean", "trouble"} {
		p := exampleSchedule(t, name)
		made, err := p.Source()
		if err != nil {
			t.Fatal(err)
		}
		want := receive(t, Settings{MinOnesAfter: 1}, collect(t, Sampled(made, 500*unit.Nanosecond)))
		packed, err := fs.ReadFile(examples.FS, "track/"+name+".csv.gz")
		if err != nil {
			t.Fatal(err)
		}
		source, list := recording.Open(bytes.NewReader(packed), name+".csv.gz", recording.Settings{})
		if list.HasErrors() {
			t.Fatal(list)
		}
		got := receive(t, Settings{MinOnesAfter: 1}, collect(t, source))
		if err := sameReceptions(got, want); err != nil {
			t.Errorf("%s: recording (fast) and schedule (plain): %v", name, err)
		}
		if len(source.Problems()) > 0 {
			t.Errorf("%s: %v", name, source.Problems())
		}
		t.Logf("%s: %+v", name, source.About())
	}
}

// What a schedule puts on the track comes back from either kind of file change for change.
func TestScheduleThroughFiles(t *testing.T) {
	p := exampleSchedule(t, "trouble")
	p.End = 500 * unit.Millisecond
	p.Gap = Window{CutoutBegins.Min, CutoutEnds.Max}
	source := func() wave.Source {
		s, err := p.Source()
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	want := collect(t, source())
	for _, format := range []string{"vcd", "csv"} {
		var file bytes.Buffer
		var err error
		if format == "vcd" {
			err = recording.WriteVCD(&file, source(), "a schedule")
		} else {
			err = recording.WriteCSV(&file, source())
		}
		if err != nil {
			t.Fatal(err)
		}
		s, list := recording.Open(&file, "x."+format, recording.Settings{})
		if len(list) > 0 {
			t.Fatal(list)
		}
		got := collect(t, s)
		if !slices.Equal(got.At, want.At) || !slices.Equal(got.To, want.To) {
			t.Errorf("%s: %d changes, sent %d", format, len(got.At), len(want.At))
		}
	}
}
