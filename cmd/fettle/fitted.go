package main

import (
	"bufio"
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fettle/internal/build"
	"fettle/internal/diag"
)

func (a *app) fittedCommand() *cobra.Command {
	how := build.Noting{}
	var write, ask bool
	cmd := a.command("fitted [WHAT NAME=VALUE…]", "What was really soldered in: note it, and see where it departs from the design", func(ctx context.Context, f *build.Folder, rest []string, demo bool) error {
		if how.Meter != "" && how.ByMarking {
			return fmt.Errorf("--meter and --by-marking: a value was measured or it was read off the part")
		}
		how.Today = time.Now().Format(time.DateOnly)
		if ask {
			if len(rest) > 0 {
				return fmt.Errorf("--ask asks for one part after the other: %q is not wanted beside it", rest[0])
			}
			if err := refuseDemo(demo, "fitted --ask"); err != nil {
				return err
			}
			return a.askFitted(ctx, f, how)
		}
		if len(rest) == 0 {
			if write || how.Meter != "" || how.ByMarking {
				return fmt.Errorf("what was fitted? fettle fitted front base=4.68k --meter NAME -w")
			}
			return a.listFitted(ctx, f)
		}
		if write {
			if err := refuseDemo(demo, "fitted -w"); err != nil {
				return err
			}
		}
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
  fettle fitted --ask --meter yellow                            asks for one part after the other, writes each answer

Nothing is written without -w; the lines that would change are shown. The design in the build file stays as it is: prove,
fault and the sheet then speak of the board as built, and say where it departs. What is not noted is taken as designed.
A value of no preferred series was measured; of the others say so with --meter ("hand meter" for one that the build file
does not describe).`
	cmd.Flags().StringVar(&how.Meter, "meter", "", "the `NAME` of the meter that the values were measured with")
	cmd.Flags().BoolVar(&how.ByMarking, "by-marking", false, "the values were not measured but read off the parts")
	cmd.Flags().StringVar(&how.Decoder, "decoder", "", "which decoder of the build, where there are several")
	cmd.Flags().BoolVar(&ask, "ask", false, "ask for every part that is not noted yet; each answer is written at once")
	cmd.Flags().BoolVarP(&write, "write", "w", false, "write it into the build file (comments and layout stay)")
	return cmd
}

// noted shows what changes, writes it if it is to be written, and says how the board then stands to the design.
func (a *app) noted(ctx context.Context, f *build.Folder, noted build.NotedEdits, text []byte, write bool) error {
	for _, s := range noted.Assumed {
		fmt.Fprintln(a.err, "fettle:", s)
	}
	after, list := edited(f, text)
	if list.HasErrors() {
		return &inputError{list, after.Sources}
	}
	sources := maps.Clone(after.Sources)
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
		if err := replace(f.File, f.Build.Source, text); err != nil {
			return fmt.Errorf("writing what was fitted: %w", err)
		}
		fmt.Fprintf(out, "%s\n%s\n", f.File, changed)
		fmt.Fprintf(a.err, "fettle: wrote into %s\n", f.File)
	default:
		fmt.Fprintf(out, "%s\n%s\n", f.File, changed)
		fmt.Fprintln(a.err, "fettle: nothing is written; -w writes it")
	}
	return a.listFitted(ctx, after)
}

// edited is the folder with another text of its build file, and the problems that text has and the old had not.
func edited(f *build.Folder, text []byte) (*build.Folder, diag.List) {
	beside := build.Beside{ReadingsFile: f.ReadingsFile, Readings: f.Sources[f.ReadingsFile], Drawer: f.Build.Drawer, Catalogue: f.Build.Catalogue}
	_, before := build.Load(f.File, f.Build.Source, beside)
	after := *f
	after.Sources = maps.Clone(f.Sources)
	after.Sources[f.File] = text
	var list diag.List
	after.Build, list = build.Load(f.File, text, beside)
	return &after, slices.DeleteFunc(list, func(p diag.Problem) bool {
		return slices.ContainsFunc(before, func(q diag.Problem) bool { return p.Code == q.Code && p.Message == q.Message })
	})
}

// askFitted goes through the parts of the board that are not noted yet. What is answered is written at once: nothing is lost
// with the power or the patience.
func (a *app) askFitted(ctx context.Context, f *build.Folder, how build.Noting) error {
	design, err := a.runner().Design(ctx, f)
	if err != nil {
		return err
	}
	fmt.Fprintln(a.out, `For each part what really went in: "4.68k" as measured or printed, a transistor's name, "none" where it was left out.
Enter takes it as designed and notes nothing; done ends. Each answer is written at once.
! Measure a resistor before it is soldered in. Power and track off before anything is touched; what was soldered stays hot.`)
	in := bufio.NewReader(a.in)
	answer := func(prompt string) (string, bool) {
		fmt.Fprint(a.out, prompt)
		line, err := in.ReadString('\n')
		line = strings.TrimSpace(line)
		return line, line != "" || err == nil
	}
	for i := range design.Decoders {
		plan := &design.Decoders[i]
		if how.Decoder != "" && plan.Name.Text != how.Decoder {
			continue
		}
		own := how
		own.Decoder = plan.Name.Text
		for _, v := range plan.Fits() {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if f.Build.Decoders[i].Fitted.Notes(v) {
				continue
			}
			planned, number := plan.Holds(v)
			for {
				line, ok := answer(fmt.Sprintf("%s, designed %s: ", v.Words(), planned))
				if !ok || strings.EqualFold(line, "done") {
					fmt.Fprintln(a.out)
					return a.listFitted(ctx, f)
				}
				if line == "" {
					break
				}
				if slip := build.Slip(v.Parse(line), number, planned); slip != "" {
					if keep, ok := answer(fmt.Sprintf("  %s Keep it (y), or measure again: ", slip)); !ok || !strings.HasPrefix(strings.ToLower(keep), "y") {
						continue
					}
				}
				next, err := a.writeAnswer(f, v, line, own)
				if err != nil {
					return err
				}
				if next != nil {
					f = next
					break
				}
			}
		}
	}
	return a.listFitted(ctx, f)
}

// writeAnswer notes one answer; without a folder it was not understood, and why is said.
func (a *app) writeAnswer(f *build.Folder, v build.FittedValue, line string, how build.Noting) (*build.Folder, error) {
	noted, list := f.Build.NoteFitted(v.Note(line), how)
	sources := maps.Clone(f.Sources)
	var text []byte
	if !list.HasErrors() {
		text, list = f.Build.Patch(noted.Edits)
	}
	noted.Place(list, sources)
	if list.HasErrors() {
		return nil, list.Print(a.out, sources)
	}
	for _, s := range noted.Assumed {
		fmt.Fprintln(a.out, "  "+s)
	}
	next, list := edited(f, text)
	list = slices.DeleteFunc(list, func(p diag.Problem) bool { return p.Code == "fitted-slip" }) // was asked about
	sources = maps.Clone(next.Sources)
	noted.Place(list, sources)
	if err := list.Print(a.out, sources); err != nil {
		return nil, err
	}
	if err := replace(f.File, f.Build.Source, text); err != nil {
		return nil, fmt.Errorf("writing what was fitted: %w", err)
	}
	return next, nil
}

func (a *app) listFitted(ctx context.Context, f *build.Folder) error {
	found, err := a.runner().Fitted(ctx, f)
	if err != nil {
		return err
	}
	return a.show(found, nil)
}
