package live

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"fettle/internal/build"
	"fettle/internal/diag"
	"fettle/internal/parts"
)

// Add puts a block into the build file (build.Folder.With). One of that name that is there already is a diag.List.
func (b *Book) Add(path []string, values []build.Edit, words string) (*Revision, error) {
	return b.again(func() (*Revision, error) {
		rev := b.now.Load()
		if rev.Folder == nil {
			return nil, rev.Problems
		}
		src, problems := rev.Folder.With(path, values)
		if len(problems) > 0 {
			return nil, problems
		}
		return b.change(cmp.Or(words, nameOf(path)+" added"), swap{file: b.file, after: src})
	})
}

// Take takes a block out (build.Folder.Without); a reading becomes a remark (Struck). It is meant for the block as the revision
// base has it: where another hand has changed anything in it since, nothing is done and the error is a *Conflict.
func (b *Book) Take(base string, path []string, words string) (*Revision, error) {
	return b.again(func() (*Revision, error) {
		rev := b.now.Load()
		if rev.Folder == nil {
			return nil, rev.Problems
		}
		if c := b.touched(base, rev, path); c != nil {
			return nil, c
		}
		take, done := rev.Folder.Without, " taken out"
		if n := len(path); n > 2 && path[n-2] == "reading" {
			take, done = rev.Folder.Struck, " struck out"
		}
		src, problems := take(path)
		if len(problems) > 0 {
			return nil, problems
		}
		return b.change(cmp.Or(words, nameOf(path)+done), swap{file: b.file, after: src})
	})
}

// Rename gives a block another name, wherever it stands in the build file and in readings.csv (build.Folder.Renamed). As with
// Take, the block must be as base has it.
func (b *Book) Rename(base string, path []string, name, words string) (*Revision, error) {
	return b.again(func() (*Revision, error) {
		rev := b.now.Load()
		if rev.Folder == nil {
			return nil, rev.Problems
		}
		if c := b.touched(base, rev, path); c != nil {
			return nil, c
		}
		files, problems := rev.Folder.Renamed(path, name)
		if len(problems) > 0 {
			return nil, problems
		}
		if len(files) == 0 {
			return rev, nil
		}
		var swaps []swap
		for _, file := range []string{b.file, rev.Folder.ReadingsFile} {
			if data, ok := files[file]; ok {
				swaps = append(swaps, swap{file: file, after: data})
			}
		}
		return b.change(cmp.Or(words, fmt.Sprintf("%s is called %s", nameOf(path), name)), swaps...)
	})
}

// nameOf names a block by its path: "lamp front".
func nameOf(path []string) string { return strings.Join(path[max(0, len(path)-2):], " ") }

// touched is the conflict over a block that is not what the revision base has; nil where it is.
func (b *Book) touched(base string, now *Revision, path []string) *Conflict {
	theirs, there := build.Written(b.file, now.Sources[b.file], path)
	was := b.before(base)
	if was == nil {
		return &Conflict{Base: base, Theirs: now.ID, Attributes: []Clash{{Path: path, Theirs: theirs, Gone: !there}}}
	}
	mine, had := build.Written(b.file, was.Sources[b.file], path)
	if mine == theirs && had == there {
		return nil
	}
	return &Conflict{Base: base, Theirs: now.ID, Attributes: []Clash{{Path: path, Base: mine, BaseKnown: true, Theirs: theirs, Gone: !there}}}
}

// RowKey names a line of a CSV file as it is: by its number, from 1, and by a hash of what it says.
func RowKey(src []byte, line int) string {
	sum := sha256.Sum256(lineOf(src, line))
	return strconv.Itoa(line) + "-" + hex.EncodeToString(sum[:6])
}

func lineOf(src []byte, line int) []byte {
	for n := 1; n < line; n++ {
		i := bytes.IndexByte(src, '\n')
		if i < 0 {
			return nil
		}
		src = src[i+1:]
	}
	line1, _, _ := bytes.Cut(src, []byte("\n"))
	return bytes.TrimSuffix(line1, []byte("\r"))
}

// row finds the line that a key names: it may have moved, but must say the same.
func row(src []byte, key string) (line int, ok bool) {
	number, _, _ := strings.Cut(key, "-")
	at, err := strconv.Atoi(number)
	if err != nil || at < 1 {
		return 0, false
	}
	last := 1 + bytes.Count(src, []byte("\n"))
	_, hash, _ := strings.Cut(key, "-")
	says := func(n int) bool { return RowKey(src, n) == strconv.Itoa(n)+"-"+hash }
	for off := 0; off <= last; off++ { // the nearest that says so
		for _, n := range []int{at - off, at + off} {
			if n >= 1 && n <= last && says(n) {
				return n, true
			}
		}
	}
	return 0, false
}

// Strike makes a line of readings.csv a remark; key is its RowKey. A line that says something else now is a *Conflict.
func (b *Book) Strike(key, words string) (*Revision, error) {
	return b.again(func() (*Revision, error) {
		rev := b.now.Load()
		if rev.Folder == nil {
			return nil, rev.Problems
		}
		file := rev.Folder.ReadingsFile
		line, ok := row(rev.Sources[file], key)
		if !ok {
			return nil, &Conflict{Theirs: rev.ID, File: file}
		}
		data, err := build.StruckRow(rev.Sources[file], line)
		if err != nil {
			return nil, err
		}
		_, now := build.Load(rev.Folder.File, rev.Folder.Build.Source, build.Beside{ReadingsFile: file, Readings: data, Drawer: rev.Folder.Build.Drawer})
		if fresh := newProblems(rev.Problems, now); len(fresh) > 0 {
			return nil, fresh
		}
		return b.change(cmp.Or(words, "a reading struck out"), swap{file: file, after: data})
	})
}

// A DrawerRow is what is to become of one line of the drawer.
type DrawerRow struct {
	Key   string            // its RowKey; "" for a new line
	Cells map[string]string // by column; what is the same already is not written
	Out   bool              // the line is taken out
}

// Drawer changes one line of the drawer that the build uses; a build without one gets one beside it. What makes the drawer wrong,
// or a build of the shelf that uses it, is refused with a diag.List; a line that says something else now is a *Conflict.
func (b *Book) Drawer(r DrawerRow, words string) (*Revision, error) {
	return b.again(func() (*Revision, error) {
		rev := b.now.Load()
		if rev.Folder == nil {
			return nil, rev.Problems
		}
		_, drawers := b.beside()
		file := drawers[0]
		if rev.Folder.DrawerFile != "" {
			file = rev.Folder.DrawerFile
		}
		src, line, ok := rev.Sources[file], 0, true
		if r.Key != "" {
			if line, ok = row(src, r.Key); !ok {
				return nil, &Conflict{Theirs: rev.ID, File: file}
			}
		}
		was := map[string]string{}
		if line > 0 {
			var err error
			if was, err = parts.Cells(file, src, line); err != nil {
				return nil, err
			}
		}
		data, items, done := []byte(nil), 1, " changed"
		var err error
		if r.Out {
			data, err = parts.Without(file, src, line)
			items, done = -1, " taken out"
		} else {
			cells := map[string]string{}
			for column, text := range r.Cells {
				if text != was[column] {
					cells[column] = text
				}
			}
			if len(cells) == 0 {
				return rev, nil
			}
			data, err = parts.Amend(file, src, line, cells)
			if line > 0 {
				items = 0
			} else {
				done = " added"
			}
			for column, text := range r.Cells {
				was[column] = text
			}
		}
		if err != nil {
			return nil, err
		}
		if problems := b.drawerSuits(file, data, items); len(problems) > 0 {
			return nil, problems
		}
		return b.change(cmp.Or(words, "drawer: "+strings.TrimSpace(was["part"]+" "+was["value"])+done), swap{file: file, after: data})
	})
}

// drawerSuits are the problems that a changed drawer would bring to itself and to the builds that use it; it has so many items more.
func (b *Book) drawerSuits(file string, data []byte, more int) (problems diag.List) {
	d, list := parts.ReadDrawer(file, data, nil)
	had := 0
	if old := b.now.Load().Folder.Build.Drawer; old != nil {
		had = len(old.Items)
	}
	switch {
	case list.HasErrors():
		return slices.DeleteFunc(list, func(p diag.Problem) bool { return p.Severity == diag.Warning })
	case len(d.Items) != had+more:
		problems.Add("row-lost", diag.Range{File: file}, "the line would not be read as one: a remark begins with #, and a line needs a part, a value or a marking")
		return problems
	}
	users := slices.DeleteFunc(b.shelf.Books(), func(o *Book) bool {
		rev := o.now.Load()
		return o == b || o.Readonly() != b.Readonly() || rev.Folder == nil || rev.Folder.DrawerFile != file
	})
	for _, o := range append(users, b) {
		rev := o.now.Load()
		readings := rev.Folder.ReadingsFile
		_, now := build.Load(rev.Folder.File, rev.Folder.Build.Source, build.Beside{ReadingsFile: readings, Readings: rev.Sources[readings], Drawer: d})
		for _, p := range newProblems(rev.Problems, now) {
			if p.Severity != diag.Warning {
				p.Message = fmt.Sprintf("with that change, in %s: %s", filepath.Base(o.file), p.Message)
				problems = append(problems, p)
			}
		}
	}
	return problems
}
