package build

import (
	"strings"

	"fettle/internal/diag"
	"fettle/internal/parts"
)

// Beside is what lies beside a build file: the readings taken, the drawer, the catalogue that part names are
// looked up in. Every field may be left empty.
type Beside struct {
	ReadingsFile string // name of readings.csv, for messages
	Readings     []byte // nil: there is none
	Drawer       *parts.Drawer
	Catalogue    *parts.Catalogue // nil: the embedded one
}

// Load reads a build file with what lies beside it. Every problem of all files is in the list, sorted by place,
// each with a mend where one was found that makes it vanish. The build is nil exactly if a problem of the list
// is an error; a damaged line of readings.csv is a warning and left out.
func Load(file string, src []byte, beside Beside) (*Build, diag.List) {
	if beside.Catalogue == nil {
		beside.Catalogue = parts.Load()
	}
	beside.Catalogue = beside.Catalogue.With(beside.Drawer)
	b, reports := check(file, src, beside)
	list := mends(file, src, reports, beside)
	list.Sort()
	if list.HasErrors() {
		return nil, list
	}
	return b, list
}

// check is one pass over the files, without looking for mends.
func check(file string, src []byte, beside Beside) (*Build, []*report) {
	r := &reader{src: newSource(file, src)}
	b := &Build{File: file, Source: src, Catalogue: beside.Catalogue, Drawer: beside.Drawer}
	if body := r.parse(); body != nil {
		root := r.read(&schema, body)
		r.required(root)
		b.assemble(root)
		c := &checker{reader: r, b: b, root: root}
		c.build()
		c.unbuilt()
		reports := r.reports
		if beside.Readings != nil {
			side := &reader{src: newSource(beside.ReadingsFile, beside.Readings), csv: true}
			b.Readings = append(b.Readings, c.readings(side)...)
			reports = append(reports, side.reports...)
		}
		b.number()
		return b, reports
	}
	return nil, r.reports // there is nothing to hold the readings against
}

// How many mends one run may try out: each is a pass over the file.
const maxTries = 200

// mends tries the mends of every report and keeps, for each, the first after which its problem is gone and no
// new one has come.
func mends(file string, src []byte, reports []*report, beside Beside) diag.List {
	var list diag.List
	tries, most := 0, maxTries
	if len(src)+len(beside.Readings) > 1<<20 {
		most = 0 // each would take too long
	}
	for _, p := range reports {
		for _, fix := range p.tries {
			if tries++; tries > most {
				break
			}
			text, where := src, beside
			if fix.Range.File == file {
				text = newSource(file, src).replace(fix.Range, fix.Text)
			} else {
				where.Readings = newSource(fix.Range.File, beside.Readings).replace(fix.Range, fix.Text)
			}
			_, after := check(file, text, where)
			if mended(p, fix, reports, after) {
				p.Fix = &fix
				break
			}
		}
		list = append(list, p.Problem)
	}
	return list
}

// mended reports whether the problem is gone and nothing new has come. What stood hidden behind a syntax error
// or an unknown name may come to light: that was there before.
func mended(p *report, fix diag.Fix, before, after []*report) bool {
	had := map[string]int{}
	for _, q := range before {
		if q != p {
			had[q.Code+"\x00"+q.Message]++
		}
	}
	for _, q := range after {
		same := q.Code == p.Code && q.Range.File == p.Range.File && q.Range.Start.Line == p.Range.Start.Line
		switch key := q.Code + "\x00" + q.Message; {
		case same && q.Range.Start.Byte == p.Range.Start.Byte, same && p.Code == "syntax":
			return false
		case had[key] > 0:
			had[key]--
		case p.Code == "syntax", p.Code == "name-unknown" && q.Range.Start.Line >= fix.Range.Start.Line:
		default:
			return false
		}
	}
	return true
}

// number gives every reading without an id one: the lamp's or point's name and a count.
func (b *Build) number() {
	taken := map[string]bool{}
	for _, r := range b.Readings {
		taken[r.ID] = true
	}
	counts := map[string]int{}
	for i := range b.Readings {
		r := &b.Readings[i]
		of := r.Lamp
		if of == "" {
			of = strings.TrimSpace(r.Point.Text)
		}
		if of == "" {
			of = "reading"
		}
		counts[of]++
		if r.ID == "" {
			for n := counts[of]; r.ID == "" || taken[r.ID]; n++ {
				r.ID = of + " " + itoa(n)
			}
			taken[r.ID] = true
		}
	}
	for i := range b.Vehicles {
		v := &b.Vehicles[i]
		for j := range v.Lamps {
			l := &v.Lamps[j]
			l.Readings = nil
			for _, r := range b.Readings {
				if r.Lamp == l.Name.Text && (r.Vehicle == v.Name.Text || r.Vehicle == "" && len(b.Vehicles) == 1) {
					l.Readings = append(l.Readings, r)
				}
			}
		}
	}
}
