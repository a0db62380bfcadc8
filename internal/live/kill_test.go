package live_test

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/live"
	"fettle/internal/work"
)

// saverDir makes this test binary a saver: it edits the build of that folder for ever and says what it does.
const saverDir = "FETTLE_TEST_SAVER"

func TestMain(m *testing.M) {
	if dir := os.Getenv(saverDir); dir != "" {
		saver(dir)
	}
	var err error
	if cache, err = os.MkdirTemp("", "fettle-test-"); err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	status := m.Run()
	_ = os.RemoveAll(cache)
	os.Exit(status)
}

// cache is the folder of kept answers that the tests share.
var cache string

// saver says "try VALUE" before it saves and "done VALUE" once the save is acknowledged.
func saver(dir string) {
	s, err := live.OpenShelf(dir, &work.Runner{})
	if err != nil {
		fmt.Println("failed", err)
		os.Exit(1)
	}
	b, _ := s.Book(examples.Demo)
	from, _, _ := build.Value(file, b.Now().Sources[file], lamp, "good")
	var n int
	if _, err := fmt.Sscanf(from, "2.%d mA", &n); err != nil {
		fmt.Println("failed", from, err)
		os.Exit(1)
	}
	for {
		n = 100000 + (n+1)%100000
		mA := fmt.Sprintf("2.%d mA", n)
		fmt.Println("try", mA)
		if _, err := b.Edit(b.Now().ID, []build.Edit{good(mA)}, ""); err != nil {
			fmt.Println("failed", err)
			os.Exit(1)
		}
		fmt.Println("done", mA)
		if n%3 == 0 { // an undo and a redo are saves too, and leave what was there
			for _, back := range []func() (*live.Revision, error){b.Undo, b.Redo} {
				if _, err := back(); err != nil {
					fmt.Println("failed", err)
					os.Exit(1)
				}
			}
		}
	}
}

// rounds is how often a process is killed.
var rounds = 200

// A process that is killed during its saves leaves the content that it acknowledged last, or the one that it was saving, whole:
// 200 rounds, each killed at a moment of its own.
func TestKilled(t *testing.T) {
	dir := folder(t)
	text := strings.Replace(read(t, dir, file), `"2.0 mA"`, `"2.100000 mA"`, 1)
	write(t, dir, file, text)
	whole := func(mA string) string { return strings.Replace(text, "2.100000 mA", mA, 1) }
	// The kills are spread over some three saves, which take what they take on this machine: longer, where it has more to do meanwhile.
	b := book(t, dir)
	begun := time.Now()
	if _, err := b.Edit(b.Now().ID, []build.Edit{good("2.100001 mA")}, ""); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Undo(); err != nil {
		t.Fatal(err)
	}
	spread := int64(3 * time.Since(begun) / 2)
	random := rand.New(rand.NewPCG(1, 2))
	saves, during := 0, 0
	last := "2.100000 mA"
	for round := range rounds {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), saverDir+"="+dir)
		out, err := cmd.StdoutPipe()
		if err == nil {
			err = cmd.Start()
		}
		if err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewReader(out)
		first, err := lines.ReadString('\n') // it has begun to save
		if err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Duration(random.Int64N(spread)))
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		rest, err := io.ReadAll(lines)
		if err != nil {
			t.Fatal(err)
		}
		_ = cmd.Wait() // it was killed
		said := []byte(first)
		said = append(said, rest[:bytes.LastIndexByte(rest, '\n')+1]...)
		acknowledged, trying := last, ""
		for _, line := range strings.Split(strings.TrimSpace(string(said)), "\n") {
			switch word, mA, _ := strings.Cut(line, " "); word {
			case "try":
				trying = mA
			case "done":
				acknowledged = mA
				saves++
			default:
				t.Fatalf("round %d: %s", round, line)
			}
		}
		got := read(t, dir, file)
		before := fmt.Sprintf("2.%d mA", 100000+(numberOf(t, acknowledged)+99999)%100000) // what an undo had brought back
		switch got {
		case whole(acknowledged):
			last = acknowledged
		case whole(trying):
			last = trying
			during++
		case whole(before):
			if numberOf(t, acknowledged)%3 != 0 {
				t.Fatalf("round %d: %s was acknowledged and is gone", round, acknowledged)
			}
			last = before
			during++
		default:
			t.Fatalf("round %d: acknowledged %s, saving %s; the file holds neither:\n%s", round, acknowledged, trying, got)
		}
		if saves < round/2 {
			spread += spread / 20
		}
	}
	left, err := filepath.Glob(filepath.Join(dir, ".*.tmp"))
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range left {
		if !build.Left(filepath.Base(l)) {
			t.Errorf("%s would never be swept", l)
		}
	}
	t.Logf("%d saves acknowledged, %d kills within one, %d unfinished files left", saves, during, len(left))
	if saves < rounds/4 || during+len(left) == 0 {
		t.Errorf("the kills met no save: %d acknowledged, %d within one", saves, during)
	}
}

func numberOf(t *testing.T, mA string) int {
	var n int
	if _, err := fmt.Sscanf(mA, "2.%d mA", &n); err != nil {
		t.Fatal(err)
	}
	return n
}
