package daybook

import (
	"html/template"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"fettle/internal/build"
	"fettle/internal/draw"
)

// probesOf is where the probes of a reading go: its points and its setup, as the bench sheet and the diagnosis name them. An
// ammeter stands in the lead of the rail that the setup feeds; a reading of a lamp without a decoder has no place on a schematic.
func probesOf(point, against, setup string) draw.Probes {
	if against != "supply" {
		return draw.Probes{Red: point, Black: against}
	}
	switch {
	case strings.HasPrefix(setup, "board-left"):
		return draw.Probes{Lead: build.LeftRail}
	case strings.HasPrefix(setup, "board-right"):
		return draw.Probes{Lead: build.RightRail}
	}
	return draw.Probes{}
}

// probed is the schematic of a decoder ("": the first) around the probes of a reading; not ok where they have no place on it.
func (v *view) probed(decoder string, p draw.Probes) (plate, bool) {
	i := 0
	if decoder != "" {
		i = slices.IndexFunc(v.proved.Circuits, func(c draw.Schematic) bool { return c.Decoder == decoder })
	}
	if i < 0 || i >= len(v.proved.Circuits) || !v.proved.Circuits[i].Shows(p) {
		return plate{}, false
	}
	c := v.proved.Circuits[i].Around(p)
	v.ids["figure"]++
	q := url.Values{"of": {"circuit." + strconv.Itoa(i)}}
	for name, at := range map[string]string{"red": p.Red, "black": p.Black, "lead": p.Lead} {
		if at != "" {
			q.Set(name, at)
		}
	}
	caption := "R: the red probe; B: the black one."
	if p.Lead != "" {
		caption = "A: the ammeter, in the lead of the " + p.Lead + "."
	}
	out := plate{Number: v.ids["figure"], Title: "Where the probes go", Caption: caption,
		Wide:   template.HTML(draw.Circuit(c, draw.Options{Width: wide, ID: v.id("wide-" + c.ID), Why: v.Base + "why?of="})),
		Narrow: template.HTML(draw.Circuit(c, draw.Options{Width: narrow, ID: v.id("narrow-" + c.ID), Why: v.Base + "why?of="}))}
	out.keptAt(v.Base+"figure", q)
	return out, true
}
