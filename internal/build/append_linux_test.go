package build_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"fettle/internal/build"
)

// A disk that takes only half of what is to be written leaves the file as it was.
func TestAppendOnAFullDisk(t *testing.T) {
	path := filepath.Join(t.TempDir(), "readings.csv")
	x := build.BenchReading{Date: "2026-03-01", Setup: "board-left-on", Test: "PB0", Text: "4.9 V", Note: strings.Repeat("long ", 100)}
	if err := build.AppendBench(path, x); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var was syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &was); err != nil {
		t.Skip(err)
	}
	least := syscall.Rlimit{Cur: uint64(len(before)) + 100, Max: was.Max}
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &least); err != nil {
		t.Skip(err)
	}
	failed := build.AppendBench(path, x)
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &was); err != nil {
		t.Fatal(err)
	}
	after, err := os.ReadFile(path)
	if failed == nil || err != nil || !bytes.Equal(before, after) {
		t.Errorf("error %v; %d bytes became %d", failed, len(before), len(after))
	}
}
