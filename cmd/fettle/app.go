package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/diag"
	"fettle/internal/finding"
	"fettle/internal/render"
	"fettle/internal/work"
)

// formats are the suffixes that -o understands.
var formats = []string{".json", ".txt", ".html", ".svg"}

// app is one run of the command.
type app struct {
	in       io.Reader
	out, err io.Writer
	env      func(string) (string, bool)
	status   int
	shown    bool      // findings have been printed
	problems diag.List // that go with the findings

	file    string   // --build
	json    bool     // --json
	outputs []string // -o
	noCache bool
	samples int
	seed    uint64
	full    bool // --full
	kept    int  // bench readings taken down in this run
}

func (a *app) root() *cobra.Command {
	root := &cobra.Command{
		Use:   "fettle",
		Short: "From an unknown vehicle to a home-made decoder that is proven before it is soldered",
		Long: `fettle takes a model vehicle whose insides are unknown to a home-made DCC function decoder
that is proven before it is soldered, and that can be mended when it misbehaves.

The build is --build FILE, or any argument that ends in .fettle, or the only build file of the
folder one stands in; else the embedded demo, and a line on standard error says so.

Exit status: 0 nothing fails, 1 something fails, 2 the input is wrong, 3 something could not be
judged for want of data.`,
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	f := root.PersistentFlags()
	f.StringVar(&a.file, "build", "", "the build file or its folder")
	f.BoolVar(&a.json, "json", false, "print one JSON envelope instead of text")
	f.StringArrayVarP(&a.outputs, "output", "o", nil, "also write to `NAME`; the suffix picks the format: .json .txt .html .svg")
	f.BoolVar(&a.noCache, "no-cache", false, "compute everything anew")
	root.AddCommand(a.newCommand(), a.surveyCommand(), a.chooseCommand(), a.proveCommand(), a.whyCommand(), a.partCommand(), a.packetCommand(), a.experimentCommand(), a.auditCommand(), a.faultCommand(), a.benchCommand(), a.fittedCommand(), a.sheetCommand(), a.openCommand())
	return root
}

// open finds and loads the build. Arguments that name a build file are taken out of args.
func (a *app) open(args []string) (f *build.Folder, rest []string, demo bool, err error) {
	file := a.file
	for _, arg := range args {
		if strings.HasSuffix(arg, ".fettle") && file == "" {
			file = arg
			continue
		}
		rest = append(rest, arg)
	}
	var list diag.List
	if file != "" {
		f, list, err = build.Open(file)
	} else {
		f, list, err = build.Open(".")
		if err == nil && len(list) > 0 && list[0].Code == build.NoBuildHere {
			demo = true
			fmt.Fprintln(a.err, "fettle: no build file here; this is the embedded demo, an invented railcar")
			f, list, err = build.OpenFS(examples.FS, examples.Demo)
		}
	}
	if err != nil {
		return nil, rest, demo, err
	}
	var sources map[string][]byte
	if f != nil {
		sources = f.Sources
	}
	if list.HasErrors() {
		return nil, rest, demo, &inputError{list, sources}
	}
	return f, rest, demo, list.Print(a.err, sources)
}

func (a *app) runner() *work.Runner {
	r := &work.Runner{Samples: a.samples, Seed: a.seed, Full: a.full, Testability: a.full}
	if !a.noCache {
		r.Cache = work.DefaultCache()
	}
	r.Progress = a.progress()
	return r
}

// show prints findings and writes the further outputs.
func (a *app) show(f finding.Findings, page func() ([]byte, error)) error {
	var err error
	if a.json {
		err = render.JSON(a.out, f, a.problems)
	} else {
		err = render.Text(a.out, f, render.For(a.out, a.env))
	}
	if err != nil {
		return err
	}
	a.shown = true
	for _, name := range a.outputs {
		if err := a.write(name, f, page); err != nil {
			return err
		}
	}
	a.judged(f)
	return nil
}

func (a *app) write(name string, f finding.Findings, page func() ([]byte, error)) error {
	var buf bytes.Buffer
	switch strings.ToLower(filepath.Ext(name)) {
	case ".json":
		if err := render.JSON(&buf, f, a.problems); err != nil {
			return err
		}
	case ".txt":
		if err := render.Text(&buf, f, render.Options{}); err != nil {
			return err
		}
	case ".html":
		if page == nil {
			return fmt.Errorf("-o %s: this question has no page of its own; fettle sheet writes one", name)
		}
		data, err := page()
		if err != nil {
			return err
		}
		buf.Write(data)
	case ".svg":
		return writeFigures(name, f)
	}
	return build.Save(name, buf.Bytes())
}

func (a *app) writeProblems(list diag.List) {
	_ = render.JSON(a.out, finding.Findings{}, list)
}

// replace saves a file of the build in the place of what was read, and of nothing else; nil is no file.
func replace(file string, was, data []byte) error {
	unlock, err := build.Lock(filepath.Dir(file))
	if err != nil {
		return err
	}
	defer unlock()
	return build.SaveOver(file, was, data)
}

// refuseDemo is the answer of what writes.
func refuseDemo(demo bool, what string) error {
	if demo {
		return fmt.Errorf("%s writes, and the embedded demo cannot be written: copy it with 'fettle new --demo DIR', or stand in a build's folder", what)
	}
	return nil
}

func (a *app) command(use, short string, run func(ctx context.Context, f *build.Folder, rest []string, demo bool) error) *cobra.Command {
	return &cobra.Command{Use: use, Short: short, RunE: func(cmd *cobra.Command, args []string) error {
		if err := a.checkOptions(); err != nil {
			return err
		}
		f, rest, demo, err := a.open(args)
		if err != nil {
			return err
		}
		return run(cmd.Context(), f, rest, demo)
	}}
}

// checkOptions refuses what cannot be done before anything is computed.
func (a *app) checkOptions() error {
	for _, name := range a.outputs {
		if ext := strings.ToLower(filepath.Ext(name)); !slices.Contains(formats, ext) {
			return fmt.Errorf("-o %s: the suffix picks the format, and %q is none of %s", name, ext, strings.Join(formats, " "))
		}
		if err := folderOf(name); err != nil {
			return err
		}
	}
	if a.samples < 0 {
		return fmt.Errorf("--samples %d: a count of samples is wanted, 10000 is the usual one", a.samples)
	}
	return nil
}

// folderOf says if there is no folder to write a file into.
func folderOf(name string) error {
	if info, err := os.Stat(filepath.Dir(name)); err != nil || !info.IsDir() {
		return fmt.Errorf("-o %s: there is no folder %s", name, filepath.Dir(name))
	}
	return nil
}

func noMore(rest []string) error {
	if len(rest) > 0 {
		return fmt.Errorf("%q is neither a build file nor an option of this command", rest[0])
	}
	return nil
}
