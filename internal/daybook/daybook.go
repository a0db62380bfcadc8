package daybook

import (
	"log/slog"
	"net/http"
	"net/url"
	"sync"

	"golang.org/x/sync/singleflight"

	"fettle/internal/live"
	"fettle/internal/work"
)

// Settings of a daybook. The zero value serves loopback without a passphrase.
type Settings struct {
	// Public says that others can reach the address: any address in figures is then accepted as Host, and Passphrase is needed.
	Public bool
	// Names are further host names by which the daybook may be addressed, without a port.
	Names []string
	// Passphrase is asked of every browser once; "": none is asked.
	Passphrase string
	// Upload is the most bytes that one upload may bring; 0: 256 MB.
	Upload int64
	// Log is told of requests (method, path, status, time; never a query, a cookie or a body) and of what went wrong; nil: nobody.
	Log *slog.Logger
}

// A Daybook serves a shelf.
type Daybook struct {
	shelf    *live.Shelf
	settings Settings
	handler  http.Handler
	log      *slog.Logger
	door     *door // nil: open to all who come from this machine
	spool    spool
	streams  chan struct{} // as many event streams may be open
	closing  chan struct{} // closed when the server shuts down: event streams end
	audits   audits
	edges    edges
	chapters chapters
	flight   singleflight.Group // long work that several may wait for
	close    sync.Once
}

// New is the daybook of a shelf. What it answers is guarded by itself: Host, Origin, passphrase, headers, sizes.
func New(shelf *live.Shelf, settings Settings) *Daybook {
	d := &Daybook{shelf: shelf, settings: settings, log: settings.Log, streams: make(chan struct{}, mostStreams), closing: make(chan struct{})}
	if d.log == nil {
		d.log = slog.New(slog.DiscardHandler)
	}
	if settings.Passphrase != "" {
		d.door = newDoor(settings.Passphrase)
	}
	mux := http.NewServeMux()
	d.pages(mux)
	d.actions(mux)
	mux.HandleFunc("GET /b/{book}/events", d.events)
	mux.HandleFunc("GET /b/{book}/sheet", d.sheet)
	d.handler = d.guard(mux)
	return d
}

func (d *Daybook) ServeHTTP(w http.ResponseWriter, r *http.Request) { d.handler.ServeHTTP(w, r) }

// Close ends the event streams and takes away what was uploaded. The shelf stays open.
func (d *Daybook) Close() error {
	d.endStreams()
	return d.spool.clear()
}

func (d *Daybook) endStreams() { d.close.Do(func() { close(d.closing) }) }

// book is the one that a URL names; where there is none, the answer is given.
func (d *Daybook) book(w http.ResponseWriter, r *http.Request) (*live.Book, bool) {
	b, ok := d.shelf.Book(r.PathValue("book"))
	if !ok {
		d.say(w, r, http.StatusNotFound, "No such build", "There is no build \""+r.PathValue("book")+"\" in this folder.")
	}
	return b, ok
}

// proved is the build that a request is about, with the proof of its newest revision; where there is none, it says why.
func (d *Daybook) proved(w http.ResponseWriter, r *http.Request) (*live.Book, *work.Proved, bool) {
	b, ok := d.book(w, r)
	if !ok {
		return nil, nil, false
	}
	p, err := b.Proved(r.Context())
	if err != nil {
		status, a := wrong(err)
		d.sayWrong(w, r, status, a, err)
		return nil, nil, false
	}
	return b, p, true
}

// home is the page of a build.
func home(b *live.Book) string { return "/b/" + url.PathEscape(b.Name()) + "/" }
