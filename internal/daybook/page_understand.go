package daybook

import (
	"html/template"
	"net/url"
	"sync"

	"fettle/internal/render"
	"fettle/internal/understand"
)

// chapters keeps those of one revision.
type chapters struct {
	mu   sync.Mutex
	id   string
	list []understand.Chapter
}

// of are the chapters computed from a build, and from the demo where the build has nothing that one is about.
func (c *chapters) of(d *Daybook, v *view) ([]understand.Chapter, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if id := v.book.Name() + " " + v.rev.ID; c.id != id {
		other, err := d.shelf.Example().Proved(v.r.Context())
		if err != nil {
			return nil, err
		}
		list, err := understand.All(v.r.Context(), *v.proved, *other)
		if err != nil {
			return nil, err
		}
		c.id, c.list = id, list
	}
	return c.list, nil
}

// showUnderstand is one chapter, or the list of them.
func (d *Daybook) showUnderstand(v *view) (string, any) {
	list, err := d.chapters.of(d, v)
	p := sections{Title: "Understand", Lead: "For the builder who will not take a rule of thumb on trust. Every number and every figure is computed from this build as it is now."}
	if err != nil {
		d.log.Error("chapters", "err", err)
		p.List = append(p.List, section{Live: "none", Title: "Not to be computed", Say: "The chapters cannot be computed from this build: " + err.Error()})
		return "sections", p
	}
	id := v.r.PathValue("chapter")
	index := section{Live: "chapters", Title: "Five chapters"}
	links := `<ol class="card chapters">`
	for _, c := range list {
		links += `<li><a href="` + template.HTMLEscapeString(v.Base+"understand/"+c.ID) + `">` + template.HTMLEscapeString(c.Title) + `</a></li>`
	}
	index.add(template.HTML(links + "</ol>"))
	for _, c := range list {
		if c.ID != id {
			continue
		}
		p.Title, p.Lead = c.Title, "Computed from "+c.Of+"."
		s := section{Live: "chapter", Title: "Computed from " + c.Of}
		p.Lead = ""
		for _, b := range c.Blocks {
			switch {
			case b.Figure != nil:
				p := v.plate(*b.Figure)
				p.keptAt(v.Base+"figure", url.Values{"chapter": {c.ID}, "of": {b.Figure.ID}})
				s.add(executed("plate", p))
			case b.Table != nil:
				s.add(render.Table(*b.Table, v.options("t-")))
			default:
				s.add(template.HTML("<p>" + template.HTMLEscapeString(b.Text) + "</p>"))
			}
		}
		index.Title = "All chapters"
		p.List = append(p.List, s)
	}
	p.List = append(p.List, index)
	return "sections", p
}
