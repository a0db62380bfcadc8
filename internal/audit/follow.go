package audit

import (
	"fmt"
	"slices"
	"strings"

	"fettle/internal/dcc"
	"fettle/internal/unit"
)

// Followed is what one multi-function decoder was told.
type Followed struct {
	Address dcc.Address
	Decoder dcc.Decoder // at the end of the recording; CVs as from the factory unless written
	Packets int64
	First   unit.Time // start bit of the first packet
	Last    unit.Time
	Changes []Change // the first of them
	Changed int64    // all of them
	since   unit.Time
	said    dcc.Instruction // that made the last one
}

// A Change is a moment at which a decoder has something else to do than before.
type Change struct {
	At   unit.Time // end of the packet
	Now  string    // what changed: "forward 6 of 28", "F0 on"
	From string    // the packet
}

// A Moment is what a decoder should have been doing at an instant.
type Moment struct {
	Address dcc.Address
	Known   bool // a packet for it had come
	Decoder dcc.Decoder
	Since   unit.Time // end of the last packet that changed something
	Last    string    // that packet
}

const changesKept = 200

// A follower follows decoders: what they do after every packet that a decoder obeys.
//
// A recording begins in the middle: what was said before is not known, and neither are the CVs. A decoder is taken as it comes
// from the factory, with 28 steps and FL in function group one, in no consist.
type follower struct {
	set  Settings
	out  *Audited
	of   map[dcc.Address]*Followed
	base dcc.State // what broadcasts have made of a decoder not heard of yet
	took bool      // the moment asked for has been taken
}

func newFollower(s Settings, o *Audited) follower {
	return follower{set: s, out: o, of: map[dcc.Address]*Followed{}}
}

// wanted reports whether an address is among those asked for.
func (f *follower) wanted(a dcc.Address) bool {
	return len(f.set.Addresses) == 0 || a.Kind == dcc.All || slices.Contains(f.set.Addresses, a)
}

// packet takes a valid packet.
func (f *follower) packet(r *dcc.Reception, heard dcc.Heard, m dcc.Meaning) {
	if f.set.At.Set && !f.took && r.End > f.set.At.T {
		f.take()
	}
	if heard != dcc.Operations && heard != dcc.Left && heard != dcc.ResetHeard || !m.OK() || !m.Address.Multifunction() {
		return
	}
	if m.Address.Kind == dcc.All {
		d := dcc.NewDecoder(dcc.Address{Kind: dcc.Short, Number: 3})
		d.State = f.base
		d.Apply(m.Instruction)
		f.base = d.State
		for _, k := range f.out.Addresses {
			f.apply(k, r, m.Instruction)
		}
		return
	}
	if !f.wanted(m.Address) {
		return
	}
	k := f.of[m.Address]
	if k == nil {
		k = &Followed{Address: m.Address, Decoder: dcc.NewDecoder(m.Address), First: r.Start}
		k.Decoder.State = f.base
		f.of[m.Address] = k
		f.out.Addresses = append(f.out.Addresses, k)
	}
	k.Packets++
	k.Last = r.Start
	f.apply(k, r, m.Instruction)
}

func (f *follower) apply(k *Followed, r *dcc.Reception, i dcc.Instruction) {
	before := k.Decoder.State
	if k.Decoder.Apply(i) == dcc.NotForIt || k.Decoder.State == before {
		return
	}
	k.Changed++
	k.since, k.said = r.End, i
	if len(k.Changes) < changesKept {
		k.Changes = append(k.Changes, Change{r.End, difference(&before, &k.Decoder.State), i.String()})
	}
}

// take writes down what every decoder asked for is doing now.
func (f *follower) take() {
	f.took = true
	add := func(a dcc.Address) {
		m := Moment{Address: a, Decoder: dcc.NewDecoder(a)}
		m.Decoder.State = f.base
		if k := f.of[a]; k != nil {
			m.Known, m.Decoder = true, k.Decoder
			if k.Changed > 0 {
				m.Since, m.Last = k.since, k.said.String()
			}
		}
		f.out.Moment = append(f.out.Moment, m)
	}
	if len(f.set.Addresses) > 0 {
		for _, a := range f.set.Addresses {
			add(a)
		}
		return
	}
	for _, k := range f.out.Addresses {
		add(k.Address)
	}
}

func (f *follower) finish() {
	if f.set.At.Set && !f.took && f.set.At.T <= f.out.End {
		f.take()
	}
}

// difference says what changed between two states.
func difference(a, b *dcc.State) string {
	var out []string
	if b.Moves && (a.Moves != b.Moves || a.Speed != b.Speed) {
		out = append(out, b.Speed.String())
	} else if a.Moves && !b.Moves {
		out = append(out, "speed unknown")
	}
	if a.Heading != b.Heading && b.Heading == dcc.HeadingUnknown && a.Heading != dcc.HeadingUnknown {
		out = append(out, "direction unknown")
	}
	for _, level := range []dcc.Level{dcc.On, dcc.Off, dcc.Unknown} {
		if s := runs(func(n int) bool { return b.Functions[n] == level && a.Functions[n] != level }); s != "" {
			out = append(out, s+" "+level.String())
		}
	}
	if len(out) == 0 {
		return "direction as the packet says"
	}
	return strings.Join(out, ", ")
}

// runs names the functions chosen: "F0 F2-F4".
func runs(chosen func(n int) bool) string {
	var out []string
	for n := 0; n <= dcc.FunctionMax; n++ {
		if !chosen(n) {
			continue
		}
		last := n
		for last < dcc.FunctionMax && chosen(last+1) {
			last++
		}
		if last > n {
			out = append(out, fmt.Sprintf("F%d-F%d", n, last))
		} else {
			out = append(out, fmt.Sprintf("F%d", n))
		}
		n = last
	}
	return strings.Join(out, " ")
}

// motion says speed and direction.
func motion(d *dcc.Decoder) string {
	s := d.State
	switch {
	case !s.Moves && s.Heading == dcc.HeadingUnknown:
		return "unknown"
	case !s.Moves:
		return "speed unknown, " + d.Direction().String()
	case s.Heading == dcc.HeadingUnknown:
		return s.Speed.String() + ", direction not known"
	}
	return s.Speed.String()
}

// lights says what is lit: the headlights by direction, and the functions that are on.
func lights(d *dcc.Decoder) (headlights, on, unknown string) {
	front, rear := d.Headlights()
	headlights = "front " + front.String() + ", rear " + rear.String()
	on = runs(func(n int) bool { return d.State.Functions[n] == dcc.On })
	unknown = runs(func(n int) bool { return d.State.Functions[n] == dcc.Unknown })
	if on == "" {
		on = "none"
	}
	if unknown == "" {
		unknown = "none"
	}
	return headlights, on, unknown
}
