package fault_test

import (
	"math"
	"math/bits"
	"slices"
	"strconv"
	"testing"

	"fettle/internal/fault"
)

// The circuit of de Kleer & Williams, "Diagnosing multiple faults", Artificial Intelligence 32 (1987) 97-130: three
// multipliers M1 = A·C, M2 = B·D, M3 = C·E and two adders A1 = M1+M2, A2 = M2+M3, inputs 3, 2, 2, 3, 3. Every part fails
// independently with 0.01; one that failed puts out any of 0…15 with equal probability. A cause is a set of failed parts;
// its samples are all the outputs that they may have.
const (
	m1 = iota
	m2
	m3
	a1
	a2
)

var partNames = []string{"M1", "M2", "M3", "A1", "A2"}

func multipliers() *fault.Table {
	var causes []fault.Cause
	var counts []int
	for set := range 32 {
		n := bits.OnesCount(uint(set))
		name := ""
		for p := range 5 {
			if set>>p&1 == 1 {
				name += partNames[p]
			}
		}
		causes = append(causes, fault.Cause{ID: name, Repair: name, Prior: math.Pow(0.01, float64(n)) * math.Pow(0.99, float64(5-n))})
		counts = append(counts, 1<<(4*n))
	}
	var numbers []string
	for v := range 31 {
		numbers = append(numbers, strconv.Itoa(v))
	}
	var tests []fault.Test
	for _, name := range []string{"X", "Y", "Z", "F", "G"} {
		tests = append(tests, fault.Test{ID: name, Choices: numbers, Minutes: 1})
	}
	t := fault.NewTable(causes, tests, counts)
	for set, k := range counts {
		for sample := range k {
			rest := sample
			out := func(part, healthy int) int {
				if set>>part&1 == 0 {
					return healthy
				}
				v := rest & 15
				rest >>= 4
				return v
			}
			x, y, z := out(m1, 3*2), out(m2, 2*3), out(m3, 2*3)
			for i, v := range []int{x, y, z, out(a1, x+y), out(a2, y+z)} {
				t.SetChoice(set, i, sample, v)
			}
		}
	}
	return t
}

func observed() *fault.State {
	return multipliers().Start().Add(fault.Reading{Test: 3, Choice: 10}).Add(fault.Reading{Test: 4, Choice: 12})
}

// Minimal diagnoses and conflicts of the paper: a diagnosis is a set of parts that may have failed, a conflict one of which
// some must have. Sets exact.
func TestMinimalDiagnoses(t *testing.T) {
	s := observed()
	minimal := func(in func(set int) bool) (out []string) {
		for set := range 32 {
			whole := in(set)
			for p := range 5 {
				if set>>p&1 == 1 && in(set&^(1<<p)) {
					whole = false
				}
			}
			if whole {
				name := ""
				for p := range 5 {
					if set>>p&1 == 1 {
						name += partNames[p] + " "
					}
				}
				out = append(out, name)
			}
		}
		slices.Sort(out)
		return out
	}
	// Monotonic: what a failed part may put out includes what a sound one would.
	possible := func(set int) bool {
		for sub := range 32 {
			if sub&^set == 0 && s.P[sub] > 0 {
				return true
			}
		}
		return false
	}
	if got, want := minimal(possible), []string{"A1 ", "M1 ", "M2 A2 ", "M2 M3 "}; !slices.Equal(got, want) {
		t.Errorf("minimal diagnoses %q, want %q", got, want)
	}
	conflict := func(set int) bool { return !possible(31 &^ set) }
	if got, want := minimal(conflict), []string{"M1 M2 A1 ", "M1 M3 A1 A2 "}; !slices.Equal(got, want) {
		t.Errorf("minimal conflicts %q, want %q", got, want)
	}
}

// The same with probabilities, and the best next probe. Values: exact enumeration over the 32 sets; the paper's own
// conclusion, that X tells most, from memory.
func TestBestProbe(t *testing.T) {
	s := observed()
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-5 {
			t.Errorf("%s: %.7f, want %.7f", what, got, want)
		}
	}
	if got := math.Exp(s.Evidence()); math.Abs(got-0.001209877) > 1e-9 {
		t.Errorf("P(observation) = %.9f, want 0.001209877", got)
	}
	near("P(A1)", s.P[1<<a1], 0.496226)
	near("P(M1)", s.P[1<<m1], 0.496226)
	near("P(A1, M1)", s.P[1<<a1|1<<m1], 0.0050124)
	for _, set := range []int{1<<m2 | 1<<m3, 1<<m2 | 1<<a2, 1<<m1 | 1<<m2} {
		near("P of a pair", s.P[set], 0.00031327)
	}
	near("entropy", s.Entropy(), 1.071307)
	advice := s.Advise(fault.Settings{Points: -1, Least: -1, AllCauses: true})
	if len(advice) != 3 || advice[0].Test != 0 {
		t.Fatalf("advice %+v, want X first of three", advice)
	}
	want := []float64{0.038303, 1.063544, 1.066986}
	for _, a := range advice {
		near("expected entropy after "+s.Table.Tests[a.Test].ID, s.Entropy()-a.Bits, want[a.Test])
	}
	foreseen := func(v int) (p float64) {
		for set, q := range s.P {
			if q > 0 {
				p += q * s.Foresee(set, 0).Choices[v]
			}
		}
		return p
	}
	near("P(X = 6)", foreseen(6), 0.498119)
	near("P(X = 4)", foreseen(4), 0.497483)
}

// Johnson, Miller & Freund's Probability and Statistics for Engineers, 8th ed. 2011, example p. 74: prior shares 0.20,
// 0.60, 0.15, 0.05, failure rates 0.05, 0.10, 0.10, 0.05; the first cause given a failure 0.114 (0.01/0.0875).
func TestBayes(t *testing.T) {
	var causes []fault.Cause
	for i, p := range []float64{0.20, 0.60, 0.15, 0.05} {
		causes = append(causes, fault.Cause{ID: strconv.Itoa(i), Prior: p})
	}
	table := fault.NewTable(causes, []fault.Test{{ID: "failed", Choices: []string{"yes", "no"}}}, []int{100, 100, 100, 100})
	for h, p := range []float64{0.05, 0.10, 0.10, 0.05} {
		table.Shares(h, 0, []float64{p, 1 - p})
	}
	if got, want := table.Start().Add(fault.Reading{Choice: 0}).P[0], 0.01/0.0875; math.Abs(got-want) > 1e-12 {
		t.Errorf("%.6f, want %.6f", got, want)
	}
}

// A dark lamp: which of three tests first, and what a negative outside-source test leaves. Own computation by hand from
// the table of probabilities (entropies by the definition).
func TestDarkLamp(t *testing.T) {
	var causes []fault.Cause
	for i, name := range []string{"LED open", "LED reversed", "resistor open", "transistor dead", "no base drive"} {
		causes = append(causes, fault.Cause{ID: name, Repair: name, Prior: []float64{0.25, 0.20, 0.10, 0.15, 0.30}[i]})
	}
	var tests []fault.Test
	positive := [][]float64{{0.02, 0.02, 0.02, 0.95, 0.95}, {0.97, 0.97, 0.97, 0.90, 0.03}, {0.01, 0.02, 0.95, 0.95, 0.95}}
	for _, name := range []string{"collector high when it should be on", "base at 0.6 V or more", "lights from outside"} {
		tests = append(tests, fault.Test{ID: name, Choices: []string{"yes", "no"}, Minutes: 1})
	}
	table := fault.NewTable(causes, tests, []int{100, 100, 100, 100, 100})
	for i := range tests {
		for h := range causes {
			table.Shares(h, i, []float64{positive[i][h], 1 - positive[i][h]})
		}
	}
	s := table.Start()
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-5 {
			t.Errorf("%s: %.6f, want %.6f", what, got, want)
		}
	}
	near("entropy", s.Entropy(), 2.228213)
	advice := s.Advise(fault.Settings{Points: -1})
	if len(advice) != 3 || advice[0].Test != 2 {
		t.Fatalf("advice %+v, want the outside source first", advice)
	}
	for _, a := range advice {
		near(tests[a.Test].ID, a.Bits, []float64{0.782388, 0.671497, 0.791567}[a.Test])
	}
	after := s.Add(fault.Reading{Test: 2, Choice: 1})
	near("LED open", after.P[0], 0.525478)
	near("LED reversed", after.P[1], 0.416136)
}
