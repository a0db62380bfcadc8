package daybook

import (
	"fmt"
	"net/http"
	"runtime/debug"
	"time"
)

// logged tells the log of every request, and answers a page that failed. Queries, cookies and bodies are never told: a path holds
// no secret.
func (d *Daybook) logged(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		begun := time.Now()
		l := &lastly{ResponseWriter: w}
		path := r.URL.Path
		defer func() {
			if what := recover(); what != nil {
				if what == http.ErrAbortHandler {
					panic(what)
				}
				d.log.Error("a page failed", "path", path, "what", fmt.Sprint(what), "stack", string(debug.Stack()))
				if l.status == 0 {
					http.Error(l, "This page failed; fettle has written why where it was started.", http.StatusInternalServerError)
				}
			}
			d.log.Info("request", "method", r.Method, "path", path, "status", l.status, "time", time.Since(begun).Round(time.Millisecond))
		}()
		next.ServeHTTP(l, r)
	})
}

// lastly remembers the status that was answered.
type lastly struct {
	http.ResponseWriter
	status int
}

func (l *lastly) WriteHeader(status int) {
	if l.status == 0 {
		l.status = status
	}
	l.ResponseWriter.WriteHeader(status)
}

func (l *lastly) Write(b []byte) (int, error) {
	if l.status == 0 {
		l.status = http.StatusOK
	}
	return l.ResponseWriter.Write(b)
}

// Unwrap lets http.ResponseController reach what is below.
func (l *lastly) Unwrap() http.ResponseWriter { return l.ResponseWriter }
