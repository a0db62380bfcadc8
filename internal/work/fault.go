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
	c, err := r.Choose(ctx, f)
	if err != nil {
		return nil, err
	}
	var names []string
	for i := range c.Build.Decoders {
		d := &c.Build.Decoders[i]
		names = append(names, d.Name.Text)
		if decoder != "" && d.Name.Text != decoder {
			continue
		}
		return kept(ctx, r, f, "fault "+d.Name.Text, func() (*fault.Table, error) {
			said, err := r.fitted(ctx, f, c.Build, i)
			if err != nil {
				return nil, err
			}
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
	if len(names) == 0 {
		return nil, fmt.Errorf("the build has no decoder")
	}
	return nil, fmt.Errorf("the build has no decoder %q; it has %s", decoder, strings.Join(names, ", "))
}
