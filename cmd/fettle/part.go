package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"fettle/internal/build"
	"fettle/internal/choose"
	"fettle/internal/diag"
	"fettle/internal/leads"
)

func (a *app) partCommand() *cobra.Command {
	var measured []string
	var pkg string
	cmd := a.command("part [QUERY]", "A part by name, by the code on its body, or by a meter's readings", func(ctx context.Context, f *build.Folder, rest []string, demo bool) error {
		query := strings.Join(rest, " ")
		switch {
		case len(measured) > 0:
			return a.measuredPart(query, pkg, measured, f.Build)
		case query == "":
			return errors.New("part wants a name or the code on a body: fettle part 1AM; or readings: fettle part --measured \"1>2 0.68 V\"")
		}
		return a.show(choose.IdentifyIn(query, pkg, f.Build), nil)
	})
	cmd.Long = `A part by its name, by the code on its body, by the colours or digits on a resistor, a wire by its
gauge; or, with --measured, an unknown three-legged part by what a meter shows between its leads.

Leads are 1, 2, 3 by position: SOT-23 from above with the single lead up: lower left, lower right,
single lead; TO-92 with the flat face to you, leads down: left to right. A reading is
  1>2 0.68 V               diode test, red probe on 1, black on 2 ("0.68" and "680" will do)
  2>1 OL                   nothing conducts
  1>2 4.7 kΩ               resistance
  1+3>2 1.9 V              1 and 3 joined
  1>2 0.02 V after 3>2     red touched 3 and black 2 just before (a gate keeps its charge)
  hfe NPN BCE 180          gain socket, with leads 1, 2, 3 in its holes B, C, E
Several go into one --measured, separated by ";", or into a table (--measured FILE.csv) with the
columns red, black, shows, after, socket, note. The part alone on the bench, its leads joined for
a moment before every reading. With QUERY the readings are held against what is so called or marked.`
	cmd.Flags().StringArrayVar(&measured, "measured", nil, "a `READING` of a meter, or a .csv file of them; may be given several times")
	cmd.Flags().StringVar(&pkg, "package", "", "the package, e.g. SOT-23: narrows a marking, and the order of leads")
	return cmd
}

// measuredPart identifies a part from readings, those of files after those typed.
func (a *app) measuredPart(query, pkg string, measured []string, b *build.Build) error {
	const typed = "--measured"
	sources := map[string][]byte{}
	var lines, files []string
	for _, m := range measured {
		if strings.HasSuffix(strings.ToLower(m), ".csv") {
			files = append(files, m)
		} else {
			lines = append(lines, m)
		}
	}
	text := strings.Join(lines, "\n")
	sources[typed] = []byte(text)
	readings, list := leads.Parse(typed, text)
	for _, name := range files {
		src, err := os.ReadFile(name)
		if err != nil {
			return fmt.Errorf("reading the table of readings: %w", err)
		}
		sources[name] = src
		more, problems := leads.ReadCSV(name, src)
		readings, list = append(readings, more...), append(list, problems...)
	}
	if !list.HasErrors() && len(readings) == 0 {
		list = append(list, diag.Problem{Code: "readings-missing", Range: diag.Range{File: typed}, Message: "no reading: write " + leads.Forms})
	}
	opts := leads.Options{Package: pkg, Catalogue: b.Catalogue}
	if query != "" {
		opts.Marking = leads.Marked(b.Catalogue, query, pkg)
		if len(opts.Marking) == 0 {
			return fmt.Errorf("nothing in the catalogue is called %q or marked so; without it the readings are held against everything", query)
		}
	}
	if list.HasErrors() {
		return &inputError{list, sources}
	}
	f := leads.Identify(readings, opts).Findings()
	f.Build = b.Name()
	return a.show(f, nil)
}
