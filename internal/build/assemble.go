package build

import (
	"math"
	"strconv"

	"fettle/internal/unit"
)

func itoa(n int) string { return strconv.Itoa(n) }

// get finds a good value of the node. A name that is not in the schema is a fault of fettle.
func (n *node) get(name string) *value {
	if n == nil {
		return nil
	}
	if n.schema.attr(name) == nil {
		panic("build: block " + n.schema.Name + " has no attribute " + name)
	}
	n.asked[name] = true
	if v := n.values[name]; v != nil && v.ok {
		return v
	}
	return nil
}

// convert turns a number in coherent SI into a quantity's own type: lengths are integer micrometres, times
// integer picoseconds.
func convert[U Number](x float64) U {
	var zero U
	switch any(zero).(type) {
	case unit.Length:
		return U(math.Round(x * 1e6))
	case unit.Time:
		return U(unit.Seconds(x))
	}
	return U(x)
}

// unset is the value of a quantity that is not known: NaN where the type has one.
func unset[U Number]() U {
	if half := U(1) / 2; half == 0 { // an integer type
		return 0
	}
	return U(math.NaN())
}

func quantity[U Number](n *node, name string) Quantity[U] {
	q := Quantity[U]{Value: unset[U]()}
	v := n.get(name)
	if n == nil {
		return q
	}
	q.Range = n.head
	a := n.schema.attr(name)
	switch {
	case v != nil:
		q.Text, q.Choose, q.Range = v.text, v.choose, v.at
		if !math.IsNaN(v.number) {
			q.Value = convert[U](v.number)
		}
	case a.Default != "" && n.values[name] == nil:
		q.Text, q.Assumed = a.Default, true
		q.Value = convert[U](a.assumed())
	}
	return q
}

// assumed is the default of a quantity or number, NaN where a word stands for it. A default that cannot be read is a fault
// of fettle.
func (a *Attr) assumed() float64 {
	if has(a.Words, a.Default) {
		return math.NaN()
	}
	dim := unit.Number
	if a.Dim != nil {
		dim = *a.Dim
	}
	x, err := unit.Parse(a.Default, dim)
	if err != nil {
		panic("build: default of " + a.Name + ": " + err.Error())
	}
	return x
}

func text(n *node, name string) Text {
	v := n.get(name)
	switch {
	case n == nil:
		return Text{}
	case v != nil:
		return Text{Text: v.text, Choose: v.choose, Range: v.at}
	case n.values[name] == nil:
		d := n.schema.attr(name).Default
		return Text{Text: d, Assumed: d != "", Range: n.head}
	}
	return Text{Range: n.head}
}

func texts(n *node, name string) []Text {
	if v := n.get(name); v != nil {
		return v.list
	}
	return nil
}

func count(n *node, name string) int {
	if v := n.get(name); v != nil {
		return int(v.number)
	}
	return 0
}

func flagOf(n *node, name string) Flag {
	v := n.get(name)
	switch {
	case n == nil:
		return Flag{}
	case v != nil:
		return Flag{Yes: v.yes, Set: true, Range: v.at}
	}
	return Flag{Yes: n.schema.attr(name).Default == "true", Assumed: true, Range: n.head}
}

// assemble fills the build from the file's tree. What was complained of stays unset.
func (b *Build) assemble(root *node) {
	b.Format = count(root, "format")
	b.Title = text(root, "title")
	b.Note = text(root, "note")
	for _, n := range root.nodes {
		switch n.schema {
		case vehicleBlock:
			b.Vehicles = append(b.Vehicles, b.vehicle(n))
		case trackBlock:
			b.Track = track(n)
		case meterBlock:
			m := Meter{Name: n.label, TrueRMS: flagOf(n, "true_rms"), Range: n.head}
			for _, c := range n.all("range") {
				m.Ranges = append(m.Ranges, MeterRange{
					Measures: text(c, "measures"), Full: quantity[float64](c, "full"), Resolution: quantity[float64](c, "resolution"),
					Gain: quantity[unit.Ratio](c, "gain"), Digits: quantity[float64](c, "digits"),
					GainError: quantity[unit.Ratio](c, "gain_error"), GainErrorWithin: quantity[unit.Ratio](c, "gain_error_within"),
					Burden: quantity[unit.Ohm](c, "burden"), Input: quantity[unit.Ohm](c, "input"), Range: c.head,
				})
			}
			b.Meters = append(b.Meters, m)
		case supplyBlock:
			b.Supplies = append(b.Supplies, BenchSupply{
				Name: n.label, Kind: text(n, "kind"), Highest: quantity[unit.Volt](n, "highest"), Peak: quantity[unit.Volt](n, "peak"),
				Frequency: quantity[unit.Hertz](n, "frequency"), Limit: quantity[unit.Amp](n, "limit"),
				Resistance: quantity[unit.Ohm](n, "resistance"), Range: n.head,
			})
		case benchBlock:
			b.Tools = Tools{Supply: quantity[unit.Volt](n, "supply"), Limit: quantity[unit.Amp](n, "limit"), Series: quantity[unit.Ohm](n, "series"),
				Meter: text(n, "meter"), OutOfReach: texts(n, "out_of_reach"), Range: n.head}
		case decoderBlock:
			b.Decoders = append(b.Decoders, decoder(n))
		case functionBlock:
			b.Functions = append(b.Functions, Function{
				Name: n.label, Decoder: text(n, "decoder"), Direction: text(n, "direction"), Outputs: texts(n, "output"),
				Effect: text(n, "effect"), Fade: quantity[unit.Time](n, "fade"), Brightness: quantity[unit.Ratio](n, "brightness"), Range: n.head,
			})
		case trainBlock:
			t := &Train{Range: n.head}
			for _, c := range n.all("vehicle") {
				t.Vehicles = append(t.Vehicles, TrainVehicle{Name: c.label, Turned: flagOf(c, "turned"), Range: c.head})
			}
			for _, c := range n.all("want") {
				t.Wants = append(t.Wants, Want{Direction: text(c, "direction"), Functions: texts(c, "function"), Lit: texts(c, "lit"), Range: c.head})
			}
			b.Train = t
		case boardBlock:
			b.Board = board(n)
		case costBlock:
			b.Cost = &Cost{Currency: text(n, "currency"), ReadyMade: quantity[float64](n, "ready_made"), Range: n.head}
		}
	}
	if root.one("track") == nil {
		b.Track = track(&node{schema: trackBlock, head: root.head, values: map[string]*value{}, asked: map[string]bool{}})
	}
	b.Track.order()
	// The rows of each lamp are gathered from Readings once those of readings.csv are there too.
	for _, v := range b.Vehicles {
		for _, l := range v.Lamps {
			b.Readings = append(b.Readings, l.Readings...)
		}
	}
}

func (b *Build) vehicle(n *node) Vehicle {
	v := Vehicle{Name: n.label, Scale: text(n, "scale"), Socket: text(n, "socket"), Specimen: text(n, "specimen"), Range: n.head}
	if c := n.one("cavity"); c != nil {
		v.Cavity = Cavity{Length: quantity[unit.Length](c, "length"), Width: quantity[unit.Length](c, "width"), Height: quantity[unit.Length](c, "height"), Range: c.head}
	}
	if m := n.one("motor"); m != nil {
		v.Motor = &Motor{Resistance: quantity[unit.Ohm](m, "resistance"), Stall: quantity[unit.Amp](m, "stall"), Range: m.head}
	}
	for _, c := range n.all("lamp") {
		l := Lamp{
			Name: c.label, Kind: text(c, "kind"), Feed: text(c, "feed"), Pin: quantity[int](c, "pin"), Wire: text(c, "wire"), LEDs: text(c, "leds"), Part: text(c, "part"), Back: text(c, "back"), End: text(c, "end"),
			Series: count(c, "series"), Parallel: count(c, "parallel"), Hidden: quantity[unit.Ohm](c, "hidden"),
			Good: quantity[unit.Amp](c, "good"), Seen: quantity[unit.Amp](c, "seen"),
			NeverAbove: quantity[unit.Amp](c, "never_above"), PeakAbove: quantity[unit.Amp](c, "peak_never_above"),
			Cold: quantity[unit.Ohm](c, "cold"), Hot: quantity[unit.Ohm](c, "hot"), Range: c.head,
		}
		for _, d := range c.all("reading") {
			x := reading(d)
			x.Lamp, x.Vehicle = l.Name.Text, v.Name.Text
			l.Readings = append(l.Readings, x)
		}
		v.Lamps = append(v.Lamps, l)
	}
	return v
}

// reading is shared by the build file and readings.csv.
func reading(n *node) Reading {
	damaged := len(n.strange) > 0
	for _, v := range n.order {
		damaged = damaged || !v.ok
	}
	return Reading{
		damaged: damaged,
		ID:      text(n, "id").Text, Date: text(n, "date").Text,
		SupplyName: text(n, "supply"), Track: quantity[unit.Volt](n, "track"), Duty: quantity[unit.Ratio](n, "duty"),
		Reversed: flagOf(n, "reversed").Yes, Current: quantity[unit.Amp](n, "current"), Drop: quantity[unit.Volt](n, "drop"),
		Resistance: quantity[unit.Ohm](n, "resistance"), Marking: text(n, "marking"), Meter: text(n, "meter"), VoltMeter: text(n, "volt_meter"),
		Ammeter: text(n, "ammeter"), Others: quantity[unit.Amp](n, "others"), Plugged: text(n, "plugged"), Looked: text(n, "looked"),
		Temperature: quantity[unit.Celsius](n, "temperature"), Point: text(n, "point"), Minus: text(n, "minus"), State: text(n, "state"),
		Voltage: quantity[unit.Volt](n, "voltage"), Note: text(n, "note").Text, Range: n.head,
	}
}

func track(n *node) Track {
	return Track{
		Low: quantity[unit.Volt](n, "low"), Usual: quantity[unit.Volt](n, "usual"), High: quantity[unit.Volt](n, "high"),
		DC: text(n, "dc"), DCSupply: text(n, "dc_supply"),
		ProgrammingLow: quantity[unit.Volt](n, "programming_low"), ProgrammingHigh: quantity[unit.Volt](n, "programming_high"),
		AmbientLow: quantity[unit.Celsius](n, "ambient_low"), AmbientHigh: quantity[unit.Celsius](n, "ambient_high"), Range: n.head,
	}
}

// order draws what is merely assumed to what is written, so that low ≤ usual ≤ high.
func (t *Track) order() {
	draw(&t.Usual, t.Low, t.High)
	draw(&t.Low, Quantity[unit.Volt]{}, t.Usual)
	draw(&t.High, t.Usual, Quantity[unit.Volt]{})
	draw(&t.AmbientLow, Quantity[unit.Celsius]{}, t.AmbientHigh)
	draw(&t.AmbientHigh, t.AmbientLow, Quantity[unit.Celsius]{})
	draw(&t.ProgrammingLow, Quantity[unit.Volt]{}, t.ProgrammingHigh)
	draw(&t.ProgrammingHigh, t.ProgrammingLow, Quantity[unit.Volt]{})
}

func draw[U Number](q *Quantity[U], low, high Quantity[U]) {
	if !q.Assumed {
		return
	}
	if low.IsSet() && low.Known() && q.Value < low.Value {
		q.Value, q.Text = low.Value, low.Text
	}
	if high.IsSet() && high.Known() && q.Value > high.Value {
		q.Value, q.Text = high.Value, high.Text
	}
}

func decoder(n *node) Decoder {
	d := Decoder{Name: n.label, Vehicle: text(n, "vehicle"), Range: n.head}
	// A block that is absent stands for an empty one: its defaults hold.
	part := func(name string) *node {
		if c := n.one(name); c != nil {
			return c
		}
		return &node{schema: n.schema.block(name), head: n.head, values: map[string]*value{}, asked: map[string]bool{}}
	}
	s := part("supply")
	d.Supply = DecoderSupply{
		Rectifier: text(s, "rectifier"), Diodes: quantity[int](s, "diodes"), From: text(s, "from"), Regulator: text(s, "regulator"),
		Reservoir: quantity[unit.Farad](s, "reservoir"), Charge: quantity[unit.Ohm](s, "charge"),
		Decoupling: quantity[unit.Farad](s, "decoupling"), Ballast: quantity[unit.Ohm](s, "ballast"), Package: text(s, "package"), Range: s.head,
	}
	c := part("chip")
	d.Chip = Chip{Part: text(c, "part"), Clock: text(c, "clock"), BrownOut: quantity[unit.Volt](c, "brown_out"), Range: c.head}
	if m := clockForm.FindStringSubmatch(d.Chip.Clock.Text); m != nil {
		if hz, err := unit.ParseHertz(m[1]); err == nil {
			d.Chip.Frequency, d.Chip.Source = hz, m[2]
		}
	}
	l := part("listen")
	d.Listen = Listen{From: text(l, "from"), Into: text(l, "into"), Series: quantity[unit.Ohm](l, "series"), Filter: quantity[unit.Farad](l, "filter"), Range: l.head}
	a := part("answer")
	d.Answer = Answer{
		Address: quantity[int](a, "address"), Long: flagOf(a, "long"), Consist: quantity[int](a, "consist"), Steps: quantity[int](a, "steps"),
		DC: flagOf(a, "dc"), Lock: quantity[int](a, "lock"), Range: a.head,
	}
	if k := n.one("acknowledge"); k != nil {
		d.Acknowledge = &Acknowledge{Load: quantity[unit.Ohm](k, "load"), From: text(k, "from"), Switch: text(k, "switch"), Base: quantity[unit.Ohm](k, "base"), Pulldown: quantity[unit.Ohm](k, "pulldown"), Package: text(k, "package"), Range: k.head}
	}
	for _, o := range n.all("output") {
		out := Output{
			Name: o.label, Load: text(o, "load"), From: text(o, "from"), Drive: text(o, "drive"), Switch: text(o, "switch"), Level: text(o, "level"),
			Series: quantity[unit.Ohm](o, "series"), Base: quantity[unit.Ohm](o, "base"), Pulldown: quantity[unit.Ohm](o, "pulldown"),
			Pullup: quantity[unit.Ohm](o, "pullup"), LevelBase: quantity[unit.Ohm](o, "level_base"), Clamp: text(o, "clamp"), Driver: text(o, "driver"), Between: quantity[unit.Ohm](o, "between"), Shunt: quantity[unit.Ohm](o, "shunt"),
			Package: text(o, "package"), SeriesPackage: text(o, "series_package"), Tolerance: quantity[unit.Ratio](o, "tolerance"),
			Brightness: quantity[unit.Ratio](o, "brightness"), Dim: quantity[unit.Hertz](o, "dim_frequency"), Range: o.head,
		}
		if lamps := texts(o, "lamp"); len(lamps) > 0 {
			out.Lamp, out.AlsoLamps = lamps[0], lamps[1:]
		}
		d.Outputs = append(d.Outputs, out)
	}
	if f := n.one("fitted"); f != nil {
		d.Fitted = fitted(f)
	}
	return d
}

func board(n *node) *Board {
	b := &Board{
		Columns: quantity[int](n, "columns"), Rows: quantity[int](n, "rows"), Pitch: quantity[unit.Length](n, "pitch"),
		Height: quantity[unit.Length](n, "height"), Sides: quantity[int](n, "sides"), Range: n.head,
	}
	for _, p := range n.all("pin") {
		b.Pins = append(b.Pins, BoardPin{Net: p.label, Column: quantity[int](p, "column"), Row: quantity[int](p, "row"), Range: p.head})
	}
	for _, k := range n.all("keep_out") {
		b.KeepOuts = append(b.KeepOuts, KeepOut{Column: quantity[int](k, "column"), Row: quantity[int](k, "row"), Columns: quantity[int](k, "columns"), Rows: quantity[int](k, "rows"), Range: k.head})
	}
	return b
}
