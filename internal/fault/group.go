package fault

import (
	"math"
	"slices"
)

// Alike is the ratio of likelihoods under which two causes count as not told apart.
const Alike = 3

// A Group is causes that the readings cannot tell apart.
type Group struct {
	Causes  []int // likeliest first
	P       float64
	Repairs []string // the different repairs among them
}

// Groups sorts the causes worth speaking of: each group is a cause and all whose likelihood is within Alike of its own,
// likeliest group first. Causes below least are left out, but for the likeliest.
func (s *State) Groups(least float64) []Group {
	var out []Group
	done := make([]bool, len(s.P))
	ranked := s.Ranked()
	for _, h := range ranked {
		if done[h] || s.P[h] < least && len(out) > 0 {
			continue
		}
		var g Group
		for _, k := range ranked {
			if done[k] || k != h && (s.P[k] < least || math.Abs(s.LogL[k]-s.LogL[h]) >= math.Log(Alike)) {
				continue
			}
			done[k] = true
			g.P += s.P[k]
			if slices.Contains(s.Table.Causes[k].Of, s.Table.Causes[h].ID) {
				continue // two faults that explain no more than one of them does
			}
			g.Causes = append(g.Causes, k)
			if r := s.Table.Causes[k].Repair; !slices.Contains(g.Repairs, r) {
				g.Repairs = append(g.Repairs, r)
			}
		}
		out = append(out, g)
	}
	return out
}

// Mended is the probability that the repair of a cause mends it.
func (s *State) Mended(cause int) float64 {
	sum := 0.0
	for h, p := range s.P {
		if s.Table.Causes[h].Repair == s.Table.Causes[cause].Repair {
			sum += p
		}
	}
	return sum
}

// Explains reports whether a cause explains the reading numbered k, or only a slip could.
func (s *State) Explains(cause, k int) bool {
	t := s.Table
	r := s.Readings[k]
	test := &t.Tests[r.Test]
	w := s.w[t.first[cause]:t.first[cause+1]]
	sum, total := 0.0, 0.0
	t.likelihood(cause, r, 0, func(i int, l float64) { sum, total = sum+w[i]*l, total+w[i] })
	if total == 0 {
		return false
	}
	l := sum / total
	switch {
	case test.Choices != nil:
		// A choice that the cause makes unlikely, by the counter-evidence of one in twenty.
		return l > math.Max(0.05, 2*test.Slip/math.Max(1, float64(len(test.Choices)-1)))
	case r.Over:
		return l > 2*test.Slip
	}
	return l > 3*test.Slip/span
}

// A Doubt is a reading that no likely cause explains together with the others.
type Doubt struct {
	Reading int
	// Guess are readings that would agree with what the others say, likeliest first.
	Guess []Slipped
}

// Slipped is what may have gone wrong with a reading.
type Slipped struct {
	Words string
	Value float64
}

var slips = []struct {
	words  string
	factor float64
}{
	{"read a thousand times too high: the prefix or the range", 1e-3},
	{"read a thousand times too low: the prefix or the range", 1e3},
	{"read ten times too high: the decimal point or the range", 0.1},
	{"read ten times too low: the decimal point or the range", 10},
	{"the probes exchanged", -1},
}

// Questioned are the readings that the likeliest cause cannot explain though it explains the others best. To take each
// away in turn is not needed for that: a slip is among the likelihoods, and the cause that remains is the one without it.
func (s *State) Questioned() []Doubt {
	var out []Doubt
	if len(s.Readings) < 2 {
		return nil
	}
	top := s.Ranked()[0]
	for k, r := range s.Readings {
		if s.Explains(top, k) {
			continue
		}
		d := Doubt{Reading: k}
		if s.Table.Tests[r.Test].Choices == nil && !r.Over {
			for _, slip := range slips {
				x := r
				x.Value *= slip.factor
				if x.Value == r.Value {
					continue
				}
				if s.would(top, x) {
					d.Guess = append(d.Guess, Slipped{slip.words, x.Value})
				}
			}
		}
		out = append(out, d)
	}
	return out
}

// would reports whether a cause would explain a reading in place of one that was taken.
func (s *State) would(cause int, x Reading) bool {
	without := s.Without(x.Test)
	if without == nil {
		return false
	}
	next := without.Add(x)
	return next.Explains(cause, len(next.Readings)-1)
}

// Without is the state without the readings of a test; nil if there were none.
func (s *State) Without(test int) *State {
	next := s.Table.Start()
	found := false
	for _, r := range s.Readings {
		if r.Test == test {
			found = true
			continue
		}
		next = next.Add(r)
	}
	if !found {
		return nil
	}
	return next
}
