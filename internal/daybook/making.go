package daybook

import (
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"

	"fettle/internal/build"
	"fettle/internal/diag"
	"fettle/internal/live"
	"fettle/internal/parts"
)

// Blocks, readings and lines of the drawer come and go by forms of their own. A block is named by the field block: its path, as
// Field writes it, without an attribute.

// blockOf is the path that a form names.
func blockOf(form url.Values) ([]string, error) {
	name := form.Get("block")
	rest, ok := strings.CutPrefix(name, "/")
	if !ok || rest == "" {
		return nil, fmt.Errorf("%q names no block", name)
	}
	var path []string
	for _, p := range strings.Split(rest, "/") {
		p, err := url.PathUnescape(p)
		if err != nil {
			return nil, fmt.Errorf("%q names no block", name)
		}
		path = append(path, p)
	}
	return path, nil
}

// blockName is the path of a block as a form names it.
func blockName(path []string) string {
	return Field(path[:len(path)-1], path[len(path)-1])
}

// addBlock puts one more block into the file: block is its path without its label, name the label of one that has one, and a
// field "a:ATTRIBUTE" each value, several of one name a list.
func addBlock(b *live.Book, form url.Values) (*live.Revision, error) {
	path, err := blockOf(form)
	if err != nil {
		return nil, err
	}
	if form.Has("name") {
		path = append(path, strings.TrimSpace(form.Get("name")))
	}
	var values []build.Edit
	for name := range form {
		attr, ok := strings.CutPrefix(name, "a:")
		if !ok {
			continue
		}
		var list []string
		for _, text := range form[name] {
			if text = strings.TrimSpace(text); text != "" {
				list = append(list, text)
			}
		}
		switch len(list) {
		case 0:
		case 1:
			values = append(values, build.Edit{Attr: attr, Value: list[0]})
		default:
			values = append(values, build.Edit{Attr: attr, List: list})
		}
	}
	if len(values) > mostEdits {
		return nil, fmt.Errorf("%d values at once: %d is the most", len(values), mostEdits)
	}
	order := blockNames(path)
	slices.SortFunc(values, func(a, b build.Edit) int { return slices.Index(order, a.Attr) - slices.Index(order, b.Attr) })
	return b.Add(path, values, words(form))
}

// blockNames are the attributes of the block that a path leads to, in the order of the schema.
func blockNames(path []string) (names []string) {
	b := build.Schema()
	for _, p := range path {
		if i := slices.IndexFunc(b.Blocks, func(c *build.Block) bool { return c.Name == p }); i >= 0 {
			b = b.Blocks[i]
		}
	}
	for _, a := range b.Attrs {
		names = append(names, a.Name)
	}
	return names
}

func takeBlock(b *live.Book, form url.Values) (*live.Revision, error) {
	path, err := blockOf(form)
	if err != nil {
		return nil, err
	}
	return b.Take(form.Get("base"), path, words(form))
}

func renameBlock(b *live.Book, form url.Values) (*live.Revision, error) {
	path, err := blockOf(form)
	if err != nil {
		return nil, err
	}
	return b.Rename(form.Get("base"), path, strings.TrimSpace(form.Get("name")), words(form))
}

// strike makes a reading a remark, in the build file or in readings.csv: the field reading is "block:" and its path, or "row:"
// and the key of its line.
func strike(b *live.Book, form url.Values) (*live.Revision, error) {
	where, at, _ := strings.Cut(form.Get("reading"), ":")
	switch where {
	case "row":
		return b.Strike(at, words(form))
	case "block":
		path, err := blockOf(url.Values{"block": {at}})
		if err != nil {
			return nil, err
		}
		if n := len(path); n < 2 || path[n-2] != "reading" {
			return nil, errors.New("that is no reading")
		}
		return b.Take(form.Get("base"), path, words(form))
	}
	return nil, errors.New("say which reading is meant")
}

// drawerLine writes, adds or takes out a line of the drawer: row is the key of the line, "" for a new one, and a field "c:COLUMN"
// each cell.
func drawerLine(b *live.Book, form url.Values) (*live.Revision, error) {
	r := live.DrawerRow{Key: form.Get("row"), Cells: map[string]string{}, Out: form.Get("out") != ""}
	for name := range form {
		if column, ok := strings.CutPrefix(name, "c:"); ok {
			if text := strings.TrimSpace(form.Get(name)); text != "" || r.Key != "" {
				r.Cells[column] = text
			}
		}
	}
	return b.Drawer(r, words(form))
}

// An addView is a form that adds a block.
type addView struct {
	Action, Block, Back, ID, Kind, Doc string
	Name                               *rowView // its label
	Rows                               []rowView
}

// adding is the form that adds a block of a kind: around is the path of the block around it, and attrs what is asked for.
func (v *view) adding(block *build.Block, attrs []string, around ...string) addView {
	path := append(slices.Clip(around), block.Name)
	a := addView{Action: v.Base + "add", Block: blockName(path), Back: v.r.URL.RequestURI(), ID: "add" + plain(blockName(path)), Kind: withArticle(block.Name), Doc: block.Doc}
	if block.Label != "" {
		a.Name = &rowView{ID: a.ID + "-name", Field: "name", Name: "name", Doc: block.Label}
	}
	for i := range block.Attrs {
		at := &block.Attrs[i]
		if !slices.Contains(attrs, at.Name) {
			continue
		}
		r := rowView{ID: a.ID + "-" + at.Name, Field: "a:" + at.Name, Name: strings.ReplaceAll(at.Name, "_", " "), Doc: at.Doc, Words: slices.Clone(at.Words), Only: at.Kind == build.KindWord, Assumed: at.Default}
		if at.Kind == build.KindFlag {
			r.Words, r.Only = []string{"true", "false"}, true
		}
		known := v.known(block, at, path)
		if at.Kind == build.KindNames && len(known) > 0 {
			r.picks(nil, append(known, at.Words...))
		} else {
			r.Words = append(r.Words, known...)
		}
		a.Rows = append(a.Rows, r)
	}
	return a
}

func withArticle(noun string) string {
	if strings.ContainsAny(noun[:1], "aeiou") {
		return "an " + noun
	}
	return "a " + noun
}

// plain makes an id of a field's name.
func plain(name string) string {
	return strings.NewReplacer("/", "-", " ", "-", "%", "-", "#", "-").Replace(name)
}

// A pick is one of the names that a list may hold.
type pick struct {
	Value string
	On    bool
}

// picks makes a row one of boxes: what is written first, in its order, then what else may be.
func (r *rowView) picks(written, known []string) {
	for _, name := range written {
		r.Picks = append(r.Picks, pick{name, true})
	}
	for _, name := range known {
		if !slices.Contains(written, name) {
			r.Picks = append(r.Picks, pick{name, false})
		}
	}
}

// known are the names of the build that an attribute may hold; path leads to its block.
func (v *view) known(block *build.Block, a *build.Attr, path []string) (names []string) {
	b := v.rev.Folder.Build
	add := func(name string) {
		if name != "" && !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	var decoder *build.Decoder
	for i := range b.Decoders {
		if len(path) > 1 && path[0] == "decoder" && b.Decoders[i].Name.Text == path[1] {
			decoder = &b.Decoders[i]
		}
	}
	switch block.Name + "." + a.Name {
	case "output.lamp":
		if decoder == nil {
			break
		}
		if x, ok := b.VehicleOf(decoder); ok {
			for _, l := range x.Lamps {
				add(l.Name.Text)
			}
		}
	case "output.from", "listen.into", "acknowledge.from":
		if decoder == nil {
			break
		}
		if chip, ok := b.Catalogue.Chip(decoder.Chip.Part.Text); ok {
			for _, p := range chip.ChipPins {
				if p.IO() && !strings.Contains(p.Functions, "RESET") {
					add(p.Name)
				}
			}
		}
	case "vehicle.socket":
		for _, s := range b.Catalogue.Sockets() {
			add(s.Name)
		}
	case "chip.part":
		for _, c := range b.Catalogue.Chips() {
			add(c.Name)
		}
	case "supply.rectifier":
		for _, x := range b.Catalogue.Diodes() {
			if x.Type == "bridge" {
				add(x.Name)
			}
		}
	case "supply.regulator":
		for _, x := range b.Catalogue.Regulators() {
			add(x.Name)
		}
	case "output.switch", "output.level", "output.driver", "acknowledge.switch": // of the many that there are, those on hand
		if b.Drawer == nil {
			break
		}
		for _, kind := range []string{parts.KindTransistor, parts.KindMOSFET} {
			for _, it := range b.Drawer.OfKind(kind) {
				add(it.Part)
			}
		}
	case "decoder.vehicle":
		for _, x := range b.Vehicles {
			add(x.Name.Text)
		}
	case "function.decoder":
		for _, d := range b.Decoders {
			add(d.Name.Text)
		}
	case "function.output":
		for _, d := range b.Decoders {
			for _, o := range d.Outputs {
				add(o.Name.Text)
			}
		}
	case "want.function":
		for _, f := range b.Functions {
			add(f.Name.Text)
		}
	case "want.lit":
		for _, x := range b.InTrain() {
			for i := range x.Lamps {
				l := build.LampOf{Vehicle: x, Lamp: &x.Lamps[i]}
				if len(b.TrainLamps(l.Lamp.Name.Text)) > 1 {
					add(l.String())
				} else {
					add(l.Lamp.Name.Text)
				}
			}
		}
	case "bench.meter", "fitted.meter":
		for _, m := range b.Meters {
			add(m.Name.Text)
		}
	}
	return names
}

// A strikeView is a form that strikes out a reading of a lamp.
type strikeView struct {
	Action, Base, Back, ID string
	Readings               []field // what is sent, and what is shown
}

// strike is that form, without readings yet.
func (v *view) strike(id string) *strikeView {
	return &strikeView{Action: v.Base + "strike", Base: v.ID, Back: v.r.URL.RequestURI(), ID: id}
}

// some is the form, if there is something to strike out.
func (s *strikeView) some() *strikeView {
	if len(s.Readings) == 0 {
		return nil
	}
	return s
}

// striking is that form for the readings of a lamp.
func (v *view) striking(x *build.Vehicle, l *build.Lamp) *strikeView {
	s := v.strike("strike" + plain(blockName([]string{x.Name.Text, l.Name.Text})))
	nth := 0
	for _, r := range l.Readings {
		at := v.rowOf(r.Range)
		if r.Range.File == v.book.File() {
			nth++
			at = "block:" + blockName([]string{"vehicle", x.Name.Text, "lamp", l.Name.Text, "reading", fmt.Sprint(nth)})
		}
		said := r.ID
		for _, t := range []string{r.Track.Text, r.Current.Text, r.Drop.Text, r.Resistance.Text, r.Looked.Text, r.Note} {
			if t != "" {
				said += ", " + t
			}
		}
		s.Readings = append(s.Readings, field{at, said})
	}
	return s.some()
}

// strikingBench is that form for the readings taken at the bench, the last one first.
func (v *view) strikingBench() *strikeView {
	s := v.strike("strike-bench")
	for _, r := range slices.Backward(v.rev.Folder.Build.Bench) {
		said := r.Test + " = " + r.Text
		for _, t := range []string{r.Setup, r.Decoder, r.Date, r.Note} {
			if t != "" {
				said += ", " + t
			}
		}
		s.Readings = append(s.Readings, field{v.rowOf(r.Range), said})
	}
	return s.some()
}

// rowOf is how a form of strike names a line of readings.csv.
func (v *view) rowOf(at diag.Range) string {
	return "row:" + live.RowKey(v.rev.Sources[at.File], at.Start.Line)
}
