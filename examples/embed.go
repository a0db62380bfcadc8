// Package examples embeds the demo folders. Vehicle, readings, drawer and prices are invented.
package examples

import "embed"

// FS holds one folder for each example build.
//
//go:embed harbour-railcar
var FS embed.FS

// Demo is the folder of the build that is used where the user has named none.
const Demo = "harbour-railcar"
