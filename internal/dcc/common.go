package dcc

// Nominal half-bits of S-9.1 table 1; preambles of S-9.2 A and S-9.2.3 E; lengths in bytes, error byte included, of S-9.2.1 and (partitions 253 and 254,
// from a digest) S-9.2.1.1.
const (
	NominalOne         = 58 * us
	NominalZero        = 100 * us
	PreambleOperations = 14
	PreambleService    = 20
	PacketMin          = 3
	PacketMax          = 6
	AdvancedMax        = 32
)
