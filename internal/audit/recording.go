package audit

import (
	"context"
	"fmt"
	"strings"

	"fettle/internal/finding"
	"fettle/internal/recording"
	"fettle/internal/unit"
	"fettle/internal/wave"
)

// looked is how many changes are looked at to say what a recording without packets looks like.
const looked = 200_000

// Recording audits a recording with its own resolution, and notes what was recognised and guessed of it. What Settings says of
// the resolution goes first.
func Recording(ctx context.Context, rec *recording.Recording, s Settings) (*Audited, error) {
	look := &looker{source: rec}
	if s.Resolution == 0 {
		s.Resolution = rec.Resolution()
	}
	a, err := Audit(ctx, look, s)
	if a == nil {
		return nil, err
	}
	about := rec.About()
	a.About = &about
	a.Impression = look.seen.Impression()
	return a, err
}

// A looker counts the intervals of the beginning.
type looker struct {
	source wave.Source
	seen   recording.Intervals
	n      int
}

func (l *looker) Next(c *wave.Changes) error {
	err := l.source.Next(c)
	if err == nil && l.n < looked {
		l.n += len(c.At)
		l.seen.Add(c)
	}
	return err
}

// Empty reports whether there is not one packet in it, valid or not, and what the recording looks like instead.
func (o *Audited) Empty() (string, bool) {
	if o.Packets.Any() {
		return "", false
	}
	if o.Changes == 0 && (o.set.From.Set || o.set.To.Set) {
		return "nothing changes between --from and --to", true
	}
	return o.Impression.String(), true
}

// slew judges the steepness of a recorded voltage (S-9.1 table 2: 2.4 V/µs from −4 V to +4 V at the station, of which a decoder
// must stand 2.0 V/µs). It was timed between the limits with which the voltage was read, at the slowest crossing.
func (o *Audited) slew(f *finding.Findings) {
	a := o.About
	if a == nil || a.Kind != recording.Difference && a.Kind != recording.OneVoltage || a.Slowest <= 0 || a.High <= a.Low {
		return
	}
	const station, decoder = 2.4e6, 2.0e6 // V/s
	swing := float64(a.High - a.Low)
	found := swing / a.Slowest.Seconds()
	least := swing / (a.Slowest + 2*o.Resolution).Seconds()
	most := absent
	if a.Slowest > 2*o.Resolution {
		most = swing / (a.Slowest - 2*o.Resolution).Seconds()
	}
	for _, l := range []struct {
		id, what string
		limit    float64
	}{{"station.slew", "edges are as steep as a station must make them", station}, {"decoder.slew", "edges are as steep as a decoder may ask for", decoder}} {
		j := finding.Judgement{ID: l.id, Subject: "edges", Requirement: l.what, Value: found, Limit: l.limit, Sense: "≥", Unit: "V/s", Margin: found/l.limit - 1,
			Source: "NMRA S-9.1 (2020), table 2", Method: fmt.Sprintf("slowest crossing of all, between %v and %v", a.Low, a.High), Verdict: finding.Holds}
		switch {
		case most < l.limit:
			j.Verdict = finding.Fails
			j.Mend = "the booster, the leads to the track, or the recorder's own bandwidth: look which"
		case least < l.limit:
			j.Verdict = finding.Close
			j.Confidence = "the recorder's samples are too far apart to say more"
		}
		f.Verdicts = append(f.Verdicts, j)
	}
}

// about says what was recognised of the recording.
func (o *Audited) about(f *finding.Findings) {
	a := o.About
	if a == nil {
		return
	}
	note := func(id, s string) { f.Notes = append(f.Notes, finding.Note{ID: id, Kind: "recording", Text: s}) }
	note("recording", fmt.Sprintf("%s, %s: %s (%s)", a.Format, a.Kind, strings.Join(a.Wires, " and "), a.Why))
	if len(a.Others) > 0 {
		note("others", "also in it: "+strings.Join(a.Others[:min(8, len(a.Others))], ", "))
	}
	for i, g := range a.Guessed {
		note(fmt.Sprintf("guessed.%d", i+1), "guessed: "+g)
	}
	note("resolution", fmt.Sprintf("a recorded time may be off by %s (%s), and so may a half-bit", micro(o.Resolution), a.Because))
	if a.Bridged > 0 {
		note("bridged", fmt.Sprintf("%s during which both rails were alike for a moment, the longest %s", count(a.Bridged, "crossing"), unit.Format(a.Slowest.Seconds(), "s", 3)))
	}
}
