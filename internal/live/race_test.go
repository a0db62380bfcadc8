//go:build race

package live_test

// The race detector slows everything tenfold; what it looks for needs few kills and no full proof.
func init() { rounds, raced = 10, true }
