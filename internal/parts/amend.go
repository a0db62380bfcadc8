package parts

import (
	"fmt"
	"sort"
	"strings"
)

// Amend writes cells, by column, into the row of a drawer that stands at line (Item.Range.Start.Line); line 0 adds a row at
// the end. Columns that the file lacks are added at the end of its header; every other byte stays as it is. The file must
// be one that ReadDrawer accepts. An empty file becomes a new drawer.
func Amend(file string, src []byte, line int, values map[string]string) ([]byte, error) {
	names := make([]string, 0, len(values))
	for _, c := range drawerColumns {
		if _, ok := values[c.name]; ok {
			names = append(names, c.name)
		}
	}
	if len(names) != len(values) {
		return nil, fmt.Errorf("a column that no drawer has among %v", values)
	}
	if len(strings.TrimSpace(string(src))) == 0 {
		src = []byte(strings.Join(names, ",") + "\n")
	}
	r, err := tableOf(file, src)
	if err != nil {
		return nil, err
	}
	end := "\n"
	if strings.Contains(r.src, "\r\n") {
		end = "\r\n"
	}
	type insert struct {
		start, end int
		text       string
	}
	var edits []insert
	columns := append([]string(nil), r.columns...)
	var added string
	for _, n := range names {
		if !has(columns, n) {
			columns = append(columns, n)
			added += string(r.sep) + n
		}
	}
	edits = append(edits, insert{r.rowEnd, r.rowEnd, added})
	place := func(n string) int {
		for i, c := range columns {
			if c == n {
				return i
			}
		}
		return -1
	}
	if line == 0 {
		row := make([]string, len(columns))
		for _, n := range names {
			row[place(n)] = r.written(values[n])
		}
		text := strings.Join(row, string(r.sep)) + end
		if !strings.HasSuffix(r.src, "\n") {
			text = end + text
		}
		edits = append(edits, insert{len(r.src), len(r.src), text})
	} else {
		if err := r.down(line); err != nil {
			return nil, err
		}
		tail := map[int]string{}
		last := len(r.cells) - 1
		for _, n := range names {
			i := place(n)
			if i > last {
				tail[i] = r.written(values[n])
				continue
			}
			c := r.cells[i]
			start, stop := c.start, c.end
			if c.quoted {
				start, stop = start-1, stop+1
			}
			edits = append(edits, insert{start, stop, r.written(values[n])})
		}
		most := last
		for i := range tail {
			most = max(most, i)
		}
		var text strings.Builder
		for i := last + 1; i <= most; i++ {
			text.WriteString(string(r.sep) + tail[i])
		}
		edits = append(edits, insert{r.rowEnd, r.rowEnd, text.String()})
	}
	sort.SliceStable(edits, func(i, j int) bool { return edits[i].start < edits[j].start })
	var out strings.Builder
	at := 0
	for _, e := range edits {
		out.WriteString(r.src[at:e.start])
		out.WriteString(e.text)
		at = e.end
	}
	out.WriteString(r.src[at:])
	if _, problems := ReadDrawer(file, []byte(out.String()), nil); problems.HasErrors() {
		return nil, problems
	}
	return []byte(out.String()), nil
}

// written is a text as a cell holds it.
func (r *drawerReader) written(s string) string {
	if strings.ContainsAny(s, "\"\r\n") || strings.IndexByte(s, r.sep) >= 0 {
		return `"` + strings.ReplaceAll(s, `"`, `""`) + `"`
	}
	return s
}

func has(list []string, s string) bool {
	for _, l := range list {
		if l == s {
			return true
		}
	}
	return false
}

// Cells is what stands in the row of a drawer at line, by column.
func Cells(file string, src []byte, line int) (map[string]string, error) {
	r, err := tableOf(file, src)
	if err != nil {
		return nil, err
	}
	if err := r.down(line); err != nil {
		return nil, err
	}
	m := map[string]string{}
	for i, c := range r.columns {
		if c != "" && i < len(r.cells) {
			m[c] = strings.TrimSpace(r.cells[i].text)
		}
	}
	return m, nil
}

// Without is a drawer without the row at line.
func Without(file string, src []byte, line int) ([]byte, error) {
	r, err := tableOf(file, src)
	if err != nil {
		return nil, err
	}
	if err := r.down(line); err != nil {
		return nil, err
	}
	return []byte(r.src[:r.rowStart] + r.src[r.at:]), nil
}

// tableOf reads the header of a drawer.
func tableOf(file string, src []byte) (*drawerReader, error) {
	r := &drawerReader{catalogue: Load(), drawer: &Drawer{File: file}}
	body, ok := r.text(file, src)
	if !ok {
		return nil, r.problems
	}
	r.cellReader = newCellReader(file, string(src), separator(string(src[body:])), &r.problems)
	r.at = body
	r.skipSeparatorLine()
	if !r.header() {
		return nil, r.problems
	}
	return r, nil
}

// down reads on to the row at a line.
func (r *drawerReader) down(line int) error {
	for r.cellReader.next() {
		if r.rowLine == line && !r.blank() {
			return nil
		}
	}
	return fmt.Errorf("%s has no row at line %d", r.file, line)
}
