// Package audit judges a recording of the track: every half-bit against the windows of the standard, every packet
// against the rules of framing, repetition and spacing, and what a decoder would have made of it.
package audit
