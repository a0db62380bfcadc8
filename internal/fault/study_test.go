package fault_test

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/device"
	"fettle/internal/fault"
	"fettle/internal/unit"
	"fettle/internal/wiring"
	"fettle/internal/work"
)

// The study of injected faults. Every cause of every demo is put into a simulated decoder, which is diagnosed by following
// the advice reading by reading. The simulated parts and meter follow laws that the diagnosis does not assume:
//
//   - LEDs with an emission coefficient a fifth larger and 10 Ω more in series (the same voltage at 2 mA), so that every
//     lamp's curve bends otherwise than surveyed; tolerances drawn anew from another seed;
//   - a meter whose gain errors are correlated over all functions (three quarters of each is common to all), where the
//     diagnosis takes them as independent between ranges; whose digits err by a normal law cut at nothing, where the
//     diagnosis takes them as bounded; and that is misread once in a hundred readings, by a factor of ten or the sign.
//
// Each begins with what anybody sees who tries a decoder out: which lamps are lit with all outputs off, and with all on. What
// is counted are readings of the meter after that; looking again costs none.
//
// FETTLE_STUDY=full go test ./internal/fault -run TestInjectedFaults -v -timeout 0 tries every cause of every demo in 20 sessions and 400
// sound decoders of each, FETTLE_STUDY=part one session of every cause and 50 sound ones, FETTLE_STUDY=sound the sound ones alone; without
// it, it is one session each on the first demo. All are held to the figures, a part of them to what chance leaves of these.
func TestInjectedFaults(t *testing.T) {
	sessions, every, demos := 20, 20, examples.Names
	onlySound := false
	switch study := os.Getenv("FETTLE_STUDY"); {
	case study == "full":
		every = 1
	case study == "sound":
		every, onlySound = 1, true
	case testing.Short():
		t.Skip("short")
	case study == "":
		demos = []string{examples.Demo}
	}
	var rows []string
	for _, name := range demos {
		t.Run(name, func(t *testing.T) {
			r := inject(t, name, sessions, every, onlySound)
			rows = append(rows, r.row(name))
			t.Log("\n" + r.missed())
			r.hold(t, name, every == 1)
		})
	}
	t.Log("\n" + header + strings.Join(rows, "\n"))
}

const header = `| demo | causes | readings to choose from | sessions | true cause first | median readings | three quarters within | group, repairs in the mean | healthy called healthy |
| --- | --- | --- | --- | --- | --- | --- | --- | --- |
`

type result struct {
	causes, tests, sessions, first, sound, healthy int
	readings                                       []int
	groups                                         int
	lost                                           map[string]int
	tried                                          map[string]int
	instead                                        map[string]string
}

func (r *result) row(name string) string {
	slices.Sort(r.readings)
	if len(r.readings) == 0 {
		r.readings = []int{0}
	}
	q := func(p float64) int { return r.readings[min(len(r.readings)-1, int(p*float64(len(r.readings))))] }
	return fmt.Sprintf("| %s | %d | %d | %d | %.1f %% | %d | %d | %.2f | %d of %d |", name, r.causes, r.tests, r.sessions, 100*float64(r.first)/float64(max(1, r.sessions)), q(0.5), q(0.75), float64(r.groups)/float64(max(1, r.first)), r.healthy, r.sound)
}

func (r *result) missed() string {
	var names []string
	for n := range r.lost {
		names = append(names, n)
	}
	slices.SortFunc(names, func(a, b string) int { return cmp.Or(cmp.Compare(r.lost[b], r.lost[a]), strings.Compare(a, b)) })
	var b strings.Builder
	for i, n := range names {
		if i == 45 {
			break
		}
		fmt.Fprintf(&b, "missed %d of %d: %s (instead: %s)\n", r.lost[n], r.tried[n], n, r.instead[n])
	}
	return b.String()
}

// hold is the requirement.
func (r *result) hold(t *testing.T, name string, whole bool) {
	if r.sessions > 0 {
		// The full study is held to the figure itself. One session a cause tells 90 % from 84 and not from 88: it is held to what chance leaves of
		// 90 %, in ninety-nine of a hundred draws.
		share, least := float64(r.first)/float64(r.sessions), 0.9
		if !whole {
			n := float64(r.sessions)
			least = 0.9 - 2.33*math.Sqrt(0.9*0.1/n)
		}
		if share < least {
			t.Errorf("%s: the true cause stands first in %.1f %% of %d, want %.1f", name, 100*share, r.sessions, 100*least)
		}
	}
	if whole && float64(r.healthy) < 0.98*float64(r.sound) { // twenty sound ones cannot tell 98 % from 90
		t.Errorf("%s: %d of %d sound decoders are called sound, want 98 %%", name, r.healthy, r.sound)
	}
	if m := r.readings[len(r.readings)/2]; m > 4 {
		t.Errorf("%s: %d readings in the median, want 4", name, m)
	}
}

// simulated is the network of parts that follow other laws.
func simulated(b *build.Build, lamps map[string]*wiring.LampPosterior) (*wiring.Network, error) {
	other := map[string]*wiring.LampPosterior{}
	for key, p := range lamps {
		q := *p
		q.Samples = slices.Clone(p.Samples)
		for i := range q.Samples {
			q.Samples[i] = otherLaw(q.Samples[i])
		}
		q.Best = otherLaw(p.Best)
		other[key] = &q
	}
	n, _, err := wiring.NewNetwork(b, &b.Decoders[0], other)
	return n, err
}

func otherLaw(p wiring.LampParams) wiring.LampParams {
	if p.LED.IS <= 0 {
		return p
	}
	const at = unit.Amp(0.002)
	t := unit.FitTemperature.Kelvin()
	bend := func(d device.Diode) device.Diode {
		if d.IS <= 0 {
			return d
		}
		v := d.Voltage(at, t)
		d.N *= 1.2
		d.RS += 10
		nvt := d.N * float64(t.ThermalVoltage())
		d.IS *= unit.Amp(math.Exp(float64(d.Voltage(at, t)-v) / nvt))
		return d
	}
	p.LED, p.Back = bend(p.LED), bend(p.Back)
	return p
}

// soundSessions are more: twenty could not tell 98 % from 90, nor fifty 98 from 94.
func soundSessions() int {
	if study := os.Getenv("FETTLE_STUDY"); study == "full" || study == "sound" {
		return 400
	}
	return 50
}

func inject(t *testing.T, name string, sessions, every int, onlySound bool) *result {
	f, _, err := build.OpenFS(examples.FS, name)
	if err != nil {
		t.Fatal(err)
	}
	c, err := (&work.Runner{Cache: os.Getenv("FETTLE_STUDY_CACHE")}).Choose(context.Background(), f)
	if err != nil {
		t.Fatal(err)
	}
	n, _, err := wiring.NewNetwork(c.Build, &c.Build.Decoders[0], c.Lamps)
	if err != nil {
		t.Fatal(err)
	}
	table, err := fault.Build(context.Background(), n, fault.Building{})
	if err != nil {
		t.Fatal(err)
	}
	m, err := simulated(c.Build, c.Lamps)
	if err != nil {
		t.Fatal(err)
	}
	truth, err := fault.Build(context.Background(), m, fault.Building{Samples: sessions, Sound: soundSessions(), Seed: 4711, Off: 0.03, All: true})
	if err != nil {
		t.Fatal(err)
	}
	r := &result{causes: len(table.Causes), tests: len(table.Tests), lost: map[string]int{}, tried: map[string]int{}, instead: map[string]string{}}
	at := map[string]int{}
	for h, c := range truth.Causes {
		at[c.ID] = h
	}
	t.Logf("%s: left out, no reading tells it from a sound decoder: %s", name, strings.Join(table.Alike, "; "))
	type job struct{ cause, k int }
	var jobs []job
	for h := range table.Causes {
		sound := table.Causes[h].ID == fault.Healthy
		many := sessions
		if sound && os.Getenv("FETTLE_STUDY") != "" {
			many = soundSessions()
		}
		for k := range many {
			if sound || !onlySound && (h*sessions+k*7+h)%every == 0 {
				jobs = append(jobs, job{h, k})
			}
		}
	}
	var mu sync.Mutex
	var wg sync.WaitGroup
	next := make(chan job)
	for range 2 {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for j := range next {
				s, readings := session(table, truth, j.cause, at[table.Causes[j.cause].ID], j.k)
				g := s.State.Groups(0.01)[0]
				id := table.Causes[j.cause].ID
				mu.Lock()
				if id == fault.Healthy {
					r.sound++
					if slices.Contains(g.Causes, j.cause) {
						r.healthy++
					} else {
						r.lost[id]++
						r.instead[id] += fmt.Sprintf("%s after %d; ", table.Causes[g.Causes[0]].ID, readings)
					}
					r.tried[id]++
				} else {
					r.sessions++
					r.tried[id]++
					if slices.Contains(g.Causes, j.cause) && len(g.Repairs) <= 3 {
						r.first++
						r.groups += len(g.Repairs)
						r.readings = append(r.readings, readings)
					} else {
						r.lost[id]++
						r.instead[id] = fmt.Sprintf("%s after %d", table.Causes[g.Causes[0]].ID, readings)
					}
				}
				mu.Unlock()
			}
		}()
	}
	for _, j := range jobs {
		next <- j
	}
	close(next)
	wg.Wait()
	return r
}

// session follows the advice on the simulated decoder until a conclusion, at most twelve readings.
func session(table, truth *fault.Table, cause, injected, k int) (*fault.Session, int) {
	rng := rand.New(rand.NewPCG(uint64(cause)+1, uint64(k)+1))
	common := 2*rng.Float64() - 1
	gains := map[string]float64{}
	s := fault.NewSession(table)
	// What anybody sees who tries it out: which lamps are lit with everything off, and with everything on.
	for i := range table.Tests {
		if x := &table.Tests[i]; strings.HasPrefix(x.ID, "dcc-o") && strings.Contains(x.ID, ":lit:") && !strings.HasPrefix(x.ID, "dcc-only") {
			if _, choice := truth.Sample(injected, i, k); choice >= 0 {
				s.Put(fault.Reading{Test: i, Choice: choice}, "")
			}
		}
	}
	const most = 30
	taken := 0
	for n := 0; n < 2*most && taken < most; n++ {
		next := s.Next()
		if known, _ := s.Conclusion(); known != fault.Open || len(next) == 0 {
			break
		}
		test := next[0].Test
		r := fault.Reading{Test: test}
		def := &table.Tests[test]
		v, choice := truth.Sample(injected, test, k)
		switch {
		case def.Choices != nil:
			r.Choice = choice
			if choice < 0 {
				s.Skip(test)
				continue
			}
		case math.IsNaN(v):
			s.Skip(test)
			continue
		case math.IsInf(v, 0):
			r.Over = true
		default:
			var rg fault.Range
			for _, x := range def.Ranges {
				if math.Abs(v) <= x.Full {
					rg = x
					break
				}
			}
			g, ok := gains[rg.Name]
			if !ok {
				g = 0.75*common + 0.25*(2*rng.Float64()-1)
				gains[rg.Name] = g
			}
			v = v*(1+g*rg.Common) + rng.NormFloat64()*rg.Slack/2
			if rng.Float64() < 0.01 {
				v *= []float64{10, 0.1, -1}[rng.IntN(3)]
			}
			res := rg.Slack / 2
			if res > 0 {
				v = math.Round(v/res) * res
			}
			r.Value, r.Over = v, math.Abs(v) > def.Ranges[len(def.Ranges)-1].Full
			if !def.Signed && v < 0 {
				r.Value = 0
			}
		}
		s.Put(r, "")
		if def.Choices == nil {
			taken++
		}
	}
	return s, taken
}
