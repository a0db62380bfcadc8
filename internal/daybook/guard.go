package daybook

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"
)

const (
	// mostForm is the most bytes of a form: a whole build file fits many times.
	mostForm = 4 << 20
	// mostUpload is the most bytes of an upload where Settings say nothing.
	mostUpload = 256 << 20
)

// policy is what a page may load and do: what is served here, and nothing written into the page itself.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; connect-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'; object-src 'none'"

// styled lets a page that carries its own style (the sheet, a drawing by itself) show it: that very style and no other.
func styled(w http.ResponseWriter, css ...string) {
	sources := "style-src 'self'"
	for _, s := range css {
		sum := sha256.Sum256([]byte(s))
		sources += " 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
	}
	w.Header().Set("Content-Security-Policy", strings.Replace(policy, "style-src 'self'", sources, 1))
}

// guard stands before everything: what is no business of the daybook is answered here and reaches no page.
func (d *Daybook) guard(next http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	return d.logged(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=(), usb=(), serial=(), bluetooth=(), payment=(), midi=(), display-capture=()")
		h.Set("Cache-Control", "no-store") // assets say otherwise
		refuse := func(status int, words string) {
			r.Close = true
			h.Set("Connection", "close")
			http.Error(w, words, status)
		}
		switch {
		case !d.hostKnown(r.Host):
			// A foreign name that was made to point here: the page behind it must learn nothing.
			refuse(http.StatusMisdirectedRequest, "This address is not the daybook's. Open the one that fettle printed.")
			return
		case r.Method != http.MethodGet && r.Method != http.MethodHead && r.Method != http.MethodPost:
			h.Set("Allow", "GET, HEAD, POST")
			refuse(http.StatusMethodNotAllowed, "The daybook is read with GET and written with POST.")
			return
		case !originOwn(r) || foreign(r) || cross.Check(r) != nil:
			refuse(http.StatusForbidden, "This request comes from a page that is not the daybook's.")
			return
		}
		if d.door != nil && !d.door.through(w, r) {
			return
		}
		most := int64(mostForm)
		if strings.HasSuffix(r.URL.Path, "/upload") {
			most = d.uploadLimit() + mostForm // the form around the file
		}
		if r.ContentLength > most {
			refuse(http.StatusRequestEntityTooLarge, "That is more than the daybook takes at once.")
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, most)
		next.ServeHTTP(w, r)
	}))
}

func (d *Daybook) uploadLimit() int64 {
	if d.settings.Upload > 0 {
		return d.settings.Upload
	}
	return mostUpload
}

// hostKnown reports whether a request was sent to the daybook by a name that is its own. A name can be made to point anywhere,
// an address in figures cannot: on loopback only that counts, beside "localhost", which browsers and systems bind to it.
func (d *Daybook) hostKnown(hostport string) bool {
	host := hostport
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		host = h
	}
	host = strings.TrimSuffix(strings.TrimPrefix(host, "["), "]")
	if ip, err := netip.ParseAddr(host); err == nil {
		return ip.IsLoopback() || d.settings.Public
	}
	return strings.EqualFold(host, "localhost") || slices.ContainsFunc(d.settings.Names, func(n string) bool { return strings.EqualFold(n, host) })
}

// originOwn reports whether the Origin of a request, if it names one, is the address it was sent to.
func originOwn(r *http.Request) bool {
	list := r.Header.Values("Origin")
	if len(list) == 0 {
		return true
	}
	u, err := url.Parse(list[0])
	return len(list) == 1 && err == nil && u.Scheme == "http" && strings.EqualFold(u.Host, r.Host)
}

// foreign reports whether a page of another site (or of another port of this machine) asks for more than to be left for the
// daybook: it may link here, but not load, frame or send anything.
func foreign(r *http.Request) bool {
	switch r.Header.Get("Sec-Fetch-Site") {
	case "", "same-origin", "none":
		return false
	}
	return r.Method != http.MethodGet || r.Header.Get("Sec-Fetch-Mode") != "navigate" || r.Header.Get("Sec-Fetch-Dest") != "document"
}

// A door asks for the passphrase.
type door struct {
	hash     [sha256.Size]byte
	turn     chan struct{} // one try at a time
	mu       sync.Mutex
	sessions map[[sha256.Size]byte]time.Time // hash of the cookie, and when it ends
}

const (
	cookieName = "fettle"
	session    = 12 * time.Hour
	// wrongTry is how long a wrong passphrase holds the door shut, for all: twenty characters outlast it by far.
	wrongTry     = 500 * time.Millisecond
	mostSessions = 100
)

func newDoor(passphrase string) *door {
	return &door{hash: sha256.Sum256([]byte(passphrase)), turn: make(chan struct{}, 1), sessions: map[[sha256.Size]byte]time.Time{}}
}

// through reports whether a request may go on; otherwise it is answered.
func (d *door) through(w http.ResponseWriter, r *http.Request) bool {
	c, err := r.Cookie(cookieName)
	in := err == nil && d.knows(c.Value)
	switch {
	case r.URL.Path == "/leave" && r.Method == http.MethodPost:
		if err == nil {
			d.forget(c.Value)
		}
		http.SetCookie(w, &http.Cookie{Name: cookieName, Path: "/", MaxAge: -1, HttpOnly: true, SameSite: http.SameSiteStrictMode})
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return false
	case in:
		return true
	case r.URL.Path == "/enter" && r.Method == http.MethodPost:
		d.enter(w, r)
		return false
	}
	status := http.StatusUnauthorized
	if r.Method == http.MethodPost || wantsJSON(r) {
		http.Error(w, "The passphrase is asked first.", status)
		return false
	}
	ask(w, status, local(r.URL.RequestURI()), "")
	return false
}

func (d *door) knows(cookie string) bool {
	key := sha256.Sum256([]byte(cookie)) // what is compared is not what is sent: its time tells nothing
	d.mu.Lock()
	defer d.mu.Unlock()
	until, ok := d.sessions[key]
	return ok && time.Now().Before(until)
}

func (d *door) forget(cookie string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	delete(d.sessions, sha256.Sum256([]byte(cookie)))
}

func (d *door) enter(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, 4096)
	if err := r.ParseForm(); err != nil {
		http.Error(w, "That form cannot be read.", http.StatusBadRequest)
		return
	}
	select {
	case d.turn <- struct{}{}:
		defer func() { <-d.turn }()
	case <-r.Context().Done():
		return
	}
	given := sha256.Sum256([]byte(r.PostForm.Get("passphrase")))
	if subtle.ConstantTimeCompare(given[:], d.hash[:]) != 1 {
		select {
		case <-time.After(wrongTry):
		case <-r.Context().Done():
		}
		ask(w, http.StatusUnauthorized, local(r.PostForm.Get("to")), "That is not the passphrase.")
		return
	}
	token := rand.Text()
	d.mu.Lock()
	now := time.Now()
	for key, until := range d.sessions {
		if now.After(until) || len(d.sessions) >= mostSessions {
			delete(d.sessions, key)
		}
	}
	d.sessions[sha256.Sum256([]byte(token))] = now.Add(session)
	d.mu.Unlock()
	http.SetCookie(w, &http.Cookie{Name: cookieName, Value: token, Path: "/", MaxAge: int(session.Seconds()), HttpOnly: true, SameSite: http.SameSiteStrictMode})
	http.Redirect(w, r, local(r.PostForm.Get("to")), http.StatusSeeOther)
}

// local is a path of the daybook; what would lead elsewhere is its first page.
func local(to string) string {
	u, err := url.Parse(to)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\r\n\t") || u.Path == "/enter" {
		return "/"
	}
	return to
}
