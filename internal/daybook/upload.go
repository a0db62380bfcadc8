package daybook

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"
)

const (
	// spoolKept is how many uploads are kept; the oldest go first, and all go when the daybook is closed.
	spoolKept = 8
	// stalled is how long an upload may bring nothing.
	stalled = 20 * time.Second
)

// An upload is a recording that was brought, as it came.
type upload struct {
	ID   string // hash of the content
	Name string // as the browser named it: for the eye and its suffix, never a path
	Path string // where it lies
	Size int64
}

// spool is where uploads lie: a folder of the system's temporary ones, which nothing is served from.
type spool struct {
	mu   sync.Mutex
	dir  string
	list []upload // oldest first
}

// errTooLong is an upload beyond the limit.
var errTooLong = errors.New("longer than the daybook takes")

// keep writes an upload to the disk as it comes; nothing of it is held in memory.
func (s *spool) keep(name string, r io.Reader, most int64) (u upload, err error) {
	s.mu.Lock()
	if s.dir == "" {
		s.dir, err = os.MkdirTemp("", "fettle-")
	}
	dir := s.dir
	s.mu.Unlock()
	if err != nil {
		return upload{}, err
	}
	f, err := os.CreateTemp(dir, "upload-*")
	if err != nil {
		return upload{}, err
	}
	defer func() {
		if cerr := f.Close(); err == nil {
			err = cerr
		}
		if err != nil {
			_ = os.Remove(f.Name()) // what is half there is no use
		}
	}()
	h := sha256.New()
	n, err := io.Copy(io.MultiWriter(f, h), io.LimitReader(r, most+1))
	if err != nil {
		return upload{}, err
	}
	if n > most {
		return upload{}, errTooLong
	}
	u = upload{ID: hex.EncodeToString(h.Sum(nil)[:12]), Name: plainName(name), Path: f.Name(), Size: n}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.list = append(s.list, u)
	if len(s.list) > spoolKept {
		_ = os.Remove(s.list[0].Path) // who is reading it keeps it until the end
		s.list = s.list[1:]
	}
	return u, nil
}

// recordings are the uploads that are kept, newest first, each content once.
func (d *Daybook) recordings() (list []upload) {
	s := &d.spool
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, u := range slices.Backward(s.list) {
		if !slices.ContainsFunc(list, func(o upload) bool { return o.ID == u.ID }) {
			list = append(list, u)
		}
	}
	return list
}

// recording is the newest upload of that content, while it is kept.
func (d *Daybook) recording(id string) (upload, bool) {
	s := &d.spool
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := len(s.list) - 1; i >= 0; i-- {
		if s.list[i].ID == id {
			return s.list[i], true
		}
	}
	return upload{}, false
}

func (s *spool) clear() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	dir := s.dir
	s.dir, s.list = "", nil
	if dir == "" {
		return nil
	}
	return os.RemoveAll(dir)
}

// plainName is the last part of a name, without what a file name or a page should not hold.
func plainName(name string) string {
	name = filepath.Base(strings.ReplaceAll(name, `\`, "/"))
	name = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || strings.ContainsRune(`/:*?"<>|`, r) {
			return '_'
		}
		return r
	}, name)
	if r := []rune(name); len(r) > 100 {
		name = string(r[len(r)-100:]) // its suffix says what it is
	}
	if strings.Trim(name, ".") == "" {
		return "recording"
	}
	return name
}

// patient is a body whose deadline moves on with every piece that comes.
type patient struct {
	io.Reader
	c *http.ResponseController
}

func (p patient) Read(b []byte) (int, error) {
	if err := p.c.SetReadDeadline(time.Now().Add(stalled)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return 0, err
	}
	return p.Reader.Read(b)
}

// upload takes a recording: the field "file" of a multipart form. It leads to the page of the track, which reads it.
func (d *Daybook) upload(w http.ResponseWriter, r *http.Request) {
	b, ok := d.book(w, r)
	if !ok {
		return
	}
	c := http.NewResponseController(w)
	r.Body = struct {
		io.Reader
		io.Closer
	}{patient{r.Body, c}, r.Body}
	parts, err := r.MultipartReader()
	if err != nil {
		d.say(w, r, http.StatusUnsupportedMediaType, "No recording", "A recording comes as the file of a form.")
		return
	}
	for {
		part, err := parts.NextPart()
		if err != nil {
			d.notTaken(w, r, err)
			return
		}
		if part.FormName() != "file" || part.FileName() == "" {
			continue
		}
		u, err := d.spool.keep(part.FileName(), part, d.uploadLimit())
		if err != nil {
			d.notTaken(w, r, err)
			return
		}
		_ = c.SetWriteDeadline(time.Now().Add(slowest)) // a server without deadlines needs none
		to := home(b) + "track?recording=" + url.QueryEscape(u.ID)
		if wantsJSON(r) {
			writeJSON(w, http.StatusOK, answerJSON{ID: u.ID, To: to})
			return
		}
		http.Redirect(w, r, to, http.StatusSeeOther)
		return
	}
}

// notTaken says why an upload was not taken.
func (d *Daybook) notTaken(w http.ResponseWriter, r *http.Request, err error) {
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(slowest))
	var most *http.MaxBytesError
	switch {
	case errors.Is(err, errTooLong), errors.As(err, &most):
		w.Header().Set("Connection", "close")
		d.say(w, r, http.StatusRequestEntityTooLarge, "Too long", fmt.Sprintf("The recording is longer than %d MB; fettle audit reads one of any length.", d.uploadLimit()>>20))
	case errors.Is(err, io.EOF):
		d.say(w, r, http.StatusBadRequest, "No recording", "The form brought no file.")
	case errors.Is(err, syscall.ENOSPC):
		d.say(w, r, http.StatusInsufficientStorage, "The disk is full", "The recording could not be kept: the disk is full. fettle audit reads it where it lies.")
	default:
		w.Header().Set("Connection", "close")
		d.log.Error("upload", "err", err)
		d.say(w, r, http.StatusBadRequest, "Not taken", "The recording did not come to its end.")
	}
}
