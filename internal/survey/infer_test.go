package survey

import (
	"context"
	"math/rand/v2"
	"strings"

	"fettle/internal/build"
)

// inferOne is the inference of the first lamp, without its report.
func inferOne(ctx context.Context, b *build.Build) (*outcome, error) {
	opt, _ := Settings{}.filled()
	e := collect(b, &b.Vehicles[0].Lamps[0])
	m, err := newModel(e, "front")
	if err != nil {
		return nil, err
	}
	o := &outcome{name: "front", m: m, hs: e.hypotheses(b.Catalogue)}
	return o, o.infer(ctx, opt, rand.New(rand.NewPCG(1, 1)))
}

func contains(s, part string) bool { return strings.Contains(s, part) }
