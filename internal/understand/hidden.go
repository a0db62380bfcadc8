package understand

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/meter"
	"fettle/internal/parts"
	"fettle/internal/survey"
	"fettle/internal/unit"
	"fettle/internal/wiring"
	"fettle/internal/work"
)

// useful are the readings that a line can be drawn through: forward current on smooth DC at the lamp's feed.
func useful(b *build.Build, l *build.Lamp) (list []build.Reading) {
	for _, r := range l.Readings {
		if r.Supply == build.SmoothDC && !r.Reversed && r.Track.Known() && r.Current.Known() && r.Current.Value > 0.5e-3 {
			list = append(list, r)
		}
	}
	slices.SortFunc(list, func(a, b build.Reading) int {
		switch {
		case a.Track.Value < b.Track.Value:
			return -1
		case a.Track.Value > b.Track.Value:
			return 1
		}
		return 0
	})
	return list
}

// interval is what 95 % of a posterior's samples lie in, and their middle.
func interval(p *wiring.LampPosterior, of func(wiring.LampParams) float64) (low, mid, high float64) {
	var xs []float64
	for _, s := range p.Samples {
		xs = append(xs, of(s))
	}
	slices.Sort(xs)
	at := func(q float64) float64 { return xs[min(len(xs)-1, int(q*float64(len(xs))))] }
	return at(0.025), at(0.5), at(0.975)
}

func hiddenOf(s wiring.LampParams) float64 { return float64(s.Hidden) }

func hidden(ctx context.Context, c *Chapter, p work.Proved) error {
	for i := range p.Build.Vehicles {
		v := &p.Build.Vehicles[i]
		for k := range v.Lamps {
			l := &v.Lamps[k]
			key := p.Build.LampKey(v, l.Name.Text)
			post := p.Lamps[key]
			if post == nil || !post.Surveyed || post.Structure != wiring.PlainLamp || len(useful(p.Build, l)) < 3 {
				continue
			}
			return hiddenLamp(ctx, c, p, i, k, key)
		}
	}
	return errNothing
}

// only is the build with one vehicle and lamp, of which some readings are known.
func only(b *build.Build, vehicle, lamp int, readings []build.Reading) *build.Build {
	out := *b
	v := b.Vehicles[vehicle]
	l := v.Lamps[lamp]
	l.Readings = readings
	v.Lamps = []build.Lamp{l}
	out.Vehicles = []build.Vehicle{v}
	return &out
}

func hiddenLamp(ctx context.Context, c *Chapter, p work.Proved, vehicle, lamp int, key string) error {
	l := &p.Build.Vehicles[vehicle].Lamps[lamp]
	list := useful(p.Build, l)
	first, second, last := list[0], list[1], list[len(list)-1]
	burden, gain := unit.Ohm(0), unit.Ratio(0)
	spec, _ := p.Build.MeterSpec(first.Meter.Text)
	if r, ok := spec.Range(meter.DCCurrent, float64(last.Current.Value)); ok {
		burden, gain = unit.Or(r.Burden, 0), r.Gain
	}
	slope := func(a, b build.Reading) float64 {
		return float64(b.Track.Value-a.Track.Value) / float64(b.Current.Value-a.Current.Value)
	}
	hand := slope(first, last)

	c.say("Inside the vehicle, where no probe goes, a resistor sits in series with the LED. From outside there are two wires, a supply and an ammeter. " +
		"An LED holds nearly the same voltage whatever flows, so the current follows a straight line as the supply is raised: where the line leaves the axis is the LED, how steep it is is the resistor.")
	c.say("By hand, from two readings of %s: %s at %s and %s at %s. The difference is %s for %s, which is %s. "+
		"Of that the ammeter itself is %s, and the LED's own voltage rises a little as well: the resistor is somewhat less. Two equations, two unknowns; done?",
		"lamp "+l.Name.Text, amp(float64(first.Current.Value)), first.Track.Value, amp(float64(last.Current.Value)), last.Track.Value,
		volt(float64(last.Track.Value-first.Track.Value)), amp(float64(last.Current.Value-first.Current.Value)), ohm(hand), burden)
	for _, f := range p.Surveyed.Findings.Figures {
		if strings.HasSuffix(f.ID, l.Name.Text+".curve") {
			c.figure(f)
			break
		}
	}
	t := finding.Table{ID: "understand.hidden", Title: "How sure the readings make us", Columns: []finding.Column{{Title: "readings used"}, {Title: "hidden resistor", Numeric: true},
		{Title: "from", Numeric: true}, {Title: "to", Numeric: true}, {Title: "±", Numeric: true}}}
	widths := map[string]float64{}
	row := func(name string, rs []build.Reading) error {
		res, err := survey.Survey(ctx, only(p.Build, vehicle, lamp, rs), survey.Settings{})
		if err != nil {
			return err
		}
		var post *wiring.LampPosterior
		for _, x := range res.Lamps {
			post = x
		}
		if post == nil || len(post.Samples) == 0 {
			return fmt.Errorf("no answer from %s", name)
		}
		low, mid, high := interval(post, hiddenOf)
		widths[name] = (high - low) / 2 / mid
		t.Rows = append(t.Rows, []finding.Cell{word(name), number(mid, unit.SymOhm, 3), number(low, unit.SymOhm, 3), number(high, unit.SymOhm, 3), number(widths[name], unit.SymRatio, 2)})
		return nil
	}
	near := fmt.Sprintf("two, at %s and %s", first.Track.Value, second.Track.Value)
	far := fmt.Sprintf("two, at %s and %s", first.Track.Value, last.Track.Value)
	all := fmt.Sprintf("all %d", len(list))
	for _, k := range []struct {
		name string
		rs   []build.Reading
	}{{"one, at " + first.Track.Value.String(), []build.Reading{first}}, {near, []build.Reading{first, second}}, {far, []build.Reading{first, last}}, {all, list}} {
		if err := row(k.name, k.rs); err != nil {
			return err
		}
	}
	c.table(t)
	c.say("Not quite. Each row above is a whole survey with fewer readings, and the interval is what holds in 95 cases of 100. One reading leaves the LED and the resistor to be traded against each other. "+
		"Two that lie apart are good to ±%.1f%s%%, two close together to ±%.1f%s%%: the last digit of the display counts for more where the difference is small. So take them far apart.",
		100*widths[far], unit.ThinSpace, 100*widths[near], unit.ThinSpace)
	if gain > 0 {
		c.say("And no number of readings makes it much better. The meter's leaflet allows it a gain error of ±%.1f%s%%, and that error is the same in every reading of the range: all currents are too high together, or too low, and the line is as straight as before. "+
			"With all readings ±%.1f%s%% remain. What helps is a resistor that you know: measured in the same range it shows the meter's own error, which can then be taken off everything that this range ever measures.",
			100*float64(gain), unit.ThinSpace, 100*widths[all], unit.ThinSpace)
	}
	_, mid, _ := interval(p.Lamps[key], hiddenOf)
	c.say("Factories fit preferred values. In the E24 series the neighbours of %s lie some %.0f%s%% away, so an interval of a few per cent is enough to read off which one it is: that is why the survey also says how probable each of them is. "+
		"The proof does not round: it runs over the whole posterior, resistor and LED together, since a larger resistor goes with a smaller LED voltage and only the pairs that explain the readings can occur.", ohm(math.Round(mid)), 100*apart(mid), unit.ThinSpace)
	return nil
}

// apart is how far the next greater value of the E24 series lies, as a share.
func apart(r float64) float64 {
	own := parts.Nearest(unit.Ohm(r), "E24")
	return float64(parts.Nearest(own*1.08, "E24")/own) - 1
}
