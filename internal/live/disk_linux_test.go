package live_test

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"fettle/examples"
	"fettle/internal/build"
	"fettle/internal/live"
	"fettle/internal/work"
)

// smallDisk makes this test binary, in a mount namespace of its own, the user of a disk of 64 kB.
const smallDisk = "FETTLE_TEST_SMALL_DISK"

// A full disk and a read-only one: the answer says what happened, the file is as it was, nothing unfinished is left, and when
// there is room again the same edit is saved.
func TestFullAndReadOnlyDisk(t *testing.T) {
	if dir := os.Getenv(smallDisk); dir != "" {
		fullAndReadOnly(t, dir)
		return
	}
	cmd := exec.Command(os.Args[0], "-test.run=^TestFullAndReadOnlyDisk$", "-test.v")
	cmd.Env = append(os.Environ(), smallDisk+"="+t.TempDir())
	cmd.SysProcAttr = &syscall.SysProcAttr{Cloneflags: syscall.CLONE_NEWNS}
	if os.Getuid() != 0 {
		cmd.SysProcAttr.Cloneflags |= syscall.CLONE_NEWUSER
		cmd.SysProcAttr.UidMappings = []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getuid(), Size: 1}}
		cmd.SysProcAttr.GidMappings = []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getgid(), Size: 1}}
	}
	out, err := cmd.CombinedOutput()
	var exit *exec.ExitError
	switch {
	case err != nil && !errors.As(err, &exit):
		t.Skip("no mount namespace is to be had here:", err)
	case strings.Contains(string(out), "--- SKIP"):
		t.Skip(string(out))
	case err != nil || !strings.Contains(string(out), "--- PASS"):
		t.Errorf("%v\n%s", err, out)
	}
}

func fullAndReadOnly(t *testing.T, dir string) {
	if err := syscall.Mount("", "/", "", syscall.MS_PRIVATE|syscall.MS_REC, ""); err != nil {
		t.Skip("no mount is to be had here:", err)
	}
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=64k"); err != nil {
		t.Skip("no disk is to be had here:", err)
	}
	defer syscall.Unmount(dir, syscall.MNT_DETACH)
	entries, err := fs.ReadDir(examples.FS, examples.Demo)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		data, err := fs.ReadFile(examples.FS, examples.Demo+"/"+e.Name())
		if err != nil {
			t.Fatal(err)
		}
		write(t, dir, e.Name(), string(data))
	}
	s, err := live.OpenShelf(dir, &work.Runner{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	b, _ := s.Book(examples.Demo)
	fill, err := os.Create(filepath.Join(dir, "fill"))
	if err != nil {
		t.Fatal(err)
	}
	for piece := make([]byte, 4096); ; {
		if _, err := fill.Write(piece); err != nil {
			if !errors.Is(err, syscall.ENOSPC) {
				t.Fatal(err)
			}
			break
		}
	}
	fill.Close()

	text, readings, first := read(t, dir, file), read(t, dir, build.ReadingsName), b.Now()
	row := map[string]string{"lamp": "front", "track": "6.5 V", "current": "3.3 mA"}
	refused := func(words string, is error) {
		t.Helper()
		_, err := b.Edit(first.ID, []build.Edit{good("2.2 mA")}, "")
		var disk *live.DiskError
		if !errors.As(err, &disk) || !errors.Is(err, is) || !strings.Contains(disk.Words, words) || !strings.Contains(disk.Words, "as it was") {
			t.Errorf("an edit: %v", err)
		}
		if _, err := b.Append("", row); !errors.As(err, &disk) || disk.File != build.ReadingsName {
			t.Errorf("a reading: %v", err)
		}
		if _, err := s.Copy(b, "copy"); !errors.As(err, &disk) {
			t.Errorf("a copy: %v", err)
		}
		if read(t, dir, file) != text || read(t, dir, build.ReadingsName) != readings || b.Now() != first {
			t.Error("something was changed")
		}
		if undo, _ := b.Steps(); undo != "" {
			t.Errorf("%q is to be undone", undo)
		}
		if left, _ := filepath.Glob(filepath.Join(dir, ".*")); len(left) > 0 || exists(filepath.Join(dir, "copy")) {
			t.Errorf("left: %v", left)
		}
	}
	refused("the disk is full", syscall.ENOSPC)
	if err := os.Remove(fill.Name()); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mount("", dir, "", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""); err != nil {
		t.Fatal(err)
	}
	refused("read-only", syscall.EROFS)
	if err := syscall.Mount("", dir, "", syscall.MS_REMOUNT, ""); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Edit(first.ID, []build.Edit{good("2.2 mA")}, ""); err != nil {
		t.Error(err)
	}
	if got := read(t, dir, file); got != strings.Replace(text, `"2.0 mA"`, `"2.2 mA"`, 1) {
		t.Error(fmt.Sprint("the edit was not saved: ", got))
	}
}

func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}

// A file that its owner has write-protected is not written, not even by way of a new one in its place.
func TestWriteProtected(t *testing.T) {
	dir := folder(t)
	b := book(t, dir)
	if err := os.Chmod(filepath.Join(dir, file), 0o444); err != nil {
		t.Fatal(err)
	}
	text := read(t, dir, file)
	_, err := b.Edit(b.Now().ID, []build.Edit{good("2.2 mA")}, "")
	var disk *live.DiskError
	if !errors.As(err, &disk) || !errors.Is(err, fs.ErrPermission) || !strings.Contains(disk.Words, "write protection") || read(t, dir, file) != text {
		t.Errorf("%v", err)
	}
}
