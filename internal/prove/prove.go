// Package prove judges every requirement of a build over everything that varies.
//
// The worst case of each requirement is searched in the box of all part spreads, tolerances, ambient
// temperature and the joint lamp samples, then attacked by seeded samples; the claim is "no counterexample
// found in N". Computed are the samples whose estimate does not stand off the limit by three times the largest error it was caught
// in, and of the worst those that may lie beyond the claim (spread.Screen); Settings.Full: all. A sample beyond the claimed worst case is
// reported as a defect of the search, not hidden.
// The yield of the samples carries its exact binomial interval (Clopper–Pearson, 95 %).
//
// The chip's supply follows from the track at each corner; it never varies by itself.
//
// Slips are judged apart: what an accidental short at the bench kills, by what current against which rating,
// everything typical at the usual track voltage.
//
// Not judged here: edges, capacitors and drop-outs (they need the circuit in time).
package prove

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"

	"golang.org/x/sync/errgroup"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/require"
	"fettle/internal/spread"
	"fettle/internal/unit"
	"fettle/internal/wiring"
)

// Settings of a proof. The zero value is the usual one.
type Settings struct {
	Samples  int                   // of the attack; 0: 10 000
	Seed     uint64                // of the samples; 0: 1
	Full     bool                  // compute every sample, trust no estimate
	Figures  bool                  // also the figures, which cost time
	Progress func(done, total int) // of the samples; may be nil; called from one goroutine at a time
}

func (s Settings) samples() int {
	if s.Samples <= 0 {
		return 10000
	}
	return s.Samples
}

func (s Settings) seed() uint64 {
	if s.Seed == 0 {
		return 1
	}
	return s.Seed
}

// Result is the proof of a build and the networks it was made on, for drawing.
type Result struct {
	Findings finding.Findings
	Networks []*wiring.Network
}

// Prove judges the build. Values that are still open make their outputs unknown.
func Prove(ctx context.Context, b *build.Build, lamps map[string]*wiring.LampPosterior, s Settings) (Result, error) {
	res := Result{Findings: finding.Findings{Question: "prove", Build: b.Name()}}
	f := &res.Findings
	// All decoders at once: what one does on a single processor leaves room for another.
	parts, nets := make([]finding.Findings, len(b.Decoders)), make([]*wiring.Network, len(b.Decoders))
	tell := together(s.Progress, len(b.Decoders))
	g, ctx := errgroup.WithContext(ctx)
	for i := range b.Decoders {
		g.Go(func() (err error) {
			own := s
			own.Progress = tell(i)
			nets[i], err = one(ctx, &parts[i], b, &b.Decoders[i], lamps, own)
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return res, err
	}
	for i, p := range parts {
		if nets[i] != nil {
			res.Networks = append(res.Networks, nets[i])
		}
		f.Values, f.Verdicts, f.Notes = append(f.Values, p.Values...), append(f.Verdicts, p.Verdicts...), append(f.Notes, p.Notes...)
		f.Tables, f.Figures = append(f.Tables, p.Tables...), append(f.Figures, p.Figures...)
	}
	f.Verdicts = append(f.Verdicts, stock(b)...)
	for _, u := range b.Unbuilt {
		f.Verdicts = append(f.Verdicts, unknown("unbuilt."+u.What, u.What, "judged", finding.NotBuilt))
	}
	f.Cautions = Cautions(slices.ContainsFunc(b.Decoders, func(d build.Decoder) bool { return d.Supply.Single() }))
	return res, nil
}

// together tells of the progress of several as of one.
func together(tell func(done, total int), count int) func(i int) func(done, total int) {
	if tell == nil {
		return func(int) func(done, total int) { return nil }
	}
	var mu sync.Mutex
	all, totals := make([]int, count), make([]int, count)
	return func(i int) func(done, total int) {
		return func(done, total int) {
			mu.Lock()
			defer mu.Unlock()
			all[i], totals[i] = done, total
			sum, of := 0, 0
			for k := range all {
				sum, of = sum+all[k], of+max(total, totals[k])
			}
			tell(sum, of)
		}
	}
}

// one proves one decoder; nil: it cannot be wired yet.
func one(ctx context.Context, f *finding.Findings, b *build.Build, d *build.Decoder, lamps map[string]*wiring.LampPosterior, s Settings) (*wiring.Network, error) {
	n, missing, err := wiring.NewNetwork(b, d, lamps)
	if err != nil {
		return nil, err
	}
	for _, m := range missing {
		f.Verdicts = append(f.Verdicts, unknown(m.ID, m.What, "given or chosen", m.Why()))
	}
	f.Verdicts = append(f.Verdicts, unfit(b, d, lamps)...)
	f.Verdicts = append(f.Verdicts, require.Impossible(b, d)...)
	if n == nil {
		if s.Progress != nil {
			s.Progress(s.samples(), s.samples())
		}
		return nil, nil
	}
	var slips, alike finding.Table
	var beside sync.WaitGroup
	m := n.Clone()
	beside.Go(func() { slips, alike = Slips(m), LookAlikes(m, lamps) })
	err = decoder(ctx, f, n, s)
	if beside.Wait(); err != nil {
		return nil, err
	}
	f.Verdicts = append(f.Verdicts, turned(n)...)
	f.Verdicts = append(f.Verdicts, unsure(n)...)
	if f.Tables = append(f.Tables, slips); len(alike.Rows) > 0 {
		f.Tables = append(f.Tables, alike)
	}
	if s.Figures {
		f.Figures = append(f.Figures, Figures(n)...)
	}
	f.Notes = append(f.Notes, halfLight(n)...)
	for _, a := range n.Assumed {
		f.Notes = append(f.Notes, finding.Note{ID: "assumed", Kind: "assumption", Text: a})
	}
	return n, nil
}

func unknown(id, subject, requirement, why string) finding.Judgement {
	return finding.Judgement{ID: id, Subject: subject, Requirement: requirement, Verdict: finding.Unknown, Why: why,
		Value: unit.Absent[float64](), Limit: unit.Absent[float64](), Margin: unit.Absent[float64]()}
}

// unfit are the lamps that no decoder can light as they stand.
func unfit(b *build.Build, d *build.Decoder, lamps map[string]*wiring.LampPosterior) []finding.Judgement {
	var out []finding.Judgement
	for i := range d.Outputs {
		o := &d.Outputs[i]
		for _, name := range wiring.LampsOf(o) {
			key := name
			if v, ok := b.VehicleOf(d); ok {
				key = b.LampKey(v, name)
			}
			p := lamps[key]
			if p == nil || !p.Dead {
				continue
			}
			j := unknown(wiring.OutputID(b, d, o)+".lamp", "lamp "+name, "alive before anything is built", "")
			j.Verdict, j.Mend = finding.Fails, "mend or replace the lamp first; survey says what the readings show"
			out = append(out, j)
		}
	}
	return out
}

// turned are the lamps that sit the other way round than their switch drives them.
func turned(n *wiring.Network) []finding.Judgement {
	var out []finding.Judgement
	for i := range n.Outputs {
		o := &n.Outputs[i]
		for k, l := range o.Lights {
			if l.Against {
				j := unknown(require.LightID(n, i, k)+"lamp", n.Lamps[l.Lamp].Words, "sits the way round that its feed and its switch need", "")
				j.Verdict, j.Mend = finding.Fails, turnRound
				j.Mend += "; all else is judged as if that were done"
				out = append(out, j)
			}
		}
	}
	return out
}

// unsure are the lamps whose readings leave another structure open: told where one is far ahead, else unknown.
func unsure(n *wiring.Network) []finding.Judgement {
	var out []finding.Judgement
	for i := range n.Lamps {
		p := n.Lamps[i].Post
		rest := 0.0
		var words []string
		for _, r := range p.Rivals {
			if rest += r.Probability; r.Probability >= worthSaying {
				words = append(words, fmt.Sprintf("%s (%.0f %%)", r.Structure, 100*r.Probability))
			}
		}
		if rest < openFrom || len(words) == 0 {
			continue
		}
		j := unknown("lamp."+n.Lamps[i].Name+".structure", n.Lamps[i].Words, "known for what it is", fmt.Sprintf("judged as %s (%.0f %%), but the readings leave open %s", p.Structure, 100*p.Odds, strings.Join(words, ", ")))
		j.Source, j.Method, j.Worst = "survey of the readings", "evidence of each structure that a lamp may have", "the readings as they stand"
		if j.Mend = p.Decide; p.Odds >= farAhead {
			j.Verdict = finding.Reported
			if p.Decide != "" {
				j.Why += "; the reading that would decide: " + p.Decide
				j.Mend = ""
			}
		}
		out = append(out, j)
	}
	return out
}

// openFrom is the probability of other structures from which on it is said; worthSaying that of one of them; farAhead that
// of the leading one from which on the proof stands on it.
const openFrom, worthSaying, farAhead = 0.05, 0.01, 0.8

const turnRound = "change its two wires over"

// noise is how far a sample may pass the claimed worst case, as a share of the limit. Samples are solved to currents of
// 5e-7 (package require); nodes that only leakage holds follow them by microvolts.
const noise = 1e-5

func decoder(ctx context.Context, f *finding.Findings, n *wiring.Network, s Settings) error {
	set := require.For(n)
	proof, err := set.Prove(ctx, n, s.samples(), s.seed(), s.Full, s.Progress)
	if err != nil {
		return err
	}
	first := len(f.Verdicts)
	for q := range set.Requirements {
		r := &set.Requirements[q]
		w, a, samples := proof.Worst[q], proof.Goals[q], s.samples()
		yield := spread.Yield(a.Held, samples)
		j := finding.Judgement{
			ID: r.ID, Subject: r.Subject, Requirement: r.Words, Verdict: r.Judge(w.Value, 0), Value: w.Value, Limit: r.Limit, Sense: r.Sense(),
			Margin: r.Margin(w.Value), Unit: r.Unit, Worst: joinWords(r.At, w.Say(n, r)), Source: r.Source,
			Method:     fmt.Sprintf("worst case searched in the box of %d variables (%d points), attacked by %d samples (seed %d)", len(n.Vars), w.Evals, samples, s.seed()) + computed(a, samples),
			Confidence: fmt.Sprintf("no counterexample in %d samples; limit: %s", samples, r.Sure),
			Yield:      &yield,
		}
		if math.IsNaN(w.Value) {
			j.Verdict, j.Why, j.Confidence = finding.Unknown, "the circuit did not solve at a corner", ""
		}
		switch failed := yield.Samples - a.Held - a.Undefined; {
		case failed > 0:
			j.Confidence = fmt.Sprintf("%d of %d samples fail; limit: %s", failed, yield.Samples, r.Sure)
		case a.Undefined > 0:
			j.Verdict, j.Why = finding.Unknown, fmt.Sprintf("the circuit did not solve in %d of %d samples", a.Undefined, yield.Samples)
		}
		// What is nothing beside the limit is the noise of quick solutions, not a case that the search overlooked.
		beyond := a.Beyond > 0 && math.Abs(a.Extreme-w.Value) > noise*math.Abs(r.Limit)
		switch {
		case beyond && r.Slack(a.Extreme) > math.Log(require.FarAway): // so far off that the search left it: the sample counts
			j.Value, j.Margin = a.Extreme, r.Margin(a.Extreme)
		case beyond:
			j.Confidence = fmt.Sprintf("a sample went beyond the claimed worst case (%s): the search is at fault, the sample counts", unit.Format(a.Extreme, r.Unit, 4))
			j.Value, j.Margin, j.Verdict = a.Extreme, r.Margin(a.Extreme), r.Judge(a.Extreme, 0)
			f.Notes = append(f.Notes, finding.Note{ID: "search." + r.ID, Kind: "defect", Text: "Sample beyond the claimed worst case at " + r.ID + ": " + n.Say(a.BeyondZ, w.Effect, r.Output)})
		}
		if (r.Kind == require.Saturation || r.Kind == require.Level) && r.Output >= 0 && !math.IsNaN(w.Value) {
			if t := trust(n, set.One(q), w.Z); t != "" {
				j.Confidence = t + "; " + j.Confidence
			}
		}
		if name, guess := unmeasured(n, r); j.Verdict == finding.Fails && guess {
			j.Verdict = finding.Unknown
			j.Why = "lamp " + name + " was not measured: this holds for some of what it may be and fails for some"
		}
		if enough := w.Value * r.Held; j.Verdict == finding.Fails && r.Held > 0 && r.Margin(enough) >= 0 {
			j.Verdict = finding.Unknown
			j.Why = fmt.Sprintf("%s: needs the circuit in time; where the reservoir holds while the diode blocks it would be %s", finding.NotBuilt, unit.Format(enough, r.Unit, 3))
		}
		if j.Verdict == finding.Fails {
			j.Mend = mend(n, r)
		}
		if r.Kind == require.Light && r.AtLeast && against(n, r) {
			j.Verdict, j.Margin = finding.Fails, -1
			j.Why = fmt.Sprintf("nothing flows: the lamp sits the other way round; turned round it would be %s at the worst", unit.Format(w.Value, r.Unit, 3))
			j.Value, j.Mend, j.Confidence, j.Yield = 0, turnRound, "", nil
		}
		if w.Z != nil {
			j.Working = set.Explain(n, q, w.Z, w.Value)
		}
		f.Verdicts = append(f.Verdicts, j)
	}
	for _, j := range set.Unjudged {
		if j.ID == require.HoldUpID {
			j.Working = require.ExplainHoldUp(n, n.Build.Track.Usual.Or(14))
		}
		f.Verdicts = append(f.Verdicts, j)
	}
	if len(n.Build.Decoders) > 1 {
		of(f.Verdicts[first:], n.Decoder.Name.Text)
	}
	f.Values = append(f.Values, own(n, set, proof.Worst)...)
	for i := range n.Outputs {
		f.Values = append(f.Values, values(n, i, set, proof.Worst)...)
		for k := range n.Outputs[i].Lights {
			f.Verdicts = append(f.Verdicts, told(n, i, k, corner(n, set, proof.Worst, require.LightID(n, i, k)+"led-peak"))...)
		}
	}
	return nil
}

// computed says how many of the samples were computed, and how good the estimate is by which the others were counted.
func computed(a spread.Attacked, samples int) string {
	if a.Computed >= samples {
		return ""
	}
	return fmt.Sprintf(": the %d worst or in doubt by an estimate computed, which erred by %.1g %% at the most", a.Computed, 100*a.Error)
}

// unmeasured names a lamp of the requirement's output that no reading describes.
func unmeasured(n *wiring.Network, r *require.Requirement) (string, bool) {
	if r.Output < 0 {
		return "", false
	}
	for _, l := range n.Outputs[r.Output].Lights {
		if lamp := &n.Lamps[l.Lamp]; !lamp.Post.Surveyed {
			return lamp.Name, true
		}
	}
	return "", false
}

// against reports whether the lamp of the requirement sits the other way round.
func against(n *wiring.Network, r *require.Requirement) bool {
	for k, l := range n.Outputs[r.Output].Lights {
		if l.Against && strings.HasPrefix(r.ID, require.LightID(n, r.Output, k)) {
			return true
		}
	}
	return false
}

// corner is the worst corner of a requirement, or typical where there is none.
func corner(n *wiring.Network, set *require.Set, worst []require.Worst, id string) []float64 {
	for q := range set.Requirements {
		if set.Requirements[q].ID == id && worst[q].Z != nil {
			return worst[q].Z
		}
	}
	return n.Typical()
}

// own are the resistors that belong to no output, as the build has them.
func own(n *wiring.Network, set *require.Set, worst []require.Worst) []finding.Value {
	prefix := ""
	if len(n.Build.Decoders) > 1 {
		prefix = "decoder." + n.Decoder.Name.Text + "."
	}
	ceil := require.Ceiling(n.Vehicle.Scale.Text)
	var list []finding.Value
	add := func(id, words, name string, real *build.Real, z []float64) {
		reason, method := whence(real)
		list = append(list, finding.Value{ID: prefix + id, Name: words, Value: float64(n.Value(-1, name)), Unit: unit.SymOhm, Low: math.NaN(), High: math.NaN(),
			Reason: reason, Method: method, Working: require.ExplainResistor(n, -1, name, z, ceil)})
	}
	if n.Ear != nil {
		add("ear.series", "resistor of the ear", wiring.EarSeries, n.Decoder.Listen.Series.Real, corner(n, set, worst, "ear.clamp"))
	}
	if n.Zener != nil {
		add("supply.ballast", "ballast resistor", wiring.Ballast, n.Decoder.Supply.Ballast.Real, corner(n, set, worst, "supply.ballast-power"))
	}
	return list
}

// values are the resistors of an output as the build has them, each with its working at its worst corner.
func values(n *wiring.Network, i int, set *require.Set, worst []require.Worst) []finding.Value {
	o, tr := &n.Outputs[i], n.Build.Track
	high := tr.High.Or(require.Ceiling(n.Vehicle.Scale.Text))
	var list []finding.Value
	for k := range o.Resistors {
		r := &o.Resistors[k]
		z, u := n.Typical(), high
		switch r.Attr {
		case "series":
			u = tr.Usual.Or(14)
		case "load":
			u = tr.ProgrammingLow.Or(8)
		case "base":
			z = corner(n, set, worst, o.ID+".overdrive-high")
		case "level_base":
			z = corner(n, set, worst, o.ID+".level-overdrive-high")
		case "pulldown", "pullup":
			if len(o.Lights) > 0 {
				z = corner(n, set, worst, require.LightID(n, i, 0)+"dark-reset")
			}
		}
		reason, method := whence(r.Real())
		list = append(list, finding.Value{ID: o.ID + "." + r.Attr, Name: r.Words + " of " + o.Of(), Value: float64(r.Value()), Unit: unit.SymOhm, Low: math.NaN(), High: math.NaN(),
			Reason: reason, Method: method, Sure: wiring.Sure(r.Real(), n.ToleranceOf(o.Output, r.Value())), Working: require.ExplainResistor(n, i, r.Attr, z, u)})
	}
	return list
}

// whence is where a value comes from: the design, or what was fitted in its place.
func whence(r *build.Real) (reason, method string) {
	if r == nil {
		return "written in the build file", "the build file"
	}
	reason, method = "read off the part that was fitted", "as built"
	if r.Measured() {
		reason = "measured with " + r.Meter + ", " + r.Scale + ", before it was soldered in"
	}
	switch r.Designed {
	case "", "choose":
		return reason + "; the design leaves it open", method
	case build.None:
		return reason + "; the design has none", method
	}
	return reason + "; designed " + r.Designed, method
}

// told is what is reported and not judged of the lamp itself, at its brightest corner z at the standard's ceiling: the
// heat in the resistor that hides in it, whose package is not known, and what the brighter of several LEDs side by side
// takes, whose forward voltages nobody measured apart.
func told(n *wiring.Network, i, k int, z []float64) []finding.Judgement {
	light := n.Outputs[i].Lights[k]
	net := &n.Lamps[light.Lamp]
	id := require.LightID(n, i, k)
	ceil := require.Ceiling(n.Vehicle.Scale.Text)
	var op wiring.Operating
	n.Set(z)
	n.Read(n.Solve(wiring.State{LeftPositive: light.Left, Drive: wiring.On, Track: ceil, Which: n.With(i)}), &op)
	lit := op.Lamps[light.Lamp]
	heat := finding.Judgement{ID: id + "hidden-heat", Subject: "hidden resistor of " + net.Words, Requirement: "heat at the standard's ceiling", Verdict: finding.Reported,
		Value: float64(lit.Hidden) * require.LitShare(n, light), Unit: unit.SymWatt, Limit: math.NaN(), Margin: math.NaN(),
		Worst: "track " + ceil.String() + ", lamp at its brightest corner", Method: "the circuit at its brightest corner", Why: "its package is not known"}
	if lit.Hidden == 0 { // a filament has none
		return nil
	}
	if p, ok := n.Build.Catalogue.ResistorPackage("0402"); ok {
		heat.Source = p.Source
		heat.Why += fmt.Sprintf("; for comparison, a 0402 carries %s up to %s", p.P70, p.DerateFrom)
	}
	list := []finding.Judgement{heat}
	lamp := net.Post.Best
	if lamp.Parallel < 2 || !net.Post.HasLEDs() {
		return list
	}
	// Two of one batch differ by about a tenth of a volt, any two of the class by its whole spread.
	const batch = unit.Volt(0.1)
	share := func(dv unit.Volt) unit.Amp { return lamp.Brightest(lit.Through, dv, n.Ambient.Kelvin()) }
	j := finding.Judgement{ID: id + "side-by-side", Subject: "brighter LED of " + net.Words, Requirement: "peak current at the standard's ceiling", Verdict: finding.Reported,
		Value: float64(share(batch)), Unit: unit.SymAmp, Limit: math.NaN(), Margin: math.NaN(), Source: "0.1 V within one batch: common practice, no source",
		Worst: "track " + ceil.String() + ", one LED 0.1 V below the others", Method: "junction law of the lamp as surveyed, the lamp's current shared at one voltage"}
	j.Why = fmt.Sprintf("%d LEDs side by side behind one resistor pass %s together; nobody measured them apart, and if one fails the others take it all", lamp.Parallel, lit.Through)
	if low, high, ok := spreadVF(n.Build, net.Post.Class); ok {
		j.Why += fmt.Sprintf(". At the ends of their class (%s and %s) the brighter would take %s", low, high, share(high-low))
	}
	return append(list, j)
}

// spreadVF is the forward voltage that a class of LEDs may have at its test current.
func spreadVF(b *build.Build, class string) (low, high unit.Volt, ok bool) {
	for _, l := range b.Catalogue.LEDs() {
		if l.Class == class && unit.Known(l.VFmin) && unit.Known(l.VFmax) {
			if !ok {
				low, high, ok = l.VFmin, l.VFmax, true
			}
			low, high = min(low, l.VFmin), max(high, l.VFmax)
		}
	}
	return low, high, ok
}

func joinWords(a, b string) string {
	switch {
	case a == "":
		return b
	case b == "":
		return a
	}
	return a + ", " + b
}

// of says of which decoder the verdicts on supply and chip are, where there are several. Outputs have names of
// their own.
func of(js []finding.Judgement, decoder string) {
	for i := range js {
		if j := &js[i]; strings.HasPrefix(j.ID, "supply.") || strings.HasPrefix(j.ID, "chip.") || strings.HasPrefix(j.ID, "ear.") {
			j.ID = "decoder." + decoder + "." + j.ID
			j.Subject += " of decoder " + decoder
		}
	}
}

// trust says on which level a claim of saturation rests, from strict to none. Of a bipolar transistor: a point of the
// sheet's table; a test point of its gain, which bounds VCE by that point's own; the table's forced gain at a lower
// current; the gain over its spread with overdrive. The last two are engineering proofs. Of a MOSFET: a point of RDS(on)
// at a gate voltage no higher than there is.
func trust(n *wiring.Network, one *require.Set, z []float64) string {
	r := &one.Requirements[0]
	o := &n.Outputs[r.Output]
	ev := one.On(n)
	ev.Eval(z, make([]float64, 1))
	op := ev.Operating(0)
	t, x := o.Switch, &op.Out[r.Output].Switch
	if r.Kind == require.Level {
		t, x = o.Level, &op.Out[r.Output].Level
	}
	switch {
	case t == nil:
		return ""
	case o.Driver != nil && t == o.Switch:
		return "hFE of both with overdrive (engineering proof)"
	case t.FET != nil:
		return trustFET(t, x)
	case t.Prebiased():
		return trustPrebiased(t, x, op.Ambient)
	}
	ic, ib, p := x.Through, x.Drive, t.BJT
	if over := x.Overdrive(op.Ambient); t.Measured.HFE > 0 && over >= require.Overdrive {
		return fmt.Sprintf("measured by you (%s): overdrive %.1f", t.Measured, over)
	}
	for _, pt := range p.VCEsat {
		if unit.Known(pt.Max) && ic <= pt.IC && ib >= pt.IB {
			return fmt.Sprintf("table point (strict): VCE(sat) at most %s at IC %s, IB %s", pt.Max, pt.IC, pt.IB)
		}
	}
	for _, g := range p.Gain {
		if g.VCE <= 1 && g.Min > 0 && ic <= g.IC && ib >= g.IC/unit.Amp(g.Min) {
			return fmt.Sprintf("hFE test point as an upper bound (strict at 25 °C): VCE below %s by hFE at least %g at %s", g.VCE, g.Min, g.IC)
		}
	}
	over, forced := x.Overdrive(op.Ambient), float64(ic/ib)
	for _, pt := range p.VCEsat {
		if unit.Known(pt.Max) && ic <= pt.IC && forced <= float64(pt.IC/pt.IB) && over >= require.Overdrive {
			return fmt.Sprintf("same forced gain at lower current (engineering proof): %.0f, no more than the %.0f of the table point at %s", forced, float64(pt.IC/pt.IB), pt.IC)
		}
	}
	if over >= require.Overdrive {
		return fmt.Sprintf("hFE with overdrive (engineering proof): forced gain %.0f, overdrive %.1f", forced, over)
	}
	return fmt.Sprintf("none of the four levels of trust: forced gain %.0f, overdrive %.1f", forced, over)
}

func trustFET(t *wiring.Transistor, x *wiring.TransistorOperating) string {
	best, ok := t.FET.OnAt(x.Input)
	switch {
	case ok && best.Measured:
		return fmt.Sprintf("measured by you (%s): RDS(on) at most %s from VGS %s, the gate has %s", t.Measured, best.Max, best.VGS, unit.Format(float64(x.Input), unit.SymVolt, 3))
	case ok && (!unit.Known(best.ID) || x.Through <= best.ID):
		return fmt.Sprintf("table point (strict): RDS(on) at most %s from VGS %s, the gate has %s", best.Max, best.VGS, unit.Format(float64(x.Input), unit.SymVolt, 3))
	case ok:
		return fmt.Sprintf("table and physics (engineering proof): RDS(on) at most %s from VGS %s, at more current than the table's %s", best.Max, best.VGS, best.ID)
	}
	return fmt.Sprintf("typical only: the gate has %s, less than any VGS at which its sheet guarantees RDS(on)", unit.Format(float64(x.Input), unit.SymVolt, 3))
}

func trustPrebiased(t *wiring.Transistor, x *wiring.TransistorOperating, ambient unit.Celsius) string {
	if p := t.BJT; unit.Known(p.VIonMin) && x.Input >= p.VIonMin {
		return fmt.Sprintf("table point (strict, at its own current): on from %s at its input (%s), it has %s", p.VIonMin, p.VIonCond, unit.Format(float64(x.Input), unit.SymVolt, 3))
	}
	over := x.Overdrive(ambient)
	if over >= require.Overdrive {
		return fmt.Sprintf("hFE with overdrive (engineering proof): forced gain %.0f, overdrive %.1f", float64(x.Through/x.Drive), over)
	}
	return fmt.Sprintf("none of the four levels of trust: overdrive %.1f", over)
}

// halfLight says rightly what half a wave does to a lamp.
func halfLight(n *wiring.Network) []finding.Note {
	var notes []finding.Note
	for i := range n.Outputs {
		for k, l := range n.Outputs[i].Lights {
			share := l.Most
			name := n.Lamps[l.Lamp].Name
			switch {
			case l.Held() && l.Sure > 0:
				notes = append(notes, finding.Note{ID: require.LightID(n, i, k) + "half", Kind: "light", Text: fmt.Sprintf(
					"Lamp %s is fed behind a single diode: half the light is sure, all of it as far as the reservoir holds through the half-wave in which the diode blocks. What must be seen is judged by the half, what must not be passed by the whole.", name)})
				continue
			case share == 1 || share == 0:
				continue
			}
			hangs := "hangs on one rail"
			if n.Lamps[l.Lamp].Feed == build.LocalPlus {
				hangs = "has a plus from one rail alone, for the other rail is the decoder's minus"
			}
			notes = append(notes, finding.Note{ID: require.LightID(n, i, k) + "half", Kind: "light", Text: fmt.Sprintf(
				"Lamp %s %s: on DCC it gets half the current and gives half the light, which looks %.0f %% as bright by CIE 1976 lightness, %.0f %% by the power law of an extended source in the dark.",
				name, hangs, require.Lightness(share), 100*require.PowerBrightness(share, require.ExtendedSource))})
		}
	}
	return notes
}

// mend says what would free a failing requirement, in the order a builder would try.
func mend(n *wiring.Network, r *require.Requirement) string {
	if r.Output < 0 && strings.HasPrefix(r.ID, "supply.") {
		return "another " + strings.Fields(r.Subject)[0] + " with a higher rating" + map[bool]string{true: ", a lower track voltage, or less current from it", false: ""}[r.Unit == unit.SymCelsius]
	}
	if n.Single && strings.HasSuffix(r.ID, ".led-reverse") {
		lamp := n.Lamps[lampOf(n, r)].Name
		return fmt.Sprintf("a bridge, or four diodes, for the single one, which lets its rail fall below the minus by the whole track; or feed lamp %s from the rectified plus or from two diodes of its own (feed = %q); or put a diode that stands the track (1N4148) into its wire", lamp, build.LocalPlus)
	}
	if r.ID == "chip.supply-high" {
		return "a regulator of 5 V or less"
	}
	switch r.ID {
	case "ear.clamp", "ear.feeds-back":
		return "make the ear's resistor larger"
	case "ear.high", "ear.low":
		return "make the ear's resistor smaller"
	}
	if r.Output < 0 {
		return "lighten what hangs on the chip's supply, or give it more voltage"
	}
	o := &n.Outputs[r.Output]
	change := func(attr, way string) string {
		if res, ok := o.Resistor(attr); ok && res.Real() != nil {
			return fmt.Sprintf("put a %s one in for the %s of %s that is fitted (%s)", way, res.Words, o.Of(), res.Value())
		} else if ok {
			return fmt.Sprintf("make the %s of %s %s than %s, or set %s = \"choose\"", res.Words, o.Of(), way, res.Value(), attr)
		}
		words := map[string]string{"pulldown": "a pull-down", "pullup": "a pull-up", "base": "a base resistor", "level_base": "a base resistor of the level transistor", "series": "a series resistor"}[attr]
		return fmt.Sprintf("give %s %s: %s = \"choose\"", o.Of(), words, attr)
	}
	switch r.Kind {
	case require.Light:
		lamp := &n.Lamps[lampOf(n, r)]
		if strings.Contains(r.ID, ".dc-") && r.AtLeast {
			return fmt.Sprintf("a lamp on one rail is dark in one direction of DC: feed lamp %s from the rectified plus, or set dc to the direction in which it lights", lamp.Name)
		}
		if r.AtLeast {
			return change("series", "smaller")
		}
		text := change("series", "larger")
		if strings.HasSuffix(r.ID, "-peak") && !lamp.Lamp.PeakAbove.Known() {
			text += fmt.Sprintf("; or write peak_never_above if lamp %s may pass more than never_above for part of the time", lamp.Name)
		}
		return text
	case require.Answer:
		return change("load", "smaller")
	case require.Saturation, require.Level:
		attr, t := "base", o.Switch
		if r.Kind == require.Level {
			attr, t = "level_base", o.Level
		}
		switch {
		case t != nil && t.FET != nil && r.AtLeast && o.Level == nil:
			return fmt.Sprintf("another transistor for the %s, whose sheet guarantees RDS(on) at the gate voltage there is; or measure RDS(on) there on your own (rdson_measured in the drawer)", t.Words)
		case t != nil && t.FET != nil && r.AtLeast:
			return change("pullup", "larger")
		case t != nil && t.Prebiased():
			return fmt.Sprintf("another transistor for the %s: one with smaller resistors inside", t.Words)
		case r.AtLeast || r.Unit == unit.SymVolt:
			return change(attr, "smaller")
		}
		return change(attr, "larger")
	case require.Darkness:
		if strings.HasSuffix(r.ID, ".dark-off") {
			return bleed(n, r, o)
		}
		if o.Level != nil {
			return change("pullup", "smaller")
		}
		return change("pulldown", "smaller")
	}
	if strings.HasSuffix(r.ID, ".vgs") && o.Level != nil {
		return change("pullup", "smaller") + "; or give its gate a zener: clamp = \"…\""
	}
	if strings.HasSuffix(r.ID, ".series-power") || strings.HasSuffix(r.ID, ".load-pulse-heat") {
		return fmt.Sprintf("share it among two resistors: %s, or take a larger package", pairs(n, r.Output))
	}
	return fmt.Sprintf("a part with a higher rating in %s, or less current through it", o.Of())
}

// lampOf is the lamp of a requirement on an output's lamps.
func lampOf(n *wiring.Network, r *require.Requirement) int {
	o := &n.Outputs[r.Output]
	for k, l := range o.Lights {
		if strings.HasPrefix(r.ID, require.LightID(n, r.Output, k)) {
			return l.Lamp
		}
	}
	return o.Lights[0].Lamp
}

// bleed says how to keep a lamp dark that a switch's own leakage lights.
func bleed(n *wiring.Network, r *require.Requirement, o *wiring.OutputNet) string {
	if _, ok := o.Resistor("shunt"); ok {
		return "make the resistor across the lamp smaller, or set shunt = \"choose\""
	}
	return fmt.Sprintf("put a resistor across the lamp, which takes the leak: shunt = \"choose\" (common practice); or take a switch for %s whose sheet allows less leakage. Most parts leak far less than their sheet allows", o.Of())
}

// pairs says how two equal resistors make up the one that carries the lamp's current.
func pairs(n *wiring.Network, i int) string {
	for _, r := range n.Outputs[i].Resistors {
		if r.Load {
			return fmt.Sprintf("two of %s side by side or two of %s in a row", 2*r.Value(), r.Value()/2)
		}
	}
	return "two alike"
}

// stock judges whether the drawer holds what the build needs.
func stock(b *build.Build) []finding.Judgement {
	if b.Drawer == nil || len(b.Drawer.Items) == 0 {
		j := unknown("drawer", "drawer", "holds every part", "drawer.csv lists nothing yet: every part of the list is to be bought")
		j.Verdict = finding.Reported
		return []finding.Judgement{j}
	}
	var out []finding.Judgement
	for _, need := range Needs(b) {
		if need.Fitted {
			continue
		}
		j := finding.Judgement{ID: "drawer." + need.What, Subject: need.What, Requirement: "in the drawer", Unit: "", Sense: "≥",
			Value: float64(need.Have), Limit: float64(need.Count), Method: "count in drawer.csv", Source: "drawer.csv"}
		if need.Have < 0 { // plenty
			j.Value = math.Inf(1)
		}
		j.Margin = (j.Value - j.Limit) / j.Limit
		switch {
		case j.Value >= j.Limit:
			j.Verdict = finding.Holds
		default:
			j.Verdict = finding.Fails
			j.Mend = fmt.Sprintf("buy %d × %s, or choose a value the drawer holds", need.Count-need.Have, need.What)
		}
		if math.IsInf(j.Value, 1) {
			j.Value, j.Margin = unit.Absent[float64](), unit.Absent[float64]()
			j.Confidence = "plenty, the drawer says"
		}
		out = append(out, j)
	}
	return out
}

// A Need is one kind of part of the build.
type Need struct {
	What    string // "3.3 kΩ 0805", "MMBT3904"
	For     string // "output front, output rear"
	Count   int
	Have    int  // −1: plenty
	Fitted  bool // it is on the board already
	Price   unit.Price
	Package string
}

// Needs is the parts list of the build, in the order of the file.
func Needs(b *build.Build) []Need {
	var list []Need
	add := func(what, use, pack string, have int, price unit.Price, real *build.Real) {
		for i := range list {
			if list[i].What == what && list[i].Fitted == (real != nil) {
				list[i].Count++
				list[i].For += ", " + use
				return
			}
		}
		list = append(list, Need{What: what, For: use, Count: 1, Have: have, Price: price, Package: pack, Fitted: real != nil})
	}
	part := func(t build.Text, use string) {
		name := t.Text
		if name == "" {
			return
		}
		have, price, pack := 0, unit.Absent[unit.Price](), ""
		if b.Drawer != nil {
			for _, it := range b.Drawer.Items {
				if it.Part == name {
					have, price, pack = addCount(have, it.Count), it.Price, it.Package
				}
			}
		}
		add(name, use, pack, have, price, t.Real)
	}
	resistor := func(q build.Quantity[unit.Ohm], o *build.Output, attr, use string) {
		if !q.Known() {
			return
		}
		pack := wiring.PackageOf(b, o, attr)
		have, price := 0, unit.Absent[unit.Price]()
		for _, it := range wiring.OnHand(b, o, attr) {
			// What was measured came out of the bag with the nearest value.
			if off := math.Abs(float64(it.R/q.Value) - 1); off < 1e-9 || q.Real != nil && off < 0.06 {
				have, price = addCount(have, it.Count), b.Drawer.Items[it.Item].Price
			}
		}
		add(q.Value.String()+" "+pack, use, pack, have, price, q.Real)
	}
	for i := range b.Decoders {
		d := &b.Decoders[i]
		for range max(1, d.Supply.Diodes.Or(1)) {
			part(d.Supply.Rectifier, "rectifier")
		}
		part(d.Supply.Regulator, "regulator")
		part(d.Chip.Part, "chip")
		supply := &build.Output{Package: d.Supply.Package}
		resistor(d.Supply.Ballast, supply, "", "ballast")
		resistor(d.Listen.Series, supply, "", "ear")
		for k := range d.Outputs {
			o := &d.Outputs[k]
			of := " of " + o.Name.Text
			part(o.Switch, "switch"+of)
			part(o.Driver, "driver"+of)
			part(o.Level, "level"+of)
			part(o.Clamp, "clamp"+of)
			for _, r := range []struct{ attr, use string }{{"series", "series"}, {"base", "base"}, {"pulldown", "pull-down"}, {"pullup", "pull-up"}, {"level_base", "level base"}, {"between", "between"}, {"shunt", "across the lamp"}} {
				resistor(*wiring.ValueOf(o, r.attr), o, r.attr, r.use+of)
			}
		}
		if a := d.Acknowledge; a != nil {
			o := &build.Output{SeriesPackage: build.Words(a.Package.Text)}
			part(a.Switch, "switch of the acknowledgement")
			resistor(a.Load, o, "load", "load of the acknowledgement")
			resistor(a.Base, o, "base", "base of the acknowledgement")
			resistor(a.Pulldown, o, "pulldown", "pull-down of the acknowledgement")
		}
	}
	return list
}

// PartsList is the parts list as a table: what, how many, what for, in stock, price.
func PartsList(b *build.Build) finding.Table {
	none := math.NaN()
	t := finding.Table{ID: "parts", Title: "Parts", Columns: []finding.Column{{Title: "part"}, {Title: "for"}, {Title: "pieces", Numeric: true}, {Title: "in the drawer"}, {Title: "price, " + currency(b), Numeric: true}}}
	sum, priced := 0.0, true
	for _, n := range Needs(b) {
		have, v := fmt.Sprint(n.Have), finding.Holds
		switch {
		case n.Fitted:
			have = "fitted"
		case n.Have < 0:
			have = "plenty"
		case n.Have < n.Count:
			v = finding.Fails
		}
		price := finding.Cell{Text: "?", Number: none}
		if unit.Known(n.Price) {
			total := float64(n.Price) * float64(n.Count)
			sum += total
			price = finding.Cell{Text: fmt.Sprintf("%.2f", total), Number: none}
		} else {
			priced = false
		}
		t.Rows = append(t.Rows, []finding.Cell{{Text: n.What, Number: none}, {Text: n.For, Number: none}, {Text: fmt.Sprint(n.Count), Number: none}, {Text: have, Number: none, Verdict: v}, price})
	}
	total := fmt.Sprintf("%.2f", sum)
	if !priced {
		total = "more than " + total
	}
	t.Rows = append(t.Rows, []finding.Cell{{Text: "together", Number: none}, {Number: none}, {Number: none}, {Number: none}, {Text: total, Number: none}})
	return t
}

func addCount(have, more int) int {
	if have < 0 || more < 0 {
		return -1
	}
	return have + more
}

// Cautions are those of the whole road from proof to first light; each stands where the hand is. single: one diode rectifies.
func Cautions(single bool) []finding.Caution {
	minus := "Decoder minus is not a rail: an earthed instrument, or a computer, clipped there under live track shorts the booster through the rectifier."
	if single {
		minus = "Decoder minus is a rail itself behind a single diode: an earthed instrument, or a computer, clipped there under live track shorts the booster."
	}
	return []finding.Caution{
		{Where: "soldering", Text: "Ventilate or extract: the fume of flux irritates eyes and lungs and can sensitise. Cover your eyes; cut leads fly."},
		{Where: "soldering", Text: "Iron, joint and part burn long after they look cold. Solder may hold lead: wash your hands before you eat."},
		{Where: "polarity", Text: "The stripe of an aluminium electrolytic is its minus, the bar of a tantalum its plus. Connected the wrong way round it can burst in your face."},
		{Where: "first power", Text: "Only through a current limit: a bench supply set low, or a resistor of 470 Ω to 1 kΩ in the feed where there is none. Never from a supply that is not isolated from the mains."},
		{Where: "first power", Text: "A part too hot to touch is past its limit: take the power off before you look for the cause."},
		{Where: "probing", Text: "Disconnect the track before you measure resistance."},
		{Where: "probing", Text: minus},
		{Where: "programming", Text: "Off the track, always: the programmer ties decoder minus to the computer's earth."},
		{Where: "all of it", Text: "Local rules and qualified people come first."},
	}
}
