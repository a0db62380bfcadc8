package survey

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/parts"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// A valueOdds is a preferred value and how probable it is that the hidden resistor is one.
type valueOdds struct {
	r      unit.Ohm
	series string
	p      float64
}

// values lists the preferred values by probability; what is left over is no preferred value.
func (o *outcome) values() []valueOdds {
	sum := map[unit.Ohm]*valueOdds{}
	var out []*valueOdds
	for i := range o.pool.draws {
		d := &o.pool.draws[i]
		law := d.mode.resistor
		law.density(d.u[uHidden], func(k int, share float64) {
			b := &law.bands[k]
			v, ok := sum[b.r]
			if !ok {
				v = &valueOdds{r: b.r, series: b.series}
				sum[b.r] = v
				out = append(out, v)
			}
			v.p += d.w * share
		})
	}
	sort.SliceStable(out, func(i, k int) bool {
		if out[i].p != out[k].p {
			return out[i].p > out[k].p
		}
		return out[i].r < out[k].r
	})
	flat := make([]valueOdds, len(out))
	for i, v := range out {
		flat[i] = *v
	}
	return flat
}

func amp(x float64) string  { return unit.Format(x, unit.SymAmp, 3) }
func volt(x float64) string { return unit.Format(x, unit.SymVolt, 3) }
func ohm(x float64) string  { return unit.Format(x, unit.SymOhm, 3) }

// percent never says 0 or 100 of what is neither.
func percent(p float64) string {
	switch x := 100 * p; {
	case x > 99.5 && p < 1:
		return "more than 99 %"
	case x < 0.5 && p > 0:
		return "less than 1 %"
	default:
		return fmt.Sprintf("%.0f %%", x)
	}
}

// measured reports whether anything but priors speaks of the lamp.
func (o *outcome) measured() bool {
	if o.lost {
		return false
	}
	for _, v := range o.views {
		for _, a := range v.active {
			if a {
				return true
			}
		}
	}
	return len(o.m.e.marks) > 0
}

func (o *outcome) readings() string {
	n := 0
	if len(o.views) > 0 {
		n = len(o.m.counted(o.views[0].active))
	}
	if n == 1 {
		return "1 reading"
	}
	return fmt.Sprintf("%d readings", n)
}

// report puts the outcome into words and numbers.
func (o *outcome) report(b *build.Build, r *report) {
	id := "lamp." + o.name
	of := "lamp " + o.name
	note := func(kind, format string, args ...any) {
		r.Notes = append(r.Notes, finding.Note{ID: id, Kind: kind, Text: of + ": " + fmt.Sprintf(format, args...)})
	}
	r.post = &wiring.LampPosterior{Name: o.name, Structure: o.lead, Odds: 1, Dead: o.state.dead, Surveyed: o.measured()}
	o.verdicts(r, id, of)
	o.say(note)
	lead := o.hs[0].class
	if !o.state.dead && len(o.pool.modes) > 0 {
		lead = o.pool.modes[0].class
	}
	o.rate(r.post, lead)
	o.structure(r, b, id, of, note)
	if o.pool != nil {
		for _, d := range o.draws {
			r.post.Samples = append(r.post.Samples, d.mode.lamp(d.u))
		}
		if len(o.pool.modes) > 0 {
			r.post.Best = o.bestLamp()
		}
	}
	if o.state.dead {
		r.Cautions = append(r.Cautions, finding.Caution{Where: "before building", Text: of + " is dead as it stands (" + o.state.why + "). Mend it before a decoder is built for it."})
		return
	}

	method := fmt.Sprintf("posterior of %s, %.0f effective of %d weighted samples", o.readings(), o.pool.effective, len(o.pool.draws))
	if !o.measured() {
		method = "the class of LED and any resistor value; nothing was measured"
		switch {
		case o.lost:
			note("reading", "no lamp of any kind explains what was read; nothing is taken from its readings: read again")
		case !o.state.doubt:
			note("lamp", "not measured: it may hold any resistor; take a reading")
		}
	}
	if o.lead == wiring.FilamentLamp {
		o.filament(r, b, id, of, method)
	} else {
		o.hidden(r, b, id, of, method)
		o.led(r, id, of, method)
		o.besides(r, id, of, method)
	}
	o.figure(r, id, of)
	o.proposals(r, b, id, note)
	if o.pool.effective < 100 && o.measured() {
		note("method", "only %.0f effective samples stand behind its intervals: the readings leave a strange shape; one more reading will help", o.pool.effective)
	}
	if share := float64(o.m.fails) / float64(max(len(o.pool.draws), 1)); share > 0.01 {
		note("method", "%s of the trial points had no operating point and were given no weight", percent(share))
	}
}

// rate fills in the ratings of the LEDs; a filament has none.
func (o *outcome) rate(p *wiring.LampPosterior, c *class) {
	if o.lead == wiring.FilamentLamp {
		p.Class, p.Ratings = "filament", "a filament has no ratings of an LED"
		return
	}
	r := ratings(c.row)
	p.Class, p.IFmax, p.IFpeak, p.VRmax, p.Ratings = r.Class, r.IFmax, r.IFpeak, r.VRmax, r.Source
	if o.pool != nil && len(o.pool.modes) > 0 && o.pool.modes[0].back != nil {
		p.Back = ratings(o.pool.modes[0].back.row)
	}
}

func ratings(row parts.LED) wiring.LEDRatings {
	r := wiring.LEDRatings{Class: row.Class, IFmax: row.IFmax, IFpeak: row.IFpeak, VRmax: row.VRmax, Source: "class planning value for " + row.Class + " " + row.Package + ", from memory"}
	if row.Evidence("if_max_A") == parts.Read {
		r.Source = row.Source
	}
	return r
}

// worthSaying is the probability of the other structures from which on the user is asked for a reading about them.
const worthSaying = 0.02

// structure reports what the lamp is made of, what else it may be, and which reading would tell.
func (o *outcome) structure(r *report, b *build.Build, id, of string, note func(kind, format string, args ...any)) {
	nan := math.NaN()
	v := finding.Value{ID: id + ".structure", Name: "structure of " + of, Value: nan, Low: nan, High: nan, Text: o.lead.String(), Method: "evidence of every structure, from the readings"}
	switch {
	case o.state.dead && len(o.stand) == 0:
		v.Reason, v.Sure = o.state.why, percent(o.state.odds)
	case len(o.stand) == 0:
		v.Reason, v.Sure, v.Method = "the most usual; nothing was read", "not measured", "what such lamps mostly are"
		if o.m.e.lamp.Kind.IsSet() {
			v.Reason = "as the build file says; nothing was read"
		}
	default:
		lead := o.stand[0]
		r.post.Odds = lead.probability
		v.Sure = percent(lead.probability)
		v.Reason = "nothing else explains the readings"
		if o.m.e.lamp.Kind.IsSet() {
			v.Reason = "as the build file says, and nothing else explains the readings"
		}
	}
	var also []string
	others := 0.0
	for _, s := range o.rivals() {
		rival := wiring.Rival{Structure: s.structure, Probability: s.probability}
		if s.best != nil {
			rival.Best = s.best.lamp(s.best.u)
		} else {
			rival.Best = wiring.LampParams{Structure: s.structure}
		}
		r.post.Rivals = append(r.post.Rivals, rival)
		also = append(also, fmt.Sprintf("%s (%s)", s.structure, percent(s.probability)))
		others += s.probability
	}
	if len(also) > 0 {
		v.Reason = "the readings leave open: " + strings.Join(also, "; ")
	}
	r.Values = append(r.Values, v)
	if len(also) == 0 {
		return
	}
	if o.state.doubt {
		r.post.Decide = turnItRound
		return
	}
	c, ok := o.contest(b)
	if !ok {
		r.post.Decide = "no reading from outside tells them apart: open the lamp and look"
		return
	}
	r.post.Decide = c.say(o.state.turned)
	if others > worthSaying {
		note("lamp", "%s (%s), but the readings cannot decide: %s", o.lead, v.Sure, strings.Join(also, "; "))
		note("next reading", "what it is made of: %s", r.post.Decide)
	}
}

// turnItRound is what to read where no current flowed.
const turnItRound = "turn the supply round (plus at the switched side), start at the lowest voltage and read the current: if it lights now it sits the other way round, if not it is dead"

// verdicts says whether it can be lit and whether it sits the right way round.
func (o *outcome) verdicts(r *report, id, of string) {
	nan := math.NaN()
	j := func(what, requirement string) finding.Judgement {
		return finding.Judgement{ID: id + "." + what, Subject: of, Requirement: requirement, Verdict: finding.Unknown, Value: nan, Limit: nan, Margin: nan, Method: "readings"}
	}
	alive := j("alive", "can be lit")
	way := j("polarity", "sits the way round that its feed needs")
	wantTurned := o.m.e.lamp.Feed.Text == build.DecoderMinus
	switch {
	case o.state.dead:
		alive.Verdict, alive.Worst, alive.Confidence = finding.Fails, o.state.why, percent(o.state.odds)
		alive.Mend = "find the open or shorted part with the diode test, lamp by lamp, before anything is built"
		r.Verdicts = append(r.Verdicts, alive)
		return
	case o.state.doubt:
		alive.Why, way.Why = o.state.why, o.state.why
		alive.Mend = "turn the supply round and read the current again, at no more than a few milliamperes"
	case o.lost:
		alive.Why, way.Why = "no lamp of any kind explains its readings", "no lamp of any kind explains its readings"
	case o.state.known:
		alive.Verdict, alive.Confidence = finding.Holds, "current was read"
		way.Verdict, way.Confidence = finding.Holds, "seen the right way round, not tried the other"
		if o.state.tested {
			way.Confidence = "conducts one way and blocks the other"
		}
		if o.lead.BothWays() {
			way.Confidence = "its kind lights either way"
			if o.state.tested {
				way.Confidence = "conducts either way"
			}
		} else if o.state.turned != wantTurned {
			way.Verdict = finding.Fails
			way.Worst = "it conducts only with plus at " + map[bool]string{true: "the switched side", false: "its feed"}[o.state.turned]
			way.Mend = "change its two wires over"
			r.post.WrongWay = true
		}
	default:
		alive.Why, way.Why = "not measured", "not measured"
		if len(o.m.e.data) > 0 {
			alive.Why, way.Why = "no current was read through it", "no current was read through it"
		}
	}
	r.Verdicts = append(r.Verdicts, alive, way)
	text := "not known"
	switch {
	case o.state.known && o.lead.BothWays():
		text = "either"
	case o.state.known && o.state.turned:
		text = "plus at the switched side"
	case o.state.known:
		text = "plus at the feed"
	}
	reason := way.Confidence
	if reason == "" {
		reason = way.Why
	}
	r.Values = append(r.Values, finding.Value{ID: id + ".polarity", Name: "side of " + of + " that must be positive", Value: nan, Low: nan, High: nan, Text: text, Reason: reason, Method: "readings", Sure: map[bool]string{true: "seen", false: "not seen"}[o.state.known]})
	feed := o.m.e.lamp.Feed
	v := finding.Value{ID: id + ".feed", Name: "feed of " + of, Value: nan, Low: nan, High: nan, Text: feed.Text, Method: "build file", Sure: "as written",
		Reason: "as the build file says; readings between feed and switched side cannot tell one feed from another"}
	if feed.Open() {
		v.Text, v.Sure = "not known", "not said"
		v.Reason = "touch the plus of a bench supply to each rail in turn, minus to the lamp's pin: where it lights is its feed"
	}
	r.Values = append(r.Values, v)
}

// both notes which currents speak for a structure that is not the usual one.
func (o *outcome) both(note func(kind, format string, args ...any)) {
	if o.lead == wiring.PlainLamp || o.lead == wiring.DiodeBoard || len(o.stand) == 0 {
		return
	}
	sh := o.m.shape(o.views[0].active)
	at := func(p point) string { return fmt.Sprintf("%s at %s", amp(p.i), volt(p.v)) }
	var forth, back *point
	for i := range sh.points {
		p := &sh.points[i]
		if p.back != o.state.turned && (back == nil || p.v > back.v) {
			back = p
		} else if p.back == o.state.turned && (forth == nil || p.v > forth.v) {
			forth = p
		}
	}
	switch {
	case o.lead == wiring.LeakingLamp:
		leak := o.pool.quantile(func(d *draw) float64 { return float64(d.mode.lamp(d.u).Leak) }, 0.5)[0]
		where := ""
		switch {
		case back != nil:
			where = fmt.Sprintf("it passes %s the wrong way round, where an LED passes none: ", at(*back))
		case sh.low:
			where = fmt.Sprintf("it passes %s, where an LED passes none: ", at(sh.points[0]))
		}
		note("lamp", "%sa leak of about %s across its LED; it gives light, but less at small currents. An LED that leaks has been hurt, by reverse voltage or by heat, and gets worse", where, unit.Format(leak, unit.SymOhm, 2))
	case o.lead.BothWays() && forth != nil && back != nil:
		note("lamp", "it conducts either way (%s, and turned round %s): %s", at(*forth), at(*back), o.lead)
	case o.lead.Limited() && sh.top > 0:
		note("lamp", "above %s its current hardly rises: %s", at(sh.points[len(sh.points)-1]), o.lead)
	}
}

// say notes what was left out, and why, and what the markings are worth.
func (o *outcome) say(note func(kind, format string, args ...any)) {
	e := o.m.e
	name := func(i int) string { return "reading " + e.readings[i].ID }
	for _, x := range e.out {
		slip := ""
		if b, ok := o.banned[x.reading]; ok && b.slip != "" && b.slipOdds > 0.5 {
			slip = ". Likeliest slip: " + b.slip
		}
		note("reading", "%s is left out: %s%s", name(x.reading), x.why, slip)
	}
	for _, s := range e.notes {
		note("reading", "%s", s)
	}
	switch {
	case o.state.dead:
		note("lamp", "dead: %s", o.state.why)
		return
	case o.state.doubt:
		note("lamp", "%s", o.state.why)
	case o.state.turned && !o.lead.BothWays():
		note("lamp", "it conducts only with plus at its switched side")
	}
	o.both(note)
	views := o.views
	if len(views) == 0 {
		return
	}
	var total float64
	for _, v := range views {
		total += math.Exp(v.score - views[0].score)
	}
	for i, v := range views {
		p := math.Exp(v.score-views[0].score) / total
		for _, x := range v.out {
			s := name(x.reading) + " does not fit"
			if x.says != "" {
				s += ": " + x.says
			}
			if x.slip != "" && x.slipOdds > 0.5 {
				s += fmt.Sprintf(". Likeliest slip: %s; then it fits to %.1f deviations", x.slip, x.slipFit)
			} else {
				s += ". No simple slip (decimal point, prefix, swapped digits, supply turned round) makes it fit"
			}
			if len(views) > 1 {
				s += fmt.Sprintf(". The readings do not say for certain which is wrong (this one: %s); every view is kept among the samples by its odds", percent(p))
			} else {
				s += ". It is left out"
			}
			note("reading", "%s", s)
		}
		if len(views) > 1 && len(v.out) == 0 {
			note("reading", "all readings together: %s", percent(p))
		}
		if i == 0 && o.m.blur > 1 {
			note("reading", "the readings scatter more than their meters admit, and leaving out no single one mends it; all errors are taken %.1f times as large", o.m.blur)
		}
	}
	if len(e.marks) > 0 && o.pool != nil {
		for i, mk := range e.marks {
			var p float64
			for k, md := range o.pool.modes {
				if md.trust == i {
					p += o.pool.share[k]
				}
			}
			if len(e.data) == 0 {
				continue
			}
			if p < 0.05 {
				note("reading", "the marking %q (%s, from %s) does not fit what was measured: misread, or not the only resistor", mk.text, mk.r, mk.from)
			} else {
				note("reading", "the marking %q (%s ±%.0f %%) agrees with what was measured (%s)", mk.text, mk.r, 100*mk.tol, percent(p))
			}
		}
	}
}

// hidden reports the resistor.
func (o *outcome) hidden(r *report, b *build.Build, id, of, method string) {
	q := o.pool.quantile(func(d *draw) float64 { return d.u[uHidden] }, 0.025, 0.5, 0.975)
	v := finding.Value{ID: id + ".hidden", Name: "hidden resistor of " + of, Value: math.Exp(q[1]), Low: math.Exp(q[0]), High: math.Exp(q[2]), Unit: unit.SymOhm, Method: method, Sure: "95 %"}
	odds := o.values()
	t := finding.Table{ID: id + ".preferred", Title: "Preferred values of the hidden resistor of " + of, Columns: []finding.Column{
		{Title: "value", Numeric: true}, {Title: "series"}, {Title: "probability", Numeric: true}}}
	left := 1.0
	for i, p := range odds {
		left -= p.p
		if i < 6 && p.p > 0.005 || i == 0 {
			t.Rows = append(t.Rows, []finding.Cell{{Number: float64(p.r), Unit: unit.SymOhm, Digits: 2}, {Text: p.series, Number: math.NaN()}, {Number: p.p, Unit: unit.SymRatio, Digits: 2}})
		}
	}
	if left > 0.005 {
		t.Rows = append(t.Rows, []finding.Cell{{Text: "none of them", Number: math.NaN()}, {Text: "–", Number: math.NaN()}, {Number: left, Unit: unit.SymRatio, Digits: 2}})
	}
	switch {
	case len(odds) == 0:
		v.Reason = "no preferred value lies near"
	case odds[0].p > 0.5:
		v.Reason = fmt.Sprintf("a preferred value of %s is the likeliest (%s)", odds[0].r, percent(odds[0].p))
	case len(odds) > 1 && o.measured():
		v.Reason = fmt.Sprintf("%s (%s) and %s (%s) are the likeliest preferred values", odds[0].r, percent(odds[0].p), odds[1].r, percent(odds[1].p))
	default:
		v.Reason = "nothing narrows it down"
	}
	v.Working = o.working(b, v, t)
	r.Values = append(r.Values, v)
	r.Tables = append(r.Tables, t)
}

// working shows the hand estimate beside what the circuit gave.
func (o *outcome) working(b *build.Build, v finding.Value, t finding.Table) *finding.Working {
	w := &finding.Working{Title: "Hidden resistor of lamp " + o.name, Hand: math.NaN(), Solver: v.Value, Unit: unit.SymOhm, Table: &t}
	nan := math.NaN()
	var lo, hi *datum
	if len(o.views) > 0 {
		for k := range o.m.e.data {
			d := &o.m.e.data[k]
			if !o.views[0].active[k] || !d.conducts() || len(d.levels) != 1 {
				continue
			}
			if lo == nil || d.shown-d.others < lo.shown-lo.others {
				lo = d
			}
			if hi == nil || d.shown-d.others > hi.shown-hi.others {
				hi = d
			}
		}
	}
	md := o.pool.modes[0]
	switch {
	case o.lead.Limited() || o.lead == wiring.LeakingLamp:
		w.Steps = append(w.Steps, finding.Step{Say: "by hand the resistor does not come out of two currents here: not it alone decides them", Result: nan})
		w.Difference = "no hand estimate is possible"
	case lo != nil && hi != lo && (hi.shown-hi.others) > 1.2*(lo.shown-lo.others):
		du, di := math.Abs(hi.track)-math.Abs(lo.track), (hi.shown-hi.others)-(lo.shown-lo.others)
		slope := du / di
		w.Steps = append(w.Steps,
			finding.Step{Say: "the two readings farthest apart", Formula: "R = ΔU/ΔI", With: fmt.Sprintf("(%s − %s)/(%s − %s)", volt(math.Abs(hi.track)), volt(math.Abs(lo.track)), amp(hi.shown-hi.others), amp(lo.shown-lo.others)), Result: slope, Unit: unit.SymOhm})
		w.Hand = slope
		if hi.burden > 0 {
			w.Hand -= hi.burden
			w.Steps = append(w.Steps, finding.Step{Say: "less the ammeter's own resistance", Formula: "R − Rburden", With: fmt.Sprintf("%s − %s", ohm(slope), ohm(hi.burden)), Result: w.Hand, Unit: unit.SymOhm, Source: hi.spec.Source})
		}
		at := o.bestLamp().Junction()
		dv := float64(at.Voltage(unit.Amp(hi.shown-hi.others), fitKelvin) - at.Voltage(unit.Amp(lo.shown-lo.others), fitKelvin))
		w.Difference = fmt.Sprintf("the LED's own voltage rises by some %s between the two, which by hand counts as %s of resistance; the rest is the errors of the readings in between", volt(dv), ohm(dv/di))
	case hi != nil:
		v0 := float64(md.s)*md.class.vPivot + boardDrop*float64(md.structure.Drops())
		i := hi.shown - hi.others
		w.Hand = (math.Abs(hi.track)-v0)/i - hi.burden
		w.Steps = append(w.Steps, finding.Step{Say: "the only reading, with the LED's voltage as its class has it", Formula: "R = (U − UF)/I − Rburden",
			With: fmt.Sprintf("(%s − %s)/%s − %s", volt(math.Abs(hi.track)), volt(v0), amp(i), ohm(hi.burden)), Result: w.Hand, Unit: unit.SymOhm, Source: md.class.row.Source})
		w.Difference = "by hand the LED is exactly its class's typical one; the circuit lets it scatter as the class does"
	default:
		w.Steps = append(w.Steps, finding.Step{Say: "no two currents to take a slope from", Result: nan})
		w.Difference = "no hand estimate is possible"
	}
	w.Steps = append(w.Steps, finding.Step{Say: "the circuit of the bare vehicle, solved for every reading and weighed with all meter errors", Result: v.Value, Unit: unit.SymOhm})
	w.Sources = append(w.Sources, "preferred values: IEC 60063 (from memory)", "LED: "+md.class.row.Source)
	return w
}

// led reports the LED and how many there are.
func (o *outcome) led(r *report, id, of, method string) {
	const at = unit.Amp(2e-3)
	q := o.pool.quantile(func(d *draw) float64 { return float64(d.mode.lamp(d.u).LED.Voltage(at, fitKelvin)) }, 0.025, 0.5, 0.975)
	md := o.pool.modes[0]
	r.Values = append(r.Values, finding.Value{ID: id + ".led", Name: "forward voltage of one LED of " + of + " at 2 mA", Value: q[1], Low: q[0], High: q[2], Unit: unit.SymVolt,
		Reason: "class " + md.class.name + ", moved to where the readings want it", Method: method, Sure: "95 %"})

	type key struct{ s, p int }
	odds := map[key]float64{}
	classes := map[string]float64{}
	var keys []key
	var names []string
	for i, m := range o.pool.modes {
		k := key{m.s, m.p}
		if _, ok := odds[k]; !ok {
			keys = append(keys, k)
		}
		odds[k] += o.pool.share[i]
		if _, ok := classes[m.class.name]; !ok {
			names = append(names, m.class.name)
		}
		classes[m.class.name] += o.pool.share[i]
	}
	sort.SliceStable(keys, func(i, k int) bool { return odds[keys[i]] > odds[keys[k]] })
	words := func(k key) string {
		s := "1 LED"
		if k.s > 1 {
			s = fmt.Sprintf("%d LEDs in series", k.s)
		}
		if k.p > 1 {
			s += fmt.Sprintf(", %d of these side by side", k.p)
			if k.s == 1 {
				s = fmt.Sprintf("%d LEDs side by side", k.p)
			}
		}
		return s
	}
	var also []string
	for _, k := range keys[1:] {
		if odds[k] > 0.005 && len(also) < 3 {
			also = append(also, fmt.Sprintf("%s: %s", words(k), percent(odds[k])))
		}
	}
	if lost := md.short; lost > 0 {
		nan := math.NaN()
		r.Verdicts = append(r.Verdicts, finding.Judgement{ID: id + ".sound", Subject: of, Requirement: "every LED of it gives light", Verdict: finding.Fails, Value: nan, Limit: nan, Margin: nan, Method: "readings",
			Worst: fmt.Sprintf("the build file has %d LEDs in series, the readings %d: %d shorted", md.s+lost, md.s, lost), Confidence: percent(o.pool.shareOf(func(m *mode) bool { return m.short > 0 })),
			Mend: "seek the dark one; the others take more current than they were meant to"})
	}
	v := finding.Value{ID: id + ".junctions", Name: "junctions of " + of, Value: math.NaN(), Low: math.NaN(), High: math.NaN(), Text: words(keys[0]), Method: method, Sure: percent(odds[keys[0]])}
	lamp := o.m.e.lamp
	switch {
	case lamp.Series > 0 && lamp.Parallel > 0:
		v.Reason, v.Sure = "as the build file says", "as written"
	case len(also) > 0:
		v.Reason = "also possible: " + strings.Join(also, "; ")
	default:
		v.Reason = "nothing else explains the readings"
	}
	if lamp.Parallel == 0 {
		v.Reason += ". LEDs side by side behind one resistor look from outside like one LED of slightly lower voltage: only opening the lamp, or seeing two lights, tells (then write parallel = 2)"
	}
	r.Values = append(r.Values, v)
	if lamp.LEDs.Text == "" && len(names) > 0 {
		sort.SliceStable(names, func(i, k int) bool { return classes[names[i]] > classes[names[k]] })
		var all []string
		for _, n := range names[:min(len(names), 4)] {
			if classes[n] > 0.01 {
				all = append(all, fmt.Sprintf("%s %s", n, percent(classes[n])))
			}
		}
		r.Values = append(r.Values, finding.Value{ID: id + ".class", Name: "class of LED of " + of, Value: math.NaN(), Low: math.NaN(), High: math.NaN(), Text: names[0],
			Reason: "the colour is not said; by its voltage: " + strings.Join(all, ", "), Method: method, Sure: percent(classes[names[0]])})
	}
}

// quantity reports a number of the lamp with its interval.
func (o *outcome) quantity(r *report, id, name, sym, reason, method string, f func(p wiring.LampParams) float64) {
	q := o.pool.quantile(func(d *draw) float64 { return f(d.mode.lamp(d.u)) }, 0.025, 0.5, 0.975)
	r.Values = append(r.Values, finding.Value{ID: id, Name: name, Value: q[1], Low: q[0], High: q[2], Unit: sym, Reason: reason, Method: method, Sure: "95 %"})
}

// besides reports what the structure has beyond resistor and LEDs.
func (o *outcome) besides(r *report, id, of, method string) {
	switch {
	case o.lead == wiring.AntiParallelLamp:
		md := o.pool.modes[0]
		o.quantity(r, id+".back", "forward voltage of one LED of "+of+" the other way round, at 2 mA", unit.SymVolt, "class "+md.back.name+", moved to where the readings want it", method,
			func(p wiring.LampParams) float64 { return float64(p.Back.Voltage(2e-3, fitKelvin)) })
	case o.lead.Limited():
		o.quantity(r, id+".limit", "current that the board of "+of+" lets its LEDs have", unit.SymAmp, "where the current stops rising with the voltage", method,
			func(p wiring.LampParams) float64 { return float64(p.Limit) })
		o.quantity(r, id+".own", "current that the regulator of "+of+" takes for itself", unit.SymAmp, "what flows below the LED's knee; it gives no light", method,
			func(p wiring.LampParams) float64 { return float64(p.Own) })
	case o.lead == wiring.LeakingLamp:
		o.quantity(r, id+".leak", "leak across the LED of "+of, unit.SymOhm, "what flows where an LED passes nothing", method,
			func(p wiring.LampParams) float64 { return float64(p.Leak) })
		nan := math.NaN()
		leak := r.Values[len(r.Values)-1]
		r.Verdicts = append(r.Verdicts, finding.Judgement{ID: id + ".sound", Subject: of, Requirement: "its LED blocks below its knee", Verdict: finding.Fails, Value: nan, Limit: nan, Margin: nan, Method: "readings",
			Worst: fmt.Sprintf("a leak of %s … %s lies across it", ohm(leak.Low), ohm(leak.High)), Confidence: percent(o.stand[0].probability),
			Mend: "clean flux and damp off the lamp and read again; if it stays, replace the LED"})
	}
}

// filament reports a filament: cold, lit and at the first instant.
func (o *outcome) filament(r *report, b *build.Build, id, of, method string) {
	usual := b.Track.Usual.Or(12)
	at := " at " + usual.String()
	o.quantity(r, id+".cold", "cold resistance of "+of, unit.SymOhm, "what its warm resistance at several voltages leaves for it", method,
		func(p wiring.LampParams) float64 { return float64(p.Filament.Cold) })
	o.quantity(r, id+".hot", "resistance of "+of+" lit"+at, unit.SymOhm, "voltage over current, warm", method,
		func(p wiring.LampParams) float64 {
			return float64(usual.Through(p.Filament.Current(usual, fitKelvin)))
		})
	o.quantity(r, id+".lit", "current of "+of+" lit"+at, unit.SymAmp, "warm; it follows about the square root of the voltage", method,
		func(p wiring.LampParams) float64 { return float64(p.Filament.Current(usual, fitKelvin)) })
	o.quantity(r, id+".inrush", "current of "+of+" in the first instant"+at, unit.SymAmp, "cold: whatever switches it must stand this for some milliseconds", method,
		func(p wiring.LampParams) float64 { return float64(p.Filament.Inrush(usual, fitKelvin)) })
}

// Points of the figure.
const (
	curvePoints = 40
	shadePoints = 20
	shadeDraws  = 96
)

// figure plots the lamp's current against the voltage across it.
func (o *outcome) figure(r *report, id, of string) {
	bare, err := o.m.hook(o.lead)
	if err != nil {
		return
	}
	bare.Solver.SetTemperature(fitKelvin)
	f := finding.Figure{ID: id + ".curve", Title: "Current of " + of, X: finding.Axis{Quantity: "voltage across the lamp, feed to switched side", Unit: unit.SymVolt}, Y: finding.Axis{Quantity: "current", Unit: unit.SymAmp}}
	most := 12.0
	pts := finding.Points{Label: "readings, with the meters' specification as bars"}
	waves := false
	out := map[int]bool{}
	if len(o.views) > 0 {
		for _, x := range o.views[0].out {
			out[x.reading] = true
		}
	}
	for k := range o.m.e.data {
		d := &o.m.e.data[k]
		if d.what != ofCurrent || o.state.doubt {
			continue
		}
		if len(d.levels) != 1 {
			waves = true
			continue
		}
		sign := 1.0
		if o.state.turned {
			sign = -1
		}
		i, u := d.shown-d.others, sign*d.track
		if u < 0 {
			i = -i
		}
		u -= math.Copysign(d.burden*d.shown, u)
		ei := d.spec.Bound(d.shown)
		gv := 0.0
		if d.trackGain >= 0 {
			gv = o.m.e.nuisance[d.trackGain].bound
		}
		eu := gv*math.Abs(d.track) + math.Sqrt(3)*d.trackSD
		pts.X, pts.Y = append(pts.X, u), append(pts.Y, i)
		pts.XLow, pts.XHigh = append(pts.XLow, u-eu), append(pts.XHigh, u+eu)
		pts.YLow, pts.YHigh = append(pts.YLow, i-ei), append(pts.YHigh, i+ei)
		pts.Excluded = append(pts.Excluded, out[d.reading])
		if !out[d.reading] {
			most = math.Max(most, 1.1*math.Abs(d.track))
		}
	}
	least := 0.0
	if o.lead.BothWays() || o.lead == wiring.LeakingLamp {
		least = -most
		if o.lead == wiring.LeakingLamp {
			least = -mostReverse
		}
	}
	curve := func(lamp wiring.LampParams, n int) (x, y []float64) {
		bare.Lamp.Set(bare.Solver, lamp)
		for i := 0; i <= n; i++ {
			u := least + (most-least)*float64(i)/float64(n)
			bare.Solve(unit.Volt(u))
			i := float64(bare.Current())
			if math.Abs(i) < 1e-12 { // the solver's own tolerance
				i = 0
			}
			x, y = append(x, u), append(y, i)
		}
		return x, y
	}
	x, y := curve(o.bestLamp(), curvePoints)
	f.Curves = []finding.Curve{{Label: "most probable lamp", X: x, Y: y}}
	n := min(shadeDraws, len(o.draws))
	ys := make([][]float64, shadePoints+1)
	var sx []float64
	for _, d := range o.draws[:n] {
		var y []float64
		sx, y = curve(d.mode.lamp(d.u), shadePoints)
		for i := range y {
			ys[i] = append(ys[i], y[i])
		}
	}
	s := finding.Shade{Label: "95 % of what the readings leave possible", X: sx, Curve: 0}
	for i := range ys {
		sort.Float64s(ys[i])
		k := len(ys[i]) * 25 / 1000
		s.Low, s.High = append(s.Low, ys[i][k]), append(s.High, ys[i][len(ys[i])-1-k])
	}
	f.Shades = []finding.Shade{s}
	if len(pts.X) > 0 {
		f.Points = []finding.Points{pts}
	}
	f.Caption = "What the lamp draws on smooth DC, meters out of the way."
	if len(out) > 0 {
		f.Caption += " Hollow: left out, does not fit."
	}
	if waves {
		f.Caption += " Readings on pulses or half-waves are means and have no place on this curve; they count all the same."
	}
	r.Figures = append(r.Figures, f)
}

func (o *outcome) bestLamp() wiring.LampParams {
	md := o.pool.modes[0]
	return md.lamp(o.pool.mean(md))
}

// proposals says which reading would tell most.
func (o *outcome) proposals(r *report, b *build.Build, id string, note func(kind, format string, args ...any)) {
	if o.state.doubt {
		note("next reading", turnItRound)
		return
	}
	all := o.next(b)
	if len(all) == 0 {
		return
	}
	column := "resistor then"
	if o.lead == wiring.FilamentLamp {
		column = "cold then"
	}
	t := finding.Table{ID: id + ".next", Title: "Readings not taken yet, by what they would tell", Columns: []finding.Column{
		{Title: "reading"}, {Title: "to expect", Numeric: true}, {Title: "±", Numeric: true}, {Title: "tells, bit", Numeric: true}, {Title: column, Numeric: true}}}
	q := o.pool.quantile(func(d *draw) float64 { return d.u[uHidden] }, 0.025, 0.975)
	now := (q[1] - q[0]) / 2
	// Of each kind the best, of currents the best two: at neighbouring voltages they tell the same.
	left := map[quality]int{ofCurrent: 2, ofDrop: 1, ofResistance: 1}
	for _, p := range all {
		if left[p.what]--; left[p.what] < 0 {
			continue
		}
		t.Rows = append(t.Rows, []finding.Cell{{Text: p.say, Number: math.NaN()}, {Number: p.expect, Unit: p.symbol()}, {Number: p.spread, Unit: p.symbol(), Digits: 2},
			{Text: fmt.Sprintf("%.1f", p.bits), Number: p.bits}, {Text: fmt.Sprintf("±%.1f %%", 196*p.narrowed), Number: p.narrowed}})
	}
	r.Tables = append(r.Tables, t)
	what := "the hidden resistor"
	if o.lead == wiring.FilamentLamp {
		what = "its cold resistance"
	}
	tell := func(p proposal) string {
		return fmt.Sprintf("%s: expect %s ± %s; "+what+" would then be known to ±%.1f %% (now ±%.1f %%)", p.say,
			unit.Format(p.expect, p.symbol(), 3), unit.Format(p.spread, p.symbol(), 2), 196*p.narrowed, 100*now)
	}
	best := all[0]
	if best.bits < 0.2 && o.measured() {
		note("next reading", "no further reading would tell much; most still: %s", tell(best))
		return
	}
	note("next reading", "%s", tell(best))
	if best.what != ofCurrent {
		for _, p := range all {
			if p.what == ofCurrent {
				note("next reading", "from outside, without opening it: %s", tell(p))
				break
			}
		}
	}
}
