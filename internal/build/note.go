package build

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"fettle/internal/diag"
	"fettle/internal/parts"
	"fettle/internal/unit"
)

// Noting is how values are noted that were typed as words: what was really fitted, without opening the file.
type Noting struct {
	Decoder   string // "": the only one, or the only one that has the outputs named
	Meter     string // the values were measured with it
	ByMarking bool   // they were read off the parts
	Today     string // the date of the change, where none is typed
}

// Typed names the words in diagnostics, as if they were a file.
const Typed = "fitted"

// NotedEdits is what is to be written, and what was taken for granted on the way.
type NotedEdits struct {
	Edits   []Edit
	Assumed []string

	words  string
	places []place
}

type place struct {
	attr, value string
	at          diag.Range
}

// targets are the words for the blocks of a decoder.
var targets = map[string]string{"supply": "supply", "chip": "chip", "ear": "listen", "listen": "listen", "answer": "acknowledge", "acknowledge": "acknowledge"}

// designedWord takes a note back: the part is as designed.
const designedWord = "designed"

// NoteFitted turns words into edits of what was fitted: "front base=4.68k switch=BC847B ear series=22k vehicle=number 3". A
// word without an equals sign names the output, or supply, chip, ear or answer, that the next ones belong to; vehicle and date,
// and a note before the first such word, belong to the whole. The value "designed", or none, takes a note back.
func (b *Build) NoteFitted(typed []string, how Noting) (NotedEdits, diag.List) {
	out := NotedEdits{words: strings.Join(typed, " ")}
	var problems diag.List
	d, ok := b.decoderNamed(how.Decoder)
	if !ok && how.Decoder == "" {
		d, ok = b.decoderOf(typed)
	}
	if !ok {
		var names []string
		for _, d := range b.Decoders {
			names = append(names, d.Name.Text)
		}
		at := diag.Range{File: Typed}
		switch {
		case len(names) == 0:
			problems.Add("missing", at, "the build has no decoder that anything could be fitted in")
		case how.Decoder == "":
			problems.Add("missing", at, "which decoder is meant? There is %s (--decoder)", alternatives(names, "and"))
		default:
			problems.Add("name-unknown", at, "there is no decoder %q%s", how.Decoder, didYouMean(guess(how.Decoder, names)))
		}
		return out, problems
	}
	known := []string{HandMeter}
	for _, m := range b.Meters {
		known = append(known, m.Name.Text)
	}
	if how.Meter != "" && !has(known, how.Meter) {
		problems.Add("name-unknown", diag.Range{File: Typed}, "--meter %q: there is no meter of that name%s; there is %s", how.Meter, didYouMean(guess(how.Meter, known)), alternatives(known, "and"))
	}
	var outputs []string
	for _, o := range d.Outputs {
		outputs = append(outputs, o.Name.Text)
	}

	src := newSource(Typed, []byte(out.words))
	whole := []string{"decoder", d.Name.Text, "fitted"}
	blocks := []*noteBlock{}
	var now *noteBlock
	dated, at := false, 0
	edit := func(e Edit) { out.Edits = append(out.Edits, e) }
	for _, word := range typed {
		start := at
		at += len(word) + 1
		name, value, assigns := strings.Cut(word, "=")
		name = strings.TrimSpace(name)
		here := src.span(start, start+len(word))
		if !assigns {
			if now = target(name, outputs); now == nil {
				names := append(slices.Clone(outputs), "supply", "chip", "ear", "answer")
				problems.Add("name-unknown", here, "%q is no output and no other part of decoder %q%s", word, d.Name.Text, didYouMean(guess(word, names))).
					Notes = []diag.Note{{Range: here, Message: "there is " + strings.Join(names, ", ") + "; a value is written base=4.7k"}}
				now = &noteBlock{} // what follows belongs to it
			}
			for _, k := range blocks {
				if k.block == now.block && k.output == now.output {
					now = k
				}
			}
			if !slices.Contains(blocks, now) {
				blocks = append(blocks, now)
			}
			continue
		}
		if now != nil && now.block == "" {
			continue
		}
		if has([]string{"vehicle", "date", "note"}, name) && (now == nil || name != "note") {
			dated = dated || name == "date"
			edit(Edit{Path: whole, Attr: name, Value: strings.TrimSpace(value), Make: true, Remove: value == "" || value == designedWord})
			out.places = append(out.places, place{name, value, here})
			continue
		}
		if now == nil {
			problems.Add("missing", here, "%s of what? Name the output before it, or supply, chip, ear or answer: %s %s", name, first(outputs, "supply"), word)
			continue
		}
		a := fittedBlock.block(now.block).attr(name)
		if a == nil || has(notValues, name) && name != "note" {
			var names []string
			for _, a := range fittedBlock.block(now.block).Attrs {
				if !has(notValues, a.Name) {
					names = append(names, a.Name)
				}
			}
			problems.Add("name-unknown", src.span(start, start+len(name)), "%s has no %q%s", FittedValue{Block: now.block, Output: now.output}.Of(), name, didYouMean(guess(name, names))).
				Notes = []diag.Note{{Range: here, Message: "it has " + strings.Join(names, ", ")}}
			continue
		}
		from := start + len(word) - len(value)
		n := noteValue{attr: a, text: strings.TrimSpace(value), at: src.span(from, start+len(word))}
		if n.remove = n.text == "" || n.text == designedWord; !n.remove && a.Dim != nil && !has(a.Words, n.text) {
			x, err := unit.Parse(n.text, *a.Dim)
			if err != nil {
				p := problems.Add("unit", n.at, "%s=%s: %s", name, value, err.Problem)
				if err.Mend != "" {
					p.Fix = &diag.Fix{Message: name + "=" + strings.ReplaceAll(err.Mend, " ", ""), Range: n.at, Text: strings.ReplaceAll(err.Mend, " ", "")}
				}
				continue
			}
			n.number, n.text = x, spelled(n.text, x, a.Dim)
		}
		if now.holds(name) {
			problems.Add("twice", here, "%s is typed twice", name)
			continue
		}
		now.values = append(now.values, n)
		out.places = append(out.places, place{name, n.text, n.at})
	}
	if len(problems) == 0 && len(blocks) > 0 && !slices.ContainsFunc(blocks, func(k *noteBlock) bool { return len(k.values) > 0 }) {
		problems.Add("missing", src.span(0, len(out.words)), "nothing to note: a value is written %s base=4.68k", first(outputs, "front"))
	}
	if len(problems) > 0 {
		return out, problems
	}
	if !dated && how.Today != "" {
		edit(Edit{Path: whole, Attr: "date", Value: how.Today, Make: true})
	}
	for _, k := range blocks {
		out.block(b, d, k, how, &problems)
	}
	return out, problems
}

// A noteBlock is what was typed for one block.
type noteBlock struct {
	block, output string
	values        []noteValue
}

type noteValue struct {
	attr   *Attr
	text   string
	number float64
	remove bool
	at     diag.Range
}

func (k *noteBlock) holds(attr string) bool {
	return slices.ContainsFunc(k.values, func(n noteValue) bool { return n.attr.Name == attr })
}

// target is the block that a word names: an output before anything else.
func target(word string, outputs []string) *noteBlock {
	if has(outputs, word) {
		return &noteBlock{block: "output", output: word}
	}
	if t, ok := targets[strings.ToLower(word)]; ok {
		return &noteBlock{block: t}
	}
	return nil
}

func first(list []string, otherwise string) string {
	if len(list) > 0 {
		return list[0]
	}
	return otherwise
}

// block adds the edits of one block. A block has one meter; which of its values were not measured stands in by_marking.
func (out *NotedEdits) block(b *Build, d *Decoder, k *noteBlock, how Noting, problems *diag.List) {
	path := []string{"decoder", d.Name.Text, "fitted", k.block}
	if k.output != "" {
		path = append(path, k.output)
	}
	of := FittedValue{Block: k.block, Output: k.output}.Of()
	// What stands there already, with its meter.
	with, old := map[string]string{}, []string{}
	usual, odd := "", false // odd: a value that no part carries was read off one all the same
	if d.Fitted != nil {
		usual = d.Fitted.Meter.Text
		for _, v := range d.Fitted.Values {
			if v.Block == k.block && v.Output == k.output && v.Ohms() {
				with[v.Attr], old = v.Meter.Text, append(old, v.Attr)
				if v.Meter.IsSet() {
					usual = v.Meter.Text
				} else if !k.holds(v.Attr) {
					odd = odd || parts.SeriesOf(v.Number) == ""
				}
			}
		}
	}
	before := usual
	for _, n := range k.values {
		out.Edits = append(out.Edits, Edit{Path: path, Attr: n.attr.Name, Value: n.text, Make: true, Remove: n.remove})
		if n.attr.Dim != &unit.Resistance {
			continue
		}
		if n.remove || has(n.attr.Words, n.text) {
			delete(with, n.attr.Name)
			continue
		}
		meter := how.Meter
		switch {
		case meter != "" || how.ByMarking:
		case before != "":
			meter = before
		case parts.SeriesOf(n.number) == "":
			if meter = HandMeter; len(b.Meters) > 0 {
				meter = b.Meters[0].Name.Text
			}
			out.Assumed = append(out.Assumed, fmt.Sprintf("%s of %s: no part is marked %s, so it is taken as measured with %s (--meter says otherwise)", n.attr.Name, of, n.text, meterWords(meter)))
		default:
			out.Assumed = append(out.Assumed, fmt.Sprintf("%s of %s: %s is taken for what is printed on the part, with its tolerance (--meter NAME if you measured it)", n.attr.Name, of, n.text))
		}
		odd = odd || meter == "" && parts.SeriesOf(n.number) == ""
		with[n.attr.Name] = meter
		if !has(old, n.attr.Name) {
			old = append(old, n.attr.Name)
		}
	}
	var marked []string
	meter := ""
	for _, attr := range old {
		switch m, there := with[attr]; {
		case !there:
		case m == "":
			marked = append(marked, attr)
		case meter != "" && m != meter:
			problems.Add("fitted-meters", diag.Range{File: Typed}, "%s: values were measured with %s and with %s, and a block has one meter: note them all with one", of, meter, m)
			return
		default:
			meter = m
		}
	}
	whole := ""
	if d.Fitted != nil {
		whole = d.Fitted.Meter.Text
	}
	switch {
	case meter != "" && meter != whole:
		out.Edits = append(out.Edits, Edit{Path: path, Attr: "meter", Value: meter, Make: true})
	case fittedBlock.block(k.block).attr("meter") != nil:
		out.Edits = append(out.Edits, Edit{Path: path, Attr: "meter", Remove: true})
	}
	switch {
	case (meter != "" || whole != "" || odd) && len(marked) > 0:
		out.Edits = append(out.Edits, Edit{Path: path, Attr: "by_marking", List: marked, Make: true})
	case fittedBlock.block(k.block).attr("by_marking") != nil:
		out.Edits = append(out.Edits, Edit{Path: path, Attr: "by_marking", Remove: true})
	}
}

func meterWords(name string) string {
	if name == HandMeter {
		return "an ordinary hand meter"
	}
	return "meter " + name
}

// decoderNamed finds a decoder; "" is the only one.
func (b *Build) decoderNamed(name string) (*Decoder, bool) {
	for i := range b.Decoders {
		if b.Decoders[i].Name.Text == name || name == "" && len(b.Decoders) == 1 {
			return &b.Decoders[i], true
		}
	}
	return nil, false
}

// decoderOf finds the only decoder that has all the outputs that words name, and any.
func (b *Build) decoderOf(typed []string) (found *Decoder, ok bool) {
	for i := range b.Decoders {
		d := &b.Decoders[i]
		own, all := 0, true
		for _, word := range typed {
			if strings.Contains(word, "=") {
				continue
			}
			if _, is := d.Output(word); is {
				own++
			} else if target(word, nil) == nil {
				all = false
			}
		}
		if own > 0 && all {
			if found != nil {
				return nil, false
			}
			found = d
		}
	}
	return found, found != nil
}

// spelled writes a typed quantity as a file has it, its digits kept: "4.680k" is "4.680 kΩ", "4k7" is "4.7 kΩ".
func spelled(typed string, x float64, d *unit.Dimension) string {
	s := strings.ReplaceAll(strings.TrimSpace(typed), ",", ".")
	n := 0
	for n < len(s) && (s[n] >= '0' && s[n] <= '9' || s[n] == '.') {
		n++
	}
	rest := strings.TrimSpace(s[n:])
	if r, size := utf8.DecodeRuneInString(rest); n > 0 && d.Symbol == unit.SymOhm {
		prefix := ""
		switch r {
		case 'k', 'K':
			prefix = "k"
		case 'M':
			prefix = "M"
		case 'R', 'r', 'o', 'O', 'Ω', '\u2126':
			size = 0
		default:
			size = -1
		}
		if size >= 0 && !strings.ContainsAny(rest, "0123456789") {
			text := s[:n] + " " + prefix + unit.SymOhm
			if y, err := unit.Parse(text, *d); err == nil && math.Abs(y/x-1) < 1e-12 {
				return text
			}
		}
	}
	switch d.Symbol {
	case unit.SymOhm:
		return unit.Ohm(x).String()
	case unit.SymFarad:
		return unit.Farad(x).String()
	}
	return strings.TrimSpace(typed)
}

// Place puts problems of the edited file where the words were typed that they are about, and the words beside the sources.
func (out *NotedEdits) Place(list diag.List, sources map[string][]byte) {
	sources[Typed] = []byte(out.words)
	for i := range list {
		for _, p := range out.places {
			if rest, ok := strings.CutPrefix(list[i].Message, p.attr+" = "); ok && strings.HasPrefix(rest, quoted(p.value)) {
				list[i].Range = p.at
			}
		}
	}
}

// Note is the words that note a value in this place.
func (v FittedValue) Note(value string) []string {
	return []string{map[string]string{"output": v.Output, "supply": "supply", "chip": "chip", "listen": "ear", "acknowledge": "answer"}[v.Block], v.Attr + "=" + value}
}

// Typed is how the value is named on the command line: "front base", "ear series".
func (v FittedValue) Typed() string {
	of := v.Note("")[0]
	if strings.Contains(of, " ") {
		of = quoted(of)
	}
	return of + " " + v.Attr
}

// Notes reports whether something is noted in the place of a value.
func (f *Fitted) Notes(v FittedValue) bool {
	return f != nil && slices.ContainsFunc(f.Values, func(w FittedValue) bool {
		return w.Block == v.Block && w.Output == v.Output && w.Attr == v.Attr
	})
}

// Ohms reports whether the value is a resistance.
func (v FittedValue) Ohms() bool {
	a := fittedBlock.block(v.Block).attr(v.Attr)
	return a != nil && a.Dim == &unit.Resistance
}

// Changed is the lines by which two texts differ, with their numbers: "- " of the old text, "+ " of the new.
func Changed(before, after []byte) string {
	a, b := slices.Collect(bytes.Lines(before)), slices.Collect(bytes.Lines(after))
	head := 0
	for head < len(a) && head < len(b) && bytes.Equal(a[head], b[head]) {
		head++
	}
	tail := 0
	for tail < len(a)-head && tail < len(b)-head && bytes.Equal(a[len(a)-1-tail], b[len(b)-1-tail]) {
		tail++
	}
	x, y := a[head:len(a)-tail], b[head:len(b)-tail]
	// The longest common subsequence of what is left.
	long := make([][]int, len(x)+1)
	for i := range long {
		long[i] = make([]int, len(y)+1)
	}
	for i := len(x) - 1; i >= 0; i-- {
		for j := len(y) - 1; j >= 0; j-- {
			if bytes.Equal(x[i], y[j]) {
				long[i][j] = long[i+1][j+1] + 1
			} else {
				long[i][j] = max(long[i+1][j], long[i][j+1])
			}
		}
	}
	var out strings.Builder
	line := func(sign string, n int, text []byte) {
		fmt.Fprintf(&out, "%5d %s %s\n", n, sign, strings.TrimRight(string(text), "\r\n"))
	}
	for i, j := 0, 0; i < len(x) || j < len(y); {
		switch {
		case i < len(x) && j < len(y) && bytes.Equal(x[i], y[j]):
			i, j = i+1, j+1
		case j >= len(y) || i < len(x) && long[i+1][j] >= long[i][j+1]:
			line("-", head+i+1, x[i])
			i++
		default:
			line("+", head+j+1, y[j])
			j++
		}
	}
	return out.String()
}
