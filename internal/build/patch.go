package build

import (
	"bytes"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"

	"fettle/internal/diag"
)

// Patch returns the build file with the edits made: a value that is there is replaced token for token, an
// attribute that is not gets a line of its own behind the block's last one, in its indentation; a block that is to be made
// stands behind the last of its kind, else at the end of the one around it. All other
// bytes (comments, blank lines, alignment, line ends) stay. The result has been read back: it holds exactly
// the edits and no error the source had not (a warning may be new); otherwise there is no result, only problems, placed in
// the source as it is.
func (b *Build) Patch(edits []Edit) ([]byte, diag.List) {
	before := &reader{src: newSource(b.File, b.Source)}
	body := before.parse()
	if body == nil {
		return nil, before.list()
	}
	root := before.read(&schema, body)
	var problems diag.List
	want := root.flat()
	seen := map[string]bool{}
	src := b.Source
	for _, e := range edits {
		n, path, why := root.find(e.Path)
		if n == nil && (e.Make || e.Remove) {
			var b *Block
			if b, path, why = root.planned(e.Path); b != nil {
				n = &node{schema: b, head: root.head, values: map[string]*value{}}
			}
		}
		if n == nil {
			problems.Add("edit-place", root.head, "%s: %s", strings.Join(e.Path, " "), why)
			continue
		}
		if n.schema.attr(e.Attr) == nil {
			problems.Add("edit-place", n.head, "%s has no attribute %q%s", n.title(), e.Attr, didYouMean(guess(e.Attr, n.schema.names())))
			continue
		}
		key := path + e.Attr
		if seen[key] {
			problems.Add("edit-twice", n.head, "%s of %s is to be set twice", e.Attr, n.title())
			continue
		}
		seen[key] = true
		if want[key] = e.Text(); e.Remove {
			delete(want, key)
		}
		edited, ok := edit(b.File, src, e)
		if !ok {
			problems.Add("edit-lost", n.head, "%s of %s cannot be set to %q", e.Attr, n.title(), e.Text())
			continue
		}
		src = edited
	}
	if len(problems) > 0 {
		return nil, problems
	}

	for _, e := range edits {
		if e.Make && !e.Remove {
			src = aligned(b.File, src, e.Path)
		}
	}

	// Read it back.
	beside := Beside{Catalogue: b.Catalogue, Drawer: b.Drawer}
	_, old := check(b.File, b.Source, beside)
	_, now := check(b.File, src, beside)
	had := map[string]int{}
	for _, p := range old {
		had[p.Code+"\x00"+p.Message]++
	}
	for _, p := range now {
		if p.Severity == diag.Warning {
			continue
		}
		if had[p.Code+"\x00"+p.Message]--; had[p.Code+"\x00"+p.Message] < 0 {
			place := root.head
			if len(edits) > 0 {
				place = before.placeOf(root, edits, p.Message)
			}
			problems.Add(p.Code, place, "%s", p.Message)
		}
	}
	if len(problems) > 0 {
		problems.Sort()
		return nil, problems
	}
	after := &reader{src: newSource(b.File, src)}
	got := map[string]string{}
	if body := after.parse(); body != nil {
		got = after.read(&schema, body).flat()
	}
	for key, text := range want {
		if got[key] != text {
			problems.Add("edit-lost", root.head, "%s would read %q, not %q: nothing was changed", strings.ReplaceAll(key, "\x00", " "), got[key], text)
		}
	}
	if len(got) != len(want) && len(problems) == 0 {
		problems.Add("edit-lost", root.head, "the edit would change more than it should: nothing was changed")
	}
	if len(problems) > 0 {
		problems.Sort()
		return nil, problems
	}
	return src, nil
}

// Values is every value that a build file holds, as an Edit would set it, in file order; not ok where the file cannot be
// read as one.
func Values(file string, src []byte) (list []Edit, ok bool) {
	r := &reader{src: newSource(file, src)}
	body := r.parse()
	if body == nil {
		return nil, false
	}
	r.read(&schema, body).each(func(path []string, v *value) {
		e := Edit{Path: path, Attr: v.attr.Name, Value: v.shown()}
		if len(v.list) > 1 {
			e.Value = ""
			for _, t := range v.list {
				e.List = append(e.List, t.Text)
			}
		}
		list = append(list, e)
	})
	return list, true
}

// Value is what a build file holds at the place of an edit: whether its block is there, and whether the attribute is written.
func Value(file string, src []byte, path []string, attr string) (text string, written, there bool) {
	r := &reader{src: newSource(file, src)}
	body := r.parse()
	if body == nil {
		return "", false, false
	}
	n, _, _ := r.read(&schema, body).find(path)
	if n == nil {
		return "", false, false
	}
	if v := n.values[attr]; v != nil {
		return v.shown(), true, true
	}
	return "", false, true
}

// edit makes one edit.
func edit(file string, src []byte, e Edit) ([]byte, bool) {
	if e.Make && !e.Remove {
		for range e.Path { // a block at a time
			made, done, ok := makeBlock(file, src, e.Path)
			if src = made; !ok {
				return nil, false
			}
			if done {
				break
			}
		}
	}
	r := &reader{src: newSource(file, src)}
	body := r.parse()
	if body == nil {
		return nil, false
	}
	root := r.read(&schema, body)
	n, _, _ := root.find(e.Path)
	if n == nil {
		return src, e.Remove
	}
	v := n.values[e.Attr]
	if e.Remove {
		return r.without(v), true
	}
	text := r.shown(n.schema.attr(e.Attr), e.Value)
	if len(e.List) > 1 {
		var names []string
		for _, s := range e.List {
			names = append(names, quoted(s))
		}
		text = "[" + strings.Join(names, ", ") + "]"
	} else if len(e.List) == 1 {
		text = quoted(e.List[0])
	}
	if v != nil {
		return r.src.replace(v.at, text), true
	}
	start, end, line := r.insertion(n, e.Attr, text)
	return r.src.replace(r.src.span(start, end), line), true
}

// without is the text without the line of a value; where it shares its line, without the value alone.
func (r *reader) without(v *value) []byte {
	if v == nil {
		return r.src.text
	}
	tokens, _ := hclsyntax.LexConfig(r.src.text, r.src.file, hcl.InitialPos)
	from := bytes.LastIndexByte(r.src.text[:v.name.Start.Byte], '\n') + 1
	if len(bytes.TrimSpace(r.src.text[from:v.name.Start.Byte])) > 0 {
		return r.src.replace(r.src.span(v.name.Start.Byte, v.at.End.Byte), "")
	}
	end, _ := lineEnd(tokens, v.at.End.Byte, len(r.src.text))
	return r.src.replace(r.src.span(from, end), "")
}

// aligned is the text with the equals signs of a block in one column, as far as its attributes stand on lines of their own.
func aligned(file string, src []byte, path []string) []byte {
	r := &reader{src: newSource(file, src)}
	body := r.parse()
	if body == nil {
		return src
	}
	n, _, _ := r.read(&schema, body).find(path)
	if n == nil {
		return src
	}
	width := 0
	for _, v := range n.order {
		width = max(width, len(v.attr.Name))
	}
	for i := len(n.order) - 1; i >= 0; i-- { // from behind, so that what stands before keeps its place
		v := n.order[i]
		from := bytes.LastIndexByte(src[:v.name.Start.Byte], '\n') + 1
		between := src[v.name.End.Byte:v.at.Start.Byte]
		if len(bytes.TrimSpace(src[from:v.name.Start.Byte])) > 0 || len(bytes.TrimSpace(between)) != 1 {
			continue
		}
		s := &source{text: src}
		src = s.replace(diag.Range{Start: diag.Pos{Byte: v.name.End.Byte}, End: diag.Pos{Byte: v.at.Start.Byte}}, pad("", width-len(v.attr.Name))+" = ")
	}
	return src
}

// makeBlock puts the first block of a path that is not there into the one around it; done: all are there.
func makeBlock(file string, src []byte, path []string) (out []byte, done, ok bool) {
	r := &reader{src: newSource(file, src)}
	body := r.parse()
	if body == nil {
		return nil, false, false
	}
	root := r.read(&schema, body)
	n, rest := root, path
	for len(rest) > 0 {
		sub := n.schema.block(rest[0])
		if sub == nil {
			return nil, false, false
		}
		size := 1
		if sub.Label != "" || sub.Many {
			size = 2
		}
		if len(rest) < size {
			return nil, false, false
		}
		next, _, _ := n.find(rest[:size])
		if next == nil {
			label := ""
			if sub.Label != "" {
				label = rest[1]
			}
			return r.inside(n, sub, label), false, true
		}
		n, rest = next, rest[size:]
	}
	return src, true, true
}

// inside is the text with an empty block on lines of its own: behind the last of its kind, else at the end of the block around it.
func (r *reader) inside(n *node, sub *Block, label string) []byte {
	src, end := r.src.text, "\n"
	if bytes.Contains(src, []byte("\r\n")) {
		end = "\r\n"
	}
	head := sub.Name
	if sub.Label != "" {
		head += " " + quoted(label)
	}
	if same := n.all(sub.Name); len(same) > 0 {
		if made := r.behind(n, same[len(same)-1], head, end); made != nil {
			return made
		}
	}
	if n.schema == &schema {
		gap := end
		if len(src) > 0 && src[len(src)-1] != '\n' {
			gap += end
		}
		return append(bytes.Clone(src), gap+head+" {"+end+"}"+end...)
	}
	from := bytes.LastIndexByte(src[:n.head.Start.Byte], '\n') + 1
	outer := string(src[from:n.head.Start.Byte])
	if strings.TrimSpace(outer) != "" {
		outer = ""
	}
	step := "  "
	if strings.HasPrefix(outer, "\t") {
		step = "\t"
	}
	block := outer + step + head + " {" + end + outer + step + "}" + end
	shut := n.body.End.Byte - 1
	line := bytes.LastIndexByte(src[:shut], '\n') + 1
	if open := n.body.Start.Byte; line <= open { // the block stands on one line
		text := end
		if t := strings.TrimSpace(string(src[open+1 : shut])); t != "" {
			text += outer + step + t + end
		}
		return r.src.replace(r.src.span(open+1, shut), text+block+outer)
	}
	if len(bytes.TrimSpace(src[line:shut])) > 0 { // its brace does not
		return r.src.replace(r.src.span(shut, shut), end+block+outer)
	}
	return r.src.replace(r.src.span(line, line), block)
}

// behind is the text with an empty block on the lines behind another of its kind, with a blank line between where one stands
// before that other, or where it is a block of the file itself; nil where that other does not stand on lines of its own.
func (r *reader) behind(n, same *node, head, end string) []byte {
	src := r.src.text
	from := bytes.LastIndexByte(src[:same.head.Start.Byte], '\n') + 1
	indent := strings.TrimPrefix(string(src[from:same.head.Start.Byte]), "\ufeff")
	tokens, _ := hclsyntax.LexConfig(src, r.src.file, hcl.InitialPos)
	to, whole := lineEnd(tokens, same.body.End.Byte, len(src))
	if strings.TrimSpace(indent) != "" || !whole {
		return nil
	}
	before := bytes.LastIndexByte(src[:max(0, from-1)], '\n') + 1
	gap := ""
	if n.schema == &schema || before < from && len(bytes.TrimSpace(src[before:from])) == 0 {
		gap = end
	}
	if src[to-1] != '\n' {
		gap = end + gap
	}
	return r.src.replace(r.src.span(to, to), gap+indent+head+" {"+end+indent+"}"+end)
}

func (r *reader) list() diag.List {
	var list diag.List
	for _, p := range r.reports {
		list = append(list, p.Problem)
	}
	list.Sort()
	return list
}

// placeOf puts a problem of the edited text where the edit would stand in the text as it is.
func (r *reader) placeOf(root *node, edits []Edit, message string) diag.Range {
	place := root.head
	for i := len(edits) - 1; i >= 0; i-- {
		e := edits[i]
		n, _, _ := root.find(e.Path)
		if n == nil || !strings.HasPrefix(message, e.Attr+" = ") && i > 0 {
			continue
		}
		place = n.head
		if v := n.values[e.Attr]; v != nil {
			place = v.at
		}
		if strings.HasPrefix(message, e.Attr+" = ") && strings.Contains(message, e.Value) {
			break
		}
	}
	return place
}

// shown is the text of a value; of a list, its names behind one another.
func (v *value) shown() string {
	if v.list == nil {
		return v.text
	}
	var names []string
	for _, t := range v.list {
		names = append(names, t.Text)
	}
	return strings.Join(names, ", ")
}

// flat is every value of the file under its block's path and name.
func (n *node) flat() map[string]string {
	m := map[string]string{}
	n.each(func(path []string, v *value) { m[keyOf(path)+v.attr.Name] = v.shown() })
	return m
}

// keyOf is a path in one piece, to put the name of an attribute behind.
func keyOf(path []string) string {
	if len(path) == 0 {
		return ""
	}
	return strings.Join(path, "\x00") + "\x00"
}

// step is one block of the shortest path to it: its name, and its label or its number where there may be several.
func (n *node) step(nth int) []string {
	switch {
	case n.schema.Label == "" && (n.schema.Many || nth > 1):
		return []string{n.schema.Name, strconv.Itoa(nth)}
	case n.schema.Label == "":
		return []string{n.schema.Name}
	case nth > 1:
		return []string{n.schema.Name, n.label.Text + "#" + strconv.Itoa(nth)}
	}
	return []string{n.schema.Name, n.label.Text}
}

// each calls f with every value and the shortest path that find takes to its block.
func (n *node) each(f func(path []string, v *value)) {
	n.walk(func(n *node, path []string) {
		for _, v := range n.order {
			f(path, v)
		}
	})
}

// walk calls f with the node and every one below, in file order, and the shortest path that find takes to it.
func (n *node) walk(f func(n *node, path []string)) {
	var walk func(n *node, path []string)
	walk = func(n *node, path []string) {
		f(n, path)
		counts := map[string]int{}
		for _, c := range n.nodes {
			key := c.schema.Name + "\x00" + c.label.Text
			counts[key]++
			walk(c, append(slices.Clip(path), c.step(counts[key])...))
		}
	}
	walk(n, nil)
}

// planned is the description of the block that a path would lead to, and its key.
func (n *node) planned(path []string) (b *Block, key, why string) {
	b = n.schema
	for len(path) > 0 {
		sub := b.block(path[0])
		if sub == nil {
			return nil, "", fmt.Sprintf("%s has no block %q", b.Name, path[0])
		}
		label := ""
		if path = path[1:]; sub.Label != "" || sub.Many {
			if len(path) == 0 {
				return nil, "", fmt.Sprintf("which %s is meant?", sub.Name)
			}
			if label, path = path[0], path[1:]; sub.Label == "" {
				label = ""
			}
		}
		key += keyOf((&node{schema: sub, label: Text{Text: label}}).step(1))
		b = sub
	}
	return b, key, ""
}

// find goes down a path: block names, each followed by its label where it has one, or by a count from 1 where
// it has none and may stand several times. A label may carry "#2" for the second block of that label.
func (n *node) find(path []string) (found *node, key, why string) {
	for len(path) > 0 {
		sub := n.schema.block(path[0])
		if sub == nil {
			return nil, "", fmt.Sprintf("%s has no block %q", n.title(), path[0])
		}
		blocks := n.all(path[0])
		path = path[1:]
		label, nth := "", 1
		switch {
		case sub.Label != "" || sub.Many:
			if len(path) == 0 {
				return nil, "", fmt.Sprintf("which %s is meant?", sub.Name)
			}
			if sub.Label == "" {
				nth, _ = strconv.Atoi(path[0])
			} else {
				label = path[0]
			}
			path = path[1:]
		}
		pick := func(label string, nth int) *node {
			for _, c := range blocks {
				if c.label.Text == label {
					if nth--; nth == 0 {
						return c
					}
				}
			}
			return nil
		}
		next := pick(label, nth)
		if next == nil && sub.Label != "" {
			if head, count, ok := strings.Cut(label, "#"); ok {
				if k, err := strconv.Atoi(count); err == nil {
					label, nth = head, k
					next = pick(label, nth)
				}
			}
		}
		if next == nil {
			if sub.Label != "" {
				return nil, "", fmt.Sprintf("there is no %s %q", sub.Name, label)
			}
			return nil, "", fmt.Sprintf("there is no such %s block", sub.Name)
		}
		key += keyOf(next.step(nth))
		n = next
	}
	return n, key, ""
}

// insertion is a new line for an attribute that is not there yet, and the bytes that it replaces.
func (r *reader) insertion(n *node, name, value string) (start, stop int, line string) {
	src := r.src.text
	tokens, _ := hclsyntax.LexConfig(src, r.src.file, hcl.InitialPos)
	end := "\n"
	if bytes.Contains(src, []byte("\r\n")) {
		end = "\r\n"
	}
	if len(n.order) > 0 {
		last := n.order[len(n.order)-1]
		at, whole := lineEnd(tokens, last.at.End.Byte, len(src))
		from := bytes.LastIndexByte(src[:last.name.Start.Byte], '\n') + 1
		indent := strings.TrimPrefix(string(src[from:last.name.Start.Byte]), "\ufeff")
		if whole && strings.TrimSpace(indent) == "" {
			line := indent + pad(name, r.equals(last)) + " = " + value
			if at == len(src) && src[at-1] != '\n' {
				return at, at, end + line
			}
			return at, at, line + end
		}
	}
	if n.schema == &schema {
		at := 0
		if bytes.HasPrefix(src, []byte("\ufeff")) {
			at = 3
		}
		return at, at, name + " = " + value + end
	}
	// The block holds no attribute, or stands on one line.
	open, shut := n.body.Start.Byte, n.body.End.Byte-1
	from := bytes.LastIndexByte(src[:n.head.Start.Byte], '\n') + 1
	outer := string(src[from:n.head.Start.Byte])
	if strings.TrimSpace(outer) != "" {
		outer = ""
	}
	step := "  "
	if strings.HasPrefix(outer, "\t") {
		step = "\t"
	}
	if inner := src[open+1 : shut]; bytes.IndexByte(inner, '\n') < 0 {
		text := end
		if t := strings.TrimSpace(string(inner)); t != "" {
			text += outer + step + t + end
		}
		return open + 1, shut, text + outer + step + name + " = " + value + end + outer
	}
	at, _ := lineEnd(tokens, open+1, len(src))
	return at, at, outer + step + name + " = " + value + end
}

// lineEnd is the byte behind the line end that follows a byte, comments included; not whole if a brace comes first.
func lineEnd(tokens hclsyntax.Tokens, from, size int) (at int, whole bool) {
	for _, t := range tokens {
		if t.Range.Start.Byte < from {
			continue
		}
		switch t.Type {
		case hclsyntax.TokenNewline:
			return t.Range.End.Byte, true
		case hclsyntax.TokenComment:
			if bytes.HasSuffix(t.Bytes, []byte("\n")) {
				return t.Range.End.Byte, true
			}
		case hclsyntax.TokenCBrace:
			return t.Range.Start.Byte, false
		}
	}
	return size, true
}

// equals is the width that the name of a value is padded to, so that a new line can stand under it.
func (r *reader) equals(v *value) int {
	between := r.src.text[v.name.Start.Byte:v.at.Start.Byte]
	i := max(0, bytes.IndexByte(between, '='))
	if i > 0 && between[i-1] == ' ' {
		i--
	}
	return i
}

func pad(name string, width int) string {
	return name + strings.Repeat(" ", max(0, width-len(name)))
}
