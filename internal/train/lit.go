package train

import (
	"fmt"
	"slices"
	"strings"

	"fettle/internal/build"
	"fettle/internal/wiring"
)

// A Power is what the rails carry.
type Power uint8

const (
	DCC Power = iota
	DC
)

// A Rail is which rail of a vehicle is positive, looking forward from behind.
type Rail uint8

const (
	Alternating   Rail = iota // DCC: both, one after the other
	RightPositive             // DC, the vehicle runs forward (NEM 631)
	LeftPositive              // DC, it runs in reverse
)

// A Case is what the whole train is asked.
type Case struct {
	Power     Power
	Direction string   // of the train: build.Forward, build.Reverse
	On        []string // the functions that are on, in their order; nil: none
}

// on is the functions in words.
func (c Case) on() string {
	if len(c.On) == 0 {
		return build.Nothing
	}
	return strings.Join(c.On, "+")
}

// id is the case as the tail of an identifier: "forward.F0", "reverse.nothing", "forward.F0.dc".
func (c Case) id() string {
	s := c.Direction + "." + c.on()
	if c.Power == DC {
		s += ".dc"
	}
	return s
}

// words is the case in words: "forward, F0 on", "forward on DC, F0 on".
func (c Case) words() string {
	s := c.Direction
	if c.Power == DC {
		s += " on DC"
	}
	return s + ", " + c.on() + " on"
}

// A State is whether a lamp gives light.
type State uint8

const (
	Dark   State = iota
	Lit          //
	Dim          // it is switched on, but not seen at the lowest track voltage
	Unsure       // Cell.Why says what is missing
)

func (s State) String() string { return [...]string{"dark", "lit", "dim", "unsure"}[s] }

// A Shown is what a circuit says of one lamp with its output switched on. The zero Shown is: nothing is known, the
// mapping alone counts.
type Shown struct {
	Known bool
	State State  // Dark, Lit or Dim
	Say   string // what the circuit showed, for a lamp that is not lit
}

// Evidence says whether a lamp shines when an output is switched on, while a rail of its vehicle is positive. It comes
// from outside: from the circuit.
type Evidence func(d *build.Decoder, o *build.Output, l *build.Lamp, r Rail) Shown

// A Place is one vehicle in the train.
type Place struct {
	Vehicle *build.Vehicle
	Turned  bool
}

// A Column is one lamp of the train, as it stands: front of the train first.
type Column struct {
	Place  int // of Plan.Places
	Lamp   *build.Lamp
	Colour string // its class, "" where it is not said; of a pair on one wire that of the side that leads from its feed
	// End is the end of its place at which it shines, seen along the train (a turned vehicle's front is the place's
	// rear): build.EndFront, build.EndRear, build.EndInside; "" where it is not said.
	End   string
	Outer bool // that end is an end of the train
}

// A Switch is one output that is on, and the function that has switched it.
type Switch struct {
	Decoder  *build.Decoder
	Output   *build.Output
	Function *build.Function
}

// words is the switch in words: "F0 reverse switches output rear of decoder b on".
func (s Switch) words() string {
	return fmt.Sprintf("%s switches output %s of decoder %s on", named(s.Function), s.Output.Name.Text, s.Decoder.Name.Text)
}

// named is a function with its direction: "F0 reverse".
func named(f *build.Function) string {
	if f.Direction.Text == build.Forward || f.Direction.Text == build.Reverse {
		return f.Name.Text + " " + f.Direction.Text
	}
	return f.Name.Text
}

// A Cell is one lamp in one case.
type Cell struct {
	State  State
	Share  float64  // of its full light, where it is lit or dim: brightness of function and output
	Effect string   // "steady", "blink", …
	Colour string   // of the light, where it is lit or dim: of a pair on one wire the side that is driven, or both
	By     []Switch // the outputs of it that are on
	Why    string   // why it is dark although an output is on; what is missing where it is unsure
	Proven bool     // the circuit was asked, not the mapping alone
}

// A Row is one case over the whole train.
type Row struct {
	Case  Case
	Cells []Cell // one for each column
}

// A Plan is a train with its lamps in every case, for the judge and for drawing.
type Plan struct {
	ID      string // "train", or "train." and the vehicle where several stand alone
	Title   string
	Places  []Place
	Lamps   []Column
	Rows    []Row
	Address Address // that the train is called by
	// Strange are the decoders in the train that do not answer to Address.
	Strange []*build.Decoder
}

// An Address is what a decoder answers to. A consist's is a short one (NMRA S-9.2.2 (2012), CV19).
type Address struct {
	Number int
	Long   bool // long 3 and short 3 differ (NMRA S-9.2.1 (2012), C)
}

func (a Address) String() string {
	if a.Long && a.Number <= 127 {
		return fmt.Sprintf("long %d", a.Number)
	}
	return fmt.Sprint(a.Number)
}

// AddressOf is the address to which a decoder's functions answer: its consist's, where it has one.
func AddressOf(d *build.Decoder) Address {
	if c := d.Answer.Consist; c.Known() && c.Value > 0 {
		return Address{Number: c.Value}
	}
	n := d.Answer.Address.Or(3) // CV1 as new, NMRA S-9.2.2 (2012)
	return Address{Number: n, Long: n > 127 || d.Answer.Long.Yes}
}

// trains are the trains of the build: the train block's, else every vehicle alone.
func trains(b *build.Build) []Plan {
	var list []Plan
	if b.Train != nil {
		p := Plan{ID: "train", Title: "the train"}
		for _, v := range b.InTrain() {
			p.Places = append(p.Places, Place{Vehicle: v})
		}
		for i, t := range b.Train.Vehicles {
			if i < len(p.Places) {
				p.Places[i].Turned = t.Turned.Yes
			}
		}
		list = append(list, p)
	} else {
		for i := range b.Vehicles {
			p := Plan{ID: "train", Title: b.Vehicles[i].Name.Text, Places: []Place{{Vehicle: &b.Vehicles[i]}}}
			if len(b.Vehicles) > 1 {
				p.ID += "." + b.Vehicles[i].Name.Text
			}
			list = append(list, p)
		}
	}
	for i := range list {
		list[i].columns()
		list[i].address(b)
	}
	return list
}

// other is the opposite direction or end.
func other(s string) string {
	switch s {
	case build.Forward:
		return build.Reverse
	case build.Reverse:
		return build.Forward
	case build.EndFront:
		return build.EndRear
	case build.EndRear:
		return build.EndFront
	}
	return s
}

// columns puts the lamps in the order in which they stand in the train: within a vehicle those of its front end, then
// those inside and those whose end is not said, then those of its rear end, each in file order; a turned vehicle the
// other way round.
func (p *Plan) columns() {
	rank := map[string]int{build.EndFront: -1, build.EndRear: 1}
	for i, place := range p.Places {
		var list []Column
		for k := range place.Vehicle.Lamps {
			l := &place.Vehicle.Lamps[k]
			list = append(list, Column{Place: i, Lamp: l, Colour: l.LEDs.Text, End: l.End.Text})
		}
		slices.SortStableFunc(list, func(a, b Column) int { return rank[a.End] - rank[b.End] })
		if place.Turned {
			slices.Reverse(list)
			for k := range list {
				list[k].End = other(list[k].End)
			}
		}
		for k := range list {
			list[k].Outer = list[k].End == build.EndFront && i == 0 || list[k].End == build.EndRear && i == len(p.Places)-1
		}
		p.Lamps = append(p.Lamps, list...)
	}
}

// decoders lists those in the vehicles of the train, in the order of their places.
func (p *Plan) decoders(b *build.Build) []*build.Decoder {
	var list []*build.Decoder
	for _, place := range p.Places {
		for i := range b.Decoders {
			if v, ok := b.VehicleOf(&b.Decoders[i]); ok && v == place.Vehicle {
				list = append(list, &b.Decoders[i])
			}
		}
	}
	return list
}

// address finds what the train is called by: what most of its decoders answer to, of equals the foremost's.
func (p *Plan) address(b *build.Build) {
	count := map[Address]int{}
	all := p.decoders(b)
	for _, d := range all {
		count[AddressOf(d)]++
	}
	for _, d := range all {
		if a := AddressOf(d); count[a] > count[p.Address] {
			p.Address = a
		}
	}
	for _, d := range all {
		if AddressOf(d) != p.Address {
			p.Strange = append(p.Strange, d)
		}
	}
}

// own is the direction in which a place runs.
func (p Place) own(train string) string {
	if p.Turned {
		return other(train)
	}
	return train
}

// run fills in one case.
func (p *Plan) run(b *build.Build, c Case, e Evidence) Row {
	row := Row{Case: c, Cells: make([]Cell, len(p.Lamps))}
	for i := range p.Lamps {
		row.Cells[i] = p.cell(b, c, i, e)
	}
	return row
}

// deaf says why a decoder does nothing in a case at all; "": it listens.
func (p *Plan) deaf(d *build.Decoder, c Case) string {
	switch {
	case c.Power == DC && !d.Answer.DC.Yes:
		return fmt.Sprintf("decoder %s stays with DCC (dc = true in its answer block, CV29 bit 2, lets it turn to plain DC)", d.Name.Text)
	case c.Power == DCC && AddressOf(d) != p.Address:
		return fmt.Sprintf("decoder %s answers to address %s, the train to %s", d.Name.Text, AddressOf(d), p.Address)
	}
	return ""
}

// cell is one lamp in one case.
func (p *Plan) cell(b *build.Build, c Case, i int, e Evidence) Cell {
	col := p.Lamps[i]
	place := p.Places[col.Place]
	own := place.own(c.Direction)
	rail := Alternating
	switch {
	case c.Power == DC && own == build.Forward:
		rail = RightPositive
	case c.Power == DC:
		rail = LeftPositive
	}
	var cell Cell
	for k := range b.Functions {
		f := &b.Functions[k]
		d, ok := b.DecoderOf(f)
		if !ok || !slices.Contains(c.On, f.Name.Text) || f.Direction.Text == other(own) || p.deaf(d, c) != "" {
			continue
		}
		if v, ok := b.VehicleOf(d); !ok || v != place.Vehicle {
			continue
		}
		for _, name := range f.Outputs {
			o, ok := d.Output(name.Text)
			if !ok || !drives(o, col.Lamp) {
				continue
			}
			cell.By = append(cell.By, Switch{d, o, f})
			shown := shine(d, o, col.Lamp, rail, e)
			if shown.State == Lit || shown.State == Dim {
				switch x := colour(o, col.Lamp); {
				case cell.Colour == "":
					cell.Colour = x
				case !strings.Contains(cell.Colour, x):
					cell.Colour += " and " + x
				}
			}
			better := map[State]int{Dark: 0, Unsure: 1, Dim: 2, Lit: 3}
			first := len(cell.By) == 1
			if !first && better[shown.State] < better[cell.State] {
				continue
			}
			share := float64(f.Brightness.Or(1)) * float64(o.Brightness.Or(1))
			if first || better[shown.State] > better[cell.State] || share > cell.Share {
				cell.Share, cell.Effect = share, f.Effect.Text
			}
			cell.State, cell.Why, cell.Proven = shown.State, shown.Say, shown.Known
		}
	}
	return cell
}

// drives reports whether a lamp hangs on an output.
func drives(o *build.Output, l *build.Lamp) bool {
	if o.Load.Text == "motor" {
		return false
	}
	return o.Lamp.Text == l.Name.Text || slices.ContainsFunc(o.AlsoLamps, func(t build.Text) bool { return t.Text == l.Name.Text })
}

// shine is what a lamp does whose output is on: what its feed allows, then what the circuit shows.
func shine(d *build.Decoder, o *build.Output, l *build.Lamp, r Rail, e Evidence) Shown {
	left, right, ok := conducts(d, o, l)
	can := left || right
	switch r {
	case LeftPositive:
		can = left
	case RightPositive:
		can = right
	}
	switch {
	case !ok && r == Alternating: // it may hang anywhere: the mapping alone
	case !ok:
		return Shown{State: Unsure, Say: fmt.Sprintf("where lamp %s is fed from is not said (feed = …)", l.Name.Text)}
	case !can && r == Alternating:
		say := fmt.Sprintf("it is fed from %s, and a switch on the %s draws nothing through it", l.Feed.Text, side(o))
		if from := d.Supply.From.Text; d.Supply.Single() && l.Feed.Text == build.OtherRail(from) {
			say += fmt.Sprintf(": behind a single diode from the %s that rail is the decoder's minus", from)
		}
		return Shown{State: Dark, Say: say}
	case r != Alternating && d.Supply.Single() && (r == LeftPositive) != (d.Supply.From.Text == build.LeftRail):
		return Shown{State: Dark, Say: fmt.Sprintf("its decoder has no supply while the %s is the negative one: a single diode leads from there", d.Supply.From.Text)}
	case !can:
		on := map[Rail]string{LeftPositive: "left", RightPositive: "right"}[r]
		return Shown{State: Dark, Say: fmt.Sprintf("it is fed from the %s and dark while the %s rail is the positive one", l.Feed.Text, on)}
	}
	if e != nil {
		if shown := e(d, o, l, r); shown.Known {
			return shown
		}
	}
	return Shown{State: Lit}
}

func side(o *build.Output) string {
	if o.Drive.Text == "" {
		return build.DriveLowSide
	}
	return o.Drive.Text
}

// conducts says while which rail is positive a lamp on an output can conduct (package wiring); not ok where its feed is not
// said.
func conducts(d *build.Decoder, o *build.Output, l *build.Lamp) (left, right, ok bool) {
	w := wiring.WayOf(&d.Supply, l.Feed.Text, inward(o, l))
	return w.Left, w.Right, l.Feed.Text != ""
}

// inward reports whether an output drives its lamp's current from the switched side towards the feed.
func inward(o *build.Output, l *build.Lamp) bool {
	return side(o) == build.DriveHighSide || side(o) == build.DriveFromPin && l.Feed.Text == build.DecoderMinus
}

// colour is the class of the light that an output makes of a lamp.
func colour(o *build.Output, l *build.Lamp) string {
	if l.Kind.Text == build.KindAntiparallel && inward(o, l) {
		return l.Back.Text
	}
	return l.LEDs.Text
}
