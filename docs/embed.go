// Package docs embeds the pages whose examples are tried.
package docs

import _ "embed"

// Circuits is the page of circuits, docs/circuits.md.
//
//go:embed circuits.md
var Circuits string

// Packets is the page of packets in words, docs/packets.md.
//
//go:embed packets.md
var Packets string
