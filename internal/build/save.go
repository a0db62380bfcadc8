package build

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	"github.com/natefinch/atomic"
)

// Save replaces a file by data: either the whole of the old or the whole of the new is there, whenever the
// power goes, and once Save has returned it is the new. It writes a file beside it, syncs that, renames it
// over the old one and syncs the folder. Permissions stay; a symbolic link stays one.
func Save(path string, data []byte) error {
	return SaveFrom(path, func(w io.Writer) error {
		_, err := w.Write(data)
		return err
	})
}

// SaveFrom is Save of what write writes, for what is too long to be held in memory.
func SaveFrom(path string, write func(io.Writer) error) error { return save(path, write, nil) }

// ErrChanged is that a file no longer holds what SaveOver was to replace.
var ErrChanged = errors.New("it was changed meanwhile")

// SaveOver is Save that replaces was and nothing else (nil: there was no file): what the file holds is looked at once more
// when the new content lies synced beside it, just before the name is given to it.
func SaveOver(path string, was, data []byte) error {
	return save(path, func(w io.Writer) error {
		_, err := w.Write(data)
		return err
	}, func(target string) error {
		now, err := os.ReadFile(target)
		switch gone := errors.Is(err, fs.ErrNotExist); {
		case err != nil && !gone:
			return err
		case gone != (was == nil), !bytes.Equal(now, was):
			return ErrChanged
		}
		return nil
	})
}

// unfinished is the suffix of what a save writes before the name is given to it.
const unfinished = ".tmp"

// Left reports whether a file of that name was left by a save of a build's file that was killed.
func Left(name string) bool {
	if !strings.HasPrefix(name, ".") || !strings.HasSuffix(name, unfinished) {
		return false
	}
	name = strings.TrimSuffix(name[1:], unfinished)
	number := filepath.Ext(name)
	of := strings.TrimSuffix(name, number)
	return len(number) > 1 && strings.Trim(number[1:], "0123456789") == "" && (strings.HasSuffix(of, Suffix) || of == ReadingsName || of == DrawerName)
}

func save(path string, write func(io.Writer) error, last func(target string) error) (err error) {
	target, err := filepath.EvalSymlinks(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		target = path
	case err != nil:
		return fmt.Errorf("saving %s: %w", path, err)
	}
	mode := fs.FileMode(0o644)
	if info, err := os.Stat(target); err == nil {
		if !info.Mode().IsRegular() {
			return fmt.Errorf("saving %s: it is not a file", path)
		}
		if info.Mode().Perm()&0o200 == 0 {
			return fmt.Errorf("saving %s: it is write-protected: %w", path, fs.ErrPermission)
		}
		mode = info.Mode().Perm()
	}
	dir := filepath.Dir(target)
	f, err := os.CreateTemp(dir, "."+filepath.Base(target)+".*"+unfinished)
	if err != nil {
		return fmt.Errorf("saving %s: %w", path, err)
	}
	defer func() {
		if err != nil {
			_ = f.Close()
			_ = os.Remove(f.Name()) // the first error is what matters
			err = fmt.Errorf("saving %s: %w", path, err)
		}
	}()
	if err = write(f); err != nil {
		return err
	}
	if err = f.Chmod(mode); err != nil && runtime.GOOS != "windows" {
		return err
	}
	if err = f.Sync(); err != nil {
		return err
	}
	if err = f.Close(); err != nil {
		return err
	}
	if last != nil {
		if err = last(target); err != nil {
			return err
		}
	}
	if err = atomic.ReplaceFile(f.Name(), target); err != nil {
		return err
	}
	return syncDir(dir)
}

// syncDir makes a new name in a folder durable. Windows has no such thing and needs none.
func syncDir(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}
