//go:build race

package live_test

// The race detector slows everything tenfold; what it looks for needs few kills.
func init() { rounds = 10 }
