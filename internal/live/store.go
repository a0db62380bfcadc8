package live

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
	"sync"
	"syscall"

	"fettle/internal/build"
	"fettle/internal/diag"
)

// A store is where the files of a build lie. Names are as build.Folder gives them.
type store interface {
	open(file string) (*build.Folder, diag.List, error)
	read(name string) ([]byte, error)
	// save replaces was by data, whole; nil stands for no file.
	save(name string, was, data []byte) error
	// lock keeps other programs of ours from the files of a folder.
	lock(dir string) (unlock func(), err error)
	// above is the drawer one folder up from dir, or "".
	above(dir string) string
	// stamp changes when a file does, though not always.
	stamp(names []string) string
}

// disk is a folder; nothing outside it is touched, whatever symbolic links say, but the drawer one folder up.
type disk struct{ root *os.Root }

func (d disk) open(file string) (*build.Folder, diag.List, error) { return build.OpenIn(d.root, file) }

// outer is the drawer in the folder above the root.
var outer = filepath.Join("..", build.DrawerName)

func (d disk) read(name string) ([]byte, error) {
	if name == outer {
		return os.ReadFile(filepath.Join(d.root.Name(), outer))
	}
	return d.root.ReadFile(name)
}

func (d disk) save(name string, was, data []byte) error {
	if name != outer {
		switch _, err := d.root.Stat(name); { // follows links, and refuses those that leave the root
		case errors.Is(err, fs.ErrNotExist):
			if _, err := d.root.Lstat(name); err == nil {
				return fmt.Errorf("%s is a symbolic link to nothing", name)
			}
		case err != nil:
			return err
		}
	}
	if data != nil {
		return build.SaveOver(filepath.Join(d.root.Name(), name), was, data)
	}
	if now, err := d.read(name); err != nil || !bytes.Equal(now, was) {
		return build.ErrChanged
	}
	return d.root.Remove(name)
}

func (d disk) lock(dir string) (func(), error) { return build.Lock(filepath.Join(d.root.Name(), dir)) }

func (d disk) above(dir string) string { return filepath.Join(dir, "..", build.DrawerName) }

func (d disk) stamp(names []string) string {
	var b strings.Builder
	for _, n := range names {
		info, err := d.root.Stat(n)
		if n == outer {
			info, err = os.Stat(filepath.Join(d.root.Name(), outer))
		}
		if err == nil {
			fmt.Fprintf(&b, "%s %d %d\n", n, info.Size(), info.ModTime().UnixNano())
		}
	}
	return b.String()
}

// memory lies over a file system that cannot be written: what is saved is forgotten at the end.
type memory struct {
	under fs.FS
	mu    sync.Mutex
	over  map[string][]byte
}

func (m *memory) Open(name string) (fs.File, error) { return m.under.Open(name) }

// ReadFile is the content as it was changed; a nil one was taken away.
func (m *memory) ReadFile(name string) ([]byte, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if data, ok := m.over[name]; ok {
		if data == nil {
			return nil, fs.ErrNotExist
		}
		return data, nil
	}
	return fs.ReadFile(m.under, name)
}

func (m *memory) open(file string) (*build.Folder, diag.List, error) {
	return build.OpenFS(m, path.Dir(file))
}

func (m *memory) read(name string) ([]byte, error) { return m.ReadFile(name) }

func (m *memory) save(name string, was, data []byte) error {
	now, err := m.ReadFile(name)
	if (err != nil) != (was == nil) || !bytes.Equal(now, was) {
		return build.ErrChanged
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.over[name] = data
	return nil
}

func (m *memory) lock(string) (func(), error) { return func() {}, nil }

func (m *memory) above(dir string) string {
	if dir == "." {
		return ""
	}
	return path.Join(path.Dir(dir), build.DrawerName)
}

func (m *memory) stamp([]string) string { return "" }

// A DiskError is a save that the disk refused. The file is as it was.
type DiskError struct {
	File  string
	Words string // what happened and what to do, a sentence
	Err   error
}

func (e *DiskError) Error() string { return e.Words }
func (e *DiskError) Unwrap() error { return e.Err }

// inWords says why a file could not be written.
func inWords(file string, err error) error {
	e := &DiskError{File: file, Err: err}
	const same = "Nothing was changed: the file is as it was."
	switch {
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		e.Words = fmt.Sprintf("%s could not be saved: the disk is full. %s Make room and save again.", file, same)
	case errors.Is(err, syscall.EROFS):
		e.Words = fmt.Sprintf("%s could not be saved: the disk is read-only. %s Copy the folder to a place that can be written.", file, same)
	case errors.Is(err, fs.ErrPermission):
		e.Words = fmt.Sprintf("%s could not be saved: you may not write there. %s Take the write protection off the file and its folder.", file, same)
	default:
		e.Words = fmt.Sprintf("%s could not be saved: %v. %s", file, err, same)
	}
	return e
}
