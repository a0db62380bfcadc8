package audit

import (
	"cmp"
	"fmt"
	"math"
	"strings"

	"fettle/internal/dcc"
	"fettle/internal/finding"
	"fettle/internal/unit"
)

var absent = math.NaN()

// Sources of the rules.
const (
	s91   = "NMRA S-9.1 (2020), table 1"
	s92a  = "NMRA S-9.2 (2004) A"
	s92b  = "NMRA S-9.2 (2004) B"
	s92c  = "NMRA S-9.2 (2004) C"
	s921c = "NMRA S-9.2.1 (2012) C"
	s923e = "NMRA S-9.2.3 (2012) E"
)

// A spec is what is said of a rule. Those with Why are reported and decide nothing.
type spec struct {
	id, subject, requirement string
	limit                    float64 // absent: none
	sense, unit              string
	source                   string
	why                      string
	mend                     string
}

var specs = [ruleCount]spec{
	StationOne:        {"station.one", "half-bits", "a half of a one lasts 55 µs to 61 µs, as a station may send it", absent, "", "s", s91, "", "the station, or what stands between it and the rails"},
	StationDifference: {"station.one-difference", "half-bits", "the halves of a one differ by no more than a station may let them", 3e-6, "≤", "s", s91, "", ""},
	StationZero:       {"station.zero", "half-bits", "a half of a zero lasts 95 µs to 9900 µs, as a station may send it", absent, "", "s", s91, "", "the station, or what stands between it and the rails"},
	StationTotal:      {"station.zero-total", "half-bits", "both halves of a zero together last no longer than a station may let them", 12000e-6, "≤", "s", s91, "", ""},
	DecoderOne:        {"decoder.one", "half-bits", "a half of a one lasts 52 µs to 64 µs, which every decoder must accept", absent, "", "s", s91, "", "the station; until then a decoder that takes wider windows, see what a wrong clock loses"},
	DecoderDifference: {"decoder.one-difference", "half-bits", "the halves of a one differ by no more than every decoder must accept", 6e-6, "≤", "s", s91, "", ""},
	DecoderZero:       {"decoder.zero", "half-bits", "a half of a zero lasts 90 µs to 10000 µs, which every decoder must accept", absent, "", "s", s91, "", "the station; until then a decoder that takes wider windows, see what a wrong clock loses"},
	Alike:             {"bits.alike", "bits", "both halves of a bit are of one kind", absent, "", "", s91, "", ""},
	Undisturbed:       {"signal.undisturbed", "signal", "no half is too short or too long to be part of a bit", absent, "", "", s91, "", "clean rails and wheels, look for a loose contact; see the table of disturbances"},
	GapInside:         {"gaps.inside", "gaps", "the signal is never absent inside a packet or its preamble", absent, "", "", s92c, "", "a dirty contact, a booster that shuts off, or the recorder's clip"},
	GapEarly:          {"gaps.early", "gaps", "the signal goes on after an end bit", 26e-6, "≥", "s", s92c + ", note 3", "", ""},
	Preamble:          {"preamble", "packets", "ones in front of a packet, the end bit before them counted", dcc.PreambleOperations, "≥", "", s92a + " and note 3", "", ""},
	PreambleService:   {"preamble.service", "service mode", "ones in front of a packet of service mode, the end bit before them counted", dcc.PreambleService, "≥", "", s923e, "", ""},
	Framing:           {"packets.framing", "packets", "a 0 before every byte, a 1 at the end, 3 to 6 bytes", absent, "", "", s92a + ", S-9.2.1 (2012)", "", ""},
	ErrorByte:         {"packets.error-byte", "packets", "the error byte fits", absent, "", "", s92b, "", ""},
	Defined:           {"packets.defined", "packets", "a first byte of 255 makes the idle packet only", absent, "", "", s92a, "", ""},
	Often:             {"spacing.often", "spacing", "a packet begins at least every 30 ms, where nothing was lost between", 30e-3, "≤", "s", s92c, "", "idle packets from the station: after 30 ms a decoder may take the track for analogue"},
	Apart112:          {"spacing.service-like", "spacing", "packets to one of the addresses 112 to 127 keep apart", 5e-3, "≥", "s", s92c + ", note 11", "", "a packet to another decoder, or an idle one, between the two"},
	AfterReset:        {"reset.quiet", "spacing", "no first byte 100 to 127 for 20 ms after a reset packet, unless service mode is meant", 20e-3, "≥", "s", s92b, "", "idle packets before them"},
	AfterDecoderReset: {"reset.packets", "spacing", "no first byte 112 to 127 within ten packets after a decoder reset, unless service mode is meant", 10, "≥", "", s921c, "", "idle packets before them"},
	WriteTwice:        {"repeats.write", "repeats", "a CV write comes twice, with no other packet to that decoder between", 2, "≥", "", s921c, "", "the write again at once: a decoder must not obey one that comes alone"},
	ChangeTwice:       {"repeats.functions", "repeats", "a change of F13 to F28 comes at least twice", 2, "≥", "", s921c, "", ""},
	ServiceTwice:      {"service.twice", "service mode", "an instruction of service mode comes twice in a row", 2, "≥", "", s923e, "", "the instruction again at once: decoders act on the second"},
	ServiceResets:     {"service.resets", "service mode", "reset packets in front of service mode", serviceResets, "≥", "", s923e, "", ""},
	Apart: {"spacing.same-address", "spacing", "packets to one address keep apart", 5e-3, "≥", "s", s92c,
		"the rule binds the decoder, not the station: only what comes later than this must be obeyed", ""},
	Reserved: {"packets.reserved", "packets", "every packet is one that the standards define", absent, "", "", "NMRA S-9.2.1 (2012)",
		"a later edition, or a maker, may define it", ""},
	Preamble17: {"preamble.rcn", "packets", "ones in front of a packet", preambleRCN, "≥", "", "RCN-211, seen in a digest", "RCN-211 was not read, only a digest of it", ""},
	Cutout:     {"gaps.cutout", "gaps", "gaps after an end bit are feedback cut-outs: 26 µs to 32 µs after it until 454 µs to 488 µs", absent, "", "", "RCN-217, seen in a digest", "RCN-217 was not read, only a digest of it", ""},
	ChangeThrice: {"repeats.states", "repeats", "a change of F29 to F68 or of a binary state comes at least three times", 3, "≥", "", "RCN-212, seen in a digest",
		"RCN-212 was not read, only a digest of it", ""},
	ServiceFive: {"service.five", "service mode", "an instruction of service mode comes five times", servicePackets, "≥", "", s923e,
		"a station may stop as soon as the decoder acknowledges, which is a current and not in the signal", ""},
	Start20: {"start.sequence", "packets", "20 resets and 10 idle packets after a long time without signal", absent, "", "", "NMRA RP-9.2.4 A",
		"the booster may have been off while the station was not", ""},
}

// ID is the identifier of the rule in findings.
func (r Rule) ID() string { return specs[r].id }

// Findings says what was found. name is that of the recording.
func (o *Audited) Findings(name string) finding.Findings {
	f := finding.Findings{Question: "audit", Build: name}
	o.values(&f)
	for r := range ruleCount {
		if j, ok := o.judgement(r); ok {
			f.Verdicts = append(f.Verdicts, j)
		}
	}
	o.slew(&f)
	o.sweepFindings(&f)
	o.tables(&f)
	o.figures(&f)
	o.about(&f)
	o.notes(&f)
	f.Cautions = append(f.Cautions, finding.Caution{Where: "clipping a recorder to the track", Text: "both rails carry the booster's voltage against each other, and neither is earth: " +
		"an earthed instrument, or one that a computer with a mains plug earths, whose ground clip touches a rail can short the booster; so does a clip on a decoder's minus under live track. " +
		"Use an isolated or battery-powered recorder behind series resistors or an optocoupler, which its inputs need anyway: the track is 7 V to 24 V. Local rules and qualified people come first."})
	return f
}

// judgement is one rule judged; false where there was nothing to judge that anybody would ask for.
func (o *Audited) judgement(r Rule) (finding.Judgement, bool) {
	s, t := specs[r], &o.Rules[r]
	j := finding.Judgement{
		ID: s.id, Subject: s.subject, Requirement: s.requirement, Value: absent, Limit: s.limit, Sense: s.sense, Unit: s.unit, Margin: absent,
		Source: s.source, Method: "every half-bit and every packet of the recording",
	}
	switch r {
	case StationOne:
		return o.windowed(j, t, station.One, o.One, o.Ones), o.Ones > 0
	case DecoderOne:
		return o.windowed(j, t, decoder.One, o.One, o.Ones), o.Ones > 0
	case StationZero:
		return o.windowed(j, t, station.Zero, o.Zero, o.Zeros), o.Zeros > 0
	case DecoderZero:
		return o.windowed(j, t, decoder.Zero, o.Zero, o.Zeros), o.Zeros > 0
	case StationDifference, DecoderDifference:
		return o.limited(j, t, int64(o.Difference.Value), 2*o.Resolution, o.Difference.At, o.Ones), o.Ones > 0
	case StationTotal:
		return o.limited(j, t, int64(o.Total.Value), o.Resolution, o.Total.At, o.Zeros), o.Zeros > 0
	case Undisturbed:
		j.Verdict, j.Confidence, j.Mend = verdictOf(t), o.burstWords(), s.mend
		if t.Broken > 0 {
			j.Worst = clock(t.Worst.At)
		} else {
			j.Mend = ""
		}
		return j, true
	case Cutout:
		if !o.Gaps.Ends.Any() {
			return j, false
		}
		j.Verdict, j.Why = finding.Reported, s.why
		j.Confidence = fmt.Sprintf("%s of %s", grouped(o.Gaps.Cutouts), grouped(o.Gaps.Count))
		if b := o.Gaps.Begins; b.Any() {
			j.Confidence += fmt.Sprintf("; they begin %s … %s after the end bit", micro(b.Min), micro(b.Max))
		}
		j.Confidence += fmt.Sprintf("; they end %s … %s after it", micro(o.Gaps.Ends.Min), micro(o.Gaps.Ends.Max))
		if n := o.Gaps.Inferred; n > 0 {
			j.Confidence += fmt.Sprintf("; %s inferred from a level that stays, as a single wire shows them", grouped(n))
		}
		return j, true
	case GapInside:
		if o.Gaps.Count == 0 {
			return j, false
		}
		j.Verdict = verdictOf(t)
	case Often:
		if t.Judged == 0 {
			return j, false
		}
		return o.limited(j, t, int64(o.Packets.between), o.Resolution, o.Packets.at, t.Judged), true
	default:
		if t.Judged == 0 {
			return j, false
		}
		j.Verdict = verdictOf(t)
		if s.why != "" && t.Broken == 0 && r != Preamble17 {
			return j, false // a rule that decides nothing and was kept
		}
	}
	if t.Broken+t.Near > 0 {
		if s.sense != "" {
			j.Value = float64(t.Worst.Value)
			if s.unit == "s" {
				j.Value *= 1e-12
			}
			j.Margin = -math.Abs(j.Value-s.limit) / s.limit
		}
		j.Worst, j.Confidence, j.Mend = t.Worst.String(), t.where(t.Judged), s.mend
	}
	if s.why != "" {
		j.Verdict, j.Why, j.Mend = finding.Reported, s.why, ""
	}
	return j, true
}

func verdictOf(t *Tally) finding.Verdict {
	switch {
	case t.Broken > 0:
		return finding.Fails
	case t.Near > 0:
		return finding.Close
	}
	return finding.Holds
}

// windowed judges a length with a limit on either side by the side on which it comes nearer, or goes farther beyond.
func (o *Audited) windowed(j finding.Judgement, t *Tally, w dcc.Window, e Extremes, judged int64) finding.Judgement {
	value, limit, at, sense := e.Min, w.Min, e.MinAt, "≥"
	room := e.Min - w.Min
	if above := w.Max - e.Max; relative(above, w.Max) < relative(room, w.Min) {
		value, limit, at, sense, room = e.Max, w.Max, e.MaxAt, "≤", above
	}
	j.Value, j.Limit, j.Sense = value.Seconds(), limit.Seconds(), sense
	j.Margin = relative(room, limit)
	j.Verdict = o.verdict(room, o.Resolution)
	o.beyond(&j, t, at, 2*judged)
	return j
}

// limited judges a length with one limit, ≤.
func (o *Audited) limited(j finding.Judgement, t *Tally, value int64, doubt, at unit.Time, judged int64) finding.Judgement {
	j.Value = unit.Time(value).Seconds()
	room := unit.Seconds(j.Limit) - unit.Time(value)
	j.Margin = relative(room, unit.Seconds(j.Limit))
	j.Verdict = o.verdict(room, doubt)
	o.beyond(&j, t, at, judged)
	return j
}

// beyond says where it is worst, and how often it is beyond the limit.
func (o *Audited) beyond(j *finding.Judgement, t *Tally, at unit.Time, judged int64) {
	j.Worst = "the packet whose preamble begins at " + clock(at)
	if t.Broken+t.Near > 0 {
		j.Worst = t.Worst.String()
	}
	switch j.Verdict {
	case finding.Fails:
		j.Confidence = t.where(judged)
		for r := range specs {
			if specs[r].id == j.ID {
				j.Mend = specs[r].mend
			}
		}
	case finding.Close:
		j.Confidence = fmt.Sprintf("a length may be off by the recorder's %s", micro(o.Resolution))
		if t.Near > 0 {
			j.Confidence = fmt.Sprintf("%s beyond the limit by no more than the recorder may be off, %s", grouped(t.Near), micro(o.Resolution))
		}
	}
}

// verdict is that of a length with so much room to its limit, if it may be off by doubt.
func (o *Audited) verdict(room, doubt unit.Time) finding.Verdict {
	switch {
	case room < -doubt:
		return finding.Fails
	case room < 0, room < doubt:
		return finding.Close
	}
	return finding.Holds
}

func relative(room, limit unit.Time) float64 { return float64(room) / float64(limit) }

// micro says a length in microseconds, to the digits it has.
func micro(t unit.Time) string {
	if t < unit.Nanosecond && t > 0 {
		return fmt.Sprintf("%d%sps", t, unit.ThinSpace)
	}
	s := fmt.Sprintf("%.3f", float64(t)/float64(us))
	s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	return s + unit.ThinSpace + "µs"
}

func grouped(n int64) string {
	s := fmt.Sprint(n)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + unit.ThinSpace + s[i:]
	}
	return s
}

func count(n int64, what string) string {
	if n != 1 {
		what += "s"
	}
	return grouped(n) + " " + what
}

func (o *Audited) burstWords() string {
	if o.BurstCount == 0 {
		return ""
	}
	var out []string
	for _, b := range o.Bursts[:min(3, len(o.Bursts))] {
		out = append(out, fmt.Sprintf("%s for %s", clock(b.From), unit.Format((b.To-b.From).Seconds(), "s", 3)))
	}
	s := count(o.BurstCount, "disturbance") + ": " + strings.Join(out, ", ")
	if more := o.BurstCount - int64(len(out)); more > 0 {
		s += fmt.Sprintf(" and %d more", more)
	}
	return s
}

func (o *Audited) values(f *finding.Findings) {
	add := func(id, name string, x float64, u, reason string) {
		f.Values = append(f.Values, finding.Value{ID: id, Name: name, Value: x, Unit: u, Low: absent, High: absent, Reason: reason})
	}
	span := func(id, name string, e Extent, mean float64, reason string) {
		if e.Any() {
			f.Values = append(f.Values, finding.Value{ID: id, Name: name, Value: mean, Unit: "s", Low: e.Min.Seconds(), High: e.Max.Seconds(), Reason: reason,
				Method: "mean, shortest and longest"})
		}
	}
	k := &o.Packets
	add("recording.length", "length of what was judged", (o.End - o.Begin).Seconds(), "s", fmt.Sprintf("from %s to %s", clock(o.Begin), clock(o.End)))
	add("recording.changes", "changes", float64(o.Changes), "", "")
	add("packets.valid", "valid packets", float64(k.Valid()), "", k.others())
	one, zero := o.moments(0, split), o.moments(split, Linear)
	span("half.one", "half of a one", o.One.Extent, one.mean, fmt.Sprintf("standard deviation %s", micro(unit.Seconds(one.deviation))))
	reason := fmt.Sprintf("standard deviation %s", micro(unit.Seconds(zero.deviation)))
	if o.Zero.Any() && o.Zero.Max > Linear {
		reason += ", stretched ones left out of mean and deviation"
	}
	span("half.zero", "half of a zero", o.Zero.Extent, zero.mean, reason)
	for _, k := range []struct {
		id, name string
		from, to unit.Time
	}{{"half.one-sides", "first half of a one less its second", 0, split}, {"half.zero-sides", "first half of a zero less its second", split, Linear}} {
		if a, b := histogramMoments(k.from, k.to, &o.Halves[0]), histogramMoments(k.from, k.to, &o.Halves[1]); a.n > 0 && b.n > 0 {
			add(k.id, k.name, a.mean-b.mean, "s", "on average; a threshold that is not in the middle of the signal makes one side longer")
		}
	}
	for _, k := range []struct {
		id, name string
		of       func(PaceStep) (int64, unit.Time)
	}{{"half.one-drift", "drift of the mean of ones", ofOnes}, {"half.zero-drift", "drift of the mean of zeros", ofZeros}} {
		if d := o.drift(k.of); d.steps > 1 {
			f.Values = append(f.Values, finding.Value{ID: k.id, Name: k.name, Value: d.high - d.low, Unit: "s", Low: absent, High: absent,
				Reason: fmt.Sprintf("from %s to %s, means over %s each", micro(unit.Seconds(d.low)), micro(unit.Seconds(d.high)), unit.Format(o.Pace.Step.Seconds(), "s", 2))})
		}
	}
	f.Values = append(f.Values, finding.Value{ID: "direct.mean", Name: "direct voltage, of the amplitude", Value: o.Direct.Mean(), Unit: "1", Low: absent, High: absent,
		Reason: fmt.Sprintf("mean polarity; worst over 100 ms: %s, up to %s; stretched zeros make it on purpose", unit.Format(o.Direct.Worst, "1", 3), clock(o.Direct.WorstAt))})
	if o.Gaps.Count > 0 {
		add("gaps.longest", "longest gap", o.Gaps.Longest.Seconds(), "s", fmt.Sprintf("%s; this one at %s", count(o.Gaps.Count, "gap"), clock(o.Gaps.LongestAt)))
	}
}

// others are the receptions that are not valid.
func (k *Packets) others() string {
	var out []string
	for e, n := range k.Ended {
		if n > 0 && dcc.Ending(e) != dcc.EndValid {
			out = append(out, fmt.Sprintf("%s: %d", dcc.Ending(e), n))
		}
	}
	if len(out) == 0 {
		return "and nothing else"
	}
	return "not valid: " + strings.Join(out, ", ")
}

func (o *Audited) notes(f *finding.Findings) {
	note := func(id, text string, args ...any) {
		f.Notes = append(f.Notes, finding.Note{ID: id, Kind: "recording", Text: fmt.Sprintf(text, args...)})
	}
	sides := [2]string{"positive (high)", "negative (low)"}
	switch {
	case o.Turned > 0:
		note("polarity", "bits begin with the %s half in %s packets and with the %s half in %s; it changed %s: a lost edge, a gap, or the track was turned round",
			sides[0], grouped(o.First[0]), sides[1], grouped(o.First[1]), count(o.Turned, "time"))
	case o.First[0] > 0:
		note("polarity", "every bit begins with the %s half; a decoder cannot know which it is, and must not mind (S-9.1, note 1)", sides[0])
	case o.First[1] > 0:
		note("polarity", "every bit begins with the %s half; a decoder cannot know which it is, and must not mind (S-9.1, note 1)", sides[1])
	}
	if o.Packets.More > 0 {
		note("kinds", "%s more packets are of kinds that come after the first %d and are not listed", grouped(o.Packets.More), kindsKept)
	}
	if o.Gaps.Unclear > 0 {
		note("unclear", "%s in which the recording does not say what the signal was", count(o.Gaps.Unclear, "time"))
	}
	if o.set.At.Set && o.Moment == nil {
		note("at", "%s lies outside the recording, or nothing was heard before it", clock(o.set.At.T))
	}
	if len(o.set.Addresses) > 0 {
		note("narrowed", "packets, states and the sweep of receivers are those of the addresses asked for; rules were judged over everything on the track")
	}
}

func (o *Audited) tables(f *finding.Findings) {
	o.momentTable(f)
	o.burstTable(f)
	o.addressTable(f)
	o.changeTable(f)
	o.kindTable(f)
}

func text(s string) finding.Cell { return finding.Cell{Text: s, Number: absent} }

func number(n int64) finding.Cell { return finding.Cell{Text: fmt.Sprint(n), Number: absent} }

func (o *Audited) momentTable(f *finding.Findings) {
	if len(o.Moment) == 0 {
		return
	}
	t := finding.Table{ID: "moment", Title: "what decoders should have been doing at " + clock(o.set.At.T),
		Columns: []finding.Column{{Title: "address"}, {Title: "driven"}, {Title: "headlights"}, {Title: "functions on"}, {Title: "not known"}, {Title: "since"}, {Title: "told by"}}}
	for _, m := range o.Moment {
		h, on, unknown := lights(&m.Decoder)
		since := "before the recording"
		if m.Last != "" {
			since = clock(m.Since)
		}
		t.Rows = append(t.Rows, []finding.Cell{text(m.Address.String()), text(motion(&m.Decoder)), text(h), text(on), text(unknown), text(since), text(cmp.Or(m.Last, "—"))})
	}
	f.Tables = append(f.Tables, t)
	f.Notes = append(f.Notes, finding.Note{ID: "assumed", Kind: "method", Text: "a decoder is taken as it comes from the factory: 28 or 128 steps, F0 from function group one, forward normal, in no consist; " +
		"what was not said in the recording is not known"})
}

func (o *Audited) burstTable(f *finding.Findings) {
	if len(o.Bursts) == 0 {
		return
	}
	t := finding.Table{ID: "disturbances", Title: "disturbances, and what went before",
		Columns: []finding.Column{{Title: "from"}, {Title: "lasts", Unit: "s", Numeric: true}, {Title: "bad halves", Numeric: true}, {Title: "edges apart"}, {Title: "looks like"}, {Title: "packet before"}, {Title: "next packet"}}}
	for _, b := range o.Bursts {
		before := "none"
		if b.Before != nil {
			before = fmt.Sprintf("%s, ended %s before", words(dcc.Decode(b.Before, dcc.Context{})), unit.Format(max(0, b.From-b.BeforeEnd).Seconds(), "s", 3))
			if b.Cut {
				before += "; the next one was cut"
			}
		}
		after := "none"
		if b.After != 0 {
			after = clock(b.After)
		}
		t.Rows = append(t.Rows, []finding.Cell{text(clock(b.From)), {Number: (b.To - b.From).Seconds(), Unit: "s"}, number(b.Halves),
			text(micro(b.Shortest) + " … " + micro(b.Longest)), text(b.Kind()), text(before), text(after)})
	}
	if more := o.BurstCount - int64(len(o.Bursts)); more > 0 {
		t.Title += fmt.Sprintf(" (the first %d, and %d more)", len(o.Bursts), more)
	}
	f.Tables = append(f.Tables, t)
}

// Kind is what a disturbance looks like.
func (b *Burst) Kind() string {
	switch {
	case b.Shortest > reading.Zero.Max:
		return "no edges: the signal was gone, or stood still"
	case b.Halves == 1:
		return "one glitch"
	case b.Longest < 5*us:
		return "fast noise"
	case b.Longest > reading.Zero.Max:
		return "noise, and the signal gone"
	}
	return "noise"
}

const rowsShown = 40

func (o *Audited) addressTable(f *finding.Findings) {
	if len(o.Addresses) == 0 {
		return
	}
	t := finding.Table{ID: "addresses", Title: "multi-function decoders that were spoken to, and what they were told at last",
		Columns: []finding.Column{{Title: "address"}, {Title: "packets", Numeric: true}, {Title: "driven"}, {Title: "headlights"}, {Title: "functions on"}, {Title: "changes", Numeric: true}}}
	for _, a := range o.Addresses[:min(rowsShown, len(o.Addresses))] {
		h, on, _ := lights(&a.Decoder)
		t.Rows = append(t.Rows, []finding.Cell{text(a.Address.String()), number(a.Packets), text(motion(&a.Decoder)), text(h), text(on), number(a.Changed)})
	}
	if more := len(o.Addresses) - rowsShown; more > 0 {
		t.Title += fmt.Sprintf(" (%d more)", more)
	}
	f.Tables = append(f.Tables, t)
}

func (o *Audited) changeTable(f *finding.Findings) {
	type row struct {
		address dcc.Address
		Change
	}
	var rows []row
	total := int64(0)
	for _, a := range o.Addresses {
		total += a.Changed
		for _, c := range a.Changes {
			rows = append(rows, row{a.Address, c})
		}
	}
	if len(rows) == 0 {
		return
	}
	sortStable(rows, func(a, b row) int { return cmp.Compare(a.At, b.At) })
	t := finding.Table{ID: "changes", Title: "changes of speed, direction and functions",
		Columns: []finding.Column{{Title: "at"}, {Title: "address"}, {Title: "now"}, {Title: "told by"}}}
	for _, r := range rows[:min(rowsShown, len(rows))] {
		t.Rows = append(t.Rows, []finding.Cell{text(clock(r.At)), text(r.address.String()), text(r.Now), text(r.From)})
	}
	if more := total - int64(len(t.Rows)); more > 0 {
		t.Title += fmt.Sprintf(" (the first %d, and %d more)", len(t.Rows), more)
	}
	f.Tables = append(f.Tables, t)
}

func (o *Audited) kindTable(f *finding.Findings) {
	kinds := o.Packets.Kinds
	if len(kinds) == 0 {
		return
	}
	t := finding.Table{ID: "packets", Title: "packets, each in words",
		Columns: []finding.Column{{Title: "first"}, {Title: "last"}, {Title: "times", Numeric: true}, {Title: "says"}, {Title: "bytes"}}}
	for _, k := range kinds[:min(rowsShown, len(kinds))] {
		t.Rows = append(t.Rows, []finding.Cell{text(clock(k.First)), text(clock(k.Last)), number(k.Count), text(words(k.Meaning)), text(fmt.Sprintf("% X", []byte(k.Bytes)))})
	}
	if more := len(kinds) - rowsShown; more > 0 {
		t.Title += fmt.Sprintf(" (the first %d kinds, and %d more)", rowsShown, more)
	}
	f.Tables = append(f.Tables, t)
}
