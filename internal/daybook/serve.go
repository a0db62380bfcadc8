package daybook

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// DefaultAddress is where the daybook is served; if another program has the port, any free one of loopback.
const DefaultAddress = "127.0.0.1:4790"

const (
	// What a browser may take its time for. Uploads and event streams move their deadlines on while they live.
	headerTime = 5 * time.Second
	bodyTime   = 30 * time.Second
	answerTime = 5 * time.Minute // a page may wait for a long proof
	idleTime   = 2 * time.Minute
	mostHeader = 32 << 10
	// leaving is how long requests under way may take when the daybook is shut.
	leaving = 3 * time.Second
	// shortest is the least number of characters of a passphrase: with two tries a second it stands for longer than anyone tries.
	shortest = 10
)

// NeedsPassphrase reports whether others can reach an address, as far as its name tells.
func NeedsPassphrase(address string) bool {
	host, _, err := net.SplitHostPort(address)
	if address == "" || err != nil || host == "" || strings.EqualFold(host, "localhost") {
		return false
	}
	ip := net.ParseIP(host)
	return ip == nil || !ip.IsLoopback()
}

// Listen opens the address ("" is DefaultAddress; a port alone, ":8000", is one of loopback) and says in the settings what follows
// from it. An address that others can reach needs a passphrase.
func Listen(address string, s *Settings) (net.Listener, error) {
	given := address != ""
	if !given {
		address = DefaultAddress
	}
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return nil, fmt.Errorf("--address %s: an address and a port are wanted, such as %s", address, DefaultAddress)
	}
	if n, err := strconv.Atoi(port); err != nil || n < 0 || n > 65535 {
		return nil, fmt.Errorf("--address %s: %q is no port (0 to 65535)", address, port)
	}
	if host == "" {
		host = "127.0.0.1"
	}
	if NeedsPassphrase(address) {
		s.Public = true
		if net.ParseIP(host) == nil {
			s.Names = append(s.Names, host)
		}
	}
	if n := len([]rune(s.Passphrase)); n < shortest && (s.Public || n > 0) {
		if n == 0 {
			return nil, fmt.Errorf("--address %s: others can reach that address, so a passphrase is needed", address)
		}
		return nil, fmt.Errorf("the passphrase has %d characters; %d are the least", n, shortest)
	}
	ln, err := net.Listen("tcp", net.JoinHostPort(host, port))
	if errors.Is(err, syscall.EADDRINUSE) && !given {
		ln, err = net.Listen("tcp", "127.0.0.1:0")
	}
	if err != nil {
		return nil, fmt.Errorf("--address %s: %w", address, err)
	}
	// What was resolved counts, not what it was called.
	if at, ok := ln.Addr().(*net.TCPAddr); !ok || !at.IP.IsLoopback() && !s.Public {
		ln.Close()
		return nil, fmt.Errorf("--address %s: that is no address of loopback", address)
	}
	return ln, nil
}

// URL is the address to open: a listener on all addresses is reached on loopback.
func URL(ln net.Listener) string {
	at, ok := ln.Addr().(*net.TCPAddr)
	if !ok {
		return "http://" + ln.Addr().String() + "/"
	}
	ip := at.IP
	if ip.IsUnspecified() {
		ip = net.IPv4(127, 0, 0, 1)
	}
	return "http://" + net.JoinHostPort(ip.String(), strconv.Itoa(at.Port)) + "/"
}

// Serve serves until ctx ends, then lets requests under way come to their end, and closes the listener.
func (d *Daybook) Serve(ctx context.Context, ln net.Listener) error {
	server := &http.Server{
		Handler:           d,
		ReadHeaderTimeout: headerTime,
		ReadTimeout:       bodyTime,
		WriteTimeout:      answerTime,
		IdleTimeout:       idleTime,
		MaxHeaderBytes:    mostHeader,
		ErrorLog:          slog.NewLogLogger(d.log.Handler(), slog.LevelWarn),
	}
	failed := make(chan error, 1)
	go func() { failed <- server.Serve(ln) }()
	select {
	case err := <-failed:
		return fmt.Errorf("serving: %w", err)
	case <-ctx.Done():
	}
	d.endStreams() // by themselves they never would
	patience, cancel := context.WithTimeout(context.WithoutCancel(ctx), leaving)
	defer cancel()
	if server.Shutdown(patience) != nil {
		_ = server.Close() // what is left is cut off
	}
	return d.Close()
}
