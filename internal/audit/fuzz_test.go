package audit

import (
	"context"
	"reflect"
	"testing"

	"fettle/internal/dcc"
	"fettle/internal/finding"
	"fettle/internal/unit"
	"fettle/internal/wave"
)

// changesOf makes changes of any bytes, three each: a length in quarters of a microsecond, times a power of two, and a polarity. Most
// bytes give alternating edges.
func changesOf(data []byte) (c wave.Changes) {
	at, p := unit.Time(0), wave.Negative
	for ; len(data) >= 3; data = data[3:] {
		length := unit.Time(data[0])<<(data[1]%16) + unit.Time(data[1]>>4)
		at += max(1, length*us/4)
		switch k := data[2]; {
		case k < 240 && there(p):
			p = -p
		case k < 244 && p != wave.None:
			p = wave.None
		case k < 246 && p != wave.Uncertain:
			p = wave.Uncertain
		case p != wave.Positive:
			p = wave.Positive
		default:
			p = wave.Negative
		}
		c.At, c.To = append(c.At, at), append(c.To, p)
	}
	return c
}

// bytesOf is the way back, for seeds: halves in quarters of a microsecond.
func bytesOf(c wave.Changes) (data []byte) {
	last := unit.Time(0)
	for i, at := range c.At {
		n, k := (at-last)/(us/4), byte(0)
		last = at
		shift := byte(0)
		for n > 255 {
			n, shift = n>>1, shift+1
		}
		switch {
		case c.To[i] == wave.None:
			k = 240
		case c.To[i] == wave.Uncertain:
			k = 244
		}
		data = append(data, byte(n), shift, k)
	}
	return data
}

// Whatever the changes are, the audit and its findings stand: no panic, every half counted once, the same from blocks of one change.
func FuzzAudit(f *testing.F) {
	seeds := 0
	for _, s := range [][]dcc.Sending{idles(2), list(say(f, "3 F0 on", half(77*us, 5)), idle), list(say(f, "3 F0 on", off(28*us, 470*us)), idles(2)),
		list(raw(0, 0, 0), say(f, "120 F0 on"), say(f, "120 F0 on"), idle), dcc.Negatives()[9].Sendings} {
		stream, err := dcc.NewStream(dcc.Send(s...), dcc.StreamSettings{})
		if err != nil {
			f.Fatal(err)
		}
		c, err := dcc.Collect(stream)
		if err != nil {
			f.Fatal(err)
		}
		data := bytesOf(c)
		if o, err := Audit(context.Background(), &blocks{c: changesOf(data)}, Settings{}); err != nil || o.Packets.Valid() == 0 && len(s) < 3 {
			f.Fatalf("the seed is no track signal: %v %+v", err, o.Packets)
		}
		f.Add(data)
		seeds++
	}
	if seeds == 0 {
		f.Fatal("no seeds")
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		c := changesOf(data)
		var records int64
		set := Settings{Resolution: us / 4, Packet: func(p *Packet) { records++; _ = p.Words() }}
		o, err := Audit(context.Background(), &blocks{c: c}, set)
		if err != nil {
			t.Fatal(err)
		}
		halves := int64(0)
		for i := 1; i < len(c.At); i++ {
			if there(c.To[i-1]) && there(c.To[i]) {
				halves++
			}
		}
		if got := sum(&o.Halves[0]) + sum(&o.Halves[1]) + sum(&o.Loose); got != halves {
			t.Fatalf("%d halves counted, there are %d", got, halves)
		}
		ended := int64(0)
		for e, n := range o.Packets.Ended {
			if e := dcc.Ending(e); e != dcc.EndBadHalf && e != dcc.EndLost {
				ended += n
			}
		}
		if records != ended {
			t.Fatalf("%d records of %d packets", records, ended)
		}
		fs := o.Findings("fuzz")
		for _, j := range fs.Verdicts {
			if j.Verdict == "" || j.Verdict == finding.Unknown {
				t.Fatalf("%s: %q", j.ID, j.Verdict)
			}
		}
		set.Packet = nil
		one, err := Audit(context.Background(), &blocks{c: c, sizes: []int{1}}, set)
		if err != nil {
			t.Fatal(err)
		}
		o.set, one.set = Settings{}, Settings{}
		if !reflect.DeepEqual(o, one) {
			t.Fatal("other findings from blocks of one change")
		}
	})
}
