package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// BenchmarkProgram times the built program as a whole process: the start-up that every command pays, and the
// cold static proof of the demo with 10 000 samples.
func BenchmarkProgram(b *testing.B) {
	exe := filepath.Join(b.TempDir(), "fettle")
	if out, err := exec.Command("go", "build", "-o", exe, ".").CombinedOutput(); err != nil {
		b.Fatalf("%v\n%s", err, out)
	}
	for _, args := range [][]string{{"--help"}, {"prove", "--no-cache"}, {"survey", "--no-cache"}, {"choose", "--no-cache"}} {
		b.Run(args[0], func(b *testing.B) {
			dir := b.TempDir()
			for b.Loop() {
				cmd := exec.Command(exe, args...)
				cmd.Dir, cmd.Env = dir, append(os.Environ(), "HOME="+dir)
				if err := cmd.Run(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
