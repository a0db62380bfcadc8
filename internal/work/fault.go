package work

import (
	"context"
	"fmt"
	"strings"

	"fettle/internal/build"
	"fettle/internal/fault"
	"fettle/internal/probe"
	"fettle/internal/wiring"
)

// Fault makes the fault table of a decoder, of the first one where no name is given: what every cause foresees of every
// reading. It is kept by content, so that only the first diagnosis of a build waits for it.
func (r *Runner) Fault(ctx context.Context, f *build.Folder, decoder string) (*fault.Table, error) {
	c, i, err := r.suspect(ctx, f, decoder)
	if err != nil {
		return nil, err
	}
	return kept(ctx, r, "fault "+c.Build.Decoders[i].Name.Text, BenchKey(f), func() (*fault.Table, error) {
		said, err := r.fitted(ctx, f, c.Build, i)
		if err != nil {
			return nil, err
		}
		n, err := suspectNetwork(c, i)
		if err != nil {
			return nil, err
		}
		t, err := fault.Build(ctx, n, fault.Building{Bench: probe.SettingsOf(c.Build), Progress: func(done, total int) {
			if r.Progress != nil {
				r.Progress("what every fault would show", done, total)
			}
		}})
		if err == nil {
			t.Assumes = append(t.Assumes, said...)
		}
		return t, err
	})
}

// FaultPlan is what can be read and said of a decoder, without what the causes foresee of it: to judge what was typed at once.
func (r *Runner) FaultPlan(ctx context.Context, f *build.Folder, decoder string) (*fault.Table, error) {
	c, i, err := r.suspect(ctx, f, decoder)
	if err != nil {
		return nil, err
	}
	n, err := suspectNetwork(c, i)
	if err != nil {
		return nil, err
	}
	return fault.Plan(n, fault.Building{Bench: probe.SettingsOf(c.Build)}), nil
}

// suspect finds the decoder that is asked about.
func (r *Runner) suspect(ctx context.Context, f *build.Folder, decoder string) (Chosen, int, error) {
	c, err := r.Choose(ctx, f)
	if err != nil {
		return Chosen{}, 0, err
	}
	var names []string
	for i := range c.Build.Decoders {
		name := c.Build.Decoders[i].Name.Text
		if decoder == "" || name == decoder {
			return c, i, nil
		}
		names = append(names, name)
	}
	if len(names) == 0 {
		return Chosen{}, 0, fmt.Errorf("the build has no decoder")
	}
	return Chosen{}, 0, fmt.Errorf("the build has no decoder %q; it has %s", decoder, strings.Join(names, ", "))
}

func suspectNetwork(c Chosen, i int) (*wiring.Network, error) {
	d := &c.Build.Decoders[i]
	n, missing, err := wiring.NewNetwork(c.Build, d, c.Lamps)
	if err != nil {
		return nil, err
	}
	if n == nil {
		var what []string
		for _, m := range missing {
			what = append(what, m.Why())
		}
		return nil, fmt.Errorf("decoder %s has no circuit yet: %s", d.Name.Text, strings.Join(what, "; "))
	}
	return n, nil
}
