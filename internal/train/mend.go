package train

import (
	"fmt"
	"slices"
	"strings"

	"fettle/internal/build"
)

// An edit is one change of the build that may mend a want. It is made on a copy that shares what is not changed: apply
// clones what it touches.
type edit struct {
	words string
	apply func(b *build.Build)
}

// functions edits the function blocks.
func functions(words string, change func(list []build.Function)) edit {
	return edit{words, func(b *build.Build) {
		b.Functions = slices.Clone(b.Functions)
		change(b.Functions)
	}}
}

// answer edits what the decoder of that index answers to.
func answer(words string, i int, change func(a *build.Answer)) edit {
	return edit{words, func(b *build.Build) {
		b.Decoders = slices.Clone(b.Decoders)
		change(&b.Decoders[i].Answer)
	}}
}

// fullWave edits the rectifier of the decoder of that index.
func fullWave(words string, i int) edit {
	return edit{words, func(b *build.Build) {
		b.Decoders = slices.Clone(b.Decoders)
		s := &b.Decoders[i].Supply
		s.Diodes, s.From = build.Given(4), build.Text{}
	}}
}

// feed edits where a lamp is fed from.
func feed(words, vehicle, lamp, from string) edit {
	return edit{words, func(b *build.Build) {
		b.Vehicles = slices.Clone(b.Vehicles)
		if v, ok := b.Vehicle(vehicle); ok {
			v.Lamps = slices.Clone(v.Lamps)
			if l, ok := v.Lamp(lamp); ok {
				l.Feed = build.Words(from)
			}
		}
	}}
}

// holding tells which wants a build meets.
func holding(b *build.Build, e Evidence) map[string]bool {
	met := map[string]bool{}
	for _, p := range trains(b) {
		for _, w := range p.wants(b) {
			row := p.run(b, w.Case, e)
			holds, sure := w.met(row.Cells)
			met[w.Case.id()] = holds && sure
		}
	}
	return met
}

// mostPairs bounds how many pairs of edits are tried: some tens of milliseconds.
const mostPairs = 1000

// mend finds the least change after which the want is met and no other is lost: one edit, else two. Among equals the
// one that meets most wants, then the first. "" where there is none.
func (p *Plan) mend(b *build.Build, w want, e Evidence) string {
	before := holding(b, e)
	try := func(edits ...edit) (met int, ok bool) {
		c := *b
		for _, x := range edits {
			x.apply(&c)
		}
		q := trains(&c)[0] // there is but one where there are wants
		row := q.run(&c, w.Case, e)
		if holds, sure := w.met(row.Cells); !holds || !sure {
			return 0, false
		}
		after := holding(&c, e)
		for k, held := range before {
			if held && !after[k] {
				return 0, false
			}
		}
		for _, yes := range after {
			if yes {
				met++
			}
		}
		return met, true
	}
	list := p.edits(b, w, e)
	best, words := 0, ""
	for _, x := range list {
		if met, ok := try(x); ok && met > best {
			best, words = met, x.words
		}
	}
	tried := 0
	for i := 0; i < len(list) && words == ""; i++ {
		for k := i + 1; k < len(list); k++ {
			if tried++; tried > mostPairs {
				return ""
			}
			if met, ok := try(list[i], list[k]); ok && met > best {
				best, words = met, list[i].words+", and "+list[k].words
			}
		}
	}
	return words
}

// edits lists what might mend a want, the likeliest slip first: directions exchanged, a foreign address, DC not
// allowed, half a wave, a single function block, a block that is missing, the feed.
func (p *Plan) edits(b *build.Build, w want, e Evidence) []edit {
	row := p.run(b, w.Case, e)
	wrong := func(i int) bool { return row.Cells[i].State == Dim || w.Lit[i] != (row.Cells[i].State == Lit) }
	concerned := map[*build.Decoder]bool{} // decoders with an output on a lamp that is wrong
	for _, d := range p.decoders(b) {
		for i, col := range p.Lamps {
			for k := range d.Outputs {
				if wrong(i) && p.placeOf(b, d) == col.Place && drives(&d.Outputs[k], col.Lamp) {
					concerned[d] = true
				}
			}
		}
	}
	var list []edit
	add := func(x edit) { list = append(list, x) }
	index := func(d *build.Decoder) int {
		return slices.IndexFunc(b.Decoders, func(x build.Decoder) bool { return x.Name.Text == d.Name.Text })
	}
	at := func(k int) string {
		f := &b.Functions[k]
		d, _ := b.DecoderOf(f)
		return fmt.Sprintf("function %s of decoder %s (line %d)", named(f), d.Name.Text, f.Range.Start.Line)
	}
	// Blocks of the functions that are on, by decoder.
	blocks := func(d *build.Decoder, name string) []int {
		var ks []int
		for k := range b.Functions {
			if x, ok := b.DecoderOf(&b.Functions[k]); ok && x == d && b.Functions[k].Name.Text == name {
				ks = append(ks, k)
			}
		}
		return ks
	}
	for _, name := range w.Case.On {
		var all []int
		for _, d := range p.decoders(b) {
			if !concerned[d] {
				continue
			}
			ks := slices.DeleteFunc(blocks(d, name), func(k int) bool { return b.Functions[k].Direction.Text == other(b.Functions[k].Direction.Text) })
			if len(ks) == 0 {
				continue
			}
			var lines []string
			for _, k := range ks {
				lines = append(lines, fmt.Sprint(b.Functions[k].Range.Start.Line))
			}
			add(functions(fmt.Sprintf("exchange forward and reverse of function %s of decoder %s (line %s)", name, d.Name.Text, strings.Join(lines, " and ")), turn(ks)))
			all = append(all, ks...)
		}
		if len(all) > 0 {
			add(functions("exchange forward and reverse of function "+name+" of every decoder concerned", turn(all)))
		}
	}
	for _, d := range p.decoders(b) {
		if !concerned[d] {
			continue
		}
		i := index(d)
		if w.Case.Power == DCC && AddressOf(d) != p.Address {
			a := p.Address
			add(answer(answerText(d, a)+" in the answer block of decoder "+d.Name.Text, i, func(x *build.Answer) {
				x.Consist, x.Address, x.Long = build.Quantity[int]{}, build.Given(a.Number), build.Flag{Yes: a.Long, Set: true}
			}))
		}
		if w.Case.Power == DC && !d.Answer.DC.Yes {
			add(answer("dc = true in the answer block of decoder "+d.Name.Text, i, func(x *build.Answer) { x.DC = build.Flag{Yes: true, Set: true} }))
		}
		if d.Supply.Single() {
			add(fullWave("a bridge, or four diodes, for the single one of decoder "+d.Name.Text, i))
		}
	}
	for k := range b.Functions {
		f := &b.Functions[k]
		d, ok := b.DecoderOf(f)
		if !ok || !concerned[d] || !slices.Contains(w.Case.On, f.Name.Text) {
			continue
		}
		for _, dir := range []string{build.Forward, build.Reverse, build.Both} {
			if dir != f.Direction.Text {
				add(functions(fmt.Sprintf("direction = %q in %s", dir, at(k)), func(list []build.Function) { list[k].Direction = build.Words(dir) }))
			}
		}
		for _, o := range d.Outputs {
			name := o.Name.Text
			switch has := slices.ContainsFunc(f.Outputs, func(t build.Text) bool { return t.Text == name }); {
			case has && len(f.Outputs) > 1:
				add(functions(fmt.Sprintf("take output %s out of %s", name, at(k)), func(list []build.Function) {
					list[k].Outputs = slices.DeleteFunc(slices.Clone(list[k].Outputs), func(t build.Text) bool { return t.Text == name })
				}))
			case has:
				add(functions("take out "+at(k), func(list []build.Function) { list[k].Outputs = nil }))
			case len(f.Outputs) == 1:
				add(functions(fmt.Sprintf("output = %q in %s", name, at(k)), func(list []build.Function) { list[k].Outputs = []build.Text{build.Words(name)} }))
			}
		}
	}
	for i, col := range p.Lamps {
		if !w.Lit[i] || row.Cells[i].State != Dark {
			continue
		}
		for _, d := range p.decoders(b) {
			for _, o := range d.Outputs {
				if p.placeOf(b, d) != col.Place || !drives(&o, col.Lamp) || len(w.Case.On) == 0 {
					continue
				}
				f := build.Function{Name: build.Words(w.Case.On[0]), Decoder: d.Name, Direction: build.Words(p.Places[col.Place].own(w.Case.Direction)), Outputs: []build.Text{o.Name}}
				add(edit{fmt.Sprintf("a further block: function %q with direction = %q and output = %q of decoder %s", f.Name.Text, f.Direction.Text, o.Name.Text, d.Name.Text),
					func(b *build.Build) { b.Functions = append(slices.Clone(b.Functions), f) }})
			}
		}
		if len(row.Cells[i].By) > 0 && (col.Lamp.Feed.Text == build.LeftRail || col.Lamp.Feed.Text == build.RightRail) {
			add(feed(fmt.Sprintf("feed %s from the rectified plus", p.lampWords(i)), p.Places[col.Place].Vehicle.Name.Text, col.Lamp.Name.Text, build.RectifiedPlus))
		}
	}
	return list
}

// turn exchanges the directions of function blocks.
func turn(ks []int) func(list []build.Function) {
	return func(list []build.Function) {
		for _, k := range ks {
			list[k].Direction = build.Words(other(list[k].Direction.Text))
		}
	}
}
