package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/mattn/go-isatty"
	"github.com/spf13/cobra"

	"fettle/internal/build"
	"fettle/internal/diag"
	"fettle/internal/fault"
)

func (a *app) faultCommand() *cobra.Command {
	var readings, saw []string
	var decoder, log string
	var fresh bool
	cmd := a.command("fault [FILE]", "From readings to ranked causes and the next reading worth taking", func(ctx context.Context, f *build.Folder, rest []string, demo bool) error {
		if err := noMore(rest); err != nil {
			return err
		}
		if len(readings)+len(saw) > 0 { // what was typed is judged before anything takes time
			plan, err := a.runner().FaultPlan(ctx, f, decoder)
			if err != nil {
				return err
			}
			if err := takeAll(fault.NewSession(plan), readings, saw); err != nil {
				return err
			}
		}
		t, err := a.runner().Fault(ctx, f, decoder)
		if err != nil {
			return err
		}
		s := fault.NewSession(t)
		if !fresh {
			if err := a.fromBench(ctx, s, f, decoder); err != nil {
				return err
			}
		}
		if err := a.readLog(s, log); err != nil {
			return err
		}
		if err := takeAll(s, readings, saw); err != nil {
			return err
		}
		if len(readings)+len(saw) == 0 && !a.json {
			return a.converse(ctx, s, log)
		}
		found := s.Findings()
		found.Build = f.Build.Name()
		return a.show(found, nil)
	})
	cmd.Long = `fault finds what is wrong with a decoder from readings and observations, and says which reading would
tell most next.

  fettle fault                                          a conversation: it asks, you answer
  fettle fault --reading "dcc on: PB0 = 0.02 V"         one shot; may be given several times
  fettle fault --reading "front light on and stays on"  something seen, in plain words
  fettle fault --reading "worked after warming"         something tried
  fettle fault --log found.txt                          takes the lines of a file first, and adds what is typed to it

It starts from the readings that fettle bench keeps in readings.csv; --fresh leaves them out, as after a repair.
A reading is [SETUP:] POINT [to POINT] = VALUE with its unit, or OL. Black stands on decoder minus where no second point
is named. Decoder minus is not a rail: an earthed instrument clipped there under live track shorts the booster.
Exit status: 0 nothing is wrong, 1 one fault stands clear, 3 not decided yet. docs/fault.md says more.`
	cmd.Flags().StringArrayVar(&readings, "reading", nil, "a `READING`, or what was seen or tried, e.g. \"dcc on: PB0 = 0.02 V\"; may be given several times")
	cmd.Flags().StringArrayVar(&saw, "saw", nil, "an `OBSERVATION`, e.g. \"board gets warm\"; the same as --reading; may be given several times")
	cmd.Flags().StringVar(&decoder, "decoder", "", "which decoder of the build; the first one where none is named")
	cmd.Flags().BoolVar(&fresh, "fresh", false, "leave out what readings.csv keeps of the bench")
	cmd.Flags().StringVar(&log, "log", "", "a `FILE` of readings and observations, a line each: read first, added to")
	return cmd
}

// fromBench starts from what the folder keeps of the bench, and says so.
func (a *app) fromBench(ctx context.Context, s *fault.Session, f *build.Folder, decoder string) error {
	if len(f.Build.Bench) == 0 {
		return nil
	}
	b, err := a.runner().Bench(ctx, f, decoder)
	if err != nil {
		return err
	}
	taken, list := b.Taken()
	if err := list.Print(a.err, f.Sources); err != nil {
		return err
	}
	off := b.Begin(s, taken)
	if len(taken) > 0 {
		fmt.Fprintf(a.err, "fettle: starts from %s of the bench in %s, %d off; --fresh leaves them out\n", count(len(taken), "reading"), f.ReadingsFile, off)
	}
	return nil
}

// takeAll takes down what the command line says, readings and observations in either flag; all that is wrong with it is reported at once.
func takeAll(s *fault.Session, readings, saw []string) error {
	var list diag.List
	sources := map[string][]byte{"--reading": []byte(strings.Join(readings, "\n")), "--saw": []byte(strings.Join(saw, "\n"))}
	for _, flag := range []struct {
		name  string
		texts []string
		take  func(file string, line int, text string) ([]fault.Reading, diag.List)
	}{{"--reading", readings, s.Take}, {"--saw", saw, s.Saw}} {
		at := 0
		for i, text := range flag.texts {
			all, problems := flag.take(flag.name, i+1, text)
			shift(problems, at)
			at += len(text) + 1
			if list = append(list, problems...); len(problems) > 0 {
				continue
			}
			for _, r := range all {
				if assumed := s.Assumed(r, text); assumed != "" {
					s.Notes = append(s.Notes, assumed)
				}
				s.Put(r, text)
			}
		}
	}
	if list.HasErrors() {
		return &inputError{list, sources}
	}
	return nil
}

// shift moves what was found in a line to where the line begins in its source.
func shift(list diag.List, by int) {
	for i := range list {
		list[i].Range.Start.Byte += by
		list[i].Range.End.Byte += by
	}
}

// readLog takes the lines of a file; a line that is damaged is named and the others count.
func (a *app) readLog(s *fault.Session, name string) error {
	if name == "" {
		return nil
	}
	src, err := os.ReadFile(name)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("reading the log: %w", err)
	}
	var list diag.List
	next := 0
	for i, line := range strings.Split(string(src), "\n") {
		at := next + len(line) - len(strings.TrimLeft(line, " \t"))
		next += len(line) + 1
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		all, problems := s.Take(name, i+1, line)
		shift(problems, at)
		for k := range problems {
			problems[k].Severity = diag.Warning
			problems[k].Message += "; this line is left out"
		}
		if list = append(list, problems...); len(problems) > 0 {
			continue
		}
		for _, r := range all {
			s.Put(r, line)
		}
	}
	return list.Print(a.err, map[string][]byte{name: src})
}

// converse asks and answers until one thing stands clear, or the input ends.
func (a *app) converse(ctx context.Context, s *fault.Session, log string) error {
	k := fault.NewTalk(s)
	fmt.Fprint(a.out, k.Begin())
	in := bufio.NewReader(a.in)
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		if file, ok := a.in.(*os.File); ok && isatty.IsTerminal(file.Fd()) {
			fmt.Fprint(a.out, "> ")
		}
		line, err := in.ReadString('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return fmt.Errorf("reading the answer: %w", err)
		}
		ended := errors.Is(err, io.EOF)
		if ended && strings.TrimSpace(line) == "" {
			break
		}
		before := len(s.Entries)
		reply, done := k.Line(line)
		fmt.Fprint(a.out, reply)
		if len(s.Entries) > before && log != "" {
			for _, e := range s.Entries[before:] {
				if err := appendLine(log, s.Table.Write(e.Reading)); err != nil {
					return err
				}
			}
		}
		if done || ended {
			break
		}
	}
	found := s.Findings()
	a.judged(found)
	return nil
}

func appendLine(name, line string) error {
	f, err := os.OpenFile(name, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
	if err != nil {
		return fmt.Errorf("writing the log: %w", err)
	}
	if _, err := fmt.Fprintln(f, line); err != nil {
		f.Close()
		return fmt.Errorf("writing the log: %w", err)
	}
	if err := f.Close(); err != nil {
		return fmt.Errorf("writing the log: %w", err)
	}
	return nil
}
