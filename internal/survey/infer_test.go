package survey

import (
	"context"
	"math/rand/v2"
	"strings"

	"fettle/internal/build"
)

// inferOne is the inference of the first lamp, without its report.
func inferOne(ctx context.Context, b *build.Build) (*outcome, error) {
	return inferWith(ctx, b, Settings{})
}

func inferWith(ctx context.Context, b *build.Build, opt Settings) (*outcome, error) {
	opt, err := opt.filled()
	if err != nil {
		return nil, err
	}
	e := collect(b, &b.Vehicles[0].Lamps[0])
	m, err := newModel(e, "front")
	if err != nil {
		return nil, err
	}
	o := &outcome{name: "front", m: m, hs: e.hypotheses(b)}
	return o, o.infer(ctx, opt, rand.New(rand.NewPCG(1, 1)))
}

func contains(s, part string) bool { return strings.Contains(s, part) }

// compareOne weighs the structures of the first lamp, and samples nothing.
func compareOne(ctx context.Context, b *build.Build) (*outcome, error) {
	e := collect(b, &b.Vehicles[0].Lamps[0])
	m, err := newModel(e, "front")
	if err != nil {
		return nil, err
	}
	o := &outcome{name: "front", m: m, hs: e.hypotheses(b)}
	_, err = o.compare(ctx, rand.New(rand.NewPCG(1, 1)))
	return o, err
}
