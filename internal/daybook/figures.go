package daybook

import (
	"encoding/csv"
	"encoding/json"
	"html/template"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"fettle/internal/draw"
	"fettle/internal/finding"
	"fettle/internal/live"
	"fettle/internal/render"
	"fettle/internal/understand"
	"fettle/internal/work"
)

// Widths of drawings in px: for the sheet, for a phone, for the margin beside a number.
const (
	wide   = 700
	narrow = 320
	margin = 296
)

// A plate is a drawing with its number, its words and what can be saved of it.
type plate struct {
	Number         int
	Title, Caption string
	Wide, Narrow   template.HTML
	SVG, CSV       string // addresses; "" where there is none
	Data           string // address of what script draws of it; "" where it is not looked at closely
	Open           bool   // it is looked at closely at once
	closely        bool
}

func (v *view) next() int { v.number++; return v.number }

// id keeps the identifiers of drawings apart through a page.
func (v *view) id(name string) string {
	v.ids[name]++
	return name + "-" + strconv.Itoa(v.ids[name])
}

func (v *view) options(prefix string) render.HTMLOptions {
	return render.HTMLOptions{Prefix: prefix, Figure: func(f finding.Figure) template.HTML {
		p := plate{Title: f.Title, Caption: f.Caption, Wide: template.HTML(draw.Plot(f, draw.Options{Width: margin, ID: v.id("margin-" + f.ID)}))}
		if v.proved != nil {
			if _, ok := figureOf(v.proved, f.ID); ok {
				p.keptAt(v.Base+"figure", url.Values{"of": {f.ID}})
			}
		}
		return executed("small", p)
	}}
}

func (v *view) plate(f finding.Figure) plate {
	v.ids["figure"]++
	p := plate{Number: v.ids["figure"], Title: f.Title, Caption: f.Caption,
		Wide:   template.HTML(draw.Plot(f, draw.Options{Width: wide, ID: v.id("wide-" + f.ID)})),
		Narrow: template.HTML(draw.Plot(f, draw.Options{Width: narrow, ID: v.id("narrow-" + f.ID)}))}
	p.closely = rising(f)
	p.keptAt(v.Base+"figure", url.Values{"of": {f.ID}})
	return p
}

// rising reports whether every curve of a figure runs to the right all along, so that a reading can be had of it at each place.
func rising(f finding.Figure) bool {
	for _, c := range f.Curves {
		if !slices.IsSorted(c.X) {
			return false
		}
	}
	return len(f.Curves)+len(f.Points) > 0
}

// keptAt says from where the drawing and its numbers are had as files.
func (p *plate) keptAt(address string, q url.Values) {
	q.Set("as", "svg")
	p.SVG = address + "?" + q.Encode()
	q.Set("as", "csv")
	p.CSV = address + "?" + q.Encode()
	if p.closely {
		q.Set("as", "json")
		p.Data = address + "?" + q.Encode()
	}
}

func (v *view) plates(begin ...string) (out []plate) {
	for _, f := range v.all.Figures {
		if begins(f.ID, begin) {
			out = append(out, v.plate(f))
		}
	}
	return out
}

func (v *view) circuits() (out []plate) {
	for i, c := range v.proved.Circuits {
		v.ids["figure"]++
		p := plate{Number: v.ids["figure"], Title: c.Title,
			Wide:   template.HTML(draw.Circuit(c, draw.Options{Width: wide, ID: v.id("wide-" + c.ID), Why: v.Base + "why?of="})),
			Narrow: template.HTML(draw.Circuit(c, draw.Options{Width: narrow, ID: v.id("narrow-" + c.ID), Why: v.Base + "why?of="}))}
		p.keptAt(v.Base+"figure", url.Values{"of": {"circuit." + strconv.Itoa(i)}})
		out = append(out, p)
	}
	return out
}

// saveFigure is a figure as a file: its drawing, or what it shows as numbers.
func (d *Daybook) saveFigure(w http.ResponseWriter, r *http.Request) {
	b, p, ok := d.proved(w, r)
	if !ok {
		return
	}
	q := r.URL.Query()
	of, as := q.Get("of"), q.Get("as")
	if chapter := q.Get("chapter"); chapter != "" {
		d.saveFigureOf(w, r, b, chapter, of, as)
		return
	}
	if k, ok := strings.CutPrefix(of, "circuit."); ok && (as == "svg" || as == "csv") {
		if i, err := strconv.Atoi(k); err == nil && i >= 0 && i < len(p.Circuits) {
			c := p.Circuits[i]
			if at := (draw.Probes{Red: q.Get("red"), Black: q.Get("black"), Lead: q.Get("lead")}); c.Shows(at) {
				c = c.Around(at)
			}
			attach(w, b.Name()+" schematic", as)
			if as == "csv" {
				writeDetails(w, c)
				return
			}
			_, _ = io.WriteString(w, draw.Circuit(c, draw.Options{Width: 1000, Standalone: true}))
			return
		}
	}
	if f, ok := figureOf(p, of); ok && kept(as) {
		keep(w, b.Name(), f, as)
		return
	}
	d.say(w, r, http.StatusNotFound, "No such figure", "This build has no figure of that name now.")
}

// kept reports whether a figure is had in that form.
func kept(as string) bool { return as == "svg" || as == "csv" || as == "json" }

// keep has a figure saved as its drawing (svg) or as its numbers (csv), or gives it to script (json).
func keep(w http.ResponseWriter, of string, f finding.Figure, as string) {
	if as == "json" {
		data, err := render.FigureJSON(f)
		if err != nil {
			http.Error(w, "this figure cannot be written", http.StatusInternalServerError)
			return
		}
		x, y := draw.Axes(f)
		w.Header().Set("Content-Type", "application/json; charset=utf-8")
		_ = json.NewEncoder(w).Encode(struct { // a browser that has gone needs no answer
			Figure json.RawMessage `json:"figure"`
			X      draw.Axis       `json:"x"`
			Y      draw.Axis       `json:"y"`
			Dashes []string        `json:"dashes"`
		}{data, x, y, draw.Dashes(f)})
		return
	}
	attach(w, of+" "+f.ID, as)
	if as == "svg" {
		_, _ = io.WriteString(w, draw.Plot(f, draw.Options{Width: 900, Standalone: true}))
		return
	}
	writeFigure(w, f)
}

func figureOf(p *work.Proved, id string) (finding.Figure, bool) {
	figures := p.All().Figures
	i := slices.IndexFunc(figures, func(f finding.Figure) bool { return f.ID == id })
	if i < 0 {
		return finding.Figure{}, false
	}
	return figures[i], true
}

// attach has what follows saved under a name, as a drawing (svg), as numbers (csv), or as a text of another kind.
func attach(w http.ResponseWriter, name, as string) {
	w.Header().Set("Content-Type", map[string]string{"svg": "image/svg+xml", "csv": "text/csv; charset=utf-8", "json": "application/json; charset=utf-8", "jsonl": "application/jsonl; charset=utf-8", "txt": "text/plain; charset=utf-8", "html": "text/html; charset=utf-8"}[as])
	w.Header().Set("Content-Disposition", "attachment; filename*=UTF-8''"+url.PathEscape(name+"."+as))
}

// writeDetails writes what the parts and nets of a schematic answer, a line for each.
func writeDetails(w io.Writer, s draw.Schematic) {
	c := csv.NewWriter(w)
	_ = c.Write([]string{"what", "value", "carries, or stands at", "in which state", "judged"}) // Flush would tell of an error, and the browser has gone then
	for _, x := range s.Details {
		verdict := string(x.Verdict)
		if len(x.Judged) == 0 {
			verdict = ""
		}
		_ = c.Write([]string{x.Name, x.Value, strings.Join(x.Now, "; "), x.State, verdict})
	}
	c.Flush()
}

// saveFigureOf is a figure of a chapter as a file.
func (d *Daybook) saveFigureOf(w http.ResponseWriter, r *http.Request, b *live.Book, chapter, of, as string) {
	v, err := newView(r, b)
	var list []understand.Chapter
	if err == nil {
		list, err = d.chapters.of(d, v)
	}
	if err != nil {
		status, a := wrong(err)
		d.sayWrong(w, r, status, a, err)
		return
	}
	for _, c := range list {
		for _, x := range c.Blocks {
			if c.ID == chapter && x.Figure != nil && x.Figure.ID == of && kept(as) {
				keep(w, b.Name(), *x.Figure, as)
				return
			}
		}
	}
	d.say(w, r, http.StatusNotFound, "No such figure", "That chapter has no figure of that name.")
}

// writeFigure writes what a figure shows: one line for each point, in coherent SI units, which the head names.
func writeFigure(w io.Writer, f finding.Figure) {
	c := csv.NewWriter(w)
	num := func(x float64) string { return strconv.FormatFloat(x, 'g', 9, 64) }
	head := func(a finding.Axis) string { return strings.TrimSpace(a.Quantity + " / " + a.Unit) }
	_ = c.Write([]string{"what", head(f.X), head(f.Y), "lowest", "highest"}) // Flush would tell of an error, and the browser has gone then
	for _, k := range f.Curves {
		for i := range k.X {
			_ = c.Write([]string{k.Label, num(k.X[i]), num(k.Y[i]), "", ""})
		}
	}
	for _, s := range f.Shades {
		for i := range s.X {
			_ = c.Write([]string{s.Label, num(s.X[i]), "", num(s.Low[i]), num(s.High[i])})
		}
	}
	for _, p := range f.Points {
		for i := range p.X {
			low, high := "", ""
			if p.YLow != nil {
				low, high = num(p.YLow[i]), num(p.YHigh[i])
			}
			_ = c.Write([]string{p.Label, num(p.X[i]), num(p.Y[i]), low, high})
		}
	}
	for _, b := range f.Bands {
		if b.Vertical {
			_ = c.Write([]string{b.Label, num(b.From), "", "", ""})
			_ = c.Write([]string{b.Label, num(b.To), "", "", ""})
		} else {
			_ = c.Write([]string{b.Label, "", "", num(b.From), num(b.To)})
		}
	}
	c.Flush()
}
