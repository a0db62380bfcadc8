package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/mattn/go-isatty"
	"github.com/spf13/cobra"

	"fettle/examples"
	"fettle/internal/build"
)

func (a *app) newCommand() *cobra.Command {
	var demo string
	cmd := &cobra.Command{
		Use:   "new DIR",
		Short: "Start a build: asks what is known, leaves the rest open",
		Long: `new asks what is known of the vehicle, one question at a time, and starts a folder with a build
file, readings.csv and drawer.csv. An empty answer takes what stands in brackets; "?" leaves a thing
open. Answers may come from a file or a pipe. Nothing that lies in the folder is overwritten.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) != 1 {
				return errors.New("new wants the folder to start: fettle new DIR")
			}
			if demo != "" {
				return a.copyDemo(args[0], demo)
			}
			return a.start(cmd.Context(), args[0])
		},
	}
	cmd.Flags().StringVar(&demo, "demo", "", "no questions: a copy of an embedded demo: "+strings.Join(examples.Names, ", "))
	cmd.Flags().Lookup("demo").NoOptDefVal = examples.Demo
	return cmd
}

// start asks and writes.
func (a *app) start(ctx context.Context, dir string) error {
	answers, asked := map[string]string{}, map[string]bool{}
	in := bufio.NewReader(a.in)
	ended := false
	for {
		q, more := nextQuestion(answers, asked)
		if !more {
			break
		}
		asked[q.Key] = true
		if ended {
			continue // the answers ran out: the rest takes its defaults
		}
		for {
			if err := ctx.Err(); err != nil {
				return err
			}
			a.ask(q)
			line, err := in.ReadString('\n')
			ended = errors.Is(err, io.EOF)
			if err != nil && !ended {
				return fmt.Errorf("reading the answer: %w", err)
			}
			text := strings.TrimSpace(line)
			if why := q.Check(text); why != "" {
				fmt.Fprintln(a.err, "  "+why)
				if ended {
					return fmt.Errorf("the answers ended at %q with one that is not understood", q.Ask)
				}
				continue
			}
			if text != "" {
				answers[q.Key] = text
			}
			break
		}
	}
	files, list := build.New(answers, time.Now().Format("2006-01-02"))
	if list.HasErrors() {
		return &inputError{list: list}
	}
	return a.place(dir, files)
}

func nextQuestion(answers map[string]string, asked map[string]bool) (build.Question, bool) {
	for _, q := range build.Questions(answers) {
		if !asked[q.Key] {
			return q, true
		}
	}
	return build.Question{}, false
}

func (a *app) ask(q build.Question) {
	if q.Help != "" {
		fmt.Fprintln(a.out, "  "+q.Help)
	}
	if len(q.Options) > 0 {
		fmt.Fprintln(a.out, "  one of: "+strings.Join(q.Options, ", "))
	}
	fmt.Fprintf(a.out, "%s [%s] ", q.Ask, q.Default)
	if f, ok := a.in.(*os.File); !ok || !isatty.IsTerminal(f.Fd()) {
		fmt.Fprintln(a.out) // answers from a pipe bring no line end to the screen
	}
}

// place writes new files into a folder in which none of them lies yet.
func (a *app) place(dir string, files []build.NewFile) error {
	for _, f := range files {
		path := filepath.Join(dir, f.Name)
		if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("%s is there already; nothing was written", path)
		}
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("starting the folder: %w", err)
	}
	fmt.Fprintln(a.out)
	for _, f := range files {
		path := filepath.Join(dir, f.Name)
		if err := build.Save(path, f.Data); err != nil {
			return fmt.Errorf("starting the folder: %w", err)
		}
		fmt.Fprintln(a.out, "wrote", path)
	}
	fmt.Fprintf(a.out, "next: cd %s; fettle survey; fettle choose; fettle prove\n", dir)
	return nil
}

func (a *app) copyDemo(dir, demo string) error {
	if !slices.Contains(examples.Names, demo) {
		return fmt.Errorf("--demo=%s: there are %s", demo, strings.Join(examples.Names, ", "))
	}
	entries, err := fs.ReadDir(examples.FS, demo)
	if err != nil {
		return err
	}
	var files []build.NewFile
	for _, e := range entries {
		data, err := fs.ReadFile(examples.FS, demo+"/"+e.Name())
		if err != nil {
			return err
		}
		files = append(files, build.NewFile{Name: e.Name(), Data: data})
	}
	return a.place(dir, files)
}
