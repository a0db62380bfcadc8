// Package survey infers what every lamp of a vehicle is, from readings taken with a hand meter: its structure, its
// hidden resistor, its LED, how many junctions there are, which way round it sits, whether it lives at all.
//
// # Model
//
// The forward model is the circuit of the bare vehicle (wiring.Bare) solved for every reading: supply, ammeter
// with its burden, what else draws from the feed, hidden resistor, LED, the voltmeter's input resistance where it
// lies across the LED. A supply that is not smooth is integrated over the levels of its wave; DC ranges show the
// mean. No formula stands beside the circuit; a hand estimate appears only in the working.
//
// Unknown are, per lamp: the logarithm of the hidden resistance; the LED's forward voltage, slope and series
// resistance, each around the class row of the catalogue; per meter and range one gain error, the same in all
// readings of that range and uniform within its specification; of a meter that is assumed, the burden. Digits and
// contact are independent from reading to reading. The law of an LED is taken to fit any real LED to lawError.
//
// # Structures
//
// A lamp is one of wiring.Structure: LEDs behind a resistor, a pair face to face, a filament, a lighting board with a
// diode or bridge of its own, with or without a limit of its current, or plain with a leak, shorted, open. The kind
// that the build file says restricts them to that kind and its faults; without one all stand, with the prior odds of
// structureOdds. A sieve by what the currents look like (which way they flow, steeper or flatter than in proportion to
// the voltage) spares most of the fits; the rest are fitted as plain lamps are, with up to three coordinates more, and
// weighed by their evidence, by the normal law with the true prior of the resistance, and by what was seen. Samples
// are of the leading structure alone. Beside it stays open what the readings do not speak against by 50 to 1, or what
// is still probable by 1 %; contest finds the reading that would decide, by the information it gives on the structure.
// From two wires nothing tells LEDs side by side with a resistor each from such with a common one; and without a look
// inside, or a voltage across the LED itself, little tells a plain lamp from a board with a diode.
//
// Prior laws, in the coordinates u of the inference: all but the resistance are standard normal coordinates z.
// Forward voltage: two half-normals around the class's typical value, its minimum and maximum at two deviations.
// Slope: ±12 %. Series resistance: a factor e^±0.5. Gains and burdens: uniform (z is mapped by the normal
// integral). Resistance: see resistorPrior. Junction counts, colour and polarity that are not said are
// hypotheses, weighed by their evidence. What the other structures have besides: see prior.go.
//
// # Inference
//
// For every hypothesis the most probable point is found by package fit; a normal law there gives the first estimate
// of the evidence, which prunes. What remains is sampled: proposals from Student's t with seven degrees of freedom
// around that point, each weighed by the exact posterior (importance sampling; the circuit is solved for every
// proposal), moved and reshaped to the weighted sample where the effective number is small. The evidence is then
// the mean weight. Samples of equal weight are drawn from the pool of all hypotheses by systematic resampling.
// The effective sample size is reported. The seed is derived from the lamp's name and the readings are put into
// a canonical order first, so that the same readings give the same bytes, in whatever order they stand.
//
// # Not modelled
//
// Lamps are inferred one by one: what a second lamp could tell of the same meter's gain is left unused, which can
// only widen an interval. Junctions of one group are alike. Light is used only as dark or lit. An ohmmeter's reading is
// taken as that of the hidden resistor itself, or of a cold filament. A leak lies across all LEDs of a lamp, and is a
// plain resistance. A board has one of these structures, not a leak or a pair besides. The evidence between structures
// is that of the normal law, which where a current bends (a limit, a leak) is good to a factor of some e.
//
// Entry point: Survey.
package survey

import (
	"context"
	"fmt"

	"golang.org/x/sync/errgroup"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/wiring"
)

// Settings tune the inference; the zero value is right.
type Settings struct {
	Samples   int // joint samples delivered per lamp, 16 … 65536; 0: 512
	Proposals int // proposals of the leading hypothesis, at least Samples; 0: 1024
}

func (s Settings) filled() (Settings, error) {
	if s.Samples == 0 {
		s.Samples = 512
	}
	if s.Proposals == 0 {
		s.Proposals = 2 * s.Samples
	}
	if s.Samples < 16 || s.Samples > 65536 || s.Proposals < s.Samples {
		return s, fmt.Errorf("survey: %d samples from %d proposals: 16 to 65536 samples, and no fewer proposals than samples", s.Samples, s.Proposals)
	}
	return s, nil
}

// Result is what survey knows.
type Result struct {
	Lamps    map[string]*wiring.LampPosterior // by build.LampKey
	Findings finding.Findings
}

// Survey infers every lamp of the build. It fails only if cancelled or for settings that make no sense: what is
// wrong with readings or lamps is a finding.
func Survey(ctx context.Context, b *build.Build, opt Settings) (Result, error) {
	opt, err := opt.filled()
	if err != nil {
		return Result{}, err
	}
	type job struct {
		vehicle *build.Vehicle
		lamp    *build.Lamp
		name    string
		out     *report
	}
	var jobs []*job
	for i := range b.Vehicles {
		v := &b.Vehicles[i]
		for k := range v.Lamps {
			l := &v.Lamps[k]
			jobs = append(jobs, &job{vehicle: v, lamp: l, name: b.LampKey(v, l.Name.Text)})
		}
	}
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(4)
	for _, j := range jobs {
		g.Go(func() error {
			var err error
			j.out, err = surveyLamp(ctx, b, j.lamp, j.name, opt)
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return Result{}, err
	}
	res := Result{Lamps: map[string]*wiring.LampPosterior{}, Findings: finding.Findings{Question: "survey", Build: b.Name()}}
	f := &res.Findings
	for _, j := range jobs {
		if j.out.post != nil {
			res.Lamps[j.name] = j.out.post
		}
		f.Values = append(f.Values, j.out.Values...)
		f.Verdicts = append(f.Verdicts, j.out.Verdicts...)
		f.Notes = append(f.Notes, j.out.Notes...)
		f.Tables = append(f.Tables, j.out.Tables...)
		f.Figures = append(f.Figures, j.out.Figures...)
		f.Cautions = append(f.Cautions, j.out.Cautions...)
	}
	if len(jobs) == 0 {
		f.Notes = append(f.Notes, finding.Note{ID: "survey.none", Kind: "input", Text: "the build has no lamp"})
	}
	return res, nil
}
