package survey

import (
	"fettle/internal/build"
	"fettle/internal/unit"
	"sort"
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

func (o *outcome) report(b *build.Build, r *report) {}
