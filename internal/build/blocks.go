package build

import (
	"bytes"
	"fmt"
	"regexp"
	"slices"
	"sort"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"

	"fettle/internal/diag"
)

// tree is the build file read anew, block by block; nil where it cannot be parsed, and the reader says why.
func (b *Build) tree() (*reader, *node) {
	r := &reader{src: newSource(b.File, b.Source)}
	body := r.parse()
	if body == nil {
		return r, nil
	}
	return r, r.read(&schema, body)
}

// With is the build file with one more block that holds values (of an Edit its attribute, value and list count). Path names it,
// with its label; one without a label comes behind those of its kind. It stands behind the last of its kind, else at the end of
// the block around it, which is made where the file may have one of it at most. A block that is there already is refused.
func (f *Folder) With(path []string, values []Edit) ([]byte, diag.List) {
	var problems diag.List
	b := f.Build
	r, root := b.tree()
	if root == nil {
		return nil, r.list()
	}
	sub, _, why := root.planned(path)
	if sub == nil {
		if sub, _, _ = root.planned(append(slices.Clip(path), "1")); sub != nil && sub.Label != "" { // the count of a block without a label is left out
			problems.Add("label", root.head, "%s wants a name: %s", sub.Name, sub.Label)
			return nil, problems
		}
	}
	if sub == nil || len(path) == 0 {
		problems.Add("edit-place", root.head, "%s: %s", strings.Join(path, " "), why)
		return nil, problems
	}
	size := 1
	if sub.Label != "" {
		size = 2
	}
	if why := sub.misnamed(path[len(path)-1]); sub.Label != "" && why != "" {
		problems.Add("label", root.head, "%s", why)
		return nil, problems
	}
	around, _, why := root.find(path[:len(path)-size])
	if single := schema.block(path[0]); around == nil && len(path)-size == 1 && !single.Many { // such as train
		g, made := *f, *b
		g.Build, made.Source = &made, r.inside(root, single, "")
		src, problems := g.With(path, values)
		if len(problems) == 0 {
			problems = f.fresh(map[string][]byte{b.File: src})
		}
		if len(problems) > 0 {
			return nil, at(problems, root.head)
		}
		return src, nil
	}
	if around == nil {
		problems.Add("edit-place", root.head, "%s: %s", strings.Join(path, " "), why)
		return nil, problems
	}
	label := ""
	if sub.Label != "" {
		label = path[len(path)-1]
	}
	nth := 1
	for _, c := range around.all(sub.Name) {
		if c.label.Text != label {
			continue
		}
		if nth++; !sub.Many || sub.Label != "" && sub != functionBlock {
			p := problems.Add("twice", c.head, "there is a %s already", c.title())
			p.Notes = append(p.Notes, diag.Note{Range: c.head, Message: "it stands here"})
			return nil, problems
		}
	}
	whole := append(slices.Clip(path[:len(path)-size]), (&node{schema: sub, label: Text{Text: label}}).step(nth)...)
	made := *b
	made.Source = r.inside(around, sub, label)
	edits := make([]Edit, len(values))
	for i, e := range values {
		edits[i] = Edit{Path: whole, Attr: e.Attr, Value: e.Value, List: e.List}
	}
	src, problems := made.Patch(edits)
	if len(problems) > 0 {
		return nil, at(problems, around.head)
	}
	src = aligned(b.File, src, whole)
	if problems = f.fresh(map[string][]byte{b.File: src}); len(problems) > 0 {
		return nil, at(problems, around.head)
	}
	return src, nil
}

// at places problems of a text that was not written where it would have stood.
func at(list diag.List, place diag.Range) diag.List {
	for i := range list {
		list[i].Range, list[i].Notes, list[i].Fix = place, nil, nil
	}
	return list
}

// Without is the build file without a block. With it goes the remark that stands right above a block with a name, and one of the
// blank lines around; all other bytes stay. Where something else still names the block, or the file cannot do without it,
// nothing is done and the problems stand at the lines that say so, in the build file and in readings.csv.
func (f *Folder) Without(path []string) ([]byte, diag.List) {
	return f.without(path, func(r *reader, n *node) (from, to int, by string) {
		from, to = r.lines(n)
		return from, to, ""
	})
}

// Struck is the build file with a reading made a remark, line by line: what was once measured stays to be read.
func (f *Folder) Struck(path []string) ([]byte, diag.List) {
	return f.without(path, func(r *reader, n *node) (from, to int, by string) {
		from = bytes.LastIndexByte(r.src.text[:n.head.Start.Byte], '\n') + 1
		tokens, _ := hclsyntax.LexConfig(r.src.text, r.src.file, hcl.InitialPos)
		to, _ = lineEnd(tokens, n.body.End.Byte, len(r.src.text))
		var out strings.Builder
		for _, line := range strings.SplitAfter(string(r.src.text[from:to]), "\n") {
			if text := strings.TrimLeft(line, " \t"); strings.TrimSpace(text) != "" {
				out.WriteString(line[:len(line)-len(text)] + "# " + text)
			} else {
				out.WriteString(line)
			}
		}
		return from, to, out.String()
	})
}

// without replaces the text of a block by what stands for it then.
func (f *Folder) without(path []string, cut func(*reader, *node) (from, to int, by string)) ([]byte, diag.List) {
	var problems diag.List
	b := f.Build
	r, root := b.tree()
	if root == nil {
		return nil, r.list()
	}
	n, _, why := root.find(path)
	if n == nil || n == root {
		problems.Add("edit-place", root.head, "%s: %s", strings.Join(path, " "), why)
		return nil, problems
	}
	from, to, by := cut(r, n)
	src := r.src.replace(r.src.span(from, to), by)
	for _, p := range f.fresh(map[string][]byte{b.File: src}) {
		if p.Range.File == b.File { // back to where it stands in the file as it is
			back := func(at int) int {
				switch {
				case at >= from+len(by):
					return at + to - from - len(by)
				case at > from:
					return from
				}
				return at
			}
			p.Range = r.src.span(back(p.Range.Start.Byte), back(p.Range.End.Byte))
		}
		p.Fix, p.Notes = nil, nil
		switch before, _, ok := strings.Cut(p.Message, ": there is no "); {
		case ok:
			p.Message = fmt.Sprintf("%s is still named here (%s)", n.title(), before)
		default:
			p.Message = fmt.Sprintf("without %s: %s", n.title(), p.Message)
		}
		p.Severity = diag.Error
		problems = append(problems, p)
	}
	if len(problems) > 0 {
		problems.Sort()
		return nil, problems
	}
	if !r.only(n, path, src) {
		problems.Add("edit-lost", n.head, "%s cannot be taken out by itself: nothing was changed", n.title())
		return nil, problems
	}
	return src, nil
}

// only reports whether a text holds exactly what the source holds without a block.
func (r *reader) only(n *node, path []string, src []byte) bool {
	now, ok := Values(r.src.file, src)
	was, _ := Values(r.src.file, r.src.text)
	left := was[:0]
	for _, e := range was {
		if len(e.Path) < len(path) || !slices.Equal(e.Path[:len(path)], path) {
			left = append(left, e)
		}
	}
	return ok && slices.EqualFunc(left, now, func(a, b Edit) bool { return a.Attr == b.Attr && a.Text() == b.Text() && len(a.Path) == len(b.Path) })
}

// lines are the bytes of a block with its lines, the remark of its own and a blank line.
func (r *reader) lines(n *node) (from, to int) {
	src := r.src.text
	tokens, _ := hclsyntax.LexConfig(src, r.src.file, hcl.InitialPos)
	from = bytes.LastIndexByte(src[:n.head.Start.Byte], '\n') + 1
	if len(bytes.TrimSpace(bytes.TrimPrefix(src[from:n.head.Start.Byte], []byte("\ufeff")))) > 0 {
		return n.head.Start.Byte, n.body.End.Byte // a remark stands before it in its line
	}
	to, _ = lineEnd(tokens, n.body.End.Byte, len(src))
	if bytes.HasPrefix(src[from:], []byte("\ufeff")) {
		from += len("\ufeff")
	}
	above := func(at int) int { return bytes.LastIndexByte(src[:max(0, at-1)], '\n') + 1 } // where the line before begins
	if n.schema.Label != "" {
		remarks := map[int]bool{}
		for _, t := range tokens {
			if t.Type == hclsyntax.TokenComment {
				remarks[t.Range.Start.Byte] = true
			}
		}
		own := from
		for own > 0 {
			line := above(own)
			text := line + len(src[line:own]) - len(bytes.TrimLeft(src[line:own], " \t"))
			if !remarks[text] || bytes.IndexByte(src[line:own], '\n') != own-1-line {
				break
			}
			own = line
		}
		if own > 0 { // at the head of the file it speaks of the whole
			from = own
		}
	}
	blank := func(start, end int) bool { return start < end && len(bytes.TrimSpace(src[start:end])) == 0 }
	next := len(src)
	if i := bytes.IndexByte(src[to:], '\n'); i >= 0 {
		next = to + i + 1
	}
	before := above(from)
	shut := to == len(src) || bytes.HasPrefix(bytes.TrimSpace(src[to:next]), []byte("}"))
	switch {
	case from > 0 && blank(before, from) && (shut || blank(to, next)):
		from = before
	case blank(to, next) && (from == 0 || bytes.HasSuffix(bytes.TrimSpace(src[before:from]), []byte("{"))):
		to = next
	}
	return from, to
}

// fresh are the problems of the folder with files as given that it has not as it is, placed in the new texts: errors of the
// build file, and lines of readings.csv that would no longer be read.
func (f *Folder) fresh(files map[string][]byte) diag.List {
	read := func(name string) []byte {
		if data, ok := files[name]; ok {
			return data
		}
		return f.Sources[name]
	}
	beside := Beside{ReadingsFile: f.ReadingsFile, Catalogue: f.Build.Catalogue, Drawer: f.Build.Drawer, Readings: f.Sources[f.ReadingsFile]}
	_, old := check(f.File, f.Build.Source, beside)
	beside.Readings = read(f.ReadingsFile)
	src, ok := files[f.File]
	if !ok {
		src = f.Build.Source
	}
	_, now := check(f.File, src, beside)
	key := func(p *report) string { return p.Range.File + "\x00" + p.Code + "\x00" + p.Message }
	had := map[string]int{}
	for _, p := range old {
		had[key(p)]++
	}
	var list diag.List
	for _, p := range now {
		if p.Severity == diag.Warning && p.Range.File != f.ReadingsFile {
			continue
		}
		if had[key(p)]--; had[key(p)] < 0 {
			list = append(list, p.Problem)
		}
	}
	return list
}

// A naming is a place that names a block, and what it says when the block has its new name.
type naming struct {
	at   diag.Range
	text string
}

// Renamed gives a block another name, and the new one to every place that names it, in the build file and in readings.csv; what
// it returns are the files that change. A name that is taken is refused, and so is one that a bench reading mentions: what was
// written down at the bench is not rewritten.
func (f *Folder) Renamed(path []string, name string) (map[string][]byte, diag.List) {
	var problems diag.List
	b := f.Build
	r, root := b.tree()
	if root == nil {
		return nil, r.list()
	}
	n, _, why := root.find(path)
	switch {
	case n == nil || n == root:
		problems.Add("edit-place", root.head, "%s: %s", strings.Join(path, " "), why)
	case !n.schema.Named():
		problems.Add("label", n.head, "%s has no name of its own", n.schema.Name)
	case n.schema.misnamed(name) != "":
		problems.Add("label", n.head, "%s", n.schema.misnamed(name))
	}
	if len(problems) > 0 {
		return nil, problems
	}
	name = strings.TrimSpace(name)
	old := n.label.Text
	if name == old {
		return nil, nil
	}
	list := append([]naming{{n.label.Range, quoted(name)}}, f.namings(root, n, path, name)...)
	src := replaced(b.Source, list)
	files := map[string][]byte{b.File: src}
	csv, problems := f.renamedRows(n, path, name)
	if csv != nil {
		files[f.ReadingsFile] = csv
	}
	for _, p := range f.fresh(files) {
		p.Fix, p.Notes = nil, nil
		problems = append(problems, p)
	}
	if len(problems) > 0 {
		problems.Sort()
		return nil, problems
	}
	was, _ := Values(b.File, b.Source)
	if now, ok := Values(b.File, src); !ok || len(now) != len(was) {
		problems.Add("edit-lost", n.head, "the name would change more than it should: nothing was changed")
		return nil, problems
	}
	return files, nil
}

// misnamed says why a text is no label; "" where it is one.
func (b *Block) misnamed(label string) string {
	switch {
	case strings.TrimSpace(label) == "":
		return fmt.Sprintf("%s wants a name: %s", b.Name, b.Label)
	case !utf8.ValidString(label), strings.ContainsFunc(label, unicode.IsControl):
		return fmt.Sprintf("%q is no name: letters, figures and signs are wanted", label)
	}
	return ""
}

// Named reports whether a block's label is a name that its own line gives, so that it can be renamed.
func (b *Block) Named() bool {
	return slices.Contains([]*Block{vehicleBlock, lampBlock, meterBlock, supplyBlock, decoderBlock, outputBlock, functionBlock}, b)
}

// replaced is a text with places replaced, in any order.
func replaced(src []byte, list []naming) []byte {
	sort.Slice(list, func(i, k int) bool { return list[i].at.Start.Byte < list[k].at.Start.Byte })
	var out bytes.Buffer
	from := 0
	for _, x := range list {
		out.Write(src[from:x.at.Start.Byte])
		out.WriteString(x.text)
		from = x.at.End.Byte
	}
	out.Write(src[from:])
	return out.Bytes()
}

// namings are the places of the build file that name a block.
func (f *Folder) namings(root, n *node, path []string, name string) (list []naming) {
	b, old := f.Build, n.label.Text
	put := func(t Text, text string) {
		list = append(list, naming{t.Range, quoted(text)})
	}
	each := func(n *node, attr string, f func(Text)) {
		v := n.values[attr]
		switch {
		case v == nil:
		case v.list != nil:
			for _, t := range v.list {
				f(t)
			}
		default:
			f(Text{Text: v.text, Range: v.at})
		}
	}
	swap := func(n *node, attr string) {
		each(n, attr, func(t Text) {
			if t.Text == old {
				put(t, name)
			}
		})
	}
	var walk func(n *node, f func(*node))
	walk = func(n *node, f func(*node)) {
		f(n)
		for _, c := range n.nodes {
			walk(c, f)
		}
	}
	wants := func(f func(Text)) {
		if t := root.one("train"); t != nil {
			for _, w := range t.all("want") {
				each(w, "lit", f)
			}
		}
	}
	of := path[1] // the vehicle of a lamp, the decoder of an output
	switch n.schema {
	case meterBlock:
		walk(root, func(c *node) { swap(c, "volt_meter") })
		walk(root, func(c *node) { swap(c, "meter") })
	case supplyBlock:
		walk(root, func(c *node) {
			if c.schema == readingBlock {
				swap(c, "supply")
			}
		})
	case decoderBlock:
		for _, c := range root.all("function") {
			swap(c, "decoder")
		}
	case vehicleBlock:
		for _, c := range root.all("decoder") {
			swap(c, "vehicle")
		}
		if t := root.one("train"); t != nil {
			for _, c := range t.all("vehicle") {
				if c.label.Text == old {
					put(c.label, name)
				}
			}
		}
		wants(func(t Text) {
			for _, l := range b.TrainLamps(t.Text) {
				if l.Vehicle.Name.Text == old && t.Text != l.Lamp.Name.Text {
					put(t, name+" / "+l.Lamp.Name.Text)
				}
			}
		})
	case lampBlock:
		for i, c := range root.all("decoder") {
			if v, ok := b.VehicleOf(&b.Decoders[i]); ok && v.Name.Text == of {
				for _, o := range c.all("output") {
					swap(o, "lamp")
				}
			}
		}
		wants(func(t Text) {
			for _, l := range b.TrainLamps(t.Text) {
				switch {
				case l.Vehicle.Name.Text != of || l.Lamp.Name.Text != old:
				case t.Text == old:
					put(t, name)
				default:
					put(t, of+" / "+name)
				}
			}
		})
	case outputBlock:
		for i, c := range root.all("function") {
			if d, ok := b.DecoderOf(&b.Functions[i]); ok && d.Name.Text == of {
				swap(c, "output")
			}
		}
		same := 0 // decoders that have an output of that name
		for _, d := range root.all("decoder") {
			for _, o := range d.all("output") {
				if o.label.Text == old {
					same++
				}
			}
			if fit := d.one("fitted"); fit != nil && d.label.Text == of {
				for _, o := range fit.all("output") {
					if o.label.Text == old {
						put(o.label, name)
					}
				}
			}
		}
		if t := root.one("bench"); t != nil && same == 1 {
			each(t, "out_of_reach", func(t Text) {
				if rest, ok := strings.CutPrefix(t.Text, old+"."); ok {
					put(t, name+"."+rest)
				}
			})
		}
	case functionBlock:
		if len(slices.DeleteFunc(root.all("function"), func(c *node) bool { return c.label.Text != old })) > 1 {
			break // another of that name is still meant
		}
		if t := root.one("train"); t != nil {
			for _, w := range t.all("want") {
				swap(w, "function")
			}
		}
	}
	return list
}

// renamedRows is readings.csv with the new name in the cells that name a block; nil where there are none. A bench reading that
// mentions a lamp or an output is a problem.
func (f *Folder) renamedRows(n *node, path []string, name string) ([]byte, diag.List) {
	src, old := f.Sources[f.ReadingsFile], n.label.Text
	var problems diag.List
	var list []naming
	var h header
	mentions := regexp.MustCompile(`(^|[^\pL\pN])` + regexp.QuoteMeta(old) + `([^\pL\pN]|$)`)
	side := newSource(f.ReadingsFile, src)
	eachLine(src, func(line []byte, offset int) {
		if next, _, ok := asHeader(line, offset); ok {
			h = next
			return
		}
		row, ok := cells(line, offset, h.sep)
		if !ok || h.sep == 0 {
			return
		}
		text := func(column string) string {
			for i, c := range row {
				if i < len(h.columns) && h.columns[i] == column {
					return c.text
				}
			}
			return ""
		}
		for i, c := range row {
			if i >= len(h.columns) {
				break
			}
			hit := false
			switch column := h.columns[i]; n.schema {
			case meterBlock:
				hit = column == "meter" || column == "volt_meter"
			case supplyBlock:
				hit = column == "supply"
			case decoderBlock:
				hit = column == "decoder"
			case vehicleBlock:
				hit = column == "vehicle"
			case lampBlock:
				hit = column == "lamp" && (text("vehicle") == path[1] || text("vehicle") == "" && len(f.Build.Vehicles) == 1)
			}
			if hit && c.text == old {
				list = append(list, naming{side.span(c.start, c.end), csvCell(name, h.sep)})
			}
			if h.bench && (n.schema == lampBlock || n.schema == outputBlock) && (h.columns[i] == "setup" || h.columns[i] == "test") && mentions.MatchString(c.text) {
				problems.Add("still-named", side.span(offset, offset+len(line)), "a bench reading speaks of %s (%s); strike it out first", n.title(), c.text)
			}
		}
	})
	if list == nil {
		return nil, problems
	}
	return replaced(src, list), problems
}

// StruckRow is a readings.csv with one line made a remark; the line counts from 1.
func StruckRow(src []byte, line int) ([]byte, error) {
	at := 0
	for n := 1; n < line; n++ {
		i := bytes.IndexByte(src[at:], '\n')
		if i < 0 {
			return nil, fmt.Errorf("the readings have no line %d", line)
		}
		at += i + 1
	}
	if at == 0 && bytes.HasPrefix(src, []byte("\ufeff")) {
		at = len("\ufeff")
	}
	if at >= len(src) {
		return nil, fmt.Errorf("the readings have no line %d", line)
	}
	return slices.Concat(src[:at], []byte("# "), src[at:]), nil
}

// Blocks are the paths of all blocks that a build file holds, in file order.
func Blocks(file string, src []byte) (list [][]string) {
	r := &reader{src: newSource(file, src)}
	body := r.parse()
	if body == nil {
		return nil
	}
	r.read(&schema, body).walk(func(_ *node, path []string) {
		if len(path) > 0 {
			list = append(list, path)
		}
	})
	return list
}

// Written is the text of a block as a build file holds it, from its name to its closing brace.
func Written(file string, src []byte, path []string) (text string, there bool) {
	r := &reader{src: newSource(file, src)}
	body := r.parse()
	if body == nil {
		return "", false
	}
	root := r.read(&schema, body)
	n, _, _ := root.find(path)
	if n == nil || n == root {
		return "", false
	}
	return string(src[n.head.Start.Byte:n.body.End.Byte]), true
}
