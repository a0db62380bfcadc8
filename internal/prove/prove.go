// Package prove judges every requirement of a build over everything that varies.
//
// The worst case of each requirement is searched in the box of all part spreads, tolerances, ambient
// temperature and the joint lamp samples, then attacked by seeded samples; the claim is "no counterexample
// found in N": all samples for what holds by less than a factor of 1.5, every tenth for what holds by more
// (Settings.Full: all). A
// sample beyond the claimed worst case is reported as a defect of the search, not hidden.
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
	"strings"

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
	Full     bool                  // attack every requirement with all samples
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
	for i := range b.Decoders {
		d := &b.Decoders[i]
		n, missing, err := wiring.NewNetwork(b, d, lamps)
		if err != nil {
			return res, err
		}
		for _, m := range missing {
			f.Verdicts = append(f.Verdicts, unknown(m.ID, m.What, "given or chosen", m.Why()))
		}
		f.Verdicts = append(f.Verdicts, unfit(b, d, lamps)...)
		if n == nil {
			continue
		}
		res.Networks = append(res.Networks, n)
		if err := decoder(ctx, f, n, s); err != nil {
			return res, err
		}
		f.Tables = append(f.Tables, Slips(n))
		if s.Figures {
			f.Figures = append(f.Figures, Figures(n)...)
		}
		f.Notes = append(f.Notes, halfLight(n)...)
		for _, a := range n.Assumed {
			f.Notes = append(f.Notes, finding.Note{ID: "assumed", Kind: "assumption", Text: a})
		}
	}
	f.Verdicts = append(f.Verdicts, stock(b)...)
	for _, u := range b.Unbuilt {
		f.Verdicts = append(f.Verdicts, unknown("unbuilt."+u.What, u.What, "judged", finding.NotBuilt))
	}
	f.Cautions = Cautions()
	return res, nil
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
		p := lamps[o.Lamp.Text]
		if p == nil || !p.Dead && !p.WrongWay {
			continue
		}
		j := unknown(wiring.OutputID(b, d, o)+".lamp", "lamp "+o.Lamp.Text, "alive before anything is built", "")
		j.Verdict, j.Mend = finding.Fails, "mend or replace the lamp first; survey says what the readings show"
		if p.WrongWay {
			j.Requirement = "sits the way round that its feed needs"
			j.Mend = "change its two wires over; all else is judged as if that were done"
		}
		out = append(out, j)
	}
	return out
}

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
		w, a, samples := proof.Worst[q], proof.Goals[q], proof.Samples[q]
		yield := spread.Yield(a.Held, samples)
		j := finding.Judgement{
			ID: r.ID, Subject: r.Subject, Requirement: r.Words, Verdict: r.Judge(w.Value, 0), Value: w.Value, Limit: r.Limit, Sense: r.Sense(),
			Margin: r.Margin(w.Value), Unit: r.Unit, Worst: joinWords(r.At, w.Say(n, r)), Source: r.Source,
			Method:     fmt.Sprintf("worst case searched in the box of %d variables (%d points), attacked by %d samples (seed %d)", len(n.Vars), w.Evals, samples, s.seed()),
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
		if a.Beyond > 0 && math.Abs(a.Extreme-w.Value) > noise*math.Abs(r.Limit) {
			j.Confidence = fmt.Sprintf("a sample went beyond the claimed worst case (%s): the search is at fault, the sample counts", unit.Format(a.Extreme, r.Unit, 4))
			j.Value, j.Margin, j.Verdict = a.Extreme, r.Margin(a.Extreme), r.Judge(a.Extreme, 0)
			f.Notes = append(f.Notes, finding.Note{ID: "search." + r.ID, Kind: "defect", Text: "Sample beyond the claimed worst case at " + r.ID + ": " + n.Say(a.BeyondZ, w.Effect, r.Output)})
		}
		if r.Kind == require.Saturation && r.Output >= 0 && !math.IsNaN(w.Value) {
			j.Confidence = trust(n, set.One(q), w.Z) + "; " + j.Confidence
		}
		if j.Verdict == finding.Fails && r.Output >= 0 && !n.Outputs[r.Output].Post.Surveyed {
			j.Verdict = finding.Unknown
			j.Why = "lamp " + n.Outputs[r.Output].LampName + " was not measured: this holds for some of what it may be and fails for some"
		}
		if j.Verdict == finding.Fails {
			j.Mend = mend(n, r)
		}
		if r.Kind == require.Light && r.AtLeast && n.Outputs[r.Output].Post.WrongWay {
			j.Verdict, j.Margin = finding.Fails, -1
			j.Why = fmt.Sprintf("nothing flows: the lamp sits the other way round; turned round it would be %s at the worst", unit.Format(w.Value, r.Unit, 3))
			j.Value, j.Mend, j.Confidence, j.Yield = 0, "change its two wires over", "", nil
		}
		if w.Z != nil {
			j.Working = set.Explain(n, q, w.Z, w.Value)
		}
		f.Verdicts = append(f.Verdicts, j)
	}
	f.Verdicts = append(f.Verdicts, set.Unjudged...)
	if len(n.Build.Decoders) > 1 {
		of(f.Verdicts[first:], n.Decoder.Name.Text)
	}
	for i := range n.Outputs {
		f.Values = append(f.Values, values(n, i, set, proof.Worst)...)
		f.Verdicts = append(f.Verdicts, told(n, i, corner(n, set, proof.Worst, n.Outputs[i].ID+".led-peak"))...)
	}
	return nil
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

// values are the resistors of an output as the build has them, each with its working at its worst corner.
func values(n *wiring.Network, i int, set *require.Set, worst []require.Worst) []finding.Value {
	o, tr := &n.Outputs[i], n.Build.Track
	id, of := o.ID+".", " of output "+o.Name
	at := func(name string) []float64 { return corner(n, set, worst, id+name) }
	value := func(name, words string, r unit.Ohm, w *finding.Working) finding.Value {
		return finding.Value{ID: id + name, Name: words + of, Value: float64(r), Unit: unit.SymOhm, Low: math.NaN(), High: math.NaN(),
			Reason: "written in the build file", Method: "the build file", Sure: "±" + n.ToleranceOf(o.Output, r).String(), Working: w}
	}
	list := []finding.Value{
		value("series", "series resistor", o.Output.Series.Value, require.ExplainLight(n, i, n.Typical(), tr.Usual.Or(14))),
		value("base", "base resistor", o.Output.Base.Value, require.ExplainBase(n, i, at("overdrive-high"), tr.High.Or(require.Ceiling(n.Vehicle.Scale.Text)))),
		value("pulldown", "pull-down", o.Output.Pulldown.Value, require.ExplainPulldown(n, i, at("dark-reset"), tr.High.Or(require.Ceiling(n.Vehicle.Scale.Text)))),
	}
	if o.Output.Pulldown.Text == "none" {
		list = list[:2]
	}
	return list
}

// told is what is reported and not judged of the lamp itself, at its brightest corner z at the standard's ceiling: the
// heat in the resistor that hides in it, whose package is not known, and what the brighter of several LEDs side by side
// takes, whose forward voltages nobody measured apart.
func told(n *wiring.Network, i int, z []float64) []finding.Judgement {
	o := &n.Outputs[i]
	ceil := require.Ceiling(n.Vehicle.Scale.Text)
	var op wiring.Operating
	n.Set(z)
	n.Read(n.Solve(wiring.State{LeftPositive: !o.HalfWave || o.LeftFed, Drive: wiring.On, Track: ceil}), &op)
	heat := finding.Judgement{ID: o.ID + ".hidden-heat", Subject: "hidden resistor of lamp " + o.LampName, Requirement: "heat at the standard's ceiling", Verdict: finding.Reported,
		Value: float64(op.Out[i].Hidden) * require.LitShare(n, i), Unit: unit.SymWatt, Limit: math.NaN(), Margin: math.NaN(),
		Worst: "track " + ceil.String() + ", lamp at its brightest corner", Method: "the circuit at its brightest corner", Why: "its package is not known"}
	if p, ok := n.Build.Catalogue.ResistorPackage("0402"); ok {
		heat.Source = p.Source
		heat.Why += fmt.Sprintf("; for comparison, a 0402 carries %s up to %s", p.P70, p.DerateFrom)
	}
	list := []finding.Judgement{heat}
	lamp := o.Post.Best
	if lamp.Parallel < 2 {
		return list
	}
	// Two of one batch differ by about a tenth of a volt, any two of the class by its whole spread.
	const batch = unit.Volt(0.1)
	share := func(dv unit.Volt) unit.Amp { return lamp.Brightest(op.Out[i].Lamp, dv, n.Ambient.Kelvin()) }
	j := finding.Judgement{ID: o.ID + ".side-by-side", Subject: "brighter LED of lamp " + o.LampName, Requirement: "peak current at the standard's ceiling", Verdict: finding.Reported,
		Value: float64(share(batch)), Unit: unit.SymAmp, Limit: math.NaN(), Margin: math.NaN(), Source: "0.1 V within one batch: common practice, no source",
		Worst: "track " + ceil.String() + ", one LED 0.1 V below the others", Method: "junction law of the lamp as surveyed, the lamp's current shared at one voltage"}
	j.Why = fmt.Sprintf("%d LEDs side by side behind one resistor pass %s together; nobody measured them apart, and if one fails the others take it all", lamp.Parallel, op.Out[i].Lamp)
	if low, high, ok := spreadVF(n.Build, o.Post.Class); ok {
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
		if j := &js[i]; strings.HasPrefix(j.ID, "supply.") || strings.HasPrefix(j.ID, "chip.") {
			j.ID = "decoder." + decoder + "." + j.ID
			j.Subject += " of decoder " + decoder
		}
	}
}

// trust says on which level a claim of saturation rests, from strict to none: a point of the sheet's table; a test
// point of its gain, which bounds VCE by that point's own; the table's forced gain at a lower current; the gain over
// its spread with overdrive. The last two are engineering proofs.
func trust(n *wiring.Network, one *require.Set, z []float64) string {
	r := &one.Requirements[0]
	o := &n.Outputs[r.Output]
	ev := one.On(n)
	ev.Eval(z, make([]float64, 1))
	op := ev.Operating(0)
	ic, ib := op.Out[r.Output].IC, op.Out[r.Output].IB
	for _, pt := range o.Part.VCEsat {
		if unit.Known(pt.Max) && ic <= pt.IC && ib >= pt.IB {
			return fmt.Sprintf("table point (strict): VCE(sat) at most %s at IC %s, IB %s", pt.Max, pt.IC, pt.IB)
		}
	}
	for _, g := range o.Part.Gain {
		if g.VCE <= 1 && g.Min > 0 && ic <= g.IC && ib >= g.IC/unit.Amp(g.Min) {
			return fmt.Sprintf("hFE test point as an upper bound (strict at 25 °C): VCE below %s by hFE at least %g at %s", g.VCE, g.Min, g.IC)
		}
	}
	over, forced := n.OverdriveOf(r.Output, op), float64(ic/ib)
	for _, pt := range o.Part.VCEsat {
		if unit.Known(pt.Max) && ic <= pt.IC && forced <= float64(pt.IC/pt.IB) && over >= require.Overdrive {
			return fmt.Sprintf("same forced gain at lower current (engineering proof): %.0f, no more than the %.0f of the table point at %s", forced, float64(pt.IC/pt.IB), pt.IC)
		}
	}
	if over >= require.Overdrive {
		return fmt.Sprintf("hFE with overdrive (engineering proof): forced gain %.0f, overdrive %.1f", forced, over)
	}
	return fmt.Sprintf("none of the four levels of trust: forced gain %.0f, overdrive %.1f", forced, over)
}

// halfLight says rightly what half a wave does to a lamp.
func halfLight(n *wiring.Network) []finding.Note {
	var notes []finding.Note
	for i := range n.Outputs {
		o := &n.Outputs[i]
		share := require.DCCShare(o)
		if share == 1 {
			continue
		}
		notes = append(notes, finding.Note{ID: o.ID + ".half", Kind: "light", Text: fmt.Sprintf(
			"Lamp %s hangs on one rail: on DCC it gets half the current and gives half the light, which looks %.0f %% as bright by CIE 1976 lightness, %.0f %% by the power law of an extended source in the dark.",
			o.LampName, require.Lightness(share), 100*require.PowerBrightness(share, require.ExtendedSource))})
	}
	return notes
}

// mend says what would free a failing requirement, in the order a builder would try.
func mend(n *wiring.Network, r *require.Requirement) string {
	if r.Output < 0 && strings.HasPrefix(r.ID, "supply.") {
		return "another " + strings.Fields(r.Subject)[0] + " with a higher rating" + map[bool]string{true: ", a lower track voltage, or less current from it", false: ""}[r.Unit == unit.SymCelsius]
	}
	if r.ID == "chip.supply-high" {
		return "a regulator of 5 V or less"
	}
	if r.Output < 0 {
		return "lighten what hangs on the chip's supply, or give it more voltage"
	}
	o := n.Outputs[r.Output].Output
	name := o.Name.Text
	switch r.Kind {
	case require.Light:
		if strings.Contains(r.ID, ".dc-") && r.AtLeast {
			return fmt.Sprintf("a lamp on one rail is dark in one direction of DC: feed lamp %s from the rectified plus, or set dc to the direction in which it lights", n.Outputs[r.Output].LampName)
		}
		if r.AtLeast {
			return fmt.Sprintf("make the series resistor of output %s smaller than %s, or set series = \"choose\"", name, o.Series.Value)
		}
		text := fmt.Sprintf("make the series resistor of output %s larger than %s, or set series = \"choose\"", name, o.Series.Value)
		if l := n.Outputs[r.Output].Lamp; strings.HasSuffix(r.ID, "-peak") && !l.PeakAbove.Known() {
			text += fmt.Sprintf("; or write peak_never_above if lamp %s may pass more than never_above for part of the time", l.Name.Text)
		}
		return text
	case require.Saturation:
		if r.AtLeast || r.Unit == unit.SymVolt {
			return fmt.Sprintf("make the base resistor of output %s smaller than %s, or set base = \"choose\"", name, o.Base.Value)
		}
		return fmt.Sprintf("make the base resistor of output %s larger than %s, or set base = \"choose\"", name, o.Base.Value)
	case require.Darkness:
		if o.Pulldown.Text == "none" {
			return fmt.Sprintf("give output %s a pull-down: pulldown = \"choose\"", name)
		}
		return fmt.Sprintf("make the pull-down of output %s smaller than %s, or set pulldown = \"choose\"", name, o.Pulldown.Value)
	}
	return fmt.Sprintf("a part with a higher rating in output %s, or less current through it", name)
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
	Have    int // −1: plenty
	Price   unit.Price
	Package string
}

// Needs is the parts list of the build, in the order of the file.
func Needs(b *build.Build) []Need {
	var list []Need
	add := func(what, use, pack string, have int, price unit.Price) {
		for i := range list {
			if list[i].What == what {
				list[i].Count++
				list[i].For += ", " + use
				return
			}
		}
		list = append(list, Need{What: what, For: use, Count: 1, Have: have, Price: price, Package: pack})
	}
	part := func(name, use string) {
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
		add(name, use, pack, have, price)
	}
	resistor := func(q build.Quantity[unit.Ohm], o *build.Output, use string) {
		if !q.Known() {
			return
		}
		pack := wiring.PackageOf(b, o)
		have, price := 0, unit.Absent[unit.Price]()
		for _, it := range wiring.OnHand(b, o) {
			if math.Abs(float64(it.R/q.Value)-1) < 1e-9 {
				have, price = addCount(have, it.Count), b.Drawer.Items[it.Item].Price
			}
		}
		add(q.Value.String()+" "+pack, use, pack, have, price)
	}
	for i := range b.Decoders {
		d := &b.Decoders[i]
		part(d.Supply.Rectifier.Text, "rectifier")
		part(d.Supply.Regulator.Text, "regulator")
		part(d.Chip.Part.Text, "chip")
		for k := range d.Outputs {
			o := &d.Outputs[k]
			part(o.Switch.Text, "switch of "+o.Name.Text)
			resistor(o.Series, o, "series of "+o.Name.Text)
			resistor(o.Base, o, "base of "+o.Name.Text)
			resistor(o.Pulldown, o, "pull-down of "+o.Name.Text)
		}
	}
	return list
}

// PartsList is the parts list as a table: what, how many, what for, in stock, price.
func PartsList(b *build.Build) finding.Table {
	none := math.NaN()
	currency := "EUR"
	if b.Cost != nil && b.Cost.Currency.Text != "" {
		currency = b.Cost.Currency.Text
	}
	t := finding.Table{ID: "parts", Title: "Parts", Columns: []finding.Column{{Title: "part"}, {Title: "for"}, {Title: "pieces", Numeric: true}, {Title: "in the drawer"}, {Title: "price, " + currency, Numeric: true}}}
	sum, priced := 0.0, true
	for _, n := range Needs(b) {
		have, v := fmt.Sprint(n.Have), finding.Holds
		switch {
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

// Cautions are those of the whole road from proof to first light; each stands where the hand is.
func Cautions() []finding.Caution {
	return []finding.Caution{
		{Where: "soldering", Text: "Ventilate or extract: the fume of flux irritates eyes and lungs and can sensitise. Cover your eyes; cut leads fly."},
		{Where: "soldering", Text: "Iron, joint and part burn long after they look cold. Solder may hold lead: wash your hands before you eat."},
		{Where: "polarity", Text: "The stripe of an aluminium electrolytic is its minus, the bar of a tantalum its plus. Connected the wrong way round it can burst in your face."},
		{Where: "first power", Text: "Only through a current limit: a bench supply set low, or a resistor of 470 Ω to 1 kΩ in the feed where there is none. Never from a supply that is not isolated from the mains."},
		{Where: "first power", Text: "A part too hot to touch is past its limit: take the power off before you look for the cause."},
		{Where: "probing", Text: "Disconnect the track before you measure resistance."},
		{Where: "probing", Text: "Decoder minus is not a rail: an earthed instrument, or a computer, clipped there under live track shorts the booster through the rectifier."},
		{Where: "programming", Text: "Off the track, always: the programmer ties decoder minus to the computer's earth."},
		{Where: "all of it", Text: "Local rules and qualified people come first."},
	}
}
