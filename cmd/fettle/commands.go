package main

import (
	"context"
	"fmt"
	"sort"
	"strings"

	"github.com/spf13/cobra"

	"fettle/internal/build"
	"fettle/internal/finding"
	"fettle/internal/render"
	"fettle/internal/work"
)

func (a *app) surveyCommand() *cobra.Command {
	return a.command("survey [FILE]", "What each lamp is, from the readings", func(ctx context.Context, f *build.Folder, rest []string, demo bool) error {
		if err := noMore(rest); err != nil {
			return err
		}
		s, err := a.runner().Survey(ctx, f)
		if err != nil {
			return err
		}
		return a.show(s.Findings, nil)
	})
}

func (a *app) chooseCommand() *cobra.Command {
	var write bool
	cmd := a.command("choose [FILE]", "Values for what the file leaves open", func(ctx context.Context, f *build.Folder, rest []string, demo bool) error {
		if err := noMore(rest); err != nil {
			return err
		}
		if write {
			if err := refuseDemo(demo, "choose -w"); err != nil {
				return err
			}
		}
		c, err := a.runner().Choose(ctx, f)
		if err != nil {
			return err
		}
		if write && len(c.Edits) > 0 {
			text, list := f.Build.Patch(c.Edits)
			if list.HasErrors() {
				return &inputError{list, f.Sources}
			}
			if err := replace(f.File, f.Build.Source, text); err != nil {
				return fmt.Errorf("writing the chosen values: %w", err)
			}
			fmt.Fprintf(a.err, "fettle: wrote %d values into %s\n", len(c.Edits), f.File)
		}
		a.tell(c.Findings, "fitted.")
		return a.show(c.Findings, nil)
	})
	cmd.Flags().BoolVarP(&write, "write", "w", false, "write the chosen values into the build file (comments and layout stay)")
	return cmd
}

func (a *app) proveCommand() *cobra.Command {
	cmd := a.command("prove [FILE]", "Every requirement over every corner: verdicts", func(ctx context.Context, f *build.Folder, rest []string, demo bool) error {
		if err := noMore(rest); err != nil {
			return err
		}
		p, err := a.runner().Prove(ctx, f, len(a.outputs) > 0)
		if err != nil {
			return err
		}
		a.tell(p.Findings, work.AsBuilt)
		return a.show(p.Findings, func() ([]byte, error) { return page(p) })
	})
	cmd.Flags().IntVar(&a.samples, "samples", 0, "samples of the attack on the worst case (default 10000)")
	cmd.Flags().Uint64Var(&a.seed, "seed", 0, "seed of the samples (default 1)")
	cmd.Flags().BoolVar(&a.full, "full", false, "compute every sample, not only those that an estimate finds worst or leaves in doubt, and which faults the bench would not catch")
	return cmd
}

// tell says on standard error what the board as built changes, which else stands among the notes at the end. A name that ends
// in a dot stands for all that begin with it.
func (a *app) tell(f finding.Findings, id string) {
	for _, n := range f.Notes {
		if n.ID == id || strings.HasSuffix(id, ".") && strings.HasPrefix(n.ID, id) {
			fmt.Fprintln(a.err, "fettle: as built:", n.Text)
		}
	}
}

func (a *app) whyCommand() *cobra.Command {
	return a.command("why [THING…]", "The working behind a value or a verdict", func(ctx context.Context, f *build.Folder, rest []string, demo bool) error {
		p, err := a.runner().Prove(ctx, f, true)
		if err != nil {
			return err
		}
		all := p.All()
		if len(rest) == 0 {
			fmt.Fprintln(a.out, "fettle can say why for:")
			for _, id := range things(all) {
				fmt.Fprintln(a.out, "  "+id)
			}
			return nil
		}
		id, err := match(all, strings.Join(rest, " "))
		if err != nil {
			return err
		}
		if a.json {
			return render.JSON(a.out, only(all, id), nil)
		}
		_, err = render.Why(a.out, all, id, render.For(a.out, a.env))
		return err
	})
}

// things lists what has an identifier, in order.
func things(f finding.Findings) []string {
	var ids []string
	seen := map[string]bool{}
	add := func(id string) {
		if !seen[id] {
			seen[id] = true
			ids = append(ids, id)
		}
	}
	for _, v := range f.Values {
		add(v.ID)
	}
	for _, j := range f.Verdicts {
		add(j.ID)
	}
	return ids
}

// match finds the thing meant: the identifier itself, or the only one that contains every word of it.
func match(f finding.Findings, thing string) (string, error) {
	words := strings.FieldsFunc(strings.ToLower(thing), func(r rune) bool { return r == '.' || r == ' ' || r == '-' || r == '_' })
	var hits []string
	for _, id := range things(f) {
		if strings.EqualFold(id, thing) {
			return id, nil
		}
		low, all := strings.ToLower(id), true
		for _, w := range words {
			all = all && strings.Contains(low, w)
		}
		if all {
			hits = append(hits, id)
		}
	}
	sort.SliceStable(hits, func(i, j int) bool { return len(hits[i]) < len(hits[j]) })
	switch {
	case len(hits) == 0:
		return "", fmt.Errorf("nothing is called %q; 'fettle why' without a word lists what there is", thing)
	case len(hits) == 1 || strings.HasSuffix(strings.ToLower(hits[0]), "."+words[len(words)-1]):
		return hits[0], nil
	}
	return "", fmt.Errorf("%q could be %s", thing, strings.Join(hits, ", "))
}

// only is the findings of one identifier.
func only(f finding.Findings, id string) finding.Findings {
	out := finding.Findings{Question: "why", Build: f.Build}
	for _, v := range f.Values {
		if v.ID == id {
			out.Values = append(out.Values, v)
		}
	}
	for _, j := range f.Verdicts {
		if j.ID == id {
			out.Verdicts = append(out.Verdicts, j)
		}
	}
	return out
}
