package main

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"fettle/internal/build"
	"fettle/internal/diag"
)

func (a *app) fittedCommand() *cobra.Command {
	how := build.Noting{}
	var write bool
	cmd := a.command("fitted [WHAT NAME=VALUE…]", "What was really soldered in: note it, and see where it departs from the design", func(ctx context.Context, f *build.Folder, rest []string, demo bool) error {
		if len(rest) == 0 {
			if write || how.Meter != "" || how.ByMarking {
				return fmt.Errorf("what was fitted? fettle fitted front base=4.68k --meter NAME -w")
			}
			found, err := a.runner().Fitted(ctx, f)
			if err != nil {
				return err
			}
			return a.show(found, nil)
		}
		if how.Meter != "" && how.ByMarking {
			return fmt.Errorf("--meter and --by-marking: a value was measured or it was read off the part")
		}
		if write {
			if err := refuseDemo(demo, "fitted -w"); err != nil {
				return err
			}
		}
		how.Today = time.Now().Format(time.DateOnly)
		noted, list := f.Build.NoteFitted(rest, how)
		sources := maps.Clone(f.Sources)
		var text []byte
		if !list.HasErrors() {
			text, list = f.Build.Patch(noted.Edits)
		}
		if list.HasErrors() {
			noted.Place(list, sources)
			return &inputError{list, sources}
		}
		return a.noted(ctx, f, noted, text, write)
	})
	cmd.Long = `fitted says what is noted of what was really soldered in, beside what was designed, and what is not noted yet.
With words it notes more: the output (or supply, chip, ear, answer), then what was fitted in it.

  fettle fitted front base=4.68k series=993R --meter yellow     measured with that meter before soldering
  fettle fitted front switch=BC847B hfe=310                     the transistor actually used, its measured gain
  fettle fitted ear series=22k front base=4.7k --by-marking     read off the parts
  fettle fitted vehicle="number 3" note="second board"          which of several vehicles alike
  fettle fitted front base=designed                             takes a note back

Nothing is written without -w; the lines that would change are shown. The design in the build file stays as it is: prove,
fault and the sheet then speak of the board as built, and say where it departs. What is not noted is taken as designed.
A value of no preferred series was measured; of the others say so with --meter ("hand meter" for one that the build file
does not describe).`
	cmd.Flags().StringVar(&how.Meter, "meter", "", "the `NAME` of the meter that the values were measured with")
	cmd.Flags().BoolVar(&how.ByMarking, "by-marking", false, "the values were not measured but read off the parts")
	cmd.Flags().StringVar(&how.Decoder, "decoder", "", "which decoder of the build, where there are several")
	cmd.Flags().BoolVarP(&write, "write", "w", false, "write it into the build file (comments and layout stay)")
	return cmd
}

// noted shows what changes, writes it if it is to be written, and says how the board then stands to the design.
func (a *app) noted(ctx context.Context, f *build.Folder, noted build.NotedEdits, text []byte, write bool) error {
	for _, s := range noted.Assumed {
		fmt.Fprintln(a.err, "fettle:", s)
	}
	beside := build.Beside{ReadingsFile: f.ReadingsFile, Readings: f.Sources[f.ReadingsFile], Drawer: f.Build.Drawer, Catalogue: f.Build.Catalogue}
	b, list := build.Load(f.File, text, beside)
	if list.HasErrors() {
		return &inputError{list, map[string][]byte{f.File: text}}
	}
	sources := maps.Clone(f.Sources)
	sources[f.File] = text
	_, before := build.Load(f.File, f.Build.Source, beside)
	list = slices.DeleteFunc(list, func(p diag.Problem) bool { // what was said already
		return slices.ContainsFunc(before, func(q diag.Problem) bool { return p.Code == q.Code && p.Message == q.Message })
	})
	noted.Place(list, sources)
	if err := list.Print(a.err, sources); err != nil {
		return err
	}
	a.problems = append(a.problems, list...)
	changed := build.Changed(f.Build.Source, text)
	out := a.out
	if a.json {
		out = a.err
	}
	switch {
	case changed == "":
		fmt.Fprintf(a.err, "fettle: %s says so already\n", f.File)
	case write:
		if err := build.Save(f.File, text); err != nil {
			return fmt.Errorf("writing what was fitted: %w", err)
		}
		fmt.Fprintf(out, "%s\n%s\n", f.File, changed)
		fmt.Fprintf(a.err, "fettle: wrote into %s\n", f.File)
	default:
		fmt.Fprintf(out, "%s\n%s\n", f.File, changed)
		fmt.Fprintln(a.err, "fettle: nothing is written; -w writes it")
	}
	delete(sources, build.Typed)
	after := *f
	after.Build, after.Sources = b, sources
	found, err := a.runner().Fitted(ctx, &after)
	if err != nil {
		return err
	}
	return a.show(found, nil)
}
