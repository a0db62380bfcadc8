package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"fettle/internal/build"
	"fettle/internal/daybook"
	"fettle/internal/live"
)

// passphraseName is the variable of the environment that holds the passphrase: a flag would show it to all who list processes.
const passphraseName = "FETTLE_PASSPHRASE"

func (a *app) openCommand() *cobra.Command {
	var address string
	var printOnly, verbose bool
	cmd := &cobra.Command{
		Use:   "open [DIR]",
		Short: "The daybook: the whole job in the browser, on this machine",
		Long: `open serves the builds of a folder (its own and those of the folders right below it; the current folder where none is
named) as a daybook, and opens it in the browser. Without a build there, the daybook shows the embedded demos, kept in memory,
and starts a first build. It ends with Ctrl-C.

The daybook is reached from this machine alone. --address serves another one; others can then reach it, so it wants a
passphrase of ten characters or more: from the variable ` + passphraseName + `, else it is asked for. What is sent is not
encrypted: use it in a network you trust, or reach 127.0.0.1 through a tunnel of ssh.`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			dir, err := a.folderToOpen(args)
			if err != nil {
				return err
			}
			return a.serve(cmd.Context(), dir, address, printOnly, verbose)
		},
	}
	cmd.Flags().StringVar(&address, "address", "", "serve `HOST:PORT` (default "+daybook.DefaultAddress+", or any free port)")
	cmd.Flags().BoolVar(&printOnly, "print", false, "open no browser: print the address, one URL on a line, and serve")
	cmd.Flags().BoolVar(&verbose, "verbose", false, "tell every request on standard error")
	return cmd
}

// folderToOpen is the folder of the argument or of --build, either of which may be a build file.
func (a *app) folderToOpen(args []string) (string, error) {
	dir := "."
	switch {
	case len(args) > 0 && a.file != "":
		return "", errors.New("open wants one folder: DIR or --build")
	case len(args) > 0:
		dir = args[0]
	case a.file != "":
		dir = a.file
	}
	info, err := os.Stat(dir)
	if err != nil {
		return "", fmt.Errorf("opening %s: %w", dir, err)
	}
	if !info.IsDir() {
		if !strings.HasSuffix(dir, build.Suffix) {
			return "", fmt.Errorf("%s is neither a folder nor a build file", dir)
		}
		dir = filepath.Dir(dir)
	}
	return dir, nil
}

func (a *app) serve(ctx context.Context, dir, address string, printOnly, verbose bool) error {
	if _, set := os.LookupEnv("GOGC"); !set {
		debug.SetGCPercent(100) // it lives long and is mostly idle
	}
	ctx, stop := signal.NotifyContext(ctx, syscall.SIGTERM)
	defer stop()
	settings := daybook.Settings{Log: a.serverLog(verbose)}
	var err error
	if settings.Passphrase, err = a.passphrase(address); err != nil {
		return err
	}
	ln, err := daybook.Listen(address, &settings)
	if err != nil {
		return err
	}
	defer ln.Close()
	runner := a.runner()
	runner.Progress = nil // the pages show it
	shelf, err := live.OpenShelf(dir, runner)
	if err != nil {
		return err
	}
	defer shelf.Close()
	if len(shelf.Books()) == 0 {
		fmt.Fprintln(a.err, "fettle: no build file here; the daybook shows the embedded demos, kept in memory")
		shelf.AddDemos()
	}
	d := daybook.New(shelf, settings)
	defer d.Close()
	url := daybook.URL(ln)
	fmt.Fprintln(a.out, url)
	if settings.Public {
		fmt.Fprintf(a.err, "fettle: %s can be reached by others; what is sent is not encrypted\n", ln.Addr())
	}
	if !printOnly {
		go func() {
			if a.browse(url) != nil {
				fmt.Fprintln(a.err, "fettle: no browser could be opened here: open the address above in one")
			}
		}()
	}
	return d.Serve(ctx, ln)
}

// passphrase is that of the environment; where an address is named that others can reach and there is none, it is asked for.
func (a *app) passphrase(address string) (string, error) {
	if p, ok := a.env(passphraseName); ok {
		return p, nil
	}
	file, ok := a.in.(*os.File)
	if !daybook.NeedsPassphrase(address) || !ok || !term.IsTerminal(int(file.Fd())) {
		return "", nil // Listen says what is wanted
	}
	fmt.Fprint(a.err, "Passphrase for those who open it (not shown): ")
	p, err := term.ReadPassword(int(file.Fd()))
	fmt.Fprintln(a.err)
	return string(p), err
}

func (a *app) serverLog(verbose bool) *slog.Logger {
	level := slog.LevelError
	if verbose {
		level = slog.LevelInfo
	}
	return slog.New(slog.NewTextHandler(a.err, &slog.HandlerOptions{Level: level}))
}

// browse opens a URL in the user's browser, which outlives us; the error is that there is none to be opened.
func (a *app) browse(url string) error {
	var cmd *exec.Cmd
	switch runtime.GOOS {
	case "darwin":
		cmd = exec.Command("open", url)
	case "windows":
		cmd = exec.Command("rundll32", "url.dll,FileProtocolHandler", url)
	default:
		_, x := a.env("DISPLAY")
		_, wayland := a.env("WAYLAND_DISPLAY")
		if !x && !wayland {
			return errors.New("no screen")
		}
		cmd = exec.Command("xdg-open", url)
	}
	if err := cmd.Start(); err != nil {
		return err
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	select {
	case err := <-ended:
		return err
	case <-time.After(2 * time.Second): // it is a browser that stays
		return nil
	}
}
