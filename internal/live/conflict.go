package live

import (
	"fmt"
	"slices"
	"strings"

	"fettle/internal/build"
)

// A Conflict is that two hands changed the same thing. Nothing was written: both are still there, theirs in the file, mine here.
type Conflict struct {
	Base, Theirs string // revisions; to have mine all the same, edit again on Theirs
	File         string // where a whole file is concerned: Rewrite, Undo, Redo
	Step         string // what was to be undone or done again
	Attributes   []Clash
	Rest         []build.Edit // those of mine that clash with nothing; they were not written either
}

// A Clash is one attribute that was changed twice, or a whole block. "" is what is not written.
type Clash struct {
	Path               []string
	Attr               string // "": the block is to be taken out or renamed, and the values are its text
	Base, Theirs, Mine string
	BaseKnown          bool       // false where the base is forgotten, as after a new start
	Gone               bool       // the block is no longer there
	Edit               build.Edit // mine, where it was an edit
}

// Where is the place of the clash as one would say it: "series of output front".
func (c Clash) Where() string {
	switch {
	case len(c.Path) == 0:
		return c.Attr
	case c.Attr == "":
		return nameOf(c.Path)
	}
	return c.Attr + " of " + strings.Join(c.Path[max(0, len(c.Path)-2):], " ")
}

func (c *Conflict) Error() string {
	or := func(s string) string {
		if s == "" {
			return "not written"
		}
		return s
	}
	var s strings.Builder
	switch {
	case c.Step != "":
		fmt.Fprintf(&s, "%q cannot be taken back or done again: %s was changed outside meanwhile", c.Step, c.File)
	case c.File != "":
		fmt.Fprintf(&s, "%s was changed outside meanwhile", c.File)
	default:
		s.WriteString("changed by another hand meanwhile")
	}
	for i, a := range c.Attributes {
		sep := "; "
		if i == 0 {
			sep = ": "
		}
		fmt.Fprintf(&s, "%s%s is now %s (here: %s)", sep, a.Where(), or(a.Theirs), or(a.Mine))
	}
	s.WriteString("; nothing was written")
	return s.String()
}

// weigh sorts edits made on base, which may be nil, against what the file says now: those wanted, and those that clash.
func (b *Book) weigh(base, now *Revision, edits []build.Edit) (wanted []build.Edit, clashes []Clash) {
	if base != nil && base.ID == now.ID {
		base = now
	}
	for _, e := range edits {
		mine := e.Text()
		theirs, written, there := build.Value(b.file, now.Sources[b.file], e.Path, e.Attr)
		if said(mine, theirs, written) && (there || mine == "") {
			continue
		}
		if base == now {
			wanted = append(wanted, e)
			continue
		}
		c := Clash{Path: e.Path, Attr: e.Attr, Theirs: theirs, Mine: mine, Gone: !there && !e.Make, Edit: e}
		if base != nil {
			was, wrote, had := build.Value(b.file, base.Sources[b.file], e.Path, e.Attr)
			if said(mine, was, wrote) && (had || mine == "") {
				continue // not touched: theirs stands
			}
			c.Base, c.BaseKnown = was, true
			if was == theirs && wrote == written && had == there {
				wanted = append(wanted, e)
				continue
			}
		}
		clashes = append(clashes, c)
	}
	return wanted, clashes
}

// said reports whether a file already says what an edit would: that value, or, where it is to be taken out, nothing.
func said(mine, file string, written bool) bool {
	if mine == "" {
		return !written
	}
	return written && mine == file
}

// differ lists the attributes that mine would set otherwise than theirs.
func differ(file string, base, theirs, mine []byte) []Clash {
	key := func(e build.Edit) string { return strings.Join(append(slices.Clip(e.Path), e.Attr), "\x00") }
	values := func(src []byte) (map[string]string, []build.Edit) {
		list, _ := build.Values(file, src)
		m := map[string]string{}
		for _, e := range list {
			m[key(e)] = e.Text()
		}
		return m, list
	}
	was, _ := values(base)
	now, order := values(theirs)
	want, more := values(mine)
	var list []Clash
	seen := map[string]bool{}
	for _, e := range append(order, more...) {
		k := key(e)
		if !seen[k] && now[k] != want[k] {
			list = append(list, Clash{Path: e.Path, Attr: e.Attr, Base: was[k], Theirs: now[k], Mine: want[k], BaseKnown: true})
		}
		seen[k] = true
	}
	return list
}
