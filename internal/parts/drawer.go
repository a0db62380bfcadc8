package parts

import (
	"fettle/internal/diag"
	"fettle/internal/unit"
)

// A Drawer is the parts on hand.
type Drawer struct {
	File  string
	Items []Item

	// Parts described in the drawer itself: Catalogue.With makes them known.
	BJTs   []BJT
	Diodes []Diode
	LEDs   []LED
}

// An Item is one bag.
type Item struct {
	Part      string // name in the catalogue, or of the user's own part; "" where it is in neither
	Text      string // part or value as written
	Value     string // value as written, "" for a part
	Kind      string
	Polarity  string // of a transistor
	Ohm       unit.Ohm
	Farad     unit.Farad
	Voltage   unit.Volt // rated, of a capacitor
	Package   string    // in the catalogue's spelling where it has one
	Count     int       // −1: plenty
	Price     unit.Price
	Tolerance unit.Ratio
	HFE       float64 // measured
	HFEat     unit.Amp
	Note      string
	Range     diag.Range // of the row
}
