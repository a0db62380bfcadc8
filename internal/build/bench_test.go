package build_test

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"fettle/internal/build"
	"fettle/internal/unit"
)

// Readings of lamps and of the board stand in one file, each behind its own header; what cannot be read is named, the rest used.
func TestBenchReadings(t *testing.T) {
	b, list := withReadings(t, `date,setup,test,reading,meter,note
2026-03-01,board-left-on,PB0,4.95 V,,
2026-03-01,unpowered,left rail to plus,0.62 V diode,,"first, cold"
2026-03-01,board-left-on,,4.95 V,,
01.03.2026,vehicle-left-on,front lit,yes,,
2026-03-02,board-left-on,PB0,0.02 V,,
lamp,track,current
front,6 V,3 mA
date;setup;test;reading
2026-03-03;board-left-on;current;9 mA
`)
	if len(b.Bench) != 4 || len(list) != 2 || list.HasErrors() {
		t.Fatalf("%d bench readings, %v", len(b.Bench), list)
	}
	if x := b.Bench[1]; x.Setup != "unpowered" || x.Test != "left rail to plus" || x.Text != "0.62 V diode" || x.Note != "first, cold" || x.Range.Start.Line != 3 {
		t.Errorf("%+v", x)
	}
	if list[0].Range.Start.Line != 4 || list[1].Range.Start.Line != 5 {
		t.Errorf("named lines %v", list)
	}
	if x := b.Readings[len(b.Readings)-1]; x.Lamp != "front" || x.Track.Value != 6 {
		t.Errorf("lamp reading %+v", x)
	}
}

func TestAppendBench(t *testing.T) {
	path := filepath.Join(t.TempDir(), "readings.csv")
	x := build.BenchReading{Date: "2026-03-01", Setup: "board-left-on", Test: "PB0 to plus", Text: "4.9 V", Note: "a, \"b\""}
	lamp := build.Reading{Lamp: "front", Track: build.Given(unit.Volt(6)), Current: build.Quantity[unit.Amp]{Text: "3 mA"}}
	var before []byte
	for k, add := range []func() error{
		func() error { return build.AppendBench(path, x, x) }, func() error { return build.AppendBench(path, x) },
		func() error { return build.AppendReading(path, lamp) }, func() error { return build.AppendBench(path, x) },
	} {
		if err := add(); err != nil {
			t.Fatal(err)
		}
		after, err := os.ReadFile(path)
		if err != nil || !bytes.HasPrefix(after, before) || len(after) <= len(before) {
			t.Fatalf("%d: %q became %q, %v", k, before, after, err)
		}
		before = after
	}
	if n := bytes.Count(before, []byte("date,setup")); n != 2 {
		t.Errorf("%d headers of bench readings, want one before each run of them:\n%s", n, before)
	}
	b, list := withReadings(t, string(before))
	if len(list) > 0 || len(b.Bench) != 4 || b.Bench[3].Note != x.Note || b.Bench[3].Text != x.Text {
		t.Errorf("read back %+v, %v", b.Bench, list)
	}
}

// A reading names its decoder where there are several; in a table of its own the column comes when it is first wanted, and a decoder
// that is not there is named.
func TestBenchReadingsOfADecoder(t *testing.T) {
	path := filepath.Join(t.TempDir(), "readings.csv")
	x := build.BenchReading{Date: "2026-03-01", Setup: "board-left-on", Test: "PB0 to plus", Text: "4.9 V"}
	of := x
	of.Decoder = "a"
	for _, one := range []build.BenchReading{x, of, x} {
		if err := build.AppendBench(path, one); err != nil {
			t.Fatal(err)
		}
	}
	src, err := os.ReadFile(path)
	if want := "date,setup,test,reading,meter,note\n2026-03-01,board-left-on,PB0 to plus,4.9 V,,\ndate,decoder,setup,test,reading,meter,note\n2026-03-01,a,board-left-on,PB0 to plus,4.9 V,,\n2026-03-01,,board-left-on,PB0 to plus,4.9 V,,\n"; err != nil || string(src) != want {
		t.Errorf("%v\n%s", err, src)
	}
	b, list := build.Load("x.fettle", []byte(small+"decoder \"a\" {\n  chip {\n  }\n}\n"), build.Beside{ReadingsFile: "readings.csv", Readings: append(src, "2026-03-01,z,board-left-on,PB0 to plus,4.9 V,,\n"...)})
	if b == nil || len(list) != 1 || len(b.Bench) != 3 || b.Bench[1].Decoder != "a" || list[0].Range.Start.Line != 6 {
		t.Errorf("%+v %v", b, list)
	}
}
