//go:build race

package survey

// The race detector slows everything tenfold; what it looks for needs few vehicles.
func init() { slow = 6 }
