package build

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"

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
func SaveFrom(path string, write func(io.Writer) error) (err error) {
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
	f, err := os.CreateTemp(dir, "."+filepath.Base(target)+".*.tmp")
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
