package audit

import (
	"bytes"
	"context"
	"io/fs"
	"math"
	"testing"

	"fettle/examples"
	"fettle/internal/dcc"
	"fettle/internal/finding"
	"fettle/internal/recording"
	"fettle/internal/unit"
)

func example(t testing.TB, name string, set Settings) (*Audited, dcc.Schedule) {
	t.Helper()
	read := func(name string) []byte {
		src, err := fs.ReadFile(examples.FS, "track/"+name)
		if err != nil {
			t.Fatal(err)
		}
		return src
	}
	rec, list := recording.Open(bytes.NewReader(read(name+".csv.gz")), name+".csv.gz", recording.Settings{})
	if rec == nil {
		t.Fatal(list)
	}
	o, err := Recording(context.Background(), rec, set)
	if err != nil || rec.Problems().HasErrors() {
		t.Fatal(err, rec.Problems())
	}
	plan, list := dcc.ParseSchedule(name, read(name+".schedule"))
	if list.HasErrors() {
		t.Fatal(list)
	}
	return o, plan
}

// The clean example breaks no rule, and no decoder loses any of it within the clock error that the windows leave.
func TestCleanExample(t *testing.T) {
	o, plan := example(t, "clean", Settings{})
	f := o.Findings("clean")
	for _, j := range f.Verdicts {
		if j.Verdict != finding.Holds && j.Verdict != finding.Reported {
			t.Errorf("%s: %s", j.ID, j.Verdict)
		}
	}
	if f.Worst() != finding.Holds || len(o.Bursts) > 0 || o.Gaps.Count > 0 {
		t.Errorf("%s, %d disturbances, %d gaps", f.Worst(), len(o.Bursts), o.Gaps.Count)
	}
	sent, err := plan.Sent()
	if err != nil {
		t.Fatal(err)
	}
	if o.Packets.Valid() != int64(len(sent)) {
		t.Errorf("%d packets, %d were sent", o.Packets.Valid(), len(sent))
	}
	slow, fast := theory()
	for i, n := range o.Sweep.Windows.Lost(o.Sweep.Packets) {
		if e := ErrorAt(i); e >= slow && e <= fast && n > 0 {
			t.Errorf("clock error %.1f %%: %d lost", 100*e, n)
		}
	}
	// Samples every 0.5 µs make of 58 ± 0.8 µs at most 58.5 µs, of 100 ± 0.8 µs at least 99.5 µs.
	e := &o.Sweep.Windows
	if e.Fast.Half != 58500*unit.Nanosecond || e.Fast.Limit != 64*us || e.Fast.Zero || math.Abs(e.Fast.Error-(64/58.5-1)) > 1e-12 {
		t.Errorf("first loss of a fast clock: %v", e.Fast)
	}
	if e.Slow.Half != 99500*unit.Nanosecond || e.Slow.Limit != 90*us || !e.Slow.Zero || math.Abs(e.Slow.Error-(90/99.5-1)) > 1e-12 {
		t.Errorf("first loss of a slow clock: %v", e.Slow)
	}
}

// The troubled example breaks the rules that were put in, each where its schedule says, and no other.
func TestTroubledExample(t *testing.T) {
	o, plan := example(t, "trouble", Settings{})
	noise, drift := plan.Disturbances[0], plan.Stream.Drift
	from, to := drift[0].At, drift[len(drift)-1].At
	slope := (drift[1].Zero[0] - drift[0].Zero[0]).Seconds() / (drift[1].At - drift[0].At).Seconds()
	reaches := func(zero float64) unit.Time { return from + unit.Seconds((zero-100e-6)/slope) } // when a zero of 100 µs has drifted so far
	// Jitter moves a half by up to 0.8 µs, the recorder by 0.5 µs, and that is what it leaves open.
	early := unit.Seconds(1.3e-6 / -slope)
	near := func(at, when unit.Time) bool { return at >= when && at < when+20*ms }
	want := map[string]func(p Place) bool{
		"station.zero":       func(p Place) bool { return p.At > reaches(95e-6)-early && p.At < to+ms },
		"decoder.zero":       func(p Place) bool { return p.At > reaches(90e-6)-early && p.At < to+ms },
		"signal.undisturbed": func(p Place) bool { return p.At > noise.From-ms && p.At < noise.To },
		"preamble":           func(p Place) bool { return near(p.At, 1200*ms) && p.Value == 12 || near(p.At, 1500*ms) && p.Value == 9 },
		"packets.error-byte": func(p Place) bool { return near(p.At, 2200*ms) },
	}
	count := map[string]int64{"signal.undisturbed": 1, "preamble": 2, "packets.error-byte": 1}
	for _, j := range o.Findings("trouble").Verdicts {
		there := want[j.ID] != nil
		if (j.Verdict == finding.Fails) != there || j.Verdict == finding.Close || j.Verdict == finding.Unknown {
			t.Errorf("%s: %s", j.ID, j.Verdict)
		}
	}
	for r := range ruleCount {
		tally := &o.Rules[r]
		ok := want[r.ID()]
		if ok == nil {
			continue
		}
		for _, p := range append(tally.First, tally.Worst) {
			if !ok(p) {
				t.Errorf("%s: not put in at %s: %v", r.ID(), clock(p.At), p)
			}
		}
		if tally.Last > to+ms && r == DecoderZero || count[r.ID()] > 0 && tally.Broken != count[r.ID()] {
			t.Errorf("%s: %d times, the last at %s", r.ID(), tally.Broken, clock(tally.Last))
		}
	}
	if len(o.Bursts) != 1 || o.Bursts[0].To > noise.To+ms || o.Bursts[0].Kind() != "noise" || o.Bursts[0].After < noise.To {
		t.Errorf("disturbances %+v", o.Bursts)
	}
	// Nine ones are no preamble: the light of 47 stays on.
	_, on, _ := lights(&o.Addresses[0].Decoder)
	if o.Addresses[0].Address != (dcc.Address{Kind: dcc.Short, Number: 47}) || on != "F0" || o.Addresses[0].Changed != 2 {
		t.Errorf("%v: %s, %d changes", o.Addresses[0].Address, on, o.Addresses[0].Changed)
	}
}

// What the lamps of decoder 47 should have been doing at an instant, as the schedule of the clean example tells it.
func TestMoment(t *testing.T) {
	for _, c := range []struct {
		at                unit.Time
		driven, lamps, on string
		known             bool
	}{
		{250 * ms, "stop of 28, direction not known", "front off, rear off", "none", false}, // after the resets of power up
		{1500 * ms, "forward stop of 28", "front on, rear off", "F0", true},
		{2500 * ms, "forward 6 of 28", "front on, rear off", "F0", true},
		{7500 * ms, "forward 12 of 28", "front on, rear off", "F0-F1", true},
		{9500 * ms, "reverse 5 of 28", "front off, rear on", "F0-F1", true},
		{12500 * ms, "reverse 5 of 28", "front off, rear on", "F0", true},
	} {
		o, _ := example(t, "clean", Settings{At: Instant{c.at, true}, Addresses: []dcc.Address{{Kind: dcc.Short, Number: 47}}})
		if len(o.Moment) != 1 {
			t.Fatalf("%s: %d decoders", clock(c.at), len(o.Moment))
		}
		m := &o.Moment[0]
		h, on, _ := lights(&m.Decoder)
		if got := motion(&m.Decoder); got != c.driven || h != c.lamps || on != c.on || m.Known != c.known {
			t.Errorf("%s: %q, %q, %q, %v; want %q, %q, %q", clock(c.at), got, h, on, m.Known, c.driven, c.lamps, c.on)
		}
	}
}
