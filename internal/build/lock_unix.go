//go:build unix && !solaris && !illumos && !aix

package build

import (
	"errors"
	"fmt"
	"os"
	"syscall"
	"time"
)

// How long Lock waits for another fettle: a save takes milliseconds.
const (
	lockWait = 5 * time.Second
	lockTry  = 2 * time.Millisecond
)

// Lock keeps every other fettle from changing the files of a folder between a look at them and a save: an advisory lock on
// the folder itself, which leaves no file behind and falls with the process. Where the file system has no such locks there is
// none. The zero error comes with unlock, to be called once.
func Lock(dir string) (unlock func(), err error) {
	d, err := os.Open(dir)
	if err != nil {
		return nil, fmt.Errorf("locking %s: %w", dir, err)
	}
	for begun := time.Now(); ; time.Sleep(lockTry) {
		switch err := syscall.Flock(int(d.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); {
		case err == nil, errors.Is(err, syscall.ENOTSUP), errors.Is(err, syscall.ENOSYS), errors.Is(err, syscall.ENOLCK):
			return func() { d.Close() }, nil
		case !errors.Is(err, syscall.EWOULDBLOCK) && !errors.Is(err, syscall.EINTR):
			d.Close()
			return nil, fmt.Errorf("locking %s: %w", dir, err)
		case time.Since(begun) > lockWait:
			d.Close()
			return nil, fmt.Errorf("another fettle holds %s", dir)
		}
	}
}
