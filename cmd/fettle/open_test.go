package main

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"fettle/examples"
)

// safe is a writer for several goroutines.
type safe struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *safe) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *safe) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// running is a daybook under way.
type running struct {
	url    string
	err    *safe
	rest   *bufio.Reader // of standard output
	stop   func()
	status chan int
}

func open(t *testing.T, env map[string]string, args ...string) running {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	t.Cleanup(stop)
	r, w := io.Pipe()
	d := running{err: &safe{}, rest: bufio.NewReader(r), stop: stop, status: make(chan int, 1)}
	a := &app{in: strings.NewReader(""), out: w, err: d.err, env: func(name string) (string, bool) {
		value, ok := env[name]
		return value, ok
	}}
	go func() {
		d.status <- a.run(ctx, append([]string{"open", "--no-cache", "--address", "127.0.0.1:0"}, args...))
		w.Close()
	}()
	line, err := d.rest.ReadString('\n')
	if err != nil {
		t.Fatal(err, d.err)
	}
	if !regexp.MustCompile(`^http://127\.0\.0\.1:\d+/\n$`).MatchString(line) {
		t.Fatalf("%q is no URL on a line", line)
	}
	d.url = strings.TrimSpace(line)
	return d
}

// ended is the exit status, and whether nothing but the URL was printed.
func (d running) ended(t *testing.T) {
	t.Helper()
	d.stop()
	if rest, err := io.ReadAll(d.rest); err != nil || len(rest) > 0 {
		t.Errorf("more than the URL was printed: %q %v", rest, err)
	}
	if status := <-d.status; status != exitHolds {
		t.Errorf("exit status %d: %s", status, d.err)
	}
}

// open prints one URL on a line and serves it until it is stopped; an empty folder shows the demos.
func TestOpenPrints(t *testing.T) {
	d := open(t, nil, "--print", t.TempDir())
	resp, err := http.Get(d.url)
	if err != nil {
		t.Fatal(err)
	}
	page, err := io.ReadAll(resp.Body)
	resp.Body.Close()
	if err != nil || resp.StatusCode != http.StatusOK || !strings.Contains(string(page), examples.Demo) {
		t.Errorf("%d %s", resp.StatusCode, page)
	}
	d.ended(t)
	if !strings.Contains(d.err.String(), "embedded demos") || strings.Contains(d.err.String(), "browser") {
		t.Error(d.err)
	}
	if _, err := http.Get(d.url); err == nil {
		t.Error("it serves on")
	}
}

// The browser that the machine has is given the URL; where there is none, the printed one stands.
func TestOpenBrowser(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("it stands in for the opener of one system")
	}
	dir, bin := t.TempDir(), t.TempDir()
	opened := filepath.Join(bin, "opened")
	if err := os.WriteFile(filepath.Join(bin, "xdg-open"), []byte("#!/bin/sh\necho \"$@\" >"+opened+"\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	t.Setenv("PATH", bin)
	said := func(d running, words string) bool {
		for range 100 {
			if strings.Contains(d.err.String(), words) {
				return true
			}
			time.Sleep(20 * time.Millisecond)
		}
		return false
	}
	d := open(t, nil, dir)
	if !said(d, "no browser could be opened") {
		t.Error("no screen: ", d.err)
	}
	d.ended(t)

	d = open(t, map[string]string{"DISPLAY": ":0"}, dir)
	for range 100 {
		if _, err := os.Stat(opened); err == nil {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	time.Sleep(50 * time.Millisecond)
	if got, err := os.ReadFile(opened); err != nil || strings.TrimSpace(string(got)) != d.url {
		t.Errorf("opened %q, want %s (%v)", got, d.url, err)
	}
	d.ended(t)
	if strings.Contains(d.err.String(), "browser") {
		t.Error(d.err)
	}

	t.Setenv("PATH", t.TempDir())
	d = open(t, map[string]string{"DISPLAY": ":0"}, dir)
	if !said(d, "no browser could be opened") {
		t.Error("no opener: ", d.err)
	}
	d.ended(t)
}

// With a passphrase in the environment nothing is shown before it is given; it is on no screen.
func TestOpenPassphrase(t *testing.T) {
	d := open(t, map[string]string{passphraseName: "correct battery staple"}, "--print", "--verbose", t.TempDir())
	resp, err := http.Get(d.url)
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusUnauthorized {
		t.Errorf("%d", resp.StatusCode)
	}
	d.ended(t)
	if strings.Contains(d.err.String(), "battery") || !strings.Contains(d.err.String(), "status=401") {
		t.Error(d.err)
	}
}
