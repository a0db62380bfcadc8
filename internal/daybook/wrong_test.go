package daybook

import (
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"syscall"
	"testing"

	"fettle/internal/diag"
	"fettle/internal/live"
)

// Every way in which a change can be refused has its status, and words.
func TestWrong(t *testing.T) {
	disk := func(err error) error {
		return &live.DiskError{File: "a.fettle", Words: "it could not be saved", Err: &os.PathError{Op: "write", Path: "a.fettle", Err: err}}
	}
	for _, x := range []struct {
		err    error
		status int
		kind   string
	}{
		{diag.List{{Message: "that is a voltage"}}, http.StatusUnprocessableEntity, "wrong"},
		{fmt.Errorf("appending: %w", diag.List{{Message: "that is a voltage"}}), http.StatusUnprocessableEntity, "wrong"},
		{&live.Conflict{Theirs: "x"}, http.StatusConflict, "conflict"},
		{disk(syscall.ENOSPC), http.StatusInsufficientStorage, "disk"},
		{disk(syscall.EROFS), http.StatusForbidden, "disk"},
		{disk(fs.ErrPermission), http.StatusForbidden, "disk"},
		{disk(syscall.EIO), http.StatusInternalServerError, "disk"},
		{live.ErrNoStep, http.StatusConflict, "nothing"},
		{live.ErrNoFolder, http.StatusConflict, "nothing"},
		{errors.New("no name for a folder"), http.StatusUnprocessableEntity, "wrong"},
	} {
		if status, a := wrong(x.err); status != x.status || a.Kind != x.kind || a.Words == "" {
			t.Errorf("%v: %d %+v", x.err, status, a)
		}
	}
}
