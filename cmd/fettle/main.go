// Command fettle takes a model vehicle whose insides are unknown to a home-made DCC function decoder that is
// proven before it is soldered, and that can be mended when it misbehaves.
//
// This command computes nothing: it finds the build, asks package work and prints. Exit status: 0 nothing
// fails, 1 something fails, 2 the input is wrong, 3 something could not be judged for want of data.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"runtime/debug"

	"fettle/internal/diag"
	"fettle/internal/finding"
)

// Exit statuses of the built binary.
const (
	exitHolds   = 0
	exitFails   = 1
	exitInput   = 2
	exitUnknown = 3
)

func main() {
	// Short work with much small garbage: 30 MB more are worth a tenth of the time.
	if _, set := os.LookupEnv("GOGC"); !set {
		debug.SetGCPercent(400)
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	a := &app{in: os.Stdin, out: os.Stdout, err: os.Stderr, env: os.LookupEnv}
	code := a.run(ctx, os.Args[1:])
	stop()
	os.Exit(code)
}

// run executes one command line and returns its exit status.
func (a *app) run(ctx context.Context, args []string) int {
	root := a.root()
	root.SetArgs(args)
	root.SetOut(a.out)
	root.SetErr(a.err)
	err := root.ExecuteContext(ctx)
	var bad *inputError
	switch {
	case err == nil:
		return a.status
	case errors.As(err, &bad):
		if len(bad.list) > 0 {
			if a.json && !a.shown {
				a.writeProblems(bad.list)
			}
			bad.list.Print(a.err, bad.sources)
		}
		return exitInput
	case errors.Is(err, context.Canceled):
		err = errors.New("stopped; nothing was written")
	}
	if a.json {
		a.writeProblems(diag.List{{Code: "failed", Message: err.Error()}})
	}
	fmt.Fprintln(a.err, "fettle:", err)
	return exitInput
}

// inputError is a list of diagnostics with the texts they point into.
type inputError struct {
	list    diag.List
	sources map[string][]byte
}

func (e *inputError) Error() string { return e.list.Error() }

// judged turns the verdict of the whole into the exit status.
func (a *app) judged(f finding.Findings) {
	switch {
	case len(f.Verdicts) == 0:
	case f.Worst() == finding.Fails:
		a.status = exitFails
	case f.Worst() == finding.Unknown:
		a.status = exitUnknown
	}
}
