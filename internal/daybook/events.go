package daybook

import (
	"encoding/json"
	"fmt"
	"net/http"
	"time"

	"fettle/internal/live"
)

const (
	// mostStreams is how many event streams may be open: browsers, windows and builds together. A browser keeps no more than six
	// connections to one host, so a page that is not in sight should close its own.
	mostStreams = 64
	// heartbeat keeps proxies and sleeping machines from taking a quiet stream for a dead one.
	heartbeat = 15 * time.Second
	// slowest is how long a browser may take to accept one event.
	slowest = 10 * time.Second
)

// An eventJSON is the data of one event; its name is the live.Kind.
type eventJSON struct {
	Revision int    `json:"revision"`
	ID       string `json:"id"`
	By       string `json:"by,omitempty"`
	Words    string `json:"words,omitempty"`
	Question string `json:"question,omitempty"`
	Done     int    `json:"done,omitempty"`
	Total    int    `json:"total,omitempty"`
	Verdict  string `json:"verdict,omitempty"`
	Again    bool   `json:"again,omitempty"`
}

// events streams what happens to a build, beginning with the revision that it is at, so that a page that lost its stream knows
// whether it missed something. "closing" is the last event of a daybook that was shut.
func (d *Daybook) events(w http.ResponseWriter, r *http.Request) {
	b, ok := d.book(w, r)
	if !ok {
		return
	}
	select {
	case d.streams <- struct{}{}:
		defer func() { <-d.streams }()
	default:
		w.Header().Set("Retry-After", "30")
		http.Error(w, "Too many windows are open: close one.", http.StatusServiceUnavailable)
		return
	}
	events := b.Watch(r.Context())
	rev := b.Now()
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	c := http.NewResponseController(w)
	send := func(kind string, data any) bool {
		text, err := json.Marshal(data)
		if err != nil || c.SetWriteDeadline(time.Now().Add(slowest)) != nil {
			return false
		}
		_, err = fmt.Fprintf(w, "event: %s\ndata: %s\n\n", kind, text)
		return err == nil && c.Flush() == nil
	}
	if !send(string(live.Changed), eventJSON{Revision: rev.Number, ID: rev.ID, By: rev.By, Words: rev.Words}) {
		return
	}
	if p, ok := b.Known(); ok && !send(string(live.Proven), eventJSON{Revision: rev.Number, ID: rev.ID, Verdict: string(p.Findings.Worst())}) {
		return
	}
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	for {
		select {
		case e, ok := <-events:
			if !ok || !send(string(e.Kind), eventJSON{e.Revision, e.ID, e.By, e.Words, e.Question, e.Done, e.Total, string(e.Verdict), e.Again}) {
				return
			}
		case <-beat.C:
			if c.SetWriteDeadline(time.Now().Add(slowest)) != nil {
				return
			}
			if _, err := fmt.Fprint(w, ":\n\n"); err != nil || c.Flush() != nil {
				return
			}
		case <-d.closing:
			send("closing", struct{}{})
			return
		}
	}
}
