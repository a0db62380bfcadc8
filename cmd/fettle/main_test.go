package main

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"strconv"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"fettle": func() {
		a := &app{in: os.Stdin, out: os.Stdout, err: os.Stderr, env: os.LookupEnv}
		os.Exit(a.run(context.Background(), os.Args[1:]))
	}})
}

func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{Dir: "testdata/script", Setup: func(e *testscript.Env) error {
		e.Setenv("XDG_CACHE_HOME", e.WorkDir+"/.cache")
		e.Setenv("HOME", e.WorkDir)
		return nil
	}, Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
		// status N COMMAND…: the exit status of the built command must be N.
		"status": func(ts *testscript.TestScript, neg bool, args []string) {
			if len(args) < 2 {
				ts.Fatalf("usage: status N command…")
			}
			err := ts.Exec(args[1], args[2:]...)
			got := "0"
			if err != nil {
				got = "1"
				if code, ok := exitCode(err); ok {
					got = code
				}
			}
			if got != args[0] {
				ts.Fatalf("exit status %s, want %s", got, args[0])
			}
		},
	}})
}

func exitCode(err error) (string, bool) {
	var e *exec.ExitError
	if errors.As(err, &e) {
		return strconv.Itoa(e.ExitCode()), true
	}
	return "", false
}
