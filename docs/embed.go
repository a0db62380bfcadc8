// Package docs embeds the pages whose examples are tried.
package docs

import _ "embed"

// Circuits is the page of circuits, docs/circuits.md.
//
//go:embed circuits.md
var Circuits string
