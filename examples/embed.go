// Package examples embeds the demo folders. Vehicles, readings, drawers and prices are invented.
package examples

import "embed"

//go:generate go run track/generate.go

// FS holds one folder for each example build, and track: recordings of the track, and the schedules they were made from.
//
//go:embed harbour-railcar quarry-shunter ferry-train track/*.schedule track/*.csv.gz
var FS embed.FS

// Names are the folders: a railcar with two lamps on a six-pin socket; a shunter whose lamps share the minus, with a
// filament lantern; a train of two vehicles with a two-coloured lamp, several lamps on one output and more kinds of switch.
var Names = []string{"harbour-railcar", "quarry-shunter", "ferry-train"}

// Demo is the folder of the build that is used where the user has named none.
const Demo = "harbour-railcar"
