package audit

import (
	"context"
	"io"
	"testing"

	"fettle/internal/dcc"
	"fettle/internal/unit"
	"fettle/internal/wave"
)

// layout is a station with some decoders for so long: packets to three addresses, refreshed, with jitter.
func layout(t testing.TB, long unit.Time, more string) wave.Changes {
	t.Helper()
	p, list := dcc.ParseSchedule("layout", []byte("jitter 0.4 us\nseed 5\n"+more+`
power up
at 0.3 s: 47 forward 6 of 28; 47 F0 on
at 0.3 s: 3 forward stop of 28; 3 F0 on
at 0.4 s: 1204 forward 30 of 128; 1204 F0 on F2 on
`))
	if list.HasErrors() {
		t.Fatal(list)
	}
	p.End = long
	source, err := p.Source()
	if err != nil {
		t.Fatal(err)
	}
	c, err := dcc.Collect(source)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// again plays changes again and again, in blocks as a recording gives them, one second apart.
type again struct {
	c     wave.Changes
	times int
	at    int
	shift unit.Time
}

func (a *again) Next(c *wave.Changes) error {
	if a.at == len(a.c.At) {
		a.at, a.times, a.shift = 0, a.times-1, a.shift+a.c.At[len(a.c.At)-1]+unit.Second
	}
	if a.times == 0 {
		return io.EOF
	}
	n := min(4096, len(a.c.At)-a.at)
	c.At = c.At[:0]
	for _, t := range a.c.At[a.at : a.at+n] {
		c.At = append(c.At, t+a.shift)
	}
	c.To = append(c.To[:0], a.c.To[a.at:a.at+n]...)
	a.at += n
	return nil
}

// How long the audit of a recording takes beyond reading it: a legal signal; one with a cut-out after every packet; one whose
// every one is too long.
func BenchmarkAudit(b *testing.B) {
	for _, k := range []struct{ name, more string }{{"legal", ""}, {"cutout", "cut-out 28 us 470 us\n"}, {"illegal", "one 62 us\n"}} {
		b.Run(k.name, func(b *testing.B) {
			c := layout(b, 20*unit.Second, k.more)
			b.ReportAllocs()
			edges := int64(0)
			for b.Loop() {
				o, err := Audit(context.Background(), &again{c: c, times: 10}, Settings{Resolution: 100 * unit.Nanosecond})
				if err != nil {
					b.Fatal(err)
				}
				edges += o.Changes
			}
			b.ReportMetric(float64(edges)/b.Elapsed().Seconds()/1e6, "Medges/s")
		})
	}
}
