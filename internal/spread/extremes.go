package spread

import (
	"math"
	"slices"
)

// Extremes picks levels worth trying as corners out of joint samples: first the one nearest to the middle, then those
// that lie farthest out along each parameter both ways and along random directions between them, until there are
// n (or no more). Parameters are measured in standard deviations about their mean. A quantity that is linear in the
// parameters has its extremes among the samples farthest out; a curved one nearly so.
func Extremes(samples [][]float64, n int, seed uint64) []int {
	if len(samples) == 0 || n <= 0 {
		return nil
	}
	d := len(samples[0])
	mean, dev := make([]float64, d), make([]float64, d)
	for _, s := range samples {
		for j, x := range s {
			mean[j] += x / float64(len(samples))
		}
	}
	for _, s := range samples {
		for j, x := range s {
			dev[j] += (x - mean[j]) * (x - mean[j]) / float64(len(samples))
		}
	}
	scaled := func(i, j int) float64 {
		if !(dev[j] > 0) {
			return 0
		}
		return (samples[i][j] - mean[j]) / math.Sqrt(dev[j])
	}
	middle, least := 0, math.Inf(1)
	for i := range samples {
		var far float64
		for j := 0; j < d; j++ {
			far += scaled(i, j) * scaled(i, j)
		}
		if far < least {
			middle, least = i, far
		}
	}
	out := []int{middle}
	way := make([]float64, d)
	farthest := func() {
		most, at := math.Inf(-1), -1
		for i := range samples {
			var x float64
			for j := range way {
				x += way[j] * scaled(i, j)
			}
			if x > most {
				most, at = x, i
			}
		}
		if at >= 0 && !slices.Contains(out, at) {
			out = append(out, at)
		}
	}
	for k := 0; k < 2*d && len(out) < n; k++ {
		clear(way)
		way[k/2] = float64(1 - 2*(k%2))
		farthest()
	}
	for k := 0; k < 8*n && len(out) < n; k++ {
		for j := range way {
			way[j] = 2*Number(seed, uint64(k*d+j)) - 1
		}
		farthest()
	}
	return out
}
